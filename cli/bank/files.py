"""Banks for commands: read, made, replaced and kept, or refused in one message.

What is in them is the business of `banks`, where they are that of `cli.bank.places`; here are
their dates, and the rule that nothing that a player had is lost by a command.
"""

import os
import shlex
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from importlib.metadata import version
from itertools import chain, count
from pathlib import Path

import click
from attrs import frozen

from banks import (
    BankFile,
    BankFileError,
    History,
    Part,
    Store,
    StoreFile,
    fit_to,
    write_bank_file,
)
from banks.limits import BYTES_IN_FILE
from cli.bank.places import BankPlace, Found, check_new, entry_meant, refusing
from cli.files import refuse_unreadable, shown, write_whole
from cli.naming import plural
from cli.output import RefusedError, refuse, say
from combination.memory import Bank, seat
from combination.model import Console

ENDING = ".bank"
WRITER = f"stopwright {version('stopwright')}"


def every_bank(store: Store, path: Path) -> StoreFile:
    """The banks of all players of an open store as one bank file has them, the owner's first."""
    owner = store.owner
    players = [player for player in store.players() if not player.removed]
    players.sort(key=lambda player: player.number != owner)
    if not players:
        refuse(f"{shown(path)}: nobody has a bank in it yet")
    numbers = [player.number for player in players]
    return StoreFile(
        banks=tuple(store.load(number) for number in numbers),
        guests=frozenset(i for i, player in enumerate(players) if player.guest),
        desk=numbers.index(on) if (on := store.desk) in numbers else None,
        saved=datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        writer=WRITER,
    )


def read_bank(place: BankPlace | Path) -> BankFile:
    """A bank that is there and sound, wherever it is, or a refusal.

    One in a store has been saved when it was last changed, by this program.
    """
    return looked_at(place).file


@frozen
class Look:
    """A bank as it was found, and whether its file has several.

    In a store there are also its number and the last change of it then, but for what was.
    """

    file: BankFile
    found: Found
    several: bool = False
    bank: int | None = None
    entry: int | None = None


def looked_at(place: BankPlace | Path) -> Look:
    """A bank that is there and sound, with all that is needed to change it, or a refusal."""
    found = place.found() if isinstance(place, BankPlace) else Found(place)
    if not found.in_store:
        file, several = found.in_file()
        return Look(file, found, several)
    with refusing(), Store(found.file, writing=False) as store:
        player, time = found.player(store)
        if time is None:
            file = BankFile(store.load(player.number), _saved(player.changed), WRITER)
            return Look(file, found, bank=player.number, entry=player.entry)
        history = History(store, player.number)
        entry = entry_meant(history, player, time)
        kept = store.load(player.number, entry)
        return Look(BankFile(kept, _saved(history.at(entry)), WRITER), found)


def say_if_strange(bank: Bank, console: Console) -> None:
    """Say that a bank was set on another console, and how much of it is kept here unheard."""
    gone = [control for control in fit_to(bank, console).controls_gone if control.on_in]
    if bank.console != console.name or gone:
        kept = f"{plural(len(gone), 'control')} of it, kept but not heard"
        lacks = f": {console.name} has not {kept}" if gone else ""
        say(f"The bank was set on {bank.console}{lacks}")


def saved_now(bank: Bank, part: Part | None = None) -> BankFile:
    """A bank, or a part of one, as it is saved at this moment by this program."""
    return BankFile(bank, _saved(datetime.now(UTC)), WRITER, part)


def _saved(moment: datetime) -> str:
    """A time as a bank file has it."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def write_new(path: Path, file: BankFile | StoreFile) -> None:
    """Write a bank file where there is none; what is there is refused, and left as it is."""
    check_new(path)
    try:
        write_bank_file(path, file, replacing=False)
    except BankFileError as error:
        refuse(str(error))


def write_over(path: Path, file: BankFile | StoreFile) -> None:
    """Write a bank file, in the place of the one that is there if there is one."""
    check_new(path)
    try:
        write_bank_file(path, file)
    except BankFileError as error:
        refuse(str(error))


def replace_keeping(path: Path, before: bytes, file: BankFile) -> Path:
    """Write a bank file in the place of another, whose bytes go to a file beside it: which."""
    beside = dated(path, path.parent, "before")
    write_whole(beside, before, replacing=False)
    try:
        write_over(path, file)
    except RefusedError:
        with suppress(OSError):
            beside.unlink()
        raise
    return beside


def read_bytes(path: Path) -> bytes:
    """The bytes of what may be a bank file, sound or not. Refuses what cannot be one."""
    try:
        if not os.path.lexists(path):
            refuse(f"{shown(path)}: there is no such file or folder")
        if not path.is_file():
            refuse(f"{shown(path)} is not a file")
        if path.stat().st_size > BYTES_IN_FILE:
            refuse(f"{shown(path)} is too large to be a bank: it is left as it is")
        return path.read_bytes()
    except OSError as error:
        refuse_unreadable(path, error)


@contextmanager
def edited(place: BankPlace) -> Iterator[Bank]:
    """A bank to be changed: read, and written again unless what is done with it is refused.

    In a store it is one change, that can be taken back; nobody is kept waiting meanwhile, and
    if another program changes the bank first this is refused.
    """
    look = looked_at(place)
    with refusing():
        yield look.file.bank
    put_back(place, look, look.file.bank)


def put_back(place: BankPlace, look: Look, bank: Bank, console: Console | None = None) -> None:
    """Write a bank where it was looked at; ``console`` is the one it is seated on, if it is."""
    if look.several:
        refuse(f"{shown(look.found.file)} holds several banks: restore it to a store to change one")
    if look.bank is None:
        if look.found.in_store:
            refuse(f"{shown(place)} is how the bank was: restore it first, if it is to be changed")
        write_over(look.found.file, saved_now(bank, look.file.part))
        return
    with refusing(), Store(look.found.file) as store:
        store.write(look.bank, bank, *made_by(), expected=look.entry, console=console)


def made_by() -> tuple[str, str]:
    """The command that is running, and what it was given: what a store's history says of it.

    It can be read as it was typed, but for the bank and its console.
    """
    context = click.get_current_context()
    given: list[str] = []
    for parameter in sorted(context.command.params, key=_is_option):
        value = context.params.get(parameter.name or "")
        if parameter.name in _UNSAID or value in (None, False, (), parameter.default):
            continue
        texts = value if isinstance(value, tuple) else (value,)
        for text in texts:
            given += [parameter.opts[-1]] if _is_option(parameter) else []
            given += [] if text is True else [shlex.quote(click.format_filename(str(text)))]
    return _called(context), " ".join(given)


def _is_option(parameter: click.Parameter) -> bool:
    return isinstance(parameter, click.Option)


def _called(context: click.Context) -> str:
    """A command by its own name, and that of its group if that is one of bank's."""
    above = context.parent
    inner = above is not None and above.info_name in _INNER
    return f"{above.info_name} {context.info_name}" if above and inner else context.info_name or ""


_INNER = frozenset({"sequence", "store"})
_UNSAID = frozenset({"file", "yes", "console_file", "console_path", "bank_path"})


def check_unlocked(name: str, present: Bank, bank: Bank, console: Console) -> None:
    """That no lock is in the way of putting another bank in the place of one."""
    if present.locked:
        refuse(f"{name} is locked: unlock it first, if it is to be replaced")
    seated = seat(present, console).levels
    for number, level in sorted(seated.items()):
        if level.locked and level != bank.levels.get(number):
            refuse(f"level {number} of {name} is locked: unlock it first, if it is to be replaced")


def agree(loss: str, yes: bool) -> None:
    """Have a loss agreed to: by ``--yes``, or by an answer at the terminal. Refuses otherwise.

    ``loss`` is a sentence that says what would be lost; where it is empty, nothing is asked.
    """
    if not loss or yes:
        return
    if not sys.stdin.isatty():
        refuse(f"{loss}; nothing has been changed: add --yes if that is meant")
    try:
        agreed = click.confirm(f"{loss}. Go on?", err=True)
    except click.Abort:
        click.echo(err=True)
        agreed = False
    if not agreed:
        refuse("nothing has been changed")


def are_one_file(one: Path, other: Path) -> bool:
    """Whether two names are those of one file, that is there."""
    with suppress(OSError, ValueError):
        return one.samefile(other)
    return False


def copy_to(to: str, name: Path) -> Path:
    """Where a copy goes: to a file, or into a folder, there by a name with the date of today."""
    with suppress(OSError):  # a name that is too long is no folder's
        if Path(to).is_dir():
            return dated(name, Path(to))
    if to.endswith(os.sep):
        refuse(f"there is no folder {click.format_filename(to)}")
    return Path(to)


def dated(path: Path, folder: Path, word: str = "") -> Path:
    """A name in a folder that nothing has yet: a bank file's own, with the date of today."""
    today = datetime.now().astimezone().date()
    stem = "-".join(part for part in (path.stem, word, today.isoformat()) if part)
    again = chain(("",), (f"-{number}" for number in count(2)))
    names = (folder / f"{stem}{number}{path.suffix or ENDING}" for number in again)
    return next(name for name in names if not os.path.lexists(name))
