"""Gain and polarity between two inputs: the rule of the phase, what is added up in the uncertainty, and every doubt."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from scipy.signal import butter, sosfreqz

from blocks import block, full_facts
from flattop.measure.between import Doubt, Polarity, between
from flattop.measure.level import measure
from flattop.samples import Input

N, RATE_HZ = 24_000, 96_000.0
TIMES_S = np.arange(N) / RATE_HZ


def samples(gain=1.0, turned_deg=0.0, *, hz=1000.0, noise=0.0, dc=0.0, seed=0, times_s=TIMES_S, **facts):
    volts = gain * np.cos(2 * np.pi * hz * times_s + 0.7 + math.radians(turned_deg)) + dc
    volts = volts + noise * gain * np.random.default_rng(seed).standard_normal(len(times_s))
    return block((times_s, volts, full_facts(rate_hz=RATE_HZ, full_scale_v=1e3, **facts)))


def read(speaker, line_input=None, *, hz=1000.0):
    if line_input is None:
        line_input = samples(hz=hz, input=Input.LINE)
    return between(line_input=line_input, speaker=speaker, hz=hz)


@pytest.mark.parametrize("gain", [0.5, 1.0, 10.0, 44.7])
@pytest.mark.parametrize("hz", [20.0, 40.0, 997.0, 20_000.0])
def test_the_gain_is_the_ratio_of_the_fundamentals(gain, hz):
    found = read(samples(gain, hz=hz), hz=hz)
    assert found.gain_db == pytest.approx(20 * math.log10(gain), abs=1e-5)
    assert found.phase_deg == pytest.approx(0.0, abs=1e-3)
    assert found.polarity is Polarity.SAME
    assert found.doubt is Doubt.NONE


@pytest.mark.parametrize("hz", [20.0, 40.0, 997.0, 7_000.0])
def test_a_block_that_was_measured_already_serves_as_well(hz):
    line_input = samples(0.5, hz=hz, noise=1e-3, seed=1, input=Input.LINE)
    speaker = samples(20.0, 30.0, hz=hz, noise=1e-3, seed=2)
    plain = between(line_input=line_input, speaker=speaker, hz=hz)
    for each in (line_input, speaker):
        found = between(line_input=line_input, speaker=speaker, hz=hz, measured=measure(each))
        assert found.gain_db == pytest.approx(plain.gain_db, abs=0.5 * plain.gain_u_db)
        assert found.phase_deg == pytest.approx(plain.phase_deg, abs=0.5 * plain.phase_u_deg)
        assert found.gain_u_db == pytest.approx(plain.gain_u_db, rel=0.2)
        assert found.polarity is Polarity.SAME
    # One of other instants, or of another input, is not taken.
    for other in (samples(1.0, hz=hz, times_s=TIMES_S + 0.1), samples(1.0, hz=hz, times_s=TIMES_S[:-8])):
        assert between(line_input=line_input, speaker=speaker, hz=hz, measured=measure(other)) == plain


@pytest.mark.parametrize(
    ("turned_deg", "polarity"),
    [
        (0, "same"), (59, "same"), (-59, "same"), (61, "cannot tell"), (90, "cannot tell"), (-90, "cannot tell"),
        (119, "cannot tell"), (121, "opposite"), (-121, "opposite"), (180, "opposite"), (-179, "opposite"),
    ],
)  # fmt: skip
def test_the_rule_of_the_phase(turned_deg, polarity):
    found = read(samples(20.0, turned_deg))
    assert found.polarity == polarity
    assert found.doubt == (Doubt.TURNED if polarity == "cannot tell" else Doubt.NONE)
    assert math.cos(math.radians(found.phase_deg - turned_deg)) == pytest.approx(1.0, abs=1e-8)


def test_an_amplifier_with_a_filter_cannot_be_told_at_its_corner():
    """A second-order high-pass turns by 90 degrees at its corner and hardly at all three octaves above (scipy)."""
    sos = butter(2, 80.0, "highpass", fs=RATE_HZ, output="sos")
    for hz, expected in ((80.0, Polarity.UNKNOWN), (640.0, Polarity.SAME)):
        h = sosfreqz(sos, worN=[hz], fs=RATE_HZ)[1][0]
        found = read(samples(20 * abs(h), math.degrees(np.angle(h)), hz=hz), hz=hz)
        assert found.polarity is expected
        assert found.gain_db == pytest.approx(20 * math.log10(20 * abs(h)), abs=1e-4)


def test_each_inputs_own_path_is_divided_out():
    turned = np.exp(1j * math.radians(80))
    found = read(
        samples(20.0, 80.0, response=lambda hz: np.full(np.shape(hz), turned)),
        samples(0.5, -60.0, response=lambda hz: np.full(np.shape(hz), 0.5 * np.exp(-1j * math.pi / 3))),
    )
    assert found.gain_db == pytest.approx(20 * math.log10(20), abs=1e-5)
    assert found.phase_deg == pytest.approx(0.0, abs=1e-3)


def test_independent_errors_of_the_gains_add_as_squares():
    """Expanded, k = 2 (JCGM 100:2008): 3 % and 4 % make 5 %, in decibels 2 x 0.05 x 8.686."""
    found = read(samples(20.0, gain_u=0.03), samples(gain_u=0.04, input=Input.LINE))
    assert found.gain_u_db == pytest.approx(2 * 0.05 * 20 / math.log(10), rel=1e-3)


def test_the_paths_corner_stands_in_both_uncertainties():
    def low_pass(hz):
        return 1 / (1 + 1j * np.asarray(hz) / 1000.0)

    found = read(samples(1.0, response=low_pass, response_u=0.02))
    # d ln H / d ln f of one pole at its corner is -(1 + j) / 2.
    assert found.gain_u_db == pytest.approx(2 * 0.01 * 20 / math.log(10), rel=1e-3)
    assert found.phase_u_deg == pytest.approx(2 * math.degrees(0.01), rel=1e-3)


def test_noise_keeps_the_angle_away_from_its_limits():
    assert read(samples(1.0, 59.0, noise=2.0, seed=3)).doubt is not Doubt.NONE
    assert read(samples(1.0, 59.9, noise=0.3, seed=3)).doubt in {Doubt.NOISE, Doubt.TURNED}
    assert read(samples(1.0, 20.0, noise=0.3, seed=3)).polarity is Polarity.SAME


def test_dc_on_an_input_moves_nothing():
    found = read(samples(20.0, dc=6.0, hz=41.3), samples(hz=41.3, dc=-2.0, input=Input.LINE), hz=41.3)
    assert found.gain_db == pytest.approx(20 * math.log10(20), abs=1e-3)


def cannot_tell(found, doubt):
    assert (found.polarity, found.doubt) == (Polarity.UNKNOWN, doubt)
    assert math.isnan(found.gain_db)
    assert math.isnan(found.phase_deg)


def test_every_doubt_that_leaves_no_gain():
    cannot_tell(read(samples(0.0)), Doubt.NO_TONE)
    cannot_tell(read(samples(1.0, hz=3000.0)), Doubt.NO_TONE)
    cannot_tell(read(samples(1.0, noise=3.0)), Doubt.NO_TONE)
    loud = samples(1.0)
    loud = dataclasses.replace(loud, quality=dataclasses.replace(loud.quality, saturated=2))
    cannot_tell(read(loud), Doubt.TOO_HIGH)
    short = TIMES_S[:500]
    cannot_tell(read(samples(times_s=short), samples(times_s=short, input=Input.LINE)), Doubt.TOO_SHORT)
    cannot_tell(read(samples(hz=12.0), samples(hz=12.0, input=Input.LINE), hz=12.0), Doubt.TOO_SHORT)
    nothing = TIMES_S[:0]
    cannot_tell(read(samples(times_s=nothing), samples(times_s=nothing, input=Input.LINE)), Doubt.TOO_SHORT)


def test_blocks_of_other_instants_are_refused():
    with pytest.raises(ValueError, match="23999 samples of the line input, 24000 of the speaker input"):
        read(samples(), samples(times_s=TIMES_S[1:], input=Input.LINE))
    with pytest.raises(ValueError, match=r"sampled 5\.0 us apart; allowed are 1\.0 us"):
        read(samples(), samples(times_s=TIMES_S + 5e-6, input=Input.LINE))
