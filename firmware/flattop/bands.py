"""Two converters as one: the bass converter holds low tones and d.c., the full-band converter all other tones.

Which of them measures follows the tone, with a gap between going up and coming down so that a tone at the limit does
not flicker. The bass converter is the reference of level: a tone that both see trims the full-band converter's gain.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from flattop.converters import Converter
from flattop.converters.codec import Trim
from flattop.errors import ConverterError
from flattop.measure.between import Between, between
from flattop.measure.level import Block, measure
from flattop.samples import Clock, Input, Samples

UP_HZ, DOWN_HZ = 250.0, 200.0
"""A tone above the first is the full-band converter's, one below the second the bass converter's."""
SAME_HZ = 0.02
"""Tones closer together than this share of their frequency are one tone."""
ASIDE_S = 0.5
"""A converter that did not answer is not asked again before this has passed [s]."""
GONE_BLOCKS = 3
"""A tone is gone once so many blocks in a row hold none: one on the move leaves a block now and then."""
MORE, LOUD_NOISE = 1.1, 5.0
"""The full-band converter sees more than the bass converter from this ratio on, and so many times the noise."""
GLANCE_EVERY = 5
"""While the bass converter has the tone, every so many blocks are looked at through the other one as well."""
SIGNAL_NOISE = 20.0
"""An input carries a signal from so many times its own noise on."""
TRIM_HZ = (39.5, 60.5)
"""Tones that the full-band converter is trimmed with [Hz]: of the bass converter's whole band its best-known part."""
TRIM_BLOCKS = 10
"""Readings that make one trim."""
TRIM_AGAIN_S = 10.0
"""An input that was trimmed is not trimmed anew before this has passed [s]."""
TRIM_SPREAD = 2e-3
"""They must agree within this share, or the level moves."""
TRIM_STEADY = 0.01
"""Largest part of either block that may not repeat from cycle to cycle."""
TRIM_FULL_SCALE = 0.02
"""Least share of full scale that a level must reach to be trimmed with."""
TRANSFER_U = 2e-4
"""Relative standard uncertainty of the transfer itself: paths and filters of both, as far as calibration knows them."""


class Pairs(Protocol):
    """What a full-band converter gives beyond the protocol: both inputs at once, and a trim."""

    def latest_pair(self, duration_s: float) -> tuple[Samples, Samples]:
        """Return the last seconds of the speaker and the line input, at the same instants."""
        ...

    def trim(self, input: Input, trim: Trim) -> None:
        """Multiply an input's levels by a trim's factor, in place of an earlier trim."""
        ...

    def trim_of(self, input: Input) -> Trim | None:
        """Return the trim of an input; None while it has none."""
        ...


@dataclass(frozen=True, slots=True)
class Trimmed:
    """A trim of the full-band converter, and the conditions that it was made under."""

    input: Input
    factor: float
    u: float
    """Relative standard uncertainty (k = 1) of the level that it leaves."""
    calibrated: bool
    """Whether the bass converter was calibrated."""
    hz: float
    rms_v: float


class Bands:
    """A `Converter` over a bass and a full-band converter.

    bass, full : the two, each as it is collected from (a `Reader` on a meter)
    codec : the full-band converter itself, for both inputs at once and for its trim
    now_s : the clock that the converters stamp with
    """

    def __init__(
        self,
        bass: Converter,
        full: Converter,
        codec: Pairs,
        *,
        now_s: Callable[[], float],
    ) -> None:
        self.bass, self.full = bass, full
        self.trimmed: Callable[[Trimmed], None] = lambda trim: None
        """Told of each new trim."""
        self._codec, self._now_s = codec, now_s
        self._chosen = bass
        self.untrimmed = ""
        """Why the full-band converter could not be trimmed, and what to do; empty if it could, or was not tried."""
        self._aside: dict[str, tuple[float, str]] = {}
        """Converters that did not answer: until when they are left alone [s], and what they said."""
        self._blocks = self._without = 0
        self._ratios: deque[float] = deque(maxlen=TRIM_BLOCKS)
        self._ratios_of: tuple[Input, float] = (bass.input, math.nan)
        self._trimmed_s: dict[Input, float] = {}

    # -- the Converter protocol -----------------------------------------------------------------------------------

    @property
    def name(self) -> str:
        """Name of the converter that has the tone."""
        return self._chosen.name

    @property
    def input(self) -> Input:
        """The input that is measured."""
        return self.bass.input

    @property
    def fault(self) -> str:
        """What is wrong with one of the two, and what to do; empty while both answer."""
        return next((said for _, said in self._aside.values()), self.untrimmed)

    def select(self, input: Input) -> None:
        """Measure another input from now on; the bass converter has it again."""
        self.full.select(input)
        self.bass.select(input)
        self._chosen = self.bass if self._answers(self.bass) else self.full
        self._ratios.clear()

    def hold_range(self, held: bool) -> None:
        """Forbid or allow range changes of the bass converter."""
        self.bass.hold_range(held)

    def collect(self, until_s: float) -> bool:
        """Take samples with both until `until_s`; one that does not answer is left aside for a while.

        Raises what they raise once neither answers.
        """
        more, failed = False, None
        for each in (self.bass, self.full):
            if each.name in self._aside and self._now_s() < self._aside[each.name][0]:
                continue
            try:
                more = each.collect(until_s) or more
                self._aside.pop(each.name, None)
            except ConverterError as error:
                failed = error
                self._aside[each.name] = (self._now_s() + ASIDE_S, str(error))
        if len(self._aside) == 2:
            raise failed if failed is not None else ConverterError(self.fault)
        if not self._answers(self._chosen):
            self._chosen = self.full if self._chosen is self.bass else self.bass
        return more

    def latest(self, duration_s: float) -> Samples:
        """Return the last `duration_s` seconds of the converter that has the tone."""
        return self._chosen.latest(duration_s)

    def latest_pair(self, duration_s: float) -> tuple[Samples, Samples | None]:
        """Return the last seconds of the input that is measured, and of the other one if that carries a signal.

        Both are of the full-band converter, at the same instants; without it there is only the first.
        """
        if not self._answers(self.full):
            return self.bass.latest(duration_s), None
        speaker, line_input = self._codec.latest_pair(duration_s)
        here, other = (speaker, line_input) if self.input is Input.SPEAKER else (line_input, speaker)
        carries = len(other) > 0 and float(np.std(other.volts)) > SIGNAL_NOISE * other.facts.noise_v
        return here, other if carries and self.input is Input.SPEAKER else None

    def confirm(self, hz: float) -> bool:
        """Find out whether the tone seen at `hz` is there: the full-band converter sees what it may be an image of."""
        if not self._answers(self.full):
            return self.bass.confirm(hz)
        seen = measure(self.full.latest(2.0 * min(max(0.1, 3.0 / hz), 0.5)))
        return _same(seen.line_hz, hz)

    def close(self) -> None:
        """Let go of both; harmless twice."""
        self.full.close()
        self.bass.close()

    # -- what the meter asks --------------------------------------------------------------------------------------

    def review(self, block: Block, window_s: float) -> Block:
        """Return the block to judge: `block`, or what the other converter has where the tone is its own.

        block : what was just measured with `latest`
        """
        if not (self._answers(self.bass) and self._answers(self.full)):
            return block
        self._blocks += 1
        reviewed = self._reviewed_low if self._chosen is self.bass else self._reviewed_high
        return reviewed(block, window_s)

    def apply(self, trim: Trimmed) -> None:
        """Take over a trim that was made before; one that no good converter needs is left, and said in `fault`."""
        try:
            self._codec.trim(trim.input, Trim(trim.factor, trim.u, trim.calibrated))
        except ConverterError as error:
            self.untrimmed = str(error)
        else:
            self.untrimmed = ""

    def between(self, block: Block, window_s: float) -> Between | None:
        """Return gain and polarity from the line input to the speaker input at the block's tone, if both are there."""
        if block.fit is None or not self._answers(self.full):
            return None
        speaker, line_input = self._codec.latest_pair(window_s)
        return (
            between(line_input=line_input, speaker=speaker, hz=block.fit.hz, measured=block) if len(speaker) else None
        )

    def _answers(self, converter: Converter) -> bool:
        return converter.name not in self._aside

    def _reviewed_low(self, block: Block, window_s: float) -> Block:
        """Look past the bass converter's band, where it sees no tone of its own, and else now and then."""
        sees = block.fit is not None and block.fit.hz <= UP_HZ
        due = self._now_s() - self._trimmed_s.get(self.input, -math.inf) > TRIM_AGAIN_S
        in_trim = due and block.fit is not None and TRIM_HZ[0] <= block.fit.hz <= TRIM_HZ[1]
        if sees and not in_trim and self._blocks % GLANCE_EVERY:
            return block
        other = measure(self.full.latest(window_s))
        above = other.fit is not None and other.fit.hz > UP_HZ
        if above or (not sees and _hides(other, block)):
            self._chosen, self._without = self.full, 0
            return self._with_dc(other, block.samples)
        if in_trim and other.fit is not None:
            self._compare(block, other)
        return block

    def _reviewed_high(self, block: Block, window_s: float) -> Block:
        """Hand the tone to the bass converter once it is low, and when it is gone: d.c. is seen by that one alone."""
        low = self.bass.latest(window_s)
        self._without = self._without + 1 if block.fit is None else 0
        if self._without >= GONE_BLOCKS or (block.fit is not None and block.fit.hz < DOWN_HZ):
            seen = measure(low)
            locked = low.quality.clock is Clock.LOCKED
            same = seen.fit is not None and block.fit is not None and _same(seen.fit.hz, block.fit.hz)
            if (locked and same) or (block.fit is None and not _hides(block, seen)):
                self._chosen = self.bass
                return seen
        return self._with_dc(block, low)

    @staticmethod
    def _with_dc(block: Block, low: Samples) -> Block:
        """Return a block of the full-band converter with the d.c. that the bass converter alone sees."""
        if not len(low):
            return block
        dc_v = float(np.mean(low.volts))
        scatter_v = float(np.std(low.volts)) / math.sqrt(len(low))
        facts = low.facts
        dc_u_v = 2.0 * math.hypot(facts.offset_u_v, facts.gain_u * dc_v, facts.lsb_v / math.sqrt(12.0), scatter_v)
        return replace(block, dc_v=dc_v, dc_u_v=dc_u_v)

    # -- the trim -------------------------------------------------------------------------------------------------

    def _compare(self, low: Block, high: Block) -> None:
        """Take in one more comparison of the two converters; enough that agree make a trim."""
        if low.fit is None or high.fit is None:
            return
        of = (low.samples.facts.input, low.fit.hz)
        steady = max(low.unsteady, high.unsteady) < TRIM_STEADY and low.samples.quality.clock is Clock.LOCKED
        strong = low.line_v > TRIM_FULL_SCALE * low.samples.facts.full_scale_v
        alike = of[0] is self._ratios_of[0] and _same(of[1], self._ratios_of[1])
        if not alike or not (steady and strong and _same(low.fit.hz, high.fit.hz)):
            self._ratios.clear()
        self._ratios_of = of
        if not (steady and strong) or low.samples.quality.saturated or high.samples.quality.saturated:
            return
        self._ratios.append(low.line_v / high.line_v)
        ratios = np.array(self._ratios)
        if len(ratios) < TRIM_BLOCKS or np.ptp(ratios) > TRIM_SPREAD:
            return
        self._ratios.clear()
        scatter_u = float(ratios.std()) / math.sqrt(len(ratios))
        before = self._codec.trim_of(of[0])
        made = Trimmed(
            input=of[0],
            factor=(before.factor if before is not None else 1.0) * float(ratios.mean()),
            u=math.hypot(low.samples.facts.gain_u, scatter_u, TRANSFER_U),
            calibrated=low.samples.facts.calibrated,
            hz=low.line_hz,
            rms_v=low.line_v / math.sqrt(2.0),
        )
        self._trimmed_s[of[0]] = self._now_s()
        self.apply(made)
        if not self.untrimmed:
            self.trimmed(made)


def _hides(full: Block, low: Block) -> bool:
    """Tell whether the full-band converter sees more than the bass converter does: what lies above that one's band."""
    noise_v = max(full.samples.facts.noise_v, low.samples.facts.noise_v)
    return math.isfinite(full.line_hz) or full.rms_v > MORE * low.rms_v + LOUD_NOISE * noise_v


def _same(one_hz: float, other_hz: float) -> bool:
    return abs(one_hz - other_hz) <= SAME_HZ * other_hz
