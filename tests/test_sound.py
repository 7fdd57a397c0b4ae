"""What sounds, as a Standard MIDI File: heard through a synthesizer, and read by others.

FluidSynth plays the file, and what comes out is measured against sources.md S12; symusic, whose
parser has nothing of mido in it, must find the notes that the relay's effects amount to.
"""

import json
import math
import re
import subprocess
import wave
from collections import Counter
from collections.abc import Iterable, Iterator
from functools import cache
from importlib import resources
from io import BytesIO
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from attrs import evolve, frozen
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from mido import Message, MidiFile
from numpy.typing import NDArray
from symusic.core import ScoreSecond

from cli.rehearsal.bench import Happening, Run
from cli.rehearsal.commands import rehearse
from cli.rehearsal.lines import draft_of, said_in
from cli.rehearsal.rehearsing import run
from cli.rehearsal.sound import TONED, SoundError, sound_of
from combination.bits import Parts
from combination.effects import OutputsOff, OutputsOn
from combination.memory import fresh_bank
from combination.model import Console, Rank
from combination.reading import read_console
from combination.registration import Roster
from tests.needed import SOUNDFONT, installed
from tests.rehearsed import Hall

DEMOS = {
    name: (resources.files("cli") / "demos" / f"{name}.toml").read_text(encoding="utf-8")
    for name in ("theatre", "church")
}


@cache
def console(name: str) -> Console:
    return read_console(DEMOS[name])


# ---------------------------------------------------------------- through a synthesizer

SHIFTS = {"16": -12, "8": 0, "4": 12, "2 2/3": 19, "2": 24}
"""Semitones above the key: octaves by S3; 2 2/3' is an octave and a fifth above (S5)."""
STOPS = {
    "16": "gt-bourdon-16",
    "8": "gt-flute-8",
    "4": "gt-flute-4",
    "2 2/3": "gt-twelfth-2-2-3",
    "2": "gt-piccolo-2",
}
KEYS = (36, 48, 57, 67, 79, 96)
HIGHEST = 108
"""The highest note that the soundfont's ocarina has; measured."""
WITHIN = 0.015
"""A part of the frequency; a semitone is four times as much. Measured: within a hundredth."""


def heard_by(fluidsynth: str, midi: Path) -> tuple[NDArray[np.float64], int]:
    """What a file sounds like, as samples of one channel, and their number a second."""
    sound = midi.with_suffix(".wav")
    options = ["-ni", "-q", "-F", str(sound), "-r", "44100"]
    subprocess.run([fluidsynth, *options, str(SOUNDFONT), str(midi)], check=True, timeout=120)
    with wave.open(str(sound)) as file:
        samples = np.frombuffer(file.readframes(file.getnframes()), "<i2")
        both = samples.reshape(-1, file.getnchannels()).astype(np.float64)
        return both.mean(axis=1), file.getframerate()


def strongest(samples: NDArray[np.float64], rate: int) -> float:
    """The frequency, in hertz, of the strongest bin of a Fourier transform, finely spaced."""
    size = 1 << 18
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples)), size))
    return float(np.argmax(spectrum)) * rate / size


class Struck(NamedTuple):
    """A key that was down, and from when (seconds)."""

    key: int
    at: float


@pytest.fixture(scope="module")
def performance(
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[dict[str, list[Struck]], NDArray[np.float64], int]:
    """Single keys of the theatre console's Great on each stop alone: when, and the sound."""
    fluidsynth = installed("fluidsynth", SOUNDFONT)
    hall = Hall(tmp_path_factory.mktemp("hall"), DEMOS["theatre"])
    lines = []
    for pitch, stop in STOPS.items():
        lines.append(f"tab {stop} on")
        for key in KEYS:
            if key + SHIFTS[pitch] <= HIGHEST:
                lines += [f"keys great {key} down", "wait 0.4", f"keys great {key} up", "wait 0.1"]
        lines.append(f"tab {stop} off")
    midi = hall.folder / "sound.mid"
    result = hall.run("\n".join(lines), "--json", "--sound-out", str(midi))
    assert result.exit_code == 0, result.output
    struck: dict[str, list[Struck]] = {}
    pitch_of = {stop: pitch for pitch, stop in STOPS.items()}
    pitch = ""
    for step in json.loads(result.output)[0]["steps"]:
        match step["statement"].split():
            case ["tab", stop, "on"]:
                pitch = pitch_of[stop]
            case ["keys", "great", key, "down"]:
                struck.setdefault(pitch, []).append(Struck(int(key), step["time"]))
    return struck, *heard_by(fluidsynth, midi)


@pytest.mark.parametrize("pitch", STOPS)
def test_single_notes_sound_at_the_frequencies_of_equal_temperament(
    pitch: str, performance: tuple[dict[str, list[Struck]], NDArray[np.float64], int]
) -> None:
    """sources.md S12: note n is 440 · 2^((n − 69)/12) Hz."""
    struck, samples, rate = performance
    assert len(struck[pitch]) >= 5
    for key, at in struck[pitch]:
        held = samples[round((at + 0.08) * rate) : round((at + 0.48) * rate)]
        published = 440 * 2 ** ((key + SHIFTS[pitch] - 69) / 12)
        assert strongest(held, rate) == pytest.approx(published, rel=WITHIN), key


def test_between_keys_there_is_silence(
    performance: tuple[dict[str, list[Struck]], NDArray[np.float64], int],
) -> None:
    """Before the first key nothing is heard, and a second after the last nothing any more."""
    struck, samples, rate = performance
    first = min(at for notes in struck.values() for _, at in notes)
    assert np.abs(samples[: round(first * rate)]).max() <= 2
    last = max(at for notes in struck.values() for _, at in notes)
    assert np.abs(samples[round((last + 1.6) * rate) :]).max() <= 20
    assert 300 < np.abs(samples).max() < 32767


# ---------------------------------------------------------------- what must be in the file


@frozen
class Line:
    """A track: its name, its program (0-127), whether it is drums, and its notes.

    A note is its start and its end in milliseconds, its number and its velocity.
    """

    name: str
    program: int
    is_drum: bool
    notes: tuple[tuple[int, int, int, int], ...]


def lines_of(console: Console, relayed: Iterable[Happening], lasts: float) -> list[Line]:
    """The tracks that the relay's effects amount to, those without notes left out."""
    places: dict[tuple[str, int], int] = {}
    notes: dict[str, list[tuple[int, int, int]]] = {}
    drums = {trap.id: trap.drum for trap in console.traps if trap.drum}

    def end(place: tuple[str, int], at: float) -> None:
        start, stop = places.pop(place), round(at * 1000)
        if stop > start:
            notes.setdefault(place[0], []).append((start, stop, place[1]))

    for happening in relayed:
        effect = happening.effect
        if not isinstance(effect, OutputsOff | OutputsOn):
            continue
        pipes = [(rank, pipe) for rank, numbers in effect.pipes for pipe in numbers]
        struck = [("", drums[name]) for name in effect.controls if name in drums]
        for place in pipes + struck:
            if isinstance(effect, OutputsOn):
                places[place] = round(happening.at * 1000)
            else:
                end(place, happening.at)
    for place in list(places):
        end(place, lasts)

    lines = []
    for rank in console.ranks:
        first = rank.first_key + round(12 * math.log2(8 / rank.pitch)) - 1
        blown = notes.get(rank.id, [])
        numbered = [(start, stop, first + pipe, rank.velocity) for start, stop, pipe in blown]
        program = (rank.program or PROGRAMS[rank.family]) - 1
        lines.append(Line(rank.name, program, False, ordered(numbered)))
    strokes = [(start, stop, drum, 64) for start, stop, drum in notes.get("", [])]
    lines.append(Line("Traps", 0, True, ordered(strokes)))
    return [line for line in lines if line.notes]


PROGRAMS = {"flute": 80, "diapason": 20, "mixture": 20, "string": 49, "reed": 57}
"""General MIDI (1-128): ocarina, church organ, strings, trumpet. From memory."""


def ordered(notes: Iterable[tuple[int, int, int, int]]) -> tuple[tuple[int, int, int, int], ...]:
    return tuple(sorted(note for note in notes if 0 <= note[2] <= 127))


def lines_in(path: Path) -> list[Line]:
    """The tracks of a file that have notes, as symusic reads them."""
    return [
        Line(
            track.name,
            track.program,
            track.is_drum,
            ordered(
                (round(note.time * 1000), round(note.end * 1000), note.pitch, note.velocity)
                for note in track.notes
            ),
        )
        for track in ScoreSecond.from_file(path).tracks
    ]


def rehearsed(console: Console, text: str) -> Run:
    rehearsal = draft_of(said_in(text)).on(console)
    return run(rehearsal, console, fresh_bank(console))


THEATRE = """
title All that a rank can do
tab gt-tibia-8 on
tab gt-tierce-1-3-5 on
tab gt-octave-4 on
tab gt-gt-4 on
tab so-gt-pizz on
tab so-oboe-8 on
tab so-xylophone on
tab so-chimes on
tab so-so-4 on
tab pd-resultant-32 on
tab pd-bass-drum on
tab pd-crash-cymbal on
keys great 36 60 64 67 96 down
keys great 64 up
keys great 64 down
keys pedal 36 down
keys pedal 38 down
wait 0.25
keys pedal all up
keys solo 60 72 down
wait 0.7
tab gt-tibia-8 off
keys solo all up
transpose 2
tab ac-harp on
tab ac-celesta on
keys accomp 60 64 down
wait 0.3
push fo2
keys solo 60 down
wait 0.2
push fo2
switch off
wait 0.2
keys great all up
keys solo all up
keys accomp all up
tab so-xylophone off
tab so-chimes off
tab ac-harp off
tab ac-celesta off
switch on
tab so-saxophone-8 on
tab so-english-horn-8 on
tab so-glockenspiel on
tab ac-vox-8 on
keys solo 60 67 down
keys accomp 60 down
wait 0.2
keys accomp 60 up
tab so-sleigh-bells on
keys solo 62 down
"""
"""Octave and pizzicato couplers, repeating stops and strokes, traps, the transposer, repeated
keys, full organ, all ranks but two, switching off under the hands, keys down at the end."""
CHURCH = """
title All 28 ranks at once
push fo
tab sw-celeste-8 on
crescendo toe
keys great 48 60 64 67 down
keys swell 72 76 79 down
keys pedal 36 43 down
wait 0.5
keys great 64 up
keys great 65 down
keys pedal 43 up
wait 0.2
push fo
wait 0.2
"""


@pytest.mark.parametrize(
    ("name", "text", "ranks", "ports"),
    [("theatre", THEATRE, 17, 1), ("church", CHURCH, 27, 3)],
)
def test_another_library_reads_the_notes_that_the_effects_amount_to(
    tmp_path: Path, name: str, text: str, ranks: int, ports: int
) -> None:
    hall = Hall(tmp_path, DEMOS[name])
    path = tmp_path / "sound.mid"
    result = hall.run(text, "--json", "--sound-out", str(path))
    assert result.exit_code == 0, result.output
    done = rehearsed(console(name), text)
    expected = lines_of(console(name), done.relayed, done.lasts)
    assert lines_in(path) == expected
    assert len([line for line in expected if not line.is_drum]) == ranks
    assert json.loads(result.output)[0]["sound"] == {
        "notes": sum(len(line.notes) for line in expected),
        "ranks": ranks,
        "beyond": 0,
        "ports": ports,
        "displaced": 0,
    }
    assert_everybody_has_a_seat(MidiFile(path), displaced=False)


# ---------------------------------------------------------------- channels and ports


class Move(NamedTuple):
    """A message of a note or a program: when (ticks), in which track, off before on."""

    tick: int
    track: int
    place: int
    port: int
    message: Message


def moves_in(file: MidiFile) -> list[Move]:
    """The messages as a player sends them: by time, then track by track."""
    moves = []
    for number, track in enumerate(file.tracks):
        tick = port = 0
        for place, message in enumerate(track):
            tick += message.time
            if message.type == "midi_port":
                port = message.port
            elif not message.is_meta:
                moves.append(Move(tick, number, place, port, message))
    return sorted(moves, key=lambda move: move[:3])


def assert_everybody_has_a_seat(file: MidiFile, *, displaced: bool) -> None:
    """While a rank sounds nobody else is on its port and channel.

    A synthesizer that knows no ports plays every note with the program of its track all the
    same, unless that is displaced.
    """
    moves = moves_in(file)
    wanted = {m.track: m.message.program for m in moves if m.message.type == "program_change"}
    sounding: dict[tuple[int, int], set[tuple[int, int]]] = {}
    program: dict[int, int] = {}
    for _, track, _, port, message in moves:
        here = sounding.setdefault((port, message.channel), set())
        if message.type == "note_off":
            here.remove((track, message.note))
            continue
        assert {other for other, _ in here} <= {track}
        if message.type == "program_change":
            program[message.channel] = message.program
            continue
        assert (track, message.note) not in here
        here.add((track, message.note))
        if message.channel != DRUMS and not displaced:
            assert program[message.channel] == wanted[track]
    assert not any(sounding.values())


HIGH_AND_LOW = """
format = 1
name = "St Bride, Lockgate"
action = "blind"
keyboard = [{ id = "great", name = "Great", lowest = 0, keys = 128 }]
division = [{ id = "great", name = "Great", keyboard = "great" }]
rank = [
    { id = "low", name = "Low", pitch = "64", first-key = 0, pipes = 60 },
    { id = "high", name = "High", pitch = "1/2", first-key = 0, pipes = 128, velocity = 99 },
]
stop = [
    { id = "low", label = "Low", division = "great", rank = "low" },
    { id = "high", label = "High", division = "great", rank = "high" },
]
"""
BARE = evolve(read_console(HIGH_AND_LOW), ranks=(), stops=())


DRUMS = 9
"""General MIDI's channel for them, from 0."""


@frozen
class Played:
    """Ranks that sound, and what the relay does of it."""

    console: Console
    relayed: tuple[Happening, ...]
    lasts: float


def told(at: float, rank: str, before: int, now: int) -> Iterator[Happening]:
    """What the relay says of one rank whose pipes change, as bits."""
    nothing = Roster(()).registration(0)
    for kind, pipes in ((OutputsOff, before & ~now), (OutputsOn, now & ~before)):
        if pipes:
            changed = Parts([([[rank]], [pipes])])
            yield Happening(at, kind(changed, Parts([]), nothing))


@st.composite
def playing(draw: st.DrawFn) -> Played:
    """Many ranks of few tones, or of many, that sound a little while each, or all at once."""
    count, tones = draw(st.integers(1, 40)), draw(st.integers(1, 40))
    programs = draw(st.lists(st.integers(1, tones), min_size=count, max_size=count))
    ranks = tuple(
        Rank(id=f"r{number}", name=f"Rank {number}", program=program, pipes=3)
        for number, program in enumerate(programs)
    )
    before = dict.fromkeys((rank.id for rank in ranks), 0)
    relayed: list[Happening] = []
    at = 0
    for rank in draw(st.lists(st.sampled_from(sorted(before)), max_size=80)):
        at += draw(st.sampled_from([0, 0, 1, 99, 100, 350]))
        now = draw(st.integers(0, 7)) << 1
        relayed += told(at / 1000, rank, before[rank], now)
        before[rank] = now
    whole = evolve(BARE, ranks=ranks)
    return Played(whole, tuple(relayed), (at + draw(st.sampled_from([0, 1, 500]))) / 1000)


@given(playing(), st.sampled_from([2, 3, 15]))
@settings(max_examples=120, deadline=None)
def test_any_ranks_have_seats_of_their_own(played: Played, channels: int) -> None:
    """Also where a port has few channels, so that turns must be taken."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("cli.rehearsal.sound.TONED", TONED[:channels])
        sound = sound_of(played.console, played.relayed, played.lasts, "Any ranks")
    expected = lines_of(played.console, played.relayed, played.lasts)
    file = MidiFile(file=BytesIO(sound.data))
    assert [track.name for track in file.tracks[1:]] == [r.name for r in played.console.ranks]
    notes = [move for move in moves_in(file) if move.message.type == "note_on"]
    assert Counter((m.tick, m.message.note) for m in notes) == Counter(
        (start, number) for line in expected for start, _, number, _ in line.notes
    )
    assert (sound.notes, sound.ranks) == (len(notes), len(expected))
    assert_everybody_has_a_seat(file, displaced=sound.displaced > 0)
    assert sound.ports == 1 or sound.ranks > channels
    assert not sound.displaced or len({line.program for line in expected}) > channels


FLUTE, REED = (Rank(id=name, name=name, family=name) for name in ("flute", "reed"))
TWO_RANKS = evolve(BARE, ranks=(FLUTE, REED))


def test_a_note_ends_before_it_is_struck_again() -> None:
    relayed = [
        *told(0.0, "flute", 0, 1 << 1),
        *told(0.5, "flute", 1 << 1, 0),
        *told(0.5, "flute", 0, 1 << 1),
        *told(0.5, "flute", 1 << 1, 1 << 1 | 1 << 2),
    ]
    sound = sound_of(TWO_RANKS, relayed, 1.0, "Again")
    moves = moves_in(MidiFile(file=BytesIO(sound.data)))
    assert [(m.tick, m.message.type, m.message.bytes()[1]) for m in moves] == [
        (0, "program_change", 79),
        (0, "note_on", 36),
        (500, "note_off", 36),
        (500, "note_on", 36),
        (500, "note_on", 37),
        (1000, "note_off", 36),
        (1000, "note_off", 37),
    ]


@pytest.mark.parametrize(("at", "until", "ports"), [(1.1, 1.2, 1), (0.5, 0.6, 2), (1.0, 1.1, 2)])
def test_ranks_that_sound_together_have_no_channel_by_turns(
    monkeypatch: pytest.MonkeyPatch, at: float, until: float, ports: int
) -> None:
    """One channel a port; a note lasts a second, with a shorter one in the middle of it."""
    monkeypatch.setattr("cli.rehearsal.sound.TONED", TONED[:1])
    relayed = [
        *told(0.0, "flute", 0, 1 << 1),
        *told(0.2, "flute", 1 << 1, 1 << 1 | 1 << 2),
        *told(0.3, "flute", 1 << 1 | 1 << 2, 1 << 1),
        *told(1.0, "flute", 1 << 1, 0),
        *told(at, "reed", 0, 1 << 1),
        *told(until, "reed", 1 << 1, 0),
    ]
    sound = sound_of(TWO_RANKS, sorted(relayed, key=lambda happening: happening.at), 2.0, "Turns")
    assert sound.ports == ports
    assert_everybody_has_a_seat(MidiFile(file=BytesIO(sound.data)), displaced=ports > 1)


def test_when_even_the_ports_are_full(monkeypatch: pytest.MonkeyPatch) -> None:
    """With two ports of fifteen, where a file may number 128."""
    monkeypatch.setattr("cli.rehearsal.sound.MOST_PORTS", 2)
    ranks = [Rank(id=f"r{number}", name="Rank", program=number + 1) for number in range(31)]
    relayed = [happening for rank in ranks for happening in told(0.0, rank.id, 0, 2)]
    full, beyond = (evolve(BARE, ranks=tuple(ranks[:n])) for n in (30, 31))
    sound = sound_of(full, relayed[:30], 0.5, "Full")
    assert (sound.ranks, sound.ports, sound.displaced) == (30, 2, 30)
    with pytest.raises(SoundError, match="more than 30 ranks sound at once"):
        sound_of(beyond, relayed, 0.5, "Beyond")


# ---------------------------------------------------------------- the command


@pytest.fixture
def hall(tmp_path: Path) -> Hall:
    return Hall(tmp_path, HIGH_AND_LOW)


def test_every_rank_has_a_track_and_all_are_as_long(hall: Hall) -> None:
    path = hall.folder / "sound.mid"
    result = hall.run("tab high on\nkeys great 60 down\nwait 2", "--sound-out", str(path))
    assert hall.plain(result.output).endswith(
        "\n\nWhat sounds is written to sound.mid: 1 note of 1 rank\nnothing was expected\n"
    )
    file = MidiFile(path)
    assert (file.type, file.ticks_per_beat) == (1, 500)
    assert [track.name for track in file.tracks] == ["it.rehearsal", "Low", "High"]
    assert {sum(message.time for message in track) for track in file.tracks} == {2225}
    assert lines_in(path) == [Line("High", 19, False, ((200, 2225, 108, 99),))]


def test_pipes_that_are_no_notes_are_left_out_and_told(hall: Hall) -> None:
    """64' is three octaves below the key, 1/2' four above; even a quiet run says it."""
    path = hall.folder / "sound.mid"
    text = "tab low on\ntab high on\nkeys great 0 1 36 59 79 80 81 down"
    result = hall.run(text, "--quiet", "--sound-out", str(path))
    assert result.output == (
        "4 pipes beyond the notes of MIDI (0-127) left out of what sounds\nnothing was expected\n"
    )
    notes = {line.name: [note[2] for note in line.notes] for line in lines_in(path)}
    assert notes == {"Low": [0, 23], "High": [48, 49, 84, 107, 127]}


def test_outputs_make_no_difference(tmp_path: Path) -> None:
    bare = re.sub(r"^out = \[(?:.|\n)*?\]$", "", DEMOS["theatre"], flags=re.MULTILINE)
    assert not any(rank.out for rank in read_console(bare).ranks)
    written: list[bytes] = []
    for text in (DEMOS["theatre"], bare):
        path = tmp_path / f"{len(written)}.mid"
        assert Hall(tmp_path, text).run(THEATRE, "--sound-out", str(path)).exit_code == 0
        written.append(path.read_bytes())
    assert written[0] == written[1]


def test_a_recording_sounds_as_the_rehearsal_did(tmp_path: Path) -> None:
    hall = Hall(tmp_path, DEMOS["theatre"])
    text = THEATRE.partition("switch off")[0].replace("transpose 2", "")
    sent, sound, again = (str(tmp_path / f"{name}.mid") for name in ("sent", "sound", "again"))
    assert hall.run(text, "--midi-out", sent, "--sound-out", sound).exit_code == 0
    assert hall.invoke(sent, "--sound-out", again).exit_code == 0
    assert lines_in(Path(again)) == lines_in(Path(sound))


def test_more_ports_are_told_of(tmp_path: Path) -> None:
    hall = Hall(tmp_path, DEMOS["church"])
    result = hall.run(CHURCH, "--quiet", "--sound-out", str(tmp_path / "sound.mid"))
    assert result.output.startswith(
        "more ranks sound at once than a MIDI port has channels: the file uses 3 ports "
        "(meta event 21). "
    )


def test_nothing_is_written_over_and_nothing_half(hall: Hall) -> None:
    there, new = hall.folder / "there.mid", hall.folder / "new.mid"
    there.write_bytes(b"precious")
    told = hall.told("wait 1", "--sound-out", str(there))
    assert told == "stopwright: there.mid: it is there already, and is left as it is\n"
    told = hall.told("wait 1", "--sound-out", str(new), "--midi-out", str(new))
    assert told == (
        "stopwright: --midi-out and --sound-out write two files, and cannot name the same one\n"
    )
    told = hall.told("wait 50000\nwait 50000", "--sound-out", str(new))
    assert told == (
        "stopwright: what sounds in it.rehearsal cannot be written: it lasts longer than a day\n"
    )
    assert (there.read_bytes(), new.exists()) == (b"precious", False)


def test_one_sound_at_a_time() -> None:
    hall = CliRunner().invoke(rehearse, ["--worked", "--sound-out", "x.mid"])
    assert (hall.exit_code, hall.output) == (
        2,
        "stopwright: --sound-out is for one rehearsal at a time\n",
    )
