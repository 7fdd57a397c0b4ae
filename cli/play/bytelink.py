"""What is common to all open connections, and one whose messages are bytes on a file descriptor.

A link is read, written and closed by three threads that know nothing of each other. How it was
opened, and what the messages mean, is not known here.
"""

import os
import select
import time
from collections.abc import Callable, Sequence
from threading import Condition
from typing import Protocol

from cli.play.where import Where
from combination.stream import Decoder

_AT_ONCE = 64 * 1024
"""Bytes that are taken from the system at once."""


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

        Raises:
            LinkLostError: when the other end is gone, or the link is closed.
        """

    def write(self, messages: Sequence[bytes]) -> None:
        """Hand messages to the system; waits while the other end takes nothing.

        Where nothing can be sent they are lost.

        Raises:
            LinkLostError: when the other end is gone, or the link is closed.
        """

    def close(self) -> None:
        """End what reads and writes, and let go. What was written before is on its way."""


class ByteLink:
    """A `Link` of one or two file descriptors that do not block."""

    def __init__(
        self,
        where: Where,
        incoming: int | None,
        outgoing: int | None,
        let_go: Callable[[], None],
        *,
        listens: bool = True,
        endless: bool = True,
    ) -> None:
        """Take the descriptors, and what closes them.

        What comes in is thrown away unless it ``listens``: its end is to be seen all the same.
        Where that is only the end of a file it is not ``endless``, and nothing is lost by it.
        """
        self._where, self._incoming, self._outgoing = where, incoming, outgoing
        self._let_go, self._listens, self._endless = let_go, listens, endless
        self._decoder = Decoder()
        self._lost = ""
        self._closed = False
        self._inside = 0
        self._state = Condition()
        self._wakes, self._wake = os.pipe()

    def read(self, patience: float) -> list[bytes]:
        """See `Link`."""
        until = time.monotonic() + patience
        self._enter()
        try:
            while True:
                waited = [self._wakes] if self._incoming is None else [self._wakes, self._incoming]
                ready = select.select(waited, (), (), max(until - time.monotonic(), 0.0))[0]
                if self._wakes in ready:
                    raise LinkLostError(self._lost)
                if not ready:
                    return []
                messages = self._take(ready[0])
                if messages:
                    return messages
        finally:
            self._leave()

    def _take(self, incoming: int) -> list[bytes]:
        try:
            data = os.read(incoming, _AT_ONCE)
        except BlockingIOError:
            return []
        except OSError as error:
            raise self._gone(error) from None
        if not data:
            if self._endless:
                raise LinkLostError(f"{self._where} is gone: the other end has closed it")
            self._incoming = None
        return self._decoder.feed(data) if self._listens else []

    def write(self, messages: Sequence[bytes]) -> None:
        """See `Link`."""
        left = memoryview(messages[0] if len(messages) == 1 else b"".join(messages))
        outgoing = self._outgoing
        self._enter()
        try:
            while left and outgoing is not None:
                try:
                    left = left[os.write(outgoing, left) :]
                except BlockingIOError:
                    select.select((self._wakes,), (outgoing,), ())
                    if self._lost:
                        raise LinkLostError(self._lost) from None
        except OSError as error:
            raise self._gone(error) from None
        finally:
            self._leave()

    def lose(self, why: str) -> None:
        """Have it end for whoever reads and writes, because of what was seen elsewhere."""
        with self._state:
            if not self._lost:
                self._lost = why
                os.write(self._wake, b".")

    def close(self) -> None:
        """See `Link`."""
        with self._state:
            if self._closed:
                return
            self._closed = True
        self.lose(f"{self._where} was closed")
        with self._state:
            self._state.wait_for(lambda: not self._inside)
        self._let_go()
        os.close(self._wakes)
        with self._state:
            os.close(self._wake)

    def _enter(self) -> None:
        """Use the descriptors: they are not closed, and their numbers not another's, meanwhile."""
        with self._state:
            if self._lost:
                raise LinkLostError(self._lost)
            self._inside += 1

    def _leave(self) -> None:
        with self._state:
            self._inside -= 1
            if self._closed:
                self._state.notify_all()

    def _gone(self, error: OSError) -> LinkLostError:
        return LinkLostError(f"{self._where} is gone: {(error.strerror or str(error)).lower()}")
