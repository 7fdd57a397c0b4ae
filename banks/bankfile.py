"""A bank file's bytes: the frame round the payload, as `FORMAT.md` describes it.

A bank file is read with nothing else at hand, and is refused whole for a single changed bit, a
missing tail or a byte too many. What stands in the payload is the business of `banks.payload`;
no file is opened here (`banks.files` does that).
"""

import struct
from hashlib import sha256

from banks.limits import BYTES_IN_FILE
from banks.payload import VERSION, packed, unpacked
from banks.payload import BankFile as BankFile
from banks.payload import StoreFile as StoreFile
from banks.shapes import MisfitError

MAGIC = b"\xbaSWB\r\n\x1a\n"
"""A byte that no text begins with, letters, and line ends that a transfer as text would change
(in the manner of the PNG specification's signature)."""
_HEAD = struct.Struct(">8sIQ")
_DIGEST = sha256().digest_size
_MOST_NAMES = 20
"""Up to so many banks of a store are named one by one in a message."""


class BankFileError(Exception):
    """A bank file that cannot be read or written; the message says why, for a person."""


def encode(file: BankFile | StoreFile) -> bytes:
    """A bank file's bytes. What could not be read again is not made.

    Raises:
        BankFileError: if the bank is, or the banks are, beyond what a bank file can carry.
    """
    banks = "this bank" if isinstance(file, BankFile) else "this store"
    try:
        version, payload = packed(file)
    except MisfitError as misfit:
        raise BankFileError(f"{banks} cannot be saved: {misfit}") from None
    size = _HEAD.size + len(payload) + _DIGEST
    if size > BYTES_IN_FILE:
        raise BankFileError(
            f"{banks} cannot be saved: it would take {size:,} bytes, and a bank file has at "
            f"most {BYTES_IN_FILE:,}"
        )
    head = _HEAD.pack(MAGIC, version, len(payload))
    digest = sha256(head)
    digest.update(payload)
    return b"".join((head, payload, digest.digest()))


def decode(data: bytes) -> BankFile:
    """What the bytes of a file of one bank, or of a part of one, hold.

    Raises:
        BankFileError: as `decode_any` does; or if the file holds a store, whose banks it names.
    """
    file = decode_any(data)
    if isinstance(file, BankFile):
        return file
    names = [repr(bank.name) for bank in file.banks[:_MOST_NAMES]]
    if len(file.banks) > _MOST_NAMES:
        names.append(f"and {len(file.banks) - _MOST_NAMES:,} more")
    count = "1 bank" if len(file.banks) == 1 else f"{len(file.banks):,} banks"
    raise BankFileError(f"the bank file holds a whole store, of {count}: {', '.join(names)}")


def decode_any(data: bytes) -> BankFile | StoreFile:
    """What a bank file's bytes hold.

    Raises:
        BankFileError: if they are not those of a whole, sound bank file that this program
            knows; nothing is read from a file that has any fault.
    """
    version, payload = _payload(data)
    try:
        return unpacked(version, payload)
    except MisfitError as misfit:
        raise BankFileError(f"the bank file is not made as it should be: {misfit}") from None


def _payload(data: bytes) -> tuple[int, bytes]:
    """The version, and what stands between head and digest.

    The frame is the same in every version.
    """
    if not data:
        raise BankFileError("the bank file is empty")
    if data[: len(MAGIC)] != MAGIC and not MAGIC.startswith(data):
        if MAGIC[1:4] in data[: len(MAGIC)]:
            raise BankFileError(
                "the bank file is damaged in its first bytes, as happens when it is sent as "
                "text: copy it again, unchanged"
            )
        raise BankFileError("this is not a bank file")
    if len(data) < _HEAD.size:
        raise BankFileError(
            f"the bank file is cut short: it has {len(data)} bytes of at least "
            f"{_HEAD.size + _DIGEST}"
        )
    _, version, length = _HEAD.unpack_from(data)
    size = _HEAD.size + length + _DIGEST
    if size > BYTES_IN_FILE:
        raise BankFileError(
            f"the bank file is damaged: it claims to have {size:,} bytes, and a bank file has "
            f"at most {BYTES_IN_FILE:,}"
        )
    if len(data) < size:
        raise BankFileError(f"the bank file is cut short: it has {len(data):,} of {size:,} bytes")
    if len(data) > size:
        raise BankFileError(
            f"the bank file has something after its end: it has {len(data):,} bytes, and "
            f"should have {size:,}"
        )
    if sha256(memoryview(data)[:-_DIGEST]).digest() != data[-_DIGEST:]:
        raise BankFileError("the bank file is damaged: its contents do not agree with its check")
    if version > VERSION:
        raise BankFileError(
            f"the bank file comes from a newer program: its format is version {version}, and "
            f"this one reads versions up to {VERSION}"
        )
    if version == 0:
        raise BankFileError("the bank file says format version 0: there never was one")
    return version, data[_HEAD.size : -_DIGEST]
