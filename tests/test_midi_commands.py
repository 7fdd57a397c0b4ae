"""A bank as MIDI by commands, read by others: mido's parser, and a library of Standard MIDI Files.

That what stands in the messages is what the standard says is shown in test_file_dump.
"""

import re
from pathlib import Path
from random import Random

import mido
import pytest
from attrs import evolve
from symusic.core import ScoreSecond

from banks import BankFile, Part, Store, StoreFile, create_store, encode, part_of, read_any
from banks.dumpmessages import syx
from cli.bank.midi import lasting
from combination.memory import Bank, Combination, Slot, fresh_bank
from combination.model import Console
from tests.plain_dump import PlainReceiver
from tests.quay import SAVED, contents, done, load, played, refusal, run, save

pytestmark = pytest.mark.usefixtures("in_utc")

BYTE = 10 / 31_250
"""Seconds a byte on a five-pin cable."""
TICK = 0.001
"""Seconds: a Standard MIDI File says times in these."""


def large(console: Console) -> Bank:
    """A bank that takes a while: every piston set at many levels, each time otherwise."""
    chance = Random(7)
    kept = fresh_bank(console, "Full")
    for level in range(1, 401):
        for piston in ("g1", "g2", "gt1", "pd1"):
            kept.put(Slot(piston, level), Combination(chance.getrandbits(6)))
    return kept


def received(messages: list[mido.Message]) -> PlainReceiver:
    """What a receiver that cannot answer makes of messages."""
    receiver = PlainReceiver(answers_as=None)
    for message in messages:
        receiver.receive(bytes(message.bytes()), 0.0)
    return receiver


def read_by_mido(path: str) -> list[mido.Message]:
    if path.lower().endswith(".syx"):
        return list(mido.read_syx_file(path))
    return [message for message in mido.MidiFile(path) if message.type == "sysex"]


@pytest.mark.parametrize("name", ["quay.syx", "quay.mid", "QUAY.SYX", "quay.midi"])
def test_a_bank_goes_out_as_midi_and_comes_back(quay: Console, name: str) -> None:
    said = done("bank", "to-midi", "quay.bank", name)
    size = Path(name).stat().st_size
    assert said.splitlines()[1] == f"{name}: 12 messages, {size:,} bytes"
    receiver = received(read_by_mido(name))
    assert (receiver.ended, receiver.name) == ("whole", "Eastertide")
    assert receiver.file == Path("quay.bank").read_bytes()
    assert done("bank", "from-midi", name, "back.bank") == (
        f'back.bank: the bank "Eastertide" from {name}, whole\n'
    )
    assert Path("back.bank").read_bytes() == Path("quay.bank").read_bytes()
    assert load("back.bank") == played(quay)


def test_a_bank_in_a_store_goes_out_as_it_is_and_as_it_was(quay: Console) -> None:
    create_store("organ.store")
    with Store("organ.store") as store:
        store.add(evolve(played(quay), name="Zoë"))
    done("bank", "name-level", "organ.store:Zoë", "2", "Lent")
    done("bank", "to-midi", "organ.store:zoë@1", "then.mid")
    done("bank", "to-midi", "organ.store:zoë", "now.syx")
    assert received(read_by_mido("now.syx")).name == "Zoe"  # a header has plain letters
    done("bank", "from-midi", "then.mid", "then.bank")
    done("bank", "from-midi", "now.syx", "now.bank")
    assert load("then.bank") == evolve(played(quay), name="Zoë")
    assert load("now.bank").levels[2].name == "Lent"


def test_parts_and_backups_of_a_store_come_back_too(quay: Console) -> None:
    part = Part(levels=(1,))
    part_file = BankFile(part_of(played(quay), part), SAVED, "a console", part)
    Path("part.syx").write_bytes(syx(encode(part_file), "part"))
    done("bank", "from-midi", "part.syx", "part.bank")
    assert read_any("part.bank") == part_file
    all_of_it = StoreFile((fresh_bank(quay, "Ruth"), fresh_bank(quay, "Anna")), saved=SAVED)
    Path("all.syx").write_bytes(syx(encode(all_of_it), "all"))
    assert done("bank", "from-midi", "all.syx", "all.bank") == (
        "all.bank: the banks of a store from all.syx, whole\n"
    )
    assert read_any("all.bank") == all_of_it


def test_a_standard_midi_file_paces_what_it_sends(quay: Console) -> None:
    """Nothing begins before what was before it is over, and has been put away."""
    save("large.bank", large(quay))
    done("bank", "to-midi", "large.bank", "large.mid")
    file = mido.MidiFile("large.mid")
    assert (file.type, len(file.tracks)) == (0, 1)
    stranger = ScoreSecond.from_file("large.mid")  # who reads it, and finds no note in it
    assert not any(track.notes for track in stranger.tracks)
    at, over, pause = 0.0, 0.0, 0.2
    messages = []
    for message in file:
        at += message.time
        if message.type == "sysex":
            assert at >= over - TICK
            over = at + len(message.bytes()) * BYTE + pause
            pause = 0.05
            messages.append(message)
    assert received(messages).ended == "whole"
    assert received(messages).file == Path("large.bank").read_bytes()


def test_how_long_it_takes_is_said_before_it_is_written(quay: Console) -> None:
    save("large.bank", large(quay))
    said = done("bank", "to-midi", "large.bank", "large.mid")
    before, after = said.splitlines()
    found = re.fullmatch(
        r"On a five-pin cable: (\d+) seconds as a player sends it, "
        r"(\d+) seconds to a receiver that answers",
        before,
    )
    assert found
    alone, answered = map(int, found.groups())
    assert abs(mido.MidiFile("large.mid").length - alone) < 1.5
    assert answered < alone
    assert answered >= Path("large.bank").stat().st_size * BYTE * 8 / 7
    assert after.startswith("large.mid: ")
    message = refusal("bank", "to-midi", "large.bank", "large.mid")
    assert message == "large.mid: it is there already, and is left as it is"
    done("bank", "to-midi", "quay.bank", "large.mid", "--replace")
    assert len(read_by_mido("large.mid")) == 12


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (0.1, "about a second"),
        (1.4, "about a second"),
        (1.6, "2 seconds"),
        (89, "89 seconds"),
        (90, "2 minutes"),
        (25 * 60 + 20, "25 minutes"),
        (130 * 60, "130 minutes"),
    ],
)
def test_lengths_of_time(seconds: float, said: str) -> None:
    assert lasting(seconds) == said


# ---------------------------------------------------------------- what is not taken


def damaged(path: str) -> dict[str, bytes]:
    """What can become of messages on their way, by its name."""
    messages = [bytes(message.bytes()) for message in read_by_mido(path)]
    header, first, second, *rest = messages
    broken = bytearray(second)
    broken[20] ^= 1
    stranger = bytes([0xF0, 0x7D, 1, 2, 3, 0xF7])
    cases = {
        "a packet less": [header, first, *rest],
        "a packet damaged": [header, first, bytes(broken), *rest],
        "two packets changed about": [header, second, first, *rest],
        "no header": [first, second, *rest],
        "two headers": [header, header.replace(b"Easter", b"Other!"), first, second, *rest],
        "cut short": messages[:-3],
        "a stranger's": [stranger],
        "nothing": [],
    }
    return {name: b"".join(sent) for name, sent in cases.items()}


FAULTS = {
    "a packet less": "packet 2 is missing where it should be",
    "a packet damaged": "packet 2 does not agree with its checksum: the file is damaged",
    "two packets changed about": "packet 1 is missing where it should be",
    "no header": "the beginning is missing: a packet comes before any header",
    "two headers": "more than one file dump begins in it",
    "cut short": "it is cut short: it has 896 of %d bytes",
    "a stranger's": "there is no bank in it: no file dump begins in it",
    "nothing": "there is no bank in it: no file dump begins in it",
}


@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.usefixtures("quay")
def test_messages_that_are_not_whole_are_refused(fault: str) -> None:
    done("bank", "to-midi", "quay.bank", "quay.syx")
    Path("sent.syx").write_bytes(damaged("quay.syx")[fault])
    message = FAULTS[fault].replace("%d", f"{Path('quay.bank').stat().st_size:,}")
    assert refusal("bank", "from-midi", "sent.syx", "back.bank") == f"sent.syx: {message}"


@pytest.mark.usefixtures("quay")
def test_messages_twice_and_among_others_are_taken() -> None:
    done("bank", "to-midi", "quay.bank", "quay.syx")
    header, first, *rest = (bytes(message.bytes()) for message in read_by_mido("quay.syx"))
    other, clock = bytes([0xF0, 0x7D, 1, 0xF7]), b"\xf8"
    sent = [other, header, first, first, clock, other, *rest, other]
    Path("sent.syx").write_bytes(b"".join(sent))
    done("bank", "from-midi", "sent.syx", "back.bank")
    assert Path("back.bank").read_bytes() == Path("quay.bank").read_bytes()


@pytest.mark.usefixtures("quay")
def test_midi_damaged_in_any_place_gives_the_bank_whole_or_not_at_all() -> None:
    whole = Path("quay.bank").read_bytes()
    chance = Random(11)
    for name in ("quay.syx", "quay.mid"):
        done("bank", "to-midi", "quay.bank", name)
        sound = Path(name).read_bytes()
        for case in range(60):
            sent = bytearray(sound)
            at = chance.randrange(len(sent)) if case % 2 else chance.randrange(60)
            match case % 3:
                case 0:
                    sent[at] ^= 1 << chance.randrange(8)
                case 1:
                    del sent[at:]
                case _:
                    sent[at:at] = chance.randbytes(3)
            Path("sent").write_bytes(sent)
            before = contents()
            result = run("bank", "from-midi", "sent", "back.bank")
            if result.exit_code == 0:
                assert Path("back.bank").read_bytes() == whole
                Path("back.bank").unlink()
            else:
                assert result.exit_code == 2
                assert contents() == before


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["to-midi", "none.bank", "x.syx"], "none.bank: there is no such file or folder"),
        (["to-midi", "organ.store:Zoe", "x.syx"], "organ.store has no bank 'Zoe'; there is Ruth"),
        (
            ["to-midi", "quay.bank", "x.bank"],
            "x.bank ends neither in .syx nor in .mid: which of them is it to be?",
        ),
        (["to-midi", "quay.bank", "no/x.syx"], "no/x.syx: there is no such file or folder"),
        (["to-midi", "mine.syx", "mine.syx", "--replace"], "mine.syx is the bank itself"),
        (["from-midi", "none.syx", "x.bank"], "none.syx: there is no such file or folder"),
        (["from-midi", ".", "x.bank"], ". is not a file"),
        (["from-midi", "quay.toml", "x.bank"], "quay.toml: there is no bank in it"),
        (["from-midi", "quay.bank", "x.bank"], "quay.bank: there is no bank in it"),
        (["from-midi", "sent.syx", "quay.bank"], "quay.bank: it is there already"),
        (["from-midi", "sent.syx", "organ.store:Ruth"], "organ.store:Ruth is no name for a file"),
        (
            ["from-midi", "cut.mid", "x.bank"],
            "cut.mid is a Standard MIDI File that is damaged, or cut short",
        ),
        (["from-midi", "notes.mid", "x.bank"], "notes.mid: there is no bank in it"),
        (["from-midi", "text.syx", "x.bank"], "text.syx: this is not a bank file"),
    ],
)
def test_what_cannot_be_sent_or_taken(quay: Console, words: list[str], message: str) -> None:
    create_store("organ.store")
    with Store("organ.store") as store:
        store.add(fresh_bank(quay, "Ruth"))
    save("mine.syx", played(quay))
    done("bank", "to-midi", "quay.bank", "sent.syx")
    done("bank", "to-midi", "quay.bank", "sent.mid")
    Path("cut.mid").write_bytes(Path("sent.mid").read_bytes()[:200])
    Path("text.syx").write_bytes(syx(b"a text of some length", "text"))
    notes = mido.MidiFile()
    notes.tracks.append(mido.MidiTrack([mido.Message("note_on", note=60)]))
    notes.save("notes.mid")
    assert refusal("bank", *words).startswith(message)
