"""The tuning run on the meter: readings go in, the prompt to show comes out, kept readings go to the card."""

from __future__ import annotations

import dataclasses
import datetime
import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Protocol

import msgspec

from flattop import __version__, plan_files
from flattop.answers import Newest, Tracker
from flattop.calibration import Calibration, age_days
from flattop.errors import PlanError, StorageError
from flattop.measure.noise import Listener, Noise
from flattop.measure.reading import Reading, Verdict
from flattop.measure.response import Response
from flattop.measure.verdict import Limits
from flattop.panel.screen import View
from flattop.record import run_file
from flattop.record.logbook import wave_name
from flattop.record.run_answers import noise_from, response_from
from flattop.record.stamps import Trust, Wall, rfc3339
from flattop.tuning import judge
from flattop.tuning.judge import Finding, Judgement, Level
from flattop.tuning.plan import Plan, text_of
from flattop.tuning.run import Run, is_supply
from flattop.tuning.steps import (
    Command,
    Course,
    Heard,
    Judge,
    Keep,
    Kind,
    Note,
    Prompt,
    Request,
    State,
    Step,
    Wants,
    Word,
    steps_of,
)


class Promise(Protocol):
    """What keeping a reading gives: see record.logbook.Kept."""

    @property
    def number(self) -> int:
        """Counts the kept readings of the session, from 1."""
        ...

    @property
    def done(self) -> bool:
        """True once row and wave are on the card."""
        ...


@dataclass(slots=True)
class Tuner:
    """Carries a plan out.

    run : the plan on its way
    keep : puts a reading on the card; raises StorageError if that cannot be promised
    save : takes the record of the run after each change; must not wait for the card
    record : the record so far, with the plan and the meter
    wall : the wall clock, for the record
    """

    run: Run
    keep: Callable[[Reading, str], Promise]
    save: Callable[[run_file.Run], None]
    record: run_file.Run
    wall: Callable[[], Wall]
    prompt: Prompt | None = field(default=None, init=False)
    """What is to be shown; None before the first reading, and once the run is over."""
    kept: Reading | None = field(default=None, init=False)
    """The reading that was kept last."""
    keeping: Reading | None = field(default=None, init=False)
    """The reading that is on its way to the card."""
    over: bool = field(default=False, init=False)
    findings: list[Finding] = field(default_factory=list, init=False)
    _course: Course = field(init=False)
    refused: bool = field(default=False, init=False)
    """The card does not promise to take a reading; it is asked again with every turn."""
    _waiting: tuple[Keep, Promise | None] | None = field(default=None, init=False)
    _tracker: Tracker = field(default_factory=lambda: Tracker(Wants.READINGS), init=False)

    def __post_init__(self) -> None:
        self.findings = [_judged(finding) for finding in self.record.findings]
        self._course = self.run.requests()
        self._send(None)  # begins it
        self._save()

    @property
    def response(self) -> Response | None:
        """What the sweep of the present step shows so far; None where none is wanted, or nothing came in."""
        return self._tracker.response

    @property
    def noise(self) -> Noise | None:
        """What is heard without a tone in the present step; None where that is not wanted, or nothing came in."""
        return self._tracker.noise

    def take(
        self,
        reading: Reading,
        *,
        now_s: float,
        command: Command = Command.NONE,
        newest: Newest | None = None,
    ) -> bool:
        """Take the next reading in; True if another one has just been kept.

        newest : gives the newest samples; without it no sweep and no silence is found
        """
        if self._waiting is not None:
            keep, promise = self._waiting
            if promise is None:
                self._ask_card(keep)
            if promise is None or not promise.done:
                return False
            self._waiting, self.kept, self.keeping = None, keep.reading, None
            self._note(keep, promise)
            self._send(None)
            return True
        if not self.over:
            if newest is not None:
                self._tracker.look(newest, now_s=now_s)
            self._send(Heard(reading, now_s, command, self.response, self.noise))
        return False

    def view(self, view: View) -> View:
        """Return the first page's view with what the run has to say."""
        prompt = self.prompt
        if prompt is None:
            return replace(view, label="Run over", advice="") if self.over else view
        step = prompt.step
        only_read = step.kind in {Kind.CHECK, Kind.RECONNECT}
        return replace(
            view,
            label=prompt.place or "Before",
            advice=prompt.text if not only_read else "",
            task=prompt.text if only_read else "",
            # While a hand is led, the second person has nothing to do but hold.
            word=prompt.word if prompt.word is not Word.HOLD or not prompt.text else "",
            aim_v=prompt.aim_v,
            ceiling_v=prompt.ceiling_v,
            progress=f"{prompt.number} of {prompt.total}",
            supply=step.kind is Kind.SUPPLY and view.reading is not None and is_supply(view.reading),
        )

    # -- the course -----------------------------------------------------------------------------------------------

    def _send(self, answer: Heard | None) -> None:
        try:
            self._go_on(self._course.send(answer))
        except StopIteration:
            self.prompt, self.over, self._tracker = None, True, Tracker(Wants.READINGS)
            self._save()

    def _go_on(self, request: Request) -> None:
        while isinstance(request, Judge | Note):
            if isinstance(request, Judge):
                self.findings.append(request.finding)
            else:
                self._note_answer(request)
            request = self._course.send(None)
        if isinstance(request, Keep):
            self.keeping = request.reading
            self._ask_card(request)
        else:
            before, self.prompt = self.prompt, request
            if request.anew or request.wants is not self._tracker.wants:
                self._tracker = self._tracker_for(request)
            if before is not None and before.step is not request.step:
                self._save()

    def _ask_card(self, keep: Keep) -> None:
        try:
            self._waiting = (keep, self.keep(keep.reading, keep.step.id))
            self.refused = False
        except StorageError:
            self._waiting, self.refused = (keep, None), True

    def _tracker_for(self, prompt: Prompt) -> Tracker:
        level = self.run.level_left(prompt.step) if prompt.wants is Wants.NOISE else None
        if level is None:
            return Tracker(prompt.wants)
        return Tracker(prompt.wants, Listener(tone_v=level.rms_v, tone_hz=level.hz))

    # -- the record -----------------------------------------------------------------------------------------------

    def _note(self, keep: Keep, promise: Promise) -> None:
        reading = keep.reading
        kept = run_file.kept_from(
            reading,
            step=keep.step.id,
            number=promise.number,
            wave=wave_name(promise.number) if reading.tops is not None else "",
            wall=self.wall(),
            no_load=keep.no_load,
            u_common_rel=judge.level_of(reading, no_load=keep.no_load).u_common_rel,
            ceiling_v=math.nan if keep.ceiling_v is None else keep.ceiling_v,
            ceiling_u_v=math.nan if keep.ceiling_u_v is None else keep.ceiling_u_v,
        )
        self.record = msgspec.structs.replace(self.record, kept=(*self.record.kept, kept))
        self._save()

    def _note_answer(self, note: Note) -> None:
        """Put what a sweep or a silence showed into the record; it is saved with the end of its step, all at once."""
        step, reading, wall, record = note.step.id, note.reading, self.wall(), self.record
        if note.response is not None:
            response = response_from(note.response, step=step, reading=reading, wall=wall)
            record = msgspec.structs.replace(record, responses=(*record.responses, response))
        if note.noise is not None:
            heard = noise_from(note.noise, step=step, reading=reading, wall=wall)
            record = msgspec.structs.replace(record, noises=(*record.noises, heard))
        self.record = record

    def _save(self) -> None:
        self.record = msgspec.structs.replace(
            self.record,
            steps=tuple(map(self._step, self.run.steps)),
            findings=tuple(map(_finding, self.findings)),
        )
        self.save(self.record)

    def _step(self, step: Step) -> run_file.Step:
        plain = {
            "id": step.id,
            "kind": step.kind,
            "place": step.place,
            "channel": step.channel,
            "side": step.side,
            "tone": step.tone.name if step.tone is not None else "",
            "state": self.run.state(step),
            "text": step.text,
            "why": self.run.whys.get(step.id, ""),
        }
        return msgspec.convert(plain, run_file.Step)


def _finding(finding: Finding) -> run_file.Finding:
    plain = {name: getattr(finding, name) for name in run_file.Finding.__struct_fields__}
    for name in ("value", "u", "limit"):
        plain[name] = plain[name] if math.isfinite(plain[name]) else None
    return msgspec.convert(plain, run_file.Finding)


def _judged(finding: run_file.Finding) -> Finding:
    known = {name: getattr(finding, name) for name in run_file.Finding.__struct_fields__}
    for name in ("value", "u", "limit"):
        known[name] = math.nan if known[name] is None else known[name]
    return Finding(**known | {"judgement": Judgement(finding.judgement)})


def going_on(record: run_file.Run) -> Run:
    """Return the run of a record where it stood: what was done stays done, what was kept is known.

    Raises PlanError if the record's plan cannot be carried out.
    """
    try:
        plan = plan_files.loads(text_of(msgspec.convert(record.plan, Plan)), name=run_file.NAME)
    except msgspec.ValidationError as error:
        raise PlanError(f"the plan in {run_file.NAME} cannot be carried out ({error}); start it anew") from error
    levels, ceilings = {}, {}
    labels = {step.id: step.label for step in steps_of(plan)}
    for kept in record.kept:
        levels[kept.step] = Level(
            rms_v=_number(kept.rms_v),
            u_v=_number(kept.u_v),
            u_common_rel=kept.u_common_rel,
            hz=_number(kept.hz),
            verdict=Verdict(kept.verdict),
            no_load=kept.no_load,
            path=kept.path,
        )
        if kept.ceiling_v is not None and kept.step in labels:
            ceilings[labels[kept.step]] = (kept.ceiling_v, _number(kept.ceiling_u_v))
    return Run(
        plan,
        states={step.id: State(step.state) for step in record.steps},
        levels=levels,
        ceilings=ceilings,
        whys={step.id: step.why for step in record.steps if step.why},
    )


def _number(value: float | None) -> float:
    return math.nan if value is None else value


def beginning(
    plan: Plan,
    *,
    calibration: Calibration | None,
    limits: Limits,
    simulated: bool,
    wall: Wall,
    boot_id: str = "",
    monotonic_s: float = 0.0,
) -> run_file.Run:
    """Return the record of a run that has not begun yet."""
    known = wall.trust is not Trust.UNKNOWN and calibration is not None
    today = datetime.datetime.fromtimestamp(wall.unix_s, datetime.UTC).date()
    return run_file.Run(
        plan=msgspec.to_builtins(plan),
        meter=run_file.MeterState(
            serial=calibration.serial if calibration is not None else "",
            versions={"flattop": __version__},
            calibrated_on=calibration.date.isoformat() if calibration is not None else None,
            calibrated_days=age_days(calibration, today) if known and calibration is not None else None,
            simulated=simulated,
            limits={name: float(value) for name, value in dataclasses.asdict(limits).items()},
        ),
        started=run_file.Started(
            wall_time=rfc3339(wall.unix_s) if wall.unix_s else "",
            wall_trust=wall.trust,
            boot_id=boot_id,
            monotonic_s=monotonic_s,
        ),
    )
