"""Run every simulation of the front end: figures.json, RESULTS.md, the pictures, and the waves for the tests."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from simulation import budget, linear, overload, pictures, report, spice, tolerances, waveforms
from simulation.deck import FrontEnd
from simulation.figure import Chapter
from simulation.netlist import NetlistError, read

HERE = Path(__file__).resolve().parent
NETLIST = HERE.parent / "circuit" / "netlist.csv"
FIGURES, RESULTS, PICTURES = HERE / "figures.json", HERE / "RESULTS.md", HERE / "pictures"
DATA = HERE.parents[1] / "tests" / "data"


def main() -> int:
    """Run everything and write it; return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--netlist", type=Path, default=NETLIST, help="the circuit's exported netlist")
    netlist = parser.parse_args().netlist
    try:
        front_end = FrontEnd(read(netlist))
        small, large, drawn = linear.study(front_end), overload.study(front_end), tolerances.study(front_end)
        budgets = budget.study(front_end)
        wave_figures, waves = waveforms.study(front_end)
    except (NetlistError, spice.SimulationFailed) as error:
        print(f"run.py: {error}", file=sys.stderr)
        return 1
    chapters = [
        *small.chapters,
        Chapter("Overload", overload.LEAD, large.figures, "pictures/overload.svg"),
        Chapter("Tolerances", tolerances.LEAD, drawn.figures, "pictures/tolerances.svg"),
        Chapter("Error budget", budget.LEAD, budgets.figures),
        Chapter("Waveforms", waveforms.LEAD, wave_figures),
    ]
    found = report.as_json(chapters, budgets)
    report.save(FIGURES, found)
    RESULTS.write_text(report.results(found), encoding="utf-8")
    DATA.mkdir(exist_ok=True)
    written = [*pictures.draw(PICTURES, small, large, drawn), *waveforms.write(DATA, waves)]
    for chapter in chapters:
        print(f"\n{chapter.title}")
        for figure in chapter.figures:
            print("  " + figure.as_line())
    unexplained = [f for c in chapters for f in c.figures if f.agrees is False and not f.explained]
    print(f"\n{spice.version()}; wrote {FIGURES.name}, {RESULTS.name}, " + ", ".join(path.name for path in written))
    for figure in unexplained:
        print(f"run.py: {figure.what} differs from the design's figure, and no run says why", file=sys.stderr)
    return 1 if unexplained else 0


if __name__ == "__main__":
    sys.exit(main())
