"""KiCad 9 files without KiCad: s-expressions, symbols with their pins, and sheets that are drawn with wires.

Coordinates are in units of 1.27 mm, KiCad's grid of connections, y downward. What is written depends on nothing but
what was drawn: even the identifiers are made from names.
"""

from __future__ import annotations

import re
import uuid
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import TypeAlias

UNIT_MM = 1.27
VERSION = "20250114"
"""Of the file format: KiCad 9.0."""

Node: TypeAlias = "str | list[Node]"
"""A token as it stands in the file, quotes and all, or a list of such."""
Point = tuple[int, int]
_TOKEN = re.compile(r'"(?:[^"\\]|\\.)*"|[()]|[^\s()"]+')


class DrawingError(Exception):
    """The drawing contradicts the list of parts, or itself."""


def quoted(text: str) -> str:
    """Return `text` as a quoted token."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
    return f'"{escaped}"'


def plain(token: Node) -> str:
    """Return what a token says, without its quotes."""
    if not isinstance(token, str):
        raise DrawingError(f"a word was expected where the file has the list {token[:2]}")
    if token.startswith('"'):
        return token[1:-1].replace("\\n", "\n").replace('\\"', '"').replace("\\\\", "\\")
    return token


def parse(text: str) -> list[Node]:
    """Return the one expression of a file."""
    stack: list[list[Node]] = [[]]
    for match in _TOKEN.finditer(text):
        token = match[0]
        if token == "(":
            stack.append([])
        elif token == ")":
            done = stack.pop()
            stack[-1].append(done)
        else:
            stack[-1].append(token)
    if len(stack) != 1 or len(stack[0]) != 1 or not isinstance(stack[0][0], list):
        raise DrawingError("one balanced expression was expected in the file")
    return stack[0][0]


def dump(node: Node, depth: int = 0) -> str:
    """Return an expression as text: short ones on a line, others with one branch a line."""
    tab = "\t" * depth
    if isinstance(node, str):
        return tab + node
    if not any(isinstance(part, list) for part in node):
        return f"{tab}({' '.join(map(str, node))})"
    flat = _flat(node)
    if len(flat) < 96:
        return tab + flat
    head = list(_leading(node))
    rest = node[len(head) :]
    lines = [f"{tab}({' '.join(head)}", *(dump(part, depth + 1) for part in rest), f"{tab})"]
    return "\n".join(lines)


def _flat(node: Node) -> str:
    return node if isinstance(node, str) else f"({' '.join(_flat(part) for part in node)})"


def _leading(node: Sequence[Node]) -> Iterator[str]:
    for part in node:
        if not isinstance(part, str):
            return
        yield part


def branches(node: Sequence[Node], name: str) -> list[list[Node]]:
    """Return the lists within `node` that begin with `name`."""
    return [part for part in node if isinstance(part, list) and part and part[0] == name]


def mm(units: float) -> str:
    """Return a coordinate as KiCad writes it."""
    return f"{round(units * UNIT_MM, 4):g}"


@dataclass(frozen=True, slots=True)
class Pin:
    """A pin of a symbol, at its end, in units, y upward as in libraries."""

    number: str
    name: str
    kind: str
    unit: int
    x: int
    y: int


@dataclass(frozen=True, slots=True)
class Symbol:
    """A symbol of the project's library."""

    name: str
    tree: list[Node]
    pins: tuple[Pin, ...]
    box: tuple[float, float, float, float]
    """Left, bottom, right and top of what is drawn, without pins [units], y upward."""


def load_library(path: Path) -> dict[str, Symbol]:
    """Read a .kicad_sym file whose symbols stand for themselves."""
    library = {}
    for tree in branches(parse(path.read_text(encoding="utf-8")), "symbol"):
        name = plain(tree[1])
        library[name] = Symbol(name, tree, tuple(_pins(tree)), _box(tree))
    return library


def _units(length: Node) -> float:
    return float(plain(length)) / UNIT_MM


def _pins(tree: list[Node]) -> Iterator[Pin]:
    for body in branches(tree, "symbol"):
        unit = int(plain(body[1]).rsplit("_", 2)[1])
        for pin in branches(body, "pin"):
            at = branches(pin, "at")[0]
            x, y = _units(at[1]), _units(at[2])
            if abs(x - round(x)) > 1e-6 or abs(y - round(y)) > 1e-6:
                raise DrawingError(f"{plain(tree[1])}: a pin is off the grid of {UNIT_MM} mm")
            number, label = (plain(branches(pin, key)[0][1]) for key in ("number", "name"))
            yield Pin(number, label, plain(pin[1]), unit, round(x), round(y))


def _box(tree: list[Node]) -> tuple[float, float, float, float]:
    xs, ys = [0.0], [0.0]
    for body in branches(tree, "symbol"):
        for shape in body:
            if not isinstance(shape, list) or shape[0] in ("pin", "text"):
                continue
            points = [p for key in ("start", "end", "mid") for p in branches(shape, key)]
            for pts in branches(shape, "pts"):
                points += branches(pts, "xy")
            xs += [_units(p[1]) for p in points]
            ys += [_units(p[2]) for p in points]
    return min(xs), min(ys), max(xs), max(ys)


def turned(x: float, y: float, angle: int, mirrored: bool) -> tuple[float, float]:
    """Return where a point of a symbol (y upward) comes to lie on the sheet (y downward), from the symbol's place."""
    if angle == 90:
        x, y = -y, x
    elif angle == 180:
        x, y = -x, -y
    elif angle == 270:
        x, y = y, -x
    return (-x if mirrored else x), -y


@dataclass(frozen=True, slots=True)
class Field:
    """A visible property of a placed symbol: where its text is anchored [units] and which side of it."""

    x: float
    y: float
    justify: str = ""


@dataclass(frozen=True, slots=True)
class Placed:
    """A symbol, or one unit of it, on the sheet."""

    ref: str
    symbol: Symbol
    unit: int
    x: int
    y: int
    angle: int
    mirrored: bool
    ref_at: Field | None
    value_at: Field | None
    value: str
    properties: Mapping[str, str]
    in_bom: bool = True
    on_board: bool = True
    fitted: bool = True

    def pins(self) -> Iterator[tuple[Pin, Point]]:
        """Yield this unit's pins and their places on the sheet."""
        for pin in self.symbol.pins:
            if pin.unit in (0, self.unit):
                dx, dy = turned(pin.x, pin.y, self.angle, self.mirrored)
                yield pin, (round(self.x + dx), round(self.y + dy))


@dataclass(frozen=True, slots=True)
class Text:
    """Words or a net's name on the sheet."""

    kind: str
    """text, label, hierarchical_label or no_connect."""
    words: str
    x: float
    y: float
    angle: int = 0
    size_mm: float = 1.27
    justify: str = "left bottom"
    shape: str = ""
    bold: bool = False
    colour: str = ""


@dataclass(frozen=True, slots=True)
class Frame:
    """A rectangle or a line that means nothing electrically."""

    kind: str
    x1: float
    y1: float
    x2: float
    y2: float
    dash: str = "dash"
    width_mm: float = 0.25
    colour: str = "0 0 0 0"
    fill: str = ""


@dataclass(frozen=True, slots=True)
class SheetBox:
    """A sheet within the root sheet: its box and the pins on its edges."""

    name: str
    file: str
    page: int
    x: int
    y: int
    width: int
    height: int
    pins: tuple[tuple[str, str, int, int, int], ...]
    """Name, shape, x, y, angle of the text."""


def identifier(*names: object) -> str:
    """Return the identifier that belongs to these names, always the same."""
    return str(uuid.uuid5(uuid.NAMESPACE_URL, "flattop/" + "/".join(map(str, names))))


def joined(wires: Iterable[tuple[Point, Point]], hot: Iterable[Point]) -> tuple[list[tuple[Point, Point]], list[Point]]:
    """Split wires wherever something ends on them; return the pieces and the points that need a dot."""
    wires = list(dict.fromkeys((min(wire), max(wire)) for wire in wires if wire[0] != wire[1]))
    ends = {point for wire in wires for point in wire} | set(hot)
    pieces: set[tuple[Point, Point]] = set()
    for (x1, y1), (x2, y2) in wires:
        if x1 != x2 and y1 != y2:
            raise DrawingError(f"the wire from {x1, y1} to {x2, y2} is neither level nor upright")
        on = sorted(p for p in ends if min(x1, x2) <= p[0] <= max(x1, x2) and min(y1, y2) <= p[1] <= max(y1, y2))
        pieces.update(pairwise(on))
    meeting: dict[Point, int] = defaultdict(int)
    for piece in pieces:
        for point in piece:
            meeting[point] += 1
    pins: dict[Point, int] = defaultdict(int)
    for point in set(hot):
        pins[point] = 1
    dots = sorted(point for point, count in meeting.items() if count + pins[point] >= 3)
    return sorted(pieces), dots


def _effects(size_mm: float, justify: str = "", *, hidden: bool = False, bold: bool = False, colour: str = "") -> Node:
    font: list[Node] = ["font", ["size", f"{size_mm:g}", f"{size_mm:g}"]]
    if bold:
        font.append(["bold", "yes"])
    if colour:
        font.append(["color", *colour.split()])
    effects: list[Node] = ["effects", font]
    if justify:
        effects.append(["justify", *justify.split()])
    if hidden:
        effects.append(["hide", "yes"])
    return effects


def _property(name: str, value: str, x: float, y: float, angle: int, effects: Node) -> Node:
    return ["property", quoted(name), quoted(value), ["at", mm(x), mm(y), str(angle)], effects]


def placed_node(placed: Placed, sheet: str, path: str) -> Node:
    """Return a placed symbol as KiCad writes it; `path` is that of its sheet."""
    key = (sheet, placed.ref, placed.unit, placed.x, placed.y)
    node: list[Node] = [
        "symbol",
        ["lib_id", quoted(f"flattop:{placed.symbol.name}")],
        ["at", mm(placed.x), mm(placed.y), str(placed.angle)],
    ]
    if placed.mirrored:
        node.append(["mirror", "y"])
    node += [
        ["unit", str(placed.unit)],
        ["exclude_from_sim", "no"],
        ["in_bom", "yes" if placed.in_bom else "no"],
        ["on_board", "yes" if placed.on_board else "no"],
        ["dnp", "no" if placed.fitted else "yes"],
        ["uuid", quoted(identifier(*key))],
    ]
    upright = 90 if placed.angle in (90, 270) else 0
    for name, text, where in (("Reference", placed.ref, placed.ref_at), ("Value", placed.value, placed.value_at)):
        spot = where or Field(placed.x, placed.y)
        effects = _effects(1.27, _seen(spot.justify, placed), hidden=where is None)
        node.append(_property(name, text, spot.x, spot.y, upright, effects))
    for name, text in placed.properties.items():
        node.append(_property(name, text, placed.x, placed.y, 0, _effects(1.27, hidden=True)))
    numbers = dict.fromkeys(pin.number for pin in placed.symbol.pins)
    node += [["pin", quoted(number), ["uuid", quoted(identifier(*key, number))]] for number in numbers]
    node.append(
        [
            "instances",
            [
                "project",
                quoted("flattop"),
                ["path", quoted(path), ["reference", quoted(placed.ref)], ["unit", str(placed.unit)]],
            ],
        ]
    )
    return node


def _seen(justify: str, placed: Placed) -> str:
    """Return what to write so that a property is seen on the side asked for: turned symbols turn it too."""
    if (placed.angle in (90, 180)) != placed.mirrored:
        return {"left": "right", "right": "left"}.get(justify, justify)
    return justify


def text_node(text: Text, sheet: str) -> Node:
    """Return words, a label or an open pin's cross as KiCad writes it."""
    unique: Node = ["uuid", quoted(identifier(sheet, text.kind, text.words, text.x, text.y))]
    if text.kind == "no_connect":
        return ["no_connect", ["at", mm(text.x), mm(text.y)], unique]
    node: list[Node] = [text.kind, quoted(text.words)]
    if text.shape:
        node.append(["shape", text.shape])
    if text.kind == "text":
        node.append(["exclude_from_sim", "no"])
    node += [
        ["at", mm(text.x), mm(text.y), str(text.angle)],
        _effects(text.size_mm, text.justify, bold=text.bold, colour=text.colour),
        unique,
    ]
    return node


def frame_node(frame: Frame, sheet: str) -> Node:
    """Return a rectangle or a line as KiCad writes it."""
    unique: Node = ["uuid", quoted(identifier(sheet, frame))]
    stroke: Node = [
        "stroke", ["width", f"{frame.width_mm:g}"], ["type", frame.dash], ["color", *frame.colour.split()]
    ]  # fmt: skip
    if frame.kind == "line":
        ends: list[Node] = [["xy", mm(frame.x1), mm(frame.y1)], ["xy", mm(frame.x2), mm(frame.y2)]]
        return ["polyline", ["pts", *ends], stroke, ["fill", ["type", "none"]], unique]
    fill: Node = (
        ["fill", ["type", "color"], ["color", *frame.fill.split()]] if frame.fill else ["fill", ["type", "none"]]
    )
    corners: list[Node] = [["start", mm(frame.x1), mm(frame.y1)], ["end", mm(frame.x2), mm(frame.y2)]]
    return ["rectangle", *corners, stroke, fill, unique]


def sheet_node(box: SheetBox, path: str) -> Node:
    """Return a sheet's box on the root sheet as KiCad writes it."""
    node: list[Node] = [
        "sheet",
        ["at", mm(box.x), mm(box.y)],
        ["size", mm(box.width), mm(box.height)],
        ["stroke", ["width", "0.2"], ["type", "solid"]],
        ["fill", ["color", "255", "255", "235", "1"]],
        ["uuid", quoted(identifier("sheet", box.file))],
        _property("Sheetname", box.name, box.x, box.y - 0.6, 0, _effects(1.8, "left bottom", bold=True)),
        _property("Sheetfile", box.file, box.x, box.y + box.height + 0.6, 0, _effects(1.0, "left top")),
    ]
    for name, shape, x, y, angle in box.pins:
        effects = _effects(1.27, "right" if angle == 0 else "left")
        unique: Node = ["uuid", quoted(identifier("sheet", box.file, name))]
        node.append(["pin", quoted(name), shape, ["at", mm(x), mm(y), str(angle)], effects, unique])
    node.append(["instances", ["project", quoted("flattop"), ["path", quoted(path), ["page", quoted(str(box.page))]]]])
    return node
