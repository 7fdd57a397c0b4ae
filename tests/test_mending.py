"""Damaged stores: everything that can be read of them is, and nothing else.

What stands on the pages is compared with what SQLite itself reads. Then pages are damaged, one
by one and many at a time: what comes back of a bank is what was in it, or it is said not to be.
"""

import os
import re
import sqlite3
from collections import Counter
from contextlib import suppress
from datetime import timedelta
from pathlib import Path
from random import Random
from typing import Any

import pytest
from attrs import evolve

from banks.bankfile import StoreFile, decode_any, encode
from banks.database import StoreError
from banks.history import compact, compacting
from banks.mending import Mended, mend
from banks.pages import Pages, Row
from banks.store import Store, create_store
from banks.tables import COLUMNS
from combination.bits import numbers_of
from combination.memory import Bank, Combination, Slot, seat
from tests.consoles import stop, worked_console
from tests.damaged import (
    CONSOLE,
    LOCKED,
    NAMES,
    PAGE,
    Desk,
    Kept,
    changed,
    damages,
    kept_for_a_while,
    smaller_pages,
)
from tests.figures import Figures

EXAMPLES = os.environ.get("STOPWRIGHT_EXAMPLES")
"""How many bits are flipped on each page, one at a time, if not eight."""
MANY = int(EXAMPLES or 60)
"""How many times many pages are damaged."""
NO_PROOF = "nothing proves that no more is missing"
NOT_KNOWN = "a change is lost, and it is not known of what"
NO_OWNER = "whose bank is the owner's, and which was on the desk, is not known"


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Kept:
    return kept_for_a_while(tmp_path_factory.mktemp("kept") / "chapel.store")


@pytest.fixture
def path(tmp_path: Path, kept: Kept) -> Path:
    """A sound store, to be damaged."""
    place = tmp_path / "chapel.store"
    place.write_bytes(kept.file)
    return place


def banks_in(path: Path) -> dict[int, Bank]:
    with Store(path, writing=False) as store:
        return {player.number: store.load(player.number) for player in store.players()}


# ---------------------------------------------------------------- what stands on pages


def rows_by_sqlite(path: Path) -> Counter[Row]:
    """All rows of a store's tables and of its index, as SQLite reads them."""
    connection = sqlite3.connect(path)
    try:
        found = Counter(
            Row(number, (None, *values))
            for table in ("bank", "cell", "change", "desk")
            for number, *values in connection.execute(f"SELECT * FROM {table}")
        )
        index = connection.execute("SELECT bank, kind, a, b, id FROM cell")
        return found + Counter(Row(None, row) for row in index)
    finally:
        connection.close()


def rows_by_page(file: bytes, log: bytes = b"") -> Counter[Row]:
    """The same without SQLite; rows that say what tables there are, are not wanted."""
    rows = Pages(file, log).rows()
    return Counter(row for row in rows if row.values[0] not in ("table", "index"))


@pytest.mark.parametrize("size", [512, 1024, 4096, 65536])
def test_the_pages_give_the_rows_that_sqlite_gives(path: Path, size: int) -> None:
    smaller_pages(path, size)
    found = rows_by_sqlite(path)
    assert rows_by_page(path.read_bytes()) == found
    without_first = bytes(size) + path.read_bytes()[size:]
    assert rows_by_page(without_first) == found, "no page is needed to find another"


def test_rows_of_every_length(path: Path) -> None:
    """About the lengths at which a row goes on, on one other page or on several."""
    insert = "INSERT INTO change (id, entry, cell, previous, value, seal, proof) VALUES"
    fillings = [
        f"{insert} ({10_000 + length}, 1, 1, NULL, zeroblob({length}), 2, 3)"
        for length in (*range(440, 520), *range(930, 1100), 5_000, 70_000)
    ]
    names = [
        f"INSERT INTO cell VALUES (NULL, 1, 25, '{length}{'é' * length}', 0, 1, NULL)"
        for length in (*range(20, 130), 1_000)
    ]
    numbers = [
        f"{insert} ({sign}{1 << bits}, 1, 1, {sign}{1 << bits}, NULL, 3, {sign}{1 << bits})"
        for bits in range(14, 63)
        for sign in ("", "-")
    ]
    changed(path, *fillings, *names, *numbers)
    changed(path, "PRAGMA wal_checkpoint(TRUNCATE)")
    assert rows_by_page(path.read_bytes()) == rows_by_sqlite(path)


def test_what_was_deleted_is_not_given(path: Path) -> None:
    changed(path, "PRAGMA secure_delete = OFF", "DELETE FROM change WHERE id > 20")
    assert rows_by_page(path.read_bytes()) == rows_by_sqlite(path)


def test_the_log_counts_as_far_as_it_is_whole(path: Path, tmp_path: Path) -> None:
    """Cut or damaged anywhere, it gives what SQLite makes of it."""
    with Store(path) as store:
        desk = Desk.switched_on(store)
        for tab in "abcdx":
            desk.do(f"tab {tab} on", "push SET", "push G1", "push SET", "push G2")
        file, log = path.read_bytes(), Path(f"{path}-wal").read_bytes()
    place, random = tmp_path / "copy", Random(4)
    seen = set()
    for _ in range(60):
        cut = bytearray(log[: random.randrange(len(log) + 1)])
        if cut and random.random() < 0.7:
            cut[random.randrange(len(cut))] ^= 1 << random.randrange(8)
        place.write_bytes(file)
        Path(f"{place}-wal").write_bytes(cut)
        ours = rows_by_page(file, bytes(cut))
        assert ours == rows_by_sqlite(place)
        seen.add(len(ours))
    assert len(seen) > 5


# ---------------------------------------------------------------- sound stores


def test_a_sound_store_is_whole(path: Path) -> None:
    found = mend(path)
    assert found.whole
    assert found == Mended(banks_in(path), frozenset({2}), frozenset(), 1, 1, (), ())
    assert [bank.name for bank in found.banks.values()] == list(NAMES)
    assert found.banks[1].levels[LOCKED].verifier == b"v" * 40


def test_a_store_in_use_is_read_with_its_log(path: Path) -> None:
    with Store(path) as store:
        desk = Desk.switched_on(store)
        desk.do("tab b on", "push SET", "push G2")
        found = mend(path)
        assert found.whole
        assert found.banks[1] == desk.memory
    assert found.banks == banks_in(path)


def test_what_is_left_in_a_log_from_before_does_not_count(path: Path) -> None:
    with Store(path) as store:
        desk = Desk.switched_on(store)
        for tab in "abcd":
            desk.do(f"tab {tab} on", "push SET", "push G1")
        changed(path, "PRAGMA wal_checkpoint(RESTART)")
        length = Path(f"{path}-wal").stat().st_size
        desk.do("tab x on", "push SET", "push G2")
        assert Path(f"{path}-wal").stat().st_size == length
        found = mend(path)
        assert found.whole
        assert found.banks[1] == desk.memory


def test_a_damaged_log_is_named(path: Path) -> None:
    with Store(path) as store:
        before = store.load(1)
        Desk.switched_on(store).do("tab b on", "push SET", "push G2")
        log = bytearray(Path(f"{path}-wal").read_bytes())
        file = path.read_bytes()
    path.write_bytes(file)
    log[100] ^= 1
    Path(f"{path}-wal").write_bytes(log)
    found = mend(path)
    assert found.lost == ("the log beside it is damaged: what was changed last may be missing",)
    assert found.banks[1] == before


def test_what_was_compacted_removed_and_made_a_guest(path: Path) -> None:
    with Store(path) as store:
        third = store.add(evolve(store.load(2), name="Mabel Orr"))
        store.remove(third)
        moment = store.players()[0].changed + timedelta(seconds=1)
        compact(store, compacting(store, moment))
        Desk.switched_on(store).do("tab b on", "push SET", "push G2")
    found = mend(path)
    assert found.whole
    assert (found.guests, found.removed) == (frozenset({2}), frozenset({third}))
    assert found.banks == banks_in(path)


def test_an_empty_store_has_no_bank(tmp_path: Path) -> None:
    create_store(tmp_path / "new.store")
    found = mend(tmp_path / "new.store")
    assert (found.banks, found.lost) == ({}, ("there is no bank in it, or none that can be read",))


# ---------------------------------------------------------------- one page damaged


def changes_by_page(file: bytes) -> set[int]:
    """The numbers of the changes whose rows can be read."""
    width = len(COLUMNS.split(", ")) + 2
    rows = (row for row in rows_by_page(file) if len(row.values) == width)
    return {row.number for row in rows if row.number is not None}


def lasts_by_sqlite(path: Path) -> list[tuple[int, int]]:
    """The last change of each cell, and the last entry of its bank."""
    connection = sqlite3.connect(path)
    try:
        return connection.execute(
            "SELECT change, (SELECT max(id) FROM change WHERE bank = cell.bank) FROM cell"
        ).fetchall()
    finally:
        connection.close()


def test_one_damaged_page_costs_nothing(path: Path, kept: Kept, figures: Figures) -> None:
    """Whatever happened to it: both copies of a value are never on one page.

    Nothing proves a value any more only if the row of its last change is gone, and with it that
    of the bank's last entry.
    """
    sound = mend(path)
    on_last = lasts_by_sqlite(path)
    inner = {0x02, 0x05, 0x0A, 0x0D}
    long = {n for n in range(1, kept.pages) if kept.file[n * PAGE] not in inner}
    assert len(long) >= 3
    seen: Counter[str] = Counter()
    unproved = 0
    for damage in damages(kept, Random(1), flips=int(EXAMPLES or 8), swaps=0.15):
        path.write_bytes(damage.file)
        found = mend(path)
        assert path.read_bytes() == damage.file
        seen[f"{damage.how}: {'whole' if found.whole else 'what cannot be proved is named'}"] += 1
        if {*damage.pages} <= long and len(damage.pages) == 2:
            found.banks[1].sequences = sound.banks[1].sequences  # it may stand on both
        assert found.banks == sound.banks, damage.how
        if found.unproved:
            there = changes_by_page(damage.file)
            gone = [change for change, last in on_last if not {change, last} & there]
            assert len(found.unproved) <= len(gone), damage.how
            unproved += 1
        if {*damage.pages} <= long:
            continue
        lost = [line for line in found.lost if not line.endswith((NO_PROOF, NO_OWNER))]
        assert len(lost) <= bool(found.unproved), damage.pages
        assert all(NOT_KNOWN in line for line in lost)
    counts = "; ".join(f"{what} {count}" for what, count in sorted(seen.items()))
    figures(f"{sum(seen.values())} damaged pages, every bank back as it was: {counts}")
    figures(f"{unproved} times nothing proves some values any more")
    assert seen.total() > 300
    assert 0 < unproved <= 3


@pytest.mark.parametrize("column", COLUMNS.split(", "))
@pytest.mark.parametrize("value", ["4000", "1", "{} - 1", "{} + 1", "{} + 4000", "NULL", "x'00'"])
def test_a_damaged_row_of_a_last_entry_costs_nothing(
    path: Path, kept: Kept, column: str, value: str
) -> None:
    """The bank is not taken for what it was before that entry."""
    sound = mend(path)
    for bank in (1, 2):
        path.write_bytes(kept.file)
        last = f"(SELECT max(id) FROM change WHERE bank = {bank})"
        with suppress(sqlite3.IntegrityError):
            changed(path, f"UPDATE change SET {column} = {value.format(column)} WHERE id = {last}")
        found = mend(path)
        assert found.banks == sound.banks
        assert len(found.unproved) <= (2 if column == "id" else 1)


# ---------------------------------------------------------------- many pages damaged


def words_of(bank: Bank) -> dict[str, Any]:
    """What is in a bank, under the words by which it is named if it is lost."""
    found: dict[str, Any] = {
        "its name": bank.name,
        "where the player left off": (bank.level, bank.sequence, bank.place),
    }
    for number, level in bank.levels.items():
        found[f"whether level {number} is locked"] = level.locked, level.verifier
        found[f"the name of level {number}"] = level.name
        for piston, held in level.combinations.items():
            found[f"piston {piston!r} at level {number}"] = {
                bank.controls[bit].id for bit in numbers_of(held.on)
            }
    return found | {f"sequence {name!r}": steps for name, steps in bank.sequences.items()}


def test_many_damaged_pages_leave_nothing_wrong_that_is_not_named(
    path: Path, kept: Kept, figures: Figures
) -> None:
    random = Random(2)
    truth = {number: words_of(bank) for number, bank in mend(path).banks.items()}
    seen: Counter[str] = Counter()
    for _ in range(MANY):
        file = bytearray(kept.file)
        for number in range(kept.pages):
            if random.random() < 0.2:
                start = number * PAGE
                old = [f[start : start + PAGE] for f in kept.before if len(f) > start]
                new = random.choice([bytes(PAGE), random.randbytes(PAGE), *old[:2]])
                file[start : start + PAGE] = new
        path.write_bytes(file)
        found = mend(path)
        for number, there in truth.items():
            if number not in found.banks:
                assert found.lost
                seen["of banks of which nothing was left"] += len(there)
                continue
            bank = found.banks[number]
            said = [
                line
                for line in found.lost + found.unproved
                if line.startswith(f"bank {bank.name!r}")
            ]
            here = words_of(bank)
            for words in there.keys() | here.keys():
                if there.get(words) == here.get(words):
                    seen["as it was"] += 1
                elif any(words in line for line in said):
                    seen["named"] += 1
                else:
                    assert f"bank {bank.name!r}: {NO_PROOF}" in said, (words, said)
                    seen["not known to have been there, or called otherwise"] += 1
    counts = ", ".join(f"{count} {what}" for what, count in seen.most_common())
    figures(f"a fifth of the pages damaged, {MANY} times: {counts}")
    assert seen["as it was"] > 0.7 * seen.total()


# ---------------------------------------------------------------- what is lost, in words

G1 = "bank = 1 AND kind = 22 AND a = 1 AND b = 0"
PD1 = "bank = 1 AND kind = 22 AND a = 1 AND b = 3"
NAME = "bank = 2 AND kind = 1"
FIRST = "bank IS NOT NULL"
"""The rows that entries stand on."""
WRONG = "value = x'c40107'"


def of_change(statement: str, where: str) -> str:
    """A statement about the last change of a cell."""
    return f"{statement} WHERE id = (SELECT change FROM cell WHERE {where})"


@pytest.fixture
def whole(path: Path) -> Mended:
    found = mend(path)
    assert {found.banks[1].get(Slot(piston, 1)) for piston in ("G1", "PD1")} == {
        Combination(0b1001),
        Combination(0b1000),
    }
    return found


@pytest.mark.parametrize(
    "statements",
    [
        pytest.param([f"UPDATE cell SET {WRONG} WHERE {G1}"], id="the cell's value"),
        pytest.param([of_change(f"UPDATE change SET {WRONG}", G1)], id="the change's value"),
        pytest.param([of_change("UPDATE change SET seal = 1", G1)], id="the change's seal"),
        pytest.param([of_change("UPDATE change SET cell = 1", G1)], id="the change's cell"),
        pytest.param([of_change("UPDATE change SET id = id + 4000", G1)], id="its number"),
        pytest.param([of_change("DELETE FROM change", G1)], id="the change"),
        pytest.param(
            [of_change(f"UPDATE change SET {WRONG}", G1), f"UPDATE cell SET {WRONG} WHERE {G1}"],
            id="both copies of what it held once before",
        ),
        pytest.param(
            [
                "UPDATE change SET id = id + 4000 WHERE id = (SELECT min(id) FROM change "
                f"WHERE cell = (SELECT id FROM cell WHERE {G1}))"
            ],
            id="the number of an earlier change",
        ),
        pytest.param(
            ["DELETE FROM change WHERE id NOT IN (SELECT max(id) FROM change GROUP BY bank)"],
            id="every change but the last of each bank",
        ),
        pytest.param(["UPDATE change SET proof = 1"], id="the proof of every change"),
        pytest.param(["UPDATE bank SET proof = 1"], id="the proof of every bank"),
        pytest.param([of_change("UPDATE change SET entry = 1", G1)], id="the change's entry"),
        pytest.param([of_change("UPDATE change SET bank = 2", G1)], id="its entry's bank"),
        pytest.param([of_change("UPDATE change SET digest = x'00'", G1)], id="its entry's digest"),
        pytest.param([f"DELETE FROM cell WHERE {G1} AND 0", "DELETE FROM bank"], id="the banks"),
        pytest.param([f"UPDATE cell SET change = 1 WHERE {G1}"], id="the cell's change"),
        pytest.param([f"UPDATE cell SET change = 9999 WHERE {G1}"], id="a change not made"),
        pytest.param(["UPDATE change SET previous = id"], id="what was before"),
        pytest.param(
            [f"UPDATE change SET at = 1 << 62, cause = 'x' WHERE {FIRST}"], id="times and causes"
        ),
    ],
)
def test_what_is_left_proves_the_rest(path: Path, whole: Mended, statements: list[str]) -> None:
    changed(path, *statements)
    assert mend(path) == whole


def lost_of(path: Path, *statements: str) -> tuple[Mended, list[str], list[str]]:
    """What is said to be lost and not to be proved, apart from there being no proof of more."""
    changed(path, *statements)
    found = mend(path)
    assert not found.whole
    lost = [line for line in found.lost if not line.endswith(NO_PROOF)]
    assert len(lost) < len(found.lost) or not lost
    return found, lost, list(found.unproved)


def test_a_combination_of_which_both_copies_are_damaged(path: Path, whole: Mended) -> None:
    found, lost, unproved = lost_of(
        path,
        of_change(f"UPDATE change SET {WRONG}", PD1),
        f"UPDATE cell SET {WRONG} WHERE {PD1}",
    )
    assert (lost, unproved) == (["bank 'Ruth Marlowe': piston 'PD1' at level 1 is lost"], [])
    held = whole.banks[1].levels[1].combinations.pop("PD1")
    assert found.banks == whole.banks
    assert held


def test_a_value_of_which_nothing_is_proved(path: Path, whole: Mended) -> None:
    found, lost, unproved = lost_of(
        path,
        of_change("DELETE FROM change", PD1),
        f"UPDATE change SET digest = zeroblob(8) WHERE {FIRST}",
    )
    assert lost == []
    assert unproved == [
        "bank 'Ruth Marlowe': nothing proves piston 'PD1' at level 1; it is as read"
    ]
    assert found.banks == whole.banks


def test_an_earlier_digest_proves_what_was_there_then(path: Path, whole: Mended) -> None:
    later = "bank = 1 AND kind = 4"
    found, lost, unproved = lost_of(
        path,
        of_change("DELETE FROM change", PD1),
        f"UPDATE cell SET value = x'93ccffc0a130' WHERE {later}",
        of_change("UPDATE change SET value = x'93ccffc0a130'", later),
    )
    assert lost == ["bank 'Ruth Marlowe': where the player left off is lost"]
    assert unproved == []
    assert found.banks[1].levels == whole.banks[1].levels


def test_the_digest_before_proves_what_an_entry_changed(path: Path, whole: Mended) -> None:
    """Though something is lost that was there all the time; of the change only that is left."""
    console = "bank = 1 AND kind = 2"
    found, lost, unproved = lost_of(
        path,
        of_change("UPDATE change SET cell = 9999, value = NULL", PD1),
        of_change(f"UPDATE change SET {WRONG}", console),
        f"UPDATE cell SET {WRONG} WHERE {console}",
    )
    assert lost == ["bank 'Ruth Marlowe': the name of its console is lost"]
    assert unproved == []
    assert found.banks[1] == evolve(whole.banks[1], console="")


def test_what_may_be_later_than_the_last_digest_is_not_given_up(path: Path) -> None:
    with Store(path) as store:
        desk = Desk.switched_on(store)
        level = desk.memory.level
        desk.do("push GC", "tab c on", "push SET", "push PD1")
        last = store.players()[0].entry
    found, _, unproved = lost_of(path, f"DELETE FROM change WHERE id = {last}")
    assert found.banks[1] == desk.memory
    assert unproved == [
        f"bank 'Ruth Marlowe': nothing proves piston 'PD1' at level {level}; it is as read"
    ]


def test_a_bank_of_which_no_trace_is_left_of_its_name(path: Path, whole: Mended) -> None:
    found, lost, _ = lost_of(
        path, of_change("DELETE FROM change", NAME), f"DELETE FROM cell WHERE {NAME}"
    )
    assert lost[0] == "bank 'bank 2': its name is lost"
    assert found.banks[2] == evolve(whole.banks[2], name="bank 2")


def test_a_change_of_which_the_place_is_lost(path: Path) -> None:
    """Neither the cell nor the index knows it any more; what it was called says who set it."""
    _, lost, _ = lost_of(path, f"DELETE FROM cell WHERE {PD1}")
    assert len(lost) == 1
    assert re.fullmatch(
        rf"bank 'Ruth Marlowe': {NOT_KNOWN} "
        r"\((set|undo)( PD1)?, 2030-03-17 \d\d:\d\d UTC\)",
        lost[0],
    )


def test_a_time_that_nothing_proves_is_not_told(path: Path) -> None:
    _, lost, _ = lost_of(
        path, f"DELETE FROM cell WHERE {PD1}", f"UPDATE change SET at = at + 1 WHERE {FIRST}"
    )
    assert lost == [f"bank 'Ruth Marlowe': {NOT_KNOWN}"]


@pytest.mark.parametrize("column", ["bank", "owner"])
def test_a_desk_that_nothing_proves_is_not_believed(path: Path, whole: Mended, column: str) -> None:
    changed(path, f"UPDATE desk SET {column} = 2")
    assert mend(path) == evolve(whole, desk=None, owner=None, lost=(NO_OWNER,))


def test_a_bank_without_its_name_has_its_number(path: Path, whole: Mended) -> None:
    wrong = "value = x'a14e'"
    found, lost, _ = lost_of(
        path,
        f"UPDATE cell SET {wrong} WHERE {NAME}",
        of_change(f"UPDATE change SET {wrong}", NAME),
    )
    assert lost == ["bank 'bank 2': its name is lost"]
    assert found.banks[2] == evolve(whole.banks[2], name="bank 2")


def test_a_control_without_a_name_is_found_again_by_the_console(path: Path, whole: Mended) -> None:
    """The console file says what it was called: nothing is lost after all."""
    card = "bank = 1 AND kind = 10 AND a = 1"
    piston = "bank = 1 AND kind = 11 AND a = 1"
    found, lost, _ = lost_of(
        path,
        *(of_change("UPDATE change SET value = x'00'", where) for where in (card, piston)),
        *(f"UPDATE cell SET value = x'00' WHERE {where}" for where in (card, piston)),
    )
    assert lost == [
        "bank 'Ruth Marlowe': what control 1 is called is lost; here it is 'lost-control-1'",
        "bank 'Ruth Marlowe': what piston 1 is called is lost; here it is 'lost-piston-1'",
    ]
    console = worked_console(
        stops=(
            stop("a", "great"),
            stop("b", "great", was=("lost-control-1",)),
            stop("c", "pedal"),
            stop("d", "pedal"),
        ),
        pistons=tuple(
            evolve(piston, was=("lost-piston-1",)) if piston.id == "G2" else piston
            for piston in CONSOLE.pistons
        ),
    )
    assert seat(found.banks[1], console) == whole.banks[1]


def test_the_last_name_that_is_known_stands_for_one_that_is_not(path: Path) -> None:
    renamed = worked_console(stops=(*CONSOLE.stops[:3], stop("pedal-d", "pedal", was=("d",))))
    with Store(path) as store:
        store.update(1, renamed)
    card = "bank = 1 AND kind = 10 AND a = 3"
    _, lost, _ = lost_of(
        path,
        f"UPDATE cell SET value = x'00' WHERE {card}",
        of_change("UPDATE change SET value = x'00'", card),
    )
    assert lost == ["bank 'Ruth Marlowe': what control 3 is called is lost; here it is 'd'"]


def test_what_is_left_can_be_kept_in_a_new_store(path: Path, kept: Kept, tmp_path: Path) -> None:
    file = bytearray(kept.file)
    file[0:PAGE] = bytes(PAGE)
    path.write_bytes(file)
    found = mend(path)
    new = tmp_path / "new.store"
    create_store(new)
    with Store(new) as store:
        for number, bank in found.banks.items():
            store.add(bank, guest=number in found.guests)
    assert banks_in(new) == found.banks
    travelling = StoreFile(tuple(found.banks.values()), frozenset({1}), 0)
    assert decode_any(encode(travelling)) == travelling


# ---------------------------------------------------------------- no stores


def refused(path: Path) -> str:
    with pytest.raises(StoreError) as caught:
        mend(path)
    message = str(caught.value)
    assert message.startswith(f"{path}: ")
    return message.removeprefix(f"{path}: ")


def test_what_is_no_store(tmp_path: Path) -> None:
    path = tmp_path / "file"
    assert refused(path) == "there is no such file or folder"
    assert refused(tmp_path) == "it is a folder"
    os.mkfifo(path)
    assert refused(path) == "it is not an ordinary file"
    path.unlink()
    for data in (
        b"",
        b"[piston]\n",
        b"\x0d" * 5000,
        b"SQLite format 3\0",
        Random(3).randbytes(9000),
    ):
        path.write_bytes(data)
        assert refused(path) == "it is not a store, or nothing of it is left"
    path.unlink()
    changed(
        path,
        "CREATE TABLE song (id INTEGER PRIMARY KEY, title TEXT)",
        "INSERT INTO song VALUES (1, 'a')",
    )
    assert refused(path) == "it is not a store, or nothing of it is left"


def test_a_store_of_a_newer_program(path: Path) -> None:
    changed(path, "PRAGMA user_version = 7", "ALTER TABLE bank ADD COLUMN photograph BLOB")
    assert refused(path) == (
        "it was written by a newer program: its version is 7, and this program knows version 1"
    )


def test_a_store_that_is_written_meanwhile(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    read = Path.read_bytes

    def read_and_write(self: Path) -> bytes:
        data = read(self)
        os.utime(path, (1, 1))
        return data

    monkeypatch.setattr(Path, "read_bytes", read_and_write)
    assert refused(path) == "another program is writing to it"
