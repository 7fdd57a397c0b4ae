"""A console on the bench: the instrument, and what is around it in a hall.

That is a clock, contacts that may stick, tabs that follow their magnets, a switch, and a store
that writes what is set. Everything that is done goes in by the contacts; what comes of it is
gathered step by step, and what is expected is compared with what the instrument then is.
"""

from collections import deque
from collections.abc import Callable, Iterable
from math import inf

from attrs import define, field, frozen

from cli.rehearsal.hand import Hand
from cli.rehearsal.midi_files import Cued, Told
from cli.rehearsal.statements import (
    AddStep,
    Expect,
    LockLevel,
    Opening,
    Remember,
    Said,
    place_name,
    plain_number,
    plain_semitones,
)
from combination.action import CombinationAction
from combination.bits import Numbers, Parts
from combination.contacts import Role, Wired
from combination.effects import (
    ContactStuck,
    Effect,
    KeepAsked,
    OutputsOff,
    OutputsOn,
    Refused,
    ShadesMoved,
    Stored,
    TabDidNotFollow,
    TabsDriven,
    TransposerTurned,
)
from combination.events import ChangeKept, ChangeNotKept, Event, MemoryLockTurned, RelayEvent
from combination.instrument import Instrument
from combination.memory import Bank, Combination, Slot
from combination.midi import Edge, Heard
from combination.model import Console
from combination.moment import Reason
from combination.ranges import Ranges
from combination.relay import Relay

FOLLOW = 0.15
"""Seconds from the start of a tab's pulse until its contact reports: common practice for tab
magnets is a tenth of a second or two."""

UNKNOWN = "unknown"
"""Where shades are that have not been moved since switch-on."""
RELAYED = (OutputsOff, OutputsOn, ShadesMoved, TransposerTurned)
"""The effects by which the relay plays."""
MILLISECOND = 0.001
NOT_SET = ("not set",)
"""What is found in a place of the memory that holds nothing yet: words, and no list of names."""


@frozen
class Happening:
    """An effect, and when it came (seconds)."""

    at: float
    effect: Effect


@frozen
class Look:
    """What is to be seen of a console: what sounds and why, the rail, the pistons lit.

    And what is down and on: keys, the pipes of ranks that are asked for and those of them that
    speak, what divisions send out, the outputs of controls but for traps; where shades are that
    have moved, and the transposer.
    """

    sounding: dict[str, tuple[Reason, ...]] = field(factory=dict)
    rail: tuple[str, ...] = ()
    lit: tuple[str, ...] = ()
    keys: dict[str, Numbers] = field(factory=dict)
    pipes: dict[str, Numbers] = field(factory=dict)
    speaking: dict[str, Numbers] = field(factory=dict)
    lines: dict[str, Numbers] = field(factory=dict)
    switched: tuple[str, ...] = ()
    shades: dict[str, int] = field(factory=dict)
    transposer: int = 0


@frozen
class Failure:
    """An expectation that did not hold: which, after what, what was wanted, what was found."""

    said: Said
    after: Said
    wanted: tuple[str, ...]
    found: tuple[str, ...]


@define
class Step:
    """One thing that was done: when (seconds), and all that came of it before the next.

    A heading only says what the next steps are; it is worth telling if something came of it.
    """

    at: float
    said: Said
    heading: bool = False
    happenings: list[Happening] = field(factory=list)
    notes: list[str] = field(factory=list)
    failures: list[Failure] = field(factory=list)
    look: Look | None = None


@define
class Run:
    """A rehearsal that was run: its steps, and how many expectations held.

    ``unknown`` is the number of messages that nothing of the console sends. ``heard`` is what
    its pins and pedals said, each with the time and the statement it was said in; ``told`` the
    statements and expectations themselves, as a recording carries them. ``lasts`` is in seconds.
    """

    steps: list[Step] = field(factory=list)
    held: int = 0
    unknown: int = 0
    heard: list[tuple[float, Heard, Said]] = field(factory=list)
    told: list[Told | Cued] = field(factory=list)
    lasts: float = 0.0

    @property
    def failures(self) -> list[Failure]:
        """Every expectation that did not hold, in order."""
        return [failure for step in self.steps for failure in step.failures]

    @property
    def relayed(self) -> list[Happening]:
        """Everything that the relay did, in order of time."""
        return [
            happening
            for step in self.steps
            for happening in step.happenings
            if isinstance(happening.effect, RELAYED)
        ]


class Bench:
    """A console, and what is around it. Times are seconds; they never go back."""

    def __init__(self, console: Console, bank: Bank, *, tabs_follow: bool = True) -> None:
        """Put a console on the bench, switched off, with a bank seated on it."""
        self.console = console
        self.bank = bank
        self.hand = Hand(console)
        self.ranges = Ranges(console)
        self.now = 0.0
        self.instrument: Instrument | None = None
        self.run = Run()
        self.caused: list[Happening] = []
        self.sticking: set[str] = set()
        self.jammed: set[str] = set()
        self.store_works = True
        self._tabs_follow = tabs_follow
        self._key_locked = False
        self._asked = {pin: wire.inverted for pin, wire in self.hand.wired.items()}
        self._reported = dict(self._asked)
        self._moving: dict[str, tuple[float, bool]] = {}
        self._music: deque[tuple[float, Edge]] = deque()
        self._played: set[str] = set()
        self._moved_at = -inf

    def remember(self, opening: Iterable[Opening]) -> None:
        """Put what holds at the outset into the bank."""
        for does in opening:
            if isinstance(does, LockLevel):
                self.bank.at(does.level).locked = True
            elif isinstance(does, AddStep):
                steps = self.bank.sequences.get(does.sequence, ())
                others = [step for step in steps if step.number != does.step.number]
                ordered = sorted([*others, does.step], key=lambda step: step.number)
                self.bank.sequences[does.sequence] = tuple(ordered)
            else:
                self._remember(does)

    def _remember(self, does: Remember) -> None:
        bits = self.bank.roster.bits(does.controls)
        held = self.bank.get(does.slot) or Combination(0)
        changed = Combination(held.on, bits) if does.neutral else Combination(bits, held.neutral)
        self.bank.put(does.slot, changed)

    @property
    def action(self) -> CombinationAction:
        """The combination action of a console that is switched on."""
        assert self.instrument is not None
        return self.instrument.action

    @property
    def relay(self) -> Relay:
        """The relay of a console that is switched on."""
        assert self.instrument is not None
        return self.instrument.relay

    # ------------------------------------------------------------ steps

    def begin(self, said: Said, at: float, *, afresh: bool = True, heading: bool = False) -> Step:
        """A step begins; what is caused is counted afresh, or goes on being counted.

        Music of the same instant belongs to it, as it does in a recording.
        """
        self.reach(at)
        self._look()
        if afresh:
            self.caused = []
        self.run.steps.append(Step(at, said, heading))
        return self.run.steps[-1]

    def withdraw(self, caused: list[Happening]) -> None:
        """The last step was none; what had been caused before it is to be seen again."""
        self.run.steps.pop()
        self.run.steps[-1].look = None
        self.caused = caused

    def finish(self) -> Run:
        """The rehearsal is over: what could not be kept is lost, as at switch-off."""
        self._look()
        self._lose_unkept()
        self.run.lasts = self.now
        return self.run

    def _look(self) -> None:
        """What is to be seen at the end of the step under way."""
        if not self.run.steps or self.run.steps[-1].look is not None:
            return
        self.run.steps[-1].look = Look() if self.instrument is None else self._seen()

    def _seen(self) -> Look:
        action, relay, console = self.action, self.relay, self.console
        of = self.ranges.roster.registration
        traps = {trap.id for trap in console.traps}
        shades = {chamber.id: relay.shades(chamber.id) for chamber in console.chambers}
        return Look(
            {control: action.why(control) for control in of(action.sounding)},
            tuple(of(action.rail)),
            tuple(action.lit),
            {k.id: keys for k in console.keyboards if (keys := relay.keys_down(k.id))},
            {rank.id: pipes for rank in console.ranks if (pipes := relay.pipes(rank.id))},
            {rank.id: pipes for rank in console.ranks if (pipes := relay.blown(rank.id))},
            {d.id: lines for d in console.divisions if (lines := relay.lines_on(d.id))},
            tuple(control for control in relay.switched if control not in traps),
            {chamber: at for chamber, at in shades.items() if at is not None},
            relay.transposer,
        )

    def note(self, text: str) -> None:
        """Something to be seen on the bench that the console cannot know."""
        self.run.steps[-1].notes.append(text)

    # ------------------------------------------------------------ time

    def advance(self, to: float) -> None:
        """Let time pass: the instrument, the tabs and the music act when they fall due."""
        self.reach(to)
        while self._next_touch <= to:
            self._touch(self._music.popleft()[1])

    def reach(self, to: float) -> None:
        """Let time pass until then, but for the music of that very instant."""
        while (playing := self._next_touch) < to:
            self._let_pass(playing)
            self._touch(self._music.popleft()[1])
        self._let_pass(to)

    def _let_pass(self, to: float) -> None:
        while (due := self._next_due) <= to:
            self.now = max(due, self.now)
            self._arrive()
            self._tick()
        self.now = to
        self._tick()

    @property
    def _next_touch(self) -> float:
        """When the music next moves a key: a millisecond later where a hand moves something.

        In a recording two ports that send in one instant do it in no order.
        """
        if not self._music:
            return inf
        at = self._music[0][0]
        return round(at + MILLISECOND, 3) if at == self._moved_at else at

    @property
    def _next_due(self) -> float:
        """When the instrument or a tab will act by itself."""
        if self.instrument is None:
            return inf
        arriving = min((at for at, _ in self._moving.values()), default=inf)
        due = self.instrument.next_due
        return arriving if due is None else min(arriving, due)

    def _tick(self) -> None:
        if self.instrument is not None:
            self._take(self.instrument.tick(self.now))

    def _arrive(self) -> None:
        """Tabs that have followed their pulses by now report it."""
        for tab, (at, on) in list(self._moving.items()):
            if at <= self.now:
                del self._moving[tab]
                for heard in self.hand.tab(tab, on):
                    self._report(heard)

    def _take(self, effects: list[Effect]) -> None:
        """What came of something: noted, written by the store, followed by the tabs."""
        for effect in effects:
            if isinstance(effect, KeepAsked):
                answer = ChangeKept if self.store_works else ChangeNotKept
                self._receive(answer(effect.number))
                continue
            happening = Happening(self.now, effect)
            self.caused.append(happening)
            self.run.steps[-1].happenings.append(happening)
            self.run.steps[-1].look = None
            if isinstance(effect, TabsDriven) and self._tabs_follow:
                self._follow(effect)

    def _follow(self, driven: TabsDriven) -> None:
        """Driven tabs move, unless they are jammed; a later pulse takes an earlier one's place."""
        after = min(FOLLOW, self.console.drive.follow / 2)
        for tabs, on in ((driven.on, True), (driven.off, False)):
            for tab in tabs:
                if tab not in self.jammed:
                    self._moving[tab] = (self.now + after, on)

    def _receive(self, event: Event | RelayEvent) -> None:
        if self.instrument is not None:
            self._take(self.instrument.receive(event, self.now))

    # ------------------------------------------------------------ what is done

    def move(self, heard: Heard) -> None:
        """A hand or a foot moves something; a contact that sticks does not open."""
        self._moved_at = self.now
        if isinstance(heard, Edge):
            wire = self.hand.wired[heard.pin]
            self._asked[heard.pin] = heard.closed
            if heard.pin in self._played and heard.closed is wire.inverted:
                self.note(f"key {wire.number}: the music holds it")
                return
            if wire.role in (Role.TAB, Role.TAB_ON, Role.TAB_OFF):
                self._moving.pop(wire.id, None)
            if self._reported[heard.pin] == heard.closed:
                state = "closed" if heard.closed else "open"
                key = f"key {wire.number}: " if wire.role is Role.KEY else ""
                self.note(f"{key}its contact is {state} already")
                return
            if heard.pin in self.sticking and heard.closed is wire.inverted:
                self.note("its contact sticks")
                return
        self._report(heard)

    def _report(self, heard: Heard) -> None:
        """A pin or a pedal says something, if the console is on to hear it."""
        if isinstance(heard, Edge):
            if self._reported[heard.pin] == heard.closed:
                return
            self._reported[heard.pin] = heard.closed
        if self.instrument is not None:
            self.run.heard.append((self.now, heard, self.run.steps[-1].said))
            self._take(self.instrument.hear(heard, self.now))

    def begin_music(self, edges: Iterable[tuple[float, Edge]]) -> None:
        """Music begins, whose edges come each at its time."""
        self._music.extend(edges)

    def _touch(self, edge: Edge) -> None:
        """The music moves a key; one that the rehearsal holds down stays down."""
        wire = self.hand.wired[edge.pin]
        (self._played.discard if edge.closed is wire.inverted else self._played.add)(edge.pin)
        if not self._pressed(wire):
            self._report(edge)

    def play(self, heard: Heard, *, found: bool = False) -> None:
        """Something that a recording has; ``found``, it says how a contact was found."""
        if self.instrument is None:
            return
        if found and isinstance(heard, Edge):
            self._take(self.instrument.found(heard, self.now))
        else:
            self._take(self.instrument.hear(heard, self.now))

    def lose(self, port: str) -> None:
        """Nothing is heard by a port any more."""
        if self.instrument is not None:
            self._take(self.instrument.lost(port, self.now))

    def all_up(self, keyboard: str) -> list[Heard]:
        """What lifts every key of a keyboard that a hand holds down."""
        wires = [wire for wire in self.hand.keys_of(keyboard) if self._pressed(wire)]
        if not wires:
            self.note("no key is held down")
        return [self.hand.edge(wire, False) for wire in wires]

    def transposing(self, semitones: int) -> tuple[tuple[int, Heard], ...]:
        """What moves the transposer from where it stands."""
        pressed = [pin for pin, wire in self.hand.wired.items() if self._pressed(wire)]
        edges = self.hand.transposing(semitones, self.relay.transposer, pressed)
        if not edges:
            self.note("the transposer stands there already")
        return edges

    def _pressed(self, wire: Wired) -> bool:
        """Whether a hand has something pressed, whatever its contact does."""
        return self._asked[wire.pin] is not wire.inverted

    def ask(self, event: Event | RelayEvent) -> None:
        """A wish that comes by no contact. A key switch stays as it was turned."""
        if isinstance(event, MemoryLockTurned):
            self._key_locked = event.locked
        self._receive(event)

    def stick(self, pin: str, sticks: bool) -> None:
        """A contact no longer opens; freed, it goes to where the hand has left it."""
        if sticks:
            self.sticking.add(pin)
        else:
            self.sticking.discard(pin)
            self._report(Edge(pin, self._asked[pin]))

    def jam(self, control: str, jams: bool) -> None:
        """A tab no longer moves, or does again when it is next driven."""
        (self.jammed.add if jams else self.jammed.discard)(control)
        if jams:
            self._moving.pop(control, None)

    def store(self, works: bool) -> None:
        """The store fails, or works again and writes what has waited."""
        self.store_works = works
        if works and self.instrument is not None:
            for number in list(self.action.unkept):
                self._receive(ChangeKept(number))

    def found(self, pin: str, closed: bool) -> None:
        """While nobody listens, a pin comes to be so."""
        self._asked[pin] = self._reported[pin] = closed

    def switch_on(self, at: float) -> None:
        """Switch on; every contact that is not at rest is found so."""
        if not self.run.steps:
            self.begin(Said(0, "", "switch on"), at, heading=True)
        console = self.console
        self.instrument = Instrument(console, self.bank, at=at, keeps=True, unwired=True)
        if self._key_locked:
            self._receive(MemoryLockTurned(True))
        for pin, wire in self.hand.wired.items():
            if self._reported[pin] is not wire.inverted:
                self._take(self.instrument.found(Edge(pin, self._reported[pin]), at))

    def switch_off(self) -> None:
        """Switch off: what is in the bank stays, less what could not be kept."""
        self._lose_unkept()
        self._let_go()
        self.instrument = None
        self._moving.clear()
        self.run.steps[-1].look = None

    def _let_go(self) -> None:
        """Without current nothing is on; the relay, which has none either, cannot say so."""
        seen, switched = self._seen(), self.relay.switched
        if seen.speaking or seen.lines or switched:
            self._take([OutputsOff(_parts(seen.speaking), _parts(seen.lines), switched)])

    def _lose_unkept(self) -> None:
        if self.instrument is None:
            return
        lost = list(self.action.unkept.values())
        for change in reversed(lost):
            self.bank.put(change.slot, change.before)
        for name in dict.fromkeys(place_name(change.slot) for change in lost):
            self.note(f"{name} is lost: it was never written")

    # ------------------------------------------------------------ what is expected

    def check(self, said: Said, expect: Expect) -> None:
        """Compare what is expected with what is found."""
        found = _LOOKS[expect.what](self, expect.of)
        if _agree(expect.what, expect.wanted, found):
            self.run.held += 1
        else:
            step = self.run.steps[-1]
            step.failures.append(Failure(said, step.said, expect.wanted, found))

    def names(self, bits: int) -> tuple[str, ...]:
        """The controls of a registration, in rail order."""
        return tuple(self.ranges.roster.registration(bits))


def _parts(numbers: dict[str, Numbers]) -> Parts:
    return Parts([([[of] for of in numbers], [n.bits for n in numbers.values()])])


def _agree(what: str, wanted: tuple[str, ...], found: tuple[str, ...]) -> bool:
    """Sets agree in any order. Refusals in theirs; one that names no piston is anybody's."""
    if what != "refused":
        return set(wanted) == set(found)
    return len(wanted) == len(found) and all(
        has == wants or (wants.startswith('"') and has.endswith(f" {wants}"))
        for wants, has in zip(wanted, found, strict=True)
    )


def _sounding(bench: Bench, division: str | Slot | None) -> tuple[str, ...]:
    action, console = bench.action, bench.console
    if division is None:
        return bench.names(action.sounding)
    of_it = {c.id for c in console.controls if console.division_of(c) == division}
    return tuple(control for control in bench.names(action.sounding) if control in of_it)


def _numbers(
    look: Callable[[Relay, str], Iterable[int]],
) -> Callable[[Bench, str | Slot | None], tuple[str, ...]]:
    """Keys, lines or pipes of something of the relay's, as words."""
    return lambda bench, of: tuple(map(str, look(bench.relay, str(of))))


def _struck(bench: Bench, _: object) -> tuple[str, ...]:
    traps = [trap.id for trap in bench.console.traps]
    struck = {
        control
        for happening in bench.caused
        if isinstance(happening.effect, OutputsOn)
        for control in happening.effect.controls
    }
    return tuple(trap for trap in traps if trap in struck)


def _shades(bench: Bench, chamber: str | Slot | None) -> tuple[str, ...]:
    position = bench.relay.shades(str(chamber))
    return (UNKNOWN if position is None else str(position),)


def _place(bench: Bench, _: object) -> tuple[str, ...]:
    place = bench.bank.place
    return (plain_number(place) if place else "beginning",)


def _memory(bench: Bench, slot: str | Slot | None) -> tuple[str, ...]:
    """What a place holds; a list that nobody has set is the console file's."""
    assert isinstance(slot, Slot)
    roster, held = bench.ranges.roster, bench.bank.get(slot)
    if held is not None:
        return tuple(roster.registration(held.on))
    if slot.stage is not None:
        return tuple(roster.registration(bench.ranges.stages[slot.stage - 1][0]))
    if slot.level is None:
        return tuple(roster.registration(bench.ranges.full_organs[slot.piston or ""][0]))
    return NOT_SET


def _neutral(bench: Bench, slot: str | Slot | None) -> tuple[str, ...]:
    assert isinstance(slot, Slot)
    held = bench.bank.get(slot) or Combination(0)
    return tuple(bench.ranges.roster.registration(held.neutral))


def _caused(
    kind: type[Effect], words: Callable[..., Iterable[str]]
) -> Callable[[Bench, str | Slot | None], tuple[str, ...]]:
    """What was caused of one kind, in words."""
    return lambda bench, _: tuple(
        word
        for happening in bench.caused
        if isinstance(happening.effect, kind)
        for word in words(happening.effect)
    )


def _refused(effect: Refused) -> list[str]:
    reason = f'"{effect.reason}"'
    return [f"{effect.piston} {reason}" if effect.piston else reason]


def _driven(effect: TabsDriven) -> list[str]:
    return [*(f"{tab} on" for tab in effect.on), *(f"{tab} off" for tab in effect.off)]


_LOOKS: dict[str, Callable[[Bench, str | Slot | None], tuple[str, ...]]] = {
    "sounding": _sounding,
    "rail": lambda bench, _: bench.names(bench.action.rail),
    "governed": lambda bench, _: bench.names(bench.action.governed),
    "held": lambda bench, _: bench.names(bench.action.held),
    "base": lambda bench, _: bench.names(bench.action.base),
    "lit": lambda bench, _: tuple(bench.action.lit),
    "level": lambda bench, _: (str(bench.bank.level),),
    "stage": lambda bench, _: (str(bench.action.stage),),
    "place": _place,
    "memory": _memory,
    "neutral": _neutral,
    "refused": _caused(Refused, _refused),
    "stored": _caused(Stored, lambda effect: [place_name(effect.change.slot)]),
    "unkept": lambda bench, _: tuple(
        dict.fromkeys(place_name(change.slot) for change in bench.action.unkept.values())
    ),
    "driven": _caused(TabsDriven, _driven),
    "fault": _caused(TabDidNotFollow, lambda effect: [effect.control]),
    "stuck": _caused(ContactStuck, lambda effect: [effect.piston]),
    "keys": _numbers(Relay.keys_down),
    "lines": _numbers(Relay.lines),
    "out": _numbers(Relay.lines_on),
    "pipes": _numbers(Relay.pipes),
    "speaking": _numbers(Relay.blown),
    "switched": lambda bench, _: tuple(bench.relay.switched),
    "struck": _struck,
    "shades": _shades,
    "transposer": lambda bench, _: (plain_semitones(bench.relay.transposer),),
}
