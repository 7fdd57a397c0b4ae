"""For the technician: everything that has no pin yet is put on one, and written if asked."""

import re
import shlex
import textwrap
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any, NoReturn

import click
from attrs import evolve

from cli.cautions import CAUTIONS
from cli.console.rewiring import rewired
from cli.console.rewriting import CannotRewriteError
from cli.files import read_console_file, read_text, shown, write_whole
from cli.output import PAGE, answer_no, json_option, refuse, say, say_json, say_table
from cli.workshop.plan import (
    Better,
    Told,
    as_data,
    counts,
    lacking_data,
    lacking_text,
    left_data,
    left_text,
    listings,
    only_deeper_data,
    only_deeper_text,
    sentences,
    undriven,
)
from combination.checking import check
from combination.drivers import OF_A_RANK, Driver
from combination.findings import Severity
from combination.model import LONGEST_TEXT, Console
from combination.planning import (
    HIGHEST_NOTE,
    Lacking,
    NoRoomError,
    Plan,
    TooFewBoardsError,
    plan,
)
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
    at the end. What the file has on a pin stays there. A piston that is the second touch of
    another has no contact of its own unless the file says where it is pressed (at).

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
    planning: _Planning = partial(
        plan,
        console,
        rail_of(text, console),
        ports=ports or _usual_port(console),
        piston_lamps=piston_lamps,
        pipes=not no_pipes,
    )
    try:
        planned = planning(boards=_each(boards), drivers=_each(drivers))
    except TooFewBoardsError as error:
        none_out = not drivers and all(board.out is None for board in console.boards)
        left = undriven(console, piston_lamps=piston_lamps) if none_out else ()
        enough = _enough(planning, boards, drivers, error.lacking)
        _too_few(error, console, left, _command(*enough) if enough else None, as_json=as_json)
    except NoRoomError as error:
        pins = f"{error.pins} notes in a row for a further board ({error.way})"
        refuse(f"there is no room left for {pins}; name another port with --port")
    left = undriven(planned.console, piston_lamps=piston_lamps)
    told = Told(planned, left)
    told = evolve(told, better=_better(told, planning, boards, drivers))
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


_Planning = Callable[..., Plan]
_Sizes = tuple[tuple[int, ...], ...]
"""Of each option given, the pins of its boards."""


def _each(sizes: _Sizes) -> list[int]:
    return [pins for each in sizes for pins in each]


def _enough(
    planning: _Planning, boards: _Sizes, drivers: _Sizes, lacking: Sequence[Lacking]
) -> tuple[_Sizes, _Sizes] | None:
    """The boards asked for with those that they lack, tried; None if there is no size to go by.

    What the drivers lack is only known for sure once all contacts have their pins.
    """
    while all(each.boards for each in lacking):
        for each in lacking:
            if each.way == "in":
                boards += _options(each)
            else:
                drivers += _options(each)
        try:
            planning(boards=_each(boards), drivers=_each(drivers))
        except TooFewBoardsError as error:
            lacking = error.lacking
        except NoRoomError:
            return None
        else:
            return boards, drivers
    return None


def _options(lacking: Lacking) -> _Sizes:
    most, number = MOST_FURTHER, lacking.boards
    return tuple((lacking.pins,) * min(most, number - at) for at in range(0, number, most))


def _command(boards: _Sizes, drivers: _Sizes) -> str:
    """The command as it was given, with these boards."""
    context = click.get_current_context()
    values = context.params | {"boards": boards, "drivers": drivers}
    words = ["stopwright", "workshop", "plan"]
    for param in context.command.params:
        value = values[param.name or ""]
        if isinstance(param, click.Argument):
            file = _word(value)
            words.append(f"./{file}" if file.startswith("-") else file)
        elif value is True:
            words.append(param.opts[0])
        elif value:
            for each in value if isinstance(value, tuple) else (value,):
                words += [param.opts[0], _word(each)]
    return shlex.join(words)


def _word(value: Path | str | tuple[int, ...]) -> str:
    if isinstance(value, tuple):
        return f"{value[0]}x{len(value)}"
    return value if isinstance(value, str) else shown(value)


def _better(told: Told, planning: _Planning, boards: _Sizes, drivers: _Sizes) -> Better | None:
    """How many boards of the size asked for would have more in line, tried; None if not known.

    Lamps and magnets are tried alone on ample boards; ranks need as many as they have.
    """
    sizes = _each(drivers)
    if len(set(sizes)) != 1 or told.plan.aligned == told.at_console:
        return None
    new = {use.board.id for use in told.plan.boards if use.new}
    pipes = {p.rpartition(".")[0] for d, p in told.plan.drivers.items() if d.kind in OF_A_RANK}
    planning = partial(planning, boards=_each(boards))
    try:
        ample = planning(drivers=[*sizes, *sizes[:1] * MOST_FURTHER], pipes=False)
        number = sum(use.new and use.way == "out" for use in ample.boards) + len(new & pipes)
        tried = planning(drivers=sizes[:1] * number)
    except (NoRoomError, TooFewBoardsError):
        return None
    if tried.aligned <= told.plan.aligned or number > MOST_FURTHER:
        return None
    return Better(tried.aligned, number, sizes[0])


def _too_few(
    error: TooFewBoardsError,
    console: Console,
    left: Sequence[Driver],
    command: str | None,
    *,
    as_json: bool,
) -> NoReturn:
    if as_json:
        say_json(
            {
                "lacking": lacking_data(error.lacking),
                "without a pin": left_data(left),
                "no contact of their own": only_deeper_data(console),
                "command": command,
                "written": None,
            }
        )
        answer_no()
    for lacking in error.lacking:
        line = lacking_text(lacking)
        say(textwrap.fill(f"{line[:1].upper()}{line[1:]}.", PAGE))
    for sentence in (*left_text(left), *only_deeper_text(console)):
        say(textwrap.fill(sentence, PAGE))
    say("Nothing is planned.")
    if command is not None:
        say("The whole command, with as many boards as it takes:")
        say(f"  {command}")
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
