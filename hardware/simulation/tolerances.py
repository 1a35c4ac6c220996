"""Boards drawn from within their parts' tolerances: how far the I2S path leaves 0 dB, and what single parts do."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from simulation import bench
from simulation.bench import FloatArray
from simulation.deck import FrontEnd, Passive, Scenario
from simulation.figure import Figure, Reason

LEAD = (
    "Boards with every part drawn evenly from within its tolerance, the same seed every time; how far the worst "
    "frequency lies from 0 dB."
)
SEED, BOARDS = 1, 200
BATCH = 100
BATCHES = (
    f"in batches of {BATCH} of these boards, on both inputs: the design says neither which input it drew nor how many "
    "boards, and the ends of a distribution wander with both"
)
LIMITING_PCT = 1.0
"""The resistors in front of the isolators' inputs only limit current and are 1 % parts in any case."""
LOWEST_HZ = 10.0
FIRST_HZ, LAST_HZ, STEPS = 2.0, 20e3, 10
"""Sweeps run over whole decades, or ngspice moves their points; what lies below 10 Hz is left out afterwards."""
REFERENCE_HZ = 1000.0
OUTPUTS = ("i2s_speaker", "i2s_line")


@dataclass(frozen=True, slots=True)
class Parts:
    """A choice of parts."""

    key: str
    words: str
    resistor_pct: float
    capacitor_pct: float
    design: tuple[float | None, float]
    """The design's 95th percentile and greatest deviation [dB]."""


CHOICES = (
    Parts("close", "1 % capacitors, 0.1 % resistors", 0.1, 1.0, (0.086, 0.114)),
    Parts("coarse", "5 % capacitors, 1 % resistors", 1.0, 5.0, (None, 0.438)),
)


@dataclass(frozen=True, slots=True)
class Tolerances:
    """The figures, and each choice's curves for the picture: frequencies [Hz], levels re 1 kHz [dB] by board."""

    figures: list[Figure]
    curves: Mapping[str, tuple[FloatArray, FloatArray]]


def study(front_end: FrontEnd) -> Tolerances:
    """Return how far drawn boards leave 0 dB re 1 kHz from 10 Hz to 20 kHz."""
    figures: list[Figure] = []
    curves = {}
    for choice in CHOICES:
        found = bench.boards(front_end, _draws(front_end, choice), FIRST_HZ, LAST_HZ, steps=STEPS, outputs=OUTPUTS)
        inside = found[0].hz >= LOWEST_HZ
        hz = found[0].hz[inside]
        levels = {name: np.array([each.re(name, REFERENCE_HZ)[inside] for each in found]) for name in OUTPUTS}
        curves[choice.key] = (hz, levels[OUTPUTS[0]])
        worst = {name: np.max(np.abs(levels[name]), axis=1) for name in OUTPUTS}
        for key, words, pick, design in (
            ("p95", "95 % of boards within", _p95, choice.design[0]),
            ("max", f"the worst of {BOARDS} boards", np.max, choice.design[1]),
        ):
            batches = [pick(batch) for each in worst.values() for batch in np.split(each, BOARDS // BATCH)]
            figures.append(
                Figure(f"tolerance_{choice.key}_{key}",
                       f"I2S path, speaker, 10 Hz to 20 kHz re 1 kHz, {choice.words}: {words}",
                       "dB", float(pick(worst[OUTPUTS[0]])), design,
                       Reason(BATCHES, (float(min(batches)), float(max(batches)))))
            )  # fmt: skip
    return Tolerances([*figures, *_single_parts(front_end)], curves)


def _p95(values: FloatArray) -> float:
    return float(np.percentile(values, 95.0))


def _draws(front_end: FrontEnd, choice: Parts) -> list[dict[str, float]]:
    """Return the values of each board's parts, drawn evenly from within their tolerances."""
    limiting = front_end.limiting()
    rng = np.random.default_rng(SEED)

    def drawn(part: Passive) -> float:
        pct = choice.capacitor_pct if part.reference[0] == "C" else choice.resistor_pct
        if part.reference in limiting:
            pct = LIMITING_PCT
        return float(part.value * (1.0 + rng.uniform(-pct, pct) / 100.0))

    return [{part.reference: drawn(part) for part in front_end.passives} for _ in range(BOARDS)]


def _single_parts(front_end: FrontEnd) -> list[Figure]:
    """Return what 5 % on the ADS path's two capacitors does to the level at 200 and 300 Hz."""
    pair = {part.reference: 1.05 * part.value for part in front_end.passives if part.reference in {"C130", "C133"}}
    hz = [200.0, 300.0]
    nominal, moved = bench.at(front_end, hz), bench.at(front_end, hz, Scenario(values=pair))
    return [
        Figure(f"capacitors_{at:.0f}hz", f"ADS path at {at:.0f} Hz with both capacitors of the filter 5 % high", "%",
               100.0 * (abs(moved.gain("ads_speaker", at) / nominal.gain("ads_speaker", at)) - 1.0), design)
        for at, design in zip(hz, (-0.5, None), strict=True)
    ]  # fmt: skip
