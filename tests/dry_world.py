"""A vehicle in closed form for dry runs: readings as a good meter would give them, and hands that do what is asked."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from blocks import bass_facts
from flattop.measure.reading import Reading, Reason, Tops, Verdict
from flattop.samples import Clock, Input, Quality
from flattop.tuning.pot import hard_clip_level
from flattop.tuning.steps import Command, Kind, Word

UPDATE_S = 0.1
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


@dataclass
class DryWorld:
    """Levels by place; one person at the volume, one at leads and pots, both obedient and a little slow.

    loss_db : of each link by (name, side); gains : volts at the output for one at its input, by (amplifier, channel);
    rails_v : peak that each can reach; shared : outputs whose pot is another's.
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
        drive_v, rail_v = self.level(step)
        thd_pct, level = overdriven(max(20 * math.log10(drive_v / rail_v), 0.0)) if drive_v > rail_v else (0.02, None)
        rms_v = rail_v * level if level is not None else drive_v / math.sqrt(2.0)
        self.last = rms_v
        return reading_of(
            self.now_s, rms_v=rms_v, hz=step.tone.hz * self.hz_off, thd_pct=max(thd_pct, 0.02), verdict=judged(thd_pct),
            input=step.input,
        )  # fmt: skip

    def obey(self, prompt):
        """Do a tenth of a second of what the prompt asks."""
        step = prompt.step
        if step.kind not in {Kind.CHECK, Kind.RECONNECT} and (self.lead is None or self.lead.label != step.label):
            if prompt.text == "clip on":
                self.lead, self.lifted_s = step, self.now_s + 1.0
            return
        if self.lead is not None and self.lead.label == step.label:
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
    from flattop.tuning.steps import Heard, Judge, Keep

    asked, course = [], run.requests()
    request = next(course)
    try:
        while world.now_s < longest_s:
            asked.append(request)
            if isinstance(request, Keep | Judge):
                answer(request)
                request = course.send(None)
            else:
                world.obey(request)
                request = course.send(Heard(world.see(), world.now_s))
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
        tuner.take(world.see(), now_s=world.now_s, command=command(prompt))
    return asked


__all__ = [
    "DryWorld",
    "carried_out",
    "carried_out_by",
    "hard_clip_level",
    "judged",
    "overdriven",
    "reading_of",
    "replace",
]
