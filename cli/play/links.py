"""Ways to open a link: over TCP, on a serial line, to a file or device, to a system's MIDI port.

A link that is lost is opened anew, as often as anyone likes. What must stay open in between does:
a partner that calls again finds the same ear. What goes through is not known here.
"""

import atexit
import errno
import os
import select
import socket
import stat
import time
from contextlib import suppress
from pathlib import Path
from threading import Lock

import serial

from cli.play.bytelink import ByteLink, CannotOpenError, Link, LinkLostError
from cli.play.streams import OnDescriptor, OnFile, OnLine, OnSocket, Stream, words
from cli.play.systemport import open_system_port
from cli.play.where import (
    Connect,
    Listen,
    Nowhere,
    RawFile,
    SerialLine,
    SystemPort,
    Where,
    address,
)

__all__ = ["CannotOpenError", "Link", "LinkLostError", "open_link", "stop_listening"]

PATIENCE = 1.0
"""Seconds for another program to answer a call, or to call."""
_LAST = 0.2
"""Seconds for the other end of a connection to hear that nothing follows."""
_SILENT, _ASKED, _TIMES = 5, 2, 3
"""Seconds of silence on a connection, after which the other computer is asked whether it is still
there; seconds between two such questions; and how many stay unanswered until it is gone."""
_UNTAKEN = 1000 * (_SILENT + _ASKED * _TIMES)
"""Milliseconds, likewise, for it to take what it was sent; otherwise Linux waits for a quarter of
an hour (net.ipv4.tcp_retries2)."""

_UNSENT = 4096
"""Bytes that wait here when the other end takes no more: otherwise megabytes of a past that nobody
wants to hear would wait in the system."""
_UNHEARD = 64 * 1024
"""Bytes, likewise, that are not confirmed by the other end: Windows counts no others. A console's
whole all-off has room in it, so that it need not wait for that."""

_PLAIN = getattr(os, "O_BINARY", 0)
_DOES_NOT_BLOCK = getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOCTTY", 0)
"""How files are opened: bytes stay as they are on Windows, which has no others than plain ones."""

_HELD = "PermissionError("
"""In pyserial's message on Windows, where a port that is open is denied to everyone else."""

_ears: dict[Listen, socket.socket] = {}
_ears_lock = Lock()


def open_link(where: Where, *, listens: bool, sends: bool, client: str) -> Link:
    """Open a link that is read (``listens``), written (``sends``) or both, or watched if neither.

    ``client`` is what a MIDI system calls us. It may take a second, and three where a system's
    MIDI port is there but does not open.

    Raises:
        CannotOpenError: when it cannot be had, perhaps only now.
    """
    match where:
        case SystemPort():
            return open_system_port(where, listens=listens, sends=sends, client=client)
        case Connect():
            return _on_socket(where, _called(where), listens, sends)
        case Listen():
            return _on_socket(where, _caller(where), listens, sends)
        case SerialLine():
            return _on_serial(where, listens, sends)
        case RawFile():
            return _on_file(where, listens, sends)
        case Nowhere():
            return ByteLink(where, OnFile())


# ---------------------------------------------------------------- TCP


def _called(where: Connect) -> socket.socket:
    """A connection to a program that listens."""
    there = address(where.host, where.port)
    try:
        connection = socket.create_connection((where.host, where.port), PATIENCE)
    except ConnectionRefusedError:
        raise CannotOpenError(f"nobody listens at {there} yet") from None
    except TimeoutError:
        raise CannotOpenError(f"{there} does not answer") from None
    except (OSError, UnicodeError) as error:
        raise CannotOpenError(f"{there} cannot be reached: {words(error)}") from None
    if connection.getsockname() == connection.getpeername():
        # TCP lets a call to one of its own passing ports be answered by itself (RFC 9293, 3.5).
        connection.close()
        raise CannotOpenError(f"nobody listens at {there} yet")
    return connection


def _caller(where: Listen) -> socket.socket:
    """A connection to the next program that calls, or that has called since the last was gone."""
    here = address(where.host, where.port)
    ear = _ear(where)
    if select.select((ear,), (), (), PATIENCE)[0]:
        with suppress(OSError):  # it may have hung up meanwhile
            return ear.accept()[0]
    raise CannotOpenError(f"nobody has connected to {here} yet")


def _ear(where: Listen) -> socket.socket:
    with _ears_lock:
        if where not in _ears:
            family = socket.AF_INET6 if ":" in where.host else socket.AF_INET
            try:
                ear = socket.create_server((where.host, where.port), family=family, backlog=1)
            except (OSError, UnicodeError) as error:
                here = address(where.host, where.port)
                raise CannotOpenError(f"{here} cannot be listened at: {words(error)}") from None
            ear.setblocking(False)
            _ears[where] = ear
        return _ears[where]


@atexit.register
def stop_listening() -> None:
    """Take no more calls. Whoever opens a `Listen` after this begins anew."""
    with _ears_lock:
        while _ears:
            _ears.popitem()[1].close()


def _on_socket(where: Where, connection: socket.socket, listens: bool, sends: bool) -> Link:
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for name, value in (
        ("TCP_KEEPIDLE", _SILENT),
        ("TCP_KEEPINTVL", _ASKED),
        ("TCP_KEEPCNT", _TIMES),
        ("TCP_USER_TIMEOUT", _UNTAKEN),
        ("TCP_NOTSENT_LOWAT", _UNSENT),
    ):
        if hasattr(socket, name):  # not every system has them all
            connection.setsockopt(socket.IPPROTO_TCP, getattr(socket, name), value)
    if not hasattr(socket, "TCP_NOTSENT_LOWAT"):
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _UNHEARD)
    stream = OnSocket(connection, lambda: _hang_up(connection))
    return ByteLink(where, stream, listens=listens, sends=sends)


def _hang_up(connection: socket.socket) -> None:
    """Say that nothing follows, and hear the other end out.

    Bytes that nobody has read when it is closed would make TCP throw away what was sent last
    (RFC 1122, 4.2.2.13), and that may be pipes off.
    """
    until = time.monotonic() + _LAST
    with connection, suppress(OSError):
        connection.shutdown(socket.SHUT_WR)
        while (left := until - time.monotonic()) > 0:
            connection.settimeout(left)
            if not connection.recv(64 * 1024):
                return


# ---------------------------------------------------------------- serial lines and files


def _on_serial(where: SerialLine, listens: bool, sends: bool) -> Link:
    try:
        line = serial.Serial(where.device, where.baud, exclusive=True)
    except (OSError, ValueError, OverflowError) as error:  # pyserial's own are OSErrors
        if (
            isinstance(error, BlockingIOError)
            or getattr(error, "errno", None) == errno.EAGAIN
            or _HELD in str(error)
        ):
            raise CannotOpenError(f"another program has {where}") from None
        raise CannotOpenError(f"{where} cannot be opened: {words(error)}") from None
    return ByteLink(where, OnLine(line), listens=listens, sends=sends)


def _on_file(where: RawFile, listens: bool, sends: bool) -> Link:
    """A file is read to its end, or added to. Whoever writes to a named pipe sees its end too.

    Neither goes both ways: what we write would come back to us.
    """
    try:
        mode = Path(where.path).stat().st_mode
        is_pipe, is_plain = stat.S_ISFIFO(mode), stat.S_ISREG(mode)
        if stat.S_ISDIR(mode):
            raise IsADirectoryError(errno.EISDIR, "")
        if listens and sends and (is_pipe or is_plain):
            raise CannotOpenError(f"{where} can be heard or written, not both: it is no device")
        if not (is_plain or _DOES_NOT_BLOCK):
            raise CannotOpenError(f"{where} is none that this system can wait for")
        way = os.O_RDWR if listens and sends else os.O_WRONLY if sends else os.O_RDONLY
        number = os.open(where.path, way | os.O_APPEND | (_PLAIN if is_plain else _DOES_NOT_BLOCK))
    except (OSError, ValueError) as error:
        if getattr(error, "errno", None) == errno.ENXIO and is_pipe:
            raise CannotOpenError(f"nobody reads {where} yet") from None
        raise CannotOpenError(f"{where} cannot be opened: {words(error)}") from None
    stream: Stream
    if is_plain:
        stream = OnFile(number, is_read=listens)
    else:
        stream = OnDescriptor(number, watched=listens or is_pipe)
    return ByteLink(where, stream, listens=listens, sends=sends)
