"""Two inputs at the same instants: the amplifier's gain and polarity, as direct readings.

Both inputs are read at the frequency of the tone, through one window, and each through its own path's response. The
ratio of the two complex lines is the amplifier: its magnitude the gain, its angle the polarity. An amplifier with
filters turns the phase as well, and near a corner nobody can say which way round it is wired; so

    |angle| <  60 degrees   same polarity
    |angle| > 120 degrees   opposite
    between                 cannot tell, for the phase is turned
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from flattop.measure.even import are_even, line
from flattop.measure.level import COVERAGE, STRETCH, Block
from flattop.samples import Clock, FloatArray, Samples

SAME_DEG, OPPOSITE_DEG = 60.0, 120.0
SURE = 3.0
"""The angle must keep this many standard deviations from the limit that it is on the right side of."""
WEAKEST = 0.5
"""The tone must carry this share of the a.c. power of both inputs."""
FEWEST_CYCLES = 4.0
"""Of fewer cycles in the block the line's image at negative frequencies would stand in the window's lobe."""
APART = 0.1
"""The inputs must be sampled at the same instants to this part of a step."""
DB = 20.0 / math.log(10.0)
"""Decibels for a small relative change."""


class Polarity(StrEnum):
    """Which way round the speaker terminals follow the line input."""

    SAME = "same"
    OPPOSITE = "opposite"
    UNKNOWN = "cannot tell"


class Doubt(StrEnum):
    """Why the polarity, or the gain as well, cannot be told."""

    NONE = ""
    TURNED = "the amplifier turns the phase: play a tone well inside its band"
    NOISE = "too noisy to tell"
    NO_TONE = "no tone on both inputs"
    TOO_HIGH = "an input is overdriven"
    TOO_SHORT = "not enough samples yet"


@dataclass(frozen=True, slots=True)
class Between:
    """What lies between the line input and the speaker input. Uncertainties are expanded, k = 2 (JCGM 100:2008)."""

    hz: float
    gain_db: float
    """Fundamental at the speaker input over that at the line input [dB]; NaN where it cannot be told."""
    gain_u_db: float
    phase_deg: float
    """How far the speaker terminals lead the line input [degrees], -180 to 180."""
    phase_u_deg: float
    polarity: Polarity
    doubt: Doubt


def between(*, line_input: Samples, speaker: Samples, hz: float, measured: Block | None = None) -> Between:
    """Return gain and polarity from two blocks of even samples taken at the same instants.

    hz : frequency of the tone on both, as measured on either [Hz]
    measured : one of the two blocks as `measure` left it, to save reading its line again

    The errors of the two inputs' gains and of their paths are independent, and add as squares; noise adds to them.

    Raises ValueError if the blocks are not of the same instants.
    """
    _check_instants(line_input, speaker)
    if not are_even(line_input.times_s) or not line_input.duration_s * hz > FEWEST_CYCLES:
        return _nothing(hz, Doubt.TOO_SHORT)
    if line_input.quality.saturated or speaker.quality.saturated:
        return _nothing(hz, Doubt.TOO_HIGH)
    lines, noises, paths = [], [], []
    for samples in (line_input, speaker):
        known = _line_of(measured, samples) if measured is not None else None
        found, spread, share = known or line(samples.times_s, samples.volts, hz)
        facts = samples.facts
        if not (abs(found) > max(4.0 * facts.lsb_v, 4.0 * facts.noise_v) and share > WEAKEST):
            return _nothing(hz, Doubt.NO_TONE)
        response = facts.response(hz * np.array([1.0, 1.0 - STRETCH, 1.0 + STRETCH]))
        # A pole that is off by a small part moves the level and turns the phase as that much frequency would.
        moved = complex(np.log(response[2] / response[1])) / (2.0 * STRETCH) * facts.response_u
        lines.append(found / complex(response[0]))
        noises.append(spread / abs(found))
        paths.append((math.hypot(facts.gain_u, moved.real), moved.imag))
    ratio = lines[1] / lines[0]
    noise = math.hypot(*noises)
    gain_sigma = math.hypot(noise, *(path[0] for path in paths))
    phase_sigma_deg = math.degrees(math.hypot(noise, *(path[1] for path in paths)))
    phase_deg = math.degrees(cmath.phase(ratio))
    polarity, doubt = _polarity(abs(phase_deg), SURE * phase_sigma_deg)
    return Between(
        hz=hz,
        gain_db=20.0 * math.log10(abs(ratio)),
        gain_u_db=COVERAGE * DB * gain_sigma,
        phase_deg=phase_deg,
        phase_u_deg=COVERAGE * phase_sigma_deg,
        polarity=polarity,
        doubt=doubt,
    )


def _line_of(block: Block, samples: Samples) -> tuple[complex, float, float] | None:
    """Return what `even.line` reads of the samples from their own block; None if it is another one, or has no tone."""
    own = block.samples
    alike = own.facts.input is samples.facts.input and len(own) == len(samples) and own.quality.clock is Clock.EVEN
    if not alike or own.times_s[-1] != samples.times_s[-1] or block.fit is None or block.shape_sigma is None:
        return None
    found = complex(block.fit.harmonics[1])
    return found, float(block.shape_sigma[1]) * abs(found), 1.0 / (1.0 + block.thd_n**2)


def _polarity(turned_deg: float, margin_deg: float) -> tuple[Polarity, Doubt]:
    """Return the polarity for a phase of 0 to 180 degrees that is known to `margin_deg`."""
    if turned_deg + margin_deg < SAME_DEG:
        return Polarity.SAME, Doubt.NONE
    if turned_deg - margin_deg > OPPOSITE_DEG:
        return Polarity.OPPOSITE, Doubt.NONE
    return Polarity.UNKNOWN, Doubt.TURNED if SAME_DEG <= turned_deg <= OPPOSITE_DEG else Doubt.NOISE


def _nothing(hz: float, doubt: Doubt) -> Between:
    nan = math.nan
    return Between(hz, nan, nan, nan, nan, Polarity.UNKNOWN, doubt)


def _check_instants(line_input: Samples, speaker: Samples) -> None:
    one, other = line_input.times_s, speaker.times_s
    if len(one) != len(other):
        raise ValueError(
            f"{len(one)} samples of the line input, {len(other)} of the speaker input; take one block of both"
        )
    if not len(one):
        return
    apart_s = max(abs(float(one[0] - other[0])), abs(float(one[-1] - other[-1])))
    step_s = _step_s(one)
    if apart_s > APART * step_s:
        raise ValueError(
            f"the inputs were sampled {1e6 * apart_s:.1f} us apart; allowed are {1e6 * APART * step_s:.1f} us: "
            "take both from one converter"
        )


def _step_s(times_s: FloatArray) -> float:
    return float(times_s[-1] - times_s[0]) / max(len(times_s) - 1, 1)
