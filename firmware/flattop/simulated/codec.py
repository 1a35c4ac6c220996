"""The full-band path from the terminals to what a capture child delivers, with drawn parts and every fault it can have.

Like simulated/frontend.py it shares no figure with the firmware's own model of the path: values come from hardware's
netlist, part by part, and the second-order section is solved with an amplifier that is not ideal.

Left out, being far below what is promised: the converter's own distortion (-93 dB), jitter of its clock, and what of
its decimation filter lies beyond 48 kHz.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from time import sleep
from typing import Self

import numpy as np
from numpy.typing import NDArray

from flattop.converters import Timebase
from flattop.converters.capture import Arrival, meaning
from flattop.errors import ConverterMissing
from flattop.samples import ComplexArray, FloatArray, Input
from flattop.simulated.board import silence
from flattop.simulated.frontend import Signal, Tolerances, divided, isolate

RATE_HZ = 96_000
PERIOD = 960
"""Frames that the driver hands over at once: 10 ms."""
START_S = 8e-3
"""From the start of a child to its first frame, at least [s]."""
LATENCY_S = 30e-6
"""From the end of a period to the host, at least [s]."""
FULL_SCALE_V = 1.5
"""Peak at the converter's pin: 0.6 of 5 V, peak to peak (PCM1808 class; from memory of its datasheet)."""
IN_OHM, FEED_OHM, COUPLING_F = 60e3, 100.0, 10e-6
HIGH_PASS_HZ = 0.019e-3 * RATE_HZ
"""The converter's own, behind its rails (from memory of its datasheet)."""
DELAY = 17.4
"""Of the decimation filter, in frames (from memory of its datasheet)."""
NOISE_V: Mapping[Input, float] = {Input.SPEAKER: 18.7e-3, Input.LINE: 1.58e-3}
"""At the terminals, 20 Hz to 20 kHz, rms [V]: from the design's circuit simulation."""

_ISOLATOR_GAIN, _ISOLATOR_POLE_HZ = 2.0, 375e3
_INPUTS = (Input.SPEAKER, Input.LINE)
_TWICE = 2  # the signals are asked for at twice the converter's rate: what lies above 144 kHz folds into its band
_BLOCK, _PAST, _AHEAD = 8192, 384, 128
_OUT = (_BLOCK - _PAST - _AHEAD) // _TWICE
_TAPER = (0.454, 0.5)  # of the rate: the decimation filter's pass band, and where the block's own grid ends
_PARTS: Mapping[str, float] = {
    "R20": 4.99e3,
    "R21": 3.48e3,
    "R22": 2.61e3,
    "C20": 4.7e-9,
    "C21": 470e-12,
    "R23": 4.99e3,
    "R24": 3.48e3,
    "R25": 2.61e3,
    "C22": 4.7e-9,
    "C23": 470e-12,
}
"""The second-order section: references without the digit of their channel, ohms and farads (netlist)."""


@dataclass(frozen=True, slots=True)
class CodecTolerances:
    """How far the full-band path of one board lies from nominal; relative. Pairs are in the order speaker, line."""

    parts: Mapping[str, float] = field(default_factory=dict)
    """Relative error of each resistor and capacitor of the second-order section by its reference; 0 where missing."""
    opamp_hz: float = 14e6
    """Gain-bandwidth product of the section's amplifier [Hz]."""
    gain: tuple[float, float] = (0.0, 0.0)
    supply: float = 0.0
    """Peak of the slow wandering of the gain with the supply."""
    supply_period_s: float = 240.0
    coupling: tuple[float, float] = (0.0, 0.0)
    in_ohm: tuple[float, float] = (0.0, 0.0)
    ripple: float = 0.0
    """Peak of the decimation filter's ripple."""
    crystal: float = 0.0

    @classmethod
    def none(cls) -> Self:
        """Return a path whose every part is nominal."""
        return cls()

    @classmethod
    def draw(cls, rng: np.random.Generator) -> Self:
        """Return a path with every part drawn evenly from within its tolerance.

        Gain within 6 % with channels matched to 1 %, ripple within 0.05 dB (PCM1808 class, from memory); oscillator
        within 50 ppm, resistors 0.1 %, capacitors 1 % (netlist), the coupling capacitor 20 %, and either type of
        amplifier (10 or 20 MHz, from memory).
        """

        def within(limit: float) -> float:
            return float(rng.uniform(-limit, limit))

        gain = within(0.055)
        return cls(
            parts={
                _reference(ref, channel): within(0.001 if ref[0] == "R" else 0.01)
                for channel in range(len(_INPUTS))
                for ref in _PARTS
            },
            opamp_hz=float(rng.uniform(9e6, 21e6)),
            gain=(gain + within(0.005), gain + within(0.005)),
            supply=float(rng.uniform(1e-4, 5e-4)),
            supply_period_s=float(rng.uniform(120.0, 360.0)),
            coupling=(within(0.2), within(0.2)),
            in_ohm=(within(0.15), within(0.15)),
            ripple=within(0.0058),
            crystal=within(50e-6),
        )


def _reference(ref: str, channel: int) -> str:
    return f"{ref[0]}{channel + 1}{ref[1:]}"


def section(hz: FloatArray, channel: int, tolerances: CodecTolerances) -> ComplexArray:
    """Return the gain of the second-order section, isolator's outputs to its own, amplifier included.

    Nodal analysis with the nodes f1, INN, f2, INP and OF (netlist), VMID at 0; the amplifier has a finite
    gain-bandwidth product.
    """

    def y(ref: str) -> ComplexArray:
        value = _PARTS[ref] * (1 + tolerances.parts.get(_reference(ref, channel), 0.0))
        return np.asarray((1 / value if ref[0] == "R" else s * value) + 0 * s)

    s = 2j * np.pi * hz
    matrix = np.zeros((len(hz), 5, 5), dtype=np.complex128)
    driven = np.zeros((len(hz), 5, 1), dtype=np.complex128)
    f1, inn, f2, inp, out = range(5)
    for a, b, ref in (
        (f1, out, "R21"),
        (f1, inn, "R22"),
        (inn, out, "C21"),
        (f2, inp, "R25"),
        (f1, None, "R20"),
        (f1, None, "C20"),
        (f2, None, "R23"),
        (f2, None, "R24"),
        (f2, None, "C22"),
        (inp, None, "C23"),
    ):
        matrix[:, a, a] += y(ref)
        if b is not None:
            matrix[:, b, b] += y(ref)
            matrix[:, a, b] -= y(ref)
            matrix[:, b, a] -= y(ref)
    driven[:, f1, 0], driven[:, f2, 0] = -0.5 * y("R20"), 0.5 * y("R23")
    # The amplifier drives OF: s / (2 pi GBW) of it stands between its inputs.
    matrix[:, out, :] = 0.0
    matrix[:, out, inp], matrix[:, out, inn], matrix[:, out, out] = (
        1.0,
        -1.0,
        -(1e-6 + s / (2 * np.pi * tolerances.opamp_hz)),
    )
    return np.asarray(np.linalg.solve(matrix, driven)[:, out, 0])


class _HighPass:
    """First-order high-passes on rows of samples, one corner a row, going on from block to block."""

    def __init__(self, time_constants: FloatArray, count: int) -> None:
        """Take time constants in samples, and the length of a block."""
        keep = np.exp(-1.0 / time_constants)[:, None]
        self._fall = keep ** np.arange(1, count + 1)
        self._rise = (1.0 - keep) / self._fall
        self._mean = np.zeros_like(keep)

    def __call__(self, rows: FloatArray) -> None:
        """Take from `rows`, in place, what lies below the corners."""
        below = rows * self._rise
        np.cumsum(below, axis=1, out=below)
        below += self._mean
        below *= self._fall
        self._mean = below[:, -1:].copy()
        rows -= below


class SimulatedCapture:
    """A `Capture` of a simulated board's full-band converter, in the board's time; same seed, same frames.

    time : the board's; `take` lets it pass
    speaker, line : what lies between the terminals. They are asked in time order without holes, up to 50 ms ahead. A
        signal that forgets what it was asked before (a recording) must not be the one that the board has, but another
    tolerances : the board's parts up to the isolators, which both converters share
    drawn : the parts behind those; drawn from the seed if not given
    noise : False leaves only one code of noise, as every real converter has
    steady : True for a host that is never late
    """

    def __init__(
        self,
        *,
        seed: int,
        time: Timebase,
        speaker: Signal = silence,
        line: Signal = silence,
        tolerances: Tolerances | None = None,
        drawn: CodecTolerances | None = None,
        noise: bool = True,
        steady: bool = False,
    ) -> None:
        parts, noises, host = (np.random.default_rng(s) for s in np.random.SeedSequence([seed, 96]).spawn(3))
        self.tolerances = CodecTolerances.draw(parts) if drawn is None else drawn
        """The drawn truth; for tests only."""
        self._board = tolerances if tolerances is not None else Tolerances.none()
        self._time, self._signals = time, (speaker, line)
        self._noises, self._host, self._steady = noises, host, steady
        self.device = "simulated"
        self.rate_hz = float(RATE_HZ)
        self.ended = ""
        self.true_rate_hz = RATE_HZ * (1 + self.tolerances.crystal)
        self._begin_s = time.now_s()
        self._words: deque[NDArray[np.int32]] = deque()
        self._first = self._made = 0
        self._next: int | None = None
        self._edge_s = self._at_s = math.inf
        self._last = b""
        self._noisy = noise
        self._low_pass()
        taus = [
            (FEED_OHM + IN_OHM * (1 + ohm)) * COUPLING_F * (1 + farad)
            for ohm, farad in zip(self.tolerances.in_ohm, self.tolerances.coupling, strict=True)
        ]
        self._coupling = _HighPass(np.array(taus) * RATE_HZ, _OUT)
        self._own = _HighPass(np.full(2, RATE_HZ / (2 * np.pi * HIGH_PASS_HZ)), _OUT)
        self._tape = np.zeros((2, _BLOCK))
        self._hiss = np.zeros((2, _BLOCK // _TWICE), dtype=np.float32)  # at the converter's own rate, which it fills
        # What is wrong with it, to be set by whoever wants it so.
        self.plugged = True
        self.hangs = False
        """Nothing is handed over while it does."""
        self.dead: frozenset[Input] = frozenset()
        """Inputs whose data line gives zeros."""
        self.mono = False
        self.repeats = False
        """The driver's buffer is not filled any more."""
        self.lost_bytes = 0
        """Missing from the next portion, once."""
        self.pace = 1.0
        """Frames come this much faster than they should."""

    # -- the Capture protocol -------------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin a new stream. Raises ConverterMissing while it is unplugged."""
        self.ended = ""
        if not self.plugged:
            raise ConverterMissing(f"{self.device}: {meaning('No such device', rate_hz=self.rate_hz)}")
        begin_s = self._time.now_s() + START_S + (0.0 if self._steady else float(self._host.exponential(2e-3)))
        first = max(math.ceil((begin_s - self._begin_s) * self.true_rate_hz), 0)
        self._edge_s = self._begin_s + first / self.true_rate_hz
        self._next = max(first, self._first)  # those that came too early are gone
        self._go_on()

    def take(self, until_s: float) -> Arrival | None:
        """Let time pass until something comes, or until `until_s`; return all that has come."""
        if self._next is None:
            self._time.wait_until(until_s)
            return None
        if not self.plugged:
            self._end("read error: No such device")
            return None
        if self.hangs or self._at_s > until_s:
            self._time.wait_until(until_s)
            if self.hangs or self._at_s > self._time.now_s():
                return None
        self._time.wait_until(self._at_s)
        now_s = self._time.now_s()
        count, came_s = 0, now_s
        while self._at_s <= now_s:
            count += PERIOD
            # A thread of its own would have been woken then, whoever else has let time pass since.
            came_s = self._at_s
            self._go_on()
        data = self._frames(self._next, count).tobytes()
        self._next += count
        if self.repeats and self._last:
            data = self._last[-8 * PERIOD :] * (count // PERIOD)
        self._last = data
        data, self.lost_bytes = data[self.lost_bytes :], 0
        return Arrival(data, came_s)

    def stop(self) -> None:
        """End the stream; harmless twice."""
        self._next = None
        self._last = b""

    def overrun(self) -> None:
        """Lose samples, as a child does that was not read in time, and ends."""
        if self._next is not None:
            self._end("fatal overrun")

    # -- from the terminals to words ------------------------------------------------------------------------------

    def _end(self, said: str) -> None:
        self.ended = f"{self.device}: {meaning(said, rate_hz=self.rate_hz)} ({said})"
        self.stop()

    def _go_on(self) -> None:
        """Settle when the next period ends, and when the host has it."""
        self._edge_s += PERIOD / self.true_rate_hz / self.pace
        late_s = 0.0
        if not self._steady:
            late_s = float(self._host.exponential(50e-6))
            if self._host.random() < 0.03:  # three times a second the host is busy with something else
                late_s += float(self._host.uniform(1e-3, 5e-3))
        self._at_s = self._edge_s + LATENCY_S + late_s

    def _frames(self, first: int, count: int) -> NDArray[np.int32]:
        """Return frames by their numbers, shape (count, 2): they are worked out in order, and forgotten."""
        while self._made < first + count:
            self._words.append(self._convert())
            self._made += _OUT
        while self._first + _OUT <= first:
            self._words.popleft()
            self._first += _OUT
        frames = np.concatenate(self._words)[first - self._first : first - self._first + count]
        for each in self.dead:
            frames[:, _INPUTS.index(each)] = 0
        if self.mono:
            frames[:, 1] = frames[:, 0]
        return frames

    def _low_pass(self) -> None:
        """Work out the spectra from the isolators' inputs to the converter's pins, for signals and for noise."""
        hz: FloatArray = np.arange(_BLOCK // (2 * _TWICE) + 1, dtype=np.float64) * (_TWICE * RATE_HZ / _BLOCK)
        low, high = (part * RATE_HZ for part in _TAPER)
        decimation = 0.5 + 0.5 * np.cos(np.pi * np.clip((hz - low) / (high - low), 0, 1))
        decimation = decimation * (1 + self.tolerances.ripple * 0.5 * (1 - np.cos(2 * np.pi * hz / 8e3)))
        decimation = decimation * np.exp(-2j * np.pi * hz * DELAY / RATE_HZ)
        audible = (hz >= 20.0) & (hz <= 20e3)
        self._dividers: list[float] = []
        paths, noises = [], []
        for channel, each in enumerate(_INPUTS):
            divider = float(divided(each, np.zeros(1), self._board)[0].real)
            behind = _ISOLATOR_GAIN * (1 + self._board.isolator_gain[channel]) / (1 + 1j * hz / _ISOLATOR_POLE_HZ)
            behind = behind * section(hz, channel, self.tolerances)
            shape = float(np.mean(np.abs(behind[audible] / behind[0]) ** 2))
            # White noise of 1 V up to half the converter's rate, made what it is at the isolator's input.
            sigma_v = NOISE_V[each] * divider * math.sqrt(0.5 * RATE_HZ / 20e3 / shape)
            paths.append(divided(each, hz, self._board) / divider * behind * decimation / _TWICE)
            noises.append(sigma_v * behind * decimation)
            self._dividers.append(divider)
        self._paths, self._noise_paths = np.array(paths), np.array(noises)

    def _convert(self) -> NDArray[np.int32]:
        """Return the next `_OUT` frames, shape (_OUT, 2)."""
        new = _TWICE * _OUT
        # Tape point 2 n belongs to frame n; the block that gives frames m.. begins _PAST points before point 2 m.
        begin = _TWICE * self._made - _PAST if not self._made else _TWICE * self._made + _AHEAD
        count = _BLOCK if not self._made else new
        times_s = self._begin_s + (begin + np.arange(count)) / (_TWICE * self.true_rate_hz)
        tape, hiss = self._tape, self._hiss
        tape[:, : _BLOCK - count] = tape[:, count:]
        for channel, signal in enumerate(self._signals):
            volts = signal(times_s) * self._dividers[channel]
            isolate(volts, self._board, channel)
            tape[channel, _BLOCK - count :] = volts
        spectra = np.fft.rfft(tape)[:, : self._paths.shape[1]] * self._paths
        if self._noisy:
            hiss[:, : -count // _TWICE] = hiss[:, count // _TWICE :]
            hiss[:, -count // _TWICE :] = self._noises.standard_normal((2, count // _TWICE), dtype=np.float32)
            spectra += np.fft.rfft(hiss) * self._noise_paths
        first = _PAST // _TWICE
        pins = np.fft.irfft(spectra, _BLOCK // _TWICE)[:, first : first + _OUT]
        share = IN_OHM * (1 + np.array(self.tolerances.in_ohm))
        self._coupling(pins)
        pins *= (share / (share + FEED_OHM))[:, None] * self._gains(float(times_s[0])) * (2.0**23 / FULL_SCALE_V)
        np.clip(pins, -(2.0**23), 2.0**23 - 1, out=pins)
        self._own(pins)
        if not self._noisy:
            pins += self._noises.standard_normal(pins.shape)
        np.rint(pins, out=pins)
        np.clip(pins, -(2.0**23), 2.0**23 - 1, out=pins)
        return (pins.T.astype(np.int32)) << 8

    def _gains(self, at_s: float) -> FloatArray:
        truth = self.tolerances
        wander = truth.supply * math.sin(2 * math.pi * at_s / truth.supply_period_s)
        return (1 + np.array(truth.gain)[:, None]) * (1 + wander)

    def response(self, input: Input, hz: FloatArray) -> ComplexArray:
        """Return the path's complex gain from the terminals to parts of full scale, delay left out; for tests only."""
        channel, truth = _INPUTS.index(input), self.tolerances
        s = 2j * np.pi * hz
        in_ohm = IN_OHM * (1 + truth.in_ohm[channel])
        coupling_f = COUPLING_F * (1 + truth.coupling[channel])
        gain = _ISOLATOR_GAIN * (1 + self._board.isolator_gain[channel]) / (1 + 1j * hz / _ISOLATOR_POLE_HZ)
        gain = gain * divided(input, hz, self._board) * section(hz, channel, truth)
        gain = gain * s * in_ohm * coupling_f / (1 + s * (in_ohm + FEED_OHM) * coupling_f)
        gain = gain * (1 + truth.ripple * 0.5 * (1 - np.cos(2 * np.pi * hz / 8e3)))
        own = 1j * hz / HIGH_PASS_HZ
        return np.asarray(gain * own / (1 + own) * (1 + truth.gain[channel]) / FULL_SCALE_V)


class FollowedTime:
    """The board's time for a thread that must not let it pass, because another one does: it waits until that has."""

    STEP_S = 1e-3

    def __init__(self, time: Timebase) -> None:
        self._time = time

    def now_s(self) -> float:
        """Return the board's seconds."""
        return self._time.now_s()

    def wait_until(self, when_s: float) -> None:
        """Sleep until the board's time has come so far, in steps of STEP_S of the host's."""
        while self._time.now_s() < when_s:
            sleep(self.STEP_S)
