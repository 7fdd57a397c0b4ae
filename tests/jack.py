"""A MIDI system for tests: a JACK server of their own without sound, and devices on it.

Nothing of ALSA's is seen beside it, whatever computer this is. A device has a port each way and
does with what it hears what a test says; it speaks to rtmidi itself, and to nothing of ours.
"""

import fcntl
import os
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from queue import SimpleQueue
from threading import Thread
from typing import Any

import pytest
import rtmidi

from tests.needed import installed

PATIENCE = 20.0
"""Seconds until a test gives up waiting for something that should happen at once."""
MOST_HEARD = 16 * 1024
"""Messages that a device keeps until it listens; rtmidi has 1024 otherwise, and drops more."""


_held = 0
"""How many servers this process has under way."""


@contextmanager
def _turn() -> Iterator[None]:
    """Wait until no other process of these tests has a server: more is too much to be on time."""
    global _held
    with (Path(tempfile.gettempdir()) / "stopwright-tests-jack").open("w") as turn:
        if not _held:
            fcntl.flock(turn, fcntl.LOCK_EX)
        _held += 1
        try:
            yield
        finally:
            _held -= 1


@contextmanager
def jack_server(name: str, *, patient: bool = True) -> Iterator[subprocess.Popen[bytes]]:
    """A server of that name, which the process and its children then take for the only one.

    Its periods are of 256 samples, 5.3 ms. A ``patient`` one waits for late clients (-S, for 5
    seconds at most, and as long for one that is closed at the wrong moment): on a busy computer
    JACK loses what is said to them otherwise (measured, 7 messages of 500).

    Without jackd tests are skipped, as `installed` says.
    """
    jackd, jack_wait = installed("jackd"), installed("jack_wait")
    unique = f"{name}-{os.getpid()}"
    waits = ["-S", "-t", "5000"] if patient else []
    command = [jackd, "-r", *waits, "-n", unique, "-d", "dummy", "-r", "48000", "-p", "256"]
    with (
        _turn(),
        pytest.MonkeyPatch.context() as patch,
        subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as server,
    ):
        patch.setenv("JACK_DEFAULT_SERVER", unique)
        patch.setenv("ALSA_CONFIG_PATH", os.devnull)
        waiting = [jack_wait, "-s", unique, "-w", "-t", f"{PATIENCE:.0f}"]
        try:
            subprocess.run(waiting, check=True, capture_output=True)
            yield server
        finally:
            server.terminate()
            try:
                server.wait(timeout=PATIENCE)
            except subprocess.TimeoutExpired:  # it waits for a client that is gone
                server.kill()
            for left in Path("/dev/shm").glob(f"jack*_{unique}_*"):
                left.unlink(missing_ok=True)  # of clients that outlived it


class Device:
    """A device with a port each way, ``quay-01:in`` and ``quay:out`` for one called quay."""

    def __init__(self, name: str, react: Callable[[bytes], list[bytes]] = lambda _: []) -> None:
        """Take its name, and what it says to each message that it hears."""
        self._heard = SimpleQueue[tuple[float, bytes]]()
        self._react = react
        self._out: Any = rtmidi.MidiOut(rtapi=rtmidi.API_UNIX_JACK, name=name)
        self._in: Any = rtmidi.MidiIn(
            rtapi=rtmidi.API_UNIX_JACK, name=name, queue_size_limit=MOST_HEARD
        )
        self._out.open_virtual_port("out")
        self._in.ignore_types(sysex=False)
        self._in.open_virtual_port("in")
        self._plugged = True
        self._listening = Thread(target=self._listen)
        self._listening.start()

    def __enter__(self) -> "Device":
        return self

    def __exit__(self, *_: object) -> None:
        if self._plugged:
            self.unplug()

    def unplug(self) -> None:
        """Take both ports away."""
        self._plugged = False
        self._listening.join()
        for client in (self._in, self._out):
            client.close_port()
            client.delete()

    def say(self, message: bytes) -> None:
        self._out.send_message(message)

    def next(self) -> bytes:
        """The next message that it has heard."""
        return self._heard.get(timeout=PATIENCE)[1]

    def hears(self, wanted: Callable[[bytes], bool]) -> None:
        """Wait until it has heard a message that is wanted."""
        while not wanted(self.next()):
            pass

    def all(self) -> list[tuple[float, bytes]]:
        """All that it has heard up to now, and when."""
        return [self._heard.get() for _ in range(self._heard.qsize())]

    def _listen(self) -> None:
        while self._plugged:
            event = self._in.get_message()
            if event is None:
                time.sleep(0.001)
                continue
            at, message = time.monotonic(), bytes(event[0])
            for answer in self._react(message):
                self.say(answer)
            self._heard.put((at, message))
