"""The self-check at power-on: everything that is wrong with this meter at once, worst first, each with its remedy.

Whoever starts the meter opens its parts one by one and passes on what each of them gave, the part or the exception, so
that the meter runs with what is sound. Everything else is read from files below `root`. No hardware is touched here.

Sources of the files: the kernel's Documentation/hwmon/raspberrypi-hwmon.rst (under-voltage; `get_throttled` is what
kernels before 4.19 had instead, and newer ones warn in their log when it is read), Documentation/ABI/testing/
sysfs-class-rtc (clock chip), Documentation/sound/designs/procfile.rst (cards by name), Raspberry Pi documentation,
"Frequency management and thermal control" (80 °C) and "config.txt", and systemd-time-wait-sync(8) (network time).
"""

from __future__ import annotations

import datetime
import importlib.metadata
import importlib.util
import os
import platform
import re
import shutil
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from enum import IntEnum, StrEnum
from pathlib import Path

from packaging.requirements import Requirement

from flattop import __version__
from flattop.calibration import Calibration, age_days
from flattop.converters.ads1015 import EDGES_SHARE
from flattop.converters.ads1015_chip import BUS_HZ, bus_hz
from flattop.errors import ConverterSilent, listed
from flattop.panel.buttons import Button
from flattop.record.stamps import Trust
from flattop.settings import Settings
from flattop.supply import EMPTY_V, LOW_V, number_in, temperature_c, text_in, under_voltage

LONGEST_WORDS = 20
"""Characters that the screen has room for."""
FREE_BYTES = 50_000_000
"""Least room on the card; a session of a day takes less than half of it."""
CALIBRATED_DAYS = 365
"""Age from which a calibration is worth a note; common practice, no source."""
HOT_C = 80.0
"""From here on the processor is slowed down [°C]."""
FIRST_WALL = datetime.datetime(2025, 1, 1, tzinfo=datetime.UTC)
"""No meter is older; a clock that says less was never set."""
AGREE_S = 5.0
"""Two clocks that are closer than this tell the same time [s]; the chip itself counts whole seconds."""
TRIAL = ".flattop-trial"
"""File that is written to see whether the card takes one."""
CODEC_OVERLAY = "flattop-codec"
"""Overlay of the device tree that makes the full-band converter a sound card; the installer compiles it."""

CLOCK_WORDS = ("clock not set", "clock unsure")
"""Words of the faults that are gone once the time was set by hand."""


class Rank(IntEnum):
    """How bad a fault is; anything before NOTE belongs on the measuring page."""

    BLIND = 0
    """There are no readings."""
    POWER = 1
    """The meter may go off or slow down at any moment."""
    NUMBERS = 2
    """There are readings, less certain ones or fewer of them."""
    PANEL = 3
    """Something that shows, sounds or can be pressed does not work."""
    RECORD = 4
    """Readings are shown, but not kept."""
    NOTE = 5
    """Everything works; there is something to know."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong."""

    rank: Rank
    words: str
    """For the screen, at most LONGEST_WORDS characters."""
    detail: str
    """What, measured against what is allowed."""
    remedy: str

    def __str__(self) -> str:
        return f"{self.words}: {self.detail}; {self.remedy}"


class Part(StrEnum):
    """What is opened one by one at start-up."""

    CONVERTER = "converter"
    SCREEN = "screen"
    LAMP = "lamp"
    SOUNDER = "sounder"
    BUTTONS = "buttons"
    CARD = "card"


_OPENED: Mapping[Part, tuple[Rank, str, str]] = {
    Part.CONVERTER: (Rank.BLIND, "no converter", "check the converter's supply and the wiring of SDA and SCL"),
    Part.SCREEN: (Rank.PANEL, "no screen", "check the panel's supply and its SPI, DC and RST lines"),
    Part.LAMP: (Rank.PANEL, "no lamp", "check the lamp's pins and that nothing else uses them"),
    Part.SOUNDER: (Rank.PANEL, "no sounder", "check the sounder's pin and that nothing else uses it"),
    Part.BUTTONS: (Rank.PANEL, "no buttons", "check the buttons' pins and that nothing else uses them"),
    Part.CARD: (Rank.RECORD, "card not writing", "check the card, its free space and who may write"),
}


def check(
    *,
    settings: Settings,
    parts: Mapping[Part, object],
    calibration: Calibration | Exception | None,
    now: datetime.datetime,
    root: Path = Path("/"),
    simulated: bool = False,
    set_by_hand: bool = False,
    user_id: int | None = None,
    find: Callable[[str], str | None] = shutil.which,
) -> list[Fault]:
    """Return what is wrong at start and will not go away by itself, worst first.

    parts : what opening each part gave, the part or its exception; one that is left out was not tried
    calibration : what loading the file gave; None where the settings name none
    now : the wall clock, with its time zone
    root : folder that stands for "/"
    simulated : True on the simulated board, which has no bus, no clock chip and no installation to look at
    set_by_hand : True if the wall clock was set on the set-up page since power-on
    user_id : of this process; None for the real one
    find : gives the path of a program, None where there is none
    """
    wall = now.astimezone(datetime.UTC)
    faults = [*_unopened(parts), *_card(settings.files.folder, root, parts), *_calibration(settings, calibration, wall)]
    if not simulated:
        faults += _slow_bus(parts, root)
        faults += _codec(settings, root, find)
        faults += _clock(wall, root, settings.files.folder, set_by_hand)
        faults += _house(settings, os.getuid() if user_id is None else user_id)
        faults += versions_amiss()
    return worst_first(faults)


def check_running(
    *,
    settings: Settings,
    root: Path = Path("/"),
    edges_hz: float | None = None,
    stuck: Collection[Button] = (),
    battery_low: bool | None = None,
    cells_v: float | None = None,
    isolators_ok: bool | None = None,
) -> list[Fault]:
    """Return what is wrong now and may come and go, worst first; quick enough to be asked once a second.

    root : folder that stands for "/"
    edges_hz : falling edges of the ready line in a second [Hz]; None if it is not wired or not known yet
    stuck : buttons that have been down since the start
    battery_low : True while the battery's warning line is active; None if it is not wired
    cells_v : voltage of cells that are to be charged [V]; None while they are not, or where nobody knows
    isolators_ok : False while the isolators' fault line (DIAG, low on a fault) is low; None if it is not wired
    """
    faults = [*_power(root, battery_low, cells_v), *_ready_line(settings, edges_hz), *_stuck(stuck)]
    if isolators_ok is False:
        detail = "the isolators' fault line is low; allowed is high: what is read may be far from what is there"
        remedy = "treat the leads as live, unclip, and check the supply of the front end"
        faults.append(Fault(Rank.BLIND, "isolator fault", detail, remedy))
    return worst_first(faults)


def worst_first(faults: Iterable[Fault]) -> list[Fault]:
    """Return `faults` by rank; those of one rank stay in their order."""
    return sorted(faults, key=lambda fault: fault.rank)


# -- what is opened ---------------------------------------------------------------------------------------------------


def _unopened(parts: Mapping[Part, object]) -> Iterator[Fault]:
    for part, (rank, words, remedy) in _OPENED.items():
        error = parts.get(part)
        if not isinstance(error, BaseException):
            continue
        if isinstance(error, ConverterSilent):
            words = "converter silent"
        if part is Part.CARD and "another process" in str(error):
            words = "card in use"
        detail, remedy = _told(error, remedy)
        yield Fault(rank, words, f"the {part} cannot be used ({detail})", remedy)


def _told(error: BaseException, otherwise: str) -> tuple[str, str]:
    """Split an error's message into what is wrong and what to do, which stands behind its last semicolon."""
    text = " ".join(str(error).split()) or type(error).__name__
    detail, found, remedy = text.rpartition("; ")
    return (detail, remedy) if found else (text, otherwise)


def _slow_bus(parts: Mapping[Part, object], root: Path) -> Iterator[Fault]:
    clock_hz = bus_hz(root / "sys/class/i2c-adapter")
    # The converter that was not opened because of it has said so already.
    if clock_hz is None or clock_hz >= BUS_HZ or f"{clock_hz} Hz" in str(parts.get(Part.CONVERTER)):
        return
    yield Fault(
        Rank.NUMBERS,
        "I2C bus too slow",
        f"the I2C bus runs at {clock_hz} Hz; allowed is {BUS_HZ} Hz or more, or conversions are missed",
        f"set dtparam=i2c_arm_baudrate={BUS_HZ} in the boot configuration",
    )


def _codec(settings: Settings, root: Path, find: Callable[[str], str | None]) -> Iterator[Fault]:
    """Look at all that the full-band converter is read with; a meter without it measures bass tones only."""
    if settings.codec.enabled == "no":
        return
    without = 'or set codec.enabled = "no" to do without the full-band converter'
    if find("arecord") is None:
        detail = "arecord, which reads the full-band converter, is not installed"
        yield Fault(Rank.NUMBERS, "no arecord", detail, f"install the package alsa-utils, {without}")
    card = re.search(r"CARD=([^,]+)", settings.codec.device)
    if card is None:
        return
    missing = _overlay_missing(root / "boot/firmware") if card[1] == "flattop" else ""
    if missing:
        yield Fault(Rank.NUMBERS, "no codec overlay", missing, f"run firmware/deploy/install again, {without}")
    elif not (root / "proc/asound" / card[1]).exists():
        detail = f"ALSA has no card {card[1]}, the full-band converter (/proc/asound/cards)"
        remedy = f"start the meter again if the overlay is new, check the I2S lines (dmesg names the cause), {without}"
        yield Fault(Rank.NUMBERS, "no codec card", detail, remedy)


def _overlay_missing(boot: Path) -> str:
    """Return what the boot partition lacks of the overlay; "" if nothing, or if there is no boot partition to see."""
    lines = text_in(boot / "config.txt").splitlines()
    if "include flattop.txt" in lines:
        lines += text_in(boot / "flattop.txt").splitlines()
    if lines and f"dtoverlay={CODEC_OVERLAY}" not in lines:
        return f"no line dtoverlay={CODEC_OVERLAY} in the boot configuration, so the full-band converter has no driver"
    place = boot / "overlays" / f"{CODEC_OVERLAY}.dtbo"
    return f"{place} is missing, the overlay of the full-band converter" if lines and not place.exists() else ""


def _ready_line(settings: Settings, edges_hz: float | None) -> Iterator[Fault]:
    if edges_hz is None or settings.ads1015.alert_gpio < 0:
        return
    low_hz, high_hz = (share * settings.ads1015.rate for share in EDGES_SHARE)
    if low_hz <= edges_hz <= high_hz:
        return
    yield Fault(
        Rank.NUMBERS,
        "ready line silent" if edges_hz == 0 else "ready line odd",
        f"GPIO {settings.ads1015.alert_gpio} gave {edges_hz:.0f} edges a second; "
        f"allowed is {low_hz:.0f} to {high_hz:.0f} at {settings.ads1015.rate} conversions a second",
        "check the wire from ALERT/RDY and its pull-up, or set alert_gpio = -1 to do without",
    )


def _stuck(stuck: Collection[Button]) -> Iterator[Fault]:
    names = [str(button) if button is Button.FOOT else f"button {button}" for button in sorted(stuck)]
    if names:
        yield Fault(
            Rank.PANEL,
            f"{names[0]} stuck" if len(names) == 1 else "buttons stuck",
            f"{', '.join(names)} down since the start; allowed is none",
            "let go of it, free it or unplug it; it counts again once it has been let go of",
        )


# -- supply and heat --------------------------------------------------------------------------------------------------


def _power(root: Path, battery_low: bool | None, cells_v: float | None) -> Iterator[Fault]:
    if cells_v is not None:
        detail = (
            f"the cells are at {cells_v:.2f} V; allowed is {LOW_V:.2f} V or more, and at {EMPTY_V:.2f} V the meter "
        )
        yield Fault(Rank.POWER, "battery low", f"{detail}switches itself off", "charge the battery")
    elif battery_low:
        yield Fault(
            Rank.POWER, "battery low", "the battery's warning line is active; allowed is inactive", "charge the battery"
        )
    if under_voltage(root):
        yield Fault(
            Rank.POWER,
            "supply too low",
            "the processor's own supply alarm is on; allowed is off",
            "charge the battery; if that does not help, check the 5 V converter and its leads",
        )
    heat_c = temperature_c(root)
    if heat_c is not None and heat_c >= HOT_C:
        yield Fault(
            Rank.POWER,
            "too hot",
            f"the processor is at {heat_c:.0f} °C; allowed is less than {HOT_C:.0f} °C, where it is slowed down",
            "take the meter out of the sun and let it cool",
        )


# -- card and calibration ---------------------------------------------------------------------------------------------


def _card(named: str, root: Path, parts: Mapping[Part, object]) -> Iterator[Fault]:
    """Look at the folder for sessions; a logbook that is at work in it tells all itself but how much room is left."""
    logbook = parts.get(Part.CARD)
    if isinstance(logbook, BaseException):
        return
    if not named:
        yield Fault(
            Rank.RECORD, "nothing is kept", "files.folder in the settings is empty", "name a folder on the card"
        )
        return
    folder = _below(root, named)
    if not folder.is_dir():
        if logbook is not None:
            return
        yield Fault(
            Rank.RECORD,
            "no card",
            f"the folder {named} does not exist",
            "put the card in, or check its partition and files.folder in the settings",
        )
        return
    try:
        free = shutil.disk_usage(folder).free
        if free < FREE_BYTES:
            yield Fault(
                Rank.RECORD,
                "card full",
                f"{free / 1e6:.0f} MB are free at {named}; allowed is {FREE_BYTES / 1e6:.0f} MB or more",
                "copy old sessions to a stick, then delete them",
            )
        if logbook is None:
            trial = folder / TRIAL
            trial.write_bytes(b"flattop")
            trial.unlink()
    except OSError as error:
        yield Fault(
            Rank.RECORD,
            "card read-only",
            f"{named} does not take a file ({error.strerror or error})",
            "check the card's lock, its file system and that the user of the service owns the folder",
        )


def _calibration(settings: Settings, found: Calibration | Exception | None, wall: datetime.datetime) -> Iterator[Fault]:
    serial = settings.meter.serial
    if isinstance(found, Exception):
        detail, remedy = _told(found, "restore a copy, or calibrate again")
        yield Fault(Rank.NUMBERS, "bad calibration", f"volts are uncalibrated: {detail}", remedy)
    elif found is None:
        yield Fault(
            Rank.NOTE,
            "no calibration",
            "files.calibration in the settings is empty: volts are those of the nominal circuit, with more uncertainty",
            "calibrate this meter and name the file",
        )
    elif serial and found.serial != serial:
        yield Fault(
            Rank.NUMBERS,
            "foreign calibration",
            f"the calibration is of the meter {found.serial}; allowed is {serial}, the serial number of this one",
            "name the file of this meter",
        )
    elif (days := age_days(found, wall.date())) > CALIBRATED_DAYS:
        yield Fault(
            Rank.NOTE,
            "calibration is old",
            f"the calibration is {days} days old; allowed is {CALIBRATED_DAYS} days",
            "calibrate again",
        )


# -- wall clock -------------------------------------------------------------------------------------------------------


def wall_trust(
    now: datetime.datetime,
    *,
    root: Path = Path("/"),
    set_by_hand: bool = False,
    not_before: datetime.datetime = FIRST_WALL,
) -> Trust:
    """Return where the time of the wall clock comes from.

    The clock chip vouches for it only while both agree within AGREE_S: that it is there does not mean that it was read.
    """
    if now < not_before:
        return Trust.UNKNOWN
    if (root / "run/systemd/timesync/synchronized").exists():
        return Trust.NETWORK
    if set_by_hand:
        return Trust.SET
    chip_s = _chip_s(root)
    return Trust.CHIP if chip_s is not None and abs(chip_s - now.timestamp()) <= AGREE_S else Trust.UNKNOWN


def newest_trace(root: Path = Path("/"), folder: str = "") -> tuple[datetime.datetime, str]:
    """Return the latest time that this meter has certainly seen, and what says so.

    That is when its program was installed, a session was begun, or the network last told the time; the clock cannot be
    right if it says less.
    """
    traces = [Path(__file__), root / "var/lib/systemd/timesync/clock"]
    if folder:
        traces.append(_below(root, folder))
    seen = [(FIRST_WALL, f"flattop {__version__}")]
    for trace in traces:
        try:
            seen.append((datetime.datetime.fromtimestamp(trace.stat().st_mtime, datetime.UTC), str(trace)))
        except (OSError, ValueError, OverflowError):
            continue
    return max(seen)


def _clock(wall: datetime.datetime, root: Path, folder: str, set_by_hand: bool) -> Iterator[Fault]:
    not_before, trace = newest_trace(root, folder)
    # The trial on the card has just changed its folder, and a card may count in steps of 2 s.
    not_before -= datetime.timedelta(seconds=AGREE_S)
    if wall < not_before:
        yield Fault(
            Rank.NOTE,
            CLOCK_WORDS[0],
            f"the clock says {wall:%Y-%m-%d %H:%M} UTC; allowed is {not_before:%Y-%m-%d %H:%M}, the age of {trace}, "
            "or later",
            "set the time on the set-up page, or connect to a network once",
        )
        return
    if wall_trust(wall, root=root, set_by_hand=set_by_hand) is not Trust.UNKNOWN:
        return
    chip_s = _chip_s(root)
    if not (root / "dev/rtc0").exists():
        detail, remedy = "there is no clock chip (/dev/rtc0)", "check the chip and dtoverlay=i2c-rtc"
    elif chip_s is None:
        detail, remedy = "the clock chip has lost its time", "replace its battery, then set the time"
    else:
        apart_s = abs(chip_s - wall.timestamp())
        detail = f"clock and clock chip are {apart_s:.0f} s apart; allowed is {AGREE_S:.0f} s"
        remedy = "set the time on the set-up page"
    yield Fault(Rank.NOTE, CLOCK_WORDS[1], f"{detail}, and no network has told the time", remedy)


def _chip_s(root: Path) -> int | None:
    """Return the clock chip's time in seconds since 1970; None if there is none or it does not know."""
    return number_in(root / "sys/class/rtc/rtc0/since_epoch")


# -- the program and where it runs ------------------------------------------------------------------------------------


def _house(settings: Settings, user_id: int) -> Iterator[Fault]:
    if user_id == 0:
        yield Fault(
            Rank.NOTE, "runs as root", "the user is root; allowed is one without rights", "start it as the service does"
        )
    if not settings.meter.serial:
        yield Fault(
            Rank.NOTE,
            "no serial number",
            "meter.serial in the settings is empty: the calibration of another meter would be accepted",
            "write the number of this meter there",
        )


def versions_amiss(
    requirements: Iterable[str] | None = None,
    version_of: Callable[[str], str] = importlib.metadata.version,
    python: str = platform.python_version(),
    machine: str = platform.machine(),
) -> Iterator[Fault]:
    """Yield a fault for each library that is missing or not of a version that the package asks for.

    requirements : as in the package's metadata; None for those of the installed package, none if it is not installed
    python, machine : what this runs on
    """
    here = {
        "extra": "pi",
        "platform_machine": machine,
        "python_full_version": python,
        "python_version": ".".join(python.split(".")[:2]),
    }
    for stated in _stated() if requirements is None else requirements:
        wanted = Requirement(stated)
        if wanted.marker is not None and not wanted.marker.evaluate(here):
            continue
        try:
            held = python if wanted.name == "python" else version_of(wanted.name)
        except importlib.metadata.PackageNotFoundError:
            held = ""
        if not held or not wanted.specifier.contains(held, prereleases=True):
            yield Fault(
                Rank.NOTE,
                "wrong version",
                f"{wanted.name} is {held or 'not installed'}; allowed is {wanted.specifier or 'any version'}",
                "run firmware/deploy/install again",
            )


def _stated() -> list[str]:
    try:
        found = importlib.metadata.metadata("flattop")
    except importlib.metadata.PackageNotFoundError:
        return []
    python = [f"python{limits}" for limits in found.get_all("Requires-Python") or []]
    return [*python, *(found.get_all("Requires-Dist") or [])]


# -- not on a meter ---------------------------------------------------------------------------------------------------

_LIBRARIES = ("board", "adafruit_ads1x15", "adafruit_rgb_display", "gpiozero", "lgpio")
_RIGHTS = os.R_OK | os.W_OK


def on_a_pi(root: Path = Path("/")) -> bool:
    """Tell whether the device tree is that of a Raspberry Pi."""
    return "Raspberry Pi" in text_in(root / "proc/device-tree/model")


def missing_off_a_pi(
    settings: Settings,
    *,
    root: Path = Path("/"),
    allowed: Callable[[Path, int], bool] = os.access,
    has_library: Callable[[str], bool] | None = None,
) -> str:
    """Return one message on everything that a meter has and this machine has not; "" if nothing is missing.

    It is for a machine that is no Raspberry Pi, and for one on which nothing at all could be opened.
    """
    faults = []
    if not on_a_pi(root):
        model = text_in(root / "proc/device-tree/model") or f"{platform.system()} on {platform.machine()}"
        faults.append(
            f"this machine is no Raspberry Pi ({model}); run on the meter, or choose --board simulated to try it here"
        )
    libraries = [name for name in _LIBRARIES if not (has_library or _has_library)(name)]
    if libraries:
        faults.append(f"Python libraries are missing: {', '.join(libraries)}; run firmware/deploy/install on the meter")
    devices = (
        ("i2c-1", "the I2C bus of the converter", "i2c", "set dtparam=i2c_arm=on and load the module i2c-dev"),
        ("spidev0.0", "the SPI bus of the screen", "spi", "set dtparam=spi=on"),
        ("gpiochip*", "the pins of lamp, sounder and buttons", "gpio", "check that the kernel is a Raspberry Pi's"),
    )
    for name, meaning, group, remedy in devices:
        found = sorted((root / "dev").glob(name))
        if not found:
            faults.append(f"/dev/{name} is missing, {meaning}; {remedy}")
        elif not any(allowed(path, _RIGHTS) for path in found):
            faults.append(
                f"/dev/{found[0].name}, {meaning}, may not be read and written by this user; "
                f"add the user to the group {group}, then log in again"
            )
    folder = settings.files.folder
    if not folder:
        faults.append("no folder for sessions is named; set files.folder in the settings")
    elif not (_below(root, folder).is_dir() and allowed(_below(root, folder), _RIGHTS)):
        faults.append(f"the folder for sessions, {folder}, is missing or not writable; make it, and own it")
    return listed("this is not a working meter:", faults) if faults else ""


def _has_library(name: str) -> bool:
    try:
        return importlib.util.find_spec(name) is not None
    except (ImportError, ValueError):
        return False


# -- files ------------------------------------------------------------------------------------------------------------


def _below(root: Path, named: str) -> Path:
    """Return the place of an absolute path below `root`; a relative one stays where it is."""
    path = Path(named)
    return root / path.relative_to(path.anchor) if path.is_absolute() else path
