"""Banks sent and received through a real MIDI system, by programs of their own.

What the machines do is tested without ports, in test_file_dump; here they meet ports, a clock,
a person at a terminal, and devices that are played by the plain machines of `tests.plain_dump`.
"""

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from threading import Timer

import pytest
from rtmidi import API_UNIX_JACK

from banks import encode, read_bank_file
from banks.dumpmessages import PACKET_PAUSE, read_syx
from cli.output import RefusedError
from cli.ports import Ends, Port, Way
from combination.cable import BYTE
from combination.memory import fresh_bank
from combination.reading import read_console
from tests.forked import Forked, nest
from tests.jack import PATIENCE, Device, jack_server
from tests.plain_dump import PlainReceiver, PlainSender, flag
from tests.quay import at_a_terminal, contents, done, refusal, save

CANCEL, ACK = 0x7D, 0x7F
CODE = "from cli.main import main; main(prog_name='stopwright')"
LATE = 0.3
"""Seconds by which the first message may be heard late on a busy computer; all take 0.9."""
GONE = r'stopwright: the MIDI port "quay(-01)?:(in|out)" is gone(; [\d,]+ of .*)?\n'

pytestmark = pytest.mark.usefixtures("quay")


@pytest.fixture(scope="module")
def jack() -> Iterator[None]:
    """A server, on which every device is gone when its test is over."""
    with jack_server("stopwright-wire"):
        yield


needs_jack = pytest.mark.usefixtures("jack")


class Program:
    """A command that runs beside the test."""

    def __init__(self, process: "subprocess.Popen[str] | Forked") -> None:
        self.process = process

    def says(self, words: str) -> None:
        """The next line that it prints begins with these words."""
        assert self.process.stdout
        line = self.process.stdout.readline()
        assert line.startswith(words), (line, self.process.stderr and self.process.stderr.read())

    def ends(self) -> tuple[int, str, str]:
        """Its exit code, the last line that it prints, and its message on standard error."""
        assert self.process.stdout
        assert self.process.stderr
        out, err = self.process.stdout.read(), self.process.stderr.read()
        return self.process.wait(), out.removesuffix("\n").rpartition("\n")[2], err

    def interrupt(self) -> None:
        self.process.send_signal(signal.SIGINT)


@contextmanager
def under_way(process: "subprocess.Popen[str] | Forked") -> Iterator[Program]:
    """A program that is ended if it takes too long."""
    with process:
        too_long = Timer(PATIENCE, process.kill)
        too_long.start()
        try:
            yield Program(process)
        finally:
            too_long.cancel()
            process.kill()


def started(*words: str, code: str = CODE) -> AbstractContextManager[Program]:
    """A command, run as a person runs it."""
    command, pipe = [sys.executable, "-c", code, "bank", *words], subprocess.PIPE
    return under_way(subprocess.Popen(command, stdout=pipe, stderr=pipe, text=True))


Runs = Callable[..., AbstractContextManager[Program]]


@pytest.fixture(scope="module")
def program() -> Iterator[Runs]:
    """Runs commands as `started` does, which have read in what they need already."""
    with nest("cli.main", "cli.bank.commands", "cli.bank.wire") as forks:
        yield lambda *words, code=CODE: under_way(forks.program(code, "bank", *words))


def saved() -> bytes:
    """The bytes of the bank that is sent: it has ten packets."""
    return encode(read_bank_file("quay.bank"))


# ---------------------------------------------------------------- both programs


@needs_jack
def test_a_bank_goes_from_one_program_to_another() -> None:
    with (
        Device("elsewhere"),
        started("receive", "got.bank", "--port", "elsewhere") as receiver,
    ):
        receiver.says("Waiting for a bank at elsewhere:out, for 10 minutes at most")
        with started("send", "quay.bank", "--port", "stopwright", "--in", "stopwright") as sender:
            assert sender.ends() == (0, "quay.bank is sent, and has arrived whole", "")
            assert Path("got.bank").read_bytes() == saved()  # before the sender said so
        assert receiver.ends() == (0, 'got.bank: the bank "Eastertide", whole', "")


HARMS: dict[str, Callable[[bytes], list[bytes]]] = {
    "lost": lambda _: [],
    "damaged": lambda whole: [whole[:-3] + bytes([whole[-3] ^ 0x10]) + whole[-2:]],
    "cut short": lambda whole: [whole[:-2]],  # and the next is taken for its end
    "doubled": lambda whole: [whole, whole],
}


class Harm:
    """Passes on what devices hear; of five messages one is harmed, until each harm was done."""

    def __init__(self) -> None:
        self.heard = 0
        self.done = 0

    def to(self, other: Callable[[], Device]) -> Callable[[bytes], list[bytes]]:
        def react(message: bytes) -> list[bytes]:
            self.heard += 1
            passed_on = [message]
            if self.heard % 5 == 0 and self.done < len(HARMS):
                passed_on = list(HARMS.values())[self.done](message)
                self.done += 1
            for each in passed_on:
                other().say(each)
            return []

        return react


@needs_jack
def test_what_is_harmed_on_the_way_arrives_all_the_same(program: Runs) -> None:
    """Between two devices that pass on what they hear, and do some harm to it."""
    harm = Harm()
    with (
        Device("near", harm.to(lambda: far)) as near,
        Device("far", harm.to(lambda: near)) as far,
        program("receive", "got.bank", "--port", "far") as receiver,
    ):
        receiver.says("Waiting")
        with program("send", "quay.bank", "--port", "near") as sender:
            assert sender.ends() == (0, "quay.bank is sent, and has arrived whole", "")
        assert receiver.ends()[0] == 0
    assert harm.done == len(HARMS)
    assert Path("got.bank").read_bytes() == saved()


# ---------------------------------------------------------------- sending


@needs_jack
def test_a_device_built_to_the_standard_has_the_bank() -> None:
    plain = PlainReceiver()
    with Device("quay", lambda message: plain.receive(message, time.monotonic())):
        lasting = "about a second"
        assert done("bank", "send", "quay.bank", "--port", "QUAY").splitlines() == [
            "quay.bank, a bank of Quay Chapel: 1,051 bytes in 10 packets",
            f"On a five-pin cable: {lasting} if the receiver answers, {lasting} if it does not",
            "The receiver answers",
            "quay.bank is sent, and has arrived whole",
        ]
    assert (plain.name, plain.file, plain.ended) == ("Eastertide", saved(), "whole")


@needs_jack
def test_where_nobody_answers_all_is_sent_no_faster_than_a_cable_takes_it(program: Runs) -> None:
    """Whether that was expected or not: two programs at the same time."""
    with (
        Device("quay") as quay,
        Device("hill") as hill,
        program("send", "quay.bank", "--port", "quay") as hopeful,
        program("send", "quay.bank", "--port", "hill", "--no-answers") as hopeless,
    ):
        for sender in (hopeful, hopeless):
            sender.says("quay.bank, a bank of Quay Chapel")
            sender.says("On a five-pin cable: about a second")
        hopeful.says("Nobody answers: it is sent once, slowly")
        last = "quay.bank is sent; whether it has arrived is not known: nobody answered"
        assert hopeful.ends() == (1, last, "")
        assert hopeless.ends() == (0, last, "")
        for device in (quay, hill):
            heard = device.all()
            offers, sent = heard[:2], heard[2:]
            assert [message for _, message in offers] == [sent[0][1]] * 2
            assert read_syx(b"".join(message for _, message in sent)) == ("Eastertide", saved())
            begun, due = sent[1][0], 0.0
            for at, message in sent[1:]:
                assert at - begun >= due - LATE
                due += len(message) * BYTE + PACKET_PAUSE


@needs_jack
def test_a_refusal_is_told() -> None:
    with Device("quay", lambda _: [flag(0x7F, CANCEL, 0)]):
        assert refusal("bank", "send", "quay.bank", "--port", "quay") == (
            "the receiver has cancelled; 0 of 10 packets had been sent"
        )


def one_after_another(message: bytes) -> list[bytes]:
    """Answers of a device that acknowledges whatever it hears: header, packet or end."""
    number = {0x01: 0, 0x02: message[5]}.get(message[4]) if message[3] == 0x07 else message[4]
    return [] if number is None else [flag(0x7F, ACK, number)]


def one_packet(message: bytes) -> list[bytes]:
    """Answers of a device that acknowledges the header and the first packet, and no more."""
    is_later = message[3:5] == b"\x07\x02" and message[5] > 0
    return [] if is_later or message[3] == CANCEL else [flag(0x7F, ACK, 0)]


def is_second(message: bytes) -> bool:
    return message[3:6] == b"\x07\x02\x01"


@needs_jack
def test_ctrl_c_tells_the_receiver(program: Runs) -> None:
    with (
        Device("quay", one_packet) as device,
        program("send", "quay.bank", "--port", "quay") as sender,
    ):
        device.hears(is_second)
        sender.interrupt()
        message = "it was cancelled here; 1 of 10 packets had been sent"
        assert sender.ends() == (2, "The receiver answers", f"stopwright: {message}\n")
        device.hears(lambda heard: heard == flag(0x7F, CANCEL, 1))


@needs_jack
def test_a_device_unplugged_in_the_middle_is_missed(program: Runs) -> None:
    with (
        Device("quay", one_packet) as device,
        program("send", "quay.bank", "--port", "quay") as sender,
    ):
        device.hears(is_second)
        device.unplug()
        code, _, message = sender.ends()
    assert code == 2
    assert re.fullmatch(GONE, message), message
    assert "; 112 of 1,051 bytes had gone through" in message


@needs_jack
def test_a_terminal_shows_how_far_it_has_come() -> None:
    with Device("quay", one_after_another):
        code, seen = at_a_terminal(["bank", "send", "quay.bank", "--port", "quay"])
    assert code == 0
    *_, drawn, last = seen.splitlines()
    assert re.search(r"Sending  \[#+\]  100%", drawn)
    assert last == "quay.bank is sent, and has arrived whole"


# ---------------------------------------------------------------- receiving


@needs_jack
def test_a_device_built_to_the_standard_can_send(program: Runs) -> None:
    plain = PlainSender(saved(), "Ruth")
    with (
        Device("quay", lambda message: plain.receive(message, time.monotonic())) as device,
        program("receive", "got.bank", "--port", "quay") as receiver,
    ):
        receiver.says("Waiting for a bank at quay:out, for 10 minutes at most")
        for message in plain.start(time.monotonic()):
            device.say(message)
        receiver.says('"Ruth" begins: 1,051 bytes. On a five-pin cable: about a second if the')
        assert receiver.ends() == (0, 'got.bank: the bank "Ruth", whole', "")
    assert plain.ended == "sent"
    assert Path("got.bank").read_bytes() == saved()


@needs_jack
def test_a_device_that_hears_no_answers_can_send(program: Runs) -> None:
    plain = PlainSender(saved(), "Ruth")
    with (
        Device("quay") as device,
        program("receive", "got.bank", "--port", "quay", "--no-answers") as receiver,
    ):
        receiver.says("Waiting")
        messages = plain.start(time.monotonic())
        while not plain.ended:
            for message in messages:
                device.say(message)
            time.sleep(0.01)
            messages = plain.tick(time.monotonic())
        for message in messages:
            device.say(message)
        assert receiver.ends() == (0, 'got.bank: the bank "Ruth", whole', "")
        assert device.all() == []
    assert Path("got.bank").read_bytes() == saved()


REFUSED = {
    "no bank": (b"All people that on earth do dwell", "this is not a bank file"),
    "a file made meanwhile": (None, "got.bank: it is there already, and is left as it is"),
}


@needs_jack
@pytest.mark.parametrize("case", REFUSED)
def test_what_cannot_be_kept_is_not_acknowledged(program: Runs, case: str) -> None:
    data, fault = REFUSED[case]
    plain = PlainSender(data or saved(), "Ruth")
    with (
        Device("quay", lambda message: plain.receive(message, time.monotonic())) as device,
        program("receive", "got.bank", "--port", "quay") as receiver,
    ):
        receiver.says("Waiting")
        if data is None:
            Path("got.bank").write_bytes(b"another's")
        before = contents()
        for message in plain.start(time.monotonic()):
            device.say(message)
        code, _, told = receiver.ends()
        device.hears(lambda heard: heard[3] == CANCEL)
    assert (code, told) == (2, f"stopwright: what arrived cannot be used: {fault}\n")
    assert plain.ended == "cancelled"
    assert contents() == before


@needs_jack
@pytest.mark.parametrize("begun", [False, True])
def test_ctrl_c_tells_the_sender_and_leaves_nothing(program: Runs, begun: bool) -> None:
    before = contents()
    plain = PlainSender(saved(), "Ruth")
    with (
        Device("quay") as device,
        program("receive", "got.bank", "--port", "quay") as receiver,
    ):
        receiver.says("Waiting")
        if begun:
            for message in (*plain.start(0.0), *plain.send(0, 0.0)):
                device.say(message)
            assert [device.next(), device.next()] == [flag(0x7F, ACK, 0)] * 2
        receiver.interrupt()
        code, _, told = receiver.ends()
        if begun:
            assert device.next() == flag(0x7F, CANCEL, 1)
        assert device.all() == []
    much = "; 112 of 1,051 bytes had arrived" if begun else " before anything was sent"
    assert (code, told) == (2, f"stopwright: it was cancelled here{much}\n")
    assert contents() == before


# ---------------------------------------------------------------- what is not there

NAMED: list[tuple[str, str]] = [
    ("send", "which MIDI port? Say with --port:\n  north-01:in\n  south-01:in"),
    ("receive", "which MIDI port? Say with --port:\n  north:out\n  south:out"),
    ("send --port east", 'there is no MIDI port "east"; there are north-01:in, south-01:in'),
    ("receive --port nort:out", 'there is no MIDI port "nort:out"; did you mean "north:out"?'),
    (
        "send --port TH",
        'there is more than one MIDI port "TH":\n  north-01:in\n  south-01:in',
    ),
    (
        "receive --port south:out",
        'there is no MIDI port "south:out" for answers; say with --out where answers go, or '
        '--no-answers; did you mean "south-01:in"?',
    ),
    (
        "send --port north --in O",
        'there is more than one MIDI port "O":\n  north:out\n  south:out',
    ),
    (
        "send --port north --in south --no-answers",
        "either there is a port for answers, or --no-answers: both cannot be meant",
    ),
]


@needs_jack
def test_it_is_asked_which_port_until_that_is_clear() -> None:
    with Device("north"), Device("south"):
        for words, message in NAMED:
            command, *options = words.split()
            file = {"send": "quay.bank", "receive": "got.bank"}[command]
            assert refusal("bank", command, file, *options) == message


@needs_jack
def test_a_port_that_cannot_be_opened_is_refused() -> None:
    with Device("quay"):
        here, gone = Port(Way.IN, API_UNIX_JACK, "quay:out"), Port(Way.OUT, API_UNIX_JACK, "x:in")
        with pytest.raises(RefusedError, match=r'^the MIDI port "x:in" cannot be opened: '):
            Ends([here, gone]).__enter__()


@pytest.mark.parametrize(
    ("file", "message"),
    [
        ("quay.bank", "quay.bank: it is there already, and is left as it is"),
        ("gone/got.bank", "gone/got.bank: gone is no folder that can be written in"),
        ("quay.toml/x", "quay.toml/x: quay.toml is no folder that can be written in"),
    ],
)
def test_where_nothing_can_be_kept_nothing_is_waited_for(file: str, message: str) -> None:
    assert refusal("bank", "receive", file, "--port", "quay") == message


NO_MIDI = {
    "no system runs": (
        CODE,
        "there is no MIDI on this computer: neither ALSA nor Jack is running",
    ),
    "rtmidi cannot be loaded": (
        "import sys; sys.modules['rtmidi'] = None; " + CODE,
        "there is no MIDI: rtmidi cannot be loaded (on Linux it needs ALSA's libasound2)",
    ),
}


@pytest.mark.parametrize("case", NO_MIDI)
def test_a_computer_without_midi(case: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """One message, and nothing of what the systems' libraries think."""
    monkeypatch.setenv("ALSA_CONFIG_PATH", os.devnull)
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "no-such-server")
    code, message = NO_MIDI[case]
    with started("send", "quay.bank", code=code) as sender:
        assert sender.ends() == (2, "", f"stopwright: {message}\n")


ROOT = Path(__file__).parent.parent
DEVICE = "from tests.jack import Device; Device('quay'); print('plugged in', flush=True)"


def test_a_midi_system_that_ends_in_the_middle_is_missed(program: Runs) -> None:
    """The device is a process of its own: this one cannot outlive the server of its clients."""
    theatre = read_console((ROOT / "cli" / "demos" / "theatre.toml").read_text(encoding="utf-8"))
    save("long.bank", fresh_bank(theatre))
    with jack_server("stopwright-dies") as server, program(code=DEVICE) as device:
        device.says("plugged in")
        with (
            program("receive", "got.bank", "--port", "quay") as receiver,
            program("send", "long.bank", "--port", "quay") as sender,
        ):
            receiver.says("Waiting")
            sender.says("long.bank")
            server.terminate()
            for command in (sender, receiver):
                code, _, message = command.ends()
                assert code == 2
                assert re.fullmatch(GONE, message), message
    assert "got.bank" not in contents()
