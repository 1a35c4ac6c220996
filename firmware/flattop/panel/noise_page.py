"""Is it quiet? The page of what a lead carries without a tone: all of it in large digits, below it each kind."""

from __future__ import annotations

import math

from PIL import Image

from flattop.measure.noise import Noise, Part, Stage
from flattop.panel import screen
from flattop.panel.drawing import Box, arc, draw_number, draw_plate, draw_text, rect, stroke
from flattop.panel.response_page import Band, Signs, draw_band, sign_mask
from flattop.panel.screen import DIGITS_PX, SMALL_PX, View
from flattop.panel.words import (
    BLACK,
    DASHES,
    ORANGE,
    PALE,
    SKY,
    STOP,
    WHITE,
    YELLOW,
    face,
    level_text,
    volts_text,
)

# The layout. The top row and the band are those of every page; no two of these overlap.
NUMBER = Box(2, 29, 214, 97)
UNIT = Box(217, 68, 246, 97)
ASIDE = Box(241, 38, 318, 66)
BELOW = Box(252, 68, 318, 97)
ROWS = Box(4, 98, 317, 194)

_SLOTS = (47, 22)
_PITCH_PX = ROWS.height // 4
_NAME = (30, 163)
_VOLTS = (166, 258)
_DOWN = (264, 317)
"""Left and right edges of the columns."""

_WAVE = tuple((0.04 + 0.92 * i / 24, 0.5 - 0.3 * math.sin(4 * math.pi * i / 24)) for i in range(25))
_CHIRP = tuple((0.04 + 0.92 * i / 32, 0.5 - 0.3 * math.sin(7 * math.pi * (i / 32) ** 2)) for i in range(33))
_CYCLE = tuple((0.06 + 0.88 * i / 16, 0.5 - 0.4 * math.sin(2 * math.pi * i / 16)) for i in range(17))
SIGNS: Signs = {
    "hum": stroke(_WAVE, 0.07),
    "whine": stroke(_CHIRP, 0.06),
    "line": ((True, rect(0.42, 0.05, 0.58, 0.95)), (True, rect(0.05, 0.8, 0.95, 0.95))),
    "hiss": tuple(
        (True, arc((x, y), 0.08))
        for x, y in ((0.12, 0.3), (0.3, 0.72), (0.42, 0.2), (0.55, 0.52), (0.7, 0.84), (0.78, 0.28), (0.9, 0.6))
    ),
    "none": ((True, rect(0.0, 0.8, 1.0, 0.95)),),
    "tone": stroke(_CYCLE, 0.08),
}  # fmt: skip
"""Shapes of this page, as `drawing.SHAPES`."""


def draw(view: View, found: Noise | None) -> Image.Image:
    """Return the frame of this page: mode RGB, 320 x 240; the same arguments give the same bytes.

    found : None before the first block
    """
    image = Image.new("RGB", screen.SIZE, BLACK)
    screen.draw_top(image, view, view.label)
    heard = found if found is not None and found.stage is not Stage.LISTENING else None
    reading = None if view.stale else view.reading
    if reading is not None and reading.dc_alarm and face(reading, stale=False, supply=view.supply) is STOP:
        # The danger goes before the question.
        _draw_level(image, level_text(reading, direct=True), "V")
    else:
        _draw_total(image, heard)
    if heard is not None:
        # A fault takes the place of the last kind.
        for row, (name, part) in enumerate(_kinds(heard)[: 3 if view.faults else 4]):
            _draw_row(image, row, name, part, heard)
    elif not view.faults:
        for row, line in enumerate(("no tone, volume as in use;", "rev the engine up and down")):
            box = Box(ROWS.left, ROWS.top + 12 + 27 * row, ROWS.right, ROWS.bottom)
            draw_text(image, box, line, SMALL_PX, WHITE, top=2)
    if view.faults:
        plate = Box(ROWS.left, ROWS.bottom - 27, ROWS.right, ROWS.bottom)
        draw_plate(image, plate, ORANGE, corner_px=14)
        room = Box(plate.left + 5, plate.top, plate.right - 14, plate.bottom)
        draw_text(image, room, view.faults[0].upper(), SMALL_PX, BLACK, top=4)
    draw_band(image, view, _band(heard), SIGNS)
    return image


def millivolts_text(part: Part) -> tuple[str, str]:
    """Return a level and its unit: millivolts below 10 V, a bound with "<" before it."""
    if not math.isfinite(part.volts):
        return DASHES, "mV"
    scale, unit = (1e3, "mV") if part.volts < 9.9995 else (1.0, "V")
    value = part.volts * scale
    if part.below:
        # A bound is rounded up, or the text would promise more than is known.
        decimals = 0 if value >= 10.0 else 1 if value >= 1.0 else 2
        return f"<{math.ceil(value * 10**decimals) / 10**decimals:.{decimals}f}", unit
    text = volts_text(value, max(part.u_v * scale, 0.05))
    # Close below 10 V a poor level is rounded up to where millivolts have no room.
    return (text, unit) if text != DASHES else (volts_text(part.volts, part.u_v), "V")


def down_text(found: Noise, part: Part) -> str:
    """Return how far a part lies below the last kept tone, in whole decibels; dashes without one."""
    down_db = found.down_db(part)
    if not math.isfinite(down_db):
        return DASHES
    text = f"{-down_db:.0f}".replace("-", "−")
    return f"<{text}" if part.below else text


def _kinds(found: Noise) -> tuple[tuple[str, Part], ...]:
    return ("hum", found.hum), ("whine", found.whine), ("line", found.line), ("hiss", found.rest)


def _strongest(found: Noise) -> str:
    """Return the kind that carries most; empty where nothing is seen."""
    seen = [(part.volts, name) for name, part in _kinds(found) if not part.below and math.isfinite(part.volts)]
    return max(seen)[1] if seen else ""


def _draw_total(image: Image.Image, found: Noise | None) -> None:
    _draw_level(image, *(millivolts_text(found.total) if found is not None else (DASHES, "mV")))
    if found is None or not math.isfinite(found.tone_v):
        return
    draw_text(image, ASIDE, f"{down_text(found, found.total)} dB", SMALL_PX, WHITE, top=4, right=True)
    draw_text(image, BELOW, f"to {volts_text(found.tone_v, 0.02 * found.tone_v)} V", SMALL_PX, PALE, top=8, right=True)


def _draw_level(image: Image.Image, text: str, unit: str) -> None:
    draw_number(image, text, DIGITS_PX, WHITE, right=NUMBER.right, base=NUMBER.bottom - 1, slots=_SLOTS)
    draw_text(image, UNIT, unit, SMALL_PX, WHITE, top=8)


def _draw_row(image: Image.Image, row: int, name: str, part: Part, found: Noise) -> None:
    """Draw one kind: sign, name with its frequency, level, and how far below the tone."""
    top = ROWS.top + _PITCH_PX * row
    strongest = name == _strongest(found)
    colour = WHITE if strongest else PALE
    place = Box(ROWS.left, top + 3, ROWS.left + 20, top + 21)
    image.paste(SKY if strongest else PALE, (place.left, place.top), sign_mask(SIGNS[name], place.width, place.height))
    where = f" to {_kilo(found.band_hz[1])}" if name == "hiss" else ""
    if math.isfinite(part.hz):
        where = f" {part.hz:.0f} Hz"
    draw_text(image, Box(_NAME[0], top, _NAME[1], top + 26), name + where, SMALL_PX, colour, top=2)
    level = " ".join(millivolts_text(part))
    draw_text(image, Box(_VOLTS[0], top, _VOLTS[1], top + 26), level, SMALL_PX, colour, top=2, right=True)
    if math.isfinite(found.tone_v):
        down = Box(_DOWN[0], top, _DOWN[1], top + 26)
        draw_text(image, down, down_text(found, part), SMALL_PX, colour, top=2, right=True)


def _kilo(hz: float) -> str:
    return f"{hz / 1000.0:.2g}k" if hz >= 1000.0 else f"{hz:.0f}"


def _band(found: Noise | None) -> Band:
    if found is None:
        return Band("LISTENING", "clock", YELLOW)
    if found.stage is Stage.TONE:
        return Band("TONE ON?", "tone", WHITE)
    strongest = _strongest(found)
    if not strongest:
        return Band("NONE SEEN", "none", WHITE)
    return Band(strongest.upper(), strongest, SKY, hollow=False)
