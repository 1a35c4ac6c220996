"""What the case has to keep, measured on its meshes: fit, walls, distances, the shutter's logic, printing, legibility.

All lengths in mm. Nothing here knows a limit but the names of what is live and what is metal; limits belong to the
tests and to the table that `make.py` prints.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import manifold3d
import numpy as np
import trimesh
from model import Case, for_printing, mesh_of
from numpy.typing import NDArray
from PIL import Image, ImageDraw
from scipy import ndimage
from scipy.spatial import cKDTree

LIVE = ("socket_metal_1", "socket_metal_2", "island_speaker", "line_metal", "island_line")
"""What can be at up to 255 V peak; the line side is held to the same distances."""
METAL = (
    "magnet_1",
    "magnet_2",
    "low_side",
    "cells",
    "computer",
    "supply",
    "display",
    "charge_port",
    "buttons",
    "lamp",
    "sounder",
    "jack",
)
"""Magnets and everything low that conducts. All screws and nuts are plastic."""
OUTER = (
    *("body", "lid", "hood", "cap_a", "cap_b", "cap_c"),  # printed; the shutter goes with its position
    *("socket_1", "socket_2", "line_socket", "charge_port", "jack", "lamp", "sounder", "pane"),
    "buttons",  # two of its switches end in openings of the lid
    *("lid_screws", "hood_screws"),
)
"""What makes up the outside."""
ONE_THING = (
    {"front_end", "low_side"},
    {"front_end", "island_speaker"},
    {"front_end", "island_line"},
    {"socket_1", "socket_metal_1"},
    {"socket_2", "socket_metal_2"},
    {"line_socket", "line_metal"},
)
"""Pairs that are parts of one bought thing, drawn twice."""
INPUTS = ("plug_1", "plug_2", "plug_line")
CHARGE = "plug_charge"


# -- fit -------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Pair:
    """Two bodies: what they share [mm³], and the air between them up to the search length [mm]."""

    first: str
    second: str
    shared_mm3: float
    gap_mm: float


def pairs(case: Case, shutter_at_mm: float, search_mm: float = 1.0) -> list[Pair]:
    """Measure every pair of printed parts and contents, the shutter moved by `shutter_at_mm`."""
    solids = {name: case.solids[name] for name in (*case.printed, *case.contents)}
    solids["shutter"] = solids["shutter"].translate([shutter_at_mm, 0, 0])
    boxes = {name: np.reshape(body.bounding_box(), (2, 3)) for name, body in solids.items()}
    found = []
    for first, second in itertools.combinations(solids, 2):
        if {first, second} in ONE_THING:
            continue
        (low, high), (other_low, other_high) = boxes[first], boxes[second]
        if np.any(low > other_high + search_mm) or np.any(other_low > high + search_mm):
            continue
        shared = (solids[first] ^ solids[second]).volume()
        found.append(Pair(first, second, shared, solids[first].min_gap(solids[second], search_mm)))
    return found


# -- walls -----------------------------------------------------------------------------------------------------------


def thinnest_wall_mm(
    body: manifold3d.Manifold, spacing_mm: float = 1.5, seed: int = 1
) -> tuple[float, tuple[float, float, float]]:
    """Return the least thickness found between opposite faces, and where.

    From points spread over the surface a ray goes straight inward; it counts where the face it leaves by lies opposite,
    within 15 degrees. Edges that run out to a point are no walls and are left out by that.
    """
    mesh = mesh_of(body)
    count = max(400, int(mesh.area / spacing_mm**2))
    points, faces = trimesh.sample.sample_surface(mesh, count, seed=seed)
    inward = -mesh.face_normals[faces]
    thinnest, where = math.inf, (math.nan, math.nan, math.nan)
    for point, way in zip(points, inward, strict=True):
        hits = body.ray_cast(point + 1e-3 * way, point + 50 * way)
        if hits and np.dot(hits[0].normal, way) > math.cos(math.radians(15)):
            thickness = float(np.linalg.norm(hits[0].position - point))
            if thickness < thinnest:
                thinnest, where = thickness, tuple(point.round(1).tolist())
    return thinnest, where


# -- distances from what is live -------------------------------------------------------------------------------------


def outside_points(case: Case, shutter_at_mm: float, pitch_mm: float = 0.5) -> NDArray[np.float64]:
    """Return points spread over the surface that a hand outside can come near.

    The closed case is cut into voxels, joints up to 2 voxels wide are closed, and air is let in from outside. Surface
    points within 2 voxels of that air count. The insides of the sockets' own mouths are the sockets' business: there
    the bought part ends the surface.
    """
    solids = [case.solids[name] for name in OUTER]
    solids.append(case.solids["shutter"].translate([shutter_at_mm, 0, 0]))
    bounds = np.array([body.bounding_box() for body in solids])
    low, high = bounds[:, :3].min(axis=0) - 3, bounds[:, 3:].max(axis=0) + 3
    shape = np.ceil((high - low) / pitch_mm).astype(int)
    full = np.zeros((shape[2], shape[1], shape[0]), np.bool_)
    for layer in range(shape[2]):
        z = low[2] + (layer + 0.5) * pitch_mm
        for body, (_, _, least, _, _, most) in zip(solids, bounds, strict=True):
            if least <= z <= most:
                full[layer] |= _raster(body.slice(z), low, shape, pitch_mm)
    closed = ndimage.binary_closing(np.pad(full, 2))[2:-2, 2:-2, 2:-2] | full
    rooms, _ = ndimage.label(~closed)
    outside = ndimage.binary_dilation(rooms == rooms[0, 0, 0], iterations=2)
    points = []
    for body in solids:
        mesh = mesh_of(body)
        spread, _ = trimesh.sample.sample_surface(mesh, int(mesh.area / 0.5), seed=1)
        spread = np.concatenate([spread, mesh.vertices])
        x, y, z = np.clip(((spread - low) / pitch_mm).astype(int), 0, shape - 1).T
        points.append(spread[outside[z, y, x]])
    return np.concatenate(points)


def _raster(
    outline: manifold3d.CrossSection, low: NDArray[np.float64], shape: NDArray[np.int64], pitch_mm: float
) -> NDArray[np.bool_]:
    """Return which voxels of one layer [y, x] lie inside an outline, by even and odd crossings."""
    inside = np.zeros((shape[1], shape[0]), np.bool_)
    for contour in outline.to_polygons():
        page = Image.new("L", (int(shape[0]), int(shape[1])))
        at = (np.asarray(contour) - low[:2]) / pitch_mm - 0.5
        ImageDraw.Draw(page).polygon([tuple(p) for p in at], fill=1)
        inside ^= np.asarray(page, np.bool_)
    return inside


def distances_outside_mm(case: Case, shutter_at_mm: float) -> dict[str, float]:
    """Return for each live body how far it is from the surface that a hand can come near."""
    points = outside_points(case, shutter_at_mm)
    # The sleeve of a line socket is bare metal in its own mouth; no case keeps a finger from what a plug must reach.
    (x, z), face_y = case.values["rca_at"], case.values["panel_y"][0]
    mouth = np.hypot(points[:, 0] - x, points[:, 2] - z) < 0.6 * case.values["rca_open"]
    mouth &= (points[:, 1] > face_y - 0.5) & (points[:, 1] < face_y + case.values["rca_recess"] + 0.5)
    anywhere, elsewhere = cKDTree(points), cKDTree(points[~mouth])
    found = {}
    for name in LIVE:
        mesh = case.meshes[name]
        spread, _ = trimesh.sample.sample_surface(mesh, int(mesh.area / 0.2), seed=1)
        tree = elsewhere if name == "line_metal" else anywhere
        if name == "line_metal":  # what lies behind the wall that holds it
            spread = spread[spread[:, 1] > face_y + case.values["rca_recess"]]
        found[name] = float(tree.query(spread, distance_upper_bound=30)[0].min())
    return found


def distances_to_metal_mm(case: Case) -> dict[tuple[str, str], float]:
    """Return the air between each live body and each piece of metal or low-side circuit, up to 60 mm."""
    return {
        (live, metal): case.solids[live].min_gap(case.solids[metal], 60.0)
        for live in LIVE
        for metal in (*METAL, *(other for other in LIVE if _side(other) != _side(live)))
    }


def _side(name: str) -> str:
    return "line" if "line" in name else "speaker"


def rca_to_sockets_mm(case: Case) -> float:
    """Return the air between the metal of the line socket and that of the nearer 4 mm socket."""
    return min(
        case.solids["line_metal"].min_gap(case.solids[name], 60.0) for name in ("socket_metal_1", "socket_metal_2")
    )


# -- the shutter -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Stand:
    """One position of the shutter.

    at_mm : how far it has moved from the end at which the inputs are open.
    enters : plugs that would pass.
    daylight_mm2 : how much of each opening the shutter leaves free, whatever its shape.
    """

    at_mm: float
    enters: frozenset[str]
    daylight_mm2: dict[str, float]


def sweep(case: Case, step_mm: float = 0.1) -> list[Stand]:
    """Move the shutter from end to end, both included."""
    travel = case.values["shutter_travel"]
    shutter = case.solids["shutter"]
    # Seen along y: turned so that y becomes the height, then cast onto a plane.
    shadow = _shadow(shutter)
    openings = {name: _shadow(case.solids[name]) for name in (*INPUTS, CHARGE)}
    stands = []
    for at_mm in np.append(np.arange(0, travel, step_mm), travel):
        moved, moved_shadow = shutter.translate([at_mm, 0, 0]), shadow.translate([at_mm, 0])
        stands.append(
            Stand(
                float(at_mm),
                frozenset(name for name in openings if (moved ^ case.solids[name]).volume() < 1e-6),
                {name: (opening - moved_shadow).area() for name, opening in openings.items()},
            )
        )
    return stands


def _shadow(body: manifold3d.Manifold) -> manifold3d.CrossSection:
    return body.rotate([90, 0, 0]).project()


def logic_faults(stands: Sequence[Stand], daylight_mm2: float = 0.01) -> list[str]:
    """Return every way in which the shutter fails: both open somewhere, or an end at which its own side is not free."""
    faults = []
    first, last = stands[0], stands[-1]
    if not set(INPUTS) <= first.enters:
        faults.append(f"at 0 mm not all inputs are free: only {sorted(first.enters)}")
    if last.enters != {CHARGE}:
        faults.append(f"at {last.at_mm:.1f} mm not the charge port alone is free: {sorted(last.enters)}")
    for stand in stands:
        lit = {name for name, area in stand.daylight_mm2.items() if area > daylight_mm2} | stand.enters
        if CHARGE in lit and lit & set(INPUTS):
            faults.append(f"at {stand.at_mm:.1f} mm the charge port and {sorted(lit & set(INPUTS))} are open together")
    return faults


def held_by_plug_mm(case: Case, plug: str, step_mm: float = 0.1) -> float:
    """Return how far the shutter moves from the open inputs before a plug in place stops it."""
    for at_mm in np.arange(0, case.values["shutter_travel"], step_mm):
        if (case.solids["shutter"].translate([at_mm, 0, 0]) ^ case.solids[plug]).volume() > 1e-6:
            return float(at_mm)
    return math.inf


# -- printing --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Overhang:
    """A patch that leans out by more than 45 degrees and does not lie on the bed.

    flat : it is level, a bridge; else a slope.
    span_mm : twice the way from its innermost point to its rim.
    """

    part: str
    z_mm: float
    area_mm2: float
    span_mm: float
    flat: bool


def overhangs(case: Case, part: str, limit_deg: float = 45.0, least_mm2: float = 0.5) -> list[Overhang]:
    """Return the patches of a part, as it lies on the bed, that lean out by more than `limit_deg` from upright."""
    mesh = mesh_of(for_printing(part, case.solids[part]))
    low = mesh.face_normals[:, 2] < -math.sin(math.radians(limit_deg + 0.5))
    low &= mesh.triangles_center[:, 2] > 0.05
    found = []
    for faces in _patches(mesh, np.flatnonzero(low)):
        area = float(mesh.area_faces[faces].sum())
        if area < least_mm2:
            continue
        flat = bool(np.all(mesh.face_normals[faces, 2] < -0.999))
        found.append(Overhang(part, float(mesh.triangles[faces, :, 2].min()), area, _span(mesh, faces), flat))
    return found


def _patches(mesh: trimesh.Trimesh, faces: NDArray[np.int64]) -> Iterator[NDArray[np.int64]]:
    chosen = np.zeros(len(mesh.faces), np.bool_)
    chosen[faces] = True
    joined = mesh.face_adjacency[chosen[mesh.face_adjacency].all(axis=1)]
    yield from trimesh.graph.connected_components(joined, nodes=faces, min_len=1)


def _span(mesh: trimesh.Trimesh, faces: NDArray[np.int64], pitch_mm: float = 0.1) -> float:
    """Return twice the largest distance of a point of the patch from its rim, seen from below."""
    flat = mesh.triangles[faces][:, :, :2]
    low = flat.min(axis=(0, 1)) - 2 * pitch_mm
    size = np.ceil((flat.max(axis=(0, 1)) + 2 * pitch_mm - low) / pitch_mm).astype(int)
    page = Image.new("1", (int(size[0]), int(size[1])))
    for triangle in (flat - low) / pitch_mm:
        ImageDraw.Draw(page).polygon([tuple(p) for p in triangle], fill=1)
    return float(2 * pitch_mm * ndimage.distance_transform_edt(np.asarray(page)).max())


def bed_mm(case: Case, part: str) -> tuple[float, float, float]:
    """Return the room a part takes on the bed: x, y and height."""
    box = for_printing(part, case.solids[part]).bounding_box()
    return (box[3] - box[0], box[4] - box[1], box[5] - box[2])


# -- screen and eye --------------------------------------------------------------------------------------------------


def picture_grid(case: Case, count: int = 5) -> NDArray[np.float64]:
    """Return points spread over the picture, on the glass, its corners included."""
    (x, y), (across, up) = case.values["tft_at"], case.values["tft_active"]
    z = case.values["size"][2] - case.values["plate"]
    steps = np.linspace(-0.5, 0.5, count)
    return np.array([[x + across * i, y + up * j, z] for i in steps for j in steps])


def hidden(bodies: Sequence[manifold3d.Manifold], points: NDArray[np.float64], way: Sequence[float]) -> float:
    """Return the share of points that a body hides from far away in one direction."""
    ends = points + 400 * np.asarray(way) / np.linalg.norm(way)
    return float(np.mean([any(body.ray_cast(p, q) for body in bodies) for p, q in zip(points, ends, strict=True)]))


def shaded_to_deg(case: Case, toward: tuple[float, float]) -> int:
    """Return up to which height over the screen's plane the sun, from one side, reaches no part of the picture."""
    bodies = [case.solids["hood"], case.solids["lid"]]
    points = picture_grid(case)
    height_deg = 0
    while height_deg < 90:
        a = math.radians(height_deg + 1)
        if hidden(bodies, points, (toward[0] * math.cos(a), toward[1] * math.cos(a), math.sin(a))) < 1:
            break
        height_deg += 1
    return height_deg


def arc_minutes(height_px: int, rows_px: int, active_mm: float, distance_mm: float) -> float:
    """Return the visual angle of something `height_px` high on a picture of `rows_px` rows that is `active_mm` high."""
    height_mm = height_px / rows_px * active_mm
    return math.degrees(2 * math.atan(height_mm / 2 / distance_mm)) * 60
