"""The error budget at d.c. to 40 Hz: every contribution with its source, before and after the two-point calibration.

A contribution is the largest error that a part within its limits makes, in per cent of the reading. The worst case
adds them, RSS takes the root of the sum of their squares. What the divider's parts do is taken from sensitivities in
ngspice; all parts of one value are taken to lie at one limit together, as one reel may.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from simulation import bench, models
from simulation.bench import LOAD
from simulation.deck import FrontEnd, Passive, Scenario
from simulation.figure import Figure, Reason
from simulation.models import Source

LEAD = (
    "Sums of the table further down. The d.c. points of the calibration leave the capacitors out: away from d.c. their "
    "tolerance comes on top, unless an a.c. point trims it."
)
SPAN_K = 25.0
"""0 to 50 C, calibrated at 25 C."""
AT_HZ, HIGHEST_HZ = 40.0, 300.0
STEP = 1e-3
RESISTOR_PCT, RESISTOR_PPM_K, CAPACITOR_PCT = 0.1, 25.0, 1.0
PROMISE_PCT = 0.5
"""Promised of a calibrated ADS path, 10 to 300 Hz, in per cent of the reading."""
REFERENCE_V = 30.0
LDO_PPM_K = (50.0, 100.0)
"""Temperature coefficient of the audio converter's 5 V supply, which its full scale follows: a good and a fair one."""


@dataclass(frozen=True, slots=True)
class Contribution:
    """One line of the budget, in per cent of the reading."""

    what: str
    before_pct: float
    after_pct: float
    source: Source
    basis: str
    """Where the number comes from."""


@dataclass(frozen=True, slots=True)
class Budget:
    """Contributions to the ADS path and, on top of them, to the I2S path after its gain was transferred."""

    ads: list[Contribution]
    i2s: list[Contribution]
    figures: list[Figure]


def study(front_end: FrontEnd) -> Budget:
    """Return both budgets and their sums."""
    ads, i2s = _ads(front_end), _i2s(front_end, LDO_PPM_K[0])
    fair = _i2s(front_end, LDO_PPM_K[1])
    before, after = [each.before_pct for each in ads], [each.after_pct for each in ads]
    text = (
        f"with a supply of {LDO_PPM_K[1]:g} ppm/K in place of {LDO_PPM_K[0]:g}: the full scale of this converter "
        "follows its supply, and the design names no coefficient"
    )
    total, other = ([*after, *(each.after_pct for each in terms)] for terms in (i2s, fair))
    figures = [
        Figure("budget_ads_before_worst", "ADS path, before calibration: worst case", "%", sum(before), 1.06),
        Figure("budget_ads_before_rss", "ADS path, before calibration: RSS", "%", rss(before), 0.44),
        Figure("budget_ads_after_worst", "ADS path, after two points, 0 to 50 C: worst case", "%", sum(after), 0.48),
        Figure("budget_ads_after_rss", "ADS path, after two points, 0 to 50 C: RSS", "%", rss(after), 0.23),
        Figure("budget_i2s_worst", "I2S path after transfer: worst case", "%", sum(total), 0.85,
               Reason(text, (sum(other),))),
        Figure("budget_i2s_rss", "I2S path after transfer: RSS", "%", rss(total), 0.32, Reason(text, (rss(other),))),
        *_above_dc(front_end, sum(after), rss(after)),
        *_zeros(front_end),
    ]  # fmt: skip
    return Budget(ads, i2s, figures)


def rss(values: Iterable[float]) -> float:
    """Return the root of the sum of the squares."""
    return math.sqrt(sum(value**2 for value in values))


def sensitivity(front_end: FrontEnd, parts: Iterable[Passive], output: str, hz: float = AT_HZ) -> float:
    """Return the relative change of the level at `hz` for the relative change of all these parts together."""
    nominal = bench.at(front_end, [hz])
    moved = bench.at(front_end, [hz], Scenario(values={part.reference: part.value * (1 + STEP) for part in parts}))
    return (abs(moved.gain(output, hz) / nominal.gain(output, hz)) - 1.0) / STEP


def _above_dc(front_end: FrontEnd, worst_pct: float, rss_pct: float) -> list[Figure]:
    """Return what 1 % capacitors add to the calibrated ADS path where no a.c. point trims them.

    Their share grows with the square of the frequency as long as the path has hardly begun to fall.
    """
    capacitors = [part for part in front_end.passives if part.reference in {"C130", "C133"}]
    shares = [abs(sensitivity(front_end, capacitors, "ads_speaker", hz)) * CAPACITOR_PCT for hz in (100.0, HIGHEST_HZ)]
    until_hz = 100.0 * math.sqrt((PROMISE_PCT - worst_pct) / shares[0])
    condition = f"{CAPACITOR_PCT:g} % capacitors, d.c. points only"
    return [
        Figure("budget_ads_300hz_worst", f"ADS path at {HIGHEST_HZ:g} Hz, {condition}: worst case", "%",
               worst_pct + shares[1]),
        Figure("budget_ads_300hz_rss", f"ADS path at {HIGHEST_HZ:g} Hz, {condition}: RSS", "%",
               rss([rss_pct, shares[1]])),
        Figure("budget_ads_until", f"ADS path, {condition}: worst case within {PROMISE_PCT:g} % up to", "Hz", until_hz),
    ]  # fmt: skip


def _divider(front_end: FrontEnd) -> tuple[list[Passive], list[Passive]]:
    """Return the speaker input's leg resistors and its feet."""
    legs = front_end.legs("speaker")
    island = front_end.isolator("speaker")["hgnd"]
    return [part for leg in legs for part in leg.resistors], [front_end.between(leg.tap, island) for leg in legs]


def _ads(front_end: FrontEnd) -> list[Contribution]:
    legs, feet = _divider(front_end)
    spread = sum(abs(sensitivity(front_end, parts, "ads_speaker")) for parts in (legs, feet))
    filters = [part for part in front_end.passives if part.reference in {"R130", "R131", "R132", "R133"}]
    loaded = Scenario(parameters={LOAD: models.LOADS_OHM[2.048].value * 0.8})
    nominal, low = bench.at(front_end, [AT_HZ]), bench.at(front_end, [AT_HZ], loaded)
    load_pct = 100.0 * abs(abs(low.gain("ads_speaker", AT_HZ) / nominal.gain("ads_speaker", AT_HZ)) - 1.0)
    filter_pct = abs(sensitivity(front_end, filters, "ads_speaker")) * RESISTOR_PCT
    drift = spread * RESISTOR_PPM_K * SPAN_K * 1e-4
    isolator, converter = 45e-4 * SPAN_K, 7e-4 * SPAN_K
    seen, memory, calculated = Source.SEEN, Source.MEMORY, Source.CALCULATED
    return [
        Contribution("divider, legs against feet", spread * RESISTOR_PCT, 0.0, calculated,
                     f"{RESISTOR_PCT:g} % parts times the sensitivity in ngspice, {spread:.3f}"),
        Contribution("divider over temperature", drift, drift, calculated,
                     f"{RESISTOR_PPM_K:g} ppm/K, {SPAN_K:g} K, the same sensitivity"),
        Contribution("isolator: gain", 0.2, 0.0, seen, "0.2 %"),
        Contribution("isolator: gain over temperature", isolator, isolator, seen, f"45 ppm/K, {SPAN_K:g} K"),
        Contribution("isolator: nonlinearity", 0.02, 0.02, seen, "0.02 %"),
        Contribution("ADC: gain", 0.25, 0.0, memory, "limit of the datasheet; 0.05 % is typical"),
        Contribution("ADC: gain from range to range", 0.1, 0.1, memory, "limit of the datasheet"),
        Contribution("ADC: gain over temperature", converter, converter, memory, f"7 ppm/K, {SPAN_K:g} K"),
        Contribution("ADC: its input loads the filter", load_pct, 0.0, calculated, "20 % on its impedance, in ngspice"),
        Contribution("filter resistors", filter_pct, 0.0, calculated, "0.1 % parts, in ngspice"),
        Contribution(f"reference of {REFERENCE_V:g} V", 0.0, 0.1, Source.CHOSEN, "0.1 %"),
    ]  # fmt: skip


def _i2s(front_end: FrontEnd, ldo_ppm_k: float) -> list[Contribution]:
    """Return what the transfer to the audio converter adds, in the order of size."""
    series = [part for part in front_end.passives if part.reference in {"R120", "R123"}]
    spread = abs(sensitivity(front_end, series, "i2s_speaker"))
    back = [part for part in front_end.passives if part.reference in {"R121", "R124"}]
    spread += abs(sensitivity(front_end, back, "i2s_speaker"))
    ldo = ldo_ppm_k * SPAN_K * 1e-4
    amplifier = spread * RESISTOR_PPM_K * SPAN_K * 1e-4
    return [
        Contribution("supply of the audio converter over temperature", ldo, ldo, Source.MEMORY,
                     f"{ldo_ppm_k:g} ppm/K, {SPAN_K:g} K"),
        Contribution("amplifier's resistors over temperature", amplifier, amplifier, Source.CALCULATED,
                     f"{RESISTOR_PPM_K:g} ppm/K, {SPAN_K:g} K, sensitivity {spread:.3f}"),
        Contribution("transfer: both converters read one tone", 0.05, 0.05, Source.MEMORY, "repeatability of the pair"),
    ]  # fmt: skip


def _zeros(front_end: FrontEnd) -> list[Figure]:
    """Return the zero before calibration: the isolator's offset and half a code, at the terminals."""
    gain = bench.at(front_end, [0.001])
    offset_v, half_code_v = 0.3e-3, 0.5e-3
    figures = []
    for name, design in (("speaker", 150.0), ("line", None)):
        per_pin = 1.0 / abs(gain.gain(f"ads_{name}", 0.001))
        ratio = per_pin * models.PARAMETERS["isolator"]["gain"].value
        zero_v = offset_v * ratio + half_code_v * per_pin
        what = f"zero before calibration, {name} input: 0.3 mV of the isolator and half a code"
        figures.append(Figure(f"zero_{name}", what, "mV", 1e3 * zero_v, design))
    return figures
