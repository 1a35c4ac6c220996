"""A recording as the voltage between the simulated meter's clips."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from flattop.converters.volt_files import open_recording
from flattop.samples import FloatArray

_MARGIN = 4  # samples kept on each side of what is asked for, for the cubic through four of them


class Playback:
    """Plays one channel of a recording; silence before its start and after its end.

    Between the samples runs the cubic through the four around (Catmull-Rom), good to 1e-4 up to a twentieth of the
    sample rate. Times are asked for in rising order; only what lies around them is kept in memory.

    Raises what `open_recording` raises.
    """

    def __init__(self, path: Path, *, channel: int = 1, full_scale_v: float | None = None) -> None:
        self._recording = open_recording(path, channel=channel, full_scale_v=full_scale_v)
        self.start_s, self.end_s = self._recording.start_s, self._recording.end_s
        self.notes = self._recording.notes
        self._step_s = 1.0 / self._recording.rate_hz
        self._times_s: FloatArray = np.empty(0)
        self._volts: FloatArray = np.empty(0)

    def __call__(self, times_s: FloatArray) -> FloatArray:
        """Return the voltage at these times [V]."""
        self._fetch(float(times_s[0]), float(times_s[-1]))
        if len(self._times_s) < 4:
            return np.zeros_like(times_s)
        known_s, volts = self._times_s, self._volts
        at = np.clip(np.searchsorted(known_s, times_s) - 1, 1, len(known_s) - 3)
        part = (times_s - known_s[at]) / (known_s[at + 1] - known_s[at])
        a, b, c, d = volts[at - 1], volts[at], volts[at + 1], volts[at + 2]
        cubic = b + 0.5 * part * (c - a + part * (2 * a - 5 * b + 4 * c - d + part * (3 * (b - c) + d - a)))
        inside = (times_s >= self.start_s) & (times_s <= self.end_s)
        return np.asarray(np.where(inside, cubic, 0.0), dtype=np.float64)

    def _fetch(self, from_s: float, until_s: float) -> None:
        """Read on until beyond `until_s`, and forget what lies well before `from_s`."""
        parts_s, parts_v = [self._times_s], [self._volts]
        while block := self._recording.read(until_s + _MARGIN * self._step_s):
            parts_s.append(block.times_s)
            parts_v.append(block.volts)
        times_s, volts = np.concatenate(parts_s), np.concatenate(parts_v)
        first = max(int(np.searchsorted(times_s, from_s)) - _MARGIN, 0)
        self._times_s, self._volts = times_s[first:], volts[first:]

    def close(self) -> None:
        """Close the file."""
        self._recording.close()
