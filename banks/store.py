"""The living store: the banks of a console's players in one file, and all that they ever were.

Here is what there is in a store and who may play from it; the tables are in `banks.ledger`. What
can be done with the past is in `banks.history`, how a console writes while it is played in
`banks.keeping`, how the file is kept in `banks.database`.
"""

import os
import time
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence, Set
from contextlib import contextmanager
from datetime import datetime
from decimal import Decimal

import msgpack
from attrs import evolve, frozen

from banks.bankfile import BankFile, BankFileError, encode
from banks.cells import (
    OF_THE_STORE,
    CellError,
    Key,
    Kind,
    Numbering,
    cells_of,
    id_of,
    packed_place,
    value_of,
)
from banks.database import PATIENCE, Database, StoreDamagedError, StoreError, make
from banks.ledger import LEFT_OFF, Lasts, Ledger, LedgerError
from banks.limits import flaw
from banks.tables import APPLICATION, SCHEMA, VERSION, DamagedError
from combination.memory import Bank, Renames, called, renames, seat
from combination.model import Console

MADE = "made"
REMOVED = "removed"
BROUGHT_BACK = "brought back"
GUEST = "guest"
CONSOLE = "console"
"""What made an entry, where it was the store itself."""

_YES = bytes(msgpack.packb(True))


@frozen
class Player:
    """A bank in a store: its number there, its name, and what the store says of it.

    ``guest`` banks give way to the owner's at switch-off. ``removed`` ones are out of sight, and
    can be brought back. ``entry`` is the number of the last change of the bank, ``changed`` when
    that was.
    """

    number: int
    name: str
    console: str
    guest: bool
    removed: bool
    entry: int
    changed: datetime


def create_store(path: str | os.PathLike[str]) -> None:
    """Write a new store, in which there is no bank yet.

    Raises:
        StoreError: if it cannot be written there, or there is a file already.
    """
    make(path, SCHEMA, APPLICATION, VERSION)


class Store:
    """A store, open: to be closed, or used in a ``with`` block.

    Every call raises `StoreError` if the file cannot be read or written, or is damaged; what was
    in it before is in it still.
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        *,
        writing: bool = True,
        patience: float = PATIENCE,
        clock: Callable[[], float] = time.time,
    ) -> None:
        """Open a store that is there. Without ``writing`` nothing of the file is changed.

        ``patience`` is for how many seconds another program that writes is waited for; the
        ``clock`` says the time in seconds since 1970.

        Raises:
            StoreError: if it cannot be opened, or is not a store that this program knows.
        """
        self._path, self._writing, self._patience = path, writing, patience
        self.clock = clock
        self._known: Lasts | None = None
        self._others: int | None = None
        self.database = self._opened()

    def _opened(self) -> Database:
        return Database(
            self._path,
            SCHEMA,
            APPLICATION,
            VERSION,
            writing=self._writing,
            patience=self._patience,
        )

    def close(self) -> None:
        """Close it. What was written is there already."""
        self.database.close()

    def reopen(self) -> None:
        """Open it again, by its name, after a fault.

        Raises:
            StoreError: if it cannot be opened.
        """
        self.database.close()
        self._known = None
        self.database = self._opened()

    def __enter__(self) -> "Store":
        """Use it in a block, and close it then."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close it."""
        self.close()

    @property
    def name(self) -> str:
        """The file's name, as messages give it."""
        return self.database.name

    @contextmanager
    def reading(self) -> Iterator[Ledger]:
        """The tables, as they are at this moment, for a block.

        Raises:
            StoreError: for whatever the block finds not there, or damaged.
        """
        with self.database.reading() as db:
            try:
                yield Ledger(db)
            except (CellError, DamagedError, LedgerError) as error:
                raise self._told(error) from None

    @contextmanager
    def writing(self) -> Iterator[Ledger]:
        """The tables, for a block whose changes are kept whole, or after an error not at all.

        No other program writes meanwhile: the block is to be short.

        Raises:
            StoreError: for whatever the block finds not there, or damaged.
        """
        with self.database.writing() as db:
            others = self.database.others()
            ledger = Ledger(db, self._known if self._others == others else None)
            self._known = None
            try:
                yield ledger
            except (CellError, DamagedError, LedgerError) as error:
                raise self._told(error) from None
        self._known, self._others = ledger.known, others

    def _told(self, error: CellError | DamagedError | LedgerError) -> StoreError:
        """What is wrong inside, in a sentence that begins with the store's name."""
        if isinstance(error, LedgerError):
            return StoreError(f"{self.name}: {error}")
        return StoreDamagedError(f"{self.name}: it is damaged: {error}")

    # ------------------------------------------------------------ the banks in it

    def players(self) -> list[Player]:
        """All banks, removed ones too, in the order in which they came."""
        with self.reading() as ledger:
            return _players(ledger)

    def find(self, name: str) -> Player:
        """The bank of that name, upper and lower case being the same; none that is removed.

        Raises:
            StoreError: if there is none.
        """
        here = [player for player in self.players() if not player.removed]
        for player in here:
            if player.name.casefold() == name.casefold():
                return player
        names = ", ".join(repr(player.name) for player in here) or "none yet"
        raise StoreError(f"{self.name}: there is no bank {name!r} in it; there is: {names}")

    def load(self, bank: int, entry: int | None = None, *, console: Console | None = None) -> Bank:
        """A bank as it is, or as it was after an entry.

        With a console, what that calls by an id that it had before in this store is called so:
        if a console file is taken back, what it had renamed is not lost to it.

        Raises:
            StoreError: if there was no such bank then.
        """
        with self.reading() as ledger:
            found = ledger.load(bank, entry)
            return (
                found if console is None else called(found, _former(ledger, bank, found, console))
            )

    def as_called_now(self, bank: int, other: Bank) -> Bank:
        """Another bank, by the ids that this one has now for what it once called as that does.

        So a backup fits that was made while a stop or a piston was called otherwise.
        """
        with self.reading() as ledger:
            cards = [(key, id_of(value)) for key, value, there in ledger.cards(bank) if there]

            def found(kind: Kind, names: Collection[str]) -> dict[str, str]:
                here = [(key, name) for key, name in cards if key.kind == kind]
                unknown = set(names) - {name for _, name in here}
                others = [(key, name) for key, name in here if name not in names]
                once = _once_called(ledger, bank, others, unknown)
                return {former: now for now, former in once.items()}

            controls = found(Kind.CONTROL, [card.id for card in other.controls])
            return called(other, Renames(controls, found(Kind.PISTON, other.pistons)))

    def add(self, bank: Bank, *, guest: bool = False, by: str = "") -> int:
        """Put a new bank into the store: its number there. The first is the owner's.

        Raises:
            StoreError: if it has no name, or another has that name.
        """
        with self.writing() as ledger:
            _check(ledger, None, bank)
            number = ledger.new_bank()
            new: dict[Key, bytes | None] = {**cells_of(bank, Numbering())}
            if guest:
                new[Key(Kind.GUEST)] = _YES
            self._put(ledger, number, new, MADE, by)
            if not guest:
                desk, owner = ledger.desk()
                ledger.lay(desk or number, owner or number)
            return number

    def write(
        self,
        bank: int,
        new: Bank,
        cause: str,
        by: str = "",
        *,
        expected: int | None = None,
        console: Console | None = None,
    ) -> int | None:
        """Let a bank be as given: the entry's number, or None if nothing of it is different.

        ``expected`` is the entry after which the caller looked at the bank; where the player has
        left off since then stays, unless the bank given says another place than it did. If the
        bank given is seated on a ``console``, what that renamed keeps its number, and so its past.

        Raises:
            StoreError: if it has no name or another's, or was changed since ``expected``.
        """
        with self.writing() as ledger:
            if expected is not None:
                check_unchanged(ledger, bank, expected)
                new = _where_left_off(ledger, bank, new, expected)
            renamed = () if console is None else _known_to(ledger, bank, console)[1]
            return self._write(ledger, bank, new, cause, by, renamed)

    @contextmanager
    def edited(self, bank: int, cause: str, by: str = "") -> Iterator[Bank]:
        """A bank to be changed in a block, and written after it, unless an error leaves it.

        No other program writes meanwhile: the block is to be short.
        """
        with self.writing() as ledger:
            found = ledger.load(bank)
            yield found
            self._write(ledger, bank, found, cause, by)

    def update(self, bank: int, console: Console, by: str = "") -> Bank:
        """A bank brought up to date with its console, as `combination.memory.seat` does.

        What the console renamed keeps its number, and so its past; so does what it calls as it
        was called before, if its file was taken back.
        """
        with self.writing() as ledger:
            found, renamed = _known_to(ledger, bank, console)
            seated = seat(found, console)
            self._write(ledger, bank, seated, CONSOLE, by or console.name, renamed)
            return seated

    def remove(self, bank: int, by: str = "") -> None:
        """Put a bank out of sight. It keeps everything, and can be brought back.

        Raises:
            StoreError: if it is the owner's.
        """
        with self.writing() as ledger:
            desk, owner = ledger.desk()
            if owner == bank:
                raise LedgerError("the owner's bank cannot be removed: give it to another first")
            self._put(ledger, bank, {Key(Kind.REMOVED): _YES}, REMOVED, by)
            if desk == bank:
                ledger.lay(owner, owner)

    def bring_back(self, bank: int, by: str = "") -> None:
        """Bring back a bank that was removed.

        Raises:
            StoreError: if another has its name now.
        """
        with self.writing() as ledger:
            check_name(ledger, bank, ledger.load(bank).name)
            self._put(ledger, bank, {Key(Kind.REMOVED): None}, BROUGHT_BACK, by)

    # ------------------------------------------------------------ the desk

    @property
    def desk(self) -> int | None:
        """The bank that the console plays from; None if there is none yet."""
        with self.reading() as ledger:
            return ledger.desk()[0]

    @property
    def owner(self) -> int | None:
        """The bank that guests give way to; None if there is none yet."""
        with self.reading() as ledger:
            return ledger.desk()[1]

    def take_up(self, bank: int) -> None:
        """Let the console play from a bank, until another is taken up.

        Raises:
            StoreError: if it is removed.
        """
        with self.writing() as ledger:
            _check_here(ledger, bank)
            ledger.lay(bank, ledger.desk()[1])

    def give_to(self, bank: int) -> None:
        """Let a bank be the owner's, and no guest's.

        Raises:
            StoreError: if it is removed.
        """
        with self.writing() as ledger:
            _check_here(ledger, bank)
            self._put(ledger, bank, {Key(Kind.GUEST): None}, GUEST, "")
            ledger.lay(ledger.desk()[0] or bank, bank)

    def set_guest(self, bank: int, guest: bool) -> None:
        """Say whether a bank is a guest's.

        Raises:
            StoreError: if it is removed, or the owner's.
        """
        with self.writing() as ledger:
            _check_here(ledger, bank)
            if guest and ledger.desk()[1] == bank:
                raise LedgerError("the owner is no guest")
            self._put(ledger, bank, {Key(Kind.GUEST): _YES if guest else None}, GUEST, "")

    def switch_on(self, console: Console, chosen: int | None = None) -> tuple[int, Bank]:
        """The bank that the console plays from now, seated on it: its number, and the bank.

        It is the one that is ``chosen``, or that was on the desk at switch-off; in a guest's
        place comes the owner's then.

        Raises:
            StoreError: if there is no bank, or the one that is chosen is removed.
        """
        with self.writing() as ledger:
            bank, owner = ledger.desk()
            if chosen is not None:
                _check_here(ledger, chosen)
                ledger.lay(chosen, owner)
                bank = chosen
            elif bank is None:
                raise LedgerError("there is no bank in it yet that a console could play from")
            elif ledger.has(bank, Key(Kind.GUEST)) and owner is not None:
                bank = owner
                ledger.lay(owner, owner)
        return bank, self.update(bank, console)

    # ------------------------------------------------------------ writing

    def _put(
        self,
        ledger: Ledger,
        bank: int,
        values: Mapping[Key, bytes | None],
        cause: str,
        by: str,
    ) -> int | None:
        return ledger.put(bank, values, cause, by, self.clock())

    def _write(
        self,
        ledger: Ledger,
        bank: int,
        new: Bank,
        cause: str,
        by: str,
        renamed: Sequence[Renames] = (),
    ) -> int | None:
        _check(ledger, bank, new)
        cards = ledger.cards(bank)
        numbering = Numbering.of(cards)
        for each in renamed:
            numbering.rename(each)
        if not renamed and not numbering.knows_all_of(new):
            here = (key for key, _, present in cards if present)
            numbering.recall(ledger.former_cards(bank, here), new)
        before, after = ledger.cells(bank), cells_of(new, numbering)
        differing = {
            key: after.get(key)
            for key in (*after, *(key for key in before if key not in after))
            if before.get(key) != after.get(key) and key.kind not in OF_THE_STORE
        }
        return self._put(ledger, bank, differing, cause, by)


def _known_to(ledger: Ledger, bank: int, console: Console) -> tuple[Bank, Sequence[Renames]]:
    """A bank by the ids that a console has or had for it; and what is renamed, in that order."""
    present = ledger.load(bank)
    former = _former(ledger, bank, present, console)
    found = called(present, former)
    return found, (former, renames(found, console))


def _former(ledger: Ledger, bank: int, present: Bank, console: Console) -> Renames:
    """What a console calls as it was called at some time before: present ids to those."""
    by_was = renames(present, console)
    cards = [(key, id_of(value)) for key, value, there in ledger.cards(bank) if there]

    def found(kind: Kind, here: Collection[str], known: set[str], was: Set[str]) -> dict[str, str]:
        gone = [
            (key, name)
            for key, name in cards
            if key.kind == kind and name not in here and name not in was
        ]
        return _once_called(ledger, bank, gone, set(here) - known)

    stepped = {step.piston for steps in present.sequences.values() for step in steps}
    controls = {card.id for card in present.controls} | set(by_was.controls.values())
    pistons = set(present.pistons) | stepped | set(by_was.pistons.values())
    return Renames(
        found(Kind.CONTROL, [c.id for c in console.controls], controls, by_was.controls.keys()),
        found(Kind.PISTON, [p.id for p in console.pistons], pistons, by_was.pistons.keys()),
    )


def _once_called(
    ledger: Ledger, bank: int, cards: Iterable[tuple[Key, str]], wanted: set[str]
) -> dict[str, str]:
    """Of cards and their present ids, those that had an id that is wanted, with the last such."""
    found: dict[str, str] = {}
    for key, name in cards:
        past = ledger.past(bank, key) if wanted - set(found.values()) else ()
        ids = (id_of(changed.before) for changed in past if changed.before is not None)
        former = next((each for each in ids if each in wanted - set(found.values())), None)
        if former is not None:
            found[name] = former
    return found


def check_unchanged(ledger: Ledger, bank: int, expected: int) -> None:
    """That a bank is as it was after the entry that somebody looked at it after.

    That the player has moved to another place meanwhile, as at a console being played, counts
    for nothing.
    """
    if any(entry.cause != LEFT_OFF for entry in ledger.entries(bank, expected + 1)):
        raise LedgerError(
            "the bank was changed by another program meanwhile; nothing has been written: "
            "look again"
        )


def _where_left_off(ledger: Ledger, bank: int, new: Bank, expected: int) -> Bank:
    """A bank that says where the player is now, if it says where the player was then."""
    then, now = ledger.place(bank, expected), ledger.place(bank)
    if then == now or packed_place(new) != then:
        return new
    level, sequence, place = value_of(Key(Kind.PLACE), now)
    return evolve(new, level=level, sequence=sequence, place=Decimal(place))


def check_name(ledger: Ledger, bank: int | None, name: str) -> None:
    """That a bank has a name, and one that no other bank in the store has."""
    if not name.strip():
        raise LedgerError("a bank in a store needs a name: the player's")
    for player in _players(ledger):
        same = player.name.casefold() == name.casefold()
        if same and player.number != bank and not player.removed:
            raise LedgerError(f"there is a bank {player.name!r} in it already")


def _check(ledger: Ledger, bank: int | None, new: Bank) -> None:
    """That a bank can be read again, saved in a bank file, and told from the others."""
    try:
        encode(BankFile(new))
    except BankFileError as error:
        raise LedgerError(str(error)) from None
    check_name(ledger, bank, new.name)


def _check_here(ledger: Ledger, bank: int) -> None:
    ledger.last(bank)
    if ledger.has(bank, Key(Kind.REMOVED)):
        raise LedgerError("that bank has been removed: bring it back first")


def check_desk(ledger: Ledger, bank: int) -> None:
    """That the owner's bank is neither a guest's nor removed, and none that is is on the desk."""
    removed = ledger.has(bank, Key(Kind.REMOVED))
    desk, owner = ledger.desk()
    if owner == bank and (removed or ledger.has(bank, Key(Kind.GUEST))):
        raise LedgerError("the owner's bank is no guest's, nor removed: give it to another first")
    if removed and desk == bank:
        ledger.lay(owner, owner)


def _players(ledger: Ledger) -> list[Player]:
    found = []
    for number in ledger.banks():
        cells = ledger.marks(number)
        if Kind.NAME not in cells or Kind.CONSOLE not in cells:
            raise DamagedError(f"bank {number} is not whole")
        found.append(
            Player(
                number,
                _text(Kind.NAME, cells),
                _text(Kind.CONSOLE, cells),
                Kind.GUEST in cells,
                Kind.REMOVED in cells,
                ledger.last(number),
                ledger.changed(number),
            )
        )
    return found


def _text(kind: Kind, cells: Mapping[int, bytes]) -> str:
    found = value_of(Key(kind), cells[kind])
    if not isinstance(found, str) or flaw(found):
        raise DamagedError("a name in it is no text that can be shown")
    return found
