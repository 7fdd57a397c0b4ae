"""Standard MIDI Files, as recordings or as music: from bytes to timed messages, and back.

Times come out as seconds by the file's own tempos. Read here rather than by mido, whose reader
loses the time before a meta event that it does not know, and can be kept busy for hours by a
file that a person was handed; each message is mido's all the same. Nothing here knows what a
console is, or opens a file.
"""

from collections.abc import Iterable, Sequence
from io import BytesIO

from attrs import define, field, frozen
from mido import MetaMessage, MidiFile, MidiTrack
from mido.messages import SPEC_BY_STATUS, Message

HEADER = b"MThd"
"""The bytes that every Standard MIDI File begins with."""
LARGEST = 1024 * 1024
"""Bytes. At twenty messages a second, which a busy organist sends, more than three hours."""
LONGEST = 24 * 60 * 60
"""Seconds. Nobody records for longer than a day."""
PERCUSSION = 9
"""The channel, from 0, that General MIDI keeps for drums."""
LONGEST_TEXT = 30_000
"""Bytes of a text event. More than any statement of a rehearsal may have."""

_USUAL_TEMPO = 500_000
"""Microseconds to the beat, unless the file says otherwise (Standard MIDI Files 1.0)."""
_TICKS = 500
"""Ticks to the beat of the files written here: at the usual tempo a tick is a millisecond."""
_TEXT, _TRACK_NAME, _CUE, _DEVICE, _END, _TEMPO = 0x01, 0x03, 0x07, 0x09, 0x2F, 0x51
_CUE_POINT, _MESSAGE, _WORDS = range(3)
"""What of a file is at the same tick comes in this order."""


class MidiFileError(Exception):
    """A Standard MIDI File cannot be read; the message says why, for a person."""


@frozen
class Played:
    """A message: when (seconds), on a track of which port or name, and its bytes.

    ``found`` is one that says how a contact was found, and not that it moved.
    """

    at: float
    port: tuple[str, ...]
    data: bytes
    found: bool = False

    @property
    def message(self) -> Message:
        """The bytes as mido's value."""
        return Message.from_bytes(self.data)


@frozen
class Lost:
    """Nothing is heard by a port any more. No MIDI file says so, but a log of ports does."""

    at: float
    port: str


@frozen
class Told:
    """A text event."""

    at: float
    text: str


@frozen
class Cued:
    """A cue point: what happens from then on."""

    at: float
    text: str


Entry = Played | Lost | Told | Cued


@frozen
class Recording:
    """A whole recording. ``lasts`` is in seconds; ``ports`` has a track each when written."""

    title: str
    entries: tuple[Entry, ...]
    lasts: float
    ports: tuple[str, ...] = ()


@frozen
class Track:
    """One track of a file: its number, from 1, its name, and the messages in it, in order."""

    number: int
    name: str
    played: tuple[Played, ...]


# ---------------------------------------------------------------- from bytes


def read_recording(data: bytes) -> Recording:
    """Read a Standard MIDI File of type 0 or 1.

    Entries at the same time come out as cue points, then messages, then texts; within these
    by tracks, and within a track as they stand there.

    Raises:
        MidiFileError: if it is broken, of another type, timed by film frames, or too long.
    """
    tracks, ticks_per_beat, tempos = _read(data)
    spans = _Spans(ticks_per_beat, tempos)
    found = sorted(
        (event for track in tracks for event in track.events),
        key=lambda event: (event.tick, event.rank),
    )
    entries = tuple(event.entry(spans.seconds(event.tick)) for event in found)
    lasts = spans.seconds(max(track.tick for track in tracks))
    return Recording(tracks[0].name if len(tracks) > 1 else "", entries, lasts)


def read_tracks(data: bytes) -> tuple[tuple[Track, ...], float]:
    """Read a Standard MIDI File of type 0 or 1 track by track; how long it lasts, in seconds.

    Raises:
        MidiFileError: as `read_recording`.
    """
    readers, ticks_per_beat, tempos = _read(data)
    tracks, lasts = [], 0.0
    for reader in readers:
        spans = _Spans(ticks_per_beat, tempos)
        played = tuple(
            Played(spans.seconds(event.tick), event.names, event.data)
            for event in reader.events
            if event.rank == _MESSAGE
        )
        tracks.append(Track(reader.number, reader.name, played))
        lasts = max(lasts, spans.seconds(reader.tick))
    return tuple(tracks), lasts


def _read(data: bytes) -> tuple[list["_Reader"], int, list[tuple[int, int]]]:
    """The tracks, read; ticks to the beat; and the tempos of all tracks, each with its tick."""
    if len(data) > LARGEST:
        raise MidiFileError(f"it is longer than {LARGEST // 1024 // 1024} MiB")
    ticks_per_beat, chunks = _chunks(data)
    tracks = [_Reader(number, chunk) for number, chunk in enumerate(chunks, 1)]
    for track in tracks:
        track.read()
    return tracks, ticks_per_beat, [tempo for track in tracks for tempo in track.tempos]


def _chunks(data: bytes) -> tuple[int, list[bytes]]:
    """Ticks to the beat, and the bytes of each track."""
    if data[: len(HEADER)] != HEADER:
        raise MidiFileError("it does not begin as a Standard MIDI File does")
    if len(data) < 14:
        raise MidiFileError("it ends within its header")
    length, kind, count, division = (
        int.from_bytes(data[first:last]) for first, last in ((4, 8), (8, 10), (10, 12), (12, 14))
    )
    if length < 6:
        raise MidiFileError(f"its header has {length} bytes; expected 6")
    if kind not in (0, 1):
        raise MidiFileError(f"it is of type {kind}; only types 0 and 1 are one performance")
    if division & 0x8000:
        raise MidiFileError("it is timed by film frames; only beats can be read")
    if not division:
        raise MidiFileError("it has no ticks to the beat")
    tracks, place = [], 8 + length
    while place < len(data):
        name, size = data[place : place + 4], int.from_bytes(data[place + 4 : place + 8])
        body = data[place + 8 : place + 8 + size]
        if len(data) < place + 8 + size:
            raise MidiFileError("it ends too early: something is cut off")
        if name == b"MTrk":
            tracks.append(body)
        place += 8 + size
    if len(tracks) < max(count, 1):
        raise MidiFileError(f"it has {len(tracks)} of {max(count, 1)} tracks")
    return division, tracks


@frozen
class _Event:
    """Something of a track, at its tick; ``rank`` says what, and orders what is at one tick."""

    tick: int
    rank: int
    names: tuple[str, ...]
    data: bytes

    def entry(self, at: float) -> Entry:
        if self.rank == _MESSAGE:
            return Played(at, self.names, self.data)
        return (Cued if self.rank == _CUE_POINT else Told)(at, _text(self.data))


def _text(data: bytes) -> str:
    """A text, which may be in any alphabet of its time."""
    return data[:LONGEST_TEXT].decode("utf-8", errors="replace")


@define
class _Reader:
    """One track as it is read."""

    number: int
    data: bytes
    place: int = 0
    tick: int = 0
    name: str = ""
    device: str = ""
    events: list[_Event] = field(factory=list)
    tempos: list[tuple[int, int]] = field(factory=list)

    def read(self) -> None:
        running = 0
        while self.place < len(self.data):
            self.tick += self._number()
            status = self._byte()
            if status < 0x80:
                if not running:
                    raise self._broken("begins with a message that has no status")
                self.place -= 1
                self._message(running)
            elif status == 0xFF:
                if self._meta():
                    return
            elif status in (0xF0, 0xF7):
                self._take(self._number())
                self._add(_MESSAGE, bytes((0xF0, 0xF7)))
            elif status > 0xF0:
                raise self._broken(f"has a byte {status:02X} where a message should begin")
            else:
                running = status
                self._message(status)

    def _message(self, status: int) -> None:
        data = self._take(SPEC_BY_STATUS[status]["length"] - 1)
        if any(byte > 0x7F for byte in data):
            raise self._broken("has a message that another begins within")
        self._add(_MESSAGE, bytes((status, *data)))

    def _meta(self) -> bool:
        """A meta event; returns whether it ends the track."""
        kind = self._byte()
        data = self._take(self._number())
        if kind == _TEMPO:
            tempo = int.from_bytes(data)
            if len(data) != 3 or not tempo:
                raise self._broken("has a tempo that is none")
            self.tempos.append((self.tick, tempo))
        elif kind == _TRACK_NAME:
            self.name = self.name or _text(data)
        elif kind == _DEVICE:
            self.device = _text(data)
        elif kind in (_TEXT, _CUE):
            self._add(_WORDS if kind == _TEXT else _CUE_POINT, data)
        return kind == _END

    def _add(self, rank: int, data: bytes) -> None:
        names = tuple(name for name in (self.device, self.name) if name)
        self.events.append(_Event(self.tick, rank, names, data))

    def _number(self) -> int:
        """A number of at most four bytes of seven bits, as the specification allows."""
        number = 0
        for _ in range(4):
            byte = self._byte()
            number = number << 7 | byte & 0x7F
            if byte < 0x80:
                return number
        raise self._broken("has a number longer than four bytes")

    def _byte(self) -> int:
        return self._take(1)[0]

    def _take(self, count: int) -> bytes:
        taken = self.data[self.place : self.place + count]
        if len(taken) < count:
            raise self._broken("ends within an event")
        self.place += count
        return taken

    def _broken(self, what: str) -> MidiFileError:
        return MidiFileError(f"track {self.number} {what}")


class _Spans:
    """From ticks to seconds, by the tempos of a whole file. Asked in order."""

    def __init__(self, ticks_per_beat: int, tempos: list[tuple[int, int]]) -> None:
        self._ticks_per_second = ticks_per_beat * 1_000_000
        self._changes = iter(sorted(tempos, key=lambda change: change[0]))
        self._tick, self._elapsed, self._tempo = 0, 0, _USUAL_TEMPO
        self._next = next(self._changes, None)

    def seconds(self, tick: int) -> float:
        """When a tick is, in seconds.

        Raises:
            MidiFileError: if that is more than a day after the beginning.
        """
        while self._next is not None and self._next[0] <= tick:
            self._pass(self._next[0])
            self._tempo = self._next[1]
            self._next = next(self._changes, None)
        self._pass(tick)
        if self._elapsed > LONGEST * self._ticks_per_second:
            raise MidiFileError("it lasts longer than a day")
        return self._elapsed / self._ticks_per_second

    def _pass(self, tick: int) -> None:
        self._elapsed += (tick - self._tick) * self._tempo
        self._tick = tick


# ---------------------------------------------------------------- to bytes


@frozen
class Voice:
    """A track to be written: what it begins with, and its messages in order, by milliseconds.

    Each message is one of its own, whose time is set when it is written.
    """

    heading: tuple[MetaMessage, ...]
    messages: Sequence[tuple[int, Message]]


def written(recording: Recording) -> bytes:
    """A recording as a file of type 1: a track for each port, ticks of a millisecond.

    What is told and the cue points are in the first track, under the recording's title.
    """
    words = [entry for entry in recording.entries if isinstance(entry, Told | Cued)]
    voices = []
    for port in recording.ports:
        names = MetaMessage("track_name", name=port), MetaMessage("device_name", name=port)
        here = [e for e in recording.entries if isinstance(e, Played) and port in e.port]
        voices.append(Voice(names, [(_tick(played.at), played.message) for played in here]))
    return written_voices(recording.title, voices, recording.lasts, words)


def written_voices(
    title: str, voices: Iterable[Voice], lasts: float, words: Iterable[Told | Cued] = ()
) -> bytes:
    """A file of type 1: a track with its title and words, one for each voice, all as long.

    ``lasts`` is in seconds, a tick a millisecond.
    """
    file = MidiFile(type=1, ticks_per_beat=_TICKS, charset="utf-8")
    heading = (
        MetaMessage("track_name", name=title),
        MetaMessage("set_tempo", tempo=_USUAL_TEMPO),
    )
    file.tracks.append(_track(heading, [(_tick(word.at), _meta(word)) for word in words], lasts))
    file.tracks.extend(_track(voice.heading, voice.messages, lasts) for voice in voices)
    whole = BytesIO()
    file.save(file=whole)
    return whole.getvalue()


def _track(
    heading: Iterable[MetaMessage], timed: Iterable[tuple[int, Message | MetaMessage]], lasts: float
) -> MidiTrack:
    track = MidiTrack(heading)
    tick = 0
    for now, event in timed:
        event.time = now - tick
        track.append(event)
        tick = now
    track.append(MetaMessage("end_of_track", time=max(_tick(lasts) - tick, 0)))
    return track


def _tick(at: float) -> int:
    return round(at * 1000)


def _meta(word: Told | Cued) -> MetaMessage:
    return MetaMessage("cue_marker" if isinstance(word, Cued) else "text", text=word.text)
