"""For the tester: run rehearsals, from text or from recordings, with music or without.

The command reads files, has the rehearsals run, prints what came of them, and writes what the
console sends and what sounds.
"""

import os
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import attrs
import click
from attrs import frozen
from tomlkit.exceptions import TOMLKitError

from cli.bank.files import looked_at, put_back, say_if_strange
from cli.bank.places import BankPlace
from cli.files import read_console_file, read_text, refuse_unreadable, shown, write_whole
from cli.naming import plural
from cli.naming import run as run_of
from cli.output import answer_no, json_option, refuse, say, say_json, say_table
from cli.rehearsal.bench import Run
from cli.rehearsal.forms import WrongError
from cli.rehearsal.language import FORMS
from cli.rehearsal.lines import Draft, RehearsalError, draft_of, said_in
from cli.rehearsal.midi_files import (
    HEADER,
    LARGEST,
    PERCUSSION,
    MidiFileError,
    Recording,
    read_recording,
    written,
)
from cli.rehearsal.music import Chosen, Part, Piece, chosen, music_of, read_piece
from cli.rehearsal.port_log import BEGINNING, PortLogError, read_log, recording_of_log
from cli.rehearsal.port_log import LARGEST as LARGEST_LOG
from cli.rehearsal.rehearsing import (
    CannotTravelError,
    printable,
    recording_of,
    run,
    run_recording,
    said_in_recording,
)
from cli.rehearsal.report import Sheet, steps_as_data, told
from cli.rehearsal.sound import Sound, SoundError, sound_of
from cli.rehearsal.statements import Music, Rehearsal
from cli.rehearsal.trying import Choice, choices_made
from combination.effects import OutputsOn
from combination.findings import ConsoleFileError
from combination.memory import Bank, fresh_bank, seat
from combination.model import Console
from combination.reading import read_console

PAGE = 100
"""Columns of a printed page, to which tables are folded."""
WORKED = Path(__file__).with_name("worked")
"""The rehearsals that come with the program."""
_PART_COLUMNS = ("part", "name", "channel", "notes", "from", "to")
MUSIC = "music"
"""The statement with which music begins."""
_LANGUAGE = (
    "A rehearsal has a statement a line; # begins a comment. CAPITALS stand for your own words,",
    "[brackets] for what may be left out, | for a choice; names are the ids of the console file.",
    "",
    "Each statement starts a tenth of a second after the one before it, and waits add to that.",
    "Expectations look at the console as it is then, and every one is exact. What was refused,",
    "stored, driven, struck, at fault or stuck is looked for in the last statement that is not a",
    "wait, and in the waits after it. What stands at the outset comes first: console, choose,",
    "memory, found.",
    "",
    "undo, redo, step, sequence, store, switch and found cannot be written as MIDI (--midi-out),",
    "nor can transpose, where the transposer has no contact for it. Up and down pushes move it by",
    "a semitone each, a tenth of a second apart.",
)


@frozen
class _Files:
    """What a rehearsal is run with besides, and what is written of it."""

    bank: BankPlace | None
    keep_bank: bool
    midi_out: Path | None
    music: Path | None
    plays: tuple[str, ...]
    sound_out: Path | None


@frozen
class _Prepared:
    """A rehearsal that has been read, with its console: nothing more can be wrong with it."""

    path: Path
    draft: Draft
    rehearsal: Rehearsal
    console_path: Path
    console: Console
    recording: Recording | None
    chosen: tuple[Chosen, ...] = ()
    music: Music | None = None

    def run(self, bank: Bank) -> Run:
        """Run it."""
        if self.recording is not None:
            return run_recording(self.recording, self.rehearsal, self.console, bank)
        return run(self.rehearsal, self.console, bank, self.music)

    @property
    def title(self) -> str:
        """What it calls itself, or else its file's name."""
        return self.draft.title or shown(Path(self.path.name))


@frozen
class _Done:
    """A rehearsal that was run, and what was written of its sound."""

    prepared: _Prepared
    run: Run
    sound: Sound | None

    @property
    def is_mute(self) -> bool:
        """Whether no pipe began to sound from the beginning of the music on."""
        began = next(step.at for step in self.run.steps if step.said.text == MUSIC)
        return not any(
            isinstance(happening.effect, OutputsOn) and happening.effect.pipes
            for happening in self.run.relayed
            if happening.at >= began
        )


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
    type=BankPlace,
    help="Begin with the memory of a bank; the bank is left as it is.",
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
@click.option(
    "--music",
    "music_path",
    metavar="MIDI",
    type=click.Path(path_type=Path),
    help="Play a Standard MIDI File of music under the registrations of the rehearsal: from its "
    "statement music on, or else when all is done. Without --play its parts are listed.",
)
@click.option(
    "--play",
    "plays",
    metavar="PART=KEYBOARD",
    multiple=True,
    help="Play a part of the music on a keyboard, by a division's id or its own: 2=great is track "
    "2 of several, or channel 2 of the only one. Give it as often as there are parts.",
)
@click.option(
    "--sound-out",
    metavar="MIDI",
    type=click.Path(path_type=Path),
    help="Write what sounds as a Standard MIDI File for any synthesizer: a track for each rank, at "
    "its own pitch and with its General MIDI program, and the traps on channel 10. Shades, "
    "tremulants and effects are not in it.",
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
    bank_path: BankPlace | None,
    keep_bank: bool,
    midi_out: Path | None,
    music_path: Path | None,
    plays: tuple[str, ...],
    sound_out: Path | None,
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
    files = _Files(bank_path, keep_bank, midi_out, music_path, plays, sound_out)
    _check_usage(paths, files)
    prepared = [_prepare(path, console_path) for path in paths]
    if music_path is not None:
        piece = _piece(music_path, prepared[0])
        if not plays:
            _list_parts(piece, music_path, prepared[0].console, as_json=as_json)
            return
        prepared = [_with_music(prepared[0], piece, music_path, plays)]
    look = looked_at(bank_path) if bank_path else None
    memory = look.file.bank if look else None
    runs = []
    for each in prepared:
        bank = seat(memory, each.console) if memory else fresh_bank(each.console)
        if memory is not None and not as_json:
            say_if_strange(memory, each.console)
        runs.append(_write(each, each.run(bank), files))
        if bank_path is not None and look is not None and keep_bank:
            put_back(bank_path, look, bank, each.console)
    if as_json:
        say_json([_as_data(done) for done in runs])
    else:
        for done in runs:
            _print(done, full=full, quiet=quiet)
        if not quiet:
            _print_written(files, runs)
        _print_outcome(runs)
    if any(done.run.failures for done in runs):
        answer_no()


def _check_usage(paths: list[Path], files: _Files) -> None:
    if not paths:
        refuse("there is nothing to rehearse: name a rehearsal, or give --worked")
    if files.keep_bank and files.bank is None:
        refuse("--keep-bank writes to the file that --bank names: give that too")
    if files.plays and files.music is None:
        refuse("--play chooses from the file that --music names: give that too")
    if files.midi_out is not None and files.midi_out == files.sound_out:
        refuse("--midi-out and --sound-out write two files, and cannot name the same one")
    if len(paths) > 1:
        for wanted, option in (
            (files.keep_bank, "--keep-bank"),
            (files.midi_out, "--midi-out"),
            (files.music, "--music"),
            (files.sound_out, "--sound-out"),
        ):
            if wanted:
                refuse(f"{option} is for one rehearsal at a time")


# ---------------------------------------------------------------- reading


def _prepare(path: Path, console_path: Path | None) -> _Prepared:
    """Read a rehearsal and its console, or refuse with all that is wrong."""
    recording = _recording(path)
    if recording is not None:
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


def _recording(path: Path) -> Recording | None:
    """What a file has recorded of a console; None if it is a rehearsal that somebody wrote."""
    if not path.is_file():
        return None
    try:
        with path.open("rb") as file:
            beginning = file.read(len(BEGINNING))
    except OSError:
        return None
    try:
        if beginning.startswith(HEADER):
            return read_recording(_midi_bytes(path))
        if beginning == BEGINNING.encode():
            return recording_of_log(read_log(read_text(path, "log", LARGEST_LOG)), path.stem)
    except MidiFileError as error:
        refuse(f"{shown(path)} is no MIDI file that can be run: {error}")
    except PortLogError as error:
        refuse(f"{shown(path)} is no log that can be run: {error}")
    return None


def _midi_bytes(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(LARGEST + 1)
    except OSError as error:
        refuse_unreadable(path, error)


def _piece(path: Path, each: _Prepared) -> Piece:
    if each.recording is not None:
        refuse(f"{shown(each.path)} is a recording: --music goes with a rehearsal that you write")
    try:
        return read_piece(_midi_bytes(path))
    except MidiFileError as error:
        refuse(f"{shown(path)} is no MIDI file that can be played: {error}")


def _with_music(each: _Prepared, piece: Piece, path: Path, plays: Iterable[str]) -> _Prepared:
    """A rehearsal with the parts of a piece that are to be played."""
    try:
        parts = tuple(chosen(piece, plays, each.console))
    except WrongError as wrong:
        refuse(
            "\n".join(
                [*map(str, wrong.args), f"without --play the parts of {shown(path)} are listed"]
            )
        )
    return attrs.evolve(each, chosen=parts, music=music_of(parts, piece.lasts))


def _list_parts(piece: Piece, path: Path, console: Console, *, as_json: bool) -> None:
    """The parts of a piece, to choose from, and how one is chosen whose notes are all there."""
    if as_json:
        say_json([dict(zip(_PART_COLUMNS, _part_row(part), strict=True)) for part in piece.parts])
        return
    title = f"{shown(path)} has {plural(len(piece.parts), 'part')}"
    rows = [[str(cell) for cell in _part_row(part)] for part in piece.parts]
    for row in rows:
        row[2] += " (drums)" if row[2] == str(PERCUSSION + 1) else ""
    say_table(_PART_COLUMNS, rows, title=title)
    keyed = [division.id for division in console.divisions if division.keyboard is not None]
    plays = [f"{part.id}={division}" for part in piece.parts for division in keyed]
    fits = (play for play in plays if not chosen(piece, [play], console)[0].missing)
    example = next(fits, plays[0] if plays else "PART=KEYBOARD")
    say()
    say(f"Say what is played where, as --play {example}")


def _part_row(part: Part) -> tuple[str | int, ...]:
    notes = [held.note for held in part.notes]
    return part.id, printable(part.name), part.channel, len(notes), min(notes), max(notes)


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


def _write(each: _Prepared, run: Run, files: _Files) -> _Done:
    """Write what is asked for of a run: all that can be wrong with it is found first."""
    written_files: dict[Path, bytes] = {}
    sound = None
    if files.midi_out is not None:
        written_files[files.midi_out] = _sent(each, run, files.midi_out.parent)
    if files.sound_out is not None:
        try:
            sound = sound_of(each.console, run.relayed, run.lasts, each.title)
        except SoundError as error:
            refuse(f"what sounds in {shown(each.path)} cannot be written: {error}")
        written_files[files.sound_out] = sound.data
    for path, data in written_files.items():
        write_whole(path, data, replacing=False)
    return _Done(each, run, sound)


def _sent(each: _Prepared, run: Run, folder: Path) -> bytes:
    """What the console sends, and what is expected, as a file in a folder."""
    if each.recording is not None:
        refuse(f"{shown(each.path)} is a MIDI file already")
    opening = [f"console {_from(folder, each.console_path)}"]
    opening += [said.text for said in each.draft.opening]
    opening = [text for text in opening if text.isprintable()]
    try:
        recording = recording_of(each.rehearsal, run, each.console, each.title, opening)
    except CannotTravelError as error:
        listed = "\n  ".join(error.faults)
        refuse(f"{shown(each.path)} cannot be written as a MIDI file:\n  {listed}")
    return written(recording)


def _from(folder: Path, path: Path) -> str:
    """A path as seen from a folder; from another drive it is what it is."""
    try:
        return os.path.relpath(path, folder)
    except ValueError:
        return str(path.absolute())


# ---------------------------------------------------------------- printing


def _print(done: _Done, *, full: bool, quiet: bool) -> None:
    each = done.prepared
    if not quiet:
        sheet = Sheet(each.console, full=full)
        if each.draft.title:
            say(each.draft.title)
        title = f"{shown(Path(each.path.name))}, on {each.console.name}"
        say_table(sheet.columns, sheet.rows(done.run), title=title, width=PAGE)
        say()
    for failure in done.run.failures:
        first, *rest = told(failure)
        say(f"{shown(each.path)}, {first}")
        for line in rest:
            say(line)
    if done.run.unknown:
        unknown = plural(done.run.unknown, "message")
        bare = each.recording is not None and not each.rehearsal.lines
        music = " (if it is music, give it as --music)" if bare else ""
        say(f"{shown(each.path)}: {unknown} that nothing of this console sends{music}")
    for line in _shortcomings(done):
        say(line)


def _shortcomings(done: _Done) -> Iterator[str]:
    """What was not played or not written, and what will not be heard by everybody."""
    for choice in done.prepared.chosen:
        if choice.missing:
            notes, keys = plural(choice.missing, "note"), run_of(choice.keys[0], choice.keys[-1])
            where = f"the keys of {choice.keyboard.id} ({keys})"
            yield f"part {choice.part.id}: {notes} beyond {where} left out"
    if done.prepared.music is not None and not done.prepared.music.touches:
        yield "no note is left of the music"
    elif done.prepared.music is not None and done.is_mute:
        yield "no pipe sounds in the music: no stop is on that its keys play"
    if done.sound is not None and done.sound.beyond:
        pipes = plural(done.sound.beyond, "pipe")
        yield f"{pipes} beyond the notes of MIDI (0-127) left out of what sounds"
    if done.sound is not None and done.sound.ports > 1:
        yield _about_ports(done.sound)


def _about_ports(sound: Sound) -> str:
    """What a synthesizer must have for a file with more ranks at once than a port has channels."""
    text = (
        f"more ranks sound at once than a MIDI port has channels: the file uses {sound.ports} "
        "ports (meta event 21). A synthesizer that knows one port has ranks of the same program "
        "on one channel, and ends a note that two of them play with the first"
    )
    if sound.displaced:
        text += f"; {plural(sound.displaced, 'rank')} may be played with the program of another"
    return text


def _print_written(files: _Files, runs: list[_Done]) -> None:
    for done in runs:
        for choice in done.prepared.chosen:
            notes = plural(len(choice.part.notes) - choice.missing, "note")
            say(f"Part {choice.part.id} of the music is played on {choice.keyboard.id}: {notes}")
    if files.midi_out is not None:
        needed = ""
        if files.bank is not None:
            before = ", as it was before," if files.keep_bank else ""
            needed = f"; it has to be run with --bank {shown(files.bank)}{before} too"
        say(f"The MIDI file is written to {shown(files.midi_out)}{needed}")
    for done in runs:
        if files.sound_out is not None and done.sound is not None:
            notes, ranks = plural(done.sound.notes, "note"), plural(done.sound.ranks, "rank")
            say(f"What sounds is written to {shown(files.sound_out)}: {notes} of {ranks}")
    if files.bank is not None and files.keep_bank:
        say(f"The memory is written to {shown(files.bank)}")


def _print_outcome(runs: list[_Done]) -> None:
    held = sum(done.run.held for done in runs)
    failed = sum(len(done.run.failures) for done in runs)
    total = plural(held + failed, "expectation")
    outcome = "all held" if not failed else f"{failed} failed"
    say(
        f"{plural(len(runs), 'rehearsal')}, {total}: {outcome}"
        if held + failed
        else "nothing was expected"
    )


def _as_data(done: _Done) -> dict[str, Any]:
    each, run, sound = done.prepared, done.run, done.sound
    data: dict[str, Any] = {
        "rehearsal": shown(each.path),
        "title": each.title,
        "console": each.console.name,
        "held": run.held,
        "failed": len(run.failures),
        "unknown": run.unknown,
        "steps": steps_as_data(run),
    }
    if each.music is not None:
        data["music"] = [
            {
                "part": choice.part.id,
                "keyboard": choice.keyboard.id,
                "notes": len(choice.part.notes),
                "left_out": choice.missing,
            }
            for choice in each.chosen
        ]
    if sound is not None:
        data["sound"] = attrs.asdict(sound, filter=attrs.filters.exclude("data"))
    return data
