"""A bank over a MIDI cable: sender and receiver of a MIDI File Dump as machines without I/O.

They are given whole system exclusive messages and the time, and say what to send and what has
come of it. No port, no clock and no file is known here, nor what a bank file holds: how messages
are laid out is the business of `banks.dumpmessages`.

How it works. A sender offers a file (header), sends it (packets), and says that it has ended
(EOF). After each message it stands still until the receiver has answered it: this is the
*closed* loop. Where nobody answers the header, there may be no cable back, and the loop is
*open*: messages follow one another at the speed of a five-pin cable, with pauses. The first
answer that is heard after all closes it. These are the only two modes, and a sender is told by
its `Handshaking` effect which it is in.

Two rules keep both sides together, whatever is lost, doubled, late or damaged on the way:

1. *The receiver only ever adds the packet that it expects.* Anything else it answers: an
   earlier packet with ACK, since its answer was lost; a later or a damaged one with NAK of the
   packet expected.
2. *The sender goes where the receiver asks it to.* ACK of the message it stands at moves it to
   the next; NAK moves it to the packet named, wherever it has been already. NAK of a packet
   says that those before it have arrived. Any other answer is late, and ignored.

So an answer taken for another's does no harm for long. The header's ACK has the number of
packet 0's: when the first is doubled, the sender is a packet ahead, and rule 1 brings it back if
need be. Numbers are modulo 128; a number stands for the nearest packet that it can be.

Everything ends. The sender sends nothing more than `TRIES` times without new ground, and waits
no longer than `LONGEST_WAIT` where it is asked to; the receiver gives up after `SILENCE` without
a new packet. It ends with the bytes that the sender had, which is for a ``check`` to say (the
checksum of a packet does not notice two flipped bits one above the other, and a header has
none), or with a sentence. The check is made before the last packet is acknowledged, so that a
sender with a cable back learns of it too; it may take its time, and WAIT is said meanwhile.

The sender, by what it stands at:

| stands at      | ACK of it    | NAK             | WAIT | nothing in time       |
| -------------- | ------------ | --------------- | ---- | --------------------- |
| header         | packet 0     | again           | hold | again, then open loop |
| packet, closed | next         | go there        | hold | again, then give up   |
| packet, open   | next, closed | go there, closed| hold | next                  |
| end, closed    | finished     | go there        | hold | again, then finished  |
| end, open      | finished     | go there, closed| hold | finished              |

The receiver's table is `Receiver._HEARD`. CANCEL ends either at any time.
"""

from collections.abc import Callable, Mapping
from enum import Enum, auto
from typing import Any, ClassVar

from attrs import frozen

from banks.dumpmessages import (
    AFTER_LAST,
    ANY,
    FIRST,
    HEADER,
    IN_PACKET,
    OURS,
    PACKET_PAUSE,
    Damaged,
    Handshake,
    Header,
    Kind,
    Packet,
    Transmission,
    read,
    unfit,
)
from combination.cable import BYTE

ANSWER = 0.5
"""Seconds for an answer, from when a cable has carried the message. Our own choice: the standard
allows 0.2 after a header and 0.05 after a packet (from memory), which a computer between two
other programs can miss; a lost answer costs this much."""
OFFERS = 3
"""How often a header is sent before the loop is taken for open, and the end before it is taken
for heard: our own choice. An end needs no answer (from memory); ours is answered all the same, so
that neither side waits for the other."""
TRIES = 10
"""How often the same message is sent, or the sender brought back, without new ground; and how
often the receiver asks for the same packet. Our own choice: where one message in three is lost
both ways, one packet in 300 would still fail; a cable like that wants looking at."""
NEAR = 64
"""The most packets by which an answer or a packet may be late: half of the numbers there are."""
HOLD = 10.0
"""Seconds of silence after a WAIT before the message is sent again, in case the answer that was
to end it is lost: our own choice."""
LONGEST_WAIT = 120.0
"""Seconds from the first WAIT to a message until the sender gives up: our own choice, so
that nobody waits for ever."""
PATIENCE = 600.0
"""Seconds until a transmission must have begun: our own choice, the way to another room."""
SILENCE = 30.0
"""Seconds without a new packet until the receiver gives up: our own choice, longer than any
sender here goes on with the same packet."""
AFTER_END = 2.0
"""Seconds that the receiver waits for missing packets after the sender has said that the file
has ended: our own choice, a few answers' time."""
LINGER = HOLD + TRIES * (ANSWER + 0.1)
"""Seconds that the receiver waits for the end of the file when it has all: as long as a sender
that has been told to wait, and has missed the last answer, goes on asking for it."""


# ---------------------------------------------------------------- what comes of it


@frozen
class Send:
    """Put this message on the cable now."""

    message: bytes


@frozen
class Announced:
    """A sender begins to send a file of so many bytes, or begins it anew."""

    name: str
    length: int


@frozen
class Handshaking:
    """Whether somebody answers the sender; told when it is known, and when it changes."""

    answered: bool


@frozen
class Progress:
    """So many bytes of the file have been sent, or received, of so many."""

    done: int
    of: int


@frozen
class Finished:
    """All has been sent. If ``answered``, the receiver has acknowledged all of it."""

    answered: bool


@frozen
class Received:
    """All has been received, and the check has passed it."""

    name: str
    data: bytes


@frozen
class Failed:
    """It has come to nothing; ``reason`` is a sentence for a person."""

    reason: str


Effect = Send | Announced | Handshaking | Progress | Finished | Received | Failed


# ---------------------------------------------------------------- the sender


class Sender:
    """Sends one file: `start` it, then `receive` what comes and `tick` when it is due."""

    def __init__(self, data: bytes, name: str, *, device: int = ANY, source: int = OURS) -> None:
        """Take the file's bytes and its name, the receiver's device id and our own.

        Raises:
            ValueError: see `Transmission`.
        """
        self._dump = Transmission(data, name, device, source)
        self._answerers = range(AFTER_LAST) if device == ANY else (device, source, ANY)
        self._present = self._farthest = HEADER
        self._sent = self._returns = 0
        self._held: float | None = None
        self._answered = False
        self.next_due: float | None = None
        """When `tick` is wanted, in seconds; None before the start and after the end."""

    def start(self, at: float) -> list[Effect]:
        """Offer the file."""
        return self._go(HEADER, at)

    def receive(self, message: bytes, at: float) -> list[Effect]:
        """Hear one system exclusive message. What is no answer to us is ignored.

        An answer that is there comes before anything that has fallen due for want of one.
        """
        heard = read(message)
        if (
            self.next_due is None
            or not isinstance(heard, Handshake)
            or heard.device not in self._answerers
        ):
            return []
        if heard.kind is Kind.CANCEL:
            return self._end(f"the receiver has cancelled; {self._account}")
        if heard.kind is Kind.WAIT:
            return self._closed() + self._hold(at)
        wanted = self._wanted(heard)
        if wanted is not None:
            return self._closed() + self._go(wanted, at)
        if self._streaming and self._is_late(heard):
            self.next_due = at + ANSWER
            return self._closed()
        return []

    def tick(self, at: float) -> list[Effect]:
        """Do what is due, if anything is."""
        if self.next_due is None or at < self.next_due:
            return []
        if self._held is not None and at >= self._held + LONGEST_WAIT:
            return self._give_up(
                f"the receiver has let us wait for {LONGEST_WAIT:.0f} seconds; {self._account}"
            )
        if self._present == self._dump.packets and not (self._answered and self._sent < OFFERS):
            return self._finish()
        if self._answered or (self._present == HEADER and self._sent < OFFERS):
            return self._go(self._present, at)
        told: list[Effect] = [Handshaking(False)] if self._present == HEADER else []
        return told + self._go(self._present + 1, at)

    def cancel(self) -> list[Effect]:
        """Give up because a person says so."""
        if self.next_due is None:
            return []
        return self._give_up(f"it was cancelled here; {self._account}")

    @property
    def _streaming(self) -> bool:
        return not self._answered and HEADER < self._present < self._dump.packets

    def _wanted(self, heard: Handshake) -> int | None:
        """The position that an answer asks for (rule 2); None if it is late.

        Whatever NAK follows a header is about that: some may give it no number.
        """
        number = self._dump.number
        if heard.kind is Kind.ACK:
            return self._present + 1 if heard.number == number(self._present) else None
        if heard.kind is not Kind.NAK:
            return None
        if self._present == HEADER:
            return HEADER
        ahead = (heard.number - number(self._present) + NEAR) % AFTER_LAST - NEAR
        asked = self._present + ahead
        return asked if 0 <= asked <= min(self._farthest + 1, self._dump.packets) else None

    def _is_late(self, heard: Handshake) -> bool:
        """Whether it acknowledges an earlier packet, or the header: someone is there."""
        back = (self._dump.number(self._present) - heard.number) % AFTER_LAST
        return heard.kind is Kind.ACK and 0 < back <= NEAR

    def _closed(self) -> list[Effect]:
        """Note that somebody answers."""
        news: list[Effect] = [] if self._answered else [Handshaking(True)]
        self._answered = True
        return news

    def _go(self, position: int, at: float) -> list[Effect]:
        """Stand at a position and send what is there, if that has not been tried too often."""
        if position > self._dump.packets:
            return self._finish()
        effects: list[Effect] = []
        if position > self._farthest:
            self._farthest = position
            self._returns = 0
            effects = self._progress(position)
        if position != self._present:
            self._returns += position < self._present
            self._sent = 0
            self._held = None
        if self._sent == TRIES or self._returns > TRIES:
            return self._give_up(
                f"{self._there} was sent {TRIES} times and did not get through: look at the cables"
            )
        self._present = position
        self._sent += 1
        message = self._dump.message(position)
        self.next_due = at + len(message) * BYTE + self._pause
        return [*effects, Send(message)]

    @property
    def _pause(self) -> float:
        """Seconds after the present message until something else must be done."""
        return PACKET_PAUSE if self._streaming else ANSWER

    def _progress(self, position: int) -> list[Effect]:
        of = len(self._dump.data)
        return [Progress(min(position * IN_PACKET, of), of)] if position > 0 else []

    def _hold(self, at: float) -> list[Effect]:
        """Wait as asked to, but not for ever."""
        self._held = at if self._held is None else self._held
        self.next_due = min(at + HOLD, self._held + LONGEST_WAIT)
        return []

    def _finish(self) -> list[Effect]:
        self.next_due = None
        return [Finished(self._answered)]

    def _give_up(self, reason: str) -> list[Effect]:
        """Tell the receiver, and say why."""
        number = self._dump.number(self._present)
        cancel = Handshake(self._dump.device, Kind.CANCEL, number)
        return [Send(cancel.encode()), *self._end(reason)]

    def _end(self, reason: str) -> list[Effect]:
        self.next_due = None
        return [Failed(reason)]

    @property
    def _there(self) -> str:
        """What stands at the present position, in words."""
        if self._present == HEADER:
            return "the header"
        if self._present == self._dump.packets:
            return "the end"
        return f"packet {self._present + 1:,} of {self._dump.packets:,}"

    @property
    def _account(self) -> str:
        """How far it had come, as the end of a sentence."""
        done = max(self._farthest, 0)
        return f"{done:,} of {self._dump.packets:,} packets had been sent"


# ---------------------------------------------------------------- the receiver


class _State(Enum):
    """Where a receiver stands."""

    LISTENING = auto()
    """Nothing has been offered yet."""
    RECEIVING = auto()
    CHECKING = auto()
    """All bytes are there, and the check is about to be made."""
    LINGERING = auto()
    """The whole is sound; the sender may not know it yet."""
    OVER = auto()


class Receiver:
    """Receives one file: `start` it, then `receive` what comes and `tick` when it is due."""

    def __init__(self, check: Callable[[bytes], str | None], *, device: int = ANY) -> None:
        """Take a check of the whole, which returns a fault or None, and our device id.

        With the id `ANY`, the first transmission that begins is taken, whoever it is for.
        """
        self._check = check
        self._device = device
        self._state = _State.LISTENING
        self._header = Header(device, ANY, 0, "")
        self._data = bytearray()
        self._received = 0
        self._refusals = 0
        self._has_ended = False
        self._now = 0.0
        self.next_due: float | None = None
        """When `tick` is wanted, in seconds; None before the start and after the end."""

    def start(self, at: float) -> list[Effect]:
        """Listen for a header."""
        self.next_due = at + PATIENCE
        return []

    def receive(self, message: bytes, at: float) -> list[Effect]:
        """Hear one system exclusive message. What is not for us is ignored."""
        effects = self.tick(at)
        heard = read(message)
        handler = self._HEARD[self._state].get(type(heard))
        if handler is None or not self._is_ours(heard):
            return effects
        self._now = at
        return effects + handler(self, heard)

    def tick(self, at: float) -> list[Effect]:
        """Do what is due, if anything is."""
        if self.next_due is None or at < self.next_due:
            return []
        match self._state:
            case _State.CHECKING:
                return self._look(at)
            case _State.LINGERING:
                return self._finish()
            case _State.LISTENING:
                return self._end(f"nothing was sent within {PATIENCE / 60:.0f} minutes")
        if self._has_ended:
            return self._give_up("the sender has ended, but not all of it has arrived")
        return self._give_up(f"nothing new has arrived for {SILENCE:.0f} seconds")

    def cancel(self) -> list[Effect]:
        """Give up because a person says so; what is whole and sound is received all the same."""
        if self._state is _State.OVER:
            return []
        if self._state is _State.LINGERING:
            return self._finish()
        if self._state is _State.LISTENING:
            return self._end("it was cancelled here before anything was sent")
        return self._give_up("it was cancelled here")

    def _is_ours(self, heard: Any) -> bool:
        """Whether a message is for us: after the header, for whom that was for."""
        if self._state is _State.LISTENING or (isinstance(heard, Header) and not self._data):
            return ANY in (self._device, heard.device) or heard.device == self._device
        taken = self._header
        if isinstance(heard, Header):
            return (heard.device, heard.source) == (taken.device, taken.source)
        senders = (taken.source,) if isinstance(heard, Handshake) else ()
        return heard.device in (taken.device, self._device, ANY, *senders)

    # -- headers

    def _begin(self, header: Header) -> list[Effect]:
        """Take an offer, also in the middle: then the sender has begun again, and so do we."""
        fault = unfit(header)
        if fault:
            self._header = header
            return self._refuse(fault)
        is_new = self._state is _State.LISTENING or self._data or header != self._header
        effects: list[Effect] = []
        if is_new:
            self._state, self._header = _State.RECEIVING, header
            self._data.clear()
            self._received = self._refusals = 0
            self._has_ended = False
            self.next_due = self._now + SILENCE
            effects = [Announced(header.name, header.length)]
        return [*effects, self._answer(Kind.ACK, FIRST)]

    def _ask_to_begin(self, damaged: Damaged) -> list[Effect]:
        """Ask for a damaged header again; a packet before any has no beginning."""
        if damaged.header:
            return [Send(Handshake(damaged.device, Kind.NAK, FIRST).encode())]
        return []

    def _has_begun(self, packet: Packet) -> list[Effect]:
        """Refuse a transmission of which we have missed the beginning."""
        self._header = Header(packet.device, ANY, 0, "")
        return self._refuse("the beginning was missed: start receiving before sending")

    # -- packets

    def _take(self, packet: Packet) -> list[Effect]:
        """Rule 1."""
        ahead = (packet.number - self._received) % AFTER_LAST
        if ahead == 0:
            return self._add(packet.data)
        if AFTER_LAST - ahead <= min(self._received, NEAR):
            return [self._answer(Kind.ACK, packet.number)]
        return self._ask()

    def _add(self, data: bytes) -> list[Effect]:
        length = self._header.length
        if len(self._data) + len(data) > length:
            return self._refuse(f"more arrived than the {length:,} bytes that were announced")
        self._data += data
        number = self._number
        self._received += 1
        self._refusals = 0
        progress = Progress(len(self._data), length)
        if len(self._data) < length:
            self.next_due = self._now + SILENCE
            return [progress, self._answer(Kind.ACK, number)]
        self._state, self.next_due = _State.CHECKING, self._now
        return [progress, self._answer(Kind.WAIT, number)]

    def _look(self, at: float) -> list[Effect]:
        """Check the whole before its last packet is acknowledged."""
        fault = self._check(bytes(self._data))
        if fault:
            return self._refuse(f"what arrived cannot be used: {fault}")
        self._state, self.next_due = _State.LINGERING, at + LINGER
        return [self._answer(Kind.ACK, (self._received - 1) % AFTER_LAST)]

    def _damaged(self, damaged: Damaged) -> list[Effect]:
        """Ask again for what is damaged; for a header only while it can be no other."""
        return [] if damaged.header and self._data else self._ask()

    def _ask(self) -> list[Effect]:
        """Ask for the packet expected, unless that has been in vain too often."""
        self._refusals += 1
        if self._refusals > TRIES:
            return self._give_up(
                f"packet {self._received + 1:,} was lost or damaged and is not sent again: look at "
                "the cables, of which there must be one each way for that"
            )
        return [self._answer(Kind.NAK, self._number)]

    def _acknowledge(self, packet: Packet) -> list[Effect]:
        """Answer a packet again when all are there."""
        ago = (self._received - packet.number) % AFTER_LAST
        known = 0 < ago <= min(self._received, NEAR)
        return [self._answer(Kind.ACK, packet.number)] if known else []

    # -- the sender's word

    def _flag(self, flag: Handshake) -> list[Effect]:
        """Hear that the sender has ended or gives up, with the file not all there."""
        if flag.kind is Kind.CANCEL:
            return self._end(f"the sender has cancelled; {self._account}")
        if flag.kind is not Kind.EOF:
            return []
        self._has_ended = True
        self.next_due = self._now + AFTER_END
        return self._ask()

    def _flag_when_whole(self, flag: Handshake) -> list[Effect]:
        """Hear the same with all there: a sender that gives up has only missed our answers."""
        if flag.kind is Kind.CANCEL:
            return self._finish()
        if flag.kind is not Kind.EOF:
            return []
        return [self._answer(Kind.ACK, self._number), *self._finish()]

    # -- what comes of it

    @property
    def _number(self) -> int:
        """The number of the packet expected; of the end of the file, when all are there."""
        return self._received % AFTER_LAST

    def _answer(self, kind: Kind, number: int) -> Send:
        """An answer under the id by which the sender has called us, which it knows for sure."""
        return Send(Handshake(self._header.device, kind, number).encode())

    def _finish(self) -> list[Effect]:
        self._state, self.next_due = _State.OVER, None
        return [Received(self._header.name, bytes(self._data))]

    def _give_up(self, reason: str) -> list[Effect]:
        return self._refuse(f"{reason}; {self._account}")

    def _refuse(self, reason: str) -> list[Effect]:
        """Tell the sender, and say why."""
        return [self._answer(Kind.CANCEL, self._number), *self._end(reason)]

    def _end(self, reason: str) -> list[Effect]:
        self._state, self.next_due = _State.OVER, None
        self._data.clear()
        return [Failed(reason)]

    @property
    def _account(self) -> str:
        """How far it had come, as the end of a sentence."""
        return f"{len(self._data):,} of {self._header.length:,} bytes had arrived"

    _HEARD: ClassVar[Mapping[_State, Mapping[type, Callable[..., list[Effect]]]]] = {
        _State.LISTENING: {Header: _begin, Packet: _has_begun, Damaged: _ask_to_begin},
        _State.RECEIVING: {Header: _begin, Packet: _take, Damaged: _damaged, Handshake: _flag},
        _State.CHECKING: {},
        _State.LINGERING: {Packet: _acknowledge, Handshake: _flag_when_whole},
        _State.OVER: {},
    }
    """What is done with what is heard; anything else is ignored. What is heard while checking
    finds the check made, since it is due at once."""
