"""The command that proves a console's wiring: live, from a recording, or what was proved so far."""

import datetime
import sys
import textwrap
from collections.abc import Sequence
from pathlib import Path
from queue import SimpleQueue
from typing import NoReturn

import click

from cli.files import (
    LARGEST_TEXT,
    read_console_file,
    read_text,
    refuse_unreadable,
    shown,
    write_whole,
)
from cli.naming import plural
from cli.output import PAGE, answer_no, json_option, refuse, say, say_json, say_table
from cli.play.cables import Cable
from cli.play.where import Nowhere, wheres_of
from cli.rehearsal import port_log
from cli.rehearsal.midi_files import HEADER, MidiFileError, Recording, read_recording
from cli.rehearsal.port_log import PortLogError, read_log, recording_of_log
from cli.workshop.asking import Session
from cli.workshop.proof_file import LARGEST, ProofFileError, Record, Run, read_record, text_of
from cli.workshop.prove import (
    Asked,
    CannotCorrectError,
    Result,
    TooMuchError,
    corrected,
    fingerprint,
    result_of,
    runs_asked,
    runs_of,
    saids_of,
)
from cli.workshop.telling import (
    MOVES,
    Called,
    about_moves,
    as_page,
    data_of,
    entries,
    left,
    move_rows,
    summary,
)
from combination.findings import nearest, quoted
from combination.model import Console
from combination.ports import ports_of
from combination.proving import Mistake
from combination.reading import rail_of

_BOM = b"\xef\xbb\xbf"


@click.command("prove")
@click.argument("console_file", type=click.Path(path_type=Path))
@click.argument("proof_file", type=click.Path(path_type=Path), required=False)
@click.option(
    "--from",
    "recording",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Prove from a recording in which everything was worked in the order asked for: a log of "
    "`stopwright play --record`, or a Standard MIDI File.",
)
@click.option("--show", is_flag=True, help="Ask for nothing: say what was proved so far.")
@click.option(
    "--only",
    "chosen",
    multiple=True,
    metavar="PART",
    help="Only this part: a keyboard's id, or rail, thumb, second-touch, toe, switches. "
    "Repeatable.",
)
@click.option(
    "--again",
    "anew",
    multiple=True,
    metavar="PART",
    help="Ask for this part though it was proved already. Repeatable.",
)
@click.option(
    "--port",
    "joined",
    multiple=True,
    metavar="NAME=WHERE",
    help="Where a port of the console file leads, as for `stopwright play`. Repeatable.",
)
@click.option(
    "--correct",
    is_flag=True,
    help="Write into the console file where the wires were found, instead of moving them.",
)
@click.option(
    "--page",
    "page_file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Write a page to print, with boxes to tick, as a new file.",
)
@json_option
def prove_command(
    console_file: Path,
    proof_file: Path | None,
    recording: Path | None,
    show: bool,
    chosen: tuple[str, ...],
    anew: tuple[str, ...],
    joined: tuple[str, ...],
    correct: bool,
    page_file: Path | None,
    as_json: bool,
) -> None:
    """Find what is wrong with a console's contact wires, by working every contact once.

    It asks for one run after another: each keyboard from bottom to top, the stop rail, thumb
    pistons, second touches, toe studs, switches. What it hears tells wires that are swapped,
    shifted or on a wrong board, and contacts that are dead, stuck, doubled or bounce. Nothing is
    sent to the console meanwhile. For a recording made while it played, switch off the supply of
    tabs that pistons move.

    What was heard is kept in PROOF_FILE after each run (the console file's name with .proof, if
    none is given): a proof that was broken off goes on where it was. It is judged by the console
    file as it is now. If pins have changed there since, what was heard counts all the same; if
    a part has other contacts now, that part is asked for again.

    Then either move the wires that are listed, or have the console file written to agree with
    them (--correct). What no file can mend is listed as left.

    \b
    For example:
      stopwright workshop prove harbour.toml
      stopwright workshop prove harbour.toml --from evening.log --page proof.html
      stopwright workshop prove harbour.toml --show --correct

    \b
    Exit codes:
      0  everything that was asked for is proved, and right
      1  something is wrong, or not proved yet
      2  it could not be done; a console file is left as it was
    """
    if recording is not None and (show or joined or anew):
        raise click.UsageError("--from goes with neither --show, --port nor --again.")
    if show and (joined or chosen or anew):
        raise click.UsageError("--show asks for nothing: say it without --port, --only or --again.")
    console = read_console_file(console_file)
    text = read_text(console_file, "console file")
    rail = rail_of(text, console)
    asked = runs_asked(console, rail)
    if not asked:
        refuse(
            f"{shown(console_file)} has no contact on a pin: `stopwright workshop plan` puts "
            "them there"
        )
    if page_file is not None and page_file.exists():
        refuse(f"{shown(page_file)} is there already, and is left alone")
    parts = _parts(asked, chosen, "--only") or asked
    repeated = _parts(asked, anew, "--again")
    path = proof_file or console_file.with_suffix(".proof")
    record = _record(path, console, must_be=show)
    called = Called(console, rail)
    if recording is not None:
        record = _of_recording(recording, parts, console, record)
        _write(path, record)
    elif not show:
        done = result_of(console, rail, record.runs).runs
        todo = [run for run in parts if run.key not in done or run in repeated]
        todo += [run for run in repeated if run not in todo]
        record = _live(todo, console, called, joined, path, record, as_json=as_json)
    result = result_of(console, rail, record.runs)
    written = correct and _correct(console_file, text, result)
    if written:
        changed, before = result, called
        console = read_console_file(console_file)
        rail = rail_of(read_text(console_file, "console file"), console)
        result, called = result_of(console, rail, record.runs), Called(console, rail)
        if not as_json:
            _say_written(console_file, changed, before)
    if page_file is not None:
        today = datetime.date.today().isoformat()
        write_whole(page_file, as_page(result, called, today).encode(), replacing=False)
    if as_json:
        say_json(data_of(result, called) | {"corrected": written})
    else:
        _say(result, called)
        if page_file is not None:
            say(f"Written: {shown(page_file)}")
    wanted = {run.key for run in (*parts, *repeated)}
    if result.proof.findings or wanted & {run.key for run in result.left}:
        answer_no()


# ---------------------------------------------------------------- what is given


def _parts(asked: Sequence[Asked], names: Sequence[str], option: str) -> tuple[Asked, ...]:
    there = {run.key: run for run in asked}
    for name in names:
        if name not in there:
            refuse(
                f"{option}: there is nothing to prove called {quoted(name)}{nearest(name, there)}"
            )
    return tuple(run for run in asked if run.key in names)


def _record(path: Path, console: Console, *, must_be: bool) -> Record:
    """What was proved so far; nothing, if there is no file and none ``must_be``."""
    if not path.exists() and not path.is_symlink() and not must_be:
        return Record(console.name)
    try:
        record = read_record(read_text(path, "proof", LARGEST))
    except ProofFileError as error:
        refuse(f"{shown(path)} is no proof: {error}")
    if record.console != console.name:
        refuse(
            f"{shown(path)} is a proof of {quoted(record.console)}, not of "
            f"{quoted(console.name)}: name another file for this one"
        )
    return record


def _write(path: Path, record: Record) -> None:
    write_whole(path, text_of(record).encode(), replacing=True)


def _of_recording(path: Path, parts: Sequence[Asked], console: Console, record: Record) -> Record:
    saids = saids_of(_recording(path), console)
    if not saids:
        refuse(f"{shown(path)} has nothing that contacts say")
    now = datetime.datetime.now().astimezone().replace(microsecond=0)
    try:
        return record.having(runs_of(parts, saids, console, now))
    except TooMuchError as error:
        refuse(
            f"{shown(path)} is no recording of a proof, in which each contact is worked once: "
            f"{error}"
        )


def _recording(path: Path) -> Recording:
    """A log or a Standard MIDI File, told apart by what it begins with."""
    try:
        with path.open("rb") as file:
            data = file.read(len(HEADER))
            if data == HEADER:
                return read_recording(data + file.read(LARGEST_TEXT))
        return recording_of_log(read_log(read_text(path, "recording", port_log.LARGEST)), "")
    except (MidiFileError, PortLogError) as error:
        refuse(f"{shown(path)} is no recording: {error}")
    except FileNotFoundError:
        refuse(f"there is no recording {shown(path)}")
    except OSError as error:
        refuse_unreadable(path, error)


# ---------------------------------------------------------------- live


def _live(
    todo: Sequence[Asked],
    console: Console,
    called: Called,
    joined: Sequence[str],
    path: Path,
    record: Record,
    *,
    as_json: bool,
) -> Record:
    try:
        wheres = wheres_of(console, joined)
    except ValueError as error:
        refuse(str(error))
    if not todo:
        return record
    box: SimpleQueue[object] = SimpleQueue()
    cables = [
        Cable(name, wheres[name], box, listens=True, sends=False, senses=False)
        for name, use in ports_of(console).items()
        if use.listens and not isinstance(wheres[name], Nowhere)
    ]
    if not cables:
        refuse("every port that contacts are heard by leads nowhere")
    kept = record

    def keep(run: Run) -> None:
        nonlocal kept
        kept = kept.having([run])
        _write(path, kept)

    _write(path, record)  # what cannot be kept need not be played
    out = sys.stderr if as_json else sys.stdout
    try:
        Session(console, called, box, out, keep).ask(todo, cables)
    except KeyboardInterrupt:
        kept_runs = plural(len(kept.runs), "run")
        refuse(f"broken off: {kept_runs} kept in {shown(path)}, and the one under way is not")
    click.echo(file=out)
    return kept


# ---------------------------------------------------------------- what it shows


def _correct(file: Path, text: str, result: Result) -> bool:
    """Write the console file so that it has every contact where it was found; if any is elsewhere.

    What is refused leaves it as it was.
    """
    if not result.remedy.pins:
        return False
    try:
        after = corrected(text, result)
    except CannotCorrectError as error:
        _cannot_correct(file, error)
    bom = _BOM if file.read_bytes().startswith(_BOM) else b""
    write_whole(file, bom + after.encode(), replacing=True)
    return True


def _cannot_correct(file: Path, error: CannotCorrectError) -> NoReturn:
    refuse(
        f"{shown(file)} cannot say where the wires are ({error}): move the wires that are "
        "listed without --correct"
    )


def _say_written(file: Path, before: Result, called: Called) -> None:
    pins = before.remedy.pins
    say(f"Written: {shown(file)} has {len(pins)} contacts where they were found.")
    turned = {
        p.wire for f in before.proof.findings if f.mistake is Mistake.INVERTED for p in f.points
    }
    rows = [
        (
            called.contact(point),
            point.pin or "",
            f"{to}, {'opens' if point.inverted else 'closes'} when pressed"
            if point.wire in turned
            else to,
        )
        for point, to in pins.items()
    ]
    say_table(("contact of", "was on", "is on"), rows, width=PAGE)
    say()


def _say(result: Result, called: Called) -> None:
    wiring = fingerprint(result.console)
    for line in (summary(result), *left(result, called)):
        say(textwrap.fill(line, PAGE))
    if any(run.wiring != wiring for run in result.runs.values()):
        say(
            "The console file has other pins than when it was proved: it is judged by them as "
            "they are now."
        )
    found = entries(result, called)
    if found:
        say()
        for entry in found:
            say(
                textwrap.fill(
                    f"{entry}.".replace("..", "."),
                    PAGE,
                    initial_indent="- ",
                    subsequent_indent="  ",
                )
            )
    moves = move_rows(result.remedy.moves, called)
    if moves:
        say()
        say_table(MOVES, moves, title="Wires to move", width=PAGE)
        for line in about_moves(result, called):
            say(textwrap.fill(line, PAGE))
