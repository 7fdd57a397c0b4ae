"""The command that writes a console's wiring schedule: on the terminal, as CSV, on paper."""

import datetime
from pathlib import Path

import click

from cli.files import read_console_file, read_text, shown, write_whole
from cli.output import json_option, refuse, say, say_json, say_table
from cli.workshop.schedule import (
    COLUMNS,
    CSV_COLUMNS,
    Side,
    as_page,
    csv_rows,
    data_of,
    rows_of,
    sides_of,
    title_of,
)
from cli.workshop.spreadsheets import csv_bytes
from combination.model import Console
from combination.reading import rail_of

_STDOUT = Path("-")
_A_FILE = click.Path(path_type=Path, allow_dash=True)


@click.command("schedule")
@click.argument("console_file", type=click.Path(path_type=Path))
@click.option("--board", "boards", multiple=True, metavar="ID", help="Only this board. Repeatable.")
@click.option("--csv", "csv_file", type=_A_FILE, metavar="FILE", help="Write it as CSV.")
@click.option("--page", "page_file", type=_A_FILE, metavar="FILE", help="Write a page to print.")
@json_option
def schedule_command(
    console_file: Path,
    boards: tuple[str, ...],
    csv_file: Path | None,
    page_file: Path | None,
    as_json: bool,
) -> None:
    """Say what is on every pin of every board, wire by wire.

    Each wire has a number for life: its pin's, counted through the boards of the file in their
    order, spare pins too, so that what is wired later renumbers nothing. Add boards at the end of
    the file. The wire from a contact is 65, that to the lamp or magnet on the same pin is 65A.
    C4 is middle C.

    Without --csv, --page or --json it is printed as tables, spare pins in runs. CSV has a line
    for every pin each way, for a spreadsheet; a cell that would begin a formula has an apostrophe
    before it. The page is one HTML file with a box to tick for each wire: open it in a browser
    and print it, on A4 or Letter. For FILE, - is standard output; a file that is there is left
    alone.

    \b
    Exit codes:
      0  said, or written
      2  the file could not be read or has errors, or a file could not be written
    """
    console = read_console_file(console_file)
    rail = rail_of(read_text(console_file, "console file"), console)
    sides = _chosen(sides_of(console, rail), boards, console, console_file)
    made: list[tuple[Path, bytes]] = []
    if csv_file is not None:
        made.append((csv_file, csv_bytes(CSV_COLUMNS, csv_rows(sides))))
    if page_file is not None:
        today = datetime.date.today().isoformat()
        made.append((page_file, as_page(console, sides, today).encode()))
    on_stdout = [path for path, _ in made if path == _STDOUT]
    if len(on_stdout) + as_json > 1:
        refuse("only one of --csv, --page and --json can go to standard output")
    _write(made, quietly=bool(on_stdout) or as_json)
    if as_json:
        say_json(data_of(console, sides))
    elif not made:
        _print(sides)


def _chosen(
    sides: tuple[Side, ...], boards: tuple[str, ...], console: Console, file: Path
) -> tuple[Side, ...]:
    there = [board.id for board in console.boards]
    if not there:
        refuse(f"{shown(file)} has no boards yet: `stopwright workshop plan` puts wires on them")
    for name in boards:
        if name not in there:
            refuse(f"there is no board {name!r} in {shown(file)}, which has {', '.join(there)}")
    return tuple(side for side in sides if not boards or side.board.id in boards)


def _write(made: list[tuple[Path, bytes]], *, quietly: bool) -> None:
    """Write all files or, if one of them is there already, none."""
    paths = [path for path, _ in made if path != _STDOUT]
    if len(set(paths)) < len(paths):
        refuse(f"{shown(paths[0])} cannot be both the CSV and the page")
    for path in paths:
        if path.exists():
            refuse(f"{shown(path)} is there already, and is left alone")
    for path, data in made:
        if path == _STDOUT:
            click.echo(data, nl=False)
        else:
            write_whole(path, data, replacing=False)
            if not quietly:
                say(f"Written: {shown(path)}.")


def _print(sides: tuple[Side, ...]) -> None:
    before = None
    for side in sides:
        if before is not None:
            say()
        if side.board.id != before:
            say(title_of(side.board))
        before = side.board.id
        say_table(COLUMNS[side.way], rows_of(side), title=side.of)
