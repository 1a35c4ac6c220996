"""The converter's clock as it is recovered: found cold, followed for long, lost when it must be, and never slipped.

The truth is the simulated chip's own oscillator and the closed form of the signal at the times that are claimed.
"""

from __future__ import annotations

import numpy as np
import pytest

from bench_meter import Bench, by_time, constant, nominal, sine
from flattop.converters.grid import COAST_S, Events, Grid, brackets
from flattop.measure.level import measure
from flattop.measure.reading import Reason, Verdict
from flattop.measure.verdict import Judge
from flattop.samples import Clock, Input

NOMINAL_S = 1 / 3300
HUNDRED_LSB_V = 100 * 0.137  # peak on the widest range
OSCILLATORS = (-0.1, -0.063, -0.01, 0.0, 0.037, 0.1)
"""SBAS473 allows the data rate 10 % either way."""


def locked(bench):
    return bench.converter.latest(0.25).quality.clock is Clock.LOCKED


def assert_no_slip(bench, duration_s, peak_v, hz, *, step_s=0.2, input=Input.SPEAKER):
    """Follow for a while; every sample claimed on a locked grid holds what the signal was at its time.

    The host knows the moment of the latch to some tens of microseconds only: that much is one common shift.
    """
    blocks, period_s = 0, bench.period_s()
    end_s = bench.time.now_s() + duration_s
    while bench.time.now_s() < end_s:
        bench.run(step_s)
        block = bench.converter.latest(step_s)
        if block.quality.clock is Clock.LOCKED:
            blocks += 1
            late_s = bench.late_s(block, peak_v, hz, input=input)
            assert abs(np.median(late_s)) < 60e-6
            assert np.max(np.abs(late_s - np.median(late_s))) < 0.4 * period_s
    return blocks


# --- through the whole converter, cold


@pytest.mark.parametrize("wired", [True, False])
@pytest.mark.parametrize("oscillator", OSCILLATORS)
def test_locks_within_a_second_of_a_tone_of_a_hundred_codes(wired, oscillator):
    for seed, hz in ((1, 20.0), (2, 40.0), (3, 80.0)):
        bench = Bench(sine(HUNDRED_LSB_V, hz), wired=wired, tolerances=nominal(oscillator=oscillator), seed=seed)
        bench.converter.hold_range(True)
        bench.run(1.0)
        assert bench.converter.range_v == 2.048
        assert locked(bench)
        assert bench.converter.grid.period_s == pytest.approx(bench.period_s(), rel=100e-6)


@pytest.mark.parametrize("oscillator", OSCILLATORS)
def test_period_is_right_within_one_ppm_after_ten_seconds_without_the_ready_line(oscillator):
    bench = Bench(sine(60.0, 40.0), tolerances=nominal(oscillator=oscillator), seed=5)
    bench.run(10.0)
    assert bench.converter.grid.period_s == pytest.approx(bench.period_s(), rel=1e-6)


@pytest.mark.parametrize("oscillator", [-0.1, 0.02, 0.1])
def test_period_is_right_within_one_ppm_after_ten_seconds_with_the_ready_line(oscillator):
    bench = Bench(sine(60.0, 40.0), wired=True, tolerances=nominal(oscillator=oscillator), seed=5)
    bench.run(10.0)
    assert bench.converter.grid.period_s == pytest.approx(bench.period_s(), rel=1e-6)


@pytest.mark.parametrize("wired", [True, False])
@pytest.mark.parametrize("seed", [1, 2])
def test_no_slip_in_a_long_run_with_gaps_of_the_host(wired, seed):
    # A drawn board: its oscillator wanders by some ppm; the host pauses for 1 to 5 ms, three times a second.
    bench = Bench(sine(60.0, 150.0), wired=wired, seed=seed)
    bench.run(0.8)
    assert assert_no_slip(bench, 16.0, 60.0, 150.0) >= 75
    assert bench.board.front_end.tolerances.drift > 1e-6


@pytest.mark.parametrize("wired", [True, False])
def test_no_slip_on_a_host_that_pauses_fifty_times_a_second(wired):
    bench = Bench(sine(60.0, 150.0), wired=wired, seed=3)
    bench.board.i2c._gaps_hz = 50.0
    bench.board.i2c._gap_s = 0.0
    bench.run(1.0)
    assert assert_no_slip(bench, 5.0, 60.0, 150.0) >= 20


@pytest.mark.parametrize("wired", [True, False])
def test_kept_through_range_changes(wired):
    levels = [60.0, 4.0, 60.0, 10.0, 60.0, 6.0]
    signal = by_time(*((1.0 * n, sine(v, 150.0)) for n, v in enumerate(levels)))
    bench = Bench(signal, wired=wired, seed=6)
    bench.run(1.0)
    ranges = set()
    for n, peak_v in enumerate(levels[1:], start=1):
        for step in range(20):
            bench.run(0.05)
            assert bench.converter.grid.locked, "a range change is no reason to lose the clock"
            ranges.add(bench.converter.range_v)
            if 6 <= step < 18:
                block = bench.converter.latest(0.2 if bench.time.now_s() > n + 0.25 else 0.02)
                late_s = bench.late_s(block, peak_v, 150.0)
                assert np.max(np.abs(late_s - np.median(late_s))) < 0.4 * bench.period_s()
    assert len(ranges) >= 3


@pytest.mark.parametrize("wired", [True, False])
def test_found_again_within_a_second_of_an_input_change(wired):
    bench = Bench(sine(60.0, 40.0), sine(5.0, 150.0), wired=wired, seed=7)
    bench.run(1.5)
    for chosen, peak_v, hz in ((Input.LINE, 5.0, 150.0), (Input.SPEAKER, 60.0, 40.0), (Input.LINE, 5.0, 150.0)):
        bench.converter.select(chosen)
        bench.run(0.004)
        assert not locked(bench)
        bench.run(1.0)
        assert locked(bench)
        assert assert_no_slip(bench, 0.6, peak_v, hz, input=chosen) == 3


@pytest.mark.parametrize("wired", [True, False])
@pytest.mark.parametrize("jump", [0.01, -0.03])
def test_left_when_the_oscillator_jumps_and_found_again_without_old_samples(wired, jump):
    # No oscillator does; a chip that restarts does. Nothing read before may be put onto the grid that is found then.
    bench = Bench(sine(60.0, 150.0), wired=wired, tolerances=nominal(oscillator=0.02), seed=8)
    bench.run(2.0)
    assert locked(bench)
    bench.board.chip._tolerances = bench.board.front_end.tolerances = nominal(oscillator=0.02 + jump)
    jumped_s, found_s = bench.time.now_s(), np.inf
    while bench.time.now_s() < jumped_s + 2.0:
        bench.run(0.025)
        right = abs(bench.converter.grid.period_s / bench.period_s() - 1.0) < 200e-6
        block = bench.converter.latest(0.25)
        if right and block.quality.clock is Clock.LOCKED and len(block) > 30:
            found_s = min(found_s, bench.time.now_s())
            late_s = bench.late_s(block, 60.0, 150.0)
            assert np.max(np.abs(late_s - np.median(late_s))) < 0.4 * bench.period_s()
    assert found_s < jumped_s + 1.0
    assert bench.converter.grid.period_s == pytest.approx(bench.period_s(), rel=50e-6)


# --- the ready line's edges


class Edges:
    """Stands between the chip and the pin: loses, doubles, moves or stops edges."""

    def __init__(self, bench):
        self.pin = bench.board.chip._alert
        bench.board.chip._alert = self
        self.keep, self.twice, self.extra, self.off_s = 1.0, 0.0, 0.0, 0.0
        self.rng = np.random.default_rng(1)

    def dip(self, at_s):
        return False  # every edge by itself, please

    def drive(self, level, at_s):
        if self.rng.random() > self.keep:
            return
        self.pin.drive(level, at_s + self.off_s)
        if not level and self.rng.random() < self.twice:
            self.pin.drive(True, at_s + 1e-6 + self.off_s)
            self.pin.drive(False, at_s + 2e-6 + self.off_s)
        if not level and self.rng.random() < self.extra:
            odd_s = at_s - self.rng.uniform(0, 250e-6)
            self.pin.drive(True, odd_s)
            self.pin.drive(False, odd_s)


def edge_bench(**edges):
    bench = Bench(sine(60.0, 150.0), wired=True, seed=9)
    between = Edges(bench)
    for name, value in edges.items():
        setattr(between, name, value)
    return bench, between


@pytest.mark.parametrize(
    "edges",
    [
        {"keep": 0.5},
        {"keep": 0.1},
        {"twice": 0.5},
        {"keep": 0.7, "twice": 0.3},
        {"extra": 0.02},  # glitches on a long lead
        {"off_s": 86_400.0},  # stamps of another clock
        {"off_s": -1.6e9},  # seconds since 1970 against seconds since the start
        {"keep": 0.0},
    ],
    ids=str,
)
def test_edges_lost_doubled_or_of_another_clock(edges):
    bench, _ = edge_bench(**edges)
    bench.run(1.5)
    assert locked(bench)
    assert assert_no_slip(bench, 3.0, 60.0, 150.0) == 15


def test_edges_that_stop_midway_and_come_back():
    bench, between = edge_bench()
    bench.run(2.0)
    assert locked(bench)
    between.keep = 0.0
    for _ in range(60):
        bench.run(0.1)
        assert bench.converter.grid.locked, "the reads alone must do"
    assert assert_no_slip(bench, 2.0, 60.0, 150.0) == 10
    between.keep = 1.0
    assert assert_no_slip(bench, 2.0, 60.0, 150.0) == 10


def test_a_ready_line_that_only_picks_up_noise_does_not_keep_the_clock_from_being_found():
    bench, _ = edge_bench(keep=0.0)
    rng = np.random.default_rng(2)
    pin = bench.board.chip._alert.pin
    for _ in range(100):
        bench.run(0.02)
        for at_s in np.sort(rng.uniform(bench.time.now_s() - 0.02, bench.time.now_s(), 3)):
            pin.drive(True, at_s)
            pin.drive(False, at_s)
    assert locked(bench)


# --- while learning


def test_without_a_signal_it_learns_and_says_so():
    bench = Bench(constant(0.1), ideal=True)
    bench.run(2.0)
    block = bench.converter.latest(0.25)
    assert (block.quality.clock, bench.converter.grid.locked) == (Clock.LEARNING, False)
    assert np.isnan(block.quality.rate_hz)


@pytest.mark.parametrize("wired", [True, False])
def test_a_lock_is_kept_through_a_pause_of_the_tone(wired):
    tone = sine(60.0, 150.0)
    bench = Bench(by_time((0.0, tone), (2.0, constant(0.05)), (5.0, tone)), wired=wired, seed=4)
    bench.run(1.9)
    assert locked(bench)
    bench.run(3.4)
    assert locked(bench)
    assert assert_no_slip(bench, 0.6, 60.0, 150.0) == 3


def test_a_lock_is_given_up_when_nothing_was_seen_of_the_clock_for_long():
    bench = Bench(sine(60.0, 40.0), ideal=True)
    bench.run(1.9)
    grid, seen_s = bench.converter.grid, bench.time.now_s()
    nothing = Events(np.empty(0), np.empty(0))
    grid.follow(nothing, seen_s + COAST_S - 0.1)
    assert grid.locked
    grid.follow(nothing, seen_s + COAST_S + 0.1)
    assert not grid.locked, "nobody knows by now where the oscillator has got to"


def test_one_code_and_no_other_may_be_a_chip_that_stands_still_and_costs_the_phase_but_not_the_period():
    bench = Bench(by_time((0.0, sine(60.0, 40.0)), (2.0, constant(0.05)), (4.0, sine(60.0, 40.0))), ideal=True)
    bench.run(1.9)
    assert locked(bench)
    bench.run(1.5)
    assert not bench.converter.grid.locked
    assert bench.converter.grid.period_known
    bench.run(0.7)
    assert locked(bench), "with the period known the phase is found again at once"


def test_no_soft_is_called_while_learning_and_the_reading_says_learning():
    # Read times alone show tops that are not there; a hard clip of 0.9 % THD is plainly soft once the clock is known.
    clipped = lambda times_s: np.clip(sine(60.0, 40.0)(times_s), -58.6, 58.6)  # noqa: E731
    for seed in range(3):
        bench = Bench(clipped, seed=seed)
        judge, learning, soft = Judge(), 0, 0
        while bench.time.now_s() < 2.0:
            bench.run(0.02)
            reading = judge.update(measure(bench.converter.latest(0.25)))
            if reading.quality.clock is Clock.LEARNING:
                learning += 1
                assert reading.verdict is Verdict.UNKNOWN
                assert reading.reason in {Reason.CLOCK_LEARNING, Reason.TOO_SHORT}
                assert reading.hazard is True
            else:
                soft += reading.verdict is Verdict.SOFT
        assert learning >= 1
        assert soft >= 10


# --- Grid by itself


def reads(period_s, *, duration_s, from_s=3.0, origin_s=0.1234, rng=None):
    """Reads at scattered times of a converter whose every conversion differs from the one before."""
    rng = rng or np.random.default_rng(3)
    times_s = from_s + np.cumsum(rng.uniform(80e-6, 220e-6, round(duration_s / 150e-6)))
    codes = np.floor((times_s - origin_s) / period_s).astype(np.int64)
    return times_s, codes


def test_brackets_hold_the_completions_and_wide_gaps_tell_nothing():
    period_s, origin_s = 310e-6, 0.1234
    times_s, codes = reads(period_s, duration_s=0.2)
    times_s[200:] += 5e-3
    codes = np.floor((times_s - origin_s) / period_s).astype(np.int64)
    events = brackets(times_s, codes, nominal_s=NOMINAL_S)
    assert len(events) > 300
    assert np.all(np.floor((events.high_s - origin_s) / period_s) > np.floor((events.low_s - origin_s) / period_s))
    assert np.all(events.high_s - events.low_s < NOMINAL_S)
    assert len(brackets(times_s, np.zeros_like(codes), nominal_s=NOMINAL_S)) == 0


@pytest.mark.parametrize("off", [-0.1, -0.04, 0.0, 0.06, 0.1])
def test_finds_period_and_phase_far_from_the_origin_of_the_clock(off):
    # A host that has been up for a year: 3e7 s, where a double still resolves 4 ns.
    for from_s in (3.0, 3.15e7):
        period_s, origin_s = NOMINAL_S * (1 + off), from_s - 1.0
        grid = Grid(NOMINAL_S)
        rng = np.random.default_rng(4)
        for start_s in np.arange(0.0, 2.0, 0.025):
            times_s, codes = reads(period_s, duration_s=0.025, from_s=from_s + start_s, origin_s=origin_s, rng=rng)
            grid.follow(brackets(times_s, codes, nominal_s=NOMINAL_S), float(times_s[-1]))
        assert grid.locked
        assert grid.period_s == pytest.approx(period_s, rel=5e-6)
        index = np.floor(grid.index(times_s)).astype(np.int64)
        assert np.ptp(index - codes) == 0 or np.mean(index - codes == np.median(index - codes)) > 0.95
        truth_s = origin_s + period_s * np.round((grid.times(index) - origin_s) / period_s)
        assert np.max(np.abs(grid.times(index) - truth_s)) < 15e-6
        assert abs((grid.next_middle(float(times_s[-1])) - origin_s) / period_s % 1.0 - 0.5) < 0.05


def test_a_rate_outside_the_datasheets_tolerance_is_not_accepted():
    for off in (-0.2, 0.25):
        period_s = NOMINAL_S * (1 + off)
        grid = Grid(NOMINAL_S)
        for start_s in np.arange(0.0, 1.0, 0.025):
            times_s, codes = reads(period_s, duration_s=0.025, from_s=3.0 + start_s)
            grid.follow(brackets(times_s, codes, nominal_s=NOMINAL_S), float(times_s[-1]))
        assert not grid.locked


def test_events_at_random_are_no_clock():
    for seed in range(3):
        rng = np.random.default_rng(seed)
        grid = Grid(NOMINAL_S)
        for start_s in np.arange(3.0, 4.5, 0.05):
            when_s = np.sort(rng.uniform(start_s, start_s + 0.05, 80))
            grid.follow(Events(when_s, when_s), start_s + 0.05)
            wide = Events(when_s - 80e-6, when_s + 80e-6)
            grid.follow(wide, start_s + 0.05)
            assert not grid.locked


def test_restart_forgets_the_phase_and_is_quick_to_find_it_again():
    grid = Grid(NOMINAL_S)
    period_s = 1.037 * NOMINAL_S
    when_s = 3.0 + period_s * np.arange(400)
    for part in np.split(when_s, 10):
        grid.follow(Events(part, part), float(part[-1]))
    assert (grid.locked, grid.period_known) == (True, True)
    grid.restart()
    assert grid.locked is False
    again_s = 9.00011 + period_s * np.arange(100)
    grid.follow(Events(again_s, again_s), float(again_s[-1]))
    assert grid.locked
    assert np.max(np.abs(grid.times(np.round(grid.index(again_s)).astype(np.int64)) - again_s)) < 1e-6


def test_scatter_about_the_grid_is_reported():
    rng = np.random.default_rng(5)
    grid = Grid(NOMINAL_S)
    for start in range(60):
        when_s = 3.0 + NOMINAL_S * (np.arange(80) + 80 * start) + rng.normal(0.0, 5e-6, 80)
        grid.follow(Events(when_s, when_s), float(when_s[-1]))
    assert grid.timing_rms_s == pytest.approx(5e-6, rel=0.2)
