"""The full-band converter: both inputs at once, evenly clocked, as ALSA captures them.

`Capture` (capture.py) brings frames, `ArrivalClock` and `Watch` (stream.py) say when they were sampled and whether they
are samples at all; here they become volts at the terminals. Nothing is measured across a break: after one, all begins
anew.
"""

from __future__ import annotations

import math
import threading
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from copy import copy
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from flattop.calibration import Calibration, RangeCalibration
from flattop.converters import Timebase
from flattop.converters.capture import FRAME_BYTES, LINES, Arrival, Capture
from flattop.converters.frontend import (
    CALIBRATED_CODEC_GAIN_U,
    CODEC_DELAY,
    CODEC_GAIN_U,
    codec_full_scale_v,
    codec_noise_v,
    codec_response,
    codec_spread_u,
)
from flattop.converters.stream import CODE_BITS, INPUTS, ArrivalClock, Watch, Words
from flattop.errors import ConverterError, ConverterMissing, ConverterSilent
from flattop.samples import Clock, Facts, Input, Quality, Samples

TONE_BAND_HZ = (10.0, 20e3)
HARMONICS_TO_HZ = 20e3
RAIL_WORD = int(0.97 * 2**31)
"""Words beyond this part of full scale count as saturated: the converter's own high-pass comes after its rails, and
leaves a top that was held at one a little inside it."""
KEEP_S = 2.5
"""Samples are kept this long [s]."""
STALE_S = 0.2
"""Samples older than this are not measured any more [s]."""
START_S = 0.8
"""Longest wait for the first samples [s]."""
SILENT_S = 0.4
"""Longest wait for more of them [s]."""
LOOK_S = 0.1
"""How often a wait for samples looks whether it has become too long [s]."""
RETRY_S = 0.2
"""A stream that failed is not started again before this has passed [s]."""
TRIMS = (0.88, 1.12)
"""Factors that a trim may have: 7 % of tolerance, with room for the other converter's."""
HOST_CLOCK_U, CRYSTAL_U = 50e-6, 50e-6
"""Relative standard uncertainty of the host's clock, and of the converter's while it was not compared with that."""


class Trim(NamedTuple):
    """What an input's gain was found to need, on top of its calibration."""

    factor: float
    u: float
    """Relative standard uncertainty (k = 1) of the level at d.c. with it."""
    calibrated: bool
    """Whether the converter that it was made against was calibrated."""


@dataclass(frozen=True, slots=True, eq=False)
class _Chunk:
    """Frames that came at once: the first one's number in the stream, and the words, shape (n, 2)."""

    first: int
    words: Words


class CodecConverter:
    """A `Converter` on a stereo codec: left is the speaker input, right the line input, both always sampled.

    capture : where frames come from; nothing is started before the first `collect`
    time : the clock that arrivals are stamped with
    calibration : gains of this meter; for an input without one the nominal circuit is used, and said so

    Its absolute times carry what an arrival is late at best (a few hundred microseconds); the two inputs agree exactly.
    """

    name = "codec"

    def __init__(
        self,
        capture: Capture,
        time: Timebase,
        *,
        input: Input = Input.SPEAKER,
        calibration: Calibration | None = None,
        simulated: bool = False,
    ) -> None:
        self._capture, self._time = capture, time
        self._input = input
        self._calibration, self._simulated = calibration, simulated
        self._rate_hz = capture.rate_hz
        self._clock = ArrivalClock(self._rate_hz)
        self._watch = Watch(self._rate_hz)
        self._trims: dict[Input, Trim] = {}
        self._chunks: deque[_Chunk] = deque()
        self._state = threading.Lock()
        """Held while chunks or clock change: `latest` may be called from another thread."""
        self._rest = b""
        self._running = False
        self._heard_s = self._failed_s = -math.inf
        self._noise_v = {each: codec_noise_v(each, rate_hz=self._rate_hz) for each in INPUTS}
        self._responses = {each: codec_response(each, rate_hz=self._rate_hz) for each in INPUTS}
        self.breaks = 0
        """How often a stream that gave samples ended, whatever the reason."""

    # -- the Converter protocol -----------------------------------------------------------------------------------

    @property
    def input(self) -> Input:
        """The input that `latest` gives."""
        return self._input

    def select(self, input: Input) -> None:
        """Give the other input from now on: it was sampled all along, so its past is there at once."""
        self._input = input

    def hold_range(self, held: bool) -> None:
        """Do nothing: there is one range."""

    def collect(self, until_s: float) -> bool:
        """Take in what comes until `until_s`; where that is past, what has come already.

        Raises ConverterMissing if the device cannot be opened, ConverterSilent if its stream stops or is none, each
        within a second. The stream is then ended, its samples are forgotten, and the next call starts it again.
        """
        with self._answering():
            if not self._running:
                self._start()
            while True:
                now_s = self._time.now_s()
                self._take(min(until_s, now_s + LOOK_S))
                if self._time.now_s() >= until_s:
                    return True

    def latest(self, duration_s: float) -> Samples:
        """Return the last `duration_s` seconds of the chosen input."""
        return self.latest_of(self._input, duration_s)

    def confirm(self, hz: float) -> bool:
        """Return True: the converter's own filter keeps out what lies above its band."""
        return True

    def close(self) -> None:
        """End the stream; harmless twice."""
        self._running = False
        self._capture.stop()

    # -- what only this converter has -----------------------------------------------------------------------------

    def latest_of(self, input: Input, duration_s: float) -> Samples:
        """Return the last `duration_s` seconds of either input."""
        return self._samples((input,), duration_s)[0]

    def latest_pair(self, duration_s: float) -> tuple[Samples, Samples]:
        """Return the last `duration_s` seconds of the speaker and the line input, at the same instants."""
        speaker, line = self._samples(INPUTS, duration_s)
        return speaker, line

    def trim(self, input: Input, trim: Trim) -> None:
        """Multiply an input's levels by a trim's factor, in place of an earlier trim; samples already taken included.

        Raises ConverterError for a factor that no good converter needs.
        """
        if not (TRIMS[0] <= trim.factor <= TRIMS[1] and 0.0 <= trim.u < 1.0):
            raise ConverterError(
                f"the {input} input of the full-band converter would need a factor of {trim.factor:.4g} "
                f"(+-{trim.u:.2g}); "
                f"allowed are {TRIMS[0]} to {TRIMS[1]}; it is not trimmed: check that both converters see the same "
                "steady tone, and that input's filter and supply"
            )
        self._trims = {**self._trims, input: trim}

    def trim_of(self, input: Input) -> Trim | None:
        """Return the trim of an input; None while it has none."""
        return self._trims.get(input)

    def forget_trims(self) -> None:
        """Go back to the calibration alone."""
        self._trims = {}

    # -- the stream -----------------------------------------------------------------------------------------------

    @contextmanager
    def _answering(self) -> Iterator[None]:
        """Have any failure end the stream, and forget its samples."""
        try:
            yield
        except ConverterError:
            self._failed_s = self._time.now_s()
            self._running = False
            self._forget()
            self._capture.stop()
            raise

    def _start(self) -> None:
        """Start the stream, not too soon after it failed."""
        self._time.wait_until(self._failed_s + RETRY_S)
        self._forget()
        self._capture.start()
        self._heard_s = self._time.now_s()
        self._running = True

    def _forget(self) -> None:
        with self._state:
            self.breaks += self._clock.frames > 0
            self._chunks.clear()
            self._clock.restart()
        self._watch = Watch(self._rate_hz)
        self._rest = b""

    def _take(self, until_s: float) -> None:
        arrival = self._capture.take(until_s)
        if arrival is not None:
            self._heard_s = arrival.at_s
            self._take_in(arrival)
        if self._capture.ended:
            kind = ConverterSilent if self._clock.frames else ConverterMissing
            raise kind(f"full-band converter {self._capture.ended}")
        silent_s, limit_s = self._time.now_s() - self._heard_s, SILENT_S if self._clock.frames else START_S
        if silent_s > limit_s:
            raise ConverterSilent(
                f"full-band converter {self._capture.device}: no samples for {silent_s:.1f} s, {limit_s:g} s are "
                f"allowed; {LINES}"
            )

    def _take_in(self, arrival: Arrival) -> None:
        """Put what came behind what was there, if it is samples."""
        data = self._rest + arrival.data
        whole = len(data) - len(data) % FRAME_BYTES
        self._rest = data[whole:]
        if not whole:
            return
        words: Words = np.frombuffer(data[:whole], dtype="<i4").reshape(-1, 2)
        if fault := self._watch.fault(words):
            raise ConverterSilent(f"full-band converter {self._capture.device}: {fault}")
        with self._state:
            self._chunks.append(_Chunk(self._clock.frames, words))
            self._clock.arrived(len(words), arrival.at_s)
            oldest = self._clock.frames - KEEP_S * self._rate_hz
            while self._chunks[0].first + len(self._chunks[0].words) < oldest:
                self._chunks.popleft()
        rate_hz = self._clock.off_rate()
        if rate_hz:
            raise ConverterSilent(
                f"full-band converter {self._capture.device}: samples come at about {rate_hz:.0f} a second, "
                f"{self._rate_hz:.0f} are set; check codec.rate in the settings, the converter's oscillator and mode "
                "pins, and the overlay in config.txt"
            )

    # -- from codes to volts --------------------------------------------------------------------------------------

    def _samples(self, inputs: tuple[Input, ...], duration_s: float) -> list[Samples]:
        """Return the newest samples of some inputs, all at the same instants."""
        with self._state:
            clock, chunks = copy(self._clock), list(self._chunks)
            scatter_s = clock.scatter_s
        count = min(int(max(duration_s, 0.0) * clock.rate_hz) + 1, clock.frames - chunks[0].first if chunks else 0)
        first = clock.frames - count
        times_s = clock.times(first, count) - CODEC_DELAY / clock.rate_hz
        # A number that is old is none.
        if count and self._time.now_s() - float(times_s[-1]) > STALE_S:
            times_s, chunks = np.empty(0), []
        wanted = [chunk.words for chunk in chunks if chunk.first + len(chunk.words) > first]
        words: Words = np.concatenate(wanted)[-count:] if wanted else np.empty((0, 2), dtype=np.int32)
        made = []
        for each in inputs:
            calibrated, trim = self._calibrated(each), self._trims.get(each)
            column = np.ascontiguousarray(words[:, INPUTS.index(each)])
            gain, offset_v = (calibrated.gain, calibrated.offset_v) if calibrated else (1.0, 0.0)
            gain *= trim.factor if trim else 1.0
            volts = column * np.float64(gain * codec_full_scale_v(each) * 2.0**-31)
            volts -= gain * offset_v
            quality = Quality(
                rate_hz=clock.rate_hz if clock.fitted else math.nan,
                clock=Clock.EVEN,
                saturated=int(np.count_nonzero((column >= RAIL_WORD) | (column <= -RAIL_WORD))),
                timing_rms_s=scatter_s,
            )
            facts = self._facts(each, calibrated, trim, fitted=clock.fitted)
            made.append(Samples(times_s, volts, facts, quality))
        return made

    def _calibrated(self, input: Input) -> RangeCalibration | None:
        """Return what a calibration found of an input of this converter."""
        found = self._calibration.inputs.get(input) if self._calibration is not None else None
        return found.full_band if found is not None else None

    def _facts(self, input: Input, calibrated: RangeCalibration | None, trim: Trim | None, *, fitted: bool) -> Facts:
        full_scale_v = codec_full_scale_v(input)
        gain_u = CODEC_GAIN_U
        if trim is not None:
            gain_u = trim.u
        elif calibrated is not None and self._calibration is not None:
            gain_u = math.hypot(CALIBRATED_CODEC_GAIN_U, 0.005 * self._calibration.reference_u_pct)
        return Facts(
            converter=self.name,
            input=input,
            lsb_v=full_scale_v / 2 ** (CODE_BITS - 1),
            full_scale_v=full_scale_v,
            noise_v=self._noise_v[input],
            tone_band_hz=TONE_BAND_HZ,
            harmonics_to_hz=HARMONICS_TO_HZ,
            response=self._responses[input],
            gain_u=gain_u,
            # Whatever d.c. the input can carry may be there: nothing of it gets through.
            offset_u_v=full_scale_v,
            spread_u=codec_spread_u,
            clock_u=HOST_CLOCK_U if fitted else math.hypot(HOST_CLOCK_U, CRYSTAL_U),
            calibrated=trim.calibrated if trim is not None else calibrated is not None,
            trimmed=calibrated is not None or trim is not None,
            dc_coupled=False,
            simulated=self._simulated,
        )
