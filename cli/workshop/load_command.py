"""For the technician: whether supplies and wires bear what a console asks of them."""

import datetime
import textwrap
from pathlib import Path

import click

from cli.cautions import CAUTIONS
from cli.files import read_console_file, read_text, shown, write_whole
from cli.output import PAGE, answer_no, json_option, refuse, say, say_json, say_table
from cli.workshop.electrics_file import examine
from cli.workshop.load import (
    FIRST,
    NOTHING,
    LoadPlan,
    as_data,
    as_page,
    example_of,
    listings,
    plan_of,
)
from combination.electrics import Electrics
from combination.model import Console

_STDOUT = Path("-")


@click.command("load")
@click.argument("console_file", type=click.Path(path_type=Path))
@click.argument("electrics_file", type=click.Path(path_type=Path), required=False)
@click.option(
    "--example",
    is_flag=True,
    help="Print an electrics file for this console to begin with, and nothing else.",
)
@click.option(
    "--page",
    "page_file",
    type=click.Path(path_type=Path, allow_dash=True),
    metavar="FILE",
    help="Write a page to print.",
)
@json_option
def load_command(
    console_file: Path,
    electrics_file: Path | None,
    example: bool,
    page_file: Path | None,
    as_json: bool,
) -> None:
    """Plan the load of a console's supplies, and check its wires.

    ELECTRICS_FILE says what each supply feeds and by which wires; pulses, groups, ranks and lamps
    are those of CONSOLE_FILE. Prints the worst moment of each supply, the largest group of tabs
    that may be driven at once and when the last of them moves, what each wire loses, and whatever
    exceeds a rating, a fuse, or a rule. Local code and a licensed electrician come first.

    The page is one HTML file, for A4 or Letter. For FILE, - is standard output; a file that is
    there is left alone.

    \b
    Exit codes:
      0  nothing exceeds anything
      1  something does
      2  a file could not be read, or has errors
    """
    console = read_console_file(console_file)
    if example:
        if electrics_file is not None or page_file is not None or as_json:
            refuse("--example goes with a console file and nothing else")
        say(example_of(console).rstrip("\n"))
        return
    if electrics_file is None:
        refuse("an electrics file is missing; --example prints one to begin with")
    if as_json and page_file == _STDOUT:
        refuse("only one of --page and --json can go to standard output")
    plan = plan_of(_read(electrics_file, console), console)
    if page_file is not None:
        _write_page(page_file, plan, quietly=as_json)
    if as_json:
        say_json(as_data(plan))
    elif page_file is None:
        _print(plan)
    if plan.faults:
        answer_no()


def _print(plan: LoadPlan) -> None:
    say(f"Load plan of {plan.console.name}")
    say()
    for line in CAUTIONS:
        say(line)
    say(f"  - {FIRST}")
    for listing in listings(plan):
        say()
        for line in listing.title:
            say(textwrap.fill(line, PAGE))
        say_table(listing.columns, listing.rows, width=PAGE)
    if not plan.faults:
        say()
        say(NOTHING)


def _write_page(path: Path, plan: LoadPlan, *, quietly: bool) -> None:
    data = as_page(plan, datetime.date.today().isoformat()).encode()
    if path == _STDOUT:
        click.echo(data, nl=False)
        return
    if path.exists():
        refuse(f"{shown(path)} is there already, and is left alone")
    write_whole(path, data, replacing=False)
    if not quietly:
        say(f"Written: {shown(path)}.")


def _read(path: Path, console: Console) -> Electrics:
    electrics, findings = examine(read_text(path, "electrics file"), console)
    if electrics is None:
        count = "an error" if len(findings) == 1 else f"{len(findings)} errors"
        listed = "\n".join(f"  {finding}" for finding in findings)
        refuse(f"{shown(path)} has {count}:\n{listed}")
    return electrics
