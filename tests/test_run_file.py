"""run.json: read by a strict reader, whole at every moment, and every fault of a damaged one told at once."""

from __future__ import annotations

import errno
import json
import math
import re
from pathlib import Path

import hypothesis
import msgspec
import pytest
from hypothesis import strategies as st

import report_session
from flattop.errors import StorageError
from flattop.record import run_answers, run_file
from flattop.record.card import sync_folder
from flattop.record.run_file import NAME, Run, add_notes, kept_from, load, plan_of, save
from flattop.record.stamps import Trust, Wall
from test_logbook import Faulty, Medium

ROOT = Path(__file__).parents[1]
STAMP = "2026-11-25T12:00:00Z"


def strict_json(raw: bytes):
    """RFC 8259: UTF-8 without a mark, no NaN or infinity; and a name stands once in an object (RFC 7493, I-JSON)."""

    def refuse(text):
        raise ValueError(f"{text} is not JSON")

    def once(pairs):
        assert len({name for name, _ in pairs}) == len(pairs)
        return dict(pairs)

    assert not raw.startswith(b"\xef\xbb\xbf")
    return json.loads(raw.decode("utf-8"), parse_constant=refuse, object_pairs_hook=once)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("run")
    return folder, report_session.build(folder, names=report_session.HOSTILE)


@pytest.fixture
def folder(made, tmp_path):
    (tmp_path / NAME).write_bytes((made[0] / NAME).read_bytes())
    return tmp_path


def changed(folder, change):
    held = json.loads((folder / NAME).read_bytes())
    change(held)
    (folder / NAME).write_text(json.dumps(held), "utf-8")
    return folder


def refused(folder) -> str:
    with pytest.raises(StorageError) as caught:
        load(folder)
    return str(caught.value)


# -- what is written is what is read ----------------------------------------------------------------------------------


def test_a_run_comes_back_as_it_was_saved(made):
    folder, run = made
    assert load(folder) == run
    held = strict_json((folder / NAME).read_bytes())
    assert held["schema"] == "flattop-run"
    assert held["version"] == 2
    assert [entry["rms_v"] for entry in held["kept"]] == [entry.rms_v for entry in run.kept]
    assert held["plan"] == report_session.plan_of_the_van(report_session.HOSTILE)


def test_the_plan_keeps_what_this_version_does_not_know(made):
    folder, run = made
    save(folder, load(folder))
    assert load(folder).plan["a key of a later plan"] == [1, 2, 3]
    assert plan_of(run).amplifiers[2].channels[0].power_w == 75.0


def test_what_is_not_known_of_a_reading_is_null(tmp_path, made):
    reading = report_session.reading_of(0.0)
    assert math.isnan(reading.overdrive_db)
    wall = Wall(math.inf, Trust.UNKNOWN)
    kept = kept_from(reading, step=made[1].steps[0].id, number=1, wave="", wall=wall, no_load=True)
    save(tmp_path, msgspec.structs.replace(made[1], kept=(kept,)))
    (entry,) = strict_json((tmp_path / NAME).read_bytes())["kept"]
    assert (entry["overdrive_db"], entry["ceiling_v"], entry["hz"], entry["wall_time"]) == (None, None, None, "")
    assert load(tmp_path).kept == (kept,)


def test_a_run_that_could_not_be_read_again_is_not_saved(folder, made):
    before = (folder / NAME).read_bytes()
    twice = msgspec.structs.replace(made[1], kept=(made[1].kept[0],) * 2)
    with pytest.raises(StorageError, match=r"not saved.*\n.*number is 1, as of an earlier reading"):
        save(folder, twice)
    assert (folder / NAME).read_bytes() == before


def test_the_page_on_the_file_names_every_key_and_no_other():
    page = (ROOT / "firmware/run-file.md").read_text("utf-8")
    tables = {"Run": page.split("\n`meter`\n")[0]}
    for name, kind in (
        ("meter", "MeterState"), ("started", "Started"), ("steps", "Step"), ("kept", "Kept"), ("findings", "Finding"),
        ("notes", "Note"), ("responses", "ResponseEntry"), ("corners", "CornerEntry"), ("curve", "CurvePoint"),
        ("noises", "NoiseEntry"),
    ):  # fmt: skip
        (tables[kind],) = re.findall(rf"^`{name}`(?:, each)?\n\n((?:\|.*\n)+)", page, re.MULTILINE)
    (tables["PartEntry"],) = re.findall(r"^`total` and the other four, each\n\n((?:\|.*\n)+)", page, re.MULTILINE)
    for kind, table in tables.items():
        rows = [row.split("|")[1] for row in table.splitlines() if row.startswith("| `")]
        keys = [key for row in rows for key in re.findall(r"`(\w+)`", row)]
        law = run_file if hasattr(run_file, kind) else run_answers
        assert keys == list(getattr(law, kind).__struct_fields__), kind


# -- power cuts and cards that do not take it -------------------------------------------------------------------------


def test_a_power_cut_before_any_call_leaves_the_old_run_or_the_new_one(tmp_path, made):
    folder = tmp_path / "session"
    folder.mkdir()
    seen = []

    def witness():
        content = medium.left().get("session", {}).get(NAME)
        if content is not None:
            held = strict_json(content)
            seen.append(len(held["notes"]))
            (tmp_path / "cut").mkdir(exist_ok=True)
            (tmp_path / "cut" / NAME).write_bytes(content)
            assert len(load(tmp_path / "cut").notes) == seen[-1]

    medium = Medium(tmp_path, witness)
    sync_folder(medium, tmp_path)
    notes = made[1].notes
    for count in range(4):
        save(folder, msgspec.structs.replace(made[1], notes=notes * count), card=medium)
        assert len(strict_json(medium.left()["session"][NAME])["notes"]) == count, "saved means on the medium"
    assert seen == sorted(seen)
    assert set(seen) == {0, 1, 2}


@pytest.mark.parametrize(
    ("call", "fault", "words"),
    [
        ("write", errno.ENOSPC, "card full"),
        ("fsync", errno.EIO, "card not writing"),
        ("open", errno.EROFS, "read-only"),
    ],
)
def test_a_card_that_does_not_take_it_keeps_the_old_run(folder, made, call, fault, words):
    before = (folder / NAME).read_bytes()
    card = Faulty()
    card.faults[call] = fault
    with pytest.raises(StorageError, match=f"{words}; what was saved before is kept") as caught:
        save(folder, msgspec.structs.replace(made[1], notes=()), card=card)
    assert NAME in str(caught.value)
    assert (folder / NAME).read_bytes() == before
    assert [path.name for path in folder.iterdir()] == [NAME]


def test_a_card_that_takes_little_at_a_time_gets_all_of_it(tmp_path, made):
    card = Faulty()
    card.piece = 1000
    save(tmp_path, made[1], card=card)
    assert load(tmp_path) == made[1]


# -- notes ------------------------------------------------------------------------------------------------------------


def test_notes_are_added_and_nothing_else_changes(folder, made):
    run = add_notes(folder, ["first\nof two lines\x07", "  ελληνικά  "], wall_time=STAMP)
    assert [note.text for note in run.notes[-2:]] == ["first\nof two lines", "ελληνικά"]
    assert load(folder) == run
    assert msgspec.structs.replace(run, notes=made[1].notes) == made[1]


def test_notes_that_cannot_be_added_are_all_told_and_none_is(folder):
    before = (folder / NAME).read_bytes()
    with pytest.raises(StorageError) as caught:
        add_notes(folder, ["good", " \n ", "x" * 2001], wall_time=STAMP)
    said = str(caught.value)
    assert "note 2 has 0 characters; allowed are 1 to 2000; write something" in said
    assert "note 3 has 2001 characters; allowed are 1 to 2000; make it two" in said
    assert (folder / NAME).read_bytes() == before


# -- folders that hold no run, or a bad one ---------------------------------------------------------------------------


def test_a_folder_without_a_run_is_told_from_one_that_is_not_there(tmp_path):
    assert "there is no folder" in refused(tmp_path / "nowhere")
    assert "no tuning run was made in this session" in refused(tmp_path)
    (tmp_path / "file").write_text("")
    assert "is a file; name the folder of a session" in refused(tmp_path / "file")


def test_the_folder_of_all_sessions_names_those_with_a_run(made, tmp_path):
    for name in ("00003-boot-x", "00007-boot-x"):
        save(_made(tmp_path / name), made[1])
    _made(tmp_path / "00009-boot-x")
    assert "these in it hold a run: 00003-boot-x, 00007-boot-x; name one of them" in refused(tmp_path)


def _made(folder):
    folder.mkdir()
    return folder


@pytest.mark.parametrize("content", [b"", b" \r\n", b"\0" * 4096])
def test_an_empty_file_is_called_empty(tmp_path, content):
    (tmp_path / NAME).write_bytes(content)
    assert "run.json is empty; take another copy" in refused(tmp_path)


def test_a_newer_version_is_told_as_such_whatever_else_is_in_it(folder):
    changed(folder, lambda held: held.update(version=3, kept="something new"))
    assert "has version 3; this flattop reads versions 1 to 2 and no newer one; update flattop" in refused(folder)


def as_version_1(held):
    """Make a file of version 1 of one of version 2: what that did not have goes."""
    held["version"] = 1
    del held["responses"], held["noises"]
    held["steps"] = [step for step in held["steps"] if step["kind"] not in {"filter", "quiet"}]
    held["findings"] = [finding for finding in held["findings"] if finding["unit"] != "%"]
    for kept in held["kept"]:
        for key in ("line_to_speaker_db", "line_to_speaker_u_db", "polarity"):
            del kept[key]


def test_a_file_of_version_1_is_read_and_saved_again_as_version_2(folder):
    run = load(changed(folder, as_version_1))
    assert len(run.kept) == 20
    assert (run.version, run.responses, run.noises) == (2, (), ())
    assert {kept.polarity for kept in run.kept} == {""}
    save(folder, run)
    assert strict_json((folder / NAME).read_bytes())["version"] == 2
    assert load(folder) == run


def test_version_1_is_held_to_its_own_keys(folder):
    def spoil(held):
        as_version_1(held)
        held["noises"] = []
        held["kept"][3]["polarity"] = "same"
        held["kept"][4]["rms_v"] = -1.0

    said = refused(changed(folder, spoil))
    for part in ('"noises" is not known in version 1', 'kept[3]."polarity" is not known in version 1', "kept[4].rms_v"):
        assert part in said
    assert said.count("\n  - ") == 3


@pytest.mark.parametrize("content", [b"[]", b"17", b'{"schema": "other"}', b'{"version": 1}', b"null"])
def test_another_json_file_is_no_run(tmp_path, content):
    (tmp_path / NAME).write_bytes(content)
    assert 'needed is "flattop-run"; name the folder of a session' in refused(tmp_path)


@pytest.mark.parametrize(
    "content",
    [b'{"schema": NaN}', b'{"a": 1, "a": 2}', b"{", b"\xff\xfe", b"\xef\xbb\xbf{}", b'{"a": 1e999}', b"[" * 100_000,
     b'{"a": "\\ud800"}', b"{'a': 1}", b'{"a": 1,}', b'{"a": Infinity}'],
)  # fmt: skip
def test_what_is_not_strict_json_is_damaged(tmp_path, content):
    (tmp_path / NAME).write_bytes(content)
    assert "run.json is damaged: it is not JSON in UTF-8" in refused(tmp_path)


def test_every_fault_is_told_at_once(folder):
    def spoil(held):
        held["meter"]["serial"] = 7
        held["meter"]["colour"] = "blue"
        del held["started"]["boot_id"]
        held["steps"][2]["state"] = "maybe"
        held["kept"][1]["wave"] = "../../etc/passwd"
        held["kept"][3]["rms_v"] = -1.0
        held["kept"][4]["wall_time"] = "yesterday"
        held["findings"] = {}
        held["plan"]["amplifiers"][0]["channels"][0]["load_ohm"] = "four"
        held["extra"] = 1
        held["responses"][0]["corners"][0]["side"] = "band-pass"
        held["responses"][1]["curve"][2]["hz"] = 0
        held["noises"][0]["hum"]["volts"] = -0.1
        del held["noises"][0]["rest"]

    said = refused(changed(folder, spoil))
    for part in (
        "meter.serial is 7; needed is str",
        'meter."colour" is not known',
        "started.boot_id is missing",
        'steps[2].state is "maybe"',
        'kept[1].wave is "../../etc/passwd"',
        "kept[3].rms_v is -1.0",
        'kept[4].wall_time is "yesterday"',
        "findings is {}",
        'plan.amplifiers[0].channels[0].load_ohm is "four"',
        '"extra" is not known',
        'responses[0].corners[0].side is "band-pass"',
        "responses[1].curve[2].hz is 0",
        "noises[0].hum.volts is -0.1",
        "noises[0].rest is missing",
    ):
        assert part in said
    assert said.count("\n") == 14


def test_entries_that_do_not_fit_each_other_are_told(folder):
    def spoil(held):
        held["steps"][1]["id"] = held["steps"][0]["id"]
        held["kept"][0]["step"] = "nowhere"
        held["kept"][2]["number"] = held["kept"][1]["number"]
        held["responses"][0]["step"] = held["noises"][0]["step"] = "nowhere"

    said = refused(changed(folder, spoil))
    assert said.count("\n  - ") == 5
    assert 'responses[0].step is "nowhere"; no step has this id' in said
    assert 'kept[0].step is "nowhere"; no step has this id' in said


def test_very_many_faults_are_cut_short(folder):
    said = refused(changed(folder, lambda held: held.update(steps=[1] * 500)))
    assert "and 480 more" in said
    assert said.count("\n") == 21


@hypothesis.given(data=st.data())
@hypothesis.settings(max_examples=80, suppress_health_check=[hypothesis.HealthCheck.function_scoped_fixture])
def test_a_damaged_file_is_read_or_refused_and_never_worse(made, tmp_path_factory, data):
    raw = bytearray((made[0] / NAME).read_bytes())
    if data.draw(st.booleans()):
        del raw[data.draw(st.integers(0, len(raw))) :]
    else:
        start = data.draw(st.integers(0, len(raw) - 1))
        raw[start : start + data.draw(st.integers(0, 40))] = data.draw(st.binary(max_size=8))
    folder = tmp_path_factory.mktemp("damaged")
    (folder / NAME).write_bytes(raw)
    said = ""
    try:
        run = load(folder)
    except StorageError as fault:
        said = str(fault)
    assert str(folder) in said if said else isinstance(run, Run)
