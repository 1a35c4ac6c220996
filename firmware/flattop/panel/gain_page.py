"""How much gain? The page of what lies between the line input and the speaker input: decibels and polarity."""

from __future__ import annotations

import math

from PIL import Image

from flattop.measure.between import Between, Doubt, Polarity
from flattop.panel import screen
from flattop.panel.drawing import Box, draw_number, draw_plate, draw_text, rect, wrapped
from flattop.panel.response_page import Band, Signs, draw_band
from flattop.panel.screen import DIGITS_PX, SMALL_PX, View
from flattop.panel.words import BLACK, DASHES, ORANGE, PALE, SKY, WHITE, YELLOW, level_text

# The layout. The top row and the band are those of every page; no two of these overlap.
NUMBER = Box(2, 29, 214, 97)
UNIT = Box(217, 68, 246, 97)
ASIDE = Box(241, 38, 318, 66)
ROWS = Box(4, 98, 317, 194)

_SLOTS = (47, 22)
_ARROW = ((0.5, 0.0), (1.0, 0.5), (0.7, 0.5), (0.7, 1.0), (0.3, 1.0), (0.3, 0.5), (0.0, 0.5))


def _arrow(left: float, *, up: bool) -> tuple[tuple[float, float], ...]:
    return tuple((left + 0.42 * x, 0.08 + 0.84 * (y if up else 1.0 - y)) for x, y in _ARROW)


SIGNS: Signs = {
    "same": ((True, _arrow(0.04, up=True)), (True, _arrow(0.54, up=True))),
    "opposite": ((True, _arrow(0.04, up=True)), (True, _arrow(0.54, up=False))),
    "both leads": ((True, rect(0.05, 0.1, 0.4, 0.9)), (True, rect(0.6, 0.1, 0.95, 0.9))),
}
"""Shapes of this page, as `drawing.SHAPES`."""


def draw(view: View, found: Between | None) -> Image.Image:
    """Return the frame of this page: mode RGB, 320 x 240; the same arguments give the same bytes.

    found : None where the meter has no converter for both inputs, or no tone on either
    """
    image = Image.new("RGB", screen.SIZE, BLACK)
    screen.draw_top(image, view, view.label)
    known = found if found is not None and math.isfinite(found.gain_db) and not view.stale else None
    text = gain_text(known) if known is not None else DASHES
    draw_number(image, text, DIGITS_PX, WHITE, right=NUMBER.right, base=NUMBER.bottom - 1, slots=_SLOTS)
    draw_text(image, UNIT, "dB", SMALL_PX, WHITE, top=8)
    reading = None if view.stale else view.reading
    level = level_text(reading, direct=reading is not None and reading.dc_alarm).replace("-", "−")
    draw_text(image, ASIDE, f"{level} V", SMALL_PX, PALE, top=1, right=True)
    for row, line in enumerate(_lines(found, known)):
        box = Box(ROWS.left, ROWS.top + 4 + 27 * row, ROWS.right, ROWS.bottom)
        draw_text(image, box, line, SMALL_PX, WHITE if known is None else PALE, top=2)
    if view.faults:
        plate = Box(ROWS.left, ROWS.bottom - 27, ROWS.right, ROWS.bottom)
        draw_plate(image, plate, ORANGE, corner_px=14)
        room = Box(plate.left + 5, plate.top, plate.right - 14, plate.bottom)
        draw_text(image, room, view.faults[0].upper(), SMALL_PX, BLACK, top=4)
    draw_band(image, view, _band(known), SIGNS)
    return image


def gain_text(found: Between) -> str:
    """Return a gain in three digits, or fewer where its uncertainty wants it."""
    fitting = 2 if abs(found.gain_db) < 9.995 else 1 if abs(found.gain_db) < 99.95 else 0
    decimals = min(fitting, 2 if found.gain_u_db < 0.05 else 1 if found.gain_u_db < 0.5 else 0)
    return f"{found.gain_db:+.{decimals}f}".replace("-", "−")


def _lines(found: Between | None, known: Between | None) -> tuple[str, ...]:
    if known is not None:
        return (
            f"± {max(known.gain_u_db, 0.01):.2f} dB at {known.hz:.0f} Hz",
            f"phase {known.phase_deg:+.0f}°".replace("-", "−"),
            "+ of the line to + of the speaker",
        )
    why = str(found.doubt) if found is not None and found.doubt is not Doubt.NONE else "no tone on both inputs"
    return wrapped(f"{why}; both leads on, one tone", SMALL_PX, ROWS.width)


def _band(known: Between | None) -> Band:
    if known is None:
        return Band("BOTH LEADS", "both leads", WHITE)
    match known.polarity:
        case Polarity.SAME:
            return Band("SAME WAY", "same", SKY, hollow=False)
        case Polarity.OPPOSITE:
            return Band("OPPOSITE", "opposite", ORANGE, hollow=False)
    return Band("WHICH WAY?", "question", YELLOW)
