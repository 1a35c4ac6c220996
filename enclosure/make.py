"""Make everything of the case: STL files to print, pictures, and the tables of README.md.

    python enclosure/make.py                 all of it, into enclosure/build, enclosure/pictures and README.md
    python enclosure/make.py --only stl      only some of it: stl, pictures, readme

Needs OpenSCAD (2021.01 or later) and the extra "test" of this project. The same sources give the same bytes.
"""

from __future__ import annotations

import argparse
import re
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import checks
import model
from model import Case, for_printing, mesh_of
from pictures import Colour, Thing, picture

from flattop.panel.drawing import digit_mask
from flattop.panel.screen import DIGITS_PX, SIZE

HERE = Path(__file__).parent
README = HERE / "README.md"
STL_FOLDER = HERE / "build"
PICTURE_FOLDER = HERE / "pictures"
READING_DISTANCE_MM = 1500
DENSITY_G_PER_CM3 = 1.2
"""Flame-rated PC/ABS, from memory."""

_DARK, _GREY, _LIGHT = (62, 69, 79), (92, 102, 116), (226, 226, 220)
_GREEN, _BLACK, _LIVE = (22, 118, 92), (34, 35, 39), (213, 94, 0)
COLOURS: dict[str, Colour] = {
    "body": _DARK, "lid": _GREY, "shutter": (230, 159, 0), "hood": (52, 57, 66), "liner": (86, 180, 233),
    "cap_a": (240, 228, 66), "cap_b": (240, 228, 66), "cap_c": (240, 228, 66), "clamp_left": (150, 156, 164),
    "clamp_right": (150, 156, 164), "magnet_cover_1": (150, 156, 164), "magnet_cover_2": (150, 156, 164),
    "computer": _GREEN, "supply": _GREEN, "front_end": _GREEN, "charge_port": _GREEN, "buttons": _GREEN,
    "display": _BLACK, "pane": (150, 178, 200), "cells": (70, 72, 78), "island_speaker": _LIVE, "island_line": _LIVE,
    "socket_1": (186, 44, 44), "socket_2": _BLACK, "line_socket": _LIGHT, "jack": _BLACK, "lamp": (245, 245, 240),
    "sounder": _BLACK, "magnet_1": (196, 198, 202), "magnet_2": (196, 198, 202), "lid_screws": _LIGHT,
    "hood_screws": _LIGHT, "board_screws": _LIGHT,
}  # fmt: skip
ON_LID = (
    "lid", "hood", "pane", "display", "clamp_left", "clamp_right", "hood_screws", "cap_a", "cap_b", "cap_c", "buttons",
    "lamp", "sounder",
)  # fmt: skip
"""What is built onto the lid before it is closed."""


# -- pictures --------------------------------------------------------------------------------------------------------


Move = tuple[float, float, float]
_STAYS: Move = (0.0, 0.0, 0.0)


def things(
    case: Case, names: Sequence[str], shutter_at_mm: float = 0.0, moves: Mapping[str, Move] | None = None
) -> list[Thing]:
    """Return bodies with their colours, the shutter where it stands, others moved away by `moves`."""
    moves = {"shutter": (shutter_at_mm, 0.0, 0.0)} | dict(moves or {})
    found = []
    for name in names:
        body = case.solids[name]
        if name == "front_end":
            body -= case.solids["island_speaker"] + case.solids["island_line"]
        found.append(Thing(body.translate(moves.get(name, _STAYS)), COLOURS[name]))
        if name == "lid":
            # The words as paint in their grooves, a trace above the ground.
            paint = case.solids["words"].translate([0, 0, -0.95]) ^ case.solids["lid_plain"]
            found.append(Thing(paint.translate(moves.get(name, _STAYS)), _LIGHT))
    return found


def cut(case: Case, at_x_mm: float, names: Sequence[str]) -> list[Thing]:
    """Return what lies to the left of an upright plane, cut faces closed."""
    halves = [Thing(thing.body.trim_by_plane([-1, 0, 0], -at_x_mm), thing.colour) for thing in things(case, names)]
    return [half for half in halves if half.body.num_tri()]


def on_the_bed(case: Case) -> list[Thing]:
    """Return the printed parts side by side as they lie on the bed."""
    x = y = row = 0.0
    laid = []
    for name in case.printed:
        body = for_printing(name, case.solids[name])
        box = body.bounding_box()
        if x + box[3] > 400:
            x, y, row = 0.0, y - row - 12, 0.0
        laid.append(Thing(body.translate([x, y - box[4], 0]), COLOURS[name]))
        x, row = x + box[3] + 12, max(row, box[4])
    return laid


def exploded(case: Case) -> list[Thing]:
    """Return all bodies, drawn apart upward, and the shutter forward."""
    rise = {
        "liner": 45.0, "cells": 70.0, "computer": 108.0, "supply": 60.0, "charge_port": 70.0, "front_end": 80.0,
        "island_speaker": 80.0, "island_line": 80.0, "magnet_1": 30.0, "magnet_2": 30.0, "magnet_cover_1": 42.0,
        "magnet_cover_2": 42.0, "clamp_left": 138.0, "clamp_right": 138.0, "display": 155.0, "buttons": 155.0,
        "sounder": 170.0, "lamp": 170.0, "pane": 170.0, "cap_a": 175.0, "cap_b": 175.0, "cap_c": 175.0, "lid": 205.0,
        "hood": 235.0, "hood_screws": 260.0, "lid_screws": 235.0,
    }  # fmt: skip
    moves = {name: (0.0, 0.0, z) for name, z in rise.items()}
    moves |= {"shutter": (0.0, -42.0, 0.0), "socket_1": (0.0, -75.0, 0.0), "socket_2": (0.0, -75.0, 0.0)}
    moves |= {"line_socket": (0.0, 0.0, 60.0), "jack": (-40.0, 0.0, 0.0)}
    return things(case, [name for name in _drawn(case) if name != "board_screws"], moves=moves)


def _drawn(case: Case) -> list[str]:
    return [name for name in (*case.printed, *case.contents) if name in COLOURS]


def scenes(case: Case) -> Iterator[tuple[str, list[Thing], tuple[int, int], tuple[float, float]]]:
    """Yield name, bodies, size [px] and view (azimuth, elevation) [degrees] of each picture."""
    everything = _drawn(case)
    below = [name for name in everything if name not in (*ON_LID, "lid_screws")]
    travel = case.values["shutter_travel"]
    wide, square = (880, 600), (880, 640)
    yield "front", things(case, everything), square, (-24, 46)
    yield "charging", things(case, everything, travel), (880, 420), (14, 20)
    yield "face", things(case, everything), (880, 590), (0, 90)
    yield "inside", things(case, below), wide, (-12, 58)
    yield "section", cut(case, case.values["socket_at"][0][0], everything), (880, 470), (68, 16)
    yield "exploded", exploded(case), (880, 1120), (-28, 24)
    yield "bed", on_the_bed(case), (880, 660), (-14, 48)
    first = ["body", "magnet_1", "magnet_2", "magnet_cover_1", "magnet_cover_2", "liner"]
    lift = {"magnet_1": (0.0, 0.0, 14.0), "magnet_2": (0.0, 0.0, 14.0), "liner": (0.0, 0.0, 34.0)}
    lift |= {"magnet_cover_1": (0.0, 0.0, 26.0), "magnet_cover_2": (0.0, 0.0, 26.0)}
    yield "step-1", things(case, first, moves=lift), wide, (-18, 46)
    second = ["body", "liner", "magnet_cover_1", "magnet_cover_2", "socket_1", "socket_2", "line_socket", "charge_port"]
    apart = {"shutter": (0.0, 0.0, 40.0)}
    yield "step-2", things(case, [*second, "jack", "shutter"], moves=apart), wide, (-18, 40)
    third = dict.fromkeys(("front_end", "island_speaker", "island_line", "supply", "cells"), (0.0, 0.0, 30.0))
    third |= {"computer": (0.0, 0.0, 52.0)}
    yield "step-3", things(case, [name for name in below if name != "board_screws"], moves=third), wide, (-18, 44)
    lid = things(case, list(ON_LID))
    turned = [Thing(thing.body.rotate([180, 0, 0]), thing.colour) for thing in lid]
    yield "step-4", turned, wide, (-20, 50)
    over = dict.fromkeys(ON_LID, (0.0, 0.0, 48.0)) | {"lid_screws": (0.0, 0.0, 90.0)}
    yield "step-5", things(case, everything, moves=over), (880, 660), (-24, 34)


def make_pictures(case: Case) -> None:
    """Draw every picture of README.md."""
    PICTURE_FOLDER.mkdir(exist_ok=True)
    for name, bodies, size, (azimuth, elevation) in scenes(case):
        image = picture(bodies, size, azimuth_deg=azimuth, elevation_deg=elevation)
        path = PICTURE_FOLDER / f"{name}.png"
        image.quantize(128, method=0).save(path, optimize=True)
        print(f"{path.relative_to(HERE)}: {path.stat().st_size / 1000:.0f} kB")


# -- STL -------------------------------------------------------------------------------------------------------------


def make_stl(case: Case) -> None:
    """Write every printed part as it lies on the bed."""
    STL_FOLDER.mkdir(exist_ok=True)
    for name in case.printed:
        path = STL_FOLDER / f"{name}.stl"
        path.write_bytes(mesh_of(for_printing(name, case.solids[name])).export(file_type="stl"))
        print(f"{path.relative_to(HERE)}: {path.stat().st_size / 1000:.0f} kB")


# -- README ----------------------------------------------------------------------------------------------------------


def parts_table(case: Case) -> str:
    """Return the printed parts: room on the bed, plastic, thinnest wall, bridges."""
    rows = [
        "| Part | On the bed, mm | Plastic | Thinnest wall | Lies on | Level bridges |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for name in case.printed:
        bed = " x ".join(f"{side:.0f}" for side in checks.bed_mm(case, name))
        mass_g = case.solids[name].volume() / 1000 * DENSITY_G_PER_CM3
        wall, _ = checks.thinnest_wall_mm(case.solids["lid_plain" if name == "lid" else name])
        bridges = [patch for patch in checks.overhangs(case, name) if patch.flat]
        told = f"{len(bridges)}, to {max(patch.span_mm for patch in bridges):.1f} mm" if bridges else "none"
        rows.append(f"| {name.replace('_', ' ')} | {bed} | {mass_g:.0f} g | {wall:.2f} mm | {LIES_ON[name]} | {told} |")
    return "\n".join(rows)


LIES_ON = dict.fromkeys(("body", "liner"), "back") | {"lid": "face", "shutter": "smooth side", "hood": "base"}
LIES_ON |= {f"cap_{letter}": "flange" for letter in "abc"}
LIES_ON |= dict.fromkeys(("clamp_left", "clamp_right", "magnet_cover_1", "magnet_cover_2"), "either side")


def figures_table(case: Case) -> str:
    """Return what was measured, each with what it is to be."""
    values = case.values
    travel = values["shutter_travel"]
    length, width, height = values["size"]
    rows = [
        (
            "Case, without strap lugs, hood and caps",
            "about 165 x 95 x 40 mm",
            f"{length:.1f} x {width:.1f} x {height:.1f} mm",
        ),
        (
            "With them",
            "",
            f"{length:.1f} x {width + values['lug_out']:.1f} x {height + values['gap'] + values['hood_h']:.1f} mm",
        ),
    ]
    plastic_g = sum(case.solids[name].volume() for name in case.printed) / 1000 * DENSITY_G_PER_CM3
    rows.append(("Plastic, all parts, at 1.2 g/cm³", "", f"{plastic_g:.0f} g"))
    for end, at_mm in (("inputs open", 0.0), ("charge port open", travel)):
        found = checks.pairs(case, at_mm)
        rows.append(
            (
                f"Pairs of bodies near one another, {end}",
                "0 mm³ shared, 0.2 mm apart",
                f"{len(found)} pairs: {sum(pair.shared_mm3 for pair in found):.3f} mm³ shared, "
                f"{min(pair.gap_mm for pair in found):.2f} mm apart at least",
            )
        )
    for end, at_mm in (("inputs open", 0.0), ("charge port open", travel)):
        near = checks.distances_outside_mm(case, at_mm)
        least = min(near, key=lambda name: near[name])
        rows.append(
            (f"From anything live to where a hand comes, {end}", "8 mm", f"{near[least]:.2f} mm ({_said(least)})")
        )
    to_metal = checks.distances_to_metal_mm(case)
    live, metal = min(to_metal, key=lambda key: to_metal[key])
    rows.append(
        (
            "From anything live to metal, low side or the other input",
            "8 mm",
            f"{to_metal[live, metal]:.2f} mm ({_said(live)}, {_said(metal)})",
        )
    )
    magnet = min(value for (_, other), value in to_metal.items() if other.startswith("magnet"))
    rows.append(("From anything live to a magnet", "8 mm", f"{magnet:.1f} mm"))
    rows.append(
        ("Line socket's metal to that of the 4 mm sockets", "25 mm", f"{checks.rca_to_sockets_mm(case):.1f} mm")
    )
    stands = checks.sweep(case)
    closed = min(stand.at_mm for stand in stands if all(stand.daylight_mm2[name] < 0.01 for name in checks.INPUTS))
    opened = min(stand.at_mm for stand in stands if stand.daylight_mm2[checks.CHARGE] > 0.01)
    rows.append(("Shutter's travel", "", f"{travel:.1f} mm"))
    rows.append(
        (
            "Last of the inputs covered; charge port begins to show",
            "in this order",
            f"at {closed:.1f} mm; at {opened:.1f} mm",
        )
    )
    both = len(checks.logic_faults(stands))
    rows.append(("Positions with both open", f"0 of {len(stands)}", f"{both}"))
    held = max(checks.held_by_plug_mm(case, plug) for plug in checks.INPUTS)
    rows.append(("Shutter stopped by any plug in an input", "before it covers another", f"after {held:.1f} mm"))
    shade = checks.shaded_to_deg(case, (0.0, 1.0))
    rows.append(
        ("Sun from above that the hood keeps off the whole picture", "", f"to {shade}° over the screen's plane")
    )
    digit_px = digit_mask("1", DIGITS_PX, 47).image.height
    angle = checks.arc_minutes(digit_px, SIZE[1], values["tft_active"][1], READING_DISTANCE_MM)
    rows.append(
        (
            "Digits of the volts at 1.5 m",
            "16' at least, 20' to 22' preferred",
            f"{angle:.1f}' ({digit_px} px, {digit_px / SIZE[1] * values['tft_active'][1]:.1f} mm)",
        )
    )
    lines = ["| Figure | Target | Measured on the meshes |", "| --- | --- | --- |"]
    return "\n".join(lines + [f"| {' | '.join(row)} |" for row in rows])


def _said(name: str) -> str:
    return name.replace("_", " ")


def bought_table() -> str:
    """Return every dimension that the model takes from outside, with where it comes from, out of its comments."""
    source = model.SOURCE.read_text(encoding="utf-8")
    rows = ["| Dimension | mm | | Where it comes from |", "| --- | --- | --- | --- |"]
    for mark in ("bought", "chosen"):
        block = source.split(f"// begin: {mark}\n")[1].split(f"// end: {mark}")[0]
        for name, value, tag, words in re.findall(r"^(\w+) = (.+?); // ([VMC]) (.+)$", block, re.MULTILINE):
            rows.append(f"| {name} | {value.strip('[]').replace(', ', ' x ')} | {tag} | {words} |")
    return "\n".join(rows)


def write_readme(made: Mapping[str, str]) -> None:
    """Put tables between their marks in README.md."""
    text = README.read_text(encoding="utf-8")
    for name, table in made.items():
        text, count = re.subn(
            rf"(<!-- made: {name} -->\n).*?(<!-- end -->)",
            lambda found, table=table: f"{found[1]}{table}\n{found[2]}",
            text,
            flags=re.DOTALL,
        )
        if count != 1:
            raise SystemExit(f"README.md: exactly one place is wanted for the table {name!r}, found {count}")
    README.write_text(text, encoding="utf-8")


def main(arguments: Sequence[str] | None = None) -> int:
    """Make what is asked for; say where it went and how long it took."""
    parser = argparse.ArgumentParser(description="Make the STL files, pictures and tables of the case.")
    parser.add_argument(
        "--only", choices=("stl", "pictures", "readme"), action="append", help="may stand more than once"
    )
    parser.add_argument("--openscad", default="openscad", help="path of OpenSCAD (default: %(default)s)")
    given = parser.parse_args(arguments)
    program = shutil.which(given.openscad)
    if program is None:
        print(
            f"make.py: {given.openscad} is not there: install the package openscad, or name it with --openscad",
            file=sys.stderr,
        )
        return 1
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        try:
            case = model.render(program, Path(folder))
        except model.RenderError as fault:
            print(f"make.py: {fault}", file=sys.stderr)
            return 1
    print(f"{len(case.solids)} bodies rendered in {time.monotonic() - began_s:.0f} s")
    wanted = given.only or ["stl", "pictures", "readme"]
    if "stl" in wanted:
        make_stl(case)
    if "pictures" in wanted:
        make_pictures(case)
    if "readme" in wanted:
        tables = {"figures": figures_table(case), "parts": parts_table(case), "dimensions": bought_table()}
        write_readme(tables)
        print("\n\n".join(tables.values()))
    print(f"made in {time.monotonic() - began_s:.0f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
