"""Calibrate the simulated meter as a real one would be: through its own converter, against a reference.

For each input and range an a.c. reference of 40 Hz at 60 % of the range gives gain and offset (a tone that sweeps the
codes, where a d.c. level would be rounded to one), and one of 200 Hz on the widest range the corner of the RC path.
The reference is off by as much as its own uncertainty allows.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterable

import numpy as np

from flattop.calibration import Calibration, InputCalibration, RangeCalibration
from flattop.converters.ads1015 import Ads1015Converter
from flattop.converters.ads1015_chip import Alert
from flattop.converters.frontend import CHANNELS, INPUT_OHM, RANGES, rc_response
from flattop.measure.level import measure
from flattop.samples import FloatArray, Input
from flattop.simulated.board import ALERT_GPIO, SimulatedBoard
from flattop.simulated.frontend import Tolerances

REFERENCE_HZ, CORNER_HZ = 40.0, 200.0
REFERENCE_U_PCT = 0.02
LEVEL = 0.6
"""Peak of the reference over the range."""
SETTLE_S, READ_S = 0.05, 0.3
"""Time for the range to settle and the clock to be found, and to read [s]."""
NEWEST_FIRST = datetime.date(2026, 1, 1)
"""Date in the file: fixed, so that the same seed gives the same bytes."""


def calibrate(
    *, seed: int, tolerances: Tolerances | None = None, inputs: Iterable[Input] = tuple(Input)
) -> Calibration:
    """Return the calibration of the simulated board of this seed, found through a meter that has none."""
    # The reference's error is drawn apart from the board's, as it would be another maker's.
    off = float(np.random.default_rng([seed, 1]).normal(0.0, 0.005 * REFERENCE_U_PCT))
    found = {each: _one_input(each, seed=seed, tolerances=tolerances, off=off) for each in inputs}
    return Calibration(
        serial=f"SIM-{seed}",
        date=NEWEST_FIRST,
        reference="simulated a.c. reference, 40 and 200 Hz",
        reference_u_pct=REFERENCE_U_PCT,
        inputs=found,
    )


def _one_input(input: Input, *, seed: int, tolerances: Tolerances | None, off: float) -> InputCalibration:
    ratio = CHANNELS[input].ratio
    levels_v = [LEVEL * range_v * ratio for range_v in RANGES]
    # Widest range first, at both frequencies, then down: one step of time for each.
    steps = [(levels_v[0], CORNER_HZ), *((level_v, REFERENCE_HZ) for level_v in levels_v)]
    ranges_v = [RANGES[0], *RANGES]
    step_s = SETTLE_S + READ_S
    peaks_v, tones_hz = np.array(steps).T

    def reference(times_s: FloatArray) -> FloatArray:
        place = np.clip((times_s / step_s).astype(np.intp), 0, len(steps) - 1)
        return np.asarray((1.0 + off) * peaks_v[place] * np.sin(2.0 * np.pi * tones_hz[place] * times_s))

    # The same seed draws the same parts; only what is clipped on differs.
    board = SimulatedBoard(seed=seed, speaker=reference, line=reference, tolerances=tolerances, alert_wired=True)
    alert = Alert(ALERT_GPIO, board.pin_factory)
    converter = Ads1015Converter(board.i2c, board.time, input=input, alert=alert, simulated=True)
    found = []
    for number, ((peak_v, hz), range_v) in enumerate(zip(steps, ranges_v, strict=True)):
        converter.use_range(range_v)
        converter.collect((number + 1) * step_s)
        block = measure(converter.latest(READ_S - 0.02))
        if block.fit is None or block.samples.quality.saturated or converter.range_v != range_v:
            raise RuntimeError(f"the simulated reference of {peak_v:.3g} V at {hz:g} Hz was not read on its range")
        found.append((float(abs(block.fit.harmonics[1])), block.dc_v, block.fit.hz))
    pole_scale = _pole_scale(found[0], found[1], 1.0 / converter.grid.period_s)
    ranges = {}
    for range_v, (level_v, dc_v, hz), peak_v in zip(RANGES, found[1:], levels_v, strict=True):
        path = rc_response(np.array([hz]), pole_scale=pole_scale, load_ohm=INPUT_OHM[range_v])
        fall = float(abs(path[0]))
        fall *= float(np.sinc(hz * converter.grid.period_s))
        ranges[range_v] = RangeCalibration(gain=peak_v * fall / level_v, offset_v=dc_v)
    converter.close()
    return InputCalibration(ranges=ranges, pole_scale=pole_scale)


def _pole_scale(at_corner: tuple[float, float, float], at_low: tuple[float, float, float], rate_hz: float) -> float:
    """Return the factor on the RC path's time constants that explains the fall between two frequencies."""
    hz = np.array([at_low[2], at_corner[2]])
    averaging = np.sinc(hz / rate_hz)
    fall = at_corner[0] / at_low[0] * averaging[0] / averaging[1]
    low, high = 0.8, 1.25
    for _ in range(40):
        middle = math.sqrt(low * high)
        gains = np.abs(rc_response(hz, pole_scale=middle, load_ohm=INPUT_OHM[RANGES[0]]))
        low, high = (middle, high) if gains[1] / gains[0] > fall else (low, middle)
    return low
