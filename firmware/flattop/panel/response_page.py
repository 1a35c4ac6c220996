"""Where does it cut? The page of a filter's corner: one curve, the corner in large digits, its slope in the band."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from PIL import Image, ImageDraw

from flattop.measure.alignment import Alignment, Corner, Side, Told
from flattop.measure.response import Response, Stage
from flattop.panel import screen
from flattop.panel.drawing import (
    Box,
    Shape,
    arc,
    draw_number,
    draw_plate,
    draw_shape,
    draw_text,
    font,
    rect,
    text_mask,
)
from flattop.panel.screen import DIGITS_PX, LARGE_PX, SMALL_PX, View
from flattop.panel.words import (
    BLACK,
    DASHES,
    ORANGE,
    PALE,
    SKY,
    SLATE,
    VERMILLION,
    WHITE,
    YELLOW,
    Colour,
    face,
    hz_text,
    level_text,
)
from flattop.samples import FloatArray

# The layout. The top row is that of every page; no two of these overlap.
NUMBER = Box(2, 29, 214, 97)
UNIT = Box(216, 68, 242, 97)
ASIDE = Box(244, 38, 318, 97)
CURVE = Box(3, 100, 317, 170)
TICKS = Box(3, 172, 317, 194)
BAND = Box(0, 195, 320, 240)

PAIR_PX = 62  # 44 px high: two corners in one row, 18 minutes of arc at 1.5 m on a 2.8-inch panel
_SLOTS = (47, 22)
_PAIR_SLOTS = (32, 14)

TOP_DB, BOTTOM_DB = 3.0, -27.0
LOWEST_HZ = 10.0
HIGHEST_HZ = (300.0, 3000.0, 20_000.0)
"""The picture ends at the first of these that holds the curve."""
_LABELS_HZ = {
    300.0: (10, 20, 50, 100, 200),
    3000.0: (10, 30, 100, 300, 1000, 3000),
    20_000.0: (10, 100, 1000, 10_000),
}
_GAP = 2.0 / 12.0
"""Points further apart than this [octaves] are not joined, unless all of them are."""
NARROWEST = 0.75
"""Share of its width that a text may be drawn with before `draw_text` cuts it."""
_FINE = 3


Signs = Mapping[str, Shape]


class Band(NamedTuple):
    """The state as shape, word and colour; hollow where nothing is found."""

    word: str
    sign: str
    colour: Colour
    hollow: bool = True


_DOTS = tuple(arc((x, 0.5), r) for x, r in ((0.1, 0.1), (0.4, 0.16), (0.8, 0.2)))
SIGNS: Signs = {
    "waiting": tuple((add, arc((x, 0.5), r)) for x, r in ((0.1, 0.1), (0.4, 0.16), (0.8, 0.2)) for add, r in (
        (True, r), (False, 0.5 * r))),
    "following": tuple((True, dot) for dot in _DOTS),
    "high-pass": ((True, ((0.0, 0.95), (0.42, 0.15), (1.0, 0.15), (1.0, 0.95))),),
    "low-pass": ((True, ((1.0, 0.95), (0.58, 0.15), (0.0, 0.15), (0.0, 0.95))),),
    "both": ((True, ((0.0, 0.95), (0.28, 0.15), (0.72, 0.15), (1.0, 0.95))),),
    "no corner": ((True, rect(0.0, 0.15, 1.0, 0.3)), (True, rect(0.0, 0.4, 1.0, 0.95))),
}  # fmt: skip
"""Shapes of this page, as `drawing.SHAPES`."""


def draw(view: View, found: Response) -> Image.Image:
    """Return the frame of this page: mode RGB, 320 x 240; the same arguments give the same bytes."""
    image = Image.new("RGB", screen.SIZE, BLACK)
    screen.draw_top(image, view, view.label)
    _draw_corners(image, found)
    _draw_aside(image, view, found)
    span_hz = _span_hz(found)
    image.paste(curve_picture(found, (CURVE.width, CURVE.height), span_hz=span_hz), CURVE)
    _draw_ticks(image, span_hz)
    _draw_note(image, view, found, span_hz)
    draw_band(image, view, _band(found), SIGNS)
    return image


def corner_text(corner: Corner) -> str:
    """Return a corner with three digits at most, fewer where its uncertainty wants it."""
    step_hz = 0.1 if corner.corner_hz < 99.95 else 1.0 if corner.corner_hz < 999.5 else 10.0
    return hz_text(corner.corner_hz, max(corner.corner_u_hz, 5.0 * step_hz))


def _corners(found: Response) -> tuple[Corner, ...]:
    return found.fit.corners if found.fit is not None else ()


def _draw_corners(image: Image.Image, found: Response) -> None:
    """Draw the corner; two of them smaller, side by side; pale while a new pass may change them."""
    colour = PALE if found.stage is Stage.AGAIN else WHITE
    base = NUMBER.bottom - 1
    corners = _corners(found)
    if len(corners) == 2:
        for corner, right in zip(corners, (115, 239), strict=True):
            draw_number(image, corner_text(corner), PAIR_PX, colour, right=right, base=base, slots=_PAIR_SLOTS)
        draw_text(image, Box(243, UNIT.top, 273, UNIT.bottom), "Hz", SMALL_PX, colour, top=8)
        return
    text = corner_text(corners[0]) if corners else DASHES
    draw_number(image, text, DIGITS_PX, colour, right=NUMBER.right, base=base, slots=_SLOTS)
    draw_text(image, UNIT, "Hz", SMALL_PX, colour, top=8)


def _draw_aside(image: Image.Image, view: View, found: Response) -> None:
    """Draw the present level, which no page may hide, and what the corner means or how far the sweep is."""
    reading = None if view.stale else view.reading
    direct = reading is not None and reading.dc_alarm
    level = f"{level_text(reading, direct=direct)} V".replace("-", "−") if reading is not None else f"{DASHES} V"
    draw_text(image, Box(ASIDE.left, ASIDE.top, ASIDE.right, ASIDE.top + 26), level, SMALL_PX, PALE, top=1, right=True)
    corners = _corners(found)
    if found.stage in {Stage.FOLLOWING, Stage.AGAIN} and math.isfinite(found.now_hz) and len(corners) < 2:
        below = f"{found.now_hz:.0f} Hz"
    elif len(corners) == 1:
        below = "−6 dB" if corners[0].shape is not None and corners[0].shape.m == 2 else "−3 dB"
    else:
        return
    draw_text(image, Box(ASIDE.left, UNIT.top, ASIDE.right, UNIT.bottom), below, SMALL_PX, PALE, top=8, right=True)


# -- the curve --------------------------------------------------------------------------------------------------------


def _span_hz(found: Response) -> tuple[float, float]:
    highest = float(found.hz[-1]) if len(found.hz) else 0.0
    return LOWEST_HZ, next((top for top in HIGHEST_HZ if highest <= 1.02 * top), HIGHEST_HZ[-1])


def _along(hz: FloatArray | float, span_hz: tuple[float, float], width: int) -> FloatArray:
    """Return where frequencies lie across a picture [px]."""
    low, high = (math.log(end) for end in span_hz)
    return np.asarray((np.log(hz) - low) / (high - low) * (width - 1), dtype=np.float64)


def curve_picture(
    found: Response, size: tuple[int, int], *, span_hz: tuple[float, float], line_px: int = 3
) -> Image.Image:
    """Return level against the logarithm of frequency, what passes as a body, each corner as a post with a head."""
    width, height = size[0] * _FINE, size[1] * _FINE
    image = Image.new("RGB", (width, height), BLACK)
    pen = ImageDraw.Draw(image)
    thick = line_px * _FINE

    def down(db: FloatArray | float) -> FloatArray:
        # Below the picture a curve runs on, or it would seem to stop falling.
        within = (TOP_DB - np.clip(db, 2 * BOTTOM_DB, TOP_DB)) / (TOP_DB - BOTTOM_DB)
        return np.asarray(within * (height - thick) + thick / 2)

    x, y = _along(found.hz, span_hz, width), down(found.level_db)
    steps = np.diff(np.log2(found.hz)) if len(found.hz) > 1 else np.empty(0)
    widest = max(_GAP, 1.5 * float(np.median(steps))) if steps.size else _GAP
    pieces = np.split(np.arange(len(x)), np.flatnonzero(steps > widest) + 1) if len(x) else []
    outlines = [[(float(x[i]), float(y[i])) for i in piece] for piece in pieces]
    for points in outlines:
        if len(points) > 1:
            pen.polygon([(points[0][0], height), *points, (points[-1][0], height)], fill=SLATE)
    for step in range(0, width, 8 * _FINE):
        zero = float(down(0.0))
        pen.line([(step, zero), (step + 3 * _FINE, zero)], fill=PALE, width=_FINE)
    for points in outlines:
        if len(points) > 1:
            pen.line(points, fill=WHITE, width=thick, joint="curve")
        for px, py in (points[0], points[-1]):
            pen.ellipse([px - thick / 2, py - thick / 2, px + thick / 2, py + thick / 2], fill=WHITE)
    colour = PALE if found.stage is Stage.AGAIN else SKY if found.stage is Stage.RESULT else YELLOW
    for corner in _corners(found):
        px = float(_along(corner.corner_hz, span_hz, width))
        py = float(down(corner.shape.corner_db if corner.shape is not None else -10.0 * math.log10(2.0)))
        pen.rectangle([px - thick / 2, py, px + thick / 2, height], fill=colour)
        head = 2.2 * thick
        pen.polygon([(px, py - head), (px + head, py), (px, py + head), (px - head, py)], fill=colour)
        pen.line(
            [(px, py - head), (px + head, py), (px, py + head), (px - head, py), (px, py - head)],
            fill=BLACK, width=_FINE,
        )  # fmt: skip
    if math.isfinite(found.now_hz):
        px, py = float(_along(found.now_hz, span_hz, width)), float(down(found.now_db))
        radius = 1.7 * thick
        pen.ellipse([px - radius, py - radius, px + radius, py + radius], fill=YELLOW, outline=BLACK, width=_FINE)
    return image.reduce(_FINE)


def _label(hz: int) -> str:
    return f"{hz // 1000}k" if hz >= 1000 else str(hz)


def _draw_ticks(image: Image.Image, span_hz: tuple[float, float]) -> None:
    for hz in _LABELS_HZ[span_hz[1]]:
        x = TICKS.left + round(float(_along(float(hz), span_hz, TICKS.width)))
        mask = text_mask(_label(hz), SMALL_PX)
        left = min(max(x - mask.image.width // 2, TICKS.left), TICKS.right - mask.image.width)
        image.paste(
            PALE, (min(max(x, TICKS.left), TICKS.right - 2), TICKS.top - 2, min(x + 2, TICKS.right), TICKS.top + 1)
        )
        draw_text(image, Box(left, TICKS.top, left + mask.image.width, TICKS.bottom), _label(hz), SMALL_PX, PALE, top=2)


def _draw_note(image: Image.Image, view: View, found: Response, span_hz: tuple[float, float]) -> None:
    """Draw which alignment it is into the body of the curve; a fault, or a sweep too fast, on a plate across it."""
    plate = view.faults[0] if view.faults else "too fast: slower sweep" if found.too_fast else ""
    if plate:
        draw_plate(image, Box(CURVE.left, CURVE.bottom - 28, CURVE.right, CURVE.bottom), ORANGE, corner_px=14)
        room = Box(CURVE.left + 5, CURVE.bottom - 28, CURVE.right - 14, CURVE.bottom)
        draw_text(image, room, plate.upper(), SMALL_PX, BLACK, top=4)
        return
    left, right = CURVE.left + 4, CURVE.right - 4
    for corner in _corners(found):
        post = CURVE.left + round(float(_along(corner.corner_hz, span_hz, CURVE.width)))
        if corner.side is Side.HIGH_PASS:
            left = max(left, post + 3)
        else:
            right = min(right, post - 3)
    lines = _note_lines(found, long=True)
    if any(font(SMALL_PX).getlength(line) * NARROWEST > right - left for line in lines):
        lines = _note_lines(found, long=False)
    for row, line in enumerate(lines):
        top = CURVE.bottom - 24 * (len(lines) - row)
        draw_text(image, Box(left, top, right, top + 26), line, SMALL_PX, WHITE, top=2, centred=True)


def _note_lines(found: Response, *, long: bool) -> tuple[str, ...]:
    """Return what is said of the alignment, in two lines at most."""
    fit = found.fit
    if fit is None or found.stage is Stage.WAITING:
        return ("one sine that goes slowly", "from low to high or back")
    names = dict(zip(Alignment, Alignment if long else ("BW", "LR"), strict=True))
    match fit.told:
        case Told.STRANGE:
            return ("not one filter, or", "the level moved")
        case Told.NO_CORNER if found.stage is Stage.CANNOT_TELL:
            return (f"from {found.hz[0]:.0f} to {found.hz[-1]:.0f} Hz",)
        case Told.OTHER_SLOPE:
            return ("no usual type",) if long else ("?",)
        case Told.ALIKE:
            rivals = next(corner.rivals for corner in fit.corners if corner.shape is None)
            first, *others = dict.fromkeys(names[rival.alignment] for rival in rivals)
            return (f"{first} or", others[0]) if others else (f"{first}?",)
        case _:
            kinds = [names[corner.shape.alignment] for corner in fit.corners if corner.shape is not None]
            return tuple(kinds[:1] if len(set(kinds)) == 1 else kinds)


# -- the band ---------------------------------------------------------------------------------------------------------


def _band(found: Response) -> Band:
    fit = found.fit
    match found.stage:
        case Stage.WAITING:
            return Band("PLAY SWEEP", "waiting", WHITE)
        case Stage.FOLLOWING:
            return Band("FOLLOWING", "following", YELLOW)
        case Stage.AGAIN:
            return Band("ONCE MORE", "hop", YELLOW)
        case Stage.CANNOT_TELL if fit is not None and fit.told is Told.NO_CORNER:
            return Band("NO CORNER", "no corner", WHITE)
        case Stage.CANNOT_TELL:
            return Band("CANNOT TELL", "question", WHITE)
    corners = _corners(found)
    sign = "both" if len(corners) == 2 else str(corners[0].side)
    slopes = list(dict.fromkeys(f"{corner.slope_db_octave:.0f}" for corner in corners))
    return Band(f"{' | '.join(slopes)} dB/oct", sign, SKY, hollow=False)


def draw_band(image: Image.Image, view: View, state: Band, signs: Signs) -> None:
    """Draw a page's own state as the first page draws its: a danger at the terminals takes its place.

    signs : shapes of the page's own; those that are not in there are of `drawing.SHAPES`
    """
    alarm = face(view.reading, stale=view.stale, supply=view.supply)
    if alarm.colour == VERMILLION:
        state = Band(alarm.word, alarm.shape, alarm.colour, alarm.hollow)
    image.paste(state.colour, BAND)
    if state.hollow:
        image.paste(BLACK, (BAND.left + 54, BAND.top + 2, BAND.right, BAND.bottom))
    place = Box(BAND.left + 9, BAND.top + 4, BAND.left + 46, BAND.top + 41)
    if state.sign in signs:
        image.paste(BLACK, (place.left, place.top), sign_mask(signs[state.sign], place.width, place.height))
    else:
        draw_shape(image, state.sign, place, BLACK)
    room = Box(BAND.left + 60, BAND.top, BAND.right - 4, BAND.bottom)
    draw_text(image, room, state.word, LARGE_PX, state.colour if state.hollow else BLACK, top=4)


def sign_mask(shape: Shape, width: int, height: int) -> Image.Image:
    """Return a shape as coverage, smooth at its edges."""
    fine = 4
    mask = Image.new("L", (width * fine, height * fine))
    pen = ImageDraw.Draw(mask)
    for add, points in shape:
        pen.polygon([(x * mask.width, y * mask.height) for x, y in points], fill=255 if add else 0)
    return mask.reduce(fine)


# -- the picture of a recording ---------------------------------------------------------------------------------------

_SHEET = (960, 600)
_PLOT = Box(96, 130, 930, 530)
_LEVELS_DB = (0, -3, -6, -12, -18, -24)


def picture(found: Response, *, title: str) -> Image.Image:
    """Return the curve of a recording as a picture of its own, mode RGB, 960 x 600."""
    image = Image.new("RGB", _SHEET, BLACK)
    draw_text(image, Box(24, 8, 936, 52), title, 36, PALE, top=8)
    for row, line in enumerate(headlines(found)):
        draw_text(image, Box(24, 46 + 36 * row, 936, 84 + 36 * row), line, 40, WHITE, top=8)
    span_hz = _span_hz(found)
    image.paste(curve_picture(found, (_PLOT.width, _PLOT.height), span_hz=span_hz, line_px=4), _PLOT)
    for db in _LEVELS_DB:
        y = _PLOT.top + round((TOP_DB - db) / (TOP_DB - BOTTOM_DB) * _PLOT.height)
        image.paste(PALE, (_PLOT.left - 10, y, _PLOT.left - 2, y + 1))
        text = f"{db} dB".replace("-", "−") if db in {0, -24} else str(db).replace("-", "−")
        draw_text(image, Box(0, y - 12, _PLOT.left - 14, y + 14), text, SMALL_PX, PALE, top=2, right=True)
    for hz in _LABELS_HZ[span_hz[1]]:
        x = _PLOT.left + round(float(_along(float(hz), span_hz, _PLOT.width)))
        image.paste(PALE, (x, _PLOT.bottom + 2, x + 2, _PLOT.bottom + 10))
        draw_text(image, Box(x - 50, _PLOT.bottom + 14, x + 50, _PLOT.bottom + 44), f"{_label(hz)} Hz", SMALL_PX, PALE,
                  top=2, centred=True)  # fmt: skip
    return image


def headlines(found: Response) -> list[str]:
    """Return the answer, a line for each corner."""
    fit = found.fit
    if fit is None or not fit.corners:
        return [str(fit.told if fit is not None else Told.TOO_FEW)]
    lines = []
    for corner in fit.corners:
        name = f"{corner.slope_db_octave:.0f} dB/octave" if math.isfinite(corner.slope_db_octave) else "alignment open"
        lines.append(f"{corner.side}: {corner_text(corner)} Hz, {corner.shape or name}")
    return lines
