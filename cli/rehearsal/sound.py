"""What sounds in a run, as a Standard MIDI File that any General MIDI synthesizer can play.

Each rank is a track and each pipe the note of its own pitch, whatever outputs the console has
for them, or has not. What the relay did, and when, is known here; why it did so is not.
"""

from collections import Counter
from collections.abc import Iterable, Iterator
from typing import NamedTuple

from attrs import define, field, frozen
from mido import MetaMessage
from mido.messages import Message

from cli.rehearsal.bench import Happening
from cli.rehearsal.midi_files import LONGEST, PERCUSSION, Voice, written_voices
from combination.bits import run
from combination.effects import OutputsOff, OutputsOn
from combination.model import Console, Rank
from combination.outputs import VELOCITY
from combination.pipes import own_note

CHURCH_ORGAN = 20
"""The program (1-128) of a rank that neither has one nor is of a family in `TONES`."""
TONES = {"flute": 80, "string": 49, "reed": 57, "percussion": 13}
"""General MIDI's programs (1-128) by family: ocarina, strings, trumpet, marimba.

Common practice, from memory. The ocarina is close to a sine (measured: end of sources.md).
"""
TONED = tuple(channel for channel in range(16) if channel != PERCUSSION)
"""The channels of a port that have a program."""
MOST_PORTS = 128
"""The port of a track is a number of seven bits (meta event 21)."""
SLOT = 100
"""Milliseconds. Ranks that are never heard in the same slot may have one channel by turns; what
ends in one slot has died away before the next rank changes the program."""


class SoundError(Exception):
    """What sounds cannot be written as a file; the message says why, for a person."""


@frozen
class Sound:
    """A written file, and what a person should know of it.

    It has so many ``notes``, of ``ranks`` ranks and of traps; ``beyond`` pipes that sound are no
    notes of MIDI and not in it. A synthesizer that takes its ``ports`` for one would play
    ``displaced`` ranks with each other's tones.
    """

    data: bytes
    notes: int
    ranks: int
    beyond: int
    ports: int
    displaced: int


class Note(NamedTuple):
    """A note: from when until when, in milliseconds, and its number."""

    start: int
    end: int
    number: int


@define(eq=False)
class _Part:
    """What one rank plays; or all traps together, which have no program (0)."""

    name: str
    velocity: int
    program: int = 0
    notes: list[Note] = field(factory=list)
    beyond: set[int] = field(factory=set)
    _since: dict[int, int] = field(factory=dict)

    def begin(self, number: int, at: int) -> None:
        self.end(number, at)
        self._since[number] = at

    def end(self, number: int, at: int) -> None:
        """A note is over; it is none if it was on for less than a tick."""
        start = self._since.pop(number, at)
        if start < at and 0 <= number <= 127:
            self.notes.append(Note(start, at, number))
        elif start < at:
            self.beyond.add(number)

    def end_all(self, at: int) -> None:
        for number in list(self._since):
            self.end(number, at)

    def periods(self) -> list[tuple[int, int]]:
        """From when until when it sounds, in milliseconds, with rests longer than a slot."""
        found: list[tuple[int, int]] = []
        for start, end, _ in sorted(self.notes):
            if found and start <= found[-1][1] + SLOT:
                found[-1] = found[-1][0], max(found[-1][1], end)
            else:
                found.append((start, end))
        return found


def sound_of(console: Console, relayed: Iterable[Happening], lasts: float, title: str) -> Sound:
    """What sounds in a run of so many seconds, as a file; what is on at its end ends there.

    Raises:
        SoundError: if the run is longer than a day, or too many ranks sound at once.
    """
    if lasts > LONGEST:
        raise SoundError("it lasts longer than a day")
    ranks = {rank.id: _Part(rank.name, rank.velocity, program_of(rank)) for rank in console.ranks}
    traps = _Part("Traps", VELOCITY)
    _play(console, relayed, ranks, traps)
    parts = list(ranks.values())
    if any(trap.drum is not None for trap in console.traps):
        parts.append(traps)
    for part in parts:
        part.end_all(round(lasts * 1000))
    seats = _Seats()
    for part in _in_turn(part for part in ranks.values() if part.notes):
        seats.give(part)
    return Sound(
        written_voices(title, [_voice(part, seats) for part in parts], lasts),
        notes=sum(len(part.notes) for part in parts),
        ranks=len(seats.of),
        beyond=sum(len(part.beyond) for part in parts),
        ports=seats.ports,
        displaced=sum(seats.displaces(part, seat.channel) for part, seat in seats.of.items()),
    )


def program_of(rank: Rank) -> int:
    """What a rank sounds as in General MIDI (1-128): as its file says, or by its family."""
    return rank.program or TONES.get(rank.family.lower(), CHURCH_ORGAN)


def _play(
    console: Console, relayed: Iterable[Happening], ranks: dict[str, _Part], traps: _Part
) -> None:
    """The pipes that are blown and the drums that are struck, as notes."""
    firsts = {rank.id: own_note(rank, 1) for rank in console.ranks}
    drums = {trap.id: trap.drum for trap in console.traps if trap.drum is not None}
    for happening in relayed:
        effect, at = happening.effect, round(happening.at * 1000)
        if not isinstance(effect, OutputsOff | OutputsOn):
            continue
        move = _Part.begin if isinstance(effect, OutputsOn) else _Part.end
        for name, pipes in effect.pipes:
            for pipe in pipes:
                move(ranks[name], firsts[name] + pipe - 1, at)
        for name in effect.controls:
            if name in drums:
                move(traps, drums[name], at)


# ---------------------------------------------------------------- channels


class _Seat(NamedTuple):
    port: int
    channel: int


class _Seats:
    """Which port and channel each rank has: its own, as long as it sounds.

    Ranks that never sound together may have one by turns. Where the channels of one port are
    not enough there are more ports, and there a rank goes by preference where the ports before
    have its tone: a synthesizer that knows no ports then plays it with that, at least.
    """

    def __init__(self) -> None:
        self.of: dict[_Part, _Seat] = {}
        self.ports = 1
        self._slots: dict[_Part, int] = {}
        self._on: dict[int, list[_Part]] = {channel: [] for channel in TONED}

    def give(self, part: _Part) -> None:
        """Give a rank its seat: where its tone is not displaced, on a low port, unshared.

        Raises:
            SoundError: if there is none left.
        """
        slots = (run(start // SLOT, end // SLOT) for start, end in part.periods())
        self._slots[part] = sum(slots)
        free: list[tuple[bool, int, bool, int]] = []
        for channel in TONED:
            there = {self.of[other].port for other in self._on[channel]}
            taken = {self.of[other].port for other in self._meeting(part, channel)}
            displaced = self.displaces(part, channel)
            for port in range(min(self.ports + 1, MOST_PORTS)):
                if port not in taken:
                    free.append((displaced, port, port in there, channel))
        if not free:
            raise SoundError(f"more than {MOST_PORTS * len(TONED):,} ranks sound at once")
        _, port, _, channel = min(free)
        self.of[part] = _Seat(port, channel)
        self._on[channel].append(part)
        self.ports = max(self.ports, port + 1)

    def displaces(self, part: _Part, channel: int) -> bool:
        """Whether another tone is on this channel of some port while the rank sounds."""
        return any(other.program != part.program for other in self._meeting(part, channel))

    def _meeting(self, part: _Part, channel: int) -> Iterator[_Part]:
        slots = self._slots
        here = (other for other in self._on[channel] if other is not part)
        return (other for other in here if slots[other] & slots[part])

    def calls(self, part: _Part) -> list[int]:
        """When a rank calls its program, in milliseconds: once for all, or at each of its turns.

        Turns are taken with those of its seat and, where ports are not known, with other tones.
        """
        seat = self.of[part]
        others = [other for other in self._on[seat.channel] if other is not part]
        if all(o.program == part.program and self.of[o] != seat for o in others):
            return [0]
        return [start for start, _ in part.periods()]


def _in_turn(parts: Iterable[_Part]) -> list[_Part]:
    """The first rank of each tone, and then the others, mixed as there are many of each.

    So every tone has its share of the channels of the first port.
    """
    count: Counter[int] = Counter()
    turns = []
    for part in parts:
        turns.append((count[part.program], part))
        count[part.program] += 1
    turns.sort(key=lambda turn: turn[0] / count[turn[1].program])
    return [part for _, part in turns]


# ---------------------------------------------------------------- tracks


def _voice(part: _Part, seats: _Seats) -> Voice:
    """A part as a track. A rank that never sounds has a track too, with nothing in it."""
    heading = [MetaMessage("track_name", name=part.name)]
    seat = seats.of.get(part, _Seat(0, PERCUSSION))
    if seats.ports > 1:
        # Meta event 21 is out of date and understood all the same (TiMidity++ does, measured);
        # the device name, which took its place in 1999, is so more rarely: common practice.
        heading.append(MetaMessage("midi_port", port=seat.port))
        heading.append(MetaMessage("device_name", name=f"Port {seat.port + 1}"))
    channel = seat.channel
    timed: list[tuple[int, int, int, Message]] = []
    if part in seats.of:
        program = part.program - 1
        for at in seats.calls(part):
            timed.append((at, 1, 0, Message("program_change", channel=channel, program=program)))
    for start, end, note in part.notes:
        for at, kind, order, velocity in (
            (start, "note_on", 2, part.velocity),
            (end, "note_off", 0, VELOCITY),
        ):
            # Unchecked: an hour of music has a million of them, and they cannot be wrong.
            numbers = {"channel": channel, "note": note, "velocity": velocity}
            timed.append((at, order, note, Message(kind, skip_checks=True, **numbers)))
    timed.sort(key=lambda event: event[:3])
    return Voice(tuple(heading), [(at, message) for at, *_, message in timed])
