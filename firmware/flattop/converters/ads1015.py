"""The bass converter: an ADS1015 that runs free, polled by the host, put on its own recovered clock.

`Chip` (ads1015_chip.py) knows the chip and its library, `Grid` (grid.py) finds the clock; here reads become samples:
when to read, which range, which read belongs to which conversion, and what it is in volts at the terminals.
"""

from __future__ import annotations

import math
import random
import threading
from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from copy import copy
from dataclasses import dataclass, replace
from itertools import takewhile
from typing import Any

import numpy as np
from numpy.typing import NDArray

from flattop.calibration import Calibration, InputCalibration
from flattop.converters import Timebase
from flattop.converters.ads1015_chip import Alert, Chip
from flattop.converters.frontend import (
    CALIBRATED_GAIN_U,
    CALIBRATED_OFFSET_SHARE,
    CALIBRATED_POLE_U,
    CHANNELS,
    INPUT_OHM,
    LSB_V,
    OVERDRIVEN,
    POLE_U,
    RANGES,
    image_gain,
    loading,
    path_response,
)
from flattop.converters.grid import Events, Grid, brackets
from flattop.errors import ConverterError, ConverterSilent
from flattop.samples import Clock, Facts, FloatArray, Input, Quality, Samples

TOP_CODE, BOTTOM_CODE = 2047, -2048
READS_PER_PERIOD = 2.0
BURST_S = 0.025
"""Reads go in bursts of this length, or up to the first code at a rail; then the range is looked at [s]."""
RAILS = (0x7FF0, 0x8000)
"""The words at the two ends of the range: the code, left-justified, in two's complement."""
GUARD_S = 10e-6
"""Reads this close to a completion, beyond their own doubt, may hold either conversion [s]."""
EDGE_GUARD_S = 36e-6
"""The same where the grid comes from edges: where in its transaction the chip latches is not known then [s]."""
LATE_S = 80e-6
"""A transaction longer than the quick ones by more than this was interrupted: such a read is dropped [s]."""
WAKE_S = 30e-6
"""How late a wait is expected to end [s]."""
RANGE_UP = 0.95
RANGE_DOWN = 0.75
"""A narrower range is taken when the level would stay below this share of it ..."""
RANGE_DOWN_S = 0.4
"""... and has done so for this long [s]: a hysteresis in level and in time."""
OTHER_RATE = {3300: 2400, 2400: 3300, 1600: 3300}
"""Data rate at which a doubtful tone is looked at again: no low multiples of the two agree."""
EDGES_SHARE = (0.3, 1.4)
"""Edges over conversions, fewest and most, for the ready line to be believed."""
EDGES_WEIGHT = 0.1
"""Of a burst in the rate of the edges that is reported."""
CONFIRM_S, CONFIRM_CYCLES = 0.02, 2.0
"""For how long: a time, and some cycles on top."""
STALE_S = 0.2
"""Reads older than this are not measured any more [s]."""
CHECK_S = 0.25
"""Time from one look at the chip's settings to the next: a dip of its supply resets it in silence [s]."""
STUCK_S = 0.35
"""A register that has not changed for this long is suspect [s]: its number must not stand for 0.5 s."""
KEEP_S = 2.5
"""Reads are kept this long [s]."""
CHIP_NOISE_LSB = 0.2
"""Input-referred noise of the chip, rms; together with the rounding of the codes (1/sqrt(12))."""


@dataclass(frozen=True, slots=True, eq=False)
class _Burst:
    """Reads of one burst, all on one range.

    The chip latched at `times_s`, give or take `doubt_s`: a read that took longer than the quick ones was held up
    either before or after that, nobody knows which.
    """

    times_s: FloatArray
    doubt_s: FloatArray
    codes: NDArray[np.int64]
    range_v: float
    epoch: int
    """The grid's; reads of another epoch have no place on the present grid."""


def _codes(words: NDArray[np.uint16]) -> NDArray[np.int64]:
    """Return the codes, -2048 to 2047, of left-justified words in two's complement."""
    return (words.view(np.int16) >> 4).astype(np.int64)


def _code_v(input: Input, range_v: float) -> float:
    """Return one code at the terminals by the nominal circuit [V]."""
    return LSB_V[range_v] * CHANNELS[input].ratio / loading(range_v)


class Ads1015Converter:
    """A `Converter` on an ADS1015.

    bus : an I2C bus as Blinka gives it, or a function that opens one and is asked again until it can
    time : the clock that reads are stamped with; edges of `alert` must come with the same
    alert : the ready line, or None where it is not wired
    calibration : gains and offsets of this meter; for an input without one the nominal circuit is used, and said so
    """

    name = "ads1015"

    def __init__(
        self,
        bus: Any,
        time: Timebase,
        *,
        input: Input = Input.SPEAKER,
        address: int = 0x48,
        rate: int = 3300,
        alert: Alert | None = None,
        calibration: Calibration | None = None,
        simulated: bool = False,
    ) -> None:
        self._chip = Chip(
            bus if callable(bus) else lambda: bus, time, address=address, rate=rate, ready_line=alert is not None
        )
        self._time = time
        self._input = input
        self._rate = rate
        self._calibration = calibration
        self._simulated = simulated
        self._nominal_s = 1.0 / rate
        self._grid = Grid(self._nominal_s)
        self._alert = alert
        self._edges: deque[float] = deque(maxlen=2 * rate)
        self._edges_flow = False
        self._edges_hz: float | None = None
        self._held = False
        self._peaks: deque[tuple[float, int]] = deque()
        self._bursts: deque[_Burst] = deque()
        self._state = threading.Lock()
        """Held while bursts or grid change: `latest` may be called from another thread."""
        self._last: tuple[float, int] | None = None
        self._quick_s = math.nan
        self._changed_s = -math.inf
        self._pause = random.Random(1)
        self._checked_s = self._restarted_s = -math.inf
        self._working = False

    # -- the Converter protocol -----------------------------------------------------------------------------------

    @property
    def input(self) -> Input:
        """The input that is being sampled."""
        return self._input

    @property
    def range_v(self) -> float:
        """The present range of the converter, at its pins [V]."""
        return self._chip.range_v

    @property
    def edges_hz(self) -> float | None:
        """Edges of the ready line in a second, lately [Hz]; None while nothing was read, or where it is not wired."""
        return self._edges_hz if self._alert is not None else None

    @property
    def grid(self) -> Grid:
        """The recovered clock."""
        return self._grid

    def select(self, input: Input) -> None:
        """Sample another input from the next `collect` on."""
        if input is not self._input:
            with self._state:
                self._input = input
                self._bursts.clear()
            self._working = False

    def use_range(self, range_v: float) -> None:
        """Take a range and stay on it until `hold_range(False)`, as a calibration of each range needs.

        Raises what `collect` raises.
        """
        with self._answering():
            if not self._working:
                self._start()
            self._set_range(range_v)
            self._held = True

    def hold_range(self, held: bool) -> None:
        """Forbid or allow range changes; a level too high for the range still widens it."""
        self._held = held

    def collect(self, until_s: float) -> bool:
        """Poll the chip until `until_s`.

        Raises ConverterMissing if nothing or another chip answers at start, ConverterSilent if it falls silent.
        """
        with self._answering():
            if not self._working:
                self._start()
            while (now_s := self._time.now_s()) < until_s:
                if now_s - self._checked_s > CHECK_S:
                    self._chip.check()
                    self._checked_s = now_s
                self._burst(min(until_s, now_s + BURST_S))
        return True

    def confirm(self, hz: float) -> bool:
        """Sample at another rate for some cycles: a tone stays where it is, an image moves by what the rates differ.

        Takes some 0.1 s, during which nothing is collected. Raises what `collect` raises.
        """
        with self._answering():
            before, _ = self._level_at(hz, self._rate)
            other, beside = self._level_at(hz, OTHER_RATE[self._rate])
            self._set_rate(self._rate)
            return other > 0.5 * before and beside < 0.5 * other

    @contextmanager
    def _answering(self) -> Iterator[None]:
        """Turn any failure of the bus into ConverterSilent, and begin anew at the next call."""
        try:
            yield
        except OSError as error:
            self._working = False
            self._forget()
            if isinstance(error, ConverterError):
                raise
            raise ConverterSilent(
                f"the ADS1015 does not answer any more ({error}); check its supply and the I2C lines"
            ) from error

    def latest(self, duration_s: float) -> Samples:
        """Return the last `duration_s` seconds of this input on the converter's own grid.

        While the grid is not known yet the times are those of the reads.
        """
        with self._state:
            grid, bursts = copy(self._grid), list(self._bursts)
            edges_flow, chosen = self._edges_flow, self._input
        from_s = float(bursts[-1].times_s[-1]) - duration_s if bursts else 0.0
        recent = list(
            takewhile(lambda burst: burst.times_s[-1] >= from_s and burst.epoch == grid.epoch, reversed(bursts))
        )[::-1]
        # A number that is old is none: where reads have stopped coming the block is empty.
        if not recent or self._time.now_s() - float(recent[-1].times_s[-1]) > STALE_S:
            facts = self._facts(chosen, self._nominal_s, self._chip.range_v)
            return Samples(np.empty(0), np.empty(0), facts, self._quality(grid, np.empty(0), 0, 0))
        # Where the range has just changed, the coarser codes rule the block.
        range_v = max(burst.range_v for burst in recent)
        times_s = np.concatenate([burst.times_s for burst in recent])
        codes = np.concatenate([burst.codes for burst in recent])
        volts, widest = self._scaled(chosen, codes, recent)
        at_rail = (codes >= TOP_CODE) | (codes <= BOTTOM_CODE)
        asked = times_s >= from_s
        # On a narrower range a code at the rail is the moment before the range was widened: no level to keep.
        usable = asked & ~(at_rail & ~widest)
        saturated = int(np.count_nonzero(at_rail & widest & asked))
        reads = int(np.count_nonzero(asked))
        if not grid.locked:
            # All reads, repeats too: keeping those that changed would keep each code where it is reached, and no crest.
            when = times_s[usable] - 0.5 * self._nominal_s
            return Samples(
                when,
                volts[usable],
                self._facts(chosen, self._nominal_s, range_v),
                self._quality(grid, when, reads, saturated),
            )
        position = grid.index(times_s)
        index = np.floor(position).astype(np.int64)
        guard = (EDGE_GUARD_S if edges_flow else GUARD_S) / grid.period_s
        inside = position - index
        doubt = guard + np.concatenate([burst.doubt_s for burst in recent]) / grid.period_s
        usable &= (inside > doubt) & (inside < 1.0 - doubt)
        index, volts = index[usable], volts[usable]
        # Of the reads of one conversion, which follow one another, the first is kept.
        fresh = np.diff(index, prepend=index[:1] - 1) > 0
        when = grid.times(index[fresh]) - 0.5 * grid.period_s
        return Samples(
            when,
            volts[fresh],
            self._facts(chosen, grid.period_s, range_v),
            self._quality(grid, when, reads, saturated),
        )

    def close(self) -> None:
        """Let go of the ready line; the bus belongs to the caller."""
        if self._alert is not None:
            self._alert.close()
        self._working = False

    # -- talking to the chip --------------------------------------------------------------------------------------

    def _start(self) -> None:
        """Set the chip going, and forget what was before."""
        if self._alert is not None:
            self._alert.listen(self._edges.append)
        self._chip.start(self._input, RANGES[0], self._rate)
        self._restart_grid()
        self._forget()
        self._checked_s = self._time.now_s()
        self._working = True

    def _set_range(self, range_v: float) -> None:
        """Change the range; the chip goes on without a break, so the grid stays."""
        self._chip.set_range(range_v)
        self._peaks.clear()
        self._last = None

    def _set_rate(self, rate: int) -> None:
        """Change the data rate, and with it the grid: its phase has to be found again."""
        self._chip.set_rate(rate)
        self._restart_grid()
        self._last = None

    def _level_at(self, hz: float, rate: int) -> tuple[float, float]:
        """Return the amplitude at `hz` and the RMS of the rest [codes] at a data rate, from read times alone."""
        self._set_rate(rate)
        read = self._chip.reader()
        begun_s = now_s = self._time.now_s()
        times_s, words = [], []
        while now_s - begun_s < CONFIRM_S + CONFIRM_CYCLES / hz:
            self._chip.allow()
            word = read()
            if word is not None:
                words.append(word)
                times_s.append(now_s - begun_s)
            self._time.wait_until(now_s + (0.5 + self._pause.random()) / rate)
            now_s = self._time.now_s()
        angle = 2.0 * math.pi * hz * np.array(times_s)
        columns = np.stack([np.ones_like(angle), np.cos(angle), np.sin(angle)], axis=1)
        codes = _codes(np.array(words, dtype=np.uint16)).astype(np.float64)
        found = np.linalg.lstsq(columns, codes, rcond=None)[0]
        return math.hypot(found[1], found[2]), float(np.std(codes - columns @ found))

    def _burst(self, until_s: float) -> None:
        """Read until `until_s`, follow the grid, and choose the range."""
        now_s, wait_until, read = self._time.now_s, self._time.wait_until, self._chip.reader()
        pause = self._pause.random
        # With the ready line on a known grid, one read in the middle of every conversion is all that is needed.
        # Without it the reads themselves find the completions; at equal distances they would draw some of their own
        # onto the grid, so they are scattered by half.
        on_grid = self._grid.locked and self._edges_flow
        next_middle, lead_s = self._grid.next_middle, 0.5 * self._quick_s + WAKE_S
        period_s = self._grid.period_s
        shortest_s = 0.5 * self._nominal_s / READS_PER_PERIOD
        before: list[float] = []
        after: list[float] = []
        words: list[int] = []
        self._chip.allow()
        begun_s = now_s()
        middle_s = -math.inf
        while begun_s < until_s:
            word = read()
            done_s = now_s()
            if word is not None:
                before.append(begun_s)
                words.append(word)
                after.append(done_s)
                if word in RAILS and self._chip.range_v != RANGES[0]:
                    break
            if on_grid:
                # Most reads are followed by the very next conversion: only others need to look it up.
                middle_s += period_s
                if not lead_s < middle_s - done_s <= lead_s + period_s:
                    middle_s = next_middle(done_s + lead_s)
                wait_until(middle_s - lead_s)
            else:
                wait_until(begun_s + shortest_s * (1.0 + 2.0 * pause()))
            begun_s = now_s()
        if words:
            self._take_in(np.array(before), np.array(after), np.array(words, dtype=np.uint16))

    def _take_in(self, before_s: FloatArray, after_s: FloatArray, words: NDArray[np.uint16]) -> None:
        """Turn the reads of one burst into a `_Burst`, and let the grid see what changed when."""
        took_s = after_s - before_s
        quick_s = float(np.sort(took_s)[len(took_s) // 10])
        self._quick_s = quick_s if math.isnan(self._quick_s) else self._quick_s + 0.2 * (quick_s - self._quick_s)
        on_time = took_s < self._quick_s + LATE_S
        if not on_time.any():
            return
        codes = _codes(words)[on_time]
        times_s = 0.5 * (before_s + after_s)[on_time]
        doubt_s = 0.5 * np.maximum(took_s[on_time] - self._quick_s, 0.0)
        burst = _Burst(times_s, doubt_s, codes, self._chip.range_v, self._grid.epoch)
        with self._state:
            self._bursts.append(burst)
            while self._bursts[0].times_s[-1] < times_s[-1] - KEEP_S:
                self._bursts.popleft()
        if self._last is not None:
            times_s = np.append(self._last[0], times_s)
            codes = np.append(self._last[1], codes)
        now_s = float(times_s[-1])
        if codes.min() != codes.max():
            self._changed_s = now_s
        edges = self._new_edges(float(times_s[0]), now_s)
        seen = Events(edges, edges) if self._edges_flow else brackets(times_s, codes, nominal_s=self._nominal_s)
        with self._state:
            self._grid.follow(seen, now_s)
        self._last = (float(times_s[-1]), int(codes[-1]))
        self._choose_range(now_s, int(max(codes.max(), -codes.min())))
        if now_s - self._changed_s > STUCK_S:
            self._probe(now_s, int(codes[-1]))

    def _new_edges(self, from_s: float, now_s: float) -> FloatArray:
        """Return the edges that have come since the last burst; none if they are not one for each conversion."""
        edges = [self._edges.popleft() for _ in range(len(self._edges))]
        # Stamps from another clock than ours are of no use, nor is a line that only picks up noise.
        # Those of before a restart come late, and belong to a grid that is no more.
        near = np.array([when_s for when_s in edges if abs(when_s - now_s) < 1.0 and when_s > self._restarted_s])
        if now_s > from_s:
            rate_hz = len(near) / (now_s - from_s)
            before_hz = rate_hz if self._edges_hz is None else self._edges_hz
            self._edges_hz = before_hz + EDGES_WEIGHT * (rate_hz - before_hz)
        wanted = (now_s - from_s) / self._nominal_s
        self._edges_flow = EDGES_SHARE[0] * wanted < len(near) < EDGES_SHARE[1] * wanted + 2.0
        return near if self._edges_flow else np.empty(0)

    def _choose_range(self, now_s: float, peak: int) -> None:
        """Widen at once when the level nears the rail; narrow when it has long been low, unless held."""
        self._peaks.append((now_s, peak))
        while len(self._peaks) > 1 and now_s - self._peaks[1][0] >= RANGE_DOWN_S:
            self._peaks.popleft()
        if peak >= RANGE_UP * TOP_CODE:
            wider = [range_v for range_v in RANGES if range_v > self._chip.range_v]
            if wider:
                # At the rail nobody knows how far beyond it the level is: take the widest.
                self._set_range(wider[0] if peak >= TOP_CODE else wider[-1])
            return
        if self._held or now_s - self._peaks[0][0] < RANGE_DOWN_S:
            return
        highest = max(level for _, level in self._peaks) * LSB_V[self._chip.range_v]
        fitting = [range_v for range_v in RANGES if highest < RANGE_DOWN * range_v]
        if fitting and fitting[-1] < self._chip.range_v:
            self._set_range(fitting[-1])

    def _probe(self, now_s: float, code: int) -> None:
        """Find out whether a register that never changes is a quiet input or a chip that stands still.

        Raises ConverterSilent if it stands still.
        """
        if abs(code) < TOP_CODE:
            if self._chip.stands_still(code):
                raise ConverterSilent(
                    f"the ADS1015's conversion register stands at {code} whatever is asked of it; "
                    "switch the meter off and on, and replace the board if it happens again"
                )
            self._restart_grid()
            with self._state:
                # One code all the while says the same on any grid: what is quiet does not begin anew with every look.
                still = [burst for burst in self._bursts if burst.times_s[0] >= self._changed_s]
                self._bursts = deque(replace(burst, epoch=self._grid.epoch) for burst in still)
            self._last = None
        self._changed_s = now_s

    def _restart_grid(self) -> None:
        with self._state:
            self._grid.restart()
        self._edges.clear()
        self._restarted_s = self._time.now_s()

    def _forget(self) -> None:
        with self._state:
            self._bursts.clear()
        self._peaks.clear()
        self._last = None
        self._changed_s = self._time.now_s()

    # -- from codes to volts --------------------------------------------------------------------------------------

    def _scaled(
        self, input: Input, codes: NDArray[np.int64], bursts: Sequence[_Burst]
    ) -> tuple[FloatArray, NDArray[np.bool_]]:
        """Return the volts at the terminals of the codes of some bursts, and which were read on the widest range."""
        # Most blocks are of one range all along.
        ranges = sorted({burst.range_v for burst in bursts})
        code_v, offset_v, gain = np.array([self._scale(input, each_v) for each_v in ranges]).T
        at = np.array([0])
        if len(ranges) > 1:
            at = np.repeat([ranges.index(burst.range_v) for burst in bursts], [len(burst.codes) for burst in bursts])
        volts = gain[at] * (codes * code_v[at] - offset_v[at])
        return volts, np.broadcast_to((np.array(ranges) == RANGES[0])[at], codes.shape)

    def _scale(self, input: Input, range_v: float) -> tuple[float, float, float]:
        """Return what makes volts at the terminals of a code: volts a code, offset [V] and gain, as calibrated."""
        found = self._found(input)
        if found is None:
            return _code_v(input, range_v), 0.0, 1.0
        return _code_v(input, range_v), found.ranges[range_v].offset_v, found.ranges[range_v].gain

    def _found(self, input: Input) -> InputCalibration | None:
        """Return what a calibration found of an input."""
        return self._calibration.inputs.get(input) if self._calibration is not None else None

    def _facts(self, input: Input, period_s: float, range_v: float) -> Facts:
        channel = CHANNELS[input]
        found = self._found(input)
        code_v = _code_v(input, range_v)
        full_scale_v = TOP_CODE * _code_v(input, RANGES[0])
        reference_u = 0.005 * self._calibration.reference_u_pct if self._calibration is not None else 0.0
        pole_scale = found.pole_scale if found is not None else 1.0
        load_ohm = INPUT_OHM[range_v]
        return Facts(
            converter=self.name,
            input=input,
            lsb_v=code_v,
            full_scale_v=full_scale_v,
            noise_v=math.hypot(code_v * math.hypot(CHIP_NOISE_LSB, 1.0 / math.sqrt(12.0)), channel.noise_v),
            tone_band_hz=(10.0, 300.0),
            harmonics_to_hz=0.4 / period_s,
            response=path_response(period_s=period_s, pole_scale=pole_scale, load_ohm=load_ohm),
            image_v=lambda hz: (
                OVERDRIVEN * full_scale_v * image_gain(hz, period_s=period_s, pole_scale=pole_scale, load_ohm=load_ohm)
            ),
            gain_u=channel.gain_u if found is None else math.hypot(CALIBRATED_GAIN_U, reference_u),
            offset_u_v=channel.offset_u_v * (1.0 if found is None else CALIBRATED_OFFSET_SHARE),
            response_u=POLE_U if found is None else CALIBRATED_POLE_U,
            calibrated=found is not None,
            simulated=self._simulated,
        )

    def _quality(self, grid: Grid, times_s: FloatArray, reads: int, saturated: int) -> Quality:
        if not grid.locked:
            return Quality(math.nan, Clock.LEARNING, saturated=saturated, timing_rms_s=0.5 * self._nominal_s)
        spanned = round(float(times_s[-1] - times_s[0]) / grid.period_s) + 1 if len(times_s) else 0
        return Quality(
            rate_hz=1.0 / grid.period_s,
            clock=Clock.LOCKED,
            missed=spanned - len(times_s),
            repeated=max(reads - len(times_s), 0),
            saturated=saturated,
            timing_rms_s=grid.timing_rms_s,
        )
