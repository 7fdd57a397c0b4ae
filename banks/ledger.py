"""The tables of a store: the cells of its banks, and every change they have been through.

A bank is kept as cells (`banks.cells`); a change of it is an *entry*, with its time and what
made it, and the cells that it changed. Nothing is ever overwritten without an entry that still
has what was there before. All this is one open transaction's view; whose it is, and what is done
when it fails, is for `banks.store` to say.

What is read is checked: each entry carries the digest of all the cells of its bank after it, and
each row of the history a proof of itself, so that a page that the disk damaged is noticed
whether SQLite can still read it or not.

A set that is waited for writes few pages: that of the cell, and the last of the history. So an
entry stands on the row of its first change, and which is a bank's last is not written down.
"""

from collections.abc import Collection, Iterable, Iterator, Mapping
from datetime import datetime
from sqlite3 import Connection
from typing import Any

from attrs import define, field, frozen

from banks.bankfile import BankFile, BankFileError, encode
from banks.cells import CARDS, Cells, Key, Kind, bank_of, seal, sum_of_seals
from banks.tables import (
    COLUMNS,
    COMPACTED,
    NOT_FIRST,
    ROW,
    DamagedError,
    Head,
    check_row,
    head_of,
    milliseconds,
    moment_of,
    proof_of,
    whole_number,
)
from combination.memory import Bank

LEFT_OFF = "left off"
"""The cause of an entry by which only the place moved where the player left off."""
_SHORT = 2**32 - 1
_MANY = 1000
"""Cells that are looked up one by one; if there are more, all of a bank are read at once."""
_MOST = 2**63 - 1


class LedgerError(Exception):
    """What was asked for is not in the ledger; the message says so, for a person."""


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


@define
class Lasts:
    """The last entries: by bank its number and its digest, and the newest change of any."""

    of_bank: dict[int, tuple[int, int]] = field(factory=dict)
    newest: int | None = None


class Ledger:
    """The tables, in a transaction that somebody else begins and ends."""

    def __init__(self, db: Connection, known: "Lasts | None" = None) -> None:
        """Take the connection, and what is ``known`` of the last entries if that is so still."""
        self.db = db
        self.known = known or Lasts()

    # ------------------------------------------------------------ what there is

    def last(self, bank: int) -> int:
        """The number of a bank's last entry."""
        return self.now(bank)[0]

    def changed(self, bank: int) -> datetime:
        """When a bank's last entry was made."""
        return moment_of(self._head(self.last(bank)).at)

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
        found = []
        for number, proof in self.db.execute("SELECT id, proof FROM bank ORDER BY id"):
            if proof != proof_of([number]):
                raise DamagedError("the list of its banks does not agree with its check")
            found.append(number)
        return found

    def strays(self) -> list[int]:
        """The banks of which there are cells, but which are not among all banks."""
        found = self.db.execute(
            "SELECT DISTINCT bank FROM cell WHERE bank NOT IN (SELECT id FROM bank)"
        )
        return [bank for (bank,) in found]

    def marks(self, bank: int) -> dict[int, bytes]:
        """What the store says of a bank and by which names it goes, by kind."""
        kinds = (Kind.NAME, Kind.CONSOLE, Kind.GUEST, Kind.REMOVED)
        return dict(
            self.db.execute(
                "SELECT kind, value FROM cell WHERE bank = ? AND value IS NOT NULL AND kind "
                f"IN ({','.join('?' * len(kinds))}) AND a = 0 AND b = 0",
                (bank, *kinds),
            )
        )

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
        for row in self.db.execute(
            f"SELECT {ROW} FROM change WHERE id <= ? ORDER BY id DESC", (number,)
        ):
            check_row(row)  # of whatever bank: a damaged row may be of any
            if row[5] == bank:
                return int(row[0])
        raise LedgerError(
            f"what the bank was after change {number} is not known: its history begins later"
        )

    def entry_before(self, bank: int, moment: datetime) -> int | None:
        """The last entry of a bank before the first that was made later than that.

        A clock that was behind for a while, as one without a battery is, does no harm to this.
        """
        found = None
        for row in self.db.execute(f"SELECT {ROW} FROM change ORDER BY id"):
            check_row(row)
            if row[5] == bank:
                if head_of(row).at > milliseconds(moment):
                    return found
                found = int(row[0])
        return self.last(bank) if found is None else found

    def entries(self, bank: int, first: int = 0, last: int | None = None) -> Iterator[Entry]:
        """A bank's entries between two numbers, both taken in, the newest first."""
        for row in self.db.execute(
            f"SELECT {ROW} FROM change WHERE id <= ? ORDER BY id DESC",
            (_MOST if last is None else last,),
        ):
            check_row(row)  # of whatever bank: a damaged row may be of any
            if row[0] < first:  # not before it is checked: its number may be what is damaged
                return
            if row[0] == row[1]:
                head = head_of(row)
                if head.bank == bank:
                    yield Entry(row[0], bank, moment_of(head.at), head.cause, head.by or "")

    def entry(self, bank: int, number: int) -> Entry:
        """A bank's entry of that number."""
        for found in self.entries(bank, number, number):
            return found
        raise LedgerError(f"this bank has no change {number}")

    def changes(self, entry: Entry) -> list[Changed]:
        """The cells that an entry changed, in the order in which it did."""
        (beyond,) = self.db.execute(
            "SELECT coalesce(min(id), ?) FROM change WHERE id > ? AND bank IS NOT NULL",
            (_MOST, entry.number),
        ).fetchone()
        least = 0 if entry.cause == COMPACTED else entry.number
        where = "change.id >= ? AND change.id < ? AND change.entry = ?"
        found = list(self._changes(where, (least, beyond, entry.number), entry.bank))[::-1]
        (before,) = self.db.execute(
            "SELECT max(id) FROM change WHERE bank = ? AND id < ?", (entry.bank, entry.number)
        ).fetchone()
        total = 0 if before is None else self.digest(before)
        for changed in found:
            total += _whole_seal(changed.key, changed.after)
            total -= _whole_seal(changed.key, changed.before)
        if total % 2**64 != self.digest(entry.number):
            raise DamagedError(f"change {entry.number} does not agree with its check")
        return found

    def past(self, bank: int, key: Key) -> Iterator[Changed]:
        """All that a cell has been through, the newest first."""
        found = self.db.execute(
            "SELECT change FROM cell WHERE bank = ? AND kind = ? AND a = ? AND b = ?", (bank, *key)
        ).fetchone()
        beyond = _MOST
        while found is not None and found[0] is not None:
            number = whole_number(found[0])
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
        for kind, a, b, before, sealed_before, after, base, *row in self.db.execute(
            "SELECT cell.kind, cell.a, cell.b, before.value, before.seal, change.value, "
            f"change.previous IS NULL AND head.cause IS ?, {ROW} "
            "FROM change JOIN cell ON cell.id = change.cell "
            "LEFT JOIN change AS before ON before.id = change.previous "
            "LEFT JOIN change AS head ON head.id = change.entry "
            f"WHERE {where} AND cell.bank = ? ORDER BY change.id DESC",
            (COMPACTED, *values, bank),
        ):
            check_row(row)
            number, entry, _, previous, sealed = row[:5]
            key = Key(kind, a, b)
            if sealed != _short_seal(key, after):
                raise DamagedError(f"change {number} does not agree with its check")
            if previous is not None and sealed_before != _short_seal(key, before):
                raise DamagedError(f"change {previous} does not agree with its check")
            yield Changed(number, whole_number(entry), key, before, after, bool(base))

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
        entry = whole_number(self.known.newest) + 1
        there = self._there(bank, values)
        new = None
        made, altered = [], []
        changes: list[list[Any]] = []
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
            changes.append([change, entry, cell, previous, sealed & _SHORT, *NOT_FIRST, value])
            total += sealed - (0 if before is None else seal(key, before))
            change += 1
        if not changes:
            return None
        if made:
            db.executemany("INSERT INTO cell VALUES (?, ?, ?, ?, ?, ?, ?)", made)
        if altered:
            db.executemany("UPDATE cell SET change = ?, value = ? WHERE id = ?", altered)
        total %= 2**64
        changes[0][5:10] = bank, round(at * 1000), cause, by or None, total.to_bytes(8, "big")
        db.executemany(
            f"INSERT INTO change ({COLUMNS}, value, proof) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [(*row, proof_of(row[:10])) for row in changes],
        )
        self.known.of_bank[bank], self.known.newest = (entry, total), change - 1
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
        if bank not in self.known.of_bank:
            newest, entry = self.db.execute(
                "SELECT id, entry FROM change ORDER BY id DESC LIMIT 1"
            ).fetchone() or (0, 0)
            self.known.newest = whole_number(newest)
            head = self._head(entry) if newest else None
            if head is None or head.bank != bank:
                entry = self._last_of(bank)
                head = self._head(entry) if entry else None
            self.known.of_bank[bank] = entry, 0 if head is None else head.digest
        return self.known.of_bank[bank]

    def _last_of(self, bank: int) -> int:
        """The entry of the last change of any cell of a bank; 0 if it has none yet."""
        if bank not in self.banks():
            raise LedgerError(f"there is no bank {bank} in it")
        (last,) = self.db.execute("SELECT max(change) FROM cell WHERE bank = ?", (bank,)).fetchone()
        if last is None:
            return 0
        found = self.db.execute(f"SELECT {ROW} FROM change WHERE id = ?", (last,)).fetchone()
        if found is None:
            raise DamagedError(f"change {last} is missing")
        check_row(found)
        return int(found[1])

    def _head(self, entry: int) -> Head:
        """What there is of an entry."""
        row = self.db.execute(f"SELECT {ROW} FROM change WHERE id = ?", (entry,)).fetchone()
        if row is None:
            raise DamagedError(f"change {entry} is missing")
        check_row(row)
        return head_of(row)

    def state(self, bank: int, entry: int) -> int | None:
        """The digest of a bank after an entry of its own; None if it has no such entry."""
        found = self.db.execute("SELECT bank FROM change WHERE id = ?", (entry,)).fetchone()
        return self.digest(entry) if found == (bank,) else None

    def compacted(self, bank: int) -> int:
        """The number of the entry that stands for what of a bank was dropped; 0 if nothing was."""
        (found,) = self.db.execute(
            "SELECT coalesce(max(id), 0) FROM change WHERE bank = ? AND cause = ?",
            (bank, COMPACTED),
        ).fetchone()
        return int(found)

    def digest(self, entry: int) -> int:
        """The sum of the seals of a bank's cells after an entry."""
        return self._head(entry).digest

    # ------------------------------------------------------------ banks and the desk

    def new_bank(self) -> int:
        """The number of a new bank, which has nothing in it yet."""
        (number,) = self.db.execute("SELECT coalesce(max(id), 0) + 1 FROM bank").fetchone()
        self.db.execute("INSERT INTO bank VALUES (?, ?)", (number, proof_of([number])))
        return int(number)

    def desk(self) -> tuple[int | None, int | None]:
        """The bank that the console plays from, and the owner's; None of what is not said yet."""
        found = self.db.execute("SELECT bank, owner, proof FROM desk").fetchone()
        if found is None:
            return None, None
        bank, owner, proof = found
        if proof != proof_of([bank, owner]):
            raise DamagedError("which bank is on the desk does not agree with its check")
        return bank, owner

    def lay(self, bank: int | None, owner: int | None) -> None:
        """Say which bank is on the desk, and which the owner's."""
        proof = proof_of([bank, owner])
        self.db.execute("INSERT OR REPLACE INTO desk VALUES (1, ?, ?, ?)", (bank, owner, proof))

    # ------------------------------------------------------------ what is dropped

    def folded(self, bank: int, last: int) -> list[int]:
        """The numbers of the changes that are not needed to know a bank after an entry.

        Of a card that the bank has no more, the last there was is needed too.
        """
        kept: dict[int, int] = {}
        needed: dict[int, int] = {}
        dropped = []
        for kind, empty, *row in self.db.execute(
            f"SELECT cell.kind, change.value IS NULL, {ROW} FROM change "
            "JOIN cell ON cell.id = change.cell "
            "WHERE cell.bank = ? AND change.entry <= ? ORDER BY change.id",
            (bank, last),
        ):
            check_row(row)
            number, _, cell = row[:3]
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
        db.execute(
            "UPDATE change SET bank = NULL, at = NULL, cause = NULL, by = NULL, digest = NULL "
            "WHERE bank = ? AND id < ?",
            (bank, last),
        )
        db.execute("UPDATE change SET cause = ?, by = ? WHERE id = ?", (COMPACTED, by, last))
        rows = db.execute(f"SELECT {ROW} FROM change WHERE entry = ?", (last,)).fetchall()
        db.executemany(
            "UPDATE change SET proof = ? WHERE id = ?",
            [(proof_of(row[:10]), row[0]) for row in rows],
        )


def _short_seal(key: Key, value: bytes | None) -> int:
    return _whole_seal(key, value) & _SHORT


def _whole_seal(key: Key, value: bytes | None) -> int:
    return 0 if value is None else seal(key, value)
