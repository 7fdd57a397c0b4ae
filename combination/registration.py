"""Registrations: sets of controls, integers inside and ids outside.

This is the one place that turns the one into the other. A `Roster` gives every id a bit; a
`Registration` is an integer that shows itself as a set of ids.
"""

from collections.abc import Iterable, Iterator

from combination.bits import Bits, numbers_of


class Roster:
    """An ordered list of distinct ids, each with a bit of its own: the first has bit 0."""

    __slots__ = ("_bits", "ids")

    def __init__(self, ids: Iterable[str]) -> None:
        """Take the ids in order.

        Raises:
            ValueError: if an id comes twice.
        """
        self.ids = tuple(ids)
        self._bits = {name: 1 << place for place, name in enumerate(self.ids)}
        if len(self._bits) != len(self.ids):
            raise ValueError("an id comes twice")

    def bit(self, name: str) -> int:
        """The integer in which only this id's bit is set.

        Raises:
            KeyError: if the id is not on the roster.
        """
        return self._bits[name]

    def bits(self, names: Iterable[str]) -> int:
        """The integer in which exactly these ids' bits are set.

        Raises:
            KeyError: if one of them is not on the roster.
        """
        found = 0
        for name in names:
            found |= self._bits[name]
        return found

    def registration(self, bits: int) -> "Registration":
        """The integer as a set of ids. Bits beyond the roster are left out."""
        return Registration(self, bits & self.everything)

    @property
    def everything(self) -> int:
        """The integer in which every id's bit is set."""
        return (1 << len(self.ids)) - 1

    def __contains__(self, name: object) -> bool:
        """Whether the id is on the roster."""
        return name in self._bits

    def __len__(self) -> int:
        """How many ids there are."""
        return len(self.ids)

    def translation(self, other: "Roster") -> tuple[tuple[int, int], ...]:
        """How to move bits from this roster to another, as pairs of (mask, left shift).

        Ids that stand side by side in both travel together, so that a roster into which one
        id was inserted needs two pairs, whatever its length. Ids that the other lacks are in
        no pair. Apply with `translate`.
        """
        target = {name: place for place, name in enumerate(other.ids)}
        return translation(
            (place, target[name]) for place, name in enumerate(self.ids) if name in target
        )


def translation(places: Iterable[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    """How to move bits from place to place, as pairs of (mask, left shift).

    ``places`` are pairs of a bit's place and the one that it moves to. Apply with `translate`.
    """
    runs: list[tuple[int, int]] = []
    for place, other in places:
        shift = other - place
        if runs and runs[-1][1] == shift:
            runs[-1] = (runs[-1][0] | 1 << place, shift)
        else:
            runs.append((1 << place, shift))
    return tuple(runs)


def translate(bits: int, runs: tuple[tuple[int, int], ...]) -> int:
    """Move bits by the pairs that `Roster.translation` or `translation` gave."""
    moved = 0
    for mask, shift in runs:
        part = bits & mask
        moved |= part << shift if shift >= 0 else part >> -shift
    return moved


class Registration(Bits[str]):
    """A set of control ids that costs no more than the integer in it until it is looked into.

    It is equal to any set of the same ids, can be hashed, and lists them in rail order.
    """

    __slots__ = ("_roster",)

    def __init__(self, roster: Roster, bits: int) -> None:
        """Take an integer whose bits are all on the roster."""
        self._roster = roster
        self.bits = bits

    @property
    def everyone(self) -> "Registration":
        """Everything of the same roster."""
        return Registration(self._roster, self._roster.everything)

    @property
    def others(self) -> "Registration":
        """Everything of the roster that is not in it."""
        return Registration(self._roster, self._roster.everything & ~self.bits)

    def __contains__(self, name: object) -> bool:
        """Whether the control is in the registration."""
        return name in self._roster and bool(self.bits & self._roster.bit(str(name)))

    def __iter__(self) -> Iterator[str]:
        """The ids, in rail order."""
        return map(self._roster.ids.__getitem__, numbers_of(self.bits))

    def __eq__(self, other: object) -> bool:
        """Whether the other is a set of the same ids."""
        if isinstance(other, Registration) and other._roster is self._roster:
            return self.bits == other.bits
        return frozenset(self) == other

    __hash__ = Bits.__hash__

    def __repr__(self) -> str:
        """The ids as a person would list them."""
        return "{" + " ".join(self) + "}"
