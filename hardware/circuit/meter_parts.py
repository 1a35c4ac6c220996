"""Every part of the meter, with its values, ratings and the net of each pin: the circuit as data.

The drawing (meter_sheets.py) has to agree with this list pin by pin; export.py and the tests see to that.
References: 1xx speaker channel, 2xx line channel, 3xx converters, 4xx power, 5xx computer and panel.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from part_kinds import (
    Part,
    button,
    capacitor,
    chip,
    clamp,
    exact_capacitor,
    ferrite,
    fet,
    link,
    precise_resistor,
    resistor,
)


def _isolated_input(channel: int, x: str) -> list[Part]:
    """Return what both channels have in common: feet, clamps, filter, isolated amplifier and its supply parts."""
    n = channel * 100
    foot = {"S": "3.65k", "L": "5.36k"}[x]
    return [
        precise_resistor(f"R{n + 9}", foot, f"DA_{x}", f"HGND_{x}"),
        precise_resistor(f"R{n + 10}", foot, f"HGND_{x}", f"DB_{x}"),
        clamp(f"D{n + 1}", f"DA_{x}", f"HGND_{x}"),
        clamp(f"D{n + 2}", f"DB_{x}", f"HGND_{x}"),
        resistor(f"R{n + 11}", "1k", f"DA_{x}", f"INP_{x}"),
        resistor(f"R{n + 12}", "1k", f"DB_{x}", f"INN_{x}"),
        exact_capacitor(f"C{n + 1}", {"S": "560p", "L": "390p"}[x], f"INP_{x}", f"INN_{x}"),
        exact_capacitor(f"C{n + 2}", "22p", f"INP_{x}", f"HGND_{x}"),
        exact_capacitor(f"C{n + 3}", "22p", f"HGND_{x}", f"INN_{x}"),
        chip(
            f"U{channel}", "AMC3330",
            {
                "1": f"DCO_{x}", "2": f"DCG_{x}", "3": f"HLI_{x}", "5": f"HLO_{x}", "6": f"INP_{x}", "7": f"INN_{x}",
                "8": f"HGND_{x}", "9": "GND", "10": f"ON_{x}", "11": f"OP_{x}", "12": "3V3A", "13": f"LDO_{x}",
                "14": "DIAG", "15": "GND", "16": f"LDO_{x}",
            },
            "Package_SO:SOIC-16W_7.5x10.3mm_P1.27mm", "reinforced, 6000 V peak, 4250 V rms for 1 min",
            "isolated amplifier, +-1 V in, gain 2, with its own isolated supply", "AMC3330DWE",
            tolerance="gain 0.2 %", substitutes="AMC3330-Q1", price_usd=7.5,
        ),
        link(f"FB{n + 1}", f"DCO_{x}", f"HLI_{x}"),
        link(f"FB{n + 2}", f"DCG_{x}", f"HGND_{x}"),
        capacitor(f"C{n + 4}", "1u", f"DCO_{x}", f"DCG_{x}"),
        capacitor(f"C{n + 5}", "1n", f"DCO_{x}", f"DCG_{x}", volts=50),
        capacitor(f"C{n + 6}", "100n", f"HLO_{x}", f"HGND_{x}"),
        capacitor(f"C{n + 7}", "1n", f"HLO_{x}", f"HGND_{x}", volts=50),
        capacitor(f"C{n + 8}", "100n", f"LDO_{x}", "GND"),
        capacitor(f"C{n + 9}", "1n", f"LDO_{x}", "GND", volts=50),
        capacitor(f"C{n + 10}", "1u", "3V3A", "GND"),
        capacitor(f"C{n + 11}", "1n", "3V3A", "GND", volts=50),
    ]  # fmt: skip


def _leg(first: int, value: str, nets: Sequence[str]) -> list[Part]:
    """Return resistors in series along `nets`."""
    return [
        precise_resistor(f"R{first + i}", value, a, b, size="1206", rating="200 V, 0.25 W, 500 V overload")
        for i, (a, b) in enumerate(pairwise(nets))
    ]


def _socket(ref: str, value: str, net: str) -> Part:
    return chip(
        ref, "Socket_4mm", {"1": net}, "Connector_Wire:SolderWire-0.5sqmm_1x01_D0.9mm_OD2.3mm",
        "1000 V class, 10 A or more", "safety socket, 4 mm, shrouded, in the panel, wired to the board",
        "shrouded 4 mm panel socket, IEC 61010-031", value=value, price_usd=2.5,
        substitutes="any shrouded 4 mm socket of 600 V or more",
    )  # fmt: skip


INPUTS = [
    _socket("J1", "SPEAKER +, red", "SPKP"),
    _socket("J2", "SPEAKER -, black", "SPKN"),
    *_leg(101, "249k", ("SPKP", "a1", "a2", "a3", "DA_S")),
    *_leg(105, "249k", ("SPKN", "b1", "b2", "b3", "DB_S")),
    *_isolated_input(1, "S"),
    chip(
        "J3", "Socket_RCA", {"1": "LINP", "2": "LINN"}, "Connector_Wire:SolderWire-0.75sqmm_1x02_P7mm_D1.25mm_OD3.5mm",
        "250 V to the panel", "RCA socket, insulated from the panel, wired to the board", "insulated panel RCA socket",
        value="LINE", substitutes="any RCA socket whose shell is insulated", price_usd=1.5,
    ),
    *_leg(201, "59.0k", ("LINP", "c1", "DA_L")),
    *_leg(203, "59.0k", ("LINN", "d1", "DB_L")),
    *_isolated_input(2, "L"),
    exact_capacitor("C212", "33p", "INP_L", "INN_L"),
]  # fmt: skip


def _bass_filter(channel: int, x: str, pins: tuple[str, str]) -> list[Part]:
    n = channel * 100
    a, b = pins
    return [
        precise_resistor(f"R{n + 30}", "1.00k", f"OP_{x}", f"h1_{x}"),
        precise_resistor(f"R{n + 31}", "1.00k", f"ON_{x}", f"h2_{x}"),
        exact_capacitor(f"C{n + 30}", "68n", f"h1_{x}", f"h2_{x}", size="1206"),
        exact_capacitor(f"C{n + 31}", "1n", f"h1_{x}", "GND"),
        exact_capacitor(f"C{n + 32}", "1n", f"h2_{x}", "GND"),
        precise_resistor(f"R{n + 32}", "3.32k", f"h1_{x}", a),
        precise_resistor(f"R{n + 33}", "3.32k", f"h2_{x}", b),
        exact_capacitor(f"C{n + 33}", "22n", a, b, size="0805"),
        exact_capacitor(f"C{n + 34}", "1n", a, "GND"),
        exact_capacitor(f"C{n + 35}", "1n", b, "GND"),
    ]


BASS = [
    *_bass_filter(1, "S", ("AIN0", "AIN1")),
    *_bass_filter(2, "L", ("AIN2", "AIN3")),
    chip(
        "U4", "ADS1015",
        {
            "1": "GND", "2": "ALERT_RDY", "3": "GND", "4": "AIN0", "5": "AIN1", "6": "AIN2", "7": "AIN3", "8": "3V3",
            "9": "SDA", "10": "SCL",
        },
        "Package_SO:TSSOP-10_3x3mm_P0.5mm", "2.0 to 5.5 V", "12-bit converter, four inputs, I2C, address 0x48",
        "ADS1015IDGS", substitutes="none: the firmware is written for its registers", price_usd=3.5,
        tolerance="gain 0.25 %",
    ),
    capacitor("C301", "1u", "3V3", "GND"),
    capacitor("C302", "100n", "3V3", "GND"),
    resistor("R302", "10k", "3V3", "ALERT_RDY"),
]  # fmt: skip


def _audio_filter(channel: int, x: str, side: str) -> list[Part]:
    n = channel * 100
    return [
        precise_resistor(f"R{n + 20}", "4.99k", f"ON_{x}", f"f1_{x}"),
        precise_resistor(f"R{n + 21}", "3.48k", f"f1_{x}", f"OF_{x}"),
        precise_resistor(f"R{n + 22}", "2.61k", f"f1_{x}", f"FN_{x}"),
        exact_capacitor(f"C{n + 20}", "4.7n", f"f1_{x}", "GND", size="0805"),
        exact_capacitor(f"C{n + 21}", "470p", f"FN_{x}", f"OF_{x}"),
        precise_resistor(f"R{n + 23}", "4.99k", f"OP_{x}", f"f2_{x}"),
        precise_resistor(f"R{n + 24}", "3.48k", "VMID", f"f2_{x}"),
        precise_resistor(f"R{n + 25}", "2.61k", f"f2_{x}", f"FP_{x}"),
        exact_capacitor(f"C{n + 22}", "4.7n", f"f2_{x}", "GND", size="0805"),
        exact_capacitor(f"C{n + 23}", "470p", "VMID", f"FP_{x}"),
        resistor(f"R{n + 26}", "100R", f"OF_{x}", f"o2_{x}"),
        capacitor(f"C{n + 24}", "10u", f"o2_{x}", f"VIN{side}", size="1206"),
    ]


AUDIO = [
    *_audio_filter(1, "S", "L"),
    *_audio_filter(2, "L", "R"),
    chip(
        "U3", "OpAmp_Dual",
        {"1": "OF_S", "2": "FN_S", "3": "FP_S", "4": "GND", "5": "FP_L", "6": "FN_L", "7": "OF_L", "8": "5VA"},
        "Package_SO:SOIC-8_3.9x4.9mm_P1.27mm", "5.5 V, 10 MHz or more",
        "dual op amp, rail-to-rail in and out, low noise", "OPA2320AID", value="OPA2320", substitutes="TLV9062IDR",
        price_usd=2.8,
    ),
    capacitor("C303", "100n", "5VA", "GND"),
    chip(
        "U6", "OpAmp_Single", {"1": "VMID", "2": "GND", "3": "VMR", "4": "VMID", "5": "5VA"},
        "Package_TO_SOT_SMD:SOT-23-5", "5.5 V", "op amp, rail-to-rail in and out", "TLV9061IDBVR", value="TLV9061",
        substitutes="OPA320AIDBV", price_usd=0.7,
    ),
    capacitor("C304", "100n", "5VA", "GND"),
    resistor("R303", "10k", "5VA", "VMR"),
    resistor("R304", "10k", "VMR", "GND"),
    capacitor("C305", "10u", "VMR", "GND", size="1206"),
    chip(
        "U5", "PCM1808",
        {
            "1": "VREF", "2": "GND", "3": "5VA", "4": "3V3D", "5": "GND", "6": "SCKI", "7": "LRCK", "8": "BCK",
            "9": "DOUT", "10": "3V3D", "11": "3V3D", "12": "GND", "13": "VINL", "14": "VINR",
        },
        "Package_SO:TSSOP-14_4.4x5mm_P0.65mm", "5 V analogue, 3.3 V digital",
        "24-bit stereo audio converter, I2S, clock master", "PCM1808PWR", tolerance="gain 6 %", price_usd=2.5,
    ),
    capacitor("C307", "10u", "VREF", "GND", size="1206"),
    capacitor("C308", "100n", "VREF", "GND"),
    capacitor("C309", "10u", "5VA", "GND", size="1206"),
    capacitor("C310", "100n", "5VA", "GND"),
    capacitor("C311", "10u", "3V3D", "GND", size="1206"),
    capacitor("C312", "100n", "3V3D", "GND"),
    ferrite("FB301", "3V3D", "3V3A"),
    chip(
        "Y1", "Oscillator", {"1": "3V3D", "2": "GND", "3": "MCK", "4": "3V3D"},
        "Oscillator:Oscillator_SMD_Abracon_ASE-4Pin_3.2x2.5mm", "3.3 V", "clock oscillator, CMOS, 3.2 x 2.5 mm",
        "ASE-24.576MHZ-LC-T", value="24.576 MHz", tolerance="50 ppm", substitutes="any 3.3 V CMOS type of this size",
        price_usd=1.6,
    ),
    capacitor("C313", "100n", "3V3D", "GND"),
    resistor("R305", "33R", "SCKI", "MCK"),
    resistor("R306", "33R", "BCK", "PCM_CLK"),
    resistor("R307", "33R", "LRCK", "PCM_FS"),
    resistor("R308", "33R", "DOUT", "PCM_DIN"),
]  # fmt: skip


def _cell(ref: str, net: str) -> Part:
    return chip(
        ref, "Battery_Cell", {"1": net, "2": "CELLN"}, "", "3.6 V, 3 Ah, 5 A or more",
        "lithium-ion cell 18650, protected, button top, in a two-cell holder with one lead per cell",
        "18650 with its own protection", value="18650", tolerance="both of one type, age and charge",
        substitutes="any protected 18650 of 2.5 Ah or more", price_usd=8.0,
    )  # fmt: skip


def _jst(ref: str, ways: int, value: str, pins: Mapping[str, str], what: str) -> Part:
    return chip(
        ref, f"Conn_01x{ways:02d}", pins, f"Connector_JST:JST_XH_B{ways}B-XH-A_1x{ways:02d}_P2.50mm_Vertical",
        "250 V, 3 A", f"connector, XH, {ways} ways, {what}", f"B{ways}B-XH-A", value=value,
        substitutes="the leads soldered in", price_usd=0.2,
    )  # fmt: skip


def _cell_fuse(ref: str, net: str) -> Part:
    return chip(
        ref, "Fuse", {"1": net, "2": "VCELL"}, "Fuse:Fuse_Littelfuse-NANO2-451_453", "3 A, 32 V or more, fast",
        "fuse, surface mount", "0451003.MRL", value="3 A", substitutes="any 3 A fast fuse of this size", price_usd=0.8,
    )  # fmt: skip


def _protector_fet(ref: str, gate: str, source: str) -> Part:
    return chip(
        ref, "NMOS_SON8", {"1": source, "2": source, "3": source, "4": gate, "5": "PMID"},
        "Package_SON:VSON-8_3.3x3.3mm_P0.65mm_NexFET", "25 V, 60 A, 5 mohm at 3 V",
        "MOSFET, n-channel, for 3 V at the gate, 3.3 mm SON", "CSD16327Q3", value="CSD16327Q3",
        substitutes="any n-channel of 8 mohm or less at 3 V, same pins", price_usd=1.0,
    )  # fmt: skip


BATTERY = [
    _cell("BT1", "CELL1"),
    _cell("BT2", "CELL2"),
    chip(
        "RT1", "Thermistor_NTC", {"1": "NTC", "2": "CELLN"}, "", "10 kohm at 25 C, B 3435 K",
        "thermistor, NTC, against the cells", "103AT-2", value="10k", tolerance="1 %",
        substitutes="any 10 kohm NTC of the 103AT curve", price_usd=0.6,
    ),
    _jst("J9", 4, "CELLS", {"1": "CELL1", "2": "CELL2", "3": "NTC", "4": "CELLN"}, "for the cell holder"),
    _cell_fuse("F1", "CELL1"),
    _cell_fuse("F2", "CELL2"),
    chip(
        "U10", "BQ297xy", {"2": "PCO", "3": "PDO", "4": "CELLN", "5": "PBAT", "6": "PVM"},
        "Package_SON:WSON-6_1.5x1.5mm_P0.5mm", "over 4.275 V, under 2.8 V, 0.1 V of current",
        "cell protector, second line behind the cells' own", "BQ29700DSE", value="BQ29700", tolerance="10 to 50 mV",
        substitutes="another of its series, for other limits", price_usd=0.6,
    ),
    resistor("R401", "330R", "VCELL", "PBAT"),
    capacitor("C401", "100n", "PBAT", "CELLN"),
    resistor("R402", "2.2k", "PVM", "GND"),
    _protector_fet("Q1", "PDO", "CELLN"),
    _protector_fet("Q2", "PCO", "GND"),
    chip(
        "U9", "MAX17048",
        {
            "1": "GND", "2": "VCELL", "3": "VCELL", "4": "GND", "5": "LOW_BATT#", "6": "GND", "7": "SCL", "8": "SDA",
            "9": "GND",
        },
        "Package_DFN_QFN:TDFN-8-1EP_2x2mm_P0.5mm_EP0.8x1.2mm", "2.5 to 4.5 V",
        "fuel gauge, I2C, address 0x36, alert line", "MAX17048G+T10", tolerance="7.5 mV",
        substitutes="none without a change of firmware", price_usd=2.6,
    ),
    capacitor("C402", "100n", "VCELL", "GND"),
    chip(
        "J7", "USB_C_Power",
        {"A5": "CC1", "B5": "CC2", "A9": "VBUS", "B9": "VBUS", "A12": "GND", "B12": "GND", "S1": "GND"},
        "Connector_USB:USB_C_Receptacle_GCT_USB4125-xx-x_6P_TopMnt_Horizontal", "5 V, 3 A",
        "USB type C receptacle, power only, behind the sliding shutter", "USB4125-GF-A", value="CHARGE",
        substitutes="any with the same pads", price_usd=0.6,
    ),
    resistor("R403", "5.1k", "CC1", "GND"),
    resistor("R404", "5.1k", "CC2", "GND"),
    chip(
        "F3", "Polyfuse", {"1": "VBUS", "2": "VIN5"}, "Fuse:Fuse_1812_4532Metric", "1.5 A hold, 3 A trip, 8 V or more",
        "resettable fuse, 1812", "1812L150/12", value="1.5 A", substitutes="any of 1.5 A hold in 1812", price_usd=0.3,
    ),
    chip(
        "J16", "Conn_01x02", {"1": "VIN5", "2": "GND"}, "Connector_Wire:SolderWire-0.5sqmm_1x02_P4.8mm_D0.9mm_OD2.3mm",
        "3 A", "lead with an XH plug of 2 ways for J8, soldered in", "2 x 0.5 mm2, 120 mm, XHP-2", value="TO J8",
        substitutes="any flexible lead of 0.5 mm2", price_usd=0.5,
    ),
    chip(
        "D401", "D_TVS", {"1": "VIN5", "2": "GND"}, "Diode_SMD:D_SMF", "6 V stand-off, 200 W",
        "diode, transient suppressor, bidirectional, SMF", "SMF6.0CA", value="SMF6.0CA",
        substitutes="any 6 V suppressor of 200 W or more", price_usd=0.2,
    ),
    chip(
        "J8", "Conn_01x02", {"1": "VIN5", "2": "GND"}, "Connector_JST:JST_XH_B2B-XH-A_1x02_P2.50mm_Vertical",
        "250 V, 3 A",
        "connector, XH, 2 ways, for the lead from J16, or in its place that of a 5 V bank inside the case", "B2B-XH-A",
        value="5 V IN", substitutes="the leads soldered in", price_usd=0.2,
    ),
    chip(
        "U11", "BQ24074",
        {
            "1": "NTC", "2": "VCELL", "3": "VCELL", "4": "GND", "5": "VSYS", "6": "GND", "8": "GND", "9": "CHG#",
            "10": "VSYS", "11": "VSYS", "12": "ILIM", "13": "VIN5", "14": "TMR", "15": "ITERM", "16": "ISET",
            "17": "GND",
        },
        "Package_DFN_QFN:VQFN-16-1EP_3x3mm_P0.5mm_EP1.6x1.6mm", "28 V in, 1.5 A",
        "charger for one lithium-ion cell, with power path and thermistor", "BQ24074RGT", tolerance="4.2 V, 1 %",
        price_usd=2.6,
    ),
    resistor("R405", "1.18k", "ILIM", "GND"),
    resistor("R406", "1.13k", "ISET", "GND"),
    resistor("R407", "3.01k", "ITERM", "GND"),
    resistor("R408", "71.5k", "TMR", "GND"),
    resistor("R409", "1k", "CLA", "VSYS"),
    chip(
        "D402", "LED", {"1": "CHG#", "2": "CLA"}, "LED_SMD:LED_0805_2012Metric", "2 V, 20 mA", "LED, yellow, 0805",
        "any yellow LED of 0805", value="CHARGING", substitutes="any colour but red", price_usd=0.1,
    ),
    capacitor("C403", "10u", "VIN5", "GND", size="1206", volts=50),
    capacitor("C404", "22u", "VSYS", "GND", size="1206", volts=16),
    capacitor("C405", "10u", "VCELL", "GND", size="1206"),
    chip(
        "U12", "TPS3808", {"1": "EN5", "2": "GND", "3": "MR#", "4": "CT", "5": "UVS", "6": "VSYS"},
        "Package_TO_SOT_SMD:SOT-23-6", "1.7 to 6.5 V", "voltage monitor, adjustable, with manual reset",
        "TPS3808G01DBV", value="TPS3808G01", tolerance="2 %", price_usd=1.4,
    ),
    precise_resistor("R410", "649k", "VSYS", "UVS"),
    precise_resistor("R411", "100k", "UVS", "GND"),
    capacitor("C406", "10n", "UVS", "GND", volts=50),
    resistor("R412", "100k", "CT", "VSYS"),
    fet("Q3", "3V3", "MR#", "PWR_KILL#"),
    resistor("R413", "10k", "3V3", "PWR_KILL#"),
    button("S5", "FORCE OFF", "MR#", "GND", size="SW_PUSH_6mm_H4.3mm"),
    resistor("R414", "4.7k", "VSYS", "PB"),
    button("S4", "ON", "PB", "EN5"),
    resistor("R415", "10k", "5V", "EN5"),
    resistor("R416", "100k", "EN5", "GND"),
    resistor("R518", "10k", "3V3", "LOW_BATT#"),
]  # fmt: skip


def _ldo(ref: str, value: str, source: str, out: str) -> Part:
    return chip(
        ref, "LDO_TSOT5", {"1": source, "2": "GND", "3": source, "4": out, "5": out}, "Package_TO_SOT_SMD:TSOT-23-5",
        "200 mA, 11 uV rms", "regulator, low noise, TSOT-23-5", value, value=value, tolerance="0.8 %",
        substitutes="any low-noise type of 1 % and 200 mA with these pins", price_usd=2.2,
    )  # fmt: skip


def _choke(ref: str, value: str, net_1: str, net_2: str, rating: str, footprint: str, example: str) -> Part:
    return chip(
        ref, "L", {"1": net_1, "2": net_2}, f"Inductor_SMD:{footprint}", rating, "inductor, shielded", example,
        value=value, tolerance="20 %", substitutes="any shielded type of this size and current", price_usd=0.6,
    )  # fmt: skip


SUPPLIES = [
    chip(
        "U13", "TPS61230",
        {
            "1": "SW5", "2": "SW5", "3": "5V", "4": "5V", "6": "SS5", "7": "FB5", "9": "EN5", "10": "VSYS", "11": "GND",
        },
        "Package_SON:Texas_S-PVSON-N10_ThermalVias", "2.3 to 5.5 V in, 5 A switch",
        "step-up converter, disconnects its load when off", "TPS61230DRC", tolerance="FB 1.5 %", price_usd=2.3,
    ),
    _choke("L401", "1u", "VSYS", "SW5", "6 A saturation, 20 mohm", "L_6.3x6.3_H3", "6.3 x 6.3 mm, 1 uH"),
    capacitor("C411", "10n", "SS5", "GND", volts=50),
    capacitor("C412", "10u", "VSYS", "GND", size="1206"),
    capacitor("C413", "22u", "5V", "GND", size="1210", volts=16),
    capacitor("C414", "22u", "5V", "GND", size="1210", volts=16),
    resistor("R417", "402k", "5V", "FB5"),
    resistor("R418", "100k", "FB5", "GND"),
    chip(
        "U14", "TPS22917", {"1": "5V", "2": "GND", "3": "AFE_EN", "4": "CT_AFE", "5": "5V_AFE", "6": "5V_AFE"},
        "Package_TO_SOT_SMD:SOT-23-6", "5.5 V, 2 A", "load switch, slow rise, discharges its output",
        "TPS22917DBV", price_usd=0.7,
    ),
    capacitor("C415", "1n", "CT_AFE", "GND", volts=50),
    capacitor("C416", "1u", "5V", "GND"),
    capacitor("C417", "10u", "5V_AFE", "GND", size="1206"),
    resistor("R419", "10k", "3V3", "AFE_EN"),
    chip(
        "U15", "TLV61046A", {"1": "SW56", "2": "GND", "3": "FB56", "4": "5V_AFE", "5": "5V6", "6": "5V_AFE"},
        "Package_TO_SOT_SMD:SOT-23-6", "5.5 V in, 28 V out, 0.9 A switch", "step-up converter with its diode inside",
        "TLV61046ADB", tolerance="FB 2 %", price_usd=0.9,
    ),
    _choke("L402", "10u", "5V_AFE", "SW56", "1 A saturation, 0.2 ohm", "L_APV_ANR4030", "4 x 4 mm, 10 uH"),
    capacitor("C418", "4.7u", "5V_AFE", "GND", size="0805"),
    capacitor("C419", "10u", "5V6", "GND", size="1206"),
    resistor("R420", "604k", "5V6", "FB56"),
    resistor("R421", "100k", "FB56", "GND"),
    _ldo("U7", "ADP7142AUJZ-5.0", "5V6", "5VA"),
    capacitor("C420", "2.2u", "5V6", "GND", size="0805"),
    capacitor("C421", "10u", "5VA", "GND", size="1206"),
    _ldo("U8", "ADP7142AUJZ-3.3", "5V_AFE", "3V3A"),
    capacitor("C422", "2.2u", "5V_AFE", "GND", size="0805"),
    capacitor("C423", "10u", "3V3A", "GND", size="1206"),
]  # fmt: skip

HEADER = {
    "1": "3V3", "2": "5V", "3": "SDA", "4": "5V", "5": "SCL", "6": "GND", "7": "ALERT_RDY", "8": "DIAG", "9": "GND",
    "10": "LOW_BATT#", "11": "LED_R", "12": "PCM_CLK", "13": "LED_G", "14": "GND", "15": "LED_B", "16": "AFE_EN",
    "17": "3V3", "18": "TFT_RST", "19": "MOSI", "20": "GND", "21": "MISO", "22": "TFT_DC", "23": "SCLK",
    "24": "TFT_CS", "25": "GND", "26": "PWR_KILL#", "29": "BTN_A", "30": "GND", "31": "BTN_B", "32": "TFT_BL",
    "33": "BUZZER", "34": "GND", "35": "PCM_FS", "36": "BTN_C", "37": "FOOTSWITCH", "38": "PCM_DIN", "39": "GND",
}  # fmt: skip

SUPPLY_CABLE = {
    "1": "5V", "2": "GND", "3": "5V", "4": "GND", "5": "5V", "6": "GND", "7": "3V3", "8": "GND", "9": "SDA",
    "10": "SCL", "11": "LOW_BATT#", "12": "PWR_KILL#", "13": "FOOTSWITCH", "14": "PB", "15": "EN5", "16": "MR#",
}  # fmt: skip
PANEL_CABLE = {
    "1": "5V", "2": "GND", "3": "3V3", "4": "GND", "5": "SCLK", "6": "GND", "7": "MOSI", "8": "MISO", "9": "TFT_CS",
    "10": "TFT_DC", "11": "TFT_RST", "12": "TFT_BL", "13": "SDA", "14": "SCL", "15": "LED_R", "16": "LED_G",
    "17": "LED_B", "18": "BUZZER", "19": "BTN_A", "20": "BTN_B", "21": "BTN_C", "22": "PB", "23": "EN5", "24": "MR#",
}  # fmt: skip


def _cable_end(ref: str, value: str, pins: Mapping[str, str]) -> Part:
    """Return one of the two plugs of a flat cable between boards; the other one has the same pins."""
    ways = len(pins)
    return chip(
        ref, f"Cable_{ways}", pins, f"Connector_PinHeader_1.27mm:PinHeader_2x{ways // 2:02d}_P1.27mm_Vertical",
        "1 A a pin", f"header, 2 x {ways // 2} ways, 1.27 mm, for a flat cable of {ways} ways to another board",
        f"2x{ways // 2:02d} header, 1.27 mm", value=value, substitutes="any of this pitch; mark pin 1 of the cable",
        price_usd=0.8,
    )  # fmt: skip


COMPUTER = [
    chip(
        "J4", "RaspberryPi_Header", HEADER, "Connector_PinSocket_2.54mm:PinSocket_2x20_P2.54mm_Vertical", "3 A a pin",
        "socket, 2 x 20 ways, for a Raspberry Pi of the Zero 2 W class", "2x20 socket, 2.54 mm",
        value="Raspberry Pi", substitutes="any 2x20 socket of 2.54 mm", price_usd=1.2,
    ),
    _cable_end("J10", "TO J11", PANEL_CABLE),
    _cable_end("J11", "TO J10", PANEL_CABLE),
    _cable_end("J12", "TO J13", SUPPLY_CABLE),
    _cable_end("J13", "TO J12", SUPPLY_CABLE),
    resistor("R301", "10k", "3V3A", "DIAG"),
    chip(
        "J5", "Conn_01x09",
        {
            "1": "3V3", "2": "GND", "3": "TFT_CS", "4": "TFT_RST", "5": "TFT_DC", "6": "MOSI", "7": "SCLK",
            "8": "TFT_LED", "9": "MISO",
        },
        "Connector_JST:JST_PH_S9B-PH-K_1x09_P2.00mm_Horizontal", "100 V, 2 A",
        "connector, PH, side entry, 9 ways, for the lead to a 2.8-inch display module (ST7789 or ILI9341)", "S9B-PH-K",
        value="PANEL", substitutes="the order of pins differs between modules: compare first", price_usd=0.5,
    ),
    fet("Q5", "TFT_BL", "BLG", "GND"),
    resistor("R502", "10k", "5V", "BLG"),
    chip(
        "Q4", "PMOS", {"1": "BLG", "2": "5V", "3": "BLD"}, "Package_TO_SOT_SMD:SOT-23", "30 V, 3 A",
        "MOSFET, p-channel, logic level, SOT-23", "AO3401A", value="AO3401A",
        substitutes="any logic-level p-channel of 20 V or more, same pins", price_usd=0.12,
    ),
    resistor("R503", "33R", "BLD", "TFT_LED", size="1206"),
    resistor("R505", "1k", "BTN_A", "SW_A"),
    resistor("R506", "1k", "BTN_B", "SW_B"),
    resistor("R507", "1k", "BTN_C", "SW_C"),
    button("S1", "A", "SW_A", "GND", size="SW_PUSH_6mm_H7.3mm"),
    button("S2", "B", "SW_B", "GND", size="SW_PUSH_6mm_H7.3mm"),
    button("S3", "C", "SW_C", "GND", size="SW_PUSH_6mm_H7.3mm"),
    chip(
        "J6", "Jack_Mono", {"1": "FOOT_IN", "2": "GND"}, "Connector_JST:JST_XH_B2B-XH-A_1x02_P2.50mm_Vertical",
        "12 V", "jack, 3.5 mm, mono, plastic, in the panel, wired to the board; for a floating contact only",
        "plastic panel jack, 3.5 mm", value="FOOT SWITCH", price_usd=1.0,
        substitutes="any jack without metal on the outside",
    ),
    clamp("D501", "FOOT_IN", "GND"),
    resistor("R508", "1k", "FOOTSWITCH", "FOOT_IN"),
    resistor("R509", "10k", "3V3", "FOOTSWITCH"),
    capacitor("C501", "100n", "FOOTSWITCH", "GND"),
    chip(
        "D502", "LED_RGB_CA", {"1": "LRK", "2": "5V", "3": "LGK", "4": "LBK"},
        "Connector_Wire:SolderWire-0.1sqmm_1x04_P3.6mm_D0.4mm_OD1mm", "20 mA a colour",
        "LED, red, green and blue, common anode on pin 2, diffuse, 5 mm, in the lid, wired to the board",
        "5 mm RGB, common anode", value="LAMP", substitutes="any common-anode type; compare the order of its pins",
        price_usd=0.5,
    ),
    resistor("R510", "300R", "LRK", "LRD", size="0805"),
    resistor("R511", "200R", "LGK", "LGD", size="0805"),
    resistor("R512", "200R", "LBK", "LBD", size="0805"),
    fet("Q6", "LED_R", "LRD", "GND"),
    fet("Q7", "LED_G", "LGD", "GND"),
    fet("Q8", "LED_B", "LBD", "GND"),
    resistor("R516", "22R", "5V", "LSP", size="1206"),
    chip(
        "LS1", "Buzzer", {"1": "LSP", "2": "LSN"}, "Connector_Wire:SolderWire-0.1sqmm_1x02_P3.6mm_D0.4mm_OD1mm",
        "5 V, 50 ohm or more",
        "sounder, magnetic, without a generator of its own, 12 mm, in the lid, wired to the board",
        "12 mm magnetic transducer, 5 V", value="SOUNDER",
        substitutes="any passive magnetic type of 5 V and 42 ohm or more", price_usd=0.9,
    ),
    chip(
        "D503", "D", {"1": "LSP", "2": "LSN"}, "Diode_SMD:D_SOD-123", "100 V, 0.15 A", "diode, fast, SOD-123",
        "1N4148W", value="1N4148W", substitutes="any fast diode of SOD-123", price_usd=0.03,
    ),
    fet("Q9", "BUZZER", "LSN", "GND"),
    chip(
        "U16", "DS3231M", {"2": "3V3", "5": "GND", "6": "VBAT", "7": "SDA", "8": "SCL"},
        "Package_SO:SOIC-8_3.9x4.9mm_P1.27mm", "2.3 to 5.5 V", "clock chip, battery-backed, I2C, address 0x68",
        "DS3231MZ+", tolerance="5 ppm", substitutes="DS3231 in its wide case, with another footprint", price_usd=4.5,
    ),
    capacitor("C502", "100n", "3V3", "GND"),
    chip(
        "BT3", "Battery_Cell", {"1": "VBAT", "2": "GND"}, "Battery:BatteryHolder_Keystone_3000_1x12mm", "3 V, 35 mAh",
        "holder and lithium coin cell CR1220", "holder for CR1220", value="CR1220", substitutes="any CR1220 holder",
        price_usd=1.0,
    ),
]  # fmt: skip

SHEETS: Mapping[str, Sequence[Part]] = {
    "inputs": INPUTS,
    "bass": BASS,
    "audio": AUDIO,
    "battery": BATTERY,
    "supplies": SUPPLIES,
    "computer": COMPUTER,
}
PARTS: Sequence[Part] = [part for parts in SHEETS.values() for part in parts]


@dataclass(frozen=True, slots=True)
class Connection:
    """One pin of one part on one net: a row of the netlist."""

    ref: str
    pin: str
    net: str


_POWER = {"p": "e-12", "n": "e-9", "u": "e-6", "m": "e-3", "R": "", "k": "e3", "M": "e6"}


def quantity(value: str) -> float:
    """Return a printed value such as 3.65k, 100R or 68n as a number in ohm, farad or henry."""
    return float(value[:-1] + _POWER[value[-1]]) if value[-1] in _POWER else float(value)


def value_of(ref: str) -> float:
    """Return the value of one resistor, capacitor or inductor in ohm, farad or henry."""
    return quantity(next(part.value for part in PARTS if part.ref == ref))


def connections(parts: Iterable[Part] = PARTS) -> set[Connection]:
    """Return every connected pin of these parts."""
    return {Connection(part.ref, pin, net) for part in parts for pin, net in part.pins.items()}
