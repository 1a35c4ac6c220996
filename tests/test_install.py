"""The installer on trees of files that look like a card with Raspberry Pi OS: done once, done again, and undone.

Sources: systemd.mount(5); overlayroot.conf of the package overlayroot. No tree was ever started.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil

import pytest

from flattop import settings
from test_deploy import DEPLOY, GROUPS, INSTALLER, run

pytestmark = pytest.mark.skipif(not DEPLOY.exists(), reason="the sources are not beside the tests")

# The backups and the lock of the tools that change users: every system has them.
BY_TOOLS = {f"etc/{name}" for name in ("passwd-", "group-", "shadow-", "gshadow-", ".pwd.lock")}
SETTINGS = {"etc/flattop", "etc/flattop/settings.toml"}
SESSIONS = {"var/lib/flattop", "var/lib/flattop/sessions"}
CONFIG = "dtparam=audio=on\nauto_initramfs=1\n\n[cm4]\notg_mode=1\n\n[all]\n"
COMMAND_LINE = (
    "console=serial0,115200 console=tty1 root=PARTUUID=4e639091-02 rootfstype=ext4 fsck.repair=yes rootwait\n"
)


class Card:
    """A tree of files like that of a new card, and the installer on it."""

    def __init__(self, root):
        self.root = root
        for folder in ("etc", "boot/firmware/overlays", "var/lib"):
            (root / folder).mkdir(parents=True)
        self.put("etc/os-release", 'PRETTY_NAME="Debian GNU/Linux 13 (trixie)"\nVERSION_CODENAME=trixie\n')
        self.put("etc/passwd", "root:x:0:0:root:/root:/bin/bash\nvan:x:1000:1000::/home/van:/bin/bash\n")
        self.put("etc/group", "root:x:0:\naudio:x:29:van\ngpio:x:997:van\ni2c:x:998:van\nspi:x:999:van\nvan:x:1000:\n")
        self.put("etc/shadow", "root:*:20000:0:99999:7:::\nvan:!:20000:0:99999:7:::\n")
        self.put("etc/gshadow", "root:*::\naudio:*::van\ngpio:!::van\ni2c:!::van\nspi:!::van\nvan:!::\n")
        self.put("etc/fstab", "proc /proc proc defaults 0 0\nPARTUUID=4e639091-02 / ext4 defaults,noatime 0 1\n")
        self.put("boot/firmware/config.txt", CONFIG)
        self.put("boot/firmware/cmdline.txt", COMMAND_LINE)

    def put(self, name, text):
        (self.root / name).write_text(text, "utf-8")

    def text(self, name):
        return (self.root / name).read_text("utf-8")

    def install(self, *options, code=0):
        done = run(str(INSTALLER), *options, "--root", str(self.root))
        assert done.returncode == code, done.stdout + done.stderr
        return done.stdout if code == 0 else done.stderr

    def seen(self):
        """Return all that is there: name to mode and content."""
        found = {}
        for path in sorted(self.root.rglob("*")):
            name = str(path.relative_to(self.root))
            if path.is_symlink():
                found[name] = str(path.readlink())
            elif name not in BY_TOOLS:
                found[name] = (path.stat().st_mode, path.read_bytes() if path.is_file() else b"")
        return found


@pytest.fixture
def card(tmp_path, need):
    for program in ("systemctl", "systemd-sysusers", "dtc", "userdel"):
        need(program)
    if os.geteuid() != 0:
        pytest.skip("users of a tree are made by root only")
    return Card(tmp_path / "card")


def test_a_dry_run_of_a_card_says_the_same_each_time_and_changes_nothing(card):
    before = card.seen()
    for what in ((), ("--read-only",)):
        plan = card.install("--dry-run", *what)
        assert plan == card.install("--dry-run", *what)
        assert f"{DEPLOY}/flattop.service to {card.root}/etc/systemd/system/flattop.service" in plan
        assert '"include flattop.txt" at the end of' in plan
        assert ('"overlayroot=tmpfs:recurse=0" in' in plan) == bool(what)
    assert card.seen() == before


def test_what_was_planned_is_done_and_a_second_run_changes_nothing(card):
    plan = card.install("--dry-run").splitlines()
    first = card.install().splitlines()
    assert [line for line in first[:-1] if "reat" not in line] == plan[1:-1]
    installed = card.seen()
    again = card.install()
    assert "nothing to do: all is as it should be" in again
    assert card.seen() == installed
    assert card.text("boot/firmware/config.txt") == CONFIG + "\n[all]\ninclude flattop.txt\n"
    assert card.text("boot/firmware/flattop.txt") == (DEPLOY / "config.txt").read_text("utf-8")
    assert (card.root / "boot/firmware/overlays/flattop-codec.dtbo").read_bytes()[:4] == b"\xd0\x0d\xfe\xed"
    wanted = card.root / "etc/systemd/system/multi-user.target.wants"
    assert {path.name for path in wanted.iterdir()} == {
        "flattop.service",
        "flattop-power-off.path",
        "flattop-boot-read-only.service",
    }
    for group in GROUPS:
        assert re.search(rf"^{group}:x:\d+:(van,flattop|flattop,van)$", card.text("etc/group"), re.M)
    sessions = (card.root / "var/lib/flattop/sessions").stat()
    assert (sessions.st_mode & 0o777, str(sessions.st_uid)) == (
        0o750,
        re.search(r"^flattop:x:(\d+):", card.text("etc/passwd"), re.M)[1],
    )


@pytest.mark.parametrize("end", ["", "\n", "gpu_mem=16"])
def test_undo_brings_every_byte_back_and_leaves_the_settings(card, end):
    card.put("boot/firmware/config.txt", CONFIG + end)
    before = card.seen()
    card.install("--read-only")
    assert card.seen().keys() > before.keys()
    card.install("--undo")
    after = card.seen()
    assert {name: after[name] for name in before} == before
    assert after.keys() - before.keys() == SETTINGS
    assert "nothing to take back" in card.install("--undo")
    assert card.seen() == after


def test_undo_leaves_the_sessions_and_the_user_who_owns_them(card):
    before = card.seen()
    card.install()
    (card.root / "var/lib/flattop/sessions/2025-06-01-1").mkdir()
    told = card.install("--undo")
    assert "the user flattop, who owns /var/lib/flattop/sessions" in told
    left = card.seen()
    assert left.keys() - before.keys() == {
        *SETTINGS,
        *SESSIONS,
        "var/lib/flattop/sessions/2025-06-01-1",
        "etc/flattop/installed",
    }
    assert "flattop:x:" in card.text("etc/passwd")
    shutil.rmtree(card.root / "var/lib/flattop")
    card.install("--undo")
    assert {name: card.seen()[name] for name in before} == before


def test_what_was_changed_by_hand_stays(card, tmp_path):
    card.install()
    own = card.text("boot/firmware/flattop.txt").replace("dtoverlay=gpio-poweroff", "#dtoverlay=gpio-poweroff")
    card.put("boot/firmware/flattop.txt", own)
    card.put("etc/flattop/settings.toml", '[meter]\nserial = "FT-0007"\n')
    installed = card.seen()
    assert "nothing to do" in card.install()
    assert card.seen() == installed
    # A newer version of the file is not put in its place either, but it is said.
    record = card.text("etc/flattop/installed")
    line = re.search(r"^file\t/boot/firmware/flattop.txt\t(\w+)$", record, re.M)
    card.put("etc/flattop/installed", record.replace(line[1], "0" * 64))
    assert "/boot/firmware/flattop.txt was changed by hand" in card.install()
    assert card.text("boot/firmware/flattop.txt") == own
    assert "/boot/firmware/flattop.txt was changed by hand" in card.install("--undo")
    assert card.text("boot/firmware/flattop.txt") == own


def test_an_update_replaces_what_was_not_touched(card):
    card.install()
    path = card.root / "etc/systemd/system/flattop.service"
    new = path.read_bytes()
    path.write_bytes(b"[Service]\n")
    record = card.text("etc/flattop/installed")
    was = re.search(r"^file\t/etc/systemd/system/flattop.service\t(\w+)$", record, re.M)[1]
    card.put("etc/flattop/installed", record.replace(was, hashlib.sha256(b"[Service]\n").hexdigest()))
    card.install()
    assert path.read_bytes() == new


def test_what_was_there_before_stays(card):
    (card.root / "etc/modules-load.d").mkdir()
    card.put("etc/modules-load.d/flattop.conf", "i2c-dev\nspidev\n")
    card.put("boot/firmware/config.txt", CONFIG + "dtoverlay=i2c-rtc,ds3231\n")
    before = card.seen()
    told = card.install()
    assert "/etc/modules-load.d/flattop.conf was there before" in told
    assert "dtoverlay=i2c-rtc in /boot/firmware/config.txt" in told
    assert card.text("etc/modules-load.d/flattop.conf") == "i2c-dev\nspidev\n"
    card.install("--undo")
    assert {name: card.seen()[name] for name in before} == before


def test_lines_that_came_later_survive_undo(card):
    card.install()
    card.put("boot/firmware/config.txt", card.text("boot/firmware/config.txt") + "gpu_mem=16\n")
    card.install("--undo")
    assert card.text("boot/firmware/config.txt") == CONFIG + "\n[all]\ngpu_mem=16\n"


def test_the_read_only_system_is_switched_on_and_off(card):
    card.install("--read-only")
    assert card.text("boot/firmware/cmdline.txt") == f"overlayroot=tmpfs:recurse=0 {COMMAND_LINE}"
    mount = card.text("etc/fstab").splitlines()[-1].split()
    assert mount[:3] == ["LABEL=sessions", "/var/lib/flattop/sessions", "ext4"]
    assert mount[1] == settings.load(DEPLOY / "settings.toml").files.folder
    # systemd.mount(5): a meter without the partition starts all the same, and one with it mounts it first.
    assert {"nofail", "x-systemd.before=flattop.service"} <= set(mount[3].split(","))
    changed = card.seen()
    assert "nothing to do" in card.install("--read-only")
    assert card.seen() == changed
    card.install("--writable")
    assert card.text("boot/firmware/cmdline.txt") == COMMAND_LINE
    assert "nothing to do" in card.install("--writable")
    # What raspi-config writes is taken out as well.
    card.put("boot/firmware/cmdline.txt", f"overlayroot=tmpfs {COMMAND_LINE}")
    card.install("--writable")
    assert card.text("boot/firmware/cmdline.txt") == COMMAND_LINE


def test_a_card_that_will_not_do_is_refused_with_every_reason_at_once(card):
    card.put("etc/os-release", 'PRETTY_NAME="Another System 1"\nVERSION_CODENAME=other\n')
    card.put("boot/firmware/config.txt", "dtparam=audio=on\n")
    (card.root / "boot/firmware/cmdline.txt").unlink()
    (card.root / "opt/flattop").mkdir(parents=True)
    before = card.seen()
    told = card.install("--read-only", code=1)
    for reason in ("the system is Another System 1", "cmdline.txt", "/opt/flattop is there", "no initramfs"):
        assert reason in told
    assert told.count("allowed is") == 4
    assert card.seen() == before


def test_a_step_that_fails_says_which_what_to_do_and_can_be_gone_on_with(card):
    before = card.seen()
    (card.root / "etc/systemd").mkdir()
    card.put("etc/systemd/system", "a file where a folder belongs\n")
    told = card.install(code=1)
    assert "service flattop.service" in told
    assert "see that there is room" in told
    assert "run this again, or take it back with --undo" in told
    (card.root / "etc/systemd/system").unlink()
    card.install()
    assert "nothing to do" in card.install()
    card.install("--undo")
    (card.root / "etc/systemd").rmdir()
    assert {name: card.seen()[name] for name in before} == before
