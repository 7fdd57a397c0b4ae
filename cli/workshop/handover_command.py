"""The command that makes what the owner of a finished organ is given: a folder, or a single page.

It reads the files, has the pages made, and writes them whole or not at all.
"""

from datetime import datetime
from pathlib import Path

import click
from attrs import evolve

from banks import BankFile, Store, encode
from banks.whole import FileFaultError
from cli.bank.files import every_bank, looked_at
from cli.bank.places import BankPlace, refusing
from cli.files import read_console_file, read_text, shown, write_whole
from cli.naming import plural
from cli.output import answer_no, refuse, say
from cli.workshop.electrics_file import examine
from cli.workshop.handover import Copy, FirstBank, Handover, as_files, as_page, write_folder
from cli.workshop.load import LoadPlan, plan_of
from cli.workshop.proof_file import LARGEST, ProofFileError, read_record
from cli.workshop.prove import Result, result_of
from combination.memory import seat
from combination.model import Console
from combination.reading import rail_of

_STDOUT = Path("-")
_FILE = click.Path(path_type=Path)


@click.command("handover")
@click.argument("console_file", type=_FILE)
@click.option("--folder", type=_FILE, metavar="DIR", help="Write a folder of pages and copies.")
@click.option(
    "--page",
    "page_file",
    type=click.Path(path_type=Path, allow_dash=True),
    metavar="FILE",
    help="Write one page with everything in it.",
)
@click.option(
    "--store",
    "store_file",
    type=_FILE,
    metavar="STORE",
    help="Print the owner's bank, and take a backup of every player's along.",
)
@click.option("--bank", metavar="BANK", help="Print this bank, and take a backup of it along.")
@click.option(
    "--proof",
    "proof_file",
    type=_FILE,
    metavar="FILE",
    help="What `stopwright workshop prove` has kept.",
)
@click.option(
    "--electrics",
    "electrics_file",
    type=_FILE,
    metavar="FILE",
    help="What `stopwright workshop load` reads.",
)
@click.option(
    "--date",
    "day",
    type=click.DateTime(["%Y-%m-%d"]),
    help="The day of the handover.  [default: today]",
)
def handover_command(
    console_file: Path,
    folder: Path | None,
    page_file: Path | None,
    store_file: Path | None,
    bank: str | None,
    proof_file: Path | None,
    electrics_file: Path | None,
    day: datetime | None,
) -> None:
    """Make what the owner of an organ is given: a folder, or a single page.

    First for the owner and the players: what the organ has, what each piston affects, how it is
    set by its own settings, how to back up and restore, what to do when something fails, the first
    bank. Then for the technician: wiring as built, load plan, engraving, proof, settings.

    The folder has a page for each part, a first page (index.html), tables for spreadsheets, copies
    of the files, and READ-ME-FIRST.txt. The single page has all that in one HTML file; for FILE, -
    is standard output. Either can be read without a network, and prints on A4 or Letter. What is
    there already is left alone.

    \b
    Exit codes:
      0  written
      1  written, but not finished: the load plan or the proof has findings, or contacts are not
         proved; it says so at its head
      2  a file could not be read or has errors, or something could not be written
    """
    if folder is None and page_file is None:
        refuse("say where it goes: --folder or --page")
    if folder is not None and page_file is not None:
        refuse("--folder and --page cannot go together: it is the one or the other")
    if store_file is not None and bank is not None:
        refuse("--store and --bank cannot go together: a bank in a store is STORE:PLAYER")
    for path in (folder, page_file):
        if path is not None and path != _STDOUT and (path.exists() or path.is_symlink()):
            refuse(f"{shown(path)} is there already, and is left alone")
    handed = _gathered(console_file, (day or datetime.now()).date().isoformat())
    if store_file is not None:
        handed = _with_store(handed, store_file)
    elif bank is not None:
        handed = _with_bank(handed, BankPlace(bank))
    if electrics_file is not None:
        handed = _with_electrics(handed, electrics_file)
    if proof_file is not None:
        handed = _with_proof(handed, proof_file)
    if folder is not None:
        try:
            files = as_files(handed)
            write_folder(folder, files)
        except FileFaultError as fault:
            refuse(str(fault))
        say(f"Written: {shown(folder)}, with {plural(len(files), 'file')}.")
    elif page_file == _STDOUT:
        click.echo(as_page(handed).encode(), nl=False)
    elif page_file is not None:
        write_whole(page_file, as_page(handed).encode(), replacing=False)
        say(f"Written: {shown(page_file)}.")
    for line in handed.unfinished:
        click.echo(line, err=page_file == _STDOUT)
    if handed.unfinished:
        answer_no()


def _gathered(path: Path, day: str) -> Handover:
    console, text = read_console_file(path), read_text(path, "console file")
    return Handover(console, rail_of(text, console), text.encode(), day, shown(Path(path.name)))


def _with_store(handed: Handover, path: Path) -> Handover:
    """With the bank of a store's owner, and those of all its players."""
    with refusing(), Store(path, writing=False) as store:
        kept = every_bank(store, path)
        backup = encode(kept)
    first = _seated(BankFile(kept.banks[0], kept.saved, kept.writer), handed.console)
    bank = FirstBank(first, backup, tuple(bank.name for bank in kept.banks))
    return evolve(handed, live_bank=shown(Path(path.name)), bank=bank)


def _with_bank(handed: Handover, place: BankPlace) -> Handover:
    """With one bank, from a bank file or from a store."""
    look = looked_at(place)
    if look.file.part is not None:
        refuse(f"{shown(place)} holds only a part of a bank")
    with refusing():
        backup = encode(look.file)
    return evolve(
        handed,
        live_bank=shown(Path(look.found.file.name)),
        in_store=look.found.in_store,
        bank=FirstBank(_seated(look.file, handed.console), backup),
    )


def _seated(file: BankFile, console: Console) -> BankFile:
    """A bank as it is on this console; it still says which one it was set on."""
    return evolve(file, bank=evolve(seat(file.bank, console), console=file.bank.console))


def _with_electrics(handed: Handover, path: Path) -> Handover:
    text = read_text(path, "electrics file")
    electrics, findings = examine(text, handed.console)
    if electrics is None:
        listed = "\n".join(f"  {finding}" for finding in findings)
        refuse(f"{shown(path)} has {plural(len(findings), 'error')}:\n{listed}")
    plan: LoadPlan = plan_of(electrics, handed.console)
    copy = Copy("electrics.toml", text.encode(), "what the load plan was made from")
    return evolve(handed, plan=plan, others=(*handed.others, copy))


def _with_proof(handed: Handover, path: Path) -> Handover:
    text = read_text(path, "proof", LARGEST)
    try:
        record = read_record(text)
    except ProofFileError as error:
        refuse(f"{shown(path)}: {error}")
    if record.console != handed.console.name:
        refuse(f"{shown(path)} is a proof of {record.console}, not of {handed.console.name}")
    result: Result = result_of(handed.console, handed.rail, record.runs)
    copy = Copy("wiring.proof", text.encode(), "what was heard when the wiring was proved")
    return evolve(handed, proof=result, others=(*handed.others, copy))
