"""When a reading was taken: the wall clock with how far it is known, and the identity of this boot."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

EPOCH = datetime.datetime(1970, 1, 1, tzinfo=datetime.UTC)


class Trust(StrEnum):
    """How the wall clock came to its time, least trusted first."""

    UNKNOWN = "unknown"
    CHIP = "clock chip"
    SET = "set"
    NETWORK = "network"


@dataclass(frozen=True, slots=True)
class Wall:
    """What the wall clock shows."""

    unix_s: float
    trust: Trust = Trust.UNKNOWN


def rfc3339(unix_s: float) -> str:
    """Return Unix seconds as UTC after RFC 3339, to the millisecond; empty for what is outside the years 1 to 9999."""
    try:
        moment = EPOCH + datetime.timedelta(seconds=unix_s)
    except (OverflowError, ValueError):
        return ""
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def host_boot_id() -> str:
    """Return the kernel's identity of this boot; empty where the kernel has none."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip()
    except OSError:
        return ""
