"""Two players' banks made into one: what only one of them has is taken, what differs is asked.

Nothing is chosen for the players. What a person is shown of a conflict, and how it is chosen,
is the business of the caller.
"""

from collections.abc import Mapping, Set
from enum import StrEnum
from typing import TypeVar

from attrs import evolve, frozen

from banks.limits import LEVELS
from banks.parts import over_controls
from banks.refusals import BankEditError, check_size, check_unlocked
from combination.memory import Bank, Combination, Slot, Step
from combination.registration import Roster


class Side(StrEnum):
    """One of the two banks."""

    FIRST = "first"
    SECOND = "second"


@frozen
class LevelName:
    """The place of a level's name: its number, in the merged bank."""

    level: int


@frozen
class SequenceName:
    """The place of a whole sequence: what it is called."""

    name: str


Place = Slot | LevelName | SequenceName
"""Where a bank has something. Levels are counted as in the merged bank."""


@frozen
class Remembered:
    """What is remembered in one place: the ids of the controls on, and of those left alone."""

    on: Set[str]
    neutral: Set[str] = frozenset()


@frozen
class MemoryConflict:
    """A piston at a level, a full organ or a crescendo stage that remembers something else."""

    place: Slot
    first: Remembered
    second: Remembered


@frozen
class NameConflict:
    """A level that both banks have named, and otherwise."""

    place: LevelName
    first: str
    second: str


@frozen
class SequenceConflict:
    """A sequence that both banks have, with other steps: it is chosen as a whole."""

    place: SequenceName
    first: tuple[Step, ...]
    second: tuple[Step, ...]


Conflict = MemoryConflict | NameConflict | SequenceConflict


@frozen
class Merged:
    """What two banks come to.

    ``bank`` is None as long as a conflict is not chosen. ``conflicts`` are all there are, chosen
    or not; ``taken`` are the places in which the bank has what the second had, conflicts that
    were chosen so among them. In both, names of levels come first, then combinations level by
    level, full organs, crescendo stages, and sequences.
    """

    bank: Bank | None
    conflicts: tuple[Conflict, ...]
    taken: tuple[Place, ...]


_There = TypeVar("_There", bound=Place)
_Held = TypeVar("_Held")


def merge(
    first: Bank,
    second: Bank,
    *,
    choices: Mapping[Place, Side] | None = None,
    shift_levels: int = 0,
) -> Merged:
    """Two banks as one new bank; neither is changed.

    It is the first one's: its name, its locks, where its player left off and what it calls
    things stay. Whatever is set in only one of them is in it: combinations, full organs,
    crescendo stages, names of levels, sequences; and all controls and pistons that either
    knows, by id. What is the same in both stays so. Where both have something and not the
    same there is a conflict, to be chosen under its place in ``choices``; choices of other
    places count for nothing.

    With ``shift_levels`` the second's level k is level k + shift_levels, and steps of its
    sequences go there: so two players' levels stand one after the other.

    Raises:
        BankEditError: if a level of the second, or that of a step, would have no number that a
            level can have; if the first, or a level of it, is locked and would receive
            something; if they come to more than a file can carry.
    """
    chosen = choices or {}
    known = {card.id for card in first.controls}
    controls = (*first.controls, *(card for card in second.controls if card.id not in known))
    bank, other = over_controls(first, controls), over_controls(second, controls)
    bank.pistons |= {p: card for p, card in other.pistons.items() if p not in bank.pistons}
    other = _moved(other, shift_levels)
    names, taken_names = _meet(_names(bank), _names(other), chosen)
    memory, taken_memory = _meet(_memory(bank), _memory(other), chosen)
    sequences, taken_sequences = _meet(_sequences(bank), _sequences(other), chosen)
    taken: tuple[Place, ...] = (*taken_names, *taken_memory, *taken_sequences)
    if taken:
        levels = {slot.level for slot in taken_memory if slot.level is not None}
        check_unlocked(bank, *sorted(levels | {named.level for named in taken_names}))
    for named, name in taken_names.items():
        bank.at(named.level).name = name
    for slot, combination in taken_memory.items():
        bank.put(slot, combination)
    for called, steps in taken_sequences.items():
        bank.sequences[called.name] = steps
    check_size(bank)
    roster = bank.roster
    conflicts: tuple[Conflict, ...] = (
        *(NameConflict(place, *both) for place, both in names.items()),
        *(
            MemoryConflict(slot, _remembered(ours, roster), _remembered(theirs, roster))
            for slot, (ours, theirs) in memory.items()
        ),
        *(SequenceConflict(place, *both) for place, both in sequences.items()),
    )
    unchosen = any(conflict.place not in chosen for conflict in conflicts)
    return Merged(None if unchosen else bank, conflicts, taken)


def _meet(
    ours: Mapping[_There, _Held], theirs: Mapping[_There, _Held], chosen: Mapping[Place, Side]
) -> tuple[dict[_There, tuple[_Held, _Held]], dict[_There, _Held]]:
    """Where two differ, with what both have there; and what is to be taken from the second."""
    differing = {
        place: (held, theirs[place])
        for place, held in ours.items()
        if place in theirs and theirs[place] != held
    }
    taken = {
        place: held
        for place, held in theirs.items()
        if place not in ours or (place in differing and chosen.get(place) == Side.SECOND)
    }
    return differing, taken


def _moved(bank: Bank, by: int) -> Bank:
    """A bank with its levels, and the steps that go to them, so many further up."""

    def level(number: int, where: str) -> int:
        if not 1 <= number + by <= LEVELS:
            raise BankEditError(f"{where} level {number + by}: levels go from 1 to {LEVELS:,}")
        return number + by

    return evolve(
        bank,
        levels={
            level(number, f"level {number} of the second bank would be"): held
            for number, held in bank.levels.items()
            if held.name or held.combinations
        },
        sequences={
            name: tuple(
                evolve(
                    step,
                    level=level(step.level, f"step {step.number:f} of {name!r} would go to"),
                )
                for step in steps
            )
            for name, steps in bank.sequences.items()
        },
    )


def _names(bank: Bank) -> dict[LevelName, str]:
    return {
        LevelName(number): level.name for number, level in sorted(bank.levels.items()) if level.name
    }


def _memory(bank: Bank) -> dict[Slot, Combination]:
    """All that is set: at each level in the order of the pistons, then the lists."""
    order = {piston: place for place, piston in enumerate(bank.pistons)}
    found = {
        Slot(piston, number): level.combinations[piston]
        for number, level in sorted(bank.levels.items())
        for piston in sorted(level.combinations, key=lambda p: order.get(p, len(order)))
    }
    found |= {Slot(piston): Combination(on) for piston, on in bank.full_organs.items()}
    found |= {Slot(stage=stage): Combination(on) for stage, on in sorted(bank.stages.items())}
    return found


def _sequences(bank: Bank) -> dict[SequenceName, tuple[Step, ...]]:
    return {SequenceName(name): steps for name, steps in bank.sequences.items()}


def _remembered(combination: Combination, roster: Roster) -> Remembered:
    return Remembered(*map(roster.registration, combination))
