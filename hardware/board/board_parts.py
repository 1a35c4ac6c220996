"""The parts of the circuit as a table of pins, and which side of the insulation each net is on."""

from __future__ import annotations

import csv
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path


class Side(StrEnum):
    """A part of the board that is insulated from the others. The values are the board's net classes."""

    SPEAKER_P = "SPEAKER_LEG_P"
    SPEAKER_N = "SPEAKER_LEG_N"
    SPEAKER = "SPEAKER_ISLAND"
    LINE_P = "LINE_LEG_P"
    LINE_N = "LINE_LEG_N"
    LINE = "LINE_ISLAND"
    LOW = "LOW_SIDE"

    @property
    def island(self) -> Side:
        """The island a leg belongs to; everything else is its own."""
        return _ISLAND_OF_LEG.get(self, self)

    @property
    def is_leg(self) -> bool:
        """Whether this is the high-voltage end of a divider, from the socket to the last but one node."""
        return self in _ISLAND_OF_LEG


_ISLAND_OF_LEG = {
    Side.SPEAKER_P: Side.SPEAKER,
    Side.SPEAKER_N: Side.SPEAKER,
    Side.LINE_P: Side.LINE,
    Side.LINE_N: Side.LINE,
}
# The terminals, where the legs begin, and a net of the low side.
TERMINALS = {"SPKP": Side.SPEAKER_P, "SPKN": Side.SPEAKER_N, "LINP": Side.LINE_P, "LINN": Side.LINE_N}
GROUND = "GND"
# Isolators by the beginning of their value. Pins 1 to 8 are the input's side, 9 to 16 the low side [datasheet].
ISOLATORS = ("AMC3330",)
ISOLATOR_INPUT_PINS = frozenset(str(number) for number in range(1, 9))


class CircuitError(Exception):
    """The netlist cannot become this board; the message says where and what to do."""


@dataclass(frozen=True)
class Part:
    """One part: its footprint as "library:name", and the net of each pin ("" where there is none)."""

    reference: str
    value: str
    footprint: str
    nets: Mapping[str, str] = field(default_factory=dict)

    @property
    def is_isolator(self) -> bool:
        """Whether the insulation goes through this part."""
        return self.value.startswith(ISOLATORS)


def plain(net: str) -> str:
    """Return a net's name without the sheet path a schematic editor puts before it."""
    return net.rsplit("/", 1)[-1]


def read_parts(path: Path) -> dict[str, Part]:
    """Return the parts of a netlist table by reference.

    The table has the columns reference, value, footprint, pin, pin_name and net, and one row for each pin. Raises
    `CircuitError` on a missing column, a part that changes from row to row, or a pin that is there twice.
    """
    parts: dict[str, Part] = {}
    with path.open(newline="", encoding="utf-8") as file:
        rows = csv.DictReader(file)
        missing = {"reference", "value", "footprint", "pin", "net"} - set(rows.fieldnames or ())
        if missing:
            raise CircuitError(f"{path.name}: no column {', '.join(sorted(missing))}; export the netlist again")
        for row in rows:
            reference, pin = row["reference"], row["pin"]
            part = parts.setdefault(reference, Part(reference, row["value"], row["footprint"], {}))
            if (part.value, part.footprint) != (row["value"], row["footprint"]):
                raise CircuitError(f"{path.name}: {reference} has two values or footprints; give all rows the same")
            if pin in part.nets and part.nets[pin] != row["net"]:
                raise CircuitError(f"{path.name}: pin {pin} of {reference} is on two nets; export the netlist again")
            part.nets[pin] = row["net"]  # type: ignore[index]
    return parts


def sides(parts: Iterable[Part]) -> dict[str, Side]:
    """Return the side of every net, found by following the parts; no name decides but those of `TERMINALS`.

    A part joins all its nets into one side, an isolator those of each of its two rows. What hangs together with a
    terminal is that terminal's island. A leg goes from the terminal along the series resistors as long as nothing
    else hangs on a node. Raises `CircuitError` if a part bridges the insulation.
    """
    parts = list(parts)
    joined = _Joined()
    on_net: dict[str, list[Part]] = defaultdict(list)
    for part in parts:
        for row in _rows(part):
            joined.join(row)
        for net in set(part.nets.values()) - {""}:
            on_net[net].append(part)

    found: dict[str, Side] = {}
    roots: dict[str, Side] = {}
    for name, leg in [*TERMINALS.items(), (GROUND, Side.LOW)]:
        found_nets = [net for net in on_net if plain(net) == name]
        if not found_nets:
            raise CircuitError(f"the netlist has no net {name}, and the sides of the insulation are found from it")
        net = found_nets[0]
        known = roots.setdefault(joined.root(net), leg.island)
        if known is not leg.island:
            raise CircuitError(f"{known} and {leg.island} are joined by a part that is no isolator; see net {name}")
        found |= dict.fromkeys(_leg(net, on_net), leg) if leg.is_leg else {}
    return {net: found.get(net, roots.get(joined.root(net), Side.LOW)) for net in sorted(on_net)}


def side_of_pin(part: Part, pin: str, net_sides: Mapping[str, Side]) -> Side:
    """Return the side of a pin; one without a net belongs to the others of its row."""
    net = part.nets.get(pin, "")
    if net in net_sides:
        return net_sides[net]
    row = next((row for row, pins in _pin_rows(part) if pin in pins), [])
    return next((net_sides[net].island for net in row if net in net_sides), Side.LOW)


def _pin_rows(part: Part) -> list[tuple[list[str], set[str]]]:
    if not part.is_isolator:
        return [([net for net in part.nets.values() if net], set(part.nets))]
    pins = set(part.nets)
    return [
        ([part.nets[pin] for pin in sorted(row) if part.nets[pin]], row)
        for row in (pins & ISOLATOR_INPUT_PINS, pins - ISOLATOR_INPUT_PINS)
    ]


def _rows(part: Part) -> list[list[str]]:
    return [nets for nets, _ in _pin_rows(part)]


def _leg(terminal: str, on_net: Mapping[str, list[Part]]) -> list[str]:
    leg, net, came_from = [terminal], terminal, ""
    while True:
        resistors = [p for p in on_net[net] if p.reference.startswith("R") and p.reference != came_from]
        if len(resistors) != 1:
            return leg
        (step,) = resistors
        after = next(other for other in step.nets.values() if other != net)
        if len(on_net[after]) != 2:
            return leg
        leg.append(after)
        net, came_from = after, step.reference


class _Joined:
    """Which nets hang together."""

    def __init__(self) -> None:
        self._parent: dict[str, str] = {}

    def root(self, net: str) -> str:
        parent = self._parent.setdefault(net, net)
        while parent != self._parent[parent]:
            parent = self._parent[parent]
        return parent

    def join(self, nets: list[str]) -> None:
        for net in nets:
            self._parent[self.root(net)] = self.root(nets[0])
