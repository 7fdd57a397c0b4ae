"""A second sender and a second receiver of MIDI File Dumps, written from the standard alone.

From sources.md S11 are the layout of header, packet, ACK, NAK, CANCEL and WAIT, the 7 bytes that
travel as 8, and the checksum. From memory are the rest: the end of the file (7B); that a sender
waits 200 ms for an answer to its header and 50 ms for one to a packet, and if there is none goes
on as if there were no cable back; that a receiver acknowledges a packet again which it has just
had; that WAIT holds the sender until another answer. They share nothing with `banks`, and must
not. They do what the standard says and no more: where it leaves them stuck, they are stuck.
"""

from attrs import define, field

CABLE = 0.00032
"""Seconds a byte (S10)."""


def in_eights(data: bytes) -> list[int]:
    """7 bytes become 8: first the high bits, that of the first byte in bit 6."""
    out: list[int] = []
    while data:
        seven, data = data[:7], data[7:]
        bits = "".join("1" if byte > 127 else "0" for byte in seven)
        out.append(int("0" + bits.ljust(7, "0"), 2))
        out.extend(byte % 128 for byte in seven)
    return out


def out_of_eights(sent: list[int]) -> bytes:
    """And back."""
    out: list[int] = []
    while sent:
        eight, sent = sent[:8], sent[8:]
        bits = f"{eight[0]:07b}"
        out.extend(byte + 128 * int(bit) for bit, byte in zip(bits, eight[1:], strict=False))
    return bytes(out)


def sum_of(message: list[int]) -> int:
    """The XOR of every byte after F0 up to the last data byte."""
    total = 0
    for byte in message[1:]:
        total ^= byte
    return total


def header(device: int, source: int, length: int, name: str) -> bytes:
    """F0 7E dev 07 01 from type[4] length[4] name F7."""
    sevens = [length % 128, length // 128 % 128, length // 128**2 % 128, length // 128**3]
    start = [0xF0, 0x7E, device, 0x07, 0x01, source]
    return bytes(start) + b"BIN " + bytes(sevens) + name.encode("ascii") + b"\xf7"


def packet(device: int, number: int, data: bytes) -> bytes:
    """F0 7E dev 07 02 pp count-1 data csum F7."""
    sent = in_eights(data)
    message = [0xF0, 0x7E, device, 0x07, 0x02, number, len(sent) - 1, *sent]
    return bytes([*message, sum_of(message), 0xF7])


def flag(device: int, what: int, number: int) -> bytes:
    """F0 7E dev what pp F7."""
    return bytes([0xF0, 0x7E, device, what, number, 0xF7])


@define
class PlainSender:
    """Sends as the standard says; ``size`` bytes of the file in each packet."""

    data: bytes
    name: str
    device: int = 0x7F
    source: int = 0x00
    size: int = 112
    turn: int = -1
    """-1: the header; then the packets; then the end."""
    held: bool = False
    ended: str = ""
    """How it ended: "sent", "cancelled", or not yet."""
    next_due: float | None = None

    @property
    def count(self) -> int:
        return (len(self.data) + self.size - 1) // self.size

    def start(self, at: float) -> list[bytes]:
        return self.send(-1, at)

    def send(self, turn: int, at: float) -> list[bytes]:
        self.turn = turn
        self.held = False
        if turn == self.count:
            self.ended, self.next_due = "sent", None
            return [flag(self.device, 0x7B, turn % 128)]
        if turn == -1:
            message, pause = header(self.device, self.source, len(self.data), self.name), 0.2
        else:
            part = self.data[turn * self.size : (turn + 1) * self.size]
            message, pause = packet(self.device, turn % 128, part), 0.05
        self.next_due = at + len(message) * CABLE + pause
        return [message]

    def receive(self, message: bytes, at: float) -> list[bytes]:
        if self.ended or len(message) != 6 or message[:2] != b"\xf0\x7e" or message[5] != 0xF7:
            return []
        if self.device != 0x7F and message[2] not in (self.device, self.source, 0x7F):
            return []
        what, number = message[3], message[4]
        if what == 0x7D:
            self.ended, self.next_due = "cancelled", None
        elif what == 0x7C:
            self.held, self.next_due = True, None
        elif what == 0x7F and number == max(self.turn, 0) % 128:
            return self.send(self.turn + 1, at)
        elif what == 0x7E and self.turn == -1:
            return self.send(-1, at)
        elif what == 0x7E:
            back = (self.turn - number) % 128
            return self.send(self.turn - back, at) if back <= self.turn else []
        return []

    def tick(self, at: float) -> list[bytes]:
        if self.next_due is None or at < self.next_due:
            return []
        return self.send(self.turn + 1, at)


@define
class PlainReceiver:
    """Receives as the standard says.

    It answers under the id ``answers_as``, or not at all. Before it acknowledges each of the
    packets in ``waits_at``, it says WAIT and takes ``wait`` seconds.
    """

    device: int = 0x7F
    answers_as: int | None = 0x7F
    waits_at: frozenset[int] = frozenset()
    wait: float = 3.0
    length: int | None = None
    name: str = ""
    file: bytes = b""
    had: int = 0
    """Packets received."""
    ended: str = ""
    """How it ended: "whole", "too little", "too much", "cancelled", or not yet."""
    later: list[bytes] = field(factory=list)
    next_due: float | None = None

    def start(self, at: float) -> list[bytes]:  # noqa: ARG002 (as the sender's)
        return []

    def tick(self, at: float) -> list[bytes]:
        if self.next_due is None or at < self.next_due:
            return []
        said, self.later, self.next_due = self.later, [], None
        return said

    def answer(self, what: int, number: int) -> list[bytes]:
        return [] if self.answers_as is None else [flag(self.answers_as, what, number % 128)]

    def receive(self, message: bytes, at: float) -> list[bytes]:
        byte = [b for b in message if b < 0xF8]
        if self.ended or byte[:2] != [0xF0, 0x7E] or len(byte) < 6:
            return []
        if self.device != 0x7F and byte[2] not in (self.device, 0x7F):
            return []
        if byte[3:5] == [0x07, 0x01]:
            return self.hear_header(byte)
        if byte[3:5] == [0x07, 0x02] and self.length is not None:
            return self.hear_packet(byte, at)
        if byte[3] == 0x7D and len(byte) == 6 and self.length is not None:
            self.ended = "cancelled"
        if byte[3] == 0x7B and len(byte) == 6 and self.length is not None:
            self.ended = "whole" if len(self.file) == self.length else "too little"
        return []

    def hear_header(self, byte: list[int]) -> list[bytes]:
        if byte[-1] != 0xF7 or max(byte[1:-1]) > 127 or len(byte) < 15:
            return self.answer(0x7E, 0)
        if bytes(byte[6:10]) != b"BIN ":
            return self.answer(0x7D, 0)
        self.length = sum(seven * 128**place for place, seven in enumerate(byte[10:14]))
        self.name = bytes(byte[14:-1]).decode("ascii")
        self.file, self.had = b"", 0
        return self.answer(0x7F, 0)

    def hear_packet(self, byte: list[int], at: float) -> list[bytes]:
        good = byte[-1] == 0xF7 and max(byte[1:-1]) <= 127 and len(byte) >= 9
        good = good and byte[6] + 1 == len(byte[7:-2]) and sum_of(byte[:-2]) == byte[-2]
        if good and self.had and byte[5] == (self.had - 1) % 128:
            return self.answer(0x7F, self.had - 1)
        if not good or byte[5] != self.had % 128:
            return self.answer(0x7E, self.had)
        assert self.length is not None
        self.file += out_of_eights(byte[7:-2])
        self.had += 1
        if len(self.file) > self.length:
            self.ended = "too much"
            return self.answer(0x7D, self.had - 1)
        if self.had - 1 in self.waits_at and self.answers_as is not None:
            self.later, self.next_due = self.answer(0x7F, self.had - 1), at + self.wait
            return self.answer(0x7C, self.had - 1)
        return self.answer(0x7F, self.had - 1)
