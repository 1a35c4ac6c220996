"""Quantities of a simulated vehicle that move with time: what people turn, what an engine does, what a track plays.

All of them are closed forms: it does not matter in what portions they are asked for.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from dataclasses import dataclass

import numpy as np

from flattop import tones
from flattop.samples import FloatArray
from flattop.simulated.vehicle_file import Engine

TRACK_RATE_HZ = 48_000
"""Sample rate of the sweep tracks; what is played is the wave between the samples."""
REVS = 24
"""Rises and falls of an engine until the same ones come again."""


class Course:
    """A quantity that people or faults change, on straight lines between the points set so far."""

    def __init__(self, value: float) -> None:
        self._at_s = [-math.inf]
        self._values = [value]

    def to(self, value: float, *, at_s: float, over_s: float) -> None:
        """Go to a value within a time from `at_s` on; what was planned for later is dropped."""
        start = float(self.at(np.array([at_s]))[0])
        keep = bisect_left(self._at_s, at_s)
        self._at_s[keep:] = [at_s, at_s + over_s]
        self._values[keep:] = [start, value]

    @property
    def last(self) -> tuple[float, float]:
        """When it comes to rest [s], and its value then."""
        return self._at_s[-1], self._values[-1]

    def at(self, times_s: FloatArray) -> FloatArray:
        """Return the value at each time, shape (n,); (1,) where it does not change."""
        first = max(bisect_right(self._at_s, times_s[0]) - 1, 0)
        stop = bisect_left(self._at_s, times_s[-1], lo=first) + 1
        values = self._values[first:stop]
        if all(value == values[0] for value in values):
            return np.array(values[:1])
        at_s = self._at_s[first:stop]
        if at_s[0] == -math.inf:
            at_s, values = at_s[1:], values[1:]
        return np.interp(times_s, at_s, values)


@dataclass(frozen=True, slots=True)
class Play:
    """A track from its first sound on: a steady tone, or a sweep over and over again.

    hz : of a steady tone, as the player's own clock makes it
    peak : 1 is digital full scale
    clock : of the player, over the true one
    sweep : None for a steady tone
    """

    at_s: float
    peak: float
    name: str
    hz: float = 1.0
    clock: float = 1.0
    sweep: tones.Track | None = None

    def radians(self, times_s: FloatArray) -> FloatArray:
        """Return the phase at each time, a rising zero crossing being 0, shape (n,)."""
        if self.sweep is None:
            return np.asarray(2 * np.pi * self.hz * (times_s - self.at_s), dtype=np.float64)
        at, frames, cycles, growth = self._stretch(times_s)
        share = at / frames
        grown = np.expm1(share * growth) / np.expm1(growth) if growth.any() else share
        return np.asarray(2 * np.pi * cycles * grown, dtype=np.float64)

    def hz_at(self, times_s: FloatArray) -> FloatArray:
        """Return the frequency at each time [Hz], shape (n,); (1,) where it does not change."""
        if self.sweep is None:
            return np.array([self.hz])
        at, frames, cycles, growth = self._stretch(times_s)
        mean_hz = cycles / frames * TRACK_RATE_HZ * self.clock
        if growth.any():
            return np.asarray(mean_hz * growth / np.expm1(growth) * np.exp(growth * at / frames), dtype=np.float64)
        return mean_hz[:1] if (mean_hz == mean_hz[0]).all() else mean_hz

    def _stretch(self, times_s: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Return frames into its stretch of the track, and its frames, cycles and growth as a logarithm; (n,) each."""
        stretches = self.sweep.stretches if self.sweep is not None else ()
        table = np.array([[one.frames, one.cycles, math.log(one.ratio)] for one in stretches])
        ends = np.cumsum(table[:, 0])
        at = (times_s - self.at_s) * (TRACK_RATE_HZ * self.clock) % ends[-1]
        number = np.minimum(np.searchsorted(ends, at, side="right"), len(ends) - 1)
        frames, cycles, growth = table[number].T
        return at - (ends[number] - frames), frames, cycles, growth


NOTHING = Play(0.0, 0.0, "")
"""What plays before the first track, and after the last."""


def swept(low_hz: float, high_hz: float, seconds: float, *, steps: int, dbfs: float) -> tones.Track:
    """Return the track of a sweep, as `flattop tones` writes it.

    seconds : length; of one with steps, which are STEP_S long each, it is not asked
    steps : 0 for a continuous one, else in how many even ratios it goes up
    """
    if not 0 < low_hz < high_hz:
        raise ValueError(f"a sweep from {low_hz:g} to {high_hz:g} Hz; allowed is one that goes up, from above 0 Hz")
    if steps:
        return tones.stepped(low_hz, high_hz, steps, dbfs=dbfs, rate_hz=TRACK_RATE_HZ)
    return tones.sweep(low_hz, high_hz, length_s=seconds, dbfs=dbfs, rate_hz=TRACK_RATE_HZ)


class Revs:
    """Speed of an engine over its idle: it rests at idle, rises, rests and falls, REVS times and then all over again.

    Each rise goes up 50 to 100 % of the way to the highest speed; it and each rest last within 30 % of the file's.
    """

    def __init__(self, engine: Engine, rng: np.random.Generator) -> None:
        drawn = rng.uniform(size=(REVS, 5))
        top = engine.top_rpm / engine.idle_rpm
        self.moves = top > 1.0
        lengths_s = (0.7 + 0.6 * drawn[:, :4]) * np.array([engine.stay_s, engine.rise_s, engine.stay_s, engine.rise_s])
        high = 1 + (top - 1) * (0.5 + 0.5 * drawn[:, 4])
        ones = np.ones(REVS)
        self._over = np.append(np.column_stack([ones, ones, high, high]).ravel(), 1.0)
        self._at_s = np.concatenate([[0.0], np.cumsum(lengths_s.ravel())])
        middles = 0.5 * (self._over[1:] + self._over[:-1])
        self._turned = np.concatenate([[0.0], np.cumsum(middles * np.diff(self._at_s))])
        """Time at idle that would have turned it as far [s]."""

    def over_idle(self, times_s: FloatArray) -> FloatArray:
        """Return its speed over that at idle, same shape as the times."""
        return np.asarray(np.interp(times_s % self._at_s[-1], self._at_s, self._over), dtype=np.float64)

    def turned_s(self, times_s: FloatArray) -> FloatArray:
        """Return how far it has turned since 0, as time at idle [s], same shape as the times."""
        if not self.moves:
            return times_s
        round_s = self._at_s[-1]
        rounds = np.floor(times_s / round_s)
        at_s = times_s - rounds * round_s
        leg = np.clip(np.searchsorted(self._at_s, at_s, side="right") - 1, 0, len(self._at_s) - 2)
        into_s = at_s - self._at_s[leg]
        gain = (np.diff(self._over) / np.diff(self._at_s))[leg]
        turned = self._turned[leg] + into_s * (self._over[leg] + 0.5 * gain * into_s)
        return np.asarray(rounds * self._turned[-1] + turned, dtype=np.float64)
