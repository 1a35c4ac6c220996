"""What a part is, and the kinds of parts of which there are many."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Part:
    """One part: what to buy, and where each of its pins goes."""

    ref: str
    symbol: str
    """Name in flattop.kicad_sym."""
    value: str
    pins: Mapping[str, str]
    """Pin number to net; a pin that is not named here is left open on purpose."""
    footprint: str
    """Library and name in KiCad's footprint libraries; empty for a part that is not on the board."""
    tolerance: str
    rating: str
    description: str
    example: str
    """One part that fits, by its number; any with the same values will do."""
    substitutes: str = ""
    price_usd: float = 0.0
    """From memory, for one piece in small quantities."""
    fitted: bool = True

    @property
    def on_board(self) -> bool:
        """False for parts that are wired to a connector."""
        return bool(self.footprint)


_RESISTOR = {  # size: metric name, rating, price
    "0603": ("R_0603_1608Metric", "75 V, 0.1 W", 0.02),
    "0805": ("R_0805_2012Metric", "150 V, 0.125 W", 0.03),
    "1206": ("R_1206_3216Metric", "200 V, 0.25 W", 0.03),
}
_CAPACITOR = {
    "0603": "C_0603_1608Metric",
    "0805": "C_0805_2012Metric",
    "1206": "C_1206_3216Metric",
    "1210": "C_1210_3225Metric",
}


def resistor(ref: str, value: str, net_1: str, net_2: str, *, size: str = "0603") -> Part:
    """Return a general-purpose 1 % resistor."""
    footprint, rating, price = _RESISTOR[size]
    return Part(
        ref, "R", value, {"1": net_1, "2": net_2}, f"Resistor_SMD:{footprint}", "1 %", rating,
        f"resistor, thick film, {size}", f"RC{size}FR-07 series", "any 1 % thick film of the same size", price,
    )  # fmt: skip


def precise_resistor(ref: str, value: str, net_1: str, net_2: str, *, size: str = "0805", rating: str = "") -> Part:
    """Return a 0.1 % thin-film resistor: its value decides what is measured."""
    footprint, usual, _ = _RESISTOR[size]
    return Part(
        ref, "R", value, {"1": net_1, "2": net_2}, f"Resistor_SMD:{footprint}", "0.1 %", rating or usual,
        f"resistor, thin film, 25 ppm/K, {size}", f"TNPW{size} series",
        "any thin film of 0.1 %, 25 ppm/K and at least this rating", 0.35,
    )  # fmt: skip


def capacitor(
    ref: str, value: str, net_1: str, net_2: str, *, size: str = "0603", volts: int = 25, kind: str = "X7R"
) -> Part:
    """Return a decoupling or bulk capacitor."""
    return Part(
        ref, "C", value, {"1": net_1, "2": net_2}, f"Capacitor_SMD:{_CAPACITOR[size]}", "10 %", f"{volts} V",
        f"capacitor, ceramic {kind}, {size}", f"GRM series, {kind}, {volts} V",
        f"any {kind} of this size with at least {volts} V", 0.05 if size in ("0603", "0805") else 0.25,
    )  # fmt: skip


def exact_capacitor(ref: str, value: str, net_1: str, net_2: str, *, size: str = "0603", volts: int = 50) -> Part:
    """Return a 1 % capacitor: it sets a filter."""
    big = size in ("1206", "1210")
    return Part(
        ref, "C", value, {"1": net_1, "2": net_2}, f"Capacitor_SMD:{_CAPACITOR[size]}", "1 %", f"{volts} V",
        f"capacitor, ceramic C0G, {size}", "GRM series, C0G, tolerance F",
        "PPS film of 2 %, 5 % only with the a.c. calibration point" if big else "any C0G of 1 %", 0.60 if big else 0.10,
    )  # fmt: skip


def ferrite(ref: str, net_1: str, net_2: str) -> Part:
    """Return a ferrite bead for a supply."""
    return Part(
        ref, "FerriteBead", "1k@100M", {"1": net_1, "2": net_2}, "Inductor_SMD:L_0603_1608Metric", "25 %",
        "0.2 A", "ferrite bead, 1 kohm at 100 MHz, 0603", "BLM18HE102SN1", "any of 600 ohm or more at 100 MHz", 0.08,
    )  # fmt: skip


def link(ref: str, net_1: str, net_2: str) -> Part:
    """Return a link in the place of a ferrite bead."""
    return Part(
        ref, "FerriteBead", "0R", {"1": net_1, "2": net_2}, "Inductor_SMD:L_0603_1608Metric", "50 mohm at most",
        "1 A", "link, 0 ohm, 0603, in the place of a ferrite bead", "RC0603JR-070RL",
        "a bead of 1 to 2 kohm at 100 MHz, if emissions ask for it", 0.02,
    )  # fmt: skip


def clamp(ref: str, net_1: str, net_2: str) -> Part:
    """Return a clamp for a line that must not pass 3.3 V by much."""
    return Part(
        ref, "D_TVS", "3V3 bidir", {"1": net_1, "2": net_2}, "Diode_SMD:D_SOD-323", "n/a",
        "3.3 V stand-off, 5 pF at most, 0.1 uA at most", "diode, ESD clamp, bidirectional, low capacitance, SOD-323",
        "PESD3V3X1BA class", "any bidirectional 3.3 V clamp of 5 pF or less; check its leakage at 1 V", 0.25,
    )  # fmt: skip


def chip(
    ref: str, symbol: str, pins: Mapping[str, str], footprint: str, rating: str, description: str, example: str,
    *, tolerance: str = "n/a", substitutes: str = "none without a change of layout", price_usd: float, value: str = "",
    fitted: bool = True,
) -> Part:  # fmt: skip
    """Return a part of its own kind; its symbol's name is its value unless another is given."""
    return Part(
        ref, symbol, value or symbol, pins, footprint, tolerance, rating, description, example, substitutes, price_usd,
        fitted,
    )  # fmt: skip


def fet(ref: str, gate: str, drain: str, source: str) -> Part:
    """Return a small n-channel transistor that switches."""
    return chip(
        ref, "NMOS", {"1": gate, "3": drain, "2": source}, "Package_TO_SOT_SMD:SOT-23", "50 V, 0.2 A",
        "MOSFET, n-channel, logic level, SOT-23", "BSS138", value="BSS138",
        substitutes="any logic-level n-channel of 20 V or more, gate threshold below 1.6 V, same pins", price_usd=0.08,
    )  # fmt: skip


def button(ref: str, name: str, net: str, other: str, *, size: str = "SW_PUSH_6mm_H13mm") -> Part:
    """Return a push button."""
    return chip(
        ref, "SW_Push", {"1": net, "2": other}, f"Button_Switch_THT:{size}", "12 V, 50 mA",
        "push button, normally open, 6 mm", "B3F class", value=name, substitutes="any 6 mm tact switch", price_usd=0.3,
    )  # fmt: skip
