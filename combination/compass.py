"""How far everything on a console reaches: lines that can be played, notes and pipes asked for.

Only what follows from the console file is here, for whoever plans or checks one; it knows no key
that is down and no stop that is on. Lines and keys are bits of integers (`combination.bits`).
"""

from attrs import frozen

from combination.bits import moved, numbers_of, run
from combination.model import (
    HIGHEST_TRANSPOSED,
    Console,
    Coupler,
    Division,
    Draw,
    Percussion,
    Rank,
    Stop,
)
from combination.pipes import draws_of, reach_of


@frozen
class Need:
    """The pipes that the stops of a rank ask it for, by their numbers from 1.

    Where the rank is too short some are below 1, or beyond its last.
    """

    rank: Rank
    asked: frozenset[int]

    @property
    def short_below(self) -> int:
        """How many are below the first pipe that there is."""
        return sum(pipe < 1 for pipe in self.asked)

    @property
    def short_above(self) -> int:
        """How many are beyond the last."""
        return sum(pipe > self.rank.pipes for pipe in self.asked)

    @property
    def idle(self) -> list[int]:
        """The pipes that there are and no stop asks for, upwards."""
        return [pipe for pipe in range(1, self.rank.pipes + 1) if pipe not in self.asked]


def needs_of(console: Console) -> tuple[Need, ...]:
    """What is asked of each rank, over all lines of the divisions that draw it."""
    asked: dict[str, set[int]] = {rank.id: set() for rank in console.ranks}
    ranks = {rank.id: rank for rank in console.ranks}
    lines = {division.id: lines_of(console, division) for division in console.divisions}
    for control in console.controls:
        if isinstance(control, Stop | Percussion):
            for _, draw in draws_of(control):
                over = lines[control.division or ""]
                asked[draw.rank] |= asked_by(draw, ranks[draw.rank], over)
    return tuple(Need(rank, frozenset(asked[rank.id])) for rank in console.ranks)


def lines_of(console: Console, division: Division) -> range:
    """A division's lines, as MIDI note numbers."""
    lowest, count = console.lines_of(division)
    return range(lowest, lowest + count)


def drawn_over(draw: Draw, lines: range) -> range:
    """The lines that a draw is for: all of its division's, or those from and to a key."""
    return range(
        lines.start if draw.first_key is None else draw.first_key,
        lines.stop if draw.last_key is None else draw.last_key + 1,
    )


def asked_by(draw: Draw, rank: Rank, lines: range) -> set[int]:
    """The pipes that a draw asks its rank for.

    One that reaches the rank at all asks for a pipe for each of its lines, though there be none;
    one that repeats, only for pipes that there are.
    """
    reach = reach_of(draw, rank, lines)
    if draw.repeats:
        return {line + by for by, bits in reach.items() for line in numbers_of(bits)}
    return {line + by for by in reach for line in drawn_over(draw, lines)}


# ---------------------------------------------------------------- lines that can be played


def playable(console: Console, division: Division) -> int:
    """The lines of a division that its keyboard or a coupler can ever play."""
    lines = _played(console, division, division.keyboard, 0)
    for coupler in console.couplers:
        if coupler.plays == division.id:
            lines |= playable_by(console, coupler)
    return lines


def playable_by(console: Console, coupler: Coupler) -> int:
    """The lines that a coupler can ever play; a unison off plays none."""
    division = next((d for d in console.divisions if d.id == coupler.plays), None)
    return 0 if division is None else _played(console, division, coupler.keys, coupler.shift)


def _played(console: Console, division: Division, keyboard: str | None, shift: int) -> int:
    """Lines that a keyboard's keys play, wherever the transposer can stand."""
    keys = keys_of(console, keyboard)
    most = HIGHEST_TRANSPOSED if is_transposed(console) else 0
    lines = 0
    for by in range(shift - most, shift + most + 1):
        lines |= moved(run(keys.start, keys.stop - 1), by)
    compass = lines_of(console, division)
    return lines & run(compass.start, compass.stop - 1)


def keys_of(console: Console, keyboard: str | None) -> range:
    """A keyboard's keys, as MIDI note numbers; none for a division that floats."""
    found = next((k for k in console.keyboards if k.id == keyboard), None)
    return range(0) if found is None else range(found.lowest, found.lowest + found.keys)


def is_transposed(console: Console) -> bool:
    """Whether something can move the transposer away from 0."""
    transposer = console.transposer
    return any(way is not None for way in (transposer.up, transposer.down, transposer.switch))


def keys_without_lines(console: Console, coupler: Coupler) -> tuple[int, int]:
    """How many keys at the bottom and at the top of a coupler's keyboard play no line.

    The transposer is at 0. A unison off has no such keys.
    """
    division = next((d for d in console.divisions if d.id == coupler.plays), None)
    if division is None:
        return 0, 0
    keys, lines = keys_of(console, coupler.keys), lines_of(console, division)
    below = lines.start - (keys.start + coupler.shift)
    above = keys.stop + coupler.shift - lines.stop
    return min(max(below, 0), len(keys)), min(max(above, 0), len(keys))
