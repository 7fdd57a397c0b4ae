"""For the tester: run rehearsals, from text or from recordings, and write them as recordings.

The command reads files, has the rehearsals run, and prints what came of them.
"""

import os
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import attrs
import click
from attrs import frozen
from tomlkit.exceptions import TOMLKitError

from cli.bank.files import read_bank, saved_now, write_over
from cli.files import read_console_file, read_text, refuse_unreadable, shown, write_whole
from cli.naming import plural
from cli.output import answer_no, json_option, refuse, say, say_json, say_table
from cli.rehearsal.bench import Run
from cli.rehearsal.language import FORMS
from cli.rehearsal.lines import Draft, RehearsalError, draft_of, said_in
from cli.rehearsal.midi_files import (
    HEADER,
    LARGEST,
    MidiFileError,
    Recording,
    read_recording,
    written,
)
from cli.rehearsal.rehearsing import (
    CannotTravelError,
    printable,
    recording_of,
    run,
    run_recording,
    said_in_recording,
)
from cli.rehearsal.report import Sheet, steps_as_data, told
from cli.rehearsal.statements import Rehearsal
from cli.rehearsal.trying import Choice, choices_made
from combination.findings import ConsoleFileError
from combination.memory import Bank, fresh_bank, seat
from combination.model import Console
from combination.reading import read_console

PAGE = 100
"""Columns of a printed page, to which tables are folded."""
WORKED = Path(__file__).with_name("worked")
"""The rehearsals that come with the program."""
_LANGUAGE = (
    "A rehearsal has a statement a line; # begins a comment. CAPITALS stand for your own words,",
    "[brackets] for what may be left out, | for a choice; names are the ids of the console file.",
    "",
    "Each statement starts a tenth of a second after the one before it, and waits add to that.",
    "Expectations look at the console as it is then, and every one is exact. What was refused,",
    "stored, driven, at fault or stuck is looked for in the last statement that is not a wait, and",
    "in the waits after it. What stands at the outset comes first: console, choose, memory, found.",
    "",
    "undo, redo, step, sequence, store, switch and found cannot be written as MIDI (--midi-out).",
)


@frozen
class _Prepared:
    """A rehearsal that has been read, with its console: nothing more can be wrong with it."""

    path: Path
    draft: Draft
    rehearsal: Rehearsal
    console_path: Path
    console: Console
    recording: Recording | None

    def run(self, bank: Bank) -> Run:
        """Run it."""
        if self.recording is not None:
            return run_recording(self.recording, self.rehearsal, self.console, bank)
        return run(self.rehearsal, self.console, bank)

    @property
    def title(self) -> str:
        """What it calls itself, or else its file's name."""
        return self.draft.title or shown(Path(self.path.name))


def _language(ctx: click.Context, _: click.Parameter, wanted: bool) -> None:
    if not wanted or ctx.resilient_parsing:
        return
    for line in _LANGUAGE:
        say(line)
    say()
    say_table(("statement", "what it means"), [(f.pattern, f.means) for f in FORMS], width=PAGE)
    ctx.exit()


@click.command()
@click.argument("rehearsals", metavar="REHEARSAL...", nargs=-1, type=click.Path(path_type=Path))
@click.option("--worked", is_flag=True, help="Run the worked cases that come with the program.")
@click.option(
    "--console",
    "console_path",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="The console file, instead of the one that the rehearsal names.",
)
@click.option(
    "--bank",
    "bank_path",
    metavar="BANK",
    type=click.Path(path_type=Path),
    help="Begin with the memory of a bank file; the file is left as it is.",
)
@click.option(
    "--keep-bank",
    is_flag=True,
    help="Write the memory back to BANK afterwards: even if expectations fail, as a console would.",
)
@click.option(
    "--midi-out",
    metavar="MIDI",
    type=click.Path(path_type=Path),
    help="Write what the console sends, and what is expected, as a Standard MIDI File. The "
    "memory of BANK is not in it: it has to be run with --bank BANK too.",
)
@click.option("--full", is_flag=True, help="Print all that sounds at each step, not what changed.")
@click.option("--quiet", is_flag=True, help="Print only what failed, and the outcome.")
@json_option
@click.option(
    "--language",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_language,
    help="Print how a rehearsal is written, and stop.",
)
def rehearse(
    rehearsals: tuple[Path, ...],
    worked: bool,
    console_path: Path | None,
    bank_path: Path | None,
    keep_bank: bool,
    midi_out: Path | None,
    full: bool,
    quiet: bool,
    as_json: bool,
) -> None:
    """Run rehearsals: what is done at a console, and what is expected of it.

    A rehearsal is a text that you write (see --language), or a Standard MIDI File of types 0
    and 1 that was recorded from the console. Nothing but the files is needed. What happens is
    printed step by step: what begins to sound in each division (+) and why, what ceases (-),
    which pistons are lit, and what was refused, stored, driven or at fault.

    \b
    Exit codes:
      0  every expectation held
      1  some did not
      2  a rehearsal, its console or a bank could not be used
    """
    paths = [*rehearsals, *(sorted(WORKED.glob("*.rehearsal")) if worked else ())]
    _check_usage(paths, bank_path, keep_bank, midi_out)
    prepared = [_prepare(path, console_path) for path in paths]
    memory = read_bank(bank_path).bank if bank_path else None
    runs = []
    for each in prepared:
        bank = seat(memory, each.console) if memory else fresh_bank(each.console)
        done = each.run(bank)
        runs.append((each, done))
        if midi_out is not None:
            _write_recording(each, done, midi_out)
        if bank_path is not None and keep_bank:
            write_over(bank_path, saved_now(bank))
    if as_json:
        say_json([_as_data(each, done) for each, done in runs])
    else:
        for each, done in runs:
            _print(each, done, full=full, quiet=quiet)
        if not quiet:
            _print_written(bank_path, keep_bank, midi_out)
        _print_outcome(runs)
    if any(done.failures for _, done in runs):
        answer_no()


def _check_usage(
    paths: list[Path], bank_path: Path | None, keep_bank: bool, midi_out: Path | None
) -> None:
    if not paths:
        refuse("there is nothing to rehearse: name a rehearsal, or give --worked")
    if keep_bank and bank_path is None:
        refuse("--keep-bank writes to the file that --bank names: give that too")
    if len(paths) > 1:
        for wanted, option in ((keep_bank, "--keep-bank"), (midi_out, "--midi-out")):
            if wanted:
                refuse(f"{option} is for one rehearsal at a time")


# ---------------------------------------------------------------- reading


def _prepare(path: Path, console_path: Path | None) -> _Prepared:
    """Read a rehearsal and its console, or refuse with all that is wrong."""
    recording = None
    if _is_midi(path):
        recording = _recording(path)
        draft = draft_of(said_in_recording(recording))
        draft.title = printable(recording.title)
    else:
        draft = draft_of(said_in(read_text(path, "rehearsal")))
    where = console_path or (path.parent / draft.console if draft.console else None)
    if where is None:
        missing = "it names no console: write console FILE in it, or give --console"
        refuse(
            _faults(path, [missing] if not draft.faults else RehearsalError(draft.faults).faults)
        )
    console = _console(where, draft.choices)
    try:
        rehearsal = draft.on(console)
    except RehearsalError as error:
        refuse(_faults(path, error.faults))
    return _Prepared(path, draft, rehearsal, where, console, recording)


def _faults(path: Path, faults: Iterable[str]) -> str:
    listed = list(faults)
    count = "a fault" if len(listed) == 1 else f"{len(listed)} faults"
    return "\n  ".join([f"{shown(path)} has {count}:", *listed])


def _is_midi(path: Path) -> bool:
    if not path.is_file():
        return False
    try:
        with path.open("rb") as file:
            return file.read(len(HEADER)) == HEADER
    except OSError:
        return False


def _recording(path: Path) -> Recording:
    try:
        with path.open("rb") as file:
            return read_recording(file.read(LARGEST + 1))
    except OSError as error:
        refuse_unreadable(path, error)
    except MidiFileError as error:
        refuse(f"{shown(path)} is no MIDI file that can be run: {error}")


def _console(path: Path, choices: list[Choice]) -> Console:
    """A console from its file, with what the rehearsal chooses."""
    console = read_console_file(path)
    if not choices:
        return console
    try:
        return read_console(choices_made(read_text(path, "console file"), choices))
    except TOMLKitError as error:
        refuse(f"{shown(path)} cannot be changed for this rehearsal: {error}")
    except ConsoleFileError as error:
        errors = [
            str(attrs.evolve(finding, line=None))  # the lines are not those of the file
            for finding in error.findings
            if finding.severity == "error"
        ]
        refuse("\n  ".join([f"{shown(path)} cannot be used with what is chosen:", *errors]))


# ---------------------------------------------------------------- writing


def _write_recording(each: _Prepared, done: Run, path: Path) -> None:
    if each.recording is not None:
        refuse(f"{shown(each.path)} is a MIDI file already")
    opening = [f"console {_from(path.parent, each.console_path)}"]
    opening += [said.text for said in each.draft.opening]
    opening = [text for text in opening if text.isprintable()]
    try:
        recording = recording_of(each.rehearsal, done, each.console, each.title, opening)
    except CannotTravelError as error:
        listed = "\n  ".join(error.faults)
        refuse(f"{shown(each.path)} cannot be written as a MIDI file:\n  {listed}")
    write_whole(path, written(recording), replacing=False)


def _from(folder: Path, path: Path) -> str:
    """A path as seen from a folder; from another drive it is what it is."""
    try:
        return os.path.relpath(path, folder)
    except ValueError:
        return str(path.absolute())


# ---------------------------------------------------------------- printing


def _print(each: _Prepared, done: Run, *, full: bool, quiet: bool) -> None:
    if not quiet:
        sheet = Sheet(each.console, full=full)
        if each.draft.title:
            say(each.draft.title)
        title = f"{shown(Path(each.path.name))}, on {each.console.name}"
        say_table(sheet.columns, sheet.rows(done), title=title, width=PAGE)
        say()
    for failure in done.failures:
        first, *rest = told(failure)
        say(f"{shown(each.path)}, {first}")
        for line in rest:
            say(line)
    if done.unknown:
        unknown = plural(done.unknown, "message")
        say(f"{shown(each.path)}: {unknown} that nothing of this console sends")


def _print_written(bank_path: Path | None, keep_bank: bool, midi_out: Path | None) -> None:
    if midi_out is not None:
        needed = ""
        if bank_path is not None:
            before = ", as it was before," if keep_bank else ""
            needed = f"; it has to be run with --bank {shown(bank_path)}{before} too"
        say(f"The MIDI file is written to {shown(midi_out)}{needed}")
    if bank_path is not None and keep_bank:
        say(f"The memory is written to {shown(bank_path)}")


def _print_outcome(runs: list[tuple[_Prepared, Run]]) -> None:
    held = sum(done.held for _, done in runs)
    failed = sum(len(done.failures) for _, done in runs)
    total = plural(held + failed, "expectation")
    outcome = "all held" if not failed else f"{failed} failed"
    say(
        f"{plural(len(runs), 'rehearsal')}, {total}: {outcome}"
        if held + failed
        else "nothing was expected"
    )


def _as_data(each: _Prepared, done: Run) -> dict[str, Any]:
    return {
        "rehearsal": shown(each.path),
        "title": each.title,
        "console": each.console.name,
        "held": done.held,
        "failed": len(done.failures),
        "unknown": done.unknown,
        "steps": steps_as_data(done),
    }
