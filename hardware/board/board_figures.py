"""Measure the boards, have KiCad check them, and print both into README.md; with --pictures, draw them as well.

`python hardware/board/board_figures.py` needs numpy, KiCad 9 (`kicad-cli`), and matplotlib for the pictures.
"""

from __future__ import annotations

import argparse
import json
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from board_gaps import FASTENER_RADIUS_MM, Board, Copper, edge_to_copper_mm, gap, hole_to_copper_mm, read_board
from board_layout import FRONT_END
from board_parts import Side, read_parts, sides
from board_shapes import Layout
from boards import BOARDS

HERE = Path(__file__).parent
NETLIST = HERE.parent / "circuit" / "netlist.csv"
BOARD = HERE / f"{FRONT_END.name}.kicad_pcb"
README = HERE / "README.md"
# Width, height [pixels] and zoom of each board's two pictures.
_VIEWS = {
    "front-end": (1400, 1000, 1.25),
    "supply": (520, 1400, 0.9),
    "panel": (1400, 640, 1.5),
    "charge": (700, 520, 1.0),
}
PICTURES = {
    f"{layout.name.removeprefix('flattop-')}-{side}.png": (layout, side)
    for layout in BOARDS
    for side in ("top", "bottom")
}


@dataclass(frozen=True)
class Row:
    """One gap: what the design asks for and what the board file has [mm]; creepage is None where it has no meaning."""

    name: str
    least_mm: float
    clearance_mm: float
    creepage_mm: float | None
    between: str
    ends: tuple[tuple[float, float], tuple[float, float]] | None = None

    @property
    def holds(self) -> bool:
        """Whether the gap is as large as the design asks for, a nanometre (the file's unit) aside."""
        return min(self.clearance_mm, self.creepage_mm or self.clearance_mm) >= self.least_mm - 1e-6


@dataclass(frozen=True)
class Check:
    """What KiCad's design rule check found: violations, and the net of each connection that is not routed."""

    violations: list[dict[str, object]]
    unrouted: list[str]


def measure(board: Board) -> list[Row]:
    """Return every gap of the insulation, measured in the board file."""

    def on(*sides: Side) -> list[Copper]:
        return [copper for copper in board.copper if copper.side in sides]

    def row(name: str, least_mm: float, some: Sequence[Copper], others: Sequence[Copper]) -> Row:
        found = gap(board, some, others)
        ends = (found.clearance_from, found.clearance_to)
        return Row(name, least_mm, found.clearance_mm, found.creepage_mm, " to ".join(found.clearance_between), ends)

    speaker = on(Side.SPEAKER, Side.SPEAKER_P, Side.SPEAKER_N)
    line = on(Side.LINE, Side.LINE_P, Side.LINE_N)
    rows = [
        row("speaker input to low side", 8.0, speaker, on(Side.LOW)),
        row("line input to low side", 8.0, line, on(Side.LOW)),
        row("speaker input to line input", 8.0, speaker, line),
    ]
    for name in ("U1", "U2"):
        pads = [copper for copper in board.copper if copper.reference == name]
        low = [copper for copper in pads if copper.side is Side.LOW]
        rows.append(row(f"pads of {name}, input's row to low row", 8.0, [c for c in pads if c not in low], low))
    for name, island, legs in (
        ("speaker", Side.SPEAKER, (Side.SPEAKER_P, Side.SPEAKER_N)),
        ("line", Side.LINE, (Side.LINE_P, Side.LINE_N)),
    ):
        rows.append(row(f"{name} legs, one to the other", 3.0, on(legs[0]), on(legs[1])))
        leg = on(*legs)
        ends = {copper.reference for copper in leg if copper.reference} & {copper.reference for copper in on(island)}
        end_nets = {copper.net for copper in on(island) if copper.reference in ends}
        over = [copper for copper in on(island) if copper.net in end_nets]
        rows.append(row(f"{name} legs to their own island", 2.5, leg, [c for c in on(island) if c not in over]))
        rows.append(row(f"{name} legs, over the last resistor", 1.5, leg, over))
    inputs = speaker + line
    rows.append(Row("inputs to heads of fasteners", 8.0, hole_to_copper_mm(board, inputs), None, "head of 6 mm"))
    rows.append(Row("inputs to the board's edge", 3.0, edge_to_copper_mm(board, inputs), None, ""))
    rows.append(Row("narrowest slot", 1.0, min(board.slot_widths_mm), None, ""))
    return rows


def check(board: Path) -> Check:
    """Run KiCad's design rule check, warnings included. Raises `CalledProcessError` if KiCad cannot read the board."""
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder) / "drc.json"
        command = ["kicad-cli", "pcb", "drc", "--format", "json", "--severity-all", "-o", str(report), str(board)]
        subprocess.run(command, check=True, capture_output=True)
        found = json.loads(report.read_text(encoding="utf-8"))
    nets = [re.search(r"\[(.*?)\]", pair["items"][0]["description"]) for pair in found["unconnected_items"]]
    return Check(found["violations"], [net[1] if net else "" for net in nets])


def gap_table(rows: Sequence[Row]) -> str:
    """Return the gaps as a table."""
    lines = ["| Gap | least | through air | along the board | where |", "| --- | --- | --- | --- | --- |"]
    for row in rows:
        creepage = "" if row.creepage_mm is None else f"{_down(row.creepage_mm)} mm"
        cells = [row.name, f"{row.least_mm:g} mm", f"{_down(row.clearance_mm)} mm", creepage, row.between]
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines)


def _down(length_mm: float) -> str:
    """Return a length with two digits, never rounded up."""
    return f"{int(length_mm * 100 + 1e-4) / 100:.2f}"


def read_boards() -> dict[str, Board]:
    """Return every board of the meter by its name."""
    net_sides = sides(read_parts(NETLIST).values())
    return {layout.name: read_board(board_file(layout), net_sides) for layout in BOARDS}


def board_file(layout: Layout) -> Path:
    """Return a board's file."""
    return HERE / f"{layout.name}.kicad_pcb"


def state_table(boards: Mapping[str, Board], checks: Mapping[str, Check]) -> str:
    """Return what there is on each board and what is not routed."""
    header = ("Board", "mm", "parts", "slots", "holes", "pieces of track", "violations", "connections not routed")
    lines = [f"| {' | '.join(header)} |", "|" + " --- |" * len(header)]
    for name, board in boards.items():
        found = checks[name]
        cells = [
            f"`{name}`",
            "{:g} x {:g}".format(*board.size_mm),
            len({copper.reference for copper in board.copper} - {""}),
            len(board.slots),
            len(board.holes),
            sum(copper.label.startswith("track") for copper in board.copper),
            len(found.violations),
            f"**{len(found.unrouted)}**",
        ]
        lines.append(f"| {' | '.join(map(str, cells))} |")
    front_end = boards[FRONT_END.name]
    low = {copper.net for copper in front_end.copper if copper.side is Side.LOW}
    on_inputs = sum(net not in low for net in checks[FRONT_END.name].unrouted)
    lines += ["", f"Of those not routed, on the inputs' side of the front end: {on_inputs}."]
    return "\n".join(lines)


def fill_in(text: str, name: str, content: str) -> str:
    """Return a text with the content put between the two marks of that name."""
    marks = re.compile(rf"(<!-- {name} -->\n).*?(<!-- /{name} -->)", re.DOTALL)
    if not marks.search(text):
        raise ValueError(f"README.md has no place <!-- {name} --> ... <!-- /{name} --> for these figures; put it back")
    return marks.sub(lambda found: f"{found[1]}{content}\n{found[2]}", text)


def readme(text: str, boards: Mapping[str, Board], rows: Sequence[Row], checks: Mapping[str, Check]) -> str:
    """Return the text of README.md with the figures of these boards."""
    return fill_in(fill_in(text, "state", state_table(boards, checks)), "gaps", gap_table(rows))


def draw_sides(board: Board, rows: Sequence[Row], path: Path) -> None:
    """Draw which side of the insulation each piece of copper is on, all layers at once, and where the gaps are."""
    import matplotlib.patches
    import matplotlib.pyplot as plt

    colours = {Side.SPEAKER: "#d95f02", Side.LINE: "#7570b3", Side.LOW: "#1b9e77"}
    names = {Side.SPEAKER: "speaker input", Side.LINE: "line input", Side.LOW: "low side"}
    figure, axes = plt.subplots(figsize=(10, 7.4), dpi=110)
    axes.fill(*board.edge.T, facecolor="#f4f1e6", edgecolor="black")
    for copper in sorted(board.copper, key=lambda item: not item.label.startswith("area")):
        faint = 0.18 if copper.label.startswith("area") else 0.55 if copper.side is copper.side.island else 1.0
        axes.fill(*copper.outline.T, facecolor=colours[copper.side.island], alpha=faint, linewidth=0)
    for slot in board.slots:
        axes.fill(*slot.T, facecolor="white", edgecolor="black", linewidth=0.8)
    for x_mm, y_mm in board.holes:
        axes.add_patch(
            matplotlib.patches.Circle((x_mm, y_mm), FASTENER_RADIUS_MM, fill=False, linestyle=":", linewidth=0.8)
        )
    for row in rows:
        if row.ends is not None and row.least_mm >= 2.5 and not row.name.startswith("pads"):
            axes.plot(*zip(*row.ends, strict=True), color="black", linewidth=1.4, marker="|")
            (x1, y1), (x2, y2) = row.ends
            middle = ((x1 + x2) / 2, (y1 + y2) / 2)
            words = f"{_down(row.clearance_mm)} mm"
            axes.annotate(words, middle, (5, 4), textcoords="offset points", fontsize=8, fontweight="bold")
    for side, name in names.items():
        axes.fill([], [], facecolor=colours[side], label=name)
    axes.legend(loc="upper center", ncols=3, bbox_to_anchor=(0.5, 1.06), frameon=False)
    axes.set_aspect("equal")
    axes.invert_yaxis()
    axes.axis("off")
    figure.savefig(path, bbox_inches="tight", metadata={"Software": None})
    plt.close(figure)


def draw(board: Board, rows: Sequence[Row], report: Callable[[str], None]) -> None:
    """Draw the pictures: each board from above and from below, and the front end's sides of the insulation."""
    draw_sides(board, rows, HERE / "sides.png")
    report(f"sides.png: {(HERE / 'sides.png').stat().st_size // 1000} kB")
    for name, (layout, side) in PICTURES.items():
        width, height, zoom = _VIEWS[layout.name.removeprefix("flattop-")]
        command = ["kicad-cli", "pcb", "render", "--side", side, "-w", str(width), "-h", str(height)]
        command += ["--zoom", str(zoom), "--background", "opaque", "-o", str(HERE / name), str(board_file(layout))]
        subprocess.run(command, check=True, capture_output=True)
        report(f"{name}: {(HERE / name).stat().st_size // 1000} kB")


def main() -> None:
    """Print the figures into README.md and say what does not hold."""
    arguments = argparse.ArgumentParser(description="Measure the boards and print the figures into README.md.")
    arguments.add_argument("--pictures", action="store_true", help="draw the pictures as well")
    given = arguments.parse_args()
    boards = read_boards()
    checks = {layout.name: check(board_file(layout)) for layout in BOARDS}
    rows = measure(boards[FRONT_END.name])
    README.write_text(readme(README.read_text(encoding="utf-8"), boards, rows, checks), encoding="utf-8")
    print(state_table(boards, checks))
    print(gap_table(rows))
    if given.pictures:
        draw(boards[FRONT_END.name], rows, print)
    short = [row.name for row in rows if not row.holds]
    violations = sum(len(found.violations) for found in checks.values())
    if short or violations:
        sys.exit(f"board_figures.py: too small: {', '.join(short) or 'no gap'}; violations: {violations}")


if __name__ == "__main__":
    main()
