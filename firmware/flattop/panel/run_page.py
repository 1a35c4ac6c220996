"""The page of a tuning run: which plan is to be carried out, and how far the one under way has come."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from PIL import Image

from flattop.panel.drawing import Box, draw_plate, draw_shape, draw_text, font, wrapped
from flattop.panel.screen import SMALL_PX
from flattop.panel.words import BLACK, ORANGE, PALE, SKY, WHITE, YELLOW, Colour
from flattop.tuning.judge import Finding, Judgement
from flattop.tuning.run import Run
from flattop.tuning.steps import Kind, Prompt, State, Step

ROWS = 5
_SHAPE_PX = 22
_TEXT_LEFT = 30
_NARROWEST = 0.75
"""Share of its width that a text may be drawn with before `draw_text` cuts it."""
_FINDING_LINES = 2

_WHAT_FOR = {
    Kind.CHECK: "check",
    Kind.SOURCE: "ceiling",
    Kind.LINK: "loss",
    Kind.FOUND: "found",
    Kind.SET: "set",
    Kind.MATCH: "match",
    Kind.LEFT: "as left",
    Kind.FILTER: "filter",
    Kind.QUIET: "noise",
    Kind.RECONNECT: "reconnect",
}
_STATES: dict[State, tuple[str, Colour]] = {
    State.OPEN: ("brackets", PALE),
    State.DONE: ("tick", WHITE),
    State.SKIPPED: ("hop", YELLOW),
    State.COULD_NOT: ("dead end", ORANGE),
}
_JUDGEMENTS: dict[Judgement, tuple[str, Colour]] = {
    Judgement.PASS: ("tick", SKY),
    Judgement.FAIL: ("bang", ORANGE),
    Judgement.CANNOT_TELL: ("question", YELLOW),
}


class Line(NamedTuple):
    """One step as the page shows it."""

    place: str
    """What the leads belong on; of a step that is only read, what it says."""
    what_for: str
    state: State


@dataclass(frozen=True, slots=True, kw_only=True)
class RunState:
    """How far a run has come.

    plan : its name
    before, now, after : the present step, the one before and the next; None where there is none
    number, total : of the present step, from 1; of all steps
    done : how many steps are done
    finding : the last judgement that was "fail", in few words; empty if none was
    passes, fails, cannot_tell : how many judgements of each kind there are so far
    over : no step is left
    record : where the record of the run is, in few words
    """

    plan: str
    before: Line | None = None
    now: Line | None = None
    after: Line | None = None
    number: int = 0
    total: int = 0
    done: int = 0
    finding: str = ""
    passes: int = 0
    fails: int = 0
    cannot_tell: int = 0
    over: bool = False
    record: str = ""

    @property
    def title(self) -> str:
        """For the top of the page."""
        return "run over" if self.over else f"step {self.number}/{self.total}"


def run_state(run: Run, prompt: Prompt | None, findings: Sequence[Finding], *, record: str = "") -> RunState:
    """Return how far a run has come.

    prompt : what is asked for now; None once the run is over
    findings : all so far, in the order in which they were made
    record : where the record is, such as the name of the session
    """
    states = [run.state(step) for step in run.steps]
    over = prompt is None and State.OPEN not in states
    number = len(states)
    if prompt is not None:
        number = prompt.number
    elif not over:
        number = states.index(State.OPEN) + 1
    lines = [
        Line(_place(run.steps[i]), _what_for(run.steps[i]), states[i]) if 0 <= i < len(states) else None
        for i in range(number - 2, number + 1)
    ]
    judged = [finding.judgement for finding in findings]
    failed = [finding for finding in findings if finding.judgement is Judgement.FAIL]
    return RunState(
        plan=run.plan.name,
        before=lines[0],
        now=lines[1],
        after=lines[2],
        number=number,
        total=len(states),
        done=states.count(State.DONE),
        finding=finding_text(failed[-1]) if failed else "",
        passes=judged.count(Judgement.PASS),
        fails=len(failed),
        cannot_tell=judged.count(Judgement.CANNOT_TELL),
        over=over,
        record=record,
    )


def _place(step: Step) -> str:
    return step.text if step.kind is Kind.CHECK else step.label


def _what_for(step: Step) -> str:
    if step.kind is Kind.SUPPLY:
        return step.text
    if step.kind is Kind.TONE and step.tone is not None:
        return step.tone.name
    return _WHAT_FOR.get(step.kind, str(step.kind))


def finding_text(finding: Finding) -> str:
    """Return what failed, its value against its limit, and where, in few words; the record has the whole sentence."""
    parts = [finding.what]
    if math.isfinite(finding.value):
        parts.append(f"{abs(finding.value):.3g} {finding.unit}")
    if math.isfinite(finding.limit):
        parts[-1] += ","
        parts.append(f"limit {finding.limit:.3g}")
    return f"{' '.join(parts)}: {', '.join(finding.where)}"


# --- drawing -------------------------------------------------------------------------------------------------------


def draw_plans(image: Image.Image, body: Box, plans: Sequence[str], chosen: str) -> None:
    """List the plans there are, the chosen one marked and in view with its whole name; say so where there is none."""
    if not plans:
        draw_text(image, _row(body, 0), "no plan here", SMALL_PX, WHITE, top=3)
        remedy = "put a plan file (.toml) into the folder plans on the card, then switch off and on"
        for row, text in enumerate(wrapped(remedy, SMALL_PX, body.width), 1):
            draw_text(image, _row(body, row), text, SMALL_PX, PALE, top=3)
        return
    room = Box(body.left + _TEXT_LEFT, body.top, body.right, body.bottom)
    lines = [(plan, part) for plan in plans for part in wrapped(plan, SMALL_PX, room.width) or ("",)]
    marked = [number for number, (plan, _) in enumerate(lines) if plan == chosen]
    first = min(max(marked[-1] - ROWS // 2, 0), marked[0]) if marked else 0
    first = max(min(first, len(lines) - ROWS), 0)
    for row, (plan, part) in enumerate(lines[first : first + ROWS]):
        if marked and first + row == max(marked[0], first):
            top = body.top + row * _pitch(body)
            draw_shape(image, "right", Box(body.left, top + 3, body.left + 18, top + 23), YELLOW)
        colour = WHITE if plan == chosen else PALE
        draw_text(image, _row(room, row), part, SMALL_PX, colour, top=3)


def draw_run(image: Image.Image, body: Box, run: RunState) -> None:
    """Draw the steps around the present one and what failed last or, once no step is left, how it all came out."""
    if run.over:
        _draw_over(image, body, run)
        return
    for row, line in enumerate((run.before, run.now, run.after)):
        if line is not None:
            _draw_step(image, _row(body, row), line, present=line is run.now)
    if not run.finding:
        for row, text in ((3, f"plan: {run.plan}"), (4, f"{run.passes} pass, {run.cannot_tell} cannot tell")):
            draw_text(image, _row(body, row), text, SMALL_PX, PALE, top=3)
        return
    shape, colour = _JUDGEMENTS[Judgement.FAIL]
    top = body.top + 3 * _pitch(body)
    draw_shape(image, shape, Box(body.left, top + 3, body.left + _SHAPE_PX, top + 25), colour)
    room = Box(body.left + _TEXT_LEFT - 4, body.top, body.right, body.bottom)
    for row, part in enumerate(_fitted(run.finding, room.width), 3):
        draw_text(image, _row(room, row), part, SMALL_PX, WHITE, top=3)


def _pitch(body: Box) -> int:
    return body.height // ROWS


def _row(body: Box, number: int) -> Box:
    """Return one row of the page; the text in it may hang a pixel over its lower edge."""
    top = body.top + number * _pitch(body)
    return Box(body.left, top, body.right, top + _pitch(body))


def _fitted(text: str, room_px: int) -> tuple[str, ...]:
    """Return `text` in few enough lines: as they are, or else as long as narrow letters allow, the last shortened."""
    lines = wrapped(text, SMALL_PX, room_px)
    if len(lines) > _FINDING_LINES:
        lines = wrapped(text, SMALL_PX, int(room_px / _NARROWEST))
    last = " ".join(lines[_FINDING_LINES - 1 :])
    return (*lines[: _FINDING_LINES - 1], _shortened(last, room_px))


def _draw_step(image: Image.Image, row: Box, line: Line, *, present: bool) -> None:
    """Draw a step: its state as a shape, its place, and at the right what for and the state as a word."""
    shape, colour = _STATES[line.state]
    if present:
        draw_plate(image, Box(row.left - 2, row.top, row.right, row.bottom), WHITE, corner_px=7)
        colour = BLACK
    draw_shape(image, shape, Box(row.left, row.top + 3, row.left + _SHAPE_PX, row.top + 25), colour)
    text = Box(row.left + _TEXT_LEFT, row.top, row.right - 6, row.bottom)
    told = f"{line.what_for}: {line.state}"
    place_px, told_px = (math.ceil(font(SMALL_PX).getlength(part)) for part in (line.place, told))
    gap_px = 10
    # Both as narrow as they must be, the place further than that where even this is too wide.
    share = min(max((text.width - gap_px) / (place_px + told_px), _NARROWEST), 1.0)
    middle = max(text.right - math.ceil(told_px * share), text.left + text.width // 3)
    place_room = Box(text.left, text.top, middle - gap_px, text.bottom)
    ink = BLACK if present else PALE
    draw_text(image, place_room, _shortened(line.place, place_room.width), SMALL_PX, ink if present else WHITE, top=3)
    draw_text(image, Box(middle, text.top, text.right, text.bottom), told, SMALL_PX, ink, top=3, right=True)


def _shortened(text: str, room_px: int) -> str:
    """Return `text` so that it fits at its narrowest; what is cut is its middle, for the end tells outputs apart."""
    shown, left = text, len(text)
    while left > 1 and font(SMALL_PX).getlength(shown) * _NARROWEST > room_px - 1:
        left -= 1
        shown = f"{text[: left // 2].rstrip()}…{text[len(text) - (left + 1) // 2 :].lstrip()}"
    return shown


def _draw_over(image: Image.Image, body: Box, run: RunState) -> None:
    """Draw how many judgements there are of each kind, and where the record is."""
    draw_text(image, _row(body, 0), run.plan, SMALL_PX, WHITE, top=2)
    draw_text(image, _row(body, 1), f"{run.done} of {run.total} steps done", SMALL_PX, PALE, top=2)
    counts = ((Judgement.PASS, run.passes, 2, 0), (Judgement.FAIL, run.fails, 2, body.width // 2))
    for judgement, count, row, along in (*counts, (Judgement.CANNOT_TELL, run.cannot_tell, 3, 0)):
        place = _row(Box(body.left + along, body.top, body.right, body.bottom), row)
        shape, colour = _JUDGEMENTS[judgement]
        draw_shape(image, shape, Box(place.left, place.top + 2, place.left + _SHAPE_PX, place.top + 24), colour)
        text = Box(place.left + _TEXT_LEFT, place.top, place.right, place.bottom)
        draw_text(image, text, f"{count} {judgement}", SMALL_PX, WHITE, top=2)
    draw_text(image, _row(body, 4), f"record: {run.record or 'none'}", SMALL_PX, PALE, top=2)
