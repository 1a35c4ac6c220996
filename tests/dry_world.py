"""A vehicle in closed form for dry runs: readings as a good meter would give them, and hands that do what is asked."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from blocks import bass_facts, block, full_facts
from flattop.measure.alignment import level_db
from flattop.measure.noise import Noise, Part, Stage
from flattop.measure.reading import Reading, Reason, Tops, Verdict
from flattop.measure.response import Point, Sweep
from flattop.samples import Clock, Input, Quality
from flattop.tuning.pot import hard_clip_level
from flattop.tuning.steps import Command, Heard, Judge, Keep, Kind, Note, Wants, Word

UPDATE_S = 0.1
SWEEP_HZ, SWEEP_OCTAVE_S = (12.0, 200.0), 0.4
"""What the sweep track holds: at 28 Hz no more than 1.1 octaves a second are allowed, and from one look to the next the
level may move by no more than what would be a turn of the volume, 1.2 dB."""
SWEEP_S = math.log2(SWEEP_HZ[1] / SWEEP_HZ[0]) / SWEEP_OCTAVE_S
SAMPLED = full_facts(rate_hz=4000.0, tone_band_hz=(10.0, 300.0), harmonics_to_hz=1300.0, noise_v=1e-3)
TOPS = Tops(*(np.linspace(-1, 1, 5) for _ in range(5)))


def reading_of(
    time_s,
    *,
    rms_v=math.nan,
    hz=math.nan,
    thd_pct=0.02,
    verdict=Verdict.CLEAN,
    reason=Reason.NONE,
    input=Input.SPEAKER,
    dc_v=0.0,
    drift_pct_s=0.0,
    harmonics=40,
):
    """Return a reading with these figures, known to 0.02 % beside 0.3 % that all share."""
    facts = bass_facts(input=input, gain_u=0.0015)
    peak_v = rms_v * math.sqrt(2.0)
    return Reading(
        time_s=time_s, duration_s=0.25, rms_v=rms_v, rms_u_v=0.003 * rms_v + 0.002, dc_v=dc_v, dc_u_v=0.05, hz=hz,
        hz_u=0.001, peak_pos_v=peak_v, peak_neg_v=-peak_v, crest=math.sqrt(2.0), fundamental_v=rms_v, thd_pct=thd_pct,
        harmonics=harmonics, thd_to_hz=harmonics * hz, thd_n_pct=thd_pct, overdrive_pos_db=0.0, overdrive_neg_db=0.0,
        overdrive_u_db=0.02, flat_share_pct=0.0, drift_pct_s=drift_pct_s, verdict=verdict, reason=reason,
        dc_alarm=input is Input.SPEAKER and abs(dc_v) > 0.5, facts=facts, quality=Quality(3231.0, Clock.LOCKED),
        tops=TOPS,
    )  # fmt: skip


def overdriven(overdrive_db, harmonics=None):
    """Return THD_F [%] and RMS over the rail of a sine driven so far beyond it, clipped hard.

    harmonics : only those from 2 to this one are counted
    """
    angle = (np.arange(2048) + 0.5) * 2 * np.pi / 2048
    wave = np.clip(10 ** (overdrive_db / 20) * np.sin(angle), -1, 1)
    fundamental = 2 * np.mean(wave * np.sin(angle))
    if harmonics is not None:
        lines = np.abs(np.fft.rfft(wave))[: harmonics + 1]
        return 100 * np.linalg.norm(lines[2:]) / lines[1], math.sqrt(np.mean(wave**2))
    return 100 * math.sqrt(max(np.mean(wave**2) / (fundamental**2 / 2) - 1, 0)), math.sqrt(np.mean(wave**2))


def judged(thd_pct):
    """The verdict on tops that are cut to this THD."""
    return Verdict.FLAT if thd_pct >= 0.8 else Verdict.SOFT if thd_pct > 0.2 else Verdict.CLEAN


def noise_of(volts, *, stage=Stage.HEARD, below=False, tone_v=math.nan):
    """Return broad noise of this level, and nothing else."""
    total = Part(volts, math.nan if below else 0.05 * volts, below=below)
    none = Part(0.1 * volts, math.nan, below=True)
    return Noise(stage, 0.0, (10.0, 1300.0), total, none, none, none, total, tone_v)


@dataclass
class DryWorld:
    """Levels by place; one person at the volume, one at leads and pots, both obedient and a little slow.

    loss_db : of each link by (name, side); gains : volts at the output for one at its input, by (amplifier, channel);
    rails_v : peak that each can reach; shared : outputs whose pot is another's;
    filters : (side, alignment, corner) of each filter of an output; noise_v : what an output has without a tone.
    """

    plan: object
    source_rail_v: float = 4.2
    loss_db: dict = field(default_factory=dict)
    gain: dict = field(default_factory=dict)
    rail_v: dict = field(default_factory=dict)
    shared: dict = field(default_factory=dict)
    supply_v: float = 13.1
    hz_off: float = 1.0
    volume_db: float = -30.0
    now_s: float = 0.0
    lead: object = None
    lifted_s: float = math.inf
    touched: int = 0
    asked_since_s: float = 0.0
    last: object = None
    filters: dict = field(default_factory=dict)
    noise_v: dict = field(default_factory=dict)
    tracks: tuple = ((-math.inf, "tone"),)
    """What plays, and since when."""
    swept: object = field(default_factory=Sweep)

    def level(self, step):
        """Peak that the place would carry if nothing clipped, and its rail [V]."""
        # What the source has cut stays cut on its way: drive and rail shrink and grow together.
        drive_v, rail_v = 4.2 * 10 ** (self.volume_db / 20), self.source_rail_v
        if step.kind is Kind.SOURCE:
            return drive_v, rail_v
        name, side = step.place, step.side or "left"
        after = {link.name: link.after for link in self.plan.links} | {a.name: a.after for a in self.plan.amplifiers}
        through = 1.0
        while name in after:
            through *= 10 ** (-self.loss_db.get((name, side), self.loss_db.get((name, ""), 0.0)) / 20)
            name = after[name]
        if step.kind is Kind.LINK:
            return drive_v * through, rail_v * through
        key = (step.place, step.channel)
        through *= self.gain[self.shared.get(key, key)] * self.trim.get(key, 1.0)
        return drive_v * through, min(self.rail_v[key], rail_v * through)

    trim: dict = field(default_factory=dict)

    def see(self):
        """The next reading at the leads."""
        self.now_s = round(self.now_s + UPDATE_S, 6)
        step = self.lead
        if step is None or self.now_s < self.lifted_s:
            gone = Reason.LEAD_OFF if self.last is not None else Reason.NO_TONE
            at = step.input if step is not None else Input.SPEAKER
            return reading_of(self.now_s, rms_v=0.02, verdict=Verdict.UNKNOWN, reason=gone, input=at)
        if step.kind is Kind.SUPPLY:
            return reading_of(
                self.now_s, rms_v=0.01, verdict=Verdict.UNKNOWN, reason=Reason.NO_TONE, dc_v=self.supply_v
            )
        if self.track != "tone":
            hz = float(self.sweep_hz(np.array([self.now_s]))[0]) if self.track == "sweep" else math.nan
            reason = Reason.NO_TONE if math.isnan(hz) else Reason.NOT_ONE_TONE
            rms_v = 0.02 if math.isnan(hz) else self.last
            return reading_of(self.now_s, rms_v=rms_v, hz=hz, verdict=Verdict.UNKNOWN, reason=reason)
        drive_v, rail_v = self.level(step)
        thd_pct, level = overdriven(max(20 * math.log10(drive_v / rail_v), 0.0)) if drive_v > rail_v else (0.02, None)
        rms_v = rail_v * level if level is not None else drive_v / math.sqrt(2.0)
        self.last = rms_v
        return reading_of(
            self.now_s, rms_v=rms_v, hz=step.tone.hz * self.hz_off, thd_pct=max(thd_pct, 0.02), verdict=judged(thd_pct),
            input=step.input,
        )  # fmt: skip

    # -- other tracks than tones

    @property
    def track(self):
        return self.tracks[-1][1]

    def change_track(self, prompt):
        """Play the sweep when that is asked for, stop when that is, and a tone in between."""
        stopped = prompt.text == "stop the track"
        wanted = "sweep" if prompt.text.endswith("sweep") else "none" if stopped else "tone"
        goes_on = prompt.text == "keep still" and prompt.step.kind is Kind.QUIET
        if not (goes_on or prompt.text.startswith("sweep") or wanted == self.track):
            self.tracks = (*self.tracks[-3:], (self.now_s, wanted))

    def sweep_hz(self, times_s):
        """Where the sweep is; NaN before and after it."""
        gone_s = times_s - self.tracks[-1][0] - 1.0
        hz = SWEEP_HZ[0] * 2.0 ** (SWEEP_OCTAVE_S * gone_s)
        return np.where((gone_s >= 0.0) & (gone_s <= SWEEP_S) & (self.track == "sweep"), hz, np.nan)

    def gain_at(self, hz):
        """What the filters of the output at the leads leave of a level."""
        filters = self.filters.get((self.lead.place, self.lead.channel), ()) if self.lead is not None else ()
        db = sum(level_db(hz=hz, corner_hz=corner, shape=shape, side=side) for side, shape, corner in filters)
        return 10.0 ** (np.asarray(db) / 20.0)

    @property
    def own_noise_v(self):
        return self.noise_v.get((self.lead.place, self.lead.channel), 1e-3) if self.lead is not None else 1e-3

    def newest(self, span_s):
        """The last seconds at the leads, evenly sampled; nothing of the line input."""
        times_s = self.now_s - np.arange(round(span_s * 4000.0))[::-1] / 4000.0
        volts = self.own_noise_v * np.random.default_rng(round(10 * self.now_s)).standard_normal(len(times_s))
        connected = self.lead is not None and self.now_s >= self.lifted_s
        for number, (since_s, track) in enumerate(self.tracks):
            until_s = self.tracks[number + 1][0] if number + 1 < len(self.tracks) else math.inf
            inside = (times_s >= since_s) & (times_s < until_s) & connected
            peak_v = math.sqrt(2.0) * (self.last or 0.0)
            if track == "tone" and self.lead is not None and self.lead.tone is not None:
                volts += inside * peak_v * np.sin(2 * np.pi * self.lead.tone.hz * times_s)
            elif track == "sweep" and number + 1 == len(self.tracks):
                hz = self.sweep_hz(times_s)
                inside, hz = inside & np.isfinite(hz), np.nan_to_num(hz, nan=1.0)
                turns = hz / (SWEEP_OCTAVE_S * math.log(2.0))
                volts += inside * peak_v * self.gain_at(hz) * np.sin(2 * np.pi * turns)
        return block((times_s, volts, SAMPLED), clock=Clock.EVEN), None

    def heard(self, prompt, command=Command.NONE):
        """What a prompt is answered with, response and noise in closed form."""
        reading, response, noise = self.see(), None, None
        if prompt.anew:
            self.swept = Sweep()
        if prompt.wants is Wants.RESPONSE:
            hz = float(self.sweep_hz(np.array([self.now_s]))[0])
            if math.isfinite(hz):
                volts = self.last * float(self.gain_at(np.array([hz]))[0])
                hz_s = SWEEP_OCTAVE_S * math.log(2.0) * hz
                self.swept.add(Point(self.now_s, hz, hz_s, volts, 0.002 * volts))
            response = self.swept.state(self.now_s)
        elif prompt.wants is Wants.NOISE:
            noise = noise_of(self.own_noise_v, stage=Stage.HEARD if self.track == "none" else Stage.TONE)
        return Heard(reading, self.now_s, command, response, noise)

    def obey(self, prompt):
        """Do a tenth of a second of what the prompt asks."""
        step = prompt.step
        self.change_track(prompt)
        if step.kind not in {Kind.CHECK, Kind.RECONNECT} and (self.lead is None or self.lead.label != step.label):
            if prompt.text == "clip on":
                self.lead, self.lifted_s = step, self.now_s + 1.0
            return
        if self.lead is not None and self.lead.label == step.label and step.kind is not Kind.RECONNECT:
            self.lead = step
        if prompt.text == "lift once more":
            self.lifted_s = self.now_s + 1.0
        if prompt.word == Word.UP:
            self.volume_db = min(self.volume_db + 0.08, 1.0)
        elif prompt.word == Word.DOWN:
            self.volume_db -= 0.04
        key = self.shared.get((step.place, step.channel), (step.place, step.channel))
        if prompt.text in {"gain up", "gain down"}:
            far = prompt.aim_v is None or abs(prompt.aim_v - (self.last or 0.0)) > 0.03 * prompt.aim_v
            turn_db = 0.1 if far else 0.012
            self.gain[key] *= 10 ** ((turn_db if prompt.text == "gain up" else -turn_db) / 20)


def carried_out(run, world, *, longest_s=3600.0, answer=lambda request: None):
    """Carry a run out dry; return what was asked, in order."""
    asked, course = [], run.requests()
    request = next(course)
    try:
        while world.now_s < longest_s:
            asked.append(request)
            if isinstance(request, Keep | Judge | Note):
                answer(request)
                request = course.send(None)
            else:
                world.obey(request)
                request = course.send(world.heard(request))
    except StopIteration:
        return asked
    raise AssertionError(f"not over after {longest_s} s: {asked[-1]}")


def carried_out_by(tuner, world, *, longest_s=3600.0, until=lambda: False, command=lambda prompt: Command.NONE):
    """Have a tuner carry its run out dry; return the prompts that were shown, in order.

    until : asked after each reading whether to stop before the end
    command : what is asked for while a prompt is shown
    """
    asked = []
    while not tuner.over and not until():
        if world.now_s > longest_s:
            raise AssertionError(f"not over after {longest_s} s: {tuner.prompt}")
        prompt = tuner.prompt
        asked.append(prompt)
        world.obey(prompt)
        tuner.take(world.see(), now_s=world.now_s, command=command(prompt), newest=world.newest)
    return asked


__all__ = [
    "DryWorld",
    "carried_out",
    "carried_out_by",
    "hard_clip_level",
    "judged",
    "noise_of",
    "overdriven",
    "reading_of",
    "replace",
]
