"""The loop of the meter: when readings come, what they say when the converter does not answer, and how it recovers."""

from __future__ import annotations

import contextlib
import itertools
import math
from dataclasses import fields

import msgspec
import numpy as np
import pytest

from bench_meter import Bench, by_time, constant, sine
from flattop.converters.recording import RecordingConverter
from flattop.errors import ConverterMissing, ConverterSilent
from flattop.measure.reading import Reason, Verdict
from flattop.measure.verdict import Limits
from flattop.meter import Meter, limits_from
from flattop.samples import Input
from flattop.settings import Settings
from flattop.settings import Verdict as VerdictSettings
from flattop.simulated.bus import Stranger
from wav_bytes import wav


def clipped(peak_v, overdrive_db, hz=40.0):
    top_v = peak_v * 10 ** (-overdrive_db / 20)
    return lambda times_s: np.clip(sine(peak_v, hz)(times_s), -top_v, top_v)


def readings(bench, until_s, **options):
    """Return the readings up to a time, each with the board's time at which it came."""
    meter = Meter(bench.converter, time=bench.time, **options)
    got = []
    for reading in meter.readings():
        got.append((bench.time.now_s(), reading))
        if bench.time.now_s() >= until_s:
            return got
    raise AssertionError("hardware never ends")


# --- when readings come


@pytest.mark.parametrize("update_s", [0.05, 0.1, 0.5])
def test_a_steady_tone_is_read_every_update(update_s):
    got = readings(Bench(sine(60.0, 40.0), wired=True), 4.0, update_s=update_s)
    came_s = np.array([now_s for now_s, _ in got])
    assert np.diff(came_s) == pytest.approx(update_s, abs=0.012)
    assert len(got) == pytest.approx(4.0 / update_s, abs=1)
    late_s = came_s - [reading.time_s for _, reading in got]
    assert np.all(late_s >= 0)
    assert np.max(late_s) < 0.012


def test_times_of_readings_are_finite_and_rise():
    signal = by_time((0.0, constant(0.0)), (1.0, sine(60.0, 40.0)), (2.0, constant(0.0)), (3.0, sine(60.0, 40.0)))
    for wired in (True, False):
        bench = Bench(signal, wired=wired, ideal=True)
        times_s = [reading.time_s for _, reading in readings(bench, 4.0)]
        assert all(map(math.isfinite, times_s))
        assert all(np.diff(times_s) > 0)


@pytest.mark.parametrize("wired", [True, False])
def test_a_step_to_flat_is_read_early_and_within_four_cycles(wired):
    # The step comes shortly after an update that is a long way from the next one.
    for step_s in (2.03, 2.11, 2.27):
        bench = Bench(by_time((0.0, sine(60.0, 40.0)), (step_s, clipped(68.0, 1.1))), wired=wired, seed=3)
        got = readings(bench, 3.8, update_s=0.5)
        first_s = next(now_s for now_s, reading in got if reading.verdict is Verdict.FLAT)
        assert first_s > step_s
        assert first_s - step_s < 4 / 40
        assert not any(reading.verdict is Verdict.FLAT for now_s, reading in got if now_s < step_s)
        after = [reading.verdict for now_s, reading in got if now_s > first_s]
        assert len(after) >= 3
        assert set(after) == {Verdict.FLAT}


def test_an_early_reading_does_not_shift_the_others():
    bench = Bench(by_time((0.0, sine(60.0, 40.0)), (2.03, clipped(68.0, 1.1))), wired=True)
    came_s = np.array([now_s for now_s, _ in readings(bench, 4.0, update_s=0.5)])
    on_time = np.abs(came_s - 0.5 * np.round(came_s / 0.5)) < 0.012
    assert np.count_nonzero(~on_time) == 1
    assert np.count_nonzero(on_time) == 8


def test_a_slow_consumer_gets_fresh_readings_and_none_piled_up():
    bench = Bench(sine(60.0, 40.0), wired=True)
    meter = Meter(bench.converter, time=bench.time, update_s=0.1)
    count, ages_s = 0, []
    for reading in meter.readings():
        count += 1
        ages_s.append(bench.time.now_s() - reading.time_s)
        if bench.time.now_s() > 12.0:
            break
        bench.time.wait_until(bench.time.now_s() + 0.47)  # a card that stalls
    assert count <= 12.0 / 0.47 + 2
    assert max(ages_s) < 0.05
    assert np.median(ages_s) < 0.03


def test_a_consumer_that_catches_up_gets_its_ten_a_second_again():
    bench = Bench(sine(60.0, 40.0), wired=True)
    meter = Meter(bench.converter, time=bench.time, update_s=0.1)
    came_s = []
    for n, _ in enumerate(meter.readings()):
        came_s.append(bench.time.now_s())
        if n == 10:
            bench.time.wait_until(bench.time.now_s() + 3.3)
        if n == 40:
            break
    assert np.diff(came_s[13:]) == pytest.approx(0.1, abs=0.03)


# --- a converter that does not answer


def is_blank(reading):
    """No number that could be taken for a level, anywhere."""
    figures = [
        getattr(reading, field.name)
        for field in fields(reading)
        if isinstance(getattr(reading, field.name), float) and field.name not in {"time_s", "duration_s"}
    ]
    return len(figures) >= 15 and all(map(math.isnan, figures))


@pytest.mark.parametrize("wired", [True, False])
@pytest.mark.parametrize("fault", ["refused", "stopped"])
def test_silence_is_said_without_a_number_and_with_the_hazard_mark_until_it_is_over(wired, fault):
    bench = Bench(sine(60.0, 40.0), wired=wired)
    meter = Meter(bench.converter, time=bench.time, update_s=0.1)
    silent, states = [], []
    broken_s, mended_s = 2.0, 6.0
    for reading in meter.readings():
        now_s = bench.time.now_s()
        if broken_s < now_s < mended_s:
            if fault == "refused":
                bench.board.i2c.refuse()
            elif not bench.board.chip.stuck:
                bench.board.chip.stuck = True
        elif now_s >= mended_s:
            bench.board.i2c.refuse(0)
            if bench.board.chip.stuck:
                bench.board.chip.stuck = False
        states.append((now_s, reading.verdict, reading.reason))
        if reading.reason is Reason.SILENT:
            silent.append(reading)
            assert is_blank(reading)
            assert reading.hazard is True
            assert reading.verdict is Verdict.UNKNOWN
            assert reading.facts.converter == "ads1015"
            assert reading.tops is None
        if now_s > 8.0:
            break
    assert len(silent) >= 4
    first_s = next(now_s for now_s, _, reason in states if reason is Reason.SILENT)
    assert first_s - broken_s < (0.8 if fault == "refused" else 3.2)
    assert states[-1][1] is Verdict.CLEAN
    assert next(now_s for now_s, verdict, _ in states if now_s > mended_s and verdict is Verdict.CLEAN) < mended_s + 1.6
    assert max(np.diff([now_s for now_s, _, _ in states])) < 0.6, "the screen must not stand still meanwhile"
    assert all(np.diff([reading.time_s for reading in silent]) > 0)


def test_a_tone_that_stopped_with_the_chip_is_not_called_clean_for_long():
    bench = Bench(sine(60.0, 40.0))
    meter = Meter(bench.converter, time=bench.time)
    for reading in meter.readings():
        now_s = bench.time.now_s()
        if now_s > 2.0 and not bench.board.chip.stuck:
            bench.board.chip.stuck = True
        if now_s > 2.5:
            assert reading.verdict is Verdict.UNKNOWN
        if now_s > 4.6:
            assert reading.reason is Reason.SILENT
        if now_s > 5.0:
            break


@pytest.mark.parametrize("wired", [True, False])
def test_silence_is_said_about_ten_times_a_second(wired):
    # The screen is brought right by updates, those of a silent converter among them: see RECOVERY_UPDATES.
    bench = Bench(sine(60.0, 40.0), wired=wired)
    said_s = []
    for reading in Meter(bench.converter, time=bench.time).readings():
        if bench.time.now_s() > 1.0:
            bench.board.i2c.refuse()
        if reading.reason is Reason.SILENT:
            said_s.append(bench.time.now_s())
        if bench.time.now_s() > 6.0:
            break
    assert len(said_s) > 40
    assert max(np.diff(said_s)) < 0.15


def test_a_converter_that_is_missing_at_start_raises():
    bench = Bench(sine(60.0, 40.0))
    bench.board.i2c.detach(0x48)
    with pytest.raises(ConverterMissing, match="0x48"):
        next(Meter(bench.converter, time=bench.time).readings())


def test_another_chip_at_start_raises():
    bench = Bench(sine(60.0, 40.0))
    bench.board.i2c.attach(0x48, Stranger())
    with pytest.raises(ConverterMissing, match="0x48"):
        next(Meter(bench.converter, time=bench.time).readings())


def test_a_converter_that_is_unplugged_later_does_not_raise_and_comes_back():
    bench = Bench(sine(60.0, 40.0), wired=True)
    chip = bench.board.chip
    meter = Meter(bench.converter, time=bench.time)
    reasons = []
    for reading in meter.readings():
        reasons.append(reading.reason)
        now_s = bench.time.now_s()
        if 1.0 < now_s < 1.3 and Reason.SILENT not in reasons:
            bench.board.i2c.attach(0x48, chip)
            bench.board.i2c.detach(0x48)
        elif 3.0 < now_s < 3.3:
            bench.board.i2c.attach(0x48, chip)
        elif now_s > 6.0:
            break
    assert reasons.count(Reason.SILENT) >= 4
    assert reading.verdict is Verdict.CLEAN


def test_a_chip_swapped_for_another_while_running_never_shows_its_words_as_volts():
    bench = Bench(by_time((0.0, sine(60.0, 40.0)), (1.5, sine(60.0, 40.0))), wired=True)
    meter = Meter(bench.converter, time=bench.time)
    for reading in meter.readings():
        now_s = bench.time.now_s()
        if now_s > 1.5 and now_s < 1.6:
            bench.board.i2c.attach(0x48, Stranger())
        if now_s > 4.5:
            assert reading.reason is Reason.SILENT
        if now_s > 6.0:
            break


class Scripted:
    """A converter that raises what it is told to; the meter must cope whatever kind of hardware is behind it."""

    name, input = "scripted", Input.SPEAKER

    def __init__(self, converter, time, faults):
        self.converter, self.time, self.faults = converter, time, list(faults)

    def collect(self, until_s):
        if self.faults:
            fault = self.faults.pop(0)
            if fault is not None:
                raise fault
        return self.converter.collect(until_s)

    def latest(self, duration_s):
        return self.converter.latest(duration_s)

    def confirm(self, hz):
        return self.converter.confirm(hz)


def test_silence_before_the_first_answer_is_shown_and_missing_after_it_too():
    bench = Bench(sine(60.0, 40.0), wired=True)
    faults = [ConverterSilent("a"), ConverterSilent("b"), None, None, ConverterMissing("c"), ConverterMissing("d")]
    meter = Meter(Scripted(bench.converter, bench.time, faults), time=bench.time)
    got = list(itertools.islice(meter.readings(), 30))
    assert [reading.reason for reading in got].count(Reason.SILENT) == 4
    assert got[-1].verdict is Verdict.CLEAN


def test_the_judge_forgets_across_a_silence():
    # A flat verdict is latched for a second; not across a converter that was away.
    bench = Bench(by_time((0.0, clipped(60.0, 1.0)), (1.98, sine(50.0, 40.0))), wired=True)
    meter = Meter(bench.converter, time=bench.time, limits=Limits(latch_s=30.0))
    verdicts = {}
    for reading in meter.readings():
        now_s = bench.time.now_s()
        verdicts[now_s] = reading.verdict
        bench.board.i2c.refuse(math.inf if 2.0 < now_s < 2.6 else 0)
        if now_s > 5.0:
            break
    assert all(v is Verdict.FLAT for s, v in verdicts.items() if 1.0 < s < 2.0)
    assert verdicts[now_s] is Verdict.CLEAN


# --- recordings


@pytest.fixture
def opened():
    """Make converters that are closed again at the end."""
    with contextlib.ExitStack() as stack:

        def open_it(path, **arguments):
            converter = RecordingConverter(path, **arguments)
            stack.callback(converter.close)
            return converter

        yield open_it


@pytest.fixture
def recording(stored, opened):
    def make(volts, *, rate=8000, full_scale_v=100.0, **options):
        codes = np.rint(np.asarray(volts) / full_scale_v * 32768).clip(-32768, 32767).astype("<i2")
        return opened(stored(wav(codes.tobytes(), rate=rate)), full_scale_v=full_scale_v, **options)

    return make


def test_a_recording_is_read_to_its_end_and_no_further(recording):
    converter = recording(sine(60.0, 40.0)(np.arange(8000 * 2 + 3) / 8000))
    got = list(Meter(converter, update_s=0.25, most_harmonics=40).readings())
    assert [reading.time_s for reading in got] == pytest.approx(
        [*np.arange(0.25, 2.01, 0.25), converter.end_s], abs=2e-4
    )
    assert {reading.verdict for reading in got[1:]} == {Verdict.CLEAN}
    assert got[4].rms_v == pytest.approx(60 / math.sqrt(2), rel=1e-4)
    assert got[4].hz == pytest.approx(40.0, abs=1e-3)


def test_a_gap_in_a_recording_leaves_readings_that_keep_their_time(stored, opened):
    times_s = np.concatenate([np.arange(0, 1, 1 / 4000), np.arange(3, 4, 1 / 4000)])
    rows = "".join(f"{float(t)!r},{float(v)!r}\n" for t, v in zip(times_s, sine(60.0, 40.0)(times_s), strict=True))
    converter = opened(stored("time_s,volts\n" + rows))
    got = list(Meter(converter, update_s=0.25, start_s=converter.start_s).readings())
    times_s = [reading.time_s for reading in got]
    assert all(map(math.isfinite, times_s))
    assert all(np.diff(times_s) > 0)
    inside = [reading for reading in got if 1.3 < reading.time_s < 2.9]
    assert {reading.reason for reading in inside} <= {Reason.TOO_SHORT, Reason.LEAD_OFF}
    assert all(math.isnan(reading.rms_v) for reading in inside)
    assert got[-1].verdict is Verdict.CLEAN


def test_steps_to_flat_in_a_recording_come_between_updates(recording):
    times_s = np.arange(8000 * 4) / 8000
    signal = by_time((0.0, sine(60.0, 40.0)), (2.03, clipped(68.0, 1.5)))
    got = list(Meter(recording(signal(times_s)), update_s=1.0, most_harmonics=40).readings())
    first_s = next(reading.time_s for reading in got if reading.verdict is Verdict.FLAT)
    assert 2.03 < first_s < 2.03 + 4 / 40


# --- settings and display


def test_every_limit_of_the_settings_reaches_the_judge():
    names = {field.name for field in fields(Limits)}
    chosen = {name: getattr(Limits(), name) * 0.9 for name in names}
    settings = msgspec.convert(chosen, VerdictSettings)
    limits = limits_from(settings)
    assert {name: getattr(limits, name) for name in names} == pytest.approx(chosen)
    assert limits_from(Settings().verdict) == Limits()


def test_another_input_starts_a_judge_that_knows_nothing():
    bench = Bench(sine(85.0, 40.0), sine(2.0, 40.0), wired=True)
    meter = Meter(bench.converter, time=bench.time, end_s=3.0)
    said = []
    for reading in meter.readings():
        said.append(reading)
        if len(said) == 12:
            bench.converter.select(Input.LINE)
    after = [reading for reading in said if reading.facts.input is Input.LINE]
    assert after
    assert {reading.reason for reading in after} <= {
        Reason.NONE,
        Reason.TOO_SHORT,
        Reason.CLOCK_LEARNING,
        Reason.MOVING,
    }
    assert after[-1].verdict is Verdict.CLEAN


def test_a_mixture_of_tones_is_no_dc_on_the_output():
    def two(times_s):
        return 40.0 * np.sin(2 * np.pi * 40.0 * times_s) + 40.0 * np.sin(2 * np.pi * 57.0 * times_s)

    said = [reading for _, reading in readings(Bench(two, seed=5), 3.0)]
    assert not any(reading.dc_alarm for reading in said)
    real = [reading for _, reading in readings(Bench(lambda t: two(t) + 12.0, seed=5), 3.0)]
    assert sum(reading.dc_alarm for reading in real) > 0.8 * len(real), "d.c. that is there is still told"


def test_a_converter_silent_to_the_end_ends_all_the_same():
    bench = Bench(sine(60.0, 40.0))
    stream = Meter(bench.converter, time=bench.time, end_s=2.0).readings()
    next(stream)
    bench.board.i2c.refuse()
    said = list(itertools.islice(stream, 100))
    assert 3 <= len(said) < 100
    assert said[-1].reason is Reason.SILENT


def test_one_look_is_never_counted_twice():
    bench = Bench(sine(60.0, 40.0), wired=True)
    meter = Meter(bench.converter, time=bench.time)
    stream = meter.readings()
    for _ in range(8):
        next(stream)
    asked = []
    look = meter.judge.look
    meter.judge.look = lambda glance, *, time_s: asked.append(time_s) or look(glance, time_s=time_s)
    for _ in range(10):
        next(stream)
        bench.time.wait_until(bench.time.now_s() + 0.07)  # a slow host
    assert len(asked) == len(set(asked))


@pytest.mark.parametrize("wired", [True, False])
@pytest.mark.parametrize("signal", [sine(60.0, 40.0), constant(0.0)], ids=["tone", "quiet"])
def test_a_register_that_stands_still_shows_no_number_for_longer_than_half_a_second(wired, signal):
    bench = Bench(signal, wired=wired)
    stopped_s = 2.0
    seen = []
    for reading in Meter(bench.converter, time=bench.time).readings():
        now_s = bench.time.now_s()
        bench.board.chip.stuck = now_s > stopped_s
        if now_s > stopped_s + 0.6:
            seen.append(reading)
        if now_s > stopped_s + 3.0:
            break
    assert len(seen) > 15
    assert {reading.reason for reading in seen} == {Reason.SILENT}
