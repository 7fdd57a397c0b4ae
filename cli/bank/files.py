"""Bank files for commands: read, made, replaced and kept, or refused in one message.

What is in them is the business of `banks`; here are their names, their dates, and the rule that
nothing that a player had is lost by a command.
"""

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from importlib.metadata import version
from itertools import chain, count
from pathlib import Path

import click

from banks import BankEditError, BankFile, BankFileError, fit_to, read_bank_file, write_bank_file
from banks.limits import BYTES_IN_FILE
from cli.files import refuse_unreadable, shown, write_whole
from cli.naming import plural
from cli.output import RefusedError, refuse, say
from combination.memory import Bank
from combination.model import Console

ENDING = ".bank"


def read_bank(path: Path) -> BankFile:
    """A bank file that is there and sound, or a refusal."""
    try:
        return read_bank_file(path)
    except BankFileError as error:
        refuse(str(error))


def say_if_strange(bank: Bank, console: Console) -> None:
    """Say that a bank was set on another console, and how much of it is kept here unheard."""
    gone = [control for control in fit_to(bank, console).controls_gone if control.on_in]
    if bank.console != console.name or gone:
        kept = f"{plural(len(gone), 'control')} of it, kept but not heard"
        lacks = f": {console.name} has not {kept}" if gone else ""
        say(f"The bank was set on {bank.console}{lacks}")


def saved_now(bank: Bank) -> BankFile:
    """A bank as it is saved at this moment by this program."""
    now = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    return BankFile(bank, now, f"stopwright {version('stopwright')}")


def write_new(path: Path, file: BankFile) -> None:
    """Write a bank file where there is none; what is there is refused, and left as it is."""
    try:
        write_bank_file(path, file, replacing=False)
    except BankFileError as error:
        refuse(str(error))


def write_over(path: Path, file: BankFile) -> None:
    """Write a bank file, in the place of the one that is there if there is one."""
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
        if not path.is_file():
            refuse(f"{shown(path)} is not a file")
        if path.stat().st_size > BYTES_IN_FILE:
            refuse(f"{shown(path)} is too large to be a bank: it is left as it is")
        return path.read_bytes()
    except OSError as error:
        refuse_unreadable(path, error)


@contextmanager
def edited(path: Path) -> Iterator[Bank]:
    """A bank to be changed: read, and written again unless what is done with it is refused."""
    bank = read_bank(path).bank
    try:
        yield bank
    except BankEditError as error:
        refuse(str(error))
    write_over(path, saved_now(bank))


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


def dated(path: Path, folder: Path, word: str = "") -> Path:
    """A name in a folder that nothing has yet: a bank file's own, with the date of today."""
    today = datetime.now().astimezone().date()
    stem = "-".join(part for part in (path.stem, word, today.isoformat()) if part)
    again = chain(("",), (f"-{number}" for number in count(2)))
    names = (folder / f"{stem}{number}{path.suffix or ENDING}" for number in again)
    return next(name for name in names if not os.path.lexists(name))
