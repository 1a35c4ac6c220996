"""run.json: a tuning run in its session folder, from which the run goes on after a power cut and the report is made.

Strict JSON (RFC 8259) in UTF-8. Its keys are the fields of `Run` and of what it holds, and `firmware/run-file.md`
describes each. Version 2 has these keys and no other: a key more or another meaning raises the version. A reader
refuses what is newer than itself and reads what is older, which is saved again in its own version. The plan alone may
hold more than is known here, and keeps it.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Annotated, Any, Final, Literal, get_args, get_origin

import msgspec
from msgspec import Meta, Struct

from flattop.errors import StorageError, listed
from flattop.measure.reading import Reading, Verdict
from flattop.record.card import REMEDIES, Card, words_for, write_file
from flattop.record.run_answers import (
    Entry,
    NoiseEntry,
    NotNegative,
    ResponseEntry,
    WallTime,
    known,
    newer_than_version_1,
)
from flattop.record.session_folder import newest_few
from flattop.record.stamps import Trust, Wall, rfc3339
from flattop.samples import Input
from flattop.tuning.judge import level_of

NAME = "run.json"
SCHEMA: Final = "flattop-run"
VERSION: Final = 2
MOST_BYTES = 1 << 24
"""A run of many hours is far smaller."""
MOST_FAULTS = 20
"""Faults of a damaged file that are told one by one."""
NOTE_CHARACTERS = 2000
MOST_VOLUME_STEP = 1000
LOOK_BACK = 5
"""Sessions that are looked through for a run to go on with."""

Side = Literal["left", "right", "both", ""]
Kind = Literal[
    "check", "supply", "source", "link", "found", "set", "match", "tone", "left", "filter", "quiet", "reconnect"
]
Count = Annotated[int, Meta(ge=1)]


class MeterState(Entry, frozen=True, kw_only=True):
    """The instrument at the start of the run."""

    serial: str
    versions: dict[str, str]
    calibrated_on: Annotated[str, Meta(pattern=r"^\d{4}-\d\d-\d\d$")] | None
    calibrated_days: int | None
    simulated: bool
    limits: dict[str, float]


class Started(Entry, frozen=True, kw_only=True):
    """When the run began, by both clocks."""

    wall_time: WallTime
    wall_trust: Trust
    boot_id: str
    monotonic_s: float


class Step(Entry, frozen=True, kw_only=True):
    """One step of the job and how it ended."""

    id: Annotated[str, Meta(min_length=1)]
    kind: Kind
    place: str
    channel: str = ""
    side: Side = ""
    tone: str = ""
    state: Literal["open", "done", "skipped", "could not"] = "open"
    text: str = ""
    """What is to be done, where the names do not say it."""
    why: str = ""
    """Why it was skipped, or could not be done."""


class Kept(Entry, frozen=True, kw_only=True):
    """A kept reading and the step it was kept for."""

    step: str
    number: Count
    wave: Annotated[str, Meta(pattern=r"^(kept-\d{4,}\.csv)?$")]
    wall_time: WallTime
    wall_trust: Trust
    t_s: float
    input: Input
    path: str
    rms_v: NotNegative | None
    u_v: NotNegative | None
    u_common_rel: NotNegative
    hz: float | None
    verdict: Verdict
    reason: str
    overdrive_db: float | None
    thd_pct: float | None
    dc_v: float | None
    no_load: bool
    ceiling_v: NotNegative | None
    ceiling_u_v: NotNegative | None
    volume_step: int | None
    simulated: bool
    calibrated: bool
    line_to_speaker_db: float | None = None
    line_to_speaker_u_db: NotNegative | None = None
    polarity: Literal["same", "opposite", "cannot tell", ""] = ""


class Finding(Entry, frozen=True, kw_only=True):
    """A judgement and what it is about."""

    what: str
    where: tuple[str, ...]
    judgement: Literal["pass", "fail", "cannot tell"]
    value: float | None
    u: NotNegative | None
    limit: float | None
    unit: Literal["dB", "V", "%", ""]
    text: str
    causes: tuple[str, ...]
    no_load: bool


class Note(Entry, frozen=True, kw_only=True):
    """A free note."""

    wall_time: WallTime
    text: Annotated[str, Meta(max_length=NOTE_CHARACTERS)]


class Run(Entry, frozen=True, kw_only=True):
    """All of run.json."""

    schema: Literal["flattop-run"] = SCHEMA
    version: Literal[1, 2] = VERSION
    plan: dict[str, Any]
    meter: MeterState
    started: Started
    steps: tuple[Step, ...] = ()
    kept: tuple[Kept, ...] = ()
    responses: tuple[ResponseEntry, ...] = ()
    noises: tuple[NoiseEntry, ...] = ()
    findings: tuple[Finding, ...] = ()
    notes: tuple[Note, ...] = ()


# -- of a plan, what the record itself relies on ----------------------------------------------------------------------


class PlanTone(Struct, frozen=True, kw_only=True):
    """A test tone."""

    name: str
    hz: float
    dbfs: float = 0.0


class PlanSource(Struct, frozen=True, kw_only=True):
    """Where the signal comes from."""

    name: str
    steps: int = 0


class PlanLink(Struct, frozen=True, kw_only=True):
    """Anything a signal passes between two measuring points."""

    name: str
    after: str
    loss_limit_db: float | None = None


class PlanChannel(Struct, frozen=True, kw_only=True):
    """One output of an amplifier."""

    name: str = ""
    band: str = ""
    power_w: NotNegative = 0.0
    load_ohm: NotNegative = 0.0
    pot: str = ""
    match: str = ""
    subsonic_hz: NotNegative = 0.0
    low_pass_hz: NotNegative = 0.0
    quiet_db: NotNegative = 0.0


class PlanAmplifier(Struct, frozen=True, kw_only=True):
    """An amplifier and its outputs."""

    name: str
    after: str
    channels: tuple[PlanChannel, ...] = ()


class PlanView(Struct, frozen=True, kw_only=True):
    """What the record and its report rely on in a plan; further keys may stand beside these."""

    name: str
    source: PlanSource
    amplifiers: tuple[PlanAmplifier, ...]
    tones: tuple[PlanTone, ...] = ()
    links: tuple[PlanLink, ...] = ()
    notes: str = ""


def plan_of(run: Run) -> PlanView:
    """Return the plan of a run, as far as it is shown."""
    return msgspec.convert(run.plan, PlanView)


def kept_from(
    reading: Reading,
    *,
    step: str,
    number: int,
    wave: str,
    wall: Wall,
    no_load: bool,
    u_common_rel: float = 0.0,
    ceiling_v: float = math.nan,
    ceiling_u_v: float = math.nan,
    volume_step: int | None = None,
) -> Kept:
    """Return the entry of a kept reading: numbers rounded as in every table, None for what is not known.

    number, wave : of the logbook
    u_common_rel : part of the uncertainty, over the level, that readings through the same path share
    ceiling_v, ceiling_u_v : highest clean level on this output with this tone, and its uncertainty [V]
    """
    between = reading.between
    return Kept(
        step=step,
        number=number,
        wave=wave,
        wall_time=rfc3339(wall.unix_s),
        wall_trust=wall.trust,
        t_s=round(reading.time_s, 6),
        input=reading.facts.input,
        path=level_of(reading, no_load=no_load).path,
        rms_v=known(reading.rms_v),
        u_v=known(reading.rms_u_v),
        u_common_rel=known(u_common_rel) or 0.0,
        hz=known(reading.hz),
        verdict=reading.verdict,
        reason=str(reading.reason),
        overdrive_db=known(reading.overdrive_db),
        thd_pct=known(reading.thd_pct),
        dc_v=known(reading.dc_v),
        no_load=no_load,
        ceiling_v=known(ceiling_v),
        ceiling_u_v=known(ceiling_u_v),
        volume_step=volume_step,
        simulated=reading.facts.simulated,
        calibrated=reading.facts.calibrated,
        line_to_speaker_db=known(between.gain_db) if between is not None else None,
        line_to_speaker_u_db=known(between.gain_u_db) if between is not None else None,
        polarity=between.polarity.value if between is not None and math.isfinite(between.gain_db) else "",
    )


# -- writing ----------------------------------------------------------------------------------------------------------


def save(folder: Path, run: Run, *, card: Card | None = None) -> None:
    """Put run.json into the folder of its session, on the medium: the new one whole, or else the old one.

    Raises StorageError if the card does not take it, or if `run` holds what `load` would refuse.
    """
    content = msgspec.json.encode(run)  # NaN and infinities become null
    faults = _faults_of(msgspec.json.decode(content))
    if faults:
        raise StorageError(listed(f"the run is not saved in {folder}, because it could not be read again:", faults))
    try:
        write_file(card or Card(), folder / NAME, msgspec.json.format(content, indent=1) + b"\n")
    except OSError as fault:
        words = words_for(fault)
        raise StorageError(
            f"{folder / NAME} cannot be written ({fault.strerror or fault}): {words}; what was saved before is kept; "
            f"{REMEDIES[words]}"
        ) from fault


def add_notes(folder: Path, texts: Sequence[str], *, wall_time: str) -> Run:
    """Add free notes to the run in `folder` and return it.

    Raises StorageError if one is empty or too long, then none is added; and as `load` and `save` do.
    """
    run = load(folder)
    tidy = ["".join(c if c.isprintable() or c == "\n" else " " for c in text).strip() for text in texts]
    faults = [
        f"note {number} has {len(text)} characters; allowed are 1 to {NOTE_CHARACTERS}; "
        + ("make it two" if text else "write something")
        for number, text in enumerate(tidy, 1)
        if not 0 < len(text) <= NOTE_CHARACTERS
    ]
    if faults:
        raise StorageError(listed("no note was added:", faults))
    notes = [Note(wall_time=wall_time, text=text) for text in tidy]
    run = msgspec.structs.replace(run, notes=(*run.notes, *notes))
    save(folder, run)
    return run


def note_volume(folder: Path, step: int) -> Run:
    """Add to the readings kept of the source at which step of its volume they were taken, and return the run.

    Raises StorageError if the source has no such step, or nothing was kept of it; and as `load` and `save` do.
    """
    run = load(folder)
    most = plan_of(run).source.steps or MOST_VOLUME_STEP
    if not 0 <= step <= most:
        raise StorageError(f"volume step {step}; allowed are 0 to {most}; give the step that the source showed")
    of_source = {one.id for one in run.steps if one.kind == "source"}
    if not any(kept.step in of_source for kept in run.kept):
        raise StorageError("nothing was kept of the source in this run; there is no reading that a volume belongs to")
    kept = tuple(
        msgspec.structs.replace(kept, volume_step=step) if kept.step in of_source else kept for kept in run.kept
    )
    run = msgspec.structs.replace(run, kept=kept)
    save(folder, run)
    return run


def bring_along(run: Run, earlier: Path, folder: Path, *, card: Card | None = None) -> None:
    """Copy the waves that a run kept in an earlier session into the session in which it goes on.

    Those that are there already stay; one that the earlier session has lost is left out. Raises OSError if the card
    does not take them.
    """
    for name in (kept.wave for kept in run.kept):
        if name and not (folder / name).exists() and (earlier / name).exists():
            write_file(card or Card(), folder / name, (earlier / name).read_bytes())


# -- reading ----------------------------------------------------------------------------------------------------------


def load(folder: Path) -> Run:
    """Read run.json of a session folder.

    Raises StorageError: no such folder, no run in it, an empty, damaged or newer file; with every fault, one a line.
    """
    raw = _content(folder)
    path = folder / NAME
    copy = "take another copy of this session from the card"
    if not raw.strip(b"\0 \t\r\n"):
        raise StorageError(f"{path} is empty; {copy}")
    try:
        held = msgspec.json.decode(raw)
        json.loads(raw, object_pairs_hook=_distinct)
    except (ValueError, RecursionError) as fault:
        raise StorageError(f"{path} is damaged: it is not JSON in UTF-8 ({fault}); {copy}") from None
    if not isinstance(held, dict) or held.get("schema") != SCHEMA:
        raise StorageError(
            f'{path} is not the record of a run: "schema" is {_shown(held)}; needed is "{SCHEMA}"; '
            "name the folder of a session"
        )
    version = held.get("version")
    if isinstance(version, int) and version > VERSION:
        raise StorageError(
            f"{path} has version {version}; this flattop reads versions 1 to {VERSION} and no newer one; update flattop"
        )
    faults = _faults_of(held)
    if faults:
        if len(faults) > MOST_FAULTS:
            faults[MOST_FAULTS:] = [f"and {len(faults) - MOST_FAULTS} more"]
        raise StorageError(listed(f"{path} is damaged; {copy}:", faults))
    return msgspec.structs.replace(msgspec.convert(held, Run), version=VERSION)


def unfinished(root: Path) -> tuple[Path, Run] | None:
    """Return the newest session with a run in the folder for sessions, and that run, if a step of it is still open.

    None where there is no such run among the last `LOOK_BACK` sessions, or none that can be read.
    """
    try:
        folder = next((folder for folder in newest_few(root, LOOK_BACK) if (folder / NAME).exists()), None)
        run = load(folder) if folder is not None else None
    except StorageError:
        return None
    if folder is None or run is None or not any(step.state == "open" for step in run.steps):
        return None
    return folder, run


def _distinct(pairs: list[tuple[str, object]]) -> None:
    """Refuse a key that stands twice: which of the two would count, no reader can know."""
    names = [name for name, _ in pairs]
    for name in names:
        if names.count(name) > 1:
            raise ValueError(f"the key {_shown(name)} stands there twice")


def _content(folder: Path) -> bytes:
    path = folder / NAME
    try:
        with path.open("rb") as file:
            raw = file.read(MOST_BYTES + 1)
    except FileNotFoundError:
        raise StorageError(_why_missing(folder)) from None
    except NotADirectoryError:
        raise StorageError(f"{folder} is a file; name the folder of a session") from None
    except OSError as fault:
        raise StorageError(
            f"{path} cannot be read ({fault.strerror or fault}); check the card and who may read it"
        ) from fault
    if len(raw) > MOST_BYTES:
        raise StorageError(f"{path} is longer than {MOST_BYTES} bytes, the most allowed; name the folder of a session")
    return raw


def _why_missing(folder: Path) -> str:
    if not folder.exists():
        return f"there is no folder {folder}; check the path"
    with_runs = sorted(path.parent.name for path in folder.glob(f"*/{NAME}"))
    if with_runs:
        return f"{folder} is no session, but these in it hold a run: {', '.join(with_runs)}; name one of them"
    return f"{folder} holds no {NAME}: no tuning run was made in this session; name the folder of one that has it"


def _faults_of(held: object) -> list[str]:
    """Return everything in which a decoded file differs from its version, one message each."""
    older = newer_than_version_1(held) if isinstance(held, dict) and held.get("version") == 1 else []
    try:
        run = msgspec.convert(held, Run)
        if run.plan is not None:
            msgspec.convert(run.plan, PlanView)
    except msgspec.ValidationError as first:
        faults = list(_faults(held, Run, ""))
        if isinstance(held, dict) and isinstance(held.get("plan"), dict):
            faults += _faults(held["plan"], PlanView, "plan")
        return older + (faults or [str(first)])
    return older + list(_contradictions(run))


def _faults(value: object, kind: Any, at: str) -> Iterator[str]:  # noqa: ANN401  an annotation, of any form
    """Yield what is wrong with `value`; msgspec alone would stop at the first fault."""
    if isinstance(kind, type) and issubclass(kind, Struct):
        yield from _struct_faults(value, kind, at)
    elif get_origin(kind) is tuple and isinstance(value, list):
        for number, item in enumerate(value):
            yield from _faults(item, get_args(kind)[0], f"{at}[{number}]")
    else:
        try:
            msgspec.convert(value, kind)
        except msgspec.ValidationError as fault:
            allowed = re.sub(r"^Expected |, got .*$", "", str(fault).replace("`", ""))
            yield f"{at} is {_shown(value)}; needed is {allowed}"


def _struct_faults(value: object, kind: type[Struct], at: str) -> Iterator[str]:
    if not isinstance(value, dict):
        yield f"{at or 'all of it'} is {_shown(value)}; needed is an object"
        return
    fields = {field.name: field for field in msgspec.structs.fields(kind)}
    inside = f"{at}." if at else ""
    for name, field in fields.items():
        if name in value:
            yield from _faults(value[name], field.type, inside + name)
        elif field.required:
            yield f"{inside}{name} is missing"
    if kind.__struct_config__.forbid_unknown_fields:
        yield from (f"{inside}{_shown(name)} is not known" for name in value if name not in fields)


def _contradictions(run: Run) -> Iterator[str]:
    """Yield where entries that are right one by one do not fit each other."""
    steps: set[str] = set()
    for number, step in enumerate(run.steps):
        if step.id in steps:
            yield f"steps[{number}].id is {_shown(step.id)}, as of an earlier step; each needs its own"
        steps.add(step.id)
    numbers: set[int] = set()
    for number, kept in enumerate(run.kept):
        if kept.step not in steps:
            yield f"kept[{number}].step is {_shown(kept.step)}; no step has this id"
        if kept.number in numbers:
            yield f"kept[{number}].number is {kept.number}, as of an earlier reading; each needs its own"
        numbers.add(kept.number)
    of_steps = {"responses": [one.step for one in run.responses], "noises": [one.step for one in run.noises]}
    for name, ids in of_steps.items():
        for number, step_id in enumerate(ids):
            if step_id not in steps:
                yield f"{name}[{number}].step is {_shown(step_id)}; no step has this id"


def _shown(value: object) -> str:
    text = json.dumps(value, default=str)
    return text if len(text) <= 60 else text[:57] + "..."
