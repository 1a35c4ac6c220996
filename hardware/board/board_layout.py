"""Where everything lies on the front-end board: outline, slots, barriers, fastenings, parts, copper areas, marking.

Lengths in mm from the upper left corner, x to the right, y downward; angles in degrees, anticlockwise. The signal goes
from left to right: terminals, dividers, isolators, filters, converters, plug to the computer.
"""

from __future__ import annotations

from board_shapes import Ground, Layout, Place, Rect, Slot, Text, Track

# The right end takes a computer of the Zero form, face down on J4: 65 x 30, holes 58 x 23 apart, 3.5 from the edges,
# the plug's middle line 3.5 from the long edge (from memory; check against the maker's drawing).
WIDTH_MM = 91.5
HEIGHT_MM = 65.0
CORNER_RADIUS_MM = 2.0
HOLE_INSET_MM = 3.5
# The barrier between the islands and the low side runs down the board under both isolators.
BARRIER_X_MM = 49.0
BARRIER_WIDTH_MM = 8.1
# Middle between the two legs of each input, where the slot is.
SPEAKER_Y_MM = 20.5
LINE_Y_MM = 45.5
# The isolators' middle, so that their input pins 6 and 7 are level with the middle between the legs.
ISOLATOR_ABOVE_MM = 2.54


# The library's land pattern of the isolators leaves 7.25 mm between the two rows; ours, with shorter pads further out,
# 8.1 mm.
FOOTPRINTS_INSTEAD = {
    "U1": "flattop:SOIC-16W_7.5x10.3mm_P1.27mm_Gap8.1mm",
    "U2": "flattop:SOIC-16W_7.5x10.3mm_P1.27mm_Gap8.1mm",
}


def _legs(prefix: str, middle_y_mm: float, upper: str, lower: str) -> dict[str, Place]:
    """Series resistors of both legs, from the terminal to the divider's lower part, 4.9 mm apart."""
    last_x_mm, pitch_mm, half_gap_mm = BARRIER_X_MM - 21.1, 4.9, 3.0
    rows = ((upper.split(), -half_gap_mm), (lower.split(), half_gap_mm))
    return {
        f"R{prefix}{name}": Place(last_x_mm - pitch_mm * (len(row) - 1 - step), middle_y_mm + y_mm)
        for row, y_mm in rows
        for step, name in enumerate(row)
    }


def _around_isolator(channel: int, middle_y_mm: float) -> dict[str, Place]:
    """Everything from the divider's lower part to the isolator's output, the same for both channels.

    x is counted from the barrier, y from the middle between the legs.
    """
    near = {
        # divider's lower part and clamps, upright, from each leg to the ground between them
        "D{}01": (-17.7, -1.9, 270), "D{}02": (-17.7, 1.9, 90), "R{}09": (-15.6, -1.9, 270), "R{}10": (-15.6, 1.9, 270),
        # filter at the isolator's input
        "R{}11": (-12.7, -0.65, 0), "R{}12": (-12.7, 1.5, 0), "C{}01": (-6.9, 0.4, 270), "C{}02": (-10.3, -2.0, 90),
        "C{}03": (-6.9, 3.6, 270),
        # its isolated supply: the small capacitor of each pair next to the pins
        "C{}04": (-8.6, -6.35, 270), "C{}05": (-6.9, -6.35, 270), "C{}06": (-8.6, -2.7, 90), "C{}07": (-6.9, -2.7, 90),
        "FB{}01": (-10.3, -5.6, 270), "FB{}02": (-12.0, -5.6, 270),
        "U{}": (0, -ISOLATOR_ABOVE_MM, 0),
        # its low side
        "C{}08": (8.6, -6.35, 270), "C{}09": (6.9, -6.35, 270), "C{}10": (8.6, -2.7, 90), "C{}11": (6.9, -2.7, 90),
    }  # fmt: skip
    return {name.format(channel): Place(BARRIER_X_MM + x, middle_y_mm + y, turn) for name, (x, y, turn) in near.items()}


_TERMINALS = {
    "J1": (7.5, SPEAKER_Y_MM - 4.5, 0), "J2": (7.5, SPEAKER_Y_MM + 4.5, 0), "J3": (8.0, LINE_Y_MM - 3.5, 270),
    "C212": (BARRIER_X_MM - 8.6, LINE_Y_MM + 0.4, 270),
}  # fmt: skip
# First section of the bass converter's filter, beside each isolator's output.
_BASS_FILTER = {
    "R130": (61.5, 19.1, 0), "R131": (61.5, 21.2, 0), "C130": (65.2, 20.15, 270),
    "C131": (68.4, 19.0, 0), "C132": (68.4, 21.2, 0),
    "R230": (61.5, 43.8, 0), "R231": (61.5, 45.9, 0), "C230": (65.2, 44.85, 270),
    "C231": (68.4, 43.9, 0), "C232": (68.4, 46.1, 0),
}  # fmt: skip
# Second section at the converter's pins, and the converter, its digital pins towards the plug.
_BASS_CONVERTER = {
    "U4": (79.0, 49.0, 180), "C302": (78.7, 51.9, 0), "C301": (78.7, 53.6, 0), "R302": (82.6, 53.3, 0),
    "R132": (79.5, 45.6, 0), "R133": (79.5, 43.4, 0), "C133": (83.4, 48.4, 90), "C134": (83.0, 51.7, 0),
    "C135": (83.0, 45.7, 180),
    "R232": (71.8, 46.4, 0), "R233": (71.8, 50.2, 0), "C233": (74.6, 48.6, 270), "C234": (75.5, 45.9, 0),
    "C235": (75.5, 51.7, 0),
}  # fmt: skip
# Audio filter: both halves around one dual amplifier, the speaker's above it, the line's below.
_AUDIO_FILTER = {
    "U3": (70.0, 32.5, 270), "C303": (73.7, 34.4, 90),
    "R123": (62.3, 23.7, 0), "C122": (65.95, 23.7, 0), "R124": (64.3, 25.9, 180), "R125": (68.0, 25.9, 0),
    "C123": (68.0, 27.9, 180),
    "R120": (69.6, 23.7, 0), "C120": (73.3, 23.7, 0), "R122": (72.0, 25.9, 180), "R121": (75.6, 25.9, 0),
    "C121": (71.27, 27.9, 0), "R126": (78.95, 25.9, 0),
    "R223": (61.03, 41.3, 0), "C222": (64.68, 41.3, 0), "R224": (63.03, 39.1, 180), "R225": (66.73, 39.1, 0),
    "C223": (66.73, 37.1, 180),
    "R220": (68.33, 41.3, 0), "C220": (72.03, 41.3, 0), "R222": (70.73, 39.1, 180), "R221": (74.33, 39.1, 0),
    "C221": (70.0, 37.1, 0), "R226": (77.7, 39.1, 0),
    # half the supply
    "U6": (63.5, 32.5, 0), "C304": (64.0, 29.9, 180), "R303": (59.3, 30.6, 0), "R304": (59.3, 32.4, 180),
    "C305": (58.6, 34.6, 180),
}  # fmt: skip
# Audio converter: analogue pins to the left, clocks and data to the right, towards the plug.
_AUDIO_CONVERTER = {
    "U5": (79.0, 16.0, 90), "C124": (73.3, 14.6, 0), "C224": (73.3, 12.1, 0),
    "C308": (75.2, 18.2, 90), "C307": (73.0, 18.3, 90), "C310": (78.4, 21.6, 270), "C309": (76.3, 22.3, 270),
    "C312": (80.1, 21.6, 270), "C311": (82.3, 22.3, 270),
    "R306": (82.0, 10.4, 90), "R307": (83.2, 18.2, 90), "R308": (80.3, 10.4, 90),
    "Y1": (82.2, 28.9, 0), "R305": (82.6, 25.8, 180), "C313": (79.2, 28.6, 270), "FB301": (77.4, 28.7, 90),
    "R301": (60.6, 15.5, 0),
}  # fmt: skip
# From the plug's 5 V: load switch, boost to 5.6 V, 5.0 V and 3.3 V for the analogue parts.
_SUPPLIES = {
    "J4": (86.73, HEIGHT_MM / 2 + 24.13, 180),
    "U14": (81.6, 57.6, 180), "C416": (82.6, 60.4, 180), "C415": (77.8, 55.4, 180), "R419": (82.6, 54.95, 0),
    "C417": (77.6, 58.6, 90),
    "U15": (72.0, 57.5, 0), "L402": (67.4, 55.9, 0), "C418": (75.2, 55.9, 90), "C419": (75.2, 60.4, 270),
    "R420": (71.9, 60.4, 180), "R421": (71.9, 62.2, 0),
    "U7": (60.6, 53.8, 180), "C420": (63.9, 53.9, 90), "C421": (57.1, 53.8, 90),
    "U8": (59.0, 59.8, 0), "C422": (55.8, 58.8, 270), "C423": (60.7, 56.75, 0),
}  # fmt: skip
# Flat cables to the panel board, beside the computer's edge, and to the supply board.
_CABLES = {"J10": (69.6, 5.2, 90), "J12": (56.5, 2.2, 0)}


def places() -> dict[str, Place]:
    """Return the place of every part on the board by reference."""
    single = _TERMINALS | _BASS_FILTER | _BASS_CONVERTER | _AUDIO_FILTER | _AUDIO_CONVERTER | _SUPPLIES | _CABLES
    return {
        **{reference: Place(x_mm, y_mm, turn) for reference, (x_mm, y_mm, turn) in single.items()},
        **_legs("1", SPEAKER_Y_MM, "01 02 03 04", "05 06 07 08"),
        **_legs("2", LINE_Y_MM, "01 02", "03 04"),
        **_around_isolator(1, SPEAKER_Y_MM),
        **_around_isolator(2, LINE_Y_MM),
    }


def slots() -> list[Slot]:
    """Return the milled slots: between the legs of each input, and under each isolator."""
    found = []
    for middle_y_mm in (SPEAKER_Y_MM, LINE_Y_MM):
        isolator_y_mm = middle_y_mm - ISOLATOR_ABOVE_MM
        found += [
            Slot(4.0, middle_y_mm, BARRIER_X_MM - 19.6, middle_y_mm),
            Slot(BARRIER_X_MM, isolator_y_mm - 5.9, BARRIER_X_MM, isolator_y_mm + 5.9),
        ]
    return found


def holes() -> list[Place]:
    """Return the middles of the mounting holes; the four on the right also hold the computer."""
    return [
        Place(x_mm, y_mm)
        for x_mm in (HOLE_INSET_MM, WIDTH_MM - HOLE_INSET_MM - 23.0, WIDTH_MM - HOLE_INSET_MM)
        for y_mm in (HOLE_INSET_MM, HEIGHT_MM - HOLE_INSET_MM)
    ]


def barriers() -> list[tuple[str, Rect]]:
    """Return the areas without copper, with their names."""
    half_mm = BARRIER_WIDTH_MM / 2
    left_mm, right_mm = BARRIER_X_MM - half_mm, BARRIER_X_MM + half_mm
    return [
        ("barrier to the low side", Rect(left_mm, 0, right_mm, HEIGHT_MM)),
        ("barrier between the islands", Rect(0, 27.5, left_mm, 36.5)),
    ]


def grounds() -> list[Ground]:
    """Return the ground areas."""
    half_mm = BARRIER_WIDTH_MM / 2 + 0.7
    islands = (("HGND_S", SPEAKER_Y_MM), ("HGND_L", LINE_Y_MM))
    low_side = Rect(BARRIER_X_MM + half_mm, 0.5, WIDTH_MM - 0.5, HEIGHT_MM - 0.5)
    return [
        *(
            Ground(
                net,
                Rect(BARRIER_X_MM - 19.0, y_mm - 8.4, BARRIER_X_MM - half_mm, y_mm + 5.4),
                1.8,
                ((BARRIER_X_MM - 9.7, y_mm - 3.4),),
            )
            for net, y_mm in islands
        ),
        Ground("GND", low_side, 3.6, ((66.75, 42.6), (71.9, 57.5))),
    ]


def tracks() -> list[Track]:
    """Return the tracks of both inputs, where the layout decides on the insulation. The low side has none yet."""
    legs: tuple[tuple[str, list[str | tuple[float, float]]], ...] = (
        ("SPKP", ["J1", "R101"]), ("a1", ["R101", "R102"]), ("a2", ["R102", "R103"]), ("a3", ["R103", "R104"]),
        ("SPKN", ["J2", "R105"]), ("b1", ["R105", "R106"]), ("b2", ["R106", "R107"]), ("b3", ["R107", "R108"]),
        ("LINP", ["J3", (9.0, LINE_Y_MM - 3.0), "R201"]), ("c1", ["R201", "R202"]),
        ("LINN", ["J3", (9.0, LINE_Y_MM + 3.0), "R203"]), ("d1", ["R203", "R204"]),
    )  # fmt: skip
    found = [Track(net, along, 0.5) for net, along in legs]
    # pads that the poured ground does not reach
    found += [Track("GND", ["U15", (71.9, 57.5)]), Track("GND", ["C222", (66.75, 42.6)])]
    islands = ((1, "S", "R104", "R108", SPEAKER_Y_MM), (2, "L", "R202", "R204", LINE_Y_MM))
    for channel, name, last_upper, last_lower, middle_y_mm in islands:
        # points: x from the barrier, y from the middle between the legs
        near: tuple[tuple[str | tuple[float, float], ...], ...] = (
            ("DA", last_upper, "D{}01", "R{}09", (-14.2, -2.6), "R{}11"),
            ("DB", last_lower, "D{}02", "R{}10", (-14.2, 2.6), "R{}12"),
            ("INP", "R{}11", (-7.3, -0.65), "U{}"),
            ("INP", "C{}02", (-10.3, -0.65)),
            ("INN", "R{}12", (-6.9, 1.5), (-6.4, 1.0), "U{}"),
            ("INN", (-6.9, 1.5), "C{}03"),
            ("DCO", "U{}", (-5.2, -7.1), "C{}05", "C{}04", (-9.6, -7.1), "FB{}01"),
            ("DCG", "U{}", (-5.2, -5.6), "C{}05", "C{}04", (-9.0, -5.6), (-11.2, -5.6), "FB{}02"),
            ("HLI", "U{}", (-5.3, -4.525), (-10.0, -4.525), "FB{}01"),
            ("HLO", "U{}", "C{}07", "C{}06"),
            ("HGND", "C{}06", (-9.7, -3.4)),
        )
        for net, *along in near:
            points = [
                point.format(channel) if isinstance(point, str) else (BARRIER_X_MM + point[0], middle_y_mm + point[1])
                for point in along
            ]
            found.append(Track(f"{net}_{name}", points, 0.2))
    return found


def texts() -> list[Text]:
    """Return the cautions and names."""
    left_mm, barrier_mm = 23.0, BARRIER_X_MM
    return [
        Text("flattop  front end", left_mm, 4.0, 1.6),
        Text("SPEAKER  max. 180 V rms, 255 V peak", left_mm, 7.6, 1.2),
        Text("NOT FOR MAINS.  NO MEASUREMENT CATEGORY.", left_mm + 2, 30.4, 1.1),
        Text("NOT CERTIFIED.  HAZARDOUS VOLTAGE INSIDE.", left_mm + 2, 32.9, 1.1),
        Text("Not built, not tested: see README.", left_mm + 2, 35.4, 1.1),
        Text("LINE  max. 14 V rms, 20 V peak", left_mm, 55.2, 1.2),
        Text("Plastic fasteners only.  Keep slots clean.", left_mm, 58.2, 1.0),
        Text("+ red", 7.5, 13.0, 1.0),
        Text("- black", 7.5, 28.2 - 0.4, 1.0),
        Text("tip", 8.0, 38.8, 1.0),
        Text("shell", 8.0, 52.2, 1.0),
        Text("BARRIER  8 mm", barrier_mm, 30.5, 0.9, 90),
        Text("BARRIER  8 mm", barrier_mm, 57.0, 0.9, 90),
        Text("max. 180 V rms, 255 V peak.  NOT FOR MAINS.", left_mm, 31.0, 1.1, below=True),
        Text("NO MEASUREMENT CATEGORY.  NOT CERTIFIED.", left_mm, 33.5, 1.1, below=True),
    ]


FRONT_END = Layout(
    "flattop-front-end", "board_layout.py", WIDTH_MM, HEIGHT_MM, CORNER_RADIUS_MM, places(), holes(), grounds(),
    texts(), slots=slots(), barriers=barriers(), tracks=tracks(), footprints_instead=FOOTPRINTS_INSTEAD,
)  # fmt: skip
