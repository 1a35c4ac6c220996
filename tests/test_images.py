"""A tone above the bass converter's band folds down into it when it is sampled: it must never pass for a lower one."""

from __future__ import annotations

import math

import numpy as np
import pytest

from bench_meter import Bench, nominal, sine
from flattop.converters.ads1015_chip import BUS_HZ, bus_hz, open_bus
from flattop.converters.frontend import image_gain, rc_response
from flattop.errors import ConverterMissing, ConverterSilent
from flattop.measure.reading import Reason, Verdict
from flattop.meter import Meter


def readings(bench, until_s):
    return list(Meter(bench.converter, time=bench.time, end_s=until_s).readings())


@pytest.mark.parametrize("wired", [True, False])
@pytest.mark.parametrize(
    ("peak_v", "hz"),
    [(100.0, 3100.0), (255.0, 3340.0), (250.0, 3500.0), (200.0, 3000.0), (250.0, 2400.0), (80.0, 3196.7)],
)
def test_a_strong_tone_above_the_band_is_never_shown_as_one_within(peak_v, hz, wired):
    said = readings(Bench(sine(peak_v, hz), wired=wired, seed=2), 2.0)
    assert len(said) > 15
    for reading in said:
        assert reading.verdict is Verdict.UNKNOWN
        # No frequency, and a level only beside the mark.
        assert math.isnan(reading.hz)
        assert reading.hazard or reading.reason in {Reason.NO_TONE, Reason.TOO_FEW_LSB}
    assert said[-1].reason is Reason.OUT_OF_BAND
    assert math.isnan(said[-1].rms_v)


@pytest.mark.parametrize("rate", [3300, 2400, 1600])
def test_at_no_data_rate_an_image_passes_the_closer_look(rate):
    # Below the rate, above it, and at the multiples that two of the chip's rates have in common.
    for hz in (rate + 80.0, rate - 60.0, 4800.0 + 100.0, 2 * rate + 90.0):
        folded = abs(hz - rate * round(hz / rate))
        bench = Bench(sine(255.0, hz), tolerances=nominal(), rate=rate)
        bench.run(1.0)
        assert bench.converter.confirm(folded) is False, (rate, hz)


@pytest.mark.parametrize(("peak_v", "hz"), [(0.6, 40.0), (1.5, 200.0)])
def test_a_weak_tone_within_the_band_is_believed_after_the_closer_look(peak_v, hz):
    said = readings(Bench(sine(peak_v, hz), wired=True, seed=3), 3.0)
    assert said[-1].reason is not Reason.IMAGE
    assert said[-1].hz == pytest.approx(hz, abs=0.02)
    assert said[-1].rms_v == pytest.approx(peak_v / math.sqrt(2.0), rel=0.02)


def test_what_an_image_can_reach_is_bounded_by_path_and_averaging():
    # Half-circuit by hand: poles of 1.00k, 2 x 68n + 1n and 3.32k, 2 x 22n + 1n (front-end netlist), at 3260 Hz.
    s = 2j * math.pi * 3260.0
    ladder = 1 + s * (1e3 * 137e-9 + 4.32e3 * 45e-9) + s * s * (1e3 * 3.32e3 * 137e-9 * 45e-9)
    by_hand = abs(1 / (ladder * (1 + 3260j / 29.8e3))) * abs(np.sinc(3260.0 / 3300.0))
    assert image_gain(40.0, period_s=1 / 3300.0, pole_scale=1.0) == pytest.approx(by_hand, rel=1e-6)
    assert abs(rc_response(np.array([0.0]))[0]) == 1.0


def test_one_refused_read_during_the_closer_look_costs_nothing(monkeypatch):
    from adafruit_ads1x15.ads1015 import ADS1015

    bench = Bench(sine(60.0, 40.0), wired=False, seed=4)
    bench.run(1.0)
    read, calls = ADS1015.get_last_result, []

    def refusing(self, fast=False):
        calls.append(fast)
        if len(calls) == 8:
            raise OSError(121, "no acknowledgement")
        return read(self, fast)

    monkeypatch.setattr(ADS1015, "get_last_result", refusing)
    assert bench.converter.confirm(40.0) is True
    assert len(calls) > 50
    assert calls[7] is True, "it was to be one of the fast reads"


def test_a_bus_that_fails_during_the_closer_look_leaves_the_rate_as_it_was():
    bench = Bench(sine(60.0, 40.0), wired=False, seed=4)
    bench.run(1.0)
    bench.board.i2c.refuse(40)
    with pytest.raises(ConverterSilent):
        bench.converter.confirm(40.0)
    bench.board.i2c.refuse(0)
    bench.run(1.5)
    assert bench.converter.grid.locked
    assert 1.0 / bench.converter.grid.period_s == pytest.approx(1.0 / bench.period_s(), rel=50e-6)


def test_the_speed_of_the_bus_is_read_from_the_device_tree(tmp_path):
    assert bus_hz(tmp_path) is None
    place = tmp_path / "i2c-1/of_node"
    place.mkdir(parents=True)
    # A big-endian 32-bit cell (Devicetree Specification).
    (place / "clock-frequency").write_bytes((100_000).to_bytes(4, "big"))
    assert bus_hz(tmp_path) == 100_000 < BUS_HZ


def test_a_machine_without_a_bus_is_told_what_to_do():
    with pytest.raises(ConverterMissing, match=r"run on the meter|i2c_arm=on"):
        open_bus()
