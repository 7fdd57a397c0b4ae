"""The console's own thread: everything that comes is taken in turn, and nothing is waited for.

Ports, the store, the screen and the keyboard of the computer have threads of their own and put
what they have into one box. What becomes of it is for `cli.play.playing`.
"""

import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from queue import Empty, SimpleQueue

from attrs import define, field, frozen

from banks.database import PATIENCE as PATIENCE_OF_STORES
from cli.naming import plural
from cli.play.cables import Cable, Came, Lost, Opened
from cli.play.latencies import Latencies, Passage
from cli.play.memory import Answered, Memory, Place
from cli.play.playing import Playing
from cli.rehearsal.port_log import Way
from combination.outputs import Sent

PATIENCE = 2 * PATIENCE_OF_STORES
"""Seconds for the store, and for the ports, to finish when the console is switched off: longer
than the store itself waits for another program."""
_NOT_BEFORE = 0.001
"""Seconds: what falls due sooner than a queue can wake is done a little late, and not in a spin."""


@frozen
class Ask:
    """Something that is to be done between two messages, by whoever has put it into the box."""

    does: Callable[["Loop"], None]


@frozen
class Stop:
    """Switch off."""


def by_port(sent: Iterable[Sent]) -> dict[str, list[bytes]]:
    """Messages as bytes, in order, for each port by itself."""
    ports: dict[str, list[bytes]] = {}
    for port, message in sent:
        ports.setdefault(port, []).append(message.bin())
    return ports


@define(eq=False)
class Loop:
    """One console under way.

    ``happened`` is told of each port that opens and each message that comes, ``sent`` of all that
    goes out by open ports, each with its time: for a recording. Neither may wait for anything.
    ``silence`` is what turns everything off, port by port, when all else fails.
    """

    playing: Playing
    cables: Mapping[str, Cable]
    memory: Memory | None
    box: "SimpleQueue[object]"
    silence: Mapping[str, Sequence[bytes]]
    happened: Callable[[Way, str, float, bytes], None] | None = None
    sent: Callable[[Sequence[Sent], float], None] | None = None
    latencies: Latencies = field(factory=Latencies)
    _place: Place | None = None
    _last: float = 0.0

    def run(self) -> None:
        """Play until `Stop` is in the box."""
        for cable in self.cables.values():
            cable.start()
        self._place = self._here()
        while True:
            due = self.playing.next_due
            wait = None if due is None else max(due - time.perf_counter(), _NOT_BEFORE)
            try:
                thing = self.box.get(timeout=wait)
            except Empty:
                thing = None
            if isinstance(thing, Stop):
                return
            self._take(thing)

    def _take(self, thing: object) -> None:
        now = time.perf_counter()
        if isinstance(thing, Came):
            for data in thing.messages:
                at = self._at(thing.at)
                if self.happened is not None:
                    self.happened(Way.IN, thing.port, at, data)
                self._send(self.playing.heard(thing.port, data, at), thing.at)
        elif isinstance(thing, Opened):
            at = self._at(thing.at)
            if self.happened is not None:
                self.happened(Way.OPEN, thing.port, at, b"")
            self._send(self.playing.opened(thing.port, at))
        elif isinstance(thing, Lost):
            self._send(self.playing.lost(thing.port, thing.why, self._at(thing.at)))
        elif isinstance(thing, Answered):
            self.playing.store_fails(thing.fault)
            self._send(self.playing.written(thing.answers, self._at(now)))
        elif isinstance(thing, Ask):
            thing.does(self)
        else:
            self._send(self.playing.tick(self._at(now)))
        self._ask_memory()

    def do(self, what: Callable[[float], Sequence[Sent]]) -> None:
        """Do something at the console at this moment, and send what comes of it."""
        began = time.perf_counter()
        self._send(what(self._at(began)), began)

    def _at(self, at: float) -> float:
        """A time that is not before one that was given already: ports do not come in order."""
        self._last = max(self._last, at)
        return self._last

    def _send(self, sent: Sequence[Sent], began: float | None = None) -> None:
        if not sent:
            return
        there = {port for port, cable in self.cables.items() if cable.open}
        sent = [one for one in sent if one[0] in there]
        if sent and self.sent is not None:
            self.sent(sent, self._last)
        ways = by_port(sent)
        passage = Passage(began, len(ways), self.latencies) if ways and began is not None else None
        for port, data in ways.items():
            self.cables[port].send(data, passage)

    def _ask_memory(self) -> None:
        """Hand what is to be written to the store."""
        asked, self.playing.asked = self.playing.asked, []
        if self.memory is None:
            return
        for each in asked:
            self.memory.keep(each)
        here = self._here()
        if here != self._place:
            self._place = here
            self.memory.left_off(here)

    def _here(self) -> Place:
        bank = self.playing.instrument.action.bank
        return Place(bank.level, bank.sequence, bank.place)

    def end(self) -> list[str]:
        """All pipes off, everything written, ports closed; what of it could not be done, in words.

        It is to be called however `run` has ended.
        """
        try:
            self._send(self.playing.ending())
        except Exception:  # whatever has gone wrong, nothing is to sound, and no coil to burn
            for port, cable in self.cables.items():
                cable.send(self.silence.get(port, ()))
        until = time.perf_counter() + PATIENCE
        for cable in self.cables.values():
            cable.finish()
        if self.memory is not None:
            self._ask_memory()  # what came with a message that has failed is handed over yet
            self.memory.finish()
        mute = [port for port, cable in self.cables.items() if not cable.closed(until)]
        undone = []
        if self.memory is not None:
            if not self.memory.closed(max(until - time.perf_counter(), 0.0)):
                undone.append("the store has not answered: what was set last may not be written")
            elif self.memory.waiting:
                sets = plural(self.memory.waiting, "set")
                undone.append(f"{sets} could not be written: {self.memory.fault}")
        undone += [
            f'port "{port}" took nothing any more: what was on there may be on yet' for port in mute
        ]
        return undone
