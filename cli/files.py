"""Files for commands: read, or refused with all that is wrong; written whole, or not at all."""

import os
from pathlib import Path
from typing import NoReturn

import click

from banks import whole
from cli.output import refuse
from combination.findings import ConsoleFileError
from combination.model import Console
from combination.reading import read_console

LARGEST_TEXT = 4 * 1024 * 1024
"""Bytes. No console file or rehearsal written by a person is longer."""


def shown(path: os.PathLike[str]) -> str:
    """A file's name, fit to be printed whatever bytes are in it."""
    return click.format_filename(path)


def refuse_unreadable(path: Path, error: OSError) -> NoReturn:
    """Refuse a file that the system will not let us read, and say why."""
    refuse(f"{shown(path)} cannot be read: {(error.strerror or str(error)).lower()}")


def read_text(path: Path, what: str, largest: int = LARGEST_TEXT) -> str:
    """The text of a file; ``what`` says what it should be: "console file".

    It has ``largest`` bytes at most.

    Refuses, as the command line does, a file that is not there, is not text or is too long.
    """
    try:
        if not path.exists():
            refuse(f"there is no {what} {shown(path)}")
        if not path.is_file():
            refuse(f"{shown(path)} is not a file")
        with path.open("rb") as file:
            data = file.read(largest + 1)
    except OSError as error:
        refuse_unreadable(path, error)
    except ValueError:
        refuse(f"{str(path)!r} is not the name of a file")
    if len(data) > largest:
        refuse(f"{shown(path)} is no {what}: it is longer than {largest // 1024 // 1024} MiB")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        refuse(f"{shown(path)} is no {what}: byte {error.start + 1} is not UTF-8 text")


def read_console_file(path: Path) -> Console:
    """A console from its file. Refuses one with errors, and names them all."""
    try:
        return read_console(read_text(path, "console file"))
    except ConsoleFileError as error:
        errors = [finding for finding in error.findings if finding.severity == "error"]
        listed = "\n".join(f"  {finding}" for finding in errors)
        count = "an error" if len(errors) == 1 else f"{len(errors)} errors"
        refuse(f"{shown(path)} has {count}:\n{listed}")


def write_whole(path: Path, data: bytes, *, replacing: bool) -> None:
    """Write a file whole, or refuse and leave all as it was: see `banks.whole.write_whole`."""
    try:
        whole.write_whole(path, data, replacing=replacing)
    except whole.FileFaultError as fault:
        refuse(str(fault))
