"""A piece of music, from a Standard MIDI File: its parts, and on which keyboards they are played.

A part is what one player or one hand would play. Only notes count: what else there is in the
file (pedals, bends, programs) is for other instruments. No file is opened here, and no key is
moved.
"""

from collections import deque
from collections.abc import Iterable, Iterator
from typing import NamedTuple

from attrs import frozen

from cli.rehearsal.forms import WrongError
from cli.rehearsal.midi_files import MidiFileError, Played, Track, read_tracks
from cli.rehearsal.statements import Music, Touch
from combination.findings import nearest, quoted
from combination.model import Console, Keyboard

_NOTE_OFF, _NOTE_ON = 0x80, 0x90


class Held(NamedTuple):
    """A note: from when until when, in seconds, and which (0-127)."""

    start: float
    end: float
    note: int


@frozen
class Part:
    """A part of a piece: what it is called when it is asked for, and what is in it.

    In a file of one track that is a ``channel`` (1-16); otherwise a track by its number, from
    1; with the channel after a point where the track has several.
    """

    id: str
    name: str
    channel: int
    notes: tuple[Held, ...]


@frozen
class Piece:
    """A piece of music: its parts that have notes, in order, and its length in seconds."""

    parts: tuple[Part, ...]
    lasts: float


@frozen
class Chosen:
    """A part, and the keyboard that it is played on."""

    part: Part
    keyboard: Keyboard

    @property
    def keys(self) -> range:
        """The notes that the keyboard has."""
        return range(self.keyboard.lowest, self.keyboard.lowest + self.keyboard.keys)

    @property
    def missing(self) -> int:
        """How many notes of the part it has not."""
        return sum(held.note not in self.keys for held in self.part.notes)


def read_piece(data: bytes) -> Piece:
    """Read a piece from the bytes of a Standard MIDI File.

    Raises:
        MidiFileError: as `midi_files.read_recording`; or if there are no notes in it.
    """
    tracks, lasts = read_tracks(data)
    parts: list[Part] = []
    for track in tracks:
        voices = _voices(track, lasts)
        for channel, notes in voices.items():
            if len(tracks) == 1:
                parts.append(Part(str(channel), "", channel, notes))
            else:
                number = f"{track.number}.{channel}" if len(voices) > 1 else str(track.number)
                parts.append(Part(number, track.name, channel, notes))
    if not parts:
        raise MidiFileError("there is not a note in it")
    return Piece(tuple(parts), lasts)


def _voices(track: Track, lasts: float) -> dict[int, tuple[Held, ...]]:
    """The notes of each channel (1-16) of a track that has any."""
    moves: dict[int, list[Played]] = {}
    for played in track.played:
        if played.data[0] & 0xF0 in (_NOTE_OFF, _NOTE_ON):
            moves.setdefault(played.data[0] % 16 + 1, []).append(played)
    voices = ((channel, tuple(_held(moves[channel], lasts))) for channel in sorted(moves))
    return {channel: notes for channel, notes in voices if notes}


def _held(moves: Iterable[Played], lasts: float) -> Iterator[Held]:
    """One channel's notes in order of their ends. An off ends the oldest on of its note.

    One that nothing ends lasts to the end of the piece.
    """
    on: dict[int, deque[float]] = {}
    for played in moves:
        status, note, velocity = played.data
        if status & 0xF0 == _NOTE_ON and velocity:
            on.setdefault(note, deque()).append(played.at)
        elif on.get(note):
            yield Held(on[note].popleft(), played.at, note)
    for note, starts in on.items():
        yield from (Held(start, lasts, note) for start in starts)


# ---------------------------------------------------------------- on a console


def chosen(piece: Piece, plays: Iterable[str], console: Console) -> list[Chosen]:
    """What is asked for as ``PART=KEYBOARD``, where a division stands for its keyboard.

    Raises:
        WrongError: with every fault as an argument.
    """
    parts = {part.id: part for part in piece.parts}
    faults, found = list[str](), list[Chosen]()
    for asked in plays:
        name, equals, where = asked.partition("=")
        if not equals:
            faults.append(
                f"{quoted(asked)} is not PART=KEYBOARD, such as {piece.parts[0].id}=great"
            )
            continue
        if name not in parts:
            faults.append(f"there is no part {quoted(name)}{nearest(name, parts)}")
        try:
            keyboard = _keyboard(where, console)
        except WrongError as wrong:
            faults += wrong.args
            continue
        if name in parts:
            found.append(Chosen(parts[name], keyboard))
    if faults:
        raise WrongError(*faults)
    return found


def _keyboard(name: str, console: Console) -> Keyboard:
    """A division's keyboard, or a keyboard."""
    keyboards = {keyboard.id: keyboard for keyboard in console.keyboards}
    divisions = {division.id: division.keyboard for division in console.divisions}
    played = divisions.get(name, name)
    if played is None:
        raise WrongError(f"division {quoted(name)} is floating: it has no keyboard of its own")
    if played not in keyboards:
        near = nearest(name, {**keyboards, **divisions})
        raise WrongError(f"there is no division or keyboard {quoted(name)}{near}")
    return keyboards[played]


def music_of(choices: Iterable[Chosen], lasts: float) -> Music:
    """The chosen parts as touches; notes that their keyboards have not are left out."""
    touches: list[Touch] = []
    for choice in choices:
        keyboard = choice.keyboard.id
        for start, end, note in choice.part.notes:
            if note in choice.keys:
                touches += [Touch(start, keyboard, note, True), Touch(end, keyboard, note, False)]
    return Music(tuple(sorted(touches, key=lambda touch: touch.at)), lasts)
