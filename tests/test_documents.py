"""The documents: links lead somewhere, what they name exists, and what they quote is what comes out."""

from __future__ import annotations

import ast
import contextlib
import io
import json
import re
from itertools import pairwise
from keyword import iskeyword
from pathlib import Path

import pytest

import make_pages
from flattop import calibration, settings
from flattop.__main__ import main
from flattop.board import FROZEN_S
from flattop.measure.reading import Reason, Verdict
from flattop.measure.verdict import Limits
from flattop.panel.buttons import HOLD_S, STUCK_S
from flattop.panel.indicators import _CALM_S, Signal
from flattop.panel.menu import ASK_S, IDLE_S, LEAVE_S
from flattop.panel.words import STALE, START, STOP, SUPPLY, face
from flattop.record.logbook import Logbook
from flattop.record.stamps import Trust
from make_frames import page_frames, reading, unknown, views

ROOT = Path(__file__).parents[1]
DOCUMENTS = [
    "README.md",
    "DEVELOPERS.md",
    "hardware/README.md",
    "hardware/safety.md",
    "hardware/build.md",
    "hardware/calibrate.md",
    "enclosure/README.md",
    "tests/figures/README.md",
    "firmware/reading-the-screen.md",
    "firmware/deploy/README.md",
]
PACKAGE = ROOT / "firmware" / "flattop"
SOURCES = [*PACKAGE.rglob("*.py"), *(ROOT / "tests").rglob("*.py")]
PROGRAMS = {"ffmpeg", "sox", "venv"}
FILES_MADE = {"readings.csv", "screen.gif", "tone.csv", "frames/", "summary.json", "kept-0001.csv", "screen.png"}
"""Files that a run makes."""
ON_THE_METER = "".join(
    path.read_text(encoding="utf-8")
    for path in (ROOT / "firmware" / "deploy").iterdir()
    if path.is_file() and path.suffix != ".md"
)
"""What the installation is made of: the places of a meter that a document names must occur in it."""
OF_THE_SYSTEM = {"quiet", "/boot/firmware/cmdline.txt", "/etc/fstab", "/proc/cpuinfo"}
"""Names that are the operating system's, and not ours to check."""
JUDGED = {Reason.NONE, Reason.TOP_MISSING, Reason.TOPS_BEND, Reason.THIRD_ONLY, Reason.NO_TOP_MISSING}


def names_in_code() -> tuple[set[str], dict[str, set[str]], set[str]]:
    """Return every name in the code, the names in each class, and every text; what stands in comments is not code."""
    names: set[str] = set()
    classes: dict[str, set[str]] = {}
    texts: set[str] = set()
    for path in SOURCES:
        if path == Path(__file__):
            continue
        tree = ast.parse(path.read_text(encoding="utf-8"))
        names |= {path.stem, path.parent.name} | named(tree)
        texts |= {node.value for node in ast.walk(tree) if isinstance(node, ast.Constant) and type(node.value) is str}
        for node in ast.walk(tree):
            if isinstance(node, ast.ClassDef):
                classes.setdefault(node.name, set()).update(named(node))
    return names, classes, texts


def named(tree: ast.AST) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(tree):
        match node:
            case ast.FunctionDef(name=name) | ast.ClassDef(name=name) | ast.Name(id=name) | ast.Attribute(attr=name):
                found.add(name)
            case ast.arg(arg=name) | ast.keyword(arg=str(name)) | ast.alias(name=name):
                found |= set(name.split("."))
    return found


NAMES, CLASSES, TEXTS = names_in_code()


def faults_in(document: Path, text: str) -> list[str]:
    """Return every link, file, option and name in a document that leads nowhere."""
    faults = []
    for target in re.findall(r"\]\(([^)]+)\)", text):
        path, _, heading = target.partition("#")
        led_to = document.parent / path if path else document
        if not led_to.exists():
            faults.append(f"link {target}: no such file")
        elif heading and heading not in headings(led_to.read_text(encoding="utf-8") if path else text):
            faults.append(f"link {target}: no such heading")
    for span in re.findall(r"`([^`\n]+)`", re.sub(r"^```.*?^```", "", text, flags=re.M | re.S)):
        options = re.findall(r"--[a-z][\w-]*", span)
        faults += [f"`{span}`: no option {option}" for option in options if option not in {*TEXTS, "--help"}]
        if span.startswith("/"):
            if not is_on_a_meter(span):
                faults.append(f"`{span}`: nothing in firmware/deploy names it")
        elif re.fullmatch(r"\S+(\.(py|toml|md|csv|gif|png)|/)", span):
            if not is_a_file(span, document):
                faults.append(f"`{span}`: no such file")
        elif re.fullmatch(r"[A-Za-z_][\w.]*(\(.*\))?", span) and not is_a_name(span.partition("(")[0]):
            faults.append(f"`{span}`: no such name")
    return faults


def headings(text: str) -> set[str]:
    """Return the anchors that headings get: lower case, no punctuation, hyphens for spaces."""
    titles = re.findall(r"^#+ (.+)$", text, re.M)
    return {re.sub(r"[^\w -]", "", title).lower().replace(" ", "-") for title in titles}


def is_a_file(span: str, document: Path) -> bool:
    places = [ROOT, document.parent, PACKAGE, PACKAGE / "converters", ROOT / "tests" / "figures"]
    return span in FILES_MADE or any(any(place.glob(span.rstrip("/"))) for place in places)


def is_on_a_meter(span: str) -> bool:
    """Tell whether the installation knows a place: by its whole name, or by file and folder where it joins the two."""
    path = Path(span)
    return (
        span in OF_THE_SYSTEM
        or span in ON_THE_METER
        or (path.name in ON_THE_METER and str(path.parent) in ON_THE_METER)
    )


def is_a_name(span: str) -> bool:
    if span in PROGRAMS or span in OF_THE_SYSTEM or span in TEXTS or iskeyword(span):
        return True
    if span.startswith("_") and len(span) <= 4:  # a unit at the end of names
        return any(name.endswith(span) for name in NAMES)
    parts = [part for part in span.split(".") if part]
    if not all(part in NAMES or part in TEXTS for part in parts):
        return False
    return all(member in CLASSES[owner] for owner, member in pairwise(parts) if owner in CLASSES)


@pytest.mark.parametrize("name", DOCUMENTS)
def test_links_and_names_lead_somewhere(name):
    document = ROOT / name
    assert faults_in(document, document.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    "wrong",
    [
        "[a](nowhere.md)",
        "[a](#not-a-heading)",
        "[a](DEVELOPERS.md#not-a-heading)",
        "`measure/nothing.py`",
        "`no_such_name`",
        "`Judge.no_such_method`",
        "`Grid.verify`",
        "`_no_such_helper`",
        "`--no-such-option`",
        "`_zz`",
        "`/etc/flattop/nothing.toml`",
        "`/nowhere`",
        "![a](tests/frames/nothing.png)",
    ],
)
def test_a_document_that_is_wrong_is_found_out(wrong):
    right = "# Map\n[a](#map) [b](DEVELOPERS.md#map) `measure/fit.py` `Judge.update` `Grid` `--json` `_db` `frames/` "
    right += "`/etc/flattop` `/boot/firmware/flattop.txt` ![a](tests/frames/clean.png)\n"
    assert faults_in(ROOT / "README.md", right) == []
    assert len(faults_in(ROOT / "README.md", right + wrong)) == 1


def test_the_map_names_every_module():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    listed = re.findall(r"^\| `([\w/]+(?:\.py|/))` \|", text, re.M)
    there = {str(path.relative_to(PACKAGE)) for path in PACKAGE.rglob("*.py") if "simulated" not in path.parts}
    empty = {str(path.relative_to(PACKAGE)) for path in PACKAGE.rglob("__init__.py") if "def " not in path.read_text()}
    assert sorted(listed) == sorted((there - empty) | {"simulated/"})


def test_every_state_without_a_verdict_is_explained_as_the_screen_words_it():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    explained = re.findall(r"^\| ([A-Z ]+\??) \| ([^|]+) \| [^|]+ \|$", text, re.M)
    shown = [(face(unknown(reason), stale=False).word, str(reason)) for reason in Reason if reason not in JUDGED]
    assert sorted(explained) == sorted(shown)


# -- the page on reading the screen -----------------------------------------------------------------------------------


def test_the_page_is_what_the_code_draws_plays_and_does():
    text = make_pages.PAGE.read_text(encoding="utf-8")
    assert make_pages.renewed(text) == text, "out of date: look at what changed, then run tests/make_pages.py"


def test_a_page_without_a_place_for_each_part_is_refused():
    text = make_pages.PAGE.read_text(encoding="utf-8")
    with pytest.raises(ValueError, match="give each part one place"):
        make_pages.renewed(text.replace("<!-- made: buttons -->", ""))


def entries(*parts: tuple[make_pages.Entry, ...]) -> list[str]:
    return [name for part in parts for entry in part for name in entry.frames]


def test_every_state_of_the_first_page_is_pictured_once_and_told():
    told = entries(
        make_pages.DANGER, make_pages.VERDICTS, make_pages.CANNOT_TELL, make_pages.BESIDE, make_pages.IN_A_RUN
    )
    assert sorted(told) == sorted(views())


def test_every_page_behind_it_is_pictured_once_and_told():
    assert sorted([*entries(make_pages.BEHIND), *make_pages.LAYOUT_ONLY]) == sorted(page_frames())


def test_every_word_the_first_page_can_say_is_pictured():
    readings = [unknown(reason) for reason in Reason if reason not in JUDGED] + [unknown(Reason.NONE)]
    words = {face(each, stale=False).word for each in readings} | {str(verdict).upper() for verdict in Verdict}
    words |= {sign.word for sign in (START, STALE, STOP, SUPPLY)}
    shown = {face(view.reading, stale=view.stale, supply=view.supply).word for view in views().values()}
    assert shown == words


def test_states_of_one_entry_have_one_signal_and_one_hazard_mark():
    for entry in (*make_pages.DANGER, *make_pages.VERDICTS, *make_pages.CANNOT_TELL):
        shown = [views()[name] for name in entry.frames]
        assert len({(make_pages.signal(view), make_pages.hazard(view)) for view in shown}) == 1, entry.frames


def test_every_signal_says_when_it_is_given():
    assert all(make_pages.used_for(each) for each in Signal)


def test_the_times_in_the_page_are_those_of_the_code():
    text = " ".join(make_pages.PAGE.read_text(encoding="utf-8").split())
    for told in (
        f"goes back to after {IDLE_S:g} s without a press",
        f"down for {HOLD_S:g} s",
        f"or for {STUCK_S:g} s, is reported",
        f"It asks for {ASK_S:g} s",
        f"For {LEAVE_S:g} s any press calls it off",
        f"press nothing for {LEAVE_S:g} s",
        f"not been renewed for {FROZEN_S:g} s",
        f"stays for {Limits().latch_s:g} s after the tops are whole",
        f"comes back within {_CALM_S:g} s",
    ):
        assert told in text, told


# -- what the README quotes -------------------------------------------------------------------------------------------


def blocks(language: str) -> list[str]:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    return re.findall(rf"^```{language}\n(.*?)^```", text, re.M | re.S)


def quoted(mark: str) -> str:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    found = re.search(rf"^<!-- output: {mark} -->\n```\w+\n(.*?)^```", text, re.M | re.S)
    assert found, mark
    return found[1]


def test_the_settings_shown_are_the_defaults(stored):
    assert settings.load(stored(blocks("toml")[0], "settings.toml")) == settings.Settings()


def test_the_calibration_shown_is_a_good_one(stored):
    assert calibration.load(stored(blocks("toml")[1], "calibration.toml")).serial == "SIM-1"


def test_the_columns_of_the_card_are_told_as_they_are(tmp_path):
    logbook = Logbook(tmp_path)
    logbook.add(reading())
    assert logbook.close(5.0)
    header = next(tmp_path.glob("*/readings.csv")).read_text(encoding="utf-8").splitlines()[0].split(",")
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| (`.+`) \| (.+) \|$", text.split("| Columns of ")[1].split("\n\n")[0], re.M)
    assert [name for names, _ in rows for name in re.findall(r"`(\w+)`", names) if name not in header] == []
    trust = next(meaning for names, meaning in rows if "`wall_trust`" in names)
    assert set(re.findall(r"`([^`]+)`", trust)) == set(Trust)


@pytest.fixture
def tone(tmp_path, monkeypatch):
    """The recording that the README has made, by its own line."""
    code = re.search(r'python -c "(.*)" > tone\.csv$', "".join(blocks("sh")), re.M)
    monkeypatch.chdir(tmp_path)
    with Path("tone.csv").open("w", encoding="utf-8") as file, contextlib.redirect_stdout(file):
        exec(code[1], {})  # what is in the README, and nothing else
    return "tone.csv"


def test_the_table_of_the_recording_comes_out_as_shown(tone, capsys):
    assert main(["replay", tone]) == 0
    assert capsys.readouterr().out == quoted("replay")


def test_the_line_of_the_recording_comes_out_as_shown(tone):
    with contextlib.redirect_stdout(io.StringIO()) as out:
        assert main(["replay", tone, "--json"]) == 0
    line = json.loads(out.getvalue().splitlines()[0])
    shown = json.loads(quoted("json"))
    assert shown.keys() <= line.keys()
    for key, value in shown.items():
        # The uncertainty is that of rounding errors here, which differ a little from one machine to the next.
        assert line[key] == (pytest.approx(value, rel=1e-3) if type(value) is float else value), key


def test_a_calibration_that_is_named_is_applied_and_told(tone, stored, capsys):
    stored(blocks("toml")[1], "calibration.toml")
    chosen = stored('[files]\ncalibration = "calibration.toml"\n', "settings.toml")
    assert main(["--settings", str(chosen), "replay", tone, "--through", "bass", "--json"]) == 0
    told = re.sub(r"\d+ days", "N days", capsys.readouterr().err)
    assert told == re.sub(r"\d+ days", "N days", quoted("calibrated"))
