"""What a restore or a merge writes to: a bank file, or a player's bank in a store.

Either way what was there before is kept, and it is said where. What is written is decided by
the caller.
"""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Protocol

from attrs import define

from banks import BankFileError, Store, StoreFile, decode_any
from cli.bank.files import (
    made_by,
    read_bytes,
    replace_keeping,
    saved_now,
    write_new,
)
from cli.bank.places import BankPlace, Found, quoted, refusing
from cli.files import shown
from cli.output import RefusedError, refuse, say
from combination.findings import nearest
from combination.memory import Bank
from combination.model import Console


class Target(Protocol):
    """A place for a bank."""

    @property
    def file(self) -> Path:
        """The file that is written to."""

    @property
    def name(self) -> str:
        """The player's name, where the place has one; known when what is there has been read."""

    def present(self) -> Bank | None:
        """The bank that is there; None if there is none, or none that can be read."""

    def as_called_there(self, bank: Bank) -> Bank:
        """A bank by the ids that the one there has for what it once called otherwise."""

    def write(self, bank: Bank, done: str, console: Console | None = None) -> None:
        """Put a bank there, and say what was done, and where what was there before is kept.

        The console is the one that the bank is seated on, if it is.
        """


def target_of(place: BankPlace) -> Target:
    """What a place is, by what there is on the disk."""
    found = place.found()
    if found.in_store:
        return _InStore(found, place)
    if found.name or found.time:
        refuse(f"{shown(found.file)} is a bank file: a bank in it is not replaced by itself")
    return _File(found.file)


@contextmanager
def left_as_it_is(target: Target) -> Iterator[None]:
    """Say of a refusal that what is there is left as it is."""
    try:
        yield
    except RefusedError as error:
        if os.path.lexists(target.file):
            refuse(f"{error.message}; {shown(target.file)} is left as it is")
        raise


@define
class _File:
    """A bank file, there or not."""

    file: Path
    name: str = ""
    _before: bytes | None = None

    def present(self) -> Bank | None:
        if not os.path.lexists(self.file):
            return None
        self._before = read_bytes(self.file)
        try:
            found = decode_any(self._before)
        except BankFileError as error:
            say(f"What is in {shown(self.file)} now cannot be read: {error}")
            say()
            return None
        if isinstance(found, StoreFile):
            refuse(f"{shown(self.file)} holds several banks: it is left as it is")
        if found.part is not None:
            refuse(f"{shown(self.file)} holds a part of a bank, and not a whole one to be changed")
        return found.bank

    def as_called_there(self, bank: Bank) -> Bank:
        return bank

    def write(
        self,
        bank: Bank,
        done: str,
        console: Console | None = None,  # noqa: ARG002  (a file has no past to keep)
    ) -> None:
        if self._before is None:
            write_new(self.file, saved_now(bank))
            say(f"{shown(self.file)}: {done}; there was no such file before")
            return
        beside = replace_keeping(self.file, self._before, saved_now(bank))
        say(f"{shown(self.file)}: {done}")
        say(f"What was there before is in {shown(beside)}")


@define
class _InStore:
    """A player's bank in a store, there or not."""

    _found: Found
    _place: BankPlace
    name: str = ""
    _bank: int | None = None
    _entry: int | None = None

    @property
    def file(self) -> Path:
        return self._found.file

    def present(self) -> Bank | None:
        with refusing(), Store(self.file, writing=False) as store:
            if self._found.time is None and self._found.is_new_in(store):
                self.name = self._found.name or ""
                here = {player.name: player.name for player in store.players()}
                say(f"{shown(self.file)} has no bank of that name{nearest(self.name, here)}")
                say()
                return None
            player, time = self._found.player(store)
            if time is not None:
                refuse("what was cannot be changed: leave out the time")
            self.name, self._bank, self._entry = player.name, player.number, player.entry
            return store.load(player.number)

    def as_called_there(self, bank: Bank) -> Bank:
        if self._bank is None:
            return bank
        with refusing(), Store(self.file, writing=False) as store:
            return store.as_called_now(self._bank, bank)

    def write(self, bank: Bank, done: str, console: Console | None = None) -> None:
        cause, by = made_by()
        with refusing(), Store(self.file) as store:
            if self._bank is None:
                store.add(bank, by=by)
                say(f"{shown(self._place)}: {done}; there was no such bank before")
                return
            entry = store.write(self._bank, bank, cause, by, expected=self._entry, console=console)
        if entry is None:
            say(f"{shown(self._place)} holds the same already: nothing has been changed")
            return
        say(f"{shown(self._place)}: {done}")
        say(f"To take that back: stopwright bank take-back {quoted(self._place)} {entry}")
