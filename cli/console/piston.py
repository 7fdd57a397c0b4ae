"""For the technician: one piston altered, in the console file and seen against a bank.

Shows what a piston affects and will affect, what becomes of what it remembers, and the lines of
the file that change; writes them if asked. What it becomes is for `cli.console.altering`, how
the file is written for `cli.console.rewriting`.
"""

import difflib
import textwrap
from collections.abc import Iterable, Iterator
from itertools import takewhile
from pathlib import Path

import click

from cli.bank.files import read_bank
from cli.bank.places import BankPlace
from cli.console.altering import EVERYTHING, Wish, alter, changes
from cli.console.rewriting import CannotRewriteError, rewritten
from cli.files import read_console_file, read_text, shown, write_whole
from cli.naming import Names, plural
from cli.output import PAGE, refuse, say, say_table
from combination.findings import Severity, nearest, quoted
from combination.memory import Bank, seat
from combination.model import Console, Kind, Piston
from combination.ranges import Ranges
from combination.reading import examine

_BOM = b"\xef\xbb\xbf"


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.argument("piston")
@click.option("--general", is_flag=True, help="Make it a general, with a general's usual range.")
@click.option(
    "--divisional",
    metavar="DIVISION",
    help="Make it a divisional of this division, with a divisional's usual range.",
)
@click.option(
    "--affects",
    metavar="WORDS",
    help="Name its range anew: divisions and controls by id, separated by spaces or commas, or "
    f'"{EVERYTHING}". A division is its controls without its couplers.',
)
@click.option(
    "--also", multiple=True, metavar="CONTROL", help="Let it affect this control too. Repeatable."
)
@click.option(
    "--not",
    "without",
    multiple=True,
    metavar="CONTROL",
    help="Let it affect this control no longer. Repeatable.",
)
@click.option(
    "--additive/--not-additive",
    default=None,
    help="Let it only add, and turn nothing off; or not so.",
)
@click.option(
    "--settable/--not-settable", default=None, help="Let the player set it, or keep it as it is."
)
@click.option(
    "--bank",
    "bank_file",
    metavar="BANK",
    type=BankPlace,
    help="Show what becomes of what this bank holds for the piston. The bank is not changed.",
)
@click.option("--write", is_flag=True, help="Write the console file. Otherwise it is only shown.")
def piston(
    file: Path,
    piston: str,
    general: bool,
    divisional: str | None,
    affects: str | None,
    also: tuple[str, ...],
    without: tuple[str, ...],
    additive: bool | None,
    settable: bool | None,
    bank_file: BankPlace | None,
    write: bool,
) -> None:
    """Make a piston general, divisional or anything in between.

    Shows what the piston affects now and will affect, and the lines of the file that change. With
    --bank also what it holds at each level of a bank, now and afterwards: what a piston has
    remembered is kept whole, so that a range made narrow and wide again has lost nothing. The
    file keeps its comments and its order, and is written whole or not at all, with --write only.

    \b
    For example:
      stopwright console piston harbour.toml g3 --divisional great
      stopwright console piston harbour.toml g3 --affects "great pedal gt-pd" --write
      stopwright console piston harbour.toml g1 --not tremulant --bank anna.bank

    \b
    Exit codes:
      0  shown, or written
      2  it could not be done; the file is as it was
    """
    wish = Wish(general, divisional, affects, also, without, additive, settable)
    if wish == Wish():
        raise click.UsageError("Say what to change: --general, --divisional, --affects, --also ...")
    if general and divisional is not None:
        raise click.UsageError("A piston is made --general or --divisional, not both.")
    text = read_text(file, "console file")
    before = read_console_file(file)
    names = Names(before, Ranges(before))
    if piston not in names.pistons:
        refuse(f"there is no piston {quoted(piston)}{nearest(piston, names.pistons)}")
    old = names.pistons[piston]
    new = alter(names, old, wish)
    bank = None if bank_file is None else seat(read_bank(bank_file).bank, before)
    _say_range(names, old, new)
    if bank is not None:
        say()
        _say_held(names, bank, old, new)
    if not changes(old, new):
        return
    after = _changed_text(file, text, before, old, new)
    _say_sequence(before, old, new)
    say()
    for line in (*_changed_lines(text, after), *_new_warnings(text, after)):
        say(line)
    say()
    if write:
        bom = _BOM if file.read_bytes().startswith(_BOM) else b""
        write_whole(file, bom + after.encode(), replacing=True)
        say(f"Written: {shown(file)}")
    else:
        say("Nothing is written: add --write for that.")


def _say_range(names: Names, old: Piston, new: Piston) -> None:
    """What a piston is and affects now, and will."""
    called = f"Piston {old.face} ({old.id})"
    if not changes(old, new):
        say(textwrap.fill(f"{called} is so already: {_in_words(names, old)}.", PAGE))
        return
    say(called)
    for when, piston in (("now", old), ("new", new)):
        line = f"{when}: {_in_words(names, piston)}"
        say(textwrap.fill(line, PAGE, initial_indent="  ", subsequent_indent=" " * 7))


def _in_words(names: Names, piston: Piston) -> str:
    kind = "general"
    if piston.kind is Kind.DIVISIONAL:
        kind = f"divisional of {names.divisions[piston.division or '']}"
    marks = [kind]
    if piston.additive:
        marks.append("additive")
    if not piston.can_be_set:
        marks.append("not settable")
    return f"{', '.join(marks)}; affects {names.range(names.ranges.affected_by(piston))}"


def _changed_text(file: Path, text: str, described: Console, old: Piston, new: Piston) -> str:
    """The file's new text, which must describe the console without errors."""
    try:
        after = rewritten(text, described.pistons.index(old), changes(old, new))
    except CannotRewriteError:
        by_hand = f'piston "{old.id}" can only be changed by hand'
        refuse(f"{shown(file)} is written in a way in which {by_hand}")
    _, findings = examine(after)
    errors = [finding for finding in findings if finding.severity is Severity.ERROR]
    if errors:
        listed = "\n".join(f"  {finding}" for finding in errors)
        count = "an error" if len(errors) == 1 else f"{len(errors)} errors"
        refuse(f"{shown(file)} would have {count}:\n{listed}")
    return after


def _new_warnings(before: str, after: str) -> Iterator[str]:
    """Warnings that the file did not draw before, wherever they stand in it."""
    known = {(finding.place, finding.message) for finding in examine(before)[1]}
    for finding in examine(after)[1]:
        if (finding.place, finding.message) not in known:
            yield f"warning: {finding}"


def _changed_lines(before: str, after: str) -> Iterator[str]:
    """The lines that go and those that come, each with its number."""
    old, new = before.splitlines(), after.splitlines()
    width = len(str(max(len(old), len(new))))
    first = _alike(old, new)
    last = _alike(reversed(old[first:]), reversed(new[first:]))
    gone, come = old[first : len(old) - last], new[first : len(new) - last]
    for what, i, j, k, m in difflib.SequenceMatcher(None, gone, come, False).get_opcodes():
        if what != "equal":
            for sign, lines, start, end in (("-", old, i, j), ("+", new, k, m)):
                for place in range(first + start, first + end):
                    yield f"{place + 1:>{width}} {sign} {lines[place]}"


def _alike(old: Iterable[str], new: Iterable[str]) -> int:
    """How many lines are the same before the first that differs."""
    pairs = zip(old, new, strict=False)
    return sum(1 for _ in takewhile(lambda pair: pair[0] == pair[1], pairs))


def _say_held(names: Names, bank: Bank, old: Piston, new: Piston) -> None:
    """What a bank holds for a piston at each level, by its old range and by its new one."""
    now, then = names.ranges.affected_by(old), names.ranges.affected_by(new)
    called = f'"{bank.name}"' if bank.name else "that has no name"
    levels = [
        (number, level, level.combinations[old.id])
        for number, level in sorted(bank.levels.items())
        if old.id in level.combinations
    ]
    if not levels:
        say(f"In the bank {called} it is not set at any level.")
        return
    rows = []
    for number, level, held in levels:
        on, on_then = held.on & now & ~held.neutral, held.on & then & ~held.neutral
        rows.append(
            (
                f"{number} {level.name}".strip(),
                names.range(on),
                "the same" if on == on_then else names.range(on_then),
                _unheard(names, bank, held.on & ~held.neutral & ~then),
                names.range(held.neutral & then) if held.neutral & then else "-",
            )
        )
    say(f"In the bank {called} it is set at {plural(len(levels), 'level')}.")
    columns = ("level", "turns on now", "will turn on", "kept unheard", "left alone")
    neutral = any(row[-1] != "-" for row in rows)
    say_table(
        columns if neutral else columns[:-1],
        rows if neutral else [row[:-1] for row in rows],
        width=PAGE,
    )
    if not new.additive:
        say("Whatever else it affects it turns off.")


def _unheard(names: Names, bank: Bank, bits: int) -> str:
    """What is remembered and not affected, with controls that the console no longer has."""
    here = bits & names.ranges.roster.everything
    gone = [card.face for place, card in enumerate(bank.controls) if (bits & ~here) >> place & 1]
    parts = [names.range(here)] if here else []
    parts += [f"not on this console: {', '.join(gone)}"] if gone else []
    return "; ".join(parts) or "-"


def _say_sequence(described: Console, old: Piston, new: Piston) -> None:
    """The sequence that nobody wrote goes through the generals (semantics.md I.6)."""
    stepped = {Kind.NEXT, Kind.PREVIOUS} & {piston.kind for piston in described.pistons}
    if old.kind is not new.kind and stepped:
        stop = "will" if new.kind is Kind.GENERAL else "no longer"
        say(f"Where no sequence is written, next and previous {stop} stop at it.")
