"""Figures of the bass converter: volts, frequency, clock, overdrive and delay, through the whole simulated chain."""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: the matrices are small

import math
import sys
from dataclasses import replace

import numpy as np
import rig
from rig import Bench, Row, Runner, Wave, draw, log_uniform

from flattop.measure.reading import Reading, Verdict
from flattop.samples import Clock, FloatArray, Input
from flattop.simulated.frontend import Tolerances

SETTLED_S = 0.8
"""From here on the range has settled after a cold start [s]."""
FULL_S = 0.24
"""A block at least this long is a whole window of 0.25 s [s]."""


def full(reading: Reading) -> bool:
    """Tell a reading of a whole window on a known clock."""
    return reading.duration_s > FULL_S and reading.quality.clock is Clock.LOCKED


def percent(values: FloatArray, share: float) -> float:
    """Return a percentile; infinite values are values like any other."""
    return float(np.percentile(values, share, method="higher")) if len(values) else math.nan


# -- true RMS ---------------------------------------------------------------------------------------------------------


def distorted_shape(rng: np.random.Generator) -> rig.Shape:
    """Return a sine, bent or cut to a THD of up to 12 % in one of the ways amplifiers do it."""
    kind = rng.choice(["sine", "hard", "upper", "lower", "tanh", "atan", "alg", "cubic"])
    target = float(rng.uniform(0.001, 0.12))
    if kind == "sine":
        shape: rig.Shape = np.sin
    elif kind in {"hard", "upper", "lower"}:
        family = {"hard": rig.hard, "upper": rig.upper, "lower": rig.lower}[str(kind)]
        shape = rig.with_thd(family, target, low=0.0, high=0.6)
    else:
        shape = rig.with_thd(rig.knee(str(kind)), target, low=1e-3, high=8.0)
    if rng.random() < 0.5:
        shape = rig.with_second(shape, float(rng.uniform(0.0, 0.03)), float(rng.uniform(0.0, 2.0 * np.pi)))
    return shape


def rms_trial(seed: list[int]) -> list[tuple[float, float, float, float]]:
    """Return (true V, error [V], expanded uncertainty [V], time [s]) of every full window from a cold start on.

    A reading that gives no figure, while a weak tone is looked at again, has an error of NaN.
    """
    rng, board, wired = draw(seed)
    wave = Wave(log_uniform(rng, 20.0, 200.0), 1.0, distorted_shape(rng), float(rng.uniform(0.0, 2.0 * np.pi)))
    volts = log_uniform(rng, 1.0, 180.0) / wave.rms_v
    wave = replace(wave, volts=min(volts, rig.HIGHEST_V / wave.peak_v))
    bench = Bench.build(wave, seed=seed, board=board, wired=wired)
    return [(wave.rms_v, r.rms_v - wave.rms_v, r.rms_u_v, r.time_s) for r in bench.readings(1.4) if full(r)]


def rms(runner: Runner, trials: int) -> list[Row]:
    found = runner.map(rms_trial, trials, label=1)
    without = sum(not trial for trial in found)
    rows = []
    # Below 0.8 s a window may still lie across the first narrowing of the range.
    for name, from_s in (("", 0.0), ("  of these, range settled", SETTLED_S)):
        all_of_them = np.array([one for trial in found for one in trial if one[3] > from_s])
        every = all_of_them[np.isfinite(all_of_them[:, 1])]
        ratio = np.abs(every[:, 1]) / (0.001 * every[:, 0] + 0.020)
        worst = every[int(np.argmax(ratio))]
        rows.append(
            Row(
                name or "true RMS 1 to 180 V, 20 to 200 Hz, THD to 12 %, from cold",
                f"worst {ratio.max():.2f}, p99 {percent(ratio, 99):.2f} of the limit "
                f"(worst {1e3 * worst[1]:+.1f} mV at {worst[0]:.2f} V, {len(every)} readings, "
                f"{len(all_of_them) - len(every)} withheld; {without} trials without)",
                "|error| <= 0.1 % + 20 mV",
                trials,
                bool(ratio.max() <= 1.0 and not without),
            )
        )
    every = np.array([one for trial in found for one in trial if math.isfinite(one[1])])
    outside = float(np.mean(np.abs(every[:, 1]) > every[:, 2]))
    # JCGM 100: k = 2 covers about 95 %.
    rows.append(
        Row(
            "  beyond its stated uncertainty (k = 2)",
            f"{100 * outside:.2f} % of {len(every)} readings",
            "<= 5 %",
            trials,
            outside <= 0.05,
        )
    )
    return rows


# -- repeatability ----------------------------------------------------------------------------------------------------

REPEATS = 24
CHIP_NOISE_LSB, CHIP_FLOOR_V = 0.2, 28e-6
"""Noise of the simulated chip: of its range, and a floor at its pins, rms (see simulated.ads1015)."""


def repeat_trial(seed: list[int]) -> tuple[bool, float, float]:
    """Return (wired, standard deviation, Cramer-Rao bound) [V] of the RMS over windows of 0.25 s side by side."""
    rng, board, wired = draw(seed)
    wave = Wave(
        log_uniform(rng, 20.0, 200.0),
        math.sqrt(2.0) * log_uniform(rng, 1.0, 180.0),
        phase=float(rng.uniform(0.0, 2.0 * np.pi)),
    )
    bench = Bench.build(wave, seed=seed, board=board, wired=wired)
    settled = [r for r in bench.readings(1.5 + 0.25 * REPEATS, update_s=0.25) if r.time_s > 1.4]
    lsb_v = settled[-1].facts.lsb_v
    pins_v = lsb_v * 1e-3 / rig.WIDE_LSB_V  # the same code at the converter's pins, to a percent
    sigma_v = lsb_v * math.sqrt(CHIP_NOISE_LSB**2 + 1.0 / 12.0 + (CHIP_FLOOR_V / pins_v) ** 2)
    samples = 0.25 / settled[-1].quality.rate_hz ** -1
    # var A = 2 sigma^2 / N (Rife & Boorstyn 1974), and the RMS is A / sqrt 2.
    return wired, float(np.std([r.rms_v for r in settled], ddof=1)), sigma_v / math.sqrt(samples)


def repeatability(runner: Runner, trials: int) -> list[Row]:
    found = runner.map(repeat_trial, max(trials // 8, 4), label=2)
    rows = []
    for wired in (True, False):
        ratio = np.array([spread / bound for w, spread, bound in found if w is wired])
        pooled = float(np.sqrt(np.mean(ratio**2)))
        rows.append(
            Row(
                f"repeatability of the RMS in 0.25 s, {'wired' if wired else 'reads alone'}",
                f"pooled {pooled:.2f}, median {np.median(ratio):.2f}, worst {ratio.max():.2f} x bound",
                "pooled <= 2 x Cramer-Rao",
                len(ratio) * REPEATS,
                pooled <= 2.0,
            )
        )
    sigma = math.sqrt(CHIP_NOISE_LSB**2 + 1.0 / 12.0)
    rows.append(
        Row("  sigma of the bound", f"{sigma:.3f} LSB (0.2 noise, 1/sqrt 12 rounding) + 28 uV floor", "", 0, None)
    )
    return rows


# -- frequency --------------------------------------------------------------------------------------------------------


def first_second_trial(seed: list[int]) -> tuple[bool, float, float, int]:
    """Return (wired, worst frequency error [Hz] of judged readings, time of the first one [s], their number)."""
    rng, board, wired = draw(seed)
    wave = frequency_wave(rng)
    bench = Bench.build(wave, seed=seed, board=board, wired=wired)
    judged = [r for r in bench.readings(1.0) if r.verdict is not Verdict.UNKNOWN and r.time_s <= 1.0]
    if not judged:
        return wired, math.inf, math.inf, 0
    return wired, max(abs(r.hz - wave.hz) for r in judged), judged[0].time_s, len(judged)


def frequency_wave(rng: np.random.Generator) -> Wave:
    hz = 40.0 if rng.random() < 0.5 else float(rng.uniform(39.8, 40.2))
    return Wave(hz, math.sqrt(2.0) * log_uniform(rng, 10.0, 180.0), phase=float(rng.uniform(0.0, 2.0 * np.pi)))


def long_trial(seed: list[int]) -> tuple[bool, float, float]:
    """Return (wired, worst deviation from the mean, mean error) [Hz] of windows of 1 s, from 10 s on."""
    rng, board, wired = draw(seed)
    wave = frequency_wave(rng)
    bench = Bench.build(wave, seed=seed, board=board, wired=wired)
    hz = np.array([r.hz for r in bench.readings(19.0, update_s=1.0, window_s=1.0) if r.time_s > 10.5])
    return wired, float(np.max(np.abs(hz - hz.mean()))), float(hz.mean() - wave.hz)


def frequency(runner: Runner, trials: int) -> list[Row]:
    early = runner.map(first_second_trial, trials // 2, label=3)
    late = runner.map(long_trial, max(trials // 16, 2), label=4)
    rows = []
    for wired in (True, False):
        way = "wired" if wired else "reads alone"
        worst = np.array([error for w, error, _, _ in early if w is wired])
        first = np.array([at for w, _, at, _ in early if w is wired])
        rows.append(
            Row(
                f"frequency at 40 Hz in the first second, {way}",
                f"worst {1e3 * worst.max():.2f}, p99 {1e3 * percent(worst, 99):.2f}, "
                f"median {1e3 * np.median(worst):.2f} mHz; judged from {np.median(first):.2f} s "
                f"(worst {first.max():.2f} s; {np.sum(np.isinf(first))} not at all)",
                "<= 10 mHz",
                len(worst),
                bool(worst.max() <= 0.010),
            )
        )
        spread = np.array([each for w, each, _ in late if w is wired])
        off = np.array([mean for w, _, mean in late if w is wired])
        rows.append(
            Row(
                f"frequency at 40 Hz in 1 s windows after 10 s, {way}",
                f"worst {1e3 * spread.max():.3f}, median {1e3 * np.median(spread):.3f} mHz about the mean; "
                f"mean off by at most {1e3 * np.abs(off).max():.3f} mHz",
                "<= 1 mHz",
                8 * len(spread),
                bool(spread.max() <= 0.001),
            )
        )
    return rows


# -- clock ------------------------------------------------------------------------------------------------------------

CLOCK_STEP_S = 0.01


def clock_trial(seed: list[int]) -> dict[str, float]:
    """Lock cold on 100 codes, keep it through range changes, lock again after the other input, measure the period."""
    rng, _, wired = draw(seed)
    drawn = replace(Tolerances.draw(rng), oscillator=float(rng.uniform(-0.1, 0.1)))
    hz, other_hz = log_uniform(rng, 10.0, 300.0), log_uniform(rng, 10.0, 300.0)
    peak_v = 100.0 * rig.WIDE_LSB_V
    louder_s, line_s = float(rng.uniform(1.5, 2.0)), float(rng.uniform(3.0, 3.5))
    line_peak_v = 100.0 * 1e-3 * (2 * 59.0 + 5.36) / 5.36 / 2.0
    phase = float(rng.uniform(0.0, 2.0 * np.pi))

    def speaker(times_s: FloatArray) -> FloatArray:
        # 100 codes of the widest range, which soon makes way for the narrowest; then up through all four within 1 s.
        level = peak_v * 14.0 ** np.clip(times_s - louder_s, 0.0, 1.0)
        return level * np.sin(2.0 * np.pi * hz * times_s + phase)

    bench = Bench.build(
        speaker, seed=seed, board=None, tolerances=drawn, wired=wired, line=Wave(other_hz, line_peak_v, phase=phase)
    )
    converter, grid, now_s = bench.converter, bench.converter.grid, bench.board.time.now_s
    found = {"wired": wired, "cold_s": math.inf, "again_s": math.inf, "lost": 0.0}
    ranges = set()

    def step(until_s: float, key: str, from_s: float) -> None:
        while now_s() < until_s:
            converter.collect(now_s() + CLOCK_STEP_S)
            ranges.add(converter.range_v)
            if grid.locked:
                found[key] = min(found[key], now_s() - from_s)
            elif math.isfinite(found[key]):
                found["lost"] += 1.0

    step(line_s, "cold_s", 0.0)
    found["ranges"] = float(len(ranges))
    converter.select(Input.LINE)
    step(line_s + 10.0, "again_s", line_s)
    slow = 1.0 + drawn.drift * math.sin(2.0 * math.pi * now_s() / drawn.drift_period_s + drawn.drift_phase)
    found["ppm"] = 1e6 * (grid.period_s * 3300.0 * (1.0 + drawn.oscillator) / slow - 1.0) if grid.locked else math.inf
    return found


def learning_trial(seed: list[int]) -> tuple[int, int]:
    """Return how many readings came before the clock was locked, and how many of those passed a verdict."""
    rng, board, wired = draw(seed)
    shape = rig.with_thd(rig.hard, 0.03, low=0.0, high=0.6)
    wave = Wave(log_uniform(rng, 10.0, 80.0), 100.0 * rig.WIDE_LSB_V, shape)
    bench = Bench.build(wave, seed=seed, board=board, wired=wired)
    learning = [r for r in bench.readings(0.6, update_s=0.025) if r.quality.clock is Clock.LEARNING]
    return len(learning), sum(r.verdict is not Verdict.UNKNOWN for r in learning)


def clock(runner: Runner, trials: int) -> list[Row]:
    found = runner.map(clock_trial, max(trials // 4, 4), label=5)
    rows = []
    for wired in (True, False):
        some = [one for one in found if bool(one["wired"]) is wired]
        way = "wired" if wired else "reads alone"
        for key, name in (("cold_s", "cold, 100 LSB peak, 10 to 300 Hz"), ("again_s", "after the other input")):
            times = np.array([one[key] for one in some])
            share = np.mean(times <= 1.0)
            rows.append(
                Row(
                    f"clock locked, {name}, {way}",
                    f"{100 * share:.2f} % within 1 s, median {np.median(times):.2f} s, worst {times.max():.2f} s",
                    "100 % within 1 s",
                    len(times),
                    bool(share == 1.0),
                )
            )
        lost = sum(one["lost"] > 0 for one in some)
        most = np.mean([one["ranges"] for one in some])
        rows.append(
            Row(
                f"clock kept through range changes, {way}",
                f"lost in {lost} ({most:.1f} ranges met on average)",
                "0",
                len(some),
                lost == 0,
            )
        )
        ppm = np.abs([one["ppm"] for one in some])
        rows.append(
            Row(
                f"period after 10 s, {way}",
                f"worst {ppm.max():.2f}, median {np.median(ppm):.2f} ppm",
                "",
                len(ppm),
                None,
            )
        )
    told = runner.map(learning_trial, max(trials // 8, 4), label=6)
    early, wrong = np.sum(told, axis=0)
    rows.append(
        Row(
            "verdicts before the clock is known",
            f"{wrong} of {early} readings",
            "0",
            len(told),
            bool(wrong == 0 and early > 0),
        )
    )
    return rows


# -- overdrive --------------------------------------------------------------------------------------------------------


def overdrive_trial(seed: list[int]) -> tuple[str, list[tuple[float, float]], float]:
    """Return (which halves are cut, errors [dB] of both halves for each full window, smaller uncertainty stated)."""
    rng, board, wired = draw(seed)
    halves = str(rng.choice(["upper", "lower", "both"]))
    pos_db, neg_db = (float(rng.uniform(0.1, 2.5)) for _ in range(2))
    pos_db = 0.0 if halves == "lower" else pos_db
    neg_db = 0.0 if halves == "upper" else neg_db
    shape = rig.clipped(*(10.0 ** (-db / 20.0) if db > 0.0 else math.inf for db in (pos_db, neg_db)))
    held = bool(rng.random() < 0.5)
    lsb_v = rig.WIDE_LSB_V if held else rig.NARROW_LSB_V
    # The converter sees the cut wave; its higher peak spans 200 codes of the range that is in use.
    unit = Wave(1.0, 1.0, shape)
    volts = log_uniform(rng, 200.0 * lsb_v, rig.HIGHEST_V * unit.peak_v / 1.0) / unit.peak_v
    wave = Wave(
        float(rng.uniform(20.0, 80.0)),
        min(volts, rig.HIGHEST_V / unit.peak_v),
        shape,
        float(rng.uniform(0.0, 2.0 * np.pi)),
    )
    bench = Bench.build(wave, seed=seed, board=board, wired=wired, held=held)
    readings, lsb_since_s = [], (0.0, 0.0)
    for r in bench.readings(1.2):
        if r.facts.lsb_v != lsb_since_s[0]:
            lsb_since_s = (r.facts.lsb_v, r.time_s)
        # Whole windows of one range only: those across a change hold samples of fewer codes.
        one_range = lsb_since_s[1] < 0.2 or r.time_s - lsb_since_s[1] > r.duration_s
        if full(r) and one_range and wave.peak_v >= 200.0 * r.facts.lsb_v:
            readings.append(r)
    errors = [(r.overdrive_pos_db - pos_db, r.overdrive_neg_db - neg_db) for r in readings]
    return halves, errors, min((r.overdrive_u_db for r in readings), default=math.nan)


def overdrive(runner: Runner, trials: int) -> list[Row]:
    found = runner.map(overdrive_trial, trials, label=7)
    rows = []
    for halves in ("both", "upper", "lower"):
        some = [errors for h, errors, _ in found if h == halves and errors]
        every = np.array([one for errors in some for one in errors])
        worst = int(np.argmax(np.abs(every).max(axis=1)))
        cut = every if halves == "both" else every[:, [0 if halves == "upper" else 1]]
        rows.append(
            Row(
                f"overdrive of a hard clip of 0.1 to 2.5 dB, {halves}",
                f"worst {np.abs(every).max():.4f}, p99 {percent(np.abs(every).ravel(), 99):.4f}, "
                f"rms {np.sqrt(np.mean(cut**2)):.4f} dB (pos {every[worst, 0]:+.4f}, neg {every[worst, 1]:+.4f})",
                "|error| <= 0.02 dB",
                len(some),
                bool(np.abs(every).max() <= 0.02),
            )
        )
    return rows


# -- delay ------------------------------------------------------------------------------------------------------------


def delay_trial(seed: list[int], low_db: float, high_db: float) -> tuple[bool, float]:
    """Return (one half only, cycles of 40 Hz from the step to the first reading that says flat)."""
    rng, board, wired = draw(seed)
    hz, phase = 40.0, float(rng.uniform(0.0, 2.0 * np.pi))
    step_s = float(rng.uniform(2.0, 2.1))
    # One step in five is just at the limit of the promise.
    over_db = low_db if rng.random() < 0.2 else float(rng.uniform(low_db, high_db))
    under_db = float(rng.uniform(0.3, 6.0))
    one_sided = bool(rng.random() < 0.5)
    limit_v = math.sqrt(2.0) * log_uniform(rng, 5.0, 140.0)
    low_v = -limit_v * 10.0 ** (over_db / 20.0) if one_sided else -limit_v
    sign = float(rng.choice([-1.0, 1.0]))

    def signal(times_s: FloatArray) -> FloatArray:
        drive_db = np.where(times_s < step_s, -under_db, over_db)
        drive_v = limit_v * 10.0 ** (drive_db / 20.0) * np.sin(2.0 * np.pi * hz * times_s + phase)
        return sign * np.clip(drive_v, low_v, limit_v)

    bench = Bench.build(signal, seed=seed, board=board, wired=wired)
    for reading in bench.readings(step_s + 1.0):
        if reading.verdict is Verdict.FLAT:
            return one_sided, (bench.board.time.now_s() - step_s) * hz
    return one_sided, math.inf


def one_db_trial(seed: list[int]) -> tuple[bool, float]:
    return delay_trial(seed, 1.0, 3.0)


def third_db_trial(seed: list[int]) -> tuple[bool, float]:
    return delay_trial(seed, 0.3, 1.0)


def delay(runner: Runner, trials: int) -> list[Row]:
    rows = []
    for trial, name, allowed, label in ((one_db_trial, "1 to 3 dB", 4.0, 8), (third_db_trial, "0.3 to 1 dB", 10.0, 9)):
        found = runner.map(trial, trials // 2, label=label)
        for one_sided in (False, True):
            cycles = np.array([c for o, c in found if o is one_sided])
            late = np.flatnonzero(np.array([c for _, c in found]) > allowed)
            false = int(np.sum(cycles < 0.0))
            rows.append(
                Row(
                    f"step to {name} shown flat, 40 Hz, {'one half' if one_sided else 'both halves'}",
                    f"median {np.median(cycles):.2f}, p99 {percent(cycles, 99):.2f}, worst {cycles.max():.2f} cycles; "
                    f"{np.sum(cycles > allowed)} late, {false} before the step",
                    f"<= {allowed:g} cycles",
                    len(cycles),
                    bool(cycles.max() <= allowed and false == 0),
                )
            )
        if len(late):
            rows.append(Row("  late trials", ", ".join(map(str, late[:12])), "", len(late), None))
    return rows


FIGURES = {
    "rms": rms,
    "repeatability": repeatability,
    "frequency": frequency,
    "clock": clock,
    "overdrive": overdrive,
    "delay": delay,
}

if __name__ == "__main__":
    sys.exit(rig.main(__doc__, FIGURES, trials=800))
