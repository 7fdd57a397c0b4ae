"""How two banks differ: piston by piston, the differences only, by id.

The banks may know different controls, or the same ones in another order; a control that one of
them does not know is off there. What a person is shown of it is the business of the caller.
"""

from collections.abc import Iterable
from decimal import Decimal

from attrs import evolve, frozen

from combination.memory import Bank, Combination, ControlCard, Level, PistonCard, Slot, Step
from combination.registration import Roster, translate


@frozen
class Differs:
    """A simple thing that both banks have, and what it is in each.

    ``what`` is ``console``, ``name``, ``locked``, ``level``, ``sequence`` or ``place``.
    """

    what: str
    first: str | int | Decimal | None
    second: str | int | Decimal | None


@frozen
class ControlDiffers:
    """A control that only one bank knows (None: not this one), or describes otherwise."""

    id: str
    first: ControlCard | None
    second: ControlCard | None


@frozen
class PistonDiffers:
    """A piston that only one bank knows (None: not this one), or describes otherwise.

    ``affected_first`` are the controls that it affects in the first bank only.
    """

    id: str
    first: PistonCard | None
    second: PistonCard | None
    affected_first: tuple[str, ...] = ()
    affected_second: tuple[str, ...] = ()


@frozen
class LevelDiffers:
    """A level with another name, or locked in one bank only."""

    number: int
    name_first: str
    name_second: str
    locked_first: bool
    locked_second: bool


@frozen
class PassphraseDiffers:
    """A lock with a passphrase that is not that of the other bank, or that the other lacks.

    ``level`` is the level that is locked; None: the whole bank. A passphrase given twice counts
    as two: by what is kept of them nobody can tell.
    """

    level: int | None
    known_first: bool
    known_second: bool


@frozen
class MemoryDiffers:
    """One place whose memory is not the same: a piston at a level, a full organ, a stage.

    Where only one bank has something set there, all of that is listed as its own.
    """

    slot: Slot
    set_first: bool
    set_second: bool
    on_first: tuple[str, ...] = ()
    on_second: tuple[str, ...] = ()
    neutral_first: tuple[str, ...] = ()
    neutral_second: tuple[str, ...] = ()


@frozen
class SequenceDiffers:
    """A sequence that only one bank has (`known_first`), or whose steps are not the same.

    ``steps`` pairs those that have the same number; None where a bank has no such step.
    """

    name: str
    known_first: bool
    known_second: bool
    steps: tuple[tuple[Step | None, Step | None], ...]


@frozen
class Comparison:
    """Every difference between two banks, each list in the order of its things."""

    about: tuple[Differs, ...] = ()
    controls: tuple[ControlDiffers, ...] = ()
    pistons: tuple[PistonDiffers, ...] = ()
    levels: tuple[LevelDiffers, ...] = ()
    passphrases: tuple[PassphraseDiffers, ...] = ()
    memory: tuple[MemoryDiffers, ...] = ()
    sequences: tuple[SequenceDiffers, ...] = ()

    @property
    def equal(self) -> bool:
        """Whether there is no difference at all."""
        return self == Comparison()


_ABOUT = ("console", "name", "locked", "level", "sequence", "place")


class _Meeting:
    """Two banks' registrations on one roster: the first's controls, then what it lacks."""

    def __init__(self, first: Bank, second: Bank) -> None:
        known = {card.id for card in first.controls}
        added = (card.id for card in second.controls if card.id not in known)
        self.roster = Roster((*(card.id for card in first.controls), *added))
        self._runs = second.roster.translation(self.roster)

    def second(self, bits: int) -> int:
        """A registration of the second bank."""
        return translate(bits, self._runs)

    def only(self, bits: int, others: int) -> tuple[str, ...]:
        """The controls of one that are not in the other."""
        return tuple(self.roster.registration(bits & ~others))


def compare(first: Bank, second: Bank) -> Comparison:
    """Every difference between two banks. Neither is changed."""
    meeting = _Meeting(first, second)
    return Comparison(
        about=tuple(
            Differs(what, getattr(first, what), getattr(second, what))
            for what in _ABOUT
            if getattr(first, what) != getattr(second, what)
        ),
        controls=_controls(first, second, meeting.roster),
        pistons=_pistons(first, second, meeting),
        levels=_levels(first, second),
        passphrases=_passphrases(first, second),
        memory=_memory(first, second, meeting),
        sequences=_sequences(first, second),
    )


def _controls(first: Bank, second: Bank, roster: Roster) -> tuple[ControlDiffers, ...]:
    ours = {card.id: card for card in first.controls}
    theirs = {card.id: card for card in second.controls}
    return tuple(
        ControlDiffers(id_, ours.get(id_), theirs.get(id_))
        for id_ in roster.ids
        if ours.get(id_) != theirs.get(id_)
    )


def _pistons(first: Bank, second: Bank, meeting: _Meeting) -> tuple[PistonDiffers, ...]:
    found = []
    for id_ in _either(first.pistons, second.pistons):
        ours, theirs = first.pistons.get(id_), second.pistons.get(id_)
        if ours is None or theirs is None:
            found.append(PistonDiffers(id_, ours, theirs))
            continue
        affected, affects = ours.affects, meeting.second(theirs.affects)
        same_card = evolve(ours, affects=0) == evolve(theirs, affects=0)
        if not same_card or affected != affects:
            only = meeting.only
            found.append(
                PistonDiffers(id_, ours, theirs, only(affected, affects), only(affects, affected))
            )
    return tuple(found)


def _levels(first: Bank, second: Bank) -> tuple[LevelDiffers, ...]:
    found = []
    for number in sorted({*first.levels, *second.levels}):
        ours = first.levels.get(number, Level())
        theirs = second.levels.get(number, Level())
        if (ours.name, ours.locked) != (theirs.name, theirs.locked):
            found.append(LevelDiffers(number, ours.name, theirs.name, ours.locked, theirs.locked))
    return tuple(found)


def _passphrases(first: Bank, second: Bank) -> tuple[PassphraseDiffers, ...]:
    """That of the whole bank, then those of the levels."""
    verifiers: list[tuple[int | None, bytes, bytes]] = [(None, first.verifier, second.verifier)]
    for number in sorted({*first.levels, *second.levels}):
        ours = first.levels.get(number, Level())
        theirs = second.levels.get(number, Level())
        verifiers.append((number, ours.verifier, theirs.verifier))
    return tuple(
        PassphraseDiffers(level, bool(ours), bool(theirs))
        for level, ours, theirs in verifiers
        if ours != theirs
    )


def _memory(first: Bank, second: Bank, meeting: _Meeting) -> tuple[MemoryDiffers, ...]:
    """Every place in which something is set: level by level, then full organs and stages."""
    slots = []
    pistons = (*first.pistons, *second.pistons)
    for number in sorted({*first.levels, *second.levels}):
        ours = first.levels.get(number, Level()).combinations
        theirs = second.levels.get(number, Level()).combinations
        slots += [
            Slot(piston, number)
            for piston in _either(pistons, (*ours, *theirs))
            if piston in ours or piston in theirs
        ]
    slots += [Slot(piston) for piston in _either(first.full_organs, second.full_organs)]
    slots += [Slot(stage=stage) for stage in sorted({*first.stages, *second.stages})]
    found = (_place(slot, first.get(slot), second.get(slot), meeting) for slot in slots)
    return tuple(differs for differs in found if differs)


def _place(
    slot: Slot, ours: Combination | None, theirs: Combination | None, meeting: _Meeting
) -> MemoryDiffers | None:
    on, neutral = ours or Combination(0)
    their_on, their_neutral = map(meeting.second, theirs or Combination(0))
    if (on, neutral, ours is None) == (their_on, their_neutral, theirs is None):
        return None
    return MemoryDiffers(
        slot,
        ours is not None,
        theirs is not None,
        meeting.only(on, their_on),
        meeting.only(their_on, on),
        meeting.only(neutral, their_neutral),
        meeting.only(their_neutral, neutral),
    )


def _sequences(first: Bank, second: Bank) -> tuple[SequenceDiffers, ...]:
    found = []
    for name in _either(first.sequences, second.sequences):
        ours = {step.number: step for step in first.sequences.get(name, ())}
        theirs = {step.number: step for step in second.sequences.get(name, ())}
        steps = tuple(
            (ours.get(number), theirs.get(number))
            for number in sorted({*ours, *theirs})
            if ours.get(number) != theirs.get(number)
        )
        known = name in first.sequences, name in second.sequences
        if steps or not all(known):
            found.append(SequenceDiffers(name, *known, steps))
    return tuple(found)


def _either(first: Iterable[str], second: Iterable[str]) -> tuple[str, ...]:
    """What is in the first, and then what is only in the second, in their orders."""
    return tuple(dict.fromkeys((*first, *second)))
