"""Which ports a console uses, which way each of them goes, and how an address is written.

A port is a name that the console file gives, wherever something comes in or goes out. Nothing
here opens one, or knows what there is to open.
"""

import re
from collections.abc import Iterator
from ipaddress import IPv6Address

from attrs import frozen

from combination.model import (
    Console,
    ControllerPort,
    LinesOut,
    PinMessages,
    RankOut,
    StateOut,
)

_ADDRESS = re.compile(r"(?:\[(?P<six>[^\[\]]+)\]|(?P<host>[^:]+)):(?P<port>[0-9]{1,5})")
_HOST = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_-]{0,62}(?:\.[A-Za-z0-9_][A-Za-z0-9_-]{0,62})*")
"""RFC 1123: a host's name, of labels of up to 63 signs, or its IPv4 address; and underscores."""
_LAST_PORT = 65535
"""TCP: sixteen bits, of which 0 is no port."""


@frozen
class PortUse:
    """Whether a console listens to a port, and whether it sends to it: one or both."""

    listens: bool = False
    sends: bool = False


def ports_of(console: Console) -> dict[str, PortUse]:
    """Every port that a console uses, by name: first those listened to, then the others.

    They are in the order of the file, kind by kind: boards, crescendo and shoes, which are
    listened to; ranks, divisions, controls, boards, chambers and read-outs, which are sent to.
    """
    heard = {wire.port for wire in _listened_to(console)}
    sent = {wire.port for wire in _sent_to(console)}
    wires = (*_listened_to(console), *_sent_to(console))
    return {wire.port: PortUse(wire.port in heard, wire.port in sent) for wire in wires}


def _listened_to(console: Console) -> Iterator[PinMessages | ControllerPort]:
    pedals = (console.crescendo.input, *(shoe.input for shoe in console.shoes))
    for wire in (*(board.input for board in console.boards), *pedals):
        if wire is not None:
            yield wire


def _sent_to(
    console: Console,
) -> Iterator[RankOut | LinesOut | StateOut | PinMessages | ControllerPort]:
    for rank in console.ranks:
        yield from rank.out
    for wire in (
        *(division.out for division in console.divisions),
        *(control.out for control in console.controls),
        *(board.out for board in console.boards),
        *(chamber.out for chamber in console.chambers),
        *(readout.out for readout in console.readouts),
    ):
        if wire is not None:
            yield wire


def parse_address(text: str) -> tuple[str, int]:
    """A host and the number of its port (1-65535), from ``chest.local:5004`` or ``[::1]:5004``.

    Raises:
        ValueError: if it is not written so.
    """
    match = _ADDRESS.fullmatch(text)
    if match is not None and 1 <= int(match["port"]) <= _LAST_PORT:
        six, host = match["six"], match["host"]
        if _is_ipv6(six) if six else _HOST.fullmatch(host):
            return six or host, int(match["port"])
    raise ValueError(f"not a host and port number: {text!r}")


def _is_ipv6(text: str) -> bool:
    try:
        IPv6Address(text)
    except ValueError:
        return False
    return True
