"""Two converters on one simulated board: which of them measures, the crossing, the trim, and one that fails."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest

from bench_meter import by_time, sine
from flattop.bands import DOWN_HZ, TRIM_BLOCKS, UP_HZ, Bands, Trimmed
from flattop.converters.ads1015 import Ads1015Converter
from flattop.converters.ads1015_chip import Alert
from flattop.converters.codec import CodecConverter
from flattop.errors import ConverterError
from flattop.measure.between import Polarity
from flattop.measure.level import measure
from flattop.measure.reading import Reason, Verdict
from flattop.meter import Meter
from flattop.samples import Input
from flattop.simulated.board import ALERT_GPIO, SimulatedBoard, silence
from flattop.simulated.calibration import calibrate
from flattop.simulated.codec import SimulatedCapture


class Both:
    """A board with both converters, calibrated as a real one would be: the bass converter only."""

    def __init__(self, speaker=silence, line=silence, *, seed=3, calibrated=True, end_s=math.inf):
        self.board = SimulatedBoard(seed=seed, speaker=speaker, line=line)
        time = self.board.time
        calibration = calibrate(seed=seed, inputs=[Input.SPEAKER]) if calibrated else None
        alert = Alert(ALERT_GPIO, self.board.pin_factory)
        self.bass = Ads1015Converter(self.board.i2c, time, alert=alert, calibration=calibration, simulated=True)
        self.capture = SimulatedCapture(
            seed=seed, time=time, speaker=speaker, line=line, tolerances=self.board.front_end.tolerances
        )
        self.codec = CodecConverter(self.capture, time, calibration=calibration, simulated=True)
        self.bands = Bands(self.bass, self.codec, self.codec, now_s=time.now_s)
        self.trims = []
        self.bands.trimmed = self.trims.append
        self.meter = Meter(self.bands, time=time, end_s=end_s)

    def run(self, until_s):
        got = []
        for reading in self.readings:
            got.append(reading)
            if reading.time_s >= until_s:
                break
        return got

    @property
    def readings(self):
        if not hasattr(self, "_readings"):
            self._readings = self.meter.readings()
        return self._readings


def chirp(peak_v, low_hz, high_hz, from_s, span_s):
    """A sine from one frequency to another by equal ratios in equal times, before and after it standing."""
    rate = math.log(high_hz / low_hz) / span_s

    def signal(times_s):
        t = np.clip(times_s - from_s, 0.0, span_s)
        cycles = low_hz * np.minimum(times_s - from_s, 0.0) + low_hz * np.expm1(rate * t) / rate
        cycles += high_hz * np.maximum(times_s - from_s - span_s, 0.0)
        return peak_v * np.sin(2 * np.pi * cycles)

    return signal


@pytest.mark.parametrize(
    ("hz", "converter"), [(40.0, "ads1015"), (180.0, "ads1015"), (400.0, "codec"), (1000.0, "codec"), (5000.0, "codec")]
)
def test_the_tone_is_measured_by_the_converter_whose_band_holds_it(hz, converter):
    both = Both(sine(85.0, hz))
    last = both.run(1.5)[-1]
    assert last.facts.converter == converter
    assert last.hz == pytest.approx(hz, rel=1e-4)
    assert abs(last.rms_v - 85.0 / math.sqrt(2)) <= last.rms_u_v
    assert last.verdict is Verdict.CLEAN
    assert abs(last.dc_v) <= last.dc_u_v, "d.c. is the bass converter's, whoever has the tone"


def test_a_tone_above_the_bass_band_is_never_shown_as_a_lower_one():
    """3340 Hz folds to some 40 Hz in a converter that runs at about 3300 a second."""
    both = Both(sine(200.0, 3340.0))
    for reading in both.run(2.0):
        assert math.isnan(reading.hz) or reading.hz == pytest.approx(3340.0, rel=1e-3)
        assert reading.hazard, "141 V, whatever is known of it"


def test_beyond_both_bands_there_is_no_number_and_the_hazard_mark_stays():
    both = Both(sine(120.0, 26_000.0))
    for reading in both.run(1.5)[3:]:
        assert math.isnan(reading.hz)
        assert reading.hazard
        assert reading.verdict is Verdict.UNKNOWN


def test_above_a_third_of_the_band_the_verdict_is_unknown_and_the_level_stands():
    last = Both(sine(20.0, 8000.0)).run(1.0)[-1]
    assert last.verdict is Verdict.UNKNOWN
    assert last.reason is Reason.OUT_OF_BAND
    assert abs(last.rms_v - 20.0 / math.sqrt(2)) <= last.rms_u_v


def test_crossing_neither_jumps_nor_flickers():
    """Tones of one level, up and down again: one change each way, and the level stays the same over it."""
    tones_hz = [50.0, 180.0, 240.0, 270.0, 600.0, 270.0, 220.0, 180.0]
    both = Both(by_time(*((2.0 * i, sine(60.0, hz)) for i, hz in enumerate(tones_hz))))
    readings = [reading for reading in both.run(2.0 * len(tones_hz)) if reading.time_s % 2.0 > 0.6]
    names = [reading.facts.converter for reading in readings]
    assert sum(one != other for one, other in pairwise(names)) == 2
    assert set(names) == {"ads1015", "codec"}
    levels_v = [reading.rms_v for reading in readings if reading.time_s > 2.0]
    assert max(levels_v) / min(levels_v) < 1.002, "droop, filters and trim, all corrected"
    assert levels_v == pytest.approx([60.0 / math.sqrt(2)] * len(levels_v), rel=0.002)


def test_a_standing_tone_between_the_two_limits_stays_where_it_was():
    assert DOWN_HZ < UP_HZ
    names = {reading.facts.converter for reading in Both(sine(60.0, 0.5 * (UP_HZ + DOWN_HZ))).run(3.0)[5:]}
    assert len(names) == 1


# -- the trim ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [3, 4, 5])
def test_a_bass_tone_trims_the_full_band_converter_to_the_other(seed):
    """The gain of the full-band converter is off by up to 6 %; what the transfer adds is 0.05 % at most."""
    both = Both(by_time((0.0, sine(90.0, 50.0)), (4.0, sine(90.0, 1000.0))), seed=seed)
    low = both.run(3.5)[-1]
    assert len(both.trims) == 1
    trim = both.trims[0]
    assert trim.input is Input.SPEAKER
    assert trim.hz == pytest.approx(50.0, rel=1e-4)
    assert abs(trim.factor - 1.0) > 0.001
    speaker, _ = both.codec.latest_pair(0.25)
    assert measure(speaker).line_v == pytest.approx(low.fundamental_v * math.sqrt(2), rel=5e-4)
    high = both.run(6.0)[-1]
    assert high.facts.converter == "codec"
    assert high.facts.trimmed
    assert high.facts.calibrated, "as good as the bass converter, which is"
    assert abs(high.rms_v - 90.0 / math.sqrt(2)) <= high.rms_u_v
    assert high.rms_u_v < 0.01 * high.rms_v


def test_a_trim_against_an_uncalibrated_converter_calibrates_nothing():
    both = Both(by_time((0.0, sine(90.0, 50.0)), (4.0, sine(90.0, 1000.0))), calibrated=False)
    high = both.run(6.0)[-1]
    assert [trim.calibrated for trim in both.trims] == [False]
    assert (high.facts.trimmed, high.facts.calibrated) == (True, False)
    assert high.rms_u_v > 0.01 * high.rms_v
    assert abs(high.rms_v - 90.0 / math.sqrt(2)) <= high.rms_u_v


def test_an_untrimmed_reading_says_so_and_is_less_certain():
    last = Both(sine(90.0, 1000.0)).run(1.5)[-1]
    assert not last.facts.trimmed
    assert last.rms_u_v > 0.05 * last.rms_v
    assert abs(last.rms_v - 90.0 / math.sqrt(2)) <= last.rms_u_v


@pytest.mark.parametrize(
    "speaker",
    [sine(1.0, 50.0), sine(90.0, 100.0), chirp(90.0, 41.0, 58.0, 0.2, 3.0)],
    ids=["too weak", "another tone", "on the move"],
)
def test_nothing_else_trims_it(speaker):
    both = Both(speaker)
    both.run(3.0)
    assert both.trims == []


def test_a_trim_that_no_good_converter_needs_is_refused_and_said():
    both = Both(sine(90.0, 50.0))
    both.bands.apply(Trimmed(Input.SPEAKER, 1.4, 0.001, calibrated=True, hz=50.0, rms_v=60.0))
    assert both.codec.trim_of(Input.SPEAKER) is None
    assert "1.4" in both.bands.fault
    both.run(2.5)
    assert both.bands.fault == "", "a good one takes its place"


def test_it_takes_some_readings_that_agree():
    both = Both(sine(90.0, 50.0))
    readings = both.run(0.7)
    assert len(readings) <= TRIM_BLOCKS
    assert both.trims == []


# -- gain and polarity -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("sign", "polarity"), [(1.0, Polarity.SAME), (-1.0, Polarity.OPPOSITE)])
@pytest.mark.parametrize("hz", [45.0, 1000.0])
def test_gain_and_polarity_are_direct_readings(sign, polarity, hz):
    both = Both(sine(sign * 60.0, hz), sine(2.0, hz))
    found = both.run(1.5)[-1].between
    assert found is not None
    assert found.polarity is polarity
    assert found.gain_db == pytest.approx(20 * math.log10(30.0), abs=found.gain_u_db)


def test_with_one_lead_open_there_is_no_gain():
    found = Both(sine(60.0, 45.0)).run(1.5)[-1].between
    assert found is not None
    assert math.isnan(found.gain_db)
    assert found.polarity is Polarity.UNKNOWN


# -- one that fails ----------------------------------------------------------------------------------------------------


def test_without_the_full_band_converter_bass_is_measured_and_the_fault_is_said():
    both = Both(sine(60.0, 45.0))
    both.run(1.0)
    both.capture.plugged = False
    readings = both.run(3.0)
    assert all(reading.facts.converter == "ads1015" for reading in readings)
    assert readings[-1].verdict is Verdict.CLEAN
    assert both.meter.limited
    assert both.meter.fault == "", "it is not blind"
    both.capture.plugged = True
    both.run(5.0)
    assert both.meter.limited == ""


def test_without_the_bass_converter_the_other_one_takes_over():
    both = Both(sine(60.0, 45.0))
    both.run(1.5)
    both.board.i2c.refuse()
    readings = both.run(3.0)
    assert readings[-1].facts.converter == "codec"
    assert readings[-1].rms_v == pytest.approx(60.0 / math.sqrt(2), rel=0.005)
    assert math.isnan(readings[-1].dc_v), "nobody sees d.c. now"
    assert readings[-1].hazard
    both.board.i2c.refuse(0)
    assert both.run(6.0)[-1].facts.converter == "ads1015"


def test_without_either_there_is_no_number():
    both = Both(sine(60.0, 45.0))
    both.run(1.0)
    both.board.i2c.refuse()
    both.capture.plugged = False
    readings = both.run(3.0)
    assert readings[-1].reason is Reason.SILENT
    assert both.meter.fault


def test_one_that_never_answered_is_no_reason_to_stop():
    both = Both(sine(60.0, 45.0))
    both.capture.plugged = False
    assert both.run(1.5)[-1].verdict is Verdict.CLEAN
    lost = Both(sine(60.0, 45.0))
    lost.capture.plugged = False
    lost.board.i2c.refuse()
    with pytest.raises(ConverterError):
        lost.run(1.0)


def test_an_input_that_is_chosen_is_that_of_both():
    both = Both(sine(60.0, 45.0), sine(2.0, 45.0))
    both.run(1.0)
    both.bands.select(Input.LINE)
    last = both.run(2.5)[-1]
    assert last.facts.input is Input.LINE
    assert both.codec.input is Input.LINE
    assert last.rms_v == pytest.approx(2.0 / math.sqrt(2), rel=0.02)
    both.bands.close()
    both.bands.close()
