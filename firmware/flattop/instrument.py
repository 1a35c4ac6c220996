"""The instrument in the hand: the loop from a reading to screen, lamp, sounder and card, and the way to a safe stop."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field, replace
from enum import StrEnum

from flattop.answers import Answers, newest
from flattop.converters import Timebase
from flattop.errors import FlattopError, PanelError, StorageError
from flattop.measure.reading import Reading, Reason
from flattop.meter import Meter
from flattop.notify import Notifier
from flattop.panel import pages
from flattop.panel.buttons import Button
from flattop.panel.first_page import FirstPage
from flattop.panel.hardware.controls import Controls
from flattop.panel.hardware.display import PanelDisplay
from flattop.panel.hardware.signals import Signals
from flattop.panel.indicators import Signal, off_aim, signal_of
from flattop.panel.menu import Action, Held, Kind, Light, Menu, Page, Stage
from flattop.panel.pages import About
from flattop.panel.run_page import run_state
from flattop.panel.screen import Kept, View
from flattop.record.logbook import Kept as Promise
from flattop.record.logbook import Logbook
from flattop.samples import Samples
from flattop.selfcheck import CLOCK_WORDS, Fault, Rank
from flattop.tuner import Tuner
from flattop.tuning.pot import DOWN, STAY, UP
from flattop.tuning.steps import Command, Word

HOLD_S = 4.0
"""How long the second person is told to hold; after that the sounder says how the tone is again [s]."""
STALE_S = 0.5
"""A reading older than this is not shown as a number [s]."""
CARD_S = 5.0
"""How long a safe stop waits for the card to take what is still to be written [s]."""
SLOW_TURN_S = 0.5
"""A turn of the loop that takes longer than this is counted [s]."""
BRIGHTNESS = {Light.SUN: 1.0, Light.SHADE: 0.5, Light.NIGHT: 0.1}
"""Of the lamp, as a share of its full light."""


class Ending(StrEnum):
    """Why the loop ended."""

    STOPPED = "stopped"
    """Asked to by the service manager or the terminal."""
    POWER_OFF = "power off"
    """Asked to by whoever holds the meter."""
    FINISHED = "finished"
    """Nothing more to measure, or the time given has passed."""


@dataclass(frozen=True, slots=True)
class Panel:
    """What the tuner sees, hears and presses; None for a part that could not be opened."""

    screen: PanelDisplay | None = None
    signals: Signals | None = None
    controls: Controls | None = None


@dataclass(slots=True)
class Turns:
    """How the loop has been going."""

    count: int = 0
    longest_s: float = 0.0
    slow: int = 0
    """Turns that took longer than SLOW_TURN_S."""
    screen_failures: int = 0

    def add(self, took_s: float) -> None:
        """Take in a turn."""
        self.count += 1
        self.longest_s = max(self.longest_s, took_s)
        self.slow += took_s > SLOW_TURN_S


@dataclass(slots=True)
class Instrument:
    """The loop, once every part is opened or has failed to open: it runs with what is sound.

    meter : readings, about ten a second
    time : the clock of the readings
    wall : the host's wall clock [s since 1970], without what was set by hand
    standing : faults that last until the next start
    changed : called with the menu each time that something was set on the meter itself; must not wait
    start_run : begins the tuning run that the menu has chosen; None if its plan cannot be used
    tuner : a run that goes on from before the start
    live_faults : asked once a second for what comes and goes
    """

    meter: Meter
    panel: Panel
    logbook: Logbook | None
    time: Timebase
    wall: Callable[[], float]
    menu: Menu = field(default_factory=Menu)
    about: About = field(default_factory=About)
    standing: Sequence[Fault] = ()
    live_faults: Callable[[], Sequence[Fault]] = tuple
    changed: Callable[[Menu], None] = lambda menu: None
    start_run: Callable[[str], Tuner | None] = lambda name: None
    tuner: Tuner | None = None
    notifier: Notifier = field(default_factory=lambda: Notifier({}))
    label: str = ""
    held: Held = field(default_factory=Held, init=False)
    turns: Turns = field(default_factory=Turns, init=False)
    view: View = field(default_factory=View, init=False)
    """What the first page shows, or would show."""
    faults: tuple[Fault, ...] = field(default=(), init=False)
    answers: Answers = field(default_factory=Answers, init=False)
    _display: FirstPage = field(init=False)
    _promise: tuple[Promise, Reading] | None = field(default=None, init=False)
    """A reading that was kept by hand, on its way to the card; those of a run are the tuner's."""
    _command: Command = field(default=Command.NONE, init=False)
    _word: tuple[Word, float] = field(default=(Word.NONE, -math.inf), init=False)
    """The second person's word, and when it was first said."""
    _ending: Ending | None = field(default=None, init=False)
    _began_s: float = field(init=False)
    _screen_fault: str = field(default="", init=False)
    _passing: tuple[Fault, ...] = field(default=(), init=False)
    _passing_s: float = field(default=-math.inf, init=False)
    _told: str = field(default="", init=False)

    def __post_init__(self) -> None:
        self._display = FirstPage(label=self.label)
        self._began_s = self.time.now_s()
        self._take_over_set_up()

    # -- the loop -------------------------------------------------------------------------------------------------

    def run(self) -> Iterator[Reading]:
        """Carry every reading from the meter to the panel and the card, and yield it; end in a safe stop.

        The stop comes whatever happens: through `stop`, a button, an error, or the caller letting go of the iterator.
        """
        try:
            self._show(self.time.now_s(), self.wall())
            for reading in self.meter.readings():
                begun_s = self.time.now_s()
                self._take(reading, begun_s)
                self.turns.add(self.time.now_s() - begun_s)
                yield reading
                if self._ending is not None:
                    return
            self._ending = Ending.FINISHED
        finally:
            self.close()

    def stop(self, ending: Ending = Ending.STOPPED) -> None:
        """Ask for a safe stop: at once from within the loop, after the present turn from a signal or another thread."""
        self._ending = self._ending or ending

    @property
    def ending(self) -> Ending | None:
        """Why the loop ended; None while it runs."""
        return self._ending

    def close(self) -> None:
        """Stop safely: nothing on the screen, lamp and sounder off, all that was logged on the card. Harmless twice.

        The longest of it is bounded: CARD_S for the card, a second or so for each thread.
        """
        screen, signals, controls = self.panel.screen, self.panel.signals, self.panel.controls
        # The last one is called first, and each whatever became of those before it.
        with ExitStack() as steps:
            steps.callback(self.notifier.close)
            steps.callback(self.meter.converter.close)
            if signals is not None:
                steps.callback(signals.close)
            if controls is not None:
                steps.callback(controls.close)
            if self.logbook is not None:
                steps.callback(self.logbook.close, CARD_S)
            # First what could mislead: an old number on a dead meter.
            if screen is not None:
                steps.callback(screen.close)
            if signals is not None:
                steps.callback(signals.show, Signal.SHUTTING_DOWN)
            steps.callback(self.notifier.stopping)
            steps.callback(self.notifier.extend, 2.0 * CARD_S)

    # -- one turn -------------------------------------------------------------------------------------------------

    def _take(self, reading: Reading, now_s: float) -> None:
        wall_s = self.wall()
        if self.turns.count == 0:
            self.notifier.ready()
        # Logged before it is shown, and kept before it is shown as kept.
        if self.logbook is not None:
            self.logbook.add(reading)
            self.logbook.restart()
        self._follow_presses(reading, now_s, wall_s)
        self._follow_promise()
        self._follow_run(reading, now_s)
        self.held = self.held.seen(reading)
        self.faults = self._all_faults(now_s)
        stale = now_s - reading.time_s > STALE_S
        self.view = replace(
            self._display.view(reading),
            stale=stale,
            kept=_copy(self.held.kept),
            keeping=_copy(self.held.keeping),
            faults=tuple(fault.words for fault in self.faults if fault.rank < Rank.NOTE),
        )
        if self.tuner is not None:
            self.view = self.tuner.view(self.view)
        self._answer(now_s)
        self._show(now_s, wall_s)
        self._signal(reading, now_s, stale=stale)
        self._tell_manager(reading)

    def _follow_presses(self, reading: Reading, now_s: float, wall_s: float) -> None:
        presses = self.panel.controls.presses() if self.panel.controls is not None else []
        for press in presses:
            if self.panel.signals is not None and press.button is not Button.FOOT:
                self.panel.signals.once(Signal.PRESS)
            for action in self.menu.press(press, wall_s=wall_s):
                self._do(action, reading)
        for action in self.menu.tick(now_s):
            self._do(action, reading)

    def _do(self, action: Action, reading: Reading) -> None:
        match action:
            case Action.KEEP if self.tuner is not None and not self.tuner.over:
                self._command = Command.KEEP
            case Action.KEEP:
                self._keep(reading)
            case Action.START_RUN:
                self.tuner = self.start_run(self.menu.plan)
                if self.tuner is None:
                    self._pass_by(Signal.WRONG)
            case Action.CLOSE_RUN:
                self.tuner = None
            case Action.SKIP:
                self._command = Command.SKIP
            case Action.BACK:
                self._command = Command.BACK
            case Action.FORGET:
                self.held = self.held.forgotten()
            case Action.ASK_ANEW:
                self.answers.clear()
            case Action.SET_UP:
                self._take_over_set_up()
                self.changed(self.menu)
            case Action.SHUT_DOWN:
                self.stop(Ending.POWER_OFF)

    def _keep(self, reading: Reading) -> None:
        """Ask the card to keep the present reading; one that says nothing of a level, or a second one, is refused."""
        has_level = reading.can_be_measured and math.isfinite(reading.rms_v) and reading.reason is not Reason.LEAD_OFF
        busy = self._promise is not None or self.held.keeping is not None
        if not has_level or self.logbook is None or busy:
            self._pass_by(Signal.WRONG)
            return
        try:
            self._promise = (self.logbook.keep(reading), reading)
        except StorageError:
            self._pass_by(Signal.WRONG)
            return
        self.held = self.held.asked(reading)

    def _follow_promise(self) -> None:
        """Show a reading as kept once it is on the card, and not before."""
        if self._promise is None or not self._promise[0].done:
            return
        self.held = self.held.answered(self._promise[1], on_card=True)
        self._promise = None
        self._pass_by(Signal.KEPT)

    def _follow_run(self, reading: Reading, now_s: float) -> None:
        """Let a tuning run have the reading, and show what it keeps as kept."""
        tuner, command = self.tuner, self._command
        self._command = Command.NONE
        self.menu.stage = Stage.NONE if tuner is None else Stage.OVER if tuner.over else Stage.UNDER_WAY
        if tuner is None or tuner.over:
            return
        refused = tuner.refused
        kept = tuner.take(reading, now_s=now_s, command=command, newest=self._newest)
        if tuner.refused and not refused:
            self._pass_by(Signal.WRONG)
        if tuner.keeping is not None and self.held.keeping is not tuner.keeping:
            self.held = self.held.asked(tuner.keeping)
        if kept and tuner.kept is not None:
            self.held = self.held.answered(tuner.kept, on_card=True)
            self._pass_by(Signal.KEPT)
        wanted = tuner.prompt.step.input if tuner.prompt is not None else self.meter.converter.input
        if wanted is not self.meter.converter.input:
            with suppress(FlattopError):
                self.meter.converter.select(wanted)

    def _answer(self, now_s: float) -> None:
        """Follow a sweep or listen while that is what the page asks."""
        self.answers.keep_in_mind(self.held.kept)
        if self.menu.place.page is Page.CUT:
            self.answers.follow(self._newest, now_s)
        elif self.menu.place.page is Page.QUIET:
            self.answers.listen(self._newest, now_s)

    def _newest(self, duration_s: float) -> tuple[Samples, Samples | None]:
        return newest(self.meter.converter, duration_s)

    def _take_over_set_up(self) -> None:
        set_up = self.menu.set_up
        self._display.soft_may_stay = set_up.kind is Kind.BASS
        if set_up.input is not self.meter.converter.input:
            try:
                self.meter.converter.select(set_up.input)
            except FlattopError:
                self.menu.set_up = replace(set_up, input=self.meter.converter.input)
        if self.panel.signals is not None:
            self.panel.signals.muted = set_up.muted
            self.panel.signals.brightness = BRIGHTNESS[set_up.light]
        if self.panel.screen is not None:
            try:
                self.panel.screen.light(set_up.light)
            except PanelError as error:
                self._screen_fault = str(error)

    # -- what is shown --------------------------------------------------------------------------------------------

    def _show(self, now_s: float, wall_s: float) -> None:
        if self.panel.screen is None:
            return
        place = self.menu.place
        about = self.about if place.page is not Page.ABOUT else self._about(now_s)
        tuner = self.tuner
        frame = pages.draw(
            place,
            self.view,
            set_up=self.menu.set_up,
            held=self.held,
            about=about,
            now_s=now_s,
            wall_s=wall_s,
            run=run_state(tuner.run, tuner.prompt, tuner.findings, record=self._session) if tuner is not None else None,
            plans=self.menu.plans,
            plan=self.menu.plan,
            response=(tuner.response if tuner is not None else None) or self.answers.response,
            noise=(tuner.noise if tuner is not None else None) or self.answers.noise,
        )
        try:
            self.panel.screen.show(frame)
            self._screen_fault = ""
        except PanelError as error:
            self.turns.screen_failures += 1
            self._screen_fault = str(error)

    @property
    def _session(self) -> str:
        """Name of the folder that the record is in; empty where there is none."""
        folder = self.logbook.status.folder if self.logbook is not None else None
        return folder.name if folder is not None else ""

    def _about(self, now_s: float) -> About:
        status = self.logbook.status if self.logbook is not None else None
        return replace(
            self.about,
            uptime_s=now_s - self._began_s,
            card="none" if status is None else status.words or f"{status.written} readings, {status.kept} kept",
            clock_known=self.about.clock_known or self.menu.set_up.clock_offset_s != 0.0,
            faults=self.faults,
        )

    def _signal(self, reading: Reading, now_s: float, *, stale: bool) -> None:
        signals = self.panel.signals
        if signals is None:
            return
        signals.restart()
        prompt = self.tuner.prompt if self.tuner is not None else None
        word = prompt.word if prompt is not None else Word.NONE
        if word is not self._word[0]:
            self._word = (word, now_s)
        # To hold is said for a while; after that the sounder says how the tone is again.
        called = word in {Word.UP, Word.DOWN} or now_s - self._word[1] < HOLD_S
        signal = signal_of(reading, stale=stale, supply=self.view.supply, word=word if called else "")
        leaving = self._ending is not None or self.menu.place.page is Page.LEAVE
        if leaving and signal not in {Signal.STOP, Signal.FAULT}:
            signal = Signal.SHUTTING_DOWN
        off = math.nan
        if prompt is not None and prompt.aim_v is not None and prompt.text in {UP, DOWN, STAY} and not stale:
            off = off_aim(level_v=reading.rms_v, aim_v=prompt.aim_v, tolerance_v=prompt.tolerance_v)
        signals.lead(signal, off, reading.hz if math.isfinite(reading.hz) else None)

    def _pass_by(self, signal: Signal) -> None:
        if self.panel.signals is not None:
            self.panel.signals.once(signal)

    def _all_faults(self, now_s: float) -> tuple[Fault, ...]:
        """Return everything that is wrong now, worst first."""
        if now_s - self._passing_s >= 1.0:
            self._passing, self._passing_s = tuple(self.live_faults()), now_s
        found = [*self.standing, *self._passing]
        if self.menu.set_up.clock_offset_s != 0.0:
            found = [fault for fault in found if fault.words not in CLOCK_WORDS]
        if self.meter.fault:
            found.append(_fault(Rank.BLIND, "converter silent", self.meter.fault))
        if self.meter.limited:
            found.append(_fault(Rank.NUMBERS, "one converter only", self.meter.limited))
        if self._screen_fault:
            found.append(_fault(Rank.PANEL, "screen fault", self._screen_fault))
        if self.panel.signals is not None and self.panel.signals.fault:
            found.append(_fault(Rank.PANEL, "lamp or sounder", self.panel.signals.fault))
        if self.panel.controls is not None and self.panel.controls.fault:
            found.append(_fault(Rank.PANEL, "buttons fault", self.panel.controls.fault))
        status = self.logbook.status if self.logbook is not None else None
        if status is not None and status.words:
            detail = f"{status.fault or status.words}; {status.waiting} readings wait, {status.dropped} are lost"
            found.append(Fault(Rank.RECORD, status.words, detail, status.remedy))
        return tuple(sorted(found, key=lambda fault: fault.rank))

    def _tell_manager(self, reading: Reading) -> None:
        """Feed the watchdog from the loop itself: a loop that hangs is a frozen screen."""
        self.notifier.alive()
        told = f"{reading.verdict}{': ' if reading.reason else ''}{reading.reason}"
        if self.faults:
            told += f"; {', '.join(fault.words for fault in self.faults)}"
        if told != self._told:
            self._told = told
            self.notifier.status(told)


def _copy(reading: Reading | None) -> Kept | None:
    return None if reading is None else Kept(reading.rms_v, reading.rms_u_v, reading.verdict)


def _fault(rank: Rank, words: str, text: str) -> Fault:
    """Return a fault from an error's text: what is wrong, and behind the last semicolon what to do."""
    detail, found, remedy = " ".join(text.split()).rpartition("; ")
    return Fault(rank, words, detail if found else remedy, remedy if found else "switch the meter off and on")
