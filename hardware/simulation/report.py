"""figures.json, the tables made from it, and how far two of them may differ."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from simulation import models
from simulation.budget import Budget, Contribution, rss
from simulation.figure import Chapter, rounded

SAME_SHARE, SAME_AT_LEAST = 2e-3, 2e-4
"""Two runs agree within this share of the figure, or within this much in the figure's own unit."""


def as_json(chapters: Sequence[Chapter], budget: Budget) -> dict[str, Any]:
    """Return everything that RESULTS.md is made from."""
    keys = [figure.key for chapter in chapters for figure in chapter.figures]
    if len(set(keys)) != len(keys):
        raise ValueError(f"figures with one key: {sorted({key for key in keys if keys.count(key) > 1})}")
    return {
        "made_by": "python hardware/simulation/run.py",
        "chapters": [
            {
                "title": chapter.title,
                "lead": chapter.lead,
                "picture": chapter.picture,
                "figures": {figure.key: figure.as_json() for figure in chapter.figures},
            }
            for chapter in chapters
        ],
        "budget": {"ads": [_line(each) for each in budget.ads], "i2s": [_line(each) for each in budget.i2s]},
        "parameters": {
            model: {
                name: {"value": each.value, "unit": each.unit, "source": each.source.value, "meaning": each.meaning}
                for name, each in parameters.items()
            }
            for model, parameters in models.PARAMETERS.items()
        },
    }


def _line(each: Contribution) -> dict[str, Any]:
    return {
        "what": each.what,
        "before_pct": rounded(each.before_pct),
        "after_pct": rounded(each.after_pct),
        "source": each.source.value,
        "basis": each.basis,
    }


def values(found: Mapping[str, Any]) -> dict[str, float]:
    """Return every simulated figure of a figures.json by its key."""
    return {key: figure["simulated"] for chapter in found["chapters"] for key, figure in chapter["figures"].items()}


def differences(kept: Mapping[str, Any], fresh: Mapping[str, float]) -> list[str]:
    """Return what a fresh run gives otherwise than the kept figures, in words; of those that were run."""
    known = values(kept)
    found = [f"{key} is not in figures.json" for key in fresh.keys() - known.keys()]
    for key, value in fresh.items():
        if key in known and abs(value - known[key]) > max(SAME_SHARE * abs(known[key]), SAME_AT_LEAST):
            found.append(f"{key}: {known[key]:g} in figures.json, {value:g} in a fresh run")
    return sorted(found)


def save(path: Path, found: Mapping[str, Any]) -> None:
    """Write figures.json."""
    path.write_text(json.dumps(found, indent=1, ensure_ascii=False, allow_nan=False) + "\n", encoding="utf-8")


def load(path: Path) -> dict[str, Any]:
    """Return a figures.json."""
    found = json.loads(path.read_text(encoding="utf-8"))
    if not isinstance(found, dict):
        raise ValueError(f"{path}: an object is wanted, it holds a {type(found).__name__}")
    return found


def verdict(figure: Mapping[str, Any]) -> str:
    """Return how a figure stands to the design's, in a word."""
    if figure["design"] is None:
        return ""
    return "yes" if figure["within_5_pct"] else "no, see below" if figure["reason"] else "NO"


def results(found: Mapping[str, Any]) -> str:
    """Return RESULTS.md."""
    lines = [
        "# Results of the simulations",
        "",
        f"Made by `{found['made_by']}` from `figures.json`, which the same command writes; nothing here is typed.",
        "**No board was built or measured.** The circuit is the exported netlist with nominal values; what is no",
        "resistor or capacitor is a behavioural model, listed at the end. A design value is what the design notes say.",
        "",
    ]
    for chapter in found["chapters"]:
        lines += [f"## {chapter['title']}", "", chapter["lead"], ""]
        if chapter["picture"]:
            lines += [f"![{chapter['title']}]({chapter['picture']})", ""]
        lines += [
            "| figure | unit | design | simulated | ratio | within 5 %? |",
            "| --- | --- | --- | --- | --- | --- |",
        ]
        for figure in chapter["figures"].values():
            design = "" if figure["design"] is None else f"{figure['design']:g}"
            ratio = "" if figure["ratio"] is None else f"{figure['ratio']:.3f}"
            lines.append(
                f"| {figure['what']} | {figure['unit']} | {design} | {figure['simulated']:.4g} | {ratio} "
                f"| {verdict(figure)} |"
            )
        lines.append("")
        apart = [each for each in chapter["figures"].values() if each["within_5_pct"] is False]
        lines += _reasons(apart)
    return "\n".join([*lines, *_budget(found["budget"]), *_parameters(found["parameters"])]) + "\n"


def _reasons(apart: Sequence[Mapping[str, Any]]) -> list[str]:
    """Return why figures differ from the design's, with what another run gave."""
    if not apart:
        return []
    lines = ["Why these differ, from further runs:", ""]
    for figure in apart:
        given = " to ".join(f"{value:.4g}" for value in figure["under_that_assumption"] or [])
        reason = f"{given} {figure['unit']} {figure['reason']}" if figure["reason"] else "no reason found"
        lines.append(f"- {figure['what']}: {figure['simulated']:.4g}, design {figure['design']:g}. {reason}.")
    return [*lines, ""]


def _budget(budget: Mapping[str, Any]) -> list[str]:
    lines = [
        "## Every contribution to the error budget",
        "",
        "In per cent of the reading, each as a limit, at d.c. to 40 Hz, 0 to 50 C. The design notes give sums only:",
        "lines marked M were chosen here, so agreement of the sums is no independent check of them.",
        "",
        "| contribution | before | after two points | source | basis |",
        "| --- | --- | --- | --- | --- |",
    ]
    for path, title in (("ads", "ADS path"), ("i2s", "I2S path, on top of it")):
        lines += [
            f"| {title}: {each['what']} | {each['before_pct']:.3f} | {each['after_pct']:.3f} | {each['source']} "
            f"| {each['basis']} |"
            for each in budget[path]
        ]
        for name, total in (("worst case", sum), ("RSS", rss)):
            before, after = (total([each[key] for each in budget[path]]) for key in ("before_pct", "after_pct"))
            lines.append(f"| **{title}: {name} of these** | **{before:.3f}** | **{after:.3f}** | | |")
    return [*lines, ""]


def _parameters(parameters: Mapping[str, Any]) -> list[str]:
    lines = [
        "## Parameters of the behavioural models",
        "",
        "V: seen in datasheet or catalogue text; D: asked for by the design; C: calculated; M: from memory, to be",
        "checked before layout.",
        "",
        "| model | parameter | value | unit | source | meaning |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for model, each in parameters.items():
        for name, parameter in each.items():
            lines.append(
                f"| {model} | {name} | {parameter['value']:g} | {parameter['unit']} | {parameter['source']} "
                f"| {parameter['meaning']} |"
            )
    return lines
