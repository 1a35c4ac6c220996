"""Questions that one reading cannot answer, such as where a filter cuts: trackers that are fed turn by turn."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

from flattop.bands import Bands
from flattop.converters import Converter
from flattop.measure.noise import BLOCK_S, UPDATE_S, Listener, Noise
from flattop.measure.reading import Reading
from flattop.measure.response import Follower, Response, Sweep
from flattop.samples import Samples
from flattop.tuning.steps import Wants

Newest = Callable[[float], tuple[Samples, Samples | None]]
"""Duration [s] -> the newest samples of the input that is measured, and of the other one where both are taken."""


def newest(converter: Converter, duration_s: float) -> tuple[Samples, Samples | None]:
    """Return the newest samples of the input that is measured, and of the other one where both are taken at once."""
    return converter.latest_pair(duration_s) if isinstance(converter, Bands) else (converter.latest(duration_s), None)


@dataclass(slots=True)
class Tracker:
    """Follows or listens to what comes in, from one question to the next.

    wants : what it is for
    listener : knows the tone that noise is compared with
    """

    wants: Wants
    listener: Listener = field(default_factory=Listener)
    response: Response | None = field(default=None, init=False)
    noise: Noise | None = field(default=None, init=False)
    _follower: Follower = field(default_factory=Follower, init=False)
    _sweep: Sweep = field(default_factory=Sweep, init=False)
    _heard_s: float = field(default=-math.inf, init=False)

    def look(self, newest: Newest, *, now_s: float) -> None:
        """Take the newest blocks in."""
        if self.wants is Wants.RESPONSE:
            self._sweep.extend(self._follower.look(*newest(self._follower.span_s)))
            self.response = self._sweep.state(now_s)
        # Times of updates are sums of tenths of a second, which are not exact.
        elif self.wants is Wants.NOISE and now_s - self._heard_s >= UPDATE_S - 1e-6:
            self._heard_s = now_s
            self.noise = self.listener.listen(newest(BLOCK_S)[0])


class Answers:
    """What the pages have found out since their question was last asked anew."""

    def __init__(self) -> None:
        self._tone = (math.nan, math.nan)
        self.clear()

    @property
    def response(self) -> Response | None:
        """The sweep so far; None before the first look."""
        return self._sweep.response

    @property
    def noise(self) -> Noise | None:
        """What is heard without a tone; None before the first block."""
        return self._silence.noise

    def clear(self) -> None:
        """Forget what was found: the next sweep or silence begins anew."""
        self._sweep = Tracker(Wants.RESPONSE)
        self._silence = Tracker(Wants.NOISE, Listener(tone_v=self._tone[0], tone_hz=self._tone[1]))

    def keep_in_mind(self, kept: Reading | None) -> None:
        """Take the reading that was kept last as the tone that noise is compared with."""
        self._tone = (kept.rms_v, kept.hz) if kept is not None else (math.nan, math.nan)
        self._silence.listener.tone_v, self._silence.listener.tone_hz = self._tone

    def follow(self, newest: Newest, now_s: float) -> None:
        """Look where the sweep is."""
        self._sweep.look(newest, now_s=now_s)

    def listen(self, newest: Newest, now_s: float) -> None:
        """Listen to what is there."""
        self._silence.look(newest, now_s=now_s)
