"""The living store: its banks, its desk, and how a console writes to it while it is played."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path

import pytest
from attrs import define

from banks.database import StoreBusyError, StoreError
from banks.history import History, compact, compacting
from banks.keeping import Keeper
from banks.ledger import LEFT_OFF
from banks.store import Store, create_store
from combination.effects import Cause, KeepAsked
from combination.events import ChangeKept, ChangeNotKept
from combination.memory import Bank, Change, Combination, Slot, Step, fresh_bank
from tests.plain_store import PlainConsole, PlainControl, PlainPiston, in_ids
from tests.store_strategies import console_of

STOPS = ("principal", "flute", "oboe")
CHAPEL = PlainConsole(
    "Quay Chapel",
    tuple(PlainControl(name, "Great") for name in STOPS),
    (
        PlainPiston("g1", "general"),
        PlainPiston("g2", "general"),
        PlainPiston("tutti", "full-organ"),
    ),
)
CONSOLE = console_of(CHAPEL)
G1 = Slot("g1", 1)
SIX = datetime(2031, 5, 4, 18, tzinfo=UTC)


@define
class Clock:
    """A clock that stands still until it is put forward, in seconds since 1970."""

    now: float = SIX.timestamp()

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def path(tmp_path: Path) -> Path:
    place = tmp_path / "chapel.store"
    create_store(place)
    return place


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def store(path: Path, clock: Clock) -> Iterator[Store]:
    with Store(path, clock=clock, patience=0) as store:
        yield store


def changed(*controls: PlainControl, name: str = "Quay Chapel") -> PlainConsole:
    """The chapel's console with other stops."""
    return PlainConsole(name, controls, CHAPEL.pistons)


def bank(name: str = "Ruth") -> Bank:
    return fresh_bank(CONSOLE, name)


def on(bank: Bank, slot: Slot = G1) -> set[str] | None:
    """The controls on in one place of a bank."""
    held = bank.get(slot)
    return None if held is None else set(bank.roster.registration(held.on))


def desk_and_owner(store: Store) -> tuple[int | None, int | None]:
    return store.desk, store.owner


def state(keeper: Keeper) -> tuple[StoreError | None, int]:
    return keeper.fault, keeper.waiting


def refused(store: Store, words: str) -> "pytest.RaisesExc[StoreError]":
    """What is refused says so in a sentence that begins with the store's name."""
    return pytest.raises(StoreError, match=f"^{store.name}: {words}$")


# ---------------------------------------------------------------- the store as a file


def test_there_is_nothing_in_a_new_store(store: Store) -> None:
    assert store.players() == []
    assert desk_and_owner(store) == (None, None)
    with refused(store, "there is no bank in it yet that a console could play from"):
        store.switch_on(CONSOLE)


def test_a_store_takes_no_file_s_place(path: Path) -> None:
    before = path.read_bytes()
    with pytest.raises(
        StoreError, match=r"chapel\.store: it is there already, and is left as it is$"
    ):
        create_store(path)
    assert path.read_bytes() == before


def test_a_store_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"chapel\.store: "):
        Store(tmp_path / "chapel.store")
    assert list(tmp_path.iterdir()) == []


def test_what_was_written_is_there_when_it_is_opened_again(path: Path) -> None:
    with Store(path) as store:
        number = store.add(bank())
        with store.edited(number, "edit") as found:
            found.put(G1, Combination(1))
        there = store.load(number)
        store.reopen()
        assert store.load(number) == there
    with Store(path) as again:
        assert again.load(number) == there
    with Store(path, writing=False) as looked_at:
        assert looked_at.load(number) == there
        with pytest.raises(StoreError, match="it can only be read here, not written"):
            looked_at.add(bank("Aidan"))


# ---------------------------------------------------------------- banks


def test_a_bank_is_put_in_and_found_again(store: Store) -> None:
    new = bank()
    new.put(G1, Combination(0b101, 0b10))
    new.put(Slot("tutti"), Combination(0b111))
    new.put(Slot(stage=2), Combination(0b1))
    new.at(3).name, new.at(2).locked, new.at(2).verifier = "Easter", True, b"verifier"
    new.sequences = {"Vespers": (Step(Decimal("1.5"), 1, "g1", "verse"),)}
    new.level, new.sequence, new.place = 2, "Vespers", Decimal("1.5")
    number = store.add(new, by="a file")
    assert store.load(number) == new
    (player,) = store.players()
    assert (player.number, player.name, player.console) == (number, "Ruth", "Quay Chapel")
    assert (player.guest, player.removed, player.changed) == (False, False, SIX)
    (making,) = History(store, number).listed()
    assert (making.entry.number, making.entry.cause, making.entry.by) == (
        player.entry,
        "made",
        "a file",
    )


def test_a_bank_needs_a_name_that_no_other_has(store: Store) -> None:
    ruth = store.add(bank("Ruth"))
    with refused(store, "there is a bank 'Ruth' in it already"):
        store.add(bank("RUTH"))
    with refused(store, "a bank in a store needs a name: the player's"):
        store.add(bank(" "))
    aidan = store.add(bank("Aidan"))
    for name, words in (("ruth", "there is a bank 'Ruth' in it already"), ("", "a bank .*")):
        with refused(store, words), store.edited(aidan, "edit") as found:
            found.name = name
        with refused(store, words):
            store.write(aidan, bank(name), "restore")
    with store.edited(ruth, "edit") as found:
        found.name = "RUTH"
    assert [player.name for player in store.players()] == ["RUTH", "Aidan"]


def test_a_bank_is_found_by_its_name(store: Store) -> None:
    with refused(store, "there is no bank 'Ruth' in it; there is: none yet"):
        store.find("Ruth")
    store.add(bank("Ruth"))
    number = store.add(bank("Straße"))
    assert store.find("STRASSE").number == number
    with refused(store, "there is no bank 'Mae' in it; there is: 'Ruth', 'Straße'"):
        store.find("Mae")


def test_a_bank_that_is_not_there(store: Store) -> None:
    store.add(bank())
    for look in (
        lambda: store.load(2),
        lambda: store.write(2, bank("Aidan"), "restore"),
        lambda: store.update(2, CONSOLE),
        lambda: store.remove(2),
        lambda: store.bring_back(2),
        lambda: store.take_up(2),
        lambda: store.give_to(2),
        lambda: store.set_guest(2, guest=True),
        lambda: Keeper(store, 2, bank()),
        lambda: History(store, 2).taking_back([]),
    ):
        with refused(store, "there is no bank 2 in it"):
            look()
    assert len(store.players()) == 1


def test_a_bank_as_it_was(store: Store) -> None:
    number = store.add(bank())
    entries = []
    for bits in (1, 3, 7):
        new = store.load(number)
        new.put(G1, Combination(bits))
        entries.append(store.write(number, new, "restore"))
    assert [on(store.load(number, entry)) for entry in entries] == [
        {"principal"},
        {"principal", "flute"},
        {"principal", "flute", "oboe"},
    ]
    assert on(store.load(number, 1)) is None
    assert on(store.load(number, 10**6)) == set(STOPS), "after the last it is as it is"
    other = store.add(bank("Aidan"))
    with refused(store, "what the bank was after change 3 is not known: its history begins later"):
        store.load(other, 3)


def test_writing_what_is_there_already_changes_nothing(store: Store) -> None:
    number = store.add(bank())
    assert store.write(number, bank(), "restore") is None
    with store.edited(number, "edit"):
        pass
    assert len(History(store, number).listed(moves=True)) == 1


def test_what_is_written_says_nothing_of_what_the_store_does(store: Store) -> None:
    store.add(bank())
    number = store.add(bank("Aidan"), guest=True)
    store.remove(number)
    store.write(number, fresh_bank(console_of(changed(CHAPEL.controls[0])), "Aidan"), "restore")
    player = store.players()[1]
    assert (player.guest, player.removed) == (True, True)


def test_what_was_changed_by_another_program_is_not_written_over(store: Store) -> None:
    number = store.add(bank())
    looked_at = store.players()[0].entry
    new = store.load(number)
    new.put(G1, Combination(1))
    store.write(number, new, "restore", expected=looked_at)
    with refused(
        store,
        "the bank was changed by another program meanwhile; nothing has been written: look again",
    ):
        store.write(number, bank(), "restore", expected=looked_at)
    assert store.load(number) == new


def test_a_bank_is_written_while_it_is_played(store: Store) -> None:
    """The player moved on meanwhile: that is no reason to refuse, and is not put back."""
    number = store.add(bank())
    looked, entry = store.load(number), store.find("Ruth").entry
    _, seated = store.switch_on(CONSOLE)
    keeper = Keeper(store, number, seated)
    seated.level = 7
    assert keeper.left_off(seated)
    looked.at(3).name = "Advent"
    assert store.write(number, looked, "name-level", expected=entry) is not None
    assert (store.load(number).level, store.load(number).at(3).name) == (7, "Advent")
    looked.level = 9
    assert store.write(number, looked, "restore", expected=store.find("Ruth").entry) is not None
    assert store.load(number).level == 9


def test_an_edit_that_fails_leaves_the_bank_as_it_was(store: Store) -> None:
    number = store.add(bank())
    with pytest.raises(ZeroDivisionError), store.edited(number, "edit") as found:
        found.put(G1, Combination(1 // len(found.levels)))
    with refused(store, "this bank cannot be saved: .*"), store.edited(number, "edit") as found:
        found.put(G1, Combination(0b1000))
    assert store.load(number) == bank()


def test_a_bank_that_is_removed_can_be_brought_back(store: Store) -> None:
    ruth, aidan = store.add(bank()), store.add(bank("Aidan"))
    with refused(store, "the owner's bank cannot be removed: give it to another first"):
        store.remove(ruth)
    store.take_up(aidan)
    store.remove(aidan)
    assert [player.removed for player in store.players()] == [False, True]
    assert store.desk == ruth
    with refused(store, "there is no bank 'Aidan' in it; there is: 'Ruth'"):
        store.find("Aidan")
    for forbidden in (store.take_up, store.give_to):
        with refused(store, "that bank has been removed: bring it back first"):
            forbidden(aidan)
    with refused(store, "that bank has been removed: bring it back first"):
        store.set_guest(aidan, guest=True)
    assert store.load(aidan) == bank("Aidan")
    third = store.add(bank("Aidan"))
    with refused(store, "there is a bank 'Aidan' in it already"):
        store.bring_back(aidan)
    store.remove(third)
    store.bring_back(aidan)
    assert store.find("Aidan").number == aidan
    causes = [making.entry.cause for making in History(store, aidan).listed()]
    assert causes == ["brought back", "removed", "made"]


# ---------------------------------------------------------------- the desk


def test_a_guest_who_is_chosen_at_switch_on_plays_until_switch_off(store: Store) -> None:
    ruth = store.add(bank("Ruth"))
    mae = store.add(bank("Mae"), guest=True)
    assert store.switch_on(CONSOLE, mae)[0] == mae
    assert desk_and_owner(store) == (mae, ruth)
    assert store.switch_on(CONSOLE)[0] == ruth
    store.remove(mae)
    with pytest.raises(StoreError, match="removed"):
        store.switch_on(CONSOLE, mae)


def test_the_first_bank_that_is_no_guest_s_is_the_owner_s(store: Store) -> None:
    guest = store.add(bank("Mae"), guest=True)
    assert desk_and_owner(store) == (None, None)
    ruth = store.add(bank())
    assert desk_and_owner(store) == (ruth, ruth)
    store.add(bank("Aidan"))
    assert desk_and_owner(store) == (ruth, ruth)
    assert [player.guest for player in store.players()] == [True, False, False]
    store.take_up(guest)
    assert desk_and_owner(store) == (guest, ruth)


def test_a_guest_gives_way_to_the_owner_when_the_console_is_switched_on(store: Store) -> None:
    ruth, aidan = store.add(bank()), store.add(bank("Aidan"))
    store.take_up(aidan)
    assert store.switch_on(CONSOLE)[0] == aidan
    store.set_guest(aidan, guest=True)
    assert store.desk == aidan
    assert store.switch_on(CONSOLE)[0] == ruth
    assert store.desk == ruth
    store.take_up(aidan)
    store.set_guest(aidan, guest=False)
    assert store.switch_on(CONSOLE)[0] == aidan
    with refused(store, "the owner is no guest"):
        store.set_guest(ruth, guest=True)


def test_a_guest_plays_where_there_is_no_owner(store: Store) -> None:
    mae = store.add(bank("Mae"), guest=True)
    store.take_up(mae)
    assert store.switch_on(CONSOLE)[0] == mae
    ruth = store.add(bank())
    assert desk_and_owner(store) == (mae, ruth)


def test_the_owner_s_bank_is_given_to_another(store: Store) -> None:
    ruth, mae = store.add(bank()), store.add(bank("Mae"), guest=True)
    store.give_to(mae)
    assert desk_and_owner(store) == (ruth, mae)
    assert [player.guest for player in store.players()] == [False, False]
    store.remove(ruth)
    assert desk_and_owner(store) == (mae, mae)


def test_an_owner_plays_where_nobody_did(store: Store) -> None:
    mae, ruth = (store.add(bank(name), guest=True) for name in ("Mae", "Ruth"))
    store.take_up(mae)
    store.remove(mae)
    assert store.desk is None
    store.give_to(ruth)
    assert store.switch_on(CONSOLE)[0] == ruth


# ---------------------------------------------------------------- a console that changes


def test_what_is_renamed_brings_its_memory_and_its_past_along(store: Store) -> None:
    number = store.add(bank())
    with store.edited(number, "edit") as found:
        found.put(G1, Combination(0b11))
    renamed = changed(
        PlainControl("hohlflute", "Great", was=("flute",)), PlainControl("principal", "Great")
    )
    new = store.update(number, console_of(renamed))
    assert on(new) == {"principal", "hohlflute"}
    assert [card.id for card in new.controls] == ["hohlflute", "principal", "oboe"]
    assert in_ids(store.load(number)) == in_ids(new)
    history = History(store, number)
    assert [card.id for card in history.names().controls] == ["principal", "hohlflute", "oboe"]
    assert [entry.cause for entry, _ in history.past(G1)] == ["edit"]
    making = history.listed()[0]
    assert (making.entry.cause, making.entry.by) == ("console", "Quay Chapel")


def test_what_a_console_has_no_more_comes_back_with_it(store: Store) -> None:
    number = store.add(bank())
    with store.edited(number, "edit") as found:
        found.put(G1, Combination(0b111))
    store.update(number, console_of(changed(PlainControl("flute", "Great"))))
    assert on(store.load(number)) == set(STOPS)
    assert on(store.update(number, CONSOLE)) == set(STOPS)


def test_a_console_file_that_is_taken_back_finds_its_memory(store: Store) -> None:
    """A stop is renamed, and then the former file is used again, which knows nothing of that."""
    number = store.add(bank())
    with store.edited(number, "set") as kept:
        kept.put(G1, Combination(0b10))
    principal, _, oboe = CHAPEL.controls
    renamed = changed(principal, PlainControl("hohlflute", "Great", was=("flute",)), oboe)
    assert on(store.update(number, console_of(renamed))) == {"hohlflute"}
    assert on(store.load(number, console=CONSOLE)) == {"flute"}
    assert on(store.update(number, CONSOLE)) == {"flute"}
    assert len(History(store, number).names().controls) == 3


def test_a_backup_fits_that_was_made_while_a_stop_was_called_otherwise(store: Store) -> None:
    number = store.add(bank())
    with store.edited(number, "set") as kept:
        kept.put(G1, Combination(0b10))
    principal, _, oboe = CHAPEL.controls
    renamed = changed(principal, PlainControl("hohlflute", "Great", was=("flute",)), oboe)
    backup = store.update(number, console_of(renamed))
    store.update(number, CONSOLE)
    found = store.as_called_now(number, backup)
    assert on(found) == {"flute"}
    assert in_ids(store.as_called_now(number, found)) == in_ids(found)
    stranger = fresh_bank(console_of(changed(PlainControl("tuba", "Great"))), "Emil")
    assert in_ids(store.as_called_now(number, stranger)) == in_ids(stranger)


def test_a_moment_from_before_a_renaming_is_restored_as_the_same_thing(store: Store) -> None:
    number = store.add(bank())
    with store.edited(number, "edit") as found:
        found.put(G1, Combination(0b11))
    renamed = console_of(changed(PlainControl("hohlflute", "Great", was=("flute",))))
    old = store.load(number)
    store.update(number, renamed)
    store.write(number, old, "restore")
    assert in_ids(store.load(number)) == in_ids(old)
    assert on(store.update(number, renamed)) == {"principal", "hohlflute"}
    assert len(History(store, number).names().controls) == 3
    assert len(History(store, number).past(G1)) == 1


def test_what_made_an_update_can_be_said(store: Store) -> None:
    number = store.add(bank())
    store.update(number, console_of(changed(PlainControl("flute", "Great"))), by="the workshop")
    assert History(store, number).listed()[0].entry.by == "the workshop"


# ---------------------------------------------------------------- while a console is played


def ask(number: int, bits: int | None, slot: Slot = G1) -> KeepAsked:
    after = None if bits is None else Combination(bits)
    return KeepAsked(number, Change(slot, None, after), Cause.SET, slot.piston)


@pytest.fixture
def ruth(store: Store) -> int:
    """The number of the bank on the desk."""
    return store.add(bank())


@pytest.fixture
def keeper(store: Store, ruth: int) -> Keeper:
    number, seated = store.switch_on(CONSOLE)
    assert number == ruth
    return Keeper(store, number, seated)


def test_a_set_is_acknowledged_when_it_is_written(
    store: Store, ruth: int, keeper: Keeper, clock: Clock
) -> None:
    clock.now += 60
    assert keeper.keep(ask(1, 0b11)) == [ChangeKept(1)]
    assert state(keeper) == (None, 0)
    assert on(store.load(ruth)) == {"principal", "flute"}
    entry = History(store, ruth).listed()[0].entry
    assert (entry.cause, entry.by, entry.at.timestamp()) == ("set", "g1", clock.now)
    assert keeper.keep(ask(2, None)) == [ChangeKept(2)]
    assert on(store.load(ruth)) is None
    for number, slot in ((3, Slot("tutti")), (4, Slot(stage=1))):
        assert keeper.keep(ask(number, 0b100, slot)) == [ChangeKept(number)]
        assert on(store.load(ruth), slot) == {"oboe"}
    assert History(store, ruth).listed()[0].entry.by == ""


def test_a_set_that_changes_nothing_is_acknowledged(
    store: Store, ruth: int, keeper: Keeper
) -> None:
    keeper.keep(ask(1, 0b11))
    assert keeper.keep(ask(2, 0b11)) == [ChangeKept(2)]
    assert len(History(store, ruth).listed()) == 2


def test_what_cannot_be_written_waits(
    path: Path, store: Store, ruth: int, keeper: Keeper, clock: Clock
) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        clock.now += 60
        assert keeper.keep(ask(1, 0b1)) == [ChangeNotKept(1)]
        assert isinstance(keeper.fault, StoreBusyError)
        clock.now += 60
        assert keeper.keep(ask(2, 0b11, Slot("g2", 1))) == [ChangeNotKept(2)]
        assert keeper.retry() == []
        assert keeper.waiting == 2
    clock.now += 60
    assert keeper.retry() == [ChangeKept(1), ChangeKept(2)]
    assert state(keeper) == (None, 0)
    assert keeper.retry() == []
    assert on(store.load(ruth)) == {"principal"}
    first, second = History(store, ruth).listed()[1::-1]
    assert first.entry.at.timestamp() == clock.now - 120, "when it was made, not when written"
    assert second.entry.at.timestamp() == clock.now - 60


def test_what_waits_is_written_with_the_next_set(
    path: Path, store: Store, ruth: int, keeper: Keeper
) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        assert keeper.keep(ask(1, 0b1)) == [ChangeNotKept(1)]
    assert keeper.keep(ask(2, 0b10)) == [ChangeKept(1), ChangeKept(2)]
    assert on(store.load(ruth)) == {"flute"}


def test_where_the_player_left_off_is_written_when_it_is_elsewhere(
    path: Path, store: Store, ruth: int, keeper: Keeper
) -> None:
    there = store.load(ruth)
    assert keeper.left_off(there)
    assert len(History(store, ruth).listed(moves=True)) == 1
    there.level = 2
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        assert not keeper.left_off(there)
        assert isinstance(keeper.fault, StoreBusyError)
    assert keeper.left_off(there)
    assert state(keeper) == (None, 0)
    assert store.load(ruth).level == 2
    history = History(store, ruth)
    assert [making.entry.cause for making in history.listed()] == ["made"]
    assert [making.entry.cause for making in history.listed(moves=True)] == [LEFT_OFF, "made"]


def test_a_fault_stays_while_a_set_waits(path: Path, store: Store, keeper: Keeper) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        keeper.keep(ask(1, 0b1))
    there = store.load(1)
    there.level = 2
    assert keeper.left_off(there)
    assert isinstance(keeper.fault, StoreBusyError)
    assert keeper.retry() == [ChangeKept(1)]


# Another program changes the bank while it is played.


def without(*names: str) -> PlainConsole:
    """The chapel's console without some of its controls and pistons."""
    return PlainConsole(
        "Quay Chapel",
        tuple(each for each in CHAPEL.controls if each.id not in names),
        tuple(each for each in CHAPEL.pistons if each.id not in names),
    )


def restored_without(store: Store, number: int, *names: str) -> None:
    store.write(number, fresh_bank(console_of(without(*names)), "Ruth"), "restore")


def test_what_is_set_has_its_control_and_its_piston_again(
    store: Store, ruth: int, keeper: Keeper
) -> None:
    restored_without(store, ruth, "flute", "g1", "g2")
    elsewhere = bank()
    elsewhere.level = 2
    assert keeper.left_off(elsewhere)
    assert keeper.keep(ask(1, 0b11)) == [ChangeKept(1)]
    assert keeper.keep(ask(2, 0b10, Slot("g2", 1))) == [ChangeKept(2)]
    found = store.load(ruth)
    assert on(found) == {"principal", "flute"}
    assert on(found, Slot("g2", 1)) == {"flute"}
    assert found.pistons["g1"].affects == 0b111
    causes = [making.entry.cause for making in History(store, ruth).listed()]
    assert causes == ["set", "console", "set", "console", "restore", "made"]


def test_what_was_renamed_meanwhile_is_set_under_its_new_name(
    store: Store, ruth: int, keeper: Keeper
) -> None:
    store.update(ruth, console_of(changed(PlainControl("hohlflute", "Great", was=("flute",)))))
    keeper.keep(ask(1, 0b11))
    assert on(store.load(ruth)) == {"principal", "hohlflute"}


def test_what_has_the_name_of_what_is_gone_is_set_in_its_place(
    store: Store, ruth: int, keeper: Keeper
) -> None:
    restored_without(store, ruth, "flute", "g1")
    console = PlainConsole(
        "Quay Chapel",
        (PlainControl("flute", "Great", was=("principal",)),),
        (PlainPiston("g1", "general", was=("g2",)),),
    )
    store.update(ruth, console_of(console))
    keeper.keep(ask(1, 0b10))
    found = store.load(ruth)
    assert on(found) == {"flute"}
    assert sorted(found.roster.ids) == ["flute", "oboe"]
    assert sorted(found.pistons) == ["g1", "tutti"]


def test_sets_are_not_written_into_another_store_of_the_same_name(
    path: Path, keeper: Keeper
) -> None:
    others = path.with_name("others.store")
    create_store(others)
    with Store(others) as other:
        other.add(fresh_bank(CONSOLE, "Emil"))
        before = in_ids(other.load(1))
    others.replace(path)
    for number in (1, 2):
        assert keeper.keep(ask(number, 0b1)) == [ChangeNotKept(number)]
    assert "another store stands in its place" in str(keeper.fault)
    with Store(path) as other:
        assert in_ids(other.load(1)) == before


def test_a_set_goes_on_after_another_program_compacted(
    path: Path, clock: Clock, keeper: Keeper
) -> None:
    with Store(path, clock=clock) as other:
        with other.edited(1, "name-level") as bank:
            bank.at(3).name = "Advent"
        compact(other, compacting(other, datetime(2040, 1, 1, tzinfo=UTC)))
    assert keeper.keep(ask(1, 0b1)) == [ChangeKept(1)]
