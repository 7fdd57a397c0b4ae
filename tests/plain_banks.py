"""Banks as plain dictionaries of sets, and pairs of banks that have much in common.

Nothing of `banks` is used here, so that what it makes of two banks can be told by sets alone.
"""

from decimal import Decimal
from typing import Any

from attrs import evolve
from hypothesis import strategies as st

from combination.memory import Bank, Combination, Slot, Step
from tests.bank_strategies import banks_of, consoles

Plain = dict[tuple[str | int, ...], Any]
"""What is set, under where: a name, a piston at a level, a list, a stage or a sequence."""


def ids(bank: Bank, bits: int) -> frozenset[str]:
    """The controls whose bits are set."""
    return frozenset(card.id for place, card in enumerate(bank.controls) if bits >> place & 1)


def plain(bank: Bank) -> Plain:
    """All that a bank remembers. Locks, cards and where the player left off are not in it."""
    found: Plain = {}
    for number, level in bank.levels.items():
        if level.name:
            found["name", number] = level.name
        for piston, (on, neutral) in level.combinations.items():
            found["piston", piston, number] = ids(bank, on), ids(bank, neutral)
    for piston, on in bank.full_organs.items():
        found["list", piston] = ids(bank, on)
    for stage, on in bank.stages.items():
        found["stage", stage] = ids(bank, on)
    for name, steps in bank.sequences.items():
        found["sequence", name] = tuple((s.number, s.level, s.piston, s.note) for s in steps)
    return found


def without_locks(bank: Bank) -> Bank:
    """A copy in which nothing is locked."""
    return evolve(
        bank,
        locked=False,
        verifier=b"",
        levels={
            number: evolve(level, locked=False, verifier=b"")
            for number, level in bank.levels.items()
        },
    )


@st.composite
def two_banks(draw: st.DrawFn) -> tuple[Bank, Bank]:
    """Two unlocked banks, of consoles that share some ids; the second has some of the first's."""
    first, second = (draw(banks_of(draw(consoles()))) for _ in range(2))
    for bank in (first, second):
        for number in draw(st.sets(st.integers(1, 5))):
            bank.at(number).name = draw(st.sampled_from(("Easter", "Advent")))
        some = ("Vespers", "Matins")
        steps = st.builds(
            Step, st.just(Decimal(1)), st.integers(1, 5), st.sampled_from(("p0", "p1"))
        )
        bank.sequences = draw(st.dictionaries(st.sampled_from(some), st.tuples(steps)))
        bank.level = draw(st.integers(1, 5))
        bank.sequence = draw(st.none() | st.sampled_from(some))
    known = set(second.roster.ids)

    def kept(bits: int) -> int:
        return second.roster.bits(ids(first, bits) & known)

    for number, level in first.levels.items():
        for piston, (on, neutral) in level.combinations.items():
            if piston in second.pistons and draw(st.booleans()):
                second.put(Slot(piston, number), Combination(kept(on), kept(neutral)))
    if draw(st.booleans()):
        second.stages = {stage: kept(on) for stage, on in first.stages.items()}
    return first, second
