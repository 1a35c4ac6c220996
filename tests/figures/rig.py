"""What every figure script shares: waves of known truth, calibrated simulated meters, jobs in parallel, a table.

A trial is a function of one seed. It builds a board of its own (register-level chip, fake I2C bus, virtual time),
reads it through the real driver from a cold start, and returns what it found; the same seed gives the same course of
events. Nothing below knows of the firmware's own model of the path: truth is what lies between the terminals.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import math
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from multiprocessing import get_context
from typing import Any

import numpy as np

from flattop.converters.ads1015 import Ads1015Converter
from flattop.converters.ads1015_chip import Alert
from flattop.measure.reading import Reading
from flattop.meter import Meter
from flattop.samples import FloatArray, Input
from flattop.simulated.board import ALERT_GPIO, SimulatedBoard, silence
from flattop.simulated.calibration import calibrate
from flattop.simulated.frontend import Signal, Tolerances

BOARDS = 40
"""Boards drawn for a long run: each is calibrated once, and many signals are clipped onto it."""
SOURCE_OHM = 8.64e3
"""What the converter's input impedance loads (netlist: both sides of the RC path in series)."""
WIDE_LSB_V = 1e-3 * (4 * 249.0 + 3.65) / 3.65 / 2.0 * (1.0 + SOURCE_OHM / 4.9e6)
"""One code of the widest range at the speaker terminals [V]: divider, isolator's gain of two, typical loading."""
NARROW_LSB_V = 0.125e-3 * (4 * 249.0 + 3.65) / 3.65 / 2.0 * (1.0 + SOURCE_OHM / 0.71e6)
"""The same of the narrowest range [V]."""
HIGHEST_V = 270.0
"""Largest level that trials put between the speaker terminals [V]; the converter's rail lies at 280."""

# -- waves of known truth ---------------------------------------------------------------------------------------------

Shape = Callable[[FloatArray], FloatArray]
"""Phase [rad] -> level; the fundamental of every shape here is near a unit sine."""

CYCLE = 2.0 * np.pi * (np.arange(1 << 14) + 0.5) / (1 << 14)


@dataclass(frozen=True)
class Wave:
    """A steady periodic signal between the terminals: `volts * shape(2 pi hz t + phase)`."""

    hz: float
    volts: float
    shape: Shape = np.sin
    phase: float = 0.0

    def __call__(self, times_s: FloatArray) -> FloatArray:
        return self.volts * self.shape(2.0 * np.pi * self.hz * times_s + self.phase)

    @property
    def rms_v(self) -> float:
        """True RMS of the a.c. part by quadrature over one cycle [V]."""
        return self.volts * float(np.std(self.shape(CYCLE)))

    @property
    def peak_v(self) -> float:
        return self.volts * float(np.max(np.abs(self.shape(CYCLE))))


def thd(shape: Shape) -> float:
    """Return THD_F of a shape, every harmonic counted."""
    spectrum = np.abs(np.fft.rfft(shape(CYCLE)))
    return float(np.linalg.norm(spectrum[2:]) / spectrum[1])


def clipped(pos: float = math.inf, neg: float = math.inf) -> Shape:
    """Return a unit sine cut off at `pos` above and at `-neg` below."""
    return lambda angle: np.clip(np.sin(angle), -neg, pos)


def hard(depth: float) -> Shape:
    return clipped(1.0 - depth, 1.0 - depth)


def upper(depth: float) -> Shape:
    return clipped(pos=1.0 - depth)


def lower(depth: float) -> Shape:
    return clipped(neg=1.0 - depth)


def knee(name: str) -> Callable[[float], Shape]:
    """Return a family of soft limiters; the larger the drive, the more they bend. Common waveshapers, no source."""
    curves: dict[str, Callable[[FloatArray], FloatArray]] = {
        "tanh": np.tanh,
        "atan": np.arctan,
        "alg": lambda x: x / np.sqrt(1.0 + x * x),
        "cubic": lambda x: np.where(np.abs(x) < 1.5, x - (4.0 / 27.0) * x**3, np.sign(x)),
        "sine": lambda x: np.sin(np.clip(x, -np.pi / 2, np.pi / 2)),
    }
    curve = curves[name]
    return lambda drive: lambda angle: curve(drive * np.sin(angle)) / drive


KNEES = ("tanh", "atan", "alg", "cubic", "sine")


def parabolic(depth: float) -> Shape:
    """A limiter that bends over the last fifth below its rail."""

    def shape(angle: FloatArray) -> FloatArray:
        rail, width = 1.0 - depth, 0.2
        size = np.abs(np.sin(angle))
        over = np.clip(size - rail * (1 - width), 0.0, 2 * width * rail)
        return np.copysign(np.minimum(size - over * over / (4 * width * rail), rail), np.sin(angle))

    return shape


def with_thd(family: Callable[[float], Shape], target: float, *, low: float, high: float) -> Shape:
    """Return the member of a family whose THD_F is `target`, by bisection: it grows from `low` to `high`."""
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if thd(family(middle)) < target else (low, middle)
    return family(0.5 * (low + high))


def with_second(shape: Shape, share: float, phase: float) -> Shape:
    return lambda angle: shape(angle) + share * np.sin(2.0 * angle + phase)


def triangle(angle: FloatArray) -> FloatArray:
    return (2.0 / np.pi) * np.arcsin(np.sin(angle)) * (np.pi**2 / 8.0)


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


# -- meters -----------------------------------------------------------------------------------------------------------


@lru_cache(maxsize=BOARDS)
def parts(board: int) -> Tolerances:
    """Return the drawn parts of one board."""
    return SimulatedBoard(seed=board).front_end.tolerances


@lru_cache(maxsize=2 * BOARDS)
def _calibration(board: int) -> Any:
    return calibrate(seed=board, inputs=[Input.SPEAKER])


@dataclass
class Bench:
    """One board, cold, with its converter and the calibration file of its parts."""

    board: SimulatedBoard
    converter: Ads1015Converter

    @classmethod
    def build(
        cls,
        signal: Signal,
        *,
        seed: Sequence[int],
        board: int | None,
        wired: bool,
        line: Signal = silence,
        tolerances: Tolerances | None = None,
        held: bool = False,
        start_s: float = 0.0,
    ) -> Bench:
        """Return a bench; `board` names drawn and calibrated parts, None takes `tolerances` without a calibration."""
        course = int(np.random.SeedSequence(seed).generate_state(1)[0])
        drawn = parts(board) if board is not None else tolerances
        simulated = SimulatedBoard(
            seed=course, speaker=signal, line=line, tolerances=drawn, alert_wired=wired, start_s=start_s
        )
        converter = Ads1015Converter(
            simulated.i2c,
            simulated.time,
            alert=Alert(ALERT_GPIO, simulated.pin_factory) if wired else None,
            calibration=_calibration(board) if board is not None else None,
            simulated=True,
        )
        converter.hold_range(held)
        return cls(simulated, converter)

    def readings(self, until_s: float, **meter: Any) -> Iterator[Reading]:
        """Yield the readings of a Meter on this bench until `until_s` of virtual time."""
        for reading in Meter(self.converter, time=self.board.time, **meter).readings():
            yield reading
            if self.board.time.now_s() >= until_s:
                return


# -- many trials ------------------------------------------------------------------------------------------------------

Trial = Callable[[list[int]], Any]


@dataclass
class Runner:
    """Runs trials, in `jobs` processes, and remembers how."""

    seed: int
    jobs: int = 1
    boards: int = BOARDS
    quiet: bool = True
    _pool: Any = field(default=None, repr=False)

    def board(self, rng: np.random.Generator) -> int:
        return int(rng.integers(self.boards)) + 1000 * self.seed

    def __enter__(self) -> Runner:
        global RUNNER
        RUNNER = self
        if self.jobs > 1:
            self._pool = get_context("spawn").Pool(self.jobs, initializer=_start, initargs=(self.seed, self.boards))
        return self

    def __exit__(self, *_: object) -> None:
        if self._pool is not None:
            self._pool.terminate()
            self._pool.join()

    def map(self, trial: Trial, count: int, *, label: int, first: int = 0) -> list[Any]:
        """Return the results of `count` trials of seeds [seed, label, 0], [seed, label, 1] ..., in that order."""
        seeds = [[self.seed, label, number] for number in range(first, first + count)]
        begun_s = time.monotonic()
        chunk = max(1, min(25, count // (4 * self.jobs)))
        results = self._pool.imap(trial, seeds, chunk) if self._pool is not None else map(trial, seeds)
        found = []
        for result in results:
            found.append(result)
            if not self.quiet and sys.stderr.isatty():
                took_s = time.monotonic() - begun_s
                print(f"\r{trial.__name__}: {len(found)} of {count}, {took_s:.0f} s ", end="", file=sys.stderr)
        return found


RUNNER = Runner(seed=1)


def _start(seed: int, boards: int) -> None:
    global RUNNER
    RUNNER = Runner(seed, 1, boards)


def draw(seed: list[int]) -> tuple[np.random.Generator, int, bool]:
    """Return a trial's own random numbers, its board, and whether ALERT/RDY is wired (every other trial)."""
    rng = np.random.default_rng(seed)
    return rng, RUNNER.board(rng), seed[-1] % 2 == 0


# -- the table --------------------------------------------------------------------------------------------------------


@dataclass
class Row:
    """One figure beside its target."""

    name: str
    measured: str
    target: str
    count: int
    ok: bool | None
    """None: told for information, no target of its own."""


def table(rows: Sequence[Row], *, seed: int) -> int:
    """Print the rows; return 0, or 1 if a target is missed."""
    wide = max([len(row.name) for row in rows], default=0)
    found = max([len(row.measured) for row in rows], default=0)
    aim = max([len(row.target) for row in rows], default=0)
    print(f"{'figure':{wide}}  {'measured':{found}}  {'target':{aim}}  {'n':>7}  {'seed':>5}  result")
    for row in rows:
        result = {True: "pass", False: "MISSED", None: "-"}[row.ok]
        print(
            f"{row.name:{wide}}  {row.measured:{found}}  {row.target:{aim}}  {row.count:7d}  {seed:5d}  {result}",
            flush=True,
        )
    return int(any(row.ok is False for row in rows))


def options(about: str, *, trials: int) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(description=about)
    parser.add_argument("--trials", type=int, default=trials, help=f"trials of each figure (default {trials})")
    parser.add_argument("--seed", type=int, default=1, help="draws boards, signals and noise (default 1)")
    parser.add_argument("--boards", type=int, default=BOARDS, help=f"calibrated boards drawn (default {BOARDS})")
    parser.add_argument("--only", action="append", metavar="NAME", help="only these figures; may be repeated")
    parser.add_argument("--jobs", type=int, default=2, help="processes (default 2)")
    return parser


Figure = Callable[[Runner, int], list[Row]]


def main(about: str, figures: dict[str, Figure], *, trials: int) -> int:
    """Run the figures asked for on the command line, print each as it is found, and return the exit code."""
    given = options(f"{about} Figures: {', '.join(figures)}.", trials=trials).parse_args()
    chosen = given.only or list(figures)
    unknown = [name for name in chosen if name not in figures]
    if unknown:
        print(f"no such figure: {', '.join(unknown)}; there are {', '.join(figures)}", file=sys.stderr)
        return 2
    missed = 0
    with Runner(given.seed, given.jobs, given.boards, quiet=False) as runner:
        for name in chosen:
            begun_s = time.monotonic()
            rows = figures[name](runner, given.trials)
            if sys.stderr.isatty():
                print("\r\x1b[K", end="", file=sys.stderr)
            print(f"== {name} ({time.monotonic() - begun_s:.0f} s)")
            missed |= table(rows, seed=given.seed)
    return missed
