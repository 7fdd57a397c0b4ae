"""Which pipes a stop draws, and which notes they go out as: the sums of Part II of semantics.md.

Only what follows from the console file is here; what sounds when is for the relay.
"""

from collections.abc import Iterator, Mapping
from fractions import Fraction

from combination.model import Draw, Percussion, Rank, RankOut, Stop
from combination.pitch import semitones_above

OCTAVE = 12
"""Semitones."""


def draws_of(control: Stop | Percussion) -> Iterator[tuple[str, Draw]]:
    """What a stop draws, each with the key of the file that says so; pitches filled in."""
    if isinstance(control, Percussion):
        keys = control.first_key, control.last_key
        yield "rank", Draw(control.rank, control.pitch, *keys, control.repeats)
        return
    if control.rank is not None:
        yield "rank", Draw(control.rank, control.pitch, repeats=control.repeats)
    for number, draw in enumerate(control.draws, 1):
        yield f"draws {number}", draw


def offset(draw: Draw, rank: Rank) -> int:
    """How many pipes a draw lies above its rank's own pitch (semantics.md II.2)."""
    if draw.by_key or draw.pitch is None:
        return 0
    return semitones_above(draw.pitch, rank.pitch)


def pipe_of(draw: Draw, rank: Rank, line: int) -> int | None:
    """The pipe that a line plays, from 1; None where the rank has none (semantics.md II.2).

    A draw that repeats goes by octaves to the nearest pipe there is.
    """
    return _there(draw, rank, line + _shift(draw, rank))


def _shift(draw: Draw, rank: Rank) -> int:
    """How far the number of a pipe is above that of its line, wherever the rank has it."""
    return 1 - rank.first_key + offset(draw, rank)


def _there(draw: Draw, rank: Rank, pipe: int) -> int | None:
    """The pipe that stands for one with this number, which the rank may not have."""
    if draw.repeats and pipe < 1:
        while pipe < 1:
            pipe += OCTAVE
    elif draw.repeats:
        while pipe > rank.pipes:
            pipe -= OCTAVE
    return pipe if 1 <= pipe <= rank.pipes else None


def reach_of(draw: Draw, rank: Rank, lines: range) -> dict[int, int]:
    """Which of a division's lines play the rank, by how much a line is below its pipe.

    Each value has the bits of the lines that are moved by its key.
    """
    reach: dict[int, int] = {}
    shift = _shift(draw, rank)
    for line in lines:
        within = draw.first_key is None or line >= draw.first_key
        if not within or (draw.last_key is not None and line > draw.last_key):
            continue
        pipe = _there(draw, rank, line + shift)
        if pipe is not None:
            reach[pipe - line] = reach.get(pipe - line, 0) | 1 << line
    return reach


def reached_by(
    control: Stop | Percussion, ranks: Mapping[str, Rank], lines: range
) -> dict[tuple[str, int], int]:
    """The pipes that a control reaches over all lines of its division.

    By rank, and by how far the number of a pipe is above that of its line, it has the bits of
    those lines. It is the same for two controls that reach the same, however they are written.
    """
    found: dict[tuple[str, int], int] = {}
    for _, draw in draws_of(control):
        for by, bits in reach_of(draw, ranks[draw.rank], lines).items():
            found[draw.rank, by] = found.get((draw.rank, by), 0) | bits
    return found


def own_note(rank: Rank, pipe: int) -> int:
    """The MIDI note of a pipe's own pitch; there may be none so low or high (II.3)."""
    return rank.first_key + semitones_above(rank.pitch, Fraction(8)) + pipe - 1


def first_note(rank: Rank, out: RankOut) -> int:
    """The MIDI note of an output's first pipe: as written, or by its own pitch (II.3)."""
    if out.first_note is not None:
        return out.first_note
    return own_note(rank, out.first_pipe)
