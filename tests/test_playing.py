"""A console played by its ports, against semantics.md and what MIDI 1.0 says of active sensing.

At the far end of the cables sits a receiver that knows only the messages: what is on there is
what is on. Times are handed in, so that ten hours last seconds. Set STOPWRIGHT_EXAMPLES to a
number for longer searches than the few that are always the same.
"""

import gc
import os
import re
import sys
from collections import deque
from collections.abc import Iterable, Sequence
from copy import copy
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from functools import cache
from importlib.resources import files
from random import Random
from types import FunctionType, ModuleType
from typing import Any

import pytest
from attrs import define, field
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from mido.messages import Message

from cli.play.glance import Teller, glance
from cli.play.hand import ByHand, NotDoneError
from cli.play.latencies import Latencies, Passage
from cli.play.playing import SILENT, Playing
from cli.play.scribe import in_log
from cli.play.seen import Latency, Seen
from cli.rehearsal.hand import Hand
from cli.rehearsal.port_log import SETTLING
from combination.contacts import Role, Wired, unwired_pin
from combination.effects import Effect, TabsDriven
from combination.events import (
    ChangeKept,
    ChangeNotKept,
    RedoAsked,
    TransposerMoved,
    UndoAsked,
)
from combination.memory import Bank, Combination, Slot, Step, fresh_bank
from combination.midi import CrescendoRead, Edge, Heard, ShoeRead, Wiring
from combination.model import RECALLING, Action, Console, Kind, Selection, WhileGoverned
from combination.moment import Moment
from combination.outputs import Outputs, Sent
from combination.ports import ports_of
from combination.reading import read_console
from combination.stream import Decoder
from tests.consoles import WORKED_MEMORY, Player, bank_of, worked_console
from tests.consoles import piston as worked_piston
from tests.figures import Figures
from tests.relay_strategies import organ_consoles
from tests.strategies import banks, consoles

EXAMPLES = os.environ.get("STOPWRIGHT_EXAMPLES")
DEMOS = ("church", "theatre")
SWITCHED_ON = datetime(2031, 5, 4, 18, 30, tzinfo=UTC)
ACTIVE_SENSING = b"\xfe"
FOLLOWS = 0.2
"""Seconds that a driven tab takes to move."""

On = tuple[str, int, str, int]
"""What may be on: by a port, on a channel, a note, a switched controller or a pair of programs."""


@cache
def demo(name: str) -> Console:
    return read_console((files("cli") / "demos" / f"{name}.toml").read_text(encoding="utf-8"))


# ---------------------------------------------------------------- the far end, and the console


class Receiver:
    """Keeps what is on from the messages alone; which two programs are a pair it has been told."""

    def __init__(self, console: Console) -> None:
        self.on: set[On] = set()
        self.values: dict[tuple[str, int, int], int] = {}
        """Controllers that say how much: read-outs and chambers."""
        self.pipes = {
            (port, message.channel, "note", message.note)
            for what, _, (port, message) in Outputs(console).all()
            if what in ("rank", "lines")
        }
        """The notes that are pipes, or lines of a division."""
        self._programs: dict[tuple[str, int, int], tuple[int, bool]] = {}
        for control in console.controls:
            out = control.out
            if out is not None and out.program_on is not None:
                off = out.program_off or 0
                self._programs[out.port, out.channel - 1, out.program_on] = (off, True)
                self._programs[out.port, out.channel - 1, off] = (off, False)
        outs = [
            (out, out.controller) for out in (chamber.out for chamber in console.chambers) if out
        ]
        for readout in console.readouts:
            outs += [(readout.out, readout.out.controller + fine) for fine in (0, 32)]
        self._measures = {(out.port, out.channel - 1, number) for out, number in outs}
        boards = {board.id: board.out for board in console.boards}
        self._engines = {
            (pins.port, pins.channel - 1)
            for chamber in console.chambers
            if chamber.shades and (pins := boards[chamber.shades.partition(".")[0]]) is not None
        }

    def hear(self, sent: Iterable[Sent], *, news: bool = False) -> None:
        """Take messages; with ``news``, each has to change something: only changes go out.

        Where shades stand that have not been moved yet is not known, and is told in full.
        """
        for port, message in sent:
            kind = message.type
            if (
                kind == "control_change"
                and (port, message.channel, message.control) in self._measures
            ):
                self.values[port, message.channel, message.control] = message.value
                continue
            if kind == "program_change":
                number, on = self._programs[port, message.channel, message.program]
            elif kind == "control_change":
                assert message.value in (0, 127)
                number, on = message.control, message.value == 127
            else:
                number, on = message.note, kind == "note_on" and message.velocity > 0
            what = (port, message.channel, kind.partition("_")[0], number)
            is_news = on is not (what in self.on) or (port, message.channel) in self._engines
            assert is_news or not news, (port, message)
            (self.on.add if on else self.on.discard)(what)

    def as_it_is(self) -> "Receiver":
        """Another that knows what this one knows at present."""
        other = copy(self)
        other.on, other.values = set(self.on), dict(self.values)
        return other

    @property
    def state(self) -> tuple[set[On], dict[tuple[str, int, int], int]]:
        return self.on, self.values


def by_port(sent: Iterable[Sent]) -> dict[str, list[Sent]]:
    found: dict[str, list[Sent]] = {}
    for port, message in sent:
        found.setdefault(port, []).append((port, message))
    return found


class Evening:
    """A console from switch-on, every cable joined to one receiver, and what is done at it."""

    def __init__(
        self,
        console: Console,
        bank: Bank | None = None,
        *,
        keeps: bool = False,
        follows: bool = False,
    ) -> None:
        """Switch on. Where driven tabs follow, their contacts say so after a while."""
        self.console = console
        self.now = 0.0
        self.playing = Playing(
            console,
            bank or fresh_bank(console),
            lambda: SWITCHED_ON + timedelta(seconds=self.now),
            keeps=keeps,
            unwired=True,
            witness=self._follow if follows else lambda _effects, _at: None,
        )
        self._coming: deque[tuple[float, Heard]] = deque()
        self.log: list[str] = []
        self.playing.faults.tell = lambda fault: self.log.append(in_log(fault))
        self.instrument = self.playing.instrument
        self.hand = Hand(console)
        self.ports = tuple(ports_of(console))
        self.receiver = Receiver(console)
        self.silence = by_port(self.instrument.wiring.sent(self.instrument.silence()))
        self._down: set[str] = set()
        for port in self.ports:
            self.open(port)

    # what happens to it

    def open(self, port: str) -> None:
        self.receiver.hear(self.playing.opened(port, self.now))

    def lose(self, port: str) -> None:
        self.take(self.playing.lost(port, "it was pulled out", self.now))

    def hear(self, port: str, data: bytes) -> None:
        """A message comes. To a board that is heard of again everything is told anew."""
        told = len(self.log)
        sent = self.playing.heard(port, data, self.now)
        again = any(f'over: port "{port}": nothing' in line for line in self.log[told:])
        self.receiver.hear(sent, news=not again)

    def do(self, heard: Heard) -> None:
        """A contact or a pedal says something: by its cable, if it has one."""
        spoken = self.instrument.wiring.spoken(heard)
        if spoken is None:
            self.take(self.playing.work(heard, self.now))
        else:
            self.hear(spoken[0], bytes(spoken[1].bin()))

    def pin(self, pin: str, closed: bool) -> None:
        self.do(Edge(pin, closed))

    def push(self, *pins: str) -> None:
        for pin in pins:
            self.pin(pin, True)
            self.wait(0.1)
            self.pin(pin, False)
            self.wait(0.1)

    def toggle(self, wire: Wired) -> None:
        pressed = wire.pin not in self._down
        (self._down.add if pressed else self._down.discard)(wire.pin)
        self.do(self.hand.edge(wire, pressed))

    def wait(self, seconds: float) -> None:
        """Let time pass; whatever is due is done when it is."""
        until = self.now + seconds
        while self._coming and self._coming[0][0] <= until:
            at, heard = self._coming.popleft()
            self._until(at)
            self.do(heard)
        self._until(until)

    def _until(self, at: float) -> None:
        while (due := self.playing.next_due) is not None and due <= at:
            self.now = max(due, self.now)
            self.take(self.playing.tick(self.now))
            late = self.playing.next_due
            assert late is None or late > self.now
        self.now = max(at, self.now)
        self.take(self.playing.tick(self.now))

    def _follow(self, effects: Sequence[Effect], at: float) -> None:
        for effect in effects:
            if isinstance(effect, TabsDriven):
                for on, tabs in ((True, effect.on), (False, effect.off)):
                    heard = [heard for tab in tabs for heard in self.hand.tab(tab, on)]
                    self._coming.extend((at + FOLLOWS, each) for each in heard)

    def take(self, sent: Sequence[Sent]) -> None:
        self.receiver.hear(sent, news=True)

    # what there is to see

    @property
    def pipes(self) -> set[tuple[str, int]]:
        relay = self.instrument.relay
        return {(rank.id, pipe) for rank in self.console.ranks for pipe in relay.blown(rank.id)}

    @property
    def sounding(self) -> set[str]:
        action = self.instrument.action
        return set(action.ranges.roster.registration(action.sounding))

    @property
    def rail(self) -> set[str]:
        action = self.instrument.action
        return set(action.ranges.roster.registration(action.rail))

    @property
    def lit(self) -> set[str]:
        return set(self.instrument.action.lit)

    @property
    def faults(self) -> list[str]:
        return [fault.what for fault in self.playing.faults.now]

    def compare(self, left: Receiver) -> None:
        """Whoever comes back, having left then, is told all that one knows who has stayed."""
        back = left.as_it_is()
        for port in self.ports:
            back.hear(self.playing.anew(port))
        assert back.state == self.receiver.state


# ---------------------------------------------------------------- what is on, told anew

KEYS_APART = 9
"""Of so many keys one is played in a short evening, so that the same is often played again."""
NO_TABS = (Role.KEY, Role.PISTON, Role.SECOND_TOUCH)


@define
class Organist:
    """Does things at a console that are chosen by numbers."""

    evening: Evening
    wires: dict[Role, list[Wired]] = field(factory=dict)
    keys: list[Wired] = field(factory=list)

    def __attrs_post_init__(self) -> None:
        for wire in self.evening.hand.wired.values():
            self.wires.setdefault(wire.role, []).append(wire)
        for keyboard in self.evening.console.keyboards:
            self.keys += self.evening.hand.keys_of(keyboard.id)[::KEYS_APART]

    def do(self, what: str, which: int, value: int) -> None:
        evening, playing = self.evening, self.evening.playing
        shoes = evening.console.shoes
        match what:
            case "key":
                evening.toggle(self.keys[which % len(self.keys)])
            case "tab":
                self._toggle_one(which, *(role for role in Role if role not in NO_TABS))
            case "piston":
                self._toggle_one(which, Role.PISTON, Role.SECOND_TOUCH)
            case "crescendo":
                evening.do(CrescendoRead(value))
            case "shoe" if shoes:
                evening.do(ShoeRead(shoes[which % len(shoes)].id, value))
            case "transposer":
                evening.take(playing.wish(TransposerMoved(which % 13 - 6), evening.now))
            case "undo":
                evening.take(playing.wish(UndoAsked(), evening.now))
            case "redo":
                evening.take(playing.wish(RedoAsked(), evening.now))
            case "store":
                self.answer(kept=bool(which % 3))
            case "lose":
                evening.lose(evening.ports[which % len(evening.ports)])

    def answer(self, *, kept: bool = True) -> None:
        """The store has written what it was asked for; or not."""
        asked, self.evening.playing.asked = self.evening.playing.asked, []
        answers = [(ChangeKept if kept else ChangeNotKept)(one.number) for one in asked]
        self.evening.take(self.evening.playing.written(answers, self.evening.now))

    def _toggle_one(self, which: int, *roles: Role) -> None:
        wires = [wire for role in roles for wire in self.wires.get(role, ())]
        if wires:
            self.evening.toggle(wires[which % len(wires)])


DEEDS = st.tuples(
    st.sampled_from(
        (
            *("key",) * 4,
            *("tab",) * 3,
            *("piston",) * 4,
            *("crescendo", "shoe", "transposer", "undo", "redo", "store", "lose"),
        )
    ),
    st.integers(0, 999),
    st.integers(0, 127),
    st.sampled_from((0.0, 0.0, 0.004, 0.03, 0.03, 0.1, 0.6, 11.0, 31.0)),
)
"""What is done, to which, how far, and how long it is quiet then."""


def filled_bank(console: Console, seed: int) -> Bank:
    """A bank in which every piston that can holds something at the first three levels."""
    chance = Random(seed)
    bank = fresh_bank(console)
    everything = bank.roster.everything
    for piston in console.pistons:
        for level in range(1, min(3, console.levels) + 1):
            if piston.kind in RECALLING:
                bits = chance.getrandbits(len(console.controls)) & everything
                bank.put(Slot(piston.id, level), Combination(bits))
    return bank


def play(evening: Evening, deeds: Sequence[tuple[str, int, int, float]], *, every: int = 1) -> None:
    """Play an evening; at any moment somebody may come back who left at any other."""
    organist = Organist(evening)
    left, ever = evening.receiver.as_it_is(), evening.receiver.as_it_is()
    for number, (what, which, value, pause) in enumerate(deeds):
        organist.do(what, which, value)
        evening.wait(pause)
        ever.on |= evening.receiver.on
        if number % every == 0 or number == len(deeds) - 1:
            evening.compare(left)
        if number % 5 == 3:
            left = evening.receiver.as_it_is()
    evening.take(evening.playing.ending())
    assert evening.receiver.on == set()
    for silence in evening.silence.values():
        ever.hear(silence)
    assert ever.on == set()


def searching(examples: int) -> settings:
    return settings(
        max_examples=int(EXAMPLES or examples),
        derandomize=EXAMPLES is None,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
    )


@searching(40)
@given(st.data(), st.lists(DEEDS, max_size=40), st.booleans())
def test_whoever_comes_back_is_told_what_is_on(
    data: st.DataObject, deeds: list[tuple[str, int, int, float]], keeps: bool
) -> None:
    """And at the end nothing is on: no pipe, no lamp, and no coil has current."""
    console = data.draw(consoles())
    play(Evening(console, data.draw(banks(console)), keeps=keeps), deeds)


@searching(40)
@given(organ_consoles(), st.integers(0, 99), st.lists(DEEDS, max_size=40))
def test_pipes_are_told_anew(
    console: Console, seed: int, deeds: list[tuple[str, int, int, float]]
) -> None:
    play(Evening(console, filled_bank(console, seed)), deeds)


@pytest.mark.parametrize("name", DEMOS)
@searching(3)
@given(st.integers(0, 99), st.lists(DEEDS, min_size=15, max_size=40))
def test_demo_consoles_are_told_anew(
    name: str, seed: int, deeds: list[tuple[str, int, int, float]]
) -> None:
    console = demo(name)
    play(Evening(console, filled_bank(console, seed), keeps=True), deeds, every=4)


# ---------------------------------------------------------------- a port that is lost

CHAPEL = """\
format = 1
name = "Chapel of Ease, Thornwick"
action = "blind"

[set]
lock = "toe.9"

[transposer]
up = "thumb.11"
down = "thumb.12"
zero = "thumb.13"

[[keyboard]]
id = "great"
name = "Great"
contacts = "great-keys.1"

[[keyboard]]
id = "pedal"
name = "Pedal"
keys = 30
contacts = "pedal-keys.1"

[[division]]
id = "great"
name = "Great"
keyboard = "great"

[[division]]
id = "pedal"
name = "Pedal"
keyboard = "pedal"

[[rank]]
id = "flute"
name = "Flute"
out = [{ port = "pipes", channel = 1 }]

[[rank]]
id = "bourdon"
name = "Bourdon"
pitch = "16"
pipes = 30
out = [{ port = "pipes", channel = 2 }]

[[rank]]
id = "horn"
name = "Horn"
out = [{ port = "pipes", channel = 3 }]

[[stop]]
id = "flute"
label = ["Flute", "8'"]
division = "great"
rank = "flute"
contact = "rail.1"

[[stop]]
id = "horn"
label = ["Horn", "8'"]
division = "great"
rank = "horn"
contact-on = "rail.2"
contact-off = "rail.3"

[[stop]]
id = "bourdon"
label = ["Bourdon", "16'"]
division = "pedal"
rank = "bourdon"
contact = "rail.4"

[[coupler]]
id = "gt-pd"
label = ["Great", "to Pedal"]
keys = "pedal"
plays = "great"
contact = "rail.5"

[[piston]]
id = "g1"
label = "1"
kind = "general"
contact = ["thumb.1", "toe.1"]
lamp = "lamps.1"

[[piston]]
id = "set"
label = "Set"
kind = "set"
contact = "thumb.2"
lamp = "lamps.2"

[[piston]]
id = "blast"
label = ["Horn", "Blast"]
kind = "momentary"
control = "horn"
contact = "thumb.3"

[[piston]]
id = "g2"
label = "2"
kind = "general"
contact = "toe.2"
lamp = "lamps.3"

[[piston]]
id = "gc"
label = ["General", "Cancel"]
kind = "general-cancel"
contact = "toe.3"

[[board]]
id = "great-keys"
pins = 61
in = { port = "left", channel = 1, first-note = 0 }

[[board]]
id = "rail"
pins = 8
in = { port = "left", channel = 2, first-note = 0 }

[[board]]
id = "thumb"
pins = 16
in = { port = "left", channel = 3, first-note = 0 }

[[board]]
id = "pedal-keys"
pins = 30
in = { port = "right", channel = 1, first-note = 0 }

[[board]]
id = "toe"
pins = 16
in = { port = "right", channel = 2, first-note = 0 }

[[board]]
id = "lamps"
pins = 3
out = { port = "left", channel = 3, first-note = 0 }
"""
FLUTE, HORN, HORN_OFF, BOURDON, GT_PD = (f"rail.{number}" for number in range(1, 6))
G1, SET, BLAST = (f"thumb.{number}" for number in range(1, 4))
G2, GC = "toe.2", "toe.3"
C, E = "great-keys.13", "great-keys.17"
PEDAL_C = "pedal-keys.1"
FLUTE_C, HORN_C, BOURDON_C = ("flute", 13), ("horn", 13), ("bourdon", 1)


def chapel(*, settled: bool = True) -> Evening:
    """The chapel, its contacts found, where the first general has the Bourdon at level 1."""
    console = read_console(CHAPEL)
    evening = Evening(console, bank_of(console, {"g1": "bourdon", "g2": "flute bourdon"}))
    if settled:
        evening.wait(SETTLING)
    return evening


def closed(evening: Evening, *pins: str) -> None:
    for pin in pins:
        evening.pin(pin, True)
    evening.wait(0.1)


def test_keys_of_a_lost_port_are_let_go_and_others_play_on() -> None:
    evening = chapel()
    closed(evening, FLUTE, BOURDON, C, PEDAL_C)
    assert evening.pipes == {FLUTE_C, BOURDON_C}
    evening.lose("left")
    assert evening.pipes == {BOURDON_C}
    assert {what for what in evening.receiver.on if what[0] == "pipes"} == {
        ("pipes", 1, "note", 24)
    }
    assert evening.rail == {"flute", "bourdon"}, "tabs stay where they are put"
    evening.pin("pedal-keys.2", True)
    assert evening.pipes == {BOURDON_C, ("bourdon", 2)}
    assert evening.faults == ['port "left": it was pulled out']


def test_a_key_is_let_go_even_while_it_bounces() -> None:
    evening = chapel()
    closed(evening, FLUTE)
    evening.pin(C, True)
    evening.now += 0.001
    evening.lose("left")
    assert evening.pipes == set()


def test_a_momentary_piston_on_a_lost_port_ends() -> None:
    evening = chapel()
    closed(evening, C, BLAST)
    assert evening.sounding == {"horn"}
    evening.lose("left")
    assert evening.sounding == set()
    evening.wait(60)
    assert evening.faults == ['port "left": it was pulled out'], "it is not stuck"


def test_a_piston_held_on_a_port_that_stays_is_held() -> None:
    evening = chapel()
    closed(evening, G1)
    evening.lose("right")
    evening.wait(31)
    assert f"piston 1 (g1): its contact at pin {G1} is stuck, and taken as open" in evening.faults


def test_a_set_piston_held_on_a_lost_port_is_released_and_not_armed() -> None:
    evening = chapel()
    closed(evening, FLUTE, SET)
    evening.lose("left")
    assert "set" not in evening.lit
    before = evening.instrument.action.bank.get(Slot("g2", 1))
    evening.push(G2)
    assert evening.sounding == {"flute", "bourdon"}, "recalled"
    assert evening.instrument.action.bank.get(Slot("g2", 1)) == before


AS_FOUND = "when its port came on: held, or stuck; it does nothing until it is let go"


def test_what_is_found_when_a_port_is_open_again() -> None:
    """As at switch-on: a piston that is down then is stuck, a key that is down then plays."""
    evening = chapel()
    closed(evening, FLUTE, C, BLAST)
    evening.lose("left")
    evening.wait(2)
    evening.open("left")
    evening.wait(0.1)
    closed(evening, FLUTE, C, G1, BLAST)
    assert evening.pipes == {FLUTE_C}
    assert evening.sounding == {"flute"}, "neither recalled, nor momentary"
    assert evening.faults == [
        f"piston Horn Blast (blast): down at pin {BLAST} {AS_FOUND}",
        f"piston 1 (g1): down at pin {G1} {AS_FOUND}",
    ]
    evening.pin(G1, False)
    evening.pin(BLAST, False)
    assert evening.faults == []
    evening.wait(SETTLING)
    evening.push(G1)
    assert evening.sounding == {"bourdon"}


def test_a_piston_that_was_down_as_its_port_came_on_may_be_held_or_stuck() -> None:
    """However long it stays down: one line, over when it comes up, and none of it being stuck."""
    evening = chapel(settled=False)
    evening.pin(G1, True)
    evening.wait(1000)
    evening.pin(G1, False)
    evening.pin(G1, True)
    evening.wait(31)
    held = f"piston 1 (g1): down at pin {G1} {AS_FOUND}"
    stuck = f"piston 1 (g1): its contact at pin {G1} is stuck, and taken as open"
    assert seconds_in(evening.log) == [(0, held), (1000, f"over: {held}"), (1030, stuck)]


def test_a_port_that_opens_is_silenced_and_told_what_is_on() -> None:
    evening = chapel()
    closed(evening, FLUTE, C)
    told = evening.playing.opened("pipes", evening.now)
    silence = evening.silence["pipes"]
    pipe = ("pipes", Message("note_on", channel=0, note=48, velocity=64))
    assert (told[: len(silence)], told[len(silence) :]) == (silence, [pipe])


@pytest.mark.parametrize(("after", "found"), [(SETTLING - 0.01, True), (SETTLING + 0.01, False)])
def test_what_is_found_is_what_comes_in_the_first_half_second(after: float, found: bool) -> None:
    evening = chapel(settled=False)
    evening.wait(after)
    evening.push(G1)
    assert evening.sounding == (set() if found else {"bourdon"})
    assert evening.faults == []


def test_each_port_has_its_own_half_second() -> None:
    evening = chapel()
    evening.lose("left")
    evening.open("left")
    evening.push("toe.1")
    assert evening.sounding == {"bourdon"}


def test_what_bounces_as_it_is_found_is_told_once() -> None:
    """semantics.md I.8: the first edge counts, and then the contact is ignored for its bounce."""
    evening = chapel(settled=False)
    evening.pin(FLUTE, True)
    heard = []
    for number, after in enumerate((0.0, 0.001, 0.001, 0.001, 0.001)):
        evening.now += after
        evening.pin(C, number % 2 == 0)
        evening.pin(G1, number % 2 == 0)
        heard.append((evening.pipes, len(evening.log)))
    assert heard == [({FLUTE_C}, 1)] * 5
    evening.wait(1)
    assert evening.pipes == {FLUTE_C}
    assert len(evening.log) == 1
    evening.pin(G1, False)
    assert evening.faults == []


def test_a_pair_of_contacts_that_moved_while_its_port_was_gone() -> None:
    """A board says what is closed when it is first heard of, and nothing of what has opened."""
    evening = chapel()
    closed(evening, HORN)
    assert evening.rail == {"horn"}
    evening.lose("left")
    evening.wait(2)
    evening.open("left")
    closed(evening, HORN_OFF)
    assert evening.rail == set()
    evening.wait(1)
    evening.pin(HORN_OFF, False)
    evening.pin(HORN, True)
    assert evening.rail == {"horn"}


def test_a_transposer_button_that_is_down_when_it_is_found_does_nothing() -> None:
    """semantics.md I.9: at switch-on the transposer is at 0."""
    evening = chapel(settled=False)
    evening.pin("thumb.11", True)
    assert evening.instrument.relay.transposer == 0
    evening.wait(1)
    evening.pin("thumb.11", False)
    evening.push("thumb.11")
    assert evening.instrument.relay.transposer == 1


def test_a_transposer_switch_says_where_it_stands() -> None:
    evening = Evening(demo("church"))
    evening.pin("transposer.9", True)
    assert evening.instrument.relay.transposer == 2
    evening.wait(1)
    evening.lose("console")
    assert evening.instrument.relay.transposer == 2, "it stays where it is put"


def test_a_lost_port_that_never_opened_is_told_once() -> None:
    evening = chapel()
    for _ in range(3):
        evening.lose("right")
        evening.wait(1)
    assert evening.log == ['2031-05-04 18:30:00 port "right": it was pulled out']
    evening.open("right")
    assert evening.log[1:] == ['2031-05-04 18:30:03 over: port "right": it was pulled out']


# ---------------------------------------------------------------- active sensing (sources.md, S10)

LITTLE = 0.001
GONE = 'port "left": nothing is heard of it any more'


def sensed() -> Evening:
    """A chord is held, by a board that has said that it will go on saying something."""
    evening = chapel()
    closed(evening, FLUTE, BOURDON, C, PEDAL_C)
    evening.hear("left", ACTIVE_SENSING)
    return evening


def test_300_ms_without_a_byte_let_keys_go() -> None:
    assert SILENT == 0.3
    evening = sensed()
    evening.wait(SILENT - LITTLE)
    assert evening.pipes == {FLUTE_C, BOURDON_C}
    assert evening.faults == []
    evening.wait(2 * LITTLE)
    assert evening.pipes == {BOURDON_C}
    assert evening.rail == {"flute", "bourdon"}
    assert evening.faults == [GONE]


def test_silence_is_noticed_even_if_nobody_looks_at_the_clock() -> None:
    evening = sensed()
    assert evening.playing.next_due == pytest.approx(evening.now + SILENT)
    evening.now += 5
    evening.pin("pedal-keys.2", True)
    assert evening.pipes == {BOURDON_C, ("bourdon", 2)}


@pytest.mark.parametrize(
    "data",
    [
        ACTIVE_SENSING,
        b"\xf8",
        b"\xff",
        b"\xf0\x7d\x01\xf7",
        b"\xf6",
        b"\xc5\x01",
        b"\x95\x10\x20",
        b"\xe0\x00\x40",
        b"\x90\x10\x40",
    ],
)
def test_any_byte_says_that_somebody_is_there(data: bytes) -> None:
    evening = sensed()
    for _ in range(10):
        evening.wait(SILENT - LITTLE)
        evening.hear("left", data)
    assert FLUTE_C in evening.pipes
    assert GONE not in evening.faults


def test_what_another_port_says_does_not_count() -> None:
    evening = sensed()
    for _ in range(10):
        evening.wait(0.1)
        evening.hear("right", ACTIVE_SENSING)
    assert evening.pipes == {BOURDON_C}


def test_without_active_sensing_silence_means_nothing() -> None:
    evening = chapel()
    closed(evening, FLUTE, C)
    assert evening.playing.next_due is None
    evening.wait(3600)
    assert evening.pipes == {FLUTE_C}
    assert evening.faults == []


def test_a_board_that_is_heard_of_again() -> None:
    """It plays on, as found; what is on is told to it anew, and silence counts again."""
    evening = sensed()
    closed(evening, G2)
    lamp = ("left", 2, "note", 2)
    assert lamp in evening.receiver.on
    evening.wait(5)
    board = evening.receiver.as_it_is()
    board.on = {("left", 2, "note", 0)}
    told = evening.playing.heard("left", ACTIVE_SENSING, evening.now)
    board.hear(told)
    assert board.on == {lamp}, "what went out meanwhile goes out there too"
    assert {port for port, _ in told} == {"left"}
    assert evening.faults == []
    evening.pin(C, True)
    evening.pin(G1, True)
    assert evening.pipes == {FLUTE_C, BOURDON_C}
    assert evening.faults == [f"piston 1 (g1): down at pin {G1} {AS_FOUND}"]
    evening.wait(1)
    assert evening.pipes == {BOURDON_C}
    assert evening.faults[0] == GONE
    heard_of = [what for _, what in seconds_in(evening.log) if "heard of" in what]
    assert heard_of == [GONE, f"over: {GONE}", GONE]


def test_a_port_that_is_lost_is_not_told_to_be_silent_too() -> None:
    evening = sensed()
    evening.lose("left")
    assert evening.playing.next_due is None
    evening.wait(1)
    assert evening.faults == ['port "left": it was pulled out']


def test_a_port_that_is_open_again_has_not_sent_active_sensing_yet() -> None:
    evening = sensed()
    evening.wait(1)
    evening.lose("left")
    evening.open("left")
    assert evening.faults == []
    closed(evening, C)
    evening.wait(10)
    assert FLUTE_C in evening.pipes
    assert evening.faults == []


# ---------------------------------------------------------------- what does not work


def seconds_in(log: Iterable[str]) -> list[tuple[float, str]]:
    """Lines of the log, with the seconds since switch-on."""
    found = []
    for line in log:
        day, time, what = line.split(" ", 2)
        when = datetime.fromisoformat(f"{day} {time}+00:00")
        found.append(((when - SWITCHED_ON).total_seconds(), what))
    return found


def test_a_stuck_piston_is_told_once_and_everything_else_plays_on() -> None:
    evening = chapel()
    evening.wait(9.5)
    evening.pin("toe.2", True)
    evening.wait(1000)
    stuck = "piston 2 (g2): its contact at pin toe.2 is stuck, and taken as open"
    assert evening.faults == [stuck]
    evening.push("toe.1")
    assert evening.sounding == {"bourdon"}
    evening.pin("toe.2", False)
    assert evening.faults == []
    assert seconds_in(evening.log) == [(40, stuck), (1010, f"over: {stuck}")]


def unplanned(port: str, what: str) -> str:
    return f'port "{port}": {what} comes, and nothing is planned for it'


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"\x95\x10\x20", "note 16 on channel 6"),
        (b"\x91\x12\x40", "note 18 on channel 2"),
        (b"\xb0\x07\x01", "controller 7 on channel 1"),
        (b"\xc5\x01", "program 1 on channel 6"),
        (b"\xe0\x00\x40", "pitch bend"),
        (b"\xd3\x40", "pressure"),
        (b"\xa3\x40\x40", "the pressure of a key"),
    ],
)
def test_what_comes_and_is_not_planned_is_told_once(data: bytes, what: str) -> None:
    evening = chapel()
    for port in ("left", "left", "right"):
        evening.hear(port, data)
        evening.wait(1)
    assert evening.faults == [unplanned("right", what), unplanned("left", what)]
    evening.lose("left")
    evening.open("left")
    evening.hear("left", data)
    assert len(evening.log) == 4, "two of them, and the loss of a port"


@pytest.mark.parametrize(
    "data",
    [
        b"\x85\x10\x40",
        b"\x95\x10\x00",
        b"\x91\x07\x00",
        b"\xb0\x07\x00",
        b"\xf8",
        b"\xf6",
        b"\xf0\x7d\xf7",
    ],
)
def test_what_opens_and_what_is_of_no_place_says_nothing(data: bytes) -> None:
    """A board that reports all its pins at first reports spare ones, which are open, too."""
    evening = chapel()
    evening.hear("left", data)
    assert evening.faults == []


def test_a_board_on_a_wrong_channel_does_not_fill_the_log() -> None:
    evening = chapel()
    for note in range(60):
        evening.hear("left", bytes((0x9F, note, 64)))
    told = [unplanned("left", f"note {note} on channel 16") for note in range(20)]
    more = "more comes for which nothing is planned than the 20 that are told"
    assert evening.faults[::-1] == [*told, more]
    assert len(evening.playing._strays) == len(told) + 1, "the rest is not remembered either"


BY_HAND = (
    *("PISTON", "CONTROL", "push PISTON", "press PISTON deep", "release PISTON", "touch CONTROL"),
    *("tab CONTROL on", "tab CONTROL off", "crescendo NUMBER", "crescendo stage NUMBER"),
    *("shoe SHOE NUMBER", "keys KEYBOARD NUMBER-NUMBER down", "keys KEYBOARD all up"),
    *("transpose -NUMBER", "transpose +NUMBER", "lock", "unlock", "undo", "redo", "step NUMBER"),
    *("sequence PISTON", "close PIN", "open PIN", "program PIN"),
)
"""What is typed."""


@pytest.mark.parametrize("name", DEMOS)
def test_nothing_can_be_typed_that_the_instrument_refuses(name: str) -> None:
    """With names that there are and numbers that may not be, it is done, or told to be wrong."""
    evening = Evening(demo(name))
    console, hand, chance = evening.console, ByHand(evening.console), Random(name)
    words = {
        "PISTON": [piston.id for piston in console.pistons],
        "CONTROL": [control.id for control in console.controls],
        "SHOE": [shoe.id for shoe in console.shoes],
        "KEYBOARD": [keyboard.id for keyboard in console.keyboards],
        "PIN": list(evening.hand.wired),
        "NUMBER": ["0", "1", "6", "7", "36", "60", "96", "127", "128", "99999"],
    }
    done: set[str] = set()
    for _ in range(300):
        form = chance.choice(BY_HAND)
        line = re.sub("[A-Z]+", lambda found: chance.choice(words[found[0]]), form)
        try:
            deeds = hand.deeds(line, evening.playing)
        except NotDoneError:
            continue
        done.add(form)
        for deed in deeds:
            evening.wait(0.05)
            evening.take(deed.does(evening.playing, evening.now))
    assert len(done) > len(BY_HAND) - 4, set(BY_HAND) - done


def chatter(evening: Evening, pin: str, changes: int, apart: float) -> None:
    for number in range(changes):
        evening.pin(pin, number % 2 == 0)
        evening.wait(apart)


def test_a_contact_that_changes_five_times_in_a_tenth_of_a_second_bounces() -> None:
    evening = chapel()
    closed(evening, FLUTE)
    evening.wait(9.5)
    chatter(evening, C, 5, 0.02)
    bounces = "Great, key 48: its contact at pin great-keys.13 bounces"
    assert evening.faults == [bounces]
    chatter(evening, C, 500, 0.02)
    assert evening.log == [f"2031-05-04 18:30:10 {bounces}"], "told once"
    closed(evening, E)
    assert ("flute", 17) in evening.pipes


@pytest.mark.parametrize(
    ("pin", "told"),
    [
        (C, "Great, key 48"),
        (FLUTE, "Flute 8' (flute)"),
        (HORN_OFF, "Horn 8' (horn)"),
        (G1, "piston 1 (g1)"),
        ("toe.9", "the memory lock"),
        ("thumb.11", "the transposer"),
    ],
)
def test_whose_contact_bounces_is_told_by_label_and_pin(pin: str, told: str) -> None:
    evening = chapel()
    chatter(evening, pin, 6, 0.021)
    assert evening.faults == [f"{told}: its contact at pin {pin} bounces"]


def test_four_times_in_a_tenth_of_a_second_may_be_a_hand() -> None:
    evening = chapel()
    for _ in range(50):
        chatter(evening, C, 4, 0.02)
        evening.wait(0.1)
    assert evening.faults == []


def test_a_trill_is_no_fault() -> None:
    """Fifteen strokes a second, by common practice the fastest repetition of a key."""
    evening = chapel()
    closed(evening, FLUTE)
    chatter(evening, C, 15 * 2 * 60, 1 / 30)
    assert evening.faults == []


def test_a_key_that_bounces_as_keys_do_is_no_fault() -> None:
    """For 4 ms at each stroke: less than the 5 ms of semantics.md I.8, and struck once each."""
    evening = chapel()
    closed(evening, FLUTE)
    strokes = 0
    for _ in range(100):
        for down in (True, False):
            before = evening.pipes
            for number in range(9):
                evening.pin(C, down is (number % 2 == 0))
                evening.wait(0.0005)
                strokes += evening.pipes != before
                before = evening.pipes
            evening.wait(1 / 30)
            assert evening.pipes == ({FLUTE_C} if down else set())
    assert strokes == 200
    assert evening.faults == []


VESTRY = """\
format = 1
name = "The Vestry, Thornwick"
action = "moving"

[[keyboard]]
id = "great"
name = "Great"

[[division]]
id = "great"
name = "Great"
keyboard = "great"

[[stop]]
id = "great"
label = ["Flute", "8'"]
division = "great"
contact = "rail.1"
drive-on = "coils.1"
drive-off = "coils.2"

[[stop]]
id = "horn"
label = ["Horn", "8'"]
division = "great"
contact-on = "programs.1"
contact-off = "programs.2"
drive-on = "coils.3"
drive-off = "coils.4"

[[piston]]
id = "horn"
label = "1"
kind = "general"
contact = "thumb.1"

[[piston]]
id = "gc"
label = ["General", "Cancel"]
kind = "general-cancel"
contact = "thumb.2"

[[board]]
id = "rail"
pins = 8
in = { port = "left", channel = 2, first-note = 0 }

[[board]]
id = "programs"
pins = 8
in = { port = "left", channel = 4, first-program = 0 }

[[board]]
id = "thumb"
pins = 8
in = { port = "left", channel = 3, first-note = 0 }

[[board]]
id = "coils"
pins = 8
out = { port = "coils", channel = 1, first-note = 0 }
"""


def vestry() -> Evening:
    """Two driven tabs. The piston is called as a stop is, and a stop as its keyboard is."""
    console = read_console(VESTRY)
    evening = Evening(console, bank_of(console, {"horn": "great horn"}))
    evening.wait(9)
    return evening


FLUTE_STAYS = "Flute 8' (great): its tab, at pin rail.1, does not go on"
HORN_STAYS = "Horn 8' (horn): its tab, at pin programs.1 and programs.2, does not go on"


def test_tabs_that_do_not_follow_are_told_once_until_they_move() -> None:
    evening = vestry()
    evening.push("thumb.1")
    evening.wait(0.5)
    assert sorted(evening.faults) == [FLUTE_STAYS, HORN_STAYS]
    evening.push("thumb.1")
    evening.wait(1)
    assert len(evening.log) == 2, "told once"
    evening.pin("rail.1", True)
    assert evening.faults == [HORN_STAYS]
    evening.hear("left", b"\xc3\x00")
    assert evening.faults == []
    assert evening.rail == {"great", "horn"}
    assert seconds_in(evening.log) == [
        (9, FLUTE_STAYS),
        (9, HORN_STAYS),
        (10, f"over: {FLUTE_STAYS}"),
        (10, f"over: {HORN_STAYS}"),
    ]


def test_a_tab_that_stays_on_is_told_so() -> None:
    evening = vestry()
    evening.pin("rail.1", True)
    evening.wait(1)
    evening.push("thumb.2")
    evening.wait(0.5)
    assert evening.faults == ["Flute 8' (great): its tab, at pin rail.1, does not go off"]
    assert evening.rail == {"great"}, "the last report stands"


def test_tabs_that_follow_are_no_fault() -> None:
    evening = vestry()
    for piston, closes in (("thumb.1", True), ("thumb.2", False)) * 3:
        evening.pin(piston, True)
        evening.wait(0.3)
        evening.pin("rail.1", closes)
        evening.hear("left", b"\xc3\x00" if closes else b"\xc3\x01")
        evening.pin(piston, False)
        evening.wait(1)
    assert evening.log == []


def test_a_piston_is_named_as_a_piston_where_a_stop_has_its_id() -> None:
    evening = vestry()
    evening.pin("thumb.1", True)
    evening.wait(40)
    assert "piston 1 (horn): its contact at pin thumb.1 is stuck, and taken as open" in (
        evening.faults
    )


def test_a_store_that_fails_is_told_once() -> None:
    evening = chapel()
    for why in ("the disk is full", "the disk is full", None, None, "the disk is gone"):
        evening.playing.store_fails(why)
    assert [what for _, what in seconds_in(evening.log)] == [
        "the disk is full",
        "over: the disk is full",
        "the disk is gone",
    ]


def test_a_step_whose_piston_is_gone_is_refused() -> None:
    """semantics.md III: what a console no longer has keeps its place, unheard, in the memory."""
    pistons = (*worked_console().pistons, worked_piston("NEXT", Kind.NEXT))
    console = worked_console(pistons=pistons)
    bank = bank_of(console, WORKED_MEMORY)
    bank.sequences["evening"] = (Step(Decimal(1), 1, "G9"), Step(Decimal(2), 1, "G1"))
    bank.sequence = "evening"
    evening = Evening(console, bank)
    evening.push(unwired_pin(Role.PISTON, "NEXT"))
    assert [told.words for told in evening.playing.told] == [
        "piston G9: step does not fit this console"
    ]
    evening.push(unwired_pin(Role.PISTON, "NEXT"))
    assert evening.sounding == {"b", "c"}


# ---------------------------------------------------------------- anything at all comes in

RANDOM_BYTES = 200_000 if EXAMPLES is None else 10_000 * int(EXAMPLES)
BYTE = 320e-6
"""Seconds that a byte takes on a cable (MIDI 1.0)."""


@pytest.mark.parametrize("name", DEMOS)
def test_random_bytes_do_no_harm(
    name: str, figures: Figures, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At both demo consoles; with every key up no pipe sounds after all.

    The running program hears a million of them in `tests.test_play_live`.
    """
    console, chance = demo(name), Random(name)
    evening = Evening(console, filled_bank(console, 1))
    left = evening.receiver.as_it_is()
    listened = [port for port, use in ports_of(console).items() if use.listens]
    decoders = {port: Decoder() for port in listened}
    messages = meaningful = most = 0
    understand = Wiring.heard

    def counted(wiring: Wiring, message: Message, port: str) -> Heard | None:
        nonlocal meaningful
        heard = understand(wiring, message, port)
        meaningful += heard is not None
        return heard

    monkeypatch.setattr(Wiring, "heard", counted)
    fed = RANDOM_BYTES // len(DEMOS)
    while fed > 0:
        port, length = chance.choice(listened), min(fed, chance.randint(1, 1024))
        fed -= length
        for data in decoders[port].feed(chance.randbytes(length)):
            messages += 1
            evening.hear(port, data)
        most = max(most, len(evening.pipes))
        if chance.random() < 0.2:
            evening.wait(chance.choice((BYTE, 0.004, 0.1, 0.4, 20.0)))
        evening.now += length * BYTE
    monkeypatch.undo()
    everything_let_go(evening)
    evening.compare(left)
    figures(
        f"{name}: {RANDOM_BYTES // len(DEMOS):,} random bytes, {messages:,} messages, of them "
        f"{meaningful:,} meaningful; {most} pipes at most"
    )
    assert meaningful > messages / 100
    assert most > 100


def everything_let_go(evening: Evening) -> None:
    """Every contact is opened that a hand or a foot holds; then no pipe sounds, nor any line."""
    evening.wait(1)
    for wire in evening.hand.wired.values():
        if wire.role not in (Role.TAB, Role.TAB_ON, Role.TAB_OFF, Role.LOCK):
            evening.do(evening.hand.edge(wire, False))
    evening.wait(1)
    assert evening.pipes == set()
    assert not evening.receiver.on & evening.receiver.pipes


# ---------------------------------------------------------------- ten hours

HOURS = 10
HOUR = 3600.0
KEYS_A_SECOND = 10
PIECES = dict.fromkeys(DEMOS, 1) if EXAMPLES is None else dict.fromkeys(DEMOS, 30)
"""Pieces that are played in an hour, at least one; the rest is for the sermon, or the film."""
PIECE = 60.0
"""Seconds."""
A_SET = 400
"""Bytes that a set may cost for as long as the console is on: it can be taken back (I.5)."""
GROWTH = 4096
"""Bytes that are not counted: what is under way in one pause and not in another."""


def retained(*roots: object) -> int:
    """Bytes of everything that can be reached from some things, but for code."""
    seen: set[int] = set()
    left: list[object] = list(roots)
    size = 0
    while left:
        thing = left.pop()
        if id(thing) in seen or isinstance(thing, type | ModuleType | FunctionType):
            continue
        seen.add(id(thing))
        size += sys.getsizeof(thing)
        left += gc.get_referents(thing)
    return size


@define
class BusyOrganist:
    """Plays pieces at ten keys a second, with pistons, tabs, shoes and sets now and then."""

    evening: Evening
    chance: Random
    sets: int = 0

    def tune(self) -> None:
        """Every key, piston and tab is tried, and tried again: what is kept of each is there."""
        hand = self.evening.hand
        for wire in hand.wired.values():
            if wire.role in (Role.KEY, Role.PISTON, Role.SECOND_TOUCH, Role.TAB) and not wire.sets:
                for down in (True, False) * 2:
                    self.evening.do(hand.edge(wire, down))
                    self.evening.wait(0.05)

    def piece(self) -> int:
        """Gives how many pipes spoke at most."""
        hand, chance, evening = self.evening.hand, self.chance, self.evening
        keyboards = [hand.keys_of(keyboard.id) for keyboard in evening.console.keyboards]
        held: list[Wired] = []
        most = 0
        for stroke in range(int(PIECE * KEYS_A_SECOND)):
            key = chance.choice(chance.choice(keyboards))
            if key not in held:
                evening.do(hand.edge(key, True))
                held.append(key)
            evening.wait(0.5 / KEYS_A_SECOND)
            while len(held) > chance.randint(0, 9):
                evening.do(hand.edge(held.pop(0), False))
            evening.wait(0.5 / KEYS_A_SECOND)
            if stroke % 20 == 0:
                most = max(most, len(evening.pipes))
                self.something()
        for key in held:
            evening.do(hand.edge(key, False))
        return most

    def something(self) -> None:
        """What hands do between two chords."""
        evening, chance = self.evening, self.chance
        console = evening.console
        match chance.choice("pppptttsscx"):
            case "p":
                self.push(chance.choice(console.pistons).id)
            case "t":
                control = chance.choice(console.controls).id
                for heard in evening.hand.tab(control, control not in evening.rail):
                    evening.do(heard)
            case "s":
                evening.do(ShoeRead(chance.choice(console.shoes).id, chance.randrange(128)))
            case "c":
                evening.do(CrescendoRead(chance.choice((0, 0, 60, 127))))
            case "x":
                self.set()

    def push(self, piston: str) -> None:
        wire = self.evening.hand.first(Role.PISTON, piston)
        assert wire is not None
        for _, heard in self.evening.hand.tap(wire):
            self.evening.do(heard)
            self.evening.wait(0.06)

    def set(self) -> None:
        """A general is set, at one of the first two levels, and the store has written it."""
        evening = self.evening
        evening.instrument.action.bank.level = self.chance.choice((1, 2))
        setting = evening.hand.first(Role.PISTON, "set")
        assert setting is not None
        evening.do(evening.hand.edge(setting, True))
        self.push(f"g{self.chance.randint(1, 5)}")
        evening.do(evening.hand.edge(setting, False))
        asked, evening.playing.asked = evening.playing.asked, []
        self.sets += len(asked)
        evening.take(evening.playing.written([ChangeKept(a.number) for a in asked], evening.now))


@pytest.mark.parametrize("name", DEMOS[:1] if EXAMPLES is None else DEMOS)
def test_ten_hours_leave_nothing_behind(name: str, figures: Figures) -> None:
    """At high speed: no cipher in any pause, nothing late, and no growth in memory."""
    console = demo(name)
    evening = Evening(console, filled_bank(console, 2), keeps=True, follows=True)
    organist = BusyOrganist(evening, Random(3))
    grown: list[tuple[int, int, int]] = []
    organist.tune()
    most = 0
    for hour in range(1, HOURS + 1):
        for _ in range(PIECES[name]):
            most = max(most, organist.piece())
            evening.wait(1)
            assert evening.pipes == set()
            assert not evening.receiver.on & evening.receiver.pipes
        evening.lose("console")
        evening.wait(hour * HOUR - evening.now)
        evening.open("console")
        evening.wait(SETTLING)
        if hour in (1, HOURS):
            gc.collect()
            grown.append((retained(evening.playing), sys.getallocatedblocks(), organist.sets))
    (first, blocks, sets), (last, blocks_at_last, sets_at_last) = grown
    figures(
        f"{name}: {evening.now / HOUR:.0f} hours, {sets_at_last} sets; {first / 1024:.1f} KiB "
        f"after the first, {(last - first) / 1024:+.1f} KiB after the last, "
        f"{blocks_at_last - blocks:+,} blocks; {most} pipes at most"
    )
    assert last - first < GROWTH + A_SET * (sets_at_last - sets)
    assert evening.faults == []


# ---------------------------------------------------------------- why it sounds

WHY: dict[str, tuple[Action, dict[str, Any], str]] = {
    "blind, ignored": (
        Action.BLIND,
        {},
        """
        tab a on             | a: hand
        push G1              | b: piston G1; c: piston G1
        tab d on             | b: piston G1; c: piston G1
        push GT1             | a: piston GT1; c: piston G1; x: piston GT1
        push PD1             | a: piston GT1; d: piston PD1; x: piston GT1
        push GC              | a: hand; d: hand
        """,
    ),
    "blind, last touch": (
        Action.BLIND,
        {"while_governed": WhileGoverned.LAST_TOUCH},
        """
        tab a on             | a: hand
        push G1              | b: piston G1; c: piston G1
        tab d on             | b: piston G1; c: piston G1; d: hand
        tab b on             | b: hand; c: piston G1; d: hand
        tab b off            | c: piston G1; d: hand
        push GC              | a: hand; d: hand
        """,
    ),
    "blind, adds": (
        Action.BLIND,
        {"while_governed": WhileGoverned.ADDS},
        """
        tab a on             | a: hand
        push G1              | a: hand; b: piston G1; c: piston G1
        tab d on             | a: hand; b: piston G1; c: piston G1; d: hand
        tab b on             | a: hand; b: hand, piston G1; c: piston G1; d: hand
        push GC              | a: hand; b: hand; d: hand
        """,
    ),
    "reversible, crescendo, full organ": (
        Action.BLIND,
        {},
        """
        tab a on             | a: hand
        push RX              | a: hand; x: piston RX
        push RX              | a: hand
        push G1              | b: piston G1; c: piston G1
        push RX              | b: piston G1; c: piston G1; x: piston RX
        crescendo to 1       | a: crescendo 1; b: piston G1; c: piston G1; x: piston RX
        crescendo to 2       | a: crescendo 2; b: piston G1, crescendo 2; c: piston G1; x: piston RX
        crescendo to 1       | a: crescendo 1; b: piston G1; c: piston G1; x: piston RX
        push FO              | a: crescendo 1, full organ FO; b: piston G1, full organ FO; \
c: piston G1, full organ FO; d: full organ FO; x: piston RX, full organ FO
        push FO              | a: crescendo 1; b: piston G1; c: piston G1; x: piston RX
        crescendo to 0       | b: piston G1; c: piston G1; x: piston RX
        push GC              | a: hand
        """,
    ),
    "setting": (
        Action.BLIND,
        {},
        """
        tab a on             | a: hand
        tab d on             | a: hand; d: hand
        push SET             | a: hand; d: hand
        push G1              | a: hand; d: hand
        tab a off            | d: hand
        push G1              | a: piston G1; d: piston G1
        """,
    ),
    "moving": (
        Action.MOVING,
        {},
        """
        tab a on             | a: hand
        push G1              | b: piston G1; c: piston G1
        tab d on             | b: piston G1; c: piston G1; d: hand
        tab d off            | b: piston G1; c: piston G1
        push GT1             | a: piston GT1; c: piston G1; x: piston GT1
        push PD1             | a: piston GT1; d: piston PD1; x: piston GT1
        tab a off            | d: piston PD1; x: piston GT1
        push RX              | d: piston PD1
        push GC              |
        """,
    ),
    "momentary, and what a list silences": (
        Action.BLIND,
        {
            "pistons": (
                *worked_console().pistons,
                worked_piston("MA", Kind.MOMENTARY, control="a"),
                worked_piston(
                    "HUSH",
                    Kind.FULL_ORGAN,
                    sounds=Selection(controls=("b",)),
                    silences=Selection(controls=("a", "c")),
                ),
            )
        },
        """
        tab a on             | a: hand
        press MA             | a: momentary MA, hand
        push HUSH            | a: momentary MA; b: full organ HUSH
        release MA           | b: full organ HUSH
        push HUSH            | a: hand
        """,
    ),
}


@pytest.mark.parametrize("case", WHY)
def test_why_each_control_sounds_in_the_worked_cases(case: str) -> None:
    """semantics.md I.10. What each moment was, it stays while the action goes on."""
    action, choices, table = WHY[case]
    console = worked_console(action, **choices)
    player = Player(console, bank_of(console, WORKED_MEMORY))
    moments: list[tuple[Moment, str, str]] = []
    for row in table.strip().splitlines():
        step, expected = (cell.strip() for cell in row.split("|"))
        player.do(step)
        moment = player.action.moment()
        moments.append((moment, repr(moment), expected))
        for before, shown, reasons in moments:
            assert repr(before) == shown
            assert reasons_of(player, before) == reasons
        assert {name for name in "abcdx" if player.action.why(name)} == player.sounding


def reasons_of(player: Player, moment: Moment) -> str:
    """As the tables have them."""
    roster = player.bank.roster
    why = {name: moment.why(roster.bit(name)) for name in "abcdx"}
    return "; ".join(
        f"{name}: {', '.join(' '.join(reason).strip() for reason in reasons)}"
        for name, reasons in why.items()
        if reasons
    )


# ---------------------------------------------------------------- looked at while it is played


def seen(evening: Evening, latency: Latency | None = None) -> Seen:
    teller = Teller(evening.console, "Mabel Thornycroft")
    return teller.seen(glance(evening.playing), (), latency or Latency(), 0)


def test_a_glance_tells_what_sounds_where_and_why() -> None:
    evening = chapel()
    closed(evening, FLUTE, GT_PD, PEDAL_C, BLAST)
    shown = seen(evening)
    assert {d.name: [(s.label, s.why) for s in d.sounding] for d in shown.divisions} == {
        "Great": [("Flute 8'", ("hand",)), ("Horn 8'", ("momentary blast",))],
        "Pedal": [("Great to Pedal", ("hand",))],
    }, "a coupler belongs to the division whose keyboard is under the hands"
    assert shown.pipes == 2
    assert [piston.id for piston in shown.pistons if piston.lit] == ["blast"]
    evening.pin(BLAST, False)
    evening.push("toe.1")
    shown = seen(evening)
    assert {d.name: [(s.label, s.why) for s in d.sounding] for d in shown.divisions} == {
        "Great": [],
        "Pedal": [("Bourdon 16'", ("piston g1",))],
    }
    assert [(t.label, t.on, t.sounds) for d in shown.divisions for t in d.rail] == [
        ("Flute 8'", True, False),
        ("Horn 8'", False, False),
        ("Bourdon 16'", False, True),
        ("Great to Pedal", True, False),
    ]


def test_a_glance_stays_as_it_was() -> None:
    evening = chapel()
    closed(evening, FLUTE, C)
    taken = glance(evening.playing)
    teller = Teller(evening.console, "")
    before = teller.seen(taken, (), Latency(), 0)
    evening.push("toe.1", "toe.2")
    evening.lose("left")
    assert teller.seen(taken, (), Latency(), 0) == before != seen(evening)


def test_latencies_are_of_the_last_message_out() -> None:
    latencies = Latencies()
    assert latencies.seen() == Latency()
    passage = Passage(10.0, 2, latencies)
    passage.arrived(10.5)
    assert latencies.seen() == Latency()
    passage.arrived(10.25)
    assert latencies.seen() == Latency(1, 0.25, 0.25, 0.25)


def test_latencies_by_their_definitions() -> None:
    """The worst of all, and of the last thousand the median and what 99 of 100 are below."""
    latencies = Latencies()
    latencies.add(9.0)
    for thousandth in range(1000):
        latencies.add(thousandth / 1000)
    assert latencies.seen() == Latency(1001, 0.5, 0.99, 9.0)
