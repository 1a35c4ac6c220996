"""The simulations of the front end: ngspice against closed forms, against the firmware, and against what is kept.

The netlist is the circuit's own. ngspice is an outside program: without it these tests are skipped, under CI they fail.
"""

from __future__ import annotations

import csv
import io
import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from blocks import bass_facts, block, full_facts
from flattop.converters import frontend
from flattop.converters.frontend import CHANNELS, INPUT_OHM, ISOLATOR_POLE_HZ, LSB_V, RANGES, loading, rc_response
from flattop.measure.level import measure
from flattop.samples import Input
from flattop.simulated.frontend import FrontEnd as SimulatedFrontEnd
from flattop.simulated.frontend import Tolerances

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "hardware"))

from simulation import bench, budget, linear, models, netlist, overload, report, spice, tolerances, waveforms
from simulation.deck import FrontEnd, Scenario

ROOT = Path(__file__).resolve().parents[1]
NETLIST = ROOT / "hardware" / "circuit" / "netlist.csv"
KEPT = ROOT / "hardware" / "simulation"
DATA = Path(__file__).parent / "data"


@pytest.fixture(scope="module")
def front_end(need):
    need("ngspice")
    return FrontEnd(netlist.read(NETLIST))


@pytest.fixture(scope="module")
def kept():
    return report.load(KEPT / "figures.json")


@pytest.fixture
def ngspice(need):
    return need("ngspice")


def rows():
    return list(csv.DictReader(io.StringIO(NETLIST.read_text())))


# -- ngspice and the way it is run, against closed forms ---------------------------------------------------------------


def test_an_rc_section_has_its_corner_where_the_textbook_says(ngspice):
    """1 / (2 pi R C): 3.0103 dB down and turned by 45 degrees (closed form)."""
    corner_hz = 1 / (2 * math.pi * 1e3 * 100e-9)
    deck = ["V1 in 0 dc 0 ac 1", "R1 in out 1k", "C1 out 0 100n"]
    (plot,) = spice.run("rc", deck, [f"ac lin 1 {corner_hz!r} {corner_hz!r}", "write out.raw out"], plots=1)
    assert 20 * math.log10(abs(plot["out"][0])) == pytest.approx(-10 * math.log10(2), abs=1e-9)
    assert math.degrees(np.angle(plot["out"][0])) == pytest.approx(-45.0, abs=1e-6)


def test_a_resistor_has_the_noise_that_nyquist_and_johnson_give_it(ngspice):
    """sqrt(4 k T R) for the density, sqrt(k T / C) behind a capacitor whatever the resistor (closed forms)."""
    deck = ["V1 in 0 dc 0 ac 1", "R1 in out 1meg", "C1 out 0 1n"]
    commands = ["noise v(out) V1 dec 100 0.001 1e7", "setplot noise1", "write out.raw frequency onoise_spectrum"]
    (plot,) = spice.run("noise", deck, commands, plots=1)
    density_v = math.sqrt(4 * models.BOLTZMANN_J_K * models.CELSIUS_27_K * 1e6)
    assert plot["onoise_spectrum"][0] == pytest.approx(density_v, rel=1e-5)
    total_v = bench.Noise(plot["frequency"], plot["onoise_spectrum"]).rms_v(0.001, 1e7)
    assert total_v == pytest.approx(math.sqrt(models.BOLTZMANN_J_K * models.CELSIUS_27_K / 1e-9), rel=2e-3)
    assert models.noise_ohm(density_v) == pytest.approx(1e6)


def test_the_dividers_are_those_of_the_netlist_by_hand(front_end):
    ohms = bench.input_ohm(front_end)
    for name, leg_ohm, foot_ohm in (("speaker", 4 * 249e3, 3.65e3), ("line", 2 * 59.0e3, 5.36e3)):
        gain = abs(bench.at(front_end, [0.001], linear.unloaded()).gain(f"ads_{name}", 0.001))
        assert 2.0 / gain == pytest.approx((leg_ohm + foot_ohm) / foot_ohm, rel=1e-4)
        assert ohms[name] == pytest.approx(2 * (leg_ohm + foot_ohm), rel=1e-4)


def test_the_bass_path_is_the_loaded_ladder_by_hand(front_end):
    """Chain of two RC sections into the converter's input, behind two poles of the input side (closed form)."""
    hz = np.geomspace(1.0, 20e3, 40)
    s = 2j * np.pi * hz
    for ohm in (4.9e6, 0.71e6):
        r1, r2, c1, c2, load = 1.00e3, 3.32e3, 2 * 68e-9 + 1e-9, 2 * 22e-9 + 1e-9, 2 / ohm
        ladder = (1 + s * r1 * c1) * (1 + r2 * (s * c2 + load)) + r1 * (s * c2 + load)
        foot = 1 / (1 / 996e3 + 1 / 3.65e3)
        inside = 2 * (foot + 1e3) * (560e-12 + 11e-12 + 2e-12) + foot * 5e-12
        by_hand = 2 * 3.65e3 / 999.65e3 / ladder / (1 + s * inside) / (1 + 1j * hz / 375e3)
        found = bench.at(front_end, list(hz), Scenario(parameters={bench.LOAD: ohm})).gains["ads_speaker"]
        assert np.max(np.abs(found / by_hand - 1)) < 5e-4


def test_the_amplifier_of_the_audio_path_has_its_gain_by_hand(front_end):
    """Two thirds of the way in the band: 3.48k over 4.99k, times the isolator's 2, into 60k behind 100 ohm."""
    gain = abs(bench.at(front_end, [200.0]).gain("i2s_speaker", 200.0))
    assert gain == pytest.approx(2 * 3.48 / 4.99 * 3.65 / 999.65 * 60e3 / 60.1e3, rel=5e-4)


# -- what is refused ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "value"),
    [("249k", 249e3), ("3.65k 0.1%", 3650.0), ("4k99", 4990.0), ("100R", 100.0), ("22p C0G", 22e-12),
     ("10uF X7R 25V", 10e-6), ("1.00k", 1000.0), ("4R7", 4.7)],
)  # fmt: skip
def test_values_are_read(text, value):
    assert netlist.quantity(text) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize("text", ["", "DNP", "k", "0R", "AMC3330", "3.3V bidir", "1.2k3"])
def test_what_is_no_value_is_refused(text):
    with pytest.raises(ValueError, match=r"does not begin with a value|not above zero"):
        netlist.quantity(text)


def broken(change):
    """Return the error that a changed netlist gives."""
    found = rows()
    found = change(found) or found
    with pytest.raises(netlist.NetlistError) as error:
        FrontEnd(netlist.from_rows(found))
    return str(error.value)


def edit(reference, **values):
    def change(found):
        for row in found:
            if row["reference"] == reference:
                row.update(values)

    return change


def test_a_value_that_is_none_is_named():
    assert 'R109: "to be settled" does not begin' in broken(edit("R109", value="to be settled"))


def test_every_fault_is_told_at_once():
    def change(found):
        edit("R109", value="?")(found)
        edit("C130", value="?")(found)

    told = broken(change)
    assert "R109" in told
    assert "C130" in told


def test_a_resistor_with_one_leg_in_the_air_is_refused():
    def change(found):
        return [row for row in found if not (row["reference"] == "R121" and row["pin"] == "2")]

    assert "R121 has 1 connected pins" in broken(change)


def test_a_net_that_ends_nowhere_is_refused():
    def change(found):
        (row,) = (row for row in found if row["reference"] == "R121" and row["pin"] == "2")
        row["net"] = "NOWHERE"

    assert "single connection: NOWHERE" in broken(change)


def test_a_net_without_a_path_for_direct_current_is_refused():
    def change(found):
        return [row for row in found if row["reference"] not in {"R130", "R132"}]

    assert "only capacitors reach, without a path for d.c.: h1_S" in broken(change)


def test_a_part_without_a_model_is_refused():
    assert "U3 (some amplifier) is on net" in broken(edit("U3", value="some amplifier"))


def test_an_isolator_without_its_input_pin_is_refused():
    def change(found):
        return [row for row in found if not (row["reference"] == "U1" and row["pin_name"] == "INP")]

    assert "U1 (AMC3330) has no connected pin INP" in broken(change)


def test_two_grounds_are_refused():
    def change(found):
        for row in found:
            if row["reference"] == "U2" and row["pin_name"] == "GND":
                row["net"] = "GND2"

    assert "one ground is wanted" in broken(change)


def test_a_file_of_another_form_is_refused(tmp_path):
    path = tmp_path / "netlist.csv"
    path.write_text("ref,nodes\nR1,a\n")
    with pytest.raises(netlist.NetlistError, match="no column reference, value"):
        netlist.read(path)
    with pytest.raises(netlist.NetlistError, match="export the netlist"):
        netlist.read(tmp_path / "missing.csv")


@pytest.mark.parametrize(
    ("elements", "commands", "said"),
    [
        (["V1 a 0 1", "R1 a 0 1k"], ["op", "write out.raw nowhere"], "nowhere"),
        (["V1 a 0 1", "V2 a 0 2", "R1 a 0 1k"], ["op", "write out.raw a"], "singular|conflict|loop"),
        (["V1 a 0 1", "X1 a 0 nothing"], ["op", "write out.raw a"], "unknown subckt|no circuit"),
        (["V1 a 0 1", "R1 a 0 1k"], ["op"], "0 plots came back, 1 were asked for"),
    ],
)
def test_what_ngspice_complains_of_is_an_error(ngspice, elements, commands, said):
    """ngspice ends with exit code 0 in most of these cases."""
    with pytest.raises(spice.SimulationFailed, match=f"(?i){said}"):
        spice.run("broken", elements, commands, plots=1)


def test_a_raw_file_that_was_cut_off_is_refused(ngspice):
    header = b"Plotname: x\nFlags: real\nNo. Variables: 1\nNo. Points: 2\nVariables:\n\t0\ta\tvoltage\nBinary:\n"
    with pytest.raises(spice.SimulationFailed, match="16 bytes of data announced, 15 are there"):
        spice.parse(header + bytes(15))
    with pytest.raises(spice.SimulationFailed, match="no data after byte 0"):
        spice.parse(b"Title: x\n")


def test_an_unknown_parameter_or_part_is_refused(front_end):
    with pytest.raises(KeyError, match=r"opamp_20mhz\.speed"):
        bench.at(front_end, [1.0], Scenario(parameters={"opamp_20mhz.speed": 1.0}))
    with pytest.raises(netlist.NetlistError, match="R999"):
        bench.at(front_end, [1.0], Scenario(values={"R999": 1.0}))


# -- the firmware ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("range_v", RANGES)
@pytest.mark.parametrize("name", ["speaker", "line"])
def test_the_firmware_knows_the_path(front_end, name, range_v):
    """In absolute terms and in phase, 10 to 1300 Hz, within 0.38 %, nearly all of it the isolator's own delay."""
    hz = np.geomspace(10.0, 1300.0, 60)
    loaded = Scenario(parameters={bench.LOAD: INPUT_OHM[range_v]})
    found = bench.at(front_end, list(hz), loaded).gains[f"ads_{name}"]
    told = rc_response(hz, load_ohm=INPUT_OHM[range_v]) / CHANNELS[Input(name)].ratio * loading(range_v)
    assert np.max(np.abs(found / told - 1)) < 3.8e-3
    assert np.max(np.abs(np.abs(found / told) - 1)) < 3e-4


@pytest.mark.parametrize("input", [Input.SPEAKER, Input.LINE])
@pytest.mark.parametrize("load_ohm", [4.9e6, 0.71e6])
def test_the_simulated_board_is_the_circuit(front_end, input, load_ohm):
    """Its nodal analysis and ngspice's, of the same netlist, agree in the complex gain."""
    hz = np.geomspace(1.0, 20e3, 60)
    found = bench.at(front_end, list(hz), Scenario(parameters={bench.LOAD: load_ohm})).gains[f"ads_{input}"]
    board = SimulatedFrontEnd(speaker=np.zeros_like, line=np.zeros_like, tolerances=Tolerances.none(), start_s=0.0)
    told = board.response(input, hz, load_ohm=load_ohm)
    off = np.abs(found / told - 1)
    # The clamps and the isolator's input capacitance are in ngspice's circuit only.
    assert np.max(off[hz <= 1300]) < 5e-4
    assert np.max(off) < 7e-3


@pytest.mark.parametrize("name", ["speaker", "line"])
def test_the_firmware_knows_the_path_of_the_audio_converter(front_end, name):
    """In absolute terms, 10 Hz to 20 kHz, within 0.04 dB; beside a delay within 0.1 degrees."""
    hz = np.geomspace(*linear.BAND_HZ, 80)
    found = bench.at(front_end, list(hz)).gains[f"i2s_{name}"]
    per_volt = frontend.CODEC_PEAK_V / frontend.codec_full_scale_v(Input(name))
    # The converter's own high-pass is no part of this circuit: its corner is put at 0 Hz.
    told = per_volt * frontend.low_pass(hz, Input(name)) * frontend.high_pass(hz, rate_hz=1e-9)
    assert np.max(np.abs(bench.db(found / told))) < 0.04
    phase = np.angle(found / told)
    assert np.max(np.abs(phase - hz * (hz @ phase / (hz @ hz)))) < np.radians(0.1)


def test_the_firmwares_pole_of_the_input_is_the_circuits(front_end):
    inside_hz = np.array([1e3, 10e3, 20e3])
    free = Scenario(parameters={bench.LOAD: bench.UNLOADED_OHM, "isolator.pole_hz": 1e9})
    found = bench.at(front_end, [0.001, *inside_hz], free).gains["ads_speaker"]
    rest = rc_response(inside_hz) * (1 + 1j * inside_hz / ISOLATOR_POLE_HZ)
    pole_hz = inside_hz / np.imag(rest * abs(found[0]) / found[1:])
    assert pole_hz == pytest.approx(ISOLATOR_POLE_HZ, rel=0.01)


def test_the_budget_takes_the_tolerances_of_the_parts_list():
    with (NETLIST.parent / "bom.csv").open(newline="", encoding="utf-8") as file:
        listed = {each: row["tolerance"] for row in csv.DictReader(file) for each in row["references"].split()}
    assert {listed[each] for each in ("R101", "R109", "R120", "R121", "R130")} == {f"{budget.RESISTOR_PCT:g} %"}
    assert {listed[each] for each in ("C130", "C133", "C120", "C101")} == {f"{budget.CAPACITOR_PCT:g} %"}
    assert {listed[each] for each in ("R111", "R212")} == {f"{tolerances.LIMITING_PCT:g} %"}


# -- waves through the circuit, read by the firmware -------------------------------------------------------------------


def wave(key):
    with np.load(DATA / f"front_end_{key}.npz") as stored:
        return {name: stored[name] for name in stored.files}


def as_codes(cycle, *, rate_hz=3231.0, range_v=2.048, span_s=0.25, seed=3):
    """Return times and volts as the ADS1015 gives them: means over 1/rate, noise of 0.2 LSB, whole codes.

    The waves were made with the load of the widest range.

    The running integral of the cycle at its pins is taken at the edges of the conversions (linear between its points).
    """
    volts, step_s = cycle["ads_v"].astype(float), 1.0 / cycle["ads_rate_hz"]
    cycle_s = len(volts) * step_s
    closed = np.append(volts, volts[0])
    running = np.concatenate(([0.0], np.cumsum((closed[1:] + closed[:-1]) / 2) * step_s))
    edges_s = 0.0137 + np.arange(round(span_s * rate_hz) + 1) / rate_hz
    whole, part_s = np.divmod(edges_s, cycle_s)
    at_edges = whole * running[-1] + np.interp(part_s, np.arange(len(running)) * step_s, running)
    means_v = np.diff(at_edges) * rate_hz
    noise = 0.2 * np.random.default_rng(seed).standard_normal(len(means_v))
    codes = np.round(means_v / LSB_V[range_v] + noise)
    factor = CHANNELS[Input.SPEAKER].ratio / loading(range_v)
    lsb_v = LSB_V[range_v] * factor
    times_s = (edges_s[1:] + edges_s[:-1]) / 2
    return times_s, codes * lsb_v, bass_facts(lsb_v=lsb_v, rate_hz=rate_hz)


def as_audio(cycle, *, rate_hz=96_000, span_s=0.25):
    """Return times and volts as a 24-bit audio converter gives them: everything above half its rate taken out.

    Volts at the terminals come from the netlist's values by hand; its coupling capacitor is a high-pass of 0.265 Hz.
    """
    volts = cycle["i2s_v"].astype(float) - 2.5
    lines = np.fft.rfft(volts)
    fewer = len(volts) * rate_hz // int(cycle["i2s_rate_hz"])
    kept = np.fft.irfft(lines[: fewer // 2 + 1], fewer) * fewer / len(volts)
    gain = 2 * 3.48 / 4.99 * 3.65 / 999.65 * 60e3 / 60.1e3
    n = round(span_s * rate_hz)
    taken = np.resize(kept, n) / gain
    corner_hz = 1 / (2 * math.pi * 10e-6 * 60.1e3)
    facts = full_facts(
        rate_hz=rate_hz,
        full_scale_v=300.0,
        tone_band_hz=(10.0, 20e3),
        response=lambda hz: 1 / (1 - 1j * corner_hz / np.maximum(hz, 1e-3)),
    )
    return np.arange(n) / rate_hz, taken, facts


def clipped_thd(over_db, highest):
    """Return THD_F of a hard-clipped sine from its odd harmonics up to `highest` (closed form, unit peak)."""
    c = 10 ** (-over_db / 20)
    a = math.asin(c)

    def line(k):
        if k == 1:
            return 2 / math.pi * (a + c * math.sqrt(1 - c * c))
        return 2 / math.pi * (math.sin((k - 1) * a) / (k * (k - 1)) + math.sin((k + 1) * a) / (k * (k + 1)))

    return math.sqrt(sum(line(k) ** 2 for k in range(3, highest + 1, 2))) / line(1)


def test_a_clipped_tone_through_the_bass_path_is_read_right():
    """RMS within 0.1 %, overdrive within 0.02 dB: the figures to reach of the whole meter."""
    found = measure(block(as_codes(wave("clipped_40hz"))), most_harmonics=16)
    assert found.rms_v == pytest.approx(85.0, rel=1e-3)
    assert found.fit.hz == pytest.approx(40.0, abs=0.01)
    assert found.thd == pytest.approx(clipped_thd(1.0, 16), abs=5e-4)
    assert (found.tops.overdrive_pos_db, found.tops.overdrive_neg_db) == pytest.approx((1.0, 1.0), abs=0.02)


def test_a_whole_tone_through_the_bass_path_is_whole():
    found = measure(block(as_codes(wave("whole_80hz"))), most_harmonics=16)
    assert found.rms_v == pytest.approx(20.0, rel=1e-3)
    assert found.thd < 2e-3
    assert max(found.tops.overdrive_pos_db, found.tops.overdrive_neg_db) < 0.02


def test_a_clipped_tone_through_the_audio_path_is_read_right():
    found = measure(block(as_audio(wave("clipped_40hz"))), most_harmonics=40)
    assert found.rms_v == pytest.approx(85.0, rel=1e-3)
    assert found.thd == pytest.approx(clipped_thd(1.0, 40), abs=2e-4)
    assert (found.tops.overdrive_pos_db, found.tops.overdrive_neg_db) == pytest.approx((1.0, 1.0), abs=0.02)


def test_the_residue_lies_in_the_kept_wave_as_the_response_says(front_end):
    """The tone's 85 V and 3 V peak of 100 kHz, each times the gain that a small-signal analysis gives there."""
    stored = wave("clipped_40hz")
    lines = np.abs(np.fft.rfft(stored["i2s_v"].astype(float))) / len(stored["i2s_v"]) * 2
    response = bench.at(front_end, [40.0, 100e3])
    assert lines[2500] == pytest.approx(3.0 * abs(response.gain("i2s_speaker", 100e3)), rel=0.04)
    one = clipped_fundamental(stored["amplitude_v"], stored["limit_v"])
    assert lines[1] == pytest.approx(one * abs(response.gain("i2s_speaker", 40.0)), rel=2e-4)
    lines = np.abs(np.fft.rfft(stored["ads_v"].astype(float))) / len(stored["ads_v"]) * 2
    assert lines[1] == pytest.approx(one * abs(response.gain("ads_speaker", 40.0)), rel=2e-4)


def clipped_fundamental(amplitude_v, limit_v):
    """Return the fundamental of a hard-clipped sine [V peak] (closed form)."""
    c = limit_v / amplitude_v
    return amplitude_v * 2 / math.pi * (math.asin(c) + c * math.sqrt(1 - c * c))


def test_the_kept_wave_is_what_a_fresh_run_gives(front_end):
    """The shorter one, with coarser steps: within 0.1 % of its peak."""
    (short,) = (each for each in waveforms.WAVES if each.key == "whole_80hz")
    stored, fresh = wave(short.key), waveforms.run(front_end, short, step_s=1e-6)
    for name in ("ads_v", "i2s_v"):
        swing_v = np.ptp(stored[name]) / 2
        assert np.max(np.abs(fresh[name] - stored[name])) < 1e-3 * swing_v
    assert (stored["hz"], stored["amplitude_v"]) == (short.hz, short.amplitude_v)


# -- what is kept ------------------------------------------------------------------------------------------------------


def test_the_kept_figures_are_those_of_a_fresh_run(front_end, kept):
    figures = [
        *(figure for chapter in linear.study(front_end).chapters for figure in chapter.figures),
        *overload.study(front_end).figures,
        *tolerances.study(front_end).figures,
        *budget.study(front_end).figures,
    ]
    fresh = {figure.key: figure.simulated for figure in figures}
    assert not report.differences(kept, fresh)
    left_out = report.values(kept).keys() - fresh.keys()
    assert {key.split("_")[0] for key in left_out} == {"wave"}, f"no run made these: {left_out}"
    unexplained = [figure.what for figure in figures if figure.agrees is False and not figure.explained]
    assert not unexplained


def test_a_figure_that_moved_is_told(kept):
    known = report.values(kept)
    key = "i2s_corner"
    assert not report.differences(kept, {key: known[key] * 1.001})
    assert report.differences(kept, {key: known[key] * 1.003})
    assert report.differences(kept, {"new": 1.0}) == ["new is not in figures.json"]


def test_the_results_are_made_from_the_kept_figures(kept):
    assert (KEPT / "RESULTS.md").read_text(encoding="utf-8") == report.results(kept)


def test_a_reason_has_to_reach_the_designs_figure():
    from simulation.figure import Figure, Reason

    off = Figure("x", "x", "V", simulated=1.2, design=1.0)
    assert off.agrees is False
    assert not off.explained
    assert not replace(off, reason=Reason("other parts", (1.1,))).explained
    assert replace(off, reason=Reason("other parts", (1.04,))).explained
    assert replace(off, reason=Reason("other parts", (0.7,))).explained, "the design lies between the two"


def test_overload_leaves_the_converters_pins_inside_their_rails(kept):
    known = report.values(kept)
    margins = {key: value for key, value in known.items() if key.endswith(("_low", "_high"))}
    assert len(margins) == 4 * len(overload.CASES)
    assert min(margins.values()) > 0.3
    for case in overload.CASES:
        assert known[f"{case.key}_resistor_v"] < overload.RATED_V
        assert known[f"{case.key}_pin"] < 1e3 * overload.RATED_PIN_A
