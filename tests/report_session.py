"""A session folder with a whole tuning run in it, as the meter leaves one on its card: an invented street-theatre van.

Every level comes from the meter's own measuring of a made wave through the simulated bass converter; every difference,
uncertainty and judgement is worked out from those here, by the rules of the job and not by the code that is tested.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import lru_cache

import msgspec
import numpy as np

from blocks import BASS_RATE_HZ, bass, bass_facts, block, judged, sine, tone
from flattop.measure.alignment import NAMED, Side, level_db
from flattop.measure.between import Between, Doubt, Polarity
from flattop.measure.noise import BLOCK_S, UPDATE_S, Listener
from flattop.measure.response import QUIET_S, Point, Sweep
from flattop.record.logbook import wave_name, wave_table
from flattop.record.run_answers import noise_from, response_from
from flattop.record.run_file import Finding, Kept, MeterState, Note, Run, Started, Step, kept_from, save
from flattop.record.stamps import Trust, Wall
from flattop.samples import Clock, Input, Quality

BEGAN_S = 1_795_602_600.0
"""2026-11-25T10:30:00Z."""
GAIN_U = 0.0012
LINE_LSB_V = 0.0115

PLAIN = {
    "system": "Street-theatre van",
    "source": "Line source",
    "control": "Level control",
    "lead": "Rear lead, 6 m",
    "a": "Bass A",
    "b": "Bass B",
    "four": "Four-channel",
    "pair": ("Low left", "Low right"),
    "mid": ("Mid left", "Mid right"),
    "bass tone": "40 Hz",
    "mid tone": "1 kHz",
    "note": "Sound level at the back door before: 96 dBA; after: 97 dBA.",
}
HOSTILE = {
    "system": "<script>alert(1)</script> van \u202e\u0007",
    "source": '" onload="alert(2)',
    "control": "'; DROP TABLE x; -- & <b>",
    "lead": "Verylongnamewithoutanyplacetobreakit" * 4,
    "a": "مضخم الجهير ١",
    "b": "低音アンプ二号 / 低音功放",
    "four": "</style></title>{{ 7 * 7 }}{% raw %}",
    "pair": ("=1+1", "Tieftöner “rechts”"),
    "mid": ("Μεσαία αριστερά", "Середина справа"),
    "bass tone": "<40> Hz",
    "mid tone": "1\u00a0kHz & more",
    "note": "<img src=x onerror=alert(3)>\nsecond line of the note, &amp; an entity",
}


@lru_cache(maxsize=128)
def reading_of(level_v, *, hz=40.0, rail_v=math.inf, low_rail_v=None, input=Input.SPEAKER, calibrated=True):
    """Return the meter's reading of a sine of `level_v` rms that is held at the rails [V peak]."""
    low_v = rail_v if low_rail_v is None else low_rail_v
    line = input is Input.LINE
    lsb_v = LINE_LSB_V if line else 0.137 if level_v > 60 else 0.0685 if level_v > 30 else 0.0343
    facts = bass_facts(
        lsb_v=lsb_v,
        input=input,
        gain_u=GAIN_U if calibrated else 0.0075,
        response_u=0.001,
        calibrated=calibrated,
        simulated=True,
    )
    wave = tone(sine, hz=hz, volts=level_v * math.sqrt(2.0))
    taken = bass(lambda t: np.clip(wave(t), -low_v, rail_v), facts=facts, span_s=0.6, seed=round(level_v * 100))
    return judged(taken)[-1]


@lru_cache(maxsize=8)
def swept(high_hz, low_hz):
    """Return what a slow sweep shows of a Butterworth high-pass and a Linkwitz-Riley low-pass, both 24 dB/octave."""
    sweep, rng = Sweep(), np.random.default_rng(1)
    for number, hz in enumerate(np.geomspace(12.0, 250.0, 300)):
        db = level_db(hz=hz, corner_hz=high_hz, shape=NAMED[1], side=Side.HIGH_PASS)
        db = db + level_db(hz=hz, corner_hz=low_hz, shape=NAMED[3], side=Side.LOW_PASS)
        volts = 60.0 * 10.0 ** (float(db) / 20.0) + 0.05 * rng.standard_normal()
        sweep.add(Point(0.1 * number, float(hz), 0.1 * float(hz), max(volts, 0.01), 0.05))
    return sweep.state(30.0 + 2.0 * QUIET_S)


@lru_cache(maxsize=8)
def listened(tone_v):
    """Return what the bass converter hears of hum at 50 Hz and noise, on its narrowest range."""
    facts = bass_facts(lsb_v=0.0043, simulated=True, calibrated=True)

    def signal(t):
        return 0.03 * math.sqrt(2.0) * (np.sin(2 * np.pi * 50.0 * t) + 0.4 * np.sin(2 * np.pi * 150.0 * t))

    times_s, volts, facts = bass(signal, span_s=5.0, seed=3, facts=facts, noise_lsb=2.0)
    listener = Listener(tone_v=tone_v)
    for end_s in np.arange(BLOCK_S, times_s[-1], UPDATE_S):
        inside = slice(*np.searchsorted(times_s, [end_s - BLOCK_S, end_s]))
        samples = block((times_s[inside], volts[inside], facts), clock=Clock.LOCKED)
        found = listener.listen(replace(samples, quality=Quality(BASS_RATE_HZ, Clock.LOCKED)))
    return found


@dataclass
class Builder:
    """Collects what a run keeps."""

    names: dict
    trust: Trust = Trust.CHIP
    calibrated: bool = True
    steps: list[Step] = field(default_factory=list)
    kept: list[Kept] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    waves: dict[str, bytes] = field(default_factory=dict)
    responses: list = field(default_factory=list)
    noises: list = field(default_factory=list)

    def note(self, step, *, response=None, noise=None):
        reading = reading_of(0.0, calibrated=self.calibrated)
        about = {"step": step, "reading": reading, "wall": Wall(BEGAN_S + 1000.0, self.trust)}
        if response is not None:
            self.responses.append(response_from(response, **about))
        if noise is not None:
            self.noises.append(noise_from(noise, **about))

    def step(self, kind, place, channel="", side="", tone_name="", *, state="done", text="", why=""):
        where = f"{place}/{channel}" if channel else place
        name = ":".join(part for part in (kind, where, text, side, tone_name) if part)
        self.steps.append(
            Step(
                id=name,
                kind=kind,
                place=place,
                channel=channel,
                side=side,
                tone=tone_name,
                state=state,
                text=text,
                why=why,
            )
        )
        return name

    def keep(self, step, level_v, *, no_load=False, ceiling=None, volume_step=None, wave=True, gain_db=None, **signal):
        number = len(self.kept) + 1
        reading = reading_of(level_v, calibrated=self.calibrated, **signal)
        if gain_db is not None:
            both = Between(reading.hz, gain_db, 0.06, 3.0, 0.5, Polarity.SAME, Doubt.NONE)
            reading = replace(reading, between=both)
        name = wave_name(number) if wave and reading.tops is not None else ""
        if name:
            self.waves[name] = wave_table(reading.tops)
        entry = kept_from(
            reading,
            step=step,
            number=number,
            wave=name,
            wall=Wall(BEGAN_S + 40.0 * number, self.trust),
            no_load=no_load,
            u_common_rel=2.0 * GAIN_U,
            ceiling_v=ceiling.rms_v if ceiling is not None else math.nan,
            ceiling_u_v=ceiling.u_v if ceiling is not None else math.nan,
            volume_step=volume_step,
        )
        self.kept.append(entry)
        return entry

    def judge(self, what, where, value, u, limit, unit, text, *, causes=(), no_load=False, judgement=""):
        if not judgement:
            # JCGM 106:2012, guard bands on both sides of the limit.
            judgement = "pass" if abs(value) + u <= limit else "fail" if abs(value) - u > limit else "cannot tell"
        self.findings.append(
            Finding(
                what=what,
                where=tuple(where),
                judgement=judgement,
                value=None if value is None else round(value, 6),
                u=None if u is None else round(u, 6),
                limit=limit,
                unit=unit,
                text=text,
                causes=tuple(causes),
                no_load=no_load,
            )
        )


def db(after, before):
    """Return the level of one kept reading over another [dB], and its expanded uncertainty without the common part."""
    own = [math.sqrt(max((k.u_v / k.rms_v) ** 2 - k.u_common_rel**2, 0.0)) for k in (after, before)]
    return 20.0 * math.log10(after.rms_v / before.rms_v), 20.0 / math.log(10.0) * math.hypot(*own)


def plan_of_the_van(names):
    channel = {"load_ohm": 4.0, "pot": "", "match": "", "side": "both"}
    pair = [
        channel | {"name": name, "band": "bass", "power_w": 75.0, "pot": "low", "side": side}
        for name, side in zip(names["pair"], ("left", "right"), strict=True)
    ]
    mids = [
        channel | {"name": name, "band": "mid", "power_w": 75.0, "pot": "mid", "side": side}
        for name, side in zip(names["mid"], ("left", "right"), strict=True)
    ]
    pair[0]["quiet_db"] = 50.0
    big = channel | {"name": "", "band": "bass", "power_w": 1200.0, "match": "bass"}
    big |= {"subsonic_hz": 28.0, "low_pass_hz": 90.0}
    return {
        "name": names["system"],
        "source": {"name": names["source"], "sides": "both", "steps": 40},
        "tones": [
            {"name": names["bass tone"], "hz": 40.0, "dbfs": 0.0, "band": "bass"},
            {"name": names["mid tone"], "hz": 1000.0, "dbfs": -5.0, "band": "mid"},
        ],
        "links": [
            {"name": names["control"], "after": names["source"], "loss_limit_db": 0.5, "sides": "both"},
            {"name": names["lead"], "after": names["control"], "loss_limit_db": 0.2, "sides": "both"},
        ],
        "amplifiers": [
            {"name": names["a"], "after": names["lead"], "channels": [big]},
            {"name": names["b"], "after": names["lead"], "channels": [big]},
            {"name": names["four"], "after": names["control"], "channels": pair + mids},
        ],
        "limits": {"pair_v": 0.02, "match_v": 0.1, "target_v": 0.1},
        "notes": "Engine off, charger connected.",
        "a key of a later plan": [1, 2, 3],
    }


def _links(run, names):
    levels = {}
    tone_name = names["bass tone"]
    for side, volts in (("left", 3.412), ("right", 3.405)):
        step = run.step("source", names["source"], side=side, tone_name=tone_name)
        levels[names["source"], side] = run.keep(step, volts, input=Input.LINE, volume_step=34)
    for name, after, limit_db, volts in (
        (names["control"], names["source"], 0.5, (3.318, 3.309)),
        (names["lead"], names["control"], 0.2, (3.2425, 3.128)),
    ):
        for side, level_v in zip(("left", "right"), volts, strict=True):
            entry = run.keep(run.step("link", name, side=side, tone_name=tone_name), level_v, input=Input.LINE)
            levels[name, side] = entry
            change, u = db(entry, levels[after, side])
            run.judge(
                "link loss", [f"{name} {side[0].upper()}"], -change, u, limit_db, "dB",
                f"{side} side, against the level before it",
                causes=["a corroded plug", "a kinked or crushed lead"] if -change > limit_db else [],
            )  # fmt: skip
        left, right = levels[name, "left"], levels[name, "right"]
        u = math.hypot(*(math.sqrt(max(k.u_v**2 - (k.u_common_rel * k.rms_v) ** 2, 0.0)) for k in (left, right)))
        run.judge(
            "pair",
            [f"{name} L", f"{name} R"],
            left.rms_v - right.rms_v,
            u,
            0.02,
            "V",
            "left against right after this link",
        )


def _bass(run, names, place, found_v, left_v, rail_v):
    tone_name = names["bass tone"]
    found = run.keep(run.step("found", place, tone_name=tone_name), found_v, rail_v=rail_v, no_load=True)
    ceiling = run.keep(run.step("set", place, tone_name=tone_name), rail_v / math.sqrt(2.0) * 0.985, no_load=True)
    left = run.keep(
        run.step("left", place, tone_name=tone_name),
        left_v,
        rail_v=rail_v,
        no_load=True,
        ceiling=ceiling,
        gain_db=26.31,
    )
    change, u = db(left, ceiling)
    run.judge("ceiling", [place], change, u, 0.3, "dB", "as left, against the highest clean level", no_load=True)
    return found, left


def _filters(run, names):
    """Sweep the first bass output as found and as left; of the other one no sweep came the second time."""
    tone_name, stated = names["bass tone"], {"subsonic": 28.0, "low-pass": 90.0}
    for place, corners in ((names["a"], ((28.1, 118.0), (28.1, 91.0))), (names["b"], ((41.0, 91.0), None))):
        for text, both in zip(("as found", "as left"), corners, strict=True):
            state = {} if both is not None else {"state": "could not", "why": "no sweep came within 60 s"}
            step = run.step("filter", place, tone_name=tone_name, text=text, **state)
            if both is None:
                continue
            shown = swept(*both)
            run.note(step, response=shown)
            if text == "as found":
                continue
            for name, corner in zip(stated, shown.fit.corners, strict=True):
                value = 100.0 * (corner.corner_hz - stated[name]) / stated[name]
                u = 100.0 * (corner.corner_u_hz + shown.lag * corner.corner_hz) / stated[name]
                run.judge("corner", [place, name], value, u, 5.0, "%", "as left, against the plan", no_load=True)


def _noise(run, names):
    left = next(
        kept for kept in run.kept if kept.step == f"left:{names['four']}/{names['pair'][0]}:left:{names['bass tone']}"
    )
    step = run.step("quiet", names["four"], names["pair"][0], "left", names["bass tone"])
    heard = listened(left.rms_v)
    run.note(step, noise=heard)
    value = 20.0 * math.log10(left.rms_v / heard.total.volts)
    run.judge(
        "noise", [f"{names['four']} {names['pair'][0]}"], value, 0.5, 50.0, "dB", "below its tone as left",
        judgement="pass" if value - 0.5 >= 50.0 else "fail", no_load=True,
    )  # fmt: skip


def _pair(run, names):
    four, tone_name = names["four"], names["bass tone"]
    kept = {}
    for kind, volts in (("found", (18.92, 20.01)), ("set", (16.52, 17.50)), ("left", (16.50, 17.49))):
        for name, side, level_v in zip(names["pair"], ("left", "right"), volts, strict=True):
            step = run.step(kind, four, name, side, tone_name)
            kept[kind, side] = run.keep(step, level_v, rail_v=26.8, low_rail_v=25.9, no_load=True)
    change, u = db(kept["left", "left"], kept["left", "right"])
    run.judge(
        "not adjustable here", [f"{four} {name}" for name in names["pair"]], change, u, 0.1, "dB",
        "the two sides share one gain pot and differ; the pot moves both",
        causes=["tolerance of the pot's two tracks", "a tone or balance control that is not flat",
                "a loss in one of the leads", "a fault in one channel"],
        no_load=True,
    )  # fmt: skip


def build(folder, *, names=PLAIN, trust=Trust.CHIP, calibrated=True, waves=True):
    """Write run.json and the waves into `folder`, which is made if need be, and return the run."""
    folder.mkdir(parents=True, exist_ok=True)
    run = Builder(names, trust, calibrated)
    for text in ("tone controls flat", "effects off", "speakers off", "gain down, amp muted"):
        run.step("check", "", text=text, state="skipped" if text == "effects off" else "done")
    run.keep(run.step("supply", "supply", text="at rest"), 0.0, wave=False)
    run.kept[-1] = _supply(run.kept[-1], 12.62)
    _links(run, names)
    bass_a = _bass(run, names, names["a"], 71.3, 66.2, 96.4)
    bass_b = _bass(run, names, names["b"], 69.8, 66.22, 97.1)
    _, u = db(bass_a[1], bass_b[1])
    difference_v = bass_a[1].rms_v - bass_b[1].rms_v
    u_v = u * math.log(10.0) / 20.0 * bass_a[1].rms_v
    run.judge(
        "match", [names["a"], names["b"]], difference_v, u_v, 0.1, "V", "as left, against each other", no_load=True
    )
    _pair(run, names)
    outside = "outside this converter's band"
    for kind in ("found", "set", "left"):
        for name, side in zip(names["mid"], ("left", "right"), strict=True):
            run.step(kind, names["four"], name, side, names["mid tone"], state="could not", why=outside)
    for name in names["mid"]:
        run.judge(
            "ceiling", [f"{names['four']} {name}"], None, None, None, "",
            f"1000 Hz is {outside}, 10 to 300 Hz", judgement="cannot tell", no_load=True,
        )  # fmt: skip
    run.keep(run.step("supply", "supply", text="under tone"), 0.0, wave=False)
    run.kept[-1] = _supply(run.kept[-1], 12.18)
    _filters(run, names)
    _noise(run, names)
    for place in (names["a"], names["b"], names["four"]):
        run.step("reconnect", place, text="speakers on, + to +", state="open" if place == names["four"] else "done")
    run.steps.append(run.steps.pop(4))  # a supply step may be taken later than planned
    record = Run(
        plan=plan_of_the_van(names),
        meter=MeterState(
            serial="SIM-7",
            versions={"flattop": "0.3", "python": "3.11"},
            calibrated_on="2026-08-14" if calibrated else None,
            calibrated_days=103 if calibrated else None,
            simulated=True,
            limits={"flat_db": 0.25, "soft_db": 0.08, "flat_thd_pct": 1.0},
        ),
        started=Started(
            wall_time="2026-11-25T10:30:00.000Z", wall_trust=trust, boot_id="0c1f-made-up", monotonic_s=812.25
        ),
        steps=tuple(run.steps),
        kept=tuple(run.kept),
        responses=tuple(run.responses),
        noises=tuple(run.noises),
        findings=tuple(run.findings),
        notes=(Note(wall_time="2026-11-25T11:20:00Z", text=names["note"]),),
    )
    save(folder, record)
    if waves:
        for name, content in run.waves.items():
            (folder / name).write_bytes(content)
    return record


def _supply(entry, volts):
    return msgspec.structs.replace(entry, dc_v=volts, rms_v=0.021, u_v=0.15)
