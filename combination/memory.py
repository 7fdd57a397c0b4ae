"""The memory of one player on one console: a bank, as a value in memory.

It belongs to controls and pistons by id (semantics.md III). Its combinations are integers over
a roster of its own that begins with the console's controls, in the console's order, and goes on
with controls that the console no longer has: those keep their places, unheard, and are found
again when the control comes back. What is kept on disk, and how, is the business of `banks`.
"""

from collections.abc import Sequence
from decimal import Decimal
from itertools import islice
from typing import NamedTuple, TypeVar

from attrs import define, evolve, field, frozen

from combination.model import Console, Control, Kind, Piston
from combination.ranges import Ranges
from combination.registration import Roster, translate

_Key = TypeVar("_Key")
_Value = TypeVar("_Value")


class Combination(NamedTuple):
    """What a piston remembers at one level: the controls on, and those left alone.

    Both are kept whole, as integers over the bank's roster.
    """

    on: int
    neutral: int = 0


class Slot(NamedTuple):
    """One place in a memory.

    A piston at a level; a full organ's piston without a level; or a crescendo stage (from 1)
    without either.
    """

    piston: str | None = None
    level: int | None = None
    stage: int | None = None


@frozen
class Change:
    """What one place held before a change and what it holds after it. None is: nothing set."""

    slot: Slot
    before: Combination | None
    after: Combination | None


@frozen
class ControlCard:
    """A control, described well enough to be read without its console file."""

    id: str
    label: tuple[str, ...] = ()
    division: str = ""

    @property
    def face(self) -> str:
        """The label in one line, or the id where it has none."""
        return " ".join(self.label) or self.id


@frozen
class PistonCard:
    """A piston, described well enough to be read without its console file.

    ``affects`` is its settable range, as an integer over the bank's roster; ``division`` the
    name of a divisional's division.
    """

    id: str
    label: tuple[str, ...] = ()
    kind: str = ""
    affects: int = 0
    division: str = ""

    @property
    def face(self) -> str:
        """The label in one line, or the id where it has none."""
        return " ".join(self.label) or self.id


@frozen
class Step:
    """One step of a sequence: its number, and the level and piston that it presses."""

    number: Decimal
    level: int
    piston: str
    note: str = ""


@define
class Level:
    """One memory level: what it is called, whether it is locked, and its combinations.

    ``verifier`` is what the passphrase of its lock is checked against; empty if it has none.
    """

    name: str = ""
    locked: bool = False
    combinations: dict[str, Combination] = field(factory=dict)
    verifier: bytes = b""

    @property
    def blank(self) -> bool:
        """Whether there is nothing in it worth keeping."""
        return not (self.name or self.locked or self.combinations)


@define
class Bank:
    """One player's whole memory of one console.

    ``level`` (from 1), ``sequence`` (None: the one nobody wrote) and ``place`` (the number of
    the step last reached, 0 before the first) say where the player left off. ``verifier`` is
    what the passphrase of the bank's lock is checked against; empty if it has none.
    """

    console: str
    controls: tuple[ControlCard, ...]
    pistons: dict[str, PistonCard] = field(factory=dict)
    name: str = ""
    locked: bool = False
    levels: dict[int, Level] = field(factory=dict)
    full_organs: dict[str, int] = field(factory=dict)
    stages: dict[int, int] = field(factory=dict)
    sequences: dict[str, tuple[Step, ...]] = field(factory=dict)
    level: int = 1
    sequence: str | None = None
    place: Decimal = Decimal(0)
    verifier: bytes = b""

    @property
    def roster(self) -> Roster:
        """The controls this memory knows, each with its bit."""
        return Roster(card.id for card in self.controls)

    def at(self, number: int) -> Level:
        """The level of that number (from 1), made if nothing is there yet."""
        return self.levels.setdefault(number, Level())

    def get(self, slot: Slot) -> Combination | None:
        """What one place holds; None if nothing has been set there."""
        if slot.stage is not None:
            lists: int | None = self.stages.get(slot.stage)
        elif slot.level is None:
            lists = self.full_organs.get(slot.piston or "")
        else:
            level = self.levels.get(slot.level)
            return level.combinations.get(slot.piston or "") if level else None
        return None if lists is None else Combination(lists)

    def put(self, slot: Slot, combination: Combination | None) -> None:
        """Put a combination in one place, or with None clear it."""
        if slot.stage is not None:
            _put(self.stages, slot.stage, combination.on if combination else None)
        elif slot.level is None:
            _put(self.full_organs, slot.piston or "", combination.on if combination else None)
        else:
            _put(self.at(slot.level).combinations, slot.piston or "", combination)

    def is_locked(self, level: int) -> bool:
        """Whether a level (from 1) is locked."""
        return level in self.levels and self.levels[level].locked


def _put(place: dict[_Key, _Value], key: _Key, value: _Value | None) -> None:
    if value is None:
        place.pop(key, None)
    else:
        place[key] = value


def control_cards(console: Console) -> tuple[ControlCard, ...]:
    """A console's controls, described, in rail order."""
    names = {division.id: division.name for division in console.divisions}
    return tuple(
        ControlCard(control.id, control.label, names.get(console.division_of(control) or "", ""))
        for control in console.controls
    )


def piston_cards(console: Console, ranges: Ranges) -> dict[str, PistonCard]:
    """Every piston that memory can belong to: generals, divisionals and full organs."""
    names = {division.id: division.name for division in console.divisions}
    return {
        piston.id: PistonCard(
            piston.id,
            piston.label,
            piston.kind,
            ranges.affects[piston.id],
            names.get(piston.division or "", ""),
        )
        for piston in console.pistons
        if piston.id in ranges.affects
    }


def fresh_bank(console: Console, name: str = "") -> Bank:
    """A bank of a console in which nothing has been set."""
    return Bank(
        console=console.name,
        controls=control_cards(console),
        pistons=piston_cards(console, Ranges(console)),
        name=name,
    )


class Renames(NamedTuple):
    """What a console calls otherwise than a bank does: former ids to present ones."""

    controls: dict[str, str]
    pistons: dict[str, str]


def renames(bank: Bank, console: Console) -> Renames:
    """The controls and pistons of a bank that the console says it renamed (``was``)."""
    stepped_to = {step.piston for steps in bank.sequences.values() for step in steps}
    return Renames(
        _renamed(console.controls, {card.id for card in bank.controls}),
        _renamed(console.pistons, set(bank.pistons) | stepped_to),
    )


def _renamed(present: Sequence[Control] | Sequence[Piston], known: set[str]) -> dict[str, str]:
    """Former ids that the bank knows, to the present ids of what was called so.

    A present id that the bank knows already keeps its own memory; nothing is moved onto it.
    A former id that the console gives to something else is not a renamed one.
    """
    here = {thing.id for thing in present}
    found: dict[str, str] = {}
    for thing in present:
        if thing.id not in known:
            former = (old for old in thing.was if old in known - here and old not in found)
            found.update(dict.fromkeys(islice(former, 1), thing.id))
    return found


def called(bank: Bank, renamed: Renames) -> Bank:
    """A copy of a bank in which controls and pistons have other ids; their memory is the same."""
    controls, pistons = renamed

    def owner(piston: str) -> str:
        return pistons.get(piston, piston)

    return evolve(
        bank,
        controls=tuple(evolve(c, id=controls.get(c.id, c.id)) for c in bank.controls),
        pistons={owner(p): evolve(card, id=owner(p)) for p, card in bank.pistons.items()},
        levels={
            number: evolve(
                level, combinations={owner(p): held for p, held in level.combinations.items()}
            )
            for number, level in bank.levels.items()
        },
        full_organs={owner(p): bits for p, bits in bank.full_organs.items()},
        stages=dict(bank.stages),
        sequences={
            name: tuple(evolve(step, piston=owner(step.piston)) for step in steps)
            for name, steps in bank.sequences.items()
        },
    )


def seat(bank: Bank, console: Console) -> Bank:
    """A copy of a bank that fits a console: by id, nothing lost.

    The console's controls come first, under their present labels. Controls and pistons that
    the console says it renamed (``was``) bring their memory along; those that it does not have
    are kept behind. The bank given is not changed.
    """
    bank = called(bank, renames(bank, console))
    cards = control_cards(console)
    here = {card.id for card in cards}
    seated = (*cards, *(card for card in bank.controls if card.id not in here))
    runs = bank.roster.translation(Roster(card.id for card in seated))
    in_place = runs == (((1 << len(bank.controls)) - 1, 0),)
    owners = piston_cards(console, Ranges(console))

    def moved(bits: int) -> int:
        return translate(bits, runs)

    def combination(old: Combination) -> Combination:
        return old if in_place else Combination(moved(old.on), moved(old.neutral))

    kept = (evolve(card, affects=moved(card.affects)) for card in bank.pistons.values())
    return evolve(
        bank,
        console=console.name,
        controls=seated,
        pistons=owners | {card.id: card for card in kept if card.id not in owners},
        levels={
            number: evolve(
                level,
                combinations={p: combination(old) for p, old in level.combinations.items()},
            )
            for number, level in bank.levels.items()
        },
        full_organs={piston: moved(bits) for piston, bits in bank.full_organs.items()},
        stages={stage: moved(bits) for stage, bits in bank.stages.items()},
    )


def default_steps(console: Console) -> int:
    """How many steps the sequence has that nobody wrote."""
    return console.levels * len(_generals(console))


def default_step(console: Console, number: int) -> Step | None:
    """A step of the sequence that nobody wrote: every general of level 1, then of level 2 ...

    The first step has number 1. None beyond either end.
    """
    if not 1 <= number <= default_steps(console):
        return None
    generals = _generals(console)
    level, place = divmod(number - 1, len(generals))
    return Step(Decimal(number), level + 1, generals[place])


def _generals(console: Console) -> list[str]:
    return [piston.id for piston in console.pistons if piston.kind is Kind.GENERAL]
