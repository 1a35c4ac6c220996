"""What is on a simulated vehicle's leads without a tone: whine of the alternator, hum of ground loops, broad noise.

The noise is a table of NOISE_S seconds, over and over again: lines every 1 / NOISE_S hertz from 20 Hz to 20 kHz, with
levels and phases drawn once and their power brought to exactly 1 V^2 (Parseval). So its level over a whole round is
that of the file; a shorter time sees it scatter as noise does, a longer one does not average any further. Between the
table's points a cubic goes through four of them, which is less than 0.2 % low at 20 kHz. Every place starts at another
point of the table; from 20 kHz on there is no noise.
"""

from __future__ import annotations

import math
from functools import cached_property

import numpy as np

from flattop.samples import FloatArray
from flattop.simulated.courses import Revs
from flattop.simulated.vehicle_file import VehicleFile

NOISE_HZ = (20.0, 20_000.0)
NOISE_S = 4
"""After this time the noise comes again [s]."""
HUM_FAMILY = {1: 1.0, 2: 0.35, 3: 0.5, 4: 0.15, 5: 0.25, 6: 0.08, 7: 0.12, 9: 0.06}
"""Harmonic of the mains -> its level over the fundamental; common practice of ground loops, no source."""

_RATE_HZ = 1 << 18
_APART = 7919  # points of the table from one place to the next, some 30 ms: no multiple of them is a round


class Noises:
    """The disturbances of one vehicle; same seed, same waveforms."""

    def __init__(self, file: VehicleFile, *, seed: int, phases: dict[str, float]) -> None:
        """Draw what is not in `phases`, those of "whine" and "hum" [rad], from a generator of its own."""
        rng = np.random.default_rng([seed, 1])
        supply = file.supply
        self.revs = Revs(file.engine, rng)
        self._whine_hz = supply.whine_hz
        levels = 10 ** (-supply.whine_fall_db * np.arange(supply.whine_harmonics) / 20)
        self._whine_levels: list[float] = (math.sqrt(2) * levels / float(np.linalg.norm(levels))).tolist()
        self._whine_phases = [phases["whine"], *rng.uniform(0, 2 * np.pi, 2)]
        family = np.array(list(HUM_FAMILY.values()))
        self._hum_levels = math.sqrt(2) * family / float(np.linalg.norm(family))
        self._hum_phases = rng.uniform(0, 2 * np.pi, len(HUM_FAMILY))
        self._seed = seed

    def whine(self, rms_v: float, times_s: FloatArray) -> FloatArray:
        """Return what the alternator adds, `rms_v` all its lines together [V]."""
        radians = 2 * np.pi * self._whine_hz * self.revs.turned_s(times_s)
        volts = rms_v * self._whine_levels[0] * np.sin(radians + self._whine_phases[0])
        for number, level in enumerate(self._whine_levels[1:], start=1):
            volts += rms_v * level * np.sin((number + 1) * radians + self._whine_phases[number])
        return np.asarray(volts, dtype=np.float64)

    def hum_lines(self, rms_v: float, hz: float) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return frequencies [Hz], peaks [V] and phases [rad] of a ground loop's hum, `rms_v` all together."""
        return hz * np.array(list(HUM_FAMILY)), rms_v * self._hum_levels, self._hum_phases

    @cached_property
    def _table(self) -> FloatArray:
        """Return the noise of a whole round, rms 1, with three more points to begin and end an interpolation on."""
        rng = np.random.default_rng([self._seed, 2])
        first, last = (round(hz * NOISE_S) for hz in NOISE_HZ)
        points = _RATE_HZ * NOISE_S
        spectrum = np.zeros(points // 2 + 1, dtype=np.complex128)
        drawn = rng.standard_normal((2, last - first))
        # The drawn powers scatter; their sum must not.
        spectrum[first:last] = (drawn[0] + 1j * drawn[1]) * (points / math.sqrt(2) / float(np.linalg.norm(drawn)))
        wave = np.fft.irfft(spectrum, points)
        return np.concatenate([wave[-1:], wave, wave[:2]])

    def broad(self, rms_v: float, place: int, times_s: FloatArray) -> FloatArray:
        """Return the broad noise of a place, by its number [V]."""
        points = _RATE_HZ * NOISE_S
        at = (times_s * _RATE_HZ + place * _APART) % points
        index = np.minimum(at.astype(np.intp), points - 1)
        x = at - index
        before, here, after, beyond = (self._table[index + shift] for shift in range(4))
        # Lagrange's cubic through four even points.
        volts = (
            here * (1 - x * x) * (2 - x) / 2
            + after * x * (1 + x) * (2 - x) / 2
            - before * x * (1 - x) * (2 - x) / 6
            - beyond * x * (1 - x * x) / 6
        )
        return np.asarray(rms_v * volts, dtype=np.float64)
