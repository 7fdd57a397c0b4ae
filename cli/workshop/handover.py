"""What the owner of a finished organ is given: pages, tables and copies, as one folder or one page.

The owner's part comes first, and is for somebody who is no technician: what the organ has, what
each piston does, how it is set, kept and cared for. The sentences are chosen by the console's own
settings, and say of them what `semantics.md` does. Takes a console without errors. Which files it
all came from, and which day it is, is told to it.
"""

import base64
import hashlib
import io
import os
import secrets
import shlex
import shutil
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import redirect_stdout, suppress
from html import escape
from importlib.metadata import version
from itertools import groupby
from pathlib import Path
from urllib.parse import quote

from attrs import field, frozen

from banks import BankFile, payload, tables
from banks.whole import FileFaultError, told_in_words, write_whole
from cli.bank.printing import Asked, print_bank
from cli.console.choices import ACTIONS, choices
from cli.console.describing import ports, ranks
from cli.naming import Listing, Names, plural
from cli.workshop.engraving import COMMON_SIZES, Face, faces_of
from cli.workshop.handover_organ import (
    MIDDLE_C,
    called,
    fitted,
    has,
    pistons,
    playing,
    specification,
)
from cli.workshop.load import NOTHING, LoadPlan, listings
from cli.workshop.pages import (
    Html,
    items,
    page,
    paragraph,
    section,
    table,
    usual_cautions,
)
from cli.workshop.prove import Result, fingerprint
from cli.workshop.schedule import (
    ACTS,
    COLUMNS,
    CSV_COLUMNS,
    Side,
    csv_rows,
    rows_of,
    sides_of,
)
from cli.workshop.spreadsheets import csv_bytes
from cli.workshop.telling import MOVES, Called, entries, left, move_rows, summary
from combination.model import (
    Action,
    Cancel,
    Console,
    Kind,
    WhileGoverned,
)
from combination.ranges import Ranges

INDEX, READ_ME = "index.html", "READ-ME-FIRST.txt"
ALL_BANKS, ONE_BANK = "all.bank", "first.bank"


@frozen
class Copy:
    """A file that goes with the pages, and what it is."""

    name: str
    data: bytes
    what: str


@frozen
class FirstBank:
    """The bank that is printed, seated on the console, and the backup that goes with it.

    ``players`` are those whose banks are in the backup, the owner first; None if it is of one
    bank that was in no store.
    """

    file: BankFile
    backup: bytes
    players: tuple[str, ...] | None = None


@frozen
class Handover:
    """All that is handed over.

    ``live_console`` and ``live_bank`` are what the files are called on the console's computer,
    the latter a store, or the file of a single bank where ``in_store`` is false. The copy of the
    console file has its name too, so that a command typed here and there is the same. ``others``
    are copies of further files.
    """

    console: Console
    rail: Sequence[str]
    text: bytes
    date: str
    live_console: str
    live_bank: str = "organ.store"
    in_store: bool = True
    bank: FirstBank | None = None
    plan: LoadPlan | None = None
    proof: Result | None = None
    others: tuple[Copy, ...] = ()
    names: Names = field(init=False)
    sides: tuple[Side, ...] = field(init=False)
    faces: tuple[Face, ...] = field(init=False)

    @names.default
    def _names(self) -> Names:
        return Names(self.console, Ranges(self.console))

    @sides.default
    def _sides(self) -> tuple[Side, ...]:
        return sides_of(self.console, self.rail)

    @faces.default
    def _faces(self) -> tuple[Face, ...]:
        return faces_of(self.console, self.rail, COMMON_SIZES)

    @property
    def copies(self) -> tuple[Copy, ...]:
        """The files that go with the pages."""
        kept = self.bank
        found = [Copy(self.live_console, self.text, "the console file: all that the console is")]
        if kept is not None and kept.players is not None:
            found.append(Copy(ALL_BANKS, kept.backup, "a backup of every player's bank"))
        elif kept is not None:
            found.append(Copy(ONE_BANK, kept.backup, "a backup of the bank that is printed"))
        if self.sides:
            wires = csv_bytes(CSV_COLUMNS, csv_rows(self.sides))
            found.append(Copy("wiring.csv", wires, "every pin and wire, for a spreadsheet"))
        faces = csv_bytes(_FACE_COLUMNS, map(_face_row, self.faces))
        found.append(Copy("engraving.csv", faces, "every engraved face, for a spreadsheet"))
        return (*found, *self.others)

    @property
    def unfinished(self) -> tuple[str, ...]:
        """What is bad about it, a sentence each: findings, and contacts that are not proved."""
        said = []
        if self.plan is not None and self.plan.faults:
            said.append(f"The load plan has {plural(len(self.plan.faults), 'finding')}.")
        if self.proof is not None:
            found = len(entries(self.proof, Called(self.console, self.rail)))
            yet = self.proof.contacts - self.proof.proved
            has_found = f"The proof has {plural(found, 'finding') if found else 'no findings'}"
            if yet:
                are = "is" if yet == 1 else "are"
                said.append(f"{has_found}; {plural(yet, 'contact')} {are} not proved.")
            elif found:
                said.append(f"{has_found}.")
        return tuple(said)


@frozen
class Part:
    """One part of what is handed over: ``name`` is that of its page, ``says`` what is in it."""

    name: str
    title: str
    says: str
    sections: tuple[Html, ...]
    technical: bool = False


Linked = Callable[[Copy], Html]
"""How a page leads to a copy."""


def parts_of(handed: Handover, linked: Linked) -> tuple[Part, ...]:
    """Every part, the owner's before the technician's."""
    found = [
        Part(
            "specification",
            "What this organ has",
            "keyboards, stops, couplers, accessories",
            tuple(specification(handed.names)),
        ),
        Part(
            "pistons",
            "The pistons",
            "each piston, and what it affects",
            tuple(pistons(handed.names)),
        ),
        Part(
            "playing",
            "How it is played and set",
            "setting, cancelling, levels, sequence",
            tuple(section(heading, items(lines)) for heading, lines in playing(handed.console)),
        ),
        Part(
            "keeping",
            "Backing up and restoring",
            "what to type, how often, and where the copies go",
            tuple(_keeping(handed)),
        ),
        Part(
            "failing",
            "When something fails",
            "what to do, whom to call, and who may touch what",
            tuple(_failing(handed)),
        ),
    ]
    if handed.bank is not None:
        title, says = "The first bank", "what every piston holds at the handover"
        found.append(Part("bank", title, says, tuple(_first_bank(handed, handed.bank))))
    found.append(
        Part("wiring", "Wiring as built", "board by board", tuple(_wiring(handed)), technical=True)
    )
    if handed.plan is not None:
        sections = tuple(_load(handed.plan))
        found.append(Part("load", "Load plan", "supplies and wires", sections, technical=True))
    sections = (_engraving(handed.faces),)
    found.append(Part("engraving", "Engraving", "every engraved face", sections, technical=True))
    if handed.proof is not None:
        sections = tuple(_proof(handed.proof, handed.rail))
        says = "what was proved when, and what was found"
        found.append(Part("proof", "Proof of wiring", says, sections, technical=True))
    sections = tuple(_versions(handed, linked))
    says = "settings, versions, and the files that go with this"
    found.append(Part("files", "Files and versions", says, sections, technical=True))
    return tuple(found)


# ---------------------------------------------------------------- keeping it


def _name(text: str) -> str:
    """A name as it is typed into a shell, where no dash makes an option of it."""
    return shlex.quote(f"./{text}" if text.startswith("-") else text)


def _keeping(handed: Handover) -> Iterator[Html]:
    console, kept = _name(handed.live_console), _name(handed.live_bank)
    yield section(
        "What is to be kept",
        items(
            [
                f"The console file, {handed.live_console}: all that the console is. It changes "
                "when a technician changes it.",
                f"{'The store' if handed.in_store else 'The bank'}, {handed.live_bank}: what the "
                "players have set. It changes whenever anybody sets a piston.",
            ]
        ),
    )
    lines = ["mkdir backups"]
    if handed.in_store:
        lines += [
            f"stopwright store backup {kept} backups",
            f"stopwright store copy {kept} backups",
        ]
    else:
        lines += [f"stopwright bank backup {kept} backups"]
    whole = (
        "The first writes every bank as it is now, the second the store with all its history."
        if handed.in_store
        else "It is read back, and compared."
    )
    yield section(
        "How to back up",
        paragraph(
            f"Type this in the folder where {handed.live_console} and {handed.live_bank} are, the "
            f"first line only once. {whole} The files are named after the day."
        ),
        _typed(lines),
        items(
            [
                "When: after every service or concert for which much was set, at least once a "
                "month, and before anybody works on the console.",
                "Where: copy backups, and what you are reading now, to two memory sticks. One "
                "stays with the organ, one in another building.",
                *(
                    [
                        "A store is copied by these commands only, not by the file manager: a "
                        "second file beside it, ending in -wal, belongs to it.",
                        f"Once a year: stopwright store check {kept} says whether it is sound.",
                    ]
                    if handed.in_store
                    else []
                ),
            ]
        ),
    )
    yield from _restoring(handed, console)


def _restoring(handed: Handover, console: str) -> Iterator[Html]:
    bank = handed.bank
    if bank is not None:
        lines = ["stopwright store new new.store"]
        if bank.players is not None:
            lines.append(f"stopwright store restore {ALL_BANKS} new.store --console {console}")
        else:
            player = shlex.quote(bank.file.bank.name or "Organist")
            add = f"stopwright store add new.store {player} --console {console}"
            lines.append(f"{add} --from {ONE_BANK}")
        lines.append(f"stopwright play {console} new.store")
        yield section(
            "How to begin again from the handover",
            paragraph(
                "If the computer is lost: install stopwright, copy the files that go with this "
                "into a folder, and type there:"
            ),
            _typed(lines),
        )
    if not handed.in_store:
        return
    newer = Path(handed.live_bank).stem
    copy = _name(f"{newer}-2031-05-04.bank")
    yield section(
        "How to restore a later backup",
        paragraph("With the day of your own backup. It shows what will change, and asks first."),
        _typed(
            [
                "stopwright store new new.store",
                f"stopwright store restore backups/{copy} new.store --console {console}",
                f"stopwright play {console} new.store",
            ]
        ),
    )
    player = bank.file.bank.name if bank and bank.file.bank.name else "NAME"
    place = shlex.quote(f"{handed.live_bank}:{player}")
    yield section(
        "How to take an evening back",
        paragraph(
            "What was set by mistake can be taken back, also years later. With the player's name, "
            "and the day of the evening:"
        ),
        _typed(
            [
                f"stopwright bank history {place}",
                f"stopwright bank take-back {place} --evening 2031-05-04",
            ]
        ),
    )


def _typed(lines: Iterable[str]) -> Html:
    """Lines for a shell, as they are typed."""
    return _as_it_stands("\n".join(lines), "9pt")


def _as_it_stands(text: str, size: str) -> Html:
    """Text in letters of one width, folded only where it must be."""
    style = f"font-size: {size}; white-space: pre-wrap; margin: 0 0 3mm"
    escaped = paragraph(text).removeprefix("<p>").removesuffix("</p>")
    return Html(f'<pre style="{style}">{escaped}</pre>')


# ---------------------------------------------------------------- when something fails


def _failing(handed: Handover) -> Iterator[Html]:
    yield usual_cautions()
    yield section(
        "At once",
        items(
            [
                "Heat, smoke, a smell of burning, sparks: switch the organ off where its mains "
                "come in, leave it off, and call the fire brigade if it burns.",
                "A note or a noise that does not stop: switch the organ off at its key.",
            ]
        ),
    )
    blank = Html("&#160;<br>&#160;")
    whom = ("Technician or organ builder", "Licensed electrician", "Keeps the other copy of this")
    where = ("The mains switch is", "The supplies are", "The blower's starter is")
    yield section(
        "To be filled in by hand",
        table(("who or where", "name, telephone, place"), [(each, blank) for each in whom + where]),
    )
    yield section("Who may touch what", fitted(("who", "what"), _WHO))
    yield section("What is seen, and what to do", fitted(("what", "what to do"), _symptoms(handed)))


_WHO = (
    ("Anybody", "The key of the console; the switch where the organ's mains come in, in danger."),
    ("The players", "Keys, tabs, pistons, shoes; their banks; backups."),
    (
        "A technician",
        "Contacts, lamps, magnets, boards and their wires, with the action supply off; the console "
        "file.",
    ),
    (
        "A licensed electrician only",
        "Mains, whatever is behind the covers of supplies, the blower, its motor and its starter. "
        "Fuses are replaced by the same kind and rating, once it is known why they blew. Local "
        "code comes first.",
    ),
)


def _symptoms(handed: Handover) -> Iterator[tuple[str, str]]:
    console = handed.console
    console_file, kept = _name(handed.live_console), _name(handed.live_bank)
    yield (
        "A piston does nothing",
        "Read the screen. Not set: nothing is set on it at this level. Memory locked, level "
        "locked, not settable: it cannot be set. Stuck: its contact is closed; the rest plays on.",
    )
    if has(console, Kind.SET):
        cancels = ", or until the general cancel is pressed"
        yield (
            'No general or divisional works, "set piston stuck"',
            f"{called(console, Kind.SET)} is held down or its contact is closed: they wait until "
            f"it opens{cancels if has(console, Kind.GENERAL_CANCEL) else ''}.",
        )
    if console.action is Action.BLIND and console.while_governed is not WhileGoverned.ADDS:
        lets = "" if console.cancel is Cancel.SILENCE else called(console, Kind.GENERAL_CANCEL)
        lets = called(console, Kind.HAND_REGISTRATION) or lets
        what = f" {lets} lets it speak." if lets else ""
        yield "A tab is on and does not sound", f"A piston may hold it off.{what}"
    if console.action is Action.MOVING:
        yield (
            "A tab does not move, or only one way",
            "What it shows is what sounds. The screen names it: move it by hand, note it for the "
            "technician.",
        )
    yield (
        "One key, tab or piston is dead, or works by itself",
        "The others are not affected. Note which, and when, for the technician: the page of the "
        "wiring says where its wire is.",
    )
    yield (
        "Sets are said not to be kept",
        "The disk is full or fails. They hold until switch-off, and are written when it takes them "
        "again. Back up to another place now.",
    )
    yield (
        "The program says that the console file has errors",
        (f"Type: stopwright console check {console_file}. If it was changed, put a copy back."),
    )
    if handed.in_store:
        yield (
            "The store cannot be read",
            f"Type: stopwright store check {kept}. If it is damaged: stopwright store mend {kept} "
            "mended.store saves what can be read, or restore the last backup.",
        )
        log = f"{handed.live_bank}.faults"
        yield (
            "A fault comes and goes",
            f"The file {log} beside the store has every fault with its time: give it to the "
            "technician.",
        )


# ---------------------------------------------------------------- the first bank


def _first_bank(handed: Handover, bank: FirstBank) -> Iterator[Html]:
    printed = io.StringIO()
    name = ONE_BANK if bank.players is None else ALL_BANKS
    with redirect_stdout(printed):
        print_bank(bank.file, name, Asked(), handed.console)
    if bank.players is not None and len(bank.players) > 1:
        yield paragraph(
            f"The backup has the banks of {', '.join(bank.players)}. Printed is the first, the "
            "owner's."
        )
    lines = printed.getvalue().splitlines()
    starred = [line for line in lines if "*" in line]
    if len(starred) == 1:  # what a star means, where there is none
        lines.remove(starred[0])
    yield _as_it_stands("\n".join(lines), "8pt")


# ---------------------------------------------------------------- the technician's part


def _wiring(handed: Handover) -> Iterator[Html]:
    if handed.sides:
        yield section(
            "Boards",
            usual_cautions(),
            paragraph(
                "A wire's number is its pin's, counted through the boards in their order, spare "
                f"pins too. A number alone is the wire from a contact; with {ACTS} after it, that "
                f"to the lamp or magnet on the same pin. {MIDDLE_C}"
            ),
            *(fitted(COLUMNS[side.way], rows_of(side), _head(side)) for side in handed.sides),
        )
    else:
        yield paragraph("The console file has no boards: nothing is wired by it.")
    for listing in (*ranks(handed.names), *ports(handed.names)):
        yield _listed(listing)


def _head(side: Side) -> str:
    return f"{side.of} ({side.board.name})" if side.board.name else side.of


def _listed(listing: Listing) -> Html:
    heading, *notes = listing.title
    shown = fitted(listing.columns, listing.rows)
    return section(heading, *(paragraph(note) for note in notes), shown)


def _load(plan: LoadPlan) -> Iterator[Html]:
    yield usual_cautions()
    yield from (_listed(listing) for listing in listings(plan))
    if not plan.faults:
        yield paragraph(NOTHING)


_FACE_COLUMNS = ("on", "division", "text", "id")


def _face_row(face: Face) -> tuple[str, ...]:
    return face.kind, face.division, face.text, face.id


def _engraving(faces: Sequence[Face]) -> Html:
    made = []
    for kind, group in groupby(faces, key=lambda face: face.kind):
        rows = [_face_row(face)[1:] for face in group]
        made.append(fitted(_FACE_COLUMNS[1:], rows, f"On each {kind}: {plural(len(rows), 'face')}"))
    text = (
        "Lines of a face are parted by /. Sizes are not in the console file: they are in the "
        "sheets that were cut."
    )
    return section("Faces", paragraph(text), *made)


def _proof(result: Result, rail: Sequence[str]) -> Iterator[Html]:
    names = Called(result.console, rail)
    parts = {run.key: names.part(run) for run in result.asked}
    now = fingerprint(result.console)
    rows = [
        (
            parts[key],
            str(len(set(run.wires))),
            f"{run.on:%Y-%m-%d %H:%M}",
            "as it is" if run.wiring == now else "corrected since",
        )
        for key, run in result.runs.items()
    ]
    yield section("Result", *map(paragraph, (summary(result), *left(result, names))))
    if rows:
        columns = ("part", "contacts worked", "on", "console file then")
        yield section(
            "Proved",
            paragraph(
                "Each part counts as it was worked last. Where the console file was corrected "
                "since, what was heard then is judged by the file as it is."
            ),
            fitted(columns, rows),
        )
    found = entries(result, names)
    if found:
        yield section("Found, and not mended", items(found))
    moves = move_rows(result.remedy.moves, names)
    if moves:
        yield section("Wires to move", fitted(MOVES, moves))


def _versions(handed: Handover, linked: Linked) -> Iterator[Html]:
    console, bank = handed.console, handed.bank
    rows = [(linked(copy), copy.what, plural(len(copy.data), "byte")) for copy in handed.copies]
    sums = [(copy.name, hashlib.sha256(copy.data).hexdigest()) for copy in handed.copies]
    yield section(
        "Files that go with this",
        fitted(("file", "what it is", "size"), rows),
        table(("file", "SHA-256, by which a copy is seen to be whole"), sums),
    )
    versions = [
        ("stopwright", version("stopwright")),
        ("console file format", str(console.format)),
        ("bank file format, at most", str(payload.VERSION)),
        ("store format", str(tables.VERSION)),
    ]
    if bank is not None:
        versions.append(("bank saved", f"{bank.file.saved}, by {bank.file.writer}"))
    yield section("Versions", fitted(("what", "version"), versions))
    yield section("The action", paragraph(f"{ACTIONS[console.action]}."))
    yield from (_listed(listing) for listing in choices(handed.names))


# ---------------------------------------------------------------- as a folder


def as_files(handed: Handover) -> dict[str, bytes]:
    """The files of the folder by their names: an index, a page for each part, and the copies.

    Raises:
        FileFaultError: if the console file is called what another file of the folder is.
    """
    console, date = handed.console, handed.date
    parts = parts_of(handed, lambda copy: _link(quote(copy.name), copy.name))
    back = Html(f"<p>{_link(INDEX, 'To the first page')}</p>")
    files = {
        f"{part.name}.html": page(console.name, part.title, [*part.sections, back], date).encode()
        for part in parts
    }
    index = _contents(handed, parts, lambda part: f"{part.name}.html", _BESIDE)
    files[INDEX] = page(console.name, "handover", index, date).encode()
    files[READ_ME] = _read_me(handed, parts).encode()
    first, *others = handed.copies
    files |= {copy.name: copy.data for copy in others}
    if first.name.casefold() in map(str.casefold, files):
        raise FileFaultError(
            f"a file of the folder is called {first.name} already: rename the console file"
        )
    return files | {first.name: first.data}


_BESIDE = "The files that go with it are beside it, in this folder."
_WITHIN = (
    "The files that go with it are inside it, not on paper: on a screen a click on one, under "
    "Files and versions, saves it."
)


def _link(to: str, text: str, more: str = "") -> Html:
    """A link with its text; ``to`` and ``more`` are HTML already."""
    return Html(f'<a href="{to}"{more}>{escape(text)}</a>')


UNFINISHED = "Not finished yet"


def _contents(
    handed: Handover, parts: Sequence[Part], leads: Callable[[Part], str], files: str
) -> Iterator[Html]:
    if handed.unfinished:
        yield section(UNFINISHED, items(handed.unfinished))
    yield paragraph(
        "This is what the owner of the organ keeps: one copy with the organ, one in another "
        "building. Everything in it is as the organ was on the day at the head of this page. "
        f"{files}"
    )
    for heading, technical in (
        ("For the owner and the players", False),
        ("For the technician", True),
    ):
        lines = [
            Html(f"{_link(leads(part), part.title)}: {part.says}")
            for part in parts
            if part.technical is technical
        ]
        if technical and handed.plan is None:
            lines.append(Html("Load plan: not worked out: no electrics file was given"))
        if technical and handed.proof is None:
            lines.append(Html("Proof of wiring: not proved: no proof file was given"))
        yield section(heading, items(lines))


def _read_me(handed: Handover, parts: Sequence[Part]) -> str:
    """Plain text with the line ends that every editor knows."""
    lines = [
        f"{handed.console.name}",
        f"Handed over on {handed.date}",
        "",
        *([f"{UNFINISHED}:"] if handed.unfinished else []),
        *(f"  {line}" for line in handed.unfinished),
        *([""] if handed.unfinished else []),
        "Open index.html in any browser: it leads to all the rest. No network is needed.",
        "Keep two copies of this folder, one of them in another building.",
        "",
        "Mains, supplies, the blower and its starter are for a licensed electrician only.",
        "What to do when something fails is in failing.html: print it, and fill in whom to call.",
        "",
        "Pages:",
        *(f"  {part.name}.html  {part.title}: {part.says}" for part in parts),
        "",
        "Files:",
        *(f"  {copy.name}  {copy.what}" for copy in handed.copies),
        "",
        f"Made by stopwright {version('stopwright')}, which reads the console file and the banks.",
        "",
    ]
    return "\r\n".join(lines)


def write_folder(folder: Path, files: dict[str, bytes]) -> None:
    """Write a folder with all its files or, after a fault, none.

    It is made beside its place under another name, and gets its own when everything is in it.

    Raises:
        FileFaultError: if it is there already, or cannot be written.
    """
    with told_in_words(folder):
        _check_free(folder)
        made = folder.parent / f".{secrets.token_hex(8)}.part"
        made.mkdir()
        try:
            for name, data in files.items():
                _write_in(made, name, data)
            _check_free(folder)
            made.rename(folder)
        except BaseException:
            with suppress(OSError):
                shutil.rmtree(made)
            raise


def _write_in(folder: Path, name: str, data: bytes) -> None:
    """Write one file; a fault is of the file, not of the folder that it is in for a while."""
    try:
        write_whole(folder / name, data, replacing=False)
    except FileFaultError as fault:
        raise FileFaultError(str(fault).removeprefix(f"{folder}{os.sep}")) from None


def _check_free(folder: Path) -> None:
    if folder.exists() or folder.is_symlink():
        raise FileFaultError("it is there already, and is left alone")


# ---------------------------------------------------------------- as one page


def as_page(handed: Handover) -> str:
    """Everything in one HTML document, the copies in it too, to be saved by a click."""
    parts = parts_of(handed, _held)
    sections = list(_contents(handed, parts, lambda part: f"#{part.name}", _WITHIN))
    for part in parts:
        sections += [_part_head(part), *part.sections]
    return page(handed.console.name, "handover", sections, handed.date)


def _part_head(part: Part) -> Html:
    """The head of a part, on a sheet of its own; what follows it may begin on the same."""
    style = "break-before: page; font-size: 18pt"
    return Html(f'<h1 id="{part.name}" class="subtitle" style="{style}">{part.title}</h1>')


def _held(copy: Copy) -> Html:
    """A link that has the file in it, so that one document is enough."""
    data = base64.b64encode(copy.data).decode()
    return _link(
        f"data:application/octet-stream;base64,{data}",
        copy.name,
        f' download="{escape(copy.name)}"',
    )
