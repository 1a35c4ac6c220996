"""A session as one ZIP file on a stick, read back before it counts.

A stick is formatted FAT: no journal, names that other systems can read, no file of 4 GiB or more (the size of a file
is a 32-bit number; Microsoft FAT32 File System Specification 1.03, DIR_FileSize).
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import shutil
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from flattop.errors import StorageError
from flattop.record.card import Card, sync_folder, whole_bytes

MOST_BYTES = (1 << 32) - 1
"""Largest file on FAT."""
ENTRY_BYTES = 512
"""What a ZIP file needs for one file in it beside the content: headers, names, directory."""
GROWTH = 1.001
"""Packed data that cannot be packed further grows by less (RFC 1951: five bytes for every block of up to 65,535)."""
NOT_FAT = re.compile(r'[^ -~]|["*/:<>?\\|]')
NAME_CHARACTERS = 200
CHUNK_BYTES = 1 << 16


@dataclass(frozen=True, slots=True)
class _Part:
    """One file of the session, as far as it is whole."""

    path: Path
    name: str
    size: int


def copy_to(session: Path, stick: Path) -> Path:
    """Copy the folder of a session to a stick and return the ZIP file, which nothing there was written over for.

    A session that is still being written is copied up to its last whole line. Raises StorageError: no session, no
    stick, no room, too large for FAT, or the copy reads back wrong; then nothing of it is left on the stick.
    """
    parts = _parts(session)
    most = round(GROWTH * sum(part.size for part in parts)) + ENTRY_BYTES * (len(parts) + 1)
    if most > MOST_BYTES:
        raise StorageError(
            f"the session {session.name} may need {_mib(most)}; allowed is {_mib(MOST_BYTES)}, the largest file on a "
            "FAT stick; copy it with a computer"
        )
    try:
        free = shutil.disk_usage(stick).free
        if not stick.is_dir():
            raise NotADirectoryError(errno.ENOTDIR, "it is no folder")
    except OSError as fault:
        raise StorageError(
            f"there is no stick at {stick} ({fault.strerror or fault}); plug one in and wait until it is mounted"
        ) from fault
    if most > free:
        raise StorageError(
            f"the session {session.name} may need {_mib(most)} and the stick has {_mib(free)} free; "
            "make room on it or plug in another"
        )
    path = _free_name(stick, fat_safe(session.name))
    part = path.with_name(f"{path.name}.part")
    try:
        _pack(parts, part)
        _verify(parts, part)
        part.rename(path)
        sync_folder(Card(), stick)
    except (OSError, zipfile.BadZipFile, zipfile.LargeZipFile) as fault:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        said = fault.strerror if isinstance(fault, OSError) else None
        raise StorageError(
            f"the session {session.name} could not be copied to {stick} ({said or fault}); it is unharmed on the "
            "card; try again, or plug in another stick"
        ) from fault
    return path


def fat_safe(name: str) -> str:
    """Return a file name that FAT takes: ASCII without what it forbids, no dot or space at the end, not too long."""
    return NOT_FAT.sub("-", name)[:NAME_CHARACTERS].strip(". ") or "session"


def _mib(size: int) -> str:
    return f"{size / (1 << 20):,.1f} MiB"


def _free_name(stick: Path, name: str) -> Path:
    number, path = 1, stick / f"{name}.zip"
    while os.path.lexists(path) or os.path.lexists(path.with_name(f"{path.name}.part")):
        number += 1
        path = stick / f"{name}-{number}.zip"
    return path


def _parts(session: Path) -> list[_Part]:
    """Return every regular file of the session, in order, without what is half written; StorageError if there is none.

    Sizes are taken now: what is appended while the copy is made stays out.
    """
    try:
        parts = [_Part(path, path.relative_to(session).as_posix(), _whole_size(path)) for path in _files(session)]
    except OSError as fault:
        raise StorageError(
            f"the session {session} cannot be read ({fault.strerror or fault}); name the folder of a session"
        ) from fault
    if not parts:
        raise StorageError(f"the session {session} holds no files; name the folder of a session")
    return parts


def _files(folder: Path) -> Iterator[Path]:
    for path in sorted(folder.iterdir()):
        if path.name.startswith(".") or path.is_symlink():
            continue
        if path.is_dir():
            yield from _files(path)
        elif path.is_file():
            yield path


def _whole_size(path: Path) -> int:
    """Return the size of a file; of a table, up to its last whole line."""
    size = path.stat().st_size
    if path.suffix != ".csv":
        return size
    card = Card()
    descriptor = card.open(path, os.O_RDONLY)
    try:
        return whole_bytes(card, descriptor, size)
    finally:
        card.close(descriptor)


def _pack(parts: list[_Part], path: Path) -> None:
    """Write the ZIP file, down to the medium."""
    with path.open("xb") as file:
        with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as packed:
            for part in parts:
                # A meter without a clock has files from before 1980, where the time stamps of ZIP begin.
                entry = zipfile.ZipInfo.from_file(part.path, part.name, strict_timestamps=False)
                entry.compress_type = zipfile.ZIP_DEFLATED
                entry.file_size = part.size
                with part.path.open("rb") as source, packed.open(entry, "w") as target:
                    left = part.size
                    while left > 0:
                        chunk = source.read(min(left, CHUNK_BYTES))
                        if not chunk:
                            raise OSError(errno.EIO, f"{part.name} became shorter while it was copied")
                        target.write(chunk)
                        left -= len(chunk)
        file.flush()
        os.fsync(file.fileno())


def _verify(parts: list[_Part], path: Path) -> None:
    """Read the ZIP file back, from the medium where the system lets us; OSError or BadZipFile if it is not whole."""
    with path.open("rb") as file:
        # Else the system would show what it remembers, and not what the stick holds.
        os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
        with zipfile.ZipFile(file) as packed:
            wrong = packed.testzip()
            sizes = [(entry.filename, entry.file_size) for entry in packed.infolist()]
    if wrong is not None:
        raise OSError(errno.EIO, f"{wrong} reads back wrong")
    if sizes != [(part.name, part.size) for part in parts]:
        raise OSError(errno.EIO, "files are missing in the copy")
