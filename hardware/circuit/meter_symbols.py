"""The project's symbol library: what of KiCad's own libraries is used, what was changed in it, and what was added.

    python meter_symbols.py [folder of KiCad's symbols]    writes flattop.kicad_sym

Run it only to add a symbol. KiCad's libraries are under CC-BY-SA 4.0 with an exception for designs that use them.
"""

from __future__ import annotations

import copy
import sys
from collections.abc import Sequence
from pathlib import Path

from kicad_files import VERSION, Node, branches, dump, parse, plain, quoted

HERE = Path(__file__).parent
KICAD_SYMBOLS = Path("/usr/share/kicad/symbols")

COPIED = {
    "R": "Device:R",
    "C": "Device:C",
    "L": "Device:L",
    "D": "Device:D",
    "D_TVS": "Device:D_TVS",
    "LED": "Device:LED",
    "LED_RGB_CA": "Device:LED_RAGB",
    "FerriteBead": "Device:FerriteBead",
    "Fuse": "Device:Fuse",
    "Polyfuse": "Device:Polyfuse",
    "Battery_Cell": "Device:Battery_Cell",
    "Thermistor_NTC": "Device:Thermistor_NTC",
    "Buzzer": "Device:Buzzer",
    "SW_Push": "Switch:SW_Push",
    "NMOS": "Transistor_FET:BSS138",
    "PMOS": "Transistor_FET:AO3401A",
    "NMOS_SON8": "Transistor_FET:CSD16327Q3",
    "AMC3330": "Isolator_Analog:AMC3330",
    "ADS1015": "Analog_ADC:ADS1015IDGS",
    "OpAmp_Dual": "Amplifier_Operational:TLV9062xD",
    "OpAmp_Single": "Amplifier_Operational:TLV9061xDBV",
    "Oscillator": "Oscillator:ASE-xxxMHz",
    "BQ297xy": "Battery_Management:BQ297xy",
    "TPS3808": "Power_Supervisor:TPS3808DBV",
    "TPS61230": "Regulator_Switching:TPS61230DRC",
    "TLV61046A": "Regulator_Switching:TLV61046ADB",
    "TPS22917": "Power_Management:TPS22917DBV",
    "LDO_TSOT5": "Regulator_Linear:ADP7142AUJZ-5.0",
    "DS3231M": "Timer_RTC:DS3231MZ",
    "USB_C_Power": "Connector:USB_C_Receptacle_PowerOnly_6P",
    "Socket_4mm": "Connector:Conn_01x01_Socket",
    "Socket_RCA": "Connector:Conn_Coaxial",
    "Jack_Mono": "Connector_Audio:AudioJack2",
    "Conn_01x02": "Connector_Generic:Conn_01x02",
    "Conn_01x04": "Connector_Generic:Conn_01x04",
    "Conn_01x09": "Connector_Generic:Conn_01x09",
    "GND": "power:GND",
    "HGND": "power:GNDREF",
    "RAIL": "power:VCC",
    "PWR_FLAG": "power:PWR_FLAG",
}

PIN_TYPES = {
    # Open drain in the datasheets, so that several may share a line.
    ("AMC3330", "14"): "open_collector",
    ("TPS3808", "1"): "open_collector",
    ("ADS1015", "2"): "open_collector",
    # Fed through a ferrite bead or an inductor, which KiCad's check does not look through.
    ("AMC3330", "3"): "passive",
    ("TLV61046A", "1"): "passive",
    # Tied to the output beside it, to discharge it.
    ("TPS22917", "5"): "passive",
    # The input with its own pull-up, held by a switch.
    ("TPS3808", "3"): "passive",
}
PIN_NUMBERS = {("Jack_Mono", "T"): "1", ("Jack_Mono", "S"): "2"}

Pins = Sequence[tuple[str, str, str] | None]
"""Number, name, type from top to bottom; None leaves a gap. Numbers joined by + lie on one another."""

OWN: dict[str, tuple[str, int, Pins, Pins, Pins, Pins]] = {
    # prefix, half width [1.27 mm], then the pins: left, right, top, bottom
    "PCM1808": (
        "U", 9,
        [("13", "VINL", "input"), None, None, ("14", "VINR", "input"), None, None, ("1", "VREF", "output")],
        [("6", "SCKI", "input"), None, ("8", "BCK", "output"), None, ("7", "LRCK", "output"), None,
         ("9", "DOUT", "output")],
        [("3", "VCC", "power_in"), None, None, ("4", "VDD", "power_in"), ("11", "MD1", "input"),
         ("10", "MD0", "input")],
        [("2", "AGND", "power_in"), None, ("5", "DGND", "power_in"), ("12", "FMT", "input")],
    ),
    "MAX17048": (
        "U", 8,
        [("2", "CELL", "input"), None, ("6", "QSTRT", "input"), ("1", "CTG", "passive")],
        [("5", "~{ALRT}", "open_collector"), None, ("8", "SDA", "bidirectional"), ("7", "SCL", "input")],
        [("3", "VDD", "power_in")],
        [("4+9", "GND", "power_in")],
    ),
    "BQ24074": (
        "U", 15,
        [("13", "IN", "power_in"), None, ("7", "~{PGOOD}", "open_collector"), None, ("6", "EN1", "input"),
         ("4", "~{CE}", "input"), None,
         ("8+17", "VSS", "power_in"), None],
        [("10+11", "OUT", "power_out"), ("5", "EN2", "input"), None, ("2+3", "BAT", "power_out"), None,
         ("1", "TS", "passive"), None, ("9", "~{CHG}", "open_collector"), None],
        [],
        [("16", "ISET", "passive"), None, None, None, ("12", "ILIM", "passive"), None, None, None,
         ("15", "ITERM", "passive"), None, None, None, ("14", "TMR", "passive")],
    ),
    "RaspberryPi_Header": (
        "J", 18,
        [("3", "GPIO2 SDA1", "bidirectional"), ("5", "GPIO3 SCL1", "bidirectional"), None,
         ("7", "GPIO4", "bidirectional"), None, ("12", "GPIO18 PCM_CLK", "bidirectional"),
         ("35", "GPIO19 PCM_FS", "bidirectional"), ("38", "GPIO20 PCM_DIN", "bidirectional"),
         ("40", "GPIO21 PCM_DOUT", "bidirectional"), None, ("8", "GPIO14", "bidirectional"),
         ("16", "GPIO23", "bidirectional"), None, ("10", "GPIO15", "bidirectional"),
         ("26", "GPIO7 CE1", "bidirectional"), None, ("27", "GPIO0 ID_SD", "bidirectional"),
         ("28", "GPIO1 ID_SC", "bidirectional")],
        [("24", "GPIO8 CE0", "bidirectional"), ("18", "GPIO24", "bidirectional"), ("22", "GPIO25", "bidirectional"),
         ("19", "GPIO10 MOSI", "bidirectional"), ("23", "GPIO11 SCLK", "bidirectional"),
         None, ("21", "GPIO9 MISO", "bidirectional"), ("32", "GPIO12 PWM0", "bidirectional"), None,
         ("29", "GPIO5", "bidirectional"), ("31", "GPIO6", "bidirectional"), ("36", "GPIO16", "bidirectional"),
         ("37", "GPIO26", "bidirectional"), None, ("11", "GPIO17", "bidirectional"),
         ("13", "GPIO27", "bidirectional"), ("15", "GPIO22", "bidirectional"),
         ("33", "GPIO13 PWM1", "bidirectional")],
        [("2+4", "5V", "power_in"), None, ("1+17", "3V3", "power_out")],
        [("6+9+14+20+25+30+34+39", "GND", "power_in")],
    ),
}  # fmt: skip


def _cable(ways: int) -> tuple[str, int, Pins, Pins, Pins, Pins]:
    """Return a plug of two rows, odd pins on the left and even ones on the right."""
    left, right = ([(str(pin), f"Pin_{pin}", "passive") for pin in range(first, ways + 1, 2)] for first in (1, 2))
    return "J", 7, left, right, [], []


OWN |= {"Cable_16": _cable(16), "Cable_24": _cable(24)}


def _flattened(library: list[Node], name: str) -> list[Node]:
    """Return a symbol that stands for itself, under the name it has."""
    found = {plain(tree[1]): tree for tree in branches(library, "symbol")}
    tree = found[name]
    parent = branches(tree, "extends")
    if not parent:
        return copy.deepcopy(tree)
    base = _flattened(library, plain(parent[0][1]))
    properties = {plain(prop[1]): prop for prop in branches(tree, "property")}
    return [properties.pop(plain(p[1]), p) if isinstance(p, list) and p[0] == "property" else p for p in base]


def _taken(new: str, tree: list[Node]) -> list[Node]:
    """Return the symbol under its new name, with the changes listed above and without what only searching needs."""
    old = plain(tree[1])
    taken: list[Node] = ["symbol", quoted(new)]
    for part in tree[2:]:
        if isinstance(part, list) and part[0] == "property":
            if plain(part[1]).startswith("ki_"):
                continue
            if plain(part[1]) in ("Footprint", "Datasheet"):
                part[2] = quoted("")
            if plain(part[1]) == "Value":
                part[2] = quoted(new)
        if isinstance(part, list) and part[0] == "symbol":
            tail = plain(part[1]).rsplit("_", 2)[1:]
            part[1] = quoted("_".join([new, *tail]))
            for pin in branches(part, "pin"):
                number = branches(pin, "number")[0]
                key = (new, plain(number[1]))
                pin[1] = PIN_TYPES.get(key, pin[1])
                number[1] = quoted(PIN_NUMBERS.get(key, plain(number[1])))
        taken.append(part)
    if old == "GND" or new in ("HGND", "RAIL"):
        taken = [part for part in taken if part != ["in_bom", "yes"]] + [["in_bom", "yes"]]
    return taken


def _pin(pin: tuple[str, str, str], x: float, y: float, angle: int) -> list[Node]:
    numbers, name, kind = pin
    nodes: list[Node] = []
    for i, number in enumerate(numbers.split("+")):
        node: list[Node] = ["pin", kind if i == 0 else "passive", "line", ["at", f"{x:g}", f"{y:g}", str(angle)]]
        node.append(["length", "2.54"])
        if i:
            node.append(["hide", "yes"])
        font: Node = ["effects", ["font", ["size", "1.27", "1.27"]]]
        nodes.append([*node, ["name", quoted(name), font], ["number", quoted(number), font]])
    return nodes


def _own(name: str) -> list[Node]:
    """Return a box with pins on its edges."""
    prefix, half, left, right, top, bottom = OWN[name]
    rows = max(len(left), len(right))
    width, height = half * 1.27, (rows + 1) // 2 * 2.54 + 2.54
    pins: list[Node] = []
    start = (rows // 2) * 2.54
    for row, pair in enumerate(zip([*left, *[None] * rows], [*right, *[None] * rows], strict=False)):
        for pin, x, angle in ((pair[0], -width - 2.54, 0), (pair[1], width + 2.54, 180)):
            if pin is not None and row < rows:
                pins += _pin(pin, x, start - row * 2.54, angle)
    for edge, y, angle in ((top, height + 2.54, 270), (bottom, -height - 2.54, 90)):
        for column, pin in enumerate(edge):
            if pin is not None:
                pins += _pin(pin, (column - len(edge) // 2) * 2.54, y, angle)

    def prop(key: str, text: str, y: float, *, hidden: bool = False) -> Node:
        effects: list[Node] = ["effects", ["font", ["size", "1.27", "1.27"]]]
        if hidden:
            effects.append(["hide", "yes"])
        return ["property", quoted(key), quoted(text), ["at", "0", f"{y:g}", "0"], effects]

    body: Node = [
        "rectangle", ["start", f"{-width:g}", f"{height:g}"], ["end", f"{width:g}", f"{-height:g}"],
        ["stroke", ["width", "0.254"], ["type", "default"]], ["fill", ["type", "background"]],
    ]  # fmt: skip
    return [
        "symbol", quoted(name), ["exclude_from_sim", "no"], ["in_bom", "yes"], ["on_board", "yes"],
        prop("Reference", prefix, height + 6.0), prop("Value", name, height + 4.0),
        prop("Footprint", "", 0, hidden=True), prop("Datasheet", "", 0, hidden=True),
        prop("Description", "", 0, hidden=True),
        ["symbol", quoted(f"{name}_0_1"), body], ["symbol", quoted(f"{name}_1_1"), *pins],
        ["embedded_fonts", "no"],
    ]  # fmt: skip


def library(folder: Path) -> str:
    """Return the text of the project's library."""
    trees: list[Node] = []
    for new, source in COPIED.items():
        file, name = source.split(":")
        trees.append(_taken(new, _flattened(parse((folder / f"{file}.kicad_sym").read_text(encoding="utf-8")), name)))
    trees += [_own(name) for name in OWN]
    head: list[Node] = [["version", "20241209"], ["generator", quoted("flattop")], ["generator_version", quoted("9.0")]]
    return dump(["kicad_symbol_lib", *head, *trees]) + "\n"


if __name__ == "__main__":
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else KICAD_SYMBOLS
    (HERE / "flattop.kicad_sym").write_text(library(folder), encoding="utf-8")
    print(f"flattop.kicad_sym: {len(COPIED)} symbols from {folder}, {len(OWN)} own; format of schematics {VERSION}")
