"""Bach's chorales through the relay: real music in four parts, from MIDI keys to MIDI pipes.

The music is from music21's corpus (sources.md S16). What must sound is worked out beside it by
a few lines over sets, which know the notes of the score and nothing of the relay.
"""

from fractions import Fraction
from functools import cache
from itertools import cycle

import pytest
from attrs import define, field, frozen
from mido.messages import Message
from music21 import corpus

from combination.instrument import Instrument
from combination.reading import read_console
from tests.consoles import bank_of

MANUAL, FEET, THUMB = 1, 2, 3
"""Channels on which the console speaks."""
FLUTE, BOURDON = 1, 2
"""Channels on which its pipes are."""
CHORALES = ("bwv66.6", "bwv269", "bwv253", "bwv262")
CROTCHET = 0.6
"""Seconds."""
LIFTED = 0.05
"""Seconds by which a note is let go early, so that the same key can be struck again."""
AFTER = 0.07
"""Seconds after a beat at which pistons are pushed: within the shortest note, a semiquaver."""

FILE = """
format = 1
name = "St Anne, Quay Street"
action = "blind"
keyboard = [
    { id = "great", name = "Great", contacts = "manual.1" },
    { id = "pedal", name = "Pedal", keys = 32, contacts = "feet.1" },
]
division = [
    { id = "great", name = "Great", keyboard = "great" },
    { id = "pedal", name = "Pedal", keyboard = "pedal" },
]
rank = [
    { id = "flute", name = "Flute", pipes = 73, out = { port = "pipes", channel = 1 } },
    { id = "bourdon", name = "Bourdon", pitch = "16", out = { port = "pipes", channel = 2 } },
]
stop = [
    { id = "flute-8", label = "Flute 8'", division = "great", rank = "flute" },
    { id = "flute-4", label = "4'", division = "great", rank = "flute", pitch = "4" },
    { id = "bourdon-16", label = "Bourdon 16'", division = "pedal", rank = "bourdon" },
]
coupler = [{ id = "great-pedal", label = "Great to Pedal", keys = "pedal", plays = "great" }]
piston = [
    { id = "g1", label = "1", kind = "general", contact = "thumb.1" },
    { id = "g2", label = "2", kind = "general", contact = "thumb.2" },
    { id = "g3", label = "3", kind = "general", contact = "thumb.3" },
]
board = [
    { id = "manual", pins = 61, in = { port = "console", channel = 1, first-note = 36 } },
    { id = "feet", pins = 32, in = { port = "console", channel = 2, first-note = 36 } },
    { id = "thumb", pins = 3, in = { port = "console", channel = 3, first-note = 1 } },
]
"""
GENERALS = {
    "g1": "flute-8 flute-4",
    "g2": "flute-8 bourdon-16 great-pedal",
    "g3": "flute-4 bourdon-16",
}


@frozen
class Note:
    """A note of the score: its part from the soprano (0) to the bass (3), and when it sounds."""

    part: int
    key: int
    on: float
    off: float


@cache
def score(name: str) -> tuple[Note, ...]:
    """The notes of a chorale, tied ones joined, at so many seconds a crotchet."""
    notes = []
    for part, line in enumerate(corpus.parse(f"bach/{name}").parts):
        for note in line.stripTies().flatten().notes:
            on = float(Fraction(note.offset)) * CROTCHET
            lasts = float(Fraction(note.quarterLength)) * CROTCHET
            notes += [Note(part, pitch.midi, on, on + lasts - LIFTED) for pitch in note.pitches]
    return tuple(notes)


def held(notes: tuple[Note, ...], at: float) -> set[int]:
    """The keys that are down: the whole of the independent reckoning begins with these."""
    return {note.key for note in notes if note.on <= at < note.off}


def moments(notes: tuple[Note, ...]) -> list[float]:
    """Every time at which a note begins or ends."""
    return sorted({note.on for note in notes} | {note.off for note in notes})


@define
class Church:
    """The console of the file, played by its own MIDI messages and heard by those it sends.

    ``sounding`` has the channel and note of what is on by the messages alone, ``answers`` how
    many there were to what was last done.
    """

    sounding: set[tuple[int, int]] = field(factory=set)
    answers: int = 0
    instrument: Instrument = field(init=False)

    def __attrs_post_init__(self) -> None:
        console = read_console(FILE)
        self.instrument = Instrument(console, bank_of(console, GENERALS))

    def say(self, channel: int, number: int, on: bool, at: float) -> None:
        """Send the console a message; each that it sends back must be news."""
        message = Message("note_on" if on else "note_off", channel=channel - 1, note=number)
        effects = self.instrument.message(message, at, "console")
        for _, answer in self.instrument.wiring.sent(effects):
            pipe = (answer.channel + 1, answer.note)
            assert (answer.type == "note_on") is (pipe not in self.sounding)
            self.sounding ^= {pipe}
            self.answers += 1

    def push(self, piston: str, at: float) -> None:
        self.answers = 0
        for on in (True, False):
            self.say(THUMB, list(GENERALS).index(piston) + 1, on, at)

    def play(self, keys: dict[int, set[int]], at: float) -> None:
        """Have just these keys down, by the channel of their keyboard."""
        self.answers = 0
        for channel, keyboard in ((MANUAL, "great"), (FEET, "pedal")):
            down = set(self.instrument.relay.keys_down(keyboard))
            for key in sorted(down ^ keys.get(channel, set())):
                self.say(channel, key, key not in down, at)

    def heard(self, channel: int) -> set[int]:
        return {note for where, note in self.sounding if where == channel}


@pytest.mark.parametrize("name", CHORALES)
def test_a_chorale_on_8_and_4_foot_from_one_rank(name: str) -> None:
    """Four parts on one keyboard: every pipe that a key asks for sounds, and each once."""
    notes, church = score(name), Church()
    church.push("g1", 0.0)
    saved = 0
    for at in moments(notes):
        down = held(notes, at)
        church.play({MANUAL: down}, at)
        pipes = {key - 35 for key in down} | {key - 35 + 12 for key in down}
        assert church.instrument.relay.blown("flute") == pipes
        assert church.heard(FLUTE) == {pipe + 35 for pipe in pipes}
        saved += 2 * len(down) - len(pipes)
    print(f"{name}: {len(notes)} notes, {saved} pipes fewer than stops and keys")
    assert saved > 0
    assert not church.sounding


def speaking(drawn: str, manual: set[int], feet: set[int]) -> set[tuple[int, int]]:
    """What must sound, as channels and notes: a few lines over sets."""
    stops = drawn.split()
    great = manual | feet if "great-pedal" in stops else manual
    eight = {(FLUTE, key) for key in great if "flute-8" in stops}
    four = {(FLUTE, key + 12) for key in great if "flute-4" in stops}
    return eight | four | {(BOURDON, key - 12) for key in feet if "bourdon-16" in stops}


@pytest.mark.parametrize("name", CHORALES)
def test_a_chorale_with_pedals_and_pistons(name: str) -> None:
    """The bass on the pedal, and a piston a little after every other beat, with keys down: only
    what differs is sent, at the piston as at the keys."""
    notes, church = score(name), Church()
    upper = tuple(note for note in notes if note.part < 3)
    bass = tuple(note for note in notes if note.part == 3)
    beats = range(0, int(notes[-1].off / CROTCHET), 2)
    pushes = {
        beat * CROTCHET + AFTER: piston
        for beat, piston in zip(beats, cycle(GENERALS), strict=False)
    }
    drawn, changed = "", 0
    before: set[tuple[int, int]] = set()
    for at in sorted({*moments(notes), *pushes}):
        if at in pushes:
            drawn = GENERALS[pushes[at]]
            church.push(pushes[at], at)
            changed += church.answers
        else:
            church.play({MANUAL: held(upper, at), FEET: held(bass, at)}, at)
        after = speaking(drawn, held(upper, at), held(bass, at))
        assert church.sounding == after
        assert church.answers == len(before ^ after)
        before = after
    assert changed > len(pushes)
    assert not church.sounding
    assert not church.instrument.relay.keys_down("great")
