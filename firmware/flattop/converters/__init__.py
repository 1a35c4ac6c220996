"""Seam 1: what a converter must provide, whatever hardware is behind it.

`Converter` is the whole contract; one body of tests (tests/test_converters.py) runs against every implementation.
Hardware libraries are imported only inside the modules of this package, when a converter is opened.
"""

from __future__ import annotations

import time
from typing import Protocol

from flattop.samples import Input, Samples


class Timebase(Protocol):
    """The host's monotonic clock and its waiting: real on a meter, virtual on the simulated board."""

    def now_s(self) -> float:
        """Return monotonic seconds."""
        ...

    def wait_until(self, when_s: float) -> None:
        """Return at or soon after `when_s`; at once if that is past."""
        ...


class HostTime:
    """The operating system's monotonic clock."""

    def now_s(self) -> float:
        """Return monotonic seconds."""
        return time.monotonic()

    def wait_until(self, when_s: float) -> None:
        """Sleep until `when_s`; the kernel may wake the thread tens of microseconds late."""
        left_s = when_s - time.monotonic()
        if left_s > 0:
            time.sleep(left_s)


class Converter(Protocol):
    """A source of samples that the meter pulls along in time.

    One thread calls `collect` again and again; `latest` may be called between two
    calls. Times are seconds on the host's monotonic clock (for a recording: its own).
    """

    @property
    def name(self) -> str:
        """Short name, as logged: "ads1015", "recording"."""
        ...

    @property
    def input(self) -> Input:
        """The input that is being sampled."""
        ...

    def select(self, input: Input) -> None:
        """Sample another input from now on; samples of the old one are forgotten.

        Raises SettingsError if this converter does not have it.
        """
        ...

    def hold_range(self, held: bool) -> None:
        """Forbid (or allow again) range changes, while a reading is being kept."""
        ...

    def collect(self, until_s: float) -> bool:
        """Take samples until the clock passes `until_s`; False once no more can come.

        Raises ConverterSilent (after a bounded time) if the hardware does not answer;
        calling again then tries to bring it back.
        """
        ...

    def latest(self, duration_s: float) -> Samples:
        """Return what was sampled on this input in the last `duration_s` seconds.

        The block may be shorter (just started, just switched) or empty.
        """
        ...

    def confirm(self, hz: float) -> bool:
        """Find out whether the tone seen at `hz` is there, or the image of one above the band folded down.

        May take a moment in which nothing is collected. Raises what `collect` raises.
        """
        ...

    def close(self) -> None:
        """Let go of the hardware; harmless twice."""
        ...
