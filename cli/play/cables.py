"""A cable for each port of the console: opened, read, written, and opened again when it is lost.

Each has threads of its own, so that one that is slow, dead or full delays nothing else. What
comes in is put into one box, in which the console looks; what goes out is taken at once and
written when the other end takes it. What the messages mean is not known here.
"""

import time
from collections.abc import Sequence
from queue import Empty, SimpleQueue
from threading import Event, Thread

from attrs import define, field, frozen

from cli.play.latencies import Passage
from cli.play.links import CannotOpenError, Link, LinkLostError, open_link
from cli.play.where import Where

AGAIN = 1.0
"""Seconds until a port that is not there is looked for again."""
SELDOM = 60.0
"""Seconds, likewise, at the most, where one that opens takes nothing of what is sent; one that has
taken it for as long is as good as any."""
BLOCKED = 2.0
"""Seconds for which a port may take nothing of what is sent. A five-pin cable takes 6,000 bytes
in that time; what has fallen so far behind plays music of the past."""
MOST_WAITING = 20_000
"""Messages that may wait for a port. It is what a whole large console has pipes, twice over."""
LOOK = 0.25
"""Seconds between two looks at whether all is well."""
STILL_HERE = 0.25
"""Seconds of silence, after which active sensing is sent: MIDI 1.0 has it at most 300 ms."""
LAST = 2.0
"""Seconds for the last messages to be on their way before a port is closed."""

_ACTIVE_SENSING = [b"\xfe"]
_TAKES_NOTHING = "it takes nothing of what is sent"
_STOP = object()


@frozen
class Came:
    """Whole messages have come by a port; ``at`` is when, on the clock of `time.perf_counter`.

    That of `time.monotonic` goes in steps of 16 ms on Windows (Python 3.11).
    """

    port: str
    at: float
    messages: Sequence[bytes]


@frozen
class Opened:
    """A port is open."""

    port: str
    at: float


@frozen
class Lost:
    """A port is gone, or was not to be had."""

    port: str
    at: float
    why: str


@frozen
class _Batch:
    messages: Sequence[bytes]
    passage: Passage | None


@define(eq=False)
class _Out:
    """What waits for one link, until that is lost.

    ``sent`` is counted by who sends, ``written`` by the thread that writes.
    """

    link: Link
    batches: "SimpleQueue[_Batch | object]" = field(factory=SimpleQueue)
    sent: int = 0
    written: int = 0
    busy_since: float | None = None
    over: Event = field(factory=Event)


class Cable:
    """One port of the console, and where it leads."""

    def __init__(
        self,
        port: str,
        where: Where,
        box: "SimpleQueue[object]",
        *,
        listens: bool,
        sends: bool,
        senses: bool = True,
    ) -> None:
        """Take where it leads, and the box for what comes.

        With ``senses`` active sensing is sent, so that who listens can fall silent if nobody is
        there any more.
        """
        self.port, self.where = port, where
        self._box = box
        self._listens, self._sends, self._senses = listens, sends, senses
        self._stopping = Event()
        self._out: _Out | None = None
        self._told_lost = False
        self._wait = AGAIN
        self._unsent = self._gone = False
        self._thread = Thread(target=self._run, name=f"port {port}", daemon=True)

    @property
    def open(self) -> bool:
        """Whether it is open at present."""
        return self._out is not None

    def start(self) -> None:
        """Begin to look for what it leads to."""
        self._thread.start()

    def send(self, messages: Sequence[bytes], passage: Passage | None = None) -> None:
        """Have messages written as soon as the other end takes them; never waits.

        What is sent while it is not open goes nowhere: when it is, all that is on is sent anew.
        """
        out = self._out
        if out is None or out.over.is_set():
            return
        out.sent += len(messages)
        out.batches.put(_Batch(messages, passage))

    def finish(self) -> None:
        """Write what waits yet, for a while; then close. `closed` waits until that is done."""
        self._stopping.set()
        out = self._out
        if out is not None:
            out.batches.put(_STOP)

    def closed(self, until: float) -> bool:
        """Wait until it is closed, no longer than ``until`` on that clock.

        Gives whether all that was sent last has gone, or there was nobody to send it to. A port
        that has taken all may yet be long in closing.
        """
        self._thread.join(max(until - time.perf_counter(), 0.0))
        return self._gone or not (self._unsent or self._thread.is_alive())

    # ------------------------------------------------------------ threads

    def _run(self) -> None:
        """Open it, read it, and when it is lost open it again."""
        while not self._stopping.is_set():
            tried = time.perf_counter()
            try:
                link = open_link(
                    self.where, listens=self._listens, sends=self._sends, client="stopwright"
                )
            except CannotOpenError as error:
                self._lost(str(error))  # whoever calls meanwhile is to be heard at once
                self._stopping.wait(max(AGAIN - (time.perf_counter() - tried), 0.0))
                continue
            except Exception as error:  # a fault of ours at one port is no reason for silence
                self._lost(f"the program itself fails there: {error!r}")
                self._stopping.wait(AGAIN)
                continue
            self._told_lost = self._unsent = False
            out = _Out(link)
            writer = Thread(
                target=self._write, args=(out,), name=f"port {self.port} out", daemon=True
            )
            writer.start()
            self._out = out
            self._box.put(Opened(self.port, time.perf_counter()))
            began = time.perf_counter()
            why = self._read(out)
            self._out = None
            out.over.set()
            out.batches.put(_STOP)
            if not why:
                self._finish(link)
            link.close()
            if why:
                self._unsent = why == _TAKES_NOTHING
                self._lost(why)
                if not self._unsent or time.perf_counter() - began > SELDOM:
                    self._wait = AGAIN
                if self._unsent:
                    self._wait = min(2 * self._wait, SELDOM)
                self._stopping.wait(self._wait)

    def _finish(self, link: Link) -> None:
        """Find out whether the last messages have gone."""
        try:
            link.finish()
            self._gone = True
        except LinkLostError:
            self._unsent = True

    def _lost(self, why: str) -> None:
        """Say so, once until it is open again."""
        if not self._told_lost:
            self._told_lost = True
            self._box.put(Lost(self.port, time.perf_counter(), why))

    def _read(self, out: _Out) -> str:
        """Put what comes into the box, until the link is lost (why), or all is over (nothing)."""
        link, box, port = out.link, self._box, self.port
        ending: float | None = None
        while True:
            try:
                messages = link.read(LOOK)
            except LinkLostError as error:
                return str(error)
            except Exception as error:
                return f"the program itself fails there: {error!r}"
            now = time.perf_counter()
            if messages:
                box.put(Came(port, now, messages))
            busy = out.busy_since
            if out.sent - out.written > MOST_WAITING or (busy is not None and now - busy > BLOCKED):
                return _TAKES_NOTHING
            if self._stopping.is_set():
                ending = ending or now + LAST
                if out.over.is_set():
                    return ""
                if now > ending:
                    return _TAKES_NOTHING

    def _write(self, out: _Out) -> None:
        """Write what is sent, and active sensing where nothing is."""
        batches, link = out.batches, out.link
        senses = self._senses and self._sends
        try:
            while not out.over.is_set():
                try:
                    batch = batches.get(timeout=STILL_HERE if senses else None)
                except Empty:
                    out.busy_since = time.perf_counter()
                    link.write(_ACTIVE_SENSING)
                    out.busy_since = None
                    continue
                if not isinstance(batch, _Batch):
                    break
                out.busy_since = time.perf_counter()
                link.write(batch.messages)
                out.busy_since = None
                out.written += len(batch.messages)
                if batch.passage is not None:
                    batch.passage.arrived(time.perf_counter())
        except LinkLostError:
            link.close()  # whoever reads says so
        finally:
            out.over.set()
