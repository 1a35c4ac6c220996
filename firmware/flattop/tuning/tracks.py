"""Steps of a run that need another track than its tones, or none: a sweep that is followed, a silence listened to.

Each is a generator that asks with the run's own prompts and returns what was heard last, or None if it never came.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Generator

from flattop.measure import noise, response
from flattop.measure.alignment import Side
from flattop.measure.response import Response
from flattop.tuning.steps import Command, Heard, Request, Wants, Word

SWEEP_WAIT_S = 100.0
"""A sweep that has not begun by then does not come [s]. One of a minute from 10 Hz to 20 kHz is nearly over before the
filter of a tweeter lets anything of it pass."""
SWEEP_MOST_S = 300.0
"""What a sweep has not shown by then it does not show [s]."""
STOOD_S = 4.0
"""A sweep that lacks a stated corner may go on after a pause of this length [s]."""
SILENCE_WAIT_S = 60.0
"""A tone that plays for so long after the track was to be stopped goes on [s]."""
SILENCE_S = 5.0
"""So much silence is listened to [s]: more than the listener remembers, so that nothing of the tone is left in it."""
LOW_TONE_HZ = 250.0
"""Outputs with a tone up to here are swept to 300 Hz, in small steps; others to the end of the band."""
MOVES_OCTAVE = 0.1
"""From here on a tone is said to be a sweep [octaves]."""
BEGUN_OCTAVE = 0.6
"""What went over no more than this may be hum, and then the steady tone that its lead was clipped onto [octaves]."""
NO_SWEEP = f"no sweep came within {SWEEP_WAIT_S:g} s"
NO_SILENCE = f"no silence came within {SILENCE_WAIT_S:g} s"

Ask = Callable[..., Generator[Request, Heard | None, Heard]]
"""Shows a prompt with the values given by keyword, and returns what is heard."""
Wait = Generator[Request, Heard | None, Heard | None]


def has_begun(found: Response | None) -> bool:
    """Tell whether a sweep is, or was, on its way."""
    waits = found is None or found.stage is response.Stage.WAITING
    return not waits and _span_octave(found) >= BEGUN_OCTAVE


def _span_octave(found: Response | None) -> float:
    return math.log2(found.hz[-1] / found.hz[0]) if found is not None and len(found.hz) > 1 else 0.0


def follow(ask: Ask, *, tone_hz: float, sides: Collection[Side]) -> Wait:
    """Follow a sweep until its result stands; the foot switch ends it with what there is.

    tone_hz : tone of the output; it tells which sweep is asked for
    sides : what the plan states a corner of; once all of them are named there is nothing to wait for
    """
    begun_s = over_s = math.nan
    play = "300 Hz sweep" if tone_hz <= LOW_TONE_HZ else "20 kHz sweep"  # so called by its end, for it has to be short
    text = play
    while True:
        heard = yield from ask(text=text, word=Word.HOLD, wants=Wants.RESPONSE)
        now_s, found = heard.now_s, heard.response
        begun_s = now_s if math.isnan(begun_s) else begun_s
        by_hand = heard.command is Command.KEEP
        moves = found is not None and math.isfinite(found.now_hz) and _span_octave(found) >= MOVES_OCTAVE
        text = f"sweep {found.now_hz:.0f} Hz" if found is not None and moves else play
        if found is None or not has_begun(found):
            if by_hand or now_s - begun_s >= SWEEP_WAIT_S:
                return None
            continue
        if found.stage not in {response.Stage.RESULT, response.Stage.CANNOT_TELL}:
            over_s = math.nan
        elif math.isnan(over_s):
            over_s = now_s
        late = now_s - over_s >= STOOD_S or now_s - begun_s >= SWEEP_MOST_S
        if by_hand or late or _shows_all(found, sides):
            return heard


def _shows_all(found: Response, sides: Collection[Side]) -> bool:
    """Tell whether a whole sweep named the alignment of every corner that is stated."""
    if found.stage not in {response.Stage.RESULT, response.Stage.AGAIN}:
        return False
    corners = [found.corner(side) for side in sides]
    return all(corner is not None and corner.shape is not None for corner in corners)


def listen(ask: Ask) -> Wait:
    """Listen until nothing but noise was heard for some seconds; the foot switch ends it as soon as there is some."""
    begun_s = silent_s = math.nan
    text = "stop the track"
    while True:
        heard = yield from ask(text=text, word=Word.HOLD, wants=Wants.NOISE)
        now_s = heard.now_s
        begun_s = now_s if math.isnan(begun_s) else begun_s
        by_hand = heard.command is Command.KEEP
        if heard.noise is not None and heard.noise.stage is noise.Stage.HEARD:
            silent_s = now_s if math.isnan(silent_s) else silent_s
            if by_hand or now_s - silent_s >= SILENCE_S:
                return heard
            text = "keep still"
        elif by_hand or now_s - begun_s >= SILENCE_WAIT_S:
            return None
        else:
            silent_s, text = math.nan, "stop the track"
