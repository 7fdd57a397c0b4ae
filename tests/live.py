"""The program that plays a console, as a process of its own, and a partner at each of its ports.

Partners sit at the far ends of sockets and pseudo-terminals. They say bytes, keep with its time
each message that they hear, hang up, stop reading and come back; what they hear is taken apart
by mido, which has nothing of ours. What the program should say is for tests to know.
"""

import os
import select
import signal
import socket
import subprocess
import sys
import time
import tty
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from threading import Condition, Thread
from typing import Any

from mido.parser import Parser

from cli.rehearsal.port_log import SETTLING

PATIENCE = 60.0
"""Seconds until a test gives up waiting for what should come soon, on a busy computer."""
LOOK = 0.02
"""Seconds between two looks of a partner at whether it is to do something else."""
CODE = "from cli.main import main; main(prog_name='stopwright')"

Note = tuple[int, int]
"""A channel (from 1) and a note."""


class Partner:
    """Whoever is at the other end of one port.

    ``heard`` has each message with its time, without active sensing; ``on`` the notes that are on
    by them. Both go on when it comes back: pipes do not forget.
    """

    where: str

    def __init__(self) -> None:
        self.heard: list[tuple[float, bytes]] = []
        self.on: set[Note] = set()
        self.values: dict[tuple[int, int], int] = {}
        self.calls = 0
        """How often it was reached."""
        self._changed = Condition()
        self._away = self._deaf = self._over = False
        self._handle: int | None = None
        self._thread = Thread(target=self._run, daemon=True)

    def __enter__(self) -> "Partner":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over = True
        self._thread.join()

    # what is asked of it

    def say(self, *messages: bytes) -> None:
        """Say bytes, as they are and in one piece."""
        data = memoryview(b"".join(messages))
        handle = self._handle
        assert handle is not None, "nobody is there"
        while data:
            select.select((), (handle,), (), PATIENCE)
            with suppress(BlockingIOError):
                data = data[os.write(handle, data) :]

    def hang_up(self) -> None:
        """Be gone."""
        self._away = True
        self.until(lambda: self._handle is None)

    def stop_reading(self) -> None:
        """Be there, and take nothing of what is sent."""
        self._deaf = True

    def come_back(self) -> None:
        """Be there again, and read."""
        self._away = self._deaf = False

    def until(self, wanted: Callable[[], bool], patience: float = PATIENCE) -> None:
        """Wait until something is so that is changed by what comes."""
        with self._changed:
            assert self._changed.wait_for(wanted, patience), f"it has not come: {self.recent()}"

    def next(self, message: bytes, after: int) -> float:
        """Wait for a message that is not among so many first ones: when it came."""
        place = after

        def found() -> bool:
            nonlocal place
            while place < len(self.heard) and self.heard[place][1] != message:
                place += 1
            return place < len(self.heard)

        self.until(found)
        return self.heard[place][0]

    def all(self, after: int = 0) -> list[bytes]:
        """The messages that came after so many first ones."""
        return [message for _, message in self.heard[after:]]

    def recent(self) -> str:
        return " ".join(message.hex() for message in self.all()[-20:])

    # its thread

    def _run(self) -> None:
        while not self._over:
            handle = None if self._away else self._reached()
            if handle is None:
                time.sleep(LOOK)
                continue
            with self._changed:
                self._handle = handle
                self.calls += 1
                self._changed.notify_all()
            self._listen(handle)
            with self._changed:
                self._handle = None
                self._leave()
                self._changed.notify_all()
        self._leave()

    def _listen(self, handle: int) -> None:
        parser: Any = Parser()
        while not (self._away or self._over):
            if self._deaf:
                time.sleep(LOOK)
                continue
            if not select.select((handle,), (), (), LOOK)[0]:
                continue
            try:
                data = os.read(handle, 65536)
            except BlockingIOError:
                continue
            except OSError:
                return
            if not data:
                return
            at = time.monotonic()
            parser.feed(data)
            with self._changed:
                for message in parser:
                    self._take(at, message)
                self._changed.notify_all()

    def _take(self, at: float, message: Any) -> None:
        if message.type == "active_sensing":
            return
        self.heard.append((at, bytes(message.bin())))
        if message.type == "control_change":
            self.values[message.channel + 1, message.control] = message.value
            return
        note = (message.channel + 1, message.note)
        is_on = message.type == "note_on" and message.velocity > 0
        (self.on.add if is_on else self.on.discard)(note)

    def _reached(self) -> int | None:
        """The handle of a connection, if there is one."""
        raise NotImplementedError

    def _leave(self) -> None:
        """Let go of the connection, or of all if it is away or all is over."""
        raise NotImplementedError


class Listening(Partner):
    """A program that listens, and is called by ours."""

    def __init__(self) -> None:
        super().__init__()
        self._ear: socket.socket | None = None
        self._connection: socket.socket | None = None
        self._address = ("127.0.0.1", 0)
        self._prick_up()
        self.where = f"connect:127.0.0.1:{self._address[1]}"

    def _prick_up(self) -> socket.socket:
        ear = socket.create_server(self._address)
        # Little is on its way at a time: who reads no more is noticed before long.
        ear.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        self._address = ear.getsockname()
        self._ear = ear
        return ear

    def _reached(self) -> int | None:
        ear = self._ear or self._prick_up()
        if not select.select((ear,), (), (), LOOK)[0]:
            return None
        self._connection = ear.accept()[0]
        self._connection.setblocking(False)
        self._connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return self._connection.fileno()

    def _leave(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None
        if (self._away or self._over) and self._ear is not None:
            self._ear.close()
            self._ear = None


class Calling(Partner):
    """A program that calls ours, which listens."""

    def __init__(self) -> None:
        super().__init__()
        self._connection: socket.socket | None = None
        with socket.create_server(("127.0.0.1", 0)) as probe:
            self._port = int(probe.getsockname()[1])
        self.where = f"listen:127.0.0.1:{self._port}"

    def _reached(self) -> int | None:
        try:
            found = socket.create_connection(("127.0.0.1", self._port), PATIENCE)
        except OSError:
            return None
        found.setblocking(False)
        found.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._connection = found
        return found.fileno()

    def _leave(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None


class OnSerialLine(Partner):
    """A board on a serial line: a pseudo-terminal, by one name however often it is plugged in."""

    def __init__(self, name: Path) -> None:
        super().__init__()
        self._name = name
        self._held: tuple[int, int] | None = None
        self.where = f"serial:{name}"

    def _reached(self) -> int | None:
        ours, theirs = os.openpty()
        tty.setraw(theirs)
        os.set_blocking(ours, False)
        new = self._name.with_suffix(".new")
        new.symlink_to(os.ttyname(theirs))
        new.replace(self._name)
        self._held = ours, theirs
        return ours

    def _leave(self) -> None:
        if self._held is not None:
            self._name.unlink()
            for handle in self._held:
                os.close(handle)
            self._held = None


class Program:
    """``stopwright play`` under way, for a block at most. ``lines`` are what it has printed."""

    def __init__(self, words: Sequence[object], *, code: str = CODE, typed: bool = False) -> None:
        """Start it; with ``typed`` something can be typed, else it has no input."""
        self.lines: list[str] = []
        self._said = Condition()
        self.process = subprocess.Popen(
            [sys.executable, "-c", code, "play", *map(str, words)],
            stdin=subprocess.PIPE if typed else subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self._readers = [Thread(target=self._read_lines), Thread(target=self._read_errors)]
        self.errors = ""
        for reader in self._readers:
            reader.start()

    def __enter__(self) -> "Program":
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            self.send(signal.SIGKILL)
        self.ended()

    def says(self, words: str, after: int = 0) -> str:
        """Wait for a line with these words in it, after so many first lines: the line."""
        found: list[str] = []

        def said() -> bool:
            found[:] = [line for line in self.lines[after:] if words in line]
            return bool(found) or self.process.poll() is not None

        with self._said:
            self._said.wait_for(said, PATIENCE)
        assert found, (words, self.lines, self.errors)
        return found[0]

    def type(self, line: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()

    def send(self, number: signal.Signals) -> None:
        self.process.send_signal(number)

    def ended(self) -> int:
        """Wait for its end, and for all that it has said: its exit code."""
        code = self.process.wait(PATIENCE)
        for reader in self._readers:
            reader.join(PATIENCE)
        for pipe in (self.process.stdin, self.process.stdout, self.process.stderr):
            if pipe is not None:
                with suppress(BrokenPipeError):
                    pipe.close()
        return code

    def _read_lines(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            with self._said:
                self.lines.append(line.rstrip("\n"))
                self._said.notify_all()
        with self._said:
            self._said.notify_all()

    def _read_errors(self) -> None:
        assert self.process.stderr is not None
        self.errors = self.process.stderr.read()


@contextmanager
def playing(
    console: Path,
    ports: Mapping[str, Partner],
    *words: object,
    code: str = CODE,
) -> Iterator[Program]:
    """The program with its ports open and settled."""
    joined = [word for name, at in ports.items() for word in ("--port", f"{name}={at.where}")]
    calls = {name: partner.calls for name, partner in ports.items()}
    heard = {name: len(partner.heard) for name, partner in ports.items()}
    with Program([console, *words, *joined, "--plain"], code=code) as program:
        for name, partner in ports.items():
            partner.until(
                lambda name=name, partner=partner: (  # type: ignore[misc]
                    len(partner.heard) > heard[name]
                    and (partner.calls > calls[name] or isinstance(partner, OnSerialLine))
                )
            )
        settle()
        yield program


def settle() -> None:
    """Let the time pass in which boards say how their contacts are found.

    It begins when a port opens, before anything is sent to it.
    """
    time.sleep(SETTLING)


# ---------------------------------------------------------------- a console


_HEAD = """\
format = 1
name = "St Bride, Oxmarsh"
action = "blind"

[timing]
key-bounce = 0.0
bounce = 0.0
stuck = {stuck}

[[keyboard]]
id = "great"
name = "Great"
contacts = "great-keys.1"

[[keyboard]]
id = "swell"
name = "Swell"
contacts = "swell-keys.1"

[[division]]
id = "great"
name = "Great"
keyboard = "great"

[[division]]
id = "swell"
name = "Swell"
keyboard = "swell"

[[coupler]]
id = "octave"
label = ["Great", "Octave"]
keys = "great"
plays = "great"
shift = 12
contact = "rail.5"

[[coupler]]
id = "sw-gt"
label = ["Swell", "to Great"]
keys = "great"
plays = "swell"
contact = "rail.6"

[[tremulant]]
id = "left-mark"
label = "Left Mark"
captured = false
contact = "rail.7"
lamp = "lamps.31"

[[tremulant]]
id = "right-mark"
label = "Right Mark"
captured = false
contact = "swell-rail.1"
lamp = "swell-lamps.1"

[[piston]]
id = "set"
label = "Set"
kind = "set"
contact = "thumb.1"
lamp = "lamps.1"

[[piston]]
id = "gc"
label = ["General", "Cancel"]
kind = "general-cancel"
contact = "thumb.2"

[[piston]]
id = "up"
label = "+"
kind = "level-up"
contact = "thumb.3"

[[board]]
id = "great-keys"
pins = 61
in = {{ port = "{left}", channel = 1, first-note = 36 }}

[[board]]
id = "rail"
pins = 8
in = {{ port = "{left}", channel = 2, first-note = 1 }}

[[board]]
id = "thumb"
pins = 30
in = {{ port = "{left}", channel = 3, first-note = 1 }}

[[board]]
id = "lamps"
pins = 31
out = {{ port = "{left}", channel = 3, first-note = 1 }}

[[board]]
id = "swell-keys"
pins = 61
in = {{ port = "{right}", channel = 4, first-note = 36 }}

[[board]]
id = "swell-rail"
pins = 1
in = {{ port = "{right}", channel = 5, first-note = 1 }}

[[board]]
id = "swell-lamps"
pins = 1
out = {{ port = "{right}", channel = 5, first-note = 1 }}
"""
_STOP = """
[[rank]]
id = "{id}"
name = "{name}"
out = [{{ port = "{port}", channel = {channel} }}]

[[stop]]
id = "{id}"
label = ["{name}", "8'"]
division = "{division}"
rank = "{id}"
contact = "rail.{pin}"
"""
_GENERAL = """
[[piston]]
id = "g{number}"
label = "{number}"
kind = "general"
contact = "thumb.{pin}"
lamp = "lamps.{pin}"
"""
GENERALS = 24
FLUTE, PRINCIPAL, REED, GEDACKT, OCTAVE, SW_GT, LEFT_MARK = range(1, 8)
"""Tabs, by the pins of the rail."""
CONTROLS = ("flute", "principal", "reed", "gedackt", "octave", "sw-gt")
"""Those that can be captured, in the order of the pins."""
SET, GC, UP, G1 = 1, 2, 3, 4
"""Pistons, by their pins; the other generals follow."""
LEFT_LAMP: Note = (3, 31)
RIGHT_LAMP: Note = (5, 1)
RANKS = {"flute": 11, "principal": 12, "reed": 13, "gedackt": 14}
"""The channels of the pipes: two at the chest, and two in the loft."""


def oxmarsh(
    left: str = "left",
    right: str = "right",
    chest: str = "chest",
    loft: str = "loft",
    *,
    stuck: float = 30.0,
) -> str:
    """A console of four ports: both keyboards with their lamps, and two chests.

    No contact of it bounces: what comes of a message does not depend on when it came.
    """
    stops = (
        ("Flute", chest, "great", FLUTE),
        ("Principal", chest, "great", PRINCIPAL),
        ("Reed", loft, "swell", REED),
        ("Gedackt", loft, "swell", GEDACKT),
    )
    return "".join(
        (
            _HEAD.format(left=left, right=right, stuck=stuck),
            *(
                _STOP.format(
                    id=name.lower(),
                    name=name,
                    port=port,
                    channel=RANKS[name.lower()],
                    division=division,
                    pin=pin,
                )
                for name, port, division, pin in stops
            ),
            *(_GENERAL.format(number=n, pin=G1 + n - 1) for n in range(1, GENERALS + 1)),
        )
    )


def note(channel: int, number: int, on: bool) -> bytes:
    return bytes(((0x90 if on else 0x80) + channel - 1, number, 64))


def great(key: int, down: bool) -> bytes:
    return note(1, key, down)


def swell(key: int, down: bool) -> bytes:
    return note(4, key, down)


def tab(pin: int, on: bool) -> bytes:
    return note(2, pin, on)


def thumb(pin: int, down: bool) -> bytes:
    return note(3, pin, down)


def push(*pins: int) -> bytes:
    return b"".join(thumb(pin, True) + thumb(pin, False) for pin in pins)


def right_mark(on: bool) -> bytes:
    return note(5, 1, on)


def pipe(rank: str, key: int, on: bool) -> bytes:
    """What a pipe of eight feet is sent for a key."""
    return note(RANKS[rank], key, on)


def lamp(which: Note, lit: bool) -> bytes:
    channel, number = which
    return bytes(((0x90 if lit else 0x80) + channel - 1, number, 127 if lit else 0))
