"""The printed case as meshes: OpenSCAD renders `flattop.scad`, part by part; bodies and parameters come back."""

from __future__ import annotations

import ast
import os
import re
import subprocess
from collections.abc import Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import manifold3d
import numpy as np
import trimesh

SOURCE = Path(__file__).with_name("flattop.scad")
TIMEOUT_S = 300
"""Longer than the slowest part takes on a loaded two-core machine."""


class RenderError(Exception):
    """OpenSCAD did not make a part; its own words follow."""


def openscad(program: str, part: str, target: Path, defines: Mapping[str, object]) -> str:
    """Render one part into `target` and return what OpenSCAD said.

    defines : parameters of the model that are to differ, by name.
    Raises RenderError where OpenSCAD fails, warns, or makes nothing.
    """
    # Words are engraved by `Case.read`: the same difference, a hundred times faster than CGAL's.
    given = {"marking": False, "part": part, **defines}
    options = [option for name, value in given.items() for option in ("-D", f"{name}={_literal(value)}")]
    done = subprocess.run(
        [program, *options, "-o", str(target), str(SOURCE)],
        capture_output=True,
        text=True,
        timeout=TIMEOUT_S,
        check=False,
    )
    wrong = [line for line in done.stderr.splitlines() if line.startswith(("WARNING", "ERROR"))]
    if part != "parameters" and (done.returncode or wrong or not target.is_file()):
        raise RenderError(f"{SOURCE.name}, part {part}: " + (" / ".join(wrong) or done.stderr.strip()))
    return done.stderr


def _literal(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return f'"{value}"' if isinstance(value, str) else str(value)


def read_echoes(said: str) -> dict[str, Any]:
    """Return the values that the part "parameters" echoes, by name."""
    values: dict[str, Any] = {}
    for line in said.splitlines():
        if line.startswith("ECHO: "):
            for name, value in re.findall(r"(\w+) = (.+?)(?=, \w+ = |$)", line.removeprefix("ECHO: ")):
                values[name] = ast.literal_eval(value)
    return values


@dataclass(frozen=True)
class Case:
    """All bodies of the case where they sit in the built meter, lengths in mm.

    values : parameters echoed by the model.
    meshes : as OpenSCAD wrote them, equal corners joined.
    solids : the same as solids that can be cut and measured.
    """

    values: dict[str, Any]
    meshes: dict[str, trimesh.Trimesh] = field(repr=False)
    solids: dict[str, manifold3d.Manifold] = field(repr=False)

    @property
    def printed(self) -> list[str]:
        """Names of the parts that are printed."""
        return list(self.values["printed"])

    @property
    def contents(self) -> list[str]:
        """Names of what is bought and held."""
        return list(self.values["contents"])


def render(
    program: str, folder: Path, names: Iterable[str] | None = None, defines: Mapping[str, object] | None = None
) -> Case:
    """Render parts into `folder` and read them back.

    program : path of OpenSCAD.
    names : which; None is all that is printed, all that is held, the plugs and the engraved words.
    Raises RenderError for the first part that fails.
    """
    defines = defines or {}
    values = read_echoes(openscad(program, "parameters", folder / "parameters.stl", defines))
    if names is None:
        names = [*values["printed"], *values["contents"], *values["plugs"], "words"]
    names = list(names)
    # Each rendering is a process of its own; the threads only wait. The largest parts come first in the list.
    with ThreadPoolExecutor(max_workers=os.cpu_count() or 1) as pool:
        list(pool.map(lambda name: openscad(program, name, folder / f"{name}.stl", defines), names))
    meshes = {name: read_stl(folder / f"{name}.stl") for name in names}
    solids = {name: solid(mesh) for name, mesh in meshes.items()}
    if "lid" in solids and "words" in solids:
        meshes["lid_plain"], solids["lid_plain"] = meshes["lid"], solids["lid"]
        solids["lid"] = solids["lid"] - solids["words"]
        meshes["lid"] = mesh_of(solids["lid"])
    return Case(values, meshes, solids)


def read_stl(path: Path) -> trimesh.Trimesh:
    """Return the mesh of an STL file, equal corners joined."""
    mesh = trimesh.load(path, file_type="stl")
    mesh.merge_vertices()
    return mesh


def solid(mesh: trimesh.Trimesh) -> manifold3d.Manifold:
    """Return a mesh as a solid.

    Raises RenderError where it is no closed surface.
    """
    body = manifold3d.Manifold(
        manifold3d.Mesh(np.asarray(mesh.vertices, np.float32), np.asarray(mesh.faces, np.uint32))
    )
    if body.status() != manifold3d.Error.NoError:
        raise RenderError(f"a mesh of {len(mesh.faces)} facets is no closed surface: {body.status()}")
    return body


def mesh_of(body: manifold3d.Manifold) -> trimesh.Trimesh:
    """Return a solid as a mesh."""
    mesh = body.to_mesh()
    return trimesh.Trimesh(np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts), process=True)


def for_printing(name: str, body: manifold3d.Manifold) -> manifold3d.Manifold:
    """Return a part as it lies on the bed: turned over where it has to be, its least x, y and z at 0."""
    turned = body.rotate(PRINT_TURN_DEG.get(name, (0.0, 0.0, 0.0)))
    low = turned.bounding_box()[:3]
    return turned.translate([-low[0], -low[1], -low[2]])


PRINT_TURN_DEG: dict[str, tuple[float, float, float]] = {
    "lid": (180.0, 0.0, 0.0),  # face down
    "shutter": (-90.0, 0.0, 0.0),  # its smooth side down, the ribs for the thumb up
}
"""Turns about x, y and z. Every other part is printed as it sits."""
