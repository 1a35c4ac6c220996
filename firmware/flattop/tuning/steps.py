"""The steps of a tuning run, derived from its plan, and what a step asks for and is answered."""

from __future__ import annotations

from collections.abc import Generator, Sequence
from dataclasses import dataclass
from enum import StrEnum

from flattop.measure.noise import Noise
from flattop.measure.reading import Reading
from flattop.measure.response import Response
from flattop.samples import Input
from flattop.tuning.judge import Finding
from flattop.tuning.plan import Amplifier, Band, Channel, Plan, Tone, tones_for


class Kind(StrEnum):
    """What a step is for."""

    CHECK = "check"
    SUPPLY = "supply"
    SOURCE = "source"
    LINK = "link"
    FOUND = "found"
    SET = "set"
    MATCH = "match"
    TONE = "tone"
    LEFT = "left"
    FILTER = "filter"
    QUIET = "quiet"
    RECONNECT = "reconnect"


class Word(StrEnum):
    """What the second person at the dash is to do with the volume."""

    NONE = ""
    UP = "up"
    HOLD = "hold"
    DOWN = "down"


class State(StrEnum):
    """Where a step stands."""

    OPEN = "open"
    DONE = "done"
    SKIPPED = "skipped"
    COULD_NOT = "could not"


class Command(StrEnum):
    """What the tuner may ask for in between."""

    NONE = ""
    KEEP = "keep now"
    SKIP = "skip"
    AGAIN = "again"
    BACK = "back"


class Wants(StrEnum):
    """What the answers to a prompt are to bring, beside readings."""

    READINGS = "readings"
    RESPONSE = "response"
    """What a sweep shows: the newest blocks are to be followed."""
    NOISE = "noise"
    """What is left without a tone: the newest blocks are to be listened to."""


AS_FOUND, AS_LEFT = "as found", "as left"
"""Texts of the two steps that look for a filter's corners."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the run."""

    kind: Kind
    place: str = ""
    """Amplifier, link or source."""
    channel: str = ""
    side: str = ""
    tone: Tone | None = None
    text: str = ""

    @property
    def id(self) -> str:
        """Name of the step in the record, one of a kind in its run."""
        where = f"{self.place}/{self.channel}" if self.channel else self.place
        text = "" if self.kind is Kind.RECONNECT else self.text
        parts = [str(self.kind), where, text, self.side, self.tone.name if self.tone else ""]
        return ":".join(part for part in parts if part)

    @property
    def input(self) -> Input:
        """Pair of terminals that it is measured at."""
        return Input.LINE if self.kind in {Kind.SOURCE, Kind.LINK} else Input.SPEAKER

    @property
    def label(self) -> str:
        """What the leads belong on, short enough for the top of the screen."""
        side = "" if self.channel else {"left": "L", "right": "R"}.get(self.side, "")
        return " ".join(part for part in (self.place, self.channel, side) if part)


@dataclass(frozen=True, slots=True, kw_only=True)
class Prompt:
    """What is to be shown, and said to the second person, until the next reading."""

    step: Step
    text: str = ""
    """The next move, one or two short words."""
    word: Word = Word.NONE
    aim_v: float | None = None
    tolerance_v: float = 0.0
    ceiling_v: float | None = None
    number: int = 0
    """Of the step, from 1 to `total`."""
    total: int = 0
    wants: Wants = Wants.READINGS
    anew: bool = False
    """What was followed or listened to before is to be forgotten."""

    @property
    def place(self) -> str:
        """What to clip onto."""
        return self.step.label


@dataclass(frozen=True, slots=True)
class Keep:
    """Put this reading on the card; the answer is when it is there."""

    step: Step
    reading: Reading
    no_load: bool
    ceiling_v: float | None = None
    ceiling_u_v: float | None = None


@dataclass(frozen=True, slots=True)
class Judge:
    """Note this finding."""

    finding: Finding


@dataclass(frozen=True, slots=True)
class Note:
    """Put what a sweep showed, or what is left without a tone, into the record; there is no wave to it.

    reading : the last one, for its time and its input
    """

    step: Step
    reading: Reading
    response: Response | None = None
    noise: Noise | None = None


@dataclass(frozen=True, slots=True)
class Heard:
    """The answer to a prompt: the next reading, and what the tuner asked for meanwhile.

    response, noise : how far that has come, where the prompt wants it and blocks can be had
    """

    reading: Reading
    now_s: float
    command: Command = Command.NONE
    response: Response | None = None
    noise: Noise | None = None


Request = Prompt | Keep | Judge | Note
Course = Generator[Request, Heard | None, State]


# -- from a plan to its steps -----------------------------------------------------------------------------------------

BEFORE = ("tone controls flat", "effects off", "speakers off", "gain down, amp muted")


def steps_of(plan: Plan) -> list[Step]:
    """Return the steps of a plan in the order of the job, as few changes of the leads as it allows."""
    first = {band: tones_for(plan, band) for band in Band}
    lead_tone = plan.tones[0]
    steps = [Step(Kind.CHECK, text=text) for text in BEFORE]
    steps.append(Step(Kind.SUPPLY, "supply", text="at rest"))
    steps += [Step(Kind.SOURCE, plan.source.name, side=side, tone=lead_tone) for side in _sides(plan.source.sides)]
    steps += [
        Step(Kind.LINK, link.name, side=side, tone=lead_tone) for link in plan.links for side in _sides(link.sides)
    ]
    for amplifier in plan.amplifiers:
        for channels in _by_pot(amplifier):
            tones = first[channels[0].band]
            for kind in (Kind.FOUND, Kind.SET):
                steps += [_output(kind, amplifier, channel, tones[0]) for channel in channels]
                if kind is Kind.FOUND:
                    steps += _corners(amplifier, channels, tones[0], AS_FOUND)
            steps += [_output(Kind.TONE, amplifier, channel, tone) for tone in tones[1:] for channel in channels]
    steps += [
        _output(Kind.MATCH, amplifier, channel, first[channel.band][0])
        for amplifier in plan.amplifiers
        for channel in amplifier.channels
        if channel.match
    ]
    steps += [
        _output(Kind.LEFT, amplifier, channel, first[channel.band][0])
        for amplifier in plan.amplifiers
        for channel in amplifier.channels
    ]
    steps.append(Step(Kind.SUPPLY, "supply", text="under tone"))
    # Once every level is as it is left: these need other tracks, and none at all.
    for amplifier in plan.amplifiers:
        for channel in amplifier.channels:
            tone = first[channel.band][0]
            steps += _corners(amplifier, [channel], tone, AS_LEFT)
            if channel.quiet_db > 0.0:
                steps.append(_output(Kind.QUIET, amplifier, channel, tone))
    steps += [Step(Kind.RECONNECT, amplifier.name, text="speakers on, + to +") for amplifier in plan.amplifiers]
    return steps


def channel_of(plan: Plan, step: Step) -> Channel:
    """Return the output of a step. Raises StopIteration if it is of none."""
    return next(
        channel
        for amplifier in plan.amplifiers
        for channel in amplifier.channels
        if (amplifier.name, channel.name) == (step.place, step.channel)
    )


def _output(kind: Kind, amplifier: Amplifier, channel: Channel, tone: Tone, text: str = "") -> Step:
    return Step(kind, amplifier.name, channel.name, channel.side if channel.side != "both" else "", tone, text)


def _corners(amplifier: Amplifier, channels: Sequence[Channel], tone: Tone, text: str) -> list[Step]:
    """Return a step for each output with a stated filter; its tone tells that the leads are there."""
    return [_output(Kind.FILTER, amplifier, channel, tone, text) for channel in channels if channel.has_corner]


def _sides(sides: str) -> tuple[str, ...]:
    return ("left", "right") if sides == "both" else (sides,)


def _by_pot(amplifier: Amplifier) -> list[list[Channel]]:
    """Return the channels of an amplifier, those that share a gain pot together."""
    groups: dict[str, list[Channel]] = {}
    for channel in amplifier.channels:
        groups.setdefault(channel.pot or f"\0{channel.name}", []).append(channel)
    return list(groups.values())
