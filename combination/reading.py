"""From the text of a console file to a `Console`, and every fault of the text at once.

The text is read as any file's tables are (`combination.tables`), and what fits of it is checked all
the same where something else does not. What the values mean is for `combination.checking` to judge.
"""

from fractions import Fraction
from typing import Any

import attrs
import cattrs

from combination.checking import Doubt, check
from combination.findings import ConsoleFileError, Finding, Severity, quoted
from combination.model import Action, Console, Contact, KeyRun, Kind, Selection, file_word
from combination.pitch import parse_pitch
from combination.tables import (
    STAND_IN,
    STAND_INS,
    Lines,
    MisfitError,
    NotTomlError,
    Reader,
    converter_of,
    must,
)

FORMAT = 1
"""The format of console files that this program reads."""


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
        reader = Reader(text, _CONVERTER, _STAND_INS)
    except NotTomlError as error:
        return None, (error.finding,)
    console = reader.file(Console, FORMAT, name=STAND_IN, action=Action.BLIND)
    placed = reader.placed(check(console, _doubt(reader)))
    failed = any(finding.severity is Severity.ERROR for finding in placed)
    return (None if failed else console), placed


def rail_of(text: str, console: Console) -> tuple[str, ...]:
    """The ids of a console's controls in the order in which its file has them, kinds mixed.

    Where the file does not write them as tables of their own they come kind by kind.
    """
    lines = Lines(text)
    controls = [
        (lines.of(file_word(kind), index, "") or 0, control.id)
        for kind in attrs.fields(Console)
        if kind.name in _CONTROLS
        for index, control in enumerate(getattr(console, kind.name))
    ]
    return tuple(name for _, name in sorted(controls, key=lambda each: each[0]))


_CONTROLS = ("stops", "couplers", "tremulants", "percussions", "traps", "effects")


def _doubt(reader: Reader) -> Doubt:
    """What the checker must not draw conclusions from."""
    of_the_file = any(finding.table not in reader.kept for finding in reader.findings)
    return Doubt(frozenset(reader.left_out), frozenset(reader.mended), of_the_file)


def _pitch(value: Any, _: type) -> Fraction:
    expected = 'a pitch in feet as engraved, such as "8" or "2 2/3"'
    if isinstance(value, int) and not isinstance(value, bool):
        value = str(value)
    must(isinstance(value, str), value, expected)
    try:
        return parse_pitch(value)
    except ValueError:
        raise MisfitError(f"is {quoted(value)}; expected {expected}") from None


def _converter() -> cattrs.Converter:
    converter = converter_of({Contact: "pin", KeyRun: "pin", Selection: "controls"})
    converter.register_structure_hook(Fraction, _pitch)
    return converter


_CONVERTER = _converter()
_STAND_INS = {**STAND_INS, Kind: Kind.GENERAL.value}
