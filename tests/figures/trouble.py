"""Trouble: a world around the instrument, in virtual time, in which every part fails at random and comes back.

Rounds of trouble alternate with calm ones. What is true stands in here as well: when the last conversion was really
read from the chip, and when the last fault of each seam was over.
"""

from __future__ import annotations

import errno
import heapq
import itertools
import math
import os
import time
from collections import Counter, deque
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import rig

from flattop.converters.ads1015 import Ads1015Converter
from flattop.errors import ConverterError, ConverterSilent
from flattop.measure.reading import Reading
from flattop.panel.buttons import Button
from flattop.panel.hardware.controls import GPIO, GPIO_DIAG, GPIO_LOW_BATTERY
from flattop.panel.hardware.signals import GPIO_SOUNDER, LAMP
from flattop.record.card import Card
from flattop.record.logbook import Kept, Logbook
from flattop.samples import FloatArray
from flattop.simulated import ads1015 as simulated_chip
from flattop.simulated.board import SimulatedBoard
from flattop.simulated.bus import Stranger
from flattop.simulated.panel import Fault as WireFault
from flattop.simulated.panel import SimulatedPanel

TROUBLE_S, CALM_S = (10.0, 30.0), 10.0
"""How long a round of trouble lasts, from and to, and the calm after it [s]."""
TONE_HZ = 40.0
OUTPUTS = (*(gpio for _, gpio in LAMP), GPIO_SOUNDER)
Do = Callable[[], None]


# -- the card ---------------------------------------------------------------------------------------------------------


class Trouble(Card):
    """The real card, failing as it is told to; a stall is short, because the logbook's thread lives in real time."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.mode = ""
        self._rng = rng
        self.met: Counter[str] = Counter()
        """Calls that failed, by the mode."""

    def _fail(self, *, writes: bool = False, path: bool = False) -> None:
        mode = self.mode
        code = 0
        if mode == "gone":
            code = errno.ENOENT if path else errno.EIO
        elif mode == "EIO" or (writes and mode == "EROFS") or (writes and mode == "ENOSPC"):
            code = getattr(errno, mode)
        elif mode == "stalls" and writes:
            self.met[mode] += 1
            time.sleep(float(self._rng.uniform(0.02, 0.2)))
        if code:
            self.met[mode] += 1
            raise OSError(code, os.strerror(code))

    def open(self, path: Path, flags: int) -> int:
        self._fail(writes=bool(flags & (os.O_WRONLY | os.O_RDWR)) and self.mode == "EROFS", path=True)
        return super().open(path, flags)

    def read(self, descriptor: int, size: int, offset: int) -> bytes:
        self._fail()
        return super().read(descriptor, size, offset)

    def write(self, descriptor: int, content: memoryview) -> int:
        if self.mode in {"short", "ENOSPC"} and len(content) > 1 and self._rng.random() < 0.5:
            self.met[self.mode] += 1
            return super().write(descriptor, content[: int(self._rng.integers(1, len(content)))])
        self._fail(writes=True)
        return super().write(descriptor, content)

    def fsync(self, descriptor: int) -> None:
        self._fail(writes=True)
        super().fsync(descriptor)

    def truncate(self, descriptor: int, size: int) -> None:
        self._fail(writes=self.mode == "EROFS")
        super().truncate(descriptor, size)

    def stat(self, at: Path | int) -> os.stat_result:
        self._fail(path=not isinstance(at, int))
        return super().stat(at)

    def names(self, folder: Path) -> Iterator[str]:
        self._fail(path=True)
        return super().names(folder)

    def make_folder(self, path: Path) -> None:
        self._fail(writes=True, path=True)
        super().make_folder(path)

    def replace(self, old: Path, new: Path) -> None:
        self._fail(writes=True, path=True)
        super().replace(old, new)


class Book(Logbook):
    """A logbook that remembers what it promised."""

    def __init__(self, *given: Any, **more: Any) -> None:
        self.promises: deque[tuple[Reading, Kept]] = deque(maxlen=20)
        super().__init__(*given, **more)

    def keep(self, reading: Reading, note: str = "") -> Kept:
        ticket = super().keep(reading, note)
        self.promises.append((reading, ticket))
        return ticket


# -- the buses and the pins -------------------------------------------------------------------------------------------


class Bus:
    """The I2C bus of a board with another that can hold it, and the truth about what was read from the chip."""

    def __init__(self, board: SimulatedBoard, pump: Do) -> None:
        self._bus, self._chip, self._time, self._pump = board.i2c, board.chip, board.time, pump
        self.held = False
        """Another has the bus, and does not give it back."""
        self.present = True
        """The chip answers at its address, and nothing else does."""
        self.heard_s = board.time.now_s()
        """End of the last conversion that was read [s]."""
        self.longest_s = 0.0
        """Longest silence since this was set to 0 [s]."""
        self.unlock = board.i2c.unlock
        self.writeto = board.i2c.writeto

    def try_lock(self) -> bool:
        self._pump()
        if self.held:
            self._time.pass_until(self._time.now + 1e-4)
            return False
        return self._bus.try_lock()

    def readfrom_into(self, address: int, buffer: bytearray, **part: Any) -> None:
        self._bus.readfrom_into(address, buffer, **part)
        self._hear()

    def writeto_then_readfrom(self, address: int, out: Any, into: bytearray, **part: Any) -> None:
        self._bus.writeto_then_readfrom(address, out, into, **part)
        self._hear()

    def _hear(self) -> None:
        done_s = self._chip.completed_s
        if self.present and self._chip._pointer == simulated_chip._CONVERSION and done_s > self.heard_s:
            self.longest_s = max(self.longest_s, self._time.now - self.heard_s)
            self.heard_s = done_s

    @property
    def silent_s(self) -> float:
        """Age of the last conversion that was read [s]."""
        return self._time.now - self.heard_s


def dip(chip: simulated_chip.Ads1015) -> None:
    """Take the chip's supply away for a moment: every register as after power-on, no conversion running (SBAS473)."""
    chip._settle(chip._time.now_s())
    chip._pointer, chip._config = simulated_chip._CONVERSION, simulated_chip.POWER_ON_CONFIG
    chip._lo_thresh, chip._hi_thresh = 0x8000, 0x7FFF
    chip._result, chip._busy, chip._ready, chip._ready_s = 0, False, False, math.inf
    chip._edges.clear()
    chip._set_alarm()


class Clock:
    """The board's virtual time, in which things happen on the way."""

    def __init__(self, board: SimulatedBoard, pump: Do, next_s: Callable[[], float]) -> None:
        self._time, self._pump, self._next_s = board.time, pump, next_s
        self.now_s = board.time.now_s

    def wait_until(self, when_s: float) -> None:
        while self._next_s() < when_s:
            self._time.wait_until(self._next_s())
            self._pump()
        self._time.wait_until(when_s)


class Wires:
    """An SPI bus that another can hold."""

    def __init__(self, spi: Any, time_: Any) -> None:
        self._spi, self._time = spi, time_
        self.held = False
        self.unlock, self.configure = spi.unlock, spi.configure
        self.write, self.deinit = spi.write, spi.deinit

    def try_lock(self) -> bool:
        return not self.held and self._spi.try_lock()


class Dimmer:
    """A backlight whose pin can fail."""

    def __init__(self, dimmer: Any) -> None:
        self._dimmer = dimmer
        self.failing = False
        self.close = dimmer.close

    @property
    def value(self) -> float:
        return float(self._dimmer.value)

    @value.setter
    def value(self, value: float) -> None:
        if self.failing:
            raise OSError(errno.EIO, "the pin does not answer")
        self._dimmer.value = value


def mock_pins() -> Any:
    """Return gpiozero's mock factory with pins that can fail and keep no history."""
    from gpiozero.pins.mock import MockFactory, MockPWMPin

    class Pin(MockPWMPin):  # type: ignore[misc]  # gpiozero has no types
        failing = False

        def _get_state(self) -> Any:
            if self.failing:
                raise OSError(errno.EIO, "the pin does not answer")
            return super()._get_state()

        def _set_state(self, value: float) -> None:
            if self.failing:
                raise OSError(errno.EIO, "the pin does not answer")
            super()._set_state(value)

        def _change_state(self, value: float) -> bool:
            changed = bool(self._state != value)
            self._state = value
            return changed

    return MockFactory(pin_class=Pin)


class Direct:
    """The converter without its reader thread, which real time would drive; its one promise is kept: see `Reader`."""

    def __init__(self, converter: Ads1015Converter) -> None:
        self._converter = converter

    def __getattr__(self, name: str) -> Any:
        return getattr(self._converter, name)

    def collect(self, until_s: float) -> bool:
        try:
            return self._converter.collect(until_s)
        except ConverterError as error:
            raise ConverterSilent(str(error)) from error


# -- what lies between the terminals ----------------------------------------------------------------------------------


class Leads:
    """A signal that is another one every few seconds: tones, cut or not, music, nothing, d.c., far too much."""

    def __init__(self, rng: np.random.Generator, scale: float) -> None:
        self._rng, self._scale = rng, scale
        self._scenes: deque[tuple[float, Callable[[FloatArray], FloatArray]]] = deque([(-math.inf, self._tone(40.0))])

    def _tone(self, hz: float, cut: float = 1.0, volts: float = 60.0) -> Callable[[FloatArray], FloatArray]:
        peak = volts * self._scale
        return lambda times_s: np.clip(peak * np.sin(2.0 * np.pi * hz * times_s), -cut * peak, cut * peak)

    def calm(self, at_s: float) -> None:
        """Go over to a clean tone."""
        self._begin(at_s, self._tone(TONE_HZ))

    def another(self, at_s: float) -> str:
        """Go over to something else; return what."""
        rng = self._rng
        kind = ("level", "cut", "other tone", "music", "lead off", "d.c.", "too much")[int(rng.integers(7))]
        hz, volts = rig.log_uniform(rng, 15.0, 250.0), rig.log_uniform(rng, 2.0, 180.0)
        dc = float(rng.uniform(-40.0, 40.0)) * self._scale
        match kind:
            case "level":
                self._begin(at_s, self._tone(TONE_HZ, volts=volts))
            case "cut":
                self._begin(at_s, self._tone(TONE_HZ, float(rng.uniform(0.6, 0.95)), volts))
            case "other tone":
                self._begin(at_s, self._tone(hz, volts=volts))
            case "music":
                notes = [rig.log_uniform(rng, 30.0, 400.0) for _ in range(5)]
                self._begin(at_s, lambda t: volts * self._scale * sum(np.sin(6.2 * n * t + n) for n in notes) / 5.0)
            case "lead off":
                self._begin(at_s, np.zeros_like)
            case "d.c.":
                self._begin(at_s, lambda t: np.full_like(t, dc))
            case _:
                self._begin(at_s, self._tone(TONE_HZ, volts=400.0))
        return kind

    def _begin(self, at_s: float, scene: Callable[[FloatArray], FloatArray]) -> None:
        self._scenes.append((at_s, scene))
        while len(self._scenes) > 4:
            self._scenes.popleft()

    def __call__(self, times_s: FloatArray) -> FloatArray:
        volts = self._scenes[0][1](times_s)
        for from_s, scene in itertools.islice(self._scenes, 1, None):
            if times_s[-1] >= from_s:
                volts = np.where(times_s >= from_s, scene(times_s), volts)
        return volts


# -- the world --------------------------------------------------------------------------------------------------------


class World:
    """Everything around the instrument, and what happens to it."""

    def __init__(self, seed: list[int], folder: Path) -> None:
        self.rng = np.random.default_rng(seed)
        self.folder = folder
        self.counts: Counter[str] = Counter()
        self._due: list[tuple[float, int, Do]] = []
        self._order = itertools.count()
        self._pumping = False
        self.speaker, self.line = Leads(self.rng, 1.0), Leads(self.rng, 1.0 / 60.0)
        self.wired = bool(self.rng.integers(2))
        board = SimulatedBoard(
            seed=int(self.rng.integers(1 << 30)), speaker=self.speaker, line=self.line, alert_wired=self.wired
        )
        self.board, self.time = board, board.time
        self.bus = Bus(board, self.pump)
        self.clock = Clock(board, self.pump, lambda: self._due[0][0] if self._due else math.inf)
        self.pins = mock_pins()
        for gpio in (*GPIO.values(), GPIO_LOW_BATTERY, GPIO_DIAG):
            self.pins.pin(gpio).drive_high()
        self.card = Trouble(np.random.default_rng([*seed, 1]))
        self.wall_offset_s = 0.0
        self.wire_fault_s = -math.inf
        """When the last fault of the panel's wires was over [s]."""
        self.last_fault_s = 0.0
        self.calm_from_s = math.inf
        self.new_glass()
        self._trouble()

    def new_glass(self) -> None:
        """Put in a panel that was just switched on."""
        rng = np.random.default_rng(int(self.rng.integers(1 << 30)))
        self.glass = SimulatedPanel(controller=("st7789", "ili9341")[rng.integers(2)], now_s=self.time.now_s, rng=rng)
        self.wires = Wires(self.glass.spi, self.time)
        self.dimmer = Dimmer(self.glass.backlight)
        self.wire_fault_s = self.time.now_s()

    # -- events

    def at(self, when_s: float, do: Do) -> None:
        heapq.heappush(self._due, (when_s, next(self._order), do))

    def pump(self) -> None:
        """Let everything happen that is due."""
        if self._pumping:
            return
        self._pumping = True
        try:
            while self._due and self._due[0][0] <= self.time.now:
                heapq.heappop(self._due)[2]()
        finally:
            self._pumping = False

    def _trouble(self) -> None:
        """Draw a round of trouble, and the calm after it."""
        begin_s = self.time.now
        calm_s = begin_s + float(self.rng.uniform(*TROUBLE_S))
        self.calm_from_s = math.inf
        seams: list[tuple[float, Callable[[float, float], None]]] = [
            (2.5, self._converter),
            (1.0, self._screen),
            (3.0, self._pin),
            (1.2, self._hand),
            (2.0, self._card),
            (6.0, self._wall),
            (3.0, self._signal),
            (8.0, self._battery),
        ]
        for mean_s, seam in seams:
            now_s = begin_s
            while (now_s := now_s + float(self.rng.exponential(mean_s))) < calm_s - 0.05:
                self.at(now_s, lambda s=seam, t=now_s: s(t, calm_s - 0.01))
        self.at(calm_s, lambda: self._calm(calm_s))
        self.at(calm_s + CALM_S, self._trouble)

    def _calm(self, now_s: float) -> None:
        self.calm_from_s = self.last_fault_s = now_s
        self.speaker.calm(now_s)
        self.line.calm(now_s)
        self.glass.clear_faults()
        self.counts["rounds"] += 1

    def _until(self, now_s: float, longest_s: float, end_s: float) -> float:
        return min(now_s + rig.log_uniform(self.rng, 0.02, longest_s), end_s)

    def _converter(self, now_s: float, end_s: float) -> None:
        kinds = ("refused", "refused some", "refused for a time", "refused long", "no chip", "another chip")
        kind = (*kinds, "stands still", "supply dip", "bus held")[int(self.rng.integers(9))]
        until_s = self._until(now_s, 15.0 if kind == "refused long" else 3.0, end_s)
        i2c, chip, bus = self.board.i2c, self.board.chip, self.bus
        if not bus.present or bus.held or chip.stuck:
            return
        self.counts[f"I2C: {kind}"] += 1

        def back() -> None:
            bus.present, bus.held = True, False
            i2c.attach(simulated_chip.ADDRESS, chip)

        def awake() -> None:
            chip.stuck = False

        match kind:
            case "refused":
                i2c.refuse(1)
            case "refused some":
                i2c.refuse(int(self.rng.integers(2, 200)))
            case "refused for a time" | "refused long":
                i2c.refuse()
                self.at(until_s, lambda: i2c.refuse(0))
            case "no chip":
                bus.present = False
                i2c.detach(simulated_chip.ADDRESS)
                self.at(until_s, back)
            case "another chip":
                bus.present = False
                i2c.attach(simulated_chip.ADDRESS, Stranger())
                self.at(until_s, back)
            case "stands still":
                chip.stuck = True
                self.at(until_s, awake)
            case "supply dip":
                dip(chip)
            case _:
                bus.held = True
                self.at(until_s, back)

    def _screen(self, now_s: float, end_s: float) -> None:
        kind = int(self.rng.integers(8))
        until_s = self._until(now_s, 2.0, end_s)
        glass, wires, dimmer = self.glass, self.wires, self.dimmer
        if kind < 5:
            fault = list(WireFault)[int(self.rng.integers(4))]
            # An update of a standing picture has some twenty transfers.
            glass.fault(fault, after_transfers=int(self.rng.integers(40)))
            self.counts[f"SPI: {fault.name.lower()}"] += 1
            self.wire_fault_s = max(self.wire_fault_s, now_s)
        elif kind == 5:
            glass.power_dip()
            self.counts["SPI: supply dip"] += 1
            self.wire_fault_s = max(self.wire_fault_s, now_s)
        elif kind == 6:
            wires.held = True
            self.counts["SPI: bus held"] += 1
            self.wire_fault_s = max(self.wire_fault_s, until_s)
            self.at(until_s, lambda: setattr(wires, "held", False))
        else:
            dimmer.failing = True
            self.counts["SPI: backlight fails"] += 1
            self.wire_fault_s = max(self.wire_fault_s, until_s)
            self.at(until_s, lambda: setattr(dimmer, "failing", False))

    def _pin(self, now_s: float, end_s: float) -> None:
        everything = [*GPIO.values(), GPIO_LOW_BATTERY, GPIO_DIAG, *OUTPUTS]
        one = [everything[int(self.rng.integers(len(everything)))]]
        for gpio in everything if self.rng.random() < 0.1 else one:
            pin = self.pins.pin(gpio)
            pin.failing = True
            self.counts["pins: output fails" if gpio in OUTPUTS else "pins: input fails"] += 1
            self.at(self._until(now_s, 3.0, end_s), lambda p=pin: setattr(p, "failing", False))

    # -- hands

    def _hand(self, now_s: float, end_s: float) -> None:
        rng = self.rng
        kind = int(rng.integers(12))
        button = list(Button)[int(rng.integers(4))]
        if kind < 5:
            self.counts["hands: press"] += 1
            self._press(button, now_s, float(rng.uniform(0.03, 0.6)), end_s)
        elif kind < 7:
            self.counts["hands: hold"] += 1
            self._press(button, now_s, float(rng.uniform(1.4, 3.0)), end_s)
        elif kind == 7:
            self.counts["hands: all at once"] += 1
            for each in Button:
                self._press(each, now_s + float(rng.uniform(0.0, 0.05)), float(rng.uniform(0.1, 12.0)), end_s)
        elif kind == 8:
            self.counts["hands: chatter"] += 1
            for _ in range(int(rng.integers(5, 60))):
                self._press(button, now_s, float(rng.exponential(0.004)), end_s)
                now_s += float(rng.exponential(0.01))
        elif kind == 9:
            self.counts["hands: foot switch"] += 1
            self._press(Button.FOOT, now_s, float(rng.uniform(0.05, 0.4)), end_s)
        elif kind == 10:
            self.counts["hands: set-up"] += 1
            presses = [Button.A, Button.A, *(Button("BC"[int(rng.integers(2))]) for _ in range(rng.integers(2, 30)))]
            for each in presses:
                self._press(each, now_s, 0.1, end_s)
                now_s += 0.25
        elif rng.random() < 0.3:
            self.counts["hands: shut down"] += 1
            self._press(Button.C, now_s, 1.7, end_s)
            self._press(Button.A, now_s + 1.9, 1.7, end_s)

    def _press(self, button: Button, at_s: float, for_s: float, end_s: float) -> None:
        pin = self.pins.pin(GPIO[button])
        if at_s < end_s:
            self.at(at_s, pin.drive_low)
            self.at(min(at_s + for_s, end_s), pin.drive_high)

    # -- the rest

    def _card(self, now_s: float, end_s: float) -> None:
        if self.card.mode:
            return
        kind = ("ENOSPC", "EROFS", "EIO", "short", "gone", "stalls")[int(self.rng.integers(6))]
        self.card.mode = kind
        self.counts[f"card: {kind}"] += 1
        self.at(min(now_s + float(self.rng.uniform(0.5, 8.0)), end_s), lambda: setattr(self.card, "mode", ""))

    def _wall(self, now_s: float, end_s: float) -> None:
        self.counts["wall clock jumps"] += 1
        hours = float(self.rng.uniform(-30.0, 30.0))
        self.wall_offset_s = 3600.0 * (hours if self.rng.random() < 0.8 else 9000.0 * hours)

    def _signal(self, now_s: float, end_s: float) -> None:
        ahead_s = self.time.now + 0.03  # conversions are worked out ahead
        self.counts[f"leads: {self.speaker.another(ahead_s)}"] += 1
        self.line.another(ahead_s)

    def _battery(self, now_s: float, end_s: float) -> None:
        self.counts["low battery"] += 1
        self._battery_pin.drive_low()
        self.at(self._until(now_s, 5.0, end_s), self._battery_pin.drive_high)

    @property
    def _battery_pin(self) -> Any:
        return self.pins.pin(GPIO_LOW_BATTERY)

    def wall_s(self) -> float:
        return time.time() + self.wall_offset_s
