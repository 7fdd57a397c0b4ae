"""Rectangles laid out on sheets of stock, in rows, without turning them.

The highest go first, and each goes into the first row that still has room for it; what is all of
one size makes a plain grid. What the rectangles are is not known here.
"""

from collections.abc import Sequence

from attrs import define, frozen

_ROUNDING = 1e-6
"""Millimetres that sums of decimal fractions may be off by."""


@frozen
class Spot:
    """Where a rectangle lies: its sheet, from 0, and its left upper corner."""

    sheet: int
    x: float
    y: float


@define
class _Row:
    sheet: int
    y: float
    height: float
    x: float = 0.0


def fits(size: tuple[float, float], sheet: tuple[float, float]) -> bool:
    """Whether something of this width and height goes on a sheet."""
    return size[0] <= sheet[0] + _ROUNDING and size[1] <= sheet[1] + _ROUNDING


def nest(
    sizes: Sequence[tuple[float, float]], sheet: tuple[float, float], gap: float
) -> tuple[Spot, ...]:
    """Lay rectangles, each of a width and height that `fits`, on as few sheets as rows allow.

    Between any two there is a gap; none is needed at the edges of a sheet.
    """
    spots: dict[int, Spot] = {}
    rows: list[_Row] = []
    below: list[float] = []  # by sheet, where its next row may begin
    for piece in sorted(range(len(sizes)), key=lambda each: (-sizes[each][1], -sizes[each][0])):
        width, height = sizes[piece]
        row = next((r for r in rows if fits((r.x + width, height), (sheet[0], r.height))), None)
        if row is None:
            on = next((n for n, y in enumerate(below) if fits((0, y + height), sheet)), len(below))
            if on == len(below):
                below.append(0.0)
            row = _Row(on, below[on], height)
            rows.append(row)
            below[on] += height + gap
        spots[piece] = Spot(row.sheet, row.x, row.y)
        row.x += width + gap
    return tuple(spots[piece] for piece in range(len(sizes)))
