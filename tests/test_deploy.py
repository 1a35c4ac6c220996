"""What is installed on the meter: units that the service manager takes, pins that the program uses, steps that repeat.

Sources: systemd.unit(5), systemd.service(5), systemd.exec(5), systemd-analyze(1), sysusers.d(5), udev(7); Raspberry Pi
documentation, "config.txt" (98 characters a line); the kernel's Documentation/devicetree/bindings/sound. Nothing
here has run on a Raspberry Pi.
"""

from __future__ import annotations

import configparser
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from flattop import settings
from flattop.converters.ads1015_chip import BUS_HZ
from flattop.panel.hardware import controls, display, signals
from flattop.selfcheck import CODEC_OVERLAY

ROOT = Path(__file__).resolve().parents[1]
DEPLOY = ROOT / "firmware" / "deploy"
INSTALLER = DEPLOY / "install"
UNITS = (
    "flattop.service",
    "flattop-power-off.service",
    "flattop-power-off.path",
    "flattop-clock.service",
    "flattop-boot-read-only.service",
)
GROUPS = ["i2c", "spi", "gpio", "audio"]
COMMANDS = ("/opt/flattop/bin/flattop", "/usr/bin/udevadm", "/usr/sbin/hwclock", "/usr/bin/mount")
"""What the units run; none of it has to be on the machine that runs the tests."""

pytestmark = pytest.mark.skipif(not DEPLOY.exists(), reason="the sources are not beside the tests")


def run(*command, **options):
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False, **options)


class Unit(configparser.RawConfigParser):
    """A unit file; a key that stands more than once keeps all its values."""

    def __init__(self, name):
        super().__init__(strict=False, interpolation=None)
        self.optionxform = str
        self.all = {}
        for line in (DEPLOY / name).read_text("utf-8").splitlines():
            if re.match(r"\w+=", line):
                key, _, value = line.partition("=")
                self.all.setdefault(key, []).append(value)
        self.read(DEPLOY / name)


SERVICE = Unit("flattop.service")


# -- units ------------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="session")
def units(tmp_path_factory, need):
    """Return copies of the units whose commands are there on this machine, as `verify` wants them."""
    need("systemd-analyze")
    folder = tmp_path_factory.mktemp("units")
    for name in UNITS:
        text = (DEPLOY / name).read_text("utf-8")
        for command in COMMANDS:
            text = text.replace(command, "/bin/true")
        (folder / name).write_text(text, "utf-8")
    return folder


def test_the_service_manager_finds_nothing_to_say_against_the_units(units):
    done = run("systemd-analyze", "verify", "--man=no", *(str(units / name) for name in UNITS))
    assert (done.returncode, done.stderr.strip()) == (0, "")


def test_a_wrong_unit_would_be_found(units, tmp_path):
    wrong = (units / "flattop.service").read_text("utf-8").replace("WatchdogSec=5", "WatchdogSec=often\nWatchdogs=2")
    (tmp_path / "flattop.service").write_text(wrong, "utf-8")
    done = run("systemd-analyze", "verify", "--man=no", str(tmp_path / "flattop.service"))
    assert "Failed to parse sec value" in done.stderr
    assert "Watchdogs" in done.stderr


@pytest.mark.parametrize(
    ("name", "most"),
    [
        ("flattop.service", 1.0),
        ("flattop-power-off.service", 1.0),
        ("flattop-clock.service", 2.0),  # may set the clock, as root
        ("flattop-boot-read-only.service", 4.0),  # may remount, as root, in the name space of all
    ],
)
def test_the_services_are_hardly_exposed(units, name, most):
    # The scale of systemd-analyze goes from 0 (safe) to 10; the threshold is ten times that.
    done = run("systemd-analyze", "security", "--offline=true", f"--threshold={10 * most:.0f}", str(units / name))
    assert done.returncode == 0, done.stdout[-400:] + done.stderr


def test_the_service_runs_the_command_that_is_installed():
    (command,) = SERVICE.all["ExecStart"]
    program, *arguments = command.split()
    assert program == "/opt/flattop/bin/flattop"
    assert arguments == ["--settings", "/etc/flattop/settings.toml", "run"]
    installer = (INSTALLER).read_text("utf-8")
    assert f"home={program.removesuffix('/bin/flattop')}\n" in installer
    assert arguments[1] in installer
    assert 'flattop = "flattop.__main__:main"' in (ROOT / "pyproject.toml").read_text("utf-8")


def test_the_service_has_its_own_user_a_watchdog_and_never_gives_up():
    assert SERVICE["Service"]["User"] == "flattop"
    assert SERVICE["Service"]["Type"] == "notify"
    assert float(SERVICE["Service"]["WatchdogSec"]) >= 10 * settings.Settings().meter.update_s
    assert SERVICE["Service"]["Restart"] == "on-failure"
    assert SERVICE["Unit"]["StartLimitIntervalSec"] == "0"
    assert not any("network" in value for values in SERVICE.all.values() for value in values)
    assert SERVICE["Service"]["AmbientCapabilities"] == SERVICE["Service"]["CapabilityBoundingSet"] == ""


def test_only_the_devices_of_the_meter_are_allowed():
    assert SERVICE["Service"]["DevicePolicy"] == "closed"
    assert SERVICE.all["DeviceAllow"] == ["char-i2c rw", "char-spi rw", "char-gpiochip rw", "char-alsa rw"]
    assert SERVICE["Service"]["SupplementaryGroups"].split() == GROUPS
    assert Unit("flattop-clock.service").all["DeviceAllow"] == ["/dev/rtc0 rw"]


def test_power_goes_off_only_when_the_meter_asks_for_it():
    path, asked = Unit("flattop-power-off.path"), Unit("flattop-power-off.service")
    wanted = Path(path["Path"]["PathExists"])
    assert wanted.parent == Path("/run") / SERVICE["Service"]["RuntimeDirectory"]
    assert asked["Unit"]["SuccessAction"] == "poweroff"
    # The request is taken away, or it would be met again and again; only its owner may take it.
    assert asked["Service"]["ExecStart"].split()[-1] == str(wanted)
    assert asked["Service"]["User"] == SERVICE["Service"]["User"]
    assert "SuccessAction" not in SERVICE.all
    assert "FailureAction" not in SERVICE.all
    assert not {"ExecStop", "ExecStopPost", "OnFailure", "OnSuccess"} & SERVICE.all.keys()


def test_the_users_file_is_taken(tmp_path, need):
    program = need("systemd-sysusers")
    (tmp_path / "etc").mkdir()
    done = run(program, f"--root={tmp_path}", str(DEPLOY / "flattop.sysusers"))
    assert done.returncode == 0, done.stderr
    assert re.search(r"^flattop:x:\d+:\d+:flattop meter:/var/lib/flattop:", (tmp_path / "etc/passwd").read_text(), re.M)
    groups = (tmp_path / "etc/group").read_text()
    for group in GROUPS:
        assert re.search(rf"^{group}:x:\d+:flattop$", groups, re.M)


def test_the_clock_chip_is_read_by_the_service_that_its_rule_asks_for():
    rule = (DEPLOY / "flattop-clock.rules").read_text("utf-8").splitlines()[-1]
    clock = Unit("flattop-clock.service")
    assert 'SUBSYSTEM=="rtc", KERNEL=="rtc0"' in rule
    assert 'ENV{SYSTEMD_WANTS}+="flattop-clock.service"' in rule
    assert clock["Service"]["ExecStart"].split()[0] == "/usr/sbin/hwclock"
    assert clock["Service"]["ExecStart"].endswith(" --rtc=/dev/rtc0")
    assert clock["Service"]["CapabilityBoundingSet"] == "CAP_SYS_TIME"
    # The same file by which the self-check knows that the network has told the time.
    assert clock["Unit"]["ConditionPathExists"] == "!/run/systemd/timesync/synchronized"


def test_one_word_switches_the_read_only_system_and_the_boot_partition():
    word = re.search(r"^overlay_word=(\S+)$", INSTALLER.read_text("utf-8"), re.M)[1]
    # overlayroot.conf(5) of the package: tmpfs for the changes; without recurse=0 every partition is covered.
    assert word == "overlayroot=tmpfs:recurse=0"
    unit = Unit("flattop-boot-read-only.service")
    assert unit["Unit"]["ConditionKernelCommandLine"] == word.partition("=")[0]
    assert unit["Service"]["ExecStart"] == "/usr/bin/mount -o remount,ro /boot/firmware"


# -- boot configuration -----------------------------------------------------------------------------------------------


def boot_lines():
    lines = (DEPLOY / "config.txt").read_text("utf-8").splitlines()
    return [line for line in lines if line and not line.startswith("#")]


def pins(line):
    """Return the GPIO numbers in a line of the boot configuration."""
    found = re.match(r"gpio=([\d,]+)=", line)
    numbers = found[1].split(",") if found else re.findall(r"(?:gpiopin|cs0_pin)=(\d+)", line)
    return {int(number) for number in numbers}


def test_the_boot_configuration_keeps_to_the_format():
    for line in (DEPLOY / "config.txt").read_text("utf-8").splitlines():
        assert len(line) <= 98, line
        assert line.isascii(), line
    assert boot_lines()[0] == "[all]"
    assert all(re.fullmatch(r"\[all\]|[a-z0-9_]+=[A-Za-z0-9_,=-]+", line) for line in boot_lines())


def test_the_bus_is_as_fast_as_the_driver_wants_it():
    (bus,) = [line for line in boot_lines() if "i2c_arm_baudrate" in line]
    assert bus == f"dtparam=i2c_arm=on,i2c_arm_baudrate={BUS_HZ}"


def test_the_pins_of_the_boot_configuration_are_those_of_the_program():
    dark, pulled_up, floating, reserved = set(), set(), set(), set()
    for line in boot_lines():
        if line.endswith("=op,dl"):
            dark |= pins(line)
        elif line.endswith("=ip,pu"):
            pulled_up |= pins(line)
        elif line.endswith("=ip,np"):
            floating |= pins(line)
        else:
            reserved |= pins(line)
    assert not dark & pulled_up
    assert not (dark | pulled_up | floating) & reserved
    # The isolators' fault line: its pull-up is on their supply, so that a front end without supply is a fault.
    assert floating == {14}
    # I2S has GPIO 18 to 20 (BCM2711 ARM Peripherals, "Alternative Function Assignments"), by its overlay.
    assert not (dark | pulled_up | floating | reserved) & {18, 19, 20}
    lamp = {gpio for _, gpio in signals.LAMP}
    assert dark == {*lamp, signals.GPIO_SOUNDER, display.GPIO_BACKLIGHT, display.GPIO_RST}
    ready = settings.Settings().ads1015.alert_gpio
    assert pulled_up == {ready, *controls.GPIO.values(), controls.GPIO_LOW_BATTERY}
    # The kernel has these: the screen's chip select, and the line that cuts the supply.
    assert reserved == {7, 8}
    assert not {display.GPIO_DC, *dark, *pulled_up} & reserved


# -- overlay of the full-band converter -------------------------------------------------------------------------------

BASE = """
/dts-v1/;
/ {
    compatible = "brcm,bcm2711";
    soc { i2s_clk_consumer: i2s_clk_producer: i2s { #sound-dai-cells = <0>; status = "disabled"; }; };
    sound: sound { status = "disabled"; };
};
"""
"""A board's tree as far as the overlay reaches; labels as in the device trees of the Raspberry Pi, from memory."""


@pytest.fixture
def tree_of_the_board(tmp_path, need):
    """Return the board's device tree with the overlay applied, by dtc's own tools, as `get(node, property)`."""
    need("dtc")
    (tmp_path / "base.dts").write_text(BASE)
    source = DEPLOY / "flattop-codec.dts"
    for name, given in (("base.dtb", tmp_path / "base.dts"), ("codec.dtbo", source)):
        done = run("dtc", "-@", "-I", "dts", "-O", "dtb", "-o", str(tmp_path / name), str(given))
        assert (done.returncode, done.stderr) == (0, "")
    board = str(tmp_path / "board.dtb")
    done = run(need("fdtoverlay"), "-i", str(tmp_path / "base.dtb"), "-o", board, str(tmp_path / "codec.dtbo"))
    assert (done.returncode, done.stderr) == (0, "")

    def get(node, name):
        done = run(need("fdtget"), board, node, name)
        assert done.returncode == 0, done.stderr
        return done.stdout.strip()

    return get


def test_the_overlay_makes_the_card_that_the_settings_name(tree_of_the_board):
    get = tree_of_the_board
    assert get("/sound", "compatible") == "simple-audio-card"
    assert get("/sound", "status") == get("/soc/i2s", "status") == "okay"
    assert settings.Codec().device == f"hw:CARD={get('/sound', 'simple-audio-card,name')}"
    assert settings.Codec().enabled == "yes"
    assert f"dtoverlay={CODEC_OVERLAY}" in boot_lines()
    # ALSA takes 15 characters of a name for the card's id (snd_card's id[16] in the kernel's include/sound/core.h).
    assert len(get("/sound", "simple-audio-card,name")) <= 15


def test_the_converter_is_the_clock_master_and_has_64_clocks_a_frame(tree_of_the_board):
    # simple-card.yaml: bitclock-master and frame-master name the sub-node whose part makes the clocks.
    get = tree_of_the_board
    cpu, codec = "/sound/simple-audio-card,cpu", "/sound/simple-audio-card,codec"
    assert get("/sound", "simple-audio-card,format") == "i2s"
    master = get(codec, "phandle")
    assert get("/sound", "simple-audio-card,bitclock-master") == master
    assert get("/sound", "simple-audio-card,frame-master") == master
    assert int(get(cpu, "dai-tdm-slot-num")) * int(get(cpu, "dai-tdm-slot-width")) == 64
    assert get(cpu, "sound-dai") == get("/soc/i2s", "phandle")
    # dmic-codec.yaml: a capture part without registers, one DAI, so many channels.
    assert get(codec, "sound-dai") == get("/flattop-adc", "phandle")
    assert get("/flattop-adc", "compatible") == "dmic-codec"
    assert get("/flattop-adc", "#sound-dai-cells") == "0"
    assert get("/flattop-adc", "num-channels") == "2"


# -- settings and installer -------------------------------------------------------------------------------------------


def test_the_settings_that_are_installed_are_taken():
    chosen = settings.load(DEPLOY / "settings.toml")
    assert chosen.files.folder == "/var/lib/flattop/sessions"
    assert chosen.files.calibration == ""
    state = f"/var/lib/{SERVICE['Service']['StateDirectory']}"
    assert chosen.files.folder.startswith(f"{state}/")
    assert chosen.files.folder in (INSTALLER).read_text("utf-8")


def test_the_installer_is_sound_shell(need):
    assert run("bash", "-n", str(INSTALLER)).returncode == 0
    done = run(need("shellcheck"), "-x", "install", "changes.sh", cwd=DEPLOY)
    assert (done.returncode, done.stdout) == (0, "")


def test_a_dry_run_changes_nothing_and_names_every_file():
    done = run(str(INSTALLER), "--dry-run")
    assert "dry run: nothing is changed" in done.stdout
    for path in DEPLOY.iterdir():
        if path.name not in {"install", "changes.sh", "README.md"}:
            assert f"{path} to " in done.stdout, path.name
    if sys.platform != "linux" or os.uname().machine != "aarch64":
        assert done.returncode == 1
        assert "this machine is refused" in done.stderr


def test_what_is_no_meter_is_refused_before_anything_is_done():
    done = run(str(INSTALLER))
    if done.returncode == 0:
        pytest.skip("this is a meter")
    assert done.returncode == 1
    assert done.stdout == ""
    assert "is refused" in done.stderr
    wrong = run(str(INSTALLER), "--now")
    assert wrong.returncode == 2
    assert wrong.stdout == ""
    assert wrong.stderr.startswith("install: --now is not known; allowed is --dry-run, ")
    nowhere = run(str(INSTALLER), "--root", "/no/such/folder")
    assert (nowhere.returncode, nowhere.stderr) == (2, "install: --root is /no/such/folder; allowed is a folder\n")


@pytest.fixture
def shell(tmp_path):
    """Return how to run one function of the installer."""

    def call(line):
        done = run("bash", "-c", f'source "{DEPLOY}/install"; {line}', cwd=tmp_path)
        assert done.returncode == 0, done.stderr
        return done.stdout.splitlines()

    return call


@pytest.mark.parametrize(
    ("codename", "model", "machine", "faults"),
    [
        ("bookworm", "Raspberry Pi 4 Model B Rev 1.4", "aarch64", 0),
        ("trixie", "Raspberry Pi Zero 2 W Rev 1.0", "aarch64", 0),
        ("bullseye", "Raspberry Pi 4 Model B Rev 1.4", "aarch64", 1),
        ("bookworm", "Raspberry Pi 4 Model B Rev 1.4", "armv7l", 1),
        ("noble", "", "x86_64", 3),
    ],
)
def test_every_reason_to_refuse_is_told_at_once(shell, tmp_path, codename, model, machine, faults):
    (tmp_path / "release").write_text(f'PRETTY_NAME="System ({codename})"\nVERSION_CODENAME={codename}\n')
    (tmp_path / "model").write_bytes(model.encode() + b"\0")
    told = shell(f"stands_in_the_way release model {machine}")
    assert len(told) == faults
    assert all("allowed is" in fault for fault in told)


def test_the_package_is_built_from_what_the_installer_copies(tmp_path):
    """The copy holds all that the build reads: pyproject.toml, its readme and the packages."""
    copied = re.search(r'tar -C "\$checkout" -c (.*) \|', (INSTALLER).read_text("utf-8"))[1].split()
    for name in copied:
        place = ROOT / name
        shutil.copytree(place, tmp_path / name) if place.is_dir() else shutil.copy(place, tmp_path)
    project = (tmp_path / "pyproject.toml").read_text("utf-8")
    assert (tmp_path / re.search(r'^readme = "(.*)"', project, re.M)[1]).exists()
    assert (tmp_path / re.search(r'^where = \["(.*)"\]', project, re.M)[1] / "flattop" / "__main__.py").exists()
    assert re.search(r"^pi = ", project, re.M), "the installer asks for this extra"
