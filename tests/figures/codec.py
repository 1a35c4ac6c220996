"""The full-band converter: how soon each fault of its stream is told, how exact its levels and times are, its cost."""

from __future__ import annotations

import math
import os
import shutil
import signal
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
import rig
from cost import in_units
from rig import Row, Wave, log_uniform

from alsa_device import PERIOD, AlsaDevice, noise_words
from bench_codec import FAULTS, Bench, until_failed
from flattop.converters import HostTime
from flattop.converters.capture import ArecordCapture
from flattop.converters.codec import CodecConverter, Trim
from flattop.errors import ConverterError
from flattop.measure.level import measure
from flattop.samples import Input

LONGEST_S = 1.0
"""A fault is to be told within this [s]."""


def detection_trial(seed):
    """Return how long each fault took to be told, in virtual time, from any moment on [s]."""
    rng = np.random.default_rng(seed)
    found = []
    for number, (fault, _) in enumerate(FAULTS):
        speaker, line = Wave(log_uniform(rng, 20, 5e3), 60.0), Wave(log_uniform(rng, 20, 5e3), 3.0)
        bench = Bench(speaker, line, seed=seed[-1] * len(FAULTS) + number)
        bench.run(float(rng.uniform(0.05, 2.0)))
        fault(bench.capture)
        error, took_s = until_failed(bench)
        clear = all(len(samples) == 0 for samples in bench.codec.latest_pair(2.0))
        found.append((took_s if error is not None and clear else math.inf, str(error)))
    return found


def detection(runner, trials):
    found = runner.map(detection_trial, trials, label=61)
    rows = []
    for number, (fault, _) in enumerate(FAULTS):
        took_s = [trial[number][0] for trial in found]
        rows.append(
            Row(
                f"time to tell: {fault.__name__.replace('_', ' ')}",
                f"median {np.median(took_s):.3f}, worst {max(took_s):.3f} s",
                f"<= {LONGEST_S:g} s",
                len(took_s),
                max(took_s) <= LONGEST_S,
            )
        )
    return rows


def _told_s(codec):
    """Return how long it takes until a converter in real time says that something is wrong [s]."""
    begun_s = time.monotonic()
    while time.monotonic() < begun_s + 5.0:
        try:
            codec.collect(time.monotonic() + 0.02)
        except ConverterError:
            return time.monotonic() - begun_s
    return math.inf


def child(runner, trials):
    """The real arecord on the real ALSA library: the child killed, stopped, its source silent, its source gone."""
    if shutil.which("arecord") is None:
        return [Row("real child", "arecord is not installed (alsa-utils)", "", 0, None)]
    cases = {
        "ended (unplug)": lambda capture, device: os.kill(capture.pid, signal.SIGKILL),
        "stopped": lambda capture, device: os.kill(capture.pid, signal.SIGSTOP),
        "its source silent": lambda capture, device: device.plays.clear(),
        "its source gone": lambda capture, device: device.unplug(),
    }
    rows = []
    for name, wrong in cases.items():
        took_s = []
        for number in range(trials):
            with tempfile.TemporaryDirectory(prefix="flattop-codec-") as folder:
                device = AlsaDevice(Path(folder), noise_words([runner.seed, number], 100 * PERIOD))
                capture = ArecordCapture("codec", environment=device.environment)
                codec = CodecConverter(capture, HostTime())
                try:
                    codec.collect(time.monotonic() + 0.3 + 0.01 * number)
                    wrong(capture, device)
                    took_s.append(_told_s(codec))
                finally:
                    codec.close()
                    device.close()
        rows.append(
            Row(
                f"time to tell, real time: child {name}",
                f"median {np.median(took_s):.3f}, worst {max(took_s):.3f} s",
                f"<= {LONGEST_S:g} s",
                len(took_s),
                max(took_s) <= LONGEST_S,
            )
        )
    return rows


def level_trial(seed):
    """Return errors of the RMS with an ideal 24-bit converter, and with a drawn board trimmed at 50 Hz; and THD."""
    rng = np.random.default_rng(seed)
    hz, volts = log_uniform(rng, 20, 20e3), log_uniform(rng, 20, 180)
    ideal = Bench(Wave(hz, volts * math.sqrt(2)), ideal=True)
    ideal.run(2.0)
    block = measure(ideal.codec.latest(0.25))
    drawn = Bench(Wave(hz, volts * math.sqrt(2)), seed=seed[-1])
    # As a trim finds it: what the path makes of 50 Hz against what is said of it.
    drawn.codec.trim(Input.SPEAKER, Trim(1.0 / abs(drawn.gain(Input.SPEAKER, 50.0)), 0.0023, calibrated=True))
    drawn.run(1.2)
    other = measure(drawn.codec.latest(0.25))
    stated = other.rms_u_v
    spread = 2.0 * other.samples.facts.spread_u(hz) * other.rms_v
    return (
        abs(block.rms_v / volts - 1.0),
        # As the harmonics were fitted: `thd` has the noise of a real converter taken out.
        float(np.linalg.norm(block.harmonics[2:]) / abs(block.harmonics[1])) if hz < 6e3 else 0.0,
        abs(other.rms_v / volts - 1.0),
        abs(other.rms_v - volts) <= math.hypot(stated, spread),
        (hz, volts),
    )


def level(runner, trials):
    found = runner.map(level_trial, trials, label=62)
    exact, thd, drawn, held, wave = zip(*found, strict=True)
    low = max(off for off, (hz, _) in zip(drawn, wave, strict=True) if hz <= 1e3)
    return [
        Row(
            "RMS, 20 Hz to 20 kHz, ideal 24-bit",
            f"worst {100 * max(exact):.4f} %",
            "<= 0.05 %",
            trials,
            max(exact) <= 5e-4,
        ),
        Row("THD floor of it, to 6 kHz", f"worst {100 * max(thd):.5f} %", "<= 0.01 %", trials, max(thd) <= 1e-4),
        Row("RMS, drawn boards trimmed at 50 Hz, to 1 kHz", f"worst {100 * low:.3f} %", "<= 1 %", trials, low <= 0.01),
        Row("the same, to 20 kHz", f"worst {100 * max(drawn):.3f} %", "<= 2 %", trials, max(drawn) <= 0.02),
        Row(
            "  within the stated uncertainty", f"{sum(held)} of {trials}", ">= 95 %", trials, sum(held) >= 0.95 * trials
        ),
    ]


def rate_trial(seed):
    """Return the error of the measured rate 1.5 s and 12 s after the start [ppm]."""
    bench = Bench(seed=seed[-1] + 1000 * seed[0])
    found = []
    for at_s in (1.5, 12.0):
        bench.run(at_s - bench.time.now_s())
        rate_hz = bench.codec.latest(0.1).quality.rate_hz
        found.append(1e6 * abs(rate_hz / bench.capture.true_rate_hz - 1.0))
    return found


def rate(runner, trials):
    found = np.array(runner.map(rate_trial, max(trials // 4, 4), label=63))
    return [
        Row(
            "rate after 1.5 s",
            f"worst {found[:, 0].max():.2f} ppm",
            "<= 50 ppm",
            len(found),
            bool(found[:, 0].max() <= 50),
        ),
        Row(
            "rate after 12 s",
            f"worst {found[:, 1].max():.2f} ppm",
            "<= 5 ppm",
            len(found),
            bool(found[:, 1].max() <= 5),
        ),
    ]


def cost(runner, trials):
    """What a second of frames costs, and a block of both inputs, in units of one rfft of 32,768 float64."""
    bench = Bench(Wave(40.0, 60.0), Wave(55.0, 3.0))
    bench.run(2.5)
    whole, whole_ms = in_units(lambda: bench.run(0.02))
    pair, pair_ms = in_units(lambda: bench.codec.latest_pair(0.25))
    # Frames as they came, for a converter that has seen none of them.
    bench.capture.start()
    arrivals = []
    while len(arrivals) < 400:
        arrival = bench.capture.take(bench.time.now_s() + 0.1)
        arrivals += [arrival] if arrival is not None else []
    fed, other = iter(arrivals), Bench().codec
    taken, taken_ms = in_units(lambda: (other._take_in(next(fed)), other._take_in(next(fed))))
    return [
        Row("simulated second, converter included", f"{50 * whole:.0f} units, {50 * whole_ms:.0f} ms", "", 9, None),
        Row("taking in a second of frames", f"{50 * taken:.1f} units, {50 * taken_ms:.1f} ms", "", 9, None),
        Row("a block of 0.25 s of both inputs", f"{pair:.2f} units, {pair_ms:.2f} ms", "", 9, None),
    ]


FIGURES = {"detection": detection, "child": child, "level": level, "rate": rate, "cost": cost}

if __name__ == "__main__":
    sys.exit(rig.main(__doc__, FIGURES, trials=40))
