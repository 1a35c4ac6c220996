"""What a layout is made of: places of parts, holes, slots, areas, tracks and markings.

Lengths in mm from the upper left corner of the board, x to the right, y downward; angles in degrees, anticlockwise.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

VIA_MM, VIA_DRILL_MM = 0.6, 0.3


@dataclass(frozen=True)
class Place:
    """A footprint's origin and its turn. Parts with two ends may be turned round; see `place.turn_ends`."""

    x_mm: float
    y_mm: float
    turn_deg: float = 0.0


@dataclass(frozen=True)
class Slot:
    """A milled slot with round ends, from one end's centre to the other's."""

    x1_mm: float
    y1_mm: float
    x2_mm: float
    y2_mm: float
    width_mm: float = 1.5


@dataclass(frozen=True)
class Rect:
    """A rectangle between two corners."""

    left_mm: float
    top_mm: float
    right_mm: float
    bottom_mm: float


@dataclass(frozen=True)
class Ground:
    """A copper area of one net, on both layers, joined by vias on a grid wherever there is room, and at some points."""

    net: str
    rect: Rect
    via_pitch_mm: float
    vias: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class Track:
    """A track on the upper side, along points and along the pads its net has on the named parts."""

    net: str
    along: Sequence[str | tuple[float, float]]
    width_mm: float = 0.25


@dataclass(frozen=True)
class Text:
    """A marking by its middle, on the upper side or, to be read from there, on the lower."""

    text: str
    x_mm: float
    y_mm: float
    height_mm: float = 1.0
    turn_deg: float = 0.0
    below: bool = False


@dataclass(frozen=True)
class Layout:
    """One board of the meter. `name` is that of its files, `module` where its places are written down."""

    name: str
    module: str
    width_mm: float
    height_mm: float
    corner_radius_mm: float
    places: Mapping[str, Place]
    holes: Sequence[Place]
    grounds: Sequence[Ground]
    texts: Sequence[Text]
    hole_footprint: str = "MountingHole:MountingHole_2.7mm_M2.5"
    slots: Sequence[Slot] = ()
    barriers: Sequence[tuple[str, Rect]] = ()
    tracks: Sequence[Track] = ()
    footprints_instead: Mapping[str, str] = field(default_factory=dict)
