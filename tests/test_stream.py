"""The decoder of raw MIDI streams, against the text of the MIDI 1.0 Detailed Specification.

Its outside parties are mido's message classes, which say what is whole, and mido's own parser of
streams where it can be believed: fed whole messages without running status (sources.md S17).
"""

import random
from collections.abc import Iterator, Sequence
from itertools import chain, pairwise

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st
from mido.messages import Message
from mido.messages.specs import SPECS

from combination.stream import LONGEST, Decoder

REAL_TIME = (0xF8, 0xFA, 0xFB, 0xFC, 0xFE, 0xFF)
RANDOM_BYTES = 1_000_000


def decoded(text: str) -> list[str]:
    """What comes out of a stream, both as the specification writes bytes."""
    return [message.hex(" ").upper() for message in Decoder().feed(bytes.fromhex(text))]


# ---------------------------------------------------------------- the specification, in tables

WHOLE = {
    "note off": "80 3C 40",
    "note on": "90 3C 40",
    "polyphonic key pressure": "A3 3C 40",
    "control change": "BF 07 7F",
    "program change": "C0 05",
    "channel pressure": "D1 40",
    "pitch bend": "E0 00 40",
    "system exclusive": "F0 7D 01 02 F7",
    "system exclusive without data": "F0 F7",
    "quarter frame": "F1 35",
    "song position": "F2 10 02",
    "song select": "F3 01",
    "tune request": "F6",
    "clock": "F8",
    "start": "FA",
    "continue": "FB",
    "stop": "FC",
    "active sensing": "FE",
    "reset": "FF",
}


@pytest.mark.parametrize("case", WHOLE)
def test_a_whole_message_comes_out_as_it_is(case: str) -> None:
    assert decoded(WHOLE[case]) == [WHOLE[case]]


STREAMS = {
    "running status": ("90 3C 40 3E 40 3C 00", ["90 3C 40", "90 3E 40", "90 3C 00"]),
    "running status of one data byte": ("C2 05 06", ["C2 05", "C2 06"]),
    "another status ends it": ("90 3C 40 81 3C 40 3E 00", ["90 3C 40", "81 3C 40", "81 3E 00"]),
    "exclusive ends it": ("90 3C 40 F0 7D F7 3E 40", ["90 3C 40", "F0 7D F7"]),
    "system common ends it": ("90 3C 40 F3 01 3E 40", ["90 3C 40", "F3 01"]),
    "system common has none of its own": ("F3 01 02 F1 03 04", ["F3 01", "F1 03"]),
    "tune request ends it": ("90 3C 40 F6 3E 40", ["90 3C 40", "F6"]),
    "undefined common ends it": ("90 3C 40 F4 3E 40 F5 3E 40", ["90 3C 40"]),
    "stray end of exclusive ends it": ("90 3C 40 F7 3E 40", ["90 3C 40"]),
    "real time does not": ("90 3C 40 FE 3E 40", ["90 3C 40", "FE", "90 3E 40"]),
    "real time inside a message": ("90 F8 3C FE 40", ["F8", "FE", "90 3C 40"]),
    "real time inside exclusive": ("F0 7D F8 01 FA F7", ["F8", "FA", "F0 7D 01 F7"]),
    "reset inside a message": ("90 3C FF 40", ["FF", "90 3C 40"]),
    "undefined real time": ("90 F9 3C FD 40 F9", ["90 3C 40"]),
    "a message cut short": ("90 3C 81 3C 40", ["81 3C 40"]),
    "exclusive cut short": ("F0 7D 01 90 3C 40 3E 40", ["90 3C 40", "90 3E 40"]),
    "exclusive cut short by exclusive": ("F0 7D F0 7E F7", ["F0 7E F7"]),
    "exclusive cut short by a tune request": ("F0 7D F6 F7", ["F6"]),
    "exclusive cut short by an undefined one": ("F0 7D F4 F7", []),
    "exclusive cut short by a common one": ("F0 7D F2 01 02 F7 03", ["F2 01 02"]),
    "a common message cut short": ("F2 01 F7 02 F3 F8 05", ["F8", "F3 05"]),
    "data before any status": ("3C 40 00 90 3C 40", ["90 3C 40"]),
    "data after exclusive": ("F0 7D F7 3C 40", ["F0 7D F7"]),
    "nothing": ("", []),
}


@pytest.mark.parametrize("case", STREAMS)
def test_streams_by_the_standard(case: str) -> None:
    stream, messages = STREAMS[case]
    assert decoded(stream) == messages


def test_real_time_comes_out_at_once() -> None:
    decoder = Decoder()
    pieces = [b"\x90", b"\xf8", b"\x3c", b"\xfe", b"\x40"]
    assert [decoder.feed(piece) for piece in pieces] == [
        [],
        [b"\xf8"],
        [],
        [b"\xfe"],
        [b"\x90\x3c\x40"],
    ]


@pytest.mark.parametrize("over", [0, 1, 2, LONGEST])
def test_exclusive_is_whole_or_dropped(over: int) -> None:
    """The longest that is kept has F0, data and F7 in as many bytes as there may be."""
    long = b"\xf0" + bytes(LONGEST - 2 + over) + b"\xf7"
    assert Decoder().feed(long + b"\x90\x3c\x40") == [*([] if over else [long]), b"\x90\x3c\x40"]


def test_what_is_kept_of_a_stream_is_bounded() -> None:
    decoder = Decoder()
    for _ in range(8):
        assert decoder.feed(b"\xf0" + bytes(LONGEST)) == []
        assert len(decoder._begun) <= LONGEST


# ---------------------------------------------------------------- mido's messages

SEVEN = st.integers(0, 127)
FIELDS: dict[str, st.SearchStrategy[object]] = {
    "channel": st.integers(0, 15),
    "pitch": st.integers(-8192, 8191),
    "pos": st.integers(0, 16383),
    "frame_type": st.integers(0, 7),
    "frame_value": st.integers(0, 15),
    "data": st.lists(SEVEN, max_size=8).map(tuple),
}


def messages_of(kind: str, names: Sequence[str]) -> st.SearchStrategy[Message]:
    fields = {name: FIELDS.get(name, SEVEN) for name in names}
    return st.builds(Message, st.just(kind), **fields)


MESSAGES = st.one_of([messages_of(spec["type"], spec["value_names"]) for spec in SPECS])
NOT_REAL_TIME = MESSAGES.filter(lambda message: message.bytes()[0] < REAL_TIME[0])


def with_running_status(messages: Sequence[Message]) -> list[list[int]]:
    """The bytes of each message, as short as the standard allows."""
    running = None
    sent = []
    for message in messages:
        data = message.bytes()
        status = data[0]
        sent.append(data[1:] if status == running else data)
        if status < REAL_TIME[0]:
            running = status if status < 0xF0 else None
    return sent


def in_pieces(stream: bytes, places: Sequence[int]) -> Iterator[bytes]:
    """A stream cut at these places, as far as it goes."""
    cuts = sorted({0, *(place % (len(stream) + 1) for place in places), len(stream)})
    return (stream[here:there] for here, there in pairwise(cuts))


@given(st.lists(MESSAGES), st.lists(st.integers(0, 1000)))
def test_running_status_and_any_split(messages: list[Message], places: list[int]) -> None:
    stream = bytes(chain.from_iterable(with_running_status(messages)))
    decoder = Decoder()
    heard = [one for piece in in_pieces(stream, places) for one in decoder.feed(piece)]
    assert [Message.from_bytes(one) for one in heard] == messages


@given(st.lists(NOT_REAL_TIME), st.data())
def test_real_time_between_any_two_bytes_changes_nothing(
    messages: list[Message], data: st.DataObject
) -> None:
    stream, between = [], []
    for byte in chain.from_iterable(with_running_status(messages)):
        stream.append(byte)
        if data.draw(st.booleans()):
            between.append(data.draw(st.sampled_from(REAL_TIME)))
            stream.append(between[-1])
    heard = Decoder().feed(bytes(stream))
    assert [Message.from_bytes(one) for one in heard if one[0] < 0xF8] == messages
    assert [one for one in heard if one[0] >= 0xF8] == [bytes([byte]) for byte in between]


@given(st.lists(MESSAGES))
def test_as_mido_parses_whole_messages(messages: list[Message]) -> None:
    stream = bytes(chain.from_iterable(message.bytes() for message in messages))
    ours = [Message.from_bytes(one) for one in Decoder().feed(stream)]
    assert ours == mido.parse_all(stream) == messages


# ---------------------------------------------------------------- anything at all


def check_whole(message: bytes) -> None:
    """Mido takes it, and would write it in the same bytes."""
    assert bytes(Message.from_bytes(message).bytes()) == message


@given(st.binary(max_size=200), st.lists(st.integers(0, 1000)))
def test_anything_gives_whole_messages_however_it_is_split(
    stream: bytes, places: list[int]
) -> None:
    whole = Decoder().feed(stream)
    for message in whole:
        check_whole(message)
    decoder = Decoder()
    assert [one for piece in in_pieces(stream, places) for one in decoder.feed(piece)] == whole


def test_a_million_random_bytes() -> None:
    chance = random.Random(1)
    decoder = Decoder()
    heard = 0
    left = RANDOM_BYTES
    while left:
        length = min(left, chance.randint(1, 4096))
        left -= length
        for message in decoder.feed(chance.randbytes(length)):
            check_whole(message)
            heard += 1
    print(f"{RANDOM_BYTES:,} random bytes: {heard:,} whole messages")
    assert decoder.feed(bytes.fromhex("F7 90 3C 40"))[-1:] == [b"\x90\x3c\x40"]
    assert heard > RANDOM_BYTES / 20
