"""The cells: what the kernel shows of the gauge, and how long it takes until that is believed."""

import time

import pytest

from flattop.supply import EMPTY_V, GAUGE, LOOKS, LOW_V, OLD_S, Cells


class Clock:
    now_s = 100.0

    def __call__(self):
        return self.now_s


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def shown(tmp_path):
    """Return how to have the kernel show something, as its driver does: microvolts and a line's end."""
    path = tmp_path / GAUGE.replace("*", "battery")
    path.parent.mkdir(parents=True)

    def show(text):
        path.write_text(text)

    return show


def looked(cells, clock, times):
    for _ in range(times):
        clock.now_s += 5.0
        cells.look()


def test_the_voltage_is_that_of_the_gauge(tmp_path, clock, shown):
    cells = Cells(tmp_path, clock=clock, start=False)
    assert cells.volts is None
    # MAX17048: 78.125 uV a step (from memory); the driver drops the last four bits: 1.25 mV a step.
    shown("3741250\n")
    looked(cells, clock, 1)
    assert cells.volts == pytest.approx(3.74125)
    assert not cells.low
    assert not cells.empty


@pytest.mark.parametrize(("limit_v", "name"), [(LOW_V, "low"), (EMPTY_V, "empty")])
def test_what_stays_below_a_limit_is_believed_and_a_dip_is_not(tmp_path, clock, shown, limit_v, name):
    cells = Cells(tmp_path, clock=clock, start=False)
    below, above = f"{round(1e6 * limit_v) - 10_000}\n", f"{round(1e6 * limit_v) + 10_000}\n"
    for _ in range(3):
        shown(below)
        looked(cells, clock, LOOKS - 1)
        assert not getattr(cells, name), "a backlight that comes on"
        shown(above)
        looked(cells, clock, 1)
    shown(below)
    looked(cells, clock, LOOKS)
    assert getattr(cells, name)
    shown(above)
    looked(cells, clock, 1)
    assert not getattr(cells, name)


@pytest.mark.parametrize("text", ["0\n", "", "broken", "-121\n", "5118750\n"])
def test_what_no_cell_can_have_is_no_voltage_and_switches_nothing_off(tmp_path, clock, shown, text):
    cells = Cells(tmp_path, clock=clock, start=False)
    shown(text)
    looked(cells, clock, 10)
    assert cells.volts is None
    assert not cells.empty


def test_a_gauge_that_falls_silent_takes_its_voltage_along(tmp_path, clock, shown):
    cells = Cells(tmp_path, clock=clock, start=False)
    shown("3150000\n")
    looked(cells, clock, LOOKS)
    assert cells.empty
    clock.now_s += OLD_S
    assert cells.volts is None
    assert not cells.empty, "a meter is not switched off by a number that nobody stands for"


def test_without_a_gauge_there_is_no_voltage(tmp_path, clock):
    cells = Cells(tmp_path, clock=clock, start=False)
    looked(cells, clock, 5)
    assert (cells.volts, cells.low, cells.empty) == (None, False, False)


def test_its_thread_looks_by_itself_until_it_is_closed(tmp_path, shown):
    shown("4012500\n")
    cells = Cells(tmp_path)
    end_s = time.monotonic() + 5.0
    while cells.volts is None and time.monotonic() < end_s:
        time.sleep(0.01)
    assert cells.volts == pytest.approx(4.0125)
    cells.close()
    cells.close()
