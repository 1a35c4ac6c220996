"""From text and shapes to pixels: glyph masks, the signs of the states, and the picture of the tops."""

from __future__ import annotations

import math
from functools import lru_cache
from importlib import resources
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from flattop.measure.reading import Tops
from flattop.panel.words import BLACK, ORANGE, PALE, SKY, SLATE, VERMILLION, WHITE, YELLOW, Colour
from flattop.samples import FloatArray

Point = tuple[float, float]
Shape = tuple[tuple[bool, tuple[Point, ...]], ...]
"""Polygons in a unit square, y downward, painted in turn: True adds, False cuts out."""


class Box(NamedTuple):
    """A rectangle of pixels; right and bottom lie just outside it."""

    left: int
    top: int
    right: int
    bottom: int

    @property
    def width(self) -> int:
        """Columns."""
        return self.right - self.left

    @property
    def height(self) -> int:
        """Rows."""
        return self.bottom - self.top


class Mask(NamedTuple):
    """Coverage of one text, no higher than its ink, and the row of its base line."""

    image: Image.Image
    base: int


@lru_cache(maxsize=8)
def font(size_px: int) -> ImageFont.FreeTypeFont:
    """Return the bundled font.

    Basic layout only: what a frame looks like must not depend on whether the text-shaping
    library of this machine is there.
    """
    with resources.as_file(resources.files("flattop.panel") / "fonts" / "RobotoCondensed-Bold.ttf") as path:
        return ImageFont.truetype(path, size_px, layout_engine=ImageFont.Layout.BASIC)


@lru_cache(maxsize=512)
def text_mask(text: str, size_px: int, room_px: int = 0) -> Mask:
    """Return `text` as a mask cut to its ink sideways.

    Where `room_px` is given and too small, letters are drawn narrower, down to three quarters
    and never lower; what still has no room is cut and ends in an ellipsis.
    """
    face = font(size_px)
    ascent, descent = face.getmetrics()

    def render(part: str) -> Image.Image:
        image = Image.new("L", (math.ceil(face.getlength(part)) + 2 * descent, ascent + descent))
        ImageDraw.Draw(image).text((descent, ascent), part, fill=255, font=face, anchor="ls")
        ink = image.getbbox() or (0, 0, 1, 1)
        return image.crop((ink[0], 0, ink[2], image.height))

    image = render(text)
    kept = text
    while room_px and image.width * 3 > room_px * 4 and len(kept) > 1:
        kept = kept[:-1].rstrip()
        image = render(kept + "…")
    if room_px and image.width > room_px:
        image = image.resize((room_px, image.height), Image.Resampling.BOX)
    return _trimmed(image, ascent)


@lru_cache(maxsize=128)
def wrapped(text: str, size_px: int, room_px: int) -> tuple[str, ...]:
    """Return `text` in lines that fit; a word too long for a line is broken, nothing is cut off."""
    face = font(size_px)
    lines: list[str] = []
    line = ""
    for word in text.split():
        longer = f"{line} {word}" if line else word
        if face.getlength(longer) <= room_px:
            line = longer
            continue
        if line:
            lines.append(line)
        line = ""
        for char in word:
            if line and face.getlength(line + char) > room_px:
                lines.append(line)
                line = ""
            line += char
    return (*lines, line) if line else tuple(lines)


@lru_cache(maxsize=64)
def digit_mask(char: str, size_px: int, slot_px: int) -> Mask:
    """Return one character of a number, in a slot whose width does not depend on the character."""
    face = font(size_px)
    ascent, descent = face.getmetrics()
    image = Image.new("L", (slot_px, ascent + descent))
    ImageDraw.Draw(image).text((slot_px / 2, ascent), char, fill=255, font=face, anchor="ms")
    return _trimmed(image, ascent)


def _trimmed(image: Image.Image, base: int) -> Mask:
    """Cut empty rows off: pasting them would take as long as pasting ink."""
    _, top, _, bottom = image.getbbox() or (0, 0, 1, 1)
    return Mask(image.crop((0, top, image.width, bottom)), base - top)


def arc(centre: Point, radius: float, from_deg: float = 0.0, to_deg: float = 360.0) -> tuple[Point, ...]:
    """Return points on a circle, clockwise on the screen from `from_deg` (0 points right)."""
    steps = max(8, int(abs(to_deg - from_deg) / 6))
    angles = np.radians(np.linspace(from_deg, to_deg, steps + 1))
    return tuple((centre[0] + radius * math.cos(a), centre[1] + radius * math.sin(a)) for a in angles)


def rect(left: float, top: float, right: float, bottom: float) -> tuple[Point, ...]:
    """Return the corners of an upright rectangle."""
    return ((left, top), (right, top), (right, bottom), (left, bottom))


def stroke(points: tuple[Point, ...], half: float) -> Shape:
    """Return a thick line as one polygon for each piece and a round joint at each point."""
    parts: list[tuple[bool, tuple[Point, ...]]] = [(True, arc(point, half)) for point in points]
    for (x0, y0), (x1, y1) in pairwise(points):
        scale = half / math.hypot(x1 - x0, y1 - y0)
        dx, dy = (y1 - y0) * scale, (x0 - x1) * scale
        parts.append((True, ((x0 + dx, y0 + dy), (x1 + dx, y1 + dy), (x1 - dx, y1 - dy), (x0 - dx, y0 - dy))))
    return tuple(parts)


_MID: Point = (0.5, 0.5)
_RING: Shape = ((True, arc(_MID, 0.48)), (False, arc(_MID, 0.32)))
# A disc without its top, cut where the chord spans 2 x 55 degrees about the crest.
_CORNERS = tuple(math.radians(22.5 + 45 * i) for i in range(8))
_CUT_DISC: Shape = ((True, arc(_MID, 0.48, -35, 215)),)

SHAPES: dict[str, Shape] = {
    "disc": ((True, arc(_MID, 0.48)),),
    "cut disc": _CUT_DISC,
    "bar": ((True, rect(0.02, 0.34, 0.98, 0.72)),),
    "zigzag": stroke(((0.08, 0.62), (0.27, 0.22), (0.46, 0.78), (0.65, 0.22), (0.92, 0.74)), 0.075),
    "octagon": ((True, tuple((0.5 + 0.53 * math.cos(a), 0.5 + 0.53 * math.sin(a)) for a in _CORNERS)),),
    "ring": _RING,
    "slashed ring": (*_RING, *stroke(((0.14, 0.86), (0.86, 0.14)), 0.08)),
    "question": (
        *stroke(arc((0.5, 0.30), 0.21, 180, 405), 0.075),
        *stroke(((0.65, 0.45), (0.5, 0.56), (0.5, 0.66)), 0.075),
        (True, arc((0.5, 0.88), 0.095)),
    ),
    "clock": (*_RING, *stroke(((0.5, 0.27), (0.5, 0.5), (0.67, 0.6)), 0.06)),
    "hourglass": (
        (True, rect(0.12, 0.02, 0.88, 0.13)),
        (True, rect(0.12, 0.87, 0.88, 0.98)),
        (True, ((0.2, 0.17), (0.8, 0.17), (0.53, 0.5), (0.8, 0.83), (0.2, 0.83), (0.47, 0.5))),
    ),
    "sunk": ((True, ((0.1, 0.14), (0.9, 0.14), (0.5, 0.72))), (True, rect(0.02, 0.82, 0.98, 0.95))),
    "dashes": tuple((True, rect(x, 0.43, x + 0.24, 0.57)) for x in (0.0, 0.38, 0.76)),
    "bars": tuple(
        (True, rect(x, top, x + 0.16, 0.96)) for x, top in ((0.02, 0.4), (0.28, 0.06), (0.56, 0.56), (0.82, 0.24))
    ),
    "wedge": ((True, ((0.0, 0.1), (1.0, 0.86), (1.0, 0.94), (0.0, 0.94))),),
    "chevrons": (
        *stroke(((0.12, 0.12), (0.42, 0.5), (0.12, 0.88)), 0.08),
        *stroke(((0.54, 0.12), (0.84, 0.5), (0.54, 0.88)), 0.08),
    ),
    "through roof": (
        (True, rect(0.0, 0.3, 0.28, 0.43)),
        (True, rect(0.72, 0.3, 1.0, 0.43)),
        (True, ((0.5, 0.0), (0.78, 0.42), (0.22, 0.42))),
        (True, rect(0.38, 0.4, 0.62, 1.0)),
    ),
    "outside": (
        (True, rect(0.0, 0.1, 0.58, 0.9)),
        (False, rect(0.13, 0.23, 0.45, 0.77)),
        (False, rect(0.2, 0.0, 0.38, 1.0)),
        (True, arc((0.83, 0.5), 0.15)),
    ),
    # One above the line, its image below.
    "mirror": (
        (True, arc((0.5, 0.2), 0.2)),
        (False, arc((0.5, 0.2), 0.09)),
        (True, rect(0.0, 0.45, 1.0, 0.56)),
        (True, arc((0.5, 0.82), 0.18)),
    ),
    "gap": (
        (True, rect(0.0, 0.42, 0.3, 0.58)),
        (True, rect(0.24, 0.26, 0.4, 0.74)),
        (True, rect(0.7, 0.42, 1.0, 0.58)),
        (True, rect(0.62, 0.26, 0.76, 0.74)),
        (True, rect(0.48, 0.06, 0.54, 0.2)),
        (True, rect(0.48, 0.8, 0.54, 0.94)),
    ),
    "cross": (*stroke(((0.12, 0.12), (0.88, 0.88)), 0.1), *stroke(((0.88, 0.12), (0.12, 0.88)), 0.1)),
    # For the second person: the volume up, held, down.
    "up": ((True, ((0.5, 0.02), (1.0, 0.62), (0.0, 0.62))), (True, rect(0.3, 0.6, 0.7, 0.98))),
    "hold": ((True, rect(0.04, 0.1, 0.96, 0.9)), (False, rect(0.24, 0.3, 0.76, 0.7))),
    "down": ((True, ((0.5, 0.98), (1.0, 0.38), (0.0, 0.38))), (True, rect(0.3, 0.02, 0.7, 0.4))),
    # For the steps of a run: done, skipped, could not be done, open; and for a judgement: fail.
    "tick": stroke(((0.1, 0.55), (0.38, 0.84), (0.9, 0.18)), 0.09),
    "hop": (
        *stroke(arc((0.5, 0.56), 0.38, 180, 360), 0.075),
        (True, ((0.72, 0.54), (1.0, 0.54), (0.88, 0.84))),
        (True, arc((0.5, 0.76), 0.13)),
    ),
    "dead end": (
        (True, rect(0.84, 0.04, 1.0, 0.96)),
        (True, rect(0.0, 0.43, 0.4, 0.57)),
        (True, ((0.36, 0.22), (0.74, 0.5), (0.36, 0.78))),
    ),
    "brackets": (
        (True, rect(0.04, 0.06, 0.96, 0.94)),
        (False, rect(0.18, 0.2, 0.82, 0.8)),
        (False, rect(0.34, 0.0, 0.66, 1.0)),
    ),
    "bang": ((True, ((0.36, 0.0), (0.64, 0.0), (0.58, 0.62), (0.42, 0.62))), (True, arc((0.5, 0.85), 0.13))),
    "battery": (
        (True, rect(0.02, 0.28, 0.98, 0.94)),
        (False, rect(0.14, 0.4, 0.86, 0.82)),
        (True, rect(0.14, 0.1, 0.36, 0.32)),
        (True, rect(0.64, 0.1, 0.86, 0.32)),
        (True, rect(0.22, 0.57, 0.42, 0.65)),
        (True, rect(0.58, 0.57, 0.78, 0.65)),
        (True, rect(0.64, 0.51, 0.72, 0.71)),
    ),
    "left": ((True, ((0.0, 0.5), (1.0, 0.0), (1.0, 1.0))),),
    "right": ((True, ((1.0, 0.5), (0.0, 0.0), (0.0, 1.0))), (False, ((0.66, 0.5), (0.16, 0.24), (0.16, 0.76)))),
    # The bolt in a triangle: the idea of IEC 60417-5036, in our own outline.
    "hazard": (
        (True, ((0.5, 0.0), (1.0, 0.97), (0.0, 0.97))),
        (False, ((0.56, 0.24), (0.33, 0.64), (0.47, 0.64), (0.42, 0.92), (0.68, 0.5), (0.53, 0.5))),
    ),
}


@lru_cache(maxsize=64)
def shape_mask(name: str, width: int, height: int) -> Image.Image:
    """Return one of `SHAPES` as coverage, smooth at its edges."""
    fine = 4
    image = Image.new("L", (width * fine, height * fine))
    pen = ImageDraw.Draw(image)
    for add, points in SHAPES[name]:
        pen.polygon([(x * width * fine, y * height * fine) for x, y in points], fill=255 if add else 0)
    return image.reduce(fine)


def draw_shape(image: Image.Image, name: str, box: Box, colour: Colour) -> None:
    """Draw one of `SHAPES` over the whole of `box`."""
    image.paste(colour, (box.left, box.top), shape_mask(name, box.width, box.height))


def draw_text(
    image: Image.Image,
    box: Box,
    text: str,
    size_px: int,
    colour: Colour,
    *,
    top: int,
    right: bool = False,
    centred: bool = False,
) -> None:
    """Draw one line inside `box`, the tops of its capitals `top` px below the edge of it."""
    if not text:
        return
    mask = text_mask(text, size_px, box.width)
    spare = box.width - mask.image.width
    left = box.left + (spare if right else spare // 2 if centred else 0)
    base = box.top + top + round(0.711 * size_px)
    image.paste(colour, (left, base - mask.base), mask.image)


def draw_number(
    image: Image.Image, text: str, size_px: int, colour: Colour, *, right: int, base: int, slots: tuple[int, int]
) -> None:
    """Draw a number on its base line, in slots [px] for a digit and for the point, so that no digit moves another."""
    for char in reversed(text.replace("-", "−")):
        width = slots[1] if char == "." else slots[0]
        right -= width
        mask = digit_mask(char, size_px, width)
        image.paste(colour, (right, base - mask.base), mask.image)


def draw_plate(image: Image.Image, box: Box, colour: Colour, *, corner_px: int) -> None:
    """Fill `box` but for its upper right corner, which is cut off as on a memory card."""
    left, top, right, bottom = box.left, box.top, box.right - 1, box.bottom - 1
    corner = [(right - corner_px, top), (right, top + corner_px)]
    ImageDraw.Draw(image).polygon([(left, top), *corner, (right, bottom), (left, bottom)], fill=colour)


def palette() -> Image.Image:
    """Return an image of mode P whose palette is every colour of the screen in steps down to black, as edges have."""
    steps = [(0, 0, 0)]
    for colour in (WHITE, PALE, YELLOW, ORANGE, SKY, VERMILLION, SLATE):
        steps += [(colour[0] * k // 8, colour[1] * k // 8, colour[2] * k // 8) for k in range(1, 9)]
    image = Image.new("P", (1, 1))
    image.putpalette([part for step in steps for part in step])
    return image


_FINE = 3
_SPANS_DEG = (36.0, 60.0, 90.0)


def tops_picture(tops: Tops, size: tuple[int, int], missing: Colour) -> Image.Image | None:
    """Return the two half-cycles folded onto one another near the crest; None where there is no crest.

    The body is what both halves have; in `missing`, what the flanks predict and neither half
    has; in a darker shade of it, what only one of them has. The view narrows to the crest while
    little is missing, so that 3 % of the height (0.3 dB) is a fifth of the picture, and widens
    in two steps as more goes.
    """
    angle = tops.angle_deg
    rows = [tops.pos_v, tops.neg_v, tops.pos_flanks_v, tops.neg_flanks_v]
    good = np.isfinite(angle)
    for row in rows:
        good &= np.isfinite(row)
    if np.count_nonzero(good) < 3:
        return None
    angle = angle[good]
    pos, neg, pos_flanks, neg_flanks = (row[good] for row in rows)
    crest = float(max(pos_flanks.max(), neg_flanks.max()))
    if not crest > 0:
        return None
    held = min(1.0, float(min(pos.max() / pos_flanks.max(), neg.max() / neg_flanks.max())))
    corner_deg = math.degrees(math.acos(max(held, 0.0)))
    span_deg = next((span for span in _SPANS_DEG if corner_deg <= 0.66 * span), _SPANS_DEG[-1])

    width, height = size[0] * _FINE, size[1] * _FINE
    at_deg = np.linspace(-span_deg, span_deg, size[0] // 2 + 1)
    points = np.empty((len(at_deg), 2))
    points[:, 0] = np.linspace(0, width - 1, len(at_deg))
    low = math.cos(math.radians(span_deg))
    rise = (height - 5 * _FINE) / (1 - low)

    def line(values: FloatArray) -> list[float]:
        y = height - 1 - (np.interp(at_deg, angle, values) / crest - low) * rise
        points[:, 1] = np.clip(y, 0, height).round()
        flat: list[float] = points.ravel().tolist()
        return flat

    image = Image.new("RGB", (width, height), BLACK)
    pen = ImageDraw.Draw(image)
    floor = [width - 1.0, height + 9.0, 0.0, height + 9.0]
    shade = (missing[0] * 5 // 8, missing[1] * 5 // 8, missing[2] * 5 // 8)
    predicted = line(np.maximum(pos_flanks, neg_flanks))
    pen.polygon(predicted + floor, fill=missing)
    pen.polygon(line(np.maximum(pos, neg)) + floor, fill=shade)
    pen.polygon(line(np.minimum(pos, neg)) + floor, fill=SLATE)
    pen.line(predicted, fill=PALE, width=_FINE)
    pen.line(line(neg), fill=PALE, width=2 * _FINE)
    pen.line(line(pos), fill=WHITE, width=3 * _FINE)
    return image.reduce(_FINE)
