"""MIDI messages to contacts, and effects to MIDI messages, by the boards of the console file.

Messages are mido's values; there are no ports here, only their names. What a board's pin is
sent as is said in one place, `PinMessages`, and read both ways: a console's own messages can
be made here too, as its boards would send them.
"""

from collections.abc import Iterable
from functools import cached_property
from typing import TypeVar

from attrs import frozen
from mido.messages import Message

from combination.effects import (
    ControlLampsChanged,
    Effect,
    LevelChanged,
    OutputsOff,
    OutputsOn,
    PistonLampsChanged,
    SequencePlaced,
    ShadesMoved,
    StepReached,
    TabsDriven,
    TabsRested,
    TransposerTurned,
)
from combination.model import Console, ControllerPort, PinMessages, Shows
from combination.outputs import Outputs, Sent

PRESSED_VELOCITY = 127
SWITCH_ON = 64
"""MIDI 1.0, switch controllers: 0-63 is off, 64-127 is on."""
CENTRE = 64
"""MIDI 1.0: the middle of a controller that goes both ways, as balance and pan do."""
FINE = 32
"""MIDI 1.0: controllers 32-63 carry the fine seven bits of controllers 0-31."""

T = TypeVar("T")

_KINDS = {
    "note_on": ("note", "note"),
    "note_off": ("note", "note"),
    "control_change": ("controller", "control"),
    "program_change": ("program", "program"),
}


@frozen
class Edge:
    """A pin whose contact closed or opened."""

    pin: str
    closed: bool


@frozen
class Push:
    """A pin that only ever reports that it was pushed."""

    pin: str


@frozen
class CrescendoRead:
    """The crescendo pedal's reading (0-127)."""

    reading: int


@frozen
class ShoeRead:
    """An expression shoe's reading (0-127)."""

    shoe: str
    reading: int


Heard = Edge | Push | CrescendoRead | ShoeRead


class Wiring:
    """How one console's pins, pedals, lamps and tabs travel as MIDI."""

    def __init__(self, console: Console) -> None:
        """Lay out every board. The console has no errors."""
        self._console = console
        self._heard: dict[tuple[str | None, int, str, int], str | Heard] = {}
        self._out: dict[str, tuple[PinMessages, int]] = {}
        self._in: dict[str, tuple[PinMessages, int]] = {}
        for board in console.boards:
            for number in range(1, board.pins + 1):
                pin = f"{board.id}.{number}"
                if board.input is not None:
                    self._in[pin] = (board.input, number - 1)
                    kind, first = _first(board.input)
                    self._listen(
                        board.input.port, board.input.channel, kind, first + number - 1, pin
                    )
                if board.out is not None:
                    self._out[pin] = (board.out, number - 1)
        if console.crescendo.input is not None:
            self._listen_to(console.crescendo.input, CrescendoRead(0))
        for shoe in console.shoes:
            if shoe.input is not None:
                self._listen_to(shoe.input, ShoeRead(shoe.id, 0))
        self._chambers = {chamber.id: chamber for chamber in console.chambers}
        self._lamps = {p.id: p.lamp for p in console.pistons if p.lamp is not None}
        self._control_lamps = {c.id: c.lamp for c in console.controls if c.lamp is not None}
        self._drives = {
            c.id: (c.drive_on, c.drive_off)
            for c in console.controls
            if c.drive_on is not None and c.drive_off is not None
        }

    @cached_property
    def _outputs(self) -> Outputs:
        """The messages of pipes, made when the first is sent: whoever only listens needs none."""
        return Outputs(self._console)

    def _listen_to(self, port: ControllerPort, what: Heard) -> None:
        self._listen(port.port, port.channel, "controller", port.controller, what)

    def _listen(self, port: str, channel: int, kind: str, number: int, what: str | Heard) -> None:
        self._heard[port, channel - 1, kind, number] = what
        anywhere = (None, channel - 1, kind, number)
        if anywhere in self._heard:
            self._heard[anywhere] = ""
        else:
            self._heard[anywhere] = what

    def pins_of(self, port: str) -> tuple[str, ...]:
        """The pins that are heard of by a port."""
        return tuple(pin for pin, (messages, _) in self._in.items() if messages.port == port)

    def heard(self, message: Message, port: str | None = None) -> Heard | None:
        """What a message from a console says; None if nothing of this console sends it.

        Without a port it is looked for on all of them, and found if only one could have sent it.
        """
        kind, field = _KINDS.get(message.type, ("", ""))
        if not kind:
            return None
        what = self._heard.get((port, message.channel, kind, getattr(message, field)))
        if not what:
            return None
        if isinstance(what, CrescendoRead):
            return CrescendoRead(message.value)
        if isinstance(what, ShoeRead):
            return ShoeRead(what.shoe, message.value)
        if not isinstance(what, str):
            return what
        if kind == "program":
            return Push(what)
        if kind == "controller":
            return Edge(what, message.value >= SWITCH_ON)
        return Edge(what, message.type == "note_on" and message.velocity > 0)

    def spoken(self, heard: Heard) -> Sent | None:
        """The message by which the console itself would say this; None if it cannot.

        A pin that travels as program changes says nothing when it opens.
        """
        if isinstance(heard, CrescendoRead):
            port = self._console.crescendo.input
            return _controller(port, heard.reading) if port else None
        if isinstance(heard, ShoeRead):
            shoe = next((s for s in self._console.shoes if s.id == heard.shoe), None)
            return _controller(shoe.input, heard.reading) if shoe and shoe.input else None
        if heard.pin not in self._in:
            return None
        return _pin_message(*self._in[heard.pin], isinstance(heard, Push) or heard.closed)

    def sent(self, effects: Iterable[Effect]) -> list[Sent]:
        """The messages by which effects reach pipes, lamps, tab magnets and the rest, in order."""
        out: list[Sent] = []
        for effect in effects:
            if isinstance(effect, OutputsOff | OutputsOn):
                out += self._outputs.sent(effect)
            elif isinstance(effect, ShadesMoved):
                out += self._shades(effect)
            elif isinstance(effect, PistonLampsChanged):
                out += self._pins(effect.dark, self._lamps, False)
                out += self._pins(effect.lit, self._lamps, True)
            elif isinstance(effect, ControlLampsChanged):
                out += self._pins(effect.dark, self._control_lamps, False)
                out += self._pins(effect.lit, self._control_lamps, True)
            elif isinstance(effect, TabsDriven | TabsRested):
                driven = isinstance(effect, TabsDriven)
                for coil, tabs in ((1, effect.off), (0, effect.on)):
                    pins = {tab: self._drives[tab][coil] for tab in tabs if tab in self._drives}
                    out += self._pins(pins, pins, driven)
            elif isinstance(effect, LevelChanged):
                out += self._shown(Shows.LEVEL, effect.level)
            elif isinstance(effect, StepReached):
                out += self._shown(Shows.STEP, int(effect.number))
            elif isinstance(effect, SequencePlaced):
                out += self._shown(Shows.STEP, 0)
            elif isinstance(effect, TransposerTurned):
                out += self._transposed(effect.semitones)
        return out

    def _pins(self, names: Iterable[T], pins: dict[T, str], closed: bool) -> list[Sent]:
        sent = []
        for name in names:
            pin = pins.get(name)
            message = _pin_message(*self._out[pin], closed) if pin in self._out else None
            if message is not None:
                sent.append(message)
        return sent

    def _shades(self, moved: ShadesMoved) -> list[Sent]:
        """A chamber's controller; or the pins of its engine, closed up to the stage it is on."""
        chamber = self._chambers[moved.chamber]
        if chamber.stages is None or chamber.shades is None:
            return [_controller(chamber.out, moved.position)] if chamber.out else []
        board, _, first = chamber.shades.rpartition(".")
        pins = {n: f"{board}.{int(first) + n - 1}" for n in range(1, chamber.stages + 1)}
        before = chamber.stages if moved.before is None else moved.before
        opened = [n for n in pins if moved.position < n <= before]
        closed = [n for n in pins if (moved.before or 0) < n <= moved.position]
        return [*self._pins(opened, pins, False), *self._pins(closed, pins, True)]

    def _transposed(self, semitones: int) -> list[Sent]:
        return [
            _controller(readout.out, CENTRE + semitones)
            for readout in self._console.readouts
            if readout.shows is Shows.TRANSPOSER
        ]

    def _shown(self, what: Shows, value: int) -> list[Sent]:
        """A read-out's value, coarse and then fine; beyond 16383 it shows that."""
        coarse, fine = divmod(min(max(value, 0), 128 * 128 - 1), 128)
        sent = []
        for readout in self._console.readouts:
            if readout.shows is what:
                sent.append(_controller(readout.out, coarse))
                sent.append(_controller(readout.out, fine, FINE))
        return sent


def _first(messages: PinMessages) -> tuple[str, int]:
    if messages.first_note is not None:
        return "note", messages.first_note
    if messages.first_controller is not None:
        return "controller", messages.first_controller
    return "program", messages.first_program or 0


def _pin_message(messages: PinMessages, offset: int, closed: bool) -> Sent | None:
    kind, first = _first(messages)
    channel, number = messages.channel - 1, first + offset
    if kind == "note":
        name, velocity = ("note_on", PRESSED_VELOCITY) if closed else ("note_off", 0)
        message = Message(name, channel=channel, note=number, velocity=velocity)
    elif kind == "controller":
        value = 127 if closed else 0
        message = Message("control_change", channel=channel, control=number, value=value)
    elif closed:
        message = Message("program_change", channel=channel, program=number)
    else:
        return None
    return messages.port, message


def _controller(out: ControllerPort, value: int, above: int = 0) -> Sent:
    channel, number = out.channel - 1, out.controller + above
    message = Message("control_change", channel=channel, control=number, value=value)
    return out.port, message
