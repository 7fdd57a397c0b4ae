"""Programs that begin at once: forked from one that has read in what they need, and waits.

Each is a process of its own, with its own output, signals, folder, environment and exit code, and
ends as any other does. Only that Python starts, and reads in our modules, is not done anew.
"""

import json
import os
import select
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from pathlib import Path

LONGEST = 64 * 1024
"""Bytes that say what a program is to do."""


class Forked:
    """A program under way, as `subprocess.Popen` would have it."""

    def __init__(self, out: int, err: int, reports: socket.socket) -> None:
        self.stdout = os.fdopen(out, encoding="utf-8")
        self.stderr = os.fdopen(err, encoding="utf-8")
        self._reports = reports
        self.pid = int(reports.recv(64))
        self._code: int | None = None

    def wait(self) -> int:
        """Wait for its end: its exit code, or less than 0 for a signal."""
        if self._code is None:
            self._code = int(self._reports.recv(64))
        return self._code

    def send_signal(self, number: int) -> None:
        """Send a signal, unless it has ended."""
        if self._code is None and not select.select((self._reports,), (), (), 0.0)[0]:
            os.kill(self.pid, number)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)

    def __enter__(self) -> "Forked":
        return self

    def __exit__(self, *_: object) -> None:
        self.wait()
        for end in (self.stdout, self.stderr, self._reports):
            end.close()


class Nest:
    """Where programs are forked."""

    def __init__(self, orders: socket.socket) -> None:
        self._orders = orders

    def program(self, code: str, *words: str) -> Forked:
        """Begin a program of Python, here and in our environment as it is now."""
        order = json.dumps([code, words, str(Path.cwd()), dict(os.environ)]).encode()
        assert len(order) < LONGEST
        (out, their_out), (err, their_err) = os.pipe(), os.pipe()
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        with theirs:
            socket.send_fds(self._orders, [order], [their_out, their_err, theirs.fileno()])
        os.close(their_out)
        os.close(their_err)
        return Forked(out, err, ours)


@contextmanager
def nest(*modules: str) -> Iterator[Nest]:
    """A program that has these modules read in."""
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    code = f"import sys; sys.path[:] = {sys.path!r}; from tests import forked; forked.brood()"
    with theirs:
        process = subprocess.Popen(
            [sys.executable, "-c", code, *modules], stdin=theirs.fileno(), start_new_session=True
        )
    with process, ours:
        yield Nest(ours)
        ours.shutdown(socket.SHUT_RDWR)


def brood() -> None:
    """Be the one from which programs are forked: in them, do what is asked, and then return."""
    for module in sys.argv[1:]:
        import_module(module)
    default = signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    with socket.socket(fileno=os.dup(0)) as orders:
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        while True:
            order, ends, _, _ = socket.recv_fds(orders, LONGEST, 3)
            if not order:
                return
            if os.fork() == 0:
                break
            for end in ends:
                os.close(end)
    signal.signal(signal.SIGCHLD, default)
    out, err, reports = ends
    child = os.fork()
    if child:
        os.close(out)
        os.close(err)
        os.write(reports, b"%d" % child)
        os.write(reports, b"%d" % os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))
        os._exit(0)
    os.dup2(out, 1)
    os.dup2(err, 2)
    for end in ends:
        os.close(end)
    code, words, folder, environment = json.loads(order)
    os.chdir(folder)
    os.environ.clear()
    os.environ.update(environment)
    sys.argv[:] = ["-c", *words]
    exec(code, {"__name__": "__main__"})
