"""The figures of safety.md: limits, insulation gaps, protective impedance, touch current, faults and tests."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass

from note_front_end import (
    BARRIER_F,
    CLAMP_V,
    HARDWARE,
    HAZARD_RMS_V,
    LIMIT_MA,
    LINE,
    LINE_RMS_V,
    PERSON_OHM,
    SPEAKER,
    SPEAKER_PEAK_V,
    SPEAKER_RMS_V,
    STRAY_F,
    Side,
    across,
    full_scale_v,
    island,
    resistance,
    rows_of,
    table,
    value,
)
from note_nodal import SHORT_OHM, Part, Source, failed, solve


def limits() -> str:
    """Return every limit with its source and its tag."""
    rows = [(row["group"], row["what"], row["limit"], row["tag"], row["source"]) for row in rows_of("limits.csv")]
    return table(("", "What", "Limit", "Tag", "Source"), rows)


@dataclass(frozen=True, slots=True)
class Gap:
    """One distance of the board or the case, in mm."""

    id: str
    between: str
    insulation: str
    rms_v: float
    """Row of the table of creepage [V]."""
    peak_v: float
    """Row of the table of clearances [V]."""
    creepage_mm: float
    dirty_mm: float
    """Creepage for pollution degree 3."""
    clearance_mm: float
    designed_mm: float
    tag: str
    how: str


def gaps() -> list[Gap]:
    """Return each gap with what is required and what is designed."""
    creepage = {float(row["rms_v"]): row for row in rows_of("creepage.csv")}
    clearance = {float(row["peak_v"]): row for row in rows_of("clearance.csv")}
    made = []
    for row in rows_of("gaps.csv"):
        rms_v, peak_v = float(row["rms_v"]), float(row["peak_v"])
        times = 2.0 if row["insulation"] == "reinforced" else 1.0
        made.append(
            Gap(
                id=row["id"],
                between=f"{row['from']} to {row['to']}",
                insulation=row["insulation"],
                rms_v=rms_v,
                peak_v=peak_v,
                creepage_mm=times * float(creepage[rms_v]["pd2_iii_mm"]),
                dirty_mm=times * float(creepage[rms_v]["pd3_iii_mm"]),
                clearance_mm=float(clearance[peak_v][f"{row['insulation']}_mm"]),
                designed_mm=float(row["designed_mm"]),
                tag=row["tag"],
                how=row["how"],
            )
        )
    return made


def gap_table() -> str:
    """Return the gaps as a table."""
    heads = (
        "",
        "Between",
        "Working voltage, row",
        "Kind",
        "Creepage, clean (degree 2, group III)",
        "Creepage, dirty (degree 3, group III)",
        "Clearance",
        "Designed",
        "Tag",
        "How",
    )
    return table(
        heads,
        (
            (
                gap.id,
                gap.between,
                f"{gap.rms_v:.0f} V rms, {gap.peak_v:.0f} V peak",
                gap.insulation,
                f"{gap.creepage_mm:.2f} mm",
                f"{gap.dirty_mm:.2f} mm",
                f"{gap.clearance_mm:.1f} mm",
                f"{gap.designed_mm:g} mm",
                gap.tag,
                gap.how,
            )
            for gap in gaps()
        ),
    )


def stress() -> str:
    """Return what each leg resistor takes at the limit of its input, at twice full scale, and after a wrong lead."""
    cases = (
        (SPEAKER, "limit of the speaker input", SPEAKER_PEAK_V),
        (SPEAKER, "twice full scale", 2.0 * full_scale_v(SPEAKER)),
        (LINE, "limit of the line input", 20.0),
        (LINE, "speaker lead in the line socket", SPEAKER_PEAK_V),
    )
    rows = []
    for side, name, peak_v in cases:
        current_a = peak_v / resistance(side)
        each = value(side.legs[0][0])
        rows.append(
            (
                str(side.input),
                f"{name}: {peak_v:.0f} V peak",
                f"{len(side.legs[0])} x {each / 1e3:.4g} kohm",
                f"{1e3 * current_a:.2f} mA",
                f"{current_a * each:.0f} V",
                f"{1e3 * 0.5 * current_a**2 * each:.0f} mW",
            )
        )
    heads = ("Input", "Level", "Leg", "Current, peak", "Each resistor, peak", "Each resistor, mean power", "Tag")
    return table(heads, ((*row, "C") for row in rows))


SIMULATED = HARDWARE / "simulation" / "figures.json"


def overload() -> str:
    """Return what the simulation says of three overloads."""
    chapters = json.loads(SIMULATED.read_text(encoding="utf-8"))["chapters"]
    figures = next(chapter["figures"] for chapter in chapters if chapter["title"] == "Overload")

    def simulated(name: str) -> float:
        return float(figures[name]["simulated"])

    rows = []
    for name in ("speaker_2x", "speaker_1kv", "line_250v"):
        ends = (f"{name}_{pins}_{end}" for pins in ("ads", "i2s") for end in ("low", "high"))
        rows.append(
            (
                figures[f"{name}_leg"]["what"].split(":")[0],
                f"{simulated(f'{name}_leg'):.2f} mA",
                f"{simulated(f'{name}_resistor_v'):.0f} V",
                f"{simulated(f'{name}_resistor_mw'):.0f} mW",
                f"{simulated(f'{name}_pin'):.2f} mA",
                f"{min(simulated(end) for end in ends):.2f} V",
                "S",
            )
        )
    heads = (
        "Overload",
        "Leg, peak",
        "Each resistor, peak",
        "Each resistor, mean power",
        "Into a pin of U1 or U2, peak",
        "Converter pins inside their rails by",
        "Tag",
    )
    return table(heads, rows)


def through_a_person(
    sides: Mapping[Side, float], *, barrier_ohm: float | None, hz: float, shorted: str = "", joined: bool = True
) -> float:
    """Return the current from the low side through a person to chassis [A], of the unit that the levels are in.

    sides : level of both terminals of an input against chassis [V]
    barrier_ohm : resistance of a broken barrier; None for a sound one, which passes only what its capacitance lets
    shorted : a resistor that failed short
    joined : False where only the plus terminal carries the level, and the minus terminal is chassis
    """
    parts: list[Part] = [Part("R_person", "LOW", "CHASSIS", PERSON_OHM)]
    sources = []
    for side, volts in sides.items():
        own = island(side)
        parts += failed(own, shorted, short=True) if shorted and any(p.ref == shorted for p in own) else own
        barrier = Part("C_barrier", side.island, "LOW", BARRIER_F + STRAY_F)
        parts.append(barrier if barrier_ohm is None else Part("R_barrier", side.island, "LOW", barrier_ohm))
        sources += [
            Source(side.plus, "CHASSIS", volts),
            Source(side.minus, "CHASSIS", volts if joined else 0.0),
        ]
    found = solve(parts, sources, ground="CHASSIS", hz=hz)
    return abs(found["LOW"]) / PERSON_OHM


def touch() -> str:
    """Return the touch currents, sound and with a fault, beside their limits."""
    broken = SHORT_OHM
    cases: tuple[tuple[str, Side, float, float | None, float, str, bool, str], ...] = (
        ("speaker at its limit, 40 Hz", SPEAKER, SPEAKER_RMS_V, None, 40.0, "", True, "normal"),
        ("speaker at its limit, 1 kHz", SPEAKER, SPEAKER_RMS_V, None, 1e3, "", True, "normal"),
        ("speaker at its limit, 20 kHz", SPEAKER, SPEAKER_RMS_V, None, 20e3, "", True, "normal"),
        ("the same, barrier of U1 broken down", SPEAKER, SPEAKER_RMS_V, broken, 40.0, "", True, "single fault"),
        ("the same, minus terminal on chassis", SPEAKER, SPEAKER_RMS_V, broken, 40.0, "", False, "single fault"),
        (
            "bridged output at rest, barrier of U1 broken down",
            SPEAKER,
            0.5 * SPEAKER_PEAK_V,
            broken,
            0.0,
            "",
            True,
            "single fault, d.c.",
        ),
        (
            "speaker at its limit, barrier and one leg resistor",
            SPEAKER,
            SPEAKER_RMS_V,
            broken,
            40.0,
            "R101",
            True,
            "two faults",
        ),
        ("line at its limit, barrier of U2 broken down", LINE, LINE_RMS_V, broken, 40.0, "", True, "single fault"),
        ("speaker lead in the line socket", LINE, SPEAKER_RMS_V, None, 40.0, "", True, "normal"),
        ("the same, barrier of U2 broken down", LINE, SPEAKER_RMS_V, broken, 40.0, "", True, "single fault"),
        ("the same, and one leg resistor", LINE, SPEAKER_RMS_V, broken, 40.0, "R201", True, "two faults"),
    )
    rows = []
    for name, side, volts, barrier, hz, shorted, joined, kind in cases:
        rms_ma = 1e3 * through_a_person({side: volts}, barrier_ohm=barrier, hz=hz, shorted=shorted, joined=joined)
        limit = f"{LIMIT_MA[kind]:.1f} mA" if kind in LIMIT_MA else "none"
        rows.append((name, f"{volts:.4g} V {'rms' if hz else 'd.c.'}", kind, f"{rms_ma:.3g} mA", limit))
    heads = ("Case", "Level to chassis", "Kind", "Through a person", "Limit", "Tag")
    return table(heads, ((*row, "C") for row in rows))


def shared_ground() -> str:
    """Return what flows out of a bridged output when the insulation between the inputs is gone, and without any."""
    half_v = 0.5 * SPEAKER_PEAK_V
    parts = [*island(SPEAKER), *island(LINE), Part("R_bridge", SPEAKER.island, LINE.island, SHORT_OHM)]
    sources = [
        Source(SPEAKER.plus, "CHASSIS", half_v),
        Source(SPEAKER.minus, "CHASSIS", half_v),
        Source(LINE.minus, "CHASSIS", 0.0),
    ]
    found = solve(parts, sources, ground="CHASSIS")
    bridged_a = abs(found["I0"]) + abs(found["I1"])
    rows = (
        ("two isolated inputs, sound", "0.000 mA", "nothing"),
        ("two isolated inputs, the gap between the islands bridged", f"{1e3 * bridged_a:.3f} mA", "nothing"),
        (
            "one ground for both inputs (not this circuit)",
            "what the amplifier can give",
            "one half of the output is shorted to chassis through the meter and the line lead",
        ),
    )
    return table(("Inputs", f"Current at {half_v:.1f} V d.c. to chassis", "What the amplifier meets"), rows)


def part_faults() -> str:
    """Return what one failed part does to the reading of 100 V at 40 Hz on the speaker input."""
    sound = across(SPEAKER, island(SPEAKER), 100.0, hz=40.0)
    nominal = abs(sound["INP_S"] - sound["INN_S"])
    rows = []
    cases = [(ref, short) for ref in ("R101", "R109", "R111", "C101", "C102") for short in (True, False)]
    names = {"R101": "R101 to R108", "R109": "R109, R110", "R111": "R111, R112", "C101": "C101", "C102": "C102, C103"}
    for ref, short in cases:
        rows.append(
            (f"{names[ref]} {'short' if short else 'open'}", *_seen(failed(island(SPEAKER), ref, short=short), nominal))
        )
    shorted = [*island(SPEAKER), Part("R_tvs", "DA_S", "HGND_S", SHORT_OHM)]
    rows.append(("D101, D102 short", *_seen(shorted, nominal)))
    rows.append(("D101, D102 open", "100 V", "30 V", "none; the clamp is gone, R111 and R112 still limit the current"))
    return table(("Part", "Reads for 100 V", "True level when the hazard mark comes on", "Note"), rows)


def _seen(parts: list[Part], nominal: float) -> tuple[str, str, str]:
    """Return reading, true level at which the hazard mark comes on, and a note, for an island with a fault."""
    found = across(SPEAKER, parts, 100.0, hz=40.0)
    seen = abs(found["INP_S"] - found["INN_S"])
    # Limited by the amplifier's clipping where a foot is open; only the clamp keeps the pin alive then.
    clamped = max(abs(found["DA_S"]), abs(found["DB_S"])) > CLAMP_V
    share = seen / nominal
    if clamped:
        return "TOO HIGH", "always on", "the protection diode conducts and keeps the pin alive"
    if share < 1e-3:
        return "NO TONE", "never", "**reads nothing: a dead lead and a live one look alike**"
    note = "none"
    if share < 0.9:
        note = "**reads low: the hazard mark comes late**"
    elif share > 1.01:
        note = "reads high"
    elif abs(share - 1.0) > 1e-3:
        note = "small error"
    true_v = HAZARD_RMS_V / share
    comes = f"{true_v:.3g} V" if true_v < SPEAKER_RMS_V else "above the limit of the input"
    return f"{100.0 * share:.3g} V", comes, note


def faults() -> str:
    """Return the single faults of everything else."""
    heads = ("Part", "Fault", "What follows", "What the meter shows", "What still protects")
    return table(heads, (row.values() for row in rows_of("faults.csv")))


def acceptance() -> str:
    """Return the acceptance tests."""
    heads = ("Test", "Between", "Level", "Time", "Passes")
    made = table(heads, (row.values() for row in rows_of("acceptance.csv")))
    times = 1000.0 / SPEAKER_PEAK_V
    highest = f"the highest peak of the speaker input, {SPEAKER_PEAK_V:.0f} V (tag C)"
    return f"{made}\n\n1 kV d.c. is {times:.1f} times {highest}."


def capacitor() -> str:
    """Return what discharging a capacitor bank of 1 F through a resistor takes."""
    farad, volts, safe_v = 1.0, 14.4, 1.0
    rows = []
    for ohm in (10.0, 47.0):
        seconds = ohm * farad * math.log(volts / safe_v)
        rows.append(
            (
                f"{ohm:g} ohm",
                f"{volts / ohm:.2f} A",
                f"{volts**2 / ohm:.1f} W",
                f"{0.5 * farad * volts**2:.0f} J",
                f"{seconds:.0f} s",
                "C",
            )
        )
    heads = (
        f"{farad:g} F at {volts:g} V, through",
        "Current at first",
        "Power at first",
        "Energy",
        f"Down to {safe_v:g} V in",
    )
    return table((*heads, "Tag"), rows)
