"""The charts of the report, as SVG that stands inside a page: folded tops, levels, and the curve of a filter.

Names of the plan never come in here: a chart's font may not have their script, the page around it has.
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Sequence
from html import escape
from typing import Final

import numpy as np
from matplotlib import style
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullLocator

from flattop.measure.reading import Tops
from flattop.record.report_view import Levels
from flattop.record.run_answers import ResponseEntry
from flattop.samples import FloatArray

INK = "#000000"
BODY = "#C8C8C8"
MISSING, ONE_SIDED = "#E69F00", "#F3CF80"
"""Orange of Okabe & Ito for what neither half has, lighter for what only one has; a dark edge runs along both."""
AS_FOUND, AS_LEFT = "#FFFFFF", "#0072B2"
"""White within a dark edge, and the blue of Okabe & Ito: 5.2:1 on white (WCAG 2.2)."""

_SPANS_DEG = (36.0, 60.0, 90.0)
_POINTS = 61
TOP_DB, BOTTOM_DB = 3.0, -33.0
GAP_OCTAVE = 0.35
"""A curve with a wider hole than this is not drawn across it."""
TICKS_HZ = (10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000)
_STYLE: Final = {"svg.fonttype": "none", "svg.hashsalt": "flattop", "hatch.linewidth": 0.7, "font.size": 9.0}


@style.context(["default", _STYLE])
def tops_svg(tops: Tops, *, name: str, words: str) -> str:
    """Return the two half-cycles folded onto one another near the crest, before the crest that the flanks predict.

    Hatched in the colour of flat: what the flanks predict and neither half has. The view is that of the screen: narrow
    while little is missing, wider as more goes. Empty where there is no crest.

    name : begins every id in the picture, so that many fit one page
    words : says the same to those who cannot see it
    """
    angle = tops.angle_deg
    rows = [tops.pos_v, tops.neg_v, tops.pos_flanks_v, tops.neg_flanks_v]
    good = np.isfinite(angle) & np.isfinite(rows).all(axis=0)
    if np.count_nonzero(good) < 3:
        return ""
    pos, neg, pos_flanks, neg_flanks = (row[good] for row in rows)
    crest = float(max(pos_flanks.max(), neg_flanks.max()))
    if not crest > 0:
        return ""
    held = min(1.0, float(min(pos.max() / pos_flanks.max(), neg.max() / neg_flanks.max())))
    corner_deg = math.degrees(math.acos(max(held, 0.0)))
    span_deg = next((span for span in _SPANS_DEG if corner_deg <= 0.66 * span), _SPANS_DEG[-1])
    low = math.cos(math.radians(span_deg))
    at_deg = np.linspace(-span_deg, span_deg, _POINTS)

    def line(values: FloatArray) -> FloatArray:
        return np.clip(np.interp(at_deg, angle[good], values / crest), low, None)

    figure, axes = _figure(2.2, 1.2)
    predicted = line(np.maximum(pos_flanks, neg_flanks))
    upper, lower = line(np.maximum(pos, neg)), line(np.minimum(pos, neg))
    axes.fill_between(at_deg, low, lower, color=BODY, linewidth=0)
    axes.fill_between(at_deg, lower, upper, color=ONE_SIDED, linewidth=0)
    gap = np.maximum(predicted, upper)
    axes.fill_between(at_deg, upper, gap, facecolor=MISSING, edgecolor=INK, hatch="////", linewidth=0)
    axes.plot(at_deg, predicted, color=INK, linewidth=0.8, linestyle=(0, (3, 2)))
    axes.plot(at_deg, line(neg), color=INK, linewidth=0.8)
    axes.plot(at_deg, line(pos), color=INK, linewidth=1.5)
    axes.set_xlim(-span_deg, span_deg)
    axes.set_ylim(low, 1.0 + 0.06 * (1.0 - low))
    axes.set_axis_off()
    axes.set_position((0.0, 0.0, 1.0, 1.0))
    return _inline(figure, name=name, words=words)


@style.context(["default", _STYLE])
def levels_svg(levels: Levels, *, among: Sequence[float], name: str, words: str) -> str:
    """Return the levels of one output on a line of volts that reaches over `among`, the levels it is compared with.

    A white disc is as found, a blue square as left, an upright stroke the ceiling.
    """
    low, high = min(among), max(among)
    room = 0.08 * (high - low) or 0.01 * high or 1.0
    figure, axes = _figure(2.4, 0.55)
    if math.isfinite(levels.ceiling_v):
        axes.plot([levels.ceiling_v] * 2, [-0.75, 0.75], color=INK, linewidth=1.4)
    if math.isfinite(levels.found_v) and math.isfinite(levels.left_v):
        axes.plot([levels.found_v, levels.left_v], [0, 0], color=INK, linewidth=0.8, zorder=1)
    for level_v, u_v, mark, face in (
        (levels.found_v, levels.found_u_v, "o", AS_FOUND),
        (levels.left_v, levels.left_u_v, "s", AS_LEFT),
    ):
        if math.isfinite(level_v):
            axes.errorbar([level_v], [0], xerr=u_v, ecolor=INK, elinewidth=0.8, capsize=2.5, fmt="none", zorder=2)
            axes.plot([level_v], [0], mark, markersize=6, markerfacecolor=face, markeredgecolor=INK, zorder=3)
    axes.set_xlim(low - room, high + room)
    axes.set_ylim(-1, 1)
    axes.xaxis.set_major_locator(MaxNLocator(4, min_n_ticks=2))
    axes.tick_params(length=2.5, pad=1.5)
    axes.yaxis.set_visible(False)
    for edge in ("left", "right", "top"):
        axes.spines[edge].set_visible(False)
    axes.set_position((0.03, 0.36, 0.94, 0.62))
    return _inline(figure, name=name, words=words)


@style.context(["default", _STYLE])
def response_svg(
    found: ResponseEntry | None, left: ResponseEntry | None, *, stated_hz: Sequence[float], name: str, words: str
) -> str:
    """Return the curves of level [dB] against frequency [Hz] of one output; empty where there is none.

    The broken line is as found, the thick blue one as left; dotted uprights are the stated corners, a triangle stands
    on each corner that was found.
    """
    swept = [one for one in (found, left) if one is not None and len(one.curve) > 1]
    if not swept:
        return ""
    low = min(one.curve[0].hz for one in swept)
    high = max(one.curve[-1].hz for one in swept)
    figure, axes = _figure(4.6, 1.7)
    for level_db in (-3.01, -6.02):
        axes.axhline(level_db, color=INK, linewidth=0.4, alpha=0.5)
    for hz in stated_hz:
        axes.axvline(hz, color=INK, linewidth=1.0, linestyle=(0, (1, 2)))
    for one, ink, width, dashes in ((found, INK, 1.2, (0, (4, 2.5))), (left, AS_LEFT, 2.2, "solid")):
        if one is None or one not in swept:
            continue
        axes.plot(*_with_gaps(one), color=ink, linewidth=width, linestyle=dashes)
        for corner in one.corners:
            down_db = -6.02 if corner.alignment == "Linkwitz-Riley" else -3.01
            face = AS_LEFT if one is left else AS_FOUND
            axes.plot(
                [corner.corner_hz], [down_db], "v", markersize=6, markerfacecolor=face, markeredgecolor=INK, zorder=3
            )
    axes.set_xscale("log")
    axes.set_xlim(low / 1.05, high * 1.05)
    axes.set_ylim(BOTTOM_DB, TOP_DB)
    axes.xaxis.set_major_locator(FixedLocator([hz for hz in TICKS_HZ if low / 1.05 <= hz <= high * 1.05]))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(FuncFormatter(lambda hz, _: f"{hz:g} Hz" if hz < 1000 else f"{hz / 1000:g} kHz"))
    axes.yaxis.set_major_locator(FixedLocator([0.0, -6.0, -12.0, -24.0]))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda db, _: f"{db:g} dB".replace("-", "\N{MINUS SIGN}")))
    axes.tick_params(length=2.5, pad=2.0)
    for edge in ("right", "top"):
        axes.spines[edge].set_visible(False)
    axes.set_position((0.12, 0.15, 0.86, 0.83))
    return _inline(figure, name=name, words=words)


def _with_gaps(one: ResponseEntry) -> tuple[FloatArray, FloatArray]:
    """Return frequencies and levels of a curve, with NaN in its wider holes."""
    hz = np.array([point.hz for point in one.curve])
    db = np.array([point.level_db for point in one.curve])
    holes = np.flatnonzero(np.diff(np.log2(hz)) > GAP_OCTAVE) + 1
    return np.insert(hz, holes, np.sqrt(hz[holes - 1] * hz[holes])), np.insert(db, holes, np.nan)


def _figure(width: float, height: float) -> tuple[Figure, Axes]:
    figure = Figure(figsize=(width, height))
    figure.patch.set_visible(False)
    axes = figure.add_subplot()
    axes.patch.set_visible(False)
    return figure, axes


def _inline(figure: Figure, *, name: str, words: str) -> str:
    """Return a figure as an <svg> element: no document around it, no namespaces, ids of its own, two decimals."""
    text = io.StringIO()
    # Nothing in it of when and by what it was made, so that the same run gives the same report.
    figure.savefig(text, format="svg", metadata=dict.fromkeys(("Date", "Creator", "Format", "Type")))
    svg = text.getvalue()
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>|<style.*?</style>|<!--.*?-->|<defs>\s*</defs>", "", svg, flags=re.DOTALL)
    svg = re.sub(r' (?:xmlns(?::xlink)?|version|width|height)="[^"]*"', "", svg, count=5)
    svg = svg.replace("xlink:href", "href")
    svg = re.sub(
        r' id="(?:figure|axes|patch|line2d|matplotlib|text|xtick|ytick|FillBetween|LineCollection)[^"]*"', "", svg
    )
    svg = re.sub(r'( id="|href="#|url\(#)', rf"\g<1>{name}-", svg)
    svg = re.sub(r"(\d\.\d\d)\d+", r"\1", svg)
    svg = re.sub(r"font-family: [^;]*;", "", svg)
    svg = re.sub(r"\s*\n\s*", " ", svg).replace("> <", "><")
    return svg.replace("<svg", f'<svg class="chart" role="img" aria-label="{escape(words)}"', 1)
