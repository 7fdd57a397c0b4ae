"""Bank files on disk. What is in the bytes is the business of `banks.bankfile`."""

import os
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from banks.bankfile import BankFile, BankFileError, StoreFile, decode, decode_any, encode
from banks.limits import BYTES_IN_FILE
from banks.whole import FileFaultError, check_ordinary, name_of, told_in_words, write_whole

_File = TypeVar("_File")


def read_bank_file(path: str | os.PathLike[str]) -> BankFile:
    """Read a file of one bank, or of a part of one.

    Raises:
        BankFileError: if it cannot be read, is not a sound bank file, or holds a store.
    """
    return _read(path, decode)


def read_any(path: str | os.PathLike[str]) -> BankFile | StoreFile:
    """Read a bank file, whatever it holds.

    Raises:
        BankFileError: if it cannot be read, or is not a sound bank file.
    """
    return _read(path, decode_any)


def _read(path: str | os.PathLike[str], decoded: Callable[[bytes], _File]) -> _File:
    try:
        with told_in_words(path):
            found = Path(path).stat()
            check_ordinary(found)
            if found.st_size > BYTES_IN_FILE:
                raise FileFaultError(
                    f"it is too large for a bank file: it has {found.st_size:,} bytes, and a bank "
                    f"file has at most {BYTES_IN_FILE:,}"
                )
            with Path(path).open("rb") as file:
                data = file.read(found.st_size + 1)
    except FileFaultError as fault:
        raise BankFileError(str(fault)) from None
    try:
        return decoded(data)
    except BankFileError as fault:
        raise BankFileError(f"{name_of(path)}: {fault}") from None


def write_bank_file(
    path: str | os.PathLike[str], file: BankFile | StoreFile, *, replacing: bool = True
) -> None:
    """Write a bank file: after this it is there whole; after an error, as it was before.

    It is read again and compared before it takes its place: see `banks.whole.write_whole`.

    Raises:
        BankFileError: if it cannot be saved, or not there.
    """
    try:
        data = encode(file)
    except BankFileError as fault:
        raise BankFileError(f"{name_of(path)}: {fault}") from None

    def is_the_same(written: bytes) -> bool:
        try:
            return decode_any(written) == file
        except BankFileError:
            return False

    try:
        write_whole(path, data, replacing=replacing, read_back=is_the_same)
    except FileFaultError as fault:
        raise BankFileError(str(fault)) from None
