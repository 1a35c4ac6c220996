"""Lamp and sounder as patterns: every pair distinct, pitches in band and clear of the tone, signals played in time."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flattop.measure.reading import Reason, Verdict
from flattop.panel import indicators, words
from flattop.panel.indicators import (
    HIGHEST_HZ,
    LEAD_TURNS_S,
    LOWEST_HZ,
    PASSING,
    QUIET,
    RUNGS,
    Lead,
    Player,
    Signal,
    critical_band_hz,
    lamp,
    lead_of,
    lead_sound,
    led,
    off_aim,
    pitches,
    signal_of,
    sound,
)
from make_frames import reading as reading_of

# The signals that must be told apart by each of colour, lamp rhythm, melody and sound rhythm alone.
EIGHT = (
    Signal.CLEAN,
    Signal.SOFT,
    Signal.FLAT,
    Signal.KEPT,
    Signal.WRONG,
    Signal.UP,
    Signal.HOLD,
    Signal.DOWN,
)
PAIRS = list(itertools.combinations(EIGHT, 2))
ALL_PAIRS = list(itertools.combinations(Signal, 2))
SOUNDING = [signal for signal in Signal if sound(signal, tone_hz=None) is not None]
TONES_HZ = [None, *np.geomspace(10, 20_000, 400), 40, 1000, 3500, 5000, math.nan, math.inf, 0.0, -40.0]

THERE = Lead(0)
UPS, DOWNS = ([Lead(way, step) for step in range(len(LEAD_TURNS_S))] for way in (1, -1))
LEADS = [THERE, *UPS, *DOWNS]

RHYTHM_SHARE = 0.25
PITCH_RATIO = 2 ** (2 / 12)  # two semitones
COLOUR_UV = 0.04


# --- rhythm ---

GRID_S = 0.01


def course(pattern, strength):
    """One turn of the pattern on a grid of 10 ms, its strongest step being 1."""
    turn = np.concatenate([np.full(round(step.duration_s / GRID_S), float(strength(step))) for step in pattern.steps])
    return turn / turn.max()


def rhythm_difference(one, other, strength):
    """Share of the time in which at least one is on during which they differ, at the alignment where it is least.

    Over 2 s, or over one turn if that is longer; a pattern that plays once has nothing before and after it. Counted
    relative to the time either is on: two short beeps in a long silence would otherwise be alike.
    """
    a, b = course(one, strength), course(other, strength)
    if one.repeats and other.repeats:
        n = max(len(a), len(b), round(2 / GRID_S))
        long_a, long_b = np.resize(a, n + len(a)), np.resize(b, n + len(b))
        aligned = [(long_a[:n], long_b[k : k + n]) for k in range(len(b))]
        aligned += [(long_a[k : k + n], long_b[:n]) for k in range(len(a))]
    else:
        if one.repeats:
            a, b, one, other = b, a, other, one
        if other.repeats:
            n = math.ceil(max(len(a), 2 / GRID_S) / len(b)) * len(b)
            b = np.resize(b, n)
        else:
            n = len(a) + len(b)
            b = np.pad(b, (0, n - len(b)))
        a = np.pad(a, (0, n - len(a)))
        aligned = [(a, np.roll(b, k)) for k in range(n)]
    return min(np.abs(x - y).sum() / np.maximum(x, y).sum() for x, y in aligned)


def sounding(step):
    return step.pitch_hz > 0


def test_the_measure_of_rhythm_knows_equal_from_different():
    steady = indicators._flashes(words.WHITE, 1.0)
    half = indicators._flashes(words.WHITE, 0.5, 0.5)
    dimmer_half = indicators._flashes(words.SKY, 0.5, 0.5, level=0.2)
    once = indicators._flashes(words.WHITE, 0.5, 0.5, repeats=False)
    assert rhythm_difference(half, dimmer_half, lambda step: step.level) == 0
    assert rhythm_difference(half, steady, lambda step: step.level) == pytest.approx(0.5)
    assert rhythm_difference(once, half, lambda step: step.level) == pytest.approx(0.5)
    assert rhythm_difference(once, once, lambda step: step.level) == 0


@pytest.mark.parametrize(("one", "other"), ALL_PAIRS)
def test_no_two_lamps_share_a_rhythm(one, other):
    # Level only: all of it can be seen without any colour.
    assert rhythm_difference(lamp(one), lamp(other), lambda step: step.level) >= RHYTHM_SHARE


@pytest.mark.parametrize(("one", "other"), list(itertools.combinations(SOUNDING, 2)))
def test_no_two_sounds_share_a_rhythm(one, other):
    assert rhythm_difference(sound(one, tone_hz=None), sound(other, tone_hz=None), sounding) >= RHYTHM_SHARE


def test_a_sound_keeps_its_rhythm_beside_any_tone():
    for signal in SOUNDING:
        rhythms = {
            tuple((step.duration_s, step.pitch_hz > 0) for step in sound(signal, tone_hz=hz).steps) for hz in TONES_HZ
        }
        assert len(rhythms) == 1


# --- colour ---

# Okabe & Ito, Color Universal Design (2008), as red, green, blue of 255.
OKABE_ITO = {
    (230, 159, 0),
    (86, 180, 233),
    (0, 158, 115),
    (240, 228, 66),
    (0, 114, 178),
    (213, 94, 0),
    (204, 121, 167),
}
# CIE XYZ of linear sRGB, IEC 61966-2-1.
XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])


def uv(duties):
    """CIE 1976 u', v' of the light."""
    x, y, z = XYZ @ np.asarray(duties)
    return np.array([4 * x, 9 * y]) / (x + 15 * y + 3 * z)


def colours(signal):
    return {step.colour for step in lamp(signal).steps if step.level > 0}


def test_every_colour_is_of_the_published_palette_or_white():
    assert set().union(*map(colours, Signal)) == OKABE_ITO | {words.WHITE}


def test_a_state_has_the_colour_it_has_on_the_screen(reading):
    for verdict, reason in [
        (Verdict.CLEAN, Reason.NONE),
        (Verdict.SOFT, Reason.TOPS_BEND),
        (Verdict.FLAT, Reason.TOP_MISSING),
        (Verdict.DISTORTED, Reason.NO_TOP_MISSING),
        (Verdict.UNKNOWN, Reason.SILENT),
        (Verdict.UNKNOWN, Reason.TOO_HIGH),
    ]:
        shown = replace(reading, verdict=verdict, reason=reason)
        assert words.face(shown, stale=False).colour in colours(signal_of(shown, stale=False))


@pytest.mark.parametrize(("one", "other"), PAIRS)
def test_no_two_of_the_eight_share_a_colour(one, other):
    # 0.04 in u', v' is some thirty times what can just be told apart (CIE TN 001:2014, 0.0013; from memory).
    for a, b in itertools.product(colours(one), colours(other)):
        assert np.hypot(*(uv(led(a, 1)) - uv(led(b, 1)))) >= COLOUR_UV


def test_the_led_has_the_hue_of_the_screen():
    # IEC 61966-2-1: half of full code is 21.4 % of full light.
    assert led((255, 128, 0), 1.0) == pytest.approx((1.0, 0.2159, 0.0), abs=1e-4)
    assert led((128, 128, 128), 0.5) == pytest.approx((0.5, 0.5, 0.5))
    assert led((0, 0, 0), 1.0) == (0.0, 0.0, 0.0)
    for colour in OKABE_ITO:
        assert max(led(colour, 1.0)) == pytest.approx(1.0)
        screen = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in np.array(colour) / 255]
        assert uv(led(colour, 0.2)) == pytest.approx(uv(screen))


def test_no_lamp_flashes_more_than_three_times_a_second():
    # WCAG 2.2, success criterion 2.3.1
    for signal in Signal:
        lit = np.resize(course(lamp(signal), lambda step: step.level) > 0, round(6 / GRID_S))
        starts = np.flatnonzero(np.diff(lit.astype(int), prepend=0) == 1) * GRID_S
        for start in starts:
            assert np.count_nonzero((starts >= start) & (starts < start + 1)) <= 3, signal


def test_no_light_is_too_short_to_be_seen():
    assert min(step.duration_s for signal in Signal for step in lamp(signal).steps if step.level) >= 0.1


# --- pitch ---


def melody(signal, tone_hz=None):
    """The pitches in turn, without their lengths; a pitch that is repeated counts once."""
    pattern = (lead_sound if isinstance(signal, Lead) else sound)(signal, tone_hz=tone_hz)
    played = [step.pitch_hz for step in pattern.steps if step.pitch_hz]
    return [pitch for pitch, _ in itertools.groupby(played)]


def told_apart(one, other):
    """Another number of notes, or at least one note in the same place two semitones or more away."""
    if len(one) != len(other):
        return True
    return max(max(a, b) / min(a, b) for a, b in zip(one, other, strict=True)) >= PITCH_RATIO


def test_no_two_of_the_eight_share_a_melody_beside_any_tone():
    for tone_hz in TONES_HZ:
        for one, other in PAIRS:
            assert told_apart(melody(one, tone_hz), melody(other, tone_hz)), (one, other, tone_hz)


def test_up_rises_hold_stays_and_down_falls_beside_any_tone():
    for tone_hz in TONES_HZ:
        up, hold, down = (np.array(melody(signal, tone_hz)) for signal in (Signal.UP, Signal.HOLD, Signal.DOWN))
        assert (up[1:] / up[:-1] >= PITCH_RATIO**2).all()
        assert len(up) >= 2
        assert len(hold) == 1
        assert (down[:-1] / down[1:] >= PITCH_RATIO**2).all()
        assert len(down) >= 2


@given(st.one_of(st.none(), st.floats(10, 20_000)))
def test_pitches_stay_in_band_apart_and_a_critical_band_clear_of_the_tone(tone_hz):
    # IEC 60601-1-8, annex D.2 (informative), as quoted in public: preferred range 500 Hz to 3000 Hz.
    ladder = pitches(tone_hz)
    assert len(ladder) == RUNGS
    assert (LOWEST_HZ, HIGHEST_HZ) == (500, 3000)
    assert ladder[0] >= 500
    assert ladder[-1] <= 3000
    assert all(high / low >= 1.15 for low, high in itertools.pairwise(ladder))
    if tone_hz is not None:
        for harmonic_hz in (tone_hz, 2 * tone_hz, 3 * tone_hz):
            assert all(abs(pitch - harmonic_hz) >= critical_band_hz(harmonic_hz) for pitch in ladder)


def test_every_pitch_played_is_of_the_ladder():
    for tone_hz in TONES_HZ:
        played = {step.pitch_hz for signal in SOUNDING for step in sound(signal, tone_hz=tone_hz).steps}
        assert played <= {0.0, *pitches(tone_hz)}


def test_the_critical_band_is_the_published_one():
    # Zwicker 1961, table of critical bands: width at the centre (from memory); the formula is within 10 % of it.
    for centre_hz, width_hz in [(570, 120), (1000, 160), (1600, 240), (2150, 320), (2900, 450)]:
        assert critical_band_hz(centre_hz) == pytest.approx(width_hz, rel=0.1)


def test_pitches_do_not_waver_with_the_reading():
    assert pitches(1000.0) == pytest.approx(pitches(1000.4))
    assert pitches(40.0) == pytest.approx(pitches(None))
    assert pitches(None) == pytest.approx([500 * 6 ** (i / 5) for i in range(6)], rel=1e-6)
    assert pitches(math.nan) == pitches(math.inf) == pitches(-1.0) == pitches(None)


def test_notes_are_long_enough_beside_a_fan():
    assert min(step.duration_s for signal in SOUNDING for step in sound(signal, tone_hz=None).steps) > 0.06


def test_clean_does_not_nag_and_soft_and_flat_do():
    assert not sound(Signal.CLEAN, tone_hz=None).repeats
    assert sound(Signal.CLEAN, tone_hz=None).duration_s <= 0.2
    assert sound(Signal.SOFT, tone_hz=None).repeats
    assert sound(Signal.FLAT, tone_hz=None).repeats
    assert not any(sound(signal, tone_hz=None).repeats or lamp(signal).repeats for signal in PASSING)


@pytest.mark.parametrize("signal", Signal)
def test_mute_silences_everything(signal):
    assert sound(signal, tone_hz=1000.0, muted=True) is None


# --- leading a hand ---


@given(st.floats(allow_nan=False), st.floats(allow_nan=False))
def test_the_nearer_the_aim_the_sooner_the_next_pip_and_the_way_is_that_of_the_hand(one, other):
    near, far = sorted((one, other), key=abs)
    leads = lead_of(near), lead_of(far)
    assert leads[0].step <= leads[1].step
    for off, lead in zip((near, far), leads, strict=True):
        assert lead.way == (0 if abs(off) <= 1 else -1 if off > 0 else 1)
    turns_s = [lead_sound(lead, tone_hz=None).duration_s for lead in leads]
    assert 0 in (leads[0].way, leads[1].way) or turns_s[0] <= turns_s[1] + 1e-9


def test_each_halving_of_the_distance_is_heard():
    for way, sign in ((1, -1), (-1, 1)):
        turns_s = [lead_sound(lead_of(sign * 1.5 * 2.0**n), tone_hz=None).duration_s for n in range(12)]
        assert turns_s == pytest.approx([*LEAD_TURNS_S, *[LEAD_TURNS_S[-1]] * 4])
        assert lead_of(sign * 1e300).way == lead_of(sign * math.inf).way == way
    # A tenth more or less in the rate of clicks is told apart (from memory); each step here is a quarter.
    assert all(1.2 < far / near < 1.3 for near, far in itertools.pairwise(LEAD_TURNS_S))
    assert lead_of(math.nan) is None


def test_how_far_off_the_aim():
    assert off_aim(level_v=62.0, aim_v=62.5, tolerance_v=0.1) == pytest.approx(-5.0)
    assert off_aim(level_v=62.6, aim_v=62.5, tolerance_v=0.1) == pytest.approx(1.0)
    for nothing in (
        {"level_v": math.nan, "aim_v": 62.5, "tolerance_v": 0.1},
        {"level_v": 62.0, "aim_v": None, "tolerance_v": 0.1},
        {"level_v": 62.0, "aim_v": 62.5, "tolerance_v": 0.0},
        {"level_v": 62.0, "aim_v": 62.5, "tolerance_v": math.nan},
    ):
        assert math.isnan(off_aim(**nothing))


def test_a_lead_is_told_by_its_rhythm_from_every_signal_and_its_ways_from_each_other():
    for lead in LEADS:
        for signal in SOUNDING:
            difference = rhythm_difference(lead_sound(lead, tone_hz=None), sound(signal, tone_hz=None), sounding)
            assert difference >= RHYTHM_SHARE, (lead, signal)
    for one, other in [*itertools.product(UPS, DOWNS), *((THERE, lead) for lead in (*UPS, *DOWNS))]:
        difference = rhythm_difference(lead_sound(one, tone_hz=None), lead_sound(other, tone_hz=None), sounding)
        assert difference >= RHYTHM_SHARE, (one, other)


def test_a_lead_is_told_by_its_melody_from_the_eight_beside_any_tone():
    three = [THERE, UPS[0], DOWNS[0]]
    for tone_hz in TONES_HZ:
        for one, other in [*itertools.product(three, EIGHT), *itertools.combinations(three, 2)]:
            assert told_apart(melody(one, tone_hz), melody(other, tone_hz)), (one, other, tone_hz)


@given(st.one_of(st.none(), st.floats(10, 20_000)), st.sampled_from(LEADS))
def test_a_lead_sounds_on_the_ladder_above_the_middle_for_up_and_below_for_down(tone_hz, lead):
    ladder = pitches(tone_hz)
    steps = lead_sound(lead, tone_hz=tone_hz).steps
    rungs = [ladder.index(step.pitch_hz) - (RUNGS - 1) / 2 for step in steps if step.pitch_hz]
    assert all(rung * lead.way > 0 for rung in rungs) if lead.way else sum(rungs) == 0
    assert all(500 <= step.pitch_hz <= 3000 for step in steps if step.pitch_hz)
    # As for all sounds: a fan runs beside it.
    assert min(step.duration_s for step in steps) > 0.06
    assert lead_sound(lead, tone_hz=tone_hz, muted=True) is None


# --- which signal ---


@pytest.fixture(scope="module")
def reading():
    return reading_of()


@pytest.mark.parametrize(
    ("verdict", "reason", "signal"),
    [
        (Verdict.CLEAN, Reason.NONE, Signal.CLEAN),
        (Verdict.SOFT, Reason.TOPS_BEND, Signal.SOFT),
        (Verdict.FLAT, Reason.TOP_MISSING, Signal.FLAT),
        (Verdict.DISTORTED, Reason.NO_TOP_MISSING, Signal.DISTORTED),
        (Verdict.UNKNOWN, Reason.SILENT, Signal.FAULT),
        (Verdict.UNKNOWN, Reason.TOO_HIGH, Signal.STOP),
        (Verdict.UNKNOWN, Reason.NO_TONE, Signal.NOTHING),
        (Verdict.UNKNOWN, Reason.CLOCK_LEARNING, Signal.NOTHING),
        (Verdict.UNKNOWN, Reason.TOO_SHORT, Signal.NOTHING),
        (Verdict.UNKNOWN, Reason.OUT_OF_BAND, Signal.UNKNOWN),
        (Verdict.UNKNOWN, Reason.LEAD_OFF, Signal.UNKNOWN),
    ],
)
def test_the_signal_of_a_reading(reading, verdict, reason, signal):
    shown = replace(reading, verdict=verdict, reason=reason, dc_alarm=False)
    assert signal_of(shown, stale=False) is signal


def test_no_verdict_is_signalled_that_cannot_be_given(reading):
    assert signal_of(None, stale=False) is signal_of(None, stale=True) is Signal.NOTHING
    for verdict in Verdict:
        assert signal_of(replace(reading, verdict=verdict, dc_alarm=True), stale=False) is Signal.STOP
        assert signal_of(replace(reading, verdict=verdict, dc_alarm=True), stale=True) is Signal.UNKNOWN
        silent = replace(reading, verdict=verdict, reason=Reason.SILENT, dc_alarm=True)
        assert signal_of(silent, stale=True) is Signal.FAULT
    for reason in Reason:
        unknown = replace(reading, verdict=Verdict.UNKNOWN, reason=reason, dc_alarm=False)
        assert signal_of(unknown, stale=False) in {Signal.NOTHING, Signal.UNKNOWN, Signal.STOP, Signal.FAULT}


def test_on_the_supply_direct_current_is_no_alarm_and_too_much_of_it_is(reading):
    on_supply = replace(reading, verdict=Verdict.CLEAN, dc_v=13.2, dc_alarm=True)
    assert signal_of(on_supply, stale=False, supply=True) is Signal.NOTHING
    assert signal_of(on_supply, stale=False) is Signal.STOP
    beyond = replace(on_supply, verdict=Verdict.UNKNOWN, reason=Reason.TOO_HIGH)
    assert signal_of(beyond, stale=False, supply=True) is Signal.STOP
    assert signal_of(on_supply, stale=False, supply=True, word="hold") is Signal.HOLD


@pytest.mark.parametrize("word", ["up", "hold", "down"])
def test_what_the_second_person_is_told_gives_way_to_what_is_graver(reading, word):
    for verdict in Verdict:
        shown = replace(reading, verdict=verdict, dc_alarm=False)
        wins = verdict not in {Verdict.SOFT, Verdict.FLAT} or word == "down"
        assert signal_of(shown, stale=False, word=word) is (Signal(word) if wins else signal_of(shown, stale=False))
    assert signal_of(replace(reading, dc_alarm=True), stale=False, word=word) is Signal.STOP
    assert signal_of(replace(reading, reason=Reason.SILENT), stale=True, word=word) is Signal.FAULT
    assert signal_of(replace(reading, reason=Reason.TOO_HIGH), stale=False, word=word) is Signal.STOP


# --- playing ---


def play(player, start_s, end_s):
    """The player asked at every moment it names: [(time, output)]."""
    time_s, played = start_s, []
    while time_s < end_s:
        output = player.at(time_s)
        played.append((time_s, output))
        assert output.until_s >= time_s
        time_s = max(output.until_s, time_s + 1e-6)
    return played


def pulses(played):
    """Times at which the sounder begins to sound."""
    quiet = [True] + [output.pitch_hz == 0 for _, output in played]
    return [time_s for (time_s, output), before in zip(played, quiet, strict=False) if output.pitch_hz and before]


def test_a_lasting_signal_goes_on_in_its_rhythm_however_often_it_is_shown():
    once, often = Player(), Player()
    once.show(Signal.SOFT, time_s=5.0)
    for i in range(100):
        time_s = 5.0 + i * 0.1
        often.show(Signal.SOFT, time_s=time_s)
        assert often.at(time_s) == once.at(time_s)
    assert pulses(play(once, 5.0, 10.9)) == pytest.approx([5.0, 6.5, 8.0, 9.5], abs=1e-4)


def test_clean_sounds_once_and_not_again_at_every_flicker():
    player = Player()
    player.show(Signal.CLEAN, time_s=1.0)
    assert pulses(play(player, 1.0, 60.0)) == [1.0]
    for time_s in (60.0, 61.0, 62.0):
        player.show(Signal.UNKNOWN, time_s=time_s)
        player.show(Signal.CLEAN, time_s=time_s + 0.5)
        sounded = pulses(play(player, time_s + 0.5, time_s + 1.0))
        assert sounded == ([60.5] if time_s == 60.0 else [])


@pytest.mark.parametrize("signal", sorted(PASSING))
def test_a_passing_signal_passes_and_the_lasting_one_begins_again(signal):
    player = Player()
    player.show(Signal.FLAT, time_s=0.0)
    player.once(signal, time_s=10.0)
    length_s = max(lamp(signal).duration_s, sound(signal, tone_hz=None).duration_s)
    for elapsed_s in np.arange(0, length_s, 0.037):
        step, _ = lamp(signal).at(elapsed_s)
        assert player.at(10.0 + elapsed_s).lamp == (led(step.colour, step.level) if step else (0, 0, 0))
    fresh = Player()
    fresh.show(Signal.FLAT, time_s=10.0 + length_s)
    for elapsed_s in np.arange(0.001, 3, 0.037):
        assert player.at(10.0 + length_s + elapsed_s)[:2] == fresh.at(10.0 + length_s + elapsed_s)[:2]


def test_clean_does_not_sound_again_after_a_kept():
    player = Player()
    player.show(Signal.CLEAN, time_s=0.0)
    player.once(Signal.KEPT, time_s=5.0)
    assert len(pulses(play(player, 5.0, 20.0))) == 2


def test_stop_is_not_interrupted():
    player = Player()
    player.show(Signal.CLEAN, time_s=0.0)
    player.once(Signal.KEPT, time_s=1.0)
    player.show(Signal.STOP, time_s=1.1)
    assert player.at(1.1).lamp == led(words.VERMILLION, 1.0)
    player.once(Signal.WRONG, time_s=1.2)
    alone = Player()
    alone.show(Signal.STOP, time_s=1.1)
    for time_s in np.arange(1.2, 3, 0.05):
        assert player.at(time_s) == alone.at(time_s)


def test_a_press_does_not_cut_a_kept_short_but_a_refusal_does():
    player = Player()
    player.once(Signal.KEPT, time_s=1.0)
    before = player.at(1.2)
    player.once(Signal.PRESS, time_s=1.2)
    assert player.at(1.2) == before
    player.once(Signal.WRONG, time_s=1.2)
    assert player.at(1.21).pitch_hz == pitches(None)[0]


def test_what_passes_and_what_lasts_are_not_mixed_up():
    for signal in Signal:
        with pytest.raises(ValueError, match="give it to"):
            (Player().show if signal in PASSING else Player().once)(signal, time_s=0.0)


def test_mute_leaves_the_lamp_and_comes_back_in_rhythm():
    player, loud = Player(), Player()
    for each in (player, loud):
        each.show(Signal.FLAT, time_s=0.0, tone_hz=1000.0)
    player.muted = True
    assert pulses(play(player, 0.0, 5.0)) == []
    assert [player.at(t).lamp for t in np.arange(5, 6, 0.05)] == [loud.at(t).lamp for t in np.arange(5, 6, 0.05)]
    player.muted = False
    assert player.at(6.02) == loud.at(6.02)


def test_brightness_dims_all_colours_alike():
    player = Player()
    player.show(Signal.SOFT, time_s=0.0)
    full = player.at(0.0).lamp
    player.brightness = 0.1
    assert player.at(0.0).lamp == pytest.approx([0.1 * duty for duty in full])


@given(
    st.lists(
        st.tuples(st.sampled_from(list(Signal)), st.floats(0, 3), st.sampled_from([None, 40.0, 1000.0, math.nan])),
        max_size=30,
    )
)
def test_any_sequence_gives_outputs_in_range_that_move_on(sequence):
    player, time_s = Player(), 0.0
    for signal, gap_s, tone_hz in sequence:
        if signal in PASSING:
            player.once(signal, time_s=time_s)
        else:
            player.show(signal, time_s=time_s, tone_hz=tone_hz)
        for at_s, output in play(player, time_s, time_s + gap_s):
            assert all(0 <= duty <= 1 for duty in output.lamp)
            assert output.pitch_hz == 0 or 500 <= output.pitch_hz <= 3000
            assert output.until_s - at_s <= 4.0
        time_s += gap_s


# --- leading, played ---


def led_through(offs, signal=Signal.CLEAN, *, turn_s=0.1):
    """A player led by one distance after another, ten times a second: the times of its pips and all that it did."""
    player, played = Player(), []
    for number, off in enumerate(offs):
        player.lead(signal, off, time_s=5.0 + number * turn_s)
        played += [(t, output) for t, output in play(player, 5.0 + number * turn_s, 5.0 + (number + 1) * turn_s)]
    return pulses(played), played


def test_a_distance_that_stands_keeps_its_rhythm_however_often_it_is_told():
    times, _ = led_through([-3.0] * 100)
    assert np.diff(times) == pytest.approx(LEAD_TURNS_S[1], abs=2e-3)
    assert times[0] == 5.0


def test_pips_come_faster_and_faster_on_a_steady_approach_and_none_is_cut_short():
    for sign in (1, -1):
        offs = [sign * 300 * 0.95**n for n in range(100)]
        times, played = led_through(offs)
        assert len(times) > 15
        pips = times if sign < 0 else times[::2]
        assert all(later <= sooner + 0.02 for sooner, later in itertools.pairwise(np.diff(pips)))
        sounded = [
            sum(b[0] - a[0] for a, b in itertools.pairwise(played) if a[1].pitch_hz and start <= a[0] < end)
            for start, end in itertools.pairwise(times)
        ]
        assert sounded == pytest.approx([0.14 if sign < 0 else 0.07] * len(sounded), abs=2e-3)


def test_a_hand_that_flutters_at_the_tolerance_hears_no_flutter():
    steady, _ = led_through([-1.02] * 40)
    fluttering, _ = led_through([-1.02, -0.95] * 20)
    assert fluttering == pytest.approx(steady)
    assert lead_of(-0.84, before=UPS[0]) == lead_of(-1.0, before=THERE) == lead_of(-1.0) == THERE
    # Calm is heard only within the tolerance.
    assert lead_of(-1.01, before=THERE) == UPS[0]


@pytest.mark.parametrize("signal", [signal for signal in Signal if signal not in PASSING])
def test_the_lamp_goes_on_and_what_sounds_by_itself_wins(signal):
    led_, shown = Player(), Player()
    for number in range(60):
        time_s = number * 0.1
        led_.lead(signal, -20.0, time_s=time_s, tone_hz=1000.0)
        shown.show(signal, time_s=time_s, tone_hz=1000.0)
        assert led_.at(time_s).lamp == shown.at(time_s).lamp
        if signal not in QUIET:
            assert led_.at(time_s) == shown.at(time_s)
    assert not QUIET & {Signal.SOFT, Signal.FLAT, Signal.STOP, Signal.FAULT}
    heard = {led_.at(6.0 + t).pitch_hz for t in np.arange(0, 2, 0.01)} - {0.0}
    assert (heard == set(pitches(1000.0)[4:])) == (signal in QUIET)


def test_a_lead_goes_on_while_the_level_moves_and_is_over_with_a_plain_show():
    player = Player()
    for number in range(51):
        player.lead((Signal.CLEAN, Signal.UNKNOWN)[number % 2], -3.0, time_s=number * 0.1)
    assert pulses(play(player, 5.0, 8.0))
    player.show(Signal.CLEAN, time_s=8.0)
    assert pulses(play(player, 8.0, 20.0)) == [], "clean does not sound again either"
    player.lead(Signal.CLEAN, math.nan, time_s=20.0)
    assert pulses(play(player, 20.0, 30.0)) == []


def test_a_kept_passes_in_front_of_a_lead_which_then_begins_anew():
    player = Player()
    player.lead(Signal.CLEAN, -3.0, time_s=0.0)
    player.once(Signal.KEPT, time_s=0.05)
    length_s = lamp(Signal.KEPT).duration_s
    assert player.at(0.05).pitch_hz == pitches(None)[5]
    assert len(pulses(play(player, 0.05, 0.04 + length_s))) == 2
    assert pulses(play(player, 0.05 + length_s, 1.5))[0] == pytest.approx(0.05 + length_s)


def test_mute_silences_a_lead_too():
    player = Player()
    player.muted = True
    player.lead(Signal.CLEAN, -3.0, time_s=0.0)
    assert pulses(play(player, 0.0, 5.0)) == []


@given(
    st.lists(
        st.tuples(
            st.sampled_from([signal for signal in Signal if signal not in PASSING]),
            st.floats(),
            st.floats(0, 3),
            st.sampled_from([None, 40.0, 1000.0, math.nan]),
        ),
        max_size=30,
    )
)
def test_any_sequence_of_leads_gives_outputs_in_range_that_move_on(sequence):
    player, time_s = Player(), 0.0
    for signal, off, gap_s, tone_hz in sequence:
        player.lead(signal, off, time_s=time_s, tone_hz=tone_hz)
        for at_s, output in play(player, time_s, time_s + gap_s):
            assert output.pitch_hz == 0 or 500 <= output.pitch_hz <= 3000
            assert output.until_s - at_s <= 4.0
        time_s += gap_s
