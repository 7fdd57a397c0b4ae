"""The MIDI ports of this computer: found by name, opened, and noticed when they are gone.

rtmidi is used itself, and not through mido: mido throws away what is not a whole message, and
a damaged packet must be heard to be asked for again (sources.md S17 has more of it). What is
in a message, and when one is sent, is not known here.
"""

import os
import sys
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from enum import Enum
from pathlib import Path
from typing import Any, TextIO

from attrs import frozen

from cli.output import refuse
from combination.findings import nearest, quoted

try:
    import rtmidi
except ImportError:  # a Linux without ALSA's library, where all other commands still work
    rtmidi = None

_SILENCE = 2.0
"""Seconds without a message, after which it is seen whether the ports are still there. When its
server is gone, JACK takes 16 KiB more (measured), more than ten seconds' worth, and then has
whoever sends wait for ever."""
_LAST = 0.2
"""Seconds for the last message to be on its way before its port is closed. rtmidi waits until JACK
has taken it, but on a busy computer JACK loses it all the same (measured); a few of its periods."""


class Way(Enum):
    """Which way messages go through a port, seen from here; the value is rtmidi's class."""

    OUT = "MidiOut"
    IN = "MidiIn"

    @property
    def back(self) -> "Way":
        """The other way."""
        return Way.IN if self is Way.OUT else Way.OUT


@frozen
class Port:
    """A port that there is, or was, in one of the computer's MIDI systems."""

    way: Way
    system: int
    name: str


class Ends:
    """Our ends of two cables, one each way, or of only one."""

    def __init__(self, ports: Sequence[Port]) -> None:
        """Take the ports, at most one each way; they are open inside the block."""
        self._ports = ports
        self._clients: dict[Way, Any] = {}
        self._sure = 0.0
        self.gone = ""
        """What has become of a port, as a sentence, once it is known to be gone."""

    def __enter__(self) -> "Ends":
        """Open them. Refuses what cannot be opened."""
        for port in self._ports:
            try:
                self._open(port)
            except (rtmidi.RtMidiError, ValueError):
                self.__exit__()
                refuse(
                    f"the MIDI port {quoted(port.name)} cannot be opened: it is gone, or another "
                    "program has it"
                )
        self._sure = time.monotonic()
        return self

    def _open(self, port: Port) -> None:
        self._clients[port.way] = client = _client(port.way, port.system)
        if port.way is Way.IN:
            client.ignore_types(sysex=False)
        client.open_port(client.get_ports().index(port.name), port.way.name.lower())

    def __exit__(self, *_: object) -> None:
        """Close them, when what was sent last has arrived: it may say that nothing follows."""
        if Way.OUT in self._clients:
            time.sleep(_LAST)
        for client in self._clients.values():
            client.close_port()
            client.delete()

    def send(self, message: bytes) -> None:
        """Put a message on the cable, if there is one that way."""
        if Way.OUT not in self._clients or self.gone:
            return
        try:
            self._clients[Way.OUT].send_message(message)
        except rtmidi.RtMidiError as error:
            self.gone = f"the MIDI system does not send: {error}"

    def heard(self) -> bytes | None:
        """The next message that has come in, if any has; if none, see that all is well."""
        found = self._clients[Way.IN].get_message() if Way.IN in self._clients else None
        if found is None and time.monotonic() < self._sure + _SILENCE:
            return None
        if found is None:
            self._look()
        self._sure = time.monotonic()
        return None if found is None else bytes(found[0])

    def _look(self) -> None:
        """See whether the ports are still there, which may take a tenth of a second.

        New clients are asked: older ones do not notice that their JACK server is gone. Nor can
        they be closed then: rtmidi 1.5.8 crashes (measured).
        """
        for port in self._ports:
            names = _names(port.way, port.system)
            if port.name not in (names or ()):
                self.gone = f"the MIDI port {quoted(port.name)} is gone"
            if names is None:
                self._clients.pop(port.way, None)


def there(way: Way) -> list[Port]:
    """All ports that lead one way. Refuses a computer without a MIDI system."""
    names = {system: _names(way, system) for system in systems()}
    check_running(system for system, there in names.items() if there is not None)
    return [Port(way, system, name) for system, there in names.items() for name in there or ()]


def systems() -> list[int]:
    """The MIDI systems that there could be on this computer. Refuses if none can be spoken to."""
    if rtmidi is None:
        refuse("there is no MIDI: rtmidi cannot be loaded (on Linux it needs ALSA's libasound2)")
    return list(rtmidi.get_compiled_api())


def check_running(running: Iterable[int]) -> None:
    """Refuse a computer on which no MIDI system runs."""
    if not list(running):
        known = " nor ".join(map(rtmidi.get_api_display_name, systems()))
        refuse(f"there is no MIDI on this computer: neither {known} is running")


def find(name: str, ports: Sequence[Port], wanted: str = "") -> Port:
    """The port that a person means by its name, or by a part of it that no other has.

    Refuses what is none or several; ``wanted`` then says more of what it was to be.
    """
    exact = [port for port in ports if port.name == name]
    found = exact or [port for port in ports if name.casefold() in port.name.casefold()]
    if len(found) == 1:
        return found[0]
    what = f"MIDI port {quoted(name)}{wanted and ' '}{wanted}"
    if found:
        refuse(f"there is more than one {what}{_listed(found)}")
    refuse(f"there is no {what}{nearest(name, (port.name for port in ports))}")


def unnamed(ports: Sequence[Port]) -> str:
    """The message that a port must be named, and which there are."""
    if not ports:
        return "there is no MIDI port of another program or device on this computer"
    return f"which MIDI port? Say with --port{_listed(ports)}"


def _listed(ports: Sequence[Port]) -> str:
    return ":" + "".join(f"\n  {port.name}" for port in ports)


@contextmanager
def quiet() -> Iterator[TextIO]:
    """Have standard error to ourselves, as the file that is given.

    ALSA's and JACK's libraries write there what they think of a system that does not run, and
    cannot be told not to. What a person sees is one message, and it is ours.
    """
    sys.stderr.flush()
    with (
        os.fdopen(os.dup(2), "w", encoding="utf-8", errors="replace") as ours,
        Path(os.devnull).open("w") as nothing,
    ):
        os.dup2(nothing.fileno(), 2)
        try:
            yield ours
        finally:
            os.dup2(ours.fileno(), 2)


def _client(way: Way, system: int) -> Any:
    return getattr(rtmidi, way.value)(rtapi=system, name="stopwright")


def _names(way: Way, system: int) -> list[str] | None:
    """What the ports of a MIDI system are called; None if it does not run."""
    try:
        client = _client(way, system)
    except rtmidi.RtMidiError:
        return None
    try:
        return list(client.get_ports())
    finally:
        client.delete()
