"""The analogue path from the terminals to the ADS1015's pins, by nodal analysis of the netlist with drawn parts.

It shares no figure with the firmware's own model of the path: values come from hardware's netlist, part by part.

Left out, being far below one code: the protection diodes' 5 pF, the isolator's input current, what couples
across the barrier, and the settling of the RC after the multiplexer or the range has changed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Self

import numpy as np

from flattop.samples import ComplexArray, FloatArray, Input

Signal = Callable[[FloatArray], FloatArray]
"""Times [s] -> volts between a pair of terminals; asked in time order without holes, from 16 ms before the start.

It is asked only when the converter looks at its terminals, up to 0.13 s ahead of the board's time or, after it has
looked elsewhere, late: what reacts to the meter must react later than that, and leave the past as it was.
What it holds above 48 kHz folds down, as in any sampled signal.
"""

DENSE_HZ = 96_000
"""Rate of the even grid on which the analogue signals are worked out [Hz]."""
MID_RAIL_V = 1.44
"""Common mode of the isolators' outputs [V]."""
PGA_RANGES = 6
"""Ranges of the ADS1015, from +-6.144 V down to +-0.256 V."""

_BLOCK = 8192
_PAST = 768  # 8 ms: the impulse response has fallen by e^-40
_AHEAD = 128  # what the taper below rings ahead of time
_PORTION = 3840  # signals are asked for 40 ms at a time, whatever the reads do
_KEPT = _BLOCK + 2 * _PORTION
_TAPE = 4 * _BLOCK
_TAPER_HZ = (20_000.0, 44_000.0)  # the path is 60 dB down where the taper starts

MAX_SPAN_S = (_BLOCK - _PAST - _AHEAD - 8) / DENSE_HZ
"""Longest stretch that `FrontEnd.means` works out at once [s]."""

_ISOLATOR_GAIN = 2.0
_ISOLATOR_CLIP_V = 1.25
_ISOLATOR_POLE_HZ = 375e3

_INPUTS = (Input.SPEAKER, Input.LINE)

# Share of the speaker pair, of the line pair, and the d.c. [V] that each MUX setting sees (SBAS473, Config register).
_MUX = (
    (1.0, 0.0, 0.0),
    (0.5, 0.5, 0.0),
    (-0.5, 0.5, 0.0),
    (0.0, 1.0, 0.0),
    (0.5, 0.0, MID_RAIL_V),
    (-0.5, 0.0, MID_RAIL_V),
    (0.0, 0.5, MID_RAIL_V),
    (0.0, -0.5, MID_RAIL_V),
)

Part = tuple[str, str, str, float]
"""Reference, node, node, and ohms (reference R...) or farads (reference C...)."""


def _input_stage(channel: int, legs: tuple[str, str], leg_ohm: float, foot_ohm: float, across_f: float) -> list[Part]:
    """Return the divider and its filter on the isolated side, terminals P and N to the isolator's INP and INN.

    A leg's resistors in series stand as one, under the first one's reference.
    """
    parts: list[Part] = [(f"C{channel}01", "INP", "INN", across_f)]
    for side, terminal in enumerate("PN"):
        parts += [
            (legs[side], terminal, f"D{terminal}", leg_ohm),
            (f"R{channel}{9 + side:02d}", f"D{terminal}", "HGND", foot_ohm),
            (f"R{channel}{11 + side}", f"D{terminal}", f"IN{terminal}", 1e3),
            (f"C{channel}0{2 + side}", f"IN{terminal}", "HGND", 22e-12),
        ]
    return parts


def _output_stage(channel: int) -> list[Part]:
    """Return the two RC sections from the isolator's outputs OP and ON to the converter's pins AP and AN."""
    return [
        (f"R{channel}30", "OP", "h1", 1e3),
        (f"R{channel}31", "ON", "h2", 1e3),
        (f"C{channel}30", "h1", "h2", 68e-9),
        (f"C{channel}31", "h1", "GND", 1e-9),
        (f"C{channel}32", "h2", "GND", 1e-9),
        (f"R{channel}32", "h1", "AP", 3.32e3),
        (f"R{channel}33", "h2", "AN", 3.32e3),
        (f"C{channel}33", "AP", "AN", 22e-9),
        (f"C{channel}34", "AP", "GND", 1e-9),
        (f"C{channel}35", "AN", "GND", 1e-9),
    ]


_STAGES = {
    Input.SPEAKER: (_input_stage(1, ("R101", "R105"), 4 * 249e3, 3.65e3, 560e-12), _output_stage(1)),
    Input.LINE: (_input_stage(2, ("R201", "R203"), 2 * 59e3, 5.36e3, 390e-12 + 33e-12), _output_stage(2)),
}


@dataclass(frozen=True, slots=True)
class Tolerances:
    """How far one board's parts lie from their nominal values; relative unless the name has a unit.

    Pairs are in the order speaker, line; sixes in the order of the ranges, widest first.
    """

    parts: Mapping[str, float] = field(default_factory=dict)
    """Relative error of each resistor and capacitor by its reference; 0 where missing."""
    isolator_gain: tuple[float, float] = (0.0, 0.0)
    isolator_offset_v: tuple[float, float] = (0.0, 0.0)
    """At the isolator's input [V]."""
    isolator_cubic: tuple[float, float] = (0.0, 0.0)
    """Share of (v^3 - v) in the isolator's transfer, v in volts at its input."""
    load: tuple[float, ...] = (0.0,) * PGA_RANGES
    """Of the converter's differential input impedance on each range."""
    adc_gain: tuple[float, ...] = (0.0,) * PGA_RANGES
    adc_offset_lsb: float = 0.0
    adc_cubic_lsb: float = 0.0
    """Integral nonlinearity: share of (x^3 - x), x relative to full scale [LSB]."""
    oscillator: float = 0.0
    drift: float = 0.0
    """Peak of the oscillator's slow wandering."""
    drift_period_s: float = 240.0
    drift_phase: float = 0.0

    @classmethod
    def none(cls) -> Self:
        """Return a board whose every part is nominal."""
        return cls()

    @classmethod
    def draw(cls, rng: np.random.Generator, *, resistor_pct: float = 0.1, capacitor_pct: float = 1.0) -> Self:
        """Return a board with every part drawn evenly from within its tolerance.

        The isolator's limits are its datasheet's (gain 0.2 %, offset 0.3 mV). Those of the
        ADS1015 are from SBAS473: data rate 10 %, offset 0.5 LSB, gain match 0.1 % between
        ranges; gain error within 0.15 % (typical 0.05, limit 0.25), linearity as a typical part's.
        """

        def within(limit: float) -> float:
            return float(rng.uniform(-limit, limit))

        percent = {"R": resistor_pct, "C": capacitor_pct}
        # R111, R112, R211, R212 only limit current: 1 % parts
        limiting = {"R111", "R112", "R211", "R212"}
        adc_gain = within(0.0015)
        return cls(
            parts={
                ref: within(0.01 if ref in limiting else percent[ref[0]] / 100)
                for stages in _STAGES.values()
                for stage in stages
                for ref, *_ in stage
            },
            isolator_gain=(within(0.002), within(0.002)),
            isolator_offset_v=(within(0.3e-3), within(0.3e-3)),
            isolator_cubic=(within(1e-4), within(1e-4)),
            load=tuple(within(0.2) for _ in range(PGA_RANGES)),
            adc_gain=tuple(adc_gain + within(0.0005) for _ in range(PGA_RANGES)),
            adc_offset_lsb=within(0.5),
            adc_cubic_lsb=within(0.2),
            oscillator=within(0.1),
            drift=float(rng.uniform(2e-6, 6e-6)),
            drift_period_s=float(rng.uniform(120.0, 360.0)),
            drift_phase=float(rng.uniform(0.0, 2 * np.pi)),
        )


def _transfer(
    parts: list[Part], errors: Mapping[str, float], driven: Mapping[str, float], sensed: tuple[str, str], hz: FloatArray
) -> ComplexArray:
    """Return the voltage between two nodes by nodal analysis: (G + s C) v = i, solved for every frequency at once.

    driven
        Nodes held at a voltage [V]; all others float. Capacitors may reach only those held at 0 V.
    """
    nodes = [*driven, *sorted({node for _, a, b, _ in parts for node in (a, b)} - driven.keys())]
    index = {node: i for i, node in enumerate(nodes)}
    conductance, capacitance = np.zeros((2, len(nodes), len(nodes)))
    for ref, a, b, nominal in parts:
        value = nominal * (1 + errors.get(ref, 0.0))
        matrix, y = (conductance, 1 / value) if ref[0] == "R" else (capacitance, value)
        ends = [index[a], index[b]]
        matrix[np.ix_(ends, ends)] += [[y, -y], [-y, y]]
    held = len(driven)
    current = -conductance[held:, :held] @ list(driven.values())
    sense = np.zeros(len(nodes))
    sense[[index[node] for node in sensed]] = 1.0, -1.0
    # Modes in which G is the unit matrix and C diagonal: each is one pole, and the voltage is their sum.
    root = np.linalg.inv(np.linalg.cholesky(conductance[held:, held:]))
    tau_s, modes = np.linalg.eigh(root @ capacitance[held:, held:] @ root.T)
    modes = root.T @ modes
    shares = (sense[held:] @ modes) * (current @ modes)
    jw = 2j * np.pi * hz
    return np.asarray(sum(share / (1 + tau * jw) for share, tau in zip(shares, tau_s, strict=True)))


def isolate(volts: FloatArray, tolerances: Tolerances, channel: int) -> None:
    """Bend, shift and clip the volts at an isolator's input [V], in place, as the isolator does before its filters."""
    volts += tolerances.isolator_offset_v[channel]
    np.clip(volts, -_ISOLATOR_CLIP_V, _ISOLATOR_CLIP_V, out=volts)
    cubic = tolerances.isolator_cubic[channel]
    if cubic:
        volts += cubic * (volts * volts - 1) * volts


def divided(input: Input, hz: FloatArray, tolerances: Tolerances) -> ComplexArray:
    """Return the complex gain from a pair of terminals to its isolator's input."""
    stage = _STAGES[input][0]
    return _transfer(stage, tolerances.parts, {"P": 1.0, "N": 0.0}, ("INP", "INN"), hz)


class _Tape:
    """One signal on the dense grid: asked for in order and in portions of one size, as far as someone reads."""

    def __init__(self, name: str, signal: Signal, start: int) -> None:
        self._name = name
        self._signal = signal
        self._base = self._stop = start
        self._volts = np.zeros(_TAPE)

    def block(self, first: int) -> FloatArray:
        """Return the block from grid point `first` on: a view, good until the next call."""
        while self._stop < first + _BLOCK:
            self._go_on()
        if first < self._base:
            raise ValueError("the converter asked for a time that is gone: time must not run backwards")
        return self._volts[first - self._base : first - self._base + _BLOCK]

    def _go_on(self) -> None:
        if self._stop + _PORTION > self._base + _TAPE:
            kept = self._stop - _KEPT - self._base
            self._volts[:_KEPT] = self._volts[kept : kept + _KEPT]
            self._base += kept
        times_s = np.arange(self._stop, self._stop + _PORTION) / DENSE_HZ
        volts = self._signal(times_s)
        if np.shape(volts) != times_s.shape or not np.isfinite(volts).all():
            raise ValueError(
                f"the signal on the {self._name} terminals gave shape {np.shape(volts)} for {times_s.shape} times, "
                "or a value that is no number: return one finite voltage for each time"
            )
        begin = self._stop - self._base
        self._volts[begin : begin + _PORTION] = volts
        self._stop += _PORTION


class FrontEnd:
    """Two signals at the terminals, filtered to what the converter's input sees.

    A dense, even grid carries the signals; the path is applied as its exact response on
    that grid (overlap-save), and an average between any two instants comes from the
    running integral with cubic Hermite interpolation.
    """

    def __init__(self, *, speaker: Signal, line: Signal, tolerances: Tolerances, start_s: float) -> None:
        self.tolerances = tolerances
        start = int(np.floor(start_s * DENSE_HZ)) - 2 * _PAST
        self._tapes = tuple(_Tape(name, signal, start) for name, signal in zip(_INPUTS, (speaker, line), strict=True))
        self._spectra: dict[tuple[int, float], ComplexArray] = {}
        flat = np.zeros(1)
        self._divider = tuple(float(self._divided(channel, flat)[0].real) for channel in (0, 1))

    def response(self, input: Input, hz: FloatArray, *, load_ohm: float = np.inf) -> ComplexArray:
        """Return the path's complex gain, terminals to the converter's pins.

        hz : float64, shape (n,)
        load_ohm
            The converter's differential input impedance.
        """
        channel = _INPUTS.index(input)
        return self._divided(channel, hz) * self._filtered(channel, hz, load_ohm)

    def means(self, mux: int, load_ohm: float, edges_s: FloatArray) -> FloatArray:
        """Return the mean voltage at the converter's input between each two edges.

        edges_s : float64, shape (n + 1,), increasing, over at most MAX_SPAN_S
        Returns float64, shape (n,)
        """
        at = edges_s * DENSE_HZ
        first = int(np.floor(at[0])) - 1
        if at[-1] - at[0] > MAX_SPAN_S * DENSE_HZ:
            raise ValueError(
                f"edges span {edges_s[-1] - edges_s[0]:.3f} s, at most {MAX_SPAN_S:.3f} s are worked out at once"
            )
        *shares, direct_v = _MUX[mux]
        volts = np.full(_BLOCK - _PAST - _AHEAD, direct_v)
        for channel, share in enumerate(shares):
            if share:
                volts += share * self._at_pins(channel, load_ohm, first)
        # Fourth-order running integral in units of grid steps, zero at the second point.
        steps = (13 * (volts[1:-2] + volts[2:-1]) - volts[:-3] - volts[3:]) / 24
        integral = np.concatenate(([0.0], np.cumsum(steps)))
        at -= first + 1
        step = at.astype(np.intp)
        u = at - step
        left, right = integral[step], integral[step + 1]
        here, there = volts[step + 1], volts[step + 2]
        at_edges = left + u * (
            here + u * (3 * (right - left) - 2 * here - there + u * (2 * (left - right) + here + there))
        )
        return np.asarray(np.diff(at_edges) / np.diff(at), dtype=np.float64)

    def _divided(self, channel: int, hz: FloatArray) -> ComplexArray:
        return divided(_INPUTS[channel], hz, self.tolerances)

    def _filtered(self, channel: int, hz: FloatArray, load_ohm: float) -> ComplexArray:
        stage = list(_STAGES[_INPUTS[channel]][1])
        if np.isfinite(load_ohm):
            stage.append(("RLOAD", "AP", "AN", load_ohm))
        gain = _ISOLATOR_GAIN * (1 + self.tolerances.isolator_gain[channel]) / (1 + 1j * hz / _ISOLATOR_POLE_HZ)
        sides = {"OP": 0.5, "ON": -0.5, "GND": 0.0}
        return gain * _transfer(stage, self.tolerances.parts, sides, ("AP", "AN"), hz)

    def _at_pins(self, channel: int, load_ohm: float, first: int) -> FloatArray:
        """Return the differential voltage at a pair of pins from grid point `first` on."""
        key = (channel, load_ohm)
        spectrum = self._spectra.get(key)
        if spectrum is None:
            hz: FloatArray = np.fft.rfftfreq(_BLOCK, 1 / DENSE_HZ).astype(np.float64)
            low, high = _TAPER_HZ
            taper = 0.5 + 0.5 * np.cos(np.pi * np.clip((hz - low) / (high - low), 0, 1))
            shape = self._divided(channel, hz) / self._divider[channel]
            spectrum = shape * self._filtered(channel, hz, load_ohm) * taper
            self._spectra[key] = spectrum
        # The isolator clips before its own 30 kHz filter here: no matter where a clip is no longer measured anyway.
        v = self._tapes[channel].block(first - _PAST) * self._divider[channel]
        isolate(v, self.tolerances, channel)
        return np.fft.irfft(np.fft.rfft(v) * spectrum, _BLOCK)[_PAST : _BLOCK - _AHEAD]
