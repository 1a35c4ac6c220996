"""The logbook: an append-only session on the card, written by a thread of its own, that outlasts a power cut.

00042-2026-11-25T102902Z/    one session; its number is one more than the highest on the card
    readings.csv             one row a reading (RFC 4180), UTF-8, units in the names of the columns
    kept-0001.csv            the folded wave of a kept reading, which its row names
    summary.json             written when the session is closed

`wall_time` is UTC after RFC 3339, and `wall_trust` says how far the clock was known: a vehicle has no network, so the
name of the session holds the time only if it is trusted and the boot otherwise, and `boot_id` with `monotonic_s` stands
beside every reading. Nothing in here goes by the wall clock. `missing_before` counts the readings that were lost
just before a row because the card did not take them; `number` counts all.
"""

from __future__ import annotations

import dataclasses
import json
import math
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from flattop import __version__
from flattop.errors import StorageError
from flattop.measure.reading import Reading, Tops, Verdict
from flattop.record.card import IN_USE, NOT_WRITING, REMEDIES, SLOW, Card, Repair, words_for
from flattop.record.rows import Value, as_row, cell, line, rounded
from flattop.record.session_folder import SUMMARY, SessionFolder
from flattop.record.stamps import Wall, host_boot_id, rfc3339

SYNC_S = 0.5
"""Age of the oldest reading at which it is written and synced [s]: with a slow sync, it still is within a second."""
RETRY_S = 1.0
"""Time between two attempts on a card that does not take what is written [s]."""
SLOW_S = 2.0
"""Age of the oldest reading not on the card from which the card is called slow [s]."""
QUEUE = 3000
"""Readings that wait for the card before the oldest are dropped: five minutes."""
KEEPS = 100
"""Kept readings that may wait for the card; they are never dropped, so one more is refused."""
BATCH_BYTES = 1 << 16
"""How much is written between two syncs; less than a repair looks at."""
NOTE_CHARACTERS = 500
ANSWER_S = 2.0
"""How long the start waits to hear whether another process has the card [s]."""
CLOSING_RETRY_S = 0.1

Facts = dict[str, Value | None]


class Kept:
    """A promise of the logbook: `done` turns true once row and wave of a kept reading are on the card."""

    def __init__(self, number: int) -> None:
        self.number = number
        """Counts the kept readings of the session, from 1."""
        self._done = threading.Event()
        self._lost = False

    @property
    def done(self) -> bool:
        """True once row and wave are on the medium."""
        return self._done.is_set()

    @property
    def lost(self) -> bool:
        """True if the logbook was closed before the card took it."""
        return self._lost and not self.done

    def wait(self, deadline_s: float) -> bool:
        """Wait up to `deadline_s` seconds; return `done`."""
        return self._done.wait(deadline_s)


@dataclass(frozen=True, slots=True)
class Status:
    """How the card is doing."""

    writing: bool
    """The session is open and the card keeps up."""
    words: str
    """What the screen shows: "card full", "card missing" and so on; empty while nothing is wrong."""
    remedy: str
    fault: str
    """What the system said, for the page of faults."""
    folder: Path | None
    """Folder of the session."""
    written: int
    """Readings on the medium."""
    waiting: int
    """Readings not on the medium yet."""
    dropped: int
    """Readings lost because the card did not take them in time."""
    kept: int
    """Kept readings on the medium."""
    unsynced_s: float
    """Age of the oldest reading that is not on the medium [s]; 0 if all are."""
    repairs: tuple[Repair, ...]
    """Torn tails of earlier sessions, found at the start."""


@dataclass(slots=True)
class _Entry:
    """One row on its way to the card."""

    at_s: float
    body: str
    """The row without its first and last cell."""
    facts: Facts
    """What the summary may want of it."""
    number: int = 0
    ticket: Kept | None = None
    tops: Tops | None = None
    line: bytes = b""


@dataclass(slots=True)
class _Counts:
    """What the summary tells."""

    written: int = 0
    dropped: int = 0
    first: Facts | None = None
    last: Facts | None = None
    highest_clean: dict[str, Facts] = dataclasses.field(default_factory=dict)
    kept: list[Facts] = dataclasses.field(default_factory=list)

    def add(self, entry: _Entry) -> None:
        facts = {"number": entry.number, **entry.facts}
        self.written += 1
        self.first = self.first or facts
        self.last = facts
        if entry.ticket is not None:
            self.kept.append(facts)
        level = facts["rms_v"]
        if facts["verdict"] != Verdict.CLEAN or not isinstance(level, float):
            return
        best = self.highest_clean.get(str(facts["input"]))
        if best is None or level > float(best["rms_v"] or 0.0):
            self.highest_clean[str(facts["input"])] = facts


class Logbook:
    """One session in a folder of the card.

    root : folder for sessions, which must exist: made where no card is mounted, it would hide from the card
    wall : the wall clock, for the record only
    now_s : the host's monotonic clock [s]
    boot_id : identity of this boot; asked of the kernel by default
    card : the file system
    queue, keeps : how many readings, and kept readings, may wait for the card
    sync_s, retry_s : see SYNC_S and RETRY_S

    `add` and `keep` never wait for the card. A card that is missing, full, read-only or stuck shows in `status` and is
    tried again for ever. Raises StorageError if another process writes into `root`.
    """

    def __init__(
        self,
        root: Path,
        *,
        wall: Callable[[], Wall] = lambda: Wall(time.time()),
        now_s: Callable[[], float] = time.monotonic,
        boot_id: str | None = None,
        card: Card | None = None,
        queue: int = QUEUE,
        keeps: int = KEEPS,
        sync_s: float = SYNC_S,
        retry_s: float = RETRY_S,
    ) -> None:
        self.root = root
        self._wall, self._now_s = wall, now_s
        self._boot_id = host_boot_id() if boot_id is None else boot_id
        self._most, self._most_keeps = queue, keeps
        self._sync_s, self._retry_s = sync_s, retry_s
        # Shared with the writer, under the lock; the lock is never held across a call to the card.
        self._wake = threading.Condition()
        self._plain: deque[_Entry] = deque()
        self._keeps: deque[_Entry] = deque()
        self._batch: list[_Entry] = []
        self._number = self._kept_number = 0
        self._counts = _Counts()
        self._fault: OSError | None = None
        self._died: Exception | None = None
        self._closing = self._abandoned = self._finished = False
        self._began_s = now_s()
        self._header = b""
        # The writer's own; of the session, others only look at what is replaced as a whole.
        self._session = SessionFolder(root, boot_id=self._boot_id, wall=wall, card=card or Card())
        self._taken = 0
        self._retry_at_s = -math.inf
        self._answered = threading.Event()
        self._thread = self._started()
        self._answered.wait(ANSWER_S)
        if self.status.words == IN_USE:
            self.close(0.0)
            raise StorageError(
                f"another process writes sessions into {root}; allowed is one; stop it, or name another folder"
            )

    # -- the meter's side ---------------------------------------------------------------------------------------------

    def add(self, reading: Reading) -> None:
        """Log a reading; the oldest that waits is dropped, and counted, if too many do."""
        entry = self._entry(reading)
        with self._wake:
            self._number += 1
            entry.number = self._number
            if self._closing:
                self._counts.dropped += 1
                return
            if len(self._plain) >= self._most:
                self._plain.popleft()
                self._counts.dropped += 1
            self._plain.append(entry)
            self._wake.notify()

    def keep(self, reading: Reading, note: str = "") -> Kept:
        """Log a reading as kept, in a row of its own, with its folded wave; return the promise.

        Raises StorageError if it cannot be promised: too many wait already, the note is too long, or all is over.
        """
        note = " ".join("".join(c if c.isprintable() else " " for c in note).split())
        if len(note) > NOTE_CHARACTERS:
            raise StorageError(f"the note has {len(note)} characters; allowed are {NOTE_CHARACTERS}; shorten it")
        with self._wake:
            waiting = len(self._keeps) + sum(entry.ticket is not None for entry in self._batch)
            if waiting >= self._most_keeps:
                raise StorageError(
                    f"the reading was not kept: {waiting} kept readings wait for the card and {self._most_keeps} may; "
                    "see to the card, and keep it again"
                )
            self._kept_number += 1
            ticket = Kept(self._kept_number)
        entry = self._entry(reading, ticket, note)
        with self._wake:
            if self._closing:
                raise StorageError("the reading was not kept: the logbook is closed; start the meter again")
            self._number += 1
            entry.number = self._number
            self._keeps.append(entry)
            self._wake.notify()
        return ticket

    def keep_from(self, number: int) -> None:
        """Number kept readings from this one on at least: those before it belong to a run that goes on."""
        with self._wake:
            self._kept_number = max(self._kept_number, number - 1)

    def _entry(self, reading: Reading, ticket: Kept | None = None, note: str = "") -> _Entry:
        wall, at_s = self._wall(), self._now_s()
        wave = wave_name(ticket.number) if ticket is not None and reading.tops is not None else ""
        named: dict[str, Value] = {
            "wall_time": rfc3339(wall.unix_s),
            "wall_trust": str(wall.trust),
            "boot_id": self._boot_id,
            "monotonic_s": f"{at_s:.6f}",
            **as_row(reading),
            "t_s": f"{reading.time_s:.6f}",  # on a host that has been up for days, seven digits are too few
            "kept": ticket is not None,
            "wave": wave,
            "note": note,
        }
        if not self._header:
            self._header = line(["number", *named, "missing_before"])
        facts = rounded({name: named[name] for name in ("wall_time", "input", "hz", "rms_v", "verdict")})
        facts["t_s"] = round(reading.time_s, 6)
        if ticket is not None:
            facts |= {"kept": ticket.number, "wave": wave, "note": note}
        body = line(map(cell, named.values())).decode().removesuffix("\r\n")
        return _Entry(at_s, body, facts, ticket=ticket, tops=reading.tops if ticket is not None else None)

    @property
    def status(self) -> Status:
        """How the card is doing, now; costs microseconds and waits for nothing."""
        with self._wake:
            heads = [entries[0].at_s for entries in (self._batch, self._plain, self._keeps) if entries]
            now_s = self._now_s()
            unsynced_s = max(0.0, now_s - min(heads)) if heads else 0.0
            is_open = self._session.is_open
            words, said = "", ""
            if self._died is not None:
                words, said = NOT_WRITING, f"the writer stopped: {self._died!r}"
            elif self._fault is not None:
                words, said = words_for(self._fault), self._fault.strerror or str(self._fault)
            elif max(unsynced_s, 0.0 if is_open else now_s - self._began_s) > SLOW_S and not self._finished:
                words = SLOW
            return Status(
                writing=is_open and not words,
                words=words,
                remedy=REMEDIES.get(words, ""),
                fault=said,
                folder=self._session.folder,
                written=self._counts.written,
                waiting=len(self._batch) + len(self._plain) + len(self._keeps),
                dropped=self._counts.dropped,
                kept=len(self._counts.kept),
                unsynced_s=unsynced_s,
                repairs=self._session.repairs,
            )

    @property
    def alive(self) -> bool:
        """True while the writer runs; one that is stuck in the card does."""
        return self._thread.is_alive()

    def restart(self) -> None:
        """Start the writer again if it has died; what waits is kept."""
        if not self.alive and not self._finished and not self._abandoned:
            self._thread = self._started()

    def close(self, deadline_s: float) -> bool:
        """Write what waits and the summary, and let go of the card; False if it did not take them in time.

        deadline_s : how long to try [s]; after it the writer may still be stuck in the card, and ends with the process
        """
        end_s = time.monotonic() + deadline_s
        with self._wake:
            self._closing = True
            self._wake.notify()
        self.restart()
        self._thread.join(max(0.0, end_s - time.monotonic()))
        with self._wake:
            self._abandoned = True
            self._wake.notify()
            for entry in (*self._batch, *self._keeps):
                if entry.ticket is not None:
                    entry.ticket._lost = True
            return self._finished

    # -- the writer ---------------------------------------------------------------------------------------------------

    def _started(self) -> threading.Thread:
        self._died = None
        thread = threading.Thread(target=self._run, name="logbook", daemon=True)
        thread.start()
        return thread

    def _run(self) -> None:
        try:
            while self._turn():
                pass
        except Exception as error:  # whoever owns the logbook sees it in `alive` and `status`
            with self._wake:
                self._died = error
        finally:
            self._answered.set()
            self._session.let_go()

    def _turn(self) -> bool:
        """Do what is due, or wait for it; False when all is done or given up."""
        try:
            if not self._session.is_open and (self._closing or self._now_s() >= self._retry_at_s):
                self._session.claim()
                self._answered.set()  # from here on it may take its time, on a card with many sessions
                self._session.open()
            while self._session.is_open and self._take():
                self._write_batch()
            if self._session.is_open:
                with self._wake:
                    self._fault = None
                if self._closing and not self._abandoned:
                    self._finish()
                    return False
        except OSError as fault:
            self._session.shut()
            self._retry_at_s = self._now_s() + self._retry_s
            with self._wake:
                self._fault = fault
        self._answered.set()
        with self._wake:
            pause_s = self._pause_s()
            if pause_s > 0.0 and not self._abandoned:
                self._wake.wait(pause_s)
            return not self._abandoned

    def _pause_s(self) -> float:
        """Return how long there is nothing to do, unless something is added; under the lock."""
        if not self._session.is_open:
            return min(self._retry_s, CLOSING_RETRY_S) if self._closing else self._retry_s
        if self._closing or self._keeps:
            return 0.0
        if self._plain:
            return max(0.0, self._plain[0].at_s + self._sync_s - self._now_s())
        return self._retry_s

    def _take(self) -> bool:
        """Move what is due into the batch, unless an earlier one is still there; True if there is a batch."""
        with self._wake:
            if self._abandoned or self._batch:
                return not self._abandoned
            due = self._closing or self._keeps
            if not due and not (self._plain and self._now_s() >= self._plain[0].at_s + self._sync_s):
                return False
            size = 0
            while (self._plain or self._keeps) and size < BATCH_BYTES:
                sources = [entries for entries in (self._plain, self._keeps) if entries]
                entry = min(sources, key=lambda entries: entries[0].number).popleft()
                missing = entry.number - self._taken - 1
                self._taken = entry.number
                entry.line = f"{entry.number},{entry.body},{missing}\r\n".encode()
                self._batch.append(entry)
                size += len(entry.line)
            return bool(self._batch)

    def _write_batch(self) -> None:
        """Have the batch on the medium, waves before the rows that name them; what went in before a fault counts."""
        for entry in self._batch:
            if entry.ticket is not None and entry.tops is not None:
                self._session.write_file(wave_name(entry.ticket.number), wave_table(entry.tops))
        count, fault = self._session.append(self._header, [entry.line for entry in self._batch])
        with self._wake:
            for entry in self._batch[:count]:
                self._counts.add(entry)
                if entry.ticket is not None:
                    entry.ticket._done.set()
            del self._batch[:count]
        if fault is not None:
            raise fault

    def _finish(self) -> None:
        """Write the summary and be done."""
        with self._wake:
            counts = self._counts
            summary = {
                "session": self._session.name,
                "flattop": __version__,
                "boot_id": self._boot_id,
                "readings": counts.written,
                "missing": counts.dropped,
                "first": counts.first,
                "last": counts.last,
                "highest_clean": counts.highest_clean,
                "kept": counts.kept,
                "begun_in": self._session.earlier,
                "repaired": [dataclasses.asdict(repair) for repair in self._session.repairs],
            }
        text = json.dumps(summary, indent=2, allow_nan=False, ensure_ascii=False) + "\n"
        self._session.write_file(SUMMARY, text.encode("utf-8", "replace"))
        with self._wake:
            self._finished = True


def wave_name(number: int) -> str:
    """Return the name of the file that holds the wave of a kept reading."""
    return f"kept-{number:04d}.csv"


def wave_table(tops: Tops) -> bytes:
    """Return the folded wave of a kept reading as CSV: angle [degrees] about the crest, levels [V]."""
    names = [field.name for field in dataclasses.fields(Tops)]
    columns = [getattr(tops, name).tolist() for name in names]
    return b"".join([line(names), *(line(map(cell, row)) for row in zip(*columns, strict=True))])
