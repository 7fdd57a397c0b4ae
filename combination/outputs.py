"""What the relay turns on and off, as MIDI messages on the ports of the console file.

Every message that a console can be asked for is made once, at the outset; to send one is then
to look it up. They are mido's frozen messages, which nobody can change. What
is turned on and off, and when, is the relay's business.
"""

from collections.abc import Iterable, Iterator
from itertools import chain
from operator import itemgetter

from mido.frozen import FrozenMessage
from mido.messages import Message

from combination.bits import Parts, numbers_of
from combination.effects import OutputsOff, OutputsOn
from combination.model import Console, Division, LinesOut, Rank, StateOut
from combination.pipes import first_note

Sent = tuple[str, Message]
"""A message and the name of the port it goes out by."""
VELOCITY = 64
"""MIDI 1.0: the velocity of a note on, and of a note off, where none is sensed."""
FULL = 127

_Wire = tuple[str, int]
"""A port and a channel of it, from 1."""
_Ways = tuple[_Wire, Sent, Sent]
"""What is sent when something goes on, and when it goes off, and by which wire."""


class Outputs:
    """The messages of one console's ranks, divisions and controls that go out."""

    def __init__(self, console: Console) -> None:
        """Make every message. The console has no errors."""
        self._pipes = {rank.id: _pipes(rank) for rank in console.ranks}
        self._lines = {
            division.id: _lines(console, division, division.out)
            for division in console.divisions
            if division.out is not None
        }
        self._states = {
            control.id: _state(control.out)
            for control in console.controls
            if control.out is not None
        }

    def all(self) -> Iterator[tuple[str, str, Sent]]:
        """Every message there can be: of a ``rank``, ``lines`` or a ``control``, and of which."""
        for what, messages in (("rank", self._pipes), ("lines", self._lines)):
            for name, numbered in messages.items():
                for _, *sent in chain.from_iterable(numbered.values()):
                    yield from ((what, name, each) for each in sent)
        for name, (_, *sent) in self._states.items():
            yield from (("control", name, each) for each in sent)

    def sent(self, effect: OutputsOff | OutputsOn) -> list[Sent]:
        """What goes out, those of one port and channel together; nothing for what has no output."""
        which = 1 if isinstance(effect, OutputsOn) else 2
        found = _each(self._pipes, effect.pipes) + _each(self._lines, effect.lines)
        found += [self._states[name] for name in effect.controls if name in self._states]
        found.sort(key=itemgetter(0))
        return [ways[which] for ways in found]


def _each(messages: dict[str, dict[int, list[_Ways]]], parts: Parts) -> list[_Ways]:
    found: list[_Ways] = []
    for name, numbers in parts:
        own = messages[name]
        for number in numbers_of(numbers.bits):
            found += own.get(number, ())
    return found


def _pipes(rank: Rank) -> dict[int, list[_Ways]]:
    """By the number of a pipe; several outputs may cover it, or none."""
    found: dict[int, list[_Ways]] = {}
    for out in rank.out:
        first, last = first_note(rank, out), out.last_pipe or rank.pipes
        for note, pipe in enumerate(range(out.first_pipe, last + 1), first):
            ways = _note(out.port, out.channel, note, rank.velocity)
            found.setdefault(pipe, []).append(ways)
    return found


def _lines(console: Console, division: Division, out: LinesOut) -> dict[int, list[_Ways]]:
    lowest, count = console.lines_of(division)
    first = lowest if out.first_note is None else out.first_note
    lines = enumerate(range(lowest, lowest + count), first)
    return {line: [_note(out.port, out.channel, note)] for note, line in lines}


def _state(out: StateOut) -> _Ways:
    if out.note is not None:
        return _note(out.port, out.channel, out.note)
    channel = out.channel - 1
    if out.controller is not None:
        values: Iterable[Message] = (
            FrozenMessage("control_change", channel=channel, control=out.controller, value=value)
            for value in (FULL, 0)
        )
    else:
        values = (
            FrozenMessage("program_change", channel=channel, program=program or 0)
            for program in (out.program_on, out.program_off)
        )
    on, off = values
    return (out.port, out.channel), (out.port, on), (out.port, off)


def _note(port: str, channel: int, note: int, velocity: int = VELOCITY) -> _Ways:
    on = FrozenMessage("note_on", channel=channel - 1, note=note, velocity=velocity)
    off = FrozenMessage("note_off", channel=channel - 1, note=note, velocity=VELOCITY)
    return (port, channel), (port, on), (port, off)
