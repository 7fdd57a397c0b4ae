"""For the organist: banks made, printed, compared, backed up, restored, altered.

Each command reads what it is given, has the work done, and says what came of it. What alters a
bank is in `cli.bank.edits`, and what prints one in `cli.bank.printing`.
"""

import re
from pathlib import Path

import click
from attrs import evolve

from banks import BankEditError, BankFile, Part, compare, fit_to, part_of, put_part
from banks.editing import find_level
from cli.bank.differences import as_data, print_changes, print_differences, print_fit
from cli.bank.edits import BANK, EDITS, YES
from cli.bank.files import (
    ENDING,
    Look,
    agree,
    are_one_file,
    check_unlocked,
    copy_to,
    looked_at,
    read_bank,
    saved_now,
    write_new,
    write_over,
)
from cli.bank.merging import merge
from cli.bank.midi import from_midi, to_midi
from cli.bank.past import history, take_back
from cli.bank.places import BankPlace, Found, refusing
from cli.bank.printing import Asked, bank_data, print_bank
from cli.bank.sequences import sequence
from cli.bank.targets import left_as_it_is, target_of
from cli.bank.wire import receive, send
from cli.bank.words import Words, moment, part_words
from cli.files import read_console_file, shown
from cli.naming import plural
from cli.output import ByPurpose, answer_no, json_option, refuse, say, say_json
from combination.findings import nearest
from combination.memory import Bank, Renames, fresh_bank, renames, seat

_FOR = (
    ("Keep", ("new", "backup", "restore", "fit", "merge", "to-midi", "from-midi")),
    ("Send", ("send", "receive")),
    ("Look", ("print", "compare", "history")),
    ("Take back", ("take-back",)),
    ("Name and lock", ("name", "name-level", "lock", "unlock")),
    ("Alter levels", ("copy-level", "swap-levels", "clear-level")),
    ("Alter pistons", ("copy-piston", "swap-pistons", "clear-piston", "clear-stage", "neutral")),
    ("Arrange", ("sequence",)),
)
"""What each command is for, in the order in which the help lists them."""

_CONSOLE = click.option(
    "--console",
    "console_file",
    type=click.Path(path_type=Path),
    required=True,
    help="The console file of the console that the bank is for.",
)
_FILE = click.Path(path_type=Path)
LEVELS = click.option(
    "--level",
    "levels",
    multiple=True,
    metavar="LEVEL|N-M",
    help="Only this level, or these; can be given again.",
)
PISTONS = click.option(
    "--piston", "pistons", multiple=True, metavar="PISTON", help="Only this piston; likewise."
)


@click.group(cls=ByPurpose)
def bank() -> None:
    """Keep, print, compare and alter banks.

    A bank is one player's whole memory of one console: what every piston holds at every level,
    names, locks, sequences, and where the player left off. Every command that writes one writes
    it whole or leaves all as it was, and asks before anything that is set is lost.

    \b
    BANK is one of these:
      ruth.bank                       a bank file
      organ.store:Ruth                a player's bank in a store; only organ.store if it is alone
      organ.store:Ruth@2031-05-04     the same as it was when that day ended
      organ.store:Ruth@2031-05-04T18:30   at that time
      organ.store:Ruth@512            after change 512 of its history
      all.bank:Ruth                   a player's bank in a backup of a whole store

    A level is said by its number or its name; a piston and a stop by its label (as "Great 1",
    "Great Tuba 8'"), or by the id that stands in brackets behind it when the bank is printed.
    """


bank.purposes = _FOR


for command in (*EDITS, history, take_back, merge, to_midi, from_midi, send, receive, sequence):
    bank.add_command(command)


# ---------------------------------------------------------------- keep


@bank.command()
@click.argument("file", metavar="BANK", type=_FILE)
@_CONSOLE
@click.option("--name", default="", help="What the bank is called.")
def new(file: Path, console_file: Path, name: str) -> None:
    """Begin a bank in which nothing is set.

    A file that is there already is left as it is.
    """
    console = read_console_file(console_file)
    write_new(file, saved_now(fresh_bank(console, name)))
    say(f"{shown(file)}: a new bank for {console.name}; nothing is set yet")


@bank.command()
@BANK
@click.argument("to", type=click.Path())
@LEVELS
@PISTONS
@click.option("--replace", is_flag=True, help="Take the place of the file that is there.")
def backup(
    file: BankPlace, to: str, levels: tuple[str, ...], pistons: tuple[str, ...], replace: bool
) -> None:
    """Copy a bank to a file, read it back, and compare.

    TO is a file, or a folder: there the copy is named after the bank, with the date. With
    --level or --piston only that part is copied; put into a bank, it leaves the rest alone.
    """
    look = looked_at(file)
    kept = _part_of(look.file, levels, pistons)
    copy = copy_to(to, _named_after(look))
    if are_one_file(look.found.file, copy):
        refuse(f"{shown(copy)} is the bank itself")
    (write_over if replace else write_new)(copy, kept)
    what = shown(file) if kept.part is None else f"a part of {shown(file)}"
    say(f"{shown(copy)}: a backup of {what}, read back and the same: {_size(kept.bank)}")


def _part_of(file: BankFile, levels: tuple[str, ...], pistons: tuple[str, ...]) -> BankFile:
    """What of a bank file is asked for; all of it if nothing is."""
    part = _part(file.bank, levels, pistons)
    if part.whole:
        return file
    if file.part is not None:
        refuse("this file holds a part of a bank already: it is copied whole")
    with refusing():
        return evolve(file, bank=part_of(file.bank, part), part=part)


def _part(bank: Bank, levels: tuple[str, ...], pistons: tuple[str, ...]) -> Part:
    asked_levels, asked_pistons = _levels_asked(bank, levels), _pistons_asked(bank, pistons)
    return Part(
        None if asked_levels is None else tuple(sorted(asked_levels)),
        None if asked_pistons is None else tuple(p for p in bank.pistons if p in asked_pistons),
    )


def _named_after(look: Look) -> Path:
    """A file name for a copy: the bank file's own, or the player's in a store."""
    if not (look.found.in_store or look.several):
        return look.found.file
    name = re.sub(r"[^\w-]+", "-", look.file.bank.name).strip("-").lower()
    return Path((name or "bank") + ENDING)


def _size(bank: Bank) -> str:
    """How much is set in a bank."""
    counts = [len(level.combinations) for level in bank.levels.values() if level.combinations]
    return f"{plural(sum(counts), 'combination')} at {plural(len(counts), 'level')}"


@bank.command()
@click.argument("backup_file", metavar="BACKUP", type=BankPlace)
@BANK
@_CONSOLE
@LEVELS
@PISTONS
@YES
def restore(
    backup_file: BankPlace,
    file: BankPlace,
    console_file: Path,
    levels: tuple[str, ...],
    pistons: tuple[str, ...],
    yes: bool,
) -> None:
    """Put a backup in the place of a bank, if you agree.

    First it shows what of it does not fit the console, and what will change. BACKUP may also be
    a bank in a store as it was at some time. With --level or --piston, or if the backup holds
    only a part of a bank, the rest of BANK is left alone.

    What does not fit the console is kept in the bank, and is not heard. What was in BANK before
    stays: in a file beside it, or in the history of the store, and can be brought back.
    """
    target = target_of(file)
    with left_as_it_is(target):
        saved = read_bank(backup_file)
    console = read_console_file(console_file)
    for other in (backup_file.found(), Found(console_file)):
        if are_one_file(target.file, other.file) and not other.in_store:
            refuse(f"{shown(file)} and {shown(other.file)} are the same file")
    present = target.present()
    if saved.part is None:
        saved = evolve(saved, bank=target.as_called_there(saved.bank))
    kept = _part_of(saved, levels, pistons)
    say(f"{shown(backup_file)}, saved {moment(saved.saved)}: {_size(kept.bank)}")
    fit = fit_to(kept.bank, console)
    if kept.part is None:
        bank = evolve(fit.bank, name=target.name or fit.bank.name)
    elif present is None:
        refuse(f"there is no bank {shown(file)} that a part could be put into")
    else:
        part = _renamed(kept.part, renames(kept.bank, console))
        with refusing():
            bank = put_part(seat(present, console), fit.bank, part)
        say(f"Only {part_words(Words(fit.bank), part)}: the rest stays as it is")
    say()
    print_fit(fit, console, shown(backup_file))
    say()
    if present is not None and compare(present, bank).equal:
        say(f"{shown(file)} holds the same already: nothing has been changed")
        return
    if present is not None:
        check_unlocked(shown(file), present, bank, console)
        say(f"What changes in {shown(file)}")
        print_changes(present, bank, compare(seat(present, console), bank))
        say()
    agree(f"{shown(file)} will be {_done_to(present, kept)}", yes)
    target.write(bank, f"restored from {shown(backup_file)}", console)


def _renamed(part: Part, renamed: Renames) -> Part:
    """A part of a bank on a console that calls pistons otherwise."""
    if part.pistons is None:
        return part
    return evolve(part, pistons=tuple(renamed.pistons.get(p, p) for p in part.pistons))


def _done_to(present: Bank | None, kept: BankFile) -> str:
    if present is None:
        return "made"
    return "replaced" if kept.part is None else "changed"


@bank.command("fit")
@BANK
@_CONSOLE
@json_option
def fit_(file: BankPlace, console_file: Path, as_json: bool) -> None:
    """Show what becomes of a bank on another or a changed console.

    Ends with exit code 1 if something that the bank remembers will not be heard there. The bank
    is not changed: a restore, or the console itself, brings it up to date.
    """
    kept, console = read_bank(file), read_console_file(console_file)
    fit = fit_to(kept.bank, console)
    if as_json:
        say_json({"fits": fit.complete, **as_data(fit)})
    else:
        print_fit(fit, console, shown(file))
    if not fit.complete:
        answer_no()


# ---------------------------------------------------------------- look


@bank.command("print")
@BANK
@LEVELS
@PISTONS
@click.option(
    "--console",
    "console_file",
    type=_FILE,
    help="A console file: what that console does not have is marked with a star.",
)
@json_option
def print_(
    file: BankPlace,
    levels: tuple[str, ...],
    pistons: tuple[str, ...],
    console_file: Path | None,
    as_json: bool,
) -> None:
    """Print what is on, piston by piston, for the music desk.

    Level by level, what each piston turns on, by division; then the full organ and crescendo
    lists that the player has set, and the sequences.
    """
    kept = read_bank(file)
    console = read_console_file(console_file) if console_file is not None else None
    if console is not None:
        kept = evolve(kept, bank=evolve(seat(kept.bank, console), console=kept.bank.console))
    asked = Asked(_levels_asked(kept.bank, levels), _pistons_asked(kept.bank, pistons))
    if as_json:
        say_json(bank_data(kept, asked))
    else:
        print_bank(kept, shown(file), asked, console)


def _levels_asked(bank: Bank, asked: tuple[str, ...]) -> frozenset[int] | None:
    """The levels that a person lists by numbers, runs of numbers, and names."""
    found: set[int] = set()
    try:
        for text in asked:
            ends = re.fullmatch(r"(\d+)-(\d+)", text, re.ASCII)
            first, last = ends.groups() if ends else (text, text)
            lowest, highest = find_level(bank, first), find_level(bank, last)
            if lowest > highest:
                refuse(f"levels {text} go backwards: write {highest}-{lowest}")
            found |= set(range(lowest, highest + 1))
    except BankEditError as error:
        refuse(str(error))
    return frozenset(found) if asked else None


def _pistons_asked(bank: Bank, asked: tuple[str, ...]) -> frozenset[str] | None:
    words = Words(bank)
    found = {words.find_piston(text): text for text in asked}
    for piston, text in found.items():
        if piston not in bank.pistons:
            refuse(f'there is no piston "{text}" in this bank{nearest(text, bank.pistons)}')
    return frozenset(found) if asked else None


@bank.command("compare")
@click.argument("one", type=BankPlace)
@click.argument("other", type=BankPlace)
@click.option(
    "--console",
    "console_file",
    type=_FILE,
    help="A console file: compare the banks as they would be on that console.",
)
@json_option
def compare_(one: BankPlace, other: BankPlace, console_file: Path | None, as_json: bool) -> None:
    """Print how two banks differ, and only that.

    With --console both are first brought up to date with that console, and neither is changed:
    a stop or a piston that it renamed (its file's "was") is then no difference.

    Ends with exit code 1 if they differ.
    """
    first, second = read_bank(one), read_bank(other)
    where = ""
    if console_file is not None:
        console = read_console_file(console_file)
        first = evolve(first, bank=seat(first.bank, console))
        second = evolve(second, bank=seat(second.bank, console))
        where = f" on {console.name}"
    found = compare(first.bank, second.bank)
    if as_json:
        say_json({"equal": found.equal, **as_data(found)})
    elif found.equal:
        say(f"{shown(one)} and {shown(other)} hold the same{where}")
    else:
        say(f"first:   {shown(one)}, saved {moment(first.saved)}")
        say(f"second:  {shown(other)}, saved {moment(second.saved)}")
        print_differences(first.bank, second.bank, found)
    if not found.equal:
        answer_no()
