"""What is written down while a console is played: faults with their times, and a recording.

A thread of its own writes, so that a slow or full disk delays nothing but what is written.
"""

from collections.abc import Callable, Sequence
from pathlib import Path
from queue import Empty, SimpleQueue
from threading import Thread

from cli.naming import plural
from cli.play.seen import Fault
from cli.rehearsal.port_log import Passed, Way
from combination.outputs import Sent

SOON = 1.0
"""Seconds after which what was written last is handed to the disk."""
_AT_A_TIME = 8 * 1024
"""Bytes that are handed to the disk sooner than that."""
MOST_WAITING = 16 * 1024 * 1024
"""Bytes that wait for a disk that takes none: some four hundred thousand lines."""
ACTIVE_SENSING = b"\xfe"
_STOP = object()


class Scribe:
    """Lines added to a file. Those that cannot be written are tried again; nothing waits for it."""

    def __init__(
        self, path: Path, what: str, fails: Callable[[str], None], *, first: str = ""
    ) -> None:
        """Open the file, to add to it; ``first`` is what a new one begins with.

        ``what`` names it in words. ``fails`` is told, by the thread that writes, why it cannot, and
        "" once it can again.

        Raises:
            OSError: if it cannot be opened.
        """
        self._file = path.open("ab", buffering=0)
        self._what, self._fails = what, fails
        self._why = ""
        self._lost = 0
        self._waiting = bytearray()
        if first and not self._file.tell():
            self._take(first)
        self._lines: SimpleQueue[object] = SimpleQueue()
        self._thread = Thread(target=self._run, name=f"writes {path.name}", daemon=True)
        self._thread.start()

    def write(self, line: object) -> None:
        """Have a line written; what it is in words is asked of it later."""
        self._lines.put(line)

    def close(self, patience: float) -> str:
        """Write what waits, so many seconds at most; what of it could not be written, in words."""
        self._lines.put(_STOP)
        self._thread.join(patience)
        if self._thread.is_alive():
            return f"{self._what} may lack its last lines: the disk has not answered"
        if not self._lost:
            return ""
        why = f": {self._why}" if self._why else ""
        return f"{plural(self._lost, 'line')} of {self._what} could not be written{why}"

    def _run(self) -> None:
        while True:
            try:
                line = self._lines.get(timeout=SOON if self._waiting else None)
            except Empty:
                self._hand_over()
                continue
            if line is _STOP:
                self._hand_over()
                self._lost += self._waiting.count(b"\n")
                self._file.close()
                return
            self._take(line)
            if len(self._waiting) > _AT_A_TIME:
                self._hand_over()

    def _take(self, line: object) -> None:
        if len(self._waiting) < MOST_WAITING:
            self._waiting += f"{line}\n".encode(errors="replace")
        else:
            self._lost += 1

    def _hand_over(self) -> None:
        """Hand what waits to the disk. What is left of a line follows when there is room again."""
        why = ""
        try:
            while self._waiting:
                del self._waiting[: self._file.write(self._waiting)]
        except OSError as error:
            why = error.strerror or str(error)
        if why != self._why:
            self._why = why
            self._fails(why)


class Recorder:
    """Writes down what passes through the ports, in seconds since it began."""

    def __init__(self, scribe: Scribe, began: float) -> None:
        """Take who writes the log, and when it began."""
        self._scribe, self._began = scribe, began
        self._there: set[str] = set()

    def happened(self, way: Way, port: str, at: float, data: bytes = b"") -> None:
        """Something has happened at a port: a message has come in, or it is lost.

        That a board is still there is written once, and not several times a second for years.
        """
        if data == ACTIVE_SENSING:
            if port in self._there:
                return
            self._there.add(port)
        elif way in (Way.OPEN, Way.LOST):
            self._there.discard(port)
        self._scribe.write(Passed(max(at - self._began, 0.0), way, port, data))

    def sent(self, sent: Sequence[Sent], at: float) -> None:
        """Messages go out."""
        for port, message in sent:
            self.happened(Way.OUT, port, at, bytes(message.bin()))


def in_log(fault: Fault) -> str:
    """A fault as a line of the log."""
    when = fault.over or fault.since
    return f"{when:%Y-%m-%d %H:%M:%S} {'over: ' if fault.over else ''}{fault.what}"
