"""What is written down while a console is played: faults with their times, and a recording.

A thread of its own writes, so that a slow or full disk delays nothing but what is written.
"""

from collections.abc import Sequence
from pathlib import Path
from queue import Empty, SimpleQueue
from threading import Thread

from cli.play.seen import Fault
from cli.rehearsal.port_log import BEGINNING, Passed, Way
from combination.outputs import Sent

SOON = 1.0
"""Seconds after which what was written last is handed to the disk."""
_STOP = object()


class Scribe:
    """Lines added to a file. One that cannot be written is lost, and nothing waits for it."""

    def __init__(self, path: Path, first: str = "") -> None:
        """Open the file, to add to it; ``first`` is what a new one begins with.

        Raises:
            OSError: if it cannot be opened.
        """
        self._file = path.open("a", encoding="utf-8")
        if first and not self._file.tell():
            self._file.write(first + "\n")
        self._lines: SimpleQueue[object] = SimpleQueue()
        self._thread = Thread(target=self._run, name=f"writes {path.name}", daemon=True)
        self._thread.start()

    def write(self, line: object) -> None:
        """Have a line written; what it is in words is asked of it later."""
        self._lines.put(line)

    def close(self, patience: float) -> None:
        """Write what waits, so many seconds at most."""
        self._lines.put(_STOP)
        self._thread.join(patience)

    def _run(self) -> None:
        unsaid = False
        while True:
            try:
                line = self._lines.get(timeout=SOON if unsaid else None)
            except Empty:
                line = None
            try:
                if line is None or line is _STOP:
                    self._file.flush()
                else:
                    self._file.write(f"{line}\n")
                unsaid = line is not None
            except OSError:
                unsaid = True
            if line is _STOP:
                return


class Recorder:
    """Writes down what passes through the ports, in seconds since it began."""

    def __init__(self, path: Path, began: float) -> None:
        """Begin a log. Raises OSError if it cannot be written."""
        self.scribe = Scribe(path, BEGINNING)
        self._began = began

    def happened(self, way: Way, port: str, at: float, data: bytes = b"") -> None:
        """Something has happened at a port: a message has come in, or it is lost."""
        self.scribe.write(Passed(max(at - self._began, 0.0), way, port, data))

    def sent(self, sent: Sequence[Sent], at: float) -> None:
        """Messages go out."""
        for port, message in sent:
            self.happened(Way.OUT, port, at, bytes(message.bin()))


def in_log(fault: Fault) -> str:
    """A fault as a line of the log."""
    when = fault.over or fault.since
    return f"{when:%Y-%m-%d %H:%M:%S} {'over: ' if fault.over else ''}{fault.what}"
