"""From presses to pages: where three buttons and a foot switch lead, what they ask of the meter, and what it holds."""

from __future__ import annotations

import calendar
import math
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from enum import Enum, StrEnum
from typing import NamedTuple, TypeVar

from flattop.measure.reading import Reading, Verdict
from flattop.panel.buttons import HOLD_S, Button, Press
from flattop.samples import Input

IDLE_S, WATCHED_S = 30.0, 600.0
"""Any page but the first gives way to it after this time without a press, one that is watched after the second [s]."""
ASK_S = 10.0
"""How long the meter waits for the answer to whether it shall shut down [s]."""
LEAVE_S = 2.0
"""From the answer to the shut-down: any press in this time calls it off [s]."""
SAME_TONE = 0.02
"""Tones closer together than this share of their frequency are one tone."""

_YEARS = (2020, 2099)


class Kind(StrEnum):
    """What the output feeds: a bass output may be left at the first softening of the tops, a mid or high one not."""

    BASS = "bass"
    MID_HIGH = "mid/high"


class Light(StrEnum):
    """Brightness of the screen."""

    SUN = "sun"
    SHADE = "shade"
    NIGHT = "night"


@dataclass(frozen=True, slots=True)
class SetUp:
    """Everything that is set at the meter itself."""

    input: Input = Input.SPEAKER
    kind: Kind = Kind.BASS
    light: Light = Light.SHADE
    muted: bool = False
    clock_offset_s: float = 0.0
    """The tuner's time less the host's wall clock [s]; the zone is the tuner's own and not known."""


class Action(StrEnum):
    """What a press asks of the meter."""

    KEEP = "keep the present reading"
    FORGET = "forget what is held"
    ASK_ANEW = "forget the curve or the noise found so far"
    SET_UP = "the set-up changed"
    START_RUN = "start the chosen plan"
    """`Menu.plan` says which."""
    BACK = "do the step before again"
    SKIP = "skip the present step"
    CLOSE_RUN = "put the run that is over aside"
    SHUT_DOWN = "shut down"


class Page(StrEnum):
    """What the screen answers or asks."""

    CLEAN = "is it clean?"
    RUN = "tuning run"
    HELD = "what is held"
    CUT = "where does it cut?"
    QUIET = "is it quiet?"
    GAIN = "how much gain?"
    SET_UP = "set-up"
    ABOUT = "about"
    CLOCK = "what time?"
    ASK = "shut down?"
    LEAVE = "shutting down"


class Row(StrEnum):
    """Rows of the set-up page, from the top."""

    INPUT = "input"
    KIND = "output"
    LIGHT = "light"
    SOUND = "sound"
    CLOCK = "clock"


class Stage(StrEnum):
    """Whether there is a tuning run."""

    NONE = "none"
    UNDER_WAY = "under way"
    OVER = "over"


class Place(NamedTuple):
    """Where the menu stands: all that a page needs of it."""

    page: Page = Page.CLEAN
    row: Row = Row.INPUT
    """The row that the next change is for."""
    sheet: int = 0
    """How often more was asked for on the about page; its sheets follow one another in a ring."""
    entry: Entry | None = None
    """The time as it is being set, on the clock page only."""


# --- the clock, digit by digit ---------------------------------------------------------------------------------------

_DIGITS = tuple((part, place) for part in ("hour", "minute", "year", "month", "day") for place in (10, 1))


@dataclass(frozen=True, slots=True)
class Entry:
    """A time that is being set by hand: always one that exists.

    at : the digit that the next change is for, 0 to 9 in the order HH:MM YYYY-MM-DD without the century; 10 is "set".
    """

    hour: int
    minute: int
    year: int
    month: int
    day: int
    at: int = 0

    @classmethod
    def from_wall(cls, wall_s: float) -> Entry:
        """Return the minute that `wall_s` (seconds since 1970) lies in, or the nearest that can be set."""
        first, last = (datetime(year, 1, 1, tzinfo=UTC).timestamp() for year in (_YEARS[0], _YEARS[1] + 1))
        known_s = wall_s if math.isfinite(wall_s) else first
        time = datetime.fromtimestamp(min(max(known_s, first), last - 60.0), UTC)
        return cls(time.hour, time.minute, time.year, time.month, time.day)

    @property
    def ready(self) -> bool:
        """True once every digit was passed: the next change takes the time over."""
        return self.at == len(_DIGITS)

    def wall_s(self) -> float:
        """Return the start of this minute [s since 1970]."""
        return datetime(self.year, self.month, self.day, self.hour, self.minute, tzinfo=UTC).timestamp()

    def further(self) -> Entry:
        """Go to the next digit, after the last one to "set", then to the first again."""
        return replace(self, at=(self.at + 1) % (len(_DIGITS) + 1))

    def changed(self) -> Entry:
        """Count the digit up to the next one that is allowed there, from the highest back to the lowest."""
        part, place = _DIGITS[self.at]
        low, high = self._bounds(part)
        value = _counted(getattr(self, part), place, low, high)
        changed = replace(self, **{part: value})
        return replace(changed, day=min(changed.day, changed._bounds("day")[1]))

    def _bounds(self, part: str) -> tuple[int, int]:
        days = calendar.monthrange(self.year, self.month)[1]
        return {"hour": (0, 23), "minute": (0, 59), "year": _YEARS, "month": (1, 12), "day": (1, days)}[part]


def _counted(value: int, place: int, low: int, high: int) -> int:
    """Count one digit of `value` up; where no number within the bounds has the next digit, the one after it."""
    rest = value - value // place % 10 * place
    for step in range(1, 10):
        digit = (value // place + step) % 10
        # The lower digit follows where it must: 29 becomes 30, not 39, in a month of 30 days.
        near = min(max(rest + digit * place, low), high)
        if near // place % 10 == digit and near // (10 * place) == value // (10 * place):
            return near
    return value


# --- pages ---------------------------------------------------------------------------------------------------------

_RING = {
    Page.CLEAN: Page.RUN,
    Page.RUN: Page.HELD,
    Page.HELD: Page.CUT,
    Page.CUT: Page.QUIET,
    Page.QUIET: Page.GAIN,
    Page.GAIN: Page.SET_UP,
    Page.SET_UP: Page.ABOUT,
    Page.CLOCK: Page.ABOUT,
}
_Choice = TypeVar("_Choice", bound=Enum)


class Menu:
    """Follows presses from page to page.

    Button A goes to the next page, or held to the first one; B and C do what the page says; B held turns the sound
    off and on. The foot switch keeps the present reading on every page.

    Shutting down takes two buttons at the two ends of the row, one after the other, each held, and then a moment in
    which nothing is pressed: C held asks, A held answers yes. A button that was already down when the question came
    up is no answer, so neither a tool across the buttons nor a bag that squeezes them all can shut the meter down.

    A run is started by a short press of C on its own page, while none is there. The page is left with it, so that the
    same press again does nothing; and a run that is over is put aside with B, so that whoever skips its last steps
    with C starts no new one.

    set_up : what is set; whoever finds that a part of it cannot be done puts the former value back.
    plans : names of the plans that can be started, each once; empty if there are none.
    stage : whether there is a run; whoever carries it out says so.
    """

    def __init__(self, set_up: SetUp | None = None) -> None:
        self.set_up = set_up or SetUp()
        self.plans: tuple[str, ...] = ()
        self.stage = Stage.NONE
        self.place = Place()
        self._plan = ""
        self._now_s = -math.inf
        self._moved_s = -math.inf

    @property
    def plan(self) -> str:
        """The plan that is chosen; empty if there is none."""
        return self._plan if self._plan in self.plans else next(iter(self.plans), "")

    def press(self, press: Press, *, wall_s: float) -> tuple[Action, ...]:
        """Follow one press; return what is asked for, first things first.

        wall_s : the host's wall clock [s since 1970]; the time is set against it
        """
        due = self.tick(press.time_s)
        waited_s, self._moved_s = press.time_s - self._moved_s, self._now_s
        if press.button is Button.FOOT:
            if self.place.page in {Page.ASK, Page.LEAVE}:
                self.place = Place()
            return (*due, Action.KEEP)
        # A held press that comes sooner began before the question.
        yes = press.button is Button.A and press.held and waited_s >= HOLD_S
        if self.place.page is Page.ASK and yes:
            self.place = Place(Page.LEAVE)
            return due
        if self.place.page in {Page.ASK, Page.LEAVE}:
            self.place = Place()
            return due
        return (*due, *(self._held(press.button) if press.held else self._short(press.button, wall_s)))

    def tick(self, now_s: float) -> tuple[Action, ...]:
        """Let time pass; call it in every turn of the loop, after the presses. A time that runs back stands still."""
        self._now_s = max(self._now_s, now_s)
        page = self.place.page
        watched = dict.fromkeys((Page.CUT, Page.QUIET, Page.GAIN), WATCHED_S)
        allowed_s = {Page.CLEAN: math.inf, Page.ASK: ASK_S, Page.LEAVE: LEAVE_S, **watched}.get(page, IDLE_S)
        if self._now_s - self._moved_s < allowed_s:
            return ()
        self.place = Place()
        return (Action.SHUT_DOWN,) if page is Page.LEAVE else ()

    def _held(self, button: Button) -> tuple[Action, ...]:
        if button is Button.A:
            self.place = Place()
        elif button is Button.B:
            return self._set(replace(self.set_up, muted=not self.set_up.muted))
        else:
            self.place = Place(Page.ASK)
        return ()

    def _short(self, button: Button, wall_s: float) -> tuple[Action, ...]:
        place = self.place
        if button is Button.A:
            self.place = Place(_RING.get(place.page, Page.CLEAN))
            return ()
        further = button is Button.B
        match place.page:
            case Page.CLEAN if further:
                return (Action.KEEP,)
            case Page.RUN:
                return self._follow_run(further=further)
            case Page.HELD:
                return (Action.KEEP if further else Action.FORGET,)
            case Page.CUT | Page.QUIET:
                return (Action.KEEP if further else Action.ASK_ANEW,)
            case Page.GAIN:
                return (Action.KEEP,) if further else ()
            case Page.SET_UP if further:
                self.place = place._replace(row=_next(place.row))
            case Page.SET_UP:
                return self._change(place.row, wall_s)
            case Page.CLOCK if place.entry is not None:
                return self._follow_entry(place.entry, wall_s, further=further)
            case Page.ABOUT if further:
                self.place = place._replace(sheet=place.sheet + 1)
            case _:
                pass
        return ()

    def _follow_run(self, *, further: bool) -> tuple[Action, ...]:
        if self.stage is Stage.UNDER_WAY:
            return (Action.BACK if further else Action.SKIP,)
        if self.stage is Stage.OVER:
            return (Action.CLOSE_RUN,) if further else ()
        if not self.plans:
            return ()
        if further:
            self._plan = self.plans[(self.plans.index(self.plan) + 1) % len(self.plans)]
            return ()
        self.place = Place()
        return (Action.START_RUN,)

    def _change(self, row: Row, wall_s: float) -> tuple[Action, ...]:
        now = self.set_up
        match row:
            case Row.INPUT:
                return self._set(replace(now, input=_next(now.input)))
            case Row.KIND:
                return self._set(replace(now, kind=_next(now.kind)))
            case Row.LIGHT:
                return self._set(replace(now, light=_next(now.light)))
            case Row.SOUND:
                return self._set(replace(now, muted=not now.muted))
            case Row.CLOCK:
                self.place = Place(Page.CLOCK, row, entry=Entry.from_wall(wall_s + now.clock_offset_s))
                return ()

    def _follow_entry(self, entry: Entry, wall_s: float, *, further: bool) -> tuple[Action, ...]:
        if further or not entry.ready:
            self.place = self.place._replace(entry=entry.further() if further else entry.changed())
            return ()
        self.place = Place(Page.SET_UP, Row.CLOCK)
        offset_s = entry.wall_s() - wall_s
        return self._set(replace(self.set_up, clock_offset_s=offset_s)) if math.isfinite(offset_s) else ()

    def _set(self, set_up: SetUp) -> tuple[Action, ...]:
        self.set_up = set_up
        return (Action.SET_UP,)


def _next(value: _Choice) -> _Choice:
    choices = list(type(value))
    return choices[(choices.index(value) + 1) % len(choices)]


# --- what is held --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Held:
    """The highest and the lowest level, and the reading kept last.

    Highest and lowest are of steady tones whose tops were judged (clean, soft or flat, no d.c. alarm) since the last
    `forgotten`, on one input at one tone: a reading on the other input, or of a tone more than 2 % away, begins anew.
    Another output at the same tone looks the same from here, so the tuner forgets by hand when the leads move on.
    The kept reading stays whatever is measured after it.
    """

    highest: Reading | None = None
    lowest: Reading | None = None
    kept: Reading | None = None
    keeping: Reading | None = None
    """Asked for, and on its way to the card."""

    def seen(self, reading: Reading) -> Held:
        """Return what is held after one more reading."""
        judged = reading.verdict in {Verdict.CLEAN, Verdict.SOFT, Verdict.FLAT} and not reading.dc_alarm
        if not (judged and math.isfinite(reading.rms_v)):
            return self
        if self.highest is None or self.lowest is None or not _same_tone(self.highest, reading):
            return replace(self, highest=reading, lowest=reading)
        if reading.rms_v > self.highest.rms_v:
            return replace(self, highest=reading)
        return replace(self, lowest=reading) if reading.rms_v < self.lowest.rms_v else self

    def asked(self, reading: Reading) -> Held:
        """Return it with a reading on its way to the card."""
        return replace(self, keeping=reading)

    def answered(self, reading: Reading, *, on_card: bool) -> Held:
        """Return it with that reading kept or, where the card did not take it, dropped."""
        waiting = None if self.keeping is reading else self.keeping
        return replace(self, kept=reading if on_card else self.kept, keeping=waiting)

    def forgotten(self) -> Held:
        """Return it empty but for a reading on its way; what was kept stays on the card."""
        return Held(keeping=self.keeping)


def _same_tone(one: Reading, other: Reading) -> bool:
    same_input = one.facts.input is other.facts.input
    return same_input and abs(one.hz - other.hz) <= SAME_TONE * max(one.hz, other.hz)
