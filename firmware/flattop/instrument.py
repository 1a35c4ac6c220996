"""The instrument in the hand: what the screen is told of each reading."""

from __future__ import annotations

import math

from flattop.measure.reading import Reading, Verdict
from flattop.panel.screen import View
from flattop.samples import Input

UNCALIBRATED = "uncal."


class Display:
    """What the screen is told: the newest reading, the highest clean level of this tone, and the next move."""

    def __init__(self, *, label: str = "", aim_v: float | None = None) -> None:
        self._label, self._aim_v = label, aim_v
        self._ceiling_v: float | None = None
        self._ceiling_hz = math.nan
        self._ceiling_input: Input | None = None

    def view(self, reading: Reading) -> View:
        """Return the view of a new reading."""
        self._follow_ceiling(reading)
        facts = reading.facts
        label = self._label or str(facts.input).capitalize()
        # A gain that is only promised by the circuit says so; a recording holds volts already.
        return View(
            reading=reading,
            label=f"{label} {UNCALIBRATED}" if facts.gain_u > 0.0 and not facts.calibrated else label,
            aim_v=self._aim_v,
            advice="gain down" if reading.verdict in {Verdict.SOFT, Verdict.FLAT} else "",
            ceiling_v=self._ceiling_v,
            simulated=reading.facts.simulated,
        )

    def _follow_ceiling(self, reading: Reading) -> None:
        """Keep the highest level that was clean; another tone has another ceiling."""
        if reading.verdict is not Verdict.CLEAN:
            return
        another_tone = not abs(reading.hz - self._ceiling_hz) < 0.02 * reading.hz
        if another_tone or reading.facts.input is not self._ceiling_input:
            self._ceiling_v, self._ceiling_hz, self._ceiling_input = None, reading.hz, reading.facts.input
        self._ceiling_v = max(reading.rms_v, self._ceiling_v or 0.0)
