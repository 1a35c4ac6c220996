"""The reader thread: what it promises beyond the contract that it shares with every converter."""

from __future__ import annotations

import threading
import time
from typing import ClassVar

import numpy as np
import pytest

from flattop.converters import HostTime, reader
from flattop.converters.reader import Reader
from flattop.errors import ConverterMissing, ConverterSilent, SettingsError
from flattop.samples import Clock, Facts, Input, Quality, Samples


class Script:
    """A converter that does what the test says; `collect` is followed by one step of `steps` at a time."""

    name = "script"
    input = Input.SPEAKER
    facts: ClassVar = Facts("script", Input.SPEAKER, 0.1, 300.0, 0.03, (10.0, 300.0), 1300.0)

    def __init__(self):
        self.ends_s, self.threads = [], set()
        self.error = None
        self.gate = threading.Event()
        self.gate.set()
        self.closed = 0
        self.asked = []

    def collect(self, until_s):
        self.threads.add(threading.current_thread())
        self.gate.wait(10.0)
        if self.error is not None:
            raise self.error
        HostTime().wait_until(until_s)
        self.ends_s.append(until_s)
        return True

    def latest(self, duration_s):
        return Samples(np.empty(0), np.empty(0), self.facts, Quality(float("nan"), Clock.LEARNING))

    def select(self, input):
        self.threads.add(threading.current_thread())
        self.asked.append(input)
        if input is Input.LINE:
            raise SettingsError("this one has no line input; measure speaker")

    def hold_range(self, held):
        self.threads.add(threading.current_thread())
        self.asked.append(held)

    def confirm(self, hz):
        self.threads.add(threading.current_thread())
        return hz == 40.0

    def close(self):
        self.closed += 1


@pytest.fixture
def script():
    return Script()


@pytest.fixture
def made(script):
    made = Reader(script, HostTime())
    yield made
    script.gate.set()
    made.close()


def ask(made, ahead_s=0.03):
    return made.collect(time.monotonic() + ahead_s)


def ask_again(made):
    """Ask three times: what goes wrong may come just after the first time was met."""
    for _ in range(3):
        ask(made, 0.02)


def until(true, patience_s=5.0):
    """Wait for something that another thread brings about."""
    end_s = time.monotonic() + patience_s
    while not true() and time.monotonic() < end_s:
        time.sleep(0.005)
    assert true()


def test_only_the_reader_thread_touches_the_converter(made, script):
    for _ in range(3):
        ask(made)
    made.select(Input.SPEAKER)
    made.hold_range(True)
    assert made.confirm(40.0) is True
    assert made.confirm(41.0) is False
    assert script.asked == [Input.SPEAKER, True]
    assert len(script.threads) == 1
    assert threading.current_thread() not in script.threads


def test_slices_end_where_the_loop_waits_for_them_and_go_on_without_it(made, script):
    ask(made)
    wanted_s = time.monotonic() + 0.01
    made.collect(wanted_s)
    made.collect(wanted_s + reader.SLICE_S)
    count = len(script.ends_s)
    until(lambda: len(script.ends_s) > count + 5)
    steps = (np.array(script.ends_s[count:]) - wanted_s) / reader.SLICE_S
    assert np.allclose(steps, np.round(steps), atol=1e-6), "out of step with the loop: every look would come late"


def test_a_refusal_comes_back_to_who_asked(made, script):
    with pytest.raises(SettingsError, match="no line input"):
        made.select(Input.LINE)
    assert ask(made) is True, "and the thread reads on"


@pytest.mark.parametrize("kind", [ConverterSilent, ConverterMissing])
def test_a_converter_that_fails_is_silent_until_it_answers_again(made, script, kind):
    ask(made)
    script.error = kind("no acknowledgement; look at the wires")
    for _ in range(3):
        with pytest.raises(ConverterSilent, match="look at the wires"):
            ask_again(made)
    script.error = None
    until(lambda: _answers(made))
    assert made.restarts == 0


def _answers(made):
    try:
        return ask(made)
    except ConverterSilent:
        return False


def test_a_thread_that_dies_is_noticed_said_and_started_again(made, script):
    ask(made)
    script.error = ZeroDivisionError("nobody thought of that")
    with pytest.raises(ConverterSilent, match=r"died \(ZeroDivisionError"):
        ask_again(made)
    script.error = None
    until(lambda: _answers(made))
    assert made.restarts >= 1
    assert len(script.threads) >= 2


def test_a_thread_that_hangs_is_said_within_the_patience_and_recovers(made, script):
    ask(made)
    script.gate.clear()
    begun_s = time.monotonic()
    with pytest.raises(ConverterSilent, match="stuck"):
        ask_again(made)
    assert time.monotonic() - begun_s >= reader.PATIENCE_S
    with pytest.raises(ConverterSilent, match="took no order"):
        made.confirm(40.0)
    script.gate.set()
    until(lambda: _answers(made))
    assert made.restarts == 0, "a second thread would be stuck behind the first"


def test_an_order_that_came_too_late_is_not_carried_out_later(made, script):
    ask(made)
    script.gate.clear()
    time.sleep(3 * reader.SLICE_S)
    with pytest.raises(ConverterSilent, match="took no order"):
        made.hold_range(True)
    script.gate.set()
    until(lambda: _answers(made))
    made.hold_range(False)
    assert script.asked == [False]


def test_closing_stops_the_thread_and_closes_the_converter(script):
    made = Reader(script, HostTime())
    ask(made)
    made.close()
    made.close()
    assert script.closed == 2
    count = len(script.ends_s)
    time.sleep(3 * reader.SLICE_S)
    assert len(script.ends_s) == count


def test_closing_does_not_wait_for_ever_for_a_thread_that_hangs(script):
    made = Reader(script, HostTime())
    ask(made)
    script.gate.clear()
    made.close()
    assert script.closed == 1
    script.gate.set()
