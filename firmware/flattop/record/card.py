"""The card: every file-system call of the logbook in one place, and what outlasts a power cut.

What reaches the medium and when: data on fsync of the file, a new or renamed name on fsync of its folder (fsync(2),
rename(2)). A card that fills up takes a part of a write first and refuses the next, so what write() returns counts.
"""

from __future__ import annotations

import contextlib
import csv
import errno
import fcntl
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

CRLF = b"\r\n"
HEAD_BYTES = 8192
"""A header is never longer."""
TAIL_BYTES = 1 << 18
"""How much of the end of a file is read to find its last whole line: more than the logbook writes between two syncs."""


class Card:
    """The operating system's calls, one a method; tests put faults in here.

    All raise OSError. Files are plain descriptors: what is written is at once in the system's hands, and what is
    synced is on the medium.
    """

    def open(self, path: Path, flags: int) -> int:
        """Open a file or folder and return its descriptor; children of this process do not get it."""
        return os.open(path, flags | os.O_CLOEXEC, 0o644)

    def close(self, descriptor: int) -> None:
        """Close a descriptor."""
        os.close(descriptor)

    def read(self, descriptor: int, size: int, offset: int) -> bytes:
        """Return up to `size` bytes from `offset`; fewer at the end of the file only."""
        parts = []
        while size > 0 and (part := os.pread(descriptor, size, offset)):
            parts.append(part)
            size -= len(part)
            offset += len(part)
        return b"".join(parts)

    def write(self, descriptor: int, content: memoryview) -> int:
        """Write what the system takes and return how many bytes that was."""
        return os.write(descriptor, content)

    def fsync(self, descriptor: int) -> None:
        """Return once everything written is on the medium."""
        os.fsync(descriptor)

    def truncate(self, descriptor: int, size: int) -> None:
        """Cut the file to `size` bytes."""
        os.ftruncate(descriptor, size)

    def stat(self, at: Path | int) -> os.stat_result:
        """Return what is known of a path or a descriptor."""
        return os.stat(at)  # noqa: PTH116  of a descriptor too

    def lock(self, descriptor: int) -> None:
        """Take the lock of a file or folder; BlockingIOError at once if another has it. Closing gives it back."""
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)

    def names(self, folder: Path) -> Iterator[str]:
        """Yield the names in a folder, and ask nothing more of each."""
        with os.scandir(folder) as entries:
            for entry in entries:
                yield entry.name

    def make_folder(self, path: Path) -> None:
        """Make a folder; FileExistsError if the name is taken."""
        path.mkdir()

    def replace(self, old: Path, new: Path) -> None:
        """Rename a file, over another if there is one."""
        old.replace(new)

    def remove(self, path: Path) -> None:
        """Remove a file."""
        path.unlink()


def write_all(card: Card, descriptor: int, content: bytes) -> tuple[int, OSError | None]:
    """Write all of `content`, in as many parts as the card takes.

    Returns how many bytes it took, and the fault that ended it early or None.
    """
    view, taken = memoryview(content), 0
    while taken < len(content):
        try:
            part = card.write(descriptor, view[taken:])
        except OSError as fault:
            return taken, fault
        if part <= 0:
            return taken, OSError(errno.EIO, "the card took nothing of a write")
        taken += part
    return taken, None


def sync_folder(card: Card, folder: Path) -> None:
    """Return once the names in a folder are on the medium."""
    descriptor = card.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        card.fsync(descriptor)
    finally:
        card.close(descriptor)


def write_file(card: Card, path: Path, content: bytes) -> None:
    """Put a whole file on the medium under its name, or leave what was there.

    Raises OSError; what is half written is removed if the card lets us.
    """
    new = path.with_name(f".{path.name}.new")
    try:
        descriptor = card.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        try:
            _, fault = write_all(card, descriptor, content)
            if fault is not None:
                raise fault
            card.fsync(descriptor)
        finally:
            card.close(descriptor)
        card.replace(new, path)
    except OSError:
        with contextlib.suppress(OSError):
            card.remove(new)
        raise
    sync_folder(card, path.parent)


# -- what a power cut leaves ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Repair:
    """What was found wrong at the end of a table, and done about it."""

    session: str
    cut_bytes: int
    cut_lines: int
    """Lines, whole or begun, in the bytes that were cut."""
    fault: str = ""
    """Why it could not be repaired; it was left as it is."""


def cut_torn_tail(card: Card, path: Path) -> Repair | None:
    """Cut off what a power cut left after the last whole line of a CSV file, on the medium; None if nothing was.

    Raises OSError. Everything before the cut stays as it is, and only the head and the tail of the file are read.
    """
    descriptor = card.open(path, os.O_RDWR)
    try:
        size = card.stat(descriptor).st_size
        whole = whole_bytes(card, descriptor, size)
        if whole == size:
            return None
        torn = card.read(descriptor, size - whole, whole)
        card.truncate(descriptor, whole)
        card.fsync(descriptor)
    finally:
        card.close(descriptor)
    return Repair(path.parent.name, size - whole, torn.count(CRLF) + (not torn.endswith(CRLF)))


def whole_bytes(card: Card, descriptor: int, size: int) -> int:
    """Return how many of the first `size` bytes of a CSV file are its header and whole lines.

    A line at the end is not whole without its CRLF, with another number of cells than the header has, or with a NUL
    in it: ext4 can leave a block of zeros where data was not written back in time.
    """
    head = card.read(descriptor, min(size, HEAD_BYTES), 0)
    header = head.find(CRLF) + len(CRLF)
    if header < len(CRLF):
        return size if size > HEAD_BYTES else 0  # so long without a line: not ours to cut
    cells = _cells(head[: header - len(CRLF)])
    start = max(header, size - TAIL_BYTES)
    tail = card.read(descriptor, size - start, start)
    first = 0 if start == header else tail.find(CRLF) + len(CRLF)
    if start != header and first < len(CRLF):
        return size  # no line in all of the tail: likewise
    end = tail.rfind(CRLF) + len(CRLF) if CRLF in tail else first
    while end > first:
        before = tail.rfind(CRLF, first, end - len(CRLF))
        begin = before + len(CRLF) if before >= 0 else first
        if cells is not None and _cells(tail[begin : end - len(CRLF)]) == cells:
            break
        end = begin
    return start + end


def _cells(content: bytes) -> int | None:
    """Return the number of cells of a line, or None if it is not one."""
    if b"\0" in content:
        return None
    try:
        rows = list(csv.reader([content.decode("utf-8")], strict=True))
    except (csv.Error, UnicodeDecodeError):
        return None
    return len(rows[0]) if len(rows) == 1 else None


# -- words ------------------------------------------------------------------------------------------------------------

FULL, READ_ONLY, MISSING, IN_USE, NOT_WRITING, SLOW = (
    "card full",
    "card read-only",
    "card missing",
    "card in use",
    "card not writing",
    "card slow",
)
REMEDIES = {
    FULL: "copy sessions to a stick and delete them here, or put in another card",
    READ_ONLY: "unlock the card; if it was not locked, its file system is damaged: check it in a computer",
    MISSING: "put the card in; the folder for sessions must be on it",
    IN_USE: "another process writes to this card: stop it",
    NOT_WRITING: "check the card, and who may write to its folder for sessions",
    SLOW: "wait; if this does not pass, put in another card",
}
_WORDS = {
    errno.ENOSPC: FULL,
    errno.EDQUOT: FULL,
    errno.EFBIG: FULL,
    errno.EROFS: READ_ONLY,
    errno.ENOENT: MISSING,
    errno.ENODEV: MISSING,
    errno.ENXIO: MISSING,
    errno.ENOTDIR: MISSING,
    errno.ENOMEDIUM: MISSING,
    errno.EWOULDBLOCK: IN_USE,
}


def words_for(fault: OSError) -> str:
    """Return the words the screen shows for a fault of the card."""
    return _WORDS.get(fault.errno or 0, NOT_WRITING)
