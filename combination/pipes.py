"""Which pipes a stop draws, and which notes they go out as: the sums of Part II of semantics.md.

Only what follows from the console file is here; what sounds when is for the relay.
"""

from collections.abc import Iterator
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
    pipe = line - rank.first_key + 1 + offset(draw, rank)
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
    for line in lines:
        within = draw.first_key is None or line >= draw.first_key
        if not within or (draw.last_key is not None and line > draw.last_key):
            continue
        pipe = pipe_of(draw, rank, line)
        if pipe is not None:
            reach[pipe - line] = reach.get(pipe - line, 0) | 1 << line
    return reach


def own_note(rank: Rank, pipe: int) -> int:
    """The MIDI note of a pipe's own pitch; there may be none so low or high (II.3)."""
    return rank.first_key + semitones_above(rank.pitch, Fraction(8)) + pipe - 1


def first_note(rank: Rank, out: RankOut) -> int:
    """The MIDI note of an output's first pipe: as written, or by its own pitch (II.3)."""
    if out.first_note is not None:
        return out.first_note
    return own_note(rank, out.first_pipe)
