"""The living store beside a plain list of dictionaries, change by change.

Hypothesis lets anything happen to both: sets through a real engine, edits, restores, consoles that
change, changes taken back, banks that come and go, a past that is compacted, a clock that goes
back. After each of them the present, and all that the history still has, must be the same in both.
Set STOPWRIGHT_EXAMPLES to a number of runs for a longer search than the few that are always the
same.
"""

import os
import re
import shutil
from collections import Counter
from collections.abc import Callable, Collection
from datetime import UTC, datetime
from decimal import Decimal
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory, mkdtemp
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from banks import editing
from banks.cells import Key, Kind, Names, value_of
from banks.database import StoreError
from banks.editing import BankEditError
from banks.history import History, TakingBack, compact, compacting, faults, numbers_in_words
from banks.keeping import Keeper
from banks.ledger import LEFT_OFF, Changed, Entry
from banks.store import Store, create_store
from combination.action import CombinationAction
from combination.checking import check
from combination.effects import KeepAsked
from combination.events import (
    ChangeKept,
    CrescendoMoved,
    Event,
    PistonPressed,
    PistonReleased,
    RedoAsked,
    TabMoved,
    UndoAsked,
)
from combination.findings import Severity
from combination.memory import Bank, Combination, Slot
from tests.plain_store import (
    Change,
    InIds,
    Place,
    PlainBank,
    PlainConsole,
    PlainRefusalError,
    PlainStore,
    Session,
    held_in,
    in_ids,
    place_of,
    said,
)
from tests.store_strategies import (
    NAMES,
    PISTONS,
    SEQUENCES,
    bank_of,
    banks,
    changed,
    console_of,
    consoles,
    levels,
    some_controls,
)

EXAMPLES = os.environ.get("STOPWRIGHT_EXAMPLES")
MEMORY = Path("/dev/shm")
"""A disk that is none, where there is one: how long a disk takes is not asked here."""

HOW = st.sampled_from(("copy", "swap", "clear"))
SLOTS = st.tuples(st.sampled_from(PISTONS), levels).map(lambda both: Slot(*both))
LISTS = st.sampled_from((*map(Slot, PISTONS), Slot(stage=1), Slot(stage=2)))
WHICH_LAST = 30
WHICH = st.integers(0, WHICH_LAST)
"""Which of several, as a place that starts again at their end."""
_DETAILS: dict[str, dict[str, st.SearchStrategy[Any]]] = {
    "name_a_bank": {"name": st.sampled_from((*NAMES, "", " "))},
    "name_a_level": {"level": levels, "name": st.sampled_from(("Easter", "Advent", ""))},
    "turn_a_lock": {
        "level": st.none() | levels,
        "lock": st.sampled_from((None, None, None, b"", b"salt and hash")),
    },
    "edit_a_level": {"how": HOW, "one": levels, "other": levels},
    "edit_a_piston": {"how": HOW, "one": SLOTS, "other": SLOTS},
    "edit_a_list": {"slot": LISTS, "controls": st.none() | some_controls},
    "set_neutral": {"slot": SLOTS, "controls": some_controls},
    "edit_a_sequence": {
        "how": st.sampled_from(("make", "append", "append", "remove", "choose")),
        "name": st.sampled_from(SEQUENCES),
        "slot": SLOTS,
    },
}
EDITS = st.one_of(
    *(st.tuples(st.just(edit), st.fixed_dictionaries(how)) for edit, how in _DETAILS.items())
)
"""What is done to a bank by hand: a method below, and what it takes."""
DESK = ("remove", "remove", "bring_back", "take_up", "give_to", "guest", "no guest")
"""What is said of a bank that has nothing to do with what is in it."""
STEPS = ("set",) * 5 + ("tab",) * 3 + ("push", "push", "undo", "redo", "pedal")
"""What is done at the console, the more often the more often it stands here."""


def moment(at: float) -> datetime:
    return datetime.fromtimestamp(at, UTC)


@cache
def _empty_store() -> bytes:
    with TemporaryDirectory() as folder:
        create_store(Path(folder) / "empty.store")
        return (Path(folder) / "empty.store").read_bytes()


# ---------------------------------------------------------------- what the store says, in ids


def change_of(found: Changed, names: Names) -> Change:
    """A change of a cell as a person is told of it."""

    def ids(bits: int) -> frozenset[str]:
        return frozenset(card.id for card in names.on(bits))

    def told(value: bytes | None) -> Any:
        if value is None:
            return None
        what = value_of(found.key, value)
        match found.key.kind:
            case Kind.COMBINATION | Kind.FULL_ORGAN | Kind.STAGE:
                return ids(what.on), ids(what.neutral)
            case Kind.CONTROL:
                return what.id, what.label, what.division
            case Kind.PISTON:
                return what.id, what.label, what.kind, what.division, ids(what.affects)
            case Kind.SEQUENCE:
                return tuple((s.number, s.level, s.piston, s.note) for s in what)
            case Kind.PLACE:
                level, sequence, place = what
                return level, sequence, Decimal(place)
        return what

    return Change(place_told(found.key, names), told(found.before), told(found.after))


def place_told(key: Key, names: Names) -> tuple[Any, ...]:
    """Which place a cell is."""
    slot = names.slot(key)
    if slot is not None:
        return place_of(slot)
    match key:
        case (Kind.CONTROL, int(bit), _):
            return ("control", names.controls[bit].id)
        case (Kind.PISTON, int(number), _):
            return ("piston", names.pistons[number].id)
        case (Kind.LEVEL_NAME, level, _):
            return ("level name", level)
        case (Kind.LEVEL_LOCK, level, _):
            return ("level lock", level)
        case (Kind.SEQUENCE, name, _):
            return ("sequence", name)
    return (Kind(key.kind).name.lower(),)


# ---------------------------------------------------------------- anything may happen


class InAStore(RuleBasedStateMachine):
    """A store and the plain one, with whatever players, technicians and keepers do."""

    @initialize(console=consoles(), guest=st.booleans())
    def begin(self, console: PlainConsole, guest: bool) -> None:
        self.folder = Path(mkdtemp(dir=MEMORY if MEMORY.is_dir() else None))
        path = self.folder / "chapel.store"
        path.write_bytes(_empty_store())
        self.at = 1_900_000_000.0
        self.store = Store(path, clock=lambda: self.at)
        self.plain = PlainStore()
        self.consoles = [console]
        self.dropped: dict[int, list[int]] = {}
        self.looks = 0
        self.switched_off()
        for name, is_guest in (("Ruth", False), ("Aidan", guest)):
            self.add_a_bank(name, is_guest, drawn=None)

    def teardown(self) -> None:
        if hasattr(self, "folder"):
            self.store.close()
            shutil.rmtree(self.folder)

    def both(self, real: Callable[[], Any], plainly: Callable[[], Any]) -> bool:
        """Do the same to both. Whether it was done: both refuse, or neither."""
        self.at += 1
        try:
            plainly()
        except PlainRefusalError:
            with pytest.raises(StoreError, match=r"chapel\.store: (?!it is damaged)"):
                real()
            return False
        real()
        return True

    def bank(self, which: int) -> tuple[int, PlainBank]:
        """One of the banks, and more often than not the first."""
        number = which % len(self.plain.banks) + 1 if which > WHICH_LAST // 2 else 1
        return number, self.plain.banks[number]

    # Banks, and who plays.

    @precondition(lambda self: len(self.plain.banks) < 4)
    @rule(name=st.sampled_from(NAMES), guest=st.booleans(), drawn=st.data())
    def add_a_bank(self, name: str, guest: bool, drawn: st.DataObject | None) -> None:
        ids = self.fresh(name) if drawn is None else drawn.draw(banks(self.consoles[-1], name))
        self.both(
            lambda: self.store.add(bank_of(ids), guest=guest, by="a test"),
            lambda: self.plain.add(ids, guest, "a test", self.at),
        )

    def fresh(self, name: str) -> InIds:
        console = self.consoles[-1]
        about = {("name",): name, ("console",): console.name, ("place",): (1, None, Decimal(0))}
        return about | console.cards()

    @rule(changes=st.lists(st.tuples(WHICH, st.sampled_from(DESK)), min_size=2, max_size=5))
    def change_the_desk(self, changes: list[tuple[int, str]]) -> None:
        for which, what in changes:
            self.say_of_a_bank(which, what)

    def say_of_a_bank(self, which: int, what: str) -> None:
        number = which % len(self.plain.banks) + 1
        match what:
            case "take_up":
                self.both(
                    lambda: self.store.take_up(number),
                    lambda: self.plain.take_up(number),
                )
            case "guest" | "no guest":
                self.both(
                    lambda: self.store.set_guest(number, what == "guest"),
                    lambda: self.plain.set_guest(number, what == "guest", self.at),
                )
            case _:
                self.both(
                    lambda: getattr(self.store, what)(number),
                    lambda: getattr(self.plain, what)(number, self.at),
                )

    # A console is played.

    def switched_off(self) -> None:
        self.session: Session | None = None
        self.undisturbed = 0

    def console(self, data: st.DataObject) -> PlainConsole:
        """A console as it was some time ago; or, mostly, after one more visit of a technician."""
        which = data.draw(WHICH)
        if which % 4 == 0:
            return self.consoles[-1 - which // 4 % len(self.consoles)]
        console = data.draw(changed(self.consoles[-1]))
        self.consoles.append(console)
        return console

    @rule(data=st.data())
    def switch_on(self, data: st.DataObject) -> None:
        self.play_on(self.console(data))

    def play_on(self, console: PlainConsole) -> None:
        self.switched_off()
        found: list[tuple[int, Bank]] = []
        if self.both(
            lambda: found.append(self.store.switch_on(console_of(console))),
            lambda: self.plain.switch_on(console, self.at),
        ):
            number, bank = found[0]
            assert number == self.plain.desk
            assert in_ids(bank) == self.plain.banks[number].shown
            self.keeper = Keeper(self.store, number, bank)
            self.engine = CombinationAction(console_of(console), bank, keeps=True)
            self.session = self.plain.session(number)
            self.undisturbed = self.plain.banks[number].passed

    @rule(which=WHICH)
    def set_one(self, which: int) -> None:
        self.play([("tab", which), ("set", which)])

    @rule(steps=st.lists(st.tuples(st.sampled_from(STEPS), WHICH), min_size=2, max_size=8))
    def play(self, steps: list[tuple[str, int]]) -> None:
        if self.session is None:
            self.play_on(self.consoles[-1])
        session = self.session
        if session is None:
            return
        bank = self.engine.bank
        plain = self.plain.banks[session.bank]
        alone = plain.passed == self.undisturbed
        for what, which in steps:
            for event in self.played(what, which):
                self.happen(session, event)
        self.at += 1
        assert self.keeper.left_off(bank)
        self.plain.left_off(session, (bank.level, bank.sequence, bank.place), self.at)
        if alone:
            assert in_ids(bank) == plain.shown
            self.undisturbed = plain.passed

    def played(self, what: str, which: int) -> list[Event]:
        console = self.engine.console
        pistons = [piston.id for piston in console.pistons if piston.id != "set"]
        match what:
            case "tab":
                stop = console.stops[which % len(console.stops)].id
                return [TabMoved(stop, not self.engine.rail & self.engine.bank.roster.bit(stop))]
            case "set":
                can_be_set = [name for name in pistons if name in (*PISTONS, "cs")]
                piston = can_be_set[which % len(can_be_set)]
                return [PistonPressed("set"), *push(piston), PistonReleased("set")]
            case "pedal":
                return [CrescendoMoved(which % 3 * 63)]
            case "undo":
                return [UndoAsked()]
            case "redo":
                return [RedoAsked()]
        return push(pistons[which % len(pistons)])

    def happen(self, session: Session, event: Event) -> None:
        for effect in self.engine.receive(event, 0):
            if isinstance(effect, KeepAsked):
                self.at += 1
                assert self.keeper.keep(effect) == [ChangeKept(effect.number)]
                self.engine.receive(ChangeKept(effect.number), 0)
                self.plain.keep(
                    session,
                    place_of(effect.change.slot),
                    held_in(self.engine.bank, effect.change.after),
                    str(effect.cause),
                    effect.piston or "",
                    self.at,
                )

    # A bank is edited.

    def edit(
        self, which: int, edit: Callable[[Bank], object], plainly: Callable[[InIds], None]
    ) -> None:
        """Edit a bank; an edit that is refused leaves everything as it was."""
        number, bank = self.bank(which)
        before, ids = bank.shown, bank.shown
        plainly(ids)

        def edited() -> None:
            with self.store.edited(number, "edit", "by hand") as found:
                assert in_ids(found) == before
                edit(found)

        try:
            edit(bank_of(before))
        except BankEditError as error:
            with pytest.raises(BankEditError, match=re.escape(str(error))):
                edited()
            return
        self.both(edited, lambda: self.plain.write(number, ids, "edit", "by hand", self.at))

    @rule(which=WHICH, edits=st.lists(EDITS, min_size=1, max_size=3))
    def edit_some(self, which: int, edits: list[tuple[str, dict[str, Any]]]) -> None:
        for edit, details in edits:
            getattr(self, edit)(which, **details)

    def name_a_bank(self, which: int, name: str) -> None:
        self.edit(
            which,
            lambda bank: editing.name_bank(bank, name),
            lambda ids: ids.update({("name",): name}),
        )

    def name_a_level(self, which: int, level: int, name: str) -> None:
        self.edit(
            which,
            lambda bank: editing.name_level(bank, level, name),
            lambda ids: put(ids, ("level name", level), name or None),
        )

    def turn_a_lock(self, which: int, level: int | None, lock: bytes | None) -> None:
        """Lock a bank or a level, or mostly: open it."""

        def turn(bank: Bank) -> None:
            held = bank if level is None else bank.at(level)
            held.locked, held.verifier = lock is not None, lock or b""

        place = ("lock",) if level is None else ("level lock", level)
        self.edit(which, turn, lambda ids: put(ids, place, lock))

    def edit_a_level(self, which: int, how: str, one: int, other: int) -> None:
        def edit(bank: Bank) -> None:
            if how == "copy":
                editing.copy_level(bank, one, other)
            elif how == "swap":
                editing.swap_levels(bank, one, other)
            else:
                editing.clear_level(bank, one)

        def plainly(ids: InIds) -> None:
            first, second = level_of(ids, one), level_of(ids, other)
            if how != "copy":
                let_level(ids, one, second if how == "swap" else {})
            if how != "clear":
                let_level(ids, other, first)

        self.edit(which, edit, plainly)

    def edit_a_piston(self, which: int, how: str, one: Slot, other: Slot) -> None:
        def edit(bank: Bank) -> None:
            if how == "copy":
                editing.copy_combination(bank, one, other)
            elif how == "swap":
                editing.swap_combinations(bank, one, other)
            else:
                editing.clear_combination(bank, one)

        def plainly(ids: InIds) -> None:
            first, second = place_of(one), place_of(other)
            held, held_by_other = ids.get(first), ids.get(second)
            if how != "copy":
                put(ids, first, held_by_other if how == "swap" else None)
            if how != "clear":
                put(ids, second, held)

        self.edit(which, edit, plainly)

    def edit_a_list(self, which: int, slot: Slot, controls: frozenset[str] | None) -> None:
        """A full organ's list, or a stage's, is cleared; or as a program would write it."""

        def edit(bank: Bank) -> None:
            if controls is None:
                editing.clear_combination(bank, slot)
            elif slot.piston is None or slot.piston in bank.pistons:
                known = controls & set(bank.roster.ids)
                bank.put(slot, Combination(bank.roster.bits(known)))

        def plainly(ids: InIds) -> None:
            known = {place[1] for place in ids if place[0] == "control"}
            if controls is None:
                put(ids, place_of(slot), None)
            elif slot.piston is None or ("piston", slot.piston) in ids:
                put(ids, place_of(slot), (controls & known, frozenset()))

        self.edit(which, edit, plainly)

    def set_neutral(self, which: int, slot: Slot, controls: frozenset[str]) -> None:

        def plainly(ids: InIds) -> None:
            on, _ = ids.get(place_of(slot), (frozenset(), None))
            put(ids, place_of(slot), (on, controls))

        self.edit(which, lambda bank: editing.set_neutral(bank, slot, controls), plainly)

    def edit_a_sequence(self, which: int, how: str, name: str, slot: Slot) -> None:
        level, piston = slot.level or 1, slot.piston or ""

        def edit(bank: Bank) -> None:
            if how == "make":
                editing.make_sequence(bank, name)
            elif how == "append":
                editing.append_step(bank, name, level, piston, "verse")
            elif how == "remove":
                editing.remove_sequence(bank, name)
            else:
                editing.choose_sequence(bank, name)

        def plainly(ids: InIds) -> None:
            steps = ids.get(("sequence", name), ())
            at, chosen, _ = ids["place",]
            if how in ("make", "append"):
                step = (Decimal(len(steps) + 1), level, piston, "verse")
                ids["sequence", name] = (*steps, step) if how == "append" else ()
            elif how == "choose":
                ids["place",] = (at, name, Decimal(0))
            else:
                put(ids, ("sequence", name), None)
                if chosen == name:
                    ids["place",] = (at, None, Decimal(0))

        self.edit(which, edit, plainly)

    # A bank is restored, or two made one.

    def write(self, number: int, new: Bank, ids: InIds, expected: int | None = None) -> None:
        self.both(
            lambda: self.store.write(number, new, "restore", "a file", expected=expected),
            lambda: self.plain.write(number, ids, "restore", "a file", self.at),
        )

    @rule(which=WHICH, source=WHICH, then=WHICH, renamed=st.booleans())
    def restore_a_moment(self, which: int, source: int, then: int, renamed: bool) -> None:
        """A bank becomes as it, or another one, was; under its own name or that one's."""
        number, bank = self.bank(which)
        other, found = self.bank(source)
        index = -1 - then % len(found.moments)
        new, ids = self.store.load(other, found.moments[index].number), found.shown_at(index)
        assert in_ids(new) == ids
        if renamed:
            new.name = ids["name",] = bank.now["name",]
        if bank.moments[-1].cause != LEFT_OFF:
            with pytest.raises(StoreError, match="was changed by another program meanwhile"):
                self.store.write(number, new, "restore", expected=bank.moments[-1].number - 1)
        self.write(number, new, ids, bank.moments[-1].number)

    @rule(which=WHICH, data=st.data(), console=consoles(), merged=st.booleans())
    def restore_a_file(
        self, which: int, data: st.DataObject, console: PlainConsole, merged: bool
    ) -> None:
        """A bank becomes one of another console; or is filled up from it."""
        self.restore_over(self.bank(which)[0], data, console, merged)

    def restore_over(
        self, number: int, data: st.DataObject, console: PlainConsole, merged: bool
    ) -> None:
        bank = self.plain.banks[number]
        ids = data.draw(banks(console, bank.now["name",]))
        if merged:
            ids = ids | bank.shown
        self.write(number, bank_of(ids), ids)

    @rule(data=st.data(), console=consoles(), which=WHICH, other=WHICH)
    def restore_while_it_is_played(
        self, data: st.DataObject, console: PlainConsole, which: int, other: int
    ) -> None:
        """Another program restores a bank; the player knows nothing of it, and sets pistons."""
        self.set_one(other)
        if self.session is not None:
            self.restore_over(self.session.bank, data, console, merged=False)
            self.play([("tab", which), ("set", which), ("push", other), ("set", other)])

    # The console changes.

    @rule(which=WHICH, data=st.data())
    def update(self, which: int, data: st.DataObject) -> None:
        number, bank = self.bank(which)
        console = self.console(data)
        found: list[Bank] = []
        if self.both(
            lambda: found.append(self.store.update(number, console_of(console))),
            lambda: self.plain.update(number, console, "", self.at),
        ):
            assert in_ids(found[0]) == bank.shown

    # Something is taken back.

    @rule(which=WHICH, one=WHICH, later_too=st.booleans())
    def take_one_back(self, which: int, one: int, later_too: bool) -> None:
        self.take_some_back(which, {one}, later_too)

    @rule(which=WHICH, some=st.sets(st.integers(0, 5), min_size=1), later_too=st.booleans())
    def take_some_back(self, which: int, some: set[int], later_too: bool) -> None:
        """The last or those before it; now and then the first, which cannot be."""
        number, bank = self.bank(which)
        last = len(bank.moments) - 1
        chosen = {last - n % max(last + (which == WHICH_LAST), 1) for n in some}
        self.take_back(number, bank, chosen, later_too)

    @rule(which=WHICH, begun=WHICH, ended=WHICH, later_too=st.booleans())
    def take_back_an_evening(self, which: int, begun: int, ended: int, later_too: bool) -> None:
        number, bank = self.bank(which)
        since = bank.moments[-1 - begun % min(6, len(bank.moments))].at - 1
        until = bank.moments[-1 - ended % len(bank.moments)].at if ended else None
        chosen = [
            n
            for n in bank.between(since, until)
            if bank.moments[n].cause not in ("left off", "made")
        ]
        found = History(self.store, number).evening(
            moment(since), None if until is None else moment(until)
        )
        assert found == tuple(bank.moments[n].number for n in reversed(chosen))
        if chosen:
            self.take_back(number, bank, set(chosen), later_too)

    def take_back(
        self, number: int, bank: PlainBank, chosen: Collection[int], later_too: bool
    ) -> None:
        history = History(self.store, number)
        numbers = [bank.moments[n].number for n in chosen]
        plans: list[TakingBack] = []
        plainly: list[Change] = []

        def plan() -> None:
            plans.append(history.taking_back(numbers, later_too=later_too))

        def plan_plainly() -> None:
            back, later = bank.taking_back(chosen, later_too=later_too)
            plainly.extend(back)
            places.extend(later)

        places: list[tuple[Any, ...]] = []
        if self.both(plan, plan_plainly):
            names = history.names()
            (told,) = plans
            back = Counter(change_of(each, names) for each in told.back)
            assert back == Counter(said(plainly, bank.things))
            later = Counter(place_told(key, names) for key in told.later)
            assert later == Counter(
                each.place for each in said([Change(p, None, None) for p in places], bank.things)
            )
            assert told.last == bank.moments[-1].number
            assert told.entries == tuple(sorted(numbers))
            by = numbers_in_words(numbers)
            self.both(
                lambda: history.take_back(told),
                lambda: self.plain.take_back(number, plainly, by, self.at),
            )

    # The store itself.

    @rule(which=WHICH, then=WHICH, only=st.booleans())
    def compact(self, which: int, then: int, only: bool) -> None:
        """All banks' pasts before a time are dropped, or only one's."""
        number, bank = self.bank(which)
        at = bank.moments[then % len(bank.moments)].at
        dropping = compacting(self.store, moment(at))
        expected = {}
        for other, found in self.plain.banks.items():
            last = found.before(at)
            if last:
                expected[other] = last
        assert [dropped.bank for dropped in dropping] == sorted(expected)
        for dropped in dropping:
            moments = self.plain.banks[dropped.bank].moments
            last = expected[dropped.bank]
            assert dropped.last == moments[last].number
            assert dropped.entries == last
            assert (dropped.begun, dropped.ended) == (
                moment(moments[0].at),
                moment(moments[last].at),
            )
        dropping = [dropped for dropped in dropping if not only or dropped.bank == number]
        before = self.changes_told()
        compact(self.store, dropping)
        assert before - self.changes_told() == sum(dropped.values for dropped in dropping)
        for dropped in dropping:
            moments = self.plain.banks[dropped.bank].moments
            gone = [each.number for each in moments[: expected[dropped.bank]]]
            self.dropped.setdefault(dropped.bank, []).extend(gone)
            self.plain.compact(dropped.bank, expected[dropped.bank])
        if dropping:
            self.look_at_everything()

    def changes_told(self) -> int:
        """How many changes there are in the history of all banks."""
        return sum(
            len(making.changes)
            for number in self.plain.banks
            for making in History(self.store, number).listed(moves=True)
        )

    @rule(anew=st.booleans())
    def open_again(self, anew: bool) -> None:
        """The program ends and begins again; or only the file is opened once more."""
        if anew:
            self.store.close()
            self.store = Store(self.folder / "chapel.store", clock=lambda: self.at)
            self.switched_off()
        else:
            self.store.reopen()

    @rule(by=st.integers(-300, 3000))
    def turn_the_clock(self, by: int) -> None:
        self.at += by

    # What is true at any time.

    @invariant()
    def the_banks_are_the_same(self) -> None:
        if not hasattr(self, "folder"):
            return
        assert (self.store.desk, self.store.owner) == (self.plain.desk, self.plain.owner)
        assert [
            (player.number, player.name, player.console, player.guest, player.removed)
            for player in self.store.players()
        ] == [
            (
                number,
                bank.now["name",],
                bank.now["console",],
                self.plain.has(number, "guest"),
                self.plain.has(number, "removed"),
            )
            for number, bank in self.plain.banks.items()
        ]
        self.looks += 1
        of_this_turn = self.looks % len(self.plain.banks) + 1
        for number, bank in self.plain.banks.items():
            if number == of_this_turn or not bank.moments[-1].number:
                self.look_at_moments(number, bank)
        bank = self.plain.banks[of_this_turn]
        self.look_at_moment(of_this_turn, bank, self.looks * 7 % len(bank.moments))
        if self.looks % 10 == 0:
            self.look_at_everything()

    def look_at_moments(self, number: int, bank: PlainBank) -> None:
        """The present, and of every moment when it was and what made it."""
        assert in_ids(self.store.load(number)) == bank.shown
        history = History(self.store, number)
        listed = history.listed(moves=True)[::-1]
        names = history.names()
        last = 0
        for making, there in zip(listed, bank.moments, strict=True):
            entry = making.entry
            assert (entry.bank, entry.cause, entry.at) == (number, there.cause, moment(there.at))
            assert entry.by == there.by or there.dropped
            assert entry.number > last
            assert there.number in (0, entry.number)
            there.number = last = entry.number
        (player,) = (each for each in self.store.players() if each.number == number)
        assert (player.entry, player.changed) == (last, moment(bank.moments[-1].at))
        newest = len(bank.moments) - 1
        if not bank.moments[newest].dropped:
            told = Counter(change_of(each, names) for each in listed[newest].changes)
            assert told == Counter(said(bank.changes(newest), bank.things))

    def look_at_moment(self, number: int, bank: PlainBank, index: int) -> None:
        """The bank as it was, and what that moment changed."""
        there = bank.moments[index]
        assert in_ids(self.store.load(number, there.number)) == bank.shown_at(index)
        history = History(self.store, number)
        making, names = history.entry(there.number), history.names()
        told = Counter(change_of(each, names) for each in making.changes)
        there_is = Counter(said(bank.changes(index), bank.things))
        if not there.dropped:
            assert not any(each.base for each in making.changes)
            assert told == there_is
            return
        # The card of what is gone is kept too: it may be shown, or come back.
        more = told - there_is
        assert there_is <= told
        assert sum(each.before is None and each.after is not None for each in more) == sum(
            each.before is not None for each in more
        )

    def look_at_everything(self) -> None:
        for number, bank in self.plain.banks.items():
            self.look_at_moments(number, bank)
            for index in range(len(bank.moments)):
                self.look_at_moment(number, bank, index)
            self.look_at_times(number, bank)
            self.look_at_pistons(number, bank)
            first = bank.moments[0].number
            for gone in self.dropped.get(number, []):
                assert gone < first
                for look in (self.store.load, lambda n, e: History(self.store, n).entry(e)):
                    with pytest.raises(StoreError):
                        look(number, gone)
        assert faults(self.store) == []

    def look_at_times(self, number: int, bank: PlainBank) -> None:
        history = History(self.store, number)
        times = sorted({there.at + by for there in bank.moments for by in (0, -1)})
        for at in times:
            index = bank.before(at)
            if index is None:
                with pytest.raises(StoreError, match="begins later"):
                    history.after(moment(at))
            else:
                assert history.after(moment(at)) == bank.moments[index].number
                assert history.at(bank.moments[index].number) == moment(bank.moments[index].at)
        for since, until in zip(times[::3], times[1::2], strict=False):
            listed = history.listed(moment(since), moment(until), moves=True, most=3)
            found = [bank.moments[n].number for n in bank.between(since, until)]
            assert [making.entry.number for making in listed] == found[::-1][:3]

    def look_at_pistons(self, number: int, bank: PlainBank) -> None:
        history = History(self.store, number)
        names = history.names()
        called = {
            name: thing for name, thing in bank.who("piston", (), {}).items() if name in PISTONS
        }
        assert called.keys() == names.numbers.keys() & set(PISTONS)
        for piston, thing in called.items():
            places = {
                place
                for there in bank.moments
                for place in there.copy
                if place[0] != "piston" and thing in place
            }
            self.look_at_past(bank, names, history.pasts(piston), places)
            for slot in (Slot(piston), *(Slot(piston, level) for level in range(1, 4))):
                place = (*place_of(slot)[:-1], thing)
                self.look_at_past(bank, names, history.past(slot), {place})
        for stage in (1, 2):
            self.look_at_past(bank, names, history.past(Slot(stage=stage)), {("stage", stage)})
        assert history.past(Slot("unheard of", 1)) == history.pasts("unheard of") == []

    def look_at_past(
        self,
        bank: PlainBank,
        names: Names,
        found: list[tuple[Entry, Changed]],
        places: Collection[Place],
    ) -> None:
        """All that places have held; of what was before a compacting only what it came to."""
        told = [(e.number, change_of(each, names)) for e, each in found if not each.base]
        assert Counter(told) == Counter(
            (bank.moments[n].number, each)
            for n, change in bank.past(places)
            for each in said([change], bank.things)
        )
        assert [n for n, _ in told] == sorted((n for n, _ in told), reverse=True)
        came_to = [change_of(each, names) for _, each in found if each.base]
        there = bank.changes(0) if bank.moments[0].dropped else []
        base = said([change for change in there if change.place in places], bank.things)
        assert Counter(each for each in came_to if each.after is not None) == Counter(base)


def put(ids: InIds, place: tuple[Any, ...], held: Any) -> None:
    """Let a place hold something, or with None nothing."""
    ids.pop(place, None)
    if held is not None:
        ids[place] = held


def level_of(ids: InIds, level: int) -> InIds:
    """What a level holds: its name and its combinations, under any level's number."""
    kinds = ("combination", "level name")
    return {
        (place[0], *place[2:]): held
        for place, held in ids.items()
        if place[0] in kinds and place[1] == level
    }


def let_level(ids: InIds, level: int, held: InIds) -> None:
    for kind, *rest in level_of(ids, level):
        del ids[(kind, level, *rest)]
    ids.update({(kind, level, *rest): what for (kind, *rest), what in held.items()})


def push(piston: str) -> list[Event]:
    return [PistonPressed(piston), PistonReleased(piston)]


def test_they_agree_whatever_happens() -> None:
    run_state_machine_as_test(
        InAStore,
        settings=settings(
            max_examples=int(EXAMPLES or 18),
            stateful_step_count=30,
            derandomize=EXAMPLES is None,
            deadline=None,
            database=None,
            suppress_health_check=list(HealthCheck),
        ),
    )


@settings(max_examples=30, derandomize=EXAMPLES is None, deadline=None, database=None)
@given(data=st.data(), console=consoles())
def test_the_consoles_have_no_errors(data: st.DataObject, console: PlainConsole) -> None:
    for each in (console, data.draw(changed(console))):
        found = check(console_of(each))
        assert [one for one in found if one.severity is Severity.ERROR] == []


@settings(max_examples=30, derandomize=EXAMPLES is None, deadline=None, database=None)
@given(data=st.data(), console=consoles())
def test_the_banks_are_what_they_are_in_ids(data: st.DataObject, console: PlainConsole) -> None:
    ids = data.draw(banks(console, "Ruth"))
    assert in_ids(bank_of(ids)) == ids
