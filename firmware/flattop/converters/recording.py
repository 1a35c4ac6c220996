"""Recordings of volts, served as a converter in the recording's own time."""

from __future__ import annotations

import math
from collections import deque
from pathlib import Path

import numpy as np

from flattop.converters.volt_files import Block, open_recording
from flattop.errors import RecordingError, SettingsError
from flattop.samples import Clock, Facts, Input, Quality, Samples

GAP_STEPS = 3.0
"""A step of more than this many median steps separates what must not be measured together."""


class RecordingConverter:
    """A recording behind the Converter protocol: seam 1 without any hardware.

    Its clock is the recording's own: `collect(2.0)` goes on to the second second, however long that takes.
    A gap in the times (a CSV file) parts the recording: `latest` never joins what lies before it with what lies after.
    """

    name = "recording"

    def __init__(
        self,
        path: Path,
        *,
        channel: int = 1,
        full_scale_v: float | None = None,
        input: Input = Input.SPEAKER,
        keep_s: float = 2.0,
    ) -> None:
        """Open the recording; arguments and errors as for `open_recording`.

        keep_s : how far back `latest` can look [s]; memory grows with it, not with the length of the recording
        """
        if not (math.isfinite(keep_s) and keep_s > 0):
            raise ValueError(f"keep_s is {keep_s}; allowed is a finite time above 0 s")
        self._recording = recording = open_recording(path, channel=channel, full_scale_v=full_scale_v)
        self._path = path
        self._keep_s = keep_s
        self._kept: deque[Block] = deque()
        self._position_s = recording.start_s
        self._closed = False
        self.start_s, self.end_s = recording.start_s, recording.end_s
        self.notes = recording.notes
        self._facts = Facts(
            converter=self.name,
            input=input,
            lsb_v=recording.lsb_v,
            full_scale_v=recording.full_scale_v,
            noise_v=recording.lsb_v / math.sqrt(12.0),
            tone_band_hz=(10.0, min(20e3, recording.rate_hz / 6.0)),
            harmonics_to_hz=min(20e3, 0.45 * recording.rate_hz),
        )

    @property
    def input(self) -> Input:
        """The input that the recording is said to be of."""
        return self._facts.input

    def select(self, input: Input) -> None:
        """Accept the recording's own input only.

        Raises SettingsError for the other one.
        """
        if input is not self.input:
            raise SettingsError(
                f"the recording is of the {self.input} input, {input} is asked for; open it as one of {input}"
            )

    def hold_range(self, held: bool) -> None:
        """Do nothing: a recording has one range."""

    def collect(self, until_s: float) -> bool:
        """Go on to `until_s` of the recording's own time; False once its last sample is taken.

        Raises RecordingError where the file holds what is no level.
        """
        if self._closed:
            return False
        try:
            while block := self._recording.read(until_s):
                self._kept.append(block)
                self._forget(float(block.times_s[-1]))
        except OSError as fault:
            raise RecordingError(
                f"recording {self._path} cannot be read on ({fault.strerror or fault}); check the card"
            ) from fault
        self._position_s = max(self._position_s, min(until_s, self.end_s))
        self._forget(self._position_s)
        return until_s < self.end_s

    def _forget(self, now_s: float) -> None:
        while self._kept and self._kept[0].times_s[-1] <= now_s - self._keep_s:
            self._kept.popleft()

    def latest(self, duration_s: float) -> Samples:
        """Return the last `duration_s` seconds up to where `collect` has come, at most `keep_s`.

        The block starts after the last gap; `missed` counts what the gaps in those seconds left out.
        """
        wanted = [block for block in self._kept if block.times_s[-1] > self._position_s - duration_s]
        times_s = np.concatenate([np.empty(0), *(block.times_s for block in wanted)])
        volts = np.concatenate([np.empty(0), *(block.volts for block in wanted)])
        railed = np.concatenate([np.empty(0, dtype=np.bool_), *(block.railed for block in wanted)])
        from_s = max(self._position_s - min(duration_s, self._keep_s), self.start_s)
        # Half a step, so that rounding does not decide whether the sample right at the start belongs to the block.
        first = int(
            np.searchsorted(times_s, from_s + (0.5 / self._recording.rate_hz if from_s > self.start_s else 0.0))
        )
        # Silence before the first and after the last sample is a gap as well.
        steps = np.diff(np.concatenate([[from_s], times_s[first:], [self._position_s]])) * self._recording.rate_hz
        gaps = np.flatnonzero(steps > GAP_STEPS)
        start = first + (int(gaps[-1]) if gaps.size else 0)
        quality = Quality(
            rate_hz=self._recording.rate_hz,
            clock=Clock.EVEN,
            missed=int(np.sum(np.maximum(np.rint(steps) - 1.0, 0.0))),
            saturated=int(np.count_nonzero(railed[start:])),
        )
        return Samples(times_s[start:], volts[start:], self._facts, quality)

    def confirm(self, hz: float) -> bool:
        """Return True: what lay above the band was kept out when the recording was made."""
        return True

    def close(self) -> None:
        """Close the file; what was collected stays; harmless twice."""
        self._closed = True
        self._recording.close()
