"""The circuit's exported netlist as parts: one row for each pin, checked as a whole."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

COLUMNS = ("reference", "value", "footprint", "pin", "pin_name", "net")
_SCALE = {"p": 1e-12, "n": 1e-9, "u": 1e-6, "µ": 1e-6, "m": 1e-3, "": 1.0, "R": 1.0, "k": 1e3, "K": 1e3, "M": 1e6}
# 3.65k, 100R, 22p, 10uF, and the letter in place of the point of IEC 60062 (4k99), which is from memory.
_QUANTITY = re.compile(r"\s*(\d+)(?:\.(\d+))?\s*([pnuµmRkKM]?)(\d*)(?:F|ohm|Ω)?(?=$|[\s,/(])")


class NetlistError(ValueError):
    """The netlist cannot be simulated; the message lists every fault found."""


@dataclass(frozen=True, slots=True)
class Pin:
    """One pin: its number and name on the symbol, and the net it is on."""

    number: str
    name: str
    net: str


@dataclass(slots=True)
class Part:
    """One part with all its pins that are on a net."""

    reference: str
    value: str
    pins: list[Pin] = field(default_factory=list)

    @property
    def letter(self) -> str:
        """Kind of the part: R, C, D, U, ..."""
        return re.sub(r"\d.*", "", self.reference)

    @property
    def nets(self) -> tuple[str, ...]:
        """Nets in the order of the pins' rows."""
        return tuple(pin.net for pin in self.pins)

    def quantity(self) -> float:
        """Return the nominal value in ohms or farads."""
        return quantity(self.value)


def quantity(text: str) -> float:
    """Return the number at the start of a value such as "3.65k 0.1%" in its base unit; ValueError if there is none."""
    found = _QUANTITY.match(text)
    if found is None or (found[2] and found[4]):
        raise ValueError(f'"{text}" does not begin with a value such as 3.65k, 4k99, 22p or 100R')
    number = float(f"{found[1]}.{found[2] or found[4] or 0}") * _SCALE[found[3]]
    if not 0.0 < number < math.inf:
        raise ValueError(f'"{text}" is not above zero')
    return number


def read(path: Path) -> dict[str, Part]:
    """Return the parts of a netlist file by reference; NetlistError with every fault in it."""
    try:
        with path.open(newline="", encoding="utf-8") as file:
            rows = list(csv.DictReader(file))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise NetlistError(f"{path}: {error}; export the netlist of the circuit again") from error
    return from_rows(rows, name=path.name)


def from_rows(rows: Iterable[dict[str, str]], *, name: str = "netlist") -> dict[str, Part]:
    """Return the parts of rows with the keys COLUMNS.

    name : how messages call the netlist
    """
    rows = list(rows)
    if not rows:
        raise NetlistError(f"{name}: no rows; one row for each pin is wanted, with the columns {', '.join(COLUMNS)}")
    missing = [column for column in COLUMNS if column not in rows[0]]
    if missing:
        raise NetlistError(f"{name}: no column {', '.join(missing)}; wanted are {', '.join(COLUMNS)}")
    parts: dict[str, Part] = {}
    faults: list[str] = []
    for line, row in enumerate(rows, start=2):
        reference, value, net = ((row[key] or "").strip() for key in ("reference", "value", "net"))
        if not (reference and net):
            faults.append(f"line {line}: a reference and a net are wanted")
            continue
        part = parts.setdefault(reference, Part(reference, value))
        if part.value != value:
            faults.append(f'line {line}: {reference} is "{value}" here and "{part.value}" above')
        if any(pin.number == row["pin"] for pin in part.pins):
            faults.append(f"line {line}: pin {row['pin']} of {reference} is listed twice")
            continue
        part.pins.append(Pin(row["pin"], (row["pin_name"] or "").strip(), net.rsplit("/", 1)[-1]))
    for part in parts.values():
        if part.letter in {"R", "C"}:
            if len(part.pins) != 2:
                faults.append(f"{part.reference} has {len(part.pins)} connected pins, a resistor or capacitor has 2")
            try:
                part.quantity()
            except ValueError as error:
                faults.append(f"{part.reference}: {error}")
    if faults:
        raise NetlistError(f"{name}: " + "; ".join(faults))
    return parts
