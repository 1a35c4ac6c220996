"""Where everything lies on the supply board and on the small board of the charge port.

The supply board stands between cells and front end, its lower end toward the charge port. From there upward: 5 V in,
charger, cells with fuses and gauge, protector, 5 V converter, what switches it, flat cable, foot switch.
"""

from __future__ import annotations

from board_shapes import Ground, Layout, Place, Rect, Text, Track

# The room between cell holder and front end, and the distance of the holes from the edges; enclosure/flattop.scad.
WIDTH_MM, HEIGHT_MM = 20.0, 70.0
HOLE_INSET_MM = 3.2
# The charge port's board stands on edge behind the wall; its lower edge here is the one in the wall.
CHARGE_WIDTH_MM, CHARGE_HEIGHT_MM = 20.0, 14.0
# The receptacle's face stands out this far over that edge: its face is 3.45 mm from its footprint's origin.
RECEPTACLE_FACE_MM, RECEPTACLE_OVERHANG_MM = 3.45, 1.3

_CHARGER = {
    "J8": (9.5, 66.0, 90), "D401": (16.9, 61.35, 90), "C403": (4.6, 61.25, 90),
    "U11": (10.0, 55.5, 180), "R408": (7.9, 59.3, 0), "R407": (11.0, 59.3, 0), "R406": (14.1, 59.3, 0),
    "R405": (6.75, 56.9, 90), "C404": (4.6, 54.5, 90), "C405": (13.6, 55.0, 90),
    "D402": (17.4, 55.2, 90), "R409": (17.4, 51.8, 90),
}  # fmt: skip
# Two cells side by side, each with its fuse, and the gauge behind the fuses.
_CELLS = {
    "J9": (3.7, 47.0, 90), "F1": (12.0, 47.5, 0), "F2": (12.0, 43.6, 0),
    "U9": (17.5, 43.2, 0), "C402": (17.4, 47.0, 90),
}  # fmt: skip
_PROTECTOR = {
    "Q1": (10.5, 38.4, 0), "Q2": (15.2, 38.4, 180), "U10": (10.0, 34.6, 0), "R401": (13.1, 35.4, 0),
    "C401": (13.1, 33.6, 0), "R402": (16.6, 35.4, 0),
}  # fmt: skip
# Choke and output capacitors close to the converter's pins.
_CONVERTER = {
    "L401": (5.0, 26.3, 0), "U13": (12.0, 26.3, 0), "C413": (11.2, 30.6, 0), "C414": (16.2, 30.6, 0),
    "C412": (16.9, 25.9, 90), "R417": (10.95, 23.0, 0), "R418": (14.05, 23.0, 0), "C411": (17.2, 22.2, 0),
}  # fmt: skip
_SWITCHING = {
    "U12": (4.0, 14.2, 0), "R410": (8.2, 12.7, 0), "R411": (8.2, 14.8, 0), "C406": (11.5, 14.9, 90),
    "R412": (8.1, 16.7, 0), "Q3": (3.7, 18.2, 0), "R413": (8.1, 18.4, 0), "R414": (11.55, 12.3, 0),
    "R415": (8.1, 20.1, 0), "R416": (11.4, 18.6, 0), "R518": (11.4, 20.3, 0),
}  # fmt: skip
_LEADS = {
    "J13": (14.7, 10.5, 0), "J6": (9.4, 6.4, 90),
    "D501": (4.3, 7.6, 0), "R508": (4.4, 9.6, 0), "C501": (8.0, 10.5, 0), "R509": (11.25, 10.5, 0),
}  # fmt: skip
_CHARGE = {
    "J7": (CHARGE_WIDTH_MM / 2, CHARGE_HEIGHT_MM + RECEPTACLE_OVERHANG_MM - RECEPTACLE_FACE_MM, 0),
    "R403": (2.9, 11.2, 90), "R404": (17.1, 11.2, 90), "F3": (14.0, 4.2, 0), "J16": (3.6, 4.2, 0),
}  # fmt: skip
# The supply wide, and round the far end of the fuse; the other two under the receptacle, between its pins.
_CHARGE_TRACKS = [
    Track("VIN5", ["F3", (16.14, 1.3), (3.6, 1.3), "J16"], 1.2),
    *(
        Track(net, [(x_mm, 8.77), (x_mm, 10.37), part])
        for net, x_mm, part in (("CC1", 9.5, "R403"), ("CC2", 10.5, "R404"))
    ),
    Track("VBUS", [(11.52, 8.77), (11.52, 6.9), "F3"], 0.7),
    Track("VBUS", [(8.48, 8.77), (8.48, 6.9), (11.52, 6.9)], 0.7),
]


def _places(*groups: dict[str, tuple[float, float, float]]) -> dict[str, Place]:
    return {reference: Place(*place) for group in groups for reference, place in group.items()}


def _poured(width_mm: float, height_mm: float) -> list[Ground]:
    """Return the ground over a whole board."""
    return [Ground("GND", Rect(0.5, 0.5, width_mm - 0.5, height_mm - 0.5), 2.4)]


SUPPLY = Layout(
    "flattop-supply",
    "supply_layout.py",
    WIDTH_MM,
    HEIGHT_MM,
    1.0,
    _places(_CHARGER, _CELLS, _PROTECTOR, _CONVERTER, _SWITCHING, _LEADS),
    [
        Place(x, y)
        for x in (HOLE_INSET_MM, WIDTH_MM - HOLE_INSET_MM)
        for y in (HOLE_INSET_MM, HEIGHT_MM - HOLE_INSET_MM)
    ],
    _poured(WIDTH_MM, HEIGHT_MM),
    [
        Text("flattop  supply", 5.0, 24.0, 1.2, 90, below=True),
        Text("LITHIUM CELLS: protected, alike, never damaged.", 8.2, 41.0, 1.0, 90, below=True),
        Text("J8: charge port OR 5 V bank, never both.", 11.6, 48.5, 1.0, 90, below=True),
        Text("No cable while clipped on.  Not built, not tested.", 14.0, 47.5, 0.9, 90, below=True),
    ],
)

CHARGE = Layout(
    "flattop-charge",
    "supply_layout.py",
    CHARGE_WIDTH_MM,
    CHARGE_HEIGHT_MM,
    0.5,
    _places(_CHARGE),
    [],
    _poured(CHARGE_WIDTH_MM, CHARGE_HEIGHT_MM),
    [
        Text("flattop  charge port", 10.0, 6.9, 1.0, below=True),
        Text("Never while clipped on.", 10.0, 10.75, 0.9, below=True),
        Text("+", 1.3, 4.2, 1.0),
        Text("-", 6.4, 4.2, 1.0),
    ],
    tracks=_CHARGE_TRACKS,
)
