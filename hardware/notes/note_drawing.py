"""The drawing of the insulation gaps, as SVG: where each one is, what is required of it and what is designed."""

from __future__ import annotations

from xml.sax.saxutils import escape

from note_safety import Gap, gaps

_INK, _LIVE, _LOW, _BOARD, _SLOT = "#1a1a1a", "#f6c7b3", "#c9dcef", "#eef1e6", "#ffffff"


def _box(x: float, y: float, wide: float, high: float, fill: str, *, dashed: bool = False) -> str:
    dash = ' stroke-dasharray="5 4"' if dashed else ""
    return (
        f'<rect x="{x:g}" y="{y:g}" width="{wide:g}" height="{high:g}" rx="4" fill="{fill}" stroke="{_INK}"'
        f' stroke-width="1.5"{dash}/>'
    )


def _text(x: float, y: float, text: str, *, size: int = 15, anchor: str = "middle", bold: bool = False) -> str:
    weight = ' font-weight="bold"' if bold else ""
    place = f'x="{x:g}" y="{y:g}" font-size="{size}" text-anchor="{anchor}"'
    return f'<text {place}{weight} fill="{_INK}">{escape(text)}</text>'


def _arrow(x1: float, y1: float, x2: float, y2: float, id: str, at: tuple[float, float]) -> str:
    line = (
        f'<line x1="{x1:g}" y1="{y1:g}" x2="{x2:g}" y2="{y2:g}" stroke="{_INK}" stroke-width="2"'
        ' marker-start="url(#tip)" marker-end="url(#tip)"/>'
    )
    x, y = at
    badge = f'<circle cx="{x:g}" cy="{y:g}" r="12" fill="{_INK}"/>'
    return line + badge + f'<text x="{x:g}" y="{y + 5:g}" font-size="15" text-anchor="middle" fill="#fff">{id}</text>'


def _row(y: float, gap: Gap) -> str:
    cells = (
        (30, f"{gap.id}", "start", True),
        (60, gap.between, "start", False),
        (560, gap.insulation, "start", False),
        (740, f"{gap.creepage_mm:.2f} mm", "end", False),
        (860, f"{gap.clearance_mm:.1f} mm", "end", False),
        (980, f"{gap.designed_mm:g} mm" + (" + slot" if "slot" in gap.how else ""), "end", True),
    )
    return "".join(_text(x, y, text, anchor=anchor, bold=bold) for x, text, anchor, bold in cells)


def _island(y: float, name: str, sockets: tuple[tuple[str, float], ...], isolator: str) -> str:
    parts = [_box(250, y, 330, 150, _LIVE), _text(380, y + 62, name, bold=True)]
    for number, (socket, at) in enumerate(sockets):
        parts += [
            f'<circle cx="120" cy="{at:g}" r="19" fill="{_LIVE}" stroke="{_INK}" stroke-width="1.5"/>',
            _text(120, at + 5, socket, size=13),
            f'<line x1="139" y1="{at:g}" x2="270" y2="{y + 30 + 90 * number:g}" stroke="{_INK}"/>',
            _box(270, y + 20 + 90 * number, 250, 20, "#fff"),
            _text(395, y + 35 + 90 * number, "leg: resistors in series", size=12),
        ]
    parts += [
        _box(270, y + 72, 210, 8, _SLOT),
        _text(380, y + 97, "slot, 1 mm wide or more", size=12),
        _box(560, y + 50, 130, 50, "#fff"),
        _text(625, y + 80, isolator),
    ]
    return "".join(parts)


def drawing() -> str:
    """Return the drawing as SVG text. It is no layout and not to scale."""
    held = {gap.id: gap for gap in gaps()}
    top = 30
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 1010 {580 + 26 * len(held)}" font-family="sans-serif">',
        "<title>Insulation gaps, required and designed; not to scale</title>",
        '<defs><marker id="tip" viewBox="0 0 10 10" refX="9" refY="5" markerWidth="7" markerHeight="7"'
        f' orient="auto-start-reverse"><path d="M0 0L10 5L0 10z" fill="{_INK}"/></marker></defs>',
        f'<rect width="1010" height="{580 + 26 * len(held)}" fill="#fff"/>',
        _text(505, top, "Insulation gaps (a scheme, not to scale)", size=18, bold=True),
        _box(215, 60, 730, 450, _BOARD),
        _text(930, 500, "board", anchor="end", size=13),
        _box(670, 80, 250, 360, _LOW),
        _text(795, 250, "low side", bold=True),
        _text(795, 272, "converters, computer,", size=13),
        _text(795, 290, "battery, screen, jack", size=13),
        _island(80, "speaker island", (("J1 +", 105), ("J2 \u2212", 205)), "U1"),
        _island(290, "line island", (("J3", 340),), "U2"),
        _box(270, 400, 250, 20, "#fff"),
        _text(395, 415, "leg: resistors in series", size=12),
        f'<line x1="139" y1="345" x2="270" y2="410" stroke="{_INK}"/>',
        f'<circle cx="400" cy="487" r="12" fill="#bbb" stroke="{_INK}"/>',
        _text(425, 492, "screw, magnet, strap ring", size=13, anchor="start"),
        _arrow(582, 105, 668, 105, "A", (625, 105)),
        _arrow(582, 415, 668, 415, "B", (625, 415)),
        _arrow(480, 232, 480, 288, "C", (480, 260)),
        _arrow(500, 122, 500, 188, "D", (540, 140)),
        _arrow(500, 332, 500, 398, "E", (540, 390)),
        _arrow(400, 442, 400, 473, "F", (365, 460)),
        _arrow(120, 126, 120, 184, "G", (85, 155)),
        _arrow(120, 226, 120, 319, "H", (85, 272)),
        _arrow(582, 180, 668, 180, "I", (625, 205)),
    ]
    y = 545.0
    heads = ((30, "Between", "start"), (560, "Kind", "start"), (740, "Creepage", "end"), (860, "Clearance", "end"))
    parts += [_text(x, y, text, anchor=anchor, bold=True) for x, text, anchor in heads]
    parts += [_text(980, y, "Designed", anchor="end", bold=True)]
    parts += [_row(y + 28 + 26 * number, gap) for number, gap in enumerate(held.values())]
    return "\n".join([*parts, "</svg>", ""])
