"""The stages of a simulated vehicle: what source, links, filters and amplifiers make of a tone, and the truth of them.

Everything is a closed form of what is put in; nothing here knows of leads, hands or the meter.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple, Protocol

import numpy as np

from flattop.samples import ComplexArray, FloatArray, Input
from flattop.simulated import filters
from flattop.simulated.courses import Course
from flattop.simulated.noises import Noises
from flattop.simulated.vehicle_file import Amplifier, Channel, Fault, Link, Source, VehicleFile

SUPPLY = "supply"
"""Name of the place where the amplifiers' supply can be measured."""
EFFICIENCY = 0.75
"""Of an amplifier that drives a load."""
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


class NamedTone(Protocol):
    """A tone of a plan."""

    @property
    def name(self) -> str: ...  # noqa: D102
    @property
    def hz(self) -> float: ...  # noqa: D102
    @property
    def dbfs(self) -> float: ...  # noqa: D102


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


class Parts(NamedTuple):
    """What a place carries while nothing plays, each kind by itself [V rms]; `noise_v` from 20 Hz to 20 kHz."""

    hum_v: float
    whine_v: float
    noise_v: float
    residue_v: float


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
    """Two outputs on one pot -> level of the second over the first, driven from the source, filters left out [dB]."""
    source_clips: bool
    """The source reaches the limit at or below full volume, with its loudest tone."""
    faults: tuple[Fault, ...]
    gains_db: Mapping[tuple[str, str], float]
    """Output and tone -> level over that of the line it is fed from, the mean of its sides; with its filters [dB]."""
    polarity: Mapping[str, int]
    """Output -> 1, or -1 where its terminals are swapped."""
    corners: Mapping[tuple[str, str], filters.Corner]
    """Output and filter ("subsonic", "high-pass", "low-pass") -> where it cuts, the other filters left out."""
    parts: Mapping[str, Parts]
    """Place -> what it carries without a tone."""


@dataclass(frozen=True, slots=True)
class Drive:
    """Peak of the tone that the source is asked for [V], its frequency [Hz], and the pots [dB]; (n,) or (1,) each.

    times_s : when, shape (n,), or (1,) where nothing moves
    """

    peak_v: FloatArray
    hz: FloatArray
    pots_db: Mapping[tuple[str, str], FloatArray]
    times_s: FloatArray


class Chain:
    """Source, links, filters and amplifiers of a vehicle, with the knobs of the amplifiers.

    phases : of residue, "whine" and "hum" [rad]
    """

    def __init__(self, file: VehicleFile, *, seed: int, phases: dict[str, float]) -> None:
        self.file = file
        self._links = {link.name: link for link in file.links}
        self._residue_phase = phases["residue"]
        self.noises = Noises(file, seed=seed, phases=phases)
        self.spots = self._find_spots()
        self._numbers = {spot.label: number for number, spot in enumerate(self.spots)}
        self.gains = {spot.label: self._gain_of(spot) for spot in self.spots}
        """Place -> level over the left side of the source, pots fully up and filters left out."""
        self._hums = {spot.label: self._hums_of(spot) for spot in self.spots}
        self.pots: dict[tuple[str, str], Course] = {}
        self.filters: dict[str, tuple[filters.Filter, ...]] = {}
        """Output -> its filters; outputs without one are not in it."""
        self._outputs: list[tuple[Spot, Amplifier, Channel]] = []
        self._pots_of: dict[str, tuple[str, str]] = {}
        for spot in self.spots:
            if isinstance(spot.held, Channel) and spot.amplifier is not None:
                self._outputs.append((spot, spot.amplifier, spot.held))
                self._pots_of[spot.label] = pot_of(spot)
                self.pots.setdefault(pot_of(spot), Course(spot.held.found_db))
                if found := filters.filters_of(spot.held):
                    self.filters[spot.label] = found

    # -- what lies between source and terminals ---------------------------------------------------------------------

    def at(self, spot: Spot, drive: Drive, radians: FloatArray) -> FloatArray:
        """Return the voltage at a place [V], shape (n,), `radians` being the phase of the tone at `drive.times_s`."""
        times_s, noises, supply = drive.times_s, self.noises, self.file.supply
        number = self._numbers[spot.label]
        if spot.held is None:
            whine_v = noises.whine(supply.whine_v, times_s) if supply.whine_v else np.zeros_like(times_s)
            return self.supply_v(drive) + whine_v
        if not isinstance(spot.held, Channel):
            source, gain = self.file.source, self.gains[spot.label]
            wave = self.wave(spot, drive, radians)
            if source.whine_v:
                wave += noises.whine(source.whine_v * gain, times_s)
            if self._hums[spot.label]:
                wave += self._hum(spot, drive)
            if source.noise_v:
                wave += noises.broad(source.noise_v * gain, number, times_s)
            return wave
        channel = spot.held
        hum_v = self._hum(spot, drive) if self._hums[spot.label] else None
        wave = self.wave(spot, drive, radians, hum_v=hum_v)
        wave += channel.dc_v
        if channel.whine_v:
            wave += noises.whine(channel.whine_v, times_s)
        if channel.residue_v:
            wave += channel.residue_v * np.sin(2 * np.pi * channel.residue_hz * times_s + self._residue_phase)
        if channel.noise_v:
            wave += noises.broad(channel.noise_v, number, times_s)
        return -wave if channel.reversed == "yes" else wave

    def wave(
        self,
        spot: Spot,
        drive: Drive,
        radians: FloatArray,
        *,
        hum_v: FloatArray | None = None,
        ideal_source: bool = False,
    ) -> FloatArray:
        """Return the tone at a place [V], and at an output the hum that is amplified with it."""
        source = self.file.source
        filtering = self.filters.get(spot.label)
        peak_v = drive.peak_v if ideal_source else np.minimum(drive.peak_v, source.rail_v)
        if filtering is None:
            line_v = drive.peak_v * np.sin(radians)
            if not ideal_source:
                line_v = limited(line_v, source.rail_v, source.knee)
        else:
            line_v, peak_v = self._filtered(filtering, drive, radians, peak_v, ideal_source=ideal_source)
        if not isinstance(spot.held, Channel):
            return np.asarray(self.gains[spot.label] * line_v, dtype=np.float64)
        channel = spot.held
        gain = self.gains[spot.label] * 10 ** (drive.pots_db[pot_of(spot)] / 20)
        volts, peak_v = gain * line_v, gain * peak_v
        rail_v = self._rail_v(spot, drive)
        if channel.second:
            volts = volts + 2 * channel.second * (volts * volts - peak_v * peak_v / 2) / rail_v
        return limited(volts if hum_v is None else volts + hum_v, rail_v, channel.knee)

    def _filtered(
        self,
        filtering: tuple[filters.Filter, ...],
        drive: Drive,
        radians: FloatArray,
        peak_v: FloatArray,
        *,
        ideal_source: bool,
    ) -> tuple[FloatArray, FloatArray]:
        """Return the line as an output's filters leave it, and its peak [V]; tops cut at the source are no longer."""
        source = self.file.source
        turned = filters.gain(filtering, drive.hz, drive.times_s)
        level = np.abs(turned)
        whole = drive.peak_v <= source.rail_v * self._source_lines.onset
        if ideal_source or whole.all():
            return drive.peak_v * level * np.sin(radians + np.angle(turned)), level * peak_v
        clipped = limited(drive.peak_v * np.sin(radians), source.rail_v, source.knee)
        lines = source.rail_v * self._source_lines.at(drive.peak_v / source.rail_v)
        return filters.filtered(clipped, lines, filtering, (radians, drive.hz, drive.times_s)), level * peak_v

    @cached_property
    def _source_lines(self) -> filters.ClippedLines:
        knee = self.file.source.knee
        return filters.ClippedLines(lambda volts: limited(volts, 1.0, knee), knee)

    def _rail_v(self, spot: Spot, drive: Drive) -> FloatArray:
        """Return the peak that an output can reach [V]: with the supply, the load and the frequency."""
        channel = spot.held
        if not isinstance(channel, Channel) or spot.amplifier is None:
            raise TypeError(f"{spot.label} is no output")
        rail_v = np.full(1, channel.rail_v)
        if channel.treble_db:
            octaves = np.maximum(np.log2(drive.hz / channel.treble_hz), 0.0)
            rail_v = rail_v * 10 ** (-channel.treble_db * octaves / 20)
        if spot.amplifier.rails == "follow":
            rail_v = rail_v * self.supply_v(drive) / self.file.supply.rest_v
        if channel.speaker == "on" and channel.rail_ohm:
            rail_v = rail_v - channel.rail_ohm * self._peak_v(spot, channel, drive) / channel.load_ohm / math.pi
        return np.asarray(np.maximum(rail_v, 0.1), dtype=np.float64)

    def _peak_v(self, spot: Spot, channel: Channel, drive: Drive) -> FloatArray:
        """Return about what peak an output has [V], its rails taken as stiff."""
        peak_v = self.gains[spot.label] * 10 ** (drive.pots_db[self._pots_of[spot.label]] / 20) * drive.peak_v
        if spot.label in self.filters:
            peak_v = peak_v * np.abs(filters.gain(self.filters[spot.label], drive.hz, drive.times_s))
        return np.minimum(peak_v, channel.rail_v)

    def supply_v(self, drive: Drive) -> FloatArray:
        """Return the d.c. at the amplifiers [V]: at rest, less what their current with this tone costs."""
        supply = self.file.supply
        current_a = np.zeros(1)
        for spot, amplifier, channel in self._outputs:
            peak_v = self._peak_v(spot, channel, drive)
            current_a = current_a + amplifier.draw_a * (peak_v / channel.rail_v) ** 2
            if channel.speaker == "on":
                current_a = current_a + peak_v**2 / (2 * channel.load_ohm) / EFFICIENCY / supply.rest_v
        return np.asarray(np.maximum(supply.rest_v - supply.ohm * current_a, 1.0), dtype=np.float64)

    def _hum(self, spot: Spot, drive: Drive) -> FloatArray:
        """Return the hum of ground loops at a place [V], an output's filters and pot counted, its rails not."""
        total = np.zeros_like(drive.times_s)
        for rms_v, mains_hz in self._hums[spot.label]:
            for hz, peak_v, phase in zip(*self.noises.hum_lines(rms_v, mains_hz), strict=True):
                turned = self.filter_gain(spot, np.array([hz]), drive.times_s)
                radians = 2 * np.pi * hz * drive.times_s + phase
                total += peak_v * np.abs(turned) * np.sin(radians + np.angle(turned))
        if isinstance(spot.held, Channel):
            total *= 10 ** (drive.pots_db[pot_of(spot)] / 20)
        return total

    def filter_gain(self, spot: Spot, hz: FloatArray, times_s: FloatArray) -> ComplexArray:
        """Return gain and phase of a place's filters at a frequency, shape (1,) or (n,); 1 where it has none."""
        return filters.gain(self.filters.get(spot.label, ()), hz, times_s)

    def drive(self, peak_v: FloatArray, hz: FloatArray, times_s: FloatArray) -> Drive:
        """Return a drive of the source with the pots as they are at these times."""
        return Drive(peak_v, hz, {name: pot.at(times_s) for name, pot in self.pots.items()}, times_s)

    # -- gains ------------------------------------------------------------------------------------------------------

    def _gain_of(self, spot: Spot) -> float:
        own_db = spot.held.gain_db if isinstance(spot.held, Channel) else 0.0
        return float(np.mean([10 ** ((own_db + self.line_db(feed_of(spot), side)) / 20) for side in _sides(spot)]))

    def _hums_of(self, spot: Spot) -> list[tuple[float, float]]:
        """Return level [V rms] and mains frequency [Hz] of each ground loop that is heard at a place, pots fully up."""
        own_db = spot.held.gain_db if isinstance(spot.held, Channel) else 0.0
        feed = name = feed_of(spot)
        hums = []
        while name in self._links:
            link = self._links[name]
            if link.hum_v:
                over_db = [self.line_db(feed, side) - self.line_db(name, side) for side in _sides(spot)]
                gain = float(np.mean([10 ** ((own_db + db) / 20) for db in over_db]))
                hums.append((link.hum_v * gain, link.hum_hz))
            name = link.after
        return hums

    def line_db(self, name: str, side: str) -> float:
        """Return the level of a line on one side over the source's left [dB]."""
        total_db = 0.0
        while name in self._links:
            link = self._links[name]
            total_db += (link.right_db if side == "right" else 0.0) - link.loss_db
            name = link.after
        return total_db + (self.file.source.right_db if side == "right" else 0.0)

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

    def truth(self, tones: Iterable[NamedTone], *, limit_pct: float, at_s: float) -> Truth:
        """Return what is true with the knobs as they are at a time; the levels are those without residue and hum."""
        tones = list(tones)
        outputs = [spot for spot in self.spots if isinstance(spot.held, Channel)]
        sources = [spot for spot in self.spots if isinstance(spot.held, Source)]
        loudest = max(tones, key=lambda tone: tone.dbfs)
        at = np.array([min(at_s, 1e12)])
        pots_db = {spot.label: float(self.pots[pot_of(spot)].at(at)[0]) for spot in outputs}
        levels_db = {spot.label: 20 * math.log10(self.gains[spot.label]) + pots_db[spot.label] for spot in outputs}
        full_v = math.sqrt(2) * self.file.source.full_v * 10 ** (loudest.dbfs / 20)
        return Truth(
            ceilings_v={
                (spot.label, tone.name): self._ceiling_v(spot, tone.hz, limit_pct, at)
                for spot in (*sources, *outputs)
                for tone in tones
            },
            losses_db={
                (link.name, side): self.line_db(link.after, side) - self.line_db(link.name, side)
                for link in self.file.links
                for side in ("left", "right")
            },
            sides_db={
                name: self.line_db(name, "right") - self.line_db(name, "left")
                for name in (self.file.source.name, *self._links)
            },
            mismatches_db={
                (one.label, two.label): levels_db[two.label] - levels_db[one.label]
                for number, one in enumerate(outputs)
                for two in outputs[number + 1 :]
                if pot_of(one) == pot_of(two)
            },
            source_clips=self.thd_pct(sources[0], full_v, loudest.hz, at)[0] >= limit_pct,
            faults=self.file.faults,
            gains_db={
                (spot.label, tone.name): levels_db[spot.label]
                + 20 * math.log10(abs(self.filter_gain(spot, np.array([tone.hz]), at)[0]))
                - 20 * math.log10(np.mean([10 ** (self.line_db(feed_of(spot), side) / 20) for side in _sides(spot)]))
                for spot in outputs
                for tone in tones
            },
            polarity={
                spot.label: -1 if isinstance(spot.held, Channel) and spot.held.reversed == "yes" else 1
                for spot in outputs
            },
            corners={
                (label, one.which): one.corner(float(at[0])) for label, held in self.filters.items() for one in held
            },
            parts={spot.label: self._parts(spot, at) for spot in self.spots},
        )

    def _parts(self, spot: Spot, at: FloatArray) -> Parts:
        """Return what a place carries without a tone, its rails far away."""
        held = spot.held
        if held is None:
            return Parts(0.0, self.file.supply.whine_v, 0.0, 0.0)
        pot = 10 ** (self.pots[pot_of(spot)].at(at)[0] / 20) if isinstance(held, Channel) else 1.0
        # Two loops of one mains frequency go up and down together: their volts add.
        lines: dict[tuple[float, float], float] = {}
        for rms_v, mains_hz in self._hums[spot.label]:
            for hz, peak_v, _ in zip(*self.noises.hum_lines(rms_v, mains_hz), strict=True):
                through = float(abs(self.filter_gain(spot, np.array([hz]), at)[0]))
                lines[mains_hz, hz] = lines.get((mains_hz, hz), 0.0) + float(peak_v * pot * through)
        hum_v = math.sqrt(sum(peak_v**2 for peak_v in lines.values()) / 2)
        if isinstance(held, Channel):
            return Parts(hum_v, held.whine_v, held.noise_v, held.residue_v / math.sqrt(2))
        source, gain = self.file.source, self.gains[spot.label]
        return Parts(hum_v, source.whine_v * gain, source.noise_v * gain, 0.0)

    def _ceiling_v(self, spot: Spot, hz: float, limit_pct: float, at: FloatArray) -> float:
        """Return the level at which the THD made at a place itself crosses a limit [V rms], by halving."""
        low_v, high_v = 1e-3, 1e4  # drive of the source: far below and far above
        if self.thd_pct(spot, high_v, hz, at)[0] < limit_pct:
            return math.inf
        while high_v / low_v > 1 + 1e-6:
            middle_v = math.sqrt(low_v * high_v)
            if self.thd_pct(spot, middle_v, hz, at)[0] < limit_pct:
                low_v = middle_v
            else:
                high_v = middle_v
        return self.thd_pct(spot, low_v, hz, at)[1]

    def thd_pct(self, spot: Spot, drive_v: float, hz: float, at: FloatArray) -> tuple[float, float]:
        """Return THD_F [%] and a.c. level [V rms] of one cycle at a place, an output's source being perfect.

        drive_v : peak that the source is asked for [V]
        at : time of the knobs [s], shape (1,)
        """
        drive = self.drive(np.array([drive_v]), np.array([hz]), at)
        radians = 2 * np.pi * np.arange(_CYCLE) / _CYCLE
        wave = self.wave(spot, drive, radians, ideal_source=isinstance(spot.held, Channel))
        lines = np.abs(np.fft.rfft(wave)[1 : THD_HARMONICS + 1])
        return 100 * float(np.linalg.norm(lines[1:]) / lines[0]), float(np.std(wave))


def pot_of(spot: Spot) -> tuple[str, str]:
    """Return the name of the pot that sets an output: of its amplifier, and its own."""
    if not isinstance(spot.held, Channel) or spot.amplifier is None:
        raise TypeError(f"{spot.label} has no gain pot")
    return spot.amplifier.name, spot.held.pot or f"of {spot.held.name}"


def feed_of(spot: Spot) -> str:
    """Return the source or link whose line is at a place, or at the input of an output's amplifier; "" for others."""
    if isinstance(spot.held, Source | Link):
        return spot.held.name
    return spot.amplifier.after if spot.amplifier is not None else ""


def _sides(spot: Spot) -> tuple[str, ...]:
    if spot.side:
        return (spot.side,)
    return ("left", "right") if isinstance(spot.held, Channel) else ("left",)
