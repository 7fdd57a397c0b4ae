"""The page of the store (`STORE.md`), held to the program: a reader made from the page alone.

It knows SQLite, msgpack and BLAKE2b, and nothing of `banks` but to have a store written.
"""

import hashlib
import re
import sqlite3
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgpack
import pytest

from banks import History, Store, create_store
from banks.cells import Kind
from banks.editing import lock_bank, lock_level, make_sequence, name_level
from banks.history import compact, compacting
from combination.memory import Combination, Slot, fresh_bank
from combination.model import Kind as PistonKind
from combination.reading import read_console

PAGE = (Path(__file__).parent.parent / "banks" / "STORE.md").read_text(encoding="utf-8")
CONSOLE = read_console(
    (Path(__file__).parent.parent / "cli" / "demos" / "church.toml").read_text(encoding="utf-8")
)
Cells = dict[tuple[int, Any, int], Any]


def written(folder: Path) -> Path:
    """A store in which every kind of cell has been, and some have been emptied again."""
    path = folder / "organ.store"
    create_store(path)
    with Store(path) as store:
        number = store.add(fresh_bank(CONSOLE, "Ruth"))
        guest = store.add(fresh_bank(CONSOLE, "Emil"), guest=True)
        store.remove(guest)
        general, full = (
            next(p.id for p in CONSOLE.pistons if p.kind is kind)
            for kind in (PistonKind.GENERAL, PistonKind.FULL_ORGAN)
        )
        with store.edited(number, "set") as bank:
            bank.put(Slot(general, 3), Combination(0b1011, 0b100))
            bank.put(Slot(general, 4), Combination(0b1011))
            bank.put(Slot(full), Combination(1))
            bank.put(Slot(stage=2), Combination(0))
            name_level(bank, 3, "Advent")
            make_sequence(bank, "Évensong")
        with store.edited(number, "set") as bank:
            bank.put(Slot(general, 4), None)
            bank.level = 7
            lock_level(bank, 3, "a passphrase")
            lock_bank(bank)
    return path


def test_every_kind_of_cell_is_on_the_page() -> None:
    listed = {int(number) for number in re.findall(r"^\| (\d+) \| ", PAGE, re.MULTILINE)}
    assert listed == {kind.value for kind in Kind}


def seal(kind: int, a: object, b: int, value: bytes) -> int:
    data = f"{kind}/{a}/{b}/".encode() + value
    return int.from_bytes(hashlib.blake2b(data, digest_size=8).digest(), "big")


def was(db: sqlite3.Connection, bank: int, entry: int) -> Cells:
    """A bank after an entry, as the page says how to come to it."""
    cells: Cells = {
        (kind, a, b): value
        for kind, a, b, value in db.execute(
            "SELECT kind, a, b, value FROM cell WHERE bank = ?", (bank,)
        )
    }
    later = db.execute(
        "SELECT kind, a, b, previous FROM change JOIN cell ON cell.id = cell "
        "WHERE cell.bank = ? AND entry > ? ORDER BY change.id DESC",
        (bank, entry),
    ).fetchall()
    for kind, a, b, previous in later:
        found = db.execute("SELECT value FROM change WHERE id = ?", (previous,)).fetchone()
        cells[kind, a, b] = found[0] if found else None
    return {key: value for key, value in cells.items() if value is not None}


def test_a_reader_made_from_the_page_finds_every_moment_sound(tmp_path: Path) -> None:
    path = written(tmp_path)
    db = sqlite3.connect(path)
    seen = set()
    entries = db.execute("SELECT id, bank, digest FROM change WHERE bank IS NOT NULL").fetchall()
    assert len(entries) >= 4
    for number, bank, digest in entries:
        cells = was(db, bank, number)
        total = sum(seal(*key, value) for key, value in cells.items()) % 2**64
        assert total.to_bytes(8, "big") == digest
        seen |= {kind for kind, _, _ in cells}
    assert seen == {kind.value for kind in Kind}, "not every kind of cell was looked at"
    for kind, a, b, value, short in db.execute(
        "SELECT kind, a, b, change.value, seal FROM change JOIN cell ON cell.id = cell"
    ):
        assert short == (0 if value is None else seal(kind, a, b, value) % 2**32)
    db.close()


def proof(*values: object) -> int:
    found = hashlib.blake2b(msgpack.packb(values), digest_size=8).digest()
    return int.from_bytes(found[-4:], "big")


PROVED = {
    "change": "id, entry, cell, previous, seal, bank, at, cause, by, digest",
    "desk": "bank, owner",
    "bank": "id",
}


@pytest.mark.parametrize("compacted", [False, True])
def test_a_reader_made_from_the_page_finds_every_row_proved(
    tmp_path: Path, compacted: bool
) -> None:
    path = written(tmp_path)
    if compacted:
        with Store(path) as store:
            compact(store, compacting(store, datetime.now(UTC)))
    db = sqlite3.connect(path)
    for table, columns in PROVED.items():
        rows = db.execute(f"SELECT {columns}, proof FROM {table}").fetchall()
        assert rows
        for *values, found in rows:
            assert found == proof(*values), (table, values)
    db.close()


def test_what_there_is_to_know_of_an_entry_stands_on_its_first_change(tmp_path: Path) -> None:
    db = sqlite3.connect(written(tmp_path))
    first = set()
    for number, entry, bank, *rest in db.execute(
        "SELECT change.id, entry, change.bank, at, cause, digest, by, cell.bank "
        "FROM change JOIN cell ON cell.id = cell ORDER BY change.id"
    ):
        if number == entry:
            first.add(entry)
            assert None not in (bank, *rest[:3])
            assert bank == rest[-1]
        else:
            assert entry in first
            assert [bank, *rest[:-1]] == [None] * 5
    db.close()


def test_a_reader_made_from_the_page_reads_the_same_bank(tmp_path: Path) -> None:
    path = written(tmp_path)
    db = sqlite3.connect(path)
    assert db.execute("PRAGMA application_id").fetchone() == (0x53775374,)
    assert db.execute("PRAGMA user_version").fetchone() == (1,)
    (last,) = db.execute(
        "SELECT entry FROM change WHERE id = (SELECT max(change) FROM cell WHERE bank = 1)"
    ).fetchone()
    (first,) = db.execute("SELECT min(id) FROM change WHERE bank = 1").fetchone()
    with Store(path, writing=False) as store:
        history = [making.entry.number for making in History(store, 1).listed(moves=True)]
        assert history[0] == last
        assert history[-1] == first
        for entry in history:
            cells = {key: msgpack.unpackb(v) for key, v in was(db, 1, entry).items()}
            controls = {a: v[0] for (kind, a, _), v in cells.items() if kind == 10}
            pistons = {a: v[0] for (kind, a, _), v in cells.items() if kind == 11}

            def ids(bits: bytes, controls: dict[int, str] = controls) -> set[str]:
                whole = int.from_bytes(bits, "little")
                return {name for bit, name in controls.items() if whole >> bit & 1}

            ours = {}
            for (kind, a, b), value in cells.items():
                if kind == 22:
                    on, neutral = (value, b"") if isinstance(value, bytes) else value
                    ours[pistons[b], a] = ids(on), ids(neutral)
            bank = store.load(1, entry)
            roster = bank.roster
            theirs = {
                (piston, number): (
                    set(roster.registration(held.on)),
                    set(roster.registration(held.neutral)),
                )
                for number, level in bank.levels.items()
                for piston, held in level.combinations.items()
            }
            assert ours == theirs
            assert cells[1, 0, 0] == bank.name
            assert cells[4, 0, 0] == [bank.level, bank.sequence, f"{bank.place:f}"]
            assert ((3, 0, 0) in cells) is bank.locked
            assert {a: v for (kind, a, _), v in cells.items() if kind == 20} == {
                number: level.name for number, level in bank.levels.items() if level.name
            }
            assert {a for kind, a, _ in cells if kind == 25} == set(bank.sequences)
    db.close()
