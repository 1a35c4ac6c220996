"""Random vehicles, each with the plan of the tuner who comes to it; ranges are invented, within what the trade meets.

Source        1.8 to 4.5 V at full volume; its tops cut 0.6 to 1.8 dB below a full-scale tone there (planted: a source
              that clips), or 1 to 3 dB above; knee 0 to 0.02; volume smooth, or 30 to 60 steps of 0.5 to 1.5 dB
Tones         bass 32 to 55 Hz, mid 85 to 110 and 140 to 190 Hz, recorded 0 to -5 dBFS, one level for all
Level control 0.10 to 0.35 dB; cables 0.05 to 0.35 dB; right side within 0.02 dB of the left
Bass          two amplifiers that must agree, rails 95 to 170 V peak within 3 percent, knee 0 to 0.01; second harmonic
              to 0.0008; pots as found 3 to 9 dB down, fully up 1.5 to 5 dB past the rails at full volume
Voices        four channels on two pots, rails 26 to 40 V peak; the right of each pair within 0.02 dB of the left, or
              0.3 to 1.0 dB apart (planted: a mismatch); rails 0 to 1 dB an octave lower above 110 Hz
Residue       0.1 to 0.6 V peak at 36 to 40 kHz; d.c. within 20 mV; whine to 0.02 V with the charger on
Supply        12.4 to 12.8 V, or 13.6 to 14.4 V with the charger on, 2 to 6 milliohm
Faults        each with a chance of 0.4: a slipped clip, a fade, an end of the track, a wrong tone

With `full`, drawn after all of the above and from a generator of its own, so that the rest of a vehicle stays the same:

Bass          subsonic 17 to 30 Hz but at most 0.65 of the bass tone, low-pass 70 to 140 Hz, 12 or 24 dB/octave, either
              alignment; within 3 percent of what the plan states, or 8 to 25 percent off (planted: a corner)
Tops          a four-channel amplifier behind a cable of its own: two mids of one pot behind a high-pass of 200 to
              400 Hz, rails 26 to 40 V peak, 0 to 0.2 dB an octave lower above 1 kHz, or 0.5 to 1.0 dB (planted: flat
              at 3.5 kHz); two tweeters behind one of 2 to 3.5 kHz, rails 18 to 28 V peak; one in five reversed
Tones         the mid tones at 1 kHz and 3.5 kHz, one of 5 kHz for tweeters, of the same level as the others
Voices        rails at most 0.2 dB an octave lower, and from 1 kHz on
Noise         source 5 to 40 microvolt, each output 0.5 to 4 mV; hum 0.02 to 0.2 mV of 50 or 60 Hz in the cable of the
              tops; with the charger on, whine of three lines that follows an engine of 700 to 900, at most 1800 to
              3200 revolutions a minute
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import msgspec
import numpy as np

from flattop.simulated.vehicle_file import (
    Amplifier,
    Channel,
    Engine,
    Fault,
    Link,
    Source,
    Supply,
    Trouble,
    VehicleFile,
)
from flattop.tuning import plan as plans

CHANCE = 0.4
SOURCE, CONTROL = "Line source", "Level control"


@dataclass(frozen=True, slots=True)
class Drawn:
    """A vehicle, and the plan that is carried out on it."""

    vehicle: VehicleFile
    plan: plans.Plan
    planted: frozenset[str]
    """What is wrong with it: kinds of `Trouble`, "mismatch <pot>", "clipping source"; with `full` also "treble",
    "corner <output>" and "reversed <output>"."""


def draw(seed: int, *, smooth: bool = True, full: bool = False) -> Drawn:
    """Return the vehicle of a seed.

    smooth : the volume is a knob without steps
    full : with filters, mids and tweeters, hum, noise and an engine, for a meter with a full-band converter
    """
    rng = np.random.default_rng(seed)

    def between(low: float, high: float) -> float:
        return round(float(rng.uniform(low, high)), 5)

    def chance() -> bool:
        return bool(rng.random() < CHANCE)

    planted: set[str] = set()
    charger = chance()
    dbfs = float(rng.choice([0.0, -3.0, -5.0]))
    tones = (
        plans.Tone(name="bass tone", hz=round(between(32, 55), 1), dbfs=dbfs, band=plans.Band.BASS),
        plans.Tone(name="mid tone", hz=round(between(85, 110), 1), dbfs=dbfs, band=plans.Band.MID),
        plans.Tone(name="upper tone", hz=round(between(140, 190), 1), dbfs=dbfs, band=plans.Band.MID),
    )
    full_v = between(1.8, 4.5)
    clips = chance()
    if clips:
        planted.add("clipping source")
    # Against the tone as recorded, which is what is played.
    headroom_db = dbfs + (-between(0.6, 1.8) if clips else between(1.0, 3.0))
    rail_v = round(math.sqrt(2) * full_v * 10 ** (headroom_db / 20), 5)
    source = Source(
        name=SOURCE,
        full_v=full_v,
        rail_v=rail_v,
        knee=between(0.0, 0.02) if chance() else 0.0,
        right_db=between(-0.02, 0.02),
        steps=0 if smooth else int(rng.integers(30, 61)),
        step_db=round(between(0.5, 1.5), 1),
        found_db=round(between(-30, -18), 1),
        whine_v=between(0.0, 0.0005) if charger else 0.0,
    )
    links = (
        Link(name=CONTROL, after=SOURCE, loss_db=between(0.1, 0.35), right_db=between(-0.02, 0.02)),
        Link(name="Floor cable", after=CONTROL, loss_db=between(0.05, 0.35), right_db=between(-0.02, 0.02)),
        Link(name="Roof cable", after=CONTROL, loss_db=between(0.05, 0.35), right_db=between(-0.02, 0.02)),
    )
    # Peak that reaches the amplifiers at the highest volume at which the source is clean.
    line_v = min(math.sqrt(2) * full_v * 10 ** (dbfs / 20), rail_v) * 10 ** (-0.5 / 20)

    def output(rails_v: tuple[float, float], **more: object) -> Channel:
        peak_v = between(*rails_v)
        usual = {
            "rail_v": peak_v,
            "gain_db": round(20 * math.log10(peak_v / line_v) + between(1.5, 5.0), 4),
            "found_db": -between(3.0, 9.0),
            "knee": between(0.0, 0.01) if chance() else 0.0,
            "second": between(0.0, 0.0008),
            "dc_v": between(-0.02, 0.02),
            "residue_v": between(0.1, 0.6),
            "residue_hz": between(36e3, 40e3),
            "whine_v": between(0.0, 0.02) if charger else 0.0,
        }
        return msgspec.convert({**usual, **more}, Channel)

    rails_v = between(98.0, 165.0)
    amplifiers = [
        Amplifier(name=name, after="Floor cable", channels=(output((0.97 * rails_v, 1.03 * rails_v)),), idle_a=2.0)
        for name in ("Bass A", "Bass B")
    ]
    voices: list[Channel] = []
    for pot in ("stage", "street"):
        left = output((26.0, 40.0), name=f"{pot} L", side="left", pot=pot, treble_db=between(0, 1), treble_hz=110.0)
        apart_db = between(-0.02, 0.02)
        if chance():
            planted.add(f"mismatch {pot}")
            apart_db = between(0.3, 1.0) * (1 if rng.random() < 0.5 else -1)
        right = msgspec.structs.replace(
            left, name=f"{pot} R", side="right", gain_db=round(left.gain_db + apart_db, 4), dc_v=between(-0.02, 0.02)
        )
        voices += [left, right]
    amplifiers.append(Amplifier(name="Voices", after="Roof cable", channels=tuple(voices), idle_a=between(0.5, 2)))

    faults: list[Fault] = []
    outputs = ["Bass A", "Bass B", "Voices stage L", "Voices stage R", "Voices street L"]
    for what in (Trouble.SLIP, Trouble.FADE, Trouble.END, Trouble.WRONG_TONE):
        # One place for each, so that none hides another.
        place = outputs.pop(int(rng.integers(len(outputs))))
        bass = place.startswith("Bass")
        if chance():
            planted.add(str(what))
            faults.append(
                Fault(
                    what=what,
                    place=place,
                    after_s=round(between(0.4, 1.2), 2),
                    lasts_s=round(between(2.0, 4.0), 2),
                    other=tones[1 if bass else 0].name if what is Trouble.WRONG_TONE else "",
                )
            )
    vehicle = VehicleFile(
        name=f"drawn vehicle {seed}",
        source=source,
        links=links,
        amplifiers=tuple(amplifiers),
        faults=tuple(faults),
        supply=Supply(
            rest_v=round(between(13.6, 14.4) if charger else between(12.4, 12.8), 2),
            ohm=between(0.002, 0.006),
            whine_v=between(0.005, 0.05) if charger else 0.0,
            whine_hz=between(400.0, 900.0),
        ),
    )
    drawn = Drawn(vehicle, _plan(vehicle, tones, rng), frozenset(planted))
    return _with_tops(drawn, np.random.default_rng([seed, 1])) if full else drawn


def _plan(vehicle: VehicleFile, tones: tuple[plans.Tone, ...], rng: np.random.Generator) -> plans.Plan:
    """Return the tuner's plan: no truth but names, and ratings as they stand on the amplifiers."""
    # Printed on the amplifiers: from 20 % below what they can do to 20 % above, the same for those of one make.
    printed = {bass: float(rng.uniform(0.8, 1.2)) for bass in (True, False)}
    amplifiers = []
    for amplifier in vehicle.amplifiers:
        bass = amplifier.name.startswith("Bass")
        load_ohm = 2.0 if bass else 4.0
        make = vehicle.amplifiers[0] if bass else amplifier
        power_w = round(make.channels[0].rail_v ** 2 / 2 / load_ohm * printed[bass], -1)
        amplifiers.append(
            plans.Amplifier(
                name=amplifier.name,
                after=amplifier.after,
                channels=tuple(
                    plans.Channel(
                        name=channel.name,
                        band=plans.Band.BASS if bass else plans.Band.MID,
                        side=channel.side,
                        pot=channel.pot,
                        match="bass" if bass else "",
                        load_ohm=load_ohm,
                        power_w=power_w,
                    )
                    for channel in amplifier.channels
                ),
            )
        )
    return plans.Plan(
        name=vehicle.name,
        source=plans.Source(name=SOURCE, steps=vehicle.source.steps),
        tones=tones,
        links=tuple(plans.Link(name=link.name, after=link.after, loss_limit_db=0.5) for link in vehicle.links),
        amplifiers=tuple(amplifiers),
        limits=plans.Limits(overlap_db=-tones[0].dbfs),
    )


def _with_tops(drawn: Drawn, rng: np.random.Generator) -> Drawn:
    """Return a drawn vehicle with filters, mids and tweeters, and all that is heard without a tone."""

    def between(low: float, high: float) -> float:
        return round(float(rng.uniform(low, high)), 5)

    replace = msgspec.structs.replace
    planted, source, plan = set(drawn.planted), drawn.vehicle.source, drawn.plan
    # Peak that reaches the tops at the highest volume at which the source is clean.
    line_v = min(math.sqrt(2) * source.full_v * 10 ** (plan.tones[0].dbfs / 20), source.rail_v) * 10 ** (-0.5 / 20)

    def corner(label: str, stated_hz: float) -> float:
        if rng.random() >= CHANCE:
            return round(stated_hz * (1 + float(rng.uniform(-0.03, 0.03))), 2)
        planted.add(f"corner {label}")
        return round(stated_hz * (1 + float(rng.uniform(0.08, 0.25)) * (1 if rng.random() < 0.5 else -1)), 2)

    def kinds() -> dict[str, object]:
        return {"filter_kind": str(rng.choice(["butterworth", "linkwitz-riley"])), "noise_v": between(0.0005, 0.004)}

    amplifiers, planned = [], []
    for amplifier, in_plan in zip(drawn.vehicle.amplifiers, plan.amplifiers, strict=True):
        channels, outputs = amplifier.channels, in_plan.channels
        if amplifier.name.startswith("Bass"):
            subsonic_hz = round(min(between(17.0, 30.0), 0.65 * plan.tones[0].hz), 1)
            low_pass_hz = round(between(70.0, 140.0), 1)
            filters = {
                "subsonic_hz": corner(amplifier.name, subsonic_hz),
                "subsonic_slope": int(rng.choice([12, 24])),
                "low_pass_hz": round(low_pass_hz * (1 + float(rng.uniform(-0.03, 0.03))), 2),
                "low_pass_slope": int(rng.choice([12, 24])),
                # What the filters take from the tone the pot has to give.
                "gain_db": channels[0].gain_db + 3.0,
            }
            channels = (replace(channels[0], **filters, **kinds()),)
            outputs = (replace(outputs[0], subsonic_hz=subsonic_hz, low_pass_hz=low_pass_hz, quiet_db=60.0),)
        else:
            channels = tuple(
                replace(channel, treble_db=0.2 * channel.treble_db, treble_hz=1000.0, noise_v=between(0.0005, 0.004))
                for channel in channels
            )
        amplifiers.append(replace(amplifier, channels=channels))
        planned.append(replace(in_plan, channels=outputs))

    steep = rng.random() < CHANCE
    planted |= {"treble"} if steep else set()
    tops, wanted = [], []
    for pot, rails_v, crossing_hz, load_ohm in (
        ("mid", (26.0, 40.0), (200.0, 400.0), 4.0),
        ("high", (18.0, 28.0), (2000.0, 3500.0), 4.0),
    ):
        rail_v, stated_hz = between(*rails_v), round(between(*crossing_hz), -1)
        gain_db = round(20 * math.log10(rail_v / line_v) + between(3.0, 6.0), 4)
        found_db, treble_db = -between(4.0, 10.0), between(0.5, 1.0) if steep else between(0.0, 0.2)
        power_w = max(round(rail_v**2 / 2 / load_ohm * float(rng.uniform(0.8, 1.2)), -1), 10.0)
        for side in ("left", "right"):
            name = f"{pot} {side[0].upper()}"
            swapped = bool(rng.random() < 0.2)
            planted |= {f"reversed Tops {name}"} if swapped else set()
            held = {
                "name": name,
                "side": side,
                "pot": pot,
                "gain_db": round(gain_db + between(-0.02, 0.02), 4),
                "rail_v": rail_v,
                "found_db": found_db,
                "treble_db": treble_db if pot == "mid" else 0.0,
                "second": between(0.0, 0.0005),
                "residue_v": between(0.1, 0.3),
                "residue_hz": between(36e3, 40e3),
                "high_pass_hz": corner(f"Tops {name}", stated_hz),
                "reversed": "yes" if swapped else "no",
                **kinds(),
            }
            tops.append(msgspec.convert(held, Channel))
            wanted.append(
                plans.Channel(
                    name=name,
                    band=plans.Band.MID if pot == "mid" else plans.Band.HIGH,
                    side="left" if side == "left" else "right",
                    pot=pot,
                    load_ohm=load_ohm,
                    power_w=power_w,
                    subsonic_hz=stated_hz,
                    quiet_db=50.0,
                )
            )
    cable = Link(
        name="Tops cable",
        after=CONTROL,
        loss_db=between(0.05, 0.35),
        right_db=between(-0.02, 0.02),
        hum_v=between(2e-5, 2e-4),
        hum_hz=float(rng.choice([50.0, 60.0])),
    )
    amplifiers.append(Amplifier(name="Tops", after=cable.name, channels=tuple(tops), idle_a=between(0.5, 2.0)))
    planned.append(plans.Amplifier(name="Tops", after=cable.name, channels=tuple(wanted)))
    bass, mid, upper = plan.tones
    tones = (
        bass,
        replace(mid, hz=1000.0),
        replace(upper, hz=3500.0),
        plans.Tone(name="high tone", hz=5000.0, dbfs=bass.dbfs, band=plans.Band.HIGH),
    )
    vehicle = replace(
        drawn.vehicle,
        source=replace(source, noise_v=between(5e-6, 4e-5)),
        links=(*drawn.vehicle.links, cable),
        amplifiers=tuple(amplifiers),
        supply=replace(drawn.vehicle.supply, whine_harmonics=3, whine_fall_db=between(4.0, 12.0)),
        engine=Engine(idle_rpm=between(700.0, 900.0), top_rpm=between(1800.0, 3200.0), rise_s=between(3.0, 8.0)),
    )
    in_plan_cable = plans.Link(name=cable.name, after=cable.after, loss_limit_db=0.5)
    return Drawn(
        vehicle,
        replace(plan, tones=tones, links=(*plan.links, in_plan_cable), amplifiers=tuple(planned)),
        frozenset(planted),
    )
