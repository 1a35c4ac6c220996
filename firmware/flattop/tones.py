"""Test tones as WAV files: sines, sweeps and silence that can be played again and again without a click.

Every file holds a whole number of cycles in a whole number of frames. The length is chosen for that, near the one
asked for; what is left over goes into the frequency, which is off by less than 1e-4 of itself and by less than 1e-6
in a file longer than 12 s. The note beside the files gives the frequency as it is, to the last digit that counts.

Levels: 0 dBFS is the sine whose crest just reaches the largest positive code (the convention of AES17, from memory).
Dither: two uniform numbers of one step each are added before rounding, so that the mean and the variance of the error
do not depend on the tone (Lipshitz, Wannamaker & Vanderkooy, J. Audio Eng. Soc. 40(5), 1992; from memory).
Sweeps: phase K (r^(t/T) - 1)/(r - 1) cycles, whose rate grows by the ratio r within T (Farina 2000; from memory).
"""

from __future__ import annotations

import argparse
import contextlib
import errno
import math
import os
import re
import struct
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from flattop.errors import SettingsError, StorageError, listed
from flattop.samples import FloatArray

RATES_HZ = (44_100, 48_000)
BITS = (16, 24)
SIDES = ("both", "left", "right")
TONE_HZ = (5.0, 20_000.0)
LEVEL_DBFS = (-100.0, 0.0)
LENGTH_S = (1.0, 3600.0)
MOST_TONES = 90

NOTE_NAME = "README.txt"
SWEEPS_HZ = ((10.0, 300.0, 30), (10.0, 20_000.0, 33))
"""Lowest and highest frequency of each sweep [Hz], and in how many even ratios the stepped one goes up."""
STEP_S = 3.0
"""Length of each step: a reading is steady well within it."""
USUAL_TONES = ((40.0, "bass"), (1000.0, "mid"), (3500.0, "high"), (5000.0, "high"))
"""What is written where neither a plan nor a tone is named, at 0 and at -5 dBFS (common practice, no source)."""
USUAL_DBFS = (0.0, -5.0)

_FRAMES = 1 << 16  # worked out at once
_SEARCHED = 40  # cycles to either side that are tried for a length in which the frequency is exact
_FORBIDDEN = re.compile(r'[<>:"/\\|?*\s.\x00-\x1f\x7f]+')  # what FAT does not take, and what reads badly


class NamedTone(Protocol):
    """A tone of a plan: name, frequency [Hz] and level it is recorded at [dBFS]."""

    @property
    def name(self) -> str: ...  # noqa: D102
    @property
    def hz(self) -> float: ...  # noqa: D102
    @property
    def dbfs(self) -> float: ...  # noqa: D102


@dataclass(frozen=True, slots=True)
class Wanted:
    """One sine as it was asked for."""

    name: str
    hz: float
    dbfs: float
    length_s: float


@dataclass(frozen=True, slots=True)
class Coding:
    """How samples are stored."""

    rate_hz: int = 48_000
    bits: int = 16

    @property
    def full_scale(self) -> int:
        """Largest code, and the crest of a sine of 0 dBFS."""
        return int(2 ** (self.bits - 1) - 1)

    @property
    def crest(self) -> float:
        """Highest crest that leaves room for the dither, over full scale: 0.0001 dB below it with 16 bit.

        A dither that is cut at the crests is none there, and the lines of a tone of 0 dBFS would show it.
        """
        return 1 - 0.5 / self.full_scale


@dataclass(frozen=True, slots=True)
class Stretch:
    """A whole number of cycles in a whole number of frames; beginning and end are rising zero crossings.

    ratio : last frequency over the first; 1 for a steady tone
    dbfs : level; -infinity for silence
    """

    frames: int
    cycles: int
    dbfs: float
    ratio: float = 1.0

    def hz(self, rate_hz: int) -> tuple[float, float]:
        """Return the frequency at the beginning and at the end [Hz]."""
        mean_hz = self.cycles * rate_hz / self.frames
        if self.ratio == 1.0:
            return mean_hz, mean_hz
        first_hz = mean_hz * math.log(self.ratio) / (self.ratio - 1)
        return first_hz, first_hz * self.ratio

    def wave(self, start: int, stop: int) -> FloatArray:
        """Return frames `start` to `stop` of it; 1 is full scale."""
        at = np.arange(start, stop, dtype=np.int64)
        if self.ratio == 1.0:
            turns = (at * self.cycles % self.frames) / self.frames  # in whole numbers: no phase drifts, however long
        else:
            turns = self.cycles * np.expm1(at * (math.log(self.ratio) / self.frames)) / (self.ratio - 1)
        return np.asarray(10 ** (self.dbfs / 20) * np.sin(2 * np.pi * (turns % 1.0)), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Track:
    """One file."""

    stem: str
    """Name without number, side and ending."""
    use: str
    """What it is for."""
    stretches: tuple[Stretch, ...]
    side: str = "both"

    @property
    def frames(self) -> int:
        """Length [frames]."""
        return sum(stretch.frames for stretch in self.stretches)

    @property
    def peak(self) -> float:
        """Highest crest; 1 is full scale."""
        return max(10 ** (max(stretch.dbfs, -200.0) / 20) for stretch in self.stretches)

    def wave(self, start: int, stop: int) -> FloatArray:
        """Return frames `start` to `stop`; 1 is full scale."""
        parts, begin = [], 0
        for stretch in self.stretches:
            first, last = max(start - begin, 0), min(stop - begin, stretch.frames)
            if first < last:
                parts.append(stretch.wave(first, last))
            begin += stretch.frames
        return np.concatenate(parts)


def whole(*, mean_hz: float, length_s: float, rate_hz: int) -> tuple[int, int]:
    """Return frames and cycles, both whole, nearest to a frequency [Hz] within about a length [s].

    Among the lengths in reach the one with the truest frequency is taken, of equally true ones the nearest.
    """
    middle = max(round(mean_hz * length_s), 1)
    reach = min(_SEARCHED, middle // 50)
    trials = sorted(range(middle - reach, middle + reach + 1), key=lambda cycles: abs(cycles - middle))

    def error(cycles: int) -> float:
        frames = cycles * rate_hz / mean_hz
        return round(abs(frames - round(frames)) / frames, 12)

    cycles = min(trials, key=error)
    return round(cycles * rate_hz / mean_hz), cycles


def sine(wanted: Wanted, *, rate_hz: int, side: str = "both", use: str = "") -> Track:
    """Return the track of one tone."""
    frames, cycles = whole(mean_hz=wanted.hz, length_s=wanted.length_s, rate_hz=rate_hz)
    name = _FORBIDDEN.sub("-", wanted.name).strip("-")
    return Track(
        "_".join(part for part in (name, f"{wanted.hz:.7g}Hz", f"{wanted.dbfs:.4g}dBFS") if part),
        use or "set levels and look for flat tops with this tone",
        (Stretch(frames, cycles, wanted.dbfs),),
        side,
    )


def stepped(low_hz: float, high_hz: float, steps: int, *, dbfs: float, rate_hz: int, side: str = "both") -> Track:
    """Return a sweep in `steps` even ratios, each frequency STEP_S long; it never jumps, each begins where one ends."""
    parts = [
        whole(mean_hz=float(hz), length_s=STEP_S, rate_hz=rate_hz) for hz in np.geomspace(low_hz, high_hz, steps + 1)
    ]
    return Track(
        f"steps_{low_hz:g}-{high_hz:g}Hz_{dbfs:.4g}dBFS",
        "read the level at each step and find where a filter cuts; the steps are listed below",
        tuple(Stretch(frames, cycles, dbfs) for frames, cycles in parts),
        side,
    )


def sweep(low_hz: float, high_hz: float, *, length_s: float, dbfs: float, rate_hz: int, side: str = "both") -> Track:
    """Return a sweep whose frequency grows by equal ratios in equal times."""
    ratio = high_hz / low_hz
    mean_hz = low_hz * (ratio - 1) / math.log(ratio)
    frames, cycles = whole(mean_hz=mean_hz, length_s=length_s, rate_hz=rate_hz)
    return Track(
        f"sweep_{low_hz:g}-{high_hz:g}Hz_{dbfs:.4g}dBFS",
        f"see a filter at work: the frequency doubles every {length_s * math.log(2) / math.log(ratio):.1f} s",
        (Stretch(frames, cycles, dbfs, ratio),),
        side,
    )


def silence(*, length_s: float, rate_hz: int) -> Track:
    """Return silence with dither: a player that mutes itself at digital zero would seem quieter than it is."""
    return Track(
        "silence",
        "hear and measure hiss, hum and whine; it holds the dither alone, for at digital zero many players mute their "
        "outputs and would seem quieter than they are while they play",
        (Stretch(round(length_s * rate_hz), 0, -math.inf),),
    )


# -- writing ----------------------------------------------------------------------------------------------------------


def write(folder: Path, tracks: Sequence[Track], coding: Coding, *, seed: int = 1) -> list[Path]:
    """Write the tracks, numbered in their order, and a note on them; return the paths, the note last.

    folder : made if it is not there; nothing in it is written over

    Raises StorageError; then no half-written file is left, whole ones are kept.
    """
    paths = [folder / f"{number:02d}_{track.stem}_{track.side}.wav" for number, track in enumerate(tracks, start=1)]
    paths.append(folder / NOTE_NAME)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        taken = [path.name for path in paths if os.path.lexists(path)]
    except OSError as fault:
        raise StorageError(
            f"the folder {folder} cannot be used ({fault.strerror or fault}); name another folder"
        ) from fault
    if taken:
        shown = ", ".join(taken[:3]) + (", ..." if len(taken) > 3 else "")
        raise StorageError(
            f"the folder {folder} holds {len(taken)} of the files to be written already ({shown}); nothing is written "
            "over: name another folder, or move them away"
        )
    seeds = np.random.SeedSequence(seed).spawn(len(tracks))
    contents: list[Iterator[bytes]] = [
        _wav(track, coding, np.random.default_rng(own)) for track, own in zip(tracks, seeds, strict=True)
    ]
    note_text = note(tracks, [path.name for path in paths], coding)
    contents.append(iter([note_text.replace("\n", "\r\n").encode("utf-8")]))
    for done, (path, content) in enumerate(zip(paths, contents, strict=True)):
        try:
            _store(path, content)
        except OSError as fault:
            raise StorageError(
                f"{path.name} could not be written to {folder} ({fault.strerror or fault}); {done} of {len(paths)} "
                f"files are there and whole, all need {_size(tracks, coding):,.0f} MB; make room, or name another"
            ) from fault
    return paths


def _size(tracks: Sequence[Track], coding: Coding) -> float:
    """Return what the tracks take together [MB]."""
    return sum(track.frames for track in tracks) * 2 * coding.bits / 8 / 1e6


def _store(path: Path, content: Iterator[bytes]) -> None:
    """Put a whole file on the medium under its name, or nothing."""
    new = path.with_name(f".{path.name}.part")
    file = new.open("wb")
    try:
        with file:
            file.writelines(content)
            file.flush()
            os.fsync(file.fileno())
        if os.path.lexists(path):  # since it was looked at first; a stick with FAT has no link() that would refuse
            raise FileExistsError(errno.EEXIST, "a file of this name has appeared meanwhile")
        new.rename(path)
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)  # the new name, too
        finally:
            os.close(folder)
    except BaseException:
        with contextlib.suppress(OSError):
            new.unlink()
        raise


def _wav(track: Track, coding: Coding, rng: np.random.Generator) -> Iterator[bytes]:
    """Yield the file piece by piece: RIFF/WAVE with integer PCM of two channels (IBM and Microsoft, 1991)."""
    frame_bytes = 2 * coding.bits // 8
    size = track.frames * frame_bytes  # even, so there is no pad byte
    layout = (16, 1, 2, coding.rate_hz, coding.rate_hz * frame_bytes, frame_bytes, coding.bits)
    yield struct.pack("<4sI4s4sIHHIIHH4sI", b"RIFF", 36 + size, b"WAVE", b"fmt ", *layout, b"data", size)
    for start in range(0, track.frames, _FRAMES):
        wave = min(coding.crest / track.peak, 1.0) * track.wave(start, min(start + _FRAMES, track.frames))
        both = np.zeros((len(wave), 2))
        both[:, [track.side != "right", track.side != "left"]] = wave[:, None]
        yield packed(quantised(both, coding, rng), coding)


def quantised(wave: FloatArray, coding: Coding, rng: np.random.Generator) -> NDArray[np.int32]:
    """Return codes of a wave, 1 being full scale, with triangular dither of two steps from end to end.

    wave : float64, at most `coding.crest` in size, beyond which there would be no room for the dither
    """
    dither = rng.random(wave.shape) - rng.random(wave.shape)
    return np.rint(coding.full_scale * wave + dither).astype(np.int32)


def packed(codes: NDArray[np.int32], coding: Coding) -> bytes:
    """Return codes as they stand in the file, little-endian."""
    if coding.bits == 16:
        return codes.astype("<i2").tobytes()
    return codes.astype("<i4")[..., None].view(np.uint8)[..., :3].tobytes()


def note(tracks: Sequence[Track], names: Sequence[str], coding: Coding) -> str:
    """Return the note that goes with the tracks."""
    lines = [
        "TEST TONES",
        "",
        "Cautions",
        "  - Disconnect the speakers before you play a tone at full level into an amplifier: full level is for the",
        "    meter, no speaker is made for it, and a tone below its range destroys one without being heard.",
        "  - Gains and volume down before each tone, then up slowly. Stop at the first smell, click or heat.",
        "  - Ears: never in front of a speaker that plays a tone; at 100 dB(A) a working day's share is over in 15",
        "    minutes (NIOSH). High tones do not sound as loud as they are.",
        "  - Above 30 V rms treat every conductor as live.",
        "",
        "Playing them",
        "  - Tone controls flat; loudness, sound effects and volume levelling off.",
        "  - Copy the files as they are: a lossy format (MP3, radio link) bends and shifts the tones.",
        "  - Set the player to repeat one track. Each file begins and ends at a zero crossing after whole cycles, with",
        "    no fade, so it goes on without a click; a player that pauses between two rounds does so by itself.",
        "",
        "Level",
        "  - 0 dBFS is the sine whose crest just reaches the largest code (AES17), less half a step for dither",
        "    to fit. Programs that count the rms of a square wave as 0 dB show the same sine as -3.01 dB.",
        "  - A tone recorded below 0 dBFS leaves that much gain overlap: music louder than the tone will be cut.",
        "",
        f"Format: WAV, PCM, {coding.rate_hz} Hz, {coding.bits} bit, two channels, TPDF dither of two steps in both",
        "channels, in a silent one too. Lengths are chosen so that whole cycles fit; the frequencies below are as they",
        "are, with the player's clock taken as true.",
        "",
        "Files",
    ]
    for track, name in zip(tracks, names[: len(tracks)], strict=True):
        sides = "both sides" if track.side == "both" else f"{track.side} side only"
        lines += [
            f"  {name}",
            f"    {_described(track, coding.rate_hz)}, {sides}, {track.frames / coding.rate_hz:.3f} s",
            f"    {track.use}",
        ]
        if len(track.stretches) > 1:
            lines += _listed_steps(track, coding.rate_hz)
    return "\n".join([*lines, ""])


def _described(track: Track, rate_hz: int) -> str:
    first = track.stretches[0]
    if math.isinf(first.dbfs):
        return "silence"
    low_hz, high_hz = first.hz(rate_hz)[0], track.stretches[-1].hz(rate_hz)[1]
    at = f"{low_hz:.9g} Hz" if len(track.stretches) == 1 and first.ratio == 1.0 else f"{low_hz:.9g} to {high_hz:.9g} Hz"
    return f"{at}, {first.dbfs:.4g} dBFS"


def _listed_steps(track: Track, rate_hz: int) -> Iterator[str]:
    begin = 0
    for stretch in track.stretches:
        yield f"      from {begin / rate_hz:8.3f} s  {stretch.hz(rate_hz)[0]:.9g} Hz"
        begin += stretch.frames


# -- command line -----------------------------------------------------------------------------------------------------


def add_parser(commands: argparse._SubParsersAction[Any]) -> None:
    """Add `flattop tones` to the commands."""
    tones = commands.add_parser("tones", help="write test tones, sweeps and silence as WAV files, with a note on them")
    tones.add_argument("folder", type=Path, metavar="DIR", help="where they go; nothing in it is written over")
    asked = tones.add_mutually_exclusive_group()
    asked.add_argument("--plan", metavar="PLAN", help="the tones of a plan: a file, or the name of a ready-made one")
    asked.add_argument(
        "--tone",
        action="append",
        metavar="HZ[,DBFS[,S]]",
        help="a sine: frequency, level (default 0 dBFS), length (default --length); may be given several times",
    )
    tones.add_argument("--length", type=float, default=30.0, metavar="S", help="length of the tones (default 30 s)")
    tones.add_argument("--rate", type=int, default=48_000, metavar="HZ", help="44100 or 48000 (default 48000)")
    tones.add_argument("--bits", type=int, default=16, help="16 or 24 (default 16)")
    tones.add_argument(
        "--side", action="append", metavar="SIDE", help="both (default), left or right; may be given several times"
    )
    tones.add_argument("--sweep-dbfs", type=float, default=-10.0, metavar="DBFS", help="of the sweeps (default -10)")
    tones.add_argument("--no-sweeps", action="store_true", help="tones alone, neither sweeps nor silence")
    tones.add_argument("--seed", type=int, default=1, help="draws the dither (default 1)")


def run(
    given: argparse.Namespace,
    *,
    plan_tones: Sequence[NamedTone] = (),
    say: Callable[[str], None] = print,
) -> int:
    """Carry out `flattop tones`; `plan_tones` are those of the plan that was named.

    Raises SettingsError with everything that is wrong with the arguments, StorageError where the files cannot be put.
    """
    faults = list(_faults(given))
    wanted = _wanted(given, plan_tones, faults)
    if faults:
        raise SettingsError(listed("flattop tones cannot be carried out:", faults))
    coding = Coding(rate_hz=given.rate, bits=given.bits)
    sides = list(dict.fromkeys(given.side or ["both"]))
    tracks = [sine(tone, rate_hz=given.rate, side=side) for tone in wanted for side in sides]
    if not given.no_sweeps:
        tracks += [
            track
            for low_hz, high_hz, steps in SWEEPS_HZ
            for side in sides
            for track in (
                stepped(low_hz, high_hz, steps, dbfs=given.sweep_dbfs, rate_hz=given.rate, side=side),
                sweep(low_hz, high_hz, length_s=60.0, dbfs=given.sweep_dbfs, rate_hz=given.rate, side=side),
            )
        ]
        tracks.append(silence(length_s=max(given.length, 30.0), rate_hz=given.rate))
    paths = write(given.folder, tracks, coding, seed=given.seed)
    say(f"{len(paths) - 1} WAV files ({_size(tracks, coding):,.0f} MB) and {NOTE_NAME} in {given.folder}")
    say("Read the cautions in the note before you play them: speakers off before full-level tones.")
    return 0


def _faults(given: argparse.Namespace) -> Iterator[str]:
    """Yield what is wrong with the arguments other than the tones."""
    if given.rate not in RATES_HZ:
        yield f"--rate is {given.rate}; allowed are 44100 and 48000; give one of them"
    if given.bits not in BITS:
        yield f"--bits is {given.bits}; allowed are 16 and 24; give one of them"
    yield from (
        f"--side is {side}; allowed are {', '.join(SIDES)}; give one of them"
        for side in dict.fromkeys(given.side or [])
        if side not in SIDES
    )
    yield from _outside("--length", given.length, LENGTH_S, "s")
    if not given.no_sweeps:
        yield from _outside("--sweep-dbfs", given.sweep_dbfs, LEVEL_DBFS, "dBFS")
    if given.seed < 0:
        yield f"--seed is {given.seed}; allowed is 0 or any whole number above; give another"


def _wanted(given: argparse.Namespace, plan_tones: Sequence[NamedTone], faults: list[str]) -> list[Wanted]:
    """Return the tones asked for; what is wrong with them is added to the faults."""
    wanted: list[Wanted] = []
    if given.tone:
        for text in given.tone:
            parts = [_number(part) for part in text.split(",")]
            if len(parts) > 3 or None in parts:
                faults.append(f"--tone is {text}; needed is HZ, HZ,DBFS or HZ,DBFS,S in plain numbers; write 40,-5,30")
                continue
            numbers = [part for part in parts if part is not None]
            usual = [0.0, float(given.length)]
            hz, dbfs, length_s = [*numbers, *usual[len(numbers) - 1 :]]
            tone = Wanted("", hz, dbfs, length_s)
            faults += _tone_faults(f"--tone {text}", tone, with_length=len(numbers) == 3)
            wanted.append(tone)
    elif given.plan:
        for named in plan_tones:
            tone = Wanted(named.name, float(named.hz), float(named.dbfs), given.length)
            faults += _tone_faults(f"tone {named.name} of the plan", tone, with_length=False)
            wanted.append(tone)
        if not plan_tones:
            faults.append(f"the plan {given.plan} has no tones; add some, or give --tone")
    else:
        wanted = [Wanted(name, hz, dbfs, given.length) for dbfs in USUAL_DBFS for hz, name in USUAL_TONES]
    if len(wanted) > MOST_TONES:
        faults.append(f"{len(wanted)} tones are asked for; allowed are {MOST_TONES} at once; write them to two folders")
    return wanted


def _tone_faults(what: str, tone: Wanted, *, with_length: bool) -> Iterator[str]:
    yield from _outside(f"{what}: the frequency", tone.hz, TONE_HZ, "Hz")
    yield from _outside(f"{what}: the level", tone.dbfs, LEVEL_DBFS, "dBFS")
    if with_length:
        yield from _outside(f"{what}: the length", tone.length_s, LENGTH_S, "s")


def _outside(what: str, value: float, allowed: tuple[float, float], unit: str) -> Iterator[str]:
    low, high = allowed
    if not low <= value <= high:
        yield f"{what} is {value:g} {unit}; allowed is {low:g} to {high:g} {unit}; give another"


def _number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None
