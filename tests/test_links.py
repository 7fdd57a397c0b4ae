"""Links with real other ends: sockets on loopback, pseudo-terminals, pipes, files, JACK.

At each other end bytes are read and written as they are; nothing there is of ours.
"""

import os
import re
import select
import socket
import subprocess
import sys
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from functools import partial
from pathlib import Path
from signal import SIGHUP, SIGINT, SIGTERM
from threading import Event, Thread, Timer
from typing import Protocol

import pytest
import serial

from cli.play import links, streams, systemport
from cli.play.links import CannotOpenError, Link, LinkLostError, open_link, stop_listening
from cli.play.where import Connect, Listen, Nowhere, RawFile, SerialLine, SystemPort, Where
from tests.jack import PATIENCE, Device, jack_server

NOTE, CLOCK, TUNE = b"\x90\x3c\x40", b"\xf8", b"\xf6"
EXCLUSIVE = b"\xf0\x7d" + bytes(range(128)) + b"\xf7"
AT_ONCE = 1.0
"""Seconds within which what happens at once is seen to, on a busy computer."""
HERE = "127.0.0.1"


@pytest.fixture(autouse=True)
def deaf() -> Iterator[None]:
    """Whatever listens or looks does so for one test only."""
    yield
    stop_listening()
    systemport.stop_looking()


def opened(where: Where, *, listens: bool = True, sends: bool = True) -> Link:
    """A link as one gets it who does not give up."""
    until = time.monotonic() + PATIENCE
    while True:
        try:
            return open_link(where, listens=listens, sends=sends, client="stopwright")
        except CannotOpenError:
            if time.monotonic() > until:
                raise
            time.sleep(0.01)


def refused(where: Where, *, listens: bool = True, sends: bool = True) -> str:
    with pytest.raises(CannotOpenError) as error:
        open_link(where, listens=listens, sends=sends, client="stopwright")
    return str(error.value)


def heard(link: Link, count: int) -> list[bytes]:
    """The next messages of a link, so many or as many as come."""
    messages: list[bytes] = []
    until = time.monotonic() + PATIENCE
    while len(messages) < count and time.monotonic() < until:
        messages += link.read(0.1)
    return messages


def lost(link: Link) -> str:
    """Why a link that is read is lost."""
    until = time.monotonic() + PATIENCE
    try:
        while time.monotonic() < until:
            link.read(0.1)
    except LinkLostError as error:
        return str(error)
    return "it is not lost"


# ---------------------------------------------------------------- other ends


class OtherEnd(Protocol):
    """Bytes come and go here. It may be there before the link is opened."""

    where: Where

    def say(self, data: bytes) -> None: ...
    def hear(self, count: int) -> bytes: ...
    def go(self) -> None:
        """Be gone."""

    def come(self) -> None:
        """Be there, again or for the first time."""


class _OnSocket:
    """Has a connection once somebody is at the other end."""

    def __init__(self) -> None:
        self._connection: socket.socket | None = None

    def _made(self) -> socket.socket:
        raise NotImplementedError

    @property
    def connection(self) -> socket.socket:
        if self._connection is None:
            self._connection = self._made()
            self._connection.settimeout(PATIENCE)
        return self._connection

    def say(self, data: bytes) -> None:
        self.connection.sendall(data)

    def hear(self, count: int) -> bytes:
        data = b""
        while len(data) < count and (more := self.connection.recv(count - len(data))):
            data += more
        return data

    def go(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None


class Called(_OnSocket):
    """A program that listens."""

    def __init__(self) -> None:
        super().__init__()
        self._ear = socket.create_server((HERE, 0))
        self._ear.settimeout(PATIENCE)
        self.where: Where = Connect(*self._ear.getsockname())

    def _made(self) -> socket.socket:
        return self._ear.accept()[0]

    def go(self) -> None:
        super().go()
        self._ear.close()

    def come(self) -> None:
        self.go()
        assert isinstance(self.where, Connect)
        self._ear = socket.create_server((self.where.host, self.where.port))
        self._ear.settimeout(PATIENCE)


class Calling(_OnSocket):
    """A program that calls, and calls again until somebody listens."""

    def __init__(self) -> None:
        super().__init__()
        with socket.create_server((HERE, 0)) as passing:
            self._port = passing.getsockname()[1]
        self.where: Where = Listen(HERE, self._port)
        self._calls: Thread | None = None

    def come(self) -> None:
        self._calls = Thread(target=self._call)
        self._calls.start()

    def _call(self) -> None:
        until = time.monotonic() + PATIENCE
        while self._connection is None and time.monotonic() < until:
            with suppress(ConnectionError):
                self._connection = socket.create_connection((HERE, self._port), PATIENCE)

    def _made(self) -> socket.socket:
        assert self._calls
        self._calls.join()
        assert self._connection
        return self._connection

    def go(self) -> None:
        if self._calls is not None:
            self._calls.join()
        super().go()


class OnTerminal:
    """A pseudo-terminal, of which the other end is a line or a device."""

    def __init__(self, leads: Callable[[str], Where]) -> None:
        self._leads = leads
        self._ours = self._theirs = -1
        self.come()

    def say(self, data: bytes) -> None:
        os.write(self._ours, data)

    def hear(self, count: int) -> bytes:
        data = b""
        while len(data) < count and select.select([self._ours], [], [], PATIENCE)[0]:
            data += os.read(self._ours, count - len(data))
        return data

    def go(self) -> None:
        for number in {self._ours, self._theirs} - {-1}:
            os.close(number)
        self._ours = self._theirs = -1

    def come(self) -> None:
        self._ours, self._theirs = os.openpty()
        tty.setraw(self._theirs)
        self.where = self._leads(os.ttyname(self._theirs))


KINDS: dict[str, Callable[[], OtherEnd]] = {
    "connect": Called,
    "listen": Calling,
    "serial": lambda: OnTerminal(SerialLine),
    "serial, faster": lambda: OnTerminal(lambda name: SerialLine(name, 38_400)),
    "device": lambda: OnTerminal(RawFile),
}


@pytest.fixture(params=KINDS)
def other(request: pytest.FixtureRequest) -> Iterator[OtherEnd]:
    """An other end of each kind that goes both ways; it is there."""
    end = KINDS[request.param]()
    if isinstance(end, Calling):
        end.come()
    yield end
    end.go()


# ---------------------------------------------------------------- all kinds


def test_messages_go_both_ways(other: OtherEnd) -> None:
    with closing(opened(other.where)) as link:
        other.say(b"\x3c\x90\x3c\xf8\x40\x3e\x40" + EXCLUSIVE + TUNE)
        assert heard(link, 5) == [CLOCK, NOTE, b"\x90\x3e\x40", EXCLUSIVE, TUNE]
        sent = [NOTE, b"\x90\x3e\x40", CLOCK, EXCLUSIVE, *[NOTE] * 500]
        link.write([])
        link.write(sent[:1])
        link.write(sent[1:])
        assert other.hear(len(b"".join(sent))) == b"".join(sent)


def test_half_a_message_is_none_and_nothing_is_waited_for_longer_than_asked(
    other: OtherEnd,
) -> None:
    with closing(opened(other.where)) as link:
        other.say(b"\x90\x3c")
        begun = time.monotonic()
        assert link.read(0.2) == []
        assert 0.2 <= time.monotonic() - begun < 0.2 + AT_ONCE
        other.say(b"\x40")
        assert heard(link, 1) == [NOTE]
        assert link.read(0.0) == []


def test_an_other_end_that_is_gone_is_missed_and_found_again(other: OtherEnd) -> None:
    with closing(opened(other.where)) as link:
        other.say(b"\x90\x3c")
        link.read(0.0)
        other.hear(0)
        other.go()
        assert lost(link).startswith(f"{other.where} is gone: ")
        blocked = Blocked(link)  # sooner or later: TCP has to be told
        assert blocked.ended()
        assert blocked.why.startswith(f"{other.where} is gone: ")
    other.come()
    with closing(opened(other.where)) as link:
        other.say(b"\x40" + NOTE)  # what the last partner began is not this one's
        assert heard(link, 1) == [NOTE]
        link.write([NOTE])
        assert other.hear(3) == NOTE


def test_where_nothing_is_listened_to_the_end_is_seen(other: OtherEnd) -> None:
    with closing(opened(other.where, listens=False)) as link:
        other.say(NOTE)
        assert link.read(0.1) == []
        link.write([NOTE])
        assert other.hear(3) == NOTE
        other.go()
        if isinstance(other.where, RawFile):  # only whoever writes can see it
            link.read(0.1)
            blocked = Blocked(link)
            assert blocked.ended()
            assert blocked.why.startswith(f"{other.where} is gone: ")
        else:
            assert lost(link).startswith(f"{other.where} is gone: ")


def test_where_nothing_is_sent_nothing_goes_out(other: OtherEnd) -> None:
    with closing(opened(other.where, sends=False)) as link:
        link.write([NOTE])
        other.say(NOTE)
        assert heard(link, 1) == [NOTE]
    if isinstance(other, _OnSocket):
        assert other.hear(1) == b""


class Blocked:
    """A thread that writes until it can no more."""

    def __init__(self, link: Link) -> None:
        self._link = link
        self.written = 0
        self.why = ""
        self._over = Event()
        Thread(target=self._write, daemon=True).start()

    def _write(self) -> None:
        try:
            while True:
                self._link.write([EXCLUSIVE])
                self.written += 1
        except LinkLostError as error:
            self.why = str(error)
        self._over.set()

    def settled(self) -> None:
        """Wait until the other end takes no more."""
        until = time.monotonic() + PATIENCE
        before = -1
        while before != self.written or not before:
            assert time.monotonic() < until
            before = self.written
            time.sleep(0.3)

    def ended(self) -> bool:
        return self._over.wait(AT_ONCE)


@pytest.mark.parametrize("kind", [*KINDS, "pipe"])
def test_close_wakes_who_writes_to_one_that_never_reads(kind: str, tmp_path: Path) -> None:
    if kind == "pipe":
        os.mkfifo(tmp_path / "pipe")
        number = os.open(tmp_path / "pipe", os.O_RDONLY | os.O_NONBLOCK)
        link = opened(RawFile(str(tmp_path / "pipe")), listens=False)
        where = f"the file {tmp_path / 'pipe'}"
        go: Callable[[], None] = partial(os.close, number)
    else:
        end = KINDS[kind]()
        if isinstance(end, Calling):
            end.come()
        link, where, go = opened(end.where), str(end.where), end.go
    blocked = Blocked(link)
    blocked.settled()
    assert not blocked.why
    link.close()
    assert blocked.ended()
    assert blocked.why == f"{where} was closed"
    go()


def test_close_wakes_who_reads(other: OtherEnd) -> None:
    link = opened(other.where)
    thread = Timer(0.1, link.close)
    thread.start()
    begun = time.monotonic()
    with pytest.raises(LinkLostError, match=f"^{re.escape(str(other.where))} was closed$"):
        link.read(PATIENCE)
    assert time.monotonic() - begun < 0.1 + AT_ONCE
    thread.join()
    link.close()
    with pytest.raises(LinkLostError):
        link.write([NOTE])


def open_descriptors() -> set[str]:
    return {entry.name for entry in Path("/dev/fd").iterdir() if entry.exists()}


def test_no_descriptor_is_left_open(other: OtherEnd) -> None:
    opened(other.where).close()
    before = open_descriptors()
    if isinstance(other, Calling):
        other.go()
        other.come()
    opened(other.where).close()
    assert open_descriptors() == before


def test_nowhere_takes_all_and_gives_nothing() -> None:
    link = opened(Nowhere())
    link.write([NOTE])
    assert link.read(0.01) == []
    link.close()
    assert lost(link) == "nowhere was closed"


# ---------------------------------------------------------------- TCP


def test_nobody_is_there_yet(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(links, "PATIENCE", 0.3)
    end = Called()
    end.go()
    assert isinstance(end.where, Connect)
    assert refused(end.where) == f"nobody listens at {HERE}:{end.where.port} yet"
    here = Listen(end.where.host, end.where.port)
    for _ in range(2):
        begun = time.monotonic()
        assert refused(here) == f"nobody has connected to {HERE}:{here.port} yet"
        assert links.PATIENCE <= time.monotonic() - begun < links.PATIENCE + AT_ONCE


def test_what_cannot_be_reached_or_listened_at() -> None:
    assert re.fullmatch(
        "no.such.invalid:5004 cannot be reached: .*", refused(Connect("no.such.invalid", 5004))
    )
    assert refused(Connect("a" * 70, 5004)).startswith(f"{'a' * 70}:5004 cannot be reached: ")
    with socket.create_server((HERE, 0)) as taken:
        port = taken.getsockname()[1]
        message = f"{HERE}:{port} cannot be listened at: address already in use"
        assert refused(Listen(HERE, port)) == message


def test_one_partner_at_a_time_and_the_next_waits() -> None:
    first, second = Calling(), Calling()
    second._port = first._port
    first.come()
    link = opened(first.where)
    second.come()
    second.say(NOTE)
    assert link.read(0.1) == []
    first.go()
    assert lost(link).startswith(f"{first.where} is gone")
    link.close()
    with closing(opened(first.where)) as link:
        assert heard(link, 1) == [NOTE]
        link.write([NOTE])
        assert second.hear(3) == NOTE
    second.go()


@pytest.mark.parametrize("kind", ["connect", "listen"])
def test_the_last_message_arrives_though_not_all_was_read(kind: str) -> None:
    end = KINDS[kind]()
    if isinstance(end, Calling):
        end.come()
    link = opened(end.where)
    end.say(NOTE * 10_000)
    link.write([EXCLUSIVE] * 1000)
    link.close()
    sent = EXCLUSIVE * 1000
    assert end.hear(len(sent) + 1) == sent
    end.go()


def test_a_call_that_is_answered_by_itself_is_no_connection(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """As the system lets happen when it gives the call the very port that it goes to."""
    end = Called()
    end.go()
    assert isinstance(end.where, Connect)
    plain, there = socket.create_connection, (end.where.host, end.where.port)
    monkeypatch.setattr(
        socket,
        "create_connection",
        lambda address, timeout: plain(address, timeout, source_address=there),
    )
    assert refused(end.where) == f"nobody listens at {HERE}:{end.where.port} yet"


# ---------------------------------------------------------------- files, pipes, lines


def test_a_file_is_read_to_its_end_and_then_quiet(tmp_path: Path) -> None:
    path = tmp_path / "evening.raw"
    path.write_bytes(b"\x90\x3c\x40\x3e\x40\x90")
    with closing(opened(RawFile(str(path)), sends=False)) as link:
        assert heard(link, 2) == [NOTE, b"\x90\x3e\x40"]
        begun = time.monotonic()
        assert link.read(0.1) == []
        assert time.monotonic() - begun >= 0.1
        link.write([NOTE])
    assert path.read_bytes() == b"\x90\x3c\x40\x3e\x40\x90"


def test_a_file_is_added_to(tmp_path: Path) -> None:
    path = tmp_path / "evening.raw"
    path.write_bytes(TUNE)
    for _ in range(2):
        with closing(opened(RawFile(str(path)), listens=False)) as link:
            link.write([NOTE, CLOCK])
            assert link.read(0.01) == []
    assert path.read_bytes() == TUNE + (NOTE + CLOCK) * 2


def test_a_pipe_goes_one_way_and_its_end_is_missed(tmp_path: Path) -> None:
    path = tmp_path / "pipe"
    os.mkfifo(path)
    where = RawFile(str(path))
    assert refused(where, listens=False) == f"nobody reads {where} yet"
    for _ in range(2):
        with closing(opened(where, sends=False)) as link:
            assert link.read(0.01) == []  # nobody writes yet
            with path.open("wb", buffering=0) as writes:
                writes.write(b"\x90\x3c\x40\x3e\x40")
                assert heard(link, 2) == [NOTE, b"\x90\x3e\x40"]
            assert lost(link) == f"{where} is gone: the other end has closed it"
        number = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
        with closing(opened(where, listens=False)) as link:
            link.write([NOTE])
            assert os.read(number, 10) == NOTE
            assert link.read(0.01) == []
            os.close(number)
            assert lost(link).startswith(f"{where} is gone: ")
            with pytest.raises(LinkLostError, match="is gone: broken pipe"):
                link.write([NOTE])


def test_what_cannot_be_opened_is_told(tmp_path: Path) -> None:
    plain, pipe, gone = (str(tmp_path / name) for name in ("plain", "pipe", "gone"))
    Path(plain).touch()
    os.mkfifo(pipe)
    both = "can be heard or written, not both: it is no device"
    assert refused(RawFile(plain)) == f"the file {plain} {both}"
    assert refused(RawFile(pipe)) == f"the file {pipe} {both}"
    missing = "cannot be opened: no such file or directory"
    assert refused(RawFile(gone), listens=False) == f"the file {gone} {missing}"
    assert not Path(gone).exists()
    assert refused(SerialLine(gone)) == f"the serial line {gone} {missing}"
    folder = "cannot be opened: is a directory"
    assert refused(RawFile(str(tmp_path)), sends=False) == f"the file {tmp_path} {folder}"
    assert refused(SerialLine(plain)).startswith(f"the serial line {plain} cannot be opened: ")


@pytest.mark.parametrize(
    ("said", "words"),
    [
        (
            "ClearCommError failed (PermissionError(13, 'Access is denied.', None, 5))",
            "access is denied",
        ),
        (
            "could not open port 'COM7': FileNotFoundError(2, 'The system cannot find the file "
            "specified.', None, 2)",
            "the system cannot find the file specified",
        ),
        (
            'WriteFile failed (OSError(22, "The device doesn\'t work", None, 31))',
            "the device doesn't work",
        ),
        ("Write timeout", "write timeout"),
    ],
)
def test_what_pyserial_tells_of_windows(said: str, words: str) -> None:
    """There it has no error of the system behind its own."""
    assert streams.words(serial.SerialException(said)) == words


def test_a_line_is_for_one_program() -> None:
    end = OnTerminal(SerialLine)
    with closing(opened(end.where)):
        assert refused(end.where) == f"another program has {end.where}"
    opened(end.where).close()
    end.go()


# ---------------------------------------------------------------- the system's MIDI ports


@pytest.fixture(scope="module")
def jack() -> Iterator[None]:
    """A server, on which every device is gone when its test is over."""
    with jack_server("stopwright-links"):
        yield


needs_jack = pytest.mark.usefixtures("jack")
QUAY = SystemPort("quay")


def told(where: Where, words: str, *, listens: bool = True, sends: bool = True) -> None:
    """Wait until it cannot be opened for this reason: new ports are not seen at once."""
    until = time.monotonic() + PATIENCE
    message = ""
    while message != words and time.monotonic() < until:
        message = refused(where, listens=listens, sends=sends)
        time.sleep(0.05)
    assert message == words


@needs_jack
def test_system_ports_carry_messages_both_ways() -> None:
    with Device("quay") as quay, closing(opened(QUAY)) as link:
        said = [NOTE, b"\xfe", CLOCK, EXCLUSIVE, b"\xc1\x05", *[NOTE] * 500]
        for message in said:
            quay.say(message)
        assert heard(link, len(said)) == said
        sent = [NOTE, EXCLUSIVE, b"\xc1\x05", *[NOTE] * 500]
        link.write(sent)
        assert [quay.next() for _ in sent] == sent


@needs_jack
@pytest.mark.parametrize("way", ["listens", "sends"])
def test_a_system_port_that_goes_one_way(way: str) -> None:
    listens, sends = way == "listens", way == "sends"
    with Device("quay") as quay, closing(opened(QUAY, listens=listens, sends=sends)) as link:
        quay.say(NOTE)
        assert heard(link, 1) if listens else not link.read(0.3)
        link.write([NOTE])
        if sends:
            assert quay.next() == NOTE
        else:
            time.sleep(0.1)
            assert quay.all() == []


@needs_jack
def test_a_system_port_that_is_gone_is_missed_and_found_again() -> None:
    with Device("quay"):
        link = opened(QUAY)
    assert lost(link) in {f'the MIDI port "quay{end}" is gone' for end in (":out", "-01:in")}
    with pytest.raises(LinkLostError):
        link.write([NOTE])
    link.close()
    told(QUAY, 'there is no MIDI port "quay" to listen to; there are none')
    with Device("quay") as quay, closing(opened(QUAY)) as link:
        link.write([NOTE])
        assert quay.next() == NOTE


@needs_jack
def test_what_is_written_last_arrives_and_close_wakes_who_reads() -> None:
    with Device("quay") as quay:
        link = opened(QUAY)
        link.write([NOTE])
        thread = Timer(0.0, link.close)
        thread.start()
        assert lost(link) == 'the MIDI port "quay" was closed'
        thread.join()
        assert quay.next() == NOTE


def carriers() -> list[int]:
    """The programs that carry messages for this one."""
    mine = Path("/proc/self/task").glob("*/children")
    numbers = [number for of_thread in mine for number in of_thread.read_text().split()]
    return [int(n) for n in numbers if b"carry()" in Path(f"/proc/{n}/cmdline").read_bytes()]


def nobody_carries() -> None:
    """Wait until no such program is left."""
    until = time.monotonic() + PATIENCE
    while carriers():
        assert time.monotonic() < until
        time.sleep(0.01)


@needs_jack
def test_a_signal_to_all_programs_cuts_nothing_off() -> None:
    """Pipes off comes after it. A session of its own keeps Ctrl-C away from the carrier."""
    with Device("quay") as quay, closing(opened(QUAY)) as link:
        (carrier,) = carriers()
        assert os.getsid(carrier) != os.getsid(0)
        for number in (SIGINT, SIGTERM, SIGHUP):
            os.kill(carrier, number)
        for _ in range(5):  # a busy JACK may lose one
            link.write([NOTE])
            time.sleep(0.1)
        assert quay.next() == NOTE
    nobody_carries()


@needs_jack
def test_a_system_port_is_meant_exactly_or_by_a_part_that_no_other_has() -> None:
    with Device("north"), Device("south"):
        opened(SystemPort("NORTH")).close()
        opened(SystemPort("south:out"), sends=False).close()
        several = "north:out, south:out"
        told(SystemPort("th"), f'there is more than one MIDI port "th" to listen to: {several}')
        told(
            SystemPort("nort-01:in"),
            'there is no MIDI port "nort-01:in" to send to; did you mean "north-01:in"?',
            listens=False,
        )


ROOT = Path(__file__).parent.parent
DEVICE = (
    f"import sys; sys.path.insert(0, {str(ROOT)!r}); from tests.jack import Device; "
    "quay = Device('quay'); print('plugged in', flush=True); sys.stdin.read(); quay.unplug()"
)


@contextmanager
def in_another_program() -> Iterator[None]:
    """A device; this program could not outlive the server of its clients, nor can that one."""
    pipe = subprocess.PIPE
    with subprocess.Popen([sys.executable, "-c", DEVICE], stdin=pipe, stdout=pipe) as device:
        assert device.stdout
        assert device.stdin
        assert device.stdout.readline() == b"plugged in\n"
        try:
            yield
        finally:
            device.stdin.close()
            with suppress(subprocess.TimeoutExpired):
                device.wait(AT_ONCE)
            device.kill()


def test_a_midi_system_that_ends_keeps_nobody_waiting_and_is_found_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Neither who writes, though JACK takes nothing more, nor any other thread.

    Who closes the link waits as long as a busy JACK may take; that is shorter here.
    """
    for patience in ("_CLOSING", "_NEVER"):
        monkeypatch.setattr(systemport, patience, AT_ONCE)
    with jack_server("stopwright-ends") as server, in_another_program():
        link = opened(QUAY)
        blocked = Blocked(link)
        server.terminate()
        longest, last = 0.0, time.monotonic()
        until = last + PATIENCE
        while not blocked.why and last < until:
            time.sleep(0.001)
            longest, last = max(longest, time.monotonic() - last), time.monotonic()
        assert re.fullmatch(r'the MIDI port "quay(:out|-01:in)" is gone', blocked.why)
        assert longest < AT_ONCE
        link.close()
        told(QUAY, "there is no MIDI on this computer: neither ALSA nor Jack is running")
        nobody_carries()
    with jack_server("stopwright-ends"), in_another_program():
        with closing(opened(QUAY)) as link:
            link.write([NOTE])
        systemport.stop_looking()


def test_a_computer_without_midi(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ALSA_CONFIG_PATH", os.devnull)
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "no-such-server")
    told(QUAY, "there is no MIDI on this computer: neither ALSA nor Jack is running")
