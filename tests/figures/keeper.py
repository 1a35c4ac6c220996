"""Keeper: simulated minutes of a tuner at work, and the readings that were kept and should not have been.

A trial is ten minutes: a lead goes from output to output, stays on the old one for a while after each kept reading,
slips off, lies on hum, is clipped onto the wrong output; the tone fades, breaks off and begins again, is another one,
or is music; hands ramp and step the level (tests/keeping.py).
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import rig
from rig import Row, Runner

from keeping import Count, Scene

MINUTES = 10.0


def trial(seed: list[int]) -> Count:
    return Scene(hash(tuple(seed))).run(MINUTES)


def keeps(runner: Runner, trials: int) -> list[Row]:
    """Count false keeps, keeps of the wrong output, steps never kept, and events called what they were not."""
    found = sum(runner.map(trial, trials, label=71), Count())
    minutes = round(found.minutes)
    per_1000 = 1000.0 * found.false / found.minutes
    rows = [
        Row("false keeps", f"{found.false} of {found.keeps}", "<= 1 in 1,000 min", minutes, per_1000 <= 1.0),
        Row("kept for the wrong output", f"{found.wrong_output}", "none", found.keeps, found.wrong_output == 0),
        Row("leads to be lifted once more", f"{100 * found.lifts / found.keeps:.1f} %", "-", found.keeps, None),
        Row("outputs never kept", f"{found.missed}", "none", found.keeps, found.missed == 0),
        Row(
            "events called by another's name",
            f"{found.mistold.total()}",
            "none",
            found.events.total(),
            not found.mistold,
        ),
    ]
    rows += [
        Row(f"told: {name}", f"{found.told[name]} of {count}", "all", count, found.told[name] == count)
        for name, count in sorted(found.events.items())
    ]
    return rows + [Row(f"  {what}", f"{count}", "none", count, False) for what, count in found.mistold.items()]


FIGURES = {"keeps": keeps}

if __name__ == "__main__":
    sys.exit(rig.main(__doc__ or "", FIGURES, trials=100))
