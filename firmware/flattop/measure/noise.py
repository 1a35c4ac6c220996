"""Is it quiet? What is left on a lead without a tone: hum of the mains, whine of the engine, and the rest.

Each block becomes a spectrum of power. Lines stand out of it; those of the mains family stand still and are harmonics
of 50 or of 60 Hz; those that move from block to block, together with their harmonics, come from something that turns.
What is neither is a steady line, or the broad rest. What the converter's own noise hides is given as a bound, never
as nothing.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from flattop.measure.level import MAINS_HZ
from flattop.samples import Clock, Facts, FloatArray, Samples

BLOCK_S = 0.5
"""Length of one block [s]: mains lines stand 5 bins apart or more, a whine moves over few."""
UPDATE_S = 0.25
MEMORY = 8
"""So many blocks back a mains line is looked for: each holds only what was there in most of them."""
FEWEST = 6
"""So many blocks are needed before anything is said."""
MEAN_OF = 4
"""Levels are means of so many blocks."""
COVERAGE = 2.0
"""Coverage factor of every expanded uncertainty (JCGM 100:2008)."""
LOBE = 2
"""A steady line spreads over so many bins to either side (Hann window)."""
LINE_OVER = 14.0
"""A bin this many times the power around it is a line: chance makes one in a million of those."""
SKIRT_OVER = 4.0
"""A line that moves within its block spreads over all bins that stand out by this."""
HUM_OVER = 8.0
"""The same for a mains line, whose place is known, in most of the blocks."""
HUM_TO_HZ = 2000.0
FILLINGS = 4
"""How often holes are filled in anew."""
AROUND = 160
"""Bins in which the power around a line is looked for, by its lower quartile: a line on the move fills many of them."""
QUARTILE_OF_NOISE = math.log(4.0 / 3.0)
"""Lower quartile over mean of the power of noise in one bin (it is exponentially distributed)."""
FAINT = 1e-3
"""A harmonic with less than this of the power so far is none: the feet of a strong line reach that far."""
MOST_HARMONICS = 8
"""Harmonics of a whine that are looked for where they must be."""
MOVED = 0.04
"""A line has moved if its frequency went over this share of itself, and over MOVED_BINS."""
MOVED_BINS = 5.0
STILL = 0.01
TOGETHER = 0.012
"""Harmonics move together if the ratio of their frequencies keeps within this."""
TRACK_S = 3.0
"""How far back a line is remembered [s]."""
LOST_S = 1.0
"""A line not seen for this long is gone [s]."""
STEPS_TO_MOVE, STEPS_TO_STAND = 5, 6
FLOOR_U = 0.1
"""Relative standard uncertainty (k = 1) of a converter's own noise."""
TONE_SHARE = 0.98
"""A steady line with so much of the power is no noise but a tone."""
SAME_TONE = 0.015
COARSE_LSB = 0.5
"""A scatter below this many codes, rms, is too small for the codes to follow what is there."""
STEADY_U, LINE_U, REST_U = 0.01, 0.02, 0.03
"""What a steady line and one that moves lose around them; what blocks of noise scatter by; relative, k = 1."""


class Stage(StrEnum):
    """How far the question is answered."""

    LISTENING = "listening"
    HEARD = "heard"
    TONE = "a tone is playing"


@dataclass(frozen=True, slots=True)
class Part:
    """One kind of noise.

    volts : rms [V]; where `below`, a bound that it stays under
    u_v : expanded uncertainty, k = 2 [V]
    hz : the mains frequency, or the lowest line of the kind; NaN for the rest and where there is none
    lines : how many lines it has
    """

    volts: float
    u_v: float
    below: bool = False
    hz: float = math.nan
    lines: int = 0


@dataclass(frozen=True, slots=True)
class Noise:
    """What is on a lead without a tone, in `band_hz`; nothing is said of what lies outside.

    line : a steady line that is not of the mains: turned engine speed would tell whether it is whine
    tone_v : the last kept tone [V rms]; NaN without one
    """

    stage: Stage
    time_s: float
    band_hz: tuple[float, float]
    total: Part
    hum: Part
    whine: Part
    line: Part
    rest: Part
    tone_v: float = math.nan

    def down_db(self, part: Part) -> float:
        """Return how far a part lies below the last kept tone [dB]; NaN without a tone."""
        both = part.volts > 0.0 and self.tone_v > 0.0
        return 20.0 * math.log10(self.tone_v / part.volts) if both else math.nan


_UNKNOWN = Part(math.nan, math.nan)


# -- one block --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Line:
    """A line in one block: its middle [Hz], its power [V^2] and the bins it takes."""

    hz: float
    power: float
    first: int
    last: int


@dataclass(frozen=True, slots=True, eq=False)
class _Spectrum:
    """Power in each bin [V^2], the path divided out; index k stands for k `bin_hz`; shape (n,).

    around : power around each bin without the lines in it
    floor : what the converter's own noise puts there
    """

    time_s: float
    bin_hz: float
    power: FloatArray
    around: FloatArray
    floor: FloatArray
    band: slice


@lru_cache(maxsize=8)
def _hann(n: int) -> FloatArray:
    return np.asarray(0.5 - 0.5 * np.cos(2.0 * math.pi * (np.arange(n) + 0.5) / n))


def band_hz(facts: Facts) -> tuple[float, float]:
    """Return the band in which noise is measured: what the converter passes well enough to be corrected [Hz]."""
    return facts.tone_band_hz[0], facts.harmonics_to_hz


def _spectrum(samples: Samples) -> _Spectrum | None:
    if len(samples) < 64 or samples.duration_s < 0.5 * BLOCK_S:
        return None
    if samples.quality.clock is Clock.LEARNING:
        return None
    facts = samples.facts
    volts, step_s = _even(samples)
    count = len(volts)
    window = _hann(count)
    power = np.abs(np.fft.rfft(volts * window)) ** 2 * (2.0 / (count * float(window @ window)))
    bin_hz = 1.0 / (count * step_s)
    low, high = band_hz(facts)
    band = slice(max(math.ceil(low / bin_hz), 2), min(int(high / bin_hz) + 1, len(power)))
    if band.stop - band.start < 2 * LOBE + 2:
        return None
    gain = np.ones(len(power))
    hz = np.asarray(np.arange(band.start, band.stop) * bin_hz, dtype=np.float64)
    gain[band] = np.abs(facts.response(hz)) ** 2
    own = np.asarray(facts.noise_v**2 * 2.0 / count / gain, dtype=np.float64)
    power = np.asarray(power / gain, dtype=np.float64)
    return _Spectrum(float(samples.times_s[-1]), bin_hz, power, _around(power, band), own, band)


def _even(samples: Samples) -> tuple[FloatArray, float]:
    """Return a.c. volts on an even grid, and its step [s]; what was not read is filled in from the lines around it."""
    volts = samples.volts - samples.volts.mean()
    if samples.quality.clock is Clock.EVEN:
        return volts, samples.duration_s / (len(samples) - 1)
    step_s = float(np.median(np.diff(samples.times_s)))
    if samples.quality.rate_hz > 0.0:
        step_s = 1.0 / samples.quality.rate_hz
    place = np.rint((samples.times_s - samples.times_s[0]) / step_s).astype(np.intp)
    count = int(place[-1]) + 1
    hole = np.ones(count, dtype=np.bool_)
    hole[place] = False
    even = np.interp(np.arange(count), place, volts)
    # A straight line across a hole lacks most of what is high: a few per cent of a line would seem to be noise.
    for _ in range(FILLINGS if hole.any() else 0):
        bins = np.fft.rfft(even)
        power = np.abs(bins) ** 2
        bins[power < LINE_OVER * float(np.median(power))] = 0.0
        lines = np.fft.irfft(bins, count)
        between = np.interp(np.arange(count), place, (even - lines)[place])
        even[hole] = lines[hole] + between[hole]
    return even, step_s


def _around(power: FloatArray, band: slice) -> FloatArray:
    """Return the mean power of noise around each bin, from quartiles that lines do not move."""
    inside = power[band]
    size = min(AROUND, len(inside))
    pieces = len(inside) // size
    middles = np.quantile(inside[: pieces * size].reshape(pieces, size), 0.25, axis=1) / QUARTILE_OF_NOISE
    centres = band.start + size * (np.arange(pieces) + 0.5) - 0.5
    return np.maximum(np.interp(np.arange(len(power)), centres, middles), 1e-300)


def _lines(spectrum: _Spectrum) -> list[_Line]:
    """Return the lines of a block, in the order of frequency."""
    over = spectrum.power / spectrum.around
    first, last = spectrum.band.start, spectrum.band.stop - 1
    lines: list[_Line] = []
    for peak in np.flatnonzero(over[first : last + 1] > LINE_OVER) + first:
        if lines and peak <= lines[-1].last:
            continue
        low = high = int(peak)
        while low > first and over[low - 1] > SKIRT_OVER:
            low -= 1
        while high < last and over[high + 1] > SKIRT_OVER:
            high += 1
        top = low + int(np.argmax(spectrum.power[low : high + 1]))
        low, high = max(min(low, top - LOBE), first), min(max(high, top + LOBE), last)
        excess = np.maximum(spectrum.power[low : high + 1] - spectrum.around[low : high + 1], 0.0)
        total = float(excess.sum())
        hz = float(excess @ np.arange(low, high + 1)) / total * spectrum.bin_hz
        lines.append(_Line(hz, total, low, high))
    return lines


# -- from block to block ----------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Track:
    """One line from block to block."""

    times_s: list[float] = field(default_factory=list)
    hz: list[float] = field(default_factory=list)
    power: list[float] = field(default_factory=list)
    width_hz: float = 0.0
    """What it spread over in the last block: with half of it seen again in the next, it moves by less than that."""
    moving: bool = False
    """It has moved at some time: it stays what it is when the engine's speed does."""

    def add(self, time_s: float, line: _Line, *, bin_hz: float) -> None:
        self.times_s.append(time_s)
        self.hz.append(line.hz)
        self.power.append(line.power)
        self.width_hz = (line.last - line.first) * bin_hz
        while self.times_s[0] < time_s - TRACK_S:
            for row in (self.times_s, self.hz, self.power):
                del row[0]
        if len(self.hz) >= STEPS_TO_MOVE:
            span = max(self.hz) - min(self.hz)
            self.moving = self.moving or (span > MOVED * self.hz[-1] and span > MOVED_BINS * bin_hz and self._smooth())

    def _smooth(self) -> bool:
        """Return whether most steps go one way: what chance moves goes to and fro."""
        steps = np.diff(self.hz)
        return bool(abs(steps.sum()) > 0.5 * np.abs(steps).sum())

    def expected_hz(self, time_s: float) -> float:
        return self.hz[-1] + self.slope_hz_s * (time_s - self.times_s[-1])

    @property
    def slope_hz_s(self) -> float:
        """How fast it moves [Hz/s]."""
        if len(self.hz) < 2:
            return 0.0
        return (self.hz[-1] - self.hz[-2]) / (self.times_s[-1] - self.times_s[-2])

    @property
    def standing(self) -> bool:
        return (
            not self.moving
            and len(self.hz) >= STEPS_TO_STAND
            and max(self.hz) - min(self.hz) < STILL * self.hz[-1] + 1.0
        )

    def together_with(self, other: _Track) -> bool:
        """Return whether the two keep the ratio of their frequencies."""
        common = sorted(set(self.times_s) & set(other.times_s))
        if len(common) < 3:
            return False
        ratios = [
            math.log(self.hz[self.times_s.index(time_s)] / other.hz[other.times_s.index(time_s)]) for time_s in common
        ]
        return max(ratios) - min(ratios) < TOGETHER


class Listener:
    """Turns blocks of BLOCK_S, taken every UPDATE_S without a tone, into what is heard in them.

    tone_v, tone_hz : level [V rms] and frequency of the last kept tone; NaN without one
    """

    def __init__(self, *, tone_v: float = math.nan, tone_hz: float = math.nan) -> None:
        self.tone_v, self.tone_hz = tone_v, tone_hz
        self._spectra: deque[_Spectrum] = deque(maxlen=MEMORY)
        self._tracks: list[_Track] = []
        self._levels: deque[tuple[float, float, float]] = deque(maxlen=MEMORY)
        self._count = 0

    def listen(self, samples: Samples) -> Noise:
        """Take the next block in, and return what is heard by now."""
        spectrum = _spectrum(samples)
        if spectrum is None:
            time_s = float(samples.times_s[-1]) if len(samples) else math.nan
            return self._nothing(time_s, samples.facts)
        # A converter's clock that is found anew, or another converter: bins mean something else from now on.
        if self._spectra and abs(self._spectra[-1].bin_hz / spectrum.bin_hz - 1.0) > 0.02:
            self._spectra.clear()
            self._levels.clear()
            self._tracks.clear()
            self._count = 0
        self._spectra.append(spectrum)
        self._count += 1
        mains_hz, hum_lines = self._hum()
        lines = [line for line in _lines(spectrum) if not _of_family(line, mains_hz, hum_lines, spectrum.bin_hz)]
        seen = self._follow(lines, spectrum)
        return self._noise(samples, spectrum, (mains_hz, hum_lines), seen)

    def _nothing(self, time_s: float, facts: Facts) -> Noise:
        return Noise(
            Stage.LISTENING, time_s, band_hz(facts), _UNKNOWN, _UNKNOWN, _UNKNOWN, _UNKNOWN, _UNKNOWN, self.tone_v
        )

    def _family(self, mains_hz: float) -> tuple[NDArray[np.intp], FloatArray, NDArray[np.bool_]]:
        """Return the harmonics of a mains frequency in the band, their power [V^2] and whether they are there at all.

        Of the last blocks the median counts, and three quarters must agree: what passes through on its way does not.
        """
        last = self._spectra[-1]
        top_hz = min(HUM_TO_HZ, (last.band.stop - 1 - LOBE) * last.bin_hz)
        numbers = np.arange(1, int(top_hz / mains_hz) + 1)
        powers, around = [], []
        for spectrum in self._spectra:
            # Mains frequency is within a few parts in 10,000 of its name: within one bin up to here.
            centre = np.rint(numbers * mains_hz / spectrum.bin_hz).astype(np.intp)
            bins = np.minimum(centre[:, None] + np.arange(-LOBE, LOBE + 1), len(spectrum.power) - 1)
            powers.append((spectrum.power[bins] - spectrum.around[bins]).sum(axis=1))
            around.append(spectrum.around[centre])
        sure = np.quantile(powers, 0.25, axis=0) > HUM_OVER * np.median(around, axis=0)
        return numbers, np.median(powers, axis=0), sure

    def _hum(self) -> tuple[float, dict[int, float]]:
        """Return the mains frequency that is heard, and the power of each of its harmonics that is; NaN without one."""
        best: tuple[float, float, dict[int, float]] = (0.0, math.nan, {})
        for mains_hz in MAINS_HZ:
            heard = {
                int(number): float(power) for number, power, sure in zip(*self._family(mains_hz), strict=True) if sure
            }
            # Both families meet at every 300 Hz: such a line alone tells of neither.
            own = sum(one for number, one in heard.items() if number * mains_hz % 300.0 > 0.0)
            if own > best[0]:
                best = own, mains_hz, heard
        return best[1], best[2]

    def _follow(self, lines: Sequence[_Line], spectrum: _Spectrum) -> dict[int, _Line]:
        """Give each line to the track it continues, the strongest first; return the lines by the track's identity."""
        time_s, bin_hz = spectrum.time_s, spectrum.bin_hz
        self._tracks = [track for track in self._tracks if track.times_s[-1] > time_s - LOST_S]
        free = list(self._tracks)
        seen: dict[int, _Line] = {}
        for line in sorted(lines, key=lambda one: -one.power):
            near = [
                (abs(math.log(line.hz / max(expected, 1.0))), track)
                for track in free
                for expected in (track.expected_hz(time_s), track.hz[-1])
                if abs(line.hz - expected)
                < 3.0 * bin_hz + 0.08 * expected + 0.3 * (track.width_hz + (line.last - line.first) * bin_hz)
            ]
            if near:
                track = min(near, key=lambda pair: pair[0])[1]
                free.remove(track)
            else:
                track = _Track()
                self._tracks.append(track)
            track.add(time_s, line, bin_hz=bin_hz)
            seen[id(track)] = line
        return seen

    def _whine(self, spectrum: _Spectrum, taken: NDArray[np.bool_]) -> tuple[float, float, int]:
        """Return power [V^2], frequency and number of the lines that move together, and mark their bins as taken.

        The strongest that moves, those that keep their ratio to it, and the harmonics of the lowest of these, each
        over the bins that it crosses within the block.
        """
        moving = [track for track in self._tracks if track.moving]
        if not moving:
            return 0.0, math.nan, 0
        strongest = max(moving, key=lambda track: float(np.mean(track.power[-MEAN_OF:])))
        group = [strongest, *(track for track in moving if track is not strongest and track.together_with(strongest))]
        lowest = min(group, key=lambda track: track.hz[-1])
        hz, slope = lowest.hz[-1], abs(lowest.slope_hz_s)
        ratios = {track.hz[-1] / hz for track in group}
        ratios |= {float(k) for k in range(1, MOST_HARMONICS + 1) if all(abs(k - one) > 0.1 for one in ratios)}
        power, lines = 0.0, 0
        stands_out = ~taken & (spectrum.power > SKIRT_OVER * spectrum.around)
        for ratio in sorted(ratios):
            half_hz = 0.5 * slope * ratio * BLOCK_S + (LOBE + 0.5) * spectrum.bin_hz
            if half_hz > 0.5 * hz and ratio > 1.0:
                break
            first = max(round((ratio * hz - half_hz) / spectrum.bin_hz), spectrum.band.start)
            last = min(round((ratio * hz + half_hz) / spectrum.bin_hz), spectrum.band.stop - 1)
            if first > last:
                break  # beyond the band, as all further ones are
            # What moves has no sharp edges: a strong one goes on to where it no longer stands out.
            while first > spectrum.band.start and stands_out[first - 1]:
                first -= 1
            while last < spectrum.band.stop - 1 and stands_out[last + 1]:
                last += 1
            free = ~taken[first : last + 1]
            count = int(np.count_nonzero(free))
            if count == 0:
                continue
            around = float(spectrum.around[first : last + 1][free].sum())
            excess = float(spectrum.power[first : last + 1][free].sum()) - around
            # Noise in so many bins scatters by its mean over the root of their number.
            if excess > max(8.0 * around / math.sqrt(count), SKIRT_OVER * around / count, FAINT * power):
                power, lines = power + excess, lines + 1
                taken[first : last + 1] = True
        return power, hz, lines

    def _noise(
        self, samples: Samples, spectrum: _Spectrum, hum: tuple[float, dict[int, float]], seen: dict[int, _Line]
    ) -> Noise:
        facts, band, around = samples.facts, spectrum.band, spectrum.around
        taken = np.zeros(len(spectrum.power), dtype=np.bool_)
        for number in hum[1]:
            centre = round(number * hum[0] / spectrum.bin_hz)
            taken[max(centre - LOBE, 0) : centre + LOBE + 1] = True
        standing = [track for track in self._tracks if track.standing and id(track) in seen]
        for track in standing:
            taken[seen[id(track)].first : seen[id(track)].last + 1] = True
        whine, whine_hz, whine_lines = self._whine(spectrum, taken)
        # Where a line stands, the rest is what is around it.
        broad = float(np.where(taken, around, spectrum.power)[band].sum())
        self._levels.append((float(spectrum.power[band].sum()), broad, whine))
        if self._count < FEWEST:
            return self._nothing(spectrum.time_s, facts)
        floor = float(spectrum.floor[band].sum())
        total, rest, _ = np.mean(list(self._levels)[-MEAN_OF:], axis=0).tolist()
        if whine_lines:
            whine = float(np.mean([level[2] for level in list(self._levels)[-MEAN_OF:] if level[2] > 0.0]))
        # A level that stays within one code moves nothing: what lies there is hidden, whatever it is.
        coarse = float(samples.volts.std()) < facts.lsb_v * COARSE_LSB
        hidden = (0.5 * facts.lsb_v) ** 2 if coarse else 0.0
        least = LINE_OVER * float(np.median(around[band]))
        least_hum = HUM_OVER * max(float(around[round(mains_hz / spectrum.bin_hz)]) for mains_hz in MAINS_HZ)
        steady = sum(float(np.mean(track.power[-MEAN_OF:])) for track in standing)
        steady_hz = max(standing, key=lambda track: track.power[-1]).hz[-1] if standing else math.nan
        middle_hz = _middle_hz(spectrum)
        found = Noise(
            Stage.HEARD,
            spectrum.time_s,
            band_hz(facts),
            _broad(total, floor, hidden, facts, hz=middle_hz),
            _part(sum(hum[1].values()), facts, hz=hum[0], lines=len(hum[1]), least=max(least_hum, hidden), u=STEADY_U),
            _part(whine, facts, hz=whine_hz, lines=whine_lines, least=max(least, hidden), u=LINE_U),
            _part(steady, facts, hz=steady_hz, lines=len(standing), least=max(least, hidden), u=STEADY_U),
            _broad(rest, floor, hidden, facts, hz=middle_hz),
            self.tone_v,
        )
        return replace(found, stage=Stage.TONE) if _is_tone(found, self.tone_hz, total) else found


def _is_tone(found: Noise, tone_hz: float, total: float) -> bool:
    """Return whether a tone still plays: then nothing of this is noise."""
    if found.line.below:
        return False
    same = math.isfinite(tone_hz) and abs(found.line.hz / tone_hz - 1.0) < SAME_TONE
    return found.line.volts**2 > (0.5 if same else TONE_SHARE) * total


def _middle_hz(spectrum: _Spectrum) -> float:
    """Return the frequency about which the power of the block lies [Hz]."""
    power = spectrum.power[spectrum.band] + spectrum.around[spectrum.band]
    return float(power @ np.arange(spectrum.band.start, spectrum.band.stop)) * spectrum.bin_hz / float(power.sum())


def _of_family(line: _Line, mains_hz: float, heard: dict[int, float], bin_hz: float) -> bool:
    """Return whether a line is one of the mains lines that are heard."""
    if not heard:
        return False
    number = round(line.hz / mains_hz)
    return number in heard and abs(line.hz - number * mains_hz) < 1.5 * bin_hz


def _path_u(facts: Facts, hz: float) -> float:
    """Return the relative standard uncertainty of a level at `hz`: gain, and the path's fall there."""
    if not (math.isfinite(hz) and facts.response_u > 0.0):
        return facts.gain_u
    ends = np.abs(facts.response(np.array([0.99 * hz, 1.01 * hz])))
    return math.hypot(facts.gain_u, abs(math.log(float(ends[1] / ends[0]))) / 0.02 * facts.response_u)


def _part(power: float, facts: Facts, *, hz: float, lines: int, least: float, u: float) -> Part:
    """Return lines as a part, or what they would at least have had to be to be seen."""
    if lines == 0 or not power > least:
        return Part(math.sqrt(least), math.nan, below=True)
    volts = math.sqrt(power)
    # Noise beside a line moves its level by about its own, over the root of two.
    scatter = math.sqrt(least / LINE_OVER / 2.0)
    return Part(volts, COVERAGE * math.hypot(volts * math.hypot(_path_u(facts, hz), u), scatter), False, hz, lines)


def _broad(power: float, floor: float, hidden: float, facts: Facts, *, hz: float) -> Part:
    """Return broad noise without the converter's own, or the bound where that hides it."""
    least = COVERAGE * 2.0 * FLOOR_U * floor
    own = max(power - floor, 0.0)
    if own <= least or own <= hidden:
        return Part(math.sqrt(max(own + least, hidden)), math.nan, below=True)
    volts = math.sqrt(own)
    u = math.hypot(volts * math.hypot(_path_u(facts, hz), REST_U), FLOOR_U * floor / volts)
    return Part(volts, COVERAGE * u)
