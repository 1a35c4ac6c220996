"""The keeper: what is kept by itself and what is not, and each thing that is in the way called by its name."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flattop.measure.reading import Reason, Verdict
from flattop.samples import Input
from flattop.tuning.steady import DOUBT_S, Keeper, Sight
from keeping import TELLS, Count, Scene, reading

TICK_S = 0.1


class Hand:
    """Gives readings to a keeper, ten a second."""

    def __init__(self, **keeper):
        self.keeper = Keeper(**keeper)
        self.now_s = 100.0
        self.hz, self.place, self.input, self.expected_v = 40.0, "A", Input.SPEAKER, None

    def see(self, made):
        self.now_s += TICK_S
        return self.keeper.see(
            made,
            now_s=self.now_s,
            wanted_hz=self.hz,
            input=self.input,
            expected_v=self.expected_v,
            place=self.place,
        ).sight

    def hold(self, rms_v, duration_s=2.0, **made):
        """Let a level stand; return what was said."""
        return [self.see(reading(rms_v, **made)) for _ in range(round(duration_s / TICK_S))]

    def course(self, levels, **made):
        return [self.see(reading(level, **made)) for level in levels]

    def off(self, duration_s=1.0, rms_v=0.01):
        return self.hold(rms_v, duration_s, hz=math.nan, reason=Reason.LEAD_OFF)

    def silent(self, duration_s=1.0):
        return self.hold(0.005, duration_s, hz=math.nan, reason=Reason.NO_TONE)


def test_what_stands_for_a_second_is_kept_once():
    hand = Hand()
    said = hand.hold(85.0, 4.0)
    assert said[:10] == [Sight.STEADYING] * 10
    assert said[10] is Sight.KEEP
    assert set(said[11:]) == {Sight.KEPT}
    hand.off()
    hand.place = "B"
    assert hand.hold(84.5).count(Sight.KEEP) == 1


@pytest.mark.parametrize("steady_s", [0.3, 1.0, 3.0])
def test_the_time_that_it_must_stand_is_a_setting(steady_s):
    said = Hand(steady_s=steady_s).hold(4.0, 4.0, input=Input.SPEAKER)
    assert said.index(Sight.KEEP) == round(steady_s / TICK_S)


def test_a_level_that_moves_is_not_kept_until_it_stands():
    hand = Hand()
    # 0.4 % a second: slow for a hand, fast for a level.
    ramp = hand.course([80.0 * (1.0 + 0.0004 * number) for number in range(60)])
    assert Sight.KEEP not in ramp
    assert ramp[-1] is Sight.MOVING
    assert hand.hold(82.0)[-1] is Sight.KEPT
    assert hand.hold(82.0 * 1.002)[0] in {Sight.KEPT, Sight.MOVING}


def test_at_the_same_place_another_level_is_kept_and_a_wavering_one_is_not():
    hand = Hand(tolerance_pct=0.1)
    hand.hold(85.0)
    assert Sight.KEEP not in hand.hold(85.1)  # 0.12 %
    assert hand.hold(86.0).count(Sight.KEEP) == 1
    assert hand.hold(85.0).count(Sight.KEEP) == 1


def test_noise_within_its_own_uncertainty_does_not_keep_a_level_from_standing():
    hand = Hand(tolerance_pct=0.01)
    # Half of what repeats (k = 2) to one side and half to the other.
    said = hand.course([0.2 + (-1) ** number * 0.002 for number in range(15)], u_v=0.004)
    assert Sight.KEEP in said
    assert Sight.KEEP not in Hand(tolerance_pct=0.01).course(
        [0.2 + (-1) ** number * 0.02 for number in range(30)], u_v=0.004
    )


def test_a_new_tone_at_the_same_place_is_kept_at_once():
    hand = Hand()
    hand.hold(20.0)
    hand.hz = 80.0
    assert hand.hold(20.0, 0.2) == [Sight.WAIT] * 2
    assert hand.hold(20.0, 2.0, hz=80.0).count(Sight.KEEP) == 1


def test_the_wrong_tone_is_said_once_it_stands_and_never_kept():
    hand = Hand()
    said = hand.hold(20.0, 3.0, hz=41.2)
    assert said[:2] == [Sight.WAIT] * 2
    assert set(said[4:]) == {Sight.WRONG_TONE}
    # A player that is a little off plays the right one all the same.
    assert Sight.KEEP in Hand().hold(20.0, hz=40.2)


def test_music_is_no_tone_be_it_a_mixture_or_one_note_after_another():
    hand = Hand()
    assert hand.hold(20.0, 1.0, hz=math.nan, reason=Reason.NOT_ONE_TONE)[-1] is Sight.NOT_A_TONE
    notes = [hand.see(reading(20.0, hz=hz)) for hz in (55, 55, 61.7, 61.7, 73.4, 73.4, 82.4, 82.4)]
    assert notes[-1] is Sight.NOT_A_TONE


def test_a_tone_cut_so_far_that_it_is_not_believed_at_once_is_waited_for():
    hand = Hand()
    said = hand.hold(28.0, 0.6, reason=Reason.NOT_ONE_TONE)
    assert set(said[1:]) == {Sight.STEADYING}
    assert Sight.KEEP in hand.hold(28.0)
    # Music that holds a note of the tone's pitch does not stand still, or it is not the tone for long.
    music = hand.course([20.0, 21.0, 20.3, 22.0, 19.0, 20.6, 21.7], reason=Reason.NOT_ONE_TONE)
    assert Sight.STEADYING not in music
    assert music[-1] is Sight.NOT_A_TONE
    assert Hand().hold(28.0, 2.0, reason=Reason.NOT_ONE_TONE)[-1] is Sight.NOT_A_TONE


@pytest.mark.parametrize("on_the_way", [0, 1, 3])
def test_a_track_that_ends_before_its_tone_was_believed_is_told(on_the_way):
    hand = Hand()
    assert Sight.KEEP in hand.hold(30.0)
    hand.off()
    hand.place = "B"
    hand.hold(28.0, 0.5, reason=Reason.NOT_ONE_TONE)
    hand.hold(12.0, on_the_way * TICK_S, reason=Reason.NOT_ONE_TONE, hz=math.nan)
    assert set(hand.silent()) == {Sight.SILENT}, "not a lead that is moved on, nor one that was never clipped on"


def test_a_level_of_another_step_is_told_and_not_kept():
    hand = Hand()
    hand.expected_v = (60.0, 90.0)
    said = hand.hold(20.0, 3.0)
    assert set(said[4:]) == {Sight.WRONG_LEVEL}
    hand.off()
    assert Sight.KEEP in hand.hold(80.0)


def test_a_slip_before_the_reading_was_kept_is_told_from_a_lead_that_is_moved_on():
    hand = Hand()
    hand.hold(85.0, 0.5)
    assert set(hand.off(rms_v=0.15)) == {Sight.SLIPPED}
    assert Sight.KEEP in hand.hold(85.0)
    assert set(hand.off()) == {Sight.AWAY}


def test_a_cut_to_nothing_at_all_may_be_the_track_as_well():
    """An open lead picks up some hum; the output of an amplifier whose track broke off is quiet."""
    hand = Hand()
    hand.hold(85.0, 0.5)
    assert set(hand.off(rms_v=0.01)) == {Sight.SILENT}
    assert set(hand.off(rms_v=0.15)) == {Sight.SLIPPED}, "the converter looks closer, and then there is hum"


def test_a_wrong_tone_at_the_mains_frequency_is_no_hum():
    """From a bass output at 80 V to another amplifier at 12 V, where the bass tone of 49.8 Hz is played on."""
    hand = Hand(tones_hz=[49.8, 90.0])
    hand.hz = 49.8
    assert Sight.KEEP in hand.hold(80.0, 2.0, hz=49.8)
    hand.off()
    hand.hz, hand.place = 90.0, "Voices"
    assert hand.hold(0.15, 1.0, hz=50.0)[-1] is Sight.AWAY
    assert hand.hold(12.0, 1.0, hz=49.8)[-1] is Sight.WRONG_TONE


def test_an_open_lead_with_hum_on_it_is_off_too():
    hand = Hand()
    hand.hold(4.0, 0.5)
    assert set(hand.hold(0.3, 1.0, hz=50.0)) == {Sight.HUM}
    assert set(Hand().hold(0.3, 1.0, hz=60.0)) == {Sight.HUM}
    # As loud as the tone was, it is somebody's test tone.
    loud = Hand()
    loud.hold(4.0, 0.5)
    assert loud.hold(3.0, 1.0, hz=50.0)[-1] is Sight.WRONG_TONE


@pytest.mark.parametrize("rate", [0.75, 0.9])
def test_a_fade_is_no_slip_however_the_meter_calls_its_end(rate):
    hand = Hand()
    hand.hold(85.0, 0.5)
    # So fast that the meter cannot judge the falling level, or so slow that it does.
    hand.course([85.0 * rate**number for number in range(1, 11)], reason=Reason.MOVING)
    assert set(hand.off()) == {Sight.ENDED}
    hand.hold(85.0, 0.5)
    assert set(hand.hold(30.0, 0.3, reason=Reason.FADING)) == {Sight.FADING}
    assert set(hand.silent()) == {Sight.ENDED}
    assert Sight.KEEP in hand.hold(85.0)


def test_nothing_at_all_is_no_tone():
    assert set(Hand().silent()) == {Sight.NO_TONE}


@pytest.mark.parametrize(
    "reason", [Reason.SILENT, Reason.CLOCK_LEARNING, Reason.TOO_HIGH, Reason.IMAGE, Reason.OUT_OF_BAND]
)
def test_what_cannot_be_measured_is_waited_for_and_breaks_the_standing(reason):
    hand = Hand()
    hand.hold(85.0, 0.9)
    assert hand.hold(math.nan, 0.1, hz=math.nan, reason=reason) == [Sight.WAIT]
    assert hand.hold(85.0, 1.0) == [Sight.STEADYING] * 10


def test_a_hole_in_the_readings_proves_nothing():
    hand = Hand()
    hand.hold(85.0, 0.5)
    hand.now_s += 1.0
    assert hand.hold(85.0, 1.0) == [Sight.STEADYING] * 10


def test_the_other_input_is_another_place():
    hand = Hand()
    hand.hold(4.0)
    hand.input = Input.LINE
    assert set(hand.hold(4.0, 1.0)) == {Sight.WRONG_INPUT}
    assert Sight.KEEP in hand.hold(4.0, 2.0, input=Input.LINE)


def test_a_shape_of_any_kind_is_kept_but_none_without_a_level():
    for reason, verdict in ((Reason.TOP_MISSING, Verdict.FLAT), (Reason.NO_TOP_MISSING, Verdict.DISTORTED)):
        assert Sight.KEEP in Hand().hold(85.0, reason=reason, verdict=verdict)
    assert Sight.KEEP not in Hand().hold(math.nan)


# -- none for the wrong output ----------------------------------------------------------------------------------------


def kept_at_a():
    hand = Hand()
    assert Sight.KEEP in hand.hold(85.0)
    hand.place = "B"
    return hand


def test_the_next_output_needs_the_lead_lifted_whatever_the_level_does():
    hand = kept_at_a()
    assert set(hand.hold(85.0)) == {Sight.KEPT}
    assert Sight.KEEP not in hand.course([85.0 - number for number in range(10)]) + hand.hold(76.0, 3.0)
    hand.off()
    assert Sight.KEEP in hand.hold(85.0 * 1.002)


def test_a_track_that_begins_again_is_not_taken_for_the_next_output():
    hand = kept_at_a()
    hand.off(0.5)  # it broke off, which looks like a lead that came off
    assert set(hand.hold(85.0, 3.0)[4:]) == {Sight.SAME}
    faded = kept_at_a()
    faded.hold(30.0, 0.3, reason=Reason.FADING)
    faded.silent()
    assert set(faded.hold(85.05, 3.0)[4:]) == {Sight.SAME}


def test_a_next_output_that_is_the_same_to_a_hair_is_kept_after_a_while_or_once_lifted_again():
    hand = kept_at_a()
    hand.off()
    assert hand.hold(85.0, DOUBT_S + 1.0).index(Sight.KEEP) == round(DOUBT_S / TICK_S)
    again = kept_at_a()
    again.off()
    again.hold(85.0, 1.0)
    again.off()
    assert again.hold(85.0, 2.0).index(Sight.KEEP) == 10


def test_the_foot_switch_counts_as_kept_and_arming_starts_anew():
    hand = Hand()
    hand.keeper.keep_now(reading(85.0), now_s=hand.now_s, place="A")
    assert set(hand.hold(85.0)) == {Sight.KEPT}
    hand.keeper.arm()
    assert Sight.KEEP in hand.hold(85.0)


_REASONS = [Reason.NONE] * 6 + [Reason.LEAD_OFF, Reason.NO_TONE, Reason.FADING, Reason.MOVING, Reason.NOT_ONE_TONE]
_PARTS = st.lists(
    st.tuples(
        st.sampled_from([4.0, 4.001, 4.05, 20.0, 85.0, math.nan]),
        st.floats(-0.02, 0.02),
        st.sampled_from([40.0, 40.0, 40.0, 41.2, 50.0, math.nan]),
        st.sampled_from(_REASONS),
        st.integers(1, 25),
    ),
    max_size=8,
)


@given(_PARTS)
def test_whatever_comes_only_what_has_stood_is_kept_and_only_once(parts):
    hand, past = Hand(), []
    last_kept = -100
    for level_v, slope, hz, reason, count in parts:
        for number in range(count):
            made = reading(level_v * (1 + slope * number), hz=hz, reason=reason, u_v=1e-4)
            past.append(made)
            if hand.see(made) is not Sight.KEEP:
                continue
            stood = past[-11:]
            levels = [one.rms_v for one in stood]
            assert len(stood) == 11
            assert all(one.hz == 40.0 and one.reason is Reason.NONE for one in stood)
            assert max(levels) - min(levels) <= 1.01e-3 * max(levels) + 3e-4
            since = past[last_kept:] if last_kept >= 0 else []
            changed = any(one.reason in {Reason.LEAD_OFF, Reason.NO_TONE, Reason.FADING} for one in since)
            moved = any(abs(one.rms_v - made.rms_v) > 2e-3 * made.rms_v for one in since)
            gone = any(one.hz != 40.0 for one in since)
            assert not since or changed or moved or gone
            last_kept = len(past) - 1


# -- a tuner at work, while things go wrong ----------------------------------------------------------------------------


def test_simulated_minutes_hold_no_false_keep_and_every_event_is_told():
    # The figure of 1,000 minutes: tests/figures/keeper.py
    found = sum((Scene(seed).run(10.0) for seed in range(100, 104)), Count())
    assert found.minutes >= 40.0
    assert found.keeps > 150
    assert (found.false, found.wrong_output, found.missed) == (0, 0, 0)
    assert not found.mistold
    assert set(found.events) == set(TELLS)
    assert found.told == found.events


def test_the_simulated_minutes_can_tell_a_keeper_that_is_too_hasty(monkeypatch):
    monkeypatch.setattr("flattop.tuning.steady.DOUBT_S", 0.0)
    found = sum((Scene(seed).run(10.0) for seed in range(3)), Count())
    assert found.wrong_output > 0
