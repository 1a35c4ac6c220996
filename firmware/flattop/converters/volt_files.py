"""Files that hold volts against time, WAV or CSV, read forward in blocks.

A RIFF reader of our own, for two reasons: the wave module of the standard library knows no floating-point samples, and
the C library behind the usual packages (absent from 32-bit ARM wheels) mends wrong lengths in silence and hands out
scaled samples, where a meter must say what it mended and count the codes at the rails.

Sources: RIFF/WAVE, "Multimedia Programming Interface and Data Specifications 1.0" (IBM and Microsoft, 1991);
WAVEFORMATEXTENSIBLE, Microsoft's mmreg.h; format tags, RFC 2361; CSV, RFC 4180.
"""

from __future__ import annotations

import csv
import io
import math
import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Protocol

import numpy as np
from numpy.typing import NDArray

from flattop.errors import RecordingError, listed
from flattop.samples import FloatArray

BLOCK = 8192
BLOCK_BYTES = 2**22
"""Most samples, and bytes of all channels, read at once: large enough for speed, small enough for any memory."""

RATE_LIMITS_HZ = (100, 1_000_000)
"""Below, no tone of 10 Hz could be judged; above, the header is damaged."""

FAULTS_SHOWN = 5

MAX_LINE = 1024
"""Longest line of a CSV file [characters]; two numbers need far fewer."""

CSV_HEADER = ["time_s", "volts"]

_STREAMED = (0, 0xFFFFFFFF)
_PCM, _FLOAT, _EXTENSIBLE = 0x0001, 0x0003, 0xFFFE
_GUID_TAIL = bytes.fromhex("000000001000800000aa00389b71")
"""Bytes 2 to 15 of every sub-format GUID that stands for a plain format tag."""


@dataclass(frozen=True, slots=True)
class Block:
    """Some consecutive samples: times [s], volts [V], and whether each one stood at a rail; all shape (n,)."""

    times_s: FloatArray
    volts: FloatArray
    railed: NDArray[np.bool_]


class Recording(Protocol):
    """An opened recording of one channel, read forward once."""

    rate_hz: float
    lsb_v: float
    full_scale_v: float
    start_s: float
    end_s: float
    notes: tuple[str, ...]

    def read(self, until_s: float) -> Block | None:
        """Return at most BLOCK further samples, none later than `until_s`; None when there are none.

        Raises RecordingError where the file holds what is no level.
        """
        ...

    def close(self) -> None:
        """Close the file; harmless twice."""
        ...


def open_recording(path: Path, *, channel: int = 1, full_scale_v: float | None = None) -> Recording:
    """Open a WAV or CSV file, told apart by what is in it and not by its name.

    channel : which channel of the file, counted from 1
    full_scale_v : level at the terminals that full scale stands for [V]; a CSV file, which holds volts, needs none

    Raises RecordingError with every fault that the header shows.
    """
    try:
        if path.exists() and not path.is_file():
            raise RecordingError(f"recording {path} is not a file; give the path of a WAV or CSV file")
        file = path.open("rb")
        try:
            return _opened(file, path, channel, full_scale_v)
        except BaseException:
            file.close()
            raise
    except OSError as fault:
        reason = fault.strerror or fault
        raise RecordingError(
            f"recording {path} cannot be read ({reason}); check the path, the card and who may read it"
        ) from fault


def _opened(file: BinaryIO, path: Path, channel: int, full_scale_v: float | None) -> Recording:
    magic = file.read(4)
    file.seek(0)
    if not magic:
        raise RecordingError(f"recording {path} is empty; record it again, or give another path")
    if magic in (b"RF64", b"BW64", b"RIFX"):
        raise RecordingError(
            f"recording {path} is a {magic.decode()} file; allowed are RIFF (little-endian, up to 4 GiB) and CSV; "
            "convert it, or split it into plain WAV files"
        )
    if magic == b"RIFF":
        return WavRecording(file, path, channel=channel, full_scale_v=full_scale_v)
    return CsvRecording(file, path, channel=channel, full_scale_v=full_scale_v)


@dataclass(frozen=True, slots=True)
class _Layout:
    """What the format chunk says of the samples."""

    tag: int
    channels: int
    rate_hz: int
    frame_bytes: int
    bits: int
    """Container of one sample [bit]."""
    valid_bits: int
    """What the recorder filled of it, from the top [bit]."""

    @classmethod
    def parse(cls, chunk: bytes) -> _Layout:
        """Read a format chunk of 16 bytes or more; an extended one is resolved to its plain format tag."""
        tag, channels, rate_hz, _, frame_bytes, bits = struct.unpack_from("<HHIIHH", chunk)
        valid_bits = bits
        if tag == _EXTENSIBLE and chunk[26:40] == _GUID_TAIL:
            valid_bits, tag = struct.unpack_from("<H4xH", chunk, 18)
        return cls(tag, channels, rate_hz, frame_bytes, bits, valid_bits or bits)

    def faults(self) -> Iterator[str]:
        """Yield each reason why samples of this layout cannot be read."""
        widths = {_PCM: (8, 16, 24, 32), _FLOAT: (32, 64)}.get(self.tag)
        if self.tag == _EXTENSIBLE:
            yield (
                "its extended format chunk is cut short or names a sub-format of its own; allowed are integer and "
                "floating-point PCM; convert it to plain WAV"
            )
        elif widths is None:
            yield (
                f"its format tag is 0x{self.tag:04x}; allowed are 0x0001 (integer) and 0x0003 (floating point); "
                "convert it to plain WAV"
            )
        elif self.bits not in widths:
            yield f"its samples have {self.bits} bits; allowed are {', '.join(map(str, widths))}; convert it"
        elif self.valid_bits > self.bits:
            yield (
                f"{self.valid_bits} of {self.bits} bits are said to be filled; allowed are 1 to {self.bits}; "
                "the header is damaged"
            )
        if not RATE_LIMITS_HZ[0] <= self.rate_hz <= RATE_LIMITS_HZ[1]:
            yield (
                f"its sample rate is {self.rate_hz} Hz; allowed are {RATE_LIMITS_HZ[0]} to {RATE_LIMITS_HZ[1]} Hz; "
                "the header is damaged, or the file holds no sound"
            )
        if self.channels == 0:
            yield "it has 0 channels; at least 1 is needed; the header is damaged, record it again"
        elif self.bits % 8 == 0 and self.frame_bytes != self.channels * self.bits // 8:
            yield (
                f"its frames have {self.frame_bytes} bytes; {self.channels} channels of {self.bits} bits need "
                f"{self.channels * self.bits // 8}; the header is damaged"
            )

    def decode(self, raw: NDArray[np.uint8]) -> tuple[FloatArray, NDArray[np.bool_]]:
        """Turn bytes, shape (n, bits / 8), into parts of full scale and whether each stood at a rail."""
        if self.tag == _FLOAT:
            values = raw.view(f"<f{self.bits // 8}")[:, 0].astype(np.float64)
            return values, np.zeros(len(values), dtype=np.bool_)
        codes: NDArray[np.int32]
        if self.bits == 8:
            codes = raw[:, 0].astype(np.int32) - 128  # the one width that is written with an offset
        elif self.bits == 24:
            wide = np.zeros((len(raw), 4), dtype=np.uint8)
            wide[:, 1:] = raw
            codes = wide.view("<i4")[:, 0] >> 8
        else:
            codes = raw.view(f"<i{self.bits // 8}")[:, 0].astype(np.int32)
        half = 1 << (self.bits - 1)
        highest = half - (1 << (self.bits - self.valid_bits))
        return codes / half, (codes <= -half) | (codes >= highest)


class WavRecording:
    """One channel of a RIFF/WAVE file, scaled to volts at the terminals."""

    def __init__(self, file: BinaryIO, path: Path, *, channel: int, full_scale_v: float | None) -> None:
        self._file = file
        self._path = path
        self.notes: tuple[str, ...] = ()
        chunk, data_bytes = self._find_data()
        self._layout = layout = _Layout.parse(chunk)
        faults = [
            *layout.faults(),
            *_channel_faults(channel, layout.channels),
            *_full_scale_faults(full_scale_v, needed=True),
        ]
        if not faults and data_bytes // layout.frame_bytes < 2:
            faults.append(
                f"it holds {data_bytes // layout.frame_bytes} samples; at least 2 are needed; record it again"
            )
        if faults or full_scale_v is None:
            raise RecordingError(listed(f"recording {path} cannot be measured:", faults))
        self._frames, rest = divmod(data_bytes, layout.frame_bytes)
        if rest:
            self.notes += (f"{rest} bytes at the end are no whole sample and were left out",)
        self._column = slice((channel - 1) * layout.bits // 8, channel * layout.bits // 8)
        self._block = min(BLOCK, max(1, BLOCK_BYTES // layout.frame_bytes))
        self._position = 0
        self.rate_hz = float(layout.rate_hz)
        self.full_scale_v = full_scale_v
        self.lsb_v = 0.0 if layout.tag == _FLOAT else full_scale_v / 2 ** (layout.valid_bits - 1)
        self.start_s = 0.0
        self.end_s = (self._frames - 1) / self.rate_hz
        samples_start = file.tell()
        self._take(min(self._block, self._frames))  # so that a file full of NaN is refused at once
        file.seek(samples_start)
        self._position = 0

    def _find_data(self) -> tuple[bytes, int]:
        """Walk the chunks; return the format chunk and the bytes of samples, the file standing at the first."""
        file, end = self._file, os.fstat(self._file.fileno()).st_size
        riff_bytes, form = struct.unpack("<4xI4s", file.read(12).ljust(12, b"\0"))
        if form != b"WAVE":
            raise RecordingError(
                f"recording {self._path} is a RIFF file of the form {form!r}; allowed is b'WAVE'; "
                "give a WAV or CSV file"
            )
        chunk = b""
        while len(header := file.read(8)) == 8:
            name, size = struct.unpack("<4sI", header)
            left = end - file.tell()
            if name == b"data":
                break
            if name == b"fmt ":
                chunk = file.read(min(size, 40))
                file.seek(size - len(chunk), os.SEEK_CUR)
            else:
                file.seek(size, os.SEEK_CUR)
            file.seek(size % 2, os.SEEK_CUR)  # chunks start at even places
        else:
            raise RecordingError(
                f"recording {self._path} ends before its samples (no data chunk); it was cut off, record it again"
            )
        if len(chunk) < 16:
            raise RecordingError(
                f"recording {self._path} has a format chunk of {len(chunk)} bytes before its samples; "
                "16 or more are needed; the header is damaged, record it again"
            )
        if size in _STREAMED and left and not (size == 0 and riff_bytes + 8 == end):
            self.notes += ("the header gives no length (a streamed recording): read to the end of the file",)
            return chunk, left
        if size > left:
            self.notes += (f"cut off: the header promises {size} bytes of samples, {left} are there",)
        return chunk, min(size, left)

    def read(self, until_s: float) -> Block | None:
        """Return at most BLOCK further samples, none later than `until_s`; None when there are none."""
        last = self._frames - 1 if until_s >= self.end_s else math.floor(until_s * self.rate_hz + 1e-6)
        count = min(last + 1 - self._position, self._block)
        return self._take(count) if count > 0 else None

    def _take(self, count: int) -> Block:
        frame_bytes = self._layout.frame_bytes
        raw = self._file.read(count * frame_bytes)
        if len(raw) < count * frame_bytes:
            raise RecordingError(
                f"recording {self._path} became shorter while it was read; measure a copy that no one writes to"
            )
        frames = np.frombuffer(raw, dtype=np.uint8).reshape(count, frame_bytes)
        parts, railed = self._layout.decode(np.ascontiguousarray(frames[:, self._column]))
        times_s = np.arange(self._position, self._position + count) / self.rate_hz
        with np.errstate(over="ignore", invalid="ignore"):
            volts = parts * self.full_scale_v
        wrong = np.flatnonzero(~np.isfinite(volts))
        if wrong.size:
            raise RecordingError(
                f"recording {self._path}: sample {self._position + wrong[0]} (at {times_s[wrong[0]]:.6f} s) is "
                f"{parts[wrong[0]]} of full scale, and so are {wrong.size - 1} more of the {count} read with it; "
                "allowed are finite levels; record it again, or export it anew"
            )
        self._position += count
        return Block(times_s, volts, railed)

    def close(self) -> None:
        """Close the file; harmless twice."""
        self._file.close()


class CsvRecording:
    """Lines of `time_s,volts`; the times may be uneven, and are kept as given."""

    def __init__(self, file: BinaryIO, path: Path, *, channel: int, full_scale_v: float | None) -> None:
        faults = [*_channel_faults(channel, 1), *_full_scale_faults(full_scale_v, needed=False)]
        if faults:
            raise RecordingError(listed(f"recording {path} cannot be measured:", faults))
        self._path = path
        self._text = io.TextIOWrapper(file, encoding="utf-8-sig", newline="")
        self.notes: tuple[str, ...] = ()
        self.lsb_v = 0.0
        self.full_scale_v = math.inf if full_scale_v is None else full_scale_v
        self.start_s, self.end_s, self.rate_hz = self._survey()
        self._text.seek(0)
        self._blocks = self._parse(_Faults(limit=0))
        self._pending: Block | None = None

    def _survey(self) -> tuple[float, float, float]:
        """Read the whole file once for its faults; return first time [s], last time [s] and rate [Hz].

        The rate is one over the median step of the first BLOCK samples.
        """
        faults = _Faults(limit=FAULTS_SHOWN)
        count, start_s, end_s, step_s = 0, 0.0, 0.0, 0.0
        for block in self._parse(faults):
            if count == 0:
                start_s = float(block.times_s[0])
                step_s = float(np.median(np.diff(block.times_s))) if len(block.times_s) > 1 else 0.0
            end_s = float(block.times_s[-1])
            count += len(block.times_s)
        if not faults.count and count < 2:
            faults.add(f"it holds {count} samples; at least 2 are needed; record it again")
        elif not faults.count and not RATE_LIMITS_HZ[0] <= 1.0 / step_s <= RATE_LIMITS_HZ[1]:
            faults.add(
                f"its median step of {step_s:.6g} s makes {1.0 / step_s:.6g} samples a second; allowed are "
                f"{RATE_LIMITS_HZ[0]} to {RATE_LIMITS_HZ[1]}; check that the first column holds seconds"
            )
        if faults.count:
            more = faults.count - len(faults.shown)
            summary = [f"and {more} more, {faults.count} faults in all"] if more else []
            raise RecordingError(listed(f"recording {self._path} cannot be measured:", [*faults.shown, *summary]))
        return start_s, end_s, 1.0 / step_s

    def _parse(self, faults: _Faults) -> Iterator[Block]:
        """Yield the samples in blocks, in order; a line that is wrong goes to `faults` and is left out."""
        rows = csv.reader(self._lines(), strict=True)
        times_s: list[float] = []
        volts: list[float] = []
        before_s = -math.inf
        try:
            header = next(rows, [])
            if header != CSV_HEADER:
                found = ",".join(header)[:40]
                raise RecordingError(
                    f"recording {self._path} starts with {found!r}; allowed are a RIFF/WAVE file, or CSV whose first "
                    f"line is {','.join(CSV_HEADER)}, with commas between and points in the numbers; export it so"
                )
            for row in rows:
                if not row:
                    continue  # an empty line, as editors leave at the end
                time_s, level_v = _numbers(row)
                if before_s < time_s < math.inf and abs(level_v) < math.inf:  # false for NaN as well
                    times_s.append(time_s)
                    volts.append(level_v)
                else:
                    faults.add(f"line {rows.line_num}{_why_refused(row, time_s, level_v, before_s)}")
                if math.isfinite(time_s):
                    before_s = time_s
                if len(times_s) == BLOCK:
                    yield _block(times_s, volts)
                    times_s, volts = [], []
        except UnicodeDecodeError:
            raise RecordingError(
                f"recording {self._path} is neither a RIFF/WAVE file nor text; allowed are WAV and CSV; convert it"
            ) from None
        except csv.Error as fault:
            faults.add(f"line {rows.line_num}: {fault} (quotes, RFC 4180); nothing after it was looked at")
        if times_s:
            yield _block(times_s, volts)

    def _lines(self) -> Iterator[str]:
        number = 0
        while line := self._text.readline(MAX_LINE):
            number += 1
            if len(line) == MAX_LINE:
                raise RecordingError(
                    f"recording {self._path}: line {number} has {MAX_LINE} characters or more, which no time and level "
                    "need; allowed are WAV and CSV files; check the path"
                )
            yield line

    def read(self, until_s: float) -> Block | None:
        """Return at most BLOCK further samples, none later than `until_s`; None when there are none."""
        block = self._pending or next(self._blocks, None)
        if block is None:
            return None
        count = int(np.searchsorted(block.times_s, until_s, side="right"))
        head = Block(block.times_s[:count], block.volts[:count], block.railed[:count])
        tail = Block(block.times_s[count:], block.volts[count:], block.railed[count:])
        self._pending = tail if len(tail.times_s) else None
        return head if count else None

    def close(self) -> None:
        """Close the file; harmless twice."""
        self._text.close()


class _Faults:
    """The first few faults of a file, and how many there are; the first one over a limit of 0 is raised."""

    def __init__(self, *, limit: int) -> None:
        self.shown: list[str] = []
        self.count = 0
        self._limit = limit

    def add(self, fault: str) -> None:
        self.count += 1
        if self._limit == 0:
            raise RecordingError(f"the recording was changed while it was read: {fault}; measure a copy of it")
        if self.count <= self._limit:
            self.shown.append(fault)


def _block(times_s: list[float], volts: list[float]) -> Block:
    return Block(np.array(times_s), np.array(volts), np.zeros(len(volts), dtype=np.bool_))


def _numbers(row: list[str]) -> tuple[float, float]:
    """Return the time and the level of a line, NaN for both where it does not hold two numbers."""
    try:
        time_text, level_text = row
        if "_" not in time_text and "_" not in level_text:  # Python reads 1_000 as a number, nothing else does
            return float(time_text), float(level_text)
    except ValueError:
        pass
    return math.nan, math.nan


def _why_refused(row: list[str], time_s: float, level_v: float, before_s: float) -> str:
    if len(row) != len(CSV_HEADER):
        return f" has {len(row)} fields; {len(CSV_HEADER)} are needed: {','.join(CSV_HEADER)}"
    if math.isfinite(time_s) and math.isfinite(level_v):
        return f": time {time_s} s does not come after {before_s} s; times must rise"
    return f" is {','.join(row)[:40]!r}; allowed are two finite numbers"


def _channel_faults(channel: int, channels: int) -> list[str]:
    if channels == 0 or 1 <= channel <= channels:
        return []
    allowed = "1" if channels == 1 else f"1 to {channels}"
    return [f"channel {channel} is asked for; allowed is {allowed}; choose one that is in the file"]


def _full_scale_faults(full_scale_v: float | None, *, needed: bool) -> list[str]:
    if full_scale_v is None:
        return (
            ["what full scale stands for is not given; needed is the level in volts of a full-scale sample; give it"]
            if needed
            else []
        )
    if math.isfinite(full_scale_v) and full_scale_v > 0:
        return []
    return [f"full scale is said to be {full_scale_v} V; allowed is a finite level above 0 V; correct it"]
