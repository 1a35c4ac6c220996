"""A session copied to a stick: whole, read back, never over another file, and nothing left of a copy that failed."""

from __future__ import annotations

import errno
import os
import re
import shutil
import subprocess
import zipfile
from pathlib import Path

import hypothesis
import pytest
from hypothesis import strategies as st

from flattop.__main__ import main
from flattop.errors import StorageError
from flattop.record import export
from flattop.record.export import copy_to, fat_safe
from flattop.record.logbook import Logbook
from test_session import FIRST, parse_rfc4180

TABLE = b"number,rms_v\r\n" + b"".join(b"%d,42.5\r\n" % n for n in range(1, 400))


@pytest.fixture
def session(tmp_path):
    folder = tmp_path / "card" / "00042-2026-11-25T102902Z"
    (folder / "frames").mkdir(parents=True)
    (folder / "readings.csv").write_bytes(TABLE)
    (folder / "summary.json").write_text('{"readings": 399}')
    (folder / "frames/0000.png").write_bytes(os.urandom(5000))
    return folder


@pytest.fixture
def stick(tmp_path):
    folder = tmp_path / "stick"
    folder.mkdir()
    (folder / "holiday.txt").write_text("mine")
    return folder


def contents(path):
    with zipfile.ZipFile(path) as packed:
        return {name: packed.read(name) for name in packed.namelist()}


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def test_the_whole_session_is_in_one_file_that_another_program_reads(session, stick, need):
    path = copy_to(session, stick)
    assert path == stick / "00042-2026-11-25T102902Z.zip"
    files = {file.relative_to(session).as_posix(): file.read_bytes() for file in session.rglob("*") if file.is_file()}
    assert contents(path) == files
    assert path.stat().st_size < len(TABLE) + 5000, "it is packed"
    assert names(stick) == [path.name, "holiday.txt"]
    done = subprocess.run([need("unzip"), "-tq", str(path)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout
    assert "No errors detected" in done.stdout


def test_nothing_on_the_stick_is_written_over(session, stick):
    paths = [copy_to(session, stick) for _ in range(3)]
    assert [path.name for path in paths] == [f"{session.name}{n}.zip" for n in ("", "-2", "-3")]
    assert len({path.read_bytes() for path in paths}) == 1
    assert (stick / "holiday.txt").read_text() == "mine"


def test_a_session_that_is_being_written_is_copied_up_to_its_last_whole_line(session, stick):
    with (session / "readings.csv").open("ab") as file:
        file.write(b"400,42")
    (session / ".kept-0001.csv.new").write_text("half")
    found = contents(copy_to(session, stick))
    assert found["readings.csv"] == TABLE
    assert not any(name.startswith(".") for name in found)


def test_a_session_of_the_logbook_goes_over_while_it_is_open(tmp_path, stick):
    root = tmp_path / "root"
    root.mkdir()
    logbook = Logbook(root, sync_s=0.0)
    kept = logbook.keep(FIRST)
    assert kept.wait(10.0)
    found = contents(copy_to(logbook.status.folder, stick))
    assert logbook.close(10.0)
    assert sorted(found) == ["kept-0001.csv", "readings.csv"]
    assert len(parse_rfc4180(found["readings.csv"].decode())) == 2


def test_files_from_before_1980_are_taken(session, stick):
    os.utime(session / "readings.csv", (0, 0))  # a meter without a clock begins in 1970
    assert contents(copy_to(session, stick))["readings.csv"] == TABLE


def test_a_link_is_not_followed(session, stick, tmp_path):
    (tmp_path / "secret").write_text("not of the session")
    (session / "link.csv").symlink_to(tmp_path / "secret")
    assert "link.csv" not in contents(copy_to(session, stick))


# -- what cannot be done ----------------------------------------------------------------------------------------------


def test_no_stick_and_no_session_are_told(session, stick, tmp_path):
    for place in (tmp_path / "none", session / "summary.json"):
        with pytest.raises(StorageError, match=r"there is no stick at .*; plug one in"):
            copy_to(session, place)
    (tmp_path / "empty").mkdir()
    for place in (tmp_path / "none", tmp_path / "empty", session / "summary.json"):
        with pytest.raises(StorageError, match=r"the session .* (cannot be read|holds no files).*; name the folder of"):
            copy_to(place, stick)
    assert names(stick) == ["holiday.txt"]


def test_too_little_room_is_told_before_anything_is_written(session, stick, monkeypatch):
    usage = shutil.disk_usage(stick)
    monkeypatch.setattr(shutil, "disk_usage", lambda path: usage._replace(free=3000))
    with pytest.raises(StorageError, match=r"may need 0\.0 MiB and the stick has 0\.0 MiB free; make room"):
        copy_to(session, stick)
    assert names(stick) == ["holiday.txt"]


def test_a_session_too_large_for_fat_is_told(session, stick):
    with (session / "readings.csv").open("r+b") as file:
        file.truncate(4 << 30)
    with pytest.raises(StorageError, match=r"may need 4,1\d\d\.\d MiB; allowed is 4,096\.0 MiB, the largest file on"):
        copy_to(session, stick)
    assert names(stick) == ["holiday.txt"]


FAULTS = ["write", "fsync", "rename", "spoilt", "shorter"]


@pytest.mark.parametrize("what", FAULTS)
def test_a_copy_that_fails_leaves_nothing_behind(session, stick, monkeypatch, what):
    before = {path: path.read_bytes() for path in session.rglob("*") if path.is_file()}

    def fails(*given, **named):
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    if what == "write":
        monkeypatch.setattr(zipfile.ZipFile, "open", fails)
    elif what == "fsync":
        monkeypatch.setattr(os, "fsync", fails)
    elif what == "rename":
        monkeypatch.setattr(Path, "rename", fails)
    elif what == "spoilt":
        real = os.fsync

        def spoil(descriptor):
            real(descriptor)
            os.pwrite(descriptor, b"\xaa\x55\xaa", 100)  # the medium gives back what was not written

        monkeypatch.setattr(os, "fsync", spoil)
    else:
        real_parts = export._parts
        monkeypatch.setattr(
            export, "_parts", lambda at: [export._Part(p.path, p.name, p.size + 1) for p in real_parts(at)]
        )
    with pytest.raises(StorageError, match=r"could not be copied to .*; it is unharmed on the card; try again"):
        copy_to(session, stick)
    monkeypatch.undo()
    assert names(stick) == ["holiday.txt"]
    assert {path: path.read_bytes() for path in session.rglob("*") if path.is_file()} == before
    assert contents(copy_to(session, stick))["readings.csv"] == TABLE


def test_a_real_stick_that_is_full_in_the_middle(session, tmp_path, monkeypatch):
    place = tmp_path / "small"
    place.mkdir()
    try:
        done = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=16k", "tmpfs", str(place)], capture_output=True, check=False
        )
    except FileNotFoundError:
        pytest.skip("no mount here")
    if done.returncode:
        pytest.skip("mounting needs root; the faults above stand in")
    try:
        (session / "frames/0001.png").write_bytes(os.urandom(40_000))
        with pytest.raises(StorageError, match=r"the stick has 0\.0 MiB free"):
            copy_to(session, place)
        usage = shutil.disk_usage("/")
        monkeypatch.setattr(shutil, "disk_usage", lambda path: usage)  # another process takes the room meanwhile
        with pytest.raises(StorageError, match="No space left on device"):
            copy_to(session, place)
        assert names(place) == []
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


@hypothesis.given(st.text(max_size=300))
def test_names_suit_fat(name):
    safe = fat_safe(name)
    # Microsoft FAT32 File System Specification 1.03, long names: the characters that may not be, and 255 at most
    assert not re.search(r'[\x00-\x1f"*/:<>?\\|]', safe)
    assert safe
    assert not safe.endswith((".", " "))
    assert len(f"{safe}-1000.zip.part".encode("utf-16-le")) // 2 <= 255


@pytest.fixture
def card_with_two(tmp_path):
    root = tmp_path / "sessions"
    for number, name in ((9, "00009-boot-1234abcd"), (10, "00010-2026-11-25T101010Z")):
        (root / name).mkdir(parents=True)
        (root / name / "readings.csv").write_bytes(f"number\r\n{number}\r\n".encode())
    (root / "set-up.json").write_text("{}")
    (tmp_path / "stick").mkdir()
    return root, tmp_path / "stick"


def test_the_command_copies_the_newest_session_or_those_named(card_with_two, capsys):
    root, stick = card_with_two
    assert main(["copy", "--to", str(stick), "--sessions", str(root)]) == 0
    (made,) = stick.iterdir()
    assert capsys.readouterr().out == f"{made}\n"
    with zipfile.ZipFile(made) as packed:
        (name,) = packed.namelist()
        assert packed.read(name) == b"number\r\n10\r\n"
    assert main(["copy", "--to", str(stick), "--sessions", str(root), "00009-boot-1234abcd"]) == 0
    assert len(list(stick.iterdir())) == 2


def test_the_command_says_what_is_missing(tmp_path, capsys):
    for folder in (tmp_path, tmp_path / "gone"):
        assert main(["copy", "--to", str(tmp_path), "--sessions", str(folder)]) == 2
        assert "folder for sessions" in capsys.readouterr().err
