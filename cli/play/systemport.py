"""The computer's own MIDI ports as links, each with a program of its own in between.

`cli.play.bridge` has these programs, and why they must be. One more looks which ports there are,
for all links together, so that no message waits for that. What a message is is not known here.
"""

import atexit
import json
import select
import socket
import subprocess
import sys
import time
from collections.abc import Sequence
from contextlib import suppress
from threading import Condition, Event, Thread

from cli.output import RefusedError
from cli.play.bytelink import ByteLink, CannotOpenError, LinkLostError
from cli.play.streams import OnSocket
from cli.play.where import SystemPort
from cli.ports import Port, Way, check_running, find, systems
from combination.findings import quoted

PATIENCE = 1.0
"""Seconds until it must be known for the first time which ports there are."""
_OPENING = 3.0
"""Seconds that a port may take to open: less than half a second, but for a busy computer."""
_GONE = 10.0
"""Seconds until what is written last must have gone."""
_CLOSING = 5.0
"""Seconds for which a program that ends is waited for. It takes half a second, but longer where
JACK waits for its clients (-S) and one ends at the wrong moment, and several can hold up each
other then: one after the other is better."""
_NEVER = 10.0
"""Seconds more, after which one that has not ended never will: it ends itself before, unless it
hangs in sending (`cli.play.bridge.HANGS`). Killed early, it can keep JACK waiting for good."""
_ANSWER = 10.0
"""Seconds without a word from who looks, after which the MIDI systems themselves hang."""
_NAP = 0.1
"""Seconds until it is seen that nobody need look any more."""
_AGAIN = 1.0
"""Seconds until somebody looks again where that came to an end."""

_carriers: set["subprocess.Popen[bytes]"] = set()
"""The programs that carry, but for those that have ended or have said that all has gone."""


def open_system_port(where: SystemPort, *, listens: bool, sends: bool, client: str) -> ByteLink:
    """Open the ports that a name means, one each way as needed.

    Raises:
        CannotOpenError: if there is none, or more than one, or it does not open.
    """
    ports = _meant(where.name, listens, sends)
    asked = json.dumps([client, [(p.way.value, p.system, p.name) for p in ports]])
    carrier, ours = _program("carry", asked)
    _carriers.add(carrier)
    ours.settimeout(_OPENING)
    opened = b""
    with suppress(OSError):
        opened = ours.recv(1)
    if not opened:
        _end(carrier, ours)
        raise CannotOpenError(f"{where} cannot be opened: it is gone, or another program has it")

    link = _SystemLink(where, carrier, ours, listens=listens, sends=sends)
    _lookout.watch(link, ports)
    return link


def _meant(name: str, listens: bool, sends: bool) -> list[Port]:
    try:
        there = _lookout.there()
        wanted = [(Way.IN, "to listen to")] * listens + [(Way.OUT, "to send to")] * sends
        return [find(name, [p for p in there if p.way is way], what) for way, what in wanted]
    except RefusedError as refused:
        lines = refused.message.splitlines()
        listed = ", ".join(line.strip() for line in lines[1:])
        raise CannotOpenError(" ".join(filter(None, (lines[0], listed)))) from None


def _program(function: str, *arguments: str) -> tuple["subprocess.Popen[bytes]", socket.socket]:
    """Start a function of the bridge as a program, and give our end of what joins us to it.

    It has a session of its own, or what Windows has for it: Ctrl-C at our terminal is for us
    alone. Libraries that tell standard error what they think of a MIDI system would spoil the
    screen. The other end is its standard input. Windows has that for files only: there it reads
    how it gets the other end, and closes its output when it has it.
    """
    code = f"import sys; sys.path[:] = {sys.path!r}; from cli.play import bridge; bridge."
    by_pipes = sys.platform == "win32"
    ours, theirs = socket.socketpair()
    with theirs:
        program = subprocess.Popen(
            [sys.executable, "-I", "-c", f"{code}{function}()", *arguments],
            stdin=subprocess.PIPE if by_pipes else theirs.fileno(),
            stdout=subprocess.PIPE if by_pipes else subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
            creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
        )
        if sys.platform == "win32" and program.stdin and program.stdout:
            with program.stdout, suppress(OSError), program.stdin:
                program.stdin.write(theirs.share(program.pid))
                program.stdin.close()
                program.stdout.read()
    return program, ours


class _SystemLink(ByteLink):
    """A link by a program that carries."""

    def __init__(
        self,
        where: SystemPort,
        carrier: "subprocess.Popen[bytes]",
        ours: socket.socket,
        *,
        listens: bool,
        sends: bool,
    ) -> None:
        """Take the carrier, which ends with the link, and our end of what joins us to it."""
        self._carrier, self._ours = carrier, ours
        stream = OnSocket(ours, self._let_go)
        super().__init__(where, stream, listens=listens, sends=sends)

    def finish(self) -> None:
        """See `Link`. The carrier closes its end when the last message has gone."""
        try:
            self._ours.shutdown(socket.SHUT_WR)
            self._ours.settimeout(_GONE)
            while self._ours.recv(64 * 1024):
                pass
        except OSError as error:
            raise LinkLostError(f"{self._where} does not answer") from error
        _carriers.discard(self._carrier)

    def _let_go(self) -> None:
        _lookout.unwatch(self)
        _end(self._carrier, self._ours)


def _end(program: "subprocess.Popen[bytes]", ours: socket.socket) -> None:
    """Have a program end, as it does when it has nothing more to hear."""
    with suppress(OSError):
        ours.shutdown(socket.SHUT_WR)
    try:
        program.wait(_CLOSING)
        _carriers.discard(program)
    except subprocess.TimeoutExpired:
        Thread(target=_give_up, args=(program,), name="a program ends", daemon=True).start()
    ours.close()


def _give_up(program: "subprocess.Popen[bytes]") -> None:
    """Kill a program, if it does not end by itself at last."""
    try:
        program.wait(_NEVER)
    except subprocess.TimeoutExpired:
        program.kill()
        program.wait()
    _carriers.discard(program)


@atexit.register
def _end_carriers() -> None:
    """Kill what hangs with its MIDI system: nobody waits for it any more."""
    for carrier in list(_carriers):
        carrier.kill()


class _Lookout:
    """Knows which ports there are, and tells the links whose ports are gone."""

    def __init__(self) -> None:
        """Nobody looks until somebody asks."""
        self._news = Condition()
        self._running: list[int] = []
        self._ports: list[Port] | None = None
        self._watched: dict[ByteLink, Sequence[Port]] = {}
        self._thread: Thread | None = None
        self._over = Event()

    def there(self) -> list[Port]:
        """All ports there are, as of a moment ago. Refuses a computer without MIDI."""
        systems()
        with self._news:
            if self._thread is None:
                self._over.clear()
                self._thread = Thread(target=self._look, name="MIDI ports", daemon=True)
                self._thread.start()
            self._news.wait_for(lambda: self._ports is not None, PATIENCE)
            if self._ports is None:
                raise CannotOpenError("the computer's MIDI system has not answered yet")
            check_running(self._running)
            return self._ports

    def watch(self, link: ByteLink, ports: Sequence[Port]) -> None:
        """Have a link lost when one of its ports is."""
        with self._news:
            self._watched[link] = ports

    def unwatch(self, link: ByteLink) -> None:
        """A link is closed."""
        with self._news:
            self._watched.pop(link, None)

    def stop(self) -> None:
        """Look no more, until somebody asks again."""
        thread = self._thread
        if thread is not None:
            self._over.set()
            thread.join()
            self._thread, self._ports = None, None

    def _look(self) -> None:
        while not self._over.is_set():
            looking, ours = _program("look")
            self._hear(ours)
            _end(looking, ours)
            self._over.wait(_AGAIN)

    def _hear(self, looking: socket.socket) -> None:
        """Take what a program of ours tells, until it ends, hangs or is no longer needed."""
        said, heard_at = b"", time.monotonic()
        while not self._over.is_set():
            if select.select((looking,), (), (), _NAP)[0]:
                data = looking.recv(64 * 1024)
                if not data:
                    return
                *lines, said = (said + data).split(b"\n")
                heard_at = time.monotonic()
                for line in lines:
                    running, ports = json.loads(line)
                    self._told(running, [Port(Way(way), *port) for way, *port in ports])
            elif time.monotonic() > heard_at + _ANSWER:
                self._told([], [])
                return

    def _told(self, running: list[int], ports: list[Port]) -> None:
        with self._news:
            self._running, self._ports = running, ports
            for link, needed in self._watched.items():
                for port in needed:
                    if port not in ports:
                        link.lose(f"the MIDI port {quoted(port.name)} is gone")
            self._news.notify_all()


_lookout = _Lookout()
stop_looking = atexit.register(_lookout.stop)
