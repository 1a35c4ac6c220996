"""The logbook on a card that stalls, fills up, vanishes, comes back and loses power."""

from __future__ import annotations

import csv
import dataclasses
import datetime
import errno
import io
import itertools
import json
import math
import os
import random
import re
import signal
import stat
import subprocess
import sys
import threading
import time
from pathlib import Path

import hypothesis
import numpy as np
import pytest
from hypothesis import strategies as st

import flattop
from flattop.errors import StorageError
from flattop.measure.reading import Reason, Verdict
from flattop.record import session_folder, stamps
from flattop.record.card import Card, Repair, cut_torn_tail
from flattop.record.logbook import Logbook, wave_table
from flattop.record.rows import as_row, line
from flattop.record.stamps import Trust, Wall
from test_session import FIRST, parse_rfc4180, reading_at

# RFC 3339, section 5.6: date-time = full-date "T" full-time, with the ranges of its ABNF and of section 5.7
# (time-second up to 60 for a leap second); its "T" and "Z" in upper case.
RFC3339 = re.compile(
    r"\d{4}-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])"
    r"T([01]\d|2[0-3]):[0-5]\d:([0-5]\d|60)(\.\d+)?(Z|[+-]([01]\d|2[0-3]):[0-5]\d)"
)
BOOT = "1f3a9c2e-0000-4000-8000-00000000beef"
QUICK = {"sync_s": 0.0, "retry_s": 0.002, "boot_id": BOOT}


def at(time_s):
    return dataclasses.replace(FIRST, time_s=float(time_s))


def until(true, *, limit_s=20.0):
    """Wait for something another thread does; a limit only so that a fault ends the test."""
    end_s = time.monotonic() + limit_s
    while not true():
        assert time.monotonic() < end_s, "it never came"
        time.sleep(0.001)


def rows_of(folder, name="readings.csv"):
    """Return the rows of a table by name, read by two readers that must agree."""
    text = (folder / name).read_bytes().decode("utf-8")
    header, *rows = parse_rfc4180(text)
    assert list(csv.reader(io.StringIO(text, newline=""), strict=True)) == [header, *rows]
    assert len(set(header)) == len(header)
    return [dict(zip(header, row, strict=True)) for row in rows]


def numbers(rows):
    return [int(row["number"]) for row in rows]


@pytest.fixture
def book(tmp_path):
    """Open logbooks on tmp_path that are closed at the end of the test."""
    opened = []

    def make(card=None, *, root=tmp_path, **given):
        opened.append(Logbook(root, card=card, **{**QUICK, **given}))
        return opened[-1]

    yield make
    for logbook in opened:
        logbook.close(0.0)


class Faulty(Card):
    """A card on which calls fail, stall or do half of their work, as a test says."""

    CALLS = ("open", "close", "read", "write", "fsync", "truncate", "stat", "lock", "names", "make_folder", "replace")

    def __init__(self):
        self.faults = {}
        """Call -> errno or exception."""
        self.room = math.inf
        """Bytes that writes still take."""
        self.piece = math.inf
        """Most bytes that one write takes."""
        self.stalled = threading.Event()
        self.free = threading.Event()
        self.free.set()
        self.calls = []

    def meet(self, call):
        self.calls.append(call)
        fault = self.faults.get(call)
        if isinstance(fault, int):
            raise OSError(fault, os.strerror(fault))
        if fault is not None:
            raise fault

    def write(self, descriptor, content):
        self.meet("write")
        if self.room <= 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        taken = super().write(descriptor, content[: int(min(len(content), self.room, self.piece))])
        self.room -= taken
        return taken

    def fsync(self, descriptor):
        self.meet("fsync")
        if not self.free.is_set():
            self.stalled.set()
            assert self.free.wait(60.0)
        super().fsync(descriptor)

    def stall(self):
        self.stalled.clear()
        self.free.clear()


def _meeting(call):
    def met(self, *given):
        self.meet(call)
        return getattr(Card, call)(self, *given)

    return met


for _call in set(Faulty.CALLS) - {"write", "fsync"}:
    setattr(Faulty, _call, _meeting(_call))


# -- what is written --------------------------------------------------------------------------------------------------


def test_every_figure_of_a_reading_is_in_its_row_with_the_times_beside_it(book):
    logbook = book(wall=lambda: Wall(1_795_602_542.1234, Trust.CHIP), now_s=lambda: 4711.25)
    blank = reading_at(2.0, hz=math.nan, thd_pct=math.inf, verdict=Verdict.UNKNOWN, reason=Reason.THIRD_ONLY)
    for reading in (FIRST, blank):
        logbook.add(reading)
    assert logbook.close(10.0)
    folder = logbook.status.folder
    first, second = rows_of(folder)
    assert set(as_row(FIRST)) < set(first)
    for name, value in as_row(FIRST).items():
        if isinstance(value, float) and math.isfinite(value):
            assert float(first[name]) == pytest.approx(value, rel=1e-6)
        elif not isinstance(value, float):
            assert first[name] == {True: "yes", False: "no"}.get(value, str(value)) or type(value) is int
    assert (second["hz"], second["thd_pct"], second["reason"]) == ("", "", "third harmonic alone: tops bend, or hum")
    # 2026-11-25T10:29:02Z is Unix 1795602542: `date -u -d @1795602542` of GNU coreutils
    assert first["wall_time"] == "2026-11-25T10:29:02.123Z"
    assert (first["wall_trust"], first["boot_id"], first["monotonic_s"]) == ("clock chip", BOOT, "4711.250000")
    assert [row["missing_before"] for row in (first, second)] == ["0", "0"]
    assert folder.name == "00001-2026-11-25T102902Z"


@pytest.mark.parametrize("unix_s", [0.0, -1.0, 1_795_602_542.9996, 253_402_300_799.0, -62_135_596_800.0])
def test_wall_times_are_rfc_3339(unix_s):
    text = stamps.rfc3339(unix_s)
    assert RFC3339.fullmatch(text)
    moment = datetime.datetime.fromisoformat(text)
    assert moment.utcoffset() == datetime.timedelta(0)
    assert abs((moment - stamps.EPOCH).total_seconds() - unix_s) < 0.001


def test_the_grammar_of_rfc_3339_is_strict():
    # the examples of RFC 3339, section 5.8, and what it does not allow
    for right in ("1985-04-12T23:20:50.52Z", "1996-12-19T16:39:57-08:00", "1990-12-31T23:59:60Z"):
        assert RFC3339.fullmatch(right)
    for wrong in ("1985-04-12T23:20:50.52", "1985-4-12T23:20:50Z", "1985-04-12T24:20:50Z", "1985-04-12T23:20Z"):
        assert not RFC3339.fullmatch(wrong)


def test_a_wall_clock_that_jumps_both_ways_changes_nothing_but_its_column(book):
    jumps = itertools.cycle([1e9, 2e9, -5.0, math.nan, math.inf, -1e300, 0.0, 1e15])
    logbook = book(wall=lambda: Wall(next(jumps), Trust.SET))
    for n in range(40):
        logbook.add(at(1.0 + n))
    assert logbook.close(10.0)
    rows = rows_of(logbook.status.folder)
    assert numbers(rows) == list(range(1, 41))
    stated = [row["wall_time"] for row in rows]
    assert all(RFC3339.fullmatch(text) for text in stated if text)
    assert 10 < stated.count("") < 30


def test_times_keep_their_digits_on_a_host_that_has_been_up_for_a_year(book):
    logbook = book(now_s=lambda: 31_557_600.125)
    for n in range(3):
        logbook.add(at(31_557_600.0 + n / 10))
    assert logbook.close(10.0)
    rows = rows_of(logbook.status.folder)
    assert [row["t_s"] for row in rows] == ["31557600.000000", "31557600.100000", "31557600.200000"]
    assert {row["monotonic_s"] for row in rows} == {"31557600.125000"}
    assert json.loads((logbook.status.folder / "summary.json").read_text())["last"]["t_s"] == 31_557_600.2


def test_a_kept_reading_has_a_row_and_its_wave_for_spreadsheet_and_numpy(book):
    logbook = book()
    assert FIRST.tops is not None
    kept = logbook.keep(FIRST, 'left woofer, "loud"\r\nsecond line\0 Ω')
    bare = logbook.keep(dataclasses.replace(FIRST, tops=None))
    assert kept.wait(10.0)
    assert bare.wait(10.0)
    folder = logbook.status.folder
    row, without = rows_of(folder)
    assert (row["kept"], row["wave"], row["note"]) == ("yes", "kept-0001.csv", 'left woofer, "loud" second line Ω')
    assert (without["kept"], without["wave"]) == ("yes", "")
    table = np.genfromtxt(folder / "kept-0001.csv", delimiter=",", names=True)
    assert table.dtype.names == ("angle_deg", "pos_v", "neg_v", "pos_flanks_v", "neg_flanks_v")
    for name in table.dtype.names:
        np.testing.assert_allclose(table[name], getattr(FIRST.tops, name), rtol=1e-6)
    assert len(rows_of(folder, "kept-0001.csv")) == len(FIRST.tops.angle_deg)
    assert not (folder / "kept-0002.csv").exists()


def test_a_hole_in_a_wave_is_an_empty_cell_and_nan_again():
    pos_v = FIRST.tops.pos_v.copy()
    pos_v[3] = math.nan
    table = wave_table(dataclasses.replace(FIRST.tops, pos_v=pos_v))
    back = np.genfromtxt(io.BytesIO(table), delimiter=",", names=True)["pos_v"]
    assert np.flatnonzero(np.isnan(back)).tolist() == [3]


def test_the_summary_tells_first_last_highest_clean_and_what_was_kept(book):
    logbook = book()
    for n, (peak_v, verdict) in enumerate([(20, "clean"), (60, "clean"), (80, "flat"), (40, "clean")]):
        logbook.add(reading_at(1.0 + n, peak_v=peak_v, verdict=Verdict(verdict)))
    logbook.keep(reading_at(9.0, peak_v=30), "found")
    assert logbook.close(10.0)
    text = (logbook.status.folder / "summary.json").read_text("utf-8")
    summary = json.loads(text, parse_constant=lambda name: pytest.fail(f"{name} is not JSON (RFC 8259)"))
    assert (summary["readings"], summary["missing"], summary["boot_id"]) == (5, 0, BOOT)
    assert (summary["first"]["t_s"], summary["last"]["t_s"]) == (1.0, 9.0)
    assert summary["highest_clean"]["speaker"]["rms_v"] == pytest.approx(60 / math.sqrt(2), rel=1e-6)
    assert [(kept["number"], kept["wave"], kept["note"]) for kept in summary["kept"]] == [(5, "kept-0001.csv", "found")]


def test_a_note_that_is_too_long_is_refused_and_nothing_is_logged(book):
    logbook = book()
    with pytest.raises(StorageError, match=r"the note has 501 characters; allowed are 500; shorten it"):
        logbook.keep(FIRST, "n" * 501)
    assert logbook.close(10.0)
    assert logbook.status.written == 0


# -- names and locks --------------------------------------------------------------------------------------------------


def test_without_a_known_time_the_session_is_named_after_the_boot(book):
    names = []
    for _ in range(2):
        logbook = book(wall=lambda: Wall(1e9, Trust.UNKNOWN))
        until(lambda logbook=logbook: logbook.status.writing)
        names.append(logbook.status.folder.name)
        assert logbook.close(10.0)
    assert names == ["00001-boot-1f3a9c2e", "00002-boot-1f3a9c2e"]


def made(folder):
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def test_names_that_exist_are_never_used_again(book, tmp_path):
    for name in ("00007-boot-aaaaaaaa", "00003-2020-01-01T000000Z", "20251125-van", "99999999", "notes"):
        (tmp_path / name).mkdir()
    (tmp_path / "00008-boot-1f3a9c2e").write_text("a file, of all things")
    before = sorted(path.name for path in tmp_path.iterdir())
    logbook = book()
    logbook.add(FIRST)
    assert logbook.close(10.0)
    assert logbook.status.folder.name == "00009-boot-1f3a9c2e"
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([*before, logbook.status.folder.name])
    assert (tmp_path / "00008-boot-1f3a9c2e").read_text() == "a file, of all things"


def test_the_newest_session_is_found_by_its_number(tmp_path):
    for name in ("00003-2020-01-01T000000Z", "00012-boot-0123abcd", "99999-van", "20251125-boot", "notes"):
        (tmp_path / name).mkdir()
    assert session_folder.newest(tmp_path) == tmp_path / "00012-boot-0123abcd"
    with pytest.raises(StorageError, match="holds no session; name another folder"):
        session_folder.newest(tmp_path / "99999-van")
    with pytest.raises(StorageError, match=r"cannot be read \(No such file or directory\); put the card in"):
        session_folder.newest(tmp_path / "none")


def test_many_old_sessions_cost_one_listing_and_a_few_looks(book, tmp_path):
    for number in range(1, 501):
        (tmp_path / f"{number:05d}-boot-aaaaaaaa").mkdir()
    card, listing = Faulty(), threading.Event()
    names = card.names

    def slow(folder):
        assert listing.wait(20.0)
        return names(folder)

    card.names = slow
    logbook = book(card)  # would hang if it waited for the listing
    assert not logbook.status.writing
    listing.set()
    until(lambda: logbook.status.writing)
    assert card.calls.count("names") == 1
    assert card.calls.count("stat") < 20
    assert card.calls.count("open") < 10
    assert logbook.status.folder.name.startswith("00501-")


HOLD = """
import sys, time
from pathlib import Path
from flattop.record.logbook import Logbook
logbook = Logbook(Path(sys.argv[1]))
while not logbook.status.writing:
    time.sleep(0.01)
print("mine", flush=True)
sys.stdin.read()
"""


def python(code, *arguments):
    return subprocess.Popen(
        [sys.executable, "-c", code, *map(str, arguments)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(Path(flattop.__file__).parents[1])},
    )


def test_a_second_process_on_the_card_is_told_so_and_harms_nothing(book, tmp_path):
    with python(HOLD, tmp_path) as other:
        assert other.stdout.readline() == "mine\n"
        before = sorted(tmp_path.rglob("*"))
        with pytest.raises(StorageError, match=r"another process writes sessions into .*; allowed is one; stop it"):
            book()
        assert sorted(tmp_path.rglob("*")) == before
        other.stdin.close()
        other.wait(30.0)
    logbook = book()
    until(lambda: logbook.status.writing)


def test_a_card_that_comes_back_in_the_hands_of_another_process_is_waited_for(book, tmp_path):
    root, second, card = made(tmp_path / "card"), made(tmp_path / "second"), Faulty()
    logbook = book(card, root=root)
    logbook.add(FIRST)
    until(lambda: logbook.status.written == 1)
    with python(HOLD, second) as other:
        assert other.stdout.readline() == "mine\n"
        card.faults["write"] = errno.EIO
        root.rename(tmp_path / "first")
        second.rename(root)
        logbook.add(FIRST)
        until(lambda: logbook.status.words == "card in use")
        card.faults.clear()
        looks = card.calls.count("lock")
        until(lambda: card.calls.count("lock") > looks + 3)
        assert (logbook.status.words, logbook.status.written) == ("card in use", 1)
        assert len(list(root.iterdir())) == 1, "the other's session"
        other.stdin.close()
    until(lambda: logbook.status.written == 2)
    assert logbook.close(10.0)


def test_two_logbooks_of_one_process_do_not_share_a_card_either(book):
    first = book()
    until(lambda: first.status.writing)
    with pytest.raises(StorageError, match="another process"):
        book()
    assert first.close(10.0)


# -- stalls and bounds ------------------------------------------------------------------------------------------------


class Clock:
    """A monotonic clock that a test moves."""

    def __init__(self):
        self.s = 100.0

    def __call__(self):
        return self.s


def test_a_stall_of_ten_seconds_delays_no_reading_and_loses_none(book):
    card, clock = Faulty(), Clock()
    logbook = book(card, now_s=clock)
    logbook.add(at(1.0))
    until(lambda: logbook.status.written == 1)
    card.stall()
    logbook.add(at(2.0))
    assert card.stalled.wait(20.0)
    for n in range(100):
        clock.s += 0.1
        logbook.add(at(3.0 + n))  # would hang for ever if it waited for the card
    status = logbook.status
    assert (status.words, status.writing, status.written, status.waiting) == ("card slow", False, 1, 101)
    assert status.unsynced_s == pytest.approx(10.0)
    assert status.remedy
    assert logbook.alive
    card.free.set()
    until(lambda: logbook.status.written == 102)
    assert logbook.status.words == ""
    assert logbook.close(10.0)
    rows = rows_of(logbook.status.folder)
    assert numbers(rows) == list(range(1, 103))
    assert [float(row["t_s"]) for row in rows] == [float(n) for n in range(1, 103)]


def test_what_a_long_stall_drops_is_the_oldest_and_is_counted_in_the_next_row(book):
    card = Faulty()
    logbook = book(card, queue=20)
    logbook.add(FIRST)
    until(lambda: logbook.status.written == 1)
    card.stall()
    logbook.add(FIRST)
    assert card.stalled.wait(20.0)
    tickets = [logbook.keep(FIRST)]
    for _ in range(50):
        logbook.add(FIRST)
    tickets.append(logbook.keep(FIRST))
    assert (logbook.status.dropped, logbook.status.waiting) == (30, 23)
    assert not any(ticket.done for ticket in tickets)
    card.free.set()
    assert logbook.close(10.0)
    rows = rows_of(logbook.status.folder)
    assert numbers(rows) == [1, 2, 3, *range(34, 55)], "kept readings are never dropped, and the order is that of time"
    assert [int(row["missing_before"]) for row in rows] == [0, 0, 0, 30, *[0] * 20]
    assert all(ticket.done for ticket in tickets)
    assert json.loads((logbook.status.folder / "summary.json").read_text())["missing"] == 30


def test_more_kept_readings_than_may_wait_are_refused(book):
    card = Faulty()
    logbook = book(card, keeps=3)
    card.stall()
    tickets = [logbook.keep(FIRST)]
    assert card.stalled.wait(20.0)
    tickets += [logbook.keep(FIRST) for _ in range(2)]
    with pytest.raises(StorageError, match="3 kept readings wait for the card and 3 may; see to the card"):
        logbook.keep(FIRST)
    card.free.set()
    assert all(ticket.wait(10.0) for ticket in tickets)
    assert logbook.keep(FIRST).wait(10.0)
    assert [row["wave"] for row in rows_of(logbook.status.folder)] == [f"kept-000{n}.csv" for n in (1, 2, 3, 4)]


def test_the_writer_syncs_what_is_old_enough_and_no_more_often(book):
    card, clock = Faulty(), Clock()
    logbook = book(card, now_s=clock, sync_s=0.5)
    logbook.add(FIRST)
    clock.s += 0.5
    logbook.add(FIRST)
    until(lambda: logbook.status.written == 2)
    syncs = card.calls.count("fsync")
    for _ in range(4):
        clock.s += 0.1
        logbook.add(FIRST)
    time.sleep(0.02)
    assert (logbook.status.written, card.calls.count("fsync")) == (2, syncs)
    clock.s += 0.25
    logbook.add(FIRST)
    until(lambda: logbook.status.written == 7)
    assert card.calls.count("fsync") == syncs + 1


# -- faults -----------------------------------------------------------------------------------------------------------


def test_short_writes_are_continued(book):
    card = Faulty()
    card.piece = 7
    logbook = book(card)
    for _ in range(5):
        logbook.add(FIRST)
    assert logbook.keep(FIRST, "note").wait(10.0)
    assert numbers(rows_of(logbook.status.folder)) == [1, 2, 3, 4, 5, 6]
    assert len(rows_of(logbook.status.folder, "kept-0001.csv")) == len(FIRST.tops.angle_deg)


@pytest.mark.parametrize("room", [0, 1, 200, 441, 500, 1200, 2000, 3333])
def test_a_full_card_keeps_whole_lines_and_goes_on_when_there_is_room(book, room):
    card = Faulty()
    card.room = room
    logbook = book(card)
    for n in range(20):
        logbook.add(at(1.0 + n))
    until(lambda: logbook.status.words == "card full" and logbook.status.waiting < 20 + (room < 900))
    until(lambda: card.room <= 0)
    status = logbook.status
    assert not status.writing
    assert "stick" in status.remedy
    assert status.fault == "No space left on device"
    until(lambda: card.calls.count("truncate") > 0 or room in {0, 441})
    if logbook.status.written:
        rows = rows_of(status.folder) if card.calls.count("write") else []
        assert numbers(rows)[: logbook.status.written] == list(range(1, logbook.status.written + 1))
    card.room = math.inf
    until(lambda: logbook.status.written == 20)
    assert logbook.status.words == ""
    assert logbook.close(10.0)
    rows = rows_of(logbook.status.folder)
    assert numbers(rows) == list(range(1, 21))
    assert len(list(logbook.root.iterdir())) == 1, "one session, however often it was tried"


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOSPC, "card full"),
        (errno.EDQUOT, "card full"),
        (errno.EROFS, "card read-only"),
        (errno.ENODEV, "card missing"),
        (errno.ENOENT, "card missing"),
        (errno.EIO, "card not writing"),
        (errno.EACCES, "card not writing"),
    ],
)
@pytest.mark.parametrize("call", ["write", "fsync", "open", "stat", "truncate"])
def test_every_fault_has_its_words_and_passes(book, number, words, call):
    card = Faulty()
    logbook = book(card)
    logbook.add(FIRST)
    until(lambda: logbook.status.written == 1)
    folder = logbook.status.folder
    card.faults[call] = number
    if call in {"open", "truncate"}:  # met on the way back only
        card.piece, card.room = 30, 30
        until(lambda: logbook.add(FIRST) or logbook.status.words == words, limit_s=20.0)
    ticket = logbook.keep(FIRST)
    until(lambda: logbook.status.words == words)
    assert logbook.status.remedy
    assert not ticket.done
    card.faults.clear()
    card.piece = card.room = math.inf
    assert ticket.wait(20.0)
    assert logbook.close(20.0)
    found = [row for path in sorted(logbook.root.iterdir()) for row in rows_of(path)]
    assert numbers(found) == list(range(1, len(found) + 1)), "nothing twice, nothing missing"
    assert len(found) == logbook.status.written
    if number != errno.ENOENT:
        assert logbook.status.folder == folder


def test_a_card_that_fails_is_tried_once_in_a_while_and_not_for_every_reading(book):
    card, clock = Faulty(), Clock()
    logbook = book(card, now_s=clock, retry_s=1.0)
    card.faults["write"] = errno.EIO
    logbook.add(FIRST)
    until(lambda: logbook.status.words == "card not writing")
    tries = card.calls.count("write")
    for _ in range(30):
        logbook.add(FIRST)
        time.sleep(0.001)
    assert card.calls.count("write") == tries
    card.faults.clear()
    clock.s += 1.0
    logbook.add(FIRST)
    until(lambda: logbook.status.written == 32)


def test_a_card_pulled_in_mid_line_comes_back_and_the_torn_line_is_cut(book, tmp_path):
    root, card = made(tmp_path / "card"), Faulty()
    logbook = book(card, root=root)
    logbook.add(at(1.0))
    until(lambda: logbook.status.written == 1)
    folder = logbook.status.folder
    whole = (folder / "readings.csv").read_bytes()
    card.piece = card.room = 100
    card.faults["truncate"] = errno.EIO
    logbook.add(at(2.0))
    until(lambda: logbook.status.words != "")
    torn = (folder / "readings.csv").read_bytes()
    assert torn.startswith(whole)
    assert len(torn) == len(whole) + 100
    root.rename(tmp_path / "pulled")
    until(lambda: logbook.status.words == "card missing")
    assert not root.exists(), "no folder is made where the card was"
    for n in range(30):
        logbook.add(at(3.0 + n))
    card.faults.clear()
    card.piece = card.room = math.inf
    (tmp_path / "pulled").rename(root)
    until(lambda: logbook.status.written == 32)
    assert logbook.status.folder == folder
    assert (folder / "readings.csv").read_bytes().startswith(whole)
    assert [float(row["t_s"]) for row in rows_of(folder)] == [float(n) for n in range(1, 33)]


def test_another_card_gets_a_session_of_its_own_and_its_old_ones_stay(book, tmp_path):
    root, card = made(tmp_path / "card"), Faulty()
    logbook = book(card, root=root)
    logbook.add(FIRST)
    until(lambda: logbook.status.written == 1)
    name = logbook.status.folder.name
    card.faults["write"] = errno.EIO
    root.rename(tmp_path / "first")
    foreign = made(root / name) / "readings.csv"  # on the other card, a session of the same name
    content = line(["a", "b"]) + line(["1", "2"]) * 400
    foreign.write_bytes(content)
    logbook.add(FIRST)
    until(lambda: logbook.status.words != "")
    card.faults.clear()
    until(lambda: logbook.status.written == 2)
    assert logbook.close(10.0)
    assert foreign.read_bytes() == content
    assert logbook.status.folder.name == name.replace("00001", "00002")
    assert numbers(rows_of(logbook.status.folder)) == [2]
    assert json.loads((logbook.status.folder / "summary.json").read_text())["begun_in"] == [name]


def test_a_session_removed_under_the_meter_is_noticed(book):
    logbook = book()
    logbook.add(FIRST)
    until(lambda: logbook.status.written == 1)
    first = logbook.status.folder
    (first / "readings.csv").unlink()
    first.rmdir()
    logbook.add(FIRST)
    until(lambda: logbook.status.written == 2)
    assert logbook.status.folder != first
    assert numbers(rows_of(logbook.status.folder)) == [2]


def test_a_meter_that_starts_without_a_card_logs_once_there_is_one(book, tmp_path):
    root = tmp_path / "card"
    logbook = book(root=root)
    for _ in range(7):
        logbook.add(FIRST)
    until(lambda: logbook.status.words == "card missing")
    assert (logbook.status.writing, logbook.status.waiting, logbook.alive) == (False, 7, True)
    made(root)
    until(lambda: logbook.status.written == 7)
    assert logbook.status.writing


@pytest.mark.parametrize("seed", range(12))
def test_faults_anywhere_in_any_order_lose_and_double_nothing(book, seed):
    chance = random.Random(seed)

    class Wild(Faulty):
        wild = True

        def meet(self, call):
            super().meet(call)
            if self.wild and chance.random() < 0.15:
                number = chance.choice([errno.EIO, errno.ENOSPC, errno.EROFS, errno.ENODEV, errno.EINVAL])
                raise OSError(number, os.strerror(number))

        def write(self, descriptor, content):
            size = chance.randint(1, len(content)) if self.wild and chance.random() < 0.7 else len(content)
            return super().write(descriptor, content[:size])

        def close(self, descriptor):
            Card.close(self, descriptor)  # Linux closes even when close() reports a fault (close(2))
            self.meet("close")

    card = Wild()
    logbook = book(card, retry_s=0.0005)
    tickets = []
    for n in range(150):
        logbook.add(at(1.0 + n))
        if n % 10 == 0:
            tickets.append(logbook.keep(FIRST))
        if n % 7 == 0:
            time.sleep(0.001)
    time.sleep(0.05)
    card.wild = False
    assert logbook.close(20.0)
    assert logbook.alive is False
    assert all(ticket.done for ticket in tickets)
    rows = rows_of(logbook.status.folder)
    assert numbers(rows) == list(range(1, 166))
    for row in rows:
        if row["wave"]:
            assert len(rows_of(logbook.status.folder, row["wave"])) == len(FIRST.tops.angle_deg)


def test_a_writer_that_dies_is_noticed_and_started_again(book):
    card = Faulty()
    logbook = book(card)
    logbook.add(FIRST)
    until(lambda: logbook.status.written == 1)
    card.faults["write"] = RuntimeError("a fault nobody thought of")
    ticket = logbook.keep(FIRST)
    until(lambda: not logbook.alive)
    logbook.add(FIRST)
    status = logbook.status
    assert (status.words, status.writing) == ("card not writing", False)
    assert "a fault nobody thought of" in status.fault
    card.faults.clear()
    logbook.restart()
    assert ticket.wait(10.0)
    until(lambda: logbook.status.written == 3)
    assert logbook.status.words == ""
    assert logbook.close(10.0)
    logbook.restart()
    assert not logbook.alive, "what is closed stays closed"
    assert numbers(rows_of(logbook.status.folder)) == [1, 2, 3]


def test_closing_waits_no_longer_than_it_may_and_owns_up(book):
    card = Faulty()
    logbook = book(card)
    until(lambda: logbook.status.writing)
    card.stall()
    ticket = logbook.keep(FIRST)
    assert card.stalled.wait(20.0)
    later = logbook.keep(FIRST)
    assert logbook.close(0.05) is False
    assert (ticket.done, ticket.lost, later.lost) == (False, True, True)
    logbook.add(FIRST)  # harmless, and counted
    assert logbook.status.dropped == 1
    with pytest.raises(StorageError, match="the logbook is closed"):
        logbook.keep(FIRST)
    card.free.set()
    until(lambda: not logbook.alive)
    assert not later.done


def test_closing_without_a_card_ends_in_time(book, tmp_path):
    logbook = book(root=tmp_path / "none")
    logbook.add(FIRST)
    assert logbook.close(0.05) is False
    until(lambda: not logbook.alive)


def test_closing_twice_is_harmless(book):
    logbook = book()
    logbook.add(FIRST)
    assert logbook.close(10.0)
    assert logbook.close(0.0)
    assert not logbook.status.writing


# -- power cuts -------------------------------------------------------------------------------------------------------


class Medium(Card):
    """A card that knows what a power cut would leave, and asks a witness before every call.

    By fsync(2): the data of a file outlast the cut as of its last fsync, and a name as of the last fsync of its folder.
    """

    def __init__(self, root, witness):
        self.root, self.witness = root, witness
        self.data, self.listed = {}, {}
        self.listed[root.stat().st_ino] = {}

    def fsync(self, descriptor):
        self.witness()
        super().fsync(descriptor)
        found = os.fstat(descriptor)
        if stat.S_ISDIR(found.st_mode):
            with os.scandir(descriptor) as entries:
                self.listed[found.st_ino] = {entry.name: entry.inode() for entry in entries}
        else:
            self.data[found.st_ino] = Path(f"/proc/self/fd/{descriptor}").read_bytes()

    def write(self, descriptor, content):
        self.witness()
        return super().write(descriptor, content)

    def replace(self, old, new):
        self.witness()
        super().replace(old, new)

    def left(self):
        """Return what a cut now would leave: names in the root -> names in the folder -> content."""
        return {
            name: {file: self.data.get(node, b"") for file, node in self.listed.get(folder, {}).items()}
            for name, folder in self.listed[self.root.stat().st_ino].items()
        }


@pytest.mark.parametrize("every", [5, 1000])
def test_a_power_cut_before_any_call_takes_nothing_that_was_promised(tmp_path, every):
    tickets, looks = [], []

    def witness():
        if not started.is_set():
            return
        done = [ticket for ticket in tickets if ticket.done]
        written = logbook.status.written
        left = medium.left()
        looks.append(written)
        if not written:
            return
        (files,) = left.values()
        header, *rows = parse_rfc4180(files["readings.csv"].decode())
        rows = [dict(zip(header, row, strict=True)) for row in rows]
        assert len(rows) >= written
        waves = [row["wave"] for row in rows if row["kept"] == "yes"]
        assert len(waves) >= len(done)
        for wave in waves:
            assert len(parse_rfc4180(files[wave].decode())) == 1 + len(FIRST.tops.angle_deg)

    started = threading.Event()
    medium = Medium(tmp_path, witness)
    logbook = Logbook(tmp_path, card=medium, **QUICK)
    started.set()
    count = 0
    for n in range(1, 61):
        logbook.add(at(n))
        count += 1
        if n % every == 0:
            tickets.append(logbook.keep(FIRST))
            tickets[-1].wait(10.0)
            count += 1
        until(lambda: logbook.status.written == count or not logbook.alive)  # noqa: B023
        assert logbook.alive, logbook.status.fault
    assert logbook.close(10.0), logbook.status.fault
    assert len(looks) > 100
    assert max(looks) == count
    (files,) = medium.left().values()
    assert json.loads(files["summary.json"])["readings"] == count
    assert all(ticket.done for ticket in tickets)
    assert len(tickets) == 60 // every


HEADER = line(["number", "rms_v", "note"])
LINES = st.lists(st.tuples(st.integers(1, 10**9), st.floats(0, 300), st.text(max_size=12)), max_size=30)
TAILS = st.one_of(
    st.binary(max_size=40).filter(lambda torn: b"\n" not in torn and torn != b""),
    st.integers(1, 9000).map(lambda size: b"\0" * size),
    st.integers(1, 9000).map(lambda size: b"\0" * size + b"3,4\r\n"),
    st.integers(1, 9000).map(lambda size: b"\0" * size + b",3,4\r\n"),
    st.sampled_from([b"1,2\r\n", b"1,2,3,4\r\n", b'5,"6,\r\n', b"\r\n", b"1,2\r\n1,2,3,4\r\n7,8", b"\xff,1,2\r\n"]),
)


@hypothesis.given(lines=LINES, torn=TAILS)
@hypothesis.settings(max_examples=80)
def test_a_torn_tail_is_cut_and_everything_before_it_stays(tmp_path_factory, lines, torn):
    path = tmp_path_factory.mktemp("torn") / "readings.csv"
    notes = [" ".join("".join(c for c in note if c.isprintable()).split()) for *_, note in lines]
    whole = HEADER + b"".join(line([str(n), f"{v:.7g}", note]) for (n, v, _), note in zip(lines, notes, strict=True))
    path.write_bytes(whole + torn)
    repair = cut_torn_tail(Card(), path)
    assert path.read_bytes() == whole
    assert repair is not None
    assert repair.cut_bytes == len(torn)
    assert repair.cut_lines >= 1
    assert cut_torn_tail(Card(), path) is None
    assert path.read_bytes() == whole


@pytest.mark.parametrize("cut", range(0, 30, 3))
def test_a_header_that_is_torn_goes_as_a_whole(tmp_path, cut):
    path = tmp_path / "readings.csv"
    path.write_bytes(HEADER[: cut % len(HEADER)])
    cut_torn_tail(Card(), path)
    assert path.read_bytes() == b""


def test_only_head_and_tail_of_a_large_table_are_read(tmp_path):
    path = tmp_path / "readings.csv"
    whole = HEADER + line(["1", "2.5", "x"]) * 400_000
    path.write_bytes(whole + b"12,3")

    class Counting(Card):
        size = 0

        def read(self, descriptor, size, offset):
            self.size += size
            return super().read(descriptor, size, offset)

    card = Counting()
    assert cut_torn_tail(card, path) == Repair(tmp_path.name, 4, 1)
    assert card.size < 300_000 < len(whole)
    assert path.stat().st_size == len(whole)


def test_a_start_repairs_the_newest_sessions_and_tells(book, tmp_path):
    whole = HEADER + line(["1", "2.5", "x"])
    for number in range(1, 9):
        folder = made(tmp_path / f"{number:05d}-boot-aaaaaaaa")
        (folder / "readings.csv").write_bytes(whole + b"2,3")
    (folder / "summary.json").write_text("{}")  # the newest was closed: what it holds is as it was meant
    logbook = book()
    until(lambda: logbook.status.writing)
    expected = [Repair(f"{number:05d}-boot-aaaaaaaa", 3, 1) for number in (7, 6, 5, 4)]
    assert list(logbook.status.repairs) == expected
    sizes = [(tmp_path / f"{n:05d}-boot-aaaaaaaa/readings.csv").stat().st_size - len(whole) for n in range(1, 9)]
    assert sizes == [3, 3, 3, 0, 0, 0, 0, 3]
    logbook.add(FIRST)
    assert logbook.close(10.0)
    summary = json.loads((logbook.status.folder / "summary.json").read_text())
    assert [repair["session"] for repair in summary["repaired"]] == [repair.session for repair in expected]


def test_an_old_session_that_cannot_be_repaired_stops_nothing(book, tmp_path):
    bad = made(tmp_path / "00001-boot-aaaaaaaa")
    (bad / "readings.csv").mkdir()
    logbook = book()
    until(lambda: logbook.status.writing)
    (repair,) = logbook.status.repairs
    assert (repair.session, repair.fault) == (bad.name, "Is a directory")


WRITE = """
import sys, time
from pathlib import Path
sys.path[:0] = sys.argv[2:]
from flattop.record.logbook import Logbook
from test_session import FIRST
logbook = Logbook(Path(sys.argv[1]), sync_s=0.02)
while True:
    logbook.add(FIRST)
    print(logbook.status.written, flush=True)
    time.sleep(0.001)
"""


def test_a_process_that_is_killed_leaves_what_it_had_synced(book, tmp_path):
    with python(WRITE, tmp_path, Path(__file__).parent) as writer:
        synced = 0
        while synced < 50:
            synced = int(writer.stdout.readline())
        writer.send_signal(signal.SIGKILL)
        synced = max([synced, *(int(text) for text in writer.stdout.read().split("\n")[:-1])])
    (folder,) = tmp_path.iterdir()
    content = (folder / "readings.csv").read_bytes()
    logbook = book()
    until(lambda: logbook.status.writing)
    after = (folder / "readings.csv").read_bytes()
    assert content.startswith(after)
    found = rows_of(folder)
    assert len(found) >= synced
    assert numbers(found) == list(range(1, len(found) + 1))


# -- a real file system -----------------------------------------------------------------------------------------------


@pytest.fixture
def small_card(tmp_path):
    """A file system of 64 KiB, where the machine lets us mount one."""
    place = made(tmp_path / "card")
    try:
        done = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(place)], capture_output=True, check=False
        )
    except FileNotFoundError:
        pytest.skip("no mount here")
    if done.returncode:
        pytest.skip("mounting needs root; the faulty card above stands in")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def test_a_real_card_that_is_full_and_then_has_room(small_card, book):
    (small_card / "ballast").write_bytes(bytes(40_000))
    logbook = book(root=small_card)
    for n in range(100):
        logbook.add(at(1.0 + n))
    until(lambda: logbook.status.words == "card full")
    written = logbook.status.written
    assert 0 < written < 100
    assert numbers(rows_of(logbook.status.folder)) == list(range(1, written + 1))
    (small_card / "ballast").unlink()
    until(lambda: logbook.status.written == 100)
    assert logbook.close(10.0)
    assert numbers(rows_of(logbook.status.folder)) == list(range(1, 101))


def test_a_session_name_suits_fat_too(tmp_path):
    # Microsoft FAT32 File System Specification 1.03, long names: characters that may not stand in them
    for trust in (Trust.SET, Trust.UNKNOWN):
        root = made(tmp_path / trust)
        folder = session_folder.SessionFolder(root, boot_id=BOOT, wall=lambda t=trust: Wall(1e9, t), card=Card())
        folder.claim()
        folder.open()
        assert not re.search(r'[\x00-\x1f"*/:<>?\\|]|[. ]$', folder.name)
        assert session_folder.NAMES.fullmatch(folder.name)
        folder.let_go()
