"""A tuning run on the meter that is cut off and goes on: its record, its numbers, its waves."""

from __future__ import annotations

import dataclasses
from itertools import count

import msgspec
import pytest

from dry_world import DryWorld, carried_out_by
from flattop import plan_files
from flattop.errors import PlanError
from flattop.measure.alignment import NAMED, Side
from flattop.measure.verdict import Limits
from flattop.record import run_file
from flattop.record.logbook import wave_name, wave_table
from flattop.record.session import Kept
from flattop.record.stamps import Wall
from flattop.toml_files import parse_toml
from flattop.tuner import Tuner, beginning, going_on
from flattop.tuning.plan import plan_from
from flattop.tuning.run import WENT_BACK, Run
from flattop.tuning.steps import Command, State


@pytest.fixture
def plan():
    return plan_files.find("two-bass")


def world_of(plan):
    return DryWorld(
        plan,
        gain={("Bass A", ""): 25.0, ("Bass B", ""): 22.0},
        rail_v={("Bass A", ""): 85.0, ("Bass B", ""): 110.0},
    )


class Sessions:
    """Folders of one session after another, each with the files of what was kept in it."""

    def __init__(self, root):
        self.root, self.numbers = root, count(1)

    def begin(self, run, record, *, kept=0, each_save=lambda record: None):
        folder = self.root / f"{next(self.numbers):05d}-2026-06-01T100000Z"
        folder.mkdir()
        numbers = count(kept + 1)

        def keep(reading, note):
            number = next(numbers)
            (folder / wave_name(number)).write_bytes(wave_table(reading.tops))
            return Kept(number)

        def save(record):
            run_file.save(folder, record)
            each_save(record)

        return folder, Tuner(run, keep=keep, save=save, record=record, wall=lambda: Wall(1e9))


def new_record(plan):
    return beginning(plan, calibration=None, limits=Limits(), simulated=True, wall=Wall(1e9))


def outcome(tuner):
    return {(one.what, one.where, one.judgement) for one in tuner.findings}


def test_the_power_may_be_pulled_whenever_the_record_was_saved(plan, tmp_path):
    """Nothing that was done is asked for again, nothing that was kept is lost, and it all comes out the same."""
    sessions, world, cuts = Sessions(tmp_path), world_of(plan), []
    _, whole = sessions.begin(
        Run(plan),
        new_record(plan),
        each_save=lambda record: cuts.append((record, dataclasses.replace(world, gain=dict(world.gain)))),
    )
    carried_out_by(whole, world)
    assert whole.over
    assert len(cuts) > 15
    for saved, then in cuts[:-1]:
        earlier, _ = sessions.begin(Run(plan), saved)
        run_file.save(earlier, saved)
        found = run_file.unfinished(tmp_path)
        assert found is not None
        assert found[0] == earlier
        record = found[1]
        done = {step.id for step in record.steps if step.state == "done"}
        _, tuner = sessions.begin(going_on(record), record, kept=len(record.kept))
        asked = carried_out_by(tuner, then)
        assert tuner.over
        assert not done & {prompt.step.id for prompt in asked}
        assert {step.id for step in tuner.record.steps if step.state == "done"} >= done
        assert tuner.record.kept[: len(record.kept)] == record.kept
        assert {kept.step for kept in tuner.record.kept} == {kept.step for kept in whole.record.kept}
        assert outcome(tuner) == outcome(whole)


def test_what_was_kept_before_comes_along_into_the_session_in_which_it_goes_on(plan, tmp_path):
    sessions, world = Sessions(tmp_path), world_of(plan)
    earlier, first = sessions.begin(Run(plan), new_record(plan))
    carried_out_by(first, world, until=lambda: len(first.record.kept) >= 4)
    waves = {kept.wave: (earlier / kept.wave).read_bytes() for kept in first.record.kept}
    found = run_file.unfinished(tmp_path)
    assert found is not None
    folder, _ = sessions.begin(going_on(found[1]), found[1], kept=len(found[1].kept))
    run_file.bring_along(found[1], *(found[0], folder))
    assert {name: (folder / name).read_bytes() for name in waves} == waves
    (folder / "kept-0001.csv").write_bytes(b"another")
    run_file.bring_along(found[1], earlier, folder)
    assert (folder / "kept-0001.csv").read_bytes() == b"another", "what is there already stays"
    (earlier / "kept-0002.csv").unlink()
    (folder / "kept-0002.csv").unlink()
    run_file.bring_along(found[1], earlier, folder)  # lost with the earlier session: the run goes on without


def test_a_run_that_is_over_or_cannot_be_read_is_not_gone_on_with(plan, tmp_path):
    assert run_file.unfinished(tmp_path) is None
    assert run_file.unfinished(tmp_path / "no card") is None
    sessions, world = Sessions(tmp_path), world_of(plan)
    (tmp_path / "00000-2026-06-01T100000Z").mkdir()
    assert run_file.unfinished(tmp_path) is None, "a session without a run"
    folder, tuner = sessions.begin(Run(plan), new_record(plan))
    (tmp_path / "00002-2026-06-01T100000Z").mkdir()
    found = run_file.unfinished(tmp_path)
    assert found is not None
    assert found[0] == folder, "the power went again before it was gone on with"
    assert found[1].steps == tuner.record.steps
    carried_out_by(tuner, world)
    assert run_file.unfinished(tmp_path) is None
    (folder / run_file.NAME).write_text("{")
    assert run_file.unfinished(tmp_path) is None


def test_a_record_with_a_plan_that_is_none_is_refused(plan):
    record = new_record(plan)
    looped = record.plan | {"links": [{"name": "a", "after": "b"}, {"name": "b", "after": "a"}]}
    for broken in (looped, record.plan | {"amplifiers": []}, record.plan | {"tones": 3}):
        with pytest.raises(PlanError):
            going_on(msgspec.structs.replace(record, plan=broken))


def test_the_record_says_why_a_step_was_not_done(plan, tmp_path):
    world = world_of(plan)
    _, tuner = Sessions(tmp_path).begin(Run(plan), new_record(plan))
    carried_out_by(tuner, world, command=lambda prompt: Command.SKIP if prompt.step.kind == "link" else Command.NONE)
    skipped = [step for step in tuner.record.steps if step.state == State.SKIPPED]
    assert {step.kind for step in skipped} == {"link"}
    assert {step.why for step in skipped} == {"passed over by the tuner"}
    assert not any(step.why for step in tuner.record.steps if step.state == "done")


def test_that_a_pot_was_set_once_more_is_remembered_over_a_power_cut(plan):
    left = next(step for step in Run(plan).steps if step.kind == "left")
    run = Run(plan, whys={left.id: WENT_BACK})
    record = msgspec.structs.replace(
        new_record(plan), steps=(run_file.Step(id=left.id, kind="left", place=left.place, why=WENT_BACK),)
    )
    assert going_on(record).whys == run.whys


# -- filters and noise ------------------------------------------------------------------------------------------------

ONE = """
name = "One filtered output"
[source]
name = "Src"
sides = "left"
[[tones]]
name = "42 Hz"
hz = 42
band = "bass"
[[amplifiers]]
name = "Amp"
after = "Src"
[[amplifiers.channels]]
band = "bass"
load_ohm = 2
power_w = 800
subsonic_hz = 28
low_pass_hz = 90
quiet_db = 60
"""


@pytest.fixture
def filtered():
    return plan_from(parse_toml(ONE.encode(), name="one", error=PlanError), what="one")


def filtered_world(plan):
    filters = ((Side.HIGH_PASS, NAMED[1], 28.0), (Side.LOW_PASS, NAMED[3], 90.0))
    return DryWorld(
        plan,
        gain={("Amp", ""): 20.0},
        rail_v={("Amp", ""): 85.0},
        filters={("Amp", ""): filters},
        noise_v={("Amp", ""): 0.01},
    )


def test_sweeps_and_silence_go_into_the_record_whenever_the_power_is_pulled(filtered, tmp_path):
    """From samples to entries: the tuner follows and listens itself, and begins anew with each step."""
    sessions, world, cuts = Sessions(tmp_path), filtered_world(filtered), []
    folder, whole = sessions.begin(
        Run(filtered),
        new_record(filtered),
        each_save=lambda record: cuts.append((record, dataclasses.replace(world, gain=dict(world.gain)))),
    )
    carried_out_by(whole, world)
    assert {step.state for step in whole.record.steps} == {"done"}, [s for s in whole.record.steps if s.state != "done"]
    check_answers(whole.record)
    saved = run_file.load(folder)
    assert (saved.responses, saved.noises) == (whole.record.responses, whole.record.noises)
    # Some of the cuts: each takes a whole sweep or more.
    answered = [(saved, then) for saved, then in cuts[:-1] if any(s.state == "done" for s in saved.steps)]
    for saved, then in answered[len(answered) // 2 :: 3]:
        run_file.save(folder, saved)
        record = run_file.load(folder)
        _, tuner = sessions.begin(going_on(record), record, kept=len(record.kept))
        asked = carried_out_by(tuner, then)
        assert tuner.over
        assert not {step.id for step in record.steps if step.state == "done"} & {prompt.step.id for prompt in asked}
        assert tuner.record.responses[: len(record.responses)] == record.responses
        assert outcome(tuner) == outcome(whole)
        check_answers(tuner.record)


def check_answers(record):
    found, left = record.responses
    assert [found.step, left.step] == ["filter:Amp:as found:42 Hz", "filter:Amp:as left:42 Hz"]
    for one in (found, left):
        high, low = one.corner("high-pass"), one.corner("low-pass")
        assert (high.alignment, low.alignment) == ("Butterworth", "Linkwitz-Riley")
        # The lag of the sweep moves a corner by `lag` of it at most; the rest is the fit's.
        assert high.corner_hz == pytest.approx(28.0, abs=high.corner_u_hz + 28.0 * one.lag)
        assert low.corner_hz == pytest.approx(90.0, abs=low.corner_u_hz + 90.0 * one.lag)
        assert low.down_3_hz / low.corner_hz == pytest.approx(0.80224, abs=1e-4)  # closed form
        assert one.passes == 1
    (noise,) = record.noises
    assert noise.stage == "heard"
    left_v = next(kept.rms_v for kept in record.kept if kept.step == "left:Amp:42 Hz")
    assert noise.tone_v == left_v
    # White noise of 10 mV over half the rate of 4 kHz, of which 10 to 1300 Hz are heard: closed form.
    assert noise.total.volts == pytest.approx(0.01 * (1290 / 2000) ** 0.5, rel=0.1)
    assert 10 ** (noise.total.down_db / 20) == pytest.approx(left_v / noise.total.volts, rel=1e-3)


def test_the_live_state_of_a_sweep_and_a_silence_can_be_shown(filtered, tmp_path):
    world = filtered_world(filtered)
    _, tuner = Sessions(tmp_path).begin(Run(filtered), new_record(filtered))
    seen = []
    carried_out_by(tuner, world, until=lambda: seen.append((tuner.prompt, tuner.response, tuner.noise)) is not None)
    sweeping = [(prompt, shown) for prompt, shown, _ in seen if prompt.wants == "response"]
    assert max(len(shown.hz) for _, shown in sweeping if shown is not None) > 60
    for prompt, shown, heard in seen:
        assert shown is None or prompt.wants == "response"
        assert heard is None or prompt.wants == "noise"
        if prompt.text == "sweep 40 Hz":
            assert shown.now_hz == pytest.approx(40.0, abs=0.5)
    assert (tuner.response, tuner.noise) == (None, None)


def test_callers_without_samples_get_no_sweep_and_the_run_goes_on(filtered, tmp_path):
    world = filtered_world(filtered)
    _, tuner = Sessions(tmp_path).begin(Run(filtered), new_record(filtered))
    while not tuner.over:
        assert world.now_s < 600.0
        world.obey(tuner.prompt)
        tuner.take(world.see(), now_s=world.now_s)
    undone = {step.id: step.why for step in tuner.record.steps if step.state != "done"}
    assert undone == {
        "filter:Amp:as found:42 Hz": "no sweep came within 100 s",
        "filter:Amp:as left:42 Hz": "no sweep came within 100 s",
        "quiet:Amp:42 Hz": "no silence came within 60 s",
    }
    assert (tuner.record.responses, tuner.record.noises) == ((), ())
