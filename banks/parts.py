"""A part of a bank: some of its levels, or some of its pistons, and nothing else of it.

It can be taken out of a bank, to be kept or sent, and put into another, the rest of which is
left alone. Controls and pistons are the same ones if their ids are. Files are not known here,
nor is what a console can play.
"""

from functools import reduce
from operator import or_

from attrs import evolve, frozen

from banks.refusals import BankEditError, check_level, check_size, check_unlocked, unknown
from combination.memory import Bank, Combination, ControlCard, Level
from combination.model import Kind
from combination.registration import Roster, translate


@frozen
class Part:
    """Which part of a bank: some levels (by number), some pistons (by id), or pistons at levels.

    None is: all of them. Both None is no part, but the whole bank with all else that is in it.
    A level comes with its name. A piston without levels comes with all that it remembers, at
    every level and as a full organ's list; with levels, with what it remembers there.
    """

    levels: tuple[int, ...] | None = None
    pistons: tuple[str, ...] | None = None

    @property
    def whole(self) -> bool:
        """Whether it is the whole bank."""
        return self.levels is None and self.pistons is None

    def has_level(self, level: int) -> bool:
        """Whether a level, or pistons at it, are in the part."""
        return self.levels is None or level in self.levels

    def has_piston(self, piston: str) -> bool:
        """Whether what a piston remembers at a level of the part is in it."""
        return self.pistons is None or piston in self.pistons

    def has_list(self, piston: str) -> bool:
        """Whether the list of a full organ is in the part."""
        return self.levels is None and self.has_piston(piston)


def part_of(bank: Bank, part: Part) -> Bank:
    """A bank with only that part of another in it, and its name. The other is not changed.

    All controls and pistons are still described, so that it can be read by itself. Levels have
    their locks, where not only pistons were asked for; the lock of the bank, its sequences and
    crescendo stages and where the player left off are in the whole of a bank alone. A level at
    which nothing is set is a part like any other.

    Raises:
        BankEditError: for a level that there cannot be, a piston that the bank does not know,
            or a full organ at a level: it remembers nothing there.
    """
    _check(part, bank)
    found = _cut(bank, part)
    if part.pistons is None:
        for number, level in bank.levels.items():
            if level.locked and part.has_level(number):
                there = found.at(number)
                there.locked, there.verifier = True, level.verifier
    if part.whole:
        found.locked, found.verifier = bank.locked, bank.verifier
    return found


def put_part(bank: Bank, source: Bank, part: Part) -> Bank:
    """A new bank: that part of it is as in the source, all else as in the bank.

    What is not set in the source is not set there either; a level is replaced wholly, its name
    too. Whose bank it is, its console and its locks stay: no lock is put, and none taken off.
    Controls and pistons that the bank does not know are added, as far as the part needs them.

    Raises:
        BankEditError: if the bank is locked, or a level asked for; or, where no levels were
            asked for, one that would change. For a level that there cannot be, a piston that
            neither bank knows, or a full organ at a level. If the bank would be more than a
            file can carry.
    """
    _check(part, bank, source)
    piece = _cut(source, part)
    owners = {piston for level in piece.levels.values() for piston in level.combinations}
    owners |= piece.full_organs.keys()
    piece.pistons = {
        piston: card
        for piston, card in piece.pistons.items()
        if piston in owners and piston not in bank.pistons
    }
    piece = over_controls(piece, (*bank.controls, *_controls_added(piece, bank)))
    everything = bank if not part.whole else piece
    lists = {piston: on for piston, on in bank.full_organs.items() if not part.has_list(piston)}
    found = evolve(
        bank,
        controls=piece.controls,
        pistons=bank.pistons | piece.pistons,
        levels=_levels_with(bank, piece, part),
        full_organs=lists | piece.full_organs,
        stages=dict(everything.stages),
        sequences=dict(everything.sequences),
        level=everything.level,
        sequence=everything.sequence,
        place=everything.place,
    )
    check_size(found)
    return found


def over_controls(bank: Bank, controls: tuple[ControlCard, ...]) -> Bank:
    """A copy of a bank over other controls: the same memory, by id, in their order.

    They must be all those that the bank holds or leaves alone anywhere; any others may go.
    """
    runs = bank.roster.translation(Roster(card.id for card in controls))
    in_place = runs == (((1 << len(bank.controls)) - 1, 0),)

    def combination(old: Combination) -> Combination:
        on, neutral = old
        return old if in_place else Combination(translate(on, runs), translate(neutral, runs))

    return evolve(
        bank,
        controls=controls,
        pistons={
            piston: evolve(card, affects=translate(card.affects, runs))
            for piston, card in bank.pistons.items()
        },
        levels={
            number: evolve(
                level,
                combinations={p: combination(old) for p, old in level.combinations.items()},
            )
            for number, level in bank.levels.items()
        },
        full_organs={piston: translate(on, runs) for piston, on in bank.full_organs.items()},
        stages={stage: translate(on, runs) for stage, on in bank.stages.items()},
        sequences=dict(bank.sequences),
    )


def _check(part: Part, *banks: Bank) -> None:
    """That there can be such a part of one of the banks; of two, the first counts."""
    for level in part.levels or ():
        check_level(level)
    known = reduce(or_, (bank.pistons for bank in reversed(banks)))
    for piston in part.pistons or ():
        if piston not in known:
            where = "in this bank" if len(banks) == 1 else "in either bank"
            raise unknown("piston", piston, {p: card.face for p, card in known.items()}, where)
        if part.levels is not None and known[piston].kind == Kind.FULL_ORGAN:
            raise BankEditError(
                f"{piston!r} is a full organ: it has a list, the same at all levels"
            )


def _cut(bank: Bank, part: Part) -> Bank:
    """The part by itself, with no locks but with every card."""
    levels = {
        number: Level(
            level.name if part.pistons is None else "",
            combinations={p: c for p, c in level.combinations.items() if part.has_piston(p)},
        )
        for number, level in bank.levels.items()
        if part.has_level(number)
    }
    found = Bank(
        bank.console,
        bank.controls,
        dict(bank.pistons),
        bank.name,
        levels={number: level for number, level in levels.items() if not level.blank},
        full_organs={p: on for p, on in bank.full_organs.items() if part.has_list(p)},
    )
    if part.whole:
        found.stages, found.sequences = dict(bank.stages), dict(bank.sequences)
        found.level, found.sequence, found.place = bank.level, bank.sequence, bank.place
    return found


def _controls_added(piece: Bank, bank: Bank) -> list[ControlCard]:
    """The controls that something in a part, or a piston that comes with it, has to do with."""
    held = [c for level in piece.levels.values() for c in level.combinations.values()]
    needed = reduce(or_, (combination.on | combination.neutral for combination in held), 0)
    needed = reduce(or_, piece.full_organs.values(), needed)
    needed = reduce(or_, piece.stages.values(), needed)
    needed = reduce(or_, (card.affects for card in piece.pistons.values()), needed)
    roster = bank.roster
    return [
        card
        for place, card in enumerate(piece.controls)
        if needed >> place & 1 and card.id not in roster
    ]


def _levels_with(bank: Bank, piece: Bank, part: Part) -> dict[int, Level]:
    """A bank's levels after a part was put into them, all of them new."""
    levels = {
        number: evolve(level, combinations=dict(level.combinations))
        for number, level in bank.levels.items()
    }
    for number in sorted({*bank.levels, *piece.levels}) if part.levels is None else part.levels:
        old = levels.get(number, Level())
        new = piece.levels.get(number, Level())
        kept = {p: c for p, c in old.combinations.items() if not part.has_piston(p)}
        levels[number] = evolve(
            old,
            name=new.name if part.pistons is None else old.name,
            combinations=kept | new.combinations,
        )
    changed = [n for n, level in levels.items() if level != bank.levels.get(n, Level())]
    check_unlocked(bank, *(sorted(changed) if part.levels is None else part.levels))
    return {
        number: level
        for number, level in levels.items()
        if number in bank.levels or not level.blank
    }
