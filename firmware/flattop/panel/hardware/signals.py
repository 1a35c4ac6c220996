"""The lamp and the sounder on their pins, played by a thread of their own."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable
from functools import partial
from typing import Protocol

from flattop.errors import PanelError, listed
from flattop.panel.hardware.pins import Part, error_text, factory_or_default
from flattop.panel.indicators import LOWEST_HZ, Player, Signal

# BCM numbers of the wiring.
LAMP = (("lamp, red", 17), ("lamp, green", 27), ("lamp, blue", 22))
GPIO_SOUNDER = 13

LAMP_HZ = 200
"""Not seen flickering; timed in software, as lgpio does it, still even."""
BEAT_S = 0.5
"""Longest wait of the thread; a pin that failed is tried again after it."""
DEAD_S = 2.0
"""A thread that has not come round for this long [s] is stuck in a pin."""
JOIN_S = 1.0
_SHORTEST_WAIT_S = 0.001
_DRIVEN = 0.5
"""Duty cycle of the sounder: a square wave, the loudest there is."""


class PwmPin(Protocol):
    """A pulse-width output as gpiozero has it; `value` from 0 to 1, `frequency` in Hz."""

    value: float
    frequency: float

    def close(self) -> None:
        """Let go of the pin."""
        ...


class Signals:
    """Lamp and sounder.

    `show`, `lead` and `once` say what to play and return at once. A pin that fails costs only
    itself: it is counted, told in `fault`, and tried again. All pins are off after `close`, and after an error that
    ends the thread.

    Parameters
    ----------
    pin_factory : a gpiozero factory; by default the one over lgpio.
    clock : monotonic seconds.
    start : start the thread; without it the owner calls `step`.
    frozen_after_s : from its first `show` until it shuts down, the owner has to call it at least this often [s]; if
        it does not, the screen is frozen, and lamp and sounder say that the meter does not answer.

    Raises
    ------
    PanelError
        Neither lamp nor sounder can be opened; all faults in one error. If only some of the pins can, the rest works.
    """

    def __init__(
        self,
        *,
        pin_factory: object | None = None,
        clock: Callable[[], float] = time.monotonic,
        start: bool = True,
        frozen_after_s: float = math.inf,
    ) -> None:
        factory = factory_or_default(pin_factory)
        from gpiozero import PWMLED, PWMOutputDevice

        self._clock = clock
        self._leds: list[Part[PwmPin]] = [
            Part(name, gpio, partial(PWMLED, gpio, frequency=LAMP_HZ, pin_factory=factory), clock)
            for name, gpio in LAMP
        ]
        make = partial(PWMOutputDevice, GPIO_SOUNDER, frequency=LOWEST_HZ, pin_factory=factory)
        self._sounder: Part[PwmPin] = Part("sounder", GPIO_SOUNDER, make, clock)
        if not any(part.opened() for part in self._parts):
            raise PanelError(listed("lamp and sounder cannot be used:", [part.fault for part in self._parts]))
        self._duties: dict[int, float] = {}
        self._pitch_hz = math.nan
        self._player = Player()
        self._changed = threading.Condition()
        self._asked = False
        """Something was asked for that no round has seen."""
        self._round_s = clock()
        """End of the last round of the thread."""
        self._frozen_after_s = frozen_after_s
        self._shown_s = math.inf
        """When the owner last said what to show; infinity before the first time, and once it shuts down."""
        self._run = 0
        """Number of the thread that may write; one that was stuck and given up must not, should it come back."""
        self._thread: threading.Thread | None = None
        self._died = ""
        self._closed = False
        if start:
            self.restart()

    def show(self, signal: Signal, tone_hz: float | None = None) -> None:
        """Go over to a lasting signal; no pitch comes near the test tone `tone_hz`. The same signal again goes on."""
        self.lead(signal, math.nan, tone_hz)

    def lead(self, signal: Signal, off: float, tone_hz: float | None = None) -> None:
        """Go over to a lasting signal as `show` does, and lead a hand that is `off` tolerances above its aim.

        What `Player.lead` says holds; call it in the place of `show` for as long as there is an aim.
        """
        with self._changed:
            now_s = self._clock()
            self._shown_s = math.inf if signal is Signal.SHUTTING_DOWN else now_s
            self._player.lead(signal, off, time_s=now_s, tone_hz=tone_hz)
            self._ask()

    def once(self, signal: Signal) -> None:
        """Play a passing signal, after which the lasting one goes on."""
        with self._changed:
            self._player.once(signal, time_s=self._clock())
            self._ask()

    @property
    def muted(self) -> bool:
        """True while the sounder is silent; the lamp goes on."""
        return self._player.muted

    @muted.setter
    def muted(self, muted: bool) -> None:
        with self._changed:
            self._player.muted = muted
            self._ask()

    @property
    def brightness(self) -> float:
        """Share of the lamp's full light, 0 to 1; a value outside is taken as the nearest."""
        return self._player.brightness

    @brightness.setter
    def brightness(self, share: float) -> None:
        with self._changed:
            self._player.brightness = min(max(share, 0.0), 1.0)
            self._ask()

    @property
    def alive(self) -> bool:
        """False where no thread plays: not started, ended by an error, or stuck in a pin for `DEAD_S`."""
        thread = self._thread
        return thread is not None and thread.is_alive() and self._clock() - self._round_s < DEAD_S

    @property
    def fault(self) -> str:
        """What does not work, one a line; empty if all does."""
        faults = [part.fault for part in self._parts if part.fault]
        if self._died:
            faults.append(self._died)
        elif self._thread is not None and not self._closed and not self.alive:
            faults.append(f"lamp and sounder have stood still for {DEAD_S:g} s: restart them")
        return "\n".join(faults)

    @property
    def failures(self) -> int:
        """Times that a pin failed."""
        return sum(part.failures for part in self._parts)

    @property
    def _parts(self) -> list[Part[PwmPin]]:
        return [*self._leds, self._sounder]

    def restart(self) -> None:
        """Start the thread, if none is alive; harmless otherwise, and after `close`."""
        if self._closed or self.alive:
            return
        with self._changed:
            self._run += 1
            self._died = ""
            self._round_s = self._clock()
            self._duties, self._pitch_hz = {}, math.nan
            self._thread = threading.Thread(target=self._play, args=(self._run,), name="signals", daemon=True)
            self._thread.start()

    def _ask(self) -> None:
        self._asked = True
        self._changed.notify_all()

    def _play(self, run: int) -> None:
        try:
            while self._may_write(run):
                wait_s = self._round(run)
                with self._changed:
                    self._changed.wait_for(lambda: self._asked, wait_s)
        except Exception as error:  # nothing may be raised into the void: the owner reads it in `fault`
            if self._may_write(run):
                self._died = f"lamp and sounder stopped: {error_text(error)}: restart them"
                self._silence()

    def step(self) -> float:
        """Bring the pins to what they are to do now; return after how many seconds that has to be done again.

        For an owner without a thread.
        """
        return self._round(self._run)

    def _may_write(self, run: int) -> bool:
        return run == self._run and not self._closed

    def _round(self, run: int) -> float:
        with self._changed:
            self._asked = False
            now_s = self._clock()
            if now_s - self._shown_s > self._frozen_after_s:
                self._player.show(Signal.FAULT, time_s=now_s)
            output = self._player.at(now_s)
        # Pins are written without the lock: one that blocks must not block show().
        for index, (led, duty) in enumerate(zip(self._leds, output.lamp, strict=True)):
            if self._duties.get(index) != duty and self._may_write(run):
                self._duties[index] = duty if led.use(partial(_dim, duty)) else math.nan
        pitch_hz = output.pitch_hz
        if self._pitch_hz != pitch_hz and self._may_write(run):
            self._pitch_hz = pitch_hz if self._sounder.use(partial(_hum, pitch_hz)) else math.nan
        if run == self._run:
            self._round_s = self._clock()
        return min(max(output.until_s - now_s, _SHORTEST_WAIT_S), BEAT_S)

    def _silence(self) -> None:
        """Lamp and sounder off, each as far as it can be."""
        for led in self._leds:
            led.use(partial(_dim, 0.0))
        self._sounder.use(partial(_hum, 0.0))

    def close(self) -> None:
        """Lamp and sounder off, and let go of the pins; harmless twice. Returns within `JOIN_S` of a stuck thread."""
        if self._closed:
            return
        with self._changed:
            self._closed = True
            self._ask()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join(JOIN_S)
        self._silence()
        for part in self._parts:
            part.close()


def _dim(duty: float, led: PwmPin) -> bool:
    """Set one colour of the lamp; True, as `Part.use` gives nothing where that fails."""
    led.value = duty
    return True


def _hum(pitch_hz: float, sounder: PwmPin) -> bool:
    """Sound a pitch, or nothing; True likewise."""
    if pitch_hz > 0:
        sounder.frequency = pitch_hz
        sounder.value = _DRIVEN
    else:
        sounder.value = 0.0
    return True
