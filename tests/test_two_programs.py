"""Two programs set in one store at the same time: all that was acknowledged is there.

They are real processes. One sets as a console does, through a `Keeper`; the other too, or as a
command does, through `Store.edited`. A flush is not what is tested here, and takes thirty times
as long on one disk as on another: where there is a folder in memory, the store is there.
"""

import os
import time
from collections import Counter
from collections.abc import Callable, Iterator
from itertools import pairwise
from multiprocessing import get_context
from multiprocessing.process import BaseProcess
from pathlib import Path
from random import Random
from signal import SIGCONT, SIGKILL, SIGSTOP, Signals

import pytest

from banks.database import PATIENCE, StoreBusyError
from banks.history import faults
from banks.keeping import Keeper
from banks.store import Store, create_store
from combination.effects import Cause, KeepAsked
from combination.events import ChangeKept, ChangeNotKept
from combination.memory import Change, Combination, Slot, fresh_bank
from tests.figures import Figures
from tests.plugged import CONSOLE, folder_in_memory, past_of

FORK = get_context("fork")
ROSTER = fresh_bank(CONSOLE).roster
SLOTS = [Slot(piston, level) for piston in ("G1", "G2") for level in (1, 2, 3)]
OWN = ("a", "x")
"""The control that is in all sets of the first program and in none of the other's."""


@pytest.fixture
def path() -> Iterator[Path]:
    """A store with the banks of four players, in memory where there is such a folder."""
    with folder_in_memory() as folder:
        path = folder / "chapel.store"
        create_store(path)
        with Store(path) as store:
            for name in ("Ruth", "Hugo", "Inge", "Paul"):
                store.add(fresh_bank(CONSOLE, name))
        yield path


# ---------------------------------------------------------------- the programs


def sets(own: str, number: int, seed: int) -> Iterator[tuple[Slot, Combination]]:
    """So many sets, on any pistons. All have a control that is this program's own.

    So no set is like that before it, whoever made that, and each is a change of its own.
    """
    random, others = Random(seed), "bcd"
    turns = Counter[Slot]()
    for _ in range(number):
        slot = random.choice(SLOTS)
        turns[slot] += 1
        on = [other for place, other in enumerate(others) if turns[slot] >> place & 1]
        yield slot, Combination(ROSTER.bits([own, *on]))


def in_words(slot: Slot, held: Combination) -> str:
    return f"{slot.piston}@{slot.level}: {' '.join(sorted(ROSTER.registration(held.on)))}"


def keeping(path: Path, name: str, own: str, number: int, told: Path) -> None:
    """A console: each set is told once it is acknowledged, with how long that took."""
    with Store(path) as store, told.open("w") as file:
        bank = store.find(name).number
        keeper = Keeper(store, bank, store.update(bank, CONSOLE))
        for asked, (slot, held) in enumerate(sets(own, number, 1)):
            begun = time.monotonic()
            change = Change(slot, None, held)
            answers = keeper.keep(KeepAsked(asked, change, Cause.SET, slot.piston))
            assert answers == [ChangeKept(asked)], keeper.fault
            print(f"{time.monotonic() - begun} {in_words(slot, held)}", file=file)


def editing(path: Path, name: str, own: str, number: int, told: Path) -> None:
    """A command, again and again."""
    with Store(path) as store, told.open("w") as file:
        bank = store.find(name).number
        for slot, held in sets(own, number, 2):
            begun = time.monotonic()
            with store.edited(bank, "edited", own) as edited:
                edited.put(slot, held)
            print(f"{time.monotonic() - begun} {in_words(slot, held)}", file=file)


# ---------------------------------------------------------------- at the same time

Program = tuple[Callable[[Path, str, str, int, Path], None], str, int]
PAIRS: tuple[tuple[Program, Program], ...] = (
    ((keeping, "Ruth", 2_000), (keeping, "Ruth", 2_000)),
    ((keeping, "Hugo", 2_000), (keeping, "Inge", 2_000)),
    ((keeping, "Paul", 1_500), (editing, "Paul", 500)),
)


def test_ten_thousand_sets(path: Path, figures: Figures) -> None:
    acknowledged: dict[tuple[str, str], list[str]] = {}
    longest = 0.0
    for pair in PAIRS:
        together = []
        for (program, name, number), own in zip(pair, OWN, strict=True):
            told = path.parent / f"{name}-{own}"
            process = FORK.Process(
                target=program, args=(path, name, own, number, told), daemon=True
            )
            process.start()
            together.append((process, name, own, told))
        for process, name, own, told in together:
            process.join(120)
            assert process.exitcode == 0
            lines = [line.split(" ", 1) for line in told.read_text().splitlines()]
            longest = max(longest, *(float(took) for took, _ in lines))
            acknowledged[name, own] = [said for _, said in lines]
    with Store(path) as store:
        been = {name: there(store, name) for name in {bank for bank, _ in acknowledged}}
        for (name, own), said in acknowledged.items():
            assert [one for one in been[name] if own in controls(one)] == said
        turns = been["Ruth"]
        assert faults(store) == []
    total = sum(map(len, acknowledged.values()))
    changed = sum(("a" in controls(one)) != ("a" in controls(two)) for one, two in pairwise(turns))
    figures(
        f"{total} sets by two programs, who changed turns {changed} times in "
        f"{len(turns)}; the longest wait {longest:.2f} s"
    )
    assert total == 10_000
    assert changed >= 10
    assert longest < PATIENCE


def there(store: Store, name: str) -> list[str]:
    """The sets that a bank has been through."""
    past = past_of(store, store.find(name).number)
    return [f"{place}: {after}" for made in past for place, (_, after) in made.items()]


def controls(said: str) -> list[str]:
    return said.partition(": ")[2].split()


# ---------------------------------------------------------------- one of them stops


def stopping(path: Path) -> None:
    """A command that the system stops while it holds the store."""
    with Store(path) as store, store.edited(1, "edited") as bank:
        bank.put(Slot("G1", 1), Combination(1))
        os.kill(os.getpid(), SIGSTOP)


@pytest.fixture
def stopped(path: Path) -> Iterator[BaseProcess]:
    process = FORK.Process(target=stopping, args=(path,))
    process.start()
    assert os.WIFSTOPPED(os.waitpid(process.pid or 0, os.WUNTRACED)[1])
    yield process
    process.kill()
    process.join()


@pytest.mark.parametrize("end", [SIGCONT, SIGKILL])
def test_a_program_that_stops_in_the_middle_is_not_waited_for(
    path: Path, stopped: BaseProcess, end: Signals
) -> None:
    """What is set meanwhile works, and is kept as soon as the store is free again."""
    with Store(path, patience=0.3) as store:
        keeper = Keeper(store, 1, store.load(1))
        change = Change(Slot("G2", 1), None, Combination(2))
        begun = time.monotonic()
        assert keeper.keep(KeepAsked(1, change, Cause.SET, "G2")) == [ChangeNotKept(1)]
        assert 0.25 <= time.monotonic() - begun < 3
        assert isinstance(keeper.fault, StoreBusyError)
        assert str(keeper.fault).endswith("another program is writing to it, and has not finished")
        with pytest.raises(StoreBusyError), store.edited(1, "edited"):
            pass
        assert store.load(1).levels == {}
        os.kill(stopped.pid or 0, end)
        stopped.join()
        assert keeper.retry() == [ChangeKept(1)]
        assert keeper.waiting == 0
        assert keeper.fault is None
        kept = {"G2": Combination(2)} | ({"G1": Combination(1)} if end == SIGCONT else {})
        assert store.load(1).levels[1].combinations == kept
        assert faults(store) == []
