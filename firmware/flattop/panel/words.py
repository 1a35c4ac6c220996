"""What the screen says: numbers as text, the word, shape and colour of each state, and the palette."""

from __future__ import annotations

import math
from dataclasses import dataclass

from flattop.measure.reading import Reading, Reason, Verdict

Colour = tuple[int, int, int]

BLACK: Colour = (0x00, 0x00, 0x00)
WHITE: Colour = (0xFF, 0xFF, 0xFF)
PALE: Colour = (0xC8, 0xC8, 0xC8)
"""Text of the second rank: 12.6:1 on black."""
SLATE: Colour = (0x48, 0x48, 0x48)
"""The body of a wave, the plate behind SIMULATED; never text."""
# Okabe & Ito, Color Universal Design (2008); with the ratios on black by the formula of WCAG 2.2.
YELLOW: Colour = (0xF0, 0xE4, 0x42)  # 15.9:1
ORANGE: Colour = (0xE6, 0x9F, 0x00)  # 9.3:1
SKY: Colour = (0x56, 0xB4, 0xE9)  # 9.1:1
VERMILLION: Colour = (0xD5, 0x5E, 0x00)  # 5.4:1, large areas and large words only

DASHES = "---"
"""Stands where no number can be shown."""

_DIGITS_V = 4
_DIGITS_HZ = 5


@dataclass(frozen=True, slots=True)
class Face:
    """How one state shows itself: three signs, each enough alone.

    word : in capitals, at most 256 px wide at the band's size.
    shape : a key of `drawing.SHAPES`.
    colour : of the band; of the word, and of the field around the shape, where `hollow`.
    why : one or two lines, where there is no picture of the tops; a first of two has no
        letter that reaches below the line, where it would touch the second.
    note : beside the word, in the band.
    pictured : the tops and the frequency are shown.
    """

    word: str
    shape: str
    colour: Colour
    hollow: bool = False
    why: tuple[str, ...] = ()
    note: str = ""
    pictured: bool = False


START = Face("START", "ring", WHITE, hollow=True, why=("no reading yet",))
STALE = Face("STALE", "slashed ring", YELLOW, hollow=True, why=("no fresh result:", "old one not shown"))
SUPPLY = Face("SUPPLY", "battery", WHITE, hollow=True, why=("d.c. of the supply",))
STOP = Face("STOP", "octagon", VERMILLION, why=("d.c. on this lead:", "amplifier fault"))

_UNKNOWN = {
    Reason.NONE: Face("UNKNOWN", "question", WHITE, hollow=True, why=("cannot be judged",)),
    Reason.CLOCK_LEARNING: Face("LEARNING", "clock", YELLOW, hollow=True, why=("locks on to the", "converter's clock")),
    Reason.TOO_SHORT: Face("WAIT", "hourglass", YELLOW, hollow=True, why=("too few", "samples so far")),
    Reason.TOO_FEW_LSB: Face("WEAK", "sunk", WHITE, hollow=True, why=("level too small", "to judge its tops")),
    Reason.NO_TONE: Face("NO TONE", "dashes", WHITE, hollow=True, why=("play the test tone",)),
    Reason.NOT_ONE_TONE: Face("MIXED", "bars", WHITE, hollow=True, why=("not one steady tone",)),
    Reason.FADING: Face("FADING", "wedge", WHITE, hollow=True, why=("the level falls:", "end of the track?")),
    Reason.MOVING: Face("MOVING", "chevrons", WHITE, hollow=True, why=("level moves too", "fast to judge")),
    Reason.TOO_HIGH: Face("TOO HIGH", "through roof", VERMILLION, why=("too much for", "this input")),
    Reason.OUT_OF_BAND: Face("OFF BAND", "outside", YELLOW, hollow=True, why=("outside this", "converter's band")),
    Reason.IMAGE: Face("TOO WEAK", "mirror", YELLOW, hollow=True, why=("or a tone above", "this band: more level")),
    Reason.LEAD_OFF: Face("LEAD OFF?", "gap", WHITE, hollow=True, why=("look at both clips",)),
    Reason.SILENT: Face("FAULT", "cross", VERMILLION, why=("converter", "not answering")),
}
_NOTES = {Reason.TOPS_BEND: "tops bend", Reason.THIRD_ONLY: "or hum?"}


def face(reading: Reading | None, *, stale: bool, supply: bool = False) -> Face:
    """Return the signs of one state; the gravest state wins.

    supply : the leads are meant to lie on the supply, where d.c. is no fault
    """
    if reading is None:
        return START
    if reading.reason is Reason.SILENT:
        return _UNKNOWN[Reason.SILENT]
    if stale:
        return STALE
    if reading.dc_alarm:
        return SUPPLY if supply else STOP
    if reading.verdict is Verdict.CLEAN:
        return Face("CLEAN", "disc", SKY, pictured=True)
    if reading.verdict is Verdict.SOFT:
        return Face("SOFT", "cut disc", YELLOW, note=_note(reading), pictured=True)
    if reading.verdict is Verdict.FLAT:
        return Face("FLAT", "bar", ORANGE, note=_note(reading), pictured=True)
    if reading.verdict is Verdict.DISTORTED:
        thd = f"THD {reading.thd_pct:.{0 if reading.thd_pct >= 9.95 else 1}f} %"
        why = (thd, "no top missing") if math.isfinite(reading.thd_pct) else ("no top missing",)
        return Face("DISTORTED", "zigzag", WHITE, why=why)
    known = _UNKNOWN.get(reading.reason)
    if known is None:
        return Face("UNKNOWN", "question", WHITE, hollow=True, why=(str(reading.reason),))
    if reading.reason is Reason.OUT_OF_BAND and math.isfinite(reading.hz):
        if reading.can_be_measured:
            return Face(known.word, known.shape, known.colour, known.hollow, ("its harmonics lie", "outside the band"))
        hz = f"{hz_text(reading.hz, reading.hz_u)} Hz is outside"
        return Face(known.word, known.shape, known.colour, known.hollow, (hz, "this converter's band"))
    return known


def _note(reading: Reading) -> str:
    """Return what bends the tops, or how much of them is missing."""
    if reading.reason in _NOTES:
        return _NOTES[reading.reason]
    missing_db = reading.overdrive_db
    return f"{db_text(-missing_db, reading.overdrive_u_db)} dB" if missing_db > 0 else ""


def level_text(reading: Reading | None, *, direct: bool) -> str:
    """Return the level: the d.c. part where that is the danger (`direct`), the true RMS everywhere else."""
    if reading is not None and direct:
        return volts_text(reading.dc_v, reading.dc_u_v)
    if reading is not None and reading.rms_v >= 0 and reading.can_be_measured:
        return volts_text(reading.rms_v, reading.rms_u_v)
    return DASHES


def volts_text(value_v: float, u_v: float) -> str:
    """Return volts with only the digits that the uncertainty justifies.

    One display unit is the smallest power of ten that is at least a fifth of the expanded
    uncertainty `u_v` [V]; no finer than 0.001 V below 1 V and 0.01 V above, four digits at most.
    Two readings that differ in the last digit may still be the same voltage; a finer digit
    would only flicker. Dashes for NaN, for an unknown uncertainty and for what has no room.
    """
    return _text(value_v, u_v, decimals=3 if abs(value_v) < 1 else 2, digits=_DIGITS_V)


def hz_text(value_hz: float, u_hz: float) -> str:
    """Return a frequency by the rule of `volts_text`: 0.01 Hz at the finest, five digits at most."""
    return _text(value_hz, u_hz, decimals=2, digits=_DIGITS_HZ) if value_hz > 0 else DASHES


def db_text(value_db: float, u_db: float) -> str:
    """Return decibels by the rule of `volts_text`: 0.1 dB at the finest, two digits from 10 dB on."""
    return _text(value_db, u_db, decimals=1, digits=2)


def _text(value: float, u: float, *, decimals: int, digits: int) -> str:
    if not (math.isfinite(value) and math.isfinite(u) and u >= 0):
        return DASHES
    # The small term keeps U = 5 units, as 0.05 V for 0.01 V, on its own side of the step.
    decimals = min(decimals, -math.ceil(math.log10(max(u / 5, 1e-9)) - 1e-9))
    room = digits - 1 if value < 0 and digits == _DIGITS_V else digits
    while True:
        rounded = round(value, decimals) + 0.0  # + 0.0 turns -0.0 into 0.0
        whole = len(f"{abs(rounded):.0f}") if decimals <= 0 else len(str(int(abs(rounded))))
        if whole > room:
            return DASHES
        most = min(2 if abs(rounded) >= 1 else 3, room - whole)
        if decimals <= most:
            return f"{rounded:.{max(decimals, 0)}f}"
        decimals = most
