"""Sets of small whole numbers, as the bits of one integer: bit n is set if n is in the set.

Keys, lines and pipes are all kept so; a union is an OR, a shift moves every number at once,
and an XOR is what has changed. What the numbers are of is not known here.
"""

from collections.abc import Iterable, Iterator, Set
from typing import Any


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


class Numbers(Set[int]):
    """A set of whole numbers from 0 that costs no more than the integer in it.

    It is equal to any set of the same numbers, can be hashed, and lists them upwards.
    """

    __slots__ = ("bits",)

    def __init__(self, bits: int) -> None:
        """Take the integer whose set bits are the numbers."""
        self.bits = bits

    @classmethod
    def _from_iterable(cls, it: Iterable[Any]) -> frozenset[Any]:
        return frozenset(it)

    def __contains__(self, number: object) -> bool:
        """Whether the number is in the set."""
        return isinstance(number, int) and number >= 0 and bool(self.bits >> number & 1)

    def __iter__(self) -> Iterator[int]:
        """The numbers, upwards."""
        return numbers_of(self.bits)

    def __len__(self) -> int:
        """How many there are."""
        return self.bits.bit_count()

    def __bool__(self) -> bool:
        """Whether there are any."""
        return self.bits != 0

    def __hash__(self) -> int:
        """The same for equal sets."""
        return hash(frozenset(self))

    def __eq__(self, other: object) -> bool:
        """Whether the other is a set of the same numbers."""
        if isinstance(other, Numbers):
            return self.bits == other.bits
        return frozenset(self) == other

    def __repr__(self) -> str:
        """The numbers as a person would list them."""
        return "{" + " ".join(map(str, self)) + "}"
