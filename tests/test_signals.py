"""The lamp and the sounder on gpiozero's own mock pins: what they do, and what they survive."""

from __future__ import annotations

import threading
import time
from functools import partial

import numpy as np
import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory, MockPWMPin

from flattop.errors import PanelError
from flattop.panel import words
from flattop.panel.hardware import signals
from flattop.panel.hardware.signals import BEAT_S, DEAD_S, Signals
from flattop.panel.indicators import Player, Signal, led, pitches

LAMP = (17, 27, 22)  # the wiring: red, green, blue
SOUNDER = 13
PATIENCE_S = 10


class Clock:
    def __init__(self):
        self.now_s = 1000.0

    def __call__(self):
        return self.now_s


class RealPin(MockPWMPin):
    """A pin that fails or blocks while it is told to."""

    broken = frozenset()
    blocked = frozenset()
    gate = threading.Event()
    waiting = threading.Event()

    def _set_state(self, value):
        number = int(self._info.name[4:])
        if number in self.blocked:
            self.waiting.set()
            self.gate.wait(PATIENCE_S)
        if number in self.broken:
            raise OSError(5, "Input/output error")
        super()._set_state(value)

    def _set_function(self, value):
        if int(self._info.name[4:]) in self.broken and value == "output":
            raise OSError(16, "Device or resource busy")
        super()._set_function(value)


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def factory(monkeypatch):
    monkeypatch.setattr(RealPin, "gate", threading.Event())
    monkeypatch.setattr(RealPin, "waiting", threading.Event())
    factory = MockFactory(pin_class=RealPin)
    yield factory
    monkeypatch.undo()
    factory.close()
    Device.pin_factory = None


@pytest.fixture
def opened():
    every = []
    yield every.append
    for each in every:
        each.close()


@pytest.fixture
def stepped(factory, clock, opened):
    """Lamp and sounder without a thread, on a clock of the test's own."""
    both = Signals(pin_factory=factory, clock=clock, start=False)
    opened(both)
    return both


def lamp_of(factory):
    return tuple(factory.pin(gpio).state for gpio in LAMP)


def pitch_of(factory):
    """What is heard [Hz]."""
    pin = factory.pin(SOUNDER)
    assert pin.state in (0, 0.5)
    return pin.frequency if pin.state else 0


def until(true):
    """Wait for a thread; False if it took too long."""
    end_s = time.monotonic() + PATIENCE_S
    while not true():
        if time.monotonic() > end_s:
            return False
        time.sleep(0.002)
    return True


def test_the_pins_follow_the_player_step_by_step(factory, clock, stepped):
    player = Player()
    asked = {
        0: lambda t: player.show(Signal.SOFT, time_s=t, tone_hz=1000.0) or stepped.show(Signal.SOFT, 1000.0),
        30: lambda t: player.once(Signal.KEPT, time_s=t) or stepped.once(Signal.KEPT),
        60: lambda t: player.show(Signal.FLAT, time_s=t) or stepped.show(Signal.FLAT),
        90: lambda t: player.lead(Signal.CLEAN, -9.0, time_s=t) or stepped.lead(Signal.CLEAN, -9.0),
        100: lambda t: (
            player.lead(Signal.UNKNOWN, 2.5, time_s=t, tone_hz=999.0) or stepped.lead(Signal.UNKNOWN, 2.5, 999.0)
        ),
        120: lambda t: player.show(Signal.STOP, time_s=t) or stepped.show(Signal.STOP),
    }
    heard = set()
    for i in range(180):
        if i in asked:
            asked[i](clock.now_s)
        wait_s = stepped.step()
        assert 0 < wait_s <= BEAT_S
        output = player.at(clock.now_s)
        assert lamp_of(factory) == pytest.approx(output.lamp)
        assert pitch_of(factory) == pytest.approx(output.pitch_hz)
        heard.add(pitch_of(factory))
        clock.now_s += min(wait_s, 0.05)
    assert len(heard) > 5
    assert stepped.fault == ""


def test_waking_when_told_to_misses_no_step(factory, clock, stepped):
    stepped.show(Signal.UP)
    heard = []
    end_s = clock.now_s + 0.7
    while clock.now_s < end_s:
        wait_s = stepped.step()
        if pitch_of(factory) and (not heard or heard[-1] != pitch_of(factory)):
            heard.append(pitch_of(factory))
        clock.now_s += wait_s
    assert heard == pytest.approx([pitches(None)[rung] for rung in (1, 3, 5)])


def test_the_lamp_is_dimmed_for_the_night_and_its_pins_are_pulsed(factory, stepped):
    stepped.show(Signal.SOFT)
    stepped.brightness = 0.1
    stepped.step()
    assert lamp_of(factory) == pytest.approx(led(words.YELLOW, 0.1))
    assert [factory.pin(gpio).frequency for gpio in LAMP] == [200] * 3
    stepped.brightness = 7
    assert stepped.brightness == 1.0


def test_mute_silences_at_once_and_leaves_the_lamp(factory, clock, stepped):
    stepped.show(Signal.HOLD)
    stepped.step()
    assert pitch_of(factory) > 0
    stepped.muted = True
    stepped.step()
    assert pitch_of(factory) == 0
    assert lamp_of(factory) == pytest.approx(led((0xCC, 0x79, 0xA7), 1))
    stepped.muted = False
    stepped.step()
    assert pitch_of(factory) > 0


def test_a_meter_that_is_not_yet_on_or_shutting_down_is_no_frozen_screen(factory, clock, opened):
    both = Signals(pin_factory=factory, clock=clock, start=False, frozen_after_s=1.5)
    opened(both)
    clock.now_s += 10.0
    both.step()
    assert both._player._signal is Signal.NOTHING
    both.show(Signal.SHUTTING_DOWN)
    clock.now_s += 10.0
    both.step()
    assert both._player._signal is Signal.SHUTTING_DOWN


def test_an_owner_that_has_stopped_asking_is_a_frozen_screen_and_the_lamp_says_so(factory, clock, opened):
    both = Signals(pin_factory=factory, clock=clock, start=False, frozen_after_s=1.5)
    opened(both)
    for number in range(40):
        (both.show if number < 20 else partial(both.lead, off=-3.0))(Signal.CLEAN)
        both.step()
        clock.now_s += 0.1
    assert lamp_of(factory) == pytest.approx(led(words.SKY, 1.0), abs=0.01)
    clock.now_s += 1.0
    both.step()
    assert lamp_of(factory) == pytest.approx(led(words.SKY, 1.0), abs=0.01), "not yet"
    clock.now_s += 0.5
    both.step()
    assert lamp_of(factory) == pytest.approx(led(words.VERMILLION, 1.0), abs=0.01)
    both.show(Signal.CLEAN)
    both.step()
    assert lamp_of(factory) == pytest.approx(led(words.SKY, 1.0), abs=0.01)


@pytest.mark.parametrize("gpio", [*LAMP, SOUNDER])
def test_a_pin_that_fails_is_counted_told_and_tried_again(factory, clock, stepped, monkeypatch, gpio):
    monkeypatch.setattr(RealPin, "broken", frozenset({gpio}))
    stepped.show(Signal.HOLD)
    stepped.step()
    name = {17: "lamp, red", 27: "lamp, green", 22: "lamp, blue", 13: "sounder"}[gpio]
    expected = f"{name} (GPIO{gpio}) fails: OSError [Errno 5] Input/output error: look at its wiring"
    assert stepped.fault.startswith(expected)
    assert stepped.failures == 1
    # the others go on
    full = dict(zip(LAMP, led((0xCC, 0x79, 0xA7), 1), strict=True))
    for other in set(LAMP) - {gpio}:
        assert factory.pin(other).state == pytest.approx(full[other])
    if gpio != SOUNDER:
        assert pitch_of(factory) > 0
    stepped.step()
    assert stepped.failures == 2
    monkeypatch.setattr(RealPin, "broken", frozenset())
    stepped.step()
    assert stepped.fault == ""
    assert pitch_of(factory) > 0
    assert lamp_of(factory) == pytest.approx(led((0xCC, 0x79, 0xA7), 1))


def test_the_sounder_is_off_after_it_failed_while_sounding(factory, clock, stepped, monkeypatch):
    stepped.show(Signal.HOLD)
    stepped.step()
    monkeypatch.setattr(RealPin, "broken", frozenset({SOUNDER}))
    clock.now_s += 1.7  # into the pause
    stepped.step()
    assert pitch_of(factory) > 0
    monkeypatch.setattr(RealPin, "broken", frozenset())
    stepped.step()
    assert pitch_of(factory) == 0


def test_a_lamp_without_a_sounder_is_of_use(factory, clock, monkeypatch, opened):
    monkeypatch.setattr(RealPin, "broken", frozenset({SOUNDER, 27}))
    both = Signals(pin_factory=factory, clock=clock, start=False)
    opened(both)
    assert both.failures == 2
    assert "lamp, green (GPIO27) fails: OSError [Errno 16] Device or resource busy" in both.fault
    assert "sounder (GPIO13) fails" in both.fault
    both.show(Signal.CLEAN)
    both.step()
    assert factory.pin(22).state == pytest.approx(led(words.SKY, 1)[2])
    assert both.failures == 2
    monkeypatch.setattr(RealPin, "broken", frozenset())
    both.step()
    assert both.fault, "a part that cannot be opened is not tried at every round"
    clock.now_s += 1.001
    both.step()
    assert (both.fault, both.failures) == ("", 2)
    assert lamp_of(factory) == pytest.approx(led(words.SKY, 1.0), abs=0.01)


def test_nothing_at_all_is_an_error_with_every_fault(factory, monkeypatch):
    monkeypatch.setattr(RealPin, "broken", frozenset({*LAMP, SOUNDER}))
    with pytest.raises(PanelError) as caught:
        Signals(pin_factory=factory)
    assert len(str(caught.value).splitlines()) == 5


def test_without_pins_the_error_says_where_to_run():
    with pytest.raises(PanelError, match="run on the meter"):
        Signals()


def test_a_signal_for_the_other_call_is_refused(stepped):
    with pytest.raises(ValueError, match=r"give it to once"):
        stepped.show(Signal.KEPT)
    with pytest.raises(ValueError, match=r"give it to show"):
        stepped.once(Signal.CLEAN)


# --- the thread ---


def test_the_thread_plays_and_closing_leaves_all_off(factory, opened):
    both = Signals(pin_factory=factory)
    opened(both)
    assert both.alive
    both.show(Signal.STOP)
    assert until(lambda: pitch_of(factory) == pytest.approx(3000))
    assert until(lambda: pitch_of(factory) == pytest.approx(500))
    assert until(lambda: lamp_of(factory) == (1.0, 1.0, 1.0))
    pins = [factory.pin(gpio) for gpio in (*LAMP, SOUNDER)]
    both.close()
    both.close()
    both.show(Signal.CLEAN)
    both.restart()
    assert not both.alive
    assert [pin.state for pin in pins] == [0] * 4
    assert [pin.frequency for pin in pins] == [None] * 4
    assert both.fault == ""


def test_a_signal_is_shown_at_once_though_the_thread_waits(factory, opened):
    # Each change is asked for while the thread may be anywhere in its round; none is slept over. The clock
    # stands still, so that nothing but being asked can wake the thread before its beat.
    both = Signals(pin_factory=factory, clock=Clock())
    opened(both)
    late = 0
    for i in range(100):
        colour, signal = ((words.SKY, Signal.CLEAN), (words.YELLOW, Signal.SOFT))[i % 2]
        asked_s = time.monotonic()
        both.show(signal)
        assert until(lambda colour=colour: lamp_of(factory) == pytest.approx(led(colour, 1)))
        late += time.monotonic() - asked_s > BEAT_S / 2
    assert late <= 10  # a busy host


def test_a_thread_that_dies_is_told_silenced_and_started_again(factory, opened, monkeypatch):
    both = Signals(pin_factory=factory)
    opened(both)
    both.show(Signal.STOP)
    assert until(lambda: any(lamp_of(factory)))

    def broken(self, time_s):
        raise RuntimeError("a mistake")

    with monkeypatch.context() as patch:
        patch.setattr(signals.Player, "at", broken)
        assert until(lambda: not both.alive)
        assert until(lambda: "lamp and sounder stopped: RuntimeError a mistake: restart them" in both.fault)
        assert until(lambda: not any(lamp_of(factory)) and pitch_of(factory) == 0)
    both.restart()
    assert both.alive
    assert both.fault == ""
    assert until(lambda: any(lamp_of(factory)))
    before = both._thread
    both.restart()
    assert both._thread is before


def test_a_thread_stuck_in_a_pin_is_told_and_replaced_and_does_not_come_back(factory, clock, opened, monkeypatch):
    both = Signals(pin_factory=factory, clock=clock)
    opened(both)
    assert until(lambda: both._pitch_hz == 0)
    monkeypatch.setattr(RealPin, "blocked", frozenset({17}))
    both.show(Signal.STOP)
    assert RealPin.waiting.wait(PATIENCE_S)
    assert both.alive
    both.show(Signal.FLAT)  # does not wait for the pin
    clock.now_s += DEAD_S + 0.1
    assert not both.alive
    assert "stood still for 2 s" in both.fault
    stuck = both._thread
    monkeypatch.setattr(RealPin, "blocked", frozenset())
    both.restart()
    assert both.alive
    clock.now_s += 0.2  # FLAT's dark part
    both.show(Signal.CLEAN)
    assert until(lambda: lamp_of(factory) == pytest.approx(led(words.SKY, 1)))
    others = [factory.pin(gpio) for gpio in (27, 22, SOUNDER)]
    before = [list(pin.states) for pin in others]
    RealPin.gate.set()
    stuck.join(PATIENCE_S)
    assert not stuck.is_alive()
    assert [pin.states for pin in others] == before
    assert both.alive
    # What the old thread was stuck in came through after all; it is written over within a beat.
    assert until(lambda: lamp_of(factory) == pytest.approx(led(words.SKY, 1)))


def test_closing_returns_though_a_pin_blocks(factory, clock, monkeypatch):
    monkeypatch.setattr(signals, "JOIN_S", 0.05)
    both = Signals(pin_factory=factory, clock=clock)
    assert until(lambda: both._pitch_hz == 0)
    monkeypatch.setattr(RealPin, "blocked", frozenset({17}))
    both.show(Signal.STOP)
    assert RealPin.waiting.wait(PATIENCE_S)
    stuck = both._thread
    monkeypatch.setattr(RealPin, "blocked", frozenset())
    pins = [factory.pin(gpio) for gpio in (*LAMP, SOUNDER)]
    both.close()
    RealPin.gate.set()
    stuck.join(PATIENCE_S)
    assert not stuck.is_alive()
    assert [pin.state for pin in pins] == [0] * 4


def test_many_callers_at_once(factory, opened):
    both = Signals(pin_factory=factory)
    opened(both)

    def call(seed):
        pick = np.random.default_rng(seed)
        for _ in range(200):
            both.show([Signal.CLEAN, Signal.SOFT, Signal.FLAT][pick.integers(3)], float(pick.uniform(10, 5000)))
            both.once(Signal.KEPT)
            both.muted = bool(pick.integers(2))

    threads = [threading.Thread(target=call, args=(seed,), daemon=True) for seed in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(PATIENCE_S)
        assert not thread.is_alive()
    assert both.alive
    assert both.failures == 0
    assert both.fault == ""
