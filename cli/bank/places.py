"""Where a bank is, as a person writes it: in a file, in a store, now or at some time before.

A command is given a text, such as ``ruth.bank``, ``organ.store:Ruth`` or
``organ.store:Ruth@2031-05-04``, and gets a bank; it need not know which of them it was.
"""

import os
import re
import shlex
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path

from attrs import frozen

from banks import (
    BankEditError,
    BankFile,
    BankFileError,
    History,
    Store,
    StoreError,
    StoreFile,
    read_any,
)
from banks.store import Player
from cli.files import shown
from cli.output import refuse

_STORE = b"SQLite format 3\0"
_NUMBER = re.compile(r"[0-9]{1,15}")
_MORNING = timedelta(hours=4)
"""An evening ends at four in the morning, and the next begins."""
_MOMENT = timedelta(milliseconds=1)
"""A store counts time in these."""
_TIME = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}([T ][0-9]{2}:[0-9]{2}(:[0-9]{2})?)?")


@frozen
class BankPlace(os.PathLike[str]):
    """A text that says where a bank is. It stands for a path wherever only a path is meant."""

    text: str

    def __str__(self) -> str:
        """The text as it was given."""
        return self.text

    def __fspath__(self) -> str:
        """The text as it was given."""
        return self.text

    def found(self) -> "Found":
        """What the text means, by what there is on the disk."""
        if os.path.lexists(self.text):
            return Found(Path(self.text))
        for mark in reversed([i for i, letter in enumerate(self.text) if letter in ":@"]):
            file, rest = self.text[:mark], self.text[mark + 1 :]
            if _is_file(Path(file)):
                if self.text[mark] == "@":
                    return Found(Path(file), None, rest)
                name, at, time = rest.rpartition("@")
                if at and is_moment(time):
                    return Found(Path(file), name or None, time, rest)
                return Found(Path(file), rest or None)
        return Found(Path(self.text))


@frozen
class Found:
    """A file, the name of a bank in it, and a time; or a name that has an ``@`` in it."""

    file: Path
    name: str | None = None
    time: str | None = None
    whole_name: str | None = None

    @property
    def in_store(self) -> bool:
        """Whether the file is a store, by how it begins."""
        if not _is_file(self.file):  # a pipe would be waited for
            return False
        try:
            with self.file.open("rb") as file:
                return file.read(len(_STORE)) == _STORE
        except OSError:
            return False

    def is_new_in(self, store: Store) -> bool:
        """Whether a name is given that no bank in a store has, nor with an ``@`` after it."""
        names = {player.name.casefold() for player in store.players() if not player.removed}
        meant = (self.name or "").casefold()
        return bool(meant) and names.isdisjoint((meant, meant.rpartition("@")[0]))

    def player(self, store: Store) -> tuple[Player, str | None]:
        """The bank in a store that is meant, and the time. Refuses one that is not there."""
        here = [player for player in store.players() if not player.removed]
        names = {player.name.casefold(): player for player in here}
        for name, time in ((self.whole_name, None), (self.name, self.time)):
            if name is not None and name.casefold() in names:
                return names[name.casefold()], time
        if self.name is None and len(here) == 1:
            return here[0], self.time
        listed = ", ".join(player.name for player in here)
        if not here:
            refuse(f"{shown(self.file)} has no bank in it yet: stopwright store add makes one")
        if self.name is None:
            refuse(
                f"{shown(self.file)} has several banks: say which, as "
                f"{quoted(BankPlace(f'{self.file}:{here[0].name}'))}; there are {listed}"
            )
        name, _, time = self.name.rpartition("@")
        if name.casefold() in names:
            refuse(
                f'"{time}" is no time and no number of a change: write it as 2031-05-04, '
                "2031-05-04T18:30 or 512"
            )
        refuse(f"{shown(self.file)} has no bank {self.name!r}; there is {listed}")

    def in_file(self) -> tuple[BankFile, bool]:
        """The bank in a bank file that is meant, and whether there are others in it."""
        with refusing():
            file = read_any(self.file)
        banks = file.banks if isinstance(file, StoreFile) else (file.bank,)
        wanted = self.whole_name or self.name
        named = [
            bank for bank in banks if wanted is None or bank.name.casefold() == wanted.casefold()
        ]
        if self.time is not None and not (named and self.whole_name):
            refuse(f"{shown(self.file)} is a bank file: it has no history, only a store has")
        if isinstance(file, BankFile) and named:
            return file, False
        if len(named) == 1:
            return BankFile(named[0], file.saved, file.writer), True
        listed = ", ".join(bank.name or "one without a name" for bank in banks)
        if wanted is None:
            refuse(
                f"{shown(self.file)} holds several banks: say which, as "
                f"{quoted(BankPlace(f'{self.file}:{banks[0].name}'))}; there are {listed}"
            )
        refuse(f"{shown(self.file)} holds no bank {wanted!r}; there is {listed}")


def _is_file(path: Path) -> bool:
    """Whether it is an ordinary file. What no file can be called is none."""
    try:
        return path.is_file()
    except OSError:
        return False


@contextmanager
def refusing() -> Iterator[None]:
    """Refuse, as the command line does, what a bank, a bank file or a store refuses."""
    try:
        yield
    except (BankEditError, BankFileError, StoreError) as error:
        refuse(str(error))


def quoted(place: BankPlace) -> str:
    """A place as it can be typed into a shell."""
    return shlex.quote(shown(place))


def is_moment(text: str) -> bool:
    """Whether a text is written as a change's number or a time."""
    return bool(_NUMBER.fullmatch(text) or _TIME.fullmatch(text))


def time_meant(text: str, *, before: bool = False) -> datetime:
    """The time that a person means, by the clock of the place: the end of the day or the minute.

    With ``before`` it is the last moment before that time, and before a day's beginning.
    """
    if not _TIME.fullmatch(text):
        refuse(f'"{text}" is no time: write it as 2031-05-04 or 2031-05-04T18:30')
    with _that_there_is(text, "time"):
        found = datetime.fromisoformat(text)
        if before:
            found -= _MOMENT
        elif ":" not in text:
            found += timedelta(days=1)
        elif text.count(":") == 1:  # as a history gives it: with all that was changed in it
            found += timedelta(minutes=1) - _MOMENT
        return found.astimezone()


def evening_meant(text: str) -> tuple[datetime, datetime]:
    """The last moments before the evening of a day, and of it: the night belongs to it."""
    if not _TIME.fullmatch(text) or ":" in text:
        refuse(f'"{text}" is no day: write it as 2031-05-04')
    with _that_there_is(text, "day"):
        before = datetime.fromisoformat(text) + _MORNING - _MOMENT
        return before.astimezone(), (before + timedelta(days=1)).astimezone()


@contextmanager
def _that_there_is(text: str, what: str) -> Iterator[None]:
    try:
        yield
    except (OverflowError, ValueError):
        refuse(f'"{text}" is no {what} that there is')


def entry_meant(history: History, player: Player, text: str) -> int:
    """The number of the change after which a bank is meant: the number itself, or a time."""
    if not _NUMBER.fullmatch(text):
        return history.after(time_meant(text))
    if int(text) > player.entry:
        last = f"the last of {player.name}'s bank is {player.entry}"
        refuse(f"there is no change {int(text)} yet: {last}")
    return int(text)


def check_new(path: Path) -> None:
    """That a bank file may be written there: not over a store, nor under a bank's name in one.

    A new file with a colon in its name would be found instead of such a bank.
    """
    found = BankPlace(os.fspath(path)).found()
    if found.in_store and found.file == path:
        refuse(f"{shown(path)} is a store: no bank file takes its place")
    if not found.in_store and ":" in path.name and not os.path.lexists(path):
        store = Path(os.fspath(path).rpartition(":")[0])
        refuse(f"there is no store {shown(store)}, and a file cannot have a colon in its name")
    if found.in_store:
        refuse(
            f"{shown(path)} is no name for a file, but for a bank in a store: "
            "restore puts one there, and store add begins one"
        )
