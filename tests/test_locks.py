"""Passphrases: how they are kept and checked, and what locks with them let an organist do."""

import hashlib
import shutil
import subprocess
from collections.abc import Callable
from copy import deepcopy

import pytest

from banks import BankEditError, editing, locks
from banks.locks import opens, verifier
from combination.memory import Bank, Combination, ControlCard, Level, PistonCard, Slot

OPENSSL = shutil.which("openssl")

RFC_7914_SECTION_12 = (
    (
        b"",
        b"",
        (4, 1, 1),
        "77d6576238657b203b19ca42c18a0497f16b4844e3074ae8dfdffa3fede21442"
        "fcd0069ded0948f8326a753a0fc81f17e8d3e0fb2e0d3628cf35e20c38d18906",
    ),
    (
        b"password",
        b"NaCl",
        (10, 8, 16),
        "fdbabe1c9d3472007856e7190d01e9fe7c6ad7cbc8237830e77376634b373162"
        "2eaf30d92e22a3886ff109279d9830dac727afb94a83ee6d8360cbdfa2cc0640",
    ),
    (
        b"pleaseletmein",
        b"SodiumChloride",
        (14, 8, 1),
        "7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2"
        "d5432955613f0fcf62d49705242a9af9e61e85dc0d651e40dfcf017b45575887",
    ),
)
"""Passphrase, salt, (log n, r, p) and 64 bytes of key; the fourth there would take 1 GiB.

They were written down from memory, not from the page; that a second implementation comes to
the same is seen below.
"""


@pytest.mark.parametrize(("passphrase", "salt", "numbers", "key"), RFC_7914_SECTION_12)
def test_rfc_7914_section_12(
    passphrase: bytes, salt: bytes, numbers: tuple[int, int, int], key: str
) -> None:
    log_n, r, p = numbers
    assert hashlib.scrypt(passphrase, salt=salt, n=1 << log_n, r=r, p=p).hex() == key
    if passphrase:
        kept = bytes((1, *numbers, len(salt))) + salt + bytes.fromhex(key)[:32]
        assert opens(kept, passphrase.decode())
        assert not opens(kept, passphrase.decode() + "x")


@pytest.mark.skipif(OPENSSL is None, reason="there is no openssl here")
@pytest.mark.parametrize("passphrase", ["four old boots", "e\u0301glise\u00a0nº 7"])
def test_openssl_comes_to_the_same_key(passphrase: str) -> None:
    kept = verifier(passphrase)
    version, log_n, r, p, salt_bytes = kept[:5]
    assert (version, salt_bytes, len(kept)) == (1, 16, 53)
    typed = passphrase.replace("e\u0301", "\u00e9").replace("\u00a0", " ").encode()
    numbers = {"n": 1 << log_n, "r": r, "p": p, "hexpass": typed.hex(), "hexsalt": kept[5:21].hex()}
    options = [word for key, value in numbers.items() for word in ("-kdfopt", f"{key}:{value}")]
    done = subprocess.run(
        [str(OPENSSL), "kdf", "-keylen", "32", *options, "SCRYPT"], capture_output=True, check=True
    )
    assert bytes.fromhex(done.stdout.decode().replace(":", "")) == kept[21:]


def test_a_passphrase_is_known_again_and_no_other() -> None:
    kept = verifier("Four old boots")
    assert opens(kept, "Four old boots")
    for other in ("four old boots", "Four old boots ", " Four old boots", "Four  old boots", "F"):
        assert not opens(kept, other)
    assert verifier("Four old boots") != kept


def test_a_passphrase_is_the_same_however_it_is_typed() -> None:
    kept = verifier("\u00e9glise n\u00ba 7")
    for typed in ("e\u0301glise n\u00ba 7", "\u00e9glise\u00a0n\u00ba\u20037"):
        assert opens(kept, typed)
    for other in ("eglise n\u00ba 7", "\u00e9glise no 7"):
        assert not opens(kept, other)


@pytest.mark.parametrize(
    ("passphrase", "message"),
    [
        ("", "a passphrase cannot be empty"),
        ("x" * 201, "the passphrase is longer than 200 characters"),
        ("boots\x1b[A", "the passphrase has a character in it that cannot be printed (U+001B)"),
        ("\udce9glise", "the passphrase has a character in it that cannot be printed (U+DCE9)"),
    ],
)
def test_what_can_be_no_passphrase(passphrase: str, message: str) -> None:
    kept = verifier("x" * 200)
    for ask in (lambda: verifier(passphrase), lambda: opens(kept, passphrase)):
        with pytest.raises(BankEditError) as caught:
            ask()
        assert str(caught.value) == message


def kept_of(log_n: int, r: int, p: int, salt: bytes = b"salt") -> bytes:
    return bytes((1, log_n, r, p, len(salt))) + salt + bytes(32)


DAMAGED = "the passphrase cannot be checked: what is kept of it is damaged"
TOO_MUCH = "the passphrase cannot be checked: what is kept of it asks for too much memory or time"
NEWER = (
    "the passphrase cannot be checked: what is kept of it is of a kind that this version does "
    "not know"
)


@pytest.mark.parametrize(
    ("kept", "message"),
    [
        *((kept_of(14, 8, 1)[:size], DAMAGED) for size in range(41)),
        (kept_of(14, 8, 1) + b"\0", DAMAGED),
        (b"\0" + kept_of(14, 8, 1)[1:], DAMAGED),
        (b"\2" + kept_of(14, 8, 1)[1:], NEWER),
        (b"\2", NEWER),
        (kept_of(0, 8, 1), DAMAGED),
        (kept_of(16, 1, 1), DAMAGED),
        (kept_of(14, 0, 1), DAMAGED),
        (kept_of(14, 8, 0), DAMAGED),
        (kept_of(14, 8, 1, b""), DAMAGED),
        (kept_of(14, 8, 1, b"s" * 65), DAMAGED),
        (kept_of(17, 8, 1), TOO_MUCH),
        (kept_of(16, 9, 1), TOO_MUCH),
        (kept_of(16, 8, 2), TOO_MUCH),
        (kept_of(255, 255, 255), TOO_MUCH),
    ],
)
def test_what_cannot_be_read_is_said_to_be_so(kept: bytes, message: str) -> None:
    with pytest.raises(BankEditError) as caught:
        opens(kept, "boots")
    assert str(caught.value) == message


@pytest.mark.parametrize(
    "numbers", [(1, 1, 1), (15, 1, 16), (16, 8, 1), (16, 2, 4), (11, 255, 1), (11, 1, 255)]
)
def test_all_that_is_within_bounds_can_be_checked(numbers: tuple[int, int, int]) -> None:
    log_n, r, p = numbers
    key = hashlib.scrypt(b"boots", salt=b"s" * 64, n=1 << log_n, r=r, p=p, maxmem=1 << 27, dklen=32)
    kept = kept_of(*numbers, salt=b"s" * 64)[:-32] + key
    assert len(kept) <= 256
    assert opens(kept, "boots")


# ---------------------------------------------------------------- locks


def hanne() -> Bank:
    return Bank(
        console="Quay Chapel",
        controls=(ControlCard("flute"),),
        pistons={"g1": PistonCard("g1", kind="general", affects=1)},
        levels={3: Level("Easter", combinations={"g1": Combination(1)}), 4: Level("Advent")},
    )


Lock = Callable[[Bank, str | None], None]
LOCKS: dict[str, tuple[Lock, Lock, Callable[[Bank], Bank | Level], Callable[[Bank], None]]] = {
    "the bank": (
        editing.lock_bank,
        editing.unlock_bank,
        lambda bank: bank,
        lambda bank: editing.name_bank(bank, "Hanne"),
    ),
    "level 3": (
        lambda bank, passphrase: editing.lock_level(bank, 3, passphrase),
        lambda bank, passphrase: editing.unlock_level(bank, 3, passphrase),
        lambda bank: bank.levels[3],
        lambda bank: editing.clear_level(bank, 3),
    ),
}
"""What is locked: how, how it is unlocked, where that is kept, and an edit that it refuses."""


@pytest.fixture
def sooner(monkeypatch: pytest.MonkeyPatch) -> None:
    """Passphrases are kept by the same means, at a small part of its cost."""
    monkeypatch.setattr(locks, "_LOG_N", 4)


def refused(edit: Callable[[], object]) -> str:
    with pytest.raises(BankEditError) as caught:
        edit()
    return str(caught.value)


@pytest.mark.usefixtures("sooner")
@pytest.mark.parametrize("what", LOCKS)
def test_a_lock_with_a_passphrase(what: str) -> None:
    lock, unlock, where, edit = LOCKS[what]
    bank = hanne()
    lock(bank, "four boots")
    locked = deepcopy(bank)
    assert where(bank).locked
    assert opens(where(bank).verifier, "four boots")
    assert refused(lambda: edit(bank)) == f"{what} is locked"
    assert refused(lambda: unlock(bank, None)) == f"{what} is locked with a passphrase"
    assert refused(lambda: unlock(bank, "five")) == "the passphrase is not the right one"
    assert refused(lambda: unlock(bank, "")) == "a passphrase cannot be empty"
    for passphrase in (None, "four boots", "five"):
        again = f"{what} is locked with a passphrase already: unlock it first"
        assert refused(lambda p=passphrase: lock(bank, p)) == again  # type: ignore[misc]
    assert bank == locked
    unlock(bank, "four boots")
    assert bank == hanne()
    edit(bank)


@pytest.mark.usefixtures("sooner")
@pytest.mark.parametrize("what", LOCKS)
def test_a_lock_without_a_passphrase(what: str) -> None:
    lock, unlock, where, edit = LOCKS[what]
    bank = hanne()
    lock(bank, None)
    lock(bank, None)
    assert where(bank).verifier == b""
    assert refused(lambda: edit(bank)) == f"{what} is locked"
    unlock(bank, "one that is not asked for")
    assert bank == hanne()
    lock(bank, None)
    lock(bank, "four boots")
    assert refused(lambda: unlock(bank, None)) == f"{what} is locked with a passphrase"


@pytest.mark.parametrize("what", LOCKS)
def test_a_lock_with_what_can_be_no_passphrase_changes_nothing(what: str) -> None:
    bank = hanne()
    assert refused(lambda: LOCKS[what][0](bank, "")) == "a passphrase cannot be empty"
    assert bank == hanne()


@pytest.mark.parametrize("what", LOCKS)
def test_an_unlocked_thing_needs_no_passphrase_whatever_is_kept_of_one(what: str) -> None:
    lock, unlock, where, _ = LOCKS[what]
    bank = hanne()
    where(bank).verifier = b"left over"
    unlock(bank, None)
    assert bank == hanne()
    where(bank).verifier = b"left over"
    lock(bank, None)
    assert where(bank).verifier == b""


def test_a_blank_level_that_is_not_locked_after_all_is_not_there() -> None:
    bank = hanne()
    refused(lambda: editing.lock_level(bank, 9, ""))
    assert 9 not in bank.levels


@pytest.mark.usefixtures("sooner")
def test_a_damaged_verifier_keeps_the_lock_shut_and_says_why() -> None:
    bank = hanne()
    editing.lock_bank(bank, "four boots")
    bank.verifier = bank.verifier[:-1]
    assert refused(lambda: editing.unlock_bank(bank, "four boots")) == DAMAGED
    assert bank.locked


@pytest.mark.usefixtures("sooner")
def test_locks_in_a_locked_bank() -> None:
    bank = hanne()
    editing.lock_level(bank, 3, "four boots")
    editing.lock_bank(bank, "a shoe")
    assert refused(lambda: editing.lock_level(bank, 4, "x")) == "the bank is locked"
    editing.unlock_level(bank, 3, "four boots")
    editing.unlock_bank(bank, "a shoe")
    assert bank == hanne()


@pytest.mark.usefixtures("sooner")
def test_a_copy_of_a_locked_level_is_not_locked_and_no_locked_level_moves() -> None:
    bank = hanne()
    editing.lock_level(bank, 3, "four boots")
    editing.copy_level(bank, 3, 5)
    assert bank.levels[5] == hanne().levels[3]
    assert refused(lambda: editing.swap_levels(bank, 4, 3)) == "level 3 is locked"
    assert refused(lambda: editing.clear_level(bank, 3)) == "level 3 is locked"
    assert refused(lambda: editing.copy_level(bank, 4, 3)) == "level 3 is locked"
    assert bank.get(Slot("g1", 3)) == Combination(1)
    assert opens(bank.levels[3].verifier, "four boots")
