"""The pages behind the first one: where presses lead, what is held, and whether each page can be read and trusted."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from datetime import UTC, datetime
from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from flattop import plan_files
from flattop.measure.reading import Reason, Verdict
from flattop.panel import drawing, pages, run_page, screen, words
from flattop.panel.buttons import HOLD_S, Button, Press
from flattop.panel.drawing import Box, wrapped
from flattop.panel.menu import (
    ASK_S,
    IDLE_S,
    LEAVE_S,
    WATCHED_S,
    Action,
    Entry,
    Held,
    Kind,
    Light,
    Menu,
    Page,
    Place,
    Row,
    SetUp,
    Stage,
)
from flattop.panel.pages import About, about_sheets, age_text, clock_text
from flattop.panel.run_page import Line, RunState, run_state
from flattop.panel.screen import View
from flattop.samples import Input
from flattop.selfcheck import Fault, Rank
from flattop.tuning.judge import Finding, Judgement
from flattop.tuning.run import Run
from flattop.tuning.steps import Command, Heard, State
from make_frames import (
    ABOUT,
    FAULTS,
    MANY_PLANS,
    NAN,
    PAGES,
    PLANS,
    RUN,
    TWO_PROGRAMS,
    page_frames,
    reading,
    unknown,
    views,
)
from test_screen import MM_PER_PX, arcmin, contrast, difference, ink_box

A, B, C, FOOT = Button.A, Button.B, Button.C, Button.FOOT
FRAMES = page_frames()
WALL_S = 1795616700.0  # 2026-11-25 14:25 UTC
SHUT_DOWN = (Action.SHUT_DOWN,)
WATCHED = (Page.CUT, Page.QUIET, Page.GAIN)
RING = (Page.CLEAN, Page.RUN, Page.HELD, *WATCHED, Page.SET_UP, Page.ABOUT)


class Hand:
    """Presses buttons one after another and notes what came of it."""

    def __init__(self, *, plans: tuple[str, ...] = (), stage: Stage = Stage.NONE) -> None:
        self.menu, self.now_s = Menu(), 100.0
        self.menu.plans, self.menu.stage = plans, stage

    def press(self, button: Button, *, held: bool = False, after_s: float = 2.0) -> tuple[Action, ...]:
        self.now_s += after_s
        return self.menu.press(Press(button, self.now_s, held), wall_s=WALL_S)

    def wait(self, seconds: float) -> tuple[Action, ...]:
        self.now_s += seconds
        return self.menu.tick(self.now_s)

    @property
    def page(self) -> Page:
        return self.menu.place.page

    def go(self, page: Page) -> Hand:
        """Reach a page by presses alone."""
        if page in {Page.ASK, Page.LEAVE}:
            self.press(C, held=True)
            if page is Page.LEAVE:
                self.press(A, held=True)
        else:
            for _ in range([*RING, Page.CLOCK].index(page) % len(RING)):
                self.press(A)
        if page is Page.CLOCK:
            self.go(Page.SET_UP)
            for _ in range(4):
                self.press(B)
            self.press(C)
        assert self.page is page
        return self


# --- where presses lead -------------------------------------------------------------------------


def test_the_left_button_goes_round():
    hand = Hand()
    seen = []
    for _ in range(len(RING) + 1):
        seen.append(hand.page)
        assert hand.press(A) == ()
    assert seen == [*RING, Page.CLEAN]


@pytest.mark.parametrize("page", Page)
@pytest.mark.parametrize("held", [False, True])
def test_the_foot_switch_keeps_on_every_page(page, held):
    hand = Hand().go(page)
    assert hand.press(FOOT, held=held, after_s=1.6) == (Action.KEEP,)
    # It is a press like any other where the meter waits for an answer.
    assert hand.page is (Page.CLEAN if page in {Page.ASK, Page.LEAVE} else page)


@pytest.mark.parametrize(
    ("page", "button", "actions"),
    [
        (Page.CLEAN, B, (Action.KEEP,)), (Page.CLEAN, C, ()), (Page.HELD, B, (Action.KEEP,)),
        (Page.HELD, C, (Action.FORGET,)), (Page.ABOUT, B, ()), (Page.ABOUT, C, ()), (Page.SET_UP, B, ()),
        (Page.SET_UP, C, (Action.SET_UP,)), (Page.CLOCK, B, ()), (Page.CLOCK, C, ()), (Page.ASK, B, ()),
        (Page.ASK, C, ()), (Page.LEAVE, B, ()), (Page.LEAVE, C, ()),
        (Page.CUT, B, (Action.KEEP,)), (Page.CUT, C, (Action.ASK_ANEW,)), (Page.QUIET, B, (Action.KEEP,)),
        (Page.QUIET, C, (Action.ASK_ANEW,)), (Page.GAIN, B, (Action.KEEP,)), (Page.GAIN, C, ()),
    ],
)  # fmt: skip
def test_what_short_presses_ask_for(page, button, actions):
    assert Hand().go(page).press(button, after_s=1.6) == actions


# --- the run ------------------------------------------------------------------------------------


def test_every_plan_can_be_chosen_and_started():
    for number, plan in enumerate(PLANS):
        hand = Hand(plans=PLANS).go(Page.RUN)
        for _ in range(number):
            assert hand.press(B) == ()
        assert hand.menu.plan == plan
        assert hand.press(C) == (Action.START_RUN,)
        assert hand.menu.plan == plan
    hand = Hand(plans=PLANS).go(Page.RUN)
    for _ in PLANS:
        hand.press(B)
    assert hand.menu.plan == PLANS[0]


def test_the_press_that_starts_a_run_does_not_start_another_one():
    hand = Hand(plans=PLANS).go(Page.RUN)
    assert hand.press(C) == (Action.START_RUN,)
    assert hand.page is Page.CLEAN, "the first page says what to clip onto"
    assert hand.press(C) == ()


def test_without_a_plan_nothing_can_be_started():
    hand = Hand().go(Page.RUN)
    assert hand.menu.plan == ""
    assert hand.press(B) == hand.press(C) == ()
    assert hand.page is Page.RUN


def test_a_plan_that_is_gone_is_not_chosen_any_more():
    hand = Hand(plans=PLANS).go(Page.RUN)
    hand.press(B)
    hand.menu.plans = (PLANS[2], PLANS[1])
    assert hand.menu.plan == PLANS[1]
    hand.menu.plans = (PLANS[3], PLANS[2])
    assert hand.menu.plan == PLANS[3]
    hand.press(B)
    assert hand.menu.plan == PLANS[2]
    hand.menu.plans = ()
    assert hand.menu.plan == ""


def test_a_run_under_way_goes_back_and_skips_and_the_page_stays():
    hand = Hand(plans=PLANS, stage=Stage.UNDER_WAY).go(Page.RUN)
    for _ in range(3):
        assert hand.press(B) == (Action.BACK,)
        assert hand.press(C) == (Action.SKIP,)
        assert hand.page is Page.RUN
    assert hand.wait(IDLE_S) == ()
    assert hand.page is Page.CLEAN


def test_skipping_on_after_the_last_step_starts_no_new_run():
    hand = Hand(plans=PLANS, stage=Stage.UNDER_WAY).go(Page.RUN)
    asked = list(hand.press(C))
    hand.menu.stage = Stage.OVER
    for _ in range(10):
        asked += hand.press(C)
    assert asked == [Action.SKIP]
    assert hand.press(B) == (Action.CLOSE_RUN,)


def test_set_up_reaches_every_choice_of_every_row():
    hand = Hand().go(Page.SET_UP)
    assert hand.menu.set_up == SetUp()
    fields = {Row.INPUT: "input", Row.KIND: "kind", Row.LIGHT: "light", Row.SOUND: "muted"}
    for row in list(Row)[:4]:
        assert hand.menu.place.row is row
        seen = []
        for _ in range(len({Row.LIGHT: Light}.get(row, Kind))):
            assert hand.press(C) == (Action.SET_UP,)
            seen.append(getattr(hand.menu.set_up, fields[row]))
        assert set(seen) == set({Row.INPUT: Input, Row.KIND: Kind, Row.LIGHT: Light, Row.SOUND: (True, False)}[row])
        assert hand.menu.set_up == SetUp(), "round again, and nothing else was changed"
        hand.press(B)
    assert hand.menu.place.row is Row.CLOCK
    hand.press(B)
    assert hand.menu.place.row is Row.INPUT


@pytest.mark.parametrize("page", [page for page in Page if page not in {Page.ASK, Page.LEAVE}])
def test_held_presses_mean_the_same_everywhere(page):
    hand = Hand().go(page)
    place = hand.menu.place
    assert hand.press(B, held=True) == (Action.SET_UP,)
    assert hand.menu.set_up == SetUp(muted=True)
    assert hand.menu.place == place
    assert hand.press(A, held=True) == ()
    assert hand.menu.place == Place()
    assert Hand().go(page).press(C, held=True) == ()


@pytest.mark.parametrize("page", Page)
def test_no_page_stays_for_ever(page):
    allowed_s = {Page.CLEAN: math.inf, Page.ASK: ASK_S, Page.LEAVE: LEAVE_S}.get(page, IDLE_S)
    allowed_s = WATCHED_S if page in WATCHED else allowed_s
    hand = Hand().go(page)
    if page is Page.CLEAN:
        assert hand.wait(1e6) == ()
        return
    assert hand.wait(allowed_s - 0.01) == ()
    assert hand.page is page
    assert hand.wait(0.02) == (SHUT_DOWN if page is Page.LEAVE else ())
    assert hand.menu.place == Place()
    assert hand.wait(1000.0) == ()


def test_a_press_starts_the_time_anew_and_a_late_one_meets_the_first_page():
    hand = Hand().go(Page.SET_UP)
    for _ in range(3):
        hand.press(B, after_s=IDLE_S - 1)
        assert hand.page is Page.SET_UP
    # Nobody called tick in between: the press still means what the first page says.
    assert hand.press(B, after_s=IDLE_S + 1) == (Action.KEEP,)
    assert hand.page is Page.CLEAN


def test_time_that_runs_back_moves_nothing():
    hand = Hand().go(Page.HELD)
    assert hand.menu.tick(-1e9) == ()
    assert hand.menu.press(Press(B, 0.0), wall_s=WALL_S) == (Action.KEEP,)
    assert hand.page is Page.HELD
    hand.wait(IDLE_S + 0.1)
    assert hand.page is Page.CLEAN


# --- shutting down ------------------------------------------------------------------------------


def test_shutting_down_takes_two_buttons_and_a_moment_of_rest():
    hand = Hand()
    assert hand.press(C, held=True) == ()
    assert hand.page is Page.ASK
    assert hand.press(A, held=True, after_s=HOLD_S + 0.1) == ()
    assert hand.page is Page.LEAVE
    assert hand.wait(LEAVE_S - 0.01) == ()
    assert hand.wait(0.02) == SHUT_DOWN
    assert hand.wait(100.0) == (), "asked for once"


@pytest.mark.parametrize("button", Button)
@pytest.mark.parametrize("held", [False, True])
@pytest.mark.parametrize("page", [Page.ASK, Page.LEAVE])
def test_any_other_press_calls_it_off(button, held, page):
    if page is Page.ASK and button is A and held:
        return
    hand = Hand().go(page)
    hand.press(button, held=held, after_s=1.6)
    assert hand.menu.place == Place()
    assert Action.SHUT_DOWN not in hand.wait(LEAVE_S + 1)


@pytest.mark.parametrize("order", list(itertools.permutations([A, B, C])))
def test_all_buttons_squeezed_again_and_again_do_not_shut_down(order):
    hand = Hand()
    asked = []
    for _ in range(20):
        for button in order:
            asked += hand.press(button, held=True, after_s=0.05)
        asked += hand.wait(1.7)
    asked += hand.wait(100)
    assert Action.SHUT_DOWN not in asked


def test_a_button_that_was_down_before_the_question_is_no_answer():
    hand = Hand()
    hand.press(C, held=True)
    hand.press(A, held=True, after_s=HOLD_S - 0.01)
    assert hand.page is Page.CLEAN
    assert hand.wait(LEAVE_S + 1) == ()


OF_THE_RUN = {Action.START_RUN, Action.BACK, Action.SKIP, Action.CLOSE_RUN}

a_press = st.tuples(
    st.sampled_from(Button),
    st.booleans(),
    st.one_of(st.sampled_from([0.0, 0.1, HOLD_S, LEAVE_S, ASK_S, IDLE_S]), st.floats(0.0, 40.0)),
    st.booleans(),
)


@settings(max_examples=200)
@given(
    presses=st.lists(a_press, max_size=40),
    favoured=st.booleans(),
    plans=st.sampled_from([(), PLANS]),
    stage=st.sampled_from(Stage),
)
def test_no_sequence_leads_astray(presses, favoured, plans, stage):
    hand = Hand(plans=plans, stage=stage)
    history: list[tuple[float, Button, bool]] = []

    def judge(actions):
        if Action.SHUT_DOWN not in actions:
            return
        (asked_s, *first), (yes_s, *second) = history[-2:]
        assert [first, second] == [[C, True], [A, True]]
        assert HOLD_S <= yes_s - asked_s < ASK_S
        assert hand.now_s - yes_s >= LEAVE_S - 1e-9

    for button, held, after_s, ticks in presses:
        if favoured and len(history) % 3 != 2:  # the deliberate sequence often enough to be met
            button, held, after_s = (C, True, after_s) if len(history) % 3 == 0 else (A, True, 1.6)
        if ticks:
            judge(hand.wait(after_s / 2))
            after_s /= 2
        page, before, plan = hand.page, hand.menu.set_up, hand.menu.plan
        idle = hand.now_s + after_s - (history[-1][0] if history else -math.inf) >= IDLE_S
        actions = hand.press(button, held=held, after_s=after_s)
        judge(actions)
        # What concerns a run takes its own short press on its own page.
        of_the_run = [action for action in actions if action in OF_THE_RUN]
        if of_the_run:
            assert (page, held, idle) == (Page.RUN, False, False)
            wanted = {
                (Stage.NONE, C): Action.START_RUN, (Stage.UNDER_WAY, B): Action.BACK,
                (Stage.UNDER_WAY, C): Action.SKIP, (Stage.OVER, B): Action.CLOSE_RUN,
            }  # fmt: skip
            assert of_the_run == [wanted[stage, button]]
            assert plans or stage is not Stage.NONE
        assert hand.menu.plan == plan or (page, button, held, stage) == (Page.RUN, B, False, Stage.NONE)
        history.append((hand.now_s, button, held))
        place = hand.menu.place
        assert (place.entry is not None) == (place.page is Page.CLOCK)
        assert (Action.SET_UP in actions) == (hand.menu.set_up != before)
        assert len(actions) == len(set(actions)) <= 2
        assert (button is not FOOT) or actions[-1] is Action.KEEP
    judge(hand.wait(LEAVE_S))
    hand.wait(WATCHED_S)
    assert hand.page is Page.CLEAN


# --- setting the clock --------------------------------------------------------------------------

moments = st.datetimes(datetime(2020, 1, 1), datetime(2099, 12, 31, 23, 59), timezones=st.just(UTC))


def enter(hand: Hand, target: str) -> int:
    """Press until the clock page shows `target` (HHMMYYMMDD) and go on to "set"; return the presses it took."""
    presses = 0
    for wanted in target:
        for _ in range(9):
            if digits(hand.menu.place.entry)[hand.menu.place.entry.at] == wanted:
                break
            hand.press(C)
            presses += 1
        hand.press(B)
        presses += 1
    return presses


def digits(entry: Entry) -> str:
    return f"{entry.hour:02}{entry.minute:02}{entry.year % 100:02}{entry.month:02}{entry.day:02}"


@settings(max_examples=80)
@given(start=moments, target=moments)
def test_every_time_can_be_set_from_every_other(start, target):
    hand = Hand().go(Page.CLOCK)
    hand.menu.place = hand.menu.place._replace(entry=Entry.from_wall(start.timestamp()))
    presses = enter(hand, f"{target:%H%M%y%m%d}")
    assert presses <= 10 + 6 * 9 + 2 + 5 + 1 + 3
    assert hand.menu.place.entry.ready
    assert hand.press(C) == (Action.SET_UP,)
    assert hand.menu.place == Place(Page.SET_UP, Row.CLOCK)
    set_s = WALL_S + hand.menu.set_up.clock_offset_s
    assert datetime.fromtimestamp(set_s, UTC) == target.replace(second=0, microsecond=0)


@given(start=moments, steps=st.lists(st.booleans(), max_size=60))
def test_the_clock_never_shows_a_time_that_does_not_exist(start, steps):
    entry = Entry.from_wall(start.timestamp())
    assert entry.wall_s() == start.timestamp() // 60 * 60
    for further in steps:
        entry = entry.further() if further or entry.ready else entry.changed()
        time = datetime.fromtimestamp(entry.wall_s(), UTC)  # raises where there is no such day
        assert (time.hour, time.minute, time.year, time.month, time.day) == (
            entry.hour, entry.minute, entry.year, entry.month, entry.day,
        )  # fmt: skip
        assert 2020 <= entry.year <= 2099


def test_the_clock_knows_leap_years():
    # Gregorian calendar as in ISO 8601: 2096 is a leap year, 2099 is none.
    for year, days in ((2096, 29), (2099, 28)):
        entry = Entry(0, 0, year, 2, 28, at=9)
        seen = {(entry := entry.changed()).day for _ in range(12)}
        assert max(seen) == days
    assert Entry(0, 0, 2096, 2, 29, at=5).changed().day == 28


@pytest.mark.parametrize("wall_s", [NAN, math.inf, -math.inf, -1e18, 0.0, 1e18])
def test_the_clock_page_opens_whatever_the_host_says(wall_s):
    entry = Entry.from_wall(wall_s)
    assert 2020 <= entry.year <= 2099
    hand = Hand().go(Page.CLOCK)
    while not hand.menu.place.entry.ready:
        hand.press(B)
    asked = hand.menu.press(Press(C, hand.now_s + 1), wall_s=wall_s)
    assert math.isfinite(hand.menu.set_up.clock_offset_s)
    assert asked == ((Action.SET_UP,) if math.isfinite(wall_s) else ())


@pytest.mark.parametrize("leave", ["next", "home", "wait", "shut down"])
def test_leaving_the_clock_page_sets_nothing(leave):
    hand = Hand().go(Page.CLOCK)
    hand.press(C)
    {
        "next": lambda: hand.press(A), "home": lambda: hand.press(A, held=True),
        "wait": lambda: hand.wait(IDLE_S), "shut down": lambda: hand.press(C, held=True),
    }[leave]()  # fmt: skip
    assert hand.page is {"next": Page.ABOUT, "shut down": Page.ASK}.get(leave, Page.CLEAN)
    assert hand.menu.set_up == SetUp()


# --- what is held -------------------------------------------------------------------------------


@given(levels=st.lists(st.tuples(st.floats(0.0, 200.0), st.sampled_from(Verdict)), max_size=30))
def test_highest_and_lowest_of_what_was_judged(levels):
    held = Held()
    for volts, verdict in levels:
        held = held.seen(replace(reading(volts), verdict=verdict))
    judged = [volts for volts, verdict in levels if verdict in {Verdict.CLEAN, Verdict.SOFT, Verdict.FLAT}]
    assert (held.highest is None) == (held.lowest is None) == (not judged)
    if judged:
        assert (held.highest.rms_v, held.lowest.rms_v) == (max(judged), min(judged))


@pytest.mark.parametrize(
    "other",
    [unknown(Reason.NO_TONE, 0.0), unknown(Reason.SILENT), reading(NAN), reading(1.0, dc_v=9.0, dc_alarm=True),
     replace(reading(0.1), verdict=Verdict.DISTORTED)],
)  # fmt: skip
def test_what_was_not_judged_is_neither_highest_nor_lowest(other):
    held = Held().seen(reading(58.6)).seen(reading(12.0))
    assert held.seen(other) == held


def test_another_tone_or_input_begins_anew_and_what_was_kept_stays():
    first = reading(58.6)
    held = Held().asked(first).answered(first, on_card=True).seen(first).seen(reading(12.0))
    near = reading(30.0, hz=40.7)
    assert held.seen(near) == held
    other_input = replace(reading(30.0), facts=replace(first.facts, input=Input.LINE))
    for other in (reading(30.0, hz=41.0), reading(30.0, hz=1000.0), other_input):
        anew = held.seen(other)
        assert (anew.highest, anew.lowest, anew.kept) == (other, other, first)


def test_kept_only_once_it_is_on_the_card():
    first, second = reading(58.6), reading(62.3)
    held = Held().asked(first)
    assert (held.kept, held.keeping) == (None, first)
    held = held.asked(second).answered(first, on_card=True)
    assert (held.kept, held.keeping) == (first, second), "the answer to the first is not that to the second"
    held = held.answered(second, on_card=False)
    assert (held.kept, held.keeping) == (first, None)
    held = held.seen(first).asked(second).forgotten()
    assert held == Held(keeping=second)


# --- reference frames ---------------------------------------------------------------------------


@pytest.mark.parametrize("name", FRAMES)
def test_frame_is_as_stored(name, tmp_path):
    new = pages.draw(**FRAMES[name])
    assert (new.mode, new.size) == ("RGB", (320, 240))
    assert new.tobytes() == pages.draw(**FRAMES[name]).tobytes()
    path = PAGES / f"{name}.png"
    fault = difference(new, Image.open(path).convert("RGB")) if path.exists() else "no stored frame"
    if fault:
        new.save(tmp_path / path.name)
        pytest.fail(
            f"{path.name}: {fault}. New frame: {tmp_path / path.name}. Look at both; if the new one is meant, "
            "run tests/make_frames.py"
        )


def test_no_stored_frame_is_left_over():
    assert {path.stem for path in PAGES.glob("*.png")} == set(FRAMES)


def test_every_page_and_every_row_has_a_frame():
    places = [given["place"] for given in FRAMES.values()]
    of_the_run = [given for given in FRAMES.values() if given["place"].page is Page.RUN]
    assert {bool(given.get("plans")) for given in of_the_run if given.get("run") is None} == {True, False}
    assert {given["run"].over for given in of_the_run if "run" in given} == {True, False}
    # Those that are watched are drawn by modules of their own: test_response_page.py has their frames.
    assert {place.page for place in places} == set(Page) - {Page.CLEAN, *WATCHED}
    assert {place.row for place in places if place.page is Page.SET_UP} == set(Row)


def test_the_first_page_is_the_screen_alone():
    for name in ("clean", "flat", "direct", "start"):
        given = {**FRAMES["held"], "place": Place(), "view": views()[name]}
        assert pages.draw(**given).tobytes() == screen.draw(views()[name]).tobytes()


# --- what no page may hide ----------------------------------------------------------------------

ONE_OF_EACH = {given["place"].page: given for given in FRAMES.values()}


@pytest.mark.parametrize("page", ONE_OF_EACH)
@pytest.mark.parametrize("name", views())
def test_marks_state_and_level_stay_on_every_page(page, name):
    view = views()[name]
    frame = pages.draw(**{**ONE_OF_EACH[page], "view": view})
    first = screen.draw(view)
    assert frame.crop(screen.HAZARD).tobytes() == first.crop(screen.HAZARD).tobytes()
    if view.simulated:
        assert frame.crop(screen.SIMULATED).tobytes() == first.crop(screen.SIMULATED).tobytes()
    band = np.asarray(frame.crop(pages.NOW))
    sign = words.face(view.reading, stale=view.stale, supply=view.supply)
    share = (band == np.array(sign.colour)).all(axis=2).mean()
    assert share > (0.08 if sign.hollow else 0.5)


def test_the_level_on_a_page_is_the_one_on_the_first_page():
    seen = {}
    for volts in (58.6, 58.7, 5.86, 180.0, NAN):
        for stale in (False, True):
            given = {**FRAMES["about"], "view": View(reading(volts, u_v=0.05), stale=stale)}
            seen[volts, stale] = pages.draw(**given).crop(pages.NOW).tobytes()
    assert len({seen[volts, False] for volts, _ in seen}) == 5
    assert len({seen[volts, True] for volts, _ in seen}) == 1, "a stale level is dashes"
    direct = [pages.draw(**{**FRAMES["about"], "view": View(reading(0.0, dc_v=v, dc_alarm=True))}) for v in (-31.4, 9)]
    assert direct[0].crop(pages.NOW).tobytes() != direct[1].crop(pages.NOW).tobytes()


def test_a_change_of_level_touches_nothing_but_its_own_digit():
    for arguments in ONE_OF_EACH.values():
        frames = [
            np.asarray(pages.draw(**{**arguments, "view": View(reading(58 + tenth / 10, u_v=0.3))}))
            for tenth in (1, 6, 8)
        ]
        for one, other in itertools.combinations(frames, 2):
            changed = (one != other).any(axis=2)
            box = ink_box(changed)
            assert pages.NOW.top <= box.top < box.bottom <= pages.NOW.bottom
            assert box.width <= 19


# --- legibility ---------------------------------------------------------------------------------


class Mark(NamedTuple):
    """One text, number or shape as a page draws it: its ink on its own, and the worst contrast with what lies below."""

    what: str
    size_px: int
    room_px: int
    ink: np.ndarray
    ratio: float


@pytest.fixture
def marks(monkeypatch):
    """What was drawn since the test began."""
    drawn: list[Mark] = []

    def noting(draw, what_at, size_at, colour_at):
        def draw_and_note(image, *arguments, **given):
            colour = arguments[colour_at]
            alone = Image.new("RGB", (360, 280))
            draw(alone, *arguments[:colour_at], (255, 255, 255), *arguments[colour_at + 1 :], **given)
            ink = np.asarray(alone).max(axis=2) > 60
            assert not ink[240:].any(), arguments
            assert not ink[:, 320:].any(), arguments
            ink = ink[:240, :320]
            grounds = {tuple(int(v) for v in rgb) for rgb in np.unique(np.asarray(image)[ink], axis=0)}
            ratio = min((contrast(colour, ground) for ground in grounds), default=math.inf)
            size_px = arguments[size_at] if size_at is not None else 0
            room = next((part.width for part in arguments if isinstance(part, Box)), screen.SIZE[0])
            if arguments[what_at]:
                drawn.append(Mark(arguments[what_at], size_px, room, ink, ratio))
            draw(image, *arguments, **given)

        return draw_and_note

    ways = {"draw_text": (1, 2, 3), "draw_number": (0, 1, 2), "draw_shape": (0, None, 2)}
    for module, (name, places) in itertools.product((pages, run_page, screen), ways.items()):
        if hasattr(module, name):
            monkeypatch.setattr(module, name, noting(getattr(drawing, name), *places))
    return drawn


@pytest.mark.parametrize("name", FRAMES)
def test_no_text_is_small_cut_faint_or_on_another(name, marks):
    """WCAG 2.2, 1.4.6: 7:1 for text, 4.5:1 for large text, which begins at 14 pt bold; 1.4.11: 3:1 for shapes.

    Only the band of the present state falls below 7:1, in the reserved colour.
    """
    assert screen.SMALL_PX * MM_PER_PX / 25.4 * 72 >= 14
    pages.draw(**FRAMES[name])
    seen = np.zeros((240, 320), bool)
    for mark in marks:
        assert mark.ink.any(), mark.what
        assert not (seen & mark.ink).any(), mark.what
        seen |= mark.ink
        # Nothing hangs over the lower edge, nor over the rule above the words of the buttons.
        box = ink_box(mark.ink)
        assert box.bottom <= pages.KEYS.top - 2 or box.top >= pages.KEYS.top, mark.what
        if not mark.size_px:
            assert mark.ratio >= 3.0, mark.what
            continue
        assert mark.size_px >= screen.SMALL_PX
        # Narrowed to three quarters at most; beyond that `text_mask` would cut it.
        assert 3 * drawing.text_mask(mark.what, mark.size_px).image.width <= 4 * mark.room_px, mark.what
        in_band = box.bottom <= pages.NOW.bottom
        assert mark.ratio >= (4.5 if in_band else 7.0), mark.what


def test_heights_in_minutes_of_arc():
    """As for the first page: 16 minutes at 0.75 m for what is read from near (ISO 9241-3 as quoted)."""
    for size_px in (screen.SMALL_PX, pages.FIGURE_PX, screen.LARGE_PX):
        grey = np.asarray(drawing.text_mask("H0", size_px).image) > 127
        assert arcmin(ink_box(grey).height, 750) >= 16
    # Levels can be read from further away: 16 minutes at 1 m.
    digit = np.asarray(drawing.digit_mask("8", pages.FIGURE_PX, 19).image) > 127
    assert arcmin(ink_box(digit).height, 1000) >= 16


def test_every_choice_shows_without_colour():
    for field, values in (("input", Input), ("kind", Kind), ("light", Light), ("muted", (True, False))):
        greys = []
        for value in values:
            frame = pages.draw(**{**FRAMES["set-up-input"], "set_up": replace(SetUp(), **{field: value})})
            greys.append(np.asarray(frame.convert("L"), dtype=int))
        for one, other in itertools.combinations(greys, 2):
            assert (abs(one - other) > 100).sum() > 1000, field
    rows = [pages.draw(**{**FRAMES["set-up-input"], "place": Place(Page.SET_UP, row)}).convert("L") for row in Row]
    marks = [np.asarray(frame.crop((4, 66, 24, 211))) > 100 for frame in rows]
    for one, other in itertools.combinations(marks, 2):
        assert (one != other).sum() > 100


# --- how far a run has come ----------------------------------------------------------------------


def plan_of(name):
    return plan_files.loads(plan_files.ready_made()[name], name=name)


def answered(course, command=Command.NONE):
    """Answer the present prompt; return the next one, or None once the run is over."""
    try:
        return course.send(Heard(unknown(Reason.NO_TONE, 0.0), 0.0, command))
    except StopIteration:
        return None


def test_a_run_is_followed_from_its_first_step_to_its_end():
    run = Run(plan_of("two-bass"))
    course = run.requests()
    prompt = next(course)
    state = run_state(run, prompt, [])
    assert (state.plan, state.number, state.total) == ("Two matched bass amplifiers", 1, len(run.steps))
    assert (state.before, state.now) == (None, Line("tone controls flat", "check", State.OPEN))
    assert state.after == Line("effects off", "check", State.OPEN)
    seen = []
    while (prompt := answered(course, Command.SKIP)) is not None:
        former, state = state, run_state(run, prompt, [])
        assert not state.over
        assert state.title == f"step {prompt.number}/{len(run.steps)}"
        assert state.now == Line(state.now.place, state.now.what_for, State.OPEN)
        if prompt.number == former.number + 1:  # what needs no hand is done without a prompt
            assert (state.before.place, state.before.what_for) == former.now[:2]
            assert (state.before.state, state.now) == (State.SKIPPED, former.after)
        seen.append(state.now)
    assert Line("supply", "at rest", State.OPEN) in seen
    assert Line("Source L", "ceiling", State.OPEN) in seen
    assert Line("Bass A", "set", State.OPEN) in seen
    assert Line("Bass B", "reconnect", State.OPEN) in seen
    assert state.after is None
    state = run_state(run, None, [], record="0007")
    done = list(run.states.values()).count(State.DONE)
    assert (state.over, state.done, state.title, state.record) == (True, done, "run over", "0007")


def test_a_step_is_told_done_could_not_or_open_again():
    run = Run(plan_of("two-bass"))
    for step in run.steps[:9]:
        run.states[step.id] = State.DONE
    run.states[run.steps[8].id] = State.COULD_NOT
    course = run.requests()
    prompt = next(course)
    assert run_state(run, prompt, []).before.state is State.COULD_NOT
    assert run_state(run, prompt, []).done == 8
    state = run_state(run, answered(course, Command.BACK), [])
    assert (state.number, state.before.state, state.now.state) == (9, State.DONE, State.OPEN)
    # Before the first prompt of a run that goes on where it was.
    state = run_state(run, None, [])
    assert (state.over, state.number, state.now.state) == (False, 9, State.OPEN)


def finding(judgement, **given):
    usual = {"what": "match", "where": ("Bass A", "Bass B"), "value": -1.234, "u": 0.02, "limit": 0.1, "unit": "V"}
    return Finding(judgement=judgement, text="One sentence.", **{**usual, **given})


def test_judgements_are_counted_and_the_last_that_failed_is_told():
    run = Run(plan_of("one-bass"))
    judged = [
        finding(Judgement.FAIL, what="link loss", where=("Cable L",), value=0.834, limit=0.5, unit="dB"),
        finding(Judgement.PASS),
        finding(Judgement.FAIL),
        finding(Judgement.CANNOT_TELL),
        finding(Judgement.PASS),
    ]
    state = run_state(run, None, judged)
    assert (state.passes, state.fails, state.cannot_tell) == (2, 2, 1)
    assert state.finding == "match 1.23 V, limit 0.1: Bass A, Bass B"
    assert run_state(run, None, judged[:2]).finding == "link loss 0.834 dB, limit 0.5: Cable L"
    assert run_state(run, None, judged[1:2]).finding == ""
    bare = finding(Judgement.FAIL, what="shape", where=("Mid L",), value=NAN, limit=NAN)
    assert run_state(run, None, [bare]).finding == "shape: Mid L"


def drawn_words(marks, run=None, **given):
    marks.clear()
    pages.draw(**{**FRAMES["run-under-way"], "run": run, **given})
    return [mark.what for mark in marks]


def test_the_chosen_plan_is_in_view_with_its_whole_name(marks):
    for number, plan in enumerate(MANY_PLANS, 1):
        shown = drawn_words(marks, plans=MANY_PLANS, plan=plan)
        for part in wrapped(plan, screen.SMALL_PX, pages.BODY.width - 30):
            assert part in shown
        assert f"plan {number}/7" in shown
        assert "right" in shown


def test_the_page_of_a_run_says_what_each_button_does(marks):
    over = replace(RUN, over=True)
    for shown, keys in (
        ({}, ["next"]), ({"plans": PLANS, "plan": PLANS[4]}, ["next", "plan", "start"]),
        ({"run": RUN}, ["next", "back", "skip"]), ({"run": over}, ["next", "plans"]),
    ):  # fmt: skip
        assert drawn_words(marks, **shown)[-len(keys) :] == keys
        assert not ({"next", "back", "skip", "plan", "start", "plans"} - set(keys)) & set(drawn_words(marks, **shown))


@pytest.mark.parametrize("state", State)
def test_a_step_tells_its_state_by_word_and_shape(state, marks):
    shown = drawn_words(marks, replace(RUN, before=Line("Bass A", "found", state), now=None, after=None))
    assert f"found: {state}" in shown
    assert run_page._STATES[state][0] in shown


def test_no_two_shapes_of_states_or_judgements_are_alike_without_colour():
    for kinds in (run_page._STATES, run_page._JUDGEMENTS):
        masks = [np.asarray(drawing.shape_mask(name, 22, 22)) > 127 for name, _ in kinds.values()]
        for one, other in itertools.combinations(masks, 2):
            assert (one != other).sum() > 0.25 * (one | other).sum()


def test_a_place_too_long_is_cut_in_its_middle(marks):
    left, right = (
        drawn_words(marks, replace(RUN, before=Line(f"Amplifier at the far end Tops {side}", "as left", State.DONE)))
        for side in "LR"
    )
    assert left != right
    assert any("…" in text and text.startswith("Ampl") and text.endswith("s L") for text in left)


names = st.text(st.sampled_from("abc WMil…é大"), max_size=60)
lines = st.one_of(st.none(), st.builds(Line, names, names, st.sampled_from(State)))


@settings(max_examples=60)
@given(
    run=st.builds(
        RunState, plan=names, before=lines, now=lines, after=lines, number=st.integers(0, 999), finding=names,
        total=st.integers(0, 999), over=st.booleans(), record=names, fails=st.integers(0, 999),
    ),
    plans=st.lists(names, max_size=12, unique=True),
)  # fmt: skip
def test_any_names_can_be_drawn_and_touch_neither_band_nor_keys(run, plans):
    plain = np.asarray(pages.draw(**{**FRAMES["run-under-way"], "run": RUN}))
    for shown in ({"run": run}, {"run": None, "plans": plans, "plan": plans[-1] if plans else ""}):
        frame = np.asarray(pages.draw(**{**FRAMES["run-under-way"], **shown}))
        band = slice(pages.NOW.top, pages.NOW.bottom)
        assert (frame[band] == plain[band]).all()
        assert not frame[pages.KEYS.top - 1].any()


# --- words --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("age_s", "text"),
    [(-5.0, "0 s old"), (0.0, "0 s old"), (59.9, "59 s old"), (60.0, "1 min old"), (3599.0, "59 min old"),
     (3600.0, "1 h old"), (86399.0, "23 h old"), (86400.0, "1 d old"), (1e6, "11 d old")],
)  # fmt: skip
def test_age_text(age_s, text):
    assert age_text(age_s) == text


def test_clock_text():
    assert clock_text(WALL_S, known=True) == "14:25  2026-11-25"
    assert clock_text(WALL_S, known=False) == "not set"
    for impossible in (NAN, math.inf, -1.0, 1e18):
        assert clock_text(impossible, known=True) == "not set"


@settings(max_examples=50)
@given(text=st.text(st.characters(codec="latin-1", categories=("L", "N", "P", "Zs")), max_size=200))
def test_wrapping_loses_nothing_and_fits(text):
    lines = wrapped(text, screen.SMALL_PX, 200)
    assert "".join("".join(lines).split()) == "".join(text.split())
    assert all(drawing.font(screen.SMALL_PX).getlength(line) <= 200 for line in lines)
    assert all(line == line.strip() and line for line in lines)


def told(about: About) -> str:
    return " ".join(" ".join((line.text, line.value)) for sheet in about_sheets(about) for line in sheet)


def test_the_about_page_tells_everything_worst_first():
    everything = replace(ABOUT, faults=(*FAULTS, TWO_PROGRAMS))
    text = " ".join(told(everything).split())
    places = [text.index(fault.words.upper()) for fault in FAULTS]
    assert places == sorted(places)
    for fact in ("FT-0007", "2026-05-04", "205 days ago", "writing, 3.1 GB free", "2 h 13 min", "0.3.0", "real"):
        assert fact in text
    for bare in ("not set", "uncalibrated", "none found", "real", "none"):
        assert bare in told(About())
    assert "simulated" in told(About(simulated=True))


def some_text(least: int, most: int) -> st.SearchStrategy[str]:
    return st.text(st.sampled_from("abc WMil"), min_size=least, max_size=most)


def letters(parts: list[str]) -> str:
    return "".join("".join(parts).split())


@settings(max_examples=30)
@given(fault=st.builds(Fault, st.just(Rank.NOTE), some_text(1, 99), some_text(0, 300), some_text(0, 300)))
def test_any_fault_has_room(fault):
    about = replace(ABOUT, faults=(fault,))
    sheets = about_sheets(about)
    assert all(1 <= len(lines) <= pages.ROWS for lines in sheets)
    own = sheets[: len(sheets) - len(about_sheets(ABOUT))]
    headings = [letters([line.text for line in lines if line.heading]) for lines in own]
    words_shown = letters([fault.words.upper()]) or "FAULT"
    assert letters(headings) == words_shown or set(headings) == {words_shown}, "once, or whole on every sheet"
    body = letters([line.text for lines in own for line in lines if not line.heading])
    assert body == letters([fault.remedy, fault.detail])
    for sheet in range(len(sheets) + 1):
        pages.draw(**{**FRAMES["about"], "about": about, "place": Place(Page.ABOUT, sheet=sheet)})
