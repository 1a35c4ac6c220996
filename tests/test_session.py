"""The session folder: strict CSV, pictures that open, nothing written over, and full or locked cards."""

from __future__ import annotations

import contextlib
import dataclasses
import errno
import io
import json
import math
import os
import re
import subprocess
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from flattop.errors import StorageError
from flattop.measure.level import measure
from flattop.measure.reading import Reason, Verdict
from flattop.measure.verdict import Judge
from flattop.panel.drawing import palette
from flattop.panel.first_page import FirstPage
from flattop.panel.screen import View, draw
from flattop.record.rows import as_row, rounded
from flattop.record.session import Session, new_folder
from flattop.samples import Facts, Input, Samples

FACTS = Facts("recording", Input.SPEAKER, 0.0, 100.0, 1e-3, (10.0, 1000.0), 4000.0, simulated=True)


def reading_at(time_s, *, peak_v=60.0, **changes):
    times_s = time_s - 0.25 + np.arange(2000) / 8000
    reading = Judge().update(measure(Samples(times_s, peak_v * np.sin(2 * np.pi * 40 * times_s), FACTS)), now_s=time_s)
    return dataclasses.replace(reading, time_s=time_s, **changes)


FIRST = reading_at(1.0)
FRAME = draw(View(reading=FIRST, label="Bass A", simulated=True))


def parse_rfc4180(text):
    """Read CSV by the grammar of RFC 4180, section 2, and by nothing more lenient."""
    records, fields, place = [], [], 0
    plain = re.compile(r'[^",\r\n]*')
    quoted = re.compile(r'"((?:[^"]|"")*)"')
    while place < len(text):
        found = quoted.match(text, place) or plain.match(text, place)
        fields.append(found[1].replace('""', '"') if found.re is quoted else found[0])
        place = found.end()
        if text.startswith(",", place):
            place += 1
            if place == len(text):
                fields.append("")
        elif text.startswith("\r\n", place):
            place += 2
            records.append(fields)
            fields = []
        else:
            raise AssertionError(f"not RFC 4180 at character {place}: {text[place - 20 : place + 20]!r}")
    assert not fields, "the last record must end with CRLF here"
    return records


def test_the_strict_reader_is_strict():
    assert parse_rfc4180('a,b\r\n"1,""2""\r\n",\r\n') == [["a", "b"], ['1,"2"\r\n', ""]]
    for wrong in ("a,b\n1,2\n", 'a,b"c\r\n', "a\rb\r\n"):
        with pytest.raises(AssertionError):
            parse_rfc4180(wrong)


def written(folder, readings, frame=FRAME):
    session = Session(folder, palette=palette())
    for reading in readings:
        session.add(reading, frame)
    session.close()
    return parse_rfc4180((folder / "readings.csv").read_bytes().decode("utf-8"))


def test_csv_is_strict_with_one_header_and_equal_columns(tmp_path):
    nan = math.nan
    blank = reading_at(2.0, rms_v=nan, hz=nan, thd_pct=math.inf, verdict=Verdict.UNKNOWN, reason=Reason.THIRD_ONLY)
    header, *rows = written(tmp_path, [FIRST, blank, reading_at(3.0)])
    assert len(rows) == 3
    assert {len(row) for row in rows} == {len(header)}
    assert len(set(header)) == len(header)
    by_name = [dict(zip(header, row, strict=True)) for row in rows]
    assert [row["t_s"] for row in by_name] == ["1", "2", "3"]
    assert by_name[1]["rms_v"] == by_name[1]["hz"] == by_name[1]["thd_pct"] == ""
    assert by_name[1]["reason"] == "third harmonic alone: tops bend, or hum"
    assert float(by_name[0]["rms_v"]) == pytest.approx(60 / math.sqrt(2), rel=1e-6)
    assert by_name[0]["simulated"] == "yes"
    assert not any(re.search(r"nan|inf|none|true|false", cell, re.IGNORECASE) for row in rows for cell in row)


def test_every_figure_of_a_reading_is_logged_under_its_own_name():
    # Distinct values, so that two columns that were swapped would show.
    figures = [f.name for f in dataclasses.fields(FIRST) if isinstance(getattr(FIRST, f.name), float)]
    distinct = {name: 1.5 + number for number, name in enumerate(figures)}
    reading = dataclasses.replace(FIRST, **distinct)
    row = as_row(reading)
    renamed = {"time_s": "t_s", "hz_u": "hz_u_hz"}
    for name, value in distinct.items():
        assert row[renamed.get(name, name)] == value
    for name in ("verdict", "reason", "dc_alarm", "hazard", "harmonics"):
        assert row[name] == getattr(reading, name)


def test_json_of_a_row_is_strict_whatever_is_missing():
    row = rounded(as_row(dataclasses.replace(FIRST, hz=math.nan, rms_v=math.inf, dc_v=-math.inf, thd_pct=1 / 3)))
    text = json.dumps(row, allow_nan=False)
    back = json.loads(text, parse_constant=lambda name: pytest.fail(f"{name} is not JSON (RFC 8259)"))
    assert (back["hz"], back["rms_v"], back["dc_v"], back["thd_pct"]) == (None, None, None, 0.3333333)


def test_same_readings_same_bytes(tmp_path):
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        written(tmp_path / name, [reading_at(1.0 + n / 10) for n in range(5)])
    assert (tmp_path / "a/readings.csv").read_bytes() == (tmp_path / "b/readings.csv").read_bytes()


def test_frames_open_and_are_the_ones_that_were_shown(tmp_path):
    readings = [reading_at(1.0 + n / 10) for n in range(25)]
    readings[12] = dataclasses.replace(readings[12], verdict=Verdict.FLAT, reason=Reason.TOP_MISSING)
    written(tmp_path, readings)
    frames = sorted((tmp_path / "frames").glob("*.png"))
    # at the start, every second, and at both changes of verdict
    assert [frame.name.split("-")[1] for frame in frames] == [
        "00001.00s",
        "00002.00s",
        "00002.20s",
        "00002.30s",
        "00003.30s",
    ]
    assert "flat" in frames[2].name
    for frame in frames:
        with Image.open(frame) as picture:
            picture.load()
            assert (picture.size, picture.format) == ((320, 240), "PNG")
            assert picture.convert("RGB").tobytes() == FRAME.convert("RGB").tobytes()


@pytest.mark.parametrize(("update_s", "frame_s"), [(0.1, 0.3), (0.25, 0.5), (1.0, 1.0)])
def test_the_moving_picture_keeps_the_time_of_the_readings(tmp_path, update_s, frame_s):
    readings = [reading_at(1.0 + n * update_s, peak_v=20.0 + 2 * n) for n in range(21)]
    session = Session(tmp_path, palette=palette())
    for reading in readings:
        session.add(reading, draw(FirstPage(label="Bass A").view(reading)))
    session.close()
    with Image.open(tmp_path / "screen.gif") as movie:
        assert (movie.size, movie.format) == ((320, 240), "GIF")
        durations, n_frames = [], movie.n_frames
        for number in range(n_frames):
            movie.seek(number)
            movie.load()
            durations.append(movie.info["duration"])
    assert durations[:-1] == pytest.approx([1000 * frame_s] * (n_frames - 1), abs=10)
    assert n_frames == 1 + int(20 * update_s / frame_s)


def test_the_moving_picture_shows_the_colours_of_the_screen(tmp_path):
    frame = draw(FirstPage(label="Bass A").view(FIRST))
    session = Session(tmp_path, palette=palette())
    session.add(FIRST, frame)
    session.close()
    with Image.open(tmp_path / "screen.gif") as movie:
        seen = np.asarray(movie.convert("RGB"), dtype=int)
    off = np.abs(seen - np.asarray(frame, dtype=int))
    assert off.max() <= 48, "the edge of a white letter on the grey plate at the most"
    assert off.mean() < 1.0


def test_frames_of_a_simulation_say_so():
    # The plate is there, and nothing else differs, when the same reading is shown as simulated.
    real = dataclasses.replace(FIRST, facts=dataclasses.replace(FACTS, simulated=False))
    shown, plain = (np.asarray(draw(FirstPage(label="A").view(r)).convert("RGB"), dtype=int) for r in (FIRST, real))
    rows, columns = np.nonzero(np.any(shown != plain, axis=2))
    assert len(rows) > 300
    assert rows.max() < 35, "in the top line"
    assert columns.max() - columns.min() > 90, "a whole word"


# --- folders


def test_an_empty_or_a_new_folder_is_taken(tmp_path):
    assert new_folder(tmp_path, default="x") == tmp_path
    assert new_folder(tmp_path / "a/b", default="x").is_dir()


def test_a_folder_that_holds_files_is_refused_and_left_alone(tmp_path):
    (tmp_path / "notes.txt").write_text("mine")
    with pytest.raises(StorageError, match=r"holds files already \(notes\.txt\); name a new or an empty one"):
        new_folder(tmp_path, default="x")
    assert [p.name for p in tmp_path.iterdir()] == ["notes.txt"]
    assert (tmp_path / "notes.txt").read_text() == "mine"


def test_the_default_folder_is_numbered_when_it_is_taken(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert [str(new_folder(None, default="run")) for _ in range(3)] == ["run", "run-2", "run-3"]


def test_a_file_or_an_impossible_path_is_no_folder(tmp_path):
    file = tmp_path / "file"
    file.write_text("x")
    for wanted in (file, file / "below", Path("/proc/none/x"), tmp_path / ("n" * 300)):
        with pytest.raises(StorageError, match=r"cannot be used .*name another with --out"):
            new_folder(wanted, default="x")


def test_a_second_session_never_writes_over_the_first(tmp_path):
    written(tmp_path, [FIRST])
    before = (tmp_path / "readings.csv").read_bytes()
    with pytest.raises(StorageError, match="cannot be written"):
        Session(tmp_path, palette=palette())
    assert (tmp_path / "readings.csv").read_bytes() == before


def test_a_folder_that_may_not_be_written(tmp_path):
    if os.geteuid() == 0:
        pytest.skip("root may write anywhere; the disk that is full stands in")
    tmp_path.chmod(0o500)
    with pytest.raises(StorageError, match="cannot be written"):
        Session(tmp_path, palette=palette())


# --- a card that is full


class FullFile(io.StringIO):
    """A file on a card that takes `room` characters and no more, as write() tells it."""

    def __init__(self, room):
        super().__init__()
        self.room = room

    def write(self, text):
        if self.tell() + len(text) > self.room:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return super().write(text)


def test_a_write_that_fails_is_a_storage_error_and_the_rows_before_stay(tmp_path):
    session = Session(tmp_path, palette=palette())
    session.add(FIRST, FRAME)
    session._file.close()
    session._file = full = FullFile(2000)
    session._table = None
    rows = 0
    with pytest.raises(StorageError, match=r"No space left on device.*make room.*what was written before is kept"):  # noqa: PT012
        for n in range(50):
            session.add(reading_at(1.0 + n / 10), FRAME)
            rows += 1
    assert rows >= 3
    header, *records = parse_rfc4180(full.getvalue())
    assert len(records) == rows
    assert {len(record) for record in records} == {len(header)}


@pytest.mark.parametrize("name", ["frames", "screen.gif"])
def test_a_picture_that_finds_no_room_costs_no_row(tmp_path, monkeypatch, name):
    session = Session(tmp_path, palette=palette())
    for n in range(4):
        session.add(reading_at(1.0 + n / 10), FRAME)
    real = Image.Image.save

    def save(image, path, *given, **named):
        if name in str(path):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        real(image, path, *given, **named)

    monkeypatch.setattr(Image.Image, "save", save)
    with pytest.raises(StorageError, match="No space left"):  # noqa: PT012
        session.add(reading_at(9.0), FRAME)
        session.close()
    monkeypatch.undo()
    if name == "frames":
        session.close()
    rows = parse_rfc4180((tmp_path / "readings.csv").read_bytes().decode())
    assert len(rows) == 6, "header and all five readings are on the medium once the session is closed"
    assert [row[0] for row in rows[1:]] == ["1", "1.1", "1.2", "1.3", "9"]


@pytest.fixture
def small_card(tmp_path):
    """A file system of 64 KiB, where the machine lets us mount one."""
    place = tmp_path / "card"
    place.mkdir()
    try:
        done = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(place)], capture_output=True, check=False
        )
    except FileNotFoundError:
        pytest.skip("no mount here")
    if done.returncode:
        pytest.skip("mounting needs root; the fake file above stands in")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def test_a_real_card_that_fills_up(small_card):
    session = Session(small_card, palette=palette())
    kept = 0
    with pytest.raises(StorageError, match="No space left on device"):  # noqa: PT012
        for n in range(400):
            session.add(reading_at(1.0 + n / 10), FRAME)
            kept += 1
    with contextlib.suppress(StorageError):  # the last picture may still find room
        session.close()
    assert session._file.closed, "the card can be taken out"
    text = (small_card / "readings.csv").read_bytes().decode()
    whole = text[: text.rindex("\r\n") + 2]
    header, *rows = parse_rfc4180(whole)
    assert kept > 20
    assert len(rows) >= kept - 40, "no more is lost than what had not been handed to the system"
    assert {len(row) for row in rows} == {len(header)}


def test_a_folder_that_vanishes_is_an_error_in_words(tmp_path):
    session = Session(tmp_path, palette=palette())
    session.add(FIRST, FRAME)
    for frame in (tmp_path / "frames").iterdir():
        frame.unlink()
    (tmp_path / "frames").rmdir()
    with pytest.raises(StorageError, match="No such file"):
        session.add(reading_at(5.0), FRAME)
    session.close()
    assert len(parse_rfc4180((tmp_path / "readings.csv").read_bytes().decode())) == 3


def test_pictures_kept_in_memory_are_bounded(tmp_path):
    # An hour of readings must not keep an hour of pictures.
    session = Session(tmp_path, palette=palette())
    tiny = Image.new("RGB", (4, 4))
    session._frame_s = 0.0
    session._said = f"{FIRST.verdict} {FIRST.reason}"
    for n in range(6_000):
        session._frame_s = 0.2 * n
        session._add_frame(dataclasses.replace(FIRST, time_s=0.2 * n), tiny)
    assert 200 <= len(session._movie) <= 600
    session._movie.clear()
    session.close()
