"""Filter alignments: what Butterworth and Linkwitz-Riley filters do to a level, and which of them a curve shows.

With r = f / f_c for a low-pass and f_c / f for a high-pass every filter here has the power gain (1 + r^(2n))^-m:
Butterworth of order n with m = 1, and Linkwitz-Riley as two Butterworth filters of order n in cascade with m = 2
(S. Linkwitz, "Active crossover networks for noncoincident drivers", J. Audio Eng. Soc. 24(1), 1976; from memory). So
the corner f_c lies at -3.01 dB of a Butterworth filter, at -6.02 dB of a Linkwitz-Riley one.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from flattop.samples import FloatArray

OCTAVE_DB = 20.0 * math.log10(2.0)
"""What one order falls by in an octave, far from the corner [dB]."""
HALF_POWER_DB = 10.0 * math.log10(2.0)
COVERAGE = 2.0
"""Coverage factor of every expanded uncertainty (JCGM 100:2008)."""
FEWEST_POINTS = 8
SURE = 0.99
"""An alignment is named from this weight among all that were tried."""
RIVAL = 0.01
"""Below this weight an alignment is out of the question."""
FLOOR_DB = 0.01
"""No level is taken to be better known than this [dB]."""
MISFIT_DB = 0.25
"""A named alignment fits if it leaves less than this beyond the noise, rms [dB]."""
STRANGE_DB = 0.6
"""From here on not even a filter of any slope is meant by the curve [dB]."""
DEEPEST_DB = 45.0
"""Levels further below the highest than this carry hum and noise, not the filter."""
STRAY, STRAY_SHARE = 5.0, 0.1
"""A point this many standard deviations off is left out, if no more than this share of them is."""
ROUNDS, FEWEST_ROUNDS = 30, 8
HOPELESS = 60.0
"""A candidate whose chi-square is behind by so much of the best one's mean needs no further round."""
SETTLED = 1e-3
"""A candidate is fitted when its chi-square changes by less than this and a ten-thousandth of itself."""
STUCK = 1e2
"""Damping at which no step of a candidate is a better one."""
FARTHEST = 1.5
"""How far beyond the curve a corner is looked for [logarithm of frequency]."""


class Alignment(StrEnum):
    """How a filter goes over from passing to cutting."""

    BUTTERWORTH = "Butterworth"
    LINKWITZ_RILEY = "Linkwitz-Riley"


class Side(StrEnum):
    """What a filter takes away: what lies below its corner, or above it."""

    HIGH_PASS = "high-pass"
    LOW_PASS = "low-pass"


@dataclass(frozen=True, slots=True)
class Shape:
    """An alignment with its slope far from the corner [dB/octave, a multiple of 6 for a named one]."""

    alignment: Alignment
    slope_db_octave: float

    @property
    def m(self) -> int:
        """How many equal filters stand in cascade."""
        return 2 if self.alignment is Alignment.LINKWITZ_RILEY else 1

    @property
    def n(self) -> float:
        """Order of each of them."""
        return self.slope_db_octave / 6.0 / self.m

    @property
    def corner_db(self) -> float:
        """Level at the corner [dB]: -3.01 or -6.02."""
        return -self.m * HALF_POWER_DB

    def __str__(self) -> str:
        return f"{self.alignment} {self.slope_db_octave:.0f} dB/octave"


NAMED = tuple(Shape(alignment, slope) for alignment in Alignment for slope in (12.0, 24.0))


def level_db(*, hz: FloatArray, corner_hz: float, shape: Shape, side: Side) -> FloatArray:
    """Return the level of a filter against its pass band [dB]; any shape of `hz`."""
    sign = 1.0 if side is Side.LOW_PASS else -1.0
    power = 2.0 * shape.n * sign * np.log(np.asarray(hz) / corner_hz)
    return np.asarray(-shape.m * 10.0 / math.log(10.0) * np.logaddexp(0.0, power))


def hz_at(*, down_db: float, corner_hz: float, shape: Shape, side: Side) -> float:
    """Return where a filter has fallen by `down_db` [Hz], from (1 + r^(2n))^m = 10^(down_db / 10).

    A Linkwitz-Riley low-pass of 24 dB/octave is at -3.01 dB at (sqrt(2) - 1)^(1/4) = 0.80224 of its corner.
    """
    r: float = math.expm1(down_db / 10.0 * math.log(10.0) / shape.m) ** (0.5 / shape.n)
    return corner_hz * (r if side is Side.LOW_PASS else 1.0 / r)


class Told(StrEnum):
    """What a curve says of the filter behind it."""

    NAMED = "alignment named"
    ALIKE = "cannot tell: two alignments fit alike"
    OTHER_SLOPE = "no named alignment: another slope"
    STRANGE = "no filter of one slope: a resonance, or the level moved"
    NO_CORNER = "no corner in the range swept"
    TOO_FEW = "too few points"


@dataclass(frozen=True, slots=True)
class Corner:
    """One end of the pass band. Uncertainties are expanded, k = 2.

    shape : None where no alignment can be named
    slope_db_octave : of the alignment, or of the filter of any slope that fits best; NaN where that is open as well
    corner_hz : where the alignment has its corner; the -3 dB point where none can be named
    rivals : the alignments that cannot be told apart, the likeliest first; one where it is named
    """

    side: Side
    shape: Shape | None
    slope_db_octave: float
    slope_u_db_octave: float
    corner_hz: float
    corner_u_hz: float
    down_3_hz: float
    down_3_u_hz: float
    down_6_hz: float
    down_6_u_hz: float
    rivals: tuple[Shape, ...] = ()


@dataclass(frozen=True, slots=True)
class FilterFit:
    """What a curve of level against frequency says of the filter.

    corners : none, one, or the high-pass and the low-pass of a band
    passband_db : level of the pass band in the curve's own decibels
    rms_db : what the best filter leaves over, noise included
    odds : weight of what is named among all that was tried, 0 to 1
    """

    told: Told
    corners: tuple[Corner, ...] = ()
    passband_db: float = math.nan
    passband_u_db: float = math.nan
    rms_db: float = math.nan
    odds: float = 0.0
    points: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class _Fitted:
    """Filters of many shapes, each fitted to the same points; arrays of c candidates.

    shapes : for each candidate the shape of its high-pass and of its low-pass, None for a side it has not
    p : pass band [dB], logarithm of the high-pass and of the low-pass corner; shape (c, 3)
    """

    shapes: tuple[tuple[Shape | None, Shape | None], ...]
    p: FloatArray
    chi2: FloatArray
    covariance: FloatArray

    def unknowns(self) -> NDArray[np.intp]:
        return np.array([1 + sum(side is not None for side in pair) for pair in self.shapes])


_SIDES = (Side.HIGH_PASS, Side.LOW_PASS)


def _fit(
    x: FloatArray,
    y: FloatArray,
    weight: FloatArray,
    start: FloatArray,
    shapes: Sequence[tuple[Shape | None, Shape | None]],
) -> _Fitted:
    """Fit every pair of shapes by damped least squares (Levenberg-Marquardt), all candidates at once.

    x, y, weight : logarithm of frequency, level [dB] and its inverse standard deviation; shape (n,)
    """
    m = np.array([[float(side.m) if side else 0.0 for side in pair] for pair in shapes]).T[:, :, None]
    n = np.array([[side.n if side else 1.0 for side in pair] for pair in shapes]).T[:, :, None]
    absent = np.array([[False, *(side is None for side in pair)] for pair in shapes])

    def model(p: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return weighted residuals, shape (c, n), and their slopes along p, shape (c, 3, n)."""
        power = 2.0 * n * np.stack([p[:, 1, None] - x, x - p[:, 2, None]])
        fall = m * 10.0 / math.log(10.0) * np.logaddexp(0.0, power)
        slope = m * n * 20.0 / math.log(10.0) / (1.0 + np.exp(-np.clip(power, -500.0, 500.0)))
        residual = (y - (p[:, 0, None] - fall[0] - fall[1])) * weight
        along = np.stack([np.ones_like(residual), -slope[0], slope[1]], axis=1) * weight
        return residual, along

    count = len(shapes)
    p = np.tile(start, (count, 1))
    damping = np.full(count, 1e-2)
    residual, along = model(p)
    chi2 = np.einsum("cn,cn->c", residual, residual)
    identity = np.eye(3)
    for turn in range(ROUNDS):
        normal = np.einsum("cin,cjn->cij", along, along) + absent[:, :, None] * identity
        diagonal = np.einsum("cii->ci", normal)
        damped = normal + damping[:, None, None] * identity * (diagonal + 1e-9)[:, None, :]
        step = np.linalg.solve(damped, np.einsum("cin,cn->ci", along, residual)[:, :, None])[:, :, 0]
        step[:, 1:] = np.clip(step[:, 1:], -0.7, 0.7)
        trial = p + step
        trial[:, 1:] = np.clip(trial[:, 1:], x[0] - FARTHEST, x[-1] + FARTHEST)
        trial_residual, trial_along = model(trial)
        trial_chi2 = np.einsum("cn,cn->c", trial_residual, trial_residual)
        better = trial_chi2 <= chi2
        settled = (np.abs(trial_chi2 - chi2) < SETTLED + 1e-4 * chi2) | (damping > STUCK)
        p = np.where(better[:, None], trial, p)
        residual = np.where(better[:, None], trial_residual, residual)
        along = np.where(better[:, None, None], trial_along, along)
        chi2 = np.where(better, trial_chi2, chi2)
        damping = np.clip(np.where(better, damping * 0.2, damping * 10.0), 1e-9, 1e6)
        # What is far behind after some rounds has no weight, wherever it ends.
        behind = chi2 - chi2.min() > HOPELESS * max(float(chi2.min()) / len(x), 1.0)
        if np.all(settled | behind if turn >= FEWEST_ROUNDS else settled):
            break
    normal = np.einsum("cin,cjn->cij", along, along) + (absent[:, :, None] + 1e-6) * identity
    return _Fitted(tuple(shapes), p, chi2, np.linalg.inv(normal))


def _crossings(x: FloatArray, y: FloatArray) -> FloatArray:
    """Return a first guess: pass band, and where the level is 3 dB below it on either side of its highest."""
    smooth = np.convolve(np.pad(y, 1, mode="edge"), [0.25, 0.5, 0.25], mode="valid")
    top = int(np.argmax(smooth))
    passband = float(smooth[top])
    below = np.flatnonzero(smooth < passband - HALF_POWER_DB)
    left, right = below[below < top], below[below > top]
    return np.array([passband, x[left[-1]] if left.size else x[0], x[right[0]] if right.size else x[-1]])


def fit_alignment(*, hz: FloatArray, db: FloatArray, sigma_db: FloatArray) -> FilterFit:
    """Find the filter behind a curve: its corner or corners, slope and alignment.

    hz : float64, shape (n,), in any order
    db, sigma_db : float64, shape (n,), level against any reference and its standard deviation [dB]

    Butterworth and Linkwitz-Riley of 12 and 24 dB/octave, as high-pass, low-pass and both, and no filter at all, are
    fitted by least squares with the pass band free; each is weighted by exp(-(chi-square + k ln n) / 2) for k unknowns
    (Schwarz, Ann. Statist. 6(2), 1978). Where the best leaves more than the stated noise, all of them are taken to be
    that much noisier. What cannot be told apart is named by none, and its uncertainty spans all that fit.
    """
    order = np.argsort(hz)
    good = order[np.isfinite(db[order]) & np.isfinite(sigma_db[order]) & (hz[order] > 0.0)]
    if good.size:
        good = good[db[good] > np.max(db[good]) - DEEPEST_DB]
    if good.size < FEWEST_POINTS:
        return FilterFit(Told.TOO_FEW, points=int(good.size))
    x, y = np.log(hz[good]), db[good]
    weight = 1.0 / np.hypot(sigma_db[good], FLOOR_DB)
    start = _crossings(x, y)
    one: list[tuple[Shape | None, Shape | None]] = [(None, None)]
    one += [(shape, None) for shape in NAMED] + [(None, shape) for shape in NAMED]
    tried = [*one, *((high, low) for high in NAMED for low in NAMED)]
    found = _fit(x, y, weight, start, tried)
    stray = _stray(found, x, y, weight)
    if stray.any():
        x, y, weight = x[~stray], y[~stray], weight[~stray]
        found = _fit(x, y, weight, start, tried)
    if _misfit(found, x, weight) > MISFIT_DB:
        return _any_slope(x, y, weight, start, found)
    return _told(found, x, weight)


def _stray(found: _Fitted, x: FloatArray, y: FloatArray, weight: FloatArray) -> NDArray[np.bool_]:
    """Return which points lie far off the best filter: where hum crossed the sweep, or a lead slipped.

    More than a few of them are no accident but another filter.
    """
    best = int(np.argmin(found.chi2))
    p, pair = found.p[best], found.shapes[best]
    model = np.full(len(x), p[0])
    for side, shape in enumerate(pair):
        if shape is not None:
            model += level_db(hz=np.exp(x), corner_hz=math.exp(float(p[1 + side])), shape=shape, side=_SIDES[side])
    off = np.abs(y - model) * weight
    # 1.48 times the median of the magnitudes is the standard deviation of the bulk (common practice).
    stray = off > STRAY * max(1.0, 1.48 * float(np.median(off)))
    few = np.count_nonzero(stray) <= STRAY_SHARE * len(x)
    return stray if few else np.zeros(len(x), dtype=np.bool_)


def _seen(found: _Fitted, x: FloatArray) -> NDArray[np.bool_]:
    """Return which sides of each candidate have their -3 dB point within what was swept; shape (c, 2)."""
    seen = np.zeros((len(found.shapes), 2), dtype=np.bool_)
    for number, pair in enumerate(found.shapes):
        for side in range(2):
            if pair[side] is not None:
                seen[number, side] = x[0] < _point(found.p[number], pair, side, HALF_POWER_DB) < x[-1]
    return seen


def _point(p: FloatArray, pair: tuple[Shape | None, Shape | None], side: int, down_db: float) -> float:
    """Return the logarithm of where one side of a candidate has fallen by `down_db`; NaN for a side it has not."""
    shape = pair[side]
    if shape is None:
        return math.nan
    corner_hz = math.exp(float(p[1 + side]))
    return math.log(hz_at(down_db=down_db, corner_hz=corner_hz, shape=shape, side=_SIDES[side]))


def _misfit(found: _Fitted, x: FloatArray, weight: FloatArray) -> float:
    """Return what the best candidate leaves beyond the stated noise, rms [dB]."""
    freedom = max(len(x) - 3, 1)
    mean_variance = 1.0 / float(np.mean(weight**2))
    return math.sqrt(max(float(found.chi2.min()) / freedom - 1.0, 0.0) * mean_variance)


def _weights(found: _Fitted, x: FloatArray) -> tuple[FloatArray, float]:
    """Return the weight of each candidate, and by what the stated variance is too small (Birge's ratio, at least 1)."""
    unknowns = found.unknowns()
    best = int(np.argmin(found.chi2))
    spread = max(float(found.chi2[best]) / max(len(x) - int(unknowns[best]), 1), 1.0)
    cost = found.chi2 / spread + unknowns * math.log(len(x))
    # A band whose high-pass cuts above its low-pass passes nothing.
    upside_down = np.array([high is not None and low is not None for high, low in found.shapes])
    upside_down &= found.p[:, 1] >= found.p[:, 2]
    cost = np.where(upside_down, np.inf, cost)
    weights = np.exp(-0.5 * (cost - cost.min()))
    return weights / weights.sum(), spread


def _told(found: _Fitted, x: FloatArray, weight: FloatArray) -> FilterFit:
    weights, spread = _weights(found, x)
    seen = _seen(found, x)
    best = int(np.argmax(weights))
    same_kind = np.all(seen == seen[best], axis=1)
    kind_odds = float(weights[same_kind].sum())
    shares = np.where(same_kind, weights, 0.0) / kind_odds
    sides = np.flatnonzero(seen[best]).tolist()
    corners = tuple(_corner(found, shares, spread, side) for side in sides)
    rms_db = math.sqrt(float(found.chi2[best]) / float(np.sum(weight**2)))
    odds = kind_odds * math.prod(_odds(found, shares, side)[0][1] for side in sides)
    told = Told.NAMED if all(corner.shape for corner in corners) else Told.ALIKE
    passband, passband_u = _mixed(shares, found.p[:, 0], found.covariance[:, 0, 0] * spread)
    return FilterFit(told if corners else Told.NO_CORNER, corners, passband, passband_u, rms_db, min(odds, 1.0), len(x))


def _mixed(shares: FloatArray, values: FloatArray, variances: FloatArray) -> tuple[float, float]:
    """Return mean and expanded uncertainty of candidates that each say something else, by their shares."""
    used = shares > 0.0
    mean = float(shares[used] @ values[used])
    variance = float(shares[used] @ (variances[used] + (values[used] - mean) ** 2))
    return mean, COVERAGE * math.sqrt(variance)


def _odds(found: _Fitted, shares: FloatArray, side: int) -> list[tuple[Shape, float]]:
    """Return the shapes of one side with their weights, the likeliest first."""
    odds: dict[Shape, float] = {}
    for pair, share in zip(found.shapes, shares, strict=True):
        shape = pair[side]
        if shape is not None and share > 0.0:
            odds[shape] = odds.get(shape, 0.0) + float(share)
    return sorted(odds.items(), key=lambda item: -item[1])


def _corner(found: _Fitted, shares: FloatArray, spread: float, side: int) -> Corner:
    odds = _odds(found, shares, side)
    rivals = tuple(shape for shape, share in odds if share >= RIVAL)
    named = odds[0][0] if odds[0][1] >= SURE else None
    variances = found.covariance[:, 1 + side, 1 + side] * spread

    def at(where: Callable[[int], float]) -> tuple[float, float]:
        """Return a frequency and its expanded uncertainty [Hz] from its logarithm in each candidate."""
        logs = np.array([where(number) if share > 0.0 else 0.0 for number, share in enumerate(shares)])
        mean, u = _mixed(shares, logs, variances)
        return math.exp(mean), math.exp(mean) * u

    down_3 = at(lambda number: _point(found.p[number], found.shapes[number], side, HALF_POWER_DB))
    down_6 = at(lambda number: _point(found.p[number], found.shapes[number], side, 2.0 * HALF_POWER_DB))
    corner = at(lambda number: float(found.p[number, 1 + side])) if named else down_3
    slopes = {shape.slope_db_octave for shape in rivals}
    slope = slopes.pop() if len(slopes) == 1 else math.nan
    return Corner(_SIDES[side], named, slope, 0.0, *corner, *down_3, *down_6, rivals)


def _any_slope(x: FloatArray, y: FloatArray, weight: FloatArray, start: FloatArray, named: _Fitted) -> FilterFit:
    """Return the filter of any slope that fits best, with a side left out where the named ones had none."""
    weights, _ = _weights(named, x)
    slopes = 6.0 * np.arange(0.7, 10.01, 0.1)
    free = [Shape(Alignment.BUTTERWORTH, float(slope)) for slope in slopes]
    best = named.shapes[int(np.argmax(weights))]
    kinds = [best] if best != (None, None) else [(NAMED[0], None), (None, NAMED[0])]
    tried: list[tuple[Shape | None, Shape | None]] = []
    for kind in kinds:
        sides = [free[::3] if kind[0] else [None], free[::3] if kind[1] else [None]]
        if None in kind:
            sides = [free if kind[0] else [None], free if kind[1] else [None]]
        tried += [(high, low) for high in sides[0] for low in sides[1]]
    found = _fit(x, y, weight, start, tried)
    rms_db = math.sqrt(float(np.min(found.chi2)) / float(np.sum(weight**2)))
    if _misfit(found, x, weight) > STRANGE_DB:
        return FilterFit(Told.STRANGE, rms_db=rms_db, points=len(x))
    weights, spread = _weights(found, x)
    corners = []
    for side in np.flatnonzero(_seen(found, x)[int(np.argmax(weights))]).tolist():
        corner = _corner(found, weights, spread, side)
        slope, slope_u = _mixed(
            weights,
            np.array([pair[side].slope_db_octave if pair[side] else 0.0 for pair in found.shapes]),  # type: ignore[union-attr]
            np.zeros(len(weights)),
        )
        corners.append(
            Corner(
                corner.side, None, slope * OCTAVE_DB / 6.0, max(slope_u, 0.6), corner.down_3_hz, corner.down_3_u_hz,
                corner.down_3_hz, corner.down_3_u_hz, corner.down_6_hz, corner.down_6_u_hz,
            )
        )  # fmt: skip
    passband, passband_u = _mixed(weights, found.p[:, 0], found.covariance[:, 0, 0] * spread)
    told = Told.OTHER_SLOPE if corners else Told.NO_CORNER
    return FilterFit(told, tuple(corners), passband, passband_u, rms_db, 0.0, len(x))
