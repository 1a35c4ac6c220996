"""The tuning run: each step of a plan is a generator of requests that readings answer.

A step yields what it wants (`Prompt`: show this and give me the next reading; `Keep`: put this reading on the card;
`Judge`: note this finding) and is sent the answer. Nothing here knows of a clock, a screen or a card, so that a whole
run can be carried out dry.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator, Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from flattop.measure.alignment import Side
from flattop.measure.reading import Reading, Reason, Verdict
from flattop.tuning import judge, tracks
from flattop.tuning.judge import Finding, Level
from flattop.tuning.plan import Band, Channel, Plan, rated_v
from flattop.tuning.pot import GIVE_UP_S, Ceiling, Pot, known
from flattop.tuning.steady import AT_PLACE, ELSEWHERE, IN_THE_WAY, Keeper, Seen, Sight
from flattop.tuning.steps import (
    AS_LEFT,
    Command,
    Course,
    Heard,
    Judge,
    Keep,
    Kind,
    Note,
    Prompt,
    Request,
    State,
    Step,
    Wants,
    Word,
    channel_of,
    steps_of,
)
from flattop.tuning.summing_up import levels_of_group, summing_up

CEILING_THD_PCT = 0.3
"""THD_F, harmonics 2 to 40, at which an output has reached its ceiling: the least that one look finds [%]."""
CLEAN_MARGIN_DB = 0.1
"""How far below the ceiling an output is left that may not be soft [dB]."""
SUPPLY_V = (8.0, 36.0)
"""D.c. that can be the supply of a vehicle [V]."""
SUPPLY_STEADY = 0.02
"""Largest change of the supply, over itself, that is still called steady."""
SUPPLY_WAIT_S = 20.0
"""A tuner who does not clip onto the supply within this time does without [s]."""
GOES_ON_S = 2.0
"""A hand at the dash may go on turning for so long after it was last told to [s]."""
LIKE_ANOTHER, LIKE_ITSELF = 0.003, 0.01
"""A level is that of another output within the first share, and not of the one asked for beyond the second."""
WRONG_PLACE_S = 20.0
"""Whoever stays for so long at what looks like another output knows better [s]."""
OF_OUTPUTS = frozenset({Kind.FOUND, Kind.SET, Kind.MATCH, Kind.TONE, Kind.LEFT})
NOT_WANTED = "passed over by the tuner"
NOT_CLIPPED_ON = f"nothing was clipped on within {SUPPLY_WAIT_S:g} s"
OUT_OF_BAND = "its tone lies outside the band of the converters fitted"
NO_LEVEL = "its level as left is not known"
WENT_BACK = "set once more, because it had been left with bent tops"
MATCHED_ANEW = "matched once more, because the outputs had come apart"


class _Interrupted(Exception):
    """The tuner wants something else than the present step."""

    def __init__(self, command: Command) -> None:
        super().__init__(command)
        self.command = command


@dataclass(slots=True)
class Run:
    """A plan on its way, step by step.

    plan : what is to be done
    states : how far an interrupted run had come, by the steps' ids; what was left open is done again
    levels : what it had kept, by the steps' ids
    ceilings : ceilings it had found [V, expanded uncertainty], by the labels of the outputs
    whys : why steps were skipped, could not be done or were done again, by their ids
    """

    plan: Plan
    states: dict[str, State] = field(default_factory=dict)
    levels: dict[str, Level] = field(default_factory=dict)
    ceilings: dict[str, tuple[float, float]] = field(default_factory=dict)
    whys: dict[str, str] = field(default_factory=dict)
    steps: list[Step] = field(init=False)
    _keeper: Keeper = field(init=False)
    _at: str = field(default="", init=False)
    """Where the leads were last seen."""
    _by_hand: bool = field(default=False, init=False)
    """The reading that is to be kept was asked for with the foot switch: nobody knows better."""
    _settled_at: str = field(default="", init=False)
    """Where the leads were found to be by their level, or could not be told from anywhere else."""
    _doubted_s: float = field(default=math.inf, init=False)
    """Since when their level has been that of another output."""
    _number: int = field(default=0, init=False)
    _begins: bool = field(default=True, init=False)
    """The next prompt is the first one of its step."""
    _why: str = field(default="", init=False)
    """Why the present step cannot be done."""

    def __post_init__(self) -> None:
        self.steps = steps_of(self.plan)
        limits = self.plan.limits
        self._keeper = Keeper(
            steady_s=limits.steady_s,
            tolerance_pct=limits.steady_pct,
            tones_hz=[tone.hz for tone in self.plan.tones],
        )

    def state(self, step: Step) -> State:
        """Return how far a step has come."""
        return self.states.get(step.id, State.OPEN)

    def requests(self) -> Course:
        """Yield what is wanted until no step is open; a skipped one stays so until it is asked for again."""
        # A step that is opened again comes next, wherever it stands.
        while (index := next(self._open(), None)) is not None:
            step = self.steps[index]
            self._number, self._begins, self._why = index + 1, True, OUT_OF_BAND
            try:
                state = yield from self._procedure(step)
                self._end(step, state, self._why if state is State.COULD_NOT else NOT_CLIPPED_ON)
            except _Interrupted as wish:
                if wish.command is Command.SKIP:
                    self._end(step, State.SKIPPED, NOT_WANTED)
                elif wish.command is Command.BACK and index > 0:
                    self.states[self.steps[index - 1].id] = State.OPEN
        for finding in summing_up(self.plan, self.steps, self.levels):
            yield Judge(finding)
        return State.DONE

    def _end(self, step: Step, state: State, why: str) -> None:
        """Take note of how a step ended, and why if it was not done."""
        self.states[step.id] = state
        if state in {State.SKIPPED, State.COULD_NOT}:
            self.whys[step.id] = why
        elif state is State.DONE and self.whys.get(step.id) not in {WENT_BACK, MATCHED_ANEW}:
            self.whys.pop(step.id, None)

    def _open(self) -> Iterator[int]:
        return (index for index, step in enumerate(self.steps) if self.state(step) is State.OPEN)

    def _procedure(self, step: Step) -> Course:
        match step.kind:
            case Kind.CHECK | Kind.RECONNECT:
                return self._read_out(step)
            case Kind.SUPPLY:
                return self._supply(step)
            case Kind.SOURCE if step.side != "right" or self._kept(Kind.SOURCE, step, side="left") is None:
                return self._source(step)
            case Kind.SET | Kind.MATCH:
                return self._set(step)
            case Kind.TONE:
                return self._set(step, first=False)
            case Kind.FILTER:
                return self._filter(step)
            case Kind.QUIET:
                return self._quiet(step)
            case _:
                return self._measure(step)

    # -- what the steps are made of

    def _ask(self, step: Step, **shown: Any) -> Generator[Request, Heard | None, Heard]:  # noqa: ANN401
        """Show a prompt, and return what is heard; a wish to leave the step ends it."""
        anew, self._begins = self._begins, False
        heard = yield Prompt(step=step, number=self._number, total=len(self.steps), anew=anew, **shown)
        if heard is None:
            raise TypeError("a prompt is answered with what was heard")
        if heard.command in {Command.SKIP, Command.AGAIN, Command.BACK}:
            raise _Interrupted(heard.command)
        return heard

    def _keep(
        self, step: Step, reading: Reading, ceiling: Ceiling | None = None
    ) -> Generator[Request, Heard | None, None]:
        no_load = step.kind in OF_OUTPUTS
        ceiling_v, ceiling_u_v = self._known_ceiling(step, ceiling)
        yield Keep(step, reading, no_load=no_load, ceiling_v=ceiling_v, ceiling_u_v=ceiling_u_v)
        self.levels.pop(step.id, None)  # the last one kept stands last
        self.levels[step.id] = judge.level_of(reading, no_load=no_load)
        self._at = step.label

    def _known_ceiling(self, step: Step, ceiling: Ceiling | None) -> tuple[float | None, float | None]:
        if ceiling is not None and ceiling.touched:
            # Of the tones of an output the one with the lowest ceiling counts.
            before_v = self.ceilings.get(step.label, (math.inf, math.inf))[0]
            if step.kind is not Kind.TONE or ceiling.level_v < before_v:
                self.ceilings[step.label] = (ceiling.level_v, ceiling.u_v)
        return self.ceilings.get(step.label, (None, None))

    def _read_out(self, step: Step) -> Course:
        """Show a line for long enough to be read; the foot switch passes on sooner."""
        begun_s = math.nan
        while True:
            heard = yield from self._ask(step, text=step.text)
            begun_s = heard.now_s if math.isnan(begun_s) else begun_s
            if heard.command is Command.KEEP or heard.now_s - begun_s >= self.plan.limits.idle_s:
                return State.DONE

    def _supply(self, step: Step) -> Course:
        """Keep the d.c. of the supply; a tuner who does not clip onto it within a while does without."""
        begun_s = since_s = math.nan
        since_v = math.nan
        word = Word.HOLD if step.text == "under tone" else Word.NONE
        while True:
            heard = yield from self._ask(step, text="clip on", word=word)
            reading, now_s = heard.reading, heard.now_s
            begun_s = now_s if math.isnan(begun_s) else begun_s
            on_supply = is_supply(reading)
            if not on_supply or not abs(reading.dc_v - since_v) <= SUPPLY_STEADY * abs(since_v):
                since_s, since_v = now_s, reading.dc_v
            elif now_s - since_s >= self.plan.limits.steady_s or heard.command is Command.KEEP:
                yield from self._keep(step, reading)
                return State.DONE
            if not on_supply and now_s - begun_s >= SUPPLY_WAIT_S:
                return State.SKIPPED

    def _see(self, step: Step, heard: Heard) -> Seen:
        hz = step.tone.hz if step.tone is not None else math.nan
        expected_v = None
        if self._settled_at != step.label:
            expected_v = self._expected_v(step, heard.reading.rms_v)
        seen = self._keeper.see(
            heard.reading,
            now_s=heard.now_s,
            wanted_hz=hz,
            input=step.input,
            expected_v=expected_v if heard.now_s - self._doubted_s < WRONG_PLACE_S else None,
            place=step.label,
        )
        if seen.sight in ELSEWHERE:
            self._settled_at, self._doubted_s = "", math.inf
        elif seen.sight is Sight.WRONG_LEVEL:
            self._doubted_s = min(self._doubted_s, heard.now_s)
        elif seen.sight in AT_PLACE and expected_v is None:
            self._settled_at = step.label
        return seen

    def _expected_v(self, step: Step, level_v: float) -> tuple[float, float] | None:
        """Return the levels that an output can have, if `level_v` is none of them but that of another output.

        None where that cannot be told: most levels are nobody's, and of most outputs none is known that still holds.
        """
        if step.kind not in {Kind.SET, Kind.MATCH, Kind.LEFT, Kind.FILTER, Kind.QUIET} or not math.isfinite(level_v):
            return None
        levels_v = self._levels_that_hold(step)
        own_v = levels_v.pop(step.label, math.nan)
        like_another = any(abs(level_v - other_v) <= LIKE_ANOTHER * other_v for other_v in levels_v.values())
        if not abs(level_v - own_v) > LIKE_ITSELF * own_v or not like_another:
            return None
        return (1.0 - LIKE_ITSELF) * own_v, (1.0 + LIKE_ITSELF) * own_v

    def _levels_that_hold(self, step: Step) -> dict[str, float]:
        """Return the levels of outputs [V] as they were kept last, with the tone of a step, their pot not set since."""
        of_outputs = {one.id: one for one in self.steps if one.kind in OF_OUTPUTS}
        last: dict[str, tuple[Step, float]] = {}
        for step_id, level in self.levels.items():
            one = of_outputs.get(step_id)
            if one is None:
                continue
            if one.kind in {Kind.SET, Kind.MATCH, Kind.TONE} and (pot := self._channel(one).pot):
                last = {
                    label: (other, level_v)
                    for label, (other, level_v) in last.items()
                    if (other.place, self._channel(other).pot) != (one.place, pot)
                }
            last[one.label] = (one, level.rms_v)
        return {label: level_v for label, (one, level_v) in last.items() if one.tone == step.tone}

    def _steady(
        self,
        step: Step,
        prompt: Callable[[Heard], Mapping[str, Any]],
        ceiling: Ceiling | None = None,
        shown: Mapping[str, Any] | None = None,
    ) -> Generator[Request, Heard | None, Reading | None]:
        """Show what `prompt` makes of each reading until one is to be kept, by itself or by the foot switch.

        What is in the way of that goes before. None where the tone stays outside what this converter can measure.
        shown : what was shown last, if this goes on
        """
        if self._at == step.label:
            self._keeper.arm()
        shown = shown or {"text": "clip on", "word": Word.HOLD}
        unseen_s = math.nan
        while True:
            heard = yield from self._ask(step, **shown)
            reading = heard.reading
            if reading.reason not in {Reason.OUT_OF_BAND, Reason.IMAGE}:
                unseen_s = math.nan
            elif not heard.now_s - unseen_s < GIVE_UP_S:
                if math.isfinite(unseen_s):
                    return None
                unseen_s = heard.now_s
            seen = self._see(step, heard)
            self._by_hand = heard.command is Command.KEEP and math.isfinite(reading.rms_v)
            if self._by_hand:
                self._keeper.keep_now(reading, now_s=heard.now_s, place=step.label)
                return reading
            if seen.keep and reading.verdict is not Verdict.UNKNOWN:
                return reading
            if seen.keep:
                self._keeper.arm()  # it stands, but is no tone that can be judged: hum, or next to nothing
            elif seen.sight in AT_PLACE:
                self._at = step.label
                if ceiling is not None:
                    ceiling.see(reading)
                shown = prompt(heard)
            else:
                shown = self._otherwise(seen.sight, step, shown)

    def _otherwise(self, sight: Sight, step: Step, shown: Mapping[str, Any]) -> Mapping[str, Any]:
        """Return what to show where the wanted tone is not at the wanted place; a moment's doubt changes nothing."""
        if sight is Sight.WAIT and self._at == step.label:
            return shown
        text = IN_THE_WAY.get(sight, "clip on")
        if sight is Sight.WRONG_TONE and step.tone is not None:
            text = f"play {step.tone.hz:g} Hz"
        return {"text": text, "word": Word.HOLD}

    def _measure(self, step: Step) -> Course:
        """Keep the level as it is at this place, the volume held."""
        reading = yield from self._steady(step, lambda heard: {"text": "keep still", "word": Word.HOLD})
        if reading is None:
            return State.COULD_NOT
        yield from self._keep(step, reading)
        if self._goes_back(step):
            return State.OPEN
        for finding in self._findings_of(step):
            yield Judge(finding)
        return State.DONE

    def _source(self, step: Step) -> Course:
        """Raise the volume until the source's tops begin to go, and come back to the highest clean level."""
        ceiling = Ceiling(CEILING_THD_PCT)
        since_s = since_v = math.nan
        up: Mapping[str, Any] = {"text": "clip on", "word": Word.NONE}
        while not ceiling.touched:
            heard = yield from self._ask(step, **up)
            seen = self._see(step, heard)
            if seen.keep:
                self._keeper.arm()  # nothing is kept on the way up
            if seen.sight not in AT_PLACE:
                up = self._otherwise(seen.sight, step, up)
                continue
            self._at = step.label
            ceiling.see(heard.reading)
            up = {"word": Word.UP, "ceiling_v": known(ceiling.highest_clean_v)}
            if not abs(heard.reading.rms_v - since_v) <= 0.005 * since_v:
                since_s, since_v = heard.now_s, heard.reading.rms_v
            elif heard.now_s - since_s >= GIVE_UP_S:
                break  # the volume is at its end, and all of it is clean
            if heard.command is Command.KEEP and math.isfinite(heard.reading.rms_v):
                self._keeper.keep_now(heard.reading, now_s=heard.now_s, place=step.label)
                yield from self._keep(step, heard.reading, ceiling)
                return State.DONE
        turned_s, shown = heard.now_s, up

        def back(heard: Heard) -> Mapping[str, Any]:
            """Bring the volume down until the source is clean again."""
            nonlocal turned_s, shown
            bent = heard.reading.verdict in {Verdict.SOFT, Verdict.FLAT}
            turned_s = heard.now_s if bent else turned_s
            shown = {"word": Word.DOWN if bent else Word.HOLD, "ceiling_v": known(ceiling.highest_clean_v)}
            return shown

        back(heard)
        while True:
            reading = yield from self._steady(step, back, ceiling, shown)
            if reading is None:
                return State.COULD_NOT
            # The hand at the dash may have begun a turn that is not to be seen yet.
            still = reading.time_s - turned_s >= GOES_ON_S
            if self._by_hand or (reading.verdict is Verdict.CLEAN and still):
                break
        yield from self._keep(step, reading, ceiling)
        yield Judge(
            judge.source(
                self.levels[step.id],
                ceiling_v=ceiling.level_v,
                u_v=ceiling.u_v,
                where=(step.label,),
            )
        )
        return State.DONE

    def _set(self, step: Step, *, first: bool = True) -> Course:
        """Lead the hand on the gain pot to the highest level that is allowed here."""
        channel = self._channel(step)
        lowest_v = math.inf
        if step.kind is Kind.MATCH:
            group = levels_of_group(self.plan, self.steps, self.levels, step)
            lowest_v = min(group.values(), default=math.inf)
            if group.get(step.label, -math.inf) - lowest_v <= 0.5 * self.plan.limits.match_v:
                return State.DONE
        pot = Pot(
            target_v=min(self._target_v(step, channel), lowest_v),
            margin_db=self.plan.limits.margin_db + (0.0 if channel.band is Band.BASS else CLEAN_MARGIN_DB),
            tolerance_v=0.5 * self.plan.limits.match_v if step.kind is Kind.MATCH else self.plan.limits.target_v,
            may_be_soft=channel.band is Band.BASS,
            only_down=not first or self._was_set_again(step) or self._pot_was_set(step, channel),
            ceiling=Ceiling(CEILING_THD_PCT),
        )
        while True:
            reading = yield from self._steady(step, pot.prompt, pot.ceiling, pot.shown)
            if reading is None:
                return State.COULD_NOT
            if self._by_hand or pot.may_stay(reading) or pot.at_its_end:
                break
        yield from self._keep(step, reading, pot.ceiling)
        for finding in self._findings_of(step):
            yield Judge(finding)
        return State.DONE

    def _filter(self, step: Step) -> Course:
        """Follow a sweep through the filters of an output; as left, they are judged."""
        channel = self._channel(step)
        corners_hz = {Side.HIGH_PASS: channel.subsonic_hz, Side.LOW_PASS: channel.low_pass_hz}
        stated_hz = {side: hz for side, hz in corners_hz.items() if hz > 0.0}
        yield from self._clip_on(step, Wants.RESPONSE)
        tone_hz = step.tone.hz if step.tone is not None else math.inf
        heard = yield from tracks.follow(partial(self._ask, step), tone_hz=tone_hz, sides=stated_hz)
        if heard is None or heard.response is None:
            self._why = tracks.NO_SWEEP
            return State.COULD_NOT
        yield Note(step, heard.reading, response=heard.response)
        for side, hz in stated_hz.items() if step.text == AS_LEFT else ():
            limit_pct = self.plan.limits.corner_pct
            yield Judge(judge.corner(heard.response, side=side, stated_hz=hz, limit_pct=limit_pct, where=(step.label,)))
        return State.DONE

    def _quiet(self, step: Step) -> Course:
        """Listen to an output without a tone, and judge what is there against its tone as left."""
        level = self.level_left(step)
        if level is None:
            self._why = NO_LEVEL
            return State.COULD_NOT
        yield from self._clip_on(step, Wants.READINGS)
        heard = yield from tracks.listen(partial(self._ask, step))
        if heard is None or heard.noise is None:
            self._why = tracks.NO_SILENCE
            return State.COULD_NOT
        yield Note(step, heard.reading, noise=heard.noise)
        limit_db = self._channel(step).quiet_db
        yield Judge(judge.quiet(heard.noise, level, limit_db=limit_db, where=(step.label,)))
        return State.DONE

    def _clip_on(self, step: Step, wants: Wants) -> Generator[Request, Heard | None, None]:
        """See the tone of an output at its place before the track is changed: without a tone no place is known.

        The foot switch, a sweep that has begun, and a tone that cannot be measured do without.
        """
        unseen_s = math.nan
        shown: Mapping[str, Any] = {"text": "clip on", "word": Word.HOLD}
        while self._at != step.label:
            heard = yield from self._ask(step, wants=wants, **shown)
            outside = heard.reading.reason in {Reason.OUT_OF_BAND, Reason.IMAGE}
            unseen_s = (heard.now_s if math.isnan(unseen_s) else unseen_s) if outside else math.nan
            seen = self._see(step, heard)
            there = seen.keep or (seen.sight is Sight.KEPT and self._keeper.place == step.label)
            known = heard.command is Command.KEEP or tracks.has_begun(heard.response)
            if there or known or heard.now_s - unseen_s >= GIVE_UP_S:
                self._at = step.label
                # Of the tone nothing is to be left among what is followed.
                self._begins = not tracks.has_begun(heard.response)
            elif seen.sight not in AT_PLACE:
                shown = self._otherwise(seen.sight, step, shown)

    def _goes_back(self, step: Step) -> bool:
        """Open what is to be done again where an output was left with bent tops and may not; once for each output."""
        if step.kind is not Kind.LEFT or self._was_set_again(step):
            return False
        one = self._channel(step)
        if one.match and self._is_matched_anew(step):
            return True
        if one.band is Band.BASS or self.levels[step.id].verdict not in {Verdict.SOFT, Verdict.FLAT}:
            return False
        self.whys[step.id] = WENT_BACK
        for other in self.steps:
            if other.kind not in {Kind.SET, Kind.MATCH, Kind.LEFT} or self.state(other) is not State.DONE:
                continue
            channel = self._channel(other)
            shares_pot = one.pot != "" and (other.place, channel.pot) == (step.place, one.pot)
            matches = one.match != "" and channel.match == one.match
            is_it = other.label == step.label
            if is_it or (other.kind is not Kind.SET and (shares_pot or matches)):
                self.states[other.id] = State.OPEN
        return True

    def _is_matched_anew(self, step: Step) -> bool:
        """Open what makes outputs agree again, where the last of them shows that they do not any more; once for each.

        One that stands at its rails falls when another one that is set later draws on the same supply.
        """
        group = levels_of_group(self.plan, self.steps, self.levels, step)
        left = {one.label: one for one in self.steps if one.kind is Kind.LEFT and one.label in group}
        highest = max(group, key=lambda label: group[label])
        apart = group[highest] - min(group.values()) > self.plan.limits.match_v
        whole = all(one.id in self.levels for one in left.values())
        if not (apart and whole) or self.whys.get(left[highest].id) == MATCHED_ANEW:
            return False
        self.whys[left[highest].id] = MATCHED_ANEW
        for other in self.steps:
            if other.label == highest and other.kind in {Kind.MATCH, Kind.LEFT}:
                self.states[other.id] = State.OPEN
        return highest == step.label

    def _was_set_again(self, step: Step) -> bool:
        """Tell whether the pot of an output was set once more because it had been left with bent tops."""
        return any(
            other.kind is Kind.LEFT and other.label == step.label and self.whys.get(other.id) == WENT_BACK
            for other in self.steps
        )

    # -- what is known of the places

    def level_left(self, step: Step) -> Level | None:
        """Return the level that the output of a step was left at; None while that is not known."""
        return self._kept(Kind.LEFT, step)

    def _channel(self, step: Step) -> Channel:
        return channel_of(self.plan, step)

    def _kept(self, kind: Kind, step: Step, *, side: str | None = None, tone: bool = True) -> Level | None:
        """Return what was kept at the place of a step by a step of another kind."""
        for other in self.steps:
            same_place = (other.place, other.channel) == (step.place, step.channel)
            same_side = other.side == (step.side if side is None else side)
            if other.kind is kind and same_place and same_side and (not tone or other.tone == step.tone):
                return self.levels.get(other.id)
        return None

    def _pot_was_set(self, step: Step, channel: Channel) -> bool:
        """Tell whether the pot of an output was set for another output that shares it."""
        return any(
            other.kind is Kind.SET
            and other.place == step.place
            and other.channel != step.channel
            and channel.pot != ""
            and self._channel(other).pot == channel.pot
            and other.id in self.levels
            for other in self.steps
        )

    def _target_v(self, step: Step, channel: Channel) -> float:
        """Return what the tone must reach after the rating of an output [V]; infinite where that is not known."""
        wanted_v = rated_v(self.plan, channel, step.tone) if step.tone is not None else math.nan
        return wanted_v if math.isfinite(wanted_v) else math.inf

    # -- what is to be said of them

    def _findings_of(self, step: Step) -> Iterator[Finding]:
        """Yield the judgements that the level just kept makes possible."""
        level = self.levels[step.id]
        where = (step.label,)
        if step.kind is Kind.LINK:
            link = next(link for link in self.plan.links if link.name == step.place)
            before = self._upstream(link.after, step.side)
            if before is not None:
                yield judge.loss(before, level, limit_db=link.loss_limit_db, where=where)
        if step.kind in {Kind.SOURCE, Kind.LINK} and step.side == "right":
            left = self._kept(step.kind, step, side="left")
            if left is not None:
                names = (step.label[:-1] + "L", step.label)
                yield judge.pair(left, level, limit_v=self.plan.limits.pair_v, one_pot=False, where=names)
        if step.kind is Kind.LEFT:
            yield judge.shape(level, band=self._channel(step).band, where=where)
            ceiling_v, ceiling_u_v = self.ceilings.get(step.label, (math.nan, math.nan))
            wanted_v = self._target_v(step, self._channel(step))
            yield judge.ceiling(
                level,
                ceiling_v=ceiling_v,
                u_v=ceiling_u_v,
                rated_v=wanted_v if math.isfinite(wanted_v) else math.nan,
                tolerance_v=self.plan.limits.target_v,
                where=where,
            )

    def _upstream(self, name: str, side: str) -> Level | None:
        """Return the level kept at what feeds a link."""
        for step in self.steps:
            if step.kind in {Kind.SOURCE, Kind.LINK} and step.place == name and step.side in {side, "left", "right"}:
                level = self.levels.get(step.id)
                if level is not None and (step.side == side or side == "both"):
                    return level
        return None


def is_supply(reading: Reading) -> bool:
    """Tell whether the leads may lie on the supply of a vehicle; any other d.c. is a fault, whatever was asked for."""
    return SUPPLY_V[0] <= abs(reading.dc_v) <= SUPPLY_V[1] and not reading.rms_v > 0.5 * abs(reading.dc_v)
