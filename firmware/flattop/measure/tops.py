"""Are the tops as tall as the flanks say? Overdrive and flat share of each half-cycle, from the harmonics.

A sine cut off at c = cos(beta) on one side differs from the whole sine by a cap whose cosine coefficients are

    d_1 = (beta - sin(beta) cos(beta)) / pi
    d_k = [sin((k-1) beta) / (k (k-1)) - sin((k+1) beta) / (k (k+1))] / pi        k = 2, 3, ...

so harmonic k of a wave with both tops cut, in units of its fundamental and in phase with it, is

    m_k = [-d_k(beta_pos) + (-1)^k d_k(beta_neg)] / [1 - d_1(beta_pos) - d_1(beta_neg)]

`fit_tops` finds the two beta that explain the measured harmonics best. Because the model is written for the very
harmonics that are measured, a band that ends at the tenth harmonic costs information but brings no bias. The second
harmonic counts for little: amplifiers make it without touching the tops.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from flattop.samples import ComplexArray, FloatArray

FIRST = 2
"""Lowest harmonic that is asked about the tops."""
FEWEST = 3
"""At least this harmonic must be in the band."""
SECOND_OWN = 3e-3
"""Second harmonic that an amplifier may have of its own, as a standard deviation over the fundamental."""
DEEPEST = math.acos(0.01)
"""Deepest cut the fit can name: 40 dB of overdrive, a square wave for every purpose."""
STARTS = 24
"""Cut depths tried on each half before the fit is refined."""
ROUNDS = 12
STEP_LEFT = 1e-4
"""A step of less than this part of the deeper cut, in u, is not worth its while: 1 dB of overdrive moves by 1e-4 dB."""
KNEE = 30.0
"""Mean square of the misfit, in standard deviations, from which a wave is no clipped sine but a knee."""
CUT_SURE = 2.0
"""A cut shallower than this many standard deviations is none."""
SPEAKS = 4.5
"""Depth over its noise that what is left without a harmonic must have to be asked."""
LEFT_SHARE = 0.4
"""Depth that a clip must show in what is left without one harmonic, over the depth found with all of them."""
ALIKE = 0.35
"""Where a doubtful family holds all harmonics, a clip must explain them to this part."""
MODEL_FLOOR = 1e-4
"""How well a real clip is known to follow the model, relative to the fundamental."""


@dataclass(frozen=True, slots=True)
class TopsFit:
    """What the harmonics say of the two tops."""

    beta_pos: float
    """Half-width of the missing top, positive half [rad]."""
    beta_neg: float
    sigma_db: float
    """Standard deviation of the larger overdrive from noise alone [dB]."""
    flattening: float
    """Part of the distortion that lowers the tops, over the fundamental, like THD_F; negative: it raises them."""
    flattening_sigma: float
    quadrature: float
    """The same pattern turned by 90 degrees, beyond what noise explains, over `flattening`: near 0 for a clip."""
    broad: bool
    """True if no single harmonic, and not the mains family, carries the finding alone."""
    carried_by: int
    """The harmonic without which the finding falls; 0 if `broad`."""
    unexplained: float
    """What of the third and higher harmonics no flattening makes, being out of phase or of the other sign."""

    @property
    def overdrive_pos_db(self) -> float:
        """Overdrive of the positive half [dB]."""
        return overdrive_db(self.beta_pos)

    @property
    def overdrive_neg_db(self) -> float:
        """Overdrive of the negative half [dB]."""
        return overdrive_db(self.beta_neg)

    @property
    def uncut(self) -> float:
        """Amplitude of the sine that the flanks predict, over the fundamental."""
        return 1.0 / (1.0 - float(cap_fundamental(self.beta_pos)) - float(cap_fundamental(self.beta_neg)))

    @property
    def mean_shift(self) -> float:
        """D.c. that cutting the two tops unlike brings, over the fundamental's amplitude."""
        pos, neg = ((math.sin(b) - b * math.cos(b)) / math.pi for b in (self.beta_pos, self.beta_neg))
        return self.uncut * (neg - pos)

    @property
    def flat_share(self) -> float:
        """Share of the worse half-cycle during which the top is missing."""
        return 2.0 * max(self.beta_pos, self.beta_neg) / math.pi


def overdrive_db(beta: float) -> float:
    """Return 20 log10(A / L) [dB] of a top cut off over +-`beta` [rad] about the crest."""
    return 20.0 * math.log10(1.0 / math.cos(beta))


def cap(beta: FloatArray | float, k: FloatArray) -> FloatArray:
    """Return d_k(beta), the cosine coefficients of the missing cap of a unit sine, for k >= 2; broadcasts."""
    return np.asarray(
        (np.sin((k - 1) * beta) / (k * (k - 1)) - np.sin((k + 1) * beta) / (k * (k + 1))) / math.pi, dtype=np.float64
    )


def cap_fundamental(beta: FloatArray | float) -> FloatArray:
    """Return d_1(beta), the fundamental of the missing cap of a unit sine."""
    return np.asarray((beta - np.sin(beta) * np.cos(beta)) / math.pi, dtype=np.float64)


def clipped_harmonics(*, beta_pos: float, beta_neg: float, k: FloatArray) -> FloatArray:
    """Return m_k, the harmonics k >= 2 of a sine with its tops cut, over its fundamental, in phase with it."""
    over, whole = np.zeros(len(k)), 1.0
    for beta, sign in ((beta_pos, -1.0), (beta_neg, np.where(k % 2 == 0, 1.0, -1.0))):
        if beta > 0.0:
            over = over + sign * cap(beta, k)
            whole -= float(cap_fundamental(beta))
    return over / whole


@dataclass(frozen=True, slots=True, eq=False)
class _Frame:
    """What depends on the harmonics used, FIRST to `highest`, and on nothing that is seen; n of them."""

    k: FloatArray
    sign: FloatArray
    """Signs of d_k(beta_pos) and d_k(beta_neg) in m_k, shape (2, n)."""
    signed_over_k: FloatArray
    over_squares: FloatArray
    """sign / k, and (2/pi) / (k^2 - 1)."""
    own: FloatArray
    """Standard deviation that the model itself is given."""
    shallow: FloatArray
    """m_k of a shallow cut on both halves: what is looked for where none is found."""
    betas: FloatArray
    """Pairs of beta to start from, shape (s, 2)."""
    models: FloatArray
    """Their m_k, shape (s, n)."""
    squares: FloatArray


@lru_cache(maxsize=64)
def _frame(highest: int) -> _Frame:
    k = np.arange(FIRST, highest + 1, dtype=np.float64)
    sign = np.stack([-np.ones(len(k)), np.where(k % 2 == 0, 1.0, -1.0)])
    # Steps of equal cap area (beta cubed) crowd at deep cuts, steps of equal beta at shallow ones: take the middle.
    depth = DEEPEST * (np.arange(STARTS) / (STARTS - 1)) ** 1.2
    pos, neg = (grid.ravel() for grid in np.meshgrid(depth, depth, indexing="ij"))
    over = sign[0] * cap(pos[:, None], k) + sign[1] * cap(neg[:, None], k)
    models = over / (1.0 - cap_fundamental(pos) - cap_fundamental(neg))[:, None]
    own = np.where(k == 2.0, SECOND_OWN, MODEL_FLOOR)
    betas = np.stack([pos, neg], axis=1)
    over_squares = 2.0 / math.pi / (k * k - 1.0)
    shallow = clipped_harmonics(beta_pos=0.3, beta_neg=0.3, k=k)
    return _Frame(k, sign, sign / k, over_squares, own, shallow, betas, models, models**2)


def _column(pair: list[float]) -> FloatArray:
    return np.array(pair)[:, None]


@dataclass(frozen=True, slots=True, eq=False)
class _Cut:
    """A pair of cuts: u = beta cubed of each half, in which a shallow cut is linear and "no cut" an ordinary point."""

    u: tuple[float, float]
    model: FloatArray
    """m_k, shape (n,)."""
    slope: FloatArray
    """Its slope by each u, shape (2, n)."""

    @classmethod
    def at(cls, u: tuple[float, float], frame: _Frame) -> _Cut:
        """Return the cut of these two u."""
        # d(beta)/du = 1 / (3 beta^2) has a pole at 0 that the zero of the slope cancels: stay a hair away from it.
        b = [max(math.cbrt(each), 0.02) for each in u]
        sb, cb, cut = [math.sin(each) for each in b], [math.cos(each) for each in b], [float(each > 0.0) for each in u]
        whole = 1.0 - sum(there * (b[i] - sb[i] * cb[i]) / math.pi for i, there in enumerate(cut))
        turn = _column(b) * frame.k
        sine = np.sin(turn) * frame.signed_over_k
        # The same d_k as in `cap`, its two sines taken apart; d(d_k)/d(beta) = (2/pi) sin(beta) sin(k beta) / k.
        caps = _column(cb) * sine - _column(sb) * np.cos(turn) * frame.sign
        model = np.array(cut) / whole @ caps * frame.over_squares
        # The fundamental shrinks by (2/pi) sin^2(beta).
        steep = [2.0 / math.pi / whole * s / (3.0 * each * each) for s, each in zip(sb, b, strict=True)]
        return cls(u, model, _column(steep) * (sine + _column(sb) * model))


@lru_cache(maxsize=256)
def _start(highest: int, index: int) -> _Cut:
    """Return a cut of the grid of starts: a tone that stands begins at the same one again and again."""
    frame = _frame(highest)
    pos, neg = frame.betas[index].tolist()
    return _Cut.at((max(pos, 0.02) ** 3, max(neg, 0.02) ** 3), frame)


def _refine(start: _Cut, seen: FloatArray, weight: FloatArray, frame: _Frame) -> _Cut:
    """Return the cut that explains the harmonics seen best, by Levenberg-Marquardt from a start."""
    cut = start
    off = (seen - cut.model) * weight
    cost = float(off @ off)
    deepest, damping = DEEPEST**3, 1e-3
    for _ in range(ROUNDS):
        weighted = cut.slope * weight
        (a, b), (_, c) = (weighted @ weighted.T).tolist()
        g = (weighted @ off).tolist()
        # A half that stands at "no cut" and would be pushed below it is held there.
        held = [cut.u[i] <= 0.0 and g[i] < 0.0 for i in (0, 1)]
        a, c = a * (1.0 + damping) + 1e-12, c * (1.0 + damping) + 1e-12
        if held[0] or held[1]:
            step = (0.0 if held[0] else g[0] / a, 0.0 if held[1] else g[1] / c)
        else:
            whole = a * c - b * b
            step = ((c * g[0] - b * g[1]) / whole, (a * g[1] - b * g[0]) / whole)
        if abs(step[0]) + abs(step[1]) < STEP_LEFT * max(cut.u):
            break
        trial = _Cut.at((min(max(cut.u[0] + step[0], 0.0), deepest), min(max(cut.u[1] + step[1], 0.0), deepest)), frame)
        off_trial = (seen - trial.model) * weight
        cost_trial = float(off_trial @ off_trial)
        if cost_trial > cost:
            damping *= 10.0
            continue
        # Close to its end the search goes on in squares: after a step of a third of a standard deviation, which
        # lowers chi squared by a tenth, the next one is not worth its while.
        settled = cost - cost_trial <= 0.1 + 1e-6 * cost
        cut, off, cost = trial, off_trial, cost_trial
        damping = max(damping / 10.0, 1e-9)
        if settled:
            break
    return cut


def in_phase(harmonics: ComplexArray) -> ComplexArray:
    """Return c_k = C_k exp(-j k phi_1) / |C_1|: harmonics over the fundamental, as if its crest were at angle 0."""
    k = np.arange(len(harmonics))
    turned = harmonics * np.exp(-1j * k * np.angle(harmonics[1])) / abs(harmonics[1])
    return np.asarray(turned, dtype=np.complex128)


def fit_tops(
    *, shape: ComplexArray, sigma: FloatArray, doubtful: tuple[FloatArray, ...] = (), own: ComplexArray | None = None
) -> TopsFit | None:
    """Fit the clipped sine to the harmonics of one wave.

    shape : complex128, shape (h + 1,): c_0..c_h of `in_phase`, the path's response divided out
    sigma : float64, shape (h + 1,): standard deviation of their real parts
    doubtful : sets of harmonic numbers that something else (mains hum) could have made together
    own : the same as `shape` at a lower level of this output; what bends there already is taken out

    None below three harmonics: nothing is known of the tops then. With three, both halves are taken to be alike.
    """
    highest = len(shape) - 1
    if highest < FEWEST:
        return None
    frame = _frame(highest)
    k = frame.k
    seen_complex = shape[FIRST:] if own is None else shape[FIRST:] - own[FIRST : highest + 1]
    seen = np.ascontiguousarray(seen_complex.real)
    weight = 1.0 / np.hypot(sigma[FIRST:], frame.own)
    beta, spread, model = _alike(seen, weight) if highest == FEWEST else _each(seen, weight, frame)
    pattern = model if max(beta) > 0.1 else frame.shallow
    weighted = pattern * weight
    energy = weighted * weighted
    agreement = seen * weight * weighted
    total = float(energy.sum())
    share = float(agreement.sum()) / total
    aside = seen_complex.imag
    turned = float((aside * weight) @ weighted) / total
    length = math.sqrt(float(pattern @ pattern))
    other_sign = np.minimum(seen * np.sign(pattern), 0.0)
    off, whole = (seen_complex - model)[1:], model[1:]
    unlike = math.sqrt(float(np.vdot(off, off).real) / max(float(whole @ whole), 1e-24))
    carried_by, broad = _carrier(k, agreement, energy, share, doubtful, unlike)
    worse = int(np.argmax(beta))
    deeper = min(float(np.cbrt(beta[worse] ** 3 + spread[worse])), DEEPEST)
    return TopsFit(
        beta_pos=float(beta[0]),
        beta_neg=float(beta[1]),
        sigma_db=max(overdrive_db(deeper) - overdrive_db(float(beta[worse])), 0.0),
        flattening=share * length,
        flattening_sigma=length / math.sqrt(total),
        quadrature=max(abs(turned) - 2.0 / math.sqrt(total), 0.0) / abs(share) if share else math.inf,
        broad=broad,
        carried_by=carried_by,
        unexplained=math.sqrt(float(aside[1:] @ aside[1:] + other_sign[1:] @ other_sign[1:])),
    )


def _alike(seen: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the same as `_each` from the third harmonic only, both halves taken to be alike."""
    frame = _frame(FEWEST)
    alike = frame.betas[:, 0] == frame.betas[:, 1]
    depths, thirds = frame.betas[alike, 0], -frame.models[alike, -1]
    beta = np.interp(-seen[-1], thirds, depths)
    spread = np.interp(-seen[-1] + 1.0 / weight[-1], thirds, depths) ** 3 - beta**3
    model = clipped_harmonics(beta_pos=float(beta), beta_neg=float(beta), k=frame.k)
    return np.full(2, beta), np.full(2, spread), model


def _each(seen: FloatArray, weight: FloatArray, frame: _Frame) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return beta of each half by itself from all harmonics, the standard deviations of its cube, and the model m_k.

    A knee is no clip. Where the model misses what is seen by far more than noise explains, that miss is the noise of
    the fit: weighted by it, the even harmonics tell the halves apart again, instead of being bent to serve the odd.
    """
    cut = _refine(_nearest(seen, weight, frame), seen, weight, frame)
    missed = seen - cut.model
    if float(((missed * weight) ** 2).mean()) > KNEE:
        loose = 1.0 / np.hypot(1.0 / weight, math.sqrt(float((missed**2).mean())))
        cut = _refine(_nearest(seen, loose, frame), seen, loose, frame)
    weighted = cut.slope * weight
    (a, b), (_, c) = (weighted @ weighted.T).tolist()
    whole = max(a * c - b * b, 1e-300)
    u, spread = np.array(cut.u), np.sqrt(np.array([c, a]) / whole)
    # Noise alone cuts a little off a whole top, never adds to it: what it explains is no cut.
    none = u < CUT_SURE * spread
    beta = np.where(none, 0.0, np.cbrt(u))
    if none.any():
        cut = _Cut.at((float(beta[0]) ** 3, float(beta[1]) ** 3), frame)
    return beta, spread, cut.model


def _nearest(seen: FloatArray, weight: FloatArray, frame: _Frame) -> _Cut:
    """Return the cut on the grid of starts that explains the harmonics seen best."""
    squared = weight**2
    best = int(np.argmin(frame.squares @ squared - 2.0 * (frame.models @ (squared * seen))))
    return _start(FIRST - 1 + len(frame.k), best)


def _carrier(
    k: FloatArray,
    agreement: FloatArray,
    energy: FloatArray,
    share: float,
    doubtful: tuple[FloatArray, ...],
    unlike: float,
) -> tuple[int, bool]:
    """Return the harmonic that carries the finding alone (0: none does), and True if it is carried broadly.

    Leave out one harmonic, or one doubtful family: a real clip is found with the same depth in what remains,
    a single interferer leaves nothing.
    """
    if share <= 0.0:
        return 0, False
    all_energy, all_agreement = float(energy.sum()), float(agreement.sum())
    left_energy = all_energy - energy
    left_share = (all_agreement - agreement) / np.maximum(left_energy, 1e-300)
    # What remains must be able to speak for itself.
    speaks = left_energy > SPEAKS**2 / share**2
    weakest = int(np.argmin(np.where(speaks, left_share, -1.0)))
    if not speaks[weakest] or left_share[weakest] < LEFT_SHARE * share:
        return int(k[weakest]), False
    for family in doubtful:
        at = family[family <= k[-1]].astype(np.intp) - FIRST
        rest = all_energy - float(energy[at].sum())
        if rest > SPEAKS**2 / share**2:
            if all_agreement - float(agreement[at].sum()) < LEFT_SHARE * share * rest:
                return FEWEST, False
        elif unlike > ALIKE:
            # Hardly a harmonic lies outside the family: then only the likeness to a clip can speak against hum.
            return FEWEST, False
    return 0, True
