"""The figures of build.md: money and time, resistances, currents, rails, test points, and the self-check's words."""

from __future__ import annotations

import csv
import datetime
import math
import tempfile
from pathlib import Path

from calibrating import DIRECT_V
from note_front_end import (
    COMMON_U_V,
    COMMON_V,
    GAIN,
    GAIN_PCT,
    HARDWARE,
    LOAD_U,
    OFFSET_V,
    RESISTOR_PCT,
    SIDES,
    SPEAKER,
    VMID_V,
    Side,
    across,
    island,
    netlist,
    piece,
    rows_of,
    table,
    value,
)
from note_nodal import OpAmp, Part, Source, pads, solve

from flattop.calibration import RANGES_V
from flattop.converters.frontend import CHANNELS, INPUT_OHM, loading
from flattop.errors import FlattopError
from flattop.panel.buttons import Button
from flattop.selfcheck import Part as MeterPart
from flattop.selfcheck import check, check_running, missing_off_a_pi, worst_first
from flattop.settings import Settings

BOM = HARDWARE / "circuit" / "bom.csv"
RUNNING_A, PEAK_A, EFFICIENCY = 0.44, 0.9, 0.85
"""What the whole meter draws from 5 V [A], and what the step-up converter makes of it (M)."""
BENCH_V = 3.7
"""Bench supply in place of the cells [V]."""
CONVERTER_SHARE = 0.8
"""What two step-up converters in a row leave over (M)."""


def parts_usd() -> tuple[int, float]:
    """Return how many parts the list of parts holds, and what they cost [USD]."""
    with BOM.open(encoding="utf-8", newline="") as file:
        lines = [(int(row["quantity"]), float(row["price_usd_from_memory"])) for row in csv.DictReader(file)]
    return sum(quantity for quantity, _ in lines), sum(quantity * price for quantity, price in lines)


def cost() -> str:
    """Return what one meter costs in parts."""
    pieces, usd = parts_usd()
    rows = [(f"[list of parts](circuit/bom.csv), {pieces} pieces, cells included", f"{usd:.0f} USD", "M")]
    rows += [(row["item"], f"{float(row['usd']):.0f} USD", "M") for row in rows_of("money.csv")]
    total = usd + sum(float(row["usd"]) for row in rows_of("money.csv"))
    heads = ("What", "Price from memory, one meter, no shipping", "Tag")
    return table(heads, [*rows, ("**together**", f"**{total:.0f} USD**", "C")])


def hours() -> str:
    """Return the estimated hours of each step."""
    rows = [(row["step"], f"{float(row['hours']):.1f} h") for row in rows_of("hours.csv")]
    total = sum(float(row["hours"]) for row in rows_of("hours.csv"))
    return table(("Step", "Estimate"), [*rows, ("**together**", f"**{total:.0f} h**")])


def low_side(side: Side, in_v: float) -> dict[str, complex]:
    """Return the voltages of the low side for a d.c. level at the isolated amplifier's input [V]."""
    letter = side.letter
    plus, minus = f"OP_{letter}", f"ON_{letter}"
    # The op amp's inputs draw nothing, so at d.c. they stand at the nodes in front of R122 and R125.
    number = 1 if side is SPEAKER else 2
    inverting = other_end(f"R{number}22", meeting=f"R{number}20")
    straight = other_end(f"R{number}25", meeting=f"R{number}23")
    out = other_end(f"R{number}26", meeting=f"R{number}21", there=True)
    parts = [p for p in [*piece(plus, {"GND", "VMID", minus}), *piece(minus, {"GND", "VMID", plus})] if p.ref[0] == "R"]
    parts = list({part.ref: part for part in parts}.values())
    parts.append(Part("R_load", *side.pins, INPUT_OHM[RANGES_V[-1]]))
    sources = [
        Source(plus, "GND", COMMON_V + 0.5 * GAIN * in_v),
        Source(minus, "GND", COMMON_V - 0.5 * GAIN * in_v),
        Source("VMID", "GND", VMID_V),
    ]
    found = solve(parts, sources, ground="GND", op_amps=[OpAmp(straight, inverting, out)])
    return found | {"OF": found[out]}


def other_end(ref: str, *, meeting: str, there: bool = False) -> str:
    """Return the end of a part that it does not share with another part; with `there` the one that it does."""
    part, other = (next(p for p in netlist() if p.ref == name) for name in (ref, meeting))
    shared = {part.a, part.b} & {other.a, other.b}
    return shared.pop() if there else ({part.a, part.b} - shared).pop()


def test_points() -> str:
    """Return the voltages to expect with the leads joined and with the d.c. reference on, and how exactly."""
    rows = []
    for side in SIDES:
        for volts in (0.0, DIRECT_V[side.input]):
            high = across(side, island(side), volts)
            p, n = side.isolator
            in_v = (high[p] - high[n]).real
            low = low_side(side, in_v)
            letter = side.letter
            u_in = max(abs(in_v) * 2.0 * RESISTOR_PCT / 100.0, 0.1e-3)
            # The floor is what an instrument in the hand resolves.
            u_out = GAIN * (abs(in_v) * 2.0 * RESISTOR_PCT / 100.0 + OFFSET_V) + abs(GAIN * in_v) * GAIN_PCT / 100.0
            # VMID: the regulator's 1 %, and two 1 % resistors that halve it.
            u_filtered = 0.01 * VMID_V + 0.01 * VMID_V + u_out
            level = "leads joined" if volts == 0.0 else f"+{volts:.4g} V d.c."
            pins = (low[side.pins[0]] - low[side.pins[1]]).real
            filtered = low["OF"].real
            rows += [
                (f"{side.input}, {level}", f"{p} to {n}, **island side**", _mv(in_v), _mv(u_in), "C"),
                ("", f"OP_{letter} to ON_{letter}", _mv(GAIN * in_v), _mv(u_out), "C"),
                ("", f"OP_{letter} to GND", f"{low[f'OP_{letter}'].real:.3f} V", _mv(COMMON_U_V + u_out), "M"),
                ("", f"{side.pins[0]} to {side.pins[1]}", _mv(pins), _mv(u_out + LOAD_U * abs(pins)), "C"),
                ("", f"OF_{letter} to GND", f"{filtered:.3f} V", _mv(u_filtered), "C"),
                ("", "the meter's `dc_v`, not calibrated", f"{_shown(side, pins):.4g} V", _shown_u(side, volts), "C"),
            ]
    return table(("State", "Between", "Expected", "Off by at most", "Tag"), rows)


def _mv(volts: float) -> str:
    return f"{1e3 * volts + 0.0:.1f} mV"


def _shown(side: Side, pins_v: float) -> float:
    """Return the level that the uncalibrated firmware makes of the voltage at the converter's pins [V]."""
    return round(pins_v * CHANNELS[side.input].ratio / loading(RANGES_V[-1]), 6) + 0.0


def _shown_u(side: Side, volts: float) -> str:
    channel = CHANNELS[side.input]
    return f"{2.0 * math.hypot(channel.gain_u * volts, channel.offset_u_v):.2g} V"


def where() -> str:
    """Return where each net of the tables can be touched with a probe."""
    nets = [
        net
        for side in SIDES
        for net in (*side.isolator, f"OP_{side.letter}", f"ON_{side.letter}", *side.pins, f"OF_{side.letter}")
    ]
    nets += [f"D{leg}_{side.letter}" for side in SIDES for leg in "AB"] + [side.island for side in SIDES]
    found = pads()
    nets += [row["net"] for row in rows_of("rails.csv") if row["net"] in found]
    rows = []
    for net in nets:
        # Big pads first: a chip's pins are easily shorted by a probe.
        ordered = sorted(found[net], key=lambda pad: "RCFLUJ".find(pad[0]) % 7)
        rows.append((net, ", ".join(ordered[:2])))
    return table(("Net", "Pads (part.pin)"), rows)


def cold() -> str:
    """Return the resistances to expect on the bare, unpowered board."""
    rows = []
    for side in SIDES:
        parts = [part for part in island(side) if part.ref[0] == "R"]
        foot_a = f"D{'A'}_{side.letter}"
        for a, b in (
            (side.plus, side.minus),
            (side.plus, side.island),
            (side.minus, side.island),
            (foot_a, side.island),
        ):
            ohm = abs(1.0 / solve(parts, [Source(a, b, 1.0)], ground=b)["I0"])
            rows.append((f"{a} to {b}", _ohm(ohm), f"{_ohm(ohm * 0.01)}"))
    rows += [
        ("any point of an island to GND", "no reading (more than the instrument can show)", ""),
        ("any point of the speaker island to any of the line island", "no reading", ""),
    ]
    return table(("Between", "Expected", "Off by at most (1 %)"), rows)


def _ohm(ohm: float) -> str:
    for size, name in ((1e6, "Mohm"), (1e3, "kohm")):
        if ohm >= size:
            return f"{ohm / size:.4g} {name}"
    return f"{ohm:.3g} ohm"


def currents() -> str:
    """Return the supply currents of the front end, part by part."""
    rows = [
        (row["item"], row["stage"], f"{float(row['at_v']):.1f} V", f"{float(row['typical_ma']):.3g} mA", row["tag"])
        for row in rows_of("currents.csv")
    ]
    return table(("Part", "Stage", "At", "Typical", "Tag"), rows)


def power_up() -> str:
    """Return the current limits of the first power-up, stage by stage, with what each rests on."""
    typical_ma = {
        stage: sum(float(row["typical_ma"]) for row in rows_of("currents.csv") if row["stage"] in stages)
        for stage, stages in (("low side", ["low side"]), ("inputs", ["low side", "inputs"]))
    }
    from_cells = {stage: total * rail("5V") / BENCH_V / CONVERTER_SHARE for stage, total in typical_ma.items()}
    rows = [
        ("1", f"{BENCH_V:g} V on J9, CELL1 and CELLN; nothing pressed", "5 mA", "50 mA", "only U9 to U12 are awake"),
        ("2", "the same, S4 pressed", "20 mA", "100 mA", "U13 runs without a load; the rest is its start"),
        *(
            (
                number,
                name,
                f"{from_cells[stage]:.0f} mA",
                f"{math.ceil(1.5 * from_cells[stage] / 50.0) * 50} mA",
                f"{typical_ma[stage]:.0f} mA at {rail('5V'):.2f} V, 80 % efficiency; the limit is half as much again",
            )
            for number, name, stage in (
                ("3", "and 3.30 V on pin 1 of J4 (limit 20 mA), U1 and U2 not fitted", "low side"),
                ("4", "the same, U1 and U2 fitted", "inputs"),
            )
        ),
        (
            "5",
            f"{BENCH_V:g} V alone, the computer in J4",
            f"{RUNNING_A * 5.0 / BENCH_V / EFFICIENCY:.1f} A",
            "2 A",
            f"its start takes {PEAK_A * 5.0 / BENCH_V / EFFICIENCY:.1f} A for moments",
        ),
    ]
    return table(("Stage", "Supply", "Expected", "Current limit", "Why", "Tag"), ((*row, "M") for row in rows))


def rail(net: str) -> float:
    """Return the voltage of a rail that a divider sets [V]."""
    row = next(row for row in rows_of("rails.csv") if row["net"] == net)
    return float(row["reference_v"]) * (1.0 + value(row["upper"]) / value(row["lower"]))


def rails() -> str:
    """Return the supply rails to expect, from the dividers that set them."""
    rows = []
    for row in rows_of("rails.csv"):
        expected, off, how = row["expected_v"], row["off_v"], row["how"]
        if row["upper"]:
            up, down, at_v = value(row["upper"]), value(row["lower"]), float(row["reference_v"])
            volts = at_v * (1.0 + up / down)
            share = up / (up + down)
            off_v = volts * (float(row["reference_pct"]) + share * 2.0 * float(row["resistor_pct"])) / 100.0
            expected, off = f"{volts:.2f}", f"{off_v:.2f}"
            how = f"{at_v:g} V x (1 + {row['upper']} / {row['lower']}); {how}"
        rows.append((row["net"], f"{expected} V", f"{off} V" if off else "", row["tag"], how))
    return table(("Net, to GND", "Expected", "Off by at most", "Tag", "From"), rows)


def battery() -> str:
    """Return what the battery and the bench supply have to give, for the whole meter."""
    lowest_v = 3.2
    rows = [
        ("drawn from 5 V, running", f"{RUNNING_A:.2f} A", "M"),
        ("drawn from 5 V, peak", f"{PEAK_A:.1f} A", "M"),
        ("efficiency of the 5 V converter", f"{100 * EFFICIENCY:.0f} %", "M"),
        (f"drawn from the cells at {lowest_v:g} V, running", f"{RUNNING_A * 5.0 / lowest_v / EFFICIENCY:.2f} A", "C"),
        (f"drawn from the cells at {lowest_v:g} V, peak", f"{PEAK_A * 5.0 / lowest_v / EFFICIENCY:.2f} A", "C"),
        ("fuse in each cell's lead", "3 A", "M"),
    ]
    return table(("Current", "Value", "Tag"), rows)


def when_off() -> str:
    """Return what to look for when something is off."""
    return table(("What", "Look for", "Then"), (row.values() for row in rows_of("when-off.csv")))


def off_a_meter() -> str:
    """Return what `flattop run` says on a computer that is no meter: an empty one, so that it says everything."""
    with tempfile.TemporaryDirectory() as folder:
        model = Path(folder, "proc/device-tree/model")
        model.parent.mkdir(parents=True)
        model.write_text("some other computer", encoding="utf-8")
        text = missing_off_a_pi(Settings(), root=Path(folder), has_library=lambda _: False)
    return f"```text\n{text}\n```"


def self_check() -> str:
    """Return what the self-check says of each part that is missing, and while the meter runs; worst first."""
    settings = Settings()
    cause = FlattopError("cause")
    faults = [
        *check(
            settings=settings,
            parts=dict.fromkeys(MeterPart, cause),
            calibration=None,
            now=datetime.datetime(2026, 1, 2, tzinfo=datetime.UTC),
            simulated=True,
        ),
        *check_running(settings=settings, root=Path("/nowhere"), edges_hz=0.0, stuck=[Button.A], battery_low=True),
    ]
    return table(("Words", "In the log", "What to do"), ((f.words, f.detail, f.remedy) for f in worst_first(faults)))
