"""Behavioural models of the parts that are no resistor or capacitor, each parameter with its source.

They were written for this project and say how the parts behave at the pins that matter here, nothing else: no maker's
model is used. Not in them: temperature, ageing, leakage, supply current, what the isolators' converters radiate.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

BOLTZMANN_J_K = 1.380649e-23
"""Exact since the SI of 2019."""
CELSIUS_27_K = 300.15
"""ngspice's own temperature [K]."""


class Source(StrEnum):
    """Where a number comes from."""

    SEEN = "V"
    """Seen in datasheet or catalogue text when the circuit was designed."""
    CHOSEN = "D"
    """Asked for by the design."""
    CALCULATED = "C"
    MEMORY = "M"
    """From memory; to be checked in the datasheet before layout."""


@dataclass(frozen=True, slots=True)
class Parameter:
    """One number of a model, in base units."""

    value: float
    unit: str
    source: Source
    meaning: str


_V, _C, _M = Source.SEEN, Source.CALCULATED, Source.MEMORY

PARAMETERS: Mapping[str, Mapping[str, Parameter]] = MappingProxyType(
    {
        "isolator": {
            "gain": Parameter(2.0, "V/V", _V, "differential gain"),
            "common_v": Parameter(1.44, "V", _V, "common mode of the outputs"),
            "clip_v": Parameter(1.25, "V", _M, "input at which the outputs stop following"),
            "pole_hz": Parameter(375e3, "Hz", _M, "bandwidth, as one pole"),
            "noise_v": Parameter(0.45e-6, "V/sqrt(Hz)", _C, "white noise at the input: what the design's 18.7 mV "
                                 "in 20 kHz at the terminals of the speaker input amounts to"),
            "in_ohm": Parameter(1e9, "ohm", _M, "each input to HGND"),
            "in_f": Parameter(2e-12, "F", _M, "between the inputs"),
            "high_v": Parameter(3.2, "V", _M, "supply of the isolated side"),
            "above_v": Parameter(0.5, "V", _M, "above it, where an input's clamp is taken to conduct"),
            "below_v": Parameter(1.0, "V", _M, "below HGND, likewise"),
            "out_ohm": Parameter(0.2, "ohm", _M, "each output"),
            "barrier_f": Parameter(4.5e-12, "F", _M, "isolated side to low side"),
        },
        "clamp": {
            "breakdown_v": Parameter(4.0, "V", _M, "one of two diodes back to back; with the other one 4.6 V at 1 mA"),
            "junction_f": Parameter(10e-12, "F", _C, "each, so that two in series make the 5 pF allowed"),
            "leak_a": Parameter(1e-14, "A", _M, "saturation current"),
        },
        "opamp_20mhz": {
            "gain": Parameter(1e6, "V/V", _M, "open-loop gain"),
            "product_hz": Parameter(20e6, "Hz", _M, "gain-bandwidth product, OPA320 family"),
            "noise_v": Parameter(7e-9, "V/sqrt(Hz)", _M, "white noise at the input"),
            "slew_v_s": Parameter(10e6, "V/s", _M, "slew rate"),
            "out_ohm": Parameter(50.0, "ohm", _M, "open-loop output resistance"),
        },
        "opamp_10mhz": {
            "gain": Parameter(1e6, "V/V", _M, "open-loop gain"),
            "product_hz": Parameter(10e6, "Hz", _M, "gain-bandwidth product, TLV9061 family"),
            "noise_v": Parameter(10e-9, "V/sqrt(Hz)", _M, "white noise at the input"),
            "slew_v_s": Parameter(6.5e6, "V/s", _M, "slew rate"),
            "out_ohm": Parameter(50.0, "ohm", _M, "open-loop output resistance"),
        },
        "bass_adc": {
            "load_ohm": Parameter(4.9e6, "ohm", _V, "between a pair on +-2.048 V; 2.4 M and 0.71 M on smaller ranges"),
            "pin_ohm": Parameter(1e10, "ohm", _M, "each pin to ground, for a d.c. path only"),
            "clamp_v": Parameter(0.3, "V", _M, "beyond the supply, where the pins' diodes are taken to conduct"),
        },
        "audio_adc": {
            "in_ohm": Parameter(60e3, "ohm", _M, "each input to half the supply"),
            "clamp_v": Parameter(0.3, "V", _M, "beyond the supply, where the pins' diodes are taken to conduct"),
        },
    }
)  # fmt: skip

LOADS_OHM: Mapping[float, Parameter] = MappingProxyType(
    {
        2.048: Parameter(4.9e6, "ohm", _V, "differential input impedance on +-2.048 V"),
        1.024: Parameter(2.4e6, "ohm", _V, "on +-1.024 V"),
        0.512: Parameter(0.71e6, "ohm", _V, "on +-0.512 V and +-0.256 V"),
    }
)


Values = Mapping[str, float]
"""The parameters of one model by name."""


def values(model: str, changes: Mapping[str, float] = MappingProxyType({})) -> Values:
    """Return a model's parameters.

    changes : other values by "model.parameter", such as {"opamp.product_hz": 20e6}
    """
    unknown = sorted(name for name in changes if name.split(".")[-1] not in PARAMETERS.get(name.split(".")[0], ()))
    if unknown:
        raise KeyError(f"no model parameter {', '.join(unknown)}")
    return {name: changes.get(f"{model}.{name}", known.value) for name, known in PARAMETERS[model].items()}


def noise_ohm(density_v: float) -> float:
    """Return the resistance whose Johnson noise has this density [V/sqrt(Hz)] at ngspice's temperature."""
    return density_v**2 / (4.0 * BOLTZMANN_J_K * CELSIUS_27_K)


def clamp_line(name: str, node: str, low: str, high: str, *, below_v: float, above_v: float, ohm: float = 100.0) -> str:
    """Return a clamp of `node` that takes nothing between `below_v` under one rail and `above_v` over the other."""
    over, under = f"v({node})-v({high})-{above_v!r}", f"v({node})-v({low})+{below_v!r}"
    return f"B{name} {node} {low} I=(max({over},0)+min({under},0))/{ohm!r}"


def isolator(v: Values) -> list[str]:
    """Return the subcircuit of the isolated amplifier: divider side, barrier, low side."""
    farad = 1.0 / (2.0 * math.pi * v["pole_hz"] * 1e3)
    return [
        ".subckt isolator inp inn hgnd outp outn gnd",
        f"Rp inp hgnd {v['in_ohm']!r}",
        f"Rn inn hgnd {v['in_ohm']!r}",
        f"Ci inp inn {v['in_f']!r}",
        f"Vh high hgnd {v['high_v']!r}",
        *(clamp_line(pin, pin, "hgnd", "high", below_v=v["below_v"], above_v=v["above_v"]) for pin in ("inp", "inn")),
        f"Cb hgnd gnd {v['barrier_f']!r}",
        "Rb hgnd gnd 1e12",
        f"Rnoise noise 0 {noise_ohm(v['noise_v'])!r}",
        f"Bclip clip 0 V=min(max(v(inp)-v(inn)+v(noise),-{v['clip_v']!r}),{v['clip_v']!r})",
        "Rpole clip slow 1e3 noisy=0",
        f"Cpole slow 0 {farad!r}",
        f"Bp drivep 0 V={v['common_v']!r}+{v['gain'] / 2!r}*v(slow)+v(gnd)",
        f"Bn driven 0 V={v['common_v']!r}-{v['gain'] / 2!r}*v(slow)+v(gnd)",
        f"Rop drivep outp {v['out_ohm']!r}",
        f"Ron driven outn {v['out_ohm']!r}",
        ".ends",
    ]


def clamp(v: Values) -> list[str]:
    """Return the subcircuit of a bidirectional low-capacitance clamp: two diodes back to back."""
    return [
        ".subckt clamp a b",
        "Da m a zener",
        "Db m b zener",
        f".model zener D(is={v['leak_a']!r} bv={v['breakdown_v']!r} ibv=1e-3 cjo={v['junction_f']!r})",
        ".ends",
    ]


def opamp(v: Values, name: str) -> list[str]:
    """Return the subcircuit of a rail-to-rail operational amplifier: one pole, slew rate, rails, noise."""
    transfer, rail_s = 1e-3, 1.0
    farad = transfer / (2.0 * math.pi * v["product_hz"])
    most = v["slew_v_s"] * farad
    return [
        f".subckt {name} plus minus out vp vn",
        f"Rnoise noise 0 {noise_ohm(v['noise_v'])!r}",
        f"Bgm 0 x I=min(max({transfer!r}*(v(plus)-v(minus)+v(noise)),-{most!r}),{most!r})",
        f"Rx x 0 {v['gain'] / transfer!r} noisy=0",
        f"Cx x 0 {farad!r}",
        f"Brail x 0 I={rail_s!r}*(max(v(x)-v(vp),0)+min(v(x)-v(vn),0))",
        "Eo drive 0 x 0 1",
        f"Ro drive out {v['out_ohm']!r} noisy=0",
        ".ends",
    ]


def bass_adc(v: Values) -> list[str]:
    """Return the subcircuit of the bass converter's two pairs, the same range on both."""
    lines = [".subckt bass_adc a0 a1 a2 a3 vdd gnd"]
    for pin in ("a0", "a1", "a2", "a3"):
        lines.append(f"R{pin} {pin} gnd {v['pin_ohm']!r} noisy=0")
        lines.append(clamp_line(pin, pin, "gnd", "vdd", below_v=v["clamp_v"], above_v=v["clamp_v"]))
    load = f"{v['load_ohm']!r} noisy=0"
    return [*lines, f"Rl01 a0 a1 {load}", f"Rl23 a2 a3 {load}", ".ends"]


def audio_adc(v: Values) -> list[str]:
    """Return the subcircuit of the audio converter's two inputs."""
    lines = [".subckt audio_adc left right vcc gnd", "Bhalf half 0 V=0.5*(v(vcc)+v(gnd))"]
    for pin in ("left", "right"):
        lines.append(f"R{pin} {pin} half {v['in_ohm']!r} noisy=0")
        lines.append(clamp_line(pin, pin, "gnd", "vcc", below_v=v["clamp_v"], above_v=v["clamp_v"]))
    return [*lines, ".ends"]


@dataclass(frozen=True, slots=True)
class Kind:
    """How a part of the netlist becomes one or more subcircuits."""

    value: re.Pattern[str]
    """What its value looks like."""
    letter: str
    model: str
    ports: tuple[tuple[str, ...], ...]
    """For each subcircuit the pins in the order of its ports, by name on the symbol, or by number after a "#"."""
    supplies: tuple[str, ...] = ()
    """Ports that hold a constant voltage: the walk along the signal does not go past them."""
    lines: Callable[[Values], list[str]] = clamp


_DUAL = (("#3", "#2", "#1", "#8", "#4"), ("#5", "#6", "#7", "#8", "#4"))
"""Plus, minus, output, supplies of a dual operational amplifier in an 8-pin package, both halves."""
_SINGLE = (("#3", "#4", "#1", "#5", "#2"),)
"""Those of a single one in the 5-pin SOT-23 whose output is pin 1."""


def _fast(v: Values) -> list[str]:
    return opamp(v, "opamp_20mhz")


def _slow(v: Values) -> list[str]:
    return opamp(v, "opamp_10mhz")


KINDS = (
    Kind(
        re.compile(r"AMC33\d\d"), "U", "isolator", (("INP", "INN", "HGND", "OUTP", "OUTN", "GND"),), ("HGND", "GND"),
        isolator,
    ),
    Kind(re.compile(r"OPA2320"), "U", "opamp_20mhz", _DUAL, ("#8", "#4"), _fast),
    Kind(re.compile(r"OPA320"), "U", "opamp_20mhz", _SINGLE, ("#5", "#2"), _fast),
    Kind(re.compile(r"TLV9062"), "U", "opamp_10mhz", _DUAL, ("#8", "#4"), _slow),
    Kind(re.compile(r"TLV9061"), "U", "opamp_10mhz", _SINGLE, ("#5", "#2"), _slow),
    Kind(
        re.compile(r"ADS1015"), "U", "bass_adc", (("AIN0", "AIN1", "AIN2", "AIN3", "VDD", "GND"),), ("VDD", "GND"),
        bass_adc,
    ),
    Kind(
        re.compile(r"PCM1808"), "U", "audio_adc", (("VINL", "VINR", "VCC", "AGND"),), ("VCC", "AGND"), audio_adc
    ),
    Kind(re.compile(r"3V3 bidir|3\.3\s?V bidir"), "D", "clamp", (("#1", "#2"),), (), clamp),
)  # fmt: skip
