"""The screen: one view of the instrument in, one 320 x 240 picture out, and which parts of it are new."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from flattop.measure.reading import Reading, Verdict
from flattop.panel.drawing import Box, draw_number, draw_plate, draw_shape, draw_text, tops_picture
from flattop.panel.words import (
    BLACK,
    ORANGE,
    PALE,
    SKY,
    SLATE,
    STOP,
    SUPPLY,
    WHITE,
    YELLOW,
    Colour,
    Face,
    db_text,
    face,
    hz_text,
    level_text,
    volts_text,
)

SIZE = (320, 240)

# Type sizes [px of em]; the height of capitals and digits follows from the font (0.711 em).
DIGITS_PX = 92  # 66 px high: 27 minutes of arc at 1.5 m on a 2.8-inch panel, 19 on a 2.0-inch one
LARGE_PX = 55  # 40 px high: 16 minutes at 1.5 m
SMALL_PX = 28  # 20 px high: 16 minutes at 0.75 m

# The layout. No two of these overlap, so that nothing drawn in one can touch another.
LABEL = Box(4, 0, 139, 29)
SIMULATED = Box(141, 1, 281, 25)
LABEL_WIDE = Box(4, 0, 281, 29)
"""The label's room where there is no SIMULATED."""
HAZARD = Box(283, 1, 319, 35)
VOLTS = Box(2, 29, 214, 97)
UNIT = Box(216, 50, 240, 97)
KEPT = Box(241, 38, 317, 97)
FACTS = Box(4, 98, 123, 150)
PICTURE = Box(128, 100, 268, 148)
LADDER = Box(272, 98, 319, 192)
ADVICE = Box(4, 150, 268, 193)
BAND = Box(0, 195, 320, 240)

# Right-aligned slots: with one number of decimals every digit and the point keep their place.
_SLOT_PX = 47
_POINT_PX = 22
_SLOTS = 4

_LADDER_TOP_DB = 1.0
_LADDER_BOTTOM_DB = -5.0
_MARGIN_DB = -20.0
"""Further below the ceiling than this, the level says nothing of the margin (a lead off, a pause)."""

_COMMAND_BYTES = 11
"""Column and row address commands with their data and the write command, for each rectangle."""


@dataclass(frozen=True, slots=True)
class Kept:
    """A reading that was kept: the small frozen copy of it."""

    rms_v: float
    rms_u_v: float
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class View:
    """Everything the screen shows.

    reading : the newest one; None before the first.
    label : what the leads are on, or the input's name.
    aim_v : target, rms [V].
    advice : the next move, one or two short words.
    word : what the second person is to do with the volume, "up", "hold" or "down"; it goes before the advice.
    task : one line that takes the place of the picture, where a step is only read.
    progress : how far a run has come, where no target is shown.
    supply : the leads are meant to lie on the supply of the vehicle.
    ceiling_v : highest clean level seen on this output with this tone, rms [V].
    stale : the reading is too old to be shown as a number.
    kept : the last reading that was kept.
    keeping : the reading that is on its way to the card, shown in the place of `kept` until it is there.
    faults : short words, such as "card not writing"; the first is shown, the others are counted.
    simulated : true also wherever the reading's own converter says so.
    """

    reading: Reading | None = None
    label: str = ""
    aim_v: float | None = None
    advice: str = ""
    word: str = ""
    task: str = ""
    progress: str = ""
    supply: bool = False
    ceiling_v: float | None = None
    stale: bool = False
    kept: Kept | None = None
    keeping: Kept | None = None
    faults: tuple[str, ...] = ()
    simulated: bool = False


def draw(view: View) -> Image.Image:
    """Return the frame of `view`: mode RGB, 320 x 240; the same view gives the same bytes."""
    image = Image.new("RGB", SIZE, BLACK)
    sign = face(view.reading, stale=view.stale, supply=view.supply)
    draw_top(image, view, view.label)
    current = None if view.stale else view.reading
    _draw_volts(image, current, direct=sign in {STOP, SUPPLY})
    if view.keeping is not None:
        _draw_kept(image, view.keeping, "wait", "hourglass", YELLOW)
    elif view.kept is not None:
        _draw_kept(image, view.kept, "kept", *_KEPT_MARKS.get(view.kept.verdict, ("ring", WHITE)))
    _draw_middle(image, view, current, sign)
    if view.ceiling_v is not None and view.ceiling_v > 0:
        _draw_ladder(image, view.ceiling_v, view.aim_v, current, sign)
    if view.word:
        draw_shape(image, view.word, Box(ADVICE.left, ADVICE.top + 2, ADVICE.left + 40, ADVICE.bottom - 1), WHITE)
        room = Box(ADVICE.left + 50, ADVICE.top, ADVICE.right, ADVICE.bottom)
        draw_text(image, room, view.word.upper(), LARGE_PX, WHITE, top=2)
    elif view.advice:
        draw_text(image, ADVICE, view.advice.upper(), LARGE_PX, WHITE, top=2)
    _draw_band(image, sign)
    return image


def draw_top(image: Image.Image, view: View, label: str) -> None:
    """Draw the top row of every page: a label, SIMULATED, and the hazard mark where it must be."""
    simulated = view.simulated or (view.reading is not None and view.reading.facts.simulated)
    draw_text(image, LABEL if simulated else LABEL_WIDE, label, SMALL_PX, WHITE, top=2)
    if simulated:
        image.paste(SLATE, SIMULATED)
        draw_text(image, SIMULATED, "SIMULATED", SMALL_PX, WHITE, top=2, centred=True)
    if view.stale or view.reading is None or view.reading.hazard:
        draw_shape(image, "hazard", HAZARD, YELLOW)


def _draw_volts(image: Image.Image, reading: Reading | None, *, direct: bool) -> None:
    """Draw the number: the d.c. part where that is the danger, the true RMS everywhere else."""
    text = level_text(reading, direct=direct)
    draw_number(image, text, DIGITS_PX, WHITE, right=VOLTS.right, base=VOLTS.bottom - 1, slots=(_SLOT_PX, _POINT_PX))
    base = VOLTS.bottom - 1 - UNIT.top
    draw_text(image, UNIT, "V", 40, WHITE, top=base - 28)
    if direct:
        left, top = UNIT.left, UNIT.top + 2
        image.paste(WHITE, (left, top, left + 23, top + 4))
        for x in (left, left + 9, left + 18):
            image.paste(WHITE, (x, top + 7, x + 5, top + 11))


_KEPT_MARKS = {Verdict.CLEAN: ("disc", SKY), Verdict.SOFT: ("cut disc", YELLOW), Verdict.FLAT: ("bar", ORANGE)}


def _draw_kept(image: Image.Image, kept: Kept, word: str, shape: str, colour: Colour) -> None:
    draw_shape(image, shape, Box(KEPT.left, KEPT.top + 4, KEPT.left + 20, KEPT.top + 24), colour)
    draw_text(image, Box(KEPT.left + 23, KEPT.top, KEPT.right, KEPT.top + 30), word, SMALL_PX, PALE, top=4, right=True)
    number = Box(KEPT.left, KEPT.top + 32, KEPT.right, KEPT.bottom)
    draw_text(image, number, volts_text(kept.rms_v, kept.rms_u_v), SMALL_PX, PALE, top=5, right=True)


def _draw_middle(image: Image.Image, view: View, reading: Reading | None, sign: Face) -> None:
    """Draw the facts and the picture; in a state without a picture, what the meter cannot know.

    A fault takes the place of the facts or of that text, never that of the picture, and gives
    way only to the words of a d.c. alarm.
    """
    pictured = sign.pictured and not view.task
    if pictured and reading is not None and reading.tops is not None:
        picture = tops_picture(reading.tops, (PICTURE.width, PICTURE.height), sign.colour)
        if picture is not None:
            image.paste(picture, PICTURE)
    if view.faults and sign is not STOP:
        _draw_fault(image, view.faults, FACTS if pictured else Box(FACTS.left, FACTS.top, PICTURE.right, FACTS.bottom))
    elif pictured and reading is not None:
        _facts(image, reading, view)
    else:
        told = view.task and sign is not STOP
        # What a step says may reach below its line, what the meter cannot know does not.
        pitch = 27 if told else 24
        for row, line in enumerate((view.task, view.progress) if told else sign.why[:2]):
            top = FACTS.top + pitch * row
            draw_text(image, Box(FACTS.left, top, PICTURE.right, top + 28), line, SMALL_PX, WHITE, top=1)


def _facts(image: Image.Image, reading: Reading, view: View) -> None:
    hz = f"{hz_text(reading.hz, reading.hz_u)} Hz"
    draw_text(image, Box(FACTS.left, FACTS.top, FACTS.right, FACTS.top + 24), hz, SMALL_PX, PALE, top=2)
    below = view.progress
    if view.aim_v is not None:
        below = f"aim {view.aim_v:.{1 if view.aim_v >= 9.995 else 2}f}"
    draw_text(image, Box(FACTS.left, FACTS.top + 25, FACTS.right, FACTS.bottom), below, SMALL_PX, PALE, top=2)


def _draw_fault(image: Image.Image, faults: Sequence[str], room: Box) -> None:
    """Draw the first fault black on orange, on a plate with one corner off, as a card has."""
    draw_plate(image, Box(room.left, room.top + 1, room.right, room.bottom - 1), ORANGE, corner_px=14)
    words = faults[0].upper().split() + ([f"+{len(faults) - 1}"] if len(faults) > 1 else [])
    lines = tuple(words) if len(words) < 2 else _halved(words)
    for row, line in enumerate(lines):
        box = Box(room.left + 5, room.top + 24 * row, room.right - 12, room.top + 24 * row + 26)
        draw_text(image, box, line, SMALL_PX, BLACK, top=3)


def _halved(words: Sequence[str]) -> tuple[str, str]:
    """Return two lines as even in length as the words allow."""
    cuts = [(" ".join(words[:i]), " ".join(words[i:])) for i in range(1, len(words))]
    return min(cuts, key=lambda cut: max(len(cut[0]), len(cut[1])))


def _draw_ladder(
    image: Image.Image, ceiling_v: float, aim_v: float | None, reading: Reading | None, sign: Face
) -> None:
    """Draw the rungs 1 dB apart from the ceiling down, the target, and where the level is."""
    rail = LADDER.left + 22
    top, bottom = LADDER.top + 9, LADDER.bottom - 33

    def row(below_db: float) -> int:
        within = min(max(below_db, _LADDER_BOTTOM_DB), _LADDER_TOP_DB)
        return top + round((_LADDER_TOP_DB - within) / (_LADDER_TOP_DB - _LADDER_BOTTOM_DB) * (bottom - top))

    image.paste(PALE, (rail - 1, row(0), rail + 1, bottom + 1))
    image.paste(PALE, (rail - 20, row(0) - 1, rail + 22, row(0) + 2))
    for step in range(1, 1 - int(_LADDER_BOTTOM_DB)):
        image.paste(PALE, (rail - 6, row(-step), rail + 6, row(-step) + 1))
    if aim_v is not None and aim_v > 0:
        y = row(20 * math.log10(aim_v / ceiling_v))
        draw_shape(image, "right", Box(rail - 22, y - 8, rail - 1, y + 9), WHITE)
    if reading is None or not (reading.can_be_measured and reading.rms_v > 0):
        return
    below_db = 20 * math.log10(reading.rms_v / ceiling_v)
    if below_db < _MARGIN_DB:
        return
    y = row(below_db)
    draw_shape(image, "left", Box(rail + 2, y - 9, rail + 24, y + 10), WHITE if sign.hollow else sign.colour)
    text = db_text(below_db, 20 / math.log(10) * reading.rms_u_v / reading.rms_v)
    text = text.replace("-", "−") if below_db < 0 else f"+{text}"
    number = Box(LADDER.left, LADDER.bottom - 22, LADDER.right - 1, LADDER.bottom)
    draw_text(image, number, text, SMALL_PX, PALE, top=1, right=True)


def _draw_band(image: Image.Image, sign: Face) -> None:
    """Draw shape and word black on the colour, or, where nothing is judged, only the shape."""
    image.paste(sign.colour, BAND)
    if sign.hollow:
        image.paste(BLACK, (BAND.left + 54, BAND.top + 2, BAND.right, BAND.bottom))
    ink = sign.colour if sign.hollow else BLACK
    draw_shape(image, sign.shape, Box(BAND.left + 9, BAND.top + 4, BAND.left + 46, BAND.top + 41), BLACK)
    word = Box(BAND.left + 60, BAND.top, BAND.right - 4, BAND.bottom)
    draw_text(image, word, sign.word, LARGE_PX, ink, top=4)
    note = Box(BAND.left + 186, BAND.top, BAND.right - 8, BAND.bottom)
    draw_text(image, note, sign.note.replace("-", "−"), 36, ink, top=11, right=True)


Packed = NDArray[np.uint32]
"""An RGB image with one 32-bit word a pixel, red lowest, shape (rows, columns): one word is one comparison."""


def packed(image: Image.Image) -> Packed:
    """Return an RGB image packed: a copy, which later drawing leaves alone."""
    words = np.frombuffer(image.tobytes("raw", "RGBX"), dtype="<u4")
    return words.reshape(image.height, image.width).astype(np.uint32, copy=False)


def rgb565(part: Packed) -> NDArray[np.uint16]:
    """Return the panel's own 16-bit colours of a packed image or a part of one, shape (rows, columns)."""
    red, green, blue = part & 0xF8, part >> 8 & 0xFC, part >> 19 & 0x1F
    return (red << 8 | green << 3 | blue).astype(np.uint16)


def frame_bytes(boxes: Iterable[Box]) -> int:
    """Return what these rectangles cost on the wire [bytes]."""
    return sum(_COMMAND_BYTES + 2 * box.width * box.height for box in boxes)


_TILE = 8
# Place of the first and of the last bit set in a byte, the highest bit being 0 as in numpy.packbits.
_FIRST_BIT = [8 - value.bit_length() for value in range(256)]
_LAST_BIT = [8 - (value & -value).bit_length() for value in range(256)]
_VISIBLE = np.uint32(0xF8 | 0xFC << 8 | 0xF8 << 16)


def changed_rectangles(before: Packed, after: Packed) -> list[Box]:
    """Return rectangles that cover every pixel of two packed frames whose 16-bit colour (`rgb565`) changed.

    Runs of changed 8 x 8 tiles are cut to the pixels that changed in them; a run joins one beside
    it or a rectangle that ends above it wherever both cost no more bytes on the wire than apart.
    No list costs more than the one rectangle around everything that changed.

    Raises
    ------
    ValueError
        A frame of another size than the panel's.
    """
    for frame in (before, after):
        if frame.shape != SIZE[::-1]:
            raise ValueError(f"a frame has {frame.shape[::-1]} pixels, this panel has {SIZE}: use draw()")
    changed = before ^ after
    changed &= _VISIBLE
    # Eight pixels to a byte: a tile's changed columns and its changed rows are one byte each.
    bits = np.packbits(changed != 0, axis=1)
    columns = np.bitwise_or.reduce(bits.reshape(SIZE[1] // _TILE, _TILE, SIZE[0] // _TILE), axis=1)
    rows = np.packbits(bits != 0, axis=0)
    edges = np.diff(columns != 0, axis=1, prepend=False, append=False)
    done: list[Box] = []
    growing: list[Box] = []
    for strip in np.flatnonzero(edges.any(axis=1)).tolist():
        top = strip * _TILE
        runs = np.flatnonzero(edges[strip]).tolist()
        across, down = columns[strip].tolist(), rows[strip].tolist()
        beside: list[Box] = []
        for first, last in zip(runs[::2], runs[1::2], strict=True):
            left = first * _TILE + _FIRST_BIT[across[first]]
            right = (last - 1) * _TILE + _LAST_BIT[across[last - 1]] + 1
            high = min(_FIRST_BIT[tile] for tile in down[first:last])
            low = max(_LAST_BIT[tile] for tile in down[first:last])
            _join(beside, Box(left, top + high, right, top + low + 1))
        done += [box for box in growing if box.bottom < top]
        growing = [box for box in growing if box.bottom >= top]
        for box in beside:
            _join(growing, box)
    boxes = done + growing
    if not boxes:
        return []
    whole = Box(
        min(box.left for box in boxes),
        min(box.top for box in boxes),
        max(box.right for box in boxes),
        max(box.bottom for box in boxes),
    )
    return [whole] if frame_bytes([whole]) <= frame_bytes(boxes) else boxes


def _join(boxes: list[Box], new: Box) -> None:
    """Add `new` to `boxes`, as one rectangle with each of them where that is no dearer."""
    left, top, right, bottom = new
    i = 0
    while i < len(boxes):
        old_left, old_top, old_right, old_bottom = boxes[i]
        apart = (right - left) * (bottom - top) + (old_right - old_left) * (old_bottom - old_top)
        all_left = left if left < old_left else old_left
        all_top = top if top < old_top else old_top
        all_right = right if right > old_right else old_right
        all_bottom = bottom if bottom > old_bottom else old_bottom
        if 2 * ((all_right - all_left) * (all_bottom - all_top) - apart) <= _COMMAND_BYTES:
            left, top, right, bottom = all_left, all_top, all_right, all_bottom
            del boxes[i]
            i = 0
        else:
            i += 1
    boxes.append(Box(left, top, right, bottom))
