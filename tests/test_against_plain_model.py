"""The combination action beside the plainer model of it, event by event.

Hypothesis builds a console and a bank, then lets anything happen at any time to both. After each
event the two must agree on every state and on what came of the event, and what the action tells
in its effects, added up, must be its state. Set STOPWRIGHT_EXAMPLES to a number of runs for a
longer search than the hundred that are always the same.
"""

import os
from collections.abc import Iterable
from decimal import Decimal

import pytest
from attrs import define, field
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    precondition,
    rule,
    run_state_machine_as_test,
)

from combination.action import CombinationAction
from combination.checking import check
from combination.effects import (
    ControlLampsChanged,
    CrescendoReached,
    Effect,
    KeepAsked,
    KeptAfterAll,
    LevelChanged,
    PistonLampsChanged,
    RailChanged,
    Refused,
    SequencePlaced,
    SoundingChanged,
    StepReached,
    Stored,
    TabDidNotFollow,
    TabsDriven,
    TabsRested,
)
from combination.events import (
    ChangeKept,
    ChangeNotKept,
    ControlTouched,
    CrescendoMoved,
    Event,
    MemoryLockTurned,
    PistonFreed,
    PistonPressed,
    PistonReleased,
    PistonStuck,
    RedoAsked,
    SecondTouchPressed,
    SecondTouchReleased,
    SequenceChosen,
    StepChosen,
    TabMoved,
    UndoAsked,
)
from combination.findings import Severity
from combination.memory import Bank, Change, Combination, Slot, Step, fresh_bank
from combination.model import (
    CAN_BE_SET,
    RECALLING,
    Action,
    Again,
    Console,
    Crescendo,
    Kind,
    Piston,
    Rank,
    Selection,
    Stage,
    Stop,
)
from combination.ranges import Ranges
from tests.plain_model import Happened, Held, Ids, Place, PlainMemory, PlainModel, Written
from tests.strategies import LOST, banks, consoles, seconds

EXAMPLES = os.environ.get("STOPWRIGHT_EXAMPLES")


def plain_memory(bank: Bank) -> PlainMemory:
    """A bank, with its integers as sets of ids."""
    places: dict[Place, Held] = {}
    for number, level in bank.levels.items():
        for piston, combination in level.combinations.items():
            places[piston, number, None] = plain(bank, combination)
    for piston, on in bank.full_organs.items():
        places[piston, None, None] = plain(bank, Combination(on))
    for stage, on in bank.stages.items():
        places[None, None, stage] = plain(bank, Combination(on))
    return PlainMemory(
        places=places,
        locked=bank.locked,
        locked_levels={number for number, level in bank.levels.items() if level.locked},
        sequences=dict(bank.sequences),
        level=bank.level,
        sequence=bank.sequence,
        place=bank.place,
    )


def plain(bank: Bank, combination: Combination) -> Held:
    roster = bank.roster
    on, neutral = (frozenset(roster.registration(bits)) for bits in combination)
    return on, neutral


@define
class Told:
    """What a listener knows who has only ever heard the effects."""

    level: int
    sequence: str | None
    place: Decimal
    rail: Ids = frozenset()
    sounding: Ids = frozenset()
    control_lamps: Ids = frozenset()
    piston_lamps: Ids = frozenset()
    stage: int = 0
    coils: dict[tuple[str, bool], float] = field(factory=dict)
    """By tab, and whether it pulls on: since when the coil has had current, in seconds."""

    def hear(self, effect: Effect, at: float) -> None:
        """Take an effect, and make sure that it is news."""
        match effect:
            case SoundingChanged(on, off):
                self.sounding = changed(self.sounding, on, off)
            case RailChanged(on, off):
                self.rail = changed(self.rail, on, off)
            case ControlLampsChanged(lit, dark):
                self.control_lamps = changed(self.control_lamps, lit, dark)
            case PistonLampsChanged(lit, dark):
                self.piston_lamps = changed(self.piston_lamps, lit, dark)
            case LevelChanged(level):
                assert level != self.level
                self.level = level
            case CrescendoReached(stage):
                assert stage != self.stage
                self.stage = stage
            case StepReached(number):
                self.place = number
            case SequencePlaced(name):
                self.sequence, self.place = name, Decimal(0)
            case TabsDriven(on, off):
                for coil in coils(on, off):
                    tab, pulls_on = coil
                    assert (tab, not pulls_on) not in self.coils
                    assert coil not in self.coils
                    self.coils[coil] = at
            case TabsRested(on, off):
                for coil in coils(on, off):
                    del self.coils[coil]


def changed(before: Ids, more: Iterable[str], less: Iterable[str]) -> Ids:
    on, off = frozenset(more), frozenset(less)
    assert on or off
    assert not on & before
    assert off <= before
    return (before | on) - off


def coils(on: Iterable[str], off: Iterable[str]) -> list[tuple[str, bool]]:
    return [*((tab, True) for tab in on), *((tab, False) for tab in off)]


class Both:
    """The action and the model on one console, with one memory each."""

    def __init__(
        self, console: Console, bank: Bank, *, keeps: bool = False, punctual: bool = True
    ) -> None:
        self.console = console
        self.model = PlainModel(console, plain_memory(bank), keeps=keeps)
        self.action = CombinationAction(console, bank, keeps=keeps)
        self.told = Told(self.action.bank.level, bank.sequence, bank.place)
        self.punctual = punctual
        self.agree()

    @property
    def now(self) -> float:
        return self.model.now

    def happen(self, event: Event, at: float) -> None:
        """Let an event happen to both, at its time in seconds."""
        self.pass_time(at)
        effects = self.action.receive(event, at)
        self.compare(effects, self.model.receive(event, at))

    def wait(self, until: float) -> None:
        """Let time pass for both."""
        self.pass_time(until)
        effects = self.action.tick(until)
        self.compare(effects, self.model.wait(until))

    def pass_time(self, until: float) -> None:
        """Where the action is punctual, tick it at each time that it named."""
        while self.punctual:
            due = self.action.next_due
            if due is None or due >= until:
                break
            assert due > self.now
            effects = self.action.tick(due)
            self.compare(effects, self.model.wait(due))

    def compare(self, effects: list[Effect], happened: Happened) -> None:
        """Whether the two agree on what came of an event, and then on their state."""
        for effect in effects:
            self.told.hear(effect, self.now)
        kinds = [type(effect) for effect in effects]
        for at_most_once in (SoundingChanged, RailChanged, ControlLampsChanged, PistonLampsChanged):
            assert kinds.count(at_most_once) <= 1
        refusals = [(e.piston, e.reason) for e in effects if isinstance(e, Refused)]
        assert refusals == happened.refusals
        drives = [(frozenset(e.on), frozenset(e.off)) for e in effects if isinstance(e, TabsDriven)]
        assert drives == [(on, off) for _, on, off in happened.drives]
        faults = [(e.control, e.wanted) for e in effects if isinstance(e, TabDidNotFollow)]
        assert sorted(faults) == sorted(happened.faults)
        asked = [(e.number, self.written(e.change)) for e in effects if isinstance(e, KeepAsked)]
        assert asked == happened.asked
        stored = [(self.written(e.change), e.kept) for e in effects if isinstance(e, Stored)]
        assert stored == happened.stored
        after_all = [self.written(e.change) for e in effects if isinstance(e, KeptAfterAll)]
        assert after_all == happened.kept_after_all
        steps = [
            Step(e.number, e.level, e.piston, e.note) for e in effects if isinstance(e, StepReached)
        ]
        assert steps == happened.steps
        if self.punctual:
            pulse = self.console.drive.pulse
            assert all(time == self.now for time, _, _ in happened.drives)
            assert all(self.now - since < pulse for since in self.told.coils.values())
        self.agree()

    def written(self, change: Change) -> Written:
        bank = self.action.bank
        before, after = (
            None if combination is None else plain(bank, combination)
            for combination in (change.before, change.after)
        )
        return (*change.slot,), before, after

    def agree(self) -> None:
        """Whether the two are in the same state, and the effects have told it."""
        action, model, told = self.action, self.model, self.told
        roster = action.ranges.roster

        def ids(bits: int) -> Ids:
            return frozenset(roster.registration(bits))

        assert ids(action.rail) == model.rail == told.rail
        assert ids(action.governed) == model.governed
        assert ids(action.held) == model.held
        assert ids(action.base) == model.base
        assert told.control_lamps & model.with_lamps == model.control_lamps
        sounding = model.sounding
        assert ids(action.sounding) == sounding == told.sounding
        assert action.lit == model.lit == told.piston_lamps
        engaged = {name: (e.level, ids(e.mask), ids(e.value)) for name, e in action.engaged.items()}
        assert engaged == {name: (e.level, e.mask, e.value) for name, e in model.engaged.items()}
        assert set(action.full_organs) == model.full_organs
        assert action.stage == model.stage == told.stage
        assert action.armed_until == model.armed_until
        assert action.memory_locked == model.memory_locked
        bank = action.bank
        assert bank.level == model.memory.level == told.level
        assert bank.place == model.memory.place == told.place
        assert bank.sequence == model.memory.sequence == told.sequence
        assert plain_memory(bank) == model.memory
        assert {n: self.written(c) for n, c in action.unkept.items()} == model.unkept
        for control in self.console.controls:
            assert bool(action.why(control.id)) == (control.id in sounding)
        if model.next_due is not None:
            assert action.next_due is not None
            assert action.next_due <= model.next_due


PAUSES = st.sampled_from((0.0, 0.0, 0.0, 1 / 64, 1 / 64, 1 / 16, 0.25, 1.0, None))
"""Seconds until an event; None: until something falls due."""
WHICH = st.integers(0, 11)


class AtAConsole(RuleBasedStateMachine):
    """A player, a store and bad contacts, at a console that hypothesis made."""

    both: Both

    @initialize(data=st.data(), keeps=st.booleans(), punctual=st.booleans())
    def switch_on(self, data: st.DataObject, keeps: bool, punctual: bool) -> None:
        console = data.draw(consoles())
        self.both = Both(console, data.draw(banks(console)), keeps=keeps, punctual=punctual)
        self.controls = [control.id for control in console.controls]
        self.pistons = [piston.id for piston in console.pistons]
        self.can_be_set = [piston.id for piston in console.pistons if piston.kind in CAN_BE_SET]
        self.second_touches = [piston.id for piston in console.pistons if piston.second_touch]
        self.down: set[str] = set()
        self.deep: set[str] = set()
        self.stuck: set[str] = set()
        self.last_pushed = self.pistons[-1]
        self.reading = data.draw(st.integers(0, 127))

    def happen(self, event: Event, pause: float | None) -> None:
        both = self.both
        due = both.model.next_due
        both.happen(event, due if pause is None and due is not None else both.now + (pause or 0))

    # Tabs.

    @rule(which=WHICH, pause=PAUSES)
    def move_tab(self, which: int, pause: float | None) -> None:
        name = self.controls[which % len(self.controls)]
        lit = self.both.console.action is Action.LIT
        shown = self.both.model.rail if lit else self.both.model.reported
        self.happen(TabMoved(name, name not in shown), pause)

    @rule(which=WHICH, pause=PAUSES, on=st.booleans())
    def report_or_touch(self, which: int, on: bool, pause: float | None) -> None:
        """A report, perhaps of the state that the tab has; on a lit action a touch."""
        name = self.controls[which % len(self.controls)]
        lit = self.both.console.action is Action.LIT
        self.happen(ControlTouched(name) if lit else TabMoved(name, on), pause)

    @precondition(lambda self: self.both.model.travelling)
    @rule(which=WHICH, arrives=st.booleans(), pause=PAUSES)
    def follow(self, which: int, arrives: bool, pause: float | None) -> None:
        """A driven tab gets where it should, or is still where it was."""
        travelling = sorted(self.both.model.travelling)
        name = travelling[which % len(travelling)]
        self.happen(TabMoved(name, self.both.model.travelling[name][0] == arrives), pause)

    # Pistons.

    @rule(which=WHICH, pause=PAUSES)
    def push(self, which: int, pause: float | None) -> None:
        self.push_piston(self.pistons[which % len(self.pistons)], pause)

    @precondition(lambda self: self.can_be_set)
    @rule(which=WHICH, pause=PAUSES)
    def push_what_can_be_set(self, which: int, pause: float | None) -> None:
        self.push_piston(self.can_be_set[which % len(self.can_be_set)], pause)

    @rule(pause=PAUSES)
    def push_again(self, pause: float | None) -> None:
        self.push_piston(self.last_pushed, pause)

    @rule(which=WHICH, pause=PAUSES)
    def set_and_push(self, which: int, pause: float | None) -> None:
        targets = self.can_be_set * 2 + self.pistons
        self.push_piston("set", pause)
        self.push_piston(targets[which % len(targets)], 1 / 64)

    def push_piston(self, name: str, pause: float | None) -> None:
        self.last_pushed = name
        if name not in self.down:
            self.happen(PistonPressed(name), pause)
            self.happen(PistonReleased(name), 1 / 64)

    @rule(which=WHICH, pause=PAUSES)
    def press_or_release(self, which: int, pause: float | None) -> None:
        name = self.pistons[which % len(self.pistons)] if which else "set"
        self.happen(PistonReleased(name) if name in self.down else PistonPressed(name), pause)
        self.down ^= {name}

    @precondition(lambda self: self.second_touches)
    @rule(which=WHICH, pause=PAUSES)
    def press_or_release_deeper(self, which: int, pause: float | None) -> None:
        """Second touches, with the first touch down or, its contact being bad, without."""
        name = self.second_touches[which % len(self.second_touches)]
        deep = name in self.deep
        self.happen(SecondTouchReleased(name) if deep else SecondTouchPressed(name), pause)
        self.deep ^= {name}

    @rule(which=WHICH, closed=st.booleans(), pause=PAUSES)
    def stick_or_free(self, which: int, closed: bool, pause: float | None) -> None:
        """A contact sticks, or opens; the piston's other contact may be closed or not."""
        name = self.pistons[which % len(self.pistons)] if which else "set"
        pin = self.both.model.piston(name).contact[0].pin
        if pin in self.stuck:
            self.stuck.remove(pin)
            self.happen(PistonFreed(name, pin), pause)
            return
        self.stuck.add(pin)
        self.happen(PistonStuck(name, pin), pause)
        if name in self.down and not closed:
            self.down.remove(name)
            self.happen(PistonReleased(name), 0)

    # Crescendo, sequence, memory, time.

    @rule(reading=st.integers(0, 127), pause=PAUSES)
    def move_crescendo(self, reading: int, pause: float | None) -> None:
        self.reading = reading
        self.happen(CrescendoMoved(reading), pause)

    @rule(by=st.integers(-4, 4), pause=PAUSES)
    def move_crescendo_a_little(self, by: int, pause: float | None) -> None:
        self.move_crescendo(max(0, min(self.reading + by, 127)), pause)

    @rule(
        event=st.sampled_from((None, "evening", "recital", LOST)).map(SequenceChosen)
        | st.integers(0, 12).map(lambda number: StepChosen(Decimal(number) / 2)),
        pause=PAUSES,
    )
    def turn_pages(self, event: Event, pause: float | None) -> None:
        self.happen(event, pause)

    @rule(
        event=st.sampled_from(
            (
                *(UndoAsked(), RedoAsked()) * 2,
                *(MemoryLockTurned(True), *(MemoryLockTurned(False),) * 3),
            )
        ),
        pause=PAUSES,
    )
    def use_the_desk(self, event: Event, pause: float | None) -> None:
        self.happen(event, pause)

    @precondition(lambda self: self.both.model.waiting or self.both.model.unkept)
    @rule(again=st.booleans(), kept=st.sampled_from((True, True, False)), pause=PAUSES)
    def store_answers(self, again: bool, kept: bool, pause: float | None) -> None:
        """The store answers for changes in their order; those that failed it may try again."""
        model = self.both.model
        waiting, unkept = list(model.waiting), list(model.unkept)
        number = unkept[0] if unkept and (again or not waiting) else waiting[0]
        self.happen(ChangeKept(number) if kept else ChangeNotKept(number), pause)

    @rule(pause=seconds(0, 800))
    def wait(self, pause: float) -> None:
        self.both.wait(self.both.now + pause)


def test_they_agree_whatever_happens() -> None:
    run_state_machine_as_test(
        AtAConsole,
        settings=settings(
            max_examples=int(EXAMPLES or 80),
            stateful_step_count=80,
            derandomize=EXAMPLES is None,
            deadline=None,
            database=None,
            suppress_health_check=list(HealthCheck),
        ),
    )


@settings(derandomize=EXAMPLES is None, deadline=None, database=None)
@given(console=consoles())
def test_the_consoles_have_no_errors(console: Console) -> None:
    assert [found for found in check(console) if found.severity is Severity.ERROR] == []


@settings(
    max_examples=int(EXAMPLES or 60), derandomize=EXAMPLES is None, deadline=None, database=None
)
@given(console=consoles())
def test_they_agree_on_what_each_piston_affects(console: Console) -> None:
    ranges, model = Ranges(console), PlainModel(console, PlainMemory())

    def ids(bits: int) -> Ids:
        return frozenset(ranges.roster.registration(bits))

    for piston in console.pistons:
        if piston.kind in RECALLING:
            assert ids(ranges.affects[piston.id]) == model.affects(piston)
        elif piston.kind is Kind.FULL_ORGAN:
            sounds, silences = ranges.full_organs[piston.id]
            assert ids(sounds) == model.full_organ_list(piston)
            assert ids(silences) == model.full_organ_silences(piston)
    for division in console.divisions:
        assert ids(ranges.cancelled[division.id]) == model.cancelled_in(division.id)
        divisional = Piston(id="d", label=("D",), kind=Kind.DIVISIONAL, division=division.id)
        assert ids(ranges.affected_by(divisional)) == model.affects(divisional)
    for stage, (adds, silences) in enumerate(ranges.stages, start=1):
        assert ids(adds) == model.stage_list(stage)
        assert ids(silences) == model.stage_silences(stage)


@pytest.mark.parametrize("stages", [1, 2, 3, 5, 7, 60])
@pytest.mark.parametrize("hysteresis", [0, 2, 16, 100])
@pytest.mark.parametrize(("heel", "toe"), [(0, 127), (127, 0), (4, 124), (63, 65)])
def test_they_agree_on_the_crescendo_at_every_reading(
    stages: int, hysteresis: int, heel: int, toe: int
) -> None:
    """From closed, from each stage and back: up through every reading, and down again."""
    stage = Stage(sounds=Selection(everything=True))
    crescendo = Crescendo((stage,) * stages, None, heel, toe, hysteresis)
    console = Console(format=1, name="Pier", action=Action.BLIND, crescendo=crescendo)
    both = Both(console, fresh_bank(console))
    up = list(range(128))
    for reading in (*up, *reversed(up), *up[::3], *up[::-5], 64, 60, 66, 58, 68, 56, 70):
        both.happen(CrescendoMoved(reading), at=both.now)
    assert both.model.stage_at(toe) == stages


# Too rare for the search to be sure of, or disagreements once: the smallest example of each.


def one_general(action: Action, *pistons: Piston) -> Console:
    """A console of one stop and one general, which, blind, releases when pressed again."""
    return Console(
        format=1,
        name="Pier Chapel",
        action=action,
        again=Again.RELEASE if action is Action.BLIND else Again.RECALL,
        levels=2,
        ranks=(Rank("flute", "Flute"),),
        stops=(Stop(id="a", label=("Flute",), rank="flute"),),
        pistons=(Piston(id="g1", label=("1",), kind=Kind.GENERAL), *pistons),
    )


def test_again_after_another_set_recalls() -> None:
    """A piston set since it was engaged has another value now: the press is an ordinary one."""
    console = one_general(Action.BLIND, Piston(id="set", label=("Set",), kind=Kind.SET))
    bank = fresh_bank(console)
    bank.put(Slot("g1", 1), Combination(0))
    both = Both(console, bank)
    for event in (
        *(PistonPressed("g1"), PistonReleased("g1"), TabMoved("a", True)),
        *(PistonPressed("set"), PistonPressed("g1"), PistonReleased("g1"), PistonReleased("set")),
        PistonPressed("g1"),
    ):
        both.happen(event, at=0.0)
    assert both.model.lit == {"g1"}
    assert both.model.held == {"a"}


@pytest.mark.parametrize("place", ["4", "100", "1.5", "2.5"])
def test_previous_from_a_place_where_there_is_no_step(place: str) -> None:
    """A place left behind by a written sequence, or by a console that had more generals.

    "Previous moves to the neighbouring step" (semantics.md I.6): the last of those before it.
    """
    console = one_general(Action.LIT, Piston(id="back", label=("Back",), kind=Kind.PREVIOUS))
    bank = fresh_bank(console)
    bank.place = Decimal(place)
    both = Both(console, bank)
    both.happen(PistonPressed("back"), at=0.0)
    assert both.action.bank.place == (1 if place == "1.5" else 2)
