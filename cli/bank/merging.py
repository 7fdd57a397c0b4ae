"""For the organist: two players' banks made into one, with every conflict shown.

What a conflict is, and what a merge comes to, is for `banks.merging` to know; nothing is chosen
here that a person did not choose.
"""

import sys
from collections.abc import Iterable
from pathlib import Path

import click

from banks import compare
from banks.merging import (
    Conflict,
    LevelName,
    MemoryConflict,
    Merged,
    NameConflict,
    Place,
    SequenceName,
    Side,
)
from banks.merging import merge as merged_of
from cli.bank.differences import print_changes
from cli.bank.edits import BANK, YES
from cli.bank.files import agree, read_bank
from cli.bank.places import BankPlace, refusing
from cli.bank.targets import target_of
from cli.bank.words import PAGE, Words, capital
from cli.files import read_console_file, shown
from cli.naming import plural
from cli.output import answer_no, refuse, say, say_table
from combination.memory import seat


@click.command()
@BANK
@click.argument("other", type=BankPlace)
@click.option(
    "--console",
    "console_file",
    type=click.Path(path_type=Path),
    help="A console file: bring both banks up to date with it first.",
)
@click.option(
    "--shift",
    type=click.IntRange(0),
    default=0,
    metavar="N",
    help="Put OTHER's level 1 at level N + 1, its level 2 at N + 2, and so on.",
)
@click.option("--mine", is_flag=True, help="In every conflict keep what BANK has.")
@click.option("--theirs", is_flag=True, help="In every conflict take what OTHER has.")
@YES
def merge(
    file: BankPlace,
    other: BankPlace,
    console_file: Path | None,
    shift: int,
    mine: bool,
    theirs: bool,
    yes: bool,
) -> None:
    """Bring what is in another bank into a bank, if you agree.

    What only OTHER has is taken, what only BANK has stays. Where both have something, and not
    the same, that is a conflict: each is shown, and asked about one by one, unless --mine or
    --theirs says it for all of them. Where nobody can be asked nothing is changed, and the exit
    code is 1. With --shift the two players' levels can stand side by side, and need not meet.
    """
    if mine and theirs:
        refuse("--mine and --theirs: only one of them can be so")
    target = target_of(file)
    present = target.present()
    if present is None:
        refuse(f"there is no bank {shown(file)} to merge another into")
    first, second = present, read_bank(other).bank
    console = None if console_file is None else read_console_file(console_file)
    if console is not None:
        first, second = seat(first, console), seat(second, console)

    def merging(choices: dict[Place, Side]) -> Merged:
        with refusing():
            return merged_of(first, second, choices=choices, shift_levels=shift)

    found = merging({})
    words = Words(first, second)
    _say_conflicts(found.conflicts, words, shown(file), shown(other))
    choices = _chosen(found.conflicts, words, mine=mine, theirs=theirs)
    if choices is None:
        say("Nothing has been changed: choose with --mine or --theirs, or avoid it with --shift")
        answer_no()
    bank = merging(choices).bank
    if bank is None or compare(present, bank).equal:
        say(f"{shown(other)} has nothing that {shown(file)} would take")
        return
    say(f"What changes in {shown(file)}")
    print_changes(first, bank, compare(first, bank))
    say()
    agree(f"{shown(file)} will be changed", yes)
    target.write(bank, f"merged with {shown(other)}", console)


def _say_conflicts(conflicts: Iterable[Conflict], words: Words, first: str, second: str) -> None:
    rows = [(_place(each.place, words), *_sides(each, words)) for each in conflicts]
    if not rows:
        say("No conflict: where both have something, it is the same")
    else:
        say_table(
            ("", f"only in {first}", f"only in {second}"),
            rows,
            title=f"{plural(len(rows), 'conflict')}: both have something, and not the same",
            width=PAGE,
        )
    say()


def _place(place: Place, words: Words) -> str:
    if isinstance(place, LevelName):
        return f"name of level {place.level}"
    if isinstance(place, SequenceName):
        return f'sequence "{place.name}"'
    if place.stage is not None:
        return f"crescendo stage {place.stage}"
    at = "" if place.level is None else f" at level {place.level}"
    return f"{words.piston(place.piston or '')}{at}"


def _sides(conflict: Conflict, words: Words) -> tuple[str, str]:
    """What each side has that the other has not."""
    if isinstance(conflict, NameConflict):
        return f'"{conflict.first}"', f'"{conflict.second}"'
    if isinstance(conflict, MemoryConflict):
        one, two = conflict.first, conflict.second
        told = [
            "; ".join(
                f"{word}{words.listed(c for c in ours if c not in others)}"
                for word, ours, others in (
                    ("", mine.on, its.on),
                    ("leaves alone ", mine.neutral, its.neutral),
                )
                if any(c not in others for c in ours)
            )
            for mine, its in ((one, two), (two, one))
        ]
        return told[0] or "nothing more", told[1] or "nothing more"
    return plural(len(conflict.first), "step"), plural(len(conflict.second), "step")


def _chosen(
    conflicts: Iterable[Conflict], words: Words, *, mine: bool, theirs: bool
) -> dict[Place, Side] | None:
    """What is chosen in each conflict; None if nobody can be asked."""
    places = [conflict.place for conflict in conflicts]
    if mine or theirs or not places:
        return dict.fromkeys(places, Side.SECOND if theirs else Side.FIRST)
    if not sys.stdin.isatty():
        return None
    asked: dict[Place, Side] = {}
    for place in places:
        answer = click.prompt(
            f"{capital(_place(place, words))}: mine or theirs?",
            type=click.Choice(["mine", "theirs"]),
            err=True,
        )
        asked[place] = Side.SECOND if answer == "theirs" else Side.FIRST
    return asked
