"""Where everything lies on the panel board under the lid: buttons, clock chip, what drives display, lamp and sounder.

Seen from the lid; the upper edge lies toward the display. Caps of 19 mm with a wider flange come down over the buttons,
so that what is taller than 7 mm stays outside of them: the leads' plugs are at the upper edge.
"""

from __future__ import annotations

from board_shapes import Ground, Layout, Place, Rect, Text

# Outline, middle of the buttons' row, pitch of the three, and the holes; enclosure/flattop.scad.
WIDTH_MM, HEIGHT_MM = 78.0, 31.0
BUTTON_X_MM, BUTTON_Y_MM, PITCH_MM = 39.0, 20.5, 32.0
# From the footprint's origin, its first pin, to the plunger.
_PLUNGER_MM = (3.25, 2.25)

_BUTTONS = {"S1": -1.0, "S4": -0.5, "S2": 0.0, "S5": 0.5, "S3": 1.0}
_PLACES = {
    "R505": (15.0, 20.5, 90), "R506": (31.5, 20.5, 90), "R507": (76.9, 20.5, 90),
    # leads to the display and to the front end
    "J5": (28.2, 7.6, 180), "J11": (41.2, 4.4, 90),
    # backlight
    "Q4": (31.0, 13.6, 0), "R503": (26.0, 13.2, 0), "Q5": (36.0, 11.0, 0), "R502": (36.0, 13.8, 0),
    # clock chip, its cell on the right
    "U16": (51.0, 10.4, 0), "C502": (51.0, 14.6, 0), "BT3": (67.2, 8.2, 0),
    # lamp
    "Q6": (62.9, 17.6, 0), "Q7": (62.9, 21.2, 0), "Q8": (62.9, 24.8, 0),
    "R510": (67.0, 25.4, 0), "R511": (70.6, 25.4, 0), "R512": (74.2, 25.4, 0), "D502": (63.5, 29.2, 0),
    # sounder
    "LS1": (2.2, 29.0, 0), "R516": (9.8, 29.0, 0), "D503": (15.2, 29.0, 0), "Q9": (15.1, 26.0, 0),
}  # fmt: skip


def places() -> dict[str, Place]:
    """Return the place of every part by reference."""
    right_mm, down_mm = _PLUNGER_MM
    buttons = {
        reference: Place(BUTTON_X_MM + steps * PITCH_MM - right_mm, BUTTON_Y_MM - down_mm)
        for reference, steps in _BUTTONS.items()
    }
    return buttons | {reference: Place(*place) for reference, place in _PLACES.items()}


def holes() -> list[Place]:
    """Return the middles of the holes, which take M3 from below into the lid."""
    return [Place(23.0, 28.0), Place(55.0, 28.0), Place(4.5, 4.0), Place(36.0, 4.0)]


PANEL = Layout(
    "flattop-panel",
    "panel_layout.py",
    WIDTH_MM,
    HEIGHT_MM,
    1.0,
    places(),
    holes(),
    [Ground("GND", Rect(0.5, 0.5, WIDTH_MM - 0.5, HEIGHT_MM - 0.5), 3.6)],
    [
        Text("flattop  panel", 39.0, 9.0, 1.6, below=True),
        Text("Coin cell: keep from children.  Not built, not tested.", 39.0, 12.5, 1.0, below=True),
        Text("A", 7.0, 15.6, 1.2),
        Text("B", 39.0, 15.6, 1.2),
        Text("C", 73.0, 15.9, 1.0),
        Text("ON", 23.0, 15.6, 1.0),
        Text("OFF", 55.6, 15.8, 1.0),
        *(Text(letter, 63.5 + 3.6 * pin, 27.2, 0.8) for pin, letter in enumerate("R+GB")),
        *(Text(sign, 2.2 + 3.6 * pin, 27.1, 0.8) for pin, sign in enumerate("+-")),
    ],
    hole_footprint="MountingHole:MountingHole_3.2mm_M3",
)
