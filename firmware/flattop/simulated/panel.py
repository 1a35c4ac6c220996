"""A panel at command level: SPI bus and pins, an ST7789 or ILI9341 behind them, and what a person would see on it.

After the datasheets Sitronix ST7789V and Ilitek ILI9341: command set (01h to 3Ch), memory access (MADCTL), interface
pixel format (COLMOD), reset timing and the defaults after power-on, hardware and software reset. Figures and defaults
are from memory; the 5 ms and 120 ms of reset and sleep-out are those that published drivers keep as well.
Taken at its strictest where a datasheet leaves it open: memory contents are lost with every hardware reset, the colour
order counts when a pixel is written, and no picture is seen for 120 ms after sleep-out.

Not modelled: what the maker's own commands (B0h and up) change, partial mode, tearing effect, reading back.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum, IntEnum
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from PIL import Image

COLUMNS, ROWS = 240, 320
"""Of the memory; the glass stands upright."""


class _Do(IntEnum):
    """Commands that are modelled; any other has no effect."""

    SWRESET = 0x01
    SLPIN = 0x10
    SLPOUT = 0x11
    NORON = 0x13
    INVOFF = 0x20
    INVON = 0x21
    DISPOFF = 0x28
    DISPON = 0x29
    CASET = 0x2A
    RASET = 0x2B
    RAMWR = 0x2C
    MADCTL = 0x36
    VSCSAD = 0x37
    IDMOFF = 0x38
    IDMON = 0x39
    COLMOD = 0x3A
    RAMWRC = 0x3C


_PARAMETERS: dict[int, int] = {_Do.CASET: 4, _Do.RASET: 4, _Do.MADCTL: 1, _Do.VSCSAD: 2, _Do.COLMOD: 1}
_MY, _MX, _MV, _BGR = 0x80, 0x40, 0x20, 0x08
_16_BIT, _18_BIT = 0b101, 0b110
"""Pixel formats of the bus interface; any other is read like 18 bits, which is wrong as well."""

SHORTEST_RESET_S = 10e-6
"""RESX low for less is a spike and counts for nothing."""
DEAF_S = 5e-3
"""After a reset, or the sleep-out that wakes the panel, no command is taken for this long."""
STEADY_S = 0.12
"""After a reset no sleep-out, between sleep-in and sleep-out neither, and no picture before."""


class Fault(Enum):
    """What can happen to one transfer."""

    LOST = "the panel hears nothing of it"
    FAILED = "the host gets an error half-way"
    RESET = "the panel resets itself half-way, as in a dip of its supply"
    GARBLED = "some of its bits arrive wrong"


@dataclass(frozen=True, slots=True)
class _Glass:
    """How the usual module with this controller is made (common practice, no source)."""

    mirrored: bool
    bgr: bool
    inverted: bool


_GLASS = {"st7789": _Glass(mirrored=False, bgr=False, inverted=True), "ili9341": _Glass(True, bgr=True, inverted=False)}


class FakePin:
    """A digital output as digitalio has it."""

    def __init__(self, changed: Callable[[bool], None] | None = None) -> None:
        self._value = True
        self._changed = changed
        self.closed = False

    @property
    def value(self) -> bool:
        """Level of the pin."""
        return self._value

    @value.setter
    def value(self, value: bool) -> None:
        if self.closed:
            raise ValueError("the pin was let go")
        before, self._value = self._value, bool(value)
        if self._changed is not None and before != self._value:
            self._changed(self._value)

    def switch_to_output(self, value: bool = False) -> None:
        """Drive the pin."""
        self.value = value

    def deinit(self) -> None:
        """Let go of the pin."""
        self.closed = True


class FakeDimmer:
    """A pulse-width output as gpiozero has it."""

    def __init__(self) -> None:
        self.value = 0.0
        self.closed = False

    def close(self) -> None:
        """Let go of the pin."""
        self.closed = True


class FakeSpi:
    """An SPI bus as busio has it, write only; strict about locking."""

    def __init__(self, received: Callable[[bytes], None]) -> None:
        self._received = received
        self._locked = False
        self.baud_hz = 0
        self.sent_bytes = 0
        """Bytes the host has put on the wire."""
        self.closed = False

    def try_lock(self) -> bool:
        """Take the bus."""
        if self._locked:
            return False
        self._locked = True
        return True

    def unlock(self) -> None:
        """Give the bus back."""
        if not self._locked:
            raise ValueError("unlocked without a lock")
        self._locked = False

    def configure(self, baudrate: int = 100_000, polarity: int = 0, phase: int = 0) -> None:
        """Set the clock."""
        if not self._locked:
            raise RuntimeError("configured without a lock")
        if polarity or phase:
            raise ValueError("the panels listen in mode 0")
        self.baud_hz = baudrate

    def write(self, buf: bytes | bytearray, start: int = 0, end: int | None = None) -> None:
        """Send bytes; raises OSError where a fault was set to."""
        if not self._locked or self.closed:
            raise RuntimeError("written without a lock")
        data = bytes(buf[start:end])
        self.sent_bytes += len(data)
        if data:
            self._received(data)

    def deinit(self) -> None:
        """Let go of the bus."""
        self.closed = True


class SimulatedPanel:
    """A module with its wires: `spi`, `cs`, `dc`, `rst` and `backlight` go to the driver.

    now_s
        The clock that the panel's waits are counted by; transfers take no time on it.
    upside_down
        Built in turned by 180 degrees.
    own_select
        True: it hears only while `cs` is low; False: the bus selects it.
    """

    def __init__(
        self,
        *,
        controller: str,
        now_s: Callable[[], float] = time.monotonic,
        rng: np.random.Generator,
        upside_down: bool = False,
        own_select: bool = True,
    ) -> None:
        self._glass = _GLASS[controller]
        self._now_s = now_s
        self._rng = rng
        self._upside_down = upside_down
        self._own_select = own_select
        self.spi = FakeSpi(self._transfer)
        self.cs = FakePin()
        self.dc = FakePin()
        self.rst = FakePin(self._reset_line)
        self.backlight = FakeDimmer()
        self.refused = 0
        """Commands that came before their time and were not taken."""
        self.out_of_range = 0
        """Address windows outside the memory, which are not taken."""
        self._faults: dict[int, Fault] = {}
        self._transfers = 0
        self._low_since_s = 0.0
        self.power_dip()

    # --- what happens to it

    def power_dip(self) -> None:
        """Lose everything, as with the supply gone for a moment."""
        self._memory = self._rng.integers(0, 256, (ROWS * COLUMNS, 3), dtype=np.uint8)
        self._madctl, self._pixel_format = 0, _18_BIT
        self._restart()
        self._steady_from_s = self._now_s() + STEADY_S

    def fault(self, fault: Fault, after_transfers: int = 0) -> None:
        """Let something happen to the transfer after the next `after_transfers` ones."""
        self._faults[self._transfers + after_transfers] = fault

    def clear_faults(self) -> None:
        """Call off the faults that have not happened yet."""
        self._faults.clear()

    # --- what is seen

    def image(self) -> Image.Image:
        """Return what a person sees: 320 x 240 RGB, black while the panel sleeps or its display is off."""
        size = (ROWS, COLUMNS)
        if self.asleep or not self._display_on or self._now_s() < self._visible_from_s:
            return Image.new("RGB", size)
        seen = self._memory.reshape(ROWS, COLUMNS, 3)
        if self._scroll_start:
            seen = np.roll(seen, -self._scroll_start, axis=0)
        if self._idle:
            seen = np.where(seen >= 128, np.uint8(255), np.uint8(0))
        if self._inverted != self._glass.inverted:
            seen = 255 - seen
        if self._glass.mirrored:
            seen = seen[:, ::-1]
        return Image.fromarray(np.ascontiguousarray(np.rot90(seen, 3 if self._upside_down else 1)))

    # --- the wires

    def _reset_line(self, level: bool) -> None:
        now_s = self._now_s()
        if not level:
            self._low_since_s = now_s
        elif now_s - self._low_since_s >= SHORTEST_RESET_S:
            self.power_dip()

    def _transfer(self, data: bytes) -> None:
        fault = self._faults.pop(self._transfers, None)
        self._transfers += 1
        half = len(data) // 2
        if fault is Fault.LOST:
            return
        if fault is Fault.FAILED:
            self._hear(data[:half])
            raise OSError(5, "Input/output error")
        if fault is Fault.RESET:
            self._hear(data[:half])
            self.power_dip()
            data = data[half:]
        elif fault is Fault.GARBLED:
            wrong = np.frombuffer(data, np.uint8).copy()
            hit = self._rng.integers(0, len(wrong), 1 + len(wrong) // 50)
            wrong[hit] ^= self._rng.integers(1, 256, len(hit), dtype=np.uint8)
            data = wrong.tobytes()
        self._hear(data)

    def _hear(self, data: bytes) -> None:
        if (self._own_select and self.cs.value) or not self.rst.value:
            return
        if self.dc.value:
            self._take_data(data)
        else:
            for command in data:
                self._take_command(command)

    # --- commands

    def _restart(self) -> None:
        """Set what every kind of reset sets; memory access and pixel format outlast a software reset."""
        now_s = self._now_s()
        self.asleep, self._display_on, self._inverted, self._idle = True, False, False, False
        self._scroll_start = 0
        self._window = [0, COLUMNS - 1, 0, ROWS - 1]
        self._command = 0
        self._parameters = bytearray()
        self._pixels = 0
        self._deaf_until_s = now_s + DEAF_S
        self._visible_from_s = np.inf

    def _take_command(self, command: int) -> None:
        now_s = self._now_s()
        self._command = 0
        self._parameters.clear()
        if now_s < self._deaf_until_s:
            self.refused += 1
            return
        self._command = command
        match command:
            case _Do.SWRESET:
                awake = not self.asleep
                self._restart()
                if awake:
                    self._steady_from_s = now_s + STEADY_S
            case _Do.SLPIN if not self.asleep:
                self._change_sleep(True)
            case _Do.SLPOUT if self.asleep:
                self._change_sleep(False)
            case _Do.NORON:
                self._scroll_start = 0
            case _Do.INVOFF | _Do.INVON:
                self._inverted = command == _Do.INVON
            case _Do.DISPOFF | _Do.DISPON:
                self._display_on = command == _Do.DISPON
            case _Do.RAMWR:
                self._pixels = 0
            case _Do.IDMOFF | _Do.IDMON:
                self._idle = command == _Do.IDMON

    def _change_sleep(self, asleep: bool) -> None:
        now_s = self._now_s()
        if now_s < self._steady_from_s:
            self.refused += 1
            return
        self.asleep = asleep
        self._steady_from_s = now_s + STEADY_S
        self._deaf_until_s = now_s + DEAF_S
        self._visible_from_s = np.inf if asleep else now_s + STEADY_S

    def _take_data(self, data: bytes) -> None:
        self._parameters += data
        if self._command in {_Do.RAMWR, _Do.RAMWRC}:
            self._write_pixels()
            return
        wanted = _PARAMETERS.get(self._command)
        if wanted is None or len(self._parameters) < wanted:
            return
        taken = bytes(self._parameters[:wanted])
        match self._command:
            case _Do.MADCTL:
                self._madctl = taken[0]
            case _Do.VSCSAD:
                self._scroll_start = int.from_bytes(taken, "big") % ROWS
            case _Do.COLMOD:
                self._pixel_format = taken[0] & 0b111
            case _Do.CASET | _Do.RASET:
                self._set_window(taken)
        self._command = 0

    def _set_window(self, taken: bytes) -> None:
        first, last = int.from_bytes(taken[:2], "big"), int.from_bytes(taken[2:], "big")
        across = self._command == _Do.CASET
        limit = ROWS if across == bool(self._madctl & _MV) else COLUMNS
        if not first <= last < limit:
            self.out_of_range += 1
            return
        self._window[0 if across else 2] = first
        self._window[1 if across else 3] = last

    # --- memory

    def _write_pixels(self) -> None:
        size = 2 if self._pixel_format == _16_BIT else 3
        count = len(self._parameters) // size
        raw = np.frombuffer(bytes(self._parameters[: count * size]), np.uint8).reshape(count, size)
        del self._parameters[: count * size]
        if size == 2:
            word = raw[:, 0].astype(np.uint16) << 8 | raw[:, 1]
            colours: NDArray[np.uint8] = np.stack(
                (word >> 8 & 0xF8, word >> 3 & 0xFC, word << 3 & 0xF8), axis=1
            ).astype(np.uint8)
            # The lowest bit of red and blue in 18 bits is their highest one.
            colours[:, ::2] |= colours[:, ::2] >> 5 & 0x04
        else:
            colours = (raw & 0xFC).astype(np.uint8)
        if bool(self._madctl & _BGR) != self._glass.bgr:
            colours = colours[:, ::-1]
        left, right, top, bottom = self._window
        cells = _cells(self._madctl)[top : bottom + 1, left : right + 1].ravel()
        # A window set before the axes were exchanged may lie outside the memory.
        if not len(cells):
            return
        if self._pixels or count != len(cells):
            cells = cells[np.arange(self._pixels, self._pixels + count) % len(cells)]
        self._pixels += count
        self._memory[cells] = colours


@lru_cache(maxsize=8)
def _cells(madctl: int) -> NDArray[np.intp]:
    """Return the memory cell of each pixel that the host addresses, shape (its rows, its columns)."""
    cells = np.arange(ROWS * COLUMNS).reshape(ROWS, COLUMNS)
    if madctl & _MX:
        cells = cells[:, ::-1]
    if madctl & _MY:
        cells = cells[::-1]
    return cells.T if madctl & _MV else cells
