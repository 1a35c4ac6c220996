"""The meter: pull a converter along, look at every cycle, measure and judge ten times a second."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from flattop.bands import Bands
from flattop.converters import Converter, Timebase
from flattop.errors import ConverterError, ConverterMissing
from flattop.measure.level import Block, glance, measure
from flattop.measure.reading import Reading, Reason, Verdict
from flattop.measure.verdict import LOOK_THD, Judge, Limits
from flattop.settings import Verdict as VerdictSettings

LOOK_S = 0.02
"""Time from one quick look at the last two cycles to the next [s]."""
LOOK_CYCLES = 2.05
MOMENT_S = 1e-6
"""Times closer than this are one [s]."""
RETRY_S = 0.1
"""Time between two attempts to bring back a converter that does not answer [s]: every one is an update of the screen,
and what the screen lost unseen comes back by updates."""


def limits_from(settings: VerdictSettings) -> Limits:
    """Return the judge's limits as the settings have them."""
    return Limits(
        flat_db=settings.flat_db,
        soft_db=settings.soft_db,
        flat_thd_pct=settings.flat_thd_pct,
        hysteresis=settings.hysteresis,
        latch_s=settings.latch_s,
        hold_s=settings.hold_s,
        dc_alarm_v=settings.dc_alarm_v,
    )


class Meter:
    """One converter or two as one (`Bands`), one judge, one stream of readings.

    time : the clock that the converter stamps its samples with; None for a recording, which has its own
    start_s : where that one starts [s]
    end_s : when to stop, with a last reading [s]
    update_s : time from one reading to the next [s]
    window_s : time that one reading looks at [s]
    most_harmonics : upper bound of the harmonics that are measured; None: as many as the samples are good for
    """

    def __init__(
        self,
        converter: Converter,
        *,
        time: Timebase | None = None,
        start_s: float = 0.0,
        end_s: float = math.inf,
        limits: Limits | None = None,
        update_s: float = 0.1,
        window_s: float = 0.25,
        most_harmonics: int | None = None,
    ) -> None:
        self.converter = converter
        self._bands = converter if isinstance(converter, Bands) else None
        self.judge = Judge(limits)
        self._time = time
        self._start_s = start_s if time is None else time.now_s()
        self._end_s = end_s
        self._update_s, self._window_s = update_s, window_s
        self._most_harmonics = most_harmonics
        self._last: Block | None = None
        self._looked_s = -math.inf
        self.fault = ""
        """What is wrong with the converter, and what to do; empty while it answers."""
        self.skipped = 0
        """Readings that a late host never took."""

    @property
    def limited(self) -> str:
        """What is wrong with one of two converters while the other one measures, and what to do; else empty."""
        return self._bands.fault if self._bands is not None and not self.fault else ""

    def readings(self) -> Iterator[Reading]:
        """Yield readings until the converter has no more to give, which hardware never says.

        A reading comes every `update_s`, and at once when a quick look turns the verdict to flat. A converter that
        stops answering yields readings that say so, and is tried again; one that never answered raises
        ConverterMissing.
        """
        now_s = self._start_s
        update_s = now_s + self._update_s
        answered = False
        while True:
            now_s = min(now_s + LOOK_S, update_s, self._end_s)
            try:
                more = self.converter.collect(now_s) and now_s < self._end_s - MOMENT_S
            except ConverterError as error:
                if isinstance(error, ConverterMissing) and not answered:
                    raise
                self.fault = str(error)
                yield self._silent(now_s)
                if now_s >= self._end_s - MOMENT_S:
                    return
                now_s, update_s = self._pause(now_s)
                continue
            answered, self.fault = True, ""
            news = self._look()
            due = now_s > update_s - MOMENT_S
            if news or due or not more:
                reading = self._measure(now_s)
                yield reading
                if reading.reason is Reason.IMAGE and not self._confirm(reading):
                    yield self._silent(now_s)
            if not more:
                return
            if due:
                update_s += self._update_s
            now_s, update_s = self._catch_up(now_s, update_s)

    def _look(self) -> bool:
        """Look at the last two cycles of the tone that was there; True if its tops have just gone flat."""
        if self._last is None or self._last.fit is None or self.judge.shown is Verdict.FLAT:
            return False
        hz = self._last.fit.hz
        if LOOK_CYCLES / hz > 0.8 * self._window_s:
            return False
        samples = self.converter.latest(LOOK_CYCLES / hz)
        # A late host has nothing new to look at, and one look is not two.
        if len(samples) == 0 or not samples.times_s[-1] > self._looked_s:
            return False
        self._looked_s = float(samples.times_s[-1])
        seen = glance(samples, hz=hz, from_thd=0.01 * LOOK_THD * self.judge.limits.flat_thd_pct)
        return self.judge.look(seen, time_s=float(samples.times_s[-1]))

    def _measure(self, now_s: float) -> Reading:
        samples = self.converter.latest(self._window_s)
        if self._last is not None and self._last.samples.facts.input is not samples.facts.input:
            self._last = None
            self.judge.reset()
        known_hz = self._last.fit.hz if self._last is not None and self._last.fit is not None else math.nan
        self._last = measure(samples, most_harmonics=self._most_harmonics, known_hz=known_hz)
        if self._bands is None:
            return self.judge.update(self._last, now_s=now_s)
        self._last = self._bands.review(self._last, self._window_s)
        reading = self.judge.update(self._last, now_s=now_s)
        return replace(reading, between=self._bands.between(self._last, self._window_s))

    def _confirm(self, reading: Reading) -> bool:
        """Have the converter look closer at a tone that might be the image of another; False if it does not answer."""
        if self._last is None or self._last.fit is None:
            return True
        hz = self._last.fit.hz
        try:
            genuine = self.converter.confirm(hz)
        except ConverterError as error:
            self.fault = str(error)
            return False
        self.judge.confirmed(hz=hz, genuine=genuine, time_s=reading.time_s)
        return True

    def _silent(self, now_s: float) -> Reading:
        self._last = None
        nothing = self.converter.latest(self._window_s)
        now_s = self._time.now_s() if self._time is not None else now_s
        return self.judge.silent(time_s=now_s, facts=nothing.facts, quality=nothing.quality)

    def _pause(self, now_s: float) -> tuple[float, float]:
        """Wait before the next attempt; return the times of now and of the next update."""
        if self._time is None:
            return now_s, now_s + self._update_s
        self._time.wait_until(now_s + RETRY_S)
        now_s = self._time.now_s()
        return now_s, now_s + self._update_s

    def _catch_up(self, now_s: float, update_s: float) -> tuple[float, float]:
        """Skip what a slow machine missed, rather than fall behind for ever."""
        if self._time is None:
            return now_s, update_s
        late_s = self._time.now_s() - now_s
        if late_s < self._update_s:
            return now_s, update_s
        skipped = math.floor(late_s / self._update_s)
        self.skipped += skipped
        return now_s + skipped * self._update_s, update_s + skipped * self._update_s
