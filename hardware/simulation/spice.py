"""Runs of ngspice in batch mode: a deck in, its vectors out, and every complaint of the program an error.

ngspice ends with exit code 0 after a missing vector or a singular matrix, so what it printed is read as well.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

TIMEOUT_S = 300.0

_COMPLAINT = re.compile(
    r"\berror|\bwarning|\bfatal|singular|no convergence|timestep too small|aborted|not available|unknown|"
    r"can't find|cannot|could not|no such|undefined|illegal|failed",
    re.IGNORECASE,
)
# Printed on every run: no dialect was asked for; a deck is run from its control section.
_HARMLESS = re.compile(r"^\s*(Note: |No compatibility mode|Doing analysis|Using )|^\s*Title|^\s*Circuit:")


class SimulationFailed(RuntimeError):
    """ngspice is missing, complained, or left other data than were asked for."""


@dataclass(frozen=True, slots=True)
class Plot:
    """Vectors of one analysis, by the names they were asked for, in lower case."""

    name: str
    vectors: Mapping[str, NDArray[Any]]

    def __getitem__(self, name: str) -> NDArray[Any]:
        """Return a vector: float64 or complex128, shape (points,)."""
        try:
            return self.vectors[name.lower()]
        except KeyError:
            raise SimulationFailed(f"no vector {name} in {self.name}; there are {', '.join(self.vectors)}") from None


def program() -> str:
    """Return the path of ngspice."""
    path = shutil.which("ngspice")
    if path is None:
        raise SimulationFailed("ngspice is not installed: apt-get install ngspice")
    return path


def version() -> str:
    """Return what ngspice calls itself, such as "ngspice-39"."""
    said = subprocess.run([program(), "-v"], capture_output=True, text=True, check=False, timeout=30).stdout
    found = re.search(r"ngspice-[\d.]+", said)
    return found[0] if found else "ngspice of an unknown version"


def run(title: str, elements: Sequence[str], commands: Sequence[str], *, plots: int) -> list[Plot]:
    """Run one deck and return its plots in the order in which they were written.

    elements : lines of the circuit
    commands
        Lines of the control section; each `write out.raw ...` adds one plot.
    plots : how many of them are expected
    """
    deck = [
        f"* {title}",
        *elements,
        ".control",
        "set filetype=binary",
        "set appendwrite",
        *commands,
        "quit",
        ".endc",
        ".end",
    ]
    with tempfile.TemporaryDirectory(prefix="flattop-ngspice-") as folder:
        Path(folder, "deck.cir").write_text("\n".join(deck) + "\n", encoding="utf-8")
        try:
            done = subprocess.run(
                [program(), "-b", "-n", "deck.cir"],
                cwd=folder, capture_output=True, text=True, errors="replace", timeout=TIMEOUT_S, check=False,
            )  # fmt: skip
        except subprocess.TimeoutExpired:
            raise SimulationFailed(f"{title}: no end after {TIMEOUT_S:.0f} s; look for a node that rings") from None
        lines = [line.strip() for line in (done.stdout + "\n" + done.stderr).splitlines()]
        complaints = [line for line in lines if _COMPLAINT.search(line) and not _HARMLESS.search(line)]
        if done.returncode or complaints:
            raise SimulationFailed(
                f"{title}: ngspice ended with code {done.returncode} and said: "
                + " | ".join(dict.fromkeys(complaints[:6] or [line for line in lines if line][-3:]))
            )
        raw = Path(folder, "out.raw")
        found = parse(raw.read_bytes()) if raw.exists() else []
    if len(found) != plots:
        raise SimulationFailed(f"{title}: {len(found)} plots came back, {plots} were asked for")
    for plot in found:
        bad = [name for name, vector in plot.vectors.items() if not (len(vector) and np.isfinite(vector).all())]
        if bad:
            raise SimulationFailed(f"{title}: no finite numbers in {', '.join(bad)}")
    return found


def parse(raw: bytes) -> list[Plot]:
    """Return the plots of a binary raw file, which may hold several one after the other."""
    plots: list[Plot] = []
    at = 0
    while at < len(raw):
        mark = raw.find(b"Binary:\n", at)
        if mark < 0:
            raise SimulationFailed(f"raw file: no data after byte {at} of {len(raw)}")
        header = raw[at:mark].decode("utf-8", "replace")
        fields = dict(re.findall(r"^(Plotname|Flags|No\. Variables|No\. Points):\s*(.*?)\s*$", header, re.MULTILINE))
        try:
            columns, points = int(fields["No. Variables"]), int(fields["No. Points"])
            listed = [line.split()[1].lower() for line in header.split("Variables:\n")[1].splitlines()[:columns]]
            names = [re.sub(r"^v\((\w+)\)$", r"\1", name) for name in listed]
            kind = np.dtype(np.complex128 if "complex" in fields["Flags"] else np.float64)
        except (KeyError, IndexError, ValueError) as error:
            raise SimulationFailed(f"raw file: header at byte {at} cannot be read ({error})") from error
        begin, size = mark + len(b"Binary:\n"), columns * points * kind.itemsize
        if begin + size > len(raw):
            raise SimulationFailed(f"raw file: {size} bytes of data announced, {len(raw) - begin} are there")
        table = np.frombuffer(raw, kind, columns * points, begin).reshape(points, columns)
        plots.append(Plot(fields.get("Plotname", "?"), dict(zip(names, table.T, strict=True))))
        at = begin + size
        while at < len(raw) and raw[at : at + 1] in b"\r\n":
            at += 1
    return plots
