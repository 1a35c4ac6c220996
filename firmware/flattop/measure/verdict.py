"""Judge: from one block after another to Readings, with the verdict on the shape of the tone.

The judge remembers what one block cannot know: whether the level fell or stepped, how long a finding has stood,
that the tops were flat a moment ago, and the shape this output had at lower level. Time comes in with the blocks.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import numpy as np

from flattop.measure.level import MAINS_TO_HZ, MIN_SAMPLES, Block, Glance, blank, tops_picture
from flattop.measure.reading import Reading, Reason, Verdict
from flattop.measure.tops import TopsFit, fit_tops
from flattop.samples import Clock, ComplexArray, Facts, Input, Quality, Samples

STEADY = 0.03
"""Largest part of a block that may not repeat from cycle to cycle, over the fundamental."""
STEADY_RICH = 0.045
"""The same for a wave rich in harmonics that was judged before: the edges of a square do not fold quite alike."""
BURST = 0.5
"""Nothing is made of a shape while so large a share of the residual comes within a twentieth of the block."""
SURE = 5.0
"""A finding counts from this many standard deviations of its noise."""
QUADRATURE = 0.4
"""A clip's harmonics stand in phase with the crest: above this share out of phase, something else made them."""
FEWEST_LSB = 20.0
"""Below this peak nothing is said of a shape."""
FEW_LSB = 60.0
"""Below this peak quantising looks like distortion of up to FEW_LSB_THD."""
FEW_LSB_THD = 0.03
BESIDE = 0.006
"""Hum and the like that may stand beside a clip; more than this, and half of it, is another wave altogether."""
BEYOND_HUM = 0.02
"""Flattening [of the fundamental] that mains hum is not expected to reach: then it is a knee that is named."""
QUIET_SHARE = 1e-4
"""Below this share of the input's full scale there is no tone."""
FASTEST = 0.2
"""Largest change of level within one block that is still called a tone moving, of the level."""
RICH, FASTEST_RICH = 0.03, 0.1
"""A wave rich in harmonics is a note of music if it moves faster than this; a limiter holds its level."""
SAME_HZ, SAME_LEVEL, RICH_STANDS_S = 0.005, 0.03, 0.4
"""Without a tone judged before, a rich wave must keep its frequency and its level for this long [s]."""
FALL_STEP = 0.003
"""A level falls if it loses at least this share from one reading to the next."""
FADED = 0.5
FADE_S = 0.5
STEP_SHARE = 0.05
"""A lead is off if a level drops to less than this share without a fade."""
LEVEL_MEMORY_S = 1.0
LOWER_LEVEL = 10.0 ** (-3.0 / 20.0)
"""The output's own shape is what it had at least 3 dB below the present level."""
CONFIRMED_S = 3.0
"""A tone shown to be genuine stays so while it is there, one shown to be an image for this long [s]."""
OWN_SHAPE_LSB = 100.0
LOOK_AFTER_S = 0.25
"""Looks count for an update and this long after a block that could be judged [s]."""
LOOK_OUTRANKS = frozenset({Reason.MOVING, Reason.NOT_ONE_TONE, Reason.FADING})
"""Reasons for no verdict that a level on the move gives a whole block, and not the last two cycles."""
LOOK_THD = 0.5
"""Least THD_F of flat tops, over the limit for both halves: one half cut alone makes 0.7 of it."""
LOOKS = 2
"""This many looks in a row must see flat tops."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Where one verdict ends and the next begins."""

    flat_db: float = 0.25
    soft_db: float = 0.08
    flat_thd_pct: float = 1.0
    hysteresis: float = 0.1
    """Way back below a limit before a verdict is given up, as a share of the limit."""
    latch_s: float = 1.0
    """A flat verdict stays this long after the tops are whole again [s]."""
    hold_s: float = 1.0
    """Bent tops that hum could explain must stand this long [s]."""
    dc_alarm_v: float = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class _OwnShape:
    """The shape of an output at a low level, averaged over some readings."""

    hz: float
    rms_v: float
    shape: ComplexArray
    count: int


class Judge:
    """Turns blocks, in the order of time, into readings."""

    def __init__(self, limits: Limits | None = None) -> None:
        self.limits = limits or Limits()
        self.reset()

    def reset(self) -> None:
        """Forget everything: another input, another output, a new start."""
        self._shown = Verdict.UNKNOWN
        self._flat_until_s = -math.inf
        self._third_since_s = math.inf
        self._updated_s, self._interval_s = math.nan, 0.0
        self._judged_s, self._judged_hz = -math.inf, math.nan
        self._rich_from = (math.inf, math.nan, math.nan)
        self._looks_flat = 0
        self._looked_flat = False
        self._tones: deque[tuple[float, float, float]] = deque(maxlen=100)
        self._fall_from = (0.0, 0.0)
        self._fading = False
        self._cut_off_v = self._cut_off_hz = 0.0
        self._own: _OwnShape | None = None
        self._confirmed = (math.nan, False, -math.inf)

    @property
    def shown(self) -> Verdict:
        """The verdict of the last reading."""
        return self._shown

    def look(self, glance: Glance | None, *, time_s: float) -> bool:
        """Take a quick look into account; True when it has just turned the verdict to flat.

        Looks count only on a tone that was judged a moment ago: two cycles of music can have any shape.

        The next `update` then says flat, whatever its longer block, half of it still old, makes of it.
        """
        if glance is None:
            return False  # a hole in the samples speaks neither for nor against
        if not time_s - self._judged_s < LOOK_AFTER_S + self._interval_s:
            self._looks_flat = 0
            return False
        tops = glance.tops
        flat = (
            tops is not None
            and self._is_cut(tops)
            and max(tops.overdrive_pos_db, tops.overdrive_neg_db) - 3.0 * tops.sigma_db >= self.limits.flat_db
            and 100.0 * glance.thd >= LOOK_THD * self.limits.flat_thd_pct
            and tops.broad
        )
        self._looks_flat = self._looks_flat + 1 if flat else 0
        news = self._looks_flat == LOOKS and self._shown is not Verdict.FLAT
        self._looked_flat = self._looked_flat or self._looks_flat >= LOOKS
        return news

    def confirmed(self, *, hz: float, genuine: bool, time_s: float) -> None:
        """Take in what a closer look at a doubtful tone has shown; it holds for some seconds."""
        self._confirmed = (hz, genuine, time_s)

    def silent(self, *, time_s: float, facts: Facts, quality: Quality) -> Reading:
        """Return the reading of a converter that does not answer: no figure at all."""
        self.reset()
        nothing = Samples(np.empty(0), np.empty(0), facts, quality)
        return self._reading(blank(nothing), time_s, Verdict.UNKNOWN, Reason.SILENT)

    def update(self, block: Block, *, now_s: float = math.nan) -> Reading:
        """Judge the next block.

        now_s : stands in for the time of a block that holds no samples [s]
        """
        samples = block.samples
        time_s = float(samples.times_s[-1]) if len(samples) else now_s
        if time_s > self._updated_s:
            self._interval_s = time_s - self._updated_s
        self._updated_s = time_s
        reason = self._why_unknown(block, time_s)
        looked_flat, self._looked_flat = self._looked_flat, False
        if reason is Reason.NONE:
            verdict, reason = self._shape(block, time_s)
            if block.fit is not None:
                self._judged_s, self._judged_hz = time_s, block.fit.hz
        else:
            verdict = Verdict.UNKNOWN
            self._third_since_s = math.inf
        if looked_flat and (verdict is not Verdict.UNKNOWN or reason in LOOK_OUTRANKS):
            verdict, reason = Verdict.FLAT, Reason.TOP_MISSING
        if verdict is Verdict.FLAT:
            self._flat_until_s = time_s + self.limits.latch_s
        elif verdict is not Verdict.UNKNOWN and time_s < self._flat_until_s:
            verdict, reason = Verdict.FLAT, Reason.TOP_MISSING
        self._shown = verdict
        return self._reading(block, time_s, verdict, reason)

    def _is_genuine(self, hz: float, time_s: float) -> bool:
        """True for a tone that was confirmed and has been there since."""
        known_hz, genuine, since_s = self._confirmed
        alike = genuine and abs(hz - known_hz) < 0.02 * known_hz and time_s - since_s < CONFIRMED_S
        if alike:
            self._confirmed = (hz, True, time_s)
        return alike

    def _may_be_image(self, block: Block, time_s: float) -> bool:
        """True where what is seen may be another tone folded down, or was shown to be one a moment ago."""
        facts = block.samples.facts
        if self._image_since(time_s):
            return True
        if math.isfinite(block.line_hz):
            genuine = self._is_genuine(block.line_hz, time_s)
            return block.line_v < facts.image_v(block.line_hz) and not genuine
        # No line is made out: whatever is there, it is no more than an image at the band's upper end could be.
        found = block.rms_v * math.sqrt(2.0)
        return facts.lsb_v * FEWEST_LSB / 2.0 < found < facts.image_v(facts.tone_band_hz[1])

    def _image_since(self, time_s: float) -> bool:
        """True for some seconds after a tone was shown to be an image."""
        _, genuine, since_s = self._confirmed
        return not genuine and time_s - since_s < CONFIRMED_S

    # -- what cannot be judged ------------------------------------------------------------------------------------

    def _why_unknown(self, block: Block, time_s: float) -> Reason:
        """Return the reason why no verdict can be given; NONE if the block carries one."""
        samples, facts = block.samples, block.samples.facts
        if len(samples) < MIN_SAMPLES:
            return Reason.TOO_SHORT
        if samples.quality.saturated or math.isnan(block.rms_v):
            return Reason.TOO_HIGH
        if self._is_off(block, time_s):
            return Reason.LEAD_OFF
        smallest_v = QUIET_SHARE * facts.full_scale_v if math.isfinite(facts.full_scale_v) else 0.0
        quiet_v = max(2.0 * facts.lsb_v, 3.0 * facts.noise_v, smallest_v)
        if block.rms_v <= quiet_v and block.fit is None:
            return Reason.NO_TONE
        if samples.quality.clock is Clock.LEARNING:
            return Reason.CLOCK_LEARNING
        low, high = facts.tone_band_hz
        if math.isfinite(block.line_hz) and not low <= block.line_hz <= high:
            return Reason.OUT_OF_BAND
        if block.fit is None:
            if self._image_since(time_s):
                return Reason.OUT_OF_BAND
            if block.rms_v * math.sqrt(2.0) < facts.image_v(high):
                return Reason.IMAGE
            weak = block.rms_v * math.sqrt(2.0) < FEWEST_LSB * facts.lsb_v
            return Reason.TOO_FEW_LSB if weak else Reason.NOT_ONE_TONE
        if block.line_v < facts.image_v(block.fit.hz) and not self._is_genuine(block.fit.hz, time_s):
            same = abs(block.fit.hz - self._confirmed[0]) < 0.02 * block.fit.hz
            return Reason.OUT_OF_BAND if same and self._image_since(time_s) else Reason.IMAGE
        if block.peak_lsb < FEWEST_LSB:
            return Reason.TOO_FEW_LSB
        moved = abs(block.fit.drift_per_s) * samples.duration_s
        rich = block.thd >= RICH
        fastest = FASTEST_RICH if rich else FASTEST
        steady = STEADY_RICH if rich and self._stands(block.fit.hz, time_s) else STEADY
        if block.unsteady > steady or moved > fastest:
            return Reason.MOVING if moved > fastest / 2.0 else Reason.NOT_ONE_TONE
        if rich and not self._is_a_tone(block, block.fit.hz, time_s):
            return Reason.NOT_ONE_TONE
        self._follow_level(block.rms_v, block.fit.hz, time_s)
        if self._fading:
            return Reason.FADING
        return Reason.NONE

    def _stands(self, hz: float, time_s: float) -> bool:
        """True for a tone that was judged a moment ago."""
        return abs(hz / self._judged_hz - 1.0) < SAME_HZ and time_s - self._judged_s < LEVEL_MEMORY_S

    def _is_a_tone(self, block: Block, hz: float, time_s: float) -> bool:
        """Tell a tone rich in harmonics from a note of music: by what was judged before, or by how long it stands."""
        if self._stands(hz, time_s):
            return True
        since_s, rich_hz, rich_v = self._rich_from
        if not (abs(hz / rich_hz - 1.0) < SAME_HZ and abs(block.rms_v / rich_v - 1.0) < SAME_LEVEL):
            since_s = time_s
            self._rich_from = (time_s, hz, block.rms_v)
        return time_s - since_s >= RICH_STANDS_S

    def _is_off(self, block: Block, time_s: float) -> bool:
        """Tell a lead that slipped off from a tone that was faded out or never there.

        A tone that stood and is gone from one moment to the next, leaving next to nothing (an open lead picks up some
        hum), was cut, not faded: so it stays until there is a level again, or the same tone.
        """
        fit = block.fit
        if self._tones:
            last_s, last_v, last_hz = self._tones[-1]
            same_tone = fit is not None and abs(fit.hz / last_hz - 1.0) < 0.05 and block.unsteady < STEADY
            if same_tone or not block.rms_v < STEP_SHARE * last_v:
                return False
            recent_v = max(v for s, v, _ in self._tones if s > last_s - LEVEL_MEMORY_S)
            if last_v > 0.5 * recent_v and not self._fading:
                self._cut_off_v, self._cut_off_hz = last_v, last_hz
            self._tones.clear()
            self._fading = False
            self._own = None
        if not self._cut_off_v > 0.0:
            return False
        same_tone = fit is not None and abs(fit.hz / self._cut_off_hz - 1.0) < 0.05
        if same_tone or block.rms_v >= STEP_SHARE * self._cut_off_v:
            self._cut_off_v = 0.0
        return self._cut_off_v > 0.0

    def _follow_level(self, rms_v: float, hz: float, time_s: float) -> None:
        """Keep the recent levels of the tone, and whether it is fading out."""
        falling = bool(self._tones) and rms_v < self._tones[-1][1] * (1.0 - FALL_STEP)
        if not falling:
            self._fall_from = (time_s, rms_v)
        start_s, start_v = self._fall_from
        self._fading = falling and rms_v < FADED * start_v and time_s - start_s >= FADE_S
        while self._tones and self._tones[0][0] <= time_s - 2.0 * LEVEL_MEMORY_S:
            self._tones.popleft()
        self._tones.append((time_s, rms_v, hz))

    # -- the shape ------------------------------------------------------------------------------------------------

    def _shape(self, block: Block, time_s: float) -> tuple[Verdict, Reason]:
        """Return the verdict on a steady tone."""
        tops = block.tops
        if tops is None or block.shape is None or block.shape_sigma is None:
            return Verdict.UNKNOWN, Reason.OUT_OF_BAND
        limit_pct = self._eased(self.limits.flat_thd_pct, Verdict.DISTORTED, Verdict.FLAT)
        distorted = block.thd > block.thd_noise and 100.0 * (block.thd + 2.0 * block.thd_sigma) >= limit_pct
        verdict, reason = self._bent(tops, distorted)
        if reason is Reason.THIRD_ONLY and 3.0 * block.line_hz > MAINS_TO_HZ:
            reason = Reason.TOPS_BEND  # no hum reaches up there
        if verdict is Verdict.CLEAN:
            relative = self._against_own_shape(block)
            if relative is not None:
                verdict, reason = self._bent(relative, False)
                verdict = Verdict.SOFT if verdict is Verdict.FLAT else verdict
                tops = relative
        doubtful = verdict is not Verdict.CLEAN or distorted
        if doubtful and block.burst > BURST:
            return Verdict.UNKNOWN, Reason.NOT_ONE_TONE
        if block.peak_lsb < FEW_LSB and block.thd < FEW_LSB_THD and doubtful:
            return Verdict.UNKNOWN, Reason.TOO_FEW_LSB
        if not doubtful and 2.0 * tops.sigma_db > self.limits.soft_db:
            # Noise enough to hide a soft top: few codes, or what a moving level leaves over.
            return Verdict.UNKNOWN, Reason.TOO_FEW_LSB if block.peak_lsb < OWN_SHAPE_LSB else Reason.MOVING
        if reason in {Reason.THIRD_ONLY, Reason.TOPS_BEND}:
            self._third_since_s = min(self._third_since_s, time_s)
            # At 1 % THD and more the meanwhile is "distorted", never clean, and half as long.
            hold_s = 0.5 * self.limits.hold_s if distorted else self.limits.hold_s
            if time_s - self._third_since_s < hold_s and self._shown is not verdict:
                verdict, reason = Verdict.CLEAN, Reason.NONE
        else:
            self._third_since_s = math.inf
        if verdict is Verdict.CLEAN:
            if distorted:
                return Verdict.DISTORTED, Reason.NO_TOP_MISSING
            self._remember_shape(block)
        return verdict, reason

    def _bent(self, tops: TopsFit, distorted: bool) -> tuple[Verdict, Reason]:
        """Return flat or soft with the evidence, or clean if the tops are as tall as the flanks say.

        Limits are met with the uncertainty counted towards the warning: a top that may be flat is called flat.
        """
        if not self._is_cut(tops):
            return Verdict.CLEAN, Reason.NONE
        highest_db = max(tops.overdrive_pos_db, tops.overdrive_neg_db)
        flat = highest_db + 2.0 * tops.sigma_db >= self._eased(self.limits.flat_db, Verdict.FLAT)
        soft = highest_db + 3.0 * tops.sigma_db >= self._eased(self.limits.soft_db, Verdict.FLAT, Verdict.SOFT)
        if not soft:
            return Verdict.CLEAN, Reason.NONE
        verdict = Verdict.FLAT if flat or distorted else Verdict.SOFT
        if tops.broad:
            return verdict, Reason.TOP_MISSING
        # A single harmonic above the third is no shape that tops take: a whine or hum on the tone.
        if tops.carried_by != 3:
            return Verdict.CLEAN, Reason.NONE
        return verdict, Reason.TOPS_BEND if tops.flattening >= BEYOND_HUM else Reason.THIRD_ONLY

    @staticmethod
    def _is_cut(tops: TopsFit) -> bool:
        """True if something lowers the tops, and it is beyond doubt, in phase with them, and what is mostly there."""
        return (
            tops.flattening >= SURE * tops.flattening_sigma
            and tops.quadrature <= QUADRATURE
            and tops.unexplained <= max(BESIDE, 0.5 * tops.flattening)
        )

    def _eased(self, limit: float, *held_by: Verdict) -> float:
        """Return `limit`, lowered by the hysteresis while one of the verdicts it separates is shown."""
        return limit * (1.0 - self.limits.hysteresis) if self._shown in held_by else limit

    def _against_own_shape(self, block: Block) -> TopsFit | None:
        """Fit the tops to what has changed since this output was well below the present level."""
        own, shape, sigma = self._own, block.shape, block.shape_sigma
        if own is None or shape is None or sigma is None or block.fit is None:
            return None
        if own.rms_v > LOWER_LEVEL * block.rms_v or abs(own.hz / block.fit.hz - 1.0) > 0.02:
            return None
        if len(own.shape) < len(shape):
            return None
        spread = sigma * math.sqrt(1.0 + (block.rms_v / own.rms_v) ** 2 / own.count)
        return fit_tops(shape=shape, sigma=spread, own=own.shape)

    def _remember_shape(self, block: Block) -> None:
        """Keep the shape at the lowest clean level that is measured well enough."""
        if block.shape is None or block.fit is None or block.peak_lsb < OWN_SHAPE_LSB:
            return
        own = self._own
        another_tone = own is None or abs(own.hz / block.fit.hz - 1.0) > 0.02 or len(own.shape) != len(block.shape)
        if own is None or another_tone or block.rms_v < 0.9 * own.rms_v:
            self._own = _OwnShape(block.fit.hz, block.rms_v, block.shape, 1)
        elif block.rms_v < 1.1 * own.rms_v and own.count < 20:
            mean = own.shape + (block.shape - own.shape) / (own.count + 1)
            self._own = _OwnShape(own.hz, own.rms_v, mean, own.count + 1)

    # -- the reading ----------------------------------------------------------------------------------------------

    def _reading(self, block: Block, time_s: float, verdict: Verdict, reason: Reason) -> Reading:
        fit, tops, facts = block.fit, block.tops, block.samples.facts
        found = tops is not None and tops.flattening >= SURE * tops.flattening_sigma
        # Cutting one top only moves the mean of a wave: that much d.c. is the clip's, not the amplifier's.
        explained_v = tops.mean_shift * block.line_v if tops is not None and found else 0.0
        alarm = facts.input is Input.SPEAKER and abs(block.dc_v - explained_v) - block.dc_u_v > self.limits.dc_alarm_v
        highest = len(fit.harmonics) - 1 if fit is not None else 0
        nan = math.nan
        if reason is Reason.TOO_HIGH or (verdict is Verdict.UNKNOWN and self._may_be_image(block, time_s)):
            # What is there is another tone, or higher than anything seen: no figure of it is known.
            block, fit, tops, highest = blank(block.samples), None, None, 0
        return Reading(
            time_s=time_s,
            duration_s=block.samples.duration_s,
            rms_v=block.rms_v,
            rms_u_v=block.rms_u_v,
            dc_v=block.dc_v,
            dc_u_v=block.dc_u_v,
            hz=fit.hz if fit is not None else nan,
            hz_u=block.hz_u,
            peak_pos_v=block.peak_pos_v,
            peak_neg_v=block.peak_neg_v,
            crest=max(block.peak_pos_v, -block.peak_neg_v) / block.rms_v if block.rms_v > 0.0 else nan,
            fundamental_v=block.line_v / math.sqrt(2.0) if fit is not None else nan,
            thd_pct=100.0 * block.thd,
            harmonics=highest,
            thd_to_hz=highest * fit.hz if fit is not None else nan,
            thd_n_pct=100.0 * block.thd_n,
            overdrive_pos_db=tops.overdrive_pos_db if tops is not None else nan,
            overdrive_neg_db=tops.overdrive_neg_db if tops is not None else nan,
            overdrive_u_db=2.0 * tops.sigma_db if tops is not None else nan,
            flat_share_pct=100.0 * tops.flat_share if tops is not None else nan,
            drift_pct_s=100.0 * fit.drift_per_s if fit is not None else nan,
            verdict=verdict,
            reason=reason,
            dc_alarm=alarm,
            facts=facts,
            quality=block.samples.quality,
            tops=tops_picture(block),
        )
