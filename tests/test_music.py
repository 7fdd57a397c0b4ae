"""Music from Standard MIDI Files, played at a console: which parts there are, and what sounds.

The files are written by mido. What should sound is worked out from the notes of the music, by
a few lines that know nothing of the relay.
"""

import json
import re
from io import BytesIO
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import example, given, settings
from hypothesis import strategies as st
from mido import Message, MetaMessage, MidiFile, MidiTrack

from cli.rehearsal.commands import rehearse
from cli.rehearsal.midi_files import LARGEST, MidiFileError, read_tracks
from cli.rehearsal.music import Held, Part, Piece, chosen, music_of, read_piece
from cli.rehearsal.statements import Touch
from combination.reading import read_console
from tests.rehearsed import Hall
from tests.test_sound import lines_in

BENCH = """
format = 1
name = "Practice bench, Coldharbour"
action = "blind"
keyboard = [
    { id = "manual-1", name = "Great", contacts = "keys.1" },
    { id = "manual-1-2nd", name = "Great Second Touch" },
    { id = "feet", name = "Pedal", keys = 32 },
]
division = [
    { id = "great", name = "Great", keyboard = "manual-1" },
    { id = "pedal", name = "Pedal", keyboard = "feet" },
    { id = "echo", name = "Echo" },
]
rank = [
    { id = "flute", name = "Flute", family = "flute", pipes = 73 },
    { id = "bourdon", name = "Bourdon", pitch = "16", pipes = 44 },
]
stop = [
    { id = "flute-8", label = "Flute 8'", division = "great", rank = "flute" },
    { id = "flute-4", label = "Flute 4'", division = "great", rank = "flute", pitch = "4" },
    { id = "bourdon-16", label = "Bourdon 16'", division = "pedal", rank = "bourdon" },
    { id = "echo-8", label = "Echo 8'", division = "echo", rank = "flute" },
]
board = [{ id = "keys", pins = 61, in = { port = "console", channel = 1, first-note = 0 } }]
"""
CONSOLE = read_console(BENCH)
BEAT = 480
"""Ticks to the beat of the files written here; a beat is half a second until a tempo is given."""


@pytest.fixture
def hall(tmp_path: Path) -> Hall:
    return Hall(tmp_path, BENCH)


def on(note: int, time: int = 0, channel: int = 1) -> Message:
    return Message("note_on", channel=channel - 1, note=note, velocity=80, time=time)


def off(note: int, time: int = 0, channel: int = 1) -> Message:
    return Message("note_off", channel=channel - 1, note=note, time=time)


def off_by_velocity(note: int, time: int = 0, channel: int = 1) -> Message:
    return Message("note_on", channel=channel - 1, note=note, velocity=0, time=time)


def saved(*tracks: list[Message | MetaMessage], kind: int = 1) -> bytes:
    whole = BytesIO()
    file = MidiFile(type=kind, ticks_per_beat=BEAT)
    file.tracks.extend(MidiTrack(track) for track in tracks)
    file.save(file=whole)
    return whole.getvalue()


def named(name: str) -> MetaMessage:
    return MetaMessage("track_name", name=name)


def tempo(seconds: float, time: int = 0) -> MetaMessage:
    return MetaMessage("set_tempo", tempo=round(seconds * 1_000_000), time=time)


DUET = saved(
    [named("Duet"), tempo(0.5), tempo(1.0, 2 * BEAT)],
    [named("Hands"), on(60), on(64), off(60, BEAT), off(64), on(62), off_by_velocity(62, 2 * BEAT)],
    [named("Feet"), on(36, 0, 2), off(36, BEAT, 2), on(43, 0, 2), off(43, 2 * BEAT, 2)],
    [named("Words")],
    [named("Both"), on(20, 0, 3), on(35, 0, 10), off(35, BEAT, 10), off(20, 0, 3)],
)
"""Beats of half a second, and from the third of a whole one."""

# ---------------------------------------------------------------- parts


def test_tracks_are_parts_and_their_channels_where_they_have_several() -> None:
    """Notes end with their off, or an on of no velocity, at the times that the tempos give."""
    assert read_piece(DUET) == Piece(
        (
            Part("2", "Hands", 1, (Held(0, 0.5, 60), Held(0, 0.5, 64), Held(0.5, 2.0, 62))),
            Part("3", "Feet", 2, (Held(0, 0.5, 36), Held(0.5, 2.0, 43))),
            Part("5.3", "Both", 3, (Held(0, 0.5, 20),)),
            Part("5.10", "Both", 10, (Held(0, 0.5, 35),)),
        ),
        2.0,
    )


@pytest.mark.parametrize("kind", [0, 1])
def test_channels_are_parts_of_a_file_of_one_track(kind: int) -> None:
    track = [named("Duet"), on(60, 0, 4), on(36, 0, 2), off(60, BEAT, 4), off(36, BEAT, 2)]
    piece = read_piece(saved(track, kind=kind))
    assert [(part.id, part.name, part.channel) for part in piece.parts] == [
        ("2", "", 2),
        ("4", "", 4),
    ]
    assert [part.notes for part in piece.parts] == [(Held(0, 1.0, 36),), (Held(0, 0.5, 60),)]


def test_nothing_but_notes_counts() -> None:
    track = [
        Message("program_change", program=5),
        Message("control_change", control=64, value=127),
        on(60),
        Message("pitchwheel", pitch=2000, time=BEAT),
        Message("polytouch", note=60, value=3),
        off(60, BEAT),
        off(61),
        Message("control_change", control=64, value=0, time=BEAT),
    ]
    assert read_piece(saved(track)) == Piece((Part("1", "", 1, (Held(0, 1.0, 60),)),), 1.5)


def test_two_voices_of_one_part_on_one_note() -> None:
    """The first off ends the first on; a note that nothing ends lasts to the end."""
    track = [on(60), on(60, BEAT), off(60, BEAT), off(60, BEAT), on(61), on(62, 2 * BEAT), off(62)]
    (part,) = read_piece(saved(track)).parts
    assert part.notes == (
        Held(0, 1.0, 60),
        Held(0.5, 1.5, 60),
        Held(2.5, 2.5, 62),
        Held(1.5, 2.5, 61),
    )


# ---------------------------------------------------------------- on keyboards


def played(data: bytes, *plays: str) -> list[Touch]:
    piece = read_piece(data)
    return list(music_of(chosen(piece, plays, CONSOLE), piece.lasts).touches)


@pytest.mark.parametrize(
    ("where", "keyboard"),
    [("great", "manual-1"), ("manual-1", "manual-1"), ("manual-1-2nd", "manual-1-2nd")],
)
def test_a_division_stands_for_its_keyboard(where: str, keyboard: str) -> None:
    assert played(DUET, f"2={where}") == [
        Touch(0, keyboard, 60, True),
        Touch(0, keyboard, 64, True),
        Touch(0.5, keyboard, 60, False),
        Touch(0.5, keyboard, 64, False),
        Touch(0.5, keyboard, 62, True),
        Touch(2.0, keyboard, 62, False),
    ]


def test_notes_that_a_keyboard_has_not_are_left_out() -> None:
    """The pedals end at 67, and begin as everything does at 36."""
    (choice,) = chosen(read_piece(saved([on(67), on(68), on(35), off(67, 9)])), ["1=feet"], CONSOLE)
    assert (choice.keys[0], choice.keys[-1], choice.missing) == (36, 67, 2)
    assert {touch.key for touch in music_of([choice], 1.0).touches} == {67}


def sounding(hall: Hall, data: bytes, text: str, *plays: str) -> dict[str, list[tuple[int, ...]]]:
    """What sounds of music under a rehearsal, rank by rank, in milliseconds from its beginning."""
    (hall.folder / "music.mid").write_bytes(data)
    out = hall.folder / "sound.mid"
    out.unlink(missing_ok=True)
    options = [word for play in plays for word in ("--play", play)]
    music = str(hall.folder / "music.mid")
    result = hall.run(text, "--json", "--sound-out", str(out), "--music", music, *options)
    assert result.exit_code == 0, result.output
    steps = json.loads(result.output)[0]["steps"]
    begins = next(round(step["time"] * 1000) for step in steps if step["statement"] == "music")
    return {
        line.name: [(start - begins, end - begins, note) for start, end, note, _ in line.notes]
        for line in lines_in(out)
    }


def test_music_sounds_under_the_registration_of_the_rehearsal(hall: Hall) -> None:
    """An 8' sounds at the note, a 4' an octave above it, a 16' an octave below (S3)."""
    heard = sounding(hall, DUET, "tab flute-8 on\ntab bourdon-16 on", "2=great", "3=pedal")
    assert heard == {
        "Flute": [(0, 500, 60), (0, 500, 64), (500, 2000, 62)],
        "Bourdon": [(0, 500, 24), (500, 2000, 31)],
    }
    heard = sounding(hall, DUET, "tab flute-4 on\nmusic\nwait 1.4\ntab flute-4 off", "2=great")
    assert heard == {"Flute": [(0, 500, 72), (0, 500, 76), (500, 1500, 74)]}


def test_a_key_is_down_while_any_voice_holds_it(hall: Hall) -> None:
    """Two parts meet on a key: it is struck once. When none is left, it is struck again.

    It comes up before that by a little more than the bounce of its contact, 5 ms.
    """
    data = saved(
        [named("One"), on(60), off(60, 2 * BEAT)],
        [named("Two"), on(60, BEAT), off(60, 2 * BEAT), on(60), off(60, BEAT)],
    )
    heard = sounding(hall, data, "tab flute-8 on", "1=great", "2=great")
    first, again = heard["Flute"]
    assert first[0] == 0
    assert 5 <= 1500 - first[1] <= 10
    assert again == (1500, 2000, 60)
    assert sounding(hall, data, "tab flute-8 on", "1=great", "1=great")["Flute"] == [(0, 1000, 60)]


def test_what_is_played_and_what_is_not_is_told(hall: Hall) -> None:
    (hall.folder / "duet.mid").write_bytes(DUET)
    options = ["--music", str(hall.folder / "duet.mid")]
    parts = ["--play", "2=great", "--play", "5.3=great"]
    result = hall.run("tab flute-8 on", *options, *parts)
    assert result.output.endswith(
        "part 5.3: 1 note beyond the keys of manual-1 (36-96) left out\n"
        "Part 2 of the music is played on manual-1: 3 notes\n"
        "Part 5.3 of the music is played on manual-1: 0 notes\n"
        "nothing was expected\n"
    )
    result = hall.run("tab flute-8 on", "--quiet", *options, *parts)
    assert result.output == (
        "part 5.3: 1 note beyond the keys of manual-1 (36-96) left out\nnothing was expected\n"
    )
    result = hall.run("tab flute-8 on", "--json", *options, *parts)
    assert json.loads(result.output)[0]["music"] == [
        {"part": "2", "keyboard": "manual-1", "notes": 3, "left_out": 0},
        {"part": "5.3", "keyboard": "manual-1", "notes": 1, "left_out": 1},
    ]


@pytest.mark.parametrize(
    ("text", "mute"),
    [
        ("wait 1", True),
        ("tab bourdon-16 on", True),
        ("tab flute-8 on\nkeys manual-1 36 down\nkeys manual-1 36 up\ntab flute-8 off", True),
        ("music\nwait 0.2\ntab flute-8 on", False),
        ("tab flute-8 on", False),
    ],
)
def test_music_that_nothing_plays(hall: Hall, text: str, mute: bool) -> None:
    (hall.folder / "duet.mid").write_bytes(DUET)
    music = ["--music", str(hall.folder / "duet.mid"), "--play", "2=great"]
    result = hall.run(text, "--quiet", *music)
    said = "no pipe sounds in the music: no stop is on that its keys play\n"
    assert result.output == (said if mute else "") + "nothing was expected\n"


# ---------------------------------------------------------------- refusals

LISTING = """\
duet.mid has 4 parts
part  name   channel     notes  from  to
2     Hands  1           3      60    64
3     Feet   2           2      36    43
5.3   Both   3           1      20    20
5.10  Both   10 (drums)  1      35    35

Say what is played where, as --play 2=great
"""


def test_without_a_choice_the_parts_are_listed(hall: Hall) -> None:
    (hall.folder / "duet.mid").write_bytes(DUET)
    out = hall.folder / "sound.mid"
    music = ["--music", str(hall.folder / "duet.mid"), "--sound-out", str(out)]
    listed = hall.run("wait 1", *music)
    assert (listed.exit_code, hall.plain(listed.output)) == (0, LISTING)
    data = json.loads(hall.run("wait 1", *music, "--json").output)
    assert [part["part"] for part in data] == ["2", "3", "5.3", "5.10"]
    assert data[0] == {
        "part": "2", "name": "Hands", "channel": 1, "notes": 3, "from": 60, "to": 64
    }  # fmt: skip
    assert not out.exists()


@pytest.mark.parametrize(
    ("plays", "told"),
    [
        (["2"], '"2" is not PART=KEYBOARD, such as 2=great\n'),
        (["7=great"], 'there is no part "7"; there are 2, 3, 5.10, 5.3\n'),
        (["2=gerat"], 'there is no division or keyboard "gerat"; did you mean "great"?\n'),
        (["2=echo"], 'division "echo" is floating: it has no keyboard of its own\n'),
        (
            ["2=great", "9=echo", "x"],
            'there is no part "9"; there are 2, 3, 5.10, 5.3\n'
            'division "echo" is floating: it has no keyboard of its own\n'
            '"x" is not PART=KEYBOARD, such as 2=great\n',
        ),
    ],
)
def test_what_is_wrong_with_a_choice_is_told_with_what_there_is(
    hall: Hall, plays: list[str], told: str
) -> None:
    (hall.folder / "duet.mid").write_bytes(DUET)
    options = [word for play in plays for word in ("--play", play)]
    out = hall.folder / "sound.mid"
    music = str(hall.folder / "duet.mid")
    said = hall.told("wait 1", "--music", music, *options, "--sound-out", str(out))
    assert said == f"stopwright: {told}without --play the parts of duet.mid are listed\n"
    assert not out.exists()


def test_names_from_a_file_do_not_reach_the_terminal_raw(hall: Hall) -> None:
    (hall.folder / "duet.mid").write_bytes(saved([], [named("\x1b[2J\nx"), on(60), off(60, 5)]))
    said = hall.run("wait 1", "--music", str(hall.folder / "duet.mid")).output
    assert "2     ?[2J?x  1" in said


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (b"title a rehearsal\n", "it does not begin as a Standard MIDI File does"),
        (b"", "it does not begin as a Standard MIDI File does"),
        (b"MThd", "it ends within its header"),
        (saved([named("Duet")]), "there is not a note in it"),
        (saved([off(60)]), "there is not a note in it"),
        (saved([on(60)], kind=2), "it is of type 2; only types 0 and 1 are one performance"),
        (DUET[:-3], "it ends too early: something is cut off"),
        (bytes(LARGEST + 1), "it is longer than 1 MiB"),
    ],
)
def test_files_that_are_no_music(hall: Hall, data: bytes, told: str) -> None:
    (hall.folder / "duet.mid").write_bytes(data)
    said = hall.told("wait 1", "--music", str(hall.folder / "duet.mid"), "--play", "1=great")
    assert said == f"stopwright: duet.mid is no MIDI file that can be played: {told}\n"


def test_a_file_that_is_not_there(hall: Hall) -> None:
    said = hall.told("wait 1", "--music", str(hall.folder / "none.mid"))
    assert said == "stopwright: none.mid cannot be read: no such file or directory\n"


def test_combinations_that_mean_nothing(hall: Hall) -> None:
    (hall.folder / "duet.mid").write_bytes(DUET)
    music = ["--music", str(hall.folder / "duet.mid"), "--play", "2=great"]
    said = hall.told("wait 1", "--play", "2=great")
    assert said == "stopwright: --play chooses from the file that --music names: give that too\n"
    said = hall.told("wait 1", "--worked", *music)
    assert said == "stopwright: --music is for one rehearsal at a time\n"
    recording = hall.folder / "recording.mid"
    assert hall.run("wait 1", "--midi-out", str(recording)).exit_code == 0
    result = hall.invoke(str(recording), *music)
    assert (result.exit_code, hall.plain(result.output)) == (
        2,
        "stopwright: recording.mid is a recording: --music goes with a rehearsal that you write\n",
    )


def test_help_says_how() -> None:
    told = re.sub(r"\s+", " ", CliRunner().invoke(rehearse, ["--help"]).output)
    assert "Without --play its parts are listed." in told
    assert "2=great is track 2 of several, or channel 2 of the only one" in told


# ---------------------------------------------------------------- whatever is in a file


@given(st.binary(max_size=200))
@example(DUET)
@settings(max_examples=120)
def test_any_bytes_are_read_or_refused(data: bytes) -> None:
    for whole in (data, DUET[:14] + b"MTrk" + len(data).to_bytes(4) + data, DUET[: len(data)]):
        try:
            piece = read_piece(whole)
        except MidiFileError:
            continue
        assert all(
            0 <= start <= end <= piece.lasts for p in piece.parts for start, end, _ in p.notes
        )


def test_tracks_have_times_of_their_own() -> None:
    """Each is timed by the tempos of all, whatever order they are read in."""
    slow = [on(60, BEAT), off(60, BEAT)]
    tracks, lasts = read_tracks(saved(slow, [tempo(2.0)], slow))
    assert [[played.at for played in track.played] for track in tracks] == [[2, 4], [], [2, 4]]
    assert lasts == 4
