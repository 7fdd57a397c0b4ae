"""Bank files of version 2: passphrases, parts of a bank, all banks of a store.

What is true of both versions is in `test_bank_file`; here is what only version 2 can say, and
what may be wrong with that.
"""

import re
import struct
import subprocess
import sys
from collections.abc import Callable
from copy import deepcopy
from pathlib import Path
from typing import Any

import msgpack
import pytest
from attrs import evolve
from hypothesis import given, settings
from hypothesis import strategies as st

from banks import (
    BankFile,
    BankFileError,
    compare,
    decode,
    encode,
    limits,
    read_bank_file,
    write_bank_file,
)
from banks.bankfile import StoreFile, decode_any
from banks.comparing import Comparison, Differs, PassphraseDiffers
from banks.files import read_any
from banks.locks import opens
from banks.parts import Part, part_of
from combination.memory import Bank, Combination, ControlCard, Level, PistonCard
from tests.bank_strategies import bank_files, banks_with_passphrases, store_files
from tests.bank_strategies import banks as any_bank
from tests.test_bank_file import (
    PAGE,
    Spoil,
    a_part,
    a_store,
    check_bank_by_the_page,
    drop,
    everything,
    of_each_sort,
    payload_of,
    put,
    read_by_the_page,
    refusal,
    sealed,
    version_of,
    vox_humana,
)


def locked(verifier: bytes = b"no key") -> BankFile:
    """A bank with something in every place, each lock with a passphrase."""
    file = everything()
    file.bank.verifier = file.bank.levels[7].verifier = verifier
    return file


def _locked_level() -> BankFile:
    file = everything()
    file.bank.levels[7].verifier = b"no key"
    return file


# ---------------------------------------------------------------- there and back


@given(bank_files() | store_files())
@settings(deadline=None)
def test_round_trip(file: BankFile | StoreFile) -> None:
    data = encode(file)
    again = decode_any(data)
    assert again == file
    assert encode(again) == data


@given(bank_files())
@settings(deadline=None)
def test_a_file_of_one_bank_read_by_the_page(file: BankFile) -> None:
    bank = file.bank
    new = file.part is not None or bank.verifier or any(v.verifier for v in bank.levels.values())
    found = read_by_the_page(encode(file), 2 if new else 1)
    assert (found["saved"], found["writer"]) == (file.saved, file.writer)
    if not new:
        check_bank_by_the_page(found, bank)
        return
    check_bank_by_the_page(found["bank"], bank)
    part = found.get("part")
    if file.part is None:
        assert part is None
    else:
        assert part.get("levels") == (file.part.levels and list(file.part.levels))
        assert part.get("pistons") == (file.part.pistons and list(file.part.pistons))
        assert part


@given(store_files())
@settings(deadline=None)
def test_a_file_of_a_store_read_by_the_page(file: StoreFile) -> None:
    found = read_by_the_page(encode(file), 2)
    assert (found["saved"], found["writer"]) == (file.saved, file.writer)
    store = found["store"]
    assert len(store["banks"]) == len(file.banks)
    for described, bank in zip(store["banks"], file.banks, strict=True):
        check_bank_by_the_page(described, bank)
    assert set(store["guests"]) == file.guests
    assert store.get("desk") == file.desk


@given(any_bank())
@settings(deadline=None)
def test_a_plain_bank_in_version_2(bank: Bank) -> None:
    """As another program might write it."""
    payload = payload_of(BankFile(bank, None, "another"))
    about = {key: payload.pop(key) for key in ("saved", "writer")}
    again = decode(sealed(msgpack.packb(about | {"bank": payload}), 2))
    assert again == BankFile(bank, None, "another")
    assert encode(again)[8:12] == b"\0\0\0\1"


@given(banks_with_passphrases(), st.data())
@settings(deadline=None)
def test_whatever_is_taken_out_of_a_bank_can_be_saved(bank: Bank, data: st.DataObject) -> None:
    levels = data.draw(st.lists(st.integers(1, 10), min_size=1, unique=True).map(tuple))
    part = Part(levels)
    if data.draw(st.booleans()) and bank.pistons:
        pistons = st.lists(st.sampled_from(sorted(bank.pistons)), min_size=1, unique=True)
        part = Part(data.draw(st.none() | st.just(levels)), tuple(data.draw(pistons)))
    file = BankFile(part_of(bank, part), part=part)
    assert decode(encode(file)) == file


def test_the_second_example_on_the_page() -> None:
    listing = re.findall("```hex\n(.*?)```", PAGE, re.DOTALL)[1]
    data = bytes.fromhex(re.sub("#.*", "", listing))
    assert decode_any(data) == a_store()
    assert encode(a_store()) == data


def test_a_verifier_made_as_the_page_says() -> None:
    assert opens(vox_humana(), "vox humana")
    assert not opens(vox_humana(), "vox angelica")


@pytest.mark.parametrize(
    ("file", "version"),
    [
        pytest.param(everything(), 1, id="a whole bank"),
        pytest.param(_locked_level(), 2, id="with the passphrase of a level"),
        pytest.param(BankFile(Bank("", (), locked=True, verifier=b"\0")), 2, id="of a bank"),
        pytest.param(a_part(), 2, id="a part"),
        pytest.param(StoreFile((everything().bank,)), 2, id="a store of one"),
    ],
)
def test_the_oldest_version_that_can_say_it(file: BankFile | StoreFile, version: int) -> None:
    assert version_of(file) == version
    assert decode_any(encode(file)) == file


# ---------------------------------------------------------------- one bank where there are many


def _store_of(*names: str) -> StoreFile:
    return StoreFile(tuple(Bank("Quay Chapel", (), name=name) for name in names))


@pytest.mark.parametrize(
    ("file", "message"),
    [
        (_store_of("Ruth"), "1 bank: 'Ruth'"),
        (_store_of("Ruth", "Emil"), "2 banks: 'Ruth', 'Emil'"),
        (
            _store_of(*map(str, range(1_000))),
            f"1,000 banks: {', '.join(repr(str(n)) for n in range(20))}, and 980 more",
        ),
    ],
)
def test_a_store_is_not_one_bank(file: StoreFile, message: str, tmp_path: Path) -> None:
    expected = f"the bank file holds a whole store, of {message}"
    with pytest.raises(BankFileError) as caught:
        decode(encode(file))
    assert str(caught.value) == expected
    path = tmp_path / "chapel.bank"
    write_bank_file(path, file)
    assert read_any(path) == file
    with pytest.raises(BankFileError) as caught:
        read_bank_file(path)
    assert str(caught.value) == f"{path}: {expected}"


@of_each_sort
def test_written_and_read(file: BankFile | StoreFile, tmp_path: Path) -> None:
    path = tmp_path / "ruth.bank"
    write_bank_file(path, file)
    assert path.read_bytes() == encode(file)
    assert read_any(path) == file
    assert read_any(str(path)) == file


def test_a_bad_file_is_named_whatever_was_expected(tmp_path: Path) -> None:
    path = tmp_path / "ruth.bank"
    path.write_bytes(encode(a_store())[:-1])
    with pytest.raises(BankFileError, match=f"^{path}: the bank file is cut short"):
        read_any(path)
    with pytest.raises(BankFileError, match=f"^{path.parent / 'no.bank'}: there is no such file"):
        read_any(path.parent / "no.bank")


# ---------------------------------------------------------------- hostile files


def _also(key: str, value: Any) -> Spoil:
    return lambda payload: payload.update({key: value})


def _second(**changes: Any) -> Spoil:
    """Give the part's bank a second level, like the first but for something."""
    return lambda payload: payload["bank"]["levels"].append(
        payload["bank"]["levels"][0] | {"number": 4} | changes
    )


def _with_pistons(*pistons: str, levels: bool = False) -> Spoil:
    """Make the part one of pistons, without what is a whole level's."""

    def spoil(payload: Any) -> None:
        payload["part"]["pistons"] = list(pistons)
        if not levels:
            del payload["part"]["levels"]
        for level in payload["bank"]["levels"]:
            for key in ("name", "locked", "verifier"):
                level.pop(key, None)

    return spoil


def _both(*spoils: Spoil) -> Spoil:
    def spoil(payload: Any) -> None:
        for each in spoils:
            each(payload)

    return spoil


STAGES = [{"number": 1, "on": b"\0"}]
SEQUENCES = [{"name": "Matins", "steps": []}]
FULL_ORGANS = [{"piston": "g1", "on": b"\x01"}]

HOSTILE_PART: dict[str, tuple[Spoil, str]] = {
    "neither bank nor store": (drop("bank"), "it must hold either a bank or a store"),
    "both bank and store": (
        _also("store", {"banks": [], "guests": []}),
        "it must hold either a bank or a store",
    ),
    "a bank's key outside it": (_also("locked", False), "'locked' is not a key that belongs here"),
    "a key nobody knows": (
        put("bank", "colour", "red"),
        "bank: 'colour' is not a key that belongs here",
    ),
    "when it was saved, inside": (
        put("bank", "saved", None),
        "bank: 'saved' is not a key that belongs here",
    ),
    "a key missing": (drop("bank", "levels"), "bank: 'levels' is missing"),
    "no part at all": (put("part", {}), "part: it names neither levels nor pistons"),
    "a part that is a list": (put("part", [3]), "part: a map was expected, not a list"),
    "a part of something else": (
        put("part", "stages", [1]),
        "part: 'stages' is not a key that belongs here",
    ),
    "no levels": (put("part", "levels", []), "part, levels: there is nothing in it"),
    "no pistons": (put("part", "pistons", []), "part, pistons: there is nothing in it"),
    "nil for all levels": (
        put("part", "levels", None),
        "part, levels: a list was expected, not nothing",
    ),
    "a level twice": (put("part", "levels", [3, 4, 3]), "part, levels: 3 is there twice"),
    "a piston twice": (_with_pistons("g1", "g1"), "part, pistons: 'g1' is there twice"),
    "a level too high": (
        put("part", "levels", [3, 10_001]),
        "part, levels, entry 2: 10001 is not between 1 and 10,000",
    ),
    "an empty id": (_with_pistons(""), "part, pistons, entry 1: the text is empty"),
    "a piston nobody knows": (
        _with_pistons("g1", "g9"),
        "part, pistons: 'g9' is not among the pistons",
    ),
    "a level beyond the part": (put("part", "levels", [4, 5]), "level 3: it is not in the part"),
    "another level beyond the part": (
        _both(_second(), put("part", "levels", [3])),
        "level 4: it is not in the part",
    ),
    "a piston beyond the part": (_with_pistons("g1"), "piston 'gt1': it is not in the part"),
    "a piston beyond the part, at its level": (
        _with_pistons("gt1", levels=True),
        "piston 'g1': it is not in the part",
    ),
    "a full organ in a part of levels": (
        put("bank", "full-organs", FULL_ORGANS),
        "full organ 'g1': it is not in the part",
    ),
    "a full organ in a part of pistons at levels": (
        _both(_with_pistons("g1", "gt1", levels=True), put("bank", "full-organs", FULL_ORGANS)),
        "full organ 'g1': it is not in the part",
    ),
    "a full organ beyond the part": (
        _both(
            _with_pistons("gt1"),
            put("bank", "levels", []),
            put("bank", "full-organs", FULL_ORGANS),
        ),
        "full organ 'g1': it is not in the part",
    ),
    "the name of a level in a part of pistons": (
        _both(_with_pistons("g1", "gt1"), put("bank", "levels", 0, "name", "Easter")),
        "name or lock of level 3: it is not in the part",
    ),
    "the lock of a level in a part of pistons": (
        _both(_with_pistons("g1", "gt1", levels=True), put("bank", "levels", 0, "locked", True)),
        "name or lock of level 3: it is not in the part",
    ),
    "the lock of the bank": (
        put("bank", "locked", True),
        "locked: only a whole bank has that",
    ),
    "stages": (put("bank", "stages", STAGES), "stages: only a whole bank has that"),
    "sequences": (put("bank", "sequences", SEQUENCES), "sequences: only a whole bank has that"),
    "a passphrase without a lock": (
        put("bank", "levels", 0, "locked", False),
        "level 3, verifier: there is a passphrase, but no lock",
    ),
    "a passphrase and nothing said of a lock": (
        drop("bank", "levels", 0, "locked"),
        "level 3, verifier: there is a passphrase, but no lock",
    ),
    "a bank's passphrase without a lock": (
        put("bank", "verifier", b"no key"),
        "verifier: there is a passphrase, but no lock",
    ),
    "a passphrase in words": (
        put("bank", "verifier", "vox humana"),
        "bank, verifier: bytes was expected, not a text",
    ),
    "a verifier too long": (
        put("bank", "levels", 0, "verifier", bytes(257)),
        "level 3, verifier: 257 bytes are more than the 256 there can be",
    ),
    "what is refused in version 1": (
        put("bank", "levels", 0, "on", b"\0"),
        "level 3, on: 1 bytes where 2 belong",
    ),
}
"""What is done to the sound payload of a part, and what is then said of it."""

HOSTILE_STORE: dict[str, tuple[Spoil, str]] = {
    "no bank": (put("store", "banks", []), "store: there is no bank in it"),
    "too many banks": (
        put("store", "banks", [None] * 1_001),
        "store, banks: 1,001 are more than the 1,000 there can be",
    ),
    "a part of a store": (
        _also("part", {"levels": [1]}),
        "part: a store is never a part",
    ),
    "a bank without a name": (
        put("store", "banks", 1, "name", ""),
        "store, banks, entry 2, name: the text is empty",
    ),
    "two of one name": (
        put("store", "banks", 1, "name", "Ruth"),
        "store, banks: 'Ruth' is there twice",
    ),
    "a guest beyond the last": (
        put("store", "guests", [1, 2]),
        "store, guests: 2 is beyond the last, 1",
    ),
    "a guest twice": (put("store", "guests", [1, 1]), "store, guests: 1 is there twice"),
    "a guest by name": (
        put("store", "guests", ["Emil"]),
        "store, guests, entry 1: a whole number was expected, not a text",
    ),
    "a guest before the first": (
        put("store", "guests", [-1]),
        "store, guests, entry 1: -1 is not between 0 and 999",
    ),
    "guests missing": (drop("store", "guests"), "store: 'guests' is missing"),
    "a desk beyond the last": (put("store", "desk", 2), "store, desk: 2 is beyond the last, 1"),
    "nobody on the desk": (
        put("store", "desk", None),
        "store, desk: a whole number was expected, not nothing",
    ),
    "a bank that is not sound": (
        put("store", "banks", 0, "levels", 0, "on", b"\2"),
        "bank 'Ruth', level 2, on: it has a control beyond the last of 1",
    ),
    "another bank that is not sound": (
        _both(
            put("store", "banks", 1, "locked", True),
            put("store", "banks", 1, "verifier", bytes(300)),
        ),
        "bank 'Emil', verifier: 300 bytes are more than the 256 there can be",
    ),
}
"""What is done to the sound payload of a store, and what is then said of it."""


@pytest.mark.parametrize(("spoil", "message"), HOSTILE_PART.values(), ids=HOSTILE_PART)
def test_hostile_part(spoil: Spoil, message: str) -> None:
    payload = payload_of(a_part())
    spoil(payload)
    data = sealed(msgpack.packb(payload), 2)
    assert refusal(data) == f"the bank file is not made as it should be: {message}"


@pytest.mark.parametrize(("spoil", "message"), HOSTILE_STORE.values(), ids=HOSTILE_STORE)
def test_hostile_store(spoil: Spoil, message: str) -> None:
    payload = payload_of(a_store())
    spoil(payload)
    data = sealed(msgpack.packb(payload), 2)
    assert refusal(data) == f"the bank file is not made as it should be: {message}"


SOUND_PARTS: dict[str, Spoil] = {
    "of pistons": _with_pistons("g1", "gt1"),
    "of pistons at levels": _with_pistons("g1", "gt1", levels=True),
    "of a piston at no level": _both(_with_pistons("gt1"), put("bank", "levels", [])),
    "with a full organ": _both(_with_pistons("g1", "gt1"), put("bank", "full-organs", FULL_ORGANS)),
    "of one level, named and locked": put("part", "levels", [3]),
    "with a level that holds nothing": _second(pistons=b"", on=b"", locked=False, verifier=b""),
    "with the longest of verifiers": put("bank", "levels", 0, "verifier", bytes(256)),
}


@pytest.mark.parametrize("change", SOUND_PARTS.values(), ids=SOUND_PARTS)
def test_sound_parts(change: Spoil) -> None:
    """What the hostile ones are but for one thing."""
    payload = payload_of(a_part())
    for key in ("neutral", "neutral-rows"):
        del payload["bank"]["levels"][0][key]
    change(payload)
    file = decode(sealed(msgpack.packb(payload), 2))
    assert decode(encode(file)) == file


@pytest.mark.parametrize("place", [(), ("levels", 0)], ids=["bank", "level"])
def test_version_1_has_no_passphrases(place: tuple[Any, ...]) -> None:
    payload = payload_of(everything())
    put(*place, "verifier", b"")(payload)
    where = "levels, entry 1: " if place else ""
    assert refusal(sealed(msgpack.packb(payload))) == (
        f"the bank file is not made as it should be: {where}"
        "'verifier' is not a key that belongs here"
    )


def _smallest(levels: int, combinations: int) -> dict[str, Any]:
    """A bank with as many levels and combinations in as few bytes as there can be."""
    payload: dict[str, Any] = payload_of(a_store())["store"]["banks"][0]
    payload["pistons"] = [payload["pistons"][0] | {"id": f"p{n}"} for n in range(combinations)]
    level = {"pistons": struct.pack(f"<{combinations}H", *range(combinations))}
    level["on"] = b"\1" * combinations
    payload["levels"] = [{"number": n, **level} for n in range(1, levels + 1)]
    return payload


def _store_payload(*banks: dict[str, Any]) -> dict[str, Any]:
    named = [bank | {"name": str(n)} for n, bank in enumerate(banks)]
    return {"saved": None, "writer": "", "store": {"banks": named, "guests": []}}


def test_combinations_count_together() -> None:
    full = _smallest(500, 1_000)
    one = _smallest(1, 1)
    sealed_up = sealed(msgpack.packb(_store_payload(full, full)), 2)
    assert isinstance(decode_any(sealed_up), StoreFile)
    assert refusal(sealed(msgpack.packb(_store_payload(full, full, one)), 2)) == (
        "the bank file is not made as it should be: "
        "1,000,001 combinations are more than the 1,000,000 there can be"
    )


def test_entries_count_together() -> None:
    banks = [_smallest(10_000, 0)] * 25
    assert re.fullmatch(
        "the bank file is not made as it should be: store, banks, entry 25, levels, entry [0-9,]+: "
        "it has more than 1,000,000 entries",
        refusal(sealed(msgpack.packb(_store_payload(*banks)), 2)),
    )


MEASURING = """
import re, sys
from pathlib import Path
from banks.bankfile import decode_any

def most():
    return int(re.search("VmHWM:[^0-9]+([0-9]+) kB", Path("/proc/self/status").read_text())[1])

data = Path(sys.argv[1]).read_bytes()
before = most()
file = decode_any(data)
print(len(file.banks), most() - before)
"""
"""How much more memory a process ever had (in units of 1,024 bytes) for reading a file.

By its own count: what `getrusage` tells is never less than what the process had that began it.
"""


@pytest.mark.skipif(sys.platform != "linux", reason="memory is told otherwise")
@pytest.mark.parametrize(
    ("banks", "levels", "combinations"),
    [
        pytest.param(2, 500, 1_000, id="combinations"),
        pytest.param(24, 10_000, 0, id="levels"),
        pytest.param(1_000, 0, 0, id="banks"),
    ],
)
def test_a_store_takes_bounded_memory(
    banks: int, levels: int, combinations: int, tmp_path: Path
) -> None:
    """Little in a file, and much in memory."""
    path = tmp_path / "much"
    payload = _store_payload(*[_smallest(levels, combinations)] * banks)
    path.write_bytes(sealed(msgpack.packb(payload), 2))
    told = subprocess.run(
        [sys.executable, "-c", MEASURING, str(path)], capture_output=True, text=True, check=True
    )
    count, memory = map(int, told.stdout.split())
    assert count == banks
    assert memory * 1_024 < 4 * limits.BYTES_IN_FILE


# ---------------------------------------------------------------- what cannot be saved


def _part(part: Part, **changes: Any) -> BankFile:
    return BankFile(evolve(a_part().bank, **changes), part=part)


def _unlocked() -> BankFile:
    file = locked()
    file.bank.levels[7].locked = False
    return file


G9 = {"g9": Combination(1)}
UNSAVED: dict[str, tuple[BankFile | StoreFile, str]] = {
    "a passphrase without a lock": (
        _unlocked(),
        "this bank cannot be saved: level 7, verifier: there is a passphrase, but no lock",
    ),
    "a verifier too long": (
        locked(bytes(257)),
        "this bank cannot be saved: verifier: 257 bytes are more than the 256 there can be",
    ),
    "an escape in the name": (
        _part(Part((3,)), name="\x1b"),
        "this bank cannot be saved: bank, name: "
        "the text has a character in it that cannot be printed (U+001B)",
    ),
    "a part that is all": (
        BankFile(everything().bank, part=Part()),
        "this bank cannot be saved: part: it names neither levels nor pistons",
    ),
    "a part with too much in it": (
        _part(Part((4, 5))),
        "this bank cannot be saved: level 3: it is not in the part",
    ),
    "a part of levels beyond counting": (
        _part(Part((3, 2**70))),
        "this bank cannot be saved: a number is too large",
    ),
    "a store without banks": (
        StoreFile(()),
        "this store cannot be saved: store: there is no bank in it",
    ),
    "two of one name": (
        _store_of("Ruth", "Emil", "Ruth"),
        "this store cannot be saved: store, banks: 'Ruth' is there twice",
    ),
    "no name": (
        _store_of("Ruth", ""),
        "this store cannot be saved: store, banks, entry 2, name: the text is empty",
    ),
    "a guest who is not there": (
        StoreFile(_store_of("Ruth").banks, frozenset({1})),
        "this store cannot be saved: store, guests: 1 is beyond the last, 0",
    ),
    "a desk that is not there": (
        StoreFile(_store_of("Ruth").banks, desk=-1),
        "this store cannot be saved: store, desk: -1 is not between 0 and 999",
    ),
    "a bank that is not sound": (
        StoreFile(
            (Bank("Quay Chapel", (), name="Ruth", levels={1: Level("", False, G9)}),),
        ),
        "this store cannot be saved: bank 'Ruth', level 1: 'g9' is not among the pistons",
    ),
}


@pytest.mark.parametrize(("file", "message"), UNSAVED.values(), ids=UNSAVED)
def test_what_could_not_be_read_is_not_written(
    file: BankFile | StoreFile, message: str, tmp_path: Path
) -> None:
    with pytest.raises(BankFileError) as caught:
        encode(file)
    assert str(caught.value) == message
    with pytest.raises(BankFileError) as caught:
        write_bank_file(tmp_path / "ruth.bank", file)
    assert str(caught.value) == f"{tmp_path / 'ruth.bank'}: {message}"
    assert not list(tmp_path.iterdir())


def test_a_store_too_large_is_not_written() -> None:
    """Two banks of thirty-five million bytes each."""
    pistons = {f"p{n}": PistonCard(f"p{n}") for n in range(280)}
    level = Level(combinations=dict.fromkeys(pistons, Combination(1)))
    bank = Bank(
        console="Harbour Pavilion",
        controls=tuple(ControlCard(f"c{n}") for n in range(1_000)),
        pistons=pistons,
        levels=dict.fromkeys(range(1, 1_001), level),
    )
    file = StoreFile((evolve(bank, name="Ruth"), evolve(bank, name="Emil")))
    with pytest.raises(
        BankFileError, match=r"^this store cannot be saved: it would take 71,[0-9,]+ bytes, and"
    ):
        encode(file)


# ---------------------------------------------------------------- passphrases compared

Change = Callable[[Bank], object]


def _of_level(verifier: bytes) -> Change:
    return lambda bank: setattr(bank.levels[7], "verifier", verifier)


def _of_bank(verifier: bytes) -> Change:
    return lambda bank: setattr(bank, "verifier", verifier)


def _unlock(bank: Bank) -> None:
    bank.locked, bank.verifier = False, b""


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        pytest.param(
            _of_bank(b"other"),
            Comparison(passphrases=(PassphraseDiffers(None, True, True),)),
            id="another of the bank",
        ),
        pytest.param(
            _of_bank(b""),
            Comparison(passphrases=(PassphraseDiffers(None, True, False),)),
            id="none of the bank",
        ),
        pytest.param(
            _of_level(b"other"),
            Comparison(passphrases=(PassphraseDiffers(7, True, True),)),
            id="another of a level",
        ),
        pytest.param(
            _unlock,
            Comparison(
                about=(Differs("locked", True, False),),
                passphrases=(PassphraseDiffers(None, True, False),),
            ),
            id="no lock",
        ),
    ],
)
def test_another_passphrase_is_a_difference(change: Change, expected: Comparison) -> None:
    bank = locked().bank
    change(bank)
    assert compare(locked().bank, bank) == expected
    assert not expected.equal
    mirrored = {(p.level, p.known_second, p.known_first) for p in expected.passphrases}
    found = compare(bank, locked().bank).passphrases
    assert {(p.level, p.known_first, p.known_second) for p in found} == mirrored


@given(banks_with_passphrases(), st.data())
@settings(deadline=None)
def test_banks_are_equal_if_their_passphrases_are(bank: Bank, data: st.DataObject) -> None:
    other = deepcopy(bank)
    assert compare(bank, other).equal
    locks: list[Bank | Level] = [bank, *bank.levels.values()]
    closed = [n for n, lock in enumerate(locks) if lock.locked]
    if closed:
        place = data.draw(st.sampled_from(closed))
        locks[place].verifier += b"more"
        level = None if place == 0 else list(bank.levels)[place - 1]
        expected = PassphraseDiffers(level, True, bool(locks[place].verifier[:-4]))
        assert compare(bank, other) == Comparison(passphrases=(expected,))
