"""Bytes both ways, by whatever a system has for it: a socket, a descriptor, a serial line, a file.

One thread takes, one gives, and a third may interrupt both. Windows waits only for sockets, so
that nothing here waits for a descriptor but where the system can. What the bytes mean is not
known here, nor how a stream was opened.
"""

import ctypes
import os
import re
import select
import socket
import sys
from collections.abc import Callable
from threading import Event
from typing import Protocol

import serial

AT_ONCE = 64 * 1024
"""Bytes that are taken from the system at once."""
_ENDED = "the other end has closed it"
_SPELLED = re.compile(r"Error\(\d+, (['\"])(.*?)\.?\1, None, \d+\)")
"""How pyserial tells an error of Windows: as Python spells it, and with the system's words."""
_WINSOCK = 10_000
"""Where the numbers of Windows' sockets begin (winsock2.h): C has no words for them."""


class StreamLostError(Exception):
    """The other end is gone; the end of a sentence says how."""


class Stream(Protocol):
    """An open stream. One thread takes, another gives; any third may interrupt them."""

    def take(self, patience: float) -> bytes:
        """What has come; nothing if nothing comes within ``patience`` seconds.

        Raises:
            StreamLostError: when the other end is gone.
        """

    def give(self, data: memoryview) -> int:
        """Hand bytes to the system; waits while it takes none. Gives how many it has taken.

        Raises:
            StreamLostError: when the other end is gone.
        """

    def interrupt(self) -> None:
        """Have whoever takes or gives return at once, now and from now on."""

    def close(self) -> None:
        """Let go. Nobody takes or gives any more."""


class Waited:
    """A `Stream` by something that the system says is ready, and that does not block."""

    def __init__(
        self,
        thing: socket.socket | int,
        receive: Callable[[int], bytes],
        send: Callable[[memoryview], int],
        let_go: Callable[[], None],
        *,
        watched: bool = True,
    ) -> None:
        """Take it, and how it is used. Unless it is ``watched`` nothing can come."""
        self._thing, self._receive, self._send, self._let_go = thing, receive, send, let_go
        self._wakes, self._wake = socket.socketpair()
        self._taken = [self._wakes, thing] if watched else [self._wakes]

    def take(self, patience: float) -> bytes:
        """See `Stream`."""
        ready = select.select(self._taken, (), (), patience)[0]
        if not ready or self._wakes in ready:
            return b""
        try:
            data = self._receive(AT_ONCE)
        except BlockingIOError:
            return b""
        except OSError as error:
            raise StreamLostError(words(error)) from None
        if not data:
            raise StreamLostError(_ENDED)
        return data

    def give(self, data: memoryview) -> int:
        """See `Stream`."""
        try:
            return self._send(data)
        except BlockingIOError:
            select.select((self._wakes,), (self._thing,), ())
            return 0
        except OSError as error:
            raise StreamLostError(words(error)) from None

    def interrupt(self) -> None:
        """See `Stream`."""
        self._wake.send(b".")

    def close(self) -> None:
        """See `Stream`."""
        self._let_go()
        self._wakes.close()
        self._wake.close()


class OnSocket(Waited):
    """A `Stream` by a connected socket."""

    def __init__(self, connection: socket.socket, let_go: Callable[[], None]) -> None:
        """Take it, and what closes it."""
        connection.setblocking(False)
        super().__init__(connection, connection.recv, connection.send, let_go)


class OnDescriptor(Waited):
    """A `Stream` by the descriptor of a device or a named pipe that does not block."""

    def __init__(self, number: int, *, watched: bool) -> None:
        """Take it; it is closed with the stream. Of one that is not ``watched`` no end is seen."""
        super().__init__(
            number,
            lambda most: os.read(number, most),
            lambda data: os.write(number, data),
            lambda: os.close(number),
            watched=watched,
        )


class OnLine:
    """A `Stream` by a serial line."""

    def __init__(self, line: serial.Serial) -> None:
        """Take it; it is closed with the stream."""
        self._line = line

    def take(self, patience: float) -> bytes:
        """See `Stream`."""
        try:
            if self._line.timeout != patience:  # setting it asks the driver each time
                self._line.timeout = patience
            first = bytes(self._line.read(1))
            return first + bytes(self._line.read(self._line.in_waiting)) if first else b""
        except OSError as error:
            raise StreamLostError(words(error)) from None

    def give(self, data: memoryview) -> int:
        """See `Stream`."""
        try:
            return int(self._line.write(data) or 0)
        except OSError as error:
            raise StreamLostError(words(error)) from None

    def interrupt(self) -> None:
        """See `Stream`."""
        self._line.cancel_read()
        self._line.cancel_write()

    def close(self) -> None:
        """See `Stream`."""
        self._line.close()


class OnFile:
    """A `Stream` by a plain file, which is read to its end, and is then quiet, or added to."""

    def __init__(self, number: int | None = None, *, is_read: bool = False) -> None:
        """Take its descriptor, closed with the stream; without one what is given is lost."""
        self._number, self._is_read = number, is_read
        self._over = Event()

    def take(self, patience: float) -> bytes:
        """See `Stream`."""
        data = b""
        if self._number is not None and self._is_read:
            try:
                data = os.read(self._number, AT_ONCE)
            except OSError as error:
                raise StreamLostError(words(error)) from None
        if not data:
            self._over.wait(patience)
        return data

    def give(self, data: memoryview) -> int:
        """See `Stream`."""
        if self._number is None:
            return len(data)
        try:
            return os.write(self._number, data)
        except OSError as error:
            raise StreamLostError(words(error)) from None

    def interrupt(self) -> None:
        """See `Stream`."""
        self._over.set()

    def close(self) -> None:
        """See `Stream`."""
        if self._number is not None:
            os.close(self._number)


def words(error: BaseException) -> str:
    """What the system says, as the end of a sentence.

    pyserial tells what it was doing, and has the system's error behind its own, or on Windows in
    its words. Numbers below zero are those of names that are looked up (`socket.gaierror`).
    """
    if isinstance(error, serial.SerialException):
        if isinstance(error.__context__, OSError):
            error = error.__context__
        elif spelled := _SPELLED.search(str(error)):
            return spelled[2].lower()
    number = (error.errno or 0) if isinstance(error, OSError) else 0
    if sys.platform == "win32" and number >= _WINSOCK:
        return ctypes.FormatError(number).rstrip(".").lower()
    if number > 0:
        return os.strerror(number).lower()
    return ((error.strerror if isinstance(error, OSError) else None) or str(error)).lower()
