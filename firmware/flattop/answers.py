"""Questions that one reading cannot answer: where does it cut, is it quiet. Trackers that are fed turn by turn."""

from __future__ import annotations

import math

from flattop.bands import Bands
from flattop.converters import Converter
from flattop.measure.noise import BLOCK_S, UPDATE_S, Listener, Noise
from flattop.measure.reading import Reading
from flattop.measure.response import Follower, Response, Sweep
from flattop.samples import Samples


def newest(converter: Converter, duration_s: float) -> tuple[Samples, Samples | None]:
    """Return the newest samples of the input that is measured, and of the other one where both are taken at once."""
    return converter.latest_pair(duration_s) if isinstance(converter, Bands) else (converter.latest(duration_s), None)


class Answers:
    """What has been found out since the question was last asked anew."""

    def __init__(self) -> None:
        self.response: Response | None = None
        self.noise: Noise | None = None
        self._tone = (math.nan, math.nan)
        self.clear()

    def clear(self) -> None:
        """Forget what was found: the next sweep or silence begins anew."""
        self._follower, self._sweep = Follower(), Sweep()
        self._listener = Listener(tone_v=self._tone[0], tone_hz=self._tone[1])
        self._listened_s = -math.inf
        self.response = self.noise = None

    def keep_in_mind(self, kept: Reading | None) -> None:
        """Take the reading that was kept last as the tone that noise is compared with."""
        tone = (kept.rms_v, kept.hz) if kept is not None else (math.nan, math.nan)
        if tone != self._tone:
            self._tone = tone
            self._listener.tone_v, self._listener.tone_hz = tone

    def follow(self, converter: Converter, now_s: float) -> None:
        """Look where the sweep is, through the converter as it is now."""
        samples, reference = newest(converter, self._follower.span_s)
        self._sweep.extend(self._follower.look(samples, reference))
        self.response = self._sweep.state(now_s)

    def listen(self, converter: Converter, now_s: float) -> None:
        """Listen to what is there, where it is time to."""
        if now_s - self._listened_s < UPDATE_S - 0.01:
            return
        self._listened_s = now_s
        self.noise = self._listener.listen(newest(converter, BLOCK_S)[0])
