"""Bank files: every fault noticed, every bank brought back, nothing hostile let in.

`banks/FORMAT.md` is the contract; a second reader written from that page alone is compared with
ours. Files on disk are real ones, on disks that are really full and calls that really fail.
"""

import gc
import hashlib
import json
import os
import platform
import random
import re
import stat
import struct
import subprocess
import sys
import tempfile
import tracemalloc
from collections.abc import Callable, Iterator
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

import msgpack
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import banks
from banks import BankFile, BankFileError, decode, encode, limits, read_bank_file, write_bank_file
from banks.bankfile import StoreFile, decode_any
from banks.parts import Part
from banks.shapes import BYTES, EXTENSION, FLAG, FRACTION, LIST, MAP, NOTHING, TEXT, WHOLE, Source
from combination.memory import Bank, Combination, ControlCard, Level, PistonCard, Step
from tests.bank_strategies import TURNS_THE_LINE, moments, texts
from tests.bank_strategies import banks as any_bank

PAGE = (Path(banks.__file__).parent / "FORMAT.md").read_text("utf-8")
MAGIC = bytes.fromhex(re.findall("`(BA [0-9A-F ]+)`", PAGE)[0])


def quay_chapel() -> BankFile:
    """The example at the end of the page."""
    return BankFile(
        Bank(
            console="Quay Chapel",
            controls=(
                ControlCard("gt-flute", ("Flute", "8'"), "Great"),
                ControlCard("pd-bourdon", ("Bourdon", "16'"), "Pedal"),
                ControlCard("trem", ("Tremulant",)),
            ),
            pistons={
                "g1": PistonCard("g1", ("1",), "general", 0b111),
                "gt1": PistonCard("gt1", ("1",), "divisional", 0b001, "Great"),
            },
            levels={
                3: Level(
                    name="Easter",
                    combinations={"g1": Combination(0b011, 0b100), "gt1": Combination(0b001)},
                )
            },
            sequences={
                "Vespers": (
                    Step(Decimal("1"), 3, "g1"),
                    Step(Decimal("1.5"), 3, "gt1", "verse 2"),
                )
            },
            level=3,
            sequence="Vespers",
            place=Decimal(1),
        ),
        saved="2031-05-04T18:30:00Z",
        writer="stopwright 0.1.0",
    )


def everything() -> BankFile:
    """A small bank with something in every place that a bank has."""
    bank = quay_chapel().bank
    bank.controls += tuple(
        ControlCard(f"c{n}", (f"Ventil {n}", "Öffner"), "Récit") for n in "abcdef"
    )
    bank.pistons["fo"] = PistonCard("fo", ("Tutti",), "full-organ", 0b111)
    bank.name = "Johanna's"
    bank.locked = True
    bank.levels[7] = Level("", True, {"g1": Combination(0b1_0000_0001)})
    bank.levels[9] = Level()
    bank.full_organs["fo"] = 0b1_1111_1111
    bank.stages |= {1: 0b1, 2: 0b11}
    bank.sequences["Empty"] = ()
    return BankFile(bank, "2031-05-04T18:30:00Z", "stopwright 0.1.0")


def a_part() -> BankFile:
    """Two levels, one of them locked with a passphrase and the other blank."""
    bank = quay_chapel().bank
    bank.levels[3].locked, bank.levels[3].verifier = True, b"no key\0"
    bank.sequences.clear()
    return BankFile(bank, "2031-05-04T18:30:00Z", "stopwright 0.1.0", Part((3, 4)))


@cache
def vox_humana() -> bytes:
    """The verifier in the second example on the page, made as the page says."""
    salt = bytes(range(16))
    key = hashlib.scrypt(b"vox humana", salt=salt, n=1 << 14, r=8, p=1, maxmem=1 << 25, dklen=32)
    return bytes((1, 14, 8, 1, 16)) + salt + key


def a_store() -> StoreFile:
    """The second example on the page: Ruth's bank, and a guest's, which is on the desk."""
    ruth = Bank(
        console="Quay Chapel",
        controls=(ControlCard("trem", ("Tremulant",)),),
        pistons={"g1": PistonCard("g1", ("1",), "general", 0b1)},
        name="Ruth",
        levels={2: Level("", True, {"g1": Combination(0b1)}, vox_humana())},
        level=2,
    )
    emil = Bank(console="Quay Chapel", controls=(), name="Emil")
    return StoreFile((ruth, emil), frozenset({1}), 1, "2031-05-04T18:30:00Z", "stopwright 0.1.0")


FILES = {"a bank": everything(), "a part": a_part(), "a store": a_store()}
"""One file of each sort."""
of_each_sort = pytest.mark.parametrize("file", FILES.values(), ids=FILES)


def sealed(payload: bytes, version: int = 1) -> bytes:
    """A payload in a sound frame."""
    body = MAGIC + struct.pack(">IQ", version, len(payload)) + payload
    return body + hashlib.sha256(body).digest()


def payload_of(file: BankFile | StoreFile) -> Any:
    """What a bank file says, as any msgpack reader sees it."""
    return msgpack.unpackb(encode(file)[20:-32])


def version_of(file: BankFile | StoreFile) -> int:
    """The version of the format that a file is written in."""
    return int.from_bytes(encode(file)[8:12], "big")


def refusal(data: bytes) -> str:
    """The message with which a file is refused."""
    with pytest.raises(BankFileError) as caught:
        decode_any(data)
    return str(caught.value)


# ---------------------------------------------------------------- damage


@of_each_sort
def test_every_flipped_bit_is_noticed(file: BankFile | StoreFile) -> None:
    data = encode(file)
    messages = set()
    for place in range(len(data)):
        for bit in range(8):
            flipped = bytearray(data)
            flipped[place] ^= 1 << bit
            message = refusal(bytes(flipped))
            messages.add(re.sub("[0-9][0-9,]*[0-9]", "N", message))
    assert messages == {
        "this is not a bank file",
        "the bank file is damaged in its first bytes, as happens when it is sent as text: "
        "copy it again, unchanged",
        "the bank file is damaged: its contents do not agree with its check",
        "the bank file is damaged: it claims to have N bytes, and a bank file has at most N",
        "the bank file is cut short: it has N of N bytes",
        "the bank file has something after its end: it has N bytes, and should have N",
    }


@of_each_sort
def test_every_truncation_is_noticed(file: BankFile | StoreFile) -> None:
    data = encode(file)
    assert refusal(b"") == "the bank file is empty"
    for length in range(1, len(data)):
        if length < 20:
            expected = f"the bank file is cut short: it has {length} bytes of at least 52"
        else:
            expected = f"the bank file is cut short: it has {length:,} of {len(data):,} bytes"
        assert refusal(data[:length]) == expected


@of_each_sort
@pytest.mark.parametrize("more", [b"\0", b"\n", b"\x1a", b"\0" * 4096])
def test_every_appended_byte_is_noticed(more: bytes, file: BankFile | StoreFile) -> None:
    data = encode(file)
    assert refusal(data + more) == (
        f"the bank file has something after its end: it has {len(data + more):,} bytes, "
        f"and should have {len(data):,}"
    )


def test_two_files_end_to_end_are_not_one() -> None:
    data = encode(everything())
    assert "something after its end" in refusal(data + data)


@pytest.mark.parametrize(
    "spoil",
    [
        pytest.param(lambda data: data.replace(b"\r\n", b"\n"), id="CR LF to LF"),
        pytest.param(lambda data: data.replace(b"\n", b"\r\n"), id="LF to CR LF"),
        pytest.param(lambda data: bytes(byte & 0x7F for byte in data), id="seven bits"),
        pytest.param(lambda data: data.decode("latin-1").encode(), id="taken for Latin-1"),
        pytest.param(lambda data: data.decode(errors="replace").encode(), id="taken for UTF-8"),
    ],
)
def test_transfer_as_text_is_noticed(spoil: Callable[[bytes], bytes]) -> None:
    assert refusal(spoil(encode(everything()))) == (
        "the bank file is damaged in its first bytes, as happens when it is sent as text: "
        "copy it again, unchanged"
    )


def test_versions() -> None:
    payload = encode(everything())[20:-32]
    assert decode(sealed(payload)) == everything()
    assert refusal(sealed(payload, 3)) == (
        "the bank file comes from a newer program: its format is version 3, and this one reads "
        "versions up to 2"
    )
    assert refusal(sealed(payload, 0)) == (
        "the bank file says format version 0: there never was one"
    )


# ---------------------------------------------------------------- there and back


def test_everything_comes_back() -> None:
    file = everything()
    again = decode(encode(file))
    assert again == file
    assert [type(piston.kind) for piston in again.bank.pistons.values()] == [str] * 3
    assert type(again.bank.levels[3].combinations["g1"]) is Combination


@given(any_bank(), st.none() | moments, texts())
@settings(deadline=None)
def test_round_trip(bank: Bank, saved: str | None, writer: str) -> None:
    file = BankFile(bank, saved, writer)
    data = encode(file)
    again = decode(data)
    assert again == file
    assert encode(again) == data


def read_by_the_page(data: bytes, version: int) -> Any:
    """A file's payload. Nothing of ours is used here."""
    assert data[:8] == MAGIC
    assert int.from_bytes(data[8:12], "big") == version
    length = int.from_bytes(data[12:20], "big")
    assert len(data) == length + 52
    assert hashlib.sha256(data[: 20 + length]).digest() == data[20 + length :]
    return msgpack.unpackb(data[20 : 20 + length])


def check_bank_by_the_page(found: Any, bank: Bank) -> None:
    """That a map says of a bank all there is. Of ours only the names of that are used."""
    names = [control["id"] for control in found["controls"]]
    width = -(-len(names) // 8)

    def row(rows: bytes, number: int = 0) -> set[str]:
        bits = rows[number * width : (number + 1) * width]
        return {name for i, name in enumerate(names) if bits[i // 8] >> (i % 8) & 1}

    def places(blob: bytes) -> list[int]:
        return [blob[i] + 256 * blob[i + 1] for i in range(0, len(blob), 2)]

    ids = bank.roster.registration
    assert [(c["id"], tuple(c["label"]), c["division"]) for c in found["controls"]] == [
        (card.id, card.label, card.division) for card in bank.controls
    ]
    assert [
        (p["id"], tuple(p["label"]), p["kind"], row(p["affects"]), p["division"])
        for p in found["pistons"]
    ] == [(p.id, p.label, p.kind, set(ids(p.affects)), p.division) for p in bank.pistons.values()]
    levels = {}
    for level in found["levels"]:
        owners = [found["pistons"][place]["id"] for place in places(level["pistons"])]
        neutral = {owner: set[str]() for owner in owners}
        for number, place in enumerate(places(level.get("neutral-rows", b""))):
            neutral[owners[place]] = row(level["neutral"], number)
        levels[level["number"]] = (
            level.get("name", ""),
            level.get("locked", False),
            level.get("verifier", b""),
            {owner: (row(level["on"], n), neutral[owner]) for n, owner in enumerate(owners)},
        )
    assert levels == {
        number: (
            level.name,
            level.locked,
            level.verifier,
            {
                p: (set(ids(on)), set(ids(neutral)))
                for p, (on, neutral) in level.combinations.items()
            },
        )
        for number, level in bank.levels.items()
    }
    assert {f["piston"]: row(f["on"]) for f in found["full-organs"]} == {
        piston: set(ids(on)) for piston, on in bank.full_organs.items()
    }
    assert {s["number"]: row(s["on"]) for s in found["stages"]} == {
        stage: set(ids(on)) for stage, on in bank.stages.items()
    }
    assert {
        sequence["name"]: tuple(
            Step(Decimal(s["number"]), s["level"], s["piston"], s["note"])
            for s in sequence["steps"]
        )
        for sequence in found["sequences"]
    } == bank.sequences
    plain = ("console", "name", "locked", "level", "sequence")
    assert [found[key] for key in plain] == [getattr(bank, key) for key in plain]
    assert Decimal(found["place"]) == bank.place
    assert found.get("verifier", b"") == bank.verifier


@given(any_bank(), st.none() | moments, texts())
@settings(deadline=None)
def test_a_reader_written_from_the_page(bank: Bank, saved: str | None, writer: str) -> None:
    found = read_by_the_page(encode(BankFile(bank, saved, writer)), 1)
    check_bank_by_the_page(found, bank)
    assert (found["saved"], found["writer"]) == (saved, writer)


def test_the_example_on_the_page() -> None:
    listing = re.findall("```hex\n(.*?)```", PAGE, re.DOTALL)[0]
    data = bytes.fromhex(re.sub("#.*", "", listing))
    assert decode(data) == quay_chapel()
    assert encode(quay_chapel()) == data


def test_the_limits_on_the_page() -> None:
    table = PAGE.split("## Limits")[1].split("## An example")[0]
    stated = [int(number.replace(",", "")) for number in re.findall(r"\| ([0-9,]+) \|", table)]
    ours = [value for value in vars(limits).values() if isinstance(value, int)]
    assert sorted(stated) == sorted(ours)


def test_any_encoding_of_a_value_will_do() -> None:
    """As MessagePack allows; and keys in any order."""

    def long_winded(value: Any) -> bytes:
        if isinstance(value, bool) or value is None:
            return bytes(msgpack.packb(value))
        if isinstance(value, int):
            return b"\xd3" + struct.pack(">q", value)
        if isinstance(value, str):
            return b"\xdb" + struct.pack(">I", len(value.encode())) + value.encode()
        if isinstance(value, bytes):
            return b"\xc6" + struct.pack(">I", len(value)) + value
        if isinstance(value, list):
            return b"\xdd" + struct.pack(">I", len(value)) + b"".join(map(long_winded, value))
        pairs = [long_winded(key) + long_winded(each) for key, each in reversed(value.items())]
        return b"\xdf" + struct.pack(">I", len(pairs)) + b"".join(pairs)

    assert decode(sealed(long_winded(payload_of(everything())))) == everything()


# ---------------------------------------------------------------- msgpack itself


def _pairs() -> Iterator[Any]:
    """Every value of the npm package `msgpack-test-suite` 1.0.0, with its encodings.

    The package collects what the MessagePack specification allows (sources.md S13).
    """
    path = Path(__file__).parent / "data" / "msgpack-test-suite.json"
    for group, examples in json.loads(path.read_text("utf-8")).items():
        for number, example in enumerate(examples, 1):
            encodings = [bytes.fromhex(each.replace("-", "")) for each in example.pop("msgpack")]
            # A number beyond a double's precision is there both as number and as text.
            kind = "bignum" if "bignum" in example else next(iter(example))
            yield pytest.param(kind, example[kind], encodings, id=f"{group} {number}")


def _as_python(kind: str, value: Any) -> Any:
    match kind:
        case "binary":
            return bytes.fromhex(value.replace("-", ""))
        case "bignum":
            return int(value)
        case "timestamp":
            return msgpack.Timestamp(*value)
        case "ext":
            return msgpack.ExtType(value[0], bytes.fromhex(value[1].replace("-", "")))
    return value


_KINDS = {
    "nil": NOTHING,
    "bool": FLAG,
    "binary": BYTES,
    "number": WHOLE,
    "bignum": WHOLE,
    "string": TEXT,
    "array": LIST,
    "map": MAP,
    "timestamp": EXTENSION,
    "ext": EXTENSION,
}


@pytest.mark.parametrize(("kind", "written", "encodings"), list(_pairs()))
def test_msgpack_as_the_specification_has_it(
    kind: str, written: Any, encodings: list[bytes]
) -> None:
    """S13: what we pack is one of the encodings, and each of them is read as the value."""
    value = _as_python(kind, written)
    assert msgpack.packb(value) in encodings
    for encoding in encodings:
        assert msgpack.unpackb(encoding, strict_map_key=False) == value
        source = Source(encoding)
        expected = FRACTION if encoding[0] in (0xCA, 0xCB) else _KINDS[kind]
        assert source.kind == expected
        if expected in (LIST, MAP):
            assert source.enter(expected) == len(value)
        elif expected != EXTENSION:
            found = source.take(expected)
            assert found == value
            assert isinstance(found, float if expected == FRACTION else type(value))
            source.finish()


# ---------------------------------------------------------------- hostile files

Spoil = Callable[[dict[str, Any]], None]


def put(*path: Any) -> Spoil:
    """Put the last of these at the place that the others lead to."""

    def spoil(payload: Any) -> None:
        *way, key, value = path
        for step in way:
            payload = payload[step]
        payload[key] = value

    return spoil


def drop(*path: Any) -> Spoil:
    def spoil(payload: Any) -> None:
        for step in path[:-1]:
            payload = payload[step]
        del payload[path[-1]]

    return spoil


def again(key: str) -> Spoil:
    return lambda payload: payload[key].append(payload[key][0])


def _deep(depth: int) -> Any:
    value: Any = []
    for _ in range(depth):
        value = [value]
    return value


HOSTILE: dict[str, tuple[Spoil, str]] = {
    "a key nobody knows": (
        put("colour", "red"),
        "'colour' is not a key that belongs here",
    ),
    "a key with an escape": (
        put("\x1b[2J", 1),
        "'\\x1b[2J' is not a key that belongs here",
    ),
    "a key missing": (drop("levels"), "'levels' is missing"),
    "a control's key missing": (
        drop("controls", 1, "label"),
        "controls, entry 2: 'label' is missing",
    ),
    "a map where a list belongs": (
        put("controls", {}),
        "controls: a list was expected, not a map",
    ),
    "a text where a list belongs": (
        put("levels", "none"),
        "levels: a list was expected, not a text",
    ),
    "a list where a map belongs": (
        put("controls", 0, ["trem"]),
        "controls, entry 1: a map was expected, not a list",
    ),
    "nesting instead of a text": (
        put("name", _deep(400)),
        "name: a text was expected, not a list",
    ),
    "bytes where a text belongs": (
        put("controls", 0, "id", b"trem"),
        "controls, entry 1, id: a text was expected, not bytes",
    ),
    "a text where bytes belong": (
        put("levels", 0, "on", "all"),
        "levels, entry 1, on: bytes was expected, not a text",
    ),
    "yes for a number": (
        put("level", True),
        "level: a whole number was expected, not a yes or no",
    ),
    "a number for yes": (
        put("locked", 1),
        "locked: a yes or no was expected, not a whole number",
    ),
    "a fraction": (
        put("level", 1.0),
        "level: a whole number was expected, not a number with a fraction",
    ),
    "not a number": (
        put("level", float("nan")),
        "level: a whole number was expected, not a number with a fraction",
    ),
    "nothing": (
        put("name", None),
        "name: a text was expected, not nothing",
    ),
    "an extension": (
        put("writer", msgpack.ExtType(5, b"x" * 40)),
        "writer: a text was expected, not an extension",
    ),
    "a timestamp": (
        put("saved", msgpack.Timestamp(1, 2)),
        "saved: a text was expected, not an extension",
    ),
    "a negative level": (put("level", -1), "level: -1 is not between 1 and 10,000"),
    "level nought": (
        put("levels", 0, "number", 0),
        "levels, entry 1, number: 0 is not between 1 and 10,000",
    ),
    "a level too high": (
        put("levels", 0, "number", 10_001),
        "levels, entry 1, number: 10001 is not between 1 and 10,000",
    ),
    "the largest of numbers": (
        put("stages", 0, "number", 2**64 - 1),
        "stages, entry 1, number: 18446744073709551615 is not between 1 and 1,000",
    ),
    "a control twice": (again("controls"), "controls: 'gt-flute' is there twice"),
    "a piston twice": (again("pistons"), "pistons: 'g1' is there twice"),
    "a level twice": (again("levels"), "levels: 3 is there twice"),
    "a full organ twice": (again("full-organs"), "full-organs: 'fo' is there twice"),
    "a stage twice": (again("stages"), "stages: 1 is there twice"),
    "a sequence twice": (again("sequences"), "sequences: 'Vespers' is there twice"),
    "an empty id": (put("controls", 0, "id", ""), "controls, entry 1, id: the text is empty"),
    "a long name": (put("name", "a" * 201), "name: the text is longer than 200 characters"),
    "a tall label": (
        put("controls", 2, "label", ["a"] * 9),
        "controls, entry 3, label: 9 are more than the 8 there can be",
    ),
    "an escape in a label": (
        put("controls", 2, "label", ["Flute", "\x1b[31m"]),
        "controls, entry 3, label, entry 2: "
        "the text has a character in it that cannot be printed (U+001B)",
    ),
    "a line end in a note": (
        put("sequences", 0, "steps", 1, "note", "verse 2\nverse 3"),
        "sequences, entry 1, steps, entry 2, note: "
        "the text has a character in it that cannot be printed (U+000A)",
    ),
    "a place beyond the pistons": (
        put("levels", 0, "pistons", b"\x00\x00\x03\x00"),
        "level 3, pistons: 3 is beyond the last, 2",
    ),
    "a place twice": (
        put("levels", 0, "pistons", b"\x01\x00\x01\x00"),
        "level 3, pistons: 1 is there twice",
    ),
    "more places than pistons": (
        put("levels", 0, "pistons", b"\x00\x00" * 1_000_000),
        "level 3, pistons: 1,000,000 are more than the 3 there are",
    ),
    "half a place": (
        put("levels", 0, "pistons", b"\x00\x00\x01"),
        "level 3, pistons: it ends in the middle of a number",
    ),
    "too few rows": (
        put("levels", 0, "on", b"\x00\x00"),
        "level 3, on: 2 bytes where 4 belong",
    ),
    "too many rows": (
        put("levels", 0, "neutral", b"\x00" * 4),
        "level 3, neutral: 4 bytes where 2 belong",
    ),
    "a row of nothing": (
        put("levels", 0, "neutral-rows", b"\x02\x00"),
        "level 3, neutral-rows: 2 is beyond the last, 1",
    ),
    "neutral without rows": (
        drop("levels", 0, "neutral-rows"),
        "level 3: neutral and neutral-rows belong together",
    ),
    "a control beyond the last": (
        put("levels", 0, "on", b"\x00\x00\x00\x02"),
        "level 3, on: it has a control beyond the last of 9",
    ),
    "a range beyond the last": (
        put("pistons", 1, "affects", b"\x00\xff"),
        "piston 'gt1', affects: it has a control beyond the last of 9",
    ),
    "a range too long": (
        put("pistons", 1, "affects", b"\x00\x00\x00"),
        "piston 'gt1', affects: 3 bytes where 2 belong",
    ),
    "a full organ's row too long": (
        put("full-organs", 0, "on", b""),
        "full organ 'fo': 0 bytes where 2 belong",
    ),
    "a stage's row too long": (
        put("stages", 1, "on", b"\x00\x00\x00"),
        "stage 2: 3 bytes where 2 belong",
    ),
    "a full organ of no piston": (
        put("full-organs", 0, "piston", "tutti"),
        "full organ 'tutti': it is not among the pistons",
    ),
    "a step that is no number": (
        put("sequences", 0, "steps", 0, "number", "NaN"),
        "sequences, entry 1, steps, entry 1, number: 'NaN' is not a step number",
    ),
    "a step with an exponent": (
        put("sequences", 0, "steps", 0, "number", "1e9"),
        "sequences, entry 1, steps, entry 1, number: '1e9' is not a step number",
    ),
    "a step in other digits": (
        put("sequences", 0, "steps", 0, "number", "١"),
        "sequences, entry 1, steps, entry 1, number: '١' is not a step number",
    ),
    "steps out of order": (
        put("sequences", 0, "steps", 0, "number", "2"),
        "sequence 'Vespers': step 1.5 does not come after 2",
    ),
    "a step twice": (
        put("sequences", 0, "steps", 0, "number", "1.50"),
        "sequence 'Vespers': step 1.5 does not come after 1.50",
    ),
    "step nought": (
        put("sequences", 0, "steps", 0, "number", "0"),
        "sequence 'Vespers': step 0 does not come after 0",
    ),
    "a place that is no number": (put("place", ""), "place: '' is not a step number"),
    "a day that never was": (
        put("saved", "2031-02-30T12:00:00Z"),
        "saved: '2031-02-30T12:00:00Z' is not a date and time",
    ),
    "a time without a zone": (
        put("saved", "2031-02-03T12:00:00"),
        "saved: '2031-02-03T12:00:00' is not a date and time",
    ),
    "too many controls": (
        put("controls", [None] * 10_001),
        "controls: 10,001 are more than the 10,000 there can be",
    ),
    "too many pistons": (
        put("pistons", [None] * 1_001),
        "pistons: 1,001 are more than the 1,000 there can be",
    ),
}
"""What is done to a sound payload, and what is then said of it."""


@pytest.mark.parametrize(("spoil", "message"), HOSTILE.values(), ids=HOSTILE)
def test_hostile(spoil: Spoil, message: str) -> None:
    payload = payload_of(everything())
    spoil(payload)
    data = sealed(msgpack.packb(payload))
    assert refusal(data) == f"the bank file is not made as it should be: {message}"


BYTES_REFUSED = {
    "nothing at all": (b"", "it ends too early"),
    "not a map": (b"\x01", "a map was expected, not a whole number"),
    "a byte that msgpack never uses": (
        b"\xc1",
        "a map was expected, not a byte that means nothing",
    ),
    "a map that ends": (b"\x8e", "it ends too early"),
    "four thousand million pairs": (b"\xdf\xff\xff\xff\xff", "it has more than 1,000,000 entries"),
    "half a header": (b"\xdf\xff", "it ends too early"),
    "a number for a key": (b"\x81\x01\x01", "a text was expected, not a whole number"),
    "a list for a key": (b"\x81\x90\x01", "a text was expected, not a list"),
    "a key twice": (
        b"\x82" + (b"\xa6writer\xa0" * 2),
        "'writer' is there twice",
    ),
    "four thousand million controls": (
        b"\x81\xa8controls\xdd\xff\xff\xff\xff",
        "controls: it has more than 1,000,000 entries",
    ),
    "a text of four thousand million bytes": (
        b"\x81\xa6writer\xdb\xff\xff\xff\xffabc",
        "writer: it ends too early",
    ),
    "bytes that end": (
        b"\x81\xa6levels\x91\x81\xa2on\xc6\x7f\xff\xff\xffabc",
        "levels, entry 1, on: it ends too early",
    ),
    "a text that is not UTF-8": (b"\x81\xa6writer\xa2\xc3\x28", "writer: the text is not UTF-8"),
    "half a character in UTF-8": (
        b"\x81\xa6writer\xa3\xed\xa0\x80",
        "writer: the text is not UTF-8",
    ),
    "lists without end": (b"\x91" * 1_000_000, "a map was expected, not a list"),
    "maps without end": (
        b"\x81\xa8controls" + b"\x91\x81\xa2id" * 100_000,
        "controls, entry 1, id: a text was expected, not a list",
    ),
}


@pytest.mark.parametrize(("payload", "message"), BYTES_REFUSED.values(), ids=BYTES_REFUSED)
def test_hostile_bytes(payload: bytes, message: str) -> None:
    expected = f"the bank file is not made as it should be: {message}"
    assert refusal(sealed(payload)) == expected


def test_something_after_the_payload() -> None:
    payload = encode(everything())[20:-32]
    assert refusal(sealed(payload + b"\xc0")) == (
        "the bank file is not made as it should be: there is more after its end (bytes: 1)"
    )


def test_a_length_beyond_all_limits_is_not_believed() -> None:
    assert refusal(MAGIC + struct.pack(">IQ", 1, 2**63) + bytes(32)) == (
        "the bank file is damaged: it claims to have 9,223,372,036,854,775,860 bytes, "
        "and a bank file has at most 67,108,864"
    )


@pytest.mark.parametrize("character", ["\0", "\t", "\x7f", "\x9b", "\u2028", *TURNS_THE_LINE])
def test_nothing_that_moves_a_cursor(character: str) -> None:
    payload = payload_of(everything())
    payload["controls"][0]["label"] = [f"Flute{character}"]
    assert f"(U+{ord(character):04X})" in refusal(sealed(msgpack.packb(payload)))


@given(st.binary(max_size=300))
def test_random_bytes_are_only_ever_refused(data: bytes) -> None:
    for attempt in (data, MAGIC + data, sealed(data), sealed(b"\x8e" + data)):
        refusal(attempt)


_scalars = (
    st.none()
    | st.booleans()
    | st.integers(-(2**63), 2**64 - 1)
    | st.floats()
    | st.text(max_size=9)
    | st.binary(max_size=9)
    | st.builds(msgpack.ExtType, st.integers(0, 127), st.binary(max_size=9))
)
_values = st.recursive(
    _scalars,
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.text(max_size=9) | st.integers(0, 9), inner, max_size=4)
    ),
    max_leaves=12,
)


@given(_values)
def test_random_values_are_only_ever_refused(value: Any) -> None:
    refusal(sealed(msgpack.packb(value)))


@of_each_sort
@given(value=_values, chance=st.randoms(use_true_random=False))
@settings(max_examples=120, deadline=None)
def test_a_value_put_anywhere_is_taken_or_refused(
    value: Any, chance: random.Random, file: BankFile | StoreFile
) -> None:
    """The file is sound but for one value: it is read, or refused; there is nothing else."""
    payload = payload_of(file)
    place: Any = payload
    while True:
        keys = list(place) if isinstance(place, dict) else list(range(len(place)))
        key = chance.choice(keys) if keys else None
        inner = place[key] if keys else None
        if not isinstance(inner, dict | list) or not inner or chance.random() < 0.2:
            break
        place = inner
    if isinstance(place, dict):
        place[key] = value
    else:
        place.insert(0, value)
    try:
        found = decode_any(sealed(msgpack.packb(payload), version_of(file)))
    except BankFileError:
        return
    assert decode_any(encode(found)) == found


@of_each_sort
def test_a_bit_flipped_by_someone_who_mends_the_digest(file: BankFile | StoreFile) -> None:
    """Whatever such a file says, it is taken or refused; one that is taken can be written."""
    payload, version = encode(file)[20:-32], version_of(file)
    taken = 0
    for place in range(len(payload)):
        for bit in range(8):
            flipped = bytearray(payload)
            flipped[place] ^= 1 << bit
            try:
                found = decode_any(sealed(bytes(flipped), version))
            except BankFileError:
                continue
            taken += 1
            assert decode_any(encode(found)) == found != file
    assert taken


@pytest.mark.parametrize(
    "payload",
    [
        pytest.param(b"\x8e\xa8controls\xdc\x27\x10" + b"\x90" * (1 << 23), id="empty lists"),
        pytest.param(b"\x8e\xa4name" + b"\x91" * (1 << 23), id="depth"),
        pytest.param(
            b"\x8e\xa6levels\xdc\x27\x10"
            + (b"\x83\xa6number\x01\xa7pistons\xc4\x00\xa2on\xc6" + struct.pack(">I", 1 << 22))
            + bytes(1 << 22),
            id="a large level",
        ),
    ],
)
def test_a_hostile_file_takes_little_memory(payload: bytes) -> None:
    """No more than a few copies of the file itself, whatever it says."""
    data = sealed(payload)
    gc.collect()
    tracemalloc.start()
    try:
        refusal(data)
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert most < 5 * len(data)


MEASURING = """
import re, sys
from pathlib import Path
from banks import decode

def most():
    return int(re.search("VmHWM:[^0-9]+([0-9]+) kB", Path("/proc/self/status").read_text())[1])

data = Path(sys.argv[1]).read_bytes()
before = most()
file = decode(data)
print(len(file.bank.levels), most() - before)
"""
"""How much more memory a process ever had (in units of 1,024 bytes) for reading a file.

By its own count: what `getrusage` tells is never less than what the process had that began it.
"""


@pytest.mark.skipif(sys.platform != "linux", reason="memory is told otherwise")
def test_the_most_combinations_take_bounded_memory(tmp_path: Path) -> None:
    """A million smallest combinations: little in a file, and much in memory."""
    payload = payload_of(everything())
    payload["pistons"] = [payload["pistons"][0] | {"id": f"p{n}"} for n in range(1_000)]
    payload["full-organs"] = []
    level = {
        "pistons": struct.pack("<1000H", *range(1_000)),
        "on": b"\xff\x01" * 1_000,
        "neutral-rows": struct.pack("<1000H", *range(1_000)),
        "neutral": b"\xfe\x01" * 1_000,
    }
    payload["levels"] = [{"number": n, **level} for n in range(1, 1_001)]
    path = tmp_path / "a million"
    path.write_bytes(sealed(msgpack.packb(payload)))
    told = subprocess.run(
        [sys.executable, "-c", MEASURING, str(path)], capture_output=True, text=True, check=True
    )
    levels, memory = map(int, told.stdout.split())
    assert levels == 1_000
    assert memory * 1_024 < 4 * limits.BYTES_IN_FILE
    payload["levels"].append({"number": 1_001, "pistons": b"\0\0", "on": b"\0\0"})
    assert refusal(sealed(msgpack.packb(payload))) == (
        "the bank file is not made as it should be: "
        "1,000,001 combinations are more than the 1,000,000 there can be"
    )


def test_building_leaves_the_collector_as_it_was() -> None:
    data = encode(everything())
    assert gc.isenabled()
    decode(data)
    assert gc.isenabled()
    gc.disable()
    try:
        decode(data)
        assert not gc.isenabled()
    finally:
        gc.enable()


# ---------------------------------------------------------------- banks that cannot be saved


def _with(**changes: Any) -> Bank:
    bank = everything().bank
    for name, value in changes.items():
        setattr(bank, name, value)
    return bank


UNSAVED = {
    "an escape in the name": (
        _with(name="\x1b[2J"),
        "name: the text has a character in it that cannot be printed (U+001B)",
    ),
    "half a character": (
        _with(name="\ud83c"),
        "a text has half a character in it (U+D83C)",
    ),
    "a control the bank does not list": (
        _with(levels={1: Level(combinations={"g1": Combination(1 << 9)})}),
        "level 1, on: it has a control beyond the last of 9",
    ),
    "a control far beyond": (
        _with(levels={1: Level(combinations={"g1": Combination(1 << 900)})}),
        "a combination has controls in it that the bank does not list",
    ),
    "fewer than no controls": (
        _with(stages={1: -1}),
        "a combination has controls in it that the bank does not list",
    ),
    "a piston the bank does not list": (
        _with(levels={1: Level(combinations={"g9": Combination(1)})}),
        "level 1: 'g9' is not among the pistons",
    ),
    "a control twice": (
        _with(controls=(ControlCard("a"),) * 9),
        "controls: 'a' is there twice",
    ),
    "a level beyond counting": (
        _with(levels={2**70: Level()}),
        "a number is too large",
    ),
    "step infinity": (
        _with(place=Decimal("Infinity")),
        "place: 'Infinity' is not a step number",
    ),
    "too many pistons": (
        _with(
            pistons={f"p{n}": PistonCard(f"p{n}") for n in range(70_000)},
            levels={1: Level(combinations={"p69999": Combination(1)})},
        ),
        "it has more than 1,000 pistons",
    ),
}


@pytest.mark.parametrize(("bank", "message"), UNSAVED.values(), ids=UNSAVED)
def test_what_could_not_be_read_is_not_written(bank: Bank, message: str) -> None:
    with pytest.raises(BankFileError) as caught:
        encode(BankFile(bank))
    assert str(caught.value) == f"this bank cannot be saved: {message}"


def test_a_bank_too_large_is_not_written() -> None:
    """A thousand levels of seven hundred pistons and a thousand controls: 87 million bytes."""
    pistons = {f"p{n}": PistonCard(f"p{n}") for n in range(700)}
    level = Level(combinations=dict.fromkeys(pistons, Combination(1)))
    bank = Bank(
        console="Harbour Pavilion",
        controls=tuple(ControlCard(f"c{n}") for n in range(1_000)),
        pistons=pistons,
        levels=dict.fromkeys(range(1, 1_001), level),
    )
    with pytest.raises(BankFileError, match=r"it would take 89,[0-9,]+ bytes, and a bank file"):
        encode(BankFile(bank))


# ---------------------------------------------------------------- on disk


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    """A folder in which nothing but what a test put there may be left behind."""
    place = tmp_path / "banks"
    place.mkdir()
    yield place
    assert not list(place.glob(".*"))


def test_written_and_read(folder: Path) -> None:
    path = folder / "johanna.bank"
    write_bank_file(path, everything())
    assert read_bank_file(path) == everything()
    assert read_bank_file(str(path)) == everything()
    write_bank_file(path, quay_chapel())
    assert read_bank_file(path) == quay_chapel()
    assert path.read_bytes() == encode(quay_chapel())


def test_permissions_are_those_of_the_old_file(folder: Path) -> None:
    path = folder / "johanna.bank"
    mask = os.umask(0o027)
    try:
        write_bank_file(path, quay_chapel())
        assert stat.S_IMODE(path.stat().st_mode) == 0o640
        path.chmod(0o604)
        write_bank_file(path, everything())
        assert stat.S_IMODE(path.stat().st_mode) == 0o604
    finally:
        os.umask(mask)


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a file away")
def test_the_owner_is_that_of_the_old_file(folder: Path) -> None:
    path = folder / "johanna.bank"
    write_bank_file(path, quay_chapel())
    os.chown(path, 65534, 65533)
    write_bank_file(path, everything())
    assert (path.stat().st_uid, path.stat().st_gid) == (65534, 65533)


def test_a_link_is_followed(folder: Path) -> None:
    path, link = folder / "johanna.bank", folder / "latest"
    write_bank_file(path, quay_chapel())
    (folder / "between").symlink_to("johanna.bank")
    link.symlink_to("between")
    write_bank_file(link, everything())
    assert link.is_symlink()
    assert not path.is_symlink()
    assert read_bank_file(path) == everything()


def _nowhere(folder: Path) -> Path:
    (folder / "link").symlink_to(folder / "gone.bank")
    return folder / "link"


def _circle(folder: Path) -> Path:
    (folder / "link").symlink_to("link")
    return folder / "link"


def _pipe(folder: Path) -> Path:
    os.mkfifo(folder / "pipe")
    return folder / "pipe"


def _too_large(folder: Path) -> Path:
    with (folder / "large.bank").open("wb") as file:
        file.truncate(10 * 1024**3)
    return folder / "large.bank"


def _below_a_file(folder: Path) -> Path:
    write_bank_file(folder / "johanna.bank", quay_chapel())
    return folder / "johanna.bank" / "inside"


NO_SUCH = "there is no such file or folder"
PLACES: dict[str, tuple[Callable[[Path], Path], str, str | None]] = {
    "nothing there": (lambda folder: folder / "gone.bank", NO_SUCH, None),
    "no such folder": (lambda folder: folder / "gone" / "a.bank", NO_SUCH, NO_SUCH),
    "a folder": (lambda folder: folder, "it is a folder", "it is a folder"),
    "a link to nowhere": (_nowhere, NO_SUCH, "it is a link that leads nowhere"),
    "links in a circle": (
        _circle,
        "its links go round in a circle",
        "its links go round in a circle",
    ),
    "a pipe": (_pipe, "it is not an ordinary file", "it is not an ordinary file"),
    "a device": (
        lambda _: Path("/dev/null"),
        "it is not an ordinary file",
        "it is not an ordinary file",
    ),
    "below a file": (
        _below_a_file,
        "a part of its path is a file, not a folder",
        "a part of its path is a file, not a folder",
    ),
    "a long name": (
        lambda folder: folder / ("a" * 300),
        "the name is too long",
        "the name is too long",
    ),
    "ten gigabytes": (
        _too_large,
        "it is too large for a bank file: it has 10,737,418,240 bytes, and a bank file has at "
        "most 67,108,864",
        None,
    ),
}
"""Where a file is to be: what is said when it is read, and when it is written (None: it can be)."""


@pytest.mark.parametrize(("place", "read", "written"), PLACES.values(), ids=PLACES)
def test_places(
    place: Callable[[Path], Path], read: str, written: str | None, folder: Path
) -> None:
    path = place(folder)
    with pytest.raises(BankFileError) as caught:
        read_bank_file(path)
    assert str(caught.value) == f"{path}: {read}"
    if written is None:
        write_bank_file(path, everything())
        assert read_bank_file(path) == everything()
    else:
        with pytest.raises(BankFileError) as caught:
            write_bank_file(path, everything())
        assert str(caught.value) == f"{path}: {written}"


def test_names_that_no_file_has(folder: Path) -> None:
    with pytest.raises(BankFileError, match=r"^'a\\x00b': no file can have that name$"):
        read_bank_file("a\0b")
    with pytest.raises(BankFileError, match=r"a\\x1b\[2J': there is no such file"):
        read_bank_file(folder / "a\x1b[2J")


def test_a_bad_file_is_named(folder: Path) -> None:
    path = folder / "johanna.bank"
    path.write_bytes(b"[piston]\n")
    with pytest.raises(BankFileError) as caught:
        read_bank_file(path)
    assert str(caught.value) == f"{path}: this is not a bank file"


def test_a_bank_that_cannot_be_saved_leaves_the_old_one(folder: Path) -> None:
    path = folder / "johanna.bank"
    write_bank_file(path, quay_chapel())
    with pytest.raises(BankFileError) as caught:
        write_bank_file(path, BankFile(_with(name="\n")))
    assert str(caught.value).startswith(f"{path}: this bank cannot be saved: name: ")
    assert read_bank_file(path) == quay_chapel()


# ---------------------------------------------------------------- disks and calls that fail

WRITING = """
import ctypes, errno, json, os, resource, struct, sys
from pathlib import Path
from banks import BankFileError, decode, write_bank_file

task = json.loads(sys.argv[1])
file = decode(Path(task["new"]).read_bytes())
if task["as_nobody"] and os.geteuid() == 0:
    os.setgid(65534)
    os.setuid(65534)
if task["largest"]:
    resource.setrlimit(resource.RLIMIT_FSIZE, (task["largest"], task["largest"]))
if task["calls"]:
    # A seccomp filter (Linux, seccomp(2)): these system calls do what is asked instead.
    code = [(0x20, 0, 0, 0)]
    code += [(0x15, len(task["calls"]) - n, 0, call) for n, call in enumerate(task["calls"])]
    code += [(0x06, 0, 0, 0x7FFF0000), (0x06, 0, 0, task["instead"])]
    text = ctypes.create_string_buffer(b"".join(struct.pack("HBBI", *line) for line in code))
    where = ctypes.addressof(text)
    program = ctypes.create_string_buffer(struct.pack("HxxxxxxQ", len(code), where))
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.prctl(38, 1, 0, 0, 0) or libc.prctl(22, 2, program):
        sys.exit("no filter")
try:
    write_bank_file(task["path"], file)
except BankFileError as error:
    os.writev(1, [str(error).encode()])
"""
"""What the other process does: write one bank file, under the conditions set."""

CALLS = {
    "x86_64": {
        "open": [257],
        "fchmod": [91],
        "write": [1],
        "fsync": [74],
        "read": [0],
        "rename": [82, 264, 316],
    },
    "aarch64": {
        "open": [56],
        "fchmod": [52],
        "write": [64],
        "fsync": [82],
        "read": [63],
        "rename": [38, 276],
    },
}.get(platform.machine(), {})
"""Numbers of system calls, from Linux's tables for these machines."""

filtered = pytest.mark.skipif(
    sys.platform != "linux" or not CALLS, reason="needs Linux's seccomp on a known machine"
)


def write_elsewhere(
    path: Path,
    new: BankFile,
    folder: Path,
    *,
    largest: int = 0,
    as_nobody: bool = False,
    call: str = "",
    instead: int = 0,
) -> subprocess.CompletedProcess[str]:
    """Write a bank file in a process of its own; what it was told comes out."""
    (folder / "new").write_bytes(encode(new))
    task = {
        "path": str(path),
        "new": str(folder / "new"),
        "as_nobody": as_nobody,
        "largest": largest,
        "calls": CALLS.get(call, []),
        "instead": instead,
    }
    return subprocess.run(
        [sys.executable, "-c", WRITING, json.dumps(task)],
        capture_output=True,
        text=True,
        check=False,
        cwd=Path(banks.__file__).parent.parent,
    )


def test_nothing_fails_when_nothing_is_made_to(tmp_path: Path, folder: Path) -> None:
    """The other process itself."""
    path = folder / "johanna.bank"
    done = write_elsewhere(path, everything(), tmp_path)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    assert read_bank_file(path) == everything()


def test_a_file_that_may_not_grow(tmp_path: Path, folder: Path) -> None:
    path = folder / "johanna.bank"
    write_bank_file(path, quay_chapel())
    done = write_elsewhere(path, everything(), tmp_path, largest=100)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == f"{path}: a file may not be as large as that here"
    assert path.read_bytes() == encode(quay_chapel())


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of sixteen thousand bytes."""
    place = tmp_path / "disk"
    place.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=16k", "tmpfs", str(place)]
    if os.geteuid() != 0 or subprocess.run(command, capture_output=True, check=False).returncode:
        pytest.skip("only root can mount a small disk")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def test_a_full_disk(small_disk: Path) -> None:
    path = small_disk / "johanna.bank"
    write_bank_file(path, quay_chapel())
    bank = everything().bank
    bank.controls += tuple(ControlCard(f"x{n}", ("Ventil",) * 8) for n in range(400))
    bank.pistons.clear()
    bank.levels.clear()
    bank.full_organs.clear()
    with pytest.raises(BankFileError) as caught:
        write_bank_file(path, BankFile(bank))
    assert str(caught.value) == f"{path}: the disk is full"
    assert [each.name for each in small_disk.iterdir()] == ["johanna.bank"]
    assert path.read_bytes() == encode(quay_chapel())


@filtered
@pytest.mark.parametrize(
    ("call", "error", "words"),
    [
        ("open", 28, "the disk is full"),
        ("fchmod", 1, "there is no permission for that"),
        ("write", 28, "the disk is full"),
        ("write", 122, "no more of the disk is yours to fill"),
        ("fsync", 5, "the disk failed"),
        ("read", 5, "the disk failed"),
        ("rename", 13, "there is no permission for that"),
        ("rename", 18, "Invalid cross-device link"),
    ],
)
def test_a_call_that_fails(call: str, error: int, words: str, tmp_path: Path, folder: Path) -> None:
    """Whichever step fails (by Linux's own error numbers), the old file stays, alone."""
    path = folder / "johanna.bank"
    write_bank_file(path, quay_chapel())
    done = write_elsewhere(path, everything(), tmp_path, call=call, instead=0x00050000 | error)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == f"{path}: {words}"
    assert path.read_bytes() == encode(quay_chapel())


@filtered
@pytest.mark.parametrize("call", CALLS)
def test_the_plug_is_pulled(call: str, tmp_path: Path) -> None:
    """The process is killed at each step: the old file is whole, and the next write works.

    (The one call after the file is in place is a second fsync; a process that dies at the
    first never gets there.)
    """
    path = tmp_path / "johanna.bank"
    write_bank_file(path, quay_chapel())
    done = write_elsewhere(path, everything(), tmp_path, call=call, instead=0x80000000)
    assert done.returncode == -31  # SIGSYS
    assert path.read_bytes() == encode(quay_chapel())
    write_bank_file(path, everything())
    assert read_bank_file(path) == everything()


@pytest.fixture
def common_folder() -> Iterator[Path]:
    """A folder that any user can reach and write in."""
    with tempfile.TemporaryDirectory() as name:
        place = Path(name) / "banks"
        Path(name).chmod(0o755)
        place.mkdir()
        place.chmod(0o777)
        yield place
        place.chmod(0o777)
        assert not list(place.glob(".*"))


@pytest.mark.parametrize(
    ("folder_mode", "file_mode", "words"),
    [
        pytest.param(0o555, 0o666, "there is no permission for that", id="folder closed"),
        pytest.param(0o777, 0o444, "it may only be read, not replaced", id="file closed"),
        pytest.param(
            0o1777,
            0o666,
            "there is no permission for that",
            id="another's file in a shared folder",
            marks=pytest.mark.skipif(os.geteuid() != 0, reason="needs two users"),
        ),
    ],
)
def test_permissions_that_are_lacking(
    folder_mode: int, file_mode: int, words: str, tmp_path: Path, common_folder: Path
) -> None:
    path = common_folder / "johanna.bank"
    write_bank_file(path, quay_chapel())
    path.chmod(file_mode)
    common_folder.chmod(folder_mode)
    done = write_elsewhere(path, everything(), tmp_path, as_nobody=True)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == f"{path}: {words}"
    assert path.read_bytes() == encode(quay_chapel())


def test_a_new_name_that_is_not_confirmed(tmp_path: Path, common_folder: Path) -> None:
    """A folder that can be written but not read cannot be flushed; the new file is there."""
    path = common_folder / "johanna.bank"
    write_bank_file(path, quay_chapel())
    path.chmod(0o666)
    common_folder.chmod(0o333)
    done = write_elsewhere(path, everything(), tmp_path, as_nobody=True)
    assert done.stdout == (
        f"{path}: the file is written, but the disk does not confirm it: "
        "there is no permission for that"
    )
    assert read_bank_file(path) == everything()


def test_a_name_with_an_escape_in_it_does_not_reach_the_terminal(tmp_path: Path) -> None:
    path = tmp_path / "\x1b[31mred.bank"
    path.write_bytes(b"no bank")
    with pytest.raises(BankFileError) as refused:
        read_bank_file(path)
    assert str(refused.value).isprintable()
    assert "\\x1b[31mred.bank" in str(refused.value)
