"""Pins through gpiozero: how they are opened, and what is said of the ones that fail."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from flattop.errors import PanelError

Device = TypeVar("Device")

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


def open_part(name: str, gpio: int, make: Callable[[], Device], faults: dict[str, str]) -> Device | None:
    """Return what `make` opens at a BCM pin; None, and a sentence in `faults` under `name`, if it cannot be."""
    try:
        return make()
    except Exception as error:  # as above
        faults[name] = fault_text(name, gpio, error)
        return None


def fault_text(name: str, gpio: int, error: Exception) -> str:
    """Return what failed, how, and what to do."""
    return str(PanelError(f"{name} (GPIO{gpio}) fails: {error_text(error)}: {REMEDY}"))


def error_text(error: Exception) -> str:
    """Return the error on one line, with its kind."""
    return " ".join(f"{type(error).__name__} {error}".split())
