"""For the organist: sequences in a bank, that is pistons put in the order of a service or a show.

Steps keep the numbers that the player has written down; what is put between two of them gets a
number between theirs. The rules are those of `banks.editing`.
"""

import re
from decimal import Decimal
from pathlib import Path

import click

from banks import editing
from cli.bank.edits import BANK, LEVEL, YES
from cli.bank.files import agree, edited, read_bank
from cli.bank.places import BankPlace
from cli.bank.printing import print_sequences, sequences_data
from cli.bank.words import Words, step_words
from cli.files import read_console_file, shown
from cli.naming import plural
from cli.output import json_option, refuse, say, say_json
from combination.findings import nearest
from combination.memory import Bank, Step

_NUMBER = re.compile(r"[0-9]{1,9}(\.[0-9]{1,12})?")
"""A step number as `banks` allows it (`FORMAT.md`), zeros in front forgiven."""

_STEP = click.argument("step")
_SEQUENCE = click.argument("name", metavar="SEQUENCE")


class _InOrder(click.Group):
    """A group whose help lists its commands in the order in which they are needed."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        """The commands as they were added."""
        return list(self.commands)


@click.group(cls=_InOrder)
def sequence() -> None:
    """Put pistons in the order in which they are wanted.

    Each step presses a piston at a level, when the player pushes Next. A bank may have several
    sequences; one of them is on the desk.
    """


@sequence.command("list")
@BANK
@click.argument("name", metavar="[SEQUENCE]", required=False)
@json_option
def list_(file: BankPlace, name: str | None, as_json: bool) -> None:
    """List the sequences of a bank, or one of them, step by step."""
    bank = read_bank(file).bank
    if name is not None and name not in bank.sequences:
        refuse(f'there is no sequence "{name}" in this bank{nearest(name, bank.sequences)}')
    names = list(bank.sequences) if name is None else [name]
    if as_json:
        say_json(sequences_data(bank, names))
        return
    say(_desk_words(bank))
    print_sequences(bank, Words(bank), names)


def _desk_words(bank: Bank) -> str:
    place = f"step {bank.place:f}" if bank.place else "before the first step"
    if bank.sequence is None:
        return f"On the desk: the generals in turn, {place}"
    return f'On the desk: "{bank.sequence}", {place}'


@sequence.command()
@BANK
@_SEQUENCE
def new(file: BankPlace, name: str) -> None:
    """Begin a sequence, without a step yet."""
    with edited(file) as bank:
        editing.make_sequence(bank, name)
    say(f'Sequence "{name}" is there now, without a step yet')


@sequence.command("add-step")
@BANK
@_SEQUENCE
@click.argument("piston")
@LEVEL
@click.option("--note", default="", help='A note for the step: "verse 2".')
@click.option("--before", metavar="STEP", help="Put it before that step.")
@click.option("--after", metavar="STEP", help="Put it after that step. (By default: at the end.)")
@click.option(
    "--console",
    "console_file",
    type=click.Path(path_type=Path),
    help="A console file. With it a step may press a reversible or a cancel as well.",
)
def add_step(
    file: BankPlace,
    name: str,
    piston: str,
    level: str,
    note: str,
    before: str | None,
    after: str | None,
    console_file: Path | None,
) -> None:
    """Add a step, at the end or between two others.

    It presses PISTON at a level. No other step gets another number: between 2 and 3 comes 2.1.
    """
    if before is not None and after is not None:
        refuse("give --before or --after, not both")
    console = read_console_file(console_file) if console_file is not None else None
    with edited(file) as bank:
        words = Words(bank, console=console)
        number, found = editing.find_level(bank, level), words.find_piston(piston)
        if console is None and found not in bank.pistons:
            near = nearest(piston, bank.pistons)
            hint = "a reversible or a cancel is only known with --console"
            refuse(f'there is no piston "{piston}" in this bank{near}; {hint}')
        if before is None and after is None:
            step = editing.append_step(bank, name, number, found, note, console=console)
        else:
            place = _number(after) if after is not None else _one_before(bank, name, before or "")
            step = editing.insert_step(bank, name, place, number, found, note, console=console)
        added = step_words(bank, words, step)
    say(f'Step {step.number:f} of "{name}" is {added}')


@sequence.command("note-step")
@BANK
@_SEQUENCE
@_STEP
@click.argument("text")
def note_step(file: BankPlace, name: str, step: str, text: str) -> None:
    """Write a note to a step. An empty text ("") takes it away."""
    number = _number(step)
    with edited(file) as bank:
        editing.note_step(bank, name, number, text)
        noted = step_words(bank, Words(bank), _steps(bank, name)[number])
    say(f'Step {number:f} of "{name}" is {noted} now')


@sequence.command("remove-step")
@BANK
@_SEQUENCE
@_STEP
def remove_step(file: BankPlace, name: str, step: str) -> None:
    """Take a step out; the others keep their numbers."""
    number = _number(step)
    with edited(file) as bank:
        steps = _steps(bank, name)
        editing.remove_step(bank, name, number)
        removed = step_words(bank, Words(bank), steps[number])
    say(f'Step {number:f} is out of "{name}" now: it was {removed}')


@sequence.command()
@BANK
@click.argument("name", metavar="[SEQUENCE]", required=False)
def choose(file: BankPlace, name: str | None) -> None:
    """Put a sequence on the desk, before its first step.

    Without a name it is the one that nobody wrote: every general of level 1, then of level 2,
    and so on.
    """
    with edited(file) as bank:
        editing.choose_sequence(bank, name)
    say(_desk_words(bank))


@sequence.command()
@BANK
@_SEQUENCE
@YES
def remove(file: BankPlace, name: str, yes: bool) -> None:
    """Take a sequence out of the bank, with all its steps."""
    with edited(file) as bank:
        steps = bank.sequences.get(name, ())
        editing.remove_sequence(bank, name)
        lost = f'the {plural(len(steps), "step")} of sequence "{name}" would be lost'
        agree(lost if steps else "", yes)
    say(f'Sequence "{name}" is out of {shown(file)} now')


def _number(text: str) -> Decimal:
    """A step number as a person writes it."""
    if not _NUMBER.fullmatch(text):
        refuse(f'"{text}" is no number of a step: they are like 3 or 2.5')
    return Decimal(text)


def _one_before(bank: Bank, name: str, before: str) -> Decimal:
    """The number of the step before a step that is there; 0 where that is the first."""
    number, steps = _number(before), _steps(bank, name)
    if name in bank.sequences and number not in steps:
        refuse(f'sequence "{name}" has no step {number:f}')
    return max((other for other in steps if other < number), default=Decimal(0))


def _steps(bank: Bank, name: str) -> dict[Decimal, Step]:
    return {step.number: step for step in bank.sequences.get(name, ())}
