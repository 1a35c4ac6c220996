"""What a hand or a foot can press, and what counts as one press."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Button(StrEnum):
    """The three buttons below the screen, from left to right, and the foot switch."""

    A = "A"
    B = "B"
    C = "C"
    FOOT = "foot switch"


@dataclass(frozen=True, slots=True)
class Press:
    """One press of one button."""

    button: Button
    time_s: float
    """When it was noticed, on the host's monotonic clock [s]."""
    held: bool = False
    """True once it has been down for the holding time; a short press is one that was let go before."""
