"""The schematic against itself, the firmware, what its parts can bear, and KiCad.

The circuit is read from hardware/circuit/netlist.csv and bom.csv, which KiCad exported from the drawing.
"""

from __future__ import annotations

import csv
import dataclasses
import math
import re
import subprocess
import sys
from collections import Counter, defaultdict
from pathlib import Path

import numpy as np
import pytest

from flattop import supply
from flattop.converters import frontend
from flattop.panel.buttons import Button
from flattop.panel.hardware import controls, display, signals
from flattop.samples import Input
from flattop.settings import Settings
from flattop.simulated import frontend as simulated

ROOT = Path(__file__).parent.parent
CIRCUIT = ROOT / "hardware/circuit"


@pytest.fixture(scope="module", autouse=True)
def sources():
    """Make the modules of hardware/circuit known under their names, for the tests of this file only."""
    sys.path.insert(0, str(CIRCUIT))
    yield
    sys.path.remove(str(CIRCUIT))
    for name, module in list(sys.modules.items()):
        if Path(getattr(module, "__file__", None) or ".").parent == CIRCUIT:
            del sys.modules[name]


def table(name):
    with (CIRCUIT / name).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def quantity(value):
    """Return 3.65k, 100R or 68n as a number."""
    found = re.fullmatch(r"([\d.]+)([pnumRkM]?)", value)
    return float(
        found[1] + {"": "", "R": "", "p": "e-12", "n": "e-9", "u": "e-6", "m": "e-3", "k": "e3", "M": "e6"}[found[2]]
    )


NETLIST = table("netlist.csv")
BOM = {ref: row for row in table("bom.csv") for ref in row["references"].split()}
VALUE = {row["reference"]: row["value"] for row in NETLIST}
PINS = {(row["reference"], row["pin"]): row["net"] for row in NETLIST}
BY_NET = defaultdict(set)
for (reference, pin), net in PINS.items():
    BY_NET[net].add((reference, pin))


def value(ref):
    return quantity(VALUE[ref])


def nets(ref):
    """Return both nets of a part with two pins."""
    return {PINS[ref, "1"], PINS[ref, "2"]}


def between(prefix, a, b):
    """Return the references of the parts of one kind between two nets."""
    return {ref for ref, _ in BY_NET[a] if ref.startswith(prefix) and nets(ref) == {a, b}}


def only(prefix, a, b):
    """Return the value of the one part of this kind between two nets."""
    (ref,) = between(prefix, a, b)
    return value(ref)


def leg(start, end):
    """Return the resistance from one net to another through resistors that have nothing else at their joints."""
    total, here, came = 0.0, start, None
    while here != end:
        (ref,) = {ref for ref, _ in BY_NET[here] if ref.startswith("R")} - {came}
        total += value(ref)
        (here,), came = nets(ref) - {here}, ref
    return total


# -- the firmware's model of the circuit ------------------------------------------------------------------------------

CHANNELS = {
    Input.SPEAKER: ("S", 1, "SPKP", "SPKN", "AIN0", "AIN1"),
    Input.LINE: ("L", 2, "LINP", "LINN", "AIN2", "AIN3"),
}


@pytest.mark.parametrize("channel", CHANNELS)
def test_divider_and_its_ratio_are_the_firmwares(channel):
    x, _, plus, minus, _, _ = CHANNELS[channel]
    model = frontend.CHANNELS[channel]
    for terminal, knot in ((plus, f"DA_{x}"), (minus, f"DB_{x}")):
        assert leg(terminal, knot) == pytest.approx(model.leg_ohm)
        assert only("R", knot, f"HGND_{x}") == model.foot_ohm
    assert frontend.ISOLATOR_GAIN == 2.0  # AMC3330, SBASA37: fixed gain
    ratio = (leg(plus, f"DA_{x}") + only("R", f"DA_{x}", f"HGND_{x}")) / only("R", f"DA_{x}", f"HGND_{x}")
    assert model.ratio == pytest.approx(ratio / 2.0)
    # The whole circuit linear to +-1 V at the isolator (SBASA37), above the ratings in hardware/README.md.
    assert ratio > {Input.SPEAKER: 255.0, Input.LINE: 20.0}[channel]


@pytest.mark.parametrize("channel", CHANNELS)
def test_the_bass_filter_is_the_firmwares(channel):
    x, _, _, _, plus, minus = CHANNELS[channel]
    for isolator, joint, pin in ((f"OP_{x}", f"h1_{x}", plus), (f"ON_{x}", f"h2_{x}", minus)):
        assert only("R", isolator, joint) == frontend.R1_OHM
        assert only("R", joint, pin) == frontend.R2_OHM
        assert only("C", joint, "GND") == pytest.approx(frontend.C1_GROUND_F)
        assert only("C", pin, "GND") == pytest.approx(frontend.C2_GROUND_F)
    assert only("C", f"h1_{x}", f"h2_{x}") == pytest.approx(frontend.C1_ACROSS_F)
    assert only("C", plus, minus) == pytest.approx(frontend.C2_ACROSS_F)
    source = sum(value(ref) for ref in ("R130", "R131", "R132", "R133"))
    assert source == frontend.SOURCE_OHM == pytest.approx(8.64e3)


def test_poles_and_droop_come_out_of_the_netlist():
    # Ladder of two sections for the differential signal: roots of 1 + s (R1 C1 + (R1 + R2) C2) + s^2 R1 R2 C1 C2.
    r1, r2 = value("R130"), value("R132")
    c1, c2 = 2 * value("C130") + value("C131"), 2 * value("C133") + value("C134")
    poles = np.sort(-np.roots([r1 * r2 * c1 * c2, r1 * c1 + (r1 + r2) * c2, 1]) / (2 * np.pi))
    hz = np.array([0.1, 40.0, 300.0, 1650.0])
    ladder = 1 / np.prod([1 + 1j * hz / pole for pole in poles], axis=0)
    isolator = 1 / (1 + 1j * hz / frontend.ISOLATOR_POLE_HZ)
    np.testing.assert_allclose(frontend.rc_response(hz), ladder * isolator, rtol=1e-12)
    from margins import bass_poles_hz

    assert bass_poles_hz() == pytest.approx(tuple(poles))


@pytest.mark.parametrize(("channel", "guard_f"), [("S", 571e-12), ("L", 434e-12)])
def test_the_pole_before_the_isolator_is_near_the_firmwares(channel, guard_f):
    # One constant stands for both channels, rounded: 1 % of it moves the level at 300 Hz by a millionth.
    n = {"S": 1, "L": 2}[channel]
    model = frontend.CHANNELS[Input.SPEAKER if n == 1 else Input.LINE]
    source = 2 * (value(f"R{n}11") + model.leg_ohm * model.foot_ohm / (model.leg_ohm + model.foot_ohm))
    across = sum(value(ref) for ref in between("C", f"INP_{channel}", f"INN_{channel}"))
    ground = only("C", f"INP_{channel}", f"HGND_{channel}")
    assert across + ground / 2 == pytest.approx(guard_f)
    pole = 1 / (2 * math.pi * source * guard_f)
    assert pole == pytest.approx(frontend.ISOLATOR_POLE_HZ, rel=0.01)
    hz = 300.0
    apart = abs(1 / (1 + 1j * hz / pole)) / abs(1 / (1 + 1j * hz / frontend.ISOLATOR_POLE_HZ))
    assert abs(apart - 1) < 2e-6


def test_the_full_band_filter_is_the_firmwares():
    for x, n in (("S", 1), ("L", 2)):
        for isolator, joint, far, amp in (
            (f"ON_{x}", f"f1_{x}", f"OF_{x}", f"FN_{x}"),
            (f"OP_{x}", f"f2_{x}", "VMID", f"FP_{x}"),
        ):
            assert only("R", isolator, joint) == frontend.FEED_OHM
            assert only("R", joint, far) == frontend.BACK_OHM
            assert only("R", joint, amp) == frontend.SERIES_OHM
            assert only("C", joint, "GND") == pytest.approx(frontend.NODE_F)
            assert only("C", amp, far) == pytest.approx(frontend.BACK_F)
        assert only("R", f"OF_{x}", f"o2_{x}") == frontend.COUPLING_OHM
        assert only("C", f"o2_{x}", {"S": "VINL", "L": "VINR"}[x]) == frontend.COUPLING_F
        assert value(f"R{n}11") == value(f"R{n}12") == frontend.GUARD_OHM
        assert value(f"C{n}02") == value(f"C{n}03") == pytest.approx(frontend.GUARD_GROUND_F)
        across = sum(value(ref) for ref in between("C", f"INP_{x}", f"INN_{x}"))
        assert across == pytest.approx(frontend.GUARD_ACROSS_F[Input.SPEAKER if x == "S" else Input.LINE])


def test_one_code_is_the_datasheets():
    # ADS1015, SBAS473, table "Full-scale range and corresponding LSB size": 1, 0.5, 0.25, 0.125 mV.
    assert dict(frontend.LSB_V) == {2.048: 1e-3, 1.024: 0.5e-3, 0.512: 0.25e-3, 0.256: 0.125e-3}
    from margins import INPUT_OHM

    assert dict(frontend.INPUT_OHM) == dict(INPUT_OHM)


@pytest.mark.parametrize("channel", CHANNELS)
def test_the_simulated_board_has_the_parts_of_the_netlist(channel):
    x, n, plus, minus, first, second = CHANNELS[channel]
    node = {
        "P": plus, "N": minus, "DP": f"DA_{x}", "DN": f"DB_{x}", "INP": f"INP_{x}", "INN": f"INN_{x}",
        "HGND": f"HGND_{x}", "OP": f"OP_{x}", "ON": f"ON_{x}", "h1": f"h1_{x}", "h2": f"h2_{x}", "AP": first,
        "AN": second, "GND": "GND",
    }  # fmt: skip
    legs = {f"R{n}01", "R105" if n == 1 else "R203"}
    seen = set()
    for stage in simulated._STAGES[channel]:
        for ref, a, b, nominal in stage:
            ends = node[a], node[b]
            if ref in legs:
                assert leg(*ends) == pytest.approx(nominal), ref
                seen |= {r for r in VALUE if re.fullmatch(rf"R{n}0[1-8]", r) and (ref < "R105") == (r < "R105")}
                continue
            both = between(ref[0], *ends)
            assert ref in both
            assert sum(value(part) for part in both) == pytest.approx(nominal), ref
            seen |= both
    passives = {ref for ref in VALUE if re.fullmatch(rf"[RC]{n}(0\d|1[0-2]|3\d)", ref)}
    supply = {f"C{n}{i:02d}" for i in range(4, 12)}
    if n == 2:
        seen |= {"R201", "R202", "R203", "R204"}
    assert passives - supply - seen == set()
    assert {VALUE[f"U{channel}"] for channel in (1, 2)} == {"AMC3330"}


# -- pins -------------------------------------------------------------------------------------------------------------


def gpio(net):
    (row,) = [row for row in table("pin-map.csv") if row["net"] == net]
    return int(row["pin"].removeprefix("GPIO"))


def test_the_pins_are_those_that_the_program_opens():
    lamp = dict(signals.LAMP)
    assert {name: gpio(f"LED_{name[6].upper()}") for name in lamp} == lamp
    assert {button: gpio(f"BTN_{button.name}") for button in (Button.A, Button.B, Button.C)} == {
        button: controls.GPIO[button] for button in (Button.A, Button.B, Button.C)
    }
    assert gpio("FOOTSWITCH") == controls.GPIO[Button.FOOT]
    assert gpio("LOW_BATT#") == controls.GPIO_LOW_BATTERY
    assert gpio("BUZZER") == signals.GPIO_SOUNDER
    assert (gpio("TFT_DC"), gpio("TFT_RST"), gpio("TFT_BL")) == (
        display.GPIO_DC,
        display.GPIO_RST,
        display.GPIO_BACKLIGHT,
    )
    assert gpio("ALERT_RDY") == Settings().ads1015.alert_gpio


def test_the_pins_are_those_of_the_boot_configuration():
    lines = (ROOT / "firmware/deploy/config.txt").read_text("utf-8").splitlines()
    assert f"dtoverlay=gpio-poweroff,gpiopin={gpio('PWR_KILL#')},active_low=1" in lines
    # One chip select only, or GPIO 7 belongs to SPI 0 (overlays README: spi0-1cs) and not to the power kill.
    assert f"dtoverlay=spi0-1cs,cs0_pin={gpio('TFT_CS')}" in lines
    dark = next(line for line in lines if line.startswith("gpio=") and line.endswith("=op,dl"))
    off_when_low = {gpio(net) for net in ("LED_R", "LED_G", "LED_B", "BUZZER", "TFT_BL")}
    assert off_when_low <= {int(pin) for pin in re.findall(r"\d+", dark)}
    assert {ref for ref, _ in BY_NET["SDA"]} == {"J4", "U4", "U9", "U16", "J10", "J11", "J12", "J13"}
    assert "dtoverlay=i2c-rtc,ds3231" in lines
    # The kernel's overlay i2c-sensor has this one at 0x36 (i2c-sensor-common.dtsi of the Raspberry Pi's kernel). Its
    # driver drops the last four bits of register 0x02 and takes 1.25 mV a step, which is 16 steps of 78.125 uV.
    assert "dtoverlay=i2c-sensor,max17040" in lines
    assert VALUE["U16"].startswith("DS3231")


def test_the_pin_map_is_the_netlists():
    drawn = {pin: net for (ref, pin), net in PINS.items() if ref == "J4"}
    assert {row["physical"]: row["net"] for row in table("pin-map.csv") if row["net"]} == drawn


def test_the_header_is_a_raspberry_pis():
    # Raspberry Pi documentation, "GPIO and the 40-pin header": physical pin to BCM number, supplies and grounds.
    bcm = {
        3: 2, 5: 3, 7: 4, 8: 14, 10: 15, 11: 17, 12: 18, 13: 27, 15: 22, 16: 23, 18: 24, 19: 10, 21: 9, 22: 25, 23: 11,
        24: 8, 26: 7, 27: 0, 28: 1, 29: 5, 31: 6, 32: 12, 33: 13, 35: 19, 36: 16, 37: 26, 38: 20, 40: 21,
    }  # fmt: skip
    rows = {int(row["physical"]): row for row in table("pin-map.csv")}
    assert sorted(rows) == list(range(1, 41))
    for physical, row in rows.items():
        if physical in bcm:
            assert row["pin"] == f"GPIO{bcm[physical]}"
        else:
            wanted = "5V" if physical in (2, 4) else "3V3" if physical in (1, 17) else "GND"
            assert row["net"] == wanted, physical
    # PCM_CLK, PCM_FS and PCM_DIN are functions of these three only; 2 and 3 are I2C 1 (same source).
    assert (gpio("PCM_CLK"), gpio("PCM_FS"), gpio("PCM_DIN"), gpio("SDA"), gpio("SCL")) == (18, 19, 20, 2, 3)


# -- the first list of the front end ----------------------------------------------------------------------------------

# Reference, value, nodes as they were first put down. "x" stands for both channels; values as printed there.
FIRST = """
R101 249k SPKP a1; R102 249k a1 a2; R103 249k a2 a3; R104 249k a3 DA_S; R105 249k SPKN b1; R106 249k b1 b2
R107 249k b2 b3; R108 249k b3 DB_S; R109 3.65k DA_S HGND_S; R110 3.65k DB_S HGND_S; R111 1k DA_S INP_S
R112 1k DB_S INN_S; C101 560p INP_S INN_S; C102 22p INP_S HGND_S; C103 22p INN_S HGND_S
D101 3V3-bidir DA_S HGND_S; D102 3V3-bidir DB_S HGND_S; D201 3V3-bidir DA_L HGND_L; D202 3V3-bidir DB_L HGND_L
R201 59.0k LINP c1; R202 59.0k c1 DA_L; R203 59.0k LINN d1; R204 59.0k d1 DB_L; R209 5.36k DA_L HGND_L
R210 5.36k DB_L HGND_L; R211 1k DA_L INP_L; R212 1k DB_L INN_L; C202 22p INP_L HGND_L; C203 22p INN_L HGND_L
C201 390p INP_L INN_L; C212 33p INP_L INN_L
R120 4.99k ON_S f1_S; R121 3.48k f1_S OF_S; R122 2.61k f1_S FN_S; C120 4.7n f1_S GND; C121 470p FN_S OF_S
R123 4.99k OP_S f2_S; R124 3.48k f2_S VMID; R125 2.61k f2_S FP_S; C122 4.7n f2_S GND; C123 470p FP_S VMID
R126 100R OF_S o2_S; C124 10u o2_S VINL; R220 4.99k ON_L f1_L; R221 3.48k f1_L OF_L; R222 2.61k f1_L FN_L
C220 4.7n f1_L GND; C221 470p FN_L OF_L; R223 4.99k OP_L f2_L; R224 3.48k f2_L VMID; R225 2.61k f2_L FP_L
C222 4.7n f2_L GND; C223 470p FP_L VMID; R226 100R OF_L o2_L; C224 10u o2_L VINR
R130 1.00k OP_S h1_S; R131 1.00k ON_S h2_S; C130 68n h1_S h2_S; C131 1n h1_S GND; C132 1n h2_S GND
R132 3.32k h1_S AIN0; R133 3.32k h2_S AIN1; C133 22n AIN0 AIN1; C134 1n AIN0 GND; C135 1n AIN1 GND
R230 1.00k OP_L h1_L; R231 1.00k ON_L h2_L; C230 68n h1_L h2_L; R232 3.32k h1_L AIN2; R233 3.32k h2_L AIN3
C233 22n AIN2 AIN3
"""
# Chips of that list: pin by its name on the symbol.
FIRST_CHIPS = {
    "U1": {"INP": "INP_S", "INN": "INN_S", "HGND": "HGND_S", "OUTP": "OP_S", "OUTN": "ON_S", "VDD": "3V3A",
           "GND": "GND", "DIAG": "DIAG"},
    "U2": {"INP": "INP_L", "INN": "INN_L", "HGND": "HGND_L", "OUTP": "OP_L", "OUTN": "ON_L", "VDD": "3V3A",
           "GND": "GND", "DIAG": "DIAG"},
    "U4": {"VDD": "3V3", "GND": "GND", "ADDR": "GND", "AIN0": "AIN0", "AIN1": "AIN1", "AIN2": "AIN2", "AIN3": "AIN3",
           "SDA": "SDA", "SCL": "SCL", "ALERT/RDY": "ALERT_RDY"},
    "U5": {"VCC": "5VA", "VDD": "3V3D", "VINL": "VINL", "VINR": "VINR", "MD1": "3V3D", "MD0": "3V3D", "FMT": "GND"},
}  # fmt: skip


def test_the_first_list_of_the_front_end_is_kept():
    """What differs on purpose is in hardware/circuit/README.md, "Different from the first list"."""
    for entry in FIRST.replace("\n", ";").split(";"):
        if entry.strip():
            ref, printed, *nodes = entry.split()
            assert VALUE[ref].replace(" ", "-") == printed, ref
            assert nets(ref) == set(nodes), ref
    names = defaultdict(dict)
    for row in NETLIST:
        names[row["reference"]][row["pin_name"]] = row["net"]
    for ref, pins in FIRST_CHIPS.items():
        assert {name: names[ref][name] for name in pins} == pins, ref
    amplifiers = {("U3", "8"): "5VA", ("U3", "4"): "GND", ("U6", "1"): "VMID", ("U6", "4"): "VMID", ("U6", "3"): "VMR"}
    supplies = {("U7", "5"): "5VA", ("U7", "1"): "5V6", ("U8", "5"): "3V3A", ("Y1", "3"): "MCK"}
    assert {pin: PINS[pin] for pin in amplifiers | supplies} == amplifiers | supplies
    # Middle of the supply: 10k and 10k, 10u.
    assert only("R", "5VA", "VMR") == only("R", "VMR", "GND") == 10e3
    assert only("C", "VMR", "GND") == 10e-6
    # Clock and data of the audio converter through 33 ohm; pull-ups of the two open-drain lines.
    assert {VALUE[ref] for ref in ("R305", "R306", "R307", "R308")} == {"33R"}
    assert only("R", "SCKI", "MCK") == 33
    assert only("R", "DIAG", "3V3A") == only("R", "ALERT_RDY", "3V3") == 10e3


def test_the_audio_converter_has_the_datasheets_pins():
    # PCM1808, SLES177, pin functions.
    wanted = {
        "1": "VREF", "2": "AGND", "3": "VCC", "4": "VDD", "5": "DGND", "6": "SCKI", "7": "LRCK", "8": "BCK",
        "9": "DOUT", "10": "MD0", "11": "MD1", "12": "FMT", "13": "VINL", "14": "VINR",
    }  # fmt: skip
    assert {row["pin"]: row["pin_name"] for row in NETLIST if row["reference"] == "U5"} == wanted


# -- insulation -------------------------------------------------------------------------------------------------------


def reachable(start):
    """Return all nets that parts join to this one, isolators taken apart between pins 8 and 9."""
    found, todo = set(), [start]
    while todo:
        net = todo.pop()
        if net in found:
            continue
        found.add(net)
        for ref, pin in BY_NET[net]:
            for (other, far), joined in PINS.items():
                if other == ref and not (ref in ("U1", "U2") and (int(pin) <= 8) != (int(far) <= 8)):
                    todo.append(joined)
    return found


def test_nothing_but_the_isolators_crosses_the_barrier():
    speaker, line, low = reachable("HGND_S"), reachable("HGND_L"), reachable("GND")
    assert {"SPKP", "SPKN", "DA_S", "DCO_S"} <= speaker
    assert {"LINP", "LINN", "DA_L", "DCO_L"} <= line
    assert {"3V3A", "OP_S", "OP_L", "VCELL", "VBUS", "FOOT_IN"} <= low
    assert not speaker & line
    assert not (speaker | line) & low
    assert speaker | line | low == set(BY_NET)


@pytest.mark.parametrize(("first", "count", "foot", "rated", "overload"), [
    ("R101", 4, "R109", 255.0, 1000.0),
    ("R201", 2, "R209", 20.0, 250.0),
])  # fmt: skip
def test_leg_resistors_bear_rated_voltage_faults_and_overload(first, count, foot, rated, overload):
    # 180 V rms is 255 V peak. A thin-film resistor of 1206 is good for 200 V and 0.25 W (usual rating of the size, from
    # memory; to be looked up for the part that is bought), which the parts list has to ask for.
    volts, watts = (float(figure) for figure in re.findall(r"([\d.]+) [VW]", BOM[first]["rating"])[:2])
    assert (volts, watts) == (200.0, 0.25)
    one, whole_leg = value(first), count * value(first)
    both = 2 * (whole_leg + value(foot))
    alone, short = rated / whole_leg, rated / (whole_leg - one)
    for ampere in (rated / both, alone, short, overload / both):
        assert ampere * one < volts
        assert (ampere * one) ** 2 / one < watts
    for i in range(2 * count):
        ref = f"R{int(first[1:]) + i}"
        assert BOM[ref] is BOM[first]
        assert BOM[ref]["footprint"] == "Resistor_SMD:R_1206_3216Metric"
        assert "thin film" in BOM[ref]["description"]


def test_a_leg_limits_the_current_through_a_person():
    # IEC 61010-1, 6.3.1: 0.5 mA rms in normal condition for sine (from memory of the standard's second edition).
    rms = 180.0 / leg("SPKP", "DA_S")
    assert rms < 0.5e-3
    # One resistor of the leg shorted still keeps below it.
    assert 180.0 / (leg("SPKP", "DA_S") - value("R101")) < 0.5e-3


# -- parts list -------------------------------------------------------------------------------------------------------


def test_the_parts_list_is_complete():
    rows = table("bom.csv")
    counted = Counter(ref for row in rows for ref in row["references"].split())
    assert set(counted.values()) == {1}
    assert set(VALUE) <= set(counted)
    assert set(counted) - set(VALUE) == {"BT1", "BT2", "RT1"}, "parts beside the board"
    for row in rows:
        assert int(row["quantity"]) == len(row["references"].split())
        for column in ("value", "tolerance", "rating", "description", "example", "substitutes"):
            assert row[column].strip(), (row["references"], column)
        assert float(row["price_usd_from_memory"]) > 0
        for ref in row["references"].split():
            if ref[0] in "RC" and ref[1].isdigit():
                assert quantity(row["value"]) > 0
                assert re.fullmatch(r"[\d.]+ %", row["tolerance"])
            if ref in VALUE:
                assert row["value"] == VALUE[ref]
                assert row["footprint"], ref
    assert [row["references"] for row in rows if row["fitted"] == "no"] == []


def test_what_decides_the_readings_is_exact():
    for ref, row in BOM.items():
        if re.fullmatch(r"R[12](0\d|10|2[0-5]|3\d)|R41[01]", ref):
            assert row["tolerance"] == "0.1 %", ref
        if re.fullmatch(r"C[12](0[1-3]|12|2[0-3]|3\d)", ref) and ref != "C112":
            assert row["tolerance"] == "1 %", ref
            assert "C0G" in row["description"], ref


def test_capacitors_have_half_again_the_voltage_they_see():
    # Highest voltage of each supply; a net without one sees no more than the highest that it is made from.
    highest = {"VBUS": 5.5, "VIN5": 6.0, "VSYS": 4.5, "VCELL": 4.25, "5V": 5.2, "5V_AFE": 5.2, "5V6": 5.9}
    for ref, row in BOM.items():
        if ref[0] == "C" and ref[1].isdigit():
            rated = float(re.match(r"(\d+) V", row["rating"])[1])
            assert rated >= 1.5 * max(highest.get(net, 5.5) for net in nets(ref)), ref


def test_the_tables_of_the_readme_are_those_of_the_program():
    from margins import TABLES

    text = (CIRCUIT / "README.md").read_text("utf-8")
    for name, make in TABLES.items():
        assert f"<!-- margins: {name} -->\n\n{make()}\n" in text, f"print hardware/circuit/margins.py again: {name}"


def test_the_firmware_warns_and_shuts_down_where_the_circuit_says():
    from margins import EMPTY_CELL_V, LOW_CELL_V

    assert (LOW_CELL_V, EMPTY_CELL_V) == (supply.LOW_V, supply.EMPTY_V)


def test_the_battery_is_cut_off_at_three_volts():
    # 3.0 V for each cell. TPS3808G01: 0.405 V, 2 % (SBVS050, from memory).
    cut = 0.405 * (1 + only("R", "VSYS", "UVS") / only("R", "UVS", "GND"))
    assert 3.0 <= cut <= 3.1
    assert 0.98 * cut > 2.8, "before the cell protector"
    # Power kill, force-off button and monitor all end on the line that holds the 5 V converter.
    assert {("U12", "1"), ("U13", "9"), ("S4", "2")} <= BY_NET["EN5"]
    assert {("U12", "3"), ("S5", "1"), ("Q3", "3")} <= BY_NET["MR#"]
    assert PINS["Q3", "2"] == "PWR_KILL#"
    # 5 V within what a Raspberry Pi takes, 4.75 to 5.25 V, with 1.5 % of reference and 1 % of each resistor.
    up, down = only("R", "5V", "FB5"), only("R", "FB5", "GND")
    assert 0.985 * (1 + up * 0.99 / (down * 1.01)) > 4.75
    assert 1.015 * (1 + up * 1.01 / (down * 0.99)) < 5.25


# -- drawing ----------------------------------------------------------------------------------------------------------


def test_the_netlist_is_that_of_the_list_of_parts():
    from meter_parts import PARTS, connections

    on_board = [part for part in PARTS if part.on_board]
    assert {(c.ref, c.pin, c.net) for c in connections(on_board)} == {(*pin, net) for pin, net in PINS.items()}
    assert {part.ref: part.value for part in on_board} == VALUE
    assert {part.ref: part.footprint for part in on_board} == {row["reference"]: row["footprint"] for row in NETLIST}


def test_a_wrong_wire_is_found_before_kicad_sees_it():
    from kicad_files import DrawingError
    from signal_sheets import bass

    sheet = bass()
    sheet.check()
    sheet.wire("R130.2", "R131.2")
    with pytest.raises(DrawingError, match=r"joined, but on different nets: .*R130.2.*h1_S.*h2_S"):
        sheet.check()


def test_words_that_run_into_something_are_found():
    from signal_sheets import bass

    sheet = bass()
    assert sheet.collisions() == []
    sheet.words("Speaker, again", 14, 22)
    sheet.words("across", 61, 44)
    sheet.words("wire", 62, 34)
    sheet.words("far too far to the right", 215, 20)
    assert sheet.collisions() == [
        "bass.kicad_sch: 'Speaker, again' runs into 'Speaker'",
        "bass.kicad_sch: 'across' runs into 'C130'",
        "bass.kicad_sch: 'across' runs into '68n'",
        "bass.kicad_sch: 'across' runs into the body of C130 at (62.6, 44.6)",
        "bass.kicad_sch: 'wire' runs into a wire at (64.0, 30.0)",
        "bass.kicad_sch: 'far too far to the right' leaves the page",
    ]


def test_a_part_that_is_not_drawn_is_found():
    from kicad_files import DrawingError
    from meter_parts import BASS
    from sheet_drawing import Drawing, library

    with pytest.raises(DrawingError, match="U4 is not drawn"):
        Drawing("x.kicad_sch", "", BASS, library(), "A4").check()


def test_kicads_formats_survive_reading_and_writing():
    from kicad_files import dump, parse

    text = '(a "b \\"c\\" (d)" (e 1 -2.5) (f (g "line\\nline")))'
    assert parse(dump(parse(text))) == parse(text)
    for file in CIRCUIT.glob("*.kicad_s*"):
        whole = file.read_text("utf-8")
        assert dump(parse(whole)) + "\n" == whole, file.name


@pytest.fixture(scope="module")
def fresh(tmp_path_factory, need):
    """Draw and export again, and return where; the exporting itself fails on any fault that KiCad finds."""
    need("kicad-cli")
    folder = tmp_path_factory.mktemp("circuit")
    done = subprocess.run(
        [sys.executable, str(CIRCUIT / "export.py"), str(folder)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return folder


def test_the_schematic_and_its_exports_are_up_to_date(fresh):
    files = sorted(path.name for path in fresh.iterdir() if path.suffix in (".kicad_sch", ".csv"))
    assert len(files) == 10
    for name in files:
        assert (fresh / name).read_bytes() == (CIRCUIT / name).read_bytes(), f"{name}: run hardware/circuit/export.py"


def test_the_pdf_is_up_to_date(fresh, need):
    from export import KICAD

    version = subprocess.run([need("kicad-cli"), "version"], capture_output=True, text=True, check=True).stdout.strip()
    if version == KICAD:
        assert (fresh / "sheets.pdf").read_bytes() == (CIRCUIT / "sheets.pdf").read_bytes()
    pages = re.findall(rb"/Type /Page\b", (CIRCUIT / "sheets.pdf").read_bytes())
    assert len(pages) == len(list(CIRCUIT.glob("*.kicad_sch")))
    assert len(list((fresh / "svg").glob("*.svg"))) == len(pages)


def test_kicads_check_finds_nothing_and_would_find_something(fresh, tmp_path):
    from export import electrical_faults

    assert electrical_faults(fresh / "flattop.kicad_sch") == []
    for file in fresh.iterdir():
        if file.is_file():
            (tmp_path / file.name).write_bytes(file.read_bytes())
    sheet = (tmp_path / "bass.kicad_sch").read_text("utf-8")
    cut = re.sub(r'\n\t\(hierarchical_label "SCL".*?\n\t\)', "", sheet, flags=re.S)
    assert cut != sheet
    (tmp_path / "bass.kicad_sch").write_text(cut, "utf-8")
    assert any("SCL" in fault for fault in electrical_faults(tmp_path / "flattop.kicad_sch"))


def test_kicads_netlist_is_compared_with_the_parts(fresh):
    from export import compare, netlist

    rows = netlist(fresh / "flattop.kicad_sch")
    assert compare(rows) == []
    wrong = [dataclasses.replace(row, net="h2_S") if (row.reference, row.pin) == ("C131", "1") else row for row in rows]
    assert compare(wrong) == ["C131.1 is on h1_S in the list of parts only", "C131.1 is on h2_S in the drawing only"]
