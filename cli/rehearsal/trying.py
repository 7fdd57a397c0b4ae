"""Trying a console with other choices: its file's text, changed before it is read."""

import re
import tomllib
from collections.abc import Iterable, MutableMapping
from typing import Any, get_origin

import attrs
import tomlkit
from attrs import frozen

from cli.rehearsal.forms import WrongError
from combination.findings import nearest, quoted
from combination.model import Console, file_word


@frozen
class Choice:
    """A console-wide choice to be tried, as its table (none: the file itself), key and value."""

    table: str
    key: str
    value: Any


_WIDE: dict[str, "attrs.Attribute[Any]"] = {
    file_word(attribute): attribute
    for attribute in attrs.fields(Console)
    if get_origin(attribute.type) is not tuple
}
"""The keys of a console file that are not tables for each of several things."""


def choices_made(text: str, choices: Iterable[Choice]) -> str:
    """The text of a console file in which these choices have been made."""
    document = tomlkit.parse(text)
    for choice in choices:
        if not choice.table:
            document[choice.key] = choice.value
            continue
        table = document.setdefault(choice.table, tomlkit.table())
        if isinstance(table, MutableMapping):
            table[choice.key] = choice.value
    return tomlkit.dumps(document)


def choice_of(key: str, value: str) -> Choice:
    """A choice as written; a word that is no TOML value is text.

    Raises:
        WrongError: if the console file has no such key.
    """
    table, dot, inner = key.partition(".")
    if not dot:
        table, inner = "", key
    known = _WIDE
    if table and table in _WIDE:
        kind = _WIDE[table].type
        if kind is None or not attrs.has(kind):
            raise WrongError(f'"{table}" is not a table')
        known = {file_word(a): a for a in attrs.fields(kind)}
    elif table:
        raise WrongError(f'a console has no choices "{table}"{nearest(table, _WIDE)}')
    if inner not in known:
        raise WrongError(f"a console has no choice {quoted(inner)}{nearest(inner, known)}")
    try:
        return Choice(table, inner, tomllib.loads(f"value = {value}")["value"])
    except (ValueError, RecursionError):
        if not re.fullmatch(r"[A-Za-z][\w-]*", value):
            raise WrongError(f"{quoted(value)} is not a value") from None
        return Choice(table, inner, value)
