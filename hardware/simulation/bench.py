"""Analyses of the front end: responses, noise, drawn boards and waveforms, each as one run of ngspice."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulation import spice
from simulation.deck import OUTPUTS, TERMINALS, FrontEnd, Scenario

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

NOMINAL = Scenario()
DRIVEN, COMMON = "dc 0 ac 1", "dc 0 ac 0"
LOAD, UNLOADED_OHM = "bass_adc.load_ohm", 1e12


def db(gain: ComplexArray | FloatArray | complex) -> FloatArray:
    """Return levels [dB]."""
    return np.asarray(20.0 * np.log10(np.abs(gain)), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Response:
    """Complex gains from the terminals to each of OUTPUTS, at the same frequencies."""

    hz: FloatArray
    gains: Mapping[str, ComplexArray]

    def re(self, output: str, hz: float) -> FloatArray:
        """Return the level relative to that at one frequency [dB]."""
        return db(self.gains[output]) - self.level(output, hz)

    def level(self, output: str, hz: float) -> float:
        """Return the level at one frequency within those analysed [dB]."""
        return float(db(self.gain(output, hz)))

    def gain(self, output: str, hz: float) -> complex:
        """Return the gain at one frequency within those analysed, linear between two of them in log f."""
        if not self.hz[0] * (1 - 1e-6) <= hz <= self.hz[-1] * (1 + 1e-6):
            raise ValueError(f"{hz} Hz lies outside the {self.hz[0]:g} to {self.hz[-1]:g} Hz that were analysed")
        gains, at = self.gains[output], np.log(self.hz)
        return complex(np.interp(np.log(hz), at, gains.real) + 1j * np.interp(np.log(hz), at, gains.imag))


def _observe(front_end: FrontEnd, outputs: Sequence[str] = tuple(OUTPUTS)) -> list[str]:
    return [*(f"let {name} = {front_end.output(name)}" for name in outputs), "write out.raw " + " ".join(outputs)]


def at(front_end: FrontEnd, hz: Sequence[float], scenario: Scenario = NOMINAL, *, common: bool = False) -> Response:
    """Return the response at these very frequencies.

    common : drive both terminals of each input alike, against the low side, and nothing between them
    """
    source, other = (COMMON, DRIVEN) if common else (DRIVEN, COMMON)
    commands = [
        f"foreach hz {' '.join(repr(float(each)) for each in hz)}",
        "ac lin 1 $hz $hz",
        *_observe(front_end),
        "end",
    ]
    lines = front_end.lines(scenario, source=source, common=other)
    found = spice.run("response at frequencies", lines, commands, plots=len(hz))
    return Response(
        np.array([plot["frequency"][0].real for plot in found]),
        {name: np.array([plot[name][0] for plot in found]) for name in OUTPUTS},
    )


def sweep(front_end: FrontEnd, first_hz: float, last_hz: float, scenario: Scenario = NOMINAL, *, steps: int = 50,
          common: bool = False) -> Response:  # fmt: skip
    """Return the response at `steps` frequencies a decade."""
    source, other = (COMMON, DRIVEN) if common else (DRIVEN, COMMON)
    commands = [f"ac dec {steps} {first_hz!r} {last_hz!r}", *_observe(front_end)]
    (plot,) = spice.run("response", front_end.lines(scenario, source=source, common=other), commands, plots=1)
    return Response(plot["frequency"].real.copy(), {name: plot[name] for name in OUTPUTS})


def input_ohm(front_end: FrontEnd) -> dict[str, float]:
    """Return the resistance between each input's terminals at d.c."""
    commands = ["op"]
    for name, (plus, _) in TERMINALS.items():
        commands.append(f"let ohm_{name} = 1/abs(i(e{plus.lower()}))")
    commands.append("write out.raw " + " ".join(f"ohm_{name}" for name in TERMINALS))
    (plot,) = spice.run("resistance of the inputs", front_end.lines(NOMINAL, source="dc 1"), commands, plots=1)
    return {name: float(plot[f"ohm_{name}"][0]) for name in TERMINALS}


def boards(
    front_end: FrontEnd, draws: Sequence[Mapping[str, float]], first_hz: float, last_hz: float, *, steps: int,
    scenario: Scenario = NOMINAL, outputs: Sequence[str] = tuple(OUTPUTS),
) -> list[Response]:  # fmt: skip
    """Return the response of each drawn board, given as values by reference, in one run.

    A part that one draw changes has to be in all of them: the boards are made one after the other from one circuit.
    first_hz, last_hz : whole decades apart
    """
    if len({frozenset(values) for values in draws}) > 1:
        raise ValueError("every board has to give values for the same parts")
    commands: list[str] = []
    for values in draws:
        commands += [f"alter {reference.lower()} = {value!r}" for reference, value in values.items()]
        commands += [f"ac dec {steps} {first_hz!r} {last_hz!r}", *_observe(front_end, outputs), "destroy all"]
    lines = front_end.lines(scenario, source=DRIVEN)
    found = spice.run("drawn boards", lines, commands, plots=len(draws))
    return [Response(plot["frequency"].real, {name: plot[name] for name in outputs}) for plot in found]


@dataclass(frozen=True, slots=True)
class Noise:
    """Noise density at one output."""

    hz: FloatArray
    density_v: FloatArray
    """At the converter's pins [V/sqrt(Hz)], float64, shape as `hz`."""

    def rms_v(self, first_hz: float, last_hz: float) -> float:
        """Return the noise in a band [V]."""
        inside = (self.hz >= first_hz * (1 - 1e-6)) & (self.hz <= last_hz * (1 + 1e-6))
        return math.sqrt(float(np.trapezoid(self.density_v[inside] ** 2, self.hz[inside])))


def noise(front_end: FrontEnd, output: str, first_hz: float, last_hz: float, scenario: Scenario = NOMINAL) -> Noise:
    """Return the noise at one output, the terminals held at zero."""
    nodes = ",".join(front_end.pins(output))
    commands = [
        f"noise v({nodes}) Vdrive dec 200 {first_hz!r} {last_hz!r}",
        "setplot noise1",
        "write out.raw frequency onoise_spectrum",
    ]
    lines = front_end.lines(scenario, source=DRIVEN)
    (plot,) = spice.run(f"noise at {output}", lines, commands, plots=1)
    return Noise(plot["frequency"].copy(), plot["onoise_spectrum"].copy())


def transient(
    front_end: FrontEnd, volts: str, observed: Mapping[str, str], *, span_s: float, step_s: float,
    scenario: Scenario = NOMINAL, from_s: float = 0.0,
) -> tuple[FloatArray, dict[str, FloatArray]]:  # fmt: skip
    """Return times [s] and the observed expressions while both inputs are driven by an expression of time [V].

    volts : an expression of `time` as ngspice writes it
    observed : expressions by name
    step_s : longest step, and the one that is asked for
    """
    commands = [
        f"tran {step_s!r} {span_s!r} {from_s!r} {step_s!r}",
        *(f"let {name} = {expression}" for name, expression in observed.items()),
        "write out.raw " + " ".join(observed),
    ]
    lines = [*front_end.lines(scenario, source=f"V={volts}"), ".options reltol=1e-5 abstol=1e-13 vntol=1e-8"]
    (plot,) = spice.run("waveform", lines, commands, plots=1)
    return plot["time"].copy(), {name: plot[name].copy() for name in observed}
