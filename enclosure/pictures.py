"""Pictures of solids: parallel projection, flat light and drawn edges, the same pixels on every machine.

OpenSCAD's own pictures depend on the graphics driver; these do not, and need no display.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import manifold3d
import numpy as np
from numpy.typing import NDArray
from PIL import Image

Colour = tuple[int, int, int]
_FINE = 2
"""Drawn this many times larger and averaged down."""
_PAPER: Colour = (250, 249, 246)
_LINE = 0.34
"""What is left of a colour on a drawn edge."""


@dataclass(frozen=True)
class Thing:
    """A solid and its colour."""

    body: manifold3d.Manifold
    colour: Colour


def picture(
    things: Sequence[Thing], size_px: tuple[int, int], *, azimuth_deg: float, elevation_deg: float, margin: float = 0.04
) -> Image.Image:
    """Return a picture of `things`, as large as fits.

    azimuth_deg : where the eye stands, from -y toward +x.
    elevation_deg : how far above the plane of the back; 90 looks straight at the screen.
    """
    eye = _axes(azimuth_deg, elevation_deg)
    corners = [np.asarray(thing.body.to_mesh().vert_properties)[:, :3] @ eye.T for thing in things]
    faces = [np.asarray(thing.body.to_mesh().tri_verts) for thing in things]
    everything = np.concatenate(corners)
    low, high = everything.min(axis=0), everything.max(axis=0)
    width, height = size_px[0] * _FINE, size_px[1] * _FINE
    scale = (1 - 2 * margin) * min(width / (high[0] - low[0]), height / (high[1] - low[1]))
    middle = (low + high) / 2
    depth = np.full((height, width), -np.inf)
    facing = np.zeros((height, width, 3))
    which = np.full((height, width), -1, np.int32)
    for number, (points, triangles) in enumerate(zip(corners, faces, strict=True)):
        flat = (points - middle) * [scale, -scale, 1.0] + [width / 2, height / 2, 0.0]
        a, b, c = (points[triangles[:, i]] for i in range(3))
        _fill(flat[triangles], np.cross(b - a, c - a), number, depth, facing, which)
    image = _shade(things, which, facing)
    image[_edges(which, facing, depth, 1 / scale)] *= _LINE
    pixels = image.reshape(size_px[1], _FINE, size_px[0], _FINE, 3).mean(axis=(1, 3))
    return Image.fromarray(np.clip(np.rint(pixels), 0, 255).astype(np.uint8))


def _axes(azimuth_deg: float, elevation_deg: float) -> NDArray[np.float64]:
    """Return right, up and toward the eye, as rows."""
    a, e = math.radians(azimuth_deg), math.radians(elevation_deg)
    toward = np.array([math.sin(a) * math.cos(e), -math.cos(a) * math.cos(e), math.sin(e)])
    right = np.array([math.cos(a), math.sin(a), 0.0])
    return np.array([right, np.cross(toward, right), toward])


def _fill(
    corners: NDArray[np.float64],
    normals: NDArray[np.float64],
    number: int,
    depth: NDArray[np.float64],
    facing: NDArray[np.float64],
    which: NDArray[np.int32],
) -> None:
    """Draw triangles [n x 3 corners x (column, row, depth)] with their normals (right, up, toward) into the buffers."""
    height, width = depth.shape
    across, down = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    area = across[:, 0] * down[:, 1] - across[:, 1] * down[:, 0]
    seen = (normals[:, 2] > 0) & (np.abs(area) > 1e-9)
    lows = np.clip(np.floor(corners[:, :, :2].min(axis=1)).astype(int), 0, [width - 1, height - 1])
    highs = np.clip(np.ceil(corners[:, :, :2].max(axis=1)).astype(int), 0, [width - 1, height - 1])
    for i in np.flatnonzero(seen):
        (x0, y0), (x1, y1) = lows[i], highs[i]
        x = np.arange(x0, x1 + 1) + 0.5 - corners[i, 0, 0]
        y = np.arange(y0, y1 + 1)[:, None] + 0.5 - corners[i, 0, 1]
        u = (x * down[i, 1] - y * down[i, 0]) / area[i]
        v = (y * across[i, 0] - x * across[i, 1]) / area[i]
        z = corners[i, 0, 2] + u * across[i, 2] + v * down[i, 2]
        window = (slice(y0, y1 + 1), slice(x0, x1 + 1))
        hit = (u >= 0) & (v >= 0) & (u + v <= 1) & (z > depth[window])
        if hit.any():
            depth[window][hit] = z[hit]
            which[window][hit] = number
            facing[window][hit] = normals[i]


def _shade(things: Sequence[Thing], which: NDArray[np.int32], facing: NDArray[np.float64]) -> NDArray[np.float64]:
    colours = np.array([thing.colour for thing in things] + [_PAPER], np.float64)
    normal = _unit(facing)
    # Two lamps that go with the eye: one over the left shoulder, a weak one from the right.
    key = np.clip(normal @ _lamp(-0.45, 0.75, 0.55), 0, 1)
    fill = np.clip(normal @ _lamp(0.5, -0.6, 0.6), 0, 1)
    light = 0.46 + 0.46 * key + 0.34 * fill
    light[which < 0] = 1.0
    return colours[which] * light[..., None]


def _lamp(right: float, up: float, toward: float) -> NDArray[np.float64]:
    lamp = np.array([right, up, toward])
    return lamp / np.linalg.norm(lamp)


def _unit(facing: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return normals of length 1 in the eye's axes (right, up, toward)."""
    length = np.linalg.norm(facing, axis=-1, keepdims=True)
    return facing / np.where(length > 0, length, 1)


def _edges(
    which: NDArray[np.int32], facing: NDArray[np.float64], depth: NDArray[np.float64], mm_per_px: float
) -> NDArray[np.bool_]:
    """Return where two bodies, two directions or two depths meet."""
    normal = _unit(facing)
    line = np.zeros(which.shape, np.bool_)
    solid_depth = np.where(np.isfinite(depth), depth, -1e3)
    for shift in ((0, 1), (1, 0)):
        here = (slice(shift[0], None), slice(shift[1], None))
        before = (slice(None, which.shape[0] - shift[0]), slice(None, which.shape[1] - shift[1]))
        bend = (normal[here] * normal[before]).sum(axis=-1) < math.cos(math.radians(24))
        jump = np.abs(solid_depth[here] - solid_depth[before]) > 0.25 + 2 * mm_per_px
        other = which[here] != which[before]
        found = (other | jump | bend) & ((which[here] >= 0) | (which[before] >= 0))
        line[here] |= found
        line[before] |= found
    return line
