"""Passphrases of locks, and what they are checked against: verifiers, as bytes.

A lock keeps writing away, and a passphrase keeps it locked: that protects from fingers, not
from thieves. Whoever has the file can read the bank in it and copy it, passphrase or not, and
can take the lock off: so a passphrase that was forgotten loses nothing. (In this library that
is ``bank.locked, bank.verifier = False, b""``, or the same of a level.) What a lock refuses is
not known here.

The key is derived by scrypt (RFC 7914), which is slow to guess at, so that a passphrase that
someone uses elsewhere too is not soon found out from a bank file. A verifier is

    ======  ======================================
    1 byte  version, 1
    1 byte  the binary logarithm of n, scrypt's cost
    1 byte  r, its block size
    1 byte  p, its parallelization
    1 byte  the length of the salt, 1 to 64
            the salt
    32      the key: scrypt of the passphrase
    ======  ======================================

so that the numbers can grow with the years while old verifiers are still understood.
"""

import hashlib
import hmac
import re
import secrets
import unicodedata

from banks.limits import flaw
from banks.refusals import BankEditError

_VERSION = 1
_LOG_N, _R, _P = 14, 8, 1
"""Scrypt's numbers for interactive use, as its author gave them: 16 MiB, about 0.1 s."""
_SALT_BYTES = 16
_MOST_SALT_BYTES = 64
_KEY_BYTES = 32
_HEAD_BYTES = 5
_MOST_WORK = 4 << _LOG_N + 3
"""The most that n * r * p may be, four times our own: at most 64 MiB, about half a second."""

_SPACES = re.compile(r"[\u00a0\u1680\u2000-\u200a\u202f\u205f\u3000]")
"""Spaces other than the ordinary one: Unicode's category Zs."""


def verifier(passphrase: str) -> bytes:
    """What to keep of a passphrase: 53 bytes, others each time, by which `opens` knows it.

    Raises:
        BankEditError: if the passphrase is empty, longer than 200 characters, or has a
            character in it that cannot be printed.
    """
    salt = secrets.token_bytes(_SALT_BYTES)
    head = bytes((_VERSION, _LOG_N, _R, _P, _SALT_BYTES))
    return head + salt + _key(_prepared(passphrase), salt, _LOG_N, _R, _P)


def opens(verifier: bytes, passphrase: str) -> bool:
    """Whether it is the passphrase that the verifier was made of.

    A verifier that asks for more than 64 MiB of memory, or more than four times our own work,
    is refused before anything is computed: it came with a file, perhaps a stranger's.

    Raises:
        BankEditError: if there can be no such passphrase, or the verifier cannot be read.
    """
    prepared = _prepared(passphrase)
    if verifier[:1] > bytes((_VERSION,)):
        raise _unreadable("is of a kind that this version does not know")
    if len(verifier) <= _HEAD_BYTES or verifier[0] != _VERSION:
        raise _unreadable("is damaged")
    _, log_n, r, p, salt_bytes = verifier[:_HEAD_BYTES]
    salt, key = verifier[_HEAD_BYTES:-_KEY_BYTES], verifier[-_KEY_BYTES:]
    if not 1 <= salt_bytes <= _MOST_SALT_BYTES or (
        len(verifier) != _HEAD_BYTES + salt_bytes + _KEY_BYTES
    ):
        raise _unreadable("is damaged")
    # RFC 7914, section 2: n is above 1 and below 2 to the power of 16 r.
    if not (1 <= log_n < 16 * r and p):
        raise _unreadable("is damaged")
    if r * p << log_n > _MOST_WORK:
        raise _unreadable("asks for too much memory or time")
    return hmac.compare_digest(_key(prepared, salt, log_n, r, p), key)


def _prepared(passphrase: str) -> bytes:
    """A passphrase as the bytes that are hashed: the same ones however it was typed.

    As RFC 8265 has it (OpaqueString): any kind of space is a space, and an accented letter is
    one character (NFC), which some keyboards and systems send as two. All else counts as it
    is, capitals too, and spaces at either end.
    """
    composed = unicodedata.normalize("NFC", _SPACES.sub(" ", passphrase))
    if not composed:
        raise BankEditError("a passphrase cannot be empty")
    wrong = flaw(composed)
    if wrong:
        raise BankEditError(f"the passphrase {wrong}")
    return composed.encode()


def _key(passphrase: bytes, salt: bytes, log_n: int, r: int, p: int) -> bytes:
    n = 1 << log_n
    # What scrypt holds at once: its vector of n blocks, two more blocks, and p of them in line.
    memory = 128 * r * (n + 2 + p)
    return hashlib.scrypt(passphrase, salt=salt, n=n, r=r, p=p, maxmem=memory, dklen=_KEY_BYTES)


def _unreadable(why: str) -> BankEditError:
    return BankEditError(f"the passphrase cannot be checked: what is kept of it {why}")
