"""How long a message takes through the running program, beside a program that only echoes.

Both are processes of their own, on loopback sockets: the console as ``stopwright play`` runs it,
and mido's own socket ports, which take each message and send it back. Issue by issue, one message
each in turns, so that a slow moment of the machine is nobody's own.
"""

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from statistics import quantiles
from tempfile import TemporaryDirectory

PASSAGES = 4000
WARM_UP = 500
BETWEEN = 0.002
"""Seconds between two messages: no organist is faster, and none waits for another."""
BYTE = 320e-6
"""Seconds a byte takes on a five-pin cable (MIDI 1.0: 31,250 baud, ten bits)."""

CONSOLE = """
format = 1
name = "Loopback"
action = "blind"

[[keyboard]]
id = "great"
name = "Great"
lowest = 36
keys = 61
contacts = "keys.1"

[[division]]
id = "great"
name = "Great"
keyboard = "great"

[[rank]]
id = "flute"
name = "Flute"
family = "flute"
pitch = "8"
pipes = 61
out = [{ port = "line", channel = 3 }]

[[stop]]
id = "flute-8"
label = ["Flute", "8'"]
division = "great"
rank = "flute"
pitch = "8"
contact = "rail.1"

[[board]]
id = "keys"
pins = 61
in = { port = "line", channel = 1, first-note = 36 }

[[board]]
id = "rail"
pins = 8
in = { port = "line", channel = 2, first-note = 0 }
"""
_ECHO = """
import sys
from mido.sockets import PortServer
with PortServer("127.0.0.1", int(sys.argv[1])) as server:
    client = server.accept()
    for message in client:
        client.send(message)
"""


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def running(*command: str) -> Iterator[None]:
    environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, env=environment)
    try:
        yield
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(20)


def connected(port: int) -> socket.socket:
    until = time.monotonic() + 20
    while True:
        try:
            found = socket.create_connection(("127.0.0.1", port), 5)
        except OSError:
            if time.monotonic() > until:
                raise
            time.sleep(0.05)
        else:
            found.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            return found


def _passage(link: socket.socket, message: bytes, wanted: int) -> float:
    """Seconds until as many bytes are back as are wanted."""
    began = time.perf_counter()
    link.sendall(message)
    while wanted > 0:
        wanted -= len(link.recv(wanted).replace(b"\xfe", b""))
    return time.perf_counter() - began


def _drained(link: socket.socket) -> None:
    """What the console says when a port opens is over."""
    until = time.monotonic() + 1.0
    link.settimeout(0.1)
    while time.monotonic() < until:
        with suppress(TimeoutError):
            link.recv(65536)
    link.settimeout(5.0)


def _timed(through: socket.socket, echoed: socket.socket) -> tuple[list[float], list[float]]:
    """How long each message took there and back, at the console and at the echo, in turns."""
    times: tuple[list[float], list[float]] = ([], [])
    for turn in range(PASSAGES):
        key = 36 + turn // 2 % 61
        message = bytes((0x80 if turn % 2 else 0x90, key, 64))
        for link, found in ((through, times[0]), (echoed, times[1])):
            found.append(_passage(link, message, 3))
            time.sleep(BETWEEN)
    return times


def live() -> None:
    """Print both, and the difference beside one byte of a five-pin cable."""
    print("\nA message through the running console, over a socket on loopback")
    ours, echo = free_port(), free_port()
    with TemporaryDirectory() as name:
        console = Path(name) / "loopback.toml"
        console.write_text(CONSOLE)
        playing = running(
            *(
                sys.executable,
                "-c",
                "from cli.main import main; main()",
                "play",
                str(console),
                "--plain",
            ),
            *("--port", f"line=listen:127.0.0.1:{ours}"),
        )
        echoing = running(sys.executable, "-c", _ECHO, str(echo))
        with playing, echoing, connected(ours) as through, connected(echo) as echoed:
            time.sleep(0.6)  # contacts found at switch-on
            through.sendall(bytes((0x91, 0, 127)))
            _drained(through)
            times = _timed(through, echoed)
    figures = []
    for what, found in zip(("the console", "mido's echo"), times, strict=True):
        hundredths = quantiles(found[WARM_UP:], n=100)
        figures.append((hundredths[49], hundredths[98]))
        print(
            f"  {what}: median {hundredths[49] * 1e6:.0f} µs, 99 of 100 within "
            f"{hundredths[98] * 1e6:.0f} µs"
        )
    for what, place in (("median", 0), ("99 of 100", 1)):
        share = figures[0][place] - figures[1][place]
        held = "held" if share <= BYTE else "NOT HELD"
        print(f"    the engine's share, {what}, beside a byte's time: {share / BYTE:.3g}, {held}")
