"""Hands free: which reading is kept by itself, and what is in the way of all others.

The keeper sees one reading after another and tells a tone that stands from one that moves, fades, ended or belongs
elsewhere, and a clip that slipped off from one that was lifted on purpose. It knows time only as it is told.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from flattop.measure.reading import Reading, Reason
from flattop.samples import Input
from flattop.tuning.judge import level_of

TONE_TOLERANCE = 0.01
"""A tone is the wanted one within this share of its frequency: a player that is a little off, not another tone."""
HZ_TOLERANCE = 2e-4
"""A frequency stands if it moves by no more than this share beyond its own uncertainty."""
AGREE = 2.0
"""Eleven readings in a row are compared each with each: their spread alone goes beyond U of a single difference."""
SAY_S, MUSIC_S = 0.3, 0.4
"""What is wrong is said once it has stood for this long; that it is no single tone, after this long [s]."""
BELIEF_S = 0.8
"""A tone rich in harmonics is believed to be one tone once it has stood; for this long it is waited for [s]."""
STILL = 0.003
"""Levels of two readings that follow each other are alike within this share, of a tone that is not believed yet."""
GAP_S = 0.6
"""Readings farther apart than this do not prove that the level stood between them [s]."""
REARM = 3.0
"""At the same place the level must have changed by so many tolerances before it is kept again."""
DOUBT_S = 20.0
"""A tone that comes back at another place just as it was at the last one must stand for this long [s].

A track that broke off and began again looks like that, and a tuner may stay for some seconds. Lifting the lead once
more is quicker.
"""
ALIKE = 3e-4
"""Levels of two outputs are hardly ever nearer than this share, beyond their own uncertainty."""
FALL_SHARE, FALL_S, FADED = 0.003, 0.2, 0.5
"""A level falls if it loses this share from one reading to the next. A fade falls for this long beyond the length of
a reading [s], and to this share; a slip is over within one."""
MAINS_HZ = (50.0, 60.0, 100.0, 120.0)
HUM_SHARE, HUM_V = 0.2, 1.0
"""Hum that an open lead picks up is less than this share of the tone before, or where there was none, this level."""
PICKED_UP = 3e-4
"""An open lead near the mains picks up more than this share of the input's full scale: 0.08 V, and 7 mV on a line.
A track that breaks off leaves the quiet output of an amplifier, and so may a lead in a quiet place."""
GONE_SHARE = 0.05
"""What is below this share of the tone that was there is nothing of it."""


class Sight(StrEnum):
    """What the keeper makes of a reading."""

    KEEP = "keep"
    """This reading is to be kept."""
    STEADYING = "steadying"
    """The wanted tone stands, but not for long enough yet."""
    MOVING = "moving"
    KEPT = "kept already"
    """Nothing has changed since the last one was kept."""
    AWAY = "lead lifted"
    """Away from where the last reading was kept, as it should be."""
    SLIPPED = "lead slipped off"
    """From a tone to nothing before its reading was kept."""
    SILENT = "lead slipped off, or track broke off"
    """From a tone to nothing, and not even what an open lead picks up."""
    HUM = "only hum"
    FADING = "fading"
    ENDED = "track ended"
    NO_TONE = "no tone"
    WRONG_TONE = "wrong tone"
    WRONG_LEVEL = "level of another step"
    WRONG_INPUT = "other input"
    SAME = "same as before"
    """Back at the level of the last place to a hair: the lead may still be there. Lifting it once more settles it."""
    NOT_A_TONE = "not one tone"
    WAIT = "wait"
    """Nothing can be said of this reading; its own reason says why."""


AT_PLACE = frozenset({Sight.STEADYING, Sight.MOVING, Sight.KEEP})
"""What the keeper sees while the wanted tone is at the wanted place."""
ELSEWHERE = frozenset({Sight.SLIPPED, Sight.SILENT, Sight.AWAY, Sight.HUM, Sight.NO_TONE})
"""What it sees while the leads are, or may be, on their way."""
IN_THE_WAY: Mapping[Sight, str] = {
    Sight.SLIPPED: "clip is off",
    Sight.SILENT: "clip or track?",
    Sight.FADING: "track fades",
    Sight.ENDED: "restart track",
    Sight.WRONG_LEVEL: "wrong place?",
    Sight.WRONG_INPUT: "other leads",
    Sight.SAME: "lift once more",
    Sight.NOT_A_TONE: "one tone only",
}
"""What is said of everything else, but for what only asks to clip on."""


@dataclass(frozen=True, slots=True)
class Seen:
    """A reading, and what the keeper makes of it."""

    sight: Sight
    reading: Reading
    stood: float = 0.0
    """Share of the time that the tone must stand, 0 to 1."""

    @property
    def keep(self) -> bool:
        """True if this reading is to be kept."""
        return self.sight is Sight.KEEP


class _Point(NamedTuple):
    """One reading of the wanted tone."""

    s: float
    v: float
    u_v: float
    hz: float
    hz_u: float


class _Kept(NamedTuple):
    """What was kept last, and where."""

    point: _Point
    place: str
    input: Input


class Keeper:
    """Keeps a reading once it has stood, and no other until the lead was moved or the level changed.

    steady_s : how long level and frequency must stand [s]
    tolerance_pct : how far the level may move meanwhile, beyond its own uncertainty [% of the level]
    tones_hz : tones that may be played; one at the mains frequency is hum only where it is weak
    """

    def __init__(self, *, steady_s: float = 1.0, tolerance_pct: float = 0.1, tones_hz: Collection[float] = ()) -> None:
        self._steady_s = steady_s
        self._tolerance = 0.01 * tolerance_pct
        self._tones_hz = tuple(tones_hz)
        self._stands: deque[_Point] = deque()
        """Readings that agree with each other, up to the present one."""
        self._moved_s = -math.inf
        """When the level last did not agree."""
        self._wrong_s, self._wrong_hz, self._wrong_hz_s = math.inf, math.nan, math.inf
        """Since when there is something else than the wanted tone; its frequency, and since when it has that."""
        self._last_s = -math.inf
        self._last_v = math.nan
        """Level of the wanted tone when it was last there."""
        self._before_v, self._fell_from = math.nan, (-math.inf, math.nan)
        """Level of the last reading, and when and where the level began to fall from."""
        self._gone: Sight | None = None
        """Why there is no tone at present; None while there is."""
        self._fades = False
        self._rich_s = math.inf
        """Since when what may be the wanted tone stands without being believed."""
        self._armed, self._doubt = True, False
        self._kept: _Kept | None = None

    def arm(self) -> None:
        """Let the next reading that stands be kept, wherever it is."""
        self._armed, self._doubt = True, False
        self._stands.clear()

    @property
    def place(self) -> str:
        """Where the last reading was kept; empty if none was."""
        return self._kept.place if self._kept is not None else ""

    def keep_now(self, reading: Reading, *, now_s: float, place: str = "") -> None:
        """Take note of a reading that was kept at the tuner's wish."""
        self._note_kept(_point(reading, now_s), place, reading.facts.input)

    def see(
        self,
        reading: Reading,
        *,
        now_s: float,
        wanted_hz: float,
        input: Input,
        expected_v: tuple[float, float] | None = None,
        place: str = "",
    ) -> Seen:
        """Look at the next reading.

        wanted_hz : the tone of this step [Hz]
        input : the input that it is measured at
        expected_v : lowest and highest level that can belong to this step [V]; None: any
        place : what the lead belongs on; where it differs from that of the last kept reading the lead must be lifted
        """
        if now_s - self._last_s > GAP_S:
            self._stands.clear()
        self._last_s = now_s
        if reading.facts.input is not input:
            self._stands.clear()
            return Seen(Sight.WRONG_INPUT, reading)
        if self._may_be_it(reading, wanted_hz, now_s):
            self._before_v, self._fell_from = reading.rms_v, (now_s, reading.rms_v)
            self._come_back(_point(reading, now_s), wanted_hz, place, input)
            self._stands.clear()
            return Seen(Sight.STEADYING, reading)
        sight = self._what_is_wrong(reading, wanted_hz, fades=self._falls_slowly(reading, now_s))
        if sight is None or self._gone is not None:
            self._rich_s = math.inf
        if sight is not None:
            self._stands.clear()
            return Seen(self._said(sight, reading, now_s), reading)
        self._wrong_s = math.inf
        point = _point(reading, now_s)
        self._come_back(point, wanted_hz, place, input)
        self._add(point)
        return self._decided(reading, point, expected_v, place, input)

    # -- what is not the wanted tone ------------------------------------------------------------------------------

    def _may_be_it(self, reading: Reading, wanted_hz: float, now_s: float) -> bool:
        """Tell the wanted tone, cut so far that it is not believed at once to be one tone, by how still it stands."""
        same = abs(reading.hz - wanted_hz) <= TONE_TOLERANCE * wanted_hz
        still = abs(reading.rms_v - self._before_v) <= STILL * self._before_v
        if not (reading.reason is Reason.NOT_ONE_TONE and same and still):
            return False
        self._rich_s = min(self._rich_s, now_s)
        return now_s - self._rich_s < BELIEF_S

    def _falls_slowly(self, reading: Reading, now_s: float) -> bool:
        """Follow a falling level; True once it has lost half in more time than a slipping lead takes."""
        level_v = reading.rms_v
        falls = level_v < (1.0 - FALL_SHARE) * self._before_v
        self._before_v = level_v
        if not falls:
            self._fell_from = (now_s, level_v)
        since_s, from_v = self._fell_from
        return falls and level_v < FADED * from_v and now_s - since_s >= reading.duration_s + FALL_S

    def _what_is_wrong(self, reading: Reading, wanted_hz: float, *, fades: bool) -> Sight | None:
        """Return what the reading is instead of the wanted tone; None if it is that."""
        self._fades = self._fades or (fades and self._gone is None)
        match reading.reason:
            case Reason.LEAD_OFF:
                return self._gone_as(Sight.SLIPPED)
            case Reason.NO_TONE:
                return self._gone_as(Sight.SLIPPED if self._rich_s < math.inf else Sight.NO_TONE)
            case Reason.FADING:
                self._fades = True
                return Sight.FADING
            case Reason.MOVING:
                return Sight.FADING if fades else Sight.MOVING
            case Reason.NOT_ONE_TONE:
                return Sight.NOT_A_TONE
        known = math.isfinite(reading.rms_v) and math.isfinite(reading.rms_u_v)
        if known and reading.rms_v < GONE_SHARE * self._last_v:
            if self._fades or self._gone is not None:
                return self._gone_as(Sight.NO_TONE)
            if reading.reason is Reason.TOO_FEW_LSB:
                return self._gone_as(Sight.SLIPPED)  # from a tone to next to nothing, which an open lead picks up
        if not (known and reading.can_be_measured and math.isfinite(reading.hz)):
            return Sight.WAIT
        if not abs(reading.hz - wanted_hz) > TONE_TOLERANCE * wanted_hz + reading.hz_u:
            return None
        hum = any(abs(reading.hz - hz) < TONE_TOLERANCE * hz for hz in MAINS_HZ)
        most_v = HUM_SHARE * self._last_v if math.isfinite(self._last_v) else HUM_V
        if any(abs(reading.hz - hz) < TONE_TOLERANCE * hz for hz in self._tones_hz):
            most_v = min(most_v, HUM_V)  # more of it is a tone of the plan, played at an output of lower level
        return self._gone_as(Sight.HUM) if hum and reading.rms_v < most_v else Sight.WRONG_TONE

    def _gone_as(self, why: Sight) -> Sight:
        """Take in that there is no tone; return what that is called."""
        if self._fades:
            why = Sight.ENDED
        if self._gone is None or (self._gone is Sight.NO_TONE and why is not Sight.NO_TONE):
            self._gone = why
        # A lead that is off may next be found to carry nothing at all: it is off all the same.
        lifted = self._gone in {Sight.SLIPPED, Sight.HUM} and not self._armed
        return Sight.AWAY if lifted else self._gone

    def _said(self, sight: Sight, reading: Reading, now_s: float) -> Sight:
        """Return what is to be said: a wrong tone, or that there is more than one, only once it has stood."""
        # A level too weak to be believed has no figure, but is no silence.
        if sight is Sight.SLIPPED and reading.rms_v <= PICKED_UP * reading.facts.full_scale_v:
            sight = Sight.SILENT
        if sight not in {Sight.WRONG_TONE, Sight.NOT_A_TONE}:
            if sight is Sight.MOVING:
                self._moved_s = now_s  # music has moments of that too
            else:
                self._wrong_s = math.inf
            return sight
        self._wrong_s = min(self._wrong_s, now_s)
        hz = reading.hz if sight is Sight.WRONG_TONE else math.nan
        if not abs(hz - self._wrong_hz) <= TONE_TOLERANCE * hz:
            self._wrong_hz, self._wrong_hz_s = hz, now_s
        if sight is Sight.WRONG_TONE and now_s - self._wrong_hz_s >= SAY_S:
            return sight
        # Tones that follow one another are music, and so is what is never one.
        return Sight.NOT_A_TONE if now_s - self._wrong_s >= MUSIC_S else Sight.WAIT

    # -- the wanted tone ------------------------------------------------------------------------------------------

    def _come_back(self, point: _Point, wanted_hz: float, place: str, input: Input) -> None:
        """Decide whether what is there may be kept: another tone or input, a lead that was moved, another level."""
        gone, self._gone = self._gone, None
        if not point.v < 0.97 * self._last_v:
            self._fades = False
        self._last_v = point.v
        if self._kept is None or self._armed:
            return
        before = self._kept.point
        change_v = abs(point.v - before.v)
        own_u_v = math.hypot(point.u_v, before.u_v)
        other_tone = abs(wanted_hz - before.hz) > TONE_TOLERANCE * wanted_hz + before.hz_u
        if other_tone or input is not self._kept.input:
            self._armed = True
        elif gone in {Sight.SLIPPED, Sight.HUM}:
            # Of a track that broke off and began again the level is the same to a hair; once more is no accident.
            alike = place != self._kept.place and change_v <= ALIKE * before.v + own_u_v
            self._armed, self._doubt = not alike or self._doubt, alike and not self._doubt
        elif gone is not None:
            alike = change_v <= REARM * self._tolerance * before.v + own_u_v
            self._armed, self._doubt = not alike or place == self._kept.place, alike and place != self._kept.place
        elif place == self._kept.place and change_v > REARM * self._tolerance * before.v + own_u_v:
            self._armed = True

    def _add(self, point: _Point) -> None:
        """Add a reading to those that stand, and drop the ones that do not agree with it."""
        stands = self._stands
        off = 0
        for number, other in enumerate(stands, start=1):
            apart_v = self._tolerance * point.v + AGREE * math.hypot(point.u_v, other.u_v)
            apart_hz = HZ_TOLERANCE * point.hz + math.hypot(point.hz_u, other.hz_u)
            if not (abs(point.v - other.v) <= apart_v and abs(point.hz - other.hz) <= apart_hz):
                off = number
        if off:
            self._moved_s = point.s
        for _ in range(off):
            stands.popleft()
        stands.append(point)
        while len(stands) > 2 and point.s - stands[1].s >= self._needed_s:
            stands.popleft()

    @property
    def _needed_s(self) -> float:
        return max(DOUBT_S, self._steady_s) if self._doubt else self._steady_s

    def _decided(
        self,
        reading: Reading,
        point: _Point,
        expected_v: tuple[float, float] | None,
        place: str,
        input: Input,
    ) -> Seen:
        stood_s = point.s - self._stands[0].s
        stood = min(stood_s / self._needed_s, 1.0)
        if not (self._armed or self._doubt):
            return Seen(Sight.KEPT, reading)
        if point.s - self._moved_s < SAY_S and stood < 1.0:
            return Seen(Sight.MOVING, reading)
        if expected_v is not None and not expected_v[0] <= point.v <= expected_v[1]:
            return Seen(Sight.WRONG_LEVEL if stood_s >= SAY_S else Sight.STEADYING, reading)
        # Times are sums of tenths of a second, which are not exact.
        if stood_s < self._needed_s - 1e-6:
            return Seen(Sight.SAME if self._doubt else Sight.STEADYING, reading, stood)
        self._note_kept(point, place, input)
        return Seen(Sight.KEEP, reading, 1.0)

    def _note_kept(self, point: _Point, place: str, input: Input) -> None:
        self._kept = _Kept(point, place, input)
        self._armed = self._doubt = False
        self._stands.clear()


def _point(reading: Reading, now_s: float) -> _Point:
    own_u_v = level_of(reading, no_load=False).own_u_v
    return _Point(now_s, reading.rms_v, own_u_v, reading.hz, reading.hz_u)
