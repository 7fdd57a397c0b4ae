"""Bank files on disk: read with care, and written whole or not at all.

All of this package's dealings with the disk are here. What is in the bytes is the business of
`banks.bankfile`.
"""

import errno
import os
import secrets
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from banks.bankfile import BankFile, BankFileError, decode, encode
from banks.limits import BYTES_IN_FILE

_IN_WORDS = {
    errno.ENOENT: "there is no such file or folder",
    errno.EISDIR: "it is a folder",
    errno.ENOTDIR: "a part of its path is a file, not a folder",
    errno.EACCES: "there is no permission for that",
    errno.EPERM: "there is no permission for that",
    errno.ENOSPC: "the disk is full",
    errno.EDQUOT: "no more of the disk is yours to fill",
    errno.EFBIG: "a file may not be as large as that here",
    errno.ENAMETOOLONG: "the name is too long",
    errno.EROFS: "the disk can only be read",
    errno.ELOOP: "its links go round in a circle",
    errno.EIO: "the disk failed",
}


def read_bank_file(path: str | os.PathLike[str]) -> BankFile:
    """Read a bank file.

    Raises:
        BankFileError: if it cannot be read, or is not a sound bank file.
    """
    with _told_in_words(path):
        found = Path(path).stat()
        _check_ordinary(found)
        if found.st_size > BYTES_IN_FILE:
            raise BankFileError(
                f"it is too large for a bank file: it has {found.st_size:,} bytes, and a bank "
                f"file has at most {BYTES_IN_FILE:,}"
            )
        with Path(path).open("rb") as file:
            return decode(file.read(found.st_size + 1))


def write_bank_file(path: str | os.PathLike[str], file: BankFile) -> None:
    """Write a bank file: after this it is there whole; after an error, as it was before.

    The new file is written beside the old one, flushed to the disk, read again and compared,
    and only then given the old one's place and permissions. A link is followed to the file
    that it leads to.

    Raises:
        BankFileError: if the bank cannot be saved, or not there. The one error that leaves the
            new file in place is a disk that will not confirm its new name, and it says so.
    """
    with _told_in_words(path):
        data = encode(file)
        target = Path(os.path.realpath(path)) if Path(path).is_symlink() else Path(path)
        old = _replaced(Path(path), target)
        temporary = target.with_name(f".{secrets.token_hex(8)}.part")
        try:
            _write(temporary, data, old)
            if decode(temporary.read_bytes()) != file:
                raise BankFileError("what was written cannot be read again as it was")
            temporary.replace(target)
        except BaseException:
            with suppress(OSError):
                temporary.unlink(missing_ok=True)
            raise
    with _told_in_words(path, "the file is written, but the disk does not confirm it: "):
        _flush_folder(target.parent)


def _replaced(path: Path, target: Path) -> os.stat_result | None:
    """What is known of the file about to be replaced, if there is one that may be."""
    try:
        old = target.stat()
    except FileNotFoundError:
        if path.is_symlink():
            raise BankFileError("it is a link that leads nowhere") from None
        return None
    _check_ordinary(old)
    if not os.access(target, os.W_OK):
        raise BankFileError("it may only be read, not replaced")
    return old


def _check_ordinary(found: os.stat_result) -> None:
    if stat.S_ISDIR(found.st_mode):
        raise BankFileError("it is a folder")
    if not stat.S_ISREG(found.st_mode):
        raise BankFileError("it is not an ordinary file")


def _write(temporary: Path, data: bytes, old: os.stat_result | None) -> None:
    """Make a new file, under the old one's permissions if there is one, and flush it."""
    handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600 if old else 0o666)
    with os.fdopen(handle, "wb") as file:
        if old is not None:
            with suppress(PermissionError):
                os.fchown(handle, old.st_uid, old.st_gid)
            os.fchmod(handle, stat.S_IMODE(old.st_mode))
        file.write(data)
        file.flush()
        os.fsync(handle)


def _flush_folder(folder: Path) -> None:
    """Make a new name in a folder last."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextmanager
def _told_in_words(path: str | os.PathLike[str], but: str = "") -> Iterator[None]:
    """Turn what the system says into one sentence that begins with the file's name."""
    name = os.fspath(path)
    shown = name if name.isprintable() else repr(name)
    if "\0" in name:
        raise BankFileError(f"{shown}: no file can have that name")
    try:
        yield
    except BankFileError as error:
        raise BankFileError(f"{shown}: {error}") from None
    except OSError as error:
        words = _IN_WORDS.get(error.errno or 0, error.strerror or "the disk failed")
        raise BankFileError(f"{shown}: {but}{words}") from None
