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
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import msgspec
import numpy as np

from flattop.simulated.vehicle_file import Amplifier, Channel, Fault, Link, Source, Supply, Trouble, VehicleFile
from flattop.tuning import plan as plans

CHANCE = 0.4
SOURCE, CONTROL = "Line source", "Level control"


@dataclass(frozen=True, slots=True)
class Drawn:
    """A vehicle, and the plan that is carried out on it."""

    vehicle: VehicleFile
    plan: plans.Plan
    planted: frozenset[str]
    """What is wrong with it: kinds of `Trouble`, "mismatch <pot>", "clipping source"."""


def draw(seed: int, *, smooth: bool = True) -> Drawn:
    """Return the vehicle of a seed.

    smooth : the volume is a knob without steps
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
    return Drawn(vehicle, _plan(vehicle, tones, rng), frozenset(planted))


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
