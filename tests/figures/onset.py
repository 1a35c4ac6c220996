"""Onset: a hard clip of 0.3 % THD at 100 LSB peak or more is called at least soft by one single update of 0.25 s."""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: the matrices are small

import sys
from collections import Counter

import numpy as np
import rig
from rig import Bench, Row, Runner, Wave, draw, log_uniform

from flattop.measure.level import measure
from flattop.measure.reading import Verdict
from flattop.measure.verdict import Judge
from flattop.samples import Clock

WINDOW_S = 0.25
THD = 0.003
NOT_MAINS_HZ = 6.0
"""Farther than this from every multiple of 50 and 60 Hz nothing in a window of 0.25 s can be taken for hum [Hz]."""
SYMMETRIC = rig.with_thd(rig.hard, THD, low=0.0, high=0.2)
ONE_SIDED = rig.with_thd(rig.upper, THD, low=0.0, high=0.2)


def away_from_mains(rng: np.random.Generator) -> float:
    """Return a tone of 20 to 80 Hz whose third harmonic no mains hum meets."""
    while True:
        hz = float(rng.uniform(20.0, 80.0))
        if all(abs(3.0 * hz - mains * round(3.0 * hz / mains)) > NOT_MAINS_HZ for mains in (50.0, 60.0)):
            return hz


def onset_trial(seed: list[int], *, shape: rig.Shape, forty: bool) -> tuple[str, str, float]:
    """Return verdict and reason of the first update a fresh judge sees, and the peak in codes of the range in use."""
    rng, board, wired = draw(seed)
    hz = 40.0 + float(rng.uniform(-0.01, 0.01)) if forty else away_from_mains(rng)
    # Half of the trials on the widest range, half on the narrowest; half of each at 100 codes and no more.
    wide = bool(rng.random() < 0.5)
    codes = 100.0 if rng.random() < 0.5 else log_uniform(rng, 100.0, 1500.0)
    peak_v = codes * (rig.WIDE_LSB_V if wide else rig.NARROW_LSB_V)
    angle = float(rng.uniform(0.0, 2.0 * np.pi))
    wave = Wave(hz, 1.0, shape if rng.random() < 0.5 else lambda phase: -shape(phase), angle)
    wave = Wave(hz, peak_v / wave.peak_v, wave.shape, angle)
    bench = Bench.build(wave, seed=seed, board=board, wired=wired, held=wide)
    # The range narrows after 0.4 s; then a whole window of its own.
    until_s = (0.3 if wide else 0.75) + float(rng.uniform(0.0, 0.05))
    while True:
        bench.converter.collect(until_s)
        samples = bench.converter.latest(WINDOW_S)
        if samples.quality.clock is Clock.LOCKED or until_s > 1.25:
            break
        until_s += 0.25
    reading = Judge().update(measure(samples))
    return str(reading.verdict), str(reading.reason), wave.peak_v / reading.facts.lsb_v


def symmetric_trial(seed: list[int]) -> tuple[str, str, float]:
    return onset_trial(seed, shape=SYMMETRIC, forty=False)


def forty_trial(seed: list[int]) -> tuple[str, str, float]:
    return onset_trial(seed, shape=SYMMETRIC, forty=True)


def one_sided_trial(seed: list[int]) -> tuple[str, str, float]:
    return onset_trial(seed, shape=ONE_SIDED, forty=False)


def onset_rows(runner: Runner, trials: int, name: str, trial: rig.Trial, label: int, *, must: bool) -> list[Row]:
    found = runner.map(trial, trials, label=label)
    missed = [n for n, (verdict, _, _) in enumerate(found) if verdict not in {Verdict.SOFT, Verdict.FLAT}]
    flat = sum(verdict == Verdict.FLAT for verdict, _, _ in found)
    lowest = min(codes for _, _, codes in found)
    called = f"{trials - len(missed)} of {trials} called ({flat} flat); from {lowest:.0f} LSB"
    rows = [Row(f"onset 0.3 % THD, {name}", called, "all", trials, not missed if must else None)]
    if missed:
        why = Counter(f"{found[n][0]}: {found[n][1]}".rstrip(": ") for n in missed)
        rows.append(
            Row(
                f"  missed as (trials [S, {label}, i])",
                "; ".join(f"{c} {k}" for k, c in why.most_common()),
                ", ".join(map(str, missed[:10])),
                len(missed),
                None,
            )
        )
    return rows


def symmetric(runner: Runner, trials: int) -> list[Row]:
    return onset_rows(runner, trials, "both halves, 20 to 80 Hz away from mains", symmetric_trial, 21, must=True)


def forty(runner: Runner, trials: int) -> list[Row]:
    return onset_rows(runner, trials, "both halves, 40 Hz, first update", forty_trial, 22, must=True)


def one_sided(runner: Runner, trials: int) -> list[Row]:
    return onset_rows(runner, trials, "one half, 20 to 80 Hz away from mains", one_sided_trial, 23, must=False)


FIGURES = {"symmetric": symmetric, "forty": forty, "one_sided": one_sided}

if __name__ == "__main__":
    sys.exit(rig.main(__doc__, FIGURES, trials=3000))
