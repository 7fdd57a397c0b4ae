"""Rehearsals as Standard MIDI Files: recordings from a console, and rehearsals written out."""

import os
import re
from io import BytesIO
from pathlib import Path

import mido
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from mido import Message, MetaMessage, MidiFile, MidiTrack

from banks import BankFile, write_bank_file
from cli.rehearsal.lines import draft_of, said_in
from cli.rehearsal.midi_files import (
    LARGEST,
    Cued,
    MidiFileError,
    Played,
    Recording,
    Told,
    read_recording,
    written,
)
from cli.rehearsal.rehearsing import recording_of, run, run_recording, said_in_recording
from cli.rehearsal.statements import Music, Touch
from combination.memory import Combination, Slot, fresh_bank
from combination.midi import Edge, Wiring
from combination.reading import read_console
from tests.rehearsed import CONSOLES, LARGER, LIT, LOFT, ROOM, Hall, likely_rehearsals, musics

EXAMPLES = int(os.environ.get("STOPWRIGHT_EXAMPLES", "35"))
"""Of each thing that hypothesis makes up."""


@pytest.fixture
def hall(tmp_path: Path) -> Hall:
    return Hall(tmp_path)


@pytest.fixture
def room(tmp_path: Path) -> Hall:
    return Hall(tmp_path, ROOM)


def recorded(hall: Hall, data: bytes, *options: str) -> tuple[int, str]:
    """Run the bytes of a MIDI file on the hall's console; the exit code, and what is said."""
    path = hall.folder / "it.mid"
    path.write_bytes(data)
    result = hall.invoke(str(path), "--console", str(hall.folder / "hall.toml"), *options)
    return result.exit_code, hall.plain(result.output)


def saved(file: MidiFile) -> bytes:
    """The bytes of a file as mido writes it."""
    whole = BytesIO()
    file.save(file=whole)
    return whole.getvalue()


def rail(pin: int, on: bool, time: int) -> Message:
    """The room's message for a pin of its rail: channel 1, first note 36."""
    name, velocity = ("note_on", 127) if on else ("note_off", 0)
    return Message(name, channel=0, note=35 + pin, velocity=velocity, time=time)


def thumb(pin: int, on: bool, time: int) -> Message:
    """The room's message for a thumb piston: channel 2, first controller 20."""
    return Message("control_change", channel=1, control=19 + pin, value=127 if on else 0, time=time)


# ---------------------------------------------------------------- recordings


def test_a_recording_of_type_0(room: Hall) -> None:
    track = MidiTrack(
        [
            rail(1, True, 480),  # tab a, half a second in
            thumb(4, True, 960),  # RX
            thumb(4, False, 48),
            Message("sysex", data=(1, 2, 3), time=0),
            Message("pitchwheel", channel=0, pitch=1, time=0),
            Message("note_on", channel=0, note=100, velocity=1, time=0),
            MetaMessage("lyrics", text="expect nothing of this", time=5),
            MetaMessage("text", text="Ann at the console", time=5),
        ]
    )
    code, said = recorded(room, saved(MidiFile(type=0, ticks_per_beat=480, tracks=[track])))
    assert code == 0
    assert (
        said
        == """\
it.mid, on Practice room, Tarn Abbey
time   line  what is done  where  what comes of it  sounding
0.500        tab a on      Great  + a (by hand)     1
1.500        press RX      Great  + x (RX)          2
                           lit    + RX

it.mid: 3 messages that nothing of this console sends (if it is music, give it as --music)
nothing was expected
"""
    )


def test_tempos(room: Hall) -> None:
    """Tempos of one track count for all of them, from where they stand."""
    tempos = MidiTrack(
        [
            MetaMessage("set_tempo", tempo=1_000_000, time=0),
            MetaMessage("set_tempo", tempo=250_000, time=100),
            MetaMessage("text", text="expect rail a b", time=300),
        ]
    )
    tabs = MidiTrack([rail(1, True, 50), rail(2, True, 150)])
    data = saved(MidiFile(type=1, ticks_per_beat=100, tracks=[tempos, tabs]))
    assert [entry.at for entry in read_recording(data).entries] == [0.5, 1.25, 1.75]
    code, said = recorded(room, data)
    assert code == 0
    assert "\n0.500        tab a on" in said
    assert "\n1.250        tab b on" in said


def test_time_before_an_unknown_meta_event_is_time() -> None:
    """mido 1.3.3 drops it, which is why the file is not read by mido."""
    body = b"\x81\x48\xff\x60\x01\x00" + b"\x00\x90\x24\x7f" + b"\x00\xff\x2f\x00"
    data = header(1, 1, 500) + track(body)
    assert [entry.at for entry in read_recording(data).entries] == [0.2]
    assert MidiFile(file=BytesIO(data)).length == 0


def test_running_status_and_what_is_no_track() -> None:
    body = b"\x00\x90\x24\x7f\x0a\x25\x7f\x0a\x25\x00"
    data = header(0, 1, 500) + b"XFIH\x00\x00\x00\x02ab" + track(body)
    entries = read_recording(data).entries
    assert [(e.at, e.message.bytes()) for e in entries if isinstance(e, Played)] == [
        (0.0, [0x90, 0x24, 0x7F]),
        (0.01, [0x90, 0x25, 0x7F]),
        (0.02, [0x90, 0x25, 0x00]),
    ]


PORTS = ROOM.replace(
    'in = { port = "toe board", channel = 11, first-note = 36 }',
    'in = { port = "toe board", channel = 1, first-note = 37 }',
)
"""A console on whose two ports the notes 37 to 40 of channel 1 mean different things."""


DEVICE = MetaMessage("device_name", name="toe board")


@pytest.mark.parametrize(
    ("heading", "sounding"),
    [
        ([MetaMessage("track_name", name="toe board")], "G1"),
        ([DEVICE], "G1"),
        ([MetaMessage("track_name", name="x"), DEVICE], "G1"),
        ([MetaMessage("track_name", name="console"), DEVICE], "G1"),
        ([MetaMessage("track_name", name="console")], "b"),
        ([MetaMessage("track_name", name="kitchen")], None),
        ([], None),
    ],
)
def test_ports(tmp_path: Path, heading: list[MetaMessage], sounding: str | None) -> None:
    """Note 37 is the toe stud of G1 on one port and tab b on the other."""
    hall = Hall(tmp_path, PORTS)
    expected = {"G1": "expect lit G1", "b": "expect rail b", None: "expect rail nothing"}
    words = MidiTrack(
        [
            MetaMessage("text", text="memory G1 = b", time=0),
            MetaMessage("text", text=expected[sounding], time=900),
        ]
    )
    messages = MidiTrack([*heading, rail(2, True, 100)])
    data = saved(MidiFile(type=1, tracks=[words, messages]))
    code, said = recorded(hall, data, "--quiet")
    assert code == 0
    ambiguous = "it.mid: 1 message that nothing of this console sends\n"
    assert said.replace(ambiguous, "") == "1 rehearsal, 1 expectation: all held\n"
    assert (ambiguous in said) == (sounding is None)


def test_any_port_if_only_one_could_send_it(room: Hall) -> None:
    words = MidiTrack([MetaMessage("text", text="expect rail b", time=900)])
    messages = MidiTrack([MetaMessage("track_name", name="kitchen"), rail(2, True, 100)])
    code, _ = recorded(room, saved(MidiFile(type=1, tracks=[words, messages])))
    assert code == 0


def test_pistons_keys_and_pedals_of_a_recording(hall: Hall) -> None:
    """A shoe and releases have lines of their own only where something comes of them."""
    messages = MidiTrack(
        [
            Message("note_on", channel=4, note=2, velocity=9, time=100),  # BIRD
            Message("note_off", channel=4, note=2, time=100),
            Message("program_change", channel=5, program=10, time=100),  # PROG
            Message("control_change", channel=3, control=1, value=127, time=100),  # crescendo
            Message("control_change", channel=6, control=11, value=9, time=100),  # shoe
            Message("note_on", channel=2, note=0, velocity=9, time=100),  # key switch
            Message("note_off", channel=4, note=5, time=100),  # BACK, which opens when pressed
            Message("note_on", channel=4, note=5, velocity=9, time=100),
        ]
    )
    file = MidiFile(type=0, ticks_per_beat=500, tracks=[messages])
    code, said = recorded(hall, saved(file))
    assert code == 0
    assert (
        said
        == """\
it.mid, on Practice room, Tarn Abbey
time   line  what is done   where        what comes of it     sounding
0.100        press BIRD     no division  + n (BIRD)           1
                            lit          + BIRD
0.200        release BIRD   no division  - n                  0
                            lit          - BIRD
0.300        push PROG      refused      PROG: not set
0.400        crescendo 127  Great        + a b (crescendo 3)  2
                            Pedal        + c (crescendo 3)    1
                            stage        3
0.600        lock                        nothing
0.700        press BACK     Pedal        + d (BACK)           2
                            lit          + BACK

nothing was expected
"""
    )


def test_an_expectation_of_a_recording_that_fails(room: Hall) -> None:
    words = MidiTrack(
        [
            MetaMessage("text", text="expect rail b", time=300),
            MetaMessage("text", text="expect refused nothing", time=200),
        ]
    )
    messages = MidiTrack([rail(1, True, 100), thumb(1, True, 300)])
    file = MidiFile(type=1, ticks_per_beat=500, tracks=[words, messages])
    assert recorded(room, saved(file), "--quiet") == (
        1,
        "it.mid, at 0.300 s: expect rail b\n"
        "  after     tab a on\n"
        "  expected  b\n"
        "  found     a\n"
        "it.mid, at 0.500 s: expect refused nothing\n"
        "  after     press G1\n"
        "  expected  nothing\n"
        '  found     G1 "not set"\n'
        "1 rehearsal, 2 expectations: 2 failed\n",
    )


def test_texts_that_cannot_be_understood(room: Hall) -> None:
    words = MidiTrack(
        [
            MetaMessage("text", text="expecting rain", time=0),
            MetaMessage("text", text="expect rail q", time=250),
        ]
    )
    file = MidiFile(type=1, ticks_per_beat=500, tracks=[words])
    assert recorded(room, saved(file)) == (
        2,
        "stopwright: it.mid has a fault:\n"
        '  at 0.250 s: there is no control "q"; there are a, b, c, d, n, x\n',
    )


LOFT_RAIL = {"gt-8": 36, "so-gt-pizz": 50, "gt-off": 48, "drum": 58}
"""Notes of some tabs of the loft, channel 1."""


def loft_tab(name: str, time: int) -> Message:
    return Message("note_on", channel=0, note=LOFT_RAIL[name], velocity=9, time=time)


def loft_key(key: int, down: bool, time: int) -> Message:
    """A key of the loft's Great."""
    return Message("note_on", channel=0, note=key, velocity=80 if down else 0, time=time)


def loft_file(tabs: list[Message], keys: list[Message], texts: list[MetaMessage]) -> bytes:
    """A track for each port, in milliseconds; and one of texts."""
    console = MidiTrack([MetaMessage("track_name", name="console"), *tabs])
    keyboards = MidiTrack([MetaMessage("track_name", name="keys"), *keys])
    tracks = [MidiTrack(texts), console, keyboards]
    return saved(MidiFile(type=1, ticks_per_beat=500, tracks=tracks))


def test_keys_and_shoes_of_a_recording(tmp_path: Path) -> None:
    """Fingers that come down together are one step, and so is a shoe on its way."""
    hall = Hall(tmp_path, LOFT)
    shoe = [
        Message("control_change", channel=5, control=11, value=value, time=time)
        for value, time in ((10, 1500), (30, 20), (60, 50), (60, 10), (90, 51), (91, 200))
    ]
    keys = [
        loft_key(60, True, 200),
        loft_key(64, True, 30),
        loft_key(64, True, 1),  # a contact that bounces
        loft_key(67, True, 19),
        loft_key(72, True, 1),  # too late for the chord
        loft_key(60, False, 100),
        loft_key(62, True, 0),
        loft_key(64, False, 1),
        loft_key(67, False, 48),
        loft_key(72, False, 600),
        loft_key(62, False, 0),
        loft_key(63, True, 2000),  # nothing is drawn that it could sound by then
    ]
    off = Message("note_off", channel=0, note=LOFT_RAIL["gt-8"], time=100)
    code, said = recorded(hall, loft_file([loft_tab("gt-8", 100), *shoe, off], keys, []))
    assert code == 0
    assert (
        said
        == """\
it.mid, on Organ loft, Tarn Abbey
time   line  what is done              where   what comes of it  sounding
0.100        tab gt-8 on               Great   + gt-8 (by hand)  1
0.200        keys great 60 64 67 down
0.250                                  Flute   + 37 41 44        3
0.251        keys great 72 down        Flute   + 49              4
0.351        keys great 60 up          Flute   - 37              3
0.351        keys great 62 down        Flute   + 39              4
0.352        keys great 64 67 up
0.400                                  Flute   - 41 44           2
1.000        keys great 62 72 up       Flute   - 39 49           0
1.600        shoe main-shoe 60
1.670                                  shades  main 19
1.731        shoe main-shoe 90         shades  main 66
1.931        shoe main-shoe 91         shades  main 68
2.031        tab gt-8 off              Great   - gt-8            0
3.000        keys great 63 down                nothing

nothing was expected
"""
    )


def test_the_transposer_of_a_recording(tmp_path: Path) -> None:
    switch = [
        Message("note_on", channel=4, note=8, velocity=9, time=100),
        Message("note_off", channel=4, note=8, time=100),
        Message("note_on", channel=4, note=6, velocity=9, time=0),
    ]
    _, said = recorded(Hall(tmp_path, LOFT), loft_file(switch, [], []))
    rows = [" ".join(line.split()) for line in said.splitlines()[2:4]]
    assert rows == ["0.100 transpose +2 transposer +2", "0.200 transpose 0 transposer 0"]


def test_the_pushes_of_a_transposer_in_a_recording(tmp_path: Path) -> None:
    pushed = LOFT.replace('switch = "switches.1"', 'up = "switches.1"\ndown = "switches.2"')
    pushes = [
        Message("note_on", channel=4, note=1, velocity=9, time=100),
        Message("note_off", channel=4, note=1, time=100),
    ]
    _, said = recorded(Hall(tmp_path, pushed), loft_file(pushes, [], []))
    assert [" ".join(line.split()) for line in said.splitlines()[2:-2]] == [
        "0.100 transpose by -1 transposer -1"
    ]


def test_what_expectations_look_back_to_over_keys(tmp_path: Path) -> None:
    """Keys begin afresh what the relay did, and not what a piston did while they went on."""
    tabs = [loft_tab("drum", 100), Message("note_on", channel=0, note=0, velocity=9, time=100)]
    solo = Message("note_on", channel=1, note=60, velocity=9, time=100)
    keys = [loft_key(60, True, 300), loft_key(60, False, 200), loft_key(62, True, 200), solo]
    texts = [
        MetaMessage("text", text='expect refused G1 "not set"', time=250),
        MetaMessage("text", text="expect struck nothing", time=0),
        MetaMessage("text", text="expect struck drum", time=100),
        MetaMessage("text", text='expect refused G1 "not set"', time=0),
        MetaMessage("text", text="expect keys great 60", time=0),
        MetaMessage("text", text="expect struck drum", time=300),  # by an up, in which none is
        MetaMessage("text", text="expect struck drum", time=80),
        MetaMessage("text", text="expect struck nothing", time=100),
        MetaMessage("text", text='expect refused G1 "not set"', time=0),
    ]
    code, said = recorded(Hall(tmp_path, LOFT), loft_file(tabs, keys, texts), "--quiet")
    assert (code, said) == (0, "1 rehearsal, 9 expectations: all held\n")


@pytest.mark.parametrize(
    "between",
    [
        MetaMessage("cue_marker", text="Gloria", time=210),
        MetaMessage("text", text="expect keys great 60", time=210),
    ],
)
def test_what_stands_between_two_fingers(tmp_path: Path, between: MetaMessage) -> None:
    """A cue point or an expectation: the fingers are no chord, and each is told on its side."""
    keys = [loft_key(60, True, 200), loft_key(64, True, 20)]
    data = loft_file([loft_tab("gt-8", 100)], keys, [between])
    code, said = recorded(Hall(tmp_path, LOFT), data)
    assert code == 0
    done = [line.split("  ") for line in said.splitlines()[3:5]]
    assert [cells[0] for cells in done] == ["0.200", "0.220"]
    assert "keys great 60 down" in said
    assert "keys great 64 down" in said


def test_keys_of_a_console_that_plays_nothing(tmp_path: Path) -> None:
    """They are heard, and are not worth a line each."""
    mute = (
        LIT.replace('name = "Great"\n', 'name = "Great"\ncontacts = "keys.1"\n', 1)
        + """
[[board]]
id = "keys"
pins = 61
in = { port = "keys", channel = 1, first-note = 36 }
"""
    )
    texts = [MetaMessage("text", text="expect keys great 60", time=900)]
    code, said = recorded(Hall(tmp_path, mute), loft_file([], [loft_key(60, True, 100)], texts))
    assert code == 0
    assert "keys great" not in said
    assert said.endswith("1 expectation: all held\n")


# ---------------------------------------------------------------- written out

EVENING = """
title A quiet evening – 2′
choose set.latch-time = 5
memory G1 = b c
memory G1 at 2 neutral = a
tab a d on
push G1
expect sounding b c
push G2
expect refused G2 "not set"
push SET
push GT1
expect stored GT1
expect memory GT1 = a
push UP
crescendo stage 2
shoe swell 64
expect stage 2
stick BIRD
push BIRD
wait 31
expect stuck BIRD
free BIRD
push BACK
push PROG
push DEEP
lock
press SET
push G1
expect refused G1 "memory locked"
release SET
close toe.2
open toe.2
expect level 2
push SET
wait 5.5
expect lit BACK BARE
"""


def test_written_out_and_run_back(hall: Hall) -> None:
    path = hall.folder / "evening.mid"
    result = hall.run(EVENING, "--quiet", "--midi-out", str(path))
    assert result.exit_code == 0, result.output
    back = hall.invoke(str(path), "--quiet")
    assert (back.exit_code, back.output) == (0, result.output)


def test_a_failure_fails_again_when_run_back(hall: Hall) -> None:
    path = hall.folder / "evening.mid"
    text = EVENING.replace("expect stuck BIRD", "expect stuck nothing")
    result = hall.run(text, "--quiet", "--midi-out", str(path))
    back = hall.invoke(str(path), "--quiet")
    assert (result.exit_code, back.exit_code) == (1, 1)
    assert result.output.splitlines()[-1] == back.output.splitlines()[-1]
    assert "  expected  nothing\n  found     BIRD\n" in back.output


def test_tabs_that_follow_are_in_the_recording(room: Hall) -> None:
    """A moving console's contacts report, jammed ones do not; run back, nothing else moves them."""
    path = room.folder / "moving.mid"
    text = """
        choose action = moving
        memory G1 = a b
        jam b
        push G1
        wait 1
        expect fault b
        expect rail a
    """
    assert room.run(text, "--midi-out", str(path)).exit_code == 0
    notes = [
        (event.at, event.message.note)
        for event in read_recording(path.read_bytes()).entries
        if isinstance(event, Played) and event.message.type == "note_on"
    ]
    assert notes == [(0.35, 36)]
    assert room.invoke(str(path)).exit_code == 0


def test_the_file_that_is_written(hall: Hall) -> None:
    """Type 1, a track a port, ticks of a millisecond, and what the boards themselves would send."""
    path = hall.folder / "short.mid"
    text = "title Short\nchoose again = release\ntab a on\nclose toe.2\nexpect rail a"
    assert hall.run(text, "--midi-out", str(path)).exit_code == 0
    file = mido.MidiFile(str(path))
    assert (file.type, file.ticks_per_beat) == (1, 500)
    console = read_console(LARGER)
    wiring = Wiring(console)
    tab, stud = wiring.spoken(Edge("rail.1", True)), wiring.spoken(Edge("toe.2", True))
    assert tab is not None
    assert stud is not None
    assert [list(track) for track in file.tracks] == [
        [
            MetaMessage("track_name", name="Short"),
            MetaMessage("set_tempo", tempo=500_000),
            MetaMessage("text", text="console hall.toml"),
            MetaMessage("text", text="choose again = release"),
            MetaMessage("cue_marker", text="tab a on", time=100),
            MetaMessage("cue_marker", text="close toe.2", time=100),
            MetaMessage("text", text="expect rail a", time=25),
            MetaMessage("end_of_track"),
        ],
        [
            MetaMessage("track_name", name="console"),
            MetaMessage("device_name", name="console"),
            tab[1].copy(time=100),
            MetaMessage("end_of_track", time=125),
        ],
        [
            MetaMessage("track_name", name="toe board"),
            MetaMessage("device_name", name="toe board"),
            stud[1].copy(time=200),
            MetaMessage("end_of_track", time=25),
        ],
    ]


def test_what_hands_and_feet_do(hall: Hall) -> None:
    """Edges are half a moment apart; the second touch opens first; a stage is met in its middle."""
    path = hall.folder / "hands.mid"
    text = "press DEEP deep\nrelease DEEP deep\npush DEEP deep\ncrescendo stage 2"
    assert hall.run(text, "--midi-out", str(path)).exit_code == 0
    sent = [
        (round(entry.at * 1000), entry.message)
        for entry in read_recording(path.read_bytes()).entries
        if isinstance(entry, Played)
    ]
    first, second = 3, 4  # notes of the pins more.4 and more.5
    *pistons, (at, pedal) = sent
    assert [(at, message.type, message.note) for at, message in pistons] == [
        (100, "note_on", first),
        (150, "note_on", second),
        (200, "note_off", second),
        (250, "note_off", first),
        (300, "note_on", first),
        (350, "note_on", second),
        (400, "note_off", second),
        (450, "note_off", first),
    ]
    # Stage 2 of 3 begins at 64 and, going down, ends at 62; stage 3 begins at 96, ends at 94.
    assert (at, pedal.value) == (500, (64 + 94) // 2)


def test_what_cannot_travel(hall: Hall) -> None:
    told = hall.told(
        """found rail.1 closed
push G1
undo
redo
step 2
sequence default
store fails
push BARE
switch off
switch on
""",
        "--midi-out",
        str(hall.folder / "x.mid"),
    )
    assert told == (
        "stopwright: it.rehearsal cannot be written as a MIDI file:\n"
        "  line 2: no console sends 'found rail.1 closed'\n"
        "  line 4: no console sends 'undo'\n"
        "  line 5: no console sends 'redo'\n"
        "  line 6: no console sends 'step 2'\n"
        "  line 7: no console sends 'sequence default'\n"
        "  line 8: no console sends 'store fails'\n"
        '  line 9: "BARE" has no contact on a board\n'
        "  line 10: no console sends 'switch off'\n"
        "  line 11: no console sends 'switch on'\n"
    )
    assert not (hall.folder / "x.mid").exists()
    cannot = set(re.findall(r"no console sends '([a-z]+)", told))
    (sentence,) = re.findall("(.*) cannot be written as MIDI", hall.invoke("--language").output)
    assert set(re.split(", | and ", sentence)) == cannot


def test_keys_and_a_transposer_that_are_wired_to_nothing(hall: Hall) -> None:
    text = "keys great 36-96 down\nkeys great 60 up\ntranspose +2\npush BARE"
    assert hall.told(text, "--midi-out", str(hall.folder / "x.mid")) == (
        "stopwright: it.rehearsal cannot be written as a MIDI file:\n"
        '  line 2: key 36 of "great" has no contact on a board\n'
        '  line 3: key 60 of "great" has no contact on a board\n'
        "  line 4: no console sends 'transpose +2'\n"
        '  line 5: "BARE" has no contact on a board\n'
    )


def test_music_is_written_out_and_run_back() -> None:
    """It is keys like any other in the file, and what was begun by it is still looked for."""
    console = CONSOLES["loft"]
    scale = tuple(
        Touch(n / 10 + (0.0 if down else 0.1), "great", 60 + n, down)
        for n in range(10)
        for down in (True, False)
    )
    text = "tab gt-8 drum on\nmusic\nexpect struck drum\nwait 0.5\nexpect keys great 65"
    draft = draft_of(said_in(text))
    music = Music(tuple(sorted(scale, key=lambda touch: touch.at)), 1.0)
    there = run(draft.on(console), console, fresh_bank(console), music)
    data = written(recording_of(draft.on(console), there, console, "Scale", []))
    recording = read_recording(data)
    texts = draft_of(said_in_recording(recording))
    back = run_recording(recording, texts.on(console), console, fresh_bank(console))
    assert (back.held, back.failures) == (2, [])
    assert (there.held, there.failures) == (2, [])
    assert [(round(h.at, 6), h.effect) for h in back.relayed] == [
        (round(h.at, 6), h.effect) for h in there.relayed
    ]
    assert len(there.relayed) > 20


def test_the_memory_of_a_bank_is_not_in_the_file(hall: Hall) -> None:
    """It is said which bank the file has to be run with, and that a kept one has changed."""
    bank = fresh_bank(read_console(LARGER))
    bank.put(Slot("G1", 1), Combination(bank.roster.bits(["b"])))
    path, midi = hall.folder / "player.bank", hall.folder / "it.mid"
    write_bank_file(path, BankFile(bank))
    text = "push G1\nexpect sounding b"
    outcome = "1 rehearsal, 1 expectation: all held\n"
    for options, said in (
        ([], "The MIDI file is written to it.mid"),
        (
            ["--bank", str(path)],
            "The MIDI file is written to it.mid; it has to be run with --bank player.bank too",
        ),
        (
            ["--bank", str(path), "--keep-bank"],
            "The MIDI file is written to it.mid; it has to be run with --bank player.bank,"
            " as it was before, too\nThe memory is written to player.bank",
        ),
    ):
        midi.unlink(missing_ok=True)
        result = hall.run(text if options else "push G1", *options, "--midi-out", str(midi))
        last = outcome if options else "nothing was expected\n"
        assert hall.plain(result.output).endswith(f"\n\n{said}\n{last}")
    assert hall.invoke(str(midi), "--quiet").exit_code == 1
    assert hall.invoke(str(midi), "--quiet", "--bank", str(path)).output == outcome
    told = " ".join(hall.invoke("--help").output.split())
    assert "The memory of BANK is not in it: it has to be run with --bank BANK too." in told


def test_pedals_that_are_wired_to_nothing(tmp_path: Path) -> None:
    bare = LARGER.replace('in = { port = "console", channel = 4, controller = 1 }\n', "")
    bare = bare.replace('in = { port = "console", channel = 7, controller = 11 }\n', "")
    hall = Hall(tmp_path, bare.replace('[set]\nlock = "switches.1"\n', ""))
    text = "crescendo toe\nshoe swell toe\nlock"
    assert hall.told(text, "--midi-out", str(tmp_path / "x.mid")) == (
        "stopwright: it.rehearsal cannot be written as a MIDI file:\n"
        "  line 2: the crescendo pedal is wired to nothing\n"
        '  line 3: shoe "swell" is wired to nothing\n'
        "  line 4: no console sends 'lock'\n"
    )


def test_nothing_is_overwritten(hall: Hall) -> None:
    path = hall.folder / "there.mid"
    path.write_bytes(b"precious")
    told = hall.told("push G1", "--midi-out", str(path))
    assert told == "stopwright: there.mid: it is there already, and is left as it is\n"
    assert path.read_bytes() == b"precious"


def test_a_midi_file_is_not_written_as_one(hall: Hall) -> None:
    path = hall.folder / "one.mid"
    hall.run("push G1", "--midi-out", str(path))
    result = hall.invoke(str(path), "--midi-out", str(hall.folder / "two.mid"))
    assert (result.exit_code, hall.plain(result.output)) == (
        2,
        "stopwright: one.mid is a MIDI file already\n",
    )


@given(likely_rehearsals(["larger", "moving", "loft"], travelling=True), st.none() | musics())
@settings(max_examples=EXAMPLES, deadline=None)
def test_any_rehearsal_that_can_travel_comes_back(
    rehearsed: tuple[str, str], music: Music | None
) -> None:
    """The same expectations hold, the same is seen after each that does not, and the same sounds
    at the same times.
    """
    name, text = rehearsed
    console = CONSOLES[name]
    draft = draft_of(said_in(text))
    rehearsal = draft.on(console)
    there = run(rehearsal, console, fresh_bank(console), music if name == "loft" else None)
    opening = [said.text for said in draft.opening]
    data = written(recording_of(rehearsal, there, console, "Any", opening))
    recording = read_recording(data)
    texts = draft_of(said_in_recording(recording))
    back = run_recording(recording, texts.on(console), console, fresh_bank(console))
    assert back.held == there.held
    assert [(f.said.text, f.found) for f in back.failures] == [
        (f.said.text, f.found) for f in there.failures
    ]
    assert back.steps[-1].look == there.steps[-1].look
    assert [(round(h.at, 6), h.effect) for h in back.relayed] == [
        (round(h.at, 6), h.effect) for h in there.relayed
    ]
    assert back.unknown == 0


# ---------------------------------------------------------------- broken files


def header(kind: int, tracks: int, division: int, size: int = 6) -> bytes:
    numbers = b"".join(n.to_bytes(2) for n in (kind, tracks, division))
    return b"MThd" + size.to_bytes(4) + numbers


def track(body: bytes) -> bytes:
    return b"MTrk" + len(body).to_bytes(4) + body


END = b"\x00\xff\x2f\x00"
LONG = b"\x00\xff\x51\x03\xff\xff\xff" + b"\xff\xff\xff\x7f\xff\x06\x00" + END

BROKEN = {
    "only its first bytes": (b"MThd", "it ends within its header"),
    "half a header": (header(1, 1, 96)[:11], "it ends within its header"),
    "a short header": (header(1, 1, 96, size=4), "its header has 4 bytes; expected 6"),
    "a header beyond the end": (header(1, 1, 96, size=600), "it has 0 of 1 tracks"),
    "type 2": (
        header(2, 1, 96) + track(END),
        "it is of type 2; only types 0 and 1 are one performance",
    ),
    "type 77": (header(77, 1, 96), "it is of type 77; only types 0 and 1 are one performance"),
    "film frames": (
        header(1, 1, 0xE728) + track(END),
        "it is timed by film frames; only beats can be read",
    ),
    "no ticks": (header(1, 1, 0) + track(END), "it has no ticks to the beat"),
    "no tracks": (header(1, 0, 96), "it has 0 of 1 tracks"),
    "a track too few": (header(1, 2, 96) + track(END), "it has 1 of 2 tracks"),
    "cut off in a track": (
        header(1, 1, 96) + track(b"\x00\x90\x24\x7f" + END)[:-3],
        "it ends too early: something is cut off",
    ),
    "a track that claims four gigabytes": (
        header(1, 1, 96) + b"MTrk\xff\xff\xff\xff" + END,
        "it ends too early: something is cut off",
    ),
    "something after its end": (
        header(1, 1, 96) + track(END) + b"end",
        "it ends too early: something is cut off",
    ),
    "cut off in a message": (
        header(1, 1, 96) + track(b"\x00\x90\x24"),
        "track 1 ends within an event",
    ),
    "a text that claims more": (
        header(1, 1, 96) + track(b"\x00\xff\x01\xff\xff\xff\x7fx"),
        "track 1 ends within an event",
    ),
    "a time without end": (
        header(1, 1, 96) + track(b"\x81" * 900_000),
        "track 1 has a number longer than four bytes",
    ),
    "no status": (
        header(1, 1, 96) + track(b"\x00\x24\x7f"),
        "track 1 begins with a message that has no status",
    ),
    "a clock": (
        header(1, 1, 96) + track(b"\x00\xf8"),
        "track 1 has a byte F8 where a message should begin",
    ),
    "a message within another": (
        header(1, 1, 96) + track(b"\x00\x90\x24\x90"),
        "track 1 has a message that another begins within",
    ),
    "a tempo of nothing": (
        header(1, 1, 96) + track(b"\x00\xff\x51\x03\x00\x00\x00" + END),
        "track 1 has a tempo that is none",
    ),
    "half a tempo": (
        header(1, 1, 96) + track(b"\x00\xff\x51\x01\x07" + END),
        "track 1 has a tempo that is none",
    ),
    "two centuries": (header(1, 1, 1) + track(LONG), "it lasts longer than a day"),
    "too large": (header(1, 1, 96) + bytes(LARGEST), "it is longer than 1 MiB"),
}


@pytest.mark.parametrize(("data", "message"), BROKEN.values(), ids=BROKEN)
def test_broken_files(hall: Hall, data: bytes, message: str) -> None:
    said = f"stopwright: it.mid is no MIDI file that can be run: {message}\n"
    assert recorded(hall, data) == (2, said)


def test_a_long_time_costs_nothing(room: Hall) -> None:
    """Hours of silence are one step; what falls due in them happens."""
    body = b"\x00\xb1\x14\x7f" + b"\xff\xff\x7f\xff\x06\x00" + END
    code, said = recorded(room, header(1, 1, 1000) + track(body))
    assert code == 0
    assert "\n30.000                      stuck    G1, at pin thumb.1\n" in said


# ---------------------------------------------------------------- any file at all

VALID = (
    header(1, 2, 500)
    + track(
        b"\x00\xff\x51\x03\x07\xa1\x20"
        + b"\x00\xff\x01\x0dmemory G1 = a"
        + b"\x64\xff\x07\x07push G1"
        + b"\x32\xff\x01\x0dexpect lit G1"
        + END
    )
    + track(
        b"\x00\xff\x09\x07console"
        + b"\x64\xb1\x14\x7f"
        + b"\x19\x14\x00"
        + b"\x00\x90\x24\x7f"
        + END
    )
)


def test_the_file_to_be_mutated_is_valid(room: Hall) -> None:
    assert recorded(room, VALID, "--quiet") == (0, "1 rehearsal, 1 expectation: all held\n")


@pytest.mark.parametrize("length", range(4, len(VALID)))
def test_every_truncation_is_refused(length: int) -> None:
    with pytest.raises(MidiFileError):
        read_recording(VALID[:length])


_QUIETLY = settings(
    max_examples=EXAMPLES,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)


@given(st.data())
@_QUIETLY
def test_mutated_files(room: Hall, data: st.DataObject) -> None:
    """Bytes changed, put in or left out: it runs, or there is one message."""
    mutated = bytearray(VALID)
    for _ in range(data.draw(st.integers(1, 4))):
        place = data.draw(st.integers(4, len(mutated) - 1))
        change = data.draw(st.integers(0, 2))
        if change == 0:
            mutated[place] = data.draw(st.integers(0, 255))
        elif change == 1:
            mutated.insert(place, data.draw(st.integers(0, 255)))
        else:
            del mutated[place]
    code, said = recorded(room, bytes(mutated), "--quiet")
    assert code in (0, 1, 2)
    assert said.startswith("stopwright: ") == (code == 2)


@given(st.binary(max_size=200))
@_QUIETLY
def test_random_bytes(room: Hall, data: bytes) -> None:
    code, said = recorded(room, b"MThd" + data, "--quiet")
    assert code in (0, 2)
    assert said.startswith("stopwright: ") == (code == 2)


@given(st.binary(max_size=200))
@_QUIETLY
def test_random_tracks(room: Hall, body: bytes) -> None:
    code, _ = recorded(room, header(0, 1, 96) + track(body), "--quiet")
    assert code in (0, 1, 2)


# ---------------------------------------------------------------- an outside party


@st.composite
def midi_files(draw: st.DrawFn) -> MidiFile:
    """Files of type 1 as mido makes them: messages, tempos, texts."""
    times = st.integers(0, 5000)
    notes = st.builds(
        Message,
        st.sampled_from(["note_on", "note_off"]),
        channel=st.integers(0, 15),
        note=st.integers(0, 127),
        velocity=st.integers(0, 127),
        time=times,
    )
    others = st.builds(Message, st.just("program_change"), program=st.integers(0, 127), time=times)
    tempos = st.builds(
        MetaMessage, st.just("set_tempo"), tempo=st.integers(1, 2_000_000), time=times
    )
    names = st.builds(MetaMessage, st.just("track_name"), name=st.just("x"), time=times)
    events = st.lists(st.one_of(notes, others, tempos, names), max_size=12)
    tracks = [MidiTrack(draw(events)) for _ in range(draw(st.integers(1, 3)))]
    return MidiFile(type=1, ticks_per_beat=draw(st.integers(1, 32767)), tracks=tracks)


@given(midi_files())
@settings(max_examples=EXAMPLES, deadline=None)
def test_messages_and_times_are_those_that_mido_reads(file: MidiFile) -> None:
    expected, now = [], 0.0
    for message in file:
        now += message.time
        if not message.is_meta:
            expected.append((now, message.bytes()))
    found = [
        (entry.at, entry.message.bytes())
        for entry in read_recording(saved(file)).entries
        if isinstance(entry, Played)
    ]
    assert [message for _, message in found] == [message for _, message in expected]
    assert [at for at, _ in found] == pytest.approx([at for at, _ in expected])


@given(
    st.lists(
        st.tuples(st.integers(0, 9000), st.sampled_from("cmt"), st.integers(0, 127)), max_size=20
    )
)
@settings(max_examples=EXAMPLES, deadline=None)
def test_what_is_written_is_what_is_read(things: list[tuple[int, str, int]]) -> None:
    """To the millisecond; at one time cue points come first, then messages, then texts."""
    entries: list[Played | Told | Cued] = []
    for milliseconds, kind, number in sorted(things):
        at = milliseconds / 1000
        if kind == "m":
            entries.append(Played(at, ("p", "p"), bytes([0x90, number, 1])))
        else:
            entries.append((Cued if kind == "c" else Told)(at, f"né {number}"))
    recording = Recording("Tïtle", tuple(entries), 9.5, ("p",))
    back = read_recording(written(recording))
    assert (back.title, back.lasts, back.entries) == ("Tïtle", 9.5, tuple(entries))


def test_music_taken_for_a_recording_is_called_that(room: Hall) -> None:
    file = MidiFile(type=0, tracks=[MidiTrack([Message("note_on", note=60, channel=15)])])
    path = room.folder / "hymn.mid"
    path.write_bytes(saved(file))
    result = room.invoke(str(path), "--console", str(room.folder / "hall.toml"))
    assert "sends (if it is music, give it as --music)\n" in result.output
