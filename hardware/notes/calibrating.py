"""The readings of a calibration, taken on a meter range by range, and the calibration file made from them.

    calibrating.py read --input speaker --point plus --applied 30.00 >> points.csv
    calibrating.py make points.csv calibration.toml --serial FT-0007 --reference "..." --reference-u-pct 0.1
    calibrating.py simulate 7 > points.csv

`read` is for the meter, with its service stopped, and has never run on one. `simulate` takes all points from the
simulated board of a seed instead, whose file then carries the serial number SIM- and the seed.
"""

from __future__ import annotations

import argparse
import csv
import datetime
import math
import sys
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, fields
from enum import StrEnum
from pathlib import Path
from typing import TextIO

import numpy as np

from flattop.calibration import Calibration, InputCalibration, RangeCalibration, save
from flattop.converters import HostTime, Timebase
from flattop.converters.ads1015 import Ads1015Converter
from flattop.converters.ads1015_chip import Alert, open_bus
from flattop.converters.frontend import CHANNELS, LSB_V, RANGES, loading, rc_response
from flattop.errors import CalibrationError, FlattopError, listed
from flattop.measure.fit import SineFit
from flattop.measure.level import measure
from flattop.samples import FloatArray, Input

NARROWEST_V = RANGES[-1]
DIRECT_V: Mapping[Input, float] = {Input.SPEAKER: 30.00, Input.LINE: 2.500}
"""D.c. reference, either sign: within the narrowest range, and on the line input within its 20 V peak [V]."""
TONE_RMS_V: Mapping[Input, float] = {Input.SPEAKER: 20.0, Input.LINE: 1.70}
"""Tone: within the narrowest range as well, and below what has to be treated as live [V rms]."""
TONE_HZ, CORNER_HZ = 40.0, 200.0
SETTLE_S, READ_S = 0.3, 1.0
ALERT_GPIO = 4


class Point(StrEnum):
    """What lies on the terminals."""

    ZERO = "zero"
    """Leads joined."""
    PLUS = "plus"
    """The d.c. reference."""
    MINUS = "minus"
    """The d.c. reference with its leads exchanged."""
    TONE = "tone"
    """A steady tone of 40 Hz; its level need not be known, it must only stand still."""
    CORNER = "corner"
    """A tone of 200 Hz at the level of the other one."""


NEEDED = {
    Point.ZERO: RANGES,
    Point.PLUS: (NARROWEST_V,),
    Point.MINUS: (NARROWEST_V,),
    Point.TONE: RANGES,
    Point.CORNER: (NARROWEST_V,),
}
"""Ranges that each point is needed on; `read` takes all four."""


@dataclass(frozen=True, slots=True)
class Row:
    """One reading of an uncalibrated meter on one range. Volts are at the terminals, by the nominal circuit."""

    input: Input
    range_v: float
    point: Point
    applied_v: float
    """What the reference says it is [V]: d.c., or the peak of a tone."""
    hz: float
    """Frequency of a tone [Hz]; 0 for d.c."""
    dc_v: float
    peak_v: float
    """Peak of the tone, as it is after the fall of the path [V]; 0 for d.c."""
    scatter_v: float
    """Standard deviation of the mean [V]."""
    rate_hz: float


COLUMNS = [field.name for field in fields(Row)]


def read_point(
    converter: Ads1015Converter, time: Timebase, *, point: Point, applied_v: float, hz: float
) -> Iterator[Row]:
    """Read what lies on the terminals on each range, narrowest first.

    Raises CalibrationError for a level that a range does not hold or a tone that is not there, and what the converter
    raises.
    """
    for range_v in reversed(RANGES):
        converter.use_range(range_v)
        converter.collect(time.now_s() + SETTLE_S + READ_S)
        block = measure(converter.latest(READ_S))
        volts = block.samples.volts
        if converter.range_v != range_v or block.samples.quality.saturated:
            raise CalibrationError(
                f"the level is above the range of {range_v} V of the converter; "
                f"allowed is {_held_v(converter.input, range_v):.3g} V peak on the {converter.input}; turn it down"
            )
        if len(volts) < 100:
            raise CalibrationError(f"only {len(volts)} samples came in {READ_S} s; check the converter and its bus")
        if hz and (block.fit is None or abs(block.fit.hz - hz) > 0.01 * hz):
            seen = "no tone" if block.fit is None else f"{block.fit.hz:.2f} Hz"
            raise CalibrationError(f"the meter sees {seen}; allowed is {hz:g} Hz within 1 %; check source and leads")
        fit = block.fit if hz and isinstance(block.fit, SineFit) else None
        yield Row(
            input=converter.input,
            range_v=range_v,
            point=point,
            applied_v=applied_v,
            hz=fit.hz if fit is not None else 0.0,
            dc_v=float(np.mean(volts)) if fit is None else block.dc_v,
            peak_v=float(abs(fit.harmonics[1])) if fit is not None else 0.0,
            scatter_v=(fit.sigma if fit is not None else float(np.std(volts))) / math.sqrt(len(volts)),
            rate_hz=block.samples.quality.rate_hz,
        )


def _held_v(input: Input, range_v: float) -> float:
    return range_v * CHANNELS[input].ratio


def calibration_from(
    rows: Iterable[Row], *, serial: str, date: datetime.date, reference: str, reference_u_pct: float
) -> Calibration:
    """Return the calibration that the readings give; both inputs must be there, with every point.

    The d.c. reference gives gain and zero of the narrowest range, where a step of the converter is small against it.
    The tone carries both over to the wider ranges, where a steady level would be rounded to a step; what d.c. it has
    of its own is the same on every range and drops out. Raises CalibrationError with every fault.
    """
    held = {(row.input, row.point, row.range_v): row for row in rows}
    missing = [
        f"{which}: no reading of the point {point} on the range of {range_v} V"
        for which in Input
        for point, ranges in NEEDED.items()
        for range_v in ranges
        if (which, point, range_v) not in held
    ]
    if missing:
        raise CalibrationError(listed("these readings make no calibration:", missing))
    inputs = {}
    for which in Input:
        plus, minus = (held[which, point, NARROWEST_V] for point in (Point.PLUS, Point.MINUS))
        gain = (plus.applied_v - minus.applied_v) / (plus.dc_v - minus.dc_v)
        zero_v = 0.5 * (plus.dc_v + minus.dc_v) - 0.5 * (plus.applied_v + minus.applied_v) / gain
        tone = held[which, Point.TONE, NARROWEST_V]
        ranges = {}
        for range_v in RANGES:
            wide = held[which, Point.TONE, range_v]
            ranges[range_v] = RangeCalibration(
                gain=gain * tone.peak_v / wide.peak_v, offset_v=zero_v + wide.dc_v - tone.dc_v
            )
        inputs[which] = InputCalibration(ranges, pole_scale(tone, held[which, Point.CORNER, NARROWEST_V]))
    return Calibration(serial, date, reference, reference_u_pct, inputs)


def pole_scale(tone: Row, corner: Row) -> float:
    """Return the factor on the path's time constants that explains the fall from one tone to the other.

    Raises CalibrationError if none from 0.8 to 1.25 does.
    """
    hz = np.array([tone.hz, corner.hz])
    averaging = np.sinc(hz / tone.rate_hz)
    fall = corner.peak_v / tone.peak_v * tone.applied_v / corner.applied_v * averaging[0] / averaging[1]

    def fall_by(scale: float) -> float:
        gains = np.abs(rc_response(hz, pole_scale=scale))
        return float(gains[1] / gains[0])

    low, high = 0.8, 1.25
    if not fall_by(high) < fall < fall_by(low):
        raise CalibrationError(
            f"the level falls to {fall:.4f} from {hz[0]:.0f} to {hz[1]:.0f} Hz; allowed is {fall_by(high):.4f} to "
            f"{fall_by(low):.4f}; check that the source gives both tones at one level, then the filter's capacitors"
        )
    for _ in range(40):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if fall_by(middle) > fall else (low, middle)
    return low


def gain_budget(input: Input, *, reference_u_pct: float) -> dict[str, float]:
    """Return the relative standard uncertainties of a gain from the d.c. reference, part by part [%].

    Type B throughout (JCGM 100:2008, 4.3): half the reference's expanded uncertainty, and a rectangular half step of
    the converter at either sign. The sum is the root of the squares.
    """
    step_v = LSB_V[NARROWEST_V] * CHANNELS[input].ratio / loading(NARROWEST_V)
    parts = {
        "reference": 0.5 * reference_u_pct,
        "half a step, twice": 100.0 * step_v / math.sqrt(12.0) * math.sqrt(2.0) / (2.0 * DIRECT_V[input]),
    }
    return parts | {"together": math.hypot(*parts.values())}


# -- files and the command line ---------------------------------------------------------------------------------------


def write_rows(rows: Iterable[Row], file: TextIO, *, heading: bool = True) -> None:
    """Write readings as CSV."""
    writer = csv.writer(file, lineterminator="\n")
    if heading:
        writer.writerow(COLUMNS)
    for row in rows:
        cells = (getattr(row, name) for name in COLUMNS)
        writer.writerow([f"{cell:.9g}" if isinstance(cell, float) else str(cell) for cell in cells])


def read_rows(path: Path) -> list[Row]:
    """Read them back; repeated headings are passed over.

    Raises CalibrationError with every line that is no reading.
    """
    rows, faults = [], []
    with path.open(encoding="utf-8", newline="") as file:
        for number, cells in enumerate(csv.reader(file), start=1):
            if cells in (COLUMNS, []):
                continue
            try:
                which, range_v, point, *numbers = cells
                rows.append(Row(Input(which), float(range_v), Point(point), *(float(cell) for cell in numbers)))
            except (ValueError, TypeError) as fault:
                faults.append(f"line {number}: {fault}; the columns are {', '.join(COLUMNS)}")
    if faults:
        raise CalibrationError(listed(f"{path} cannot be read:", faults))
    return rows


def applied(input: Input, point: Point) -> tuple[float, float]:
    """Return what the procedure puts on an input: volts (d.c. or peak) and frequency [Hz]."""
    if point in (Point.TONE, Point.CORNER):
        return math.sqrt(2.0) * TONE_RMS_V[input], TONE_HZ if point is Point.TONE else CORNER_HZ
    return {Point.ZERO: 0.0, Point.PLUS: 1.0, Point.MINUS: -1.0}[point] * DIRECT_V[input], 0.0


def simulated_rows(seed: int, *, reference_u_pct: float) -> Iterator[Row]:
    """Carry the whole procedure out on the simulated board of a seed, with a reference that is off by what it may be.

    The tone source is off by far more, and has d.c. of its own: its level is not to matter.
    """
    from flattop.simulated.board import SimulatedBoard

    rng = np.random.default_rng([seed, 2])
    reference = 1.0 + float(rng.normal(0.0, 0.005 * reference_u_pct))
    source, source_dc = 1.0 + float(rng.uniform(-0.02, 0.02)), float(rng.uniform(-0.001, 0.001))
    for which in Input:
        for point in Point:
            volts, hz = applied(which, point)

            def signal(times_s: FloatArray, volts: float = volts, hz: float = hz) -> FloatArray:
                if hz:
                    return np.asarray(volts * (source * np.sin(2.0 * np.pi * hz * times_s) + source_dc))
                return np.full_like(times_s, volts * reference)

            board = SimulatedBoard(seed=seed, speaker=signal, line=signal)
            alert = Alert(ALERT_GPIO, board.pin_factory)
            converter = Ads1015Converter(board.i2c, board.time, input=which, alert=alert, simulated=True)
            yield from read_point(converter, board.time, point=point, applied_v=volts, hz=hz)
            converter.close()


def main(arguments: list[str] | None = None) -> int:
    """Run one of the three commands; return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    commands = parser.add_subparsers(dest="command", required=True)
    read = commands.add_parser("read", help="read what lies on the terminals, on each range")
    read.add_argument("--input", type=Input, choices=list(Input), required=True)
    read.add_argument("--point", type=Point, choices=list(Point), required=True)
    read.add_argument("--applied", type=float, required=True, metavar="V", help="d.c., or the rms of a tone")
    make = commands.add_parser("make", help="make the calibration file")
    make.add_argument("points", type=Path)
    make.add_argument("file", type=Path)
    make.add_argument("--serial", required=True)
    make.add_argument("--date", type=datetime.date.fromisoformat, default=datetime.date.today())
    make.add_argument("--reference", required=True, help="what it was, with the number of its certificate")
    make.add_argument("--reference-u-pct", type=float, required=True, help="its expanded uncertainty (k = 2) [%%]")
    simulate = commands.add_parser("simulate", help="take all points from the simulated board")
    simulate.add_argument("seed", type=int)
    given = parser.parse_args(arguments)
    try:
        if given.command == "read":
            _, hz = applied(given.input, given.point)
            time = HostTime()
            converter = Ads1015Converter(open_bus, time, input=given.input, alert=Alert(ALERT_GPIO))
            volts = given.applied * (math.sqrt(2.0) if hz else 1.0)
            try:
                rows = list(read_point(converter, time, point=given.point, applied_v=volts, hz=hz))
            finally:
                converter.close()
            write_rows(rows, sys.stdout)
        elif given.command == "make":
            made = calibration_from(
                read_rows(given.points),
                serial=given.serial,
                date=given.date,
                reference=given.reference,
                reference_u_pct=given.reference_u_pct,
            )
            save(given.file, made)
            print(f"{given.file} written: copy it to the meter and name it under [files] in the settings")
        else:
            write_rows(simulated_rows(given.seed, reference_u_pct=0.1), sys.stdout)
    except FlattopError as fault:
        print(f"calibrating: {fault}", file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
