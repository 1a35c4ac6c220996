"""The page of gain and polarity, and the questions that are followed turn by turn."""

from __future__ import annotations

import dataclasses
import math
from functools import partial

import pytest

from bench_meter import sine
from dry_world import reading_of
from flattop.answers import Answers, newest
from flattop.measure.between import Between, Doubt, Polarity
from flattop.measure.noise import Stage
from flattop.measure.response import Stage as Sweeping
from flattop.panel import gain_page
from flattop.panel.gain_page import gain_text
from flattop.panel.screen import SIZE, View
from test_bands import Both, chirp

READING = reading_of(1.0, rms_v=61.2, hz=40.0)


def found(gain_db=29.87, u_db=0.04, polarity=Polarity.SAME, doubt=Doubt.NONE, phase_deg=3.0):
    return Between(40.0, gain_db, u_db, phase_deg, 0.2, polarity, doubt)


@pytest.mark.parametrize(
    ("gain_db", "u_db", "text"),
    [
        (29.87, 0.04, "+29.9"),
        (9.874, 0.01, "+9.87"),
        (9.874, 0.2, "+9.9"),
        (9.874, 0.7, "+10"),
        (-12.14, 0.01, "−12.1"),
        (0.0, 0.02, "+0.00"),
        (103.4, 0.02, "+103"),
    ],
)
def test_a_gain_has_three_digits_or_as_few_as_its_uncertainty_wants(gain_db, u_db, text):
    assert gain_text(found(gain_db, u_db)) == text


def test_states_differ_and_say_what_is_known():
    view = View(reading=READING, label="Speaker")
    states = [
        None,
        found(math.nan, math.nan, Polarity.UNKNOWN, Doubt.NO_TONE),
        found(),
        found(polarity=Polarity.OPPOSITE, phase_deg=-178.0),
        found(polarity=Polarity.UNKNOWN, doubt=Doubt.TURNED, phase_deg=90.0),
    ]
    frames = [gain_page.draw(view, state).tobytes() for state in states]
    assert len(set(frames)) == 4, "nothing at all looks like no tone on both"
    assert frames[0] == frames[1]
    assert gain_page.draw(view, found()).size == SIZE
    assert gain_page.draw(dataclasses.replace(view, stale=True), found()).tobytes() != frames[2], "an old gain is none"


def test_a_danger_at_the_terminals_takes_the_band():
    alarm = dataclasses.replace(READING, dc_v=30.0, dc_alarm=True)
    view = View(reading=alarm, label="Speaker")
    band = (0, 195, 320, 240)
    shown = gain_page.draw(view, found()).crop(band).tobytes()
    assert shown == gain_page.draw(view, None).crop(band).tobytes()
    assert shown != gain_page.draw(View(reading=READING, label="Speaker"), found()).crop(band).tobytes()


# -- what is followed turn by turn ---------------------------------------------------------------------------------


def followed(both, until_s, ask):
    for reading in both.readings:
        ask(partial(newest, both.bands), reading.time_s)
        if reading.time_s >= until_s:
            break


def test_a_sweep_is_followed_and_asked_anew():
    both, answers = Both(chirp(30.0, 20.0, 200.0, 1.0, 20.0)), Answers()
    followed(both, 3.0, answers.follow)
    assert answers.response is not None
    followed(both, 8.0, answers.follow)
    assert answers.response.stage is Sweeping.FOLLOWING
    assert len(answers.response.hz) > 10
    assert abs(answers.response.level_db).max() < 0.1, "no filter: flat"
    answers.clear()
    assert answers.response is None


def test_noise_is_told_against_the_tone_that_was_kept():
    both, answers = Both(sine(0.2 * math.sqrt(2), 50.0)), Answers()
    kept = reading_of(0.0, rms_v=60.0, hz=40.0)
    answers.keep_in_mind(kept)
    followed(both, 3.0, answers.listen)
    noise = answers.noise
    assert noise is not None
    assert noise.stage is Stage.HEARD
    assert noise.hum.hz == pytest.approx(50.0, abs=0.5)
    assert abs(noise.hum.volts - 0.2) <= noise.hum.u_v + 0.02
    assert noise.down_db(noise.hum) == pytest.approx(20 * math.log10(60.0 / 0.2), abs=1.0)
    answers.keep_in_mind(None)
    answers.clear()
    assert answers.noise is None
