"""What does not work at a console that is played: each fault told once, and when it is over.

Faults are in words that name a thing as it is engraved, with its id and pin, so that a
technician finds the wire. When it is, is told from outside.
"""

from collections.abc import Callable, Hashable
from datetime import datetime

from attrs import evolve

from cli.play.seen import Fault

MOST = 1000
"""Faults at a time. A console on fire has no more to say."""


class Faults:
    """The faults of one console from switch-on to switch-off."""

    def __init__(self, now: Callable[[], datetime]) -> None:
        """Take what says the time of day."""
        self._now = now
        self._open: dict[Hashable, Fault] = {}
        self.tell: Callable[[Fault], None] = lambda _: None
        """Who is told of each fault, when it comes and when it is over; it must not wait."""

    def found(self, key: Hashable, what: str) -> None:
        """Something does not work. If that is known already, it is not told again."""
        if key not in self._open and len(self._open) < MOST:
            self._open[key] = Fault(what, self._now())
            self.tell(self._open[key])

    def over(self, key: Hashable) -> None:
        """Something works again, if it did not."""
        fault = self._open.pop(key, None)
        if fault is not None:
            self.tell(evolve(fault, over=self._now()))

    @property
    def now(self) -> tuple[Fault, ...]:
        """The faults that are not over, the newest first."""
        return tuple(reversed(self._open.values()))
