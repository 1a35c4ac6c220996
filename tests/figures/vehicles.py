"""Vehicles: whole tuning runs on random vehicles, and what was found beside what is true.

A trial draws a vehicle and the plan of its tuner (simulated/draw.py), and lets two people who know only what the meter
shows carry the plan out on the register-level board, from the choice of the plan to the end of the run.
"""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import msgspec
import numpy as np
import rig
from rig import Row, Runner

from flattop.measure.reading import Reading
from flattop.record import run_file
from flattop.record.stamps import Wall
from flattop.simulated import draw
from flattop.simulated.calibration import calibrate
from flattop.simulated.chain import Truth
from flattop.simulated.scene import Scene
from flattop.simulated.vehicle_file import Trouble
from flattop.tuner import Tuner
from flattop.tuning import judge
from flattop.tuning.judge import Finding, Judgement
from flattop.tuning.run import CEILING_THD_PCT, Run
from flattop.tuning.steady import IN_THE_WAY, Sight
from flattop.tuning.steps import Command, Kind
from flattop.tuning.summing_up import PAIR_SHARE

LABEL = 91
STAYS_S = 0.6
"""A fault matters if the meter still wants a reading from its place so long afterwards."""
TELL_S = 8.0
"""A fault is told if its name is shown within this time."""
DB_OF_PAIR = judge.DB * PAIR_SHARE
"""Difference of two outputs on one pot that is a fault [dB]."""
RESTART_S = 1.0
"""A track that is chosen while it plays already is cut, and begins anew within this time: told as what it is."""
BEFORE_S = 15.0
"""A text that names a fault is a false one if nothing of the kind came about within this time before."""
LIFT = IN_THE_WAY[Sight.SAME]
SAYS = {
    Trouble.SLIP: {"clip is off", "clip or track?"},
    Trouble.FADE: {"track fades", "restart track"},
    # From a tone to nothing at all: an open lead in a quiet place looks just like it.
    Trouble.END: {"restart track", "clip or track?"},
}


@dataclass
class Found:
    """One run: errors by name, and what is wrong with it in plain words."""

    number: int
    ended: bool = False
    virtual_s: float = math.nan
    wall_s: float = math.nan
    presses: int = 0
    ceilings_pct: dict[str, float] = field(default_factory=dict)
    """Output or source, and tone -> ceiling found over the true one [%]."""
    losses_db: dict[str, float] = field(default_factory=dict)
    mismatches_db: dict[str, float] = field(default_factory=dict)
    matched_v: dict[str, float] = field(default_factory=dict)
    """Matched outputs -> how far apart they truly are, and within 60 to 120 V."""
    told: dict[str, bool] = field(default_factory=dict)
    """Fault that came about -> whether it was told."""
    not_planted: list[str] = field(default_factory=list)
    keeps: int = 0
    wrong_keeps: list[str] = field(default_factory=list)
    left_bent: list[str] = field(default_factory=list)
    open_steps: list[str] = field(default_factory=list)


@dataclass(slots=True)
class Promise:
    """A card that takes everything at once."""

    number: int
    done: bool = True


class Counted(Tuner):
    """A tuner's meter that counts what is asked of it with a button or the foot switch."""

    presses = 0

    def take(self, reading: Reading, *, now_s: float, command: Command = Command.NONE, **given: Any) -> bool:
        self.presses += command is not Command.NONE
        return super().take(reading, now_s=now_s, command=command, **given)


@dataclass
class Watched:
    """A run, the scene it is carried out in, and notes of what was shown and kept."""

    drawn: draw.Drawn
    seed: int
    found: Found
    shown: list[tuple[float, str, str, str]] = field(default_factory=list)
    """When, place, step and text."""
    restarts_s: list[float] = field(default_factory=list)
    """When the hands chose a track that was playing already."""

    def __post_init__(self) -> None:
        self.run = Run(self.drawn.plan)
        self.scene = Scene(self.drawn.plan, self.drawn.vehicle, calibrate(seed=self.seed), seed=self.seed)
        self.vehicle = self.scene.vehicle
        self.vehicle.play = partial(self._play, self.vehicle.play)
        self.ceilings: dict[str, tuple[float, float]] = {}
        self.kept: dict[str, float] = {}
        self.tuner = Counted(
            self.run, keep=self._keep, save=lambda record: None, record=_record(self.drawn), wall=lambda: Wall(0.0)
        )

    def _play(self, play: Callable[[str, float], None], tone: str, at_s: float) -> None:
        if self.vehicle.playing == tone:
            self.restarts_s.append(at_s)
        play(tone, at_s)

    def carry_out(self) -> None:
        begun_s = time.monotonic()
        last: tuple[str, str] | None = None
        for reading in self.scene.readings(self.tuner):
            prompt = self.tuner.prompt
            now = (prompt.step.id, prompt.text) if prompt is not None else ("", "")
            if now != last:
                self.shown.append((reading.time_s, prompt.place if prompt is not None else "", *now))
                last = now
            self.found.virtual_s = reading.time_s
        self.found.ended = self.tuner.over
        self.found.presses = self.tuner.presses
        self.found.wall_s = time.monotonic() - begun_s

    def _keep(self, reading: Reading, step_id: str) -> Promise:
        """Take a reading, and compare it with what lies between the terminals, and with what lies at the place."""
        step = next(step for step in self.run.steps if step.id == step_id)
        spot = self.vehicle.spot(step.label)
        if spot is None:
            raise KeyError(step.label)
        # Whole cycles of the tone, as far as they go.
        hz = step.tone.hz if step.tone is not None else 1.0 / reading.duration_s
        span_s = max(math.floor(reading.duration_s * hz), 1) / hz
        times_s = reading.time_s - span_s * (np.arange(8000)[::-1] + 0.5) / 8000
        leads = self.vehicle.speaker if step.input.value == "speaker" else self.vehicle.line
        there, wanted = leads(times_s), self.vehicle.at(spot, times_s)
        on_place = float(np.std(there - wanted)) <= 1e-6 * max(float(np.std(wanted)), 1e-3)
        right_tone = step.tone is None or abs(reading.hz / step.tone.hz - 1.0) < 0.01
        if not (on_place and right_tone):
            self.found.wrong_keeps.append(f"{step_id} at {reading.time_s:.1f} s")
        self.found.keeps += 1
        self.kept[step_id] = float(np.std(wanted))
        ceiling = self.run.ceilings.get(step.label)
        if ceiling is not None and ceiling != self.ceilings.get(step.label) and step.tone is not None:
            self.ceilings[step.label] = ceiling
            truth = self.vehicle.truth(limit_pct=CEILING_THD_PCT, at_s=reading.time_s)
            true_v = truth.ceilings_v[step.label, step.tone.name]
            self.found.ceilings_pct[f"{step.label}, {step.tone.hz:g} Hz"] = 100.0 * (ceiling[0] / true_v - 1.0)
        return Promise(self.found.keeps)


def _record(drawn: draw.Drawn) -> run_file.Run:
    return run_file.Run(
        plan=msgspec.to_builtins(drawn.plan),
        meter=run_file.MeterState(
            serial="", versions={}, calibrated_on=None, calibrated_days=None, simulated=True, limits={}
        ),
        started=run_file.Started(wall_time="", wall_trust="unknown", boot_id="", monotonic_s=0.0),
    )


def trial(seed: list[int], *, smooth: bool = True) -> Found:
    """Carry one run out; `seed` ends with the vehicle's number."""
    number = int(np.random.SeedSequence(seed).generate_state(1)[0]) % 1_000_000
    found = Found(number)
    watched = Watched(draw.draw(number, smooth=smooth), number, found)
    watched.carry_out()
    _compare_levels(watched)
    _compare_faults(watched)
    return found


def stepped_trial(seed: list[int]) -> Found:
    return trial(seed, smooth=False)


def _compare_levels(watched: Watched) -> None:
    found, run, levels = watched.found, watched.run, watched.run.levels
    truth = watched.vehicle.truth(limit_pct=CEILING_THD_PCT)
    found.open_steps = [step.id for step in run.steps if run.state(step) in {"open", "could not"}]
    for finding in watched.tuner.findings:
        if finding.what == "link loss":
            name, side = finding.where[0][:-2], {"L": "left", "R": "right"}[finding.where[0][-1]]
            found.losses_db[finding.where[0]] = finding.value - truth.losses_db[name, side]
    left = {step.label: step for step in run.steps if step.kind is Kind.LEFT and step.id in levels}
    for (one, other), true_db in truth.mismatches_db.items():
        if one in left and other in left:
            measured_db, _ = judge.ratio_db(levels[left[other].id], levels[left[one].id])
            found.mismatches_db[f"{one}, {other}"] = measured_db - true_db
    bass = {label: watched.kept[step.id] for label, step in left.items() if label.startswith("Bass")}
    if len(bass) == 2 and all(60.0 <= level_v <= 120.0 for level_v in bass.values()):
        found.matched_v["Bass A, Bass B"] = max(bass.values()) - min(bass.values())
    found.left_bent = [
        label
        for label, step in left.items()
        if not label.startswith("Bass") and levels[step.id].verdict in {"soft", "flat"}
    ]


def _compare_faults(watched: Watched) -> None:
    found, shown = watched.found, watched.shown
    for at_s, fault in watched.vehicle.happened:
        step, later = _wanted(shown, at_s), _wanted(shown, at_s + STAYS_S)
        # A clip that comes off just when the meter asks for the lead to be lifted does what was asked.
        asked = {text for s, _, _, text in shown if at_s - STAYS_S <= s <= at_s + STAYS_S}
        if fault.what is Trouble.SLIP and LIFT in asked:
            continue
        if step == later and watched.vehicle.spot(step[0]) is watched.vehicle.spot(fault.place):
            says = SAYS.get(fault.what, {"play"})
            named = {
                text
                for s, _, _, text in shown
                if at_s <= s <= at_s + TELL_S and any(text.startswith(name) for name in says)
            }
            found.told[f"{fault.what} at {fault.place}, {at_s:.1f} s"] = bool(named)
    failed = [finding for finding in watched.tuner.findings if finding.judgement is Judgement.FAIL]
    truth = watched.vehicle.truth(limit_pct=CEILING_THD_PCT)
    # What is beyond the plan's limit is a fault, whether it was planted or came of many small errors together.
    beyond = {pot for pot in ("stage", "street") if _differs(truth, pot) > DB_OF_PAIR}
    for pot in beyond:
        found.told[f"mismatch {pot}"] = any(
            _is_of_pot(finding, pot) or _too_near_to_tell(finding, pot) for finding in watched.tuner.findings
        )
    told_source = any(finding.what == "source ceiling" for finding in failed)
    if truth.source_clips:
        found.told["clipping source"] = told_source
    found.not_planted += ["clipping source"] if told_source and not truth.source_clips else []
    for pot in ("stage", "street"):
        if pot not in beyond and any(_is_of_pot(finding, pot) for finding in failed):
            found.not_planted.append(f"mismatch {pot}")
    for finding in failed:
        if finding.what in {"link loss", "match", "shape"}:
            found.not_planted.append(finding.text)
        elif finding.what == "pair" and finding.unit == "V":
            true_db = max(
                (abs(db) for name, db in truth.sides_db.items() if finding.where[0].startswith(name)), default=0
            )
            left_v = next(v for step, v in watched.kept.items() if f":{finding.where[0][:-2]}:left" in step)
            if left_v * (10 ** (true_db / 20) - 1) <= finding.limit:
                found.not_planted.append(finding.text)
    found.not_planted += _false_alarms(watched)


def _differs(truth: Truth, pot: str) -> float:
    """Return how far two outputs on one pot truly differ [dB]."""
    return max(abs(db) for pair, db in truth.mismatches_db.items() if f" {pot} " in pair[0])


def _is_of_pot(finding: Finding, pot: str) -> bool:
    failed = finding.judgement is Judgement.FAIL
    return failed and finding.what == "not adjustable here" and any(f" {pot} " in where for where in finding.where)


def _too_near_to_tell(finding: Finding, pot: str) -> bool:
    """Return whether the meter says of a pot's outputs that it cannot tell: their true difference is near the limit."""
    unsure = finding.judgement is Judgement.CANNOT_TELL and finding.what in {"pair", "not adjustable here"}
    return unsure and any(f" {pot} " in where for where in finding.where)


def _wanted(shown: list[tuple[float, str, str, str]], at_s: float) -> tuple[str, str]:
    """Return the place and the step that the meter asked for at a time."""
    past = [(place, step) for s, place, step, _ in shown if s <= at_s]
    return past[-1] if past else ("", "")


def _false_alarms(watched: Watched) -> Iterator[str]:
    """Yield each text that names a fault of clip or track while none had come about."""
    for at_s, place, _, text in watched.shown:
        causes = {what for what, says in SAYS.items() if text in says}
        if "clip is off" in text:
            causes.add(Trouble.END)  # who finds no signal takes the clips off, to put them on anew
        planted = any(fault.what in causes and at_s - BEFORE_S <= s <= at_s for s, fault in watched.vehicle.happened)
        cut = Trouble.END in causes and any(at_s - RESTART_S <= s <= at_s for s in watched.restarts_s)
        if text in {"wrong place?", "other leads"} or (causes and not planted and not cut):
            yield f"{text} at {place}, {at_s:.1f} s"


# -- the table --------------------------------------------------------------------------------------------------------


def _worst(
    name: str, target: float, unit: str, runs: list[Found], errors: Callable[[Found], dict[str, float]], digits: int
) -> list[Row]:
    """Return a row with the largest error, and one for each that misses the target, with the vehicle's number."""
    every = [(abs(value), value, where, run.number) for run in runs for where, value in errors(run).items()]
    worst = max((one[0] for one in every), default=math.nan)
    missed = [one for one in every if not one[0] <= target]
    measured = f"{worst:.{digits}f} {unit}, {len(missed)} beyond"
    rows = [Row(name, measured, f"all within {target:g} {unit}", len(every), not missed)]
    return rows + [
        Row(f"  vehicle {number}: {where}", f"{value:+.{digits}f} {unit}", "", 1, False)
        for _, value, where, number in sorted(missed, reverse=True)
    ]


def _none(name: str, count: int, runs: list[Found], wrong: Callable[[Found], list[str]]) -> list[Row]:
    every = [(run.number, what) for run in runs for what in wrong(run)]
    rows = [Row(name, f"{len(every)}", "none", count, not every)]
    return rows + [Row(f"  vehicle {number}: {what}", "", "", 1, False) for number, what in every]


def _table(runs: list[Found]) -> list[Row]:
    faults = [told for run in runs for told in run.told.values()]
    outputs = sum(run.keeps for run in runs)
    limit = f"{CEILING_THD_PCT:g} % THD, harmonics 2 to 40"
    return [
        *_none("runs that did not come to an end", len(runs), runs, lambda run: [] if run.ended else ["not over"]),
        *_none("steps not done", len(runs), runs, lambda run: run.open_steps),
        *_worst(f"ceiling, {limit}", 0.5, "%", runs, lambda run: run.ceilings_pct, 2),
        *_worst("link loss", 0.02, "dB", runs, lambda run: run.losses_db, 4),
        *_worst("mismatch on one pot", 0.03, "dB", runs, lambda run: run.mismatches_db, 4),
        *_worst("matched amplifiers at 60 to 120 V", 0.1, "V", runs, lambda run: run.matched_v, 3),
        *_none(
            "planted faults not told",
            len(faults),
            runs,
            lambda run: [what for what, told in run.told.items() if not told],
        ),
        *_none("faults told and not planted", len(runs), runs, lambda run: run.not_planted),
        *_none("kept at the wrong output or tone", outputs, runs, lambda run: run.wrong_keeps),
        *_none("mid outputs left soft or flat", outputs, runs, lambda run: run.left_bent),
        Row("buttons touched", f"{sum(run.presses for run in runs)}", "0", len(runs), not any(r.presses for r in runs)),
        Row("length of a run", _span([run.virtual_s for run in runs]), "-", len(runs), None),
        Row("wall time of a run", _span([run.wall_s for run in runs]), "-", len(runs), None),
    ]


def _span(values: list[float]) -> str:
    return f"{min(values):.0f} to {max(values):.0f} s, median {np.median(values):.0f} s"


def smooth(runner: Runner, trials: int) -> list[Row]:
    """Tune vehicles whose source has a volume knob without steps."""
    return _table(runner.map(trial, trials, label=LABEL))


def steps(runner: Runner, trials: int) -> list[Row]:
    """Tune vehicles whose source has volume steps."""
    return _table(runner.map(stepped_trial, max(trials // 4, 1), label=LABEL + 1))


FIGURES = {"smooth": smooth, "steps": steps}

if __name__ == "__main__":
    sys.exit(rig.main(__doc__ or "", FIGURES, trials=100))
