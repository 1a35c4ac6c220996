"""The figures of calibrate.md: levels, references, the uncertainty budget, and the worked example."""

from __future__ import annotations

import datetime
import math
from functools import cache

import calibrating
from calibrating import DIRECT_V, Point, Row
from note_front_end import GAIN, HERE, PROMISE_PCT, PROMISE_V, SIDES, SPEAKER, leg_ohm, table, value

from flattop.calibration import RANGES_V, Calibration
from flattop.converters.frontend import CALIBRATED_GAIN_U, CALIBRATED_OFFSET_SHARE, CHANNELS, LSB_V, loading
from flattop.samples import Input

EXAMPLE_POINTS, EXAMPLE_FILE = HERE / "example-points.csv", HERE / "example-calibration.toml"
EXAMPLE_SEED, EXAMPLE_U_PCT = 7, 0.1
EXAMPLE_DATE = datetime.date(2026, 1, 2)


def levels() -> str:
    """Return what is put on each input, and what a step of each range is against it."""
    rows = []
    for which in Input:
        for range_v in RANGES_V:
            step_v = LSB_V[range_v] * CHANNELS[which].ratio / loading(range_v)
            direct_v = DIRECT_V[which]
            rows.append(
                (
                    str(which),
                    f"{range_v:g} V",
                    f"{range_v * CHANNELS[which].ratio:.4g} V",
                    f"{1e3 * step_v:.3g} mV",
                    f"{100.0 * 0.5 * step_v / direct_v:.2f} %",
                )
            )
    heads = ("Input", "Range at the pins", "Range at the terminals", "One step", "Half a step of the d.c. reference")
    return table(heads, rows)


def references() -> str:
    """Return what references of several qualities make of the meter."""
    rows = []
    for u_pct in (0.02, 0.05, 0.1, 0.2, 0.4):
        budget = calibrating.gain_budget(Input.SPEAKER, reference_u_pct=u_pct)
        meter_pct = meter_u_pct(u_pct)
        ratio = PROMISE_PCT / u_pct
        verdict = "good" if ratio >= 4.0 else "too coarse"
        rows.append(
            (f"{u_pct:g} %", f"{ratio:.3g} : 1", f"{2.0 * budget['together']:.3f} %", f"{meter_pct:.3f} %", verdict)
        )
    heads = ("Reference, k = 2", "Ratio to the promise", "Gain on the day, k = 2", "Meter, 0 to 50 °C, k = 2", "")
    return table(heads, rows)


def meter_u_pct(reference_u_pct: float) -> float:
    """Return the relative expanded uncertainty that a calibrated meter states of itself, zero left out [%]."""
    return 200.0 * math.hypot(CALIBRATED_GAIN_U, 0.005 * reference_u_pct)


def contributions() -> str:
    """Return the contributions to a calibrated level of the speaker input, each as a standard uncertainty."""
    parts = calibrating.gain_budget(Input.SPEAKER, reference_u_pct=EXAMPLE_U_PCT)
    tones = [row for row in example_rows() if row.point is Point.TONE and row.input is Input.SPEAKER]
    carried_pct = max(100.0 * row.scatter_v / row.peak_v for row in tones)
    noise_pct = max(
        100.0 * row.scatter_v / abs(row.applied_v)
        for row in example_rows()
        if row.input is Input.SPEAKER and row.point in (Point.PLUS, Point.MINUS) and row.range_v == RANGES_V[-1]
    )
    zero_v = CHANNELS[Input.SPEAKER].offset_u_v * CALIBRATED_OFFSET_SHARE
    rows = (
        ("reference", "B, normal", "half of its certificate", f"{parts['reference']:.3f} %"),
        (
            "step of the converter, narrowest range, two readings",
            "B, rectangular",
            "a step over the square root of 12, at either sign",
            f"{parts['half a step, twice']:.4f} %",
        ),
        ("noise of a d.c. reading", "A", "`scatter_v`, standard deviation of the mean", f"{noise_pct:.4f} %"),
        ("carrying over to the wider ranges", "A", "`scatter_v` of the tone", f"{carried_pct:.4f} %"),
        ("temperature 0 to 50 °C, age", "B", "calculated budget of the design", f"{100 * CALIBRATED_GAIN_U:.3f} %"),
        (
            "zero, temperature and age",
            "B",
            "a quarter of what an uncalibrated zero may be off",
            f"{1e3 * zero_v:.0f} mV",
        ),
    )
    return table(("Contribution", "Kind", "How it is known", "Standard uncertainty"), rows)


def budget() -> str:
    """Return the uncertainty of a calibrated meter at some levels, beside the promise."""
    rows = []
    for which, levels_v in ((Input.SPEAKER, (1.0, 30.0, 85.0, 180.0)), (Input.LINE, (0.2, 2.0, 14.0))):
        zero_v = CHANNELS[which].offset_u_v * CALIBRATED_OFFSET_SHARE
        for level_v in levels_v:
            gain_v = 0.005 * meter_u_pct(EXAMPLE_U_PCT) * level_v
            u_v = 2.0 * math.hypot(gain_v, zero_v)
            promise_v = 0.01 * PROMISE_PCT * level_v + PROMISE_V[which]
            rows.append((str(which), f"{level_v:g} V", f"{u_v:.2g} V", f"{promise_v:.2g} V"))
    return table(("Input", "Level", f"Expanded uncertainty, reference of {EXAMPLE_U_PCT:g} %", "Promise"), rows)


def leakage() -> str:
    """Return the error that a protection diode's leakage makes at the terminals."""
    leak_a = 50e-9
    rows = []
    for side in SIDES:
        foot = value("R109" if side is SPEAKER else "R209")
        ohm = 1.0 / (1.0 / foot + 1.0 / leg_ohm(side))
        error_v = leak_a * ohm * CHANNELS[side.input].ratio * GAIN
        rows.append(
            (
                str(side.input),
                f"{foot / 1e3:.2f} kohm",
                f"{1e3 * error_v:.2g} mV",
                f"{1e3 * PROMISE_V[side.input]:.0f} mV",
            )
        )
    return table(("Input", "Foot", "One diode with 50 nA moves the zero by", "Promise of the zero"), rows)


@cache
def example_rows() -> tuple[Row, ...]:
    """Return the readings of the example, which are part of the project."""
    return tuple(calibrating.read_rows(EXAMPLE_POINTS))


@cache
def example() -> Calibration:
    """Return the calibration of the example."""
    return calibrating.calibration_from(
        example_rows(),
        serial=f"SIM-{EXAMPLE_SEED}",
        date=EXAMPLE_DATE,
        reference="simulated d.c. reference of 30.00 V and 2.500 V",
        reference_u_pct=EXAMPLE_U_PCT,
    )


def example_points() -> str:
    """Return the readings of the speaker input that the worked example uses."""
    rows = [
        (
            str(row.point),
            f"{row.range_v:g} V",
            f"{row.applied_v:.4f} V",
            f"{row.hz:.3g} Hz" if row.hz else "d.c.",
            f"{row.dc_v:.5f} V",
            f"{row.peak_v:.5f} V" if row.hz else "",
        )
        for row in example_rows()
        if row.input is Input.SPEAKER and row.range_v in calibrating.NEEDED[row.point]
    ]
    return table(("Point", "Range", "Applied", "Frequency", "Indicated d.c.", "Indicated peak"), rows)


def example_sums() -> str:
    """Return the example's arithmetic for the narrowest and the widest range of the speaker input."""
    held = {(row.input, row.point, row.range_v): row for row in example_rows()}
    narrow, wide = RANGES_V[-1], RANGES_V[0]
    plus, minus = (held[Input.SPEAKER, point, narrow] for point in (Point.PLUS, Point.MINUS))
    tone, tone_wide = (held[Input.SPEAKER, Point.TONE, range_v] for range_v in (narrow, wide))
    made = example()
    found = made.inputs[Input.SPEAKER].ranges
    lines = [
        f"gain({narrow:g})   = ({plus.applied_v:.2f} - ({minus.applied_v:.2f}))"
        f" / ({plus.dc_v:.5f} - ({minus.dc_v:.5f}))"
        f" = {found[narrow].gain:.6f}",
        f"offset({narrow:g}) = ({plus.dc_v:.5f} + ({minus.dc_v:.5f})) / 2 = {found[narrow].offset_v:.5f} V",
        f"gain({wide:g})   = {found[narrow].gain:.6f} x {tone.peak_v:.5f} / {tone_wide.peak_v:.5f}"
        f" = {found[wide].gain:.6f}",
        f"offset({wide:g}) = {found[narrow].offset_v:.5f} + {tone_wide.dc_v:.5f} - ({tone.dc_v:.5f})"
        f" = {found[wide].offset_v:.5f} V",
    ]
    return "```text\n" + "\n".join(lines) + "\n```"


def example_file() -> str:
    """Return the file of the example."""
    return f"```toml\n{EXAMPLE_FILE.read_text(encoding='utf-8')}```"
