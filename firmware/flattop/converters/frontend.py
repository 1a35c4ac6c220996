"""The circuit in front of both converters, as constants and as transfer functions.

Values are those of the netlist (hardware/): a balanced divider and an isolated amplifier, then a two-section RC in
front of the bass converter, and a third-order low-pass in front of the full-band one. Everything is written for the
differential signal: a capacitor across the pair counts twice for each half, one from each side to ground counts once.
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


def rc_response(hz: FloatArray, *, pole_scale: float = 1.0, load_ohm: float = math.inf) -> ComplexArray:
    """Return the complex gain of the RC path, 1 at d.c.

    pole_scale : factor on its time constants, from an a.c. calibration point
    load_ohm
        The converter's input impedance. It takes level, which `loading` tells, and makes the path faster: on the
        narrow ranges by 0.9 % of the level at 1300 Hz.
    """
    s = 2j * math.pi * np.asarray(hz, dtype=np.float64) * pole_scale
    c1 = 2.0 * C1_ACROSS_F + C1_GROUND_F
    c2 = 2.0 * C2_ACROSS_F + C2_GROUND_F
    load = 2.0 / load_ohm
    first = R1_OHM * c1 * (1.0 + load * R2_OHM) + (R1_OHM + R2_OHM) * c2
    second = R1_OHM * R2_OHM * c1 * c2
    ladder = 1.0 + (s * first + s**2 * second) / (1.0 + load * (R1_OHM + R2_OHM))
    isolator = 1.0 + 1j * np.asarray(hz, dtype=np.float64) / ISOLATOR_POLE_HZ
    return np.asarray(1.0 / (ladder * isolator), dtype=np.complex128)


OVERDRIVEN = 1.25
"""The isolated amplifier clips at this share of its linear range."""


def image_gain(hz: float, *, period_s: float, pole_scale: float, load_ohm: float = math.inf) -> float:
    """Return how strongly the worst tone above the band shows up at `hz`, over its own level.

    Sampling folds a tone at n / period_s +- hz down to `hz`; the path and the averaging weaken it, the more the lower
    `hz` is. Below that level a tone cannot be told from such an image.
    """
    sources_hz = np.array([n / period_s + sign * hz for n in (1, 2, 3) for sign in (-1.0, 1.0)])
    response = path_response(period_s=period_s, pole_scale=pole_scale, load_ohm=load_ohm)
    return float(np.max(np.abs(response(sources_hz))))


def path_response(*, period_s: float, pole_scale: float, load_ohm: float = math.inf) -> Response:
    """Return the response from the terminals to codes: the RC path and the averaging over one conversion.

    Each conversion averages its input over about `period_s`, which turns nothing when its middle is taken as its time.
    """

    def response(hz: FloatArray) -> ComplexArray:
        path = rc_response(hz, pole_scale=pole_scale, load_ohm=load_ohm)
        return np.asarray(path * np.sinc(hz * period_s), dtype=np.complex128)

    return response


# -- the full-band path -----------------------------------------------------------------------------------------------

ISOLATOR_BANDWIDTH_HZ = 375e3
"""The isolated amplifier's own pole [Hz] (AMC3330 class; from memory of its datasheet)."""
GUARD_OHM, GUARD_GROUND_F = 1e3, 22e-12
"""Between the divider's foot and the isolated amplifier, each side: R111, C102 and their like."""
GUARD_ACROSS_F: Mapping[Input, float] = MappingProxyType({Input.SPEAKER: 560e-12, Input.LINE: 390e-12 + 33e-12})
FEED_OHM, BACK_OHM, SERIES_OHM = 4.99e3, 3.48e3, 2.61e3
"""The second-order section (multiple feedback): R120, R121, R122."""
NODE_F, BACK_F = 4.7e-9, 470e-12
"""Its capacitors: C120 at the joint of the three, C121 over the amplifier."""
OPAMP_HZ = 14e6
"""Gain-bandwidth product of its amplifier [Hz]: between the types that the netlist allows (10 and 20 MHz, from memory).
"""
COUPLING_OHM, COUPLING_F = 100.0, 10e-6
"""R126 and C124, in series with the converter's input."""
COUPLING_U = 0.25 / math.sqrt(3.0)
"""Relative standard uncertainty of their corner: 20 % of the capacitor, 15 % of the converter's input."""
CODEC_OHM = 60e3
"""Input impedance of the converter (PCM1808 class; from memory of its datasheet)."""
CODEC_PEAK_V = 1.5
"""Full scale at its pin, peak [V]: 0.6 of its supply of 5 V, peak to peak (from memory of its datasheet)."""
CODEC_HIGH_PASS = 0.019e-3
"""Corner of its own high-pass, over its sample rate: 0.14 dB at 10 Hz and 96 kS/s. This and the filter's figures below
are from memory of its datasheet (SLES177); that of its 16-bit sister PCM1801 (SBAS131C) lists the same."""
CODEC_DELAY = 17.4
"""Delay of its decimation filter, in samples."""
CODEC_PASS, CODEC_STOP = 0.454, 0.583
"""Where the decimation filter's pass band ends and its stop band begins, over its rate."""
CODEC_RIPPLE_U = (10.0 ** (0.05 / 20.0) - 1.0) / math.sqrt(3.0)
"""Relative standard uncertainty from its ripple of 0.05 dB."""
CODEC_GAIN_U = 0.035
"""The same of its uncalibrated gain, 6 % at most (SLES177A), with all before it: 7 % worst case, taken as k = 2 (error
budget)."""
CALIBRATED_CODEC_GAIN_U = 0.0016
"""What temperature, age and supply leave of it after a calibration: 0.32 %, taken as k = 2 (error budget)."""
FILTER_U = 0.5 * (10.0 ** (0.086 / 20.0) - 1.0)
"""Relative standard uncertainty at 20 kHz from 1 % capacitors: 95 of 100 boards within 0.086 dB (simulation)."""
CODEC_NOISE_V: Mapping[Input, float] = MappingProxyType({Input.SPEAKER: 18.7e-3, Input.LINE: 1.58e-3})
"""Noise of the whole path at the terminals, 20 Hz to 20 kHz, rms [V] (simulation; line: 0.79 % of 0.2 V)."""


def codec_full_scale_v(input: Input) -> float:
    """Return what a code at the rail stands for by the nominal circuit: peak volts at the terminals, far off d.c."""
    gain = BACK_OHM / FEED_OHM * CODEC_OHM / (CODEC_OHM + COUPLING_OHM)
    return CODEC_PEAK_V * CHANNELS[input].ratio / gain


def low_pass(hz: FloatArray, input: Input) -> ComplexArray:
    """Return the complex gain of the full-band path's low-pass, 1 at d.c.: guard, isolator, second-order section."""
    s = 2j * math.pi * np.asarray(hz, dtype=np.float64)
    channel = CHANNELS[input]
    source_ohm = channel.leg_ohm * channel.foot_ohm / (channel.leg_ohm + channel.foot_ohm) + GUARD_OHM
    guard = 1.0 + s * source_ohm * (2.0 * GUARD_ACROSS_F[input] + GUARD_GROUND_F)
    isolator = 1.0 + s / (2.0 * math.pi * ISOLATOR_BANDWIDTH_HZ)
    return np.asarray(section(hz) / (guard * isolator), dtype=np.complex128)


def section(hz: FloatArray) -> ComplexArray:
    """Return the complex gain of the second-order section, 1 at d.c.

    An ideal amplifier leaves 1 / (BACK_OHM * across), the textbook's multiple-feedback low-pass; what a finite
    gain-bandwidth product adds stands behind it.
    """
    s = 2j * math.pi * np.asarray(hz, dtype=np.float64)
    joint = 1.0 / FEED_OHM + 1.0 / BACK_OHM + 1.0 / SERIES_OHM + s * NODE_F
    across = s * (SERIES_OHM * BACK_F) * joint + 1.0 / BACK_OHM
    behind = (1.0 + s * (SERIES_OHM * BACK_F)) * joint - 1.0 / SERIES_OHM
    return np.asarray(1.0 / (BACK_OHM * (across + s / (2.0 * math.pi * OPAMP_HZ) * behind)), dtype=np.complex128)


def high_pass(hz: FloatArray, *, rate_hz: float) -> ComplexArray:
    """Return the complex gain of coupling capacitor and converter's own high-pass, 1 far above them, 0 at d.c."""
    s = 2j * math.pi * np.asarray(hz, dtype=np.float64)
    coupling = s * (COUPLING_F * (COUPLING_OHM + CODEC_OHM))
    own = s / (2.0 * math.pi * CODEC_HIGH_PASS * rate_hz)
    return np.asarray(coupling / (1.0 + coupling) * own / (1.0 + own), dtype=np.complex128)


def codec_response(input: Input, *, rate_hz: float) -> Response:
    """Return the response from the terminals to full-band codes, relative to `codec_full_scale_v`.

    At exactly 0 Hz, where nothing passes and nothing can be divided out, it is said to be 1.
    """

    def response(hz: FloatArray) -> ComplexArray:
        hz = np.asarray(hz, dtype=np.float64)
        return np.where(hz == 0.0, 1.0 + 0.0j, low_pass(hz, input) * high_pass(hz, rate_hz=rate_hz))

    return response


def codec_spread_u(hz: float) -> float:
    """Return the relative standard uncertainty of `codec_response` at `hz` [Hz, above 0]."""
    filters = FILTER_U * (hz / 20e3) ** 2
    coupling_hz = 1.0 / (2.0 * math.pi * COUPLING_F * (COUPLING_OHM + CODEC_OHM))
    # The ripple moves no level that is near the one of a calibration or a trim.
    return math.hypot(filters, CODEC_RIPPLE_U * min(hz / 1e3, 1.0), COUPLING_U * (coupling_hz / hz) ** 2)


def codec_noise_v(input: Input, *, rate_hz: float) -> float:
    """Return the noise of the path at the terminals in all that the converter passes, rms [V].

    It comes from the isolated amplifier, so only what is behind that shapes it.
    """
    hz = np.linspace(0.0, 0.5 * rate_hz, 2001)
    shape = np.abs(section(hz)) ** 2 * (hz <= CODEC_PASS * rate_hz)
    audible = (hz >= 20.0) & (hz <= 20e3)
    return CODEC_NOISE_V[input] * math.sqrt(float(shape.sum() / shape[audible].sum()))
