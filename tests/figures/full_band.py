"""Full band: what the meter makes of even samples of a 24-bit converter, 96 kS/s, 20 Hz to 20 kHz."""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: the matrices are small

import sys
from collections import Counter
from collections.abc import Callable
from functools import lru_cache

import numpy as np
import rig
from false_flags import Case, line, music, turn
from rig import Row, Runner, Wave, log_uniform

from flattop.measure.between import between
from flattop.measure.level import measure
from flattop.measure.reading import Reading, Reason, Verdict
from flattop.meter import Meter
from flattop.samples import Clock, ComplexArray, Facts, FloatArray, Input, Quality, Samples
from flattop.simulated.frontend import Signal

RATE_HZ, FULL_SCALE_V, BITS = 96_000.0, 280.0, 24
NOISE_V = FULL_SCALE_V / np.sqrt(2.0) * 10.0 ** (-100.0 / 20.0)
"""Noise of a converter of 100 dB (data sheets of audio converters name 98 to 110 dB; from memory) [V rms]."""
BAND_TO_HZ = 20e3
TIMES = 4
"""Signals are worked out at this many times the rate, so that what lies up to 192 kHz meets the converter's filter."""
HIGH_PASS_HZ, LOW_PASS_HZ, STOP_HZ = 1.81, 90e3, 44e3
"""High-pass of the input (0.14 dB at 10 Hz), the front end's last pole, and where the converter's own filter ends."""
WINDOW_S, UPDATE_S, MARGIN_S = 0.25, 0.1, 0.125
WARNED = {Verdict.SOFT, Verdict.FLAT}
HELD_S = 1.0


def path(hz: FloatArray) -> ComplexArray:
    """Return the response from the terminals to the samples; at d.c. it is called 1, for no d.c. is asked for here."""
    jf = 1j * np.asarray(hz, dtype=float)
    high = np.where(hz > 0.0, jf / (jf + HIGH_PASS_HZ), 1.0)
    return high / (1.0 + jf / LOW_PASS_HZ)


def facts(**change: object) -> Facts:
    known = {
        "converter": "i2s",
        "input": Input.SPEAKER,
        "lsb_v": FULL_SCALE_V / 2.0 ** (BITS - 1),
        "full_scale_v": FULL_SCALE_V,
        "noise_v": NOISE_V,
        "tone_band_hz": (10.0, BAND_TO_HZ),
        "harmonics_to_hz": BAND_TO_HZ,
        "response": path,
        "clock_u": 0.0,
    }
    return Facts(**(known | change))


@lru_cache(maxsize=4)
def _gain(n: int) -> ComplexArray:
    hz = np.fft.rfftfreq(n, 1.0 / (RATE_HZ * TIMES))
    # The filter of an audio converter: flat to 0.45 of the rate, then a hundred decibels down within a tenth.
    return path(hz) * np.clip((48e3 - hz) / (48e3 - STOP_HZ), 1e-5, 1.0)


def sampled(
    signal: Signal,
    rng: np.random.Generator,
    *,
    span_s: float = WINDOW_S,
    known: Facts | None = None,
    noise_v: float = NOISE_V,
) -> Samples:
    """Return what the converter makes of a signal at the terminals."""
    known = known or facts()
    n, margin = round(span_s * RATE_HZ), round(MARGIN_S * RATE_HZ)
    dense_s = (np.arange((n + 2 * margin) * TIMES) - margin * TIMES) / (RATE_HZ * TIMES)
    # What lies before and after swells from nothing: the high-pass would ring on a step where the ends are joined.
    swell = np.sin(0.5 * np.pi * np.clip(np.minimum(dense_s + MARGIN_S, span_s + MARGIN_S - dense_s) / MARGIN_S, 0, 1))
    volts = np.fft.irfft(np.fft.rfft(signal(dense_s) * swell**2) * _gain(len(dense_s)), len(dense_s))
    volts = volts[margin * TIMES : (margin + n) * TIMES : TIMES] + noise_v * rng.standard_normal(n)
    return Samples(
        np.arange(n) / RATE_HZ, np.round(volts / known.lsb_v) * known.lsb_v, known, Quality(RATE_HZ, Clock.EVEN)
    )


class Taken:
    """Even samples taken earlier, served as a converter."""

    name = "taken"
    input = Input.SPEAKER

    def __init__(self, samples: Samples) -> None:
        self._all, self._now_s = samples, 0.0

    def collect(self, until_s: float) -> bool:
        self._now_s = until_s
        return bool(until_s < self._all.times_s[-1])

    def latest(self, duration_s: float) -> Samples:
        last = min(round(self._now_s * RATE_HZ) + 1, len(self._all))
        part = slice(max(last - round(duration_s * RATE_HZ), 0), last)
        return Samples(self._all.times_s[part], self._all.volts[part], self._all.facts, self._all.quality)

    def confirm(self, hz: float) -> bool:
        return True


def readings(samples: Samples) -> list[Reading]:
    """Return what the meter says of it, quick looks included, once its window is full."""
    meter = Meter(Taken(samples), update_s=UPDATE_S, window_s=WINDOW_S, most_harmonics=None)
    return [reading for reading in meter.readings() if reading.time_s > WINDOW_S]


def thd_in_band(shape: rig.Shape, hz: float) -> float:
    """Return THD_F of a shape, harmonics up to 20 kHz counted."""
    spectrum = np.abs(np.fft.rfft(shape(rig.CYCLE)))
    return float(np.linalg.norm(spectrum[2 : int(BAND_TO_HZ / hz) + 1]) / spectrum[1])


def with_thd_in_band(family: Callable[[float], rig.Shape], target: float, hz: float) -> rig.Shape:
    low, high = 0.0, 0.5
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if thd_in_band(family(middle), hz) < target else (low, middle)
    return family(0.5 * (low + high))


# -- onset ------------------------------------------------------------------------------------------------------------

ONSET_HZ = (40.0, 100.0, 1000.0, 3500.0, 5000.0, 6500.0)
ONSET_THD = 0.003
FAMILIES = {"both halves": rig.hard, "one half": rig.upper}


@lru_cache(maxsize=32)
def _onset_shape(name: str, hz: float) -> rig.Shape:
    return with_thd_in_band(FAMILIES[name], ONSET_THD, hz)


def onset_trial(seed: list[int]) -> tuple[float, str, str, str]:
    """Return tone, which halves, and the verdicts of the first update and after the hold."""
    rng = np.random.default_rng(seed)
    hz = ONSET_HZ[seed[-1] % len(ONSET_HZ)]
    name = list(FAMILIES)[seed[-1] // len(ONSET_HZ) % 2]
    wave = Wave(hz * (1.0 + 1e-4 * rng.uniform(-1, 1)), log_uniform(rng, 2.0, 250.0), _onset_shape(name, hz), turn(rng))
    said = readings(sampled(wave, rng, span_s=WINDOW_S + HELD_S + 3 * UPDATE_S))
    return hz, name, str(said[0].verdict), str(said[-1].verdict)


def onset(runner: Runner, trials: int) -> list[Row]:
    found = runner.map(onset_trial, trials, label=51)
    rows = []
    for hz in ONSET_HZ:
        for name in FAMILIES:
            some = [one for one in found if one[:2] == (hz, name)]
            if not some:
                continue
            first = sum(one[2] in WARNED for one in some)
            held = sum(one[3] in WARNED for one in some)
            rows.append(
                Row(
                    f"onset 0.3 % THD to 20 kHz, {hz:g} Hz, {name}",
                    f"{held} of {len(some)} called, {first} by the first 0.25 s",
                    "all",
                    len(some),
                    held == len(some),
                )
            )
    return rows


# -- false flags ------------------------------------------------------------------------------------------------------


def tone(rng: np.random.Generator, *, low_v: float = 1.0, high_hz: float = 6600.0) -> Wave:
    """Return a clean tone, half of the time one of those that tuners use."""
    some = [hz for hz in (40.0, 50.0, 60.0, 100.0, 315.0, 1000.0, 3500.0, 5000.0) if hz <= high_hz]
    hz = float(rng.choice(some)) if rng.random() < 0.5 else log_uniform(rng, 20.0, high_hz)
    return Wave(hz, log_uniform(rng, low_v, 200.0), phase=turn(rng))


def clean(rng: np.random.Generator) -> Case:
    wave = tone(rng)
    return Case(wave, f"{wave.hz:.2f} Hz {wave.volts:.2f} V")


def hum(rng: np.random.Generator) -> Case:
    """The mains family, 0.02 to 0.5 % each, any phases."""
    wave = tone(rng)
    mains_hz = float(rng.choice([50.0, 60.0])) * (1.0 + float(rng.normal(0.0, 3e-4)))
    parts = [(k * mains_hz, log_uniform(rng, 2e-4, 5e-3) * wave.volts / k**0.5, turn(rng)) for k in (1, 2, 3, 4, 6)]
    return Case(
        lambda t: wave(t) + sum(line(*part, t) for part in parts),
        f"{wave.hz:.2f} Hz, mains {mains_hz:.2f} Hz",
        hum=True,
    )


def whine(rng: np.random.Generator) -> Case:
    """A line that moves with the engine, with an overtone, half of the time near a harmonic."""
    wave = tone(rng)
    start_hz = float(rng.integers(2, 6)) * wave.hz if rng.random() < 0.5 else log_uniform(rng, 100.0, 8e3)
    speed, share, phase = log_uniform(rng, 0.5, 200.0), log_uniform(rng, 5e-4, 0.01), turn(rng)
    start_hz += float(rng.normal(0.0, 2.0)) - speed * float(rng.uniform(0.0, 2.0))

    def signal(t: FloatArray) -> FloatArray:
        angle = 2.0 * np.pi * (start_hz * t + 0.5 * speed * t * t) + phase
        return wave(t) + share * wave.volts * (np.sin(angle) + 0.3 * np.sin(2.0 * angle))

    return Case(signal, f"{wave.hz:.2f} Hz + {100 * share:.2f} % from {start_hz:.1f} Hz at {speed:.1f} Hz/s")


def class_d(rng: np.random.Generator) -> Case:
    """Residue of a switching amplifier, up to 30 % of the tone: from just above the band to 180 kHz, wandering."""
    wave = tone(rng)
    hz, share = log_uniform(rng, 20.5e3, 180e3), log_uniform(rng, 0.005, 0.3)
    wander_hz, rate, phase = float(rng.uniform(0.0, 300.0)), float(rng.uniform(0.3, 5.0)), turn(rng)

    def signal(t: FloatArray) -> FloatArray:
        angle = 2.0 * np.pi * hz * t + wander_hz / rate * np.sin(2.0 * np.pi * rate * t) + phase
        return wave(t) + share * wave.volts * np.sin(angle)

    return Case(signal, f"{wave.hz:.2f} Hz + {100 * share:.1f} % at {hz:.0f} Hz")


def second(rng: np.random.Generator) -> Case:
    wave, phase = tone(rng), turn(rng)
    wave = Wave(wave.hz, wave.volts, rig.with_second(np.sin, 0.003, phase), wave.phase)
    return Case(wave, f"{wave.hz:.2f} Hz, second at {phase:.2f} rad")


def fade(rng: np.random.Generator) -> Case:
    wave, speed = tone(rng), float(rng.choice([-1.0, 1.0])) * float(rng.uniform(0.02, 0.2))
    return Case(lambda t: np.exp(speed * (t - 1.5)) * wave(t), f"{wave.hz:.2f} Hz, {100 * speed:.1f} %/s")


def steps(rng: np.random.Generator) -> Case:
    """Steps of 0.5 to 2 dB, up and down, every 0.3 to 1 s."""
    wave, at_s = tone(rng), np.cumsum(rng.uniform(0.3, 1.0, 10))
    levels_db = np.concatenate([[0.0], np.cumsum(rng.choice([-1.0, 1.0], 10) * rng.uniform(0.5, 2.0, 10))])
    levels_db -= levels_db.max()
    return Case(
        lambda t: 10.0 ** (levels_db[np.searchsorted(at_s, t)] / 20.0) * wave(t), f"{wave.hz:.2f} Hz, steps {at_s[:5]}"
    )


def wrong_rate(rng: np.random.Generator) -> Case:
    """Played a little fast or slow, by a player that wanders."""
    wave, wander = tone(rng), log_uniform(rng, 1e-6, 3e-4)
    rate, phase = float(rng.uniform(0.3, 3.0)), turn(rng)
    wave = Wave(wave.hz * (1.0 + float(rng.uniform(-0.005, 0.005))), wave.volts, phase=wave.phase)
    return Case(
        lambda t: wave(t + wander / (2.0 * np.pi * rate) * np.sin(2.0 * np.pi * rate * t + phase)),
        f"{wave.hz:.3f} Hz, wander {1e6 * wander:.0f} ppm at {rate:.2f} Hz",
    )


def two_tones(rng: np.random.Generator) -> Case:
    """A second tone of 3 to 100 % that is no harmonic."""
    wave = tone(rng)
    while True:
        other_hz = wave.hz * float(rng.uniform(0.3, 4.0))
        if abs(other_hz - wave.hz * round(other_hz / wave.hz)) > 1.0 and 10.0 < other_hz < 15e3:
            break
    share, phase = log_uniform(rng, 0.03, 1.0), turn(rng)
    return Case(lambda t: wave(t) + line(other_hz, share * wave.volts, phase, t), f"{wave.hz:.2f} + {other_hz:.2f} Hz")


def triangle(rng: np.random.Generator) -> Case:
    wave = tone(rng)
    wave = Wave(wave.hz, wave.volts, rig.triangle, wave.phase)
    return Case(wave, f"{wave.hz:.2f} Hz")


def low_level(rng: np.random.Generator) -> Case:
    """From 3 mV to 1 V on an input of 280 V: near the converter's noise."""
    wave = tone(rng)
    wave = Wave(wave.hz, log_uniform(rng, 0.003, 1.0), phase=wave.phase)
    return Case(wave, f"{wave.hz:.2f} Hz {1e3 * wave.volts:.1f} mV", banned=frozenset({*WARNED, Verdict.DISTORTED}))


def coarse(rng: np.random.Generator) -> Case:
    """A recording of 12 bits or fewer, without dither: from 20 codes peak. `held` stands for the coarse codes."""
    wave = tone(rng)
    wave = Wave(wave.hz, log_uniform(rng, 20.0, 2000.0) * COARSE_LSB_V, phase=wave.phase)
    return Case(wave, f"{wave.hz:.2f} Hz {wave.volts / COARSE_LSB_V:.1f} codes", held=True)


def noise(rng: np.random.Generator) -> Case:
    """White noise up to 192 kHz, 20 to 70 dB below the tone in the band."""
    wave, below_db = tone(rng), float(rng.uniform(20.0, 70.0))
    rms_v = wave.volts / np.sqrt(2.0) * 10.0 ** (-below_db / 20.0) * np.sqrt(RATE_HZ * TIMES / 2.0 / BAND_TO_HZ)
    return Case(lambda t: wave(t) + rms_v * rng.standard_normal(len(t)), f"{wave.hz:.2f} Hz, noise -{below_db:.1f} dB")


COARSE_LSB_V = 0.137
KINDS: tuple[Callable[[np.random.Generator], Case], ...] = (
    clean, hum, whine, class_d, second, fade, steps, wrong_rate, two_tones, music, triangle, low_level, coarse, noise,
)  # fmt: skip
TRIAL_S = 2.0


def false_trial(seed: list[int]) -> tuple[str, list[tuple[float, str, str]], int, str, Counter[str]]:
    """Return kind, false flags, times that hum was named, case, and what was said."""
    rng = np.random.default_rng(seed)
    kind = KINDS[seed[-1] % len(KINDS)]
    case = kind(rng)
    known = facts(lsb_v=COARSE_LSB_V, noise_v=COARSE_LSB_V / np.sqrt(12.0)) if case.held else facts()
    said = readings(sampled(case.signal, rng, span_s=TRIAL_S, known=known, noise_v=0.0 if case.held else NOISE_V))
    false, named = [], 0
    for reading in said:
        if reading.verdict not in case.banned:
            continue
        if case.hum and reading.reason is Reason.THIRD_ONLY and reading.time_s > HELD_S:
            named += 1
        else:
            false.append((round(reading.time_s, 3), str(reading.verdict), str(reading.reason)))
    return kind.__name__, false, named, case.what, Counter(str(reading.verdict) for reading in said)


def false_flags(runner: Runner, trials: int) -> list[Row]:
    found = runner.map(false_trial, trials, label=52)
    rows, updates = [], int(TRIAL_S / WINDOW_S)
    for kind in KINDS:
        some = [(n, one) for n, one in enumerate(found) if one[0] == kind.__name__]
        flagged = [(n, one) for n, one in some if one[1]]
        said = sum((one[4] for _, one in some), Counter())
        shares = ", ".join(f"{100 * c / said.total():.0f} % {v}" for v, c in said.most_common())
        named = sum(one[2] > 0 for _, one in some)
        note = f"; hum named in {named}" if named else ""
        rows.append(
            Row(
                f"false flags, {kind.__name__}",
                f"{len(flagged)} of {len(some)} trials{note} ({shares})",
                "0",
                updates * len(some),
                not flagged,
            )
        )
        rows += [
            Row(f"  [S, 52, {n}]", f"{len(one[1])} flags, first {one[1][0]}; {one[3]}"[:150], "", 0, None)
            for n, one in flagged[:8]
        ]
    return rows


# -- accuracy ---------------------------------------------------------------------------------------------------------


def accuracy_trial(seed: list[int]) -> tuple[float, float, float, float, float]:
    """Return frequency, THD_F, relative error of the RMS, and error and stated uncertainty of the frequency [Hz]."""
    rng = np.random.default_rng(seed)
    wave = Wave(log_uniform(rng, 20.0, BAND_TO_HZ), 0.7 * FULL_SCALE_V, phase=turn(rng))
    found = measure(sampled(wave, rng))
    hz = found.fit.hz if found.fit is not None else np.nan
    return wave.hz, found.thd, found.rms_v / wave.rms_v - 1.0, hz - wave.hz, found.hz_u


def accuracy(runner: Runner, trials: int) -> list[Row]:
    hz, thd, off, hz_off, hz_u = np.array(runner.map(accuracy_trial, trials, label=53)).T
    worst = int(np.argmax(np.abs(off)))
    covered = float(np.mean(np.abs(hz_off) <= hz_u))
    return [
        Row(
            "THD_F of a clean tone, 20 Hz to 20 kHz",
            f"worst {100 * np.max(thd):.5f} %",
            "<= 0.01 %",
            trials,
            bool(np.max(thd) <= 1e-4),
        ),
        Row(
            "RMS, 20 Hz to 20 kHz",
            f"worst {100 * abs(off[worst]):.5f} % at {hz[worst]:.1f} Hz",
            "<= 0.05 %",
            trials,
            bool(abs(off[worst]) <= 5e-4),
        ),
        Row(
            "frequency within its stated uncertainty (k = 2)",
            f"{100 * covered:.1f} %, worst {1e6 * np.max(np.abs(hz_off / hz)):.4f} ppm",
            ">= 95.4 % less chance",
            trials,
            covered > 0.9545 - 4.0 * np.sqrt(0.9545 * 0.0455 / trials),
        ),
    ]


def scatter_trial(seed: list[int]) -> tuple[float, float, float]:
    """Return errors of amplitude, frequency and d.c. over their Cramer-Rao bounds, at 40 dB S/N."""
    rng = np.random.default_rng(seed)
    hz, n, sigma = log_uniform(rng, 20.0, 15e3), round(WINDOW_S * RATE_HZ), 0.01
    times_s = np.arange(n) / RATE_HZ
    volts = np.cos(2.0 * np.pi * (hz * times_s + rng.random())) + sigma * rng.standard_normal(n)
    known = facts(response=np.ones_like, lsb_v=0.0, noise_v=0.0)
    found = measure(Samples(times_s, volts, known, Quality(RATE_HZ, Clock.EVEN)))
    # Rife & Boorstyn 1974, Kay 1993 (formulas from memory).
    amplitude = sigma * np.sqrt(2.0 / n)
    frequency = np.sqrt(6.0) * amplitude / np.sqrt(2.0) / (np.pi * WINDOW_S)
    return (found.line_v - 1.0) / amplitude, (found.fit.hz - hz) / frequency, found.dc_v / (sigma / np.sqrt(n))


def scatter(runner: Runner, trials: int) -> list[Row]:
    ratios = np.std(np.array(runner.map(scatter_trial, trials, label=54)), axis=0)
    return [
        Row(
            f"scatter of {name} over the Cramer-Rao bound",
            f"{ratio:.2f}",
            target,
            trials,
            ratio <= 2.0 if target else None,
        )
        for name, ratio, target in zip(("level", "frequency", "d.c."), ratios, ("<= 2", "", ""), strict=True)
    ]


OVERDRIVE_HZ = (20.0, 40.0, 80.0, 315.0, 1000.0, 3500.0, 5000.0)


def overdrive_trial(seed: list[int]) -> tuple[float, str, float]:
    """Return tone, which halves, and the larger error of the two overdrives [dB]."""
    rng = np.random.default_rng(seed)
    hz = OVERDRIVE_HZ[seed[-1] % len(OVERDRIVE_HZ)]
    over_db = float(rng.uniform(0.1, 2.5))
    halves = ("both", "upper", "lower")[int(rng.integers(3))]
    level = 10.0 ** (-over_db / 20.0)
    shape = rig.clipped(level if halves != "lower" else np.inf, level if halves != "upper" else np.inf)
    wave = Wave(hz * (1.0 + 1e-3 * rng.uniform(-1.0, 0.0)), log_uniform(rng, 5.0, 250.0), shape, turn(rng))
    tops = measure(sampled(wave, rng)).tops
    wanted = (over_db if halves != "lower" else 0.0, over_db if halves != "upper" else 0.0)
    off = max(abs(tops.overdrive_pos_db - wanted[0]), abs(tops.overdrive_neg_db - wanted[1]))
    return hz, "both halves" if halves == "both" else "one half", off


def overdrive(runner: Runner, trials: int) -> list[Row]:
    found = runner.map(overdrive_trial, trials, label=55)
    rows = []
    for hz in OVERDRIVE_HZ:
        for halves in FAMILIES:
            off = [one[2] for one in found if one[:2] == (hz, halves)]
            if off:
                rows.append(
                    Row(
                        f"overdrive 0.1 to 2.5 dB, {hz:g} Hz, {halves}",
                        f"worst {max(off):.4f} dB",
                        "<= 0.02 dB",
                        len(off),
                        max(off) <= 0.02,
                    )
                )
    return rows


# -- between the inputs -----------------------------------------------------------------------------------------------


def polarity_trial(seed: list[int]) -> tuple[bool, float, float]:
    """Return if the polarity is right at 20 dB S/N on both inputs, and error and uncertainty of the gain [dB]."""
    rng = np.random.default_rng(seed)
    hz, gain_db, turned = log_uniform(rng, 20.0, BAND_TO_HZ), float(rng.uniform(0.0, 40.0)), float(rng.uniform(-45, 45))
    sign = float(rng.choice([-1.0, 1.0]))
    n = round(WINDOW_S * RATE_HZ)
    times_s = np.arange(n) / RATE_HZ
    angle = 2.0 * np.pi * hz * times_s + turn(rng)
    noise = 0.1 / np.sqrt(2.0)
    line_v = np.cos(angle) + noise * rng.standard_normal(n)
    speaker_v = 10.0 ** (gain_db / 20.0) * (sign * np.cos(angle + np.radians(turned)) + noise * rng.standard_normal(n))
    flat = {"response": np.ones_like, "noise_v": 0.0, "lsb_v": 0.0}
    found = between(
        line_input=Samples(times_s, line_v, facts(input=Input.LINE, **flat), Quality(RATE_HZ, Clock.EVEN)),
        speaker=Samples(times_s, speaker_v, facts(**flat), Quality(RATE_HZ, Clock.EVEN)),
        hz=hz,
    )
    return found.polarity == ("same" if sign > 0 else "opposite"), found.gain_db - gain_db, found.gain_u_db


def polarity(runner: Runner, trials: int) -> list[Row]:
    right, off, u = np.array(runner.map(polarity_trial, trials, label=56), dtype=float).T
    covered = float(np.mean(np.abs(off) <= u))
    return [
        Row(
            "polarity at 20 dB S/N, amplifier turning up to 45 degrees",
            f"{int(right.sum())} of {trials} right",
            "all",
            trials,
            bool(right.all()),
        ),
        Row(
            "gain within its uncertainty from noise (k = 2)",
            f"{100 * covered:.1f} %, worst {np.max(np.abs(off)):.4f} dB",
            ">= 95.4 % less chance",
            trials,
            covered > 0.9545 - 4.0 * np.sqrt(0.9545 * 0.0455 / trials),
        ),
    ]


FIGURES = {
    "onset": onset,
    "false_flags": false_flags,
    "accuracy": accuracy,
    "scatter": scatter,
    "overdrive": overdrive,
    "polarity": polarity,
}

if __name__ == "__main__":
    sys.exit(rig.main(__doc__, FIGURES, trials=1400))
