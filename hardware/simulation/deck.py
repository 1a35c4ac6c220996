"""The analogue part of the netlist as an ngspice circuit: terminals driven, converters' pins observed."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from simulation.models import KINDS, Kind, values
from simulation.netlist import NetlistError, Part

TERMINALS = {"speaker": ("SPKP", "SPKN"), "line": ("LINP", "LINN")}
"""Nets of each input's pair of terminals, plus first."""
OUTPUTS = {
    "ads_speaker": ("bass_adc", 0, 1),
    "ads_line": ("bass_adc", 2, 3),
    "i2s_speaker": ("audio_adc", 0, None),
    "i2s_line": ("audio_adc", 1, None),
}
"""What is observed: the ports of a converter's model, a pair or one against ground."""

_MECHANICAL = {"J", "TP", "H", "MH", "FID", "NT"}
_RAIL = re.compile(r"(\d+)V(\d*)")


@dataclass(frozen=True, slots=True)
class Passive:
    """A resistor or capacitor between two nodes of the deck."""

    reference: str
    nodes: tuple[str, str]
    value: float


@dataclass(frozen=True, slots=True)
class Leg:
    """The resistors in series from a terminal to the tap of its divider."""

    terminal: str
    resistors: tuple[Passive, ...]
    tap: str


@dataclass(frozen=True, slots=True)
class Scenario:
    """What differs from the nominal circuit."""

    values: Mapping[str, float] = field(default_factory=dict)
    """Ohms or farads by reference, in place of the netlist's."""
    parameters: Mapping[str, float] = field(default_factory=dict)
    """Model parameters by "model.parameter", in place of those in models.py."""
    extra: Sequence[str] = ()
    """Further lines of the circuit."""


class FrontEnd:
    """The signal paths from the terminals to the converters, found by walking the netlist.

    The walk goes from net to net through resistors, capacitors, diodes and the signal pins of modelled parts, and ends
    at supplies. A part on the way that has no model is an error, so nothing is left out in silence.
    """

    def __init__(self, parts: Mapping[str, Part]) -> None:
        self._parts = parts
        self._kinds = {reference: kind for reference, part in parts.items() if (kind := _kind(part))}
        ports = {reference: self._port_nets(parts[reference], kind) for reference, kind in self._kinds.items()}
        grounds = {group[5] for reference, group in self._groups(ports, "isolator")}
        if len(grounds) != 1:
            raise NetlistError(
                f"the isolated amplifiers' low sides are on {sorted(grounds) or 'no net'}: one ground is wanted"
            )
        self._ground = grounds.pop()
        stops = {
            net
            for reference, kind in self._kinds.items()
            for names, nets in zip(kind.ports, ports[reference], strict=True)
            for name, net in zip(names, nets, strict=True)
            if name in kind.supplies
        }
        missing = [net for pair in TERMINALS.values() for net in pair if not self._on(net)]
        if missing:
            raise NetlistError(f"no part is on the terminals' nets {', '.join(missing)}")
        reached, nets = self._walk([net for pair in TERMINALS.values() for net in pair], stops, ports)
        self._nodes = self._name_nodes(nets)
        self.passives = [
            Passive(part.reference, (self.node(part.nets[0]), self.node(part.nets[1])), part.quantity())
            for part in (parts[reference] for reference in sorted(reached))
            if part.letter in {"R", "C"}
        ]
        self._devices = {reference: ports[reference] for reference in sorted(reached) if reference in self._kinds}
        self._rails = {net: _rail_v(net) for net in stops & nets if self._is_rail(net)}
        self._check_connections()

    @property
    def references(self) -> tuple[str, ...]:
        """Every part that is simulated."""
        return tuple(sorted([*(passive.reference for passive in self.passives), *self._devices]))

    def node(self, net: str) -> str:
        """Return the deck's name of a net."""
        try:
            return self._nodes[net]
        except KeyError:
            raise NetlistError(f"net {net} is not on a signal path from the terminals") from None

    def value(self, reference: str) -> float:
        """Return the nominal value of a resistor or capacitor."""
        for passive in self.passives:
            if passive.reference == reference:
                return passive.value
        raise NetlistError(f"{reference} is not on a signal path from the terminals")

    def output(self, name: str) -> str:
        """Return the expression that observes one of OUTPUTS [V]."""
        model, plus, minus = OUTPUTS[name]
        ((_, group),) = self._groups(self._devices, model)
        if minus is None:
            return f"v({self.node(group[plus])})"
        return f"v({self.node(group[plus])})-v({self.node(group[minus])})"

    def pins(self, name: str) -> list[str]:
        """Return the nodes of one of OUTPUTS."""
        model, *ports = OUTPUTS[name]
        ((_, group),) = self._groups(self._devices, model)
        return [self.node(group[port]) for port in ports if port is not None]

    def rail_v(self, reference: str) -> float:
        """Return the supply of a modelled part [V]."""
        kind = self._kinds[reference]
        for names, nets in zip(kind.ports, self._devices[reference], strict=True):
            for name, net in zip(names, nets, strict=True):
                if name in kind.supplies and net in self._rails:
                    return self._rails[net]
        raise NetlistError(f"{reference} has no supply that is named as 3V3A or 5VA")

    def by_model(self, model: str) -> list[str]:
        """Return the references of the parts with this model."""
        return sorted({reference for reference, _ in self._groups(self._devices, model)})

    def isolator(self, input: str) -> dict[str, str]:
        """Return the nodes of an input's isolated amplifier by port name."""
        taps = {leg.tap for leg in self.legs(input)}
        island = {node for passive in self.passives if taps & set(passive.nodes) for node in passive.nodes}
        for reference, group in self._groups(self._devices, "isolator"):
            nodes = [self.node(net) for net in group]
            if nodes[2] in island:
                return dict(zip(("inp", "inn", "hgnd", "outp", "outn", "gnd"), nodes, strict=True)) | {"ref": reference}
        raise NetlistError(f"no isolated amplifier on the {input} terminals")

    def legs(self, input: str) -> tuple[Leg, Leg]:
        """Return the series resistors behind each terminal of an input, plus side first."""
        plus, minus = TERMINALS[input]
        return self._leg(self.node(plus)), self._leg(self.node(minus))

    def between(self, one: str, other: str) -> Passive:
        """Return the one resistor between two nodes."""
        found = [p for p in self.passives if set(p.nodes) == {one, other} and p.reference[0] == "R"]
        if len(found) != 1:
            raise NetlistError(f"{len(found)} resistors between {one} and {other}, one is wanted")
        return found[0]

    def limiting(self) -> frozenset[str]:
        """Return the resistors between each tap and its isolator's input."""
        return frozenset(
            self.between(leg.tap, self.isolator(name)[pin]).reference
            for name in TERMINALS
            for leg, pin in zip(self.legs(name), ("inp", "inn"), strict=True)
        )

    def lines(self, scenario: Scenario, *, source: str, common: str = "dc 0") -> list[str]:
        """Return the circuit with both inputs driven by the same voltage, each terminal by half of it.

        source : the differential voltage, as ngspice writes an independent source ("dc 0 ac 1") or "V=..."
        common : what both terminals of both inputs do against ground, as an independent source
        """
        unknown = sorted(set(scenario.values) - {passive.reference for passive in self.passives})
        if unknown:
            raise NetlistError(f"values for {', '.join(unknown)}, which are on no signal path")
        text = []
        for model, lines in {self._kinds[each].model: self._kinds[each].lines for each in self._devices}.items():
            text += lines(values(model, scenario.parameters))
        text.append(f"Bdrive drive 0 {source}" if source.startswith("V=") else f"Vdrive drive 0 {source}")
        text.append(f"Vcommon common 0 {common}")
        for plus, minus in TERMINALS.values():
            text.append(f"E{plus} {self.node(plus)} common drive 0 0.5")
            text.append(f"E{minus} {self.node(minus)} common drive 0 -0.5")
        text += [f"Vrail{i} {self.node(net)} 0 {volts!r}" for i, (net, volts) in enumerate(sorted(self._rails.items()))]
        for passive in self.passives:
            value = scenario.values.get(passive.reference, passive.value)
            text.append(f"{passive.reference} {' '.join(passive.nodes)} {value!r}")
        for reference, groups in self._devices.items():
            for i, nets in enumerate(groups):
                text.append(f"X{reference}_{i} {' '.join(map(self.node, nets))} {self._kinds[reference].model}")
        return [*text, *scenario.extra]

    # -- finding the paths ---------------------------------------------------------------------------------------------

    def _on(self, net: str) -> list[Part]:
        return [part for part in self._parts.values() if net in part.nets]

    def _groups(self, ports: Mapping[str, list[list[str]]], model: str) -> list[tuple[str, list[str]]]:
        return [(ref, group) for ref, groups in ports.items() if self._kinds[ref].model == model for group in groups]

    def _port_nets(self, part: Part, kind: Kind) -> list[list[str]]:
        by_port = {pin.name: pin.net for pin in part.pins} | {f"#{pin.number}": pin.net for pin in part.pins}
        missing = [name for names in kind.ports for name in names if name not in by_port]
        if missing:
            raise NetlistError(
                f"{part.reference} ({part.value}) has no connected pin {', '.join(missing)}; it has "
                + ", ".join(f"{pin.number} {pin.name}" for pin in part.pins)
            )
        return [[by_port[name] for name in names] for names in kind.ports]

    def _walk(
        self, start: Iterable[str], stops: set[str], ports: Mapping[str, list[list[str]]]
    ) -> tuple[set[str], set[str]]:
        """Return the parts and the nets on the way."""
        reached: set[str] = set()
        nets: set[str] = set()
        waiting = list(start)
        while waiting:
            net = waiting.pop()
            if net in nets:
                continue
            nets.add(net)
            if net in stops:
                continue
            for part in self._on(net):
                if part.letter in {"R", "C"}:
                    reached.add(part.reference)
                    waiting += part.nets
                elif part.reference in ports:
                    # A pin that is no port, such as a fault line, carries no signal.
                    if any(net in group for group in ports[part.reference]):
                        reached.add(part.reference)
                        waiting += [each for group in ports[part.reference] for each in group]
                elif part.letter not in _MECHANICAL:
                    raise NetlistError(f"{part.reference} ({part.value}) is on net {net} and has no model")
        return reached, nets

    def _name_nodes(self, nets: set[str]) -> dict[str, str]:
        nodes = {self._ground: "0"}
        for net in sorted(nets - {self._ground}):
            name = "n_" + re.sub(r"[^a-z0-9]", "_", net.lower())
            while name in nodes.values():
                name += "x"
            nodes[net] = name
        return nodes

    def _is_rail(self, net: str) -> bool:
        return _RAIL.search(net) is not None

    def _leg(self, terminal: str) -> Leg:
        chain: list[Passive] = []
        at = terminal
        while len(on := [p for p in self.passives if at in p.nodes and p not in chain and p.reference[0] == "R"]) == 1:
            chain += on
            at = on[0].nodes[1] if on[0].nodes[0] == at else on[0].nodes[0]
        return Leg(terminal, tuple(chain), at)

    def _check_connections(self) -> None:
        """Raise NetlistError for a net with a single connection, or without any path for d.c. but capacitors."""
        held = {"0", *(self.node(net) for net in self._rails), *(self.node(n) for p in TERMINALS.values() for n in p)}
        touched = Counter(node for passive in self.passives for node in passive.nodes)
        direct = Counter(node for passive in self.passives if passive.reference[0] == "R" for node in passive.nodes)
        for groups in self._devices.values():
            ends = [self.node(net) for group in groups for net in group]
            touched.update(ends)
            direct.update(ends)
        names = {node: net for net, node in self._nodes.items()}
        open_nets = sorted(names[node] for node, count in touched.items() if count < 2 and node not in held)
        floating = sorted(names[node] for node in touched if not direct[node] and node not in held)
        if open_nets:
            raise NetlistError(f"nets with a single connection: {', '.join(open_nets)}")
        if floating:
            raise NetlistError(f"nets that only capacitors reach, without a path for d.c.: {', '.join(floating)}")


def _kind(part: Part) -> Kind | None:
    return next((kind for kind in KINDS if kind.letter == part.letter and kind.value.match(part.value)), None)


def _rail_v(net: str) -> float:
    found = _RAIL.search(net)
    if found is None:
        raise NetlistError(f"supply {net} is not named as 3V3A or 5VA")
    return float(f"{found[1]}.{found[2] or 0}")
