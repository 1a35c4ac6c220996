"""One sheet being drawn: parts, wires and words, checked against the list of parts.

A point is "R101.2" for a pin, "U3B.7" for a pin of a unit, or (x, y) in units of 1.27 mm.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cache
from itertools import pairwise
from pathlib import Path

from kicad_files import (
    UNIT_MM,
    VERSION,
    DrawingError,
    Field,
    Frame,
    Node,
    Placed,
    Point,
    SheetBox,
    Symbol,
    Text,
    dump,
    frame_node,
    identifier,
    joined,
    load_library,
    mm,
    placed_node,
    quoted,
    sheet_node,
    text_node,
    turned,
)
from part_kinds import Part

HERE = Path(__file__).parent
RED, GREY = "180 0 0 1", "90 90 90 1"
ROOT = identifier("sheet", "flattop.kicad_sch")
RAILS = ("5V", "3V3", "5VA", "3V3A", "3V3D", "5V_AFE", "5V6", "VSYS", "VCELL")
"""Nets drawn with a supply symbol, and so known on every sheet by their name."""
GROUNDS = {"GND": "GND", "HGND_S": "HGND", "HGND_L": "HGND"}
Where = str | tuple[int, int]
Box = tuple[float, float, float, float]
_PAGE = {"A3": (330.7, 233.9), "A4": (233.9, 165.4)}
_FRAME = 9.4
"""Width and height of a page, and of the margin up to the inner line of its frame, in units."""
_WIDTH, _LINE = 0.86, 1.6
"""Mean width of a character and distance of lines in KiCad's font, over its height."""


@cache
def library() -> Mapping[str, Symbol]:
    """Return the symbols of the project's library."""
    return load_library(HERE / "flattop.kicad_sym")


class Drawing:
    """A sheet: `part`, `wire`, `name` and their kin put things on it; `check` and `text` finish it."""

    def __init__(self, file: str, title: str, parts: Sequence[Part], library: Mapping[str, Symbol], paper: str) -> None:
        self.file, self.title, self.paper = file, title, paper
        self.uuid = identifier("sheet", file)
        self._parts = {part.ref: part for part in parts}
        self._library = library
        self._placed: list[Placed] = []
        self._at: dict[str, Point] = {}
        self._net_of: dict[str, str] = {}
        self._wires: list[tuple[Point, Point]] = []
        self._texts: list[Text] = []
        self._frames: list[Frame] = []
        self._boxes: list[SheetBox] = []
        self._names: list[tuple[Point, str]] = []
        self._count = 0

    @property
    def path(self) -> str:
        """The sheet's place in the tree of sheets."""
        return f"/{ROOT}" if self.uuid == ROOT else f"/{ROOT}/{self.uuid}"

    def part(
        self, ref: str, x: int, y: int, angle: int = 0, *, unit: str = "", mirrored: bool = False,
        ref_at: tuple[float, float, str] | None = None, value_at: tuple[float, float, str] | None = None,
    ) -> None:  # fmt: skip
        """Put a part, or its unit A, B or C, with its origin at (x, y); texts where asked, from there, or as usual."""
        part = self._parts[ref]
        symbol = self._library[part.symbol]
        usual = _usual_fields(symbol, angle, mirrored)
        ref_field, value_field = (
            Field(x + dx, y + dy, justify) for dx, dy, justify in (ref_at or usual[0], value_at or usual[1])
        )
        properties = {
            "Footprint": part.footprint,
            "Tolerance": part.tolerance,
            "Rating": part.rating,
            "Description": part.description,
            "Example": part.example,
            "Substitutes": part.substitutes,
            "Price_USD_from_memory": f"{part.price_usd:.2f}",
        }
        placed = Placed(
            ref, symbol, ord(unit) - 64 if unit else 1, x, y, angle, mirrored, ref_field, value_field, part.value,
            properties, on_board=part.on_board, fitted=part.fitted,
        )  # fmt: skip
        self._placed.append(placed)
        for pin, point in placed.pins():
            self._at[f"{ref}{unit}.{pin.number}"] = point
            net = part.pins.get(pin.number)
            self._net_of[f"{ref}{unit}.{pin.number}"] = net or ""
            if net is None:
                self._texts.append(Text("no_connect", pin.number, *point))

    def at(self, where: Where, dx: int = 0, dy: int = 0) -> Point:
        """Return the place of a pin or a point, moved by (dx, dy)."""
        x, y = self._at[where] if isinstance(where, str) else where
        return x + dx, y + dy

    def wire(self, *stops: Where, upright_first: bool = False) -> None:
        """Draw a wire through `stops`; where two are not in line it turns once, level first unless told otherwise."""
        points = [self.at(stop) for stop in stops]
        for (x1, y1), (x2, y2) in pairwise(points):
            corner = (x1, y2) if upright_first else (x2, y1)
            self._wires += [((x1, y1), corner), (corner, (x2, y2))]

    def name(self, net: str, where: Where, dx: int = 0, dy: int = 0, *, angle: int = 0, size_mm: float = 1.0) -> None:
        """Write a net's name on a wire."""
        x, y = self.at(where, dx, dy)
        justify = "right bottom" if angle == 180 else "left bottom"
        self._texts.append(Text("label", net, x, y, angle, size_mm, justify))
        self._names.append(((x, y), net))

    def port(self, net: str, where: Where, dx: int, dy: int = 0, *, shape: str = "output") -> None:
        """Lead a pin or point to the sheet's edge: a wire of (dx, dy) and the name under which other sheets know it."""
        start = self.at(where)
        end = self.at(where, dx, dy)
        self.wire(start, end)
        angle, justify = (0, "left") if dx >= 0 else (180, "right")
        self._texts.append(Text("hierarchical_label", net, *end, angle, 1.27, justify, shape))
        self._names.append((end, net))

    def rail(self, net: str, where: Where, dx: int = 0, dy: int = 0) -> None:
        """Put a supply's symbol, pointing up, or a ground's, pointing down, at the end of a wire from `where`."""
        x, y = self.at(where, dx, dy)
        self.wire(where, (x, y), upright_first=dy != 0 and dx == 0)
        ground = GROUNDS.get(net)
        label = Field(x, y + 3.4) if ground else Field(x, y - 2.9)
        self._power(ground or "RAIL", net, x, y, None if ground == "GND" else label)
        self._names.append(((x, y), net))

    def flag(self, net: str, where: Where, dx: int = 0, dy: int = 0) -> None:
        """Tell KiCad's check that a net is fed, where it cannot see how."""
        x, y = self.at(where, dx, dy)
        self.wire(where, (x, y))
        self._power("PWR_FLAG", net, x, y, None)

    def _power(self, symbol: str, net: str, x: int, y: int, label: Field | None) -> None:
        self._count += 1
        flag = symbol == "PWR_FLAG"
        page = self.file.split(".")[0]
        ref = f"#{'FLG' if flag else 'PWR'}_{page}_{self._count:02d}"
        self._placed.append(
            Placed(
                ref, self._library[symbol], 1, x, y, 0, False, None, label,
                "PWR_FLAG" if flag else net, {}, in_bom=not flag,
            )
        )  # fmt: skip
        self._at[f"{ref}.1"] = (x, y)
        self._net_of[f"{ref}.1"] = net

    def words(
        self, text: str, x: float, y: float, *, size_mm: float = 1.6, bold: bool = False, colour: str = ""
    ) -> None:
        """Write words, their top left corner at (x, y)."""
        self._texts.append(Text("text", text, x, y, 0, size_mm, "left top", bold=bold, colour=colour))

    def frame(self, x1: float, y1: float, x2: float, y2: float, *, colour: str = "0 0 0 0", fill: str = "") -> None:
        """Draw a dashed rectangle."""
        self._frames.append(Frame("rectangle", x1, y1, x2, y2, colour=colour, fill=fill))

    def line(self, x1: float, y1: float, x2: float, y2: float, *, colour: str, width_mm: float = 0.6) -> None:
        """Draw a line that means nothing electrically."""
        self._frames.append(Frame("line", x1, y1, x2, y2, "dash_dot", width_mm, colour))

    def box(
        self, name: str, file: str, page: int, x: int, y: int, width: int, height: int,
        left: Sequence[tuple[str, str, int]] = (), right: Sequence[tuple[str, str, int]] = (),
    ) -> None:  # fmt: skip
        """Put another sheet's box, with its ports (name, shape, distance from the top) on two edges."""
        pins = [(net, shape, x, y + down, 180) for net, shape, down in left]
        pins += [(net, shape, x + width, y + down, 0) for net, shape, down in right]
        self._boxes.append(SheetBox(name, file, page, x, y, width, height, tuple(pins)))
        for net, _, pin_x, pin_y, _ in pins:
            self._at[f"{name}.{net}"] = (pin_x, pin_y)
            self._net_of[f"{name}.{net}"] = net
            self._names.append(((pin_x, pin_y), net))

    def check(self) -> None:
        """Compare what the wires join with the list of parts.

        Raises DrawingError with every disagreement.
        """
        faults = [f"{ref} is not drawn" for ref in self._parts if ref not in {placed.ref for placed in self._placed}]
        pieces, _ = joined(self._wires, self._hot())
        group = _groups(pieces)
        nets: dict[Point, set[str]] = defaultdict(set)
        members: dict[Point, list[str]] = defaultdict(list)
        by_name: dict[Point, set[str]] = defaultdict(set)
        for pin, point in self._at.items():
            key = group.get(point, point)
            nets[key].add(self._net_of[pin])
            members[key].append(pin)
        for point, net in self._names:
            key = group.get(point, point)
            if key not in nets:
                faults.append(f"the name {net} at {point} hangs on nothing")
            by_name[key].add(net)
        islands: dict[str, list[Point]] = defaultdict(list)
        for key, found in nets.items():
            if len(found | by_name[key]) > 1:
                faults.append(f"joined, but on different nets: {sorted(members[key])}: {sorted(found | by_name[key])}")
            for net in found - {""}:
                islands[net].append(key)
        for net, keys in islands.items():
            loose = [members[key] for key in keys if net not in by_name[key]]
            if loose:
                faults.append(f"net {net}: not joined by name: {loose}")
        if faults:
            raise DrawingError(f"{self.file}:\n  " + "\n  ".join(faults))

    def _hot(self) -> Iterable[Point]:
        return [*self._at.values(), *(point for point, _ in self._names)]

    def collisions(self) -> list[str]:
        """Return which words run into other words, a wire or a part's body, or off the page.

        Widths are those of KiCad's own font, about.
        """
        texts = list(self._text_boxes())
        faults = [
            f"{self.file}: {name!r} runs into {other!r}"
            for i, (name, box) in enumerate(texts)
            for other, second in texts[:i]
            if _overlap(box, second)
        ]
        solid = [("a wire", (*map(float, a), *map(float, b))) for a, b in self._wires]
        solid += [(f"the body of {placed.ref}", body) for placed in self._placed if (body := _body(placed))]
        faults += [
            f"{self.file}: {name!r} runs into {what} at {second[:2]}"
            for name, box in texts
            for what, second in solid
            if _overlap(box, (min(second[0::2]), min(second[1::2]), max(second[0::2]), max(second[1::2])))
        ]
        width, height = _PAGE[self.paper]
        faults += [
            f"{self.file}: {name!r} leaves the page"
            for name, box in texts
            if min(box[0], box[1], width - box[2], height - box[3]) < _FRAME
        ]
        return faults

    def _text_boxes(self) -> Iterator[tuple[str, Box]]:
        for placed in self._placed:
            for words, field in ((placed.ref, placed.ref_at), (placed.value, placed.value_at)):
                if field is not None:
                    width = _WIDTH * len(words)
                    left = field.x - {"left": 0.0, "": 0.5, "right": 1.0}[field.justify] * width
                    yield words, (left, field.y - 0.5, left + width, field.y + 0.5)
        for text in self._texts:
            size = text.size_mm / UNIT_MM
            lines = text.words.split("\n")
            width = _WIDTH * size * max(map(len, lines))
            if text.kind == "label":
                yield text.words, (text.x, text.y - 1.3 * size, text.x + width, text.y - 0.3 * size)
            elif text.kind == "hierarchical_label":
                left = text.x - width - 1.5 if text.justify == "right" else text.x + 0.5
                yield text.words, (left, text.y - 0.5, left + width + 1.0, text.y + 0.5)
            elif text.kind == "text":
                yield lines[0], (text.x, text.y, text.x + width, text.y + _LINE * size * len(lines))

    def text(self, *, page: int, pages: int, date: str, revision: str) -> str:
        """Return the sheet as the text of a .kicad_sch file."""
        self.check()
        pieces, dots = joined(self._wires, self._hot())
        dots = [dot for dot in dots if _needs_dot(dot, pieces, self._at.values())]
        used = sorted({placed.symbol.name for placed in self._placed})
        library: list[Node] = ["lib_symbols"]
        for name in used:
            tree = self._library[name].tree
            library.append(["symbol", quoted(f"flattop:{name}"), *tree[2:]])
        nodes: list[Node] = [
            ["version", VERSION],
            ["generator", quoted("flattop")],
            ["generator_version", quoted("9.0")],
            ["uuid", quoted(self.uuid)],
            ["paper", quoted(self.paper)],
            [
                "title_block",
                ["title", quoted(self.title)],
                ["date", quoted(date)],
                ["rev", quoted(revision)],
                ["company", quoted("flattop, open hardware")],
                ["comment", "1", quoted("Nothing here was built. Read the cautions in hardware/README.md first.")],
                ["comment", "2", quoted(f"Sheet {page} of {pages}, drawn by hardware/circuit/export.py")],
            ],
            library,
        ]
        nodes += [frame_node(frame, self.file) for frame in self._frames]
        nodes += [
            ["junction", ["at", mm(x), mm(y)], ["diameter", "0"], ["color", "0", "0", "0", "0"],
             ["uuid", quoted(identifier(self.file, "dot", x, y))]]
            for x, y in dots
        ]  # fmt: skip
        nodes += [
            ["wire", ["pts", ["xy", mm(a[0]), mm(a[1])], ["xy", mm(b[0]), mm(b[1])]],
             ["stroke", ["width", "0"], ["type", "default"]], ["uuid", quoted(identifier(self.file, "wire", a, b))]]
            for a, b in pieces
        ]  # fmt: skip
        nodes += [text_node(text, self.file) for text in self._texts]
        nodes += [placed_node(placed, self.file, self.path) for placed in self._placed]
        nodes += [sheet_node(box, self.path) for box in self._boxes]
        if self.uuid == ROOT:
            nodes.append(["sheet_instances", ["path", quoted("/"), ["page", quoted("1")]]])
        nodes.append(["embedded_fonts", "no"])
        return dump(["kicad_sch", *nodes]) + "\n"

    def save(self, folder: Path, **title: object) -> None:
        """Write the sheet into `folder`."""
        (folder / self.file).write_text(self.text(**title), encoding="utf-8")  # type: ignore[arg-type]


def _overlap(a: Box, b: Box) -> bool:
    """Tell whether two boxes share more than an edge; a box may be as thin as a line."""
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def _body(placed: Placed) -> Box | None:
    """Return the box round what is drawn of a part, or None for a supply's symbol and for a triangle."""
    if placed.ref.startswith("#") or placed.symbol.name.startswith("OpAmp"):
        return None
    left, bottom, right, top = placed.symbol.box
    corners = [turned(x, y, placed.angle, placed.mirrored) for x in (left, right) for y in (bottom, top)]
    xs, ys = [placed.x + x for x, _ in corners], [placed.y + y for _, y in corners]
    return min(xs) + 0.2, min(ys) + 0.2, max(xs) - 0.2, max(ys) - 0.2


def _usual_fields(
    symbol: Symbol, angle: int, mirrored: bool
) -> tuple[tuple[float, float, str], tuple[float, float, str]]:
    """Return where reference and value stand: beside an upright part, above and below a level one."""
    left, bottom, right, top = symbol.box
    corners = [turned(x, y, angle, mirrored) for x in (left, right) for y in (bottom, top)]
    x1, x2 = min(x for x, _ in corners), max(x for x, _ in corners)
    y1, y2 = min(y for _, y in corners), max(y for _, y in corners)
    if len(symbol.pins) == 2 and symbol.name != "SW_Push":
        ends = [turned(pin.x, pin.y, angle, mirrored) for pin in symbol.pins]
        if ends[0][1] == ends[1][1]:
            return (0, y1 - 1.1, ""), (0, y2 + 1.2, "")
        return (x2 + 0.8, -0.9, "left"), (x2 + 0.8, 1.0, "left")
    if symbol.name in ("NMOS", "PMOS", "NMOS_SON8") and angle in (0, 180):
        return (x2 + 0.8, -0.9, "left"), (x2 + 0.8, 1.0, "left")
    if symbol.name.startswith("OpAmp"):
        return (2.4, -5.0, "left"), (2.4, -3.4, "left")
    if symbol.name == "SW_Push":
        return (0, y1 - 2.2, ""), (0, y2 + 1.2, "")
    return (x1, y1 - 2.8, "left"), (x1, y1 - 1.3, "left")


def _groups(pieces: Iterable[tuple[Point, Point]]) -> dict[Point, Point]:
    """Return, for every point on a wire, one point that stands for all that is joined to it."""
    parent: dict[Point, Point] = {}

    def top(point: Point) -> Point:
        parent.setdefault(point, point)
        while parent[point] != point:
            parent[point] = parent[parent[point]]
            point = parent[point]
        return point

    for a, b in pieces:
        parent[top(a)] = top(b)
    return {point: top(point) for point in list(parent)}


def _needs_dot(dot: Point, pieces: Iterable[tuple[Point, Point]], pins: Iterable[Point]) -> bool:
    """Tell whether three or more wires and pins meet; a name on a wire alone makes no junction."""
    wires = sum(dot in piece for piece in pieces)
    return wires >= 3 or (wires >= 2 and dot in set(pins))
