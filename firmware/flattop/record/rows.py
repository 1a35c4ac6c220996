"""A reading as one row of a table: flat values, rounded numbers, the text of a cell, and a line of CSV (RFC 4180)."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Mapping

from flattop.measure.reading import Reading

Value = float | int | bool | str

DIGITS = 7
"""Significant digits of a logged number: below the last one lies nothing but noise."""


def as_row(reading: Reading) -> dict[str, Value]:
    """Return a reading as flat values, in the order of the CSV's columns; NaN where a figure is not known."""
    facts, quality, between = reading.facts, reading.quality, reading.between
    return {
        "t_s": reading.time_s,
        "duration_s": reading.duration_s,
        "rms_v": reading.rms_v,
        "rms_u_v": reading.rms_u_v,
        "dc_v": reading.dc_v,
        "dc_u_v": reading.dc_u_v,
        "hz": reading.hz,
        "hz_u_hz": reading.hz_u,
        "peak_pos_v": reading.peak_pos_v,
        "peak_neg_v": reading.peak_neg_v,
        "crest": reading.crest,
        "fundamental_v": reading.fundamental_v,
        "thd_pct": reading.thd_pct,
        "harmonics": reading.harmonics,
        "thd_to_hz": reading.thd_to_hz,
        "thd_n_pct": reading.thd_n_pct,
        "overdrive_pos_db": reading.overdrive_pos_db,
        "overdrive_neg_db": reading.overdrive_neg_db,
        "overdrive_u_db": reading.overdrive_u_db,
        "flat_share_pct": reading.flat_share_pct,
        "drift_pct_s": reading.drift_pct_s,
        "line_to_speaker_db": between.gain_db if between is not None else math.nan,
        "line_to_speaker_u_db": between.gain_u_db if between is not None else math.nan,
        "polarity": str(between.polarity) if between is not None else "",
        "verdict": str(reading.verdict),
        "reason": str(reading.reason),
        "dc_alarm": reading.dc_alarm,
        "hazard": reading.hazard,
        "converter": facts.converter,
        "input": str(facts.input),
        "calibrated": facts.calibrated,
        "trimmed": facts.trimmed,
        "simulated": facts.simulated,
        "rate_hz": quality.rate_hz,
        "clock": str(quality.clock),
        "missed": quality.missed,
        "repeated": quality.repeated,
        "saturated": quality.saturated,
    }


def rounded(row: Mapping[str, Value]) -> dict[str, Value | None]:
    """Return a row with its numbers as they are logged, and None for what is not known: ready for strict JSON."""
    return {name: _rounded(value) for name, value in row.items()}


def _rounded(value: Value) -> Value | None:
    if not isinstance(value, float):
        return value
    return float(f"{value:.{DIGITS}g}") if math.isfinite(value) else None


def cell(value: Value | None) -> str:
    """Return the text of a cell: empty for what is not known, yes and no for a truth."""
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.{DIGITS}g}" if isinstance(value, float) else str(value)


def line(cells: Iterable[str]) -> bytes:
    """Return cells as one line of CSV in UTF-8, quoted where they must be, with its CRLF."""
    text = io.StringIO(newline="")
    csv.writer(text, strict=True).writerow(cells)
    return text.getvalue().encode("utf-8", "replace")
