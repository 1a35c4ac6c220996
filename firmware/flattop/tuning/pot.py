"""The ceiling of an output, from the readings of a ramp, and the gain pot that is led toward it."""

from __future__ import annotations

import math
from bisect import insort
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np

from flattop.measure.reading import Reading, Verdict
from flattop.tuning.steps import Heard, Word

JUDGED = frozenset({Verdict.CLEAN, Verdict.SOFT, Verdict.FLAT})
SAME_TONE = 0.02
"""Tones closer together than this share of their frequency are one."""
STEADY_PCT_S = 30.0
"""A level that moves faster than this is between two levels: its THD belongs to neither [% of the level a second]."""
GIVE_UP_S = 8.0
"""A pot at its end, or a tone that this converter cannot measure, is waited for this long [s]."""
UP, DOWN, STAY, WAIT = "gain up", "gain down", "leave it", "keep still"
FARTHEST = 6.0
"""A reading says something of the ceiling while its THD is within this factor of the limit."""


@lru_cache(maxsize=1)
def _hard_clip() -> tuple[list[float], list[float]]:
    """Return THD_F [%] and true RMS over the rail of a sine clipped hard on both sides, from 0 to 6 dB of overdrive."""
    angle = (np.arange(4096) + 0.5) * (2.0 * np.pi / 4096)
    thd_pct, level = [], []
    for overdrive_db in np.linspace(0.0, 6.0, 121):
        wave = np.clip(10.0 ** (overdrive_db / 20.0) * np.sin(angle), -1.0, 1.0)
        fundamental = 2.0 * float(np.mean(wave * np.sin(angle)))
        power = float(np.mean(wave * wave))
        thd_pct.append(100.0 * math.sqrt(max(power / (0.5 * fundamental**2) - 1.0, 0.0)))
        level.append(math.sqrt(power))
    return thd_pct, level


def hard_clip_level(thd_pct: float) -> float:
    """Return the true RMS over the rail of a sine clipped hard on both sides to this THD_F [%]."""
    found = _hard_clip()
    return float(np.interp(thd_pct, *found))


@dataclass(slots=True)
class Ceiling:
    """Follows one output at one tone.

    thd_limit_pct : THD_F that counts as the ceiling [%]
    """

    thd_limit_pct: float
    highest_clean_v: float = math.nan
    """Highest level that was called clean [V rms]."""
    _hz: float = math.nan
    _seen: list[tuple[float, float, float]] = field(default_factory=list)

    def see(self, reading: Reading) -> None:
        """Take in a reading; another tone begins anew."""
        if reading.verdict not in JUDGED or not math.isfinite(reading.rms_v) or reading.dc_alarm:
            return
        if not abs(reading.hz - self._hz) < SAME_TONE * reading.hz:
            self._hz, self.highest_clean_v = reading.hz, math.nan
            self._seen.clear()
        if reading.verdict is Verdict.CLEAN:
            self.highest_clean_v = max(reading.rms_v, self.highest_clean_v if self.highest_clean_v > 0 else 0.0)
        # A level that steps within the block, or an even harmonic, makes THD too: only bent tops are a ceiling.
        told = reading.verdict is not Verdict.CLEAN or reading.thd_pct < self.thd_limit_pct
        if told and reading.thd_pct > 0.0 and abs(reading.drift_pct_s) < STEADY_PCT_S:
            insort(self._seen, (reading.thd_pct, reading.rms_v, reading.rms_u_v))

    @property
    def touched(self) -> bool:
        """True once the THD was seen at or above the limit."""
        return bool(self._seen) and self._seen[-1][0] >= self.thd_limit_pct

    @property
    def level_v(self) -> float:
        """Level at which the THD crosses the limit [V rms]; NaN while it was not reached.

        Between the readings nearest to the limit on its two sides the level goes with the THD; from one side alone it
        is that of a hard clip of the same rail.
        """
        if not self.touched:
            return math.nan
        limit = self.thd_limit_pct
        above = min((s for s in self._seen if s[0] >= limit), key=lambda s: s[0])
        near = [s for s in self._seen if limit / FARTHEST <= s[0] < limit]
        from_above_v = above[1] * hard_clip_level(limit) / hard_clip_level(above[0])
        if not near:
            return from_above_v
        below = max(near, key=lambda s: s[0])
        share = math.log(limit / below[0]) / math.log(above[0] / below[0]) if above[0] > below[0] else 1.0
        return below[1] + share * (above[1] - below[1])

    @property
    def u_v(self) -> float:
        """Expanded uncertainty of that [V]: of the reading, and half the way between the two it lies between."""
        if not self.touched:
            return math.nan
        level_v = self.level_v
        near_v = min((abs(s[1] - level_v) for s in self._seen), default=0.0)
        return math.hypot(self._seen[-1][2], near_v)


@dataclass(slots=True)
class Pot:
    """A gain pot on its way to the highest level that is allowed.

    target_v : level that it must not exceed [V rms]; infinite if there is none
    margin_db : how far below the ceiling it is to end
    only_down : True for a pot that was set for another output already
    """

    target_v: float
    margin_db: float
    tolerance_v: float
    may_be_soft: bool
    only_down: bool
    ceiling: Ceiling
    at_its_end: bool = field(default=False, init=False)
    """True once the hand was asked to turn and the level has not followed for a while."""
    _asked: str = field(default=WAIT, init=False)
    _since: tuple[float, float] = field(default=(math.nan, math.nan), init=False)

    @property
    def aim_v(self) -> float:
        """Level to end at [V rms]; infinite while nobody knows."""
        ceiling_v = self.ceiling.level_v * 10.0 ** (-self.margin_db / 20.0)
        return min(self.target_v, ceiling_v if self.ceiling.touched else math.inf)

    def prompt(self, heard: Heard) -> Mapping[str, Any]:
        """Return what to show after a reading."""
        move = self._move(heard.reading)
        since_s, since_v = self._since
        if move != self._asked or not abs(heard.reading.rms_v - since_v) <= max(self.tolerance_v, 0.003 * since_v):
            self._since = (heard.now_s, heard.reading.rms_v)
        elif move in {UP, DOWN} and heard.now_s - since_s >= GIVE_UP_S:
            self.at_its_end = True
        self._asked = move
        return {
            "text": move,
            "word": Word.HOLD,
            "aim_v": known(self.aim_v) if move in {UP, DOWN} or not self.only_down else None,
            "tolerance_v": self.tolerance_v,
            "ceiling_v": known(self.ceiling.level_v),
        }

    def may_stay(self, reading: Reading) -> bool:
        """Tell whether a level is where it is to be."""
        return self._move(reading) == STAY

    def _move(self, reading: Reading) -> str:
        if reading.verdict not in {Verdict.CLEAN, Verdict.SOFT, Verdict.FLAT}:
            return self._asked  # a level on its way says nothing new
        allowed = reading.verdict is Verdict.CLEAN or (reading.verdict is Verdict.SOFT and self.may_be_soft)
        if not allowed or reading.rms_v > self.aim_v + self.tolerance_v:
            return DOWN
        if self.only_down or reading.rms_v >= self.aim_v - self.tolerance_v:
            return STAY
        return UP


def known(value: float) -> float | None:
    """Return a value, or None where there is none."""
    return value if math.isfinite(value) else None
