"""The program that plays a console, through a real MIDI system: JACK's ports, and a synthesizer.

An evening is rehearsed offline and played through the ports, and must come to the same: what
goes out, what is recorded, what is kept. FluidSynth, which has nothing of ours, says which notes
it was given. What is to come of something is waited for, on however busy a computer.
"""

import os
import re
import signal
import subprocess
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from importlib import resources
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from threading import Condition, Thread
from typing import NamedTuple

import pytest
from attrs import evolve, frozen

from banks.store import Store, create_store
from cli.rehearsal.bench import Bench, Run
from cli.rehearsal.lines import draft_of, said_in
from cli.rehearsal.port_log import Way, read_log, recording_of_log
from cli.rehearsal.rehearsing import run, run_recording
from combination.effects import Effect, Refused, Stored
from combination.instrument import Instrument
from combination.memory import Bank, fresh_bank
from combination.midi import Edge, Heard, Push, Wiring
from combination.model import Console
from combination.outputs import Sent
from combination.reading import read_console
from tests.figures import Figures
from tests.jack import Device, jack_server
from tests.live import (
    FLUTE,
    PATIENCE,
    PRINCIPAL,
    Calling,
    Note,
    Program,
    great,
    note,
    oxmarsh,
    pipe,
    playing,
    settle,
    tab,
)
from tests.needed import SOUNDFONT, installed


@pytest.fixture(scope="module", autouse=True)
def jack() -> Iterator[None]:
    """A server, on which every device is gone when its test is over."""
    with jack_server("stopwright-play"):
        yield


def by_port(sent: Iterable[Sent]) -> dict[str, list[bytes]]:
    found: dict[str, list[bytes]] = {}
    for port, message in sent:
        found.setdefault(port, []).append(bytes(message.bin()))
    return found


def left_on(messages: Iterable[bytes]) -> set[Note]:
    """The notes that are on after messages."""
    on: set[Note] = set()
    for status, number, velocity in messages:
        if status & 0xE0 == 0x80:
            is_on = status & 0xF0 == 0x90 and velocity > 0
            (on.add if is_on else on.discard)(((status & 0x0F) + 1, number))
    return on


def silence_of(console: Console) -> dict[str, list[bytes]]:
    """What turns everything off, port by port."""
    instrument = Instrument(console, fresh_bank(console))
    return by_port(instrument.wiring.sent(instrument.silence()))


def opened(*devices: Device) -> list[list[bytes]]:
    """Wait until each device has been reached, and has said how its contacts are found.

    Returns what each has heard by then.
    """
    first = [device.next() for device in devices]
    settle()
    return [
        [one, *(message for _, message in device.all())]
        for one, device in zip(first, devices, strict=True)
    ]


# ---------------------------------------------------------------- an evening

THEATRE = resources.files("cli") / "demos" / "theatre.toml"
EVENING = """
title An evening at the pictures
memory sequence Feature 1 = g1
memory sequence Feature 2 = g2 note storm
memory sequence Feature 3 = g4 at 2
memory sequence Feature 4 = g7 at 2 note unset
memory gt2 = gt-trumpet-8 gt-clarion-4
memory level 9 locked

# The organist tries a chord, and sets.
tab gt-flute-8 gt-tibia-8 ac-flute-8 pd-bourdon-16 on
shoe main-shoe toe
keys great 60 64 67 down
keys great all up
shoe main-shoe 70
press set
push g1
release set
tab gt-tibia-8 off
tab gt-violin-8 gt-celeste-8 ac-violin-8 ac-celeste-8 trem-main on
push set
push g2
tab gt-trumpet-8 gt-tuba-8 so-tuba-8 so-gt gt-pd pd-tuba-8 on
press set
push g3
push gt1
push pd1
push ac1
push crescendo-set
expect refused crescendo-set "crescendo closed"
release set
expect stored nothing
tab gt-trumpet-8 gt-tuba-8 gt-violin-8 gt-celeste-8 trem-main off

# The overture.
push g1
expect sounding gt-flute-8 gt-tibia-8 ac-flute-8 pd-bourdon-16
keys pedal 36 down
keys great 48 55 60 64 down
keys great 64 up
keys great 65 down
shoe main-shoe 100
keys great 65 up
keys great 64 down
push gt1
expect lit gt1
keys great 67 down
keys great 48-60 up
push r-gt-pd
keys pedal 43 down
keys pedal 36 up
push g3
keys great 72 76 down
keys great 64 up
shoe main-shoe toe
push fo1
expect lit fo1 g3 r-gt-pd r-so-gt
keys great 48 52 55 down
keys pedal 43 up
keys pedal 36 down
push fo1
keys great all up
keys pedal all up
push cancel
expect governed nothing

# The newsreel, by the crescendo; its fourth stage is set to something quieter.
keys accomp 55 60 64 down
crescendo stage 1
crescendo stage 2
crescendo stage 3
crescendo stage 4
crescendo stage 5
keys accomp 64 up
keys accomp 65 down
crescendo stage 4
tab ac-violin-8 ac-flute-8 on
press set
push crescendo-set
expect stored stage 4
release set
crescendo stage 6
crescendo stage 12
crescendo toe
keys pedal 40 down
crescendo stage 3
keys accomp all up
keys pedal all up
crescendo heel
expect stage 0

# The feature: a sequence, with the level beyond it.
push next
expect place 1
keys great 60 62 down
push next
expect lit g2
keys accomp 48 52 down
push r-trem-tibia
push ac1 deep
expect lit ac1 pd1 r-trem-tibia
press m-thunder
shoe solo-shoe 30
shoe solo-shoe 64
shoe solo-shoe toe
release m-thunder
push level-up
tab gt-tibia-4 so-tibia-8 so-gt-4 on
press set
push g4
release set
push g-tibias
expect refused g-tibias "not set"
push next
expect level 2
expect lit g4 r-gt-pd r-so-gt
keys great 67 69 down
push previous
expect lit g2
push next
push next
expect refused g7 "not set"
push next
expect refused next "at the end"
keys great 60 up
push solo-cancel
keys great 62-69 up
keys accomp all up

# A drum roll of the keys, on the octave coupler; then out of the level, and a locked one.
push hand
tab gt-gt-4 so-so-16 gt-so on
keys solo 60 down
keys solo 61 down
keys solo 60 up
keys solo 60 down
keys solo 61 up
tab gt-gt-4 off
push level-down
expect level 1
push gt2
keys great 50-62 down
keys great all up
push great-cancel
transpose +2
keys solo 72 down
transpose 0
keys solo all up
push level-up-10
push level-down
push level-down
expect level 9
press set
push g5
expect refused g5 "level locked"
release set

# Good night.
push cancel
tab train-whistle on
tab train-whistle off
keys great 36 60 64 67 72 down
push g3
expect refused g3 "not set"
push previous
expect lit g4 r-gt-pd r-so-gt
expect place 3
"""
REST = 0.03
"""Seconds for which a contact is left alone once it is known to have moved: it bounces for 0.02."""


class Moment(NamedTuple):
    """What pins and pedals say at one time, and all that comes of it."""

    heard: list[Heard]
    effects: list[Effect]


@frozen
class Offline:
    """The evening as it is rehearsed: moment by moment, and the bank that it ends with."""

    run: Run
    bank: Bank

    @property
    def moments(self) -> list[Moment]:
        by_time = groupby(self.run.heard, key=itemgetter(0))
        heard = {at: [one for _, one, _ in said] for at, said in by_time}
        effects: dict[float, list[Effect]] = {at: [] for at in heard}
        for step in self.run.steps:
            for happening in step.happenings:
                effects[happening.at].append(happening.effect)
        return [Moment(said, effects[at]) for at, said in heard.items()]


def effects_of(found: Run) -> list[Effect]:
    return [happening.effect for step in found.steps for happening in step.happenings]


def before_the_evening(console: Console) -> Bank:
    """The organist's bank, with the sequence for the feature on the desk."""
    bank = fresh_bank(console, "Ruth")
    Bench(console, bank).remember(draft_of(said_in(EVENING)).on(console).opening)
    bank.sequence = "Feature"
    return bank


def rehearsed(console: Console) -> Offline:
    bank = before_the_evening(console)
    found = run(draft_of(said_in(EVENING)).on(console), console, bank)
    assert found.failures == []
    return Offline(found, bank)


def shown(effects: Iterable[Effect]) -> Iterator[str]:
    """Words that the screen has for what goes out by no port, or only when it is written."""
    for effect in effects:
        match effect:
            case Refused(piston=piston, reason=reason):
                yield f"({piston}): {reason}"
            case Stored(change=change) if change.slot.piston:
                yield f"({change.slot.piston}): set"
            case Stored(change=change):
                yield f"crescendo stage {change.slot.stage}: set"


def play(
    moments: Iterable[Moment], wiring: Wiring, devices: Mapping[str, Device], program: Program
) -> None:
    """Say what the console says, and hear of each moment what comes of it before the next."""
    moved: dict[str, float] = {}
    for moment in moments:
        printed = len(program.lines)
        pins = [heard.pin for heard in moment.heard if isinstance(heard, Edge | Push)]
        free = max((moved.get(pin, 0.0) for pin in pins), default=0.0) + REST
        time.sleep(max(free - time.monotonic(), 0.0))
        for heard in moment.heard:
            spoken = wiring.spoken(heard)
            assert spoken is not None
            port, message = spoken
            devices[port].say(bytes(message.bin()))
        for port, messages in by_port(wiring.sent(moment.effects)).items():
            assert [devices[port].next() for _ in messages] == messages, moment
        for words in shown(moment.effects):
            program.says(words, printed)
        moved.update(dict.fromkeys(pins, time.monotonic()))


def whole(bank: Bank) -> Bank:
    """A bank without levels in which there is nothing."""
    return evolve(bank, levels={n: level for n, level in bank.levels.items() if not level.blank})


def test_an_evening_comes_to_what_it_came_to_offline(tmp_path: Path, figures: Figures) -> None:
    console = read_console(THEATRE.read_text(encoding="utf-8"))
    path, store, log = (tmp_path / name for name in ("theatre.toml", "store", "evening.log"))
    path.write_text(THEATRE.read_text(encoding="utf-8"), encoding="utf-8")
    create_store(store)
    with Store(store) as keeping:
        number = keeping.add(before_the_evening(console))
    offline = rehearsed(console)
    moments, wiring = offline.moments, Wiring(console)
    with (
        Device("console") as keys,
        Device("main") as main,
        Device("solo") as solo,
        playing(path, {}, store, "--record", log) as program,
    ):
        devices = {"console": keys, "main": main, "solo": solo}
        silence = silence_of(console)
        for port, heard in zip(devices, opened(*devices.values()), strict=True):
            assert heard[: len(silence[port])] == silence[port]
        began = time.monotonic()
        play(moments, wiring, devices, program)
        lasted = time.monotonic() - began
        assert [device.all() for device in devices.values()] == [[]] * 3
        program.send(signal.SIGTERM)
        assert (program.ended(), program.errors) == (0, "")
        played = by_port(wiring.sent(effects_of(offline.run)))
        assert left_on(played["main"]) != set()
        for port, device in devices.items():
            last = played[port]
            while left_on(last):
                last.append(device.next())
    recording = recording_of_log(read_log(log.read_text(encoding="utf-8")), "the evening")
    again = run_recording(recording, draft_of(()).on(console), console, before_the_evening(console))
    effects = effects_of(offline.run)
    assert effects_of(again) == effects
    assert again.unknown == 0
    with Store(store, writing=False) as keeping:
        assert whole(keeping.load(number)) == whole(offline.bank)
    said = sum(len(moment.heard) for moment in moments)
    figures(f"an evening by JACK's ports: {said} messages, {len(effects)} effects, {lasted:.1f} s")


# ---------------------------------------------------------------- a synthesizer

ALMSHOUSE = """
format = 1
name = "Almshouse Chapel, Nether Saltby"
action = "blind"
timing = { key-bounce = 0.0 }
keyboard = [
    { id = "great", name = "Great", contacts = "manual.1" },
    { id = "pedal", name = "Pedal", keys = 32, contacts = "feet.1" },
]
division = [
    { id = "great", name = "Great", keyboard = "great" },
    { id = "pedal", name = "Pedal", keyboard = "pedal" },
]
rank = [
    { id = "open", name = "Open", pipes = 73, out = { port = "pipes", channel = 1 } },
    { id = "bourdon", name = "Bourdon", pitch = "16", out = { port = "pipes", channel = 2 } },
]
coupler = [
    { id = "gt-pd", label = "Great", keys = "pedal", plays = "great", contact = "rail.4" },
]
board = [
    { id = "manual", pins = 61, in = { port = "console", channel = 1, first-note = 36 } },
    { id = "feet", pins = 32, in = { port = "console", channel = 2, first-note = 36 } },
    { id = "rail", pins = 4, in = { port = "console", channel = 3, first-note = 1 } },
]

[[stop]]
id = "open"
label = "Open Diapason 8'"
division = "great"
rank = "open"
contact = "rail.1"

[[stop]]
id = "octave"
label = "Octave 4'"
division = "great"
rank = "open"
pitch = "4"
contact = "rail.2"

[[stop]]
id = "bourdon"
label = "Bourdon 16'"
division = "pedal"
rank = "bourdon"
contact = "rail.3"
"""
OPEN, OCTAVE, BOURDON, GT_PD = 1, 2, 3, 4
"""Tabs, by the pins of the rail."""
CHORDS = (
    *((43, 59, 62, 67), (55, 59, 62, 67), (54, 57, 62, 69), (52, 55, 64, 71), (48, 55, 64, 72)),
    *((47, 62, 67, 74), (45, 60, 64, 72), (50, 57, 66, 69), (43, 59, 62, 67), (43, 58, 62, 67)),
    *((41, 60, 65, 69), (46, 62, 65, 70), (48, 60, 63, 67), (50, 57, 62, 66), (43, 59, 62, 67)),
)
"""What is played: bass, tenor, alto and soprano, as keys. The pedals play the bass."""


class Module:
    """FluidSynth with a port of JACK's: it says each note that it is given.

    ``heard`` has them as messages; ``on`` are those that are on by them; ``told`` is what it says
    of itself when something is not as it should be.
    """

    PORT = "module:midi_00"

    def __init__(self) -> None:
        self.heard: list[bytes] = []
        self.told: list[str] = []
        self._changed = Condition()
        server = os.environ["JACK_DEFAULT_SERVER"]
        drivers = [(what, key) for what in ("midi", "audio") for key in ("server", "id")]
        values = {"server": server, "id": "module"}
        options = [
            word for what, key in drivers for word in ("-o", f"{what}.jack.{key}={values[key]}")
        ]
        command = ["fluidsynth", "-d", "-m", "jack", "-a", "jack", "-r", "48000", *options]
        self._process = subprocess.Popen(
            ["stdbuf", "-oL", *command, str(SOUNDFONT)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        self._reader = Thread(target=self._read)
        self._reader.start()

    def __enter__(self) -> "Module":
        return self

    def __exit__(self, *_: object) -> None:
        """Have it end; all that it was given is in ``heard`` then."""
        assert self._process.stdin
        assert self._process.stdout
        self._process.stdin.write("quit\n")
        self._process.stdin.close()
        try:
            self._process.wait(PATIENCE)
        finally:
            self._process.kill()
            self._reader.join()
            self._process.stdout.close()

    @property
    def on(self) -> set[Note]:
        return left_on(self.heard)

    def until(self, wanted: Callable[[], bool]) -> None:
        """Wait until something is so that is changed by what it is given."""
        with self._changed:
            assert self._changed.wait_for(wanted, PATIENCE), (self.on, self.heard[-20:])

    def _read(self) -> None:
        assert self._process.stdout
        for line in self._process.stdout:
            if line.startswith("fluidsynth: "):
                self.told.append(line)
            match = re.fullmatch(r"event_pre_note(on|off) (\d+) (\d+) (\d+)\n", line)
            if match is None:
                continue
            status = (0x90 if match[1] == "on" else 0x80) + int(match[2])
            with self._changed:
                self.heard.append(bytes((status, int(match[3]), int(match[4]))))
                self._changed.notify_all()


def sounding(chord: Sequence[int], *, octave: bool, coupled: bool) -> set[Note]:
    """The pipes of a chord: those of the open, on channel 1, and of the bourdon, on 2."""
    bass, *hands = chord
    keys = {*hands, bass} if coupled else set(hands)
    shifts = (0, 12) if octave else (0,)
    return {(1, key + shift) for key in keys for shift in shifts} | {(2, bass - 12)}


def test_a_synthesizer_is_given_every_note(tmp_path: Path, figures: Figures) -> None:
    """Pipes off at switch-on, a chorale chord by chord, and pipes off at switch-off."""
    installed("fluidsynth", SOUNDFONT)
    path, log = tmp_path / "almshouse.toml", tmp_path / "chorale.log"
    path.write_text(ALMSHOUSE, encoding="utf-8")
    pipes = [(1, key) for key in range(36, 36 + 73)] + [(2, key) for key in range(24, 24 + 61)]
    with Module() as module, Calling() as console:
        ports = ("--port", f"pipes={Module.PORT}", "--port", f"console={console.where}")
        with playing(path, {}, "--record", log, *ports) as program:
            module.until(lambda: len(module.heard) >= len(pipes))
            console.until(lambda: console.calls > 0)
            settle()
            silence = module.heard[:]
            assert sorted(silence) == sorted(note(*each, False) for each in pipes)
            console.say(note(3, OPEN, True), note(3, BOURDON, True))
            for place, chord in enumerate(CHORDS):
                octave, coupled = place >= 4, place >= 8
                console.say(note(3, OCTAVE, octave), note(3, GT_PD, coupled))
                console.say(*(note(*key, True) for key in keys_of(chord)))
                wanted = sounding(chord, octave=octave, coupled=coupled)
                module.until(lambda wanted=wanted: module.on == wanted)  # type: ignore[misc]
                if place < len(CHORDS) - 1:
                    console.say(*(note(*key, False) for key in keys_of(chord)))
            program.send(signal.SIGTERM)
            assert (program.ended(), program.errors) == (0, "")
        passed = read_log(log.read_text(encoding="utf-8"))
        sent = [one.data for one in passed if (one.way, one.port) == (Way.OUT, "pipes")]
        module.until(lambda: len(module.heard) >= len(sent))
    assert module.heard == sent
    assert sent[: len(silence)] == silence
    assert module.on == set()
    assert module.told == []
    figures(f"a chorale on a synthesizer: {len(sent)} notes on and off, all of them given")


def keys_of(chord: Sequence[int]) -> list[Note]:
    bass, *hands = chord
    return [(2, bass), *((1, key) for key in hands)]


# ---------------------------------------------------------------- plugs that are pulled


@contextmanager
def oxmarsh_by_jack(folder: Path) -> Iterator[Program]:
    """The console of four ports, of which one keyboard and one chest are devices of JACK's."""
    path = folder / "oxmarsh.toml"
    path.write_text(oxmarsh(), encoding="utf-8")
    elsewhere = ("--port", "right=nowhere", "--port", "loft=nowhere")
    with playing(path, {}, *elsewhere) as program:
        yield program
        program.send(signal.SIGTERM)
        assert (program.ended(), program.errors) == (0, "")


SILENCE = silence_of(read_console(oxmarsh()))
C, E, G = 48, 52, 55
"""Keys."""


def test_a_keyboard_that_is_unplugged_lets_go_of_its_keys(tmp_path: Path) -> None:
    with Device("chest") as chest, ExitStack() as plugged:
        left = plugged.enter_context(Device("left"))
        with oxmarsh_by_jack(tmp_path) as program:
            opened(left, chest)
            for message in (tab(FLUTE, True), great(C, True), great(E, True)):
                left.say(message)
            assert [chest.next(), chest.next()] == [pipe("flute", key, True) for key in (C, E)]
            left.unplug()
            assert {chest.next(), chest.next()} == {pipe("flute", key, False) for key in (C, E)}
            program.says('fault: port "left": the MIDI port "left')
            left = plugged.enter_context(Device("left"))
            assert opened(left) == [SILENCE["left"]]
            program.says('over: port "left": the MIDI port "left')
            for down in (True, False):
                left.say(great(G, down))
                assert chest.next() == pipe("flute", G, down)
            assert chest.all() == []


def test_a_chest_that_is_plugged_in_again_is_told_all_that_is_on(tmp_path: Path) -> None:
    with Device("left") as left, ExitStack() as plugged:
        chest = plugged.enter_context(Device("chest"))
        with oxmarsh_by_jack(tmp_path) as program:
            opened(left, chest)
            for message in (tab(FLUTE, True), great(C, True), great(E, True)):
                left.say(message)
            assert [chest.next(), chest.next()] == [pipe("flute", key, True) for key in (C, E)]
            chest.unplug()
            program.says('fault: port "chest": the MIDI port "chest')
            # Meanwhile one key comes up, another goes down, and a stop is drawn.
            for message in (great(E, False), great(G, True), tab(PRINCIPAL, True)):
                left.say(message)
            program.says("Principal 8' sounds")
            chest = plugged.enter_context(Device("chest"))
            (told,) = opened(chest)
            assert told[: len(SILENCE["chest"])] == SILENCE["chest"]
            assert sorted(told[len(SILENCE["chest"]) :]) == sorted(
                pipe(rank, key, True) for rank in ("flute", "principal") for key in (C, G)
            )
            program.says('over: port "chest": the MIDI port "chest')
            left.say(great(G, False))
            assert {chest.next(), chest.next()} == {
                pipe(rank, G, False) for rank in ("flute", "principal")
            }
        assert left_on(message for _, message in chest.all()) == set()


def test_a_midi_system_that_hangs_at_switch_off_is_told(tmp_path: Path) -> None:
    path = tmp_path / "oxmarsh.toml"
    path.write_text(oxmarsh(), encoding="utf-8")
    elsewhere = ("--port", "left=nowhere", "--port", "right=nowhere", "--port", "loft=nowhere")
    with (
        jack_server("stopwright-hangs", patient=False) as server,
        Device("chest") as chest,
        playing(path, {}, *elsewhere) as program,
    ):
        opened(chest)
        server.send_signal(signal.SIGSTOP)
        try:
            program.send(signal.SIGTERM)
            assert program.ended() == 2
        finally:
            server.send_signal(signal.SIGCONT)
        assert 'port "chest" took nothing any more' in program.errors
