"""A whole meter in virtual time: board, converter, panel at command level, mock pins, and the instrument on them."""

from __future__ import annotations

import time as host_time

import numpy as np

from bench_meter import Bench
from flattop.instrument import Instrument, Panel
from flattop.meter import Meter
from flattop.panel.buttons import Button
from flattop.panel.hardware.controls import GPIO, Controls
from flattop.panel.hardware.display import PanelDisplay
from flattop.simulated.board import silence
from flattop.simulated.panel import SimulatedPanel


class Heard:
    """Stands for lamp and sounder: what they were told."""

    def __init__(self):
        self.shown, self.passed, self.restarts, self.closed = [], [], 0, 0
        self.muted, self.brightness, self.fault = False, 1.0, ""

    def show(self, signal, tone_hz=None):
        self.shown.append(signal)

    def lead(self, signal, off, tone_hz=None):
        self.shown.append(signal)

    def once(self, signal):
        self.passed.append(signal)

    def restart(self):
        self.restarts += 1

    def close(self):
        self.closed += 1


class Handheld:
    """The instrument and everything below it; `run` lets virtual time pass."""

    def __init__(
        self, speaker=silence, line=silence, *, pins, logbook=None, signals=None, wired=True, seed=1, **instrument
    ):
        self.bench = Bench(speaker, line, wired=wired, seed=seed)
        self.time = self.bench.time
        self.glass = SimulatedPanel(controller="st7789", now_s=self.time.now_s, rng=np.random.default_rng(seed))
        glass = self.glass
        self.screen = PanelDisplay(
            spi=glass.spi, cs=glass.cs, dc=glass.dc, rst=glass.rst, backlight=glass.backlight, time=self.time
        )
        self.pins = pins
        for gpio in GPIO.values():
            pins.pin(gpio).drive_high()
        self.controls = Controls(pin_factory=pins, clock=self.time.now_s)
        self.heard = Heard() if signals is None else signals
        self.instrument = Instrument(
            meter=Meter(self.bench.converter, time=self.time),
            panel=Panel(self.screen, self.heard, self.controls),
            logbook=logbook,
            time=self.time,
            wall=host_time.time,
            **instrument,
        )
        self.readings = self.instrument.run()

    def run(self, duration_s):
        """Let the instrument run for a while; return its readings."""
        end_s = self.time.now_s() + duration_s
        got = []
        for reading in self.readings:
            got.append(reading)
            if self.time.now_s() >= end_s:
                break
        return got

    def press(self, button, for_s=0.1):
        """Press a button for a while, in virtual time; return the readings meanwhile and just after."""
        pin = self.pins.pin(GPIO[Button(button)])
        pin.drive_low()
        got = self.run(for_s)
        pin.drive_high()
        return got + self.run(0.25)
