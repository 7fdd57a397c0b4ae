"""A raw MIDI byte stream to whole messages, as the MIDI 1.0 Detailed Specification has it.

Bytes come in as they arrive, in pieces of any size, and may be anything at all: what is no
message is dropped, and what comes after it is read as if it had not been. Where the bytes come
from, and what a message means, is not known here.
"""

LONGEST = 64 * 1024
"""Bytes of the longest system exclusive message that is kept, its first and last included."""

_EXCLUSIVE, _END_OF_EXCLUSIVE, _REAL_TIME = 0xF0, 0xF7, 0xF8
_UNDEFINED_REAL_TIME = frozenset({0xF9, 0xFD})
_LENGTHS = dict.fromkeys(range(0x80, 0xF0), 3) | dict.fromkeys(range(0xC0, 0xE0), 2)
"""Bytes of a whole channel message, by its status: programs and channel pressure have one data
byte, all others two."""
_SYSTEM_LENGTHS = {_EXCLUSIVE: LONGEST, 0xF1: 2, 0xF2: 3, 0xF3: 2, 0xF6: 1}
"""Bytes of a whole system common message; those that are not here, F4 and F5, are undefined."""


class Decoder:
    """What has come of one stream. It holds no more than one message of the longest kind."""

    def __init__(self) -> None:
        """Begin a stream: there is no status yet."""
        self._begun = bytearray()
        """The message that has begun, or only its status, which then is the running one."""
        self._length = 0

    def feed(self, data: bytes) -> list[bytes]:
        """The messages that these bytes complete, each whole, its status first.

        Real-time messages come out where they stand, before the message that they interrupt.
        """
        whole: list[bytes] = []
        begun = self._begun
        for byte in data:
            if byte >= _REAL_TIME:
                if byte not in _UNDEFINED_REAL_TIME:
                    whole.append(bytes((byte,)))
                continue
            if byte >= 0x80:
                if byte == _END_OF_EXCLUSIVE and begun and begun[0] == _EXCLUSIVE:
                    whole.append(bytes((*begun, byte)))
                self._begin(byte)
            elif begun:
                begun.append(byte)
            if begun and len(begun) == self._length:
                self._complete(whole)
        return whole

    def _begin(self, status: int) -> None:
        """A status ends whatever had begun, and running status with it."""
        self._begun.clear()
        self._length = _LENGTHS.get(status) or _SYSTEM_LENGTHS.get(status, 0)
        if self._length:
            self._begun.append(status)

    def _complete(self, whole: list[bytes]) -> None:
        """As many bytes are here as there may be. An exclusive message is too long then."""
        status = self._begun[0]
        if status != _EXCLUSIVE:
            whole.append(bytes(self._begun))
        del self._begun[1 if status < _EXCLUSIVE else 0 :]
