"""The drawing of the meter: the sheet with the blocks, and the order of all sheets.

Signals run from left to right. Names join only what lies in different blocks or on different sheets.
"""

from __future__ import annotations

from collections.abc import Iterator

from sheet_drawing import RED, Drawing, library
from signal_sheets import audio, bass, inputs
from support_sheets import battery, computer, supplies


def root() -> Drawing:
    """Draw the blocks of the meter and the signals between them."""
    d = Drawing("flattop.kicad_sch", "Meter: blocks", [], library(), "A4")
    pairs = [("OP_S", 6), ("ON_S", 10), ("OP_L", 14), ("ON_L", 18)]
    d.box(
        "Isolated inputs",
        "inputs.kicad_sch",
        2,
        20,
        30,
        40,
        44,
        right=[*((n, "output", y) for n, y in pairs), ("DIAG", "output", 36)],
    )
    d.box(
        "Bass path", "bass.kicad_sch", 3, 104, 30, 36, 28, left=[(n, "input", y) for n, y in pairs],
        right=[("ALERT_RDY", "output", 6), ("SDA", "bidirectional", 10), ("SCL", "input", 14)],
    )  # fmt: skip
    d.box(
        "Full-band path", "audio.kicad_sch", 4, 104, 74, 36, 26, left=[(n, "input", y) for n, y in pairs],
        right=[("PCM_CLK", "output", 6), ("PCM_FS", "output", 10), ("PCM_DIN", "output", 14)],
    )  # fmt: skip
    d.box(
        "Battery", "battery.kicad_sch", 5, 20, 100, 40, 42,
        right=[("LOW_BATT#", "output", 8), ("PWR_KILL#", "input", 12), ("SDA", "bidirectional", 16),
               ("SCL", "input", 20), ("PB", "passive", 23), ("MR#", "passive", 26), ("EN5", "output", 40)],
    )  # fmt: skip
    d.box(
        "Supplies", "supplies.kicad_sch", 6, 84, 132, 36, 18, left=[("EN5", "input", 8)], right=[("AFE_EN", "input", 8)]
    )
    d.box(
        "Computer and panel", "computer.kicad_sch", 7, 184, 30, 36, 92,
        left=[("ALERT_RDY", "input", 6), ("SDA", "bidirectional", 10), ("SCL", "output", 14), ("DIAG", "input", 36),
              ("PCM_CLK", "input", 50), ("PCM_FS", "input", 54), ("PCM_DIN", "input", 58), ("PB", "passive", 66),
              ("MR#", "passive", 70), ("EN5", "passive", 74), ("LOW_BATT#", "input", 78),
              ("PWR_KILL#", "output", 82), ("AFE_EN", "output", 88)],
    )  # fmt: skip
    for i, (net, _) in enumerate(pairs):
        column = 92 - 6 * i
        d.wire(f"Isolated inputs.{net}", f"Bass path.{net}")
        y = d.at(f"Full-band path.{net}")[1]
        d.wire((column, d.at(f"Bass path.{net}")[1]), (column, y), f"Full-band path.{net}")
    for net in ("ALERT_RDY", "SDA", "SCL"):
        d.wire(f"Bass path.{net}", f"Computer and panel.{net}")
    for net in ("PCM_CLK", "PCM_FS", "PCM_DIN"):
        d.wire(f"Full-band path.{net}", f"Computer and panel.{net}")
    for net in ("LOW_BATT#", "PWR_KILL#"):
        d.wire(f"Battery.{net}", f"Computer and panel.{net}")
    d.wire("Isolated inputs.DIAG", "Computer and panel.DIAG")
    d.wire("Battery.SDA", (164, 116), (164, 40))
    d.wire("Battery.SCL", (158, 120), (158, 44))
    d.wire("Battery.EN5", "Supplies.EN5")
    d.wire((72, 140), (72, 128), (126, 128), (126, 104), "Computer and panel.EN5")
    d.wire("Battery.PB", (146, 123), (146, 96), "Computer and panel.PB")
    d.wire("Battery.MR#", (152, 126), (152, 100), "Computer and panel.MR#")
    d.wire("Supplies.AFE_EN", (130, 140), (130, 128), (172, 128), (172, 118), "Computer and panel.AFE_EN")
    d.words("Terminals of amplifiers: up to 255 V peak. Read the cautions on sheet 2.", 20, 18, bold=True, colour=RED)
    d.words("Supplies (5V, 3V3, 5VA, 3V3A, VSYS) and GND reach the sheets by their symbols.", 12, 152, size_mm=1.4)
    return d


def sheets() -> Iterator[Drawing]:
    """Yield the root sheet and the others in the order of their pages."""
    for draw in (root, inputs, bass, audio, battery, supplies, computer):
        yield draw()
