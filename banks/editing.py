"""What an organist does to a bank other than by playing: name, lock, copy, swap, clear, arrange.

Each function changes the bank that it is given, wholly or, with an error, not at all. A locked
bank or level is only unlocked. Levels count from 1; what a console's highest is, a bank does not
know. Nothing is read, written or asked here.
"""

from collections.abc import Iterable
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

from attrs import evolve

from banks.limits import SEQUENCES, STEPS, flaw
from banks.locks import opens, verifier
from banks.refusals import BankEditError as BankEditError
from banks.refusals import check_level, check_unlocked, unknown
from combination.memory import Bank, Combination, Level, Slot, Step
from combination.model import STEPPED_TO, Console, Kind

_PLACES = 12
_BEYOND = Decimal(10**9)
"""A step number is below this, and has at most so many decimal places (`FORMAT.md`)."""


# ---------------------------------------------------------------- names and locks


def name_bank(bank: Bank, name: str) -> None:
    """Give the bank a name; an empty one takes it away."""
    check_unlocked(bank)
    bank.name = _text(name, "a name")


def name_level(bank: Bank, level: int, name: str) -> None:
    """Give a level a name; an empty one takes it away.

    A name is one that `find_level` finds this level by: no number, and no other level's.
    """
    check_unlocked(bank, level)
    _text(name, "a name")
    if name.strip().isdecimal():
        raise BankEditError(f"a level cannot be called {name!r}: a number is no name")
    for number, other in sorted(bank.levels.items()):
        if name and number != level and other.name == name:
            raise BankEditError(f"level {number} is called {name!r} already")
    bank.at(level).name = name


def lock_bank(bank: Bank, passphrase: str | None = None) -> None:
    """Keep the whole bank from being changed; with a passphrase, until it is given again.

    Raises:
        BankEditError: if it is locked with a passphrase already, or there can be no such
            passphrase (`banks.locks`).
    """
    _lock(bank, "the bank", passphrase)


def unlock_bank(bank: Bank, passphrase: str | None = None) -> None:
    """Let the bank be changed again; levels locked by themselves stay so.

    Without a passphrase on the lock, none is asked for.

    Raises:
        BankEditError: if it is locked with a passphrase, and with another one or none given.
    """
    _unlock(bank, "the bank", passphrase)


def lock_level(bank: Bank, level: int, passphrase: str | None = None) -> None:
    """Keep a level from being changed; with a passphrase, until it is given again.

    Raises:
        BankEditError: as for `lock_bank`; or if the bank is locked.
    """
    check_unlocked(bank)
    check_level(level)
    held = bank.levels.get(level, Level())
    _lock(held, f"level {level}", passphrase)
    bank.levels[level] = held


def unlock_level(bank: Bank, level: int, passphrase: str | None = None) -> None:
    """Let a level be changed again, as far as the bank is not locked.

    Raises:
        BankEditError: as for `unlock_bank`.
    """
    check_level(level)
    if level in bank.levels:
        _unlock(bank.levels[level], f"level {level}", passphrase)


def _lock(held: Bank | Level, called: str, passphrase: str | None) -> None:
    if held.locked and held.verifier:
        raise BankEditError(f"{called} is locked with a passphrase already: unlock it first")
    held.verifier = b"" if passphrase is None else verifier(passphrase)
    held.locked = True


def _unlock(held: Bank | Level, called: str, passphrase: str | None) -> None:
    if held.locked and held.verifier:
        if passphrase is None:
            raise BankEditError(f"{called} is locked with a passphrase")
        if not opens(held.verifier, passphrase):
            raise BankEditError("the passphrase is not the right one")
    held.locked, held.verifier = False, b""


# ---------------------------------------------------------------- whole levels


def copy_level(bank: Bank, source: int, target: int) -> None:
    """Make a level the same as another, name and all; what it held before is gone."""
    check_level(source)
    check_unlocked(bank, target)
    level = bank.levels.get(source, Level())
    if not (level.name or level.combinations):
        raise BankEditError(f"there is nothing in level {source} to copy")
    bank.levels[target] = Level(level.name, combinations=dict(level.combinations))


def swap_levels(bank: Bank, one: int, other: int) -> None:
    """Let two levels change places, names and all.

    Steps of sequences go on pressing the level of the number that they have.
    """
    check_unlocked(bank, one, other)
    bank.levels[one], bank.levels[other] = bank.at(other), bank.at(one)


def clear_level(bank: Bank, level: int) -> None:
    """Take away all that a level holds, its name too."""
    check_unlocked(bank, level)
    bank.levels.pop(level, None)


# ---------------------------------------------------------------- single combinations


def copy_combination(bank: Bank, source: Slot, target: Slot) -> None:
    """Let a piston at a level remember, whole, what a piston remembers at a level."""
    _check_combination(bank, source)
    _check_combination(bank, target)
    check_unlocked(bank, target.level)
    bank.put(target, _set_there(bank, source))


def swap_combinations(bank: Bank, one: Slot, other: Slot) -> None:
    """Let two pistons at their levels exchange what they remember; one may have nothing."""
    _check_combination(bank, one)
    _check_combination(bank, other)
    check_unlocked(bank, one.level, other.level)
    held, held_by_other = bank.get(one), bank.get(other)
    bank.put(one, held_by_other)
    bank.put(other, held)


def clear_combination(bank: Bank, slot: Slot) -> None:
    """Let a piston at a level be as one that was never set.

    A full organ (without a level) or a crescendo stage goes back to the console's own list.
    """
    if not _is_list(bank, slot):
        _check_combination(bank, slot)
    check_unlocked(bank, slot.level)
    _set_there(bank, slot)
    bank.put(slot, None)


def set_neutral(bank: Bank, slot: Slot, controls: Iterable[str]) -> None:
    """Say which controls a piston leaves alone at a level: these, and no others."""
    _check_combination(bank, slot)
    check_unlocked(bank, slot.level)
    neutral = tuple(controls)
    known = {card.id: card.face for card in bank.controls}
    for control in neutral:
        if control not in known:
            raise unknown("control", control, known)
    kept = _set_there(bank, slot)
    bank.put(slot, Combination(kept.on, bank.roster.bits(neutral)))


# ---------------------------------------------------------------- sequences


def make_sequence(bank: Bank, name: str) -> None:
    """Begin a sequence, without a step yet."""
    check_unlocked(bank)
    if not _text(name, "the name"):
        raise BankEditError("a sequence needs a name")
    if name in bank.sequences:
        raise BankEditError(f"there is a sequence {name!r} already")
    if len(bank.sequences) >= SEQUENCES:
        raise BankEditError(f"a bank has at most {SEQUENCES:,} sequences")
    bank.sequences[name] = ()


def remove_sequence(bank: Bank, name: str) -> None:
    """Take a sequence out; if it was on the desk, the one nobody wrote is there now."""
    check_unlocked(bank)
    _steps(bank, name)
    del bank.sequences[name]
    if bank.sequence == name:
        choose_sequence(bank, None)


def choose_sequence(bank: Bank, name: str | None) -> None:
    """Put a sequence on the desk, before its first step; None is the one nobody wrote.

    It changes nothing that is remembered, so a lock does not stand in its way.
    """
    if name is not None:
        _steps(bank, name)
    bank.sequence, bank.place = name, Decimal(0)


def append_step(
    bank: Bank,
    sequence: str,
    level: int,
    piston: str,
    note: str = "",
    *,
    console: Console | None = None,
) -> Step:
    """Add a step after the last, with the next whole number.

    With the console, it may press any of its pistons that a step can press, at any of its
    levels; without, any that the bank remembers something for.
    """
    steps = _steps(bank, sequence)
    last = steps[-1].number if steps else Decimal(0)
    return insert_step(bank, sequence, last, level, piston, note, console=console)


def insert_step(
    bank: Bank,
    sequence: str,
    after: Decimal,
    level: int,
    piston: str,
    note: str = "",
    *,
    console: Console | None = None,
) -> Step:
    """Add a step after another (0: before the first), and renumber nothing.

    With the console, it may press any of its pistons that a step can press, at any of its
    levels; without, any that the bank remembers something for.
    """
    check_unlocked(bank)
    steps = _steps(bank, sequence)
    place = _place(steps, sequence, after) + 1 if after else 0
    _check_step(bank, level, piston, console)
    if len(steps) >= STEPS:
        raise BankEditError(f"a sequence has at most {STEPS:,} steps")
    upper = steps[place].number if place < len(steps) else _BEYOND
    step = Step(number_between(after, upper), level, piston, _text(note, "a note"))
    bank.sequences[sequence] = (*steps[:place], step, *steps[place:])
    return step


def note_step(bank: Bank, sequence: str, number: Decimal, note: str) -> None:
    """Give a step a note; an empty one takes it away."""
    check_unlocked(bank)
    steps = _steps(bank, sequence)
    place = _place(steps, sequence, number)
    noted = evolve(steps[place], note=_text(note, "a note"))
    bank.sequences[sequence] = (*steps[:place], noted, *steps[place + 1 :])


def remove_step(bank: Bank, sequence: str, number: Decimal) -> None:
    """Take a step out; the others keep their numbers."""
    check_unlocked(bank)
    steps = _steps(bank, sequence)
    place = _place(steps, sequence, number)
    bank.sequences[sequence] = (*steps[:place], *steps[place + 1 :])


def number_between(lower: Decimal, upper: Decimal) -> Decimal:
    """The number for a step between two others: the shortest decimal that there is.

    Of those it is the lowest, as one counts: after 12 comes 13, and 12.1 if 13 is taken. But
    where hundredths or less have to be begun it is the fifth, with room on both sides: 12.05
    comes between 12 and 12.1.

    Raises:
        BankEditError: if it would need more than twelve decimal places.
    """
    for places in range(_PLACES + 1):
        low = int(lower.scaleb(places).to_integral_value(ROUND_FLOOR)) + 1
        high = int(upper.scaleb(places).to_integral_value(ROUND_CEILING)) - 1
        if low <= high:
            begun = places > 1 and low % 10 == 1
            return Decimal(low + 4 if begun and low + 4 <= high else low).scaleb(-places)
    raise BankEditError(f"there is no room left between steps {lower:f} and {upper:f}")


# ---------------------------------------------------------------- what was meant, and is it there


def find_level(bank: Bank, level: str) -> int:
    """The level that a person means by its number or by its name.

    Raises:
        BankEditError: if there is none, or there are several of that name.
    """
    if level.isascii() and level.isdecimal() and len(level) < 10:
        check_level(int(level))
        return int(level)
    names: dict[str, list[int]] = {}
    for number, found in sorted(bank.levels.items()):
        if found.name:
            names.setdefault(found.name, []).append(number)
    if level not in names:
        raise unknown("level", level, {name: name for name in names})
    if len(names[level]) > 1:
        several = ", ".join(map(str, names[level]))
        raise BankEditError(f"several levels are called {level!r}: {several}")
    return names[level][0]


def _check_piston(bank: Bank, piston: str) -> None:
    if piston not in bank.pistons:
        faces = {card.id: card.face for card in bank.pistons.values()}
        raise unknown("piston", piston, faces)


def _check_combination(bank: Bank, slot: Slot) -> None:
    """That a slot is a piston at a level, and one that remembers something at each."""
    if slot.stage is not None:
        raise BankEditError("a crescendo stage has a list, the same at all levels")
    piston = slot.piston or ""
    _check_piston(bank, piston)
    if bank.pistons[piston].kind == Kind.FULL_ORGAN:
        raise BankEditError(f"{piston!r} is a full organ: it has a list, the same at all levels")
    if slot.level is None:
        raise BankEditError(f"{piston!r} remembers something at each level: which one is meant?")
    check_level(slot.level)


def _is_list(bank: Bank, slot: Slot) -> bool:
    """Whether a slot is a crescendo stage or a full organ."""
    if slot.stage is not None:
        return True
    card = bank.pistons.get(slot.piston or "")
    return card is not None and card.kind == Kind.FULL_ORGAN and slot.level is None


def _set_there(bank: Bank, slot: Slot) -> Combination:
    found = bank.get(slot)
    if found is not None:
        return found
    if slot.stage is not None:
        raise BankEditError(f"nothing is set for crescendo stage {slot.stage}")
    where = "" if slot.level is None else f" at level {slot.level}"
    raise BankEditError(f"nothing is set on {slot.piston!r}{where}")


def _steps(bank: Bank, sequence: str) -> tuple[Step, ...]:
    if sequence not in bank.sequences:
        raise unknown("sequence", sequence, {name: name for name in bank.sequences})
    return bank.sequences[sequence]


def _place(steps: tuple[Step, ...], sequence: str, number: Decimal) -> int:
    for place, step in enumerate(steps):
        if step.number == number:
            return place
    raise BankEditError(f"sequence {sequence!r} has no step {number:f}")


def _check_step(bank: Bank, level: int, piston: str, console: Console | None) -> None:
    if console is None:
        check_level(level)
        _check_piston(bank, piston)
        return
    if not 1 <= level <= console.levels:
        raise BankEditError(f"there is no level {level}: levels go from 1 to {console.levels:,}")
    pressed = {p.id: p.face for p in console.pistons if p.kind in STEPPED_TO}
    if piston not in pressed:
        raise unknown("piston", piston, pressed, "on this console for a step to press")


def _text(text: str, what: str) -> str:
    wrong = flaw(text)
    if wrong:
        raise BankEditError(f"{what} {wrong}")
    return text
