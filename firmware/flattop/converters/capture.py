"""Frames from an ALSA capture device, by a child process that may die without taking the meter along.

Why `arecord` and not a binding: whatever the sound driver does (a hang in the kernel, a fault in a plug-in), it happens
to a process that can be killed; no library is imported, so everything else runs without one; the pipe between the two
takes up a second of samples that a busy meter is late for; and every way to fail ends in a line of text, an exit or a
silence, all of which can be told apart. A binding would have to be built for each Python on each Pi, and a call that
never returns would be the meter's own. What it costs is one copy through a pipe: 0.77 MB a second.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import select
import shutil
import signal
import subprocess
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

from flattop.converters import HostTime, Timebase
from flattop.errors import ConverterMissing, ConverterSilent

FRAME_BYTES = 8
"""One frame: two words of 32 bits, little-endian, the 24 bits of a code at the top of each."""
PERIOD_S, BUFFER_S = 0.01, 0.5
"""What ALSA is asked for: samples come in portions of this length, and this much may wait in the kernel [s]."""
PIPE_BYTES = 1 << 20
"""Room asked for between the child and the meter: 1.4 s of samples."""
TAKE_BYTES = 1 << 20
"""Most bytes taken at once: a device that runs away must not hold the meter up."""
LAST_WORDS_S = 0.2
"""Longest wait for the exit of a child that has closed its pipe [s]."""
REAP_S = 1.0
"""Longest wait for a child that was killed [s]: one that hangs in the kernel cannot be reaped."""
SAID_BYTES = 4096
"""How much of what the child says is kept, the newest."""

LINES = "check the I2S lines and the converter's supply and clock"
REMEDIES: tuple[tuple[tuple[str, ...], str], ...] = (
    (
        ("overrun", "xrun"),
        "samples were lost (overrun): the meter was busy for too long; this passes by itself; "
        "if it comes again and again, end other programs",
    ),
    (
        ("Device or resource busy",),
        "another program has the converter; end it (`fuser -v /dev/snd/*` names it)",
    ),
    (
        ("Permission denied",),
        "this user may not open sound devices; add it to the group audio",
    ),
    (
        ("Channels count", "Sample format", "Unable to install hw params", "Broken configuration", "Access type"),
        "the device does not give stereo in S32_LE at {rate_hz} Hz; check codec.device in the settings, "
        "and the overlay in config.txt",
    ),
    (
        ("read error", "Input/output error", "suspend", "Suspended"),
        f"it went away while it was read; {LINES}",
    ),
    (
        ("No such device", "No such file", "Unknown PCM", "Cannot get card", "cannot find card"),
        "ALSA does not have it; check codec.device in the settings against `arecord -L`, the overlay in config.txt, "
        'and the I2S lines; a meter without a full-band converter has codec.enabled = "no"',
    ),
)
"""What the child's words mean: the first row that has one of its pieces in them."""


@dataclass(frozen=True, slots=True)
class Arrival:
    """What came at once, and when the host had it."""

    data: bytes
    """Any number of bytes; a frame may begin in one arrival and end in the next."""
    at_s: float
    """The host's monotonic clock after the last of them was there [s]."""


class Capture(Protocol):
    """A stream of S32_LE stereo frames, left then right, and what has become of it."""

    @property
    def device(self) -> str:
        """What is captured from, as messages name it."""
        ...

    @property
    def rate_hz(self) -> float:
        """Nominal frames a second."""
        ...

    @property
    def ended(self) -> str:
        """Why the stream is over and what to do; empty while it runs, and before it was started."""
        ...

    def start(self) -> None:
        """Begin a new stream, the old one ended.

        Raises ConverterMissing if there is nothing to start, ConverterSilent if the old one cannot be ended.
        """
        ...

    def take(self, until_s: float) -> Arrival | None:
        """Return what has come, at once if there is something; None if nothing came until `until_s`, or it ended."""
        ...

    def stop(self) -> None:
        """End the stream; harmless twice."""
        ...


def meaning(said: str, *, rate_hz: float) -> str:
    """Return what the child's words mean and what to do, or an empty string for words that are not known."""
    for pieces, words in REMEDIES:
        if any(piece in said for piece in pieces):
            return words.format(rate_hz=round(rate_hz))
    return ""


class ArecordCapture:
    """A `Capture` from an `arecord` child.

    device : ALSA's name of it
    time : the clock that arrivals are stamped with; waits are the operating system's
    program : the program that is started; looked for in PATH
    environment : what the child gets on top of this process's own
    """

    def __init__(
        self,
        device: str,
        *,
        rate_hz: int = 96_000,
        time: Timebase | None = None,
        program: str = "arecord",
        environment: Mapping[str, str] | None = None,
    ) -> None:
        self._device, self._rate_hz, self._program = device, rate_hz, program
        self._environment = dict(environment or {})
        self._time = HostTime() if time is None else time
        self._child: subprocess.Popen[bytes] | None = None
        self._unreaped: list[subprocess.Popen[bytes]] = []
        self._out = self._err = -1
        self._said = b""
        self._ended = ""

    @property
    def device(self) -> str:
        """What is captured from."""
        return self._device

    @property
    def rate_hz(self) -> float:
        """Nominal frames a second."""
        return float(self._rate_hz)

    @property
    def ended(self) -> str:
        """Why the stream is over and what to do; empty while it runs."""
        return self._ended

    @property
    def pid(self) -> int | None:
        """Process number of the child; None while there is none."""
        return None if self._child is None else self._child.pid

    def start(self) -> None:
        """Start a child.

        Raises ConverterMissing if there is no such program, ConverterSilent if an earlier child still hangs.
        """
        self.stop()
        self._unreaped = [child for child in self._unreaped if child.poll() is None]
        if self._unreaped:
            raise ConverterSilent(
                f"an arecord that was ended hangs in the kernel (process {self._unreaped[0].pid}); "
                "switch the meter off and on"
            )
        program = shutil.which(self._program)
        if program is None:
            raise ConverterMissing(
                f"{self._program} is not installed, and the full-band converter is read with it; "
                'install the package alsa-utils, or set codec.enabled = "no" in the settings'
            )
        asked = f"-q -f S32_LE -r {self._rate_hz} -c 2 -t raw --fatal-errors".split()
        asked += [f"--period-time={PERIOD_S * 1e6:.0f}", f"--buffer-time={BUFFER_S * 1e6:.0f}"]
        try:
            child = subprocess.Popen(
                [program, *asked, "-D", self._device],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                env={**os.environ, **self._environment, "LC_ALL": "C"},
                process_group=0,
                bufsize=0,
            )
        except OSError as error:
            raise ConverterMissing(f"{program} cannot be started ({error}); install alsa-utils again") from error
        if child.stdout is None or child.stderr is None:
            raise ConverterMissing(f"{program} was started without pipes; start the meter again")
        self._child, self._said, self._ended = child, b"", ""
        self._out, self._err = child.stdout.fileno(), child.stderr.fileno()
        for pipe in (self._out, self._err):
            os.set_blocking(pipe, False)
        # Where the system allows less a busy meter is late sooner, and an overrun says so.
        with contextlib.suppress(OSError):
            fcntl.fcntl(self._out, fcntl.F_SETPIPE_SZ, PIPE_BYTES)

    def take(self, until_s: float) -> Arrival | None:
        """Return what has come, at once if there is something; None if nothing came until `until_s`, or it ended."""
        if self._child is None:
            self._time.wait_until(until_s)
            return None
        poll = select.poll()
        poll.register(self._out, select.POLLIN)
        poll.register(self._err, select.POLLIN)
        while True:
            wait_s = max(until_s - self._time.now_s(), 0.0)
            ready = {pipe for pipe, _ in poll.poll(1e3 * wait_s)}
            if self._err in ready:
                said = self._read(self._err, SAID_BYTES)
                self._said = (self._said + said)[-SAID_BYTES:]
                if not said:
                    poll.unregister(self._err)
            if self._out in ready:
                data = self._read(self._out, TAKE_BYTES)
                if data:
                    return Arrival(data, self._time.now_s())
                self._finish()
                return None
            if not ready:
                return None

    def stop(self) -> None:
        """Kill and reap the child; harmless twice."""
        child, self._child = self._child, None
        if child is None:
            return
        if child.poll() is None:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(child.pid, signal.SIGKILL)  # stopped or not; its group, for whatever it may have started
            try:
                child.wait(REAP_S)
            except subprocess.TimeoutExpired:
                self._unreaped.append(child)
        for pipe in (child.stdout, child.stderr):
            if pipe is not None:
                pipe.close()

    def _read(self, pipe: int, most: int) -> bytes:
        """Return what is in a pipe, up to `most` bytes; nothing at its end."""
        parts: list[bytes] = []
        while most > 0:
            try:
                part = os.read(pipe, most)
            except BlockingIOError:
                break
            if not part:
                break
            parts.append(part)
            most -= len(part)
        return b"".join(parts)

    def _finish(self) -> None:
        """Find out why the pipe was closed, and see the child off."""
        child = self._child
        if child is None:
            return
        try:
            code: int | None = child.wait(LAST_WORDS_S)
        except subprocess.TimeoutExpired:
            code = None
        self._said = (self._said + self._read(self._err, SAID_BYTES))[-SAID_BYTES:]
        said = self._said.decode("utf-8", "replace").strip()
        known = meaning(said, rate_hz=self.rate_hz)
        how = "with its pipe closed" if code is None else f"by signal {-code}" if code < 0 else f"with exit {code}"
        known = known or f"arecord ended {how}; start the meter again if this stays"
        self._ended = f"{self._device}: {known} ({said.splitlines()[-1] if said else 'it said nothing'})"
        self.stop()
