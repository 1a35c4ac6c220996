"""From a TOML file to a checked document: every fault at once, each with its line, what is allowed and the remedy.

msgspec converts a document that has no fault; the walk exists because msgspec stops at the first fault and knows no
line numbers, while a tuner who edits a file wants to know all of them.
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
from typing import Any

from msgspec import Struct, inspect

from flattop.errors import FlattopError

MAX_FILE_BYTES = 65_536
"""A hand-written file is far smaller; anything larger was named by mistake."""

KeyPath = tuple[str | int, ...]
"""Way to a key: names of tables, and places in an array counted from 0."""


class Table(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One table of a TOML file: its fields are the keys allowed, with their ranges and meanings."""


@dataclass(frozen=True, slots=True)
class Document:
    """A parsed TOML file that still knows on which line each key stands."""

    table: dict[str, Any]
    lines: Mapping[KeyPath, int]
    """Path of a key or table -> line number, counted from 1."""

    def place(self, *path: str | int) -> str:
        """Return "line 7: " for a key, or for the nearest table around it; "" where neither is written."""
        while path and path not in self.lines:
            path = path[:-1]
        return f"line {self.lines[path]}: " if path else ""

    def at(self, *path: str | int) -> str:
        """Return where a key stands and what it is called: "line 7: amplifiers[2].name"."""
        return f"{self.place(*path)}{_dotted(*path)}"

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
    return parse_toml(raw, name=f"{what} {path}", error=error)


def parse_toml(raw: bytes, *, name: str, error: type[FlattopError]) -> Document:
    """Parse the content of a TOML file that messages call `name`.

    Raises `error` if it is too long, not UTF-8 or not TOML.
    """
    if len(raw) > MAX_FILE_BYTES:
        raise error(f"{name} is longer than {MAX_FILE_BYTES} bytes, the most allowed; check the path")
    try:
        # An editor on another system may have put a byte order mark in front, which TOML does not allow.
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        line = raw.count(b"\n", 0, fault.start) + 1
        raise error(f"{name} is not UTF-8 text (line {line}); save it as UTF-8") from None
    try:
        table = tomllib.loads(text)
    except (ValueError, RecursionError) as fault:  # ValueError also where a number has thousands of digits
        raise error(f"{name} is not TOML: {fault}; correct that place, or restore a copy") from None
    return Document(table, _line_numbers(text))


_KEY_PART = re.compile(r"""[A-Za-z0-9_-]+|"[^"]*"|'[^']*'""")
_DOTTED = rf"(?:{_KEY_PART.pattern})(?:\s*\.\s*(?:{_KEY_PART.pattern}))*"
_HEADER = re.compile(rf"\s*(\[\[?)\s*({_DOTTED})\s*\]")
_ASSIGNMENT = re.compile(rf"\s*({_DOTTED})\s*=")


def _line_numbers(text: str) -> dict[KeyPath, int]:
    """Map each key and table to its line; good for keys that stand at the start of a line, as people write them."""
    lines: dict[KeyPath, int] = {}
    counts: dict[KeyPath, int] = {}
    """Array of tables -> how many of its tables have begun."""
    header: KeyPath = ()
    for number, line in enumerate(text.split("\n"), start=1):
        if found := _HEADER.match(line):
            header = ()
            *around, last = _parts(found[2])
            for part in around:
                header += (part,)
                if header in counts:  # a table within an array belongs to the array's last one
                    header += (counts[header] - 1,)
            header += (last,)
            if found[1] == "[[":
                lines.setdefault(header, number)
                counts[header] = counts.get(header, 0) + 1
                header += (counts[header] - 1,)
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
    table: Mapping[str, Any], info: inspect.StructType, path: KeyPath, document: Document
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


def _value_faults(value: object, field: inspect.Field, path: KeyPath, document: Document) -> Iterator[str]:
    kind, meaning = _bare(field.type)
    if isinstance(kind, inspect.StructType) and isinstance(value, dict):
        yield from _table_faults(value, kind, path, document)
        return
    if isinstance(kind, inspect.VarTupleType) and isinstance(value, list) and _holds(kind, len(value)):
        items = _bare(kind.item_type)[0]
        for place, item in enumerate(value):
            here = (*path, place)
            if isinstance(items, inspect.StructType) and isinstance(item, dict):
                yield from _table_faults(item, items, here, document)
            elif not _fits(item, items):
                yield (f"{document.at(*here)} is {shown(item)}; allowed is {_allowed(items, here)}; correct it")
        return
    if not _fits(value, kind):
        meant = f" ({meaning})" if meaning else ""
        remedy = "correct it"
        if not field.required and not isinstance(kind, inspect.StructType | inspect.VarTupleType):
            remedy += f", or delete the line for the default, {shown(field.default)}"
        yield (f"{document.at(*path)}{meant} is {shown(value)}; allowed is {_allowed(kind, path)}; {remedy}")


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
        case inspect.EnumType():
            return isinstance(value, str) and value in {member.value for member in kind.cls}
        case inspect.StrType():
            if not isinstance(value, str) or not value.isprintable():
                return False
            return (kind.min_length or 0) <= len(value) <= (kind.max_length or sys.maxsize)
        case inspect.DateType():
            return isinstance(value, datetime.date) and not isinstance(value, datetime.datetime)
    return False


def _allowed(kind: inspect.Type, path: KeyPath) -> str:
    match kind:
        case inspect.FloatType() | inspect.IntType():
            low, high = _bounds(kind)
            return f"a {'whole ' if isinstance(kind, inspect.IntType) else ''}number from {low} to {high}"
        case inspect.LiteralType():
            return " or ".join(shown(value) for value in kind.values)
        case inspect.EnumType():
            return " or ".join(shown(member.value) for member in kind.cls)
        case inspect.StrType():
            return f'"text" on one line, {kind.min_length or 0} to {kind.max_length} characters'
        case inspect.DateType():
            return "a date such as 2026-05-04, without quotes"
        case inspect.VarTupleType():
            count = f"{kind.min_length or 0} to {kind.max_length}" if kind.max_length else "any number of"
            return f"{count} tables, each under its own line [[{_header(*path)}]]"
        case inspect.StructType() if path and isinstance(path[-1], int):
            return "a table"
    return f"a table [{_header(*path)}]"


def _holds(kind: inspect.VarTupleType, count: int) -> bool:
    """Return whether an array of this kind may hold so many."""
    return (kind.min_length or 0) <= count <= (sys.maxsize if kind.max_length is None else kind.max_length)


def _bounds(kind: inspect.FloatType | inspect.IntType) -> tuple[float, float]:
    """Return the lowest and highest value; finite, so that neither NaN nor an infinity lies between them."""
    low = -sys.float_info.max if kind.ge is None else kind.ge
    high = sys.float_info.max if kind.le is None else kind.le
    return low, high


def _dotted(*path: str | int) -> str:
    """Return a path as a message names it: `amplifiers[2].name` is a key of the second table of an array."""
    named = ""
    for part in path:
        if isinstance(part, int):
            named += f"[{part + 1}]"
        else:
            quoted = part if re.fullmatch(r"[A-Za-z0-9_-]+", part) else json.dumps(part, ensure_ascii=False)
            named += f".{quoted}" if named else quoted
    return named


def _header(*path: str | int) -> str:
    """Return a path as it stands in the header of its table, without the places in arrays."""
    return _dotted(*(part for part in path if isinstance(part, str)))


def shown(value: object) -> str:
    """Return a value of a TOML file as a person would find it there, cut where it is long."""
    match value:
        case dict():
            return "a table"
        case list():
            return "an array" if value else "an empty array"
        case bool():
            return str(value).lower()
        case int() if abs(value) >= 2**63:
            return "a whole number of more than 64 bits"
        case str():
            text = json.dumps(value, ensure_ascii=False)
            return text if len(text) <= 60 else f'{text[:56]}..."'
    return str(value)
