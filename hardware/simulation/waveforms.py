"""Waves at the converters' pins for the firmware's tests: one settled cycle of each, from transient runs."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from simulation import bench
from simulation.bench import FloatArray
from simulation.deck import FrontEnd
from simulation.figure import Figure

LEAD = "The waves in tests/data, one settled cycle each; the residue in them as a check on the time steps."
STEP_S = 0.5e-6
ADS_RATE_HZ, I2S_RATE_HZ = 96_000, 384_000
"""Rates at which a cycle is kept: the ADS path holds nothing above some kHz, the I2S path passes some 100 kHz."""
RESIDUE_HZ, RESIDUE_PEAK_V = 100e3, 3.0


@dataclass(frozen=True, slots=True)
class Wave:
    """A tone at the speaker terminals, with the residue of an amplifier that switches."""

    key: str
    words: str
    hz: float
    amplitude_v: float
    """Of the sine before it is cut [V peak]."""
    limit_v: float
    """Where its tops are held [V]; infinite for whole ones."""

    @property
    def expression(self) -> str:
        """The tone as a function of time for ngspice, [V].

        The first half-cycle has half the height: it charges the coupling capacitors to where they stand in the settled
        state, which would take seconds otherwise.
        """
        tone = f"{self.amplitude_v!r}*sin({2.0 * math.pi * self.hz!r}*time)"
        if math.isfinite(self.limit_v):
            tone = f"min(max({tone},-{self.limit_v!r}),{self.limit_v!r})"
        rise = f"(0.5+0.5*u(time-{0.5 / self.hz!r}))"
        return f"{rise}*{tone}+{RESIDUE_PEAK_V!r}*sin({2.0 * math.pi * RESIDUE_HZ!r}*time)"


def clipped_rms(over_db: float) -> float:
    """Return RMS over limit of a sine that is cut `over_db` below its own peak: closed form."""
    c = 10.0 ** (-over_db / 20.0)
    a = math.asin(c)
    return math.sqrt((2.0 / math.pi) * ((a / 2.0 - math.sin(2.0 * a) / 4.0) / c**2 + math.pi / 2.0 - a))


_LIMIT_V = 85.0 / clipped_rms(1.0)
WAVES = (
    Wave("clipped_40hz", "40 Hz, 85 V rms, both halves cut 1 dB below their peak", 40.0,
         _LIMIT_V * 10.0 ** (1.0 / 20.0), _LIMIT_V),
    Wave("whole_80hz", "80 Hz, 20 V rms, whole", 80.0, 20.0 * math.sqrt(2.0), math.inf),
)  # fmt: skip


def run(front_end: FrontEnd, wave: Wave, *, step_s: float = STEP_S) -> dict[str, FloatArray]:
    """Return one settled cycle at the pins: `ads_v` and `i2s_v` [V], even in time from a zero crossing that rises.

    step_s : longest step of the simulation
    """
    begin_s, cycle_s = 1.0 / wave.hz, 1.0 / wave.hz
    observed = {name: front_end.output(f"{name}_speaker") for name in ("ads", "i2s")}
    times_s, volts = bench.transient(
        front_end, wave.expression, observed, span_s=begin_s + cycle_s + 2e-6, step_s=step_s, from_s=begin_s - 2e-6
    )
    cycles = {}
    for name, rate_hz in (("ads", ADS_RATE_HZ), ("i2s", I2S_RATE_HZ)):
        grid_s = begin_s + np.arange(round(rate_hz / wave.hz)) / rate_hz
        cycles[f"{name}_v"] = np.interp(grid_s, times_s, volts[name])
    return cycles


def study(front_end: FrontEnd) -> tuple[list[Figure], Mapping[str, dict[str, FloatArray]]]:
    """Return the residue as it comes out of these waves, and the waves themselves by key."""
    found = {wave.key: run(front_end, wave) for wave in WAVES}
    figures = []
    for wave, design in zip(WAVES, (-60.8, None), strict=True):
        cycle_v = found[wave.key]["i2s_v"]
        lines = np.abs(np.fft.rfft(cycle_v)) / len(cycle_v) * 2.0
        residue, tone = lines[round(RESIDUE_HZ / wave.hz)], float(np.std(cycle_v))
        figures.append(
            Figure(f"wave_residue_{wave.key}", f"3 V peak of 100 kHz beside {wave.words}, I2S path, from the waveform",
                   "dB", 20.0 * math.log10(residue / math.sqrt(2.0) / tone), design)
        )  # fmt: skip
    return figures, found


def write(folder: Path, found: Mapping[str, dict[str, FloatArray]]) -> list[Path]:
    """Write each wave, with its truth, as front_end_KEY.npz into `folder`; return the files."""
    paths = []
    for wave in WAVES:
        path = folder / f"front_end_{wave.key}.npz"
        cycles = {name: volts.astype(np.float32) for name, volts in found[wave.key].items()}
        with path.open("wb") as file:
            np.savez_compressed(
                file,
                ads_v=cycles["ads_v"],
                ads_rate_hz=np.array(ADS_RATE_HZ),
                i2s_v=cycles["i2s_v"],
                i2s_rate_hz=np.array(I2S_RATE_HZ),
                hz=np.array(wave.hz),
                amplitude_v=np.array(wave.amplitude_v),
                limit_v=np.array(wave.limit_v),
            )
        paths.append(path)
    return paths
