"""A session folder: readings as CSV (RFC 4180), frames of the screen as PNG, and the screen as one moving picture.

readings.csv    one row a reading, units in the names of the columns
frames/         the screen at every change of verdict and once a second
screen.gif      the screen from beginning to end
"""

from __future__ import annotations

import csv
import math
import os
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from PIL import Image

from flattop.errors import StorageError
from flattop.measure.reading import Reading
from flattop.record.logbook import wave_name, wave_table
from flattop.record.rows import as_row, cell, rounded

FRAME_EVERY_S = 1.0
MOVIE_EVERY_S = 0.3
MOVIE_FRAMES = 600
"""Most frames of the moving picture, which are kept in memory until the end: then every other one goes."""


def new_folder(wanted: Path | None, *, default: str) -> Path:
    """Make the folder of a session and return it.

    wanted : the folder asked for, which must be new or empty; None takes `default`, numbered if it is taken

    Raises StorageError if it cannot be made or holds files already: nothing is ever written over.
    """
    folder = wanted
    number = 1
    while folder is None:
        trial = Path(default if number == 1 else f"{default}-{number}")
        folder = None if trial.exists() else trial
        number += 1
    try:
        folder.mkdir(parents=True, exist_ok=True)
        taken = next(folder.iterdir(), None)
    except OSError as error:
        raise StorageError(
            f"the folder {folder} cannot be used ({error.strerror or error}); name another with --out"
        ) from error
    if taken is not None:
        raise StorageError(f"the folder {folder} holds files already ({taken.name}); name a new or an empty one")
    return folder


@dataclass(frozen=True, slots=True)
class Kept:
    """A kept reading of a session that is written as it goes."""

    number: int
    done: bool = True


class Session:
    """Writes one session into its folder.

    palette : image of mode P with the colours of the moving picture

    Raises StorageError when the folder does not take what is written; rows written before stay.
    """

    def __init__(self, folder: Path, *, palette: Image.Image) -> None:
        self.folder = folder
        self._palette = palette
        self.frames = self.kept = 0
        self._movie: list[tuple[float, Image.Image]] = []
        self._movie_s = self._frame_s = -math.inf
        self._movie_every_s = MOVIE_EVERY_S
        self._said = ""
        try:
            (folder / "frames").mkdir(exist_ok=True)
            # csv writes CRLF itself, as RFC 4180 wants it; every row goes to the system at once.
            self._file = (folder / "readings.csv").open("x", buffering=1, encoding="utf-8", newline="")
        except OSError as error:
            raise self._failed(error) from error
        self._table: csv.DictWriter[str] | None = None

    def _failed(self, error: OSError) -> StorageError:
        return StorageError(
            f"the session folder {self.folder} cannot be written ({error.strerror or error}); "
            "make room or name another folder with --out; what was written before is kept"
        )

    def wants_frame(self, reading: Reading) -> bool:
        """Tell whether the frame of this reading is to be kept: not every one need be drawn."""
        return self._is_news(reading) or self._moves_on(reading)

    def _is_news(self, reading: Reading) -> bool:
        said = f"{reading.verdict} {reading.reason}"
        return said != self._said or reading.time_s - self._frame_s >= FRAME_EVERY_S

    def _moves_on(self, reading: Reading) -> bool:
        return reading.time_s - self._movie_s >= self._movie_every_s - 0.01

    def add(self, reading: Reading, image: Image.Image | None = None) -> None:
        """Log a reading, with the frame that showed it where one was drawn."""
        row = rounded(as_row(reading))
        try:
            if self._table is None:
                self._table = csv.DictWriter(self._file, fieldnames=list(row))
                self._table.writeheader()
            self._table.writerow({name: cell(value) for name, value in row.items()})
            if image is not None:
                self._add_frame(reading, image)
        except OSError as error:
            raise self._failed(error) from error

    def _add_frame(self, reading: Reading, image: Image.Image) -> None:
        if self._is_news(reading):
            name = f"{self.frames:04d}-{reading.time_s:08.2f}s-{reading.verdict}.png"
            image.save(self.folder / "frames" / name, compress_level=1)
            self.frames += 1
            self._said, self._frame_s = f"{reading.verdict} {reading.reason}", reading.time_s
        if self._moves_on(reading):
            frame = image.quantize(palette=self._palette, dither=Image.Dither.NONE)
            self._movie.append((reading.time_s, frame))
            self._movie_s = reading.time_s
            if len(self._movie) >= MOVIE_FRAMES:
                self._movie = self._movie[::2]
                self._movie_every_s *= 2.0

    def keep(self, reading: Reading, note: str) -> Kept:
        """Write the folded wave of a kept reading; it is there when this returns.

        note : what it was kept for, which is for the caller's own record
        """
        self.kept += 1
        if reading.tops is not None:
            path = self.folder / wave_name(self.kept)
            try:
                path.write_bytes(wave_table(reading.tops))
            except OSError as error:
                raise self._failed(error) from error
        return Kept(self.kept)

    def close(self) -> None:
        """Finish the table, down to the medium, and then the moving picture."""
        try:
            with self._file:
                self._file.flush()
                os.fsync(self._file.fileno())
            self._save_movie()
        except OSError as error:
            raise self._failed(error) from error

    def _save_movie(self) -> None:
        if not self._movie:
            return
        path = self.folder / "screen.gif"
        times_s, (first, *others) = zip(*self._movie, strict=True)
        lasts_s = [after - before for before, after in pairwise((*times_s, times_s[-1] + self._movie_every_s))]
        try:
            first.save(path, save_all=True, append_images=others, duration=[round(1000 * s) for s in lasts_s], loop=0)
        except OSError:
            path.unlink(missing_ok=True)  # half a picture is of no use, and takes room
            raise
