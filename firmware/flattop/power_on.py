"""Power-on: from opened parts to a running instrument, with everything that is wrong said at once, worst first."""

from __future__ import annotations

import contextlib
import datetime
import math
import os
import platform
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Generic, TypeVar

import msgspec
import numpy as np

from flattop import __version__, plan_files, selfcheck
from flattop.bands import Bands, Trimmed
from flattop.board import Opened, open_logbook
from flattop.calibration import Calibration, age_days, load, write_durably
from flattop.console import Live, say
from flattop.converters import HostTime
from flattop.errors import CalibrationError, PlanError, StorageError
from flattop.instrument import Ending, Instrument
from flattop.measure.reading import Reading
from flattop.meter import Meter, limits_from
from flattop.notify import Notifier
from flattop.panel.menu import Menu, SetUp
from flattop.panel.pages import About
from flattop.record import run_file
from flattop.record import trims as trims_file
from flattop.record.logbook import Logbook
from flattop.record.session_folder import SUMMARY
from flattop.record.stamps import Trust, Wall, host_boot_id, rfc3339
from flattop.samples import Input
from flattop.selfcheck import Fault, Rank
from flattop.settings import Files, Settings
from flattop.supply import Cells
from flattop.tuner import Tuner, beginning, going_on
from flattop.tuning.plan import Plan
from flattop.tuning.run import Run

SWITCH_S = 1e-4
POWER_OFF = "power-off"
"""File in the service's run-time folder that asks for the power to be switched off."""
SAVE_AGAIN_S = 1.0
PLANS = "plans"
"""Folder for plans, in the folder for sessions."""
SET_UP = "set-up.json"
"""What was set on the meter itself, in the folder for sessions."""


def start(
    settings: Settings,
    opened: Opened,
    *,
    calibration: Calibration | Exception | None,
    simulated: bool = False,
    root: Path = Path("/"),
    cells: Cells | None = None,
) -> Instrument:
    """Return the instrument on what could be opened, ready to run, its self-check done.

    calibration : what loading the file gave; None where the settings name none
    root : folder that stands for "/"
    cells : the gauge of the cells; None for a meter that has none
    """
    folder = Path(settings.files.folder) if settings.files.folder else None
    # Before this session has a folder of its own.
    earlier = run_file.unfinished(folder) if folder is not None else None
    menu = Menu(load_set_up(folder, settings))
    clock = _Clock(menu, root)
    trims = _Trims(folder, clock, opened.converter) if isinstance(opened.converter, Bands) else None
    parts = dict(opened.parts)
    logbook = open_logbook(settings, clock.now, parts)
    controls = opened.panel.controls
    meter = Meter(
        opened.converter,
        time=HostTime(),
        limits=limits_from(settings.verdict),
        update_s=settings.meter.update_s,
        window_s=settings.meter.window_s,
    )

    def comes_and_goes() -> Sequence[Fault]:
        return selfcheck.check_running(
            settings=settings,
            root=root,
            edges_hz=opened.edges_hz(),
            stuck=controls.stuck() if controls is not None else (),
            battery_low=controls.low_battery if controls is not None else None,
            cells_v=cells.volts if cells is not None and cells.low else None,
            isolators_ok=controls.isolators_ok if controls is not None else None,
        )

    good = calibration if isinstance(calibration, Calibration) else None
    plans = {
        plan.name: plan
        for plan in plan_files.choices(folder / PLANS if folder is not None else None).values()
        if isinstance(plan, Plan)
    }
    left_open = _GoesOn.of(earlier)
    menu.plans = (*((left_open.title,) if left_open is not None else ()), *plans)

    def start_run(name: str) -> Tuner | None:
        if logbook is None:
            return None
        if left_open is not None and name == left_open.title:
            return left_open.tuner(logbook, clock)
        plan = plans.get(name)
        if plan is None:
            return None
        record = beginning(
            plan,
            calibration=good,
            limits=meter.judge.limits,
            simulated=simulated,
            wall=clock.now(),
            boot_id=host_boot_id(),
            monotonic_s=time.monotonic(),
        )
        save = Newest(partial(_save_run, logbook), name="run").save
        return Tuner(Run(plan), keep=logbook.keep, save=save, record=record, wall=clock.now)

    today = datetime.datetime.now(datetime.UTC)
    return Instrument(
        meter=meter,
        panel=opened.panel,
        logbook=logbook,
        time=HostTime(),
        wall=time.time,
        menu=menu,
        about=About(
            serial=settings.meter.serial or (good.serial if good is not None else ""),
            versions=_versions(),
            calibrated_on=good.date if good is not None else None,
            calibrated_days=age_days(good, today.date()) if good is not None and clock.known else None,
            trims=trims.words if trims is not None else None,
            simulated=simulated,
            clock_known=clock.known,
        ),
        standing=selfcheck.check(
            settings=settings, parts=parts, calibration=calibration, now=today, root=root, simulated=simulated
        ),
        live_faults=comes_and_goes,
        changed=set_up_file(folder).save,
        start_run=start_run,
        # A run that was switched off is offered; one whose power was pulled goes on by itself.
        tuner=start_run(left_open.title) if left_open is not None and left_open.was_cut_off else None,
        notifier=Notifier(),
    )


def run(
    settings: Settings,
    opened: Opened,
    *,
    calibration: Calibration | Exception | None,
    for_s: float | None = None,
    simulated: bool = False,
    heed: Callable[[Reading], None] = lambda reading: None,
) -> int:
    """Run the instrument until it is asked to stop; return 0.

    for_s : stop by itself after this time [s]
    heed : told every reading, once it is shown
    """
    # The reader thread must have its turn within a third of a conversion, whatever the loop is computing.
    sys.setswitchinterval(SWITCH_S)
    cells = Cells(start=not simulated)
    instrument = start(settings, opened, calibration=calibration, simulated=simulated, cells=cells)
    for fault in instrument.standing:
        say(f"flattop: {fault}")
    end_s = time.monotonic() + for_s if for_s is not None else math.inf
    with contextlib.closing(cells), _stopping(instrument), Live() as line:
        for reading in instrument.run():
            line.show(reading, [fault.words for fault in instrument.faults if fault.rank < Rank.NOTE])
            heed(reading)
            if cells.empty and instrument.ending is None:
                say(f"flattop: the cells are down to {cells.volts:.2f} V; switching off before they are harmed")
                instrument.stop(Ending.POWER_OFF)
            if reading.time_s >= end_s:
                instrument.stop(Ending.FINISHED)
    _report(instrument)
    if instrument.ending is Ending.POWER_OFF:
        _ask_for_power_off()
    return 0


@contextlib.contextmanager
def _stopping(instrument: Instrument) -> Iterator[None]:
    """Let SIGTERM, SIGINT and SIGHUP ask for a safe stop, however often they come."""
    kinds = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)
    before = [signal.signal(kind, lambda *_: instrument.stop()) for kind in kinds]
    try:
        yield
    finally:
        for kind, handler in zip(kinds, before, strict=True):
            signal.signal(kind, handler)


def _report(instrument: Instrument) -> None:
    """Say in a line or two how it went."""
    turns = instrument.turns
    say(f"flattop: {instrument.ending}; {turns.count} readings, the longest turn took {1e3 * turns.longest_s:.0f} ms")
    if instrument.logbook is not None:
        status = instrument.logbook.status
        lost = f", {status.dropped} lost" if status.dropped else ""
        waiting = f", {status.waiting} not taken by the card in time" if status.waiting else ""
        say(f"flattop: {status.written} readings in {status.folder}, {status.kept} of them kept{lost}{waiting}")


def _ask_for_power_off() -> None:
    """Leave the request where the service manager looks for it: the meter itself has no right to switch off."""
    folder = os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0]
    if not folder:
        say("flattop: it is safe to switch off now")
        return
    try:
        (Path(folder) / POWER_OFF).touch()
    except OSError as error:
        say(f"flattop: the power cannot be switched off ({error.strerror}); switch it off by hand, it is safe now")


class _Trims:
    """The trims of the full-band converter: those of the last time, and each new one kept with its date."""

    def __init__(self, folder: Path | None, clock: _Clock, bands: Bands) -> None:
        self._clock = clock
        self._made = trims_file.load(folder) if folder is not None else {}
        for which, made in self._made.items():
            bands.apply(made.of(which))
        self._file = Newest(partial(trims_file.save, folder), name="trims") if folder is not None else None
        bands.trimmed = self._keep

    def _keep(self, trim: Trimmed) -> None:
        self._made = {**self._made, trim.input: trims_file.made(trim, self._clock.now())}
        if self._file is not None:
            self._file.save(self._made)

    @property
    def words(self) -> tuple[tuple[str, str], ...]:
        """For the about page, as they were at the start."""
        return tuple((str(which), made.words) for which, made in self._made.items())


@dataclass(frozen=True)
class _GoesOn:
    """A run that an earlier session left open."""

    folder: Path
    record: run_file.Run
    run: Run
    was_cut_off: bool
    """The power was pulled: a safe stop would have left a summary."""

    @classmethod
    def of(cls, earlier: tuple[Path, run_file.Run] | None) -> _GoesOn | None:
        """Return how to go on with it; None if there is none, or it cannot be gone on with."""
        if earlier is None:
            return None
        folder, record = earlier
        try:
            return cls(folder, record, going_on(record), not (folder / SUMMARY).exists())
        except PlanError:
            return None

    @property
    def title(self) -> str:
        """Its name in the list of plans."""
        return f"go on: {self.run.plan.name}"

    def tuner(self, logbook: Logbook, clock: _Clock) -> Tuner:
        """Return the run on its way again, in the present session, with all that it had kept."""
        logbook.keep_from(1 + max((kept.number for kept in self.record.kept), default=0))
        wall = clock.now()
        note = run_file.Note(wall_time=rfc3339(wall.unix_s), text=f"gone on with from session {self.folder.name}")

        def write(record: run_file.Run) -> None:
            session = _session_of(logbook)
            with contextlib.suppress(OSError):
                run_file.bring_along(record, self.folder, session)
            run_file.save(session, record)

        return Tuner(
            # A second start of the same begins where the first did.
            going_on(self.record),
            keep=logbook.keep,
            save=Newest(write, name="run").save,
            record=msgspec.structs.replace(self.record, notes=(*self.record.notes, note)),
            wall=clock.now,
        )


def _session_of(logbook: Logbook) -> Path:
    session = logbook.status.folder
    if session is None:
        raise StorageError("the card has not opened a session yet; see to the card")
    return session


def _save_run(logbook: Logbook, record: run_file.Run) -> None:
    run_file.save(_session_of(logbook), record)


Content = TypeVar("Content")


class _Clock:
    """The wall clock with what was set on the meter, and how far it is to be believed."""

    def __init__(self, menu: Menu, root: Path) -> None:
        self._menu, self._root = menu, root
        self._offset_s = self._ahead_s = 0.0

    def now(self) -> Wall:
        """Return the time to stamp a row with.

        What was set by hand runs on by the monotonic clock, whatever becomes of the host's; a network knows better.
        """
        host = datetime.datetime.now(datetime.UTC)
        offset_s = self._menu.set_up.clock_offset_s
        if offset_s != self._offset_s:
            self._offset_s, self._ahead_s = offset_s, host.timestamp() + offset_s - time.monotonic()
        trust = selfcheck.wall_trust(host, root=self._root)
        if offset_s == 0.0 or trust is Trust.NETWORK:
            return Wall(host.timestamp(), trust)
        return Wall(time.monotonic() + self._ahead_s, Trust.SET)

    @property
    def known(self) -> bool:
        """True if someone vouches for it."""
        return self.now().trust is not Trust.UNKNOWN


def _versions() -> tuple[tuple[str, str], ...]:
    return (("flattop", __version__), ("Python", platform.python_version()), ("numpy", np.__version__))


def load_set_up(folder: Path | None, settings: Settings) -> SetUp:
    """Return what was set on the meter when it was last on; what cannot be read is as built.

    The clock is not part of it: the host's may have stood still since.
    """
    built = SetUp(input=Input(settings.meter.input))
    if folder is None:
        return built
    try:
        found = msgspec.json.decode((folder / SET_UP).read_bytes(), type=SetUp)
    except (OSError, msgspec.MsgspecError):
        return built
    return replace(found, clock_offset_s=0.0)


class Newest(Generic[Content]):
    """Writes what changes now and then: one writer, which takes the newest, however slow the card is.

    write : puts it on the card; raises StorageError where that does not take it, and is tried again
    retry_s : how long after that [s]
    """

    def __init__(self, write: Callable[[Content], None], *, name: str, retry_s: float = SAVE_AGAIN_S) -> None:
        self._write, self._name, self._retry_s = write, name, retry_s
        self._lock = threading.Lock()
        self._wanted: list[Content] = []
        self._writing = False

    def save(self, content: Content) -> None:
        """Have it written, and return at once."""
        with self._lock:
            self._wanted = [content]
            if self._writing:
                return
            self._writing = True
        threading.Thread(target=self._go_on, name=self._name, daemon=True).start()

    def _go_on(self) -> None:
        while True:
            with self._lock:
                wanted, self._wanted = self._wanted, []
                if not wanted:
                    self._writing = False
                    return
            try:
                self._write(wanted[0])
            except StorageError:
                time.sleep(self._retry_s)
                with self._lock:
                    self._wanted = self._wanted or wanted


def set_up_file(folder: Path | None) -> Newest[Menu]:
    """Return what remembers the set-up in the folder for sessions, if there is one."""

    def write(menu: Menu) -> None:
        if folder is not None:
            write_durably(folder / SET_UP, msgspec.json.encode(menu.set_up))

    return Newest(write, name="set-up")


def load_calibration(settings: Settings) -> Calibration | CalibrationError | None:
    """Return the calibration that the settings name, or why it cannot be used: the meter then runs without."""
    if not settings.files.calibration:
        return None
    today = datetime.datetime.now().astimezone().date()
    try:
        return load(Path(settings.files.calibration), serial=settings.meter.serial, today=today)
    except CalibrationError as error:
        return error


def with_folder(settings: Settings, folder: Path | None, *, make: bool = False) -> Settings:
    """Return the settings with another folder for sessions, if one is given.

    make : make it, as no real meter may: where no card is mounted it would be the wrong place

    Raises StorageError if it cannot be made.
    """
    if folder is None:
        return settings
    if make:
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StorageError(
                f"the folder {folder} cannot be made ({error.strerror or error}); name another with --sessions"
            ) from error
    files = Files(calibration=settings.files.calibration, folder=str(folder))
    return msgspec.structs.replace(settings, files=files)
