"""The full-band converter: volts, times and trim, every fault of a stream, and the circuit in front of it."""

from __future__ import annotations

import dataclasses
import datetime
import math
import threading

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal as filters

import bench_meter
from alsa_device import noise_words
from bench_codec import FAULTS, PERIOD, RATE_HZ, Bench, hang, tear, unplug, until_failed, well
from bench_meter import by_time, sine
from flattop import calibration, settings
from flattop.calibration import RANGES_V, Calibration, InputCalibration, RangeCalibration
from flattop.converters import frontend
from flattop.converters.capture import Arrival
from flattop.converters.codec import SILENT_S, START_S, CodecConverter, Trim
from flattop.converters.frontend import codec_full_scale_v, codec_response, high_pass, low_pass
from flattop.converters.stream import ArrivalClock, Watch
from flattop.errors import CalibrationError, ConverterError, ConverterMissing, ConverterSilent, SettingsError
from flattop.measure.level import measure
from flattop.samples import Clock, Input
from flattop.simulated.bus import VirtualTime
from flattop.simulated.calibration import calibrate
from flattop.simulated.codec import CodecTolerances, FollowedTime, SimulatedCapture, section

TONE = sine(60.0, 400.0)


class Script:
    """A `Capture` that hands over given words, a period at a time, steadily, without any circuit."""

    device, rate_hz, ended = "script", float(RATE_HZ), ""

    def __init__(self, words, *, period=PERIOD, true_hz=RATE_HZ, late=lambda: 0.0):
        self.time = VirtualTime(rng=np.random.default_rng(0), wake_s=0.0)
        self._words, self._period, self._true_hz, self._late = words, period, true_hz, late
        self._next = 0
        self.starts = self.stops = 0

    def start(self):
        self.starts += 1

    def stop(self):
        self.stops += 1

    def take(self, until_s):
        at_s = (self._next + self._period) / self._true_hz + self._late()
        if at_s > until_s or self._next >= len(self._words):
            self.time.wait_until(until_s)
            return None
        self.time.wait_until(at_s)
        data = self._words[self._next : self._next + self._period].astype("<i4").tobytes()
        self._next += self._period
        return Arrival(data, self.time.now_s())


def tone_at(samples, hz):
    """The complex amplitude of a known tone by least squares: sine as real part, cosine as imaginary one."""
    angle = 2 * np.pi * hz * samples.times_s
    columns = np.stack([np.ones_like(angle), np.cos(angle), np.sin(angle)], axis=1)
    _, cosine_v, sine_v = np.linalg.lstsq(columns, samples.volts, rcond=None)[0]
    return sine_v + 1j * cosine_v


def digital_sine(dbfs, *, hz=997.0, seconds=1.2, bits=24):
    """A sine whose level is relative to full scale: 0 dB FS has its positive peak at positive full scale (AES17)."""
    peak = 10 ** (dbfs / 20) * (2 ** (bits - 1) - 1)
    codes = np.rint(peak * np.sin(2 * np.pi * hz * np.arange(round(seconds * RATE_HZ)) / RATE_HZ))
    return codes.astype(np.int32) << (32 - bits)


def both(left, right):
    return np.stack([left, right], axis=1)


# -- level ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("dbfs", [-20.0, 0.0])
def test_a_digital_level_is_the_level_that_aes17_calls_it(dbfs):
    # AES17 (methods for digital audio equipment): 997 Hz, and 0 dB FS is the RMS level of a sine whose positive peak
    # just reaches positive full scale.
    script = Script(both(digital_sine(dbfs), digital_sine(-40.0, hz=1001.0)))
    codec = CodecConverter(script, script.time)
    codec.collect(1.1)
    for samples, level, hz in zip(codec.latest_pair(1.0), (dbfs, -40.0), (997.0, 1001.0), strict=True):
        rms_v = abs(tone_at(samples, hz)) / math.sqrt(2)
        full_scale_rms_v = codec_full_scale_v(samples.facts.input) / math.sqrt(2)
        assert 20 * math.log10(rms_v / full_scale_rms_v) == pytest.approx(level, abs=2e-5)
        assert (samples.quality.saturated > 0) == (level == 0.0)


@pytest.mark.parametrize("input", list(Input))
def test_codes_at_zero_in_the_middle_and_at_both_rails(input):
    codes = np.array([0, 1, -1, 2**22, -(2**22), 2**23 - 1, -(2**23)] * 320, dtype=np.int32)[:1920]
    script = Script(both(codes << 8, codes << 8))
    codec = CodecConverter(script, script.time, input=input)
    codec.collect(0.0201)
    samples = codec.latest(1.0)
    # One code is full scale over 2^23: the datasheet's full scale is that of +-2^23, of which +2^23 is not reached.
    assert samples.facts.lsb_v == codec_full_scale_v(input) / 2**23
    assert np.allclose(samples.volts, codes * samples.facts.lsb_v, rtol=1e-12, atol=0)
    assert samples.quality.saturated == np.count_nonzero(np.abs(codes) > 2**22)


def test_full_scale_is_what_the_parts_make_of_the_converters_own():
    # Netlist: 4 x 249k and 3.65k each leg (ratio 273.9 at the isolator), gain 2, 3.48k over 4.99k, 100 ohm into 60k;
    # 0.6 x 5 V peak to peak at the pin (PCM1808 class, from memory of its datasheet).
    assert codec_full_scale_v(Input.SPEAKER) == pytest.approx(1.5 * 273.877 / 2 * 4.99 / 3.48 * 60.1 / 60, rel=1e-5)
    assert codec_full_scale_v(Input.LINE) == pytest.approx(1.5 * (118 + 5.36) / 5.36 / 2 * 4.99 / 3.48 * 60.1 / 60)
    # The ratings: 255 V and 20 V peak fit, with the converter's gain 6 % too high as well.
    assert codec_full_scale_v(Input.SPEAKER) / 1.06 > 255
    assert codec_full_scale_v(Input.LINE) / 1.06 > 20


@pytest.mark.parametrize("hz", [10.0, 40.0, 997.0, 6300.0, 20e3])
def test_a_tone_comes_back_as_what_lies_between_the_terminals(hz):
    bench = Bench(sine(85.0, hz), sine(2.0, hz, 1.1), ideal=True)
    bench.run(3.0)
    for samples, peak_v, phase in zip(bench.codec.latest_pair(0.5), (85.0, 2.0), (0.3, 1.1), strict=True):
        # measurement.md's promise for a 24-bit source is 0.05 % from 20 Hz on
        seen = tone_at(samples, hz) / samples.facts.response(np.array([hz]))[0]
        assert abs(seen) == pytest.approx(peak_v, rel=5e-4)
        # 30 us is what the simulated host is late at best
        assert np.angle(seen * np.exp(-1j * phase)) == pytest.approx(0.0, abs=2 * np.pi * hz * 31e-6 + 1e-3)


def test_both_inputs_are_sampled_at_the_same_instants():
    bench = Bench(sine(50.0, 5e3), sine(5.0, 5e3), seed=3)
    bench.run(1.5)
    speaker, line = bench.codec.latest_pair(0.2)
    assert np.array_equal(speaker.times_s, line.times_s)
    seen = [tone_at(s, 5e3) / s.facts.response(np.array([5e3]))[0] for s in (speaker, line)]
    # 1 % capacitors: what is left between the channels is less than a degree
    assert abs(np.angle(seen[0] / seen[1])) < math.radians(1.0)
    alone = bench.codec.latest_of(Input.LINE, 0.2)
    assert np.array_equal(alone.volts, line.volts)


@pytest.mark.parametrize("seed", range(4))
def test_a_drawn_board_lies_within_what_is_said_of_it(seed):
    for hz in (50.0, 1e3, 10e3, 20e3):
        bench = Bench(sine(80.0, hz), sine(5.0, hz), seed=seed)
        bench.run(1.2)
        for samples, peak_v in zip(bench.codec.latest_pair(0.25), (80.0, 5.0), strict=True):
            facts = samples.facts
            off = abs(tone_at(samples, hz) / facts.response(np.array([hz]))[0]) / peak_v - 1
            assert abs(off) < 2.1 * math.hypot(facts.gain_u, facts.spread_u(hz))
            assert (facts.calibrated, facts.trimmed, facts.dc_coupled) == (False, False, False)
            # From one board to another it is one gain, the same at every frequency; the rest is the spread.
            rest = abs(bench.gain(samples.facts.input, hz)) / abs(bench.gain(samples.facts.input, 50.0)) - 1
            assert abs(rest) < 3 * facts.spread_u(hz) + 1e-4


def test_noise_is_what_the_design_says():
    bench = Bench(seed=5, drawn=CodecTolerances.none())
    bench.run(2.2)
    for samples, audible_v in zip(bench.codec.latest_pair(2.0), (18.7e-3, 1.58e-3), strict=True):
        power = np.abs(np.fft.rfft(samples.volts * np.hanning(len(samples)))) ** 2
        hz = np.fft.rfftfreq(len(samples), 1 / RATE_HZ)
        total_v = np.std(samples.volts)
        share = power[(hz > 20) & (hz < 20e3)].sum() / power[1:].sum()
        assert total_v * math.sqrt(share) == pytest.approx(audible_v, rel=0.06)
        assert total_v == pytest.approx(samples.facts.noise_v, rel=0.06)


def test_an_overload_counts_as_saturated_and_a_rated_level_does_not():
    for gain in (-0.06, 0.06):
        bench = Bench(sine(255.0, 50.0), ideal=True, drawn=CodecTolerances(gain=(gain, gain)))
        bench.run(0.5)
        assert bench.codec.latest(0.2).quality.saturated == 0
        bench = Bench(sine(330.0, 50.0), ideal=True, drawn=CodecTolerances(gain=(gain, gain)))
        bench.run(0.5)
        assert bench.codec.latest(0.2).quality.saturated > 100


def test_what_lies_above_the_band_does_not_fold_into_it():
    # The design's figure for 85 V of 40 Hz with 3 V of 100 kHz is a residue of -60.8 dB before the converter, whose
    # decimation filter takes the rest.
    bench = Bench(lambda t: sine(120.0, 40.0)(t) + sine(3.0, 100e3)(t), ideal=True)
    bench.run(1.0)
    samples = bench.codec.latest(0.5)
    power = np.abs(np.fft.rfft(samples.volts * np.hanning(len(samples)))) ** 2
    hz = np.fft.rfftfreq(len(samples), 1 / RATE_HZ)
    assert power[hz > 3e3].max() / power.max() < 10 ** (-100 / 10)


def test_direct_voltage_does_not_get_through_and_that_is_said():
    bench = Bench(lambda t: np.full_like(t, 40.0), ideal=True)
    bench.run(4.0)
    samples = bench.codec.latest(0.25)
    assert abs(np.mean(samples.volts)) < 0.2
    assert samples.facts.dc_coupled is False
    assert samples.facts.offset_u_v > 40.0


def test_the_meter_measures_it_as_any_converter():
    bench = Bench(sine(85.0 * math.sqrt(2), 1e3), ideal=True)
    bench.run(1.5)
    block = measure(bench.codec.latest(0.25))
    assert block.rms_v == pytest.approx(85.0, rel=5e-4)
    assert block.line_hz == pytest.approx(1e3, rel=20e-6)


# -- the circuit ------------------------------------------------------------------------------------------------------


def test_the_low_pass_is_that_of_the_parts_by_scipy(monkeypatch):
    # Outside check: scipy's frequency response of the polynomial that the netlist's parts make (speaker input), the
    # second-order section being the textbook multiple-feedback low-pass around an ideal amplifier.
    monkeypatch.setattr(frontend, "OPAMP_HZ", 1e15)
    r1, r2, r3, c1, c2 = 4.99e3, 3.48e3, 2.61e3, 4.7e-9, 470e-12
    second = [r2 * r3 * c1 * c2, c2 * (r2 + r3 + r2 * r3 / r1), 1.0]
    side_ohm = 1 / (1 / 996e3 + 1 / 3.65e3) + 1e3
    first = [side_ohm * (2 * 560e-12 + 22e-12), 1.0]
    isolator = [1 / (2 * np.pi * 375e3), 1.0]
    hz = np.geomspace(10, 100e3, 200)
    _, expected = filters.freqs([1.0], np.polymul(np.polymul(second, first), isolator), worN=2 * np.pi * hz)
    assert np.allclose(low_pass(hz, Input.SPEAKER), expected, rtol=1e-9)


def test_the_high_pass_is_that_of_a_capacitor_and_of_a_digital_filter_by_scipy():
    hz = np.geomspace(5, 20e3, 100)
    _, coupling = filters.freqs([10e-6 * 60.1e3, 0], [10e-6 * 60.1e3, 1], worN=2 * np.pi * hz)
    b, a = filters.butter(1, 0.019e-3 * 96_000, "highpass", fs=96_000)
    _, own = filters.freqz(b, a, worN=hz, fs=96_000)
    assert np.allclose(high_pass(hz, rate_hz=96e3), coupling * own, rtol=1e-4)
    # The converter's own takes 0.14 dB at 10 Hz (hardware notes)
    assert 20 * math.log10(abs(own[np.argmin(np.abs(hz - 10))])) == pytest.approx(-0.142, abs=0.01)


def test_the_low_pass_has_the_figures_of_the_circuits_simulation(monkeypatch):
    # Figures of the design, simulated in ngspice with a nearly ideal amplifier: +0.040/-0.014 dB from 10 Hz to 20 kHz,
    # then the fall.
    monkeypatch.setattr(frontend, "OPAMP_HZ", 1e15)
    hz = np.geomspace(10, 20e3, 400)
    flat_db = 20 * np.log10(np.abs(low_pass(hz, Input.SPEAKER)))
    assert flat_db.max() == pytest.approx(0.040, abs=0.002)
    assert flat_db.min() == pytest.approx(-0.014, abs=0.002)
    for at_hz, db in ((37.6e3, -3.01), (50e3, -9.6), (100e3, -28.4), (200e3, -47.3)):
        seen_db = 20 * math.log10(abs(low_pass(np.array([at_hz]), Input.SPEAKER)[0]))
        assert seen_db == pytest.approx(db, abs=0.25), at_hz


@pytest.mark.parametrize("input", list(Input))
def test_the_firmwares_path_is_that_of_the_simulated_board(input):
    # Two ways to the same circuit that share no figure: a formula, and nodal analysis.
    capture = Bench(ideal=True).capture
    hz = np.geomspace(10, 20e3, 300)
    ratio = capture.response(input, hz) * codec_full_scale_v(input) / codec_response(input, rate_hz=RATE_HZ)(hz)
    assert np.max(np.abs(20 * np.log10(np.abs(ratio)))) < 1e-3
    assert np.max(np.abs(np.angle(ratio))) < math.radians(0.01)


@pytest.mark.parametrize("opamp_hz", [10e6, 20e6])
def test_either_amplifier_that_the_netlist_allows_is_within_what_is_said_of_the_path(opamp_hz):
    hz = np.geomspace(10, 20e3, 100)
    ratio = np.abs(section(hz, 0, CodecTolerances(opamp_hz=opamp_hz)) / (3.48 / 4.99) / frontend.section(hz))
    spread_u = np.array([frontend.codec_spread_u(at_hz) for at_hz in hz])
    assert np.all(np.abs(ratio - 1) < spread_u + 1e-5)


def test_the_response_can_be_divided_out_everywhere():
    at = codec_response(Input.LINE, rate_hz=RATE_HZ)(np.array([0.0, 10.0, 20e3]))
    assert at.dtype == np.complex128
    assert at[0] == 1.0
    assert np.all(np.abs(at[1:]) > 0.9)


# -- time -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("ppm", [-50, 0, 50, 250])
def test_the_rate_is_measured_through_jitter(ppm):
    rng = np.random.default_rng(ppm % 7)
    clock, true_hz = ArrivalClock(RATE_HZ), RATE_HZ * (1 + ppm * 1e-6)
    for n in range(1, 1101):
        late_s = rng.exponential(1e-4) + (rng.uniform(1e-3, 5e-3) if rng.random() < 0.05 else 0.0)
        clock.arrived(PERIOD, n * PERIOD / true_hz + late_s)
        if n == 200:
            assert clock.rate_hz == pytest.approx(true_hz, rel=60e-6 if abs(ppm) <= 50 else 300e-6)
    assert clock.fitted
    assert clock.rate_hz == pytest.approx(true_hz, rel=3e-6)
    newest_s = clock.times(clock.frames, 1)[0]
    assert newest_s == pytest.approx(1100 * PERIOD / true_hz, abs=60e-6)
    assert clock.scatter_s < 1e-4


@given(
    late=st.lists(st.floats(0.0, 0.2), min_size=1, max_size=400),
    ppm=st.floats(-100, 100),
    counts=st.lists(st.integers(1, 5000), min_size=1, max_size=7),
)
def test_no_frame_is_said_to_be_later_than_it_arrived(late, ppm, counts):
    clock, true_hz = ArrivalClock(RATE_HZ), RATE_HZ * (1 + ppm * 1e-6)
    frames, arrived_s = 0, 0.0
    for n, late_s in enumerate(late):
        count = counts[n % len(counts)]
        frames += count
        arrived_s = max(frames / true_hz + late_s, arrived_s)
        clock.arrived(count, arrived_s)
        # Within a segment only the earliest is kept, at the nominal rate: that is as much as the rates differ in it.
        assert clock.times(clock.frames, 1)[0] <= arrived_s + 2 * clock.SEGMENT_S * clock.FURTHEST
        block = clock.times(max(clock.frames - 100, 0), 100)
        assert np.all(np.diff(block) > 0)


def test_the_first_second_has_the_nominal_rate_and_says_so():
    bench = Bench(TONE, seed=2)
    bench.run(0.5)
    early = bench.codec.latest(0.25)
    bench.run(1.0)
    late = bench.codec.latest(0.25)
    assert math.isnan(early.quality.rate_hz)
    assert late.quality.rate_hz == pytest.approx(bench.capture.true_rate_hz, rel=20e-6)
    assert early.quality.clock is late.quality.clock is Clock.EVEN
    assert early.facts.clock_u == pytest.approx(71e-6, rel=0.01)
    assert late.facts.clock_u == 50e-6


def test_a_host_that_is_late_loses_nothing_and_holds_the_pace():
    bench = Bench(TONE)
    bench.run(1.5)
    for _ in range(5):
        bench.time.wait_until(bench.time.now_s() + 0.37)
        assert bench.codec.collect(bench.time.now_s()) is True, "a time that is past takes what has come"
        samples = bench.codec.latest(0.5)
        assert samples.duration_s == pytest.approx(0.5, abs=2e-5)
        assert bench.time.now_s() - samples.times_s[-1] < 0.02
        assert abs(tone_at(samples, 400.0)) == pytest.approx(60.0, rel=0.08)
    assert bench.codec.breaks == 0


def test_what_is_old_is_not_measured():
    bench = Bench(TONE)
    bench.run(0.5)
    bench.time.wait_until(bench.time.now_s() + 0.3)
    assert len(bench.codec.latest(0.25)) == 0


def test_a_thread_beside_the_board_waits_and_never_lets_its_time_pass():
    bench = Bench()
    followed = FollowedTime(bench.time)
    followed.wait_until(bench.time.now_s() - 1.0)
    assert followed.now_s() == bench.time.now_s() == 0.0
    waiting = threading.Thread(target=followed.wait_until, args=(0.5,), daemon=True)
    waiting.start()
    waiting.join(0.05)
    assert waiting.is_alive()
    assert bench.time.now_s() == 0.0
    bench.time.pass_until(0.5)
    waiting.join(5.0)
    assert not waiting.is_alive()


# -- trim and calibration ---------------------------------------------------------------------------------------------


def test_a_trim_takes_the_gain_out_and_says_how_well_it_is_known():
    bench = Bench(sine(60.0, 50.0), sine(3.0, 50.0), seed=4)
    bench.run(1.2)
    before = abs(tone_at(bench.codec.latest(0.25), 50.0))
    assert bench.codec.trim_of(Input.SPEAKER) is None
    bench.codec.trim(Input.SPEAKER, Trim(60.0 / before, 0.0013, calibrated=True))
    samples, other = bench.codec.latest_pair(0.25)
    assert abs(tone_at(samples, 50.0)) == pytest.approx(60.0, rel=1e-9)
    assert (samples.facts.trimmed, samples.facts.calibrated, samples.facts.gain_u) == (True, True, 0.0013)
    assert (other.facts.trimmed, other.facts.calibrated) == (False, False)
    assert other.facts.gain_u == frontend.CODEC_GAIN_U
    bench.codec.trim(Input.SPEAKER, Trim(1.0, 0.0013, calibrated=False))
    assert abs(tone_at(bench.codec.latest(0.25), 50.0)) == pytest.approx(before), "in place of the earlier one"
    assert not bench.codec.latest(0.25).facts.calibrated, "what it was trimmed against was not"
    bench.codec.forget_trims()
    assert bench.codec.latest(0.25).facts.trimmed is False


@pytest.mark.parametrize("seed", [1, 6])
def test_a_trim_against_the_bass_converter_carries_its_calibration_over(seed):
    # One board, both converters, one thread: what the bass converter makes of 50 Hz tells the other one's gain.
    hz, until_s = (50.0, 1e3), 0.0
    signal = by_time((0.0, sine(60.0, hz[0])), (1.5, sine(60.0, hz[1])))
    bass = bench_meter.Bench(signal, signal, seed=seed, calibration=calibrate(seed=seed, inputs=[Input.SPEAKER]))
    capture = SimulatedCapture(
        seed=seed, time=bass.time, speaker=signal, line=signal, tolerances=bass.board.front_end.tolerances
    )
    wide = CodecConverter(capture, bass.time)
    blocks = []
    for end_s in (1.4, 2.5):
        while until_s < end_s:
            until_s += 0.02
            bass.converter.collect(until_s)
            wide.collect(until_s)
        blocks.append(measure(wide.latest(0.25)))
        if end_s < 1.5:
            known, found = measure(bass.converter.latest(0.25)), blocks[0]
            wide.trim(Input.SPEAKER, Trim(known.line_v / found.line_v, known.samples.facts.gain_u, calibrated=True))
    assert abs(blocks[0].line_v / 60.0 - 1) > 0.01, "seeds whose gain is off enough to see"
    assert blocks[1].line_v == pytest.approx(60.0, rel=2e-3)  # 0.32 % (k = 2) is what the error budget gives it
    assert blocks[1].samples.facts.gain_u == known.samples.facts.gain_u
    assert wide.breaks == 0


@pytest.mark.parametrize(("factor", "u"), [(0.5, 0.01), (1.3, 0.01), (math.nan, 0.01), (1.0, -0.1), (1.0, math.nan)])
def test_a_trim_that_no_good_converter_needs_is_refused(factor, u):
    codec = Bench().codec
    with pytest.raises(ConverterError, match=r"allowed are 0\.88 to 1\.12"):
        codec.trim(Input.LINE, Trim(factor, u, calibrated=True))
    assert codec.trim_of(Input.LINE) is None


def test_a_trim_outlives_a_break():
    bench = Bench(TONE)
    bench.run(0.5)
    bench.codec.trim(Input.SPEAKER, Trim(1.02, 0.002, calibrated=True))
    bench.capture.overrun()
    with pytest.raises(ConverterSilent):
        bench.run(0.1)
    bench.run(0.5)
    assert bench.codec.latest(0.1).facts.trimmed


def test_a_calibration_of_this_path_is_applied_and_said():
    ranges = {range_v: RangeCalibration(1.0, 0.0) for range_v in RANGES_V}
    found = InputCalibration(ranges, full_band=RangeCalibration(1.05, 0.02))
    made = Calibration("FT-1", None, "bench", 0.1, {Input.SPEAKER: found, Input.LINE: InputCalibration(ranges)})
    bare, held = Bench(TONE), Bench(TONE, calibration=made)
    for bench in (bare, held):
        bench.run(0.5)
    before, after = bare.codec.latest(0.2), held.codec.latest(0.2)
    assert np.allclose(after.volts, 1.05 * (before.volts - 0.02), atol=1e-9)
    assert (after.facts.calibrated, after.facts.trimmed) == (True, True)
    assert after.facts.gain_u == pytest.approx(math.hypot(0.0016, 0.0005))
    line = held.codec.latest_of(Input.LINE, 0.2)
    assert (line.facts.calibrated, line.facts.trimmed) == (False, False)


def test_the_calibration_file_holds_this_path_and_may_lack_it(tmp_path):
    ranges = {range_v: RangeCalibration(1.01, 0.001) for range_v in RANGES_V}
    wide = InputCalibration(ranges, 1.0, RangeCalibration(1.0613, -0.002))
    made = Calibration("FT-1", datetime.date(2026, 5, 4), "bench", 0.1, {Input.SPEAKER: wide, Input.LINE: wide})
    calibration.save(tmp_path / "new.toml", made)
    assert calibration.load(tmp_path / "new.toml") == made
    none = dataclasses.replace(made, inputs={each: InputCalibration(ranges) for each in Input})
    calibration.save(tmp_path / "old.toml", none)
    assert "full_band" not in (tmp_path / "old.toml").read_text()
    assert calibration.load(tmp_path / "old.toml") == none
    far = dataclasses.replace(wide, full_band=RangeCalibration(1.2, 0.0))
    with pytest.raises(CalibrationError, match=r"speaker\.full_band\.gain .* from 0\.85 to 1\.15"):
        calibration.save(
            tmp_path / "far.toml", dataclasses.replace(made, inputs={Input.SPEAKER: far, Input.LINE: wide})
        )
    text = (tmp_path / "new.toml").read_text()
    (tmp_path / "new.toml").write_text(text.replace("1.0613", "1.0611", 1))
    with pytest.raises(CalibrationError, match="checksum"):
        calibration.load(tmp_path / "new.toml")


def test_the_settings_name_the_device(stored):
    assert settings.load(None).codec == settings.Codec(enabled="yes", device="hw:CARD=flattop", rate=96_000)
    held = settings.load(stored('[codec]\nenabled = "no"\ndevice = "plughw:1,0"\nrate = 192000\n', "a.toml")).codec
    assert (held.enabled, held.device, held.rate) == ("no", "plughw:1,0", 192_000)
    with pytest.raises(SettingsError) as caught:
        settings.load(stored('[codec]\nenabled = true\ndevice = ""\nrate = 44100\n', "b.toml"))
    for told in ('"no" or "yes"', "1 to 200 characters", "96000 or 192000"):
        assert told in str(caught.value)


# -- faults -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("after_s", [0.03, 0.7, 2.0])
@pytest.mark.parametrize(("fault", "told"), FAULTS)
def test_a_fault_is_told_within_a_second_and_never_measured_across(fault, told, after_s):
    bench = Bench(TONE, sine(3.0, 55.0))
    bench.run(after_s)
    fault(bench.capture)
    error, took_s = until_failed(bench)
    assert took_s < 1.0
    with pytest.raises(ConverterSilent, match=told):
        raise error
    assert [len(samples) for samples in bench.codec.latest_pair(2.0)] == [0, 0]
    well(bench.capture)
    again_s = bench.time.now_s()
    bench.run(0.6)
    samples = bench.codec.latest(5.0)
    assert samples.times_s[0] > again_s
    assert samples.duration_s > 0.2
    assert abs(tone_at(samples, 400.0)) == pytest.approx(60.0, rel=0.08)
    assert bench.codec.breaks == 1
    bench.run(2.0)
    assert bench.codec.breaks == 1


@pytest.mark.parametrize(
    ("fault", "told"), [each for each in FAULTS if each[0] not in {SimulatedCapture.overrun, tear}]
)
def test_a_fault_that_is_there_from_the_start_is_told_too(fault, told):
    bench = Bench(TONE, sine(3.0, 55.0))
    fault(bench.capture)
    error, took_s = until_failed(bench)
    assert isinstance(error, ConverterMissing if fault is unplug else ConverterSilent)
    assert took_s < 1.0
    assert len(bench.codec.latest(2.0)) == 0
    well(bench.capture)
    bench.run(0.6)
    assert len(bench.codec.latest(0.1)) > 9000


def test_a_converter_that_is_unplugged_for_long_is_asked_for_again_and_again_and_comes_back():
    bench = Bench(TONE)
    bench.run(0.5)
    unplug(bench.capture)
    kinds = []
    for _ in range(6):
        begun_s = bench.time.now_s()
        error, _ = until_failed(bench)
        kinds.append(type(error))
        assert bench.time.now_s() - begun_s < 0.5
    assert kinds == [ConverterSilent, *[ConverterMissing] * 5]
    assert bench.time.now_s() - 0.5 > 4 * 0.2, "not asked for without a pause"
    well(bench.capture)
    bench.run(0.5)
    assert len(bench.codec.latest(0.2)) > 19_000


def test_a_stream_that_never_begins_is_told_as_such():
    bench = Bench()
    hang(bench.capture)
    error, took_s = until_failed(bench)
    assert f"{START_S:g} s are allowed" in str(error)
    assert START_S <= took_s < 1.0
    assert SILENT_S < START_S


def test_the_child_is_ended_when_its_stream_is_no_good():
    script = Script(np.zeros((RATE_HZ, 2), dtype=np.int32))
    codec = CodecConverter(script, script.time)
    with pytest.raises(ConverterSilent, match="data line is dead"):
        codec.collect(2.0)
    assert (script.starts, script.stops) == (1, 1)
    assert script.time.now_s() < 0.4
    codec.close()
    assert script.stops == 2


@pytest.mark.parametrize("seed", range(3))
def test_a_quiet_board_is_no_fault(seed):
    bench = Bench(seed=seed)
    bench.run(8.0)
    assert bench.codec.breaks == 0
    assert len(bench.codec.latest(2.0)) > 190_000


def test_overloads_and_steady_tones_are_no_fault():
    # 100 Hz is a whole number of frames here: but for the noise every cycle would be the same.
    for speaker in (sine(100.0, 100.0), sine(600.0, 100.0), lambda t: 600.0 * np.sign(np.sin(2 * np.pi * 1.5 * t))):
        bench = Bench(speaker, speaker, drawn=CodecTolerances.none())
        bench.run(3.0)
        assert bench.codec.breaks == 0


def shifted(words, count):
    """The words of a stream that lost so many bytes."""
    raw = words.tobytes()[count:]
    return np.frombuffer(raw[: len(raw) - len(raw) % 8], dtype="<i4").reshape(-1, 2)


@pytest.mark.parametrize("lost", [1, 2, 3, 5, 6, 7])
def test_torn_words_are_found_at_once(lost):
    assert "torn" in Watch(RATE_HZ).fault(shifted(noise_words(1, PERIOD), lost))
    watch = Watch(RATE_HZ)
    assert watch.fault(noise_words(2, PERIOD)) == ""
    assert "torn" in watch.fault(shifted(noise_words(1, PERIOD), lost))


def test_a_converter_of_32_bits_is_not_torn():
    watch = Watch(RATE_HZ)
    for seed in range(100):
        assert watch.fault(noise_words(seed, PERIOD, bits=32) | 1) == ""


@pytest.mark.parametrize("period", [64, 100, 960, 4800, 24_000, 48_000])
def test_repeated_stretches_of_any_length_are_found_within_a_second(period):
    watch, words = Watch(RATE_HZ), noise_words(3, period)
    for n in range(30):
        assert watch.fault(noise_words(10 + n, PERIOD)) == ""
    told = ""
    for n in range(100):
        first = n * PERIOD % period
        chunk = np.take(words, np.arange(first, first + PERIOD), axis=0, mode="wrap")
        told = watch.fault(chunk)
        if told:
            break
    assert "again and again" in told
    assert n < 96


def test_the_same_seed_gives_the_same_frames_and_another_one_others():
    def frames(seed):
        bench = Bench(TONE, seed=seed)
        bench.run(0.3)
        return bench.codec.latest(0.2)

    one, two, three = frames(1), frames(1), frames(2)
    assert np.array_equal(one.volts, two.volts)
    assert np.array_equal(one.times_s, two.times_s)
    assert not np.array_equal(one.volts, three.volts)


def test_drawn_parts_lie_within_their_tolerances():
    for seed in range(20):
        drawn = CodecTolerances.draw(np.random.default_rng(seed))
        assert max(map(abs, drawn.gain)) <= 0.06
        assert abs(drawn.crystal) <= 50e-6
        assert {abs(value) <= (0.001 if ref[0] == "R" else 0.01) for ref, value in drawn.parts.items()} == {True}
    assert dataclasses.replace(drawn, ripple=0.0).ripple == 0.0
