"""What one meter was measured to do against a reference, kept in a file that shows its own damage.

A file looks like this; every range of both inputs must be there:

    version = 1
    crc32 = "5f0c1d2e"
    serial = "FT-0007"
    date = 2026-05-04
    reference = "bench multimeter, certificate 1234"
    reference_u_pct = 0.05

    [speaker]
    pole_scale = 1.0
    full_band = { gain = 1.031, offset_v = 0.0 }
    "2.048" = { gain = 1.0021, offset_v = -0.012 }
    ...

The line of the full-band converter may be missing: its gain is then known to a few percent, or trimmed against the
bass converter while it runs.

The checksum is over the values, not over the text, so that comments and spacing are free. A digit that was changed
within its range, by a bad card or by a hand, no longer agrees with it; the message then says which checksum would
agree, for whoever changed the value on purpose.
"""

from __future__ import annotations

import contextlib
import datetime
import json
import os
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta

from flattop.errors import CalibrationError, StorageError, listed
from flattop.samples import Input
from flattop.toml_files import Document, Table, faults_in, read_toml

RANGES_V = (2.048, 1.024, 0.512, 0.256)
"""Full scale of the converter's ranges, each of which is calibrated by itself [V]."""

FIRST_DATE = datetime.date(2020, 1, 1)
"""No meter is older; an earlier date comes from a clock that was not set."""


@dataclass(frozen=True, slots=True)
class RangeCalibration:
    """One range of one input: volts = gain * (indicated - offset_v), indicated by the nominal circuit."""

    gain: float
    offset_v: float


@dataclass(frozen=True, slots=True)
class InputCalibration:
    """One input."""

    ranges: Mapping[float, RangeCalibration]
    """For each of RANGES_V."""
    pole_scale: float = 1.0
    """Factor on the time constants of the front end's RC path, from an a.c. calibration point."""
    full_band: RangeCalibration | None = None
    """The full-band converter's one range; None where it was not calibrated."""


@dataclass(frozen=True, slots=True)
class Calibration:
    """One meter, calibrated on one day against one reference."""

    serial: str
    date: datetime.date
    reference: str
    reference_u_pct: float
    """Expanded relative uncertainty (k = 2) of the reference [%]."""
    inputs: Mapping[Input, InputCalibration]


class _SpeakerRange(Table, frozen=True, kw_only=True):
    gain: Annotated[float, Meta(ge=0.9, le=1.1, description="factor on the indicated level")]
    offset_v: Annotated[float, Meta(ge=-2.0, le=2.0, description="indicated level of a short circuit [V]")]


class _LineRange(Table, frozen=True, kw_only=True):
    gain: Annotated[float, Meta(ge=0.9, le=1.1, description="factor on the indicated level")]
    offset_v: Annotated[float, Meta(ge=-0.2, le=0.2, description="indicated level of a short circuit [V]")]


class _SpeakerFullBand(_SpeakerRange, frozen=True, kw_only=True):
    gain: Annotated[float, Meta(ge=0.85, le=1.15, description="factor on the indicated level")]


class _LineFullBand(_LineRange, frozen=True, kw_only=True):
    gain: Annotated[float, Meta(ge=0.85, le=1.15, description="factor on the indicated level")]


_PoleScale = Annotated[float, Meta(ge=0.8, le=1.25, description="factor on the front end's time constants")]
_KEYS = {f"range_{number}": str(range_v) for number, range_v in enumerate(RANGES_V)}


class _Speaker(Table, frozen=True, kw_only=True, rename=_KEYS):
    range_0: _SpeakerRange
    range_1: _SpeakerRange
    range_2: _SpeakerRange
    range_3: _SpeakerRange
    pole_scale: _PoleScale = 1.0
    full_band: _SpeakerFullBand = _SpeakerFullBand(gain=1.0, offset_v=0.0)


class _Line(Table, frozen=True, kw_only=True, rename=_KEYS):
    range_0: _LineRange
    range_1: _LineRange
    range_2: _LineRange
    range_3: _LineRange
    pole_scale: _PoleScale = 1.0
    full_band: _LineFullBand = _LineFullBand(gain=1.0, offset_v=0.0)


class _File(Table, frozen=True, kw_only=True):
    version: Annotated[Literal[1], Meta(description="version of this kind of file")]
    crc32: Annotated[str, Meta(max_length=8, description="checksum, eight hexadecimal digits")] = ""
    serial: Annotated[str, Meta(min_length=1, max_length=40, description="serial number of the meter")]
    date: Annotated[datetime.date, Meta(description="day of the calibration")]
    reference: Annotated[str, Meta(min_length=1, max_length=200, description="what it was calibrated against")]
    reference_u_pct: Annotated[
        float, Meta(ge=0.0, le=5.0, description="expanded relative uncertainty (k = 2) of the reference [%]")
    ]
    speaker: _Speaker
    line: _Line


def load(path: Path, *, serial: str = "", today: datetime.date | None = None) -> Calibration:
    """Read and check the calibration file at `path`.

    serial : the meter's own serial number, which the file must carry; "" accepts any
    today : the date, where it is known; None (a meter without a set clock) skips the check against the future

    Raises CalibrationError with every fault, one a line.
    """
    document = read_toml(path, what="calibration file", error=CalibrationError)
    faults = faults_in(document, _File)
    faults += _misfits(document, serial, today)
    # A checksum to put in is offered only for values that are otherwise in order, or it would have to be changed twice.
    faults += _checksum_fault(document, offered=not faults)
    if faults:
        raise CalibrationError(listed(f"calibration file {path} cannot be used:", faults))
    return _calibration(document.table)


def save(path: Path, calibration: Calibration) -> None:
    """Write `calibration` to `path`, so that a power cut leaves either the old file or the new one.

    Raises CalibrationError for values that `load` would refuse, StorageError if the folder does not take the file.
    """
    table = _table(calibration)
    faults = faults_in(Document({**table, "crc32": _crc32(table)}, {}), _File)
    faults += _misfits(Document(table, {}), "", None)
    if faults:
        raise CalibrationError(listed("this calibration cannot be saved:", faults))
    write_durably(path, _text(table).encode())


def age_days(calibration: Calibration, today: datetime.date) -> int:
    """Return how many days before `today` the meter was calibrated."""
    return (today - calibration.date).days


def write_durably(path: Path, content: bytes) -> None:
    """Replace the file at `path` as a whole: a new file, synced, renamed over the old one, and the folder synced.

    Raises StorageError; the file is then the old or the new one, never half of either.
    """
    path = path.resolve()  # behind a link, the file is replaced and not the link
    new = path.with_name(f".{path.name}.new")
    try:
        with new.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        new.replace(path)
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    except OSError as fault:
        with contextlib.suppress(OSError):
            new.unlink(missing_ok=True)
        raise StorageError(
            f"{path} cannot be written ({fault.strerror or fault}); check the card, its free space and who may write"
        ) from fault


def _misfits(document: Document, serial: str, today: datetime.date | None) -> list[str]:
    """Return the faults that lie in what the values mean rather than in their types and ranges."""
    faults = []
    date, carried = document.table.get("date"), document.table.get("serial")
    if isinstance(date, datetime.date) and not isinstance(date, datetime.datetime):
        if date < FIRST_DATE:
            faults.append(
                f"{document.place('date')}date is {date}; allowed is {FIRST_DATE} or later; "
                "set the clock and calibrate again"
            )
        if today is not None and date > today:
            faults.append(
                f"{document.place('date')}date is {date}; allowed is {today} (today) or earlier; "
                "check the clock of this meter, then the date in the file"
            )
    if serial and isinstance(carried, str) and carried != serial:
        faults.append(
            f"{document.place('serial')}serial is {carried}; allowed is {serial}, the serial number of this meter; "
            "use the file of this meter"
        )
    return faults


def _checksum_fault(document: Document, *, offered: bool) -> list[str]:
    stated = document.table.get("crc32", "")
    values = {key: value for key, value in document.table.items() if key != "crc32"}
    try:
        actual = _crc32(values)
    except ValueError:  # a number of thousands of digits, which is a fault of its own
        return []
    if not isinstance(stated, str) or stated.lower() == actual:
        return []
    remedy = f'set crc32 = "{actual}"' if offered else "correct the other faults, then try again"
    return [
        f"{document.place('crc32')}crc32 is {stated or 'missing'}, which is not the checksum of the values: the file "
        f"is damaged or was edited; restore a copy or calibrate again; if it was edited on purpose, {remedy}"
    ]


def _crc32(values: Mapping[str, Any]) -> str:
    """Return the checksum of a file's values, without that of the checksum itself.

    It is CRC-32 as of zlib over JSON with sorted keys and dates as ISO 8601.
    """
    return f"{zlib.crc32(json.dumps(values, sort_keys=True, default=str).encode()):08x}"


def _calibration(table: Mapping[str, Any]) -> Calibration:
    file = msgspec.convert(table, _File)
    inputs = {}
    for which, held in ((Input.SPEAKER, file.speaker), (Input.LINE, file.line)):
        ranges = (held.range_0, held.range_1, held.range_2, held.range_3)
        wide = held.full_band if "full_band" in table[str(which)] else None
        inputs[which] = InputCalibration(
            {range_v: RangeCalibration(one.gain, one.offset_v) for range_v, one in zip(RANGES_V, ranges, strict=True)},
            held.pole_scale,
            None if wide is None else RangeCalibration(wide.gain, wide.offset_v),
        )
    return Calibration(file.serial, file.date, file.reference, file.reference_u_pct, inputs)


def _table(calibration: Calibration) -> dict[str, Any]:
    """Return the values as they stand in a file, without the checksum."""
    table: dict[str, Any] = {
        "version": 1,
        "serial": calibration.serial,
        "date": calibration.date,
        "reference": calibration.reference,
        "reference_u_pct": float(calibration.reference_u_pct),
    }
    for which, held in calibration.inputs.items():
        ranges = {
            str(range_v): {"gain": float(one.gain), "offset_v": float(one.offset_v)}
            for range_v, one in held.ranges.items()
        }
        if held.full_band is not None:
            ranges["full_band"] = {"gain": float(held.full_band.gain), "offset_v": float(held.full_band.offset_v)}
        table[str(which)] = {"pole_scale": float(held.pole_scale), **ranges}
    return table


def _text(table: Mapping[str, Any]) -> str:
    """Return the file: repr() of a float, which reads back exactly, and JSON strings, which TOML shares."""

    def quoted(text: str) -> str:
        return json.dumps(text, ensure_ascii=False)

    lines = [
        "# Calibration of one meter: volts = gain * (indicated - offset_v), per range of the converter [V].",
        "# After a change by hand the checksum disagrees; the message at the next start says what to do.",
        f"version = {table['version']}",
        f"crc32 = {quoted(_crc32(table))}",
        f"serial = {quoted(table['serial'])}",
        f"date = {table['date'].isoformat()}",
        f"reference = {quoted(table['reference'])}",
        f"reference_u_pct = {table['reference_u_pct']!r}",
    ]
    for which in Input:
        held = table[which]
        lines += ["", f"[{which}]", f"pole_scale = {held['pole_scale']!r}"]
        for key in ("full_band", *map(str, RANGES_V)):
            if key in held:
                name = key if key == "full_band" else quoted(key)
                lines.append(f"{name} = {{ gain = {held[key]['gain']!r}, offset_v = {held[key]['offset_v']!r} }}")
    return "\n".join(lines) + "\n"
