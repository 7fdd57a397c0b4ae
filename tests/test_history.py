"""What a bank in a store was: looked back at, taken back, compacted, and found sound or not."""

import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from attrs import define

from banks.cells import Kind, value_of
from banks.database import StoreError
from banks.history import (
    TAKEN_BACK,
    Dropped,
    History,
    compact,
    compacting,
    faults,
    numbers_in_words,
)
from banks.ledger import LEFT_OFF
from banks.store import Store, create_store
from banks.tables import COMPACTED
from combination.memory import Combination, Slot, fresh_bank
from tests.plain_store import PlainConsole, PlainControl, PlainPiston, in_ids
from tests.store_strategies import bank_of, console_of

CHAPEL = PlainConsole(
    "Quay Chapel",
    tuple(PlainControl(name, "Great") for name in ("principal", "flute", "oboe")),
    (
        PlainPiston("g1", "general"),
        PlainPiston("g2", "general"),
        PlainPiston("tutti", "full-organ"),
    ),
)
CONSOLE = console_of(CHAPEL)
SIX = datetime(2031, 5, 4, 18, tzinfo=UTC)
G1, G2, TUTTI = Slot("g1", 1), Slot("g2", 1), Slot("tutti")


@define
class Evening:
    """A store with one bank, made at six, and its past; each change comes a minute later."""

    store: Store
    minutes: int = 0

    @property
    def history(self) -> History:
        return History(self.store, 1)

    def clock(self) -> float:
        return after(self.minutes).timestamp()

    def let(self, slot: Slot, bits: int | None, bank: int = 1) -> int:
        """Let a place hold something: the number of the entry."""
        self.minutes += 1
        found = self.store.load(bank)
        found.put(slot, None if bits is None else Combination(bits))
        entry = self.store.write(bank, found, "set", slot.piston or "")
        assert entry is not None
        return entry

    def edit(self, **about: object) -> int:
        """Let a bank's own name, lock or place be otherwise: the number of the entry."""
        self.minutes += 1
        with self.store.edited(1, "edit") as found:
            for what, held in about.items():
                setattr(found, what, held)
        return self.history.listed(most=1)[0].entry.number

    def on(self, slot: Slot = G1, entry: int | None = None) -> set[str] | None:
        bank = self.store.load(1, entry)
        held = bank.get(slot)
        return None if held is None else set(bank.roster.registration(held.on))

    def take_back(self, *entries: int, later_too: bool = False) -> int | None:
        self.minutes += 1
        return self.history.take_back(self.history.taking_back(entries, later_too=later_too))

    def refused(self, words: str) -> "pytest.RaisesExc[StoreError]":
        return pytest.raises(StoreError, match=f"^{re.escape(f'{self.store.name}: {words}')}$")


def after(minutes: float) -> datetime:
    return SIX + timedelta(minutes=minutes)


@pytest.fixture
def evening(tmp_path: Path) -> Iterator[Evening]:
    place = tmp_path / "chapel.store"
    create_store(place)
    with Store(place) as store:
        evening = Evening(store)
        store.clock = evening.clock
        store.add(fresh_bank(CONSOLE, "Ruth"))
        yield evening


# ---------------------------------------------------------------- looking back


def test_changes_are_listed_the_newest_first(evening: Evening) -> None:
    first, second = evening.let(G1, 0b1), evening.let(G1, 0b11)
    listed = evening.history.listed()
    assert [making.entry.number for making in listed] == [second, first, 1]
    assert [making.entry.cause for making in listed] == ["set", "set", "made"]
    assert [making.entry.by for making in listed] == ["g1", "g1", ""]
    assert [making.entry.at for making in listed] == [after(2), after(1), SIX]
    (changed,) = listed[0].changes
    assert (changed.entry, changed.base) == (second, False)
    assert changed.before is not None
    assert changed.after is not None
    assert value_of(changed.key, changed.before) == Combination(0b1)
    assert value_of(changed.key, changed.after) == Combination(0b11)
    assert evening.history.names().slot(changed.key) == G1
    assert evening.history.names().on(0b11) == evening.store.load(1).controls[:2]
    assert evening.history.entry(second) == listed[0]


def test_changes_between_two_times_are_listed(evening: Evening) -> None:
    one, two, three = (evening.let(G1, bits) for bits in (1, 2, 3))

    def numbers(*times: datetime | None, most: int | None = None) -> list[int]:
        return [making.entry.number for making in evening.history.listed(*times, most=most)]

    assert numbers(after(1)) == [three, two], "after the one time"
    assert numbers(after(1), after(2)) == [two], "and up to the other"
    assert numbers(None, after(1)) == [one, 1]
    assert numbers(None, SIX - timedelta(seconds=1)) == []
    assert numbers(after(3)) == []
    assert numbers(most=2) == [three, two]
    assert numbers(most=0) == []


def test_moves_of_the_place_are_listed_only_when_they_are_asked_for(evening: Evening) -> None:
    one = evening.let(G1, 1)
    with evening.store.edited(1, LEFT_OFF) as bank:
        bank.level = 2
    assert [making.entry.number for making in evening.history.listed(most=1)] == [one]
    moves = evening.history.listed(most=1, moves=True)
    assert [(m.entry.cause, [c.key.kind for c in m.changes]) for m in moves] == [
        (LEFT_OFF, [Kind.PLACE])
    ]


def test_the_bank_at_a_time(evening: Evening) -> None:
    one, two = evening.let(G1, 1), evening.let(G1, 2)
    history = evening.history
    assert [history.after(after(m)) for m in (0, 0.5, 1, 1.5, 2, 99)] == [1, 1, one, one, two, two]
    assert (history.at(1), history.at(one), history.at(two)) == (SIX, after(1), after(2))
    assert history.at(10**6) == after(2)
    with evening.refused("the history of this bank begins later than that"):
        history.after(SIX - timedelta(seconds=1))


def test_a_clock_that_was_behind(evening: Evening) -> None:
    """It stood at five for a while, and all that was done then came after six all the same."""
    evening.minutes = -60
    behind = evening.let(G1, 1)
    evening.minutes = 30
    put_right = evening.let(G1, 2)
    history = evening.history
    assert history.after(SIX) == history.after(after(29)) == behind
    assert history.after(after(31)) == put_right
    assert [m.entry.number for m in history.listed(SIX)] == [put_right]
    with evening.refused("the history of this bank begins later than that"):
        history.after(after(-50))


def test_what_is_not_in_the_history(evening: Evening) -> None:
    other = evening.store.add(fresh_bank(CONSOLE, "Aidan"))
    with evening.refused("this bank has no change 2"):
        evening.history.entry(2)
    with evening.refused("this bank has no change 1"):
        History(evening.store, other).entry(1)
    with evening.refused("what the bank was after change 0 is not known: its history begins later"):
        evening.history.at(0)


def test_the_past_of_one_place(evening: Evening) -> None:
    one, _, three = evening.let(G1, 1), evening.let(G2, 2), evening.let(G1, None)
    past = evening.history.past(G1)
    assert [(entry.number, changed.entry) for entry, changed in past] == [
        (three, three),
        (one, one),
    ]
    assert [changed.after is None for _, changed in past] == [True, False]
    assert [changed.before is None for _, changed in past] == [False, True]
    assert evening.history.past(Slot("g1", 2)) == []
    assert evening.history.past(Slot("unheard of", 1)) == []
    stage = evening.let(Slot(stage=1), 1)
    assert [entry.number for entry, _ in evening.history.past(Slot(stage=1))] == [stage]


def test_the_past_of_a_piston(evening: Evening) -> None:
    """At all levels together, or as a full organ; and under all the names that it had."""
    one, two = evening.let(G1, 1), evening.let(Slot("g1", 9), 2)
    full = evening.let(TUTTI, 3)
    renamed = PlainPiston("solo", "general", was=("g1",))
    evening.store.update(1, console_of(PlainConsole("Quay Chapel", CHAPEL.controls, (renamed,))))
    three = evening.let(Slot("solo", 1), 4)
    pasts = evening.history.pasts
    assert [entry.number for entry, _ in pasts("solo")] == [three, two, one]
    assert [entry.number for entry, _ in pasts("tutti")] == [full]
    assert pasts("g1") == pasts("g2") == []


def test_a_moment_shows_the_names_of_that_moment(evening: Evening) -> None:
    one = evening.let(G1, 0b10)
    console = PlainConsole(
        "Quay Chapel",
        (PlainControl("hohlflute", "Great", was=("flute",)),),
        (PlainPiston("solo", "general", was=("g1",)),),
    )
    evening.store.update(1, console_of(console))
    assert evening.on(Slot("solo", 1)) == {"hohlflute"}
    assert evening.on(G1, one) == {"flute"}


def restored(evening: Evening, *pistons: PlainPiston) -> None:
    """The bank becomes an empty one of a console with other pistons."""
    console = console_of(PlainConsole("Quay Chapel", CHAPEL.controls, pistons))
    evening.store.write(1, fresh_bank(console, "Ruth"), "restore")


def test_of_two_that_were_called_so_the_later_comes_back(evening: Evening) -> None:
    evening.let(G1, 0b1)
    evening.let(G2, 0b10)
    second = CHAPEL.pistons[1]
    restored(evening, second)
    called_so = PlainPiston("g1", "general", was=("g2",))
    evening.store.update(1, console_of(PlainConsole("Quay Chapel", CHAPEL.controls, (called_so,))))
    restored(evening)
    restored(evening, CHAPEL.pistons[0])
    evening.let(G1, 0b100)
    past = [changed for _, changed in evening.history.past(G1)]
    held = [value_of(each.key, each.after).on for each in past if each.after is not None]
    assert held == [0b100, 0b10]


def test_what_had_two_names_before_is_only_one_of_them(evening: Evening) -> None:
    for bits, was, name in ((0b1, "g1", "solo"), (0b10, "solo", "echo")):
        evening.let(Slot(was, 1), bits)
        piston = PlainPiston(name, "general", was=(was,))
        evening.store.update(1, console_of(PlainConsole("Quay Chapel", CHAPEL.controls, (piston,))))
    restored(evening, PlainPiston("g1", "general"), PlainPiston("solo", "general"))
    assert sorted(evening.store.load(1).pistons) == ["g1", "solo"]
    assert evening.history.pasts("g1") == []
    assert len(evening.history.pasts("solo")) == 3, "set twice, and cleared by the restore"


# ---------------------------------------------------------------- taking back


def test_a_change_is_taken_back_and_put_forward_again(evening: Evening) -> None:
    evening.let(G1, 0b1)
    wrong = evening.let(G1, 0b11)
    back = evening.take_back(wrong)
    assert back is not None
    assert evening.on() == {"principal"}
    making = evening.history.entry(back)
    assert (making.entry.cause, making.entry.by) == (TAKEN_BACK, str(wrong))
    assert making.entry.at == after(3)
    evening.take_back(back)
    assert evening.on() == {"principal", "flute"}


def test_what_taking_back_comes_to_is_said_first(evening: Evening) -> None:
    one, two = evening.let(G1, 0b1), evening.let(G2, 0b10)
    three = evening.let(G2, 0b100)
    plan = evening.history.taking_back([two, one])
    assert (plan.entries, plan.last) == ((one, two), three)
    (back,) = plan.back
    assert evening.history.names().slot(back.key) == G1
    assert back.after is None
    assert [evening.history.names().slot(key) for key in plan.later] == [G2]
    assert evening.on() == {"principal"}, "nothing is changed by saying so"


def test_what_was_changed_since_stays_or_goes_back_too(evening: Evening) -> None:
    one, _ = evening.let(G1, 0b1), evening.let(G1, 0b11)
    assert evening.take_back(one) is None
    assert evening.on() == {"principal", "flute"}
    evening.take_back(one, later_too=True)
    assert evening.on() is None


def test_several_in_a_row_go_back_to_before_the_first(evening: Evening) -> None:
    _, two, three = (evening.let(G1, bits) for bits in (0b1, 0b10, 0b100))
    evening.take_back(two, three)
    assert evening.on() == {"principal"}


def test_of_several_those_are_taken_back_that_come_last(evening: Evening) -> None:
    one, two, three = (evening.let(G1, bits) for bits in (0b1, 0b10, 0b100))
    plan = evening.history.taking_back([one, three])
    assert list(plan.later) == [change.key for change in plan.back]
    evening.history.take_back(plan)
    assert evening.on() == {"flute"}
    evening.take_back(two, later_too=True)
    assert evening.on() == {"principal"}


def test_an_evening_is_taken_back(evening: Evening) -> None:
    evening.let(G1, 0b1)
    numbers = tuple(evening.let(slot, 0b111) for slot in (G1, G2, TUTTI))
    with evening.store.edited(1, LEFT_OFF) as bank:
        bank.level = 2
    assert evening.history.evening(after(1)) == numbers[::-1]
    assert evening.history.evening(after(1), after(2)) == numbers[:1]
    evening.take_back(*evening.history.evening(after(1)))
    assert [evening.on(slot) for slot in (G1, G2, TUTTI)] == [{"principal"}, None, None]
    assert evening.store.load(1).level == 2
    assert evening.history.listed()[0].entry.by == "-".join(map(str, (numbers[0], numbers[-1])))


def test_nothing_is_taken_back_of_a_bank_that_changed_meanwhile(evening: Evening) -> None:
    plan = evening.history.taking_back([evening.let(G1, 1)])
    evening.let(G2, 1)
    with evening.refused(
        "the bank was changed by another program meanwhile; nothing has been written: look again"
    ):
        evening.history.take_back(plan)
    assert evening.on() == {"principal"}


def test_the_making_of_a_bank_cannot_be_taken_back(evening: Evening) -> None:
    one = evening.let(G1, 1)
    assert evening.history.evening(SIX - timedelta(hours=1)) == (one,)
    for later_too in (False, True):
        with evening.refused("there was no bank before change 1, which made it"):
            evening.history.taking_back([1, one], later_too=later_too)


def test_a_name_that_another_bank_has_by_now(evening: Evening) -> None:
    renamed = evening.edit(name="Ruth the elder")
    evening.store.add(fresh_bank(CONSOLE, "Ruth"))
    with evening.refused("there is a bank 'Ruth' in it already"):
        evening.take_back(renamed)
    assert evening.store.load(1).name == "Ruth the elder"


def test_what_is_gone_comes_back_when_a_memory_of_it_does(evening: Evening) -> None:
    evening.let(G1, 0b10)
    cleared = evening.let(G1, None)
    evening.store.write(1, fresh_bank(CONSOLE, "Ruth"), "restore")
    without = PlainConsole("Quay Chapel", CHAPEL.controls[:1], CHAPEL.pistons[1:])
    evening.store.write(1, fresh_bank(console_of(without), "Ruth"), "restore")
    assert not {"flute"} & set(evening.store.load(1).roster.ids)
    evening.take_back(cleared)
    assert evening.on() == {"flute"}
    assert evening.store.load(1).pistons["g1"].affects.bit_count() == 3


def test_a_restore_is_taken_back_when_the_console_was_updated_since(evening: Evening) -> None:
    """The file was older than a renaming, and the console has renamed again at switch-on."""
    evening.let(G1, 0b11)
    old = evening.store.load(1)
    renamed = console_of(
        PlainConsole(
            "Quay Chapel",
            (PlainControl("hohlflute", "Great", was=("flute",)),),
            (PlainPiston("solo", "general", was=("g1",)),),
        )
    )
    evening.store.update(1, renamed)
    evening.let(Slot("solo", 1), 0b1)
    there = evening.store.load(1)
    restored = evening.store.write(1, old, "restore")
    assert restored is not None
    evening.store.update(1, renamed)
    evening.take_back(restored)
    assert in_ids(evening.store.load(1)) == in_ids(there)
    assert len(evening.history.past(Slot("solo", 1))) == 4


@pytest.mark.parametrize("sort", ["controls", "pistons"])
def test_no_two_things_are_given_the_same_name(evening: Evening, sort: str) -> None:
    """One is gone, another has its name since; the first cannot come back as long as it has."""
    gone = {"controls": "flute", "pistons": "g1"}[sort]
    evening.let(G1, 0b10)
    there = in_ids(evening.store.load(1))
    left = {place: held for place, held in there.items() if gone not in place}
    for place in [place for place in left if place[0] in ("combination", "piston")]:
        *about, affects = left[place]
        left[place] = tuple(
            each - {gone} if isinstance(each, frozenset) else each for each in (*about, affects)
        )
    restored = evening.store.write(1, bank_of(left), "restore")
    assert restored is not None
    console = PlainConsole(
        "Quay Chapel",
        (PlainControl("flute", "Great", was=("oboe",)),) if sort == "controls" else (),
        (PlainPiston("g1", "general", was=("g2",)),) if sort == "pistons" else (),
    )
    evening.store.update(1, console_of(console))
    before = evening.store.load(1)
    with evening.refused(
        f"there would be two {sort} '{gone}': the one that was called so then, and the one that "
        "has been called so since"
    ):
        evening.take_back(restored)
    assert evening.store.load(1) == before
    assert faults(evening.store) == []


def test_what_the_store_says_of_a_bank_is_taken_back(evening: Evening) -> None:
    other = evening.store.add(fresh_bank(CONSOLE, "Aidan"))
    history = History(evening.store, other)

    def take_back() -> None:
        history.take_back(history.taking_back([history.listed(most=1)[0].entry.number]))

    evening.store.remove(other)
    take_back()
    assert not evening.store.find("Aidan").removed
    evening.store.take_up(other)
    take_back()
    assert (evening.store.players()[1].removed, evening.store.desk) == (True, 1)
    take_back()
    evening.store.set_guest(other, guest=True)
    evening.store.give_to(other)
    with evening.refused("the owner's bank is no guest's, nor removed: give it to another first"):
        take_back()
    assert not evening.store.find("Aidan").guest


def test_a_lock_is_not_opened_by_taking_back(evening: Evening) -> None:
    one = evening.let(G1, 1)
    locked = evening.edit(locked=True, verifier=b"verifier")
    assert evening.history.taking_back([locked]).back == ()
    with evening.refused("the bank is locked"):
        evening.take_back(one)
    assert evening.take_back(locked) is None
    opened = evening.edit(locked=False, verifier=b"")
    evening.take_back(opened)
    bank = evening.store.load(1)
    assert (bank.locked, bank.verifier) == (True, b"verifier")


def test_a_locked_level_is_not_changed_by_taking_back(evening: Evening) -> None:
    one, two = evening.let(G1, 1), evening.let(Slot("g1", 2), 1)
    with evening.store.edited(1, "edit") as bank:
        bank.at(1).locked = True
    with evening.refused("level 1 is locked"):
        evening.take_back(one, two)
    assert evening.take_back(two) is not None
    assert evening.on() == {"principal"}


@pytest.mark.parametrize(
    ("numbers", "words"),
    [([], ""), ([7], "7"), ([3, 5, 6, 9, 7, 8], "3, 5-9"), ([2, 1], "1-2")],
)
def test_numbers_as_a_person_writes_them(numbers: list[int], words: str) -> None:
    assert numbers_in_words(numbers) == words


# ---------------------------------------------------------------- compacting


def test_what_compacting_drops_is_said_first(evening: Evening) -> None:
    numbers = [evening.let(slot, bits) for slot, bits in ((G1, 1), (G1, 2), (G2, 1), (G1, 4))]
    assert compacting(evening.store, SIX) == []
    assert compacting(evening.store, SIX - timedelta(hours=1)) == []
    assert compacting(evening.store, after(3)) == [
        Dropped(bank=1, last=numbers[2], entries=3, values=1, begun=SIX, ended=after(3))
    ]
    assert len(evening.history.listed()) == 5


def test_the_past_is_dropped_up_to_a_time(evening: Evening) -> None:
    one, two, three = (evening.let(G1, bits) for bits in (0b1, 0b10, 0b100))
    compact(evening.store, compacting(evening.store, after(2)))
    history = evening.history
    assert [making.entry.number for making in history.listed()] == [three, two]
    entry = history.entry(two).entry
    assert (entry.cause, entry.at) == (COMPACTED, after(2))
    assert entry.by == "2 changes from 2031-05-04"
    assert [evening.on(G1, number) for number in (two, three)] == [{"flute"}, {"oboe"}]
    for look in (evening.store.load, lambda _, number: history.at(number)):
        with evening.refused(
            f"what the bank was after change {one} is not known: its history begins later"
        ):
            look(1, one)
    with evening.refused("the history of this bank begins later than that"):
        history.after(after(1))
    last, base = history.past(G1)
    assert (last[0].number, last[1].base) == (three, False)
    assert (base[0].number, base[1].base, base[1].before) == (two, True, None)
    assert base[1].after == last[1].before
    assert faults(evening.store) == []


def test_what_came_before_a_compacting_cannot_be_taken_back(evening: Evening) -> None:
    _, two, three = (evening.let(G1, bits) for bits in (0b1, 0b10, 0b100))
    compact(evening.store, compacting(evening.store, after(2)))
    with evening.refused(f"what was before change {two} has been dropped"):
        evening.history.taking_back(evening.history.evening(SIX - timedelta(hours=1)))
    evening.take_back(three)
    assert evening.on() == {"flute"}


def test_what_is_gone_still_comes_back_after_compacting(evening: Evening) -> None:
    evening.let(G1, 0b10)
    without = PlainConsole("Quay Chapel", CHAPEL.controls[:1], CHAPEL.pistons[1:])
    evening.minutes += 1
    evening.store.write(1, fresh_bank(console_of(without), "Ruth"), "restore")
    cut = evening.minutes
    compact(evening.store, compacting(evening.store, after(cut)))
    names = evening.history.names()
    assert [card.id for card in names.controls] == ["principal", "flute", "oboe"]
    assert evening.store.load(1).roster.ids == ("principal",)
    again = evening.store.update(1, CONSOLE)
    assert set(again.roster.ids) == {"principal", "flute", "oboe"}
    assert len(evening.history.names().controls) == 3, "the same three as before"
    evening.minutes += 1
    compact(evening.store, compacting(evening.store, after(evening.minutes)))
    (making,) = evening.history.listed()
    assert len({changed.key for changed in making.changes}) == len(making.changes)


def test_compacting_one_bank_leaves_the_others(evening: Evening) -> None:
    other = evening.store.add(fresh_bank(CONSOLE, "Aidan"))
    for bank in (1, other):
        evening.let(G1, 1, bank)
    one, two = compacting(evening.store, after(9))
    assert (one.bank, two.bank) == (1, other)
    compact(evening.store, [two])
    assert len(evening.history.listed()) == 2
    assert len(History(evening.store, other).listed()) == 1


def test_a_bank_is_compacted_again(evening: Evening) -> None:
    for bits in (1, 2, 3):
        evening.let(G1, bits)
    compact(evening.store, compacting(evening.store, after(1)))
    stale = compacting(evening.store, after(1))
    assert stale == []
    compact(evening.store, compacting(evening.store, after(3)))
    (making,) = evening.history.listed()
    assert making.entry.by == "2 changes from 2031-05-04"
    assert evening.on() == {"principal", "flute"}


# ---------------------------------------------------------------- is it sound


def test_a_sound_store_has_no_faults(evening: Evening) -> None:
    evening.let(G1, 1)
    assert faults(evening.store) == []


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        (
            "UPDATE cell SET value = x'c40102' WHERE kind = 22",
            "bank 1: what it holds does not agree with its check",
        ),
        (
            "UPDATE change SET digest = x'0011223344556677' WHERE id = 1",
            "bank 1: change 1 does not agree with its check",
        ),
        (
            "UPDATE change SET by = 'solo' WHERE id = 11",
            "bank 1: change 11 does not agree with its check",
        ),
        ("UPDATE desk SET bank = 2", "which bank is on the desk does not agree with its check"),
        (
            "UPDATE change SET value = x'c40102' WHERE id = 8",
            "bank 1: change 8 does not agree with its check",
        ),
    ],
)
def test_what_is_wrong_with_a_bank_is_found(evening: Evening, statement: str, words: str) -> None:
    assert (evening.let(G1, 1), evening.let(G1, 0b11)) == (10, 11)
    with closing(sqlite3.connect(evening.store.name)) as other, other:
        other.execute(statement)
    assert faults(evening.store) == [words]
