"""Every state of a small console that can be reached from power-on, and what must hold in each.

Five controls and six pistons under four actions. The search is breadth first, through every tab,
every piston, and the latch running out; times are forgotten but for that. The invariants are
worked out again with sets of ids, from semantics.md Part I. To put the action back into a state
the search reaches into it; it decides nothing there.
"""

from collections import deque
from collections.abc import Hashable, Iterator
from typing import Any, NamedTuple

import pytest

from combination.action import CombinationAction
from combination.effects import PistonLampsChanged, RailChanged, SoundingChanged
from combination.events import Event, PistonPressed, PistonReleased, TabMoved
from combination.memory import Bank, Combination, Slot, fresh_bank
from combination.model import (
    Action,
    Console,
    Coupler,
    Division,
    Effect,
    Keyboard,
    Kind,
    Piston,
    Rank,
    Selection,
    Stop,
    WhileGoverned,
)
from combination.ranges import Ranges
from combination.registration import Roster
from tests.figures import Figures

Ids = frozenset[str]
Graph = dict[int, dict[str, int]]
"""By number of a state, where each move leads: a tab over, a piston pushed, set down or up, the
latch over."""
TABS = ("a", "x", "c")
"""Great a and its octave coupler x, Pedal c. Great b has no tab; nor has the bell n, which is
never captured and has a reversible."""
PUSHED = ("g1", "gt1", "rn", "fo", "gc")
LISTED = frozenset("abc")
SILENCED = frozenset("n")
LATCH_OVER = "latch over"
PULSES_OVER = 1.0
"""Seconds: longer than any pulse, and far from the latch's ten."""


def small(action: Action, while_governed: WhileGoverned) -> Console:
    """A console on which G1 cannot be set, GT1 can, and FO silences the bell."""

    def piston(name: str, kind: Kind, **more: Any) -> Piston:
        return Piston(id=name, label=(name.upper(),), kind=kind, **more)

    def stop(name: str, division: str) -> Stop:
        return Stop(id=name, label=(name,), division=division, rank="flute")

    return Console(
        format=1,
        name="Pier Chapel",
        action=action,
        while_governed=while_governed,
        levels=1,
        keyboards=(Keyboard("great", "Great"), Keyboard("pedal", "Pedal")),
        divisions=(Division("great", "Great", "great"), Division("pedal", "Pedal", "pedal")),
        ranks=(Rank("flute", "Flute"),),
        stops=(stop("a", "great"), stop("b", "great"), stop("c", "pedal")),
        couplers=(Coupler(id="x", label=("x",), keys="great", plays="great", shift=12),),
        effects=(Effect(id="n", label=("n",), captured=False),),
        pistons=(
            piston("set", Kind.SET),
            piston("g1", Kind.GENERAL, settable=False),
            piston(
                "gt1", Kind.DIVISIONAL, division="great", affects=Selection(controls=("a", "x"))
            ),
            piston("rn", Kind.REVERSIBLE, control="n"),
            piston(
                "fo",
                Kind.FULL_ORGAN,
                sounds=Selection(controls=tuple(LISTED)),
                silences=Selection(controls=tuple(SILENCED)),
            ),
            piston("gc", Kind.GENERAL_CANCEL),
        ),
    )


def bank_of(console: Console) -> Bank:
    """G1 = {b c}, GT1 = {a x}."""
    bank = fresh_bank(console)
    bank.put(Slot("g1", 1), Combination(bank.roster.bits("bc")))
    bank.put(Slot("gt1", 1), Combination(bank.roster.bits("ax")))
    return bank


class State(NamedTuple):
    """Everything an action holds but its past; ``number`` is equal where the future is."""

    simple: tuple[Any, ...]
    holders: tuple[Any, ...]
    gt1: Combination
    number: int


class Explorer:
    """One action, put into one state after another, and the graph of where that led."""

    def __init__(self, console: Console) -> None:
        self.console = console
        self.action = CombinationAction(console, bank_of(console))
        self.roster = self.action.ranges.roster
        self.g1 = self.action.bank.levels[1].combinations["g1"]
        self.affects = {p: self.ids(self.action.ranges.affects[p]) for p in ("g1", "gt1")}
        state = {name: value for name, value in vars(self.action).items() if _can_change(value)}
        self.holders = [name for name in state if isinstance(state[name], dict | list | set)]
        self.simple = [name for name in state if name not in self.holders]
        # Which piston last gripped a control explains what sounds, and what a tab without
        # contacts reported is asked by nobody: neither decides anything.
        self.deciding = [name for name in self.holders if name != "_gripped"]
        self.numbers: dict[Hashable, int] = {}
        self.graph: Graph = {}

    def number(self) -> int:
        """Settle the action, and number the state it is in, if it is a new one."""
        return self.numbers.setdefault(self.settle(), len(self.numbers))

    def settle(self) -> Hashable:
        """Put the action's clock at 0, forget its past, and say which state it is in."""
        action = self.action
        action._now = action._last_pulse = 0.0
        action._asked = action._reported = 0
        action._undo.clear()
        action._redo.clear()
        # Whether set was used is asked only when it is released.
        action._set_used = action._set_used and bool(action._set_down)
        if action.armed_until is not None:
            action.armed_until = self.console.setting.latch_time
        now = vars(action)
        return (
            tuple([now[name] for name in self.simple]),
            tuple([_frozen(now[name]) for name in self.deciding]),
            action.bank.levels[1].combinations["gt1"],
        )

    def save(self, number: int) -> State:
        """Take the state, of this number, of an action that has settled."""
        now = vars(self.action)
        return State(
            tuple([now[name] for name in self.simple]),
            tuple([_clone(now[name]) for name in self.holders]),
            self.action.bank.levels[1].combinations["gt1"],
            number,
        )

    def put(self, state: State) -> None:
        """Put the action into a state that was saved."""
        now = vars(self.action)
        now.update(zip(self.simple, state.simple, strict=True))
        now.update(zip(self.holders, map(_clone, state.holders), strict=True))
        self.action.bank.levels[1].combinations["gt1"] = state.gt1

    def take(self, *events: Event) -> None:
        """Take some events and the time after them; what the effects tell is what changed."""
        action = self.action
        shown = {SoundingChanged: action.sounding, RailChanged: action.rail}
        lamps = action.lit.bits
        effects = [effect for event in events for effect in action.receive(event, 0.0)]
        if action._pulses:
            effects += action.tick(PULSES_OVER)
        for effect in effects:
            if isinstance(effect, SoundingChanged | RailChanged):
                on, off = effect.on.bits, effect.off.bits
                assert on | off
                assert not shown[type(effect)] & on
                assert shown[type(effect)] & off == off
                shown[type(effect)] ^= on | off
            elif isinstance(effect, PistonLampsChanged):
                lamps = (lamps | effect.lit.bits) & ~effect.dark.bits
        assert shown == {SoundingChanged: action.sounding, RailChanged: action.rail}
        assert lamps == action.lit.bits

    def moves(self) -> Iterator[tuple[str, tuple[Event, ...]]]:
        """What a player can do in the present state."""
        rail = self.ids(self.action.rail)
        for tab in TABS:
            yield tab, (TabMoved(tab, tab not in rail),)
        for piston in PUSHED:
            yield piston, (PistonPressed(piston), PistonReleased(piston))
        down = self.action._set_down
        yield "set", (PistonReleased("set") if down else PistonPressed("set"),)

    def states(self) -> Iterator[State]:
        """Every state that can be reached from power-on, with the action in it."""
        start = self.save(self.number())
        waiting = deque([start])
        while waiting:
            state = waiting.popleft()
            self.put(state)
            yield state
            leads = self.graph[state.number] = {}
            for move, events in [*self.moves(), (LATCH_OVER, ())]:
                self.put(state)
                if move is LATCH_OVER:
                    self.action.tick(self.console.setting.latch_time)
                self.take(*events)
                known = len(self.numbers)
                there = leads[move] = self.number()
                if there == known:
                    waiting.append(self.save(there))

    def go(self, start: int, *moves: str) -> int:
        """Where some moves lead."""
        for move in moves:
            start = self.graph[start][move]
        return start

    def ids(self, bits: int) -> Ids:
        return frozenset(self.roster.registration(bits))


def _can_change(value: object) -> bool:
    """Whether an attribute is state: not the console, and not a table made from it."""
    if isinstance(value, dict):
        return not any(callable(held) or isinstance(held, Piston) for held in value.values())
    return not isinstance(value, Console | Ranges | Roster | Bank | tuple)


def _clone(value: Any) -> Any:
    if not value:
        return type(value)()
    if isinstance(value, dict):
        return {k: held.copy() if isinstance(held, set) else held for k, held in value.items()}
    return value.copy()


def _frozen(value: Any) -> Hashable:
    if not value:
        return frozenset()
    if not isinstance(value, dict):
        return frozenset(value)
    return frozenset((k, frozenset(v) if isinstance(v, set) else v) for k, v in value.items() if v)


def check_registrations(explorer: Explorer) -> None:
    """Sections 1 and 4: held and governed, base, what sounds and why, and the lamps."""
    action, ids = explorer.action, explorer.ids
    blind = explorer.console.action is Action.BLIND
    rail, governed, held = ids(action.rail), ids(action.governed), ids(action.held)
    assert held <= governed
    assert blind or not governed
    full = "fo" in action.full_organs
    base = (rail - governed) | held
    sounding = (base | LISTED) - SILENCED if full else base
    assert ids(action.base) == base
    assert ids(action.sounding) == sounding
    assert {control for control in explorer.roster.ids if action.why(control)} == sounding
    lit = {"fo"} if full else set()
    lit |= {"rn"} if "n" in base else set()
    lit |= {"set"} if action._set_down or action.armed_until is not None else set()
    for piston, engagement in action.engaged.items():
        if blind or rail & ids(engagement.mask) == ids(engagement.value):
            lit.add(piston)
    assert action.lit == lit


def check_engagements(explorer: Explorer) -> None:
    """Sections 1 and 2: what is engaged has its controls to itself and holds them as it set them.

    What is never captured, or not settable, is as it was.
    """
    action, ids = explorer.action, explorer.ids
    taken: Ids = frozenset()
    for piston, engagement in action.engaged.items():
        mask, value = ids(engagement.mask), ids(engagement.value)
        assert mask
        assert value <= mask <= explorer.affects[piston]
        assert not mask & taken
        taken |= mask
        if explorer.console.action is Action.BLIND:
            assert mask <= ids(action.governed)
            assert ids(action.held) & mask == value
    assert "n" not in taken
    combinations = action.bank.levels[1].combinations
    assert combinations["g1"] == explorer.g1
    assert ids(combinations["gt1"].on) <= explorer.affects["gt1"]


def check_moves(explorer: Explorer, start: int) -> None:
    """Section 3, from a state in which set is neither held nor armed."""
    go = explorer.go
    for piston in ("g1", "gt1"):
        assert go(start, piston, piston) == go(start, piston)
    for piston in ("fo", "rn"):
        assert go(start, piston, piston) == start
    assert go(start, "set", "set", "set", "set") == start
    assert go(start, "gc", "gc") == go(start, "gc")


def check_tabs(explorer: Explorer, state: State) -> None:
    """Section 3: what a tab moved by hand does to its own control, governed or not."""
    action, ids = explorer.action, explorer.ids
    last_touch = explorer.console.while_governed is WhileGoverned.LAST_TOUCH
    for tab in TABS:
        explorer.put(state)
        before, governed = ids(action.base), ids(action.governed)
        on = tab not in ids(action.rail)
        explorer.take(TabMoved(tab, on))
        assert (tab in ids(action.rail)) is on
        heard = tab not in governed or last_touch
        assert ids(action.base) - {tab} == before - {tab}
        assert (tab in ids(action.base)) is (on if heard else tab in before)
        assert ids(action.governed) == (governed - {tab} if last_touch else governed)
        if not last_touch:
            assert explorer.go(state.number, tab, tab) == state.number


def check_latch(explorer: Explorer, start: int) -> None:
    """Section 5, from a state in which set is armed: what disarms does nothing else."""
    go = explorer.go
    disarmed = go(start, LATCH_OVER)
    assert disarmed != start
    assert go(start, "set", "set") == disarmed
    assert go(start, "gc") == disarmed
    assert go(start, "g1") == disarmed, "G1 is not settable"


def cancelled(explorer: Explorer, state: State) -> int:
    """The state of a console just switched on, with this memory, and the tabs of this rail.

    A cancel on a moving or lit action takes every tab off but that of the bell.
    """
    explorer.put(state)
    rail = explorer.ids(explorer.action.rail)
    if explorer.console.action is not Action.BLIND:
        rail &= {"n"}
    fresh = Explorer(explorer.console)
    fresh.action.bank.levels[1].combinations["gt1"] = state.gt1
    fresh.take(*(TabMoved(tab, True) for tab in sorted(rail)))
    return explorer.numbers[fresh.settle()]


@pytest.mark.parametrize(
    ("action", "while_governed"),
    [
        (Action.BLIND, WhileGoverned.IGNORED),
        (Action.BLIND, WhileGoverned.LAST_TOUCH),
        (Action.MOVING, WhileGoverned.IGNORED),
        (Action.LIT, WhileGoverned.IGNORED),
    ],
)
def test_every_reachable_state(
    action: Action, while_governed: WhileGoverned, figures: Figures
) -> None:
    explorer = Explorer(small(action, while_governed))
    up, armed = [], []
    rails, remembered = set(), set()
    for state in explorer.states():
        check_registrations(explorer)
        check_engagements(explorer)
        rails.add(explorer.action.rail)
        remembered.add(state.gt1.on)
        if explorer.action.armed_until is not None:
            armed.append(state)
        elif not explorer.action._set_down:
            up.append(state)
    for state in up:
        check_moves(explorer, state.number)
        check_tabs(explorer, state)
    for state in armed:
        check_latch(explorer, state.number)
    for state in {(explorer.go(s.number, "gc"), s.gt1): s for s in up}.values():
        assert explorer.go(state.number, "gc") == cancelled(explorer, state)
    on_the_rail = len(TABS) if action is Action.BLIND else len(explorer.roster)
    assert len(rails) == 2**on_the_rail
    assert len(remembered) == 2 ** len(explorer.affects["gt1"])
    figures(f"{action} ({while_governed}): {len(explorer.graph)} states")
