"""trims.json: how the full-band converter was last trimmed, with date and conditions, beside the sessions.

Strict JSON (RFC 8259): for each input the factor on its level and the relative standard uncertainty that it leaves,
whether the bass converter was calibrated, the tone and the level it was made with, and the wall clock with its trust.
A trim that cannot be read is none: the meter says that it is untrimmed, and makes a new one with the next bass tone.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import msgspec
from msgspec import Meta, Struct

from flattop.bands import Trimmed
from flattop.calibration import write_durably
from flattop.errors import CalibrationError, StorageError
from flattop.record.stamps import Trust, Wall, rfc3339
from flattop.samples import Input

NAME = "trims.json"
Positive = Annotated[float, Meta(gt=0.0)]


class Made(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One trim and when it was made."""

    factor: Positive
    u: Annotated[float, Meta(ge=0.0, lt=1.0)]
    calibrated: bool = False
    hz: Positive
    rms_v: Positive
    wall_time: str
    wall_trust: Trust

    def of(self, input: Input) -> Trimmed:
        """Return it as the converter takes it."""
        return Trimmed(
            input=input, factor=self.factor, u=self.u, calibrated=self.calibrated, hz=self.hz, rms_v=self.rms_v
        )

    @property
    def words(self) -> str:
        """When and with what, for a page of the meter."""
        day = self.wall_time[:10] if self.wall_trust is not Trust.UNKNOWN else "clock not set"
        return f"{day}\n{self.rms_v:.3g} V, {self.hz:.1f} Hz"


Trims = dict[Input, Made]


def made(trim: Trimmed, wall: Wall) -> Made:
    """Return a trim with the time it was made."""
    return Made(
        factor=trim.factor,
        u=trim.u,
        calibrated=trim.calibrated,
        hz=trim.hz,
        rms_v=trim.rms_v,
        wall_time=rfc3339(wall.unix_s),
        wall_trust=wall.trust,
    )


def load(folder: Path) -> Trims:
    """Return the trims kept in a folder; none where there are none that can be read."""
    try:
        return msgspec.json.decode((folder / NAME).read_bytes(), type=Trims)
    except (OSError, msgspec.MsgspecError):
        return {}


def save(folder: Path, trims: Trims) -> None:
    """Put the trims into a folder, whole and on the medium. Raises StorageError if the card does not take them."""
    try:
        write_durably(folder / NAME, msgspec.json.format(msgspec.json.encode(trims), indent=1) + b"\n")
    except (OSError, CalibrationError) as error:
        raise StorageError(f"{folder / NAME} cannot be written ({error}); see to the card") from error
