"""Pins through gpiozero: how they are opened, and what is said of the ones that fail."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Generic, Protocol, TypeVar

from flattop.errors import PanelError

RETRY_S = 1.0
"""A part that could not be opened is not tried again before this has passed [s]."""
REMEDY = "look at its wiring, and that nothing else uses the pin"


def factory_or_default(pin_factory: object | None) -> object:
    """Return `pin_factory`, or gpiozero's own over lgpio, whose edges carry kernel time stamps.

    No other library is fallen back to: not every one can dim a lamp or hum a pitch.

    Raises PanelError where there are no pins.
    """
    if pin_factory is not None:
        return pin_factory
    try:
        import gpiozero
        from gpiozero.pins.lgpio import LGPIOFactory

        if gpiozero.Device.pin_factory is None:
            gpiozero.Device.pin_factory = LGPIOFactory()
    except Exception as error:  # each library has exceptions of its own, not all under one root
        raise PanelError(
            f"lamp, sounder and buttons: no pins ({error_text(error)}): run on the meter, with lgpio installed and "
            "the user in the group gpio"
        ) from error
    return gpiozero.Device.pin_factory


class Closes(Protocol):
    """What has a pin, and lets go of it."""

    def close(self) -> None:
        """Let go of the pin."""
        ...


Device = TypeVar("Device", bound=Closes)
Answer = TypeVar("Answer")


class Part(Generic[Device]):
    """One part at a pin: opened as soon as that works, and used as long as it does. What fails is told, not raised.

    name, gpio : of the part, for the fault; its pin (BCM number)
    make : opens it; asked at once, and again for as long as it fails
    clock : monotonic seconds
    """

    def __init__(self, name: str, gpio: int, make: Callable[[], Device], clock: Callable[[], float]) -> None:
        self.fault = ""
        """What failed, how, and what to do; empty once it works again."""
        self.failures = 0
        self._name, self._gpio, self._make, self._clock = name, gpio, make, clock
        self._device: Device | None = None
        self._tried_s = -math.inf
        self._closed = False
        self.opened()

    def opened(self) -> bool:
        """Return whether the part is open, having tried to open it if it is time to."""
        if self._device is None and not self._closed and self._clock() - self._tried_s >= RETRY_S:
            self._tried_s = self._clock()
            try:
                self._device = self._make()
                self.fault = ""
            except Exception as error:  # as above
                self._failed(error)
        return self._device is not None

    def use(self, how: Callable[[Device], Answer]) -> Answer | None:
        """Return what `how` makes of the device; None, counted and told in `fault`, where that fails."""
        if not self.opened() or self._device is None:
            return None
        try:
            answer = how(self._device)
        except Exception as error:  # as above
            self._failed(error)
            return None
        self.fault = ""
        return answer

    def close(self) -> None:
        """Let go of the pin; harmless twice."""
        self._closed = True
        self.use(lambda device: device.close())

    def _failed(self, error: Exception) -> None:
        self.failures += 1
        self.fault = str(PanelError(f"{self._name} (GPIO{self._gpio}) fails: {error_text(error)}: {REMEDY}"))


def error_text(error: Exception) -> str:
    """Return the error on one line, with its kind."""
    return " ".join(f"{type(error).__name__} {error}".split())
