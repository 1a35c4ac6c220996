"""Readings made by hand, and a tuner who moves a lead from output to output while things go wrong.

Truth is a level and a kind of sound for every twentieth of a second; a reading sees the last quarter of a second of
it, ten times a second, with the noise that it states, and with the reasons that the meter gives in such a case.
"""

from __future__ import annotations

import math
import random
from collections import Counter, deque
from dataclasses import dataclass, field
from itertools import pairwise

from flattop.measure.reading import Reading, Reason, Verdict
from flattop.samples import Clock, Facts, Input, Quality
from flattop.tuning.steady import Keeper, Sight

GAIN_U = 0.002
FACTS = {
    which: Facts(
        "ads1015",
        which,
        lsb_v=0.01,
        full_scale_v=280.0,
        noise_v=0.004,
        tone_band_hz=(10.0, 300.0),
        harmonics_to_hz=1300.0,
        gain_u=GAIN_U,
        calibrated=True,
        simulated=True,
    )
    for which in Input
}


def reading(rms_v, *, hz=40.0, reason=Reason.NONE, verdict=None, u_v=0.004, input=Input.SPEAKER, time_s=0.0, dc_v=0.0):
    """A reading of a tone; `u_v` is how well it repeats (k = 2), the gain's uncertainty comes on top."""
    known = reason in {Reason.NONE, Reason.TOP_MISSING, Reason.TOPS_BEND, Reason.THIRD_ONLY}
    nan = math.nan
    return Reading(
        time_s=time_s, duration_s=0.25, rms_v=rms_v, rms_u_v=math.hypot(u_v, 2 * GAIN_U * rms_v),
        dc_v=dc_v, dc_u_v=0.01, hz=hz, hz_u=1e-4 * hz, peak_pos_v=1.4142 * rms_v, peak_neg_v=-1.4142 * rms_v,
        crest=1.4142, fundamental_v=rms_v, thd_pct=0.05, harmonics=16, thd_to_hz=16 * hz, thd_n_pct=0.1,
        overdrive_pos_db=0.0, overdrive_neg_db=0.0, overdrive_u_db=0.01, flat_share_pct=0.0, drift_pct_s=0.0,
        verdict=verdict or (Verdict.CLEAN if known else Verdict.UNKNOWN), reason=reason, dc_alarm=False,
        facts=FACTS[input], quality=Quality(3300.0, Clock.LOCKED, timing_rms_s=nan),
    )  # fmt: skip


TICK_S = 0.05
WINDOW = 5


class Seer:
    """From ticks of truth, (rms_v, hz) each, to readings with the reasons that the meter gives."""

    def __init__(self, rng):
        self.rng, self.ticks, self.levels = rng, deque(maxlen=WINDOW), deque(maxlen=10)
        self.fall, self.fading, self.cut_v, self.now_s = (0.0, 0.0), False, 0.0, 0.0

    def tick(self, volts, hz):
        self.ticks.append((volts, hz))
        self.now_s += TICK_S

    def look(self):
        volts = [v for v, _ in self.ticks]
        tones = {hz for v, hz in self.ticks if v > 0.0}
        mean_v = math.sqrt(sum(v * v for v in volts) / len(volts))
        u_v = max(0.0005, 5e-5 * mean_v)
        seen_v = abs(mean_v + self.rng.gauss(0.0, 0.5 * u_v))
        jumps = max((abs(b - a) for a, b in pairwise(volts)), default=0.0)
        moved = abs(volts[-1] - volts[0]) / max(mean_v, 1e-9)
        hz = next(iter(tones), math.nan) * (1.0 + self.rng.gauss(0.0, 1e-5))
        reason = self._reason(mean_v, tones, jumps, moved)
        if reason in {Reason.NO_TONE, Reason.LEAD_OFF} or len(tones) != 1:
            hz = math.nan
        return reading(seen_v, hz=hz, reason=reason, u_v=u_v, time_s=self.now_s)

    def _reason(self, mean_v, tones, jumps, moved):
        last_v = self.levels[-1] if self.levels else 0.0
        if mean_v < 0.05 * last_v:
            if last_v > 0.5 * max(self.levels) and not self.fading:
                self.cut_v = last_v
            self.levels.clear()
            self.fading = False
        if self.cut_v:
            if mean_v < 0.05 * self.cut_v:
                return Reason.LEAD_OFF
            self.cut_v = 0.0
        if not tones:
            return Reason.NO_TONE
        if mean_v < 0.05:
            return Reason.TOO_FEW_LSB
        if len(tones) > 1 or 0 in tones or jumps > 0.06 * mean_v:
            return Reason.MOVING if 0.1 < moved < 0.3 else Reason.NOT_ONE_TONE
        if moved > 0.2:
            return Reason.MOVING
        if not mean_v < 0.997 * last_v:
            self.fall = (self.now_s, mean_v)
        self.fading = mean_v < 0.5 * self.fall[1] and self.now_s - self.fall[0] >= 0.5
        self.levels.append(mean_v)
        return Reason.FADING if self.fading else Reason.NONE


MUSIC = 0
"""Stands for a frequency where there is no single one."""


@dataclass
class Count:
    """What happened in so many simulated minutes."""

    minutes: float = 0.0
    keeps: int = 0
    false: int = 0
    wrong_output: int = 0
    missed: int = 0
    lifts: int = 0
    """Leads that had to be lifted once more."""
    events: Counter = field(default_factory=Counter)
    told: Counter = field(default_factory=Counter)
    """Events that were told as what they were."""
    mistold: Counter = field(default_factory=Counter)
    """Events that were called by another's name, in whole or in part."""

    def __add__(self, other):
        return Count(*(getattr(self, name) + getattr(other, name) for name in self.__dataclass_fields__))


TELLS = {
    # Of a lead that may still be where it was, lifting it is what was asked for: then it is "lifted".
    "slip": {Sight.SLIPPED, Sight.SILENT, Sight.HUM, Sight.AWAY},
    "fade": {Sight.FADING, Sight.ENDED},
    "wrong tone": {Sight.WRONG_TONE},
    "wrong place": {Sight.WRONG_LEVEL},
    "music": {Sight.NOT_A_TONE},
    "ramp": {Sight.MOVING},
    "turned steps": {Sight.MOVING, Sight.NOT_A_TONE, Sight.STEADYING, Sight.WAIT},
    "hum": {Sight.HUM, Sight.SLIPPED, Sight.SILENT, Sight.AWAY},
}
NAMES = {Sight.SLIPPED, Sight.HUM, Sight.FADING, Sight.ENDED, Sight.WRONG_TONE, Sight.WRONG_LEVEL}
"""What names one event and no other."""
MAY_BE_CALLED = {
    "slip": {Sight.SLIPPED, Sight.HUM},
    "hum": {Sight.SLIPPED, Sight.HUM},
    "fade": {Sight.FADING, Sight.ENDED, Sight.WRONG_LEVEL},
    "wrong tone": {Sight.WRONG_TONE},
    "wrong place": {Sight.WRONG_LEVEL, Sight.SLIPPED},
    "music": NAMES,
    "ramp": {Sight.WRONG_LEVEL},
    "turned steps": {Sight.WRONG_LEVEL},
}


class Scene:
    """A tuner, a lead, a track, and what goes wrong; `run` counts the keeps that should not have been."""

    steady_s, tolerance_pct = 1.0, 0.1
    lingers_s = 2.0
    """How long a tuner stays on an output, in the mean, after the track broke off there and began again."""

    def __init__(self, seed, *, gaps=True):
        self.rng = random.Random(seed)
        self.seer = Seer(self.rng)
        self.keeper = Keeper(steady_s=self.steady_s, tolerance_pct=self.tolerance_pct)
        self.count, self.gaps = Count(), gaps
        self.hz, self.base_v = 40.0, self.rng.choice([4.0, 20.0, 85.0])
        self.volume = 1.0
        self.wanted, self.on = 0, 0
        self.levels = [self._level() for _ in range(400)]
        # Until something is clipped on for the first time the lead lies open.
        self.kept = False
        self.history = deque(maxlen=round(self.steady_s / TICK_S))
        self.seen = []

    def _level(self):
        """Sides of a pair: most differ by some tenths of a per cent, some by nothing at all."""
        return self.base_v * (1.0 if self.rng.random() < 0.1 else 1.0 + self.rng.gauss(0.0, 0.003))

    def run(self, minutes):
        while self.count.minutes < minutes:
            self._step()
            self.count.minutes += self.now_s / 60.0
            self.now_s = 0.0
        return self.count

    now_s = 0.0
    _parity = 0

    def _tick(self, volts, hz=None, on=None):
        """Let a tick of truth pass; True once the step's reading has been kept."""
        hz = self.hz if hz is None else hz
        on = self.on if on is None else on
        self.history.append((volts, hz, on))
        self.seer.tick(volts, hz)
        self.now_s += TICK_S
        self._parity ^= 1
        if self._parity:
            return
        level_v = self.levels[self.wanted]
        seen = self.keeper.see(
            self.seer.look(),
            now_s=self.seer.now_s,
            wanted_hz=self.hz,
            input=Input.SPEAKER,
            expected_v=(0.85 * level_v, 1.15 * level_v),
            place=str(self.wanted),
        )
        self.seen.append(seen.sight)
        if seen.keep:
            self._judge_keep()

    def _judge_keep(self):
        self.count.keeps += 1
        levels = [v for v, _, _ in self.history]
        right_tone = all(hz == self.hz for _, hz, _ in self.history)
        steady = max(levels) - min(levels) <= 2.5 * 0.01 * self.tolerance_pct * max(levels) + 0.012
        if any(on != self.wanted for _, _, on in self.history):
            self.count.wrong_output += 1
            self.count.false += 1
        elif self.kept or not (right_tone and steady and len(self.history) == self.history.maxlen):
            self.count.false += 1
        self.kept = True

    def _play(self, duration_s, hz=None, on=None, shape=lambda _: 1.0, share=1.0):
        ticks = max(round(duration_s / TICK_S), 1)
        for number in range(ticks):
            on_ = self.on if on is None else on
            level = self.levels[on_] if on_ >= 0 else 0.0
            self._tick(share * self.volume * shape(number / ticks) * level, hz=hz, on=on_)

    def _open(self, duration_s, hum_v=0.0):
        """The lead lies open, with more or less hum on it."""
        for _ in range(max(round(duration_s / TICK_S), 1)):
            self._tick(hum_v, hz=50.0 if hum_v else self.hz, on=-1)

    def _event(self, name, act):
        self.seen.clear()
        act()
        self.count.events[name] += 1
        self.count.told[name] += bool(TELLS[name] & set(self.seen))
        if foreign := NAMES & set(self.seen) - MAY_BE_CALLED[name]:
            self.count.mistold[f"{name} called {', '.join(sorted(foreign))}"] += 1

    def _step(self):
        """One step of a run: arrive, be disturbed, be kept, and go on after a while."""
        rng = self.rng
        hum_v = rng.choice([0.0, 0.15])
        self._open(rng.uniform(0.4, 2.5), hum_v)
        self.on, self.kept = self.wanted, False
        for _ in range(rng.choice([0, 1, 1, 2])):
            if self.kept:
                break
            # Each comes before the level has stood for long enough to be kept.
            self._play(rng.uniform(0.35, 0.7))
            self._disturb(rng.choice([*TELLS, "gap"] if self.gaps else list(TELLS)), hum_v)
        if not self.kept:
            self._play(3.5)
        for _ in range(2):
            if not self.kept and self.seen[-1] is Sight.SAME:  # the screen says: lift once more
                self.count.lifts += 1
                self._open(rng.uniform(0.5, 1.5), hum_v)
                self._play(3.5)
        if not self.kept:
            self.count.missed += 1
            self.keeper.arm()
        # The lead is still on, and the prompt says where it goes next.
        self.kept = False
        self.wanted = (self.wanted + 1) % len(self.levels)
        self._linger()

    def _linger(self):
        """Stay on the old output: nothing may be kept there for the new one."""
        rng = self.rng
        self._play(rng.uniform(0.3, 4.0))
        if self.gaps and rng.random() < 0.1:
            what = rng.choice(["break", "fade", "ramp", "tone"])
            if what == "break":  # the track ends without a fade, and begins again
                for _ in range(round(rng.uniform(0.2, 2.0) / TICK_S)):
                    self._tick(0.0)
            elif what == "fade":
                self._play(4.0, shape=lambda x: 10 ** (-3 * x))
                for _ in range(round(rng.uniform(0.2, 2.0) / TICK_S)):
                    self._tick(0.0)
            elif what == "ramp":
                self._play(2.0, shape=lambda x: 1.0 - 0.1 * x)
                self.volume *= 0.9
            else:
                self._play(2.0, hz=55.0)
            self._play(min(0.5 + rng.expovariate(1 / self.lingers_s), 20.0))
        self.volume = 1.0

    def _disturb(self, what, hum_v):
        rng = self.rng
        match what:
            case "slip":
                self._event(what, lambda: self._open(rng.uniform(0.5, 3.0), hum_v))
            case "hum":
                self._event(what, lambda: self._open(rng.uniform(0.8, 3.0), 0.08 * self.levels[self.on]))
            case "fade":
                length_s, depth = rng.uniform(2.0, 8.0), rng.uniform(1.5, 3.0)
                self._event(what, lambda: (self._play(length_s, shape=lambda x: 10 ** (-depth * x)), self._silent(1.0)))
            case "gap":
                self._silent(rng.uniform(0.2, 2.0))
            case "wrong tone":
                other_hz = rng.choice([41.2, 43.0, 80.0, 55.0, 160.0, 36.7])
                self._event(what, lambda: self._play(rng.uniform(1.0, 4.0), hz=other_hz))
            case "wrong place":
                share = rng.choice([rng.uniform(0.05, 0.8), rng.uniform(1.2, 1.6)])
                self._event(what, lambda: self._elsewhere(rng.uniform(1.5, 4.0), share))
            case "music":
                self._event(what, lambda: self._music(rng.uniform(2.0, 10.0)))
            case "ramp":
                start = rng.choice([0.88, 1.12])
                rate = rng.uniform(0.004, 0.05)
                self._event(what, lambda: self._play(abs(1 - start) / rate, shape=lambda x: start + (1 - start) * x))
            case "turned steps":
                self._event(what, self._steps)

    def _silent(self, duration_s):
        for _ in range(round(duration_s / TICK_S)):
            self._tick(0.0)

    def _elsewhere(self, duration_s, share):
        """Clipped onto another output, whose level differs."""
        self._open(0.6)
        for _ in range(round(duration_s / TICK_S)):
            self._tick(share * self.levels[self.on], on=-2)
        self._open(0.6)

    def _music(self, duration_s):
        end_s = self.now_s + duration_s
        while self.now_s < end_s:
            if self.rng.random() < 0.3:  # a note that is held, some of them near the tone
                hz = self.rng.choice([self.hz, self.hz * self.rng.uniform(0.95, 1.05), self.rng.uniform(30.0, 200.0)])
                decay, share = self.rng.uniform(0.05, 1.0), self.rng.uniform(0.2, 1.0)
                self._play(self.rng.uniform(0.2, 0.8), hz=hz, shape=lambda x, decay=decay: 1.0 - decay * x, share=share)
            else:
                for _ in range(self.rng.randrange(4, 20)):
                    self._tick(self.rng.uniform(0.1, 1.0) * self.levels[self.on], hz=MUSIC)

    def _steps(self):
        """A hand on the pot that turns, looks and turns again."""
        for _ in range(self.rng.randrange(2, 6)):
            self.volume *= 1.0 + self.rng.choice([-1, 1]) * self.rng.uniform(0.004, 0.03)
            self._play(self.rng.uniform(0.2, 0.8))
        self.volume = 1.0
