"""The pages behind the first one: the run, what is held, the set-up, the meter itself, and what it asks back."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Protocol

from PIL import Image

from flattop.measure.noise import Noise
from flattop.measure.response import Response, Sweep
from flattop.panel import gain_page, noise_page, response_page, screen
from flattop.panel.drawing import Box, draw_number, draw_plate, draw_shape, draw_text, font, wrapped
from flattop.panel.menu import Entry, Held, Kind, Light, Page, Place, Row, SetUp
from flattop.panel.run_page import RunState, draw_plans, draw_run
from flattop.panel.screen import LARGE_PX, SMALL_PX, View
from flattop.panel.words import (
    BLACK,
    DASHES,
    ORANGE,
    PALE,
    SLATE,
    STOP,
    SUPPLY,
    WHITE,
    YELLOW,
    Colour,
    face,
    hz_text,
    level_text,
)
from flattop.samples import Input

# The layout, below the first page's own top row (label, SIMULATED, hazard mark).
NOW = Box(0, 36, 320, 66)
BODY = Box(4, 66, 318, 211)
KEYS = Box(0, 213, 320, 240)
"""The rule above each word lies two rows above it."""

FIGURE_PX = 36
"""Levels: 26 px high, in one column from the present one down to the kept one."""
_FIGURE_SLOTS = (19, 9)
_FIGURE_RIGHT = 293

ROWS = 5
_ROW_PX = BODY.height // ROWS
"""Pitch of lines: the descenders of one (6 px at this size) end above the capitals of the next."""

_KEY_WORDS = {
    Page.HELD: ("next", "keep", "forget"),
    Page.SET_UP: ("next", "row", "change"),
    Page.ABOUT: ("next", "more", ""),
    Page.CLOCK: ("next", "digit", "change"),
    Page.ASK: ("hold: yes", "no", "no"),
    Page.LEAVE: ("stay on", "stay on", "stay on"),
}


class Fault(Protocol):
    """Something that does not work."""

    @property
    def words(self) -> str:
        """What, in a few words."""

    @property
    def detail(self) -> str:
        """What was found, measured against what is allowed."""

    @property
    def remedy(self) -> str:
        """What to do about it."""


@dataclass(frozen=True, slots=True)
class About:
    """The meter itself.

    versions : name and version of each part of it
    calibrated_on : None for a meter that was not
    calibrated_days : age of the calibration; None where the clock is not known good
    trims : by the inputs' names, when and with what the full-band converter was trimmed; None without that converter
    card : state of the card, in a few words
    faults : the worst one first
    clock_known : the wall clock was set, by hand or from a source that can be trusted
    """

    serial: str = ""
    versions: tuple[tuple[str, str], ...] = ()
    calibrated_on: date | None = None
    calibrated_days: int | None = None
    trims: tuple[tuple[str, str], ...] | None = None
    simulated: bool = False
    uptime_s: float = 0.0
    card: str = ""
    faults: tuple[Fault, ...] = ()
    clock_known: bool = False


def draw(
    place: Place,
    view: View,
    *,
    set_up: SetUp,
    held: Held,
    about: About,
    now_s: float,
    wall_s: float,
    run: RunState | None = None,
    plans: Sequence[str] = (),
    plan: str = "",
    response: Response | None = None,
    noise: Noise | None = None,
) -> Image.Image:
    """Return the frame of any page: mode RGB, 320 x 240; the same arguments give the same bytes.

    now_s : the time of the readings' clock [s]
    wall_s : the host's wall clock [s since 1970], to which the set-up adds its offset
    run : how far the tuning run has come; None without one
    plans, plan : what can be started without one, and which of them is chosen
    response, noise : what was found of a filter and of what a lead carries without a tone
    """
    match place.page:
        case Page.CLEAN:
            return screen.draw(view)
        case Page.CUT:
            return response_page.draw(view, response or Sweep().state(now_s))
        case Page.QUIET:
            return noise_page.draw(view, noise)
        case Page.GAIN:
            return gain_page.draw(view, view.reading.between if view.reading is not None else None)
    image = Image.new("RGB", screen.SIZE, BLACK)
    keys = _KEY_WORDS.get(place.page, ("next", "", ""))
    title: str = place.page if place.page not in {Page.ASK, Page.LEAVE} else view.label
    match place.page:
        case Page.RUN if run is not None:
            title = run.title
            keys = ("next", "plans", "") if run.over else ("next", "back", "skip")
            draw_run(image, BODY, run)
        case Page.RUN:
            if plans:
                title = f"plan {plans.index(plan) + 1 if plan in plans else '-'}/{len(plans)}"
                keys = ("next", "plan", "start")
            draw_plans(image, BODY, plans, plan)
        case Page.HELD:
            _draw_held(image, held, now_s)
        case Page.SET_UP:
            _draw_set_up(image, place.row, set_up, clock_text(wall_s + set_up.clock_offset_s, known=about.clock_known))
        case Page.ABOUT:
            sheets = about_sheets(about)
            shown = place.sheet % len(sheets)
            title = f"about {shown + 1}/{len(sheets)}"
            _draw_sheet(image, sheets[shown])
        case Page.CLOCK if place.entry is not None:
            _draw_clock(image, place.entry)
        case Page.ASK:
            _draw_question(image, "SHUT DOWN?", ("yes: hold the left button", "no: any other press"))
        case Page.LEAVE:
            _draw_question(image, "GOING OFF", ("to stay on: any press",))
    screen.draw_top(image, view, title)
    _draw_now(image, view)
    _draw_keys(image, keys, set_it=place.entry is not None and place.entry.ready)
    return image


def _draw_now(image: Image.Image, view: View) -> None:
    """Draw the present state and level, which no page may hide, as the first page's band in small."""
    sign = face(view.reading, stale=view.stale, supply=view.supply)
    image.paste(sign.colour, NOW)
    if sign.hollow:
        image.paste(BLACK, (NOW.left + 36, NOW.top + 2, NOW.right, NOW.bottom - 2))
    ink = sign.colour if sign.hollow else BLACK
    draw_shape(image, sign.shape, Box(NOW.left + 6, NOW.top + 3, NOW.left + 30, NOW.top + 27), BLACK)
    direct = sign in {STOP, SUPPLY}
    word = f"{sign.word} d.c." if direct else sign.word
    draw_text(image, Box(NOW.left + 41, NOW.top, 200, NOW.bottom), word, SMALL_PX, ink, top=5)
    _figure(image, level_text(None if view.stale else view.reading, direct=direct), ink, base=NOW.top + 28)


def _figure(image: Image.Image, text: str, colour: Colour, *, base: int) -> None:
    draw_number(image, text, FIGURE_PX, colour, right=_FIGURE_RIGHT, base=base, slots=_FIGURE_SLOTS)
    draw_text(image, Box(_FIGURE_RIGHT + 3, base - 26, 319, base + 1), "V", FIGURE_PX, colour, top=0)


def _draw_keys(image: Image.Image, keys: Sequence[str], *, set_it: bool) -> None:
    """Draw what each button does, right above it, below a rule as wide as its place."""
    for place, word in enumerate(keys):
        shown = "set" if set_it and word == "change" else word
        if shown:
            box = Box(KEYS.width * place // 3 + 3, KEYS.top, KEYS.width * (place + 1) // 3 - 3, KEYS.bottom)
            image.paste(PALE, (box.left, box.top - 2, box.right, box.top - 1))
            draw_text(image, box, shown, SMALL_PX, PALE, top=1, centred=True)


# --- what is held --------------------------------------------------------------------------------------------------


def _draw_held(image: Image.Image, held: Held, now_s: float) -> None:
    rows = [("HIGH", held.highest, False), ("LOW", held.lowest, False)]
    rows.append(("WAIT", held.keeping, True) if held.keeping else ("KEPT", held.kept, False))
    pitch = BODY.height // 3
    for row, (label, reading, pending) in enumerate(rows):
        top = BODY.top + 1 + row * pitch
        if row:
            image.paste(SLATE, (BODY.left, top - 2, BODY.right, top - 1))
        draw_text(image, Box(BODY.left, top, 65, top + 23), label, SMALL_PX, WHITE, top=1)
        if reading is None:
            _figure(image, DASHES, PALE, base=top + 35)
            continue
        sign = face(reading, stale=False)
        shape, colour = ("hourglass", YELLOW) if pending else (sign.shape, sign.colour)
        draw_shape(image, shape, Box(69, top + 1, 89, top + 21), colour)
        draw_text(image, Box(95, top, 203, top + 23), sign.word, SMALL_PX, WHITE, top=1)
        hz = f"{hz_text(reading.hz, reading.hz_u)} Hz"
        draw_text(image, Box(BODY.left, top + 23, 100, top + pitch), hz, SMALL_PX, PALE, top=1)
        age = age_text(now_s - reading.time_s)
        draw_text(image, Box(106, top + 23, 205, top + pitch), age, SMALL_PX, PALE, top=1)
        _figure(image, level_text(reading, direct=sign is STOP), WHITE, base=top + 35)


def age_text(age_s: float) -> str:
    """Return an age in seconds, from one minute on in minutes, then in hours and days; no letter below the line."""
    age_s = max(age_s, 0.0)
    for unit_s, unit in ((86400, "d"), (3600, "h"), (60, "min")):
        if age_s >= unit_s:
            return f"{int(age_s / unit_s)} {unit} old"
    return f"{int(age_s)} s old"


# --- set-up --------------------------------------------------------------------------------------------------------


def _draw_set_up(image: Image.Image, selected: Row, set_up: SetUp, clock: str) -> None:
    choices: dict[Row, tuple[Sequence[str], str]] = {
        Row.INPUT: (list(Input), set_up.input),
        Row.KIND: (list(Kind), set_up.kind),
        Row.LIGHT: (list(Light), set_up.light),
        Row.SOUND: (("on", "mute"), "mute" if set_up.muted else "on"),
    }
    for number, row in enumerate(Row):
        top = BODY.top + number * _ROW_PX
        if row is selected:
            draw_shape(image, "right", Box(BODY.left, top + 3, BODY.left + 18, top + 23), YELLOW)
        colour = WHITE if row is selected else PALE
        draw_text(image, Box(25, top, 101, top + _ROW_PX), row, SMALL_PX, colour, top=3)
        if row is Row.CLOCK:
            draw_text(image, Box(112, top, BODY.right, top + _ROW_PX), clock, SMALL_PX, WHITE, top=3)
            continue
        left = 107
        for choice in choices[row][0]:
            width = math.ceil(font(SMALL_PX).getlength(choice)) + 10
            box = Box(left, top + 1, left + width, top + _ROW_PX)
            if choice == choices[row][1]:
                draw_plate(image, box, WHITE, corner_px=7)
            ink = BLACK if choice == choices[row][1] else PALE
            draw_text(image, Box(box.left + 5, top, box.right - 5, box.bottom), choice, SMALL_PX, ink, top=3)
            left += width + 6


def clock_text(wall_s: float, *, known: bool) -> str:
    """Return date and time (ISO 8601 order) of a wall time [s since 1970]."""
    if not (known and math.isfinite(wall_s) and 0 <= wall_s < 4e9):
        return "not set"
    return f"{datetime.fromtimestamp(wall_s, UTC):%H:%M  %Y-%m-%d}"


_PLACES = (0, 1, 3, 4, 2, 3, 5, 6, 8, 9)
"""Where the ten digits that can be changed stand in HH:MM and in YYYY-MM-DD."""


def _draw_clock(image: Image.Image, entry: Entry) -> None:
    """Draw the time large and the date below it, with a bar below the digit that changes next."""
    time, day = f"{entry.hour:02}:{entry.minute:02}", f"{entry.year}-{entry.month:02}-{entry.day:02}"
    place = -1 if entry.ready else _PLACES[entry.at]
    _digits(image, time, chosen=place if entry.at < 4 else -1, base=BODY.top + 50)
    _digits(image, day, chosen=place if entry.at >= 4 else -1, base=BODY.top + 116)
    if entry.ready:
        draw_plate(image, Box(200, BODY.top + 4, 300, BODY.top + 60), YELLOW, corner_px=14)
    ink = BLACK if entry.ready else PALE
    draw_text(image, Box(206, BODY.top, 296, BODY.top + 60), "SET", LARGE_PX, ink, top=12, centred=True)


def _digits(image: Image.Image, text: str, *, chosen: int, base: int) -> None:
    left = BODY.left + 4
    for place, char in enumerate(text):
        width = 30 if char.isdigit() else 16
        colour = WHITE if place == chosen else PALE
        draw_number(image, char, LARGE_PX, colour, right=left + width, base=base, slots=(width, width))
        if place == chosen:
            image.paste(YELLOW, (left + 1, base + 4, left + width - 1, base + 9))
        left += width


def _draw_question(image: Image.Image, question: str, lines: Sequence[str]) -> None:
    draw_text(image, Box(BODY.left, BODY.top, BODY.right, BODY.top + 60), question, LARGE_PX, WHITE, top=12)
    for row, line in enumerate(lines):
        top = BODY.top + 74 + row * _ROW_PX
        draw_text(image, Box(BODY.left, top, BODY.right, top + _ROW_PX), line, SMALL_PX, WHITE, top=3)


# --- about ---------------------------------------------------------------------------------------------------------


VALUE_LEFT = 126
"""Where the values of the facts begin."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a sheet: text at the left, a value in the right-hand column; a heading stands on a plate."""

    text: str = ""
    value: str = ""
    heading: bool = False
    colour: Colour = PALE
    """Of the text, where it is no heading."""


def about_sheets(about: About) -> list[tuple[Line, ...]]:
    """Return the sheets of the about page, at most `ROWS` lines each: each fault its own, then the facts.

    What is too long for a line goes on in the next, and what is too long for a sheet on the next one.
    """
    sheets: list[tuple[Line, ...]] = []
    for fault in about.faults:
        heading = [
            Line(part, heading=True)
            for part in wrapped(fault.words.strip().upper() or "FAULT", SMALL_PX, BODY.width - 18)
        ]
        lines = [Line(part, colour=WHITE) for part in wrapped(fault.remedy, SMALL_PX, BODY.width)]
        lines += [Line(part) for part in wrapped(fault.detail, SMALL_PX, BODY.width)]
        # A heading that leaves little room is not repeated.
        room = ROWS - len(heading)
        if room >= 2:
            sheets += [(*heading, *lines[i : i + room]) for i in range(0, max(len(lines), 1), room)]
        else:
            sheets += _in_sheets([*heading, *lines])
    sheet: tuple[Line, ...] = ()
    for label, value in _facts(about):
        lines = _fact_lines(label, value)
        # A fact stays in one piece where a sheet can hold it.
        if sheet and len(sheet) + len(lines) > ROWS:
            sheets.append(sheet)
            sheet = ()
        *full, sheet = _in_sheets([*sheet, *lines])
        sheets += full
    return [*sheets, sheet]


def _in_sheets(lines: Sequence[Line]) -> list[tuple[Line, ...]]:
    return [tuple(lines[i : i + ROWS]) for i in range(0, len(lines), ROWS)]


def _facts(about: About) -> Iterator[tuple[str, str]]:
    yield "faults", str(len(about.faults)) if about.faults else "none found"
    yield "serial", about.serial or "not set"
    if about.calibrated_on is None:
        yield "levels", "uncalibrated"
    else:
        age = "clock not set" if about.calibrated_days is None else f"{about.calibrated_days} days ago"
        yield "calibrated", f"{about.calibrated_on.isoformat()}\n{age}"
    if about.trims is not None:
        yield "full band", "fitted" if about.trims else "untrimmed"
        yield from ((f"{name} trim", words) for name, words in about.trims)
    yield "board", "simulated" if about.simulated else "real"
    yield "card", about.card or "none"
    minutes = int(max(about.uptime_s, 0.0) / 60)
    yield "on for", f"{minutes // 60} h {minutes % 60:02} min"
    yield from about.versions


def _fact_lines(label: str, value: str) -> list[Line]:
    """Return a fact with its value in the right-hand column; a label wider than its own stands alone."""
    labels = wrapped(label, SMALL_PX, BODY.width)
    values = [part for line in value.splitlines() for part in wrapped(line, SMALL_PX, BODY.right - VALUE_LEFT)] or [""]
    if len(labels) > 1 or font(SMALL_PX).getlength(label) > VALUE_LEFT - BODY.left - 4:
        return [*(Line(part) for part in labels), *(Line(value=part) for part in values)]
    return [Line(label, values[0]), *(Line(value=part) for part in values[1:])]


def _draw_sheet(image: Image.Image, lines: Sequence[Line]) -> None:
    headings = sum(line.heading for line in lines)
    if headings:
        plate = Box(BODY.left, BODY.top + 2, BODY.right, BODY.top + headings * _ROW_PX)
        draw_plate(image, plate, ORANGE, corner_px=14)
    for row, line in enumerate(lines):
        top = BODY.top + row * _ROW_PX
        box = Box(BODY.left + (5 if line.heading else 0), top, BODY.right - (13 if line.heading else 0), top + _ROW_PX)
        ink = BLACK if line.heading else line.colour
        draw_text(image, box, line.text, SMALL_PX, ink, top=4 if line.heading else 2)
        draw_text(image, Box(VALUE_LEFT, top, BODY.right, box.bottom), line.value, SMALL_PX, WHITE, top=2)
