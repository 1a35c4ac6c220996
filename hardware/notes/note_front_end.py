"""The front end as the notes need it: its two inputs, what is assumed of their parts, and tables in Markdown."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from note_nodal import Part, Source, load, solve

from flattop.samples import Input

HERE = Path(__file__).parent
HARDWARE = HERE.parent

# What is assumed of parts that are no resistor or capacitor; tags as on the pages.
GAIN, COMMON_V = 2.0, 1.44
"""Isolated amplifier: differential gain, common mode of its outputs [V] (datasheet: V)."""
GAIN_PCT, OFFSET_V = 0.2, 0.3e-3
"""Its gain error and its offset at the input (datasheet: V)."""
COMMON_U_V = 0.05
"""How far its common mode may be off [V] (M)."""
RESISTOR_PCT = 0.1
LOAD_U = 0.0025
"""Share of the level that 20 % of the converter's input impedance is good for, on its narrowest range (C)."""
BARRIER_F, STRAY_F = 4.5e-12, 5e-12
"""From an island to the low side: through the isolator, and around it (both M)."""
PERSON_OHM = 2.0e3
"""The network that touch current is measured with, 1.5 kohm and 0.5 kohm (IEC 60990, M)."""
CLAMP_V = 3.3
"""From here on a protection diode conducts."""
FULL_SCALE_V = 1.0
"""Linear input of the isolated amplifier (datasheet: V)."""
VMID_V = 2.5
HAZARD_RMS_V = 30.0
SPEAKER_RMS_V, SPEAKER_PEAK_V = 180.0, 255.0
LINE_RMS_V = 14.0
LIMIT_MA = {"normal": 0.5, "single fault": 3.5, "single fault, d.c.": 15.0}
"""Touch current [mA], rms where it is not d.c., as in limits.csv."""
PROMISE_PCT = 0.5
PROMISE_V: Mapping[Input, float] = {Input.SPEAKER: 0.15, Input.LINE: 0.015}
"""What the meter is to keep once calibrated: of the reading, and beside it [V]."""


@dataclass(frozen=True, slots=True)
class Side:
    """One input of the circuit, by the names of its nets."""

    input: Input
    letter: str
    plus: str
    minus: str
    pins: tuple[str, str]
    legs: tuple[tuple[str, ...], tuple[str, ...]]

    @property
    def island(self) -> str:
        """Ground of the isolated side."""
        return f"HGND_{self.letter}"

    @property
    def isolator(self) -> tuple[str, str]:
        """Inputs of the isolated amplifier."""
        return f"INP_{self.letter}", f"INN_{self.letter}"


SPEAKER = Side(
    Input.SPEAKER,
    "S",
    "SPKP",
    "SPKN",
    ("AIN0", "AIN1"),
    (("R101", "R102", "R103", "R104"), ("R105", "R106", "R107", "R108")),
)
LINE = Side(Input.LINE, "L", "LINP", "LINN", ("AIN2", "AIN3"), (("R201", "R202"), ("R203", "R204")))
SIDES = (SPEAKER, LINE)


@cache
def netlist() -> tuple[Part, ...]:
    """Return the resistors and capacitors of the circuit."""
    return tuple(load())


def piece(node: str, border: Iterable[str] = ()) -> list[Part]:
    """Return the parts that hang together with a node, not going on beyond the nodes of `border`."""
    parts: list[Part] = []
    reached, border = {node}, set(border)
    left = list(netlist())
    while True:
        found = [part for part in left if {part.a, part.b} & (reached - border)]
        if not found:
            return parts
        parts += found
        left = [part for part in left if part not in found]
        reached |= {end for part in found for end in (part.a, part.b)}


def island(side: Side) -> list[Part]:
    """Return the isolated side of an input: legs, feet and the filter in front of the isolated amplifier."""
    return piece(side.plus)


def value(ref: str) -> float:
    """Return a part's value."""
    return next(part.value for part in netlist() if part.ref == ref)


def leg_ohm(side: Side) -> float:
    """Return the resistance of one leg: what lies between a terminal and the foot."""
    return sum(value(ref) for ref in side.legs[0])


def across(side: Side, parts: Iterable[Part], volts: float, *, hz: float = 0.0) -> dict[str, complex]:
    """Return the voltages of an island with `volts` between its terminals, against its own ground."""
    # The island floats: half of the level stands at each terminal, as far as the legs are equal.
    floating = [Source("FEED", side.minus, volts), Source(side.plus, "FEED", 0.0)]
    return solve(parts, floating, ground=side.island, hz=hz)


def resistance(side: Side) -> float:
    """Return the resistance between the terminals [ohm]."""
    return abs(1.0 / across(side, island(side), 1.0)["I0"])


def full_scale_v(side: Side) -> float:
    """Return the level between the terminals at the end of the isolated amplifier's linear range, peak [V]."""
    found = across(side, island(side), 1.0)
    return FULL_SCALE_V / abs(found[side.isolator[0]] - found[side.isolator[1]])


def rows_of(name: str) -> list[dict[str, str]]:
    """Return the rows of a table beside this file."""
    with (HERE / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def table(heads: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    """Return a table in Markdown."""
    lines = [list(heads), ["---"] * len(list(heads)), *[list(row) for row in rows]]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)
