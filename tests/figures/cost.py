"""Cost of the meter in units of one numpy.fft.rfft of 32,768 float64 in the same run, and what follows from it."""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as flattop.__main__ sets it, before numpy is loaded

import argparse
import cProfile
import csv
import math
import pstats
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import full_band
import numpy as np
import rig
from rig import Bench, Row, Wave

from flattop.measure.between import between
from flattop.measure.level import glance, measure
from flattop.measure.reading import Reading
from flattop.measure.verdict import Judge
from flattop.panel.first_page import FirstPage
from flattop.panel.screen import SIZE, changed_rectangles, draw, frame_bytes, packed
from flattop.samples import FloatArray, Input, Samples
from flattop.simulated.board import SimulatedBoard

UNIT_SIZE = 32_768
READS_S = 6_600
UPDATES_S = 10
ADDRESS = 0x48
FULL_BAND_HZ = (10.3, 15.0, 20.0, 40.0, 80.0, 315.0, 1000.0, 3500.0, 5000.0)
SIGNAL = np.random.default_rng(0).normal(0.0, 1.0, UNIT_SIZE)


def cpu_s(work: Callable[[], object], repeats: int) -> float:
    """Return the CPU time of one call [s]."""
    begun_s = time.process_time()
    for _ in range(repeats):
        work()
    return (time.process_time() - begun_s) / repeats


def unit_s() -> float:
    return cpu_s(lambda: np.fft.rfft(SIGNAL), 20)


def in_units(work: Callable[[], object], *, rounds: int = 9, repeats: int = 20) -> tuple[float, float]:
    """Return the cost of `work` in units and in ms: the median of rounds, each beside its own unit."""
    work()
    ratios, times_s = [], []
    for _ in range(rounds):
        before_s, one_s, after_s = unit_s(), cpu_s(work, repeats), unit_s()
        ratios.append(one_s / (0.5 * (before_s + after_s)))
        times_s.append(one_s)
    return float(np.median(ratios)), 1e3 * float(np.median(times_s))


# -- one update -------------------------------------------------------------------------------------------------------


def block_of(hz: float, *, clip_db: float, seed: int) -> Samples:
    """Return 0.25 s of a tone as the whole chain delivers it."""
    level = 10.0 ** (-clip_db / 20.0)
    wave = Wave(hz, 60.0, rig.clipped(level, level))
    bench = Bench.build(wave, seed=[seed, 41], board=1000 * seed, wired=True)
    bench.converter.collect(0.9)
    return bench.converter.latest(0.25)


def update(samples: Samples, judge: Judge, known_hz: float = math.nan) -> Reading:
    """Do all that one reading needs."""
    return judge.update(measure(samples, most_harmonics=16, known_hz=known_hz))


def known(samples: Samples) -> float:
    """Return what the meter's loop knows of a standing tone: where it was in the block before [Hz]."""
    block = measure(samples, most_harmonics=16)
    return block.fit.hz if block.fit is not None else math.nan


def update_rows(seed: int) -> list[Row]:
    rows = []
    for name, clip_db in (("clean", 0.0), ("clipped by 1 dB", 1.0)):
        samples, judge = block_of(40.0, clip_db=clip_db, seed=seed), Judge()
        units, ms = in_units(lambda s=samples, j=judge: update(s, j))
        first = f"bass update, the first of a tone, {name}"
        rows.append(Row(first, f"{units:.2f} units ({ms:.2f} ms)", "", 1, None))
        hz = known(samples)
        units, ms = in_units(lambda s=samples, j=judge, hz=hz: update(s, j, hz))
        rows.append(
            Row(
                f"bass update, 0.25 s, 40 Hz, 16 harmonics, {name}",
                f"{units:.2f} units ({ms:.2f} ms)",
                "<= 6",
                1,
                units <= 6.0,
            )
        )
    worst, at = 0.0, ""
    for hz in (10.0, 12.0, 15.0, 20.0, 25.0, 30.0, 35.0, 50.0, 60.0, 80.0, 100.0, 150.0, 200.0, 250.0, 300.0):
        for clip_db in (0.0, 0.3, 1.0):
            samples, judge = block_of(hz, clip_db=clip_db, seed=seed), Judge()
            hz_known = known(samples)
            units, _ = in_units(lambda s=samples, j=judge, h=hz_known: update(s, j, h), rounds=3, repeats=8)
            if units > worst:
                worst, at = units, f"{hz:g} Hz cut by {clip_db:g} dB"
    rows.append(Row("bass update, the worst tone", f"{worst:.2f} units, at {at}", "", 45, None))
    for name, clip_db in (("clean", 0.0), ("clipped by 1 dB", 1.0)):
        samples = block_of(40.0, clip_db=clip_db, seed=seed)
        two = samples.times_s > samples.times_s[-1] - 2.05 / 40.0
        look = Samples(samples.times_s[two], samples.volts[two], samples.facts, samples.quality)
        units, ms = in_units(lambda s=look: glance(s, hz=40.0, from_thd=0.01))
        rows.append(Row(f"quick look at two cycles, {name}", f"{units:.2f} units ({ms:.2f} ms)", "", 1, None))
    return rows


# -- one update of the full band --------------------------------------------------------------------------------------


def both_inputs(hz: float, *, clip_db: float, seed: int) -> tuple[Samples, Samples]:
    """Return 0.25 s of line and speaker input at 96 kS/s, the speaker's cut."""
    level = 10.0 ** (-clip_db / 20.0)
    rng = np.random.default_rng([seed, 44])
    line = full_band.sampled(Wave(hz, 1.4), rng, known=full_band.facts(input=Input.LINE, full_scale_v=24.0))
    speaker = full_band.sampled(Wave(hz, 60.0, rig.clipped(level, level), 0.1), rng)
    return line, speaker


def full_band_rows(seed: int) -> list[Row]:
    rows = []
    for clip_db, name in ((0.0, "clean"), (1.0, "clipped by 1 dB")):
        worst = {"shown": (0.0, 0.0, 0.0), "first": (0.0, 0.0, 0.0), "both": (0.0, 0.0, 0.0)}
        for hz in FULL_BAND_HZ:
            line, speaker = both_inputs(hz, clip_db=clip_db, seed=seed)
            judge, hz_known = Judge(), known(speaker)

            def first(
                line: Samples = line, speaker: Samples = speaker, judge: Judge = judge, known_hz: float = math.nan
            ) -> None:
                block = measure(speaker, known_hz=known_hz)
                between(line_input=line, speaker=speaker, hz=judge.update(block).hz, measured=block)

            def shown(first: Callable[..., None] = first, known_hz: float = hz_known) -> None:
                first(known_hz=known_hz)

            def both(line: Samples = line, shown: Callable[[], None] = shown, known_hz: float = hz_known) -> None:
                shown()
                measure(line, known_hz=known_hz)

            for what, work in (("shown", shown), ("first", first), ("both", both)):
                units, ms = in_units(work, rounds=5, repeats=10)
                worst[what] = max(worst[what], (units, ms, hz))
        for what, (units, ms, hz) in worst.items():
            told = {
                "shown": "input shown in full, gain, polarity",
                "first": "the same, the first of a tone",
                "both": "the same as shown, and the other one in full",
            }[what]
            rows.append(
                Row(
                    f"full-band update, 0.25 s, two inputs, {name}: {told}",
                    f"{units:.2f} units ({ms:.2f} ms), worst at {hz:g} Hz",
                    "<= 8" if what == "shown" else "",
                    len(FULL_BAND_HZ),
                    units <= 8.0 if what == "shown" else None,
                )
            )
        _, speaker = both_inputs(40.0, clip_db=clip_db, seed=seed)
        two = speaker.times_s > speaker.times_s[-1] - 2.05 / 40.0
        look = Samples(speaker.times_s[two], speaker.volts[two], speaker.facts, speaker.quality)
        units, ms = in_units(lambda look=look: glance(look, hz=40.0, from_thd=0.01))
        told = f"quick look at two cycles of 40 Hz at 96 kS/s, {name}"
        rows.append(Row(told, f"{units:.2f} units ({ms:.2f} ms)", "", 1, None))
    return rows


# -- the screen -------------------------------------------------------------------------------------------------------


def ramp_readings(seed: int) -> list[Reading]:
    """Return readings of a level that rises by 20 % a second, through its rails."""

    def signal(times_s: FloatArray) -> FloatArray:
        return np.clip(30.0 * np.exp(0.2 * times_s) * np.sin(2.0 * np.pi * 40.0 * times_s), -60.0, 60.0)

    bench = Bench.build(signal, seed=[seed, 42], board=1000 * seed, wired=True)
    return [r for r in bench.readings(6.0) if r.time_s > 1.0]


def screen_rows(seed: int) -> list[Row]:
    display = FirstPage(label="Bass A")
    views = [display.view(reading) for reading in ramp_readings(seed)]
    frames = [packed(draw(view)) for view in views]
    full = frame_bytes([]) + 2 * SIZE[0] * SIZE[1]
    shares = [frame_bytes(changed_rectangles(a, b)) / full for a, b in pairwise(frames)]

    def one_round() -> None:
        before = frames[0]
        for view in views[1:21]:
            after = packed(draw(view))
            changed_rectangles(before, after)
            before = after

    units, ms = in_units(one_round, rounds=5, repeats=1)
    median = float(np.median(shares))
    return [
        Row(
            "screen update: draw and changed rectangles",
            f"{units / 20:.2f} units ({ms / 20:.2f} ms)",
            "<= 12",
            20,
            units / 20 <= 12.0,
        ),
        Row(
            "screen bytes a frame, level ramping",
            f"median {100 * median:.1f} %, worst {100 * max(shares):.1f} % of a frame",
            "< 20 %",
            len(shares),
            median < 0.20,
        ),
    ]


# -- the whole loop ---------------------------------------------------------------------------------------------------

LOOP_S = 6.0


def bass_tone(times_s: FloatArray) -> FloatArray:
    return np.clip(70.0 * np.sin(2.0 * np.pi * 40.0 * times_s), -62.0, 62.0)


def loop(seed: int, wired: bool) -> tuple[float, int]:
    """Run the meter with its screen; return CPU seconds and transactions for each second of virtual time."""
    bench = Bench.build(bass_tone, seed=[seed, 43], board=1000 * seed, wired=wired)
    display, before = FirstPage(label="Bass A"), None
    readings = bench.readings(1.0 + LOOP_S)
    for reading in readings:
        if reading.time_s > 1.0:
            break
    reads, begun_s = bench.board.i2c.transactions, time.process_time()
    for reading in readings:
        after = packed(draw(display.view(reading)))
        if before is not None:
            changed_rectangles(before, after)
        before = after
    return (time.process_time() - begun_s) / LOOP_S, round((bench.board.i2c.transactions - reads) / LOOP_S)


def only_reads(seed: int, wired: bool, reads_s: int) -> float:
    """Return what the fake bus, chip, front end and virtual time cost by themselves, for a second of it [s].

    The same board, as many raw transactions at even distances, no library, no driver, nothing made of them.
    """
    bench = Bench.build(bass_tone, seed=[seed, 43], board=1000 * seed, wired=wired)
    bench.converter.collect(0.1)  # sets the chip up
    board: SimulatedBoard = bench.board
    bus, clock, word = board.i2c, board.time, bytearray(2)
    bench.converter.close()
    step_s, next_s = 1.0 / reads_s, clock.now_s()
    end_s, begun_s = next_s + LOOP_S, time.process_time()
    while next_s < end_s:
        bus.try_lock()
        bus.readfrom_into(ADDRESS, word)
        bus.unlock()
        next_s += step_s
        clock.wait_until(next_s)
    return (time.process_time() - begun_s) / LOOP_S


def loop_rows(seed: int) -> list[Row]:
    rows = []
    for wired in (False, True):
        found = [loop(seed + n, wired) for n in range(3)]
        whole_s = float(np.median([each for each, _ in found]))
        reads_s = found[0][1]
        fake_s = float(np.median([only_reads(seed + n, wired, reads_s) for n in range(3)]))
        net = whole_s - fake_s
        # With the ready line one read a conversion is all that the driver wants: nothing to scale there.
        scaled = net * max(READS_S / reads_s, 1.0) if not wired else net
        rows.append(
            Row(
                f"whole loop, 10 updates and {reads_s} reads a second, {'wired' if wired else 'reads alone'}",
                f"{100 * net:.1f} % of a core{'' if wired else f', scaled to {READS_S} reads {100 * scaled:.1f} %'} "
                f"({100 * whole_s:.1f} % with the fake board, that alone {100 * fake_s:.1f} %)",
                "<= 15 %",
                3,
                scaled <= 0.15,
            )
        )
    return rows


# -- processes --------------------------------------------------------------------------------------------------------


def child_cpu_s(*command: str) -> tuple[float, float]:
    """Run a command; return its CPU time and its duration [s]."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    begun_s = time.monotonic()
    subprocess.run([sys.executable, *command], check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    took_s = time.monotonic() - begun_s
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, took_s


WHOLE = "import flattop." + ", flattop.".join(
    (
        "__main__",
        "settings",
        "instrument",
        "converters.ads1015",
        "converters.recording",
        "panel.screen",
        "record.session",
    )
)


def process_rows(seed: int) -> list[Row]:
    child_cpu_s("-c", WHOLE)  # byte-compiles
    bare_s = min(child_cpu_s("-c", "pass")[0] for _ in range(5))
    whole_s = float(np.median([child_cpu_s("-c", WHOLE)[0] for _ in range(5)]))
    demos = []
    for name, options in (("flattop demo", []), ("flattop demo --short", ["--short"])):
        with tempfile.TemporaryDirectory() as folder:
            out = Path(folder) / "demo"
            cpu_s, took_s = child_cpu_s("-m", "flattop", "demo", *options, "--seed", str(seed), "--out", str(out))
            with (out / "readings.csv").open(newline="") as file:
                shown_s = float(list(csv.DictReader(file))[-1]["t_s"])
        speed = shown_s / took_s
        told = f"{speed:.1f} times ({shown_s:.0f} s in {took_s:.1f} s, {cpu_s:.1f} s of CPU)"
        demos.append(Row(f"{name} against real time", told, ">= 10", 1, speed >= 10.0))
    return [
        Row(
            "import of the package",
            f"{whole_s:.2f} s of CPU ({bare_s:.2f} s of it Python itself)",
            "< 0.5 s",
            5,
            whole_s < 0.5,
        ),
        *demos,
    ]


def profile(seed: int) -> None:
    """Print where one update and the whole loop spend their time, call by call."""
    samples, judge = block_of(40.0, clip_db=1.0, seed=seed), Judge()
    for title, work in (
        ("200 bass updates, 40 Hz clipped by 1 dB", lambda: [update(samples, judge) for _ in range(200)]),
        ("whole loop, reads alone", lambda: loop(seed, False)),
        ("whole loop, wired", lambda: loop(seed, True)),
    ):
        print(f"\n== profile: {title}")
        profiler = cProfile.Profile()
        profiler.runcall(work)
        pstats.Stats(profiler).sort_stats("tottime").print_stats(28)


FIGURES: dict[str, Callable[[int], list[Row]]] = {
    "update": update_rows,
    "full_band": full_band_rows,
    "screen": screen_rows,
    "loop": loop_rows,
    "process": process_rows,
}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1, help="draws the boards (default 1)")
    parser.add_argument("--only", action="append", choices=list(FIGURES), help="only these; may be repeated")
    parser.add_argument("--profile", action="store_true", help="print call-by-call profiles as well")
    given = parser.parse_args()
    print(f"one unit: {1e3 * np.median([unit_s() for _ in range(9)]):.3f} ms of CPU")
    missed = 0
    for name in given.only or FIGURES:
        missed |= rig.table(FIGURES[name](given.seed), seed=given.seed)
    if given.profile:
        profile(given.seed)
    return missed


if __name__ == "__main__":
    sys.exit(main())
