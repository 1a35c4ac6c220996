"""The whole firmware in real time on the simulated board: its share of one core by thread, and how even its turns are.

The same process that a meter runs: the reader thread, the loop with the screen, lamp and sounder, and the logbook on a
folder. What the fake bus, chip, front end and van cost is measured beside it, by as many bare reads in a thread of
their own on the same kind of board in the same real time, and taken off. One run has a card that takes nothing for ten
seconds: the turns of the loop must not show it.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as flattop.__main__ sets it, before numpy is loaded

import argparse
import gc
import math
import sys
import tempfile
import threading
import time
from collections import deque
from dataclasses import dataclass, field
from pathlib import Path

import msgspec
import numpy as np
import rig
from rig import Row

from flattop import power_on
from flattop.calibration import Calibration
from flattop.converters import HostTime
from flattop.converters.ads1015_chip import Alert
from flattop.panel.words import DASHES, level_text
from flattop.record.card import Card
from flattop.record.logbook import Logbook
from flattop.samples import Input
from flattop.settings import Settings
from flattop.simulated.ads1015 import ADDRESS
from flattop.simulated.board import ALERT_GPIO, SimulatedBoard
from flattop.simulated.calibration import calibrate
from flattop.simulated.live import Encores, LiveBoard

READER = "ads1015 reader"
READS_S = 6_600
"""Reads a second of the figure's definition; the board without a ready line is read about as often."""
SHARE = 0.15
WARM_UP_S = 3.0
STALL_S = 10.0
SILENT_S = 0.5
JITTER_S = 0.02
"""The most by which a stalled card may move the 99th percentile of the time between readings [s]."""


# -- one run ----------------------------------------------------------------------------------------------------------


class Stalling(Card):
    """A card that takes nothing from when it is told to, for STALL_S."""

    def __init__(self) -> None:
        self.until_s = -math.inf
        self.stalled = 0

    def _wait(self) -> None:
        left_s = self.until_s - time.monotonic()
        if left_s > 0.0:
            self.stalled += 1
            time.sleep(left_s)

    def write(self, descriptor: int, content: memoryview) -> int:
        self._wait()
        return super().write(descriptor, content)

    def fsync(self, descriptor: int) -> None:
        self._wait()
        super().fsync(descriptor)


@dataclass
class Run:
    """What one run has shown."""

    duration_s: float = 0.0
    cpu_s: dict[str, float] = field(default_factory=dict)
    """Of each thread; "others" is what the process used beside them [s]."""
    panel_s: float = 0.0
    """What of it the fake panel took [s]."""
    reads: int = 0
    spacing_s: list[float] = field(default_factory=list)
    late_s: list[float] = field(default_factory=list)
    """From the end of a reading's block to when it is on the screen, lamp and way to the card."""
    longest_turn_s: float = 0.0
    skipped: int = 0
    missed: list[float] = field(default_factory=list)
    """Share of the conversions in a reading's window that were not read."""
    collections: dict[int, list[float]] = field(default_factory=dict)
    """Pauses of the garbage collector by generation [s]."""
    stalled: int = 0
    unsynced_s: float = 0.0
    dropped: int = 0
    blank_after_s: float = math.nan
    back_after_s: float = math.nan

    def spaced(self, share: float) -> float:
        return 1e3 * float(np.quantile(self.spacing_s, share))


def thread_cpu_s() -> dict[str, float]:
    """Return the CPU time of every living thread by name [s]."""
    found: dict[str, float] = {}
    for thread in threading.enumerate():
        if thread.ident is not None:
            spent_s = time.clock_gettime(time.pthread_getcpuclockid(thread.ident))
            found[thread.name] = found.get(thread.name, 0.0) + spent_s
    return found


def run(
    seed: int,
    calibration: Calibration,
    *,
    wired: bool,
    duration_s: float,
    stall: bool = False,
    silence_s: float = 0.0,
    full_band: bool = False,
) -> Run:
    """Run the meter in real time.

    stall : the card takes nothing for STALL_S
    silence_s : the bus refuses everything for so long, from the middle on
    full_band : with the full-band converter beside the other
    """
    settings = Settings()
    settings = msgspec.structs.replace(
        settings,
        ads1015=msgspec.structs.replace(settings.ads1015, alert_gpio=4 if wired else -1),
        codec=msgspec.structs.replace(settings.codec, enabled="yes" if full_band else "no"),
    )
    found, card = Run(), Stalling()
    gc.collect()
    with tempfile.TemporaryDirectory() as folder:
        settings = power_on.with_folder(settings, Path(folder))
        # The logbook is opened by `start`; here on a card that can be told to stall.
        opening = power_on.open_logbook
        power_on.open_logbook = lambda settings, wall, parts: Logbook(Path(folder), wall=wall, card=card)  # type: ignore[assignment]
        try:
            live = LiveBoard(settings, calibration, seed=seed)
            instrument = power_on.start(settings, live.opened, calibration=calibration, simulated=True)
        finally:
            power_on.open_logbook = opening
        _weigh_panel(live, found)
        pauses = _Pauses(found)
        gc.callbacks.append(pauses)
        try:
            _follow(instrument, live, card, found, duration_s, stall, silence_s)
        finally:
            gc.callbacks.remove(pauses)
        found.stalled = card.stalled
    return found


def _weigh_panel(live: LiveBoard, found: Run) -> None:
    """Have the CPU time added up that the fake panel takes behind its bus: none of it is the meter's."""
    spi = live._panel.spi
    received = spi._received

    def weighed(data: bytes) -> None:
        begun_s = time.thread_time()
        received(data)
        found.panel_s += time.thread_time() - begun_s

    spi._received = weighed


class _Pauses:
    """Times the garbage collector."""

    def __init__(self, found: Run) -> None:
        self._found, self._begun_s = found, 0.0

    def __call__(self, phase: str, info: dict[str, int]) -> None:
        if phase == "start":
            self._begun_s = time.perf_counter()
        else:
            self._found.collections.setdefault(info["generation"], []).append(time.perf_counter() - self._begun_s)


def _follow(
    instrument: power_on.Instrument,
    live: LiveBoard,
    card: Stalling,
    found: Run,
    duration_s: float,
    stall: bool,
    silence_s: float,
) -> None:
    begin_s = math.inf
    before: dict[str, float] = {}
    process_s = last_s = refused_s = given_back_s = 0.0
    reads = 0
    readings = instrument.run()
    started_s = time.monotonic()
    for reading in readings:
        now_s = time.monotonic()
        live.heed(reading)
        if begin_s == math.inf:
            if now_s - started_s >= WARM_UP_S:
                begin_s = last_s = now_s
                before, process_s, reads = thread_cpu_s(), time.process_time(), live.board.i2c.transactions
                instrument.turns.longest_s = 0.0
                instrument.meter.skipped = 0
                found.collections.clear()
                found.panel_s = 0.0
                if stall:
                    card.until_s = now_s + STALL_S
            continue
        found.spacing_s.append(now_s - last_s)
        found.late_s.append(now_s - reading.time_s)
        last_s = now_s
        quality = reading.quality
        if math.isfinite(quality.rate_hz) and reading.duration_s > 0.0:
            found.missed.append(quality.missed / (reading.duration_s * quality.rate_hz))
        if silence_s and not refused_s and now_s - begin_s > 0.5 * duration_s - silence_s:
            live.board.i2c.refuse()
            refused_s = time.monotonic()
        elif refused_s:
            number = level_text(None if instrument.view.stale else reading, direct=False) != DASHES
            if math.isnan(found.blank_after_s) and not number:
                found.blank_after_s = now_s - refused_s
            if not given_back_s and now_s - refused_s >= silence_s:
                live.board.i2c.refuse(0)
                given_back_s = time.monotonic()
            elif given_back_s and number and math.isnan(found.back_after_s):
                found.back_after_s = now_s - given_back_s
        if instrument.logbook is not None:
            found.unsynced_s = max(found.unsynced_s, instrument.logbook.status.unsynced_s)
        if now_s - begin_s >= duration_s:
            break
    # Before the stop, while all threads are there.
    after = thread_cpu_s()
    found.duration_s = time.monotonic() - begin_s
    found.cpu_s = {name: spent_s - before.get(name, 0.0) for name, spent_s in after.items()}
    found.cpu_s["others"] = time.process_time() - process_s - sum(found.cpu_s.values())
    found.reads = live.board.i2c.transactions - reads
    found.longest_turn_s, found.skipped = instrument.turns.longest_s, instrument.meter.skipped
    if instrument.logbook is not None:
        found.dropped = instrument.logbook.status.dropped
    readings.close()


# -- the fake board by itself -----------------------------------------------------------------------------------------


def bare_share(seed: int, *, wired: bool, reads_s: float, duration_s: float = 8.0) -> float:
    """Return the share of a core of a thread that reads as often from the same kind of board, and does nothing else.

    No library, no driver, nothing made of the reads: what is left is bus, chip, front end, van and the pacing of
    virtual time.
    """
    begun_s = time.monotonic()
    scene = Encores(seed=seed, start_s=begun_s)
    board = SimulatedBoard(
        seed=seed, speaker=scene.speaker, line=scene.line, alert_wired=wired, start_s=begun_s, live=True
    )
    spent: list[float] = []

    def read() -> None:
        bus, clock, word = board.i2c, board.time, bytearray(2)
        if wired:
            alert = Alert(ALERT_GPIO, board.pin_factory)
            alert.listen(deque[float](maxlen=100).append)
        bus.try_lock()
        # Free-running at 3300 a second on the widest range, the ready line in use if it is wired; then the pointer.
        bus.writeto(ADDRESS, bytes([3, 0x80, 0x00]))
        bus.writeto(ADDRESS, bytes([2, 0x00, 0x00]))
        bus.writeto(ADDRESS, bytes([1, 0x04, 0xC0 | (0 if wired else 3)]))
        bus.writeto(ADDRESS, bytes([0]))
        bus.unlock()
        step_s, next_s = 1.0 / reads_s, clock.now_s()
        end_s, cpu_s = begun_s + duration_s, time.thread_time()
        while next_s < end_s:
            bus.try_lock()
            bus.readfrom_into(ADDRESS, word, end=2)
            bus.unlock()
            next_s += step_s
            clock.wait_until(next_s)
        spent.append((time.thread_time() - cpu_s) / (time.monotonic() - begun_s))

    thread = threading.Thread(target=read, name="bare reads")
    thread.start()
    thread.join()
    return spent[0]


def waits_share(reads_s: float, duration_s: float = 4.0) -> float:
    """Return the share of a core that a real meter's waits between its reads cost: the simulated board has none."""
    host, begun_s, cpu_s = HostTime(), time.monotonic(), time.thread_time()
    next_s = begun_s
    while next_s < begun_s + duration_s:
        next_s += 1.0 / reads_s
        host.wait_until(next_s)
    return (time.thread_time() - cpu_s) / (time.monotonic() - begun_s)


# -- the table --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Share:
    """Of one core that a run took [1], and in words."""

    net: float
    words: str
    by_thread: str

    @classmethod
    def of(cls, found: Run, bare: float, *, wired: bool) -> Share:
        """Take off what the fake board and panel cost."""
        reads_s = found.reads / found.duration_s
        shares = {thread: spent_s / found.duration_s for thread, spent_s in found.cpu_s.items()}
        whole, panel = sum(shares.values()), found.panel_s / found.duration_s
        net = whole - bare - panel
        if not wired:
            # The waits are scattered, so there are fewer reads than in the figure's definition.
            net += max(READS_S / reads_s - 1.0, 0.0) * (shares[READER] - bare)
        words = (
            f"{100 * net:.1f} % ({reads_s:.0f} reads a second, {100 * whole:.1f} % with the fake board, "
            f"{100 * bare:.1f} %, and panel, {100 * panel:.1f} %)"
        )
        largest_first = sorted(shares.items(), key=lambda each: -each[1])
        return cls(net, words, ", ".join(f"{thread} {100 * share:.1f}" for thread, share in largest_first))


def share_rows(name: str, shares: list[Share], count: int) -> list[Row]:
    """Return the shares of the runs, and whether the one that other work disturbed least keeps the target."""
    rows = []
    for share in shares:
        rows.append(Row(f"share of one core, {name}", share.words, "", count, None))
        rows.append(
            Row("  by thread, fake board in the reader's, panel in the main's [%]", share.by_thread, "", count, None)
        )
    least = min(share.net for share in shares)
    target = f"<= {100 * SHARE:.0f} %"
    rows.append(Row(f"  the least of {len(shares)}", f"{100 * least:.1f} %", target, count, least <= SHARE))
    return rows


def turn_rows(name: str, found: Run) -> list[Row]:
    """Return how even the turns of the loop are."""
    count = len(found.spacing_s)
    late_ms = 1e3 * np.quantile(found.late_s, (0.5, 0.99, 1.0))
    missed = f"mean {100 * np.mean(found.missed):.2f} %, worst {100 * max(found.missed):.1f} %" if found.missed else "-"
    pauses = "; ".join(
        f"generation {generation}: {len(took)} of at most {1e3 * max(took):.1f} ms"
        for generation, took in sorted(found.collections.items())
    )
    return [
        Row(
            f"time between readings, {name}",
            f"median {found.spaced(0.5):.1f}, p99 {found.spaced(0.99):.1f}, worst {found.spaced(1.0):.1f} ms",
            "worst < 500 ms",
            count,
            found.spaced(1.0) < 500.0,
        ),
        Row(
            "  from the end of its block to the end of its turn",
            f"median {late_ms[0]:.1f}, p99 {late_ms[1]:.1f}, worst {late_ms[2]:.1f} ms",
            "",
            count,
            None,
        ),
        Row(
            "  longest turn; readings skipped",
            f"{1e3 * found.longest_turn_s:.0f} ms; {found.skipped}",
            "",
            count,
            None,
        ),
        Row("  conversions not read, of a window", missed, "", count, None),
        Row("  pauses of the garbage collector", pauses or "none", "", count, None),
    ]


def figure(seed: int, duration_s: float) -> list[Row]:
    """Return every row."""
    sys.setswitchinterval(power_on.SWITCH_S)
    calibration = calibrate(seed=seed, inputs=[Input.SPEAKER])
    rows = []
    plain = run(seed, calibration, wired=False, duration_s=duration_s)
    lined = run(seed, calibration, wired=True, duration_s=duration_s)
    stalled = run(seed, calibration, wired=False, duration_s=max(duration_s, STALL_S + 5.0), stall=True)
    alone = [
        Share.of(each, bare_share(seed, wired=False, reads_s=each.reads / each.duration_s), wired=False)
        for each in (plain, stalled)
    ]
    rows += share_rows("reads alone, as if 6600 a second", alone, len(plain.spacing_s))
    bare = bare_share(seed, wired=True, reads_s=lined.reads / lined.duration_s)
    rows += share_rows("ready line wired", [Share.of(lined, bare, wired=True)], len(lined.spacing_s))
    both = run(seed, calibration, wired=True, duration_s=duration_s, full_band=True)
    bare = bare_share(seed, wired=True, reads_s=both.reads / both.duration_s)
    words = Share.of(both, bare, wired=True)
    rows.append(
        Row("share of one core, both converters, the fake codec in it", words.words, "", len(both.spacing_s), None)
    )
    rows.append(Row("  by thread [%]", words.by_thread, "", len(both.spacing_s), None))
    waits = waits_share(READS_S)
    rows.append(Row(f"  a real board's {READS_S} waits a second would add", f"{100 * waits:.1f} %", "", READS_S, None))
    rows += turn_rows("reads alone", plain)
    rows += turn_rows("ready line wired", lined)
    rows += turn_rows(f"reads alone, card stalled for {STALL_S:.0f} s", stalled)
    change_ms = stalled.spaced(0.99) - plain.spaced(0.99)
    rows += [
        Row(
            "change of the 99th percentile by the stall",
            f"{change_ms:+.1f} ms; {stalled.stalled} calls stalled, oldest unsynced {stalled.unsynced_s:.1f} s, "
            f"{stalled.dropped} lost",
            f"<= {1e3 * JITTER_S:.0f} ms, 0 lost",
            len(stalled.spacing_s),
            change_ms <= 1e3 * JITTER_S and stalled.stalled > 0 and stalled.dropped == 0,
        )
    ]
    silent = run(seed, calibration, wired=False, duration_s=8.0, silence_s=2.0)
    rows += [
        Row(
            "bus refused for 2 s: number gone after",
            f"{1e3 * silent.blank_after_s:.0f} ms",
            f"<= {1e3 * SILENT_S:.0f} ms",
            1,
            silent.blank_after_s <= SILENT_S,
        ),
        Row("  and back after it answers", f"{1e3 * silent.back_after_s:.0f} ms", "", 1, None),
    ]
    return rows


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1, help="draws the board (default 1)")
    parser.add_argument("--for", type=float, default=20.0, metavar="S", dest="for_s", help="of each run (default 20 s)")
    given = parser.parse_args()
    print(f"load of this machine before: {os.getloadavg()[0]:.2f} on {os.cpu_count()} cores")
    return rig.table(figure(given.seed, given.for_s), seed=given.seed)


if __name__ == "__main__":
    sys.exit(main())
