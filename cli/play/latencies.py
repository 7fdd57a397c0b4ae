"""How long it takes from a message in to the last message out, measured as it happens.

Threads that write tell of it; whoever shows it asks. What the messages are is not known here.
"""

from collections import deque
from threading import Lock

from cli.play.seen import Latency

_LAST = 1000
"""Passages of which the median is shown."""


class Latencies:
    """What was measured since switch-on."""

    def __init__(self) -> None:
        """Nothing has been measured yet."""
        self._lock = Lock()
        self._last: deque[float] = deque(maxlen=_LAST)
        self._count = 0
        self._worst = 0.0

    def add(self, seconds: float) -> None:
        """One passage more."""
        with self._lock:
            self._last.append(seconds)
            self._count += 1
            self._worst = max(self._worst, seconds)

    def seen(self) -> Latency:
        """What it comes to."""
        with self._lock:
            last, count, worst = sorted(self._last), self._count, self._worst
        if not last:
            return Latency()
        return Latency(count, last[len(last) // 2], last[len(last) * 99 // 100], worst)


class Passage:
    """A message that came in, on its way out by so many ports."""

    __slots__ = ("_began", "_latencies", "_left", "_lock")

    def __init__(self, began: float, ports: int, latencies: Latencies) -> None:
        """``began`` is when it came, by the clock that `arrived` is told by."""
        self._began, self._left, self._latencies = began, ports, latencies
        self._lock = Lock()

    def arrived(self, at: float) -> None:
        """All of it that goes by one port has gone; the last of them says how long it took."""
        with self._lock:
            self._left -= 1
            last = self._left == 0
        if last:
            self._latencies.add(at - self._began)
