"""For the organist: what a bank in a store has been, and how any of it is taken back.

What changes there are, and what taking them back comes to, is for `banks.history` to know; how
they are put in words is in `cli.bank.telling`.
"""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime

import click

from banks import History, Store
from banks.history import Making, TakingBack
from banks.store import Player
from cli.bank.edits import BANK, YES
from cli.bank.files import agree
from cli.bank.places import BankPlace, evening_meant, quoted, refusing, time_meant
from cli.bank.telling import Told, as_data
from cli.files import shown
from cli.naming import plural
from cli.output import PAGE, answer_no, json_option, refuse, say, say_json, say_table

_MOST = 40
"""Changes that are listed if it is not said how many."""

_SINCE = click.option("--since", metavar="TIME", help="Only what was changed from this time on.")
_UNTIL = click.option("--until", metavar="TIME", help="Only what was changed up to this time.")


@click.command()
@BANK
@click.argument("change", required=False, type=click.IntRange(1))
@click.option("--piston", metavar="PISTON", help="Only what this piston has remembered.")
@_SINCE
@_UNTIL
@click.option("--all", "every", is_flag=True, help=f"All, not the last {_MOST} changes.")
@click.option("--moves", is_flag=True, help="Also each place where the player left off.")
@json_option
def history(
    file: BankPlace,
    change: int | None,
    piston: str | None,
    since: str | None,
    until: str | None,
    every: bool,
    moves: bool,
    as_json: bool,
) -> None:
    """List what was changed in a bank of a store, and when.

    The newest comes first, each with the number by which it can be looked at (CHANGE, with all
    that it changed) or taken back. A TIME is 2031-05-04T18:30, or a day as 2031-05-04: --since is
    from its beginning, --until to its end.
    """
    if change is not None and (piston is not None or since is not None or until is not None):
        refuse("give the number of a change, or what to list, not both")
    after, up_to = _begun(since), _ended(until)
    with _opened(file, writing=False) as (store, player):
        past = History(store, player.number)
        told = Told(past.names())
        if change is not None:
            makings = [past.entry(change)]
        elif piston is not None:
            makings = _of_piston(past, told, piston, after, up_to)
        else:
            makings = past.listed(after, up_to, most=None if every else _MOST + 1, moves=moves)
    listed = makings if every else makings[:_MOST]
    if as_json:
        say_json([as_data(making, told) for making in listed])
        return
    if change is not None:
        _say_whole(makings[0], told)
        return
    _say_listed(listed, told)
    if len(makings) > len(listed):
        say("\nThere are older changes: --all lists them, or a part of them with --until")


def _of_piston(
    past: History, told: Told, piston: str, after: datetime | None, up_to: datetime | None
) -> list[Making]:
    found = past.pasts(told.piston(piston))
    return [
        Making(entry, (changed,))
        for entry, changed in found
        if (after is None or entry.at > after) and (up_to is None or entry.at <= up_to)
    ]


def _say_listed(makings: list[Making], told: Told) -> None:
    if not makings:
        say("Nothing was changed")
        return
    rows = [
        (
            str(making.entry.number),
            told.when(making.entry),
            told.made(making.entry),
            told.sum(making),
        )
        for making in makings
    ]
    say_table(("change", "when", "made by", "what it changed"), rows, width=PAGE)


def _say_whole(making: Making, told: Told) -> None:
    say(f"Change {making.entry.number}, {told.when(making.entry)}: {told.made(making.entry)}")
    say()
    rows = [(told.place(changed), told.difference(changed)) for changed in making.changes]
    say_table(("", "what changed"), rows, width=PAGE)


# ---------------------------------------------------------------- taking back


@click.command("take-back")
@BANK
@click.argument("changes", nargs=-1, metavar="[CHANGE|N-M]...")
@click.option("--evening", metavar="DAY", help="All of a day, until four the next morning.")
@click.option("--since", metavar="TIME", help="All that was changed from this time on.")
@click.option("--until", metavar="TIME", help="With --since: up to this time.")
@click.option("--later-too", is_flag=True, help="Also where something else has been changed since.")
@YES
def take_back(
    file: BankPlace,
    changes: tuple[str, ...],
    evening: str | None,
    since: str | None,
    until: str | None,
    later_too: bool,
    yes: bool,
) -> None:
    """Take changes back: one, several, or a whole evening.

    The bank is one in a store. What they changed becomes as it was before them, if you agree. A
    place that was changed again by something else stays as it is now, and is named; with
    --later-too it goes back all the same. Locks are not taken off by this. It can itself be
    taken back.
    """
    with _opened(file, writing=True) as (store, player):
        past = History(store, player.number)
        told = Told(past.names())
        chosen = _chosen(past, changes, evening, since, until)
        if not chosen:
            refuse("nothing was changed then")
        taking = past.taking_back(chosen, later_too=later_too)
        _say_taking(taking, told, later_too)
        if not taking.back:
            say("Nothing would be different")
            answer_no()
        agree(f"{plural(len(taking.back), 'place')} will be as before", yes)
        done = past.take_back(taking)
        called = next(each.name for each in store.players() if each.number == player.number)
    again = quoted(BankPlace(f"{shown(file.found().file)}:{called}"))
    say(f"Taken back, by change {done}")
    say(f"To undo that: stopwright bank take-back {again} {done}")


def _chosen(
    past: History,
    changes: tuple[str, ...],
    evening: str | None,
    since: str | None,
    until: str | None,
) -> set[int]:
    """The numbers of the changes that a person means."""
    ways = [bool(changes), evening is not None, since is not None]
    if sum(ways) != 1 or (until is not None and since is None):
        refuse("say what to take back: numbers of changes, or --evening, or --since and --until")
    if evening is not None:
        return set(past.evening(*evening_meant(evening)))
    if since is not None:
        return set(past.evening(time_meant(since, before=True), _ended(until)))
    chosen: set[int] = set()
    for text in changes:
        ends = re.fullmatch(r"(\d{1,15})(?:-(\d{1,15}))?", text, re.ASCII)
        if ends is None:
            refuse(f'"{text}" is no number of a change, nor a run of them as 510-512')
        first, last = int(ends[1]), int(ends[2] or ends[1])
        if first > last:
            refuse(f"{text} goes backwards: write {last}-{first}")
        chosen |= {first} if ends[2] is None else set(past.numbered(first, last))
    return chosen


def _say_taking(taking: TakingBack, told: Told, later_too: bool) -> None:
    if taking.back:
        rows = [(told.place(changed), told.difference(changed)) for changed in taking.back[:_MOST]]
        say_table(("", "what changes"), rows, width=PAGE)
        if len(taking.back) > _MOST:
            say(f"  and {plural(len(taking.back) - _MOST, 'more place')}")
        say()
    if taking.later:
        way = "goes back all the same" if later_too else "stays as it is; --later-too takes it back"
        say(f"Changed again since, by something else, which {way}:")
        for key in taking.later[:_MOST]:
            say(f"  {told.key(key)}")
        if len(taking.later) > _MOST:
            say(f"  and {plural(len(taking.later) - _MOST, 'more place')}")
        say()


def _begun(text: str | None) -> datetime | None:
    return None if text is None else time_meant(text, before=True)


def _ended(text: str | None) -> datetime | None:
    return None if text is None else time_meant(text)


@contextmanager
def _opened(place: BankPlace, *, writing: bool) -> Iterator[tuple[Store, Player]]:
    """The store that a bank is in, and the bank. Refuses a bank that is in none."""
    found = place.found()
    if not found.in_store:
        with refusing():
            found.in_file()
        refuse(f"{shown(place)} is a bank file: only a bank in a store has a history")
    with refusing(), Store(found.file, writing=writing) as store:
        player, time = found.player(store)
        if time is not None:
            refuse("leave out the time: a history is that of all times")
        yield store, player
