"""A store on disks that fail, files that vanish, pages that rot, and stores made by strangers.

The faults are real ones. For each there is one sentence that begins with the file's name; what
was acknowledged is there afterwards; and the console plays on from its memory meanwhile, and
writes what waited as soon as it can.
"""

import gc
import json
import os
import re
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory
from typing import Any

import msgpack
import pytest

from banks.bankfile import BankFile, decode, encode
from banks.cells import Key, seal
from banks.database import StoreError
from banks.files import write_bank_file
from banks.history import History, compacting, faults
from banks.mending import mend
from banks.store import Store, create_store
from banks.tables import COLUMNS as HISTORY
from combination.effects import Effect, KeptAfterAll, Stored
from combination.memory import Bank, Slot, fresh_bank
from tests.damaged import CONSOLE, Desk, Kept, changed, damages, kept_for_a_while, with_proofs
from tests.figures import Figures

DAMAGED = "it is damaged: "
EXAMPLES = os.environ.get("STOPWRIGHT_EXAMPLES")
"""How many bits are flipped on each page, one at a time, if not two."""
ROOT = os.geteuid() == 0
as_root = pytest.mark.skipif(not ROOT, reason="only root can mount disks and be another user")


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Kept:
    return kept_for_a_while(tmp_path_factory.mktemp("kept") / "chapel.store")


@pytest.fixture
def path(tmp_path: Path, kept: Kept) -> Path:
    """A sound store."""
    place = tmp_path / "chapel.store"
    place.write_bytes(kept.file)
    return place


@pytest.fixture(scope="module")
def smaller(tmp_path_factory: pytest.TempPathFactory) -> Kept:
    return kept_for_a_while(tmp_path_factory.mktemp("smaller") / "chapel.store", sets=11, steps=5)


@pytest.fixture
def quick() -> Iterator[Path]:
    """A place in memory where there is any: for hundreds of stores, one after another."""
    memory = Path("/dev/shm")
    with TemporaryDirectory(dir=memory if memory.is_dir() else None) as place:
        yield Path(place) / "chapel.store"


@pytest.fixture
def small(quick: Path, smaller: Kept) -> Path:
    """A sound store there, with less in it: what stands on its rows matters, not on how many."""
    quick.write_bytes(smaller.file)
    return quick


def told(path: Path, message: str | StoreError) -> str:
    """A message about a file, without the file's name, with which it must begin."""
    text = str(message)
    assert text.startswith(f"{path}: ")
    assert text.isprintable()
    return text.removeprefix(f"{path}: ")


def refused(path: Path, *, writing: bool = True) -> str:
    """Why a store cannot be opened."""
    with pytest.raises(StoreError) as caught:
        Store(path, writing=writing, patience=0.2)
    return told(path, caught.value)


# ---------------------------------------------------------------- what is no store


def _empty(path: Path) -> None:
    path.touch()


def _text(path: Path) -> None:
    path.write_text("[piston]\nlabel = 1\n" * 100)


def _bank_file(path: Path) -> None:
    write_bank_file(path, BankFile(fresh_bank(CONSOLE, "Ruth")))


def _loop(path: Path) -> None:
    path.symlink_to(path)


def _dangling(path: Path) -> None:
    path.symlink_to(path.parent / "elsewhere")


def _of_a_stranger(path: Path) -> None:
    changed(path, "CREATE TABLE song (title TEXT)", "INSERT INTO song VALUES ('Evensong')")


def _cut_short(path: Path) -> None:
    create_store(path)
    path.write_bytes(path.read_bytes()[:5000])


NO_STORES: dict[str, tuple[Callable[[Path], object], str]] = {
    "nothing": (lambda _: None, "there is no such file or folder"),
    "empty": (_empty, "it is empty, and so not a store"),
    "a text": (_text, "it is not a store"),
    "a bank file": (_bank_file, "it is not a store"),
    "a folder": (Path.mkdir, "it is a folder"),
    "a pipe": (os.mkfifo, "it is not an ordinary file"),
    "a device": (lambda path: path.symlink_to("/dev/null"), "it is not an ordinary file"),
    "a link to itself": (_loop, "its links go round in a circle"),
    "a link to nothing": (_dangling, "there is no such file or folder"),
    "a stranger's": (_of_a_stranger, "it is a database, but not a store"),
    "the first page": (_cut_short, "it is damaged: database disk image is malformed"),
}


@pytest.mark.parametrize("writing", [True, False])
@pytest.mark.parametrize("sort", NO_STORES)
def test_what_is_no_store(tmp_path: Path, sort: str, writing: bool) -> None:
    path = tmp_path / "chapel.store"
    make, words = NO_STORES[sort]
    make(path)
    before = path.read_bytes() if path.is_file() else None
    assert refused(path, writing=writing) == words
    assert (path.read_bytes() if path.is_file() else None) == before
    beside = {p.name for p in tmp_path.iterdir()} - {path.name}
    assert not beside


@pytest.mark.parametrize(
    ("statements", "words"),
    [
        (["PRAGMA user_version = 2"], "newer"),
        (["CREATE TABLE song (title TEXT)"], "tables"),
        (["CREATE VIEW song AS SELECT * FROM cell"], "tables"),
        (["CREATE TRIGGER t AFTER UPDATE ON cell BEGIN DELETE FROM change; END"], "tables"),
        (["CREATE INDEX i ON change (cell)"], "tables"),
        (["DROP TABLE desk"], "tables"),
        (
            [
                "DROP TABLE desk",
                "CREATE VIEW desk AS SELECT 1 AS id, 1 AS bank, 1 AS owner, 1 AS proof",
            ],
            "tables",
        ),
        (["ALTER TABLE bank ADD COLUMN photograph"], "tables"),
        (["PRAGMA user_version = 0"], "tables"),
        (
            [
                "PRAGMA writable_schema = ON",
                "UPDATE sqlite_schema SET sql = CAST(sql AS BLOB) WHERE name = 'desk'",
            ],
            "tables",
        ),
        (["PRAGMA application_id = 7"], "stranger"),
    ],
)
def test_a_store_that_is_otherwise(path: Path, statements: list[str], words: str) -> None:
    changed(path, *statements)
    sentences = {
        "newer": "it was written by a newer program: its version is 2, and this program knows "
        "version 1; it is left as it is",
        "tables": "it has not the tables that a store has",
        "stranger": "it is a database, but not a store",
    }
    before = path.read_bytes()
    assert refused(path) == sentences[words]
    assert refused(path, writing=False) == sentences[words]
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    "name", ["a\nb.store", "\x1b[2Jb.store", "nichts da.store", "\udcff.store"]
)
def test_no_name_reaches_a_terminal(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    with pytest.raises(StoreError) as caught:
        Store(path)
    assert str(caught.value).isprintable()
    assert str(caught.value).endswith(": there is no such file or folder")
    _text(path)
    with pytest.raises(StoreError) as caught:
        Store(path)
    assert str(caught.value).isprintable()
    assert str(caught.value).endswith(": it is not a store")


# ---------------------------------------------------------------- while somebody plays


def stored(effects: list[Effect]) -> list[bool]:
    """Whether each change that came into the memory is kept."""
    return [effect.kept for effect in effects if isinstance(effect, Stored)]


def after_all(effects: list[Effect]) -> list[Slot]:
    """The places whose changes were written after all, in order."""
    return [effect.change.slot for effect in effects if isinstance(effect, KeptAfterAll)]


@contextmanager
def limited(path: Path) -> Iterator[None]:
    """No file may grow beyond the store's log as it is."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    limit = Path(f"{path}-wal").stat().st_size
    try:
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, before[1]))
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@contextmanager
def renamed(path: Path) -> Iterator[None]:
    aside = path.with_name("aside.store")
    path.rename(aside)
    yield
    aside.rename(path)


@contextmanager
def removed(path: Path) -> Iterator[None]:
    """Removed, and then a copy is put there that was made before."""
    with Store(path, writing=False) as other:
        other.database.copy_to(path.with_name("copy.store"))
    path.unlink()
    yield
    for ending in ("-wal", "-shm"):
        Path(f"{path}{ending}").unlink(missing_ok=True)
    path.with_name("copy.store").rename(path)


@contextmanager
def replaced(path: Path) -> Iterator[None]:
    """Another store has its name for a while."""
    aside, other = path.with_name("aside.store"), path.with_name("other.store")
    create_store(other)
    path.rename(aside)
    other.rename(path)
    yield
    aside.rename(path)


@contextmanager
def replaced_by_a_text(path: Path) -> Iterator[None]:
    aside = path.with_name("aside.store")
    path.rename(aside)
    _text(path)
    yield
    aside.rename(path)


@contextmanager
def without_log(path: Path) -> Iterator[None]:
    Path(f"{path}-wal").unlink()
    yield


@contextmanager
def folder_gone(path: Path) -> Iterator[None]:
    aside = path.parent.with_name("moved")
    path.parent.rename(aside)
    yield
    aside.rename(path.parent)


Fault = Callable[[Path], Any]

ELSEWHERE = "the file, or the log beside it, was removed or replaced while it was open"
GONE = "there is no such file or folder"
FAULTS: dict[str, tuple[Fault, str, str]] = {
    "no file may grow": (limited, "the disk failed", "the disk is full"),
    "renamed": (renamed, ELSEWHERE, GONE),
    "removed": (removed, ELSEWHERE, GONE),
    "replaced": (replaced, ELSEWHERE, "there is no bank 1 in it"),
    "replaced by a text": (replaced_by_a_text, ELSEWHERE, "it is not a store"),
    "the log removed": (without_log, ELSEWHERE, ""),
    "the folder gone": (folder_gone, ELSEWHERE, GONE),
}
"""What happens, what is said of the first set, and of one more."""


def play_through(path: Path, fault: Fault, first: str, then: str) -> None:
    """Set, let the fault happen, set and recall, mend it, and look at what is in the store."""
    ticks: list[int] = []

    def clock() -> float:
        ticks.append(1_900_100_000 + 60 * len(ticks))
        return ticks[-1]

    with Store(path, clock=clock, patience=0.2) as store:
        desk = Desk.switched_on(store)
        assert stored(desk.do("push GC", "tab a on", "tab b off", "push SET", "push G1")) == [True]
        times, kept_already, told_last = ticks[-1:], [], ""
        with fault(path):
            for tab, piston, words in (("b", "G2", first), ("c", "G1", then), ("d", "G2", then)):
                effects = desk.do(f"tab {tab} on", "push SET", f"push {piston}")
                times.append(ticks[-1])
                kept_already += after_all(effects)
                assert stored(effects) == [not words]
                told_last = told(path, desk.keeper.fault) if desk.keeper.fault else ""
                assert told_last == words
                level = desk.memory.level
                assert desk.player.remembers(piston, level) == desk.player.rail
            desk.do("push GC", "push G1")
            assert desk.player.sounding == desk.player.remembers("G1", level)
            if then:
                assert (desk.retry(), desk.keeper.waiting) == ([], 3)
        places = [Slot("G2", level), Slot("G1", level), Slot("G2", level)]
        assert kept_already + after_all(desk.retry()) == (places if then else places[:1])
        assert (desk.keeper.waiting, desk.keeper.fault) == (0, None)
        assert desk.player.action.unkept == {}
    with Store(path) as store:
        assert store.load(desk.bank) == desk.memory
        made = History(store, desk.bank).listed(most=4)[::-1]
        assert [making.entry.at.timestamp() for making in made] == times
        assert [making.entry.by for making in made] == ["G1", "G2", "G1", "G2"]
        assert faults(store) == []


@pytest.mark.parametrize("fault", FAULTS)
def test_the_console_plays_on(path: Path, fault: str) -> None:
    folder = path.parent / "folder"
    folder.mkdir()
    path = path.rename(folder / path.name)
    play_through(path, *FAULTS[fault])


def test_a_store_that_takes_anothers_name_is_not_spoilt(path: Path) -> None:
    """The log beside it is the other's: SQLite would take it for its own."""
    other = path.with_name("other.store")
    create_store(other)
    with Store(other) as store:
        store.add(fresh_bank(CONSOLE, "Mabel Orr"), guest=True)
    before = other.read_bytes()
    with Store(path) as store:
        desk = Desk.switched_on(store)
        desk.do("tab a on", "push SET", "push G1")
        path.rename(path.with_name("aside.store"))
        other.rename(path)
        assert stored(desk.do("tab b on", "push SET", "push G2")) == [False]
    with Store(path) as store:
        assert [player.name for player in store.players()] == ["Mabel Orr"]
        assert faults(store) == []
    assert path.read_bytes() == before
    with Store(path.with_name("aside.store")) as store:
        assert store.load(1) == desk.memory


# ---------------------------------------------------------------- disks


def mounted(*arguments: str) -> None:
    done = subprocess.run(["mount", *arguments], capture_output=True, check=False)
    if done.returncode:
        pytest.skip("disks cannot be mounted here")


@pytest.fixture
def disk(tmp_path: Path, kept: Kept) -> Iterator[Path]:
    """A store on a disk of its own, which holds half a million bytes."""
    place = tmp_path / "disk"
    place.mkdir()
    if not ROOT:
        pytest.skip("only root can mount a disk")
    mounted("-t", "tmpfs", "-o", "size=512k", "tmpfs", str(place))
    try:
        path = place / "chapel.store"
        path.write_bytes(kept.file)
        yield path
    finally:
        while not subprocess.run(["umount", "-l", place], capture_output=True).returncode:
            pass


def fill(disk: Path) -> None:
    with suppress(OSError), (disk / "other things").open("ab", buffering=0) as file:
        while True:
            file.write(bytes(4096))


def test_a_full_disk(disk: Path) -> None:
    """What cannot be written is told; what is there stays sound; all is written in the end."""
    with Store(disk) as store:
        desk = Desk.switched_on(store)
        desk.do("push GC", "tab a on", "push SET", "push G1")
        acknowledged = store.load(desk.bank)
        answers = []
        for tab in "abcd" * 3:
            fill(disk.parent)
            answers += stored(desk.do(f"tab {tab} on", "push SET", "push G1", f"tab {tab} off"))
            if desk.keeper.fault is not None:
                assert told(disk, desk.keeper.fault) == "the disk is full"
            if not any(answers):
                with Store(disk, writing=False) as other:
                    assert other.load(desk.bank) == acknowledged
        assert False in answers
        (disk.parent / "other things").unlink()
        desk.retry()
        assert desk.player.action.unkept == {}
        assert store.load(desk.bank) == desk.memory
        assert faults(store) == []


def test_no_room_for_a_new_store_or_a_bank(disk: Path) -> None:
    before = disk.read_bytes()
    fill(disk.parent)
    with pytest.raises(StoreError) as caught:
        create_store(disk.parent / "new.store")
    assert told(disk.parent / "new.store", caught.value) == "the disk is full"
    assert {path.name for path in disk.parent.iterdir()} == {"chapel.store", "other things"}
    assert refused(disk) == "the disk is full"
    with Store(disk, writing=False) as store:
        assert len(store.players()) == 2
    assert disk.read_bytes() == before


@contextmanager
def pulled_out(path: Path) -> Iterator[None]:
    """The disk is pulled out; what it was goes on elsewhere, and is put back."""
    place, behind = str(path.parent), str(path.parent.with_name("behind"))
    Path(behind).mkdir()
    mounted("--bind", place, behind)
    subprocess.run(["umount", "-l", place], check=True)
    yield
    mounted("--bind", behind, place)
    subprocess.run(["umount", "-l", behind], check=True)


def test_a_disk_that_is_pulled_out(disk: Path) -> None:
    play_through(disk, pulled_out, ELSEWHERE, GONE)


def test_a_disk_that_comes_back_read_only(disk: Path) -> None:
    with Store(disk) as store:
        desk = Desk.switched_on(store)
        with pulled_out(disk):
            desk.do("push GC", "tab a on", "push SET", "push G1")
            assert stored(desk.do("push GC", "tab b on", "push SET", "push G2")) == [False]
        mounted("-o", "remount,bind,ro", str(disk.parent))
        assert desk.retry() == []
        assert desk.keeper.fault is not None
        assert told(disk, desk.keeper.fault) == "it can only be read here, not written"
        assert desk.player.remembers("G2", desk.memory.level) == {"a", "b"}
        mounted("-o", "remount,bind,rw", str(disk.parent))
        level = desk.memory.level
        assert after_all(desk.retry()) == [Slot("G1", level), Slot("G2", level)]
        assert store.load(desk.bank) == desk.memory
        assert faults(store) == []


@pytest.mark.parametrize("crashed", [True, False])
def test_a_disk_that_can_only_be_read(disk: Path, crashed: bool) -> None:
    """It is read, with the log that a crash left beside it, and nothing on it is changed."""
    with Store(disk) as store:
        desk = Desk.switched_on(store)
        desk.do("push GC", "tab a on", "push SET", "push G1")
        files = {p: p.read_bytes() for p in disk.parent.iterdir() if p.suffix != ".store-shm"}
    if crashed:
        for place, data in files.items():
            place.write_bytes(data)
    before = {place: place.read_bytes() for place in disk.parent.iterdir()}
    assert len(before) == (2 if crashed else 1)
    mounted("-o", "remount,ro", str(disk.parent))
    assert refused(disk) == "it can only be read here, not written"
    with Store(disk, writing=False) as store:
        assert store.load(desk.bank) == desk.memory
        assert faults(store) == []
        with pytest.raises(StoreError) as caught:
            store.take_up(2)
        assert told(disk, caught.value) == "it can only be read here, not written"
    assert mend(disk).banks[desk.bank] == desk.memory
    with pytest.raises(StoreError) as caught:
        create_store(disk.parent / "new.store")
    assert told(disk.parent / "new.store", caught.value) == "the disk can only be read"
    assert {place: place.read_bytes() for place in disk.parent.iterdir()} == before
    mounted("-o", "remount,rw", str(disk.parent))
    with Store(disk) as store:
        assert store.load(desk.bank) == desk.memory


def test_a_damaged_store_on_a_disk_that_can_only_be_read(disk: Path) -> None:
    """Nothing is left behind of the copy that is made to read it."""
    with Store(disk) as store:
        Desk.switched_on(store).do("push GC", "tab a on", "push SET", "push G1")
        log = Path(f"{disk}-wal").read_bytes()
    disk.write_bytes(b"SQLite format 3\0" + Random(1).randbytes(20_000))
    Path(f"{disk}-wal").write_bytes(log[:40])
    mounted("-o", "remount,ro", str(disk.parent))
    assert refused(disk, writing=False) == "it is not a store"
    gc.collect()


# ---------------------------------------------------------------- other people's files

AS_NOBODY = """
import json, os, sys
from banks.database import StoreError
from banks.mending import mend
from banks.store import Store, create_store

os.setgid(65534)
os.setuid(65534)
said = {}

def tried(what, call):
    try:
        said[what] = call()
    except StoreError as error:
        said[what] = str(error)

def read():
    with Store(sys.argv[1], writing=False) as store:
        return [store.load(player.number).name for player in store.players()]

tried("opened", lambda: Store(sys.argv[1]).close())
tried("read", read)
tried("mended", lambda: [bank.name for bank in mend(sys.argv[1]).banks.values()])
tried("made", lambda: create_store(sys.argv[1] + ".new"))
print(json.dumps(said))
"""
"""What somebody else than the owner of a store is told."""

READ_ONLY = "it can only be read here, not written"
ONLY_FOLDER = "its folder can only be read, or is not there"
NO_PERMISSION = "there is no permission for that"
BOTH = ["Ruth Marlowe", "Edwin Hale"]


@as_root
@pytest.mark.parametrize("crashed", [False, True])
@pytest.mark.parametrize(
    ("file", "folder", "opened", "read"),
    [
        (0o666, 0o777, None, BOTH),
        (0o444, 0o777, READ_ONLY, BOTH),
        (0o666, 0o555, {True: ONLY_FOLDER, False: READ_ONLY}, BOTH),
        (0o444, 0o555, READ_ONLY, BOTH),
        (0o000, 0o777, NO_PERMISSION, NO_PERMISSION),
        (0o666, 0o000, NO_PERMISSION, NO_PERMISSION),
    ],
)
def test_what_somebody_else_may_do(
    path: Path,
    crashed: bool,
    file: int,
    folder: int,
    opened: Any,
    read: Any,
) -> None:
    with TemporaryDirectory() as place:  # that pytest makes, others may not enter
        Path(place).chmod(0o755)
        store = Path(place) / "stores" / "chapel.store"
        store.parent.mkdir()
        store.write_bytes(path.read_bytes())
        if crashed:
            with Store(path) as playing:
                Desk.switched_on(playing).do("push GC", "tab a on", "push SET", "push G1")
                shutil.copy(f"{path}-wal", f"{store}-wal")
            Path(f"{store}-wal").chmod(file)
        store.chmod(file)
        store.parent.chmod(folder)
        before = {one: one.read_bytes() for one in store.parent.iterdir()}
        done = subprocess.run(
            [sys.executable, "-c", AS_NOBODY, str(store)],
            capture_output=True,
            text=True,
            check=False,
            cwd=Path(__file__).parent.parent,
        )
        assert done.stderr == ""
        said = json.loads(done.stdout)
        words = {
            what: told(store, say) if isinstance(say, str) and what != "made" else say
            for what, say in said.items()
        }
        assert words["opened"] == (opened[crashed] if isinstance(opened, dict) else opened)
        assert words["read"] == read
        assert words["mended"] == read
        may = folder & 0o222
        assert said["made"] == (None if may else f"{store}.new: {NO_PERMISSION}")
        if opened is not None:  # a log or an index of somebody else's would keep the owner out
            made = {store.with_name("chapel.store.new")}
            assert {p: p.read_bytes() for p in {*store.parent.iterdir()} - made} == before


# ---------------------------------------------------------------- damaged pages


MOMENTS = [datetime.fromtimestamp(1_900_000_000 + 60 * minute, UTC) for minute in (1, 20, 40)]


def answers(path: Path) -> dict[str, Any]:
    """All that can be asked of a store: what it answers, or that it is damaged."""
    found: dict[str, Any] = {}

    def ask(what: str, question: Callable[[], Any]) -> None:
        try:
            found[what] = question()
        except StoreError as error:
            told(path, error)
            found[what] = StoreError

    try:
        store = Store(path, clock=lambda: 2_500_000_000)
    except StoreError as error:
        told(path, error)
        return {"opening": StoreError}
    with store:
        ask("players", store.players)
        for bank in (1, 2):
            history = History(store, bank)
            ask(f"present {bank}", partial(store.load, bank))
            ask(f"past {bank}", partial(store.load, bank, 20 * bank))
            ask(f"listed {bank}", partial(history.listed, moves=True))
            ask(f"past of G1 {bank}", partial(history.past, Slot("G1", 1)))
            ask(f"pasts of G2 {bank}", partial(history.pasts, "G2"))
            ask(f"names {bank}", history.names)
            for number, moment in enumerate(MOMENTS):
                ask(f"after {number} {bank}", partial(history.after, moment))
                ask(f"since {number} {bank}", partial(history.listed, moment, moves=True))
        ask("desk", lambda: (store.desk, store.owner))
        ask("faults", lambda: faults(store))
        ask("compacting", lambda: compacting(store, datetime.fromtimestamp(1_900_003_000, UTC)))
        ask("a set", lambda: _set(store))
    return found


def _set(store: Store) -> tuple[int, Bank]:
    """Switch on, set, and look at the bank."""
    desk = Desk.switched_on(store)
    if stored(desk.do("push GC", "tab d on", "push SET", "push G1")) != [True]:
        assert desk.keeper.fault is not None
        raise desk.keeper.fault
    return desk.bank, store.load(desk.bank)


OF_BANKS = ("present 1", "present 2", "a set")
"""What is proved by a digest each time that it is asked for."""
LISTED = ("listed 1", "listed 2")
PASTS = tuple(f"{what} {bank}" for what in ("past of G1", "pasts of G2") for bank in (1, 2))
OF_LINES = (*LISTED, *PASTS, *(f"since {n} {bank}" for n in range(3) for bank in (1, 2)))
BY_CELLS = (*PASTS, "names 1", "names 2", "compacting", "players")
"""What begins with the cells that are found: one that is not found is only told by the check."""
DESKS = [(1, 1), (2, 1)]
"""What has been on it, and whose the banks are: nothing tells an earlier desk from the last."""


def tails(lines: list[Any]) -> list[list[Any]]:
    """A listing without its newest lines, however many."""
    return [lines[missing:] for missing in range(len(lines) + 1)]


def test_no_damaged_page_gives_a_wrong_bank(quick: Path, kept: Kept, figures: Figures) -> None:
    """Every page, in every way: a bank is as it was, or the damage is told, in one sentence.

    No line of a listing is ever otherwise: its number, its time, what made it and what it
    changed. Lines may be missing where a page is what it was earlier, or rows are not found on
    it, and what hangs on the last of them; then the check tells of it. An earlier desk is one.
    """
    path = quick
    path.write_bytes(kept.file)
    truth = answers(path)
    assert StoreError not in truth.values()
    seen: Counter[str] = Counter()
    otherwise: Counter[str] = Counter()
    for damage in damages(kept, Random(6), flips=int(EXAMPLES or 2), swaps=0.03):
        for ending in ("", "-wal", "-shm"):
            Path(f"{path}{ending}").unlink(missing_ok=True)
        path.write_bytes(damage.file)
        with _at_most(seconds=10):
            found = answers(path)
        wrong = {
            what for what, answer in found.items() if answer not in (StoreError, truth.get(what))
        }
        assert not wrong & {*OF_BANKS}, (damage.how, damage.pages, wrong)
        noticed = StoreError in found.values() or bool(found.get("faults"))
        seen[f"{damage.how}: {'noticed' if noticed else 'no harm'}"] += 1
        for what in wrong - {"faults"}:
            if what in OF_LINES:
                whole = truth[f"listed {what[-1]}" if what.startswith("since") else what]
                assert all(line in whole for line in found[what]), (damage.how, what)
                assert what not in LISTED or found[what] in tails(whole)
            if what == "desk":
                assert found[what] in DESKS
            else:
                assert found["faults"], (damage.how, damage.pages, what)
            assert damage.how != "a bit flipped" or what in BY_CELLS
            otherwise[f"{damage.how}: {what.rstrip(' 12')}"] += 1
    counts = "; ".join(f"{what} {count}" for what, count in sorted(seen.items()))
    figures(f"{sum(seen.values())} damaged pages, no bank wrong: {counts}")
    figures(f"without what is missing: {dict(sorted(otherwise.items()))}")


@contextmanager
def _at_most(*, seconds: int) -> Iterator[None]:
    """What hangs is a failure."""

    def too_long(*_: object) -> None:
        pytest.fail("it hangs")

    before = signal.signal(signal.SIGALRM, too_long)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


# ---------------------------------------------------------------- stores made by a stranger

KINDS = {
    "text": "'x'",
    "nothing": "NULL",
    "a fraction": "0.5",
    "bytes": "x'ff00'",
    "no text": "CAST(x'ff' AS TEXT)",
    "huge": "9223372036854775807",
    "below": "-1",
    "much": "zeroblob(100000)",
}
COLUMNS = [
    *(("bank", column) for column in ("id", "proof")),
    *(("cell", column) for column in ("bank", "kind", "a", "b", "change", "value")),
    *(("change", column) for column in (*HISTORY.split(", "), "value", "proof")),
    *(("desk", column) for column in ("bank", "owner", "proof")),
]


def asked(path: Path) -> dict[str, Any]:
    """Ask a store that a stranger made everything, and `mend` too: what it answers.

    Whatever bank `mend` gives, a bank file can carry.
    """
    with _at_most(seconds=10):
        found = answers(path)
        with suppress(StoreError):
            for bank in mend(path).banks.values():
                assert decode(encode(BankFile(bank))).bank == bank
    return found


def told_of_something(path: Path) -> bool:
    """Whether a store that a stranger made tells of anything when it is asked."""
    found = asked(path)
    return StoreError in found.values() or bool(found.get("faults"))


def rows_of(path: Path, table: str) -> list[Any]:
    connection = sqlite3.connect(path)
    connection.text_factory = bytes
    try:
        return connection.execute(f"SELECT * FROM {table} ORDER BY id").fetchall()
    finally:
        connection.close()


def test_a_sound_store_tells_of_nothing(small: Path) -> None:
    assert not told_of_something(small)


@pytest.mark.parametrize(
    ("proving", "table", "column"),
    [
        *((False, *where) for where in COLUMNS),
        *((True, *where) for where in COLUMNS if where[0] != "cell" and where[1] != "proof"),
    ],
)
def test_wrong_kinds_in_every_column(
    quick: Path, smaller: Kept, table: str, column: str, proving: bool
) -> None:
    """What has a proof is told of at once; where that is right too, it is read with care."""
    path = quick
    for turn, value in enumerate(KINDS.values()):
        where = "1" if turn % 2 else f"id = (SELECT max(id) FROM {table})"
        path.write_bytes(smaller.file)
        before = rows_of(path, table)
        with suppress(sqlite3.IntegrityError):
            changed(path, f"UPDATE OR IGNORE {table} SET {column} = {value} WHERE {where}")
        if rows_of(path, table) == before:
            continue
        if proving:
            with_proofs(path)
        assert told_of_something(path) or table == "cell" or proving


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE change SET previous = id",
        "UPDATE change SET previous = (SELECT max(id) FROM change)",
        "UPDATE change SET previous = (SELECT max(id) FROM change AS o WHERE o.cell = change.cell)",
        "UPDATE cell SET change = 999999",
        "DELETE FROM change WHERE id % 5 = 0",
        "DELETE FROM change WHERE id % 5 = 0 AND bank IS NOT NULL",
        "DELETE FROM cell WHERE id % 5 = 0",
        "DELETE FROM bank",
        "UPDATE bank SET proof = 1",
        "UPDATE change SET entry = 1",
        "UPDATE change SET bank = 3 - bank",
        "UPDATE desk SET bank = 99, owner = 98",
        "UPDATE change SET at = 9223372036854775807 WHERE bank NOTNULL",
        "UPDATE change SET at = -9223372036854775808 WHERE bank NOTNULL",
        "UPDATE change SET digest = zeroblob(8) WHERE bank NOTNULL",
        "UPDATE change SET digest = zeroblob(1000000) WHERE bank NOTNULL",
        "UPDATE change SET id = id + 9000000000000000000 WHERE bank NOTNULL",
        "UPDATE cell SET a = 'x' || a WHERE kind = 22",
        "UPDATE cell SET kind = 99 WHERE kind = 1",
    ],
)
def test_rows_that_do_not_belong_together(small: Path, statement: str) -> None:
    changed(small, statement)
    assert told_of_something(small)


PLAUSIBLE = {
    "id": "id + 1000",
    "entry": "entry - 1",
    "cell": "cell + 1",
    "previous": "coalesce(previous, 0) + 1",
    "seal": "seal + 1",
    "bank": "coalesce(3 - bank, 1)",
    "at": "coalesce(at, 0) + 60000",
    "cause": "'undo'",
    "by": "'G2'",
    "digest": "zeroblob(8)",
    "proof": "proof + 1",
}


@pytest.mark.parametrize("change", [37, 29], ids=["first", "another"])
@pytest.mark.parametrize("column", PLAUSIBLE)
def test_every_word_of_the_history_is_proved(path: Path, column: str, change: int) -> None:
    """Though what stands there could well be: of the first change of an entry, or another."""
    changed(path, f"UPDATE change SET {column} = {PLAUSIBLE[column]} WHERE id = {change}")
    sentence = r"(change \d+|what it holds) (does not agree with its check|is missing)"
    with Store(path, writing=False) as store:
        for bank, line in zip((1, 2), faults(store), strict=True):
            assert re.fullmatch(rf"bank {bank}: {sentence}", line)
            with pytest.raises(StoreError) as caught:
                History(store, bank).listed(moves=True)
            assert re.fullmatch(DAMAGED + sentence, told(path, caught.value))


def test_a_time_that_was_changed_leads_nowhere_else(path: Path) -> None:
    """To look back to a time is to go by all that were written down before it."""
    moment = datetime.fromtimestamp(1_900_000_000 + 60 * 20, UTC)
    with Store(path, writing=False) as store:
        after = History(store, 1).after(moment)
        assert store.load(1, after) != store.load(1)
    following = f"(SELECT min(id) FROM change WHERE bank = 1 AND id > {after})"
    changed(path, f"UPDATE change SET at = 0 WHERE id = {following}")
    with Store(path, writing=False) as store, pytest.raises(StoreError) as caught:
        History(store, 1).after(moment)
    assert "does not agree with its check" in told(path, caught.value)


def test_a_bank_that_was_changed_gives_no_earlier_state(path: Path) -> None:
    changed(path, "UPDATE change SET bank = 2 WHERE id = 37")
    with Store(path, writing=False) as store, pytest.raises(StoreError) as caught:
        store.load(1, 37)
    assert told(path, caught.value) == f"{DAMAGED}change 37 does not agree with its check"


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE cell SET bank = 9 WHERE id = (SELECT cell FROM change WHERE id = 53)",
        "DELETE FROM cell WHERE id = (SELECT cell FROM change WHERE id = 53)",
        "DELETE FROM change WHERE id = 20",
        "DELETE FROM change WHERE id = 53",
        "UPDATE change SET value = x'c40107' WHERE id = 53",
    ],
)
def test_nothing_that_an_entry_changed_is_left_out(path: Path, statement: str) -> None:
    """No entry is listed without something that it changed, nor as if another had not been."""
    changed(path, statement)
    with Store(path, writing=False) as store:
        assert faults(store)
        with pytest.raises(StoreError) as caught:
            History(store, 2).listed(moves=True)
    assert "does not agree with its check" in told(path, caught.value)


def test_a_change_is_not_listed_without_the_one_before(path: Path) -> None:
    """What was there before is known only from that."""
    with Store(path, writing=False) as store:
        assert History(store, 2).entry(54).changes[0].before is not None
    changed(path, "UPDATE change SET value = x'c40107' WHERE id = 53")
    with Store(path, writing=False) as store, pytest.raises(StoreError) as caught:
        History(store, 2).entry(54)
    assert told(path, caught.value) == f"{DAMAGED}change 53 does not agree with its check"


DESK = "which bank is on the desk does not agree with its check"
BANKS = "the list of its banks does not agree with its check"


@pytest.mark.parametrize(
    ("statement", "sentence"),
    [
        ("UPDATE desk SET bank = 2", DESK),
        ("UPDATE desk SET owner = 2", DESK),
        ("UPDATE desk SET bank = NULL", DESK),
        ("UPDATE desk SET proof = 1", DESK),
        ("UPDATE bank SET id = 7 WHERE id = 2", BANKS),
        ("UPDATE bank SET proof = 1 WHERE id = 2", BANKS),
    ],
)
def test_the_desk_and_the_list_of_banks_are_proved(
    path: Path, statement: str, sentence: str
) -> None:
    changed(path, statement)
    with Store(path) as store:
        assert faults(store) == [sentence]
        asked: dict[str, Callable[[], object]] = {
            DESK: lambda: (store.desk, store.owner),
            BANKS: store.players,
        }
        for ask in (asked[sentence], partial(store.switch_on, CONSOLE)):
            with pytest.raises(StoreError) as caught:
                ask()
            assert told(path, caught.value) == DAMAGED + sentence


def test_a_bank_that_is_not_in_the_list_is_found(path: Path) -> None:
    changed(path, "DELETE FROM bank WHERE id = 2")
    with Store(path, writing=False) as store:
        assert faults(store) == ["bank 2 is not in its list of banks"]


def test_the_past_of_a_place_is_not_that_of_another(small: Path) -> None:
    path = small
    assert answers(path)["past of G1 1"] is not StoreError
    changed(path, "UPDATE change SET previous = 1 WHERE previous IS NOT NULL")
    assert answers(path)["past of G1 1"] is StoreError


def sealed(path: Path, cells: dict[Key, bytes]) -> None:
    """Put cells into bank 1, with the seals, the digest and the proofs that they should have."""
    connection = sqlite3.connect(path, isolation_level=None)
    try:
        (last,) = connection.execute("SELECT max(id) FROM change WHERE bank = 1").fetchone()
        for key, value in cells.items():
            find = "SELECT id, change FROM cell WHERE bank = 1 AND kind = ? AND a = ? AND b = ?"
            there = connection.execute(find, tuple(key)).fetchone()
            if there is None:
                (change,) = connection.execute("SELECT max(id) + 1 FROM change").fetchone()
                connection.execute(
                    "INSERT INTO cell VALUES (NULL, 1, ?, ?, ?, ?, NULL)", (*key, change)
                )
                (cell,) = connection.execute("SELECT last_insert_rowid()").fetchone()
                connection.execute(
                    "INSERT INTO change (id, entry, cell, seal, proof) VALUES (?, ?, ?, 0, 0)",
                    (change, last, cell),
                )
                there = cell, change
            connection.execute("UPDATE cell SET value = ? WHERE id = ?", (value, there[0]))
            connection.execute(
                "UPDATE change SET value = ?, seal = ? WHERE id = ?",
                (value, seal(key, value) & 0xFFFFFFFF, there[1]),
            )
        now = connection.execute(
            "SELECT kind, a, b, value FROM cell WHERE bank = 1 AND value NOT NULL"
        )
        total = sum(seal(Key(kind, a, b), value) for kind, a, b, value in now) % 2**64
        connection.execute(
            "UPDATE change SET digest = ? WHERE id = ?", (total.to_bytes(8, "big"), last)
        )
    finally:
        connection.close()
    with_proofs(path)


def packed(value: object) -> bytes:
    return bytes(msgpack.packb(value))


DEEP = b"\x91" * 100_000 + b"\xc0"
HOSTILE: dict[str, dict[Key, bytes]] = {
    "a deep value": {Key(1): DEEP},
    "a deep card": {Key(10, 0): DEEP},
    "a deep combination": {Key(22, 1, 0): DEEP},
    "a deep sequence": {Key(25, "Vespers"): DEEP},
    "a value that says it is huge": {Key(1): b"\xdd\xff\xff\xff\xff"},
    "a huge map": {Key(2): b"\xdf\xff\xff\xff\xff"},
    "no value": {Key(1): b""},
    "no combination": {Key(22, 1, 0): b""},
    "half a combination": {Key(22, 1, 0): b"\xc4"},
    "two values": {Key(1): packed("a") + packed("b")},
    "a time": {Key(1): packed(msgpack.Timestamp(1))},
    "an extension": {Key(1): packed(msgpack.ExtType(5, b"x"))},
    "an escape in a name": {Key(1): packed("Ruth\x1b[2J")},
    "an escape in an id": {Key(10, 0): packed(("\x1b[2J", (), ""))},
    "an escape in a level's name": {Key(20, 1): packed("\u202eEvensong")},
    "an escape in a step": {Key(25, "Vespers"): packed([("1", 1, "G1", "\x1b]0;x\x07")])},
    "an escape in a sequence's name": {Key(25, "\x1b[2J"): packed([])},
    "a card of numbers": {Key(10, 0): packed((1, 2, 3))},
    "a card too short": {Key(11, 0): packed(("G1",))},
    "a label of numbers": {Key(11, 0): packed(("G1", (1, 2), "general", "", b""))},
    "a combination of text": {Key(22, 1, 0): packed("abc")},
    "a combination of bits of nothing": {Key(22, 1, 0): packed(b"\xff" * 50)},
    "a combination of very many bits": {Key(22, 1, 0): packed(b"\xff" * 1_000_000)},
    "an owner that is not there": {Key(22, 1, 77): packed(b"")},
    "a level of text": {Key(22, "one", 0): packed(b"")},
    "a level below": {Key(22, -5, 0): packed(b"")},
    "a level above": {Key(22, 10**15, 0): packed(b"")},
    "a control with a number beyond all": {Key(10, 2**40): packed(("far", (), ""))},
    "a control with a number below": {Key(10, -1): packed(("below", (), ""))},
    "a piston with a number beyond all": {Key(11, 2**62): packed(("far", (), "", "", b""))},
    "two controls of one id": {Key(10, 0): packed(("b", (), ""))},
    "two pistons of one id": {Key(11, 0): packed(("G2", ("G2",), "general", "", b""))},
    "a lock of numbers": {Key(3): packed(7)},
    "a place of numbers": {Key(4): packed((1, 2, 3))},
    "a place that is no number": {Key(4): packed((1, None, "NaN"))},
    "a place without end": {Key(4): packed((1, None, "1e999999"))},
    "a place of text": {Key(4): packed(("one", None, "0"))},
    "steps without numbers": {Key(25, "Vespers"): packed([("x", 1, "G1", "")])},
    "steps of another shape": {Key(25, "Vespers"): packed({"a": 1})},
    "a kind that there is not": {Key(77, 5, 5): packed("x")},
}


@pytest.fixture(scope="module")
def truth(tmp_path_factory: pytest.TempPathFactory, smaller: Kept) -> dict[str, Any]:
    """What a sound store answers."""
    path = tmp_path_factory.mktemp("sound") / "chapel.store"
    path.write_bytes(smaller.file)
    return answers(path)


@pytest.mark.parametrize("sort", HOSTILE)
def test_a_store_made_with_care(small: Path, truth: dict[str, Any], sort: str) -> None:
    """Every seal, digest and proof is right, what is sealed is not: no bank comes of it.

    Nor does anything crash.
    """
    sealed(small, HOSTILE[sort])
    found = asked(small)
    if sort != "a kind that there is not":
        assert found["present 1"] is StoreError
    assert found["present 2"] == truth["present 2"]


def test_nothing_but_the_bank_is_wrong_with_a_store_made_with_care(small: Path) -> None:
    """The hostile stores are otherwise as ours."""
    sealed(small, {Key(1): packed("Ruth Marlow")})
    found = answers(small)
    assert StoreError not in [found[what] for what in OF_BANKS]
    assert found["present 1"].name == "Ruth Marlow"
