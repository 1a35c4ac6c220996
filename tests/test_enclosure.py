"""The case as meshes: parts that close, fit and print; distances from what is live; a shutter that never opens both.

Sources: IEC 60664-1, table F.4 (250 V rms, pollution degree 2, material group III: 2.5 mm, doubled for reinforced
insulation), which the design rounds up to 8 mm; ISO 9241-3 (now ISO 9241-303) on character height: 16 minutes of arc
at least, 20 to 22 preferred, as quoted in NUREG-0700 rev. 2, 1.3.1-4; MIL-STD-1472E, 5.4.3.1.3.3 and table VII, for
keys under gloves. The rule of 45 degrees for printing without support and 1.2 mm for a wall are common practice, no
source. Nothing was printed: all of it is measured on what OpenSCAD makes.
"""

from __future__ import annotations

import dataclasses
import itertools
import re
import sys
from pathlib import Path

import numpy as np
import pytest

from flattop.panel.drawing import digit_mask, text_mask
from flattop.panel.screen import DIGITS_PX, LARGE_PX, SIZE, VOLTS, View, draw
from make_frames import reading

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "enclosure"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "hardware" / "board"))

import board_layout
import checks
import model
from board_shapes import Layout
from panel_layout import BUTTON_X_MM, BUTTON_Y_MM, PANEL
from supply_layout import CHARGE, HOLE_INSET_MM, RECEPTACLE_OVERHANG_MM, SUPPLY

ROOT = Path(__file__).resolve().parents[1]
ENCLOSURE = ROOT / "enclosure"

LIVE_AIR_MM = 8.0
INSIDE_MM = 0.2
BED_MM = (220, 220, 250)
WALL_MM = 1.2
OUTER_WALL_MM = 2.4
LONGEST_BRIDGE_MM = 12
EPS_MM = 0.01
"""What single precision and six printed digits leave."""


@pytest.fixture(scope="module")
def render(need, tmp_path_factory):
    program = need("openscad")

    def make(names=None, **defines):
        return model.render(program, tmp_path_factory.mktemp("case"), names, defines)

    return make


@pytest.fixture(scope="module")
def case(render):
    return render()


@pytest.fixture(scope="module", params=["inputs open", "charge port open"])
def end_mm(request, case):
    return 0.0 if request.param == "inputs open" else case.values["shutter_travel"]


def with_moved(case, name, by_mm):
    return dataclasses.replace(case, solids=case.solids | {name: case.solids[name].translate(by_mm)})


# -- bodies -----------------------------------------------------------------------------------------------------------


def test_every_printed_part_is_one_closed_body(case):
    for name in case.printed:
        mesh = case.meshes[name]
        assert mesh.is_watertight, name
        assert mesh.is_winding_consistent, name
        assert mesh.volume > 0, name
        assert len(case.solids[name].decompose()) == 1, name


def test_engraved_words_stay_in_the_skin_of_the_lid(case):
    words, lid, plain = (case.solids[name] for name in ("words", "lid", "lid_plain"))
    assert plain.volume() - lid.volume() > 50, "nothing is engraved"
    deepest = case.values["size"][2] - words.bounding_box()[2]
    assert case.values["plate"] - deepest >= OUTER_WALL_MM - EPS_MM
    # All of each letter lies on the lid, none over an opening or an edge.
    low = (words ^ plain).volume() / words.trim_by_plane([0, 0, -1], -case.values["size"][2]).volume()
    assert low == pytest.approx(1, abs=1e-4)


# -- fit --------------------------------------------------------------------------------------------------------------


def test_nothing_interferes_and_everything_has_air(case, end_mm, capsys):
    found = checks.pairs(case, end_mm)
    with capsys.disabled():
        print(f"\n{len(found)} pairs, shared {sum(pair.shared_mm3 for pair in found):.3f} mm³")
    assert len(found) > 60
    assert [pair for pair in found if pair.shared_mm3 > 1e-6] == []
    assert [pair for pair in found if pair.gap_mm < INSIDE_MM - EPS_MM] == []


@pytest.mark.parametrize(
    ("name", "by_mm"), [("shutter", (0, 0, -0.1)), ("front_end", (0, 0.5, 0)), ("hood", (0, 0, -0.3))]
)
def test_a_body_out_of_place_is_found(case, name, by_mm):
    found = checks.pairs(with_moved(case, name, by_mm), 0.0)
    assert any(name in (pair.first, pair.second) and pair.gap_mm < INSIDE_MM - EPS_MM for pair in found)


def test_the_shutter_cannot_leave_its_channel(case):
    travel = case.values["shutter_travel"]
    body, lid, shutter = (case.solids[name] for name in ("body", "lid", "shutter"))
    for way in ((-1.0, 0, 0), (travel + 1.0, 0, 0), (0, 0, -1.0), (0, -1.0, 0), (0, 1.0, 0)):
        assert (shutter.translate(way) ^ body).volume() > 1, way
    assert (shutter.translate([0, 0, 1.5]) ^ lid).volume() > 1
    assert (shutter.translate([0, -1.0, 0]) ^ lid).volume() > 1


def test_board_and_case_agree(case):
    """The outline, holes and barrier of the front-end board, as laid out, against those the case is made for."""
    layout = board_layout
    values = case.values
    width_mm, height_mm, _ = values["board"]
    assert (width_mm, height_mm) == pytest.approx((layout.WIDTH_MM, layout.HEIGHT_MM))
    # The board lies turned by half a turn: its right end, with the computer, toward the cells.
    inset_mm, pitch_mm = values["board_hole_inset"], values["pi_holes"][0]
    across = (inset_mm, inset_mm + pitch_mm, width_mm - inset_mm)
    ours = {(round(width_mm - x, 3), round(y, 3)) for x in across for y in (inset_mm, height_mm - inset_mm)}
    assert {(round(hole.x_mm, 3), round(hole.y_mm, 3)) for hole in layout.holes()} == ours
    assert values["island_x"] == pytest.approx(layout.BARRIER_X_MM - layout.BARRIER_WIDTH_MM / 2, abs=0.1)
    live = [place for place in layout.places().values() if place.x_mm < layout.BARRIER_X_MM]
    assert len(live) > 20
    # Pads reach at most 2 mm beyond the middle of a part that stands near the edge.
    edge_mm = values["island_inset"] + 2
    assert all(edge_mm <= place.x_mm for place in live)
    assert all(edge_mm <= place.y_mm <= height_mm - edge_mm for place in live)


def test_the_small_boards_and_the_case_agree(case):
    """Outlines, holes, switches and plugs of supply, panel and charge board against those the case is made for."""
    values = case.values

    def size_mm(layout: Layout) -> tuple[float, float]:
        return layout.width_mm, layout.height_mm

    assert tuple(values["supply"][:2]) == size_mm(SUPPLY)
    assert values["supply_hole_inset"] == HOLE_INSET_MM
    # On edge: its depth lies along y, its width upright.
    assert tuple(values["usb_board"][:0:-1]) == size_mm(CHARGE)
    assert values["usb_overhang"] == RECEPTACLE_OVERHANG_MM
    assert tuple(values["button_board"][:2]) == size_mm(PANEL)
    # The model counts from the lower edge, the board from the upper.
    left_mm, low_mm = values["button_board_off"]
    assert (left_mm, PANEL.height_mm - low_mm) == (BUTTON_X_MM, BUTTON_Y_MM)
    middle_x, middle_y = values["button_at"][1]

    def on_board(x_mm: float, y_mm: float) -> tuple[float, float]:
        return round(x_mm - middle_x + left_mm, 3), round(PANEL.height_mm - low_mm - (y_mm - middle_y), 3)

    assert {on_board(*at) for at in values["button_posts"]} == {(hole.x_mm, hole.y_mm) for hole in PANEL.holes}
    switches = zip(("S1", "S2", "S3", "S4", "S5"), [*values["button_at"], *values["small_button_at"]], strict=True)
    for name, at in switches:
        # From the first pin of the footprint to its middle, as in the footprint library: half of 6.5 x 4.5 mm.
        place = PANEL.places[name]
        assert on_board(*at) == pytest.approx((place.x_mm + 3.25, place.y_mm + 2.25)), name
    front_end = board_layout.FRONT_END
    plugs = [(front_end, "J12"), (front_end, "J10"), (PANEL, "J5"), (PANEL, "J11"), (PANEL, "BT3")]
    for (layout, name), (left, top, right, bottom, _) in zip(
        plugs, [*values["board_plugs"], *values["panel_plugs"]], strict=True
    ):
        place = layout.places[name]
        assert left < place.x_mm < right, name
        assert top < place.y_mm < bottom, name


# -- walls and distances ----------------------------------------------------------------------------------------------


def test_walls(case):
    for name in case.printed:
        wall_mm, at = checks.thinnest_wall_mm(case.solids["lid_plain" if name == "lid" else name])
        assert wall_mm >= WALL_MM - EPS_MM, (name, at)
    assert min(case.values[name] for name in ("wall", "floor_t", "plate")) >= OUTER_WALL_MM


def test_a_thin_wall_is_found(render):
    thin = render(["liner"], liner_t=0.5)
    assert checks.thinnest_wall_mm(thin.solids["liner"])[0] < 0.6


def test_live_parts_keep_their_distance_from_a_hand(case, end_mm):
    near = checks.distances_outside_mm(case, end_mm)
    assert set(near) == set(checks.LIVE)
    assert {name: mm for name, mm in near.items() if mm < LIVE_AIR_MM} == {}


def test_a_live_part_too_near_the_outside_is_found(case):
    raised = dataclasses.replace(
        case, meshes=case.meshes | {"island_line": case.meshes["island_line"].copy().apply_translation([0, 0, -3])}
    )
    assert checks.distances_outside_mm(raised, 0.0)["island_line"] < LIVE_AIR_MM


def test_live_parts_keep_their_distance_from_metal_and_from_one_another(case):
    found = checks.distances_to_metal_mm(case)
    assert ("island_speaker", "magnet_1") in found
    assert {pair: mm for pair, mm in found.items() if mm < LIVE_AIR_MM - EPS_MM} == {}


def test_sockets(case):
    (x1, z1), (x2, z2) = case.values["socket_at"]
    assert np.hypot(x1 - x2, z1 - z2) == pytest.approx(19, abs=1e-3)
    assert checks.rca_to_sockets_mm(case) >= 25


def test_a_line_socket_too_near_is_found(render):
    near = render(["line_metal", "socket_metal_1", "socket_metal_2"], rca_off=20)
    assert checks.rca_to_sockets_mm(near) < 25


# -- the shutter ------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def stands(case):
    return checks.sweep(case)


def test_never_both_open_anywhere_from_end_to_end(case, stands):
    assert len(stands) > 10 * case.values["shutter_travel"]
    assert checks.logic_faults(stands) == []


def test_each_end_covers_the_other_side_wholly(stands):
    first, last = stands[0], stands[-1]
    assert first.enters == set(checks.INPUTS)
    assert first.daylight_mm2[checks.CHARGE] == 0
    assert last.enters == {checks.CHARGE}
    assert all(last.daylight_mm2[name] == 0 for name in checks.INPUTS)


def test_inputs_are_covered_before_the_charge_port_begins_to_show(stands):
    inputs_lit = [stand.at_mm for stand in stands if any(stand.daylight_mm2[name] > 0.01 for name in checks.INPUTS)]
    charge_lit = [stand.at_mm for stand in stands if stand.daylight_mm2[checks.CHARGE] > 0.01]
    assert max(inputs_lit) < min(charge_lit)


@pytest.mark.parametrize("plug", checks.INPUTS)
def test_a_plug_in_an_input_holds_the_shutter(case, plug):
    assert checks.held_by_plug_mm(case, plug) < 2


@pytest.mark.parametrize("travel_mm", [12, 18])
def test_a_shutter_with_too_little_travel_is_found(render, travel_mm):
    short = render(["shutter", *checks.INPUTS, checks.CHARGE], shutter_travel=travel_mm)
    faults = checks.logic_faults(checks.sweep(short, 0.5))
    assert any("open together" in fault for fault in faults)


# -- printing ---------------------------------------------------------------------------------------------------------


def test_every_part_fits_the_bed(case):
    for name in case.printed:
        assert all(side <= room for side, room in zip(checks.bed_mm(case, name), BED_MM, strict=True)), name


def test_parts_print_without_support(case):
    for name in case.printed:
        found = checks.overhangs(case, name)
        assert [patch for patch in found if not patch.flat] == []
        assert [patch for patch in found if patch.span_mm > LONGEST_BRIDGE_MM] == []


def test_a_part_that_lies_wrong_is_found(case, monkeypatch):
    monkeypatch.delitem(model.PRINT_TURN_DEG, "lid")
    found = checks.overhangs(case, "lid")
    assert any(patch.span_mm > LONGEST_BRIDGE_MM for patch in found)


# -- eye and hand -----------------------------------------------------------------------------------------------------


def test_the_volts_are_legible_at_1_5_m(case):
    """ISO 9241: 16 minutes of arc at least, 20 to 22 preferred; 45 at most in groups (NUREG-0700)."""
    frame = np.asarray(draw(View(reading=reading(58.6))).crop(VOLTS).convert("L"))
    drawn_px = int((frame > 128).any(axis=1).sum())
    # Round digits reach a little further than flat ones; what counts is the least.
    digit_px = min(digit_mask(digit, DIGITS_PX, 47).image.height for digit in "0123456789")
    assert digit_px <= drawn_px <= digit_px + 2
    active_mm = case.values["tft_active"][1]
    assert 22 <= checks.arc_minutes(digit_px, SIZE[1], active_mm, 1500) <= 45
    word_px = text_mask("CLEAN", LARGE_PX).image.height
    assert checks.arc_minutes(word_px, SIZE[1], active_mm, 1500) >= 16


def test_arc_minutes():
    """NUREG-0700, 1.3.1-4: height = 6.283 D MA / 21600."""
    assert checks.arc_minutes(100, 100, 6.283 * 1000 * 20 / 21600, 1000) == pytest.approx(20, rel=1e-3)


def test_the_whole_picture_is_seen_from_ahead_and_from_below(case):
    """Straight ahead, 40 degrees from below and 25 degrees from each side nothing hides more than the window's edge."""
    bodies = [case.solids[name] for name in ("lid", "hood", "cap_a", "cap_b", "cap_c")]
    points = checks.picture_grid(case)
    assert checks.hidden(bodies, points, (0, 0, 1)) == 0
    for way_deg, toward in ((40, (0, -1)), (25, (1, 0)), (25, (-1, 0))):
        a = np.radians(way_deg)
        way = (toward[0] * np.sin(a), toward[1] * np.sin(a), np.cos(a))
        assert checks.hidden(bodies, points, way) <= 0.2, way
    beside = points + np.array([case.values["tft_active"][0] * 1.1, 0, 0])
    assert checks.hidden(bodies, beside, (0, 0, 1)) == 1


def test_the_hood_shades_the_picture(case):
    assert checks.shaded_to_deg(case, (0.0, 1.0)) >= 20


def test_buttons_suit_gloves_and_stand_below_the_screen(case):
    """MIL-STD-1472E: 19 mm or more where mittens are worn; 13 mm between push buttons without barriers."""
    caps = [case.solids[name].bounding_box() for name in ("cap_a", "cap_b", "cap_c")]
    top_mm = case.values["size"][2]
    heads = [case.solids[name].slice(top_mm + 1).bounds() for name in ("cap_a", "cap_b", "cap_c")]
    assert all(head[2] - head[0] >= 19 - 0.1 for head in heads)
    assert all(right[0] - left[2] >= 13 - EPS_MM for left, right in itertools.pairwise(heads))
    assert all(cap[5] > top_mm + 2 for cap in caps)
    x, y = case.values["tft_at"]
    middles = [(head[0] + head[2]) / 2 for head in heads]
    assert middles == sorted(middles)
    assert middles[1] == pytest.approx(x, abs=0.1)
    assert all(head[3] < y - case.values["tft_active"][1] / 2 for head in heads)


# -- what README says --------------------------------------------------------------------------------------------------


def test_every_dimension_says_where_it_comes_from():
    source = model.SOURCE.read_text(encoding="utf-8")
    for mark in ("bought", "chosen"):
        lines = [
            line for line in source.split(f"// begin: {mark}\n")[1].split(f"// end: {mark}")[0].splitlines() if line
        ]
        assert len(lines) > 10
        for line in lines:
            assert re.fullmatch(r"\w+ = .+; // [VMC] .+", line), line


def test_pictures_in_readme_are_there():
    readme = (ENCLOSURE / "README.md").read_text(encoding="utf-8")
    named = re.findall(r"\]\((pictures/[\w-]+\.png)\)", readme)
    assert len(named) > 5
    assert {path.relative_to(ENCLOSURE).as_posix() for path in (ENCLOSURE / "pictures").iterdir()} == set(named)
