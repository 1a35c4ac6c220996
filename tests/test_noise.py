"""What is heard without a tone, against signals whose power is known by closed form."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from blocks import BASS_RATE_HZ, bass, bass_facts, block, full_facts
from flattop.measure.noise import BLOCK_S, FEWEST, UPDATE_S, Listener, Stage, band_hz
from flattop.samples import Clock, Quality

RATE_HZ = 96_000.0
FLOOR_V = 1e-4
EVEN = full_facts(rate_hz=RATE_HZ, noise_v=FLOOR_V, harmonics_to_hz=20e3)
NARROW_V = 0.017
"""LSB of the bass converter's narrowest range at the speaker terminals [V]."""
NARROW = bass_facts(lsb_v=NARROW_V)


def heard(times_s, volts, facts, **known):
    """Every answer of a listener that is shown one block after another."""
    listener, answers = Listener(**known), []
    clock = Clock.EVEN if facts.converter == "recording" else Clock.LOCKED
    rate_hz = math.nan if clock is Clock.EVEN else BASS_RATE_HZ
    end_s = times_s[0] + BLOCK_S
    while end_s <= times_s[-1] + 1e-9:
        inside = slice(*np.searchsorted(times_s, [end_s - BLOCK_S, end_s]))
        samples = block((times_s[inside], volts[inside], facts), clock=clock)
        answers.append(listener.listen(replace(samples, quality=Quality(rate_hz, clock))))
        end_s += UPDATE_S
    return answers


def even(signal, *, seconds=5.0, seed=1, noise_v=0.0, floor_v=FLOOR_V, **known):
    times_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    rng = np.random.default_rng(seed)
    volts = signal(times_s) + math.hypot(noise_v, floor_v) * rng.standard_normal(len(times_s))
    return heard(times_s, volts, EVEN, **known)


def uneven(signal, *, seconds=5.0, seed=1, facts=NARROW, **known):
    return heard(*bass(signal, span_s=seconds, seed=seed, facts=facts), **known)


def quiet(times_s):
    return np.zeros(len(times_s))


def hum(mains_hz=50.0, volts=0.1, harmonics=((1, 1.0), (3, 0.5), (5, 0.3))):
    """`volts` is the rms of the first harmonic."""
    return lambda t: sum(
        volts * math.sqrt(2) * share * np.sin(2 * np.pi * k * mains_hz * t + k) for k, share in harmonics
    )


def hum_rms(volts=0.1, harmonics=((1, 1.0), (3, 0.5), (5, 0.3))):
    return volts * math.hypot(*(share for _, share in harmonics))


WHINE = ((1, 1.0), (2, 0.5), (3, 0.3))


def whine(low_hz=200.0, high_hz=900.0, seconds=5.0, volts=0.05, harmonics=WHINE):
    """A line that goes with engine speed, from `low_hz` to `high_hz` and no further, with its harmonics."""

    def signal(t):
        rise = (high_hz - low_hz) / seconds
        within = np.clip(t, 0.0, seconds)
        turns = low_hz * t + 0.5 * rise * within**2 + (high_hz - low_hz) * (t - within)
        return sum(volts * math.sqrt(2) * share * np.sin(2 * np.pi * k * turns) for k, share in harmonics)

    return signal


def both(*signals):
    return lambda t: sum(signal(t) for signal in signals)


def broadband_v(volts, *, to_hz=20e3):
    """RMS that white noise of `volts` leaves in the band."""
    low, high = 10.0, to_hz
    return volts * math.sqrt((high - low) / (RATE_HZ / 2))


# -- even samples -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_hum_whine_and_the_rest_each_in_volts(mains_hz):
    answers = even(both(hum(mains_hz), whine()), noise_v=0.02)
    late = [one for one in answers if one.time_s > 3.5]
    for found in late:
        assert found.stage is Stage.HEARD
        assert found.hum.hz == mains_hz
        assert found.hum.volts == pytest.approx(hum_rms(), abs=found.hum.u_v)
        assert found.whine.volts == pytest.approx(0.05 * math.hypot(1, 0.5, 0.3), rel=0.04)
        assert found.whine.lines == 3
        speed_hz = 200 + 700 * (found.time_s - BLOCK_S / 2) / 5
        assert found.whine.hz == pytest.approx(speed_hz, rel=0.02)
        assert found.rest.volts == pytest.approx(broadband_v(0.02), rel=0.08)
        assert found.line.below
        powers = sum(part.volts**2 for part in (found.hum, found.whine, found.rest))
        assert found.total.volts == pytest.approx(math.sqrt(powers), rel=0.02)


def test_hum_whose_first_harmonic_is_missing_is_told_by_the_others():
    rectified = ((2, 1.0), (4, 0.4), (6, 0.2))
    for mains_hz in (50.0, 60.0):
        found = even(hum(mains_hz, harmonics=rectified), noise_v=0.01, seconds=3.0)[-1]
        assert found.hum.hz == mains_hz
        assert found.hum.volts == pytest.approx(hum_rms(harmonics=rectified), abs=found.hum.u_v)


def test_a_strong_whine_on_the_move_does_not_pass_for_the_rest():
    rest_v = broadband_v(0.005)
    for found in even(whine(volts=1.0), noise_v=0.005)[-8:]:
        assert found.whine.volts == pytest.approx(math.hypot(1, 0.5, 0.3), rel=0.02)
        assert found.rest.volts == pytest.approx(rest_v, rel=0.06), "50 dB below the whine"


def test_a_steady_line_is_no_whine_and_no_hum():
    # 333 Hz: neither of the mains family nor moving; a whine at one engine speed looks just so.
    found = even(lambda t: 0.03 * math.sqrt(2) * np.sin(2 * np.pi * 333 * t), noise_v=0.02)[-1]
    assert found.line.volts == pytest.approx(0.03, rel=0.03)
    assert found.line.hz == pytest.approx(333.0, abs=0.5)
    assert found.whine.below
    assert found.hum.below
    assert found.rest.volts == pytest.approx(broadband_v(0.02), rel=0.05)


def test_a_whine_stays_one_when_the_engine_holds_its_speed():
    answers = even(whine(seconds=2.0), seconds=8.0, noise_v=0.01)
    found = answers[-1]
    assert found.whine.hz == pytest.approx(900.0, abs=2.0)
    assert found.whine.volts == pytest.approx(0.05 * math.hypot(1, 0.5, 0.3), rel=0.04)
    assert found.line.below


def test_a_whine_that_crosses_mains_lines_is_no_hum():
    for found in even(whine(seconds=5.0), noise_v=0.01):
        assert not (found.stage is Stage.HEARD and not found.hum.below and found.hum.volts > 0.005)


def test_noise_alone_makes_neither_hum_nor_whine():
    for seed in range(4):
        for found in even(quiet, noise_v=0.02, seed=seed):
            if found.stage is Stage.HEARD:
                assert found.hum.below
                assert found.whine.below
                assert found.line.below
                assert found.rest.volts == pytest.approx(broadband_v(0.02), abs=found.rest.u_v)


def test_nothing_is_below_a_bound_and_never_0():
    found = even(quiet, noise_v=0.0)[-1]
    assert found.stage is Stage.HEARD
    for part in (found.total, found.hum, found.whine, found.line, found.rest):
        assert part.below
        assert 0.0 < part.volts < FLOOR_V
        assert math.isnan(part.u_v)


def test_a_lead_with_no_noise_of_its_own_but_a_converter_without_any():
    times_s = np.arange(round(3 * RATE_HZ)) / RATE_HZ
    for found in heard(times_s, np.zeros(len(times_s)), EVEN):
        for part in (found.total, found.rest):
            assert math.isnan(part.volts) or (part.below and part.volts > 0.0)


def test_decibels_below_the_last_kept_tone():
    found = even(hum(volts=0.1, harmonics=((1, 1.0),)), noise_v=0.0, tone_v=62.4, tone_hz=40.0)[-1]
    assert found.down_db(found.hum) == pytest.approx(20 * math.log10(62.4 / 0.1), abs=0.1)
    assert math.isnan(even(hum(), seconds=3.0)[-1].down_db(found.hum))


@pytest.mark.parametrize("tone_hz", [40.0, math.nan])
def test_a_tone_that_plays_on_is_not_called_noise(tone_hz):
    def tone(t):
        return math.sqrt(2) * np.sin(2 * np.pi * 40 * t)

    found = even(tone, noise_v=0.01, tone_v=1.0, tone_hz=tone_hz)[-1]
    assert found.stage is Stage.TONE


def test_it_listens_before_it_answers():
    answers = even(hum(), noise_v=0.01)
    assert [one.stage for one in answers[: FEWEST - 1]] == [Stage.LISTENING] * (FEWEST - 1)
    assert answers[FEWEST - 1].stage is Stage.HEARD
    assert all(math.isnan(one.total.volts) for one in answers[: FEWEST - 1])


def test_the_uncertainty_covers_the_truth():
    off = []
    for seed in range(12):
        found = even(hum(), noise_v=0.05, seed=seed, seconds=3.0)[-1]
        off.append((found.hum.volts - hum_rms()) / found.hum.u_v)
        assert found.rest.volts == pytest.approx(broadband_v(0.05), abs=found.rest.u_v)
    assert max(map(abs, off)) < 1.0


# -- the bass converter: uneven samples, codes, a falling path -------------------------------------------------------


def test_through_the_bass_converter_up_to_its_band():
    assert band_hz(NARROW) == (10.0, 0.4 * BASS_RATE_HZ)
    # The third harmonic of the whine leaves the band at 430 Hz: two are left here.
    answers = uneven(both(hum(), whine(200.0, 500.0, harmonics=((1, 1.0), (2, 0.5)))), tone_v=60.0)
    for found in answers:
        if found.time_s > 3.5:
            assert found.band_hz == (10.0, 0.4 * BASS_RATE_HZ)
            assert found.hum.hz == 50.0
            assert found.hum.volts == pytest.approx(hum_rms(), rel=0.02)
            assert found.whine.volts == pytest.approx(0.05 * math.hypot(1, 0.5), rel=0.05)
            assert found.whine.lines == 2


def test_lines_do_not_become_noise_in_the_holes_between_reads():
    found = uneven(both(hum(volts=0.5), whine(200.0, 500.0, harmonics=((1, 1.0),))), seconds=5.0)[-1]
    # 3 holes of up to 5 ms a second, bridged by straight lines, would leave 20 mV of this.
    assert found.rest.below or found.rest.volts < 0.012


def test_nothing_on_the_bass_converter_is_below_half_a_code_or_more():
    for found in uneven(quiet, seconds=3.0):
        if found.stage is Stage.HEARD:
            for part in (found.total, found.hum, found.whine, found.line, found.rest):
                assert part.below
                assert part.volts >= 0.5 * NARROW_V


def test_a_clock_still_learning_is_not_listened_to():
    times_s, volts, facts = bass(hum(), span_s=BLOCK_S, facts=NARROW)
    learning = replace(block((times_s, volts, facts)), quality=Quality(BASS_RATE_HZ, Clock.LEARNING))
    listener = Listener()
    for _ in range(FEWEST + 2):
        assert listener.listen(learning).stage is Stage.LISTENING


@pytest.mark.parametrize("count", [0, 1, 2, 30])
def test_blocks_too_short_for_anything(count):
    times_s = np.arange(count) / RATE_HZ
    assert Listener().listen(block((times_s, np.zeros(count), EVEN))).stage is Stage.LISTENING


def test_another_range_in_between_does_not_mix_with_what_was_before():
    listener = Listener()
    for number in range(2 * FEWEST):
        rate_hz = RATE_HZ if number < FEWEST else RATE_HZ / 2
        times_s = number + np.arange(round(BLOCK_S * rate_hz)) / rate_hz
        rng = np.random.default_rng(number)
        volts = 0.01 * rng.standard_normal(len(times_s)) * (1 + 9 * (number < FEWEST))
        found = listener.listen(block((times_s, volts, EVEN)))
    assert found.stage is Stage.HEARD
    assert found.rest.volts < 0.03
