"""A bank of a store while a console plays from it: each change written as it is made.

The engine asks for a change to be kept (`KeepAsked`) and goes by the answer; a set is answered
with `ChangeKept` only when it is on the disk. If it cannot be written it is answered with
`ChangeNotKept`, waits here, and is written before anything else as soon as the store works again.
What a press means is the engine's business, and where the time comes from the store's.
"""

from attrs import evolve, frozen

from banks.cells import (
    CARDS,
    Key,
    Kind,
    Numbering,
    cells_of,
    packed_combination,
    packed_place,
    with_cards,
)
from banks.database import StoreBusyError, StoreError
from banks.ledger import LEFT_OFF, Ledger, LedgerError
from banks.store import CONSOLE, Store
from combination.effects import KeepAsked
from combination.events import ChangeKept, ChangeNotKept
from combination.memory import Bank, Change


@frozen
class _Waiting:
    """A change that is to be written, what made it, and when."""

    change: Change
    cause: str
    by: str
    at: float


class Keeper:
    """Writes what is changed in one bank, from switch-on to switch-off.

    ``fault`` says why the store does not work at present; None while it does.
    """

    def __init__(self, store: Store, bank: int, seated: Bank) -> None:
        """Take a store, and a bank in it as `Store.switch_on` gave it.

        Raises:
            StoreError: if the store cannot be read.
        """
        self.fault: StoreError | None = None
        self._store, self._bank = store, bank
        with store.reading() as ledger:
            self._begun = self._numbering = Numbering.of(ledger.cards(bank))
            self._seen = ledger.now(self._bank)
        self._file = store.database.file
        self._blank = evolve(seated, levels={}, full_organs={}, stages={}, sequences={})
        self._runs = self._numbering.translation(seated.controls)
        self._place = packed_place(seated)
        self._waiting: dict[int, _Waiting] = {}

    @property
    def waiting(self) -> int:
        """How many changes there are that could not be written yet."""
        return len(self._waiting)

    def keep(self, asked: KeepAsked) -> list[ChangeKept | ChangeNotKept]:
        """Write a change: the answers for the engine, to this one and to any that waited."""
        self._waiting[asked.number] = _Waiting(
            asked.change, asked.cause, asked.piston or "", self._store.clock()
        )
        return [*self.retry()] or [ChangeNotKept(asked.number)]

    def retry(self) -> list[ChangeKept]:
        """Write what waits, in order and in one piece: the answers, none if it still cannot be."""
        if not self._waiting:
            return []
        try:
            self._mend()
            with self._store.writing() as ledger:
                known = self._is_as_seen(ledger) or self._look_again(ledger)
                for waiting in self._waiting.values():
                    values = self._cell(waiting.change)
                    ledger.put(self._bank, values, waiting.cause, waiting.by, waiting.at)
                now = ledger.now(self._bank)
        except StoreError as error:
            self.fault = error
            return []
        self._seen = now if known else self._seen
        self.fault = None
        kept = [ChangeKept(number) for number in self._waiting]
        self._waiting.clear()
        return kept

    def left_off(self, bank: Bank) -> bool:
        """Write where the player is now, if that is elsewhere than before: whether it is written.

        It is worth less than a set, and does not wait: the next one says it anew.
        """
        place = packed_place(bank)
        if place == self._place:
            return True
        try:
            self._mend()
            with self._store.writing() as ledger:
                known = self._is_as_seen(ledger)
                values = {Key(Kind.PLACE): place}
                ledger.put(self._bank, values, LEFT_OFF, "", self._store.clock())
                now = ledger.now(self._bank)
        except StoreError as error:
            self.fault = error
            return False
        self._seen = now if known else self._seen
        self._place = place
        self.fault = self.fault if self._waiting else None
        return True

    def _mend(self) -> None:
        """Open the store anew if it failed: the file may have been put back, or the disk."""
        if self.fault is not None and not isinstance(self.fault, StoreBusyError):
            self._store.reopen()

    def _is_as_seen(self, ledger: Ledger) -> bool:
        """Whether nobody else has changed the bank.

        Raises:
            LedgerError: if it is not that bank at all: another store stands where it was.
        """
        if ledger.now(self._bank) == self._seen:
            return True
        seen, digest = self._seen
        there = ledger.state(self._bank, seen)
        same_file = self._store.database.file == self._file
        dropped = there is None and same_file and ledger.compacted(self._bank) > seen
        if there != digest and not dropped:
            raise LedgerError(
                "another store stands in its place: what is set here is not written into it"
            )
        return False

    def _look_again(self, ledger: Ledger) -> bool:
        """Another program has changed the bank: see that what waits has its cards still.

        Whether all that the console has is there, so that nothing else can be missing.
        """
        found = ledger.cards(self._bank)
        here = {key: value for key, value, present in found if present}
        self._numbering = self._begun.beside(Numbering.of(found), here)
        self._runs = self._numbering.translation(self._blank.controls)
        cards = [
            (key, value, True)
            for key, value in cells_of(self._blank, self._numbering).items()
            if key.kind in CARDS
        ]
        wanted: dict[Key, bytes | None] = {}
        for waiting in self._waiting.values():
            wanted |= self._cell(waiting.change)
        whole = with_cards(wanted, here, cards)
        missing = {key: value for key, value in whole.items() if key not in wanted}
        if missing:
            ledger.put(self._bank, missing, CONSOLE, "", self._store.clock())
        return all(key in here for key, _, _ in cards)

    def _cell(self, change: Change) -> dict[Key, bytes | None]:
        """A change as that of a cell."""
        key = self._numbering.key(change.slot)
        if key is None:
            raise KeyError(change.slot.piston)
        after = change.after
        return {key: None if after is None else packed_combination(after, self._runs)}
