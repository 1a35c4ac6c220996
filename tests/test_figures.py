"""A short run of every figure in tests/figures, with the targets of the long ones; see tests/figures/README.md.

A short run cannot show a rate of 1 in 100,000. It shows that no figure is far from its target: where a target speaks
of the worst of many trials, the few drawn here are a part of those many and must keep it too.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent / "figures"))

import bass
import cost
import false_flags
import onset
import rig

SEED = 11


@pytest.fixture(scope="module")
def runner():
    with rig.Runner(SEED, jobs=min(2, os.cpu_count() or 1), boards=3) as runner:
        yield runner


def check(rows, capsys):
    with capsys.disabled():
        print()
        rig.table(rows, seed=SEED)
    missed = [f"{row.name}: {row.measured}, target {row.target}" for row in rows if row.ok is False]
    assert not missed, "\n".join(missed)


@pytest.mark.parametrize(
    ("figure", "trials"),
    [
        ("rms", 16),
        ("repeatability", 32),
        ("frequency", 24),
        ("clock", 16),
        ("overdrive", 24),
        ("delay", 16),
    ],
)
def test_bass(figure, trials, runner, capsys):
    check(bass.FIGURES[figure](runner, trials), capsys)


@pytest.mark.parametrize("figure", list(onset.FIGURES))
def test_onset(figure, runner, capsys):
    check(onset.FIGURES[figure](runner, 20), capsys)


def test_nothing_whole_is_called_soft_or_flat(runner, capsys):
    check(false_flags.must_not(runner, 5 * len(false_flags.MUST_NOT)), capsys)


def test_everything_cut_is_called_flat(runner, capsys):
    check(false_flags.must(runner, 4 * len(false_flags.MUST)), capsys)


def test_the_screen_sends_little_while_the_level_ramps():
    rows = {row.name: row for row in cost.screen_rows(SEED)}
    assert rows["screen bytes a frame, level ramping"].ok
