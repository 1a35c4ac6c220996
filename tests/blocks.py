"""Blocks of samples as the converters hand them over, made from a signal given as a function of time."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft

from flattop.converters.frontend import image_gain, path_response
from flattop.measure.level import measure
from flattop.measure.verdict import Judge
from flattop.meter import Meter
from flattop.samples import Clock, Facts, Input, Quality, Samples
from oracles import front_end

BASS_RATE_HZ = 3231.0
"""A chip 2 % slow: no tone here is a whole part of it."""
LSB_V = 0.137
CHIP_NOISE_LSB = 0.2
DENSE = 20
"""Analogue signals are worked out at this many times the converter's rate."""
UPDATE_S, WINDOW_S = 0.1, 0.25


def bass_facts(*, lsb_v=LSB_V, rate_hz=BASS_RATE_HZ, **change):
    """Return the facts of the bass converter on one range, with no uncertainty but noise unless told otherwise."""
    period_s = 1.0 / rate_hz
    full_scale_v = 2047 * LSB_V
    facts = {
        "converter": "ads1015",
        "input": Input.SPEAKER,
        "lsb_v": lsb_v,
        "full_scale_v": full_scale_v,
        "noise_v": lsb_v * math.hypot(CHIP_NOISE_LSB, 1 / math.sqrt(12)),
        "tone_band_hz": (10.0, 300.0),
        "harmonics_to_hz": 0.4 * rate_hz,
        "response": path_response(period_s=period_s, pole_scale=1.0),
        "image_v": lambda hz: 1.25 * full_scale_v * image_gain(hz, period_s=period_s, pole_scale=1.0),
        "clock_u": 0.0,
    }
    return Facts(**(facts | change))


def full_facts(*, rate_hz=48_000.0, **change):
    """Return the facts of even, finely stepped samples: a recording, as volts."""
    facts = {
        "converter": "recording",
        "input": Input.SPEAKER,
        "lsb_v": 0.0,
        "full_scale_v": 100.0,
        "noise_v": 0.0,
        "tone_band_hz": (10.0, min(20e3, rate_hz / 6)),
        "harmonics_to_hz": min(20e3, 0.45 * rate_hz),
        "clock_u": 0.0,
    }
    return Facts(**(facts | change))


def tone(wave, *, hz, volts, phase=0.0):
    """Return the function of time of a wave with the given scale [V]."""
    return lambda t: volts * wave(hz * t + phase)


def sine(cycles):
    return np.cos(2 * np.pi * np.asarray(cycles))


def holed(rng, n, *, rate_hz, holes_per_s=3.0):
    """Return which of n conversions were read: now and then 1 to 5 ms are missed."""
    kept = np.ones(n, dtype=bool)
    for _ in range(rng.poisson(holes_per_s * n / rate_hz)):
        start = rng.integers(0, n)
        kept[start : start + rng.integers(3, 16)] = False
    return kept


@lru_cache(maxsize=8)
def _dense_gain(n, rate_hz):
    return front_end(np.fft.rfftfreq(n, 1.0 / (rate_hz * DENSE)), period_s=1.0 / rate_hz)


def bass(
    signal, *, span_s=WINDOW_S, seed=0, facts=None, lines=(), quantised=True, noise_lsb=CHIP_NOISE_LSB, holes_per_s=3.0
):
    """Return times and volts as the bass converter sees `signal` (a function of time, in volts at the terminals).

    lines : (Hz, V peak) pairs added at the terminals, of any frequency: what lies above half the rate folds down
    """
    facts = facts or bass_facts()
    rate_hz = facts.harmonics_to_hz / 0.4
    rng = np.random.default_rng(seed)
    n = round(span_s * rate_hz)
    margin = round(0.03 * rate_hz)
    step_s = 1.0 / (rate_hz * DENSE)
    dense_s = (np.arange(next_fast_len((n + 2 * margin) * DENSE, real=True)) - margin * DENSE) * step_s
    volts = irfft(rfft(signal(dense_s)) * _dense_gain(len(dense_s), rate_hz), len(dense_s))
    volts = volts[margin * DENSE : (margin + n) * DENSE : DENSE]
    times_s = np.arange(n) / rate_hz
    for line_hz, line_v in lines:
        gain = line_v * front_end(np.array([line_hz]), period_s=1.0 / rate_hz)[0]
        volts = volts + (gain * np.exp(2j * np.pi * (line_hz * times_s + rng.random()))).real
    volts = volts + noise_lsb * facts.lsb_v * rng.standard_normal(n)
    if quantised:
        volts = np.round(volts / facts.lsb_v) * facts.lsb_v
    kept = holed(rng, n, rate_hz=rate_hz, holes_per_s=holes_per_s)
    return times_s[kept], volts[kept], facts


def even(signal, *, span_s=WINDOW_S, rate_hz=48_000.0, facts=None):
    """Return times and volts of `signal` sampled evenly."""
    times_s = np.arange(round(span_s * rate_hz)) / rate_hz
    return times_s, signal(times_s), facts or full_facts(rate_hz=rate_hz)


def block(taken, *, clock=Clock.EVEN, saturated=0, timing_rms_s=0.0):
    """Return Samples of times, volts and facts."""
    times_s, volts, facts = taken
    rate_hz = (len(times_s) - 1) / (times_s[-1] - times_s[0]) if len(times_s) > 1 else math.nan
    return Samples(times_s, volts, facts, Quality(rate_hz, clock, saturated=saturated, timing_rms_s=timing_rms_s))


def windows(taken, *, window_s=WINDOW_S, update_s=UPDATE_S, **quality):
    """Yield the blocks of a meter that looks at the last `window_s` every `update_s`."""
    times_s, volts, facts = taken
    end_s = times_s[0] + window_s
    while end_s <= times_s[-1] + 1e-9:
        inside = (times_s > end_s - window_s) & (times_s <= end_s)
        yield block((times_s[inside], volts[inside], facts), **quality)
        end_s += update_s


def judged(taken, *, judge=None, most_harmonics=16, **quality):
    """Return the readings of a judge that is shown one window after the other."""
    judge = judge or Judge()
    return [judge.update(measure(samples, most_harmonics=most_harmonics)) for samples in windows(taken, **quality)]


class Taken:
    """Samples taken earlier, served as a converter: seam 1 with nothing behind it."""

    name = "taken"
    input = Input.SPEAKER

    def __init__(self, taken, *, genuine=True):
        self._times_s, self._volts, self._facts = taken
        self._now_s, self._genuine = 0.0, genuine

    def collect(self, until_s):
        self._now_s = until_s
        return bool(until_s < self._times_s[-1])

    def latest(self, duration_s):
        inside = (self._times_s > self._now_s - duration_s) & (self._times_s <= self._now_s)
        return block((self._times_s[inside], self._volts[inside], self._facts), clock=Clock.LOCKED)

    def confirm(self, hz):
        return self._genuine


def metered(taken, *, most_harmonics=16):
    """Return the readings of the meter's own loop, quick looks included, once its window is full."""
    readings = list(Meter(Taken(taken), most_harmonics=most_harmonics).readings())
    return [reading for reading in readings if reading.time_s > WINDOW_S]
