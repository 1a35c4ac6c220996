"""The sine fit against another least squares, against theory, and against NIST's beam."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import least_squares

from blocks import BASS_RATE_HZ, holed
from flattop.measure.fit import TURN_STEP, fit_at, fit_sine, harmonics_that_fit, strongest_hz, told_apart
from flattop.measure.level import rms_ac
from oracles import (
    LEW,
    LEW_AC_RMS,
    LEW_MEAN,
    LEW_SD,
    LEW_SINE,
    Clipped,
    cramer_rao,
    scatter_bounds,
)


def uneven_times(rng, n):
    """A converter's grid with holes, or no grid at all."""
    if rng.random() < 0.5:
        return np.flatnonzero(holed(rng, n, rate_hz=BASS_RATE_HZ, holes_per_s=12)) / BASS_RATE_HZ
    return np.sort(rng.uniform(0, n / BASS_RATE_HZ, n))


def by_scipy(t, x, hz, harmonics):
    """Fit the same model by scipy's trust region with derivatives by differences: shares no formula with the firmware.

    Returns frequency, relative drift and the complex harmonics 0..h, phases at the middle of the block.
    """
    t = t - (t[0] + t[-1]) / 2
    k = np.arange(1, harmonics + 1)[:, None]

    def misfit(p):
        cos, sin = np.split(p[3:], 2)
        turn = 2 * np.pi * (hz + p[0]) * t * k
        parts = cos[:, None] * np.cos(turn) + sin[:, None] * np.sin(turn)
        return p[2] + parts.sum(axis=0) + p[1] * t * parts[0] - x

    start = np.concatenate([[0.0, 0.0, x.mean()], np.zeros(2 * harmonics)])
    start[3] = start[3 + harmonics] = x.std()
    found = least_squares(misfit, start, x_scale="jac", method="trf", xtol=1e-14, ftol=1e-14, gtol=1e-14)
    cos, sin = np.split(found.x[3:], 2)
    return hz + found.x[0], found.x[1], np.concatenate([[found.x[2]], cos - 1j * sin]), found.fun


def linear(t, x, hz, harmonics):
    """Solve the model at a known frequency by numpy's SVD: returns C_0..C_h, D [V/s] and the residual."""
    t = t - (t[0] + t[-1]) / 2
    turn = 2 * np.pi * hz * np.outer(np.arange(1, harmonics + 1), t)
    columns = np.vstack([np.ones((1, len(t))), np.cos(turn), np.sin(turn), t * np.cos(turn[0]), t * np.sin(turn[0])])
    scale = np.linalg.norm(columns, axis=1)
    found = np.linalg.lstsq((columns / scale[:, None]).T, x, rcond=None)[0] / scale
    cos, sin = found[1 : harmonics + 1], found[harmonics + 1 : -2]
    return np.concatenate([found[:1], cos - 1j * sin]), complex(found[-2], -found[-1]), x - found @ columns


def random_case(seed, even):
    """A wave of seven harmonics with noise and d.c."""
    rng = np.random.default_rng(seed)
    t = np.arange(1200) / 4800.0 if even else uneven_times(rng, 800)
    hz = rng.uniform(18, 90)
    k = np.arange(2, 8)
    wave = Clipped.by_db(rng.uniform(0, 3), rng.uniform(0, 3))
    turn = 2 * np.pi * (hz * t + rng.random())
    x = 50 * (wave.fundamental * np.cos(turn) + wave.harmonic(k) @ np.cos(np.outer(k, turn))) + rng.uniform(-5, 5)
    return rng, t, hz, x + 0.5 * rng.standard_normal(len(t))


EVEN = pytest.mark.parametrize("even", [True, False], ids=["even", "uneven"])


def rounded_hz(hz, rate_hz):
    """Return the frequency that a look takes for `hz`: a short block on a grid is fitted at steps of it."""
    return round(hz / rate_hz / TURN_STEP) * TURN_STEP * rate_hz


@pytest.mark.parametrize("holes", [0, 1, 7, 30])
@pytest.mark.parametrize("seed", range(4))
def test_a_short_block_on_a_grid_with_holes_is_fitted_by_what_is_there(seed, holes):
    rng = np.random.default_rng([seed, holes])
    hz, there = rounded_hz(rng.uniform(38, 62), BASS_RATE_HZ), np.ones(166, dtype=bool)
    there[1 + rng.choice(164, holes, replace=False)] = False
    t = 7.0 + np.flatnonzero(there) / BASS_RATE_HZ
    x = (40.0 + 30.0 * (t - 7.0)) * np.cos(2 * np.pi * hz * t + seed) + rng.standard_normal(len(t))
    fit = fit_at(times_s=t, volts=x, hz=hz, harmonics=9)
    harmonics, drift, residual = linear(t, x, hz, 9)
    assert np.abs(fit.harmonics - harmonics).max() < 1e-6 * abs(harmonics[1])
    assert fit.drift_per_s == pytest.approx((drift / harmonics[1]).real, rel=1e-5)
    assert np.abs(fit.residual - residual).max() < 1e-5
    assert len(fit.residual) == len(t)


def test_what_rounding_the_frequency_does_to_a_look_is_far_below_a_code():
    t = np.arange(166) / BASS_RATE_HZ
    hz = rounded_hz(40.0, BASS_RATE_HZ) + 0.5 * TURN_STEP * BASS_RATE_HZ
    fit = fit_at(times_s=t, volts=2047.0 * np.cos(2 * np.pi * hz * t), hz=hz, harmonics=9)
    assert np.abs(fit.harmonics[[0, *range(2, 10)]]).max() < 0.05
    assert abs(fit.harmonics[1]) == pytest.approx(2047.0, abs=0.05)


@pytest.mark.parametrize("t", [np.zeros(40), np.repeat(np.arange(20.0), 2) / 3300.0, np.arange(40.0)[::-1]])
def test_times_that_stand_still_or_run_backwards_are_no_grid(t):
    assert np.isfinite(fit_at(times_s=t, volts=np.cos(0.1 * np.arange(40)), hz=40.0, harmonics=3).harmonics).all()


@pytest.mark.parametrize("seed", range(8))
@EVEN
def test_at_a_known_frequency_the_fit_is_the_linear_least_squares_solution(seed, even):
    rng, t, hz, x = random_case(seed, even)
    x = x * (1 + rng.uniform(-0.5, 0.5) * t)
    hz = rounded_hz(hz, BASS_RATE_HZ)
    fit = fit_at(times_s=t, volts=x, hz=hz, harmonics=7)
    harmonics, drift, residual = linear(t, x, hz, 7)
    assert np.abs(fit.harmonics - harmonics).max() < 1e-8 * abs(harmonics[1])
    assert fit.drift_per_s == pytest.approx((drift / harmonics[1]).real, abs=1e-7)
    assert np.abs(fit.residual - residual).max() < 1e-7
    assert fit.hz == hz


@pytest.mark.parametrize("seed", range(8))
@EVEN
def test_the_frequency_found_is_the_one_at_which_nothing_turns(seed, even):
    """Where the frequency is right the fundamental does not turn against the model from start to end."""
    rng, t, hz, x = random_case(seed, even)
    x = x * (1 + rng.uniform(-0.5, 0.5) * t)
    fit = fit_sine(times_s=t, volts=x, near_hz=hz * rng.uniform(0.99, 1.01), harmonics=7)
    harmonics, drift, residual = linear(t, x, fit.hz, 7)
    off_hz = (drift / harmonics[1]).imag / (2 * np.pi)
    # The last round carries all seven harmonics but is the only one that does: a part of a deviation stays.
    assert abs(off_hz) < 0.2 * fit.hz_sigma
    assert np.abs(fit.harmonics - harmonics).max() < 0.2 * fit.sigma
    assert np.dot(fit.residual, fit.residual) == pytest.approx(np.dot(residual, residual), abs=6 * fit.residual_rms**2)


@pytest.mark.parametrize("seed", range(8))
@EVEN
def test_the_fit_agrees_with_an_independent_nonlinear_least_squares(seed, even):
    rng, t, hz, x = random_case(seed, even)
    fit = fit_sine(times_s=t, volts=x, near_hz=hz * rng.uniform(0.99, 1.01), harmonics=7)
    hz_scipy, drift_scipy, harmonics, residual = by_scipy(t, x, hz, 7)
    # scipy's also takes the frequency from the harmonics, each by the square of its number; the firmware's from the
    # fundamental alone. The difference of an efficient and another estimator has the difference of their variances.
    k = np.arange(len(harmonics))
    more = float(np.sum((k * np.abs(harmonics))[2:] ** 2) / abs(harmonics[1]) ** 2)
    apart = 0.2 + 3.5 * math.sqrt(more / (1 + more))
    assert fit.hz == pytest.approx(hz_scipy, abs=apart * fit.hz_sigma)
    assert np.abs(fit.harmonics - harmonics).max() < (0.2 + apart) * fit.sigma
    drift_sigma = math.sqrt(12) * fit.sigma / fit.amplitude / (t[-1] - t[0])
    assert fit.drift_per_s == pytest.approx(drift_scipy, abs=0.2 * drift_sigma)
    # One deviation in one unknown is one residual variance in the sum of squares; there are 18 unknowns.
    assert np.dot(fit.residual, fit.residual) == pytest.approx(
        np.dot(residual, residual), abs=(6 + apart**2) * fit.residual_rms**2
    )


def test_a_pure_tone_comes_back_exactly():
    """No noise, so nothing may be left but rounding: an error of the model itself would show here."""
    t = np.sort(np.random.default_rng(5).uniform(0, 0.25, 700))
    wave = 3.0 + 20.0 * np.cos(2 * np.pi * 41.3 * (t - 0.1)) + 0.5 * np.sin(2 * np.pi * 3 * 41.3 * (t - 0.1))
    fit = fit_sine(times_s=t, volts=wave, near_hz=41.0, harmonics=6)
    turn = 2 * np.pi * 41.3 * (fit.middle_s - 0.1)
    expected = np.array([3.0, 20 * np.exp(1j * turn), 0, -0.5j * np.exp(3j * turn), 0, 0, 0])
    assert fit.hz == pytest.approx(41.3, rel=1e-9)
    assert np.abs(fit.harmonics - expected).max() < 1e-6
    assert np.abs(fit.residual).max() < 1e-6
    assert fit.drift_per_s == pytest.approx(0, abs=1e-6)
    assert fit.amplitude == pytest.approx(20.0, rel=1e-8)


@pytest.mark.parametrize("n", [999, 1000, 1001, 4800])
def test_even_times_are_solved_alike_by_both_ways(n):
    """From 1000 even samples on sums come in closed form; a jitter of 1e-3 steps sends them the other way."""
    rng = np.random.default_rng(n)
    t = np.arange(n) / 48_000.0
    x = 10 * Clipped.by_db(1.0)(1000 * t) + 0.01 * rng.standard_normal(n)
    jittered = t + 1e-3 / 48_000.0 * rng.uniform(-1, 1, n) * (np.arange(n) % (n - 1) > 0)
    a = fit_sine(times_s=t, volts=x, near_hz=1000.4, harmonics=9)
    b = fit_sine(times_s=jittered, volts=x, near_hz=1000.4, harmonics=9)
    # Jitter of 1e-3 steps is 1.3e-4 rad a sample (uniform: 7.6e-5 rms), averaged over n, and more on harmonic 9.
    assert np.abs(a.harmonics - b.harmonics).max() < 10 * 9 * 8e-5 * 4 * math.sqrt(2 / n)
    assert a.hz == pytest.approx(b.hz, rel=1e-5)


def test_the_drift_of_a_ramp_is_found_and_does_not_look_like_distortion():
    t = np.arange(800) / 3200.0
    x = (1 + 0.2 * (t - t.mean())) * 40 * np.cos(2 * np.pi * 40 * t)
    fit = fit_sine(times_s=t, volts=x, near_hz=40.2, harmonics=8)
    assert fit.drift_per_s == pytest.approx(0.2, rel=1e-3)
    assert np.abs(fit.harmonics[2:]).max() < 1e-5 * 40


RUNS = 500


@pytest.fixture(scope="module")
def noisy_fits():
    """The example of check-values: A 1, sigma 0.02, 1600 samples at 8000/s."""
    rng = np.random.default_rng(1974)
    t = np.arange(1600) / 8000.0
    fits = []
    for _ in range(RUNS):
        hz = rng.uniform(95, 105)
        x = 0.25 + np.cos(2 * np.pi * (hz * t + rng.random())) + 0.02 * rng.standard_normal(1600)
        fits.append((hz, fit_sine(times_s=t, volts=x, near_hz=hz + rng.uniform(-1, 1), harmonics=1)))
    return fits


def test_the_bound_is_that_of_the_worked_example():
    bound = cramer_rao(amplitude=1.0, sigma=0.02, n=1600, rate_hz=8000)
    assert bound == pytest.approx((7.071e-4, 1.949e-3, 5.00e-4), rel=1e-3)  # Rife & Boorstyn 1974, computed


def test_amplitude_frequency_and_mean_scatter_as_the_cramer_rao_bound_says(noisy_fits):
    amplitude, frequency, mean = cramer_rao(amplitude=1.0, sigma=0.02, n=1600, rate_hz=8000)
    low, high = scatter_bounds(RUNS)
    for bound, errors in (
        (amplitude, [fit.amplitude - 1.0 for _, fit in noisy_fits]),
        (frequency, [fit.hz - hz for hz, fit in noisy_fits]),
        (mean, [fit.harmonics[0].real - 0.25 for _, fit in noisy_fits]),
    ):
        assert low < np.std(errors) / bound < high
        assert abs(np.mean(errors)) < 4 * bound / math.sqrt(RUNS)


def test_the_stated_deviations_are_those_of_the_scatter(noisy_fits):
    low, high = scatter_bounds(RUNS)
    stated_hz = np.mean([fit.hz_sigma for _, fit in noisy_fits])
    assert low < np.std([fit.hz - hz for hz, fit in noisy_fits]) / stated_hz < high
    assert low < np.std([fit.amplitude for _, fit in noisy_fits]) / np.mean([f.sigma for _, f in noisy_fits]) < high
    assert np.mean([fit.residual_rms for _, fit in noisy_fits]) == pytest.approx(
        0.02, rel=4 / math.sqrt(2 * 1600 * RUNS)
    )


def test_the_stated_deviations_hold_on_uneven_times_with_harmonics():
    rng = np.random.default_rng(7)
    wave = Clipped.by_db(1.0, 0.3)
    seen, stated, bounds = [], [], []
    for _ in range(RUNS):
        t = np.flatnonzero(holed(rng, 800, rate_hz=BASS_RATE_HZ, holes_per_s=6)) / BASS_RATE_HZ
        hz, phase = rng.uniform(38, 44), rng.random()
        k = np.arange(2, 13)
        turn = 2 * np.pi * (hz * t + phase)
        x = wave.fundamental * np.cos(turn) + wave.harmonic(k) @ np.cos(np.outer(k, turn))
        fit = fit_sine(times_s=t, volts=x + 0.003 * rng.standard_normal(len(t)), near_hz=hz, harmonics=12)
        seen.append((fit.hz - hz, abs(fit.harmonics[3]) - abs(wave.harmonic(3))))
        stated.append((fit.hz_sigma, fit.sigma))
        bounds.append(cramer_rao(amplitude=wave.fundamental, sigma=0.003, n=len(t), rate_hz=len(t) / (t[-1] - t[0])))
    ratio = np.std(seen, axis=0) / np.mean(stated, axis=0)
    # Holes and the other columns cost a few per cent that the stated figure leaves out.
    low, high = scatter_bounds(RUNS)
    assert (low < ratio).all()
    assert (ratio < high + 0.08).all()
    assert low < np.std([hz for hz, _ in seen]) / np.mean([f for _, f, _ in bounds]) < high + 0.08


@pytest.mark.parametrize("hz", [12.0, 40.0, 41.37, 80.0, 299.0, 1000.0])
def test_the_strongest_line_is_a_good_start(hz):
    rng = np.random.default_rng(3)
    t = np.flatnonzero(holed(rng, 800, rate_hz=BASS_RATE_HZ)) / BASS_RATE_HZ
    x = 2.0 + 30 * np.cos(2 * np.pi * hz * t) + 3 * np.cos(2 * np.pi * 3 * hz * t)
    found_hz, found_v = strongest_hz(times_s=t, volts=x, low_hz=8, high_hz=0.49 * BASS_RATE_HZ)
    # Half a cycle over the block is what the search that follows can take (a bin of 4 Hz is a whole one).
    assert found_hz == pytest.approx(hz, abs=2.0 if hz < 20 else 0.3)
    assert found_v == pytest.approx(30, rel=0.2)


def test_no_line_is_found_where_there_is_none_to_find():
    t = np.arange(5) / 1000.0
    assert math.isnan(strongest_hz(times_s=t, volts=np.cos(t), low_hz=10, high_hz=400)[0])
    t = np.arange(100) / 1000.0
    assert math.isnan(strongest_hz(times_s=t, volts=np.cos(t), low_hz=400, high_hz=10)[0])


def test_a_fit_that_runs_away_is_none():
    t = np.arange(800) / 3200.0
    assert fit_sine(times_s=t, volts=np.cos(2 * np.pi * 60 * t), near_hz=40.0, harmonics=3) is None


@pytest.mark.parametrize(
    ("samples", "duration_s", "hz", "to_hz", "limit", "expected"),
    [
        (825, 0.25, 40.0, 1320.0, 40, 33),  # the band ends first: 33 x 40 Hz
        (825, 0.25, 80.0, 1320.0, 16, 16),  # 16.5 in the band
        (825, 0.25, 40.0, 1320.0, 16, 16),  # the bound
        (48, 0.25, 40.0, 1320.0, 16, 14),  # 32 unknowns for 48 samples: 1 + 2 x 14 + 2 = 31
        (825, 0.25, 5.0, 1320.0, 16, 1),  # 1.25 cycles
        (825, 0.25, 440.0, 1320.0, 16, 3),  # right on the edge of the band
        (825, 0.25, 2000.0, 1320.0, 16, 1),
    ],
)
def test_harmonics_are_bounded_by_band_samples_and_time(samples, duration_s, hz, to_hz, limit, expected):
    assert harmonics_that_fit(samples=samples, duration_s=duration_s, hz=hz, to_hz=to_hz, limit=limit) == expected


# -- NIST StRD Lew: 200 real samples ---------------------------------------------------------------------------------


def test_the_data_are_those_that_nist_certified():
    assert len(LEW) == 200
    assert LEW.mean() == pytest.approx(LEW_MEAN, rel=1e-14)
    assert LEW.std(ddof=1) == pytest.approx(LEW_SD, rel=1e-14)


def test_ac_rms_of_lew():
    assert rms_ac(LEW) == pytest.approx(LEW_AC_RMS, rel=1e-11)
    # The mean square of all is that of the a.c. part and of the mean (total RMS by the same certified values).
    assert math.hypot(rms_ac(LEW), LEW_MEAN) == pytest.approx(328.651403466, rel=1e-11)


def test_the_sine_of_lew_is_the_least_squares_one():
    t = np.arange(200.0)
    fit = fit_sine(times_s=t, volts=LEW, near_hz=0.302, harmonics=1)
    hz, drift, _, residual = by_scipy(t, LEW, 0.302, 1)
    # The listed sine has no drift; the least-squares one with it explains more, as it must.
    assert np.dot(residual, residual) < np.dot(fit.residual, fit.residual) * 1.001
    assert np.std(fit.residual) < LEW_SINE["residual_sd"]
    # Among outliers as large as these the ways to weigh them part by up to a deviation of what each is known to.
    assert fit.hz == pytest.approx(hz, abs=fit.hz_sigma)
    assert fit.drift_per_s == pytest.approx(drift, abs=0.2 * math.sqrt(12) * fit.sigma / fit.amplitude / 199)
    assert fit.hz == pytest.approx(LEW_SINE["hz"], abs=0.1 * fit.hz_sigma)
    assert fit.amplitude == pytest.approx(LEW_SINE["amplitude"], abs=0.05 * fit.sigma)
    assert fit.harmonics[0].real == pytest.approx(LEW_SINE["mean"], abs=0.05 * fit.sigma)


def test_the_listed_sine_of_lew_follows_from_the_fit_at_its_frequency():
    """Take the drift out of the data and what is left is the plain sine of the list, to all its digits."""
    t = np.arange(200.0)
    plain = linear_without_drift(t, LEW, LEW_SINE["hz"])
    fit = fit_at(times_s=t, volts=plain, hz=LEW_SINE["hz"], harmonics=1)
    assert fit.amplitude == pytest.approx(LEW_SINE["amplitude"], abs=2e-4)
    assert fit.harmonics[0].real == pytest.approx(LEW_SINE["mean"], abs=2e-4)
    assert fit.drift_per_s == pytest.approx(0, abs=1e-9)
    left_over = LEW - (plain - fit.residual)
    assert math.sqrt(np.dot(left_over, left_over) / (200 - 4)) == pytest.approx(LEW_SINE["residual_sd"], abs=2e-4)


def linear_without_drift(t, x, hz):
    """Return the least-squares sine with d.c. at a known frequency, as values: numpy alone."""
    columns = np.array([np.ones_like(t), np.cos(2 * np.pi * hz * t), np.sin(2 * np.pi * hz * t)])
    return np.linalg.lstsq(columns.T, x, rcond=None)[0] @ columns


@pytest.mark.parametrize("hole", [0.1, 0.3, 0.5, 0.62])
def test_variances_stay_numbers_whatever_a_hole_hides(hole):
    t = np.arange(240) / 3231.0
    hz = 1.6 / t[-1]
    kept = np.abs(t * hz - 0.8) > 0.5 * hole
    fit = fit_sine(times_s=t[kept], volts=np.cos(2 * np.pi * hz * t[kept]), near_hz=hz, harmonics=16)
    variances, freedom = told_apart(t[kept], fit)
    assert (variances[1:] > 2.0).all()
    assert np.isfinite(variances).all()
    assert 1.0 <= freedom <= 30.0
