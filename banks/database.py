"""One SQLite file, opened so that what was committed is there after a pulled plug.

What is in its tables is not known here (`banks.store`). Every fault is told in one sentence that
a person understands, and leaves the file as it was.

How it is kept, and why:

* The journal is a write-ahead log. A commit appends to it and flushes once, and a reader never
  waits for a writer. Every frame of the log carries a checksum over all before it, so that an end
  that was half written when the plug was pulled is passed over by the next program that opens
  the file, without a person (SQLite, "Write-Ahead Logging").
* ``synchronous = FULL`` flushes the log at every commit. ``NORMAL`` leaves the file sound, but may
  lose the last commits with the power, and those were acknowledged.
* ``fullfsync`` matters on macOS only, where an ordinary flush stops at the drive's own memory.
* A file that was removed or put aside while it is open would take commits that nobody finds
  again. After each commit its name is looked up, and so is that of the log.
"""

import os
import shutil
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from tempfile import TemporaryDirectory
from urllib.parse import quote

from banks.whole import FileFaultError, check_ordinary, name_of, told_in_words, write_whole

PATIENCE = 5.0
"""Seconds that one program waits for another to finish writing. A commit takes milliseconds; the
longest work, a whole store restored or compacted, seconds."""

_BETWEEN_TRIES = 0.001
"""Seconds: about as long as a commit takes."""

_PAGE = 1024
"""Bytes. A set changes one row in each of two tables, and so writes two pages: small ones."""
_LOG = 4 * 1024 * 1024
"""Bytes of the log at which it is folded into the file: as much as SQLite's default."""

_CACHE = 16 * 1024
"""KiB: the cells of a full bank, of which a set may look for any."""

_SETTINGS = (
    "PRAGMA synchronous = FULL",
    "PRAGMA fullfsync = ON",
    "PRAGMA checkpoint_fullfsync = ON",
    f"PRAGMA wal_autocheckpoint = {_LOG // _PAGE}",
    f"PRAGMA cache_size = -{_CACHE}",
    "PRAGMA cell_size_check = ON",
    "PRAGMA trusted_schema = OFF",  # a stranger's file may define what runs when it is read
)

_IN_WORDS = {
    sqlite3.SQLITE_BUSY: "another program is writing to it, and has not finished",
    sqlite3.SQLITE_LOCKED: "another program is writing to it, and has not finished",
    sqlite3.SQLITE_FULL: "the disk is full",
    sqlite3.SQLITE_IOERR: "the disk failed",
    sqlite3.SQLITE_READONLY: "it can only be read here, not written",
    sqlite3.SQLITE_CANTOPEN: "its folder can only be read, or is not there",
    sqlite3.SQLITE_PERM: "there is no permission for that",
    sqlite3.SQLITE_NOMEM: "there is no memory left for it",
    sqlite3.SQLITE_TOOBIG: "something is too large for it",
}


_FAULTS = (FileFaultError, OSError, UnicodeDecodeError, sqlite3.Error)


class StoreError(Exception):
    """A store that cannot be read or written; the message begins with its name and says why."""


class StoreBusyError(StoreError):
    """Another program was writing for longer than one waits."""


class StoreDamagedError(StoreError):
    """What is in the store is not what was written there."""


class _Writing:
    """The block of `Database.writing`; a generator would cost a set a twentieth of its time."""

    __slots__ = ("_database",)

    def __init__(self, database: "Database") -> None:
        self._database = database

    def __enter__(self) -> sqlite3.Connection:
        return self._database.begin()

    def __exit__(self, _: object, error: BaseException | None, __: object) -> None:
        if error is None:
            self._database.end()
        else:
            self._database.give_up(error)


class Database:
    """A SQLite file that is ours, open."""

    def __init__(
        self,
        path: str | os.PathLike[str],
        schema: str,
        application: int,
        version: int,
        *,
        writing: bool = True,
        patience: float = PATIENCE,
    ) -> None:
        """Open a file that `make` made; without ``writing`` it is only read.

        Raises:
            StoreError: if it cannot be opened, or is not what it should be.
        """
        self.name = name_of(path)
        self._path = Path(os.path.realpath(path))
        self._names = str(self._path), f"{self._path}-wal"
        self._copy: TemporaryDirectory[str] | None = None
        self._patience = patience
        self._log: tuple[int, int] | None = None
        with self._told():
            with told_in_words(path):
                check_ordinary(self._path.stat())
                with self._path.open("rb") as file:
                    empty = not file.read(1)
                    self.file = _identity(os.fstat(file.fileno()))
            if empty:
                raise FileFaultError(f"{self.name}: it is empty, and so not a store")
            self._connection = self._connected(writing)
        try:
            with self._told():
                self._check(schema, application, version)
                # Not before: a stranger's file is left as it is.
                mode = "journal_mode = WAL" if writing else "query_only = ON"
                self._connection.execute(f"PRAGMA {mode}")
                self._connection.execute("PRAGMA busy_timeout = 0")  # `_begin` waits, and better
                if writing:
                    self._begin_log()
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Close it; the last program to do so folds the log into the file."""
        with suppress(sqlite3.Error):
            self._connection.close()
        if self._copy is not None:
            self._copy.cleanup()

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """A block in which nothing changes, whatever other programs do meanwhile.

        Raises:
            StoreError: if it cannot be read.
        """
        with self._told():
            self._begin("BEGIN", "SELECT 1 FROM sqlite_schema")
            try:
                yield self._connection
            finally:
                self._roll_back()

    def writing(self) -> "_Writing":
        """A block whose changes are there for good after it, or after an error not at all.

        Raises:
            StoreBusyError: if another program does not finish writing.
            StoreError: if it cannot be written.
        """
        return _Writing(self)

    def begin(self) -> sqlite3.Connection:
        """Begin to write; the block of `writing` does."""
        try:
            self._begin("BEGIN IMMEDIATE")
        except _FAULTS as error:  # as `_told`, which costs more
            raise self._in_words(error) from None
        return self._connection

    def end(self) -> None:
        """End what was begun, so that it is there for good, or after an error not at all."""
        try:
            try:
                self._connection.execute("COMMIT")
            except BaseException:
                self._roll_back()
                raise
            self._check_found_again()
        except _FAULTS as error:
            raise self._in_words(error) from None

    def give_up(self, error: BaseException) -> None:
        """Let nothing be changed of what was begun.

        Raises:
            StoreError: if it is given up for a fault of the file.
        """
        self._roll_back()
        if isinstance(error, _FAULTS):
            raise self._in_words(error) from None

    def _begin(self, *statements: str) -> None:
        """Begin when no other program stands in the way, waiting as long as one waits.

        SQLite's own waiting tries ever more seldom: a program that writes in a tight loop would
        keep the others out.
        """
        until = time.monotonic() + self._patience
        while True:
            try:
                for statement in statements:
                    self._connection.execute(statement)
                return
            except sqlite3.OperationalError as error:
                self._roll_back()
                busy = error.sqlite_errorcode & 0xFF == sqlite3.SQLITE_BUSY
                if not busy or time.monotonic() >= until:
                    raise
            time.sleep(_BETWEEN_TRIES)

    @contextmanager
    def _waiting(self) -> Iterator[None]:
        """Wait for other programs in what is done only now and then, as SQLite does."""
        self._connection.execute(f"PRAGMA busy_timeout = {round(self._patience * 1000)}")
        try:
            yield
        finally:
            self._connection.execute("PRAGMA busy_timeout = 0")

    def others(self) -> int:
        """A number that is another one after a commit of any other program."""
        (found,) = self._connection.execute("PRAGMA data_version").fetchone()
        return int(found)

    def shrink(self) -> None:
        """Give the room of what was deleted back to the disk.

        Raises:
            StoreError: if there is not room enough to do it; nothing is lost.
        """
        with self._told(), self._waiting():
            self._connection.execute("VACUUM")
        self.checkpoint()

    def checkpoint(self) -> None:
        """Fold the log into the file, as far as no other program still reads from it.

        Raises:
            StoreError: if there is not room enough to do it; nothing is lost.
        """
        with self._told(), self._waiting():
            self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    def copy_to(self, path: str | os.PathLike[str]) -> None:
        """Write a copy, as it is now, where there is no file yet.

        Raises:
            StoreError: if it cannot be read, or not written there.
        """
        with self._told(), TemporaryDirectory() as folder:
            place = Path(folder) / "copy"
            other = sqlite3.connect(place)
            try:
                self._connection.backup(other)
                other.execute("PRAGMA journal_mode = WAL")
            finally:
                other.close()
            write_whole(path, place.read_bytes(), replacing=False)

    def faults(self) -> list[str]:
        """What SQLite itself finds wrong with the file, page by page."""
        try:
            found = self._connection.execute("PRAGMA integrity_check(20)").fetchall()
        except sqlite3.DatabaseError as error:
            return [str(error)]
        return [str(line) for (line,) in found if line != "ok"]

    # ------------------------------------------------------------ opening

    def _begin_log(self) -> None:
        """Begin a new log, unless another program still reads from the one there is.

        Behind what counts in it there may be more of a commit that a power cut broke off. If the
        next commit began with the same page, as most do, that page would join what is left, and
        a second power cut bring the broken commit back.
        """
        with suppress(sqlite3.Error):
            self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    def _connected(self, writing: bool) -> sqlite3.Connection:
        mine = os.access(self._path, os.W_OK)
        if writing:
            if not mine:
                raise FileFaultError(f"{self.name}: {_IN_WORDS[sqlite3.SQLITE_READONLY]}")
            return self._connect(self._path, "rw")
        # A program that may write takes the log and its index away when it is the last to close
        # the file; one that may only read leaves both behind, as its own. So it must not be the
        # one that makes the index: whoever may write the file could not any more.
        may_write = mine and os.access(self._path.parent, os.W_OK)
        if may_write or _there(f"{self._path}-shm") is not None:
            try:
                return self._connect(self._path, "rw" if may_write else "ro")
            except sqlite3.OperationalError as error:
                if error.sqlite_errorcode & 0xFF not in (
                    sqlite3.SQLITE_CANTOPEN,
                    sqlite3.SQLITE_READONLY,
                    sqlite3.SQLITE_FULL,
                    sqlite3.SQLITE_IOERR,
                ):
                    raise
        # A log needs a file for its index beside it, even to be read. Where that cannot be made
        # (a disk that can only be read, or is full), file and log are read from a copy.
        self._copy = TemporaryDirectory()
        try:
            for ending in ("", "-wal"):
                beside = Path(f"{self._path}{ending}")
                if beside.exists():
                    shutil.copyfile(beside, Path(self._copy.name) / f"copy{ending}")
            return self._connect(Path(self._copy.name) / "copy", "rw")
        except BaseException:
            self._copy.cleanup()
            raise

    def _connect(self, path: Path, mode: str) -> sqlite3.Connection:
        connection = sqlite3.connect(
            f"file:{quote(os.fsencode(path))}?mode={mode}",
            uri=True,
            timeout=self._patience,
            isolation_level=None,
        )
        try:
            for setting in _SETTINGS:
                connection.execute(setting)
            connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        except BaseException:
            connection.close()
            raise
        return connection

    def _check(self, schema: str, application: int, version: int) -> None:
        """That the file is one of ours, and that we know its tables."""
        (owner,) = self._connection.execute("PRAGMA application_id").fetchone()
        (found,) = self._connection.execute("PRAGMA user_version").fetchone()
        if owner != application:
            raise FileFaultError(f"{self.name}: it is a database, but not a store")
        if found > version:
            raise FileFaultError(
                f"{self.name}: it was written by a newer program: its version is {found}, and "
                f"this program knows version {version}; it is left as it is"
            )
        wanted = [line.strip() for line in schema.split(";") if line.strip()]
        there = self._connection.execute("SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL")
        if found != version or sorted(str(sql) for (sql,) in there) != sorted(wanted):
            raise FileFaultError(f"{self.name}: it has not the tables that a store has")

    # ------------------------------------------------------------ faults

    def _check_found_again(self) -> None:
        name, log_name = self._names
        log = _there(log_name)
        self._log = self._log or log
        if log is None or log != self._log or _there(name) != self.file:
            # Wherever the file is now, it is to have all that is in the log: left beside another
            # of that name, the log would be taken for the other's, and spoil it.
            with suppress(sqlite3.Error):
                self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            raise FileFaultError(
                f"{self.name}: the file, or the log beside it, was removed or replaced while it "
                "was open"
            )

    def _roll_back(self) -> None:
        if self._connection.in_transaction:
            with suppress(sqlite3.Error):
                self._connection.execute("ROLLBACK")

    @contextmanager
    def _told(self) -> Iterator[None]:
        """Turn what SQLite and the system say into one sentence that begins with the name."""
        try:
            yield
        except _FAULTS as error:
            raise self._in_words(error) from None

    def _in_words(self, error: Exception) -> Exception:
        if isinstance(error, FileFaultError):
            return StoreError(str(error))
        if isinstance(error, UnicodeDecodeError):  # SQLite's own message, with a damaged text
            return StoreDamagedError(f"{self.name}: it is damaged: a text in it is none")
        if isinstance(error, OSError):
            return StoreError(f"{self.name}: {error.strerror or 'the disk failed'}")
        if isinstance(error, sqlite3.ProgrammingError):
            return error
        code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_CORRUPT)
        if code == sqlite3.SQLITE_IOERR_SHMSIZE:  # no room for the index of the log
            code = sqlite3.SQLITE_FULL
        code &= 0xFF
        if code == sqlite3.SQLITE_NOTADB:
            return StoreError(f"{self.name}: it is not a store")
        if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            return StoreBusyError(f"{self.name}: {_IN_WORDS[code]}")
        if code in _IN_WORDS:
            return StoreError(f"{self.name}: {_IN_WORDS[code]}")
        why = str(error) if str(error).isprintable() else "a text in it is none"
        return StoreDamagedError(f"{self.name}: it is damaged: {why}")


def make(path: str | os.PathLike[str], schema: str, application: int, version: int) -> None:
    """Write a new file with empty tables, where there is none yet.

    Raises:
        StoreError: if it cannot be written there, or there is something already.
    """
    try:
        with TemporaryDirectory() as folder:
            place = Path(folder) / "new"
            connection = sqlite3.connect(place, isolation_level=None)
            try:
                connection.execute(f"PRAGMA page_size = {_PAGE}")
                connection.execute(f"PRAGMA application_id = {application}")
                connection.execute(f"PRAGMA user_version = {version}")
                connection.execute("PRAGMA journal_mode = WAL")
                connection.executescript(schema)
            finally:
                connection.close()
            write_whole(path, place.read_bytes(), replacing=False)
    except FileFaultError as fault:
        raise StoreError(str(fault)) from None
    except (OSError, sqlite3.Error) as error:
        raise StoreError(f"{name_of(path)}: it cannot be made: {error}") from None


def _there(path: str) -> tuple[int, int] | None:
    try:
        return _identity(os.stat(path))  # noqa: PTH116  (at every commit: a Path costs more)
    except OSError:
        return None


def _identity(found: os.stat_result) -> tuple[int, int]:
    return found.st_dev, found.st_ino
