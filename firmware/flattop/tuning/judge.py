"""Judging levels against a plan: pass, fail or cannot tell, with the uncertainty counted.

Decisions are guarded after JCGM 106:2012 (Evaluation of measurement data: the role of measurement uncertainty in
conformity assessment): with d a difference and U its expanded uncertainty, |d| + U <= limit passes, |d| - U > limit
fails, and what lies between cannot be told. Two readings of the same input on the same range share the error of its
gain; of their difference only its share of the difference itself remains.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import combinations

import numpy as np

from flattop.measure.alignment import Side, Told
from flattop.measure.level import COVERAGE, STRETCH
from flattop.measure.noise import Noise
from flattop.measure.noise import Stage as Listening
from flattop.measure.reading import Reading, Verdict
from flattop.measure.response import Response
from flattop.tuning.plan import SAME_TONE, Band

DB = 20.0 / math.log(10.0)
"""Decibels of a small relative change: 20 log10(1 + x) = DB x."""

# Where to look first. Common practice, no source.
LINK_CAUSES = ("plugs and cable of this link", "a control that is not fully up", "a low input impedance behind it")
BENT_LINK_CAUSES = ("volume beyond the source's clean range", "this device overloaded by its input")
PAIR_CAUSES = ("balance control off centre", "plug or cable of one side", "one side of the device before it")
POT_CAUSES = ("two tracks of one gain pot that differ", "balance control off centre", "input level of the two sides")
MATCH_CAUSES = ("gain pot of one of them moved", "supply or earth cable of one of them", "input level of the two")
SOURCE_CAUSES = ("volume beyond the source's clean range", "its tone controls or effects", "a tone recorded too hot")
TARGET_CAUSES = ("gain pot moved after it was set", "volume not at the same step", "supply voltage changed")
CEILING_CAUSES = ("supply voltage sagging under tone", "input of the amplifier overloaded", "output rated too high")

CORNER_CAUSES = ("the corner's knob or menu", "a bass boost or tone control that is on", "another filter in the source")
NOISE_CAUSES = ("signal cable beside supply cable", "earth points of source and amplifier apart", "gain above need")
FILTERS = {Side.HIGH_PASS: "subsonic", Side.LOW_PASS: "low-pass"}


class Judgement(StrEnum):
    """What can be said of a value against its limit."""

    PASS = "pass"
    FAIL = "fail"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """What a judgement needs of a kept reading."""

    rms_v: float
    """True RMS [V]."""
    u_v: float
    """Its expanded uncertainty (k = 2) [V]."""
    u_common_rel: float = 0.0
    """Part of it that all readings of one tone on the same `path` share, expanded, over the level."""
    hz: float = math.nan
    verdict: Verdict = Verdict.UNKNOWN
    no_load: bool = False
    path: str = ""
    """Converter, input and range that it was measured through."""

    @property
    def own_u_v(self) -> float:
        """Expanded uncertainty without the part that is shared [V]: how well the reading repeats."""
        return math.sqrt(max(self.u_v**2 - (self.u_common_rel * self.rms_v) ** 2, 0.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One judgement, and what it is about."""

    what: str
    """One of "source ceiling", "link loss", "pair", "not adjustable here", "match", "ceiling", "target", "shape",
    "corner" or "noise"."""
    where: tuple[str, ...]
    judgement: Judgement
    value: float
    u: float
    """Expanded uncertainty of the value, in its unit."""
    limit: float
    """NaN where there is none."""
    unit: str
    text: str
    """One plain sentence."""
    causes: tuple[str, ...] = ()
    """What to look at first; empty unless something is wrong."""
    no_load: bool = False


def level_of(reading: Reading, *, no_load: bool) -> Level:
    """Return the level of a reading, with the part of its uncertainty that further readings would share."""
    facts = reading.facts
    corner = spread = 0.0
    if math.isfinite(reading.hz):
        # As measure/ counts it: the path's time constants are known to `response_u`.
        ends = np.abs(facts.response(reading.hz * np.array([1.0 - STRETCH, 1.0 + STRETCH])))
        corner = abs(math.log(ends[1] / ends[0])) / (2.0 * STRETCH) * facts.response_u
        spread = facts.spread_u(reading.hz)
    return Level(
        rms_v=reading.rms_v,
        u_v=reading.rms_u_v,
        u_common_rel=COVERAGE * math.hypot(facts.gain_u, corner, spread),
        hz=reading.hz,
        verdict=reading.verdict,
        no_load=no_load,
        path=f"{facts.converter} {facts.input} {facts.lsb_v:.6g}",
    )


def guard_banded(*, difference: float, u: float, limit: float) -> Judgement:
    """Judge a difference against a symmetric limit, all in one unit, `u` expanded. NaN cannot be told."""
    size = abs(difference)
    if size + u <= limit:
        return Judgement.PASS
    if size - u > limit:
        return Judgement.FAIL
    return Judgement.CANNOT_TELL


def difference_v(one: Level, other: Level) -> tuple[float, float]:
    """Return how far `one` lies above `other` and the expanded uncertainty of that [V]."""
    difference = one.rms_v - other.rms_v
    other_tone = math.isfinite(one.hz) and math.isfinite(other.hz) and not _same_tone(one, other)
    if one.path != other.path or other_tone:
        return difference, math.hypot(one.u_v, other.u_v)
    common = max(one.u_common_rel, other.u_common_rel) * difference
    return difference, math.hypot(one.own_u_v, other.own_u_v, common)


def ratio_db(one: Level, other: Level) -> tuple[float, float]:
    """Return the level of `one` over that of `other` and the expanded uncertainty of that [dB].

    NaN unless both are above nothing.
    """
    if not (one.rms_v > 0.0 and other.rms_v > 0.0):
        return math.nan, math.nan
    shared = one.path == other.path
    parts = [(level.own_u_v if shared else level.u_v) / level.rms_v for level in (one, other)]
    return 20.0 * math.log10(one.rms_v / other.rms_v), DB * math.hypot(*parts)


def loss(before: Level, after: Level, *, limit_db: float, where: Sequence[str]) -> Finding:
    """Judge what a link loses [dB], and that the tone leaves it as clean as it came.

    before, after : levels at its two ends, of the same tone
    where : the link, and its side
    """
    lost_db, u_db = ratio_db(before, after)
    lost_v, _ = difference_v(before, after)
    name = ", ".join(where)
    judgement = Judgement.CANNOT_TELL
    causes: tuple[str, ...] = ()
    if not _same_tone(before, after):
        text = f"{name}: the levels before and after are not of the same tone."
    elif math.isnan(lost_db):
        text = f"{name}: no level to judge on one of its ends."
    else:
        # A link with gain loses nothing.
        judgement = guard_banded(difference=max(lost_db, 0.0), u=u_db, limit=limit_db)
        verb = "loses" if lost_db >= 0.0 else "gains"
        text = (
            f"{name}: {verb} {abs(lost_db):.2f} dB ({abs(lost_v):.3g} V), limit {limit_db:.2f} dB{_doubt(judgement)}."
        )
        causes = LINK_CAUSES if judgement is not Judgement.PASS else ()
        if _is_bent(after) and not _is_bent(before):
            judgement, causes = Judgement.FAIL, BENT_LINK_CAUSES
            text = (
                f"{name}: the tone goes in {before.verdict} and comes out {after.verdict}, {abs(lost_db):.2f} dB lower."
            )
    return Finding(
        what="link loss",
        where=tuple(where),
        judgement=judgement,
        value=lost_db,
        u=u_db,
        limit=limit_db,
        unit="dB",
        text=text,
        causes=causes,
        no_load=before.no_load or after.no_load,
    )


def pair(left: Level, right: Level, *, limit_v: float, one_pot: bool, where: Sequence[str]) -> Finding:
    """Judge how far the two sides of a pair differ [V].

    one_pot : True if one gain pot sets both, so that it cannot mend a difference
    where : names of the left and of the right side
    """
    finding = matched(dict(zip(where, (left, right), strict=True)), limit_v=limit_v)
    stuck = one_pot and finding.judgement is Judgement.FAIL
    causes = (POT_CAUSES if one_pot else PAIR_CAUSES) if finding.judgement is not Judgement.PASS else ()
    return Finding(
        what="not adjustable here" if stuck else "pair",
        where=tuple(where),
        judgement=finding.judgement,
        value=left.rms_v - right.rms_v,
        u=finding.u,
        limit=limit_v,
        unit="V",
        text=finding.text.removesuffix(".") + ("; one pot sets both, so it stays." if stuck else "."),
        causes=causes,
        no_load=finding.no_load,
    )


def matched(levels: Mapping[str, Level], *, limit_v: float) -> Finding:
    """Judge whether levels agree, each with each [V]; the pair that is worst off is named.

    Levels with and without load, or of different tones, are not compared. Raises ValueError for fewer than two.
    """
    if len(levels) < 2:
        raise ValueError(f"{len(levels)} level cannot match; needed are two or more")
    found = []
    for (name, one), (other_name, other) in combinations(levels.items(), 2):
        difference, u_v = difference_v(one, other)
        apart_db, _ = ratio_db(one, other)
        judgement = guard_banded(difference=difference, u=u_v, limit=limit_v)
        text = (
            f"{name} and {other_name} differ by {abs(difference):.3g} V ({abs(apart_db):.2f} dB), "
            f"limit {limit_v:.3g} V{_doubt(judgement)}."
        )
        if one.no_load is not other.no_load or not _same_tone(one, other):
            judgement = Judgement.CANNOT_TELL
            text = (
                f"{name} and {other_name} were not measured alike: another tone, or one with its load and one without."
            )
        found.append(
            Finding(
                what="match",
                where=(name, other_name),
                judgement=judgement,
                value=difference,
                u=u_v,
                limit=limit_v,
                unit="V",
                text=text,
                causes=MATCH_CAUSES if judgement is not Judgement.PASS else (),
                no_load=one.no_load or other.no_load,
            )
        )
    return max(found, key=_gravity)


def ceiling(
    highest_clean: Level,
    *,
    ceiling_v: float,
    u_v: float,
    rated_v: float,
    where: Sequence[str],
    tolerance_v: float = 0.0,
) -> Finding:
    """Judge whether an output carries its rated level before its tops go flat.

    highest_clean : the highest level that was seen clean
    ceiling_v, u_v : the ceiling and its expanded uncertainty [V]; NaN if the tops never went flat
    rated_v : what the tone must reach after the rating [V]; NaN where that is not known
    tolerance_v : how near to that a level is set that is not taken any higher [V]
    """
    name = ", ".join(where)
    reached = math.isfinite(ceiling_v)
    value, value_u = (ceiling_v, u_v) if reached else (highest_clean.rms_v, highest_clean.u_v)
    judgement = Judgement.CANNOT_TELL
    doubt = ""
    if math.isnan(rated_v):
        said = "what it is rated for is not known"
        judgement = Judgement.PASS if reached else judgement
    else:
        said = f"rated for {rated_v:.1f} V"
        if not reached:
            # It was taken to its rating and no higher, or something else kept it below.
            carried = value + tolerance_v >= rated_v
            judgement = Judgement.PASS if carried else judgement
            doubt = "" if carried else ", which was not tried"
            if carried and value < rated_v:
                said += f", set within {tolerance_v:.3g} V of that"
        elif value - value_u >= rated_v:
            judgement = Judgement.PASS
        elif value + value_u < rated_v:
            judgement = Judgement.FAIL
        else:
            doubt = _doubt(judgement)
    found = f"clean up to {value:.2f} V" if reached else f"still clean at {value:.2f} V, the highest level seen"
    return Finding(
        what="ceiling",
        where=tuple(where),
        judgement=judgement,
        value=value,
        u=value_u,
        limit=rated_v,
        unit="V",
        text=f"{name}: {found}; {said}{doubt}.",
        causes=CEILING_CAUSES if judgement is Judgement.FAIL else (),
        no_load=highest_clean.no_load,
    )


def source(highest_clean: Level, *, ceiling_v: float, u_v: float, where: Sequence[str]) -> Finding:
    """Judge whether a source stays clean up to the end of its volume.

    highest_clean : the level that it is left at
    ceiling_v, u_v : the ceiling and its expanded uncertainty [V]; NaN if its tops never went flat
    """
    clips = math.isfinite(ceiling_v)
    name = ", ".join(where)
    return Finding(
        what="source ceiling",
        where=tuple(where),
        judgement=Judgement.FAIL if clips else Judgement.PASS,
        value=ceiling_v if clips else highest_clean.rms_v,
        u=u_v if clips else highest_clean.u_v,
        limit=math.nan,
        unit="V",
        text=(
            f"{name}: its own tops go flat above {ceiling_v:.3g} V, before the end of its volume."
            if clips
            else f"{name}: clean up to the end of its volume, {highest_clean.rms_v:.3g} V."
        ),
        causes=SOURCE_CAUSES if clips else (),
    )


def target(level: Level, *, aim_v: float, tolerance_v: float, where: Sequence[str]) -> Finding:
    """Judge how near a gain was set to its target [V].

    The target is a level on this meter: what counts is how well a reading repeats. How well volts are known beyond
    that is the same for every output set by this meter, and is said beside it.
    """
    difference = level.rms_v - aim_v
    judgement = guard_banded(difference=difference, u=level.own_u_v, limit=tolerance_v)
    return Finding(
        what="target",
        where=tuple(where),
        judgement=judgement,
        value=difference,
        u=level.own_u_v,
        limit=tolerance_v,
        unit="V",
        text=(
            f"{', '.join(where)}: set to {level.rms_v:.2f} V (known within {level.u_v:.2g} V), {abs(difference):.2f} V "
            f"{_way(difference)} the target of {aim_v:.2f} V, tolerance {tolerance_v:.3g} V{_doubt(judgement)}."
        ),
        causes=TARGET_CAUSES if judgement is Judgement.FAIL else (),
        no_load=level.no_load,
    )


def shape(level: Level, *, band: Band, where: Sequence[str]) -> Finding:
    """Judge whether an output may be left at this verdict: clean, and in the bass at the very first softening too."""
    allowed = {Verdict.CLEAN, Verdict.SOFT} if band is Band.BASS else {Verdict.CLEAN}
    judgement = Judgement.PASS if level.verdict in allowed else Judgement.FAIL
    if level.verdict is Verdict.UNKNOWN:
        judgement = Judgement.CANNOT_TELL
    return Finding(
        what="shape",
        where=tuple(where),
        judgement=judgement,
        value=level.rms_v,
        u=level.u_v,
        limit=math.nan,
        unit="V",
        text=(
            f"{', '.join(where)}: {level.verdict} at {level.rms_v:.2f} V; a {band} output may be left "
            f"{' or '.join(sorted(allowed))}{_doubt(judgement)}."
        ),
        causes=("gain above the ceiling of this output",) if judgement is Judgement.FAIL else (),
        no_load=level.no_load,
    )


def corner(response: Response, *, side: Side, stated_hz: float, limit_pct: float, where: Sequence[str]) -> Finding:
    """Judge how far a filter's corner lies from the stated one [% of that].

    It lies where its alignment has it: at -3 dB of a Butterworth filter, at -6 dB of a Linkwitz-Riley one. Where no
    alignment could be fitted, or the sweep was too fast for the filter, it cannot be told. What the speed of the sweep
    can have moved it by counts in full beside its uncertainty.
    """
    found = response.corner(side)
    name = f"{', '.join(where)}: {FILTERS[side]}"
    judgement, value, u = Judgement.CANNOT_TELL, math.nan, math.nan
    stated = f"{stated_hz:g} Hz stated"
    if found is None:
        text = f"{name}: no corner in the range swept, {stated}."
    elif found.shape is None:
        told = response.fit.told if response.fit is not None else Told.TOO_FEW
        text = f"{name}: -3 dB at {found.down_3_hz:.1f} Hz, -6 dB at {found.down_6_hz:.1f} Hz, {stated}; {told}."
    else:
        value = 100.0 * (found.corner_hz / stated_hz - 1.0)
        u = 100.0 * (found.corner_u_hz + response.lag * found.corner_hz) / stated_hz
        if not response.too_fast:
            judgement = guard_banded(difference=value, u=u, limit=limit_pct)
        doubt = "; swept too fast to tell" if response.too_fast else _doubt(judgement)
        text = (
            f"{name} at {found.corner_hz:.1f} Hz ({found.shape}), {abs(value):.1f} % {_way(value)} the {stated}, "
            f"limit {limit_pct:g} %{doubt}."
        )
    return Finding(
        what="corner",
        where=(*where, FILTERS[side]),
        judgement=judgement,
        value=value,
        u=u,
        limit=limit_pct,
        unit="%",
        text=text,
        causes=CORNER_CAUSES if judgement is Judgement.FAIL else (),
        no_load=True,
    )


def quiet(noise: Noise, tone: Level, *, limit_db: float, where: Sequence[str]) -> Finding:
    """Judge whether all that is left without a tone lies far enough below that tone [dB].

    tone : the tone at this output, as left
    limit_db : least distance. A bound on the noise proves that it is far enough, never that it is not.
    """
    total = noise.total
    judgement = Judgement.CANNOT_TELL
    value = u = math.nan
    name = ", ".join(where)
    if noise.stage is not Listening.HEARD:
        text = f"{name}: {noise.stage}; no noise to judge."
    elif not (total.volts > 0.0 and tone.rms_v > 0.0):
        text = f"{name}: no level to judge the noise against."
    else:
        value = 20.0 * math.log10(tone.rms_v / total.volts)
        u = DB * math.hypot(0.0 if total.below else total.u_v / total.volts, tone.u_v / tone.rms_v)
        if value - u >= limit_db:
            judgement = Judgement.PASS
        elif value + u < limit_db and not total.below:
            judgement = Judgement.FAIL
        least = "at least " if total.below else ""
        hidden = total.below and judgement is Judgement.CANNOT_TELL
        doubt = "; this converter's own noise hides what is below" if hidden else _doubt(judgement)
        text = (
            f"{name}: {least}{value:.1f} dB below its tone of {tone.rms_v:.2f} V, from {noise.band_hz[0]:.0f} to "
            f"{noise.band_hz[1]:.0f} Hz; needed are {limit_db:g} dB{doubt}."
        )
    return Finding(
        what="noise",
        where=tuple(where),
        judgement=judgement,
        value=value,
        u=u,
        limit=limit_db,
        unit="dB",
        text=text,
        causes=NOISE_CAUSES if judgement is Judgement.FAIL else (),
        no_load=True,
    )


def change_db(levels: Mapping[str, tuple[float, float]]) -> tuple[float, str]:
    """Return how far a gain may go up (or must come down) [dB], and the tone that says so: the lower setting wins.

    levels : name of a tone -> its present level and its highest allowed one [V], at one setting of the gain
    """
    changes = {tone: 20.0 * math.log10(allowed_v / present_v) for tone, (present_v, allowed_v) in levels.items()}
    tone = min(changes, key=changes.__getitem__)
    return changes[tone], tone


def power_w(level: Level, *, load_ohm: float) -> tuple[float, float]:
    """Return the power that this voltage would put into a stated load, and its expanded uncertainty [W].

    An estimate: from a voltage without load it leaves out how far the output gives way under load, and no load is a
    plain resistance.
    """
    estimate = level.rms_v**2 / load_ohm
    return estimate, 2.0 * level.rms_v * level.u_v / load_ohm


def _same_tone(one: Level, other: Level) -> bool:
    return abs(one.hz - other.hz) < SAME_TONE * one.hz


def _is_bent(level: Level) -> bool:
    return level.verdict in {Verdict.SOFT, Verdict.FLAT, Verdict.DISTORTED}


def _way(difference: float) -> str:
    return "above" if difference > 0.0 else "below"


def _doubt(judgement: Judgement) -> str:
    return ", too close to tell" if judgement is Judgement.CANNOT_TELL else ""


def _gravity(finding: Finding) -> tuple[int, float]:
    order = (Judgement.PASS, Judgement.CANNOT_TELL, Judgement.FAIL)
    return order.index(finding.judgement), abs(finding.value) if math.isfinite(finding.value) else math.inf
