"""The ceiling of an output, from the readings of a ramp, and the gain pot that is led toward it."""

from __future__ import annotations

import math
from bisect import insort
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np

from flattop.measure.reading import Reading, Verdict
from flattop.samples import FloatArray
from flattop.tuning.steps import Heard, Word

JUDGED = frozenset({Verdict.CLEAN, Verdict.SOFT, Verdict.FLAT})
MOST_HARMONICS = 40
"""Of a clipped sine the harmonics above this one no longer count."""
SAME_TONE = 0.02
"""Tones closer together than this share of their frequency are one."""
MOVING_PCT_S = 30.0
"""A level that moves faster than this is between two levels: its THD belongs to neither [% of the level a second]."""
STEADY_PCT_S = 2.0
"""A level that moves no faster than this is within 0.3 % the same all through a reading [% of the level a second]."""
GIVE_UP_S = 8.0
"""A pot at its end, or a tone that this converter cannot measure, is waited for this long [s]."""
UP, DOWN, STAY, WAIT = "gain up", "gain down", "leave it", "keep still"
NEAR = 2.0
"""A THD below the limit by no more than this factor is that of tops that bend, and not what noise makes of others."""
NEAR_LEVEL = 0.7
"""Bent tops begin within this share of the highest level at which they were seen."""
WHOLE = 0.99
"""Below this share of the lowest level at which the THD was above the limit the tops are whole."""


@lru_cache(maxsize=1)
def _hard_clip() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return a sine clipped hard on both sides, from 0 to 6 dB of overdrive.

    THD_F [%], shape (n,); true RMS over the rail, shape (n,); THD_F of harmonics 2 to m alone [%], shape (n, m + 1).
    """
    angle = (np.arange(4096) + 0.5) * (2.0 * np.pi / 4096)
    waves = np.clip(10.0 ** (np.linspace(0.0, 6.0, 121)[:, None] / 20.0) * np.sin(angle), -1.0, 1.0)
    power = np.mean(waves * waves, axis=1)
    lines = np.abs(np.fft.rfft(waves, axis=1))[:, : MOST_HARMONICS + 1]
    share = lines / lines[:, 1:2]
    share[:, :2] = 0.0
    fundamental = lines[:, 1] * (2.0 / angle.size)
    thd_pct = 100.0 * np.sqrt(np.maximum(2.0 * power / fundamental**2 - 1.0, 0.0))
    return thd_pct, np.sqrt(power), 100.0 * np.sqrt(np.cumsum(share**2, axis=1))


def hard_clip_level(thd_pct: float) -> float:
    """Return the true RMS over the rail of a sine clipped hard on both sides to this THD_F [%]."""
    thds_pct, levels, _ = _hard_clip()
    return float(np.interp(thd_pct, thds_pct, levels))


def whole_thd_pct(thd_pct: float, *, harmonics: int) -> float:
    """Return the THD_F of all harmonics, where those from 2 to `harmonics` alone make `thd_pct` [%].

    So shared as in a sine clipped hard on both sides: of the harmonics of a higher tone the converter's band holds
    only a few.
    """
    thds_pct, _, within_pct = _hard_clip()
    if harmonics < 3 or harmonics >= MOST_HARMONICS:
        return thd_pct
    return (
        float(np.interp(thd_pct, within_pct[:, harmonics], thds_pct))
        if thd_pct < within_pct[-1, harmonics]
        else thd_pct
    )


class _Point(NamedTuple):
    """A reading that says something of the ceiling."""

    thd_pct: float
    """All harmonics counted; in `Ceiling._points` those of the bent tops alone."""
    v: float
    u_v: float
    steady: bool
    bent: bool


@dataclass(slots=True)
class Ceiling:
    """Follows one output at one tone.

    thd_limit_pct : THD_F of all harmonics that counts as the ceiling [%]
    """

    thd_limit_pct: float
    highest_clean_v: float = math.nan
    """Highest level that was called clean [V rms]."""
    _hz: float = math.nan
    _seen: list[_Point] = field(default_factory=list)

    def see(self, reading: Reading) -> None:
        """Take in a reading; another tone begins anew."""
        if reading.verdict not in JUDGED or not math.isfinite(reading.rms_v) or reading.dc_alarm:
            return
        if not abs(reading.hz - self._hz) < SAME_TONE * reading.hz:
            self._hz, self.highest_clean_v = reading.hz, math.nan
            self._seen.clear()
        bent = reading.verdict is not Verdict.CLEAN
        if not bent:
            self.highest_clean_v = max(reading.rms_v, self.highest_clean_v if self.highest_clean_v > 0 else 0.0)
        # A level that steps within the block, or an even harmonic, makes THD too: only bent tops are a ceiling.
        thd_pct = whole_thd_pct(reading.thd_pct, harmonics=reading.harmonics)
        drift_pct_s = abs(reading.drift_pct_s)
        if (bent or thd_pct < self.thd_limit_pct) and thd_pct > 0.0 and drift_pct_s < MOVING_PCT_S:
            steady = drift_pct_s <= STEADY_PCT_S
            insort(self._seen, _Point(thd_pct, reading.rms_v, reading.rms_u_v, steady, bent))

    @property
    def touched(self) -> bool:
        """True once the THD of bent tops was seen at the limit, above it, or steady and near to it from below."""
        return self._above is not None or any(point.bent for point in self._near)

    @property
    def level_v(self) -> float:
        """Level at which the THD crosses the limit [V rms]; NaN while it was not reached.

        Between the readings nearest to the limit on its two sides the level goes with the THD; from one side alone it
        is that of a hard clip of the same rail.
        """
        if not self.touched:
            return math.nan
        limit_pct, above = self.thd_limit_pct, self._above
        below = max(self._near, key=lambda point: point.thd_pct, default=None)
        if above is None or below is None:
            only = above or below
            return only.v * hard_clip_level(limit_pct) / hard_clip_level(only.thd_pct) if only else math.nan
        share = math.log(limit_pct / below.thd_pct) / math.log(above.thd_pct / below.thd_pct)
        return below.v + share * (above.v - below.v)

    @property
    def u_v(self) -> float:
        """Expanded uncertainty of that [V]: of the reading, and how far it lies from the nearest one."""
        if not self.touched:
            return math.nan
        level_v = self.level_v
        near_v = min((abs(point.v - level_v) for point in self._seen), default=0.0)
        return math.hypot(self._seen[-1].u_v, near_v)

    @property
    def _points(self) -> list[_Point]:
        """What was seen without the THD that is there with whole tops as well: of hum, noise, the amplifier's own."""
        above_v = [point.v for point in self._seen if point.thd_pct >= self.thd_limit_pct]
        whole_v = WHOLE * min(above_v, default=0.0)
        own_pct = min((point.thd_pct for point in self._seen if point.steady and point.v < whole_v), default=0.0)
        return [point._replace(thd_pct=math.sqrt(max(point.thd_pct**2 - own_pct**2, 0.0))) for point in self._seen]

    @property
    def _above(self) -> _Point | None:
        """The reading nearest to the limit from above; one during which the level stood comes first."""
        above = [point for point in self._points if point.thd_pct >= self.thd_limit_pct]
        return min(above, key=lambda point: (not point.steady, point.thd_pct), default=None)

    @property
    def _near(self) -> list[_Point]:
        """Readings near to the limit from below, in level as well: far below it, it is noise that makes as much THD."""
        lowest_pct = self.thd_limit_pct / NEAR
        lowest_v = NEAR_LEVEL * max((point.v for point in self._seen if point.bent), default=0.0)
        return [
            point
            for point in self._points
            if point.steady and lowest_pct <= point.thd_pct < self.thd_limit_pct and point.v >= lowest_v
        ]


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
    shown: Mapping[str, Any] = field(default_factory=dict, init=False)
    """What was shown last."""
    _bent_v: float = field(default=math.inf, init=False)
    """Lowest steady level whose tops bend more than they may [V rms]."""
    _asked: str = field(default=WAIT, init=False)
    _since: tuple[float, float] = field(default=(math.nan, math.nan), init=False)

    @property
    def aim_v(self) -> float:
        """Level to end at [V rms]; infinite while nobody knows."""
        ceiling_v = self.ceiling.level_v if self.ceiling.touched else math.inf
        return min(self.target_v, min(ceiling_v, self._bent_v) * math.pow(10.0, -self.margin_db / 20.0))

    def prompt(self, heard: Heard) -> Mapping[str, Any]:
        """Return what to show after a reading."""
        reading = heard.reading
        if self._is_bent(reading) and abs(reading.drift_pct_s) <= STEADY_PCT_S:
            self._bent_v = min(self._bent_v, reading.rms_v)
        move = self._move(reading)
        since_s, since_v = self._since
        if move != self._asked or not abs(reading.rms_v - since_v) <= max(self.tolerance_v, 0.003 * since_v):
            self._since = (heard.now_s, reading.rms_v)
        elif move in {UP, DOWN} and heard.now_s - since_s >= GIVE_UP_S:
            self.at_its_end = True
        self._asked = move
        self.shown = {
            "text": move,
            "word": Word.HOLD,
            "aim_v": known(self.aim_v) if move in {UP, DOWN} or not self.only_down else None,
            "tolerance_v": self.tolerance_v,
            "ceiling_v": known(self.ceiling.level_v),
        }
        return self.shown

    def may_stay(self, reading: Reading) -> bool:
        """Tell whether a level is where it is to be."""
        return self._move(reading) == STAY

    def _is_bent(self, reading: Reading) -> bool:
        """Tell whether the tops of a judged tone bend more than they may here."""
        return reading.verdict is Verdict.FLAT or (reading.verdict is Verdict.SOFT and not self.may_be_soft)

    def _move(self, reading: Reading) -> str:
        if reading.verdict not in {Verdict.CLEAN, Verdict.SOFT, Verdict.FLAT}:
            return self._asked  # a level on its way says nothing new
        if self._is_bent(reading) or reading.rms_v > self.aim_v + self.tolerance_v:
            return DOWN
        if self.only_down or reading.rms_v >= self.aim_v - self.tolerance_v:
            return STAY
        return UP


def known(value: float) -> float | None:
    """Return a value, or None where there is none."""
    return value if math.isfinite(value) else None
