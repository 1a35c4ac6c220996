"""The supply as the kernel knows it: voltage of the cells, the processor's supply alarm and its temperature."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable
from pathlib import Path

LOW_V, EMPTY_V = 3.40, 3.20
"""Voltage of a cell below which charging is asked for, and the meter switches itself off (lithium-ion cells; from
memory, and to be looked up for the cells that are bought) [V]."""
LOOKS = 3
"""So many looks in a row must agree: a backlight that comes on is no empty cell."""
EVERY_S = 5.0
OLD_S = 30.0
"""A voltage older than this is none: a bus that hangs must not keep the last one alive [s]."""
POSSIBLE_V = (2.0, 5.0)
"""What a cell can have; the gauge says 0 V for a moment after it was reset [V]."""
GAUGE = "sys/bus/i2c/devices/1-0036/power_supply/*/voltage_now"
"""Where the kernel's driver (drivers/power/supply/max17040_battery.c) shows the gauge's voltage [uV], below "/"."""


class Cells:
    """Looks at the gauge now and then in a thread of its own: the bus may make whoever asks wait.

    root : folder that stands for "/"
    start : start the thread; without it the owner calls `look`
    """

    def __init__(
        self, root: Path = Path("/"), *, clock: Callable[[], float] = time.monotonic, start: bool = True
    ) -> None:
        self._root, self._clock = root, clock
        self._volts, self._looked_s = math.nan, -math.inf
        self._low = self._empty = 0
        """Looks in a row that were below the two limits."""
        self._stop = threading.Event()
        if start:
            threading.Thread(target=self._keep_looking, name="cells", daemon=True).start()

    @property
    def volts(self) -> float | None:
        """Voltage of the cells [V]; None without a gauge, or where it does not answer."""
        return self._volts if self._clock() - self._looked_s < OLD_S and not math.isnan(self._volts) else None

    @property
    def low(self) -> bool:
        """True once the cells are to be charged."""
        return self.volts is not None and self._low >= LOOKS

    @property
    def empty(self) -> bool:
        """True once the meter has to switch itself off, before the hardware does it without asking."""
        return self.volts is not None and self._empty >= LOOKS

    def look(self) -> None:
        """Ask the gauge once."""
        volts = self._asked()
        if volts is None:
            self._low = self._empty = 0
            return
        self._volts, self._looked_s = volts, self._clock()
        self._low = self._low + 1 if volts < LOW_V else 0
        self._empty = self._empty + 1 if volts < EMPTY_V else 0

    def close(self) -> None:
        """Look no more; harmless twice."""
        self._stop.set()

    def _asked(self) -> float | None:
        for path in self._root.glob(GAUGE):
            microvolts = number_in(path)
            if microvolts is not None and POSSIBLE_V[0] <= 1e-6 * microvolts <= POSSIBLE_V[1]:
                return 1e-6 * microvolts
        return None

    def _keep_looking(self) -> None:
        while not self._stop.is_set():
            self.look()
            self._stop.wait(EVERY_S)


def temperature_c(root: Path = Path("/")) -> float | None:
    """Return the processor's temperature [°C]; None where it is not known."""
    thousandths = number_in(root / "sys/class/thermal/thermal_zone0/temp")
    return None if thousandths is None else 1e-3 * thousandths


def under_voltage(root: Path = Path("/")) -> bool | None:
    """Tell whether the supply is or lately was too low; None where it is not known."""
    for name in sorted(root.glob("sys/class/hwmon/hwmon*/name")):
        if text_in(name) == "rpi_volt":
            alarm = number_in(name.with_name("in0_lcrit_alarm"))
            return None if alarm is None else alarm != 0
    flags = number_in(root / "sys/devices/platform/soc/soc:firmware/get_throttled", 16)
    return None if flags is None else bool(flags & 1)


def text_in(path: Path) -> str:
    """Return what stands in a file of the kernel's; empty where it cannot be read."""
    try:
        return path.read_text(encoding="utf-8", errors="replace").strip("\0\n ")
    except OSError:
        return ""


def number_in(path: Path, base: int = 10) -> int | None:
    """Return the whole number in a file of the kernel's; None where there is none."""
    try:
        return int(text_in(path), base)
    except ValueError:
        return None
