"""Make the boards from the netlist and their layouts: `python3 hardware/board/place.py`.

Needs KiCad 9 with its Python module and its footprint libraries. The same input gives the same file, byte for byte.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import re
import sys
from functools import cache
from itertools import pairwise
from pathlib import Path

import pcbnew
from board_labels import put_labels
from board_parts import CircuitError, Part, Side, plain, read_parts, sides
from board_shapes import VIA_DRILL_MM, VIA_MM, Layout, Rect
from boards import BOARDS, homeless

HERE = Path(__file__).parent
NETLIST = HERE.parent / "circuit" / "netlist.csv"
OWN_LIBRARY = "flattop"
# Where a part that has no place yet may get one.
MODULES = " or ".join(dict.fromkeys(layout.module for layout in BOARDS))
# The upper left corner of the board on the drawing sheet.
ORIGIN_MM = (100.0, 70.0)


def at(x_mm: float, y_mm: float) -> pcbnew.VECTOR2I:
    """Return a point of the board as a point of the sheet."""
    return pcbnew.VECTOR2I_MM(ORIGIN_MM[0] + x_mm, ORIGIN_MM[1] + y_mm)


def mm(length_mm: float) -> int:
    """Return a length in the board file's unit."""
    return pcbnew.FromMM(length_mm)


def main() -> None:
    """Write the boards, their projects and what belongs to them."""
    arguments = argparse.ArgumentParser(description="Make the boards from the netlist.")
    arguments.add_argument("--netlist", type=Path, default=NETLIST, help="table of parts and pins")
    arguments.add_argument("--out", type=Path, default=HERE, help="folder for the boards and their projects")
    given = arguments.parse_args()
    try:
        parts = read_parts(given.netlist)
        without = homeless(parts)
        if without:
            raise CircuitError(f"no place for {', '.join(without)}; give each one in {MODULES}")
        for layout in BOARDS:
            make(parts, layout, given.out)
    except (CircuitError, OSError) as error:
        sys.exit(f"place.py: {error}")


def make(meter: dict[str, Part], layout: Layout, folder: Path) -> None:
    """Make one board from the parts of the meter and write it, with its project, into the folder."""
    # Identifiers are drawn at random by KiCad; with a seed they are the same every time.
    pcbnew.KIID.SeedGenerator(9)
    parts = on_board(meter, layout)
    nets_here = {net for part in parts.values() for net in part.nets.values()}
    net_sides = {net: side for net, side in sides(meter.values()).items() if net in nets_here}
    (folder / f"{layout.name}.kicad_pro").write_text(project(layout, net_sides), encoding="utf-8")

    board = pcbnew.CreateEmptyBoard()
    outline(board, layout)
    nets = add_nets(board, net_sides)
    for reference in sorted(parts):
        add_part(board, parts[reference], layout, nets)
    add_holes(board, layout)
    add_barriers(board, layout)
    add_grounds(board, layout, nets)
    turn_ends(board, layout)
    add_tracks(board, layout)
    add_stitching(board, layout)
    unlabelled = put_labels(board, layout, at)
    path = folder / f"{layout.name}.kicad_pcb"
    pcbnew.SaveBoard(str(path), board, True)
    # Areas are filled under the design rules, and those come with the project only when a board is loaded.
    board = pcbnew.LoadBoard(str(path))
    pcbnew.ZONE_FILLER(board).Fill(board.Zones())
    pcbnew.SaveBoard(str(path), board, True)
    print(f"{path.name}: {len(parts)} parts, {len(net_sides)} nets, {layout.width_mm:g} x {layout.height_mm:g} mm")
    print(f"reference on the assembly drawing only: {', '.join(unlabelled) or 'none'}")


def on_board(meter: dict[str, Part], layout: Layout) -> dict[str, Part]:
    """Return the parts of the meter that have a place on a board. Raises `CircuitError` for a place without a part."""
    absent = set(layout.places) - set(meter)
    if absent:
        raise CircuitError(f"a place, but no part in the netlist: {', '.join(sorted(absent))}; see {layout.module}")
    return {reference: part for reference, part in meter.items() if reference in layout.places}


def project(layout: Layout, net_sides: dict[str, Side]) -> str:
    """Return the project file: the net classes, which net is in which, and the limits of a usual board maker."""
    kinds = {
        "Default": (0.2, 0.25),
        **{side.value: ((1.5, 0.5) if side.is_leg else (0.2, 0.25)) for side in Side},
    }
    classes = [
        {
            "name": name,
            "clearance": clearance_mm,
            "track_width": track_mm,
            "via_diameter": VIA_MM,
            "via_drill": VIA_DRILL_MM,
            "priority": 2147483647 if name == "Default" else order,
        }
        for order, (name, (clearance_mm, track_mm)) in enumerate(kinds.items())
    ]
    patterns = [{"netclass": side.value, "pattern": net} for net, side in sorted(net_sides.items())]
    limits = {
        "min_clearance": 0.15,
        "min_track_width": 0.15,
        "min_through_hole_diameter": 0.3,
        "min_via_diameter": 0.5,
        "min_copper_edge_clearance": 0.5,
        "min_resolved_spokes": 1,
        "min_hole_clearance": 0.25,
        "min_hole_to_hole": 0.25,
        "min_text_height": 0.8,
        "min_text_thickness": 0.1,
    }
    return (
        json.dumps(
            {
                "board": {"design_settings": {"rules": limits}},
                "meta": {"filename": f"{layout.name}.kicad_pro", "version": 3},
                "net_settings": {"classes": classes, "meta": {"version": 4}, "netclass_patterns": patterns},
            },
            indent=2,
        )
        + "\n"
    )


def outline(board: pcbnew.BOARD, layout: Layout) -> None:
    """Draw the board's edge and its slots."""
    r_mm, right_mm, bottom_mm = layout.corner_radius_mm, layout.width_mm, layout.height_mm
    corners = [
        (r_mm, r_mm, 180),
        (right_mm - r_mm, r_mm, 270),
        (right_mm - r_mm, bottom_mm - r_mm, 0),
        (r_mm, bottom_mm - r_mm, 90),
    ]
    _closed(board, corners, r_mm, 90)
    for slot in layout.slots:
        across = math.degrees(math.atan2(slot.y2_mm - slot.y1_mm, slot.x2_mm - slot.x1_mm))
        ends = [(slot.x1_mm, slot.y1_mm, across + 90), (slot.x2_mm, slot.y2_mm, across - 90)]
        _closed(board, ends, slot.width_mm / 2, 180)


def _closed(board: pcbnew.BOARD, ends: list[tuple[float, float, float]], radius_mm: float, sweep_deg: float) -> None:
    """Draw arcs, given by centre and first angle (clockwise on the sheet), and the straight lines between them."""

    def on_arc(end: tuple[float, float, float], turned_deg: float) -> pcbnew.VECTOR2I:
        angle = math.radians(end[2] + turned_deg)
        return at(end[0] + radius_mm * math.cos(angle), end[1] + radius_mm * math.sin(angle))

    for end, following in zip(ends, [*ends[1:], ends[0]], strict=True):
        arc = _on_layer(board, pcbnew.SHAPE_T_ARC, pcbnew.Edge_Cuts, 0.1)
        arc.SetArcGeometry(on_arc(end, 0), on_arc(end, sweep_deg / 2), on_arc(end, sweep_deg))
        line = _on_layer(board, pcbnew.SHAPE_T_SEGMENT, pcbnew.Edge_Cuts, 0.1)
        line.SetStart(on_arc(end, sweep_deg))
        line.SetEnd(on_arc(following, 0))


def _on_layer(board: pcbnew.BOARD, kind: int, layer: int, width_mm: float) -> pcbnew.PCB_SHAPE:
    shape = pcbnew.PCB_SHAPE(board, kind)
    shape.SetLayer(layer)
    shape.SetWidth(mm(width_mm))
    board.Add(shape)
    return shape


def add_nets(board: pcbnew.BOARD, net_sides: dict[str, Side]) -> dict[str, pcbnew.NETINFO_ITEM]:
    """Add the nets to the board."""
    nets = {}
    for name in sorted(net_sides):
        nets[name] = pcbnew.NETINFO_ITEM(board, name)
        board.Add(nets[name])
    return nets


@cache
def _reader(folder: Path) -> pcbnew.PCB_IO:
    """Return what reads a library of footprints; kept, since it reads the whole library at first."""
    return pcbnew.GetPluginForPath(str(folder))


def footprint(name: str) -> pcbnew.FOOTPRINT:
    """Return a footprint by its name "library:name", from KiCad's libraries or from our own."""
    library, _, item = name.partition(":")
    shared = Path(os.environ.get("KICAD9_FOOTPRINT_DIR", "/usr/share/kicad/footprints"))
    folder = (HERE if library == OWN_LIBRARY else shared) / f"{library}.pretty"
    found = _reader(folder).FootprintLoad(str(folder), item) if (folder / f"{item}.kicad_mod").is_file() else None
    if found is None:
        raise CircuitError(f"no footprint {name} in {folder}; install kicad-footprints or correct the netlist")
    found.SetFPID(pcbnew.LIB_ID(library, item))
    return found


def add_part(board: pcbnew.BOARD, part: Part, layout: Layout, nets: dict[str, pcbnew.NETINFO_ITEM]) -> None:
    """Put a part's footprint on the board and its pads on their nets."""
    place = layout.places[part.reference]
    item = footprint(layout.footprints_instead.get(part.reference, part.footprint))
    item.SetReference(part.reference)
    item.SetValue(part.value)
    item.SetPosition(at(place.x_mm, place.y_mm))
    item.SetOrientationDegrees(place.turn_deg)
    pads = {pad.GetNumber() for pad in item.Pads()} - {""}
    unknown = set(part.nets) - pads
    if unknown:
        raise CircuitError(f"{part.reference}: {part.footprint} has no pad {', '.join(sorted(unknown))}")
    for pad in item.Pads():
        net = part.nets.get(pad.GetNumber(), "")
        if net:
            pad.SetNet(nets[net])
    board.Add(item)


def add_holes(board: pcbnew.BOARD, layout: Layout) -> None:
    """Put the mounting holes where plastic fasteners go."""
    for number, place in enumerate(layout.holes, start=1):
        hole = footprint(layout.hole_footprint)
        hole.SetReference(f"H{number}")
        hole.SetPosition(at(place.x_mm, place.y_mm))
        hole.SetAttributes(hole.GetAttributes() | pcbnew.FP_EXCLUDE_FROM_BOM)
        board.Add(hole)


def _zone(board: pcbnew.BOARD, rect: Rect, layers: list[int]) -> pcbnew.ZONE:
    zone = pcbnew.ZONE(board)
    zone.SetLayerSet(_layer_set(layers))
    corners = [
        (rect.left_mm, rect.top_mm),
        (rect.right_mm, rect.top_mm),
        (rect.right_mm, rect.bottom_mm),
        (rect.left_mm, rect.bottom_mm),
    ]
    zone.AddPolygon(pcbnew.VECTOR_VECTOR2I([at(x, y) for x, y in corners]))
    board.Add(zone)
    return zone


def _layer_set(layers: list[int]) -> pcbnew.LSET:
    chosen = pcbnew.LSET()
    for layer in layers:
        chosen.AddLayer(layer)
    return chosen


def add_barriers(board: pcbnew.BOARD, layout: Layout) -> None:
    """Keep tracks, vias, pads and copper areas out of the barriers and away from the slots."""
    for name, rect in layout.barriers:
        area = _zone(board, rect, [pcbnew.F_Cu, pcbnew.B_Cu])
        area.SetIsRuleArea(True)
        area.SetZoneName(name)
        area.SetDoNotAllowTracks(True)
        area.SetDoNotAllowVias(True)
        area.SetDoNotAllowPads(True)
        area.SetDoNotAllowCopperPour(True)
        area.SetDoNotAllowFootprints(False)


def add_grounds(board: pcbnew.BOARD, layout: Layout, nets: dict[str, pcbnew.NETINFO_ITEM]) -> None:
    """Pour the ground of each side on both layers, each inside its own outline."""
    for ground in layout.grounds:
        zone = _zone(board, ground.rect, [pcbnew.F_Cu, pcbnew.B_Cu])
        zone.SetNet(nets[ground.net])
        zone.SetZoneName(ground.net)
        zone.SetLocalClearance(mm(0.25))
        zone.SetMinThickness(mm(0.25))
        zone.SetIslandRemovalMode(pcbnew.ISLAND_REMOVAL_MODE_ALWAYS)


def turn_ends(board: pcbnew.BOARD, layout: Layout) -> None:
    """Turn resistors, capacitors and the like round where that brings their ends nearer to what they go to.

    Which of two ends is pin 1 says nothing in a schematic, so the layout does not depend on it. Grounds are poured and
    do not count. Footprints turn about their middle, so only those kinds of parts that have their origin there do.
    """
    poured = {ground.net for ground in layout.grounds}
    spots: dict[str, list[tuple[str, pcbnew.VECTOR2I]]] = {}
    for item in board.GetFootprints():
        for pad in item.Pads():
            if plain(pad.GetNetname()) not in poured:
                spots.setdefault(pad.GetNetname(), []).append((item.GetReference(), pad.GetPosition()))

    def length(item: pcbnew.FOOTPRINT, net: str, place: pcbnew.VECTOR2I) -> float:
        others = [spot for reference, spot in spots.get(net, []) if reference != item.GetReference()]
        return min((math.dist((place.x, place.y), (spot.x, spot.y)) for spot in others), default=0.0)

    for item in sorted(board.GetFootprints(), key=lambda item: item.GetReference()):
        ends = list(item.Pads())
        if len(ends) != 2 or not re.fullmatch(r"(R|C|D|FB|L)\d+", item.GetReference()):
            continue
        nets, places = [end.GetNetname() for end in ends], [end.GetPosition() for end in ends]
        as_is, turned = (
            sum(length(item, net, place) for net, place in zip(nets, order, strict=True))
            for order in (places, places[::-1])
        )
        if turned < as_is - mm(0.1):
            item.SetOrientationDegrees(item.GetOrientationDegrees() + 180)


def add_tracks(board: pcbnew.BOARD, layout: Layout) -> None:
    """Lay the given tracks. Raises `CircuitError` if a part on the way has no pad, or several, on the track's net."""
    pads: dict[tuple[str, str], list[pcbnew.PAD]] = {}
    for item in board.GetFootprints():
        for pad in item.Pads():
            pads.setdefault((item.GetReference(), plain(pad.GetNetname())), []).append(pad)
    nets = {plain(str(name)): net for name, net in board.GetNetsByName().items()}
    for track in layout.tracks:
        points = []
        for point in track.along:
            if not isinstance(point, str):
                points.append(at(*point))
                continue
            found = pads.get((point, track.net), [])
            if len(found) != 1:
                raise CircuitError(f"{point} has {len(found)} pads on {track.net}, not one; see {layout.module}")
            points.append(found[0].GetPosition())
        for start, end in pairwise(points):
            piece = pcbnew.PCB_TRACK(board)
            piece.SetStart(start)
            piece.SetEnd(end)
            piece.SetWidth(mm(track.width_mm))
            piece.SetLayer(pcbnew.F_Cu)
            piece.SetNet(nets[track.net])
            board.Add(piece)


def add_stitching(board: pcbnew.BOARD, layout: Layout) -> None:
    """Join the upper and the lower copper area of each ground by vias, on a grid, wherever there is room."""
    reach_mm = VIA_MM / 2 + 0.3
    taken = [pad.GetBoundingBox() for item in board.GetFootprints() for pad in item.Pads()]
    taken += [track.GetBoundingBox() for track in board.GetTracks()]
    taken += [shape.GetBoundingBox() for shape in board.GetDrawings() if shape.GetLayer() == pcbnew.Edge_Cuts]
    for box in taken:
        box.Inflate(mm(reach_mm))
    nets = {plain(str(name)): net for name, net in board.GetNetsByName().items()}
    for ground in layout.grounds:
        rect, pitch_mm = ground.rect, ground.via_pitch_mm
        places = [
            at(rect.left_mm + (column + 0.5) * pitch_mm, rect.top_mm + (row + 0.5) * pitch_mm)
            for row in range(int((rect.bottom_mm - rect.top_mm) / pitch_mm))
            for column in range(int((rect.right_mm - rect.left_mm) / pitch_mm))
        ]
        free = [place for place in places if not any(box.Contains(place) for box in taken)]
        for place in [*free, *(at(*point) for point in ground.vias)]:
            via = pcbnew.PCB_VIA(board)
            via.SetPosition(place)
            via.SetWidth(mm(VIA_MM))
            via.SetDrill(mm(VIA_DRILL_MM))
            via.SetNet(nets[ground.net])
            board.Add(via)


if __name__ == "__main__":
    main()
