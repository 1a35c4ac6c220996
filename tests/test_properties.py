"""What must hold for any signal: scaling, turning over, moving in time, noise, and input nobody thought of."""

from __future__ import annotations

import dataclasses
import math
import warnings

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from blocks import LSB_V, bass, bass_facts, block, even, full_facts, judged, sine, tone
from flattop.measure.fit import fit_sine
from flattop.measure.level import measure
from flattop.measure.reading import Reading, Verdict
from flattop.measure.verdict import Judge
from flattop.samples import Clock, Samples
from oracles import Clipped

RATE_HZ = 6000.0
"""Rate of the even samples here: enough for 20 harmonics of 150 Hz, and quick."""
SHAPE = ("thd_pct", "thd_n_pct", "crest", "overdrive_pos_db", "overdrive_neg_db", "flat_share_pct", "drift_pct_s")
VOLTS = ("rms_v", "dc_v", "peak_pos_v", "peak_neg_v", "fundamental_v")

overdrives_db = st.one_of(st.just(0.0), st.floats(0.15, 8.0))
waves = st.builds(Clipped.by_db, overdrives_db, overdrives_db)
tones_hz = st.floats(15.0, 150.0)
phases = st.floats(0.0, 1.0)


def facts(k=1.0):
    return full_facts(rate_hz=RATE_HZ, noise_v=1e-5 * k, full_scale_v=100.0 * k)


def taken(wave, hz, phase, *, scale=1.0, offset=0.02):
    """A tone of 10 V with a little noise (the same for every scale) and d.c."""
    times_s, volts, _ = even(tone(wave, hz=hz, volts=10.0, phase=phase), rate_hz=RATE_HZ)
    noise = 1e-4 * np.random.default_rng(0).standard_normal(len(volts))
    return times_s, abs(scale) * math.copysign(1, scale) * (volts + offset + noise), facts(abs(scale))


def read(these, judge=None):
    return (judge or Judge()).update(measure(block(these)))


@given(waves, tones_hz, phases, st.floats(-4, 4).map(lambda e: 10.0**e))
@settings(max_examples=60)
def test_scaling_scales_volts_and_leaves_the_shape_alone(wave, hz, phase, k):
    one, scaled = read(taken(wave, hz, phase)), read(taken(wave, hz, phase, scale=k))
    for name in VOLTS:
        assert getattr(scaled, name) == pytest.approx(k * getattr(one, name), rel=1e-6, abs=1e-9 * k), name
    for name in SHAPE:
        assert getattr(scaled, name) == pytest.approx(getattr(one, name), rel=1e-5, abs=1e-5), name
    assert scaled.hz == pytest.approx(one.hz, rel=1e-9)
    assert (scaled.verdict, scaled.reason) == (one.verdict, one.reason)


@given(waves, tones_hz, phases)
@settings(max_examples=60)
def test_turning_the_leads_round_swaps_the_halves(wave, hz, phase):
    one, turned = read(taken(wave, hz, phase)), read(taken(wave, hz, phase, scale=-1.0))
    assert turned.dc_v == pytest.approx(-one.dc_v, abs=1e-9)
    assert (turned.peak_pos_v, turned.peak_neg_v) == pytest.approx((-one.peak_neg_v, -one.peak_pos_v), abs=1e-8)
    assert (turned.overdrive_pos_db, turned.overdrive_neg_db) == pytest.approx(
        (one.overdrive_neg_db, one.overdrive_pos_db), abs=2e-3
    )
    for name in ("rms_v", "hz", "thd_pct", "crest", "fundamental_v"):
        assert getattr(turned, name) == pytest.approx(getattr(one, name), rel=1e-7, abs=1e-9), name
    assert turned.verdict is one.verdict


@given(waves, tones_hz, phases, st.floats(-5e4, 5e4))
@settings(max_examples=60)
def test_moving_in_time_changes_nothing_but_time(wave, hz, phase, shift_s):
    times_s, volts, known = taken(wave, hz, phase)
    one, moved = read((times_s, volts, known)), read((times_s + shift_s, volts, known))
    assert moved.time_s == pytest.approx(one.time_s + shift_s, abs=1e-9)
    # At 5e4 s a time is exact to 4e-12 s.
    for name in (*VOLTS, *SHAPE, "hz", "rms_u_v"):
        assert getattr(moved, name) == pytest.approx(getattr(one, name), rel=1e-6, abs=1e-6), name
    assert (moved.verdict, moved.reason) == (one.verdict, one.reason)


@given(waves, st.floats(20.0, 80.0), phases, st.integers(0, 2**32 - 1), st.floats(30.0, 150.0))
@settings(max_examples=60)
def test_noise_and_quantising_move_figures_no_further_than_stated(wave, hz, phase, seed, volts):
    """2.5 times the expanded uncertainty (k = 2) is five deviations: 6 in 10^7 by chance.

    What is compared is what the band holds: 16 harmonics of a wave without any above them.
    """
    k = np.arange(2, 17)
    c = wave.harmonic(k)

    def limited(t):
        turn = hz * t + phase
        return volts * (wave.dc + wave.fundamental * sine(turn) + c @ sine(np.outer(k, turn)))

    found = measure(block(bass(limited, seed=seed)))
    thd = wave.thd_to(16)
    fundamental_v = volts * wave.fundamental
    assert abs(found.rms_v - fundamental_v * math.sqrt((1 + thd**2) / 2)) < 2.5 * found.rms_u_v
    assert abs(found.dc_v - volts * wave.dc) < 2.5 * found.dc_u_v
    assert abs(found.fit.hz - hz) < 2.5 * found.hz_u
    # THD adds the squares of noise on 15 harmonics: where there is little else they alone make up to 5 deviations.
    assert abs(found.thd - thd) < 6 * found.thd_sigma
    for seen, true in zip((found.tops.overdrive_pos_db, found.tops.overdrive_neg_db), wave.over_db, strict=True):
        # A half that is whole reads the noise by the two-thirds power; a cut one as stated.
        assert abs(seen - true) < max(5 * found.tops.sigma_db, 0.045)


@given(
    st.floats(20.0, 80.0), st.floats(-0.03, 0.03), st.integers(0, 1000), st.sampled_from([0.0, 0.5, 2.0]), st.booleans()
)
@settings(max_examples=30)
def test_what_is_one_per_cent_or_more_is_never_clean(hz, second, seed, over_db, one_sided):
    wave = Clipped.by_db(over_db, 0.0 if one_sided else over_db)
    assume(abs(second) >= 0.0105)
    signal = lambda t: 60 * (wave(hz * t) + second * sine(2 * hz * t + 0.1))  # noqa: E731
    k = np.arange(2, 17)
    c = wave.harmonic(k) + 0j
    c[0] += second * np.exp(2j * np.pi * 0.1)
    assume(np.linalg.norm(c) / wave.fundamental > 0.0102)
    readings = judged(bass(signal, seed=seed, span_s=0.6))
    assert Verdict.CLEAN not in {r.verdict for r in readings}


# -- any input at all --------------------------------------------------------------------------------------------------

finite = st.floats(-1e6, 1e6, allow_nan=False, width=64)
FACTS = {"bass": bass_facts(), "even": full_facts(rate_hz=3231.0)}
"""Rounded, through a known path; and as it comes."""


def consistent(reading):
    """A reading says what it can, and says so where it cannot."""
    assert isinstance(reading, Reading)
    assert isinstance(reading.verdict, Verdict)
    if reading.verdict is Verdict.UNKNOWN:
        assert reading.reason
    else:
        assert math.isfinite(reading.rms_v)
        assert math.isfinite(reading.thd_pct)
        assert math.isfinite(reading.overdrive_db)
    for field in dataclasses.fields(Reading):
        value = getattr(reading, field.name)
        if isinstance(value, float):
            assert not math.isinf(value), field.name
        if field.name.endswith(("_u_v", "_u_db", "_u")) and isinstance(value, float) and not math.isnan(value):
            assert value >= 0, field.name
    if not math.isfinite(reading.rms_v):
        assert reading.hazard
    return reading


def any_reading(volts, known, times_s=None):
    times_s = np.arange(len(volts)) / 3231.0 if times_s is None else times_s
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        return consistent(Judge().update(measure(Samples(times_s, np.asarray(volts, dtype=float), known))))


@pytest.mark.parametrize("known", FACTS.values(), ids=FACTS)
@given(volts=arrays(np.float64, st.integers(0, 200), elements=finite))
@settings(max_examples=60)
def test_any_finite_input_gives_a_reading(known, volts):
    any_reading(volts, known)


@pytest.mark.parametrize("known", FACTS.values(), ids=FACTS)
@given(
    steps=arrays(np.float64, st.integers(24, 300), elements=st.floats(1e-6, 0.02)),
    hz=st.floats(1.0, 1500.0),
    volts=st.floats(0.0, 1e4),
    limit=st.floats(0.001, 1.0),
)
@settings(max_examples=80)
def test_any_tone_on_any_times_gives_a_reading(known, steps, hz, volts, limit):
    times_s = np.cumsum(steps)
    any_reading(volts * np.clip(sine(hz * times_s), -limit, 1.0), known, times_s)


ODD = {
    "nothing": np.empty(0),
    "one sample": np.array([1.0]),
    "two samples": np.array([1.0, -1.0]),
    "all zero": np.zeros(800),
    "constant": np.full(800, 12.0),
    "d.c. far above full scale": np.full(800, 1e6),
    "single impulse": np.where(np.arange(800) == 400, 100.0, 0.0),
    "impulse at the end": np.where(np.arange(800) == 799, 100.0, 0.0),
    "rail to rail": 280.0 * (-1.0) ** np.arange(800),
    "rail to rail, slow": 280.0 * np.sign(sine(40 * np.arange(800) / 3231.0 + 0.01)),
    "step": np.where(np.arange(800) < 400, -100.0, 100.0),
    "ramp": np.linspace(-100.0, 100.0, 800),
    "denormal": np.full(800, 5e-324),
    "tiny tone": 1e-200 * sine(40 * np.arange(800) / 3231.0),
}


@pytest.mark.parametrize("known", FACTS.values(), ids=FACTS)
@pytest.mark.parametrize("volts", ODD.values(), ids=ODD)
def test_odd_input_gives_a_reading(volts, known):
    reading = any_reading(volts, known)
    if len(volts) < 24 or np.ptp(volts) == 0.0:
        assert reading.verdict is Verdict.UNKNOWN


@pytest.mark.parametrize("known", FACTS.values(), ids=FACTS)
@pytest.mark.parametrize("worst", [math.nan, math.inf, -math.inf, 1e200, -1e300, 1.7e308])
def test_what_is_no_voltage_is_unknown_and_keeps_the_hazard_on(known, worst):
    """Not a number, or beyond what can be squared: no figure is made of it, and nothing is raised or warned."""
    for volts in (np.full(800, worst), np.where(np.arange(800) == 77, worst, sine(40 * np.arange(800) / 3231.0))):
        reading = any_reading(volts, known)
        assert reading.verdict is Verdict.UNKNOWN
        assert reading.hazard


# -- purity ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "these",
    [bass(tone(Clipped.by_db(1.0, 0.2), hz=41.3, volts=60.0)), even(tone(Clipped.by_db(0.5), hz=997.0, volts=9.0))],
    ids=["uneven", "even"],
)
def test_measuring_is_pure(these):
    """The same block twice gives the same numbers, and leaves the samples as they were."""
    times_s, volts, known = these
    before = times_s.copy(), volts.copy()
    times_s.flags.writeable = volts.flags.writeable = False
    first, second = read((times_s, volts, known)), read((times_s, volts, known))
    for field in dataclasses.fields(Reading):
        if field.name not in {"tops", "facts", "quality"}:
            assert getattr(first, field.name) == getattr(second, field.name), field.name
    for field in dataclasses.fields(type(first.tops)):
        assert np.array_equal(getattr(first.tops, field.name), getattr(second.tops, field.name))
    assert np.array_equal(times_s, before[0])
    assert np.array_equal(volts, before[1])


def test_other_blocks_in_between_leave_a_blocks_figures_alone():
    """Nothing is carried from one block to the next but in the judge."""
    one = block(bass(tone(Clipped.by_db(1.0), hz=41.3, volts=60.0)))
    before = measure(one)
    for hz in (20.0, 200.0, 299.0):
        measure(block(bass(tone(sine, hz=hz, volts=5.0)), clock=Clock.LEARNING))
    after = measure(one)
    assert (after.rms_v, after.thd, after.tops) == (before.rms_v, before.thd, before.tops)


def test_two_judges_know_nothing_of_each_other():
    flat = measure(block(bass(tone(Clipped.by_db(0.5), hz=40.0, volts=60.0))))
    whole = measure(block(bass(tone(sine, hz=40.0, volts=60.0))))
    one, other = Judge(), Judge()
    assert one.update(flat).verdict is Verdict.FLAT
    assert other.update(whole).verdict is Verdict.CLEAN
    assert one.update(whole).verdict is Verdict.FLAT  # latched


@given(st.floats(1.0, 1000.0), st.integers(30, 400))
@example(40.0, 48)
@settings(max_examples=40)
def test_a_fit_returns_or_says_none(hz, n):
    times_s = np.arange(n) / 3231.0
    fit = fit_sine(times_s=times_s, volts=LSB_V * np.round(sine(hz * times_s)), near_hz=hz, harmonics=3)
    if fit is not None:
        assert math.isfinite(fit.hz)
        assert np.isfinite(fit.harmonics).all()
        assert len(fit.residual) == n
