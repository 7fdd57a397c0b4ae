"""MIDI File Dump: a bank file's bytes as messages and back, as a whole as in a `.syx` file.

The layout is sources.md S11; what is not there is marked "from memory". Who sends what when is
the business of `banks.filedump`, and what the bytes mean that of `banks.bankfile`. No port and
no file is known here.
"""

import unicodedata
from collections.abc import Iterator
from enum import IntEnum
from functools import reduce
from operator import xor

from attrs import field, frozen, validators

from banks.limits import BYTES_IN_FILE
from combination.cable import BYTE

HEADER_PAUSE = 0.2
"""Seconds after a header, before a packet that nobody has asked for: the standard lets a sender
wait at least so long for an answer before it takes the loop for open (from memory)."""
PACKET_PAUSE = 0.05
"""Seconds after such a packet: the same for packets (from memory). Whoever is built to the
standard has looked at a packet and put it away by then, because its answer would be due."""

ANY = 0x7F
"""The device id that means every device (MIDI 1.0, from memory)."""
OURS = 0x00
"""The device id that this program has as a sender: our own choice, a computer has none."""
FIRST, AFTER_LAST = 0, 128
"""Packet numbers run from 0 to 127 and then begin again (from memory)."""
IN_PACKET = 112
"""The most bytes of a file in a packet, which travel as 128 (S11)."""
TYPE = "BIN "
"""A header's type for a binary file (S11)."""

_START, _END = 0xF0, 0xF7
_NON_REAL_TIME, _FILE_DUMP, _HEADER, _PACKET = 0x7E, 0x07, 0x01, 0x02
_REAL_TIME = bytes(range(0xF8, 0x100))
_GROUP = 7
_AROUND_NAME = 15
"""A header's bytes without its name: F0 7E dev 07 01 from type[4] length[4] F7."""
_AROUND_DATA = 9
"""A packet's bytes without its data: F0 7E dev 07 02 pp count-1, csum F7."""
_HANDSHAKE = 6
"""F0 7E dev kind pp F7."""
_LONGEST = _AROUND_DATA + IN_PACKET + IN_PACKET // _GROUP
NAME_CHARACTERS = _LONGEST - _AROUND_NAME
"""The most characters of a name: no header is longer than the longest packet, for which every
receiver has room (our own choice; the standard has no limit, from memory)."""

_SPELLED = str.maketrans(
    {"ß": "ss", "æ": "ae", "Æ": "AE", "œ": "oe", "Œ": "OE", "ø": "o", "Ø": "O", "ł": "l", "Ł": "L"}
    | {"’": "'", "‘": "'", "′": "'", "–": "-", "—": "-"}
)
"""What has no plain letter inside it that Unicode knows of."""


class FileDumpError(Exception):
    """A recorded file dump that cannot be read; the message says why, for a person."""


# ---------------------------------------------------------------- one message


class Kind(IntEnum):
    """What a handshaking message says, by its sub-ID (S11; the end of the file from memory)."""

    EOF = 0x7B
    WAIT = 0x7C
    CANCEL = 0x7D
    NAK = 0x7E
    ACK = 0x7F


_KINDS = frozenset(Kind)
_SEVEN_BITS = (validators.ge(0), validators.lt(0x80))


@frozen
class Header:
    """A file is offered: to the device with that id, by the one with the id ``source``.

    ``length`` is that of the file, in bytes; ``type`` has four characters.
    """

    device: int = field(validator=_SEVEN_BITS)
    source: int = field(validator=_SEVEN_BITS)
    length: int
    name: str
    type: str = TYPE

    def encode(self) -> bytes:
        """The message, with its name in plain letters (`ascii_name`)."""
        length = bytes(self.length >> shift & 0x7F for shift in (0, 7, 14, 21))
        start = _START, _NON_REAL_TIME, self.device, _FILE_DUMP, _HEADER, self.source
        name = ascii_name(self.name).encode("ascii")
        return bytes((*start, *self.type.encode("ascii"), *length, *name, _END))


@frozen
class Packet:
    """Up to 112 bytes of the file, numbered modulo 128."""

    device: int = field(validator=_SEVEN_BITS)
    number: int = field(validator=_SEVEN_BITS)
    data: bytes

    def encode(self) -> bytes:
        """The message."""
        sevens = to_sevens(self.data)
        head = _NON_REAL_TIME, self.device, _FILE_DUMP, _PACKET, self.number, len(sevens) - 1
        body = bytes(head) + sevens
        return bytes((_START, *body, reduce(xor, body), _END))


@frozen
class Handshake:
    """An answer, or the sender's word that the file has ended or that it gives up."""

    device: int = field(validator=_SEVEN_BITS)
    kind: Kind
    number: int = field(validator=_SEVEN_BITS)

    def encode(self) -> bytes:
        """The message."""
        return bytes((_START, _NON_REAL_TIME, self.device, self.kind, self.number, _END))


@frozen
class Damaged:
    """What was a header or a packet, and cannot be read: ``fault`` ends a sentence about it."""

    device: int
    header: bool
    fault: str


Message = Header | Packet | Handshake | Damaged


def read(message: bytes) -> Message | None:
    """What a message says; None if it has nothing to do with file dumps.

    Any bytes can be given. Real-time bytes inside the message change nothing (S10). A damaged
    handshake is none: there is nothing in it to check it by.
    """
    message = message.translate(None, _REAL_TIME)
    if message[:2] != bytes((_START, _NON_REAL_TIME)) or len(message) < _HANDSHAKE:
        return None
    device, kind, second = message[2:5]
    if device >= 0x80:
        return None
    body = message[:-1]
    whole = message[-1] == _END and max(body[1:]) < 0x80
    if kind == _FILE_DUMP and second == _HEADER:
        return _header(body) if whole else Damaged(device, True, "has lost its form")
    if kind == _FILE_DUMP and second == _PACKET:
        return _packet(body) if whole else Damaged(device, False, "has lost its form")
    if kind in _KINDS and whole and len(message) == _HANDSHAKE:
        return Handshake(device, Kind(kind), second)
    return None


def _header(body: bytes) -> Header | Damaged:
    if len(body) < _AROUND_NAME - 1:
        return Damaged(body[2], True, "is cut short")
    length = sum(seven << 7 * place for place, seven in enumerate(body[10:14]))
    kind, name = (part.decode("ascii") for part in (body[6:10], body[14:]))
    return Header(body[2], body[5], length, ascii_name(name), ascii_name(kind))


def _packet(body: bytes) -> Packet | Damaged:
    device = body[2]
    sevens = body[7:-1]
    if len(body) < _AROUND_DATA or len(sevens) != body[6] + 1:
        return Damaged(device, False, "has not as many bytes as it says")
    if reduce(xor, body[1:]):
        return Damaged(device, False, "does not agree with its checksum")
    if len(sevens) % (_GROUP + 1) == 1:
        return Damaged(device, False, "ends with the high bits of nothing")
    return Packet(device, body[5], from_sevens(sevens))


def to_sevens(data: bytes) -> bytes:
    """Bytes as they travel: each 7 after one with their high bits, the first's in bit 6 (S11)."""
    sent = bytearray()
    for at in range(0, len(data), _GROUP):
        group = data[at : at + _GROUP]
        high = sum((byte >> 7) << (_GROUP - 1 - place) for place, byte in enumerate(group))
        sent.append(high)
        sent += bytes(byte & 0x7F for byte in group)
    return bytes(sent)


def from_sevens(sent: bytes) -> bytes:
    """The bytes again, from what `to_sevens` made."""
    data = bytearray()
    for at in range(0, len(sent), _GROUP + 1):
        high, *rest = sent[at : at + _GROUP + 1]
        data += bytes(byte | (high << place & 0x80) for place, byte in enumerate(rest, 1))
    return bytes(data)


def ascii_name(name: str) -> str:
    """A name in the letters that a header may have: no accents, and _ for what has no letter."""
    plain = unicodedata.normalize("NFKD", name.translate(_SPELLED))
    letters = (letter for letter in plain if not unicodedata.combining(letter))
    fit = "".join(letter if " " <= letter <= "~" else "_" for letter in letters)
    return fit[:NAME_CHARACTERS]


# ---------------------------------------------------------------- a whole transmission

HEADER = -1
"""The position of the header; packets have 0 and upwards, the end of the file comes after."""


@frozen
class Transmission:
    """A file on its way from one device to another: each of its messages, by position.

    Raises:
        ValueError: if there is nothing to send or more than a bank file can have, or an id is
            not one of 0-127.
    """

    data: bytes = field(
        validator=(validators.min_len(1), validators.max_len(BYTES_IN_FILE)), repr=False
    )
    name: str
    device: int = field(default=ANY, validator=_SEVEN_BITS)
    source: int = field(default=OURS, validator=_SEVEN_BITS)

    @property
    def packets(self) -> int:
        """How many packets there are; the position of the end of the file."""
        return packets(len(self.data))

    def number(self, position: int) -> int:
        """The number by which a message there is answered: a header's is that of packet 0.

        That of the end is the one after the last packet's: our own choice, the standard says
        that it does not matter (from memory). So no answer to a packet is taken for its own.
        """
        return max(position, FIRST) % AFTER_LAST

    def message(self, position: int) -> bytes:
        """The header, a packet, or the end of the file."""
        if position == HEADER:
            return Header(self.device, self.source, len(self.data), self.name).encode()
        number = self.number(position)
        if position == self.packets:
            return Handshake(self.device, Kind.EOF, number).encode()
        data = self.data[position * IN_PACKET : (position + 1) * IN_PACKET]
        return Packet(self.device, number, data).encode()

    def messages(self) -> Iterator[bytes]:
        """All of them, in their order."""
        return (self.message(position) for position in range(HEADER, self.packets + 1))


def packets(length: int) -> int:
    """How many packets so many bytes take."""
    return -(-length // IN_PACKET)


def messages_of(data: bytes, name: str, *, device: int = ANY, source: int = OURS) -> list[bytes]:
    """A whole transmission to whom it may concern, as one message after another.

    Raises:
        ValueError: see `Transmission`.
    """
    return list(Transmission(data, name, device, source).messages())


def timed_messages(data: bytes, name: str) -> list[tuple[float, bytes]]:
    """The same, each with the second at which it may begin on a five-pin cable.

    Nobody answers, so every packet is followed by a pause for the receiver to put it away.

    Raises:
        ValueError: see `Transmission`.
    """
    timed: list[tuple[float, bytes]] = []
    at, pause = 0.0, HEADER_PAUSE
    for message in messages_of(data, name):
        timed.append((at, message))
        at += len(message) * BYTE + pause
        pause = PACKET_PAUSE
    return timed


def seconds_on_cable(length: int, *, answered: bool) -> float:
    """How long so many bytes of a file take on a five-pin cable, if nothing is lost.

    ``answered`` with a handshake, by a receiver that takes no time: it answers the header, every
    packet and the end, and says once that it looks at the whole. Otherwise with pauses, as
    `timed_messages`. The name is not counted; it takes at most 40 ms.
    """
    whole, rest = divmod(length, IN_PACKET)
    last = _AROUND_DATA + rest + -(-rest // _GROUP) if rest else 0
    size = _AROUND_NAME + whole * _LONGEST + last + _HANDSHAKE
    if answered:
        return (size + (1 + packets(length) + 2) * _HANDSHAKE) * BYTE
    return size * BYTE + HEADER_PAUSE + packets(length) * PACKET_PAUSE


# ---------------------------------------------------------------- .syx files


def syx(data: bytes, name: str) -> bytes:
    """What a `.syx` file holds: a whole transmission, message after message.

    Raises:
        ValueError: see `Transmission`.
    """
    return b"".join(messages_of(data, name))


def read_syx(content: bytes) -> tuple[str, bytes]:
    """The name and the bytes of the one file that a `.syx` file holds.

    Other messages before, between and after are passed over. A message that is there twice in a
    row counts once, as a sender repeats one whose answer was lost; any other disorder is
    refused, since numbers that begin again every 128 packets do not say what belongs where. The
    end of the file need not be there when all the bytes are.

    Raises:
        FileDumpError: if not all of exactly one file is there, undamaged.
    """
    header: Header | None = None
    data = bytearray()
    received = 0
    before = b""
    for message in _split(content):
        found = read(message)
        if found is None or isinstance(found, Handshake) or message == before:
            continue
        before = message
        if isinstance(found, Damaged):
            what = "the header" if found.header else f"packet {received + 1:,}"
            raise FileDumpError(f"{what} {found.fault}: the file is damaged")
        if isinstance(found, Header):
            header = _only(found, header)
        elif header is None:
            raise FileDumpError("the beginning is missing: a packet comes before any header")
        elif len(data) + len(found.data) > header.length:
            raise FileDumpError(f"it has more packets than belong to its {header.length:,} bytes")
        elif found.number != received % AFTER_LAST:
            raise FileDumpError(f"packet {received + 1:,} is missing where it should be")
        else:
            data += found.data
            received += 1
    if header is None:
        raise FileDumpError("there is no bank in it: no file dump begins in it")
    if len(data) < header.length:
        raise FileDumpError(f"it is cut short: it has {len(data):,} of {header.length:,} bytes")
    return header.name, bytes(data)


def _only(header: Header, before: Header | None) -> Header:
    if before is not None:
        raise FileDumpError("more than one file dump begins in it")
    fault = unfit(header)
    if fault:
        raise FileDumpError(fault)
    return header


def unfit(header: Header) -> str | None:
    """Why what a header offers cannot be a bank file, as a sentence; None: it may be one."""
    if header.type != TYPE:
        return f"it is no bank but another kind of file: its type is {header.type!r}"
    if header.length == 0:
        return "the file is empty"
    if header.length > BYTES_IN_FILE:
        return (
            f"the file is too large for a bank: it has {header.length:,} bytes, and a bank file "
            f"has at most {BYTES_IN_FILE:,}"
        )
    return None


def _split(content: bytes) -> Iterator[bytes]:
    """The system exclusive messages among any bytes, each with what ended it.

    One that another status ends instead is given without: it may be a damaged one of ours. One
    that the end of the bytes cuts short is not given.
    """
    content = content.translate(None, _REAL_TIME)
    start = content.find(_START)
    while start >= 0:
        end = start + 1
        while end < len(content) and content[end] < 0x80:
            end += 1
        if end < len(content):
            yield content[start : end + (content[end] == _END)]
        start = content.find(_START, end)
