"""False flags: what must never be called soft or flat, and what must always be called flat.

Every trial is a meter switched on cold with ten updates a second and the quick looks between them, as on the road.
One update is counted for each whole 0.25 s of a trial, the share of samples that no other counted update has; a flag
is counted wherever it comes, in any reading.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: the matrices are small

import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import rig
from rig import Bench, Row, Runner, Wave, draw, log_uniform

from flattop.measure.reading import Reason, Verdict
from flattop.samples import FloatArray
from flattop.simulated.frontend import Signal

TRIAL_S = 3.0
WINDOW_S = 0.25
FLAGS = {Verdict.SOFT, Verdict.FLAT}
HELD_S = 1.0
"""Hum on the third harmonic may be named, as soft, once it has stood this long [s]."""


@dataclass(frozen=True)
class Case:
    """What lies between the terminals, and what may be said of it."""

    signal: Signal
    what: str
    hum: bool = False
    """Soft is allowed from HELD_S on, with the reason that names hum."""
    held: bool = False
    """The widest range is kept."""
    banned: frozenset[Verdict] = frozenset(FLAGS)


Kind = Callable[[np.random.Generator], Case]


def tone(rng: np.random.Generator, *, low_hz: float = 20.0, high_hz: float = 80.0, low_v: float = 4.0) -> Wave:
    """Return a clean tone of up to 180 V rms."""
    hz = 40.0 if rng.random() < 0.3 else log_uniform(rng, low_hz, high_hz)
    return Wave(hz, log_uniform(rng, low_v, 255.0), phase=turn(rng))


def turn(rng: np.random.Generator) -> float:
    return float(rng.uniform(0.0, 2.0 * np.pi))


def told(wave: Wave, more: str = "") -> str:
    return f"{wave.hz:.3f} Hz {wave.volts:.2f} V peak {more}"


def line(hz: float, volts: float, phase: float, times_s: FloatArray) -> FloatArray:
    return volts * np.sin(2.0 * np.pi * hz * times_s + phase)


# -- must not ---------------------------------------------------------------------------------------------------------


def clean(rng: np.random.Generator) -> Case:
    """A clean tone anywhere in the band, with the d.c. that amplifiers have, and some noise of its own."""
    wave = tone(rng, low_hz=10.0, high_hz=300.0)
    offset_v = float(rng.normal(0.0, 0.02))
    return Case(lambda t: wave(t) + offset_v, told(wave))


def hum(rng: np.random.Generator) -> Case:
    """The 50 or 60 Hz family, 0.05 to 0.5 % of the tone in all."""
    wave = tone(rng)
    mains_hz = float(rng.choice([50.0, 60.0])) * (1.0 + float(rng.normal(0.0, 3e-4)))
    k = np.arange(1, 13)
    level = rng.exponential(1.0, len(k)) / k ** float(rng.uniform(0.0, 1.5))
    level *= log_uniform(rng, 5e-4, 5e-3) * wave.volts / np.linalg.norm(level)
    phases = rng.uniform(0.0, 2.0 * np.pi, len(k))

    def signal(t: FloatArray) -> FloatArray:
        return wave(t) + sum(line(n * mains_hz, v, p, t) for n, v, p in zip(k, level, phases, strict=True))

    return Case(
        signal, told(wave, f"mains {mains_hz:.3f} Hz, levels {np.round(100 * level / wave.volts, 3)} %"), hum=True
    )


def hum_on_third(rng: np.random.Generator) -> Case:
    """0.5 % of 120 Hz on 40 Hz, and its like on 33.3 Hz and 50 Hz: one line on the third harmonic."""
    mains_hz, k, hz = [(60.0, 2, 40.0), (50.0, 2, 100.0 / 3.0), (50.0, 3, 50.0), (60.0, 3, 60.0)][int(rng.integers(4))]
    mains_hz *= 1.0 + float(rng.normal(0.0, 3e-4))
    wave = Wave(hz, log_uniform(rng, 4.0, 255.0), phase=turn(rng))
    share, phase = (0.005 if rng.random() < 0.5 else log_uniform(rng, 5e-4, 5e-3)), turn(rng)
    return Case(
        lambda t: wave(t) + line(k * mains_hz, share * wave.volts, phase, t),
        told(wave, f"+ {100 * share:.2f} % of {k * mains_hz:.3f} Hz"),
        hum=True,
    )


def whine(rng: np.random.Generator) -> Case:
    """A line that moves with the engine, half of the time near a harmonic of the tone, with an overtone."""
    wave = tone(rng)
    near = float(rng.integers(2, 8)) * wave.hz + float(rng.normal(0.0, 2.0))
    start_hz = near if rng.random() < 0.5 else log_uniform(rng, 60.0, 1200.0)
    speed = float(rng.choice([-1.0, 1.0])) * log_uniform(rng, 0.5, 60.0)
    speed = abs(speed) if start_hz < 200.0 else speed
    share, overtone = log_uniform(rng, 5e-4, 0.01), float(rng.uniform(0.0, 0.5))
    phase = turn(rng)

    def signal(t: FloatArray) -> FloatArray:
        angle = 2.0 * np.pi * (start_hz * t + 0.5 * speed * t * np.abs(t)) + phase
        return wave(t) + share * wave.volts * (np.sin(angle) + overtone * np.sin(2.0 * angle))

    return Case(signal, told(wave, f"+ {100 * share:.2f} % from {start_hz:.1f} Hz at {speed:.2f} Hz/s"))


def class_d(rng: np.random.Generator) -> Case:
    """Residue of a switching amplifier above 30 kHz, which wanders; below the 48 kHz of the simulation's own grid."""
    wave = tone(rng)
    hz, wander_hz, residue_v = (
        float(rng.uniform(30e3, 44e3)),
        float(rng.uniform(0.0, 500.0)),
        log_uniform(rng, 0.1, 3.0),
    )
    rate, phase = float(rng.uniform(0.3, 5.0)), turn(rng)

    def signal(t: FloatArray) -> FloatArray:
        angle = 2.0 * np.pi * hz * t + wander_hz / rate * np.sin(2.0 * np.pi * rate * t) + phase
        return wave(t) + min(residue_v, 0.3 * wave.volts) * np.sin(angle)

    return Case(signal, told(wave, f"+ {residue_v:.2f} V at {hz:.0f} Hz"))


def second(rng: np.random.Generator) -> Case:
    """A second harmonic of 0.3 % at any phase."""
    wave = tone(rng)
    phase = turn(rng)
    wave = Wave(wave.hz, wave.volts, rig.with_second(np.sin, 0.003, phase), wave.phase)
    return Case(wave, told(wave, f"second at {phase:.3f} rad"))


def low_level(rng: np.random.Generator) -> Case:
    """From 20 codes peak on the widest or the narrowest range: clean or unknown, nothing else."""
    held = bool(rng.random() < 0.5)
    lsb_v = rig.WIDE_LSB_V if held else rig.NARROW_LSB_V
    hz = 40.0 if rng.random() < 0.3 else log_uniform(rng, 10.0, 100.0)
    wave = Wave(hz, log_uniform(rng, 20.0, 120.0) * lsb_v, phase=turn(rng))
    offset_v = float(rng.uniform(-1.0, 1.0)) * lsb_v
    return Case(
        lambda t: wave(t) + offset_v,
        told(wave, f"{wave.volts / lsb_v:.1f} codes {'wide' if held else 'narrow'}"),
        held=held,
        banned=frozenset({*FLAGS, Verdict.DISTORTED}),
    )


def fade(rng: np.random.Generator) -> Case:
    """A level that ramps or fades by up to 20 % a second, by equal steps or equal shares, holding now and then."""
    wave = tone(rng)
    speed = float(rng.uniform(-0.2, 0.2)) if rng.random() < 0.7 else float(rng.choice([-0.2, 0.2]))
    begin_s, end_s = float(rng.uniform(-1.0, 1.0)), float(rng.uniform(1.5, 4.0))
    even = bool(rng.random() < 0.5)
    top = max(np.exp(speed * (end_s - begin_s)), 1.0)
    volts = min(wave.volts, rig.HIGHEST_V / top)

    def signal(t: FloatArray) -> FloatArray:
        ramped_s = np.clip(t, begin_s, end_s) - begin_s
        level = 1.0 + speed * ramped_s if even else np.exp(speed * ramped_s)
        return level * volts / wave.volts * wave(t)

    return Case(signal, told(wave, f"{100 * speed:.1f} %/s from {begin_s:.2f} to {end_s:.2f} s"))


def steps(rng: np.random.Generator) -> Case:
    """Steps of 0.5 to 2 dB, up and down, every 0.3 to 1 s."""
    wave = tone(rng)
    at_s = np.cumsum(rng.uniform(0.3, 1.0, 10))
    levels_db = np.concatenate([[0.0], np.cumsum(rng.choice([-1.0, 1.0], 10) * rng.uniform(0.5, 2.0, 10))])
    levels_db -= levels_db.max()

    def signal(t: FloatArray) -> FloatArray:
        return 10.0 ** (levels_db[np.searchsorted(at_s, t)] / 20.0) * wave(t)

    return Case(signal, told(wave, f"steps at {np.round(at_s[at_s < TRIAL_S], 3)} s to {np.round(levels_db, 2)} dB"))


def wrong_rate(rng: np.random.Generator) -> Case:
    """A tone played a little fast or slow, by a player that wanders a little."""
    wave = tone(rng)
    wander, rate, phase = log_uniform(rng, 1e-5, 3e-4), float(rng.uniform(0.3, 3.0)), turn(rng)
    wave = Wave(wave.hz * (1.0 + float(rng.uniform(-0.005, 0.005))), wave.volts, phase=wave.phase)
    return Case(
        lambda t: wave(t + wander / (2.0 * np.pi * rate) * np.sin(2.0 * np.pi * rate * t + phase)),
        told(wave, f"wander {1e6 * wander:.0f} ppm at {rate:.2f} Hz"),
    )


def two_tones(rng: np.random.Generator) -> Case:
    """A second tone of 3 to 100 % that is no harmonic: more than 1 Hz from every multiple."""
    wave = tone(rng)
    while True:
        other_hz = wave.hz * float(rng.uniform(0.3, 6.0))
        if abs(other_hz - wave.hz * round(other_hz / wave.hz)) > 1.0 and other_hz > 10.0:
            break
    share, phase = log_uniform(rng, 0.03, 1.0), turn(rng)
    volts = wave.volts / (1.0 + share)
    return Case(
        lambda t: volts * (wave(t) / wave.volts + line(other_hz, share, phase, t)),
        told(wave, f"+ {100 * share:.1f} % of {other_hz:.3f} Hz"),
    )


def music(rng: np.random.Generator) -> Case:
    """Notes of a bass and a drum's noise: partials that come and go, 30 to 400 Hz, no limiter anywhere."""
    step_s = 1.0 / 12_000.0
    at_s = np.arange(-0.1, TRIAL_S + 0.5, step_s)
    volts = np.zeros_like(at_s)
    now_s = -0.1
    while now_s < TRIAL_S + 0.5:
        lasts_s = float(rng.uniform(0.12, 0.8))
        note_hz = 31.0 * 2.0 ** (float(rng.integers(0, 25)) / 12.0)
        inside = (at_s >= now_s) & (at_s < now_s + lasts_s)
        t = at_s[inside] - now_s
        struck, decay_s = np.minimum(t / 0.01, 1.0) * float(rng.uniform(0.3, 1.0)), float(rng.uniform(0.1, 1.5))
        for k in range(1, 7):
            # Upper partials of a string die away sooner.
            volts[inside] += (
                struck
                * np.exp(-t * np.sqrt(k) / decay_s)
                * line(k * note_hz, float(rng.uniform(0.0, 1.0)) / k**1.3, turn(rng), t)
            )
        if rng.random() < 0.4:
            noise = np.convolve(rng.normal(0.0, 1.0, len(t)), np.ones(20) / 20.0, mode="same")[: len(t)]
            volts[inside] += noise * np.exp(-t / 0.05)
        now_s += lasts_s
    volts *= log_uniform(rng, 5.0, 200.0) / np.max(np.abs(volts))
    return Case(lambda t: np.interp(t, at_s, volts), "music")


def triangle(rng: np.random.Generator) -> Case:
    """A triangle: distorted, but no top is missing."""
    wave = tone(rng, low_v=10.0)
    wave = Wave(wave.hz, min(wave.volts, 200.0), rig.triangle, wave.phase)
    return Case(wave, told(wave))


MUST_NOT: tuple[Kind, ...] = (
    clean,
    hum,
    hum_on_third,
    whine,
    class_d,
    second,
    low_level,
    fade,
    steps,
    wrong_rate,
    two_tones,
    music,
    triangle,
)


def must_not_trial(seed: list[int]) -> tuple[str, int, list[tuple[float, str, str]], int, str, Counter[str]]:
    """Return (kind, updates, [(time, verdict, reason) of each false flag], times hum was named, case, verdicts)."""
    rng, board, wired = draw(seed)
    kind = MUST_NOT[seed[-1] // 2 % len(MUST_NOT)]
    case = kind(rng)
    bench = Bench.build(case.signal, seed=seed, board=board, wired=wired, held=case.held)
    false, named = [], 0
    verdicts: Counter[str] = Counter()
    for reading in bench.readings(TRIAL_S):
        verdicts[str(reading.verdict)] += 1
        if reading.verdict not in case.banned:
            continue
        if (
            case.hum
            and reading.verdict is Verdict.SOFT
            and reading.reason is Reason.THIRD_ONLY
            and reading.time_s > HELD_S
        ):
            named += 1
        else:
            false.append((round(reading.time_s, 3), str(reading.verdict), str(reading.reason)))
    return kind.__name__, int(TRIAL_S / WINDOW_S), false, named, case.what, verdicts


def must_not(runner: Runner, trials: int) -> list[Row]:
    found = runner.map(must_not_trial, trials, label=31)
    rows, total = [], 0
    for kind in MUST_NOT:
        some = [(n, one) for n, one in enumerate(found) if one[0] == kind.__name__]
        updates = sum(one[1] for _, one in some)
        total += updates
        flagged = [(n, one) for n, one in some if one[2]]
        named = sum(one[3] > 0 for _, one in some)
        verdicts = sum((one[5] for _, one in some), Counter())
        shares = ", ".join(f"{100 * c / verdicts.total():.0f} % {v}" for v, c in verdicts.most_common())
        note = f"; hum named in {named}" if named else ""
        rows.append(
            Row(
                f"false flags, {kind.__name__}",
                f"{len(flagged)} of {len(some)} trials{note} ({shares})",
                "0",
                updates,
                not flagged,
            )
        )
        rows += [
            Row(f"  [S, 31, {n}]", f"{len(one[2])} flags, first {one[2][0]}; {one[4]}"[:150], "", 0, None)
            for n, one in flagged[:8]
        ]
    false = sum(bool(one[2]) for one in found)
    bound = -np.log(0.05) / max(total, 1)
    rows.append(
        Row("false flags, all kinds", f"{false} trials (none: rate below {bound:.1e} at 95 %)", "0", total, not false)
    )
    return rows


# -- must -------------------------------------------------------------------------------------------------------------


def loud(rng: np.random.Generator, shape: rig.Shape) -> Wave:
    unit = Wave(1.0, 1.0, shape)
    hz = 40.0 if rng.random() < 0.3 else float(rng.uniform(20.0, 80.0))
    return Wave(hz, log_uniform(rng, 4.0, 250.0) / unit.peak_v, shape, turn(rng))


def some_thd(rng: np.random.Generator) -> float:
    """Return a THD of 1 % and more, in one of three trials just that."""
    return 0.0101 if rng.random() < 0.33 else log_uniform(rng, 0.0101, 0.2)


def hard_both(rng: np.random.Generator) -> Case:
    wave = loud(rng, rig.with_thd(rig.hard, some_thd(rng), low=0.0, high=0.8))
    return Case(wave, told(wave, f"THD {100 * rig.thd(wave.shape):.2f} %"))


def hard_one(rng: np.random.Generator) -> Case:
    family = rig.upper if rng.random() < 0.5 else rig.lower
    wave = loud(rng, rig.with_thd(family, min(some_thd(rng), 0.12), low=0.0, high=0.8))
    return Case(wave, told(wave, f"THD {100 * rig.thd(wave.shape):.2f} %"))


def knees(rng: np.random.Generator) -> Case:
    name = str(rng.choice([*rig.KNEES, "parabolic"]))
    if name == "parabolic":
        shape = rig.with_thd(rig.parabolic, some_thd(rng), low=-0.2, high=0.8)
    else:
        shape = rig.with_thd(rig.knee(name), some_thd(rng), low=1e-3, high=20.0)
    wave = loud(rng, shape)
    return Case(wave, told(wave, f"{name} THD {100 * rig.thd(shape):.2f} %"))


def noisy(rng: np.random.Generator) -> Case:
    """A hard clip with noise of 0.1 % of full scale on everything, tops included."""
    case_wave = loud(rng, rig.with_thd(rig.hard, some_thd(rng), low=0.0, high=0.8))
    wave = Wave(case_wave.hz, max(case_wave.volts, 40.0), case_wave.shape, case_wave.phase)
    step_s = 1.0 / 6000.0
    # Evenly spread up to 3 kHz, so that what the path leaves of it is known.
    noise_v = rng.normal(0.0, 0.001 * 2047 * rig.WIDE_LSB_V, int((TRIAL_S + 1.0) / step_s))
    at_s = np.arange(len(noise_v)) * step_s - 0.5
    return Case(lambda t: wave(t) + np.interp(t, at_s, noise_v), told(wave, f"THD {100 * rig.thd(wave.shape):.2f} %"))


def square(rng: np.random.Generator) -> Case:
    """A square with the edges that a real amplifier has: 20 us."""
    hz, volts, phase = float(rng.uniform(20.0, 80.0)), log_uniform(rng, 4.0, 200.0), turn(rng)
    edge = 2.0 * np.pi * hz * 20e-6
    return Case(
        lambda t: volts * np.clip(np.sin(2.0 * np.pi * hz * t + phase) / edge, -1.0, 1.0), f"{hz:.2f} Hz {volts:.1f} V"
    )


MUST: tuple[Kind, ...] = (hard_both, hard_one, knees, noisy, square)
SETTLED_S = 1.5
"""By now a finding that hum could explain has stood for its second, too [s]."""
MUST_S = 2.5


def must_trial(seed: list[int]) -> tuple[str, int, int, Counter[str], str]:
    """Return (kind, readings once settled, of which flat, what the others said, case)."""
    rng, board, wired = draw(seed)
    kind = MUST[seed[-1] // 2 % len(MUST)]
    case = kind(rng)
    bench = Bench.build(case.signal, seed=seed, board=board, wired=wired)
    said = [r for r in bench.readings(MUST_S) if r.time_s > SETTLED_S]
    other = Counter(f"{r.verdict}: {r.reason}".rstrip(": ") for r in said if r.verdict is not Verdict.FLAT)
    return kind.__name__, len(said), len(said) - other.total(), other, case.what


def comes_and_goes_trial(seed: list[int]) -> tuple[bool, float, str]:
    """Return (called flat, how long flat was shown after the clip [s], case) for a clip that lasts 0.15 to 0.8 s."""
    rng, board, wired = draw(seed)
    hz, phase, volts = 40.0, turn(rng), log_uniform(rng, 10.0, 200.0)
    begin_s = float(rng.uniform(1.2, 1.5))
    end_s = begin_s + float(rng.uniform(0.15, 0.8))
    over_db, under_db = float(rng.uniform(1.0, 3.0)), float(rng.uniform(0.5, 3.0))

    def signal(t: FloatArray) -> FloatArray:
        drive_db = np.where((t >= begin_s) & (t < end_s), over_db, -under_db)
        return np.clip(volts * 10.0 ** (drive_db / 20.0) * np.sin(2.0 * np.pi * hz * t + phase), -volts, volts)

    bench = Bench.build(signal, seed=seed, board=board, wired=wired)
    flat = [r.time_s for r in bench.readings(end_s + 2.5) if r.verdict is Verdict.FLAT]
    what = f"{over_db:.2f} dB for {1e3 * (end_s - begin_s):.0f} ms at {volts:.1f} V"
    return bool(flat) and min(flat) > begin_s, (max(flat) - end_s if flat else 0.0), what


def must(runner: Runner, trials: int) -> list[Row]:
    found = runner.map(must_trial, trials, label=32)
    rows = []
    for kind in MUST:
        some = [(n, one) for n, one in enumerate(found) if one[0] == kind.__name__]
        readings, flat = (sum(one[i] for _, one in some) for i in (1, 2))
        other = sum((one[3] for _, one in some), Counter())
        failed = [(n, one) for n, one in some if one[2] < one[1] or not one[1]]
        said = "; ".join(f"{c} {k}" for k, c in other.most_common(3))
        rows.append(
            Row(f"must be flat, {kind.__name__}", f"{flat} of {readings} readings {said}", "all", readings, not failed)
        )
        rows += [Row(f"  [S, 32, {n}]", f"{one[2]} of {one[1]}; {one[4]}", "", 0, None) for n, one in failed[:8]]
    gone = runner.map(comes_and_goes_trial, max(trials // 5, 4), label=33)
    missed = [n for n, (called, _, _) in enumerate(gone) if not called]
    shown = np.array([after for called, after, _ in gone if called])
    rows.append(
        Row(
            "must be flat, a clip that comes and goes",
            f"{len(gone) - len(missed)} of {len(gone)}, latched {shown.min():.2f} to {shown.max():.2f} s after its end",
            "all",
            len(gone),
            not missed,
        )
    )
    rows += [Row(f"  [S, 33, {n}]", gone[n][2], "", 0, None) for n in missed[:8]]
    return rows


FIGURES = {"must_not": must_not, "must": must}

if __name__ == "__main__":
    # 8,400 trials of 12 updates make 100,800 updates; each figure takes what --trials says.
    sys.exit(rig.main(__doc__, FIGURES, trials=8_400))
