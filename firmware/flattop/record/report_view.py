"""What the report shows of a run: its chain, links, outputs, findings and waves, each beside what belongs to it."""

from __future__ import annotations

import csv
import dataclasses
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from flattop.errors import StorageError
from flattop.measure.reading import Tops
from flattop.record.run_answers import CornerEntry, NoiseEntry, ResponseEntry
from flattop.record.run_file import Finding, Kept, PlanAmplifier, PlanChannel, PlanLink, Run, Step, plan_of
from flattop.tuning.judge import Level, difference_v, power_w, ratio_db

MOST_WAVE_BYTES = 1 << 20
GRAVEST = ("fail", "cannot tell", "pass")
KIND_OF = {"corner": "filter", "noise": "quiet"}
"""Findings that speak of steps of one kind, which nothing else speaks of."""
FILTERS = {"high-pass": "subsonic", "low-pass": "low-pass"}


@dataclass(frozen=True)
class Findings:
    """The findings of a run, and which of them speak of a step."""

    run: Run

    def of(self, *steps: Step) -> list[Finding]:
        """Return the findings about the place, output and side of any of these steps."""
        return [finding for finding in self.run.findings if any(self._speaks_of(finding, step) for step in steps)]

    def _speaks_of(self, finding: Finding, step: Step) -> bool:
        where = set(finding.where)
        of_kind = KIND_OF.get(finding.what)
        if step.kind != of_kind and (of_kind is not None or step.kind in KIND_OF.values()):
            return False
        if step.side and where & {"left", "right"} and step.side not in where:
            return False
        if where & _names(step):
            return True
        if not step.place or step.place not in where:
            return False
        outputs = {other.channel for other in self.run.steps if other.place == step.place and other.channel}
        return step.channel in where or not where & outputs

    def judgement(self, step: Step) -> str:
        """Return the gravest judgement about a step; empty if there is none."""
        judged = {finding.judgement for finding in self.of(step)}
        return next((judgement for judgement in GRAVEST if judgement in judged), "")


def _names(step: Step) -> set[str]:
    """Return the ways in which a finding may name exactly this step's output or side."""
    names = {step.id}
    if step.channel:
        names |= {f"{step.place}/{step.channel}", f"{step.place} {step.channel}"}
    if step.side:
        names |= {f"{name} {short}" for name in {step.place, *names} for short in (step.side, step.side[0].upper())}
    return names


def state_of(step: Step) -> str:
    """Return whether a step's reading is as found or as left; empty for the others."""
    return {"found": "as found", "left": "as left"}.get(step.kind, "")


@dataclass(frozen=True)
class Node:
    """A place in the chain, as one row of its drawing."""

    name: str
    kind: str
    """source, link or amplifier"""
    column: int
    from_column: int | None
    """Column of the place before it; None for the first."""
    through: tuple[int, ...]
    """Columns whose line runs past this row."""
    leads_on: bool
    """Something comes after it."""
    levels: tuple[tuple[str, Kept | None, Step | None], ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True)
class Levels:
    """The levels of one output [V rms], each with its expanded uncertainty; NaN for what is not known."""

    found_v: float
    found_u_v: float
    left_v: float
    left_u_v: float
    ceiling_v: float

    @property
    def known(self) -> list[float]:
        """The levels that are known."""
        return [v for v in (self.found_v, self.left_v, self.ceiling_v) if math.isfinite(v)]


@dataclass(frozen=True)
class Estimate:
    """A figure worked out from readings, with its expanded uncertainty."""

    value: float
    u: float


@dataclass(frozen=True)
class Output:
    """One output with one tone, as found and as left."""

    amplifier: PlanAmplifier
    channel: PlanChannel
    tone: str
    found: Kept | None
    left: Kept | None
    why_not: str
    """Why one of them is missing."""
    findings: tuple[Finding, ...]

    @property
    def change_db(self) -> Estimate | None:
        """As left over as found [dB]."""
        found, left = _level(self.found), _level(self.left)
        if found is None or left is None or not (found.rms_v and left.rms_v):
            return None
        return Estimate(*ratio_db(left, found))

    @property
    def levels(self) -> Levels:
        """What there is to draw."""
        found, left = self.found, self.left
        ceilings = [kept.ceiling_v for kept in (left, found) if kept is not None and kept.ceiling_v is not None]
        return Levels(
            found_v=_number(found.rms_v if found else None),
            found_u_v=_number(found.u_v if found else None),
            left_v=_number(left.rms_v if left else None),
            left_u_v=_number(left.u_v if left else None),
            ceiling_v=_number(ceilings[0] if ceilings else None),
        )

    def power_w(self, kept: Kept | None) -> Estimate | None:
        """Return V squared over the stated load [W]; an estimate, since no load was measured."""
        level = _level(kept)
        if level is None or not self.channel.load_ohm:
            return None
        return Estimate(*power_w(level, load_ohm=self.channel.load_ohm))


@dataclass(frozen=True)
class Cut:
    """One filter of an output: its corner as found and as left."""

    name: str
    """subsonic or low-pass"""
    stated_hz: float | None
    """Corner that the plan states [Hz]; None where it states none."""
    found: CornerEntry | None
    left: CornerEntry | None
    findings: tuple[Finding, ...]


@dataclass(frozen=True)
class Filtered:
    """The filters of one output, and the curves they were found from."""

    amplifier: PlanAmplifier
    channel: PlanChannel
    found: ResponseEntry | None
    left: ResponseEntry | None
    why_not: str
    """Why one of the two is missing."""

    def cuts(self, findings: Sequence[Finding]) -> list[Cut]:
        """Return the filters that the plan states or a sweep showed, each with what is said of it."""
        stated = {"high-pass": self.channel.subsonic_hz, "low-pass": self.channel.low_pass_hz}
        cuts = []
        for side, name in FILTERS.items():
            found, left = (one.corner(side) if one is not None else None for one in (self.found, self.left))
            if stated[side] or found is not None or left is not None:
                about = tuple(finding for finding in findings if name in finding.where)
                cuts.append(Cut(name, stated[side] or None, found, left, about))
        return cuts


@dataclass(frozen=True)
class Hush:
    """What one output has without a tone."""

    amplifier: PlanAmplifier
    channel: PlanChannel
    noise: NoiseEntry | None
    why_not: str
    findings: tuple[Finding, ...]


@dataclass(frozen=True)
class Passage:
    """One side of a link: the level before and after it."""

    link: PlanLink
    side: str
    before: Kept | None
    after: Kept | None
    findings: tuple[Finding, ...]

    @property
    def loss_v(self) -> Estimate | None:
        """What is lost in the link [V]."""
        before, after = _level(self.before), _level(self.after)
        return Estimate(*difference_v(before, after)) if before is not None and after is not None else None


@dataclass(frozen=True)
class Picture:
    """The tops of a kept reading, or why there is no picture of them."""

    kept: Kept
    step: Step
    tops: Tops | None
    fault: str = ""


@dataclass
class Record:
    """A run and its folder, arranged for the page."""

    run: Run
    folder: Path
    steps: dict[str, Step] = field(init=False)
    findings: Findings = field(init=False)

    def __post_init__(self) -> None:
        self.plan = plan_of(self.run)
        self.steps = {step.id: step for step in self.run.steps}
        self.findings = Findings(self.run)

    @property
    def simulated(self) -> bool:
        """True if anything in it comes from the simulated board."""
        return self.run.meter.simulated or any(one.simulated for one in self._measured())

    @property
    def uncalibrated(self) -> bool:
        """True if anything in it was measured without a calibration."""
        return self.run.meter.calibrated_on is None or not all(one.calibrated for one in self._measured())

    def _measured(self) -> tuple[Kept | ResponseEntry | NoiseEntry, ...]:
        return (*self.run.kept, *self.run.responses, *self.run.noises)

    def judged(self, judgement: str) -> list[Finding]:
        """Return the findings with this judgement."""
        return [finding for finding in self.run.findings if finding.judgement == judgement]

    def last_kept(self, kinds: Sequence[str], **where: str) -> tuple[Kept | None, Step | None]:
        """Return the last reading kept for a step of the first of `kinds` that has any, and a step that matches."""
        match: Step | None = None
        for kind in kinds:
            steps = [s for s in self.run.steps if s.kind == kind and all(getattr(s, k) == v for k, v in where.items())]
            ids = {step.id for step in steps}
            for kept in reversed(self.run.kept):
                if kept.step in ids:
                    return kept, self.steps[kept.step]
            match = match or next(iter(steps), None)
        return None, match

    def supply(self) -> list[tuple[Step, Kept]]:
        """Return the readings of the supply."""
        pairs = [(self.steps[kept.step], kept) for kept in self.run.kept]
        return [(step, kept) for step, kept in pairs if step.kind == "supply"]

    def done(self, kind: str) -> list[Step]:
        """Return the steps of a kind that were done."""
        return [step for step in self.run.steps if step.kind == kind and step.state == "done"]

    def undone(self) -> list[tuple[Step, list[str]]]:
        """Return the steps left open, skipped or not possible, with the kinds of others that differ in that alone."""
        groups: dict[tuple[str, ...], list[Step]] = {}
        for step in self.run.steps:
            if step.state != "done":
                same = (step.state, step.place, step.channel, step.side, step.tone, step.text, step.why)
                groups.setdefault(same, []).append(step)
        return [(first, [step.kind for step in others]) for first, *others in groups.values()]

    # -- the chain

    def chain(self) -> list[Node]:
        """Return the places from the source on, each followed by what comes after it."""
        after: dict[str, list[tuple[str, str]]] = {}
        for link in self.plan.links:
            after.setdefault(link.after, []).append((link.name, "link"))
        for amplifier in self.plan.amplifiers:
            after.setdefault(amplifier.after, []).append((amplifier.name, "amplifier"))
        nodes: list[Node] = []
        seen: set[str] = set()

        def add(name: str, kind: str, column: int, from_column: int | None, through: tuple[int, ...]) -> None:
            if name in seen:  # a damaged plan may lead back to where it came from
                return
            seen.add(name)
            following = after.get(name, [])
            nodes.append(self._node(name, kind, column, from_column, through, leads_on=bool(following)))
            for number, (next_name, next_kind) in enumerate(following, 1):
                last = number == len(following)
                next_column = column if len(following) == 1 else column + 1
                add(next_name, next_kind, next_column, column, through if last else (*through, column))

        add(self.plan.source.name, "source", 0, None, ())
        return nodes

    def _node(
        self, name: str, kind: str, column: int, from_column: int | None, through: tuple[int, ...], *, leads_on: bool
    ) -> Node:
        if kind == "amplifier":
            amplifier = next(amplifier for amplifier in self.plan.amplifiers if amplifier.name == name)
            levels = [
                (channel.name, *self.last_kept(("left", "set", "found"), place=name, channel=channel.name))
                for channel in amplifier.channels
            ]
            findings: list[Finding] = []
        else:
            sides = self._sides(kind, name)
            levels = [(side, *self.last_kept((kind,), place=name, side=side)) for side in sides]
            findings = self.findings.of(*(step for _, _, step in levels if step is not None))
        return Node(name, kind, column, from_column, through, leads_on, tuple(levels), tuple(findings))

    def _sides(self, kind: str, name: str) -> list[str]:
        return list(dict.fromkeys(step.side for step in self.run.steps if step.kind == kind and step.place == name))

    def links(self) -> list[Passage]:
        """Return every side of every link, with its levels; a finding about both sides stands at the last."""
        passages = []
        for link in self.plan.links:
            told: list[Finding] = []
            sides = []
            for side in reversed(self._sides("link", link.name)):
                before, _ = self.last_kept(("source", "link"), place=link.after, side=side)
                after, step = self.last_kept(("link",), place=link.name, side=side)
                findings = [f for f in self.findings.of(step) if f not in told] if step is not None else []
                told += findings
                sides.append(Passage(link, side, before, after, tuple(findings)))
            passages += sides[::-1]
        return passages

    # -- the outputs

    def outputs(self) -> list[tuple[PlanAmplifier, list[Output]]]:
        """Return every amplifier with its outputs, one for each tone they were measured with."""
        return [(amplifier, list(self._outputs_of(amplifier))) for amplifier in self.plan.amplifiers]

    def _outputs_of(self, amplifier: PlanAmplifier) -> Iterator[Output]:
        for channel in amplifier.channels:
            where = {"place": amplifier.name, "channel": channel.name}
            steps = [s for s in self.run.steps if (s.place, s.channel) == (amplifier.name, channel.name)]
            for tone in dict.fromkeys(step.tone for step in steps if state_of(step)) or ("",):
                pairs = [self.last_kept((kind,), **where, tone=tone) for kind in ("found", "left")]
                whys = dict.fromkeys(
                    ": ".join(filter(None, (step.state, step.why)))
                    for kept, step in pairs
                    if step is not None and kept is None
                )
                findings = self.findings.of(*(step for _, step in pairs if step is not None))
                yield Output(amplifier, channel, tone, pairs[0][0], pairs[1][0], "; ".join(whys), tuple(findings))

    # -- filters and noise

    def filters(self) -> list[tuple[Filtered, list[Cut]]]:
        """Return each output that was to be swept, with its filters."""
        filtered = []
        for amplifier, channel, steps in self._steps_of("filter"):
            entries = {one.step: one for one in self.run.responses}  # of several the last one
            by_text = {step.text: entries.get(step.id) for step in steps}
            one = Filtered(amplifier, channel, by_text.get("as found"), by_text.get("as left"), _why_not(steps))
            filtered.append((one, one.cuts(self.findings.of(*steps))))
        return filtered

    def noises(self) -> list[Hush]:
        """Return each output that was to be listened to."""
        entries = {one.step: one for one in self.run.noises}
        return [
            Hush(amplifier, channel, entries.get(steps[-1].id), _why_not(steps), tuple(self.findings.of(*steps)))
            for amplifier, channel, steps in self._steps_of("quiet")
        ]

    def _steps_of(self, kind: str) -> Iterator[tuple[PlanAmplifier, PlanChannel, list[Step]]]:
        for amplifier in self.plan.amplifiers:
            for channel in amplifier.channels:
                where = (kind, amplifier.name, channel.name)
                if steps := [step for step in self.run.steps if (step.kind, step.place, step.channel) == where]:
                    yield amplifier, channel, steps

    # -- the tops

    def pictures(self) -> list[Picture]:
        """Return the tops of every kept reading that has a wave."""
        pictures = []
        for kept in self.run.kept:
            if kept.wave:
                tops, fault = None, ""
                try:
                    tops = read_wave(self.folder / kept.wave)
                except StorageError as error:
                    fault = str(error)
                pictures.append(Picture(kept, self.steps[kept.step], tops, fault))
        return pictures


def _level(kept: Kept | None) -> Level | None:
    """Return what a judgement needs of a kept reading; None unless its level is known."""
    if kept is None or kept.rms_v is None or kept.u_v is None:
        return None
    return Level(rms_v=kept.rms_v, u_v=kept.u_v, u_common_rel=kept.u_common_rel, hz=_number(kept.hz), path=kept.path)


def _why_not(steps: Sequence[Step]) -> str:
    """Return how and why steps ended that were not done."""
    undone = [step for step in steps if step.state != "done"]
    return "; ".join(dict.fromkeys(": ".join(filter(None, (step.text, step.state, step.why))) for step in undone))


def _number(value: float | None) -> float:
    return math.nan if value is None else value


def read_wave(path: Path) -> Tops:
    """Return the folded wave of a kept reading; StorageError says why it cannot be read."""
    names = [entry.name for entry in dataclasses.fields(Tops)]
    try:
        with path.open("rb") as file:
            raw = file.read(MOST_WAVE_BYTES + 1)
        if len(raw) > MOST_WAVE_BYTES:
            raise ValueError(f"it is longer than {MOST_WAVE_BYTES} bytes")
        header, *rows = csv.reader(raw.decode("utf-8").splitlines(), strict=True)
        if header != names:
            raise ValueError("its columns are not those of a wave")
        columns = np.array([[float(text or "nan") for text in row] for row in rows], dtype=np.float64)
        if columns.shape != (len(rows), len(names)):
            raise ValueError("it has no rows")
    except OSError as fault:
        raise StorageError(f"{path.name} cannot be read ({fault.strerror or fault})") from None
    except (ValueError, csv.Error) as fault:
        raise StorageError(f"{path.name} is damaged ({fault})") from None
    return Tops(*columns.T)
