"""What is to be said of outputs that belong together, once all of them are as they are left."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from flattop.tuning import judge
from flattop.tuning.judge import Finding, Level
from flattop.tuning.plan import Plan
from flattop.tuning.steps import Kind, Step, channel_of

PAIR_SHARE = 0.005
"""Two sides of an amplifier agree within this share of their level: common practice, no source."""


def summing_up(plan: Plan, steps: Sequence[Step], levels: Mapping[str, Level]) -> Iterator[Finding]:
    """Yield the judgements on groups that must match and on pairs, from the levels kept, by the steps' ids."""
    outputs = [step for step in steps if step.kind is Kind.LEFT and step.id in levels]
    groups: dict[str, list[Step]] = {}
    for step in outputs:
        if match := channel_of(plan, step).match:
            groups.setdefault(match, []).append(step)
    for members in groups.values():
        if len(members) > 1:
            of_group = {step.label: levels[step.id] for step in members}
            yield judge.matched(of_group, limit_v=plan.limits.match_v)
    for left, right in _pairs(plan, outputs):
        one, other = channel_of(plan, left), channel_of(plan, right)
        yield judge.pair(
            levels[left.id],
            levels[right.id],
            limit_v=max(plan.limits.pair_v, PAIR_SHARE * levels[left.id].rms_v),
            one_pot=one.pot != "" and one.pot == other.pot,
            where=(left.label, right.label),
        )


def _pairs(plan: Plan, outputs: Sequence[Step]) -> Iterator[tuple[Step, Step]]:
    """Yield each left output with the right one that belongs to it: of its pot, or the next one of its band."""
    for number, left in enumerate(outputs):
        one = channel_of(plan, left)
        if one.side != "left":
            continue
        for right in outputs[number + 1 :]:
            other = channel_of(plan, right)
            same = left.place == right.place and (one.band, one.pot) == (other.band, other.pot)
            if same and other.side == "right" and not (one.match and one.match == other.match):
                yield left, right
                break


def levels_of_group(plan: Plan, steps: Sequence[Step], levels: Mapping[str, Level], step: Step) -> dict[str, float]:
    """Return the newest level that was kept of each output to be matched with that of a step [V], by their labels."""
    group = channel_of(plan, step).match
    of_outputs = (one for one in steps if one.kind in {Kind.SET, Kind.MATCH, Kind.LEFT})
    of_group = {one.id: one.label for one in of_outputs if channel_of(plan, one).match == group}
    return {of_group[kept]: level.rms_v for kept, level in levels.items() if kept in of_group}
