"""Where a port leads, as values: a system's MIDI port, a connection, a serial line, a file.

A console file says it in keys, the command line in one word (`parse`). Whether there is such a
place is not known here, nor how one gets there.
"""

import difflib
import re
from collections.abc import Iterable
from typing import NoReturn

from attrs import frozen

from combination.findings import nearest, quoted
from combination.model import MIDI_SPEED, Console, Port
from combination.ports import parse_address, ports_of

_EXAMPLES = {
    "connect": "connect:organ.local:5004",
    "listen": "listen:127.0.0.1:5004",
    "serial": "serial:/dev/ttyUSB0, or with its speed serial:/dev/ttyUSB0@38400",
    "device": "device:/dev/snd/midiC1D0",
    "nowhere": "nowhere",
}
_ALSA = re.compile(r".* \d+:\d+")
"""How ALSA's MIDI ports are named in full: client, port, and the numbers of both."""
_ALIKE = 0.8
"""Of 1: a word that is so much like one of ours is that one, mistyped."""


@frozen
class SystemPort:
    """The computer's MIDI ports, one each way, of that name or with that in their names."""

    name: str

    def __str__(self) -> str:
        """As it stands in a sentence."""
        return f"the MIDI port {quoted(self.name)}"


@frozen
class Connect:
    """MIDI bytes over TCP: the other program listens, and we connect to it."""

    host: str
    port: int

    def __str__(self) -> str:
        """As it stands in a sentence."""
        return f"the connection to {address(self.host, self.port)}"


@frozen
class Listen:
    """MIDI bytes over TCP: we listen, and the other program connects to us."""

    host: str
    port: int

    def __str__(self) -> str:
        """As it stands in a sentence."""
        return f"the connection at {address(self.host, self.port)}"


@frozen
class SerialLine:
    """MIDI bytes on a serial line: eight data bits, one stop bit, no parity, nothing held back."""

    device: str
    baud: int = MIDI_SPEED

    def __str__(self) -> str:
        """As it stands in a sentence."""
        speed = "" if self.baud == MIDI_SPEED else f" at {self.baud} baud"
        return f"the serial line {self.device}{speed}"


@frozen
class RawFile:
    """MIDI bytes in a file, in a named pipe, or through the file of a device."""

    path: str

    def __str__(self) -> str:
        """As it stands in a sentence."""
        return f"the file {self.path}"


@frozen
class Nowhere:
    """Nothing comes from there, and whatever is sent there is lost."""

    def __str__(self) -> str:
        """As it stands in a sentence."""
        return "nowhere"


Where = SystemPort | Connect | Listen | SerialLine | RawFile | Nowhere


def parse(text: str) -> Where:
    """Where a word of the command line leads. Without a prefix it names a system's MIDI port.

    Raises a ValueError that says what is wrong with it, and how it is written; also where only
    the prefix is wrong, since a MIDI port of such a name is not likely.
    """
    kind, colon, rest = text.partition(":")
    if text == "nowhere":
        return Nowhere()
    if not colon or kind not in _EXAMPLES:
        if not text.strip():
            raise ValueError("a port must lead somewhere: the name of a MIDI port, or nowhere")
        if colon and not _ALSA.fullmatch(text) and _is_mistyped(kind, rest):
            near = nearest(kind.lower(), _EXAMPLES)
            raise ValueError(f"{quoted(text)}: nothing is written {quoted(kind + ':')}{near}")
        return SystemPort(text)
    match kind:
        case "connect":
            return Connect(*_address(text, rest))
        case "listen":
            return Listen(*_address(text, rest))
        case "serial":
            return _serial(text, rest)
        case "device" if rest:
            return RawFile(rest)
        case "device":
            _wrong(text, "it names no device")
        case _:
            _wrong(text, "nothing can follow that word")


def of_port(port: Port) -> Where:
    """Where a console file without errors says that a port leads."""
    match port:
        case Port(midi=str(name)):
            return SystemPort(name)
        case Port(connect=str(there)):
            return Connect(*parse_address(there))
        case Port(listen=str(here)):
            return Listen(*parse_address(here))
        case Port(serial=str(device)):
            return SerialLine(device, port.speed)
        case Port(device=str(path)):
            return RawFile(path)
    raise ValueError(f"the port {quoted(port.id)} is joined to nothing")


def wheres_of(
    console: Console, joined: Iterable[str], *, unplugged: bool = False
) -> dict[str, Where]:
    """Where each port of a console leads; nowhere if ``unplugged`` and not ``joined``.

    ``joined`` has words of the command line, ``NAME=WHERE``, which come before what the file says.
    Raises a ValueError that says what is wrong with one of them.
    """
    uses = ports_of(console)
    found: dict[str, Where] = {name: Nowhere() for name in uses}
    if not unplugged:
        found = {name: SystemPort(name) for name in uses}
        found |= {port.id: of_port(port) for port in console.ports if port.id in uses}
    for text in joined:
        name, equals, where = text.partition("=")
        if not equals:
            raise ValueError(f"--port {quoted(text)}: expected NAME=WHERE")
        if name not in uses:
            raise ValueError(f"--port: the console has no port {quoted(name)}{nearest(name, uses)}")
        try:
            found[name] = parse(where)
        except ValueError as error:
            raise ValueError(f"--port {quoted(name)}: {error}") from None
    return found


def address(host: str, port: int) -> str:
    """A host and a port in one word; an IPv6 address stands in brackets (RFC 3986)."""
    return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"


def _is_mistyped(kind: str, rest: str) -> bool:
    """Whether what stands before a colon is meant as one of our words, or what follows as a place.

    A MIDI port's name has no device or address in it.
    """
    if difflib.get_close_matches(kind.lower(), _EXAMPLES, n=1, cutoff=_ALIKE):
        return True
    try:
        parse_address(rest)
    except ValueError:
        return rest.startswith("/")
    return True


def _address(text: str, rest: str) -> tuple[str, int]:
    try:
        return parse_address(rest)
    except ValueError:
        _wrong(text, f"{quoted(rest)} is no host and port number")


def _serial(text: str, rest: str) -> SerialLine:
    device, at, baud = rest.rpartition("@")
    if not at or "/" in baud:  # a device's own name may have an @ in it
        device, baud = rest, str(MIDI_SPEED)
    if not device:
        _wrong(text, "it names no device")
    if not (baud.isascii() and baud.isdigit() and int(baud) > 0):
        _wrong(text, f"{quoted(baud)} is no speed in bits a second")
    return SerialLine(device, int(baud))


def _wrong(text: str, why: str) -> NoReturn:
    raise ValueError(f"{quoted(text)}: {why}; it is written {_EXAMPLES[text.partition(':')[0]]}")
