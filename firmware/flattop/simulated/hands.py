"""Two people at a simulated vehicle who know only what the meter shows and what its sounder says.

The tuner at the back clips the leads onto the place named and turns gain pots; the second person at the dash plays the
tracks and moves the volume. Both are slow, overshoot and make the mistakes that the vehicle's file plans for them.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np

from flattop.measure.reading import Reason
from flattop.samples import Input
from flattop.simulated.chain import Spot, pot_of
from flattop.simulated.electrics import START_S, Vehicle
from flattop.simulated.vehicle_file import Channel, Fault, Trouble

REACTION_S = (0.4, 0.8)
"""From what is shown or heard to the first move; never less than the simulated board works ahead of its time."""
MOVE_S = (2.0, 5.0)
"""From taking the leads off to clipping them on elsewhere."""
RESEAT_S = (0.6, 1.2)
BOUNCE_S = 0.15
"""Time in which a clip that is put on may lose its contact a few times."""
LOOK_S = 0.7
"""From the end of a turn until the screen is believed again."""
PRESS_S = (0.45, 0.8)
"""From one volume step to the next."""
FAST_DB_S, SLOW_DB_S = 2.0, 0.1
"""Speed of the volume knob at first, and at least; each time it has to turn back it goes on more slowly."""
PORTION_S = 0.25
"""The volume knob is turned on for so long at a time."""
STEP_DB, FINE_DB = 0.8, 0.03
"""Turn of a pot where nobody knows how far, at first and at least."""
PATIENCE_S = 1.2
"""How long something is seen to be wrong before a hand is moved for it."""
AGAIN_S = 5.0
"""From one remedy to the next, if the first did not help."""
SWEEPS_HZ = ((10.0, 300.0), (10.0, 20_000.0))
"""Sweeps that are on the stick; the screen names each by its end."""
SWEEP_S = 60.0
SWEEP_AGAIN_S = 70.0
"""From one start of a sweep to the next, while the screen goes on asking for it."""
WORD_S = 10.0
"""Leads that are to be clipped on though they are: after this time they are put on anew."""

_SWEEP = "sweep"
_FREQUENCY = re.compile(r"(\d+(?:\.\d+)?)\s*(k?)Hz", re.IGNORECASE)
_PUT_RIGHT = ("wrong", "play", "restart", "lift", "clip is off")
_NOTHING_THERE = {Reason.NO_TONE.value, Reason.LEAD_OFF.value, Reason.FADING.value}


@dataclass(frozen=True, slots=True)
class Instruction:
    """What the screen asks for."""

    place: str = ""
    """What to clip onto, as the meter names it; empty, or no place of the vehicle: the leads stay."""
    text: str = ""
    """The next move in a few words."""
    word: str = ""
    """For the second person: up, hold, down, or nothing."""
    aim_v: float | None = None
    """Level to turn the gain to [V rms]."""
    tolerance_v: float = 0.0
    hz: float | None = None
    """Tone that the step needs [Hz]."""
    beside: str = ""
    """Where the line leads go while the speaker leads are on `place`; empty: they come off."""


class Hands:
    """The two people; same seed and same things shown, same moves."""

    def __init__(self, vehicle: Vehicle, *, seed: int) -> None:
        self._vehicle = vehicle
        self._rng = np.random.default_rng(seed)
        # the tuner
        self._at: Spot | None = None
        """Where the tuner believes the leads to be."""
        self._free_s = -math.inf
        self._beside = ""
        self._on_s = math.inf
        """Since when the leads are there."""
        self._visits: dict[str, int] = {}
        self._turned = 0
        """Way that the pot was turned last: 1 up, -1 down."""
        self._step_db = STEP_DB
        # the second person
        self._tone = ""
        """What the second person believes to be playing; empty: nothing."""
        self._sweep_hz = SWEEPS_HZ[0]
        self._swept_s, self._sweep_heard = -math.inf, False
        self._dash_free_s = -math.inf
        self._moved = 0
        self._rate_db_s = FAST_DB_S
        # what is wrong, for both
        self._wrong_since_s = math.inf
        self._asked_to_clip_s = math.inf
        """Since when the screen has asked to clip on."""
        self._remedied_s = -math.inf
        self._remedies = 0

    def see(
        self,
        shown: Instruction,
        *,
        verdict: str,
        level_v: float,
        now_s: float,
        reason: str = "",
        signal: str = "",
    ) -> None:
        """See the screen and hear the sounder at `now_s`; act later than REACTION_S.

        verdict, reason, level_v : as on the screen [V rms], NaN where it shows none
        signal : what the sounder says, in the words of `indicators.Signal`
        """
        if shown.text != "clip on":
            self._asked_to_clip_s = math.inf
        self._asked_to_clip_s = min(self._asked_to_clip_s, now_s)
        if reason not in _NOTHING_THERE and now_s > self._swept_s + REACTION_S[1] + START_S + 0.5:
            self._sweep_heard = True
        # Reconnecting the speakers is done without the leads.
        spot = None if shown.text.startswith("speakers") else self._vehicle.spot(shown.place)
        # Whoever follows a sweep, or listens to silence, keeps still as well: the step's own tone is not played then.
        sweeping = "sweep" in shown.text
        silent = shown.text == "stop the track" or (not self._tone and shown.text == "keep still")
        tone = "" if sweeping or silent else self._tone_named(shown)
        if spot is not None and (spot is not self._at or (shown.beside and shown.beside != self._beside)):
            if now_s >= self._free_s:
                self._go(spot, tone, now_s, beside=shown.beside)
        elif sweeping or silent:
            if reason == Reason.LEAD_OFF and self._is_wrong(shown, verdict, reason, now_s):
                self._remedy(reason, now_s)
            elif now_s >= self._free_s:
                self._change_track(shown, now_s)
        elif signal == "not kept" or shown.text.startswith(_PUT_RIGHT):
            self._put_right(shown, tone, now_s)
        elif self._at is not None and self._is_wrong(shown, verdict, reason, now_s):
            self._remedy(reason, now_s)
        elif tone and tone != self._tone and now_s >= self._free_s:
            self._play(tone, now_s)
        elif now_s >= self._free_s and spot is not None and isinstance(spot.held, Channel):
            self._turn_gain(spot, shown, level_v, now_s)
        # The second person does not see the screen; a word without a sound is called across the vehicle.
        word = signal if shown.word and signal in {"up", "hold", "down"} else shown.word
        if now_s >= self._dash_free_s - 0.1 and self._tone:
            self._follow(word, now_s)

    def _between(self, limits: tuple[float, float]) -> float:
        return float(self._rng.uniform(*limits))

    def _tone_named(self, shown: Instruction) -> str:
        """Return the name of the track that is asked for, empty for none."""
        found = _FREQUENCY.search(shown.text) if shown.text.startswith("play") else None
        hz = float(found[1]) * (1000 if found[2] else 1) if found else shown.hz
        if hz is None:
            return ""
        near = min(self._vehicle.tones.values(), key=lambda tone: abs(tone.hz / hz - 1))
        return near.name if abs(near.hz / hz - 1) < 0.02 else ""

    # -- the tuner ----------------------------------------------------------------------------------------------------

    def _go(self, spot: Spot, tone: str, now_s: float, *, beside: str) -> None:
        """Take the leads to another place, and have its tone played."""
        self._visits[spot.label] = self._visits.get(spot.label, 0) + 1
        mistakes = {fault.what: fault for fault in self._mistakes(spot)}
        off_s = now_s + self._between(REACTION_S)
        on_s = off_s + self._between(MOVE_S)
        wrong_tone = mistakes.get(Trouble.WRONG_TONE)
        if wrong_tone is not None:
            self._play(tone or self._tone, now_s, instead=wrong_tone)
        elif tone and tone != self._tone:
            self._play(tone, now_s)
        target = spot
        wrong_place = mistakes.get(Trouble.WRONG_PLACE)
        if wrong_place is not None:
            target = self._vehicle.spot(wrong_place.other) or spot
            self._vehicle.happened.append((float(on_s), wrong_place))
        self._beside = beside
        self._clip(target, off_s, on_s)
        self._at = spot
        self._rate_db_s, self._moved = FAST_DB_S, 0
        self._step_db, self._turned = STEP_DB, 0
        self._remedies = 0

    def _mistakes(self, spot: Spot) -> list[Fault]:
        return [
            fault
            for fault in self._vehicle.file.faults
            if self._vehicle.spot(fault.place) is spot and fault.visit == self._visits[spot.label]
        ]

    def _clip(self, spot: Spot, off_s: float, on_s: float) -> None:
        for pair in Input:
            self._vehicle.clip(pair, None, off_s)
        bounces = int(self._rng.integers(0, 3))
        # At least a few contact times apart: shorter losses are none.
        gaps = self._rng.uniform(0.006, BOUNCE_S / max(2 * bounces, 1), 2 * bounces)
        bounces_s = [float(s) for s in np.cumsum(gaps)]
        if self._beside and spot.input is Input.SPEAKER:
            self._vehicle.clip_both(spot.label, self._beside, on_s, bounces_s=bounces_s)
        else:
            self._vehicle.clip(spot.input, spot.label, on_s, bounces_s=bounces_s)
        self._free_s = self._on_s = on_s + BOUNCE_S
        self._wrong_since_s = math.inf

    def _is_wrong(self, shown: Instruction, verdict: str, reason: str, now_s: float) -> bool:
        """Tell whether there has been no signal for so long that somebody must do something."""
        wrong = verdict == "unknown" and reason in _NOTHING_THERE and bool(self._tone)
        # A sweep is expected to be silent until it comes into the band of the output.
        wrong = wrong and not (self._tone == _SWEEP and not self._sweep_heard)
        asked_s = max(self._asked_to_clip_s, self._on_s, self._remedied_s)
        stuck = shown.text == "clip on" and now_s - asked_s > WORD_S
        if not wrong:
            self._wrong_since_s = math.inf
            return stuck and now_s >= self._free_s
        self._wrong_since_s = min(self._wrong_since_s, now_s)
        long_enough = now_s - self._wrong_since_s >= PATIENCE_S and now_s - self._remedied_s >= AGAIN_S
        return long_enough and now_s >= max(self._free_s, self._on_s)

    def _remedy(self, reason: str, now_s: float) -> None:
        """Look at the clips, or have the track played anew; if the one did not help, the other."""
        clips_first = reason == Reason.LEAD_OFF
        if (self._remedies % 2 == 0) == clips_first and reason != Reason.FADING:
            self._reseat(now_s)
        else:
            self._play(self._tone, now_s)
        self._remedies += 1
        self._remedied_s = now_s
        self._wrong_since_s = math.inf

    def _reseat(self, now_s: float) -> None:
        if self._at is not None:
            off_s = now_s + self._between(REACTION_S)
            self._clip(self._at, off_s, off_s + self._between(RESEAT_S))

    def _put_right(self, shown: Instruction, tone: str, now_s: float) -> None:
        """Do what the meter says is wrong: another track, or the leads onto the place named."""
        if now_s < max(self._free_s, self._remedied_s + AGAIN_S):
            return
        self._remedied_s = now_s
        about_tone = shown.text.startswith(("play", "restart")) or "tone" in shown.text
        if about_tone and (tone or self._tone):
            self._play(tone or self._tone, now_s)
        else:
            self._reseat(now_s)

    def _turn_gain(self, spot: Spot, shown: Instruction, level_v: float, now_s: float) -> None:
        """Turn the gain pot the way the screen says, toward its aim where it gives one."""
        way = _way(shown, level_v)
        if way == 0 or shown.word in {"up", "down"} or not level_v > 0:
            return
        error_db = 20 * math.log10(shown.aim_v / level_v) if shown.aim_v else 0.0
        if error_db * way > 0:
            coarse = abs(error_db) > 0.3
            turn_db = error_db * self._between((0.75, 1.05) if coarse else (0.7, 1.15))
            turn_db += float(self._rng.normal(0.0, 0.002))  # a pot sticks a little
        else:
            self._step_db = max(0.5 * self._step_db, FINE_DB) if way == -self._turned else self._step_db
            turn_db = way * self._step_db * self._between((0.8, 1.2))
        self._turned = way
        begin_s = now_s + self._between(REACTION_S)
        over_s = 0.2 + abs(turn_db) / 6
        pot = self._vehicle.pots[pot_of(spot)]
        self._vehicle.turn_pot(spot, pot.last[1] + turn_db, at_s=begin_s, over_s=over_s)
        self._free_s = begin_s + over_s + LOOK_S

    # -- the second person --------------------------------------------------------------------------------------------

    def _play(self, tone: str, now_s: float, *, instead: Fault | None = None) -> None:
        """Have a track played; `instead`: another one by mistake."""
        at_s = now_s + self._between(REACTION_S)
        played = tone if instead is None else instead.other
        if played == _SWEEP:
            self._vehicle.play_sweep(*self._sweep_hz, SWEEP_S, at_s)
            self._swept_s, self._sweep_heard = now_s, False
        elif played:
            self._vehicle.play(played, at_s)
        if instead is not None:
            self._vehicle.happened.append((float(at_s), instead))
        self._tone = tone

    def _change_track(self, shown: Instruction, now_s: float) -> None:
        """Play a sweep, or stop what plays, where the screen asks for it and it was not done already."""
        if shown.text == "stop the track":
            if self._tone:
                self._vehicle.stop(now_s + self._between(REACTION_S))
            self._tone = ""
        elif shown.text.endswith("sweep") and (self._tone != _SWEEP or now_s - self._swept_s > SWEEP_AGAIN_S):
            self._sweep_hz = SWEEPS_HZ["kHz" in shown.text]
            self._play(_SWEEP, now_s)

    def _follow(self, word: str, now_s: float) -> None:
        """Go on turning the volume the way the word says, or leave it."""
        way = {"up": 1, "down": -1}.get(word, 0)
        if way == 0:
            return
        if way == -self._moved:
            self._rate_db_s = max(0.4 * self._rate_db_s, SLOW_DB_S)
        volume, source = self._vehicle.volume, self._vehicle.file.source
        rest_s, level_db = volume.last
        going_on = way == self._moved and rest_s > now_s - 0.5
        begin_s = max(rest_s if going_on else -math.inf, now_s + (0.2 if going_on else self._between(REACTION_S)))
        if source.steps:
            self._vehicle.turn_volume(level_db + way * source.step_db, at_s=begin_s, over_s=0.02)
            self._dash_free_s = begin_s + self._between(PRESS_S)
        else:
            turn_db = way * self._rate_db_s * PORTION_S
            self._vehicle.turn_volume(level_db + turn_db, at_s=begin_s, over_s=PORTION_S)
            self._dash_free_s = begin_s
        self._moved = way


def _way(shown: Instruction, level_v: float) -> int:
    """Return which way the gain is to go: 1 up, -1 down, 0 not at all."""
    words = set(re.findall(r"[a-z]+", shown.text.lower()))
    if "up" in words or "down" in words:
        return 1 if "up" in words else -1
    if words & {"leave", "keep", "still", "stop", "clip", "hold"} or shown.aim_v is None:
        return 0
    if abs(level_v - shown.aim_v) <= 0.5 * shown.tolerance_v:
        return 0
    return 1 if level_v < shown.aim_v else -1
