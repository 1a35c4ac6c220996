"""One figure: what it is, what the design says, what came out, and why they differ where they do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

NEAR = 0.05
"""A figure agrees with the design's within this share of it."""


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a figure lies off the design's, with what a run under other assumptions gave."""

    text: str
    values: tuple[float, ...]
    """The figure under the assumptions named in the text."""


@dataclass(frozen=True, slots=True)
class Figure:
    """One number with its unit."""

    key: str
    what: str
    unit: str
    simulated: float
    design: float | None = None
    """What the design notes say; None where they say nothing."""
    reason: Reason | None = None

    @property
    def ratio(self) -> float | None:
        """Simulated over design."""
        return self.simulated / self.design if self.design else None

    @property
    def agrees(self) -> bool | None:
        """Whether it is within 5 % of the design's; None where there is nothing to compare with."""
        return None if self.ratio is None else abs(self.ratio - 1.0) <= NEAR

    @property
    def explained(self) -> bool:
        """Whether the reason's own values reach the design's figure, or lie with the simulated one around it."""
        if self.design is None or self.reason is None or not self.reason.values:
            return False
        around = (*self.reason.values, self.simulated)
        near = any(abs(value / self.design - 1.0) <= NEAR for value in self.reason.values)
        return near or min(around) <= self.design <= max(around)

    def as_line(self) -> str:
        """Return it as one line of a table on a terminal."""
        design = "" if self.design is None else f"{self.design:g}"
        ratio = "" if self.ratio is None else f"{self.ratio:.3f}"
        word = {None: "", True: "yes", False: "explained" if self.explained else "NO"}[self.agrees]
        return f"{design:>8} {self.simulated:>10.4g} {self.unit:<8} {ratio:>6} {word:<10} {self.what}"

    def as_json(self) -> dict[str, object]:
        """Return it for figures.json, numbers to six digits."""
        return {
            "what": self.what,
            "unit": self.unit,
            "design": self.design,
            "simulated": rounded(self.simulated),
            "ratio": None if self.ratio is None else rounded(self.ratio),
            "within_5_pct": self.agrees,
            "reason": None if self.reason is None else self.reason.text,
            "under_that_assumption": None if self.reason is None else [rounded(v) for v in self.reason.values],
        }


@dataclass(frozen=True, slots=True)
class Chapter:
    """Figures under one heading, with a line on how they came about."""

    title: str
    lead: str
    figures: Sequence[Figure]
    picture: str | None = None


def rounded(value: float) -> float:
    """Return a number to six significant digits."""
    return float(f"{value:.6g}")
