"""The bass converter through the stock driver: its traps, its faults, its ranges, and what it says of its samples.

SBAS473 is Texas Instruments' datasheet of the ADS1013/4/5. The truth at the terminals comes from the signal's closed
form and from the nodal analysis of the simulated board's parts, not from the converter's own model of its front end.
"""

from __future__ import annotations

import datetime
import gc

import numpy as np
import pytest
from gpiozero.pins.mock import MockFactory, MockPin

from bench_meter import Bench, by_time, constant, nominal, sine
from flattop.calibration import Calibration, InputCalibration, RangeCalibration
from flattop.converters import ads1015_chip
from flattop.errors import ConverterError, ConverterMissing, ConverterSilent
from flattop.measure.level import measure
from flattop.measure.reading import Reason
from flattop.measure.verdict import Judge
from flattop.samples import Clock, Input
from flattop.simulated.ads1015 import ADDRESS
from flattop.simulated.board import silence
from flattop.simulated.bus import Stranger
from flattop.simulated.frontend import Tolerances

RANGES = (2.048, 1.024, 0.512, 0.256)
CONFIG_POINTER = 1


def fit(block, hz):
    """Return d.c. and amplitude at a known frequency by plain least squares."""
    angle = 2 * np.pi * hz * block.times_s
    columns = np.stack([np.ones_like(angle), np.cos(angle), np.sin(angle)], axis=1)
    dc, cosine, sine_ = np.linalg.lstsq(columns, block.volts, rcond=None)[0]
    return dc, np.hypot(cosine, sine_)


class Between:
    """A bus that stands between converter and board, to be changed by the tests below."""

    def __init__(self, board):
        self.board = board
        self.bus = board.i2c

    def __getattr__(self, name):
        return getattr(self.bus, name)


class HeldBus(Between):
    """A bus that somebody else takes and never gives back; asking for it takes a moment."""

    held = False

    def try_lock(self):
        if self.held:
            self.board.time.pass_until(self.board.time.now_s() + 20e-6)
            return False
        return self.bus.try_lock()


class Frozen:
    """A chip whose conversion register always holds one word; all else works."""

    def __init__(self, chip, word):
        self.chip, self.frozen, self.pointer = chip, word, 0

    def word(self, at_s):
        word = self.chip.word(at_s)
        return self.frozen if self.pointer == 0 else word

    def write(self, at_s, data):
        if data:
            self.pointer = data[0] & 3
        self.chip.write(at_s, data)


class Forgetful(Frozen):
    """A chip that acknowledges every setting but keeps the bits of one mask as they were at power-on."""

    def __init__(self, chip, mask):
        super().__init__(chip, 0)
        self.mask = mask

    def word(self, at_s):
        return self.chip.word(at_s)

    def write(self, at_s, data):
        if len(data) == 3 and data[0] & 3 == CONFIG_POINTER:
            value = (data[1] << 8 | data[2]) & ~self.mask | 0x8583 & self.mask
            data = bytes([data[0], value >> 8, value & 0xFF])
        self.chip.write(at_s, data)


# --- trap: the multiplexer in continuous mode


@pytest.mark.parametrize("wired", [True, False])
def test_each_input_gives_its_own_signal_at_start_and_after_every_change(wired):
    bench = Bench(sine(80.0, 40.0), sine(4.0, 55.0), wired=wired, input=Input.LINE, ideal=True)
    for chosen, hz, peak_v in [
        (Input.LINE, 55.0, 4.0),
        (Input.SPEAKER, 40.0, 80.0),
        (Input.LINE, 55.0, 4.0),
        (Input.SPEAKER, 40.0, 80.0),
    ]:
        bench.converter.select(chosen)
        bench.run(1.5)
        block = bench.converter.latest(0.25)
        assert (bench.converter.input, block.facts.input) == (chosen, chosen)
        assert block.quality.clock is Clock.LOCKED
        dc_v, found_v = fit(block, hz)
        assert found_v == pytest.approx(
            np.max(bench.sine_seen(np.arange(0, 1, 1e-4), peak_v, hz, input=chosen)), rel=3e-3
        )
        assert abs(dc_v) < 0.01 * peak_v
        assert len(bench.converter.latest(9.0)) < 1.5 * 3400, "samples of the other input must be forgotten"


def test_the_chips_multiplexer_stands_where_it_was_asked_to():
    for chosen, bits in [(Input.SPEAKER, 0b000), (Input.LINE, 0b011)]:  # SBAS473, Config register, MUX[2:0]
        bench = Bench(sine(80.0, 40.0), sine(4.0, 55.0), input=chosen)
        bench.run(0.6)  # on to another range as well
        assert config(bench) >> 12 & 7 == bits
        assert config(bench) & 0x0100 == 0, "continuous mode"


def config(bench):
    """Read the configuration register past the driver, and put the pointer back."""
    word = bytearray(2)
    assert bench.board.i2c.try_lock()
    bench.board.i2c.writeto_then_readfrom(ADDRESS, b"\x01", word)
    bench.board.i2c.writeto(ADDRESS, b"\x00")
    bench.board.i2c.unlock()
    return int.from_bytes(word, "big")


# --- trap: the configuration word taken for a voltage; two conversions of the old setting


def test_every_code_of_many_range_changes_is_of_the_signal_and_its_own_range():
    # The configuration words of these settings read as codes of 68 to 171: volts that look quite sane.
    loud = sine(60.0, 40.0)
    parts = [(0.0, loud)]
    for n in range(6):
        parts += [(1.0 + 1.5 * n, sine(2.0 if n % 2 else 9.0, 40.0)), (1.75 + 1.5 * n, loud)]
    signal = by_time(*parts)
    bench = Bench(signal, tolerances=nominal(oscillator=-0.1), seed=3)  # slow: old conversions last longest
    changes, before = 0, bench.converter.range_v
    while bench.time.now_s() < 8.0:
        bench.run(0.05)
        block = bench.converter.latest(0.05)
        changes += bench.converter.range_v != before
        before = bench.converter.range_v
        if block.quality.clock is Clock.LOCKED:
            low_v, high_v = (
                np.min([signal(block.times_s + lag_s) for lag_s in np.linspace(-1.2e-3, 0.3e-3, 16)], axis=0),
                np.max([signal(block.times_s + lag_s) for lag_s in np.linspace(-1.2e-3, 0.3e-3, 16)], axis=0),
            )
            assert np.all(block.volts > low_v - 0.8)
            assert np.all(block.volts < high_v + 0.8)
    assert changes >= 8


@pytest.mark.parametrize("oscillator", [-0.1, 0.0, 0.1])
def test_nothing_is_read_until_two_conversions_have_passed_since_a_change(oscillator):
    # SBAS473: the running conversion ends with the old settings; the one after it is the first with the new ones.
    seen = []

    class Watched(Between):
        def writeto(self, address, buffer, **part):
            self.bus.writeto(address, buffer, **part)
            if len(buffer) == 3 and buffer[0] == CONFIG_POINTER:
                seen.append([self.board.time.now_s(), None])

        def readfrom_into(self, address, buffer, **part):
            if seen and seen[-1][1] is None:
                seen[-1][1] = self.board.time.now_s()
            self.bus.readfrom_into(address, buffer, **part)

    signal = by_time((0.0, sine(60.0, 40.0)), (1.0, sine(3.0, 40.0)), (2.0, sine(60.0, 40.0)))
    bench = Bench(signal, ideal=True, tolerances=nominal(oscillator=oscillator), bus=Watched)
    bench.run(3.0)
    waits = [read_s - set_s for set_s, read_s in seen if read_s is not None]
    assert len(waits) >= 4
    assert min(waits) > 2.0 * bench.period_s()


# --- trap: waits without end


@pytest.mark.parametrize("wired", [True, False])
def test_a_single_shot_that_never_ends_is_given_up(wired):
    bench = Bench(wired=wired)
    bench.board.chip.stuck = True
    with pytest.raises(ConverterSilent, match=r"no answer within 0\.1 s; check"):
        bench.run(1.0)
    assert bench.time.now_s() < 0.5
    bench.board.chip.stuck = False
    assert bench.run(1.0) is True
    assert len(bench.converter.latest(0.25)) > 700


def test_a_bus_that_is_never_given_back_is_given_up_and_taken_again_later():
    bench = Bench(sine(60.0, 40.0), bus=HeldBus)
    held = bench.converter
    bus = find_bus(held)
    bus.held = True
    with pytest.raises(ConverterSilent):
        bench.run(1.0)
    assert bench.time.now_s() < 0.5
    bus.held = False
    bench.run(1.0)
    assert bench.converter.grid.locked
    bus.held = True
    start_s = bench.time.now_s()
    with pytest.raises(ConverterSilent):
        bench.run(1.0)
    assert bench.time.now_s() - start_s < 0.5
    bus.held = False
    bench.run(1.0)
    assert bench.converter.latest(0.25).quality.clock is Clock.LOCKED


def find_bus(converter):
    """The bus that was handed in, wherever the converter keeps it."""
    return next(o for o in gc.get_objects() if isinstance(o, HeldBus) and o.board.time is converter._time)


# --- codes: SBAS473, full-scale range and LSB size


@pytest.mark.parametrize("input", list(Input))
@pytest.mark.parametrize("code", [0, 1, -1, 1023, -1024, 1700, -1700])
def test_volts_are_the_code_times_the_lsb_exactly(input, code):
    # On the widest range; at the same time the zero must not sit half a code off.
    bench = Bench(ideal=True)
    lsb_v = bench.code_v(input, 2.048)
    bench = Bench(constant(code * lsb_v), constant(code * lsb_v), input=input, ideal=True, wired=True)
    bench.converter.hold_range(True)
    bench.run(0.3)
    block = bench.converter.latest(0.2)
    assert len(block) > 600
    assert block.facts.lsb_v == pytest.approx(lsb_v, rel=1e-6)
    assert block.volts == pytest.approx(code * lsb_v, rel=1e-6, abs=1e-12)


@pytest.mark.parametrize("range_v", RANGES)
@pytest.mark.parametrize("share", [0.0, 0.5, -0.5, 0.7, -0.7])
def test_volts_on_every_range_through_auto_range(range_v, share):
    bench = Bench(ideal=True)
    lsb_v = bench.code_v(Input.SPEAKER, range_v)
    code = round(share * 2048)
    # A burst of tone first takes the meter to the range asked for, just below three quarters of it.
    teaser = sine(0.72 * 2048 * lsb_v, 40.0)
    bench = Bench(by_time((0.0, teaser), (1.2, constant(code * lsb_v))), ideal=True, wired=True)
    bench.run(1.1)
    assert bench.converter.range_v == range_v
    bench.converter.hold_range(True)
    bench.run(0.5)
    block = bench.converter.latest(0.2)
    assert bench.converter.range_v == range_v
    assert block.volts == pytest.approx(code * lsb_v, rel=1e-6, abs=1e-12)
    assert block.facts.lsb_v == pytest.approx(lsb_v, rel=1e-6)


@pytest.mark.parametrize(("volts", "code"), [(400.0, 2047), (-400.0, -2048)])
def test_both_rails_of_the_widest_range(volts, code):
    # SBAS473: codes end at 7FF0h and 8000h. The isolator gives 2.5 V at most, more than the range.
    bench = Bench(constant(volts), ideal=True)
    bench.run(0.5)
    block = bench.converter.latest(0.2)
    assert block.volts == pytest.approx(code * bench.code_v(Input.SPEAKER, 2.048), rel=1e-6)
    assert block.quality.saturated > 0


# --- settings are read back


@pytest.mark.parametrize("wired", [True, False])
@pytest.mark.parametrize("rate", [3300, 2400, 1600])
@pytest.mark.parametrize("input", list(Input))
def test_settings_in_the_chip_are_the_ones_of_the_datasheet(wired, rate, input):
    bench = Bench(wired=wired, rate=rate, input=input)
    bench.converter.hold_range(True)
    bench.run(0.1)
    # SBAS473, Config register: MUX, PGA = 010 (2.048 V), MODE = 0, DR, COMP_QUE = 00 (ready) or 11 (off)
    mux = {Input.SPEAKER: 0b000, Input.LINE: 0b011}[input]
    data_rate = {1600: 0b100, 2400: 0b101, 3300: 0b110}[rate]
    queue = 0b00 if wired else 0b11
    assert config(bench) & 0x7FFF == mux << 12 | 0b010 << 9 | data_rate << 5 | queue


@pytest.mark.parametrize("mask", [0x7000, 0x0E00, 0x0100, 0x00E0, 0x0003])
def test_a_chip_that_does_not_keep_a_setting_is_refused(mask):
    bench = Bench(wired=True, input=Input.LINE)
    bench.board.i2c.attach(ADDRESS, Forgetful(bench.board.chip, mask))
    with pytest.raises(ConverterError):
        bench.run(1.0)  # on to the narrowest range: the widest is also the one at power-on
    assert bench.time.now_s() < 1.0


def test_another_chip_at_the_address():
    bench = Bench()
    bench.board.i2c.attach(ADDRESS, Stranger())
    with pytest.raises(ConverterMissing, match=r"0x48 does not keep an ADS1015's settings \(0x1980 read back, 0x"):
        bench.run(1.0)
    assert bench.time.now_s() < 0.5


def test_nothing_at_the_address():
    bench = Bench()
    bench.board.i2c.detach(ADDRESS)
    with pytest.raises(ConverterMissing, match=r"nothing answers at I2C address 0x48.*check its supply"):
        bench.run(1.0)
    assert bench.time.now_s() < 0.5
    bench.board.i2c.attach(ADDRESS, bench.board.chip)
    bench.run(0.5)
    assert len(bench.converter.latest(0.25)) > 0


def test_a_chip_that_is_swapped_for_another_is_found_at_the_next_setting():
    signal = by_time((0.0, sine(60.0, 40.0)), (2.0, sine(200.0, 40.0)))
    bench = Bench(signal)
    bench.run(1.0)
    bench.board.i2c.attach(ADDRESS, Stranger())
    with pytest.raises(ConverterError):
        bench.run(4.0)
    assert len(bench.converter.latest(1.0)) == 0, "its words must not stay as volts"
    with pytest.raises(ConverterError):
        bench.run(0.5)
    bench.board.i2c.attach(ADDRESS, bench.board.chip)
    bench.run(1.0)
    assert bench.converter.latest(0.25).quality.clock is Clock.LOCKED


# --- transactions that are not acknowledged


@pytest.mark.parametrize("wired", [True, False])
@pytest.mark.parametrize("refused", [1, 3])
def test_a_few_refused_reads_cost_no_more_than_their_samples(wired, refused):
    bench = Bench(sine(60.0, 40.0), wired=wired)
    bench.run(1.5)
    bench.board.i2c.refuse(refused)
    bench.run(0.25)
    block = bench.converter.latest(0.24)
    assert block.quality.clock is Clock.LOCKED
    assert len(block) > 0.85 * 0.24 / bench.period_s()
    late_s = bench.late_s(block, 60.0, 40.0)
    assert np.ptp(late_s) < 0.5 * bench.period_s()


def test_one_refused_transaction_at_any_place_loses_nothing():
    # Counted out over start, range changes and reads: each of the first 80 transactions refused in its turn.
    for place in range(80):

        class Once(Between):
            left = place

            def refuse_now(self):
                self.left -= 1
                if self.left == -1:
                    self.bus.refuse(1)

            def writeto(self, *given, **part):
                self.refuse_now()
                self.bus.writeto(*given, **part)

            def readfrom_into(self, *given, **part):
                self.refuse_now()
                self.bus.readfrom_into(*given, **part)

            def writeto_then_readfrom(self, *given, **part):
                self.refuse_now()
                self.bus.writeto_then_readfrom(*given, **part)

        bench = Bench(sine(60.0, 40.0), bus=Once)
        assert bench.run(0.1) is True
        assert len(bench.converter.latest(0.09)) > 100


@pytest.mark.parametrize("place", range(5))
def test_one_refused_transaction_in_a_range_change_keeps_the_lock(place):
    class Once(Between):
        left = -1  # counts the transactions since the range was written

        def counted(self, transact, *given, **part):
            self.left -= 1
            if self.left == 0:
                self.bus.refuse(1)
            transact(*given, **part)

        def readfrom_into(self, *given, **part):
            self.counted(self.bus.readfrom_into, *given, **part)

        def writeto_then_readfrom(self, *given, **part):
            self.counted(self.bus.writeto_then_readfrom, *given, **part)

        def writeto(self, address, buffer, **part):
            if len(buffer) == 3 and buffer[0] == CONFIG_POINTER and self.board.time.now_s() > 1.5 and self.left < -1:
                self.left = place + 1
            self.counted(self.bus.writeto, address, buffer, **part)

    made = []

    def wrap(board):
        made.append(Once(board))
        made[-1].left = -2
        return made[-1]

    bench = Bench(by_time((0.0, sine(60.0, 40.0)), (1.5, sine(9.0, 40.0))), wired=True, bus=wrap)
    bench.run(2.5)
    assert made[0].left < 0, "the range was never changed"
    assert bench.converter.range_v < 1.0
    assert bench.converter.latest(0.25).quality.clock is Clock.LOCKED
    assert len(bench.converter.latest(2.0)) > 5000, "nothing that was read before is lost"


@pytest.mark.parametrize("wired", [True, False])
def test_a_bus_that_stays_dead_is_silent_soon_and_comes_back_by_itself(wired):
    bench = Bench(sine(60.0, 40.0), wired=wired)
    bench.run(1.5)
    bench.board.i2c.refuse()
    for _ in range(3):
        start_s = bench.time.now_s()
        with pytest.raises(ConverterError, match="check its supply"):
            bench.run(2.0)
        assert bench.time.now_s() - start_s < 0.5
        assert len(bench.converter.latest(2.0)) == 0, "what was before is not now"
    bench.board.i2c.refuse(0)
    bench.run(1.0)
    block = bench.converter.latest(0.25)
    assert block.quality.clock is Clock.LOCKED
    assert np.ptp(bench.late_s(block, 60.0, 40.0)) < 0.5 * bench.period_s()


def test_a_chip_that_lost_its_supply_is_set_up_again():
    bench = Bench(sine(60.0, 40.0), wired=True, input=Input.SPEAKER)
    bench.run(1.5)
    bench.board.i2c.refuse()
    with pytest.raises(ConverterSilent):
        bench.run(1.0)
    for register, value in ((1, 0x8583), (2, 0x8000), (3, 0x7FFF)):  # SBAS473, reset values
        bench.board.chip.write(bench.time.now_s(), bytes([register, value >> 8, value & 0xFF]))
    bench.board.i2c.refuse(0)
    bench.run(1.5)
    assert bench.converter.latest(0.25).quality.clock is Clock.LOCKED
    assert config(bench) & 0x0103 == 0, "continuous, and ready pulses on"


# --- a register that stands still, and an input that is merely quiet


@pytest.mark.parametrize("wired", [True, False])
@pytest.mark.parametrize("signal", [sine(60.0, 40.0), silence])
def test_an_oscillator_that_stops_is_silent_within_three_seconds(wired, signal):
    bench = Bench(signal, wired=wired)
    bench.run(1.5)
    bench.board.chip.stuck = True
    start_s = bench.time.now_s()
    with pytest.raises(ConverterSilent):
        bench.run(10.0)
    assert bench.time.now_s() - start_s < 3.0
    assert len(bench.converter.latest(1.0)) == 0
    bench.board.chip.stuck = False
    bench.run(1.5)
    assert bench.converter.latest(0.25).quality.clock is Clock.LOCKED or signal is silence


@pytest.mark.parametrize("wired", [True, False])
@pytest.mark.parametrize("word", [0x0000, 0x1980, 0xFFF0])
def test_a_conversion_register_that_never_changes_is_silent_within_three_seconds(wired, word):
    bench = Bench(sine(60.0, 40.0), wired=wired)
    bench.run(1.0)
    bench.board.i2c.attach(ADDRESS, Frozen(bench.board.chip, word))
    start_s = bench.time.now_s()
    with pytest.raises(ConverterSilent, match="stands at"):
        bench.run(10.0)
    assert bench.time.now_s() - start_s < 3.0


@pytest.mark.parametrize("wired", [True, False])
@pytest.mark.parametrize("input", list(Input))
@pytest.mark.parametrize("volts", [0.0, 0.4])
def test_a_quiet_input_with_one_code_only_is_not_called_stuck(wired, input, volts):
    tone = sine(30.0 if input is Input.SPEAKER else 3.0, 40.0)
    signal = by_time((0.0, constant(volts)), (7.0, tone))
    bench = Bench(signal, signal, wired=wired, input=input, ideal=True)
    while bench.time.now_s() < 6.8:
        bench.run(0.1)
        block = bench.converter.latest(0.25)
        assert len(block) > 0
        assert block.volts == pytest.approx(volts, abs=0.6 * bench.code_v(input, 2.048)), (
            "the look at another pin must not show"
        )
    bench.run(1.5)
    block = bench.converter.latest(0.25)
    assert block.quality.clock is Clock.LOCKED
    assert fit(block, 40.0)[1] == pytest.approx(tone(np.array([(0.25 - 0.3 / 2 / np.pi) / 40]))[0], rel=3e-3)


# --- ranges


def test_a_rising_level_widens_the_range_before_it_hurts():
    # 1 to 150 V peak in 2 s, over all four ranges
    def signal(times_s):
        return np.interp(times_s, [1.5, 3.5], [1.0, 150.0]) * np.sin(2 * np.pi * 40 * times_s)

    bench = Bench(signal, ideal=True)
    bench.run(1.4)
    seen = [bench.converter.range_v]
    assert seen == [0.256]
    while bench.time.now_s() < 4.0:
        bench.run(0.025)
        if bench.converter.range_v != seen[-1]:
            seen.append(bench.converter.range_v)
        block = bench.converter.latest(0.1)
        assert np.max(np.abs(block.volts)) < 1.02 * np.max(np.abs(signal(block.times_s)) + 0.5)
        assert block.quality.saturated == 0
    assert seen == sorted(seen)
    assert seen[-1] == 2.048


def test_a_sudden_level_is_found_within_two_bursts_and_its_overflow_is_not_kept():
    signal = by_time((0.0, sine(2.0, 40.0)), (1.5, sine(150.0, 40.0)))
    bench = Bench(signal, ideal=True)
    bench.run(1.5)
    assert bench.converter.range_v == 0.256
    bench.run(0.05)
    assert bench.converter.range_v == 2.048
    bench.run(0.05)
    block = bench.converter.latest(0.1)
    for rail in (2047, -2048):
        kept = np.abs(block.volts / bench.code_v(Input.SPEAKER, 0.256) - rail) < 1e-3
        assert np.count_nonzero(kept) == 0, "codes at the rail of the narrow range are no levels"
    assert block.quality.saturated == 0
    assert np.max(block.volts) > 100.0


@pytest.mark.parametrize("sign", [1, -1])
def test_an_overload_of_either_sign_ends_the_burst_at_once(sign):
    # One-sided: the range must be widened within a few reads of the first rail code, whichever rail it is.
    widened_s = []

    class Watched(Between):
        def writeto(self, address, buffer, **part):
            self.bus.writeto(address, buffer, **part)
            if len(buffer) == 3 and buffer[0] == CONFIG_POINTER:
                widened_s.append(self.board.time.now_s())

    quiet, loud = sine(2.0, 20.0), constant(sign * 100.0)
    bench = Bench(by_time((0.0, quiet), (1.495, loud)), ideal=True, bus=Watched)
    bench.converter.collect(1.49)
    assert bench.converter.range_v == 0.256
    widened_s.clear()
    bench.converter.collect(1.7)
    assert bench.converter.range_v == 2.048
    assert 1.495 < widened_s[0] < 1.495 + 4e-3


def test_narrowing_waits_and_a_level_between_two_limits_moves_nothing():
    lsb_v = Bench(ideal=True).code_v(Input.SPEAKER, 2.048)
    for share in (0.80, 0.93):  # of +-1.024 V: too high to go down to it, low enough to stay once there
        peak_v = share * 1024 * lsb_v
        bench = Bench(sine(peak_v, 40.0), ideal=True)
        bench.run(2.0)
        assert bench.converter.range_v == 2.048
        bench = Bench(by_time((0.0, sine(0.6 * 1024 * lsb_v, 40.0)), (1.5, sine(peak_v, 40.0))), ideal=True)
        bench.run(1.4)
        assert bench.converter.range_v == 1.024
        bench.run(2.0)
        assert bench.converter.range_v == 1.024
    # Beats between loud and quiet, 0.25 s each: one change, to where the loud part fits, and no more.
    beats = lambda times_s: np.where(times_s % 0.5 < 0.25, 90.0, 1.0) * np.sin(2 * np.pi * 40 * times_s)  # noqa: E731
    bench = Bench(beats, ideal=True)
    changes, before = 0, bench.converter.range_v
    for _ in range(100):
        bench.run(0.025)
        changes += bench.converter.range_v != before
        before = bench.converter.range_v
    assert (changes, before) == (1, 1.024)


def test_a_held_range_is_not_narrowed_and_only_an_overload_widens_it():
    signal = by_time((0.0, sine(60.0, 40.0)), (1.0, sine(2.0, 40.0)), (3.0, sine(60.0, 40.0)))
    bench = Bench(signal, ideal=True)
    bench.run(0.8)
    before = bench.converter.range_v
    bench.converter.hold_range(True)
    bench.run(2.0)
    assert bench.converter.range_v == before
    bench.converter.hold_range(False)
    bench.run(0.15)
    assert bench.converter.range_v == 0.256
    bench.converter.hold_range(True)
    bench.run(0.5)
    assert bench.converter.range_v == 2.048


def test_levels_agree_across_ranges_on_a_board_of_nominal_parts():
    # The converter's input loads the source by 0.18 to 1.2 %, by range (SBAS473): taken out, range by range.
    found = {}
    lsb_v = {r: Bench(ideal=True).code_v(Input.SPEAKER, r) for r in RANGES}
    level_v = 0.7 * 2048 * lsb_v[0.256]
    for range_v in RANGES:
        teaser = sine(0.7 * 2048 * lsb_v[range_v], 40.0)
        bench = Bench(by_time((0.0, teaser), (1.2, sine(level_v, 40.0))), ideal=True)
        bench.run(1.15)
        bench.converter.hold_range(True)
        bench.run(1.0)
        assert bench.converter.range_v == range_v
        found[range_v] = fit(bench.converter.latest(0.5), 40.0)[1]
        truth_v = np.max(bench.sine_seen(np.arange(0, 0.1, 1e-5), level_v, 40.0))
        assert found[range_v] == pytest.approx(truth_v, rel=2e-3 if range_v == 2.048 else 5e-4)


def calibration(gains, offsets, *, pole_scale=1.0, inputs=tuple(Input)):
    ranges = {r: RangeCalibration(g, o) for r, g, o in zip(RANGES, gains, offsets, strict=True)}
    return Calibration(
        "T-1", datetime.date(2026, 1, 1), "none", 0.02, {i: InputCalibration(ranges, pole_scale) for i in inputs}
    )


@pytest.mark.parametrize("range_v", RANGES)
def test_a_calibration_is_applied_range_by_range_and_input_by_input(range_v):
    # volts = gain * (indicated - offset), as the calibration file defines it
    gains, offsets = (1.01, 0.99, 1.02, 0.98), (0.5, -0.3, 0.2, -0.1)
    lsb_v = Bench(ideal=True).code_v(Input.SPEAKER, range_v)
    signal = by_time((0.0, sine(0.7 * 2048 * lsb_v, 40.0)), (1.2, constant(400 * lsb_v)))
    both = calibration(gains, offsets)
    place = RANGES.index(range_v)
    for given, want in [
        (both, gains[place] * (400 * lsb_v - offsets[place])),
        (calibration(gains, offsets, inputs=[Input.LINE]), 400 * lsb_v),
        (None, 400 * lsb_v),
    ]:
        bench = Bench(signal, ideal=True, calibration=given)
        bench.run(1.1)
        bench.converter.hold_range(True)
        bench.run(0.5)
        assert bench.converter.range_v == range_v
        block = bench.converter.latest(0.2)
        assert block.volts == pytest.approx(want, rel=1e-6)
        assert block.facts.calibrated is (given is both)
    assert Bench(calibration=both).converter.latest(1.0).facts.gain_u < Bench().converter.latest(1.0).facts.gain_u


def test_pole_scale_of_the_calibration_bends_the_response():
    hz = np.array([200.0])
    plain = abs(Bench().converter.latest(1.0).facts.response(hz)[0])
    scaled = Bench(calibration=calibration((1,) * 4, (0,) * 4, pole_scale=1.05)).converter.latest(1.0)
    assert abs(scaled.facts.response(hz)[0]) < plain
    # By the front end's own figures 5 % of capacitance are 0.5 % of level at 200 Hz.
    assert abs(scaled.facts.response(hz)[0]) / plain == pytest.approx(1 - 0.005, abs=1e-3)


def test_saturation_on_the_widest_range_is_counted_and_called_too_high():
    bench = Bench(sine(330.0, 40.0), wired=True)
    bench.run(1.5)
    block = bench.converter.latest(0.25)
    assert block.quality.saturated > 50
    reading = Judge().update(measure(block))
    assert (reading.verdict, reading.reason) == ("unknown", Reason.TOO_HIGH)
    assert reading.hazard is True


# --- what is said of the samples


@pytest.mark.parametrize("wired", [True, False])
def test_quality_counts_add_up(wired):
    bench = Bench(sine(60.0, 40.0), wired=wired, seed=2)
    bench.run(3.0)
    block = bench.converter.latest(1.0)
    quality = block.quality
    assert quality.rate_hz == pytest.approx(1 / bench.period_s(), rel=20e-6)
    conversions = round(block.duration_s * quality.rate_hz) + 1
    assert len(block) + quality.missed == conversions
    assert quality.missed < 0.25 * conversions
    assert quality.repeated > 0 or wired
    assert quality.saturated == 0
    assert 0 < quality.timing_rms_s < 0.2 * bench.period_s()


def test_figures_agree_with_the_truth_at_the_terminals_through_driver_and_grid():
    for wired in (True, False):
        for hz in (20.0, 80.0, 200.0):
            bench = Bench(sine(60.0, hz), wired=wired, tolerances=nominal(oscillator=0.07))
            bench.run(3.0)
            block = measure(bench.converter.latest(0.5))
            assert block.rms_v == pytest.approx(60.0 / np.sqrt(2), rel=1e-3)
            assert block.line_hz == pytest.approx(hz, abs=2e-3)


def test_a_look_at_another_rate_mixes_no_old_samples_with_new_ones():
    # The chip's grid has a new phase afterwards: what was read before must not be put onto it.
    for wired in (True, False):
        bench = Bench(sine(60.0, 150.0), wired=wired, seed=4)
        bench.run(2.0)
        assert bench.converter.confirm(150.0) is True
        for _ in range(20):
            bench.run(0.05)
            block = bench.converter.latest(0.25)
            if block.quality.clock is Clock.LOCKED and len(block) > 50:
                late_s = bench.late_s(block, 60.0, 150.0)
                assert np.ptp(late_s) < 0.6 * bench.period_s()
        assert block.quality.clock is Clock.LOCKED


def test_a_tone_above_the_band_is_not_confirmed():
    for hz in (40.0, 90.0):
        bench = Bench(sine(60.0, hz), tolerances=nominal())
        bench.run(1.5)
        assert bench.converter.confirm(hz) is True
        image = Bench(sine(150.0, 3300.0 + hz), tolerances=nominal())
        image.run(1.5)
        assert image.converter.confirm(hz) is False


# --- the ready line


def test_the_pin_is_pulled_up_and_hears_falling_edges_until_it_is_closed():
    # gpiozero closes a device when the last reference to it goes; its pin on a Pi then loses the pull (LGPIOPin.close).
    class PiPin(MockPin):
        def close(self):
            super().close()
            self._pull = "floating"

    factory = MockFactory(pin_class=PiPin)
    try:
        alert = ads1015_chip.Alert(17, factory)
        gc.collect()
        pin = factory.pin(17)
        assert (pin.pull, pin.edges, pin.function) == ("up", "falling", "input")
        heard = []
        alert.listen(heard.append)
        pin.drive_low()
        pin.drive_high()
        pin.drive_low()
        assert len(heard) == 2
        alert.close()
        alert.close()
        pin.drive_high()
        pin.drive_low()
        assert len(heard) == 2
        assert pin.pull == "floating"
    finally:
        factory.reset()


def test_opening_the_bus_on_a_machine_without_one_is_an_error_in_words():
    with pytest.raises(ConverterMissing, match="run on the meter"):
        ads1015_chip.open_bus()


def test_drawn_boards_are_measured_within_their_stated_uncertainty_without_calibration():
    for seed in range(6):
        bench = Bench(sine(60.0, 40.0), seed=seed, tolerances=Tolerances.draw(np.random.default_rng(seed)))
        bench.run(2.0)
        block = measure(bench.converter.latest(0.25))
        assert abs(block.rms_v - 60.0 / np.sqrt(2)) < block.rms_u_v
