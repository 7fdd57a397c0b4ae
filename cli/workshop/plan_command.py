"""For the technician: everything that has no pin yet is put on one, and written if asked."""

import re
import textwrap
from pathlib import Path
from typing import Any, NoReturn

import click

from cli.cautions import CAUTIONS
from cli.console.rewiring import rewired
from cli.console.rewriting import CannotRewriteError
from cli.files import read_console_file, read_text, shown, write_whole
from cli.output import PAGE, answer_no, json_option, refuse, say, say_json, say_table
from cli.workshop.plan import (
    Told,
    as_data,
    counts,
    lacking_data,
    lacking_text,
    listings,
    sentences,
)
from combination.checking import check
from combination.findings import Severity
from combination.model import LONGEST_TEXT, Console
from combination.planning import HIGHEST_NOTE, NoRoomError, TooFewBoardsError, plan
from combination.reading import rail_of

MOST_FURTHER = 500
"""Further boards of one option: ours, more than the notes of fifteen ports."""
_BOM = b"\xef\xbb\xbf"


class _BoardsType(click.ParamType["tuple[int, ...]"]):
    """So many pins, and how many boards of them: ``64x4``, or ``64`` for one."""

    name = "boards"

    def __init__(self, least: int) -> None:
        self.least = least

    def convert(self, value: Any, param: Any, ctx: Any) -> tuple[int, ...]:
        """The pins of each board."""
        match = re.fullmatch(r"([0-9]{1,4})(?:[xX×]([0-9]{1,4}))?", value.strip())
        if match is None:
            self.fail(f"{value!r} is not pins by boards, such as 64x4.", param, ctx)
        pins, number = int(match[1]), int(match[2] or 1)
        if not self.least <= pins <= HIGHEST_NOTE + 1:
            most = f"{self.least} to {HIGHEST_NOTE + 1} pins: MIDI carries no more on a channel"
            self.fail(f"{value!r}: a board has {most}.", param, ctx)
        if not 1 <= number <= MOST_FURTHER:
            self.fail(f"{value!r}: expected 1 to {MOST_FURTHER} boards.", param, ctx)
        return (pins,) * number


def _port(text: str) -> str:
    """A name that a port can have in a console file."""
    if not text.strip() or not text.isprintable() or len(text) > LONGEST_TEXT:
        raise click.BadParameter("A port is a name without control characters.")
    return text


@click.command("plan")
@click.argument("console_file", type=click.Path(path_type=Path))
@click.option(
    "--board",
    "boards",
    type=_BoardsType(1),
    multiple=True,
    metavar="PINSxBOARDS",
    help="Further boards to hand for contacts: 64x4 is four of 64 pins. Repeatable.",
)
@click.option(
    "--drivers",
    type=_BoardsType(2),
    multiple=True,
    metavar="PINSxBOARDS",
    help="Further boards to hand for lamps, tab magnets, chest magnets and solenoids. Repeatable.",
)
@click.option(
    "--port",
    "ports",
    type=_port,
    multiple=True,
    metavar="NAME",
    help="The port of further boards; the next, if this has no room. Repeatable. Without it they "
    "are on the port of the file's first board, or console.",
)
@click.option("--piston-lamps", is_flag=True, help="Plan a lamp for every piston.")
@click.option(
    "--no-pipes", is_flag=True, help="Plan no pins for ranks: what has no output stays so."
)
@click.option("--write", is_flag=True, help="Write the plan into the console file.")
@click.option(
    "--output",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Write the console with the plan as this file instead.",
)
@json_option
def plan_command(
    console_file: Path,
    boards: tuple[tuple[int, ...], ...],
    drivers: tuple[tuple[int, ...], ...],
    ports: tuple[str, ...],
    piston_lamps: bool,
    no_pipes: bool,
    write: bool,
    output: Path | None,
    as_json: bool,
) -> None:
    """Put everything that has no pin yet on one.

    Contacts go on the pins that are free, in the order of the harness: keyboard by keyboard, along
    the rail, thumb pistons, second touches, toe studs. A keyboard stays on neighbouring pins of
    one board where one is large enough; the fewest boards are used, and spare pins are together
    at the end. What the file has on a pin stays there.

    Lamps have the pin numbers of their contacts; the tab on pin n has its magnets on 2n-1 and
    2n. Where there are too few boards for that they follow each other in the same order. Ranks
    without an output go on boards of their own, on neighbouring pins.

    To hand are the boards of the file, and those that --board and --drivers add to it. The file
    keeps its comments and its order, and is written whole or not at all, with --write only.

    \b
    For example:
      stopwright workshop plan harbour.toml --board 64x4
      stopwright workshop plan harbour.toml --board 64x4 --drivers 32x6 --write

    \b
    Exit codes:
      0  planned, or nothing to plan
      1  there are too few boards; nothing is written
      2  it could not be done; nothing is written
    """
    if write and output is not None:
        raise click.UsageError("Say --write or --output FILE, not both.")
    text = read_text(console_file, "console file")
    console = read_console_file(console_file)
    try:
        planned = plan(
            console,
            rail_of(text, console),
            boards=[pins for each in boards for pins in each],
            drivers=[pins for each in drivers for pins in each],
            ports=ports or _usual_port(console),
            piston_lamps=piston_lamps,
            pipes=not no_pipes,
        )
    except TooFewBoardsError as error:
        _too_few(error, as_json=as_json)
    except NoRoomError as error:
        pins = f"{error.pins} notes in a row for a further board ({error.way})"
        refuse(f"there is no room left for {pins}; name another port with --port")
    told = Told.of(planned, piston_lamps=piston_lamps)
    written = None
    if not told.empty and (write or output is not None):
        written = console_file if output is None else output
        _write(console_file, text, planned.console, written, replacing=write)
    if as_json:
        say_json(as_data(told) | {"written": None if written is None else shown(written)})
        return
    _say(told)
    if written is not None:
        say(f"Written: {shown(written)}")
    elif not told.empty:
        say("Nothing is written: add --write or --output FILE for that.")


def _usual_port(console: Console) -> tuple[str, ...]:
    messages = [board.input or board.out for board in console.boards]
    return (next((each.port for each in messages if each), "console"),)


def _too_few(error: TooFewBoardsError, *, as_json: bool) -> NoReturn:
    if as_json:
        say_json({"lacking": lacking_data(error.lacking), "written": None})
    else:
        for lacking in error.lacking:
            line = lacking_text(lacking)
            say(textwrap.fill(f"{line[:1].upper()}{line[1:]}.", PAGE))
        say("Nothing is planned.")
    answer_no()


def _write(file: Path, text: str, console: Console, to: Path, *, replacing: bool) -> None:
    errors = [found for found in check(console) if found.severity is Severity.ERROR]
    if errors:
        listed = "\n".join(f"  {finding}" for finding in errors)
        refuse(f"{shown(file)} cannot say this plan:\n{listed}")
    try:
        after = rewired(text, console)
    except CannotRewriteError:
        refuse(f"{shown(file)} is written in a way in which it can only be wired by hand")
    bom = _BOM if file.read_bytes().startswith(_BOM) else b""
    write_whole(to, bom + after.encode(), replacing=replacing)


def _say(told: Told) -> None:
    for listing in () if told.empty else (*listings(told.plan), counts(told.plan)):
        say_table(listing.columns, listing.rows, title=listing.title[0], width=PAGE)
        say()
    for sentence in sentences(told):
        say(textwrap.fill(sentence, PAGE))
    if told.coils:
        say()
        for line in CAUTIONS:
            say(line)
        say()
