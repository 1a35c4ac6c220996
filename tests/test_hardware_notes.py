"""The notes on safety, building and calibrating: their figures, their sources, and the procedure that they describe."""

from __future__ import annotations

import csv
import datetime
import importlib
import json
import math
import re
import sys
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from flattop import calibration
from flattop.__main__ import main
from flattop.board import FROZEN_S
from flattop.converters.ads1015 import Ads1015Converter
from flattop.converters.ads1015_chip import Alert
from flattop.converters.frontend import CHANNELS, INPUT_OHM, LSB_V, rc_response
from flattop.errors import CalibrationError
from flattop.measure.level import measure
from flattop.measure.reading import HAZARD_DC_V, HAZARD_PEAK_V, HAZARD_RMS_V
from flattop.samples import Input
from flattop.selfcheck import CALIBRATED_DAYS, on_a_pi
from flattop.settings import Settings
from flattop.simulated.board import SimulatedBoard
from flattop.simulated.frontend import Tolerances

ROOT = Path(__file__).parents[1]
HARDWARE = ROOT / "hardware"
NOTES = HARDWARE / "notes"
sys.path.insert(0, str(NOTES))

import calibrating  # noqa: E402
import note_building as building  # noqa: E402
import note_calibration as example  # noqa: E402
import note_drawing  # noqa: E402
import note_front_end as front_end  # noqa: E402
import note_nodal as nodal  # noqa: E402
import note_pages  # noqa: E402
import note_safety as safety  # noqa: E402
from calibrating import Point  # noqa: E402
from note_nodal import Part, Source, solve  # noqa: E402

PAGES = {page.name: page.read_text(encoding="utf-8") for page in note_pages.PAGES}
LIMITS = front_end.rows_of("limits.csv")


def prose(text: str) -> str:
    """Return a page without its printed figures and without code."""
    text = re.sub(r"<!-- made: .*?<!-- end -->", "", text, flags=re.S)
    return re.sub(r"^```.*?^ *```", "", text, flags=re.M | re.S)


def cells(name: str) -> list[list[str]]:
    """Return the rows of a printed table."""
    lines = [line for line in note_pages.BLOCKS[name]().splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines[2:]]


# -- the pages --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", PAGES)
def test_a_page_holds_what_the_scripts_print(name):
    text = PAGES[name]
    assert note_pages.renewed(text) == text, (
        "out of date: run hardware/notes/note_pages.py --write and look at what changed"
    )


def test_every_figure_is_on_a_page():
    assert sorted(re.findall(r"<!-- made: ([\w-]+) -->", "".join(PAGES.values()))) == sorted(note_pages.BLOCKS)


def test_a_page_with_an_unknown_figure_is_refused():
    with pytest.raises(ValueError, match="no figure is called nothing"):
        note_pages.renewed("<!-- made: nothing -->\n<!-- end -->")


def test_the_drawing_is_that_of_the_table():
    assert note_pages.DRAWING.read_text(encoding="utf-8") == note_drawing.drawing()


def test_the_drawing_names_every_gap_with_its_designed_value():
    drawn = [element.text for element in ElementTree.fromstring(note_drawing.drawing()).iter() if element.text]
    for gap in safety.gaps():
        assert drawn.count(gap.id) == 2, "once at the gap and once in the table"
        assert gap.between in drawn
        assert any(text.startswith(f"{gap.designed_mm:.0f} mm") for text in drawn)
        assert f"{gap.creepage_mm:.2f} mm" in drawn


@pytest.mark.parametrize("name", PAGES)
def test_every_page_says_first_that_nothing_was_built(name):
    first = PAGES[name].split("\n\n")[1]
    assert re.match(r"\*\*(Nothing here was built|No meter was ever calibrated: none was built)\.\*\*", first)


@pytest.mark.parametrize("name", PAGES)
def test_links_lead_somewhere(name):
    def anchors(text: str) -> set[str]:
        titles = re.findall(r"^#+ (.+)$", text, re.M)
        return {re.sub(r"[^\w -]", "", title).lower().replace(" ", "-") for title in titles}

    targets = re.findall(r"\]\(([^)]+)\)", PAGES[name])
    assert targets
    for target in targets:
        path, _, heading = target.partition("#")
        led_to = HARDWARE / path if path else HARDWARE / name
        assert led_to.exists(), target
        assert not heading or heading in anchors(led_to.read_text(encoding="utf-8")), target


CAUTIONS = (
    "Gain down and amplifier muted before you clip on",
    "Speakers disconnected before full-level tones",
    "One clip at a time, one hand, dry",
    "Above 30 V rms treat every conductor as live",
    "above 16 V rms if anything is wet",
    "Never ground or join a bridged output",
    "Never join the minus terminals of two channels",
    "No earthed instrument alongside",
    "No cable on the meter while it is clipped on",
    "12 V at hundreds of amperes burns",
    "fuse near the battery, rings off, insulated tools, negative off first",
    "Capacitor banks are discharged through a resistor",
    "Engine running only in the open",
    "carbon monoxide",
    "wheels chocked",
    "Ear protection",
    "Never probe yellow (airbag) or orange (high-voltage) wiring",
    "Mains and traction systems are out of scope",
    "for licensed people",
    "Local codes apply",
    "Stop on smoke, heat, or d.c. on an output",
    "Do not trust a frozen display",
    "No hazard mark is not a promise of safety",
    "dangerous to chassis while that difference is small",
    "No-load readings",
    "is an estimate",
)
"""Each caution of the job, in words that its section must hold."""


def test_every_caution_is_in_the_section_of_cautions():
    section = PAGES["safety.md"].split("## Cautions")[1].split("\n## ")[0]
    plain = " ".join(section.replace("**", "").split())
    assert [caution for caution in CAUTIONS if caution not in plain] == []


def test_building_and_calibrating_send_the_reader_to_the_cautions():
    for name in ("build.md", "calibrate.md"):
        section = PAGES[name].split("## Cautions")[1].split("\n## ")[0]
        assert "safety.md" in section
    assert "codes that apply" in PAGES["build.md"]


CHOSEN = {
    ("10", "mA"): "limit of the bench source: no harm to a hand or to a clamp",
    ("10", "Mohm"): "input of a multimeter",
    ("50", "mV"): "two cells before they are joined, common practice, no source",
    ("30", "V"): "d.c. reference, from calibrating.DIRECT_V",
    ("20", "V"): "line limit, and the tone of the speaker input",
    ("1.7", "V"): "tone of the line input",
    ("15", "V"): "half of the reference",
    ("1.25", "V"): "half of the reference of the line input",
    ("0", "V"): "leads joined",
    ("60", "V"): "a level of normal use",
    ("12", "V"): "a vehicle's battery",
    ("2", "kohm"): "front_end.PERSON_OHM",
    ("10", "pF"): "front_end.BARRIER_F and STRAY_F, rounded up",
    ("0.5", "%"): "the promise",
    ("0.15", "V"): "the promise",
    ("15", "mV"): "the promise",
    ("1", "%"): "distortion of a tone that is good enough",
    ("5", "%"): "film capacitors, as in the netlist's substitutes",
    ("0.02", "%"): "how still a tone has to stand for a minute",
    ("95", "%"): "two standard deviations of a normal distribution",
    ("40", "Hz"): "calibrating.TONE_HZ",
    ("200", "Hz"): "calibrating.CORNER_HZ",
    ("100", "Hz"): "check, at neither of the two",
    ("300", "Hz"): "the promise reaches up to here",
    ("3.3", "V"): "rail",
    ("2.5", "V"): "d.c. reference of the line input, from calibrating.DIRECT_V",
    ("0.1", "%"): "reference that is good enough, as the table of references says",
}
"""Numbers of the text that are no result: why each of them is as it is."""

_QUANTITY = re.compile(r"(?<![\w.])(\d+(?:\.\d+)?) ((?:V|mV|mA|A|µA|mm|ohm|kohm|Mohm|Hz|kHz|s|pF|nA|W|mW|J|dBA)\b|%)")


def quantities(text: str) -> set[tuple[str, str]]:
    return {(f"{float(number):g}", unit) for number, unit in _QUANTITY.findall(text)}


def test_every_number_in_the_text_is_a_limit_or_was_chosen():
    # Only tables of limits count, or any number would be found somewhere.
    printed = quantities("".join(note_pages.BLOCKS[block]() for block in ("limits", "gaps", "acceptance")))
    for name, text in PAGES.items():
        assert quantities(prose(text)) - printed - set(CHOSEN) == set(), name
    assert set(CHOSEN) <= set().union(*(quantities(prose(text)) for text in PAGES.values()))


def test_the_number_check_finds_wrong_ones():
    assert quantities("at 31 V rms, ±0.50 % and -7 mA") == {("31", "V"), ("0.5", "%"), ("7", "mA")}


def test_chosen_numbers_are_those_of_the_procedure():
    speaker_v, line_v = (calibrating.DIRECT_V[which] for which in Input)
    assert (f"{speaker_v:g}", "V") in CHOSEN
    assert (f"{line_v:g}", "V") in CHOSEN
    assert {(f"{0.5 * volts:g}", "V") for volts in (speaker_v, line_v)} <= set(CHOSEN)
    assert {(f"{volts:g}", "V") for volts in calibrating.TONE_RMS_V.values()} <= set(CHOSEN)
    assert {(f"{hz:g}", "Hz") for hz in (calibrating.TONE_HZ, calibrating.CORNER_HZ)} <= set(CHOSEN)
    assert (f"{front_end.PERSON_OHM / 1e3:g}", "kohm") in CHOSEN
    assert (f"{1e12 * (front_end.BARRIER_F + front_end.STRAY_F):.0f}", "pF") in CHOSEN
    assert (f"{front_end.PROMISE_PCT:g}", "%") in CHOSEN
    # Below what has to be treated as live, and within what the line input takes.
    assert all(rms_v < HAZARD_RMS_V for rms_v in calibrating.TONE_RMS_V.values())
    assert speaker_v < HAZARD_DC_V
    assert line_v < 20.0


# -- limits and where they come from ----------------------------------------------------------------------------------


def test_every_limit_has_a_tag_and_a_source():
    assert len(LIMITS) > 20
    for row in LIMITS:
        assert row["tag"] in set("VSCM"), row
        assert len(row["source"].split()) >= 2 or row["source"].startswith("IEC"), row


@pytest.mark.parametrize(
    "name",
    [
        "limits",
        "gaps",
        "stress",
        "overload",
        "touch",
        "power-up",
        "currents",
        "rails",
        "battery",
        "test-points",
        "capacitor",
    ],
)
def test_every_row_of_a_table_of_limits_has_a_tag(name):
    heads = [cell.strip() for cell in note_pages.BLOCKS[name]().splitlines()[0].strip("|").split("|")]
    tag = heads.index("Tag")
    rows = cells(name)
    assert rows
    assert {row[tag] for row in rows} <= set("VSCM")


def test_the_tags_are_explained():
    for tag in "VSCM":
        assert f"| {tag} | " in PAGES["safety.md"]


def limit(what: str) -> str:
    return next(row["limit"] for row in LIMITS if row["what"] == what)


def test_limits_are_those_of_the_firmware_and_of_the_other_pages():
    live = limit("Voltage to be treated as live, dry")
    assert live == f"{HAZARD_RMS_V:g} V rms, {HAZARD_PEAK_V:g} V peak, {HAZARD_DC_V:g} V d.c."
    assert front_end.HAZARD_RMS_V == HAZARD_RMS_V
    page = (HARDWARE / "README.md").read_text(encoding="utf-8")
    assert f"speaker input {limit('Speaker input, a.c.')}, {limit('Speaker input, peak')}" in page
    assert f"line input {limit('Line input, a.c.')}, {limit('Line input, peak')}" in page
    assert f"at least {limit('Insulation resistance, 500 V d.c.').removesuffix(' or more')} at 500 V d.c." in page
    assert "1 kV d.c. for 60 s" in page
    assert f"{CALIBRATED_DAYS} days" in PAGES["calibrate.md"]
    marking = PAGES["safety.md"].split("## Marking")[1]
    assert "max 180 V rms / 255 V peak" in marking
    assert "max 14 V rms / 20 V peak" in marking


def test_the_peak_and_rms_limits_agree():
    peak_v = front_end.SPEAKER_RMS_V * math.sqrt(2.0)
    assert peak_v < front_end.SPEAKER_PEAK_V < 1.002 * peak_v
    assert front_end.LINE_RMS_V * math.sqrt(2.0) < 20.0
    for side, peak_v in ((front_end.SPEAKER, front_end.SPEAKER_PEAK_V), (front_end.LINE, 20.0)):
        assert front_end.full_scale_v(side) > peak_v


def test_the_times_of_the_watchdogs_are_those_of_the_program():
    told = next(row for row in front_end.rows_of("faults.csv") if row["fault"] == "frozen")["what the meter shows"]
    service = (ROOT / "firmware/deploy/flattop.service").read_text(encoding="utf-8")
    system = (ROOT / "firmware/deploy/system.conf").read_text(encoding="utf-8")
    manager_s = re.search(r"^WatchdogSec=(\d+)", service, re.M)[1]
    hardware_s = re.search(r"^RuntimeWatchdogSec=(\d+)", system, re.M)[1]
    assert told == (
        f"the lamp says so after {FROZEN_S:g} s; the meter is started again after {manager_s} s; "
        f"the board after {hardware_s} s"
    )


def test_noise_limits_are_those_of_niosh():
    """NIOSH publication 98-126: T = 480 min / 2^((L - 85) / 3)."""
    for level, minutes in re.findall(r"(\d+) dBA for (\d+) min", limit("Noise")):
        assert 480.0 / 2.0 ** ((float(level) - 85.0) / 3.0) == pytest.approx(float(minutes))


# -- insulation -------------------------------------------------------------------------------------------------------


def test_creepage_is_that_of_the_catalogue():
    """IEC 60664-1 Table F.4 as printed in a catalogue of rail-mounted terminal blocks, volume 1 of 2015, page 594."""
    rows = {row["rms_v"]: list(row.values())[1:] for row in front_end.rows_of("creepage.csv")}
    assert rows["250"] == ["0.560", "1.00", "0.56", "1.25", "1.80", "2.50", "3.20", "3.60", "4.00"]
    assert rows["200"] == ["0.400", "0.630", "0.42", "1.00", "1.40", "2.00", "2.50", "2.80", "3.20"]
    assert rows["320"] == ["0.75", "1.60", "0.75", "1.60", "2.20", "3.20", "4.00", "4.50", "5.00"]


def test_designed_gaps_are_as_wide_as_the_text_says():
    for gap in safety.gaps():
        assert gap.rms_v >= front_end.SPEAKER_RMS_V
        assert gap.designed_mm >= gap.creepage_mm, gap.id
        assert gap.designed_mm >= gap.clearance_mm, gap.id
        if gap.insulation == "reinforced":
            assert gap.designed_mm >= gap.dirty_mm, gap.id
    legs = [gap for gap in safety.gaps() if " leg " in gap.between]
    assert len(legs) == 2
    assert all(gap.creepage_mm <= gap.designed_mm < gap.dirty_mm and "slot" in gap.how for gap in legs)


def test_gaps_are_those_of_the_design_rules_on_the_first_page():
    page = " ".join((HARDWARE / "README.md").read_text(encoding="utf-8").split())
    assert "8 mm or more between each island and the low side, between the two islands" in page
    assert "and to any metal fastener; 3 mm plus a slot" in page
    assert "3 mm plus a slot at least 1 mm wide between the two legs" in page
    designed = {gap.id: gap.designed_mm for gap in safety.gaps()}
    assert [designed[letter] for letter in "ABCDEF"] == [8.0, 8.0, 8.0, 3.0, 3.0, 8.0]


# -- the circuit's figures --------------------------------------------------------------------------------------------


def test_the_solver_agrees_with_closed_forms():
    """A divider, an RC low-pass at its corner, and an inverting amplifier (textbook formulas)."""
    divider = [Part("R1", "in", "out", 3e3), Part("R2", "out", "0", 1e3)]
    assert solve(divider, [Source("in", "0", 8.0)], ground="0")["out"] == pytest.approx(2.0)
    corner_hz = 1.0 / (2.0 * math.pi * 1e3 * 1e-6)
    low_pass = [Part("R1", "in", "out", 1e3), Part("C1", "out", "0", 1e-6)]
    out = solve(low_pass, [Source("in", "0", 1.0)], ground="0", hz=corner_hz)["out"]
    assert abs(out) == pytest.approx(math.sqrt(0.5))
    assert np.angle(out, deg=True) == pytest.approx(-45.0)
    inverting = [Part("R1", "in", "n", 1e3), Part("R2", "n", "out", 5e3)]
    amp = nodal.OpAmp("0", "n", "out")
    assert solve(inverting, [Source("in", "0", 1.0)], ground="0", op_amps=[amp])["out"] == pytest.approx(-5.0)


@pytest.mark.parametrize(
    ("text", "expected"),
    [("249k 0.1% 25ppm", 249e3), ("4k99", 4.99e3), ("59.0k", 59e3), ("22p", 22e-12), ("33R", 33.0)],
)
def test_values_are_read(text, expected):
    assert nodal.value_of(text) == pytest.approx(expected)


def test_a_value_that_is_none_is_refused():
    with pytest.raises(ValueError, match="does not begin with a value"):
        nodal.value_of("AMC3330")


@pytest.mark.parametrize("side", front_end.SIDES, ids=lambda side: str(side.input))
def test_the_netlist_is_the_circuit_that_the_firmware_knows(side):
    channel = CHANNELS[side.input]
    assert front_end.leg_ohm(side) == pytest.approx(channel.leg_ohm)
    assert front_end.resistance(side) == pytest.approx(2.0 * (channel.leg_ohm + channel.foot_ohm), rel=1e-6)
    high = front_end.across(side, front_end.island(side), 10.0)
    in_v = (high[side.isolator[0]] - high[side.isolator[1]]).real
    low = building.low_side(side, in_v)
    pins_v = (low[side.pins[0]] - low[side.pins[1]]).real
    load_ohm = INPUT_OHM[0.256]
    assert pins_v * channel.ratio == pytest.approx(10.0 * load_ohm / (load_ohm + 8.64e3), rel=1e-6)


def test_the_audio_filter_passes_direct_voltages_by_the_ratio_of_its_resistors():
    """Multiple feedback low-pass: d.c. gain R2 / R1 (any filter handbook)."""
    low = building.low_side(front_end.SPEAKER, 0.1)
    ratio = front_end.value("R121") / front_end.value("R120")
    assert low["OF"].real - front_end.VMID_V == pytest.approx(ratio * (low["OP_S"] - low["ON_S"]).real, rel=1e-9)


def test_touch_currents_are_ohms_law():
    for side in front_end.SIDES:
        foot_ohm = CHANNELS[side.input].foot_ohm
        both = 180.0 / (0.5 * (front_end.leg_ohm(side) + foot_ohm) + front_end.PERSON_OHM)
        broken_a = safety.through_a_person({side: 180.0}, barrier_ohm=nodal.SHORT_OHM, hz=40.0)
        assert broken_a == pytest.approx(both, rel=1e-3)
    # A sound barrier is a capacitor behind both legs.
    reactance = 1.0 / (2.0 * math.pi * 1e3 * (front_end.BARRIER_F + front_end.STRAY_F))
    ohm = math.hypot(0.5 * front_end.leg_ohm(front_end.SPEAKER), reactance)
    sound_a = safety.through_a_person({front_end.SPEAKER: 180.0}, barrier_ohm=None, hz=1e3)
    assert sound_a == pytest.approx(180.0 / ohm, rel=0.02)


def test_touch_currents_stay_below_the_limit_that_is_told_with_one_fault_and_not_with_two():
    rows = cells("touch")
    for _, _, kind, current, most, _ in rows:
        if kind in front_end.LIMIT_MA:
            assert float(current.split()[0]) < front_end.LIMIT_MA[kind] == float(most.split()[0])
    assert float(rows[-1][3].split()[0]) > front_end.LIMIT_MA["single fault"], "the text says that this one is too much"
    for kind in ("normal condition", "single fault"):
        told = limit(f"Touch current, {kind}")
        assert kind != "single fault" or told.endswith(f"{front_end.LIMIT_MA['single fault, d.c.']:g} mA d.c.")
        assert told.startswith(f"{front_end.LIMIT_MA[kind.removesuffix(' condition')]:g} mA rms")


def test_divider_resistors_stay_within_their_ratings():
    volts, watts = float(limit("Divider resistor, working voltage").split()[0]), 0.125
    assert limit("Divider resistor, power") == f"{1e3 * watts:g} mW"
    for *_, each_v, each_w, _ in cells("stress"):
        assert float(each_v.split()[0]) < 0.5 * volts
        assert float(each_w.split()[0]) < 0.5e3 * watts


def test_currents_are_worked_out_by_hand():
    rows = {row[1].split(":")[0]: row for row in cells("stress")}
    assert rows["twice full scale"][3:5] == ["0.27 mA", "68 V"]  # as the design's own simulation has it
    assert rows["limit of the speaker input"][3] == f"{1e3 * 255.0 / (2.0 * (996e3 + 3.65e3)):.2f} mA"


def test_what_to_look_for_agrees_with_the_faults_of_parts():
    high = next(row for row in cells("part-faults") if row[0] == "R101 to R108 short")[1]
    assert f"the level is {float(high.split()[0]) - 100.0:.0f} % high" in building.when_off()
    half = next(row for row in cells("part-faults") if row[0] == "R109, R110 short")[1]
    assert float(half.split()[0]) == pytest.approx(50.0, abs=0.5)


def test_every_fault_that_has_to_be_thought_of_is_told():
    told = " ".join((safety.faults() + safety.part_faults() + safety.shared_ground()).split())
    for fault in (
        "R101 to R108 short", "R101 to R108 open", "R109, R110 short", "R109, R110 open", "R111, R112 short",
        "D101, D102 short", "barrier of U1 | breaks down", "barrier of U2 | breaks down", "isolated DC/DC fails",
        "U3, U6, U5 | any fault", "battery | short", "battery | empty", "foot switch lead",
        "speaker lead on the line input",
        "one ground for both inputs", "charger or computer cable | plugged in while clipped on", "firmware | frozen",
    ):  # fmt: skip
        assert fault in told, fault


def test_simulation_and_calculation_agree():
    """The one is ngspice with models of the clamps, the other plain nodal analysis without them."""
    calculated = {row[1].split(":")[0]: row for row in cells("stress")}
    simulated = {row[0]: row for row in cells("overload")}
    pairs = (("twice full scale", "twice full scale"), ("speaker lead in the line socket", "by mistake"))
    for name, told in pairs:
        found = next(row for key, row in simulated.items() if told in key)
        scale = 250.0 / 255.0 if "mistake" in told else 1.0
        assert float(found[1].split()[0]) == pytest.approx(scale * float(calculated[name][3].split()[0]), rel=0.05)
        assert float(found[2].split()[0]) == pytest.approx(scale * float(calculated[name][4].split()[0]), rel=0.05)
    for row in simulated.values():
        assert float(row[4].split()[0]) < 10.0
        assert float(row[5].split()[0]) > 0.0


@pytest.mark.parametrize(
    ("ref", "error", "share"),
    [
        # In the simulated board R101 stands for the whole leg: one resistor of four is gone.
        ("R101", -0.25, 1.0 + 249.0 / (2 * 999.65 - 249)),
        ("R109", -1.0 + 1e-6, 0.501),
    ],
)
def test_a_failed_part_reads_as_told_on_the_simulated_board_too(ref, error, share):
    """The board's own nodal analysis shares nothing with the one of the notes."""
    told = next(row for row in cells("part-faults") if row[0].startswith(ref) and "short" in row[0])
    assert float(told[1].split()[0]) == pytest.approx(100.0 * share, rel=0.005)
    assert float(told[2].split()[0]) == pytest.approx(30.0 / share, rel=0.005)
    board = SimulatedBoard(seed=1, speaker=lambda t: np.full_like(t, 30.0), tolerances=Tolerances({ref: error}))
    converter = Ads1015Converter(board.i2c, board.time, alert=Alert(4, board.pin_factory), simulated=True)
    converter.collect(0.6)
    assert float(np.mean(converter.latest(0.3).volts)) == pytest.approx(30.0 * share, rel=0.01)
    converter.close()


def test_the_models_of_the_simulation_are_those_of_the_notes():
    sys.path.insert(0, str(ROOT))
    try:
        models = importlib.import_module("hardware.simulation.models")
    finally:
        sys.path.remove(str(ROOT))
    isolator = models.PARAMETERS["isolator"]
    assert (isolator["gain"].value, isolator["common_v"].value) == (front_end.GAIN, front_end.COMMON_V)
    assert isolator["barrier_f"].value == front_end.BARRIER_F


def test_proving_the_meter_on_a_battery_works_as_told(stored, capsys):
    """12 V d.c. on the speaker input must say stop, with its sign."""
    for volts in (12.0, -12.0):
        lines = "".join(f"{i / 8000},{volts}\n" for i in range(8000))
        path = stored("time_s,volts\n" + lines, name="battery.csv")
        assert main(["replay", str(path), "--json", "--through", "bass"]) == 0
        last = json.loads(capsys.readouterr().out.splitlines()[-1])
        assert last["dc_alarm"] is True
        assert last["dc_v"] == pytest.approx(volts, abs=0.2)


def test_discharging_a_capacitor_is_the_exponential():
    for row in cells("capacitor"):
        ohm, seconds = float(row[0].split()[0]), float(row[4].split()[0])
        assert 14.4 * math.exp(-seconds / ohm) == pytest.approx(1.0, rel=0.05)  # 1 F, whole seconds
        assert row[3] == "104 J"  # C V^2 / 2


# -- building ---------------------------------------------------------------------------------------------------------


def test_current_limits_leave_room_and_no_more():
    for _, _, expected, most, *_ in cells("power-up"):

        def amperes(text: str) -> float:
            number, unit = text.split()
            return float(number) * (1e-3 if unit == "mA" else 1.0)

        assert amperes(expected) < amperes(most)
        assert amperes(most) <= 2.0 < 3.0  # the fuse of a cell


def test_rails_that_matter_are_where_the_parts_need_them():
    rows = {row[0]: row[1:3] for row in cells("rails")}
    low, high = (float(rows["5V6"][0].split()[0]) + sign * float(rows["5V6"][1].split()[0]) for sign in (-1, 1))
    assert low > 5.04 + 0.2, "the regulator of 5VA needs some headroom"
    assert high < 5.9
    off = float(rows["VSYS, cut-off by U12"][0].split()[0])
    assert off == pytest.approx(3.0, abs=0.1)


def test_the_page_tells_the_commands_of_the_program():
    text = PAGES["build.md"]
    assert "flattop run --board simulated" in text
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    by_hand = re.search(r"\| run it by hand \| `([^`]+)`, then `([^`]+)`", readme)
    assert f"{by_hand[1]}\n{by_hand[2]}\n" in text


def test_a_new_meter_says_what_the_page_says():
    words = [row[0] for row in cells("self-check")]
    assert "no calibration" in words
    assert "**no calibration** and **no serial number**" in " ".join(text := PAGES["build.md"].split()), text[:0]


@pytest.mark.skipif(on_a_pi(), reason="on a Raspberry Pi the meter would start")
def test_the_refusal_on_another_computer_is_what_the_program_prints(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(["run"]) == 2
    seen = capsys.readouterr()
    told = building.off_a_meter()
    assert "this is not a working meter:" in seen.err + seen.out
    for line in (seen.err + seen.out).splitlines()[1:]:
        kind = line.split(" is missing")[0].split(" are missing")[0].split(" (")[0]
        assert kind in told


def test_cost_is_the_sum_of_the_parts_list():
    with building.BOM.open(encoding="utf-8", newline="") as file:
        lines = list(csv.DictReader(file))
    pieces, usd = building.parts_usd()
    assert pieces == sum(len(line["references"].split()) for line in lines)
    assert usd == pytest.approx(
        math.fsum(float(each["price_usd_from_memory"]) * int(each["quantity"]) for each in lines)
    )
    told = [int(re.search(r"(\d+) USD", row[1])[1]) for row in cells("cost")]
    assert told[-1] == pytest.approx(sum(told[:-1]), abs=2)  # each is rounded
    assert "from memory" in building.cost()


def test_hours_are_called_estimates():
    assert sum(float(row["hours"]) for row in front_end.rows_of("hours.csv")) == float(
        cells("hours")[-1][1].strip("*h ")
    )
    assert building.hours().startswith("| Step | Estimate |")


# -- calibrating ------------------------------------------------------------------------------------------------------


def test_the_example_is_what_the_simulated_board_gives():
    rows = list(calibrating.simulated_rows(example.EXAMPLE_SEED, reference_u_pct=example.EXAMPLE_U_PCT))
    for made, held in zip(rows, example.example_rows(), strict=True):
        assert (made.input, made.point, made.range_v) == (held.input, held.point, held.range_v)
        assert [made.dc_v, made.peak_v] == pytest.approx([held.dc_v, held.peak_v], abs=1e-6)


def test_the_example_file_loads_and_is_the_arithmetic_of_the_page():
    found = calibration.load(
        example.EXAMPLE_FILE, serial=f"SIM-{example.EXAMPLE_SEED}", today=datetime.date(2026, 2, 1)
    )
    assert found.inputs == example.example().inputs
    sums = example.example_sums()
    for name, key in (("gain", "gain"), ("offset", "offset_v")):
        for range_v in (0.256, 2.048):
            line = next(each for each in sums.splitlines() if each.startswith(f"{name}({range_v:g})"))
            working, _, result = line.split(" = ", 1)[1].rpartition(" = ")
            told = float(result.split()[0])
            # The page's own arithmetic, done again with the digits that it prints.
            assert eval(working.replace(" x ", " * "), {"__builtins__": {}}) == pytest.approx(told, abs=2e-5)
            assert getattr(found.inputs[Input.SPEAKER].ranges[range_v], key) == pytest.approx(told, abs=1e-5)


def test_joined_leads_lie_on_the_line_of_the_example_to_within_half_a_step():
    for row in example.example_rows():
        if row.point is Point.ZERO:
            step_v = LSB_V[row.range_v] * CHANNELS[row.input].ratio
            offset_v = example.example().inputs[row.input].ranges[row.range_v].offset_v
            assert abs(row.dc_v - offset_v) < 0.5 * step_v


def test_the_example_is_taken_by_the_program(stored, tmp_path, capsys):
    settings = stored(f'[files]\ncalibration = "{example.EXAMPLE_FILE}"\n', name="settings.toml")
    tone = "".join(f"{i / 8000},{60 * math.sin(2 * math.pi * 40 * i / 8000)}\n" for i in range(8000))
    path = stored("time_s,volts\n" + tone, name="tone.csv")
    arguments = ["--settings", str(settings), "replay", str(path), "--json", "--through", "bass"]
    assert main([*arguments, "--seed", str(example.EXAMPLE_SEED)]) == 0
    seen = capsys.readouterr()
    assert f"calibration of SIM-{example.EXAMPLE_SEED}" in seen.err
    last = json.loads(seen.out.splitlines()[-1])
    assert last["calibrated"] is True
    assert last["rms_v"] == pytest.approx(60.0 / math.sqrt(2.0), rel=0.003)


def test_a_file_written_by_hand_is_told_its_checksum(tmp_path):
    text = example.EXAMPLE_FILE.read_text(encoding="utf-8")
    changed = text.replace('serial = "SIM-7"', 'serial = "FT-0007"')
    path = tmp_path / "calibration.toml"
    path.write_text(changed, encoding="utf-8")
    with pytest.raises(CalibrationError, match="is not the checksum") as refused:
        calibration.load(path)
    right = re.search(r'set crc32 = "([0-9a-f]{8})"', str(refused.value))[1]
    path.write_text(re.sub(r'crc32 = "\w+"', f'crc32 = "{right}"', changed), encoding="utf-8")
    assert calibration.load(path, serial="FT-0007").serial == "FT-0007"


@pytest.mark.parametrize("seed", [11, 12])
def test_a_meter_that_was_calibrated_as_told_keeps_the_promise(seed):
    rows = calibrating.simulated_rows(seed, reference_u_pct=0.1)
    found = calibrating.calibration_from(
        rows, serial="FT-1", date=datetime.date(2026, 1, 2), reference="a reference", reference_u_pct=0.1
    )
    worst = 0.0
    for which, levels_v in ((Input.SPEAKER, (2.0, 60.0, 170.0)), (Input.LINE, (0.2, 12.0))):
        for rms_v in levels_v:
            for hz in (40.0, 300.0):

                def tone(times_s, rms_v=rms_v, hz=hz):
                    return math.sqrt(2.0) * rms_v * np.sin(2.0 * np.pi * hz * times_s)

                board = SimulatedBoard(seed=seed, speaker=tone, line=tone)
                alert = Alert(4, board.pin_factory)
                converter = Ads1015Converter(
                    board.i2c, board.time, input=which, alert=alert, calibration=found, simulated=True
                )
                converter.collect(0.8)
                block = measure(converter.latest(0.4))
                converter.close()
                promise_v = 0.005 * rms_v + front_end.PROMISE_V[which]
                assert abs(block.rms_v - rms_v) < block.rms_u_v + 0.001 * rms_v * (hz > 200.0)
                worst = max(worst, abs(block.rms_v - rms_v) / promise_v)
    assert worst < 0.6


def test_the_factor_on_the_filter_is_found_again():
    hz = np.array([40.0, 200.0])
    for scale in (0.9, 1.0, 1.1):
        levels = np.abs(rc_response(hz, pole_scale=scale)) * np.sinc(hz / 3300.0)
        tone, corner = (
            calibrating.Row(Input.SPEAKER, 0.256, Point.TONE, 10.0, float(f), 0.0, 10.0 * float(level), 0.0, 3300.0)
            for f, level in zip(hz, levels, strict=True)
        )
        assert calibrating.pole_scale(tone, corner) == pytest.approx(scale, rel=1e-6)
        # A source that is 1 % louder at 200 Hz, and whose multimeter says so, changes nothing.
        louder = replace(corner, applied_v=10.1, peak_v=1.01 * corner.peak_v)
        assert calibrating.pole_scale(tone, louder) == pytest.approx(scale, rel=1e-6)
    with pytest.raises(CalibrationError, match="check that the source gives both tones at one level"):
        calibrating.pole_scale(tone, replace(corner, peak_v=0.5 * corner.peak_v))


@pytest.mark.parametrize(
    ("volts", "hz", "expected"),
    [(40.0, 0.0, "above the range of 0.256 V.*allowed is 35.1 V"), (0.0, 40.0, "sees no tone; allowed is 40 Hz")],
)
def test_a_point_that_cannot_be_is_refused(volts, hz, expected):
    board = SimulatedBoard(seed=3, speaker=lambda times_s: np.full_like(times_s, volts))
    converter = Ads1015Converter(board.i2c, board.time, alert=Alert(4, board.pin_factory), simulated=True)
    point = Point.TONE if hz else Point.PLUS
    with pytest.raises(CalibrationError, match=expected):
        list(calibrating.read_point(converter, board.time, point=point, applied_v=volts, hz=hz))
    converter.close()


def test_missing_points_are_all_named():
    rows = [row for row in example.example_rows() if row.point is not Point.TONE]
    with pytest.raises(CalibrationError) as refused:
        calibrating.calibration_from(
            rows, serial="x", date=datetime.date(2026, 1, 2), reference="y", reference_u_pct=0.1
        )
    assert str(refused.value).count("no reading of the point tone") == 8


def test_files_of_points_may_be_appended_and_bad_lines_are_all_named(tmp_path, capsys):
    path = tmp_path / "points.csv"
    text = example.EXAMPLE_POINTS.read_text(encoding="utf-8")
    path.write_text(text + text, encoding="utf-8")
    assert len(calibrating.read_rows(path)) == 2 * len(example.example_rows())
    made = tmp_path / "calibration.toml"
    arguments = ["make", str(path), str(made), "--serial", "FT-2", "--reference", "r", "--reference-u-pct", "0.1"]
    assert calibrating.main([*arguments, "--date", "2026-01-02"]) == 0
    assert calibration.load(made, serial="FT-2").reference_u_pct == 0.1
    path.write_text(text + "speaker,0.256\nsideways,0.256,zero,0,0,0,0,0,0\n", encoding="utf-8")
    assert calibrating.main(arguments) == 2
    assert capsys.readouterr().err.count("line ") == 2


def test_a_reference_of_four_to_one_is_called_good_and_a_coarser_one_is_not():
    for row in cells("references"):
        ratio = 0.5 / float(row[0].split()[0])
        assert row[-1] == ("good" if ratio >= 4.0 else "too coarse")
        assert float(row[1].split()[0]) == pytest.approx(ratio, rel=0.01)


def test_the_meter_states_the_uncertainty_that_the_page_prints():
    """The column `rms_u_v` of a calibrated, simulated meter, against the table."""
    told = next(row for row in cells("budget") if row[:2] == ["speaker", "30 V"])[2]
    board = SimulatedBoard(
        seed=7, speaker=lambda t: 30.0 * math.sqrt(2.0) * np.sin(80.0 * np.pi * t), tolerances=Tolerances()
    )
    converter = Ads1015Converter(
        board.i2c, board.time, alert=Alert(4, board.pin_factory), calibration=example.example(), simulated=True
    )
    converter.collect(0.6)
    facts = converter.latest(0.3).facts
    converter.close()
    stated_v = 2.0 * math.hypot(facts.gain_u * 30.0, facts.offset_u_v)
    assert float(told.split()[0]) == pytest.approx(stated_v, rel=0.02)


def test_settings_have_the_keys_that_the_procedure_names():
    settings = Settings()
    assert settings.files.calibration == ""
    assert settings.meter.serial == ""
