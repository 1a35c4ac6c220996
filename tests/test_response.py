"""Where a filter cuts, against responses worked out by scipy and filters made by sox, and by closed form."""

from __future__ import annotations

import json
import math
import subprocess
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image
from scipy import signal
from scipy.io import wavfile

from blocks import bass, bass_facts, block, full_facts
from flattop import response_files
from flattop.__main__ import main
from flattop.errors import RecordingError, SettingsError
from flattop.measure.alignment import (
    NAMED,
    Alignment,
    FilterFit,
    Shape,
    Side,
    Told,
    fit_alignment,
    hz_at,
    level_db,
)
from flattop.measure.response import (
    LAG,
    QUIET_S,
    RATE_PER_HZ,
    Follower,
    Point,
    Stage,
    Sweep,
)
from flattop.samples import Clock, Quality
from flattop.tones import stepped, sweep

B12, B24, L12, L24 = NAMED
HIGH, LOW = Side.HIGH_PASS, Side.LOW_PASS
RATE_HZ = 16_000
KIND = {HIGH: "highpass", LOW: "lowpass"}


def by_scipy(shape, side, corner_hz, hz):
    """Level of an analogue filter by scipy: Butterworth, and Linkwitz-Riley as two of them in cascade.

    The cascade is the definition: S. Linkwitz, J. Audio Eng. Soc. 24(1), 1976 (from memory).
    """
    poles = signal.butter(round(shape.n), 2 * math.pi * corner_hz, KIND[side], analog=True, output="zpk")
    _, response = signal.freqs_zpk(*poles, worN=2 * math.pi * np.asarray(hz))
    return shape.m * 20 * np.log10(np.abs(response))


def octaves(low_hz, high_hz, *, per_octave):
    return low_hz * 2 ** np.arange(0, math.log2(high_hz / low_hz) + 1e-9, 1 / per_octave)


def fitted(curve_db, hz, *, noise_db=0.1, seed=1, sigma_db=None) -> FilterFit:
    noise = noise_db * np.random.default_rng(seed).standard_normal(len(hz))
    return fit_alignment(hz=hz, db=curve_db + noise, sigma_db=np.full(len(hz), sigma_db or max(noise_db, 0.01)))


# -- filters by closed form -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("side", Side)
@pytest.mark.parametrize(
    ("r", "levels"),
    [
        # Closed form, as listed in the handbooks' tables for these two alignments.
        (0.5, (-0.2633, -0.0169, -1.9382, -0.5266)),
        (1.0, (-3.0103, -3.0103, -6.0206, -6.0206)),
        (2.0, (-12.3045, -24.0993, -13.9794, -24.6090)),
        (4.0, (-24.0993, -48.1649, -24.6090, -48.1987)),
    ],
)
def test_levels_are_those_of_the_tables(side, r, levels):
    hz = 80.0 * (r if side is LOW else 1 / r)
    for shape, listed in zip(NAMED, levels, strict=True):
        found = level_db(hz=np.array([hz]), corner_hz=80.0, shape=shape, side=side)
        assert found[0] == pytest.approx(listed, abs=5e-5)


@pytest.mark.parametrize("side", Side)
@pytest.mark.parametrize("shape", NAMED, ids=str)
def test_levels_are_those_of_scipy(side, shape):
    hz = octaves(5, 1000, per_octave=7)
    found = level_db(hz=hz, corner_hz=63.0, shape=shape, side=side)
    assert found == pytest.approx(by_scipy(shape, side, 63.0, hz), abs=1e-6)


@pytest.mark.parametrize(
    ("shape", "down_db", "r"),
    [
        # (1 + r^(2n))^m = 10^(down/10), solved by hand for half and for a quarter of the power.
        (L24, 3.0103, (math.sqrt(2) - 1) ** (1 / 4)),
        (L12, 3.0103, (math.sqrt(2) - 1) ** (1 / 2)),
        (B12, 3.0103, 1.0),
        (B24, 3.0103, 1.0),
        (B12, 6.0206, 3 ** (1 / 4)),
        (B24, 6.0206, 3 ** (1 / 8)),
        (L12, 6.0206, 1.0),
        (L24, 6.0206, 1.0),
    ],
)
def test_the_points_3_and_6_db_down(shape, down_db, r):
    assert hz_at(down_db=down_db, corner_hz=80.0, shape=shape, side=LOW) == pytest.approx(80 * r, rel=1e-5)
    assert hz_at(down_db=down_db, corner_hz=80.0, shape=shape, side=HIGH) == pytest.approx(80 / r, rel=1e-5)


def test_half_power_of_linkwitz_riley_24_lies_at_080224_of_its_corner():
    assert hz_at(down_db=10 * math.log10(2), corner_hz=1.0, shape=L24, side=LOW) == pytest.approx(0.80224, abs=5e-6)


# -- fits -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("shape", NAMED, ids=str)
@pytest.mark.parametrize(("side", "corner_hz"), [(HIGH, 20.0), (LOW, 80.0), (HIGH, 80.0), (LOW, 40.0)])
def test_corner_slope_and_alignment_of_scipys_responses(shape, side, corner_hz):
    hz = octaves(10, 300, per_octave=12)
    truth_db = by_scipy(shape, side, corner_hz, hz)
    for seed in range(12):
        found = fitted(truth_db + 31.0, hz, seed=seed)
        assert found.told is Told.NAMED
        (corner,) = found.corners
        assert (corner.shape, corner.side, corner.slope_db_octave) == (shape, side, shape.slope_db_octave)
        assert corner.corner_hz == pytest.approx(corner_hz, rel=0.01)
        assert found.passband_db == pytest.approx(31.0, abs=0.1)
        half = hz_at(down_db=10 * math.log10(2), corner_hz=corner_hz, shape=shape, side=side)
        assert corner.down_3_hz == pytest.approx(half, rel=0.01)
        # What the curve's own model says at the true corner is within 0.1 dB of what is there.
        there = level_db(hz=np.array([corner_hz]), corner_hz=corner.corner_hz, shape=shape, side=side)
        assert there[0] + found.passband_db - 31.0 == pytest.approx(shape.corner_db, abs=0.1)


@pytest.mark.parametrize(("high", "low"), [(B24, L24), (L24, B12), (B12, B12), (L12, L24), (B24, B24)], ids=str)
def test_both_ends_of_a_band(high, low):
    hz = octaves(10, 300, per_octave=12)
    truth_db = by_scipy(high, HIGH, 20.0, hz) + by_scipy(low, LOW, 80.0, hz)
    told = Counter()
    for seed in range(10):
        found = fitted(truth_db, hz, seed=seed, noise_db=0.05)
        first, second = found.corners
        assert (first.side, second.side) == (HIGH, LOW)
        told[found.told, first.shape, second.shape] += 1
        assert first.down_6_hz == pytest.approx(hz_at(down_db=6.0206, corner_hz=20, shape=high, side=HIGH), rel=0.02)
        assert second.down_6_hz == pytest.approx(hz_at(down_db=6.0206, corner_hz=80, shape=low, side=LOW), rel=0.02)
    assert told[Told.NAMED, high, low] >= 9
    assert all(one[0] is Told.ALIKE for one in told if one != (Told.NAMED, high, low))


def test_stated_uncertainty_covers_the_truth():
    hz = octaves(10, 300, per_octave=12)
    truth_db = by_scipy(L24, LOW, 80.0, hz)
    runs = 200
    off = [
        (corner.corner_hz - 80.0) / corner.corner_u_hz
        for seed in range(runs)
        for corner in fitted(truth_db, hz, seed=seed).corners
    ]
    inside = np.count_nonzero(np.abs(off) < 1) / runs
    # k = 2 of a normal distribution covers 95.4 %; four standard deviations of the count of 200 runs.
    assert 0.954 - 4 * math.sqrt(0.954 * 0.046 / runs) < inside <= 1.0
    # And it is no larger than it must be: the spread is that of the uncertainty, within its own scatter of 5 %.
    assert np.std(off) == pytest.approx(0.5, rel=0.25)


def test_more_noise_than_stated_widens_the_uncertainty():
    hz = octaves(10, 300, per_octave=12)
    truth_db = by_scipy(B24, LOW, 80.0, hz)
    honest = fitted(truth_db, hz, noise_db=0.2).corners[0]
    boasted = fitted(truth_db, hz, noise_db=0.2, sigma_db=0.02).corners[0]
    assert boasted.corner_u_hz > 0.7 * honest.corner_u_hz


def test_two_that_fit_alike_are_not_told_apart():
    # Swept to 2 dB below the -3 dB point only, with noise: 12 and 24 dB/octave have not parted yet.
    hz = octaves(10, 100, per_octave=6)
    found = fitted(by_scipy(L24, LOW, 100.0, hz), hz, noise_db=0.6)
    assert found.told is Told.ALIKE
    (corner,) = found.corners
    assert corner.shape is None
    assert len(corner.rivals) >= 2
    assert corner.corner_hz == corner.down_3_hz
    truth = hz_at(down_db=10 * math.log10(2), corner_hz=100, shape=L24, side=LOW)
    assert corner.down_3_hz == pytest.approx(truth, abs=1.5 * corner.down_3_u_hz)


@pytest.mark.parametrize("order", [1, 3, 6])
@pytest.mark.parametrize("side", Side)
def test_another_slope_is_said_to_be_none_of_the_usual(order, side):
    hz = octaves(10, 640, per_octave=12)
    poles = signal.butter(order, 2 * math.pi * 80, KIND[side], analog=True, output="zpk")
    truth_db = 20 * np.log10(np.abs(signal.freqs_zpk(*poles, worN=2 * math.pi * hz)[1]))
    found = fitted(truth_db, hz, noise_db=0.05)
    assert found.told is Told.OTHER_SLOPE
    (corner,) = found.corners
    assert corner.shape is None
    # 6.02 dB/octave for each order.
    assert corner.slope_db_octave == pytest.approx(order * 20 * math.log10(2), abs=1.0)
    assert corner.down_3_hz == pytest.approx(80.0, rel=0.01)


def test_a_resonance_is_no_filter_of_one_slope():
    hz = octaves(10, 300, per_octave=12)
    poles = signal.cheby1(4, 3.0, 2 * math.pi * 80, "lowpass", analog=True, output="zpk")
    truth_db = 20 * np.log10(np.abs(signal.freqs_zpk(*poles, worN=2 * math.pi * hz)[1]))
    assert fitted(truth_db, hz).told is Told.STRANGE


def test_no_corner_in_the_range_swept():
    hz = octaves(10, 300, per_octave=12)
    assert fitted(np.zeros(len(hz)), hz).told is Told.NO_CORNER
    # 1.2 dB down at the end: a corner may lie beyond, and none is claimed.
    beyond = fitted(by_scipy(B12, LOW, 400.0, hz), hz)
    assert beyond.told is Told.NO_CORNER
    assert beyond.corners == ()


def test_one_corner_in_the_range_and_one_beyond():
    hz = octaves(30, 300, per_octave=12)
    found = fitted(by_scipy(B24, HIGH, 20.0, hz) + by_scipy(L24, LOW, 80.0, hz), hz, noise_db=0.02)
    assert [corner.side for corner in found.corners] == [LOW]
    assert found.corners[0].shape == L24


def test_too_few_points_and_points_that_are_none():
    hz = octaves(10, 300, per_octave=1)
    assert fitted(np.zeros(len(hz)), hz).told is Told.TOO_FEW
    hz = octaves(10, 300, per_octave=12)
    curve = by_scipy(B24, LOW, 80.0, hz)
    curve[3] = math.nan
    assert fitted(curve, hz).corners[0].corner_hz == pytest.approx(80.0, rel=0.01)
    empty = np.empty(0)
    assert fit_alignment(hz=empty, db=empty, sigma_db=empty).told is Told.TOO_FEW


def test_the_order_of_points_does_not_matter():
    hz = octaves(10, 300, per_octave=12)
    curve = by_scipy(L24, LOW, 80.0, hz) + 0.1 * np.random.default_rng(3).standard_normal(len(hz))
    sigma = np.full(len(hz), 0.1)
    shuffled = np.random.default_rng(4).permutation(len(hz))
    one = fit_alignment(hz=hz, db=curve, sigma_db=sigma)
    other = fit_alignment(hz=hz[shuffled], db=curve[shuffled], sigma_db=sigma)
    assert one == other


# -- following a sweep ------------------------------------------------------------------------------------------------


def sections_of(shape, side, corner_hz):
    """A digital filter of scipy; at a hundredth of the rate its corner is where the analogue one's is to 0.04 %."""
    return signal.butter(round(shape.n), corner_hz, KIND[side], fs=RATE_HZ, output="sos")


def filtered(wave, shape, side, corner_hz):
    sections = sections_of(shape, side, corner_hz)
    for _ in range(shape.m):
        wave = signal.sosfilt(sections, wave)
    return wave


def played(track):
    return track.wave(0, track.frames)


def up(length_s=20.0):
    return played(sweep(10, 300, length_s=length_s, dbfs=-10, rate_hz=RATE_HZ))


def taken(wave, *, noise_v=1e-5, seed=1, rate_hz=RATE_HZ):
    noise = noise_v * np.random.default_rng(seed).standard_normal(len(wave))
    return np.arange(len(wave)) / rate_hz, wave + noise, full_facts(rate_hz=rate_hz, noise_v=noise_v)


def followed(behind, before=None, *, into=None, follower=None, step_s=0.05, clock=Clock.EVEN, keep=None):
    """Show a follower the blocks of a run one after another; return the sweep and the last time."""
    into, follower = into or Sweep(), follower or Follower()
    times_s = behind[0]
    now_s = times_s[0] + 0.5

    def last(run):
        if run is None:
            return None
        inside = slice(*np.searchsorted(run[0], [now_s - max(follower.span_s, 0.02), now_s]))
        samples = block((run[0][inside], run[1][inside], run[2]), clock=clock)
        return samples if clock is Clock.EVEN else replace(samples, quality=Quality(math.nan, clock))

    while now_s < times_s[-1]:
        if keep is None or keep(now_s):
            into.extend(follower.look(last(behind), last(before)))
        now_s += step_s
    return into, now_s


def answer(*args, **kwargs):
    found, now_s = followed(*args, **kwargs)
    return found.state(now_s + 2 * QUIET_S)


@pytest.mark.parametrize("shape", NAMED, ids=str)
def test_a_continuous_sweep_through_two_filters(shape):
    wave = filtered(filtered(up(), shape, HIGH, 20.0), shape, LOW, 80.0)
    found = answer(taken(wave))
    assert found.stage is Stage.RESULT
    assert found.fit.told is Told.NAMED
    for side, corner_hz in ((HIGH, 20.0), (LOW, 80.0)):
        assert found.corner(side).shape == shape
        assert found.corner(side).corner_hz == pytest.approx(corner_hz, rel=0.003)
    inside = (found.hz > 12) & (found.hz < 280)
    truth_db = sum(
        shape.m * 20 * np.log10(np.abs(signal.sosfreqz(sections_of(shape, *end), found.hz, fs=RATE_HZ)[1]))
        for end in ((HIGH, 20.0), (LOW, 80.0))
    )
    heard = truth_db > -40.0
    assert found.level_db[inside & heard] == pytest.approx(truth_db[inside & heard], abs=0.1)


def test_a_sweep_that_goes_down_and_one_in_steps():
    for wave in (up()[::-1].copy(), played(stepped(10, 300, 30, dbfs=-10, rate_hz=RATE_HZ))):
        found = answer(taken(filtered(wave, L24, LOW, 80.0)))
        assert found.corner(LOW).shape == L24
        assert found.corner(LOW).corner_hz == pytest.approx(80.0, rel=0.003)


def test_the_level_is_right_where_the_tone_moves_fast():
    # Without its motion in the fit a block of 0.25 s at 200 Hz would lose 0.5 dB of this sweep.
    found = answer(taken(up(10.0)))
    middle = (found.hz > 15) & (found.hz < 280)
    assert np.ptp(found.level_db[middle]) < 0.01


@pytest.mark.parametrize(
    ("length_s", "off"), [(12.0, 0.002), (8.0, 0.004), (6.2, 0.004)], ids=["0.4 oct/s", "0.6 oct/s", "0.79 oct/s"]
)
def test_the_fastest_sweep_allowed_at_20_hz(length_s, off):
    # 0.8 octave a second at 20 Hz is RATE_PER_HZ; figures of tests/figures/response.py.
    for shape in NAMED:
        found = answer(taken(filtered(up(length_s), shape, HIGH, 20.0)), step_s=0.02)
        assert found.corner(HIGH).corner_hz == pytest.approx(20.0, rel=off)
        assert math.log2(30) / length_s <= RATE_PER_HZ * 20.0
        assert not found.too_fast
        assert abs(found.corner(HIGH).corner_hz / 20.0 - 1) < found.lag < LAG


def test_a_sweep_that_is_too_fast_says_so():
    found = answer(taken(filtered(up(2.5), B24, HIGH, 20.0)), step_s=0.02)
    assert found.too_fast


def test_a_reference_takes_out_the_source_and_its_volume():
    source = up()
    source *= np.where(np.arange(len(source)) < 0.55 * len(source), 1.0, 0.4)  # the volume is turned down on the way
    tilted = filtered(source, B12, HIGH, 15.0)  # and the source has a filter of its own
    behind = taken(8.0 * filtered(tilted, L24, LOW, 80.0))
    found = answer(behind, taken(tilted, seed=2))
    assert found.referenced
    assert [corner.side for corner in found.fit.corners] == [LOW]
    assert found.corner(LOW).shape == L24
    assert found.corner(LOW).corner_hz == pytest.approx(80.0, rel=0.003)
    assert found.fit.passband_db == pytest.approx(20 * math.log10(8.0), abs=0.02)


def test_a_step_of_the_volume_without_a_reference_is_evened_out():
    wave = filtered(up(), L24, LOW, 80.0)
    wave *= np.where(np.arange(len(wave)) < 0.45 * len(wave), 1.0, 0.5)  # at 46 Hz
    found = answer(taken(wave))
    assert found.corner(LOW).shape == L24
    assert found.corner(LOW).corner_hz == pytest.approx(80.0, rel=0.01)


def test_gaps_stay_gaps():
    wave = filtered(up(), L24, LOW, 80.0)
    wave[int(7.0 * RATE_HZ) : int(9.5 * RATE_HZ)] = 0.0  # the lead was off
    found = answer(taken(wave))
    assert found.corner(LOW).corner_hz == pytest.approx(80.0, rel=0.005)
    widest = np.max(np.diff(np.log2(found.hz)))
    assert 0.4 < widest < 0.9
    assert np.all(np.isfinite(found.level_db))


def test_a_new_pass_replaces_what_it_passes():
    first = filtered(up(), L24, LOW, 80.0)
    second = 0.5 * filtered(up(), L24, LOW, 63.0)  # the corner was turned down, and so was the volume
    pause = np.zeros(3 * RATE_HZ)
    behind = taken(np.concatenate([first, pause, second]))
    sweep, follower = Sweep(), Follower()
    half = len(first) + len(pause)
    followed(tuple(part[:half] if np.ndim(part) else part for part in behind), into=sweep, follower=follower)
    done = sweep.state(half / RATE_HZ)
    assert done.stage is Stage.RESULT
    assert done.corner(LOW).corner_hz == pytest.approx(80.0, rel=0.003)
    middle = half + 8 * RATE_HZ
    followed(tuple(part[half:middle] if np.ndim(part) else part for part in behind), into=sweep, follower=follower)
    again = sweep.state(middle / RATE_HZ)
    assert again.stage is Stage.AGAIN
    assert again.fit == done.fit
    assert math.isfinite(again.now_hz)
    _, end_s = followed(
        tuple(part[middle:] if np.ndim(part) else part for part in behind), into=sweep, follower=follower
    )
    new = sweep.state(end_s + 2 * QUIET_S)
    assert new.stage is Stage.RESULT
    assert new.corner(LOW).corner_hz == pytest.approx(63.0, rel=0.005)
    assert new.corner(LOW).shape == L24


def test_a_partial_pass_at_another_volume_joins_the_curve():
    whole = Sweep()
    for start_s, volume_db, ends in ((0.0, 0.0, (10, 300)), (60.0, -4.0, (40, 160))):
        hz = octaves(*ends, per_octave=24)
        db = volume_db + level_db(hz=hz, corner_hz=80.0, shape=L24, side=LOW)
        whole.extend(point(start_s + 0.1 * i, hz[i], db[i]) for i in range(len(hz)))
    found = whole.state(100.0)
    assert found.corner(LOW).corner_hz == pytest.approx(80.0, rel=0.002)
    assert found.passes == 2


def point(time_s, hz, db, sigma_db=0.02):
    level_v = 10 ** (db / 20)
    return Point(time_s, hz, 0.0, level_v, level_v * sigma_db / 8.686)


def test_hum_beside_the_sweep_is_not_taken_for_it():
    wave = filtered(up(), B24, HIGH, 80.0)
    # 60 dB below the pass band hum is stronger than the tone below 15 Hz, and before and after it alone is there.
    pause = np.zeros(5 * RATE_HZ)
    wave = np.concatenate([pause, wave, pause])
    times_s = np.arange(len(wave)) / RATE_HZ
    found = answer(taken(wave + 0.0003 * np.sin(2 * np.pi * 50 * times_s)))
    assert found.corner(HIGH).shape == B24
    assert found.corner(HIGH).corner_hz == pytest.approx(80.0, rel=0.01)


def test_nothing_that_stands_still_is_a_sweep():
    times_s = np.arange(10 * RATE_HZ) / RATE_HZ
    found, now_s = followed(taken(np.sin(2 * np.pi * 50 * times_s)))
    assert found.state(now_s).stage is Stage.WAITING
    assert len(found.state(now_s).hz) == 0


def test_through_the_bass_converter():
    """Uneven samples with holes, the front end's fall, codes: the continuous sweep as that converter sees it."""
    wave = played(sweep(10, 300, length_s=30.0, dbfs=0, rate_hz=RATE_HZ))
    wave = 80.0 * filtered(filtered(wave, B24, HIGH, 20.0), L24, LOW, 80.0)
    grid_s = np.arange(len(wave)) / RATE_HZ
    seen = bass(lambda t: np.interp(t, grid_s, wave), span_s=29.5, facts=bass_facts())
    found = answer(seen, clock=Clock.LOCKED)
    assert found.fit.told is Told.NAMED
    assert (found.corner(HIGH).shape, found.corner(LOW).shape) == (B24, L24)
    assert found.corner(HIGH).corner_hz == pytest.approx(20.0, rel=0.005)
    assert found.corner(LOW).corner_hz == pytest.approx(80.0, rel=0.005)


def test_stages_on_the_way():
    wave = filtered(up(), L24, LOW, 80.0)
    sweep = Sweep()
    assert sweep.state(0.0).stage is Stage.WAITING
    _, now_s = followed(taken(wave[: 5 * RATE_HZ]), into=sweep)
    on_the_way = sweep.state(now_s)
    assert on_the_way.stage is Stage.FOLLOWING
    assert on_the_way.now_hz == pytest.approx(10 * 30 ** (5 / 20), rel=0.1)
    assert sweep.state(now_s + 2 * QUIET_S).stage is Stage.CANNOT_TELL
    assert sweep.state(now_s + 2 * QUIET_S).fit.told is Told.NO_CORNER
    sweep.clear()
    assert sweep.state(now_s).stage is Stage.WAITING


def test_points_that_are_no_level_are_refused():
    sweep = Sweep()
    for broken in (point(0.0, 40.0, math.nan), replace(point(0.0, 40.0, 0.0), level_v=0.0), point(0.0, -1.0, 0.0)):
        sweep.add(broken)
    assert len(sweep.state(0.0).hz) == 0


# -- recordings and the command ---------------------------------------------------------------------------------------


@pytest.fixture
def recorded(tmp_path):
    """Return a writer of WAV files, one column for each channel."""

    def write(*channels, name="sweep.wav", rate_hz=RATE_HZ, dtype=np.float32):
        path = tmp_path / name
        data = np.stack(channels, axis=1)
        wavfile.write(path, rate_hz, data.astype(np.float32) if dtype is np.float32 else np.round(data).astype(dtype))
        return path

    return write


def test_table_json_and_picture(recorded, capsys, tmp_path):
    source = up()
    path = recorded(filtered(source, L24, LOW, 80.0), source)
    assert main(["response", str(path), "--reference-channel", "2", "--png", str(tmp_path / "curve.png")]) == 0
    told = capsys.readouterr().out
    assert len(told.splitlines()) <= 8
    assert "low-pass" in told
    assert "24 dB/octave" in told
    assert "Linkwitz-Riley" in told
    assert max(map(len, told.splitlines())) <= 100
    with Image.open(tmp_path / "curve.png") as picture:
        assert picture.size == (960, 600)
    assert main(["response", str(path), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    (corner,) = found["corners"]
    assert corner["corner_hz"] == pytest.approx(80.0, rel=0.003)
    assert corner["down_3_hz"] == pytest.approx(80.0 * 0.80224, rel=0.003)
    assert (corner["alignment"], corner["slope_db_octave"]) == ("Linkwitz-Riley", 24.0)
    assert found["told"] == "alignment named"
    assert len(found["curve"]) > 80


@pytest.mark.parametrize(
    ("effects", "shape"),
    [
        (["lowpass", "-2", "80"], B12),
        (["lowpass", "-2", "80", "lowpass", "-2", "80"], L24),
        (["lowpass", "-1", "80", "lowpass", "-1", "80"], L12),
        # Butterworth of the fourth order is two sections of these Q: 1 / (2 cos(22.5 deg)), 1 / (2 cos(67.5 deg)).
        (["lowpass", "-2", "80", "0.54120q", "lowpass", "-2", "80", "1.30656q"], B24),
    ],
    ids=str,
)
def test_sweeps_and_filters_made_by_sox(need, tmp_path, effects, shape):
    path = tmp_path / "sox.wav"
    made = [need("sox"), "-n", "-r", "8000", "-b", "24", str(path), "synth", "20", "sine", "10/300", "vol", "0.3"]
    subprocess.run([*made, *effects], check=True, timeout=60)
    found = response_files.from_recording(path)
    assert found.corner(LOW).shape == shape
    assert found.corner(LOW).corner_hz == pytest.approx(80.0, rel=0.005)


def refused(path, **kwargs):
    with pytest.raises(RecordingError) as error:
        response_files.from_recording(path, **kwargs)
    return str(error.value)


def test_recordings_without_a_sweep_say_what_is_there(recorded):
    times_s = np.arange(8 * RATE_HZ) / RATE_HZ
    rng = np.random.default_rng(1)
    assert "steady tone of 40.0 Hz" in refused(recorded(0.3 * np.sin(2 * np.pi * 40 * times_s)))
    assert "no single tone" in refused(recorded(0.1 * rng.standard_normal(len(times_s))))
    assert "no single tone" in refused(recorded(np.zeros(len(times_s))))
    assert "at least 2 s" in refused(recorded(up()[:RATE_HZ]))
    narrow = played(sweep(40, 60, length_s=8, dbfs=-10, rate_hz=RATE_HZ))
    assert "0.6 octaves" in refused(recorded(narrow))


def test_music_is_no_sweep(recorded):
    rng = np.random.default_rng(5)
    note_s = np.arange(RATE_HZ // 2) / RATE_HZ
    notes = [
        0.3 * np.exp(-3 * note_s) * np.sin(2 * np.pi * 55 * 2 ** (rng.integers(0, 24) / 12) * note_s) for _ in range(40)
    ]
    assert "music" in refused(recorded(np.concatenate(notes)))


def test_a_clipped_recording_is_refused_and_one_of_full_scale_is_not(recorded):
    wave = up() * 10 ** (10 / 20)
    whole = np.clip(32767 * wave, -32767, 32767)
    found = response_files.from_recording(recorded(whole, dtype=np.int16))
    assert found.fit.told is Told.NO_CORNER
    cut = np.clip(36000 * wave, -32768, 32767)
    assert "clipped" in refused(recorded(cut, dtype=np.int16))


def test_the_reference_must_be_another_channel(recorded):
    path = recorded(up(), up())
    with pytest.raises(SettingsError, match="between two channels"):
        response_files.from_recording(path, channel=1, reference_channel=1)
    assert "channel 3" in refused(path, reference_channel=3)


def test_faults_end_in_a_message_and_exit_code_2(recorded, capsys, tmp_path):
    path = recorded(up())
    assert main(["response", str(tmp_path / "none.wav")]) == 2
    assert main(["response", str(path), "--png", str(tmp_path / "no" / "folder.png")]) == 2
    said = capsys.readouterr().err
    assert "cannot be read" in said
    assert "cannot be written" in said
    assert "Traceback" not in said


def test_a_shape_says_what_it_is():
    assert str(L24) == "Linkwitz-Riley 24 dB/octave"
    assert Shape(Alignment.BUTTERWORTH, 12.0) == B12
