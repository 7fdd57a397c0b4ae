"""The store of a console that is played, in a thread of its own: no key waits for a disk.

What is to be kept is handed over and answered when it is written, or cannot be; what could not
be is tried again for as long as the console is on. What is kept is not known here.
"""

from decimal import Decimal
from queue import Empty, SimpleQueue
from threading import Thread

from attrs import evolve, frozen

from banks.database import StoreError
from banks.keeping import Keeper
from banks.store import Store
from combination.effects import KeepAsked
from combination.events import ChangeKept, ChangeNotKept
from combination.memory import Bank
from combination.model import Console

AGAIN = 2.0
"""Seconds until what could not be written is tried again."""
_STOP = object()


@frozen
class Answered:
    """What the store says of changes; and why it does not work at present, None if it does."""

    answers: tuple[ChangeKept | ChangeNotKept, ...]
    fault: str | None


@frozen
class Place:
    """Where the player is: the level, the sequence, and the number of its step."""

    level: int
    sequence: str | None
    place: Decimal


class Memory:
    """One player's bank in a store, from switch-on to switch-off."""

    def __init__(
        self, path: str, console: Console, player: str | None, box: "SimpleQueue[object]"
    ) -> None:
        """Take a store, and the box for its answers.

        ``player`` is whose bank to play from; without, it is the one that was on the desk, or in
        a guest's place the owner's.
        """
        self._path, self._console, self._player = path, console, player
        self._box = box
        self._todo: SimpleQueue[object] = SimpleQueue()
        self._begun: SimpleQueue[Bank | StoreError] = SimpleQueue()
        self._thread = Thread(target=self._run, name="store", daemon=True)
        self._asked: list[int] = []
        self.waiting = 0
        """How many changes could not be written yet."""
        self.fault: str | None = None
        """Why the store does not work at present."""

    def begin(self) -> Bank:
        """Switch on: the bank, seated on the console.

        Raises:
            StoreError: if the store cannot be opened, or has no such bank.
        """
        self._thread.start()
        found = self._begun.get()
        if isinstance(found, StoreError):
            raise found
        return found

    def keep(self, asked: KeepAsked) -> None:
        """Have a change written."""
        self._todo.put(asked)

    def left_off(self, place: Place) -> None:
        """Have it written where the player is."""
        self._todo.put(place)

    def finish(self) -> None:
        """Write what waits, for the last time; then close. `closed` waits until that is done."""
        self._todo.put(_STOP)

    def closed(self, patience: float) -> bool:
        """Wait until it is closed, so many seconds at most: whether it is."""
        self._thread.join(patience)
        return not self._thread.is_alive()

    # ------------------------------------------------------------ the thread

    def _run(self) -> None:
        try:
            self._open()
        except StoreError as error:
            self._begun.put(error)
        except Exception as error:  # a fault of ours: whoever waits for the bank is to hear of it
            self._begun.put(StoreError(f"the program itself fails at the store: {error!r}"))

    def _open(self) -> None:
        with Store(self._path) as store:
            chosen = None if self._player is None else store.find(self._player).number
            number, bank = store.switch_on(self._console, chosen)
            keeper = Keeper(store, number, bank)
            place = evolve(bank, controls=(), pistons={}, levels={}, sequences={})
            self._begun.put(bank)
            try:
                self._keep(keeper, place)
            except Exception as error:  # a fault of ours: what is set works until switch-off
                self._refuse(f"the program itself fails at the store: {error!r}")

    def _refuse(self, why: str) -> None:
        """Keep nothing any more, and say so for each change, those not answered yet too."""
        while True:
            answers = tuple(map(ChangeNotKept, self._asked))
            self.waiting += len(answers)
            self.fault = why
            self._asked.clear()
            self._box.put(Answered(answers, why))
            todo = self._todo.get()
            if isinstance(todo, KeepAsked):
                self._asked.append(todo.number)
            elif todo is _STOP:
                return

    def _keep(self, keeper: Keeper, place: Bank) -> None:
        while True:
            answers: list[ChangeKept | ChangeNotKept] = []
            try:
                todo = self._todo.get(timeout=AGAIN if keeper.fault is not None else None)
            except Empty:
                todo = None
            if isinstance(todo, KeepAsked):
                self._asked = [todo.number]
                answers += keeper.keep(todo)
            elif keeper.waiting:
                answers += keeper.retry()
            if isinstance(todo, Place):
                place.level, place.sequence, place.place = todo.level, todo.sequence, todo.place
            if not isinstance(todo, KeepAsked):
                keeper.left_off(place)
            self.waiting = keeper.waiting
            now = None if keeper.fault is None else str(keeper.fault)
            if answers or now != self.fault:
                self._box.put(Answered(tuple(answers), now))
            self.fault = now
            self._asked = []
            if todo is _STOP:
                return
