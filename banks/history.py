"""What was: the changes of a bank in a store listed, looked back at, taken back, compacted.

Nothing here takes a past away but `compact`, which a person asks for, and which says what it
drops. What is taken back is changed back by an entry like any other, and so can be put forward
again. The tables are in `banks.ledger`.
"""

from collections.abc import Collection, Iterable, Mapping
from datetime import datetime
from itertools import takewhile

from attrs import evolve, frozen

from banks.cells import LOCKS, Key, Kind, Names, Numbering, value_of, with_cards
from banks.database import StoreError
from banks.ledger import LEFT_OFF, Changed, Entry, Ledger, LedgerError
from banks.store import MADE, Store, check_desk, check_name, check_unchanged
from banks.tables import COMPACTED, DamagedError
from combination.memory import Slot

TAKEN_BACK = "taken back"


@frozen
class Making:
    """An entry, with what it changed."""

    entry: Entry
    changes: tuple[Changed, ...]


@frozen
class TakingBack:
    """What taking entries back comes to, before it is done.

    ``back`` are the cells that would be changed, each from what it holds now to what it held
    before. ``later`` are those that something else has changed since: what that made of them
    stays, unless it is said that they are to go back too. ``last`` is the bank's last entry.
    """

    entries: tuple[int, ...]
    last: int
    back: tuple[Changed, ...]
    later: tuple[Key, ...]


@frozen
class Dropped:
    """What compacting a bank drops: so many entries and values, from the first to the last time.

    ``last`` is the number of the entry that stands for them all from then on.
    """

    bank: int
    last: int
    entries: int
    values: int
    begun: datetime
    ended: datetime


class History:
    """One bank's past, in a store that is open.

    Every call raises `StoreError` if the store cannot be read or written, or is damaged, or if
    what it is asked for is not in the history.
    """

    def __init__(self, store: Store, bank: int) -> None:
        """Take a store and the number of a bank in it."""
        self._store, self._bank = store, bank

    # ------------------------------------------------------------ looking back

    def names(self) -> Names:
        """What the numbers in cells stand for: each thing's present name, or its last."""
        with self._store.reading() as ledger:
            return Names.of(ledger.cards(self._bank))

    def after(self, moment: datetime) -> int:
        """The entry after which the bank was as it was at that time.

        Raises:
            StoreError: if there was no bank then, or its history begins later.
        """
        with self._store.reading() as ledger:
            found = ledger.entry_before(self._bank, moment)
            if found is None:
                raise LedgerError("the history of this bank begins later than that")
            return found

    def at(self, number: int) -> datetime:
        """When the bank came to be as it was after an entry.

        Raises:
            StoreError: if there was no bank then, or its history begins later.
        """
        with self._store.reading() as ledger:
            return ledger.entry(self._bank, ledger.entry_at(self._bank, number)).at

    def listed(
        self,
        since: datetime | None = None,
        until: datetime | None = None,
        *,
        most: int | None = None,
        moves: bool = False,
    ) -> list[Making]:
        """The entries made after one time and up to another, the newest first.

        With ``moves`` those too by which only the place moved where the player left off;
        ``most`` is how many at most, the newest.
        """
        with self._store.reading() as ledger:
            found: list[Making] = []
            for entry in ledger.entries(self._bank, *self._between(ledger, since, until)):
                if most is not None and len(found) >= most:
                    break
                if moves or entry.cause != LEFT_OFF:
                    found.append(Making(entry, tuple(ledger.changes(entry))))
            return found

    def entry(self, number: int) -> Making:
        """One entry, by its number.

        Raises:
            StoreError: if the bank has no such entry.
        """
        with self._store.reading() as ledger:
            entry = ledger.entry(self._bank, number)
            return Making(entry, tuple(ledger.changes(entry)))

    def past(self, slot: Slot) -> list[tuple[Entry, Changed]]:
        """All that one place of the memory has held, the newest first."""
        with self._store.reading() as ledger:
            key = Numbering.of(ledger.cards(self._bank)).key(slot)
            if key is None:
                return []
            return [
                (ledger.entry(self._bank, changed.entry), changed)
                for changed in ledger.past(self._bank, key)
            ]

    def pasts(self, piston: str) -> list[tuple[Entry, Changed]]:
        """All that a piston has held at any level, or as a full organ, the newest first."""
        with self._store.reading() as ledger:
            names = Names.of(ledger.cards(self._bank))
            if piston not in names.numbers:
                return []
            keys = ledger.keys_of_piston(self._bank, names.numbers[piston])
            found = [changed for key in keys for changed in ledger.past(self._bank, key)]
            found.sort(key=lambda changed: -changed.number)
            return [(ledger.entry(self._bank, changed.entry), changed) for changed in found]

    def _between(
        self, ledger: Ledger, since: datetime | None, until: datetime | None
    ) -> tuple[int, int | None]:
        """The numbers of the first and last entry between two times."""
        first, last = 0, None
        if since is not None:
            before = ledger.entry_before(self._bank, since)
            first = 0 if before is None else before + 1
        if until is not None:
            last = ledger.entry_before(self._bank, until) or 0
        return first, last

    def numbered(self, first: int, last: int) -> tuple[int, ...]:
        """The numbers of the entries between two numbers, both taken in, that can be taken back."""
        with self._store.reading() as ledger:
            found = ledger.entries(self._bank, first, last)
            return tuple(entry.number for entry in found if entry.cause != LEFT_OFF)

    # ------------------------------------------------------------ taking back

    def evening(self, since: datetime, until: datetime | None = None) -> tuple[int, ...]:
        """The numbers of the entries between two times, but for the one that made the bank."""
        return tuple(
            making.entry.number
            for making in self.listed(since, until)
            if making.entry.cause != MADE
        )

    def taking_back(self, entries: Collection[int], *, later_too: bool = False) -> TakingBack:
        """What taking back some entries would come to. Nothing is changed.

        Each place goes back to what it held before them. One that has been changed since by
        another entry stays, and is named; with ``later_too`` it goes back all the same. A lock
        that is on stays on: what opens it is not a step back.

        Raises:
            StoreError: if the bank has no such entry, or what was before is not known any more;
                if the bank is locked, or a level that would be changed.
        """
        chosen = frozenset(entries)
        with self._store.reading() as ledger:
            touched: dict[Key, None] = {}
            for number in sorted(chosen):
                entry = ledger.entry(self._bank, number)
                if entry.cause == COMPACTED:
                    raise LedgerError(f"what was before change {number} has been dropped")
                if entry.cause == MADE:
                    raise LedgerError(f"there was no bank before change {number}, which made it")
                touched.update((changed.key, None) for changed in ledger.changes(entry))
            back, later = [], []
            for key in touched:
                changed, since = self._back(ledger, key, chosen, later_too)
                if since:
                    later.append(key)
                if changed is not None and not (key.kind in LOCKS and changed.before is not None):
                    back.append(changed)
            _check_unlocked(ledger, self._bank, back)
            return TakingBack(
                tuple(sorted(chosen)), ledger.last(self._bank), tuple(back), tuple(later)
            )

    def _back(
        self, ledger: Ledger, key: Key, chosen: frozenset[int], later_too: bool
    ) -> tuple[Changed | None, bool]:
        """What taking a cell back changes, and whether another entry has changed it since."""
        past = []
        for changed in ledger.past(self._bank, key):
            if changed.entry < min(chosen):
                break
            past.append(changed)
        newest = list(takewhile(lambda changed: changed.entry in chosen, past))
        ours = [changed for changed in past if changed.entry in chosen]
        going = ours if later_too else newest
        if not going or going[-1].before == past[0].after:
            return None, len(newest) < len(ours)
        back = evolve(past[0], before=past[0].after, after=going[-1].before)
        return back, len(newest) < len(ours)

    def take_back(self, taking: TakingBack) -> int | None:
        """Change back what was said; the number of the entry, None if nothing is different.

        Raises:
            StoreError: if the bank has been changed since that was said; if another bank has
                the name that this one would have again; if two controls or pistons of it would
                have the same id; or if the owner's would be a guest's, or removed.
        """
        with self._store.writing() as ledger:
            check_unchanged(ledger, self._bank, taking.last)
            values = {changed.key: changed.after for changed in taking.back}
            cells = ledger.cells(self._bank)
            values = with_cards(values, cells, ledger.cards(self._bank))
            _check_ids({**cells, **values})
            by = numbers_in_words(taking.entries)
            done = ledger.put(self._bank, values, TAKEN_BACK, by, self._store.clock())
            check_name(ledger, self._bank, ledger.load(self._bank).name)
            check_desk(ledger, self._bank)
            return done


def _check_ids(cells: Mapping[Key, bytes | None]) -> None:
    """That no two controls, and no two pistons, would be called the same."""
    for kind, what in ((Kind.CONTROL, "controls"), (Kind.PISTON, "pistons")):
        found: set[str] = set()
        for key, value in cells.items():
            if key.kind == kind and value is not None:
                name = value_of(key, value).id
                if name in found:
                    raise LedgerError(
                        f"there would be two {what} {name!r}: the one that was called so then, "
                        "and the one that has been called so since"
                    )
                found.add(name)


def _check_unlocked(ledger: Ledger, bank: int, back: Iterable[Changed]) -> None:
    """That no lock stands in the way of what is to be taken back."""
    for changed in back:
        if ledger.has(bank, Key(Kind.LOCK)):
            raise LedgerError("the bank is locked")
        of_level = changed.key.kind in (Kind.LEVEL_NAME, Kind.COMBINATION)
        if of_level and ledger.has(bank, Key(Kind.LEVEL_LOCK, changed.key.a)):
            raise LedgerError(f"level {changed.key.a} is locked")


def numbers_in_words(numbers: Iterable[int]) -> str:
    """Numbers as a person writes them: ``3, 5-9``."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][-1] + 1:
            runs[-1][1:] = [number]
        else:
            runs.append([number])
    return ", ".join("-".join(map(str, run)) for run in runs)


# ---------------------------------------------------------------- compacting


def compacting(store: Store, before: datetime) -> list[Dropped]:
    """What compacting a store would drop, bank by bank. Nothing is changed.

    All that a bank was up to a time is made one: what it was then can still be seen, and all
    that it was since; what it was before cannot.

    Raises:
        StoreError: if the store cannot be read, or is damaged.
    """
    with store.reading() as ledger:
        found = (_dropped(ledger, bank, before) for bank in ledger.banks())
        return [dropped for dropped in found if dropped is not None]


def compact(store: Store, dropping: Iterable[Dropped]) -> None:
    """Drop what was said, and give the room back to the disk.

    Raises:
        StoreError: if the store cannot be read or written; then nothing is dropped. Where only
            the room cannot be given back, the message says so.
    """
    with store.writing() as ledger:
        for dropped in dropping:
            state = ledger.cells(dropped.bank, dropped.last)
            by = f"{dropped.entries} changes from {dropped.begun:%Y-%m-%d}"
            ledger.fold(dropped.bank, dropped.last, by)
            if ledger.cells(dropped.bank, dropped.last) != state:
                raise LedgerError("what was to be kept would not have been: nothing is dropped")
    try:
        store.database.shrink()
    except StoreError as error:
        raise StoreError(f"{error}; the history is dropped, but its room is still taken") from None


def _dropped(ledger: Ledger, bank: int, before: datetime) -> Dropped | None:
    last = ledger.entry_before(bank, before)
    if last is None:
        return None
    entries = list(ledger.entries(bank, 0, last))
    if len(entries) < 2:
        return None
    values = ledger.folded(bank, last)
    return Dropped(bank, last, len(entries) - 1, len(values), entries[-1].at, entries[0].at)


# ---------------------------------------------------------------- is it sound


def faults(store: Store) -> list[str]:
    """All that is wrong with a store: with the file, with any bank now or at any time.

    Raises:
        StoreError: if it cannot be read at all.
    """
    found = store.database.faults()
    with store.reading() as ledger:
        try:
            ledger.desk()
            banks = ledger.banks()
        except DamagedError as error:
            return [*found, str(error)]
        found += [f"bank {bank} is not in its list of banks" for bank in ledger.strays()]
        for bank in banks:
            found += _faults(ledger, bank)
    return found


def _faults(ledger: Ledger, bank: int) -> list[str]:
    """Look at what a bank holds, and walk through its history once."""
    try:
        ledger.cells(bank)
        for entry in ledger.entries(bank):
            ledger.changes(entry)
    except DamagedError as error:
        return [f"bank {bank}: {error}"]
    return []
