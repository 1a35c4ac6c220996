"""The simulated board against the ADS1015's datasheet, closed forms, and the driver's known traps.

SBAS473 is Texas Instruments' datasheet of the ADS1013/4/5, revision E or later. Figures of the front end
marked "ngspice" come from this design's own circuit simulation, not from the code under test.
"""

import time as host_time

import numpy as np
import pytest
from adafruit_ads1x15.ads1x15 import Mode
from adafruit_ads1x15.ads1015 import ADS1015

from flattop.samples import Input
from flattop.simulated.ads1015 import ADDRESS
from flattop.simulated.board import ALERT_GPIO, SimulatedBoard
from flattop.simulated.bus import Stranger
from flattop.simulated.frontend import DENSE_HZ, FrontEnd, Tolerances
from flattop.simulated.vehicle import Hands, Van, limited

FULL_SCALE_V = (6.144, 4.096, 2.048, 1.024, 0.512, 0.256)  # SBAS473, PGA bits 000 to 101
LOAD_OHM = (22e6, 15e6, 4.9e6, 2.4e6, 0.71e6, 0.71e6)  # SBAS473, electrical characteristics
MID_RAIL_V = 1.44
CONVERSION, CONFIG, LO_THRESH, HI_THRESH = range(4)
OS, SINGLE, READY_OFF = 0x8000, 0x0100, 0x0003


def constant(volts):
    return lambda times_s: np.full_like(times_s, volts)


def sine(peak_v, hz, phase=0.3):
    return lambda times_s: peak_v * np.sin(2 * np.pi * hz * times_s + phase)


def ideal_board(**options):
    options = {"seed": 1, "tolerances": Tolerances.none(), "noise": False, "steady": True} | options
    return SimulatedBoard(**options)


def write(board, *data):
    assert board.i2c.try_lock()
    try:
        board.i2c.writeto(ADDRESS, bytes(data))
    finally:
        board.i2c.unlock()


def write_register(board, register, value):
    write(board, register, value >> 8, value & 0xFF)


def read(board, count=2):
    buffer = bytearray(count)
    assert board.i2c.try_lock()
    try:
        board.i2c.readfrom_into(ADDRESS, buffer)
    finally:
        board.i2c.unlock()
    return bytes(buffer)


def read_register(board, register):
    write(board, register)
    return int.from_bytes(read(board), "big")


def signed(word):
    return (word - 0x10000 if word & 0x8000 else word) >> 4


def config(*, mux=0, pga=2, rate=6, single=False, start=False, ready=False):
    return start * OS | mux << 12 | pga << 9 | single * SINGLE | rate << 5 | (0 if ready else READY_OFF)


def settled_code(board, **fields):
    """Run continuously with these settings for three conversions and return the code."""
    write_register(board, CONFIG, config(**fields))
    board.time.wait_until(board.time.now_s() + 4 / 128)
    return signed(read_register(board, CONVERSION))


def follow(board, duration_s, step_s=150e-6):
    """Read on from the register under the pointer; return {completion [s]: code} as the truth has it."""
    seen = {}
    end_s = next_s = board.time.now_s()
    end_s += duration_s
    while next_s < end_s:
        next_s += step_s
        board.time.wait_until(next_s)
        code = signed(int.from_bytes(read(board), "big"))
        seen[board.chip.completed_s] = code
    return seen


# --- registers


def test_power_on_state():
    # SBAS473, register map: Config 8583h, Lo_thresh 8000h, Hi_thresh 7FFFh, Conversion 0000h
    board = ideal_board()
    assert [read_register(board, r) for r in range(4)] == [0x0000, 0x8583, 0x8000, 0x7FFF]


def test_pointer_stays_where_the_last_write_left_it():
    board = ideal_board()
    write_register(board, LO_THRESH, 0x1230)
    assert [int.from_bytes(read(board), "big") for _ in range(3)] == [0x1230] * 3
    write(board, CONFIG)
    assert int.from_bytes(read(board), "big") == 0x8583
    write(board, 0xFC | HI_THRESH)  # only two bits of the pointer count
    assert int.from_bytes(read(board), "big") == 0x7FFF


def test_thresholds_keep_their_read_only_nibbles():
    # SBAS473, 8.6.4: the low nibbles read 0h (Lo_thresh) and Fh (Hi_thresh)
    board = ideal_board()
    write_register(board, LO_THRESH, 0x0007)
    write_register(board, HI_THRESH, 0x8000)
    assert (read_register(board, LO_THRESH), read_register(board, HI_THRESH)) == (0x0000, 0x800F)


def test_conversion_register_is_read_only_and_short_writes_change_nothing():
    board = ideal_board()
    write_register(board, CONVERSION, 0x1234)
    assert read_register(board, CONVERSION) == 0
    write(board, CONFIG, 0x12)
    assert read_register(board, CONFIG) == 0x8583


@pytest.mark.parametrize("value", [0x0000, 0x7EFF, 0x04C3, 0x3A80])
def test_config_reads_back_with_os_clear_while_converting_continuously(value):
    board = ideal_board()
    write_register(board, CONFIG, value)
    assert read_register(board, CONFIG) == value & 0x7FFF


def test_reads_of_other_lengths():
    board = ideal_board()
    write(board, CONFIG)
    assert read(board, 1) == b"\x85"
    assert read(board, 4) == b"\x85\x83\xff\xff"


# --- codes


@pytest.mark.parametrize("pga", range(6))
@pytest.mark.parametrize("pair", [Input.SPEAKER, Input.LINE])
def test_codes_against_the_datasheets_table(pga, pair):
    # SBAS473, data format: 7FFh from +FS (2^11 - 1) / 2^11 up, 001h at FS / 2^11, 000h at 0, FFFh at -FS / 2^11,
    # 800h from -FS down; the PGA's full scales from its Config register table.
    lsb_v = FULL_SCALE_V[pga] / 2**11
    reach = 2.4 / lsb_v  # what the isolator puts out [codes]
    for code in (0, 1, -1, 100, 1024, -1024, 2046, 2047, -2047, -2048, 0.4, -0.4, 0.6, -0.6, 2100, -2100):
        if abs(code) > reach:
            continue
        gain = (
            FrontEnd(speaker=constant(0), line=constant(0), tolerances=Tolerances.none(), start_s=0)
            .response(pair, np.zeros(1), load_ohm=LOAD_OHM[pga])[0]
            .real
        )
        board = ideal_board(**{pair.value: constant(code * lsb_v / gain)})
        got = settled_code(board, mux=0 if pair is Input.SPEAKER else 3, pga=pga)
        assert got == max(-2048, min(2047, round(code)))


def test_conversion_words_are_left_justified():
    board = ideal_board(speaker=constant(-60.0))
    settled_code(board)
    word = read_register(board, CONVERSION)
    assert word & 0x000F == 0
    assert signed(word) < -400


def test_pga_codes_110_and_111_are_the_narrowest_range():
    # SBAS473, Config register: 101, 110 and 111 all select +-0.256 V
    board = ideal_board(speaker=constant(10.0))
    codes = [settled_code(board, pga=pga) for pga in (5, 6, 7)]
    assert codes[0] == codes[1] == codes[2] > 500


def test_mux_settings():
    # SBAS473, Config register, MUX bits; AIN0/1 carry the speaker pair, AIN2/3 the line pair, each on 1.44 V
    board = ideal_board(speaker=constant(100.0), line=constant(-5.0))
    s = 100.0 * 2 * 3.65 / (996 + 3.65) * (1 - 8.64e3 / (8.64e3 + 15e6))
    n = -5.0 * 2 * 5.36 / (118 + 5.36) * (1 - 8.64e3 / (8.64e3 + 15e6))
    volts = [
        s,
        s / 2 + n / 2,
        -s / 2 + n / 2,
        n,
        MID_RAIL_V + s / 2,
        MID_RAIL_V - s / 2,
        MID_RAIL_V + n / 2,
        MID_RAIL_V - n / 2,
    ]
    for mux, expected_v in enumerate(volts):
        assert settled_code(board, mux=mux, pga=1) == pytest.approx(expected_v / 2e-3, abs=0.51)


# --- conversions in time


@pytest.mark.parametrize(("bits", "rate_hz"), list(enumerate([128, 250, 490, 920, 1600, 2400, 3300, 3300])))
def test_data_rates(bits, rate_hz):
    # SBAS473, Config register, DR bits
    board = ideal_board()
    write_register(board, CONFIG, config(rate=bits))
    write(board, CONVERSION)
    done_s = np.array(sorted(follow(board, 20 / rate_hz, 0.3 / rate_hz)))[1:]
    np.testing.assert_allclose(np.diff(done_s), 1 / rate_hz, rtol=1e-9)


def test_oscillator_lies_anywhere_within_ten_per_cent_and_wanders_by_some_ppm():
    # SBAS473: data rate variation -10 % to +10 %
    errors = np.array([Tolerances.draw(np.random.default_rng(seed)).oscillator for seed in range(300)])
    assert np.abs(errors).max() < 0.1
    assert errors.min() < -0.09
    assert errors.max() > 0.09
    board = ideal_board(tolerances=Tolerances(oscillator=0.07, drift=5e-6, drift_period_s=1.0, drift_phase=0.0))
    write_register(board, CONFIG, config())
    write(board, CONVERSION)
    done_s = np.array(sorted(follow(board, 1.0)))[1:]
    period = np.diff(done_s) * 3300 * 1.07 - 1
    assert 4.5e-6 < period.max() < 5.1e-6
    assert -5.1e-6 < period.min() < -4.5e-6


def test_each_conversion_averages_its_own_period():
    # A ramp's average over a conversion is its value in the middle (less the path's delay at d.c.).
    slope = 400.0
    board = ideal_board(speaker=lambda t: slope * (t - 0.25), noise=True)
    write_register(board, CONFIG, config(rate=0))
    write(board, CONVERSION)
    seen = follow(board, 0.5, 1e-3)
    done_s = np.array(sorted(seen))[2:]
    lsb = np.array([seen[t] for t in done_s])
    delay_s = 1e3 * (137e-9 + 45e-9) + 3.32e3 * 45e-9 + 5e-6  # half-circuit Elmore delay, and the input filter
    middle = slope * (done_s - 0.5 / 128 - delay_s - 0.25) / 136.938 / 1.00176 / 1e-3
    assert np.abs(lsb - middle).max() < 1.6
    assert abs(np.mean(lsb - middle)) < 0.2


def test_settings_written_during_a_conversion_apply_from_the_next_one():
    # SBAS473, continuous-conversion mode: new settings take effect when the running conversion is completed
    board = ideal_board(speaker=constant(100.0), line=constant(-5.0))
    speaker, line = settled_code(board, mux=0), settled_code(board, mux=3)
    settled_code(board, mux=0)
    follow(board, 1e-3, 50e-6)
    before_s = board.chip.completed_s
    write_register(board, CONFIG, config(mux=3))
    written_s = board.time.now_s()
    write(board, CONVERSION)
    seen = follow(board, 2e-3, 50e-6)
    done_s = sorted(t for t in seen if t > written_s)
    assert seen[done_s[0]] == speaker
    assert [seen[t] for t in done_s[1:]] == [line] * len(done_s[1:])
    steps = (np.array(done_s) - before_s) * 3300
    np.testing.assert_allclose(steps, np.rint(steps), atol=1e-6)  # the grid goes on


def test_single_shot_takes_wake_up_and_one_period_then_powers_down():
    # SBAS473, single-shot mode: 25 us to power up, one conversion, power-down; OS reads 0 while it runs
    board = ideal_board(speaker=constant(100.0))
    write_register(board, CONFIG, config(single=True, start=True))
    begun_s = board.time.now_s() - 1 / 400e3  # the stop bit
    polls = 0
    while not int.from_bytes(read(board), "big") & OS:
        polls += 1
    assert polls > 2
    assert board.chip.completed_s - begun_s == pytest.approx(25e-6 + 1 / 3300, abs=1e-9)
    done_s = board.chip.completed_s
    board.time.wait_until(board.time.now_s() + 0.1)
    assert signed(read_register(board, CONVERSION)) == pytest.approx(729, abs=2)
    assert board.chip.completed_s == done_s


def test_start_bit_has_no_effect_during_a_conversion():
    # SBAS473, Config register: OS can only be written in power-down and has no effect when a conversion is ongoing
    board = ideal_board()
    write_register(board, CONFIG, config(rate=0, single=True, start=True))
    board.time.wait_until(board.time.now_s() + 4e-3)
    write_register(board, CONFIG, config(rate=0, single=True, start=True))
    board.time.wait_until(board.time.now_s() + 4.5e-3)
    assert read_register(board, CONFIG) & OS
    done_s = board.chip.completed_s
    board.time.wait_until(board.time.now_s() + 20e-3)
    read(board)
    assert board.chip.completed_s == done_s


def test_leaving_power_down_starts_a_new_phase():
    board = ideal_board()
    phases = []
    for pause_s in (0.01, 0.0101, 0.0102):
        write_register(board, CONFIG, config())
        write(board, CONVERSION)
        follow(board, 3e-3)
        phases.append(board.chip.completed_s * 3300 % 1)
        write_register(board, CONFIG, config(single=True))
        board.time.wait_until(board.time.now_s() + pause_s)
    assert min(abs(np.diff(phases))) > 0.05


def test_what_is_read_does_not_depend_on_when_it_is_read():
    waves = {"speaker": sine(150, 47), "line": sine(8, 61)}
    fast, slow = (SimulatedBoard(seed=5, steady=True, alert_wired=False, **waves) for _ in range(2))
    for board in (fast, slow):
        write_register(board, CONFIG, config())
        write(board, CONVERSION)
    first, second = follow(fast, 0.5, 140e-6), follow(slow, 0.5, 3.1e-3)
    common = first.keys() & second.keys()
    assert len(common) > 100
    assert all(first[t] == second[t] for t in common)


def test_same_seed_same_course_and_another_seed_another():
    def run(seed):
        board = SimulatedBoard(seed=seed, speaker=sine(100, 40))
        write_register(board, CONFIG, config())
        write(board, CONVERSION)
        return follow(board, 0.1)

    assert run(3) == run(3)
    assert run(3) != run(4)


def test_noise_is_a_fifth_of_a_code_with_a_floor():
    def spread(pga):
        # Half a code off centre, so that each conversion falls on one of two codes with a share that tells the noise.
        lsb_v = FULL_SCALE_V[pga] / 2048
        front_end = ideal_board().front_end
        gain = front_end.response(Input.SPEAKER, np.zeros(1), load_ohm=LOAD_OHM[pga])[0].real
        board = ideal_board(noise=True, speaker=constant(10.3 * lsb_v / gain))
        write_register(board, CONFIG, config(pga=pga))
        write(board, CONVERSION)
        return np.mean(np.array(list(follow(board, 1.0).values())[2:]) > 10)

    # P(x > 0.2 / sigma): 0.159 for sigma 0.2; with 28 uV of floor on 0.125 mV sigma is 0.30 and P 0.25
    assert spread(2) == pytest.approx(0.159, abs=0.03)
    assert spread(5) == pytest.approx(0.253, abs=0.03)


# --- ALERT/RDY


def watch(board, *, edges="falling"):
    pin = board.pin_factory.pin(ALERT_GPIO)
    pin.edges = edges
    seen = []

    def note(ticks_s, state):
        seen.append((ticks_s, state, board.time.now_s()))

    pin.when_changed = note
    return pin, seen, note


def make_ready(board, **fields):
    write_register(board, LO_THRESH, 0x0000)
    write_register(board, HI_THRESH, 0x8000)
    write_register(board, CONFIG, config(ready=True, **fields))
    write(board, CONVERSION)


def test_ready_pulses_of_eight_microseconds_end_every_conversion():
    # SBAS473, conversion-ready pin: about 8 us, active low, once a conversion
    board = ideal_board()
    pin, seen, _note = watch(board, edges="both")
    make_ready(board)
    done_s = sorted(follow(board, 0.1, 100e-6))[1:]
    falls = [t for t, state, _ in seen if not state]
    rises = [t for t, state, _ in seen if state]
    assert set(done_s) <= set(falls)
    np.testing.assert_allclose(np.array(rises) - np.array(falls), 8e-6, atol=1e-12)
    np.testing.assert_allclose(np.diff(falls), 1 / 3300, rtol=1e-9)
    assert all(stamp_s <= now_s for stamp_s, _, now_s in seen)
    assert [t for t, *_ in seen] == sorted(t for t, *_ in seen)
    assert len(pin.states) == 1  # the mock's own history must not grow


def test_edges_come_without_any_bus_traffic():
    board = ideal_board()
    _pin, seen, _note = watch(board)
    make_ready(board)
    begun = len(seen)
    board.time.wait_until(board.time.now_s() + 1.0)
    assert len(seen) - begun == pytest.approx(3300, abs=1)


@pytest.mark.parametrize(
    ("lo", "hi", "queue_off"), [(0x8000, 0x8000, False), (0x0000, 0x7FFF, False), (0x0000, 0x8000, True)]
)
def test_no_pulses_unless_all_three_conditions_hold(lo, hi, queue_off):
    board = ideal_board()
    _pin, seen, _note = watch(board)
    write_register(board, LO_THRESH, lo)
    write_register(board, HI_THRESH, hi)
    write_register(board, CONFIG, config(ready=not queue_off))
    board.time.wait_until(board.time.now_s() + 0.1)
    assert seen == []


def test_single_shot_asserts_ready_until_the_next_start():
    # SBAS473, Lo_thresh and Hi_thresh registers: in single-shot mode the pin puts out the OS bit (active low: inverted)
    board = ideal_board()
    pin, seen, _note = watch(board, edges="both")
    make_ready(board, single=True, start=True)
    board.time.wait_until(board.time.now_s() + 0.01)
    assert [state for _, state, _ in seen] == [0]
    assert pin.state == 0
    write_register(board, CONFIG, config(ready=True, single=True, start=True))
    assert pin.state == 1
    board.time.wait_until(board.time.now_s() + 0.01)
    assert [state for _, state, _ in seen] == [0, 1, 0]


def test_polarity_bit_turns_the_pulse_round():
    board = ideal_board()
    _pin, seen, _note = watch(board, edges="both")
    write_register(board, LO_THRESH, 0x0000)
    write_register(board, HI_THRESH, 0x8000)
    write_register(board, CONFIG, config(ready=True) | 0x0008)
    board.time.wait_until(board.time.now_s() + 0.1)
    stamps = np.array([t for t, *_ in seen])
    levels = [state for _, state, _ in seen]
    high = [b - a for a, b, level in zip(stamps, stamps[1:], levels, strict=False) if level][1:]
    np.testing.assert_allclose(high, 8e-6, atol=1e-12)


def test_a_real_host_loses_a_few_edges_and_sees_the_rest_a_little_late():
    board = SimulatedBoard(seed=8, tolerances=Tolerances.none())
    _pin, seen, _note = watch(board)
    make_ready(board)
    board.time.wait_until(board.time.now_s() + 10.0)
    lost = 33_000 - len(seen)
    assert 5 < lost < 80
    phase_s = np.array([t for t, *_ in seen[1:]]) - seen[0][0]
    late_s = phase_s - np.floor(phase_s * 3300 + 0.5) / 3300
    assert 1e-6 < late_s.std() < 4e-6


def test_pin_is_absent_where_it_is_not_wired():
    assert SimulatedBoard(seed=1, alert_wired=False).pin_factory is None


def test_gpiozero_device_on_the_virtual_pin():
    from gpiozero import DigitalInputDevice

    board = ideal_board()
    count = 0

    def note():
        nonlocal count
        count += 1

    device = DigitalInputDevice(ALERT_GPIO, pull_up=True, pin_factory=board.pin_factory)
    try:
        device.when_activated = note
        make_ready(board)
        board.time.wait_until(board.time.now_s() + 0.1)
        assert count == pytest.approx(330, abs=2)
    finally:
        device.close()


# --- the bus


def test_bus_must_be_locked():
    board = ideal_board()
    with pytest.raises(RuntimeError, match="not locked"):
        board.i2c.readfrom_into(ADDRESS, bytearray(2))
    with pytest.raises(RuntimeError, match="not locked"):
        board.i2c.writeto(ADDRESS, b"")
    with pytest.raises(RuntimeError, match="not locked"):
        board.i2c.writeto_then_readfrom(ADDRESS, b"\0", bytearray(2))
    with pytest.raises(RuntimeError, match="not locked"):
        board.i2c.unlock()
    assert board.i2c.try_lock()
    assert not board.i2c.try_lock()


def test_missing_chip_is_a_remote_io_error_and_fails_the_drivers_probe():
    board = ideal_board()
    board.i2c.detach(ADDRESS)
    with pytest.raises(OSError, match="0x48") as error:
        read(board)
    assert error.value.errno == 121  # EREMOTEIO in Linux's errno.h
    with pytest.raises(ValueError, match="No I2C device"):
        ADS1015(board.i2c)


def test_refused_transactions_are_counted_off():
    board = ideal_board()
    board.i2c.refuse(2)
    for _ in range(2):
        with pytest.raises(OSError, match="acknowledgement"):
            read(board)
    read(board)
    board.i2c.refuse()
    for _ in range(20):
        with pytest.raises(OSError, match="acknowledgement"):
            read(board)
    board.i2c.refuse(0)
    read(board)


def test_another_chip_answers_the_probe_but_keeps_nothing():
    board = ideal_board()
    board.i2c.attach(ADDRESS, Stranger())
    ADS1015(board.i2c)  # the stock driver is content
    write_register(board, LO_THRESH, 0x1230)
    assert read_register(board, LO_THRESH) != 0x1230


@pytest.mark.parametrize(("bus_hz", "wire_us"), [(400_000, 72.5), (100_000, 290.0)])
def test_two_byte_read_takes_its_bits_on_the_wire(bus_hz, wire_us):
    # I2C (NXP UM10204): start, 3 bytes with their acknowledge bits, stop: 29 bit times
    board = ideal_board(bus_hz=bus_hz)
    begun_s = board.time.now_s()
    read(board)
    assert (board.time.now_s() - begun_s) * 1e6 == pytest.approx(wire_us, abs=0.01)


def test_host_jitter_and_gaps():
    board = SimulatedBoard(seed=2, alert_wired=False)
    write_register(board, CONFIG, config())
    write(board, CONVERSION)
    took_s = []
    next_s = board.time.now_s()
    while next_s < 60:
        next_s += 1e-3
        board.time.wait_until(next_s)
        begun_s = board.time.now_s()
        read(board)
        took_s.append(board.time.now_s() - begun_s)
    took_s = np.array(took_s) - 72.5e-6
    gaps = took_s > 0.9e-3
    assert 130 < gaps.sum() < 230  # 3 a second for a minute: 180 +- 13
    assert took_s[gaps].max() < 5.5e-3
    assert took_s[~gaps].std() == pytest.approx(30e-6, rel=0.1)


def test_gaps_fall_on_either_side_of_the_latch():
    board = SimulatedBoard(seed=2, alert_wired=False)
    write_register(board, CONFIG, config())
    write(board, CONVERSION)
    stale = []
    while board.time.now_s() < 40:
        begun_s = board.time.now_s()
        read(board)
        if board.time.now_s() - begun_s > 1.2e-3:
            stale.append(board.time.now_s() - board.chip.completed_s > 0.8e-3)
    assert 0.3 < np.mean(stale) < 0.7


def test_virtual_time_does_not_wait_for_what_is_past():
    board = SimulatedBoard(seed=1, start_s=5.0)
    board.time.wait_until(1.0)
    assert board.time.now_s() == 5.0
    late_s = []
    for k in range(2000):
        board.time.wait_until(6.0 + k)
        late_s.append(board.time.now_s() - (6.0 + k))
    assert min(late_s) > 0
    assert np.mean(late_s) == pytest.approx(25e-6, rel=0.1)


# --- the stock driver's traps


def test_trap_a_pin_asked_for_in_continuous_mode_is_ignored():
    board = ideal_board(speaker=constant(100.0), line=constant(-5.0))
    speaker, line = settled_code(board, mux=0), settled_code(board, mux=3)
    settled_code(board, mux=0)
    ads = ADS1015(board.i2c, gain=2, data_rate=3300, mode=Mode.CONTINUOUS)
    ads.read(3)
    board.time.wait_until(board.time.now_s() + 0.01)
    assert signed(ads.read(3) & 0xFFFF) == speaker != line

    ads.mode = Mode.SINGLE  # the way round it
    ads.read(3)
    ads.mode = Mode.CONTINUOUS
    board.time.wait_until(board.time.now_s() + 2.2 / 3300)
    ads.get_last_result(False)
    assert signed(ads.read(3) & 0xFFFF) == line


def test_trap_after_a_setter_fast_reads_return_the_config_word():
    board = ideal_board(speaker=constant(100.0))
    ads = ADS1015(board.i2c, gain=2, data_rate=3300, mode=Mode.CONTINUOUS)
    ads.gain = 4
    for _ in range(50):
        board.time.wait_until(board.time.now_s() + 1e-3)
        assert ads.get_last_result(True) == 0x06C3  # MUX 000, +-1.024 V, continuous, 3300/s, comparator off
    ads.get_last_result(False)
    assert signed(ads.get_last_result(True)) == pytest.approx(1457, abs=3)


class BoundedBus:
    """Passes everything on and gives up after a number of reads."""

    def __init__(self, bus, reads):
        self.bus = bus
        self.reads = reads

    def __getattr__(self, name):
        return getattr(self.bus, name)

    def writeto_then_readfrom(self, *args, **options):
        self.reads -= 1
        if self.reads < 0:
            raise TimeoutError
        self.bus.writeto_then_readfrom(*args, **options)


def test_trap_single_shot_waits_for_ever_on_a_stuck_chip():
    board = ideal_board()
    ads = ADS1015(BoundedBus(board.i2c, 1000), gain=2, data_rate=3300)
    ads.read(0)
    board.chip.stuck = True
    begun_s = board.time.now_s()
    with pytest.raises(TimeoutError):
        ads.read(0)
    assert board.time.now_s() - begun_s > 100 / 3300
    assert not read_register(board, CONFIG) & OS
    board.chip.stuck = False
    board.time.wait_until(board.time.now_s() + 1e-3)
    assert read_register(board, CONFIG) & OS


def test_stuck_chip_in_continuous_mode_repeats_its_last_code_and_sends_no_edges():
    board = ideal_board(speaker=sine(100, 40), alert_wired=True)
    _pin, seen, _note = watch(board)
    make_ready(board)
    assert len(set(follow(board, 0.05).values())) > 20
    board.chip.stuck = True
    edges = len(seen)
    assert len(set(follow(board, 0.05).values())) == 1
    assert len(seen) == edges
    board.chip.stuck = False
    assert len(set(follow(board, 0.05).values())) > 20
    assert len(seen) > edges + 100


# --- the front end


def test_ratio_of_the_dividers():
    # 996k and 3.65k (118k and 5.36k) in each leg, isolator gain 2: the terminals stand 136.94 (11.507) times higher
    front_end = ideal_board().front_end
    d_c = np.zeros(1)
    assert 1 / front_end.response(Input.SPEAKER, d_c)[0].real == pytest.approx((996 + 3.65) / 3.65 / 2, rel=1e-6)
    assert 1 / front_end.response(Input.LINE, d_c)[0].real == pytest.approx((118 + 5.36) / 5.36 / 2, rel=1e-6)


@pytest.mark.parametrize("pair", [Input.SPEAKER, Input.LINE])
def test_droop_against_the_designs_figures(pair):
    # ngspice with 3.32k, in dB re 20 Hz
    hz = np.array([20.0, 40, 80, 100, 200, 300])
    gain = np.abs(ideal_board().front_end.response(pair, hz))
    np.testing.assert_allclose(20 * np.log10(gain[1:] / gain[0]), [-0.014, -0.070, -0.112, -0.448, -0.965], atol=0.0006)


def test_response_against_the_half_circuit_in_closed_form():
    # Seen from the middle each capacitor across is two of twice the value to ground: a two-section RC ladder.
    hz = np.array([1.0, 40, 300, 1000, 5000, 20_000])
    s = 2j * np.pi * hz
    r1, r2, c1, c2 = 1e3, 3.32e3, 2 * 68e-9 + 1e-9, 2 * 22e-9 + 1e-9
    ladder = 1 / (1 + s * (r1 * c1 + r1 * c2 + r2 * c2) + s * s * r1 * r2 * c1 * c2)
    source, c_in = 1 / (1 / 996e3 + 1 / 3.65e3) + 1e3, 2 * 560e-12 + 22e-12
    whole = 2 * 3.65 / 999.65 * ladder / (1 + s * source * c_in) / (1 + 1j * hz / 375e3)
    np.testing.assert_allclose(ideal_board().front_end.response(Input.SPEAKER, hz), whole, rtol=1e-9)


@pytest.mark.parametrize("pair", [Input.SPEAKER, Input.LINE])
def test_response_of_uneven_parts_against_the_nodal_equations_at_each_frequency(pair):
    # Kirchhoff's current law at every node, one linear system a frequency; the netlist once more, by hand
    n, leg, leg_ohm, foot_ohm, across_f = {
        Input.SPEAKER: (1, ("R101", "R105"), 996e3, 3.65e3, 560e-12),
        Input.LINE: (2, ("R201", "R203"), 118e3, 5.36e3, 423e-12),
    }[pair]
    divider = f"""{leg[0]} P a {leg_ohm}  {leg[1]} N b {leg_ohm}  R{n}09 a m {foot_ohm}  R{n}10 b m {foot_ohm}
        R{n}11 a + 1e3  R{n}12 b - 1e3  C{n}01 + - {across_f}  C{n}02 + m 22e-12  C{n}03 - m 22e-12"""
    filters = f"""R{n}30 P a 1e3  R{n}31 N b 1e3  R{n}32 a + 3.32e3  R{n}33 b - 3.32e3  R{n} + - 4.9e6
        C{n}30 a b 68e-9  C{n}31 a G 1e-9  C{n}32 b G 1e-9  C{n}33 + - 22e-9  C{n}34 + G 1e-9  C{n}35 - G 1e-9"""
    drawn = Tolerances.draw(np.random.default_rng(6), resistor_pct=5.0, capacitor_pct=10.0)

    def solved(netlist, held, hz):
        tokens = netlist.split()
        free = sorted(set(tokens[1::4] + tokens[2::4]) - held.keys())
        system, current = np.zeros((len(free),) * 2, complex), np.zeros(len(free), complex)
        for ref, a, b, value in zip(*[iter(tokens)] * 4, strict=True):
            nominal = float(value) * (1 + drawn.parts.get(ref, 0.0))
            y = 1 / nominal if ref[0] == "R" else 2j * np.pi * hz * nominal
            for here, there in ((a, b), (b, a)):
                if here in held:
                    continue
                system[free.index(here), free.index(here)] += y
                if there in held:
                    current[free.index(here)] += y * held[there]
                else:
                    system[free.index(here), free.index(there)] -= y
        volts = np.linalg.solve(system, current)
        return volts[free.index("+")] - volts[free.index("-")]

    hz = np.array([0.0, 1.0, 40, 300, 1000, 5000, 20_000, 48_000])
    isolator = 2.0 * (1 + drawn.isolator_gain[n - 1]) / (1 + 1j * hz / 375e3)
    expected = [
        solved(divider, {"P": 1.0, "N": 0.0}, f) * solved(filters, {"P": 0.5, "N": -0.5, "G": 0.0}, f) for f in hz
    ]
    front_end = ideal_board(tolerances=drawn).front_end
    np.testing.assert_allclose(front_end.response(pair, hz, load_ohm=4.9e6), isolator * expected, rtol=1e-11)


@pytest.mark.parametrize(("load_ohm", "loss_pct"), [(4.9e6, -0.18), (2.4e6, -0.36), (0.71e6, -1.20)])
def test_loading_by_the_converters_input(load_ohm, loss_pct):
    # by hand: 8.64k / (8.64k + load)
    front_end = ideal_board().front_end
    d_c = np.zeros(1)
    free, loaded = (front_end.response(Input.SPEAKER, d_c, load_ohm=z)[0].real for z in (np.inf, load_ohm))
    assert (loaded / free - 1) * 100 == pytest.approx(loss_pct, abs=0.005)
    assert loaded / free == pytest.approx(load_ohm / (load_ohm + 8.64e3), rel=1e-6)


def fitted(times_s, values, hz):
    columns = np.column_stack(
        (np.cos(2 * np.pi * hz * times_s), np.sin(2 * np.pi * hz * times_s), np.ones_like(times_s))
    )
    in_phase, quadrature, _ = np.linalg.lstsq(columns, values, rcond=None)[0]
    return in_phase - 1j * quadrature


@pytest.mark.parametrize("hz", [40.0, 200.0, 1000.0])
@pytest.mark.parametrize("rate_hz", [3300, 3311.7, 920])
def test_averages_follow_response_and_sinc(hz, rate_hz):
    front_end = SimulatedBoard(seed=9, speaker=sine(200, hz), tolerances=Tolerances.none()).front_end
    count = int(0.07 * rate_hz)
    got, middle_s = [], []
    for block in range(12):
        edges_s = (block * count + np.arange(count + 1)) / rate_hz
        got.append(front_end.means(0, 4.9e6, edges_s))
        middle_s.append((edges_s[:-1] + edges_s[1:]) / 2)
    gain = fitted(np.concatenate(middle_s), np.concatenate(got), hz) / (200 * np.exp(1j * (0.3 - np.pi / 2)))
    expected = front_end.response(Input.SPEAKER, np.array([hz]), load_ohm=4.9e6)[0] * np.sinc(hz / rate_hz)
    assert abs(gain / expected - 1) < 2e-6


@pytest.mark.parametrize(("hz", "loss_db"), [(100.0, -0.013), (200.0, -0.053)])
def test_averaging_falls_as_a_sinc(hz, loss_db):
    assert 20 * np.log10(np.sinc(hz / 3300)) == pytest.approx(loss_db, abs=0.0005)
    front_end = ideal_board(speaker=sine(200, hz)).front_end
    edges_s = np.arange(200) / 3300
    gain = fitted((edges_s[:-1] + edges_s[1:]) / 2, front_end.means(0, 4.9e6, edges_s), hz)
    path = front_end.response(Input.SPEAKER, np.array([hz]), load_ohm=4.9e6)[0]
    assert 20 * np.log10(abs(gain / 200 / path)) == pytest.approx(loss_db, abs=0.0005)


@pytest.mark.parametrize("hz", [40.3, 201.7, 997.1])
def test_sine_through_chip_bus_and_stock_driver(hz):
    # No whole number of conversions a cycle, so quantising acts as noise:
    # 0.36 LSB sqrt(2 / 6600) / 900 LSB = 7e-6 at 1 kHz, less below.
    board = SimulatedBoard(seed=4, speaker=sine(262, hz), tolerances=Tolerances.none(), alert_wired=False)
    ads = ADS1015(board.i2c, gain=2, data_rate=3300, mode=Mode.CONTINUOUS)
    ads.get_last_result(False)
    seen = {}
    while board.time.now_s() < 2.0:
        board.time.wait_until(board.time.now_s() + 60e-6)
        code = signed(ads.get_last_result(True))
        seen[board.chip.completed_s] = code
    times_s = np.array(list(seen))[1:]
    codes = np.array(list(seen.values()))[1:]
    gain = fitted(times_s - 0.5 / 3300, codes * 1e-3, hz) / (262 * np.exp(1j * (0.3 - np.pi / 2)))
    expected = board.front_end.response(Input.SPEAKER, np.array([hz]), load_ohm=4.9e6)[0] * np.sinc(hz / 3300)
    assert abs(gain / expected - 1) < 2e-5


def test_isolator_clips_at_a_quarter_above_its_range():
    # 1.25 V x 273.88 = 342 V at the speaker terminals, 2.5 V at the converter
    edges_s = 0.1 + np.arange(20) / 3300
    for volts, expected_v in ((300.0, 300 / 136.938), (400.0, 2.5), (-400.0, -2.5)):
        front_end = ideal_board(speaker=constant(volts)).front_end
        np.testing.assert_allclose(front_end.means(0, np.inf, edges_s), expected_v, rtol=1e-5)


def test_drawn_boards_stay_within_their_tolerances():
    hz = np.array([0.0, 200.0])
    ideal = ideal_board().front_end.response(Input.SPEAKER, hz)
    level, droop = [], []
    for seed in range(150):
        parts = Tolerances.draw(np.random.default_rng(seed), capacitor_pct=5.0)
        front_end = FrontEnd(speaker=constant(0), line=constant(0), tolerances=parts, start_s=0.0)
        ratio = np.abs(front_end.response(Input.SPEAKER, hz) / ideal)
        level.append(ratio[0] - 1)
        droop.append(ratio[1] / ratio[0] - 1)
        assert max(map(abs, parts.isolator_offset_v)) <= 0.3e-3
        assert max(map(abs, parts.load)) <= 0.2
    # 0.2 % of the isolator and the two legs of 0.1 % parts
    assert 0.001 < max(np.abs(level)) < 0.0041
    # the design's note: 5 % capacitors move the level at 200 Hz by about 0.5 %
    assert 0.003 < max(np.abs(droop)) < 0.006


def test_offset_and_range_dependent_load_reach_the_codes():
    parts = Tolerances(isolator_offset_v=(0.3e-3, 0.0), load=(0.0, 0.0, 0.2, 0.0, 0.0, -0.2))
    board = ideal_board(tolerances=parts)
    assert settled_code(board, pga=5) == round(0.6e-3 / 0.125e-3 * (1 - 0.015))
    loaded = ideal_board(speaker=constant(30.0), tolerances=Tolerances(load=(0, 0, 0, 0, -0.2, 0)))
    expected = 30 / 136.938 * 0.71e6 * 0.8 / (0.71e6 * 0.8 + 8.64e3) / 0.25e-3
    assert settled_code(loaded, pga=4) == pytest.approx(expected, abs=0.51)


def test_signals_are_asked_in_time_order_without_holes():
    asked = []

    def signal(times_s):
        asked.append((times_s[0], times_s[-1]))
        return np.zeros_like(times_s)

    board = ideal_board(speaker=signal)
    write_register(board, CONFIG, config())
    board.time.wait_until(3.0)
    for mux in (3, 0, 3):
        write_register(board, CONFIG, config(mux=mux))
        board.time.wait_until(board.time.now_s() + 0.5)
    firsts, lasts = np.array(asked).T
    np.testing.assert_allclose(firsts[1:] - lasts[:-1], 1 / DENSE_HZ, rtol=1e-6)
    write_register(board, CONFIG, config(mux=0))
    assert asked[-1][1] - board.time.now_s() < 0.13  # how far the board looks ahead of time


def test_terminals_looked_at_late_have_their_past():
    waves = {"speaker": sine(150, 47), "line": sine(8, 61)}

    def words(*looks):
        board = ideal_board(**waves)
        for at_s, mux in looks:
            board.time.wait_until(at_s)
            write_register(board, CONFIG, config(mux=mux))
        write(board, CONVERSION)
        return follow(board, 0.1)

    # Steady and without noise: that the multiplexer stood elsewhere at first must leave no trace.
    assert list(words((0.0, 0), (2.0, 3)).values())[2:] == list(words((0.0, 3), (2.0, 3)).values())[2:]


@pytest.mark.parametrize("bad", [lambda t: t[:-1], lambda t: np.full_like(t, np.nan)])
def test_signal_that_is_no_voltage_is_refused(bad):
    board = ideal_board(line=bad)
    with pytest.raises(ValueError, match="line terminals"):
        write_register(board, CONFIG, config(mux=3))


# --- the van


def harmonics(volts, samples_per_cycle, count=30):
    spectrum = np.fft.rfft(volts) / len(volts) * 2
    cycles = len(volts) // samples_per_cycle
    return spectrum[cycles * np.arange(1, count + 1)]


@pytest.mark.parametrize(("c", "thd_pct", "rms"), [(0.98, 0.6572, 0.704728), (0.9, 4.2199, 0.681277)])
def test_hard_limit_has_the_harmonics_of_a_clipped_sine(c, thd_pct, rms):
    # closed form of the clipped sine's Fourier series, as tabulated in the design's check values
    wave = limited(np.sin(2 * np.pi * np.arange(100_000) / 100_000), c)
    h = np.abs(harmonics(wave, 100_000, 4000))
    assert np.sqrt(np.sum(h[1:] ** 2)) / h[0] * 100 == pytest.approx(thd_pct, abs=2e-3)
    assert np.sqrt(np.mean(wave**2)) == pytest.approx(rms, abs=1e-6)


def test_soft_knee_is_smooth_odd_and_reaches_the_rails():
    v = np.linspace(-2, 2, 400_001)
    y = limited(v, 1.0, 0.1)
    np.testing.assert_allclose(y, -y[::-1], atol=1e-12)
    np.testing.assert_allclose(y[np.abs(v) < 0.9], v[np.abs(v) < 0.9], atol=1e-12)
    np.testing.assert_allclose(np.abs(y[np.abs(v) > 1.1]), 1.0, atol=1e-12)
    slope = np.gradient(y, v)
    assert slope.min() > -1e-9
    assert np.abs(np.diff(slope)).max() < 1e-3


def test_van_is_the_same_in_any_portions_and_for_the_same_seed():
    t = np.arange(0, 20, 1 / 4800)
    whole = Van(seed=3)
    parts = Van(seed=3)
    for van in (whole, parts):
        van.observe("flat", 9.0)
    pieces = np.concatenate([parts.speaker(chunk) for chunk in np.array_split(t, 777)])
    np.testing.assert_array_equal(whole.speaker(t), pieces)
    assert not np.array_equal(Van(seed=4).speaker(t), pieces)


def test_level_never_steps():
    van = Van(seed=1, second=0.0, dc_v=0.0, residue_v=0.0, lead_off_s=None, rails_v=93.0)
    van.observe("flat", 9.0)
    t = np.arange(0, 20, 1 / 48_000)
    slew = np.abs(np.diff(van.speaker(t))).max() * 48_000
    assert slew < 1.3 * 93 * 2 * np.pi * 40 * 1.01


def test_hands_follow_the_screen_not_the_truth():
    def pot_after(verdicts):
        hands = Hands(rng=np.random.default_rng(0))
        for now_s, verdict in verdicts:
            hands.observe(verdict, now_s)
        return hands, hands.pot_db(np.array([0.0, 9.69, 12.0, 30.0]))

    hands, pot = pot_after([(5.0, "flat")])  # the dash is still on its way up
    assert not pot.any()
    hands, pot = pot_after([(9.0, "flat"), (9.1, "flat"), (9.5, "flat")])  # one decision, not three
    assert pot[0] == pot[1] == 0  # 0.7 s of reaction
    assert -0.7 < pot[2] == pot[3] < -0.5
    assert not hands.settled
    hands, pot = pot_after([(9.0, "flat"), (11.0, "soft"), (13.0, "clean"), (14.0, "clean")])
    assert -0.9 < pot[3] < -0.6
    assert hands.settled
    hands, pot = pot_after([(9.0, "unknown"), (10.0, "distorted"), (11.0, "clean")])
    assert not pot.any()
    assert not hands.settled


def test_scene_goes_from_clean_to_soft_to_flat_and_back():
    van = Van(seed=2)

    def overdrive_db(now_s):
        # From the drive itself: what the rails take off its peak.
        t = now_s - 0.1 + np.arange(0, 0.1, 1 / 48_000)
        free = Van(seed=2, rails_v=1e6, residue_v=0.0, second=0.0, dc_v=0.0, lead_off_s=None)
        free.hands = van.hands
        free._gain = van._gain
        return 20 * np.log10(np.abs(free.speaker(t)).max() / 93.0)

    shown = []
    for now_s in np.arange(0.5, 20, 0.1):
        over_db = overdrive_db(now_s)
        shown.append("flat" if over_db >= 0.25 else "soft" if over_db >= 0.08 else "clean")
        van.observe(shown[-1], now_s)
    changes = [a for a, b in zip(shown, ["", *shown], strict=False) if a != b]
    assert changes[:3] == ["clean", "soft", "flat"]
    assert changes[-1] == "clean"
    assert van.hands.settled
    assert -0.6 < overdrive_db(20.0) < 0.08  # as left: just below the rails
    assert shown.index("flat") < 83 <= len(shown) - shown[::-1].index("flat")


def test_slipped_clip_leaves_only_a_little_hum():
    van = Van(seed=2)
    t = np.arange(16.7, 17.6, 1e-4)
    assert 0.1 < np.std(van.speaker(t)) < 0.2
    assert np.std(van.speaker(t + 1.2)) > 40


def test_line_level_is_a_clean_sine():
    van = Van(seed=2)
    t = 10 + np.arange(0, 1, 1 / 4000)
    v = van.line(t)
    gain = fitted(t, v, van.tone_hz)
    assert abs(gain) / np.sqrt(2) == pytest.approx(3.2 * 10 ** (-0.3 / 20), rel=1e-6)
    residue = v - np.real(gain * np.exp(2j * np.pi * van.tone_hz * t))
    assert np.abs(residue).max() < 1e-6


# --- cost


def test_reads_cost_little_enough_for_long_runs():
    # The aim is 15 times real time at 6,600 reads a second, 10 us each with everything; thrice that for a busy machine.
    board = SimulatedBoard(seed=1, speaker=sine(120, 40))
    ads = ADS1015(board.i2c, gain=2, data_rate=3300, mode=Mode.CONTINUOUS)
    make_ready(board)
    pin, seen, _note = watch(board)
    begun = host_time.perf_counter()
    next_s = board.time.now_s()
    reads = 10_000
    for _ in range(reads):
        next_s += 150e-6
        board.time.wait_until(next_s)
        ads.get_last_result(True)
    each_us = (host_time.perf_counter() - begun) / reads * 1e6
    assert len(seen) > 4000
    assert pin.state is not None
    assert each_us < 30
