"""The small-signal studies: response, droop, rejection, loading, common mode, noise."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from flattop.converters.frontend import CHANNELS, INPUT_OHM, loading, rc_response
from flattop.samples import Input
from simulation import bench, models
from simulation.bench import LOAD, UNLOADED_OHM, Response, db
from simulation.deck import FrontEnd, Scenario
from simulation.figure import Chapter, Figure, Reason

REFERENCE_HZ = 1000.0
BAND_HZ = (10.0, 20e3)
DROOP_HZ = {40.0: -0.014, 60.0: -0.037, 80.0: -0.070, 100.0: -0.111, 200.0: -0.444, 300.0: -0.957,
            1650.0: -11.2, 3300.0: -20.3, 100e3: -89.0}  # fmt: skip
REJECTION_HZ = {50e3: -9.6, 100e3: -28.4, 200e3: -47.3, 400e3: -67.0}
SLOW_OPAMP = Scenario(parameters={"opamp_20mhz.product_hz": 10e6})
AS_SIMULATED_OHM = 3.3e3
"""The design's own simulation had 3.3k where the netlist has 3.32k."""

ISLAND_F, LEG_STRAY_F, TAP_STRAY_F = 10e-12, 0.2e-12, 0.1e-12
LEG_MISMATCH, STRAY_MISMATCH = 0.1e-2, 20e-2
TONE_RMS_V, RESIDUE_PEAK_V = 85.0, 3.0


@dataclass(frozen=True, slots=True)
class Linear:
    """The figures by chapter, and the curves that the pictures show."""

    chapters: list[Chapter]
    wide: Response
    """1 Hz to 1 MHz."""


def study(front_end: FrontEnd) -> Linear:
    """Return every small-signal figure."""
    wide = bench.sweep(front_end, 1.0, 1e6, steps=100)
    flat = [*_ratios(front_end), *_flatness(front_end)]
    droop = [*_droop(front_end), *_loading(front_end)]
    chapters = [
        Chapter("Response", "Both inputs driven in balance, small signal.", flat, "pictures/response.svg"),
        Chapter("Rejection", "What switching amplifiers put out above the band.", _rejection(front_end, wide),
                "pictures/rejection.svg"),
        Chapter("The way to the bass converter", "From the terminals to the pins of the ADS1015, which loads its "
                "filter by an amount that depends on its range.", droop),
        Chapter("Firmware against circuit", "`firmware/flattop/converters/frontend.py` against ngspice. The response "
                "is compared re d.c., so that the loading, which firmware corrects, is in neither.",
                _firmware(front_end)),
        Chapter("Common mode", "Both terminals of an input on one voltage against the low side, in dB of what the same "
                "voltage between them gives. The strays are assumed: those across the legs were chosen so that the "
                "design's figures come out, which makes them no check. Strays from a tap to the low side weigh far "
                "more, so the taps want a guard on their island's potential.", _common_mode(front_end)),
        Chapter("Noise", "At the terminals; in the ADS path after its fall has been corrected. The isolator's density "
                "was chosen for the first of these figures, the others follow from it. The converters' own noise is "
                "not in them.", _noise(front_end)),
    ]  # fmt: skip
    return Linear(chapters, wide)


def unloaded() -> Scenario:
    """Return the circuit whose bass converter loads nothing."""
    return Scenario(parameters={LOAD: UNLOADED_OHM})


def _ratios(front_end: FrontEnd) -> list[Figure]:
    """Return resistance, ratio and ends of the range of both inputs."""
    gain, ohms = bench.at(front_end, [0.001], unloaded()), bench.input_ohm(front_end)
    isolator = models.PARAMETERS["isolator"]
    figures = []
    for name, ohm, ratio, linear_v, clip_v in (
        ("speaker", 2000.0, 273.9, 273.9, 342.0),
        ("line", 247.0, 23.0, 23.0, None),
    ):
        found = isolator["gain"].value / abs(gain.gain(f"ads_{name}", 0.001))
        figures += [
            Figure(f"ohm_{name}", f"{name} input: resistance between its terminals", "kohm", ohms[name] / 1e3, ohm),
            Figure(f"ratio_{name}", f"{name} input: terminals over the isolator's input", "V/V", found, ratio),
            Figure(f"linear_{name}", f"{name} input: linear to, with 1 V at the isolator", "V peak", found, linear_v),
            Figure(f"clip_{name}", f"{name} input: the isolator stops following at", "V peak",
                   found * isolator["clip_v"].value, clip_v),
        ]  # fmt: skip
    return figures


def _in_band(front_end: FrontEnd, scenario: Scenario = bench.NOMINAL) -> Response:
    return bench.at(front_end, [*np.geomspace(*BAND_HZ, 67), REFERENCE_HZ], scenario)


def _flatness(front_end: FrontEnd) -> list[Figure]:
    nominal, slow = _in_band(front_end), _in_band(front_end, SLOW_OPAMP)
    text = (
        "with an operational amplifier of 10 MHz (TLV9062) in place of 20 MHz (OPA2320): the last hundredths of a "
        "decibel at 20 kHz belong to its bandwidth, and the design allowed either"
    )
    figures = []
    for name, compared in (("speaker", True), ("line", False)):
        level, other = nominal.re(f"i2s_{name}", REFERENCE_HZ), slow.re(f"i2s_{name}", REFERENCE_HZ)
        for end, pick, design in (("highest", np.max, 0.040), ("lowest", np.min, -0.014)):
            reason = Reason(text, (float(pick(other)),)) if compared else None
            figures.append(
                Figure(f"flat_{name}_{end}", f"I2S path, {name}: {end} from 10 Hz to 20 kHz, re 1 kHz", "dB",
                       float(pick(level)), design if compared else None, reason)
            )  # fmt: skip
    return figures


def _rejection(front_end: FrontEnd, wide: Response) -> list[Figure]:
    points = bench.at(front_end, [40.0, REFERENCE_HZ, *REJECTION_HZ])
    output = "i2s_speaker"
    figures = [
        Figure(f"i2s_{hz / 1e3:.0f}khz", f"I2S path at {hz / 1e3:.0f} kHz, re 1 kHz", "dB",
               points.level(output, hz) - points.level(output, REFERENCE_HZ), design)
        for hz, design in REJECTION_HZ.items()
    ]  # fmt: skip
    high = wide.hz > 20e3
    level = wide.re(output, REFERENCE_HZ)[high]
    corner = float(np.exp(np.interp(3.0103, -level, np.log(wide.hz[high]))))
    figures.append(Figure("i2s_corner", "I2S path: -3 dB", "kHz", corner / 1e3, 37.6))
    drive = 20.0 * math.log10(RESIDUE_PEAK_V / math.sqrt(2.0) / TONE_RMS_V)
    for name, design in (("i2s", -60.8), ("ads", -121.0)):
        tone, residue = points.level(f"{name}_speaker", 40.0), points.level(f"{name}_speaker", 100e3)
        figures.append(
            Figure(f"residue_{name}", f"3 V peak of 100 kHz beside 85 V rms of 40 Hz, {name.upper()} path", "dB",
                   drive + residue - tone, design)
        )  # fmt: skip
    return figures


def _droop(front_end: FrontEnd) -> list[Figure]:
    hz = [0.001, 20.0, *DROOP_HZ]
    nominal = bench.at(front_end, hz)
    series = [p.reference for p in front_end.passives if p.reference in {"R132", "R133"}]
    other = bench.at(front_end, hz, Scenario(values=dict.fromkeys(series, AS_SIMULATED_OHM)))
    output, figures = "ads_speaker", []
    for at, design in DROOP_HZ.items():
        figures.append(
            Figure(f"droop_{at:g}hz", f"ADS path at {at:g} Hz, re 20 Hz", "dB",
                   nominal.level(output, at) - nominal.level(output, 20.0), design,
                   Reason("with 3.3k in place of 3.32k, as in the design's own run",
                          (other.level(output, at) - other.level(output, 20.0),)))
        )  # fmt: skip
    below = abs(nominal.gain(output, 20.0) / nominal.gain(output, 0.001))
    figures.append(Figure("droop_20hz", "ADS path at 20 Hz, re d.c.", "%", 100.0 * (below - 1.0), -0.054))
    absolute = [
        Figure(f"absolute_{at:g}hz", f"ADS path at {at:g} Hz: V at the terminals for 1 V at the pins", "V/V",
               1.0 / abs(nominal.gain(output, at)))
        for at in (20.0, 40.0, 100.0, 300.0)
    ]  # fmt: skip
    return [*figures, *absolute]


def _loading(front_end: FrontEnd) -> list[Figure]:
    free = abs(bench.at(front_end, [1.0], unloaded()).gain("ads_speaker", 1.0))
    figures = []
    for (range_v, parameter), design in zip(models.LOADS_OHM.items(), (-0.18, -0.36, -1.20), strict=True):
        loaded = abs(bench.at(front_end, [1.0], Scenario(parameters={LOAD: parameter.value})).gain("ads_speaker", 1.0))
        figures.append(
            Figure(f"loading_{range_v * 1e3:.0f}mv", f"ADS path: what its input takes on +-{range_v} V", "%",
                   100.0 * (loaded / free - 1.0), design)
        )  # fmt: skip
    return figures


def firmware_departure(front_end: FrontEnd, range_v: float, last_hz: float) -> tuple[float, float]:
    """Return the largest difference between firmware's response and the circuit's from 10 Hz up.

    Level in per cent of the level there, phase in degrees beside a delay that is the same at all frequencies, which
    only moves the wave in time.
    """
    hz = np.geomspace(10.0, last_hz, 40)
    circuit = bench.at(front_end, [0.001, *hz], Scenario(parameters={LOAD: models.LOADS_OHM[range_v].value}))
    gains = circuit.gains["ads_speaker"]
    off = gains[1:] / abs(gains[0]) / rc_response(hz, load_ohm=INPUT_OHM[range_v])
    phase = np.angle(off)
    delay = float(hz @ phase / (hz @ hz))
    return 100.0 * float(np.max(np.abs(np.abs(off) - 1.0))), math.degrees(float(np.max(np.abs(phase - delay * hz))))


def _firmware(front_end: FrontEnd) -> list[Figure]:
    figures = []
    direct = bench.at(front_end, [0.001])
    for name in ("speaker", "line"):
        told = CHANNELS[Input(name)].ratio / loading(2.048)
        figures.append(
            Figure(f"firmware_ratio_{name}", f"firmware's factor for the {name} input over the circuit's, at d.c.", "%",
                   100.0 * (told * abs(direct.gain(f"ads_{name}", 0.001)) - 1.0))
        )  # fmt: skip
    for range_v in models.LOADS_OHM:
        for last_hz in (300.0, 1300.0):
            level_pct, phase_deg = firmware_departure(front_end, range_v, last_hz)
            key, where = f"{range_v * 1e3:.0f}mv_{last_hz:.0f}hz", f"10 to {last_hz:.0f} Hz, on +-{range_v} V"
            figures += [
                Figure(f"firmware_level_{key}", f"firmware's response, {where}: level off by at most", "%", level_pct),
                Figure(f"firmware_phase_{key}", f"firmware's response, {where}: phase off by at most, beside a delay",
                       "degrees", phase_deg),
            ]  # fmt: skip
    return figures


def _unequal_legs(front_end: FrontEnd, *, leg_f: float = 0.0, tap_f: float = 0.0, input: str = "speaker") -> Scenario:
    """Return the circuit with unequal legs and strays.

    leg_f : stray across each leg [F]
    tap_f : stray from each tap to the low side [F]
    """
    values: dict[str, float] = {}
    extra: list[str] = []
    for sign, leg in zip((1.0, -1.0), front_end.legs(input), strict=True):
        values |= {each.reference: each.value * (1.0 + sign * LEG_MISMATCH / 2.0) for each in leg.resistors}
        uneven = 1.0 + sign * STRAY_MISMATCH / 2.0
        if leg_f:
            extra.append(f"Cleg{leg.terminal} {leg.terminal} {leg.tap} {leg_f * uneven!r}")
        if tap_f:
            extra.append(f"Ctap{leg.terminal} {leg.tap} 0 {tap_f * uneven!r}")
    return Scenario(values=values, extra=extra, parameters={"isolator.barrier_f": ISLAND_F})


def _common_mode(front_end: FrontEnd) -> list[Figure]:
    hz, output = [1e3, 20e3], "i2s_speaker"
    figures = []
    for key, words, scenario, designs in (
        ("leg", "0.2 pF across each leg", _unequal_legs(front_end, leg_f=LEG_STRAY_F), (-90.0, -51.0)),
        ("tap", "0.1 pF from each tap to the low side", _unequal_legs(front_end, tap_f=TAP_STRAY_F), (None, None)),
    ):
        common, wanted = bench.at(front_end, hz, scenario, common=True), bench.at(front_end, hz, scenario)
        for at, design in zip(hz, designs, strict=True):
            figures.append(
                Figure(f"common_{key}_{at / 1e3:.0f}khz",
                       f"common mode at {at / 1e3:.0f} kHz: legs 0.1 % apart, strays of {words} 20 % apart, 10 pF "
                       "between island and low side", "dB", common.level(output, at) - wanted.level(output, at), design)
            )  # fmt: skip
    return figures


def _noise(front_end: FrontEnd) -> list[Figure]:
    """Return noise at the terminals: in the ADS path what is left when its droop is corrected."""
    figures, found = [], {}
    for output, band, design in (
        ("i2s_speaker", (20.0, 20e3), 18.7),
        ("ads_speaker", (5.0, 1e3), 3.9),
        ("i2s_line", (20.0, 20e3), None),
        ("ads_line", (5.0, 1e3), None),
    ):
        noise = bench.noise(front_end, output, *band)
        gain = np.abs(bench.at(front_end, [float(hz) for hz in noise.hz[::8]]).gains[output])
        shape = np.exp(np.interp(np.log(noise.hz), np.log(noise.hz[::8]), np.log(gain)))
        rms_v = bench.Noise(noise.hz, noise.density_v / shape).rms_v(*band)
        found[output] = rms_v
        low, high = (f"{hz / 1e3:g} kHz" if hz >= 1e3 else f"{hz:g} Hz" for hz in band)
        converter, name = output.split("_")
        figures.append(
            Figure(f"noise_{output}", f"noise at the {name} input, {low} to {high}, {converter.upper()} path",
                   "mV", 1e3 * rms_v, design)
        )  # fmt: skip
    for name, level_v, design in (
        ("speaker", 85.0, 0.022), ("speaker", 10.0, 0.19), ("speaker", 1.0, 1.9),
        ("line", 2.0, 0.08), ("line", 0.2, 0.79),
    ):  # fmt: skip
        figures.append(
            Figure(f"floor_{name}_{level_v:g}v", f"THD+N floor at {level_v:g} V, {name} input, I2S path", "%",
                   100.0 * found[f"i2s_{name}"] / level_v, design)
        )  # fmt: skip
    return figures


def curve_db(response: Response, output: str, hz: float) -> tuple[np.ndarray, np.ndarray]:
    """Return frequencies [Hz] and levels re `hz` [dB], for a picture."""
    return response.hz, db(response.gains[output]) - response.level(output, hz)
