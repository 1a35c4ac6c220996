"""An hour of the whole instrument in virtual time, with random faults at every seam, and what must hold all the while.

The instrument is the real one from the register-level chip to the panel at command level, with lamp, sounder and
buttons on mock pins and a logbook on a card that fails. Rounds of trouble, in which every seam has faults of its own at
random, alternate with calm ones, in which all must come back. What is true is taken from below the firmware: from the
last conversion that was really read from the chip, and from what the glass of the panel shows.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: the matrices are small

import argparse
import csv
import gc
import math
import shutil
import sys
import tempfile
import threading
import time
import traceback
from collections import Counter, deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import rig
from rig import Row
from trouble import CALM_S, OUTPUTS, Book, Direct, World

from flattop import selfcheck
from flattop.converters.ads1015 import Ads1015Converter
from flattop.converters.ads1015_chip import Alert
from flattop.instrument import Ending, Instrument, Panel
from flattop.measure.reading import Reading, Verdict
from flattop.meter import Meter
from flattop.panel import pages
from flattop.panel.hardware.controls import Controls
from flattop.panel.hardware.display import RECOVERY_UPDATES, PanelDisplay
from flattop.panel.hardware.signals import Signals
from flattop.panel.menu import Menu, Page, Place
from flattop.panel.pages import NOW
from flattop.panel.screen import VOLTS, packed, rgb565
from flattop.panel.words import DASHES, STOP, face, level_text
from flattop.power_on import load_set_up, set_up_file
from flattop.record.session_folder import READINGS
from flattop.record.stamps import Trust, Wall
from flattop.settings import Settings
from flattop.simulated.board import ALERT_GPIO

SILENT_S = 0.5
"""Older than this, no number may stand on the screen [s]."""
SCREEN_S = 0.1 * RECOVERY_UPDATES
"""Within this time after the last fault of its wires the panel is documented to be right again [s]."""
UPDATE_S = 0.1
SPACING_S = 1.0
"""Longest time between two readings, whatever happens [s]."""
BACK_S = 4.0
"""Within this time after the last fault the meter is to judge again [s]."""
GROWTH_BLOCKS = 36_000
"""Of live Python objects in an hour: anything that got but one more in every turn would make as many. Caches that fill
and the summary's line for each kept reading are below it; the second half of each piece counts."""


# -- one life of the instrument ---------------------------------------------------------------------------------------


class Watched(PanelDisplay):
    """A screen that tells what it was given to show, before it shows it."""

    told: Callable[[Any], None]

    def show(self, image: Any) -> bool:
        self.told(image)
        return super().show(image)


@dataclass
class Found:
    """What one run has seen."""

    counts: Counter[str] = field(default_factory=Counter)
    wrong: Counter[str] = field(default_factory=Counter)
    notes: list[str] = field(default_factory=list)
    readings: int = 0
    lives: int = 0
    shown_as_kept: int = 0
    virtual_s: float = 0.0
    worst: dict[str, float] = field(default_factory=dict)
    back_s: list[float] = field(default_factory=list)
    growth_mb_h: float = math.nan
    growth_blocks_h: float = math.nan

    def violated(self, what: str, note: str) -> None:
        self.wrong[what] += 1
        if self.wrong[what] <= 3:
            self.notes.append(f"{what}: {note}")

    def most(self, what: str, value: float) -> None:
        self.worst[what] = max(self.worst.get(what, 0.0), value)


RAISED, DRAWN, GLASS, BEHIND, GAP, BACK, KEPT, DARK, CARD = (
    "unhandled exceptions, any thread",
    "frames whose number outlived its converter by more than 0.5 s",
    "readings with an old number on the glass, converter silent",
    "readings with a picture that was not drawn, past recovery",
    "gaps between readings beyond the bound",
    "rounds of calm in which the meter did not come back",
    "kept readings shown before they were on the card",
    "stops that left something on",
    "rounds of calm in which the card did not come back",
)


class Witness:
    """Looks at every frame and every reading of one life."""

    def __init__(self, world: World, found: Found, instrument: Instrument, book: Book) -> None:
        self.world, self.found, self.instrument, self.book = world, found, instrument, book
        self.born_s = self.read_s = self.matched_s = world.time.now
        self.frame: Any = None
        self._place = Place()
        self._has_number = False
        self._updates, self._faulty_s = 0, -math.inf
        """Updates of the screen since the last fault of its wires, or since the picture was right."""
        self._numbers: deque[tuple[Any, int]] = deque(maxlen=60)
        self._kept_seen: Reading | None = None
        self._judged_s = math.inf
        self._last_bad_s = world.time.now
        self._rounds = world.counts["rounds"]
        world.bus.longest_s = 0.0

    def drawn(self, image: Any) -> None:
        """Look at a frame that is about to take the place of the last one."""
        world, view = self.world, self.instrument.view
        silent_s = max(world.bus.longest_s, world.bus.silent_s)
        if self._has_number:
            self.found.most("silence under a number [s]", silent_s)
            if silent_s > SILENT_S:
                self.found.violated(DRAWN, f"silent for {silent_s:.2f} s at {world.time.now:.2f} s, {self._sign}")
        world.bus.longest_s = 0.0
        self._place = self.instrument.menu.place
        reading = view.reading
        self._sign = face(reading, stale=view.stale)
        text = level_text(None if view.stale else reading, direct=self._sign is STOP)
        self._has_number = text != DASHES
        box = VOLTS if self._place.page is Page.CLEAN else NOW
        cut = rgb565(packed(image.crop(box))).tobytes()
        if world.bus.silent_s > SILENT_S and reading is not None:
            # What the view says is one thing; this is what was drawn.
            nothing = replace(reading, rms_v=math.nan, dc_v=math.nan, tops=None)
            blank = pages.draw(
                self._place,
                replace(view, reading=nothing),
                set_up=self.instrument.menu.set_up,
                held=self.instrument.held,
                about=self.instrument.about,
                now_s=world.time.now,
                wall_s=world.wall_s(),
            )
            if rgb565(packed(blank.crop(box))).tobytes() != cut:
                self.found.violated(DRAWN, f"number drawn at {world.time.now:.2f} s, {self._sign}")
        if self._has_number:
            self._numbers.append((box, hash(cut)))
        self.frame = image

    def turned(self, reading: Reading) -> None:
        """Look at everything after a turn of the loop."""
        found, now_s = self.found, self.world.time.now
        found.readings += 1
        gap_s, self.read_s = now_s - self.read_s, now_s
        found.most("time between readings [s]", gap_s)
        if gap_s > SPACING_S:
            found.violated(GAP, f"{gap_s:.2f} s at {now_s:.2f} s")
        self._look_at_glass(now_s)
        self._look_at_kept()
        self._look_at_calm(reading, now_s)

    def _look_at_glass(self, now_s: float) -> None:
        world = self.world
        if world.glass._faults:  # one that is still to come
            world.wire_fault_s = now_s
        self._updates = 0 if world.wire_fault_s > self._faulty_s else self._updates + 1
        self._faulty_s = world.wire_fault_s
        seen = world.glass.image()
        right = np.array_equal(rgb565(packed(seen)), rgb565(packed(self.frame)))
        dark = world.dimmer.value == 0.0 or not np.asarray(seen).any()
        if right or dark:
            self.matched_s, self._updates = now_s, 0
        else:
            since_s = max(world.wire_fault_s, self.matched_s, self.born_s)
            self.found.most("picture wrong after the last fault of its wires [s]", now_s - since_s)
            # An update in which the converter is waited for takes longer than a tenth of a second.
            if self._updates > RECOVERY_UPDATES + 2:
                self.found.violated(BEHIND, f"{self._updates} updates, {now_s - since_s:.2f} s, at {now_s:.2f} s")
        if not right:
            self._last_bad_s = now_s
        if right or dark or world.bus.silent_s <= SILENT_S:
            return
        cuts = {box: hash(rgb565(packed(seen.crop(box))).tobytes()) for box in (VOLTS, NOW)}
        if any(cuts[box] == cut for box, cut in self._numbers):
            since_s = max(world.wire_fault_s, world.bus.heard_s + SILENT_S)
            self.found.most("old number on the glass after the last fault of its wires [s]", now_s - since_s)
            if now_s - since_s > SCREEN_S + 2 * UPDATE_S:
                self.found.violated(GLASS, f"{now_s - since_s:.2f} s at {now_s:.2f} s")

    def _look_at_kept(self) -> None:
        kept = self.instrument.held.kept
        if kept is self._kept_seen or kept is None:
            return
        self._kept_seen = kept
        self.found.shown_as_kept += 1
        done = any(ticket.done for reading, ticket in self.book.promises if reading is kept)
        if not done or not self._is_on_card(kept):
            self.found.violated(KEPT, f"t {kept.time_s:.3f}, {'no row' if done else 'promise not fulfilled'}")

    def _is_on_card(self, kept: Reading) -> bool:
        """Read the tables themselves, as another program would."""
        for path in sorted(self.world.folder.glob(f"*/{READINGS}"), reverse=True):
            with path.open(newline="") as table:
                if any(row["t_s"] == f"{kept.time_s:.6f}" and row["kept"] == "yes" for row in csv.DictReader(table)):
                    return True
        return False

    def _look_at_calm(self, reading: Reading, now_s: float) -> None:
        world = self.world
        faults = {fault.words for fault in self.instrument.faults}
        broken = faults & {"converter silent", "screen fault", "lamp or sounder", "buttons fault"}
        if reading.verdict is not Verdict.CLEAN or broken:
            self._last_bad_s = now_s
        if now_s < world.calm_from_s + CALM_S - 1.0 or self._rounds == world.counts["rounds"]:
            return
        self._rounds = world.counts["rounds"]
        since_s = max(world.calm_from_s, self.born_s)
        # The clock may have begun to learn anew just before; the picture is right again after SCREEN_S.
        back_s = self._last_bad_s - since_s
        self.found.back_s.append(max(back_s, 0.0))
        if back_s > max(BACK_S, SCREEN_S + 2 * UPDATE_S):
            why = f"{reading.verdict} {reading.reason} {sorted(faults)} screen {now_s - self.matched_s:.2f} s"
            self.found.violated(BACK, f"{back_s:.2f} s after {since_s:.2f} s: {why}")
        end_s = time.monotonic() + 3.0
        while (status := self.book.status).words and time.monotonic() < end_s:
            time.sleep(0.01)
        if status.words:
            self.found.violated(CARD, f"{status.words}, {status.fault} at {now_s:.2f} s")


def power_on(world: World, found: Found) -> tuple[Witness, Instrument]:
    """Return an instrument that was just switched on."""
    world.new_glass()
    clock, rng = world.clock, world.rng
    trust = list(Trust)
    book = Book(
        world.folder,
        wall=lambda: Wall(world.wall_s(), trust[int(time.monotonic()) % len(trust)]),
        card=world.card,
        sync_s=0.03,  # real seconds, of which there are fewer than virtual ones
        retry_s=0.05,
    )
    converter = Ads1015Converter(
        world.bus,
        world.time,
        input=(set_up := load_set_up(world.folder, Settings())).input,
        alert=Alert(ALERT_GPIO, world.board.pin_factory) if world.wired else None,
        simulated=True,
    )
    screen = Watched(
        spi=world.wires,
        cs=world.glass.cs,
        dc=world.glass.dc,
        rst=world.glass.rst,
        backlight=world.dimmer,
        controller="ili9341" if world.glass._glass.bgr else "st7789",
        time=clock,
    )
    controls = Controls(pin_factory=world.pins, clock=clock.now_s)
    instrument = Instrument(
        meter=Meter(Direct(converter), time=clock),
        panel=Panel(screen, Signals(pin_factory=world.pins, clock=clock.now_s), controls),
        logbook=book,
        time=clock,
        wall=world.wall_s,
        menu=Menu(set_up),
        live_faults=lambda: selfcheck.check_running(
            settings=Settings(),
            root=world.folder,
            edges_hz=converter.edges_hz,
            stuck=controls.stuck(),
            battery_low=controls.low_battery,
            isolators_ok=controls.isolators_ok,
        ),
        changed=set_up_file(world.folder).save,
        label=("", "Bass A")[rng.integers(2)],
    )
    witness = Witness(world, found, instrument, book)
    screen.told = witness.drawn
    return witness, instrument


def look_at_stop(world: World, found: Found) -> None:
    """Look at what a stop has left: no number, no lamp, no sound."""
    pins_fail = any(world.pins.pin(gpio).failing for gpio in OUTPUTS)
    lit = [gpio for gpio in OUTPUTS if world.pins.pin(gpio)._state]
    if lit and not pins_fail:
        found.violated(DARK, f"GPIO {lit} at {world.time.now:.2f} s")
    if world.dimmer.value and not world.dimmer.failing:
        found.violated(DARK, f"the backlight at {world.time.now:.2f} s")


def memory_now() -> tuple[float, float]:
    """Return the blocks that live Python objects take, and the resident memory [MB]."""
    gc.collect()
    resident = int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")
    return float(sys.getallocatedblocks()), resident / 1e6


def piece(given: tuple[list[int], float]) -> Found:
    """Run one piece of virtual time from a cold start."""
    seed, duration_s = given
    found = Found()

    def raised(kind: str, error: BaseException | None) -> None:
        where = traceback.format_exception(error)[-3:] if error is not None else []
        found.violated(RAISED, f"{kind}: {' '.join(' '.join(where).split())}")

    before = threading.excepthook, sys.unraisablehook
    threading.excepthook = lambda args: raised(f"thread {args.thread}", args.exc_value)
    sys.unraisablehook = lambda args: raised(f"in {args.object}", args.exc_value)
    folder = Path(tempfile.mkdtemp(prefix="flattop-hour-"))
    memory: list[tuple[float, float, float]] = []
    try:
        world = World(seed, folder)
        while world.time.now < duration_s:
            found.lives += 1
            witness, instrument = power_on(world, found)
            readings = instrument.run()
            try:
                for reading in readings:
                    world.pump()
                    witness.turned(reading)
                    if not memory or world.time.now > memory[-1][0] + 20.0:
                        memory.append((world.time.now, *memory_now()))
                    if world.time.now >= duration_s:
                        instrument.stop()
                        break
            except Exception as error:
                raised("the loop", error)
            readings.close()
            look_at_stop(world, found)
            if instrument.ending is Ending.POWER_OFF:
                world.counts["hands: shut down, done"] += 1
        found.virtual_s = world.time.now
        found.counts = world.counts + Counter({f"card: calls that met {k}": n for k, n in world.card.met.items()})
    except Exception as error:
        raised("the script", error)
    finally:
        threading.excepthook, sys.unraisablehook = before
        shutil.rmtree(folder, ignore_errors=True)
    settled = np.array([each for each in memory if each[0] > 0.5 * duration_s])
    if len(settled) > 4:
        found.growth_blocks_h, found.growth_mb_h = 3600.0 * np.polyfit(settled[:, 0], settled[:, 1:], 1)[0]
    return found


def rows(pieces: list[Found]) -> list[Row]:
    """Return the table of all pieces."""
    wrong, counts, worst = Counter[str](), Counter[str](), dict[str, float]()
    for each in pieces:
        wrong += each.wrong
        counts += each.counts
        for name, value in each.worst.items():
            worst[name] = max(worst.get(name, 0.0), value)
    readings = sum(each.readings for each in pieces)
    back_s = [back for each in pieces for back in each.back_s]
    grown = np.array([(each.growth_blocks_h, each.growth_mb_h) for each in pieces if math.isfinite(each.growth_mb_h)])
    ns = {BACK: counts["rounds"], CARD: counts["rounds"], KEPT: sum(each.shown_as_kept for each in pieces)}
    ns[DARK] = sum(each.lives for each in pieces)
    table = [
        Row("virtual time", f"{sum(each.virtual_s for each in pieces) / 3600.0:.3f} h", "", readings, None),
        *(
            Row(what, f"{wrong[what]}", "0", ns.get(what, readings), wrong[what] == 0)
            for what in (RAISED, DRAWN, GLASS, BEHIND, GAP, BACK, KEPT, DARK, CARD)
        ),
        *(Row(name, f"worst {value:.2f}", "", readings, None) for name, value in sorted(worst.items())),
    ]
    if back_s:
        median, most = float(np.median(back_s)), max(back_s)
        table.append(
            Row(
                "all right again after the last fault",
                f"median {median:.1f} s, worst {most:.1f} s",
                "",
                len(back_s),
                None,
            )
        )
    if len(grown):
        blocks, resident_mb = np.median(grown, axis=0)
        table += [
            Row(
                "growth of live Python objects",
                f"{blocks:+.0f} blocks an hour",
                f"<= {GROWTH_BLOCKS}",
                len(grown),
                bool(blocks <= GROWTH_BLOCKS),
            ),
            Row("growth of resident memory", f"{resident_mb:+.1f} MB an hour", "", len(grown), None),
        ]
    table += [Row(f"  {name}", str(count), "", count, None) for name, count in sorted(counts.items())]
    return table


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=1.0, help="virtual hours, all pieces together (default 1)")
    parser.add_argument("--pieces", type=int, default=8, help="cold starts, each of another seed (default 8)")
    parser.add_argument("--seed", type=int, default=1, help="draws boards, signals and faults (default 1)")
    parser.add_argument("--jobs", type=int, default=2, help="processes (default 2)")
    given = parser.parse_args()
    work = [([given.seed, 71, number], 3600.0 * given.hours / given.pieces) for number in range(given.pieces)]
    begun_s = time.monotonic()
    if given.jobs > 1:
        with get_context("spawn").Pool(given.jobs) as pool:
            found = pool.map(piece, work, 1)
    else:
        found = [piece(each) for each in work]
    for number, each in enumerate(found):
        for note in each.notes:
            print(f"[{given.seed}, 71, {number}] {note}")
    print(f"== hour ({time.monotonic() - begun_s:.0f} s)")
    return rig.table(rows(found), seed=given.seed)


if __name__ == "__main__":
    sys.exit(main())
