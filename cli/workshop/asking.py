"""A proof of wiring live: one run after another is asked for, and heard by the console's ports.

Nothing is sent by any port. Each run is handed on as soon as it ends. What is amiss with it, and
where it is kept, is not known here.
"""

import sys
import time
from collections.abc import Callable, Sequence
from datetime import datetime
from enum import Enum, auto
from queue import Empty, SimpleQueue
from threading import Thread
from typing import TextIO

import click
from attrs import frozen

from cli.play.cables import Cable, Came, Lost, Opened
from cli.rehearsal.port_log import SETTLING
from cli.workshop.proof_file import Run, Said
from cli.workshop.prove import Asked, Ear, Listener, fingerprint, is_of_contact, struck
from cli.workshop.telling import Called
from combination.model import Console
from combination.strikes import Change, strikes_of

QUIET = 2.0
"""Seconds in which nothing moves, after which a run of which all was heard is over."""
PATIENCE = 3.0
"""Seconds for the ports to be closed."""
WAITING = 6.0
"""Seconds in which nothing moves, after which it is said that not all was heard yet."""

_HELP = (
    "Nothing is sent to the console while it is proved: no lamp is lit and no coil moves.",
    "A run is over when as much was heard as there are contacts, and nothing more for two seconds.",
    "Enter alone ends it sooner. Type again to repeat it, skip to leave it out for now, quit to",
    "break off: what was proved is kept, and the same command goes on from there.",
)


class _Next(Enum):
    """What follows a run."""

    ON = auto()
    BACK = auto()
    REPEAT = auto()
    QUIT = auto()


@frozen
class _Typed:
    """A line that was typed; None when there will be no more."""

    line: str | None


class Session:
    """Somebody at the console, from the first run that is asked for to the last."""

    def __init__(
        self,
        console: Console,
        called: Called,
        box: "SimpleQueue[object]",
        out: TextIO,
        keep: Callable[[Run], None],
    ) -> None:
        """Take the box in which ports put what comes, where lines are shown, and who keeps runs."""
        self._called, self._box, self._out, self._keep = called, box, out, keep
        self._wiring = fingerprint(console)
        self._listener = Listener(Ear(console))
        self._opened: dict[str, float] = {}

    def ask(self, asked: Sequence[Asked], cables: Sequence[Cable]) -> None:
        """Ask for each of these runs, until all were heard or left out, or it is broken off."""
        for line in _HELP:
            self._tell(line)
        Thread(target=self._read, name="keyboard", daemon=True).start()
        for cable in cables:
            cable.start()
        try:
            number = 0
            while number < len(asked):
                following = self._run(asked[number], number, len(asked))
                if following is _Next.QUIT:
                    return
                if following is _Next.BACK:
                    number = max(number - 1, 0)
                elif following is _Next.ON:
                    number += 1
        finally:
            for cable in cables:
                cable.finish()
            until = time.perf_counter() + PATIENCE
            for cable in cables:
                cable.closed(until)

    def _tell(self, line: str) -> None:
        click.echo(line, file=self._out)

    def _read(self) -> None:
        for line in sys.stdin:
            self._box.put(_Typed(line.strip()))
        self._box.put(_Typed(None))

    # ------------------------------------------------------------ one run

    def _run(self, run: Asked, number: int, count: int) -> _Next:
        self._tell("")
        self._tell(f"Run {number + 1} of {count}. {self._called.asking(run)}")
        hearing = _Hearing(run, self._listener.closed)
        shown = _Shown(self._called, run, self._out)
        warned = False
        while True:
            try:
                came = self._box.get(timeout=hearing.patience)
            except Empty:
                if hearing.all_heard:
                    return self._over(hearing, shown)
                shown.end()
                hearing.told = True
                self._tell(
                    f"{len(hearing.strikes)} of {len(run.points)} heard. Go on; or, if all was "
                    "worked, press Enter."
                )
                continue
            if isinstance(came, Came):
                self._take(came, hearing)
                shown.look(hearing)
            elif isinstance(came, Opened | Lost):
                self._port(came)
            elif isinstance(came, _Typed):
                following = self._typed(came, hearing, warned)
                warned = came.line == ""
                if following is _Next.ON and came.line == "":
                    return self._over(hearing, shown)
                if following is not None:
                    shown.end()
                    return following

    def _typed(self, typed: _Typed, hearing: "_Hearing", warned: bool) -> _Next | None:
        match typed.line:
            case None | "quit":
                return _Next.QUIT
            case "skip":
                return _Next.ON
            case "again":
                self._tell("Again.")
                return _Next.REPEAT if hearing.changes else _Next.BACK
            case "" if hearing.changes or warned:
                return _Next.ON
            case "":
                self._tell("Nothing was heard. If all was worked, press Enter once more.")
            case _:
                self._tell("Type again, skip or quit; or press Enter alone when all was worked.")
        return None

    def _over(self, hearing: "_Hearing", shown: "_Shown") -> _Next:
        shown.end()
        run = hearing.run
        count = len(hearing.strikes)
        self._tell(f"{self._called.part(run)}: {count} of {len(run.points)} heard.")
        if count > len(run.points):
            self._tell(
                "That is more than there are contacts: something was touched besides, or twice. To "
                f"be sure of it, work it once more with --again {run.key}."
            )
        now = datetime.now().astimezone().replace(microsecond=0)
        self._keep(Run(run.key, now, self._wiring, run.wires, hearing.before, tuple(hearing.heard)))
        return _Next.ON

    def _take(self, came: Came, hearing: "_Hearing") -> None:
        """Messages: news of the run, or, soon after a port opened, how its contacts are found."""
        found = came.at < self._opened.get(came.port, -SETTLING) + SETTLING
        for data in filter(is_of_contact, came.messages):
            said = Said(came.at, came.port, data)
            change = self._listener.heard(said, found=found)
            if change is not None:
                hearing.take(said, change)
            else:
                hearing.before = self._listener.before(hearing.before, hearing.changes, found)

    def _port(self, what: Opened | Lost) -> None:
        if isinstance(what, Opened):
            self._opened[what.port] = what.at
            self._tell(f'Port "{what.port}" is open.')
        else:
            self._tell(f'Port "{what.port}": {what.why}. It is looked for until it is there.')


class _Hearing:
    """What was heard of one run."""

    def __init__(self, run: Asked, before: tuple[Said, ...]) -> None:
        self.run, self.before = run, before
        self.heard: list[Said] = []
        self.changes: list[Change] = []
        self.told = False
        self._began = 0.0

    def take(self, said: Said, change: Change) -> None:
        """Something moved; the first that does begins the run."""
        if not self.changes:
            self._began = said.at
        self.changes.append(change)
        self.told = False
        self.heard.append(Said(round(said.at - self._began, 6), said.port, said.data))

    @property
    def strikes(self) -> list[tuple[str, int]]:
        """A pin of each strike."""
        found, _ = strikes_of(struck(self.run.points, self.changes))
        return [min(strike.spots) for strike in found]

    @property
    def all_heard(self) -> bool:
        """Whether as much was heard as there are contacts."""
        return bool(self.changes) and len(self.strikes) >= len(self.run.points)

    @property
    def patience(self) -> float | None:
        """Seconds until it is over, or something is to be said; None if neither will come."""
        if not self.changes or (self.told and not self.all_heard):
            return None
        wait = QUIET if self.all_heard else WAITING
        return max(self.changes[-1].at + wait - time.perf_counter(), 0.0)


class _Shown:
    """How far a run has come: a line that changes on a terminal, a line each elsewhere."""

    def __init__(self, called: Called, run: Asked, out: TextIO) -> None:
        self._called, self._out = called, out
        self._of = len(run.points)
        self._count = 0
        self._changing = out.isatty()

    def look(self, hearing: _Hearing) -> None:
        """Show what is new."""
        strikes = hearing.strikes
        if len(strikes) == self._count:
            return
        for number, spot in enumerate(strikes[self._count :], self._count + 1):
            line = f"  {number} of {self._of}: {self._called.heard(spot)}"
            click.echo(f"\r{line}\x1b[K" if self._changing else line, self._out, not self._changing)
        self._count = len(strikes)

    def end(self) -> None:
        """Leave the line that changes."""
        if self._changing and self._count:
            click.echo(file=self._out)
