"""Lamp and sounder: which pattern stands for which state, and what it is doing at a given moment."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from typing import Generic, NamedTuple, TypeVar

from flattop.measure.reading import Reading, Reason, Verdict
from flattop.panel.words import BLACK, ORANGE, SKY, VERMILLION, WHITE, YELLOW, Colour

# The rest of the screen's palette (Okabe & Ito, Color Universal Design, 2008): a lamp needs no contrast with a ground.
GREEN: Colour = (0x00, 0x9E, 0x73)
BLUE: Colour = (0x00, 0x72, 0xB2)
PURPLE: Colour = (0xCC, 0x79, 0xA7)

LOWEST_HZ = 500.0
"""Lowest and highest pitch: the range preferred for alarm signals by IEC 60601-1-8, annex D.2 (as quoted in public)."""
HIGHEST_HZ = 3000.0

RUNGS = 6
"""Pitches that all sounds are made of, 0 the lowest."""

_KEEP_CLEAR = 3
"""The tone and its harmonics up to this one are kept clear of.

Of a sine with cut or bent tops these are the strong ones. Higher ones are 14 dB down or more (a square wave's
fifth), and those of a low tone lie closer together than a critical band: no pitch could keep clear of all of them.
"""
_TONE_STEPS = 24
"""Steps an octave in which the tone is taken: a reading that wavers does not make the pitches waver."""

_CALM_S = 3.0
"""What sounds once on entering a state does not sound again within this time [s]: a verdict at its limit nags less."""


class Signal(StrEnum):
    """What lamp and sounder can say."""

    # lasting: shown until something else is
    NOTHING = "nothing to judge"
    CLEAN = "clean"
    SOFT = "soft"
    FLAT = "flat"
    DISTORTED = "distorted, no top missing"
    UNKNOWN = "cannot be judged"
    STOP = "stop: level off"
    """D.c. where none may be, or more than the input takes."""
    FAULT = "converter not answering"
    UP = "up"
    """For the second person: raise the level; then hold it there, or lower it."""
    HOLD = "hold"
    DOWN = "down"
    SHUTTING_DOWN = "shutting down"
    # passing: shown once, then the lasting one goes on
    KEPT = "kept"
    WRONG = "not kept"
    """Keeping was refused, or the lead is the wrong one."""
    PRESS = "press noticed"


PASSING = frozenset({Signal.KEPT, Signal.WRONG, Signal.PRESS})
"""Signals for `Player.once`; all others are for `Player.show`."""

_VERDICTS = {
    Verdict.CLEAN: Signal.CLEAN,
    Verdict.SOFT: Signal.SOFT,
    Verdict.FLAT: Signal.FLAT,
    Verdict.DISTORTED: Signal.DISTORTED,
}
_NOTHING_YET = frozenset({Reason.CLOCK_LEARNING, Reason.TOO_SHORT, Reason.NO_TONE})
QUIET = frozenset({Signal.NOTHING, Signal.CLEAN, Signal.DISTORTED, Signal.UNKNOWN})
"""Lasting signals that say nothing again and again: a hand may be led, and the second person told, in their place."""


def signal_of(reading: Reading | None, *, stale: bool, supply: bool = False, word: str = "") -> Signal:
    """Return the signal of one state; the gravest state wins, in the order of `words.face`.

    supply : the leads are meant to lie on the supply, where d.c. is no fault
    word : what the second person is to do with the volume, "up", "hold" or "down", or empty. Soft and flat go before
        up and hold; down goes before them, being what they call for.
    """
    state = _state(reading, stale=stale, supply=supply)
    if word and (state in QUIET or (word == Signal.DOWN and state in {Signal.SOFT, Signal.FLAT})):
        return Signal(word)
    return state


def _state(reading: Reading | None, *, stale: bool, supply: bool) -> Signal:
    if reading is None:
        return Signal.NOTHING
    if reading.reason is Reason.SILENT:
        return Signal.FAULT
    if stale:
        return Signal.UNKNOWN
    if reading.reason is Reason.TOO_HIGH:
        return Signal.STOP
    if reading.dc_alarm:
        return Signal.NOTHING if supply else Signal.STOP
    if reading.reason in _NOTHING_YET:
        return Signal.NOTHING
    return _VERDICTS.get(reading.verdict, Signal.UNKNOWN)


class LampStep(NamedTuple):
    """One colour for some time."""

    duration_s: float
    colour: Colour
    level: float
    """Share of the lamp's full light; 0: dark."""


class SoundStep(NamedTuple):
    """One pitch for some time."""

    duration_s: float
    pitch_hz: float
    """0: silence."""


Step = TypeVar("Step", LampStep, SoundStep)


@dataclass(frozen=True)
class Pattern(Generic[Step]):
    """Steps one after the other, once or again and again."""

    steps: tuple[Step, ...]
    repeats: bool

    @property
    def duration_s(self) -> float:
        """Length of all steps together [s]."""
        return math.fsum(step.duration_s for step in self.steps)

    def at(self, elapsed_s: float) -> tuple[Step | None, float]:
        """Return the step `elapsed_s` after the start, and for how much longer it lasts [s].

        None and infinity once it is over, and before it begins.
        """
        duration_s = self.duration_s
        if elapsed_s < 0 or (elapsed_s >= duration_s and not self.repeats):
            return None, math.inf
        left_s = elapsed_s % duration_s
        for step in self.steps:
            if left_s < step.duration_s:
                return step, step.duration_s - left_s
            left_s -= step.duration_s
        return self.steps[-1], 0.0  # rounding only


LampPattern = Pattern[LampStep]
SoundPattern = Pattern[SoundStep]


def _flashes(colour: Colour, *on_off_s: float, level: float = 1.0, repeats: bool = True) -> LampPattern:
    """Return a pattern that begins lit; times lit and dark in turn [s]."""
    steps = [LampStep(time_s, BLACK if i % 2 else colour, 0.0 if i % 2 else level) for i, time_s in enumerate(on_off_s)]
    return Pattern(tuple(steps), repeats)


def _wink(colour: Colour, *off_on_s: float) -> LampPattern:
    """Return a pattern shown once that begins dark, so that it stands out from a lamp that is lit."""
    first_s, *rest_s = off_on_s
    return Pattern((LampStep(first_s, BLACK, 0.0), *_flashes(colour, *rest_s).steps), repeats=False)


# No more than three flashes within any second: WCAG 2.2, success criterion 2.3.1.
_LAMP: dict[Signal, LampPattern] = {
    Signal.NOTHING: _flashes(WHITE, 0.1, 1.9, level=0.3),
    Signal.CLEAN: _flashes(SKY, 1.0),
    Signal.SOFT: _flashes(YELLOW, 0.3, 0.7),
    Signal.FLAT: _flashes(ORANGE, 0.17, 0.17),
    Signal.DISTORTED: _flashes(WHITE, 0.5, 0.2, 0.15, 0.95),
    Signal.UNKNOWN: _flashes(WHITE, 0.4, 0.4, level=0.3),
    Signal.STOP: Pattern(_flashes(VERMILLION, 0.24, 0.1).steps + _flashes(WHITE, 0.24, 0.1).steps, repeats=True),
    Signal.FAULT: _flashes(VERMILLION, 0.1, 0.15, 0.1, 1.65),
    Signal.UP: _flashes(GREEN, 0.15, 0.19, 0.15, 0.19, 0.15, 0.77),
    Signal.HOLD: _flashes(PURPLE, 0.9, 0.6),
    Signal.DOWN: _flashes(BLUE, 0.25, 0.3, 0.25, 0.8),
    Signal.SHUTTING_DOWN: Pattern(
        tuple(LampStep(0.3, WHITE, level) for level in (1.0, 0.6, 0.3, 0.1, 0.03)), repeats=True
    ),
    Signal.KEPT: _wink(WHITE, 0.15, 0.15, 0.15, 0.15, 0.25),
    Signal.WRONG: _wink(VERMILLION, 0.15, 0.15, 0.15, 0.7, 0.25),
    Signal.PRESS: _wink(WHITE, 0.07, 0.2, 0.07),
}


def lamp(signal: Signal) -> LampPattern:
    """Return what the lamp does: a colour and a rhythm, each enough alone."""
    return _LAMP[signal]


def led(colour: Colour, level: float) -> tuple[float, float, float]:
    """Return the duty cycles of the red, green and blue LED, 0 to 1, for a colour of the screen.

    An LED's light follows its duty cycle, a screen's the transfer curve of IEC 61966-2-1 (sRGB). The
    strongest LED of a colour is driven in full, so that all colours can be seen in the sun. Equal duty
    cycles must give white: the resistors of the three LEDs are chosen so.
    """
    linear = [_linear(channel / 255) for channel in colour]
    strongest = max(linear)
    if strongest == 0:
        return 0.0, 0.0, 0.0
    red, green, blue = (level * channel / strongest for channel in linear)
    return red, green, blue


def _linear(channel: float) -> float:
    return float(channel / 12.92 if channel <= 0.04045 else ((channel + 0.055) / 1.055) ** 2.4)


# A rung of the ladder of pitches, or None for silence, and how long [s]. No step is shorter than
# 70 ms: a fan runs beside it.
_Part = tuple[int | None, float]
_GAP: _Part = (None, 0.08)
_SOUNDS: dict[Signal, tuple[tuple[_Part, ...], bool]] = {
    Signal.CLEAN: (((4, 0.15),), False),
    Signal.SOFT: (((1, 0.12), (2, 0.12), (1, 0.12), (None, 1.14)), True),
    Signal.FLAT: (((5, 0.08), _GAP, (3, 0.08), _GAP, (5, 0.08), _GAP, (3, 0.08), (None, 0.4)), True),
    Signal.STOP: (((5, 0.25), (0, 0.25), (None, 0.2)), True),
    Signal.FAULT: (((0, 0.45), (None, 3.55)), True),
    Signal.UP: (((1, 0.13), _GAP, (3, 0.13), _GAP, (5, 0.13), (None, 0.85)), True),
    Signal.HOLD: (((3, 1.6), (None, 0.4)), True),
    Signal.DOWN: (((4, 0.3), (None, 0.25), (0, 0.3), (None, 0.75)), True),
    Signal.SHUTTING_DOWN: (((4, 0.2), (None, 0.15), (2, 0.2), (None, 0.15), (0, 0.5)), False),
    Signal.KEPT: (((5, 0.1), _GAP, (5, 0.1)), False),
    Signal.WRONG: (((0, 0.1), (None, 0.1), (0, 0.6)), False),
    Signal.PRESS: (((2, 0.07),), False),
}


def sound(signal: Signal, *, tone_hz: float | None, muted: bool = False) -> SoundPattern | None:
    """Return what the sounder does, a melody and a rhythm, each enough alone; None for nothing.

    `tone_hz` is the test tone, which no pitch comes near (`pitches`). Nothing sounds while muted.
    """
    if muted or signal not in _SOUNDS:
        return None
    return _sound(signal, _tone_step(tone_hz))


def pitches(tone_hz: float | None) -> tuple[float, ...]:
    """Return the ladder of pitches beside a test tone [Hz], `RUNGS` of them, ascending.

    They lie within 500 to 3000 Hz, as evenly far apart (as ratios) as there is room: at least a ratio
    of 1.15 (more than two semitones) for any tone, 1.43 without one. Each is at least one
    critical band away from the tone and from its second and third harmonic, because a tone masks
    what lies in the same critical band (Zwicker & Terhardt 1980). None, or what is no frequency, is no tone.
    """
    return _pitches(_tone_step(tone_hz))


def critical_band_hz(frequency_hz: float) -> float:
    """Return the width of the ear's critical band, 160 Hz at 1 kHz (Zwicker & Terhardt 1980, eq. 2; from memory)."""
    return float(25 + 75 * (1 + 1.4 * (frequency_hz / 1000) ** 2) ** 0.69)


def _tone_step(tone_hz: float | None) -> int | None:
    """Return the tone in steps of a 24th of an octave, None where no pitch could come near it."""
    if tone_hz is None or not LOWEST_HZ / 10 < tone_hz < HIGHEST_HZ * 10:
        return None
    return round(_TONE_STEPS * math.log2(tone_hz))


# Both caches are bounded by the tones that differ: nine octaves of 24 steps.
@cache
def _sound(signal: Signal, tone_step: int | None) -> SoundPattern:
    parts, repeats = _SOUNDS[signal]
    return _pattern(parts, tone_step, repeats=repeats)


def _pattern(parts: Sequence[_Part], tone_step: int | None, *, repeats: bool) -> SoundPattern:
    ladder = _pitches(tone_step)
    return Pattern(tuple(SoundStep(time_s, 0.0 if rung is None else ladder[rung]) for rung, time_s in parts), repeats)


@cache
def _pitches(tone_step: int | None) -> tuple[float, ...]:
    free = _free_ranges(tone_step)
    # The widest ratio with which all rungs find a place, by halving; in ratios, the band spans 6.
    narrow, wide = 1.0, HIGHEST_HZ / LOWEST_HZ
    for _ in range(30):
        middle = math.sqrt(narrow * wide)
        if len(_climb(free, middle)) < RUNGS:
            wide = middle
        else:
            narrow = middle
    return tuple(_climb(free, narrow)[:RUNGS])


def _free_ranges(tone_step: int | None) -> list[tuple[float, float]]:
    """Return the ranges of pitch, ascending [Hz], that are clear of the tone."""
    free = [(LOWEST_HZ, HIGHEST_HZ)]
    if tone_step is None:
        return free
    for harmonic in range(1, _KEEP_CLEAR + 1):
        # The tone may be half a step off.
        low_hz, high_hz = (harmonic * 2 ** ((tone_step + half) / _TONE_STEPS) for half in (-0.5, 0.5))
        low_hz -= critical_band_hz(low_hz)
        high_hz += critical_band_hz(high_hz)
        parts = [part for first, last in free for part in ((first, min(last, low_hz)), (max(first, high_hz), last))]
        free = [(first, last) for first, last in parts if first <= last]
    return free


def _climb(free: Sequence[tuple[float, float]], ratio: float) -> list[float]:
    """Return the lowest pitches that are free and at least `ratio` apart, `RUNGS` or fewer."""
    rungs: list[float] = []
    next_hz = 0.0
    for first, last in free:
        pitch_hz = max(first, next_hz)
        while pitch_hz <= last and len(rungs) < RUNGS:
            rungs.append(pitch_hz)
            pitch_hz = next_hz = pitch_hz * ratio
    return rungs


# --- leading the hand on a gain pot --------------------------------------------------------------------------------

LEAD_TURNS_S = (0.3, 0.38, 0.48, 0.6, 0.76, 0.96, 1.2, 1.5)
"""From one pip to the next [s]: the first below twice the tolerance, each further one at up to twice the distance."""
_LEAD_UP: tuple[_Part, ...] = ((4, 0.07), (5, 0.07))
_LEAD_DOWN: tuple[_Part, ...] = ((1, 0.07), (None, 0.07), (0, 0.07))
_LEAD_THERE: tuple[_Part, ...] = ((2, 0.2), (None, 0.2), (3, 0.2), (None, 1.1))
_SETTLED = 0.85
"""A level that was outside its tolerance counts as inside from this share of it on, so that the pips do not flutter."""


class Lead(NamedTuple):
    """Which way a hand is led, and how far it has to go."""

    way: int
    """1: up, -1: down, 0: there."""
    step: int = 0
    """Of `LEAD_TURNS_S`."""


def off_aim(*, level_v: float, aim_v: float | None, tolerance_v: float) -> float:
    """Return how far a level lies above its aim, in units of the tolerance; NaN where there is none of the three."""
    return (level_v - aim_v) / tolerance_v if aim_v is not None and tolerance_v > 0 else math.nan


def lead_of(off: float, *, before: Lead | None = None) -> Lead | None:
    """Return how a hand is led whose level is `off` units of the tolerance above its aim; None where that is NaN.

    before : how it was led so far: a level that comes in has to come in a little further than one that is in
    """
    if math.isnan(off):
        return None
    came_in = before is not None and before.way != 0
    if abs(off) <= (_SETTLED if came_in else 1.0):
        return Lead(0)
    doublings = math.log2(min(max(abs(off), 1.0), 1e9))
    return Lead(-1 if off > 0 else 1, min(int(doublings), len(LEAD_TURNS_S) - 1))


def lead_sound(lead: Lead, *, tone_hz: float | None, muted: bool = False) -> SoundPattern | None:
    """Return what the sounder does to lead a hand: pips, the faster the nearer the aim is, and a calm pair when there.

    Up is a rising pip above the middle of the ladder, down a falling pair of pips below it, and both go by rhythm
    alone. The pitches are those of `pitches`.
    """
    return None if muted else _lead_sound(lead, _tone_step(tone_hz))


# As the caches above, bounded by the tones that differ.
@cache
def _lead_sound(lead: Lead, tone_step: int | None) -> SoundPattern:
    parts = {1: _LEAD_UP, 0: _LEAD_THERE, -1: _LEAD_DOWN}[lead.way]
    if lead.way:
        pip_s = math.fsum(time_s for _, time_s in parts)
        parts = (*parts, (None, LEAD_TURNS_S[lead.step] - pip_s))
    return _pattern(parts, tone_step, repeats=True)


class Output(NamedTuple):
    """What lamp and sounder do at one moment."""

    lamp: tuple[float, float, float]
    """Duty cycles of red, green and blue, 0 to 1."""
    pitch_hz: float
    """0: silence."""
    until_s: float
    """When this changes by itself, on the caller's clock [s]; infinity: never."""


class Player:
    """One lasting signal, and now and then a passing one in front of it, as they go on in time.

    Has no clock and no thread; times [s] are the caller's and never run back.
    """

    def __init__(self) -> None:
        self.muted = False
        self.brightness = 1.0
        """Share of the lamp's full light, 0 to 1: sun, shade, night."""
        self._signal = Signal.NOTHING
        self._since_s = 0.0
        self._tone_hz: float | None = None
        self._spoken = False
        """What sounds once on entering this state has sounded."""
        self._spoken_s: dict[Signal, float] = {}
        self._lead: Lead | None = None
        self._turn_s = 0.0
        """Since when the hand is led as it is now; the start of a turn of its pips."""
        self._passing: Signal | None = None
        self._passing_s = 0.0

    def show(self, signal: Signal, *, time_s: float, tone_hz: float | None = None) -> None:
        """Go over to a lasting signal; one that is shown already goes on in its rhythm, clear of the new tone.

        No hand is led any more.
        """
        if signal in PASSING:
            raise ValueError(f"{signal.name} passes: give it to once(); show() takes lasting signals")
        self._tone_hz, self._lead = tone_hz, None
        if signal is self._signal:
            return
        self._signal, self._since_s = signal, time_s
        self._spoken = time_s - self._spoken_s.get(signal, -math.inf) < _CALM_S
        if not self._spoken:
            self._spoken_s[signal] = time_s
        if self._uninterrupted:
            self._passing = None

    def lead(self, signal: Signal, off: float, *, time_s: float, tone_hz: float | None = None) -> None:
        """Show a lasting signal as `show` does and, where it is one of `QUIET`, lead a hand by the sounder.

        off : how far the level is above the aim, in units of its tolerance (`off_aim`); NaN: nobody is led. Pips go
            on in their rhythm as the distance changes: the present turn gets longer or shorter.
        """
        before = self._lead
        self.show(signal, time_s=time_s, tone_hz=tone_hz)
        if signal not in QUIET:
            return
        self._lead = lead = lead_of(off, before=before)
        if lead is None:
            return
        self._spoken = True
        if before is None or lead.way != before.way:
            self._turn_s = time_s
        elif lead != before:
            turns_s = LEAD_TURNS_S
            begun_s = self._turn_s + max(time_s - self._turn_s, 0.0) // turns_s[before.step] * turns_s[before.step]
            self._turn_s = begun_s if time_s - begun_s < turns_s[lead.step] else time_s

    def once(self, signal: Signal, *, time_s: float) -> None:
        """Play a passing signal from now on, then take the lasting one up again.

        Stop and shutting down are not interrupted; a noticed press does not cut another passing signal short.
        """
        if signal not in PASSING:
            raise ValueError(f"{signal.name} lasts: give it to show(); once() takes {', '.join(sorted(PASSING))}")
        self.at(time_s)
        if self._uninterrupted or (signal is Signal.PRESS and self._passing is not None):
            return
        self._passing, self._passing_s = signal, time_s
        self._spoken = True

    @property
    def _uninterrupted(self) -> bool:
        return self._signal in {Signal.STOP, Signal.SHUTTING_DOWN}

    def at(self, time_s: float) -> Output:
        """Return what lamp and sounder do at `time_s`."""
        limit_s = math.inf
        if self._passing is not None:
            limit_s = self._passing_s + _length_s(self._passing)
            if time_s >= limit_s:
                self._passing = None
                self._since_s = max(self._since_s, limit_s)
                self._turn_s = max(self._turn_s, limit_s)
                limit_s = math.inf
        signal, since_s, spoken = self._signal, self._since_s, self._spoken
        if self._passing is not None:
            signal, since_s, spoken = self._passing, self._passing_s, False
        flash, flash_left_s = lamp(signal).at(time_s - since_s)
        tune = sound(signal, tone_hz=self._tone_hz, muted=self.muted)
        sounds_since_s = since_s
        if self._lead is not None and self._passing is None:
            tune, sounds_since_s = lead_sound(self._lead, tone_hz=self._tone_hz, muted=self.muted), self._turn_s
        note: SoundStep | None = None
        note_left_s = math.inf
        if tune is not None and (tune.repeats or not spoken):
            note, note_left_s = tune.at(time_s - sounds_since_s)
        return Output(
            lamp=led(flash.colour, flash.level * self.brightness) if flash is not None else (0.0, 0.0, 0.0),
            pitch_hz=note.pitch_hz if note is not None else 0.0,
            until_s=min(limit_s, time_s + min(flash_left_s, note_left_s)),
        )


def _length_s(signal: Signal) -> float:
    """Return how long a passing signal takes, the longer of lamp and sound [s]."""
    tune = sound(signal, tone_hz=None)
    return max(lamp(signal).duration_s, tune.duration_s if tune is not None else 0.0)
