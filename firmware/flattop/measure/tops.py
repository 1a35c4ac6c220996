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
KNEE = 30.0
"""Mean square of the misfit, in standard deviations, from which a wave is no clipped sine but a knee."""
CUT_SURE = 2.0
"""A cut shallower than this many standard deviations is none."""
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
    """The same pattern turned by 90 degrees, over `flattening`: near 0 for a clip."""
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
    sign = np.where(k % 2 == 0, 1.0, -1.0)
    over = -cap(beta_pos, k) + sign * cap(beta_neg, k)
    return np.asarray(over / (1.0 - float(cap_fundamental(beta_pos)) - float(cap_fundamental(beta_neg))))


@lru_cache(maxsize=64)
def _starts(highest: int) -> tuple[FloatArray, FloatArray]:
    """Return pairs of beta, shape (s, 2), and their m_k, shape (s, n), for the harmonics FIRST to `highest`."""
    k = np.arange(FIRST, highest + 1, dtype=np.float64)
    # Steps of equal cap area (beta cubed) crowd at deep cuts, steps of equal beta at shallow ones: take the middle.
    depth = DEEPEST * (np.arange(STARTS) / (STARTS - 1)) ** 1.2
    pos, neg = (grid.ravel() for grid in np.meshgrid(depth, depth, indexing="ij"))
    sign = np.where(k % 2 == 0, 1.0, -1.0)
    over = -cap(pos[:, None], k) + sign * cap(neg[:, None], k)
    return np.stack([pos, neg], axis=1), over / (1.0 - cap_fundamental(pos) - cap_fundamental(neg))[:, None]


def _model(u: FloatArray, k: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return m_k, shape (n,), and its slope by u = beta cubed of each half, shape (2, n).

    In u a shallow cut is linear, so that "no cut" is an ordinary point of the search.
    """
    # d(beta)/du = 1 / (3 beta^2) has a pole at 0 that the zero of the slope cancels: stay a hair's breadth from it.
    b = np.maximum(np.cbrt(u), 0.02)[:, None]
    turn = b * k
    sb, cb, sin_k = np.sin(b), np.cos(b), np.sin(turn)
    # The same d_k as in `cap`, its two sines taken apart; d(d_k)/d(beta) = (2/pi) sin(beta) sin(k beta) / k.
    caps = (2.0 / math.pi) * (sin_k * cb / k - np.cos(turn) * sb) / (k * k - 1.0)
    caps[u <= 0.0] = 0.0
    slope = (2.0 / math.pi) * sb * sin_k / k
    sign = _signs(len(k))
    whole = 1.0 - float((b - sb * cb)[u > 0.0].sum()) / math.pi
    m = (sign * caps).sum(axis=0) / whole
    # The fundamental shrinks by (2/pi) sin^2(beta).
    slope = (sign * slope + m * ((2.0 / math.pi) * sb * sb)) / (3.0 * whole * b * b)
    return m, slope


@lru_cache(maxsize=64)
def _signs(count: int) -> FloatArray:
    """Return the signs of d_k(beta_pos) and d_k(beta_neg) in m_k, shape (2, count), from k = FIRST on."""
    k = np.arange(FIRST, FIRST + count)
    return np.stack([-np.ones(count), np.where(k % 2 == 0, 1.0, -1.0)])


def _refine(beta: FloatArray, seen: FloatArray, weight: FloatArray, k: FloatArray) -> FloatArray:
    """Return the two beta by Levenberg-Marquardt from a start."""
    u = np.maximum(beta, 0.02) ** 3
    deepest = DEEPEST**3
    damping = 1e-3
    m, slope = _model(u, k)
    cost = float((((seen - m) * weight) ** 2).sum())
    for _ in range(ROUNDS):
        scaled = slope * weight
        normal = scaled @ scaled.T
        gradient = scaled @ ((seen - m) * weight)
        # A half that stands at "no cut" and would be pushed below it is held there.
        held = (u <= 0.0) & (gradient < 0.0)
        damped = normal + np.diag(damping * np.diag(normal) + 1e-12)
        damped[held, :] = 0.0
        damped[:, held] = 0.0
        damped[held, held] = 1.0
        trial = np.clip(u + np.linalg.solve(damped, np.where(held, 0.0, gradient)), 0.0, deepest)
        m_trial, slope_trial = _model(trial, k)
        cost_trial = float((((seen - m_trial) * weight) ** 2).sum())
        if cost_trial > cost:
            damping *= 10.0
            continue
        settled = cost - cost_trial <= 1e-6 * cost + 1e-9
        u, m, slope, cost = trial, m_trial, slope_trial, cost_trial
        damping = max(damping / 10.0, 1e-9)
        if settled:
            break
    return np.asarray(np.cbrt(u), dtype=np.float64)


def _spread(beta: FloatArray, weight: FloatArray, k: FloatArray) -> FloatArray:
    """Return the standard deviations of the two beta cubed."""
    scaled = _model(beta**3, k)[1] * weight
    covariance = np.linalg.inv(scaled @ scaled.T + 1e-12 * np.eye(2))
    return np.asarray(np.sqrt(np.maximum(np.diag(covariance), 0.0)), dtype=np.float64)


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
    k = np.arange(FIRST, highest + 1, dtype=np.float64)
    seen_complex = shape[FIRST:] if own is None else shape[FIRST:] - own[FIRST : highest + 1]
    seen = np.ascontiguousarray(seen_complex.real)
    weight = 1.0 / np.hypot(sigma[FIRST:], np.where(k == 2.0, SECOND_OWN, MODEL_FLOOR))
    beta, spread = _alike(seen, weight) if highest == FEWEST else _each(seen, weight, k)
    model = clipped_harmonics(beta_pos=float(beta[0]), beta_neg=float(beta[1]), k=k)
    pattern = model if max(beta) > 0.1 else clipped_harmonics(beta_pos=0.3, beta_neg=0.3, k=k)
    energy = (pattern * weight) ** 2
    agreement = seen * pattern * weight**2
    total = float(energy.sum())
    share = float(agreement.sum()) / total
    turned = float((seen_complex.imag * pattern * weight**2).sum()) / total
    length = float(np.linalg.norm(pattern))
    other_sign = np.where(seen * pattern < 0.0, seen, 0.0)
    unlike = float(np.linalg.norm((seen_complex - model)[1:])) / max(float(np.linalg.norm(model[1:])), 1e-12)
    carried_by, broad = _carrier(k, agreement, energy, share, doubtful, unlike)
    worse = int(np.argmax(beta))
    deeper = min(float(np.cbrt(beta[worse] ** 3 + spread[worse])), DEEPEST)
    return TopsFit(
        beta_pos=float(beta[0]),
        beta_neg=float(beta[1]),
        sigma_db=max(overdrive_db(deeper) - overdrive_db(float(beta[worse])), 0.0),
        flattening=share * length,
        flattening_sigma=length / math.sqrt(total),
        quadrature=abs(turned / share) if share else math.inf,
        broad=broad,
        carried_by=carried_by,
        unexplained=math.hypot(np.linalg.norm(seen_complex.imag[1:]), np.linalg.norm(other_sign[1:])),
    )


def _alike(seen: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return beta, alike for both halves, from the third harmonic only, and the standard deviations of the cubes."""
    betas, models = _starts(FEWEST)
    alike = betas[:, 0] == betas[:, 1]
    depths, thirds = betas[alike, 0], -models[alike, -1]
    beta = np.interp(-seen[-1], thirds, depths)
    spread = np.interp(-seen[-1] + 1.0 / weight[-1], thirds, depths) ** 3 - beta**3
    return np.full(2, beta), np.full(2, spread)


def _each(seen: FloatArray, weight: FloatArray, k: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the beta of each half by itself from all harmonics, and the standard deviations of their cubes.

    A knee is no clip. Where the model misses what is seen by far more than noise explains, that miss is the noise of
    the fit: weighted by it, the even harmonics tell the halves apart again, instead of being bent to serve the odd.
    """
    betas, models = _starts(int(k[-1]))
    start = int(np.argmin((((models - seen) * weight) ** 2).sum(axis=1)))
    beta = _refine(betas[start], seen, weight, k)
    missed = seen - clipped_harmonics(beta_pos=float(beta[0]), beta_neg=float(beta[1]), k=k)
    if float(((missed * weight) ** 2).mean()) > KNEE:
        loose = 1.0 / np.hypot(1.0 / weight, math.sqrt(float((missed**2).mean())))
        start = int(np.argmin((((models - seen) * loose) ** 2).sum(axis=1)))
        beta = _refine(betas[start], seen, loose, k)
    spread = _spread(beta, weight, k)
    # Noise alone cuts a little off a whole top, never adds to it: what it explains is no cut.
    return np.where(beta**3 < CUT_SURE * spread, 0.0, beta), spread


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
    left_energy = energy.sum() - energy
    left_share = (agreement.sum() - agreement) / np.maximum(left_energy, 1e-300)
    # What remains must be able to speak: three sigma of its own noise below the half that is asked of it.
    speaks = left_energy > 36.0 / share**2
    weakest = int(np.argmin(np.where(speaks, left_share, -1.0)))
    if not speaks[weakest] or left_share[weakest] < 0.5 * share:
        return int(k[weakest]), False
    for family in doubtful:
        keep = ~np.isin(k, family)
        rest = float(energy[keep].sum())
        if rest > 36.0 / share**2:
            if float(agreement[keep].sum()) / rest < 0.5 * share:
                return FEWEST, False
        elif unlike > ALIKE:
            # Hardly a harmonic lies outside the family: then only the likeness to a clip can speak against hum.
            return FEWEST, False
    return 0, True
