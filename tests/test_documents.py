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

from flattop import calibration, settings
from flattop.__main__ import main
from flattop.measure.reading import Reason
from flattop.panel.words import face
from make_frames import unknown

ROOT = Path(__file__).parents[1]
DOCUMENTS = [
    "README.md",
    "DEVELOPERS.md",
    "hardware/README.md",
    "enclosure/README.md",
    "tests/figures/README.md",
]
PACKAGE = ROOT / "firmware" / "flattop"
SOURCES = [*PACKAGE.rglob("*.py"), *(ROOT / "tests").rglob("*.py")]
PROGRAMS = {"ffmpeg", "sox", "venv"}
FILES_MADE = {"readings.csv", "screen.gif", "tone.csv", "frames/"}
"""Files that a run makes."""
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
        if re.fullmatch(r"\S+(\.(py|toml|md|csv|gif|png)|/)", span):
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


def is_a_name(span: str) -> bool:
    if span in PROGRAMS or span in TEXTS or iskeyword(span):
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
    ],
)
def test_a_document_that_is_wrong_is_found_out(wrong):
    right = "# Map\n[a](#map) [b](DEVELOPERS.md#map) `measure/fit.py` `Judge.update` `Grid` `--json` `_db` `frames/`\n"
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
