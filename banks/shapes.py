"""Reading msgpack by the shape it must have, so that a hostile file is refused as it is read.

Each shape here is one thing a map, a list or a value may be; a table of them describes a whole
payload (`banks.bankfile`). A value's first byte is looked at before the value is unpacked, and
maps and lists are entered one item at a time: nothing deep, huge or of a wrong kind is ever
built. What the values mean is not known here.
"""

from collections.abc import Callable
from typing import Any

from attrs import frozen
from msgpack import OutOfData, Unpacker

from banks.limits import ENTRIES, flaw

NOTHING = "nothing"
FLAG = "a yes or no"
WHOLE = "a whole number"
FRACTION = "a number with a fraction"
TEXT = "a text"
BYTES = "bytes"
LIST = "a list"
MAP = "a map"
EXTENSION = "an extension"
UNUSED = "a byte that means nothing"

_KINDS = (
    (0x00, 0x7F, WHOLE),
    (0x80, 0x8F, MAP),
    (0x90, 0x9F, LIST),
    (0xA0, 0xBF, TEXT),
    (0xC0, 0xC0, NOTHING),
    (0xC1, 0xC1, UNUSED),
    (0xC2, 0xC3, FLAG),
    (0xC4, 0xC6, BYTES),
    (0xC7, 0xC9, EXTENSION),
    (0xCA, 0xCB, FRACTION),
    (0xCC, 0xD3, WHOLE),
    (0xD4, 0xD8, EXTENSION),
    (0xD9, 0xDB, TEXT),
    (0xDC, 0xDD, LIST),
    (0xDE, 0xDF, MAP),
    (0xE0, 0xFF, WHOLE),
)
KIND_OF = tuple(kind for first, last, kind in _KINDS for _ in range(first, last + 1))
"""What a value is, by its first byte (the MessagePack specification, "Formats")."""

_COUNT = 2**32 - 1
"""The most that msgpack can say there is of anything: how much may be is decided here."""


class MisfitError(Exception):
    """Something has not the shape it must have: what is wrong, and where."""

    def __init__(self, what: str) -> None:
        """Say what is wrong; the places come as the exception passes through them."""
        super().__init__(what)
        self.what = what
        self.where: list[str] = []

    def inside(self, place: str) -> "MisfitError":
        """The same, known to be inside that place."""
        self.where.insert(0, place)
        return self

    def __str__(self) -> str:
        """Where, and what is wrong there."""
        return ": ".join([", ".join(self.where), self.what] if self.where else [self.what])


class Source:
    """A payload, read from its beginning one value at a time."""

    def __init__(self, payload: bytes) -> None:
        """Take the whole payload."""
        self._payload = payload
        self._unpacker = Unpacker(
            max_buffer_size=len(payload), max_array_len=_COUNT, max_map_len=_COUNT
        )
        self._unpacker.feed(payload)
        self._tell, self._unpack = self._unpacker.tell, self._unpacker.unpack
        self._left = ENTRIES

    def take(self, kind: str) -> Any:
        """The next value, which must be of that kind, neither a map nor a list."""
        try:
            if KIND_OF[self._payload[self._tell()]] is kind:
                return self._unpack()
        except UnicodeDecodeError:
            raise MisfitError("the text is not UTF-8") from None
        except (IndexError, OutOfData, ValueError):
            raise MisfitError("it ends too early") from None
        raise MisfitError(f"{kind} was expected, not {self.kind}")

    def enter(self, kind: str) -> int:
        """Step into a list or a map, which must come next: how many items, or pairs, follow."""
        if self.kind is not kind:
            raise MisfitError(f"{kind} was expected, not {self.kind}")
        header = self._unpacker.read_map_header if kind is MAP else self._unpacker.read_array_header
        try:
            count = int(header())
        except OutOfData:
            raise MisfitError("it ends too early") from None
        self._left -= count
        if self._left < 0:
            raise MisfitError(f"it has more than {ENTRIES:,} entries")
        return count

    @property
    def kind(self) -> str:
        """What comes next."""
        at = int(self._tell())
        if at == len(self._payload):
            raise MisfitError("it ends too early")
        return KIND_OF[self._payload[at]]

    def finish(self) -> None:
        """Make sure that nothing is left."""
        left = len(self._payload) - self._tell()
        if left:
            raise MisfitError(f"there is more after its end (bytes: {left:,})")


@frozen
class Flag:
    """Yes or no."""

    def read(self, source: Source) -> bool:
        """Take it from the source."""
        return bool(source.take(FLAG))


@frozen
class Whole:
    """A whole number within bounds, both allowed."""

    least: int
    most: int

    def read(self, source: Source) -> int:
        """Take it from the source."""
        number = int(source.take(WHOLE))
        if not self.least <= number <= self.most:
            raise MisfitError(f"{number} is not between {self.least:,} and {self.most:,}")
        return number


@frozen
class Blob:
    """Bytes, as many as there are."""

    def read(self, source: Source) -> bytes:
        """Take them from the source."""
        return bytes(source.take(BYTES))


@frozen
class Text:
    """A text that a person may be shown (`limits.flaw`); an id has something in it.

    ``form`` says whether it is well formed, ``called`` what one that is so is called.
    """

    empty: bool = True
    nothing: bool = False
    form: Callable[[str], bool] | None = None
    called: str = ""

    def read(self, source: Source) -> str | None:
        """Take it from the source."""
        if self.nothing and source.kind is NOTHING:
            return source.take(NOTHING)  # type: ignore[no-any-return]
        text = source.take(TEXT)
        wrong = flaw(text)
        if wrong:
            raise MisfitError(f"the text {wrong}")
        if not (text or self.empty):
            raise MisfitError("the text is empty")
        if self.form and not self.form(text):
            raise MisfitError(f"{text!r} is not {self.called}")
        return str(text)


@frozen
class List:
    """A list of things of one shape, at most so many."""

    of: "Shape"
    most: int

    def read(self, source: Source) -> list[Any]:
        """Take it from the source, item by item."""
        count = source.enter(LIST)
        if count > self.most:
            raise MisfitError(f"{count:,} are more than the {self.most:,} there can be")
        items = []
        for number in range(1, count + 1):
            try:
                items.append(self.of.read(source))
            except MisfitError as misfit:
                raise misfit.inside(f"entry {number:,}") from None
        return items


@frozen
class Map:
    """A map with all of these keys, or all but some optional ones, and no others, in any order."""

    fields: "dict[str, Shape]"
    optional: frozenset[str] = frozenset()

    def read(self, source: Source) -> dict[str, Any]:
        """Take it from the source, pair by pair."""
        found: dict[str, Any] = {}
        for _ in range(source.enter(MAP)):
            key = source.take(TEXT)
            if key not in self.fields:
                raise MisfitError(f"{key[:40]!r} is not a key that belongs here")
            if key in found:
                raise MisfitError(f"{key!r} is there twice")
            try:
                found[key] = self.fields[key].read(source)
            except MisfitError as misfit:
                raise misfit.inside(key) from None
        missing = [k for k in self.fields if k not in found and k not in self.optional]
        if missing:
            raise MisfitError(f"{missing[0]!r} is missing")
        return found


Shape = Flag | Whole | Blob | Text | List | Map


def read(payload: bytes, shape: Shape) -> Any:
    """A payload as plain values of the shape asked for, and nothing else.

    Raises:
        MisfitError: if it has another shape.
    """
    source = Source(payload)
    found = shape.read(source)
    source.finish()
    return found
