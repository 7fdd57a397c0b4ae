"""Programs of their own that speak to the computer's MIDI systems for one that must not wait.

rtmidi keeps Python's lock while it waits, and with it every thread: 50 ms for a new client of
JACK, 25 ms when it is closed, and for ever when something is sent and the server is gone (all
measured). Here only one port waits then. `cli.play.systemport` starts them and says what they
are for; a message's meaning is not known here, nor is the other program.
"""

import faulthandler
import json
import os
import select
import signal
import socket
import sys
import time
from collections.abc import Iterable
from contextlib import suppress
from itertools import product
from typing import Any

import rtmidi

from combination.stream import Decoder

NAP = 0.0005
"""Seconds between two looks at what has come in. rtmidi could call us, but in JACK's real-time
thread, and all that sounds would wait for Python."""
FIRST = 0.1
"""Seconds for a new connection to be in JACK's graph, which takes it in a cycle or two later: what
is sent before that, and it would be pipes off, can go nowhere."""
LAST = 0.2
"""Seconds for the last message to be on its way before its port is closed (see `cli.ports`)."""
HANGS = 12.0
"""Seconds that a MIDI system may take to open or close ports, or to tell which there are, until a
program of these ends itself: half a second, but for a busy computer, and for ever without its
server. It is longer than anybody waits for it. Ended sooner, it can keep a JACK that waits for its
clients (-S) waiting for good."""
GLANCE = 0.1
"""Seconds between two glances at the ports that there are, by clients that are there already.
A plug that is pulled and put back within them is not noticed."""
FRESH = 2.0
"""Seconds after which clients are replaced: older ones do not see that their server is gone."""
MOST_HEARD = 16 * 1024
"""Messages that rtmidi keeps until they are looked at; it has 1024 otherwise, and drops more."""


def carry() -> None:
    """Carry messages between the program that has started this one and MIDI ports.

    The ports are arguments of the program: ours by name, then ways, systems and names, as JSON.
    First it is said that they are open: an empty line; if not, nothing, and it ends. It ends too
    when the socket does, and not before: pipes off may come after a signal to all of us. Our end
    of it is closed when the last message has gone and the MIDI system has answered once more:
    nobody need wait until it has let go of us.
    """
    for number in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK"):
        if hasattr(signal, number):
            signal.signal(getattr(signal, number), signal.SIG_IGN)
    asker = _asker()
    name, ports = json.loads(sys.argv[1])
    clients: dict[str, Any] = {}
    _end_if_it_hangs()
    try:
        for way, system, port in ports:
            clients[way] = client = _client(way, system, name)
            client.open_port(client.get_ports().index(port), "in" if way == "MidiIn" else "out")
        if "MidiOut" in clients:
            time.sleep(FIRST)
        asker.sendall(b"\n")
        faulthandler.cancel_dump_traceback_later()
        _carry(asker, clients.get("MidiIn"), clients.get("MidiOut"))
    finally:
        _end_if_it_hangs()
        if "MidiOut" in clients:
            time.sleep(LAST)
            clients["MidiOut"].close_port()
        asker.close()
        for client in clients.values():
            client.close_port()
            client.delete()


def _asker() -> socket.socket:
    """Whoever has started us (see `cli.play.systemport`)."""
    if sys.platform == "win32":
        asker = socket.fromshare(sys.stdin.buffer.read())
        os.close(sys.stdout.fileno())
        return asker
    return socket.socket(fileno=sys.stdin.fileno())


def _end_if_it_hangs() -> None:
    """From now on there are `HANGS` seconds; what counts them waits for no lock of Python's."""
    faulthandler.dump_traceback_later(HANGS, exit=True)


def _client(way: str, system: int, name: str) -> Any:
    """A client of a MIDI system, that hears whatever there is. It must be deleted.

    One that only ends with its program can keep JACK from taking another (measured, with -S).
    """
    room = {"queue_size_limit": MOST_HEARD} if way == "MidiIn" else {}
    client = getattr(rtmidi, way)(rtapi=system, name=name, **room)
    if room:
        client.ignore_types(sysex=False, timing=False, active_sense=False)
    return client


def _carry(asker: socket.socket, heard: Any, said: Any) -> None:
    decoder = Decoder()
    while True:
        if select.select((asker,), (), (), NAP if heard else None)[0]:
            data = asker.recv(64 * 1024)
            if not data:
                return
            for message in decoder.feed(data) if said else ():
                said.send_message(message)
        came = bytearray()
        while heard and (event := heard.get_message()):
            came += bytes(event[0])
        asker.sendall(came)


def look() -> None:
    """Tell which MIDI ports there are whenever that changes, and every `FRESH` seconds.

    Each time it is a line of JSON: which systems run, and the ports' ways, systems and names. It
    ends when whoever asks does, when a MIDI system hangs, and when one is gone: who was its client
    crashes when that is closed (rtmidi 1.5.8).
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    asker = _asker()
    everywhere = list(product(("MidiIn", "MidiOut"), rtmidi.get_compiled_api()))
    clients: dict[tuple[str, int], Any] = {}
    told: list[Any] = []
    due = 0.0
    while True:
        _end_if_it_hangs()
        fresh = time.monotonic() >= due
        if fresh:
            anew = _clients(everywhere)
            anew |= _clients(clients.keys() - anew.keys())  # a busy system can fail once
            gone = clients.keys() - anew.keys()
            for key in clients.keys() & anew.keys():
                clients[key].delete()
            clients |= anew
            due = time.monotonic() + FRESH
        ports = [
            (way, system, name)
            for (way, system), client in clients.items()
            if (way, system) not in gone
            for name in client.get_ports()
        ]
        if fresh or ports != told:
            told = ports
            running = sorted({system for _, system in clients.keys() - gone})
            with suppress(OSError):  # whoever asked may be gone, but clients are to be deleted
                asker.sendall(json.dumps([running, ports]).encode() + b"\n")
        if gone:
            os._exit(0)
        if select.select((asker,), (), (), GLANCE)[0]:
            break
    for client in clients.values():
        client.delete()


def _clients(wanted: Iterable[tuple[str, int]]) -> dict[tuple[str, int], Any]:
    """New clients, one for each way and system; none where that does not run."""
    clients = {}
    for way, system in wanted:
        with suppress(rtmidi.RtMidiError):
            clients[way, system] = _client(way, system, "stopwright looks")
    return clients
