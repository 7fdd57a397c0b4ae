"""One piston's keys changed in the text of a console file, and not a byte of it besides.

`tomlkit` writes the new values, and keeps the comments inside a list that only grows or shrinks.
It is not given the whole file, though: it brings tables of one kind together, and a console file
may well have its pistons in several places. So the text is cut where its headers and keys are,
and only the pieces that change are written anew. What a key means is not known here.
"""

import re
import tomllib
from collections.abc import Iterator, Mapping
from typing import Any

import tomlkit
from attrs import define, evolve, fields, frozen
from tomlkit.container import OutOfOrderTableProxy
from tomlkit.items import Array, InlineTable, Table

from combination.model import Selection, file_word

WIDTH = 100
"""Columns. A list that would reach further is written over several lines."""
_AFTER = ("id", "label", "kind", "division", "affects", "additive", "settable")
"""The order in which a piston's keys are written; a new one goes after the last before it."""

Changes = Mapping[str, str | bool | Selection | None]
"""A piston's keys by the file's words, each with its new value, or None to take it out."""


class CannotRewriteError(Exception):
    """The file is written in a way in which this piston cannot be changed."""


def rewritten(text: str, index: int, changes: Changes) -> str:
    """The text of a console file with keys of one piston changed.

    ``index`` is its place among the pistons of the file, from 0. A key that has its new value
    already is left as it is written.

    Raises:
        CannotRewriteError: if the outcome would not be exactly what was asked for.
    """
    before = tomllib.loads(text)
    row = before["piston"][index]
    plain = {key: _plain(value) for key, value in changes.items()}
    wanted = {k: v for k, v in plain.items() if not _same(row.get(k), v)}
    try:
        after = _Piston(text, index, dict(row)).changed(wanted)
        found = tomllib.loads(after)
    except (ValueError, LookupError) as error:
        raise CannotRewriteError from error
    for key in wanted:
        if _full(found["piston"][index].pop(key, None)) != _full(wanted[key]):
            raise CannotRewriteError
        row.pop(key, None)
    if found != before:
        raise CannotRewriteError
    return after


def _plain(value: Any) -> Any:
    """A value as `tomllib` reads it: a selection is a list of its controls, or a table.

    One of nothing at all is an empty list, since a key left out means something else.
    """
    if not isinstance(value, Selection):
        return value
    table = {file_word(f): getattr(value, f.name) for f in fields(Selection)}
    table = {k: list(v) if isinstance(v, tuple) else v for k, v in table.items() if v}
    return table.get("controls", []) if set(table) <= {"controls"} else table


def _same(old: Any, new: Any) -> bool:
    """Whether a key says already what it should, however it is written."""
    return bool(_full(old) == _full(new))


def _full(value: Any) -> Any:
    """A selection with what may be left out or shortened written in full; the rest as it is."""
    if isinstance(value, list):
        value = {"controls": value}
    if not isinstance(value, dict):
        return value
    listed = {key: _several(inner) for key, inner in value.items()}
    return {key: inner for key, inner in listed.items() if inner}


def _several(value: Any) -> Any:
    """One id, or a list of them in any order, as a list of each once; the rest as it is."""
    if isinstance(value, str):
        return [value]
    return sorted(set(value)) if isinstance(value, list) else value


# ---------------------------------------------------------------- the text in pieces


Path = tuple[str | int, ...]
"""The way to a value: keys, and after the key of an array the place in it, from 0."""


@frozen
class Piece:
    """A header or a key of a text, with the whole of its lines.

    ``path`` is the way to its value from the top of the text, ``table`` that to the table under
    whose header it stands. Of a key, the value stands from ``value`` to ``value_end``.
    """

    start: int
    end: int
    path: Path
    table: Path
    header: bool = False
    value: int = 0
    value_end: int = 0


TOKEN = re.compile(
    r'"""(?:\\.|(?!""").)*"{3,5}'
    r"|'''(?:(?!''').)*'{3,5}"
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'"
    r"|\#[^\n]*"
    r"|[\[\]{}=,\n]"
    r"|[^\"'\#\[\]{}=,\n]+",
    re.DOTALL,
)


_SPACE = re.compile(r"[ \t]*")
_BARE = re.compile(r"[\w-]+(?:\.[\w-]+)*", re.ASCII)


def pieces(text: str) -> Iterator[Piece]:
    """Cut a text that TOML allows into its headers and keys; blank lines belong to none."""
    table: Path = ()
    count: dict[Path, int] = {}
    for start, end, equals, value_end in _lines(text):
        if equals:
            value = _SPACE.match(text, equals).end()  # type: ignore[union-attr]  # may be empty
            path = (*table, *key_names(text[start : equals - 1]))
            yield Piece(start, end, path, table, value=value, value_end=value_end)
        else:
            header = text[start:value_end].strip()
            table = _table(header, count)
            yield Piece(start, end, table, table, header=True)


def _lines(text: str) -> Iterator[tuple[int, int, int, int]]:
    """Where each header and key starts and ends, where its value may start, and where it ends.

    A header has no value: 0 stands for where it would start.
    """
    start = depth = equals = value_end = 0
    for token in TOKEN.finditer(text):
        sign = token[0]
        if sign in ("[", "{"):
            depth += 1
        elif sign in ("]", "}"):
            depth -= 1
        elif sign == "=" and not depth and not equals:
            equals = token.end()
        if sign == "\n" and not depth:
            if value_end > start:
                yield start, token.end(), equals, value_end
            start, equals, value_end = token.end(), 0, token.end()
        elif not (sign.isspace() or sign.startswith("#")):
            value_end = token.start() + len(sign.rstrip())
    if value_end > start:
        yield start, len(text), equals, value_end


def _table(header: str, count: dict[Path, int]) -> Path:
    """The way to the table that a header begins, with the tables of each array counted."""
    several = header.startswith("[[")
    brackets = 2 if several else 1
    path: Path = ()
    *above, last = key_names(header[brackets:-brackets])
    for name in above:
        path = (*path, name)
        path = (*path, count[path] - 1) if path in count else path
    path = (*path, last)
    if several:
        count[path] = count.get(path, 0) + 1
        path = (*path, count[path] - 1)
    return path


def key_names(written: str) -> list[str]:
    """The names of a key, which may be dotted, or of what stands between a header's brackets."""
    if _BARE.fullmatch(written.strip()):
        return written.strip().split(".")
    found: Any = tomllib.loads(f"{written} = 0")
    names = []
    while isinstance(found, dict):
        (name, found), *_ = found.items()
        names.append(name)
    return names


def _of_piston(text: str, index: int) -> list[Piece]:
    """The pieces of one piston that is written under a header of its own, from it on."""
    there = (piece for piece in pieces(text) if piece.path[:2] == ("piston", index))
    return [evolve(piece, path=piece.path[2:]) for piece in there]


# ---------------------------------------------------------------- changing one piston


@define
class _Piston:
    """One piston of a text, as its data and as its pieces."""

    text: str
    index: int
    row: dict[str, Any]

    def changed(self, wanted: dict[str, Any]) -> str:
        """The whole text, with these keys of the piston changed or taken out."""
        if not _of_piston(self.text, self.index):
            return self._changed_in_list(wanted)
        newline = "\r\n" if "\r\n" in self.text else "\n"
        for key in sorted(wanted, key=_AFTER.index):
            edits = list(self._edits(key, wanted[key]))
            for start, end, new in sorted(edits, reverse=True):
                lines = new.replace("\r\n", "\n").replace("\n", newline)
                self.text = self.text[:start] + lines + self.text[end:]
        return self.text

    def _edits(self, key: str, value: Any) -> Iterator[tuple[int, int, str]]:
        """What to put in which places of the text."""
        pieces = _of_piston(self.text, self.index)
        there = [piece for piece in pieces if piece.path[:1] == (key,)]
        whole = next((p for p in there if p.path == (key,) and not p.header), None)
        if value is None:
            for piece in there:
                yield piece.start, piece.end, ""
        elif whole is not None:
            old = self.text[whole.value : whole.value_end]
            column = whole.value - whole.start
            yield whole.value, whole.value_end, _value_text(value, old, column)
        elif not there:
            yield self._line_after(self._anchor(pieces, key), key, value)
        else:
            table = value if isinstance(value, dict) else {"controls": value}
            yield from self._field_edits(there, key, table)

    def _field_edits(
        self, there: list[Piece], key: str, value: dict[str, Any]
    ) -> Iterator[tuple[int, int, str]]:
        """The same for a selection whose keys each have a line of their own."""
        headed = there[0].header
        lines = {str(piece.path[1]): piece for piece in there if len(piece.path) > 1}
        for field, piece in lines.items():
            if field not in value and self.row[key][field]:
                yield piece.start, piece.end, ""
            elif field in value and _several(self.row[key][field]) != _several(value[field]):
                old = self.text[piece.value : piece.value_end]
                column = piece.value - piece.start
                yield (piece.value, piece.value_end, _value_text(value[field], old, column))
        new = [field for field in value if field not in lines]
        last = there[-1]
        for field in new:
            name = field if headed else f"{key}.{field}"
            yield self._line_after(last, name, value[field])

    def _anchor(self, pieces: list[Piece], key: str) -> Piece:
        """The piece after which a new key goes: those before it in `_AFTER`, or the header."""
        before = _AFTER[: _AFTER.index(key)]
        own: list[Piece] = []
        for piece in pieces:
            if piece.header and piece.path:
                break
            own.append(piece)
        return [p for p in own if not p.path or p.path[0] in before][-1]

    def _line_after(self, anchor: Piece, name: str, value: Any) -> tuple[int, int, str]:
        line = self.text[anchor.start : anchor.end]
        indent = line[: len(line) - len(line.lstrip(" \t"))]
        new = f"{indent}{name} = "
        new += _value_text(value, "", len(new))
        new = f"{new}\n" if line.endswith("\n") else f"\n{new}"
        return anchor.end, anchor.end, new

    def _changed_in_list(self, wanted: dict[str, Any]) -> str:
        """The same where all pistons are written as one list of inline tables."""
        whole = next(p for p in pieces(self.text) if p.path == ("piston",))
        rows = tomlkit.value(self.text[whole.value : whole.value_end])
        if not isinstance(rows, Array):
            raise CannotRewriteError
        row: Any = rows[self.index]
        for key in sorted(wanted, key=_AFTER.index):
            if wanted[key] is None:
                row.pop(key, None)
            else:
                old = _written(row, key) if key in row else ""
                row[key] = tomlkit.value(_value_text(wanted[key], old, 0))
        return self.text[: whole.value] + rows.as_string() + self.text[whole.value_end :]


# ---------------------------------------------------------------- values


def _value_text(value: Any, old: str, column: int) -> str:
    """A value as it is written from a column on, with what can be kept of how it was."""
    written = tomlkit.value(old) if old else None
    if isinstance(value, list):
        if isinstance(written, Array):
            return _grown_or_shrunk(written, value).as_string()
        return _list_text(value, column)
    if isinstance(value, dict):
        return _table_text(value, written, column)
    return str(tomlkit.item(value).as_string())


def _table_text(value: dict[str, Any], written: object, column: int) -> str:
    """A selection as an inline table: in one line, or with its longest lists over several."""
    texts = {}
    for field, inner in value.items():
        old = ""
        if isinstance(written, InlineTable) and field in written:
            old = _written(written, field)
        elif isinstance(written, Array) and field == "controls":
            old = written.as_string()
        texts[field] = old if old and _says(old, inner) else _value_text(inner, old, 0)
    long = sorted((f for f in texts if "\n" not in texts[f]), key=lambda f: len(texts[f]))
    while long and _reach(_joined(texts), column) > WIDTH:
        field = long.pop()
        texts[field] = _list_text(value[field], WIDTH)
    return _joined(texts)


def _written(table: InlineTable, key: str) -> str:
    """How the value of a key is written; nothing if it is not one value, but dotted keys."""
    item = table.value.item(key)
    return "" if isinstance(item, Table | OutOfOrderTableProxy) else item.as_string()


def _joined(texts: dict[str, str]) -> str:
    return "{ " + ", ".join(f"{field} = {text}" for field, text in texts.items()) + " }"


def _reach(text: str, column: int) -> int:
    """The column that a text reaches that begins at one."""
    first, *others = text.split("\n")
    return max(column + len(first), *map(len, others), 0)


def _says(text: str, value: Any) -> bool:
    """Whether the text of a value says that already."""
    return bool(_several(tomllib.loads(f"x = {text}")["x"]) == _several(value))


def _grown_or_shrunk(written: Array, value: list[str]) -> Array:
    """A list with what is gone taken out and what is new put at its end."""
    for name in [name for name in written if name not in value]:
        written.remove(name)
    for name in value:
        if name not in written:
            written.append(name)
    return written


def _list_text(names: list[str], column: int) -> str:
    """A list of ids in one line, or in as many as it takes."""
    items = [tomlkit.item(name).as_string() for name in names]
    line = f"[{', '.join(items)}]"
    if column + len(line) <= WIDTH:
        return line
    lines = [""]
    for item in items:
        if lines[-1] and len(lines[-1]) + len(item) + 6 > WIDTH:
            lines.append("")
        lines[-1] += f" {item}," if lines[-1] else f"{item},"
    return "[\n" + "".join(f"    {line}\n" for line in lines) + "]"
