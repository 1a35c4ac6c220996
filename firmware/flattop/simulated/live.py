"""The simulated meter in real time: board, panel, lamp, sounder and buttons, with the van's scene again and again."""

from __future__ import annotations

import os
import select
import sys
import termios
import threading
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import lru_cache
from math import inf
from pathlib import Path
from time import monotonic

import numpy as np
from PIL import Image

from flattop.bands import Bands
from flattop.board import FROZEN_S, Opened
from flattop.calibration import Calibration
from flattop.console import say
from flattop.converters import Converter
from flattop.converters.ads1015 import Ads1015Converter
from flattop.converters.ads1015_chip import Alert
from flattop.converters.codec import CodecConverter
from flattop.converters.reader import Reader
from flattop.instrument import Panel
from flattop.measure.reading import Reading
from flattop.panel.buttons import Button
from flattop.panel.hardware.controls import GPIO, GPIO_DIAG, Controls
from flattop.panel.hardware.display import PanelDisplay
from flattop.panel.hardware.signals import Signals
from flattop.samples import FloatArray, Input
from flattop.settings import Settings
from flattop.simulated.board import ALERT_GPIO, SimulatedBoard
from flattop.simulated.codec import FollowedTime, SimulatedCapture
from flattop.simulated.panel import SimulatedPanel
from flattop.simulated.vehicle import Van

SCENE_S = 1.5 * Van.duration_s
"""From one beginning of the scene to the next [s]; what is left of it the tone goes on as it was left."""
PICTURE_S = 0.5
"""Time from one picture of the screen to the next [s]."""
TAPPED_S, HELD_S = 0.15, 1.8
"""How long a key of the terminal presses its button [s]."""


class Encores:
    """The van's scene from `start_s` on, and over again every SCENE_S, each time by other hands."""

    def __init__(self, *, seed: int, start_s: float) -> None:
        self._start_s = start_s
        self._van = lru_cache(maxsize=2)(lambda number: Van(seed=seed + number))

    def speaker(self, times_s: FloatArray) -> FloatArray:
        """Return the voltage at the amplifier's output [V]."""
        van, within_s = self._scene(float(times_s[0]))
        return van.speaker(times_s - times_s[0] + within_s)

    def line(self, times_s: FloatArray) -> FloatArray:
        """Return the voltage at its input [V]."""
        van, within_s = self._scene(float(times_s[0]))
        return van.line(times_s - times_s[0] + within_s)

    def observe(self, verdict: str, now_s: float) -> None:
        """Let the hands of the present scene see a verdict."""
        van, within_s = self._scene(now_s)
        van.observe(verdict, within_s)

    def _scene(self, at_s: float) -> tuple[Van, float]:
        number = max(int((at_s - self._start_s) // SCENE_S), 0)
        return self._van(number), at_s - self._start_s - number * SCENE_S


class LiveBoard:
    """A whole meter without any hardware; the drivers above it are those of the real one.

    settings : as for a real meter
    picture : file that shows what is on the screen, renewed every PICTURE_S; None for none
    """

    def __init__(
        self, settings: Settings, calibration: Calibration | None, *, seed: int, picture: Path | None = None
    ) -> None:
        from gpiozero.pins.mock import MockFactory, MockPWMPin

        now_s = monotonic()
        self._picture, self._pictured_s = picture, -inf
        self.scene = Encores(seed=seed, start_s=now_s)
        board = SimulatedBoard(seed=seed, speaker=self.scene.speaker, line=self.scene.line, start_s=now_s, live=True)
        wired = settings.ads1015.alert_gpio >= 0
        converter = Ads1015Converter(
            board.i2c,
            board.time,
            input=Input(settings.meter.input),
            rate=settings.ads1015.rate,
            alert=Alert(ALERT_GPIO, board.pin_factory) if wired else None,
            calibration=calibration,
            simulated=True,
        )
        both: Converter = Reader(converter, board.time)
        if settings.codec.enabled == "yes":
            time = FollowedTime(board.time)
            capture = SimulatedCapture(
                seed=seed,
                time=time,
                speaker=self.scene.speaker,
                line=self.scene.line,
                tolerances=board.front_end.tolerances,
            )
            codec = CodecConverter(
                capture, time, input=Input(settings.meter.input), calibration=calibration, simulated=True
            )
            both = Bands(both, Reader(codec, time), codec, now_s=board.time.now_s)
        self._pins = MockFactory(pin_class=MockPWMPin)
        for gpio in GPIO.values():
            self._pins.pin(gpio).pull = "up"
        self._pins.pin(GPIO_DIAG).drive_high()  # the isolators have their supply
        options = settings.screen
        self._panel = SimulatedPanel(
            controller=options.controller, rng=np.random.default_rng(seed), upside_down=options.rotation == 180
        )
        screen = PanelDisplay(
            spi=self._panel.spi,
            cs=self._panel.cs,
            dc=self._panel.dc,
            rst=self._panel.rst,
            backlight=self._panel.backlight,
            controller=options.controller,
            rotation=options.rotation,
        )
        self.board = board
        self.opened = Opened(
            converter=both,
            panel=Panel(
                screen,
                Signals(pin_factory=self._pins, frozen_after_s=FROZEN_S),
                Controls(pin_factory=self._pins),
            ),
            parts={},
            edges_hz=lambda: converter.edges_hz,
        )

    def heed(self, reading: Reading) -> None:
        """Let the hands see a reading, and renew the picture of the screen."""
        self.scene.observe(str(reading.verdict), reading.time_s)
        if self._picture is None or reading.time_s - self._pictured_s < PICTURE_S:
            return
        self._pictured_s = reading.time_s
        new = self._picture.with_suffix(".new")
        with suppress(OSError):  # a picture is no record
            self.image().save(new, format="PNG", compress_level=1)
            new.replace(self._picture)

    def press(self, button: Button, *, down: bool) -> None:
        """Press a button, or let it go."""
        pin = self._pins.pin(GPIO[button])
        if down:
            pin.drive_low()
        else:
            pin.drive_high()

    def image(self) -> Image.Image:
        """Return what is seen on the panel."""
        return self._panel.image()


@contextmanager
def keyboard(press: Callable[..., None]) -> Iterator[None]:
    """Let keys of the terminal press the buttons: a, b, c for a moment, A, B, C held, space for the foot switch.

    press : called with a button and `down`; nothing happens where standard input is no terminal
    """
    if not sys.stdin.isatty():
        yield
        return
    before = termios.tcgetattr(sys.stdin)
    done = threading.Event()
    thread = threading.Thread(target=_listen, args=(press, done), name="keyboard", daemon=True)
    try:
        tty.setcbreak(sys.stdin)
        thread.start()
        say("keys: a b c press the buttons, A B C hold them, space is the foot switch, Ctrl-C stops")
        yield
    finally:
        done.set()
        thread.join(1.0)
        termios.tcsetattr(sys.stdin, termios.TCSADRAIN, before)


def _listen(press: Callable[..., None], done: threading.Event) -> None:
    while not done.is_set():
        if not select.select([sys.stdin], [], [], 0.2)[0]:
            continue
        key = os.read(sys.stdin.fileno(), 1).decode(errors="replace")
        button = Button.FOOT if key == " " else next((b for b in Button if str(b) == key.upper()), None)
        if not key or button is None:
            continue
        press(button, down=True)
        done.wait(HELD_S if key.isupper() else TAPPED_S)
        press(button, down=False)
