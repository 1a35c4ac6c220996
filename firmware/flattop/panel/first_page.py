"""What the first page is told of a reading: its label, the highest clean level of the tone, and the next move."""

from __future__ import annotations

import math

from flattop.measure.reading import Reading, Verdict
from flattop.panel.screen import View
from flattop.samples import Input

UNCALIBRATED = "uncal."
UNTRIMMED = "untrim."


class FirstPage:
    """What the first page is told: the newest reading, the highest clean level of this tone, and the next move."""

    def __init__(self, *, label: str = "", aim_v: float | None = None, soft_may_stay: bool = False) -> None:
        self._label, self._aim_v = label, aim_v
        self.soft_may_stay = soft_may_stay
        """True on a bass output, which may be left at the first softening of its tops."""
        self._ceiling_v: float | None = None
        self._ceiling_hz = math.nan
        self._ceiling_input: Input | None = None

    def view(self, reading: Reading) -> View:
        """Return the view of a new reading."""
        self._follow_ceiling(reading)
        facts = reading.facts
        label = self._label or str(facts.input).capitalize()
        # A gain that is only promised by the circuit says so; a recording holds volts already.
        if not facts.trimmed:
            label = f"{label} {UNTRIMMED}"
        elif facts.gain_u > 0.0 and not facts.calibrated:
            label = f"{label} {UNCALIBRATED}"
        return View(
            reading=reading,
            label=label,
            aim_v=self._aim_v,
            advice=self._advice(reading.verdict),
            ceiling_v=self._ceiling_v,
            simulated=reading.facts.simulated,
        )

    def _advice(self, verdict: Verdict) -> str:
        if verdict is Verdict.SOFT and self.soft_may_stay:
            return "at limit"
        return "gain down" if verdict in {Verdict.SOFT, Verdict.FLAT} else ""

    def _follow_ceiling(self, reading: Reading) -> None:
        """Keep the highest level that was clean; another tone has another ceiling."""
        if reading.verdict is not Verdict.CLEAN:
            return
        another_tone = not abs(reading.hz - self._ceiling_hz) < 0.02 * reading.hz
        if another_tone or reading.facts.input is not self._ceiling_input:
            self._ceiling_v, self._ceiling_hz, self._ceiling_input = None, reading.hz, reading.facts.input
        self._ceiling_v = max(reading.rms_v, self._ceiling_v or 0.0)
