"""Plans: what they mean, every fault at once, the ready-made ones, the questions that make one, the command line."""

from __future__ import annotations

import argparse
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flattop import plan_files
from flattop.errors import FlattopError, PlanError, StorageError
from flattop.toml_files import parse_toml
from flattop.tuning.interview import interview
from flattop.tuning.plan import Band, chain, faults_of, plan_from, rated_v, target_v, text_of, tones_for
from flattop.tuning.steps import steps_of

HEAD = 'name = "x"\n[source]\nname = "Src"\n'
TONE = '[[tones]]\nname = "40 Hz"\nhz = 40\nband = "bass"\n'
AMP = '[[amplifiers]]\nname = "Amp"\nafter = "Src"\n[[amplifiers.channels]]\nband = "bass"\nload_ohm = 4\n'
GOOD = HEAD + TONE + AMP


def document(text):
    return parse_toml(text.encode(), name="plan x", error=PlanError)


def faults(text):
    return faults_of(document(text))


def plan(text):
    return plan_from(document(text), what="plan x")


# -- what a plan means ------------------------------------------------------------------------------------------------


def test_the_least_plan_has_the_defaults():
    held = plan(GOOD)
    assert chain(held, "Amp") == ("Src", "Amp")
    assert (held.limits.pair_v, held.limits.match_v, held.limits.target_v) == (0.02, 0.1, 0.1)
    assert tones_for(held, Band.BASS)[0].dbfs == 0.0
    assert math.isnan(rated_v(held, held.amplifiers[0].channels[0], held.tones[0]))


@pytest.mark.parametrize(
    ("power_w", "load_ohm", "volts"),
    # 50 W into 4 ohm: 14.142 V in handbooks; the others V = sqrt(P R), closed form.
    [(50, 4, 14.142), (100, 4, 20.0), (500, 4, 44.721), (1000, 1, 31.623), (2000, 2, 63.246), (2000, 4, 89.443)],
)
def test_rated_voltage_is_the_root_of_power_times_load(power_w, load_ohm, volts):
    assert target_v(power_w=power_w, load_ohm=load_ohm, tone_dbfs=0.0) == pytest.approx(volts, abs=5e-4)


@pytest.mark.parametrize(("dbfs", "ratio"), [(0.0, 1.0), (-5.0, 0.56234), (-10.0, 0.31623)])
def test_a_tone_below_full_scale_aims_lower_by_as_much(dbfs, ratio):
    # Ratios of decibels, closed form; gain overlaps of 0 and 5 dB are common practice, no source.
    assert target_v(power_w=100.0, load_ohm=4.0, tone_dbfs=dbfs) == pytest.approx(20.0 * ratio, abs=1e-4)
    assert target_v(power_w=100.0, load_ohm=4.0, tone_dbfs=dbfs, overlap_db=-dbfs) == pytest.approx(20.0)
    assert target_v(power_w=100.0, load_ohm=4.0, tone_dbfs=dbfs, overlap_db=20.0) == pytest.approx(20.0)


# -- what is wrong with one -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "found"),
    [
        (HEAD + TONE, "amplifiers is missing; needed is 1 to 16 tables, each under its own line [[amplifiers]]"),
        (HEAD + "amplifiers = []\n", "amplifiers is missing"),
        (
            GOOD.replace("ohm = 4", "ohm = 0"),
            "load_ohm (load that it will drive [ohm]) is 0; allowed is a number from 0.1",
        ),
        (
            GOOD.replace('"Src"\n[[a', '"Scr"\n[[a'),
            'after is "Scr", which is neither the source nor a link; allowed is',
        ),
        (GOOD.replace('"Src"\n[[a', '"Scr"\n[[a'), 'did you mean "Src"?'),
        (GOOD.replace('"Amp"', '"sRC"'), 'amplifiers[1].name is "sRC", and so is line 3: source.name'),
        (GOOD.replace('"Amp"', '"A\\u0007"'), 'amplifiers[1].name (name, as the screen shows it) is "A\\u0007"'),
        (GOOD.replace('"Amp"', '"A\\u202eB"'), "on one line"),
        (GOOD.replace('"Amp"', f'"{"A" * 25}"'), "1 to 24 characters"),
        (GOOD.replace('"Amp"', '" Amp"'), 'is " Amp"; allowed is a name without spaces at its ends; write "Amp"'),
        (GOOD.replace('band = "bass"\nl', 'band = "mid"\nl'), 'is "mid", but no tone is for that band; needed is a'),
        (GOOD + "power_w = 9000\n", "9000 W into 4 ohm, a target of 189.7 V; allowed is at most 180 V"),
        (GOOD + 'match = "m"\n', 'match is "m", and no other output is in that group; needed are two or more'),
        (GOOD.replace("hz = 40", "hz = 4"), "line 6: tones[1].hz (frequency [Hz]) is 4; allowed is a number from 10"),
        (GOOD + TONE.replace("hz = 40", "hz = 40.5").replace('"40', '"41'), "is 40.5 and line 6: tones[1].hz is 40;"),
        (GOOD + TONE.replace("hz = 40", "hz = 80"), 'tones[2].name is "40 Hz", and so is line 5: tones[1].name'),
        (GOOD + "side = 'right'\n" + "", "no fault"),
        (GOOD.replace("[[t", "sides = 'left'\n[[t") + "side = 'right'\n", 'is "right", a side that does not arrive'),
        (GOOD + "[limits]\nmatch_v = -1\n", "line 15: limits.match_v"),
        (GOOD + "[limits]\ncorner_pct = 0\n", "limits.corner_pct (how far a filter corner may lie from the stated one"),
        (
            GOOD + "subsonic_hz = 4\n",
            "subsonic_hz is 4; allowed is a number from 10 to 20000, or 0 where none is stated",
        ),
        (GOOD + "low_pass_hz = -1\n", "low_pass_hz (corner of its low-pass filter [Hz], 0: none stated) is -1"),
        (GOOD + "subsonic_hz = 28\nlow_pass_hz = 0\n", "no fault"),
        (GOOD + "low_pass_hz = 90\n", "no fault"),
        (
            GOOD + "subsonic_hz = 90\nlow_pass_hz = 28\n",
            "low_pass_hz is 28, not above line 14: amplifiers[1].channels[1].subsonic_hz, 90; allowed is",
        ),
        (GOOD + "subsonic_hz = 90\nlow_pass_hz = 90\n", "or nothing passes; exchange the two, or correct one"),
        (GOOD + "quiet_db = 200\n", "quiet_db (how far its noise must lie below its tone [dB], 0: not asked) is 200"),
        (GOOD + '[[amplifiers.channels]]\nband = "bass"\nload_ohm = 4\n', "is missing; needed is a name of 1 to 24"),
    ],
)
def test_what_is_wrong_is_told_with_its_place_and_the_remedy(text, found):
    told = faults(text)
    if found == "no fault":
        assert told == []
        return
    assert any(found in fault for fault in told), told
    assert all("; " in fault for fault in told)


def link(name, after, more=""):
    return f'[[links]]\nname = "{name}"\nafter = "{after}"\n{more}'


def test_a_circle_is_told_once_and_what_hangs_on_it_not_at_all():
    text = GOOD.replace('"Src"\n[[amplifiers.c', '"C"\n[[amplifiers.c')
    told = faults(text + link("A", "B") + link("B", "A") + link("C", "B") + link("D", "D"))
    assert len(told) == 2, told
    assert '"A" -> "B" -> "A"; allowed is a chain that begins at the source; feed one of these from "Src"' in told[0]
    assert '"D" -> "D"' in told[1]


def test_channels_on_one_pot_and_in_one_group_are_of_one_band():
    more = '[[amplifiers.channels]]\nname = "b"\nband = "mid"\nload_ohm = 4\npot = "p"\nmatch = "m"\n'
    told = faults(
        GOOD + 'name = "a"\npot = "p"\nmatch = "m"\n' + more + '[[tones]]\nname = "1 kHz"\nhz = 1e3\nband = "mid"\n'
    )
    assert len(told) == 2
    assert 'is "mid", but the output that shares its gain pot "p" is for "bass"' in told[0]
    assert 'is "m", a group of "bass" outputs, but this one is for "mid"' in told[1]


@pytest.mark.parametrize("name", ["Бас", "低音", "مكبر", "Bässe 2", "🎭"])
def test_names_in_other_scripts_are_fine(name):
    held = plan(GOOD.replace('"Amp"', f'"{name}"'))
    assert chain(held, name) == ("Src", name)


def test_all_faults_come_in_one_error():
    text = GOOD.replace("ohm = 4", "ohm = 0").replace('"Amp"', '"Src"') + "[limits]\npairv = 1\nmatch_v = 'a'\n"
    with pytest.raises(PlanError) as caught:
        plan(text)
    lines = str(caught.value).split("\n")
    assert lines[0] == "plan x cannot be used:"
    assert len(lines) == 5
    assert issubclass(PlanError, FlattopError)


_JUNK = st.recursive(
    st.one_of(st.none().map(lambda _: "x"), st.booleans(), st.integers(), st.floats(), st.text(max_size=3)),
    lambda inner: st.one_of(st.lists(inner, max_size=2), st.dictionaries(st.sampled_from("ab"), inner, max_size=2)),
    max_leaves=4,
)


@given(st.data())
def test_no_value_anywhere_breaks_the_check(data):
    held = document(text_of(plan_files.find("van")))
    table = held.table
    node = table
    while True:
        key = data.draw(st.sampled_from(sorted(node) if isinstance(node, dict) else range(len(node))))
        if isinstance(node[key], dict | list) and node[key] and data.draw(st.booleans()):
            node = node[key]
            continue
        node[key] = data.draw(_JUNK)
        break
    told = faults_of(held)
    if not told:
        assert plan_from(held, what="x").name


# -- files and the command line ---------------------------------------------------------------------------------------


def run(*arguments):
    parser = argparse.ArgumentParser()
    plan_files.add_parser(parser.add_subparsers(dest="command"))
    return plan_files.run(parser.parse_args(["plan", *map(str, arguments)]))


def test_the_ready_made_plans_can_be_used_and_read_back_the_same():
    texts = plan_files.ready_made()
    assert list(texts) == ["four-channel", "full-range", "one-bass", "two-bass", "van", "van-filters"]
    outputs = {}
    for name, text in texts.items():
        held = plan_files.loads(text, name=name)
        assert plan_files.loads(text_of(held), name=name) == held
        outputs[name] = [channel.band for amplifier in held.amplifiers for channel in amplifier.channels]
    bass, mid, high = Band
    assert outputs == {
        "four-channel": [mid] * 4,
        "full-range": [bass] + [mid] * 2 + [high] * 2,
        "one-bass": [bass],
        "two-bass": [bass] * 2,
        "van": [bass] * 2 + [mid] * 4,
        "van-filters": [bass] * 2 + [mid] * 4,
    }


def test_filters_and_silence_are_asked_for_only_where_a_plan_states_them():
    least = plan(GOOD)
    channel = least.amplifiers[0].channels[0]
    assert (channel.subsonic_hz, channel.low_pass_hz, channel.quiet_db, channel.has_corner) == (0.0, 0.0, 0.0, False)
    assert least.limits.corner_pct == 5.0
    assert not {"filter", "quiet"} & {step.kind for step in steps_of(least)}
    stated = plan(GOOD + "low_pass_hz = 90\nquiet_db = 70\n[limits]\ncorner_pct = 3\n")
    assert stated.limits.corner_pct == 3.0
    assert [step.text for step in steps_of(stated) if step.kind == "filter"] == ["as found", "as left"]
    assert [step.kind for step in steps_of(stated)][-3:] == ["filter", "quiet", "reconnect"]
    assert plan(text_of(stated)) == stated
    van = plan_files.find("van-filters")
    assert [(one.subsonic_hz, one.low_pass_hz) for amp in van.amplifiers[:2] for one in amp.channels] == [(28, 90)] * 2
    assert [one.quiet_db for one in van.amplifiers[2].channels] == [60.0] * 4


def test_list_show_and_check(capsys, tmp_path):
    assert run("list") == 0
    assert "van            Street-theatre van" in capsys.readouterr().out
    run("show", "van")
    shown = capsys.readouterr().out
    assert shown == plan_files.ready_made()["van"]
    path = tmp_path / "mine.toml"
    path.write_text(shown)
    run("check", path)
    out = capsys.readouterr().out
    assert "Line source > Level control > Floor cable > Bass A" in out
    # 2700 W into 2 ohm: sqrt(5400) = 73.48 V
    assert "Bass B (bass), target: 42 Hz 73.48 V" in out


def test_a_plan_that_is_not_there_or_damaged_is_told(tmp_path):
    with pytest.raises(PlanError, match="there is no plan wagon; those that come with the package are four-channel"):
        run("check", "wagon")
    with pytest.raises(PlanError, match=r"a\.toml does not exist; check the path"):
        run("show", tmp_path / "a.toml")


def test_what_can_be_chosen_holds_the_files_that_cannot_be_used_too(tmp_path):
    (tmp_path / "van.toml").write_text(GOOD)
    (tmp_path / "bad.toml").write_text("name = 1")
    found = plan_files.choices(tmp_path)
    assert list(found) == ["bad", "van", "four-channel", "full-range", "one-bass", "two-bass", "van-filters"]
    assert isinstance(found["bad"], PlanError)
    assert found["van"].name == "x"
    assert list(plan_files.choices(tmp_path / "none")) == list(plan_files.ready_made())


# -- the questions ----------------------------------------------------------------------------------------------------


def answered(answers):
    """Give the answers in turn, then take every default; return the plan and the questions asked."""
    talk, asked, answers = interview(), [], list(answers)
    question = next(talk)
    try:
        while True:
            asked.append(question)
            question = talk.send(answers.pop(0) if answers else "")
    except StopIteration as end:
        return end.value, asked


def test_all_defaults_make_a_plan_in_a_dozen_questions():
    made, asked = answered([])
    assert plan(text_of(made)) == made
    assert len(asked) <= 12
    assert chain(made, "Amplifier") == ("Source", "Cable", "Amplifier")


def test_an_answer_that_cannot_be_taken_brings_the_question_again_with_the_reason():
    made, asked = answered(["Van", "", "", "Ctl, Cable", "A, a", "A, B", "bass", "", "2", "99999", "1000", "mid", "3"])
    told = [question.fault for question in asked if question.fault]
    assert told == ["a is taken; allowed is a name of its own", "allowed is a number from 0 to 16200"]
    assert [channel.name for channel in made.amplifiers[1].channels] == ["1", "2", "3"]
    assert [tone.name for tone in made.tones] == ["40 Hz", "1 kHz", "3.5 kHz"]


def test_filters_and_noise_are_asked_for_where_they_are_wanted():
    made, asked = answered(["", "", "", "", "", "", "", "", "", "y", "28", "20", "85", ""])
    told = [question.fault for question in asked if question.fault]
    assert told == ["allowed is a number from 29 to 20000, or 0 for none"]
    (channel,) = made.amplifiers[0].channels
    assert (channel.subsonic_hz, channel.low_pass_hz, channel.quiet_db) == (28.0, 85.0, 60.0)
    assert plan(text_of(made)) == made
    assert "checked: subsonic 28 Hz, low-pass 85 Hz, noise 60 dB below the tone" in plan_files.summary(made)[-1]
    without, _ = answered([])
    assert "checked" not in "\n".join(plan_files.summary(without))


@settings(max_examples=60)
@given(
    st.lists(
        st.one_of(
            st.sampled_from(
                ["", "2", "4", "y", "n", "mid", "high", "-", "0", "40", "40, 41", "A", "a, b", "1e3", "-6"]
            ),
            st.text(max_size=30),
        ),
        max_size=60,
    )
)
def test_whatever_is_answered_the_plan_has_no_fault(answers):
    made, _ = answered(answers)
    assert plan(text_of(made)) == made


def test_new_writes_a_plan_and_writes_nothing_over(monkeypatch, tmp_path, capsys):
    path = tmp_path / "mine.toml"
    monkeypatch.setattr("builtins.input", lambda _: "")
    assert run("new", path) == 0
    assert plan_files.load(path).name == "My system"
    assert "Source > Cable > Amplifier" in capsys.readouterr().out
    held = path.read_bytes()
    with pytest.raises(StorageError, match="exists already, and nothing is written over; give another name"):
        run("new", path)
    with pytest.raises(StorageError, match="exists already"):
        plan_files.save_new(plan(GOOD), path)
    assert path.read_bytes() == held
    with pytest.raises(StorageError, match="cannot be written"):
        plan_files.save_new(plan(GOOD), tmp_path / "none" / "x.toml")


def test_answers_that_end_too_soon_leave_nothing_behind(monkeypatch, tmp_path):
    def end(_):
        raise EOFError

    monkeypatch.setattr("builtins.input", end)
    with pytest.raises(PlanError, match="nothing was written"):
        run("new", tmp_path / "mine.toml")
    assert list(tmp_path.iterdir()) == []
