"""The laws of the code base: who may import whom, what runs without hardware libraries, and how large things may be."""

from __future__ import annotations

import ast
import json
import math
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import flattop
from wav_bytes import wav

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = Path(flattop.__file__).parent
MODULES = sorted(
    ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts).removesuffix(".__init__")
    for path in PACKAGE.rglob("*.py")
)
HARDWARE = (
    "board",
    "busio",
    "digitalio",
    "adafruit_ads1x15",
    "adafruit_bus_device",
    "adafruit_blinka",
    "gpiozero",
    "lgpio",
    "RPi",
    "sounddevice",
)

BLOCKED = f"""
import sys

class Wall:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in {HARDWARE!r} or name.startswith("adafruit"):
            raise ImportError(f"{{name}} is blocked for this test")

sys.meta_path.insert(0, Wall())
"""


def python(code, *arguments, cwd=None):
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
        cwd=cwd,
        env={"PYTHONPATH": str(PACKAGE.parent), "PATH": ""},
    )


SOURCES = ROOT / "firmware/flattop"
needs_sources = pytest.mark.skipif(not SOURCES.exists(), reason="the sources are not beside the tests")


def test_the_wall_blocks():
    done = python(BLOCKED + "import gpiozero")
    assert done.returncode == 1
    assert "gpiozero is blocked" in done.stderr


def test_every_module_can_be_imported_without_any_hardware_library():
    imports = "\n".join(f"import {module}" for module in MODULES)
    done = python(BLOCKED + imports + "\nprint(len(sys.modules))")
    assert done.returncode == 0, done.stderr
    assert len(MODULES) >= 20


def test_importing_every_module_loads_no_hardware_library_and_no_test_library():
    imports = "\n".join(f"import {module}" for module in MODULES)
    done = python(f"import sys\n{imports}\nprint(*{{name.split('.')[0] for name in sys.modules}})")
    assert done.returncode == 0, done.stderr
    loaded = set(done.stdout.split())
    assert "numpy" in loaded
    assert not loaded & {*HARDWARE, "pytest", "scipy", "hypothesis"}


def test_a_recording_is_replayed_without_any_hardware_library(tmp_path):
    times_s = np.arange(16000) / 8000
    codes = np.rint(0.6 * 32767 * np.sin(2 * np.pi * 40 * times_s)).astype("<i2")
    (tmp_path / "tone.wav").write_bytes(wav(codes.tobytes(), rate=8000))
    run = BLOCKED + "from flattop.__main__ import main\nsys.exit(main(sys.argv[1:]))"
    done = python(run, "replay", "tone.wav", "--json", "--full-scale-v", "100", "--out", "session", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    first_lines = [json.loads(line) for line in done.stdout.splitlines()[:8]]
    assert first_lines[3]["verdict"] == "clean"
    assert first_lines[3]["rms_v"] == pytest.approx(60 / math.sqrt(2), rel=1e-3)
    assert (tmp_path / "session/screen.gif").exists()


def test_the_bus_without_its_libraries_is_an_error_in_words():
    code = """
from flattop.converters.ads1015_chip import open_bus
from flattop.errors import ConverterMissing
try:
    open_bus()
except ConverterMissing as error:
    print(error)
"""
    done = python(BLOCKED + code)
    assert done.returncode == 0, done.stderr
    assert "run on the meter" in done.stdout


@needs_sources
def test_no_module_is_longer_than_600_lines():
    sizes = {path: len(path.read_text("utf-8").splitlines()) for path in SOURCES.rglob("*.py")}
    assert len(sizes) >= 20
    assert {str(path): size for path, size in sizes.items() if size > 600} == {}


@needs_sources
def test_every_module_begins_with_one_sentence_on_its_purpose():
    for path in SOURCES.rglob("*.py"):
        first = (ast.get_docstring(ast.parse(path.read_text("utf-8"))) or "").split("\n\n")[0]
        assert first.endswith((".", ":")), path
        assert first.count(". ") == 0, path


@needs_sources
def test_the_top_of_the_repository_holds_only_what_it_may():
    may = {"README.md", "DEVELOPERS.md", "pyproject.toml", "firmware", "hardware", "tests", "enclosure"}
    lines = (ROOT / ".gitignore").read_text().splitlines()
    made = [line.strip().strip("/") for line in lines if line.strip()]
    found = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    foreign = {name for name in found - may if not any(Path(name).match(pattern) for pattern in made)}
    assert foreign == set()
    assert {"pyproject.toml", "firmware", "tests"} <= found


@needs_sources
def test_no_assert_validates_anything_in_the_firmware():
    # python -O takes them out
    for path in SOURCES.rglob("*.py"):
        tree = ast.parse(path.read_text("utf-8"))
        assert not [node.lineno for node in ast.walk(tree) if isinstance(node, ast.Assert)], path
