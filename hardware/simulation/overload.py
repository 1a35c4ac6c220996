"""What happens at twice full scale, at 1 kV, and with a speaker lead on the line input."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from simulation import bench
from simulation.bench import FloatArray
from simulation.deck import FrontEnd
from simulation.figure import Figure

LEAD = (
    "1 kHz, the last of three cycles, clamps and pins as modelled. That nothing breaks in the model is no permission "
    "to exceed a marked limit."
)
TONE_HZ, CYCLES, STEP_S = 1000.0, 3, 1e-6
RATED_V, RATED_PIN_A = 200.0, 10e-3
"""Working voltage asked of each leg resistor (netlist), and continuous current allowed into a pin (from memory)."""


@dataclass(frozen=True, slots=True)
class Case:
    """One overload."""

    key: str
    words: str
    input: str
    peak_v: float
    leg_ma: float
    """The design's current in each leg [mA]."""
    resistor_v: float | None
    resistor_mw: float | None


CASES = (
    Case("speaker_2x", "speaker input at twice full scale, 548 V peak", "speaker", 547.8, 0.27, 68.0, 9.0),
    Case("speaker_1kv", "speaker input at 1 kV peak", "speaker", 1000.0, 0.5, None, 31.0),
    Case("line_250v", "250 V peak on the line input by mistake", "line", 250.0, 1.02, 60.0, None),
)


@dataclass(frozen=True, slots=True)
class Overload:
    """The figures, and the waves of each case for the picture: times [s] and volts by name."""

    figures: list[Figure]
    waves: dict[str, tuple[FloatArray, Mapping[str, FloatArray]]]


def study(front_end: FrontEnd) -> Overload:
    """Return currents, voltages and powers of every case, over the last of its cycles."""
    figures: list[Figure] = []
    waves: dict[str, tuple[FloatArray, Mapping[str, FloatArray]]] = {}
    for case in CASES:
        times_s, found = _run(front_end, case)
        inside = times_s >= (CYCLES - 1) / TONE_HZ
        waves[case.key] = (times_s[inside] - (CYCLES - 1) / TONE_HZ, {n: v[inside] for n, v in found.items()})
        figures += _figures(front_end, case, *waves[case.key])
    return Overload(figures, waves)


def _run(front_end: FrontEnd, case: Case) -> tuple[FloatArray, dict[str, FloatArray]]:
    isolator = front_end.isolator(case.input)
    observed = {}
    for side, leg, pin in zip("pn", front_end.legs(case.input), ("inp", "inn"), strict=True):
        first = leg.resistors[0]
        near, far = first.nodes if first.nodes[0] == leg.terminal else first.nodes[::-1]
        observed[f"first_{side}"] = f"v({near})-v({far})"
        observed[f"tap_{side}"] = f"v({leg.tap})-v({isolator['hgnd']})"
        observed[f"stop_{side}"] = f"v({leg.tap})-v({isolator[pin]})"
    for converter in ("ads", "i2s"):
        for i, node in enumerate(front_end.pins(f"{converter}_{case.input}")):
            observed[f"{converter}_{i}"] = f"v({node})"
    volts = f"{case.peak_v!r}*sin({2.0 * np.pi * TONE_HZ!r}*time)"
    return bench.transient(front_end, volts, observed, span_s=CYCLES / TONE_HZ, step_s=STEP_S)


def _figures(front_end: FrontEnd, case: Case, times_s: FloatArray, found: Mapping[str, FloatArray]) -> list[Figure]:
    legs = front_end.legs(case.input)
    leg_a = max(np.max(np.abs(found[f"first_{s}"])) / leg.resistors[0].value for s, leg in zip("pn", legs, strict=True))
    first_v = max(np.max(np.abs(found[f"first_{side}"])) for side in "pn")
    watts = max(
        np.trapezoid(found[f"first_{side}"] ** 2, times_s) / (times_s[-1] - times_s[0]) / leg.resistors[0].value
        for side, leg in zip("pn", legs, strict=True)
    )
    limiting = [front_end.between(leg.tap, front_end.isolator(case.input)[pin])
                for leg, pin in zip(legs, ("inp", "inn"), strict=True)]  # fmt: skip
    pin_a = max(
        np.max(np.abs(found[f"stop_{side}"])) / resistor.value for side, resistor in zip("pn", limiting, strict=True)
    )
    tap_v = max(np.max(np.abs(found[f"tap_{side}"])) for side in "pn")
    low = {c: min(np.min(v) for n, v in found.items() if n.startswith(c)) for c in ("ads", "i2s")}
    spare = {
        c: front_end.rail_v(front_end.by_model(model)[0]) - max(np.max(v) for n, v in found.items() if n.startswith(c))
        for c, model in (("ads", "bass_adc"), ("i2s", "audio_adc"))
    }
    key, words = case.key, case.words
    return [
        Figure(f"{key}_leg", f"{words}: current in a leg, peak", "mA", 1e3 * float(leg_a), case.leg_ma),
        Figure(f"{key}_resistor_v", f"{words}: across one leg resistor, peak (rated {RATED_V:.0f} V)", "V",
               float(first_v), case.resistor_v),
        Figure(f"{key}_resistor_mw", f"{words}: power in it, mean", "mW", 1e3 * float(watts), case.resistor_mw),
        Figure(f"{key}_tap", f"{words}: tap against its island, peak", "V", float(tap_v)),
        Figure(f"{key}_pin", f"{words}: into an input pin of the isolator, peak (limit 10 mA)", "mA",
               1e3 * float(pin_a)),
        *(Figure(f"{key}_{c}_low", f"{words}: {c.upper()} pins above ground by at least", "V", float(low[c]))
          for c in ("ads", "i2s")),
        *(Figure(f"{key}_{c}_high", f"{words}: {c.upper()} pins below their supply by at least", "V", float(spare[c]))
          for c in ("ads", "i2s")),
    ]  # fmt: skip
