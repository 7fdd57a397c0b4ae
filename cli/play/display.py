"""Shows a console while it is played: a view on a terminal, lines elsewhere, or JSON.

A thread of its own looks at the console a few times a second and prints if something has
changed. How a moment looks is for `cli.play.screen`.
"""

import json
import sys
from collections.abc import Callable, Mapping
from queue import Empty, SimpleQueue
from threading import Event, Thread

from rich.console import Console as Terminal
from rich.console import Group
from rich.live import Live
from rich.text import Text

from cli.output import say
from cli.play.cables import Cable
from cli.play.glance import Glance, Teller, glance
from cli.play.loop import Ask, Loop
from cli.play.screen import as_json, changes, view
from cli.play.seen import PortSeen, Seen
from cli.play.typed import Typed

OFTEN = 0.25
"""Seconds between two looks."""


ANSWERS = 1.0
"""Seconds in which a console that is under way answers."""


class Display:
    """What a person, or another program, sees of a console under way."""

    def __init__(
        self,
        loop: Loop,
        teller: Teller,
        *,
        as_json: bool,
        plain: bool,
        unkept: Callable[[], int],
        typed: Typed | None = None,
    ) -> None:
        """Take the console's loop; ``plain`` is lines even on a terminal.

        What is being typed, if anything can be, is shown below the view.
        """
        self._box, self._latencies = loop.box, loop.latencies
        self._cables: Mapping[str, Cable] = loop.cables
        self._teller, self._unkept = teller, unkept
        self._json = as_json
        self._plain = plain or as_json or not sys.stdout.isatty()
        self._typed = typed
        self._before: Seen | None = None
        self._stopping, self._wake = Event(), Event()
        self._taken: SimpleQueue[Glance] = SimpleQueue()
        self._thread = Thread(target=self._run, name="screen", daemon=True)

    def start(self) -> None:
        """Begin to show."""
        self._thread.start()

    def stop(self) -> None:
        """End."""
        self._stopping.set()
        self._wake.set()
        self._thread.join(1.0)

    def _run(self) -> None:
        if self._plain:
            self._lines()
            return
        terminal = Terminal()
        if self._typed is not None:
            self._typed.changed = self._wake.set
        with Live(console=terminal, screen=True, auto_refresh=False) as live:
            shown: object = None
            while not self._stopping.is_set():
                self._wake.wait(OFTEN)
                self._wake.clear()
                seen = self._look()
                line = None if self._typed is None else Text(f"> {self._typed.line}")
                if seen is not None and (seen, terminal.size, line) != shown:
                    shown = seen, terminal.size, line
                    width, height = terminal.size
                    room = height if line is None else height - 1
                    live.update(Group(view(seen, width, room), *filter(None, [line])), refresh=True)

    def last(self, taken: Glance) -> None:
        """Show what it was at the end, where that is shown in lines."""
        if self._plain:
            self._say(self._seen(taken))

    def _lines(self) -> None:
        while not self._stopping.wait(OFTEN):
            seen = self._look()
            if seen is not None:
                self._say(seen)

    def _say(self, seen: Seen) -> None:
        if self._json:
            found = as_json(self._before, seen)
            if found is not None:
                say(json.dumps(found, ensure_ascii=False))
        else:
            for line in changes(self._before, seen):
                say(line)
        self._before = seen
        sys.stdout.flush()

    def _look(self) -> Seen | None:
        """The console as it is now; None if it does not answer any more."""
        self._box.put(Ask(lambda loop: self._taken.put(glance(loop.playing))))
        try:
            taken = self._taken.get(timeout=ANSWERS)
        except Empty:
            return None
        return self._seen(taken)

    def _seen(self, taken: Glance) -> Seen:
        ports = [PortSeen(c.port, str(c.where), c.open) for c in self._cables.values()]
        return self._teller.seen(taken, ports, self._latencies.seen(), self._unkept())
