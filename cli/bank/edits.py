"""For the organist: what alters a bank, one command for each thing that can be done to it.

Each says in a line what it did. What an edit does, and what is refused, is for `banks.editing`
to know; what would be lost is asked about here.
"""

import sys

import click

from banks import editing
from cli.bank.files import agree, edited
from cli.bank.places import BankPlace
from cli.bank.words import Words, capital, level_words, set_words
from cli.files import shown
from cli.naming import plural
from cli.output import refuse, say
from combination.memory import Bank, Level, Slot
from combination.model import Kind

BANK = click.argument("file", metavar="BANK", type=BankPlace)
YES = click.option("--yes", is_flag=True, help="Do not ask.")
LEVEL = click.option(
    "--level", metavar="LEVEL", required=True, help="The level, by its number or name."
)
_OTHER_LEVEL = click.option(
    "--other-level", metavar="LEVEL", help="The level of the other piston, if it is not the same."
)


# ---------------------------------------------------------------- names and locks


@click.command()
@BANK
@click.argument("text")
def name(file: BankPlace, text: str) -> None:
    """Name a bank. An empty text ("") takes its name away."""
    with edited(file) as bank:
        before = bank.name
        editing.name_bank(bank, text)
    say(f"{shown(file)} {_called(text, before)}")


@click.command("name-level")
@BANK
@click.argument("level")
@click.argument("text")
def name_level(file: BankPlace, level: str, text: str) -> None:
    """Name a level. An empty text ("") takes its name away.

    A name that another level has, or that is only a number, is refused.
    """
    with edited(file) as bank:
        number = editing.find_level(bank, level)
        before = bank.levels.get(number, Level()).name
        editing.name_level(bank, number, text)
    say(f"Level {number} {_called(text, before)}")


def _called(text: str, before: str) -> str:
    now = f'is called "{text}" now' if text else "has no name now"
    return f'{now}; it was "{before}"' if before else now


_ONLY = click.option("--level", metavar="LEVEL", help="Only this level, by its number or name.")


@click.command()
@BANK
@_ONLY
@click.option("--passphrase", is_flag=True, help="Ask for a passphrase that will open it again.")
def lock(file: BankPlace, level: str | None, passphrase: bool) -> None:
    """Keep a bank, or one level of it, from being changed.

    What is locked is writing. A passphrase keeps fingers off, not thieves: whoever has the file
    can read and copy it. Where there is no terminal it is the first line of the input.
    """
    with edited(file) as bank:
        chosen = _passphrase(again=True) if passphrase else None
        if level is None:
            editing.lock_bank(bank, chosen)
            what = shown(file)
        else:
            number = editing.find_level(bank, level)
            editing.lock_level(bank, number, chosen)
            what = capital(level_words(bank, number))
    say(f"{what} is locked now{', with a passphrase' if passphrase else ''}")


@click.command()
@BANK
@_ONLY
@click.option("--forgotten", is_flag=True, help="Open it without its passphrase, if you agree.")
@YES
def unlock(file: BankPlace, level: str | None, forgotten: bool, yes: bool) -> None:
    """Let a bank, or one level of it, be changed again.

    If it was locked with a passphrase, that is asked for. A level that is locked by itself stays
    so when the bank is unlocked, and the other way round.
    """
    with edited(file) as bank:
        number = None if level is None else editing.find_level(bank, level)
        lock = bank if number is None else bank.levels.get(number, Level())
        given = None
        if lock.verifier and forgotten:
            agree("its passphrase is passed over, and needed no more", yes)
            lock.verifier = b""
        elif lock.verifier:
            given = _passphrase(again=False)
        if number is None:
            editing.unlock_bank(bank, given)
            locked = [number for number, held in bank.levels.items() if held.locked]
            but = f"; still locked: {plural(len(locked), 'level')}" if locked else ""
            what = shown(file)
        else:
            editing.unlock_level(bank, number, given)
            but = "; the whole bank is still locked" if bank.locked else ""
            what = capital(level_words(bank, number))
    say(f"{what} is unlocked now{but}")


def _passphrase(*, again: bool) -> str:
    """A passphrase, asked for without showing it; twice if it is a new one."""
    if not sys.stdin.isatty():
        try:
            return sys.stdin.readline().rstrip("\r\n")
        except UnicodeDecodeError:
            refuse("the passphrase is no text")
    return str(
        click.prompt(
            "Passphrase",
            hide_input=True,
            confirmation_prompt="The same again" if again else False,
            err=True,
        )
    )


# ---------------------------------------------------------------- whole levels


@click.command("copy-level")
@BANK
@click.argument("level")
@click.argument("to")
@YES
def copy_level(file: BankPlace, level: str, to: str, yes: bool) -> None:
    """Make the level TO the same as LEVEL, name and all."""
    with edited(file) as bank:
        source, target = _two_levels(bank, level, to)
        lost = _level_lost(bank, target)
        editing.copy_level(bank, source, target)
        agree(lost, yes)
        copied = level_words(bank, source)
        count = len(bank.levels[target].combinations)
    say(f"Level {target} is the same as {copied} now: {plural(count, 'piston')} set")


@click.command("swap-levels")
@BANK
@click.argument("level")
@click.argument("other")
def swap_levels(file: BankPlace, level: str, other: str) -> None:
    """Let two levels change places, names and all.

    Sequences go on pressing the level of the number that they have.
    """
    with edited(file) as bank:
        one, two = _two_levels(bank, level, other)
        editing.swap_levels(bank, one, two)
        now = " and ".join(
            f"{level_words(bank, number)} has {_pistons_set(bank, number)}" for number in (one, two)
        )
    say(f"Levels {one} and {two} have changed places: now {now}")


@click.command("clear-level")
@BANK
@click.argument("level")
@YES
def clear_level(file: BankPlace, level: str, yes: bool) -> None:
    """Take away all that a level holds, its name too."""
    with edited(file) as bank:
        number = editing.find_level(bank, level)
        lost = _level_lost(bank, number)
        editing.clear_level(bank, number)
        agree(lost, yes)
    say(f"Level {number} is empty now")


def _two_levels(bank: Bank, level: str, other: str) -> tuple[int, int]:
    one, two = editing.find_level(bank, level), editing.find_level(bank, other)
    if one == two:
        refuse(f"level {one} is given twice")
    return one, two


def _level_lost(bank: Bank, number: int) -> str:
    """What would be lost with all that a level holds; empty if nothing."""
    if bank.levels.get(number, Level()).blank:
        return ""
    return f"{level_words(bank, number)} ({_pistons_set(bank, number)}) would be lost"


def _pistons_set(bank: Bank, number: int) -> str:
    return set_words(len(bank.levels[number].combinations))


# ---------------------------------------------------------------- single pistons


@click.command("copy-piston")
@BANK
@click.argument("piston")
@click.argument("other")
@LEVEL
@_OTHER_LEVEL
@YES
def copy_piston(
    file: BankPlace, piston: str, other: str, level: str, other_level: str | None, yes: bool
) -> None:
    """Let the piston OTHER remember what PISTON remembers.

    To copy a piston to another level, give the same piston twice.
    """
    with edited(file) as bank:
        words = Words(bank)
        source, target = _two_slots(bank, words, (piston, level), (other, other_level or level))
        held = bank.get(target)
        differs = held is not None and held != bank.get(source)
        lost = f"what is set on {_at(words, target)} would be lost" if differs else ""
        editing.copy_combination(bank, source, target)
        agree(lost, yes)
        unheard = _unheard(bank, words, target)
    say(f"{_at(words, target)} remembers the same as {_at(words, source)} now{unheard}")


@click.command("swap-pistons")
@BANK
@click.argument("piston")
@click.argument("other")
@LEVEL
@_OTHER_LEVEL
def swap_pistons(
    file: BankPlace, piston: str, other: str, level: str, other_level: str | None
) -> None:
    """Let two pistons exchange what they remember.

    One of them may have nothing set.

    To exchange what one piston has at two levels, give it twice.
    """
    with edited(file) as bank:
        words = Words(bank)
        one, two = _two_slots(bank, words, (piston, level), (other, other_level or level))
        editing.swap_combinations(bank, one, two)
        unheard = _unheard(bank, words, one) + _unheard(bank, words, two)
    exchanged = f"{_at(words, one)} and {_at(words, two)}"
    say(f"{exchanged} have exchanged what they remember{unheard}")


@click.command("clear-piston")
@BANK
@click.argument("piston")
@click.option("--level", metavar="LEVEL", help="The level; a full organ has none.")
@YES
def clear_piston(file: BankPlace, piston: str, level: str | None, yes: bool) -> None:
    """Let a piston at a level be as one that was never set.

    A full organ goes back to the console's own list.
    """
    with edited(file) as bank:
        words = Words(bank)
        slot = _slot(bank, words, piston, level)
        editing.clear_combination(bank, slot)
        agree(f"what is set on {_at(words, slot)} would be lost", yes)
    left = "back to the console's own list" if slot.level is None else "as never set"
    say(f"{_at(words, slot)} is {left} now")


@click.command("clear-stage")
@BANK
@click.argument("stage", type=int)
@YES
def clear_stage(file: BankPlace, stage: int, yes: bool) -> None:
    """Let a crescendo stage go back to the console's own list."""
    with edited(file) as bank:
        editing.clear_combination(bank, Slot(stage=stage))
        agree(f"what is set for crescendo stage {stage} would be lost", yes)
    say(f"Crescendo stage {stage} is back to the console's own list now")


@click.command()
@BANK
@click.argument("piston")
@click.argument("controls", metavar="[STOP]...", nargs=-1)
@LEVEL
@click.option("--none", "nothing", is_flag=True, help="It leaves nothing alone.")
def neutral(
    file: BankPlace, piston: str, controls: tuple[str, ...], level: str, nothing: bool
) -> None:
    """Say which stops a piston leaves alone at a level.

    It leaves alone these stops (couplers, tremulants and all else on the rail are meant too),
    and no others: whatever they are, on or off, the piston does not touch them there.
    """
    if nothing == bool(controls):
        refuse("name the stops that the piston is to leave alone, or else give --none")
    with edited(file) as bank:
        words = Words(bank)
        slot = _slot(bank, words, piston, level)
        held = bank.get(slot)
        editing.set_neutral(bank, slot, map(words.find_control, controls))
        now, before = (
            words.listed(bank.roster.registration(combination.neutral)) if combination else ""
            for combination in (bank.get(slot), held)
        )
    was = f" (before: {before})" if before else ""
    say(f"{_at(words, slot)} now leaves alone {now or 'nothing'}{was}")


def _slot(bank: Bank, words: Words, piston: str, level: str | None) -> Slot:
    """The place that a person means by a piston and a level."""
    found = words.find_piston(piston)
    if level is not None:
        return Slot(found, editing.find_level(bank, level))
    if found in bank.pistons and bank.pistons[found].kind != Kind.FULL_ORGAN:
        refuse(f"{words.piston(found)} remembers something at each level: give one with --level")
    return Slot(found)


def _two_slots(
    bank: Bank, words: Words, place: tuple[str, str], other: tuple[str, str]
) -> tuple[Slot, Slot]:
    one, two = _slot(bank, words, *place), _slot(bank, words, *other)
    if one == two:
        refuse(f"{_at(words, one)} is given twice: say which other piston or level is meant")
    return one, two


def _at(words: Words, slot: Slot) -> str:
    """A piston at its level: ``Great 1 (gt1) at level 3``."""
    piston = words.piston(slot.piston or "")
    return piston if slot.level is None else f"{piston} at level {slot.level}"


def _unheard(bank: Bank, words: Words, slot: Slot) -> str:
    """A warning that not all that a piston remembers is within what it affects."""
    combination, piston = bank.get(slot), slot.piston or ""
    lost = combination.on & ~bank.pistons[piston].affects if combination else 0
    if not lost:
        return ""
    kept = plural(lost.bit_count(), "stop")
    return f"; {kept} of it will not be heard, as {words.piston(piston)} does not affect them"


EDITS = (
    name,
    name_level,
    lock,
    unlock,
    copy_level,
    swap_levels,
    clear_level,
    copy_piston,
    swap_pistons,
    clear_piston,
    clear_stage,
    neutral,
)
"""Every command that alters a bank, but for those that arrange sequences."""
