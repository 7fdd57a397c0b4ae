"""Tables for spreadsheets: CSV as RFC 4180 has it. What is in the tables is not known here.

A spreadsheet takes a cell that begins like a formula for one, and runs it. Such a cell gets an
apostrophe before it, which is how a person types a text that is none.
"""

import csv
import io
from collections.abc import Iterable, Sequence

_BEGINS_FORMULA = "=+-@\t\r\n＝＋－＠"
"""Also the wide forms, which some spreadsheets take for the others, and what they skip."""


def csv_bytes(columns: Sequence[str], rows: Iterable[Sequence[str]]) -> bytes:
    """A heading and rows as CSV: UTF-8, lines ended by CR and LF, quoted where they must be."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    for row in (columns, *rows):
        writer.writerow([_as_text(cell) for cell in row])
    return text.getvalue().encode()


def _as_text(cell: str) -> str:
    begins = cell.lstrip(" ")[:1]
    return f"'{cell}" if begins and begins in _BEGINS_FORMULA else cell
