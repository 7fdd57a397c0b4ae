"""The relay beside the plainer model of it, event by event.

Hypothesis builds a console, then lets any keys, stops, shoes and times happen to both. After each
event the two must agree on every line, pipe, output and shade, and what the relay tells in its
effects, added up, must be its state. Set STOPWRIGHT_EXAMPLES to a number of runs for a longer
search than the few that are always the same.
"""

import os
from fractions import Fraction
from itertools import product
from math import ceil
from random import Random
from typing import Any

import pytest
from attrs import define, evolve, field
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from combination.checking import check
from combination.effects import (
    Effect,
    OutputsOff,
    OutputsOn,
    ShadesMoved,
    TransposerTurned,
)
from combination.events import (
    KeyMoved,
    RelayEvent,
    ShoeMoved,
    TransposerMoved,
    TransposerStepped,
)
from combination.findings import Severity
from combination.model import (
    Action,
    Chamber,
    Console,
    Coupler,
    Division,
    Keyboard,
    LinesOut,
    Percussion,
    Rank,
    Shoe,
    StateOut,
    Stop,
    Stroke,
    Trap,
    Tremulant,
)
from combination.registration import Roster
from combination.relay import Relay
from tests.plain_relay import PlainRelay
from tests.relay_strategies import ENGINES, organ_consoles, relay_consoles
from tests.strategies import seconds

EXAMPLES = os.environ.get("STOPWRIGHT_EXAMPLES")

Outputs = set[tuple[str, str | int]]
"""Pipes by their rank, lines by their division, controls as they are."""


def outputs(effect: OutputsOff | OutputsOn) -> Outputs:
    """What an effect turns on or off, each thing once."""
    found: list[tuple[str, str | int]] = [("control", name) for name in effect.controls]
    for kind, several in (("rank", effect.pipes), ("division", effect.lines)):
        for name, numbers in several:
            assert numbers
            found += [(f"{kind} {name}", number) for number in numbers]
    assert found
    assert len(set(found)) == len(found)
    return set(found)


@define
class Told:
    """What a listener knows who has only ever heard the effects."""

    on: Outputs = field(factory=set)
    shades: dict[str, int] = field(factory=dict)
    transposer: int = 0
    strokes: dict[str, int] = field(factory=dict)
    """By control, how often it has been turned on."""

    def hear(self, effect: Effect) -> None:
        """Take an effect, and make sure that it is news."""
        match effect:
            case OutputsOff():
                off = outputs(effect)
                assert off <= self.on
                self.on -= off
            case OutputsOn():
                on = outputs(effect)
                assert not on & self.on
                self.on |= on
                for name in effect.controls:
                    self.strokes[name] = self.strokes.get(name, 0) + 1
            case ShadesMoved(chamber, position, before):
                assert before == self.shades.get(chamber)
                assert position != before
                self.shades[chamber] = position
            case TransposerTurned(semitones):
                assert semitones != self.transposer
                self.transposer = semitones
            case _:
                raise AssertionError(effect)


class Both:
    """The relay and the model on one console.

    Where the relay is not ``punctual``, it is told of time only when something else happens.
    """

    def __init__(self, console: Console, *, punctual: bool = True, start: float = 0.0) -> None:
        self.console = console
        self.roster = Roster(control.id for control in console.controls)
        self.model = PlainRelay(console, now=start)
        self.relay = Relay(console, at=start)
        self.told = Told()
        self.heard: list[tuple[OutputsOff | OutputsOn, Outputs]] = []
        self.punctual = punctual
        self.agree()

    @property
    def now(self) -> float:
        return self.model.now

    def happen(self, event: RelayEvent, at: float) -> None:
        """Let an event happen to both, at its time in seconds; or be refused by both."""
        self.pass_time(at)
        refused: list[type[Exception]] = []
        effects: list[Effect] = []
        try:
            self.model.receive(event, at)
        except (KeyError, ValueError) as error:
            refused.append(type(error))
        if refused:
            with pytest.raises(refused[0]):
                self.relay.receive(event, at)
        else:
            effects = self.relay.receive(event, at)
        self.compare(effects)

    def sound(self, controls: set[str], at: float) -> None:
        self.pass_time(at)
        self.model.sound(controls, at)
        self.compare(self.relay.register(self.roster.bits(controls), at))

    def wait(self, until: float) -> None:
        self.pass_time(until)
        self.model.tick(until)
        self.compare(self.relay.tick(until))

    def pass_time(self, until: float) -> None:
        """Where the relay is punctual, tick it at each time that it named."""
        while self.punctual:
            due = self.relay.next_due
            if due is None or due > until:
                break
            assert due > self.now
            self.model.tick(due)
            self.compare(self.relay.tick(due))

    def compare(self, effects: list[Effect]) -> None:
        """Whether the effects are news, the earlier ones still say what they said, and all agree.

        What an effect says costs nothing until it is looked into, which may be later.
        """
        for effect in effects:
            self.told.hear(effect)
        for earlier, said in self.heard:
            assert outputs(earlier) == said
        turned = [effect for effect in effects if isinstance(effect, OutputsOff | OutputsOn)]
        self.heard = [(effect, outputs(effect)) for effect in turned] or self.heard
        if self.punctual:
            in_order = [type(effect) for effect in turned]
            assert in_order in ([], [OutputsOff], [OutputsOn], [OutputsOff, OutputsOn])
            chambers = [e.chamber for e in effects if isinstance(e, ShadesMoved)]
            assert len(set(chambers)) == len(chambers)
        self.agree()

    def agree(self) -> None:
        """Whether the two are in the same state, and the effects have told it."""
        relay, model, console = self.relay, self.model, self.console
        on: Outputs = {("control", name) for name in model.switched()}
        for keyboard in console.keyboards:
            assert relay.keys_down(keyboard.id) == model.keys[keyboard.id]
        for division in console.divisions:
            assert relay.lines(division.id) == model.lines(division.id)
            lines = model.lines_on(division.id) if division.out is not None else set()
            assert relay.lines_on(division.id) == lines
            on |= {(f"division {division.id}", line) for line in lines}
        for rank in console.ranks:
            assert relay.pipes(rank.id) == model.pipes(rank.id)
            blown = model.blown(rank.id)
            assert relay.blown(rank.id) == blown
            on |= {(f"rank {rank.id}", pipe) for pipe in blown}
        assert relay.switched == model.switched()
        assert self.told.on == on
        for trap, strikes in model.strikes.items():
            assert self.told.strokes.get(trap, 0) == strikes
        for chamber in console.chambers:
            shades = model.shades(chamber.id)
            assert relay.shades(chamber.id) == shades == self.told.shades.get(chamber.id)
        assert relay.transposer == model.transposer == self.told.transposer
        assert set(self.roster.registration(relay.sounding)) == model.sounding
        assert relay.next_due == model.next_due


PAUSES = st.sampled_from((0.0, 0.0, 0.0, 1 / 64, 1 / 64, 1 / 8, 0.5, None, None))
"""Seconds until an event; None: until something falls due."""
WHICH = st.integers(0, 15)
WHICH_KEY = st.integers(0, 63)


def on_the_grid(time: float) -> float:
    """The next whole 64th of a second: a trap's tenth would make the sums of others inexact."""
    return ceil(time * 64) / 64


class AtAnOrgan(RuleBasedStateMachine):
    """Hands, feet and pistons on a console that hypothesis made."""

    both: Both

    @initialize(data=st.data(), punctual=st.booleans(), start=seconds(0, 640))
    def switch_on(self, data: st.DataObject, punctual: bool, start: float) -> None:
        console = data.draw(relay_consoles())
        self.both = Both(console, punctual=punctual, start=start)
        self.controls = [control.id for control in console.controls]
        self.keys = [
            (k.id, k.lowest + n) for n in range(16) for k in console.keyboards if n < k.keys
        ]
        self.shoes = [shoe.id for shoe in console.shoes]
        self.last_key = self.keys[0]
        self.reading = 0
        self.press_a_piston(data.draw(st.sets(WHICH, max_size=3)), True, 0.0)
        self.press_a_chord(data.draw(st.lists(WHICH_KEY, min_size=1, max_size=4)), 0.0)

    def after(self, pause: float | None) -> float:
        """When the next event comes, perhaps at the very time at which something falls due."""
        due = self.both.model.next_due
        if pause is not None or due is None:
            return self.both.now + (pause or 0)
        if due != on_the_grid(due):
            self.both.wait(due)
        return on_the_grid(due)

    def happen(self, event: RelayEvent, pause: float | None) -> None:
        self.both.happen(event, self.after(pause))

    # Keys.

    @rule(which=WHICH_KEY, pause=PAUSES)
    def move_key(self, which: int, pause: float | None) -> None:
        self.last_key = keyboard, key = self.keys[which % len(self.keys)]
        self.happen(KeyMoved(keyboard, key, key not in self.both.model.keys[keyboard]), pause)

    @rule(pause=PAUSES, then=PAUSES)
    def repeat_key(self, pause: float | None, then: float | None) -> None:
        """The key that was moved last goes up, if it is down, and down again."""
        self.happen(KeyMoved(*self.last_key, False), pause)
        self.happen(KeyMoved(*self.last_key, True), then)

    @rule(which=st.lists(WHICH_KEY, min_size=2, max_size=4), pause=PAUSES)
    def press_a_chord(self, which: list[int], pause: float | None) -> None:
        """Some keys at once, those among them that are down already as well."""
        for number in which:
            self.last_key = self.keys[number % len(self.keys)]
            self.happen(KeyMoved(*self.last_key, True), pause)
            pause = 0.0

    @rule(again=st.booleans(), pause=PAUSES)
    def release_all(self, again: bool, pause: float | None) -> None:
        """Every key goes up, and perhaps the same ones go down again in the same instant."""
        down = [(name, key) for name, keys in self.both.model.keys.items() for key in sorted(keys)]
        for now_down in (False, True) if again else (False,):
            for keyboard, key in down:
                self.happen(KeyMoved(keyboard, key, now_down), pause)
                pause = 0.0

    @invariant()
    def nothing_ciphers(self) -> None:
        """With every key up nothing is asked of any pipe (semantics.md II.2)."""
        console, relay = self.both.console, self.both.relay
        if not any(relay.keys_down(keyboard.id) for keyboard in console.keyboards):
            assert not any(relay.pipes(rank.id) for rank in console.ranks)

    # What sounds.

    @rule(which=WHICH, pause=PAUSES)
    def turn_one(self, which: int, pause: float | None) -> None:
        name = self.controls[which % len(self.controls)]
        self.both.sound(self.both.model.sounding ^ {name}, self.after(pause))

    @rule(
        which=st.sets(WHICH, max_size=4),
        all_but=st.sampled_from((True, True, False)),
        pause=PAUSES,
    )
    def press_a_piston(self, which: set[int], all_but: bool, pause: float | None) -> None:
        chosen = {self.controls[number % len(self.controls)] for number in which}
        sounding = set(self.controls) - chosen if all_but else chosen
        self.both.sound(sounding, self.after(pause))

    # Shoes, transposer, time.

    @precondition(lambda self: self.shoes)
    @rule(which=WHICH, reading=st.integers(0, 127), by=st.none() | st.integers(-8, 8), pause=PAUSES)
    def move_shoe(self, which: int, reading: int, by: int | None, pause: float | None) -> None:
        """A shoe anywhere, or one of them near where one of them was last."""
        if by is not None:
            reading = max(0, min(self.reading + by, 127))
        self.reading = reading
        self.happen(ShoeMoved(self.shoes[which % len(self.shoes)], reading), pause)

    @rule(
        event=st.sampled_from((0, 0, 0, 1, -2, 6, -6)).map(TransposerMoved)
        | st.sampled_from((-13, -7, -1, 1, 2, 5, 13)).map(TransposerStepped),
        pause=PAUSES,
    )
    def transpose(self, event: RelayEvent, pause: float | None) -> None:
        self.happen(event, pause)

    @rule(pause=seconds(0, 100))
    def wait(self, pause: float) -> None:
        self.both.wait(self.both.now + pause)

    @rule(data=st.data(), pause=PAUSES)
    def do_what_cannot_be(self, data: st.DataObject, pause: float | None) -> None:
        keyboard = data.draw(st.sampled_from(self.both.console.keyboards))
        events: list[RelayEvent] = [
            KeyMoved("lost", keyboard.lowest, True),
            KeyMoved(keyboard.id, keyboard.lowest - 1, True),
            KeyMoved(keyboard.id, keyboard.lowest + keyboard.keys, False),
            TransposerMoved(7),
            TransposerMoved(-7),
            ShoeMoved("lost", 0),
            *(ShoeMoved(shoe, reading) for shoe in self.shoes for reading in (-1, 128)),
        ]
        self.happen(data.draw(st.sampled_from(events)), pause)


def test_they_agree_whatever_happens() -> None:
    run_state_machine_as_test(
        AtAnOrgan,
        settings=settings(
            max_examples=int(EXAMPLES or 30),
            stateful_step_count=60,
            derandomize=EXAMPLES is None,
            deadline=None,
            database=None,
            suppress_health_check=list(HealthCheck),
        ),
    )


def organ_with_everything() -> Console:
    """Every kind of thing that the relay knows, on two keyboards that lie under each other."""
    flute = Rank("flute", "Flute", pitch=Fraction(16), first_key=30, pipes=61)

    def stop(name: str, division: str, rank: str, **more: Any) -> Stop:
        return Stop(id=name, label=(name,), division=division, rank=rank, **more)

    def coupler(name: str, keys: str, plays: str, shift: int, **more: Any) -> Coupler:
        return Coupler(id=name, label=(name,), keys=keys, plays=plays, shift=shift, **more)

    return Console(
        format=1,
        name="Tidewater Hall",
        action=Action.BLIND,
        keyboards=(Keyboard("great", "Great", 36, 8), Keyboard("pedal", "Pedal", 36, 5)),
        divisions=(
            Division("great", "Great", "great", 30, 30, LinesOut("lines", 1, longest_on=0.5)),
            Division("solo", "Solo", None, 36, 24, LinesOut("lines", 2)),
            Division("pedal", "Pedal", "pedal", out=LinesOut("lines", 3, bare=True)),
        ),
        ranks=(
            flute,
            evolve(flute, id="viola"),
            evolve(flute, id="horn", longest_on=0.75),
            evolve(flute, id="harp", stroke=Stroke.ONCE, longest_on=0.125),
            evolve(flute, id="bells", stroke=Stroke.REITERATE, rate=4.0, longest_on=0.25),
            evolve(flute, id="drums", stroke=Stroke.REITERATE, rate=2.0, longest_on=0.0625),
        ),
        stops=(
            stop("flute-8", "great", "flute", pitch=Fraction(8)),
            stop("viola-8", "great", "viola", pitch=Fraction(8)),
            stop("horn-16", "solo", "horn"),
            stop("flute-2", "pedal", "flute", pitch=Fraction(2), repeats=True),
        ),
        couplers=(
            coupler("octave", "great", "great", 12),
            coupler("fifth", "great", "solo", 7),
            coupler("down", "great", "pedal", 0),
            coupler("pluck", "great", "solo", 0, pizzicato=True, pizzicato_time=0.25),
            coupler("pluck-up", "pedal", "great", 12, pizzicato=True, pizzicato_time=0.125),
            Coupler(id="off", label=("off",), division="great", unison_off=True),
        ),
        tremulants=(
            Tremulant(id="shake", label=("shake",), out=StateOut("states", 1, 0, longest_on=0.5)),
            Tremulant(id="sway", label=("sway",), out=StateOut("states", 1, 2)),
        ),
        percussions=tuple(
            Percussion(id=f"{rank}-16", label=(rank,), division=division, rank=rank)
            for rank, division in (("harp", "great"), ("bells", "great"), ("drums", "solo"))
        ),
        traps=(
            Trap(id="drum", label=("drum",), division="great"),
            Trap(
                id="gong",
                label=("gong",),
                division="solo",
                out=StateOut("states", 1, 1, longest_on=0.375),
            ),
        ),
        chambers=(
            Chamber("swell", "Swell", curve=(0, 90, 127)),
            Chamber("solo", "Solo", stages=4, shades="engines.1"),
        ),
        shoes=(
            Shoe("left", "Left", ("swell",), all_control="shake"),
            Shoe("right", "Right", ("swell", "solo"), None, 120, 8, all_control="sway"),
        ),
        boards=(ENGINES,),
    )


@pytest.mark.parametrize("punctual", [False, True])
def test_they_agree_on_a_long_walk_over_an_organ_with_everything(punctual: bool) -> None:
    """Where the search has a new console each time, here everything meets on the same one."""
    console = organ_with_everything()
    both, chance = Both(console, punctual=punctual), Random(1)
    keys = [(k.id, k.lowest + number) for k in console.keyboards for number in range(k.keys)]
    controls = [control.id for control in console.controls]
    for _ in range(1000):
        pause = chance.choice((0, 0, 0, 1, 2, 4, 6, 8, 24)) / 64
        at = on_the_grid(both.now) + pause
        match chance.choice("kkkkkkccccpst"):
            case "k":
                keyboard, key = chance.choice(keys)
                down = chance.random() < (0.25 if len(both.model.keys[keyboard]) > 2 else 0.6)
                both.happen(KeyMoved(keyboard, key, down), at)
            case "c":
                both.sound(both.model.sounding ^ {chance.choice(controls)}, at)
            case "p":
                both.sound(set(chance.sample(controls, 9)), at)
            case "s":
                shoe = chance.choice(console.shoes).id
                both.happen(ShoeMoved(shoe, chance.choice((0, 24, 25, 26, 60, 76, 78, 127))), at)
            case "t":
                both.happen(TransposerMoved(chance.choice((0, 0, -6, 2, 5))), at)


@settings(
    max_examples=int(EXAMPLES or 15),
    derandomize=EXAMPLES is None,
    deadline=None,
    database=None,
    suppress_health_check=list(HealthCheck),
)
@given(console=organ_consoles())
@example(console=organ_with_everything())
def test_the_consoles_have_no_errors(console: Console) -> None:
    """Every console of these strategies is one of `relay_consoles`, with pistons or not."""
    assert [found for found in check(console) if found.severity is Severity.ERROR] == []


@settings(
    max_examples=int(EXAMPLES or 15),
    derandomize=EXAMPLES is None,
    deadline=None,
    database=None,
    suppress_health_check=list(HealthCheck),
)
@given(console=relay_consoles())
def test_they_agree_on_the_pipe_of_every_line_of_every_stop(console: Console) -> None:
    """Each division has a keyboard with a key for each of its lines, and nothing is coupled."""
    lines = {division.id: console.lines_of(division) for division in console.divisions}
    console = evolve(
        console,
        keyboards=tuple(Keyboard(name, name, *its) for name, its in lines.items()),
        divisions=tuple(evolve(division, keyboard=division.id) for division in console.divisions),
        couplers=(),
        shoes=(),
    )
    model, relay = PlainRelay(console), Relay(console)
    roster = Roster(control.id for control in console.controls)
    for stop in (*console.stops, *console.percussions):
        model.sound({stop.id}, at=0.0)
        relay.register(roster.bit(stop.id), at=0.0)
        lowest, count = lines[stop.division or ""]
        for move in (
            KeyMoved(stop.division or "", line, down)
            for line in range(lowest, lowest + count)
            for down in (True, False)
        ):
            model.receive(move, at=0.0)
            relay.receive(move, at=0.0)
            for rank in console.ranks:
                assert relay.pipes(rank.id) == model.pipes(rank.id)


# The order of things.

Move = KeyMoved | TransposerMoved | str
"""A key, the transposer, or a control that is turned the other way."""


@st.composite
def moves(draw: st.DrawFn, console: Console) -> list[Move]:
    """Controls to draw, keys to press, and where the transposer is put: each thing once."""
    controls = [control.id for control in console.controls]
    keys = [
        KeyMoved(keyboard.id, keyboard.lowest + number, True)
        for keyboard in console.keyboards
        for number in range(keyboard.keys)
    ]
    return [
        *draw(st.lists(st.sampled_from(controls), unique=True)),
        *draw(st.lists(st.sampled_from(keys), unique=True, max_size=8)),
        TransposerMoved(draw(st.integers(-6, 6))),
    ]


def seen(console: Console, done: list[Move]) -> dict[str, Any]:
    """Lines and pipes, and what of them is on where no time limits it, after some moves."""
    relay = Relay(console)
    roster = Roster(control.id for control in console.controls)
    for at, move in enumerate(done):
        if isinstance(move, str):
            relay.register(relay.sounding ^ roster.bit(move), float(at))
        else:
            relay.receive(move, float(at))
    untimed = [rank.id for rank in console.ranks if rank.rate is None and rank.longest_on is None]
    return {
        "lines": {division.id: relay.lines(division.id) for division in console.divisions},
        "pipes": {rank.id: relay.pipes(rank.id) for rank in console.ranks},
        "blown": {rank: relay.blown(rank) for rank in untimed},
    }


@settings(
    max_examples=int(EXAMPLES or 15),
    derandomize=EXAMPLES is None,
    deadline=None,
    database=None,
    suppress_health_check=list(HealthCheck),
)
@given(data=st.data())
def test_the_order_of_stops_and_keys_never_matters(data: st.DataObject) -> None:
    """Nor do things done on the way and undone again: semantics.md II.2 is a function.

    But for plucked keys, which give their lines only for a time.
    """
    console = data.draw(relay_consoles())
    couplers = (evolve(coupler, pizzicato=False) for coupler in console.couplers)
    console = evolve(console, couplers=tuple(couplers))
    wanted = data.draw(moves(console))
    detour = data.draw(moves(console))
    undone = [
        evolve(move, down=False) if isinstance(move, KeyMoved) else move
        for move in detour
        if not isinstance(move, TransposerMoved)
    ]
    straight = seen(console, wanted)
    assert seen(console, data.draw(st.permutations(wanted))) == straight
    assert seen(console, [*detour, *data.draw(st.permutations(undone)), *wanted]) == straight
    for rank, blown in straight["blown"].items():
        assert blown == straight["pipes"][rank]


# Too rare for the search to be sure of.


@pytest.mark.parametrize("pizzicato", [False, True])
@pytest.mark.parametrize(
    ("key", "shift", "transposed", "line"),
    [(2, 12, -6, 8), (8, -12, 6, 2), (125, -12, 6, 119), (118, 12, -6, 124)],
)
def test_a_key_may_leave_the_numbers_of_midi_on_the_way(
    key: int, shift: int, transposed: int, line: int, pizzicato: bool
) -> None:
    """Transposer and shift are one sum: only the division's own lines limit it."""
    coupler = Coupler(
        id="c", label=("C",), keys="great", plays="echo", shift=shift, pizzicato=pizzicato
    )
    console = Console(
        format=1,
        name="Pier",
        action=Action.BLIND,
        keyboards=(Keyboard("great", "Great", lowest=0, keys=128),),
        divisions=(Division("echo", "Echo", lowest=0, lines=128),),
        couplers=(coupler,),
    )
    both = Both(console)
    both.sound({"c"}, at=0.0)
    both.happen(TransposerMoved(transposed), at=0.0)
    both.happen(KeyMoved("great", key, True), at=0.0)
    assert both.relay.lines("echo") == {line}


@pytest.mark.parametrize(("flute", "viola"), list(product((None, 0.25), repeat=2)))
def test_ranks_that_are_drawn_alike_part_and_meet_again(
    flute: float | None, viola: float | None
) -> None:
    """Stops a and b draw two ranks in the same way; both stops and a key turn in every order."""
    console = Console(
        format=1,
        name="Pier",
        action=Action.BLIND,
        keyboards=(Keyboard("great", "Great"),),
        divisions=(Division("great", "Great", "great"),),
        ranks=(Rank("flute", "Flute", longest_on=flute), Rank("viola", "Viola", longest_on=viola)),
        stops=tuple(
            Stop(id=name, label=(name,), division="great", rank=rank)
            for name, rank in (("a", "flute"), ("b", "viola"))
        ),
    )
    for turns in product(("a", "b", "key"), repeat=4):
        both = Both(console)
        for number, turn in enumerate(turns):
            if turn == "key":
                down = not both.model.keys["great"]
                both.happen(KeyMoved("great", 60, down), at=number / 8)
            else:
                both.sound(both.model.sounding ^ {turn}, at=number / 8)


# Shades.

HEELS_AND_TOES = [(0, 127), (127, 0), (4, 124), (63, 65)]
ALL_READINGS = (
    *range(128),
    *reversed(range(128)),
    *range(0, 128, 3),
    *reversed(range(0, 128, 5)),
    *(64, 60, 66, 58, 68, 56, 70),
)


def follow_the_shoe(chamber: Chamber, heel: int, toe: int) -> Both:
    console = Console(
        format=1,
        name="Pier",
        action=Action.BLIND,
        chambers=(chamber,),
        shoes=(Shoe("shoe", "Shoe", (chamber.id,), None, heel, toe),),
    )
    both = Both(console)
    for reading in ALL_READINGS:
        both.happen(ShoeMoved("shoe", reading), at=0.0)
    return both


@pytest.mark.parametrize("stages", [1, 2, 3, 5, 7, 31, 32, 60, 127])
@pytest.mark.parametrize(("heel", "toe"), HEELS_AND_TOES)
def test_they_agree_on_a_shade_engine_at_every_reading(stages: int, heel: int, toe: int) -> None:
    both = follow_the_shoe(Chamber("swell", "Swell", stages=stages, shades="engine.1"), heel, toe)
    for reading, stage in ((toe, stages), (heel, 0)):
        both.happen(ShoeMoved("shoe", reading), at=0.0)
        assert both.model.shades("swell") == stage


@pytest.mark.parametrize("curve", [(), (0, 127), (127, 0), (0, 1), (20, 90, 90, 127, 3)])
@pytest.mark.parametrize(("heel", "toe"), HEELS_AND_TOES)
def test_they_agree_on_a_curve_at_every_reading(
    curve: tuple[int, ...], heel: int, toe: int
) -> None:
    both = follow_the_shoe(Chamber("swell", "Swell", curve=curve), heel, toe)
    for reading, end in ((toe, -1), (heel, 0)):
        both.happen(ShoeMoved("shoe", reading), at=0.0)
        assert both.model.shades("swell") == (curve or (0, 127))[end]
