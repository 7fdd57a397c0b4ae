"""From the text of a console file to a `Console`, and every fault of the text at once.

TOML is read by `tomllib`, tables are structured by cattrs, and what does not fit is turned into
findings in the file's own words. A table that does not fit is left out and the rest is read and
checked all the same, so that one bad table does not hide the faults of the others. What the
values mean is for `combination.checking` to judge.
"""

import math
import re
import tomllib
from collections.abc import Callable, Iterator
from enum import StrEnum
from fractions import Fraction
from types import GenericAlias
from typing import Any, TypeVar, get_args, get_origin

import attrs
import cattrs
from cattrs.gen import make_dict_structure_fn, override

from combination.checking import Doubt, check
from combination.findings import ConsoleFileError, Finding, Severity, nearest, quoted
from combination.model import (
    LONGEST_TEXT,
    Action,
    Console,
    Contact,
    KeyRun,
    Kind,
    Selection,
    file_word,
)
from combination.pitch import parse_pitch

STAND_IN = "?"
"""Stands for a text that a table should have and has not: no id can be so."""
FORMAT = 1
"""The format of console files that this program reads."""

_T = TypeVar("_T")
_Enum = TypeVar("_Enum", bound=StrEnum)
_LARGEST = 4 * 1024 * 1024


class _MisfitError(Exception):
    """A value is not what its key takes."""


def read_console(text: str) -> Console:
    """Read a console file.

    Raises:
        ConsoleFileError: with every finding, if any of them is an error.
    """
    console, findings = examine(text)
    if console is None:
        raise ConsoleFileError(findings)
    return console


def examine(text: str) -> tuple[Console | None, tuple[Finding, ...]]:
    """Read a console file and say everything that there is to say about it.

    Returns the console, or None if there are errors, and the findings: errors first, then
    warnings, each in the order of the file.
    """
    try:
        if len(text) > _LARGEST:
            raise ValueError(f"it is longer than {_LARGEST // 1024 // 1024} MiB")
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        return None, (_unreadable(error, text),)
    lines = _Lines(text)
    reader = _Reader(data)
    console = reader.console()
    checked = (
        attrs.evolve(finding, index=reader.row(finding))
        for finding in check(console, reader.doubt())
    )
    placed = [
        attrs.evolve(finding, line=lines.of(finding.table, finding.index, finding.key))
        for finding in (*reader.findings, *checked)
    ]
    placed.sort(key=lambda finding: (finding.severity is Severity.WARNING, finding.line or 0))
    failed = any(finding.severity is Severity.ERROR for finding in placed)
    return (None if failed else console), tuple(placed)


def rail_of(text: str, console: Console) -> tuple[str, ...]:
    """The ids of a console's controls in the order in which its file has them, kinds mixed.

    Where the file does not write them as tables of their own they come kind by kind.
    """
    lines = _Lines(text)
    controls = [
        (lines.of(file_word(kind), index, "") or 0, control.id)
        for kind in attrs.fields(Console)
        if kind.name in _CONTROLS
        for index, control in enumerate(getattr(console, kind.name))
    ]
    return tuple(name for _, name in sorted(controls, key=lambda each: each[0]))


_CONTROLS = ("stops", "couplers", "tremulants", "percussions", "traps", "effects")

_IN_OUR_WORDS = (
    (r"Illegal character '\\n'", "the text is not closed: a quotation mark is missing"),
    (r"Cannot overwrite a value", "the key is there already"),
    (r"Cannot declare \('(.*)',\) twice", r"the table \1 is there already"),
)
"""What `tomllib` says of the most usual slips, and what a technician is told."""


def _unreadable(error: Exception, text: str) -> Finding:
    """What TOML itself does not allow."""
    message, line = str(error), None
    at = re.search(r" \(at (?:line (\d+), column (\d+)|end of document)\)\Z", message)
    if at:
        said = message[: at.start()]
        for theirs, ours in _IN_OUR_WORDS:
            said = re.sub(theirs, ours, said)
        place = f"column {at[2]}" if at[2] else "the end of the file"
        message, line = f"{said}, at {place}", int(at[1] or len(text.splitlines()) or 1)
    elif isinstance(error, RecursionError):
        message = "it is nested too deeply"
    message = message[:1].lower() + message[1:]
    return Finding(Severity.ERROR, "", "", f"this is not a TOML file: {message}", line=line)


class _Reader:
    """Structures one file's data, table by table, and gathers what did not fit."""

    def __init__(self, data: dict[str, Any]) -> None:
        self.data = data
        self.findings: list[Finding] = []
        self.left_out: set[str] = set()
        self.kept: dict[str, list[int]] = {}
        self.mended: set[tuple[str, int | None]] = set()

    def console(self) -> Console:
        values: dict[str, Any] = {}
        words = {file_word(a): a for a in attrs.fields(Console)}
        for key in self.data:
            if key not in words:
                near = nearest(key, words)
                if _is_tables(self.data[key]):
                    self._error(key, "", f"there is no such table{near}")
                else:
                    self._error("", key, f"there is no such key{near}")
        for key, attribute in words.items():
            if key in self.data:
                row = _rows_of(attribute)
                if row is None:
                    fitting = self._key(key, attribute, self.data[key])
                else:
                    fitting = self._table(key, row, self.data[key])
                if fitting is not None:
                    values[attribute.name] = fitting
            elif attribute.default is attrs.NOTHING:
                self._error("", key, "is missing")
        stand_ins: dict[str, Any] = {
            "format": FORMAT,
            "name": STAND_IN,
            "action": Action.BLIND,
        }
        values = stand_ins | values
        if values["format"] != FORMAT:
            message = f"is {values['format']}; this program reads format {FORMAT}"
            self._error("", "format", message)
        return Console(**values)

    def _key(self, key: str, attribute: "attrs.Attribute[Any]", value: Any) -> Any:
        """One key of the file itself, or one of its single tables."""
        try:
            return _CONVERTER.structure(value, attribute.type)  # type: ignore[arg-type]
        except (cattrs.BaseValidationError, _MisfitError) as error:
            single_table = attrs.has(attribute.type)  # type: ignore[arg-type]
            for path, message in _misfits(error):
                if single_table:
                    self._error(key, path, message)
                else:
                    self._error("", path or key, message)
            return None

    def _table(self, key: str, row_type: type[Any], value: Any) -> tuple[Any, ...]:
        """An array of tables: those that fit, and what fits of the others."""
        if not isinstance(value, list) or not all(isinstance(row, dict) for row in value):
            self._error("", key, f"is written as a table for each: [[{key}]]")
            return ()
        fitting: list[Any] = []
        self.kept[key] = []
        for index, row in enumerate(value):
            named = row.get("id")
            name = named if isinstance(named, str) else None
            try:
                fits = _CONVERTER.structure(row, row_type)
            except (cattrs.BaseValidationError, _MisfitError) as error:
                misfits = list(_misfits(error))
                for path, message in misfits:
                    self._error(key, path, message, index, name)
                fits = _mended(row, row_type, {_first_word(path) for path, _ in misfits})
                if fits is None:
                    self.left_out |= {name} if name else set()
                    continue
                self.mended.add((key, len(fitting)))
                self.left_out.add(STAND_IN)
            fitting.append(fits)
            self.kept[key].append(index)
        return tuple(fitting)

    def doubt(self) -> Doubt:
        """What the checker must not draw conclusions from."""
        of_the_file = any(f.table not in self.kept for f in self.findings)
        return Doubt(frozenset(self.left_out), frozenset(self.mended), of_the_file)

    def row(self, finding: Finding) -> int | None:
        """Which of the file's tables of its kind a finding of the checker is about."""
        if finding.index is None or finding.table not in self.kept:
            return finding.index
        return self.kept[finding.table][finding.index]

    def _error(
        self, table: str, key: str, message: str, index: int | None = None, id_: str | None = None
    ) -> None:
        self.findings.append(Finding(Severity.ERROR, table, key, message, index, id_))


_STAND_INS: dict[Any, str] = {
    str: STAND_IN,
    tuple[str, ...]: STAND_IN,
    Kind: Kind.GENERAL.value,
}


def _mended(row: dict[str, Any], row_type: type[Any], at_fault: set[str]) -> Any:
    """A table without the keys that do not fit, so that its others are checked all the same.

    What must be there is stood in for; None if that cannot be, or if it has no id.
    """
    mended = {}
    for attribute in attrs.fields(row_type):
        word = file_word(attribute)
        if word in row and word not in at_fault:
            mended[word] = row[word]
        elif attribute.default is attrs.NOTHING:
            if word == "id" or attribute.type not in _STAND_INS:
                return None
            mended[word] = _STAND_INS[attribute.type]
    try:
        return _CONVERTER.structure(mended, row_type)
    except (cattrs.BaseValidationError, _MisfitError):
        return None


def _first_word(path: str) -> str:
    """The key of a table that a path begins with: ``draws`` of ``draws 2, pitch``."""
    return re.split(r"[, ]", path, maxsplit=1)[0]


def _is_tables(value: object) -> bool:
    """Whether it is a table, or an array of tables."""
    rows = value if isinstance(value, list) else [value]
    return bool(rows) and all(isinstance(row, dict) for row in rows)


def _rows_of(attribute: "attrs.Attribute[Any]") -> type[Any] | None:
    """The class of an array of tables; None if the key is anything else."""
    if get_origin(attribute.type) is not tuple:
        return None
    row: type[Any] = get_args(attribute.type)[0]
    return row


def _misfits(error: BaseException, path: str = "") -> Iterator[tuple[str, str]]:
    """Each thing that did not fit, as the path of its key and what is wrong with it."""
    if isinstance(error, cattrs.ClassValidationError):
        words = {a.name: file_word(a) for a in attrs.fields(error.cl)}
        noted, bare = error.group_exceptions()
        for inner, note in noted:
            yield from _misfits(inner, _join(path, words[note.name]))
        for unnoted in bare:
            yield from _misfits(unnoted, path)
    elif isinstance(error, cattrs.IterableValidationError):
        for inner, place in error.group_exceptions()[0]:
            yield from _misfits(inner, f"{path} {int(place.index) + 1}".strip())
    elif isinstance(error, cattrs.ForbiddenExtraKeysError):
        known = [file_word(a) for a in attrs.fields(error.cl)]
        for extra in sorted(map(str, error.extra_fields)):
            yield _join(path, extra), f"there is no such key{nearest(extra, known)}"
    elif isinstance(error, KeyError):
        yield path, "is missing"
    else:
        yield path, str(error)


def _join(path: str, key: str) -> str:
    return f"{path}, {key}" if path else key


def _must(fits: bool, value: object, expected: str) -> None:
    if not fits:
        raise _MisfitError(f"is {quoted(value)}; expected {expected}")


def _whole(value: Any, _: type) -> int:
    _must(isinstance(value, int) and not isinstance(value, bool), value, "a whole number")
    return int(value)


def _number(value: Any, _: type) -> float:
    numeric = isinstance(value, int | float) and not isinstance(value, bool)
    _must(numeric and math.isfinite(value), value, "a number")
    return float(value)


def _text(value: Any, kind: type) -> str:
    """Text, or, since cattrs asks here for every kind of text, one choice of several."""
    if issubclass(kind, StrEnum):
        return _choice(value, kind)
    _must(isinstance(value, str), value, "text in quotation marks")
    _must(str(value).isprintable(), value, "text without line breaks and control characters")
    _must(len(value) <= LONGEST_TEXT, value, f"at most {LONGEST_TEXT} characters")
    return str(value)


def _yes_or_no(value: Any, _: type) -> bool:
    _must(isinstance(value, bool), value, "true or false")
    return bool(value)


def _choice(value: Any, kind: type[_Enum]) -> _Enum:
    names = [choice.value for choice in kind]
    expected = "one of " + ", ".join(names)
    near = nearest(value, names) if isinstance(value, str) else ""
    if value not in names and near.endswith("?"):
        raise _MisfitError(f"is {quoted(value)}{near}")
    _must(value in names, value, expected)
    return kind(value)


def _pitch(value: Any, _: type) -> Fraction:
    expected = 'a pitch in feet as engraved, such as "8" or "2 2/3"'
    if isinstance(value, int) and not isinstance(value, bool):
        value = str(value)
    _must(isinstance(value, str), value, expected)
    try:
        return parse_pitch(value)
    except ValueError:
        raise _MisfitError(f"is {quoted(value)}; expected {expected}") from None


def _short_for(key: str) -> Callable[[Any], Any]:
    """Where a table may be written as the value of its one key that matters."""
    return lambda value: value if isinstance(value, dict) else {key: value}


_SHORT: dict[type, Callable[[Any], Any]] = {
    Contact: _short_for("pin"),
    KeyRun: _short_for("pin"),
    Selection: _short_for("controls"),
}


def _table_hook(cls: type[_T]) -> Callable[[Any, Any], _T]:
    """How one class is structured: by the file's words, unknown ones refused."""
    words = {a.name: override(rename=file_word(a)) for a in attrs.fields(cls)}  # type: ignore[arg-type]
    structure = make_dict_structure_fn(
        cls,
        _CONVERTER,
        _cattrs_forbid_extra_keys=True,
        **words,  # type: ignore[arg-type]
    )
    shorten = _SHORT.get(cls, lambda value: value)

    def hook(value: Any, _: Any) -> _T:
        table = shorten(value)
        _must(isinstance(table, dict), value, "a table")
        return structure(table, cls)

    return hook


def _is_several(cls: Any) -> bool:
    return get_origin(cls) is tuple


def _several_hook(cls: Any) -> Callable[[Any, Any], tuple[Any, ...]]:
    """One or a list of them."""
    list_of_it: Any = GenericAlias(list, get_args(cls)[:1])

    def hook(value: Any, _: Any) -> tuple[Any, ...]:
        several = value if isinstance(value, list) else [value]
        return tuple(_CONVERTER.structure(several, list_of_it))

    return hook


def _converter() -> cattrs.Converter:
    converter = cattrs.Converter(forbid_extra_keys=True)
    for kind, structure in (
        (int, _whole),
        (float, _number),
        (str, _text),
        (bool, _yes_or_no),
        (Fraction, _pitch),
    ):
        converter.register_structure_hook(kind, structure)
    converter.register_structure_hook_factory(attrs.has, _table_hook)
    converter.register_structure_hook_factory(
        lambda cls: getattr(cls, "__origin__", None) is tuple, _several_hook
    )
    return converter


_CONVERTER = _converter()

_HEADER = re.compile(r"\s*\[(\[?)\s*([\w.-]+)\s*\](\]?)\s*(#.*)?\Z")
_KEY = re.compile(r"\s*[\"']?([\w-]+)[\"']?\s*[=.]")


class _Lines:
    """On which line of the text each table begins, and each key in it.

    `tomllib` does not tell, so the text is read once more for its headers and keys. A file
    that writes its tables in another way gets findings without lines, or with that on which the
    tables of a kind begin.
    """

    def __init__(self, text: str) -> None:
        self.tables: dict[str, list[tuple[int, dict[str, int]]]] = {"": [(0, {})]}
        keys = self.tables[""][0][1]
        for number, line in enumerate(text.splitlines(), 1):
            header = _HEADER.match(line)
            if header:
                keys = {}
                self.tables.setdefault(header[2], []).append((number, keys))
            elif key := _KEY.match(line):
                keys.setdefault(key[1], number)

    def of(self, table: str, index: int | None, key: str) -> int | None:
        """The line of a key, or else of its table; None if it is not known."""
        rows = self.tables.get(table)
        if rows is None:
            return self.tables[""][0][1].get(table)
        if (index or 0) >= len(rows):
            return None
        line, keys = rows[index or 0]
        return keys.get(_first_word(key), line) or None
