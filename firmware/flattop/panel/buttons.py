"""What a hand or a foot can press, and what counts as one press."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Collection
from dataclasses import dataclass
from enum import Enum, StrEnum, auto
from operator import itemgetter

DEBOUNCE_S = 0.02
"""A contact counts as closed or open once it has been so for this long [s]; common practice, no source."""
HOLD_S = 1.5
"""A button that is down for this long [s] is held; one let go before was pressed."""
STUCK_S = 10.0
"""A button that is down for this long [s] is stuck; nobody holds one that long."""
RESTLESS_S = 2.0
"""A contact that does not come to rest for this long [s] is stuck too."""
WAITING = 16
"""Presses that wait to be fetched; the oldest gives way to a new one, since what a hand did last is what it wants."""


class Button(StrEnum):
    """The three buttons below the screen, from left to right, and the foot switch."""

    A = "A"
    B = "B"
    C = "C"
    FOOT = "foot switch"


PANEL = frozenset({Button.A, Button.B, Button.C})
"""Under one hand: presses of these that overlap are not meant."""


@dataclass(frozen=True, slots=True)
class Press:
    """One press of one button."""

    button: Button
    time_s: float
    """When it was noticed, on the host's monotonic clock [s]."""
    held: bool = False
    """True once it has been down for the holding time; a short press is one that was let go before."""


class _Event(Enum):
    SETTLED = auto()
    HELD = auto()
    STUCK = auto()


@dataclass(slots=True)
class _Contact:
    """One contact as it is, and as it counts."""

    closed: bool
    since_s: float
    """Of the last edge, either way."""
    quiet_until_s: float
    """Of the edge that ended its last rest: later edges came within `DEBOUNCE_S` of one another."""
    down: bool
    down_since_s: float
    spent: bool
    """This time down has been reported, or will not be."""
    stuck: bool

    def due(self) -> tuple[float, _Event]:
        """Return when something comes of this contact by itself, and what; infinity: nothing will."""
        due = (math.inf, _Event.STUCK)
        if self.closed != self.down:
            due = (self.since_s + DEBOUNCE_S, _Event.SETTLED)
        elif self.down and not self.spent:
            due = (max(self.down_since_s + HOLD_S, self.since_s + DEBOUNCE_S), _Event.HELD)
        stuck_s = self.down_since_s + STUCK_S
        return (stuck_s, _Event.STUCK) if self.down and not self.stuck and stuck_s < due[0] else due


class ButtonWatch:
    """Makes presses out of edges; has no clock and no hardware, and never grows.

    - A contact counts as down, or as up, once it has been so for `DEBOUNCE_S`.
    - Down for `HOLD_S`: one held press, then. Let go before: one short press, then.
    - A, B or C going down while another of them is down: neither is a press (`overlapped` counts both);
      the foot switch is another limb's and stays out of this.
    - Down at the start, or for `STUCK_S`: stuck. It is reported, keeps no other button from
      being pressed, and is no press when it comes up.

    Times are the caller's, on one monotonic clock [s]; one that runs back is taken as the latest so far.
    What comes out depends on the edges only, not on how often it is asked for.
    """

    def __init__(self, *, time_s: float, down: Collection[Button] = ()) -> None:
        self._now_s = time_s
        self._contacts = {
            button: _Contact(
                closed=button in down,
                since_s=time_s,
                quiet_until_s=time_s,
                down=button in down,
                down_since_s=time_s,
                spent=True,
                stuck=button in down,
            )
            for button in Button
        }
        self._look_ahead()
        self._presses: deque[Press] = deque(maxlen=WAITING)
        self.dropped = 0
        """Presses that nobody fetched in time."""
        self.overlapped = 0
        """Presses that were none because another button was down."""

    def edge(self, button: Button, *, down: bool, time_s: float) -> None:
        """Take note that a contact closed or opened; the state it has already is no edge."""
        self._advance(time_s)
        contact = self._contacts[button]
        if contact.closed == down:
            return
        if self._now_s - contact.since_s >= DEBOUNCE_S:
            contact.quiet_until_s = self._now_s
        contact.closed, contact.since_s = down, self._now_s
        self._look_ahead()

    def presses(self, *, time_s: float) -> list[Press]:
        """Return, oldest first, the presses noticed up to `time_s` that were not fetched before."""
        self._advance(time_s)
        fetched = list(self._presses)
        self._presses.clear()
        return fetched

    def stuck(self, *, time_s: float) -> frozenset[Button]:
        """Return the buttons that were never let go, are down for too long, or do not come to rest."""
        self._advance(time_s)
        return frozenset(
            button for button, contact in self._contacts.items() if contact.stuck or self._restless(contact)
        )

    def _restless(self, contact: _Contact) -> bool:
        at_rest = self._now_s - contact.since_s >= DEBOUNCE_S
        return not at_rest and contact.since_s - contact.quiet_until_s >= RESTLESS_S

    def _advance(self, time_s: float) -> None:
        """Let everything happen that is due up to `time_s`, in the order of time."""
        self._now_s = max(self._now_s, time_s)
        while self._next[1] <= self._now_s:
            button, due_s, event = self._next
            contact = self._contacts[button]
            if event is _Event.SETTLED:
                self._settle(button, contact, due_s)
            elif event is _Event.HELD:
                contact.spent = True
                self._noticed(Press(button, due_s, held=True))
            else:
                contact.stuck = True
            self._look_ahead()

    def _look_ahead(self) -> None:
        self._next = min(((button, *contact.due()) for button, contact in self._contacts.items()), key=itemgetter(1))

    def _settle(self, button: Button, contact: _Contact, time_s: float) -> None:
        """Let a contact count as it is."""
        contact.down = contact.closed
        if not contact.down:
            if not contact.spent:
                self._noticed(Press(button, time_s))
            contact.spent, contact.stuck = True, False
            return
        contact.down_since_s, contact.spent = contact.since_s, False
        others = [
            other
            for name, other in self._contacts.items()
            if name in PANEL and name != button and other.down and not other.stuck
        ]
        if button in PANEL and others:
            for each in (contact, *others):
                self.overlapped += not each.spent
                each.spent = True

    def _noticed(self, press: Press) -> None:
        self.dropped += len(self._presses) == WAITING
        self._presses.append(press)
