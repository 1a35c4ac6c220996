"""The screen against stored frames, published figures for legibility, and its own promises (pure, still, honest)."""

from __future__ import annotations

import itertools
import json
import math
import subprocess
import sys
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from PIL import Image

from flattop.measure.reading import Reason, Verdict
from flattop.panel import drawing, screen, words
from flattop.panel.drawing import Box
from flattop.panel.screen import Kept, View, changed_rectangles, draw, frame_bytes, packed, rgb565
from flattop.panel.words import DASHES, hz_text, volts_text
from make_frames import BASE, FOLDER, NAN, bent, folded, ramp, reading, unknown, views

VIEWS = views()
FULL_FRAME_BYTES = 2 * 320 * 240 + 11


def pixels(view: View, box: Box | None = None) -> np.ndarray:
    image = draw(view)
    return np.asarray(image.crop(box) if box else image)


def ink_box(grey: np.ndarray) -> Box:
    rows, columns = np.flatnonzero(grey.any(axis=1)), np.flatnonzero(grey.any(axis=0))
    return Box(int(columns[0]), int(rows[0]), int(columns[-1]) + 1, int(rows[-1]) + 1)


# --- reference frames ---------------------------------------------------------------------------


def difference(new: Image.Image, stored: Image.Image) -> str:
    """What is wrong with a frame, or nothing.

    Lines and shapes come out the same everywhere. Glyphs are drawn by the FreeType inside each
    Pillow, whose smoothing has changed by a few levels between versions: so a pixel may differ
    by up to 48 of 255, and 1 in 200 by more than 8. A digit, a word or a line elsewhere breaks
    both limits (`test_the_comparison_sees_a_small_change`).
    """
    if new.size != stored.size:
        return f"size {new.size}, stored {stored.size}"
    off = np.abs(np.asarray(new, int) - np.asarray(stored, int)).max(axis=2)
    share = float((off > 8).mean())
    if off.max() <= 48 and share <= 0.005:
        return ""
    return f"a pixel differs by {off.max()} (48 allowed), {share:.2%} of them by more than 8 (0.50 % allowed)"


@pytest.mark.parametrize("name", VIEWS)
def test_frame_is_as_stored(name, tmp_path):
    new = draw(VIEWS[name])
    path = FOLDER / f"{name}.png"
    fault = difference(new, Image.open(path).convert("RGB")) if path.exists() else "no stored frame"
    if fault:
        new.save(tmp_path / path.name)
        pytest.fail(
            f"{path.name}: {fault}. New frame: {tmp_path / path.name}. Look at both; if the new one is meant, "
            "run tests/make_frames.py"
        )


def test_no_stored_frame_is_left_over():
    assert {path.stem for path in FOLDER.glob("*.png")} == set(VIEWS)


def test_the_comparison_sees_a_small_change():
    clean = VIEWS["clean"]
    for other in (replace(clean, reading=reading(58.7)), replace(clean, aim_v=62.5), replace(clean, ceiling_v=66.8)):
        assert difference(draw(other), draw(clean))


def test_every_verdict_and_reason_has_a_frame():
    shown = {(v.reading.verdict, v.reading.reason) for v in VIEWS.values() if v.reading is not None}
    assert {verdict for verdict, _ in shown} == set(Verdict)
    assert {reason for _, reason in shown} == set(Reason)


# --- legibility ---------------------------------------------------------------------------------


def contrast(one: tuple[int, ...], other: tuple[int, ...]) -> float:
    """WCAG 2.2, definitions of relative luminance and of contrast ratio."""

    def luminance(rgb):
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in (v / 255 for v in rgb)]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_formula_against_published_pairs():
    # The two greys either side of 4.5:1 on white are the usual examples for WCAG 1.4.3.
    assert contrast((0x76,) * 3, (255,) * 3) == pytest.approx(4.542, abs=5e-4)
    assert contrast((0x77,) * 3, (255,) * 3) == pytest.approx(4.478, abs=5e-4)
    assert contrast((0, 0, 0), (255, 255, 255)) == pytest.approx(21.0)


def two_main_colours(box: np.ndarray) -> list[tuple[int, ...]]:
    colours, counts = np.unique(box.reshape(-1, 3), axis=0, return_counts=True)
    return [tuple(int(v) for v in colours[i]) for i in np.argsort(counts)[::-1][:2]]


@pytest.mark.parametrize("name", VIEWS)
def test_contrast_of_all_text_as_drawn(name):
    """WCAG 2.2, 1.4.6: 7:1 for text; 4.5:1 for large text, which only the band's 40-px word is."""
    text_regions = ("LABEL", "SIMULATED", "VOLTS", "UNIT", "KEPT", "FACTS", "ADVICE")
    for region in (*text_regions, "BAND"):
        colours = two_main_colours(pixels(VIEWS[name], getattr(screen, region)))
        if len(colours) == 2:
            assert contrast(*colours) >= (4.5 if region == "BAND" else 7.0), (region, colours)


def test_only_the_reserved_colour_falls_below_seven_to_one():
    on_black = {name: contrast(getattr(words, name), words.BLACK) for name in ("YELLOW", "ORANGE", "SKY", "PALE")}
    assert min(on_black.values()) >= 7.0, on_black
    assert 4.5 <= contrast(words.VERMILLION, words.BLACK) < 7.0
    # WCAG 2.2, 1.4.11: 3:1 between the parts of a picture that carry meaning.
    for colour in (words.ORANGE, words.YELLOW, words.WHITE):
        assert contrast(colour, words.SLATE) >= 3.0


MM_PER_PX = 57.6 / 320  # a 2.8-inch panel's active area is 57.6 mm wide


def arcmin(height_px: int, distance_mm: float) -> float:
    """NUREG-0700: character height = 6.283 D MA / 21600, solved for the angle MA."""
    return height_px * MM_PER_PX * 21600 / (6.283 * distance_mm)


def capital_height(region: Box, view: View) -> int:
    grey = pixels(view, region).max(axis=2) > 127
    return ink_box(grey).height


def test_heights_in_minutes_of_arc():
    """ISO 9241-3 as quoted: 20 to 22 minutes preferred, 16 at the least."""
    digits = [ink_box(np.asarray(drawing.digit_mask(d, screen.DIGITS_PX, 47).image) > 127).height for d in "0123456789"]
    assert arcmin(min(digits), 1500) >= 22
    assert min(digits) >= 54
    assert arcmin(capital_height(screen.ADVICE, View(advice="hold")), 1500) >= 16
    # The word alone, white on black: right of the field that holds the shape.
    word = Box(screen.BAND.left + 56, screen.BAND.top + 3, screen.BAND.right, screen.BAND.bottom)
    assert arcmin(capital_height(word, View()), 1500) >= 16
    assert capital_height(word, View()) >= 39
    assert arcmin(capital_height(screen.LABEL, View(label="BEH")), 750) >= 16
    small = np.asarray(drawing.text_mask("0", screen.SMALL_PX).image) > 127
    assert arcmin(ink_box(small).height, 750) >= 16


def test_large_words_are_never_drawn_narrower_and_two_lines_never_touch():
    faces = [words.START, words.STALE, words.STOP]
    faces += [words.face(view.reading, stale=view.stale) for view in VIEWS.values()]
    for face in faces:
        assert drawing.text_mask(face.word, screen.LARGE_PX).image.width <= screen.BAND.width - 64, face.word
        assert len(face.why) <= 2
        for line in face.why:
            room = screen.PICTURE.right - screen.FACTS.left
            assert drawing.text_mask(line, screen.SMALL_PX).image.width <= room, line
        if len(face.why) == 2:
            assert not set(face.why[0]) & set("gjpqy,;"), face.why[0]


def test_text_without_room_keeps_its_height_and_says_that_it_is_cut():
    whole = np.asarray(drawing.text_mask("VOLUME DOWN", 55).image)
    narrow = np.asarray(drawing.text_mask("VOLUME DOWN", 55, screen.ADVICE.width).image)
    assert narrow.shape[1] == screen.ADVICE.width < whole.shape[1]
    assert ink_box(narrow).height == ink_box(whole).height
    cut = drawing.text_mask("four-channel amplifier, third output", 28, 135).image
    assert cut.width <= 135
    assert cut.width > 100
    assert drawing.text_mask("x" * 200, 28, 135).image.width <= 135
    assert drawing.text_mask(" ", 28, 135).image.width >= 1


# --- layout -------------------------------------------------------------------------------------

REGIONS = {
    name: getattr(screen, name)
    for name in (
        "LABEL",
        "SIMULATED",
        "HAZARD",
        "VOLTS",
        "UNIT",
        "KEPT",
        "FACTS",
        "PICTURE",
        "LADDER",
        "ADVICE",
        "BAND",
    )
}


def test_regions_lie_on_the_panel_and_never_on_one_another():
    for name, box in REGIONS.items():
        assert 0 <= box.left < box.right <= 320, name
        assert 0 <= box.top < box.bottom <= 240, name
    for (one, a), (two, b) in itertools.combinations(REGIONS.items(), 2):
        apart = a.right <= b.left or b.right <= a.left or a.bottom <= b.top or b.bottom <= a.top
        assert apart, (one, two)


def test_every_displayable_value_fits():
    """0.00 to 180.0 V in steps of 0.01 V, at the finest and at a usual uncertainty."""
    formats = set()
    for hundredths in range(18001):
        value = hundredths / 100
        for u in (0.0005, 0.04, 0.005 * value):
            text = volts_text(value, u)
            formats.add("".join("8" if c.isdigit() else c for c in text))
    assert {"8.888", "8.88", "88.88", "888.8", "888"} <= formats
    for text in formats:
        width = sum(screen._POINT_PX if c == "." else screen._SLOT_PX for c in text)
        assert width <= screen.VOLTS.width, text
    # Each character's ink lies whole inside its slot and inside the region's rows.
    for char in "0123456789.−":
        slot = screen._POINT_PX if char == "." else screen._SLOT_PX
        free = drawing.text_mask(char, screen.DIGITS_PX).image
        mask = drawing.digit_mask(char, screen.DIGITS_PX, slot)
        ink = ink_box(np.asarray(mask.image))
        assert ink.width == ink_box(np.asarray(free)).width <= slot, char
        top = screen.VOLTS.bottom - 1 - mask.base
        assert screen.VOLTS.top <= top + ink.top, char
        assert top + ink.bottom <= screen.VOLTS.bottom, char


@pytest.mark.parametrize("value", [0.0, 0.35, 4.0, 9.99, 10.0, 44.44, 88.8, 99.99, 100.0, 180.0])
def test_a_number_touches_nothing_but_its_own_place(value):
    empty = pixels(View(reading(NAN)))
    full = pixels(View(reading(value, u_v=0.01)))
    changed = (empty != full).any(axis=2)
    for name in ("VOLTS", "LADDER", "PICTURE", "FACTS", "HAZARD"):
        box = REGIONS[name]
        changed[box.top : box.bottom, box.left : box.right] = False
    assert not changed.any()


PARTS = {
    "label": ("speaker output left gjpq", "LABEL_WIDE"),
    "advice": ("volume down a good deal", "ADVICE"),
    "kept": (Kept(180.0, 0.3, Verdict.FLAT), "KEPT"),
    "keeping": (Kept(180.0, 0.3, Verdict.FLAT), "KEPT"),
    "ceiling_v": (61.0, "LADDER"),
    "simulated": (True, "SIMULATED"),
}


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("state", ["clean", "flat", "unknown-too-high"])
def test_each_part_stays_in_its_own_place(part, state):
    value, region = PARTS[part]
    bare = View(reading=VIEWS[state].reading)
    box = getattr(screen, region)
    changed = (pixels(bare) != pixels(replace(bare, **{part: value}))).any(axis=2)
    assert changed.any()
    changed[box.top : box.bottom, box.left : box.right] = False
    assert not changed.any()


@pytest.mark.parametrize("faults", [("card not writing",), ("hot",), ("card not writing at all", "clock", "fan")])
def test_a_fault_takes_the_place_of_facts_and_never_of_the_picture(faults):
    for name, inside in (("flat", screen.FACTS), ("unknown-fading", Box(4, 98, 268, 150))):
        changed = (pixels(VIEWS[name]) != pixels(replace(VIEWS[name], faults=faults))).any(axis=2)
        assert changed.any()
        changed[inside.top : inside.bottom, inside.left : inside.right] = False
        assert not changed.any()
    assert (pixels(VIEWS["direct"]) == pixels(replace(VIEWS["direct"], faults=faults))).all()


def test_digits_do_not_move_when_the_value_changes():
    right = screen.VOLTS.right
    last = Box(right - screen._SLOT_PX, screen.VOLTS.top, right, screen.VOLTS.bottom)
    rest = Box(screen.VOLTS.left, screen.VOLTS.top, last.left, screen.VOLTS.bottom)
    frames = [draw(View(reading(58 + tenth / 10))) for tenth in range(10)]
    heads = {frame.crop(rest).tobytes() for frame in frames}
    tails = {frame.crop(last).tobytes() for frame in frames}
    assert (len(heads), len(tails)) == (1, 10)
    # The point keeps its place while the number of whole digits grows.
    point = Box(last.left - screen._POINT_PX, screen.VOLTS.top, right, screen.VOLTS.bottom)
    small, large = (draw(View(reading(value, u_v=0.3))).crop(point) for value in (8.6, 158.6))
    assert small.tobytes() == large.tobytes()


# --- numbers as text ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        (4.0, 0.02, "4.00"), (3.784, 0.05, "3.78"), (3.784, 0.051, "3.8"), (58.64, 0.3, "58.6"), (85.0, 0.4, "85.0"),
        (180.0, 0.5, "180.0"), (180.0, 0.9, "180"), (183.0, 30.0, "180"), (0.35, 0.002, "0.350"),
        (0.9996, 0.001, "1.00"), (99.996, 0.01, "100.0"), (9999.7, 0.1, DASHES),
        (0.0, 0.02, "0.00"), (-1e-4, 0.02, "0.00"),
        (-31.42, 0.2, "-31.4"), (-131.4, 0.2, "-131"), (5.0, 0.0, "5.00"), (NAN, 0.1, DASHES), (4.0, NAN, DASHES),
        (math.inf, 0.1, DASHES), (4.0, -0.1, DASHES), (4.0, math.inf, DASHES),
    ],
)  # fmt: skip
def test_volts_text(value, u, text):
    assert volts_text(value, u) == text


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        (40.0, 0.004, "40.00"), (40.0, 0.3, "40.0"), (1000.0, 0.004, "1000.0"), (20000.0, 0.1, "20000"),
        (999.996, 0.01, "1000.0"), (0.0, 0.1, DASHES), (NAN, NAN, DASHES), (-40.0, 0.1, DASHES),
    ],
)  # fmt: skip
def test_hz_text(value, u, text):
    assert hz_text(value, u) == text


@given(value=st.floats(-994.0, 9994.0), u=st.floats(0.0, 50.0))
def test_no_digit_is_finer_than_a_fifth_of_the_uncertainty(value, u):
    text = volts_text(value, u)
    assert text != DASHES
    assert sum(c.isdigit() for c in text) + (value < 0 and float(text) != 0) <= 4
    decimals = len(text.partition(".")[2])
    if decimals:
        assert 10.0**-decimals >= u / 5 * (1 - 1e-6)
        assert decimals <= (2 if abs(float(text)) >= 1 else 3)
    unit = max(10.0**-decimals, 10.0 ** math.ceil(math.log10(u / 5) - 1e-9) if u > 5 else 0.0)
    assert abs(float(text) - value) <= unit / 2 * (1 + 1e-6)


def test_a_stale_or_impossible_value_is_dashes_never_the_last_number():
    dashes = pixels(View(), screen.VOLTS)
    for shown in (reading(NAN), reading(58.6, u_v=NAN), reading(-3.0), unknown(Reason.TOO_HIGH, 58.6)):
        assert (pixels(View(shown), screen.VOLTS) == dashes).all()
    stale = [pixels(View(reading(volts, hz=hz), ceiling_v=90.0, stale=True)) for volts, hz in ((58.6, 40), (12, 50))]
    assert (stale[0] == stale[1]).all()


# --- states -------------------------------------------------------------------------------------


def one_frame_for_each_face() -> dict[str, np.ndarray]:
    """Grey values of the band, its ink turned dark on light, so that brightness tells nothing."""
    bands = {}
    for view in VIEWS.values():
        face = words.face(view.reading, stale=view.stale)
        grey = np.asarray(draw(view).convert("L").crop(screen.BAND), dtype=float)
        bands.setdefault(face.word, grey)
    return bands


def test_states_differ_without_colour_in_shape_and_in_word():
    bands = one_frame_for_each_face()
    assert len(bands) == 8 + 12
    for (one, a), (two, b) in itertools.combinations(bands.items(), 2):
        assert (np.abs(a - b) > 40).mean() > 0.02, (one, two)
        # Shape and word each on their own: where the ink is, whatever its brightness.
        shape_a, shape_b = (band[:, :54] > band[0, 0] / 2 for band in (a, b))
        assert (shape_a != shape_b).mean() > 0.02, (one, two)
        word_a, word_b = (np.abs(band[6:, 60:] - band[-1, -1]) > 40 for band in (a, b))
        assert (word_a != word_b).mean() > 0.02, (one, two)


def test_the_gravest_state_wins():
    alarm = reading(58.6, dc_v=12.0, dc_alarm=True)
    assert words.face(alarm, stale=False) is words.STOP
    assert words.face(alarm, stale=True) is words.STALE
    assert words.face(unknown(Reason.SILENT), stale=True).word == "FAULT"
    assert words.face(None, stale=True) is words.START


def hazard_shown(view: View) -> bool:
    seen = pixels(view, screen.HAZARD)
    mark = np.asarray(drawing.shape_mask("hazard", screen.HAZARD.width, screen.HAZARD.height)) > 200
    if not seen.any():
        return False
    assert (seen[mark] > np.array(words.YELLOW) * 0.75).all(), "something lies on the mark"
    return True


@pytest.mark.parametrize("name", VIEWS)
def test_hazard_mark_is_there_whenever_it_must_be(name):
    view = VIEWS[name]
    assert hazard_shown(view) == (view.reading is None or view.stale or view.reading.hazard)


@pytest.mark.parametrize(
    ("shown", "mark"),
    [(reading(29.9), False), (reading(30.0), True), (reading(NAN), True), (reading(1.0, dc_v=-60.0), True),
     (reading(1.0), False), (unknown(Reason.SILENT, 0.0), True), (unknown(Reason.OUT_OF_BAND, 0.0), True),
     (reading(22.0, dc_v=12.0), True)],
)  # fmt: skip
def test_hazard_mark_at_its_limits(shown, mark):
    # 30 V rms, 42.4 V peak, 60 V d.c.: IEC 61010-1 and ISO 6469-4 as quoted in flattop.measure.reading.
    for view in (View(shown), View(shown, label="x" * 60, advice="go on", faults=("a", "b"), ceiling_v=1.0)):
        assert hazard_shown(view) == mark


def test_what_is_not_on_the_card_yet_does_not_look_kept():
    kept = Kept(62.3, 0.31, Verdict.CLEAN)
    waiting = pixels(View(keeping=kept), screen.KEPT)
    done = pixels(View(kept=kept), screen.KEPT)
    # Shape and word differ, the number below them does not; an older kept one gives way.
    assert (waiting[:30] != done[:30]).any(axis=2).mean() > 0.1
    assert (waiting[32:] == done[32:]).all()
    assert (pixels(View(keeping=kept, kept=Kept(58.6, 0.3, Verdict.FLAT)), screen.KEPT) == waiting).all()


def test_the_view_offers_nothing_that_hides_a_mark():
    assert {f.name for f in fields(View)} == {
        "reading", "label", "aim_v", "advice", "ceiling_v", "stale", "kept", "keeping", "faults", "simulated",
        "word", "task", "progress", "supply",
    }  # fmt: skip


@pytest.mark.parametrize("dc_v", [0.6, 13.2, 61.0])
def test_on_the_supply_dc_is_no_fault_and_the_hazard_mark_stands_all_the_same(dc_v):
    shown = reading(0.0, dc_v=dc_v, dc_alarm=True)
    face = words.face
    assert face(shown, stale=False, supply=True).word == "SUPPLY"
    assert face(shown, stale=False).word == "STOP"
    assert hazard_shown(View(shown, supply=True, word="hold", task="x")) == (dc_v >= 60.0)
    assert face(unknown(Reason.SILENT), stale=False, supply=True).word == "FAULT"
    assert face(shown, stale=True, supply=True).word == "STALE"


@pytest.mark.parametrize("word", ["up", "hold", "down"])
def test_the_word_for_the_second_person_is_large_and_has_a_shape_of_its_own(word):
    seen = pixels(View(reading(), word=word, advice="gain up"), screen.ADVICE)
    others = [pixels(View(reading(), word=other), screen.ADVICE) for other in ("up", "hold", "down") if other != word]
    assert all((seen[:, :42] != other[:, :42]).any(axis=2).mean() > 0.1 for other in others), "shape"
    assert (seen == pixels(View(reading(), word=word), screen.ADVICE)).all(), "it goes before the advice"


def test_simulated_is_on_every_frame_of_the_simulated_board_and_nothing_covers_it():
    alone = pixels(View(simulated=True), screen.SIMULATED)
    assert alone.any()
    for view in VIEWS.values():
        assert (pixels(replace(view, simulated=True, label="W" * 40), screen.SIMULATED) == alone).all()
    made_up = replace(reading(), facts=replace(reading().facts, simulated=True))
    assert (pixels(View(made_up), screen.SIMULATED) == alone).all()
    assert not (pixels(View(reading()), screen.SIMULATED) == alone).all()


# --- the picture of the tops --------------------------------------------------------------------


def missing_rows(view: View, colour: tuple[int, int, int]) -> int:
    """Height of what is filled with `colour` in the middle column of the picture [px]."""
    picture = pixels(view, screen.PICTURE)
    middle = picture[:, picture.shape[1] // 2].astype(int)
    return int((np.abs(middle - np.array(colour)).max(axis=1) < 24).sum())


def test_a_third_of_a_decibel_shows():
    soft = replace(BASE, reading=reading(66.9, Verdict.SOFT, Reason.TOP_MISSING, pos_db=0.3, neg_db=0.3))
    assert arcmin(missing_rows(soft, words.YELLOW), 750) >= 3.0
    clean = replace(BASE, reading=reading(66.9))
    assert missing_rows(clean, words.SKY) == 0


def test_more_missing_is_more_filled_in_each_step_of_the_view():
    for steps in ((0.1, 0.2, 0.3, 0.5, 0.6), (0.8, 1.0, 1.5, 2.0), (3.0, 6.0, 12.0, 20.0)):
        rows = [
            missing_rows(View(reading(60, Verdict.FLAT, Reason.TOP_MISSING, pos_db=db, neg_db=db)), words.ORANGE)
            for db in steps
        ]
        assert rows == sorted(rows)
        assert rows[0] < rows[-1]


@pytest.mark.parametrize("side", ["pos_db", "neg_db"])
def test_one_sided_clip_shows_both_halves(side):
    view = View(reading(60, Verdict.FLAT, Reason.TOP_MISSING, **{side: 0.6}))
    picture = pixels(view, screen.PICTURE)
    middle = picture[:, picture.shape[1] // 2].min(axis=1) > 160
    assert np.count_nonzero(np.diff(middle.astype(int)) == 1) == 2, "two light lines, one above the other"
    shade = tuple(v * 5 // 8 for v in words.ORANGE)
    assert missing_rows(view, shade) >= 4
    assert missing_rows(view, words.ORANGE) == 0


def test_tops_that_cannot_be_drawn_leave_the_place_empty():
    good = folded(90.0)
    for broken in (
        replace(good, pos_v=np.full(91, NAN)),
        replace(good, pos_flanks_v=np.zeros(91), neg_flanks_v=np.zeros(91)),
    ):
        assert not pixels(View(reading(tops=broken)), screen.PICTURE).any()
    holed = replace(good, pos_v=np.where(np.arange(91) % 7 == 0, NAN, good.pos_v))
    assert pixels(View(reading(tops=holed)), screen.PICTURE).any()
    assert pixels(View(reading(tops=bent(90.0, 0.1))), screen.PICTURE).any()


# --- purity, changed rectangles, cost -----------------------------------------------------------


def test_same_view_same_bytes_whatever_was_drawn_before():
    first = {name: draw(view).tobytes() for name, view in VIEWS.items()}
    for name in sorted(VIEWS, reverse=True):
        frame = draw(VIEWS[name])
        assert (frame.mode, frame.size) == ("RGB", (320, 240))
        assert frame.tobytes() == first[name]
        frame.paste((1, 2, 3), (0, 0, 320, 240))  # what a caller does to a frame must leave no trace either
    assert all(draw(view).tobytes() == first[name] for name, view in VIEWS.items())


def test_importing_the_screen_is_light():
    code = (
        "import sys, json; import flattop.panel.screen as s, flattop.panel.drawing as d\n"
        "print(json.dumps([d.font.cache_info().currsize, sorted(sys.modules)]))"
    )
    path = str(Path(screen.__file__).parents[2])
    done = subprocess.run([sys.executable, "-c", code], env={"PYTHONPATH": path}, capture_output=True, check=True)
    fonts_open, modules = json.loads(done.stdout)
    assert fonts_open == 0
    assert not {"scipy", "gpiozero", "board", "busio", "lgpio", "sounddevice"} & set(modules)


def test_the_font_has_its_licence_beside_it():
    folder = Path(screen.__file__).parent / "fonts"
    assert "Apache License" in (folder / "LICENSE.txt").read_text(encoding="utf-8")
    assert [path.name for path in folder.glob("*.ttf")] == ["RobotoCondensed-Bold.ttf"]


def test_rgb565_keeps_the_high_bits():
    image = Image.new("RGB", (4, 1))
    for x, colour in enumerate([(255, 0, 0), (0, 255, 0), (0, 0, 255), (0x86, 0x97, 0xA8)]):
        image.putpixel((x, 0), colour)
    assert rgb565(packed(image)).tolist() == [[0xF800, 0x07E0, 0x001F, 0x86 >> 3 << 11 | 0x97 >> 2 << 5 | 0xA8 >> 3]]
    assert rgb565(packed(image)).dtype == np.uint16


patches = st.lists(
    st.tuples(
        st.integers(0, 319), st.integers(0, 239), st.integers(1, 90), st.integers(1, 70), st.integers(0, 2**24 - 1)
    ),
    max_size=12,
)


@settings(max_examples=60)
@given(before=patches, after=patches, specks=st.integers(0, 400), seed=st.integers(0, 99))
@example(before=[], after=[(0, 0, 320, 240, 0xFFFFFF)], specks=0, seed=0)
@example(before=[], after=[(319, 239, 1, 1, 0x080000)], specks=0, seed=0)
def test_rectangles_turn_the_old_frame_into_the_new_one(before, after, specks, seed):
    frames = []
    for parts in (before, after):
        image = Image.new("RGB", (320, 240))
        for x, y, width, height, colour in parts:
            image.paste((colour >> 16, colour >> 8 & 255, colour & 255), (x, y, x + width, y + height))
        frames.append(image)
    old, new = frames
    rng = np.random.default_rng(seed)
    for x, y in zip(rng.integers(0, 320, specks), rng.integers(0, 240, specks), strict=True):
        new.putpixel((int(x), int(y)), (255, 255, 255))
    boxes = changed_rectangles(packed(old), packed(new))
    on_panel, wanted = rgb565(packed(old)), rgb565(packed(new))
    for box in boxes:
        assert 0 <= box.left < box.right <= 320
        assert 0 <= box.top < box.bottom <= 240
        on_panel[box.top : box.bottom, box.left : box.right] = wanted[box.top : box.bottom, box.left : box.right]
    assert (on_panel == wanted).all()
    assert bool(boxes) == (rgb565(packed(old)) != wanted).any()
    assert frame_bytes(boxes) <= FULL_FRAME_BYTES


def test_rectangles_cost_what_they_should():
    old = Image.new("RGB", (320, 240))
    before = packed(old)
    assert changed_rectangles(before, packed(old.copy())) == []
    below_a_step = Image.new("RGB", (320, 240), (7, 3, 7))
    assert changed_rectangles(before, packed(below_a_step)) == []
    new = old.copy()
    new.paste((255, 255, 255), (10, 10, 30, 40))
    new.paste((255, 255, 255), (200, 150, 203, 152))
    assert set(changed_rectangles(before, packed(new))) == {Box(10, 10, 30, 40), Box(200, 150, 203, 152)}
    assert frame_bytes([Box(10, 10, 30, 40), Box(200, 150, 203, 152)]) == 2 * 11 + 2 * (600 + 6)
    assert frame_bytes([Box(0, 0, 320, 240)]) == FULL_FRAME_BYTES


def test_rectangles_refuse_a_frame_of_another_panel():
    with pytest.raises(ValueError, match=r"\(240, 320\).*\(320, 240\)"):
        changed_rectangles(packed(Image.new("RGB", (320, 240))), packed(Image.new("RGB", (240, 320))))


def test_a_ramp_costs_less_than_a_fifth_of_the_frames():
    frames = [packed(draw(view)) for view in ramp()]
    costs = [frame_bytes(changed_rectangles(a, b)) for a, b in itertools.pairwise(frames)]
    median, worst = float(np.median(costs)), max(costs)
    print(f"\nramp: median {median:.0f} bytes ({median / FULL_FRAME_BYTES:.1%} of a frame), most {worst}")
    assert median < 0.2 * FULL_FRAME_BYTES
    assert worst <= FULL_FRAME_BYTES
