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
import codec
import cost
import false_flags
import hour
import keeper
import onset
import panel
import response
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


def test_the_screen_shows_what_was_drawn_after_any_course_of_events(runner, capsys):
    check(panel.equality(runner, 24), capsys)


def test_a_minute_of_faults_at_every_seam_hurts_nothing(capsys):
    found = hour.piece(([SEED, 71, 0], 60.0))
    assert found.readings > 300
    assert sum(found.counts.values()) > 100, "hardly anything went wrong"
    assert not found.wrong, "\n".join(found.notes)


@pytest.mark.parametrize(("figure", "trials"), [("corner", 24), ("band", 8), ("rate", 4), ("noise", 8)])
def test_response(figure, trials, runner, capsys):
    check(response.FIGURES[figure](runner, trials), capsys)


@pytest.mark.parametrize(("figure", "trials"), [("detection", 2), ("level", 8), ("rate", 3)])
def test_codec(figure, trials, runner, capsys):
    check(codec.FIGURES[figure](runner, trials), capsys)


def test_the_keeper_keeps_nothing_false_in_a_few_minutes(capsys):
    rows = [row for figure in keeper.FIGURES.values() for row in figure(rig.Runner(SEED, jobs=1, boards=1), 2)]
    check(rows, capsys)
