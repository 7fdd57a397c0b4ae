"""For the organist and the technician: the store of a console, with all its players' banks.

What is done with one bank in it is done by the commands of `cli.bank`; these are of the store as
a whole: who is in it, whose bank is on the desk, its backup, its soundness.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import click
from attrs import evolve

from banks import (
    BankFile,
    Store,
    StoreError,
    StoreFile,
    compare,
    create_store,
    fit_to,
    read_any,
)
from banks.database import StoreDamagedError
from banks.history import compact, compacting, faults
from banks.mending import mend
from banks.store import Player
from cli.bank.differences import as_data, print_changes, print_fit
from cli.bank.edits import YES
from cli.bank.files import WRITER, agree, dated, made_by, read_bank, write_new, write_over
from cli.bank.places import BankPlace, refusing, time_meant
from cli.bank.words import moment
from cli.files import read_console_file, shown
from cli.naming import plural
from cli.output import answer_no, json_option, refuse, say, say_json, say_table
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


class _ByPurpose(click.Group):
    """A group whose help lists its commands by what they are for."""

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the commands, purpose by purpose."""
        limit = formatter.width - 6 - max(map(len, self.list_commands(ctx)))
        for purpose, names in _FOR:
            with formatter.section(purpose):
                formatter.write_dl(
                    [(name, self.commands[name].get_short_help_str(limit)) for name in names]
                )


@click.group(cls=_ByPurpose)
def store() -> None:
    """Keep the banks of a console's players in one place, with all that they ever were.

    A store is one file, in which a set is safe from the moment it is acknowledged, whenever the
    console is switched off. Each player has a bank in it. Every change is kept in a history and
    can be taken back. A bank in a store is named as organ.store:Ruth, and every command of
    "stopwright bank" takes it so. Several programs may use a store at once.

    A store that was switched off with the console may have a second file beside it for a while,
    ending in -wal: the two belong together. To copy a store use "copy", not the file manager.
    """


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
        opened.add(evolve(bank, name=player), guest=as_guest, by=str(source or ""))
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
        opened.remove(_player(opened, player).number)
    say(f"{player}'s bank is out of sight now, and kept")


@store.command("bring-back")
@_STORE
@_PLAYER
def bring_back(file: Path, player: str) -> None:
    """Bring a bank back that was removed."""
    with _opened(file) as opened:
        opened.bring_back(_player(opened, player, removed=True).number)
    say(f"{player}'s bank is there again")


@store.command()
@_STORE
@_PLAYER
@click.option("--no-more", is_flag=True, help="A guest's no more.")
def guest(file: Path, player: str, no_more: bool) -> None:
    """Let a bank be a guest's, who leaves it at switch-off.

    At the next switch-on the console plays from the owner's bank again. The guest's is kept.
    """
    with _opened(file) as opened:
        opened.set_guest(_player(opened, player).number, not no_more)
    say(f"{player}'s bank is {'no guest’s any more' if no_more else 'a guest’s now'}")


@store.command()
@_STORE
@_PLAYER
def owner(file: Path, player: str) -> None:
    """Let a bank be the owner's, that guests give way to."""
    with _opened(file) as opened:
        opened.give_to(_player(opened, player).number)
    say(f"{player}'s bank is the owner's now")


@store.command()
@_STORE
@_PLAYER
def desk(file: Path, player: str) -> None:
    """Let the console play from a bank, from the next switch-on."""
    with _opened(file) as opened:
        opened.take_up(_player(opened, player).number)
    say(f"{player}'s bank is on the desk now")


# ---------------------------------------------------------------- keep


@store.command()
@_STORE
@click.argument("to", type=click.Path(path_type=Path))
@click.option("--replace", is_flag=True, help="Take the place of the file that is there.")
def backup(file: Path, to: Path, replace: bool) -> None:
    """Write all banks to one bank file, and read it back.

    TO is a file, or a folder: there it is named after the store, with the date. It holds the
    banks as they are now, not their history: "copy" copies that too.
    """
    with _opened(file, writing=False) as opened:
        owned = opened.owner
        players = [player for player in opened.players() if not player.removed]
        players.sort(key=lambda player: player.number != owned)
        if not players:
            refuse(f"{shown(file)}: nobody has a bank in it yet")
        numbers = [player.number for player in players]
        kept = StoreFile(
            banks=tuple(opened.load(number) for number in numbers),
            guests=frozenset(i for i, player in enumerate(players) if player.guest),
            desk=numbers.index(on) if (on := opened.desk) in numbers else None,
            saved=datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
            writer=WRITER,
        )
    copy = dated(Path(file.stem + ".bank"), to) if to.is_dir() else to
    (write_over if replace else write_new)(copy, kept)
    say(f"{shown(copy)}: a backup of {plural(len(players), 'bank')}, read back and the same")


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
    with _opened(file, writing=False) as opened:
        here = {p.name.casefold(): p for p in opened.players() if not p.removed}
        present = {name: opened.load(player.number) for name, player in here.items()}
    changing = []
    for bank in kept.banks:
        name = bank.name.casefold()
        fit = fit_to(bank, console)
        print_fit(fit, console, bank.name)
        say()
        if name not in present:
            say(f"{bank.name} is new in {shown(file)}\n")
        elif present[name] == fit.bank:
            say(f"{bank.name} holds the same already\n")
            continue
        elif present[name].locked:
            refuse(f"{bank.name}'s bank is locked: unlock it first, if it is to be replaced")
        else:
            say(f"What changes in {bank.name}'s bank")
            found = compare(seat(present[name], console), fit.bank)
            print_changes(present[name], fit.bank, found)
            say()
        changing.append(fit.bank)
    if not changing:
        say("Nothing has been changed")
        return
    agree(f"{plural(len(changing), 'bank')} in {shown(file)} will be replaced or made", yes)
    guests = {kept.banks[place].name.casefold() for place in kept.guests}
    with _opened(file) as opened:
        for bank in changing:
            name = bank.name.casefold()
            if name not in here:
                opened.add(bank, guest=name in guests, by=shown(backup_file))
                say(f"{bank.name}: made")
                continue
            number, entry = here[name].number, here[name].entry
            done = opened.write(number, bank, *made_by(), expected=entry, console=console)
            say(f"{bank.name}: restored, by change {done}")


@store.command()
@_STORE
@click.argument("to", type=click.Path(path_type=Path))
def copy(file: Path, to: Path) -> None:
    """Copy a store whole, history and all, while it may be in use.

    A file that is there already is left as it is.
    """
    with _opened(file, writing=False) as opened:
        opened.database.copy_to(to)
    with _opened(to, writing=False) as opened:
        wrong = faults(opened)
    if wrong:
        refuse(f"{shown(to)}: the copy is not sound: {wrong[0]}")
    say(f"{shown(to)}: a copy of {shown(file)}, read back and sound")


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
        fits = [fit_to(opened.load(player.number), console) for player in players]
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
def update(file: Path, console_file: Path) -> None:
    """Bring every bank up to date with its console.

    A switch-on does so with the bank that is played. What the console renamed keeps its memory
    and its past; what does not fit is kept.
    """
    console = read_console_file(console_file)
    with _opened(file) as opened:
        for player in opened.players():
            if not player.removed:
                opened.update(player.number, console)
    say(f"The banks in {shown(file)} are up to date with {console.name}")


# ---------------------------------------------------------------- years later


@store.command("compact")
@_STORE
@click.option(
    "--before", required=True, metavar="DAY", help="Drop what was before the end of this day."
)
@YES
def compact_(file: Path, before: str, yes: bool) -> None:
    """Drop the history before a day, if you agree.

    First it says what of it goes. What every bank is now, and all that it was since that day,
    stays.
    """
    with _opened(file) as opened:
        names = {player.number: player.name for player in opened.players()}
        dropping = compacting(opened, time_meant(before, "day"))
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
    try:
        with Store(file, writing=False) as opened:
            wrong = faults(opened)
            count = len(opened.players()) if not wrong else 0
    except StoreDamagedError as error:
        wrong, count = [str(error)], 0
    except StoreError as error:
        refuse(str(error))
    if as_json:
        say_json({"sound": not wrong, "faults": wrong})
    elif wrong:
        say("\n".join(wrong))
        say(f"{shown(file)} is damaged. Keep it as it is: stopwright store mend saves what it can")
    else:
        say(f"{shown(file)} is sound: {plural(count, 'bank')}, and all that they ever were")
    if wrong:
        answer_no()


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
        create_store(to)
        with Store(to) as opened:
            numbers = {
                before: opened.add(bank, guest=before in found.guests, by=shown(file))
                for before, bank in found.banks.items()
            }
            if found.owner in numbers:
                opened.give_to(numbers[found.owner])
            if found.desk in numbers:
                opened.take_up(numbers[found.desk])
            for before in found.removed & numbers.keys():
                opened.remove(numbers[before])
    for line in (*found.lost, *found.unproved):
        say(line)
    say(f"{shown(to)}: {plural(len(found.banks), 'bank')} saved from {shown(file)}")
    if not found.whole:
        answer_no()
