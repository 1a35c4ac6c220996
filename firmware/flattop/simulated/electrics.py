"""What a simulated vehicle puts between the meter's clips: closed forms of time and of what people have decided.

It does not matter in what portions a waveform is asked for: a decision takes effect later than what was asked for last,
and leaves the past as it was. Nothing here knows the meter.
"""

from __future__ import annotations

import math
import re
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple, Protocol

import numpy as np

from flattop.samples import FloatArray, Input
from flattop.simulated.vehicle_file import Amplifier, Channel, Fault, Link, Source, Trouble, VehicleFile

CONTACT_S = 1e-3
"""A clip leaves or finds its terminal within this time [s]."""
PICKUP_V = {Input.SPEAKER: 0.15, Input.LINE: 0.02}
"""Mains hum on a pair of open leads [V rms]."""
SUPPLY = "supply"
"""Name of the place where the amplifiers' supply can be measured."""
EFFICIENCY = 0.75
"""Of an amplifier that drives a load."""
START_S = 0.35
"""From choosing a track to its first sound [s]."""
CLICK_S = 2e-3
THD_HARMONICS = 40
"""Highest harmonic of the true THD."""

_CYCLE = 4096


def limited(volts: FloatArray, rails_v: FloatArray | float, knee: float = 0.0) -> FloatArray:
    """Return what an amplifier with these rails makes of a voltage.

    knee
        Half-width of the bend as a share of the rails: straight below `rails_v * (1 - knee)`, a parabola
        up to the rail, reached at `rails_v * (1 + knee)`. 0 is a hard clip.
    """
    if knee == 0.0:
        return np.clip(volts, -rails_v, rails_v)
    size = np.abs(volts)
    over = np.clip(size - rails_v * (1 - knee), 0.0, 2 * knee * rails_v)
    bent = size - over * over / (4 * knee * rails_v)
    return np.asarray(np.copysign(np.minimum(bent, rails_v), volts), dtype=np.float64)


class Course:
    """A quantity that people or faults change, on straight lines between the points set so far."""

    def __init__(self, value: float) -> None:
        self._at_s = [-math.inf]
        self._values = [value]

    def to(self, value: float, *, at_s: float, over_s: float) -> None:
        """Go to a value within a time from `at_s` on; what was planned for later is dropped."""
        start = float(self.at(np.array([at_s]))[0])
        keep = bisect_left(self._at_s, at_s)
        self._at_s[keep:] = [at_s, at_s + over_s]
        self._values[keep:] = [start, value]

    @property
    def last(self) -> tuple[float, float]:
        """When it comes to rest [s], and its value then."""
        return self._at_s[-1], self._values[-1]

    def at(self, times_s: FloatArray) -> FloatArray:
        """Return the value at each time, shape (n,); (1,) where it does not change."""
        first = max(bisect_right(self._at_s, times_s[0]) - 1, 0)
        stop = bisect_left(self._at_s, times_s[-1], lo=first) + 1
        values = self._values[first:stop]
        if all(value == values[0] for value in values):
            return np.array(values[:1])
        at_s = self._at_s[first:stop]
        if at_s[0] == -math.inf:
            at_s, values = at_s[1:], values[1:]
        return np.interp(times_s, at_s, values)


class NamedTone(Protocol):
    """A tone of a plan."""

    @property
    def name(self) -> str: ...  # noqa: D102
    @property
    def hz(self) -> float: ...  # noqa: D102
    @property
    def dbfs(self) -> float: ...  # noqa: D102


class _Play(NamedTuple):
    """A track from its first sound on."""

    at_s: float
    hz: float
    """As the player's own clock makes it."""
    peak: float
    """1 is digital full scale."""
    tone: str


_NOTHING = _Play(0.0, 1.0, 0.0, "")


class Spot(NamedTuple):
    """Two terminals that the leads can be clipped onto."""

    label: str
    """As the meter names it: amplifier and output, or source or link with L or R."""
    held: Source | Link | Channel | None
    """None: the supply."""
    side: str
    amplifier: Amplifier | None = None

    @property
    def input(self) -> Input:
        """Pair of leads that belongs there."""
        return Input.LINE if isinstance(self.held, Source | Link) else Input.SPEAKER


@dataclass(frozen=True)
class Truth:
    """What is true of a vehicle, for tests only. Labels are those of `Spot`."""

    ceilings_v: Mapping[tuple[str, str], float]
    """Output or source, and tone -> level at which its own THD crosses the limit [V rms]; infinite if never."""
    losses_db: Mapping[tuple[str, str], float]
    """Link and side -> loss [dB]."""
    sides_db: Mapping[str, float]
    """Source or link -> right side over the left at that place [dB]."""
    mismatches_db: Mapping[tuple[str, str], float]
    """Two outputs on one pot -> level of the second over the first, driven from the source [dB]."""
    source_clips: bool
    """The source reaches the limit at or below full volume, with its loudest tone."""
    faults: tuple[Fault, ...]


@dataclass(frozen=True, slots=True)
class _Drive:
    """Peak of the tone that the source is asked for [V], and the pots [dB]; shape (n,) or (1,)."""

    peak_v: FloatArray
    pots_db: Mapping[tuple[str, str], FloatArray]


class Vehicle:
    """A vehicle with its leads, its tracks, its volume and its gain pots, as they were moved.

    Same file, same tones, same seed and same decisions: same waveforms.
    """

    def __init__(self, file: VehicleFile, tones: Iterable[NamedTone], *, seed: int) -> None:
        rng = np.random.default_rng(seed)
        self.file = file
        self.tones = {tone.name: tone for tone in tones}
        self._clock = 1 + float(rng.uniform(-30e-6, 30e-6))  # the player's own crystal
        self._phases = {name: float(rng.uniform(0, 2 * np.pi)) for name in ("whine", "hum", "residue")}
        self._links = {link.name: link for link in file.links}
        self.spots = self._find_spots()
        self._gains = {spot.label: self._gain_of(spot) for spot in self.spots}
        self.volume = Course(file.source.found_db)
        """Below full [dB]."""
        self.pots: dict[tuple[str, str], Course] = {}
        for spot in self.spots:
            if isinstance(spot.held, Channel):
                self.pots.setdefault(self.pot_of(spot), Course(spot.held.found_db))
        self._plays: list[_Play] = []
        self._loud = Course(0.0)
        """Envelope of what is played, 0 to 1."""
        self._contacts: dict[Input, list[tuple[float, Spot | None]]] = {
            Input.SPEAKER: [(-math.inf, None)],
            Input.LINE: [(-math.inf, None)],
        }
        self._last: dict[Input, Spot | None] = {Input.SPEAKER: None, Input.LINE: None}
        self.visits: dict[str, int] = {}
        self._asked_s = -math.inf
        self.happened: list[tuple[float, Fault]] = []
        """Faults that have come about, with their times [s]."""

    # -- what people do ---------------------------------------------------------------------------------------------

    def spot(self, label: str) -> Spot | None:
        """Return the place that the meter calls so, None if there is none; a line without a side is its left one."""
        text = " ".join(label.casefold().split())
        spelt = re.sub(r" (left|right)$", lambda side: side[0][:2], text)
        places = {spot.label.casefold(): spot for spot in self.spots}
        return next((places[name] for name in (text, spelt, f"{text} l") if name in places), None)

    def clip(self, input: Input, label: str | None, at_s: float, *, bounces_s: Sequence[float] = ()) -> None:
        """Clip a pair of leads onto a place at a time, None: take it off. What was planned for later is dropped.

        bounces_s : times after `at_s` at which the contact is lost and found in turn, an even number of them [s]
        """
        self._later(at_s)
        spot = None if label is None else self.spot(label)
        if label is not None and spot is None:
            raise KeyError(f"the vehicle has no place {label!r}; it has {', '.join(spot.label for spot in self.spots)}")
        course = self._contacts[input]
        while course[-1][0] >= at_s:
            course.pop()
        self.happened = [(s, fault) for s, fault in self.happened if fault.what is not Trouble.SLIP or s < at_s]
        course.append((at_s, spot))
        course += [(at_s + s, spot if number % 2 else None) for number, s in enumerate(bounces_s)]
        if spot is not None and spot is not self._last[input]:
            self.visits[spot.label] = self.visits.get(spot.label, 0) + 1
            self._let_go_wrong(input, spot, course[-1][0])
        self._last[input] = spot if spot is not None else self._last[input]

    def play(self, tone: str, at_s: float) -> None:
        """Choose a track; it is heard START_S later, and again and again. What was planned for later is dropped."""
        self._later(at_s)
        recorded = self.tones[tone]
        while self._plays and self._plays[-1].at_s >= at_s + START_S:
            self._plays.pop()
        of_track = {Trouble.FADE, Trouble.END}
        self.happened = [(s, fault) for s, fault in self.happened if fault.what not in of_track or s < at_s]
        self._loud.to(0.0, at_s=at_s, over_s=CLICK_S)
        self._loud.to(1.0, at_s=at_s + START_S, over_s=CLICK_S)
        self._plays.append(_Play(at_s + START_S, recorded.hz * self._clock, 10 ** (recorded.dbfs / 20), tone))

    @property
    def playing(self) -> str:
        """Name of the tone that was chosen last, empty before the first."""
        return self._plays[-1].tone if self._plays else ""

    def turn_volume(self, to_db: float, *, at_s: float, over_s: float) -> None:
        """Turn the volume [dB below full]."""
        self._later(at_s)
        self.volume.to(min(to_db, 0.0), at_s=at_s, over_s=over_s)

    def pot_of(self, spot: Spot) -> tuple[str, str]:
        """Return the name of the pot that sets an output: of its amplifier, and its own."""
        if not isinstance(spot.held, Channel) or spot.amplifier is None:
            raise TypeError(f"{spot.label} has no gain pot")
        return spot.amplifier.name, spot.held.pot or f"of {spot.held.name}"

    def turn_pot(self, spot: Spot, to_db: float, *, at_s: float, over_s: float) -> None:
        """Turn the gain pot of an output [dB below fully up]."""
        self._later(at_s)
        self.pots[self.pot_of(spot)].to(min(max(to_db, -60.0), 0.0), at_s=at_s, over_s=over_s)

    def _later(self, at_s: float) -> None:
        if at_s <= self._asked_s:
            raise ValueError(f"a decision for {at_s:.4f} s comes too late: {self._asked_s:.4f} s is worked out already")

    def _let_go_wrong(self, input: Input, spot: Spot, at_s: float) -> None:
        """Plan the faults that belong to this visit; mistakes of people are theirs to make."""
        for fault in self.file.faults:
            if self.spot(fault.place) is not spot or fault.visit != self.visits[spot.label]:
                continue
            then_s = at_s + fault.after_s
            if fault.what is Trouble.SLIP:
                self._contacts[input].append((then_s, None))
            elif fault.what is Trouble.FADE:
                self._loud.to(0.0, at_s=then_s, over_s=fault.lasts_s)
            elif fault.what is Trouble.END:
                self._loud.to(0.0, at_s=then_s, over_s=CLICK_S)
                self._loud.to(1.0, at_s=then_s + fault.lasts_s, over_s=CLICK_S)
            else:
                continue
            self.happened.append((float(then_s), fault))

    # -- what the meter sees ----------------------------------------------------------------------------------------

    def speaker(self, times_s: FloatArray) -> FloatArray:
        """Return the voltage on the speaker leads [V]."""
        return self._leads(Input.SPEAKER, times_s)

    def line(self, times_s: FloatArray) -> FloatArray:
        """Return the voltage on the line leads [V]."""
        return self._leads(Input.LINE, times_s)

    def _leads(self, input: Input, times_s: FloatArray) -> FloatArray:
        self._asked_s = max(self._asked_s, float(times_s[-1]))
        course = self._contacts[input]
        first = bisect_right(course, times_s[0] - CONTACT_S, key=lambda contact: contact[0]) - 1
        stop = bisect_right(course, times_s[-1], key=lambda contact: contact[0])
        if stop - first == 1:
            spot = course[first][1]
            return self._hum(input, times_s) if spot is None else self.at(spot, times_s)
        volts, rest = np.zeros_like(times_s), np.ones_like(times_s)
        for number in range(first, stop):
            begin_s, spot = course[number]
            if spot is None:
                continue
            share = np.clip((times_s - begin_s) / CONTACT_S, 0.0, 1.0)
            if number + 1 < len(course):
                share -= np.clip((times_s - course[number + 1][0]) / CONTACT_S, 0.0, 1.0)
            share = np.maximum(share, 0.0)
            volts += share * self.at(spot, times_s)
            rest -= share
        return np.asarray(volts + np.clip(rest, 0.0, 1.0) * self._hum(input, times_s), dtype=np.float64)

    def _hum(self, input: Input, times_s: FloatArray) -> FloatArray:
        peak_v = math.sqrt(2) * PICKUP_V[input]
        return np.asarray(peak_v * np.sin(2 * np.pi * 50 * times_s + self._phases["hum"]), dtype=np.float64)

    def at(self, spot: Spot, times_s: FloatArray) -> FloatArray:
        """Return the voltage at a place, leads or none [V], shape (n,)."""
        first = bisect_right(self._plays, times_s[0], key=lambda play: play.at_s)
        stop = bisect_right(self._plays, times_s[-1], key=lambda play: play.at_s)
        if first == stop:
            return self._played(spot, times_s, self._plays[first - 1] if first else _NOTHING)
        cuts = np.searchsorted(times_s, [play.at_s for play in self._plays[first:stop]])
        pieces = zip(
            np.split(times_s, cuts),
            [self._plays[first - 1] if first else _NOTHING, *self._plays[first:stop]],
            strict=True,
        )
        return np.concatenate([self._played(spot, piece, play) for piece, play in pieces if piece.size])

    def _played(self, spot: Spot, times_s: FloatArray, play: _Play) -> FloatArray:
        """Return the voltage at a place while one track is on [V]."""
        drive = self._drive(times_s, play.peak)
        supply = self.file.supply
        if spot.held is None:
            return self._supply_v(drive.peak_v, drive.pots_db) + self._whine(supply.whine_v, times_s)
        wave = self._wave(spot, drive, np.sin(2 * np.pi * play.hz * (times_s - play.at_s)), play.hz)
        if not isinstance(spot.held, Channel):
            return wave + self._whine(self.file.source.whine_v * self._gain(spot), times_s)
        channel = spot.held
        wave += channel.dc_v + self._whine(channel.whine_v, times_s)
        if channel.residue_v:
            wave += channel.residue_v * np.sin(2 * np.pi * channel.residue_hz * times_s + self._phases["residue"])
        return wave

    def _whine(self, rms_v: float, times_s: FloatArray) -> FloatArray:
        """Return what the alternator adds [V]."""
        if rms_v == 0.0:
            return np.zeros_like(times_s)
        phase = 2 * np.pi * self.file.supply.whine_hz * times_s + self._phases["whine"]
        return np.asarray(math.sqrt(2) * rms_v * np.sin(phase), dtype=np.float64)

    def _drive(self, times_s: FloatArray, peak: float) -> _Drive:
        """Return how hard the source is driven, and how far the pots are up."""
        level = peak * self._loud.at(times_s) * 10 ** (self.volume.at(times_s) / 20)
        pots_db = {name: pot.at(times_s) for name, pot in self.pots.items()}
        return _Drive(level * math.sqrt(2) * self.file.source.full_v, pots_db)

    # -- what makes the waveform ------------------------------------------------------------------------------------

    def _wave(
        self, spot: Spot, drive: _Drive, sine: FloatArray, hz: float, *, ideal_source: bool = False
    ) -> FloatArray:
        """Return the tone at a place [V], `sine` being the unit sine that is played."""
        source = self.file.source
        line_v = drive.peak_v * sine
        peak_v = drive.peak_v
        if not ideal_source:
            line_v = limited(line_v, source.rail_v, source.knee)
            peak_v = np.minimum(peak_v, source.rail_v)
        if not isinstance(spot.held, Channel):
            return np.asarray(self._gain(spot) * line_v, dtype=np.float64)
        channel = spot.held
        gain = self._gain(spot) * 10 ** (drive.pots_db[self.pot_of(spot)] / 20)
        volts, peak_v = gain * line_v, gain * peak_v
        rail_v = self._rail_v(spot, drive, hz)
        if channel.second:
            volts = volts + 2 * channel.second * (volts * volts - peak_v * peak_v / 2) / rail_v
        return limited(volts, rail_v, channel.knee)

    def _gain(self, spot: Spot) -> float:
        """Return the gain from the left side of the source to a place, pots fully up."""
        return self._gains[spot.label]

    def _gain_of(self, spot: Spot) -> float:
        if isinstance(spot.held, Channel) and spot.amplifier is not None:
            feed = spot.amplifier.after
            sides = [spot.side] if spot.side else ["left", "right"]
            own_db = spot.held.gain_db
        else:
            feed, own_db = "", 0.0
            if isinstance(spot.held, Source | Link):
                feed = spot.held.name
            sides = [spot.side or "left"]
        return float(np.mean([10 ** ((own_db + self._line_db(feed, side)) / 20) for side in sides]))

    def _line_db(self, name: str, side: str) -> float:
        """Return the level of a line on one side over the source's left [dB]."""
        total_db = 0.0
        while name in self._links:
            link = self._links[name]
            total_db += (link.right_db if side == "right" else 0.0) - link.loss_db
            name = link.after
        return total_db + (self.file.source.right_db if side == "right" else 0.0)

    def _rail_v(self, spot: Spot, drive: _Drive, hz: float) -> FloatArray:
        """Return the peak that an output can reach [V]: with the supply, the load and the frequency."""
        channel = spot.held
        if not isinstance(channel, Channel) or spot.amplifier is None:
            raise TypeError(f"{spot.label} is no output")
        octaves = max(math.log2(hz / channel.treble_hz), 0.0)
        rail_v = channel.rail_v * 10 ** (-channel.treble_db * octaves / 20)
        if spot.amplifier.rails == "regulated":
            sagged = np.array([rail_v])
        else:
            sagged = rail_v * self._supply_v(drive.peak_v, drive.pots_db) / self.file.supply.rest_v
        if channel.speaker == "on" and channel.rail_ohm:
            peak_v = self._peak_v(spot, drive.peak_v, drive.pots_db)
            sagged = sagged - channel.rail_ohm * peak_v / channel.load_ohm / math.pi
        return np.asarray(np.maximum(sagged, 0.1), dtype=np.float64)

    def _peak_v(self, spot: Spot, drive_v: FloatArray, pots_db: Mapping[tuple[str, str], FloatArray]) -> FloatArray:
        """Return about what peak an output has [V], its rails taken as stiff."""
        peak_v = self._gain(spot) * 10 ** (pots_db[self.pot_of(spot)] / 20) * drive_v
        return np.minimum(peak_v, spot.held.rail_v) if isinstance(spot.held, Channel) else peak_v

    def _supply_v(self, drive_v: FloatArray, pots_db: Mapping[tuple[str, str], FloatArray]) -> FloatArray:
        """Return the d.c. at the amplifiers [V]: at rest, less what their current with this tone costs."""
        supply = self.file.supply
        current_a = np.zeros(1)
        for spot in self.spots:
            if isinstance(spot.held, Channel) and spot.amplifier is not None:
                peak_v = self._peak_v(spot, drive_v, pots_db)
                current_a = current_a + spot.amplifier.draw_a * (peak_v / spot.held.rail_v) ** 2
                if spot.held.speaker == "on":
                    current_a = current_a + peak_v**2 / (2 * spot.held.load_ohm) / EFFICIENCY / supply.rest_v
        return np.asarray(np.maximum(supply.rest_v - supply.ohm * current_a, 1.0), dtype=np.float64)

    def _find_spots(self) -> list[Spot]:
        held_lines: tuple[Source | Link, ...] = (self.file.source, *self.file.links)
        lines = [
            Spot(f"{held.name} {side[0].upper()}", held, side) for held in held_lines for side in ("left", "right")
        ]
        outputs = []
        for amplifier in self.file.amplifiers:
            for channel in amplifier.channels:
                side = "" if channel.side == "both" else channel.side
                outputs.append(Spot(f"{amplifier.name} {channel.name}".rstrip(), channel, side, amplifier))
        return [*lines, *outputs, Spot(SUPPLY, None, "")]

    # -- the truth, for tests ---------------------------------------------------------------------------------------

    def truth(self, *, limit_pct: float, at_s: float = math.inf) -> Truth:
        """Return what is true with the pots as they are at a time, `at_s`; the levels are those without residue."""
        outputs = [spot for spot in self.spots if isinstance(spot.held, Channel)]
        sources = [spot for spot in self.spots if isinstance(spot.held, Source)]
        tones = list(self.tones.values())
        loudest = max(tones, key=lambda tone: tone.dbfs)
        at = np.array([min(at_s, 1e12)])
        pots_db = {name: pot.at(at) for name, pot in self.pots.items()}
        levels_db = {
            spot.label: 20 * math.log10(self._gain(spot)) + float(pots_db[self.pot_of(spot)][0]) for spot in outputs
        }
        full_v = math.sqrt(2) * self.file.source.full_v * 10 ** (loudest.dbfs / 20)
        first_source = sources[0]
        return Truth(
            ceilings_v={
                (spot.label, tone.name): self._ceiling_v(spot, tone.hz, limit_pct, pots_db)
                for spot in (*sources, *outputs)
                for tone in tones
            },
            losses_db={
                (link.name, side): self._line_db(link.after, side) - self._line_db(link.name, side)
                for link in self.file.links
                for side in ("left", "right")
            },
            sides_db={
                name: self._line_db(name, "right") - self._line_db(name, "left")
                for name in (self.file.source.name, *self._links)
            },
            mismatches_db={
                (one.label, two.label): levels_db[two.label] - levels_db[one.label]
                for number, one in enumerate(outputs)
                for two in outputs[number + 1 :]
                if self.pot_of(one) == self.pot_of(two)
            },
            source_clips=self._thd_pct(first_source, full_v, loudest.hz, pots_db)[0] >= limit_pct,
            faults=self.file.faults,
        )

    def _ceiling_v(
        self, spot: Spot, hz: float, limit_pct: float, pots_db: Mapping[tuple[str, str], FloatArray]
    ) -> float:
        """Return the level at which the THD made at a place itself crosses a limit [V rms], by halving."""
        low_v, high_v = 1e-3, 1e4  # drive of the source: far below and far above
        if self._thd_pct(spot, high_v, hz, pots_db)[0] < limit_pct:
            return math.inf
        while high_v / low_v > 1 + 1e-6:
            middle_v = math.sqrt(low_v * high_v)
            if self._thd_pct(spot, middle_v, hz, pots_db)[0] < limit_pct:
                low_v = middle_v
            else:
                high_v = middle_v
        return self._thd_pct(spot, low_v, hz, pots_db)[1]

    def _thd_pct(
        self, spot: Spot, drive_v: float, hz: float, pots_db: Mapping[tuple[str, str], FloatArray]
    ) -> tuple[float, float]:
        """Return THD_F [%] and a.c. level [V rms] of one cycle at a place, an output's source being perfect."""
        sine = np.sin(2 * np.pi * np.arange(_CYCLE) / _CYCLE)
        drive = _Drive(np.array([drive_v]), pots_db)
        wave = self._wave(spot, drive, sine, hz, ideal_source=isinstance(spot.held, Channel))
        lines = np.abs(np.fft.rfft(wave)[1 : THD_HARMONICS + 1])
        return 100 * float(np.linalg.norm(lines[1:]) / lines[0]), float(np.std(wave))
