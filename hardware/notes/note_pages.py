"""Renew the printed figures of safety.md, build.md and calibrate.md, from the netlist, the tables and the firmware.

    python hardware/notes/note_pages.py            says which pages are out of date
    python hardware/notes/note_pages.py --write    renews them, the drawing and the calibration example

Each figure stands between a mark with its name and a mark for its end, and is replaced as a whole.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Mapping

import calibrating
import note_building as building
import note_calibration as calibration
import note_safety as safety
from note_drawing import drawing
from note_front_end import HARDWARE, HERE

from flattop.calibration import save

PAGES = tuple(HARDWARE / name for name in ("safety.md", "build.md", "calibrate.md"))
DRAWING = HERE / "gaps.svg"
_MARKED = re.compile(r"(<!-- made: ([\w-]+) -->\n).*?(<!-- end -->)", re.S)
BLOCKS: Mapping[str, Callable[[], str]] = {
    "limits": safety.limits,
    "gaps": safety.gap_table,
    "stress": safety.stress,
    "overload": safety.overload,
    "touch": safety.touch,
    "shared-ground": safety.shared_ground,
    "part-faults": safety.part_faults,
    "faults": safety.faults,
    "acceptance": safety.acceptance,
    "capacitor": safety.capacitor,
    "cost": building.cost,
    "hours": building.hours,
    "where": building.where,
    "cold": building.cold,
    "currents": building.currents,
    "power-up": building.power_up,
    "rails": building.rails,
    "battery": building.battery,
    "test-points": building.test_points,
    "when-off": building.when_off,
    "off-a-meter": building.off_a_meter,
    "self-check": building.self_check,
    "levels": calibration.levels,
    "references": calibration.references,
    "contributions": calibration.contributions,
    "budget": calibration.budget,
    "leakage": calibration.leakage,
    "example-points": calibration.example_points,
    "example-sums": calibration.example_sums,
    "example-file": calibration.example_file,
}


def renewed(text: str) -> str:
    """Return a page with every figure worked out anew.

    Raises ValueError for a mark of a figure that there is none of.
    """

    def made(found: re.Match[str]) -> str:
        if found[2] not in BLOCKS:
            raise ValueError(f"no figure is called {found[2]}; there are {', '.join(BLOCKS)}")
        return f"{found[1]}{BLOCKS[found[2]]()}\n{found[3]}"

    return _MARKED.sub(made, text)


def main() -> int:
    """Renew the pages, or say which of them are out of date."""
    writing = "--write" in sys.argv[1:]
    if writing:
        rows = calibrating.simulated_rows(calibration.EXAMPLE_SEED, reference_u_pct=calibration.EXAMPLE_U_PCT)
        with calibration.EXAMPLE_POINTS.open("w", encoding="utf-8", newline="") as file:
            calibrating.write_rows(rows, file)
        calibration.example_rows.cache_clear()
        calibration.example.cache_clear()
        save(calibration.EXAMPLE_FILE, calibration.example())
        DRAWING.write_text(drawing(), encoding="utf-8")
    stale = []
    for page in PAGES:
        text = page.read_text(encoding="utf-8")
        new = renewed(text)
        if new != text:
            stale.append(page.name)
            if writing:
                page.write_text(new, encoding="utf-8")
    print(f"{', '.join(stale)}: {'renewed' if writing else 'out of date'}" if stale else "all figures are up to date")
    return 1 if stale and not writing else 0


if __name__ == "__main__":
    sys.exit(main())
