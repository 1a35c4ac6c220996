"""What a run heard of filters and of noise, as entries of run.json: where an output cuts, and how quiet it is."""

from __future__ import annotations

import math
from typing import Annotated, Literal

from msgspec import Meta, Struct

from flattop.measure.alignment import Corner, Told
from flattop.measure.noise import Noise, Part
from flattop.measure.noise import Stage as NoiseStage
from flattop.measure.reading import Reading
from flattop.measure.response import Response
from flattop.measure.response import Stage as ResponseStage
from flattop.record.rows import DIGITS
from flattop.record.stamps import Trust, Wall, rfc3339
from flattop.samples import Input

NotNegative = Annotated[float, Meta(ge=0.0)]
Positive = Annotated[float, Meta(gt=0.0)]
WallTime = Annotated[str, Meta(pattern=r"^$|^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)$")]
"""RFC 3339, or empty where the time is not known."""


class Entry(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A part of run.json: exactly these keys."""


class CornerEntry(Entry, frozen=True, kw_only=True):
    """One end of a pass band. Uncertainties are expanded, k = 2."""

    side: Literal["high-pass", "low-pass"]
    alignment: Literal["Butterworth", "Linkwitz-Riley"] | None
    slope_db_octave: NotNegative | None
    slope_u_db_octave: NotNegative | None
    corner_hz: Positive
    corner_u_hz: NotNegative | None
    down_3_hz: Positive
    down_3_u_hz: NotNegative | None
    down_6_hz: Positive
    down_6_u_hz: NotNegative | None
    rivals: tuple[str, ...]
    """Alignments that fit alike; one where it is named."""


class CurvePoint(Entry, frozen=True, kw_only=True):
    """The level at one frequency, 0 dB being the pass band; its standard deviation (k = 1)."""

    hz: Positive
    level_db: float
    sigma_db: NotNegative


class ResponseEntry(Entry, frozen=True, kw_only=True):
    """What a sweep showed of the filters of one output."""

    step: str
    wall_time: WallTime
    wall_trust: Trust
    t_s: float
    input: Input
    stage: ResponseStage
    told: Told
    corners: tuple[CornerEntry, ...]
    left_over_db: NotNegative | None
    lag: NotNegative
    too_fast: bool
    referenced: bool
    passes: Annotated[int, Meta(ge=0)]
    curve: tuple[CurvePoint, ...]
    simulated: bool
    calibrated: bool

    def corner(self, side: str) -> CornerEntry | None:
        """Return one end of the pass band, if the sweep showed it."""
        return next((corner for corner in self.corners if corner.side == side), None)


class PartEntry(Entry, frozen=True, kw_only=True):
    """One kind of noise: rms [V], or a bound that it stays under."""

    volts: NotNegative | None
    u_v: NotNegative | None
    below: bool
    down_db: float | None
    """How far it lies below the tone of the output as left; at least so far where `below`."""
    hz: Positive | None
    lines: Annotated[int, Meta(ge=0)]


class NoiseEntry(Entry, frozen=True, kw_only=True):
    """What is on an output without a tone."""

    step: str
    wall_time: WallTime
    wall_trust: Trust
    t_s: float
    input: Input
    stage: NoiseStage
    low_hz: NotNegative
    high_hz: NotNegative
    tone_v: NotNegative | None
    total: PartEntry
    hum: PartEntry
    whine: PartEntry
    line: PartEntry
    rest: PartEntry
    simulated: bool
    calibrated: bool


def response_from(found: Response, *, step: str, reading: Reading, wall: Wall) -> ResponseEntry:
    """Return the entry of what a sweep showed: numbers rounded as in every table, None for what is not known.

    reading : the last one, for its time and where it was taken
    """
    fit = found.fit
    left_over = fit.rms_db if fit is not None else math.nan
    return ResponseEntry(
        step=step,
        wall_time=rfc3339(wall.unix_s),
        wall_trust=wall.trust,
        t_s=round(reading.time_s, 6),
        input=reading.facts.input,
        stage=found.stage,
        told=fit.told if fit is not None else Told.TOO_FEW,
        corners=tuple(map(_corner, fit.corners)) if fit is not None else (),
        left_over_db=known(left_over),
        lag=known(found.lag) or 0.0,
        too_fast=found.too_fast,
        referenced=found.referenced,
        passes=found.passes,
        curve=tuple(
            CurvePoint(hz=rounded(hz), level_db=rounded(db), sigma_db=rounded(sigma))
            for hz, db, sigma in zip(found.hz, found.level_db, found.sigma_db, strict=True)
        ),
        simulated=reading.facts.simulated,
        calibrated=reading.facts.calibrated,
    )


def _corner(corner: Corner) -> CornerEntry:
    return CornerEntry(
        side=corner.side.value,
        alignment=corner.shape.alignment.value if corner.shape is not None else None,
        slope_db_octave=known(corner.slope_db_octave),
        slope_u_db_octave=known(corner.slope_u_db_octave),
        corner_hz=rounded(corner.corner_hz),
        corner_u_hz=known(corner.corner_u_hz),
        down_3_hz=rounded(corner.down_3_hz),
        down_3_u_hz=known(corner.down_3_u_hz),
        down_6_hz=rounded(corner.down_6_hz),
        down_6_u_hz=known(corner.down_6_u_hz),
        rivals=tuple(map(str, corner.rivals)),
    )


def noise_from(found: Noise, *, step: str, reading: Reading, wall: Wall) -> NoiseEntry:
    """Return the entry of what was heard without a tone, likewise."""
    return NoiseEntry(
        step=step,
        wall_time=rfc3339(wall.unix_s),
        wall_trust=wall.trust,
        t_s=round(reading.time_s, 6),
        input=reading.facts.input,
        stage=found.stage,
        low_hz=rounded(found.band_hz[0]),
        high_hz=rounded(found.band_hz[1]),
        tone_v=known(found.tone_v),
        total=_part(found, found.total),
        hum=_part(found, found.hum),
        whine=_part(found, found.whine),
        line=_part(found, found.line),
        rest=_part(found, found.rest),
        simulated=reading.facts.simulated,
        calibrated=reading.facts.calibrated,
    )


def _part(found: Noise, part: Part) -> PartEntry:
    return PartEntry(
        volts=known(part.volts),
        u_v=known(part.u_v),
        below=part.below,
        down_db=known(found.down_db(part)),
        hz=known(part.hz),
        lines=part.lines,
    )


def known(value: float) -> float | None:
    """Return a number rounded as in every table; None where it is not known."""
    return rounded(value) if math.isfinite(value) else None


def rounded(value: float) -> float:
    """Return a number rounded as in every table."""
    return float(f"{value:.{DIGITS}g}")


NEW_KEYS = {"": ("responses", "noises"), "kept": ("line_to_speaker_db", "line_to_speaker_u_db", "polarity")}
"""Keys that version 1 of run.json does not have: of the whole, and of the entries under a key."""


def newer_than_version_1(held: dict[str, object]) -> list[str]:
    """Return what a decoded file of version 1 holds that only later versions have, one message each."""
    faults = [f'"{name}" is not known in version 1' for name in NEW_KEYS[""] if name in held]
    entries = held.get("kept")
    for number, entry in enumerate(entries if isinstance(entries, list) else []):
        names = [name for name in NEW_KEYS["kept"] if isinstance(entry, dict) and name in entry]
        faults += [f'kept[{number}]."{name}" is not known in version 1' for name in names]
    return faults
