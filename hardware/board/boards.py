"""The boards of the meter, the cables between them, and what of its parts is on none."""

from __future__ import annotations

from collections.abc import Iterable

from board_layout import FRONT_END
from panel_layout import PANEL
from supply_layout import CHARGE, SUPPLY

BOARDS = (FRONT_END, SUPPLY, PANEL, CHARGE)

# Both ends of each cable; they have the same net on the same pin.
CABLES = (("J10", "J11"), ("J12", "J13"), ("J16", "J8"))

# Parts of the list of parts without pads on any board: where they are, and why there.
OFF_BOARD = {
    "BT1": "in the cell holder on the left of the case, on J9: too large for a board, and changed by hand",
    "BT2": "beside BT1, likewise",
    "RT1": "against the cells, on J9: it has to be as warm as they are",
}
# Parts that have pads on a board and sit elsewhere, each on a lead of its own: where, and why there.
ON_LEADS = {
    "J1": "front end, wire pad: the socket is in the wall of the case, behind the shutter",
    "J2": "front end, wire pad: the socket is in the wall of the case, behind the shutter",
    "J3": "front end, wire pads: the socket is in the wall of the case, behind the shutter",
    "J6": "supply board, plug: the jack is in the left wall of the case, away from the inputs",
    "D502": "panel board, wire pads: the lamp is in the upper right corner of the lid, where it is seen from afar",
    "LS1": "panel board, wire pads: the sounder is in the lid, under holes of its own",
}


def homeless(references: Iterable[str]) -> list[str]:
    """Return the parts that have a place on no board, or on more than one, or beside one that is off all boards."""
    return sorted(
        reference
        for reference in references
        if sum(reference in layout.places for layout in BOARDS) + (reference in OFF_BOARD) != 1
    )
