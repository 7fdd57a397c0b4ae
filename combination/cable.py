"""How long what goes out takes on a five-pin MIDI cable, and what each piston puts on one.

Messages become the bytes that a cable carries. A console's pistons are pushed, each after each
other, with keys held, and what goes out is weighed: by port, and by what sends it. What a
piston does and which messages that makes is decided elsewhere, and only watched here.
"""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import groupby, product
from typing import Any, NamedTuple

from attrs import define, evolve, field, frozen
from mido.messages import Message

from combination.action import CombinationAction
from combination.effects import Effect, Refused
from combination.events import KeyMoved, PistonPressed, PistonReleased, ShoeMoved
from combination.memory import Bank, Combination, Slot, fresh_bank, seat
from combination.midi import Wiring
from combination.model import (
    MIDI_SPEED,
    RECALLING,
    STEPPED_TO,
    Action,
    Console,
    Kind,
    Percussion,
    Piston,
    Selection,
    Stop,
)
from combination.outputs import VELOCITY, Outputs, Sent
from combination.ranges import Ranges
from combination.relay import TRAP_STROKE, Relay

BYTE = (1 + 8 + 1) / MIDI_SPEED
"""Seconds that a byte takes: a start bit, eight data bits and a stop bit at 31,250 baud, which
is 320 µs (MIDI 1.0, sources.md S10)."""
LONGEST = 0.010
"""Seconds that a piston may take: within them a change is heard as one (common practice)."""
ROOM = math.floor(LONGEST / BYTE)
"""Bytes that a cable carries in that time."""
REST = 2 * TRAP_STROKE
"""Seconds that a piston is held down, and until the next: a drum's stroke is over by then."""

_NOTE_ON, _SYSTEM, _REAL_TIME = 0x90, 0xF0, 0xF8
"""MIDI 1.0: the status of a note on, and the first of system and of real-time messages."""


# ---------------------------------------------------------------- messages on a cable


def stream(messages: Iterable[Message]) -> bytes:
    """The bytes of a batch of messages, in their order, with running status (sources.md S10).

    A channel message with the status of the one before travels without it. System messages end
    that, real-time messages do not. A note off of velocity 64, which is that of one not sensed,
    or 0 travels as a note on of velocity 0, so that the offs and ons of a channel share their
    status; a note off of any other velocity stays what it is.

    Every batch begins with a status: a byte that is lost on the way harms one batch only.
    """
    data = bytearray()
    running = None
    for message in messages:
        if message.type == "note_off" and message.velocity in (VELOCITY, 0):
            status, *rest = _NOTE_ON | message.channel, message.note, 0
        else:
            status, *rest = message.bytes()
        if status != running:
            data.append(status)
        data += bytes(rest)
        if status < _REAL_TIME:
            running = status if status < _SYSTEM else None
    return bytes(data)


def seconds(data: bytes) -> float:
    """How long these bytes take on a five-pin cable, one after another."""
    return len(data) * BYTE


def by_port(sent: Iterable[Sent]) -> dict[str, list[Message]]:
    """What goes out by each port, in its order."""
    ports: dict[str, list[Message]] = {}
    for port, message in sent:
        ports.setdefault(port, []).append(message)
    return ports


@define
class Train:
    """Batches that one cable carries without a pause: each was due before the cable was free.

    ``size`` is in bytes. A train lasts until its last byte is through.
    """

    batches: list[list[Message]] = field(factory=list)
    size: int = 0


def trains(batches: Iterable[tuple[float, list[Message]]]) -> list[Train]:
    """What is due on one cable, each batch at its time (seconds, upwards), as it is carried."""
    found: list[Train] = []
    free = -math.inf
    for at, batch in batches:
        data = stream(batch)
        if at > free:
            found.append(Train())
        found[-1].batches.append(batch)
        found[-1].size += len(data)
        free = max(free, at) + seconds(data)
    return found


# ---------------------------------------------------------------- who sends


class Source(NamedTuple):
    """What sends: a ``rank``, the ``lines`` or ``controls`` of a division, ``shades``, a ``board``.

    ``id`` is that of the rank, division, chamber or board; empty for controls of no division.
    """

    what: str
    id: str


_Address = tuple[str, int, str, int]
"""A port, a channel from 1, what is numbered by mido's word, and the number."""
_NUMBERED = {
    "note_on": "note",
    "note_off": "note",
    "control_change": "control",
    "program_change": "program",
}


class Senders:
    """Which of a console's ranks, divisions, chambers and boards a message comes from."""

    def __init__(self, console: Console) -> None:
        """Take a console without errors: on it no two send the same."""
        self._sources = dict(_addresses(console))

    def _source(self, port: str, message: Message) -> Source:
        return self._sources[_address(port, message)]

    def load(self, port: str, train: Train) -> dict[Source, int]:
        """How many bytes of a train come from what.

        Each run of one source's messages is counted with a status of its own, as on a cable
        that it shares with any others: what remains of a train never takes more than the sum.
        """
        found: dict[Source, int] = {}
        for batch in train.batches:
            for source, together in groupby(batch, lambda message: self._source(port, message)):
                found[source] = found.get(source, 0) + len(stream(together))
        return found


def _address(port: str, message: Message) -> _Address:
    what = _NUMBERED[message.type]
    return port, message.channel + 1, what, getattr(message, what)


def _addresses(console: Console) -> Iterator[tuple[_Address, Source]]:
    """Where everything goes that a push can make go out."""
    division_of = {c.id: console.division_of(c) or "" for c in console.controls}
    for what, name, (port, message) in Outputs(console).all():
        of = Source("controls", division_of[name]) if what == "control" else Source(what, name)
        yield _address(port, message), of
    for chamber in console.chambers:
        if chamber.out is not None:
            address = chamber.out.port, chamber.out.channel, "control", chamber.out.controller
            yield address, Source("shades", chamber.id)
    for board in console.boards:
        pins = board.out
        if pins is not None:
            what = "control" if pins.first_note is None else "note"
            first = (pins.first_controller if pins.first_note is None else pins.first_note) or 0
            for number in range(first, first + board.pins):
                yield (pins.port, pins.channel, what, number), Source("board", board.id)


@define
class Share:
    """What would go over a cable of its own, and the most bytes of it in any train.

    What is more than `ROOM` by itself is alone, and takes several cables.
    """

    sources: list[Source]
    sizes: list[int]

    @property
    def size(self) -> int:
        """The bytes of the longest train."""
        return max(self.sizes)

    @property
    def cables(self) -> int:
        """How many cables it takes at least; each begins with a status byte of its own."""
        return max(1, -(-(self.size - 1) // (ROOM - 1)))

    @property
    def carried(self) -> int:
        """The most bytes that each of them carries, if they share alike."""
        return -(-(self.size - 1) // self.cables) + 1


def shares(loads: Sequence[Mapping[Source, int]]) -> list[Share]:
    """A port's sources over several cables, so that of no load any carries more than `ROOM`.

    First fit, the largest first: few cables, though not always the fewest. What is in none of
    the loads can go over any of them.
    """
    sources = {source: [load.get(source, 0) for load in loads] for load in loads for source in load}
    found: list[Share] = []
    for source, sizes in sorted(sources.items(), key=lambda item: (-max(item[1]), item[0])):
        for share in found:
            together = [here + there for here, there in zip(sizes, share.sizes, strict=True)]
            if max(together) <= ROOM:
                share.sources.append(source)
                share.sizes = together
                break
        else:
            found.append(Share([source], sizes))
    return found


# ---------------------------------------------------------------- keys held

PEDALBOARD = 32
"""Keys of a pedalboard at most (sources.md S8)."""
LEFT_HAND = (12, 16, 19, 21, 24)
RIGHT_HAND = (28, 31, 33, 36, 40)
FEET = (0, 7)
"""Semitones above a keyboard's lowest key: C E G A C, E G A C E, and C and G."""


def hands_and_feet(console: Console) -> dict[str, tuple[int, ...]]:
    """Keys as a player with ten fingers and two feet may hold them, by keyboard.

    The right hand is on the manual that has most stops, the left on the next, or on the same
    where there is no other; the feet are on the pedalboard that has most. A keyboard of up to
    32 keys is taken for a pedalboard.
    """
    played = {division.id: division.keyboard for division in console.divisions}
    speaking = [c for c in console.controls if isinstance(c, Stop | Percussion)]
    stops = [played.get(control.division or "") for control in speaking]
    most = sorted(console.keyboards, key=lambda keyboard: -stops.count(keyboard.id))
    manuals = [keyboard for keyboard in most if keyboard.keys > PEDALBOARD]
    pedals = [keyboard for keyboard in most if keyboard.keys <= PEDALBOARD]
    limbs = [(pedals, FEET), (manuals, RIGHT_HAND), (manuals[1:] or manuals, LEFT_HAND)]
    held: dict[str, tuple[int, ...]] = {}
    for keyboards, keys in limbs:
        for keyboard in keyboards[:1]:
            there = tuple(keyboard.lowest + key for key in keys if key < keyboard.keys)
            held[keyboard.id] = tuple(sorted(held.get(keyboard.id, ()) + there))
    return held


# ---------------------------------------------------------------- pistons pushed

_SILENCE = "in silence"


@frozen
class Change:
    """What a piston makes go out, by port, when it is pushed after another; None: in silence."""

    piston: str
    before: str | None
    trains: dict[str, list[Train]]

    @property
    def sizes(self) -> dict[str, int]:
        """The bytes of the longest train at each port."""
        return {port: max(train.size for train in found) for port, found in self.trains.items()}

    @property
    def size(self) -> int:
        """The bytes of the longest of all: every port has a cable of its own."""
        return max(self.sizes.values(), default=0)

    @property
    def seconds(self) -> float:
        """How long it takes on five-pin cables."""
        return self.size * BYTE

    @property
    def over(self) -> bool:
        """Whether that is longer than a piston may take."""
        return self.size > ROOM


class Pushes:
    """A console with keys held, on which any piston can be pushed after any other.

    A push is a press and a release; what goes out in between, and as driven tabs begin and end
    their pulses, belongs to it. No tab is drawn by hand, and every driven tab follows. One shoe
    that may move all chambers is open and the others are closed, so that it moves them.

    ``level`` is that of the bank. ``pistons`` are those whose push changes what sounds or
    lights, ``unset`` the ids of those that are refused. Where no general or divisional is set at
    the level, there are pistons besides that no console has, whose ids ``wholes`` lists: each
    turns on a division's whole registration, and the last everything, but for unison offs. Little
    more than by the last can go out by any: a status byte a channel, a piston's lamp.
    """

    def __init__(
        self, console: Console, bank: Bank | None, held: Mapping[str, Iterable[int]]
    ) -> None:
        """Take a bank, or None for one in which nothing is set, and the keys held by keyboard.

        Raises:
            KeyError, ValueError: as `Relay.receive`, if the console has no such key.
        """
        ranges = Ranges(console)
        bank = seat(bank, console) if bank is not None else fresh_bank(console)
        self.level = bank.level = min(max(bank.level, 1), console.levels)
        recalling = {piston.id for piston in console.pistons if piston.kind in RECALLING}
        wholes = {} if recalling & set(bank.at(self.level).combinations) else dict(_wholes(ranges))
        for whole, bits in wholes.items():
            bank.put(Slot(whole.id, self.level), Combination(bits))

        kind = Kind.HAND_REGISTRATION if console.action is Action.BLIND else Kind.GENERAL_CANCEL
        silence = Piston(id=_SILENCE, label=(), kind=kind)
        pushed = evolve(
            console,
            pistons=(*console.pistons, *wholes, silence),
            **_following(console),
        )
        self._action = CombinationAction(pushed, seat(bank, pushed))
        self._relay = Relay(console)
        self._wiring = Wiring(console)
        self.senders = Senders(console)
        self._now = 0.0
        for keyboard, keys in held.items():
            for key in keys:
                self._relay.receive(KeyMoved(keyboard, key, True), self._now)
        for shoe in console.shoes:
            reading = shoe.toe if shoe.all_control else shoe.heel
            self._relay.receive(ShoeMoved(shoe.id, reading), self._now)

        self._reversibles = {
            piston.id: ranges.roster.bit(piston.control or "")
            for piston in console.pistons
            if piston.kind is Kind.REVERSIBLE
        }
        changing = [p for p in console.pistons if p.kind in STEPPED_TO or p.kind is Kind.MOMENTARY]
        refused, self._before = self._tried([*changing, *wholes])
        self.wholes = tuple(piston.id for piston in wholes)
        self.unset = tuple(piston.id for piston in changing if piston.id in refused)
        self.pistons = tuple(p for p in [*changing, *wholes] if p.id not in refused)

    def _tried(self, pistons: Iterable[Piston]) -> tuple[set[str], list[str | None]]:
        """Those refused in silence; and those after which something sounds, silence first."""
        refused: set[str] = set()
        before: list[str | None] = [None]
        for piston in pistons:
            self._silence()
            if any(isinstance(effect, Refused) for effect in self._push(piston.id)):
                refused.add(piston.id)
            elif self._action.sounding:
                before.append(piston.id)
        return refused, before

    @property
    def pairs(self) -> list[tuple[Piston, str | None]]:
        """Every piston, with each after which it can be pushed; None is silence."""
        return list(product(self.pistons, self._before))

    def change(self, piston: str, before: str | None) -> Change:
        """Push one piston after another alone, or in silence, and see what goes out.

        It follows when the tabs stand still, but before anything that sounds ends its stroke:
        then most is on that can be turned off.
        """
        self._silence()
        if before is not None:
            self._push(before)
        self._relay.register(0, self._now)
        self._relay.register(self._action.sounding, self._now)
        ports: dict[str, list[tuple[float, list[Message]]]] = {}
        for event in (PistonPressed(piston), PistonReleased(piston)):
            self._relay.tick(self._now)
            effects = self._action.receive(event, self._now)
            effects = effects + self._relay.register(self._action.sounding, self._now)
            for at, together in [(self._now, effects), *self._pulses()]:
                for port, batch in by_port(self._wiring.sent(together)).items():
                    ports.setdefault(port, []).append((at, batch))
            self._now += REST
        return Change(piston, before, {port: trains(due) for port, due in ports.items()})

    def _push(self, piston: str) -> list[Effect]:
        """Push a piston unheard: what the action says of it."""
        effects = self._action.receive(PistonPressed(piston), self._now)
        effects = effects + self._action.receive(PistonReleased(piston), self._now)
        return effects + [effect for _, together in self._pulses() for effect in together]

    def _pulses(self) -> list[tuple[float, list[Effect]]]:
        """Let the pulses of driven tabs pass: what begins and ends, and when."""
        passed: list[tuple[float, list[Effect]]] = []
        while (due := self._action.next_due) is not None:
            self._now = due
            passed.append((due, self._action.tick(due)))
        return passed

    def _silence(self) -> None:
        """Turn off what is on: every push can be taken back by the same, or by a cancel."""
        for piston in tuple(self._action.full_organs):
            self._push(piston)
        for piston, control in self._reversibles.items():
            if self._action.base & control:
                self._push(piston)
        self._push(_SILENCE)


@define
class Weighed:
    """What has been seen of many changes.

    ``silent`` has what each piston does in silence, ``worst`` the longest it does; ``ports``
    the change that keeps each port longest. ``loads`` has, by port, the bytes of all that send
    in every train that is too long, each mix once.
    """

    silent: dict[str, Change] = field(factory=dict)
    worst: dict[str, Change] = field(factory=dict)
    ports: dict[str, Change] = field(factory=dict)
    loads: dict[str, set[frozenset[tuple[Source, int]]]] = field(factory=dict)

    def add(self, change: Change, senders: Senders) -> None:
        """Take another change into account; of equally long ones the first counts."""
        if change.before is None:
            self.silent[change.piston] = change
        if change.size > self.worst.setdefault(change.piston, change).size:
            self.worst[change.piston] = change
        for port, size in change.sizes.items():
            if size > self.ports.setdefault(port, change).sizes[port]:
                self.ports[port] = change
            for train in change.trains[port]:
                if train.size > ROOM:
                    load = frozenset(senders.load(port, train).items())
                    self.loads.setdefault(port, set()).add(load)

    def shares(self, port: str) -> list[Share]:
        """How a port could be divided (see `shares`); not at all if nothing is too long there."""
        return shares([dict(load) for load in self.loads.get(port, ())])


def _following(console: Console) -> dict[str, Any]:
    """Controls without contacts: such a tab is taken to stand where it was driven."""
    kinds = ("stops", "couplers", "tremulants", "percussions", "traps", "effects")
    return {
        kind: tuple(
            evolve(control, contact=None, contact_on=None, contact_off=None)
            for control in getattr(console, kind)
        )
        for kind in kinds
    }


def _wholes(ranges: Ranges) -> Iterator[tuple[Piston, int]]:
    """Pistons that turn on all of a division or of the console, and what they turn on.

    Their ids have spaces in them, which no piston's of a console file can have.
    """
    console = ranges.console
    unison_offs = ranges.roster.bits(c.id for c in console.couplers if c.unison_off)
    parts = [(d.id, f"all of {d.name}", ranges.cancelled[d.id]) for d in console.divisions]
    for id_, label, bits in (*parts, ("the console", "everything", ranges.capturable)):
        on = bits & ~unison_offs
        if on:
            affects = Selection(controls=tuple(ranges.roster.registration(on)))
            piston = Piston(id=f"all of {id_}", label=(label,), kind=Kind.GENERAL, affects=affects)
            yield piston, on
