"""What is common to all open connections, and one whose messages are bytes of a stream.

A link is read, written and closed by three threads that know nothing of each other. How it was
opened, what carries the bytes, and what the messages mean, is not known here.
"""

import time
from collections.abc import Sequence
from threading import Condition
from typing import Protocol

from cli.play.streams import Stream, StreamLostError
from cli.play.where import Where
from combination.stream import Decoder


class CannotOpenError(Exception):
    """There is no link to be had at present; one sentence says why."""


class LinkLostError(Exception):
    """The other end is gone, or the link was closed here; one sentence says which."""


class Link(Protocol):
    """An open connection. One thread reads, another writes; any third may close it.

    Whoever is told that it is lost closes it too.
    """

    def read(self, patience: float) -> list[bytes]:
        """The whole messages that have come; none if none comes within ``patience`` seconds.

        It may take twice as long where part of one comes.

        Raises:
            LinkLostError: when the other end is gone, or the link is closed.
        """

    def write(self, messages: Sequence[bytes]) -> None:
        """Hand messages to the system; waits while the other end takes nothing.

        Where nothing can be sent they are lost.

        Raises:
            LinkLostError: when the other end is gone, or the link is closed.
        """

    def finish(self) -> None:
        """Wait until what was written has gone. Nobody reads or writes any more.

        Raises:
            LinkLostError: when it may not have.
        """

    def close(self) -> None:
        """End what reads and writes, and let go. What was written before is on its way."""


class ByteLink:
    """A `Link` by a stream of bytes."""

    def __init__(
        self, where: Where, stream: Stream, *, listens: bool = True, sends: bool = True
    ) -> None:
        """Take the stream, which is closed with the link.

        What comes in is thrown away unless it ``listens``: its end is to be seen all the same.
        """
        self._where, self._stream = where, stream
        self._listens, self._sends = listens, sends
        self._decoder = Decoder()
        self._lost = ""
        self._closed = False
        self._inside = 0
        self._state = Condition()

    def read(self, patience: float) -> list[bytes]:
        """See `Link`."""
        until = time.monotonic() + patience
        self._enter()
        try:
            while True:
                data = self._stream.take(patience)
                if self._lost:
                    raise LinkLostError(self._lost)
                messages = self._decoder.feed(data) if self._listens else []
                if messages or not data or time.monotonic() >= until:
                    return messages
        except StreamLostError as error:
            raise LinkLostError(f"{self._where} is gone: {error}") from None
        finally:
            self._leave()

    def write(self, messages: Sequence[bytes]) -> None:
        """See `Link`."""
        left = memoryview(messages[0] if len(messages) == 1 else b"".join(messages))
        self._enter()
        try:
            while left and self._sends:
                left = left[self._stream.give(left) :]
                if left and self._lost:
                    raise LinkLostError(self._lost)
        except StreamLostError as error:
            raise LinkLostError(f"{self._where} is gone: {error}") from None
        finally:
            self._leave()

    def finish(self) -> None:
        """See `Link`. What the system has goes, even if the link is closed."""

    def lose(self, why: str) -> None:
        """Have it end for whoever reads and writes, because of what was seen elsewhere."""
        with self._state:
            if not self._lost:
                self._lost = why
                self._stream.interrupt()

    def close(self) -> None:
        """See `Link`."""
        with self._state:
            if self._closed:
                return
            self._closed = True
        self.lose(f"{self._where} was closed")
        with self._state:
            self._state.wait_for(lambda: not self._inside)
        self._stream.close()

    def _enter(self) -> None:
        """Use the stream: it is not closed meanwhile."""
        with self._state:
            if self._lost:
                raise LinkLostError(self._lost)
            self._inside += 1

    def _leave(self) -> None:
        with self._state:
            self._inside -= 1
            if self._closed:
                self._state.notify_all()
