"""The three buttons, the foot switch and the low-battery line on their pins."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from functools import partial
from typing import Protocol

from flattop.errors import PanelError, listed
from flattop.panel.buttons import Button, ButtonWatch, Press
from flattop.panel.hardware.pins import Part, error_text, factory_or_default

# BCM numbers of the wiring; all contacts are to ground.
GPIO = {Button.A: 5, Button.B: 6, Button.C: 16, Button.FOOT: 26}
GPIO_LOW_BATTERY = 15
GPIO_DIAG = 14
"""Fault line of both isolators, low on a fault; its pull-up hangs on their own supply."""

LOW_BATTERY_S = 1.0
"""The line must be low for this long [s]: a backlight that comes on is no empty battery."""


class InputPin(Protocol):
    """A digital input as gpiozero has it."""

    is_active: bool
    when_activated: Callable[[], None] | None
    when_deactivated: Callable[[], None] | None

    def close(self) -> None:
        """Let go of the pin."""
        ...


class Controls:
    """Buttons, foot switch and low battery.

    Edges come from the pin library's own thread and are timed as they come; each call of `presses` also looks at the
    pins, so that a lost edge costs no more than that long. Nothing waits, nothing grows.

    Parameters
    ----------
    pin_factory : a gpiozero factory; by default the one over lgpio.
    clock : monotonic seconds.

    Raises
    ------
    PanelError
        None of the buttons can be opened; all faults in one error. If only some can, they work, and `fault`
        names the others, which are tried again.
    """

    def __init__(self, *, pin_factory: object | None = None, clock: Callable[[], float] = time.monotonic) -> None:
        factory = factory_or_default(pin_factory)
        # Not gpiozero's Button: holding and bouncing are ButtonWatch's, the same on every pin library.
        from gpiozero import DigitalInputDevice

        def contact(gpio: int, heed: Callable[[bool], None] | None = None) -> InputPin:
            pin: InputPin = DigitalInputDevice(gpio, pull_up=True, pin_factory=factory)
            if heed is not None:
                # gpiozero calls these with no argument if one beside self is bound.
                pin.when_activated, pin.when_deactivated = partial(heed, True), partial(heed, False)
            return pin

        self._clock = clock
        self._edges_fault, self._edges_lost = "", 0
        self._lock = threading.Lock()
        self._closed = False
        self._low_since_s: float | None = None
        # Under the lock: no edge can come before there is someone to note it.
        with self._lock:
            self._buttons: dict[Button, Part[InputPin]] = {
                button: Part(
                    str(button) if button is Button.FOOT else f"button {button}",
                    gpio,
                    partial(contact, gpio, partial(self._edge, button)),
                    clock,
                )
                for button, gpio in GPIO.items()
            }
            make: Callable[[], InputPin] = partial(contact, GPIO_LOW_BATTERY)
            self._battery: Part[InputPin] = Part("low-battery line", GPIO_LOW_BATTERY, make, clock)
            make = partial(DigitalInputDevice, GPIO_DIAG, pull_up=None, active_state=True, pin_factory=factory)
            self._diag: Part[InputPin] = Part("isolators' fault line", GPIO_DIAG, make, clock)
            if not any(part.opened() for part in self._buttons.values()):
                raise PanelError(listed("buttons and foot switch cannot be used:", self.fault.splitlines()))
            down = {button for button, part in self._buttons.items() if part.use(_closed)}
            self._watch = ButtonWatch(time_s=clock(), down=down)

    def presses(self) -> list[Press]:
        """Return, oldest first, the presses since the last call; at once."""
        with self._lock:
            if self._closed:
                return []
            for button, part in self._buttons.items():
                # Under the lock: no edge can come between the look and the note of it.
                down = part.use(_closed)
                if down is not None:
                    self._watch.edge(button, down=down, time_s=self._clock())
            return self._watch.presses(time_s=self._clock())

    def stuck(self) -> frozenset[Button]:
        """Return the buttons that are down since the start or for too long, or do not come to rest."""
        with self._lock:
            return self._watch.stuck(time_s=self._clock())

    @property
    def low_battery(self) -> bool:
        """True once the line has been low for `LOW_BATTERY_S`; a line that cannot be read is no low battery."""
        now_s = self._clock()
        if self._closed or not self._battery.use(_closed):
            self._low_since_s = None
        elif self._low_since_s is None:
            self._low_since_s = now_s
        return self._low_since_s is not None and now_s - self._low_since_s >= LOW_BATTERY_S

    @property
    def isolators_ok(self) -> bool | None:
        """False while the isolators report a fault, or have no supply; None where their line cannot be read."""
        return None if self._closed else self._diag.use(_closed)

    @property
    def dropped(self) -> int:
        """Presses that were not fetched in time."""
        return self._watch.dropped

    @property
    def overlapped(self) -> int:
        """Presses that were none because another button was down."""
        return self._watch.overlapped

    @property
    def fault(self) -> str:
        """What does not work, one a line; empty if all does."""
        faults = [self._edges_fault, *(part.fault for part in self._parts)]
        return "\n".join(fault for fault in faults if fault)

    @property
    def failures(self) -> int:
        """Times that a pin failed."""
        return self._edges_lost + sum(part.failures for part in self._parts)

    @property
    def _parts(self) -> list[Part[InputPin]]:
        return [*self._buttons.values(), self._battery, self._diag]

    def close(self) -> None:
        """Let go of the pins; harmless twice."""
        with self._lock:
            if self._closed:
                return
            self._closed = True
        # Without the lock: the library may wait here for an edge that waits for the lock.
        for part in self._parts:
            part.close()

    def _edge(self, button: Button, down: bool) -> None:
        """Take an edge; called by the pin library's thread, into which nothing may be raised."""
        try:
            with self._lock:
                self._watch.edge(button, down=down, time_s=self._clock())
        except Exception as error:  # the owner reads it in `fault`
            self._edges_lost += 1
            self._edges_fault = f"buttons: an edge was lost: {error_text(error)}: start the meter again"


def _closed(pin: InputPin) -> bool:
    """Return whether a contact is closed, or a line at its active level."""
    return bool(pin.is_active)
