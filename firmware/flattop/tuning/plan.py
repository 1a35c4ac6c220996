"""A plan: the system as its tuner thinks of it, from the source to the amplifier outputs, checked as a whole.

A plan is one TOML document. Its tables are the types below: one `[source]`, then `[[tones]]`, `[[links]]`,
`[[amplifiers]]` each with its `[[amplifiers.channels]]`, and `[limits]`. `plan_from` reports every fault at once,
those of single values and those of values that do not go together. Files are read elsewhere.
"""

from __future__ import annotations

import difflib
import json
import math
import unicodedata
from collections.abc import Iterator, Mapping
from enum import StrEnum
from typing import Annotated, Any, Literal, NamedTuple

import msgspec
from msgspec import Meta

from flattop.errors import PlanError, listed
from flattop.toml_files import Document, KeyPath, Table, faults_in, shown

MOST_SPEAKER_V = 180.0
"""Highest level of a tone that the speaker input is made for [V rms]."""
LEAST_CORNER_HZ = 10.0
"""Lowest filter corner that can be stated [Hz]: below, no tone is measured."""
SAME_TONE = 0.02
"""Tones closer together than this share of their frequency cannot be told apart in the field."""

Name = Annotated[str, Meta(min_length=1, max_length=24, description="name, as the screen shows it")]
Sides = Literal["both", "left", "right"]


class Band(StrEnum):
    """What an output is for: a bass output may be left with its tops just softening, the others may not."""

    BASS = "bass"
    MID = "mid"
    HIGH = "high"


class Tone(Table, frozen=True, kw_only=True):
    """One test tone, as recorded."""

    name: Name
    hz: Annotated[float, Meta(ge=10.0, le=20_000.0, description="frequency [Hz]")]
    band: Annotated[Band, Meta(description="outputs that it is for")]
    dbfs: Annotated[float, Meta(ge=-60.0, le=0.0, description="recorded level, a full-scale sine being 0 [dBFS]")] = 0.0


class Source(Table, frozen=True, kw_only=True):
    """What plays the tones."""

    name: Name
    sides: Annotated[Sides, Meta(description="sides that it has")] = "both"
    steps: Annotated[int, Meta(ge=0, le=1000, description="steps of its volume control, 0 for none")] = 0


class Link(Table, frozen=True, kw_only=True):
    """Anything that the signal passes between two places where it can be measured."""

    name: Name
    after: Annotated[str, Meta(max_length=24, description="name of the source or link that it is fed from")]
    loss_limit_db: Annotated[float, Meta(ge=0.0, le=60.0, description="most that it may lose [dB]")] = 0.5
    sides: Annotated[Sides, Meta(description="sides that pass through it")] = "both"


class Channel(Table, frozen=True, kw_only=True):
    """One output of an amplifier."""

    band: Annotated[Band, Meta(description="what it is for")]
    load_ohm: Annotated[float, Meta(ge=0.1, le=1000.0, description="load that it will drive [ohm]")]
    name: Annotated[str, Meta(max_length=24, description="name; empty only for the one output of an amplifier")] = ""
    power_w: Annotated[float, Meta(ge=0.0, le=100_000.0, description="rated power into that load [W], 0: unknown")] = (
        0.0
    )
    pot: Annotated[str, Meta(max_length=24, description="name of its gain pot, empty for one of its own")] = ""
    match: Annotated[str, Meta(max_length=24, description="name of a group of outputs that must agree")] = ""
    side: Annotated[Sides, Meta(description="side of the signal that it plays")] = "both"
    subsonic_hz: Annotated[
        float, Meta(ge=0.0, le=20_000.0, description="corner of its subsonic filter, a high-pass [Hz], 0: none stated")
    ] = 0.0
    low_pass_hz: Annotated[
        float, Meta(ge=0.0, le=20_000.0, description="corner of its low-pass filter [Hz], 0: none stated")
    ] = 0.0
    quiet_db: Annotated[
        float, Meta(ge=0.0, le=140.0, description="how far its noise must lie below its tone [dB], 0: not asked")
    ] = 0.0

    @property
    def has_corner(self) -> bool:
        """True if a filter is stated, so that its corner is looked for."""
        return self.subsonic_hz > 0.0 or self.low_pass_hz > 0.0


class Amplifier(Table, frozen=True, kw_only=True):
    """One amplifier with its outputs; those that name the same pot share it."""

    name: Name
    after: Annotated[str, Meta(max_length=24, description="name of the source or link that it is fed from")]
    channels: Annotated[tuple[Channel, ...], Meta(min_length=1, max_length=16, description="its outputs")]


class Limits(Table, frozen=True, kw_only=True):
    """Limits of the judgements, and times of the run."""

    pair_v: Annotated[float, Meta(ge=0.0, le=10.0, description="how far two sides of a pair may differ [V]")] = 0.02
    match_v: Annotated[float, Meta(ge=0.0, le=10.0, description="how far outputs that match may differ [V]")] = 0.1
    target_v: Annotated[float, Meta(ge=0.01, le=10.0, description="how near a gain must come to its target [V]")] = 0.1
    margin_db: Annotated[float, Meta(ge=0.0, le=20.0, description="how far below the ceiling to stay [dB]")] = 0.0
    overlap_db: Annotated[
        float, Meta(ge=0.0, le=20.0, description="how far full scale may lie above the rated voltage [dB]")
    ] = 0.0
    corner_pct: Annotated[
        float, Meta(ge=0.1, le=50.0, description="how far a filter corner may lie from the stated one [%]")
    ] = 5.0
    steady_pct: Annotated[float, Meta(ge=0.01, le=5.0, description="how far a steady level may move [%]")] = 0.1
    steady_s: Annotated[float, Meta(ge=0.3, le=10.0, description="how long it must stand to be kept [s]")] = 1.0
    idle_s: Annotated[float, Meta(ge=0.0, le=60.0, description="how long a step that is only read is shown [s]")] = 4.0


class Plan(Table, frozen=True, kw_only=True):
    """A whole system."""

    name: Annotated[str, Meta(min_length=1, max_length=40, description="name of the system")]
    source: Source
    tones: Annotated[tuple[Tone, ...], Meta(min_length=1, max_length=16, description="test tones")]
    amplifiers: Annotated[tuple[Amplifier, ...], Meta(min_length=1, max_length=16, description="amplifiers")]
    links: Annotated[tuple[Link, ...], Meta(max_length=32, description="links")] = ()
    limits: Limits = Limits()
    notes: Annotated[str, Meta(max_length=200, description="anything else to know, on one line")] = ""


def plan_from(document: Document, *, what: str) -> Plan:
    """Return the plan that a TOML document holds.

    Raises PlanError with every fault, one a line; `what` names the document in it.
    """
    faults = faults_of(document)
    if faults:
        raise PlanError(listed(f"{what} cannot be used:", faults))
    return msgspec.convert(document.table, Plan)


def faults_of(document: Document) -> list[str]:
    """Return everything that is wrong with a plan, one message each; empty if it can be used."""
    return [*faults_in(document, Plan), *_Check(document).faults()]


def target_v(*, power_w: float, load_ohm: float, tone_dbfs: float, overlap_db: float = 0.0) -> float:
    """Return the level of a test tone at which the output reaches its rated voltage at full scale [V rms].

    That voltage is sqrt(P R). A tone recorded below full scale stays below it by as much, less the gain overlap that
    is wanted; with no more overlap than the tone leaves, the tone itself never exceeds the rated voltage. NaN where
    the power is not known (0).
    """
    if not power_w > 0.0:
        return math.nan
    return math.sqrt(power_w * load_ohm) * math.pow(10.0, min(tone_dbfs + overlap_db, 0.0) / 20.0)


def rated_v(plan: Plan, channel: Channel, tone: Tone) -> float:
    """Return the target of an output at a tone after its rating [V rms], NaN if its power is not known."""
    return target_v(
        power_w=channel.power_w, load_ohm=channel.load_ohm, tone_dbfs=tone.dbfs, overlap_db=plan.limits.overlap_db
    )


def tones_for(plan: Plan, band: Band) -> tuple[Tone, ...]:
    """Return the tones of a band, in the order of the plan."""
    return tuple(tone for tone in plan.tones if tone.band is band)


def chain(plan: Plan, name: str) -> tuple[str, ...]:
    """Return the names that the signal passes, from the source to the link or amplifier `name`, both included.

    Raises KeyError if the plan has no such place.
    """
    before = {link.name: link.after for link in plan.links} | {one.name: one.after for one in plan.amplifiers}
    path = [name]
    while path[-1] != plan.source.name:
        path.append(before[path[-1]])
    return tuple(reversed(path))


def folded(name: str) -> str:
    """Return a name as it is compared: one spelling for what looks or sounds alike in every script."""
    return unicodedata.normalize("NFKC", name).casefold().strip()


def text_of(plan: Plan) -> str:
    """Return a plan as a TOML document that reads back the same; what stands at its default is left out."""
    held: dict[str, Any] = msgspec.to_builtins(plan)
    lines = [f"name = {_toml(plan.name)}"]
    if plan.notes:
        lines.append(f"notes = {_toml(plan.notes)}")
    lines += _table_text("[source]", held["source"], Source)
    for key, kind in (("tones", Tone), ("links", Link)):
        for table in held[key]:
            lines += _table_text(f"[[{key}]]", table, kind)
    for amplifier in held["amplifiers"]:
        channels = amplifier.pop("channels")
        lines += _table_text("[[amplifiers]]", amplifier, Amplifier)
        for channel in channels:
            lines += _table_text("[[amplifiers.channels]]", channel, Channel)
    if plan.limits != Limits():
        lines += _table_text("[limits]", held["limits"], Limits)
    return "\n".join(lines) + "\n"


def _table_text(header: str, table: Mapping[str, Any], kind: type[Table]) -> list[str]:
    default = {field.name: field.default for field in msgspec.structs.fields(kind)}
    return ["", header, *(f"{key} = {_toml(value)}" for key, value in table.items() if value != default[key])]


def _toml(value: object) -> str:
    # JSON strings are TOML strings, but for DEL; a name that holds one is refused when read.
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else repr(value)


class _Place(NamedTuple):
    """Something with a name, where it stands in the document."""

    path: KeyPath
    table: Mapping[str, Any]

    def text(self, key: str, default: str = "") -> str:
        """Return a text of its own; `default` where there is none, "" where something else stands there."""
        found = self.table.get(key, default)
        return found if isinstance(found, str) else ""

    @property
    def name(self) -> str:
        return self.text("name")

    @property
    def after(self) -> str:
        return self.text("after")


class _Check:
    """Faults of values that are fine each by itself; values of a wrong type, told elsewhere, are passed over."""

    def __init__(self, document: Document) -> None:
        self._document = document
        source = document.table.get("source")
        self._source = _Place(("source",), source if isinstance(source, dict) else {})
        self._links = list(self._tables(document.table, (), "links"))
        self._amplifiers = list(self._tables(document.table, (), "amplifiers"))
        self._tones = list(self._tables(document.table, (), "tones"))
        self._channels = [
            (amplifier, list(self._tables(amplifier.table, amplifier.path, "channels")))
            for amplifier in self._amplifiers
        ]
        self._feeds = {place.name: place for place in (self._source, *self._links) if place.name}
        """What something can be fed from."""

    def faults(self) -> Iterator[str]:
        yield from self._name_faults()
        yield from self._chain_faults()
        yield from self._side_faults()
        yield from self._tone_faults()
        for _, channels in self._channels:
            yield from self._pot_faults(channels)
            for channel in channels:
                yield from self._target_faults(channel)
                yield from self._filter_faults(channel)
        yield from self._match_faults()

    @staticmethod
    def _tables(table: Mapping[str, Any], path: KeyPath, key: str) -> Iterator[_Place]:
        held = table.get(key)
        for number, one in enumerate(held if isinstance(held, list) else []):
            if isinstance(one, dict):
                yield _Place((*path, key, number), one)

    def _at(self, place: _Place, key: str) -> str:
        return self._document.at(*place.path, key)

    # -- names --------------------------------------------------------------------------------------------------------

    def _name_faults(self) -> Iterator[str]:
        yield from self._taken_twice([self._source, *self._links, *self._amplifiers])
        yield from self._taken_twice(self._tones)
        for _, channels in self._channels:
            yield from self._taken_twice(channels)
            for channel in channels:
                if len(channels) > 1 and channel.table.get("name", "") == "":
                    yield (
                        f"{self._at(channel, 'name')} is missing; needed is a name of 1 to 24 characters wherever an "
                        "amplifier has several outputs; add it"
                    )
        for place in (self._source, *self._links, *self._amplifiers, *self._tones, *self._all_channels()):
            for key in ("name", "pot", "match"):
                text = place.text(key)
                if text != text.strip():
                    yield (
                        f"{self._at(place, key)} is {shown(text)}; allowed is a name without spaces at its ends; "
                        f"write {shown(text.strip())}"
                    )

    def _taken_twice(self, places: list[_Place]) -> Iterator[str]:
        first: dict[str, _Place] = {}
        for place in places:
            if not place.name:
                continue
            other = first.setdefault(folded(place.name), place)
            if other is not place:
                yield (
                    f"{self._at(place, 'name')} is {shown(place.name)}, and so is {self._at(other, 'name')}; allowed "
                    "is a name of its own, capital and small letters being alike; rename one of them"
                )

    def _all_channels(self) -> list[_Place]:
        return [channel for _, channels in self._channels for channel in channels]

    # -- the chain ----------------------------------------------------------------------------------------------------

    def _chain_faults(self) -> Iterator[str]:
        allowed = ", ".join(shown(name) for name in self._feeds) or "a source, which this plan lacks"
        for place in (*self._links, *self._amplifiers):
            after = place.after
            if after in self._feeds or not isinstance(place.table.get("after"), str):
                continue
            near = difflib.get_close_matches(after, self._feeds, n=1, cutoff=0.5)
            hint = f"did you mean {shown(near[0])}?" if near else "correct it, or add that link"
            yield (
                f"{self._at(place, 'after')} is {shown(after)}, which is neither the source nor a link; "
                f"allowed is {allowed}; {hint}"
            )
        told: set[str] = set()
        for link in self._links:
            circle = self._circle(link)
            if circle and not told & set(circle):
                told |= set(circle)
                shape = " -> ".join(shown(name) for name in circle)
                yield (
                    f"{self._at(link, 'after')} closes a circle, {shape}; allowed is a chain that begins at the "
                    f"source; feed one of these from {shown(self._source.name) if self._source.name else 'the source'}"
                )

    def _circle(self, link: _Place) -> list[str]:
        """Return the names of a circle that begins and ends with `link`; empty if it is in none."""
        path = [link.name]
        while (place := self._feeds.get(path[-1])) is not None and place is not self._source:
            path.append(place.after)
            if path[-1] == link.name:
                return path[::-1]
            if path[-1] in path[:-1]:
                break
        return []

    def _sides_at(self, place: _Place) -> set[str]:
        """Return the sides that arrive where `place` is fed from; both where that is not known."""
        sides, met = {"left", "right"}, {place.name}
        while (feed := self._feeds.get(place.after)) is not None and feed.name not in met:
            met.add(feed.name)
            sides &= _sides(feed.text("sides", "both"))
            if feed is self._source:
                break
            place = feed
        return sides

    def _side_faults(self) -> Iterator[str]:
        wanting = [(link, "sides", self._sides_at(link)) for link in self._links]
        for amplifier, channels in self._channels:
            arriving = self._sides_at(amplifier)
            wanting += [(channel, "side", arriving) for channel in channels]
        for place, key, arriving in wanting:
            wanted = place.text(key, "both")
            # Both sides of a source that has one only are that one; a side that does not arrive is a mistake.
            if wanted in {"left", "right"} and wanted not in arriving:
                only = " or ".join(shown(side) for side in sorted(arriving)) or "none"
                yield (
                    f"{self._at(place, key)} is {shown(wanted)}, a side that does not arrive there; "
                    f"arriving is {only}; correct it, or the sides of what comes before"
                )

    # -- tones, targets, pots and matches -----------------------------------------------------------------------------

    def _tone_faults(self) -> Iterator[str]:
        if self._tones:
            there = {tone.text("band") for tone in self._tones}
            first: dict[str, _Place] = {}
            for channel in self._all_channels():
                band = channel.text("band")
                if band in set(Band) and band not in there:
                    first.setdefault(band, channel)
            for band, channel in first.items():
                yield (
                    f"{self._at(channel, 'band')} is {shown(band)}, but no tone is for that band; "
                    f'needed is a table [[tones]] with band = "{band}"; add it'
                )
        for number, tone in enumerate(self._tones):
            hz = _number(tone, "hz")
            for other in self._tones[:number]:
                if abs(hz - _number(other, "hz")) < SAME_TONE * max(hz, _number(other, "hz")):
                    yield (
                        f"{self._at(tone, 'hz')} is {hz:g} and {self._at(other, 'hz')} is {_number(other, 'hz'):g}; "
                        f"allowed are tones at least {100 * SAME_TONE:g} % apart, or one would be taken for the other; "
                        "change or delete one of them"
                    )

    def _target_faults(self, channel: _Place) -> Iterator[str]:
        power_w, load_ohm = _number(channel, "power_w"), _number(channel, "load_ohm")
        if not (0.0 < power_w <= 1e6 and 0.0 < load_ohm <= 1e6):
            return
        levels = [_number(tone, "dbfs", 0.0) for tone in self._tones if tone.text("band") == channel.text("band")]
        loudest_dbfs = max((level for level in levels if -60.0 <= level <= 0.0), default=0.0)
        overlap_db = self._document.number("limits", "overlap_db", 0.0)
        overlap_db = overlap_db if 0.0 <= overlap_db <= 20.0 else 0.0
        aim_v = target_v(power_w=power_w, load_ohm=load_ohm, tone_dbfs=loudest_dbfs, overlap_db=overlap_db)
        if aim_v > MOST_SPEAKER_V:
            most_w = power_w * (MOST_SPEAKER_V / aim_v) ** 2
            yield (
                f"{self._at(channel, 'power_w')} is {power_w:g} W into {load_ohm:g} ohm, a target of {aim_v:.1f} V; "
                f"allowed is at most {MOST_SPEAKER_V:g} V at the speaker input; correct power or load "
                f"(at most {most_w:.0f} W), or set power_w = 0 to aim at the ceiling alone"
            )

    def _filter_faults(self, channel: _Place) -> Iterator[str]:
        """Yield corners that no sweep can show, and a pass band that is none."""
        subsonic_hz, low_pass_hz = _number(channel, "subsonic_hz", 0.0), _number(channel, "low_pass_hz", 0.0)
        for key, hz in (("subsonic_hz", subsonic_hz), ("low_pass_hz", low_pass_hz)):
            if 0.0 < hz < LEAST_CORNER_HZ:
                yield (
                    f"{self._at(channel, key)} is {hz:g}; allowed is a number from {LEAST_CORNER_HZ:g} to 20000, "
                    "or 0 where none is stated; correct it"
                )
        if 0.0 < low_pass_hz <= subsonic_hz:
            yield (
                f"{self._at(channel, 'low_pass_hz')} is {low_pass_hz:g}, not above {self._at(channel, 'subsonic_hz')}, "
                f"{subsonic_hz:g}; allowed is a low-pass above the subsonic filter, or nothing passes; "
                "exchange the two, or correct one"
            )

    def _pot_faults(self, channels: list[_Place]) -> Iterator[str]:
        first: dict[str, _Place] = {}
        for channel in channels:
            pot, band = channel.text("pot"), channel.text("band")
            if not pot:
                continue
            other = first.setdefault(pot, channel)
            if other.text("band") != band:
                yield (
                    f"{self._at(channel, 'band')} is {shown(band)}, but the output that shares its gain pot "
                    f"{shown(pot)} is for {shown(other.table.get('band'))}; allowed is one band on one pot; "
                    "correct the band or the pot"
                )

    def _match_faults(self) -> Iterator[str]:
        groups: dict[str, list[_Place]] = {}
        for channel in self._all_channels():
            if match := channel.text("match"):
                groups.setdefault(match, []).append(channel)
        for name, members in groups.items():
            first = members[0]
            if len(members) == 1:
                yield (
                    f"{self._at(first, 'match')} is {shown(name)}, and no other output is in that group; needed are "
                    "two or more; name it at the others too, or delete the line"
                )
            for member in members[1:]:
                if member.text("band") != first.text("band"):
                    yield (
                        f"{self._at(member, 'match')} is {shown(name)}, a group of {shown(first.table.get('band'))} "
                        f"outputs, but this one is for {shown(member.table.get('band'))}; allowed is one band in a "
                        "group; correct the band or the group"
                    )


def _sides(sides: str) -> set[str]:
    return {sides} if sides in {"left", "right"} else {"left", "right"}


def _number(place: _Place, key: str, default: float = math.nan) -> float:
    value = place.table.get(key, default)
    comparable = isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 2**63
    return float(value) if comparable else math.nan
