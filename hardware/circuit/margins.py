"""What the parts' values come to, as the tables of README.md: loading, capacitors, divider, battery, cost.

python hardware/circuit/margins.py
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from math import hypot, log10, pi, sqrt

from meter_parts import SHEETS, value_of

INPUT_OHM: Mapping[float, float] = {2.048: 4.9e6, 1.024: 2.4e6, 0.512: 0.71e6, 0.256: 0.71e6}
"""Differential input impedance of the bass converter on each range (SBAS473, electrical characteristics; typical)."""
INPUT_SPREAD = 0.2
"""How far one chip's impedance may lie from the typical one: the datasheet names no limit, this is an assumption."""
BUFFER_OFFSET_V = 1.6e-3
"""Largest offset of an op amp of the TLV9064 kind (SBOS839; from memory)."""
RATED_PEAK_V = {"speaker": 255.0, "line": 20.0}
OVERLOAD_PEAK_V = {"speaker": 1000.0, "line": 250.0}
"""A surge at the speaker terminals; the speaker's voltage on the line input by mistake."""
LOW_CELL_V, EMPTY_CELL_V = 3.40, 3.20
"""Where the firmware warns, and where it shuts down; a test holds them against its own."""
SENSE_V = 0.405
"""Threshold of the voltage monitor (SBVS050; from memory)."""


def table(header: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return a Markdown table."""
    lines = [header, ["---"] * len(header), *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


def bass_gain(hz: float, *, capacitors: float = 1.0) -> float:
    """Return the bass filter's gain, with all its capacitors off by one factor."""
    r1, r2 = value_of("R130"), value_of("R132")
    c1 = (2 * value_of("C130") + value_of("C131")) * capacitors
    c2 = (2 * value_of("C133") + value_of("C134")) * capacitors
    w = 2 * pi * hz
    return 1 / hypot(1 - w**2 * r1 * r2 * c1 * c2, w * (r1 * c1 + (r1 + r2) * c2))


def loading() -> str:
    """Return what the converter's input impedance takes on each range, and what is left without calibration."""
    source = 2 * (value_of("R130") + value_of("R132"))
    rows = []
    for range_v, ohm in INPUT_OHM.items():
        nominal = source / (ohm + source)
        worst = source / (ohm * (1 - INPUT_SPREAD) + source)
        rows.append(
            (
                f"{range_v} V",
                f"{ohm / 1e6:.2f} Mohm",
                f"{100 * nominal:.2f} %",
                f"{100 * (worst - nominal):.3f} %",
                f"{2 * BUFFER_OFFSET_V / (range_v / 2048):.1f} codes",
            )
        )
    return table(
        ("range", "input impedance", "loading", "left after the nominal correction", "offset that a buffer could add"),
        rows,
    )


def capacitors() -> str:
    """Return how far capacitors of one tolerance move the level, all in the same direction."""
    rows = []
    for hz in (40, 100, 200, 300):
        moves = [100 * (bass_gain(hz, capacitors=1 + p / 100) / bass_gain(hz) - 1) for p in (1, 2, 5)]
        rows.append((f"{hz} Hz", f"{20 * log10(bass_gain(hz)):.3f} dB", *(f"{move:.2f} %" for move in moves)))
    return table(("tone", "droop, corrected", "capacitors +1 %", "+2 %", "+5 %"), rows)


def divider() -> str:
    """Return volts and watts of one leg resistor: in use, with a fault, and overloaded."""
    rows = []
    for name, first, count, foot in (("speaker", "R101", 4, "R109"), ("line", "R201", 2, "R209")):
        one, leg = value_of(first), count * value_of(first)
        whole = 2 * (leg + value_of(foot))
        for what, volts, ohm in (
            ("rated, both legs", RATED_PEAK_V[name], whole),
            ("rated, on one leg alone", RATED_PEAK_V[name], leg),
            ("the same, one resistor of it shorted", RATED_PEAK_V[name], leg - one),
            ("overload, both legs", OVERLOAD_PEAK_V[name], whole),
        ):
            ampere = volts / ohm
            rows.append(
                (
                    name,
                    what,
                    f"{volts:.0f} V",
                    f"{1e3 * ampere:.3f} mA",
                    f"{ampere * one:.1f} V",
                    f"{1e3 * ampere**2 * one / 2:.1f} mW",
                )
            )
    header = ("input", "case", "peak", "current, peak", "one resistor, peak", "one resistor, mean of a sine")
    return table(header, rows)


def thresholds() -> str:
    """Return the voltages at which the battery is warned of and cut off, and the supplies' own."""
    cut = SENSE_V * (1 + value_of("R410") / value_of("R411"))
    spread = 0.02 + 2 * 0.001 * (1 - SENSE_V / cut)  # the monitor's 2 %, two resistors of 0.1 %
    five = 1.0 * (1 + value_of("R417") / value_of("R418"))
    boosted = 0.795 * (1 + value_of("R420") / value_of("R421"))
    rows = (
        ("warning", f"{LOW_CELL_V:.2f} V", "firmware, from the gauge's register 0x02 (78.125 uV a step)"),
        ("shutting down", f"{EMPTY_CELL_V:.2f} V", "firmware, likewise"),
        ("LOW_BATT#", "4 % of charge", "the gauge by itself, without any setting"),
        (
            "hard cut-off",
            f"{cut:.2f} V +-{100 * spread:.1f} %",
            "U12 with R410 and R411, on VSYS, a little below the cell",
        ),
        ("cell protector", "2.80 V", "U10, and the cells' own below that"),
        ("5V", f"{five:.2f} V", "U13 with R417 and R418"),
        ("5V6", f"{boosted:.2f} V", "U15 with R420 and R421"),
    )
    return table(("what", "voltage", "where"), rows)


def bass_poles_hz() -> tuple[float, float]:
    """Return both poles of the bass filter [Hz]."""
    r1, r2 = value_of("R130"), value_of("R132")
    c1, c2 = 2 * value_of("C130") + value_of("C131"), 2 * value_of("C133") + value_of("C134")
    total, product = r1 * c1 + (r1 + r2) * c2, r1 * r2 * c1 * c2
    low, high = ((total - s * sqrt(total**2 - 4 * product)) / (4 * pi * product) for s in (1, -1))
    return low, high


def cost() -> str:
    """Return what the parts of each sheet come to, at prices from memory."""
    sums = {name: sum(part.price_usd for part in parts if part.fitted) for name, parts in SHEETS.items()}
    rows = [(name, f"{len(SHEETS[name])}", f"{usd:.0f} USD") for name, usd in sums.items()]
    rows.append(("all", f"{sum(map(len, SHEETS.values()))}", f"{sum(sums.values()):.0f} USD"))
    return table(("sheet", "parts", "prices from memory"), rows)


TABLES = {"loading": loading, "capacitors": capacitors, "divider": divider, "thresholds": thresholds, "cost": cost}

if __name__ == "__main__":
    for name, make in TABLES.items():
        print(f"<!-- margins: {name} -->\n\n{make()}\n")
