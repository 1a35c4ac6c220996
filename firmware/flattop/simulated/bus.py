"""Virtual time, the I2C bus and the ALERT pin: what the host sees of the board."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import inf
from time import monotonic, sleep
from typing import TYPE_CHECKING, Protocol

import numpy as np

if TYPE_CHECKING:
    from gpiozero.pins.mock import MockFactory

_DRAWS = 4096
AHEAD_S = 4e-3
"""How far live virtual time may be ahead of the host's clock [s]."""

REMOTE_IO_ERROR = 121
"""errno of a transaction that nobody acknowledged (EREMOTEIO, as Linux gives it)."""


class VirtualTime:
    """A Timebase that passes only when it is waited for or when the bus is busy.

    wake_s
        Mean of the exponentially spread delay from the end of a wait to the caller [s].
    """

    __slots__ = ("_late", "_rng", "_wake_s", "alarm", "alarm_s", "now")

    def __init__(self, *, rng: np.random.Generator, start_s: float = 0.0, wake_s: float = 25e-6) -> None:
        self.now = start_s
        """Virtual seconds."""
        self._rng = rng
        self._wake_s = wake_s
        self._late: list[float] = []
        self.alarm_s = inf
        """When to call `alarm` [s]: once, as soon as time has passed it."""
        self.alarm: Callable[[float], None] = _no_alarm

    def now_s(self) -> float:
        """Return monotonic seconds."""
        return self.now

    def wait_until(self, when_s: float) -> None:
        """Let time pass until a little after `when_s`; return at once if that is past."""
        if when_s > self.now:
            if not self._late:
                self._late = self._rng.exponential(self._wake_s, _DRAWS).tolist()
            self.now = now_s = when_s + self._late.pop()
            if now_s >= self.alarm_s:
                self.pass_until(now_s)

    def pass_until(self, now_s: float) -> None:
        """Let time pass to exactly `now_s`."""
        self.now = now_s
        if now_s >= self.alarm_s:
            self.alarm_s = inf
            self.alarm(now_s)


class PacedTime(VirtualTime):
    """Virtual time that never runs far ahead of the host's monotonic clock, nor slower than this machine must.

    One thread lets it pass; others may read it.
    """

    __slots__ = ()

    def wait_until(self, when_s: float) -> None:
        """Let time pass, and sleep off what it is ahead of the host."""
        super().wait_until(when_s)
        ahead_s = self.now - monotonic()
        if ahead_s > AHEAD_S:
            sleep(ahead_s)


def _no_alarm(now_s: float) -> None:
    """Do nothing."""


class BusDevice(Protocol):
    """A chip with registers of 16 bits behind a pointer."""

    def word(self, at_s: float) -> int:
        """Return the register under the pointer as it stands at `at_s`."""
        ...

    def write(self, at_s: float, data: bytes) -> None:
        """Take the bytes after the address, the last of them at `at_s`."""
        ...


class Stranger:
    """Some other chip at the converter's address: it acknowledges everything and keeps nothing."""

    def word(self, at_s: float) -> int:
        """Return the same word whatever was written."""
        return 0x1980

    def write(self, at_s: float, data: bytes) -> None:
        """Forget what is written."""


class FakeI2C:
    """An I2C bus as busio offers it, in virtual time.

    A transaction takes its bits on the wire, a delay in the host before and after (together
    exponential with mean `jitter_s`) and, `gaps_hz` times a second, a pause of 1 to 5 ms that falls
    with equal chance before the transaction or between the chip's latch and the return.
    A register is latched when the chip has acknowledged its address for reading.
    """

    __slots__ = (
        "_after",
        "_before",
        "_bit_s",
        "_devices",
        "_draw",
        "_gap_s",
        "_gaps_hz",
        "_jitter_s",
        "_locked",
        "_nacks",
        "_rng",
        "_time",
        "_to_latch",
        "_to_return",
        "transactions",
    )

    def __init__(
        self,
        time: VirtualTime,
        *,
        rng: np.random.Generator,
        bus_hz: float = 400_000,
        jitter_s: float = 30e-6,
        gaps_hz: float = 3.0,
    ) -> None:
        self._time = time
        self._rng = rng
        self._bit_s = 1 / bus_hz
        self._jitter_s = jitter_s
        self._gaps_hz = gaps_hz
        self._devices: dict[int, BusDevice] = {}
        self._locked = False
        self._nacks = 0.0
        self._draw = _DRAWS
        self._before: list[float] = []
        self._after: list[float] = []
        self._to_latch: list[float] = []
        self._to_return: list[float] = []
        self._gap_s = self._next_gap(time.now_s())
        self.transactions = 0
        """Transactions so far, refused ones included."""

    def attach(self, address: int, device: BusDevice) -> None:
        """Put a chip at an address, in place of what was there."""
        self._devices[address] = device

    def detach(self, address: int) -> None:
        """Take the chip at an address away."""
        del self._devices[address]

    def refuse(self, transactions: float = inf) -> None:
        """Leave the next transactions unacknowledged, for ever by default; 0 ends it."""
        self._nacks = transactions

    def try_lock(self) -> bool:
        """Take the bus; False if it is taken."""
        if self._locked:
            return False
        self._locked = True
        return True

    def unlock(self) -> None:
        """Give the bus back."""
        if not self._locked:
            raise RuntimeError("the I2C bus is not locked: call try_lock() first")
        self._locked = False

    def readfrom_into(self, address: int, buffer: bytearray, *, start: int = 0, end: int | None = None) -> None:
        """Read from the register under the chip's pointer. Raises OSError(121) if nobody answers."""
        i, time = self._draw, self._time
        if end == 2 and start == 0 and i < _DRAWS and self._locked and not self._nacks:
            # The read that a free-running converter is polled with, thousands of times a second: the same as below.
            latch_s = time.now + self._to_latch[i]
            device = self._devices.get(address)
            if latch_s < self._gap_s and device is not None:
                self.transactions += 1
                self._draw = i + 1
                word = device.word(latch_s)
                buffer[0], buffer[1] = word >> 8, word & 0xFF
                time.now = now_s = latch_s + self._to_return[i]
                if now_s >= time.alarm_s:
                    time.pass_until(now_s)
                return
        count = (len(buffer) if end is None else end) - start
        device, latch_s, done_s = self._begin(address, 10, 9 * count + 1)
        word = device.word(latch_s)
        if count == 2:
            buffer[start], buffer[start + 1] = word >> 8, word & 0xFF
        else:
            buffer[start : start + count] = _padded(word, count)
        self._time.pass_until(done_s)

    def writeto(self, address: int, buffer: bytes | bytearray, *, start: int = 0, end: int | None = None) -> None:
        """Write to the chip; no bytes at all is a probe. Raises OSError(121) if nobody answers."""
        data = bytes(buffer[start:end])
        device, latch_s, done_s = self._begin(address, 10 + 9 * len(data), 1)
        device.write(latch_s, data)
        self._time.pass_until(done_s)

    def writeto_then_readfrom(
        self,
        address: int,
        out_buffer: bytes | bytearray,
        in_buffer: bytearray,
        *,
        out_start: int = 0,
        out_end: int | None = None,
        in_start: int = 0,
        in_end: int | None = None,
    ) -> None:
        """Write, then read after a repeated start. Raises OSError(121) if nobody answers."""
        data = bytes(out_buffer[out_start:out_end])
        count = (len(in_buffer) if in_end is None else in_end) - in_start
        device, latch_s, done_s = self._begin(address, 20 + 9 * len(data), 9 * count + 1)
        device.write(latch_s - 10 * self._bit_s, data)
        in_buffer[in_start : in_start + count] = _padded(device.word(latch_s), count)
        self._time.pass_until(done_s)

    def _begin(self, address: int, bits_to_latch: int, bits_after: int) -> tuple[BusDevice, float, float]:
        """Return the chip, when its register is latched or its last byte taken, and when the call returns."""
        if not self._locked:
            raise RuntimeError("the I2C bus is not locked: call try_lock() first")
        self.transactions += 1
        i = self._draw
        if i == _DRAWS:
            self._redraw()
            i = 0
        self._draw = i + 1
        latch_s = self._time.now_s() + self._before[i] + bits_to_latch * self._bit_s
        done_s = latch_s + self._after[i] + bits_after * self._bit_s
        if latch_s >= self._gap_s:
            pause_s = float(self._rng.uniform(1e-3, 5e-3))
            done_s += pause_s
            if self._rng.random() < 0.5:
                latch_s += pause_s
            self._gap_s = self._next_gap(done_s)
        device = self._devices.get(address)
        if device is None or self._nacks > 0:
            self._nacks = max(0.0, self._nacks - 1)
            self._time.pass_until(done_s)
            raise OSError(REMOTE_IO_ERROR, f"no acknowledgement from I2C address 0x{address:02x}")
        return device, latch_s, done_s

    def _redraw(self) -> None:
        jitter_s = self._rng.exponential(self._jitter_s, _DRAWS)
        before_s = jitter_s * self._rng.random(_DRAWS)
        self._before = before_s.tolist()
        self._after = (jitter_s - before_s).tolist()
        # What a read of two bytes takes until its register is latched, and from then on.
        self._to_latch = (before_s + 10 * self._bit_s).tolist()
        self._to_return = (jitter_s - before_s + 19 * self._bit_s).tolist()

    def _next_gap(self, now_s: float) -> float:
        return now_s + float(self._rng.exponential(1 / self._gaps_hz)) if self._gaps_hz > 0 else inf


def _padded(word: int, count: int) -> bytes:
    """Return the first `count` bytes of a register; past its two the bus is let go and reads ones."""
    return (word.to_bytes(2, "big") + b"\xff" * count)[:count]


def virtual_pin_factory(time: VirtualTime) -> MockFactory:
    """Return a gpiozero mock factory whose pins carry virtual time stamps and keep no history.

    Its pins take what the chip puts out: `drive(level, at_s)`, an edge at a time that has passed, and `dip(at_s)`,
    whole low pulses at once where only falling edges are listened for.
    """
    from gpiozero.pins.mock import MockFactory, MockPin, PinState

    class VirtualPin(MockPin):  # type: ignore[misc]  # gpiozero has no types
        _state: bool
        _stamp_s: float | None = None

        def drive(self, level: bool, at_s: float) -> None:
            self._stamp_s = at_s
            if level:
                self.drive_high()
            else:
                self.drive_low()
            self._stamp_s = None

        def dip(self, at_s: Sequence[float]) -> bool:
            if self._edges != "falling" or not self._state:
                return False
            heard = self.when_changed
            self._last_change, self._state = at_s[-1], False
            if heard is not None:
                for each_s in at_s:
                    heard(each_s, False)
            self._state = True
            return True

        def _change_state(self, value: bool) -> bool:
            if self._state == value:
                return False
            self._state = value
            self._last_change = time.now_s() if self._stamp_s is None else self._stamp_s
            return True

        def clear_states(self) -> None:
            self._last_change = time.now_s()
            self.states = [PinState(0.0, self._state)]

    class VirtualFactory(MockFactory):  # type: ignore[misc]  # gpiozero has no types
        def ticks(self) -> float:
            return time.now_s()

    return VirtualFactory(pin_class=VirtualPin)
