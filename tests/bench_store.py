"""How fast the living store is, as ratios: a part of ``python -m tests.bench``.

A durable set is timed beside SQLite's own bare insert and commit with the same settings in the
same folder, since both wait for the same disk. The folder is the one the bench is run in: a
folder in memory would wait for nothing.
"""

import random
import sqlite3
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from time import perf_counter
from typing import Any

from attrs import evolve

from banks import BankFile, History, Keeper, Store, compare, create_store, decode, encode
from banks.cells import Key, Kind
from combination.effects import Cause, KeepAsked
from combination.memory import Bank, Change, Combination, Slot
from tests.timing import beside, job, seconds

SETS = 4000
"""Each beside an insert, in turns, one by one. A disk is now faster and now slower by far more than
they differ, so it is their medians that are compared."""
WARM_UP = 1500
"""Sets until both logs are as long as they get."""
CHANGES = 1_000_000
PISTONS = 1_000
"""A million changes of a thousand places: each has been set a thousand times."""
VALUE = 40
"""Bytes of a combination of 300 controls in a cell."""


@contextmanager
def _store_of(folder: Path, name: str, bank: Bank) -> Iterator[tuple[Store, int]]:
    create_store(folder / name)
    with Store(folder / name) as store:
        yield store, store.add(bank)


@contextmanager
def _bare(folder: Path, name: str) -> Iterator[sqlite3.Connection]:
    """A SQLite file with one table, kept as the store is."""
    db = sqlite3.connect(folder / name, isolation_level=None)
    for setting in ("journal_mode = WAL", "synchronous = FULL"):
        db.execute(f"PRAGMA {setting}")
    db.execute("CREATE TABLE bare (id INTEGER PRIMARY KEY, value BLOB)")
    yield db
    db.close()


def _durable_sets(folder: Path, bank: Bank) -> None:
    rng = random.Random(1)
    pistons = list(bank.pistons)[:100]
    asked = [
        KeepAsked(
            number,
            Change(
                Slot(rng.choice(pistons), rng.randint(1, 1000)),
                None,
                Combination(rng.getrandbits(300)),
            ),
            Cause.SET,
            "g1",
        )
        for number in range(SETS)
    ]
    values = [
        asking.change.after.on.to_bytes(38, "little") for asking in asked if asking.change.after
    ]
    with (
        _store_of(folder, "sets.store", bank) as (store, number),
        _bare(folder, "bare.db") as db,
    ):
        keeper = Keeper(store, number, store.load(number))
        setting, inserting = [], []
        for asking, value in zip(asked, values, strict=True):
            began = perf_counter()
            keeper.keep(asking)
            setting.append(perf_counter() - began)
            began = perf_counter()
            db.execute("BEGIN IMMEDIATE")
            db.execute("INSERT INTO bare VALUES (NULL, ?)", (value,))
            db.execute("COMMIT")
            inserting.append(perf_counter() - began)
        if keeper.fault is not None:
            sys.exit(f"a set was not kept: {keeper.fault}")
        ours, bare = (median(times[WARM_UP:]) for times in (setting, inserting))
        beside("a durable set", ours, "a bare insert and commit", bare, 1.5)


def _full_bank(folder: Path, bank: Bank) -> None:
    rows = [
        (level, piston, held.on.to_bytes(38, "little"))
        for level, there in bank.levels.items()
        for piston, held in there.combinations.items()
    ]
    other = evolve(bank, levels=dict(bank.levels))
    other.levels[7] = evolve(bank.levels[7], combinations=dict(bank.levels[8].combinations))
    made = iter(range(10**6))
    with _bare(folder, "rows.db") as db:
        db.execute("CREATE TABLE rows (level, piston, value BLOB, PRIMARY KEY (level, piston))")

        def insert(_: None) -> None:
            db.execute("BEGIN IMMEDIATE")
            db.execute("DELETE FROM rows")
            for row in rows:
                db.execute("INSERT INTO rows VALUES (?, ?, ?)", row)
            db.execute("COMMIT")

        def select(_: None) -> int:
            found = db.execute("SELECT level, piston, value FROM rows")
            return sum(int.from_bytes(value, "little") & 1 for _, _, value in found)

        insert(None)
        with _store_of(folder, "full.store", bank) as (store, number):
            if store.load(number) != bank:
                sys.exit("the bank did not come back: its times mean nothing")
            saving, inserting = seconds(
                job(lambda _: store.add(evolve(bank, name=f"Full {next(made)}")), lambda: None),
                job(insert, lambda: None),
            )
            loading, selecting = seconds(
                job(lambda _: store.load(number), lambda: None), job(select, lambda: None)
            )
            comparing, decoding = seconds(
                job(lambda _: compare(bank, other), lambda: None),
                job(lambda _: decode(encode(BankFile(bank))), lambda: None),
            )
    beside("saved as new, history and all", saving, "SQLite inserting its rows", inserting, 8)
    beside("loaded and checked", loading, "SQLite selecting its rows", selecting, 12)
    beside("compared with one level otherwise", comparing, "encoded and decoded", decoding, 3)


def _million(folder: Path, bank: Bank) -> None:
    rng = random.Random(2)
    names = list(bank.pistons)[:100]
    path = folder / "history.store"
    with _store_of(folder, "history.store", evolve(bank, levels={})) as (store, number):
        before = path.stat().st_size
        for chunk in range(CHANGES // 10_000):
            with store.writing() as ledger:
                for n in range(10_000):
                    on = rng.getrandbits(300).to_bytes(38, "little")
                    where = Key(
                        Kind.COMBINATION, rng.randint(1, PISTONS // 100), rng.randrange(100)
                    )
                    at = 1.9e9 + 10_000 * chunk + n
                    ledger.put(number, {where: b"\xc4\x26" + on}, Cause.SET, names[where.b], at)
        store.database.checkpoint()
        size = (path.stat().st_size - before) / CHANGES
        print(f"  a change on disk: {size:.0f} bytes, of which its combination {VALUE}")
        print(f"    ratio {size / VALUE:.3g}")
        history = History(store, number)
        slot = Slot(names[5], 3)
        count = len(history.past(slot))

        def whole(_: None) -> int:
            with store.reading() as ledger:
                found = ledger.db.execute("SELECT count(*) FROM change WHERE cell = 3")
                return int(found.fetchone()[0])

        seeing, scanning = seconds(
            job(lambda _: history.past(slot), lambda: None), job(whole, lambda: None)
        )
        what = f"a piston's past at a level, {count} sets"
        beside(what, seeing, "SQLite looking through all changes", scanning, 1)


def store(full_bank: Callable[[], tuple[Bank, Any]]) -> None:
    """Print all of it, with a full bank to be had from the main bench."""
    bank = evolve(full_bank()[0], name="Full")
    with TemporaryDirectory(dir=Path.cwd()) as name:
        folder = Path(name)
        print("\nThe living store")
        _durable_sets(folder, bank)
        print("\nA bank of 1,000 levels, 100 pistons, 300 controls in the store")
        _full_bank(folder, bank)
        print("\nA history of a million changes")
        _million(folder, bank)
