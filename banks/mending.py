"""What is left of a damaged store: every bank as it is at present, as far as it can be proved.

SQLite is not asked: it gives up at a fault, and the rows are read from the pages (`banks.pages`).
The file is only read, and nothing of its history is given back. Never is anything guessed.

What a cell holds at present stands twice in a store, in its own row and in that of its last
change; where it belongs stands twice too, in its row and in the index. So it is lost only if both
are. What proves it:

* the seal of its change, which says place and value;
* an entry's digest, the sum of all seals of the bank after it. If what was found for that moment
  has that sum, all of it is right. If it differs by as much as it did an entry earlier, the
  changes of that entry are right.
"""

import os
from bisect import bisect_left, bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterable
from collections.abc import Set as AbstractSet
from contextlib import suppress
from enum import IntEnum
from itertools import pairwise
from math import inf
from operator import attrgetter
from pathlib import Path
from typing import Any, NamedTuple

import msgpack
from attrs import frozen

from banks.bankfile import BankFile, BankFileError, encode
from banks.cells import CARDS, LOCKS, NUMBERS, CellError, Cells, Key, Kind, bank_of, seal, value_of
from banks.database import StoreBusyError, StoreError
from banks.limits import flaw
from banks.pages import Pages, Row
from banks.tables import (
    APPLICATION,
    COMPACTED,
    SCHEMA,
    VERSION,
    DamagedError,
    moment_of,
    proof_of,
)
from banks.whole import FileFaultError, check_ordinary, name_of, told_in_words
from combination.bits import numbers_of
from combination.memory import Bank, Combination, ControlCard, PistonCard

_NOTHING, _EITHER = type(None), int | None
_BANK = (_NOTHING, int)
_DESK = (_NOTHING, _EITHER, _EITHER, int)
_INDEX = (int, int, int | str, int, int)
_CELL = (_NOTHING, int, int, int | str, int, int, bytes | None)
_CHANGE = (
    *(_NOTHING, int, int, _EITHER, bytes | None, int),
    *(_EITHER, _EITHER, str | None, str | None, bytes | None, int),
)
_ENTRY = (int, int, str, str | None, bytes)
"""What stands in the rows of each table, and of an entry on that of its first change. No two are
alike, so that a page's rows tell its table."""

_MOD = 2**64
_SHORT = 2**32 - 1
_WORDS: dict[int, str] = {
    Kind.NAME: "its name",
    Kind.CONSOLE: "the name of its console",
    Kind.LOCK: "whether it is locked",
    Kind.PLACE: "where the player left off",
    Kind.CONTROL: "control {a}",
    Kind.PISTON: "piston {a}",
    Kind.LEVEL_NAME: "the name of level {a}",
    Kind.LEVEL_LOCK: "whether level {a} is locked",
    Kind.COMBINATION: "piston {b} at level {a}",
    Kind.FULL_ORGAN: "full organ {a}",
    Kind.STAGE: "crescendo stage {a}",
    Kind.SEQUENCE: "sequence {a}",
    Kind.GUEST: "whether it is a guest's",
    Kind.REMOVED: "whether it was removed",
}


def _packed(value: object) -> bytes:
    return bytes(msgpack.packb(value))


_ALWAYS: Cells = {
    Key(Kind.NAME): _packed(""),
    Key(Kind.CONSOLE): _packed(""),
    Key(Kind.PLACE): _packed((1, None, "0")),
}
"""The cells that every bank has, and what stands for them if they are lost."""


@frozen
class Mended:
    """What is left of a store.

    ``banks`` are by their number in it, those too that were ``removed`` from sight; ``desk`` and
    ``owner`` as `banks.store` has them. ``lost`` says in sentences what is gone, ``unproved`` what
    is in the banks as it was read, but may be damaged: nothing is left that proves it.
    """

    banks: dict[int, Bank]
    guests: frozenset[int]
    removed: frozenset[int]
    desk: int | None
    owner: int | None
    lost: tuple[str, ...]
    unproved: tuple[str, ...]

    @property
    def whole(self) -> bool:
        """Whether all is there, and proved."""
        return not (self.lost or self.unproved)


def mend(path: str | os.PathLike[str]) -> Mended:
    """Read what is left of the present of a store. The file is not changed.

    Raises:
        StoreError: if it cannot be read, is no store, comes from a newer program, or is being
            written meanwhile.
    """
    pages = Pages(*_bytes_of(path))
    found = _Found(pages.rows())
    _check_ours(name_of(path), pages.head(), found)
    lost, unproved = [], []
    if not pages.log_is_whole:
        lost.append("the log beside it is damaged: what was changed last may be missing")
    mendings = [_Mending(found, number) for number in found.numbers()]
    for mending in mendings:
        mending.put_together()
        lost += mending.lost
        unproved += mending.unproved
    banks = {one.number: one.bank for one in mendings if one.bank is not None}
    guests = frozenset(one.number for one in mendings if one.bank and one.has(Kind.GUEST))
    removed = frozenset(one.number for one in mendings if one.bank and one.has(Kind.REMOVED))
    desk, owner = next((row for row in found.desks if {*row} <= {None, *banks}), (None, None))
    if not banks:
        lost.append("there is no bank in it, or none that can be read")
    elif owner is None and banks.keys() - guests:
        lost.append("whose bank is the owner's, and which was on the desk, is not known")
    return Mended(banks, guests, removed, desk, owner, tuple(lost), tuple(unproved))


def _bytes_of(path: str | os.PathLike[str]) -> tuple[bytes, bytes]:
    """The file and its log, both of the same moment."""
    file = Path(os.path.realpath(path))
    log = Path(f"{file}-wal")

    def looked() -> list[tuple[int, int]]:
        there = [place.stat() for place in (file, log) if place.exists()]
        return [(one.st_size, one.st_mtime_ns) for one in there]

    try:
        with told_in_words(path):
            check_ordinary(file.stat())
            before = looked()
            found = file.read_bytes(), log.read_bytes() if len(before) == 2 else b""
            if looked() != before:
                raise StoreBusyError(f"{name_of(path)}: another program is writing to it")
            return found
    except FileFaultError as fault:
        raise StoreError(str(fault)) from None


def _check_ours(name: str, head: bytes | None, found: "_Found") -> None:
    tables = [line.strip().encode() for line in SCHEMA.split(";")]
    known = head is not None and all(table in head for table in tables)
    if head is not None and not known:
        version, owner = int.from_bytes(head[60:64], "big"), int.from_bytes(head[68:72], "big")
        if owner == APPLICATION and version > VERSION:
            raise StoreError(
                f"{name}: it was written by a newer program: its version is {version}, and this "
                f"program knows version {VERSION}"
            )
    if not known and not found.versions:
        raise StoreError(f"{name}: it is not a store, or nothing of it is left")


# ---------------------------------------------------------------- what the pages give


class _Proof(IntEnum):
    """What a change's seal says of a value; a stray one stands on a row that is damaged itself,
    and may be another cell's, or of another change."""

    STRAY = 0
    AGAINST = 1
    NONE = 2
    FOR = 3


class _Version(NamedTuple):
    """What a cell held after a change, as it was read, and the seal that this has."""

    change: int
    proof: _Proof
    value: bytes | None
    seal: int


_EMPTY = _Version(0, _Proof.FOR, None, 0)


class _Entry(NamedTuple):
    bank: int
    at: int
    cause: str
    by: str | None
    digest: bytes
    proved: bool


class _Change(NamedTuple):
    number: int
    entry: int
    cell: int
    previous: int | None
    value: bytes | None
    seal: int
    proved: bool


class _Found:
    """All rows that could be read, and what they say of the cells of each bank.

    ``versions`` are what a cell may have held, ``homeless`` the last changes of cells of which
    only a number is left, ``known`` the numbers of all changes of which anything is. A row may be
    there twice: on a page that the disk did not write is what was there before.
    """

    def __init__(self, rows: Iterable[Row]) -> None:
        self.desks: list[tuple[int | None, int | None]] = []
        self.entries: defaultdict[int, list[_Entry]] = defaultdict(list)
        self.versions: defaultdict[int, defaultdict[Key, list[_Version]]]
        self.versions = defaultdict(lambda: defaultdict(list))
        self.homeless: dict[int, _Change] = {}
        self._banks: set[int] = set()
        self._changes: list[_Change] = []
        self._places: defaultdict[int, set[tuple[int, Key]]] = defaultdict(set)
        self._present: list[tuple[int, int, bytes | None]] = []
        for row in rows:
            self._sort(row)
        self.order = sorted(self.entries)
        pointed = {change for _, change, _ in self._present}
        self.known = sorted(
            pointed
            | {change.number for change in self._changes}
            | {change.previous for change in self._changes if change.previous is not None}
        )
        self.beyond = self.known[-1] + 1 if self.known else 0
        self._judge(pointed)

    def numbers(self) -> list[int]:
        """The numbers of the banks: those with a row of theirs, a name, or an entry and a cell."""
        of_entries = {entry.bank for rows in self.entries.values() for entry in rows}
        named = {
            bank
            for bank, cells in self.versions.items()
            if any(version.proof == _Proof.FOR for version in cells.get(Key(Kind.NAME), ()))
        }
        return sorted(self._banks | named | of_entries & self.versions.keys())

    def may_be(self, bank: int, entry: int) -> bool:
        """Whether an entry may be a bank's, as far as is known."""
        rows = self.entries.get(entry)
        return rows is None or any(row.bank == bank or not row.proved for row in rows)

    def _may_be_of(self, change: _Change) -> bool:
        """Whether a change may be of its entry: no other begins between their numbers."""
        first = bisect_right(self.order, change.entry)
        return bisect_right(self.order, change.number) <= first

    def _sort(self, row: Row) -> None:
        number, values = row
        if number is None:
            if _fits(values, _INDEX):
                self._places[values[4]].add((values[0], Key(*values[1:4])))
        elif _fits(values, _CELL):
            self._places[number].add((values[1], Key(*values[2:5])))
            self._present.append((number, values[5], values[6]))
        elif _fits(values, _CHANGE):
            _, entry, cell, previous, value, sealed, *head, proof = values
            proved = proof == proof_of([number, entry, cell, previous, sealed, *head])
            self._changes.append(_Change(number, entry, cell, previous, value, sealed, proved))
            if number == entry and _fits(tuple(head), _ENTRY):
                bank, at, cause, by, digest = head
                self.entries[number].append(_Entry(bank, at, cause, by, digest, proved))
        elif _fits(values, _BANK):
            if values[1] == proof_of([number]):
                self._banks.add(number)
        elif _fits(values, _DESK) and values[3] == proof_of(values[1:3]):
            self.desks.append((values[1], values[2]))

    def _judge(self, pointed: set[int]) -> None:
        """Hold every value that is there against the seal of its change."""
        of_present: defaultdict[tuple[int, int], list[_Change]] = defaultdict(list)
        for change in self._changes:
            if change.number in pointed:
                of_present[change.cell, change.number].append(change)
            self._weigh(change.cell, change.number, change.value, [change], _Proof.STRAY)
            if change.cell not in self._places:
                last = self.homeless.get(change.cell, change)
                self.homeless[change.cell] = max(last, change, key=lambda one: one.number)
        for cell, number, value in self._present:
            self._weigh(cell, number, value, of_present[cell, number], _Proof.NONE)

    def _weigh(
        self,
        cell: int,
        number: int,
        value: bytes | None,
        changes: list[_Change],
        if_damaged: _Proof,
    ) -> None:
        """Take a value that a cell had after a change, of which there are the rows given.

        What it is ``if_damaged`` is said of one against which only rows are that are so.
        """
        places = self._places.get(cell, ())
        for bank, key in places:
            whole = 0 if value is None else seal(key, value)
            agreeing = [
                change
                for change in changes
                if change.seal == whole & _SHORT and self._may_be_of(change)
            ]
            proof = _Proof.NONE
            if any(self.may_be(bank, change.entry) for change in agreeing):
                proof = _Proof.FOR
            elif changes and (not agreeing or len(places) > 1):
                proved = any(change.proved for change in changes)
                proof = _Proof.AGAINST if proved else if_damaged
            self.versions[bank][key].append(_Version(number, proof, value, whole))


def _fits(values: tuple[Any, ...], shape: tuple[Any, ...]) -> bool:
    return len(values) == len(shape) and all(map(isinstance, values, shape))


# ---------------------------------------------------------------- one bank


class _Mending:
    """One bank, as it is put together; ``lost`` and ``unproved`` as `Mended` has them."""

    def __init__(self, found: _Found, number: int) -> None:
        self.number = number
        self.bank: Bank | None = None
        self.lost: list[str] = []
        self.unproved: list[str] = []
        self._found = found
        self._versions = {
            key: sorted(rows, key=_rank) for key, rows in found.versions[number].items()
        }
        self._entries = [entry for entry in found.order if self._rows(entry)]
        self._last = max([0, *self._entries])
        self._chosen = {
            key: max(versions, key=lambda one: (one.proof != _Proof.STRAY, _rank(one)))
            for key, versions in self._versions.items()
        }
        self._cells: Cells = {}

    def has(self, kind: Kind) -> bool:
        """Whether it has a cell of that kind, of which there is one at most."""
        return Key(kind) in self._cells

    def put_together(self) -> None:
        """Make the bank of what is there, and say what is not."""
        if not self._chosen:
            self.lost.append(f"bank {self.number}: nothing of it is left")
            return
        whole = self._is_whole()
        lost, doubtful = (set[Key](), set[Key]()) if whole else self._not_proved()
        cells = {
            key: version.value
            for key, version in self._chosen.items()
            if version.value is not None and key not in lost
        }
        lost |= {key for key, value in cells.items() if not _can_be_read(key, value)}
        lost |= {key for key in _ALWAYS if key not in cells}
        for left_out in (lost, lost | doubtful):
            self._cells = {key: value for key, value in cells.items() if key not in left_out}
            stand_ins = self._stand_ins()
            self._cells |= stand_ins
            try:
                self.bank = _bank(self.number, self._cells)
            except (CellError, BankFileError) as error:
                reason = str(error)
            else:
                self._say(left_out, doubtful - left_out, stand_ins)
                if not whole:
                    self._say_what_has_no_place()
                return
        self.lost.append(f"bank {self.number}: what is left of it makes no bank: {reason}")

    # ------------------------------------------------------------ what is proved

    def _rows(self, entry: int) -> list[_Entry]:
        return [row for row in self._found.entries.get(entry, ()) if row.bank == self.number]

    def _differences(self, entry: int, total: int) -> set[int]:
        """By how much a sum of seals is more than an entry's digest."""
        rows = self._found.entries.get(entry, ())
        return {(total - int.from_bytes(row.digest, "big")) % _MOD for row in rows}

    def _is_whole(self) -> bool:
        """Whether the last digest proves the present, at once or with one cell chosen anew.

        A value that may be later than that digest is not given up for it.
        """
        differences = self._differences(self._last, sum(v.seal for v in self._chosen.values()))
        if 0 in differences:
            return True
        for key, chosen in self._chosen.items():
            if chosen.change <= self._last:
                for version in (_EMPTY, *self._versions[key]):
                    if (chosen.seal - version.seal) % _MOD in differences:
                        self._chosen[key] = version
                        return True
        return False

    def _not_proved(self) -> tuple[set[Key], set[Key]]:
        """The cells whose last value is lost, and those of which nothing proves it."""
        below, entries = self._proved_by_digests()
        lost: set[Key] = set()
        doubtful: set[Key] = set()
        for key, version in self._chosen.items():
            place = bisect_right(self._entries, version.change) - 1
            of_entry = place >= 0 and self._entries[place] in entries
            if not (version.proof == _Proof.FOR or version.change < below or of_entry):
                (doubtful if version.proof == _Proof.NONE else lost).add(key)
        return lost, doubtful

    def _proved_by_digests(self) -> tuple[float, set[int]]:
        """Go back through the entries, taking back what each changed.

        Gives the number below which all changes are right, and the entries that are besides.
        """
        steps = sorted(
            (version.change, version.seal - before.seal)
            for versions in self._versions.values()
            for before, version in pairwise((_EMPTY, *_one_each(versions)))
        )
        total = sum(version.seal for version in self._chosen.values())
        right: set[int] = set()
        later, beyond = set[int](), inf
        for entry in reversed(self._entries):
            while steps and steps[-1][0] >= beyond:
                total -= steps.pop()[1]
            differences = self._differences(entry, total)
            if 0 in differences:
                return beyond, right
            if differences & later:
                right.add(int(beyond))
            later, beyond = differences, entry
        return 0, right

    # ------------------------------------------------------------ cards

    def _stand_ins(self) -> Cells:
        """A card for each that is missing and needed: the last one known, or only a number.

        So no combination loses anything, and a console file that says what was called so
        (``was``) finds it again.
        """
        found: Cells = {}
        for _ in range(2):  # the card of a piston may need those of controls
            needed = _needed(self._cells | found) - self._cells.keys()
            found |= {key: self._card(key) for key in needed}
        return found

    def _card(self, key: Key) -> bytes:
        for version in reversed(self._versions.get(key, [])):
            if version.proof == _Proof.FOR and version.value and _can_be_read(key, version.value):
                return version.value
        if key.kind == Kind.CONTROL:
            return _packed((f"lost-control-{key.a}", (), ""))
        return _packed((f"lost-piston-{key.a}", (), "", "", b""))

    # ------------------------------------------------------------ in words

    def _say(self, lost: AbstractSet[Key], doubtful: AbstractSet[Key], stand_ins: Cells) -> None:
        """Say what is not as it was, by the name it went by."""
        for key in sorted(lost - stand_ins.keys(), key=_in_order):
            self.lost.append(f"{self._who}: {self._what(key)} is lost")
        for key in sorted(stand_ins, key=_in_order):
            sort = "control" if key.kind == Kind.CONTROL else "piston"
            self.lost.append(
                f"{self._who}: what {sort} {key.a} is called is lost; here it is {self._face(key)}"
            )
        for key in sorted(doubtful, key=_in_order):
            self.unproved.append(f"{self._who}: nothing proves {self._what(key)}; it is as read")

    def _say_what_has_no_place(self) -> None:
        """Say which changes are missing, of which it is not known what they changed."""
        found = self._found
        missing: Counter[int] = Counter()
        for entry in self._entries:
            if all(row.cause == COMPACTED for row in self._rows(entry)):
                continue
            place = bisect_right(found.order, entry)
            beyond = found.order[place] if place < len(found.order) else found.beyond
            there = bisect_left(found.known, beyond) - bisect_left(found.known, entry)
            missing[entry] += max(0, beyond - entry - there)
        for change in found.homeless.values():
            if change.value is not None and found.may_be(self.number, change.entry):
                missing[change.entry] += 1
        for entry, count in sorted((+missing).items()):
            which = "a change is" if count == 1 else f"{count:,} changes are"
            when = self._when(entry)
            self.lost.append(f"{self._who}: {which} lost, and it is not known of what{when}")
        self.lost.append(f"{self._who}: nothing proves that no more is missing")

    @property
    def _who(self) -> str:
        return f"bank {self.bank.name!r}" if self.bank else f"bank {self.number}"

    def _what(self, key: Key) -> str:
        """A cell, as a person knows it."""
        a, b = repr(key.a), repr(key.b)
        if key.kind in CARDS:
            a = self._face(key)
        elif key.kind == Kind.FULL_ORGAN:
            a = self._face(Key(Kind.PISTON, key.a))
        elif key.kind == Kind.COMBINATION:
            b = self._face(Key(Kind.PISTON, key.b))
        return _WORDS.get(key.kind, "something").format(a=a, b=b)

    def _face(self, key: Key) -> str:
        """A card's id, with its label if that is another."""
        card: ControlCard | PistonCard = value_of(
            key, self._cells[key] if key in self._cells else self._card(key)
        )
        return repr(card.id) if card.face == card.id else f"{card.id!r} ({card.face!r})"

    def _when(self, entry: int) -> str:
        """An entry, as a person knows it; nothing if nothing is known of it."""
        for row in filter(attrgetter("proved"), self._rows(entry)):
            made = " ".join(filter(None, (row.cause, row.by)))
            made = made if made.isprintable() else repr(made)
            with suppress(DamagedError):
                return f" ({made}, {moment_of(row.at):%Y-%m-%d %H:%M} UTC)"
        return ""


def _rank(version: _Version) -> tuple[int, int]:
    return version.change, version.proof


def _one_each(versions: list[_Version]) -> Iterable[_Version]:
    """What a cell most likely held after each change."""
    return {version.change: version for version in versions}.values()


def _in_order(key: Key) -> tuple[int, str, int | str, int]:
    return key.kind, str(type(key.a)), key.a, key.b


def _can_be_read(key: Key, value: bytes) -> bool:
    """Whether a cell makes sense by itself."""
    kind, a, b = key
    of_number = isinstance(a, int) and 0 <= a < NUMBERS and 0 <= b < NUMBERS
    if not (of_number if kind != Kind.SEQUENCE else isinstance(a, str) and flaw(a) is None):
        return False
    try:
        found = value_of(key, value)
    except CellError:
        return False
    if kind in (Kind.NAME, Kind.CONSOLE, Kind.LEVEL_NAME):
        return isinstance(found, str) and flaw(found) is None
    if kind in LOCKS:
        return isinstance(found, bytes)
    return kind in _WORDS and _bits(key, value).bit_length() <= NUMBERS


def _bits(key: Key, value: bytes) -> int:
    """The controls that a cell needs to be known, by their numbers."""
    if key.kind in (Kind.COMBINATION, Kind.FULL_ORGAN, Kind.STAGE):
        held: Combination = value_of(key, value)
        return held.on | held.neutral
    return int(value_of(key, value).affects) if key.kind == Kind.PISTON else 0


def _needed(cells: Cells) -> set[Key]:
    """The cards that cells need."""
    controls = 0
    for key, value in cells.items():
        controls |= _bits(key, value)
    owners: set[int | str] = {key.b for key in cells if key.kind == Kind.COMBINATION}
    owners |= {key.a for key in cells if key.kind == Kind.FULL_ORGAN}
    return {Key(Kind.PISTON, owner) for owner in owners} | {
        Key(Kind.CONTROL, bit) for bit in numbers_of(controls)
    }


def _bank(number: int, cells: Cells) -> Bank:
    """The bank that cells make; one that a bank file can carry."""
    unknown = {**_ALWAYS, Key(Kind.NAME): _packed(f"bank {number}")}
    bank = bank_of(unknown | cells)
    encode(BankFile(bank))
    return bank
