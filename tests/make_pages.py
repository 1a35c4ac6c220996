"""The tables of firmware/reading-the-screen.md; run as a script, it brings them up to date with the code."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "firmware"))

from flattop import instrument
from flattop.measure.reading import HAZARD_DC_V, HAZARD_PEAK_V, HAZARD_RMS_V
from flattop.panel import indicators
from flattop.panel.buttons import Button, Press
from flattop.panel.indicators import BLUE, GREEN, LEAD_TURNS_S, PURPLE, LampStep, Lead, Signal, SoundPattern
from flattop.panel.menu import Action, Menu, Page, Place, Stage
from flattop.panel.screen import View
from flattop.panel.words import BLACK, ORANGE, SKY, VERMILLION, WHITE, YELLOW, face
from make_frames import FOLDER, PAGES, PLANS, page_frames, views

PAGE = Path(__file__).parents[1] / "firmware" / "reading-the-screen.md"


@dataclass(frozen=True)
class Entry:
    """One state: the frames that picture it, what it means, what cannot be known of it, and what to do."""

    frames: tuple[str, ...]
    text: str


DANGER = (
    Entry(
        ("direct",),
        "There is d.c. on a speaker output, which is an amplifier fault and burns loudspeakers. The number is the "
        "d.c. with its sign. Gain down, amplifier off, then unclip. Connect no loudspeaker.",
    ),
    Entry(
        ("unknown-too-high",),
        "The level is above what this input can measure, and nobody knows how far above. Turn the level down, then "
        "take the clip off. A speaker output belongs on the speaker input.",
    ),
    Entry(
        ("unknown-silent",),
        "The part that measures does not answer. The meter is blind: treat the leads as live. It tries again by "
        "itself; if this stays, level down, unclip, and switch the meter off and on.",
    ),
    Entry(
        ("stale",),
        "The last result is too old, so it is not shown. The level may be anything by now. It passes by itself when "
        "the meter catches up; if it stays, treat it as FAULT.",
    ),
    Entry(
        ("unknown-out-of-band",),
        "The tone is too low or too high for this input to judge or to measure. Treat the leads as live, and play a "
        "tone that lies within.",
    ),
    Entry(
        ("unknown-image",),
        "So small a tone could be a strong one far above the band that only looks small. Treat the lead as live. Wait "
        "a moment: the meter looks a second time, at another rate. If it stays, raise the level.",
    ),
)
VERDICTS = (
    Entry(
        ("clean", "clean-top"),
        "The tops are as tall as the flanks say. This is about the tone that plays now, at the level it has now: it "
        "says nothing of other tones, and nothing of the load while no loudspeaker is connected. Go on.",
    ),
    Entry(
        ("clean-uncalibrated",),
        "**uncal.**: this meter has no calibration for this input. The volts are those of the circuit as designed, "
        "with fewer digits. Frequency and verdict hardly depend on it.",
    ),
    Entry(
        ("soft", "soft-at-limit"),
        "The tops begin to bend; the figure is the height that is missing. Turn the gain down on a mid or high output. "
        "On a bass output (set-up page) it may be left here, and the screen says AT LIMIT.",
    ),
    Entry(
        ("soft-knee",),
        "The tops are bent, without a flat part: the height that is missing is no exact figure here. Treat it as SOFT.",
    ),
    Entry(
        ("soft-hum",),
        "Only the third harmonic speaks for bent tops, and mains hum on a 40 Hz tone can imitate it. Try a tone of 41 "
        "to 43 Hz: hum does not move with the tone. If it still says SOFT, the tops bend.",
    ),
    Entry(
        ("flat", "flat-one-side", "flat-hard", "flat-square"),
        "The tops are cut, on both halves of the wave or on one; the figure is that of the worse half, and the filled "
        "part of the picture is what is missing. Turn down whatever comes first in the chain and is too high. It stays "
        "for 1 s after the tops are whole, so that a clip that comes and goes is seen.",
    ),
    Entry(
        ("distorted",),
        "This is no sine, yet no top is missing: crossover distortion, for example, or a test tone that is none. The "
        "meter cannot know which device does it. Follow the tone back until it is clean.",
    ),
)
CANNOT_TELL = (
    Entry(
        ("unknown-no-tone",),
        "There is no tone in the band. A quiet input is no proof of a dead one, and a tone above the band may leave "
        "nothing to see. Play the test tone.",
    ),
    Entry(
        ("unknown-lead-off",),
        "A level that stood is gone from one moment to the next. The meter cannot tell a lead that slipped off from a "
        "tone that was stopped. Look at both clips before you touch anything: the output may be as live as before.",
    ),
    Entry(
        ("unknown-fading",),
        "The level has been falling for a while. It may be the end of the track, and not a loss in the chain. Start "
        "the tone again.",
    ),
    Entry(("unknown-moving",), "The level moves too fast to judge its tops. Hold the knob still for a moment."),
    Entry(
        ("unknown-not-one-tone",),
        "This is no single steady tone: music, two tones, or strong hum. The volts are a lower bound, since part of a "
        "mixture may lie outside the band. Play one steady sine.",
    ),
    Entry(
        ("unknown-too-few-lsb",),
        "The level is too small, or too noisy, to judge its tops. Once the tone stands, the volts are good. Raise the "
        "level for a verdict.",
    ),
    Entry(
        ("unknown-clock-learning",),
        "The meter is finding the clock of its own converter and shows no volts until it has. Wait a second with the "
        "tone playing.",
    ),
    Entry(
        ("unknown-too-short",),
        "The meter was just switched on, or to the other input, and has too little to measure. Wait a moment.",
    ),
    Entry(
        ("start",),
        "No reading yet. The meter lights its screen with the first reading, so you should not meet this; if you do, "
        "treat it as FAULT.",
    ),
    Entry(
        ("unknown",),
        "It cannot be judged, for a reason that has no words of its own. You should not meet this either.",
    ),
)
BESIDE = (
    Entry(
        ("clean-keeping",),
        "**wait**: the reading that you keep is on its way to the card. It is not kept yet. If this stays, the card "
        "does not take it: see the fault on the screen.",
    ),
    Entry(
        ("clean-kept", "clean-line"),
        "**kept**: the reading that was kept last, with its verdict, frozen and small. It is on the card. The large "
        "number is the present one.",
    ),
    Entry(
        ("card", "faults-no-tone"),
        "Something on the meter does not work; +1 says that there is one more. It goes on measuring with what is "
        "sound. The about page says of each what to do.",
    ),
)
IN_A_RUN = (
    Entry(
        ("run-task",),
        "A step that is only read, and how far the run has come. Do what the line says. It goes on by itself after "
        "some seconds, with the foot switch at once.",
    ),
    Entry(
        ("run-supply",),
        "Clip onto the supply of the amplifier. Here, and only here, d.c. is no alarm. The number is the d.c., and it "
        "is kept once it stands. If nobody clips on for a while, the run goes on without it.",
    ),
    Entry(
        ("run-up",),
        "For the second person: turn the volume up, steadily. The large word takes the place of the next "
        "move of the hand on the gain.",
    ),
    Entry(
        ("run-hold",),
        "For the second person: leave the volume as it is, and the tone playing. The reading is kept by itself once "
        "level and frequency stand.",
    ),
    Entry(
        ("run-down",),
        "For the second person: turn the volume down until the word changes. The top is gone: the source has reached "
        "its ceiling.",
    ),
)
BEHIND = (
    Entry(
        ("run-choose", "run-choose-third", "run-choose-many"),
        "**Tuning run, no run yet.** The plans there are, those on the card first. *plan* goes to the next one, "
        "*start* begins the marked one and leads to the first page. A long list moves along; a long name goes on in "
        "the next line.",
    ),
    Entry(("run-choose-none",), "There is no plan to choose from."),
    Entry(
        ("run-under-way", "run-first"),
        "**Tuning run, under way.** The step before, the present one on white, and the next: where the leads belong, "
        "what for, and how it stands: done, skipped, could not (be done), open. *back* does the step before again, "
        "*skip* leaves the present one out. Below them the plan and the judgements so far.",
    ),
    Entry(
        ("run-failed", "run-last"),
        "The last judgement that was *fail*, with its value and its limit. It stays until another one fails: the "
        "record keeps all of them, with what to look at.",
    ),
    Entry(("run-again",), "After *back*, steps that are done already can follow: they are not done twice."),
    Entry(
        ("run-over", "run-over-nothing"),
        "**Run over.** How many steps were done, how many judgements passed, failed or cannot be told, and which "
        "session holds the record. Steps that were left out are in no judgement. *plans* leads back to the list.",
    ),
    Entry(
        ("held",),
        "**What is held.** HIGH and LOW are the highest and the lowest level since you last pressed *forget*, KEPT is "
        "the reading kept last; beside each its verdict, frequency and age. HIGH and LOW take in steady tones whose "
        "tops were judged, and begin anew at another tone or input. The meter cannot know that you moved the leads to "
        "another output with the same tone: press *forget* then. What was kept stays on the card.",
    ),
    Entry(("held-keeping",), "WAIT: the reading that you keep is on its way to the card. It is not kept yet."),
    Entry(("held-nothing", "held-start"), "Nothing is held yet. Dashes are no level of zero."),
    Entry(
        ("held-unknown", "held-direct"),
        "A level without a verdict can be kept too, and so can the d.c. of a STOP. Its state stands beside it.",
    ),
    Entry(
        ("held-stale",),
        "What is held is old by nature, and its age says so. The present level is not known here: do not take one of "
        "the others for it.",
    ),
    Entry(
        ("set-up-input",),
        "**Set-up, input.** Which pair of terminals is measured. Take the clips off before you change it.",
    ),
    Entry(
        ("set-up-output",),
        "**Set-up, output.** What the output feeds. On *bass* the advice at SOFT is AT LIMIT, on *mid/high* it is GAIN "
        "DOWN. The verdict is the same.",
    ),
    Entry(("set-up-light",), "**Set-up, light.** Brightness of screen and lamp: sun, shade, night."),
    Entry(
        ("set-up-sound",),
        "**Set-up, sound.** Mute stops the sounder, for STOP too. The lamp goes on. Holding B does the same on this "
        "page and on all those before and after it.",
    ),
    Entry(
        ("set-up-clock", "set-up-clock-not-set"),
        "**Set-up, clock.** *not set*: nobody vouches for the time, and the record says so. *change* opens the next "
        "page. All that is set on this page is remembered when the meter is switched off, but for the time.",
    ),
    Entry(
        ("clock", "clock-minute", "clock-day"),
        "**What time?** Hours and minutes, then year, month and day. *change* counts the marked digit up, *digit* goes "
        "to the next. *next* leaves the time as it was. The meter does not know your time zone: it takes what you set "
        "for UTC in the record.",
    ),
    Entry(("clock-set",), "Behind the last digit, *set* takes the time over."),
    Entry(
        ("about-fault-1", "about-fault-2"),
        "**About, with faults.** The worst first: what it is, what to do, and what was found. *more* turns to the next "
        "sheet; a long fault goes on there.",
    ),
    Entry(
        ("about-fault-3", "about-fault-4", "about-fault-5", "about-fault-6"),
        "Each fault has a sheet of its own; behind the last one stand the facts. Notes that need no action at once "
        "stand here only, not on the first page.",
    ),
    Entry(
        ("about", "about-2", "about-3"),
        "**About.** Number of faults, serial number, calibration and its age, board, card, how long it has been on, "
        "versions.",
    ),
    Entry(
        ("about-simulated", "about-clock-not-set"),
        "*uncalibrated*: the volts are those of the circuit as designed. *clock not set*: the age of the calibration "
        "is not known.",
    ),
    Entry(
        ("shut-down", "shut-down-simulated"),
        "**Shut down?** It asks for 10 s. Hold A (the left button) for yes; anything else is no.",
    ),
    Entry(
        ("shutting-down",),
        "**Going off.** For 2 s any press calls it off. Then the screen goes dark, and the lamp stays until all is on "
        "the card. Wait until the lamp is out as well before you take the supply away.",
    ),
)
LAYOUT_ONLY = {"held-wide", "held-line", "about-long-fault", "run-long"}
"""Frames with the longest texts, for the tests of the layout: no states of their own."""

USED_FOR = {
    Signal.SHUTTING_DOWN: "the way to a safe stop, from GOING OFF on",
    Signal.KEPT: "the reading is on the card",
    Signal.WRONG: "there was nothing to keep, or it could not be kept",
    Signal.PRESS: "a button was pressed",
    Signal.UP: "for the second person: turn the volume up",
    Signal.HOLD: f"for the second person: leave the volume as it is; said for {instrument.HOLD_S:g} s",
    Signal.DOWN: "for the second person: turn the volume down",
}
"""Of the signals that no reading gives."""
FROZEN = "or a frozen screen"

_COLOURS = {
    WHITE: "white", SKY: "sky blue", YELLOW: "yellow", ORANGE: "orange", VERMILLION: "red-orange", GREEN: "green",
    BLUE: "blue", PURPLE: "purple", BLACK: "dark",
}  # fmt: skip


# -- states -----------------------------------------------------------------------------------------------------------


def states(entries: Sequence[Entry]) -> str:
    """Return the table of some states of the first page; hazard mark, lamp and sounder are those of the code."""
    shown = views()
    rows = [
        (pictures(entry, FOLDER), entry.text, hazard(shown[entry.frames[0]]), str(signal(shown[entry.frames[0]])))
        for entry in entries
    ]
    return table(("Screen", "What it means, and what to do", "Hazard mark", "Lamp and sounder"), rows)


def pages(entries: Sequence[Entry]) -> str:
    """Return the table of the pages behind the first one."""
    return table(
        ("Screen", "What it says, and what to do"), [(pictures(entry, PAGES), entry.text) for entry in entries]
    )


def pictures(entry: Entry, folder: Path) -> str:
    """Return links to the frames of an entry, each with its words for those who cannot see it."""
    where = Path(os.path.relpath(folder, PAGE.parent)).as_posix()
    return "<br>".join(f"![{alternative(name, folder)}]({where}/{name}.png)" for name in entry.frames)


def alternative(name: str, folder: Path) -> str:
    if folder == PAGES:
        return str(page_frames()[name]["place"].page)
    view = views()[name]
    sign = face(view.reading, stale=view.stale, supply=view.supply)
    return f"{sign.word} {sign.note}".strip()


def hazard(view: View) -> str:
    """Return when the hazard mark is on in a state: at every level, or at some."""
    reading = view.reading
    if reading is None or view.stale:
        return "always on"
    quiet = replace(reading, rms_v=0.0, dc_v=0.0, peak_pos_v=0.0, peak_neg_v=0.0)
    return "always on" if quiet.hazard else "by level"


def signal(view: View) -> Signal:
    return indicators.signal_of(view.reading, stale=view.stale, supply=view.supply, word=view.word)


def hazard_levels() -> str:
    """Return the sentence with the levels from which the mark is on."""
    return (
        f"**By level** means: on from {HAZARD_RMS_V:g} V rms, {HAZARD_PEAK_V:g} V peak or {HAZARD_DC_V:g} V d.c. "
        "**Always on**: the meter cannot measure what is there."
    )


# -- buttons ----------------------------------------------------------------------------------------------------------

_STEP_S = 1.6
"""From one press to the next: long enough for a held one to count as begun after the one before."""
_ROUTES: dict[Page, str] = {
    Page.CLEAN: "", Page.RUN: "a", Page.HELD: "aa", Page.CUT: "aaa", Page.QUIET: "aaaa", Page.GAIN: "aaaaa",
    Page.SET_UP: "aaaaaa", Page.ABOUT: "aaaaaaa", Page.CLOCK: "aaaaaabbbbc", Page.ASK: "C", Page.LEAVE: "CA",
}  # fmt: skip
"""Presses from the first page to each of the others; capitals are held."""
_STAGES = {Stage.NONE: "no run yet", Stage.UNDER_WAY: "under way", Stage.OVER: "over"}
_PRESSES = ("a", "b", "c", "A", "B", "C", " ")
_DOES = {
    Action.KEEP: "keep", Action.FORGET: "forget HIGH, LOW, KEPT", Action.START_RUN: "start the run",
    Action.BACK: "do the step before again", Action.SKIP: "skip the step", Action.CLOSE_RUN: "list of plans",
    Action.ASK_ANEW: "begin anew",
}  # fmt: skip


def buttons() -> str:
    """Return the table of what each press does on each page, found out by pressing."""
    rows = []
    for page, route in _ROUTES.items():
        for stage, told in _STAGES.items() if page is Page.RUN else [(Stage.NONE, "")]:
            name = f"**{page}**, {told}" if told else f"**{page}**"
            rows.append((name, *(outcome(route, key, stage) for key in _PRESSES)))
    return table(("Page", "A", "B", "C", "A held", "B held", "C held", "Foot switch"), rows)


def outcome(route: str, key: str, stage: Stage) -> str:
    """Return what one more press does at the end of a route."""
    menu = Menu()
    menu.plans, menu.stage = PLANS, stage
    for number, pressed in enumerate(route):
        menu.press(_press(pressed, number * _STEP_S), wall_s=0.0)
    place, set_up, plan = menu.place, menu.set_up, menu.plan
    actions = menu.press(_press(key, len(route) * _STEP_S), wall_s=0.0)
    does = [_DOES[action] for action in actions if action in _DOES]
    if menu.set_up.muted is not set_up.muted:
        does.append("sound off or on")
    elif menu.set_up != set_up:
        does.append("change this row")
    if menu.plan != plan:
        does.append("next plan")
    return ", ".join([*does, *moved(place, menu.place)]) or "nothing"


def moved(before: Place, after: Place) -> list[str]:
    """Return where a press led."""
    if after.page is not before.page:
        return [f"to *{after.page}*"]
    if after.row is not before.row:
        return ["next row"]
    if after.sheet != before.sheet:
        return ["next sheet"]
    if before.entry is not None and after.entry is not None and after.entry != before.entry:
        return ["next digit" if after.entry.at != before.entry.at else "count the digit up"]
    return []


def _press(key: str, time_s: float) -> Press:
    button = Button.FOOT if key == " " else Button(key.upper())
    return Press(button, time_s, held=key.isupper())


# -- lamp and sounder -------------------------------------------------------------------------------------------------


def signals() -> str:
    """Return the table of the patterns."""
    rows = [(f"**{each}**", used_for(each), lamp(each), sounder(each)) for each in Signal]
    return table(("Signal", "When", "Lamp", "Sounder"), rows)


def used_for(each: Signal) -> str:
    if each in USED_FOR:
        return USED_FOR[each]
    words = [
        face(view.reading, stale=view.stale, supply=view.supply).word
        for view in views().values()
        if signal(view) is each
    ]
    return ", ".join([*dict.fromkeys(words), *([FROZEN] if each is Signal.FAULT else [])])


def lamp(each: Signal) -> str:
    """Return colour and rhythm."""
    pattern = indicators.lamp(each)
    if all(step == pattern.steps[0] for step in pattern.steps):
        return f"{_lit(pattern.steps[0])}, steady"
    if len({step.level for step in pattern.steps}) > 2:
        return f"{_lit(pattern.steps[0])}, fading over {pattern.duration_s:g} s, again and again"
    steps = [f"{_lit(step)} {step.duration_s:g}" for step in pattern.steps]
    return f"{', '.join(steps)} s{', again and again' if pattern.repeats else ', once'}"


def _lit(step: LampStep) -> str:
    return ("dim " if 0 < step.level < 0.5 else "") + _COLOURS[step.colour]


def sounder(each: Signal) -> str:
    """Return melody and rhythm, the pitches by their number from the lowest."""
    pattern = indicators.sound(each, tone_hz=None)
    return "silent" if pattern is None else melody(pattern)


def melody(pattern: SoundPattern) -> str:
    """Return pitches, pauses and their lengths."""
    ladder = indicators.pitches(None)
    steps = [
        f"{'pause' if step.pitch_hz == 0 else f'**{ladder.index(step.pitch_hz) + 1}**'} {step.duration_s:g}"
        for step in pattern.steps
    ]
    return f"{', '.join(steps)} s{', again and again' if pattern.repeats else ', once'}"


def lead() -> str:
    """Return the table of what leads a hand."""
    nearest, farthest = 0, len(LEAD_TURNS_S) - 1
    rows = [
        (f"**{way}**", distance, melody(indicators.lead_sound(which, tone_hz=None)))
        for way, distance, which in (
            ("gain up", "far", Lead(1, farthest)), ("gain up", "near", Lead(1, nearest)),
            ("there: leave it", "within the tolerance", Lead(0)),
            ("gain down", "near", Lead(-1, nearest)), ("gain down", "far", Lead(-1, farthest)),
        )
    ]  # fmt: skip
    turns = ", ".join(f"{turn_s:g}" for turn_s in LEAD_TURNS_S)
    told = (
        f"From one pip to the next: {turns} s. The first of them is below twice the tolerance, each further one at up "
        "to twice the distance."
    )
    return f"{table(('Move', 'Distance', 'Sounder'), rows)}\n\n{told}"


def pitches() -> str:
    """Return the sentence with the pitches."""
    free = ", ".join(f"**{number}** {hz:.0f} Hz" for number, hz in enumerate(indicators.pitches(None), 1))
    return (
        f"Pitches: {free}. While a tone is measured they keep clear of it and of its second and third harmonic, within "
        f"{indicators.LOWEST_HZ:.0f} to {indicators.HIGHEST_HZ:.0f} Hz."
    )


# -- the page ---------------------------------------------------------------------------------------------------------


def table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    lines = [heads, ["---"] * len(heads), *rows]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)


def parts() -> dict[str, str]:
    """Return everything that is made, by the mark where it belongs."""
    return {
        "danger": states(DANGER),
        "hazard": hazard_levels(),
        "verdicts": states(VERDICTS),
        "cannot tell": states(CANNOT_TELL),
        "beside": states(BESIDE),
        "run": states(IN_A_RUN),
        "pages": pages(BEHIND),
        "buttons": buttons(),
        "signals": signals(),
        "lead": lead(),
        "pitches": pitches(),
    }


def renewed(text: str) -> str:
    """Return the page with every part that is made brought up to date.

    Raises ValueError where a part has no place of its own, or a place no part.
    """
    made = parts()
    places = re.findall(r"^<!-- made: (.+) -->$", text, re.M)
    if sorted(places) != sorted(made):
        raise ValueError(f"places {sorted(places)} and parts {sorted(made)} differ: give each part one place")
    for mark, part in made.items():
        begin, end = f"<!-- made: {mark} -->\n", "<!-- end -->"
        before, _, rest = text.partition(begin)
        text = f"{before}{begin}{part}\n{rest[rest.index(end) :]}"
    return text


def main() -> None:
    """Bring the page up to date."""
    PAGE.write_text(renewed(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
    print(f"{len(parts())} parts of {PAGE}")


if __name__ == "__main__":
    main()
