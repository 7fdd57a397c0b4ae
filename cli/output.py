"""How every command speaks: tables, JSON, refusals. Nothing here knows what a console is.

On a terminal tables have rules and colour; anywhere else they are plain lines, as wide as they
need to be, so that what a script reads does not depend on a window.
"""

import json
import sys
from collections.abc import Iterable, Iterator, Sequence
from io import TextIOWrapper
from typing import Any, NoReturn, TypeVar

import click
from rich import box
from rich.console import Console as Screen
from rich.table import Table
from rich.text import Text

ANSWER_IS_NO = 1
"""Exit code: the work was done, and found faults, differences or failed expectations."""
CANNOT = 2
"""Exit code: the work could not be done: bad input, bad usage, a file that cannot be written."""

_T = TypeVar("_T")

MANY = 1000
"""Things to be gone through that a person may have to wait for."""
PAGE = 100
"""Columns of a page, to which long listings are folded."""


class RefusedError(click.ClickException):
    """Something cannot be done. One message in the user's terms, and the exit code."""

    exit_code = CANNOT

    def show(self, file: Any = None) -> None:
        """Say it on standard error."""
        click.echo(f"stopwright: {self.message}", file=file or sys.stderr)


def write_all_letters() -> None:
    """Let every letter be printed: on Windows what is no terminal has a country's own otherwise."""
    if sys.platform == "win32":
        for stream in (sys.stdout, sys.stderr):
            if isinstance(stream, TextIOWrapper):
                stream.reconfigure(encoding="utf-8", errors="backslashreplace")


def refuse(message: str) -> NoReturn:
    """Stop with one clear message and exit code 2."""
    raise RefusedError(message)


def answer_no() -> NoReturn:
    """Stop with exit code 1, after the findings have been printed."""
    raise click.exceptions.Exit(ANSWER_IS_NO)


def say(text: str = "") -> None:
    """Print one line."""
    click.echo(text)


def say_json(value: object) -> None:
    """Print a value as JSON."""
    click.echo(json.dumps(value, indent=2, ensure_ascii=False))


def say_table(
    columns: Sequence[str],
    rows: Iterable[Sequence[str]],
    *,
    title: str | None = None,
    width: int | None = None,
) -> None:
    """Print a table. Cells are plain text: nothing in them is taken for markup.

    With ``width`` long cells are folded to make the table that wide at most, for a listing
    that is read on paper or in a pager; otherwise nothing is folded but by a terminal.
    """
    on_terminal = sys.stdout.isatty()
    if title is not None:
        say(click.style(title, bold=True) if on_terminal else title)
    cells = [[Text(cell) for cell in row] for row in rows]
    table = Table(box=box.SIMPLE_HEAD if on_terminal else None, pad_edge=False)
    for column in columns:
        table.add_column(Text(column), overflow="fold")
    for row in cells:
        table.add_row(*row)
    if on_terminal:
        Screen().print(table)
        return
    natural = _width(columns, cells)
    screen = Screen(
        width=natural if width is None else min(natural, width), color_system=None, no_color=True
    )
    with screen.capture() as capture:
        screen.print(table)
    click.echo("\n".join(line.rstrip() for line in capture.get().splitlines()))


def _width(columns: Sequence[str], cells: Sequence[Sequence[Text]]) -> int:
    """Wide enough that nothing is folded."""
    widest = [
        max((Text(column).cell_len, *(row[place].cell_len for row in cells)))
        for place, column in enumerate(columns)
    ]
    return sum(widest) + 2 * len(widest) + 2


def progress(things: Sequence[_T], doing: str) -> Iterator[_T]:
    """Go through things, and where there are many show on a terminal how far it has come."""
    if len(things) < MANY or not sys.stderr.isatty():
        yield from things
        return
    with click.progressbar(things, label=doing, file=sys.stderr) as bar:
        yield from bar


class ByPurpose(click.Group):
    """A group whose help lists its commands by what they are for.

    ``purposes`` has the names of the commands under each purpose, in the order of the help.
    """

    purposes: Sequence[tuple[str, Sequence[str]]] = ()

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the commands, purpose by purpose."""
        limit = formatter.width - 6 - max(map(len, self.list_commands(ctx)))
        for purpose, names in self.purposes:
            with formatter.section(purpose):
                formatter.write_dl(
                    [(name, self.commands[name].get_short_help_str(limit)) for name in names]
                )


json_option = click.option(
    "--json", "as_json", is_flag=True, help="Print JSON for another program to read."
)
