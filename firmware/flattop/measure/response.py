"""Where does it cut? A sine sweep followed through blocks of samples, and the curve of level against frequency.

The tone in a block is fitted as C(t) exp(2 pi j (f t + c t^2 / 2)) with C a polynomial of second degree: to first
order its slope and its curvature say by how much f and c were wrong (the same step as in `fit`), so that a tone on
the move is measured in the middle of the block without loss. Steps and slow continuous sweeps are the same to it.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from enum import StrEnum

import numpy as np

from flattop.measure.alignment import Corner, FilterFit, Side, Told, fit_alignment
from flattop.measure.fit import strongest_hz
from flattop.samples import Clock, FloatArray, Samples

CYCLES = 6.0
"""Length of the block that is looked at, in cycles of the tone: with these weights fewer mix its harmonics in."""
LOOK_S = (0.02, 0.7)
"""Shortest and longest such block [s]."""
SEARCH_S = (0.5, 0.1, 0.02)
"""Blocks in which a tone is looked for that was not there before [s]: the faster it moves, the shorter."""
PER_CYCLE = 64
"""Even samples are drawn together to about so many a cycle."""
ROUNDS = 6
FOUND_SHARE = 0.1
"""A tone is found if it leaves less than this share of the power of its block."""
KEPT_SHARE = 0.6
"""The same for a tone that was followed up to here: in the stop band hum stands beside it."""
FASTEST_OCTAVE_S = 6.0
"""A line that moves faster is not followed [octaves a second]."""
NEAR_OCTAVE = 0.5
"""A tone that goes on within this of where it was is the same sweep; one further off must be seen to move first."""
MOVED_OCTAVE = 1 / 30
UNSTEADY, UNSTEADY_SHARE, UNSTEADY_OF = 4.0, 1e-3, 7
"""A block that leaves this much more than the last ones did, and this share of its power, holds a step or an end."""
PENDING_MOST = 400
WORST_SIGMA_DB = 1.0
"""A level worse known than this is no point of the curve."""

BINS_PER_OCTAVE = 24
OLD_S = 2.0
"""A level that comes this long after the last one at its frequency replaces it; sooner, both are averaged [s]."""
QUIET_S = 2.0
"""A sweep is over when nothing more was added for this long [s]."""
JUMP_DB, JUMP_OCTAVE, JUMP_S = 1.2, 1 / 8, 1.0
"""A level that steps off its course by this much, in so short a way and time, was turned at the source."""
COURSE = 6
"""Points that tell the course."""
REPLACED_BINS = 3
"""What an earlier pass left this near to a new one is replaced as well."""
SHIFT_DB, SHIFT_SPREAD_DB, SHIFT_BINS = 0.3, 0.3, 6
"""A second pass that lies this far off the first, within this spread, was played at another volume."""
LEAST_SPAN_OCTAVE = 1.0
FIT_EVERY_S = 1.0
RATE_PER_HZ = 1 / 25
"""Fastest sweep at a corner, in octaves a second for each hertz of it: beyond, the filter itself lags behind.

At this rate the lag moves a corner by LAG at most, in proportion below (tests/figures/response.py).
"""
LAG = 0.005
RATE_WITHIN_OCTAVE = 0.5


@dataclass(frozen=True, slots=True)
class Point:
    """The level of the tone at one moment of a sweep. Standard deviations are k = 1.

    hz_s : how fast the tone moves [Hz/s]
    reference_v : level at the other input at the same moment [V]; NaN without one
    """

    time_s: float
    hz: float
    hz_s: float
    level_v: float
    sigma_v: float
    reference_v: float = math.nan
    reference_sigma_v: float = math.nan

    @property
    def level_db(self) -> float:
        """Level against the reference, or against 1 V where there is none [dB]."""
        against_v = 1.0 if math.isnan(self.reference_v) else self.reference_v
        return 20.0 * math.log10(self.level_v / against_v)

    @property
    def sigma_db(self) -> float:
        """Standard deviation of `level_db` [dB]."""
        own = self.sigma_v / self.level_v
        other = 0.0 if math.isnan(self.reference_v) else self.reference_sigma_v / self.reference_v
        return 20.0 / math.log(10.0) * math.hypot(own, other)


# -- the tone in one block --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Tone:
    """A moving tone in one block, at its middle."""

    middle_s: float
    hz: float
    hz_s: float
    volts: float
    sigma_v: float
    left_share: float
    """Power that the tone leaves, of the a.c. power of the block."""


def _drawn_together(samples: Samples, hz: float) -> tuple[FloatArray, FloatArray, float]:
    """Return times, volts and the gain at `hz` of evenly spaced samples averaged in groups; uneven ones as they are."""
    rate_hz = (len(samples) - 1) / samples.duration_s
    size = int(rate_hz / (PER_CYCLE * hz)) if samples.quality.clock is Clock.EVEN else 1
    if size < 2:
        return samples.times_s, samples.volts, 1.0
    count = len(samples) // size
    times_s = samples.times_s[: count * size].reshape(count, size).mean(axis=1)
    volts = samples.volts[: count * size].reshape(count, size).mean(axis=1)
    gain = math.sin(math.pi * hz * size / rate_hz) / (size * math.sin(math.pi * hz / rate_hz))
    return times_s, volts, gain


def _columns(t: FloatArray, hz: float, hz_s: float) -> FloatArray:
    """Return the model's columns as rows: 1, then cos and sin with 1, u and u^2; u is t over half the block."""
    turn = np.exp(2j * math.pi * t * (hz + 0.5 * hz_s * t))
    u = t / max(float(np.max(np.abs(t))), 1e-12)
    rows = np.empty((7, len(t)))
    rows[0] = 1.0
    rows[1], rows[2] = turn.real, turn.imag
    np.multiply(rows[1:3], u, out=rows[3:5])
    np.multiply(rows[3:5], u, out=rows[5:7])
    return rows


def _fit_moving(samples: Samples, hz: float, hz_s: float, *, rounds: int = ROUNDS) -> _Tone | None:
    """Fit a tone that is near `hz` and moves by about `hz_s`; with no rounds, at just that course."""
    if len(samples) < 16 or samples.duration_s * hz < 1.5:
        return None
    times_s, volts, gain = _drawn_together(samples, hz)
    if len(times_s) < 16:
        return None
    middle_s = 0.5 * float(times_s[0] + times_s[-1])
    t = times_s - middle_s
    half_s = float(t[-1])
    weight = 0.5 + 0.5 * np.cos(math.pi * t / (half_s * (1.0 + 2.0 / len(t))))
    start_hz = hz
    ridge = 1e-9 * len(t) * np.eye(7)
    for turn in range(rounds + 1):
        rows = _columns(t, hz, hz_s)
        weighted = rows * weight
        inverse = np.linalg.inv(weighted @ rows.T + ridge)
        found = inverse @ (weighted @ volts)
        tone, slope, bend = (complex(found[k], -found[k + 1]) for k in (1, 3, 5))
        if tone == 0:
            return None
        step_hz, step_hz_s = (slope / tone).imag / half_s / (2 * math.pi), (bend / tone).imag / half_s**2 / math.pi
        if turn == rounds or (abs(step_hz) * half_s < 3e-4 and abs(step_hz_s) * half_s**2 < 3e-3):
            break
        hz, hz_s = hz + step_hz, hz_s + step_hz_s
        if not (abs(hz - start_hz) * half_s < 1.5 and hz * half_s > 0.7):
            return None
        if not abs(hz_s) < FASTEST_OCTAVE_S * hz:
            return None
    residual = volts - found @ rows
    mean = float(weight @ volts) / float(weight.sum())
    power = float(weight @ (volts - mean) ** 2)
    if not power > 0.0:
        return None
    left = float(weight @ residual**2) / float(weight.sum())
    squared = rows * weight**2
    variance = float((inverse @ (squared @ rows.T) @ inverse)[1, 1]) * max(left, samples.facts.noise_v**2 / 8.0)
    path = abs(complex(samples.facts.response(np.array([hz]))[0])) * gain * math.sqrt(2.0)
    share = left * float(weight.sum()) / power
    return _Tone(middle_s, hz, hz_s, abs(tone) / path, math.sqrt(variance) / path, share)


def _last(samples: Samples, span_s: float) -> Samples:
    """Return the last `span_s` of a block."""
    if not len(samples):
        return samples
    first = int(np.searchsorted(samples.times_s, samples.times_s[-1] - span_s))
    return replace(samples, times_s=samples.times_s[first:], volts=samples.volts[first:])


def look_s(hz: float) -> float:
    """Return how long a block is looked at for a tone of `hz` [s]."""
    return min(max(CYCLES / hz, LOOK_S[0]), LOOK_S[1])


class Follower:
    """Finds a moving tone in one block after another and hands out points of its sweep.

    What does not move, as hum does not, is never handed out: a tone that comes from nowhere, or from more than half
    an octave away, must first be seen to move, and then all of it is.
    """

    def __init__(self) -> None:
        self._at: _Tone | None = None
        self._pending: deque[Point] = deque(maxlen=PENDING_MOST)
        self._sweep_hz = 0.0
        self._left: deque[float] = deque(maxlen=UNSTEADY_OF)

    @property
    def span_s(self) -> float:
        """How much the next look wants to see [s]: what the tone needs, or a search."""
        return look_s(self._at.hz) if self._at is not None else SEARCH_S[0]

    @property
    def hz(self) -> float:
        """Where the tone was at the last look [Hz]; NaN if there was none."""
        return self._at.hz if self._at is not None else math.nan

    def look(self, samples: Samples, reference: Samples | None = None) -> list[Point]:
        """Look at the newest block, `span_s` long or longer; return the points that are certain by now.

        samples : what the filter lets through
        reference : the same moments before the filter: there the tone is followed, for there it stays strong
        """
        tone = self._find(samples if reference is None else reference)
        if tone is None:
            return []
        usual = float(np.median(self._left)) if self._left else math.inf
        self._left.append(tone.left_share)
        if tone.left_share > max(UNSTEADY * usual, UNSTEADY_SHARE):
            return []
        point = Point(tone.middle_s, tone.hz, tone.hz_s, tone.volts, tone.sigma_v)
        if reference is not None:
            behind = _fit_moving(_last(samples, look_s(tone.hz)), tone.hz, tone.hz_s, rounds=0)
            if behind is None or abs(behind.middle_s - tone.middle_s) > 0.1 / tone.hz:
                return []
            point = replace(
                point, level_v=behind.volts, sigma_v=behind.sigma_v, reference_v=tone.volts,
                reference_sigma_v=tone.sigma_v,
            )  # fmt: skip
        return self._release(point)

    def _find(self, samples: Samples) -> _Tone | None:
        before = self._at
        if before is not None and len(samples):
            block = _last(samples, look_s(before.hz))
            ahead_s = 0.5 * float(block.times_s[0] + block.times_s[-1]) - before.middle_s
            # Sweeps move by equal ratios in equal times.
            grown = math.exp(min(max(before.hz_s / before.hz * ahead_s, -1.0), 1.0))
            tone = _fit_moving(block, before.hz * grown, before.hz_s * grown)
            if tone is not None and tone.left_share < KEPT_SHARE and _octaves(tone.hz, before.hz) < NEAR_OCTAVE:
                self._at = tone
                return tone
        self._at = self._search(samples)
        self._left.clear()
        return self._at

    def _search(self, samples: Samples) -> _Tone | None:
        """Return a tone that is most of what there is in the newest block."""
        low, high = samples.facts.tone_band_hz
        if samples.quality.clock is Clock.EVEN:
            # No shape is judged here, so its harmonics need not lie in the band.
            high = max(high, samples.facts.harmonics_to_hz)
        for span_s in SEARCH_S:
            block = _last(samples, span_s)
            if len(block) < 16 or block.duration_s < 0.8 * span_s:
                continue
            rate_hz = (len(block) - 1) / block.duration_s
            hz, volts = strongest_hz(
                times_s=block.times_s,
                volts=block.volts,
                low_hz=max(0.8 * low, 1.5 / block.duration_s),
                high_hz=min(1.05 * high, 0.45 * rate_hz),
            )
            if not volts > 4.0 * max(samples.facts.noise_v * math.sqrt(2.0 / len(block)), 1e-9):
                continue
            tone = _fit_moving(_last(samples, look_s(hz)), hz, 0.0)
            if tone is not None and tone.left_share < FOUND_SHARE and 0.9 * low <= tone.hz <= 1.05 * high:
                return tone
        return None

    def _release(self, point: Point) -> list[Point]:
        """Return the points that belong to a sweep: this one, or with it all since the tone came, or none yet."""
        if self._sweep_hz > 0.0 and _octaves(point.hz, self._sweep_hz) < NEAR_OCTAVE:
            released = [point]
        else:
            self._sweep_hz = 0.0
            if self._pending and _octaves(point.hz, self._pending[-1].hz) > NEAR_OCTAVE:
                self._pending.clear()
            self._pending.append(point)
            if _octaves(point.hz, self._pending[0].hz) < MOVED_OCTAVE:
                return []
            released = list(self._pending)
            self._pending.clear()
        self._sweep_hz = point.hz
        return [one for one in released if one.level_v > 0.0 and one.sigma_db < WORST_SIGMA_DB]


def _octaves(one_hz: float, other_hz: float) -> float:
    return abs(math.log2(one_hz / other_hz))


# -- the curve --------------------------------------------------------------------------------------------------------


class Stage(StrEnum):
    """How far the question is answered."""

    WAITING = "waiting for a sweep"
    FOLLOWING = "following"
    AGAIN = "following once more"
    """A new pass is on its way; the result shown is that of the pass before."""
    RESULT = "result"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True, eq=False)
class Response:
    """The answer so far: a curve and what it says.

    now_hz, now_db : where the sweep stands; NaN when it is over
    hz, level_db, sigma_db : float64, shape (n,), the curve in the order of frequency; 0 dB is the pass band where that
        is known, the highest level where not
    fit : None before the curve is long enough
    lag : what the sweep's own speed can have moved a corner by, as a part of it
    too_fast : the sweep passed a corner faster than RATE_PER_HZ allows: its place is not to be trusted
    referenced : levels are against the other input, and do not follow the volume
    passes : how many sweeps have contributed
    """

    stage: Stage
    now_hz: float
    now_db: float
    hz: FloatArray
    level_db: FloatArray
    sigma_db: FloatArray
    fit: FilterFit | None = None
    lag: float = 0.0
    too_fast: bool = False
    referenced: bool = False
    passes: int = 0

    def corner(self, side: Side) -> Corner | None:
        """Return one end of the pass band, if the curve shows it."""
        corners = self.fit.corners if self.fit is not None else ()
        return next((corner for corner in corners if corner.side is side), None)


@dataclass(slots=True)
class _Bin:
    """Levels within one part of an octave that were met in one go."""

    number: int
    """Of the pass that it was met in."""
    last_s: float
    weight: float
    log_hz: float
    db: float

    def add(self, point: Point) -> None:
        weight = 1.0 / max(point.sigma_db, 1e-3) ** 2
        share = weight / (self.weight + weight)
        self.weight += weight
        self.log_hz += share * (math.log(point.hz) - self.log_hz)
        self.db += share * (point.level_db - self.db)
        self.last_s = point.time_s


@dataclass
class Sweep:
    """Collects points into a curve: a new pass replaces what it meets, gaps stay gaps, a step of volume is evened out.

    Points come in the order of time. Whether levels are against a reference is fixed by the first; a point of the other
    kind begins anew.
    """

    _bins: dict[int, _Bin] = field(default_factory=dict)
    _before: Point | None = None
    _course: deque[Point] = field(default_factory=lambda: deque(maxlen=COURSE))
    _pass: int = 0
    _earlier_db: dict[int, float] = field(default_factory=dict)
    _differences: list[float] = field(default_factory=list)
    _referenced: bool = False
    _fitted_s: float = -math.inf
    _fit: FilterFit | None = None
    _stale: bool = False

    def clear(self) -> None:
        """Forget everything: another output."""
        self.__init__()  # type: ignore[misc]

    def extend(self, points: Iterable[Point]) -> None:
        """Add points in the order of time."""
        for point in points:
            self.add(point)

    def add(self, point: Point) -> None:
        """Add one point."""
        if not (point.level_v > 0.0 and point.hz > 0.0 and math.isfinite(point.level_db + point.sigma_db)):
            return
        referenced = not math.isnan(point.reference_v)
        if self._before is not None and referenced is not self._referenced:
            self.clear()
        self._referenced = referenced
        before = self._before
        if before is not None:
            octaves, after_s = _octaves(point.hz, before.hz), point.time_s - before.time_s
            if octaves > NEAR_OCTAVE or after_s > OLD_S:
                self._even_out()
                self._pass += 1
                self._course.clear()
                self._earlier_db = {place: known.db for place, known in self._bins.items()}
            elif octaves < JUMP_OCTAVE and after_s < JUMP_S and not referenced:
                jump_db = point.level_db - self._expected_db(point.hz)
                if abs(jump_db) > max(JUMP_DB, 6.0 * math.hypot(point.sigma_db, before.sigma_db)):
                    self._shift(jump_db, but=-1)
                    self._course.clear()
        self._before = point
        self._course.append(point)
        self._stale = True
        place = math.floor(math.log2(point.hz) * BINS_PER_OCTAVE)
        known = self._bins.get(place)
        if known is not None and point.time_s - known.last_s < OLD_S:
            known.add(point)
            return
        if place in self._earlier_db:
            self._differences.append(point.level_db - self._earlier_db[place])
        for near in range(place - REPLACED_BINS, place + REPLACED_BINS + 1):
            if near in self._bins and self._bins[near].number != self._pass:
                del self._bins[near]
        fresh = _Bin(self._pass, point.time_s, 0.0, 0.0, 0.0)
        fresh.add(point)
        self._bins[place] = fresh

    def _expected_db(self, hz: float) -> float:
        """Return the level at which the course of the last points arrives at a frequency."""
        octaves = np.log2([one.hz for one in self._course])
        db = np.array([one.level_db for one in self._course])
        off = octaves - octaves.mean()
        spread = float(off @ off)
        slope = float(off @ db) / spread if spread > 1e-6 else 0.0
        return float(db.mean()) + slope * (math.log2(hz) - float(octaves.mean()))

    def _shift(self, by_db: float, *, but: int) -> None:
        """Move all levels that are not of the pass `but`."""
        for known in self._bins.values():
            if known.number != but:
                known.db += by_db
        self._earlier_db = {place: db + by_db for place, db in self._earlier_db.items()}

    def _even_out(self) -> None:
        """Bring what is left of earlier passes to the volume of this one, where the two differ by the volume alone."""
        differences, self._differences = np.array(self._differences), []
        if self._referenced or len(differences) < SHIFT_BINS:
            return
        middle = float(np.median(differences))
        if abs(middle) > SHIFT_DB and float(np.median(np.abs(differences - middle))) < SHIFT_SPREAD_DB:
            self._shift(middle, but=self._pass)

    def state(self, now_s: float) -> Response:
        """Return the answer at `now_s`; the fit is made anew once a second at most, and when a pass ends."""
        before = self._before
        if before is None:
            nothing = np.empty(0)
            return Response(Stage.WAITING, math.nan, math.nan, nothing, nothing, nothing)
        quiet = now_s - before.time_s > QUIET_S
        if quiet:
            self._even_out()
        places = sorted(self._bins)
        bins = [self._bins[place] for place in places]
        hz = np.exp(np.array([one.log_hz for one in bins]))
        db = np.array([one.db for one in bins])
        sigma = np.array([one.weight for one in bins]) ** -0.5
        again = not quiet and self._fit is not None and bool(self._fit.corners) and self._bins_before()
        due = quiet or now_s - self._fitted_s >= FIT_EVERY_S
        if self._stale and due and not again and len(hz) > 1 and math.log2(hz[-1] / hz[0]) >= LEAST_SPAN_OCTAVE:
            self._fit = fit_alignment(hz=hz, db=db, sigma_db=sigma)
            self._fitted_s, self._stale = now_s, False
        fit = self._fit
        zero_db = fit.passband_db if fit is not None and math.isfinite(fit.passband_db) else float(db.max())
        if again:
            stage = Stage.AGAIN
        elif not quiet:
            stage = Stage.FOLLOWING
        elif fit is None:
            stage = Stage.WAITING
        else:
            stage = Stage.RESULT if fit.told in {Told.NAMED, Told.OTHER_SLOPE} else Stage.CANNOT_TELL
        corners = fit.corners if fit is not None else ()
        lag = max((self._rate_at(one.corner_hz) / (RATE_PER_HZ * one.corner_hz) * LAG for one in corners), default=0.0)
        return Response(
            stage,
            math.nan if quiet else before.hz,
            math.nan if quiet else before.level_db - zero_db,
            hz,
            db - zero_db,
            sigma,
            fit,
            lag,
            lag > LAG,
            self._referenced,
            len({one.number for one in bins}),
        )

    def _bins_before(self) -> bool:
        return self._pass > 0 and any(one.number != self._pass for one in self._bins.values())

    def _rate_at(self, hz: float) -> float:
        """Return how fast the newest pass went by a frequency, steps included [octaves a second]; 0 if it did not."""
        near = [
            one for one in self._bins.values() if abs(one.log_hz - math.log(hz)) < RATE_WITHIN_OCTAVE * math.log(2.0)
        ]
        if not near:
            return 0.0
        newest = max(one.number for one in near)
        times_s = [one.last_s for one in near if one.number == newest]
        logs = [one.log_hz for one in near if one.number == newest]
        gone_s = max(times_s) - min(times_s)
        return (max(logs) - min(logs)) / math.log(2.0) / gone_s if gone_s > 0.0 else 0.0
