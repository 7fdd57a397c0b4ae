"""The tables of a store: the cells of its banks, and every change they have been through.

A bank is kept as cells (`banks.cells`); a change of it is an *entry*, with its time and what
made it, and the cells that it changed. Nothing is ever overwritten without an entry that still
has what was there before. All this is one open transaction's view; whose it is, and what is done
when it fails, is for `banks.store` to say.

What is read is checked: each entry carries the digest of all the cells of its bank after it, so
that a page that the disk damaged is noticed whether SQLite can still read it or not.
"""

from collections.abc import Collection, Iterable, Iterator, Mapping
from datetime import UTC, datetime
from sqlite3 import Connection

from attrs import frozen

from banks.bankfile import BankFile, BankFileError, encode
from banks.cells import CARDS, Cells, Key, Kind, bank_of, seal, sum_of_seals
from combination.memory import Bank

APPLICATION = 0x53775374
VERSION = 1
SCHEMA = """
CREATE TABLE bank (
    id INTEGER PRIMARY KEY,
    entry INTEGER NOT NULL
);
CREATE TABLE cell (
    id INTEGER PRIMARY KEY,
    bank INTEGER NOT NULL,
    kind INTEGER NOT NULL,
    a NOT NULL,
    b INTEGER NOT NULL,
    change INTEGER NOT NULL,
    value BLOB,
    UNIQUE (bank, kind, a, b)
);
CREATE TABLE entry (
    id INTEGER PRIMARY KEY,
    bank INTEGER NOT NULL,
    at INTEGER NOT NULL,
    cause TEXT NOT NULL,
    by TEXT,
    digest BLOB NOT NULL
);
CREATE TABLE change (
    id INTEGER PRIMARY KEY,
    entry INTEGER NOT NULL,
    cell INTEGER NOT NULL,
    previous INTEGER,
    value BLOB,
    seal INTEGER NOT NULL
);
CREATE TABLE desk (
    id INTEGER PRIMARY KEY CHECK (id = 1),
    bank INTEGER,
    owner INTEGER
)
"""
"""A bank's ``entry`` is its last. A cell's ``value`` is the present one, nothing if it is empty;
``change`` its last change, from which ``previous`` leads back through all of them. A change has
the ``value`` after it: what was before is the value of the previous one. An entry has the number
of the first of its changes, so that both count upwards together. ``at`` is in milliseconds since
1970, universal time."""

LEFT_OFF = "left off"
"""The cause of an entry by which only the place moved where the player left off."""
COMPACTED = "compacted"
"""The cause of an entry that stands for all before it, which was dropped."""

_SHORT = 2**32 - 1
_MANY = 1000
"""Cells that are looked up one by one; if there are more, all of a bank are read at once."""
_MOST = 2**63 - 1


class LedgerError(Exception):
    """What was asked for is not in the ledger; the message says so, for a person."""


class DamagedError(Exception):
    """What is in the tables is not what was written there; the message says what."""


@frozen
class Entry:
    """A change of a bank: its number, when it was made, what made it, and by which means.

    ``cause`` is a word or two (`banks.store` and `banks.history` have theirs, a set has the
    engine's); ``by`` the piston that was pressed, or whatever else a person would know it by.
    """

    number: int
    bank: int
    at: datetime
    cause: str
    by: str


@frozen
class Changed:
    """One cell in one entry: what it held before and after, nothing if it was empty.

    ``base`` is true of a cell whose earlier history was compacted: what it held before the
    entry is not known.
    """

    number: int
    entry: int
    key: Key
    before: bytes | None
    after: bytes | None
    base: bool = False


class Ledger:
    """The tables, in a transaction that somebody else begins and ends."""

    def __init__(self, db: Connection) -> None:
        """Take the connection."""
        self.db = db
        self._now: dict[int, tuple[int, int]] = {}
        self._next: int | None = None

    # ------------------------------------------------------------ what there is

    def last(self, bank: int) -> int:
        """The number of a bank's last entry."""
        found = self.db.execute("SELECT entry FROM bank WHERE id = ?", (bank,)).fetchone()
        if found is None:
            raise LedgerError(f"there is no bank {bank} in it")
        return _whole(found[0])

    def has(self, bank: int, key: Key) -> bool:
        """Whether a cell has something in it."""
        found = self.db.execute(
            "SELECT value IS NOT NULL FROM cell WHERE bank = ? AND kind = ? AND a = ? AND b = ?",
            (bank, *key),
        ).fetchone()
        return found is not None and bool(found[0])

    def cells(self, bank: int, entry: int | None = None) -> Cells:
        """A bank's cells as they are, or as they were after an entry; all of them sound."""
        cells: Cells = {
            Key(kind, a, b): value
            for kind, a, b, value in self.db.execute(
                "SELECT kind, a, b, value FROM cell WHERE bank = ? AND value IS NOT NULL", (bank,)
            )
        }
        then = self.last(bank)
        if entry is not None:
            then = self.entry_at(bank, entry)
            for changed in self._changes("change.id > ? AND change.entry > ?", (then, then), bank):
                if changed.before is None:
                    cells.pop(changed.key, None)
                else:
                    cells[changed.key] = changed.before
        if sum_of_seals(cells) != self.digest(then):
            raise DamagedError("what it holds does not agree with its check")
        return cells

    def load(self, bank: int, entry: int | None = None) -> Bank:
        """The bank that its cells make, or made after an entry; one that a bank file can carry."""
        found = bank_of(self.cells(bank, entry))
        try:
            encode(BankFile(found))
        except BankFileError as error:
            raise DamagedError(str(error)) from None
        return found

    def cards(self, bank: int) -> Iterable[tuple[Key, bytes, bool]]:
        """Every card of a control or piston that a bank has or had, with whether it has it.

        Of one that it has no more, it is the last there was.
        """
        found = []
        for kind, a, b, value, sealed, before, sealed_before in self.db.execute(
            "SELECT kind, a, b, cell.value, change.seal, before.value, before.seal FROM cell "
            "LEFT JOIN change ON change.id = cell.change "
            "LEFT JOIN change AS before ON before.id = change.previous "
            f"WHERE cell.bank = ? AND kind IN ({','.join('?' * len(CARDS))})",
            (bank, *sorted(CARDS)),
        ):
            key, present = Key(kind, a, b), value is not None
            card = value if present else before
            if card is None or (sealed if present else sealed_before) != _short_seal(key, card):
                raise DamagedError("a card of a control or piston does not agree with its check")
            found.append((key, card, present))
        return found

    def former_cards(self, bank: int, keys: Iterable[Key]) -> list[tuple[Key, bytes]]:
        """All that cards of controls and pistons ever were, the newest first."""
        found = [changed for key in keys for changed in self.past(bank, key)]
        found.sort(key=lambda changed: -changed.number)
        return [(changed.key, changed.after) for changed in found if changed.after is not None]

    def banks(self) -> list[int]:
        """The numbers of all banks."""
        return [number for (number,) in self.db.execute("SELECT id FROM bank ORDER BY id")]

    def keys_of_piston(self, bank: int, piston: int) -> list[Key]:
        """The cells that have ever held a memory of a piston."""
        return [
            Key(kind, a, b)
            for kind, a, b in self.db.execute(
                "SELECT kind, a, b FROM cell WHERE bank = ?1 "
                "AND (kind = ?2 AND b = ?4 OR kind = ?3 AND a = ?4)",
                (bank, Kind.COMBINATION, Kind.FULL_ORGAN, piston),
            )
        ]

    def place(self, bank: int, entry: int | None = None) -> bytes:
        """Where the player left off, as a cell's value; or had left off after an entry."""
        for changed in self.past(bank, Key(Kind.PLACE)):
            if changed.after is not None and (entry is None or changed.entry <= entry):
                return changed.after
        raise DamagedError("where the player left off is missing")

    # ------------------------------------------------------------ what there was

    def entry_at(self, bank: int, number: int) -> int:
        """The number of a bank's last entry up to that number."""
        (found,) = self.db.execute(
            "SELECT max(id) FROM entry WHERE bank = ? AND id <= ?", (bank, number)
        ).fetchone()
        if found is None:
            raise LedgerError(
                f"what the bank was after change {number} is not known: its history begins later"
            )
        return int(found)

    def entry_before(self, bank: int, moment: datetime) -> int | None:
        """The last entry of a bank before the first that was made later than that.

        A clock that was behind for a while, as one without a battery is, does no harm to this.
        """
        (later,) = self.db.execute(
            "SELECT min(id) FROM entry WHERE bank = ? AND at > ?", (bank, milliseconds(moment))
        ).fetchone()
        if later is None:
            return self.last(bank)
        (found,) = self.db.execute(
            "SELECT max(id) FROM entry WHERE bank = ? AND id < ?", (bank, later)
        ).fetchone()
        return None if found is None else int(found)

    def entries(self, bank: int, first: int = 0, last: int | None = None) -> Iterator[Entry]:
        """A bank's entries between two numbers, both taken in, the newest first."""
        for number, at, cause, by in self.db.execute(
            "SELECT id, at, cause, by FROM entry WHERE bank = ? AND id BETWEEN ? AND ? "
            "ORDER BY id DESC",
            (bank, first, _MOST if last is None else last),
        ):
            if type(cause) is not str or type(by) not in (str, type(None)):
                raise DamagedError(f"what made change {number} is no text")
            yield Entry(number, bank, moment_of(_whole(at)), cause, by or "")

    def entry(self, bank: int, number: int) -> Entry:
        """A bank's entry of that number."""
        for found in self.entries(bank, number, number):
            return found
        raise LedgerError(f"this bank has no change {number}")

    def changes(self, entry: Entry) -> list[Changed]:
        """The cells that an entry changed, in the order in which it did."""
        (beyond,) = self.db.execute(
            "SELECT coalesce(min(id), ?) FROM entry WHERE id > ?", (_MOST, entry.number)
        ).fetchone()
        least = 0 if entry.cause == COMPACTED else entry.number
        where = "change.id >= ? AND change.id < ? AND change.entry = ?"
        return list(self._changes(where, (least, beyond, entry.number), entry.bank))[::-1]

    def past(self, bank: int, key: Key) -> Iterator[Changed]:
        """All that a cell has been through, the newest first."""
        found = self.db.execute(
            "SELECT change FROM cell WHERE bank = ? AND kind = ? AND a = ? AND b = ?", (bank, *key)
        ).fetchone()
        beyond = _MOST
        while found is not None and found[0] is not None:
            number = _whole(found[0])
            changed = next(self._changes("change.id = ?", (number,), bank), None)
            if changed is None or changed.key != key or number >= beyond:
                raise DamagedError(f"change {number} is missing")
            yield changed
            beyond = number
            found = self.db.execute(
                "SELECT previous FROM change WHERE id = ?", (number,)
            ).fetchone()

    def _changes(self, where: str, values: tuple[int, ...], bank: int) -> Iterator[Changed]:
        """Changes of a bank, the newest first."""
        for number, entry, kind, a, b, before, after, sealed, base in self.db.execute(
            "SELECT change.id, change.entry, cell.kind, cell.a, cell.b, before.value, "
            "change.value, change.seal, change.previous IS NULL AND entry.cause IS ? "
            "FROM change JOIN cell ON cell.id = change.cell "
            "LEFT JOIN change AS before ON before.id = change.previous "
            "LEFT JOIN entry ON entry.id = change.entry "
            f"WHERE {where} AND cell.bank = ? ORDER BY change.id DESC",
            (COMPACTED, *values, bank),
        ):
            key = Key(kind, a, b)
            if sealed != _short_seal(key, after):
                raise DamagedError(f"change {number} does not agree with its check")
            yield Changed(number, entry, key, before, after, bool(base))

    # ------------------------------------------------------------ what is written

    def put(
        self,
        bank: int,
        values: Mapping[Key, bytes | None],
        cause: str,
        by: str,
        at: float,
    ) -> int | None:
        """Change cells of a bank in one entry; where nothing is different, there is none.

        ``at`` is in seconds since 1970. Gives the entry's number.
        """
        db = self.db
        _, total = self.now(bank)
        entry = _whole(self._next)
        there = self._there(bank, values)
        new = None
        made, altered, changes = [], [], []
        change = entry
        for key, value in values.items():
            cell, previous, before = there.get(key, (None, None, None))
            if value == before:
                continue
            if cell is None:
                cell = new or db.execute("SELECT coalesce(max(id), 0) + 1 FROM cell").fetchone()[0]
                new = cell + 1
                made.append((cell, bank, *key, change, value))
            else:
                altered.append((change, value, cell))
            sealed = 0 if value is None else seal(key, value)
            changes.append((change, entry, cell, previous, value, sealed & _SHORT))
            total += sealed - (0 if before is None else seal(key, before))
            change += 1
        if not changes:
            return None
        if made:
            db.executemany("INSERT INTO cell VALUES (?, ?, ?, ?, ?, ?, ?)", made)
        if altered:
            db.executemany("UPDATE cell SET change = ?, value = ? WHERE id = ?", altered)
        db.executemany("INSERT INTO change VALUES (?, ?, ?, ?, ?, ?)", changes)
        state = (total % 2**64).to_bytes(8, "big")
        db.execute(
            "INSERT INTO entry VALUES (?, ?, ?, ?, ?, ?)",
            (entry, bank, round(at * 1000), cause, by or None, state),
        )
        db.execute("UPDATE bank SET entry = ? WHERE id = ?", (entry, bank))
        self._now[bank], self._next = (entry, total % 2**64), change
        return entry

    def _there(self, bank: int, keys: Collection[Key]) -> dict[Key, tuple[int, int, bytes | None]]:
        """What is known of cells: their number, last change and value; nothing of new ones."""
        if len(keys) > _MANY:
            rows = self.db.execute(
                "SELECT kind, a, b, id, change, value FROM cell WHERE bank = ?", (bank,)
            )
            return {Key(kind, a, b): (cell, last, value) for kind, a, b, cell, last, value in rows}
        found = {}
        for key in keys:
            row = self.db.execute(
                "SELECT id, change, value FROM cell "
                "WHERE bank = ? AND kind = ? AND a = ? AND b = ?",
                (bank, *key),
            ).fetchone()
            if row is not None:
                found[key] = row
        return found

    def now(self, bank: int) -> tuple[int, int]:
        """The number of a bank's last entry, and its digest; 0 and 0 if there is none yet."""
        if bank not in self._now:
            found = self.db.execute(
                "SELECT bank.entry, entry.digest, (SELECT coalesce(max(id), 0) + 1 FROM change) "
                "FROM bank LEFT JOIN entry ON entry.id = bank.entry WHERE bank.id = ?",
                (bank,),
            ).fetchone()
            if found is None:
                raise LedgerError(f"there is no bank {bank} in it")
            last, digest, self._next = found
            if last != 0 and type(digest) is not bytes:
                self.digest(self.last(bank))
            self._now[bank] = _whole(last), int.from_bytes(digest or b"", "big")
        return self._now[bank]

    def state(self, bank: int, entry: int) -> int | None:
        """The digest of a bank after an entry of its own; None if it has no such entry."""
        found = self.db.execute("SELECT bank FROM entry WHERE id = ?", (entry,)).fetchone()
        return self.digest(entry) if found == (bank,) else None

    def compacted(self, bank: int) -> int:
        """The number of the entry that stands for what of a bank was dropped; 0 if nothing was."""
        (found,) = self.db.execute(
            "SELECT coalesce(max(id), 0) FROM entry WHERE bank = ? AND cause = ?",
            (bank, COMPACTED),
        ).fetchone()
        return int(found)

    def digest(self, entry: int) -> int:
        """The sum of the seals of a bank's cells after an entry."""
        found = self.db.execute("SELECT digest FROM entry WHERE id = ?", (entry,)).fetchone()
        if found is None:
            raise DamagedError(f"change {entry} is missing")
        if type(found[0]) is not bytes:
            raise DamagedError(f"change {entry} has no check")
        return int.from_bytes(found[0], "big")

    # ------------------------------------------------------------ what is dropped

    def folded(self, bank: int, last: int) -> list[int]:
        """The numbers of the changes that are not needed to know a bank after an entry.

        Of a card that the bank has no more, the last there was is needed too.
        """
        kept: dict[int, int] = {}
        needed: dict[int, int] = {}
        dropped = []
        for number, cell, kind, empty in self.db.execute(
            "SELECT change.id, cell.id, cell.kind, change.value IS NULL FROM change "
            "JOIN cell ON cell.id = change.cell "
            "WHERE cell.bank = ? AND change.entry <= ? ORDER BY change.id",
            (bank, last),
        ):
            before = kept.get(cell)
            if empty and kind in CARDS and before is not None:
                needed[cell] = before
            else:
                needed.pop(cell, None)
            kept[cell] = number
            if before is not None:
                dropped.append(before)
        still = frozenset(needed.values())
        return [number for number in dropped if number not in still]

    def fold(self, bank: int, last: int, by: str) -> None:
        """Let one entry stand for itself and all of a bank's entries before it."""
        db = self.db
        db.executemany(
            "DELETE FROM change WHERE id = ?", [(number,) for number in self.folded(bank, last)]
        )
        db.execute(
            "UPDATE change SET entry = ?1 WHERE entry < ?1 "
            "AND cell IN (SELECT id FROM cell WHERE bank = ?2)",
            (last, bank),
        )
        db.execute(
            "UPDATE change SET previous = NULL WHERE entry = ? AND previous IS NOT NULL "
            "AND NOT EXISTS (SELECT 1 FROM change AS before WHERE before.id = change.previous)",
            (last,),
        )
        db.execute("DELETE FROM entry WHERE bank = ? AND id < ?", (bank, last))
        db.execute("UPDATE entry SET cause = ?, by = ? WHERE id = ?", (COMPACTED, by, last))


def _short_seal(key: Key, value: bytes | None) -> int:
    return 0 if value is None else seal(key, value) & _SHORT


def _whole(number: object) -> int:
    if type(number) is not int:
        raise DamagedError(f"{number!r} is no whole number")
    return number


def milliseconds(moment: datetime) -> int:
    """A time as the store keeps it."""
    return round(moment.timestamp() * 1000)


def moment_of(at: int) -> datetime:
    """A time that the store kept."""
    try:
        return datetime.fromtimestamp(at / 1000, UTC)
    except (OverflowError, TypeError, ValueError, OSError):
        raise DamagedError(f"{at} is no time") from None
