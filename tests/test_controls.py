"""Presses out of edges, against a second way of counting them, and the buttons on gpiozero's own mock pins."""

from __future__ import annotations

import itertools
import random
import threading
from collections import Counter

import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory, MockPWMPin
from hypothesis import example, given, settings
from hypothesis import strategies as st

from flattop.errors import FlattopError, PanelError
from flattop.panel.buttons import DEBOUNCE_S, HOLD_S, PANEL, STUCK_S, WAITING, Button, ButtonWatch, Press
from flattop.panel.hardware.controls import GPIO, GPIO_DIAG, GPIO_LOW_BATTERY, LOW_BATTERY_S, Controls

A, B, C, FOOT = Button.A, Button.B, Button.C, Button.FOOT


def watched(edges, *, until_s, down=(), asked=()):
    """All presses of a list of (button, down, time), fetched at the times `asked` and at the end."""
    watch, found = ButtonWatch(time_s=0.0, down=down), []
    moments = [(time_s, 0, edge) for edge in edges for time_s in edge[2:]] + [(time_s, 1, None) for time_s in asked]
    for time_s, _, edge in sorted(moments, key=lambda moment: moment[:2]):
        if edge is None:
            found += watch.presses(time_s=time_s)
        else:
            watch.edge(edge[0], down=edge[1], time_s=time_s)
    return found + watch.presses(time_s=until_s), watch


def pressed(presses):
    return [(press.button, press.held) for press in presses]


# --- the definition, by cases ---


def test_a_short_press_is_noticed_when_it_is_let_go():
    presses, _ = watched([(A, True, 1.0), (A, False, 1.3)], until_s=2)
    assert presses == [Press(A, pytest.approx(1.3 + DEBOUNCE_S))]


def test_a_held_press_is_noticed_once_while_it_is_still_down():
    presses, watch = watched([(C, True, 1.0)], until_s=2.5, asked=[2.49])
    assert presses == [Press(C, pytest.approx(2.5), held=True)]
    watch.edge(C, down=False, time_s=4.0)
    assert watch.presses(time_s=9) == []


def test_just_short_of_holding_is_short():
    assert pressed(watched([(C, True, 1.0), (C, False, 2.49)], until_s=5)[0]) == [(C, False)]
    assert pressed(watched([(C, True, 1.0), (C, False, 2.51)], until_s=5)[0]) == [(C, True)]


def test_bounce_makes_one_press_of_one_press():
    # 5 ms of bounce at both ends, 0.3 ms apart: common practice, no source
    times_s = [1 + 3e-4 * i for i in range(17)] + [1.2 + 3e-4 * i for i in range(17)]
    edges = [(B, i % 2 == 0, t) for i, t in enumerate(times_s)]
    assert (edges[16][1], edges[-1][1]) == (True, False)
    assert watched(edges, until_s=3)[0] == [Press(B, pytest.approx(times_s[-1] + DEBOUNCE_S))]


def test_a_spike_is_no_press_and_a_gap_no_release():
    assert watched([(A, True, 1.0), (A, False, 1.01)], until_s=3)[0] == []
    held = [(A, True, 1.0), (A, False, 1.7), (A, True, 1.71)]
    assert pressed(watched(held, until_s=2.6)[0]) == [(A, True)]


def test_bounce_on_letting_go_does_not_turn_short_into_held():
    edges = [(A, True, 1.0), (A, False, 2.495), (A, True, 2.501), (A, False, 2.503)]
    assert pressed(watched(edges, until_s=5)[0]) == [(A, False)]


@pytest.mark.parametrize("buttons", [*itertools.permutations("ABC", 2), *itertools.permutations("ABC", 3)])
def test_buttons_that_overlap_do_nothing_and_are_counted(buttons):
    edges = [(Button(name), True, 1 + 0.1 * i) for i, name in enumerate(buttons)]
    edges += [(Button(name), False, 4 + 0.1 * i) for i, name in enumerate(buttons)]
    presses, watch = watched(edges, until_s=8)
    assert presses == []
    assert watch.overlapped == len(buttons)
    watch.edge(A, down=True, time_s=9)
    watch.edge(A, down=False, time_s=9.2)
    assert pressed(watch.presses(time_s=10)) == [(A, False)]


def test_a_button_pressed_while_another_is_held_does_nothing():
    edges = [(C, True, 1.0), (A, True, 3.0), (A, False, 3.2), (C, False, 4.0)]
    presses, watch = watched(edges, until_s=8)
    assert pressed(presses) == [(C, True)]
    assert watch.overlapped == 1


def test_the_foot_is_independent():
    edges = [(A, True, 1.0), (FOOT, True, 1.1), (FOOT, False, 1.3), (A, False, 1.5)]
    presses, watch = watched(edges, until_s=3)
    assert pressed(presses) == [(FOOT, False), (A, False)]
    assert watch.overlapped == 0


def test_all_at_once_leaves_only_the_foot():
    edges = [(button, True, 1.0) for button in Button] + [(button, False, 1.4) for button in Button]
    assert pressed(watched(edges, until_s=3)[0]) == [(FOOT, False)]


@pytest.mark.parametrize("button", Button)
def test_a_button_down_at_the_start_is_stuck_until_it_is_let_go(button):
    presses, watch = watched([], until_s=5, down={button})
    assert presses == []
    assert watch.stuck(time_s=5) == {button}
    watch.edge(button, down=False, time_s=6)
    assert watch.presses(time_s=7) == []
    assert watch.stuck(time_s=7) == frozenset()
    watch.edge(button, down=True, time_s=8)
    watch.edge(button, down=False, time_s=8.2)
    assert pressed(watch.presses(time_s=9)) == [(button, False)]


def test_a_stuck_button_does_not_lock_the_others_out():
    presses, watch = watched([(B, True, 1.0)], until_s=0.99 + STUCK_S, down={A})
    assert pressed(presses) == [(B, True)]
    assert watch.stuck(time_s=0.99 + STUCK_S) == {A}
    assert watch.stuck(time_s=1.01 + STUCK_S) == {A, B}
    watch.edge(C, down=True, time_s=40)
    assert pressed(watch.presses(time_s=42)) == [(C, True)]
    assert watch.overlapped == 0


def test_a_clock_that_runs_back_loses_nothing():
    watch = ButtonWatch(time_s=100.0)
    watch.edge(A, down=True, time_s=100.5)
    watch.edge(A, down=True, time_s=3.0)
    watch.edge(A, down=False, time_s=101.0)
    assert pressed(watch.presses(time_s=50.0)) == []
    assert pressed(watch.presses(time_s=101.1)) == [(A, False)]


def test_presses_that_nobody_fetches_are_bounded_and_counted():
    watch = ButtonWatch(time_s=0.0)
    for i in range(40):
        watch.edge(A if i % 2 else B, down=True, time_s=1.0 + i)
        watch.edge(A if i % 2 else B, down=False, time_s=1.3 + i)
    kept = watch.presses(time_s=50)
    assert len(kept) == WAITING
    assert watch.dropped == 40 - WAITING
    assert kept[-1].time_s == pytest.approx(40.3 + DEBOUNCE_S)


def test_chattering_contacts_grow_nothing_and_are_told():
    watch = ButtonWatch(time_s=0.0)
    for i in range(1, 30_001):  # 3 s at 10^4 edges a second
        watch.edge(A, down=i % 2 == 1, time_s=i * 1e-4)
    assert watch.presses(time_s=3.0) == []
    assert watch.stuck(time_s=3.0) == {A}
    assert len(watch._contacts) == len(Button)
    assert watch.stuck(time_s=3.1) == frozenset()


# --- any edges, against a second way of counting ---


def runs(edges, button, until_s):
    """[(closed, start, end)] of one contact, adjacent runs differing; the last has no end."""
    out = [[False, -1e9, None]]
    for name, down, time_s in edges:
        if name is button and down != out[-1][0]:
            out[-1][2] = time_s
            out.append([down, time_s, None])
    out[-1][2] = until_s + 1e9
    return out


def times_down(edges, button, until_s):
    """[(start of closing, counted down from, counted up from, runs closed in it)]: whole runs, no state machine."""
    rest = [run for run in runs(edges, button, until_s) if run[2] - run[1] >= DEBOUNCE_S]
    # Of adjacent runs at rest in the same state only the first changes anything.
    turns = [run for i, run in enumerate(rest) if i == 0 or rest[i - 1][0] != run[0]]
    spans = []
    for i, (closed, start_s, _) in enumerate(turns):
        if closed:
            end_s = turns[i + 1][1] + DEBOUNCE_S if i + 1 < len(turns) else until_s + 1e9
            closed_runs = [r for r in runs(edges, button, until_s) if r[0] and r[1] >= start_s and r[1] < end_s]
            spans.append((start_s, start_s + DEBOUNCE_S, end_s, closed_runs))
    return spans


def by_definition(edges, until_s):
    """The presses of any edges, each button on its own, without the rule of overlap."""
    found = []
    for button in Button:
        for start_s, _, up_s, closed_runs in times_down(edges, button, until_s):
            held_at = [
                max(start_s + HOLD_S, run[1] + DEBOUNCE_S)
                for run in closed_runs
                if max(start_s + HOLD_S, run[1] + DEBOUNCE_S) <= run[2] and run[1] + DEBOUNCE_S <= run[2]
            ]
            if held_at:
                found.append((min(held_at), button, True))
            elif up_s < until_s + 1e8:
                found.append((up_s, button, False))
    return sorted(found)


# On a grid of 1 ms so that no time meets a limit exactly: the limits lie between.
GAPS_S = st.one_of(st.integers(1, 60), st.integers(1, 3000)).map(lambda ms: ms / 1000 + 1e-4 / 3)


@st.composite
def some_edges(draw, buttons=tuple(Button)):
    time_s, edges = 0.0, []
    for gap_s in draw(st.lists(GAPS_S, max_size=40)):
        time_s += gap_s
        edges.append((draw(st.sampled_from(buttons)), draw(st.booleans()), time_s))
    return edges


@given(some_edges(buttons=(FOOT,)))
@example([(FOOT, True, 1.0), (FOOT, False, 2.495), (FOOT, True, 2.501), (FOOT, False, 2.503)])
def test_one_contact_gives_the_presses_of_the_definition(edges):
    until_s = (edges[-1][2] if edges else 0) + 2
    presses, watch = watched(edges, until_s=until_s)
    expected = [found for found in by_definition(edges, until_s) if found[0] <= until_s]
    assert watch.dropped == max(0, len(expected) - WAITING)
    assert [(press.button, press.held) for press in presses] == [found[1:] for found in expected][-WAITING:]
    assert [press.time_s for press in presses] == pytest.approx([found[0] for found in expected][-WAITING:])


@given(some_edges())
@settings(max_examples=80)
def test_of_all_contacts_no_press_is_invented_and_every_lost_one_is_counted(edges):
    until_s = (edges[-1][2] if edges else 0) + 2
    presses, watch = watched(edges, until_s=until_s, asked=[edge[2] for edge in edges])
    expected = Counter(found[1:] for found in by_definition(edges, until_s) if found[0] <= until_s)
    got = Counter(pressed(presses))
    assert got <= expected
    still_down = sum(
        span[1] <= until_s and span[2] > until_s for button in PANEL for span in times_down(edges, button, until_s)
    )
    lost = (expected - got).total()
    # One that overlapped and is still down is counted already though it could not have been a press yet.
    assert lost <= watch.overlapped <= lost + still_down
    assert watch.dropped == 0
    assert got[(FOOT, False)] == expected[(FOOT, False)]
    assert got[(FOOT, True)] == expected[(FOOT, True)]
    spans = [(span[1], span[2]) for button in PANEL for span in times_down(edges, button, until_s)]
    apart = all(a[1] <= b[0] or b[1] <= a[0] for a, b in itertools.combinations(spans, 2))
    if apart:
        assert got == expected


@given(some_edges(), st.lists(st.floats(0, 60), max_size=30))
def test_how_often_it_is_asked_changes_nothing(edges, asked):
    until_s = 130.0
    often, watch_often = watched(edges, until_s=until_s, asked=asked)
    seldom, watch_seldom = watched(edges, until_s=until_s, asked=[5.0 * i for i in range(24)])
    assert often == seldom
    assert (watch_often.overlapped, watch_often.dropped) == (watch_seldom.overlapped, watch_seldom.dropped)


# --- on mock pins ---


class Clock:
    def __init__(self):
        self.now_s = 1000.0

    def __call__(self):
        return self.now_s


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def factory():
    factory = MockFactory(pin_class=MockPWMPin)
    yield factory
    factory.close()
    Device.pin_factory = None


@pytest.fixture
def controls(factory, clock):
    controls = Controls(pin_factory=factory, clock=clock)
    yield controls
    controls.close()


def press(factory, clock, button, for_s=0.2):
    factory.pin(GPIO[button]).drive_low()
    clock.now_s += for_s
    factory.pin(GPIO[button]).drive_high()
    clock.now_s += 0.1


def test_every_contact_is_on_its_pin_with_a_pull_up(factory, controls):
    # the wiring: buttons A, B, C on GPIO5, 6, 16, foot switch on GPIO26, LOW_BATT# on GPIO15
    assert {button: factory.pin(gpio).pull for button, gpio in {A: 5, B: 6, C: 16, FOOT: 26}.items()} == dict.fromkeys(
        Button, "up"
    )
    assert factory.pin(15).pull == "up"
    assert controls.fault == ""


@pytest.mark.parametrize("button", Button)
def test_a_press_comes_once_and_at_once(factory, clock, controls, button):
    assert controls.presses() == []
    press(factory, clock, button)
    assert pressed(controls.presses()) == [(button, False)]
    assert controls.presses() == []


def test_a_hold_comes_while_it_is_down_and_not_again(factory, clock, controls):
    factory.pin(GPIO[C]).drive_low()
    clock.now_s += HOLD_S + 0.001
    assert pressed(controls.presses()) == [(C, True)]
    clock.now_s += 1
    factory.pin(GPIO[C]).drive_high()
    clock.now_s += 1
    assert controls.presses() == []


def test_a_lost_edge_is_made_good_by_looking(factory, clock, controls):
    pin = controls._buttons[A].use(lambda pin: pin)
    pin.when_activated = pin.when_deactivated = None  # the library's thread is gone
    factory.pin(GPIO[A]).drive_low()
    assert controls.presses() == []
    clock.now_s += 0.1
    factory.pin(GPIO[A]).drive_high()
    assert controls.presses() == []
    clock.now_s += 0.1
    assert pressed(controls.presses()) == [(A, False)]


def test_a_button_down_at_the_start_is_told_and_ignored(factory, clock):
    factory.pin(GPIO[B])._state = False  # held while the pins are opened: the mock pulls an opened pin up
    factory.pin(GPIO[B])._set_pull = lambda value: None
    controls = Controls(pin_factory=factory, clock=clock)
    clock.now_s += 5
    assert controls.presses() == []
    assert controls.stuck() == {B}
    press(factory, clock, C)
    factory.pin(GPIO[B]).drive_high()
    clock.now_s += 1
    assert pressed(controls.presses()) == [(C, False)]
    assert controls.stuck() == frozenset()
    controls.close()


def test_low_battery_needs_a_second(factory, clock, controls):
    assert not controls.low_battery
    factory.pin(GPIO_LOW_BATTERY).drive_low()
    assert not controls.low_battery
    clock.now_s += LOW_BATTERY_S / 2
    factory.pin(GPIO_LOW_BATTERY).drive_high()
    assert not controls.low_battery
    factory.pin(GPIO_LOW_BATTERY).drive_low()
    assert not controls.low_battery
    clock.now_s += LOW_BATTERY_S
    assert controls.low_battery
    factory.pin(GPIO_LOW_BATTERY).drive_high()
    assert not controls.low_battery


def test_chatter_on_every_pin_while_presses_are_fetched(factory, clock, controls):
    done = threading.Event()

    def chatter():
        pick = random.Random(1)
        for _ in range(5000):
            pin = factory.pin(GPIO[pick.choice(list(Button))])
            (pin.drive_low if pick.random() < 0.5 else pin.drive_high)()
        for button in Button:
            factory.pin(GPIO[button]).drive_high()
        done.set()

    thread = threading.Thread(target=chatter, daemon=True)
    thread.start()
    while not done.is_set():
        assert controls.presses() == []  # the clock stands still: nothing comes to rest
    thread.join(10)
    clock.now_s += 1
    controls.presses()
    clock.now_s += 1
    press(factory, clock, A)
    assert pressed(controls.presses()) == [(A, False)]
    assert controls.failures == 0


class BrokenPin(MockPWMPin):
    """A pin that can be opened and read only while it is not on the list."""

    broken = frozenset()

    def __init__(self, factory, info):
        super().__init__(factory, info)
        self._check()

    def _check(self):
        if int(self._info.name[4:]) in self.broken:
            raise OSError(5, "Input/output error")

    def _get_state(self):
        self._check()
        return super()._get_state()


@pytest.fixture
def breaking(monkeypatch):
    factory = MockFactory(pin_class=BrokenPin)

    def breaks(*gpios):
        monkeypatch.setattr(BrokenPin, "broken", frozenset(gpios))

    yield factory, breaks
    breaks()
    factory.close()
    Device.pin_factory = None


def test_a_button_that_cannot_be_opened_costs_only_itself(breaking, clock):
    factory, breaks = breaking
    breaks(GPIO[A], GPIO_LOW_BATTERY)
    controls = Controls(pin_factory=factory, clock=clock)
    assert controls.failures == 2
    assert "button A (GPIO5) fails: OSError [Errno 5] Input/output error: look at its wiring" in controls.fault
    assert "low-battery line (GPIO15)" in controls.fault
    assert not controls.low_battery
    press(factory, clock, B)
    assert pressed(controls.presses()) == [(B, False)]
    controls.close()


def test_what_could_not_be_opened_is_tried_again(breaking, clock):
    factory, breaks = breaking
    breaks(GPIO[A], GPIO_LOW_BATTERY, GPIO_DIAG)
    controls = Controls(pin_factory=factory, clock=clock)
    breaks()
    assert controls.presses() == []
    assert "button A" in controls.fault, "not at every look"
    assert controls.isolators_ok is None
    clock.now_s += 1.001
    assert controls.presses() == []
    assert not controls.low_battery
    assert controls.isolators_ok is not None
    assert (controls.fault, controls.failures) == ("", 3)
    press(factory, clock, A)
    assert pressed(controls.presses()) == [(A, False)]
    controls.close()
    clock.now_s += 5.0
    assert controls.presses() == []
    Controls(pin_factory=factory, clock=clock).close()  # nothing was opened once more


def test_a_button_that_fails_later_is_told_until_it_works_again(breaking, clock):
    factory, breaks = breaking
    controls = Controls(pin_factory=factory, clock=clock)
    breaks(GPIO[FOOT])
    press(factory, clock, B)
    assert pressed(controls.presses()) == [(B, False)]
    assert controls.fault.startswith("foot switch (GPIO26) fails")
    assert controls.failures == 1
    breaks()
    assert controls.presses() == []
    assert controls.fault == ""
    controls.close()


def test_no_button_at_all_is_an_error_with_every_fault(breaking, clock):
    factory, breaks = breaking
    breaks(*GPIO.values(), GPIO_LOW_BATTERY)
    with pytest.raises(PanelError) as caught:
        Controls(pin_factory=factory, clock=clock)
    assert len(str(caught.value).splitlines()) == 6
    for name in ("button A", "button B", "button C", "foot switch", "low-battery line"):
        assert name in str(caught.value)


def test_a_pin_that_is_taken_is_a_fault_in_words(factory, clock):
    from gpiozero import LED

    taken = LED(GPIO[A], pin_factory=factory)
    controls = Controls(pin_factory=factory, clock=clock)
    assert "nothing else uses the pin" in controls.fault
    controls.close()
    taken.close()


def test_without_pins_the_error_says_where_to_run():
    with pytest.raises(PanelError, match="run on the meter"):
        Controls()
    assert issubclass(PanelError, FlattopError)


def test_an_edge_that_goes_wrong_is_counted_and_not_raised(factory, clock, controls):
    def broken_clock():
        raise RuntimeError("no time")

    controls._clock = broken_clock
    factory.pin(GPIO[A]).drive_low()
    assert controls.failures == 1
    assert "an edge was lost: RuntimeError no time" in controls.fault


def test_closing_twice_is_harmless_and_lets_go_of_the_pins(factory, clock, controls):
    controls.close()
    controls.close()
    factory.pin(GPIO[A]).drive_low()
    assert controls.presses() == []
    assert not controls.low_battery
    again = Controls(pin_factory=factory, clock=clock)
    assert again.fault == ""
    again.close()
