"""Sine fit with harmonics and amplitude drift on uneven times, after IEEE Std 1057.

The model is x(t) = C0 + Re sum_k C_k exp(j k w t) + t Re[D exp(j w t)], with t counted from the middle of the
block. To first order D = (gamma + j delta) C_1: gamma is the relative drift of the amplitude [1/s] and delta the
error of the frequency that was assumed [rad/s], so that one linear solution answers both and a few rounds of it are
the Gauss-Newton search of the four-parameter fit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from flattop.samples import ComplexArray, FloatArray

SEARCH_HARMONICS = 3
"""Harmonics carried while the frequency is searched: enough to keep a clipped wave from pulling it."""
SEARCH_ROUNDS = 4
FEWEST_CYCLES = 1.4
"""Fewer cycles tell the harmonics badly from the drift: no tone is seen in them."""
TOLD_APART_CYCLES = 3.0
"""With samples for so many cycles no hole leaves a part of the cycle unseen."""
CONVERGED = 3e-3
"""Step of the frequency, as phase over the block [rad], that needs no further one.

What it misses by, and what the harmonics not carried pull, the step of the whole fit makes good.
"""
STANDING_SHARE = 0.7
"""A sine with this share of the a.c. power is the strongest line, without looking for others."""
MIN_SAMPLES_PER_UNKNOWN = 1.5
MANY_SAMPLES = 1000
"""From here on evenly spaced samples are summed in closed form where that is possible."""
ON_GRID = 1e-6
"""Steps this close to whole ones, as a share of the shortest, lie on an even grid."""
MISSING_SHARE = 0.25
"""Of the samples of a grid: with more missing it is no longer worked with."""
TURN_STEP = 1e-7
"""A known frequency is rounded to this part of the sample rate, so that the same matrix serves look after look: over
the two cycles of a look its phase is then off by some 3e-5."""


@dataclass(frozen=True, slots=True, eq=False)
class Tone:
    """A sine with harmonics, found in one block.

    harmonics : complex128, shape (h + 1,)
        C_0 (d.c., real) to C_h as seen by the samples [V peak], phases at `middle_s`.
    """

    hz: float
    hz_sigma: float
    """Standard deviation of `hz` from what was left over alone, the host's clock left out [Hz]."""
    middle_s: float
    harmonics: ComplexArray
    drift_per_s: float
    """Relative change of the amplitude [1/s]."""

    @property
    def amplitude(self) -> float:
        """Peak of the fundamental [V]."""
        return float(abs(self.harmonics[1]))


@dataclass(frozen=True, slots=True, eq=False)
class LeftOver:
    """What a tone leaves over of its block."""

    rms_v: float
    """All of it in the band [V]."""
    noise_v: float
    """What of that the converter's own noise explains [V]."""
    sigma: FloatArray
    """Standard deviation of the real and of the imaginary part of each C_k, shape (h + 1,) [V]."""
    freedom: float
    """Independent parts that the noise of C_2..C_h is made of: two for each of them, fewer where holes tie them."""
    unsteady_v: float
    """RMS of what does not repeat from cycle to cycle, the converter's noise taken out [V]."""
    burst: float
    """Share of its energy that falls into one twentieth of the block."""


@dataclass(frozen=True, slots=True, eq=False)
class SineFit(Tone):
    """A tone fitted to samples at any times.

    residual : float64, shape (n,)
        Samples minus model [V].
    """

    residual: FloatArray

    @property
    def residual_rms(self) -> float:
        """RMS of what the model leaves over, for the unknowns it used up [V]."""
        unknowns = 2 * len(self.harmonics) + 2
        left_over = max(len(self.residual) - unknowns, 1)
        return math.sqrt(float(np.dot(self.residual, self.residual)) / left_over)

    @property
    def sigma(self) -> float:
        """Standard deviation of the real and of the imaginary part of one C_k [V]."""
        return self.residual_rms * math.sqrt(2.0 / len(self.residual))


@lru_cache(maxsize=32)
def _hann(n: int) -> FloatArray:
    return np.hanning(n)


def strongest_hz(*, times_s: FloatArray, volts: FloatArray, low_hz: float, high_hz: float) -> tuple[float, float]:
    """Return frequency [Hz] and amplitude [V peak] of the strongest line, to a small part of a bin.

    Times may be uneven: the block is drawn onto an even grid first, which is good enough for a start. The line
    lies between `low_hz` and `high_hz`; (NaN, 0.0) where the block holds no such bin.
    """
    if len(times_s) < 8 or not times_s[-1] > times_s[0]:
        return math.nan, 0.0
    span_s = float(times_s[-1] - times_s[0])
    # The median step keeps to the converter's grid, so that only holes are filled in.
    n = min(round(span_s / float(np.median(np.diff(times_s)))) + 1, 4 * len(times_s))
    even_s = np.linspace(times_s[0], times_s[-1], n)
    window = _hann(n)
    size = 1 << (2 * n - 1).bit_length()
    level = (np.interp(even_s, times_s, volts) - volts.mean()) * window
    magnitude = np.abs(np.fft.rfft(level, size))
    bin_hz = (n - 1) / span_s / size
    first = max(int(low_hz / bin_hz), 1)
    last = min(int(high_hz / bin_hz) + 1, len(magnitude) - 2)
    if last < first:
        return math.nan, 0.0
    peak = first + int(np.argmax(magnitude[first : last + 1]))
    amplitude = 2.0 * float(magnitude[peak]) / float(window.sum())
    left, middle, right = np.log(magnitude[peak - 1 : peak + 2] + 1e-300)
    curve = left - 2.0 * middle + right
    shift = 0.5 * float((left - right) / curve) if curve < 0.0 else 0.0
    return (peak + min(max(shift, -0.5), 0.5)) * bin_hz, amplitude


def _columns(t: FloatArray, w: float, harmonics: int) -> FloatArray:
    """Return the model's columns as rows: 1, cos k w t, sin k w t, t cos w t, t sin w t (t scaled to +-1)."""
    turn = np.empty((harmonics, len(t)), dtype=np.complex128)
    np.exp(1j * w * t, out=turn[0])
    for k in range(1, harmonics):
        np.multiply(turn[k - 1], turn[0], out=turn[k])
    rows = np.empty((2 * harmonics + 3, len(t)))
    rows[0] = 1.0
    rows[1 : harmonics + 1] = turn.real
    rows[harmonics + 1 : 2 * harmonics + 1] = turn.imag
    np.multiply(rows[1], t, out=rows[-2])
    np.multiply(rows[harmonics + 1], t, out=rows[-1])
    rows[-2:] /= max(float(np.max(np.abs(t))), 1e-12)
    return rows


def _solve(t: FloatArray, x: FloatArray, w: float, harmonics: int) -> tuple[ComplexArray, complex, FloatArray]:
    """Return C_0..C_h, D / C_1 [1/s] and the residual of the linear fit at angular frequency `w`."""
    if len(t) >= MANY_SAMPLES and _is_even(t):
        coefficients, d, residual = _solve_even(t, x, w, harmonics)
    else:
        coefficients, d, residual = _solve_uneven(t, x, w, harmonics)
    change = d / coefficients[1] if coefficients[1] != 0 else 0j
    return coefficients, complex(change), residual


def _solve_uneven(t: FloatArray, x: FloatArray, w: float, harmonics: int) -> tuple[ComplexArray, complex, FloatArray]:
    """Return C_0..C_h, D [V/s] and the residual by the normal equations of the model's columns."""
    rows = _columns(t, w, harmonics)
    try:
        found = np.linalg.solve(rows @ rows.T, rows @ x)
    except np.linalg.LinAlgError:
        # Two columns alike (a hole that leaves too little of a cycle): the smallest solution will do.
        found = np.linalg.lstsq(rows.T, x, rcond=None)[0]
    coefficients = np.empty(harmonics + 1, dtype=np.complex128)
    coefficients[0] = found[0]
    coefficients[1:] = found[1 : harmonics + 1] - 1j * found[harmonics + 1 : 2 * harmonics + 1]
    scale = max(float(np.max(np.abs(t))), 1e-12)
    return coefficients, complex(found[-2], -found[-1]) / scale, x - found @ rows


def _is_even(t: FloatArray) -> bool:
    step_s = (t[-1] - t[0]) / (len(t) - 1)
    return bool(np.max(np.abs(t - t[0] - step_s * np.arange(len(t)))) < 1e-4 * step_s)


class _EvenTurns:
    """exp(j k w t) on n even times about their middle, kept as two short factors instead of n x k numbers.

    With i = q p + r the turn of sample i is the product of one that depends on q and one that depends on r, so that
    sums over all samples become two small matrix products.
    """

    def __init__(self, n: int, angle: float, highest: int) -> None:
        self.n, self.p = n, math.isqrt(n) + 1
        self.q = -(-n // self.p)
        k = np.arange(highest + 1)
        self.inner = np.exp(1j * angle * np.outer(np.arange(self.p), k))
        self.outer = np.exp(1j * angle * np.outer(np.arange(self.q) * self.p - 0.5 * (n - 1), k))

    def sums(self, x: FloatArray) -> ComplexArray:
        """Return sum_i x_i exp(-j k w t_i) for every k."""
        padded = np.zeros(self.q * self.p)
        padded[: self.n] = x
        grid = padded.reshape(self.q, self.p)
        inner = grid @ self.inner.real - 1j * (grid @ self.inner.imag)
        return np.asarray((inner * self.outer.conj()).sum(axis=0), dtype=np.complex128)

    def wave(self, coefficients: ComplexArray) -> FloatArray:
        """Return Re sum_k C_k exp(j k w t_i) for every i."""
        outer = self.outer * coefficients
        grid = outer.real @ self.inner.real.T - outer.imag @ self.inner.imag.T
        return np.asarray(grid.ravel()[: self.n], dtype=np.float64)


def _solve_even(t: FloatArray, x: FloatArray, w: float, harmonics: int) -> tuple[ComplexArray, complex, FloatArray]:
    """Return the same as `_solve_uneven` for evenly spaced times.

    About the middle of the block the even columns (1, cos k, t sin) and the odd ones (sin k, t cos) do not mix, and
    their products are sums of cosines in closed form: sum cos(m w t) = sin(m a n / 2) / sin(m a / 2), a the angle
    from one sample to the next.
    """
    n, h = len(t), harmonics
    angle = w * float(t[-1] - t[0]) / (n - 1)
    turns = _EvenTurns(n, angle, max(2, h + 1))
    half = 0.5 * angle * np.arange(2 * h + 1)
    sine = np.sin(half)
    # Where m w reaches a multiple of the sample rate all samples are alike.
    alike = np.abs(sine) < 1e-12
    cosines = np.where(alike, float(n), np.sin(n * half) / np.where(alike, 1.0, sine))
    scale = max(float(np.max(np.abs(t))), 1e-12)
    u = t / scale
    # sum u sin(m w t) for m = 0..h+1, and sum u^2 cos(m w t) for m = 0 and 2.
    t_sines = -turns.sums(u).imag[: h + 2]
    squares = turns.sums(u * u).real
    k = np.arange(1, h + 1)
    minus, plus = cosines[np.abs(k[:, None] - k)], cosines[k[:, None] + k]
    even = np.empty((h + 2, h + 2))
    even[0, 0] = n
    even[0, 1:-1] = even[1:-1, 0] = cosines[k]
    even[1:-1, 1:-1] = 0.5 * (minus + plus)
    even[-1, 0] = even[0, -1] = t_sines[1]
    even[-1, 1:-1] = even[1:-1, -1] = 0.5 * (t_sines[k + 1] - t_sines[k - 1])
    even[-1, -1] = 0.5 * (squares[0] - squares[2])
    odd = np.empty((h + 1, h + 1))
    odd[:-1, :-1] = 0.5 * (minus - plus)
    odd[-1, :-1] = odd[:-1, -1] = 0.5 * (t_sines[k + 1] + t_sines[k - 1])
    odd[-1, -1] = 0.5 * (squares[0] + squares[2])
    seen, seen_u = turns.sums(x), turns.sums(u * x)
    found_even = np.linalg.solve(even, np.concatenate([seen.real[: h + 1], [-seen_u.imag[1]]]))
    found_odd = np.linalg.solve(odd, np.concatenate([-seen.imag[1 : h + 1], [seen_u.real[1]]]))
    coefficients = np.empty(h + 1, dtype=np.complex128)
    coefficients[0] = found_even[0]
    coefficients[1:] = found_even[1:-1] - 1j * found_odd[:-1]
    d = complex(found_odd[-1], -found_even[-1])
    wave = np.zeros(max(2, h + 1) + 1, dtype=np.complex128)
    drift = wave.copy()
    wave[: h + 1] = coefficients
    drift[1] = d
    return coefficients, d / scale, x - turns.wave(wave) - u * turns.wave(drift)


def harmonics_that_fit(*, samples: int, duration_s: float, hz: float, to_hz: float, limit: int) -> int:
    """Return how many harmonics a block can carry: bounded by band, by `limit` and by the number of samples."""
    in_band = int(to_hz / hz + 1e-3)  # `hz` is a coarse value here
    in_samples = int((samples / MIN_SAMPLES_PER_UNKNOWN - 3) / 2)
    in_time = limit if duration_s * hz > 0.95 * FEWEST_CYCLES else 1
    return max(min(in_band, in_samples, in_time, limit), 1)


def fit_standing(*, times_s: FloatArray, volts: FloatArray, known_hz: float, harmonics: int) -> SineFit | None:
    """Fit the four-parameter sine that was at `known_hz` a moment ago, without a search.

    None if it is not there any more, or no longer most of what is there.
    """
    middle_s = 0.5 * float(times_s[0] + times_s[-1])
    t = times_s - middle_s
    span_s = float(times_s[-1] - times_s[0])
    w = 2.0 * math.pi * known_hz
    coefficients, change, residual = _solve(t, volts, w, harmonics)
    if not abs(change.imag) * span_s < CONVERGED:
        return None
    fit = _found(t, span_s, middle_s, w, coefficients, change, residual)
    return fit if 0.5 * fit.amplitude**2 > STANDING_SHARE * float(volts.var()) else None


def fit_sine(*, times_s: FloatArray, volts: FloatArray, near_hz: float, harmonics: int) -> SineFit | None:
    """Fit the four-parameter sine with `harmonics` harmonics, starting at `near_hz`.

    times_s, volts : float64, shape (n,); times may be uneven but must increase.

    None where the search leaves the neighbourhood of `near_hz` (more than 1.5 cycles over the block): there
    is no sine there.

    Source: IEEE Std 1057 (four-parameter least squares); the drift column is ours.
    """
    middle_s = 0.5 * float(times_s[0] + times_s[-1])
    t = times_s - middle_s
    span_s = float(times_s[-1] - times_s[0])
    w = start = 2.0 * math.pi * near_hz
    reach = 2.0 * math.pi * 1.5 / span_s
    for _ in range(SEARCH_ROUNDS):
        _, change, _ = _solve(t, volts, w, min(SEARCH_HARMONICS, harmonics))
        w += change.imag
        if not abs(w - start) < reach or w <= 0.0:
            return None
        # The next step is about the square of this one, and the whole fit takes a step of its own.
        if abs(change.imag) * span_s < CONVERGED:
            break
    coefficients, change, residual = _solve(t, volts, w, harmonics)
    return _found(t, span_s, middle_s, w, coefficients, change, residual)


def _found(
    t: FloatArray,
    span_s: float,
    middle_s: float,
    w: float,
    coefficients: ComplexArray,
    change: complex,
    residual: FloatArray,
) -> SineFit:
    """Return the fit after the last step of the frequency."""
    fit = SineFit((w + change.imag) / (2.0 * math.pi), 0.0, middle_s, coefficients, change.real, residual)
    # Rife & Boorstyn 1974, written for a block of n samples over span_s: sigma_f = sigma sqrt(6/n) / (pi A T).
    hz_sigma = fit.residual_rms * math.sqrt(6.0 / len(t)) / (math.pi * max(fit.amplitude, 1e-12) * span_s)
    return replace(fit, hz_sigma=hz_sigma)


def told_apart(times_s: FloatArray, fit: SineFit) -> tuple[FloatArray, float]:
    """Return how well the samples tell the harmonics apart: variances and the noise's independent parts.

    The first is the variance of each C_k over that of a long block without holes, shape (h + 1,), the mean of its two
    parts; the second is `LeftOver.freedom`. A hole in a block of under two cycles leaves a part of the cycle unseen:
    all harmonics together can put there what they like.
    """
    highest = len(fit.harmonics) - 1
    alike, free = np.ones(highest + 1), max(2.0 * (highest - 1), 1.0)
    if len(times_s) * float(np.median(np.diff(times_s))) * fit.hz >= TOLD_APART_CYCLES:
        return alike, free
    rows = _columns(times_s - fit.middle_s, 2.0 * math.pi * fit.hz, highest)
    try:
        spread = np.linalg.inv(rows @ rows.T) * (0.5 * len(times_s))
    except np.linalg.LinAlgError:
        spread = np.zeros((len(rows), len(rows)))
    if not np.diag(spread).min() > 0.0:  # two columns alike, to all the digits there are
        return alike * len(times_s), 1.0
    cosine, sine = np.diag(spread)[1 : highest + 1], np.diag(spread)[highest + 1 : 2 * highest + 1]
    alike[1:] = 0.5 * (cosine + sine)
    above = np.r_[2 : highest + 1, highest + 2 : 2 * highest + 1]
    among = spread[np.ix_(above, above)]
    # Welch 1947, Satterthwaite 1946: a sum of unlike squares scatters like one of fewer that are alike.
    return alike, float(np.trace(among) ** 2 / np.vdot(among, among)) if len(above) else free


def fit_at(*, times_s: FloatArray, volts: FloatArray, hz: float, harmonics: int) -> SineFit:
    """Fit amplitude, phase, harmonics and drift at a known frequency (three-parameter fit of IEEE Std 1057)."""
    middle_s = 0.5 * float(times_s[0] + times_s[-1])
    places = _places(times_s) if len(times_s) < MANY_SAMPLES else None
    if places is not None:
        step_s = float(times_s[-1] - times_s[0]) / int(places[-1])
        coefficients, d, residual = _looked_through(places, volts, round(hz * step_s / TURN_STEP), harmonics)
        change = d / step_s / coefficients[1] if coefficients[1] != 0 else 0j
    else:
        coefficients, change, residual = _solve(times_s - middle_s, volts, 2.0 * math.pi * hz, harmonics)
    return SineFit(hz, 0.0, middle_s, coefficients, change.real, residual)


def _places(times_s: FloatArray) -> NDArray[np.intp] | None:
    """Return each sample's number on an even grid that some samples are missing from; None where there is no such."""
    steps_s = np.diff(times_s)
    shortest_s = float(steps_s.min())
    if not shortest_s > 0.0:
        return None
    steps = steps_s / shortest_s
    whole = np.rint(steps)
    if not np.abs(steps - whole).max() < ON_GRID or whole.sum() > (1.0 + MISSING_SHARE) * len(steps):
        return None
    return np.concatenate(([0], np.cumsum(whole).astype(np.intp)))


def _looked_through(
    places: NDArray[np.intp], volts: FloatArray, turn: int, harmonics: int
) -> tuple[ComplexArray, complex, FloatArray]:
    """Return C_0..C_h, D for one step of time and the residual of a short block of samples on an even grid.

    places : numbers of the samples on the grid, from 0
    turn : cycles of the fundamental in a step, in units of TURN_STEP
    """
    n = int(places[-1]) + 1
    rows, projection = _projection(n, turn, harmonics)
    x = np.zeros(n)
    x[places] = volts
    found = projection @ x
    if len(places) < n:
        # A missing sample that is just what the fit says there changes nothing of it: one equation for each.
        there = np.zeros(n, dtype=np.bool_)
        there[places] = True
        missing = np.flatnonzero(~there)
        at_missing, pull = rows[:, missing].T, projection[:, missing]
        try:
            told = np.linalg.solve(np.eye(len(missing)) - at_missing @ pull, at_missing @ found)
            found += pull @ told
        except np.linalg.LinAlgError:
            # A hole that leaves too little of a cycle: the smallest solution will do.
            found = np.asarray(np.linalg.lstsq(rows[:, places].T, volts, rcond=None)[0], dtype=np.float64)
    coefficients = np.empty(harmonics + 1, dtype=np.complex128)
    coefficients[0] = found[0]
    coefficients[1:] = found[1 : harmonics + 1] - 1j * found[harmonics + 1 : 2 * harmonics + 1]
    return coefficients, complex(found[-2], -found[-1]) / (0.5 * (n - 1)), volts - (found @ rows)[places]


@lru_cache(maxsize=16)
def _projection(n: int, turn: int, harmonics: int) -> tuple[FloatArray, FloatArray]:
    """Return the model's columns as rows, and the matrix that takes samples to its unknowns."""
    steps = np.arange(n, dtype=np.float64) - 0.5 * (n - 1)
    rows = _columns(steps, 2.0 * math.pi * TURN_STEP * turn, harmonics)
    try:
        projection = np.linalg.solve(rows @ rows.T, rows)
    except np.linalg.LinAlgError:
        projection = np.linalg.pinv(rows.T)
    return rows, np.asarray(projection, dtype=np.float64)
