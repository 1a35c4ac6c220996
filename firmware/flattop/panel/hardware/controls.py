"""The three buttons, the foot switch and the low-battery line on their pins."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from functools import partial
from typing import Protocol

from flattop.errors import PanelError, listed
from flattop.panel.buttons import Button, ButtonWatch, Press
from flattop.panel.hardware.pins import error_text, factory_or_default, fault_text, open_part

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
        names the others.
    """

    def __init__(self, *, pin_factory: object | None = None, clock: Callable[[], float] = time.monotonic) -> None:
        factory = factory_or_default(pin_factory)
        # Not gpiozero's Button: holding and bouncing are ButtonWatch's, the same on every pin library.
        from gpiozero import DigitalInputDevice

        self._clock = clock
        self._faults: dict[str, str] = {}
        self._lock = threading.Lock()
        self._closed = False
        self._low_since_s: float | None = None
        self._inputs: dict[Button, InputPin] = {}
        for button, gpio in GPIO.items():
            make = partial(DigitalInputDevice, gpio, pull_up=True, pin_factory=factory)
            pin: InputPin | None = open_part(_name(button), gpio, make, self._faults)
            if pin is not None:
                self._inputs[button] = pin
        make = partial(DigitalInputDevice, GPIO_LOW_BATTERY, pull_up=True, pin_factory=factory)
        self._battery: InputPin | None = open_part(_LOW_BATTERY, GPIO_LOW_BATTERY, make, self._faults)
        make = partial(DigitalInputDevice, GPIO_DIAG, pull_up=None, active_state=True, pin_factory=factory)
        self._diag: InputPin | None = open_part(_DIAG, GPIO_DIAG, make, self._faults)
        if not self._inputs:
            raise PanelError(listed("buttons and foot switch cannot be used:", list(self._faults.values())))
        self.failures = len(self._faults)
        """Times that a pin failed."""
        down = {button for button, pin in self._inputs.items() if self._level(_name(button), GPIO[button], pin)}
        self._watch = ButtonWatch(time_s=clock(), down=down)
        for button, pin in self._inputs.items():
            # One argument beside self is bound: gpiozero calls these with none.
            pin.when_activated = partial(self._edge, button, True)
            pin.when_deactivated = partial(self._edge, button, False)

    def presses(self) -> list[Press]:
        """Return, oldest first, the presses since the last call; at once."""
        with self._lock:
            if self._closed:
                return []
            for button, pin in self._inputs.items():
                # Under the lock: no edge can come between the look and the note of it.
                down = self._level(_name(button), GPIO[button], pin)
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
        if self._battery is None or self._closed:
            return False
        now_s = self._clock()
        low = self._level(_LOW_BATTERY, GPIO_LOW_BATTERY, self._battery)
        if not low:
            self._low_since_s = None
        elif self._low_since_s is None:
            self._low_since_s = now_s
        return self._low_since_s is not None and now_s - self._low_since_s >= LOW_BATTERY_S

    @property
    def isolators_ok(self) -> bool | None:
        """False while the isolators report a fault, or have no supply; None where their line cannot be read."""
        if self._diag is None or self._closed:
            return None
        return self._level(_DIAG, GPIO_DIAG, self._diag)

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
        return "\n".join(dict(self._faults).values())

    def close(self) -> None:
        """Let go of the pins; harmless twice."""
        with self._lock:
            if self._closed:
                return
            self._closed = True
        # Without the lock: the library may wait here for an edge that waits for the lock.
        pins = [(_name(button), GPIO[button], pin) for button, pin in self._inputs.items()]
        if self._battery is not None:
            pins.append((_LOW_BATTERY, GPIO_LOW_BATTERY, self._battery))
        if self._diag is not None:
            pins.append((_DIAG, GPIO_DIAG, self._diag))
        for name, gpio, pin in pins:
            try:
                pin.close()
            except Exception as error:  # each library has exceptions of its own
                self._failed(name, fault_text(name, gpio, error))

    def _edge(self, button: Button, down: bool) -> None:
        """Take an edge; called by the pin library's thread, into which nothing may be raised."""
        try:
            with self._lock:
                self._watch.edge(button, down=down, time_s=self._clock())
        except Exception as error:  # the owner reads it in `fault`
            self._failed("edges", f"buttons: an edge was lost: {error_text(error)}: start the meter again")

    def _level(self, name: str, gpio: int, pin: InputPin) -> bool | None:
        """Return whether a contact is closed; None, counted and told, if the pin cannot be read."""
        try:
            closed = bool(pin.is_active)
        except Exception as error:  # each library has exceptions of its own
            self._failed(name, fault_text(name, gpio, error))
            return None
        self._faults.pop(name, None)
        return closed

    def _failed(self, name: str, text: str) -> None:
        self.failures += 1
        self._faults[name] = text


_LOW_BATTERY = "low-battery line"
_DIAG = "isolators' fault line"


def _name(button: Button) -> str:
    return str(button) if button is Button.FOOT else f"button {button}"
