"""Even samples: all harmonics of the band, what must and must not be called flat, and programs made elsewhere."""

from __future__ import annotations

import math
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.io import wavfile
from scipy.signal import firwin, lfilter, sawtooth, windows

sys.path.insert(0, str(Path(__file__).parent / "figures"))

import full_band
import rig

from blocks import WINDOW_S, block, even, full_facts, sine, tone
from flattop.measure.even import Spectrum, are_even, fast_length
from flattop.measure.level import TOPS_HARMONICS, glance, measure
from flattop.measure.reading import Reason, Verdict
from flattop.measure.verdict import Judge
from flattop.samples import Clock
from oracles import Clipped, cramer_rao, scatter_bounds

SEED = 12
STEP = 2 / 2**24
FINE = {"lsb_v": STEP, "noise_v": STEP / math.sqrt(12), "full_scale_v": 1.0, "tone_band_hz": (10.0, 20e3)}


def limited(wave, *, hz, rate_hz=96_000.0, volts=0.7, phase=0.1, n=24_000, to_hz=20e3):
    """Return samples of a wave without harmonics above `to_hz`: times, volts, facts, and how many there are."""
    times_s = np.arange(n) / rate_hz
    turn = 2 * np.pi * (hz * times_s + phase)
    k = np.arange(2, int(to_hz / hz + 1e-9) + 1)
    x = wave.dc + wave.fundamental * np.cos(turn)
    for number, part in zip(k, wave.harmonic(k), strict=True):
        x = x + part * np.cos(number * turn)
    x = np.round(volts * x / STEP) * STEP
    return (times_s, x, full_facts(rate_hz=rate_hz, **FINE)), len(k) + 1


def test_a_length_for_the_fft_is_found():
    assert [fast_length(n) for n in (24_000, 24_001, 23_993, 11_025, 1009)] == [24_000, 24_000, 23_814, 11_025, 1008]
    assert all(max(_factors(fast_length(n))) <= 7 for n in range(1000, 1100))


def _factors(n):
    return [p for p in range(2, n + 1) if n % p == 0 and all(p % q for q in range(2, int(p**0.5) + 1))]


def test_the_window_is_the_hann_window_of_the_handbooks():
    """The spectrum that the code knows in closed form against an FFT of scipy's own window."""
    n = 4096
    cycles = 37.3
    times_s = np.arange(n) / n
    spectrum = Spectrum(times_s, np.cos(2 * np.pi * cycles * times_s))
    by_scipy = np.fft.rfft(windows.hann(n, sym=False) * np.cos(2 * np.pi * cycles * times_s)) * 4 / n
    assert np.abs(spectrum.bins - by_scipy)[3:].max() < 1e-6  # the mean is taken out


@pytest.mark.parametrize("hz", [10.0, 11.3, 15.0, 20.0, 40.0, 41.37, 100.0, 1000.0, 3501.3, 4999.0])
@pytest.mark.parametrize("cut_db", [(1.0, 1.0), (0.0, 0.5), (2.5, 2.5)])
def test_every_harmonic_of_the_band_is_counted(hz, cut_db):
    """Closed form of the clipped sine, harmonic by harmonic: 2000 of them at 10 Hz, 500 at 40 Hz, 4 at 5 kHz."""
    wave = Clipped.by_db(*cut_db)
    taken, highest = limited(wave, hz=hz)
    found = measure(block(taken))
    c = np.concatenate([[wave.dc, wave.fundamental], wave.harmonic(np.arange(2, highest + 1))])
    assert len(found.harmonics) == highest + 1
    turned = found.harmonics * np.exp(-1j * np.arange(highest + 1) * np.angle(found.harmonics[1])) / 0.7
    assert np.abs(turned[:200] - c[:200]).max() < 1e-5
    assert found.thd == pytest.approx(wave.thd_to(highest), rel=5e-5)
    assert found.thd_n == pytest.approx(wave.thd_to(highest), rel=5e-5)
    assert found.rms_v == pytest.approx(0.7 * math.sqrt((c[1:] @ c[1:]) / 2), rel=1e-6)
    assert found.dc_v == pytest.approx(0.7 * wave.dc, abs=2e-6)
    assert found.fit.hz == pytest.approx(hz, rel=1e-6)
    assert found.fit.drift_per_s == pytest.approx(0.0, abs=2e-5)
    assert found.unsteady < 1e-3
    assert (found.tops.overdrive_pos_db, found.tops.overdrive_neg_db) == pytest.approx(cut_db, abs=0.005)
    assert len(found.shape) <= TOPS_HARMONICS + 1


@pytest.mark.parametrize("hz", [10.3, 15.0, 20.7, 997.0])
@pytest.mark.parametrize("off_bins", [0.0, 3e-4, 0.01, 0.09, 0.3])
def test_what_is_known_of_the_block_before_changes_no_figure(hz, off_bins):
    taken, _ = limited(Clipped.by_db(1.0, 0.5), hz=hz)
    alone = measure(block(taken))
    found = measure(block(taken), known_hz=alone.fit.hz + off_bins / WINDOW_S)
    assert found.fit.hz == pytest.approx(alone.fit.hz, rel=1e-6)
    assert found.rms_v == pytest.approx(alone.rms_v, rel=1e-6)
    assert found.thd == pytest.approx(alone.thd, rel=3e-5)
    assert found.tops.overdrive_pos_db == pytest.approx(alone.tops.overdrive_pos_db, abs=1e-4)


@pytest.mark.parametrize("rate_hz", [44_100.0, 48_000.0, 96_000.0, 192_000.0])
@pytest.mark.parametrize("hz", [20.0, 997.0, 19_990.0])
def test_levels_at_every_usual_rate(rate_hz, hz):
    """A 997 Hz sine peaking at full scale is 0 dBFS by AES17 and has the RMS 1/sqrt(2) (quoted in secondary texts)."""
    n = round(0.25 * rate_hz)
    times_s, volts, _ = even(tone(sine, hz=hz, volts=1.0, phase=0.2), span_s=n / rate_hz, rate_hz=rate_hz)
    found = measure(block((times_s, np.round(volts / STEP) * STEP, full_facts(rate_hz=rate_hz, **FINE))))
    assert 20 * math.log10(found.rms_v * math.sqrt(2)) == pytest.approx(0.0, abs=1e-5)
    assert found.thd < 1e-5
    assert found.thd_n < 3e-5
    assert found.fit.hz == pytest.approx(hz, rel=1e-8)


@pytest.mark.parametrize("n", [23_993, 24_001, 12_007])
def test_a_block_of_any_length(n):
    """23,993 is a prime: the newest samples that make a fast FFT are taken, and nothing else changes."""
    taken, _ = limited(Clipped.by_db(1.0), hz=41.3, n=n)
    found = measure(block(taken))
    assert found.thd == pytest.approx(Clipped.by_db(1.0).thd_to(484), rel=1e-4)
    assert found.fit.middle_s == pytest.approx(taken[0][-1] - (fast_length(n) / 2 - 1) / 96e3, abs=1e-9)


def test_what_is_not_even_goes_the_other_way():
    times_s = np.arange(24_000) / 96_000.0
    assert are_even(times_s)
    assert are_even(np.round(times_s, 6))  # times of a CSV file in whole microseconds
    for missing in (1, 2, 3, 9, 7_000, 23_990, 23_997, 23_998):
        assert not are_even(np.delete(times_s, missing)), missing
    for twice in (5, 12_000, 23_995):
        assert not are_even(np.insert(times_s, twice, times_s[twice])), twice
    rng = np.random.default_rng(1)
    assert not are_even(times_s + rng.uniform(-0.3, 0.3, len(times_s)) / 96_000.0)
    assert not are_even(times_s[:900])
    taken, _ = limited(Clipped.by_db(1.0), hz=100.0)
    holed = tuple(np.delete(part, 7_000) for part in taken[:2])
    found = measure(block((*holed, taken[2])))
    assert len(found.harmonics) - 1 == 16
    assert found.tops.overdrive_pos_db == pytest.approx(1.0, abs=0.02)
    uneven = measure(block(taken, clock=Clock.LOCKED))
    assert len(uneven.harmonics) - 1 == 16


def test_a_bound_on_the_harmonics_is_kept():
    taken, _ = limited(Clipped.by_db(1.0), hz=40.0)
    assert len(measure(block(taken), most_harmonics=7).harmonics) == 8


def test_what_a_formula_folds_down_repeats_with_the_tone():
    """A clip by formula at 48 kS/s has its upper harmonics folded: they are no second tone."""
    wave = Clipped.by_db(6.0)
    found = measure(block(even(tone(wave, hz=5003.0, volts=1.0), facts=full_facts())))
    # Odd harmonics from the fifth on fold down: all of them together are what is not to be found in the rest.
    folded = math.sqrt(wave.thd**2 - wave.thd_to(4) ** 2)
    assert folded > 0.02
    assert found.unsteady < 0.1 * folded


def test_levels_scatter_as_stated_and_within_twice_the_cramer_rao_bound():
    """White noise 40 dB down; bound of Rife & Boorstyn 1974 (from memory, confirmed by Monte Carlo)."""
    runs, sigma = 300, 0.01
    rng = np.random.default_rng(SEED)
    seen, stated = [], []
    for _ in range(runs):
        hz = math.exp(rng.uniform(math.log(25), math.log(6e3)))
        times_s, volts, facts = even(tone(sine, hz=hz, volts=1.0, phase=rng.random()), rate_hz=96_000.0)
        found = measure(block((times_s, volts + sigma * rng.standard_normal(len(volts)), facts)))
        # The third harmonic, of which there is none: its real part is noise alone.
        seen.append((found.line_v - 1, found.fit.hz - hz, found.harmonics[3].real))
        stated.append((found.shape_sigma[1], found.hz_u / 2, found.shape_sigma[3]))
    bounds = cramer_rao(amplitude=1.0, sigma=sigma, n=24_000, rate_hz=96_000.0)
    low, high = scatter_bounds(runs)
    ratio = np.std(seen, axis=0) / np.sqrt(np.mean(np.square(stated), axis=0))
    assert (low < ratio).all()
    assert (ratio < high).all()
    assert np.std(seen, axis=0)[0] / bounds[0] < 2.0
    assert np.std(seen, axis=0)[1] / bounds[1] < 2.1 * high  # what the window costs


def test_the_path_is_divided_out():
    """A high-pass turns the third harmonic against the first, and tilts the tops (measurement of a codec's input)."""
    rng = np.random.default_rng(SEED)
    wave = rig.Wave(40.0, 60.0, rig.clipped(10 ** (-1 / 20), np.inf))
    found = measure(full_band.sampled(wave, rng))
    assert found.tops.overdrive_pos_db == pytest.approx(1.0, abs=0.005)
    assert found.tops.overdrive_neg_db == pytest.approx(0.0, abs=0.005)
    assert found.rms_v == pytest.approx(wave.rms_v, rel=1e-4)
    assert abs(found.peak_neg_v) == pytest.approx(60.0 * (1 + Clipped.by_db(1.0, 0.0).dc), rel=2e-3)


# -- the verdict at high tones -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("hz", [6700.0, 10_000.0, 19_000.0])
def test_above_a_third_of_the_band_the_level_stands_and_the_shape_is_unknown(hz):
    readings = full_band.readings(full_band.sampled(rig.Wave(hz, 60.0), np.random.default_rng(SEED), span_s=0.6))
    assert {(r.verdict, r.reason) for r in readings} == {(Verdict.UNKNOWN, Reason.OUT_OF_BAND)}
    for reading in readings:
        assert reading.rms_v == pytest.approx(60 / math.sqrt(2), rel=5e-4)
        assert reading.can_be_measured
        assert reading.hazard  # 42 V rms
        assert reading.thd_to_hz < 20_001.0


def test_the_band_of_the_thd_is_named():
    """At 5 kHz 1 % in band is 1.61 % in truth (closed form)."""
    wave = Clipped.by_db(0.3475)
    taken, _ = limited(wave, hz=4999.0)
    reading = Judge().update(measure(block(taken)))
    assert (reading.harmonics, reading.thd_to_hz) == (4, pytest.approx(4 * 4999.0))
    assert reading.thd_pct == pytest.approx(100 * wave.thd_to(4), rel=1e-4)


def test_what_bends_the_tops_of_a_high_tone_is_not_called_hum():
    wave = rig.Wave(5000.0, 60.0, full_band.with_thd_in_band(rig.hard, 0.003, 5000.0))
    readings = full_band.readings(full_band.sampled(wave, np.random.default_rng(SEED), span_s=1.6))
    assert {r.reason for r in readings if r.verdict is Verdict.SOFT} == {Reason.TOPS_BEND}
    assert readings[-1].verdict is Verdict.SOFT


# -- made elsewhere ----------------------------------------------------------------------------------------------------


def run(*command):
    done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=120)
    return done.stdout + done.stderr


def clipped_by_scipy(hz, limit, *, rate_hz=96_000.0, times=8):
    """A clip worked out at eight times the rate, then through scipy's own low-pass: sharp to 0.45 of the rate."""
    dense_s = np.arange(round(1.8 * rate_hz) * times) / (rate_hz * times)
    taps = firwin(1023, 0.46 * rate_hz, fs=rate_hz * times)
    volts = lfilter(taps, 1.0, 60 * np.clip(np.sin(2 * np.pi * hz * dense_s), -limit, limit))[::times]
    return np.arange(len(volts) - 200) / rate_hz, volts[200:]


@pytest.mark.parametrize("hz", [1000.0, 3500.0, 5000.0])
@pytest.mark.parametrize("limit", [0.95, 0.9])
def test_clipped_tones_through_scipys_filter_are_flat(hz, limit):
    times_s, volts = clipped_by_scipy(hz, limit)
    readings = full_band.readings(block((times_s, volts, full_band.facts(response=np.ones_like))))
    assert {r.verdict for r in readings if r.time_s > 1.5} == {Verdict.FLAT}
    assert readings[-1].overdrive_db == pytest.approx(-20 * math.log10(limit), abs=0.005)


def test_a_triangle_by_scipy_is_distorted_and_no_top_is_missing():
    """THD_F of a triangle: 12.1153 % (Blagouchine & Moreau 2011, with all harmonics)."""
    times_s = np.arange(96_000) / 96_000.0
    volts = 20 * sawtooth(2 * np.pi * 100 * times_s, width=0.5)
    readings = full_band.readings(block((times_s, volts, full_band.facts(response=np.ones_like))))
    assert readings[-1].thd_pct == pytest.approx(12.1153, abs=2e-3)  # sampled by formula: what folds down is in it
    assert not {r.verdict for r in readings} & full_band.WARNED


@pytest.mark.parametrize("hz", [40, 997, 3500, 5000])
def test_a_tone_of_24_bits_made_by_sox_reaches_the_floor(need, tmp_path, hz):
    path = tmp_path / "tone.wav"
    run(need("sox"), "-n", "-r", "96000", "-b", "24", str(path), "synth", "1", "sine", str(hz), "vol", "0.5")
    rate_hz, codes = wavfile.read(path)
    found = measure(block((np.arange(24_000) / rate_hz, codes[:24_000] / 2.0**31, full_facts(rate_hz=96e3, **FINE))))
    assert found.fit.hz == pytest.approx(hz, rel=1e-7)
    assert found.thd < 1e-4
    assert found.thd_n < 1e-4
    rms_db = float(re.search(r"RMS lev dB\s+(-?[\d.]+)", run("sox", str(path), "-n", "stats")).group(1))
    assert 20 * math.log10(found.rms_v) == pytest.approx(rms_db, abs=0.0051)  # it prints two decimals


@pytest.mark.parametrize("hz", [1000, 3500, 5000])
def test_tones_clipped_by_ffmpeg_at_high_rate_are_flat(need, tmp_path, hz):
    """ffmpeg clips at 768 kS/s and resamples to 96: harmonics above 48 kHz are gone, as behind a converter."""
    path = tmp_path / "clip.wav"
    source = f"aevalsrc=sin(2*PI*{hz}*t):s=768000:d=2"
    filters = "volume=1,asoftclip=type=hard:threshold=0.9,aresample=96000"
    run(need("ffmpeg"), "-v", "error", "-f", "lavfi", "-i", source, "-af", filters, "-c:a", "pcm_f32le", str(path))
    rate_hz, volts = wavfile.read(path)
    assert rate_hz == 96_000
    times_s = np.arange(len(volts)) / rate_hz
    readings = full_band.readings(block((times_s, 60.0 * volts, full_band.facts(response=np.ones_like))))
    assert {r.verdict for r in readings if r.time_s > 1.5} == {Verdict.FLAT}
    assert readings[-1].overdrive_db == pytest.approx(-20 * math.log10(0.9), abs=0.02)


# -- the quick look ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("hz", [20.0, 40.0, 100.0, 1000.0])
@pytest.mark.parametrize("db", [0.5, 3.0])
def test_a_glance_at_even_samples_sees_a_plainly_missing_top(hz, db):
    wave = rig.Wave(hz, 60.0, rig.hard(1 - 10 ** (-db / 20)))
    samples = full_band.sampled(wave, np.random.default_rng(SEED), span_s=max(2.05 / hz, 0.005))
    seen = glance(samples, hz=hz, from_thd=0.01)
    assert seen.tops.overdrive_pos_db == pytest.approx(db, abs=0.05)
    assert seen.tops.overdrive_neg_db == pytest.approx(db, abs=0.05)
    assert seen.unsteady < 0.01


# -- short runs of the figures -----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def runner():
    with rig.Runner(SEED, jobs=1, boards=1) as runner:
        yield runner


@pytest.mark.parametrize(
    ("figure", "trials"),
    [("onset", 24), ("false_flags", 28), ("accuracy", 24), ("scatter", 60), ("overdrive", 28), ("polarity", 100)],
)
def test_figures(figure, trials, runner, capsys):
    rows = full_band.FIGURES[figure](runner, trials)
    with capsys.disabled():
        print()
        rig.table(rows, seed=SEED)
    missed = [f"{row.name}: {row.measured}, target {row.target}" for row in rows if row.ok is False]
    assert not missed, "\n".join(missed)
