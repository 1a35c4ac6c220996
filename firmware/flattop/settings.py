"""One TOML file becomes frozen, typed settings; every fault in it is reported at once.

The walk that finds the faults (`read_toml`, `faults_in`) serves every TOML file of the meter. It exists because
msgspec stops at the first fault and knows no line numbers, while a tuner who edits a file wants to know all of them.
"""

from __future__ import annotations

import datetime
import difflib
import json
import re
import sys
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta, Struct, inspect

from flattop.errors import FlattopError, SettingsError, listed

MAX_FILE_BYTES = 65_536
"""A hand-written file is far smaller; anything larger was named by mistake."""


class Table(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One table of a TOML file: its fields are the keys allowed, with their ranges and meanings."""


class Meter(Table, frozen=True, kw_only=True):
    """The meter as a whole."""

    input: Annotated[Literal["speaker", "line"], Meta(description="input that is measured at start")] = "speaker"
    serial: Annotated[str, Meta(max_length=40, description="serial number of this meter")] = ""
    update_s: Annotated[float, Meta(ge=0.05, le=1.0, description="time from one reading to the next [s]")] = 0.1
    window_s: Annotated[float, Meta(ge=0.1, le=2.0, description="time that one reading looks at [s]")] = 0.25


class Ads1015(Table, frozen=True, kw_only=True):
    """The bass converter and where it is wired."""

    address: Annotated[int, Meta(ge=0x48, le=0x4B, description="I2C address, 0x48 to 0x4b by the ADDR pin")] = 0x48
    alert_gpio: Annotated[Literal[4, -1], Meta(description="GPIO that ALERT/RDY is wired to, -1 for none")] = 4
    rate: Annotated[Literal[3300, 2400, 1600], Meta(description="nominal conversions a second")] = 3300


class Screen(Table, frozen=True, kw_only=True):
    """The panel and how it is built in."""

    controller: Annotated[
        Literal["st7789", "ili9341"], Meta(description="controller of the panel, printed on the module")
    ] = "st7789"
    rotation: Annotated[Literal[0, 180], Meta(description="turn of the picture by how the module is built in")] = 0
    baud_hz: Annotated[
        int, Meta(ge=0, le=62_500_000, description="clock of its bus [Hz], 0 for the fastest of its datasheet")
    ] = 0
    colours: Annotated[
        Literal["usual", "rgb", "bgr"], Meta(description="order of its colours, where red and blue are exchanged")
    ] = "usual"
    inverted: Annotated[
        Literal["usual", "yes", "no"], Meta(description="inversion, where the picture looks like a negative")
    ] = "usual"


class Verdict(Table, frozen=True, kw_only=True):
    """Limits of the verdict on the shape of a tone."""

    flat_db: Annotated[float, Meta(ge=0.1, le=3.0, description="overdrive from which tops are flat [dB]")] = 0.25
    soft_db: Annotated[float, Meta(ge=0.02, le=1.0, description="overdrive from which tops are soft [dB]")] = 0.08
    flat_thd_pct: Annotated[float, Meta(ge=0.1, le=10.0, description="THD_F from which tops are flat [%]")] = 1.0
    hysteresis: Annotated[float, Meta(ge=0.0, le=0.5, description="way back below a limit, as a share of it")] = 0.1
    latch_s: Annotated[float, Meta(ge=0.0, le=10.0, description="time that a flat verdict stays shown [s]")] = 1.0
    hold_s: Annotated[
        float, Meta(ge=0.0, le=10.0, description="time that third-harmonic-only evidence must stand [s]")
    ] = 1.0
    dc_alarm_v: Annotated[float, Meta(ge=0.05, le=10.0, description="d.c. from which the meter warns [V]")] = 0.5


class Files(Table, frozen=True, kw_only=True):
    """Where files are; a relative path counts from the folder of the settings file."""

    calibration: Annotated[str, Meta(max_length=1024, description="path of the calibration file, empty for none")] = ""
    folder: Annotated[str, Meta(max_length=1024, description="folder that sessions are written to, empty for none")] = (
        ""
    )


class Settings(Table, frozen=True, kw_only=True):
    """Everything that can be set, with the defaults of a meter as built."""

    meter: Meter = Meter()
    ads1015: Ads1015 = Ads1015()
    screen: Screen = Screen()
    verdict: Verdict = Verdict()
    files: Files = Files()


def load(path: Path | None) -> Settings:
    """Read the settings file at `path`; None gives the defaults.

    Raises SettingsError with every fault, one a line.
    """
    if path is None:
        return Settings()
    document = read_toml(path, what="settings file", error=SettingsError)
    faults = [*faults_in(document, Settings), *_disagreements(document)]
    if faults:
        raise SettingsError(listed(f"settings file {path} cannot be used:", faults))
    settings = msgspec.convert(document.table, Settings)
    return msgspec.structs.replace(
        settings,
        files=Files(
            calibration=_located(settings.files.calibration, path.parent),
            folder=_located(settings.files.folder, path.parent),
        ),
    )


def _located(name: str, folder: Path) -> str:
    return str(folder / name) if name else ""


def _disagreements(document: Document) -> Iterator[str]:
    """Yield the faults of values that are fine each by itself but not together."""
    soft_db, flat_db = document.number("verdict", "soft_db", 0.08), document.number("verdict", "flat_db", 0.25)
    if soft_db >= flat_db:
        yield (
            f"{document.place('verdict', 'soft_db')}verdict.soft_db is {soft_db}; allowed is less than "
            f"verdict.flat_db, which is {flat_db}: tops go soft before they go flat; lower the one or raise the other"
        )
    update_s, window_s = document.number("meter", "update_s", 0.1), document.number("meter", "window_s", 0.25)
    if update_s > window_s:
        yield (
            f"{document.place('meter', 'update_s')}meter.update_s is {update_s}; allowed is at most "
            f"meter.window_s, which is {window_s}: what comes between two windows would never be looked at; "
            "lower the one or raise the other"
        )


# --- the walk, for every TOML file ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Document:
    """A parsed TOML file that still knows on which line each key stands."""

    table: dict[str, Any]
    lines: Mapping[tuple[str, ...], int]
    """Path of a key or table -> line number, counted from 1."""

    def place(self, *path: str) -> str:
        """Return "line 7: " for a key, or for the nearest table around it; "" where neither is written."""
        while path and path not in self.lines:
            path = path[:-1]
        return f"line {self.lines[path]}: " if path else ""

    def number(self, table: str, key: str, default: float) -> float:
        """Return a number of a table of the first level, `default` if missing, NaN if it cannot be compared."""
        held = self.table.get(table, {})
        value = held.get(key, default) if isinstance(held, dict) else default
        comparable = isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 2**63
        return value if comparable else float("nan")


def read_toml(path: Path, *, what: str, error: type[FlattopError]) -> Document:
    """Read and parse the TOML file at `path`.

    Raises `error` if it is missing, unreadable, too long, not UTF-8 or not TOML; `what` names the file in the message.
    """
    try:
        with path.open("rb") as file:
            raw = file.read(MAX_FILE_BYTES + 1)
    except FileNotFoundError:
        raise error(f"{what} {path} does not exist; check the path, or create the file") from None
    except OSError as fault:
        reason = fault.strerror or fault
        raise error(f"{what} {path} cannot be read ({reason}); check that it is a file and who may read it") from fault
    if len(raw) > MAX_FILE_BYTES:
        raise error(f"{what} {path} is longer than {MAX_FILE_BYTES} bytes, the most allowed; check the path")
    try:
        # An editor on another system may have put a byte order mark in front, which TOML does not allow.
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        line = raw.count(b"\n", 0, fault.start) + 1
        raise error(f"{what} {path} is not UTF-8 text (line {line}); save it as UTF-8") from None
    try:
        table = tomllib.loads(text)
    except (ValueError, RecursionError) as fault:  # ValueError also where a number has thousands of digits
        raise error(f"{what} {path} is not TOML: {fault}; correct that place, or restore a copy") from None
    return Document(table, _line_numbers(text))


_KEY_PART = re.compile(r"""[A-Za-z0-9_-]+|"[^"]*"|'[^']*'""")
_DOTTED = rf"(?:{_KEY_PART.pattern})(?:\s*\.\s*(?:{_KEY_PART.pattern}))*"
_HEADER = re.compile(rf"\s*\[\[?\s*({_DOTTED})\s*\]")
_ASSIGNMENT = re.compile(rf"\s*({_DOTTED})\s*=")


def _line_numbers(text: str) -> dict[tuple[str, ...], int]:
    """Map each key and table to its line; good for keys that stand at the start of a line, as people write them."""
    lines: dict[tuple[str, ...], int] = {}
    header: tuple[str, ...] = ()
    for number, line in enumerate(text.split("\n"), start=1):
        if found := _HEADER.match(line):
            header = _parts(found[1])
            lines.setdefault(header, number)
        elif found := _ASSIGNMENT.match(line):
            lines.setdefault(header + _parts(found[1]), number)
    return lines


def _parts(dotted: str) -> tuple[str, ...]:
    return tuple(part.strip("\"'") for part in _KEY_PART.findall(dotted))


def faults_in(document: Document, kind: type[Table]) -> list[str]:
    """Return everything in which `document` differs from `kind`, one message each; empty if it fits."""
    info = inspect.type_info(kind)
    if not isinstance(info, inspect.StructType):
        raise TypeError(f"{kind} is no msgspec Struct")
    return list(_table_faults(document.table, info, (), document))


def _table_faults(
    table: Mapping[str, Any], info: inspect.StructType, path: tuple[str, ...], document: Document
) -> Iterator[str]:
    fields = {field.encode_name: field for field in info.fields}
    for key in [key for key in table if key not in fields]:
        place = document.place(*path, key)
        near = difflib.get_close_matches(key, fields, n=1)
        hint = f"did you mean {near[0]}?" if near else f"allowed here: {', '.join(fields)}; delete it or move it"
        yield f"{place}{_dotted(*path, key)} is not known; {hint}"
    for key, field in fields.items():
        here = (*path, key)
        if key in table:
            yield from _value_faults(table[key], field, here, document)
        elif field.required:
            kind, _ = _bare(field.type)
            yield f"{document.place(*path)}{_dotted(*here)} is missing; needed is {_allowed(kind, here)}; add it"


def _value_faults(value: object, field: inspect.Field, path: tuple[str, ...], document: Document) -> Iterator[str]:
    kind, meaning = _bare(field.type)
    if isinstance(kind, inspect.StructType) and isinstance(value, dict):
        yield from _table_faults(value, kind, path, document)
    elif not _fits(value, kind):
        meant = f" ({meaning})" if meaning else ""
        remedy = "correct it"
        if not field.required and not isinstance(kind, inspect.StructType):
            remedy += f", or delete the line for the default, {shown(field.default)}"
        yield (
            f"{document.place(*path)}{_dotted(*path)}{meant} is {shown(value)}; "
            f"allowed is {_allowed(kind, path)}; {remedy}"
        )


def _bare(kind: inspect.Type) -> tuple[inspect.Type, str]:
    """Split a field's type into the type alone and its description."""
    if isinstance(kind, inspect.Metadata):
        return kind.type, (kind.extra_json_schema or {}).get("description", "")
    return kind, ""


def _fits(value: object, kind: inspect.Type) -> bool:
    match kind:
        case inspect.FloatType() | inspect.IntType():
            types = int if isinstance(kind, inspect.IntType) else int | float
            if isinstance(value, bool) or not isinstance(value, types):
                return False
            low, high = _bounds(kind)
            return low <= value <= high
        case inspect.LiteralType():
            return any(type(value) is type(allowed) and value == allowed for allowed in kind.values)
        case inspect.StrType():
            if not isinstance(value, str) or not value.isprintable():
                return False
            return (kind.min_length or 0) <= len(value) <= (kind.max_length or sys.maxsize)
        case inspect.DateType():
            return isinstance(value, datetime.date) and not isinstance(value, datetime.datetime)
    return False


def _allowed(kind: inspect.Type, path: tuple[str, ...]) -> str:
    match kind:
        case inspect.FloatType() | inspect.IntType():
            low, high = _bounds(kind)
            return f"a {'whole ' if isinstance(kind, inspect.IntType) else ''}number from {low} to {high}"
        case inspect.LiteralType():
            return " or ".join(shown(value) for value in kind.values)
        case inspect.StrType():
            return f'"text" on one line, {kind.min_length or 0} to {kind.max_length} characters'
        case inspect.DateType():
            return "a date such as 2026-05-04, without quotes"
    return f"a table [{_dotted(*path)}]"


def _bounds(kind: inspect.FloatType | inspect.IntType) -> tuple[float, float]:
    """Return the lowest and highest value; finite, so that neither NaN nor an infinity lies between them."""
    low = -sys.float_info.max if kind.ge is None else kind.ge
    high = sys.float_info.max if kind.le is None else kind.le
    return low, high


def _dotted(*path: str) -> str:
    return ".".join(part if re.fullmatch(r"[A-Za-z0-9_-]+", part) else json.dumps(part) for part in path)


def shown(value: object) -> str:
    """Return a value of a TOML file as a person would find it there, cut where it is long."""
    match value:
        case dict():
            return "a table"
        case list():
            return "an array"
        case bool():
            return str(value).lower()
        case int() if abs(value) >= 2**63:
            return "a whole number of more than 64 bits"
        case str():
            text = json.dumps(value, ensure_ascii=False)
            return text if len(text) <= 60 else f'{text[:56]}..."'
    return str(value)
