"""The pages of response and noise: stored frames, published figures for legibility, and what no page may hide."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from flattop.measure.alignment import Corner, Side
from flattop.measure.noise import Part
from flattop.panel import drawing, gain_page, noise_page, response_page, screen
from flattop.panel.drawing import Box, font
from flattop.panel.noise_page import down_text, millivolts_text
from flattop.panel.response_page import corner_text, picture
from make_frames import BASE, NAN, reading
from make_response_frames import (
    ANSWERS,
    B24,
    L24,
    UNSEEN,
    below,
    frames,
    gain_states,
    heard,
    noise_states,
    response,
    response_states,
)
from test_screen import arcmin, contrast, difference, ink_box

DRAWN = frames()
CUTS, QUIETS, GAINS = response_states(), noise_states(), gain_states()


def draw(name):
    """Draw a state anew."""
    if name in GAINS:
        return gain_page.draw(*GAINS[name])
    return response_page.draw(*CUTS[name]) if name in CUTS else noise_page.draw(*QUIETS[name])


def ink(image, box, colour):
    """Return where a colour is within a box, as an array of rows and columns."""
    return np.all(np.asarray(image.crop(box)) == colour, axis=2)


# -- reference frames -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", DRAWN)
def test_frame_is_as_stored(name, tmp_path):
    path = ANSWERS / f"{name}.png"
    fault = difference(DRAWN[name], Image.open(path).convert("RGB")) if path.exists() else "no stored frame"
    if fault:
        DRAWN[name].save(tmp_path / path.name)
        pytest.fail(
            f"{path.name}: {fault}. New frame: {tmp_path / path.name}. Look at both; if the new one is meant, "
            "run tests/make_response_frames.py"
        )


def test_no_stored_frame_is_left_over():
    assert {path.stem for path in ANSWERS.glob("*.png")} == set(DRAWN)


@pytest.mark.parametrize("name", DRAWN)
def test_a_frame_is_the_panels_and_the_same_every_time(name):
    again = draw(name)
    assert (again.size, again.mode) == (screen.SIZE, "RGB")
    assert again.tobytes() == DRAWN[name].tobytes()


# -- legibility -------------------------------------------------------------------------------------------------------


def height_of_white(image, box):
    return ink_box(ink(image, box, drawing.WHITE)).height


@pytest.mark.parametrize(("name", "least"), [("cut-low-pass", 22), ("quiet-hum", 22), ("cut-band", 16)])
def test_the_number_reads_at_1_5_m_on_a_2_8_inch_panel(name, least):
    # ISO 9241-3 as quoted: 20 to 22 minutes of arc preferred, 16 at least.
    box = Box(2, 40, 214, 97) if "band" not in name else Box(2, 40, 240, 97)
    digits = height_of_white(draw(name), Box(box.left, 29, box.right, box.bottom))
    assert arcmin(digits, 1500.0) >= least


@pytest.mark.parametrize("name", [*CUTS, *QUIETS, *GAINS])
def test_the_band_says_it_in_letters_that_read_at_1_5_m(name):
    image = draw(name)
    # Right of the sign, inside the frame of a hollow one: letters are what differs from the ground.
    word = np.asarray(image.crop(response_page.BAND).convert("L"), dtype=int)[3:-3, 60:]
    letters = np.abs(word - word[0, -1]) > 100
    # ISO 9241-3 as quoted: 16 minutes of arc at least; the letters of the first page's band are as high.
    assert arcmin(ink_box(letters).height, 1500.0) >= 15.5


@pytest.mark.parametrize("name", [*CUTS, *QUIETS, *GAINS])
def test_contrast_of_everything_on_black(name):
    # WCAG 2.2: 7:1 for text, 4.5:1 for large areas and large words.
    colours = {tuple(pixel) for pixel in np.asarray(draw(name)).reshape(-1, 3)[::7].tolist()}
    for colour in colours & {drawing.WHITE, drawing.PALE, drawing.YELLOW, drawing.ORANGE, drawing.SKY}:
        assert contrast(colour, (0, 0, 0)) >= 7.0


@pytest.mark.parametrize("name", [*CUTS, *QUIETS, *GAINS])
def test_no_text_is_cut_off(name, monkeypatch):
    original = drawing.text_mask

    def checked(text, size_px, room_px=0):
        wide = font(size_px).getlength(text)
        assert not room_px or 3 * wide <= 4 * room_px + 8, f"{text!r} has {room_px} px, needs {0.75 * wide:.0f}"
        return original(text, size_px, room_px)

    monkeypatch.setattr(drawing, "text_mask", checked)
    draw(name)


def test_states_differ_by_shape_and_word_and_not_by_colour_alone():
    bands = [
        np.asarray(draw(name).crop(response_page.BAND).convert("L"), dtype=int)
        for name in ("cut-waiting", "cut-following", "cut-again", "cut-low-pass", "cut-alike", "cut-no-corner")
    ]
    for number, one in enumerate(bands):
        for other in bands[number + 1 :]:
            grey = [np.abs(band - np.median(band)) > 60 for band in (one[:, 9:46], other[:, 9:46])]
            assert np.mean(grey[0] != grey[1]) > 0.02


# -- what no page may hide ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["cut-stale", "cut-start", "cut-silent", "cut-low-pass", "quiet-tone"])
def test_the_hazard_mark_is_there(name):
    assert ink(draw(name), screen.HAZARD, drawing.YELLOW).sum() > 100


@pytest.mark.parametrize("name", ["cut-direct", "quiet-direct"])
def test_direct_current_on_an_output_takes_the_band(name):
    assert ink(draw(name), response_page.BAND, drawing.VERMILLION).mean() > 0.5


def test_the_present_level_is_on_the_page():
    for volts in (58.6, 12.4):
        one = response_page.draw(replace(BASE, reading=reading(volts)), CUTS["cut-low-pass"][1])
        other = response_page.draw(replace(BASE, reading=reading(volts + 0.1)), CUTS["cut-low-pass"][1])
        assert one.crop(response_page.ASIDE).tobytes() != other.crop(response_page.ASIDE).tobytes()


def test_simulated_is_on_every_frame_of_the_simulated_board():
    simulated = reading(58.6)
    simulated = replace(simulated, facts=replace(simulated.facts, simulated=True))
    view = replace(BASE, reading=simulated, simulated=False)
    for image in (response_page.draw(view, CUTS["cut-band"][1]), noise_page.draw(view, heard())):
        assert ink(image, screen.SIMULATED, drawing.SLATE).sum() > 500


def test_a_fault_is_on_the_page():
    for name in ("cut-fault", "quiet-fault"):
        image = draw(name)
        assert ink(image, Box(0, 98, 320, 195), drawing.ORANGE).sum() > 3000


# -- the curve --------------------------------------------------------------------------------------------------------


def test_the_post_of_a_corner_stands_at_its_frequency():
    for corner_hz in (20.0, 40.0, 125.0):
        image = response_page.draw(BASE, response(None, (corner_hz, B24)))
        columns = np.flatnonzero(ink(image, response_page.CURVE, drawing.SKY)[50:68].all(axis=0))
        expected = math.log(corner_hz / 10) / math.log(30) * (response_page.CURVE.width - 1)
        assert columns.mean() == pytest.approx(expected, abs=1.5)


def test_the_curve_goes_through_the_corner_at_its_level():
    image = response_page.draw(BASE, response(None, (80.0, L24), noise_db=0.01))
    rows = np.flatnonzero(ink(image, response_page.CURVE, drawing.SKY).any(axis=1))
    # The head of the post is centred 6 dB below the pass band, of 30 dB from top to bottom.
    height = response_page.CURVE.height - 3
    assert rows[0] + 6 == pytest.approx((3 + 6) / 30 * height + 1.5, abs=2)


def test_a_gap_is_not_drawn_over():
    found = response(None, (80.2, B24))
    keep = (found.hz < 25) | (found.hz > 50)
    holed = replace(found, hz=found.hz[keep], level_db=found.level_db[keep], sigma_db=found.sigma_db[keep])
    image = response_page.draw(BASE, holed)
    at = response_page.CURVE.left + round(math.log(35 / 10) / math.log(30) * (response_page.CURVE.width - 1))
    column = np.asarray(image.crop(Box(at, response_page.CURVE.top + 12, at + 1, response_page.CURVE.bottom - 30)))
    assert np.all(column == 0)


def test_a_dull_curve_and_wild_values_are_drawn_without_complaint():
    found = response(None, (80.2, B24))
    for level in (np.full(len(found.hz), -200.0), np.full(len(found.hz), 60.0)):
        response_page.draw(BASE, replace(found, level_db=level))
    response_page.draw(BASE, replace(found, hz=found.hz[:1], level_db=found.level_db[:1], sigma_db=found.sigma_db[:1]))


def test_the_picture_of_a_recording_has_room_for_both_corners():
    image = picture(CUTS["cut-band"][1], title="a-recording-with-a-long-name.wav")
    assert (image.size, image.mode) == ((960, 600), "RGB")
    assert ink(image, Box(24, 46, 936, 84), drawing.WHITE).any()
    assert ink(image, Box(24, 84, 936, 120), drawing.WHITE).any()
    assert picture(CUTS["cut-waiting"][1], title="x").size == (960, 600)


# -- numbers as text ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("hz", "u_hz", "text"),
    [(20.04, 0.02, "20.0"), (80.26, 0.1, "80.3"), (80.26, 2.0, "80"), (125.4, 0.1, "125"), (3512.0, 3.0, "3510")],
)
def test_a_corner_has_three_digits_or_as_few_as_its_uncertainty_wants(hz, u_hz, text):
    corner = Corner(Side.LOW_PASS, B24, 24.0, 0.0, hz, u_hz, hz, u_hz, hz, u_hz)
    assert corner_text(corner) == text


@given(volts=st.floats(1e-6, 250.0))
@settings(max_examples=300)
def test_a_bound_is_never_rounded_down(volts):
    text, unit = millivolts_text(below(volts))
    assert text.startswith("<")
    assert float(text[1:]) * (1e-3 if unit == "mV" else 1.0) >= volts * (1 - 1e-9)


@given(volts=st.floats(1e-5, 250.0), u=st.floats(1e-6, 0.3))
@settings(max_examples=300)
def test_a_level_is_shown_within_its_uncertainty(volts, u):
    text, unit = millivolts_text(Part(volts, u * volts))
    shown = float(text) * (1e-3 if unit == "mV" else 1.0)
    # The last digit is at most twice the uncertainty, so that rounding is at most as much as it; or of four digits.
    assert shown == pytest.approx(volts, abs=max(u * volts, 6e-4 * volts, 5.1e-6))


def test_decibels_without_a_tone_are_dashes():
    assert down_text(heard(tone_v=NAN), UNSEEN) == "---"
    assert down_text(heard(tone_v=62.3), Part(0.0623, 0.001)) == "−60"
    assert down_text(heard(tone_v=62.3), below(0.0623)) == "<−60"
    assert down_text(heard(tone_v=0.0), Part(0.0623, 0.001)) == "---", "what was kept last was no tone at all"
