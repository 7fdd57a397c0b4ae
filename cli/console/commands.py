"""For the technician: check a console file, print it, alter its pistons, begin a new one.

Commands read their words, have the work done, and print what came of it.
"""

import os
import sys
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from cli.console.beginning import (
    MANUAL_KEYS,
    MANUALS,
    MOST_STOPS,
    PEDAL_KEYS,
    Answers,
    beginning,
)
from cli.console.cable import cable
from cli.console.choices import ACTIONS
from cli.console.describing import PARTS, as_data, need_data, needed_pipes, summary
from cli.console.piston import piston
from cli.files import read_console_file, read_text, shown, write_whole
from cli.naming import Names, plural, tally
from cli.output import PAGE, answer_no, json_option, refuse, say, say_json, say_table
from combination.checking import MOST_LEVELS
from combination.compass import needs_of
from combination.findings import Finding, Severity
from combination.model import Action
from combination.ranges import Ranges
from combination.reading import examine

_FILE = click.argument("file", type=click.Path(path_type=Path))


@click.group()
def console() -> None:
    """Check, print, alter and begin console files.

    A console file is a text that says what a console has: its keyboards and divisions, its ranks,
    stops and couplers, its pistons, and the boards and pins that they are wired to.
    """


console.add_command(cable)
console.add_command(piston)


# ---------------------------------------------------------------- check


@console.command()
@_FILE
@click.option("--strict", is_flag=True, help="Count warnings as errors in the exit code.")
@json_option
def check(file: Path, strict: bool, as_json: bool) -> None:
    """Say everything that is wrong with a console file, and what may be.

    Each finding names its line, the table and key, what is wrong, and the nearest right name.
    Errors come first: a console with errors cannot be used. Warnings are for you to weigh. Above
    them, once there are no errors, are the pipes that each rank has and that its stops need. Read
    it before you cut a wire.

    \b
    Exit codes:
      0  no errors (and with --strict no warnings)
      1  errors (or with --strict warnings)
      2  the file could not be read
    """
    described, findings = examine(read_text(file, "console file"))
    errors, warnings = (
        [finding for finding in findings if finding.severity is severity]
        for severity in (Severity.ERROR, Severity.WARNING)
    )
    names = None if described is None else Names(described, Ranges(described))
    if as_json:
        say_json(
            {
                "file": shown(file),
                "errors": len(errors),
                "warnings": len(warnings),
                "findings": [_finding_data(finding) for finding in (*errors, *warnings)],
                "ranks": _needs_data(names) if names else None,
                "summary": summary(names) if names else None,
            }
        )
    else:
        if names is not None and names.console.ranks:
            needed = needed_pipes(names)
            say_table(needed.columns, needed.rows, title=needed.title[0], width=PAGE)
            say()
        for finding in (*errors, *warnings):
            say(f"{finding.severity}: {finding}")
        counts = tally(((len(errors), "error"), (len(warnings), "warning")))
        if names is None:
            say(f"{counts}. What pistons affect is checked once there are no errors.")
        else:
            say(f"{counts or 'Nothing wrong'}. {summary(names)}.")
    if errors or (strict and warnings):
        answer_no()


def _needs_data(names: Names) -> list[dict[str, object]]:
    return [
        {"id": need.rank.id, "has": need.rank.pipes, "needs": need_data(need)}
        for need in needs_of(names.console)
    ]


def _finding_data(finding: Finding) -> dict[str, object]:
    return {
        "severity": finding.severity,
        "line": finding.line,
        "table": finding.table,
        "id": finding.id,
        "key": finding.key,
        "message": finding.message,
    }


# ---------------------------------------------------------------- print


@console.command("print")
@_FILE
@click.option(
    "--part",
    "parts",
    multiple=True,
    type=click.Choice(list(PARTS)),
    help="Print this part only. May be given several times.",
)
@json_option
def print_(file: Path, parts: tuple[str, ...], as_json: bool) -> None:
    """Print a console as a person reads it, defaults filled in.

    The choices for the whole console; keyboards, divisions, chambers and shoes; each division's
    controls with what they draw or couple and their wires; the pistons with what each affects;
    the stages of the crescendo; the ranks with their outputs, and the pipes that they have and
    need; every board pin by pin, spare pins in runs; and what is not wired. Folded to 100 columns,
    for paper or a pager.

    \b
    Exit codes:
      0  printed
      2  the file could not be read, or has errors
    """
    described = read_console_file(file)
    names = Names(described, Ranges(described))
    chosen = [part for part in PARTS if part in parts] or list(PARTS)
    if as_json:
        say_json(as_data(names, chosen))
        return
    say(described.name)
    say(ACTIONS[described.action])
    say(textwrap.fill(summary(names), PAGE))
    for part in chosen:
        for listing in PARTS[part][0](names):
            say()
            for line in listing.title:
                say(textwrap.fill(line, PAGE, subsequent_indent="  "))
            if listing.rows:
                say_table(listing.columns, listing.rows, width=PAGE)


# ---------------------------------------------------------------- new


def _name(text: str) -> str:
    """A name that a console file can have."""
    if not (text.strip() and text.isprintable()):
        raise click.BadParameter("A name has letters in it, and no control characters.")
    return text.strip()


def _manual_names(text: str) -> tuple[str, ...]:
    """Names with commas between them, each differently."""
    names = tuple(_name(part) for part in text.split(","))
    _must_fit(names)
    return names


def _must_fit(names: Sequence[str]) -> None:
    if len(names) > max(MANUALS):
        raise click.UsageError(f"A console can be begun with {max(MANUALS)} manuals at most.")
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise click.UsageError(f"Two manuals are called {twice}.")


_ACTION = click.Choice([action.value for action in Action])
_GENERALS = click.IntRange(0, 99)
_DIVISIONALS = click.IntRange(0, 20)


@console.command()
@_FILE
@click.option("--name", type=_name, metavar="TEXT", help="What the console is called.")
@click.option(
    "--action",
    type=_ACTION,
    help="blind: tabs move only by hand, pistons override them unseen. moving: pistons move the "
    "tabs. lit: controls do not move, lamps show their state.",
)
@click.option(
    "--manuals",
    type=click.IntRange(min(MANUALS), max(MANUALS)),
    help="How many manuals, under their usual names.",
)
@click.option(
    "--manual",
    "named",
    multiple=True,
    type=_name,
    metavar="NAME",
    help="The name of a manual instead, from the lowest upwards. Repeatable.",
)
@click.option(
    "--manual-keys",
    type=click.IntRange(12, MANUAL_KEYS),
    default=MANUAL_KEYS,
    show_default=True,
    help="Keys of each manual, from low C.",
)
@click.option("--pedal/--no-pedal", default=None, help="Whether it has a pedalboard.")
@click.option(
    "--pedal-keys",
    type=click.IntRange(12, PEDAL_KEYS),
    help=f"Keys of the pedalboard, from low C. Usually {PEDAL_KEYS} (American Guild of Organists "
    "console standard); a BDO pedalboard has 30.",
)
@click.option("--generals", type=_GENERALS, help="How many general pistons.")
@click.option("--divisionals", type=_DIVISIONALS, help="How many divisionals each division has.")
@click.option(
    "--stops",
    type=click.IntRange(1, MOST_STOPS),
    default=4,
    show_default=True,
    help="How many stops to put in each division, to be renamed.",
)
@click.option(
    "--levels",
    type=click.IntRange(1, MOST_LEVELS),
    default=100,
    show_default=True,
    help="Memory levels.",
)
@click.option(
    "--unwired",
    is_flag=True,
    help="Put nothing on pins, for `stopwright workshop plan` to do. Otherwise everything has one.",
)
def new(
    file: Path,
    name: str | None,
    action: str | None,
    manuals: int | None,
    named: tuple[str, ...],
    manual_keys: int,
    pedal: bool | None,
    pedal_keys: int | None,
    generals: int | None,
    divisionals: int | None,
    stops: int,
    levels: int,
    unwired: bool,
) -> None:
    """Begin a console file, to be filled in by hand.

    The new file has no errors and says in comments what may be changed: every division has a few
    stops with ranks and pins, to be renamed to what the console has. On a terminal you are asked
    for what no option gives; elsewhere a name and an action must be given, and the rest has
    defaults: Great, Swell and Pedal, 8 generals, 4 divisionals each. A file that is there already
    is never overwritten.

    \b
    For example:
      stopwright console new harbour.toml
      stopwright console new harbour.toml --name "Harbour Pavilion" --action blind \\
          --manual Accompaniment --manual Great --manual Solo --generals 10

    \b
    Exit codes:
      0  written
      2  it could not be done; nothing is written
    """
    if os.path.lexists(file):
        refuse(f"{shown(file)}: it is there already, and is left as it is")
    if not file.parent.is_dir():
        refuse(f"there is no folder {shown(file.parent)}")
    if manuals is not None and named and manuals != len(named):
        raise click.UsageError(f"--manuals {manuals}, but {plural(len(named), 'name')} given.")
    if pedal is False and pedal_keys is not None:
        raise click.UsageError("A console with --no-pedal has no --pedal-keys.")
    if name is None:
        name = _ask("What is the console called?", None, _name)
    if action is None:
        action = _ask(_WHICH_ACTION, None, _ACTION)
    if not named:
        usual = ", ".join(MANUALS[2])
        named = MANUALS[manuals] if manuals else _ask(_WHICH_MANUALS, usual, _manual_names)
    _must_fit(named)
    if pedal is None and pedal_keys is None:
        pedal_keys = _ask(_HOW_MANY_PEDALS, PEDAL_KEYS, click.IntRange(0, PEDAL_KEYS))
    elif pedal_keys is None:
        pedal_keys = PEDAL_KEYS if pedal else 0
    if generals is None:
        generals = _ask("How many generals?", 8, _GENERALS)
    if divisionals is None:
        divisionals = _ask("How many divisionals has each division?", 4, _DIVISIONALS)
    answers = Answers(
        name,
        Action(action),
        named,
        manual_keys,
        pedal_keys,
        generals,
        divisionals,
        stops,
        levels,
        wired=not unwired,
    )
    write_whole(file, beginning(answers).encode(), replacing=False)
    say(f"Written: {shown(file)}. What to do next is said at its head.")


_WHICH_ACTION = "Is its action blind (tabs move only by hand), moving (pistons move them) or lit?"
_WHICH_MANUALS = "What are the manuals called, from the lowest, with commas between?"
_HOW_MANY_PEDALS = "How many keys has the pedalboard (0: there is none)?"


def _ask(question: str, usual: str | int | None, kind: Any) -> Any:
    """Ask on a terminal; elsewhere take what is usual, or refuse where nothing is."""
    if sys.stdin.isatty():
        return click.prompt(question, usual, type=kind, show_choices=False, prompt_suffix=" ")
    if usual is None:
        refuse("a new console needs --name and --action where nobody can be asked for them")
    return click.types.convert_type(kind)(usual)
