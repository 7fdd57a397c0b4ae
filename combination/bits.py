"""Sets of small whole numbers, as the bits of one integer: bit n is set if n is in the set.

Keys, lines and pipes are all kept so; a union is an OR, a shift moves every number at once,
and an XOR is what has changed. What the numbers are of is not known here.
"""

from collections.abc import Collection, Iterable, Iterator, Sequence, Set
from typing import Any, TypeVar

T = TypeVar("T")


def run(first: int, last: int) -> int:
    """The integer whose bits ``first`` to ``last`` are set; 0 if there are none between."""
    return (1 << last + 1) - (1 << first) if last >= first else 0


def moved(bits: int, by: int) -> int:
    """Every number moved up by so many, or down; those that come below 0 are lost."""
    return bits << by if by >= 0 else bits >> -by


def numbers_of(bits: int) -> Iterator[int]:
    """The numbers whose bits are set, upwards."""
    while bits:
        lowest = bits & -bits
        yield lowest.bit_length() - 1
        bits ^= lowest


class Bits(Set[T]):
    """A set that is one integer until it is looked into; what its bits stand for is not said."""

    __slots__ = ("bits",)

    bits: int

    @classmethod
    def _from_iterable(cls, it: Iterable[Any]) -> frozenset[Any]:
        return frozenset(it)

    def __len__(self) -> int:
        """How many there are."""
        return self.bits.bit_count()

    def __bool__(self) -> bool:
        """Whether there are any."""
        return self.bits != 0

    def __hash__(self) -> int:
        """The same for equal sets."""
        return hash(frozenset(self))


class Numbers(Bits[int]):
    """A set of whole numbers from 0, each its own bit.

    It is equal to any set of the same numbers, can be hashed, and lists them upwards.
    """

    __slots__ = ()

    def __init__(self, bits: int) -> None:
        """Take the integer whose set bits are the numbers."""
        self.bits = bits

    def __contains__(self, number: object) -> bool:
        """Whether the number is in the set."""
        return isinstance(number, int) and number >= 0 and bool(self.bits >> number & 1)

    def __iter__(self) -> Iterator[int]:
        """The numbers, upwards."""
        return numbers_of(self.bits)

    def __eq__(self, other: object) -> bool:
        """Whether the other is a set of the same numbers."""
        if isinstance(other, Numbers):
            return self.bits == other.bits
        return frozenset(self) == other

    __hash__ = Bits.__hash__

    def __repr__(self) -> str:
        """The numbers as a person would list them."""
        return "{" + " ".join(map(str, self)) + "}"


Shared = tuple[Sequence[Sequence[str]], Sequence[int]]
"""Ids in groups, and the numbers that those of each group share."""


class Parts(Collection[tuple[str, Numbers]]):
    """Numbers under ids, as pairs: pipes of ranks, say. They too cost nothing until looked into.

    It is equal to any collection of the same pairs in the same order.
    """

    __slots__ = ("_shared",)

    def __init__(self, shared: Sequence[Shared]) -> None:
        """Take lists that nobody will change; where there are no numbers there is no pair."""
        self._shared = shared

    def __iter__(self) -> Iterator[tuple[str, Numbers]]:
        """The pairs."""
        for groups, integers in self._shared:
            for ids, bits in zip(groups, integers, strict=True):
                if bits:
                    numbers = Numbers(bits)
                    for name in ids:
                        yield name, numbers

    def __contains__(self, pair: object) -> bool:
        """Whether the pair is there."""
        return any(pair == found for found in self)

    def __len__(self) -> int:
        """How many pairs there are."""
        return sum(1 for _ in self)

    def __bool__(self) -> bool:
        """Whether there are any."""
        return any(any(integers) for _, integers in self._shared)

    def __hash__(self) -> int:
        """The same for equal parts."""
        return hash(tuple(self))

    def __eq__(self, other: object) -> bool:
        """Whether the other has the same pairs."""
        return isinstance(other, Collection) and tuple(self) == tuple(other)

    def __repr__(self) -> str:
        """The ids, each with its numbers."""
        return "(" + ", ".join(f"{name} {numbers}" for name, numbers in self) + ")"
