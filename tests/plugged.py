"""Somebody plays, sets and takes back at a console that keeps to a store, and the plug is pulled.

Run as a program, to be killed, or to be recorded. Before anything is done it is told, in a second
file, what the store will hold after it, and when that was acknowledged, that it is kept: `Known`
makes of it all that must be in the store. What is told is worked out from what was played alone;
`found_in` reads the store.
"""

import json
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from itertools import count
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory
from typing import Any

from attrs import define, evolve, field

from banks.cells import Key, Kind, Names, value_of
from banks.history import History, compact, compacting
from banks.keeping import Keeper
from banks.store import MADE, Store, create_store
from banks.tables import COMPACTED
from combination.effects import KeepAsked, Stored
from combination.events import RedoAsked, UndoAsked
from combination.memory import Bank, Combination, Slot, fresh_bank
from combination.model import Action
from tests.consoles import Player, worked_console

LEVELS = 3
CONSOLE = worked_console(Action.LIT, levels=LEVELS)
CONTROLS = ("a", "b", "c", "d", "x")
RANGES = {"G1": "abcdx", "G2": "abcdx", "GT1": "abx", "PD1": "cd"}
"""Semantics.md I.10: what each piston of the console can set."""
PLAYERS = ("Ruth", "Hugo")

Place = str
"""A piston at a level (``G1@2``), or ``level``: where the player left off."""
Change = dict[Place, tuple[str | None, str | None]]


# ---------------------------------------------------------------- what must be there


@define
class Known:
    """A store in words: the bank on the desk, what each holds, and its past, change by change.

    Without ``there`` there is no store yet. A change has what was before and after, with None
    for nothing set. Controls are in the order of the alphabet.
    """

    there: bool = False
    desk: str | None = None
    present: dict[str, dict[Place, str]] = field(factory=dict)
    past: dict[str, list[Change]] = field(factory=dict)

    def after(self, told: dict[str, Any]) -> "Known":
        """What is known after something was told."""
        new = evolve(self, present={**self.present}, past={**self.past})
        match told:
            case {"made": _}:
                new.there = True
            case {"added": name}:
                new.desk = new.desk or name
                new.present[name] = {"level": "1"}
                new.past[name] = []
            case {"taken up": name}:
                new.desk = name
            case {"changes": changes, "of": name}:
                new._change(name, changes)
            case {"compacted": _}:
                new.past = {name: [] for name in new.past}
            case _:
                raise ValueError(told)
        return new

    def brief(self, last: int | None) -> "Known":
        """The same with only so many of each bank's last changes."""
        if last is None:
            return self
        return evolve(self, past={name: changes[-last:] for name, changes in self.past.items()})

    def _change(self, name: str, changes: dict[Place, str | None]) -> None:
        here = self.present[name] = {**self.present[name]}
        new = {
            place: (here.get(place), value)
            for place, value in changes.items()
            if here.get(place) != value
        }
        if new:
            self.past[name] = [*self.past[name], new]
        for place, (_, value) in new.items():
            here.pop(place, None)
            if value is not None:
                here[place] = value


def known_from(known: Known, lines: list[str]) -> list[tuple[Known, Known]]:
    """After so many lines that were told: what was acknowledged, and with what was being done."""
    found = [(known, known)]
    for line in lines:
        if line == "kept":
            known = found[-1][1]
            found.append((known, known))
        else:
            found.append((known, known.after(json.loads(line))))
    return found


def found_in(store: Store, last: int | None = None) -> Known:
    """What a store holds, with all of each bank's changes, or so many of the last."""
    known = Known(there=True)
    names = {player.number: player.name for player in store.players()}
    known.desk = names.get(store.desk or 0)
    for number, name in names.items():
        known.present[name] = _present(store.load(number))
        known.past[name] = list(past_of(store, number, last))
    return known


def _present(bank: Bank) -> dict[Place, str]:
    found = {"level": str(bank.level)}
    for number, level in bank.levels.items():
        for piston, combination in level.combinations.items():
            found[f"{piston}@{number}"] = " ".join(sorted(bank.roster.registration(combination.on)))
    return found


def past_of(store: Store, bank: int, last: int | None = None) -> Iterator[Change]:
    """A bank's changes, or the last of them, as they were made; its making is none."""
    history = History(store, bank)
    names = history.names()
    for making in reversed(history.listed(moves=True, most=last)):
        if making.entry.cause not in (MADE, COMPACTED):
            yield {
                _place(names, changed.key): (
                    _value(names, changed.key, changed.before),
                    _value(names, changed.key, changed.after),
                )
                for changed in making.changes
            }


def _place(names: Names, key: Key) -> Place:
    slot = names.slot(key)
    if slot is not None and slot.level is not None:
        return f"{slot.piston}@{slot.level}"
    return "level" if key.kind == Kind.PLACE else f"{key}"


def _value(names: Names, key: Key, value: bytes | None) -> str | None:
    if value is None:
        return None
    said = value_of(key, value)
    if isinstance(said, Combination):
        return " ".join(sorted(card.id for card in names.on(said.on)))
    return str(said[0]) if key.kind == Kind.PLACE else f"{said}"


@contextmanager
def folder_in_memory() -> Iterator[Path]:
    """A folder on no disk, where there is such a thing: a flush costs nothing there."""
    memory = Path("/dev/shm")
    with TemporaryDirectory(dir=memory if os.access(memory, os.W_OK) else None) as folder:
        yield Path(folder).resolve()


# ---------------------------------------------------------------- playing


@define
class Telling:
    """A file in which is told what is about to be done, and that it was acknowledged.

    Written without a buffer: what was told outlives the process that told it.
    """

    handle: int
    known: Known = field(factory=Known)

    @classmethod
    def to(cls, path: Path) -> "Telling":
        return cls(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o666))

    @contextmanager
    def of(self, **told: Any) -> Iterator[None]:
        os.write(self.handle, json.dumps(told).encode() + b"\n")
        yield
        os.write(self.handle, b"kept\n")
        self.known = self.known.after(told)


@define
class Seat:
    """A player at the console, from switch-on on."""

    store: Store
    telling: Telling
    random: Random
    bank: int = field(init=False)
    name: str = field(init=False)
    player: Player = field(init=False)
    keeper: Keeper = field(init=False)
    _undoable: list[tuple[Place, str | None]] = field(factory=list)
    _redoable: list[tuple[Place, str | None]] = field(factory=list)

    def __attrs_post_init__(self) -> None:
        self.bank, bank = self.store.switch_on(CONSOLE)
        self.name = bank.name
        self.player = Player(CONSOLE, bank, keeps=True)
        self.keeper = Keeper(self.store, self.bank, bank)

    @property
    def present(self) -> dict[Place, str]:
        return self.telling.known.present[self.name]

    def set(self) -> None:
        """Draw other stops, and set a piston."""
        for control in self.random.sample(CONTROLS, 2):
            on = control not in self.player.rail
            self.player.do(f"tab {control} {'on' if on else 'off'}")
        piston = self.random.choice(list(RANGES))
        place = f"{piston}@{self.player.bank.level}"
        on_now = " ".join(sorted(self.player.rail & set(RANGES[piston])))
        self._undoable.append((place, self.present.get(place)))
        self._redoable.clear()
        with self.telling.of(of=self.name, changes={place: on_now}):
            self.player.do("press SET", f"push {piston}")
            self._keep()
        self.player.do("release SET")

    def undo_or_redo(self) -> None:
        """Take the last set back; or if it was taken back, set it again."""
        redo = bool(self._redoable)
        taken, put = self._undoable, self._redoable
        if redo:
            taken, put = put, taken
        if taken:
            place, value = taken.pop()
            put.append((place, self.present.get(place)))
            with self.telling.of(of=self.name, changes={place: value}):
                self.player.receive(RedoAsked() if redo else UndoAsked())
                self._keep()

    def _keep(self) -> None:
        """As a console does: what is asked is kept, and the answer acknowledges the set."""
        asked = [effect for effect in self.player.effects if isinstance(effect, KeepAsked)]
        for one in asked:
            for answer in self.keeper.keep(one):
                self.player.receive(answer)
        stored = [effect for effect in self.player.effects if isinstance(effect, Stored)]
        assert len(asked) == len(stored) == 1
        assert stored[0].kept, self.keeper.fault

    def leave_off(self) -> None:
        """Go to another level."""
        self.player.do("push UP")
        with self.telling.of(of=self.name, changes={"level": str(self.player.bank.level)}):
            assert self.keeper.left_off(self.player.bank)


def restore(store: Store, telling: Telling, random: Random) -> None:
    """Write a whole bank anew."""
    name = random.choice(PLAYERS)
    bank = store.load(store.find(name).number)
    changes: dict[Place, str | None] = {}
    for level in range(1, LEVELS + 1):
        for piston, reach in RANGES.items():
            ons = sorted(random.sample(reach, random.randint(0, len(reach))))
            changes[f"{piston}@{level}"] = " ".join(ons)
            bank.put(Slot(piston, level), Combination(bank.roster.bits(ons)))
    with telling.of(of=name, changes=changes):
        store.write(store.find(name).number, bank, "restored")


def take_back(store: Store, telling: Telling) -> None:
    """Take back the last change of the bank on the desk, if it is still known."""
    name = str(telling.known.desk)
    past = telling.known.past[name]
    if past:
        history = History(store, store.find(name).number)
        taking = history.taking_back([store.find(name).entry])
        back = {place: before for place, (before, _) in past[-1].items()}
        with telling.of(of=name, changes=back):
            history.take_back(taking)


# ---------------------------------------------------------------- whole evenings


def opened(path: Path, flushing: str, log: int) -> Store:
    """A store whose log is folded into the file whenever it has so many pages.

    ``flushing`` other than FULL makes of it one that does not hold what it acknowledges.
    """
    store = Store(path)
    connection = store.database._connection
    connection.execute(f"PRAGMA wal_autocheckpoint = {log}")
    if flushing != "FULL":
        connection.execute(f"PRAGMA synchronous = {flushing}")
    return store


def begin(path: Path, telling: Telling) -> None:
    """A new store with the players' banks."""
    with telling.of(made=True):
        create_store(path)
    with Store(path) as store:
        for name in PLAYERS:
            with telling.of(added=name):
                store.add(fresh_bank(CONSOLE, name))


def evening(store: Store, telling: Telling, random: Random, things: int | None = None) -> None:
    """Play, and do so many things that write; or go on for ever."""
    telling.known = found_in(store, 1)
    seat = Seat(store, telling, random)
    for _ in count() if things is None else range(things):
        match random.randrange(24):
            case 0 | 1:
                restore(store, telling, random)
            case 2 | 3:
                take_back(store, telling)
            case 4:
                name = random.choice(PLAYERS)
                with telling.of(**{"taken up": name}):
                    store.take_up(store.find(name).number)
            case 5:
                with telling.of(compacted=True):
                    compact(store, compacting(store, datetime.now(UTC)))
            case 6 | 7:
                seat.leave_off()
                continue
            case 8 | 9:
                seat.undo_or_redo()
                continue
            case _:
                seat.set()
                continue
        seat = Seat(store, telling, random)


def evenings(path: Path, told: Path, seed: int, things: int, flushing: str = "FULL") -> None:
    """Three evenings, in which the log is folded into the file often, sometimes, and never."""
    random, telling = Random(seed), Telling.to(told)
    if not path.exists():
        begin(path, telling)
    for log in (4, 25, 1000):
        with opened(path, flushing, log) as store:
            evening(store, telling, random, things)


def for_ever(path: Path, told: Path, seed: int) -> None:
    """Play until killed."""
    random = Random(seed)
    with opened(path, "FULL", random.choice((1, 25, 1000))) as store:
        evening(store, Telling.to(told), random)


# ---------------------------------------------------------------- killed at a call


BURNT: dict[str, Callable[[], object]] = {
    "openat": lambda: os.open("/", os.O_WRONLY),
    "write": lambda: os.write(_NO_FILE, b""),
    "pwrite64": lambda: os.pwrite(_NO_FILE, b"", 0),
    "ftruncate": lambda: os.ftruncate(_NO_FILE, 0),
    "fsync": lambda: os.fsync(_NO_FILE),
    "fdatasync": lambda: os.fdatasync(_NO_FILE),
    "link": lambda: os.link("", ""),
    "unlink": lambda: os.unlink("", dir_fd=None),
}
"""For each call one that fails, and changes nothing."""
_NO_FILE = 9999


def killed_at(call: str, times: int, last: int, folder: Path, seed: int, things: int) -> None:
    """Run evenings so many times, each in a process and in a folder of its own.

    Strace kills each process at the call of that kind with the number ``last``. The first makes
    all but one of them in vain before it begins, the next all but two: so that each is killed at
    another call, and what a process needs to begin is done once.
    """
    ended = []
    for number in range(1, times + 1):
        process = os.fork()
        if process:
            ended.append(os.waitstatus_to_exitcode(os.waitpid(process, 0)[1]))
            continue
        for _ in range(last - number):
            with suppress(OSError):
                BURNT[call]()
        place = folder / str(number)
        evenings(place / "chapel.store", place / "told", seed, things)
        os._exit(0)
    os.write(sys.stdout.fileno(), " ".join(map(str, ended)).encode())


if __name__ == "__main__":
    match sys.argv[1:]:
        case ["evenings", path, told, seed, things, flushing]:
            evenings(Path(path), Path(told), int(seed), int(things), flushing)
        case ["killed", call, times, last, folder, seed, things]:
            killed_at(call, int(times), int(last), Path(folder), int(seed), int(things))
