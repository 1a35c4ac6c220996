"""Pictures of the results, as SVG with the same bytes on every run."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import matplotlib as mpl

mpl.use("svg")

import numpy as np
from matplotlib import pyplot as plt
from matplotlib.axes import Axes
from matplotlib.figure import Figure as Sheet

from simulation.linear import DROOP_HZ, REJECTION_HZ, Linear, curve_db
from simulation.overload import CASES, Overload
from simulation.tolerances import CHOICES, Tolerances

SPEAKER, LINE, DESIGN = "#0072B2", "#E69F00", "#000000"
"""Blue and orange of the palette after Okabe and Ito, told apart by any colour vision."""

mpl.rcParams.update(
    {
        "svg.hashsalt": "flattop",
        "svg.fonttype": "none",
        "font.size": 9.0,
        "axes.grid": True,
        "grid.color": "#dddddd",
        "axes.spines.top": False,
        "axes.spines.right": False,
        "legend.frameon": False,
    }
)


def draw(folder: Path, linear: Linear, overload: Overload, tolerances: Tolerances) -> list[Path]:
    """Draw every picture into `folder`; return the files."""
    folder.mkdir(exist_ok=True)
    sheets = {
        "response": _response(linear),
        "rejection": _rejection(linear),
        "tolerances": _tolerances(tolerances),
        "overload": _overload(overload),
    }
    paths = []
    for name, sheet in sheets.items():
        path = folder / f"{name}.svg"
        sheet.savefig(path, metadata={"Date": None})
        plt.close(sheet)
        paths.append(path)
    return paths


def _hertz(axes: Axes, ticks: dict[float, str]) -> None:
    axes.set_xscale("log")
    axes.set_xticks(list(ticks), list(ticks.values()))
    axes.minorticks_off()
    axes.set_xlabel("frequency [Hz]")


def _axes(columns: int = 2, *, sharey: bool = False) -> tuple[Sheet, Any]:
    return plt.subplots(1, columns, figsize=(8.0, 3.2), layout="constrained", sharey=sharey)


def _response(linear: Linear) -> Sheet:
    sheet, (left, right) = _axes()
    for name, colour in (("speaker", SPEAKER), ("line", LINE)):
        hz, level = curve_db(linear.wide, f"i2s_{name}", 1000.0)
        inside = (hz >= 9.9) & (hz <= 20.1e3)
        left.plot(hz[inside], level[inside], color=colour, label=name)
    left.set_title("I2S path, re 1 kHz")
    left.set_ylabel("level [dB]")
    left.set_ylim(-0.1, 0.1)
    _hertz(left, {10: "10", 100: "100", 1e3: "1k", 1e4: "10k"})
    left.legend()
    hz, level = curve_db(linear.wide, "ads_speaker", 20.0)
    inside = (hz >= 9.9) & (hz <= 1001.0)
    right.plot(hz[inside], level[inside], color=SPEAKER, label="simulated")
    points = {at: design for at, design in DROOP_HZ.items() if at <= 1e3}
    right.plot(list(points), list(points.values()), "x", color=DESIGN, label="design")
    right.set_title("ADS path, re 20 Hz")
    right.set_ylabel("level [dB]")
    _hertz(right, {10: "10", 30: "30", 100: "100", 300: "300", 1e3: "1k"})
    right.legend()
    return sheet


def _rejection(linear: Linear) -> Sheet:
    sheet, axes = _axes(1)
    for output, reference_hz, colour, style, words in (
        ("i2s_speaker", 1000.0, SPEAKER, "-", "I2S path, re 1 kHz"),
        ("ads_speaker", 20.0, LINE, "--", "ADS path, re 20 Hz"),
    ):
        hz, level = curve_db(linear.wide, output, reference_hz)
        axes.plot(hz, level, style, color=colour, label=words)
    points = [*REJECTION_HZ.items(), *((at, design) for at, design in DROOP_HZ.items() if at > 1e3)]
    axes.plot(*zip(*points, strict=True), "x", color=DESIGN, label="design")
    axes.set_ylabel("level [dB]")
    axes.set_ylim(-150.0, 10.0)
    _hertz(axes, {1: "1", 10: "10", 100: "100", 1e3: "1k", 1e4: "10k", 1e5: "100k", 1e6: "1M"})
    axes.legend()
    return sheet


def _tolerances(tolerances: Tolerances) -> Sheet:
    sheet, plots = _axes(sharey=True)
    for axes, choice in zip(plots, CHOICES, strict=True):
        hz, levels = tolerances.curves[choice.key]
        low, inner_low, inner_high, high = np.percentile(levels, (0.0, 2.5, 97.5, 100.0), axis=0)
        axes.fill_between(hz, low, high, color=SPEAKER, alpha=0.2, linewidth=0, label="all boards")
        axes.fill_between(hz, inner_low, inner_high, color=SPEAKER, alpha=0.5, linewidth=0, label="95 % of them")
        axes.plot(hz, np.median(levels, axis=0), color=DESIGN, label="median")
        axes.set_title(choice.words)
        _hertz(axes, {10: "10", 100: "100", 1e3: "1k", 1e4: "10k"})
    plots[0].set_ylabel("I2S path, re 1 kHz [dB]")
    plots[0].legend(loc="upper left")
    return sheet


def _overload(overload: Overload) -> Sheet:
    sheet, plots = _axes(len(CASES), sharey=True)
    for axes, case in zip(plots, CASES, strict=True):
        times_s, waves = overload.waves[case.key]
        for name, colour, style, words in (
            ("tap_p", LINE, "-", "tap, plus side"),
            ("ads_0", SPEAKER, "-", "ADS pin, plus"),
            ("i2s_0", SPEAKER, "--", "I2S pin"),
        ):
            axes.plot(1e3 * times_s, waves[name], style, color=colour, label=words)
        axes.set_title({"speaker_2x": "speaker, 548 V peak", "speaker_1kv": "speaker, 1 kV peak",
                        "line_250v": "line, 250 V peak"}[case.key])  # fmt: skip
        axes.set_xlabel("time [ms]")
    plots[0].set_ylabel("volts")
    sheet.legend(*plots[0].get_legend_handles_labels(), loc="outside lower center", ncols=3)
    return sheet
