"""For the organist and the technician: the store of a console, with all its players' banks.

What is done with one bank in it is done by the commands of `cli.bank`; these are of the store as
a whole: who is in it, whose bank is on the desk, its backup, its soundness.
"""

from collections.abc import Container, Iterator
from contextlib import contextmanager
from itertools import chain, count
from pathlib import Path
from tempfile import TemporaryDirectory

import click
from attrs import evolve

from banks import (
    BankFile,
    Store,
    compare,
    create_store,
    fit_to,
    read_any,
)
from banks.database import StoreDamagedError
from banks.history import compact, compacting, faults
from banks.mending import Mended, mend
from banks.store import Player
from cli.bank.differences import as_data, print_changes, print_fit
from cli.bank.edits import YES
from cli.bank.files import (
    ENDING,
    agree,
    check_unlocked,
    copy_to,
    every_bank,
    made_by,
    read_bank,
    write_new,
    write_over,
)
from cli.bank.places import BankPlace, quoted, refusing, time_meant
from cli.bank.words import moment
from cli.files import read_console_file, shown
from cli.naming import plural
from cli.output import ByPurpose, answer_no, json_option, refuse, say, say_json, say_table
from combination.memory import Bank, fresh_bank, seat

_FOR = (
    ("Begin", ("new", "list")),
    ("Players", ("add", "remove", "bring-back", "guest", "owner", "desk")),
    ("Keep", ("backup", "restore", "copy")),
    ("A changed console", ("fit", "update")),
    ("Years later", ("compact", "check", "mend")),
)
"""What each command is for, in the order in which the help lists them."""

_STORE = click.argument("file", metavar="STORE", type=click.Path(path_type=Path))
_PLAYER = click.argument("player")
_CONSOLE = click.option(
    "--console",
    "console_file",
    type=click.Path(path_type=Path),
    required=True,
    help="The console file of the console that the store is of.",
)


@click.group(cls=ByPurpose)
def store() -> None:
    """Keep the banks of a console's players in one place, with all that they ever were.

    A store is one file, in which a set is safe from the moment it is acknowledged, whenever the
    console is switched off. Each player has a bank in it. Every change is kept in a history and
    can be taken back. A bank in a store is named as organ.store:Ruth, and every command of
    "stopwright bank" takes it so. Several programs may use a store at once.

    A store that was switched off with the console may have a second file beside it for a while,
    ending in -wal: the two belong together. To copy a store use "copy", not the file manager.
    """


store.purposes = _FOR


@contextmanager
def _opened(file: Path, *, writing: bool = True) -> Iterator[Store]:
    with refusing(), Store(file, writing=writing) as opened:
        yield opened


def _player(opened: Store, name: str, *, removed: bool = False) -> Player:
    """A player by name; with ``removed`` one whose bank is out of sight."""
    found = [player for player in opened.players() if player.removed is removed]
    named = [player for player in found if player.name.casefold() == name.casefold()]
    if not named:
        listed = ", ".join(player.name for player in found) or "nobody"
        where = "among those removed" if removed else "in it"
        refuse(f"{opened.name}: there is no {name!r} {where}; there is {listed}")
    return named[-1]


# ---------------------------------------------------------------- begin


@store.command()
@_STORE
def new(file: Path) -> None:
    """Begin a store, with nobody in it yet.

    A file that is there already is left as it is.
    """
    with refusing():
        create_store(file)
    say(f"{shown(file)}: a new store; nobody has a bank in it yet: stopwright store add")


@store.command("list")
@_STORE
@click.option("--removed", is_flag=True, help="Also the banks that were removed.")
@json_option
def list_(file: Path, removed: bool, as_json: bool) -> None:
    """List the players, and what their banks are."""
    with _opened(file, writing=False) as opened:
        players = [player for player in opened.players() if removed or not player.removed]
        desk, owner = opened.desk, opened.owner
        sizes = [_size(opened.load(player.number)) for player in players]
    if as_json:
        say_json(
            [
                {
                    "name": player.name,
                    "console": player.console,
                    "owner": player.number == owner,
                    "guest": player.guest,
                    "desk": player.number == desk,
                    "removed": player.removed,
                    "change": player.entry,
                    "changed": player.changed.isoformat(),
                    "combinations": size,
                }
                for player, size in zip(players, sizes, strict=True)
            ]
        )
        return
    if not players:
        say(f"{shown(file)}: nobody has a bank in it yet")
        return
    rows = [
        (
            player.name,
            ", ".join(_standing(player, desk, owner)),
            str(size),
            moment(player.changed.isoformat()),
            player.console,
        )
        for player, size in zip(players, sizes, strict=True)
    ]
    say_table(("player", "", "combinations", "last changed", "console"), rows)


def _size(bank: Bank) -> int:
    return sum(len(level.combinations) for level in bank.levels.values())


def _standing(player: Player, desk: int | None, owner: int | None) -> Iterator[str]:
    if player.number == owner:
        yield "owner"
    if player.guest:
        yield "guest"
    if player.number == desk:
        yield "on the desk"
    if player.removed:
        yield "removed"


# ---------------------------------------------------------------- players


def _named(source: BankPlace | Path | None) -> str:
    """What a history calls the place that a bank came from."""
    return "" if source is None else shown(source)


@store.command()
@_STORE
@_PLAYER
@_CONSOLE
@click.option(
    "--from", "source", type=BankPlace, metavar="BANK", help="Begin with what another bank holds."
)
@click.option("--guest", "as_guest", is_flag=True, help="A guest's, who leaves it at switch-off.")
def add(
    file: Path, player: str, console_file: Path, source: BankPlace | None, as_guest: bool
) -> None:
    """Give a player a bank.

    The first is the owner's. With --from it begins with what a bank file or another bank holds;
    what of that does not fit the console is kept, and shown by "stopwright bank fit".
    """
    console = read_console_file(console_file)
    bank = fresh_bank(console) if source is None else seat(read_bank(source).bank, console)
    with _opened(file) as opened:
        opened.add(evolve(bank, name=player), guest=as_guest, by=_named(source))
    held = f"with {plural(_size(bank), 'combination')}" if source else "with nothing set yet"
    say(f"{player} has a bank in {shown(file)} now, {held}")


@store.command()
@_STORE
@_PLAYER
def remove(file: Path, player: str) -> None:
    """Put a player's bank out of sight.

    Nothing of it is lost: "bring-back" brings it back.
    """
    with _opened(file) as opened:
        found = _player(opened, player)
        opened.remove(found.number)
    say(f"{found.name}'s bank is out of sight now, and kept")


@store.command("bring-back")
@_STORE
@_PLAYER
def bring_back(file: Path, player: str) -> None:
    """Bring a bank back that was removed."""
    with _opened(file) as opened:
        found = _player(opened, player, removed=True)
        opened.bring_back(found.number)
    say(f"{found.name}'s bank is there again")


@store.command()
@_STORE
@_PLAYER
@click.option("--no-more", is_flag=True, help="A guest's no more.")
def guest(file: Path, player: str, no_more: bool) -> None:
    """Let a bank be a guest's, who leaves it at switch-off.

    At the next switch-on the console plays from the owner's bank again. The guest's is kept.
    """
    with _opened(file) as opened:
        found = _player(opened, player)
        opened.set_guest(found.number, not no_more)
    say(f"{found.name} is {'no guest any more' if no_more else 'a guest now'}")


@store.command()
@_STORE
@_PLAYER
def owner(file: Path, player: str) -> None:
    """Let a bank be the owner's, that guests give way to."""
    with _opened(file) as opened:
        found = _player(opened, player)
        opened.give_to(found.number)
    say(f"{found.name} is the owner now")


@store.command()
@_STORE
@_PLAYER
def desk(file: Path, player: str) -> None:
    """Let the console play from a bank, from the next switch-on.

    A guest's gives way to the owner's then: to play from it, name the guest at switch-on, with
    "stopwright play --player".
    """
    with _opened(file) as opened:
        found = _player(opened, player)
        opened.take_up(found.number)
        owner = next((each.name for each in opened.players() if each.number == opened.owner), None)
    say(f"{found.name}'s bank is on the desk now")
    if found.guest and owner is not None:
        say(
            f"{found.name} is a guest: at the next switch-on {owner}'s bank comes in its place, "
            "unless the guest is named then (stopwright play --player)"
        )


# ---------------------------------------------------------------- keep


@store.command()
@_STORE
@click.argument("to", type=click.Path())
@click.option("--replace", is_flag=True, help="Take the place of the file that is there.")
def backup(file: Path, to: str, replace: bool) -> None:
    """Write all banks to one bank file, and read it back.

    TO is a file, or a folder: there it is named after the store, with the date. It holds the
    banks as they are now, not their history: "copy" copies that too.
    """
    with _opened(file, writing=False) as opened:
        kept = every_bank(opened, file)
    copy = copy_to(to, Path(file.stem + ENDING))
    (write_over if replace else write_new)(copy, kept)
    say(f"{shown(copy)}: a backup of {plural(len(kept.banks), 'bank')}, read back and the same")


@store.command()
@click.argument("backup_file", metavar="BACKUP", type=click.Path(path_type=Path))
@_STORE
@_CONSOLE
@YES
def restore(backup_file: Path, file: Path, console_file: Path, yes: bool) -> None:
    """Put the banks of a backup into a store, if you agree.

    First it shows what will change, player by player. Players who are not in the backup stay as
    they are, those who are not in the store come into it. What was before stays in the history.
    """
    with refusing():
        kept = read_any(backup_file)
    console = read_console_file(console_file)
    if isinstance(kept, BankFile):
        refuse(f"{shown(backup_file)} is one bank: stopwright bank restore puts it into a store")
    if len({bank.name.casefold() for bank in kept.banks}) < len(kept.banks):
        refuse(f"{shown(backup_file)} has several banks of one name: restore them one by one")
    with _opened(file, writing=False) as opened:
        here = {p.name.casefold(): p for p in opened.players() if not p.removed}
        present = {name: opened.load(player.number) for name, player in here.items()}
    changing = []
    for saved in kept.banks:
        name = saved.name.casefold()
        fit = fit_to(saved, console)
        bank = evolve(fit.bank, name=here[name].name) if name in here else fit.bank
        print_fit(fit, console, bank.name)
        say()
        if name not in here:
            say(f"{bank.name} is new in {shown(file)}")
        elif compare(present[name], bank).equal:
            say(f"{bank.name} holds the same already")
            say()
            continue
        else:
            check_unlocked(f"{bank.name}'s bank", present[name], bank, console)
            say(f"What changes in {bank.name}'s bank")
            print_changes(present[name], bank, compare(seat(present[name], console), bank))
        say()
        changing.append(bank)
    if not changing:
        say("Nothing has been changed")
        return
    agree(f"{plural(len(changing), 'bank')} in {shown(file)} will be replaced or made", yes)
    guests = {kept.banks[place].name.casefold() for place in kept.guests}
    with _opened(file) as opened:
        for bank in changing:
            name = bank.name.casefold()
            if name not in here:
                opened.add(bank, guest=name in guests, by=_named(backup_file))
                say(f"{bank.name}: made")
                continue
            number, entry = here[name].number, here[name].entry
            done = opened.write(number, bank, *made_by(), expected=entry, console=console)
            say(f"{bank.name}: restored, by change {done}")


@store.command()
@_STORE
@click.argument("to", type=click.Path())
def copy(file: Path, to: str) -> None:
    """Copy a store whole, history and all, while it may be in use.

    TO is a file, or a folder: there it is named after the store, with the date. A file that is
    there already is left as it is.
    """
    place = copy_to(to, Path(file.name))
    with _opened(file, writing=False) as opened:
        opened.database.copy_to(place)
    wrong, _ = _looked_through(place)
    if wrong:
        place.unlink()
        refuse(f"{shown(file)} is damaged, and is not copied: stopwright store check says how")
    say(f"{shown(place)}: a copy of {shown(file)}, read back and sound")


# ---------------------------------------------------------------- a changed console


@store.command()
@_STORE
@_CONSOLE
@json_option
def fit(file: Path, console_file: Path, as_json: bool) -> None:
    """Show what becomes of every bank on a changed console.

    Nothing is changed: it is for before anyone solders. Ends with exit code 1 if something that
    a bank remembers will not be heard there.
    """
    console = read_console_file(console_file)
    with _opened(file, writing=False) as opened:
        players = [player for player in opened.players() if not player.removed]
        banks = [opened.load(player.number, console=console) for player in players]
        fits = [fit_to(bank, console) for bank in banks]
    if as_json:
        say_json(
            [
                {"name": player.name, "fits": found.complete, **as_data(found)}
                for player, found in zip(players, fits, strict=True)
            ]
        )
    else:
        for place, (player, found) in enumerate(zip(players, fits, strict=True)):
            if place:
                say()
            print_fit(found, console, player.name)
    if not all(found.complete for found in fits):
        answer_no()


@store.command()
@_STORE
@_CONSOLE
@YES
def update(file: Path, console_file: Path, yes: bool) -> None:
    """Bring every bank up to date with its console.

    A switch-on does so with the bank that is played. What the console renamed keeps its memory
    and its past; what does not fit is kept, but it is shown first, and asked about.
    """
    console = read_console_file(console_file)
    with _opened(file, writing=False) as opened:
        before = {player.number: player for player in opened.players() if not player.removed}
        fits = {n: fit_to(opened.load(n, console=console), console) for n in before}
    unheard = [before[number].name for number, found in fits.items() if not found.complete]
    for number, found in fits.items():
        if not found.complete:
            print_fit(found, console, before[number].name)
            say()
    agree(f"not all of {', '.join(unheard)} will be heard" if unheard else "", yes)
    with _opened(file) as opened:
        for number in before:
            opened.update(number, console)
        after = {player.number: player.entry for player in opened.players()}
    say(f"The banks in {shown(file)} are up to date with {console.name}")
    for number, player in before.items():
        if after[number] != player.entry:
            place = quoted(BankPlace(f"{file}:{player.name}"))
            say(f"To take that back: stopwright bank take-back {place} {after[number]}")


# ---------------------------------------------------------------- years later


@store.command("compact")
@_STORE
@click.option(
    "--before", required=True, metavar="TIME", help="A day, as 2031-05-04, or 2031-05-04T18:30."
)
@YES
def compact_(file: Path, before: str, yes: bool) -> None:
    """Drop the history before a day, if you agree.

    First it says what of it goes. What every bank is now, and all that it was since the beginning
    of that day, stays.
    """
    with _opened(file) as opened:
        names = {player.number: player.name for player in opened.players()}
        dropping = compacting(opened, time_meant(before, before=True))
        if not dropping:
            say("There is nothing to drop from before that")
            return
        rows = [
            (
                names[each.bank],
                plural(each.entries, "change"),
                moment(each.begun.isoformat()),
                moment(each.ended.isoformat()),
            )
            for each in dropping
        ]
        say_table(("bank", "goes", "from", "to"), rows)
        say()
        agree("What the banks were in between can then be seen no more", yes)
        compact(opened, dropping)
    say(f"{shown(file)} is compacted: its history begins later now")


@store.command()
@_STORE
@json_option
def check(file: Path, as_json: bool) -> None:
    """Read all of a store, and say whether it is sound.

    All its history is read too. Ends with exit code 1 if it is not.
    """
    wrong, count = _looked_through(file)
    if as_json:
        say_json({"sound": not wrong, "faults": wrong})
    elif wrong:
        say("\n".join(wrong))
        say(f"{shown(file)} is damaged. Keep it as it is: stopwright store mend saves what it can")
    else:
        say(f"{shown(file)} is sound: {plural(count, 'bank')}, and all that they ever were")
    if wrong:
        answer_no()


def _looked_through(file: Path) -> tuple[list[str], int]:
    """What is wrong with a store, and how many banks are in it, if nothing is."""
    with refusing():
        try:
            with Store(file, writing=False) as opened:
                wrong = faults(opened)
                return wrong, 0 if wrong else len(opened.players())
        except StoreDamagedError as error:
            return [str(error)], 0


@store.command("mend")
@_STORE
@click.argument("to", type=click.Path(path_type=Path))
def mend_(file: Path, to: Path) -> None:
    """Save what can be read of a damaged store.

    It goes into a new store, TO; the damaged file is left as it is. What could not be read is
    named, and the exit code is 1 then. The history is not saved, only what the banks hold.
    """
    with refusing():
        found = mend(file)
        with TemporaryDirectory() as folder:
            place = Path(folder) / "mended"
            create_store(place)
            with Store(place) as opened:
                renamed = list(_put_together(opened, found, _named(file)))
                opened.database.copy_to(to)
    for line in (*found.lost, *found.unproved, *renamed):
        say(line)
    say(f"{shown(to)}: {plural(len(found.banks), 'bank')} saved from {shown(file)}")
    if not found.whole:
        answer_no()


def _put_together(opened: Store, found: Mended, by: str) -> Iterator[str]:
    """Put what was found into a new store; says which banks need another name there.

    Those that were removed come first, and make room for their names; then the owner's, since
    the first that is there is the owner's.
    """
    numbers = {}
    taken: set[str] = set()
    for before in sorted(found.banks, key=lambda n: (n not in found.removed, n != found.owner)):
        bank, removed, guest = found.banks[before], before in found.removed, before in found.guests
        name = _not_taken(bank.name, taken)
        if name != bank.name:
            yield f"there are two banks {bank.name!r}: one of them is {name!r} now"
        number = opened.add(evolve(bank, name=name), guest=guest or removed, by=by)
        numbers[before] = number
        if removed:
            opened.set_guest(number, guest)
            opened.remove(number)
        else:
            taken.add(name.casefold())
    if found.desk in numbers:
        opened.take_up(numbers[found.desk])


def _not_taken(name: str, taken: Container[str]) -> str:
    names = chain((name,), (f"{name[:_ROOM]} {number}" for number in count(2)))
    return next(each for each in names if each.casefold() not in taken)


_ROOM = 190
"""Characters of a name that leave room for a number after it."""
