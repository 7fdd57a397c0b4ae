"""A small store with a past, and all that a disk may do to one page of it.

Its pages are of 512 bytes, the smallest that there are, so that a small store has tables of
several pages, inner pages, and rows that are longer than a page. Used by the tests of faults and
of mending.
"""

import sqlite3
from collections.abc import Iterator
from decimal import Decimal
from itertools import count
from pathlib import Path
from random import Random

from attrs import define, field, frozen

from banks.keeping import Keeper
from banks.store import Store, create_store
from banks.tables import COLUMNS, proof_of
from combination.effects import Effect, KeepAsked
from combination.events import UndoAsked
from combination.memory import Bank, Step, fresh_bank
from tests.consoles import Player, worked_console

CONSOLE = worked_console()
NAMES = ("Ruth Marlowe", "Edwin Hale")
PAGE = 512
LOCKED = 5


def smaller_pages(path: Path, size: int = PAGE) -> None:
    """Let a store have pages of another size: SQLite reads it as before."""
    connection = sqlite3.connect(path, isolation_level=None)
    try:
        connection.execute("PRAGMA journal_mode = DELETE")
        connection.execute(f"PRAGMA page_size = {size}")
        connection.execute("VACUUM")
        connection.execute("PRAGMA journal_mode = WAL")
    finally:
        connection.close()


def changed(path: Path, *statements: str) -> None:
    """Change what is in a store behind its back."""
    connection = sqlite3.connect(path, isolation_level=None)
    try:
        for statement in statements:
            connection.execute(statement)
    finally:
        connection.close()


def with_proofs(path: Path) -> None:
    """Let every row have the proof that it should have, whatever stands on it."""
    connection = sqlite3.connect(path, isolation_level=None)
    connection.text_factory = lambda text: text.decode(errors="replace")
    try:
        for table, columns in (("bank", "id"), ("change", COLUMNS), ("desk", "bank, owner")):
            rows = connection.execute(f"SELECT rowid, {columns} FROM {table}").fetchall()
            connection.executemany(
                f"UPDATE {table} SET proof = ? WHERE rowid = ?",
                [(proof_of(values), number) for number, *values in rows],
            )
    finally:
        connection.close()


@define
class Desk:
    """A player at a console that keeps to a store: what is asked to be kept is, and answered."""

    store: Store
    bank: int
    seated: Bank
    player: Player = field(init=False)
    keeper: Keeper = field(init=False)

    def __attrs_post_init__(self) -> None:
        self.player = Player(CONSOLE, self.seated, keeps=True)
        self.keeper = Keeper(self.store, self.bank, self.seated)

    @classmethod
    def switched_on(cls, store: Store) -> "Desk":
        return cls(store, *store.switch_on(CONSOLE))

    @property
    def memory(self) -> Bank:
        return self.player.bank

    def do(self, *steps: str) -> list[Effect]:
        """Do each step; gives the effects of all, those of the store's answers among them."""
        found: list[Effect] = []
        for step in steps:
            found += self.answered(self.player.do(step).effects)
        self.keeper.left_off(self.memory)
        return found

    def undo(self) -> list[Effect]:
        return self.answered(self.player.receive(UndoAsked()))

    def retry(self) -> list[Effect]:
        """What the console does now and then while something waits."""
        return [effect for answer in self.keeper.retry() for effect in self.player.receive(answer)]

    def answered(self, effects: list[Effect]) -> list[Effect]:
        found = list(effects)
        for effect in effects:
            if isinstance(effect, KeepAsked):
                for answer in self.keeper.keep(effect):
                    found += self.player.receive(answer)
        return found


@frozen
class Kept:
    """A store's file with everything folded in, and what it was at some moments before."""

    file: bytes
    before: tuple[bytes, ...]

    @property
    def pages(self) -> int:
        return len(self.file) // PAGE


def kept_for_a_while(path: Path, sets: int = 22, steps: int = 39) -> Kept:
    """Make a store of two players who have set, moved about and taken back.

    Each has made so many sets; the first has a sequence of so many steps.
    """
    clock = count(1_900_000_000, 60)
    create_store(path)
    smaller_pages(path)
    files: list[bytes] = []

    def look() -> None:
        store.database.checkpoint()
        files.append(path.read_bytes())

    with Store(path, clock=lambda: next(clock)) as store:
        first = store.add(fresh_bank(CONSOLE, NAMES[0]))
        second = store.add(fresh_bank(CONSOLE, NAMES[1]), guest=True)
        look()
        with store.edited(first, "edited") as bank:
            bank.at(1).name = "Evensong"
            bank.at(LOCKED).locked, bank.at(LOCKED).verifier = True, b"v" * 40
            bank.sequences["Vespers"] = tuple(
                Step(Decimal(verse), 1, "G1", f"verse {verse} of a long hymn")
                for verse in range(1, steps + 1)
            )
        look()
        for number in (first, second):
            store.take_up(number)
            _play(Desk(store, number, store.update(number, CONSOLE)), Random(number), sets)
            look()
        store.take_up(first)
        look()
    return Kept(files[-1], tuple(files[:-1]))


def _play(desk: Desk, random: Random, sets: int) -> None:
    for step in range(sets):
        tab, piston = random.choice("abcdx"), random.choice(("G1", "G2", "GT1", "PD1"))
        desk.do(f"tab {tab} {random.choice(('on', 'off'))}", "push SET", f"push {piston}")
        if step % 10 == 9:
            desk.do("push UP")
        if step % 7 == 6:
            desk.undo()


@frozen
class Damage:
    """What was done to which pages (from 0), and the file after it."""

    how: str
    pages: tuple[int, ...]
    file: bytes


def damages(kept: Kept, random: Random, *, flips: int, swaps: float) -> Iterator[Damage]:
    """Every page damaged in every way: some bits, a share of the swaps."""

    def page(number: int, file: bytes = kept.file) -> bytes:
        return file[number * PAGE : (number + 1) * PAGE]

    def done(how: str, new: dict[int, bytes]) -> Damage:
        pages = (new.get(number, page(number)) for number in range(kept.pages))
        return Damage(how, tuple(new), b"".join(pages))

    for number in range(kept.pages):
        for _ in range(flips):
            bit = random.randrange(8 * PAGE)
            flipped = int.from_bytes(page(number), "little") ^ 1 << bit
            yield done("a bit flipped", {number: flipped.to_bytes(PAGE, "little")})
        yield done("zeroed", {number: bytes(PAGE)})
        yield done("random", {number: random.randbytes(PAGE)})
        older = {page(number, file) for file in kept.before} - {b"", page(number)}
        for old in sorted(older):
            yield done("an older version", {number: old})
        for other in range(number + 1, kept.pages):
            if random.random() < swaps:
                yield done("two swapped", {number: page(other), other: page(number)})
