"""A bass converter on a simulated board, and the truth about what it should have seen."""

from __future__ import annotations

import numpy as np

from flattop.converters.ads1015 import Ads1015Converter
from flattop.converters.ads1015_chip import Alert
from flattop.samples import Input
from flattop.simulated.board import ALERT_GPIO, SimulatedBoard, silence
from flattop.simulated.frontend import Tolerances

LOAD_OHM = {2.048: 4.9e6, 1.024: 2.4e6, 0.512: 0.71e6, 0.256: 0.71e6}  # SBAS473, electrical characteristics


def sine(peak_v, hz, phase=0.3):
    return lambda times_s: peak_v * np.sin(2 * np.pi * hz * times_s + phase)


def constant(volts):
    return lambda times_s: np.full_like(times_s, volts)


def by_time(*parts):
    """Join signals: (from when on [s], signal), the first from the beginning."""

    def signal(times_s):
        volts = parts[0][1](times_s)
        for from_s, part in parts[1:]:
            volts = np.where(times_s >= from_s, part(times_s), volts)
        return volts

    return signal


def nominal(**deviations):
    """Return a board whose parts are nominal but for the named deviations."""
    return Tolerances(**deviations)


class Bench:
    """A board and the converter on it; `ideal` takes tolerances, noise and jitter away."""

    def __init__(
        self,
        speaker=silence,
        line=silence,
        *,
        wired=False,
        input=Input.SPEAKER,
        ideal=False,
        tolerances=None,
        calibration=None,
        seed=1,
        rate=3300,
        bus=None,
        **board,
    ):
        if ideal:
            board = {"noise": False, "steady": True} | board
            tolerances = tolerances or nominal()
        self.board = SimulatedBoard(
            seed=seed, speaker=speaker, line=line, alert_wired=wired, tolerances=tolerances, **board
        )
        self.time = self.board.time
        self.alert = Alert(ALERT_GPIO, self.board.pin_factory) if wired else None
        self.converter = Ads1015Converter(
            self.board.i2c if bus is None else bus(self.board),
            self.time,
            input=input,
            rate=rate,
            alert=self.alert,
            calibration=calibration,
            simulated=True,
        )

    def run(self, duration_s):
        """Collect for a while; return what `collect` says."""
        return self.converter.collect(self.time.now_s() + duration_s)

    def code_v(self, input, range_v):
        """Volts at the terminals for one code, by nodal analysis of the board's own parts at d.c."""
        gain = self.board.front_end.response(input, np.zeros(1), load_ohm=LOAD_OHM[range_v])[0].real
        return range_v / 2048 / gain

    def period_s(self, rate_hz=3300):
        """The chip's true period, its slow wandering left out."""
        return 1 / (rate_hz * (1 + self.board.front_end.tolerances.oscillator))

    def sine_seen(self, times_s, peak_v, hz, phase=0.3, input=Input.SPEAKER):
        """What conversions with their middles at these times hold of a sine, as volts by the gain at d.c."""
        response = self.board.front_end.response(input, np.array([0.0, hz]), load_ohm=4.9e6)
        gain = response[1] / response[0].real * np.sinc(hz * self.period_s())
        return peak_v * np.abs(gain) * np.sin(2 * np.pi * hz * times_s + phase + np.angle(gain))

    def late_s(self, block, peak_v, hz, phase=0.3, input=Input.SPEAKER):
        """How far the times claimed for steep samples lie behind the truth [s]."""
        seen = self.sine_seen(block.times_s, peak_v, hz, phase, input)
        step_s = 1e-7
        slope = (self.sine_seen(block.times_s + step_s, peak_v, hz, phase, input) - seen) / step_s
        steep = np.abs(slope) > 0.7 * np.max(np.abs(slope))
        return ((seen - block.volts) / slope)[steep]
