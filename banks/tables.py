"""The tables of a store as SQLite has them: what stands on a row, and what proves that it does.

What rows mean together is for `banks.ledger`, which writes them, and for `banks.mending`, which
reads what is left of them.
"""

from collections.abc import Collection
from datetime import UTC, datetime
from hashlib import blake2b
from typing import Any, NamedTuple

import msgpack

APPLICATION = 0x53775374
VERSION = 1
SCHEMA = """
CREATE TABLE bank (
    id INTEGER PRIMARY KEY,
    proof INTEGER NOT NULL
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
CREATE TABLE change (
    id INTEGER PRIMARY KEY,
    entry INTEGER NOT NULL,
    cell INTEGER NOT NULL,
    previous INTEGER,
    value BLOB,
    seal INTEGER NOT NULL,
    bank INTEGER,
    at INTEGER,
    cause TEXT,
    by TEXT,
    digest BLOB,
    proof INTEGER NOT NULL
);
CREATE TABLE desk (
    id INTEGER PRIMARY KEY CHECK (id = 1),
    bank INTEGER,
    owner INTEGER,
    proof INTEGER NOT NULL
)
"""
"""A cell's ``value`` is the present one, nothing if it is empty; ``change`` its last change, from
which ``previous`` leads back through all of them. A change has the ``value`` after it: what was
before is the value of the previous one. An entry has the number of the first of its changes, so
that both count upwards together, and stands on that change's row: only there are ``bank``, ``at``
(in milliseconds since 1970, universal time), ``cause``, ``by`` and ``digest``. A bank's last entry
is that of the last change of any of its cells."""

COMPACTED = "compacted"
"""The cause of an entry that stands for all before it, which was dropped."""

COLUMNS = "id, entry, cell, previous, seal, bank, at, cause, by, digest"
"""What stands on a row of the history, but for the value: the seal says that."""
ROW = ", ".join(f"change.{column}" for column in (*COLUMNS.split(", "), "proof"))
NOT_FIRST = (None, None, None, None, None)
"""What stands on the row of a change for an entry that begins on another."""


class DamagedError(Exception):
    """What is in the tables is not what was written there; the message says what."""


class Head(NamedTuple):
    """What the row of an entry's first change says of the entry."""

    bank: int
    at: int
    cause: str
    by: str | None
    digest: int


def proof_of(values: Collection[Any]) -> int:
    """What a row carries to show that it is as it was written: 32 bits of a hash of its values."""
    found = blake2b(msgpack.packb(values), digest_size=8).digest()
    return int.from_bytes(found[4:], "big")


def check_row(row: Collection[Any]) -> None:
    """That a row of the history (``ROW``) is as it was written."""
    *values, proof = row
    if proof != proof_of(values):
        raise DamagedError(f"change {values[0]} does not agree with its check")


def head_of(row: tuple[Any, ...]) -> Head:
    """What a row says of the entry that begins on it."""
    bank, at, cause, by, digest = row[5:10]
    if bank is None:
        raise DamagedError(f"change {row[0]} is not the first of its entry")
    if not (type(cause) is str and type(by) in (str, type(None)) and type(digest) is bytes):
        raise DamagedError(f"what is said of change {row[0]} makes no sense")
    whole_number(at)
    return Head(bank, at, cause, by, int.from_bytes(digest, "big"))


def whole_number(number: object) -> int:
    """A number that must be a whole one."""
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
