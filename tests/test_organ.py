"""The organ behind the contacts: pistons pushed while keys are down, and one clock for both.

Action and relay have their own tests; here is only what comes of joining them. One hand holds
middle C of the Great, one foot low C of the Pedal.
"""

from typing import Any

import pytest
from attrs import define, field

from combination.action import CombinationAction
from combination.effects import (
    Effect,
    OutputsOff,
    OutputsOn,
    SoundingChanged,
    TabDidNotFollow,
)
from combination.events import (
    CrescendoMoved,
    Event,
    KeyMoved,
    PistonPressed,
    PistonReleased,
    RelayEvent,
    ShoeMoved,
    TabMoved,
    TransposerMoved,
)
from combination.model import Action
from combination.organ import Organ
from combination.reading import read_console
from tests.consoles import bank_of
from tests.test_worked_cases import rows

FILE = """
format = 1
name = "Ferry Lane"
action = "{action}"
keyboard = [
    {{ id = "great", name = "Great" }},
    {{ id = "pedal", name = "Pedal", keys = 32 }},
]
division = [
    {{ id = "great", name = "Great", keyboard = "great" }},
    {{ id = "solo", name = "Solo" }},
    {{ id = "pedal", name = "Pedal", keyboard = "pedal" }},
]
rank = [
    {{ id = "flute", name = "Flute", pitch = "16", pipes = 97 }},
    {{ id = "bourdon", name = "Bourdon", pitch = "16", pipes = 32 }},
    {{ id = "tuba", name = "Tuba" }},
    {{ id = "marimba", name = "Marimba", stroke = "reiterate", rate = 3.2 }},
]
stop = [
    {{ id = "gt-16", label = "16'", division = "great", rank = "flute"{rail_1} }},
    {{ id = "gt-8", label = "8'", division = "great", rank = "flute", pitch = "8"{rail_2} }},
    {{ id = "gt-4", label = "4'", division = "great", rank = "flute", pitch = "4"{rail_3} }},
    {{ id = "tuba", label = "Tuba", division = "solo", rank = "tuba" }},
    {{ id = "pd-16", label = "16'", division = "pedal", rank = "bourdon" }},
]
coupler = [
    {{ id = "gt-pd", label = "Great to Pedal", keys = "pedal", plays = "great" }},
    {{ id = "pluck", label = "Pizzicato", keys = "great", plays = "solo", pizzicato = true }},
]
percussion = [{{ id = "marimba", label = "Marimba", division = "great", rank = "marimba" }}]
piston = [
    {{ id = "G1", label = "1", kind = "general" }},
    {{ id = "G2", label = "2", kind = "general" }},
    {{ id = "G3", label = "3", kind = "general" }},
    {{ id = "GT1", label = "1", kind = "divisional", division = "great" }},
    {{ id = "R", label = "Great to Pedal", kind = "reversible", control = "gt-pd" }},
    {{ id = "M", label = "4'", kind = "momentary", control = "gt-4" }},
    {{ id = "FO", label = "Full", kind = "full-organ", sounds = ["gt-16", "gt-4", "gt-pd"] }},
    {{ id = "GC", label = "Cancel", kind = "general-cancel" }},
    {{ id = "NEXT", label = "Next", kind = "next" }},
    {{ id = "SET", label = "Set", kind = "set" }},
]
board = [
    {{ id = "rail", pins = 8, in = {{ port = "console", channel = 1, first-note = 0 }} }},
    {{ id = "coil", pins = 8, out = {{ port = "console", channel = 1, first-note = 0 }} }},
]
[[crescendo.stage]]
sounds = ["gt-8"]

[[crescendo.stage]]
sounds = ["gt-8", "gt-16"]

[[crescendo.stage]]
sounds = ["gt-8", "gt-16"]
silences = ["pd-16"]
"""
MEMORY = {"G1": "gt-8 pd-16", "G2": "gt-8 gt-4", "G3": "gt-8 marimba pluck tuba", "GT1": "gt-16"}
TAB = ', contact = "rail.{0}", drive-on = "coil.{1}", drive-off = "coil.{2}"'
STAGES = {0: 0, 1: 48, 2: 80, 3: 127}
"""Readings of the crescendo pedal that are well within its stages."""


@define
class Organist:
    """Someone at an organ: says in words what is done, a tenth of a second apart."""

    action: Action = Action.BLIND
    driven: bool = False
    memory: dict[str, str] = field(factory=lambda: MEMORY)
    now: float = 0.0
    effects: list[Effect] = field(factory=list)
    on: set[tuple[str, int]] = field(factory=set)
    organ: Organ = field(init=False)

    def __attrs_post_init__(self) -> None:
        rail = {
            f"rail_{n}": TAB.format(n, 2 * n - 1, 2 * n) if self.driven else "" for n in (1, 2, 3)
        }
        console = read_console(FILE.format(action=self.action, **rail))
        self.organ = Organ(console, bank_of(console, self.memory))

    def do(self, *steps: str) -> "Organist":
        """Do each step, a tenth of a second apart; ``effects`` has those of the last."""
        for step in steps:
            self.now += 0.1
            self.effects = []
            for event in _events(step):
                self.effects += self.receive(event, self.now)
        return self

    def receive(self, event: Event | RelayEvent, at: float) -> list[Effect]:
        return self._heard(self.organ.receive(event, at))

    def tick(self, at: float) -> list[Effect]:
        return self._heard(self.organ.tick(at))

    def _heard(self, effects: list[Effect]) -> list[Effect]:
        for effect in effects:
            if isinstance(effect, OutputsOn):
                self.on |= _pipes(effect)
            elif isinstance(effect, OutputsOff):
                self.on -= _pipes(effect)
        return effects

    def until(self, at: float) -> list[tuple[float, Effect]]:
        """Tick the organ whenever it asks, and tell what came of it at which time."""
        told: list[tuple[float, Effect]] = []
        while (due := self.organ.next_due) is not None and due <= at:
            told += [(due, effect) for effect in self.tick(due)]
        return told


def _events(step: str) -> list[Event | RelayEvent]:
    verb, name, *rest = step.split()
    if verb in ("key", "key-up"):
        return [KeyMoved(name, int(rest[0]), verb == "key")]
    if verb == "tab":
        return [TabMoved(name, rest == ["on"])]
    if verb == "crescendo":
        return [CrescendoMoved(STAGES[int(name)])]
    press, release = PistonPressed(name), PistonReleased(name)
    pushed: dict[str, list[Event | RelayEvent]] = {
        "push": [press, release],
        "press": [press],
        "release": [release],
    }
    return pushed[verb]


def outputs(effects: list[Effect]) -> list[OutputsOff | OutputsOn]:
    return [effect for effect in effects if isinstance(effect, OutputsOff | OutputsOn)]


def _pipes(effect: OutputsOff | OutputsOn) -> set[tuple[str, int]]:
    return {(rank, pipe) for rank, pipes in effect.pipes for pipe in pipes}


HELD = ("key great 60", "key pedal 36")
CHANGES = """
| general | push G1 | push G2 | bourdon 1 | flute 49 |
| general, again | push G1 | push G1 | | |
| divisional | push G1 | push GT1 | flute 37 | flute 25 |
| reversible on | push G2 | push R | | flute 13 25 |
| reversible off | push G2, push R | push R | flute 13 25 | |
| a pipe by coupler and by hand | push GT1, push R | press M | | flute 49 |
| full organ on | push G1 | push FO | | flute 1 13 25 49 |
| full organ off | push G1, push FO | push FO | flute 1 13 25 49 | |
| momentary down | push G1 | press M | | flute 49 |
| momentary up | push G1, press M | release M | flute 49 | |
| a momentary of what sounds | push G2, press M | release M | | |
| crescendo, what sounds already | push G1 | crescendo 1 | | |
| crescendo on | push G1 | crescendo 2 | | flute 25 |
| crescendo that silences | push G1, crescendo 2 | crescendo 3 | bourdon 1 | |
| crescendo closed | push G1, crescendo 3 | crescendo 0 | flute 25 | bourdon 1 |
| cancel | push G1 | push GC | flute 37, bourdon 1 | |
| a step of the sequence | push G2 | push NEXT | flute 49 | bourdon 1 |
| a tab | push GC | tab gt-4 on | | flute 49 |
| a tab off | push GC, tab gt-4 on | tab gt-4 off | flute 49 | |
| set | push G1, press SET | push G2 | | |
"""
"""What has been done, what is done then with the keys down, and the pipes that cease and speak.

Great 60 plays pipe 25 of the flute at 16′, 37 at 8′ and 49 at 4′; pedal 36 plays 1, 13 and 25 of
it by the coupler.
"""


def pipes_in(cell: str) -> set[tuple[str, int]]:
    """``flute 25 49, bourdon 1`` as pipes of ranks."""
    named = (part.split() for part in cell.split(",") if part)
    return {(rank, int(pipe)) for rank, *pipes in named for pipe in pipes}


@pytest.mark.parametrize("action", [Action.BLIND, Action.LIT, Action.MOVING])
@pytest.mark.parametrize(
    ("before", "step", "cease", "speak"),
    [row[1:] for row in rows(CHANGES)],
    ids=[row[0] for row in rows(CHANGES)],
)
def test_only_the_difference_ceases_and_speaks(
    action: Action, before: str, step: str, cease: str, speak: str
) -> None:
    """With keys down; and keys pressed afterwards come to the same."""
    player = Organist(action).do(*HELD, *before.split(", ")).do(step)
    expected = [
        (kind, pipes_in(cell)) for kind, cell in ((OutputsOff, cease), (OutputsOn, speak)) if cell
    ]
    assert [(type(effect), _pipes(effect)) for effect in outputs(player.effects)] == expected
    afterwards = Organist(action).do(*before.split(", "), step, *HELD)
    assert afterwards.on == player.on
    assert player.do("key-up great 60", "key-up pedal 36").on == set()


def test_the_relay_is_told_after_the_action_has_said_so() -> None:
    player = Organist().do(*HELD, "push G1", "push G2")
    kinds = [type(effect) for effect in player.effects]
    assert kinds.index(SoundingChanged) < kinds.index(OutputsOff) < kinds.index(OutputsOn)
    assert player.organ.relay.sounding == player.organ.action.sounding


def test_a_tab_that_a_piston_governs_is_not_heard() -> None:
    player = Organist().do(*HELD, "push G1", "tab gt-8 on")
    assert not outputs(player.effects)
    assert player.do("push GC").on == {("flute", 37)}, "released: the tab speaks, and never ceased"
    assert [type(effect) for effect in outputs(player.effects)] == [OutputsOff], "the bourdon's"


# ---------------------------------------------------------------- tabs that do not follow


def a_tab_that_stays_behind() -> Organist:
    """Push G1 at 0.3 s: the tab of gt-8 is driven, and has until 0.8 s to report."""
    return Organist(Action.MOVING, driven=True).do(*HELD, "push G1")


def test_a_tab_that_does_not_follow_ceases_at_its_deadline() -> None:
    player = a_tab_that_stays_behind()
    assert player.on == {("flute", 37), ("bourdon", 1)}
    told = player.until(5.0)
    (fault,) = [(at, e) for at, e in told if isinstance(e, TabDidNotFollow)]
    (ceased,) = [(at, e) for at, e in told if isinstance(e, OutputsOff | OutputsOn)]
    assert fault[1] == TabDidNotFollow("gt-8", True)
    assert isinstance(ceased[1], OutputsOff)
    assert fault[0] == ceased[0] == pytest.approx(0.8)
    assert player.on == {("bourdon", 1)}


def test_it_ceases_though_nobody_ticked() -> None:
    """The next key comes long after: what has ceased by then is told first, and the key is then
    played without it."""
    player = a_tab_that_stays_behind()
    effects = player.receive(KeyMoved("great", 64, True), 9.0)
    assert TabDidNotFollow("gt-8", True) in effects
    assert [type(effect) for effect in outputs(effects)] == [OutputsOff]
    assert player.on == {("bourdon", 1)}
    player = a_tab_that_stays_behind()
    player.tick(9.0)
    assert player.on == {("bourdon", 1)}


def test_a_tab_that_follows_sounds_on() -> None:
    player = a_tab_that_stays_behind().do("tab gt-8 on")
    assert not outputs(player.effects)
    told = player.until(5.0)
    assert not outputs([effect for _, effect in told])
    assert player.on == {("flute", 37), ("bourdon", 1)}


def test_a_tab_that_follows_too_late_speaks_again_by_the_hand() -> None:
    player = a_tab_that_stays_behind()
    player.tick(1.0)
    player.receive(TabMoved("gt-8", True), 1.5)
    assert player.on == {("flute", 37), ("bourdon", 1)}


# ---------------------------------------------------------------- one clock


def in_the_thick_of_it() -> Organist:
    """A deadline, strokes of two keys and a plucked note, all falling due within a second.

    G3 at 0.2 s: the marimba strikes every 0.3125 s, for half of it, and gt-8 has until 0.7 s to
    follow; a second key at 0.6 s plucks the tuba until 0.75 s.
    """
    player = Organist(Action.MOVING, driven=True).do("key great 60", "push G3")
    player.until(0.6)
    player.receive(KeyMoved("great", 64, True), 0.6)
    return player


def test_what_falls_due_is_told_at_its_time_and_in_order() -> None:
    player = in_the_thick_of_it()
    told = [
        (round(at, 6), type(effect).__name__, *sorted(_pipes(effect)))
        for at, effect in player.until(0.9)
        if isinstance(effect, OutputsOff | OutputsOn)
    ]
    assert told == [
        (0.66875, "OutputsOff", ("marimba", 25)),
        (0.7, "OutputsOff", ("flute", 37), ("flute", 41)),
        (0.75, "OutputsOff", ("tuba", 29)),
        (0.75625, "OutputsOff", ("marimba", 29)),
        (0.825, "OutputsOn", ("marimba", 25)),
    ]


@pytest.mark.parametrize("event", [None, KeyMoved("great", 67, True), PistonPressed("G1")], ids=str)
def test_a_late_call_tells_the_same(event: Event | RelayEvent | None) -> None:
    """Ticked whenever it asks, or not until something happens: the same effects in one order."""
    punctual, late = in_the_thick_of_it(), in_the_thick_of_it()
    told = [effect for _, effect in punctual.until(2.0)]
    assert len(told) > 10
    if event is None:
        assert late.tick(2.0) == told
    else:
        assert late.receive(event, 2.0) == told + punctual.receive(event, 2.0)
    assert late.on == punctual.on
    assert late.organ.next_due == punctual.organ.next_due


def test_when_the_organ_acts_by_itself() -> None:
    """The nearer of what the action and the relay wait for."""
    player = Organist().do("push G3")
    assert player.organ.next_due is None
    player.do("push SET")
    armed_until = player.now + 10
    assert player.organ.next_due == pytest.approx(armed_until)
    player.do("key great 60")
    assert player.organ.next_due == pytest.approx(player.now + 0.15), "the plucked tuba"
    player.do("key-up great 60")
    assert player.organ.next_due == pytest.approx(armed_until)
    player.receive(KeyMoved("great", 60, True), armed_until - 0.0625)
    assert player.organ.next_due == pytest.approx(armed_until)
    player.until(armed_until)
    assert "SET" not in player.organ.action.lit
    assert player.organ.next_due == pytest.approx(armed_until + 0.15 - 0.0625)
    player.receive(KeyMoved("great", 60, False), armed_until + 0.03125)
    assert player.organ.next_due is None


def test_nothing_happens_twice_at_one_time() -> None:
    player = in_the_thick_of_it()
    player.tick(2.0)
    assert player.tick(2.0) == []


# ---------------------------------------------------------------- keys are the relay's alone


@pytest.mark.parametrize(
    "event", [KeyMoved("great", 60, True), TransposerMoved(3)], ids=["key", "transposer"]
)
def test_a_key_costs_the_action_nothing(event: RelayEvent, monkeypatch: Any) -> None:
    """The action is not even told the time."""
    player = Organist().do("push G1", "key great 64")

    def never(*_: object) -> None:
        raise AssertionError("the action was called")

    monkeypatch.setattr(CombinationAction, "receive", never)
    monkeypatch.setattr(CombinationAction, "tick", never)
    assert player.receive(event, player.now + 1)


def test_a_lamp_moves_no_pipe() -> None:
    """A piston that changes nothing of what sounds moves no pipe."""
    player = Organist().do(*HELD, "push G1", "push SET", "push SET")
    assert player.effects
    assert not outputs(player.effects)


@pytest.mark.parametrize(
    ("event", "error", "said"),
    [
        (KeyMoved("choir", 60, True), KeyError, "choir"),
        (KeyMoved("great", 35, True), ValueError, "no key 35"),
        (KeyMoved("pedal", 68, True), ValueError, "no key 68"),
        (TransposerMoved(7), ValueError, "not to 7"),
        (ShoeMoved("swell", 3), KeyError, "swell"),
        (PistonPressed("G9"), KeyError, "G9"),
        (TabMoved("gt-2", True), KeyError, "gt-2"),
        (CrescendoMoved(128), ValueError, "0 to 127"),
    ],
    ids=str,
)
def test_what_the_console_does_not_have(
    event: Event | RelayEvent, error: type[Exception], said: str
) -> None:
    player = Organist().do(*HELD, "push G1")
    before = set(player.on)
    with pytest.raises(error, match=said):
        player.receive(event, player.now)
    assert player.do("push G1").on == before


WRONG: list[Event | RelayEvent] = [
    KeyMoved("great", 35, True),
    ShoeMoved("swell", 3),
    TransposerMoved(7),
    PistonPressed("G9"),
]


@pytest.mark.parametrize("wrong", WRONG, ids=str)
def test_what_fell_due_before_something_refused_is_told(wrong: Event | RelayEvent) -> None:
    player = Organist().do("push G3", "key great 60")
    relay = player.organ.relay
    later = player.now + 1.7
    with pytest.raises((KeyError, ValueError)):
        player.receive(wrong, later)
    player.tick(later)
    sounding = {(r.id, pipe) for r in relay.console.ranks for pipe in relay.blown(r.id)}
    assert player.on == sounding


@pytest.mark.parametrize("wrong", WRONG[:3], ids=str)
def test_the_relay_by_itself_refuses_before_anything_falls_due(wrong: RelayEvent) -> None:
    relay = Organist().do("push G3", "key great 60").organ.relay
    due = relay.next_due
    assert due is not None
    with pytest.raises((KeyError, ValueError)):
        relay.receive(wrong, due)
    assert relay.next_due == due


A_KEY, A_PISTON = KeyMoved("great", 60, True), PistonPressed("G2")


@pytest.mark.parametrize("later", [A_KEY, A_PISTON], ids=str)
@pytest.mark.parametrize("earlier", [A_KEY, A_PISTON], ids=str)
def test_time_does_not_go_back(later: Event | RelayEvent, earlier: Event | RelayEvent) -> None:
    player = Organist()
    player.receive(later, 5.0)
    organ = player.organ
    before = organ.action.sounding, organ.relay.sounding
    with pytest.raises(ValueError, match=r"4\.0"):
        player.receive(earlier, 4.0)
    with pytest.raises(ValueError, match=r"3\.0"):
        organ.tick(3.0)
    assert (organ.action.sounding, organ.relay.sounding) == before
