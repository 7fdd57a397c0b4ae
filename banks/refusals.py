"""What is refused to whoever would alter a bank, said in a person's words.

A lock, a number beyond its limit and an unknown name are refused everywhere in the same way.
What each alteration does is not known here.
"""

from collections.abc import Mapping
from difflib import get_close_matches

from banks import limits
from combination.memory import Bank


class BankEditError(Exception):
    """An edit that was refused; the message says why, for a person. The bank is unchanged."""


def check_unlocked(bank: Bank, *levels: int | None) -> None:
    """That neither the bank nor any of these levels is locked. None is no level.

    Raises:
        BankEditError: if one is, or if there can be no such level.
    """
    if bank.locked:
        raise BankEditError("the bank is locked")
    for level in levels:
        if level is not None:
            check_level(level)
            if bank.is_locked(level):
                raise BankEditError(f"level {level} is locked")


def check_level(level: int) -> None:
    """That a level has a number from 1 to the highest there can be.

    Raises:
        BankEditError: if it has not.
    """
    if not 1 <= level <= limits.LEVELS:
        raise BankEditError(f"there is no level {level}: levels go from 1 to {limits.LEVELS:,}")


def check_size(bank: Bank) -> None:
    """That a bank to which something was added is not more than a file can carry.

    Raises:
        BankEditError: if it is.
    """
    sizes = (
        ("controls", len(bank.controls), limits.CONTROLS),
        ("pistons", len(bank.pistons), limits.PISTONS),
        ("sequences", len(bank.sequences), limits.SEQUENCES),
        (
            "combinations",
            sum(len(level.combinations) for level in bank.levels.values()),
            limits.COMBINATIONS,
        ),
    )
    for what, count, most in sizes:
        if count > most:
            raise BankEditError(f"that makes {count:,} {what}: a bank has at most {most:,}")


def unknown(
    what: str, name: str, known: Mapping[str, str], where: str = "in this bank"
) -> BankEditError:
    """An error that names the nearest right one, by its id or by its label.

    ``known`` has the label of each thing there is under its id.
    """
    message = f"there is no {what} {name!r} {where}"
    faces = {face.casefold(): id_ for id_, face in known.items()}
    near = get_close_matches(name, known, 1)
    near = near or [faces[face] for face in get_close_matches(name.casefold(), faces, 1)]
    return BankEditError(f"{message}; did you mean {near[0]!r}?" if near else message)
