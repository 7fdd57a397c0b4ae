"""From a TOML text to tables of attrs classes, and everything that does not fit, at once.

TOML is read by `tomllib`, tables are structured by cattrs, and what does not fit is turned into
findings in the file's own words, with their lines. A table that does not fit is left out, or mended
with stand-ins, and the rest is read all the same, so that one bad table does not hide the faults of
the others. Which file it is, and what its values mean, is not known here.
"""

import math
import re
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping
from enum import StrEnum
from types import GenericAlias, MappingProxyType
from typing import Any, TypeVar, get_args, get_origin

import attrs
import cattrs
from cattrs.gen import make_dict_structure_fn, override

from combination.findings import Finding, Severity, nearest, quoted
from combination.model import LONGEST_TEXT, file_word

STAND_IN = "?"
"""Stands for a text that a table should have and has not: no id can be so."""
STAND_INS: Mapping[Any, str] = MappingProxyType({str: STAND_IN, tuple[str, ...]: STAND_IN})
"""By type, what stands in for a key that a table must have and that is missing or does not fit."""

_T = TypeVar("_T")
_Enum = TypeVar("_Enum", bound=StrEnum)
_LARGEST = 4 * 1024 * 1024


class NotTomlError(Exception):
    """A text is not TOML, or too long; ``finding`` says what is wrong, and where."""

    def __init__(self, finding: Finding) -> None:
        """Take the one finding that there is."""
        self.finding = finding
        super().__init__(str(finding))


class MisfitError(Exception):
    """A value is not what its key takes; the message is a finding's."""


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


class Reader:
    """Structures one file's tables, and gathers what did not fit.

    ``findings`` are what did not fit, without lines. ``left_out`` are the ids of tables that are
    not there: naming them is no further fault. ``mended`` are tables, by kind and place among those
    that are there, from which a key was left out. ``kept`` has, for each array of tables that was
    read, the places in the file of those that are there.
    """

    def __init__(
        self, text: str, converter: cattrs.Converter, stand_ins: Mapping[Any, str] = STAND_INS
    ) -> None:
        """Take the file's text, a converter (`converter_of`), and what stands in for what.

        Raises:
            NotTomlError: if the text is not TOML, or longer than 4 MiB.
        """
        try:
            if len(text) > _LARGEST:
                raise ValueError(f"it is longer than {_LARGEST // 1024 // 1024} MiB")
            self.data = tomllib.loads(text)
        except (ValueError, RecursionError) as error:
            raise NotTomlError(_unreadable(error, text)) from error
        self.lines = Lines(text)
        self.converter = converter
        self.stand_ins = stand_ins
        self.findings: list[Finding] = []
        self.left_out: set[str] = set()
        self.kept: dict[str, list[int]] = {}
        self.mended: set[tuple[str, int | None]] = set()

    def file(self, cls: type[_T], form: int, **stand_ins: Any) -> _T:
        """The whole file as one ``cls``, by as much of it as fits.

        ``form`` is the format that the file's ``format`` must have. It and ``stand_ins`` are the
        values of what the file must have, where that is missing or does not fit.
        """
        values: dict[str, Any] = {"format": form, **stand_ins}
        words = {file_word(a): a for a in attrs.fields(cls)}  # type: ignore[arg-type]
        for key in self.data:
            if key not in words:
                near = nearest(key, words)
                if _is_tables(self.data[key]):
                    self._error(key, "", f"there is no such table{near}")
                else:
                    self._error("", key, f"there is no such key{near}")
        for key, attribute in words.items():
            if key in self.data:
                row = row_class(attribute)
                if row is None:
                    fitting = self._key(key, attribute, self.data[key])
                else:
                    fitting = self._table(key, row, self.data[key])
                if fitting is not None:
                    values[attribute.name] = fitting
            elif attribute.default is attrs.NOTHING:
                self._error("", key, "is missing")
        if values["format"] != form:
            message = f"is {values['format']}; this program reads format {form}"
            self._error("", "format", message)
        return cls(**values)

    def placed(self, checked: Iterable[Finding]) -> tuple[Finding, ...]:
        """Everything found, with its lines: errors first, then warnings, as the file has them.

        ``checked`` are what a checker found in the tables that are there, by their places.
        """
        found = (*self.findings, *(attrs.evolve(f, index=self._row(f)) for f in checked))
        placed = [attrs.evolve(f, line=self.lines.of(f.table, f.index, f.key)) for f in found]
        placed.sort(key=lambda finding: (finding.severity is Severity.WARNING, finding.line or 0))
        return tuple(placed)

    def _key(self, key: str, attribute: "attrs.Attribute[Any]", value: Any) -> Any:
        """One key of the file itself, or one of its single tables."""
        try:
            return self.converter.structure(value, attribute.type)  # type: ignore[arg-type]
        except (cattrs.BaseValidationError, MisfitError) as error:
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
                fits = self.converter.structure(row, row_type)
            except (cattrs.BaseValidationError, MisfitError) as error:
                misfits = list(_misfits(error))
                for path, message in misfits:
                    self._error(key, path, message, index, name)
                fits = self._mended(row, row_type, {_first_word(path) for path, _ in misfits})
                if fits is None:
                    self.left_out |= {name} if name else set()
                    continue
                self.mended.add((key, len(fitting)))
                self.left_out.add(STAND_IN)
            fitting.append(fits)
            self.kept[key].append(index)
        return tuple(fitting)

    def _mended(self, row: dict[str, Any], row_type: type[Any], at_fault: set[str]) -> Any:
        """A table without the keys that do not fit, so that its others are checked all the same.

        What must be there is stood in for; None if that cannot be, or if it has no id.
        """
        mended = {}
        for attribute in attrs.fields(row_type):
            word = file_word(attribute)
            if word in row and word not in at_fault:
                mended[word] = row[word]
            elif attribute.default is attrs.NOTHING:
                if word == "id" or attribute.type not in self.stand_ins:
                    return None
                mended[word] = self.stand_ins[attribute.type]
        try:
            return self.converter.structure(mended, row_type)
        except (cattrs.BaseValidationError, MisfitError):
            return None

    def _row(self, finding: Finding) -> int | None:
        """Which of the file's tables of its kind a finding of the checker is about."""
        if finding.index is None or finding.table not in self.kept:
            return finding.index
        return self.kept[finding.table][finding.index]

    def _error(
        self, table: str, key: str, message: str, index: int | None = None, id_: str | None = None
    ) -> None:
        self.findings.append(Finding(Severity.ERROR, table, key, message, index, id_))


def _first_word(path: str) -> str:
    """The key of a table that a path begins with: ``draws`` of ``draws 2, pitch``."""
    return re.split(r"[, ]", path, maxsplit=1)[0]


def _is_tables(value: object) -> bool:
    """Whether it is a table, or an array of tables."""
    rows = value if isinstance(value, list) else [value]
    return bool(rows) and all(isinstance(row, dict) for row in rows)


def row_class(attribute: "attrs.Attribute[Any]") -> type[Any] | None:
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


def must(fits: bool, value: object, expected: str) -> None:
    """Refuse a value that does not fit, saying what was expected.

    Raises:
        MisfitError: if it does not fit.
    """
    if not fits:
        raise MisfitError(f"is {quoted(value)}; expected {expected}")


def _whole(value: Any, _: type) -> int:
    must(isinstance(value, int) and not isinstance(value, bool), value, "a whole number")
    return int(value)


def _number(value: Any, _: type) -> float:
    numeric = isinstance(value, int | float) and not isinstance(value, bool)
    must(numeric and math.isfinite(value), value, "a number")
    return float(value)


def _text(value: Any, kind: type) -> str:
    """Text, or, since cattrs asks here for every kind of text, one choice of several."""
    if issubclass(kind, StrEnum):
        return _choice(value, kind)
    must(isinstance(value, str), value, "text in quotation marks")
    must(str(value).isprintable(), value, "text without line breaks and control characters")
    must(len(value) <= LONGEST_TEXT, value, f"at most {LONGEST_TEXT} characters")
    return str(value)


def _yes_or_no(value: Any, _: type) -> bool:
    must(isinstance(value, bool), value, "true or false")
    return bool(value)


def _choice(value: Any, kind: type[_Enum]) -> _Enum:
    names = [choice.value for choice in kind]
    if value not in names:
        near = nearest(value, names) if isinstance(value, str) else ""
        if near.endswith("?"):
            raise MisfitError(f"is {quoted(value)}{near}")
    must(value in names, value, "one of " + ", ".join(names))
    return kind(value)


def converter_of(short: Mapping[type, str] = MappingProxyType({})) -> cattrs.Converter:
    """What structures the values of a file: whole and other numbers, text, choices, tables.

    A table's keys are the file's words for the attributes of its class, and others are refused. A
    list may be written as the one thing in it. ``short`` has the classes of which a table may be
    written as the value of the one key that matters, and that key.
    """
    converter = cattrs.Converter(forbid_extra_keys=True)
    for kind, structure in ((int, _whole), (float, _number), (str, _text), (bool, _yes_or_no)):
        converter.register_structure_hook(kind, structure)
    converter.register_structure_hook_factory(
        attrs.has, lambda cls: _table_hook(converter, cls, short.get(cls))
    )
    converter.register_structure_hook_factory(
        lambda cls: getattr(cls, "__origin__", None) is tuple,
        lambda cls: _several_hook(converter, cls),
    )
    return converter


def _table_hook(
    converter: cattrs.Converter, cls: type[_T], key: str | None
) -> Callable[[Any, Any], _T]:
    """How one class is structured: by the file's words, unknown ones refused."""
    words = {a.name: override(rename=file_word(a)) for a in attrs.fields(cls)}  # type: ignore[arg-type]
    structure = make_dict_structure_fn(
        cls,
        converter,
        _cattrs_forbid_extra_keys=True,
        **words,  # type: ignore[arg-type]
    )

    def hook(value: Any, _: Any) -> _T:
        table = value if key is None or isinstance(value, dict) else {key: value}
        must(isinstance(table, dict), value, "a table")
        return structure(table, cls)

    return hook


def _several_hook(converter: cattrs.Converter, cls: Any) -> Callable[[Any, Any], tuple[Any, ...]]:
    """One or a list of them."""
    list_of_it: Any = GenericAlias(list, get_args(cls)[:1])

    def hook(value: Any, _: Any) -> tuple[Any, ...]:
        several = value if isinstance(value, list) else [value]
        return tuple(converter.structure(several, list_of_it))

    return hook


_HEADER = re.compile(r"\s*\[(\[?)\s*([\w.-]+)\s*\](\]?)\s*(#.*)?\Z")
_KEY = re.compile(r"\s*[\"']?([\w-]+)[\"']?\s*[=.]")


class Lines:
    """On which line of the text each table begins, and each key in it.

    `tomllib` does not tell, so the text is read once more for its headers and keys. A file
    that writes its tables in another way gets findings without lines, or with that on which the
    tables of a kind begin.
    """

    def __init__(self, text: str) -> None:
        """Read the text's lines."""
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
