"""A stream of frames: when each was sampled, by the host's clock, and what only seems to be samples."""

from __future__ import annotations

import math
from collections import deque

import numpy as np
from numpy.typing import NDArray

from flattop.converters.capture import FRAME_BYTES, LINES
from flattop.samples import FloatArray, Input

Words = NDArray[np.int32]

INPUTS = (Input.SPEAKER, Input.LINE)
"""Left and right."""
CODE_BITS = 24


class ArrivalClock:
    """Where the n-th frame lies on the host's clock, from when frames arrived.

    A frame cannot arrive before it was sampled, and many arrive hardly later: the line sought lies below every arrival
    and as close to all of them as that allows. It is an edge of the lower convex hull, the one below their middle.
    """

    SEGMENT_S, SEGMENTS = 0.25, 40
    """The earliest arrival of each segment is kept, of this many of them [s]."""
    FIT_S = 1.0
    """Shorter stretches say less of the rate than the crystal's tolerance does [s]."""
    LATELY = 2
    """Segments that the line is laid below while it has the nominal rate."""
    NEAR, FURTHEST = 300e-6, 2.5e-3
    """The rate is believed within this part of the nominal one (three times what both clocks may be off), and within
    that once all segments agree on it."""
    OFF_S, RUNAWAY_S = 0.02, 0.3
    """A stream is at another rate if it is off by more than can be believed and by this time on top, or if it is ahead
    of time by that [s]."""

    def __init__(self, rate_hz: float) -> None:
        self._nominal_s = 1.0 / rate_hz
        self.restart()

    def restart(self) -> None:
        """Forget everything: another stream begins."""
        self.frames = 0
        """Frames that have arrived."""
        self._marks: deque[tuple[int, float, float]] = deque(maxlen=self.SEGMENTS)
        self._first_s = math.nan
        self._slope, self._offset_s = 0.0, math.nan
        self.fitted = False
        """Whether the rate is a measured one."""

    def arrived(self, count: int, at_s: float) -> None:
        """Take note that `count` more frames were there at `at_s`."""
        self.frames += count
        nominal_s = self.frames * self._nominal_s
        late_s = at_s - nominal_s
        if not self._marks:
            self._first_s = at_s
        segment = math.floor((at_s - self._first_s) / self.SEGMENT_S)
        if not self._marks or self._marks[-1][0] != segment:
            self._marks.append((segment, nominal_s, late_s))
        elif late_s < self._marks[-1][2]:
            self._marks[-1] = (segment, nominal_s, late_s)
        else:
            return
        self._lay()

    @property
    def rate_hz(self) -> float:
        """Frames a second by the host's clock: measured, or nominal until it is."""
        return 1.0 / (self._nominal_s * (1.0 + self._slope))

    @property
    def scatter_s(self) -> float:
        """How far the earliest arrivals of the segments lie above the line, rms [s]."""
        if not self._marks:
            return 0.0
        _, nominal_s, late_s = np.array(self._marks).T
        return float(np.sqrt(np.mean((late_s - self._offset_s - self._slope * nominal_s) ** 2)))

    def times(self, first: int, count: int) -> FloatArray:
        """Return when the frames from number `first` on were sampled [s], their way through the converter included."""
        frames = np.arange(first, first + count, dtype=np.float64)
        return self._offset_s + frames * (self._nominal_s * (1.0 + self._slope))

    def off_rate(self) -> float:
        """Return at how many frames a second they come lately, if that cannot be the nominal rate, or 0."""
        _, since_s, first_late_s = self._marks[0]
        _, nominal_s, late_s = self._marks[-1]
        by_s, span_s = late_s - first_late_s, nominal_s - since_s
        settled = len(self._marks) > self.LATELY
        if by_s > -self.RUNAWAY_S and not (settled and abs(by_s) > self.NEAR * span_s + self.OFF_S):
            return 0.0
        _, nominal_before_s, before_s = self._marks[max(len(self._marks) - 3, 0)]
        newest_s = nominal_s - nominal_before_s
        return newest_s / max(newest_s + late_s - before_s, self._nominal_s) / self._nominal_s

    def _lay(self) -> None:
        """Lay the line below the earliest arrivals."""
        points = [(nominal_s, late_s) for _, nominal_s, late_s in self._marks]
        self._slope, self.fitted = 0.0, False
        if points[-1][0] - points[0][0] < self.FIT_S:
            self._offset_s = min(late_s for _, late_s in points[-self.LATELY :])
            return
        hull: list[tuple[float, float]] = []
        for point in points:
            while len(hull) > 1 and _turns_up(hull[-2], hull[-1], point):
                hull.pop()
            hull.append(point)
        middle_s = sum(nominal_s for nominal_s, _ in points) / len(points)
        right = next(place for place, (nominal_s, _) in enumerate(hull) if nominal_s >= middle_s)
        (left_s, left_late_s), (right_s, right_late_s) = hull[right - 1 : right + 1]
        slope = (right_late_s - left_late_s) / (right_s - left_s)
        most = self.NEAR if len(points) < self.SEGMENTS else self.FURTHEST
        self._slope, self.fitted = min(max(slope, -most), most), True
        self._offset_s = min(late_s - self._slope * nominal_s for nominal_s, late_s in points)


def _turns_up(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> bool:
    """Return whether b lies on or above the line from a to c."""
    return (b[1] - a[1]) * (c[0] - a[0]) >= (c[1] - a[1]) * (b[0] - a[0])


class Watch:
    """Looks for what only seems to be samples: dead channels, a mono device, torn words, the same over and over.

    An isolated input always has noise, some 500 codes of it: exactly the same code for a quarter of a second, or a
    stretch of frames that comes back bit for bit, is no measurement of anything.
    """

    DEAD_S, RAILED_S = 0.25, 0.75
    """One code for this long is a dead channel; at a rail, where an overload may hold it, for that long [s]."""
    KEY_FRAMES = 64
    """Length of a stretch that is looked for in what comes after it."""
    KEY_S, KEYS = 0.3, 3
    """Such a stretch is taken so often [s], and so many are looked for."""

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._still = [0, 0]
        self._last = [0, 0]
        self._equal = 0
        self._padded = False
        self._tail = b""
        self._keys: deque[bytes] = deque(maxlen=self.KEYS)
        self._since_key = 0

    def fault(self, words: Words) -> str:
        """Return what is wrong with the stream, `words` of shape (n, 2) being its next frames; empty if nothing."""
        return self._torn(words) or self._dead(words) or self._repeated(words)

    def _torn(self, words: Words) -> str:
        """A code fills the upper three bytes of its word; where the fourth moves, words are not where they were."""
        used = np.bitwise_or.reduce(words.ravel()).astype(np.int64)
        lanes = [bool(used >> shift & 0xFF) for shift in (0, 8, 16, 24)]
        if not lanes[0]:
            self._padded = self._padded or all(lanes[1:])
            return ""
        if not self._padded and all(lanes):
            return ""  # a converter that fills all 32 bits leaves nothing to tell by
        return f"its words are torn (bytes have gone missing on the way); {LINES}"

    def _dead(self, words: Words) -> str:
        for channel in (0, 1):
            column = words[:, channel]
            # Nearly always the two ends differ, and nothing more needs to be looked at.
            still = column[0] == column[-1] and bool((column == column[0]).all())
            goes_on = still and (column[0] == self._last[channel] or not self._still[channel])
            self._still[channel] = self._still[channel] + len(column) if goes_on else 0
            self._last[channel] = int(column[-1])
        same = words[0, 0] == words[0, 1] and bool(np.array_equal(words[:, 0], words[:, 1]))
        self._equal = self._equal + len(words) if same else 0
        if not any(self._still) and not self._equal:
            return ""
        limits = [self._rate_hz * (self.RAILED_S if _railed(last) else self.DEAD_S) for last in self._last]
        dead = [count >= limit for count, limit in zip(self._still, limits, strict=True)]
        if not any(dead):
            if self._equal >= self._rate_hz * self.DEAD_S:
                return (
                    "both inputs carry the very same samples: the device is mono, or the I2S format is wrong; " + LINES
                )
            return ""
        # The other channel may have died a moment later.
        if all(count >= 0.5 * limit for count, limit in zip(self._still, limits, strict=True)):
            codes = " and ".join(str(last >> 8) for last in self._last)
            return f"both inputs stand at one code ({codes}): the data line is dead; {LINES}"
        gone = dead.index(True)
        return (
            f"the {INPUTS[gone]} input stands at the code {self._last[gone] >> 8}, only {INPUTS[1 - gone]} is alive; "
            f"{LINES}, and that input's isolator"
        )

    def _repeated(self, words: Words) -> str:
        data = self._tail + words.tobytes()
        for key in self._keys:
            place = data.find(key)
            if place >= 0:
                return (
                    "it gives the same samples again and again: the driver's buffer is not filled any more; "
                    f"{LINES}, and start the meter again"
                )
        self._since_key += len(words)
        if self._since_key >= self.KEY_S * self._rate_hz and len(words) >= self.KEY_FRAMES:
            newest = words[-self.KEY_FRAMES :]
            # A stretch of one code is found everywhere; whether that is a fault is not decided here.
            if (newest != newest[0]).any():
                self._keys.append(newest.tobytes())
                self._since_key = 0
        self._tail = data[-(FRAME_BYTES * self.KEY_FRAMES - 1) :]
        return ""


def _railed(word: int) -> bool:
    return word >> 8 in {-(1 << CODE_BITS - 1), (1 << CODE_BITS - 1) - 1}
