"""A simulated vehicle as people use it: leads on its places, tracks that play, knobs that turn, faults on their way.

It does not matter in what portions a waveform is asked for: a decision takes effect later than what was asked for last,
and leaves the past as it was. Nothing here knows the meter.
"""

from __future__ import annotations

import math
import re
from bisect import bisect_right
from collections.abc import Iterable, Sequence

import numpy as np

from flattop.samples import ComplexArray, FloatArray, Input
from flattop.simulated.chain import Chain, NamedTone, Spot, Truth, feed_of, pot_of
from flattop.simulated.courses import NOTHING, Course, Play, swept
from flattop.simulated.filters import KNOB_HZ
from flattop.simulated.vehicle_file import Channel, Fault, Trouble, VehicleFile

CONTACT_S = 1e-3
"""A clip leaves or finds its terminal within this time [s]."""
PICKUP_V = {Input.SPEAKER: 0.15, Input.LINE: 0.02}
"""Mains hum on a pair of open leads [V rms]."""
START_S = 0.35
"""From choosing a track to its first sound [s]."""
CLICK_S = 2e-3
SWEEP_DBFS = -10.0
"""Level that sweeps are recorded at where nobody says otherwise."""


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
        self.chain = Chain(file, seed=seed, phases=self._phases)
        self.spots = self.chain.spots
        self.pots = self.chain.pots
        """Gain pot, by its amplifier and its name -> its setting, below fully up [dB]."""
        self.volume = Course(file.source.found_db)
        """Below full [dB]."""
        self._plays: list[Play] = []
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

    def clip_both(self, speaker: str | None, line: str | None, at_s: float, *, bounces_s: Sequence[float] = ()) -> None:
        """Clip both pairs of leads at once, as `clip` does: an output and the line at its amplifier's input."""
        self.clip(Input.SPEAKER, speaker, at_s, bounces_s=bounces_s)
        self.clip(Input.LINE, line, at_s, bounces_s=bounces_s)

    def input_of(self, spot: Spot) -> str:
        """Return the place where the line at the input of an output's amplifier is: that of its side, or the left."""
        if not isinstance(spot.held, Channel):
            raise TypeError(f"{spot.label} is no output of an amplifier")
        return f"{feed_of(spot)} {'R' if spot.side == 'right' else 'L'}"

    def play(self, tone: str, at_s: float) -> None:
        """Choose a track; it is heard START_S later, and again and again. What was planned for later is dropped."""
        recorded = self.tones[tone]
        self._start(Play(at_s + START_S, 10 ** (recorded.dbfs / 20), tone, recorded.hz * self._clock), at_s)

    def play_sweep(
        self,
        low_hz: float,
        high_hz: float,
        seconds: float,
        at_s: float,
        *,
        steps: int = 0,
        dbfs: float = SWEEP_DBFS,
        name: str = "",
    ) -> None:
        """Choose a sweep as `flattop tones` writes it, otherwise as `play`.

        seconds : length of a continuous one; steps of a stepped one are tones.STEP_S long each
        steps : in how many even ratios a stepped one goes up, 0 for a continuous one
        name : what `playing` says of it
        """
        track = swept(low_hz, high_hz, seconds, steps=steps, dbfs=dbfs)
        name = name or f"{'steps' if steps else 'sweep'} {low_hz:g} to {high_hz:g} Hz"
        self._start(Play(at_s + START_S, 10 ** (dbfs / 20), name, clock=self._clock, sweep=track), at_s)

    def stop(self, at_s: float) -> None:
        """Stop the track; nothing plays until another one is chosen. What was planned for later is dropped."""
        self._start(Play(at_s + START_S, 0.0, ""), at_s)

    def _start(self, play: Play, at_s: float) -> None:
        self._later(at_s)
        while self._plays and self._plays[-1].at_s >= play.at_s:
            self._plays.pop()
        of_track = {Trouble.FADE, Trouble.END}
        self.happened = [(s, fault) for s, fault in self.happened if fault.what not in of_track or s < at_s]
        self._loud.to(0.0, at_s=at_s, over_s=CLICK_S)
        if play.peak > 0.0:
            self._loud.to(1.0, at_s=play.at_s, over_s=CLICK_S)
        self._plays.append(play)

    @property
    def playing(self) -> str:
        """Name of the tone or sweep that was chosen last; empty before the first, and when it was stopped."""
        return self._plays[-1].name if self._plays else ""

    def turn_volume(self, to_db: float, *, at_s: float, over_s: float) -> None:
        """Turn the volume [dB below full]."""
        self._later(at_s)
        self.volume.to(min(to_db, 0.0), at_s=at_s, over_s=over_s)

    def turn_pot(self, spot: Spot, to_db: float, *, at_s: float, over_s: float) -> None:
        """Turn the gain pot of an output [dB below fully up]."""
        self._later(at_s)
        self.pots[pot_of(spot)].to(min(max(to_db, -60.0), 0.0), at_s=at_s, over_s=over_s)

    def turn_filter(self, spot: Spot, which: str, to_hz: float, *, at_s: float, over_s: float) -> None:
        """Turn the corner of an output's filter [Hz], by equal ratios in equal times, as far as the knob goes.

        which : "subsonic", "high-pass" or "low-pass"; KeyError with those that it has if it has no such filter
        """
        self._later(at_s)
        held = {one.which: one for one in self.chain.filters.get(spot.label, ())}
        if which not in held:
            raise KeyError(f"{spot.label} has no filter {which!r}; it has {', '.join(held) or 'none'}")
        low_hz, high_hz = KNOB_HZ
        held[which].octaves.to(math.log2(min(max(to_hz, low_hz), high_hz)), at_s=at_s, over_s=over_s)

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
            return self._played(spot, times_s, self._plays[first - 1] if first else NOTHING)
        cuts = np.searchsorted(times_s, [play.at_s for play in self._plays[first:stop]])
        pieces = zip(
            np.split(times_s, cuts),
            [self._plays[first - 1] if first else NOTHING, *self._plays[first:stop]],
            strict=True,
        )
        return np.concatenate([self._played(spot, piece, play) for piece, play in pieces if piece.size])

    def _played(self, spot: Spot, times_s: FloatArray, play: Play) -> FloatArray:
        """Return the voltage at a place while one track is on [V]."""
        level = play.peak * self._loud.at(times_s) * 10 ** (self.volume.at(times_s) / 20)
        drive = self.chain.drive(level * math.sqrt(2) * self.file.source.full_v, play.hz_at(times_s), times_s)
        return self.chain.at(spot, drive, play.radians(times_s))

    # -- the truth, for tests ---------------------------------------------------------------------------------------

    def truth(self, *, limit_pct: float, at_s: float = math.inf) -> Truth:
        """Return what is true with the knobs as they are at a time, `at_s`; the levels are those without residue."""
        return self.chain.truth(self.tones.values(), limit_pct=limit_pct, at_s=at_s)

    def filter_gain(self, spot: Spot, hz: float, at_s: float) -> complex:
        """Return gain and phase of an output's filters at a frequency, with their knobs as they are at a time."""
        turned: ComplexArray = self.chain.filter_gain(spot, np.array([hz]), np.array([at_s]))
        return complex(turned[0])
