"""Card: what a killed process and a power cut cost, what a stalled card delays, and what 10^5 old sessions cost.

`kill` kills a process that logs, by SIGKILL at random instants. That keeps what the system holds in memory, so
afterwards everything that was not synced is lost in one of the ways a file system loses it: not at all, from some byte
on, or as zeros from some block on. `power` needs root: a real ext4 image is shut down under the writer without its
journal being written out (FS_IOC_SHUTDOWN, flag NOLOGFLUSH: include/uapi/linux/fs.h and ext4), then mounted again.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: the matrices are small

import contextlib
import csv
import dataclasses
import fcntl
import io
import shutil
import signal
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

import numpy as np
import rig
from rig import Row, Runner

from flattop.measure.level import measure
from flattop.measure.reading import Reading
from flattop.measure.verdict import Judge
from flattop.record.card import Card
from flattop.record.logbook import Logbook
from flattop.record.session_folder import READINGS
from flattop.samples import Facts, Input, Samples

ROWS_S = 300.0
"""Rows a second: thirty times those of the meter, so that an instant between two fsyncs has many rows to lose."""
MOST_LOST_S = 1.0
BLOCK = 4096
STALL_S = 10.0
ADD_S = 0.02
"""An add that takes longer would be seen in a loop of ten readings a second [s]."""
SHUTDOWN, NOLOGFLUSH = 0x8004587D, 2
"""_IOR('X', 125, __u32) and its flag."""
TOLD = struct.Struct("=cqd")


@lru_cache(maxsize=1)
def a_reading() -> Reading:
    times_s = np.arange(2000) / 8000
    facts = Facts("recording", Input.SPEAKER, 0.0, 100.0, 1e-3, (10.0, 1000.0), 4000.0, simulated=True)
    return Judge().update(measure(Samples(times_s, 60.0 * np.sin(2 * np.pi * 40 * times_s), facts)))


class Telling(Card):
    """The real card; every sync of a table is told through a pipe once it is done, with the length then synced."""

    def __init__(self, pipe: int) -> None:
        self.pipe = pipe

    def fsync(self, descriptor: int) -> None:
        size = os.fstat(descriptor).st_size
        super().fsync(descriptor)
        if Path(f"/proc/self/fd/{descriptor}").readlink().name == READINGS:
            os.write(self.pipe, TOLD.pack(b"s", size, time.monotonic()))


def logging_child(root: Path) -> tuple[int, int]:
    """Start a process that logs ROWS_S rows a second for ever; return its id and the pipe it tells its progress to."""
    reading = a_reading()
    out, into = os.pipe()
    fcntl.fcntl(into, fcntl.F_SETPIPE_SZ, 1 << 20)
    child = os.fork()
    if child:
        os.close(into)
        return child, out
    try:
        logbook, begun_s = Logbook(root, card=Telling(into)), time.monotonic()
        for number in range(1, 1 << 30):
            logbook.add(dataclasses.replace(reading, time_s=time.monotonic()))
            os.write(into, TOLD.pack(b"a", number, time.monotonic()))
            time.sleep(max(0.0, begun_s + number / ROWS_S - time.monotonic()))
    finally:
        os._exit(1)


@dataclasses.dataclass(frozen=True)
class Found:
    """What one trial found."""

    lost_s: float
    """Age of the oldest row that was lost."""
    lost: int
    torn: bool
    faults: tuple[str, ...]


def killed(root: Path, child: int, pipe: int) -> tuple[list[float], int, float]:
    """Kill the child; return when each row was added, how many bytes of the table it had synced, and when it ended."""
    ended_s = time.monotonic()
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    with open(pipe, "rb") as told:
        records = list(TOLD.iter_unpack(told.read()))
    added = [when_s for kind, _, when_s in records if kind == b"a"]
    synced = max((size for kind, size, _ in records if kind == b"s"), default=0)
    return added, synced, ended_s


def inspect(root: Path, added: list[float], synced: int, ended_s: float) -> Found:
    """Start a logbook on what is left, which repairs it, and compare."""
    tables = list(root.glob(f"*/{READINGS}"))
    left = tables[0].read_bytes() if tables else b""
    logbook = Logbook(root)
    end_s = time.monotonic() + 20.0
    while not logbook.status.writing and time.monotonic() < end_s:
        time.sleep(0.001)
    repairs = logbook.status.repairs
    closed = logbook.close(20.0)
    content = tables[0].read_bytes() if tables else b""
    rows = list(csv.DictReader(io.StringIO(content.decode(), newline=""), strict=True))
    count = len(rows)
    faults = {
        "the next start did not close": not closed,
        "earlier bytes changed": not left.startswith(content),
        "synced bytes lost": len(content) < synced,
        "rows out of order": [row["number"] for row in rows] != [str(n) for n in range(1, count + 1)],
        "row with wrong cells": any(None in row or None in row.values() for row in rows),
        "NUL left": b"\0" in content,
        "torn line left": content != b"" and not content.endswith(b"\r\n"),
        "repair not told": (len(content) < len(left)) != bool(repairs),
    }
    # the last row added may have been told of before it was killed, or not: what was told is what counts
    lost = len(added) - count
    lost_s = ended_s - added[count] if lost > 0 else 0.0
    return Found(lost_s, max(0, lost), bool(repairs), tuple(name for name, there in faults.items() if there))


def kill_trial(seed: list[int]) -> Found:
    rng = np.random.default_rng(seed)
    root = Path(tempfile.mkdtemp(prefix="flattop-kill-"))
    try:
        child, pipe = logging_child(root)
        time.sleep(float(rng.uniform(0.1, 2.6)))
        added, synced, ended_s = killed(root, child, pipe)
        for table in root.glob(f"*/{READINGS}"):
            forget(table, synced, rng)
        return inspect(root, added, synced, ended_s)
    finally:
        shutil.rmtree(root)


def forget(table: Path, synced: int, rng: np.random.Generator) -> None:
    """Lose what was not synced, as a file system may."""
    size = table.stat().st_size
    # The killed process may have died within a write or between write and sync; where it did not, make it so.
    if size == synced and rng.random() < 0.7:
        with table.open("ab") as file:
            row = table.read_bytes().rsplit(b"\r\n", 2)[-2] if synced else b"1,2,3"
            file.write(row[: int(rng.integers(1, len(row)))])
        size = table.stat().st_size
    if size == synced:
        return
    match int(rng.integers(3)):
        case 1:
            os.truncate(table, int(rng.integers(synced, size)))
        case 2:
            first = max(synced, int(rng.integers(synced, size)) // BLOCK * BLOCK)
            with table.open("r+b") as file:
                file.seek(first)
                file.write(bytes(size - first))


@contextlib.contextmanager
def ext4() -> Iterator[tuple[Path, Path]]:
    """Give an image file with ext4 on it, and the folder to mount it at."""
    place = Path(tempfile.mkdtemp(prefix="flattop-power-"))
    image, mounted = place / "image", place / "card"
    try:
        mounted.mkdir()
        with image.open("wb") as file:
            file.truncate(32 << 20)
        subprocess.run(["mkfs.ext4", "-q", str(image)], check=True)
        yield image, mounted
    finally:
        subprocess.run(["umount", "-q", "-l", str(mounted)], check=False)
        shutil.rmtree(place)


def power_trial(seed: list[int]) -> Found:
    rng = np.random.default_rng(seed)
    with ext4() as (image, mounted):
        subprocess.run(["mount", "-o", "loop", str(image), str(mounted)], check=True)
        child, pipe = logging_child(mounted)
        time.sleep(float(rng.uniform(0.3, 2.6)))
        folder = os.open(mounted, os.O_RDONLY)
        fcntl.ioctl(folder, SHUTDOWN, struct.pack("=I", NOLOGFLUSH))
        os.close(folder)
        added, synced, ended_s = killed(mounted, child, pipe)
        subprocess.run(["umount", str(mounted)], check=True)
        subprocess.run(["mount", "-o", "loop", str(image), str(mounted)], check=True)
        return inspect(mounted, added, synced, ended_s)


def loss_rows(name: str, found: list[Found]) -> list[Row]:
    worst_s = max(one.lost_s for one in found)
    faults = sorted({fault for one in found for fault in one.faults})
    torn = sum(one.torn for one in found)
    return [
        Row(
            f"{name}: oldest row lost", f"{worst_s:.3f} s", f"<= {MOST_LOST_S:g} s", len(found), worst_s <= MOST_LOST_S
        ),
        Row(f"{name}: most rows lost", f"{max(one.lost for one in found)}", "-", len(found), None),
        Row(f"{name}: torn tails, all cut", f"{torn}", "-", len(found), None),
        Row(f"{name}: anything else wrong", ", ".join(faults) or "none", "none", len(found), not faults),
    ]


def kill(runner: Runner, trials: int) -> list[Row]:
    return loss_rows(f"SIGKILL at {ROWS_S:g} rows/s", runner.map(kill_trial, trials, label=71))


def power(runner: Runner, trials: int) -> list[Row]:
    count = max(2, trials // 10)
    if os.geteuid() != 0 or shutil.which("mkfs.ext4") is None:
        return [Row("power cut on ext4", "needs root and mkfs.ext4", "-", 0, None)]
    return loss_rows("power cut on ext4", runner.map(power_trial, count, label=72))


# -- a card that stalls -----------------------------------------------------------------------------------------------


class Stalling(Card):
    """A card that takes STALL_S for one fsync."""

    def __init__(self, at_s: float, stall_s: float) -> None:
        self.at_s, self.stall_s = at_s, stall_s
        self.stalled: tuple[float, float] | None = None

    def fsync(self, descriptor: int) -> None:
        begun_s = time.monotonic()
        if self.stalled is None and begun_s >= self.at_s:
            time.sleep(self.stall_s)
            self.stalled = begun_s, time.monotonic()
        super().fsync(descriptor)


def stall_trial(seed: list[int]) -> tuple[list[float], list[float], bool]:
    """Return how long each add took beside the stall and during it, and whether all is in the table in order."""
    root = Path(tempfile.mkdtemp(prefix="flattop-stall-"))
    reading, begun_s = a_reading(), time.monotonic()
    card = Stalling(begun_s + 1.0, STALL_S)
    took: list[tuple[float, float]] = []
    try:
        logbook = Logbook(root, card=card)
        count = round((STALL_S + 3.0) * 10)
        for number in range(1, count + 1):
            time.sleep(max(0.0, begun_s + number / 10 - time.monotonic()))
            before_s = time.perf_counter()
            logbook.add(dataclasses.replace(reading, time_s=float(number)))
            took.append((time.monotonic(), time.perf_counter() - before_s))
        closed = logbook.close(20.0)
        (table,) = root.glob(f"*/{READINGS}")
        rows = list(csv.DictReader(io.StringIO(table.read_bytes().decode(), newline=""), strict=True))
        whole = closed and [float(row["t_s"]) for row in rows] == [float(n) for n in range(1, count + 1)]
        first_s, last_s = card.stalled or (0.0, 0.0)
        during = [add_s for when_s, add_s in took if first_s <= when_s <= last_s]
        return [add_s for when_s, add_s in took if not first_s <= when_s <= last_s], during, whole
    finally:
        shutil.rmtree(root)


def stall(runner: Runner, trials: int) -> list[Row]:
    found = runner.map(stall_trial, max(1, trials // 100), label=73)
    beside = [add_s for one in found for add_s in one[0]]
    during = [add_s for one in found for add_s in one[1]]
    whole = all(one[2] for one in found)
    enough = len(during) >= 9.0 * STALL_S * len(found)
    return [
        Row("add() beside a stall, median", f"{1e3 * np.median(beside):.2f} ms", "-", len(beside), None),
        Row("add() in a stall, median", f"{1e3 * np.median(during):.2f} ms", "-", len(during), None),
        Row(
            f"add() in a stall of {STALL_S:g} s, longest",
            f"{1e3 * max(during):.2f} ms",
            f"<= {1e3 * ADD_S:g} ms",
            len(during),
            enough and max(during) <= ADD_S,
        ),
        Row("rows after a stall", "all, in order" if whole else "NOT whole", "all, in order", len(found), whole),
    ]


# -- a card with a past -----------------------------------------------------------------------------------------------


def old_sessions(runner: Runner, trials: int) -> list[Row]:
    count = 100_000 if trials >= 100 else 1000 * max(1, trials // 10)
    root = Path(tempfile.mkdtemp(prefix="flattop-old-"))
    reading = a_reading()  # the first one takes longer than a start
    try:
        for number in range(1, count + 1):
            (root / f"{number:05d}-boot-0123abcd").mkdir()
        begun_s = time.monotonic()
        logbook = Logbook(root)
        logbook.add(reading)
        started_s = time.monotonic() - begun_s
        while not logbook.status.writing and time.monotonic() < begun_s + 60.0:
            time.sleep(0.001)
        writing_s = time.monotonic() - begun_s
        closed = logbook.close(20.0)
        right = closed and logbook.status.folder == root / f"{count + 1:05d}-boot-{logbook._boot_id[:8]}"
        return [
            Row(f"{count} old sessions: start", f"{1e3 * started_s:.1f} ms", "<= 100 ms", 1, started_s <= 0.1),
            Row(f"{count} old sessions: writing", f"{1e3 * writing_s:.0f} ms", "<= 2 s", 1, writing_s <= 2.0),
            Row("the next number is taken", "yes" if right else "NO", "yes", 1, right),
        ]
    finally:
        shutil.rmtree(root)


# -- cost -------------------------------------------------------------------------------------------------------------


def cost(runner: Runner, trials: int) -> list[Row]:
    """Measure what logging costs the processor at the meter's ten rows a second."""
    root = Path(tempfile.mkdtemp(prefix="flattop-cost-"))
    reading = a_reading()
    try:
        logbook = Logbook(root)
        seconds = min(10.0, trials / 20)
        begun_s, cpu_s, adds = time.monotonic(), time.process_time(), []
        for number in range(1, round(10 * seconds) + 1):
            time.sleep(max(0.0, begun_s + number / 10 - time.monotonic()))
            before_s = time.perf_counter()
            logbook.add(reading)
            adds.append(time.perf_counter() - before_s)
        share = (time.process_time() - cpu_s) / (time.monotonic() - begun_s)
        syncs_ok = logbook.status.unsynced_s <= MOST_LOST_S
        logbook.close(20.0)
        return [
            Row("logging 10 rows/s, share of a core", f"{100 * share:.2f} %", "<= 1 %", len(adds), share <= 0.01),
            Row("age of the oldest row not synced", "in time" if syncs_ok else "LATE", "<= 1 s", 1, syncs_ok),
        ]
    finally:
        shutil.rmtree(root)


FIGURES = {"kill": kill, "power": power, "stall": stall, "old": old_sessions, "cost": cost}

if __name__ == "__main__":
    sys.exit(rig.main(__doc__ or "", FIGURES, trials=200))
