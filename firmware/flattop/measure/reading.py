"""Reading: everything the meter says about one block of samples, one immutable value."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from flattop.samples import Facts, FloatArray, Quality

if TYPE_CHECKING:
    from flattop.measure.between import Between

HAZARD_RMS_V = 30.0
"""A.c. rms [V] from which a conductor is treated as live (IEC 61010-1, normal condition; ISO 6469-4:2015)."""
HAZARD_PEAK_V = 42.4
"""The same as a peak [V] (IEC 61010-1, from memory, edition-dependent)."""
HAZARD_DC_V = 60.0
"""The same for d.c. [V] (IEC 61010-1; ISO 6469-4:2015)."""


FEWEST_HARMONICS = 3
"""Below this the band holds nothing of a symmetric clip: a tone of which the level is known, but not the shape."""


class Verdict(StrEnum):
    """Judgement on the shape of a tone."""

    CLEAN = "clean"
    SOFT = "soft"
    FLAT = "flat"
    DISTORTED = "distorted"
    UNKNOWN = "unknown"


class Reason(StrEnum):
    """Why a verdict is what it is; most of them say why it is unknown."""

    NONE = ""
    # unknown:
    CLOCK_LEARNING = "clock learning"
    TOO_FEW_LSB = "too few LSB"
    NO_TONE = "no tone"
    NOT_ONE_TONE = "not one steady tone"
    FADING = "fading"
    MOVING = "moving too fast"
    TOO_HIGH = "too high for this input"
    OUT_OF_BAND = "outside this converter's band"
    IMAGE = "weak, or a tone above the band"
    """So small that a strong tone near the sample rate, folded down, could look the same."""
    LEAD_OFF = "lead off"
    SILENT = "converter not answering"
    TOO_SHORT = "not enough samples yet"
    # soft or flat:
    TOP_MISSING = "top missing"
    """Overdrive on a half-cycle reaches the limit."""
    TOPS_BEND = "tops bend"
    """Harmonics that lower the tops reach the limit, yet no flat part is seen (a soft knee)."""
    THIRD_ONLY = "third harmonic alone: tops bend, or hum"
    """Only the third harmonic speaks for bent tops; mains hum could make it too."""
    # distorted:
    NO_TOP_MISSING = "distorted, no top missing"


@dataclass(frozen=True, slots=True, eq=False)
class Tops:
    """The two half-cycles folded onto the crest, for the picture of the tops.

    All arrays have the shape (n,): `angle_deg` from -90 to +90 about the crest; the levels
    are those of the half-cycle as it is and of the sine that its flanks predict [V];
    the negative half is turned up.
    """

    angle_deg: FloatArray
    pos_v: FloatArray
    neg_v: FloatArray
    pos_flanks_v: FloatArray
    neg_flanks_v: FloatArray


@dataclass(frozen=True, slots=True)
class Reading:
    """One measurement. A figure that the block cannot carry is NaN, never a guess.

    Uncertainties (`*_u_*`) are expanded, k = 2 (JCGM 100:2008).
    """

    time_s: float
    """End of the block on the host's monotonic clock [s]."""
    duration_s: float
    """Length of the block [s]."""
    rms_v: float
    """True RMS of the a.c. part over whole cycles [V]."""
    rms_u_v: float
    dc_v: float
    dc_u_v: float
    hz: float
    hz_u: float
    peak_pos_v: float
    """Highest level of the a.c. part [V]."""
    peak_neg_v: float
    """Lowest level of the a.c. part [V], a negative number."""
    crest: float
    """Larger peak over RMS."""
    fundamental_v: float
    """RMS of the fundamental [V]."""
    thd_pct: float
    """THD_F: harmonics 2 to `harmonics` over the fundamental [%]."""
    harmonics: int
    """Highest harmonic counted in `thd_pct`."""
    thd_to_hz: float
    """Frequency of that harmonic [Hz]."""
    thd_n_pct: float
    """Everything in the block but the fundamental and d.c., over the fundamental [%]."""
    overdrive_pos_db: float
    """How much taller the flanks say the positive top should have been [dB]; 0: no top missing."""
    overdrive_neg_db: float
    overdrive_u_db: float
    flat_share_pct: float
    """Part of the worse half-cycle during which the top is missing [%]."""
    drift_pct_s: float
    """Change of level [% of the level a second]."""
    verdict: Verdict
    reason: Reason
    dc_alarm: bool
    """D.c. where none may be: a speaker output with more than the set limit."""
    facts: Facts
    quality: Quality
    tops: Tops | None = None
    between: Between | None = None
    """Gain and polarity from the line input to the speaker input, where both were read at once."""

    @property
    def overdrive_db(self) -> float:
        """Overdrive of the worse half-cycle [dB]."""
        return max(self.overdrive_pos_db, self.overdrive_neg_db)

    @property
    def can_be_measured(self) -> bool:
        """False where a level may be present that the numbers do not show."""
        if self.reason is Reason.OUT_OF_BAND and 0 < self.harmonics < FEWEST_HARMONICS and self.rms_v > 0.0:
            return True  # the tone lies in the band, only its harmonics do not
        return self.reason not in {
            Reason.CLOCK_LEARNING,
            Reason.TOO_HIGH,
            Reason.OUT_OF_BAND,
            Reason.IMAGE,
            Reason.SILENT,
            Reason.TOO_SHORT,
        }

    @property
    def hazard(self) -> bool:
        """True at a hazardous level, and wherever the meter cannot tell.

        False is no promise of safety: the meter reads between two terminals only.
        """
        # Of a mixture the path may have weakened what lies high in the band: its level is a lower bound.
        if not self.can_be_measured or self.reason is Reason.NOT_ONE_TONE:
            return True
        below = (
            self.rms_v < HAZARD_RMS_V
            and abs(self.dc_v) < HAZARD_DC_V
            and self.peak_pos_v + self.dc_v < HAZARD_PEAK_V
            and self.peak_neg_v + self.dc_v > -HAZARD_PEAK_V
        )
        return not below  # NaN compares false, so a missing figure keeps the mark on
