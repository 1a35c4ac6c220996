"""The contract of seam 1: one body of tests, run against every converter."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest

from bench_meter import Bench, sine
from flattop.converters import HostTime
from flattop.converters.codec import CodecConverter
from flattop.converters.reader import Reader
from flattop.converters.recording import RecordingConverter
from flattop.errors import ConverterError, SettingsError
from flattop.samples import Clock, Input
from flattop.simulated.board import SimulatedBoard
from flattop.simulated.codec import SimulatedCapture
from wav_bytes import wav

PEAK_V, HZ, LENGTH_S = 60.0, 40.0, 4.0
SIGNAL = sine(PEAK_V, HZ)


@dataclass
class Case:
    """A converter that has the signal at its terminals, and what its clock says."""

    converter: Any
    start_s: float
    time: Any = None
    origin_s: float = 0.0
    """Time at which the signal's own time is 0 [s]."""
    has_line: bool = False
    both: bool = False
    """Whether both inputs are sampled all the time."""
    gain_off: float = 0.02
    """How far the level may be off on an uncalibrated board of drawn parts."""

    def now_s(self, planned_s):
        """The present time: the board's own, or as far as the recording was asked for."""
        return self.time.now_s() if self.time is not None else planned_s


def recorded_times():
    return np.arange(round(LENGTH_S * 8000)) / 8000


def csv_file(path):
    rng = np.random.default_rng(1)
    times_s = 100.0 + recorded_times()[1:] + rng.uniform(-2.5e-5, 2.5e-5, round(LENGTH_S * 8000) - 1)
    lines = "".join(f"{float(t)!r},{float(v)!r}\n" for t, v in zip(times_s, SIGNAL(times_s - 100.0), strict=True))
    path.write_text("time_s,volts\n" + lines)
    return path


def wav_file(path):
    path.write_bytes(wav(np.rint(SIGNAL(recorded_times()) / 100 * 32768).astype("<i2").tobytes(), rate=8000))
    return path


def codec(*, live=False):
    start_s = time.monotonic() if live else 0.0
    board = SimulatedBoard(seed=1, start_s=start_s, live=live)
    signals = {"speaker": lambda t: SIGNAL(t - start_s), "line": sine(3.0, 55.0)}
    capture = SimulatedCapture(seed=1, time=board.time, tolerances=board.front_end.tolerances, **signals)
    converter = CodecConverter(capture, board.time, simulated=True)
    made = Reader(converter, board.time) if live else converter
    # 6 % of the converter's own, 1.5 % of all before it (error budget of the design)
    return Case(made, start_s, board.time, origin_s=start_s, has_line=True, both=True, gain_off=0.075)


@pytest.fixture(
    params=["ads1015 wired", "ads1015 unwired", "ads1015 by a thread", "codec", "codec by a thread", "wav", "csv"]
)
def case(request, tmp_path):
    if request.param == "ads1015 by a thread":
        start_s = time.monotonic()
        bench = Bench(lambda t: SIGNAL(t - start_s), sine(3.0, 55.0), wired=True, start_s=start_s, live=True)
        reader = Reader(bench.converter, bench.time)
        made = Case(reader, start_s, bench.time, origin_s=start_s, has_line=True)
    elif request.param.startswith("codec"):
        made = codec(live=request.param == "codec by a thread")
    elif request.param.startswith("ads1015"):
        bench = Bench(SIGNAL, sine(3.0, 55.0), wired=request.param == "ads1015 wired")
        made = Case(bench.converter, 0.0, bench.time, has_line=True)
    elif request.param == "wav":
        made = Case(RecordingConverter(wav_file(tmp_path / "a.wav"), full_scale_v=100.0), 0.0)
    else:
        converter = RecordingConverter(csv_file(tmp_path / "a.csv"))
        made = Case(converter, converter.start_s, origin_s=100.0)
    yield made
    made.converter.close()


def check(samples):
    """What holds for every block, whatever is in it."""
    assert samples.times_s.dtype == samples.volts.dtype == np.float64
    assert samples.times_s.shape == samples.volts.shape == (len(samples),)
    assert np.isfinite(samples.times_s).all()
    assert np.isfinite(samples.volts).all()
    assert np.all(np.diff(samples.times_s) > 0), "times must rise"
    facts, quality = samples.facts, samples.quality
    assert facts.lsb_v >= 0
    assert facts.full_scale_v > 0
    assert facts.noise_v >= 0
    assert 0 < facts.tone_band_hz[0] < facts.tone_band_hz[1] <= facts.harmonics_to_hz
    response = facts.response(np.array([0.0, HZ, facts.harmonics_to_hz]))
    assert response.dtype == np.complex128
    assert response[0] == pytest.approx(1.0)
    assert np.all(np.abs(response) > 0)
    assert quality.clock in set(Clock)
    assert min(quality.missed, quality.repeated, quality.saturated, quality.timing_rms_s) >= 0


def test_nothing_is_there_before_the_first_collect(case):
    samples = case.converter.latest(1.0)
    assert len(samples) == 0
    assert samples.duration_s == 0.0
    check(samples)


def test_name_and_input(case):
    assert case.converter.name in {"ads1015", "codec", "recording"}
    assert case.converter.input is Input.SPEAKER
    samples = case.converter.latest(1.0)
    assert (samples.facts.converter, samples.facts.input) == (case.converter.name, Input.SPEAKER)


@pytest.mark.parametrize("step_s", [0.0004, 0.013, 0.1, 0.9])
def test_blocks_are_in_order_within_the_duration_asked_for_and_never_from_the_future(case, step_s):
    planned_s, newest_s = case.start_s, -np.inf
    for _ in range(min(60, int(3.5 / step_s))):
        planned_s += step_s
        assert case.converter.collect(planned_s) is True
        for duration_s in (0.002, 0.05, 0.25, 1.0):
            now_s = case.now_s(planned_s)
            samples = case.converter.latest(duration_s)
            soon_s = case.now_s(planned_s)  # a thread reads on meanwhile
            check(samples)
            assert samples.duration_s <= duration_s + 1 / 2900, "one conversion more at the most"
            if len(samples):
                assert samples.times_s[0] > now_s - duration_s - 0.03
                assert samples.times_s[-1] <= soon_s + 1e-9
        if len(samples):
            assert samples.times_s[-1] >= newest_s - 1e-3
            newest_s = samples.times_s[-1]
    assert newest_s > planned_s - 0.03


def test_collect_comes_back_soon_after_the_time_asked_for(case):
    if isinstance(case.converter, Reader):
        pytest.skip("in real time that depends on the machine: tests/figures/loop.py measures it")
    for step_s in (0.001, 0.1, 0.5, 0.9):
        planned_s = (case.now_s(case.start_s) if case.time is not None else case.start_s) + step_s
        case.converter.collect(planned_s)
        assert case.now_s(planned_s) - planned_s < 0.02


def test_a_time_that_is_past_collects_nothing_and_does_no_harm(case):
    case.converter.collect(case.start_s + 1.5)
    before = case.converter.latest(0.2)
    assert case.converter.collect(case.start_s + 0.5) is True
    after = case.converter.latest(0.2)
    assert np.array_equal(before.times_s, after.times_s)


def test_the_signal_comes_back_in_volts_at_its_times(case):
    case.converter.collect(case.start_s + 2.0)
    samples = case.converter.latest(0.25)
    assert len(samples) > 700
    angle = 2 * np.pi * HZ * (samples.times_s - case.origin_s)
    columns = np.stack([np.ones_like(angle), np.cos(angle), np.sin(angle)], axis=1)
    dc_v, cosine_v, sine_v = np.linalg.lstsq(columns, samples.volts, rcond=None)[0]
    seen = (sine_v + 1j * cosine_v) / samples.facts.response(np.array([HZ]))[0]
    assert abs(seen) == pytest.approx(PEAK_V, rel=case.gain_off)
    assert np.angle(seen) == pytest.approx(0.3, abs=2 * np.pi * HZ * 60e-6)
    assert abs(dc_v) < 0.5


def test_all_samples_are_there(case):
    case.converter.collect(case.start_s + 1.5)
    got = []
    for n in range(10):
        case.converter.collect(case.start_s + 1.5 + 0.1 * (n + 1))
        samples = case.converter.latest(0.1)
        got.append(len(samples) + samples.quality.missed)
    rate_hz = samples.quality.rate_hz
    assert np.mean(got) == pytest.approx(0.1 * rate_hz, rel=0.02)


def test_the_other_input_is_selected_or_refused_in_words(case):
    case.converter.collect(case.start_s + 1.0)
    case.converter.select(Input.SPEAKER)
    assert len(case.converter.latest(0.25)) > 100, "the same input again changes nothing"
    if case.has_line:
        case.converter.select(Input.LINE)
        assert case.converter.input is Input.LINE
        samples = case.converter.latest(0.25)
        assert samples.facts.input is Input.LINE
        if case.both:
            assert len(samples) > 20000, "it was sampled all along"
            assert np.max(np.abs(samples.volts)) == pytest.approx(3.0, rel=case.gain_off + 0.01)
        else:
            assert len(samples) == 0, "what was sampled on the other input is none of this one's"
    else:
        with pytest.raises(SettingsError, match="speaker"):
            case.converter.select(Input.LINE)
        assert case.converter.input is Input.SPEAKER
        assert len(case.converter.latest(0.25)) > 100


def test_holding_the_range_is_always_allowed(case):
    for held in (True, True, False, True, False):
        case.converter.hold_range(held)
        case.converter.collect(case.now_s(case.start_s) + 0.2)
    check(case.converter.latest(0.1))


def test_a_tone_that_is_there_is_confirmed(case):
    case.converter.collect(case.start_s + 1.0)
    started_s = case.now_s(0.0)
    assert case.converter.confirm(HZ) is True
    assert case.now_s(0.0) - started_s < 0.5
    assert case.converter.collect(case.start_s + 2.5) is True
    check(case.converter.latest(0.25))
    assert len(case.converter.latest(0.25)) > 500


def test_closing_twice_is_harmless(case):
    case.converter.collect(case.start_s + 0.1)
    case.converter.close()
    case.converter.close()
    check(case.converter.latest(0.05))


def test_closing_before_anything_was_collected_is_harmless(case):
    case.converter.close()
    case.converter.close()


def test_a_recording_ends_and_hardware_never_does(case):
    if case.time is not None:
        assert case.converter.collect(LENGTH_S + 0.5) is True
        return
    assert case.converter.collect(case.start_s + LENGTH_S + 1.0) is False
    assert case.converter.collect(case.start_s + LENGTH_S + 2.0) is False
    check(case.converter.latest(0.25))
    assert len(case.converter.latest(0.25)) <= 2001


@pytest.mark.parametrize("wired", [True, False])
def test_hardware_that_fails_is_a_converter_error_within_bounded_time_and_tried_again(wired):
    bench = Bench(SIGNAL, wired=wired)
    bench.board.i2c.refuse()
    for _ in range(3):
        begun_s = bench.time.now_s()
        with pytest.raises(ConverterError):
            bench.converter.collect(begun_s + 5.0)
        assert bench.time.now_s() - begun_s < 0.5
    bench.board.i2c.refuse(0)
    assert bench.run(1.0) is True
    check(bench.converter.latest(0.25))


def test_host_time_is_monotonic_and_waits():
    host = HostTime()
    begun_s = host.now_s()
    host.wait_until(begun_s - 5.0)
    assert host.now_s() - begun_s < 1.0
    host.wait_until(begun_s + 0.02)
    assert host.now_s() >= begun_s + 0.02
