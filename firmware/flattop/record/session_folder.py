"""The folder of one session on the card: its name, its table that only grows, and its way back after a fault."""

from __future__ import annotations

import contextlib
import errno
import heapq
import os
import re
from collections.abc import Callable, Sequence
from pathlib import Path

from flattop.errors import StorageError
from flattop.record.card import Card, Repair, cut_torn_tail, sync_folder, write_all, write_file
from flattop.record.stamps import Trust, Wall, rfc3339

READINGS = "readings.csv"
SUMMARY = "summary.json"
RECENT = 5
"""Sessions, the newest ones, that are looked at for a torn tail when the card is opened."""
NAMES = re.compile(r"(\d{5,})-(?:boot-\w+|\d{4}-\d\d-\d\dT\d{6}Z)$")
"""Of sessions: a number, and the time or the boot."""


def newest(root: Path) -> Path:
    """Return the folder of the newest session in the folder for sessions; StorageError if there is none."""
    return newest_few(root, 1)[0]


def newest_few(root: Path, count: int) -> list[Path]:
    """Return the folders of the newest sessions, the newest first; StorageError if there is none."""
    try:
        found = _highest(root, Card(), count)
    except OSError as fault:
        raise StorageError(
            f"the folder for sessions {root} cannot be read ({fault.strerror or fault}); put the card in, or name one"
        ) from fault
    if not found:
        raise StorageError(f"the folder for sessions {root} holds no session; name another folder")
    return [root / name for _, name in found]


def _highest(root: Path, card: Card, count: int) -> list[tuple[int, str]]:
    """Return number and name of the newest sessions, the newest first; the names are listed once and no more asked."""
    numbered = ((int(match[1]), match[0]) for name in card.names(root) if (match := NAMES.match(name)))
    return heapq.nlargest(count, numbered)


class SessionFolder:
    """One session in a folder for sessions, `root`, which one process at a time may have.

    Every method raises OSError for what the card does not take; `shut` and `open` then go on where the last sync was.
    For one thread; `is_open`, `folder` and `repairs` may be looked at from others.
    """

    def __init__(self, root: Path, *, boot_id: str, wall: Callable[[], Wall], card: Card) -> None:
        self.root = root
        self.folder: Path | None = None
        self.repairs: tuple[Repair, ...] = ()
        """Torn tails found on the card, the last repair of each session."""
        self.earlier: list[str] = []
        """Folders in which this session was begun, and which are gone."""
        self._boot_id, self._wall, self._card = boot_id, wall, card
        self._lock_at: int | None = None
        self._surveyed = False
        self._number = 0
        self._file: int | None = None
        self._length = 0
        """Bytes of the table on the medium."""
        self._last_line = b""

    @property
    def is_open(self) -> bool:
        """True if the table can be appended to."""
        return self._file is not None

    @property
    def name(self) -> str:
        """Name of the folder; empty before there is one."""
        return self.folder.name if self.folder is not None else ""

    # -- writing ------------------------------------------------------------------------------------------------------

    def append(self, header: bytes, lines: Sequence[bytes]) -> tuple[int, OSError | None]:
        """Append whole lines to the table and have them on the medium; the header goes before the first.

        Returns how many lines are there for good, and the fault that kept the others out or None. What a full card
        took of a line that did not fit is cut off again.
        """
        file, folder = self._opened()
        if self._length == 0:
            self._begin_table(file, folder, header)
        taken, fault = write_all(self._card, file, b"".join(lines))
        count = size = 0
        for line in lines:
            if size + len(line) > taken:
                break
            size += len(line)
            count += 1
        if fault is not None:
            self._card.truncate(file, self._length + size)
        self._sync(file, self._length + size)
        if count:
            self._last_line = lines[count - 1]
        return count, fault

    def write_file(self, name: str, content: bytes) -> None:
        """Put a whole file into the folder, on the medium, in place of one of that name."""
        _, folder = self._opened()
        write_file(self._card, folder / name, content)
        if self._length == 0:
            sync_folder(self._card, self.root)

    def _opened(self) -> tuple[int, Path]:
        if self._file is None or self.folder is None:
            raise OSError(errno.EBADF, "the session is not open")
        return self._file, self.folder

    def _begin_table(self, file: int, folder: Path, header: bytes) -> None:
        """Write the header, and have the names of file and folder on the medium before the first row."""
        taken, fault = write_all(self._card, file, header)
        if fault is not None:
            raise fault
        self._card.fsync(file)
        sync_folder(self._card, folder)
        sync_folder(self._card, self.root)
        self._length, self._last_line = taken, header

    def _sync(self, file: int, length: int) -> None:
        """Have the table on the medium; it must have the length it should have, and still a name."""
        self._card.fsync(file)
        found = self._card.stat(file)
        if found.st_nlink == 0 or found.st_size != length:
            raise OSError(errno.ENOENT, f"{READINGS} was removed or changed by another hand")
        self._length = length

    # -- opening and letting go ---------------------------------------------------------------------------------------

    def claim(self) -> None:
        """Have the lock of the card that is at the root's path now; BlockingIOError if another process has it."""
        if self._lock_at is not None and not self._is_same_root(self._lock_at):
            self.let_go()
        if self._lock_at is not None:
            return
        lock_at = self._card.open(self.root, os.O_RDONLY | os.O_DIRECTORY)
        try:
            self._card.lock(lock_at)
        except OSError:
            self._card.close(lock_at)
            raise
        self._lock_at, self._surveyed = lock_at, False

    def open(self) -> None:
        """Have the torn tails of earlier sessions cut, and this one open; the card must be claimed.

        The session goes on in its folder, or in a new one if that is gone.
        """
        if not self._surveyed:
            self._survey()
        if self.folder is None or not self._resume(self.folder):
            self._make_folder()

    def shut(self) -> None:
        """Close the table, whatever the card says; the lock stays, so that no other process takes our place."""
        file, self._file = self._file, None
        if file is not None:
            with contextlib.suppress(OSError):
                self._card.close(file)

    def let_go(self) -> None:
        """Close everything and give the lock back."""
        self.shut()
        lock_at, self._lock_at = self._lock_at, None
        if lock_at is not None:
            with contextlib.suppress(OSError):
                self._card.close(lock_at)

    def _is_same_root(self, lock_at: int) -> bool:
        """Tell whether the locked folder still is the one at the root's path: another card may have come."""
        held, there = self._card.stat(lock_at), self._card.stat(self.root)
        return (held.st_dev, held.st_ino) == (there.st_dev, there.st_ino)

    def _survey(self) -> None:
        """Find the highest number of a session on the card, and cut the torn tails of the newest left unclosed."""
        recent = _highest(self.root, self._card, RECENT)
        repairs = {repair.session: repair for repair in self.repairs}
        for _, name in recent:
            try:
                repair = self._repair(self.root / name)
            except OSError as fault:  # an old session that cannot be repaired must not keep a new one from being made
                repair = Repair(name, 0, 0, fault.strerror or str(fault))
            if repair is not None:
                repairs[name] = repair
        self.repairs = tuple(repairs.values())
        self._number = recent[0][0] if recent else 0
        self._surveyed = True
        if self._length == 0:
            self.folder = None  # it holds nothing yet, and on another card its name may be that of another session

    def _repair(self, folder: Path) -> Repair | None:
        if not self._exists(folder / READINGS) or self._exists(folder / SUMMARY):
            return None
        return cut_torn_tail(self._card, folder / READINGS)

    def _exists(self, path: Path) -> bool:
        try:
            self._card.stat(path)
        except (FileNotFoundError, NotADirectoryError):
            return False
        return True

    def _resume(self, folder: Path) -> bool:
        """Open the table, cut to what was synced; False if it is not there, or not ours."""
        new = os.O_CREAT if self._length == 0 else 0
        try:
            file = self._card.open(folder / READINGS, os.O_RDWR | os.O_APPEND | new)
        except (FileNotFoundError, NotADirectoryError):
            return False
        try:
            # Another card may have a session of this name: our last line shows whose it is.
            last = self._last_line
            ours = self._card.read(file, len(last), self._length - len(last)) == last
            if ours and self._card.stat(file).st_size != self._length:
                self._card.truncate(file, self._length)
                self._card.fsync(file)
        except OSError:
            self._card.close(file)
            raise
        if not ours:
            self._card.close(file)
            return False
        self._file = file
        return True

    def _make_folder(self) -> None:
        """Make a folder with a name that no other has, and open its table."""
        if self.folder is not None:
            self.earlier.append(self.folder.name)
        wall = self._wall()
        time = rfc3339(wall.unix_s)[:19].replace(":", "")
        known = time and wall.trust is not Trust.UNKNOWN
        stamp = f"{time}Z" if known else f"boot-{self._boot_id[:8] or 'unknown'}"
        self.folder = self._numbered(stamp)
        self._length, self._last_line = 0, b""
        if not self._resume(self.folder):
            raise FileNotFoundError(errno.ENOENT, "the folder just made is gone", str(self.folder))

    def _numbered(self, stamp: str) -> Path:
        while True:
            self._number += 1
            folder = self.root / f"{self._number:05d}-{stamp}"
            try:
                self._card.make_folder(folder)
            except FileExistsError:
                continue
            return folder
