"""The command that lists what is to be engraved, and lays it out on sheets.

It reads its words, has the work done, and prints what came of it.
"""

import os
import re
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

import click

from banks.whole import FileFaultError
from cli.files import read_console_file, read_text, shown, write_whole
from cli.naming import plural, tally
from cli.output import answer_no, json_option, refuse, say, say_json, say_table
from cli.workshop.engraving import (
    COMMON_SIZES,
    Entry,
    Face,
    FaceKind,
    Fault,
    Lettering,
    Mark,
    Size,
    as_csv,
    as_data,
    faces_of,
    lettering_faults,
    schedule,
    with_corner,
)
from cli.workshop.sheets import Stock, sheets_of, stock_faults, write_sheets
from combination.model import Console
from combination.reading import rail_of

_LASER = (
    "A laser blinds, sets fire and makes fumes: shield eyes, draw the air off, never leave it "
    "alone, never cut PVC or vinyl; its maker's manual comes before anything said here."
)
_LARGEST = 3000.0
"""Millimetres: larger than any sheet that is sold."""


def _length_of(may_be_none: bool) -> Callable[[Any, click.Parameter, str], float]:
    """Reads a length in mm: more than 0, or where it may be so 0."""

    def read(_: Any, __: click.Parameter, text: str) -> float:
        length = _length(text)
        if length is None or (length == 0 and not may_be_none):
            least = "0" if may_be_none else "more than 0"
            raise click.BadParameter(f"{text!r} is not a length, {least} to {_LARGEST:g} mm.")
        return length

    return read


def _size_of(may_be_round: bool) -> Callable[[Any, click.Parameter, str], Size]:
    """Reads a width and height in mm, ``20x48``; or, where it may be round, a diameter."""

    def read(_: Any, __: click.Parameter, text: str) -> Size:
        lengths = [_length(part) for part in re.split("[x×]", text.lower())]
        match lengths:
            case [float(width), float(height)] if width and height:
                return Size(width, height)
            case [float(across)] if across and may_be_round:
                return Size(across, across, across / 2)
        either = ", or the diameter of a round face" if may_be_round else ""
        raise click.BadParameter(f"{text!r} is not a width and height in mm, as 20x48 is{either}.")

    return read


def _length(text: str) -> float | None:
    try:
        length = float(text)
    except ValueError:
        return None
    return length if 0 <= length <= _LARGEST else None


_Command = TypeVar("_Command", bound=Callable[..., Any])


def _written(size: Size) -> str:
    return f"{size.width:g}" if size.is_round else f"{size.width:g}x{size.height:g}"


def _size_option(name: str, kind: FaceKind) -> Callable[[_Command], _Command]:
    return click.option(
        f"--{name}",
        metavar="WxH",
        callback=_size_of(may_be_round=True),
        default=_written(COMMON_SIZES[kind]),
        show_default=True,
        help=f"Face of a {kind}: width x height, or the diameter of a round one.",
    )


def _length_option(
    name: str, usual: float, text: str, *, may_be_none: bool = True
) -> Callable[[_Command], _Command]:
    return click.option(
        f"--{name}",
        metavar="MM",
        callback=_length_of(may_be_none),
        default=f"{usual:g}",
        show_default=True,
        help=text,
    )


_USUAL, _STOCK = Lettering(), Stock(600, 400)


@click.command("engraving")
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--against",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="An older console file: list what is new, changed or gone since.",
)
@click.option(
    "--csv",
    "csv_file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Write the list as CSV.",
)
@click.option(
    "--sheets",
    "folder",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Write sheets for a laser engraver, sheet-1.svg and so on, into this folder.",
)
@click.option("--all", "every", is_flag=True, help="List and engrave kept faces as well.")
@click.option("--replace", is_flag=True, help="Replace a CSV file and sheets that are there.")
@_size_option("tab", FaceKind.TAB)
@_size_option("lit", FaceKind.LIT)
@_size_option("thumb", FaceKind.THUMB)
@_size_option("toe", FaceKind.TOE)
@_length_option("corner", 1.0, "Radius of the corners of faces that are not round.")
@_length_option("text", _USUAL.height, "Height of a capital.", may_be_none=False)
@_length_option("least", _USUAL.least, "The least that a text may shrink to.", may_be_none=False)
@click.option("--even", is_flag=True, help="Give all faces of a kind capitals of one height.")
@_length_option("text-margin", _USUAL.margin, "Kept free about the text of a face.")
@click.option(
    "--stock",
    metavar="WxH",
    callback=_size_of(may_be_round=False),
    default=_written(Size(_STOCK.width, _STOCK.height)),
    show_default=True,
    help="Width x height of a sheet.",
)
@_length_option("margin", _STOCK.margin, "Kept free along the edges of a sheet.")
@_length_option("gap", _STOCK.gap, "Kept free between cut lines.")
@_length_option("kerf", _STOCK.kerf, "What a cut takes away: cut lines run half of it outside.")
@json_option
def engraving_command(
    file: Path,
    against: Path | None,
    csv_file: Path | None,
    folder: Path | None,
    every: bool,
    replace: bool,
    even: bool,
    as_json: bool,
    **measures: Any,
) -> None:
    """List every face to be engraved, and lay them out on sheets for a laser.

    Each tab or lit control, thumb piston and toe stud, with its lines and size in millimetres.
    Against an older console file each is new, changed (and from what), kept or gone; they are
    matched by their ids, and by the `was` of the new file. Without --against all are new. Kept
    ones are counted, and listed with --all; CSV and JSON have them always. Sizes are common
    practice, from memory: measure your own.

    A text too long for its face is shrunk to fit it, and no other is. With --even all tabs have
    capitals of one height, and so have lit controls, thumb pistons and toe studs: the largest at
    which every one fits, so that the longest text decides, on a kept face too. A text that would
    be smaller than --least has no say in it. Sheets are written only if none to be engraved is
    smaller than that, and all fit the stock; a kept face too small for its text is only told of.

    Sheets are SVG files at true size, with a layer "engrave" (single strokes) and a layer "cut".
    They hold what is new or changed; with --all, everything.

    \b
    Exit codes:
      0  done
      1  texts too small, faces too large for the stock, or characters without strokes: listed
      2  a file could not be read or written
    """
    lettering = Lettering(measures["text"], measures["least"], measures["text_margin"])
    if csv_file is not None and not replace and os.path.lexists(csv_file):
        refuse(f"{shown(csv_file)} is there already; --replace replaces it")
    console, faces = _read(file, measures)
    entries = schedule(faces, _read(against, measures)[1] if against is not None else ())
    if even:
        lettering = lettering.even(faces)
    made = [entry.face for entry in entries if _is_made(entry, every)]
    faults = list(lettering_faults(made, lettering))
    numbers: dict[Face, int] = {}
    written: list[str] = []
    if folder is not None:
        stock = _stock(measures)
        faults += stock_faults(made, stock)
        if made and not any(fault.blocks for fault in faults):
            documents, placed = sheets_of(made, stock, lettering, console.name)
            written = _write_sheets(folder, documents, replacing=replace)
            numbers = dict(zip(made, placed, strict=True))
    rows = [as_data(entry, lettering, numbers.get(entry.face)) for entry in entries]
    if csv_file is not None:
        write_whole(csv_file, as_csv(entries, rows), replacing=replace)
    if as_json:
        _say_json(console, rows, faults, written)
    else:
        listed = [(e, r) for e, r in zip(entries, rows, strict=True) if _is_listed(e, every)]
        _say_faces(listed, faults)
        _say_counts(entries)
        if not every:
            _say_kept(entries, lettering)
        _say_uneven(made, lettering)
        if folder is not None:
            _say_sheets(made, faults, written)
    if faults:
        answer_no()


def _read(file: Path, measures: Mapping[str, Any]) -> tuple[Console, tuple[Face, ...]]:
    console = read_console_file(file)
    rail = rail_of(read_text(file, "console file"), console)
    sizes = {
        kind: with_corner(measures[option], measures["corner"]) for option, kind in _KINDS.items()
    }
    return console, faces_of(console, rail, sizes)


_KINDS = {"tab": FaceKind.TAB, "lit": FaceKind.LIT, "thumb": FaceKind.THUMB, "toe": FaceKind.TOE}


def _is_made(entry: Entry, every: bool) -> bool:
    return entry.mark in (Mark.NEW, Mark.CHANGED) or (every and entry.mark is Mark.KEPT)


def _is_listed(entry: Entry, every: bool) -> bool:
    return every or entry.mark is not Mark.KEPT


def _stock(measures: Mapping[str, Any]) -> Stock:
    sheet: Size = measures["stock"]
    margin, gap, kerf = (measures[option] for option in ("margin", "gap", "kerf"))
    return Stock(sheet.width, sheet.height, margin, gap, kerf)


def _write_sheets(folder: Path, documents: Sequence[bytes], *, replacing: bool) -> list[str]:
    """Write the sheets, and say what they are called."""
    try:
        return [shown(path) for path in write_sheets(folder, documents, replacing=replacing)]
    except FileFaultError as fault:
        refuse(str(fault))


# ---------------------------------------------------------------- what is printed


def _say_json(
    console: Console,
    rows: Sequence[Mapping[str, Any]],
    faults: Sequence[Fault],
    written: Sequence[str],
) -> None:
    findings = [
        {
            "kind": fault.face.kind,
            "id": fault.face.id,
            "number": fault.face.number,
            "message": fault.message,
            "blocks": fault.blocks,
        }
        for fault in faults
    ]
    say_json(
        {
            "console": console.name,
            "faces": rows,
            "findings": findings,
            "sheets": written,
            "caution": _LASER if written else None,
        }
    )


def _say_faces(listed: Sequence[tuple[Entry, Mapping[str, Any]]], faults: Sequence[Fault]) -> None:
    cells = [
        (
            entry.mark,
            entry.face.kind,
            entry.face.division,
            entry.face.text,
            str(entry.face.size),
            "" if row["capitals"] is None else f"{row['capitals']:.2f}",
            f"{entry.face.id} {entry.face.number}" if entry.face.number > 1 else entry.face.id,
            ", ".join(entry.changes),
        )
        for entry, row in listed
    ]
    columns = ("mark", "face", "division", "text", "mm", "capitals", "id", "was")
    if cells:
        say_table(columns, cells)
        say()
    for fault in faults:
        say(f"{fault.face.name}: {fault.message}")


def _say_counts(entries: Sequence[Entry]) -> None:
    kinds = Counter(entry.face.kind for entry in entries if entry.mark is not Mark.GONE)
    marks = Counter(entry.mark for entry in entries)
    counted = tally((kinds[kind], kind) for kind in FaceKind)
    say(f"{counted or 'No faces'}: " + ", ".join(f"{marks[m]} {m}" for m in Mark if marks[m]) + ".")


def _say_kept(entries: Sequence[Entry], lettering: Lettering) -> None:
    """Kept faces that could not be engraved again at these sizes."""
    kept = [entry.face for entry in entries if entry.mark is Mark.KEPT]
    small = sum(not lettering.is_legible_on(face) for face in kept)
    if small:
        say(
            f"At these sizes text would be less than {lettering.least:g} mm high on "
            f"{plural(small, 'kept face')}. Kept faces are not engraved; --all lists them."
        )


def _say_uneven(made: Sequence[Face], lettering: Lettering) -> None:
    heights: dict[FaceKind, list[float]] = {}
    for face in filter(lettering.is_legible_on, made):
        heights.setdefault(face.kind, []).append(lettering.on(face))
    ends = ((kind, f"{min(each):.2f}", f"{max(each):.2f}") for kind, each in heights.items())
    uneven = [f"{low} to {high} mm on {kind}s" for kind, low, high in ends if low != high]
    if uneven:
        say(f"Capitals are {', '.join(uneven)}; --even makes each kind alike.")


def _say_sheets(made: Sequence[Face], faults: Sequence[Fault], written: Sequence[str]) -> None:
    if written:
        of = f"{plural(len(written), 'sheet')} of {plural(len(made), 'face')}"
        say(f"{of} written: {', '.join(written)}.")
        say(_LASER)
    elif faults:
        say("No sheet is written while a face is missing from it.")
    else:
        say("Nothing is new or changed, and no sheet is written.")
