"""What a program wrote to its disk, as strace recorded it, and what a power cut leaves of that.

A record is made of one process, whose calls come one after another. Nothing is known here of
what the files are for.

What is modelled is what POSIX promises, and no more. A write, a change of a file's length, a new
name, a name taken away: each lasts once its file, or for names its folder, has been flushed. Of
what was not flushed when the power went, any part may have reached the disk, in any order. A
write may have got there whole, not at all, or in some of its sectors of 512 bytes and not in
others; where a file has grown and nothing got there, it holds noughts or noise. Flushing a file
does not make its name last. What was flushed is never harmed again: a sector that is written in
part keeps its other bytes (SQLite's "powersafe overwrite"), and a disk that says that it has
flushed has done so.
"""

import os
import re
import subprocess
from collections.abc import Iterator, Mapping, Sequence
from enum import Enum
from hashlib import blake2b
from pathlib import Path
from random import Random

from attrs import define, field, frozen

SECTOR = 512

TRACED = (
    "openat,open,creat,write,writev,pwrite64,pwritev,pwritev2,ftruncate,truncate,fallocate,"
    "fsync,fdatasync,sync_file_range,copy_file_range,sendfile,splice,"
    "unlink,unlinkat,rename,renameat,renameat2,link,linkat,lseek"
)
"""Every call that could change a file or a name. Those that the model has not are refused."""

_LINE = re.compile(r"(\d+) +(\w+)\((.*)\) += (-?\d+)")


class RecordError(Exception):
    """A call on the recorded folder that the model does not know."""


# ---------------------------------------------------------------- what was called


@frozen
class Call:
    """One call: its name, its arguments as strace writes them, what it gave (-1 if it failed)."""

    name: str
    arguments: tuple[str, ...]
    result: int

    def names(self, path: Path) -> bool:
        """Whether it is about the file with that name."""
        return any(
            given.startswith('"') and self.data(place) == os.fsencode(path)
            for place, given in enumerate(self.arguments)
        )

    def text(self, place: int) -> str:
        return os.fsdecode(self.data(place))

    def data(self, place: int) -> bytes:
        given = self.arguments[place]
        if not (given.startswith('"') and given.endswith('"')):
            raise RecordError(f"{self.name}: not recorded whole: {given[:40]}")
        return bytes.fromhex(given[1:-1].replace("\\x", ""))

    def number(self, place: int) -> int:
        return int(self.arguments[place], 0)


def recorded(strace: str, command: Sequence[str], log: Path, cwd: Path) -> list[Call]:
    """Run a program, which is to end well, and say which calls it made."""
    options = ["-f", "-xx", "-s", "1000000", "-e", "signal=none", "-e", f"trace={_known()}"]
    subprocess.run([strace, *options, "-o", str(log), *command], check=True, cwd=cwd, timeout=120)
    calls, processes = [], set()
    for line in log.read_text(encoding="ascii").splitlines():
        found = _LINE.fullmatch(re.sub(r"( E[A-Z0-9]+)? \([^()]*\)$", "", line))
        if found is None:
            if "+++ exited with 0 +++" in line:
                continue
            raise RecordError(line[:100])
        process, name, arguments, result = found.groups()
        processes.add(process)
        calls.append(Call(name, tuple(arguments.split(", ")), int(result)))
    if len(processes) != 1:
        raise RecordError(f"{len(processes)} processes: the order of their calls is not known")
    return calls


def _known() -> str:
    """With a question mark strace passes over what an architecture has not."""
    return ",".join(f"?{name}" for name in TRACED.split(","))


# ---------------------------------------------------------------- a disk


class Fate(Enum):
    """What becomes of something that was not flushed."""

    ABSENT = 0
    WHOLE = 1
    TORN = 2


@frozen
class Written:
    """Bytes for a place in a file, not flushed yet."""

    serial: int
    offset: int
    data: bytes


@frozen
class Shortened:
    """A file's new length, not flushed yet."""

    serial: int
    length: int


@frozen
class Named:
    """Names that lead to a file from now on, or to none, not flushed yet. They go together."""

    serial: int
    names: tuple[tuple[str, "File | None"], ...]


@define(eq=False)
class File:
    """What is in a file for good, and what has been done to it since it was flushed."""

    lasting: bytearray = field(factory=bytearray)
    pending: list[Written | Shortened] = field(factory=list)

    def flush(self) -> None:
        whole = {done.serial: Fate.WHOLE for done in self.pending}
        self.lasting = self.left(whole, Random(0))
        self.pending.clear()

    def left(self, fate: Mapping[int, Fate], random: Random) -> bytearray:
        """What a power cut leaves of it."""
        content = bytearray(self.lasting)
        for done in self.pending:
            becomes = fate[done.serial]
            if becomes is Fate.ABSENT:
                continue
            if isinstance(done, Shortened):
                _extend(content, done.length, random, noise=False)
                del content[done.length :]
            elif becomes is Fate.WHOLE:
                _extend(content, done.offset, random, noise=False)
                content[done.offset : done.offset + len(done.data)] = done.data
            else:
                _tear(content, done, random)
        return content


def _extend(content: bytearray, length: int, random: Random, *, noise: bool) -> None:
    missing = max(0, length - len(content))
    content.extend(random.randbytes(missing) if noise else bytes(missing))


def _tear(content: bytearray, done: Written, random: Random) -> None:
    """Let some sectors of a write arrive."""
    end = done.offset + len(done.data)
    _extend(content, end, random, noise=random.random() < 0.5)
    at = done.offset
    while at < end:
        stop = min(end, (at // SECTOR + 1) * SECTOR)
        if random.random() < 0.5:
            content[at:stop] = done.data[at - done.offset : stop - done.offset]
        at = stop


@frozen
class Cut:
    """A disk after a power cut: how many calls and notes there had been, and what it holds."""

    calls: int
    notes: int
    how: str
    files: Mapping[str, bytes]


@define(eq=False)
class Disk:
    """One folder, as a program's calls change it.

    What is written to the file ``told``, outside it, are notes: they count from that moment.
    Files with the ending ``mapped`` are written through memory, where no record is made: they
    are passed over.
    """

    folder: Path
    told: Path
    mapped: str
    names: dict[str, File] = field(factory=dict)
    lasting: dict[str, File] = field(factory=dict)
    pending: list[Named] = field(factory=list)
    notes: bytearray = field(factory=bytearray)
    _open: dict[int, File | str] = field(factory=dict)
    _places: dict[int, int] = field(factory=dict)
    _serial: int = 0

    def hold(self, files: Mapping[str, bytes]) -> "Disk":
        """Begin with files that were flushed long ago."""
        self.names = {name: File(bytearray(content)) for name, content in files.items()}
        self.lasting = dict(self.names)
        return self

    # ------------------------------------------------------------ calls

    def do(self, call: Call) -> bool:
        """Take a call. Whether it was one on the folder, or a note."""
        if call.result < 0:
            return False
        if call.name == "openat":
            return self._opened(call)
        if call.name in ("unlink", "unlinkat", "link", "linkat", "rename"):
            return self._renamed(call)
        file = self._open.get(call.number(0)) if call.arguments[0].isdigit() else None
        if file is None:
            return False
        if file == "notes" and call.name == "write":
            self.notes += call.data(1)[: call.result]
        elif file == "folder" and call.name in ("fsync", "fdatasync"):
            for done in self.pending:
                _bind(self.lasting, done)
            self.pending.clear()
        elif isinstance(file, File):
            self._changed(file, call)
        else:
            raise RecordError(f"{call.name} is not modelled")
        return call.name != "lseek"

    def _opened(self, call: Call) -> bool:
        path, flags, handle = Path(call.text(1)), call.arguments[2].split("|"), call.result
        self._open.pop(handle, None)
        self._places[handle] = 0
        if path == self.told:
            self._open[handle] = "notes"
        elif path == self.folder:
            self._open[handle] = "folder"
        elif self._here(path):
            made = path.name not in self.names
            if made:
                self._bind((path.name, File()))
            file = self.names[path.name]
            self._open[handle] = file
            if "O_TRUNC" in flags:
                file.pending.append(Shortened(self._next(), 0))
            return made or "O_TRUNC" in flags
        return False

    def _renamed(self, call: Call) -> bool:
        paths = [Path(call.text(n)) for n, a in enumerate(call.arguments) if a.startswith('"')]
        if not any(map(self._here, paths)):
            return False
        if not all(map(self._here, paths)):
            raise RecordError(f"{call.name} out of the folder is not modelled")
        first, last = paths[0].name, paths[-1].name
        if call.name.startswith("unlink"):
            self._bind((first, None))
        elif call.name.startswith("link"):
            self._bind((last, self.names[first]))
        else:
            self._bind((first, None), (last, self.names[first]))
        return True

    def _here(self, path: Path) -> bool:
        return path.parent == self.folder and not path.name.endswith(self.mapped)

    def _changed(self, file: File, call: Call) -> None:
        handle = call.number(0)
        if call.name in ("fsync", "fdatasync"):
            file.flush()
        elif call.name == "lseek":
            self._places[handle] = call.result
        elif call.name == "write":
            data = call.data(1)[: call.result]
            file.pending.append(Written(self._next(), self._places[handle], data))
            self._places[handle] += len(data)
        elif call.name == "pwrite64":
            data = call.data(1)[: call.result]
            file.pending.append(Written(self._next(), call.number(3), data))
        elif call.name == "ftruncate":
            file.pending.append(Shortened(self._next(), call.number(1)))
        else:
            raise RecordError(f"{call.name} is not modelled")

    def _bind(self, *names: tuple[str, File | None]) -> None:
        self.pending.append(Named(self._next(), names))
        _bind(self.names, self.pending[-1])

    def _next(self) -> int:
        self._serial += 1
        return self._serial

    # ------------------------------------------------------------ the power cut

    def left(self, fate: Mapping[int, Fate], random: Random) -> dict[str, bytes]:
        """What a power cut leaves of the folder."""
        names = dict(self.lasting)
        for done in self.pending:
            if fate[done.serial] is not Fate.ABSENT:
                _bind(names, done)
        return {name: bytes(file.left(fate, random)) for name, file in sorted(names.items())}

    def unflushed(self) -> list[int]:
        """Of everything that was not flushed, the serial number."""
        files = {*self.lasting.values(), *self.names.values()}
        files |= {file for done in self.pending for _, file in done.names if file}
        found = [done.serial for file in files for done in file.pending]
        return sorted(found + [done.serial for done in self.pending])


def _bind(names: dict[str, File], done: Named) -> None:
    for name, file in done.names:
        if file is None:
            names.pop(name, None)
        else:
            names[name] = file


# ---------------------------------------------------------------- all the power cuts


def cuts(disk: Disk, calls: Sequence[Call], random: Random, mixed: int) -> Iterator[Cut]:
    """The power cut before the first call on the folder and after each: every disk once.

    At each cut: nothing of what was not flushed, all of it, only the last, all but one, and
    ``mixed`` times each thing absent, whole or torn by chance.
    """
    seen: set[bytes] = set()
    yield from _cuts(disk, 0, random, mixed, seen)
    for number, call in enumerate(calls, 1):
        if disk.do(call):
            yield from _cuts(disk, number, random, mixed, seen)


def _cuts(disk: Disk, number: int, random: Random, mixed: int, seen: set[bytes]) -> Iterator[Cut]:
    open_ = disk.unflushed()
    fates = [("none", dict.fromkeys(open_, Fate.ABSENT))]
    if open_:
        whole = dict.fromkeys(open_, Fate.WHOLE)
        fates += [
            ("all", whole),
            ("the last", {**fates[0][1], open_[-1]: Fate.WHOLE}),
            ("all but one", {**whole, random.choice(open_): Fate.ABSENT}),
        ]
        for _ in range(mixed):
            fates.append(("mixed", {serial: random.choice(list(Fate)) for serial in open_}))
    notes = disk.notes.count(b"\n")
    for how, fate in fates:
        files = disk.left(fate, random)
        mark = blake2b(repr((notes, list(files))).encode())
        for content in files.values():
            mark.update(blake2b(content).digest())
        if mark.digest() not in seen:
            seen.add(mark.digest())
            yield Cut(number, notes, how, files)
