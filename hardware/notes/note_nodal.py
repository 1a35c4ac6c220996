"""The front end's parts as numbers, read from the netlist, and a nodal analysis of any piece of it.

Everything in the notes that depends on a part is worked out from here, so that no value is typed twice.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
NETLIST = HERE.parent / "circuit" / "netlist.csv"

_PREFIX = {"p": 1e-12, "n": 1e-9, "u": 1e-6, "µ": 1e-6, "m": 1e-3, "": 1.0, "R": 1.0, "k": 1e3, "M": 1e6}
_VALUE = re.compile(r"\s*(\d+(?:\.\d+)?)\s*([pnuµmRkM]?)(\d*)")

SHORT_OHM, OPEN_OHM = 1e-3, 1e13
"""What stands for a part that failed short or open."""


@dataclass(frozen=True, slots=True)
class Part:
    """A resistor (R...) or capacitor (C...) between two nodes.

    value : [ohm] or [F]
    """

    ref: str
    a: str
    b: str
    value: float

    def admittance(self, hz: float) -> complex:
        """Return the admittance at `hz` [S]."""
        return 1.0 / self.value if self.ref.startswith("R") else 2j * np.pi * hz * self.value


@dataclass(frozen=True, slots=True)
class Source:
    """A voltage of `volts` from `minus` to `plus`, or `gain` times what lies from `sense_n` to `sense_p`."""

    plus: str
    minus: str
    volts: complex = 0.0
    gain: float = 0.0
    sense_p: str = ""
    sense_n: str = ""


@dataclass(frozen=True, slots=True)
class OpAmp:
    """An ideal operational amplifier: it drives `out` so that `inp` and `inn` agree."""

    inp: str
    inn: str
    out: str


def value_of(text: str) -> float:
    """Return the number at the start of a value such as "249k 0.1% 25ppm" or "4k99" [ohm or F].

    Raises ValueError if there is none.
    """
    found = _VALUE.match(text)
    if found is None:
        raise ValueError(f"{text!r} does not begin with a value such as 3.65k or 560p; correct the netlist")
    return float(found[1] + ("." + found[3] if found[3] else "")) * _PREFIX[found[2]]


def load(path: Path = NETLIST) -> list[Part]:
    """Return every resistor and capacitor of the netlist: a file with one row for each pin.

    Raises ValueError for a part that has no value or not two pins on nets, naming all of them.
    """
    nets: dict[tuple[str, str], list[str]] = {}
    with path.open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            if re.fullmatch(r"[RC]\d+", row["reference"]):
                nets.setdefault((row["reference"], row["value"]), []).append(row["net"].rsplit("/", 1)[-1])
    faults = [f"{ref} is on {len(on)} nets; allowed is 2" for (ref, _), on in nets.items() if len(on) != 2]
    if faults:
        raise ValueError(f"{path}: {'; '.join(faults)}; export the netlist again")
    return [Part(ref, on[0], on[1], value_of(value)) for (ref, value), on in nets.items()]


def pads(path: Path = NETLIST) -> dict[str, list[str]]:
    """Return the pads of each net, as part and pin."""
    found: dict[str, list[str]] = {}
    with path.open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            found.setdefault(row["net"].rsplit("/", 1)[-1], []).append(f"{row['reference']}.{row['pin']}")
    return found


def solve(
    parts: Iterable[Part],
    sources: Iterable[Source],
    *,
    ground: str,
    op_amps: Iterable[OpAmp] = (),
    hz: float = 0.0,
) -> dict[str, complex]:
    """Return the voltage of every node against `ground` by modified nodal analysis [V].

    hz : frequency [Hz]; at 0 a capacitor is open
    The current out of source number i is under the name "I<i>" [A].
    """
    sources, op_amps = list(sources), list(op_amps)
    parts = [part for part in parts if hz or part.ref.startswith("R")]
    names = {node for part in parts for node in (part.a, part.b)}
    names |= {node for each in sources for node in (each.plus, each.minus, each.sense_p, each.sense_n) if node}
    names |= {node for each in op_amps for node in (each.inp, each.inn, each.out)}
    nodes = sorted(names - {ground})
    index = {node: place for place, node in enumerate(nodes)}
    extra = len(sources) + len(op_amps)
    matrix = np.zeros((len(nodes) + extra, len(nodes) + extra), dtype=complex)
    known = np.zeros(len(nodes) + extra, dtype=complex)

    def stamp(row: int, node: str, by: complex) -> None:
        if node and node != ground:
            matrix[row, index[node]] += by

    for part in parts:
        y = part.admittance(hz)
        for node, other in ((part.a, part.b), (part.b, part.a)):
            if node != ground:
                stamp(index[node], node, y)
                stamp(index[node], other, -y)
    for place, source in enumerate(sources):
        row = len(nodes) + place
        for node, sign in ((source.plus, 1.0), (source.minus, -1.0)):
            stamp(row, node, sign)
            if node != ground:
                matrix[index[node], row] -= sign
        stamp(row, source.sense_p, -source.gain)
        stamp(row, source.sense_n, source.gain)
        known[row] = source.volts
    for place, amp in enumerate(op_amps):
        row = len(nodes) + len(sources) + place
        stamp(row, amp.inp, 1.0)
        stamp(row, amp.inn, -1.0)
        matrix[index[amp.out], row] -= 1.0
    found = np.linalg.solve(matrix, known)
    volts = {node: complex(found[place]) for node, place in index.items()} | {ground: 0j}
    currents = {f"I{place}": complex(found[len(nodes) + place]) for place in range(len(sources))}
    return volts | currents


def failed(parts: Iterable[Part], ref: str, *, short: bool) -> list[Part]:
    """Return the parts with one of them shorted or open."""
    wanted = list(parts)
    if not any(part.ref == ref for part in wanted):
        raise KeyError(f"there is no part {ref} in this piece of the circuit")
    ohm = SHORT_OHM if short else OPEN_OHM
    return [Part(f"R_{ref}", p.a, p.b, ohm) if p.ref == ref else p for p in wanted]
