"""semantics.md Part II at the keys: every row of its worked cases, and its small rules as tables.

Each case is the text of a console file and what hands do at it. What sounds is what a listener
makes of the effects and of the MIDI messages, one by one; nothing here works out a pipe by the
relay's own sums.
"""

from collections.abc import Callable

import pytest
from attrs import define, field
from mido.messages import Message

from combination.effects import Effect, OutputsOff, OutputsOn, ShadesMoved, TransposerTurned
from combination.events import (
    KeyMoved,
    RelayEvent,
    ShoeMoved,
    TransposerMoved,
    TransposerStepped,
)
from combination.midi import Wiring
from combination.model import Console
from combination.reading import read_console
from combination.registration import Roster
from combination.relay import Relay
from tests.test_worked_cases import rows

MOMENT = 1 / 1024
"""Seconds: as near to a time as these tests look."""
HEAD = """
format = 1
name = "Ferry Lane"
action = "blind"
"""
KEYBOARDS = """
keyboard = [
    { id = "great", name = "Great" },
    { id = "solo", name = "Solo" },
    { id = "pedal", name = "Pedal", keys = 32 },
]
"""
DIVISIONS = """
division = [
    { id = "great", name = "Great", keyboard = "great" },
    { id = "solo", name = "Solo", keyboard = "solo" },
    { id = "pedal", name = "Pedal", keyboard = "pedal" },
]
"""


@define
class Hands:
    """Someone at the keys of a relay, and a listener who knows only what is told.

    Everything happens at ``now`` (seconds), which `wait` moves. ``effects`` are those of what
    was done last, and ``sent`` the messages that they go out as, each as
    ``port channel: on note velocity`` and the like.
    """

    console: Console
    now: float = 0.0
    drawn: set[str] = field(factory=set)
    effects: list[Effect] = field(factory=list)
    sent: list[str] = field(factory=list)
    on: set[tuple[str, str, int | str]] = field(factory=set)
    notes: set[tuple[str, int, int]] = field(factory=set)
    relay: Relay = field(init=False)
    wiring: Wiring = field(init=False)

    def __attrs_post_init__(self) -> None:
        self.relay = Relay(self.console, at=self.now)
        self.wiring = Wiring(self.console)

    def draw(self, controls: str) -> "Hands":
        """Draw some more controls at once, as a piston does."""
        return self._register(self.drawn | set(controls.split()))

    def push_in(self, controls: str) -> "Hands":
        return self._register(self.drawn - set(controls.split()))

    def _register(self, controls: set[str]) -> "Hands":
        self.drawn = controls
        roster = Roster(control.id for control in self.console.controls)
        return self._hear(self.relay.register(roster.bits(controls), self.now))

    def press(self, keyboard: str, *keys: int) -> "Hands":
        return self._move(keyboard, keys, down=True)

    def lift(self, keyboard: str, *keys: int) -> "Hands":
        return self._move(keyboard, keys, down=False)

    def _move(self, keyboard: str, keys: tuple[int, ...], down: bool) -> "Hands":
        effects: list[Effect] = []
        for key in keys:
            effects += self.relay.receive(KeyMoved(keyboard, key, down), self.now)
        return self._hear(effects)

    def do(self, event: RelayEvent) -> "Hands":
        return self._hear(self.relay.receive(event, self.now))

    def wait(self, seconds: float) -> "Hands":
        self.now += seconds
        return self._hear(self.relay.tick(self.now))

    def _hear(self, effects: list[Effect]) -> "Hands":
        """Take what is told, all of which must be news."""
        self.effects = effects
        for effect in effects:
            if isinstance(effect, OutputsOff | OutputsOn):
                told = _told(effect)
                assert told
                if isinstance(effect, OutputsOn):
                    assert not told & self.on
                    self.on |= told
                else:
                    assert told <= self.on
                    self.on -= told
        messages = self.wiring.sent(effects)
        self.sent = [
            f"{port} {message.channel + 1}: {_said(message)}" for port, message in messages
        ]
        for port, message in messages:
            if message.type in ("note_on", "note_off"):
                change = self.notes.add if message.type == "note_on" else self.notes.discard
                change((port, message.channel + 1, message.note))
        for rank in self.console.ranks:
            assert self.relay.blown(rank.id) == self.pipes(rank.id)
        return self

    def pipes(self, rank: str) -> set[int]:
        """The pipes of a rank that are on."""
        return {int(number) for part, name, number in self.on if (part, name) == ("pipes", rank)}

    def lines(self, division: str) -> set[int]:
        """The lines that are on at a division's own output."""
        return {int(n) for part, name, n in self.on if (part, name) == ("lines", division)}

    @property
    def switched(self) -> set[str]:
        """The controls whose outputs are on."""
        return {str(name) for part, _, name in self.on if part == "controls"}

    def heard(self, channel: int) -> set[int]:
        """The notes that are on, on a channel of the port ``pipes``."""
        return {note for port, where, note in self.notes if (port, where) == ("pipes", channel)}


def _told(effect: OutputsOff | OutputsOn) -> set[tuple[str, str, int | str]]:
    found: list[tuple[str, str, int | str]] = [("controls", "", name) for name in effect.controls]
    for part, several in (("pipes", effect.pipes), ("lines", effect.lines)):
        found += [(part, name, number) for name, numbers in several for number in numbers]
    return set(found)


def _said(message: Message) -> str:
    if message.type in ("note_on", "note_off"):
        return f"{message.type[5:]} {message.note} {message.velocity}"
    if message.type == "control_change":
        return f"controller {message.control} {message.value}"
    return f"program {message.program}"


def hands(text: str) -> Hands:
    """Hands at a console with Great, Solo and Pedal, their divisions, and what is given."""
    return Hands(read_console(HEAD + KEYBOARDS + DIVISIONS + text))


def one_rank(rank: str, *stops: str) -> Hands:
    """Hands at a console of one rank, ``flute``, and its stops on the Great, all of them drawn.

    What is given is the rest of each table.
    """
    tables = ", ".join(
        f'{{ id = "s{number}", label = "Flute", division = "great", {stop} }}'
        for number, stop in enumerate(stops)
    )
    player = hands(f'rank = [{{ id = "flute", name = "Flute", {rank} }}]\nstop = [{tables}]')
    return player.draw(" ".join(f"s{number}" for number in range(len(stops))))


def on_flute(pitch: str) -> str:
    return f'rank = "flute", pitch = "{pitch}"'


MANUAL = range(36, 97)

# ---------------------------------------------------------------- II.5, row by row


def test_three_pipes_not_four() -> None:
    """One rank of 16′, 97 pipes; 8′ and 4′ drawn; middle C and the C above held."""
    player = one_rank('pitch = "16", pipes = 97', on_flute("8"), on_flute("4"))
    assert player.press("great", 60, 72).pipes("flute") == {37, 49, 61}


@pytest.mark.parametrize(
    ("pitches", "needed"), [("8", 61), ("8 4", 73), ("16 8 4", 85), ("16 8 4 2", 97)]
)
def test_pipes_needed_on_61_keys(pitches: str, needed: int) -> None:
    """The rank begins with the longest stop: with so many pipes every key of every stop plays
    one of its own and every pipe is used; with one fewer the top key of the shortest is silent."""
    lowest, *_, highest = pitches.split() * 2
    everything = [on_flute(pitch) for pitch in pitches.split()]
    whole = f'pitch = "{lowest}", pipes = {needed}'
    used = one_rank(whole, *everything).press("great", *MANUAL).pipes("flute")
    assert used == set(range(1, needed + 1))
    for stop in everything:
        assert len(one_rank(whole, stop).press("great", *MANUAL).pipes("flute")) == 61
    short = f'pitch = "{lowest}", pipes = {needed - 1}'
    assert not one_rank(short, on_flute(highest)).press("great", 96).pipes("flute")


@pytest.mark.parametrize(("pitch", "semitones"), [("2 2/3", 19), ("1 3/5", 28), ("1 1/3", 31)])
def test_mutations_on_an_8_foot_rank(pitch: str, semitones: int) -> None:
    player = one_rank("pipes = 97", on_flute("8"), on_flute(pitch)).press("great", 36)
    assert player.pipes("flute") == {1, 1 + semitones}


def test_a_tenor_c_rank() -> None:
    player = one_rank("first-key = 48, pipes = 49", on_flute("8"))
    assert player.press("great", 48).pipes("flute") == {1}
    assert player.lift("great", 48).press("great", 47).pipes("flute") == set()


def test_a_16_foot_stop_on_an_8_foot_rank() -> None:
    player = one_rank("pipes = 61", on_flute("16"))
    assert player.press("great", *range(36, 48)).pipes("flute") == set()
    assert player.press("great", 48).pipes("flute") == {1}


def test_pedal_16_foot_low_c_is_note_24() -> None:
    player = hands(
        """
[[rank]]
id = "bourdon"
name = "Bourdon"
pitch = "16"
pipes = 32
out = { port = "pipes", channel = 1 }

[[stop]]
id = "bourdon-16"
label = ["Bourdon", "16'"]
division = "pedal"
rank = "bourdon"
"""
    )
    player.draw("bourdon-16").press("pedal", 36)
    assert player.pipes("bourdon") == {1}
    assert player.heard(1) == {24}


# The last three rows of the page are the first of this table. The Great and the Choir are played
# from one keyboard; the Bombarde from its second touch; the Echo floats.

ROOM = """
keyboard = [
    { id = "great", name = "Great" },
    { id = "deep", name = "Great, second touch" },
    { id = "solo", name = "Solo" },
    { id = "pedal", name = "Pedal", keys = 32 },
]
division = [
    { id = "great", name = "Great", keyboard = "great" },
    { id = "choir", name = "Choir", keyboard = "great" },
    { id = "bombarde", name = "Bombarde", keyboard = "deep" },
    { id = "solo", name = "Solo", keyboard = "solo" },
    { id = "echo", name = "Echo" },
    { id = "pedal", name = "Pedal", keyboard = "pedal" },
]
coupler = [
    { id = "gt-16", label = "Sub Octave", keys = "great", plays = "great", shift = -12 },
    { id = "gt-4", label = "Octave", keys = "great", plays = "great", shift = 12 },
    { id = "gt-12th", label = "Twelfth", keys = "great", plays = "great", shift = 19 },
    { id = "gt-off", label = "Unison Off", division = "great", unison-off = true },
    { id = "gt-on", label = "Unison", keys = "great", plays = "great" },
    { id = "ch-4", label = "Octave", keys = "great", plays = "choir", shift = 12 },
    { id = "so-gt", label = "Solo to Great", keys = "great", plays = "solo" },
    { id = "so-gt-4", label = "Solo to Great 4'", keys = "great", plays = "solo", shift = 12 },
    { id = "so-off", label = "Unison Off", division = "solo", unison-off = true },
    { id = "gt-so", label = "Great to Solo", keys = "solo", plays = "great" },
    { id = "ec-so", label = "Echo to Solo", keys = "solo", plays = "echo" },
    { id = "ec-gt-16", label = "Echo 16'", keys = "great", plays = "echo", shift = -12 },
    { id = "bo-gt", label = "Bombarde to Great", keys = "great", plays = "bombarde" },
    { id = "gt-pd", label = "Great to Pedal", keys = "pedal", plays = "great" },
    { id = "so-pd-4", label = "Solo to Pedal 4'", keys = "pedal", plays = "solo", shift = 12 },
    { id = "pluck", label = "Pizzicato", keys = "great", plays = "solo", pizzicato = true },
]
"""
PLAYED = ("great", "choir", "bombarde", "solo", "echo", "pedal")
EIGHT_FOOT = """
[[rank]]
id = "{name}"
name = "Principal"
first-key = 0
pipes = 128
out = {{ port = "pipes", channel = {channel} }}

[[stop]]
id = "{name}-8"
label = "Principal 8'"
division = "{name}"
rank = "{name}"
"""
"""A rank longer than any division, of which each line goes out as the note of its key."""
COUPLED = (
    HEAD
    + ROOM
    + "".join(
        EIGHT_FOOT.format(name=name, channel=channel) for channel, name in enumerate(PLAYED, 1)
    )
)

LINES = """
| octave, lines not extended | gt-4 | great 96 | great 96, choir 96 |
| unison off alone | gt-off | great 60 | choir 60 |
| unison off, octave | gt-off gt-4 | great 60 | great 72, choir 60 |
| couplers do not cascade | so-gt gt-pd | pedal 40 | pedal 40, great 40 |
| two divisions of a keyboard | – | great 36 96 | great 36 96, choir 36 96 |
| three keyboards | – | solo 62, pedal 40 | solo 62, pedal 40 |
| a second touch | – | deep 60 | bombarde 60 |
| a first and a second touch | – | great 60, deep 64 | great 60, choir 60, bombarde 64 |
| a floating division | – | solo 60 | solo 60 |
| coupled | ec-so | solo 60 | solo 60, echo 60 |
| coupled twice | ec-so ec-gt-16 | solo 62, great 84 | great 84, choir 84, solo 62, echo 62 72 |
| its lines are a manual's | ec-gt-16 | great 47 48 | great 47 48, choir 47 48, echo 36 |
| sub-octave | gt-16 | great 47 48 | great 36 47 48, choir 47 48 |
| both octaves | gt-16 gt-4 | great 60 | great 48 60 72, choir 60 |
| octave on octave | gt-4 | great 60 72 | great 60 72 84, choir 60 72 |
| a twelfth | gt-12th | great 60 77 78 | great 60 77 78 79 96, choir 60 77 78 |
| an octave of one of two | ch-4 | great 60 | great 60, choir 60 72 |
| to another | so-gt | great 60 | great 60, choir 60, solo 60 |
| to another at the octave only | so-gt-4 | great 60 | great 60, choir 60, solo 72 |
| at both | so-gt so-gt-4 | great 60 | great 60, choir 60, solo 60 72 |
| beside its own keys | so-gt | great 60, solo 60 64 | great 60, choir 60, solo 60 64 |
| to a second touch | bo-gt | great 60 | great 60, choir 60, bombarde 60 |
| from the pedals | gt-pd | pedal 36 67 | pedal 36 67, great 36 67 |
| from the pedals at the octave | so-pd-4 | pedal 36 67 | pedal 36 67, solo 48 79 |
| coupled twice | ec-so ec-gt-16 | solo 62, great 84 | great 84, choir 84, solo 62, echo 62 72 |
| unison off, coupled elsewhere | gt-off so-gt | great 60 | choir 60, solo 60 |
| unison off, coupled to itself | gt-off gt-on | great 60 | great 60, choir 60 |
| unison off of the other | so-off so-gt | great 60, solo 64 | great 60, choir 60, solo 60 |
| both unisons off | gt-off so-off | great 60, solo 64 | choir 60 |
| a chain of three | gt-pd so-gt ec-so | pedal 40 | pedal 40, great 40 |
| its second link | gt-pd so-gt ec-so | great 60 | great 60, choir 60, solo 60 |
| its third link | gt-pd so-gt ec-so | solo 60 | solo 60, echo 60 |
| a circle | so-gt gt-so | great 60 | great 60, choir 60, solo 60 |
| no octave of a coupled key | gt-pd gt-4 | pedal 40 | pedal 40, great 40 |
| no octave of an octave | gt-4 so-gt-4 | great 48 | great 48 60, choir 48, solo 60 |
"""
"""What is drawn, the keys held, and the lines that each division sounds; – is none."""


def said(text: str) -> dict[str, set[int]]:
    """``great 60 72, choir 60`` by its names; – is nothing."""
    named = (part.split() for part in text.replace("–", "").split(",") if part.split())
    return {name: {int(number) for number in numbers} for name, *numbers in named}


def in_the_room(drawn: str, down: str, transposed: int = 0) -> dict[str, set[int]]:
    """What each division is heard to play, all stops drawn; those that are silent left out."""
    player = Hands(read_console(COUPLED))
    player.draw(" ".join(f"{name}-8" for name in PLAYED)).draw(drawn.replace("–", ""))
    player.do(TransposerMoved(transposed))
    for keyboard, keys in said(down).items():
        player.press(keyboard, *keys)
    sounds = {name: player.heard(channel) for channel, name in enumerate(PLAYED, 1)}
    for name in PLAYED:
        assert player.relay.lines(name) == sounds[name]
    return {name: notes for name, notes in sounds.items() if notes}


@pytest.mark.parametrize(
    ("drawn", "down", "sounds"), [row[1:] for row in rows(LINES)], ids=[r[0] for r in rows(LINES)]
)
def test_lines(drawn: str, down: str, sounds: str) -> None:
    assert in_the_room(drawn, down) == said(sounds)


# ---------------------------------------------------------------- II.1, transposer and lines

TRANSPOSED = """
| two up | 2 | – | great 60, pedal 36 | great 62, choir 62, pedal 38 |
| one down | -1 | – | great 60, solo 64 | great 59, choir 59, solo 63 |
| six up, at the top | 6 | – | great 90 91 | great 96, choir 96 |
| six down, at the bottom | -6 | – | great 41 42 | great 36, choir 36 |
| out at the top, back an octave lower | 1 | gt-16 | great 96 | great 85 |
| out at the bottom, back an octave higher | -1 | gt-4 | great 36 | great 47 |
| couplers too | 2 | so-gt-4 | great 60 | great 62, choir 62, solo 74 |
| out of the coupled lines only | 3 | so-gt-4 | great 82 | great 85, choir 85 |
| out of the pedal's lines only | 6 | gt-pd | pedal 67 | great 73 |
| a floating division | -6 | ec-so | solo 41 48 | solo 42, echo 42 |
"""
"""As `LINES`, after the semitones of the transposer."""


@pytest.mark.parametrize(
    ("semitones", "drawn", "down", "sounds"),
    [row[1:] for row in rows(TRANSPOSED)],
    ids=[row[0] for row in rows(TRANSPOSED)],
)
def test_transposed_lines(semitones: str, drawn: str, down: str, sounds: str) -> None:
    assert in_the_room(drawn, down, int(semitones)) == said(sounds)


def test_the_transposer_moves_keys_that_are_down() -> None:
    """At once; and a key moved out of its lines comes back, and is let go wherever it sounds."""
    player = Hands(read_console(COUPLED)).draw("great-8").press("great", 60, 96)
    assert player.do(TransposerMoved(1)).sent == [
        "pipes 1: off 60 64",
        "pipes 1: off 96 64",
        "pipes 1: on 61 64",
    ]
    assert player.effects[-1] == TransposerTurned(1)
    assert player.do(TransposerMoved(-2)).heard(1) == {58, 94}
    assert player.lift("great", 60).heard(1) == {94}
    assert player.do(TransposerMoved(0)).heard(1) == {96}


def test_the_transposer_stops_at_its_ends() -> None:
    player = Hands(read_console(COUPLED)).draw("great-8").press("great", 60)
    assert player.do(TransposerStepped(5)).heard(1) == {65}
    assert player.do(TransposerStepped(5)).heard(1) == {66}
    assert player.do(TransposerStepped(1)).effects == []
    assert player.do(TransposerStepped(-20)).heard(1) == {54}
    assert player.do(TransposerMoved(-6)).effects == []
    for beyond in (7, -7):
        with pytest.raises(ValueError, match="transposer"):
            player.do(TransposerMoved(beyond))
    assert player.heard(1) == {54}


OWN_LINES = """
| its keyboard's | | 36 48 96 | 36 48 60 96 | 36 48 84 96 |
| an octave more at the top | lines = 73 | 36 85 96 | 36 48 85 96 97 108 | 36 73 84 85 96 |
| and at the bottom | lowest = 24, lines = 85 | 36 96 | 36 48 96 108 | 24 36 84 96 |
| fewer than the keys | lines = 49 | 72 73 84 85 | 72 73 84 | 60 61 72 73 84 |
| none at the bottom | lowest = 48, lines = 49 | 36 47 48 | 48 59 60 | 48 |
"""
"""The lines that a division has, keys, and what sounds with its octave and its sub-octave."""


@pytest.mark.parametrize(
    ("keys", "down", "octave", "sub_octave"),
    [row[1:] for row in rows(OWN_LINES)],
    ids=[row[0] for row in rows(OWN_LINES)],
)
def test_a_division_has_lines_of_its_own(
    keys: str, down: str, octave: str, sub_octave: str
) -> None:
    division = f'id = "great", name = "Great", keyboard = "great"{", " if keys else ""}{keys}'
    couplers = """
coupler = [
    { id = "4", label = "Octave", keys = "great", plays = "great", shift = 12 },
    { id = "16", label = "Sub Octave", keys = "great", plays = "great", shift = -12 },
]
"""
    text = HEAD + KEYBOARDS + f"division = [{{ {division} }}]" + couplers
    for coupler, sounds in (("4", octave), ("16", sub_octave)):
        player = Hands(read_console(text + EIGHT_FOOT.format(name="great", channel=1)))
        player.draw(f"great-8 {coupler}").press("great", *map(int, down.split()))
        assert player.heard(1) == {int(note) for note in sounds.split()}


def test_a_key_moves_once_however_often_it_is_reported() -> None:
    player = Hands(read_console(COUPLED)).draw("great-8").press("great", 60)
    assert player.press("great", 60).effects == []
    assert player.lift("great", 60).heard(1) == set()
    assert player.lift("great", 60).effects == []


@pytest.mark.parametrize(("keyboard", "key"), [("great", 35), ("great", 97), ("pedal", 68)])
def test_a_key_that_is_not_there(keyboard: str, key: int) -> None:
    player = Hands(read_console(COUPLED))
    with pytest.raises(ValueError, match=f'"{keyboard}" has no key {key}'):
        player.press(keyboard, key)
    with pytest.raises(KeyError):
        player.press("positive", 60)


# ---------------------------------------------------------------- II.1, pizzicato


def plucking(drawn: str = "solo-8 pluck") -> Hands:
    return Hands(read_console(COUPLED)).draw(drawn)


def test_a_plucked_key_sounds_for_its_time() -> None:
    """0.15 s from the moment it goes down, each key by itself, however late the relay is told."""
    player = plucking().press("great", 60)
    assert player.heard(4) == {60}
    assert player.wait(0.1).press("great", 64).heard(4) == {60, 64}
    assert player.wait(0.05 - MOMENT).heard(4) == {60, 64}
    assert player.wait(MOMENT).heard(4) == {64}
    assert player.wait(5).heard(4) == set()
    assert player.lift("great", 60, 64).effects == []


LONG = """
[[coupler]]
id = "long"
label = "Solo Pizzicato"
keys = "great"
plays = "solo"
pizzicato = true
pizzicato-time = 0.5

[[coupler]]
id = "pluck-4"
label = ["Solo", "Pizzicato 4'"]
keys = "great"
plays = "solo"
shift = 12
pizzicato = true
"""


def test_its_time_is_the_files() -> None:
    """Two couplers pluck, each for its own time."""
    player = hands(EIGHT_FOOT.format(name="solo", channel=4) + LONG).draw("solo-8 long pluck-4")
    assert player.press("great", 60, 72).heard(4) == {60, 72, 84}
    assert player.relay.next_due == 0.15
    assert player.wait(0.15).heard(4) == {60, 72}
    assert player.relay.next_due == 0.5
    assert player.wait(0.35 - MOMENT).heard(4) == {60, 72}
    assert player.wait(MOMENT).heard(4) == set()
    assert player.relay.next_due is None


def test_a_plucked_key_is_let_go_before_its_time() -> None:
    player = plucking().press("great", 60).wait(0.05)
    assert player.lift("great", 60).heard(4) == set()
    assert player.wait(1).effects == []


def test_a_key_struck_again_is_plucked_again() -> None:
    player = plucking().press("great", 60).wait(0.125).lift("great", 60).press("great", 60)
    assert player.wait(0.125).heard(4) == {60}
    assert player.wait(0.025).heard(4) == set()


def test_keys_already_down_are_not_plucked() -> None:
    player = plucking("solo-8").press("great", 60)
    assert player.draw("pluck").effects == []
    assert player.press("great", 64).heard(4) == {64}


def test_a_plucking_coupler_pushed_in_lets_go_and_redrawn_gives_nothing_back() -> None:
    player = plucking().press("great", 60)
    assert player.push_in("pluck").heard(4) == set()
    assert player.draw("pluck").heard(4) == set()
    assert player.wait(1).effects == []


def test_the_transposer_moves_a_plucked_key() -> None:
    player = plucking().press("great", 60).wait(0.1)
    assert player.do(TransposerMoved(3)).heard(4) == {63}
    assert player.wait(0.05).heard(4) == set()
    assert player.do(TransposerMoved(0)).effects == [TransposerTurned(0)]


def test_a_plucked_line_that_something_else_plays_stays() -> None:
    player = plucking("solo-8 pluck").press("solo", 60)
    assert player.press("great", 60).effects == []
    assert player.wait(0.15).effects == []
    assert player.heard(4) == {60}


def test_keys_of_another_keyboard_are_not_plucked() -> None:
    player = plucking("great-8 pluck").press("solo", 60).press("pedal", 40)
    assert player.effects == []
    assert player.relay.next_due is None


# ---------------------------------------------------------------- II.2, lines and pipes

PIPES = """
| at the rank's own pitch | pitch = "4" | | 36 96 | 1 61 |
| at another's, on a rank of 4′ | pitch = "4" | pitch = "8" | 47 48 | – 1 |
| 4′ on 16′, at the last pipe | pitch = "16", pipes = 73 | pitch = "4" | 36 84 85 | 25 73 – |
| 2′ on 8′ | pipes = 85 | pitch = "2" | 36 96 | 25 85 |
| 32′ on 16′ | pitch = "16" | pitch = "32" | 47 48 96 | – 1 49 |
| 2⅔′ on its own | pitch = "2 2/3" | pitch = "2 2/3" | 36 | 1 |
| 5⅓′ on 16′, a twelfth | pitch = "16", pipes = 80 | pitch = "5 1/3" | 36 | 20 |
| 10⅔′ on 16′, a fifth | pitch = "16", pipes = 80 | pitch = "10 2/3" | 36 | 8 |
| 1 3/5′ on 2⅔′, a sixth | pitch = "2 2/3", pipes = 80 | pitch = "1 3/5" | 36 | 10 |
| from tenor C, an octave up | first-key = 48, pipes = 61 | pitch = "4" | 36 96 | 1 61 |
| from an octave below low C | first-key = 24, pipes = 73 | | 36 96 | 13 73 |
| repeats at the bottom | | pitch = "16", repeats = true | 36 47 48 49 | 1 12 1 2 |
| two octaves of it | | pitch = "32", repeats = true | 36 59 60 | 1 12 1 |
| repeats at the top | | pitch = "4", repeats = true | 84 85 96 | 61 50 61 |
| two octaves of it | | pitch = "2", repeats = true | 72 73 84 85 96 | 61 50 61 50 61 |
| at both ends | first-key = 60, pipes = 12 | repeats = true | 36 59 60 71 72 96 | 1 12 1 12 1 1 |
| on five pipes | first-key = 60, pipes = 5 | repeats = true | 48 55 60 64 65 76 | 1 – 1 5 – 5 |
"""
"""A rank and a stop, keys pressed one after another, and the pipe that each plays; – is none."""


@pytest.mark.parametrize(
    ("rank", "stop", "keys", "pipes"),
    [row[1:] for row in rows(PIPES)],
    ids=[row[0] for row in rows(PIPES)],
)
def test_pipes(rank: str, stop: str, keys: str, pipes: str) -> None:
    player = one_rank(rank or "pipes = 61", f'rank = "flute"{", " if stop else ""}{stop}')
    for key, pipe in zip(map(int, keys.split()), pipes.split(), strict=True):
        expected = set() if pipe == "–" else {int(pipe)}
        assert player.press("great", key).pipes("flute") == expected
        assert player.lift("great", key).pipes("flute") == set()


TWO_RANKS = """
rank = [
    { id = "diapason", name = "Stopped Diapason" },
    { id = "dulciana", name = "Dulciana", first-key = 48, pipes = 49 },
    { id = "sharp-1", name = "Sharp", pitch = "2", pipes = 73 },
    { id = "sharp-2", name = "Sharp", pitch = "1 1/3", pipes = 73 },
    { id = "mixture", name = "Mixture", pitch = "2" },
]

[[stop]]
id = "dulciana-8"
label = ["Dulciana", "8'"]
division = "great"
draws = [{ rank = "diapason", to = 47 }, { rank = "dulciana", from = 48 }]

[[stop]]
id = "tenor-8"
label = ["Diapason", "8' TC"]
division = "great"
draws = [{ rank = "diapason", from = 48 }]

[[stop]]
id = "sharp"
label = ["Sharp", "II"]
division = "great"
draws = [
    { rank = "sharp-1", pitch = "1", to = 59 },
    { rank = "sharp-2", pitch = "2/3", to = 59 },
    { rank = "sharp-1", pitch = "2", from = 60 },
    { rank = "sharp-2", pitch = "1 1/3", from = 60 },
]

[[stop]]
id = "mixture-3"
label = ["Mixture", "III"]
division = "great"
draws = [{ rank = "mixture", by-key = true, pitch = "1 1/3" }]

[[stop]]
id = "mixture-short"
label = ["Mixture", "III"]
division = "great"
draws = [{ rank = "mixture", by-key = true, from = 60, to = 71 }]

[[stop]]
id = "cornet"
label = ["Cornet", "II"]
division = "great"
draws = [{ rank = "diapason", from = 48 }, { rank = "diapason", pitch = "4", from = 48 }]
"""

DRAWS = """
| a borrowed bass | dulciana-8 | 36 | diapason 1 |
| its last key | dulciana-8 | 47 | diapason 12 |
| the rank itself | dulciana-8 | 48 | dulciana 1 |
| its last pipe | dulciana-8 | 96 | dulciana 49 |
| below tenor C | tenor-8 | 47 | – |
| from tenor C | tenor-8 | 48 | diapason 13 |
| a mixture | sharp | 36 | sharp-1 13, sharp-2 13 |
| before its break | sharp | 59 | sharp-1 36, sharp-2 36 |
| after its break | sharp | 60 | sharp-1 25, sharp-2 25 |
| at the top | sharp | 96 | sharp-1 61, sharp-2 61 |
| by key, at the bottom | mixture-3 | 36 | mixture 1 |
| by key, at the top | mixture-3 | 96 | mixture 61 |
| by key, below its part | mixture-short | 59 | – |
| by key, its part | mixture-short | 60 71 | mixture 25 36 |
| by key, above its part | mixture-short | 72 | – |
| two draws on a rank | cornet | 48 | diapason 13 25 |
| they meet | cornet | 48 60 | diapason 13 25 37 |
| two stops meet | dulciana-8 cornet tenor-8 | 48 | diapason 13 25, dulciana 1 |
"""
"""What is drawn, the keys held, and the pipes of each rank."""


@pytest.mark.parametrize(
    ("drawn", "down", "sounds"), [row[1:] for row in rows(DRAWS)], ids=[r[0] for r in rows(DRAWS)]
)
def test_draws(drawn: str, down: str, sounds: str) -> None:
    player = hands(TWO_RANKS).draw(drawn).press("great", *map(int, down.split()))
    pipes = {rank.id: player.pipes(rank.id) for rank in player.console.ranks}
    assert {rank: numbers for rank, numbers in pipes.items() if numbers} == said(sounds)


UNIT = """
rank = [{ id = "flute", name = "Flute", pitch = "16", pipes = 97 }]
stop = [
    { id = "gt-8", label = "Flute", division = "great", rank = "flute", pitch = "8" },
    { id = "gt-4", label = "Flute", division = "great", rank = "flute", pitch = "4" },
    { id = "so-8", label = "Flute", division = "solo", rank = "flute", pitch = "8" },
    { id = "pd-16", label = "Flute", division = "pedal", rank = "flute", pitch = "16" },
]
"""


def test_a_pipe_sounds_while_anything_asks_for_it() -> None:
    """Four ways to the pipe of middle C; it speaks at the first and ceases with the last."""
    player = hands(UNIT).draw("gt-8 gt-4 so-8 pd-16").press("great", 60)
    assert player.pipes("flute") == {37, 49}
    assert player.press("solo", 60).effects == []
    assert player.press("great", 48).pipes("flute") == {25, 37, 49}
    assert player.lift("great", 60).pipes("flute") == {25, 37}
    assert player.lift("solo", 60).effects == []
    assert player.push_in("gt-8").pipes("flute") == {37}
    assert player.draw("gt-8").press("pedal", 60).push_in("gt-4").pipes("flute") == {25}
    assert player.lift("great", 48).lift("pedal", 60).pipes("flute") == set()


def test_only_what_differs_speaks_and_ceases() -> None:
    player = hands(UNIT).draw("gt-8").press("great", 60, 72)
    player.draw("gt-4")
    (on,) = player.effects
    assert isinstance(on, OutputsOn)
    assert on.pipes == (("flute", {61}),)
    player.push_in("gt-8")
    (off,) = player.effects
    assert isinstance(off, OutputsOff)
    assert off.pipes == (("flute", {37}),)
    assert player.pipes("flute") == {49, 61}


# ---------------------------------------------------------------- II.2, traps and percussions

DRUMS = (
    COUPLED
    + """
[[trap]]
id = "drum"
label = "Bass Drum"
division = "great"
out = { port = "traps", channel = 10, note = 36 }

[[trap]]
id = "block"
label = "Wood Block"
division = "great"
out = { port = "traps", channel = 10, note = 76, longest-on = 0.03125 }

[[trap]]
id = "cymbal"
label = "Cymbal"
division = "great"
"""
)
STRIKE = ["traps 10: on 36 64"]
OVER = ["traps 10: off 36 64"]
AGAIN = OVER + STRIKE


def drumming(drawn: str = "drum") -> Hands:
    return Hands(read_console(DRUMS)).draw(drawn)


def test_a_trap_strikes_once_for_each_new_line_whichever_it_is() -> None:
    player = drumming()
    assert player.effects == []
    for key in (60, 36, 96):
        assert player.press("great", key).sent == STRIKE
        assert player.wait(0.1 - MOMENT).sent == []
        assert player.wait(MOMENT).sent == OVER
    assert player.lift("great", 60, 36, 96).sent == []
    assert player.press("great", 60).sent == STRIKE


def test_a_stroke_is_a_tenth_of_a_second_or_the_files() -> None:
    player = drumming("drum block cymbal").press("great", 60)
    assert player.switched == {"drum", "block", "cymbal"}
    assert player.wait(0.03125).sent == ["traps 10: off 76 64"]
    assert player.lift("great", 60).switched == {"drum", "cymbal"}
    assert player.wait(0.1 - 0.03125).switched == set()


def test_a_new_line_strikes_again_and_makes_the_stroke_no_longer() -> None:
    player = drumming().press("great", 60).wait(0.0625)
    assert player.press("great", 64).sent == AGAIN
    assert player.wait(0.1 - 0.0625).sent == OVER
    assert player.wait(1).sent == []


def test_a_line_that_is_on_already_strikes_nothing() -> None:
    player = drumming("drum gt-so").press("great", 60).wait(1)
    assert player.press("solo", 60).sent == []
    assert player.lift("great", 60).press("great", 60).sent == []
    assert player.press("solo", 62).sent == STRIKE


def test_drawing_a_trap_strikes_nothing() -> None:
    player = drumming("").press("great", 60)
    assert player.draw("drum").sent == []
    assert player.press("great", 62).sent == STRIKE
    assert player.wait(1).push_in("drum").press("great", 64).sent == []


def test_a_coupler_that_brings_lines_strikes_once() -> None:
    """A drum cannot be struck twice in one instant."""
    player = drumming().press("solo", 60, 64, 67)
    assert player.sent == []
    assert player.draw("gt-so").sent == STRIKE
    assert player.wait(1).push_in("gt-so").sent == []


def test_no_line_no_stroke() -> None:
    player = drumming("drum gt-off").press("great", 60)
    assert player.sent == []
    assert player.press("solo", 60).press("pedal", 40).sent == []
    assert player.push_in("gt-off").sent == STRIKE


def test_a_stroke_that_has_begun_is_finished() -> None:
    player = drumming().press("great", 60).wait(0.05)
    assert player.push_in("drum").lift("great", 60).sent == []
    assert player.wait(0.05).sent == OVER


def test_traps_are_not_transposed() -> None:
    """Keys that the transposer moves are no new lines, and out of their compass they strike."""
    player = drumming("drum great-8").press("great", 60).wait(1)
    assert player.do(TransposerMoved(6)).sent == ["pipes 1: off 60 64", "pipes 1: on 66 64"]
    assert player.press("great", 96).sent == STRIKE
    assert player.wait(1).press("great", 66).sent == ["pipes 1: on 72 64", *STRIKE]
    assert player.wait(1).do(TransposerMoved(0)).switched == set()
    assert player.press("great", 61).sent == ["pipes 1: on 61 64", *STRIKE]


STRUCK = """
rank = [
    { id = "harp", name = "Harp", pipes = 73, stroke = "once", longest-on = 0.0625 },
    { id = "bells", name = "Bells", pipes = 73, stroke = "once" },
    { id = "marimba", name = "Marimba", pipes = 73, stroke = "reiterate", rate = 8 },
    { id = "xylophone", name = "Xylophone", stroke = "reiterate", rate = 8, longest-on = 0.015625 },
    { id = "horn", name = "Horn", pipes = 73, longest-on = 0.5 },
]
percussion = [
    { id = "harp-8", label = "Harp", division = "great", rank = "harp" },
    { id = "harp-4", label = "Harp", division = "great", rank = "harp", pitch = "4" },
    { id = "bells-8", label = "Bells", division = "great", rank = "bells" },
    { id = "marimba-8", label = "Marimba", division = "great", rank = "marimba" },
    { id = "marimba-4", label = "Marimba", division = "great", rank = "marimba", pitch = "4" },
    { id = "xylophone-8", label = "Xylophone", division = "great", rank = "xylophone" },
]
stop = [{ id = "horn-8", label = "Horn", division = "great", rank = "horn" }]
"""


def on_and_off(player: Hands, rank: str, until: float) -> list[tuple[float, str]]:
    """Let time pass, and tell when pipes of a rank went on and off: ``on 25``."""
    told: list[tuple[float, str]] = []
    while (due := player.relay.next_due) is not None and due <= until:
        before = player.pipes(rank)
        after = player.wait(due - player.now).pipes(rank)
        told += [(due, f"off {pipe}") for pipe in sorted(before - after)]
        told += [(due, f"on {pipe}") for pipe in sorted(after - before)]
    player.wait(until - player.now)
    return told


def test_a_percussion_strikes_once_a_key() -> None:
    player = hands(STRUCK).draw("harp-8").press("great", 60)
    assert player.pipes("harp") == {25}
    assert on_and_off(player, "harp", 1.0) == [(0.0625, "off 25")]
    assert player.press("great", 64).pipes("harp") == {29}
    assert player.lift("great", 64).pipes("harp") == set()
    assert player.lift("great", 60).press("great", 60).pipes("harp") == {25}


def test_a_bar_that_is_asked_for_already_is_not_struck_again() -> None:
    player = hands(STRUCK).draw("harp-8 harp-4").press("great", 60)
    assert player.pipes("harp") == {25, 37}
    assert player.wait(1).press("great", 72).pipes("harp") == {49}
    assert player.wait(1).lift("great", 60).press("great", 60).pipes("harp") == {25}


def test_a_stroke_without_a_longest_time_lasts_as_long_as_the_key() -> None:
    player = hands(STRUCK).draw("bells-8").press("great", 60)
    assert player.relay.next_due is None
    assert player.wait(60).pipes("bells") == {25}
    assert player.lift("great", 60).pipes("bells") == set()


def test_a_percussion_reiterates_at_its_rate() -> None:
    """Eight strokes a second, on for half of each."""
    player = hands(STRUCK).draw("marimba-8").press("great", 60)
    assert player.pipes("marimba") == {25}
    assert on_and_off(player, "marimba", 0.3) == [
        (0.0625, "off 25"),
        (0.125, "on 25"),
        (0.1875, "off 25"),
        (0.25, "on 25"),
    ]
    assert player.lift("great", 60).pipes("marimba") == set()
    assert player.relay.next_due is None


def test_its_strokes_are_no_longer_than_the_longest() -> None:
    player = hands(STRUCK).draw("xylophone-8").press("great", 60)
    assert on_and_off(player, "xylophone", 0.2) == [
        (0.015625, "off 25"),
        (0.125, "on 25"),
        (0.140625, "off 25"),
    ]


def test_keys_reiterate_each_by_itself() -> None:
    """A second key begins its own strokes, and a bar asked for twice keeps the first's."""
    player = hands(STRUCK).draw("marimba-8 marimba-4").press("great", 60).wait(0.03125)
    assert player.press("great", 72).pipes("marimba") == {25, 37, 49}
    assert on_and_off(player, "marimba", 0.125) == [
        (0.0625, "off 25"),
        (0.0625, "off 37"),
        (0.09375, "off 49"),
        (0.125, "on 25"),
        (0.125, "on 37"),
    ]
    player.lift("great", 60)
    assert player.pipes("marimba") == {37}
    assert on_and_off(player, "marimba", 0.1875) == [(0.15625, "on 49"), (0.1875, "off 37")]


def test_a_late_tick_tells_every_stroke_in_order() -> None:
    player = hands(STRUCK).draw("marimba-8").press("great", 60).wait(0.26)
    assert [type(effect) for effect in player.effects] == [
        OutputsOff,
        OutputsOn,
        OutputsOff,
        OutputsOn,
    ]


@pytest.mark.parametrize(
    "happens",
    [
        lambda player: player.draw("bells-8"),
        lambda player: player.press("great", 64),
        lambda player: player.do(TransposerMoved(1)),
    ],
    ids=["a stop", "a key", "the transposer"],
)
def test_whatever_happens_next_tells_first_what_fell_due(
    happens: Callable[[Hands], Hands],
) -> None:
    player = hands(STRUCK).draw("marimba-8").press("great", 60)
    player.now = 0.25
    told = [
        (type(effect), _told(effect))
        for effect in happens(player).effects
        if isinstance(effect, OutputsOff | OutputsOn)
    ]
    off, on = ((kind, {("pipes", "marimba", 25)}) for kind in (OutputsOff, OutputsOn))
    assert told[:4] == [off, on, off, on]
    assert len(told) > 4


def test_a_percussion_drawn_with_keys_down_begins_then() -> None:
    player = hands(STRUCK).press("great", 60).wait(1).draw("harp-8")
    assert player.pipes("harp") == {25}
    assert on_and_off(player, "harp", 2.0) == [(1.0625, "off 25")]


# ---------------------------------------------------------------- II.3, out


def test_a_longest_time_ends_whatever_the_player_does() -> None:
    player = hands(STRUCK).draw("horn-8").press("great", 60).wait(0.25).press("great", 64)
    assert player.wait(0.25 - MOMENT).pipes("horn") == {25, 29}
    assert player.wait(MOMENT).pipes("horn") == {29}
    assert player.relay.pipes("horn") == {25, 29}
    assert player.wait(0.25).pipes("horn") == set()
    assert player.lift("great", 60).effects == []
    assert player.press("great", 60).pipes("horn") == {25}


NOTES = """
| pitch = "32" | 12 |
| pitch = "16" | 24 |
| pitch = "8" | 36 |
| pitch = "4" | 48 |
| pitch = "2" | 60 |
| pitch = "2 2/3" | 55 |
| pitch = "1 3/5" | 64 |
| pitch = "8", first-key = 48 | 48 |
| pitch = "4", first-key = 48 | 60 |
"""
"""A rank, and the note that its first pipe goes out as."""


@pytest.mark.parametrize(("rank", "note"), rows(NOTES), ids=[row[0] for row in rows(NOTES)])
def test_a_pipe_goes_out_as_the_note_of_its_own_pitch(rank: str, note: str) -> None:
    output = 'pipes = 49, out = { port = "pipes", channel = 1 }'
    player = one_rank(f"{rank}, {output}", 'rank = "flute"')
    player.press("great", player.console.ranks[0].first_key)
    assert player.heard(1) == {int(note)}


def sent_by(out: str, *keys: int, rank: str = 'pitch = "16"') -> list[str]:
    """What a rank with these outputs sends for keys pressed at once."""
    player = one_rank(f"{rank}, pipes = 61, out = {out}", 'rank = "flute"')
    sent = [message for key in keys for message in player.press("great", key).sent]
    player.lift("great", *keys)
    assert not player.notes
    return sent


def test_a_bass_on_another_channel() -> None:
    out = """[
    { port = "pipes", channel = 8, to = 12 },
    { port = "pipes", channel = 1, from = 13 },
]"""
    assert sent_by(out, 36, 47, 48, 96) == [
        "pipes 8: on 24 64",
        "pipes 8: on 35 64",
        "pipes 1: on 36 64",
        "pipes 1: on 84 64",
    ]


def test_a_rank_over_two_drivers() -> None:
    out = """[
    { port = "west", channel = 3, first-note = 0, to = 32 },
    { port = "east", channel = 3, first-note = 0, from = 33 },
]"""
    assert sent_by(out, 36, 67, 68) == ["west 3: on 0 64", "west 3: on 31 64", "east 3: on 0 64"]


def test_two_outputs_of_one_pipe() -> None:
    out = """[
    { port = "pipes", channel = 1 },
    { port = "more", channel = 5, first-note = 0, to = 12 },
]"""
    assert sent_by(out, 36, 48) == ["more 5: on 0 64", "pipes 1: on 24 64", "pipes 1: on 36 64"]


def test_a_pipe_without_an_output_sends_nothing() -> None:
    assert sent_by('{ port = "pipes", channel = 1, from = 13 }', 47, 48) == ["pipes 1: on 36 64"]


def test_the_velocity_is_the_ranks_or_64() -> None:
    out = '{ port = "pipes", channel = 1 }'
    assert sent_by(out, 60) == ["pipes 1: on 48 64"]
    player = one_rank(f"velocity = 100, out = {out}", 'rank = "flute"').press("great", 60)
    assert player.sent == ["pipes 1: on 60 100"]
    assert player.lift("great", 60).sent == ["pipes 1: off 60 64"]


def test_offs_go_out_before_ons_and_only_changes() -> None:
    """One move of the transposer, over two ranks and a coupler."""
    player = Hands(read_console(COUPLED)).draw("great-8 solo-8 so-gt gt-4").press("great", 60, 71)
    assert player.heard(1) == {60, 71, 72, 83}
    assert player.do(TransposerMoved(1)).sent == [
        "pipes 1: off 60 64",
        "pipes 1: off 71 64",
        "pipes 1: off 83 64",
        "pipes 4: off 60 64",
        "pipes 4: off 71 64",
        "pipes 1: on 61 64",
        "pipes 1: on 73 64",
        "pipes 1: on 84 64",
        "pipes 4: on 61 64",
        "pipes 4: on 72 64",
    ]


def test_more_than_16_ranks_over_two_ports() -> None:
    """Twenty ranks on five channels of one port and fifteen of another, each a semitone apart
    by its first note: one key speaks on all of them, and each is heard by itself."""
    where = [("low", n) for n in range(1, 6)] + [("high", n) for n in range(1, 16)]
    ranks = "".join(
        f"""
[[rank]]
id = "r{number}"
name = "Rank"
out = {{ port = "{port}", channel = {channel}, first-note = {number} }}

[[stop]]
id = "s{number}"
label = "Stop"
division = "great"
rank = "r{number}"
"""
        for number, (port, channel) in enumerate(where)
    )
    player = hands(ranks).draw(" ".join(f"s{number}" for number in range(20)))
    player.press("great", 36)
    expected = {(port, channel, number) for number, (port, channel) in enumerate(where)}
    assert player.notes == expected
    assert len(player.sent) == 20
    player.push_in("s7")
    assert player.sent == ["high 3: off 7 64"]
    assert player.notes == expected - {("high", 3, 7)}


OLD_ORGAN = """
coupler = [
    { id = "gt-4", label = "Octave", keys = "great", plays = "great", shift = 12 },
    { id = "so-4", label = "Octave", keys = "solo", plays = "solo", shift = 12 },
    { id = "so-off", label = "Unison Off", division = "solo", unison-off = true },
    { id = "so-gt", label = "Solo to Great", keys = "great", plays = "solo" },
    { id = "ec-so", label = "Echo to Solo", keys = "solo", plays = "echo" },
]

[[division]]
id = "great"
name = "Great"
keyboard = "great"
out = { port = "old", channel = 1 }

[[division]]
id = "solo"
name = "Solo"
keyboard = "solo"
out = { port = "old", channel = 2, bare = true }

[[division]]
id = "pedal"
name = "Pedal"
keyboard = "pedal"
out = { port = "old", channel = 3, first-note = 0, longest-on = 0.5 }

[[division]]
id = "echo"
name = "Echo"
out = { port = "old", channel = 4, bare = true }
"""


def at_the_old_organ(drawn: str) -> Hands:
    return Hands(read_console(HEAD + KEYBOARDS + OLD_ORGAN)).draw(drawn)


def test_the_lines_of_a_division_go_out_with_its_couplers() -> None:
    """No stop is drawn: the stops are the old organ's."""
    player = at_the_old_organ("gt-4")
    assert player.press("great", 60).sent == ["old 1: on 60 64", "old 1: on 72 64"]
    assert player.press("great", 72).sent == ["old 1: on 84 64"]
    assert player.do(TransposerMoved(-1)).lines("great") == {59, 71, 83}
    assert player.push_in("gt-4").lines("great") == {59, 71}
    assert player.lift("great", 60, 72).lines("great") == set()


def test_or_the_bare_keys() -> None:
    """Of its own keyboard; a floating division has none."""
    player = at_the_old_organ("so-4 so-gt ec-so").press("great", 48)
    assert player.lines("solo") == set()
    assert player.press("solo", 60).sent == ["old 2: on 60 64"]
    assert player.draw("so-off").sent == []
    assert player.do(TransposerMoved(2)).lines("solo") == {62}
    assert player.lines("echo") == set()


def test_lines_have_a_first_note_and_a_longest_time() -> None:
    player = at_the_old_organ("").press("pedal", 36, 67)
    assert player.sent == ["old 3: on 0 64", "old 3: on 31 64"]
    assert player.wait(0.5 - MOMENT).sent == []
    assert player.wait(MOMENT).sent == ["old 3: off 0 64", "old 3: off 31 64"]
    assert player.lift("pedal", 36).sent == []
    assert player.press("pedal", 36).sent == ["old 3: on 0 64"]


STATES = """
[[stop]]
id = "tuba"
label = "Tuba"
division = "great"
out = { port = "old", channel = 9, note = 20 }

[[coupler]]
id = "so-gt"
label = "Solo to Great"
keys = "great"
plays = "solo"
out = { port = "old", channel = 9, program-on = 3, program-off = 4 }

[[tremulant]]
id = "trem"
label = "Tremulant"
out = { port = "old", channel = 9, controller = 92 }

[[effect]]
id = "bird"
label = "Bird"
out = { port = "old", channel = 9, note = 21, longest-on = 0.25 }

[[effect]]
id = "siren"
label = "Siren"
"""

SAID = """
| tuba | old 9: on 20 64 | old 9: off 20 64 |
| so-gt | old 9: program 3 | old 9: program 4 |
| trem | old 9: controller 92 127 | old 9: controller 92 0 |
| bird | old 9: on 21 64 | old 9: off 21 64 |
"""
"""A control, and what is sent when it goes on, and when it goes off."""


@pytest.mark.parametrize(("control", "on", "off"), rows(SAID), ids=[row[0] for row in rows(SAID)])
def test_the_state_of_a_control(control: str, on: str, off: str) -> None:
    player = hands(STATES)
    assert player.draw(control).sent == [on]
    assert player.switched == {control}
    assert player.press("great", 60).draw("siren").sent == []
    assert player.push_in(control).sent == [off]
    assert player.switched == set()


def test_a_state_has_a_longest_time() -> None:
    player = hands(STATES).draw("bird tuba")
    assert player.wait(0.25 - MOMENT).sent == []
    assert player.wait(MOMENT).sent == ["old 9: off 21 64"]
    assert player.push_in("bird").sent == []
    assert player.draw("bird").sent == ["old 9: on 21 64"]


def test_what_was_told_stays_as_it_was_told() -> None:
    """An effect is a value: whoever looks into it later finds in it what was there at first."""
    player = hands(STRUCK).draw("horn-8 bells-8 harp-8 marimba-8")
    prompt, kept = [], []
    for key, down in ((60, True), (64, True), (60, False), (67, True), (64, False), (67, False)):
        effects = player.relay.receive(KeyMoved("great", key, down), player.now)
        prompt.append(str(effects))
        kept.append(effects)
    assert [str(effects) for effects in kept] == prompt


# ---------------------------------------------------------------- II.4, expression

SHUTTERS = """
shoe = [
    { id = "left", name = "Left", chambers = ["main", "shared"] },
    { id = "right", name = "Right", chambers = ["echo", "engine", "shared"], heel = 100, toe = 20 },
    { id = "third", name = "Third", chambers = [], all-control = "all" },
]
board = [{ id = "engines", pins = 8, out = { port = "shades", channel = 1, first-note = 0 } }]
effect = [{ id = "all", label = "All Swells to Third" }]

[[chamber]]
id = "main"
name = "Main"
out = { port = "pipes", channel = 1, controller = 11 }

[[chamber]]
id = "echo"
name = "Echo"
out = { port = "pipes", channel = 2, controller = 7 }
curve = [10, 30, 110]

[[chamber]]
id = "engine"
name = "Solo"
stages = 4
shades = "engines.3"

[[chamber]]
id = "shared"
name = "Pedal"
out = { port = "pipes", channel = 4, controller = 11 }
"""

SHADES = """
| left | 0 | main | 0 |
| left | 64 | main | 64 |
| left | 127 | main | 127 |
| right | 127 | echo | 10 |
| right | 100 | echo | 10 |
| right | 99 | echo | 11 |
| right | 80 | echo | 20 |
| right | 60 | echo | 30 |
| right | 59 | echo | 32 |
| right | 40 | echo | 70 |
| right | 20 | echo | 110 |
| right | 0 | echo | 110 |
"""
"""A shoe and its reading, a chamber and its value.

Right reads 100 at the heel and 20 at the toe; Echo's curve is 10, 30, 110: at a quarter of the
way halfway between the first two, at the half the second. At 99 it is 10.5, which is rounded up.
"""


@pytest.mark.parametrize(("shoe", "reading", "chamber", "value"), rows(SHADES))
def test_a_shoe_moves_shades_along_a_curve(
    shoe: str, reading: str, chamber: str, value: str
) -> None:
    player = hands(SHUTTERS).do(ShoeMoved(shoe, int(reading)))
    assert player.relay.shades(chamber) == int(value)
    assert ShadesMoved(chamber, int(value), None) in player.effects


def test_shades_go_out_as_their_controllers_and_only_when_they_move() -> None:
    player = hands(SHUTTERS).do(ShoeMoved("left", 64))
    assert player.sent == ["pipes 1: controller 11 64", "pipes 4: controller 11 64"]
    assert player.do(ShoeMoved("left", 64)).effects == []
    player.do(ShoeMoved("right", 100))
    assert "pipes 2: controller 7 10" in player.sent
    assert player.do(ShoeMoved("right", 110)).effects == []


def test_a_shade_engine_goes_by_stages() -> None:
    """Four stages: stage k begins at 128·k/5 and ends 2 below, as the crescendo's do (I.7)."""
    player = hands(SHUTTERS.replace("heel = 100, toe = 20", "heel = 0, toe = 127"))
    up = {0: 0, 25: 0, 26: 1, 51: 1, 52: 2, 76: 2, 77: 3, 102: 3, 103: 4, 127: 4}
    down = {101: 4, 100: 3, 75: 3, 74: 2, 50: 2, 49: 1, 24: 1, 23: 0, 25: 0, 0: 0}
    for reading, stage in [*up.items(), *down.items()]:
        assert player.do(ShoeMoved("right", reading)).relay.shades("engine") == stage


def test_a_shade_engine_closes_up_to_its_stage() -> None:
    """On the third stage the first three pins are on; pin 3 of the board is the first."""
    player = hands(SHUTTERS)

    def engine(reading: int) -> list[str]:
        sent = player.do(ShoeMoved("right", reading)).sent
        return [message for message in sent if message.startswith("shades")]

    assert engine(100) == [f"shades 1: off {pin} 0" for pin in (2, 3, 4, 5)]
    assert engine(50) == [f"shades 1: on {pin} 127" for pin in (2, 3, 4)]
    assert engine(20) == ["shades 1: on 5 127"]
    assert engine(80) == [f"shades 1: off {pin} 0" for pin in (3, 4, 5)]


def test_a_chamber_of_two_shoes_goes_with_the_one_moved_last() -> None:
    player = hands(SHUTTERS).do(ShoeMoved("left", 100)).do(ShoeMoved("right", 100))
    assert player.relay.shades("shared") == 0
    assert player.relay.shades("main") == 100
    assert player.do(ShoeMoved("left", 50)).relay.shades("shared") == 50


def test_a_control_assigns_all_chambers_to_one_shoe() -> None:
    player = hands(SHUTTERS).do(ShoeMoved("left", 100)).do(ShoeMoved("third", 20))
    assert player.relay.shades("main") == 100
    player.draw("all")
    chambers = ("main", "echo", "shared")
    assert [player.relay.shades(chamber) for chamber in chambers] == [20, 16, 20]
    assert player.do(ShoeMoved("left", 127)).effects == []
    assert player.do(ShoeMoved("third", 127)).relay.shades("engine") == 4
    assert player.push_in("all").relay.shades("main") == 127
    assert player.do(ShoeMoved("third", 0)).effects == []
    assert player.relay.shades("echo") == 110, "its own shoe has not been heard yet"


def test_a_shoe_that_has_not_been_heard_takes_nothing() -> None:
    player = hands(SHUTTERS).do(ShoeMoved("left", 100))
    assert player.draw("all").effects == []
    assert player.relay.shades("echo") is None


@pytest.mark.parametrize("reading", [-1, 128])
def test_a_reading_beyond_midi(reading: int) -> None:
    player = hands(SHUTTERS)
    with pytest.raises(ValueError, match="0 to 127"):
        player.do(ShoeMoved("left", reading))
    with pytest.raises(KeyError):
        player.do(ShoeMoved("swell", 3))
