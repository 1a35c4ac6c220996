"""Marking on the board: cautions and names as given, and each part's reference where there is room for it."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pcbnew
from board_shapes import Layout, Text

HEIGHT_MM = 0.8
PEN_MM = 0.12
_GAP_MM = 0.12


def put_labels(board: pcbnew.BOARD, layout: Layout, at: Callable[[float, float], pcbnew.VECTOR2I]) -> list[str]:
    """Draw the cautions, move every reference to a free place, and return the references that found none.

    Those stay on the drawing for assembly (layer F.Fab) only. Large parts choose first.
    """
    for text in layout.texts:
        _add_text(board, text, at)
    taken = list(_taken(board, layout, at))
    inside = _box(at(0.6, 0.6), at(layout.width_mm - 0.6, layout.height_mm - 0.6))
    without = []
    for item in sorted(board.GetFootprints(), key=lambda item: (-item.GetPadCount(), item.GetReference())):
        reference = item.Reference()
        reference.SetTextSize(pcbnew.VECTOR2I_MM(HEIGHT_MM, HEIGHT_MM))
        reference.SetTextThickness(pcbnew.FromMM(PEN_MM))
        reference.SetKeepUpright(False)
        if item.GetReference().startswith("H") or not _settle(item, reference, taken, inside):
            reference.SetLayer(pcbnew.F_Fab)
            reference.SetPosition(item.GetPosition())
            without.append(item.GetReference())
    return without


def _settle(item: pcbnew.FOOTPRINT, text: pcbnew.PCB_TEXT, taken: list[pcbnew.BOX2I], inside: pcbnew.BOX2I) -> bool:
    for turn_deg, place in _candidates(item, text):
        text.SetTextAngleDegrees(turn_deg)
        text.SetPosition(place)
        box = text.GetBoundingBox()
        grown = _box(box.GetPosition(), box.GetEnd())
        grown.Inflate(pcbnew.FromMM(0.02))
        if inside.Contains(grown) and not any(grown.Intersects(other) for other in taken):
            taken.append(grown)
            return True
    return False


def _candidates(item: pcbnew.FOOTPRINT, text: pcbnew.PCB_TEXT) -> Iterator[tuple[float, pcbnew.VECTOR2I]]:
    """Yield angles and places: in a large part's middle, then above, below and beside it, shifted a little."""
    court = item.GetCourtyard(pcbnew.F_CrtYd).BBox()
    text.SetTextAngleDegrees(0)
    size = text.GetBoundingBox()
    long, high, gap = size.GetWidth() // 2, size.GetHeight() // 2, pcbnew.FromMM(_GAP_MM)
    middle, half_x, half_y = court.GetCenter(), court.GetWidth() // 2, court.GetHeight() // 2
    if item.GetPadCount() > 4:
        yield 0, middle
    for shift in (0.0, 0.5, -0.5, 1.0, -1.0):
        x, y = int(shift * half_x), int(shift * half_y)
        for down in (-1, 1):
            yield 0, pcbnew.VECTOR2I(middle.x + x, middle.y + down * (half_y + high - gap))
        for right in (-1, 1):
            yield 90, pcbnew.VECTOR2I(middle.x + right * (half_x + high - gap), middle.y + y)
            yield 0, pcbnew.VECTOR2I(middle.x + right * (half_x + long), middle.y + y)


def _taken(
    board: pcbnew.BOARD, layout: Layout, at: Callable[[float, float], pcbnew.VECTOR2I]
) -> Iterator[pcbnew.BOX2I]:
    """Yield the boxes of everything a reference must not touch."""
    for item in board.GetFootprints():
        for pad in item.Pads():
            box = pad.GetBoundingBox()
            box.Inflate(pcbnew.FromMM(0.06))
            yield box
        for shape in item.GraphicalItems():
            if shape.GetLayer() == pcbnew.F_SilkS:
                yield shape.GetBoundingBox()
    for shape in board.GetDrawings():
        if shape.GetLayer() == pcbnew.F_SilkS:
            yield shape.GetBoundingBox()
    for slot in layout.slots:
        reach_mm = slot.width_mm / 2 + 0.15
        yield _box(
            at(min(slot.x1_mm, slot.x2_mm) - reach_mm, min(slot.y1_mm, slot.y2_mm) - reach_mm),
            at(max(slot.x1_mm, slot.x2_mm) + reach_mm, max(slot.y1_mm, slot.y2_mm) + reach_mm),
        )


def _box(corner: pcbnew.VECTOR2I, opposite: pcbnew.VECTOR2I) -> pcbnew.BOX2I:
    return pcbnew.BOX2I(corner, pcbnew.VECTOR2L(opposite.x - corner.x, opposite.y - corner.y))


def _add_text(board: pcbnew.BOARD, text: Text, at: Callable[[float, float], pcbnew.VECTOR2I]) -> None:
    item = pcbnew.PCB_TEXT(board)
    item.SetText(text.text)
    item.SetLayer(pcbnew.B_SilkS if text.below else pcbnew.F_SilkS)
    item.SetMirrored(text.below)
    item.SetPosition(at(text.x_mm, text.y_mm))
    item.SetTextSize(pcbnew.VECTOR2I_MM(text.height_mm, text.height_mm))
    item.SetTextThickness(pcbnew.FromMM(max(PEN_MM, 0.15 * text.height_mm)))
    item.SetTextAngleDegrees(text.turn_deg)
    board.Add(item)
