"""Insulation gaps measured in the board file itself, independent of KiCad's own checks.

Copper becomes polygons that are never smaller than the copper, slots become polygons that are never larger than the
slot, and all layers are seen through one another from above. So no gap is reported larger than it is.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from board_parts import Part, Side, side_of_pin, sides
from numpy.typing import NDArray

Points = NDArray[np.float64]
Expression = list["Expression | str"]

# A slot narrower than this does not lengthen a creepage path at pollution degree 2 [IEC 60664-1, from memory].
NARROWEST_SLOT_MM = 1.0
# Radius of the head of an M2.5 fastener or its washer, from memory.
FASTENER_RADIUS_MM = 3.0
_ROUND_STEPS = 32
# Ways longer than the straight distance by more than this are not looked for.
_DETOUR_MM = 6.0
_TOKEN = re.compile(r'"((?:[^"\\]|\\.)*)"|([()])|([^\s()"]+)')


_KINDS = {"segment": "track", "via": "via", "zone": "area"}


def parse(text: str) -> Expression:
    """Return an s-expression as nested lists of strings."""
    stack: list[Expression] = [[]]
    for quoted, bracket, word in _TOKEN.findall(text):
        if bracket == "(":
            stack.append([])
        elif bracket == ")":
            done = stack.pop()
            stack[-1].append(done)
        else:
            stack[-1].append(word or quoted.replace('\\"', '"'))
    (whole,) = stack[0]
    assert isinstance(whole, list)
    return whole


def children(node: Expression, *names: str) -> Iterator[Expression]:
    """Yield the lists inside a list that begin with one of the names."""
    return (item for item in node if isinstance(item, list) and item and item[0] in names)


def child(node: Expression, name: str) -> Expression | None:
    """Return the first list inside a list that begins with the name."""
    return next(children(node, name), None)


def numbers(node: Expression | None, count: int = 2) -> list[float]:
    """Return the numbers that follow a list's name."""
    return [float(str(item)) for item in (node or [])[1 : count + 1]]


@dataclass(frozen=True, eq=False)
class Copper:
    """A piece of copper: what it is, its net, side of the insulation, part (of a pad), and outline [mm]."""

    label: str
    net: str
    side: Side
    reference: str
    outline: Points


@dataclass(frozen=True)
class Board:
    """What matters of a board: copper, slots that count, all slots' widths, mounting holes and its edge [mm]."""

    copper: list[Copper]
    slots: list[Points]
    slot_widths_mm: list[float]
    holes: list[tuple[float, float]]
    edge: Points
    size_mm: tuple[float, float]


@dataclass(frozen=True)
class Gap:
    """The shortest way between two groups of copper, through air and along the board."""

    clearance_mm: float
    creepage_mm: float
    clearance_between: tuple[str, str]
    creepage_between: tuple[str, str]
    clearance_from: tuple[float, float]
    clearance_to: tuple[float, float]


def read_board(path: Path, net_sides: Mapping[str, Side] | None = None) -> Board:
    """Return the copper, slots and holes of a .kicad_pcb file. Raises `ValueError` if it has no closed edge.

    Sides of nets are found from the parts on the board, unless they are given: not every board has the terminals.
    """
    root = parse(path.read_text(encoding="utf-8"))
    net_names = {str(net[1]): str(net[2]) for net in children(root, "net")}
    parts = {part.reference: part for part in map(_part, children(root, "footprint"))}
    net_sides = net_sides or sides(parts.values())

    copper: list[Copper] = []
    holes: list[tuple[float, float]] = []
    for footprint in children(root, "footprint"):
        part = parts[_property(footprint, "Reference")]
        for pad in children(footprint, "pad"):
            if pad[2] == "np_thru_hole":
                if part.reference.startswith("H"):
                    holes.append(_placed(footprint, [numbers(child(pad, "at"))])[0])
                continue
            label = f"{part.reference}.{pad[1]}"
            side = side_of_pin(part, str(pad[1]), net_sides)
            copper.append(Copper(label, part.nets.get(str(pad[1]), ""), side, part.reference, _pad(footprint, pad)))
    for item in children(root, "segment", "via", "zone"):
        if child(item, "keepout") is not None:
            continue
        net = net_names[str((child(item, "net") or ["", "0"])[1])]
        label = f"{_KINDS[str(item[0])]} of {net}"
        copper += [Copper(label, net, net_sides[net], "", outline) for outline in _outlines(item)]

    rings = sorted(_rings(root), key=_area, reverse=True)
    if not rings:
        raise ValueError(f"{path.name}: the board has no edge")
    edge, slots = rings[0], rings[1:]
    widths_mm = [_width_mm(slot) for slot in slots]
    wide = [slot for slot, width_mm in zip(slots, widths_mm, strict=True) if width_mm >= NARROWEST_SLOT_MM - 1e-3]
    size = edge.max(axis=0) - edge.min(axis=0)
    return Board(copper, wide, widths_mm, holes, edge, (float(size[0]), float(size[1])))


def gap(board: Board, some: Sequence[Copper], others: Sequence[Copper]) -> Gap:
    """Return the shortest ways from some copper to other copper."""
    clearance, creepage, at = (math.inf, ("", "")), (math.inf, ("", "")), (0, 0)
    ways = _Ways(board.slots)
    least_mm = _box_distances_mm(some, others)
    for i, j in zip(*np.unravel_index(np.argsort(least_mm, axis=None, kind="stable"), least_mm.shape), strict=True):
        # No way is shorter than the distance of the boxes around both, and those become larger from here on.
        if least_mm[i, j] > creepage[0]:
            break
        straight_mm = distance_mm(some[i].outline, others[j].outline)
        names = (some[i].label, others[j].label)
        if straight_mm < clearance[0]:
            clearance, at = (straight_mm, names), (i, j)
        if straight_mm < creepage[0]:
            most_mm = min(creepage[0], straight_mm + _DETOUR_MM)
            creepage = min(creepage, (ways.length_mm(some[i].outline, others[j].outline, most_mm), names))
    start, end = _closest(_edges(some[at[0]].outline), _edges(others[at[1]].outline))
    ends = ((float(start[0]), float(start[1])), (float(end[0]), float(end[1])))
    return Gap(clearance[0], creepage[0], clearance[1], creepage[1], *ends)


def distance_mm(a: Points, b: Points) -> float:
    """Return the shortest distance between two outlines, 0 if they touch or one lies in the other."""
    if _inside(a[:1], b)[0] or _inside(b[:1], a)[0]:
        return 0.0
    most_mm = float(min(np.hypot(*(a - b[0]).T).min(), np.hypot(*(b - a[0]).T).min()))
    a_edges, b_edges = _edges_near(a, b, most_mm), _edges_near(b, a, most_mm)
    if _cross(a_edges, b_edges):
        return 0.0
    return math.dist(*_closest(a_edges, b_edges))


def hole_to_copper_mm(board: Board, copper: Sequence[Copper]) -> float:
    """Return the shortest distance from the head of a fastener in a mounting hole to the copper."""
    spots = np.array(board.holes)
    return min(float(_to_edges_mm(spots, _edges(item.outline)).min()) for item in copper) - FASTENER_RADIUS_MM


def edge_to_copper_mm(board: Board, copper: Sequence[Copper]) -> float:
    """Return the shortest distance from the board's outer edge to the copper."""
    edge = _edges(board.edge)
    return min(float(_to_edges_mm(item.outline, edge).min()) for item in copper)


class _Ways:
    """Shortest ways over the board, around its slots: straight, or from corner to corner of slots."""

    def __init__(self, slots: Sequence[Points]) -> None:
        # Ways may touch a slot's edge: what they must not cross is a hair smaller.
        self._blocks = [slot.mean(axis=0) + (slot - slot.mean(axis=0)) * (1 - 1e-6) for slot in slots]
        self._corners = np.vstack([*slots, np.empty((0, 2))])
        between = np.where(self._free(self._corners, self._corners), _lengths(self._corners, self._corners), math.inf)
        for via in range(len(between)):
            between = np.minimum(between, between[:, via, None] + between[None, via])
        self._between_mm = between

    def length_mm(self, a: Points, b: Points, most_mm: float) -> float:
        """Return the length of the shortest way between two outlines that crosses no slot, if it is not too long."""
        straight_mm = distance_mm(a, b)
        a_edges, b_edges = _edges_near(a, b, most_mm), _edges_near(b, a, most_mm)
        start, end = _closest(a_edges, b_edges)
        if self._free(start[None], end[None])[0, 0]:
            return straight_mm
        near = _to_edges_mm(self._corners, a_edges) + _to_edges_mm(self._corners, b_edges) <= most_mm
        corners = self._corners[near]
        starts, ends = _spots(a_edges, corners), _spots(b_edges, corners)
        seen_mm = np.where(self._free(starts, ends), _lengths(starts, ends), math.inf).min()
        if not near.any():
            return float(seen_mm)
        between_mm = self._between_mm[np.ix_(near, near)]
        around_mm = self._reach_mm(corners, starts)[:, None] + between_mm + self._reach_mm(corners, ends)[None]
        return float(min(seen_mm, around_mm.min()))

    def _reach_mm(self, corners: Points, spots: Points) -> Points:
        """Return the length of the shortest straight way from some points to each of some corners."""
        free = self._free(corners, spots)
        return np.asarray(np.where(free, _lengths(corners, spots), math.inf).min(axis=1))

    def _free(self, starts: Points, ends: Points) -> NDArray[np.bool_]:
        """Return which straight ways from each start to each end cross no slot."""
        free = np.ones((len(starts), len(ends)), dtype=bool)
        for block in self._blocks:
            low, high = block.min(axis=0), block.max(axis=0)
            lowest = np.minimum(starts[:, None], ends[None])
            highest = np.maximum(starts[:, None], ends[None])
            i, j = np.nonzero(((lowest <= high) & (highest >= low)).all(axis=2))
            a, b = block[None], np.roll(block, -1, axis=0)[None]
            start, end = starts[i][:, None], ends[j][:, None]
            of_block = _cross_product(end - start, a - start) * _cross_product(end - start, b - start)
            of_way = _cross_product(b - a, start - a) * _cross_product(b - a, end - a)
            free[i, j] &= ~((of_block < 0) & (of_way < 0)).any(axis=1)
        return free


def _lengths(starts: Points, ends: Points) -> Points:
    return np.asarray(np.hypot(*(starts[:, None] - ends[None]).transpose(2, 0, 1)))


def _cross_product(a: Points, b: Points) -> Points:
    return a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]


def _edges(outline: Points) -> Points:
    """Return the edges of a closed outline, as an array of (edge, end, coordinate)."""
    return np.stack([outline, np.roll(outline, -1, axis=0)], axis=1)


def _edges_near(outline: Points, other: Points, most_mm: float) -> Points:
    """Return the edges of an outline that may be as near to another one as this."""
    edges = _edges(outline)
    over = np.maximum(edges.min(axis=1) - other.max(axis=0), other.min(axis=0) - edges.max(axis=1))
    return np.asarray(edges[np.hypot(*np.maximum(over, 0).T) <= most_mm + 1e-9])


def _cross(some: Points, others: Points) -> bool:
    """Return whether any edge crosses any other."""
    a1, a2, b1, b2 = some[:, None, 0], some[:, None, 1], others[None, :, 0], others[None, :, 1]
    one = _cross_product(a2 - a1, b1 - a1) * _cross_product(a2 - a1, b2 - a1)
    two = _cross_product(b2 - b1, a1 - b1) * _cross_product(b2 - b1, a2 - b1)
    return bool(((one < 0) & (two < 0)).any())


def _on_edges(spots: Points, edges: Points) -> Points:
    """Return the point of each edge that is nearest to each point, as an array of (point, edge, coordinate)."""
    along, toward = (edges[:, 1] - edges[:, 0])[None], spots[:, None] - edges[None, :, 0]
    length_squared = np.maximum((along**2).sum(axis=2), 1e-18)
    part = np.clip((toward * along).sum(axis=2) / length_squared, 0, 1)
    return np.asarray(edges[None, :, 0] + part[..., None] * along)


def _nearest(spots: Points, edges: Points) -> Points:
    """Return the point on any of the edges that is nearest to each point."""
    found = _on_edges(spots, edges)
    chosen = np.hypot(*(found - spots[:, None]).transpose(2, 0, 1)).argmin(axis=1)
    return np.asarray(found[np.arange(len(spots)), chosen])


def _to_edges_mm(spots: Points, edges: Points) -> Points:
    """Return the distance of each point from the nearest of some edges."""
    return np.asarray(np.hypot(*(_nearest(spots, edges) - spots).T))


def _closest(some: Points, others: Points) -> tuple[Points, Points]:
    """Return the two points, one on each of two groups of edges, that are nearest to one another."""
    ends, other_ends = some.reshape(-1, 2), others.reshape(-1, 2)
    pairs = [(ends, _nearest(ends, others)), (_nearest(other_ends, some), other_ends)]
    starts, stops = (np.vstack(group) for group in zip(*pairs, strict=True))
    least = np.hypot(*(stops - starts).T).argmin()
    return starts[least], stops[least]


def _spots(edges: Points, corners: Points, step_mm: float = 0.5) -> Points:
    """Return points along edges: no further apart than the step, and the nearest ones to some corners."""
    pieces = [_nearest(corners, edges)] if len(corners) else []
    for a, b in edges:
        parts = max(1, math.ceil(math.dist(a, b) / step_mm))
        pieces.append(a + (b - a) * np.arange(parts + 1)[:, None] / parts)
    return np.vstack(pieces)


def _inside(spots: Points, outline: Points) -> NDArray[np.bool_]:
    a, b = outline[None], np.roll(outline, -1, axis=0)[None]
    x, y = spots[:, None, 0], spots[:, None, 1]
    spans = (a[..., 1] > y) != (b[..., 1] > y)
    height = np.where(b[..., 1] == a[..., 1], 1.0, b[..., 1] - a[..., 1])
    left = x < (b[..., 0] - a[..., 0]) * (y - a[..., 1]) / height + a[..., 0]
    return np.asarray((spans & left).sum(axis=1) % 2 == 1)


def _box_distances_mm(some: Sequence[Copper], others: Sequence[Copper]) -> Points:
    """Return the distance between the boxes around each piece and each other piece."""
    lows, highs = (np.array([edge(item.outline, axis=0) for item in some])[:, None] for edge in (np.min, np.max))
    other_lows, other_highs = (np.array([edge(item.outline, axis=0) for item in others]) for edge in (np.min, np.max))
    over = np.maximum(np.maximum(lows - other_highs, other_lows - highs), 0)
    return np.asarray(np.hypot(over[..., 0], over[..., 1]))


def _part(footprint: Expression) -> Part:
    nets = {}
    for pad in children(footprint, "pad"):
        if pad[1]:
            net = child(pad, "net")
            nets[str(pad[1])] = str(net[2]) if net else ""
    return Part(_property(footprint, "Reference"), _property(footprint, "Value"), str(footprint[1]), nets)


def _property(footprint: Expression, name: str) -> str:
    return next(str(item[2]) for item in children(footprint, "property") if item[1] == name)


def _placed(footprint: Expression, spots: Sequence[Sequence[float]]) -> list[tuple[float, float]]:
    x_mm, y_mm, *turn = numbers(child(footprint, "at"), 3)
    return [(x_mm + x, y_mm + y) for x, y in _turned(spots, turn[0] if turn else 0.0)]


def _turned(spots: Sequence[Sequence[float]] | Points, turn_deg: float) -> list[tuple[float, float]]:
    """Turn points anticlockwise as seen on the sheet, whose y axis points downward."""
    cos, sin = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    return [(x * cos + y * sin, -x * sin + y * cos) for x, y in spots]


def _pad(footprint: Expression, pad: Expression) -> Points:
    """Return a pad's outline. A pad's own angle is that on the sheet, its place that in the footprint."""
    (centre,) = _placed(footprint, [numbers(child(pad, "at"))])
    angle = [*numbers(child(pad, "at"), 3), 0.0][2]
    width, height = numbers(child(pad, "size"))
    shape, polygons = str(pad[3]), list(children(child(pad, "primitives") or [], "gr_poly"))
    if shape in ("circle", "oval", "roundrect"):
        ratio = numbers(child(pad, "roundrect_rratio"), 1)[0] if shape == "roundrect" else 0.5
        radius = ratio * min(width, height)
        corner = (width / 2 - radius, height / 2 - radius)
        spots = _rounded(corner, radius)
    elif shape == "rect":
        spots = [(s * width / 2, t * height / 2) for s, t in ((1, 1), (-1, 1), (-1, -1), (1, -1))]
    elif shape == "custom" and len(polygons) == 1:
        spots = [(x, y) for x, y in map(numbers, children(child(polygons[0], "pts") or [], "xy"))]
    else:
        raise ValueError(f"a pad of shape {shape} cannot be measured; use rectangles, circles, ovals or one polygon")
    return np.array(_turned(spots, angle)) + centre


def _rounded(corner: tuple[float, float], radius: float) -> list[tuple[float, float]]:
    """Return a rectangle with round corners, as a polygon around it."""
    outside = radius / math.cos(math.pi / _ROUND_STEPS)
    angles = [(step + 0.5) * 2 * math.pi / _ROUND_STEPS for step in range(_ROUND_STEPS)]
    return [
        (math.copysign(corner[0], math.cos(t)) + outside * math.cos(t),
         math.copysign(corner[1], math.sin(t)) + outside * math.sin(t))
        for t in angles
    ]  # fmt: skip


def _outlines(item: Expression) -> Iterator[Points]:
    """Yield the outlines of a track, a via or a filled area."""
    if item[0] == "zone":
        for filled in children(item, "filled_polygon"):
            yield np.array([numbers(xy) for xy in children(child(filled, "pts") or [], "xy")])
    elif item[0] == "via":
        radius = numbers(child(item, "size"), 1)[0] / 2
        yield np.array(_rounded((0, 0), radius)) + numbers(child(item, "at"))
    else:
        start, end = np.array(numbers(child(item, "start"))), np.array(numbers(child(item, "end")))
        radius = numbers(child(item, "width"), 1)[0] / 2
        along = end - start
        capsule = _rounded((float(np.hypot(*along)) / 2, 0), radius)
        yield np.array(_turned(capsule, -math.degrees(math.atan2(along[1], along[0])))) + (start + end) / 2


def _rings(root: Expression) -> Iterator[Points]:
    """Yield the closed lines of the board's edge, their arcs as chords."""
    strokes = []
    for item in children(root, "gr_line", "gr_arc"):
        if child(item, "layer") == ["layer", "Edge.Cuts"]:
            on_it = [np.array(numbers(child(item, name))) for name in ("start", "mid", "end") if child(item, name)]
            strokes.append(_arc(*on_it) if len(on_it) == 3 else on_it)
    while strokes:
        ring = list(strokes.pop())
        while math.dist(ring[0], ring[-1]) > 1e-3:
            following = next((s for s in strokes if min(math.dist(s[end], ring[-1]) for end in (0, -1)) < 1e-3), None)
            if following is None:
                raise ValueError(f"the board's edge is open at {ring[-1]}; close it in board_layout.py")
            strokes = [stroke for stroke in strokes if stroke is not following]
            ring += following[1:] if math.dist(following[0], ring[-1]) < 1e-3 else following[-2::-1]
        yield np.array(ring[:-1])


def _arc(start: Points, middle: Points, end: Points) -> list[Points]:
    system = 2 * np.array([middle - start, end - start])
    centre = np.linalg.solve(system, np.array([middle @ middle - start @ start, end @ end - start @ start]))
    first, half, last = (math.atan2(*(spot - centre)[::-1]) for spot in (start, middle, end))
    sweep = (last - first) % (2 * math.pi)
    if (half - first) % (2 * math.pi) > sweep:
        sweep -= 2 * math.pi
    radius = math.dist(start, centre)
    turns = [first + sweep * step / 8 for step in range(1, 8)]
    return [start, *(centre + radius * np.array([math.cos(t), math.sin(t)]) for t in turns), end]


def _area(ring: Points) -> float:
    return abs(float(_cross_product(ring, np.roll(ring, -1, axis=0)).sum())) / 2


def _width_mm(ring: Points) -> float:
    """Return the least width of a convex ring."""
    along = np.roll(ring, -1, axis=0) - ring
    normals = np.stack([-along[:, 1], along[:, 0]], axis=1) / np.hypot(*along.T)[:, None]
    reach = ring @ normals.T
    return float((reach.max(axis=0) - reach.min(axis=0)).min())
