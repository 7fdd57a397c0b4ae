"""A bank of a store while a console plays from it: each change written as it is made.

The engine asks for a change to be kept (`KeepAsked`) and goes by the answer; a set is answered
with `ChangeKept` only when it is on the disk. If it cannot be written it is answered with
`ChangeNotKept`, waits here, and is written before anything else as soon as the store works again.
What a press means is the engine's business, and where the time comes from the store's.
"""

from collections.abc import Mapping

from attrs import frozen

from banks.cells import (
    Cells,
    Key,
    Kind,
    Names,
    Numbering,
    cells_of,
    packed_combination,
    packed_place,
    with_cards,
)
from banks.database import StoreBusyError, StoreError
from banks.history import LEFT_OFF
from banks.ledger import Ledger
from banks.store import CONSOLE, Store
from combination.effects import KeepAsked
from combination.events import ChangeKept, ChangeNotKept
from combination.memory import Bank, Slot


@frozen
class _Waiting:
    """A change that is to be written: the cell, its value, what made it, and when."""

    key: Key
    value: bytes | None
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
            cards = ledger.cards(bank)
            numbering = Numbering.of(cards)
            self._names = Names.of(cards)
            self._seen = ledger.last(bank)
        self._runs = numbering.translation(seated.controls)
        self._cards: Cells = {
            key: value
            for key, value in cells_of(seated, numbering).items()
            if key.kind in (Kind.CONTROL, Kind.PISTON)
        }
        self._place = packed_place(seated)
        self._waiting: dict[int, _Waiting] = {}

    @property
    def waiting(self) -> int:
        """How many changes there are that could not be written yet."""
        return len(self._waiting)

    def keep(self, asked: KeepAsked) -> list[ChangeKept | ChangeNotKept]:
        """Write a change: the answers for the engine, to this one and to any that waited."""
        change = asked.change
        self._waiting[asked.number] = _Waiting(
            self._key(change.slot),
            None if change.after is None else packed_combination(change.after, self._runs),
            asked.cause,
            asked.piston or "",
            self._store.clock(),
        )
        return [*self.retry()] or [ChangeNotKept(asked.number)]

    def retry(self) -> list[ChangeKept]:
        """Write what waits, in order and in one piece: the answers, none if it still cannot be."""
        if not self._waiting:
            return []
        try:
            self._mend()
            with self._store.writing() as ledger:
                self._check_cards(ledger)
                for waiting in self._waiting.values():
                    values = {waiting.key: waiting.value}
                    self._put(ledger, values, waiting.cause, waiting.by, waiting.at)
        except StoreError as error:
            self.fault = error
            return []
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
                self._put(ledger, {Key(Kind.PLACE): place}, LEFT_OFF, "", self._store.clock())
        except StoreError as error:
            self.fault = error
            return False
        self._place = place
        self.fault = self.fault if self._waiting else None
        return True

    def _mend(self) -> None:
        """Open the store anew if it failed: the file may have been put back, or the disk."""
        if self.fault is not None and not isinstance(self.fault, StoreBusyError):
            self._store.reopen()

    def _put(
        self, ledger: Ledger, values: Mapping[Key, bytes | None], cause: str, by: str, at: float
    ) -> None:
        self._seen = ledger.put(self._bank, values, cause, by, at) or self._seen

    def _check_cards(self, ledger: Ledger) -> None:
        """If another program changed the bank, see that what is set here has its cards still."""
        if ledger.last(self._bank) != self._seen:
            wanted: dict[Key, bytes | None] = {
                waiting.key: waiting.value for waiting in self._waiting.values()
            }
            cells = ledger.cells(self._bank)
            cards = [(key, value, True) for key, value in self._cards.items()]
            missing = with_cards(wanted, cells, cards).keys() - wanted.keys()
            values = {key: self._cards[key] for key in missing}
            self._put(ledger, values, CONSOLE, "", self._store.clock())
            self._seen = ledger.last(self._bank)

    def _key(self, slot: Slot) -> Key:
        key = self._names.key(slot)
        if key is None:
            raise KeyError(slot.piston)
        return key
