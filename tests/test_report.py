"""The report: what run.json says and nothing else, safe to open, and fit for a phone and for A4."""

from __future__ import annotations

import argparse
import html
import importlib.util
import json
import math
import re
import subprocess
from html.parser import HTMLParser

import msgspec
import numpy as np
import pytest

import report_session
from flattop.errors import SettingsError, StorageError
from flattop.record import report, report_charts
from flattop.record.report import FILLS, INKS, figures, page, table
from flattop.record.report_view import Findings, Output, Record, read_wave
from flattop.record.run_file import NAME, PlanAmplifier, PlanChannel, load, save
from flattop.record.stamps import Trust
from test_run_file import strict_json
from test_screen import contrast
from test_session import parse_rfc4180

VOID = {"meta", "br", "link", "img", "hr", "input", "wbr"}


class Page(HTMLParser):
    """A page taken apart, strictly: every element is closed in order, and no attribute stands twice."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.open, self.elements, self.texts = [], [], []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attributes):
        names = [name for name, _ in attributes]
        assert len(names) == len(set(names)), (tag, names)
        self.elements.append((tag, dict(attributes)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attributes):
        assert "svg" in self.open or tag in VOID, f"<{tag}/> is closed only inside SVG"
        self.elements.append((tag, dict(attributes)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if "style" not in self.open:
            self.texts.append(data)

    @property
    def text(self):
        return " ".join("".join(self.texts).split())


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("plain")
    run = report_session.build(folder)
    return folder, run, page(run, folder)


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    folder = tmp_path_factory.mktemp("hostile")
    run = report_session.build(folder, names=report_session.HOSTILE, trust=Trust.UNKNOWN, calibrated=False)
    return folder, run, page(run, folder)


@pytest.fixture
def small(made, tmp_path):
    """Return a copy of the session that may be spoilt, with three waves."""
    save(tmp_path, made[1])
    for number in (2, 3, 8):
        name = f"kept-{number:04d}.csv"
        (tmp_path / name).write_bytes((made[0] / name).read_bytes())
    return tmp_path


def carry_out(*arguments):
    parser = argparse.ArgumentParser()
    report.add_parser(parser.add_subparsers())
    said = []
    assert report.run(parser.parse_args(["report", *map(str, arguments)]), say=said.append) == 0
    return said


def data_in(text):
    return [(float(value), shown) for value, shown in re.findall(r'<data value="([^"]*)">([^<]*)</data>', text)]


# -- the page as such -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("which", ["made", "hostile"])
def test_the_page_is_whole_html_with_ids_of_its_own(which, request):
    text = request.getfixturevalue(which)[2]
    assert text.lstrip().startswith("<!DOCTYPE html>")
    found = Page(text)
    ids = [attributes["id"] for _, attributes in found.elements if "id" in attributes]
    assert len(ids) == len(set(ids))
    local = re.findall(r"url\(#([^)]*)\)", text)
    local += [attributes["href"].removeprefix("#") for _, attributes in found.elements if "href" in attributes]
    assert len(local) > 50
    assert set(local) <= set(ids)


@pytest.mark.parametrize("which", ["made", "hostile"])
def test_the_page_asks_for_nothing(which, request):
    text = request.getfixturevalue(which)[2]
    assert not re.search(r"https?:|//\w+\.|@import|url\((?!#)", text.replace("http-equiv", ""))
    for tag, attributes in Page(text).elements:
        assert tag not in {"script", "link", "img", "iframe", "object", "embed", "audio", "video", "base", "form"}
        assert not attributes.keys() & {"src", "srcset", "xlink:href", "action", "background", "data"}
        assert not [name for name in attributes if name.startswith("on")]
        assert attributes.get("href", "#").startswith("#")
    assert """content="default-src 'none'; style-src 'unsafe-inline'">""" in text


def test_names_of_a_plan_are_text_and_nothing_more(hostile):
    found = Page(hostile[2])
    names = report_session.HOSTILE
    plain = [names[key] for key in ("source", "control", "a", "b", "four", "bass tone")] + [
        *names["pair"],
        *names["mid"],
    ]
    for name in plain:
        assert " ".join(name.split()) in found.text
    assert "<script>alert(1)</script> van" in found.text
    assert "<img src=x onerror=alert(3)>" in found.text
    assert "{{ 7 * 7 }}{% raw %}" in found.text
    assert "49{" not in found.text
    assert "&amp;amp; an entity" in hostile[2], "an entity in a note is shown as it was written"
    assert "\u202e" not in hostile[2], "nothing turns the text around"
    assert "\x07" not in hostile[2]


def test_the_same_run_gives_the_same_page(small):
    run = load(small)
    assert page(run, small) == page(run, small)


# -- what it says -----------------------------------------------------------------------------------------------------


def numbers_in(held):
    if isinstance(held, dict):
        held = list(held.values())
    if isinstance(held, list):
        return {number for item in held for number in numbers_in(item)}
    return {float(held)} if isinstance(held, int | float) and not isinstance(held, bool) else set()


def worked_out(held):
    """Work out anew what the page may say beyond run.json: changes [dB], estimated powers [W], losses [V]."""
    steps = {step["id"]: step for step in held["steps"]}
    level = {}
    for kept in held["kept"]:
        step = steps[kept["step"]]
        level[
            step["kind"], step["place"], step["channel"], step["side"] if step["kind"] in ("source", "link") else ""
        ] = kept["rms_v"]
    changes, powers, losses = [], [], []
    for amplifier in held["plan"]["amplifiers"]:
        for channel in amplifier["channels"]:
            both = [level.get((kind, amplifier["name"], channel["name"], "")) for kind in ("found", "left")]
            powers += [volts * volts / channel["load_ohm"] for volts in both if volts]
            if all(both):
                changes.append(20 * math.log10(both[1] / both[0]))
    for link in held["plan"]["links"]:
        for side in ("left", "right"):
            before = [level.get((kind, link["after"], "", side)) for kind in ("source", "link")]
            losses.append(next(filter(None, before)) - level["link", link["name"], "", side])
    return changes, powers, losses


def test_every_number_is_that_of_the_run_or_follows_from_it(made):
    folder, _, text = made
    held = strict_json((folder / NAME).read_bytes())
    told, shown = numbers_in(held), data_in(text)
    changes, powers, losses = worked_out(held)
    assert (len(changes), len(powers), len(losses)) == (4, 8, 4)
    values = [value for value, _ in shown]
    for expected in (*changes, *powers, *losses):
        assert any(math.isclose(value, expected, rel_tol=1e-9, abs_tol=1e-12) for value in values), expected
    for value in values:
        assert value in told or any(math.isclose(value, v, rel_tol=1e-9) for v in (*changes, *powers, *losses)), value
    for kept in held["kept"]:
        if kept["wave"]:
            assert kept["rms_v"] in values
    for finding in held["findings"]:
        if finding["value"] is not None:
            assert finding["value"] in values


def test_what_people_read_is_what_machines_read_rounded(made):
    for value, text in data_in(made[2]):
        decimals = len(text.partition(".")[2])
        assert abs(float(text.replace("−", "-")) - value) <= 0.5000001 * 10**-decimals


def section_of(text, head):
    """Return one section of the page, by how its heading begins."""
    (found,) = [part for part in re.findall(r"<section>.*?</section>", text, re.DOTALL) if f"<h2>{head}" in part]
    return found


def test_levels_stand_under_as_found_and_as_left(made):
    _, run, whole = made
    text = section_of(whole, "Outputs")
    steps = {step.id: step for step in run.steps}
    for head, kind in (("As found", "found"), ("As left", "left")):
        cells = re.findall(rf'<td data-of="{head}">(.*?)</td>', text, re.DOTALL)
        first = [data_in(cell)[0][0] for cell in cells if "<data" in cell]
        assert first == [kept.rms_v for kept in run.kept if steps[kept.step].kind == kind]
        assert sum("could not: outside this converter&#39;s band" in cell for cell in cells) == 2
        for cell in cells:
            assert ("estimate, no-load" in cell) == ("<data" in cell), "an estimate says that it is one, and of what"


def test_no_load_stands_with_every_reading_that_is(made):
    _, run, text = made
    captions = re.findall(r"<figcaption>(\d+)\.(.*?)</figcaption>", text, re.DOTALL)
    assert {int(number): "no-load" in caption for number, caption in captions} == {
        kept.number: kept.no_load for kept in run.kept if kept.wave
    }
    listed = re.findall(r'<li class="finding">(.*?)</li>', text, re.DOTALL)
    for finding in run.findings:
        (own,) = [item for item in listed if finding.text in html.unescape(item) and _names(finding, item)]
        assert ("no-load</span>" in own) == finding.no_load
        assert re.search(r'class="tag ([\w-]+)">', own)[1] == finding.judgement.replace(" ", "-")
        assert all(cause in own.replace("&#39;", "'") for cause in finding.causes)


def _names(finding, item):
    head = html.unescape(item.split("<p>")[0])
    return f"<strong>{finding.what}</strong>" in item and re.findall(r'class="name">([^<]*)<', head) == list(
        finding.where
    )


def test_a_judgement_has_word_and_shape_and_colour(made):
    for judgement in ("pass", "fail", "cannot tell"):
        key = judgement.replace(" ", "-")
        assert (
            f'<span class="tag {key}"><svg class="sign" aria-hidden="true"><use href="#s-{key}"/></svg>{judgement}'
            in made[2]
        )
        assert re.search(rf"\.{key}\b[^{{]*{{", made[2])
    counts = Page(made[2]).text
    assert re.search(r"pass 9 .*?fail 3 .*?cannot tell 3", counts)


def test_simulated_uncalibrated_and_a_clock_not_set_are_said(made, hostile, tmp_path):
    assert Page(made[2]).text.count("SIMULATED") == 2
    assert "NOT CALIBRATED" not in made[2]
    assert "2026-11-25 10:30 UTC, by the meter's clock chip" in Page(made[2]).text
    assert "NOT CALIBRATED" in hostile[2]
    assert "the date is not known; it showed 2026-11-25 10:30 UTC" in Page(hostile[2]).text
    run = made[1]
    real = msgspec.structs.replace(
        run,
        meter=msgspec.structs.replace(run.meter, simulated=False),
        kept=tuple(msgspec.structs.replace(kept, simulated=False) for kept in run.kept),
        responses=(),
        noises=(),
    )
    assert "SIMULATED" not in page(real, tmp_path)
    one_swept = msgspec.structs.replace(real, responses=run.responses[:1])
    assert "SIMULATED" in page(one_swept, tmp_path)


def test_cautions_notes_steps_and_instrument_are_there(made):
    text = Page(made[2]).text
    for part in (
        "Local codes apply", "licensed", "Above 30 V rms", "Sound level at the back door before: 96 dBA",
        "skipped: check, effects off", "could not: as found, gain set, as left, Four-channel Mid left, 1 kHz",
        "open: reconnect, Four-channel, speakers on, + to +", "serial SIM-7",
        "Bass A (speakers on, + to +); Bass B (speakers on, + to +)",
        "tone controls flat; speakers off; gain down, amp muted", "2026-08-14, 103 days before the run",
        "at volume step 34", "12.62 V d.c.",
    ):  # fmt: skip
        assert part in text


def test_the_chain_follows_the_signal_and_survives_one_that_goes_in_circles(made, tmp_path):
    nodes = Record(made[1], made[0]).chain()
    assert [(node.name, node.column, node.from_column) for node in nodes] == [
        ("Line source", 0, None),
        ("Level control", 0, 0),
        ("Rear lead, 6 m", 1, 0),
        ("Bass A", 2, 1),
        ("Bass B", 2, 1),
        ("Four-channel", 1, 0),
    ]
    assert [node.through for node in nodes] == [(), (), (0,), (0, 1), (0,), ()]
    plan = made[1].plan | {"links": [{"name": "x", "after": "y"}, {"name": "y", "after": "x"}], "amplifiers": []}
    circles = msgspec.structs.replace(made[1], plan=plan)
    assert [node.name for node in Record(circles, tmp_path).chain()] == ["Line source"]
    Page(page(circles, tmp_path))


# -- filters, noise, and from line to speaker --------------------------------------------------------------------------


def cell_of(section, row, head):
    """Return one cell of a table, by what its row's first cell begins with."""
    (cells,) = [one for one in re.findall(r"<tr>(.*?)</tr>", section, re.DOTALL) if re.search(row, one)]
    return re.search(rf'<td data-of="{head}">(.*?)</td>', cells, re.DOTALL)[1]


def test_corners_stand_as_found_and_as_left_beside_what_is_stated(made):
    _, run, text = made
    first, second = section_of(text, "Filters").split('<div class="swept">')[1:]
    found, left = run.responses[0], run.responses[1]
    for cut, side in (("subsonic", "high-pass"), ("low-pass", "low-pass")):
        for head, response in (("As found", found), ("As left", left)):
            corner = response.corner(side)
            cell = cell_of(first, rf">{cut}<", head)
            values = [value for value, _ in data_in(cell)]
            assert values == [corner.corner_hz, corner.slope_db_octave, corner.down_3_hz, corner.down_6_hz]
            assert corner.alignment in cell
        assert 'class="tag pass"' in cell_of(first, rf">{cut}<", "Judged")
    # Half the power of Linkwitz-Riley 24 at (sqrt(2) - 1)^(1/4) = 0.80224 of its corner: closed form. A digit counts.
    low = left.corner("low-pass")
    assert low.down_3_hz / low.corner_hz == pytest.approx(0.80224, abs=1e-5)
    assert 'data value="28.0"' in re.search(r"subsonic<p.*?</p>", first)[0]
    assert "could not: no sweep came within 60 s" in second
    assert "not measured" in cell_of(second, ">subsonic<", "As left")
    assert "not judged" in cell_of(second, ">subsonic<", "Judged")


def test_the_curve_falls_where_the_filter_does_and_has_no_line_across_a_hole(made):
    _, run, _ = made
    found = run.responses[1]
    drawn = report_charts.response_svg(None, found, stated_hz=[28.0, 90.0], name="x", words='a "word"')
    assert "a &quot;word&quot;" in drawn
    (path,) = [path for path in re.findall(r'<path d="([^"]*)"[^>]*stroke-width: 2.2', drawn) if path.count("L") > 20]
    x, y = np.array([tuple(map(float, pair)) for pair in re.findall(r"[ML] ([-\d.]+) ([-\d.]+)", path)]).T
    width, height = 4.6 * 72, 1.7 * 72  # a point is 1/72 inch; the axes are 0.86 by 0.83 of the picture
    hz = np.array([point.hz for point in found.curve])
    share = np.log(1.05 * hz / hz[0]) / np.log(1.05**2 * hz[-1] / hz[0])
    drawn_y = np.interp((0.12 + 0.86 * share) * width, x, y)
    shown = [number for number, point in enumerate(found.curve) if point.level_db > -30.0]
    assert len(shown) > 40
    for number in shown:
        expected = (0.02 + 0.83 * (3.0 - found.curve[number].level_db) / 36.0) * height
        assert drawn_y[number] == pytest.approx(expected, abs=0.7)
    half = msgspec.structs.replace(
        found, curve=tuple(point for point in found.curve if not 40.0 < point.hz < 60.0), corners=()
    )
    torn = report_charts.response_svg(None, half, stated_hz=[], name="x", words="")
    (path,) = [path for path in re.findall(r'<path d="([^"]*)"[^>]*stroke-width: 2.2', torn) if path.count("L") > 20]
    assert path.count("M") == 2
    assert report_charts.response_svg(None, None, stated_hz=[28.0], name="x", words="") == ""


def test_noise_stands_in_volts_and_below_the_tone(made, tmp_path):
    _, run, text = made
    section = section_of(text, "Noise")
    (noise,) = run.noises
    for head, part in (("All of it", noise.total), ("Hum", noise.hum), ("The rest", noise.rest)):
        assert part.volts > 0.0
        values = [value for value, _ in data_in(cell_of(section, "Low left", head))]
        assert [values[0], values[-1]] == [part.volts, part.down_db]
    # 30 mV of 50 Hz with 40 % of its third harmonic: closed form.
    assert noise.hum.volts == pytest.approx(0.03 * math.hypot(1.0, 0.4), rel=0.03)
    assert noise.hum.down_db == pytest.approx(20 * math.log10(noise.tone_v / noise.hum.volts), abs=1e-4)
    assert "under" in cell_of(section, "Low left", "Whine")
    assert "more than" in cell_of(section, "Low left", "Whine")
    playing = msgspec.structs.replace(noise, stage="a tone is playing")
    assert "a tone is playing" in section_of(page(msgspec.structs.replace(run, noises=(playing,)), tmp_path), "Noise")
    assert "not measured" in section_of(page(msgspec.structs.replace(run, noises=()), tmp_path), "Noise")


def test_gain_and_polarity_stand_where_both_inputs_were_read(made):
    section = section_of(made[2], "Outputs")
    assert section.count("from line to speaker, polarity same") == 2
    assert "26.31" in section
    header, *rows = parse_rfc4180(table(made[1]).decode())
    shown = {(row[header.index("line_to_speaker_db")], row[header.index("polarity")]) for row in rows}
    assert shown == {("", ""), ("26.31", "same")}


def test_a_plan_without_filters_has_no_section_on_them(made, tmp_path):
    run = made[1]
    steps = tuple(step for step in run.steps if step.kind not in {"filter", "quiet"})
    findings = tuple(finding for finding in run.findings if finding.what not in {"corner", "noise"})
    without = msgspec.structs.replace(run, steps=steps, responses=(), noises=(), findings=findings)
    assert not re.search(r"<h2>(Filters|Noise)", page(without, tmp_path))


# -- figures against outside values -----------------------------------------------------------------------------------


def output(made, found_v, left_v, *, u_v=0.0, common=0.0, load_ohm=4.0):
    kept = msgspec.structs.replace(made[1].kept[1], u_v=u_v, u_common_rel=common)
    found, left = (msgspec.structs.replace(kept, rms_v=volts) for volts in (found_v, left_v))
    channel = PlanChannel(name="x", load_ohm=load_ohm)
    return Output(PlanAmplifier(name="a", after="b", channels=(channel,)), channel, "", found, left, "", ())


# V = sqrt(P R) and decibels: closed forms; the voltages are common practice, no source.
@pytest.mark.parametrize(
    ("volts", "load_ohm", "power_w"),
    [(14.142, 4.0, 50.0), (20.0, 4.0, 100.0), (44.721, 4.0, 500.0), (63.246, 2.0, 2000.0)],
)
def test_estimated_power(made, volts, load_ohm, power_w):
    shown = output(made, volts, volts, u_v=0.01 * volts, load_ohm=load_ohm)
    estimate = shown.power_w(shown.left)
    assert estimate.value == pytest.approx(power_w, rel=1e-4)
    assert estimate.u == pytest.approx(0.02 * power_w, rel=1e-4), "JCGM 100: P goes with V squared"
    assert output(made, 1.0, 1.0, load_ohm=0.0).power_w(shown.left) is None


@pytest.mark.parametrize(
    ("before", "after", "change_db"), [(4.0, 3.9, -0.2199), (3.9, 3.78, -0.2715), (20.0, 18.6, -0.6303)]
)
def test_changes_in_decibels(made, before, after, change_db):
    assert output(made, before, after).change_db.value == pytest.approx(change_db, abs=5e-5)


def test_what_both_readings_share_is_not_in_the_uncertainty_of_their_change(made):
    shared = output(made, 10.0, 10.0, u_v=0.05, common=0.005)
    assert shared.change_db.u == pytest.approx(0.0, abs=1e-9)
    alone = output(made, 10.0, 10.0, u_v=0.05)
    assert alone.change_db.u == pytest.approx(20 / math.log(10) * 0.005 * math.sqrt(2), rel=1e-9)


# JCGM 100:2008, 7.2.6: two digits of the uncertainty at most; it may be rounded up; the value ends with it.
@pytest.mark.parametrize(
    ("value", "u", "shown"),
    [(66.20079, 0.1589, ("66.20", "0.16")), (66.20079, 0.151, ("66.20", "0.16")), (1095.6, 5.3, ("1095.6", "5.3")),
     (1095.6, 53.0, ("1096", "53")), (-0.0206, 1.4, ("0.0", "1.4")), (-0.506088, 0.000642, ("−0.506", "0.001")),
     (12.618, None, ("12.62", "")), (20000.0, None, ("20000", "")), (1.2e-5, None, ("0.000012", "")),
     (0.125, None, ("0.125", "")), (3.0, 0.0, ("3", ""))],
)  # fmt: skip
def test_digits_follow_the_uncertainty(value, u, shown):
    assert figures(value, u) == shown


def test_contrast_of_every_colour():
    def rgb(code):
        return tuple(bytes.fromhex(code.removeprefix("#")))

    for code in INKS.values():
        assert contrast(rgb(code), (255, 255, 255)) >= 4.5
    for code in FILLS.values():
        assert contrast(rgb(INKS["ink"]), rgb(code)) >= 4.5


# -- what a finding is about ------------------------------------------------------------------------------------------


def test_a_finding_is_told_with_the_steps_it_is_about(made):
    run = made[1]
    steps = {step.id: step for step in run.steps}

    def about(*where):
        finding = msgspec.structs.replace(run.findings[0], where=where)
        findings = Findings(msgspec.structs.replace(run, findings=(finding,)))
        return {name for name, step in steps.items() if findings.of(step)}

    low = {f"{kind}:Four-channel/Low left:left:40 Hz" for kind in ("found", "set", "left")}
    assert about("Four-channel", "Low left") == low
    assert about("Four-channel/Low left") == low
    assert about("left:Four-channel/Low left:left:40 Hz") == {"left:Four-channel/Low left:left:40 Hz"}
    assert about("Level control", "left") == {"link:Level control:left:40 Hz"}
    assert about("Level control L") == {"link:Level control:left:40 Hz"}
    assert len(about("Level control")) == 2
    assert len(about("Four-channel")) == 13
    assert about("nobody") == set()


# -- waves ------------------------------------------------------------------------------------------------------------


def test_a_wave_that_is_missing_or_damaged_is_said_where_its_picture_would_be(small):
    (small / "kept-0003.csv").write_bytes(b"angle_deg,pos_v\r\n1,2\r\n")
    (small / "kept-0008.csv").write_bytes((small / "kept-0008.csv").read_bytes()[:-20] + b'"')
    text = page(load(small), small)
    Page(text)
    assert text.count('aria-label="tops of reading') == 1
    assert "no picture: kept-0003.csv is damaged (its columns are not those of a wave)" in text
    assert "no picture: kept-0008.csv is damaged" in text
    assert "no picture: kept-0010.csv cannot be read (No such file or directory)" in text


def test_a_wave_is_read_as_it_was_written(made):
    tops = report_session.reading_of(71.3, rail_v=96.4).tops
    read = read_wave(made[0] / "kept-0008.csv")
    for name in ("angle_deg", "pos_v", "neg_v", "pos_flanks_v", "neg_flanks_v"):
        assert getattr(read, name) == pytest.approx(getattr(tops, name), rel=1e-6, nan_ok=True)


def test_only_what_is_missing_is_hatched(made):
    pictures = dict(
        re.findall(r'<svg class="chart" role="img" aria-label="tops of reading (\d+): (.*?)</svg>', made[2])
    )
    assert pictures["8"].startswith("flat, 0.39 dB missing")
    assert pictures["9"].startswith('clean"')

    def hatched(picture):
        """Return the height of the hatched part in the picture."""
        ((path,),) = [re.findall(r'd="([^"]*)"', g) for g in re.findall(r"<path [^>]*fill: url\(#[^>]*>", picture)]
        levels = {}
        for x, y in re.findall(r"[ML] ([\d.]+) ([\d.]+)", path):
            levels.setdefault(float(x), []).append(float(y))
        return max(max(ys) - min(ys) for ys in levels.values())

    assert hatched(pictures["9"]) < 1.0
    # 0.39 dB is 1 - 10^(-0.39/20) = 4.4 % of the crest, and the narrowest view shows 1 - cos 36 degrees = 19.1 %.
    assert hatched(pictures["8"]) == pytest.approx(0.044 / 0.191 / 1.06 * 86.4, rel=0.1)


# -- the table --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("which", ["made", "hostile"])
def test_the_table_has_one_row_for_each_kept_reading(which, request):
    folder, run, _ = request.getfixturevalue(which)
    header, *rows = parse_rfc4180(table(run).decode("utf-8"))
    rows = [dict(zip(header, row, strict=True)) for row in rows]
    held = strict_json((folder / NAME).read_bytes())
    steps = {step["id"]: step for step in held["steps"]}
    assert len(rows) == len(held["kept"]) == 20
    for row, kept in zip(rows, held["kept"], strict=True):
        step = steps[kept["step"]]
        for name in ("rms_v", "u_v", "hz", "dc_v", "overdrive_db", "ceiling_v", "volume_step"):
            assert row[name] == "" if kept[name] is None else float(row[name]) == kept[name], name
        for name in ("place", "channel", "side", "tone", "kind"):
            assert row[name] == step[name]
        assert row["state"] == {"found": "as found", "left": "as left"}.get(step["kind"], "")
        assert (row["no_load"], row["number"]) == ("yes" if kept["no_load"] else "no", str(kept["number"]))
    names = report_session.HOSTILE if which == "hostile" else report_session.PLAIN
    by_place = {(row["place"], row["side"]): row["judgement"] for row in rows if row["kind"] == "link"}
    assert by_place[names["lead"], "right"] == "fail"
    assert {row["judgement"] for row in rows if row["kind"] == "source"} == {""}
    pair = [row for row in rows if row["channel"] in names["pair"]]
    assert {row["findings"] for row in pair} == {"not adjustable here: fail"}


def test_the_table_of_a_run_without_kept_readings_is_its_header(made):
    empty = msgspec.structs.replace(made[1], kept=())
    (header,) = parse_rfc4180(table(empty).decode())
    assert header[:3] == ["number", "step", "kind"]


# -- the command ------------------------------------------------------------------------------------------------------


def test_the_command_writes_page_and_table_and_notes(small, tmp_path_factory):
    assert carry_out(small, "--note", "one", "--note", "two") == [
        "Noted: 2 of 3 notes in all.",
        f"Report: {small / 'report.html'}",
    ]
    text = (small / "report.html").read_text("utf-8")
    assert [note["text"] for note in json.loads((small / NAME).read_bytes())["notes"][1:]] == ["one", "two"]
    assert re.search(r"\d\d UTC</span> one</li>", text)
    out = tmp_path_factory.mktemp("out") / "x.csv"
    carry_out(small, "--csv", "--out", out)
    assert out.read_bytes() == table(load(small))
    assert not (small / "report.csv").exists()


def test_a_run_that_only_began_has_a_report_too(made, tmp_path):
    began = msgspec.structs.replace(made[1], steps=(), kept=(), responses=(), noises=(), findings=(), notes=())
    save(tmp_path, began)
    carry_out(tmp_path)
    text = Page((tmp_path / "report.html").read_text("utf-8")).text
    assert "Nothing failed." in text
    assert "No waves were kept." in text


@pytest.mark.parametrize(
    ("content", "said"), [(b"", "is empty"), (b'{"schema": "flattop-run", "version": 9}', "version 9")]
)
def test_an_empty_or_newer_folder_gets_its_own_words(tmp_path, content, said):
    (tmp_path / NAME).write_bytes(content)
    with pytest.raises(StorageError, match=said):
        carry_out(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == [NAME]


def test_a_report_that_cannot_be_written_says_what_to_do(small):
    with pytest.raises(StorageError, match=r"report\.html cannot be written .*name another file with --out"):
        carry_out(small, "--out", small / "nowhere" / "report.html")


def test_the_volume_step_is_added_by_hand_and_stands_in_page_and_table(small):
    assert carry_out(small, "--volume-step", 31)[0] == "Volume of the source: step 31."
    assert "at volume step 31" in (small / "report.html").read_text("utf-8")
    kinds = {step.id: step.kind for step in load(small).steps}
    assert {kept.volume_step for kept in load(small).kept if kinds[kept.step] == "source"} == {31}
    assert {kept.volume_step for kept in load(small).kept if kinds[kept.step] != "source"} == {None}
    before = (small / NAME).read_bytes()
    for wrong in (-1, 100_000):
        with pytest.raises(StorageError, match=f"volume step {wrong}; allowed are 0 to "):
            carry_out(small, "--volume-step", wrong)
    assert (small / NAME).read_bytes() == before


def test_without_its_libraries_the_page_says_what_to_install_and_the_table_still_works(small, monkeypatch):
    find = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None if name == "matplotlib" else find(name))
    before = (small / NAME).read_bytes()
    with pytest.raises(
        SettingsError, match=r"not installed here: matplotlib; install them: pip install 'flattop\[report\]'"
    ):
        carry_out(small, "--note", "too early")
    assert (small / NAME).read_bytes() == before
    carry_out(small, "--csv")


# -- in a browser -----------------------------------------------------------------------------------------------------

BROWSER = (
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync"),
    *("--disable-background-networking", "--disable-component-update", "--enable-logging=stderr", "--hide-scrollbars"),
)
FRAMES = """<!DOCTYPE html><meta charset="utf-8"><body>%s<script>
const linear = v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
const luminance = c => [0.2126, 0.7152, 0.0722].reduce((sum, part, i) => sum + part * linear(c[i] / 255), 0);
const rgb = text => text.match(/[\\d.]+/g).map(Number);
const look = frame => {
  const page = frame.contentDocument, view = frame.contentWindow;
  const style = node => view.getComputedStyle(node);
  const walk = page.createTreeWalker(page.body, NodeFilter.SHOW_TEXT);
  let worst = 99, smallest = 99, texts = 0;
  while (walk.nextNode()) {
    const node = walk.currentNode.parentElement;
    if (!walk.currentNode.data.trim() || node.closest("svg")) continue;
    let behind = node;
    while (behind && rgb(style(behind).backgroundColor)[3] === 0) behind = behind.parentElement;
    const ground = behind ? rgb(style(behind).backgroundColor) : [255, 255, 255];
    const both = [rgb(style(node).color), ground].map(luminance);
    worst = Math.min(worst, (Math.max(...both) + 0.05) / (Math.min(...both) + 0.05));
    smallest = Math.min(smallest, parseFloat(style(node).fontSize));
    texts += 1;
  }
  const parts = [...page.body.querySelectorAll("*")].filter(part => !part.closest("thead, svg"));
  const furthest = Math.max(...parts.map(part => part.getBoundingClientRect().right));
  return {width: view.innerWidth, scrolled: page.documentElement.scrollWidth, furthest, worst, smallest, texts};
};
onload = () => {
  const out = document.createElement("pre");
  out.id = "found";
  out.textContent = JSON.stringify([...document.querySelectorAll("iframe")].map(look));
  document.body.replaceChildren(out);
};
</script>"""
PHONE_PX, A4_PX = 390, 695
"""A4 is 210 mm wide, its margins here 13 mm each: 184 mm at 96 px an inch."""


def browse(need, folder, *arguments):
    command = [need("chromium"), *BROWSER, f"--user-data-dir={folder / 'profile'}", *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, check=True, timeout=120, text=True)
    return done.stdout, [entry for entry in done.stderr.splitlines() if "CONSOLE" in entry]


def frame(text, width_px):
    return f'<iframe width="{width_px}" height="2000" style="border:0" srcdoc="{html.escape(text)}"></iframe>'


def test_no_width_scrolls_sideways_and_all_text_can_be_read(made, hostile, tmp_path, need):
    printed = [text.replace("@media print", "@media all") for text in (made[2], hostile[2])]
    wide = '<body style="margin:0"><p style="width:900px;color:#aaa">x</p>'
    frames = [frame(text, PHONE_PX) for text in (made[2], hostile[2])] + [frame(text, A4_PX) for text in printed]
    (tmp_path / "frames.html").write_text(FRAMES % "".join([*frames, frame(wide, PHONE_PX)]), "utf-8")
    dom, console = browse(need, tmp_path, "--dump-dom", tmp_path / "frames.html")
    *found, control = json.loads(html.unescape(re.search(r'<pre id="found">(.*?)</pre>', dom)[1]))
    assert console == []
    assert [(one["width"], one["scrolled"]) for one in found] == [(PHONE_PX,) * 2] * 2 + [(A4_PX,) * 2] * 2
    for one in found:
        assert one["furthest"] <= one["width"]
        assert one["worst"] >= 4.5
        assert one["smallest"] >= 10.0
        assert one["texts"] > 300
    # What the checks above would see on a page that is wrong.
    assert control["scrolled"] == 900
    assert control["worst"] < 2.5


def test_it_prints_on_a4(hostile, tmp_path, need):
    (tmp_path / "report.html").write_text(hostile[2], "utf-8")
    _, console = browse(
        need, tmp_path, "--no-pdf-header-footer", f"--print-to-pdf={tmp_path / 'x.pdf'}", tmp_path / "report.html"
    )
    assert console == []
    pdf = (tmp_path / "x.pdf").read_bytes()
    boxes = re.findall(rb"/MediaBox \[([^\]]*)\]", pdf)
    assert len(boxes) == pdf.count(b"/Type /Page\n")
    assert 4 <= len(boxes) <= 10
    for box in boxes:
        # ISO 216: 210 mm by 297 mm; a point is 1/72 inch.
        assert [float(part) for part in box.split()] == pytest.approx([0, 0, 595.28, 841.89], abs=0.5)
