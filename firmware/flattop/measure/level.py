"""One block of samples in figures: levels, frequency, harmonics and tops, each with its uncertainty.

`measure` knows nothing of earlier blocks and passes no verdict; `verdict.Judge` does both.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from flattop.measure.even import FEWEST_CYCLES as FEWEST_CYCLES_EVEN
from flattop.measure.even import Spectrum, are_even
from flattop.measure.fit import (
    FEWEST_CYCLES,
    LeftOver,
    SineFit,
    Tone,
    fit_at,
    fit_sine,
    fit_standing,
    harmonics_that_fit,
    strongest_hz,
    told_apart,
)
from flattop.measure.reading import Tops
from flattop.measure.tops import TopsFit, clipped_harmonics, fit_tops, in_phase
from flattop.samples import Clock, ComplexArray, FloatArray, Response, Samples, flat_response

MIN_SAMPLES = 24
COVERAGE = 2.0
"""Coverage factor of every expanded uncertainty (JCGM 100:2008)."""
BEYOND_V = 1e9
"""Above this, and below its reciprocal, a number is no voltage [V]."""
MISPLACED, MISPLACED_MOST = 6.0, 4
"""A sample this many standard deviations off is misplaced, if there are no more than a few of them."""
MAINS_HZ = (50.0, 60.0)
MAINS_TO_HZ = 2400.0
"""Mains hum reaches its fortieth harmonic (IEC 61000-3-2 counts no further; from memory)."""
TOPS_HARMONICS = 40
"""So many harmonics are asked about the tops: a shallow clip has spent its own by then."""
MOST_UNEVEN = 16
"""Harmonics fitted to uneven samples, where each costs two unknowns more."""
LEVEL_BEYOND = 1.05
"""Of even samples tones are measured up to the end of the band, and a hair beyond, whether judged or not."""
TONE_SHARE = 0.5
"""A block holds a tone if its strongest line carries at least this share of the a.c. power."""
STANDING = 0.02
"""A line this close to the tone of the block before is that tone [bins]."""
TONE_LSB = 4.0
"""Peak of the weakest line that is looked at, in codes."""
TONE_NOISE = 4.0
"""The same, in multiples of the converter's noise."""
ADDED_HARMONICS = 48
"""The folded wave is completed up to this harmonic from the fitted clip, against ringing at its corners."""
FOLD_STEPS = 360
PICTURE_STEP = 2
"""Every so many of them are drawn."""
NOISE_SURE = 5.0
"""Standard deviations that a sum of squares of noise stays within."""
PIECES = 20
STRETCH = 1e-3
BENT = 1e-3
"""A path that changes no harmonic by more than this, over the fundamental, leaves the wave as it is."""


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Figures of one block; NaN where the block cannot carry one. Uncertainties are expanded, k = 2."""

    samples: Samples
    rms_v: float
    rms_u_v: float
    dc_v: float
    dc_u_v: float
    peak_pos_v: float
    peak_neg_v: float
    line_hz: float
    """Frequency of the strongest line, judged or not [Hz]; NaN if there is none."""
    line_v: float
    """Its peak [V]."""
    fit: Tone | None = None
    """The tone as the samples saw it; None where none was found."""
    hz_u: float = math.nan
    harmonics: ComplexArray | None = None
    """C_0..C_h with the path's response divided out [V peak]."""
    shape: ComplexArray | None = None
    """c_0..c_m, m at most `TOPS_HARMONICS`: the same over the fundamental and in phase with it."""
    shape_sigma: FloatArray | None = None
    """Standard deviation of their real and of their imaginary parts."""
    unsteady: float = math.nan
    """RMS of what does not repeat from cycle to cycle, over the RMS of the fundamental."""
    burst: float = math.nan
    """Share of what the fit left over that falls into one twentieth of the block; 0 where its ends weigh nothing."""
    thd: float = math.nan
    thd_sigma: float = math.nan
    thd_noise: float = math.nan
    """What `thd` stays below, but for one time in some millions, when there is nothing but noise."""
    thd_n: float = math.nan
    tops: TopsFit | None = None
    cycle: FloatArray | None = None
    """One folded cycle, as `folded_cycle` returns it [V]."""

    @property
    def peak_lsb(self) -> float:
        """Peak of the fundamental in codes of the converter; infinite where samples are not coded in steps."""
        lsb_v = self.samples.facts.lsb_v
        if self.fit is None:
            return 0.0
        return self.fit.amplitude / lsb_v if lsb_v > 0.0 else math.inf


def mains_families(*, hz: float, highest: int, duration_s: float) -> tuple[FloatArray, ...]:
    """Return the harmonics of `hz` that mains hum could stand on, a family for each mains frequency met."""
    resolution_hz = 1.5 / duration_s
    k = np.arange(2.0, min(highest, int(MAINS_TO_HZ / hz)) + 1)
    families = []
    for mains_hz in MAINS_HZ:
        met = k[np.abs(k * hz - mains_hz * np.maximum(np.rint(k * hz / mains_hz), 1.0)) < resolution_hz]
        if len(met):
            families.append(met)
    return tuple(families)


def rms_ac(volts: FloatArray) -> float:
    """Return the RMS of `volts` about their mean [V], as they are: no whole cycles sought."""
    return float(np.std(volts)) if len(volts) else math.nan


def _dc_u(samples: Samples, dc_v: float, scatter_v: float) -> float:
    """Return the expanded uncertainty of the mean [V]."""
    facts = samples.facts
    # A level that stays inside one code is rounded, not averaged: the full half code stands.
    rounding_v = facts.lsb_v / math.sqrt(12.0) if scatter_v < facts.lsb_v else 0.0
    noise_v = max(scatter_v, facts.noise_v) / math.sqrt(max(len(samples), 1))
    return COVERAGE * math.hypot(facts.offset_u_v, facts.gain_u * dc_v, rounding_v, noise_v)


def blank(samples: Samples) -> Block:
    """Return a block of which no figure is known."""
    nan = math.nan
    return Block(samples, nan, nan, nan, nan, nan, nan, nan, 0.0)


def _without_tone(samples: Samples, line_hz: float = math.nan, line_v: float = 0.0) -> Block:
    """Return the figures that need no tone."""
    facts = samples.facts
    if len(samples) == 0:
        return blank(samples)
    mean_v = float(np.mean(samples.volts))
    scatter_v = rms_ac(samples.volts)
    noise_v = facts.noise_v
    rms_v = math.sqrt(max(scatter_v**2 - noise_v**2, 0.0))
    # The RMS of n samples of noise is known to 1 / sqrt(2 n); what was taken out as noise is not known better.
    rms_u_v = COVERAGE * math.hypot(facts.gain_u * rms_v, scatter_v / math.sqrt(2 * len(samples)))
    rms_u_v = max(rms_u_v, noise_v if rms_v < noise_v else 0.0)
    return Block(
        samples,
        rms_v,
        rms_u_v,
        mean_v if facts.dc_coupled else math.nan,
        _dc_u(samples, mean_v, scatter_v),
        float(np.max(samples.volts)) - mean_v,
        float(np.min(samples.volts)) - mean_v,
        line_hz,
        line_v,
    )


def measure(samples: Samples, *, most_harmonics: int | None = None, known_hz: float = math.nan) -> Block:
    """Measure one block.

    samples : at least 24 of them, over at least a cycle of the tone
    most_harmonics : upper bound of the harmonics; None for `MOST_UNEVEN`, and for all in the band of even samples
    known_hz : frequency of the block before, to save a search

    Levels of a tone come from the fit and its residual, so that neither a part of a cycle at the end of the block
    nor missing samples move them: V^2 = sum |C_k|^2 / 2 + residual, the converter's own noise taken out. Of even
    samples the residual is that in the band, up to `facts.harmonics_to_hz`.
    """
    if len(samples) and not (samples.volts.max() < BEYOND_V and samples.volts.min() > -BEYOND_V):
        return blank(samples)  # NaN and infinity too: no level a circuit could have
    if len(samples) < MIN_SAMPLES:
        return _without_tone(samples)
    if samples.quality.clock is Clock.EVEN and are_even(samples.times_s):
        block = _from_even(samples, most_harmonics, known_hz)
        if block is not None:
            return block
    return _from_uneven(samples, MOST_UNEVEN if most_harmonics is None else most_harmonics, known_hz)


def _smallest_v(samples: Samples) -> float:
    """Return the peak of the weakest line that is looked at [V]."""
    facts = samples.facts
    return max(TONE_LSB * facts.lsb_v, TONE_NOISE * facts.noise_v, 1.0 / BEYOND_V)


def _from_even(samples: Samples, most_harmonics: int | None, known_hz: float) -> Block | None:
    """Return the figures of even samples, by one FFT; None where too few cycles lie in the block for that."""
    facts = samples.facts
    low, high = facts.tone_band_hz
    to_hz = max(high, facts.harmonics_to_hz)
    spectrum = Spectrum(samples.times_s, samples.volts)
    line_hz, line_v = spectrum.strongest(0.8 * low, LEVEL_BEYOND * to_hz)
    strong = 0.5 * line_v**2 > TONE_SHARE * spectrum.power(0.5 * low, LEVEL_BEYOND * to_hz)
    if not (line_v > _smallest_v(samples) and strong):
        return _without_tone(samples) if line_hz * spectrum.span_s > FEWEST_CYCLES_EVEN else None
    standing = abs(known_hz - line_hz) * spectrum.span_s < STANDING
    found = spectrum.tone(
        known_hz if standing else line_hz,
        to_hz=facts.harmonics_to_hz,
        most_harmonics=len(samples) if most_harmonics is None else most_harmonics,
        noise_v=facts.noise_v,
        lsb_v=facts.lsb_v,
        standing=standing,
    )
    return _with_tone(samples, *found) if found is not None else None


def _from_uneven(samples: Samples, most_harmonics: int, known_hz: float) -> Block:
    """Return the figures of samples at any times, by least squares."""
    facts = samples.facts
    smallest_v = _smallest_v(samples)
    fit = None
    if max(facts.tone_band_hz[0], FEWEST_CYCLES / samples.duration_s) <= known_hz <= facts.tone_band_hz[1]:
        harmonics = _harmonics(samples, known_hz, most_harmonics)
        fit = fit_standing(times_s=samples.times_s, volts=samples.volts, known_hz=known_hz, harmonics=harmonics)
    if fit is None or not fit.amplitude > smallest_v:
        rate_hz = (len(samples) - 1) / samples.duration_s
        low, high = facts.tone_band_hz
        line_hz, line_v = strongest_hz(
            times_s=samples.times_s,
            volts=samples.volts,
            low_hz=max(0.8 * low, FEWEST_CYCLES / samples.duration_s),
            high_hz=0.49 * rate_hz,
        )
        if not line_v > smallest_v or 0.5 * line_v**2 < TONE_SHARE * float(np.var(samples.volts)):
            return _without_tone(samples)
        if not 0.9 * low <= line_hz <= 1.05 * high:
            return _without_tone(samples, line_hz, line_v)
        harmonics = _harmonics(samples, line_hz, most_harmonics)
        fit = fit_sine(times_s=samples.times_s, volts=samples.volts, near_hz=line_hz, harmonics=harmonics)
        if fit is None:
            return _without_tone(samples, line_hz, line_v)
    stray = _misplaced(samples, fit)
    if stray.any():
        kept = replace(samples, times_s=samples.times_s[~stray], volts=samples.volts[~stray])
        again = fit_sine(times_s=kept.times_s, volts=kept.volts, near_hz=fit.hz, harmonics=harmonics)
        if again is not None:
            return _with_tone(kept, again, _left_over(kept, again))
    return _with_tone(samples, fit, _left_over(samples, fit))


def _harmonics(samples: Samples, hz: float, most_harmonics: int) -> int:
    return harmonics_that_fit(
        samples=len(samples),
        duration_s=samples.duration_s,
        hz=hz,
        to_hz=samples.facts.harmonics_to_hz,
        limit=most_harmonics,
    )


def _misplaced(samples: Samples, fit: SineFit) -> NDArray[np.bool_]:
    """Return which samples lie far off the wave: a read put one conversion beside its own makes such, now and then.

    More than a few of them, or one in every cycle, are no accident but the wave itself.
    """
    off = np.abs(fit.residual)
    none = np.zeros(len(off), dtype=np.bool_)
    if samples.quality.clock is not Clock.LOCKED or float(off.max()) < 4.0 * fit.residual_rms:
        return none
    # 1.48 times the median of the magnitudes is the standard deviation of the bulk (common practice).
    stray = off > MISPLACED * 1.48 * float(np.median(off))
    few = np.count_nonzero(stray) <= min(MISPLACED_MOST, 0.5 * samples.duration_s * fit.hz)
    return stray if few else none


def _left_over(samples: Samples, fit: SineFit) -> LeftOver:
    """Return what a fit to samples at any times leaves over."""
    noise_v, rms_v = samples.facts.noise_v, fit.residual_rms
    variances, freedom = told_apart(samples.times_s, fit)
    return LeftOver(
        rms_v=rms_v,
        noise_v=noise_v,
        sigma=max(rms_v, noise_v) * np.sqrt(2.0 / len(samples) * variances),
        freedom=freedom,
        unsteady_v=unsteady_rms(fit, samples.times_s, noise_v),
        burst=burst_share(fit, samples.times_s),
    )


def _with_tone(samples: Samples, tone: Tone, left: LeftOver) -> Block:
    """Return the figures of a block that holds a tone."""
    facts = samples.facts
    highest = len(tone.harmonics) - 1
    # Stretching the path's time constants by a small part is the same as stretching the frequency by it.
    stretched = [1.0 - STRETCH, 1.0 + STRETCH]
    response = facts.response(tone.hz * np.concatenate([np.arange(highest + 1), stretched]))
    response, ends = response[:-2], np.abs(response[-2:])
    seen = tone.harmonics / response
    sigma = left.sigma / np.abs(response)
    powers = np.abs(seen[1:]) ** 2
    # Noise makes every |C_k|^2 too large by the variance of its two parts: take that out, down to nothing.
    noise = 2.0 * float(sigma[2:] @ sigma[2:])
    over = float(powers[1:].sum()) - noise
    left_over = max(left.rms_v**2 - left.noise_v**2, 0.0)
    rms_v = math.sqrt(0.5 * (float(powers[0]) + max(over, 0.0)) + left_over)
    thd = math.sqrt(max(over, 0.0) / powers[0])
    asked = min(highest, TOPS_HARMONICS) + 1
    shape = in_phase(seen[:asked])
    shape_sigma = sigma / abs(seen[1])
    families = mains_families(hz=tone.hz, highest=asked - 1, duration_s=samples.duration_s)
    tops = fit_tops(shape=shape, sigma=shape_sigma[:asked], doubtful=families)
    cycle = folded_cycle(seen, tops)
    dc_v = float(tone.harmonics[0].real)
    # Where the path bends nothing the samples themselves hold the peaks, corners and spikes included.
    bent = float(np.abs(seen[1:] - tone.harmonics[1:]).max()) > BENT * abs(seen[1])
    wave, zero_v = (cycle, 0.0) if bent else (samples.volts, dc_v)
    corner = abs(math.log(ends[1] / ends[0])) / (2.0 * STRETCH) * facts.response_u
    path_u = math.hypot(facts.gain_u, corner, facts.spread_u(tone.hz))
    return Block(
        samples=samples,
        rms_v=rms_v,
        rms_u_v=COVERAGE * math.hypot(path_u * rms_v, float(left.sigma[1]) / math.sqrt(2.0)),
        dc_v=dc_v if facts.dc_coupled else math.nan,
        dc_u_v=_dc_u(samples, dc_v, max(left.rms_v, facts.lsb_v)),
        peak_pos_v=float(wave.max()) - zero_v,
        peak_neg_v=float(wave.min()) - zero_v,
        line_hz=tone.hz,
        line_v=float(abs(seen[1])),
        fit=tone,
        hz_u=COVERAGE * math.hypot(tone.hz_sigma, facts.clock_u * tone.hz, _clock_hz(samples, tone)),
        harmonics=seen,
        shape=shape,
        shape_sigma=shape_sigma[:asked],
        unsteady=left.unsteady_v / (tone.amplitude / math.sqrt(2.0)),
        thd=thd,
        burst=left.burst,
        # Root of a sum of squares: its scatter is that of one part along the sum, and never less.
        thd_sigma=math.sqrt(noise / powers[0] / left.freedom),
        thd_noise=math.sqrt(max(surely_less(left.freedom) - 1.0, 0.0) * noise / powers[0]),
        thd_n=math.sqrt((float(powers[1:].sum()) + 2.0 * left.rms_v**2) / powers[0]),
        tops=tops,
        cycle=cycle,
    )


def surely_less(freedom: float) -> float:
    """Return what a sum of `freedom` squares of noise stays below at five standard deviations, over its mean.

    Source: Wilson & Hilferty 1931, the cube root of chi-squared is all but normal.
    """
    spread = 2.0 / (9.0 * freedom)
    return float((1.0 - spread + NOISE_SURE * math.sqrt(spread)) ** 3)


def _clock_hz(samples: Samples, fit: Tone) -> float:
    """Return the standard deviation of the frequency from timing that is not on a grid [Hz]."""
    if samples.quality.clock is not Clock.LEARNING:
        return 0.0
    # White timing noise of sigma_t turns into phase noise of w sigma_t on each of n samples (Rife & Boorstyn 1974).
    timing_s = samples.quality.timing_rms_s
    return float(fit.hz * timing_s * math.sqrt(12.0 / len(samples)) / max(samples.duration_s, 1e-9))


def unsteady_rms(fit: SineFit, times_s: FloatArray, noise_v: float) -> float:
    """Return the RMS of the part of the residual that does not repeat from cycle to cycle [V].

    The converter's own noise is taken out. Harmonics beyond those fitted repeat and drop out; hum, a second tone,
    music, a step of the level do not.
    """
    n = len(fit.residual)
    bins = max(min(n // 6, 256), 1)
    place = ((times_s - fit.middle_s) * (fit.hz * bins)).astype(np.intp) % bins
    count = np.bincount(place, minlength=bins)
    total = np.bincount(place, weights=fit.residual, minlength=bins)
    within = np.bincount(place, weights=fit.residual * fit.residual, minlength=bins) - total * total / np.maximum(
        count, 1
    )
    # An edge of the wave (a square has two) fills a few bins with its steepness: leave the worst tenth out.
    last = bins - bins // 10 - 1
    kept = np.argpartition(within, last)[: last + 1]
    freedom = float(np.maximum(count[kept] - 1, 0).sum())
    return math.sqrt(max(float(within[kept].sum()) / max(freedom, 1.0) - noise_v**2, 0.0))


def burst_share(fit: SineFit, times_s: FloatArray) -> float:
    """Return the largest share of the residual's energy that falls into one of `PIECES` equal pieces of the block.

    Noise, hum and harmonics beyond those fitted are spread over all of it; a step of the level right at one end of the
    block, which the fit all but follows, is not.
    """
    piece = ((times_s - times_s[0]) * (PIECES / max(times_s[-1] - times_s[0], 1e-9))).astype(np.intp)
    energy = np.bincount(np.minimum(piece, PIECES - 1), weights=fit.residual * fit.residual)
    return float(energy.max() / max(energy.sum(), 1e-300))


@lru_cache(maxsize=1)
def _turns() -> tuple[FloatArray, FloatArray]:
    """Return cos(k a) and sin(k a) for k = 0..ADDED_HARMONICS, shape (k, 360), a once round from -90 degrees."""
    angle = 2.0 * math.pi * np.arange(FOLD_STEPS) / FOLD_STEPS - 0.5 * math.pi
    turn = np.outer(np.arange(ADDED_HARMONICS + 1), angle)
    return np.cos(turn), np.sin(turn)


def folded_cycle(harmonics: ComplexArray, tops: TopsFit | None) -> FloatArray:
    """Return one cycle of the a.c. part [V], shape (360,), from a quarter cycle before the positive crest.

    harmonics : complex128, shape (h + 1,), C_0..C_h with the path's response divided out

    Above h the harmonics of the fitted clip stand in, so that a flat top is drawn flat and not as ringing.
    """
    count = min(len(harmonics), ADDED_HARMONICS + 1)
    whole = harmonics[:count] * np.exp(-1j * np.arange(count) * np.angle(harmonics[1]))
    whole[0] = 0.0
    if tops is not None and count <= ADDED_HARMONICS and max(tops.beta_pos, tops.beta_neg) > 0.1:
        above = np.arange(count, ADDED_HARMONICS + 1, dtype=np.float64)
        filling = clipped_harmonics(beta_pos=tops.beta_pos, beta_neg=tops.beta_neg, k=above)
        whole = np.concatenate([whole, abs(harmonics[1]) * filling])
    cosines, sines = _turns()
    return np.asarray(whole.real @ cosines[: len(whole)] - whole.imag @ sines[: len(whole)], dtype=np.float64)


def tops_picture(block: Block) -> Tops | None:
    """Return both half-cycles about their crests with the sine that the flanks predict, or None without a tone."""
    if block.cycle is None or block.tops is None:
        return None
    half = FOLD_STEPS // 2
    twice = np.concatenate([block.cycle, block.cycle[:1]])
    pos_v, neg_v = twice[: half + 1 : PICTURE_STEP], -twice[half::PICTURE_STEP]
    angle_deg = np.arange(-90.0, 90.1, 180.0 / half * PICTURE_STEP)
    # Cutting one top only moves the mean: the uncut sine stands that much off the a.c. part's own zero.
    shift_v = -block.tops.mean_shift * block.line_v
    sine_v = block.tops.uncut * block.line_v * np.cos(np.radians(angle_deg))
    return Tops(angle_deg, pos_v, neg_v, sine_v + shift_v, sine_v - shift_v)


LONGEST_HOLE = 0.3
"""Longest hole in a look, in cycles."""
UNSEEN = 0.5
"""Longest part of the cycle that no sample of a look shows, in cycles of the highest harmonic."""
THINNED = 8.0
"""Even samples are thinned for a look to this many for each cycle of the highest harmonic that is fitted."""
LOOK_STEADY, LOOK_STEADY_THD = 0.01, 0.15
"""Largest part of a look that the fit may leave over, over the fundamental or over the distortion, whichever is more:
a step of the level leaves more."""


@dataclass(frozen=True, slots=True)
class Glance:
    """A look at the last two cycles: quick, and only good for a plainly missing top."""

    thd: float
    unsteady: float
    """What the fit leaves over, over the fundamental."""
    tops: TopsFit | None
    """None where the distortion is too small for a missing top, or the fit leaves too much over to tell."""


def _thinned(samples: Samples, to_hz: float) -> tuple[Samples, Response]:
    """Return even samples as means of many, as far as what lies up to `to_hz` allows, and what that does to a tone.

    A mean of m samples has zeros right where they would fold down onto 0 Hz.
    """
    n, quality = len(samples), samples.quality
    m = int((n - 1) / samples.duration_s / (THINNED * to_hz)) if quality.clock is Clock.EVEN else 1
    if m < 2 or not are_even(samples.times_s):
        return samples, flat_response
    step_s = samples.duration_s / (n - 1)
    first, count = n % m, n // m
    volts = samples.volts[first:].reshape(count, m) @ np.full(m, 1.0 / m)
    times_s = samples.times_s[first] + step_s * (0.5 * (m - 1) + m * np.arange(count))

    def means(hz: FloatArray) -> ComplexArray:
        return (np.sinc(hz * (m * step_s)) / np.sinc(hz * step_s)).astype(np.complex128)

    return replace(samples, times_s=times_s, volts=volts), means


def _hole_unseen(cycles: FloatArray, most: float) -> bool:
    """True where the longest hole of a look is too long, or no other cycle shows `most` of what it hides [cycles]."""
    steps = np.diff(cycles)
    at = int(np.argmax(steps))
    begin, end = cycles[at] - cycles[0], cycles[at + 1] - cycles[0]
    # Of a look of less than two cycles this stretch of its middle is there only once.
    once = min(end, 1.0) - max(begin, cycles[-1] - cycles[0] - 1.0)
    return bool(end - begin > LONGEST_HOLE or once > most)


def glance(samples: Samples, *, hz: float, from_thd: float, most_harmonics: int = 12) -> Glance | None:
    """Look at a block of about two cycles whose frequency is known.

    None where it cannot carry a look. Where the distortion is below `from_thd` no top is missing, and where the fit
    leaves too much over nothing is known of them: most looks end there, and cheaply.
    """
    if len(samples) < MIN_SAMPLES or samples.duration_s * hz < 1.7:
        return None
    facts = samples.facts
    harmonics = _harmonics(samples, hz, most_harmonics)
    if _hole_unseen(samples.times_s * hz, UNSEEN / harmonics):
        return None
    seen, means = _thinned(samples, hz * harmonics)
    fit = fit_at(times_s=seen.times_s, volts=seen.volts, hz=hz, harmonics=harmonics)
    if not fit.amplitude > TONE_LSB * facts.lsb_v:
        return None
    each_hz = np.arange(harmonics + 1, dtype=np.float64) * hz
    response = facts.response(each_hz) * means(each_hz)
    shape = in_phase(fit.harmonics / response)
    thd = float(np.linalg.norm(shape[2:]))
    unsteady = fit.residual_rms * math.sqrt(2.0) / fit.amplitude
    if thd < from_thd or not unsteady < max(LOOK_STEADY, LOOK_STEADY_THD * thd):
        return Glance(thd, unsteady, None)
    sigma = max(fit.sigma, facts.noise_v * math.sqrt(2.0 / len(samples))) / fit.amplitude / np.abs(response)
    return Glance(thd, unsteady, fit_tops(shape=shape, sigma=sigma))
