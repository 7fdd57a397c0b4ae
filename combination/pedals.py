"""What a pedal's reading comes to: how far it has travelled, on which stage it is, which value.

Crescendo pedals and expression shoes send 0-127 and have readings at heel and toe. The sums
are exact fractions; what the crescendo or the shades then do is not known here.
"""

from fractions import Fraction
from functools import cache

from combination.model import Crescendo, Shoe

TRAVEL = 127
"""The whole travel of a pedal, however little of 0-127 its readings use."""
SHADE_SLACK = 2
"""How far back a shoe must come before shades close by a stage: as for the crescendo (I.7)."""


def travel(reading: int, heel: int, toe: int) -> Fraction:
    """How far a pedal has gone: 0 at the heel or beyond, 127 at the toe or beyond."""
    gone = Fraction(TRAVEL * (reading - heel), toe - heel)
    return min(max(gone, Fraction(0)), Fraction(TRAVEL))


@cache
def stages(
    count: int, heel: int, toe: int, hysteresis: int
) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """For each reading of a pedal (0-127): the lowest and the highest stage it can be on.

    With n stages, going up, stage k begins at 128·k/(n + 1); going down it ends at that less
    the hysteresis, at most half a stage (semantics.md I.7). Readings are first stretched so
    that heel is 0 and toe 127; at or beyond them the pedal is closed or on the last stage.
    """
    slack = min(Fraction(hysteresis), Fraction(64, count + 1))
    begins = [Fraction(128 * k, count + 1) for k in range(1, count + 1)]
    rises, falls = [], []
    for reading in range(128):
        gone = travel(reading, heel, toe)
        if gone == TRAVEL:
            rises.append(count)
            falls.append(count)
        else:
            rises.append(sum(gone >= begin for begin in begins))
            falls.append(sum(gone >= begin or gone > begin - slack for begin in begins))
    return tuple(rises), tuple(falls)


def crescendo_stages(crescendo: Crescendo) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """The stages of a crescendo, as `stages` gives them."""
    return stages(len(crescendo.stages), crescendo.heel, crescendo.toe, crescendo.hysteresis)


def shade_stages(shoe: Shoe, count: int) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """The stages of a shade engine under a shoe, as `stages` gives them."""
    return stages(count, shoe.heel, shoe.toe, SHADE_SLACK)


def shade_value(shoe: Shoe, curve: tuple[int, ...], reading: int) -> int:
    """What a chamber's controller sends (0-127) for a reading of its shoe.

    The curve's values stand at equal steps from closed to open, with straight lines between;
    without one the whole range is straight. Halves are rounded up.
    """
    values = curve or (0, TRAVEL)
    step, rest = divmod(travel(reading, shoe.heel, shoe.toe) * (len(values) - 1), TRAVEL)
    here, after = values[step], values[min(step + 1, len(values) - 1)]
    return int(here + (after - here) * rest / TRAVEL + Fraction(1, 2))
