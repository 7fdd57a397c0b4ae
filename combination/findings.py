"""What there is to say about a console file: a finding for each fault, in the file's own words."""

import difflib
from collections.abc import Iterable
from enum import StrEnum

from attrs import frozen


class Severity(StrEnum):
    """An error keeps the console from being used; a warning is for the technician to weigh."""

    ERROR = "error"
    WARNING = "warning"


@frozen
class Finding:
    """One fault: how bad, where in the file, and what is wrong.

    ``table`` is the file's word for the kind of thing (``piston``; empty for the file's own
    keys), ``index`` its place among its kind from 0, ``id`` its name if it has one, ``key`` the
    key at fault if it is one, ``line`` the line of the file (from 1) if it is known.
    """

    severity: Severity
    table: str
    key: str
    message: str
    index: int | None = None
    id: str | None = None
    line: int | None = None

    @property
    def place(self) -> str:
        """Where it is, as a person would say it: ``piston "g1", affects``."""
        thing = self.table
        if self.id is not None:
            thing = f'{self.table} "{self.id}"'
        elif self.index is not None:
            thing = f"{self.table} number {self.index + 1}"
        return ", ".join(part for part in (thing, self.key) if part) or "the file"

    def __str__(self) -> str:
        """The whole finding in one line."""
        line = f"line {self.line}: " if self.line is not None else ""
        return f"{line}{self.place}: {self.message}"


class ConsoleFileError(Exception):
    """A console file has errors. All of them, and the warnings, are in ``findings``."""

    def __init__(self, findings: Iterable[Finding]) -> None:
        """Take every finding, in the order in which a person should read them."""
        self.findings = tuple(findings)
        super().__init__("\n".join(str(finding) for finding in self.findings))


def quoted(value: object) -> str:
    """A value as the file would write it, cut to a length that a message can bear."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list | tuple):
        return "a list"
    text = f'"{value}"' if isinstance(value, str) else str(value)
    printable = "".join(sign if sign.isprintable() else "?" for sign in text)
    return printable if len(printable) <= 60 else printable[:57] + '..."'


def nearest(name: str, known: Iterable[str]) -> str:
    """The end of a message about an unknown name: the nearest right one, or what there is."""
    names = sorted(set(known))
    close = difflib.get_close_matches(name, names, n=1, cutoff=0.6)
    if close:
        return f'; did you mean "{close[0]}"?'
    if not names:
        return "; there are none"
    if len(names) <= 8:
        return "; there are " + ", ".join(names)
    return ""
