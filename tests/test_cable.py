"""How long pistons take on a five-pin cable: bytes counted by hand, and by other means.

Figures of the cable are those of the MIDI 1.0 Detailed Specification (sources.md S10).
"""

import json
import random
from collections.abc import Iterable, Iterator
from functools import cache, reduce
from importlib.resources import files
from operator import xor
from pathlib import Path
from typing import Any

import mido
import pytest
from attrs import evolve
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st
from mido.messages import Message

from banks import BankFile, write_bank_file
from cli.main import main
from combination.cable import (
    BYTE,
    ROOM,
    Pushes,
    Share,
    Source,
    Weighed,
    by_port,
    hands_and_feet,
    seconds,
    shares,
    stream,
    trains,
)
from combination.effects import TabsDriven
from combination.events import KeyMoved, PistonPressed, ShoeMoved, TabMoved
from combination.memory import Bank, Combination, Slot, fresh_bank, seat
from combination.midi import Wiring
from combination.model import Action, Console, Drive, Keyboard, Kind, LinesOut
from combination.organ import Organ
from combination.outputs import Sent
from combination.reading import read_console
from tests.consoles import bank_of, worked_console

# ---------------------------------------------------------------- messages on a cable


def on(note: int, channel: int = 0) -> Message:
    return Message("note_on", channel=channel, note=note, velocity=64)


def off(note: int, channel: int = 0, velocity: int = 64) -> Message:
    return Message("note_off", channel=channel, note=note, velocity=velocity)


def control(number: int, value: int, channel: int = 0) -> Message:
    return Message("control_change", channel=channel, control=number, value=value)


def test_a_byte_takes_320_microseconds() -> None:
    """S10: 31,250 baud; one start, eight data and one stop bit."""
    assert pytest.approx(320e-6) == BYTE
    assert pytest.approx(1 + 8 + 1) == 31_250 * BYTE


def test_a_message_of_three_bytes_takes_960_microseconds() -> None:
    assert stream([on(60)]) == bytes([0x90, 60, 64])
    assert seconds(stream([on(60)])) == pytest.approx(960e-6)


def test_running_status_saves_a_third_of_a_long_chord() -> None:
    notes = [on(note) for note in range(100)]
    assert len(stream(notes)) == 1 + 2 * 100
    assert len(stream(notes)) / sum(len(note.bytes()) for note in notes) == pytest.approx(
        2 / 3, 0.01
    )


CLOCK = Message("clock")
SONG = Message("song_select", song=5)
EXCLUSIVE = Message("sysex", data=(0x7D, 1))

STREAMS = {
    "nothing": ([], ""),
    "running status": ([on(60), on(64), on(67)], "90 3C 40 40 40 43 40"),
    "another channel has a status of its own": ([on(60), on(60, 1)], "90 3C 40 91 3C 40"),
    "and so has another message": ([on(60), control(7, 1)], "90 3C 40 B0 07 01"),
    "controllers run too": ([control(7, 1), control(39, 2)], "B0 07 01 27 02"),
    "and program changes": (
        [Message("program_change", program=n) for n in (3, 4)],
        "C0 03 04",
    ),
    "a note off is a note on of velocity 0": ([off(60), on(62)], "90 3C 00 3E 40"),
    "of a board too": ([off(60, velocity=0), on(62)], "90 3C 00 3E 40"),
    "but not one whose velocity was sensed": ([off(60, velocity=90), on(62)], "80 3C 5A 90 3E 40"),
    "a system common message ends it": ([on(60), SONG, on(62)], "90 3C 40 F3 05 90 3E 40"),
    "a system exclusive message ends it": (
        [on(60), EXCLUSIVE, EXCLUSIVE, on(62)],
        "90 3C 40 F0 7D 01 F7 F0 7D 01 F7 90 3E 40",
    ),
    "a real-time message does not": ([on(60), CLOCK, on(62)], "90 3C 40 F8 3E 40"),
    "nor two": ([CLOCK, CLOCK, on(62), CLOCK, on(64)], "F8 F8 90 3E 40 F8 40 40"),
    "pitch bends, in two bytes": (
        [Message("pitchwheel", pitch=p) for p in (0, 1)],
        "E0 00 40 01 40",
    ),
}


@pytest.mark.parametrize(("messages", "data"), STREAMS.values(), ids=STREAMS)
def test_bytes(messages: list[Message], data: str) -> None:
    assert stream(messages) == bytes.fromhex(data)


def read(data: Iterable[int]) -> Iterator[tuple[int, ...]]:
    """What a receiver hears, by the words of S10: each message as its status and its data.

    Note on with velocity 0 is note off, of the velocity 64 that stands for one not sensed.
    Running status holds for channel messages, and ends with any system common or exclusive
    message. Real-time bytes may stand between any two bytes of any message and change nothing.
    A message that another status cuts short is not one.
    """
    status, waiting = 0, list[int]()
    for byte in data:
        if byte >= 0xF8:
            yield (byte,)
        elif byte == 0xF7 and status == 0xF0:
            yield (status, *waiting)
            status, waiting = 0, []
        elif byte >= 0x80:
            status, waiting = byte, []
        elif status:
            waiting.append(byte)
        wanted = LENGTHS.get(status if status >= 0xF0 else status & 0xF0)
        if status and byte < 0xF8 and len(waiting) == wanted:
            note_off = status & 0xF0 == 0x90 and waiting[1] == 0
            yield (status - 0x10, waiting[0], 64) if note_off else (status, *waiting)
            status, waiting = status if status < 0xF0 else 0, []


LENGTHS = {0x80: 2, 0x90: 2, 0xA0: 2, 0xB0: 2, 0xC0: 1, 0xD0: 1, 0xE0: 2} | {
    0xF1: 1,
    0xF2: 2,
    0xF3: 1,
    0xF6: 0,
}
"""MIDI 1.0, data bytes of each kind of message."""


def said(message: Message) -> tuple[int, ...]:
    """A message as its status and data, an off whose velocity was not sensed as one of 64."""
    status, *data = message.bytes()
    if status == 0xF0:
        data.pop()
    if status & 0xF0 == 0x90 and data[1] == 0:
        status, data = status - 0x10, [data[0], 64]
    if status & 0xF0 == 0x80 and data[1] == 0:
        data[1] = 64
    return (status, *data)


SEVEN = st.integers(0, 127)
NEAR = st.integers(0, 2)
"""Few channels, so that statuses repeat."""
MESSAGES = st.one_of(
    st.builds(Message, st.sampled_from(["note_on", "note_off"]), channel=NEAR, note=SEVEN),
    st.builds(
        Message,
        st.sampled_from(["note_on", "note_off", "note_on", "note_off", "polytouch"]),
        channel=NEAR,
        note=SEVEN,
    ).map(lambda message: message.copy(**({"velocity": 0} if "note" in message.type else {}))),
    st.builds(Message, st.just("note_off"), channel=NEAR, note=SEVEN, velocity=SEVEN),
    st.builds(Message, st.just("control_change"), channel=NEAR, control=SEVEN, value=SEVEN),
    st.builds(Message, st.just("program_change"), channel=NEAR, program=SEVEN),
    st.builds(Message, st.just("pitchwheel"), channel=NEAR, pitch=st.integers(-8192, 8191)),
    st.sampled_from([CLOCK, Message("start"), SONG, Message("tune_request"), EXCLUSIVE]),
)
BATCHES = st.lists(MESSAGES, max_size=12)


@given(BATCHES)
def test_a_receiver_hears_the_same_messages(batch: list[Message]) -> None:
    assert list(read(stream(batch))) == [said(message) for message in batch]


def with_statuses(data: bytes) -> bytes:
    """A stream with every status written out: mido reads no running status (S17)."""
    return bytes(byte for message in read(data) for byte in ended(message))


def ended(message: tuple[int, ...]) -> tuple[int, ...]:
    return (*message, 0xF7) if message[0] == 0xF0 else message


@given(BATCHES)
def test_mido_hears_the_same_messages(batch: list[Message]) -> None:
    heard = mido.parse_all(with_statuses(stream(batch)))
    assert [said(message) for message in heard] == [said(message) for message in batch]


@given(BATCHES, st.lists(MESSAGES, min_size=1, max_size=5), st.data())
def test_a_lost_byte_harms_one_batch_only(
    batch: list[Message], after: list[Message], data: st.DataObject
) -> None:
    sent = stream([on(60), *batch])
    lost = data.draw(st.integers(0, len(sent) - 1))
    heard = list(read(sent[:lost] + sent[lost + 1 :] + stream(after)))
    assert heard[-len(after) :] == [said(message) for message in after]


def test_ports_are_kept_apart_and_in_order() -> None:
    sent = [("west", off(1)), ("east", on(2)), ("west", on(3))]
    assert by_port(sent) == {"west": [off(1), on(3)], "east": [on(2)]}


# 3 bytes take 0.96 ms: what is due 0.9 ms later waits, what is due 1 ms later does not. After
# waiting the cable is free at 1.92 ms, so that a third batch at 1.9 ms waits too.
DUE = {
    "in turn": ([0.0, 0.001, 0.002], [3, 3, 3]),
    "one waits": ([0.0, 0.0009, 0.002], [6, 3]),
    "one waits for one that waited": ([0.0, 0.0009, 0.0019], [9]),
    "one comes as the cable is free": ([0.0, 3 * BYTE], [6]),
    "at once": ([1.0, 1.0], [6]),
    "none": ([], []),
}


@pytest.mark.parametrize(("times", "sizes"), DUE.values(), ids=DUE)
def test_what_is_due_before_the_cable_is_free_waits(times: list[float], sizes: list[int]) -> None:
    carried = trains([(at, [on(60)]) for at in times])
    assert [train.size for train in carried] == sizes


# ---------------------------------------------------------------- a small chapel, by hand

CHAPEL = """\
format = 1
name = "Tidewater Chapel"
action = "blind"
levels = 4

[[keyboard]]
id = "great"
name = "Great"

[[keyboard]]
id = "pedal"
name = "Pedal"
keys = 30

[[division]]
id = "great"
name = "Great"
keyboard = "great"

[[division]]
id = "pedal"
name = "Pedal"
keyboard = "pedal"
out = { port = "pedal", channel = 2 }

[[rank]]
id = "flute"
name = "Flute"
pipes = 73
out = [{ port = "chest", channel = 1 }]

[[rank]]
id = "reed"
name = "Trumpet"
out = [{ port = "chest", channel = 2, first-note = 36 }]

[[stop]]
id = "flute-8"
label = ["Flute", "8'"]
division = "great"
rank = "flute"
pitch = "8"
lamp = "lamps.5"

[[stop]]
id = "flute-4"
label = ["Flute", "4'"]
division = "great"
rank = "flute"
pitch = "4"

[[stop]]
id = "trumpet-8"
label = ["Trumpet", "8'"]
division = "great"
rank = "reed"
pitch = "8"

[[coupler]]
id = "gt-pd"
label = ["Great", "to Pedal"]
keys = "great"
plays = "pedal"

[[tremulant]]
id = "trem"
label = ["Tremulant"]
division = "great"
captured = false
out = { port = "chest", channel = 1, program-on = 1, program-off = 2 }

[[board]]
id = "lamps"
pins = 8
out = { port = "desk", channel = 1, first-note = 0 }

[[piston]]
id = "g1"
label = "1"
kind = "general"
lamp = "lamps.1"

[[piston]]
id = "g2"
label = "2"
kind = "general"
lamp = "lamps.2"

[[piston]]
id = "g3"
label = "3"
kind = "general"

[[piston]]
id = "g4"
label = "4"
kind = "general"

[[piston]]
id = "r"
label = "Tremulant"
kind = "reversible"
control = "trem"

[[piston]]
id = "m"
label = "Touch"
kind = "momentary"
control = "flute-4"

[[piston]]
id = "tutti"
label = "Tutti"
kind = "full-organ"
sounds = { controls = ["flute-8", "flute-4", "trumpet-8"] }

[[piston]]
id = "gc"
label = "Cancel"
kind = "general-cancel"

[[piston]]
id = "set"
label = "Set"
kind = "set"

[[piston]]
id = "up"
label = "Up"
kind = "level-up"
"""
MEMORY = {"g1": "flute-8", "g2": "flute-4 trumpet-8", "g3": "flute-8 flute-4 gt-pd"}
HELD = {"great": (48, 60)}

# Keys 48 and 60 are lines 48 and 60. On the flute, whose notes are those of its pitch (channel 1),
# the 8' sounds 48 and 60 and the 4' 60 and 72; the trumpet (channel 2) 48 and 60. Great to Pedal
# makes them lines of the Pedal, sent out on "pedal". A batch of n messages of one status is 1 + 2n
# bytes. Offs go first, and those of a channel share the status of the ons next to them.
#
#   g1 silent   flute on 48 60                                             1+4            = 5
#               lamp 1 on, lamp of the 8' on                               1+4            = 5
#   g2 silent   flute on 60 72; trumpet on 48 60                           5 + 5          = 10
#               lamp 2 on                                                  1+2            = 3
#   g3 silent   flute on 48 60 72; lines on 48 60; lamp of the 8'          7; 5; 3
#   g1 after g2 flute off 72, trumpet off 48 60, flute on 48               3 + 5 + 3      = 11
#               lamp of the 8' on, lamp 2 off, lamp 1 on                   1+6            = 7
#   g2 after g1 flute off 48, on 72 (one status); trumpet on 48 60         1+4 + 5        = 10
#               lamp of the 8' off, lamp 1 off, lamp 2 on                  1+6            = 7
#   g1 after g3 flute off 72; lines off 48 60; lamp 1 on                   3; 5; 3
#   g3 after g1 flute on 72; lines on 48 60; lamp 1 off                    3; 5; 3
#   g2 after g3 flute off 48, trumpet on 48 60; lines off                  3 + 5 = 8; 5
#               lamp of the 8' off, lamp 2 on                              1+4            = 5
#   tutti       flute on 48 60 72, trumpet on 48 60                        7 + 5          = 12
#   tutti again the same off                                               12
#   tutti/g3    trumpet on 48 60                                           5
#   cancel/g2   flute off 60 72, trumpet off 48 60; lamp 2 off             10; 3
#   r           a program change, whether on or off                        2
#   m           flute on 60 72, and off again when it is released          5
#   m/g1        flute on 72, and off                                       3
CHANGES: dict[tuple[str, str | None], dict[str, int]] = {
    ("g1", None): {"chest": 5, "desk": 5},
    ("g2", None): {"chest": 10, "desk": 3},
    ("g3", None): {"chest": 7, "desk": 3, "pedal": 5},
    ("g1", "g1"): {},
    ("g1", "g2"): {"chest": 11, "desk": 7},
    ("g2", "g1"): {"chest": 10, "desk": 7},
    ("g1", "g3"): {"chest": 3, "desk": 3, "pedal": 5},
    ("g3", "g1"): {"chest": 3, "desk": 3, "pedal": 5},
    ("g2", "g3"): {"chest": 8, "desk": 5, "pedal": 5},
    ("tutti", None): {"chest": 12},
    ("tutti", "tutti"): {"chest": 12},
    ("tutti", "g3"): {"chest": 5},
    ("gc", None): {},
    ("gc", "g2"): {"chest": 10, "desk": 3},
    ("gc", "r"): {"chest": 2},
    ("r", None): {"chest": 2},
    ("r", "r"): {"chest": 2},
    ("m", None): {"chest": 5},
    ("m", "g1"): {"chest": 3},
    ("m", "g2"): {},
}


def chapel(**keys: Any) -> Console:
    return evolve(read_console(CHAPEL), **keys)


@pytest.mark.parametrize(("piston", "before"), CHANGES)
def test_bytes_of_a_change(piston: str, before: str | None) -> None:
    console = chapel()
    pushes = Pushes(console, bank_of(console, MEMORY), HELD)
    assert pushes.change(piston, before).sizes == CHANGES[piston, before]


@pytest.mark.parametrize("action", Action)
def test_a_change_is_the_same_whatever_was_seen_before_it(action: Action) -> None:
    """What goes to pipes and lines is the same on every action, but for cancel.

    General cancel releases a control that is never captured, and does not turn it off.
    """
    console = moving(Drive(group=2)) if action is Action.MOVING else chapel(action=action)
    pushes = Pushes(console, bank_of(console, MEMORY), HELD)
    pairs = [(piston.id, before) for piston, before in pushes.pairs]
    random.Random(1).shuffle(pairs)
    first = {pair: pushes.change(*pair).sizes for pair in pairs}
    for pair in reversed(pairs):
        assert pushes.change(*pair).sizes == first[pair], pair
    for pair, sizes in CHANGES.items():
        if action is Action.BLIND:
            assert first[pair] == sizes, pair
        elif pair != ("gc", "r"):
            for port in ("chest", "pedal"):
                assert first[pair].get(port) == sizes.get(port), pair


def test_a_piston_is_pushed_after_every_other_after_which_something_sounds() -> None:
    console = chapel()
    pushes = Pushes(console, bank_of(console, MEMORY), HELD)
    assert [p.id for p in pushes.pistons] == ["g1", "g2", "g3", "r", "m", "tutti", "gc"]
    befores = {before for _, before in pushes.pairs}
    assert befores == {None, "g1", "g2", "g3", "r", "tutti"}
    assert len(pushes.pairs) == 7 * 6
    assert (pushes.unset, pushes.wholes) == (("g4",), ())


def test_with_nothing_set_whole_divisions_stand_for_what_could_be() -> None:
    """Flute and trumpet as in a tutti, 12 bytes; the coupler's two lines with everything."""
    pushes = Pushes(chapel(), None, HELD)
    assert pushes.wholes == ("all of great", "all of the console")
    assert pushes.unset == ("g1", "g2", "g3", "g4")
    everything = pushes.change("all of the console", None)
    assert everything.sizes == {"chest": 12, "desk": 3, "pedal": 5}
    assert pushes.change("all of great", None).sizes == {"chest": 12, "desk": 3, "pedal": 5}


def test_the_level_is_that_of_the_bank() -> None:
    console = chapel()
    bank = bank_of(console, {"g1": "flute-8", "g1@2": "flute-4 trumpet-8"})
    bank.level = 2
    assert Pushes(console, bank, HELD).change("g1", None).sizes["chest"] == 10
    bank.level = 3
    assert Pushes(console, bank, HELD).wholes
    assert (bank.level, list(bank.levels)) == (3, [1, 2])
    bank.level = 9
    assert Pushes(console, bank, HELD).level == console.levels == 4


def test_what_is_set_for_pistons_that_are_gone_is_nothing() -> None:
    console = chapel()
    assert Pushes(console, bank_of(console, {"g9": "flute-8"}), HELD).wholes


def test_31_bytes_are_in_time_and_32_are_not() -> None:
    """Of a batch of notes: 15 of them are 31 bytes, 9.92 ms; 16 are 33, 10.56 ms."""
    console = chapel()
    bank = bank_of(console, MEMORY)
    in_time = Pushes(console, bank, {"great": range(48, 63)}).change("g1", None)
    assert (in_time.sizes["chest"], in_time.over) == (31, False)
    assert in_time.seconds == pytest.approx(0.00992)
    late = Pushes(console, bank, {"great": range(48, 64)}).change("g1", None)
    assert (late.sizes["chest"], late.over) == (33, True)


@pytest.mark.parametrize("first", [None, 0, 90])
def test_lines_at_both_ends_of_an_output_have_a_sender(first: int | None) -> None:
    great, pedal = chapel().divisions
    sent_out = LinesOut("pedal", 2, first_note=first)
    console = chapel(divisions=(great, evolve(pedal, out=sent_out)))
    pushes = Pushes(console, bank_of(console, MEMORY), {"great": (36, 65)})
    (train,) = pushes.change("g3", None).trains["pedal"]
    assert pushes.senders.load("pedal", train) == {Source("lines", "pedal"): 5}


def test_a_reversible_of_what_is_never_captured_is_taken_back() -> None:
    """No cancel turns it off: left on, the 4' would have 60 sounding before the 8' is drawn."""
    text = CHAPEL.replace('pitch = "4"', 'pitch = "4"\ncaptured = false')
    console = read_console(
        text.replace('"blind"', '"lit"').replace('"trem"\n\n[[', '"flute-4"\n\n[[')
    )
    pushes = Pushes(console, bank_of(console, MEMORY), HELD)
    for _ in range(2):
        assert pushes.change("g1", None).sizes["chest"] == 5
        assert pushes.change("r", None).sizes == {"chest": 5}
    assert pushes.change("g1", "r").sizes["chest"] == 3


def test_strokes_begin_with_the_push_before() -> None:
    """Two strokes a second, each of a quarter: 0.4 s after an earlier one the reed is off."""
    text = CHAPEL.replace('name = "Trumpet"', 'name = "Trumpet"\nstroke = "reiterate"\nrate = 2.0')
    console = read_console(text)
    pushes = Pushes(console, bank_of(console, MEMORY), HELD)
    for before in (None, "g2", None, "g2"):
        pushes.change("g2", before)
        assert pushes.change("gc", "g2").sizes == CHANGES["gc", "g2"]


def test_shades_move_when_a_control_gives_them_all_to_one_shoe() -> None:
    text = (
        CHAPEL
        + """
[[chamber]]
id = "box"
name = "Box"
out = { port = "chest", channel = 16, controller = 11 }

[[shoe]]
id = "own"
name = "Own"
chambers = ["box"]

[[shoe]]
id = "other"
name = "Other"
chambers = []
all-control = "trem"
"""
    )
    console = read_console(text)
    pushes = Pushes(console, None, {})
    change = pushes.change("r", None)
    assert change.sizes == {"chest": 2 + 3}
    load = pushes.senders.load("chest", change.trains["chest"][0])
    assert load == {Source("controls", "great"): 2, Source("shades", "box"): 3}


# Three tabs are driven on, each coil by a note: two at once, the third a pulse of 0.1 s later, as
# the first two coils lose their current. On an action that drives one group every millisecond the
# second waits for the first, whose 5 bytes take 1.6 ms.
DRIVEN = {
    "all at once": (Drive(), [1 + 6, 1 + 6]),
    "by twos": (Drive(group=2), [1 + 4, 1 + 4 + 2, 3]),
    "by twos in haste": (Drive(group=2, gap=0.001), [5 + 3, 5 + 3]),
    "by twos with a pause": (Drive(group=2, gap=0.2), [5, 5, 3, 3]),
}


@pytest.mark.parametrize(("drive", "sizes"), DRIVEN.values(), ids=DRIVEN)
def test_pulses_of_driven_tabs(drive: Drive, sizes: list[int]) -> None:
    console = moving(drive)
    pushes = Pushes(console, bank_of(console, MEMORY), {})
    assert [train.size for train in pushes.change("g3", None).trains["coils"]] == sizes
    assert [train.size for train in pushes.change("g3", "g3").trains.get("coils", [])] == []


def moving(drive: Drive) -> Console:
    return evolve(read_console(moving_text()), drive=drive)


def moving_text() -> str:
    text = CHAPEL.replace('"blind"', '"moving"')
    for number, stop in enumerate(("flute-8", "flute-4", "gt-pd"), 1):
        pins = f'drive-on = "coils.{number}"\ndrive-off = "coils.{number + 8}"'
        contact = f'contact = "tabs.{number}"'
        text = text.replace(f'id = "{stop}"\n', f'id = "{stop}"\n{pins}\n{contact}\n')
    return (
        text
        + """
[drive]
group = 2

[[board]]
id = "coils"
pins = 16
out = { port = "coils", channel = 1, first-note = 0 }

[[board]]
id = "tabs"
pins = 8
in = { port = "desk", channel = 1, first-note = 0 }
"""
    )


# ---------------------------------------------------------------- the demo consoles


@cache
def demo(name: str) -> Console:
    return read_console(files("cli").joinpath(f"demos/{name}.toml").read_text("utf-8"))


def set_at_random(console: Console, seed: int = 1) -> Bank:
    """A bank in which every general and divisional has some quarter of its controls on."""
    bank, chance = fresh_bank(console, "Mabel Thornycroft"), random.Random(seed)
    size = len(bank.controls)
    for piston in console.pistons:
        if piston.kind in (Kind.GENERAL, Kind.DIVISIONAL):
            on = chance.getrandbits(size) & chance.getrandbits(size)
            bank.put(Slot(piston.id, 1), Combination(on))
    return bank


def pushed_afresh(
    console: Console, bank: Bank, held: dict[str, tuple[int, ...]], piston: str, before: str | None
) -> list[Sent]:
    """What goes out as a piston is pressed after another, on an organ just switched on."""
    organ, now = Organ(console, seat(bank, console)), 0.0
    for keyboard, keys in held.items():
        for key in keys:
            organ.receive(KeyMoved(keyboard, key, True), now)
    for shoe in console.shoes:
        organ.receive(ShoeMoved(shoe.id, shoe.toe if shoe.all_control else shoe.heel), now)
    if before is not None:
        effects = organ.receive(PistonPressed(before), now)
        while console.action is Action.MOVING and (effects or organ.action.next_due is not None):
            for driven in [effect for effect in effects if isinstance(effect, TabsDriven)]:
                for tab in (*driven.on, *driven.off):
                    organ.receive(TabMoved(tab, tab in driven.on), now)
            now = organ.action.next_due or now
            effects = organ.tick(now) if organ.action.next_due is not None else []
    return Wiring(console).sent(organ.receive(PistonPressed(piston), now))


def counted(sent: list[Sent]) -> dict[str, int]:
    """Bytes by port: two a message and one wherever the channel changes; all are notes here."""
    sizes: dict[str, int] = {}
    channels: dict[str, int] = {}
    for port, message in sent:
        assert message.type in ("note_on", "note_off", "control_change")
        kind = message.channel + (100 if message.type == "control_change" else 0)
        sizes[port] = sizes.get(port, 0) + 2 + (channels.get(port) != kind)
        channels[port] = kind
    return sizes


@pytest.mark.parametrize("name", ["theatre", "church"])
def test_a_change_is_what_an_organ_sends_that_has_just_been_switched_on(name: str) -> None:
    console = demo(name)
    bank, held = set_at_random(console), hands_and_feet(console)
    pushes = Pushes(console, bank, held)
    pairs = [pair for pair in pushes.pairs if pair[0].kind is not Kind.MOMENTARY]
    for piston, before in random.Random(2).sample(pairs, 6):
        change = pushes.change(piston.id, before)
        first = {port: len(stream(found[0].batches[0])) for port, found in change.trains.items()}
        assert first == counted(pushed_afresh(console, bank, held, piston.id, before))


@pytest.mark.parametrize("name", ["theatre", "church"])
@pytest.mark.parametrize("seed", [None, 1])
def test_every_byte_has_a_sender(name: str, seed: int | None) -> None:
    console = demo(name)
    bank = None if seed is None else set_at_random(console, seed)
    pushes = Pushes(console, bank, hands_and_feet(console))
    for piston, before in pushes.pairs[:: 1 if seed is None else 7]:
        for port, found in pushes.change(piston.id, before).trains.items():
            for train in found:
                load = pushes.senders.load(port, train)
                runs = sum(len(batch) for batch in train.batches)
                assert train.size <= sum(load.values()) <= train.size + runs


@pytest.mark.parametrize("name", ["theatre", "church"])
def test_nothing_takes_much_longer_than_everything(name: str) -> None:
    """What a general can turn on and off is part of it: at most a status more for each channel."""
    console = demo(name)
    held = hands_and_feet(console)
    bound = Pushes(console, None, held).change("all of the console", None).sizes
    pushes = Pushes(console, set_at_random(console), held)
    generals = {piston.id for piston in console.pistons if piston.kind is Kind.GENERAL}
    for piston, before in pushes.pairs:
        if piston.id in generals and before in generals:
            for port, size in pushes.change(piston.id, before).sizes.items():
                assert size <= bound[port] + 16, (port, piston.id, before)


# ---------------------------------------------------------------- cables


def rank(name: str) -> Source:
    return Source("rank", name)


SHARED: dict[str, tuple[list[dict[Source, int]], list[tuple[int, str]]]] = {
    "nothing": ([], []),
    "two that go together": ([{rank("a"): 15, rank("b"): 16}], [(1, "b a")]),
    "two that do not": ([{rank("a"): 15, rank("b"): 17}], [(1, "b"), (1, "a")]),
    "never at the same time": ([{rank("a"): 31}, {rank("b"): 31}], [(1, "a b")]),
    "the largest first": (
        [{rank("a"): 10, rank("b"): 11, rank("c"): 20, rank("d"): 21}],
        [(1, "d a"), (1, "c b")],
    ),
    "one too large": ([{rank("a"): 32, rank("b"): 1}], [(2, "a"), (1, "b")]),
    "one far too large": ([{rank("a"): 63}], [(3, "a")]),
}


@pytest.mark.parametrize(("loads", "expected"), SHARED.values(), ids=SHARED)
def test_sharing_out(loads: list[dict[Source, int]], expected: list[tuple[int, str]]) -> None:
    """31 bytes take 9.92 ms, 32 take 10.24 ms."""
    found = shares(loads)
    assert [(s.cables, " ".join(source.id for source in s.sources)) for s in found] == expected


LOADS = st.lists(st.dictionaries(st.sampled_from([rank(n) for n in "abcdef"]), st.integers(1, 40)))


@given(LOADS)
def test_no_cable_carries_too_much(loads: list[dict[Source, int]]) -> None:
    found = shares(loads)
    shared = [source for share in found for source in share.sources]
    assert sorted(shared) == sorted({source for load in loads for source in load})
    for share in found:
        carried = [sum(load.get(source, 0) for source in share.sources) for load in loads]
        assert share.size == max(carried)
        assert share.size <= ROOM or len(share.sources) == 1
        assert share.cables * ROOM >= share.size


@pytest.mark.parametrize(("name", "set_"), [("theatre", False), ("church", True)])
def test_a_console_wired_as_proposed_is_in_time(name: str, set_: bool) -> None:
    """Ports divided as proposed: what is on a cable alone may be late, all others are not."""
    console = demo(name)
    bank, held = set_at_random(console) if set_ else None, hands_and_feet(console)
    pushes, weighed = Pushes(console, bank, held), Weighed()
    for piston, before in pushes.pairs:
        weighed.add(pushes.change(piston.id, before), pushes.senders)
    cables: dict[tuple[str, Source], str] = {}
    late: set[str] = set()
    for port in weighed.loads:
        for number, share in enumerate(weighed.shares(port)):
            cables |= {(port, source): f"{port} {number}" for source in share.sources}
            late |= {f"{port} {number}"} if share.cables > 1 else set()
    assert late < set(cables.values())

    def over(port: str, source: Source) -> str:
        return cables.get((port, source), port)

    ranks = tuple(
        evolve(
            rank,
            out=tuple(
                evolve(out, port=over(out.port, Source("rank", rank.id))) for out in rank.out
            ),
        )
        for rank in console.ranks
    )
    rewired = evolve(console, ranks=ranks)
    pushes = Pushes(rewired, bank, held)
    for piston, before in pushes.pairs:
        for port, size in pushes.change(piston.id, before).sizes.items():
            assert size <= ROOM or port in late, (port, piston.id, before)


# ---------------------------------------------------------------- hands and feet


def keyboards(*sizes: int) -> tuple[Keyboard, ...]:
    names = ("great", "pedal", "choir")
    return tuple(Keyboard(n, n.title(), keys=size) for n, size in zip(names, sizes, strict=False))


HANDS = {
    "the manual with most stops": (
        (61, 32),
        {"great": (48, 52, 55, 57, 60, 64, 67, 69, 72, 76), "pedal": (36, 43)},
    ),
    "two manuals": (
        (61, 30, 49),
        {"great": (64, 67, 69, 72, 76), "choir": (48, 52, 55, 57, 60), "pedal": (36, 43)},
    ),
    "a short manual": ((33, 5), {"great": (48, 52, 55, 57, 60, 64, 67), "pedal": (36,)}),
    "pedals only": ((32,), {"great": (36, 43)}),
    "33 keys are a manual": ((20, 33), {"great": (36, 43), "pedal": (48, 52, 55, 57, 60, 64, 67)}),
}


@pytest.mark.parametrize(("sizes", "held"), HANDS.values(), ids=HANDS)
def test_hands_and_feet(sizes: tuple[int, ...], held: dict[str, tuple[int, ...]]) -> None:
    assert hands_and_feet(evolve(worked_console(), keyboards=keyboards(*sizes))) == held


def test_hands_and_feet_of_a_theatre_organist() -> None:
    held = hands_and_feet(demo("theatre"))
    assert {keyboard: len(keys) for keyboard, keys in held.items()} == {
        "great": 5,
        "accomp": 5,
        "pedal": 2,
    }


# ---------------------------------------------------------------- the command


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, ["console", "cable", *map(str, words)])


@pytest.fixture
def chapel_file(tmp_path: Path) -> Path:
    path = tmp_path / "chapel.toml"
    path.write_text(CHAPEL, encoding="utf-8")
    return path


@pytest.fixture
def ruth(tmp_path: Path) -> Path:
    """A bank with the pistons of the table above at level 1, left at level 3, called Feasts."""
    bank = bank_of(chapel(), MEMORY)
    bank.name, bank.level, bank.at(3).name = "Ruth Ellery", 3, "Feasts"
    path = tmp_path / "ruth.bank"
    write_bank_file(path, BankFile(bank))
    return path


AT_LEVEL_1 = """\
Tidewater Chapel
The bank "Ruth Ellery", level 1
Not set at this level, and left out: g4
Keys held: Great 48 60
On a five-pin cable a byte takes 320 µs: 31 bytes in 10 ms

piston         in silence  at worst    pushed after   bytes then
1 (g1)         1.6 ms      3.5 ms      2 (g2)         chest:11, desk:7
2 (g2)         3.2 ms      3.2 ms      silence        chest:10, desk:3
3 (g3)         2.2 ms      2.6 ms      2 (g2)         chest:8, desk:5, pedal:5
Tremulant (r)  0.6 ms      0.6 ms      silence        chest:2
Touch (m)      1.6 ms      1.6 ms      silence        chest:5
Tutti (tutti)  3.8 ms      3.8 ms      silence        chest:12
Cancel (gc)    -           3.8 ms      Tutti (tutti)  chest:12

port   at worst    piston         pushed after
chest  3.8 ms      Tutti (tutti)  silence
desk   2.2 ms      1 (g1)         2 (g2)
pedal  1.6 ms      1 (g1)         3 (g3)

Over 10 ms: none of 7 pistons.
"""


def test_the_table_of_the_chapel(chapel_file: Path, ruth: Path) -> None:
    result = run(chapel_file, "--bank", ruth, "--level", "1", "--keys", "great 48,60")
    assert (result.output, result.exit_code) == (AT_LEVEL_1, 0)


# Ten fingers hold 48 52 55 57 60 64 67 69 72 76. The flute's 8' sounds these and its 4' those an
# octave higher, of which 60 64 67 69 72 76 are the same pipes: 14 pipes, 29 bytes. The trumpet has
# 10, 21 bytes. Six of the keys are lines of the Pedal, which ends at 65, and are not held there.
SLOW = """\
Tidewater Chapel
Without a bank no general or divisional is set: whole divisions, and everything, stand for the most
that one could be set to.
Keys held: Pedal 36 43; Great 48 52 55 57 60 64 67 69 72 76
On a five-pin cable a byte takes 320 µs: 31 bytes in 10 ms

piston         in silence  at worst        pushed after   bytes then
Tremulant (r)  0.6 ms      0.6 ms          silence        chest:2
Touch (m)      6.7 ms      6.7 ms          silence        chest:21
Tutti (tutti)  16.0 ms     16.0 ms   over  silence        chest:50
Cancel (gc)    -           16.0 ms   over  Tutti (tutti)  chest:50
all of Great   16.0 ms     16.0 ms   over  silence        chest:50, pedal:13, desk:3
everything     16.0 ms     16.0 ms   over  silence        chest:50, pedal:13, desk:3

port   at worst        piston         pushed after
chest  16.0 ms   over  Tutti (tutti)  silence
pedal  4.2 ms          Cancel (gc)    all of Great
desk   1.0 ms          Cancel (gc)    all of Great

Port chest: 16.0 ms at worst, Tutti (tutti) after silence. To stay within 10 ms takes 2 cables, or
one that is faster:
cable  at most  from            bytes then
1      9.3 ms   Flute (flute)   29
2      6.7 ms   Trumpet (reed)  21

Over 10 ms: 4 of 6 pistons.
"""


def test_a_port_that_is_too_slow(chapel_file: Path) -> None:
    result = run(chapel_file)
    assert (result.output, result.exit_code) == (SLOW, 1)


def test_a_rank_that_is_too_large_for_a_cable(chapel_file: Path) -> None:
    """24 keys, and an octave of them twice, are 36 pipes of the flute: 73 bytes, or 25 by thirds.

    The trumpet's 24 pipes are 49 bytes, or 25 by halves; together they are more than three cables.
    """
    keys = " ".join(map(str, range(48, 72)))
    result = run(chapel_file, "--keys", f"great {keys}")
    assert (
        "\n1-3    8.0 ms each  Flute (flute)   73\n4-5    8.0 ms each  Trumpet (reed)  49\n"
        in result.output
    )
    assert (
        "To stay within 10 ms takes 4 cables at least, or one that is faster; with each rank or "
        "other sender kept on one cable where it fits, 5:"
    ) in " ".join(result.output.split())


def test_what_goes_together_over_one_cable(chapel_file: Path) -> None:
    """A tremulant that is part of everything: its 2 bytes fit in with the flute's 29."""
    chapel_file.write_text(CHAPEL.replace("captured = false\n", ""), encoding="utf-8")
    expected = """
cable  at most  from               bytes then
1      9.9 ms   Flute (flute)      29
                controls of Great  2
2      6.7 ms   Trumpet (reed)     21
"""
    assert expected in run(chapel_file).output


def test_keys_are_named_upwards(chapel_file: Path) -> None:
    held = ("--keys", "great 96 60", "--keys", "pedal 36", "--keys", "great 36 60")
    assert run(chapel_file, *held).output.splitlines()[3] == "Keys held: Great 36 60 96; Pedal 36"


def test_the_level_at_which_the_bank_was_left(chapel_file: Path, ruth: Path) -> None:
    lines = run(chapel_file, "--bank", ruth).output.splitlines()
    assert lines[1] == 'The bank "Ruth Ellery", level 3 Feasts'
    assert lines[2].startswith("At this level no general or divisional is set: whole divisions")
    by_name = run(chapel_file, "--bank", ruth, "--level", "Feasts").output.splitlines()
    assert by_name == lines
    highest = run(chapel_file, "--bank", ruth, "--level", "4").output.splitlines()
    assert highest[1] == 'The bank "Ruth Ellery", level 4'


def test_for_another_program(chapel_file: Path, ruth: Path) -> None:
    result = run(chapel_file, "--bank", ruth, "--level", "1", "--keys", "great 60 48", "--json")
    data = json.loads(result.output)
    assert result.exit_code == 0
    assert data | {"pistons": [], "ports": []} == {
        "console": "Tidewater Chapel",
        "bank": "Ruth Ellery",
        "level": 1,
        "keys": {"great": [48, 60]},
        "seconds_a_byte": BYTE,
        "limit": 0.01,
        "over": [],
        "unset": ["g4"],
        "pistons": [],
        "ports": [],
    }
    assert data["pistons"][0] == {
        "piston": "g1",
        "label": "1",
        "on_console": True,
        "in_silence": {
            "after": None,
            "bytes": {"chest": 5, "desk": 5},
            "seconds": pytest.approx(0.0016),
            "over": False,
        },
        "at_worst": {
            "after": "g2",
            "bytes": {"chest": 11, "desk": 7},
            "seconds": pytest.approx(0.00352),
            "over": False,
        },
    }
    assert data["ports"][0] == {
        "port": "chest",
        "piston": "tutti",
        "after": None,
        "bytes": 12,
        "from": [
            {"what": "rank", "id": "flute", "bytes": 7},
            {"what": "rank", "id": "reed", "bytes": 5},
        ],
        "shares": [],
    }


def test_what_is_too_slow_for_another_program(chapel_file: Path) -> None:
    result = run(chapel_file, "--json")
    data = json.loads(result.output)
    assert result.exit_code == 1
    assert (data["bank"], data["level"]) == (None, None)
    assert data["over"] == ["tutti", "gc", "all of great", "all of the console"]
    assert [row["on_console"] for row in data["pistons"]] == [True] * 4 + [False] * 2
    assert data["ports"][0]["shares"] == [
        {"cables": 1, "bytes": 29, "from": [{"what": "rank", "id": "flute"}]},
        {"cables": 1, "bytes": 21, "from": [{"what": "rank", "id": "reed"}]},
    ]


def test_the_longest_train_of_a_port_may_not_be_the_first(chapel_file: Path) -> None:
    """Everything drives three tabs by twos: 5 bytes, and a pulse later 7."""
    chapel_file.write_text(moving_text(), encoding="utf-8")
    ports = json.loads(run(chapel_file, "--json").output)["ports"]
    (coils,) = [port for port in ports if port["port"] == "coils"]
    assert coils["bytes"] == 7
    assert coils["from"] == [{"what": "board", "id": "coils", "bytes": 7}]


@pytest.mark.parametrize(("name", "bank"), [("theatre", False), ("church", True)])
def test_every_sender_of_the_demo_consoles_is_named(name: str, bank: bool, tmp_path: Path) -> None:
    path, mabel = tmp_path / "demo.toml", tmp_path / "mabel.bank"
    path.write_bytes(files("cli").joinpath(f"demos/{name}.toml").read_bytes())
    write_bank_file(mabel, BankFile(set_at_random(demo(name))))
    result = run(path, "--bank", mabel) if bank else run(path)
    assert result.exit_code == 1
    assert max(map(len, result.output.splitlines())) <= 100


def test_a_console_from_which_nothing_goes_out(tmp_path: Path) -> None:
    path = tmp_path / "bare.toml"
    path.write_text('format = 1\nname = "Bare"\naction = "lit"\n', encoding="utf-8")
    result = run(path)
    assert result.exit_code == 0
    assert result.output.splitlines()[-1] == "Over 10 ms: none of 0 pistons."
    assert "Keys held: none" in result.output
    assert json.loads(run(path, "--json").output)["ports"] == []


BAD = {
    "a keyboard that is not there": (
        ["--keys", "grate 48"],
        'there is no keyboard "grate"; did you mean "great"?',
    ),
    "no keyboard": (["--keys", " "], 'there is no keyboard ""; there are great, pedal'),
    "a key that is not there": (
        ["--keys", "great 48 97"],
        'on keyboard "great" there is no key "97": it has keys 36 to 96',
    ),
    "no number": (
        ["--keys", "pedal C"],
        'on keyboard "pedal" there is no key "C": it has keys 36 to 65',
    ),
    "no keys": (["--keys", "great"], 'on keyboard "great" no key is named: it has keys 36 to 96'),
    "a level that is not there": (
        ["--bank", "ruth.bank", "--level", "5"],
        "there is no level 5 on this console: it has 4",
    ),
    "a level of another name": (
        ["--bank", "ruth.bank", "--level", "Feast"],
        "there is no level 'Feast' in this bank; did you mean 'Feasts'?",
    ),
    "no bank": (["--bank", "anna.bank"], "anna.bank: there is no such file or folder"),
    "not a bank": (["--bank", "chapel.toml"], "chapel.toml: this is not a bank file"),
}


@pytest.mark.parametrize(("words", "message"), BAD.values(), ids=BAD)
def test_bad_input(
    words: list[str],
    message: str,
    chapel_file: Path,
    ruth: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(ruth.parent)
    result = run(chapel_file.name, *words)
    assert (result.output, result.exit_code) == (f"stopwright: {message}\n", 2)


def test_a_level_needs_a_bank(chapel_file: Path) -> None:
    result = run(chapel_file, "--level", "1")
    assert result.exit_code == 2
    assert "Say with --bank whose --level that is." in result.output


def test_a_console_file_with_errors(chapel_file: Path) -> None:
    chapel_file.write_text(CHAPEL.replace('rank = "reed"', 'rank = "reeds"'), encoding="utf-8")
    result = run(chapel_file)
    assert result.exit_code == 2
    assert "chapel.toml has an error:" in result.output


@pytest.mark.parametrize(
    ("size", "cables", "carried"), [(31, 1, 31), (32, 2, 17), (61, 2, 31), (62, 3, 22), (93, 4, 24)]
)
def test_every_cable_of_a_share_begins_with_a_status(size: int, cables: int, carried: int) -> None:
    """A status byte and two for each note: 31 bytes are fifteen notes, 93 are forty-six."""
    share = Share([], [size])
    assert (share.cables, share.carried) == (cables, carried)


def test_s11_a_file_dump_packet_goes_by_whole_and_ends_running_status() -> None:
    """S11, MIDI File Dump: the largest packet carries 112 bytes as 128, each 7 bytes as 8.

    Packet: F0 7E dev 07 02 pp count-1 data csum F7, 137 bytes, 43.84 ms on the cable; its
    acknowledgement F0 7E dev 7F pp F7, 6 bytes. The csum is the XOR of what comes after F0.
    """
    raw = [byte * 37 % 256 for byte in range(112)]
    encoded: list[int] = []
    for first in range(0, len(raw), 7):
        seven = raw[first : first + 7]
        high = sum((byte >> 7) << (6 - place) for place, byte in enumerate(seven))
        encoded += [high, *(byte & 0x7F for byte in seven)]
    body = [0x7E, 0x10, 0x07, 0x02, 0x00, len(encoded) - 1, *encoded]
    packet = [*body, reduce(xor, body)]
    key, answer = Message("note_on", note=60), Message("sysex", data=[0x7E, 0x10, 0x7F, 0x00])
    sent = stream([key, Message("sysex", data=packet), key, key, answer])
    note = bytes((0x90, 60, 64))
    assert sent == b"".join(
        (note, b"\xf0", bytes(packet), b"\xf7", note, note[1:], b"\xf0\x7e\x10\x7f\x00\xf7")
    )
    assert len(encoded) == 128
    assert seconds(bytes((0xF0, *packet, 0xF7))) == pytest.approx(137 * 320e-6)
