"""Which pipes a stop draws, and which notes they go out as: the sums of Part II of semantics.md.

Only what follows from the console file is here; what sounds when is for the relay.
"""

from collections.abc import Iterator
from fractions import Fraction

from combination.model import Draw, Percussion, Rank, RankOut, Stop
from combination.pitch import semitones_above


def draws_of(control: Stop | Percussion) -> Iterator[tuple[str, Draw]]:
    """What a stop draws, each with the key of the file that says so; pitches filled in."""
    if control.rank is not None:
        yield "rank", Draw(control.rank, control.pitch, repeats=control.repeats)
    if isinstance(control, Stop):
        for number, draw in enumerate(control.draws, 1):
            yield f"draws {number}", draw


def offset(draw: Draw, rank: Rank) -> int:
    """How many pipes a draw lies above its rank's own pitch (semantics.md II.2)."""
    if draw.by_key or draw.pitch is None:
        return 0
    return semitones_above(draw.pitch, rank.pitch)


def first_note(rank: Rank, out: RankOut) -> int:
    """The MIDI note of an output's first pipe: as written, or by its own pitch (II.3)."""
    if out.first_note is not None:
        return out.first_note
    own = rank.first_key + semitones_above(rank.pitch, Fraction(8))
    return own + out.first_pipe - 1
