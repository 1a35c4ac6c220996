"""The self-check on trees of files that look like a meter's, sound and with one thing or everything wrong."""

from __future__ import annotations

import datetime
import os
import shutil
import time
from contextlib import ExitStack
from types import SimpleNamespace

import pytest

from flattop import selfcheck
from flattop.calibration import Calibration
from flattop.errors import ConverterMissing, ConverterSilent, PanelError, StorageError
from flattop.panel.buttons import Button
from flattop.record.logbook import Logbook
from flattop.record.stamps import Trust
from flattop.selfcheck import (
    LONGEST_WORDS,
    Part,
    Rank,
    check,
    check_running,
    missing_off_a_pi,
    on_a_pi,
    versions_amiss,
    wall_trust,
    worst_first,
)
from flattop.settings import Ads1015, Codec, Files, Meter, Settings
from flattop.supply import temperature_c, under_voltage

UTC = datetime.UTC
CARD = "/var/lib/flattop/sessions"
SETTINGS = Settings(meter=Meter(serial="FT-0007"), files=Files(folder=CARD, calibration="calibration.toml"))
SOUND = {part: object() for part in Part if part is not Part.CARD}
LIVE = {"edges_hz", "stuck", "battery_low", "cells_v", "isolators_ok"}


def calibrated(serial="FT-0007", days=30):
    day = datetime.datetime.now(UTC).date() - datetime.timedelta(days=days)
    return Calibration(serial, day, "bench reference", 0.05, {})


class Tree:
    """A folder that stands for "/"."""

    def __init__(self, root):
        self.root = root

    def put(self, path, content=""):
        place = self.root / path.lstrip("/")
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(content if isinstance(content, bytes) else content.encode())
        return place


@pytest.fixture
def tree(tmp_path):
    """Return the files of a sound meter."""
    tree = Tree(tmp_path / "root")
    # Contents as the kernel's documents describe them: a big-endian 32-bit cell, thousandths of a degree, 0 or 1.
    tree.put("sys/class/i2c-adapter/i2c-1/of_node/clock-frequency", (400_000).to_bytes(4, "big"))
    tree.put("sys/class/thermal/thermal_zone0/temp", "48312\n")
    tree.put("sys/class/hwmon/hwmon0/name", "cpu_thermal\n")
    tree.put("sys/class/hwmon/hwmon1/name", "rpi_volt\n")
    tree.put("sys/class/hwmon/hwmon1/in0_lcrit_alarm", "0\n")
    tree.put("sys/class/rtc/rtc0/since_epoch", f"{time.time():.0f}\n")
    tree.put("proc/device-tree/model", b"Raspberry Pi 4 Model B Rev 1.4\0")
    # As the installer leaves the boot partition; ALSA shows a card below its name.
    tree.put("boot/firmware/config.txt", "auto_initramfs=1\n\n[all]\ninclude flattop.txt\n")
    tree.put("boot/firmware/flattop.txt", "[all]\ndtparam=spi=on\ndtoverlay=flattop-codec\n")
    tree.put("boot/firmware/overlays/flattop-codec.dtbo")
    tree.put("proc/asound/flattop")
    for device in ("rtc0", "i2c-1", "spidev0.0", "gpiochip0"):
        tree.put(f"dev/{device}")
    (tree.root / CARD.lstrip("/")).mkdir(parents=True)
    return tree


@pytest.fixture
def faults_of(tree):
    """Return how to check the tree, all sound but for what is given."""

    def run(**changed):
        given = {
            "settings": SETTINGS,
            "parts": SOUND,
            "calibration": calibrated(),
            "now": datetime.datetime.now(UTC),
            "root": tree.root,
            "edges_hz": 3281.0,
            "battery_low": False,
            "isolators_ok": True,
            "user_id": 990,
            "find": lambda program: f"/usr/bin/{program}",
        }
        given |= changed
        standing = {key: value for key, value in given.items() if key not in LIVE}
        live = {key: value for key, value in given.items() if key in {*LIVE, "settings", "root"}}
        found = worst_first([*check(**standing), *check_running(**live)])
        for fault in found:
            assert 0 < len(fault.words) <= LONGEST_WORDS, fault
            assert fault.detail, fault
            assert fault.remedy, fault
        return found

    return run


def words(found):
    return [fault.words for fault in found]


def test_a_sound_meter_has_no_faults_and_the_card_is_left_as_it_was(faults_of, tree):
    assert faults_of() == []
    assert list((tree.root / CARD.lstrip("/")).iterdir()) == []


def test_everything_at_once_is_told_worst_first(faults_of, tree):
    tree.put("sys/class/i2c-adapter/i2c-1/of_node/clock-frequency", (100_000).to_bytes(4, "big"))
    tree.put("sys/class/thermal/thermal_zone0/temp", "84900\n")
    tree.put("sys/class/hwmon/hwmon1/in0_lcrit_alarm", "1\n")
    shutil.rmtree(tree.root / CARD.lstrip("/"))
    (tree.root / "proc/asound/flattop").unlink()
    (tree.root / "dev/rtc0").unlink()
    (tree.root / "sys/class/rtc/rtc0/since_epoch").unlink()
    found = faults_of(
        settings=Settings(files=Files(folder=CARD)),
        parts={part: PanelError(f"{part} does not answer; look at it") for part in Part if part is not Part.CARD}
        | {Part.CONVERTER: ConverterMissing("nothing answers at I2C address 0x48; check its supply")},
        calibration=None,
        edges_hz=0.0,
        stuck=[Button.C, Button.A],
        battery_low=True,
        isolators_ok=False,
        user_id=0,
        find=lambda program: None,
    )
    assert words(found) == [
        "no converter",
        "isolator fault",
        "battery low",
        "supply too low",
        "too hot",
        "I2C bus too slow",
        "no arecord",
        "no codec card",
        "ready line silent",
        "no screen",
        "no lamp",
        "no sounder",
        "no buttons",
        "buttons stuck",
        "no card",
        "no calibration",
        "clock unsure",
        "runs as root",
        "no serial number",
    ]
    assert [fault.rank for fault in found] == sorted(fault.rank for fault in found)
    assert found[0].remedy == "check its supply"
    assert "nothing answers at I2C address 0x48" in found[0].detail
    assert "100000 Hz; allowed is 400000 Hz" in found[5].detail
    assert "85 °C; allowed is less than 80 °C" in found[4].detail
    assert "button A, button C down" in found[13].detail
    assert str(found[0]).startswith("no converter: ")


@pytest.mark.parametrize(
    ("part", "error", "rank", "told"),
    [
        (Part.CONVERTER, ConverterSilent("no answer within 0.1 s; check its supply"), Rank.BLIND, "converter silent"),
        (Part.CONVERTER, RuntimeError(), Rank.BLIND, "no converter"),  # what a library raises may say nothing
        (Part.SCREEN, PanelError("no SPI"), Rank.PANEL, "no screen"),
        (Part.CARD, StorageError("the card is full"), Rank.RECORD, "card not writing"),
    ],
)
def test_what_cannot_be_opened_is_a_fault_and_not_an_exception(faults_of, part, error, rank, told):
    (fault,) = faults_of(parts=SOUND | {part: error})
    assert (fault.rank, fault.words) == (rank, told)


def test_a_card_that_another_process_holds_is_told_as_such(faults_of, tmp_path):
    with ExitStack() as opened:
        opened.callback(Logbook(tmp_path).close, 5.0)
        with pytest.raises(StorageError) as refused:
            Logbook(tmp_path)
    assert words(faults_of(parts=SOUND | {Part.CARD: refused.value})) == ["card in use"]


def test_a_bus_that_kept_the_converter_from_opening_is_told_once(faults_of, tree):
    tree.put("sys/class/i2c-adapter/i2c-1/of_node/clock-frequency", (100_000).to_bytes(4, "big"))
    error = ConverterMissing("the I2C bus runs at 100000 Hz; allowed is 400000 Hz or more; set i2c_arm_baudrate")
    assert words(faults_of(parts=SOUND | {Part.CONVERTER: error})) == ["no converter"]


@pytest.mark.parametrize(
    ("edges_hz", "told"), [(0.0, ["ready line silent"]), (300.0, ["ready line odd"]), (9000.0, ["ready line odd"])]
)
def test_a_ready_line_that_does_not_tick_is_told(faults_of, edges_hz, told):
    assert words(faults_of(edges_hz=edges_hz)) == told
    unwired = Settings(meter=SETTINGS.meter, files=SETTINGS.files, ads1015=Ads1015(alert_gpio=-1))
    assert faults_of(edges_hz=edges_hz, settings=unwired) == []


@pytest.mark.parametrize(
    ("stuck", "told"),
    [([Button.B], "button B stuck"), ([Button.FOOT], "foot switch stuck"), (list(Button), "buttons stuck")],
)
def test_stuck_buttons_are_told(faults_of, stuck, told):
    assert words(faults_of(stuck=stuck)) == [told]


# -- full-band converter and isolators --------------------------------------------------------------------------------


def without_overlay_line(tree):
    tree.put("boot/firmware/flattop.txt", "[all]\n#dtoverlay=flattop-codec\n")


def without_include(tree):
    tree.put("boot/firmware/config.txt", "auto_initramfs=1\n")


def without_overlay_file(tree):
    (tree.root / "boot/firmware/overlays/flattop-codec.dtbo").unlink()


def without_card(tree):
    (tree.root / "proc/asound/flattop").unlink()


@pytest.mark.parametrize(
    ("broken", "told", "detail"),
    [
        (without_overlay_line, "no codec overlay", "no line dtoverlay=flattop-codec"),
        (without_include, "no codec overlay", "no line dtoverlay=flattop-codec"),
        (without_overlay_file, "no codec overlay", "flattop-codec.dtbo is missing"),
        (without_card, "no codec card", "ALSA has no card flattop"),
    ],
)
def test_a_full_band_converter_that_cannot_be_read_is_told_once(faults_of, tree, broken, told, detail):
    broken(tree)
    (fault,) = faults_of()
    assert (fault.rank, fault.words) == (Rank.NUMBERS, told)
    assert detail in fault.detail
    assert 'codec.enabled = "no"' in fault.remedy
    # An overlay that is not loaded has no card either: the cause is told, and not what follows from it.
    if broken is not without_card:
        without_card(tree)
        assert words(faults_of()) == [told]
    assert faults_of(settings=Settings(meter=SETTINGS.meter, files=SETTINGS.files, codec=Codec(enabled="no"))) == []


def test_arecord_is_missed_only_where_it_is_wanted(faults_of):
    (fault,) = faults_of(find=lambda program: None)
    assert (fault.rank, fault.words) == (Rank.NUMBERS, "no arecord")
    assert "alsa-utils" in fault.remedy
    without = Settings(meter=SETTINGS.meter, files=SETTINGS.files, codec=Codec(enabled="no"))
    assert faults_of(find=lambda program: None, settings=without) == []


def test_another_sound_device_needs_its_own_card_and_not_our_overlay(faults_of, tree):
    without_include(tree)
    other = Settings(meter=SETTINGS.meter, files=SETTINGS.files, codec=Codec(device="hw:CARD=bench,DEV=0"))
    assert words(faults_of(settings=other)) == ["no codec card"]
    tree.put("proc/asound/bench")
    assert faults_of(settings=other) == []
    unnamed = Settings(meter=SETTINGS.meter, files=SETTINGS.files, codec=Codec(device="hw:0"))
    assert faults_of(settings=unnamed) == []


@pytest.mark.parametrize("line", [True, False, None])
def test_cells_to_be_charged_are_told_once_with_their_voltage(faults_of, line):
    (fault,) = faults_of(cells_v=3.347, battery_low=line)
    assert (fault.rank, fault.words, fault.remedy) == (Rank.POWER, "battery low", "charge the battery")
    assert "at 3.35 V; allowed is 3.40 V or more, and at 3.20 V the meter switches itself off" in fault.detail


def test_an_isolator_in_trouble_leaves_the_meter_blind(faults_of):
    (fault,) = faults_of(isolators_ok=False)
    assert (fault.rank, fault.words) == (Rank.BLIND, "isolator fault")
    assert "live" in fault.remedy
    assert faults_of(isolators_ok=None) == []


# -- card -------------------------------------------------------------------------------------------------------------


def test_a_full_card_is_told_with_what_is_left(faults_of, monkeypatch):
    monkeypatch.setattr(shutil, "disk_usage", lambda folder: SimpleNamespace(free=49_900_000))
    (fault,) = faults_of()
    assert fault.words == "card full"
    assert "50 MB are free" in fault.detail
    monkeypatch.setattr(shutil, "disk_usage", lambda folder: SimpleNamespace(free=50_000_000))
    assert faults_of() == []


def test_a_read_only_card_is_told(faults_of, tree):
    # The kernel's own folder takes no files, not even from root.
    sys_folder = tree.root / "card"
    sys_folder.symlink_to("/sys/kernel")
    settings = Settings(meter=SETTINGS.meter, files=Files(folder="/card", calibration="x"))
    told = words(faults_of(settings=settings))
    assert "card read-only" in told


def test_a_logbook_at_work_tells_of_its_card_itself(faults_of, tree, monkeypatch):
    parts = SOUND | {Part.CARD: object()}
    monkeypatch.setattr(shutil, "disk_usage", lambda folder: SimpleNamespace(free=1_000_000))
    assert words(faults_of(parts=parts)) == ["card full"]
    shutil.rmtree(tree.root / CARD.lstrip("/"))
    assert faults_of(parts=parts) == []
    assert words(faults_of()) == ["no card"]


def test_the_simulated_board_has_no_house_to_look_at(faults_of, tree):
    for folder in ("sys", "dev", "proc", "boot"):
        shutil.rmtree(tree.root / folder)
    bare = Settings(files=SETTINGS.files)
    assert words(faults_of(simulated=True, user_id=0, settings=bare)) == []
    assert words(faults_of(user_id=0, settings=bare)) == [
        "no codec card",
        "clock unsure",
        "runs as root",
        "no serial number",
    ]


def test_no_folder_named_is_told(faults_of):
    assert words(faults_of(settings=Settings(meter=SETTINGS.meter))) == ["nothing is kept"]


# -- calibration ------------------------------------------------------------------------------------------------------


def test_calibrations_that_do_not_fit_are_told(faults_of):
    assert faults_of(calibration=calibrated(days=365)) == []
    (old,) = faults_of(calibration=calibrated(days=366))
    assert (old.rank, old.words) == (Rank.NOTE, "calibration is old")
    assert "366 days old; allowed is 365" in old.detail
    (foreign,) = faults_of(calibration=calibrated(serial="FT-0008"))
    assert (foreign.rank, foreign.words) == (Rank.NUMBERS, "foreign calibration")
    (bad,) = faults_of(calibration=ValueError("crc32 is wrong; restore a copy"))
    assert (bad.words, bad.remedy) == ("bad calibration", "restore a copy")


# -- supply, heat -----------------------------------------------------------------------------------------------------


def test_under_voltage_is_read_where_this_kernel_has_it(tree):
    assert under_voltage(tree.root) is False
    tree.put("sys/class/hwmon/hwmon1/in0_lcrit_alarm", "1\n")
    assert under_voltage(tree.root) is True
    # Older kernels: bit 0 is "now", the bits from 16 on are "since it was started" (vcgencmd get_throttled).
    shutil.rmtree(tree.root / "sys/class/hwmon")
    assert under_voltage(tree.root) is None
    tree.put("sys/devices/platform/soc/soc:firmware/get_throttled", "50000\n")
    assert under_voltage(tree.root) is False
    tree.put("sys/devices/platform/soc/soc:firmware/get_throttled", "50005\n")
    assert under_voltage(tree.root) is True


def test_heat_that_is_not_known_is_no_fault(faults_of, tree):
    assert temperature_c(tree.root) == pytest.approx(48.312)
    tree.put("sys/class/thermal/thermal_zone0/temp", "nonsense")
    assert temperature_c(tree.root) is None
    assert faults_of() == []


# -- wall clock -------------------------------------------------------------------------------------------------------


def test_the_wall_clock_is_trusted_by_where_its_time_comes_from(tree):
    now = datetime.datetime.now(UTC)
    assert wall_trust(now, root=tree.root) is Trust.CHIP
    assert wall_trust(now, root=tree.root, set_by_hand=True) is Trust.SET
    tree.put("run/systemd/timesync/synchronized")
    assert wall_trust(now, root=tree.root, set_by_hand=True) is Trust.NETWORK
    early = datetime.datetime(2024, 12, 31, tzinfo=UTC)
    assert wall_trust(early, root=tree.root) is Trust.UNKNOWN


@pytest.mark.parametrize(
    ("chip", "detail"),
    [
        (None, "there is no clock chip"),
        ("", "the clock chip has lost its time"),  # the kernel gives an error once its oscillator has stopped
        ("946684800\n", "s apart; allowed is 5 s"),
    ],
)
def test_a_clock_that_nothing_vouches_for_is_told(faults_of, tree, chip, detail):
    if chip is None:
        (tree.root / "dev/rtc0").unlink()
        (tree.root / "sys/class/rtc/rtc0/since_epoch").unlink()
    else:
        tree.put("sys/class/rtc/rtc0/since_epoch", chip)
    (fault,) = faults_of()
    assert (fault.rank, fault.words) == (Rank.NOTE, "clock unsure")
    assert detail in fault.detail
    assert faults_of(set_by_hand=True) == []


@pytest.mark.parametrize("now", [datetime.datetime(1970, 1, 1, tzinfo=UTC), datetime.datetime(2024, 6, 1, tzinfo=UTC)])
def test_a_clock_that_was_never_set_is_told_whatever_vouches_for_it(faults_of, tree, now):
    tree.put("run/systemd/timesync/synchronized")
    (fault,) = faults_of(now=now)
    assert (fault.rank, fault.words) == (Rank.NOTE, "clock not set")
    assert f"{now:%Y-%m-%d}" in fault.detail


def test_a_clock_behind_the_last_network_time_is_told_with_the_file_that_knows(faults_of, tree):
    clock = tree.put("var/lib/systemd/timesync/clock")
    ahead = time.time() + 86_400
    os.utime(clock, (ahead, ahead))
    (fault,) = faults_of()
    assert fault.words == "clock not set"
    assert str(clock) in fault.detail


def test_a_wall_clock_of_another_zone_is_the_same_instant(faults_of):
    zone = datetime.timezone(datetime.timedelta(hours=13))
    assert faults_of(now=datetime.datetime.now(zone)) == []


# -- versions ---------------------------------------------------------------------------------------------------------


def test_versions_are_held_against_what_the_package_asks_for():
    held = {"numpy": "1.24.2", "gpiozero": "2.0.1.post3", "pillow": "10.1", "adafruit-circuitpython-ads1x15": "4.0.0"}

    def version_of(name):
        if name not in held:
            raise selfcheck.importlib.metadata.PackageNotFoundError(name)
        return held[name]

    asked = [
        "python>=3.11",
        "numpy>=1.26",
        "gpiozero>=2.0.1",
        "pillow>=10.1.0",
        "adafruit-circuitpython-ads1x15<4,>=3.0.4",
        "msgspec>=0.18.6",
        'pytest>=8; extra == "test"',
        'lgpio>=0.2.2.0; (platform_machine == "aarch64" and python_version < "3.13") and extra == "pi"',
    ]
    found = [fault.detail for fault in versions_amiss(asked, version_of, "3.9.2", "x86_64")]
    assert found == [
        "python is 3.9.2; allowed is >=3.11",
        "numpy is 1.24.2; allowed is >=1.26",
        "adafruit-circuitpython-ads1x15 is 4.0.0; allowed is <4,>=3.0.4",
        "msgspec is not installed; allowed is >=0.18.6",
    ]
    on_a_meter = [fault.detail for fault in versions_amiss(asked, version_of, "3.11.2", "aarch64")]
    assert on_a_meter == [*found[1:], "lgpio is not installed; allowed is >=0.2.2.0"]
    assert len(list(versions_amiss(asked, version_of, "3.13.5", "aarch64"))) == 3


def test_the_libraries_of_this_machine_are_what_the_package_asks_for():
    assert list(versions_amiss()) == []


# -- not on a meter ---------------------------------------------------------------------------------------------------


def test_a_laptop_is_told_everything_that_it_lacks_in_one_message(tmp_path):
    message = missing_off_a_pi(SETTINGS, root=tmp_path, has_library=lambda name: name not in {"lgpio", "board"})
    title, *faults = message.splitlines()
    assert title == "this is not a working meter:"
    assert [fault.split("; ")[0] for fault in faults] == [
        f"  - this machine is no Raspberry Pi ({os.uname().sysname} on {os.uname().machine})",
        "  - Python libraries are missing: board, lgpio",
        "  - /dev/i2c-1 is missing, the I2C bus of the converter",
        "  - /dev/spidev0.0 is missing, the SPI bus of the screen",
        "  - /dev/gpiochip* is missing, the pins of lamp, sounder and buttons",
        f"  - the folder for sessions, {CARD}, is missing or not writable",
    ]
    assert all("; " in fault for fault in faults)
    assert not on_a_pi(tmp_path)


def test_devices_that_may_not_be_used_are_told_with_their_group(tree):
    message = missing_off_a_pi(
        SETTINGS, root=tree.root, allowed=lambda path, mode: False, has_library=lambda name: True
    )
    assert on_a_pi(tree.root)
    for group in ("i2c", "spi", "gpio"):
        assert f"add the user to the group {group}" in message
    assert "not writable" in message


def test_a_meter_lacks_nothing(tree):
    assert missing_off_a_pi(SETTINGS, root=tree.root, has_library=lambda name: True) == ""


def test_a_library_that_cannot_be_looked_for_counts_as_missing(tree, monkeypatch):
    monkeypatch.setitem(selfcheck.importlib.import_module("sys").modules, "lgpio", SimpleNamespace(__spec__=None))
    assert "missing: " in missing_off_a_pi(SETTINGS, root=tree.root)
