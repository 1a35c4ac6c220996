"""The circuit in front of the bass converter, as constants and as a transfer function.

Values are those of the netlist (hardware/): a balanced divider, an isolated amplifier, and in front of the converter
a two-section RC. Everything is written for the differential signal: a capacitor across the pair counts twice for each
half, one from each side to ground counts once.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from flattop.samples import ComplexArray, FloatArray, Input, Response

LSB_V: Mapping[float, float] = MappingProxyType({2.048: 1e-3, 1.024: 0.5e-3, 0.512: 0.25e-3, 0.256: 0.125e-3})
"""One code at the converter's pins [V] for each range [V] (ADS1015 datasheet, full-scale range over 2^11)."""
INPUT_OHM: Mapping[float, float] = MappingProxyType({2.048: 4.9e6, 1.024: 2.4e6, 0.512: 0.71e6, 0.256: 0.71e6})
"""Differential input impedance of the converter for each range [ohm] (ADS1015 datasheet, typical)."""
RANGES = tuple(sorted(LSB_V, reverse=True))
"""Ranges used, widest first: the isolated amplifier gives +-2 V at most."""

R1_OHM, R2_OHM = 1.00e3, 3.32e3
C1_ACROSS_F, C1_GROUND_F = 68e-9, 1e-9
C2_ACROSS_F, C2_GROUND_F = 22e-9, 1e-9
SOURCE_OHM = 2.0 * (R1_OHM + R2_OHM)
"""What the converter's input impedance loads: both sides in series [ohm]."""
ISOLATOR_GAIN = 2.0
ISOLATOR_POLE_HZ = 29.8e3
"""Divider and capacitor in front of the isolated amplifier [Hz]."""


@dataclass(frozen=True, slots=True)
class Channel:
    """One isolated input: a leg and its foot on each side, and what is promised of it before calibration."""

    leg_ohm: float
    foot_ohm: float
    gain_u: float
    """Relative standard uncertainty of the uncalibrated gain: 1.5 % worst case, taken as k = 2 (error budget)."""
    offset_u_v: float
    """Standard uncertainty of the uncalibrated zero at the terminals [V], from the same budget."""
    noise_v: float
    """Noise of divider and isolated amplifier at the terminals, 5 Hz to 1 kHz, rms [V]."""

    @property
    def ratio(self) -> float:
        """Volts at the terminals for one volt at the converter's pins, unloaded, at d.c."""
        return (self.leg_ohm + self.foot_ohm) / self.foot_ohm / ISOLATOR_GAIN


CHANNELS: Mapping[Input, Channel] = MappingProxyType(
    {
        Input.SPEAKER: Channel(4 * 249e3, 3.65e3, gain_u=0.0075, offset_u_v=0.075, noise_v=3.9e-3),
        Input.LINE: Channel(2 * 59.0e3, 5.36e3, gain_u=0.0075, offset_u_v=0.0075, noise_v=0.33e-3),
    }
)

CALIBRATED_GAIN_U = 0.00115
"""What temperature and age leave of a calibrated gain: 0.23 % from 0 to 50 C, taken as k = 2 (error budget)."""
CALIBRATED_OFFSET_SHARE = 0.25
"""Part of the uncalibrated zero's uncertainty that is left after a calibration."""
POLE_U, CALIBRATED_POLE_U = 0.05 / math.sqrt(3.0), 0.003
"""Relative standard uncertainty of the RC path: 5 % film capacitors, and after an a.c. calibration point."""


def loading(range_v: float) -> float:
    """Return the part of the signal that the converter's input impedance leaves over on this range."""
    ohm = INPUT_OHM[range_v]
    return ohm / (ohm + SOURCE_OHM)


def rc_response(hz: FloatArray, *, pole_scale: float = 1.0) -> ComplexArray:
    """Return the complex gain of the RC path, 1 at d.c.

    pole_scale : factor on its time constants, from an a.c. calibration point
    """
    s = 2j * math.pi * np.asarray(hz, dtype=np.float64) * pole_scale
    c1 = 2.0 * C1_ACROSS_F + C1_GROUND_F
    c2 = 2.0 * C2_ACROSS_F + C2_GROUND_F
    ladder = 1.0 + s * (R1_OHM * c1 + (R1_OHM + R2_OHM) * c2) + s**2 * (R1_OHM * R2_OHM * c1 * c2)
    isolator = 1.0 + 1j * np.asarray(hz, dtype=np.float64) / ISOLATOR_POLE_HZ
    return np.asarray(1.0 / (ladder * isolator), dtype=np.complex128)


OVERDRIVEN = 1.25
"""The isolated amplifier clips at this share of its linear range."""


def image_gain(hz: float, *, period_s: float, pole_scale: float) -> float:
    """Return how strongly the worst tone above the band shows up at `hz`, over its own level.

    Sampling folds a tone at n / period_s +- hz down to `hz`; the path and the averaging weaken it, the more the lower
    `hz` is. Below that level a tone cannot be told from such an image.
    """
    sources_hz = np.array([n / period_s + sign * hz for n in (1, 2, 3) for sign in (-1.0, 1.0)])
    response = path_response(period_s=period_s, pole_scale=pole_scale)
    return float(np.max(np.abs(response(sources_hz))))


def path_response(*, period_s: float, pole_scale: float) -> Response:
    """Return the response from the terminals to codes: the RC path and the averaging over one conversion.

    Each conversion averages its input over about `period_s`, which turns nothing when its middle is taken as its time.
    """

    def response(hz: FloatArray) -> ComplexArray:
        return np.asarray(rc_response(hz, pole_scale=pole_scale) * np.sinc(hz * period_s), dtype=np.complex128)

    return response
