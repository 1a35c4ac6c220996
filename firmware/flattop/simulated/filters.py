"""Filters of a simulated amplifier, in closed form: gain and phase at a frequency, corners on knobs.

A filter is taken at the frequency that plays in each moment, as if it had played for ever. On a sweep that leaves out
about (d omega / dt) |H''| / 2, of an input of 1: under 0.006 with corners of 25 and 90 Hz while 10 to 300 Hz take a
minute (tests/test_vehicle.py). What rings where a stepped sweep, a track or a knob jumps is left out too.

Polynomials of S. Butterworth (Experimental Wireless 7, 1930) and, as two of them in cascade, of S. Linkwitz (J. Audio
Eng. Soc. 24(1), 1976); both from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from flattop.samples import ComplexArray, FloatArray
from flattop.simulated.courses import Course
from flattop.simulated.vehicle_file import Channel, FilterKind, Slope

SUBSONIC, HIGH_PASS, LOW_PASS = "subsonic", "high-pass", "low-pass"
KNOB_HZ = (5.0, 20_000.0)
"""How far a knob of a filter can be turned [Hz]."""
HARMONICS = np.arange(1, 50, 2)
"""What a filter makes of a source that clips is worked out from these."""

_BENT = {12: [math.sqrt(2)], 24: [2 * math.cos(math.pi / 8), 2 * math.cos(3 * math.pi / 8)]}
"""Slope [dB/octave] -> middle terms of the sections of a Butterworth filter."""


class Corner(NamedTuple):
    """Where one filter by itself truly has fallen by 3.01 and by 6.02 dB [Hz], with its slope [dB/octave] and kind."""

    hz_3db: float
    hz_6db: float
    slope: int
    kind: str


@dataclass(frozen=True, slots=True)
class Filter:
    """One filter of an output."""

    which: str
    slope: Slope
    kind: FilterKind
    octaves: Course
    """Its corner: -3 dB of a Butterworth filter, -6 dB of a Linkwitz-Riley one [octaves above 1 Hz]."""

    def gain(self, hz: FloatArray, times_s: FloatArray) -> ComplexArray:
        """Return gain and phase at a frequency, (1,) or (n,), with the knob as it is at each time."""
        octaves = self.octaves.at(times_s)
        if hz.size == octaves.size == 1:
            return _standing(self.which, self.slope, self.kind, float(hz[0]), float(octaves[0]))
        return _gain(self.which, self.slope, self.kind, hz, octaves)

    def corner(self, at_s: float) -> Corner:
        """Return where it truly cuts at a time: |H|^-2 is 1 + r^2n, or the square of that with half as many poles."""
        corner_hz = 2 ** float(self.octaves.at(np.array([at_s]))[0])
        cascade, poles = (1, self.slope / 6) if self.kind == "butterworth" else (2, self.slope / 12)

        def at(power: float) -> float:
            r: float = (power ** (1 / cascade) - 1) ** (0.5 / poles)
            return corner_hz * (r if self.which == LOW_PASS else 1 / r)

        return Corner(at(2.0), at(4.0), self.slope, self.kind)


def _gain(which: str, slope: Slope, kind: FilterKind, hz: FloatArray, octaves: FloatArray) -> ComplexArray:
    over = 1j * hz / 2**octaves
    x = over if which == LOW_PASS else 1 / over
    if kind == "butterworth":
        product = np.ones_like(x)
        for middle in _BENT[slope]:
            product = product * (1 + x * (middle + x))
        return np.asarray(1 / product, dtype=np.complex128)
    once = 1 + x if slope == 12 else 1 + x * (_BENT[12][0] + x)
    return np.asarray(1 / (once * once), dtype=np.complex128)


@lru_cache(maxsize=1024)
def _standing(which: str, slope: Slope, kind: FilterKind, hz: float, octaves: float) -> ComplexArray:
    """Return the gain of a filter that nobody turns at a tone that stands: it is asked for over and over again."""
    one = _gain(which, slope, kind, np.array([hz]), np.array([octaves]))
    one.flags.writeable = False
    return one


def filters_of(channel: Channel) -> tuple[Filter, ...]:
    """Return the filters that an output has, with their knobs as found."""

    def built() -> Iterator[Filter]:
        for which, hz, slope in (
            (SUBSONIC, channel.subsonic_hz, channel.subsonic_slope),
            (HIGH_PASS, channel.high_pass_hz, channel.high_pass_slope),
            (LOW_PASS, channel.low_pass_hz, channel.low_pass_slope),
        ):
            if hz:
                yield Filter(which, slope, channel.filter_kind, Course(math.log2(hz)))

    return tuple(built())


def gain(filters: Sequence[Filter], hz: FloatArray, times_s: FloatArray) -> ComplexArray:
    """Return gain and phase of filters in a row, shape (1,) or (n,)."""
    total: ComplexArray = np.ones(1, dtype=np.complex128)
    for one in filters:
        total = total * one.gain(hz, times_s)
    return total


class ClippedLines:
    """Harmonics of a sine that a source cuts off, to be filtered one by one.

    limit : what the source makes of a voltage, its rail being 1
    knee : half-width of its bend, over the rail
    """

    def __init__(self, limit: Callable[[FloatArray], FloatArray], knee: float) -> None:
        self.onset = 1 - knee
        """Peak from which on tops bend, over the rail."""
        # In this measure, about the width of the missing top, the lines bend little between two rows of the table.
        self._measure = np.linspace(0, 0.9995, 513)
        peaks = self.onset / (1 - self._measure**2)
        sine = np.sin(2 * np.pi * np.arange(2048) / 2048)
        lines = np.fft.rfft(limit(peaks[:, None] * sine))
        self._lines = -2 / 2048 * lines.imag[:, HARMONICS]

    def at(self, peak: FloatArray) -> FloatArray:
        """Return the sine components of HARMONICS over the rail, for peaks over the rail; shape (m, harmonics)."""
        whole = peak <= self.onset
        measure = np.sqrt(1 - self.onset / np.maximum(peak, self.onset))
        lines = np.column_stack([np.interp(measure, self._measure, line) for line in self._lines.T])
        lines[whole] = 0.0
        lines[whole, 0] = peak[whole]
        return lines


def filtered(
    clipped: FloatArray, lines: FloatArray, filters: Sequence[Filter], play: tuple[FloatArray, FloatArray, FloatArray]
) -> FloatArray:
    """Return what filters make of a wave that was clipped before them, shape (n,).

    clipped : the wave, shape (n,)
    lines : its harmonics as `ClippedLines.at` gives them, in the unit of the wave
    play : phase [rad], frequency [Hz] and times [s]

    A high-pass lets the highest harmonics pass: only what it takes from the lower ones is summed up, so that the
    corners of the wave stay sharp.
    """
    radians, hz, times_s = play
    passes = 0.0 if any(one.which == LOW_PASS for one in filters) else 1.0
    total = np.zeros(len(radians), dtype=np.complex128)
    turn = np.exp(1j * radians)
    twice, power = turn * turn, turn
    for number, harmonic in enumerate(HARMONICS):
        total += lines[:, number] * (gain(filters, hz * harmonic, times_s) - passes) * power
        power = power * twice
    return np.asarray(passes * clipped + total.imag, dtype=np.float64)
