"""An ADS1015 at register level, after its datasheet (Texas Instruments SBAS473).

Not modelled: the comparator proper (the ALERT/RDY pin works as conversion-ready only), the general-call
reset and the high-speed bus mode.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from collections.abc import Sequence
from math import inf
from typing import Protocol

import numpy as np

from flattop.samples import FloatArray
from flattop.simulated.bus import VirtualTime
from flattop.simulated.frontend import MAX_SPAN_S, FrontEnd

ADDRESS = 0x48
"""I2C address with the ADDR pin at ground."""
POWER_ON_CONFIG = 0x8583
LSB_V = (3e-3, 2e-3, 1e-3, 0.5e-3, 0.25e-3, 0.125e-3)
"""One code on each range, widest first [V] (SBAS473, full-scale range and LSB size)."""
LOAD_OHM = (22e6, 15e6, 4.9e6, 2.4e6, 0.71e6, 0.71e6)
"""Differential input impedance on each range, typical (SBAS473, electrical characteristics)."""
RATES_HZ = (128, 250, 490, 920, 1600, 2400, 3300, 3300)
"""Nominal conversions a second by the DR bits."""
WAKE_UP_S = 25e-6
"""From power-down to the start of a conversion (SBAS473, single-shot mode)."""
CALL_BACK_S = 5e-3
"""Shortest time from one delivery of edges to the next [s]."""
READY_PULSE_S = 8e-6
"""ALERT/RDY after each conversion in continuous mode (SBAS473, conversion-ready pin)."""

_CONVERSION, _CONFIG, _LO_THRESH, _HI_THRESH = range(4)
_OS, _SINGLE_SHOT, _COMP_POL, _COMP_QUE_OFF = 0x8000, 0x0100, 0x0008, 0x0003
_SPAN_S = 0.9 * MAX_SPAN_S


class AlertPin(Protocol):
    """What the ALERT/RDY output drives."""

    def drive(self, level: bool, at_s: float) -> None:
        """Take an edge that happened at `at_s`."""
        ...

    def dip(self, at_s: Sequence[float]) -> bool:
        """Take whole low pulses that began at `at_s`; False if someone waits for their ends as well."""
        ...


class Ads1015:
    """The chip: four registers, a free-running oscillator, and conversions that average their input.

    Conversions are worked out some ten milliseconds ahead and thrown away where the settings change.

    noise_lsb, noise_v
        Input-referred noise of each conversion, rms: relative to the range, and a floor added to it in power.
    edge_jitter_s
        Mean delay of an edge's time stamp behind the edge, exponentially spread [s].
    edge_loss
        Share of conversions whose edges the host does not see.
    """

    __slots__ = (
        "_alert",
        "_busy",
        "_call_back_s",
        "_config",
        "_delivered_s",
        "_edge_jitter_s",
        "_edge_loss",
        "_edges",
        "_ends",
        "_front_end",
        "_hi_thresh",
        "_i",
        "_lo_thresh",
        "_noise_lsb",
        "_noise_v",
        "_pointer",
        "_ready",
        "_ready_s",
        "_result",
        "_rng",
        "_stamps",
        "_stuck",
        "_time",
        "_told",
        "_tolerances",
        "_words",
        "completed_s",
    )

    def __init__(
        self,
        front_end: FrontEnd,
        time: VirtualTime,
        *,
        rng: np.random.Generator,
        alert: AlertPin | None = None,
        noise_lsb: float = 0.2,
        noise_v: float = 28e-6,
        edge_jitter_s: float = 2e-6,
        edge_loss: float = 0.001,
        call_back_s: float = CALL_BACK_S,
    ) -> None:
        self._front_end = front_end
        self._tolerances = front_end.tolerances
        self._time = time
        self._rng = rng
        self._alert = alert
        self._noise_lsb = noise_lsb
        self._noise_v = noise_v
        self._edge_jitter_s = edge_jitter_s
        self._edge_loss = edge_loss
        self._call_back_s = call_back_s
        self._pointer = _CONVERSION
        self._config = POWER_ON_CONFIG
        self._lo_thresh = 0x8000
        self._hi_thresh = 0x7FFF
        self._result = 0
        self._stuck = False
        self._busy = False
        self._ready = False  # ALERT/RDY set up as conversion-ready, and wired
        self._ends: list[float] = []
        self._words: list[int] = []
        self._i = 0
        self._ready_s = inf
        self._stamps: list[float] = []
        self._told = 0
        """Conversions of the present stretch whose edges are delivered, or wait in `_edges`."""
        self._edges: deque[tuple[float, bool | None]] = deque()
        # Time, and the level from then on; None for a whole pulse.
        self._delivered_s = -inf
        if alert is not None:
            time.alarm = self._deliver
        self.completed_s = -inf
        """When the conversion in the register was completed [s]; the truth, for tests only."""

    # --- the bus side

    def word(self, at_s: float) -> int:
        """Return the register under the pointer as it stands at `at_s`."""
        if at_s >= self._ready_s:
            self._settle(at_s)
        if self._pointer == _CONVERSION:
            return self._result
        if self._pointer == _CONFIG:
            # OS reads 0 while a conversion is running; so it does all the time in continuous mode.
            return self._config & ~_OS | (0 if self._busy else _OS)
        return self._lo_thresh if self._pointer == _LO_THRESH else self._hi_thresh

    def write(self, at_s: float, data: bytes) -> None:
        """Set the pointer from the first byte, and its register from two more."""
        if not data:
            return
        self._settle(at_s)
        self._queue_edges()
        self._pointer = data[0] & 0x03
        if len(data) < 3:
            return
        value = data[1] << 8 | data[2]
        if self._pointer == _CONFIG:
            self._configure(at_s, value)
        elif self._pointer == _LO_THRESH:
            self._lo_thresh = value & 0xFFF0  # the low nibbles are read-only
        elif self._pointer == _HI_THRESH:
            self._hi_thresh = value | 0x000F
        ready = self._hi_thresh & 0x8000 and not self._lo_thresh & 0x8000
        enabled = self._config & _COMP_QUE_OFF != _COMP_QUE_OFF
        self._ready = bool(ready and enabled and self._alert is not None)
        self._set_alarm()

    # --- faults

    @property
    def stuck(self) -> bool:
        """The oscillator stands still: no conversion is ever completed; the registers still answer."""
        return self._stuck

    @stuck.setter
    def stuck(self, stuck: bool) -> None:
        now_s = self._time.now_s()
        self._settle(now_s)
        self._stuck = stuck
        if stuck:
            self._ready_s = inf
        elif self._busy:
            self._start(now_s)
        self._set_alarm()

    # --- conversions

    def _configure(self, at_s: float, value: int) -> None:
        self._config = value & ~_OS
        if self._busy:
            # The running conversion finishes with the old settings, whatever was written; OS has no effect.
            del self._ends[self._i + 1 :], self._words[self._i + 1 :]
        elif value & _OS or not value & _SINGLE_SHOT:
            self._start(at_s)

    def _start(self, at_s: float) -> None:
        """Leave power-down: a new phase of the conversion grid."""
        self._busy = True
        if self._ready and self._config & _SINGLE_SHOT:
            self._edges.append((at_s, not self._active))
        if not self._stuck:
            self._convert_from(at_s + WAKE_UP_S)

    def _settle(self, at_s: float) -> None:
        """Complete every conversion that ends by `at_s`."""
        i, ends = self._i + 1, self._ends
        if i < len(ends) and self._ready_s <= at_s < ends[i]:
            # Who reads every conversion asks for the next one, thousands of times a second: the same as below.
            self._i, self._ready_s = i, ends[i]
            self._result, self.completed_s = self._words[i - 1], ends[i - 1]
            return
        while at_s >= self._ready_s:
            i = bisect_right(self._ends, at_s, self._i)
            self._result = self._words[i - 1]
            self.completed_s = end_s = self._ends[i - 1]
            self._i = i
            if i < len(self._ends):
                self._ready_s = self._ends[i]
                return
            self._queue_edges()
            if self._config & _SINGLE_SHOT:
                self._busy = False
                self._ready_s = inf
            else:
                self._convert_from(end_s)

    def _queue_edges(self) -> None:
        """Put the edges of what is completed in the queue, before what they belong to is gone or set up anew."""
        if self._ready:
            level = self._active if self._config & _SINGLE_SHOT else None
            self._edges.extend((stamp_s, level) for stamp_s in self._stamps[self._told : self._i] if stamp_s < inf)
        self._told = self._i

    def _convert_from(self, start_s: float) -> None:
        """Work out the next conversions with the present settings."""
        single = bool(self._config & _SINGLE_SHOT)
        period_s = 1 / (RATES_HZ[self._config >> 5 & 7] * (1 + self._tolerances.oscillator))
        count = 1 if single else max(1, int(_SPAN_S / period_s))
        rough_s = start_s + period_s * np.arange(count)
        wander = self._tolerances.drift * np.sin(
            2 * np.pi * rough_s / self._tolerances.drift_period_s + self._tolerances.drift_phase
        )
        edges_s = start_s + np.concatenate(([0.0], np.cumsum(period_s * (1 + wander))))
        self._ends = edges_s[1:].tolist()
        self._words = self._convert(edges_s)
        if self._alert is not None:
            stamps_s = edges_s[1:] + self._rng.exponential(self._edge_jitter_s, count)
            stamps_s[self._rng.random(count) < self._edge_loss] = inf
            self._stamps = stamps_s.tolist()
        self._i = self._told = 0
        self._ready_s = self._ends[0]

    def _convert(self, edges_s: FloatArray) -> list[int]:
        """Return the left-justified two's complement words of the conversions between edges."""
        pga = min(self._config >> 9 & 7, len(LSB_V) - 1)
        truth = self._tolerances
        load_ohm = LOAD_OHM[pga] * (1 + truth.load[pga])
        volts = self._front_end.means(self._config >> 12 & 7, load_ohm, edges_s)
        lsb = volts * ((1 + truth.adc_gain[pga]) / LSB_V[pga])
        bend = np.clip(lsb / 2048, -1, 1)
        lsb += truth.adc_offset_lsb + truth.adc_cubic_lsb * (bend * bend - 1) * bend
        noise = float(np.hypot(self._noise_lsb, self._noise_v / LSB_V[pga]))
        if noise:
            lsb += self._rng.normal(0.0, noise, len(lsb))
        codes = np.clip(np.rint(lsb), -2048, 2047).astype(np.int64)
        words: list[int] = (codes << 4 & 0xFFFF).tolist()
        return words

    # --- ALERT/RDY

    @property
    def _active(self) -> bool:
        """Level of the pin while it is asserted."""
        return bool(self._config & _COMP_POL)

    def _set_alarm(self) -> None:
        if self._alert is not None:
            next_s = self._ready_s if self._ready else inf
            if self._edges:
                next_s = self._edges[0][0]
            elif self._told < self._i:
                next_s = self._ends[self._told]
            # Call-backs come from a thread that the kernel wakes when it can; the stamps are those of the edges.
            self._time.alarm_s = max(next_s, self._delivered_s + self._call_back_s)

    def _deliver(self, now_s: float) -> None:
        """Bring the pin up to date: call-backs run in the order of the edges, once time has passed them."""
        if now_s >= self._ready_s:
            self._settle(now_s)
        self._delivered_s = now_s
        self._queue_edges()
        edges, active = self._edges, self._active
        while self._alert is not None and edges and edges[0][0] <= now_s:
            at_s, level = edges.popleft()
            if level is not None:
                self._alert.drive(level, at_s)
                continue
            pulses_s = [at_s]
            while edges and edges[0][0] <= now_s and edges[0][1] is None:
                pulses_s.append(edges.popleft()[0])
            if active or not self._alert.dip(pulses_s):
                for at_s in reversed(pulses_s):
                    edges.extendleft([(at_s + READY_PULSE_S, not active), (at_s, active)])
        self._set_alarm()
