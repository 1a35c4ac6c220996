"""The screen over SPI: an ST7789 or an ILI9341 that is kept equal to the drawn frame, though it never answers.

Only what changed is sent. What a panel loses unseen on a bus that is only written to is made good by a little more than
that in every update: the registers that matter, and the next strip of the frame whether it changed or not. So a panel
that was reset by a dip of its supply, or that missed or misread a transfer, is right again after at most
`RECOVERY_UPDATES` further updates, each 5 ms or more after the last: 4.9 s at ten a second. One thing is left: a byte
misread as one of the maker's own commands to a register that the library does not set lasts until `restart`.

Timing and registers after the datasheets Sitronix ST7789V and Ilitek ILI9341 (commands 01h to 3Ah, reset timing); their
figures are from memory.
"""

from __future__ import annotations

import math
import os
import struct
from collections.abc import Callable, Mapping
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from enum import Enum, auto
from types import MappingProxyType
from typing import Protocol, cast

from PIL import Image

from flattop.converters import HostTime, Timebase
from flattop.errors import PanelError, SettingsError, listed
from flattop.panel.drawing import Box
from flattop.panel.menu import Light
from flattop.panel.screen import SIZE, Packed, changed_rectangles, packed, rgb565

# Commands that both controllers share.
SWRESET, SLPIN, SLPOUT, NORON, INVOFF, INVON = 0x01, 0x10, 0x11, 0x13, 0x20, 0x21
DISPOFF, DISPON, CASET, RASET, RAMWR, MADCTL, IDMOFF, COLMOD = 0x28, 0x29, 0x2A, 0x2B, 0x2C, 0x36, 0x38, 0x3A
MY, MX, MV, BGR = 0x80, 0x40, 0x20, 0x08
"""Bits of MADCTL: rows and columns mirrored, rows and columns exchanged, colour order."""
PIXEL_16_BIT = b"\x55"

RESET_PULSE_S = 100e-6
"""RESX low; 10 us is the shortest that counts."""
AFTER_RESET_S = 0.12
"""From the end of a reset to the first sleep-out; other commands are taken after 5 ms."""
SETTLE_S = 5e-3
"""From SWRESET, or from a sleep-out that wakes the panel, to the next command."""
AFTER_SLEEP_OUT_S = 0.12
"""From sleep-out until the supplies in the panel stand and a picture is seen."""
MARGIN_S = 1e-3
"""The panel's own oscillator counts these times, and is not exact."""

WHOLE = Box(0, 0, *SIZE)
STRIP_ROWS = 5
REFRESH_UPDATES = SIZE[1] // STRIP_ROWS
RECOVERY_UPDATES = REFRESH_UPDATES + 1
"""Every strip once, and one update that may fall into the 5 ms in which the panel takes nothing."""
LOCK_S = 0.05
"""Longest wait for the bus, which nothing else uses [s]: the loop waits with it, an old number on the screen."""
LOWEST_BAUD_HZ, HIGHEST_BAUD_HZ = 4_000_000, 62_500_000
"""Below, a whole frame takes longer than 0.3 s; above, no Raspberry Pi goes (common practice, no source)."""

# BCM numbers of the wiring; SCLK, MOSI and CE0 are those of SPI0.
GPIO_DC, GPIO_RST, GPIO_BACKLIGHT = 25, 24, 12
BACKLIGHT_HZ = 200
"""Fast enough not to be seen flickering, slow enough for a period timed in software."""


DUTY: Mapping[Light, float] = MappingProxyType({Light.SUN: 1.0, Light.SHADE: 0.4, Light.NIGHT: 0.06})
"""Share of full light. The eye takes them for about 100, 69 and 29 % (lightness L* of CIE 15, 116 Y^(1/3) - 16)."""


class Spi(Protocol):
    """An SPI bus as busio has it."""

    def try_lock(self) -> bool:
        """Take the bus; False if another has it."""
        ...

    def unlock(self) -> None:
        """Give the bus back."""
        ...

    def configure(self, baudrate: int = ..., polarity: int = ..., phase: int = ...) -> None:
        """Set the clock of what follows [Hz]."""
        ...

    def write(self, buf: bytes | bytearray, start: int = 0, end: int | None = None) -> None:
        """Send bytes."""
        ...

    def deinit(self) -> None:
        """Let go of the bus."""
        ...


class Pin(Protocol):
    """A digital output as digitalio has it."""

    value: bool

    def switch_to_output(self, value: bool = False) -> None:
        """Drive the pin."""
        ...

    def deinit(self) -> None:
        """Let go of the pin."""
        ...


class Dimmer(Protocol):
    """A pulse-width output as gpiozero has it; `value` from 0 to 1."""

    value: float

    def close(self) -> None:
        """Let go of the pin."""
        ...


@dataclass(frozen=True, slots=True)
class _Kind:
    """What differs from one controller to the other, as the usual modules have them (common practice, no source)."""

    madctl: Mapping[int, int]
    """By rotation. Of the eight ways to lay the frame into the memory four are landscape, and two of those mirrored."""
    bgr: bool
    inverted: bool
    baud_hz: int
    """Fastest clock for writing within the datasheet (66 ns, 100 ns a bit)."""


KINDS: Mapping[str, _Kind] = MappingProxyType(
    {
        "st7789": _Kind({0: MV | MX, 180: MV | MY}, bgr=False, inverted=True, baud_hz=15_000_000),
        # The glass on an ILI9341 is wired the other way round across.
        "ili9341": _Kind({0: MV, 180: MV | MX | MY}, bgr=True, inverted=False, baud_hz=10_000_000),
    }
)


class _GuardedSpi:
    """An SPI bus whose every lock and transfer fails once a deadline has passed: the library waits without bound."""

    def __init__(self, spi: Spi, time: Timebase) -> None:
        self._spi, self._time = spi, time
        self._deadline_s = math.inf
        self._waiting_s = math.inf
        """Since when the bus has not been free."""
        self._held = False
        self.configure = spi.configure

    def allow(self, duration_s: float) -> None:
        """Let everything from now on take `duration_s` together."""
        self._deadline_s = self._time.now_s() + duration_s

    def _check(self) -> None:
        if self._time.now_s() > self._deadline_s:
            raise PanelError("the SPI bus was busy or stalled for too long")

    def try_lock(self) -> bool:
        self._held = self._spi.try_lock()
        if self._held:
            self._waiting_s = math.inf
            return True
        self._check()
        now_s = self._time.now_s()
        self._waiting_s = min(self._waiting_s, now_s)
        if now_s - self._waiting_s > LOCK_S:
            self._waiting_s = math.inf
            raise PanelError("the SPI bus was not free")
        self._time.wait_until(now_s + 1e-3)
        return False

    def unlock(self) -> None:
        self._held = False
        self._spi.unlock()

    def release(self) -> None:
        """Unlock what the library left locked: it does where setting the clock fails."""
        if self._held:
            self.unlock()

    def write(self, buf: bytes | bytearray, start: int = 0, end: int | None = None) -> None:
        self._check()
        self._spi.write(buf, start, end)


class _Driver(Protocol):
    """What is used of the library."""

    settings: dict[int, bytes | None]
    """What the library set at the start, by command."""

    def write(self, command: int | None = None, data: bytes | None = None) -> None: ...


def _driver(controller: str, time: Timebase) -> Callable[..., _Driver]:
    """Return the library's class for a controller, with the pauses of the datasheets put in.

    It has none after a software reset and after sleep-out, so the panel would miss what follows them.
    """
    if controller == "st7789":
        from adafruit_rgb_display.st7789 import ST7789 as Stock  # noqa: N811
    else:
        from adafruit_rgb_display.ili9341 import ILI9341 as Stock  # noqa: N811

    class Paused(Stock):  # type: ignore[misc]
        _starting = False

        def init(self) -> None:
            self.settings: dict[int, bytes | None] = {}
            self._starting = True
            super().init()
            self._starting = False

        def write(self, command: int | None = None, data: bytes | None = None) -> None:
            super().write(command, data)
            if self._starting and command is not None:
                self.settings[command] = data
                if command in {SWRESET, SLPOUT}:
                    time.wait_until(time.now_s() + SETTLE_S + MARGIN_S)

    return cast("Callable[..., _Driver]", Paused)


class _Stage(Enum):
    """What is known of the panel."""

    UNKNOWN = auto()
    RESET = auto()
    AWAKE = auto()
    SHOWING = auto()


class PanelDisplay:
    """A 320 x 240 panel on four wires and a reset line.

    The first `show` calls after opening, and after a failed transfer, bring the panel up: one resets it, one starts it,
    one sends a whole frame, each 0.12 s or more after the last (the fifth call at ten a second). None waits for the
    panel for longer than 15 ms, and nothing half-drawn is seen.

    spi, dc, rst
        The bus and the data/command and reset pins.
    cs
        The chip-select pin; None where the bus drives it itself.
    backlight
        Its pulse-width output; None if it is wired to the supply. Dark until there is a picture.
    controller
        "st7789" or "ili9341".
    rotation
        0 or 180 degrees, by how the module is built in; the frame is wider than high, so 90 and 270 do not fit.
    baud_hz
        Clock of the bus [Hz]; None for the controller's fastest by its datasheet. Many modules take twice that and more
        on short wires (common practice, no source).
    bgr, inverted
        Colour order and inversion, where the module is not as most are with this controller.

    Raises SettingsError for a controller, a rotation or a clock that cannot be used. One thread at a time.
    """

    def __init__(
        self,
        *,
        spi: Spi,
        dc: Pin,
        rst: Pin,
        cs: Pin | None = None,
        backlight: Dimmer | None = None,
        controller: str = "st7789",
        rotation: int = 0,
        baud_hz: int | None = None,
        bgr: bool | None = None,
        inverted: bool | None = None,
        light: Light = Light.SHADE,
        time: Timebase | None = None,
    ) -> None:
        check_options(controller=controller, rotation=rotation, baud_hz=baud_hz)
        kind = KINDS[controller]
        self._controller = controller
        self._time: Timebase = time if time is not None else HostTime()
        self._spi = _GuardedSpi(spi, self._time)
        self._letting_go = [wire.deinit for wire in (spi, dc, rst, cs) if wire is not None]
        if backlight is not None:
            self._letting_go.append(backlight.close)
        self._dc, self._rst, self._cs = dc, rst, cs
        self._backlight = backlight
        self._duty = DUTY[light]
        self._baud_hz = baud_hz or kind.baud_hz
        self._allowed_s = LOCK_S + 2 * 8 * (2 * SIZE[0] * SIZE[1]) / self._baud_hz
        madctl = kind.madctl[rotation] | (BGR if (kind.bgr if bgr is None else bgr) else 0)
        # Each has no effect on a panel that is in this state already.
        self._registers: tuple[tuple[int, bytes | None], ...] = (
            (NORON, None),
            (IDMOFF, None),
            (INVON if (kind.inverted if inverted is None else inverted) else INVOFF, None),
            (COLMOD, PIXEL_16_BIT),
            (MADCTL, bytes([madctl])),
        )
        self._driver: _Driver | None = None
        self._rarer: list[tuple[int, bytes | None]] = []
        self._shown: Packed | None = None
        self._updates = 0
        self._stage = _Stage.UNKNOWN
        self._due_s = -math.inf
        self.failures = 0
        """Transfers that failed since opening."""

    @property
    def showing(self) -> bool:
        """The panel has been started and has had a frame."""
        return self._stage is _Stage.SHOWING

    def show(self, image: Image.Image) -> bool:
        """Bring an RGB image of 320 x 240 to the screen; True once it is there, False while the panel is starting.

        To be called with every update, also when nothing changed: part of the frame is refreshed each time.

        Raises
        ------
        PanelError
            The transfer failed, or the bus was not free in time. Nothing is taken for granted about the panel after
            it: the next call begins with a reset.
        ValueError
            An image of another size or mode.
        """
        if image.size != SIZE or image.mode != "RGB":
            raise ValueError(f"a frame is {image.mode} {image.size}, this panel takes RGB {SIZE}: use draw()")
        if self._time.now_s() < self._due_s:
            return False
        self._spi.allow(self._allowed_s)
        try:
            if self._stage is _Stage.UNKNOWN:
                self._reset()
                return False
            if self._stage is _Stage.RESET or self._driver is None:
                self._start()
                return False
            self._send(self._driver, image)
        except Exception as error:  # Blinka, lgpio and the kernel each raise their own kinds
            self.failures += 1
            self.restart()
            with suppress(Exception):
                self._spi.release()
            raise PanelError(
                f"the screen does not take what it is sent ({error}); check its plug, its supply and that "
                "dtparam=spi=on is set; it is reset and sent everything anew by the next update"
            ) from error
        if not self.showing:
            self._stage = _Stage.SHOWING
            self._shine(self._duty)
        return True

    def restart(self) -> None:
        """Forget the panel: the next `show` resets it and sends a whole frame."""
        self._stage = _Stage.UNKNOWN
        self._shown = None
        self._due_s = -math.inf

    def light(self, level: Light) -> None:
        """Set the backlight; it takes effect with the first picture.

        Raises PanelError if its pin cannot be driven.
        """
        self._duty = DUTY[level]
        if self.showing:
            self._shine(self._duty)

    def close(self) -> None:
        """Leave the screen dark, never with an old number on it, and let go of the wires; harmless twice."""
        with suppress(Exception):
            self._shine(0.0)
        if self._driver is not None:
            with suppress(Exception):
                self._spi.allow(self._allowed_s)
                self._driver.write(DISPOFF)
                self._driver.write(SLPIN)
        self._driver = None
        self.restart()
        while self._letting_go:
            with suppress(Exception):
                self._letting_go.pop()()

    def _reset(self) -> None:
        self._rst.switch_to_output(value=True)
        self._rst.value = False
        self._time.wait_until(self._time.now_s() + RESET_PULSE_S)
        self._rst.value = True
        self._advance(_Stage.RESET, AFTER_RESET_S)

    def _start(self) -> None:
        """Let the library set up the panel, and leave it awake with its display off: its memory holds anything."""
        driver = _driver(self._controller, self._time)
        self._driver = driver(
            self._spi, dc=self._dc, cs=self._cs, rst=None, width=SIZE[0], height=SIZE[1], baudrate=self._baud_hz
        )
        self._driver.write(DISPOFF)
        ours = {SWRESET, SLPOUT, DISPON, CASET, RASET, INVON, INVOFF, *(command for command, _ in self._registers)}
        self._rarer = [pair for pair in self._driver.settings.items() if pair[0] not in ours]
        self._advance(_Stage.AWAKE, AFTER_SLEEP_OUT_S)

    def _advance(self, stage: _Stage, pause_s: float) -> None:
        self._stage = stage
        self._due_s = self._time.now_s() + pause_s + MARGIN_S

    def _send(self, driver: _Driver, image: Image.Image) -> None:
        for command, data in self._registers:
            driver.write(command, data)
        if self._rarer:
            driver.write(*self._rarer[self._updates % len(self._rarer)])
        frame = packed(image)
        if self._shown is None:
            boxes = [WHOLE]
        else:
            top = STRIP_ROWS * (self._updates % REFRESH_UPDATES)
            boxes = [*changed_rectangles(self._shown, frame), Box(0, top, SIZE[0], top + STRIP_ROWS)]
        for box in boxes:
            driver.write(CASET, struct.pack(">HH", box.left, box.right - 1))
            driver.write(RASET, struct.pack(">HH", box.top, box.bottom - 1))
            part = rgb565(frame[box.top : box.bottom, box.left : box.right])
            driver.write(RAMWR, part.astype(">u2").tobytes())
        driver.write(DISPON)
        # Last, because a panel that it wakes takes no command for 5 ms.
        driver.write(SLPOUT)
        self._shown = frame
        self._updates += 1

    def _shine(self, duty: float) -> None:
        if self._backlight is None:
            return
        try:
            self._backlight.value = duty
        except Exception as error:  # gpiozero and lgpio each raise their own kinds
            raise PanelError(
                f"the backlight on GPIO {GPIO_BACKLIGHT} cannot be set ({error}); check that nothing else uses the pin"
            ) from error


def check_options(*, controller: str, rotation: int, baud_hz: int | None) -> None:
    """Raise SettingsError with everything that is wrong with the options of a panel."""
    faults = []
    if controller not in KINDS:
        faults.append(f'controller "{controller}"; allowed is {" or ".join(KINDS)}: it is printed on the module')
    if rotation not in KINDS["st7789"].madctl:
        faults.append(f"rotation {rotation}; allowed is 0 or 180: a frame of 320 x 240 fits no other way")
    if baud_hz is not None and not LOWEST_BAUD_HZ <= baud_hz <= HIGHEST_BAUD_HZ:
        faults.append(
            f"baud_hz {baud_hz}; allowed is {LOWEST_BAUD_HZ} to {HIGHEST_BAUD_HZ}, or none for the datasheet's"
        )
    if faults:
        raise SettingsError(listed("the screen cannot be used with these settings:", faults))


def open_panel(
    *,
    controller: str = "st7789",
    rotation: int = 0,
    baud_hz: int | None = None,
    bgr: bool | None = None,
    inverted: bool | None = None,
    light: Light = Light.SHADE,
) -> PanelDisplay:
    """Open the screen on SPI0 of a Raspberry Pi: CE0, data/command on GPIO 25, reset on GPIO 24, backlight on GPIO 12.

    The kernel drives the chip select CE0 (GPIO 8) together with the bus: it has claimed that pin, and nothing else
    could. Options as in `PanelDisplay`.

    Raises PanelError on a machine without these pins, SettingsError for options that cannot be used.
    """
    check_options(controller=controller, rotation=rotation, baud_hz=baud_hz)
    # Blinka would offer to install what it misses; a meter has no network.
    os.environ.setdefault("BLINKA_SKIP_DEPENDENCY_CHECK", "1")
    with ExitStack() as opened:
        try:
            import board
            import digitalio
            from gpiozero import PWMOutputDevice

            if getattr(board, "SCLK", None) is None:
                raise PanelError("this machine has no SPI pins; run on the meter, or choose the simulated board")
            spi = board.SPI()
            opened.callback(spi.deinit)
            dc = digitalio.DigitalInOut(getattr(board, f"D{GPIO_DC}"))
            opened.callback(dc.deinit)
            rst = digitalio.DigitalInOut(getattr(board, f"D{GPIO_RST}"))
            opened.callback(rst.deinit)
            backlight = PWMOutputDevice(GPIO_BACKLIGHT, frequency=BACKLIGHT_HZ, initial_value=0.0)
            opened.callback(backlight.close)
            display = PanelDisplay(
                spi=spi,
                dc=dc,
                rst=rst,
                backlight=backlight,
                controller=controller,
                rotation=rotation,
                baud_hz=baud_hz,
                bgr=bgr,
                inverted=inverted,
                light=light,
            )
        except PanelError:
            raise
        except Exception as error:  # Blinka, gpiozero and lgpio each raise their own kinds, by platform
            raise PanelError(
                f"the screen cannot be opened ({error}); run on the meter, with dtparam=spi=on in the boot "
                f"configuration, its user in the groups spi and gpio, and GPIO {GPIO_DC}, {GPIO_RST} and "
                f"{GPIO_BACKLIGHT} used by nothing else"
            ) from error
        opened.pop_all()
    return display
