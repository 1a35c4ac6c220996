"""An invented vehicle as one TOML file: what its source, cables and amplifiers truly do, and what goes wrong.

Its tables are the types below: `[supply]`, `[engine]`, `[source]`, then `[[links]]`, `[[amplifiers]]` each with its
`[[amplifiers.channels]]`, and `[[faults]]`. Names are those of the plan that is carried out on it. Every fault in the
file is reported at once. The test tones, their frequencies and levels, are the plan's.
"""

from __future__ import annotations

from collections.abc import Iterator
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from flattop.errors import SettingsError, listed
from flattop.toml_files import Document, Table, faults_in, parse_toml, read_toml, shown
from flattop.tuning.plan import Plan

WHAT = "vehicle file"

Name = Annotated[str, Meta(min_length=1, max_length=24, description="name, as in the plan")]
Feed = Annotated[str, Meta(min_length=1, max_length=24, description="source or link that it is fed from")]
Sides = Literal["both", "left", "right"]
FilterKind = Literal["butterworth", "linkwitz-riley"]
Slope = Literal[12, 24]
LEAST_CORNER_HZ = 5.0
"""Lowest corner of a filter that is there at all [Hz]."""


class Supply(Table, frozen=True, kw_only=True):
    """Battery, charger and the cable to the amplifiers."""

    rest_v: Annotated[float, Meta(ge=6.0, le=36.0, description="voltage at the amplifiers without a tone [V]")] = 13.8
    ohm: Annotated[float, Meta(ge=0.0, le=1.0, description="resistance up to the amplifiers [ohm]")] = 0.004
    whine_v: Annotated[float, Meta(ge=0.0, le=2.0, description="ripple of the alternator on it [V rms]")] = 0.0
    whine_hz: Annotated[float, Meta(ge=20.0, le=20_000.0, description="frequency of that ripple, at idle [Hz]")] = 613.0
    whine_harmonics: Annotated[int, Meta(ge=1, le=3, description="lines of all whine, the first one counted")] = 1
    whine_fall_db: Annotated[float, Meta(ge=0.0, le=40.0, description="each of them below the one before [dB]")] = 8.0


class Engine(Table, frozen=True, kw_only=True):
    """How somebody plays with the engine; whine is as high as it turns."""

    idle_rpm: Annotated[float, Meta(ge=300.0, le=3000.0, description="speed at idle [1/min]")] = 800.0
    top_rpm: Annotated[
        float, Meta(ge=300.0, le=8000.0, description="speed that it reaches at most, as idle_rpm: it stays there")
    ] = 800.0
    rise_s: Annotated[float, Meta(ge=0.5, le=60.0, description="about how long it rises, and falls [s]")] = 5.0
    stay_s: Annotated[float, Meta(ge=0.5, le=60.0, description="about how long it stays, up and at idle [s]")] = 3.0


class Source(Table, frozen=True, kw_only=True):
    """What plays the tones."""

    name: Name
    full_v: Annotated[float, Meta(ge=0.05, le=20.0, description="level of a 0 dBFS tone at full volume [V rms]")]
    rail_v: Annotated[float, Meta(ge=0.05, le=100.0, description="peak at which its tops are cut [V]")]
    knee: Annotated[float, Meta(ge=0.0, le=0.5, description="half-width of the bend, over rail_v; 0: hard")] = 0.0
    right_db: Annotated[float, Meta(ge=-20.0, le=20.0, description="right side over the left [dB]")] = 0.0
    steps: Annotated[int, Meta(ge=0, le=1000, description="steps of its volume, 0 for a smooth knob")] = 0
    step_db: Annotated[float, Meta(ge=0.01, le=6.0, description="size of a step [dB]")] = 1.0
    found_db: Annotated[float, Meta(ge=-80.0, le=0.0, description="volume as found, below full [dB]")] = -36.0
    whine_v: Annotated[float, Meta(ge=0.0, le=1.0, description="whine that its line picks up [V rms]")] = 0.0
    noise_v: Annotated[float, Meta(ge=0.0, le=1.0, description="broad noise on its line, to 20 kHz [V rms]")] = 0.0


class Link(Table, frozen=True, kw_only=True):
    """A level control or a cable."""

    name: Name
    after: Feed
    loss_db: Annotated[float, Meta(ge=0.0, le=60.0, description="what it loses on the left [dB]")] = 0.0
    right_db: Annotated[float, Meta(ge=-20.0, le=20.0, description="right side over the left [dB]")] = 0.0
    hum_v: Annotated[float, Meta(ge=0.0, le=1.0, description="hum of a ground loop behind it, each side [V rms]")] = 0.0
    hum_hz: Annotated[float, Meta(ge=45.0, le=65.0, description="frequency of the mains [Hz]")] = 50.0


class Channel(Table, frozen=True, kw_only=True):
    """One output of an amplifier."""

    gain_db: Annotated[float, Meta(ge=-20.0, le=80.0, description="gain with the pot fully up [dB]")]
    rail_v: Annotated[float, Meta(ge=1.0, le=400.0, description="peak it can reach at the supply's rest voltage [V]")]
    name: Annotated[str, Meta(max_length=24, description="name; empty only for the one output of an amplifier")] = ""
    side: Annotated[Sides, Meta(description="side that it plays; both: their mean")] = "both"
    pot: Annotated[str, Meta(max_length=24, description="name of its gain pot, empty for one of its own")] = ""
    found_db: Annotated[float, Meta(ge=-60.0, le=0.0, description="its pot as found, below fully up [dB]")] = 0.0
    knee: Annotated[float, Meta(ge=0.0, le=0.5, description="half-width of the bend, over rail_v; 0: hard")] = 0.0
    treble_db: Annotated[
        float, Meta(ge=0.0, le=12.0, description="what the rail loses in each octave above treble_hz [dB]")
    ] = 0.0
    treble_hz: Annotated[float, Meta(ge=10.0, le=20_000.0, description="from where on it loses it [Hz]")] = 1000.0
    second: Annotated[float, Meta(ge=0.0, le=0.1, description="second harmonic over the fundamental at the rail")] = 0.0
    dc_v: Annotated[float, Meta(ge=-50.0, le=50.0, description="d.c. at the output [V]")] = 0.0
    residue_v: Annotated[float, Meta(ge=0.0, le=20.0, description="switching residue [V peak]")] = 0.0
    residue_hz: Annotated[float, Meta(ge=20_000.0, le=44_000.0, description="where it is heard by a meter [Hz]")] = 38e3
    whine_v: Annotated[float, Meta(ge=0.0, le=2.0, description="whine of the alternator at the output [V rms]")] = 0.0
    noise_v: Annotated[float, Meta(ge=0.0, le=2.0, description="broad noise at the output, to 20 kHz [V rms]")] = 0.0
    subsonic_hz: Annotated[
        float, Meta(ge=0.0, le=20_000.0, description="corner of its subsonic filter [Hz], 0: none")
    ] = 0.0
    subsonic_slope: Annotated[Slope, Meta(description="how fast it falls [dB/octave]")] = 24
    high_pass_hz: Annotated[float, Meta(ge=0.0, le=20_000.0, description="corner of its high-pass [Hz], 0: none")] = 0.0
    high_pass_slope: Annotated[Slope, Meta(description="how fast it falls [dB/octave]")] = 24
    low_pass_hz: Annotated[float, Meta(ge=0.0, le=20_000.0, description="corner of its low-pass [Hz], 0: none")] = 0.0
    low_pass_slope: Annotated[Slope, Meta(description="how fast it falls [dB/octave]")] = 24
    filter_kind: Annotated[FilterKind, Meta(description="alignment: its corners at -3 dB, or at -6 dB")] = "butterworth"
    reversed: Annotated[Literal["no", "yes"], Meta(description="its terminals are swapped")] = "no"
    load_ohm: Annotated[float, Meta(ge=0.1, le=1000.0, description="speaker [ohm]")] = 4.0
    speaker: Annotated[Literal["off", "on"], Meta(description="the speaker is connected")] = "off"
    rail_ohm: Annotated[float, Meta(ge=0.0, le=10.0, description="resistance of the rails under load [ohm]")] = 0.0


class Amplifier(Table, frozen=True, kw_only=True):
    """One amplifier; its channels that name the same pot share it, and its setting as found is the first one's."""

    name: Name
    after: Feed
    channels: Annotated[tuple[Channel, ...], Meta(min_length=1, max_length=16, description="its outputs")]
    idle_a: Annotated[float, Meta(ge=0.0, le=50.0, description="current without a tone [A]")] = 1.5
    draw_a: Annotated[
        float, Meta(ge=0.0, le=50.0, description="more current at the rails without load, each channel [A]")
    ] = 0.3
    rails: Annotated[Literal["follow", "regulated"], Meta(description="whether rails follow the supply")] = "follow"


class Trouble(StrEnum):
    """What goes wrong once."""

    SLIP = "slip"
    """The clip slips off."""
    FADE = "fade"
    """The track fades out."""
    END = "end"
    """The track ends, and begins anew after a pause."""
    WRONG_TONE = "wrong tone"
    """The second person plays another tone than the one asked for."""
    WRONG_PLACE = "wrong place"
    """The leads are clipped onto another output than the one asked for."""


class Fault(Table, frozen=True, kw_only=True):
    """Something that goes wrong once, when the leads are on a place for the n-th time."""

    what: Annotated[Trouble, Meta(description="kind of fault")]
    place: Annotated[str, Meta(min_length=1, max_length=60, description="place, as the meter names it")]
    visit: Annotated[int, Meta(ge=1, le=1000, description="at which visit there, from 1")] = 1
    after_s: Annotated[float, Meta(ge=0.2, le=600.0, description="how long after clipping on [s]")] = 2.0
    lasts_s: Annotated[float, Meta(ge=0.2, le=60.0, description="length of a fade, or of the pause at an end [s]")] = (
        3.0
    )
    other: Annotated[str, Meta(max_length=60, description="tone played, or place clipped onto, instead")] = ""


class VehicleFile(Table, frozen=True, kw_only=True):
    """A whole vehicle."""

    name: Annotated[str, Meta(min_length=1, max_length=40, description="name of the vehicle")]
    source: Source
    amplifiers: Annotated[tuple[Amplifier, ...], Meta(min_length=1, max_length=16, description="amplifiers")]
    supply: Supply = Supply()
    engine: Engine = Engine()
    links: Annotated[tuple[Link, ...], Meta(max_length=32, description="links")] = ()
    faults: Annotated[tuple[Fault, ...], Meta(max_length=64, description="what goes wrong")] = ()


def load(path: Path) -> VehicleFile:
    """Read a vehicle file.

    Raises SettingsError with every fault, one a line.
    """
    return _made(read_toml(path, what=WHAT, error=SettingsError), f"{WHAT} {path}")


def loads(text: str) -> VehicleFile:
    """Return the vehicle that a TOML text describes; as `load`."""
    return _made(parse_toml(text.encode(), name=WHAT, error=SettingsError), WHAT)


def _made(document: Document, named: str) -> VehicleFile:
    faults = faults_in(document, VehicleFile)
    if not faults:
        # Of tables that have all their parts it can be said whether they fit together.
        faults = list(_disagreements(msgspec.convert(document.table, VehicleFile), document))
    if faults:
        raise SettingsError(listed(f"{named} cannot be used:", faults))
    return msgspec.convert(document.table, VehicleFile)


def _disagreements(vehicle: VehicleFile, document: Document) -> Iterator[str]:
    """Yield the faults of values that are fine each by itself but not together."""
    feeds = {vehicle.source.name: "", **{link.name: link.after for link in reversed(vehicle.links)}}
    taken = {vehicle.source.name: "source.name"}
    places: list[tuple[str, int, str, str]] = [
        *(("links", number, link.name, link.after) for number, link in enumerate(vehicle.links)),
        *(
            ("amplifiers", number, amplifier.name, amplifier.after)
            for number, amplifier in enumerate(vehicle.amplifiers)
        ),
    ]
    for key, number, name, after in places:
        at = document.at(key, number, "name")
        if name in taken:
            yield f"{at} is {shown(name)}, as is {taken[name]}; allowed is a name of its own; rename one of them"
        taken.setdefault(name, f"{key}[{number + 1}].name")
        if not _reaches(feeds, after, vehicle.source.name):
            yield (
                f"{document.at(key, number, 'after')} is {shown(after)}; allowed is a source or link that is "
                f"fed from {shown(vehicle.source.name)} in the end ({', '.join(feeds)}); correct it"
            )
    for number, amplifier in enumerate(vehicle.amplifiers):
        names: set[str] = set()
        for output, channel in enumerate(amplifier.channels):
            if channel.name in names:
                yield (
                    f"{document.at('amplifiers', number, 'channels', output, 'name')} is {shown(channel.name)}, and so "
                    "is another of this amplifier; allowed is a name of its own; rename one of them"
                )
            names.add(channel.name)
            yield from _filter_faults(channel, document, ("amplifiers", number, "channels", output))
    if vehicle.engine.top_rpm < vehicle.engine.idle_rpm:
        yield (
            f"{document.at('engine', 'top_rpm')} is {vehicle.engine.top_rpm:g}, below idle_rpm, "
            f"{vehicle.engine.idle_rpm:g}; allowed is that or more; correct one of them"
        )


def _filter_faults(channel: Channel, document: Document, path: tuple[str | int, ...]) -> Iterator[str]:
    corners = {key: getattr(channel, key) for key in ("subsonic_hz", "high_pass_hz", "low_pass_hz")}
    for key, hz in corners.items():
        if 0.0 < hz < LEAST_CORNER_HZ:
            yield (
                f"{document.at(*path, key)} is {hz:g}; allowed is 0 for no such filter, or from {LEAST_CORNER_HZ:g} "
                "to 20000; correct it"
            )
    low_hz = corners["low_pass_hz"]
    for key in ("subsonic_hz", "high_pass_hz"):
        if 0.0 < low_hz <= corners[key]:
            yield (
                f"{document.at(*path, key)} is {corners[key]:g} and its low_pass_hz {low_hz:g}: nothing passes; "
                "allowed is a low-pass above it; correct one of them"
            )


def _reaches(feeds: dict[str, str], name: str, source: str) -> bool:
    for _ in range(len(feeds) + 1):
        if name == source:
            return True
        name = feeds.get(name, "")
    return False


def check_against(vehicle: VehicleFile, plan: Plan) -> None:
    """Check that every place of the plan is in the vehicle.

    Raises SettingsError with every place that is missing.
    """
    amplifiers = {amplifier.name: amplifier for amplifier in vehicle.amplifiers}
    faults = []
    if plan.source.name != vehicle.source.name:
        faults.append(f"the plan's source {shown(plan.source.name)} is {shown(vehicle.source.name)} in the vehicle")
    links = {link.name for link in vehicle.links}
    faults += [f"the plan's link {shown(link.name)} is missing" for link in plan.links if link.name not in links]
    for amplifier in plan.amplifiers:
        if amplifier.name not in amplifiers:
            faults.append(f"the plan's amplifier {shown(amplifier.name)} is missing")
            continue
        held = {(channel.name, channel.side) for channel in amplifiers[amplifier.name].channels}
        faults += [
            f"output {shown(channel.name)} of {shown(amplifier.name)}, side {channel.side}, is missing"
            for channel in amplifier.channels
            if (channel.name, channel.side) not in held
        ]
    tones = {tone.name for tone in plan.tones}
    faults += [
        f"the tone {shown(fault.other)} of a fault is none of the plan's ({', '.join(tones)})"
        for fault in vehicle.faults
        if fault.what is Trouble.WRONG_TONE and fault.other not in tones
    ]
    if faults:
        raise SettingsError(
            listed(
                f"the vehicle {shown(vehicle.name)} does not fit the plan {shown(plan.name)}; use the same names:",
                faults,
            )
        )
