"""A tone in even samples: frequency, drift and every harmonic to the end of the band, from one windowed FFT.

A Hann window of n samples over T seconds, phases counted from its middle, turns the tone of `fit.Tone` into

    Z(b) = sum_k C_k g(b - k v) + conj(C_k) g(b + k v),  +  P g'(b - v) - conj(P) g'(b + v)

with b the bin, v = f T the cycles in the block, g(d) = sin(pi d) / (pi d (1 - d^2)) the window's own spectrum (1 at 0,
1/2 at +-1) and P = (j T / 2 pi) D, D the drift. As D = (gamma + j delta) C_1, the five bins about the fundamental tell
amplitude, drift gamma and the error delta of the frequency by one linear solution: the search of the four-parameter fit
of IEEE Std 1057, on five numbers instead of 24,000.

With the fundamental and its drift taken out of the bins, each harmonic is read at k v through the window squared
(cos^4), which is one more sum of three bins. Its spectrum h falls by 30 dB an octave: what stands ten bins away is seen
to 1e-5, so that neither other harmonics nor hum, nor a level on the move, stand in the way. Below `CLOSE` cycles
harmonics stand near each other and are solved for together, round by round.

What the window costs: levels scatter by sqrt(1.94) = 1.4 times, the frequency by 2.1 times the Cramer-Rao bound.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from flattop.measure.fit import LeftOver, Tone
from flattop.samples import ComplexArray, FloatArray

FEWEST_CYCLES = 2.3
"""Fewer cycles in the block stand too close together for the window."""
FEWEST_SAMPLES = 1000
UNEQUAL, LOOKED_AT = 0.1, 8
"""A sample may be off its place by this part of a step: times in a file are rounded."""
BAND_FROM_HZ = 20.0
"""What is left over is counted from here on [Hz], or from the tone if that is lower."""
CLOSEST, CLOSE = 4.0, 8.0
"""Below this many cycles in the block the lobes of the harmonics touch."""
NEAREST, NEAR, APART = 3, 6, 24.0
"""So many of the lowest harmonics, at first and at last, are solved for together with the fundamental, if they are no
farther apart [bins]."""
WEAK = 2e-6
"""Harmonics from the last one on that is stronger than this, over the fundamental, add nothing to each other: a
thousand of them are 5e-10 of its power together, at most."""
TAIL = 96
"""Bins to either side from which the fundamental is taken out: what lies beyond is 2e-6 of it, rms."""
ROUNDS, SETTLED = 2, 2e-4
"""Steps of the frequency: the first one comes from the two highest bins and is right to some thousandths of a bin.
After a step of the whole solution as small as this there is none: the next one is about its square [bins]."""
DOUBTFUL = 5e-4
"""Where more than this is left over, of the fundamental, it is asked what of it repeats nevertheless."""
FOLDED, FOLDED_SHARE = 96, 0.25
"""So many harmonics above the band, folded down, are told from what does not repeat, if weaker than the others."""
PRIMES = (2, 3, 5, 7)
WINDOW_POWER = 1.5
"""Sum of g^2 over all bins."""
LONGEST_ROUND = 1000
"""A tone that comes round to the same samples only after more of them is rounded like noise."""
SLIP_CODES = 0.5
"""Samples are rounded alike while all the block through their place on the wave moves by no more [codes]."""
MANY_CODES = 1e4
"""Of a tone of so many codes rounding bends nothing that counts."""
CREST_CODES = 0.4
"""Harmonics of a rounded sine of one code, twice their middle height, for they stand together [codes]."""
READ_NOISE = 35.0 / 27.0
"""Variance of a harmonic read through the window squared, over that of one bin of the window."""
_ALIKE = np.array([1.0, -2.0 / 3.0, 1.0 / 6.0, 0.0, 0.0])
BINS_ALIKE = _ALIKE[np.abs(np.subtract.outer(np.arange(5), np.arange(5)))]
"""Correlation of white noise in five neighbouring bins of a Hann window."""


def are_even(times_s: FloatArray) -> bool:
    """Return True if there are enough samples for an FFT, and all steps are alike.

    A sample that is missing puts half of all others off their places, or more: every `LOOKED_AT`th one tells.
    """
    n = len(times_s)
    if n < FEWEST_SAMPLES:
        return False
    step_s = float(times_s[-1] - times_s[0]) / (n - 1)
    looked_at = times_s[::LOOKED_AT]
    off_s = looked_at - (times_s[0] + LOOKED_AT * step_s * np.arange(len(looked_at)))
    return bool(np.abs(off_s).max() < UNEQUAL * step_s)


@lru_cache(maxsize=64)
def fast_length(n: int) -> int:
    """Return the largest number up to n that has no prime factor above 7: an FFT of a prime length takes 20 times."""
    while True:
        rest = n
        for prime in PRIMES:
            while rest % prime == 0:
                rest //= prime
        if rest == 1:
            return n
        n -= 1


@lru_cache(maxsize=8)
def _hann(n: int) -> FloatArray:
    """Return the window, 1 in its middle at sample n / 2 and 0 at sample 0."""
    return np.asarray(0.5 - 0.5 * np.cos(2.0 * math.pi * np.arange(n) / n), dtype=np.float64)


def _lobe(first: int, stop: int, centres: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return (-1)^b g(b - centre) and (-1)^b g'(b - centre), a row for each centre, at the bins b from `first` on.

    The sign, with which an FFT counts phases from the first sample, cancels that of sin(pi (b - centre)).
    """
    whole = np.rint(centres)
    part = centres - whole
    part[np.abs(part) < 1e-12] = 1e-12
    sign = 1.0 - 2.0 * (whole % 2.0)
    # g is half the sum of a sinc and those a bin to either side of it; each has one pole, where its slope is a series.
    d = (np.arange(first - 1.0, stop + 1.0) - whole[:, None]) - part[:, None]
    sinc = (sign * np.sin(math.pi * part) / -math.pi)[:, None] / d
    slope = ((sign * np.cos(math.pi * part))[:, None] - sinc) / d
    for i in np.flatnonzero(np.abs(part) < 1e-4):
        pole = int(whole[i]) - first + 1
        if 0 <= pole < d.shape[1]:
            slope[i, pole] = sign[i] * (-(math.pi**2) / 3.0) * d[i, pole]
    return sinc[:, 1:-1] - 0.5 * (sinc[:, :-2] + sinc[:, 2:]), slope[:, 1:-1] - 0.5 * (slope[:, :-2] + slope[:, 2:])


def _squared(d: FloatArray) -> FloatArray:
    """Return h(d), the spectrum of the window squared, 1 at 0; beyond |d| = 1."""
    d = np.where(np.abs(np.abs(d) - 2.0) < 1e-7, 2.0 + 1e-7, d)  # a pole that cancels
    squares = d * d
    return np.asarray(np.sinc(d) * 4.0 / ((1.0 - squares) * (4.0 - squares)), dtype=np.float64)


def line(times_s: FloatArray, volts: FloatArray, hz: float) -> tuple[complex, float, float]:
    """Read one line of even samples at a known frequency, through the window.

    Returns its amplitude [V peak] with the phase at the window's middle, the standard deviation of its real and of its
    imaginary part [V] if what it leaves over is white, and its share of the a.c. power.
    """
    n = fast_length(len(volts))
    angle = 2.0 * math.pi * hz * float(times_s[-1] - times_s[0]) / (len(times_s) - 1)
    window, newest = _hann(n), volts[len(volts) - n :]
    centred = newest - 2.0 * float(window @ newest) / n
    seen = centred * window
    # The turn of sample q p + r is that of q p times that of r: two short rows instead of n sines and cosines.
    p = next(p for p in range(math.isqrt(n), 0, -1) if n % p == 0)
    inner = np.exp(-1j * angle * np.arange(p))
    outer = np.exp(-1j * angle * (np.arange(0, n, p) - 0.5 * n))
    grid = seen.reshape(-1, p)
    found = complex(outer @ (grid @ inner.real + 1j * (grid @ inner.imag))) * 4.0 / n
    # Weighed by the window, as the line is, so that what is left over is just what the line does not explain.
    power = float(seen @ centred) / (0.5 * n)
    left_over = max(power - 0.5 * abs(found) ** 2, 0.0)
    return found, math.sqrt(2.0 * WINDOW_POWER * left_over / n), min(0.5 * abs(found) ** 2 / max(power, 1e-300), 1.0)


@dataclass(frozen=True, slots=True)
class _Fundamental:
    """The fundamental as the bins see it."""

    cycles: float
    line: complex
    drift: complex
    """P, in bins."""
    spread: float
    """Standard deviation of the real part of P for noise of variance 1 in a bin."""

    def at(self, first: int, stop: int) -> ComplexArray:
        """Return what it adds to the bins from `first` on, image and drift included."""
        line, drift, alone = self.line, self.drift, self.cycles > TAIL
        lobe, slope = _lobe(first, stop, np.array([self.cycles] if alone else [self.cycles, -self.cycles]))
        seen = line * lobe[0] + drift * slope[0]
        if not alone:
            seen += line.conjugate() * lobe[1] - drift.conjugate() * slope[1]
        return np.asarray(seen, dtype=np.complex128)


class Spectrum:
    """The windowed spectrum of one block of even samples."""

    def __init__(self, times_s: FloatArray, volts: FloatArray) -> None:
        """Take the newest samples, as many as make a fast FFT; `times_s` and `volts`: float64, shape (n,)."""
        n = fast_length(len(volts))
        step_s = float(times_s[-1] - times_s[0]) / (len(times_s) - 1)
        self.n, self.span_s = n, n * step_s
        self.middle_s = float(times_s[-1]) - (0.5 * n - 1.0) * step_s
        self.bins = np.fft.rfft(volts[len(volts) - n :] * _hann(n))
        self.bins *= 4.0 / n
        # The mean through the window: a plain one would take a part of a cycle for d.c.
        self.mean_v = 0.5 * float(self.bins[0].real)
        self.bins[:2] -= self.mean_v * np.array([2.0, -1.0])

    def _range(self, low_hz: float, high_hz: float) -> slice:
        # A hair of a bin, so that rounding does not decide whether one right on the edge belongs to the band.
        first = max(math.ceil(low_hz * self.span_s - 1e-3), 3)  # the lobe of the d.c. ends there
        return slice(first, max(min(math.floor(high_hz * self.span_s + 1e-3) + 1, len(self.bins) - 2), first))

    def power(self, low_hz: float, high_hz: float) -> float:
        """Return the mean square of what lies between two frequencies [V^2]."""
        part = self.bins[self._range(low_hz, high_hz)]
        return float(np.vdot(part, part).real) / (2.0 * WINDOW_POWER)

    def strongest(self, low_hz: float, high_hz: float) -> tuple[float, float]:
        """Return frequency [Hz] and peak [V] of the strongest line; (NaN, 0.0) where there is no bin."""
        inside = self._range(low_hz, high_hz)
        first = max(math.floor(low_hz * self.span_s), 2)
        part = self.bins[first : inside.stop]
        if not len(part):
            return math.nan, 0.0
        b = first + int(np.argmax(part.real**2 + part.imag**2))
        left, middle, right = np.abs(self.bins[b - 1 : b + 2]).tolist()
        # Of a pure tone the two highest bins are as (1 + d) to (2 - d), d the distance from the higher one.
        ratio = max(left, right) / middle if middle > 0.0 else 0.5
        d = min(max((2.0 * ratio - 1.0) / (1.0 + ratio), 0.0), 0.6)
        lobe = 1.0 if d < 1e-6 else math.sin(math.pi * d) / (math.pi * d * (1.0 - d * d))
        return (b + math.copysign(d, right - left)) / self.span_s, middle / lobe

    def tone(
        self,
        near_hz: float,
        *,
        to_hz: float,
        most_harmonics: int,
        noise_v: float,
        lsb_v: float = 0.0,
        standing: bool = False,
    ) -> tuple[Tone, LeftOver] | None:
        """Take the tone near a frequency out of the bins; return it, and what it leaves over in the band up to `to_hz`.

        near_hz : frequency of the tone to half a bin
        noise_v : the converter's own noise, all of it below half the sample rate, rms [V]
        lsb_v : step of the codes, 0 where there are none [V]
        standing : True where `near_hz` is what the tone had in the block before

        None where fewer than `FEWEST_CYCLES` of it lie in the block, or nothing stands where it should.
        """
        cycles = near_hz * self.span_s
        if cycles < FEWEST_CYCLES:
            return None
        found = self._fundamental(cycles, int(to_hz / near_hz), standing=standing)
        if found is None or abs(found.cycles - cycles) > 1.0:
            return None
        hz = found.cycles / self.span_s
        highest = max(min(int(to_hz / hz + 1e-3), int((len(self.bins) - 2) / found.cycles), most_harmonics), 1)
        self._take_out(found)
        harmonics, sharpness = self._harmonics(found, highest)
        band = self._range(min(BAND_FROM_HZ, hz), max(to_hz, hz))
        part, width = self.bins[band], band.stop - band.start
        explained = _power(harmonics[2:], found.cycles)
        power = float(np.vdot(part, part).real) / (2.0 * WINDOW_POWER) - explained
        lines = 2.0 + float(sharpness[2:] @ sharpness[2:])
        if (DOUBTFUL * abs(found.line)) ** 2 < power < FOLDED_SHARE * explained:
            folded, count = self._folded(found, band, highest)
            power, lines = power - folded, lines + count
        # Every harmonic takes its share of the noise out of the bins, the fundamental with its drift two.
        taken = WINDOW_POWER * READ_NOISE * lines
        power = max(power, 0.0) / max(1.0 - taken / width, 0.05)
        own = noise_v**2 * 2.0 * width / self.n
        # Variance of one bin, from all bins of the band alike.
        bin_variance = 2.0 * WINDOW_POWER * max(power, own) / width
        rounding = self._rounding(found, power * self.n / (2.0 * width), lsb_v)
        harmonics[0] = harmonics[0].real + self.mean_v
        change = found.drift / found.line
        tone = Tone(
            hz=hz,
            hz_sigma=found.spread * math.sqrt(0.5 * bin_variance) / abs(found.line) / self.span_s,
            middle_s=self.middle_s,
            harmonics=harmonics,
            drift_per_s=2.0 * math.pi / self.span_s * change.imag,
        )
        return tone, LeftOver(
            rms_v=math.sqrt(power),
            noise_v=math.sqrt(own),
            sigma=np.sqrt(0.5 * READ_NOISE * bin_variance * sharpness**2 + rounding),
            freedom=max(2.0 * (highest - 1), 1.0),
            unsteady_v=math.sqrt(max(power - own, 0.0)),
            # A step right at one end of the block weighs nothing in this window.
            burst=0.0,
        )

    def _rounding(self, found: _Fundamental, noise_v2: float, lsb_v: float) -> float:
        """Return the variance [V^2] that rounding to codes gives each part of a harmonic beyond what noise shows of it.

        noise_v2 : mean square of all that is left over, up to half the sample rate [V^2]
        """
        if not 0.0 < lsb_v * MANY_CODES > abs(found.line):
            return 0.0
        codes = abs(found.line) / lsb_v
        # About its crest a tone stays within one code: the harmonics of a rounded sine are Bessel functions of its peak
        # in codes (Blachman 1985; from memory), alike far up and in phase with the crest. Noise smears them out.
        dither = max(noise_v2 / lsb_v**2 - 1.0 / 12.0, 0.0)
        crest = CREST_CODES**2 / codes * math.exp(-((2.0 * math.pi) ** 2) * dither)
        return lsb_v**2 * (crest + 1.0 / 6.0 / self._comes_round(found.cycles, codes))

    def _comes_round(self, cycles: float, codes: float) -> int:
        """Return after how many samples a tone is rounded alike again; all of them where it is not within the block.

        What rounding adds to a tone then is no noise, but lies on as many lines as half of these samples.

        codes : peak of the tone in steps of the code
        """
        samples = np.arange(1, min(LONGEST_ROUND, self.n) + 1)
        turns = samples * (cycles / self.n)
        slip = np.abs(turns - np.rint(turns)) * (self.n / samples)
        alike = np.flatnonzero(2.0 * math.pi * codes * slip < SLIP_CODES)
        return int(samples[alike[0]]) if len(alike) else self.n

    def _fundamental(self, cycles: float, highest: int, *, standing: bool) -> _Fundamental | None:
        """Return the fundamental by Gauss-Newton, with its neighbours where they reach into its bins.

        standing : True where `cycles` is that of the block before, which needs no first step
        """
        last = standing
        for _ in range(ROUNDS):
            if not 2.0 < cycles < len(self.bins) - 4:
                return None
            together = cycles < (APART if last else CLOSEST)
            if last or not together:
                own = slice(round(cycles) - 2, round(cycles) + 3)
                lobe, slope = (each[0] for each in _lobe(own.start, own.stop, np.array([cycles])))
                by_slope = slope - float(lobe @ slope) / float(lobe @ lobe) * lobe
                by_slope /= float(by_slope @ slope)
            if together:
                line, drift = self._together(cycles, max(min(highest, NEAR if last else NEAREST), 1))
            else:
                seen = self.bins[own]
                drift = complex(by_slope @ seen)
                line = complex(lobe @ seen - drift * float(lobe @ slope)) / float(lobe @ lobe)
            if line == 0:
                return None
            # The part of P along C_1 is an error of the frequency; what is left of it is the drift.
            change = drift / line
            cycles += min(max(-change.real, -0.5), 0.5)
            if last and abs(change.real) < SETTLED:
                break
            last = True
        spread = math.sqrt(float(by_slope @ BINS_ALIKE @ by_slope))
        return _Fundamental(cycles, line, 1j * change.imag * line, spread)

    def _together(self, cycles: float, highest: int) -> tuple[complex, complex]:
        """Return C_1 and P by least squares on the bins about d.c., the fundamental and its next harmonics."""
        k = np.arange(highest + 1)
        around = np.abs(np.rint(k * cycles).astype(np.intp)[:, None] + np.arange(-2, 3))
        stop = min(int(around[-1, -1]) + 1, len(self.bins))
        near = np.zeros(stop, dtype=np.bool_)
        near[around[around < stop]] = True
        lobe, slope = _lobe(0, stop, cycles * np.concatenate([k, -k[1:]]))
        lobe, slope = lobe[:, near], slope[:, near]
        plus, minus = lobe[1 : highest + 1], lobe[highest + 1 :]
        # Real and imaginary parts of C_1..C_h and of P, and C_0, which is its own image.
        real = np.concatenate([plus + minus, slope[1:2] - slope[highest + 1 : highest + 2]])
        imaginary = np.concatenate([plus - minus, slope[1:2] + slope[highest + 1 : highest + 2]])
        seen = self.bins[:stop][near]
        columns = np.concatenate([real, 2.0 * lobe[:1]])
        x = np.linalg.solve(columns @ columns.T, columns @ seen.real)
        y = np.linalg.solve(imaginary @ imaginary.T, imaginary @ seen.imag)
        return complex(x[0], y[0]), complex(x[highest], y[highest])

    def _take_out(self, found: _Fundamental) -> None:
        """Take the fundamental out of the bins."""
        centre = round(found.cycles)
        first, last = max(centre - TAIL, 0), min(centre + TAIL + 1, len(self.bins))
        self.bins[first:last] -= found.at(first, last)

    def _folded(self, found: _Fundamental, band: slice, highest: int) -> tuple[float, int]:
        """Return the mean square [V^2] and the number of lines that harmonics above half the rate make, folded down.

        No converter lets them through, but a wave that was made by formula has them; they repeat with the tone.
        """
        at = (np.arange(highest + 1, highest + 1 + FOLDED) * found.cycles) % self.n
        at = np.minimum(at, self.n - at)
        beside = np.abs(at - found.cycles * np.rint(at / found.cycles))
        bins = np.rint(at).astype(np.intp)
        _, first = np.unique(bins, return_index=True)
        first = first[(beside[first] > 4.0) & (bins[first] >= band.start) & (bins[first] < band.stop)]
        bins, d = bins[first], bins[first] - at[first]
        lines = (2.0 * self.bins[bins] - self.bins[bins - 1] - self.bins[bins + 1]) * _sharpness(d) / 3.0
        return 0.5 * float(np.vdot(lines, lines).real), len(lines)

    def _harmonics(self, found: _Fundamental, highest: int) -> tuple[ComplexArray, FloatArray]:
        """Return C_0..C_highest, and 1 / h of each: how much farther it scatters than one that stands on its bin."""
        k = np.arange(highest + 1)
        at = k * found.cycles
        bins = np.rint(at).astype(np.intp)
        d = bins - at
        sharpness = _sharpness(d)
        beside = self.bins[bins + 1] + self.bins[np.abs(bins - 1)]
        beside[0] = 2.0 * self.bins[1].real
        harmonics = (2.0 * self.bins[bins] - beside) * (1.0 - 2.0 * (bins & 1)) * sharpness / 3.0
        harmonics[0] = 0.5 * harmonics[0].real
        harmonics[1] = 0.0
        if found.cycles < CLOSE:
            # What the weak ones far up add to each other does not count.
            some = int(np.flatnonzero(np.abs(harmonics) > WEAK * abs(found.line)).max(initial=1)) + 1
            harmonics[:some] = _parted(harmonics[:some], found.cycles, d[:some], sharpness[:some])
        harmonics[1] = found.line
        return harmonics, sharpness


def _sharpness(d: FloatArray) -> FloatArray:
    """Return 1 / h(d) for lines half a bin at most beside their bin."""
    squares = d * d
    return np.asarray((1.0 - squares) * (4.0 - squares) / (4.0 * np.sinc(d)), dtype=np.float64)


def _reach(cycles: float) -> int:
    """Return how many neighbours of a harmonic touch it on either side."""
    return int(CLOSE / cycles)


def _power(harmonics: ComplexArray, cycles: float) -> float:
    """Return the mean square that harmonics, `cycles` bins apart, have in the window's bins [V^2]."""
    power = 0.5 * float(np.vdot(harmonics, harmonics).real)
    for m in range(1, min(_reach(cycles), len(harmonics) - 1) + 1):
        # Sums of g(b) g(b - d) over all bins are `WINDOW_POWER` h(d).
        d = m * cycles
        beside = math.sin(math.pi * d) / (math.pi * d) * 4.0 / ((1.0 - d * d) * (4.0 - d * d))
        power += float(np.vdot(harmonics[:-m], harmonics[m:]).real) * beside
    return power


def _parted(read: ComplexArray, cycles: float, d: FloatArray, sharpness: FloatArray) -> ComplexArray:
    """Return harmonics freed of what their neighbours add to each other, their images below 0 Hz included."""
    count, reach = len(read), _reach(cycles)
    zero, beyond = reach + count - 1, np.zeros(reach)
    neighbours = [m for m in range(-reach, reach + 1) if m]
    apart = cycles * np.array(neighbours, dtype=np.float64)[:, None]
    squares = d * d
    sine = d * ((1.0 - squares) * (0.25 * math.pi * (4.0 - squares)))  # sin(pi d) over h(d)
    cosine = np.cos(math.pi * d) * sharpness
    # h(d - m v) as in `_squared`, its sine from two that are the same for all m.
    x = d - apart
    at_pole = np.abs(np.abs(x) - 2.0) < 1e-9
    x[at_pole] = 1.0 / 3.0  # anything else: the pole cancels
    squares = x * x
    x *= (1.0 - squares) * (math.pi - 0.25 * math.pi * squares)
    turned = np.cos(math.pi * apart) * sine - np.sin(math.pi * apart) * cosine
    weights = (turned / x).astype(np.complex128)
    weights[at_pole] = 1.0 / 6.0
    found, added, each = read, np.empty_like(read), np.empty_like(read)
    for _ in range(reach + 1):
        # Both sides of the spectrum in one row; C_0 counts twice, for it is its own image.
        row = np.concatenate([beyond, np.conj(found[:0:-1]), [2.0 * found[0]], found[1:], beyond])
        added[:] = 0.0
        for weight, m in zip(weights, neighbours, strict=True):
            np.multiply(weight, row[zero + m : zero + m + count], out=each)
            added += each
        found = read - added
        found[0] = read[0] - 0.5 * added[0].real
        found[1] = 0.0
    return found
