"""What stands on the pages of a SQLite file, read without SQLite, which gives up at a fault.

Rows are found page by page, wherever a page stands: none is needed to find another, but for a row
that is longer than one. Layout: SQLite, "Database File Format", sections 1 and 4. What rows
mean is not known here, and nothing is written.
"""

import struct
from collections.abc import Iterator
from typing import Any, NamedTuple

_MAGIC = b"SQLite format 3\0"
_HEAD = 100
"""How many bytes of the first page say what file it is (section 1.3)."""
_SIZES = tuple(1 << power for power in range(9, 17))
_INDEX, _INDEX_LEAF, _TABLE_LEAF = 0x02, 0x0A, 0x0D
"""The sorts of pages that have rows: in an index also those that lead to others (1.6)."""
_WIDTHS = (0, 1, 2, 3, 4, 6, 8)
"""How many bytes a whole number takes, by its serial type (section 2.1)."""
_LOG_MAGICS = {0x377F0682: "<", 0x377F0683: ">"}
"""How a log begins, and which end of a word is first in its checksums (section 4.1)."""
_LOG_HEAD, _FRAME_HEAD = struct.Struct(">8I"), struct.Struct(">6I")
_NO_ROW = (IndexError, UnicodeDecodeError, ValueError, struct.error)


class Row(NamedTuple):
    """A row of a table with its number, or of an index, without one."""

    number: int | None
    values: tuple[Any, ...]


class Pages:
    """The pages of a file, as it is with the log beside it.

    ``log_is_whole`` is false if something in the log was written after what can be read of it.
    """

    def __init__(self, file: bytes, log: bytes = b"") -> None:
        """Take the bytes of both."""
        self._file, self._log, self._over = file, log, dict[int, bytes]()
        self.log_is_whole = True
        if log:
            self._read_log(log)
        head = self._over.get(1, file)
        if _is_head(head):
            self._lay_out(_size_of(head))
        else:  # the size that makes sense of most
            self._lay_out(max(_SIZES, key=self._sense))

    def head(self) -> bytes | None:
        """The first page, if it begins as that of a SQLite file does."""
        page = self._over.get(1, self._file[: self._size])
        return page if _is_head(page) else None

    def rows(self) -> Iterator[Row]:
        """Every row of every page that is in use, as far as it can be read."""
        free = self._free()
        for number in range(1, self._last + 1):
            if number not in free:
                yield from self._rows(number)

    # ------------------------------------------------------------ pages

    def _lay_out(self, size: int) -> None:
        self._size = size
        head = self.head()
        self._usable = size - (head[20] if head else 0)
        self._last = max([-(-len(self._file) // size), *self._over])

    def _sense(self, size: int) -> int:
        self._lay_out(size)
        return sum(1 for _ in self.rows())

    def _page(self, number: int) -> bytes:
        if not 1 <= number <= self._last:
            raise ValueError("no such page")
        there = self._over.get(number)
        if there is None:
            there = self._file[(number - 1) * self._size : number * self._size]
        return there

    def _free(self) -> set[int]:
        """The pages that hold nothing any more: what stands on them is out of date."""
        free: set[int] = set()
        head = self.head()
        if head is None:
            return free
        (trunk,) = struct.unpack_from(">I", head, 32)
        try:
            while trunk and trunk not in free:
                page = self._page(trunk)
                following, count = struct.unpack_from(">2I", page)
                free |= {trunk, *struct.unpack_from(f">{count}I", page, 8)}
                trunk = following
        except _NO_ROW:
            return set()
        return free

    # ------------------------------------------------------------ rows

    def _rows(self, number: int) -> Iterator[Row]:
        page = self._page(number)
        start = _HEAD if _is_head(page) else 0
        kind = page[start] if len(page) >= start + 12 else 0
        if kind not in (_INDEX, _INDEX_LEAF, _TABLE_LEAF):
            return
        (count,) = struct.unpack_from(">H", page, start + 3)
        first = start + (12 if kind == _INDEX else 8)
        for place in range(first, min(first + 2 * count, len(page) - 1), 2):
            (at,) = struct.unpack_from(">H", page, place)
            try:
                yield self._row(page, at + (4 if kind == _INDEX else 0), kind == _TABLE_LEAF)
            except _NO_ROW:
                continue

    def _row(self, page: bytes, at: int, of_a_table: bool) -> Row:
        length, at = _varint(page, at)
        number = None
        if of_a_table:
            number, at = _varint(page, at)
            number = number - 2**64 if number >= 2**63 else number
        return Row(number, _record(self._payload(page, at, length, of_a_table)))

    def _payload(self, page: bytes, at: int, length: int, of_a_table: bool) -> bytes:
        """A row's bytes: on this page, and if they are too many, on a chain of others (1.6)."""
        usable = self._usable
        most = usable - 35 if of_a_table else (usable - 12) * 64 // 255 - 23
        if length <= most:
            return page[at : at + length]
        if length > self._last * self._size:
            raise ValueError("longer than the file")
        least = (usable - 12) * 32 // 255 - 23
        here = least + (length - least) % (usable - 4)
        here = here if here <= most else least
        parts = [page[at : at + here]]
        (further,) = struct.unpack_from(">I", page, at + here)
        missing = length - here
        while missing > 0:
            page = self._page(further)
            parts.append(page[4 : 4 + min(missing, usable - 4)])
            missing -= usable - 4
            (further,) = struct.unpack_from(">I", page)
        return b"".join(parts)

    # ------------------------------------------------------------ the log

    def _read_log(self, log: bytes) -> None:
        """Take from the log the pages of its last whole commit, as SQLite would (4.2 to 4.4)."""
        size = 0
        if len(log) >= _LOG_HEAD.size:
            magic, _, size, _, *salts, first, second = _LOG_HEAD.unpack_from(log)
            order = _LOG_MAGICS.get(magic, ">")
            sums = _checksum(order, log[:24], (0, 0))
        if size not in _SIZES or magic not in _LOG_MAGICS or sums != (first, second):
            self.log_is_whole = False
            return
        waiting: dict[int, bytes] = {}
        step = _FRAME_HEAD.size + size
        for at in range(_LOG_HEAD.size, len(log) - step + 1, step):
            number, commit, *found, first, second = _FRAME_HEAD.unpack_from(log, at)
            page = log[at + _FRAME_HEAD.size : at + step]
            if found != salts:  # from before the log was begun anew
                break
            sums = _checksum(order, log[at : at + 8] + page, sums)
            if sums != (first, second):
                self.log_is_whole = False
                break
            waiting[number] = page
            if commit:
                self._over |= waiting
                waiting.clear()


def _is_head(page: bytes) -> bool:
    return page.startswith(_MAGIC) and len(page) >= _HEAD and _size_of(page) in _SIZES


def _size_of(head: bytes) -> int:
    size = int.from_bytes(head[16:18], "big")
    return 1 << 16 if size == 1 else size


def _checksum(order: str, data: bytes, sums: tuple[int, int]) -> tuple[int, int]:
    first, second = sums
    words = struct.unpack(f"{order}{len(data) // 4}I", data)
    for place in range(0, len(words), 2):
        first = (first + words[place] + second) & 0xFFFFFFFF
        second = (second + words[place + 1] + first) & 0xFFFFFFFF
    return first, second


def _varint(data: bytes, at: int) -> tuple[int, int]:
    """A number of one to nine bytes (1.6), and where it ends."""
    value = 0
    for place in range(at, at + 8):
        byte = data[place]
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, place + 1
    return value << 8 | data[at + 8], at + 9


def _record(payload: bytes) -> tuple[Any, ...]:
    """The values of a row (2.1); none if anything is left over or missing."""
    at, types = 0, []
    end, at = _varint(payload, at)
    while at < end:
        kind, at = _varint(payload, at)
        types.append(kind)
    values = []
    for kind in types:
        value, length = _value(payload, at, kind)
        values.append(value)
        at += length
    if at != len(payload):
        raise ValueError("not a row")
    return tuple(values)


def _value(payload: bytes, at: int, kind: int) -> tuple[Any, int]:
    if kind >= 12:
        length = (kind - 12) // 2
        data = payload[at : at + length]
        return (data.decode() if kind % 2 else data), length
    if kind == 0:
        return None, 0
    if kind <= 6:
        width = _WIDTHS[kind]
        return int.from_bytes(payload[at : at + width], "big", signed=True), width
    if kind == 7:
        return float(struct.unpack_from(">d", payload, at)[0]), 8
    if kind in (8, 9):
        return kind - 8, 0
    raise ValueError("no such type")
