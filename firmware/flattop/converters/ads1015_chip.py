"""The ADS1015 behind the stock adafruit_ads1x15 library, with the library's traps disarmed.

Every transaction has a deadline, every setting is read back from the chip, and after each one the pointer is brought
back to the conversion register and two conversions are let pass.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from types import MappingProxyType
from typing import Any

from flattop.converters import Timebase
from flattop.converters.frontend import RANGES
from flattop.errors import ConverterMissing, ConverterSilent
from flattop.samples import Input

# Configuration register (ADS1015 datasheet).
POINTER_CONFIG = 0x01
MUX_SHIFT = 12
MUX = {Input.SPEAKER: 0, Input.LINE: 3}
"""AIN0 - AIN1 and AIN2 - AIN3."""
PROBE_MUX = 4
"""AIN0 to ground: the isolated amplifier's common mode, far from the code of a quiet input."""
GAIN = {2.048: 2, 1.024: 4, 0.512: 8, 0.256: 16}
GAIN_BITS = {2: 0x0400, 4: 0x0600, 8: 0x0800, 16: 0x0A00}
RATE_BITS: Mapping[int, int] = MappingProxyType({1600: 0x0080, 2400: 0x00A0, 3300: 0x00C0})
CONTINUOUS, SINGLE_SHOT = 0x0000, 0x0100
SETTINGS_MASK = 0x7FFF
"""Every bit but OS, which reads as 0 or 1 by what the chip is doing."""
QUEUE_READY, QUEUE_OFF = 0b00, 0b11
"""Comparator queue with ALERT/RDY in use and without."""

SETTLE_PERIODS = 2.2
"""After a setting the running conversion ends with the old one, and the oscillator may be 10 % slow."""
ANSWER_S = 0.1
"""Longest wait for one answer of the chip [s]."""
BUS_HZ = 400_000
"""Slowest bus that 3300 conversions a second can be read over, with room for repeats [Hz]."""
ATTEMPTS = 3
"""A setting that is not acknowledged is written this often before it counts as failed."""
FAILURES = 8
"""This many reads in a row must fail before the converter is called silent."""


class Alert:
    """The pin that ALERT/RDY is wired to, through gpiozero; edges carry the kernel's time stamps (lgpio).

    factory : gpiozero's pin factory; None for the machine's own
    """

    def __init__(self, gpio: int, factory: Any = None) -> None:
        from gpiozero import DigitalInputDevice

        self._heard: Callable[[float], None] | None = None
        # The device must outlive this call: gpiozero releases the pin, pull-up and all, with it.
        try:
            self._device = DigitalInputDevice(gpio, pull_up=True, pin_factory=factory)
        except Exception as error:  # gpiozero and lgpio each raise their own kinds
            raise ConverterMissing(
                f"GPIO {gpio} for the ADS1015's ready line cannot be used ({error}); free it, or set alert_gpio = -1"
            ) from error
        self._device.pin.when_changed = None
        self._device.pin.edges = "falling"
        self._device.pin.when_changed = self._changed

    def listen(self, heard: Callable[[float], None] | None) -> None:
        """Call `heard` with the time of every falling edge [s], in gpiozero's thread; None to stop."""
        self._heard = heard

    def _changed(self, when_s: float, state: int) -> None:
        if not state and self._heard is not None:
            self._heard(when_s)

    def close(self) -> None:
        """Let go of the pin; harmless twice."""
        self._heard = None
        self._device.close()


def open_bus() -> Any:
    """Open the Raspberry Pi's I2C bus 1.

    Raises ConverterMissing on a machine that has none.
    """
    # Blinka would offer to install what it misses; a meter has no network.
    os.environ.setdefault("BLINKA_SKIP_DEPENDENCY_CHECK", "1")
    try:
        import board
        import busio

        if getattr(board, "SCL", None) is None:
            raise ConverterMissing("this machine has no I2C pins; run on the meter, or choose the simulated board")
        bus = busio.I2C(board.SCL, board.SDA)
    except ConverterMissing:
        raise
    except Exception as error:  # Blinka raises its own kinds, by platform
        raise ConverterMissing(
            f"the I2C bus of the ADS1015 cannot be opened ({error}); run on the meter, with dtparam=i2c_arm=on and "
            f"i2c_arm_baudrate={BUS_HZ} set and its user in the group i2c"
        ) from error
    slow_hz = bus_hz()
    if slow_hz is not None and slow_hz < BUS_HZ:
        raise ConverterMissing(
            f"the I2C bus runs at {slow_hz} Hz; allowed is {BUS_HZ} Hz or more, or 3300 conversions a second cannot be "
            f"read; set dtparam=i2c_arm_baudrate={BUS_HZ} in the boot configuration"
        )
    return bus


def bus_hz(adapters: Path = Path("/sys/class/i2c-adapter")) -> int | None:
    """Return the clock of I2C bus 1 as the device tree has it [Hz]; None where it does not say."""
    try:
        return int.from_bytes((adapters / "i2c-1/of_node/clock-frequency").read_bytes()[:4], "big")
    except OSError:
        return None


class _GuardedBus:
    """An I2C bus whose every lock and transaction fails once a deadline has passed.

    The library waits for the lock and for the end of a single-shot conversion without bound: both waits go through
    here.
    """

    def __init__(self, bus: Any, time: Timebase) -> None:
        self._bus, self._time = bus, time
        self._deadline_s = math.inf
        self.unlock = bus.unlock
        # Reads on the fast path pay for no detour: they are one transaction, and the lock before it is guarded.
        self.readfrom_into = bus.readfrom_into

    def allow(self, duration_s: float) -> None:
        """Let everything from now on take `duration_s` together."""
        self._deadline_s = self._time.now_s() + duration_s

    def _check(self) -> None:
        if self._time.now_s() > self._deadline_s:
            raise ConverterSilent(
                f"the ADS1015 gave no answer within {ANSWER_S:g} s; "
                "check its supply and the I2C lines SDA and SCL, then start again"
            )

    def try_lock(self) -> bool:
        if self._bus.try_lock():
            return True
        self._check()
        return False

    def writeto(self, address: int, buffer: Any, **part: Any) -> None:
        self._tried(self._bus.writeto, address, buffer, **part)

    def writeto_then_readfrom(self, address: int, out: Any, into: Any, **part: Any) -> None:
        self._tried(self._bus.writeto_then_readfrom, address, out, into, **part)

    def _tried(self, transaction: Callable[..., None], *given: Any, **part: Any) -> None:
        """Do a transaction, and again if it is not acknowledged: writing or asking twice does no harm."""
        self._check()
        for _ in range(ATTEMPTS - 1):
            try:
                return transaction(*given, **part)
            except OSError:
                self._check()
        return transaction(*given, **part)


class Chip:
    """One ADS1015 in continuous mode.

    bus : opens the I2C bus; asked at the first start, and again until it can be opened
    ready_line : True to have ALERT/RDY pulse at the end of every conversion

    Every method raises ConverterSilent if the chip does not answer in time, ConverterMissing if what answers is no
    ADS1015, and OSError if the bus fails.
    """

    def __init__(self, bus: Callable[[], Any], time: Timebase, *, address: int, rate: int, ready_line: bool) -> None:
        self._open_bus = bus
        self._bus: _GuardedBus | None = None
        self._time = time
        self._address = address
        self._ready_line = ready_line
        self._ads: Any = None
        self.input = Input.SPEAKER
        self.range_v = RANGES[0]
        self.rate = rate

    def start(self, input: Input, range_v: float, rate: int) -> None:
        """Open the chip, from whatever state it is in, and set it going on an input, a range and a data rate."""
        from adafruit_ads1x15.ads1x15 import Mode
        from adafruit_ads1x15.ads1015 import ADS1015

        self.input, self.range_v, self.rate = input, range_v, rate
        if self._bus is None:
            self._bus = _GuardedBus(self._open_bus(), self._time)
        self.allow()
        try:
            # Conversion-ready on ALERT/RDY: top bit of the high threshold set, of the low one clear.
            self._ads = ADS1015(
                self._bus,
                gain=GAIN[range_v],
                data_rate=self.rate,
                mode=Mode.SINGLE,
                comparator_queue_length=1 if self._ready_line else 0,
                comparator_low_threshold=0,
                comparator_high_threshold=-32768,
                address=self._address,
            )
        except ValueError as error:
            raise ConverterMissing(
                f"nothing answers at I2C address 0x{self._address:02x}, where the ADS1015 should be; "
                "check its supply, the wiring of SDA and SCL, and ADDR (ground gives 0x48)"
            ) from error
        # Before anything is waited for: another chip might never say that it has finished.
        self._verify(SINGLE_SHOT, mask=SETTINGS_MASK & ~(0b111 << MUX_SHIFT))
        self._run()

    def _run(self) -> None:
        """Go on in continuous mode with the present input.

        There the library (3.0.5) ignores the input asked for: it is set by a single shot first.
        """
        from adafruit_ads1x15.ads1x15 import Mode

        self._ads.mode = Mode.SINGLE
        self._ads.read(MUX[self.input])
        self._ads.mode = Mode.CONTINUOUS
        self._take_effect()

    def allow(self, duration_s: float = ANSWER_S) -> None:
        """Let all that is asked of the chip from now on take this long together [s]."""
        if self._bus is not None:
            self._bus.allow(duration_s)

    def reader(self) -> Callable[[], int | None]:
        """Return the quickest way to the last conversion: one transaction for an unsigned word of 16 bits.

        The word is None where a read was refused; `FAILURES` refusals in a row are an OSError.
        """
        read = partial(self._ads.get_last_result, True)
        refused = 0

        def forgiving() -> int | None:
            nonlocal refused
            try:
                word: int = read()
            except ConverterSilent:
                raise
            except OSError:
                refused += 1
                if refused >= FAILURES:
                    raise
                return None
            if refused:
                refused = 0
            return word

        return forgiving

    def check(self) -> None:
        """Look whether the chip still has its settings; raise ConverterSilent if not, so that it is started anew."""
        self.allow()
        try:
            self._verify()
        except ConverterMissing as error:
            raise ConverterSilent(f"the ADS1015 has lost its settings, as in a dip of its supply ({error})") from error
        self._ads.get_last_result(False)

    def set_range(self, range_v: float) -> None:
        """Change the range; the chip converts on without a break."""
        self.allow()
        self._ads.gain = GAIN[range_v]
        self.range_v = range_v
        self._take_effect()

    def set_rate(self, rate: int) -> None:
        """Change the data rate."""
        self.allow()
        self._ads.data_rate = rate
        self.rate = rate
        self._take_effect()

    def stands_still(self, code: int) -> bool:
        """Tell whether a chip that always gives `code` gives it for another input as well."""
        from adafruit_ads1x15.ads1x15 import Mode

        self.allow()
        self._ads.mode = Mode.SINGLE
        # A shot asked for while a conversion still runs is not taken.
        self._time.wait_until(self._time.now_s() + SETTLE_PERIODS / self.rate)
        other = self._ads.read(PROBE_MUX) >> 4
        self._run()
        return bool(other == code)

    def _take_effect(self) -> None:
        """Check the settings against the chip, put the pointer back, and wait until old conversions are through."""
        self._verify()
        # A setter leaves the pointer on CONFIG, and fast reads would return that word as a voltage for ever.
        self._ads.get_last_result(False)
        self._time.wait_until(self._time.now_s() + SETTLE_PERIODS / self.rate)

    def _verify(self, mode: int = CONTINUOUS, mask: int = SETTINGS_MASK) -> None:
        word = bytearray(2)
        with self._ads.i2c_device as device:
            device.write_then_readinto(bytes([POINTER_CONFIG]), word)
        seen = (word[0] << 8 | word[1]) & SETTINGS_MASK
        asked = mode | MUX[self.input] << MUX_SHIFT | GAIN_BITS[GAIN[self.range_v]] | RATE_BITS[self.rate]
        asked |= QUEUE_READY if self._ready_line else QUEUE_OFF
        if (seen ^ asked) & mask:
            raise ConverterMissing(
                f"what answers at I2C address 0x{self._address:02x} does not keep an ADS1015's settings "
                f"(0x{seen:04x} read back, 0x{asked:04x} written); check which chip is there and its supply"
            )
