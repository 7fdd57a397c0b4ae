"""Files written whole or not at all, whatever the disk does meanwhile.

What a file holds is not known here. Faults are told in one sentence that a person understands.
"""

import errno
import os
import secrets
import stat
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

_IN_WORDS = {
    errno.ENOENT: "there is no such file or folder",
    errno.EISDIR: "it is a folder",
    errno.ENOTDIR: "a part of its path is a file, not a folder",
    errno.EEXIST: "it is there already, and is left as it is",
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


class FileFaultError(Exception):
    """A file that cannot be read or written; the message begins with its name and says why."""


def write_whole(
    path: str | os.PathLike[str],
    data: bytes,
    *,
    replacing: bool = True,
    read_back: Callable[[bytes], bool] = lambda _: True,
) -> None:
    """Write a file: after this it is there whole; after an error, all is as it was.

    The new file is written beside its place, flushed to the disk, read again, and only then
    given its name. With ``replacing`` it takes the place, the owner and the permissions of the
    file that is there, if there is one, and a link is followed to the file that it leads to;
    without, a file that is there is left alone. ``read_back`` is given what was written, and
    says whether it is sound.

    Raises:
        FileFaultError: if it cannot be written there. The one error that leaves the new file in
            place is a disk that will not confirm its new name, and it says so.
    """
    with told_in_words(path):
        place = Path(path)
        target = Path(os.path.realpath(place)) if replacing and place.is_symlink() else place
        if not replacing and os.path.lexists(place):
            raise FileExistsError(errno.EEXIST, "")
        old = _replaced(place, target) if replacing else None
        temporary = target.parent / f".{secrets.token_hex(8)}.part"
        try:
            _write(temporary, data, old)
            if not read_back(temporary.read_bytes()):
                raise FileFaultError("what was written cannot be read again as it was")
            if replacing:
                temporary.replace(target)
            else:
                _name_new(temporary, target)
        except BaseException:
            with suppress(OSError):
                temporary.unlink(missing_ok=True)
            raise
    with told_in_words(path, "the file is written, but the disk does not confirm it: "):
        _flush_folder(target.parent)


def check_ordinary(found: os.stat_result) -> None:
    """Let only ordinary files pass.

    Raises:
        FileFaultError: for a folder, a pipe, a device.
    """
    if stat.S_ISDIR(found.st_mode):
        raise FileFaultError("it is a folder")
    if not stat.S_ISREG(found.st_mode):
        raise FileFaultError("it is not an ordinary file")


def name_of(path: str | os.PathLike[str]) -> str:
    """A file's name as a message may give it: no escape in it reaches a terminal."""
    name = os.fspath(path)
    return name if name.isprintable() else repr(name)


@contextmanager
def told_in_words(path: str | os.PathLike[str], but: str = "") -> Iterator[None]:
    """Turn what the system says into one sentence that begins with the file's name.

    Raises:
        FileFaultError: for any fault of the file inside the block.
    """
    shown = name_of(path)
    if "\0" in os.fspath(path):
        raise FileFaultError(f"{shown}: no file can have that name")
    try:
        yield
    except FileFaultError as error:
        raise FileFaultError(f"{shown}: {error}") from None
    except OSError as error:
        words = _IN_WORDS.get(error.errno or 0, error.strerror or "the disk failed")
        raise FileFaultError(f"{shown}: {but}{words}") from None


def _replaced(path: Path, target: Path) -> os.stat_result | None:
    """What is known of the file about to be replaced, if there is one that may be."""
    try:
        old = target.stat()
    except FileNotFoundError:
        if path.is_symlink():
            raise FileFaultError("it is a link that leads nowhere") from None
        return None
    check_ordinary(old)
    if not os.access(target, os.W_OK):
        raise FileFaultError("it may only be read, not replaced")
    return old


def _write(temporary: Path, data: bytes, old: os.stat_result | None) -> None:
    """Make a new file, under the old one's permissions if there is one, and flush it."""
    how = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    handle = os.open(temporary, how, 0o600 if old else 0o666)
    with os.fdopen(handle, "wb") as file:
        if old is not None and sys.platform != "win32":  # there its folder says who may
            with suppress(PermissionError):
                os.fchown(handle, old.st_uid, old.st_gid)
            os.fchmod(handle, stat.S_IMODE(old.st_mode))
        file.write(data)
        file.flush()
        os.fsync(handle)


def _name_new(temporary: Path, target: Path) -> None:
    """Give a file a name that nothing has. A link cannot overwrite, as a change of name can."""
    try:
        os.link(temporary, target)
    except FileExistsError:
        raise
    except OSError:  # disks without links, as memory sticks are
        if os.path.lexists(target):
            raise FileExistsError(errno.EEXIST, "") from None
        temporary.rename(target)
    else:
        temporary.unlink()


def _flush_folder(folder: Path) -> None:
    """Make a new name in a folder last. Windows opens no folders; NTFS has a journal for names."""
    if sys.platform == "win32":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
