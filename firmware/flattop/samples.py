"""Samples: volts at the terminals against time, with the facts of the converter that took them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

Response = Callable[[FloatArray], ComplexArray]
"""Frequencies [Hz] -> complex gain from the terminals to `Samples.volts`, 1 at d.c. (see `Facts.dc_coupled`)."""


def flat_response(hz: FloatArray) -> ComplexArray:
    """Return 1 at every frequency: the path of a recording that holds volts already."""
    return np.ones(np.shape(hz), dtype=np.complex128)


class Input(StrEnum):
    """The two isolated inputs of the meter."""

    SPEAKER = "speaker"
    LINE = "line"


class Clock(StrEnum):
    """What is known of the times of the samples."""

    LEARNING = "learning"
    """The converter's own grid is not found yet; times are those of the host's reads."""
    LOCKED = "locked"
    """Times are those of the converter's grid, seen through the host's clock."""
    EVEN = "even"
    """Evenly clocked by construction (a recording, an audio converter)."""


def no_image(hz: float) -> float:
    """Return 0: whatever lies above the band was kept out before it was sampled."""
    return 0.0


def no_spread(hz: float) -> float:
    """Return 0: the path's response is known as well as `Facts.gain_u` and `Facts.response_u` say."""
    return 0.0


@dataclass(frozen=True, slots=True)
class Facts:
    """What a converter knows of itself; the same for all samples of one block."""

    converter: str
    input: Input
    lsb_v: float
    """One code, at the terminals [V]; 0 where the samples are not coded in steps."""
    full_scale_v: float
    """Largest level of either sign that this input can carry on its widest range [V]; infinite if there is no limit."""
    noise_v: float
    """The converter's own noise with its quantising, rms at the terminals [V]."""
    tone_band_hz: tuple[float, float]
    """Fundamentals that may be judged [Hz]."""
    harmonics_to_hz: float
    """Highest harmonic that is used [Hz]."""
    response: Response = flat_response
    image_v: Callable[[float], float] = no_image
    """Frequency in the band [Hz] -> highest peak at which a tone above the band can show up there [V]."""
    gain_u: float = 0.0
    """Relative standard uncertainty (k = 1) of the level at d.c."""
    offset_u_v: float = 0.0
    """Standard uncertainty (k = 1) of zero [V]."""
    response_u: float = 0.0
    """Relative standard uncertainty (k = 1) of the path's first pole, as a time constant."""
    spread_u: Callable[[float], float] = no_spread
    """Frequency [Hz] -> relative standard uncertainty (k = 1) of a level there, beside `gain_u` and `response_u`."""
    clock_u: float = 50e-6
    """Relative standard uncertainty (k = 1) of the host's clock."""
    calibrated: bool = False
    trimmed: bool = True
    """The gain is as good as `calibrated` says; False for a converter whose gain was never compared with another's."""
    dc_coupled: bool = True
    """False where a high-pass takes d.c. away: the mean of the samples says nothing of the d.c. at the terminals."""
    simulated: bool = False


@dataclass(frozen=True, slots=True)
class Quality:
    """How the block was taken."""

    rate_hz: float
    """Measured conversions a second; NaN while unknown."""
    clock: Clock
    missed: int = 0
    """Conversions inside the block that were never read."""
    repeated: int = 0
    """Reads inside the block that gave no sample of their own: the same conversion again, or one in doubt."""
    saturated: int = 0
    """Reads at either end of the code range."""
    timing_rms_s: float = 0.0
    """How far read times lie from the grid they were fitted to, rms [s]."""


@dataclass(frozen=True, slots=True)
class Samples:
    """One block of samples, oldest first.

    times_s : float64, shape (n,)
        Middle of each conversion on the host's monotonic clock [s], strictly increasing.
    volts : float64, shape (n,)
        Level at the terminals [V]: gain, offset and loading at d.c. are taken out,
        the fall of the path with frequency (`facts.response`) is not.
    """

    times_s: FloatArray
    volts: FloatArray
    facts: Facts
    quality: Quality = field(default_factory=lambda: Quality(float("nan"), Clock.EVEN))

    def __post_init__(self) -> None:
        if self.times_s.ndim != 1 or self.times_s.shape != self.volts.shape:
            raise ValueError(f"times {self.times_s.shape} and volts {self.volts.shape} must be two rows of one length")

    def __len__(self) -> int:
        return len(self.times_s)

    @property
    def duration_s(self) -> float:
        """Time from the first to the last sample [s]; 0 for fewer than two."""
        return float(self.times_s[-1] - self.times_s[0]) if len(self) > 1 else 0.0
