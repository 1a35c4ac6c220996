"""The converter's own clock, recovered from what the host sees of it.

The converter finishes a conversion every period; the host reads when it can. Whenever two reads that follow each
other closely differ, one completion lies between them: a bracket. With the ready line wired, its edges are the
completions themselves. `Grid` finds period and phase from either, cold, and follows them from then on; a read is then
given its place on the grid by its time alone, so that late reads, repeats and holes shift nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flattop.samples import FloatArray

TOLERANCE = 0.12
"""The datasheet allows the rate to be off by 10 %; look a little further."""
WIDEST_BRACKET = 0.8
"""Brackets wider than this share of the nominal period say too little."""
SEARCH_SPAN_S = 0.06
SEARCH_STEP = 0.15
"""Phase, in periods, by which neighbouring trial periods part over the search span."""
FEWEST_EVENTS = 24
COLD_SPAN_S, SHARP_SPAN_S, WARM_SPAN_S = 0.2, 0.02, 0.02
"""Time that completions must span before a search: brackets, edges, brackets with the period known [s]."""
SHARP = 0.05
"""Completions known to this part of a period are edges."""
PERIOD_U = 3e-6
"""How well a period found before is still known after a stop, relative."""
MEMORY_S = 4.0
"""Time constant with which old completions are forgotten [s]."""
LOCKED_SHARE = 0.95
"""Share of the completions seen that must fall where the grid says."""
GOOD_SHARE = 0.8
"""A batch with a smaller share of them speaks against the grid."""
SLACK = 0.08
"""How far outside its bracket, in periods, a completion may fall: the host's time stamps are not perfect."""
COAST_S = 8.0
"""Without a completion seen for this long, the grid is no longer trusted [s]."""
LOST_AFTER = 3
"""This many more bad batches than good ones end the lock."""


@dataclass(frozen=True, slots=True)
class Events:
    """Completions seen: each lies between `low_s` and `high_s` (alike for an edge); float64, shape (n,)."""

    low_s: FloatArray
    high_s: FloatArray

    def __len__(self) -> int:
        return len(self.low_s)

    @property
    def middle_s(self) -> FloatArray:
        """Middles of the brackets [s]."""
        return 0.5 * (self.low_s + self.high_s)


def brackets(times_s: FloatArray, codes: NDArray[np.int64], *, nominal_s: float) -> Events:
    """Return a bracket for every change of code between two reads that follow each other closely."""
    low, high = times_s[:-1], times_s[1:]
    tells = (codes[1:] != codes[:-1]) & (high - low < WIDEST_BRACKET * nominal_s)
    return Events(low[tells], high[tells])


class Grid:
    """Period and phase of a converter that runs free.

    nominal_s : period by the datasheet [s]
    """

    def __init__(self, nominal_s: float) -> None:
        self.nominal_s = nominal_s
        self.period_s = nominal_s
        self.locked = False
        self.period_known = False
        """True once locked: a later search needs to find the phase only."""
        self.timing_rms_s = math.nan
        """Scatter of the completions seen about the grid [s]."""
        self.epoch = 0
        """Counts the phases: times before a restart have no place on the grid after it."""
        self._origin_s = 0.0
        self._pending: list[Events] = []
        self._sums = np.zeros(5)
        self._seen_s = -math.inf
        self._bad_batches = 0

    def restart(self) -> None:
        """Forget the phase: the converter was stopped and started. Its period stays."""
        self.locked = False
        self.epoch += 1
        self._pending.clear()
        self._bad_batches = 0

    def index(self, times_s: FloatArray) -> FloatArray:
        """Return times in periods since a completion: the whole part names the conversion that can be read then."""
        return np.asarray((times_s - self._origin_s) / self.period_s, dtype=np.float64)

    def next_middle(self, now_s: float) -> float:
        """Return the time of the next moment that lies half-way between two completions [s]."""
        periods = math.floor((now_s - self._origin_s) / self.period_s + 0.5)
        return self._origin_s + (periods + 0.5) * self.period_s

    def times(self, index: NDArray[np.int64]) -> FloatArray:
        """Return the times [s] at which these conversions were complete."""
        return np.asarray(self._origin_s + self.period_s * index, dtype=np.float64)

    def follow(self, events: Events, now_s: float) -> None:
        """Take in completions seen since the last call; may gain or lose the lock."""
        if self.locked:
            self._track(events, now_s)
        if not self.locked:
            self._pending.append(events)
            self._search(now_s)

    # -- following ------------------------------------------------------------------------------------------------

    def _track(self, events: Events, now_s: float) -> None:
        if len(events) == 0:
            if now_s - self._seen_s > COAST_S:
                self.restart()
            return
        position = self.index(events.middle_s)
        index = np.round(position)
        half = 0.5 * (events.high_s - events.low_s) / self.period_s
        off = position - index
        good = np.abs(off) <= half + SLACK
        if np.mean(good) < GOOD_SHARE:
            self._bad_batches += 1
            if self._bad_batches >= LOST_AFTER:
                self.period_known = False
                self.restart()
            return
        # A wrong grid meets a good batch now and then: forgive one bad batch for each, not all.
        self._bad_batches = max(self._bad_batches - 1, 0)
        self._seen_s = now_s
        self._regress(index[good], events.middle_s[good])

    def _regress(self, index: FloatArray, seen_s: FloatArray) -> None:
        """Update period and phase by least squares with forgetting; the sums are kept about the present grid."""
        if len(index) == 0:
            return
        # Move the origin to the newest completion, where all that is wanted next lies.
        shift = float(index[-1])
        self._origin_s += shift * self.period_s
        count, sum_x, sum_xx, sum_y, sum_xy = self._sums
        sum_xx += shift * (shift * count - 2.0 * sum_x)
        sum_xy -= shift * sum_y
        sum_x -= shift * count
        fade = math.exp(-shift * self.period_s / MEMORY_S) if shift > 0.0 else 1.0
        x = index - shift
        y = seen_s - self._origin_s - x * self.period_s
        added = np.array([len(x), x.sum(), x @ x, y.sum(), x @ y])
        self._sums = fade * np.array([count, sum_x, sum_xx, sum_y, sum_xy]) + added
        count, sum_x, sum_xx, sum_y, sum_xy = self._sums
        spread = count * sum_xx - sum_x**2
        if count < 3.0 or spread <= 0.0:
            return
        slope = (count * sum_xy - sum_x * sum_y) / spread
        offset = (sum_y - slope * sum_x) / count
        self.period_s += slope
        self._origin_s += offset
        # The sums now refer to a grid that is off by what was just found.
        self._sums[3] -= offset * count + slope * sum_x
        self._sums[4] -= offset * sum_x + slope * sum_xx
        scatter = float(np.sqrt(np.mean((y - offset - slope * x) ** 2)))
        self.timing_rms_s = scatter if math.isnan(self.timing_rms_s) else 0.9 * self.timing_rms_s + 0.1 * scatter

    # -- finding --------------------------------------------------------------------------------------------------

    def _search(self, now_s: float) -> None:
        """Look for period and phase in the completions of the last second, shortest span first."""
        low = np.concatenate([events.low_s for events in self._pending])
        high = np.concatenate([events.high_s for events in self._pending])
        recent = low > now_s - 1.0
        edges = recent & (high - low < SHARP * self.nominal_s)
        # Edges tell so much more than brackets that a few of them outweigh all brackets before them.
        recent = edges if np.count_nonzero(edges) >= FEWEST_EVENTS else recent
        events = Events(low[recent], high[recent])
        self._pending = [events]
        if len(events) < FEWEST_EVENTS:
            return
        middle = events.middle_s
        whole_s = float(middle[-1] - middle[0])
        sharp = float(np.median(events.high_s - events.low_s)) < SHARP * self.nominal_s
        if whole_s < (SHARP_SPAN_S if sharp else WARM_SPAN_S if self.period_known else COLD_SPAN_S):
            return
        # The phase of all completions, wrapped at a trial period, adds up only at the right one.
        span_s = whole_s if self.period_known else min(SEARCH_SPAN_S, whole_s)
        close = middle[middle > middle[-1] - span_s]
        trial_s = self._trial_periods(span_s)
        turns = np.exp((2j * math.pi) * np.outer(1.0 / trial_s, close - close[-1])).sum(axis=1)
        best = int(np.argmax(np.abs(turns)))
        period_s = float(trial_s[best])
        origin_s = float(close[-1]) + float(np.angle(turns[best])) / (2.0 * math.pi) * period_s
        while not self.period_known:
            near = middle > middle[-1] - span_s
            index = np.round((middle[near] - origin_s) / period_s)
            if np.ptp(index) < 8:
                return
            slope, offset = np.polyfit(index, middle[near] - origin_s, 1)
            period_s, origin_s = float(slope), origin_s + float(offset)
            if span_s >= whole_s:
                break
            span_s = min(2.0 * span_s, whole_s)
        self._accept(events, period_s, origin_s, now_s)

    def _trial_periods(self, span_s: float) -> FloatArray:
        """Return the periods to try: all that the datasheet allows, or the one known."""
        if self.period_known:
            return np.array([self.period_s])
        step = SEARCH_STEP * self.nominal_s / span_s
        return np.asarray(self.nominal_s * np.arange(1.0 - TOLERANCE, 1.0 + TOLERANCE, step), dtype=np.float64)

    def _accept(self, events: Events, period_s: float, origin_s: float, now_s: float) -> None:
        """Lock if the completions seen fall where this grid says, far more of them than chance would put there."""
        middle = events.middle_s
        half = 0.5 * (events.high_s - events.low_s) / period_s
        position = (middle - origin_s) / period_s
        index = np.round(position)
        good = np.abs(position - index) <= half + SLACK
        by_chance = float(np.mean(np.minimum(2.0 * (half + SLACK), 1.0)))
        share = float(np.mean(good))
        # A grid that is right by chance would miss about `1 - by_chance` of them.
        wrong = share < LOCKED_SHARE or (1.0 - share) > 0.2 * (1.0 - by_chance)
        if wrong or abs(period_s / self.nominal_s - 1.0) > TOLERANCE:
            # The known period has not helped for a while: look at all of them again.
            self.period_known = self.period_known and float(middle[-1] - middle[0]) < COLD_SPAN_S
            return
        # A period known before is kept to by a weight that a few brackets cannot outvote.
        known = (0.25 * self.nominal_s / (PERIOD_U * period_s)) ** 2 if self.period_known else 0.0
        self._sums = np.array([0.0, 0.0, known, 0.0, 0.0])
        self.period_s, self._origin_s = period_s, origin_s
        self._regress(index[good], middle[good])
        self._pending.clear()
        self._seen_s = now_s
        self._bad_batches = 0
        self.locked = True
        self.period_known = True
