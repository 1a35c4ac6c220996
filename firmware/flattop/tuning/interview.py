"""A short talk that ends with a plan: questions go out, answers come in, and no answer can make a plan that fails."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Generator
from dataclasses import dataclass, replace
from typing import TypeVar

from msgspec import structs

from flattop.tuning.plan import (
    LEAST_CORNER_HZ,
    MOST_SPEAKER_V,
    SAME_TONE,
    Amplifier,
    Band,
    Channel,
    Link,
    Plan,
    Sides,
    Source,
    Tone,
    folded,
)

USUAL_HZ = {Band.BASS: "40", Band.MID: "1000, 3500", Band.HIGH: "5000"}
"""Test tones (common practice, no source)."""
MOST_AMPLIFIERS, MOST_OUTPUTS, MOST_LINKS, MOST_TONES = 16, 8, 8, 5

Answer = TypeVar("Answer")
Talk = Generator["Question", str, Answer]


@dataclass(frozen=True, slots=True)
class Question:
    """One question; an empty answer takes the default."""

    text: str
    default: str
    fault: str = ""
    """Why the last answer could not be taken; empty the first time."""


class _Refused(ValueError):
    """An answer that cannot be taken, with the reason."""


def interview() -> Talk[Plan]:
    """Yield questions, be sent the answers, and return the plan.

    An answer that cannot be taken brings the same question again, with the reason.
    """
    taken: set[str] = set()
    name = yield from _ask("Name of the system", "My system", _text(40))
    source = yield from _ask("What plays the tones", "Source", _new_name(taken))
    steps = yield from _ask("Steps of its volume control, 0 for none", "0", _whole(0, 1000))
    link_names = yield from _ask(
        "Links on the way to the amplifiers, in their order, with commas between; - for none",
        "Cable",
        _names(taken, MOST_LINKS, or_none=True),
    )
    feeds = [source, *link_names]
    links = [Link(name=link, after=before) for before, link in zip(feeds, link_names, strict=False)]
    names = yield from _ask("Amplifiers, with commas between", "Amplifier", _names(taken, MOST_AMPLIFIERS))
    amplifiers: list[Amplifier] = []
    for each in names:
        amplifiers += [(yield from _amplifier(each, feeds[-1]))]
    bass = [channel for amplifier in amplifiers for channel in amplifier.channels if channel.band is Band.BASS]
    if len(bass) > 1 and (yield from _ask("Must the bass outputs agree, y or n", "y", _yes)):
        amplifiers = [_all_matched(amplifier) for amplifier in amplifiers]
    if (yield from _ask("Are filters and noise to be checked as well, y or n", "n", _yes)):
        for number, amplifier in enumerate(amplifiers):
            amplifiers[number] = yield from _filtered(amplifier)
    tones = yield from _tones({channel.band for amplifier in amplifiers for channel in amplifier.channels})
    return Plan(
        name=name,
        source=Source(name=source, steps=steps),
        tones=tones,
        links=tuple(links),
        amplifiers=tuple(amplifiers),
    )


def _amplifier(name: str, after: str) -> Talk[Amplifier]:
    band = yield from _ask(f"What {name} is for: bass, mid or high", "bass", _band)
    outputs = yield from _ask(f"Outputs of {name}", "1" if band is Band.BASS else "2", _whole(1, MOST_OUTPUTS))
    load_ohm = yield from _ask("Load at each of them, in ohm", "4", _number(0.1, 1000.0))
    most_w = math.floor(MOST_SPEAKER_V**2 / load_ohm)
    power_w = yield from _ask(
        f"Rated power of each into {load_ohm:g} ohm, in W; 0 if not known", "0", _number(0.0, min(most_w, 100_000.0))
    )
    paired = outputs % 2 == 0
    one_pot = paired and (yield from _ask("Do the two outputs of a pair share one gain pot, y or n", "y", _yes))
    channels = []
    for number in range(outputs):
        side: Sides = ("left", "right")[number % 2] if paired else "both"
        pair = f"{number // 2 + 1} " if outputs > 2 else ""
        label = f"{pair}{side[0].upper()}" if paired else str(number + 1)
        channels.append(
            Channel(
                name=label if outputs > 1 else "",
                band=band,
                power_w=power_w,
                load_ohm=load_ohm,
                pot=f"pot {number // 2 + 1}" if one_pot else "",
                side=side,
            )
        )
    return Amplifier(name=name, after=after, channels=tuple(channels))


def _all_matched(amplifier: Amplifier) -> Amplifier:
    channels = [
        structs.replace(channel, match="bass") if channel.band is Band.BASS else channel
        for channel in amplifier.channels
    ]
    return structs.replace(amplifier, channels=tuple(channels))


def _filtered(amplifier: Amplifier) -> Talk[Amplifier]:
    """Ask for the filters of an amplifier and how quiet it must be, the same for all its outputs."""
    name = amplifier.name
    subsonic_hz = yield from _ask(f"Subsonic filter of {name}, in Hz; 0 for none", "0", _corner(LEAST_CORNER_HZ))
    above_hz = max(LEAST_CORNER_HZ, math.floor(subsonic_hz + 1.0))
    low_pass_hz = yield from _ask(f"Low-pass filter of {name}, in Hz; 0 for none", "0", _corner(above_hz))
    quiet_db = yield from _ask(
        f"How far the noise of {name} must lie below its tone, in dB; 0 not to ask", "60", _number(0.0, 140.0)
    )
    channels = [
        structs.replace(channel, subsonic_hz=subsonic_hz, low_pass_hz=low_pass_hz, quiet_db=quiet_db)
        for channel in amplifier.channels
    ]
    return structs.replace(amplifier, channels=tuple(channels))


def _tones(bands: set[Band]) -> Talk[tuple[Tone, ...]]:
    frequencies: list[tuple[float, Band]] = []
    for band in Band:
        if band in bands:
            question = f"Test tones for {band} in Hz, with commas between; the first one sets the gain"
            found = yield from _ask(question, USUAL_HZ[band], _frequencies([hz for hz, _ in frequencies]))
            frequencies += [(hz, band) for hz in found]
    dbfs = yield from _ask("Level they are recorded at, in dBFS (0: full scale)", "0", _number(-60.0, 0.0))
    return tuple(Tone(name=_tone_name(hz), hz=hz, band=band, dbfs=dbfs) for hz, band in frequencies)


def _tone_name(hz: float) -> str:
    return f"{hz / 1000:.6g} kHz" if hz >= 1000 else f"{hz:.6g} Hz"


# -- answers ----------------------------------------------------------------------------------------------------------


def _ask(text: str, default: str, taken_as: Callable[[str], Answer]) -> Talk[Answer]:
    """Ask until the answer can be taken."""
    question = Question(text, default)
    while True:
        answer = (yield question).strip()
        try:
            return taken_as(answer or default)
        except _Refused as refused:
            question = replace(question, fault=str(refused))


def _text(longest: int) -> Callable[[str], str]:
    def taken_as(answer: str) -> str:
        if not answer.isprintable() or len(answer) > longest:
            raise _Refused(f"allowed is text of at most {longest} characters")
        return answer

    return taken_as


def _new_name(taken: set[str]) -> Callable[[str], str]:
    def taken_as(answer: str) -> str:
        name = _text(24)(answer)
        if folded(name) in taken:
            raise _Refused(f"{name} is taken; allowed is a name of its own")
        taken.add(folded(name))
        return name

    return taken_as


def _names(taken: set[str], most: int, *, or_none: bool = False) -> Callable[[str], list[str]]:
    def taken_as(answer: str) -> list[str]:
        if or_none and answer == "-":
            return []
        names = [part.strip() for part in answer.split(",") if part.strip()]
        if not 1 <= len(names) <= most:
            raise _Refused(f"allowed are up to {most} names with commas between{', or -' if or_none else ''}")
        found = set(taken)
        for name in names:
            _new_name(found)(name)
        taken.update(found)
        return names

    return taken_as


def _yes(answer: str) -> bool:
    if answer.casefold() not in {"y", "yes", "n", "no"}:
        raise _Refused("allowed is y or n")
    return answer.casefold() in {"y", "yes"}


def _band(answer: str) -> Band:
    if answer.casefold() not in set(Band):
        raise _Refused("allowed is bass, mid or high")
    return Band(answer.casefold())


def _number(low: float, high: float) -> Callable[[str], float]:
    def taken_as(answer: str) -> float:
        # One comma is what many write for a point.
        plain = re.fullmatch(r"[+-]?\d{1,9}(?:[.,]\d{1,9})?", answer)
        value = float(answer.replace(",", ".")) if plain else math.nan
        if not low <= value <= high:
            raise _Refused(f"allowed is a number from {low:g} to {high:g}")
        return value

    return taken_as


def _corner(least_hz: float) -> Callable[[str], float]:
    def taken_as(answer: str) -> float:
        value = _number(0.0, 20_000.0)(answer)
        if 0.0 < value < least_hz:
            raise _Refused(f"allowed is a number from {least_hz:g} to 20000, or 0 for none")
        return value

    return taken_as


def _whole(low: int, high: int) -> Callable[[str], int]:
    def taken_as(answer: str) -> int:
        value = int(answer) if re.fullmatch(r"[0-9]{1,9}", answer) else -1
        if not low <= value <= high:
            raise _Refused(f"allowed is a whole number from {low} to {high}")
        return value

    return taken_as


def _frequencies(others_hz: list[float]) -> Callable[[str], list[float]]:
    def taken_as(answer: str) -> list[float]:
        parts = [part for part in re.split(r"[,;\s]+", answer) if part]
        if not 1 <= len(parts) <= MOST_TONES:
            raise _Refused(f"allowed are up to {MOST_TONES} frequencies with commas between")
        found = [_number(10.0, 20_000.0)(part) for part in parts]
        for number, hz in enumerate(found):
            for other in (*others_hz, *found[:number]):
                if abs(hz - other) < SAME_TONE * max(hz, other):
                    raise _Refused(
                        f"{hz:g} Hz is too near to {other:g} Hz; allowed are tones {100 * SAME_TONE:g} % apart"
                    )
        return found

    return taken_as
