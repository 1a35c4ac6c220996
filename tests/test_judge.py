"""Judgements against worked values, with the uncertainty counted as JCGM 106:2012 has it."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flattop.measure.level import measure
from flattop.measure.reading import Verdict
from flattop.measure.verdict import Judge
from flattop.samples import Input, Samples
from flattop.tuning.judge import (
    Judgement,
    Level,
    ceiling,
    change_db,
    difference_v,
    guard_banded,
    level_of,
    loss,
    matched,
    pair,
    power_w,
    ratio_db,
    shape,
    source,
    target,
)
from flattop.tuning.plan import Band
from keeping import FACTS, reading

PASS, FAIL, CANNOT = Judgement.PASS, Judgement.FAIL, Judgement.CANNOT_TELL
SIDES = ("L", "R")


def level(rms_v, u_v=0.002, **more):
    return Level(**{"rms_v": rms_v, "u_v": u_v, "hz": 40.0, "verdict": Verdict.CLEAN, **more})


@pytest.mark.parametrize(
    ("difference", "u", "limit", "judged"),
    [
        (0.08, 0.02, 0.1, PASS),  # on the guard band's edge
        (-0.08, 0.02, 0.1, PASS),
        (0.0801, 0.02, 0.1, CANNOT),
        (0.1, 0.02, 0.1, CANNOT),
        (0.12, 0.0199, 0.1, FAIL),
        (-0.1201, 0.02, 0.1, FAIL),
        (0.0, 0.2, 0.1, CANNOT),
        (0.0, 0.0, 0.0, PASS),
        (math.nan, 0.02, 0.1, CANNOT),
        (0.0, math.nan, 0.1, CANNOT),
    ],
)
def test_a_difference_passes_fails_or_cannot_be_told(difference, u, limit, judged):
    assert guard_banded(difference=difference, u=u, limit=limit) is judged


@pytest.mark.parametrize("true_difference", [0.1, -0.1])
def test_a_wrong_decision_is_as_rare_as_the_guard_band_promises(true_difference):
    # JCGM 106:2012, guard band of U = 2 u: what lies on the limit is passed, or failed, with 2.3 % probability each.
    seen = true_difference + np.random.default_rng(1).normal(0.0, 0.01, 4000)
    judged = [guard_banded(difference=one, u=0.02, limit=0.1) for one in seen]
    assert judged.count(PASS) / 4000 == pytest.approx(0.0228, abs=0.008)
    assert judged.count(FAIL) / 4000 == pytest.approx(0.0228, abs=0.008)


# -- links ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("before_v", "after_v", "lost_db"),
    [
        (4.00, 3.90, 0.2199),  # a passive level control and a cable; the voltages common practice, no source
        (3.90, 3.78, 0.2715),
        (20.0, 18.6, 0.6303),
        (23.4, 21.0, 0.9400),
        # Source impedances of 50, 200, 600, 1000 ohm into 10 kohm: closed form, and ngspice agrees.
        (1.0, 10_000 / 10_050, 0.0433),
        (1.0, 10_000 / 10_200, 0.172),
        (1.0, 10_000 / 10_600, 0.506),
        (1.0, 10_000 / 11_000, 0.8279),
    ],
)
def test_the_loss_of_a_link_in_decibels(before_v, after_v, lost_db):
    finding = loss(level(before_v, 1e-4), level(after_v, 1e-4), limit_db=0.5, where=("Cable", "left"))
    assert finding.value == pytest.approx(lost_db, abs=3e-4)
    assert finding.judgement is (PASS if lost_db < 0.5 else FAIL)
    # dB of a small relative change: 8.686 times it.
    assert finding.u == pytest.approx(8.686 * math.hypot(1e-4 / before_v, 1e-4 / after_v), rel=1e-3)
    assert f"loses {lost_db:.2f} dB" in finding.text
    assert bool(finding.causes) is (finding.judgement is FAIL)


def test_a_loss_too_near_its_limit_cannot_be_told():
    finding = loss(level(4.0, 0.02), level(3.9, 0.02), limit_db=0.25, where=("Cable",))
    assert finding.judgement is CANNOT
    assert "too close to tell" in finding.text


def test_gain_in_a_link_is_no_loss():
    finding = loss(level(2.0), level(4.0), limit_db=0.3, where=("Driver",))
    assert (finding.judgement, round(finding.value, 2)) == (PASS, -6.02)
    assert "gains 6.02 dB" in finding.text


def test_a_link_that_bends_the_tone_fails_whatever_it_loses():
    finding = loss(level(4.0), level(3.95, verdict=Verdict.FLAT), limit_db=0.5, where=("Control",))
    assert finding.judgement is FAIL
    assert "goes in clean and comes out flat" in finding.text
    bent = level(4.0, verdict=Verdict.FLAT)
    assert loss(bent, bent, limit_db=0.5, where=("Control",)).judgement is PASS


@pytest.mark.parametrize("other", [{"hz": 50.0}, {"hz": math.nan}, {"rms_v": 0.0}, {"rms_v": math.nan}])
def test_what_cannot_be_compared_cannot_be_told(other):
    assert loss(level(4.0), level(**{"rms_v": 3.9, **other}), limit_db=0.5, where=("x",)).judgement is CANNOT


# -- pairs and groups -------------------------------------------------------------------------------------------------


def by_a_meter(rms_v, **more):
    """The level that a meter gives whose gain is known to 1 % and that repeats to 4 mV."""
    return level(rms_v, math.hypot(0.004, 0.01 * rms_v), u_common_rel=0.01, path="speaker 2.048", **more)


def test_the_gain_that_both_readings_share_does_not_blur_their_difference():
    one, other = by_a_meter(85.0), by_a_meter(84.95)
    difference, u_v = difference_v(one, other)
    assert difference == pytest.approx(0.05)
    # What remains is how well each repeats, and 1 % of the difference itself.
    assert u_v == pytest.approx(math.hypot(0.004, 0.004, 0.0005), rel=1e-2)
    assert matched({"A": one, "B": other}, limit_v=0.1).judgement is PASS
    elsewhere = dataclasses.replace(other, path="speaker 0.256")
    assert difference_v(one, elsewhere)[1] == pytest.approx(0.85 * math.sqrt(2), rel=1e-3)
    assert matched({"A": one, "B": elsewhere}, limit_v=0.1).judgement is CANNOT
    assert ratio_db(one, other)[1] < 0.001 < ratio_db(one, elsewhere)[1]


def test_readings_of_different_tones_share_no_gain():
    one, other = by_a_meter(85.0, hz=40.0), by_a_meter(84.95, hz=1000.0)
    assert difference_v(one, other)[1] == pytest.approx(0.85 * math.sqrt(2), rel=1e-3)
    assert difference_v(one, dataclasses.replace(other, hz=40.1))[1] < 0.01


@pytest.mark.parametrize("hz", [40.0, 1000.0, 5000.0])
def test_what_a_path_spreads_at_a_tone_is_shared_by_all_readings_of_it(hz):
    facts = dataclasses.replace(FACTS[Input.SPEAKER], gain_u=0.002, spread_u=lambda hz: 1e-6 * hz)
    own = reading(20.0, hz=hz, u_v=0.004)
    u_v = math.hypot(0.004, 2.0 * 20.0 * math.hypot(0.002, 1e-6 * hz))
    one = level_of(dataclasses.replace(own, facts=facts, rms_u_v=u_v), no_load=True)
    assert one.own_u_v == pytest.approx(0.004, rel=1e-6)


def test_two_sides_on_one_pot_that_differ_are_not_adjustable_here():
    # 18.6 V against 20.0 V on one gain pot: -0.63 dB (common practice, no source).
    finding = pair(level(18.6), level(20.0), limit_v=0.02, one_pot=True, where=SIDES)
    assert (finding.what, finding.judgement, round(finding.value, 6)) == ("not adjustable here", FAIL, -1.4)
    assert finding.text == "L and R differ by 1.4 V (0.63 dB), limit 0.02 V; one pot sets both, so it stays."
    assert "two tracks of one gain pot that differ" in finding.causes
    assert pair(level(18.6), level(20.0), limit_v=0.02, one_pot=False, where=SIDES).what == "pair"
    fine = pair(level(20.0), level(20.01), limit_v=0.02, one_pot=True, where=SIDES)
    assert (fine.what, fine.judgement, fine.causes) == ("pair", PASS, ())


def test_of_a_group_the_two_that_are_worst_off_are_named():
    levels = {"A": level(85.0), "B": level(85.05), "C": level(84.8)}
    finding = matched(levels, limit_v=0.1)
    assert (finding.judgement, finding.where, round(finding.value, 6)) == (FAIL, ("B", "C"), 0.25)
    assert matched({"A": levels["A"], "B": levels["B"]}, limit_v=0.1).judgement is PASS
    with pytest.raises(ValueError, match="two or more"):
        matched({"A": level(1.0)}, limit_v=0.1)


def test_levels_with_and_without_load_are_not_compared_and_no_load_is_marked():
    finding = matched({"A": level(85.0, no_load=True), "B": level(85.0)}, limit_v=0.1)
    assert (finding.judgement, finding.no_load) == (CANNOT, True)
    assert pair(level(1.0, no_load=True), level(1.0, no_load=True), limit_v=0.1, one_pot=False, where=SIDES).no_load
    assert not pair(level(1.0), level(1.0), limit_v=0.1, one_pot=False, where=SIDES).no_load


@given(
    st.dictionaries(st.sampled_from("ABCD"), st.floats(60.0, 120.0), min_size=2), st.floats(0, 1), st.floats(0.001, 1)
)
def test_a_group_passes_only_if_every_two_of_it_do(volts, u_v, limit_v):
    levels = {name: level(v, u_v) for name, v in volts.items()}
    judged = matched(levels, limit_v=limit_v).judgement
    spread_v, both_u_v = max(volts.values()) - min(volts.values()), math.hypot(u_v, u_v)
    assert judged is guard_banded(difference=spread_v, u=both_u_v, limit=limit_v)


# -- outputs ----------------------------------------------------------------------------------------------------------


def test_the_ceiling_against_the_rated_level():
    clean = level(70.0, 0.2, no_load=True)
    high = ceiling(clean, ceiling_v=71.0, u_v=0.2, rated_v=63.2, where=("Bass A",))
    assert (high.judgement, high.no_load, high.value) == (PASS, True, 71.0)
    assert ceiling(clean, ceiling_v=60.0, u_v=0.2, rated_v=63.2, where=("Bass A",)).judgement is FAIL
    assert ceiling(clean, ceiling_v=63.1, u_v=0.2, rated_v=63.2, where=("Bass A",)).judgement is CANNOT
    unseen = ceiling(level(50.0), ceiling_v=math.nan, u_v=math.nan, rated_v=63.2, where=("Bass A",))
    assert unseen.judgement is CANNOT
    assert "still clean at 50.00 V, the highest level seen" in unseen.text
    assert "not tried" in unseen.text
    assert "too close" not in unseen.text
    taken = ceiling(level(63.12), ceiling_v=math.nan, u_v=math.nan, rated_v=63.2, tolerance_v=0.1, where=("Bass A",))
    assert taken.judgement is PASS, "it was set to its rating, and carried it"
    assert ceiling(clean, ceiling_v=71.0, u_v=0.2, rated_v=math.nan, where=("Bass A",)).judgement is PASS


def test_a_source_that_clips_before_its_volume_ends_is_a_finding():
    clips = source(level(3.4), ceiling_v=3.507, u_v=0.01, where=("Line source L",))
    assert (clips.judgement, clips.value) == (FAIL, 3.507)
    assert clips.causes
    assert "above 3.51 V" in clips.text
    clean = source(level(3.4), ceiling_v=math.nan, u_v=math.nan, where=("Line source L",))
    assert (clean.judgement, clean.value, clean.causes) == (PASS, 3.4, ())


def test_a_limit_is_said_with_three_digits():
    found = matched({"L": level(18.0), "R": level(18.02)}, limit_v=0.0893561)
    assert "limit 0.0894 V" in found.text


@pytest.mark.parametrize(
    ("rms_v", "judged"), [(63.2, PASS), (63.28, PASS), (63.295, PASS), (63.299, CANNOT), (63.4, FAIL)]
)
def test_a_gain_is_judged_by_how_well_the_meter_repeats(rms_v, judged):
    finding = target(by_a_meter(rms_v), aim_v=63.2, tolerance_v=0.1, where=("Bass A",))
    assert finding.judgement is judged
    assert "known within 0.63 V" in finding.text


@pytest.mark.parametrize(
    ("verdict", "bass", "mid"),
    [
        (Verdict.CLEAN, PASS, PASS),
        (Verdict.SOFT, PASS, FAIL),
        (Verdict.FLAT, FAIL, FAIL),
        (Verdict.DISTORTED, FAIL, FAIL),
        (Verdict.UNKNOWN, CANNOT, CANNOT),
    ],
)
def test_only_bass_may_be_left_soft(verdict, bass, mid):
    held = level(20.0, verdict=verdict)
    assert shape(held, band=Band.BASS, where=("x",)).judgement is bass
    assert shape(held, band=Band.MID, where=("x",)).judgement is mid
    assert shape(held, band=Band.HIGH, where=("x",)).judgement is mid


def test_the_tone_with_the_least_room_sets_the_gain():
    # 20 V at both tones; room to 22.44 V at one is 1 dB up, 18.88 V allowed at the other is 0.5 dB down.
    change, tone = change_db({"1 kHz": (20.0, 22.440), "3.5 kHz": (20.0, 18.881)})
    assert (round(change, 3), tone) == (-0.5, "3.5 kHz")


@pytest.mark.parametrize(
    ("volts", "load_ohm", "watts"), [(20.0, 4.0, 100.0), (14.142, 4.0, 50.0), (31.623, 1.0, 1000.0)]
)
def test_power_is_an_estimate_with_twice_the_relative_uncertainty(volts, load_ohm, watts):
    estimate, u_w = power_w(level(volts, 0.01 * volts), load_ohm=load_ohm)
    assert estimate == pytest.approx(watts, rel=1e-4)
    assert u_w == pytest.approx(0.02 * watts, rel=1e-4)


# -- from a reading ---------------------------------------------------------------------------------------------------


def test_of_a_reading_what_others_share_is_told_apart_from_what_is_its_own():
    # The same samples measured with a meter that is sure of its gain and path, and with one that is not.
    def path(hz):
        return 1.0 / (1.0 + 1j * np.asarray(hz) / 300.0)

    sure = dataclasses.replace(FACTS["speaker"], gain_u=0.0, response_u=0.0, response=path)
    unsure = dataclasses.replace(sure, gain_u=0.0075, response_u=0.025)
    times_s = np.arange(825) / 3300.0
    noise = np.random.default_rng(3).normal(0.0, 0.05, 825)
    volts = 28.0 * np.sin(2 * np.pi * 150.0 * times_s) + noise
    levels = []
    for facts in (sure, unsure):
        got = Judge().update(measure(Samples(times_s, volts, facts)))
        levels.append(level_of(got, no_load=True))
    assert levels[1].u_v > 10 * levels[0].u_v
    assert levels[1].own_u_v == pytest.approx(levels[0].u_v, rel=1e-6)
    assert (levels[0].no_load, levels[0].path) == (True, levels[1].path)


def test_a_reading_without_a_tone_has_a_level_too():
    got = level_of(reading(0.01, hz=math.nan, verdict=Verdict.UNKNOWN), no_load=False)
    assert got.own_u_v == pytest.approx(0.004)
