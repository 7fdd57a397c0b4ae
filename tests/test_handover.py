"""What an owner is given: complete by a plain walk of the file, true by the engine, whole or not.

Pages are taken apart by html5lib, which is strict; the sentences about playing are held against
the engine; the commands that the pages give are typed.
"""

import base64
import csv
import hashlib
import html
import io
import json
import os
import re
import shlex
import subprocess
import sys
import tomllib
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import html5lib
import pypdf
import pytest
from attrs import evolve
from click.testing import CliRunner, Result

import cli
from banks import Store, read_any
from banks.whole import FileFaultError
from cli.bank.files import saved_now, write_new
from cli.main import main
from cli.workshop.handover import write_folder
from cli.workshop.handover_command import handover_command
from cli.workshop.handover_organ import playing
from cli.workshop.load import example_of
from cli.workshop.proof_file import Record, Run, Said, text_of
from cli.workshop.prove import fingerprint, runs_asked
from combination.harness import Part
from combination.memory import Bank
from combination.model import (
    Action,
    Again,
    Cancel,
    Console,
    Kind,
    Setting,
    Unset,
    WhileGoverned,
)
from combination.reading import rail_of, read_console
from tests.chromium import print_pdf
from tests.consoles import WORKED_MEMORY, Player, bank_of, piston, worked_console

DEMOS = Path(cli.__file__).parent / "demos"
KINDS = ("stop", "coupler", "tremulant", "percussion", "trap", "effect")
DATE = "2031-05-04"
OWNER = "Ruth Ellery"


def run(*words: object) -> Result:
    return CliRunner().invoke(handover_command, [str(word) for word in words])


def written(*words: object, finished: bool = True) -> str:
    result = run(*words, "--date", DATE)
    assert result.exit_code == (0 if finished else 1), result.output
    return result.output


def filled(console: Console) -> Bank:
    """A bank in which the first general has the first stops of the rail, the second others."""
    generals = [piston.id for piston in console.pistons if piston.kind is Kind.GENERAL]
    names = [control.id for control in console.controls if control.captured]
    memory = {generals[0]: " ".join(names[:9]), f"{generals[1]}@2": " ".join(names[5:20])}
    return evolve(bank_of(console, memory), name=OWNER)


class Given:
    """A demo console handed over, both ways, with everything that can go along."""

    def __init__(self, name: str, folder: Path) -> None:
        self.path = DEMOS / f"{name}.toml"
        self.text = self.path.read_text(encoding="utf-8")
        self.console = read_console(self.text)
        self.store = folder / "organ.store"
        kept = folder / "ruth.bank"
        write_new(kept, saved_now(filled(self.console)))
        for words in (
            ("new", self.store),
            ("add", self.store, OWNER, "--console", self.path, "--from", kept),
            ("add", self.store, "A guest", "--console", self.path, "--guest"),
        ):
            done = CliRunner().invoke(main, ["store", *map(str, words)])
            assert done.exit_code == 0, done.output
        electrics = folder / "electrics.toml"
        electrics.write_text(example_of(self.console), encoding="utf-8")
        proof = folder / "proof"
        proof.write_text(text_of(proved(self.console, self.text)), encoding="utf-8")
        more = ("--store", self.store, "--electrics", electrics, "--proof", proof)
        self.folder, self.page = folder / "handover", folder / "handover.html"
        written(self.path, "--folder", self.folder, *more, finished=False)
        written(self.path, "--page", self.page, *more, finished=False)
        self.pages = {path.stem: parsed(path) for path in self.folder.glob("*.html")}


def proved(console: Console, text: str) -> Record:
    """The pedals played from the bottom to the top, but for one that says nothing."""
    asked = runs_asked(console, rail_of(text, console))[0]
    assert asked.part is Part.KEYS
    board = {board.id: board.input for board in console.boards}
    heard = []
    for number, point in enumerate(asked.points):
        name, _, pin = (point.pin or "").rpartition(".")
        messages = board[name]
        assert messages is not None
        assert messages.first_note is not None
        note = messages.first_note + int(pin) - 1
        if number != 7:
            channel = messages.channel - 1
            for at, status, velocity in ((0.0, 0x90, 64), (0.2, 0x80, 0)):
                heard.append(
                    Said(number + at, messages.port, bytes((status | channel, note, velocity)))
                )
    on = datetime(2031, 4, 30, 14, 30, tzinfo=UTC)
    made = Run(asked.key, on, fingerprint(console), asked.wires, (), tuple(heard))
    return Record(console.name, (made,))


@pytest.fixture(scope="module", params=["church", "theatre"])
def given(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Given:
    return Given(request.param, tmp_path_factory.mktemp(request.param))


# ---------------------------------------------------------------- taken apart


def parsed(page: Path) -> Any:
    """A page as html5lib has it, which raises for whatever is not right in HTML."""
    parser = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False)
    return parser.parse(page.read_text(encoding="utf-8"))


def text_in(element: Any) -> str:
    return "".join(element.itertext())


def tables(page: Any) -> Iterator[list[dict[str, str]]]:
    """Each table, as rows by the heads of their columns."""
    for each in page.iter("table"):
        heads = [text_in(head) for head in list(each.find("thead"))[-1]]
        rows = [[text_in(cell) for cell in row] for row in each.find("tbody")]
        yield [dict(zip(heads, row, strict=True)) for row in rows]


def rows_in(page: Any, *columns: str) -> list[dict[str, str]]:
    """The rows of all tables that have these columns."""
    found = [row for rows in tables(page) for row in rows]
    return [row for row in found if set(columns) <= set(row)]


# ---------------------------------------------------------------- all that is in the file is there


def test_each_control_is_in_the_specification_once(given: Given) -> None:
    file = tomllib.loads(given.text)
    wanted = {
        control["id"]: " ".join([control["label"]] if isinstance(control["label"], str) else [])
        or " ".join(control["label"])
        for kind in KINDS
        for control in file.get(kind, [])
    }
    rows = rows_in(given.pages["specification"], "as engraved", "id")
    assert sorted(row["id"] for row in rows) == sorted(wanted)
    assert {row["id"]: row["as engraved"] for row in rows} == wanted
    assert all(row["what it plays"] for row in rows)


def test_pitches_are_those_of_the_file(given: Given) -> None:
    file = tomllib.loads(given.text)
    rows = {row["id"]: row for row in rows_in(given.pages["specification"], "pitch")}
    ranks = {rank["id"]: rank.get("pitch", "8") for rank in file["rank"]}
    straight = [stop for stop in file["stop"] if "rank" in stop]
    assert straight
    for stop in straight:
        assert rows[stop["id"]]["pitch"] == stop.get("pitch", ranks[stop["rank"]]) + "'"


def test_each_piston_is_told_once(given: Given) -> None:
    file = tomllib.loads(given.text)
    rows = rows_in(given.pages["pistons"], "piston", "id")
    assert sorted(row["id"] for row in rows) == sorted(each["id"] for each in file["piston"])
    places = {row["id"]: row["pressed by"] for row in rows}
    for each in file["piston"]:
        at = each.get("at", "thumb")
        assert places[each["id"]] == (at if isinstance(at, str) else " or ".join(at))
        assert next(row for row in rows if row["id"] == each["id"])["what it affects or does"]
    stages = rows_in(given.pages["pistons"], "stage")
    assert len(stages) == len(file["crescendo"]["stage"])


def test_each_wire_is_in_the_wiring_once(given: Given) -> None:
    file = tomllib.loads(given.text)
    wanted: list[str] = []
    numbers: dict[str, int] = {}
    before = 0
    for board in file["board"]:
        pins = range(before + 1, before + board["pins"] + 1)
        wanted += [str(pin) for pin in pins] if "in" in board else []
        wanted += [f"{pin}A" for pin in pins] if "out" in board else []
        numbers[board["id"]] = before
        before += board["pins"]
    rows = rows_in(given.pages["wiring"], "wire", "pin")
    found = [wire for row in rows for wire in expanded(row["wire"])]
    assert Counter(found) == Counter(wanted)
    labels = {row["wire"]: row["what"] for row in rows}
    for kind in KINDS:
        for control in file.get(kind, []):
            if "contact" in control:
                board, _, pin = control["contact"].rpartition(".")
                label = control["label"]
                said = label if isinstance(label, str) else " ".join(label)
                assert labels[str(numbers[board] + int(pin))] == said


def expanded(wires: str) -> list[str]:
    """A run of wires, ``7A-9A``, one by one."""
    letter = "A" if wires.endswith("A") else ""
    first, _, last = wires.replace("A", "").partition("-")
    return [f"{number}{letter}" for number in range(int(first), int(last or first) + 1)]


def test_each_face_is_in_the_engraving_once(given: Given) -> None:
    file = tomllib.loads(given.text)
    rows = rows_in(given.pages["engraving"], "text", "id")
    wanted = Counter(control["id"] for kind in KINDS for control in file.get(kind, []))
    for each in file["piston"]:
        at = each.get("at", "thumb")
        wanted[each["id"]] += 1 if isinstance(at, str) else len(at)
    assert Counter(row["id"] for row in rows) == wanted


def test_the_tables_for_spreadsheets_have_the_same(given: Given) -> None:
    def table_of(name: str) -> list[dict[str, str]]:
        text = (given.folder / name).read_bytes().decode()
        return list(csv.DictReader(io.StringIO(text, newline="")))

    page = rows_in(given.pages["wiring"], "wire", "pin")
    assert Counter(row["wire"] for row in table_of("wiring.csv")) == Counter(
        wire for row in page for wire in expanded(row["wire"])
    )
    faces = rows_in(given.pages["engraving"], "text", "id")
    assert [(r["text"], r["id"]) for r in table_of("engraving.csv")] == [
        (r["text"], r["id"]) for r in faces
    ]


def test_the_bank_is_printed_as_bank_print_does(given: Given) -> None:
    (printed,) = given.pages["bank"].iter("pre")
    backup = given.folder / "all.bank"
    words = ["bank", "print", f"{backup}:{OWNER}", "--console", str(given.path)]
    done = CliRunner().invoke(main, words)
    assert done.exit_code == 0, done.output
    page, terminal = text_in(printed).splitlines(), done.stdout.splitlines()
    assert [line for line in page if not line.startswith("  file")] == [
        line for line in terminal if not line.startswith(("  file", "  *  "))
    ]
    assert "A guest" in text_in(given.pages["bank"].find("body"))


def test_a_star_is_explained_where_there_is_one(tmp_path: Path) -> None:
    text = (DEMOS / "church.toml").read_text(encoding="utf-8")
    console = read_console(text)
    general = next(piston for piston in console.pistons if piston.kind is Kind.GENERAL)
    legend = f"not on {console.name} as its file is now"
    for name, more in (("same", {}), ("fewer", {"levels": 1})):
        bank = evolve(filled(console), name=OWNER)
        write_new(tmp_path / f"{name}.bank", saved_now(bank))
        file, out = tmp_path / f"{name}.toml", tmp_path / name
        levels = f"levels = {console.levels}\n"
        assert levels in text
        file.write_text(text.replace(levels, "levels = 1\n") if more else text, encoding="utf-8")
        written(file, "--folder", out, "--bank", tmp_path / f"{name}.bank")
        (printed,) = parsed(out / "bank.html").iter("pre")
        assert general.face in text_in(printed)
        assert (legend in text_in(printed), "*Level 2" in text_in(printed)) == (bool(more),) * 2


def test_proof_and_load_are_there_with_their_days(given: Given) -> None:
    proof = text_in(given.pages["proof"].find("body"))
    (row,) = rows_in(given.pages["proof"], "part", "on")
    assert (row["on"], row["console file then"]) == ("2031-04-30 14:30", "as it is")
    assert "its contact is dead, or its wire is off" in proof
    assert "Not proved yet" in proof
    assert "Supplies at their worst moment" in text_in(given.pages["load"].find("body"))


def test_a_map_that_was_corrected_since_is_told(tmp_path: Path) -> None:
    church = DEMOS / "church.toml"
    text = church.read_text(encoding="utf-8")
    record = proved(read_console(text), text)
    older = evolve(record, runs=tuple(evolve(run, wiring="0" * 16) for run in record.runs))
    (tmp_path / "proof").write_text(text_of(older), encoding="utf-8")
    more = ("--proof", tmp_path / "proof")
    written(church, "--folder", tmp_path / "out", *more, finished=False)
    (row,) = rows_in(parsed(tmp_path / "out" / "proof.html"), "part", "on")
    assert row["console file then"] == "corrected since"


# ---------------------------------------------------------------- what is not finished yet


BARE = """
format = 1
name = "Bench"
action = "blind"
[[keyboard]]
id = "k"
name = "Keys"
keys = 2
contacts = "b.1"
[[board]]
id = "b"
pins = 8
in = { port = "p", channel = 1, first-note = 0 }
"""
THIN = """
format = 1
[[supply]]
id = "s"
volts = 15
amps = 1
fuse = 1
[[other]]
id = "o"
supply = "s"
amps = {amps}
"""
NOT_PROVED = "The proof has no findings; 2 contacts are not proved."
OVER = "The load plan has 1 finding."


def bench_run(*heard: int) -> Record:
    """The two keys of the bench worked, of which some say something."""
    console = read_console(BARE)
    (asked,) = runs_asked(console, rail_of(BARE, console))
    saids = [
        Said(at + note, "p", bytes((status, note, velocity)))
        for note in heard
        for at, status, velocity in ((0.0, 0x90, 64), (0.2, 0x80, 0))
    ]
    on = datetime(2031, 4, 30, 14, 30, tzinfo=UTC)
    run = Run(asked.key, on, fingerprint(console), asked.wires, (), tuple(saids))
    return Record("Bench", (run,))


@pytest.mark.parametrize(
    ("record", "amps", "said"),
    [
        (Record("Bench"), "0.1", [NOT_PROVED]),
        (Record("Bench"), "3", [OVER, NOT_PROVED]),
        (bench_run(0, 1), "3", [OVER]),
        (bench_run(0), "0.1", ["The proof has 1 finding."]),
        (bench_run(0, 1), "0.1", []),
        (None, None, []),
    ],
)
def test_what_is_not_finished_is_said_first(
    record: Record | None, amps: str | None, said: list[str], tmp_path: Path
) -> None:
    console = tmp_path / "bench.toml"
    console.write_text(BARE, encoding="utf-8")
    words: list[object] = []
    if record is not None and amps is not None:
        (tmp_path / "proof").write_text(text_of(record), encoding="utf-8")
        (tmp_path / "electrics").write_text(THIN.replace("{amps}", amps), encoding="utf-8")
        words = ["--proof", tmp_path / "proof", "--electrics", tmp_path / "electrics"]
    folder, page = tmp_path / "out", tmp_path / "page.html"
    for option, out in (("--folder", folder), ("--page", page)):
        output = written(console, option, out, *words, finished=not said)
        assert output.splitlines()[1:] == said
    result = run(console, "--page", "-", *words, "--date", DATE)
    assert (result.exit_code, result.stderr.splitlines()) == (1 if said else 0, said)
    assert result.stdout_bytes == page.read_bytes()
    for each in (folder / "index.html", page):
        first, *_ = parsed(each).iter("section")
        head, lines = text_in(first.find("h2")), [text_in(line) for line in first.iter("li")]
        assert (head == "Not finished yet", lines == said) == (bool(said), bool(said))
    read_me = (folder / "READ-ME-FIRST.txt").read_text(encoding="utf-8").splitlines()
    wanted = ["Not finished yet:", *(f"  {line}" for line in said), ""] if said else []
    assert read_me[: 3 + len(wanted)] == ["Bench", f"Handed over on {DATE}", "", *wanted]
    assert ("Not finished yet:" in read_me) == bool(said)


@pytest.mark.parametrize("option", ["--proof", "--electrics", None])
def test_what_was_not_given_is_said_to_the_technician(option: str | None, tmp_path: Path) -> None:
    console, given = tmp_path / "bench.toml", tmp_path / "given"
    console.write_text(BARE, encoding="utf-8")
    text = text_of(bench_run(0, 1)) if option == "--proof" else THIN.replace("{amps}", "0.1")
    given.write_text(text, encoding="utf-8")
    written(console, "--folder", tmp_path / "out", *([option, given] if option else []))
    owner, technician = parsed(tmp_path / "out" / "index.html").iter("section")
    lines = [text_in(line) for line in technician.iter("li")]
    for lacking, line in (
        ("--electrics", "Load plan: not worked out: no electrics file was given"),
        ("--proof", "Proof of wiring: not proved: no proof file was given"),
    ):
        assert (line in lines) == (option != lacking)
    assert "given" not in text_in(owner)


# ---------------------------------------------------------------- pages that hold together


def test_links_of_the_folder_lead_to_its_files_and_nowhere_else(given: Given) -> None:
    names = {path.name for path in given.folder.iterdir()}
    reached = {"READ-ME-FIRST.txt", "index.html"}
    for name, page in given.pages.items():
        links = [link.get("href") for link in page.iter("a")]
        assert set(links) <= names
        reached |= set(links)
        assert name == "index" or "index.html" in links
        assert not list(page.iter("script")) + list(page.iter("img")) + list(page.iter("link"))
    assert reached == names


@pytest.mark.parametrize("given", ["church"], indirect=True)
def test_the_single_page_has_it_all_in_it(given: Given) -> None:
    page = parsed(given.page)
    ids = [element.get("id") for element in page.iter() if element.get("id")]
    assert len(set(ids)) == len(ids)
    links = list(page.iter("a"))
    inner = [link.get("href")[1:] for link in links if link.get("href").startswith("#")]
    assert sorted(inner) == sorted(ids)
    held = [link for link in links if not link.get("href").startswith("#")]
    for link in held:
        kind, _, data = link.get("href").partition(",")
        assert kind == "data:application/octet-stream;base64"
        copy = given.folder / link.get("download")
        if copy.suffix != ".bank":  # which says to the second when it was made
            assert base64.b64decode(data) == copy.read_bytes()
    assert {link.get("download") for link in held} == {
        path.name for path in given.folder.iterdir() if path.suffix not in (".html", ".txt")
    }
    whole = [row for rows in tables(page) for row in rows]
    parts = [row for each in given.pages.values() for rows in tables(each) for row in rows]
    seen = Counter(map(repr, parts)) - Counter(map(repr, whole))
    assert all("SHA-256" in row or "bank saved" in row for row in seen)


def test_copies_are_those_of_the_files_and_whole(given: Given) -> None:
    assert (given.folder / given.path.name).read_bytes() == given.path.read_bytes()
    sums = rows_in(given.pages["files"], "file")
    told = {row["file"]: digest for row in sums for head, digest in row.items() if "SHA" in head}
    assert len(told) == 6
    for name, digest in told.items():
        assert hashlib.sha256((given.folder / name).read_bytes()).hexdigest() == digest


def test_the_console_file_has_one_name_everywhere(given: Given) -> None:
    name = given.path.name
    for heading in ("How to begin again from the handover", "How to restore a later backup"):
        lines = typed(given.folder / "keeping.html", heading)
        files = {word for line in lines for word in line if word.endswith(".toml")}
        assert files == {name}
    for page in given.pages.values():
        assert "console.toml" not in text_in(page.find("body"))
    assert f"  {name}  the console file" in (given.folder / "READ-ME-FIRST.txt").read_text("utf-8")


@pytest.mark.parametrize("name", ["Electrics.toml", "index.html", "wiring.csv"])
def test_a_console_file_does_not_take_the_place_of_another(name: str, tmp_path: Path) -> None:
    console, electrics = tmp_path / name, tmp_path / "e"
    console.write_text(BARE, encoding="utf-8")
    electrics.write_text(THIN.replace("{amps}", "0.1"), encoding="utf-8")
    result = run(console, "--folder", tmp_path / "out", "--electrics", electrics)
    assert result.exit_code == 2
    assert f"a file of the folder is called {name} already: rename" in result.output
    assert not (tmp_path / "out").exists()


def test_read_me_is_for_any_editor(given: Given) -> None:
    data = (given.folder / "READ-ME-FIRST.txt").read_bytes()
    assert data.count(b"\r\n") == data.count(b"\n")
    assert all(len(line) <= 100 for line in data.decode().splitlines())
    for path in given.folder.iterdir():
        assert path.name in data.decode() or path.name == "READ-ME-FIRST.txt"


# ---------------------------------------------------------------- what the pages tell to type


def typed(page: Path, heading: str) -> list[list[str]]:
    """The lines that are to be typed under a heading, as a shell parts them."""
    (found,) = (
        section
        for section in parsed(page).iter("section")
        if text_in(section.find("h2")) == heading
    )
    return [shlex.split(line) for line in text_in(found.find("pre")).splitlines()]


def did(lines: list[list[str]], folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder)
    for line in lines:
        if line[0] == "mkdir":
            Path(line[1]).mkdir()
        elif line[1] != "play":
            asks = ["--yes"] if line[2] in ("restore", "take-back") else []
            done = CliRunner().invoke(main, [*line[1:], *asks])
            assert done.exit_code == 0, (line, done.output)


def test_backups_are_made_and_restored_as_the_pages_say(
    given: Given, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = given.folder / "keeping.html"
    (tmp_path / given.path.name).write_bytes(given.path.read_bytes())
    done = CliRunner().invoke(
        main, ["store", "copy", str(given.store), str(tmp_path / "organ.store")]
    )
    assert done.exit_code == 0, done.output
    did(typed(page, "How to back up"), tmp_path, monkeypatch)
    (made,) = Path("backups").glob("*.bank")
    assert len(list(Path("backups").iterdir())) == 2
    made.rename(made.with_name("organ-2031-05-04.bank"))
    did(typed(page, "How to restore a later backup"), tmp_path, monkeypatch)
    same_as_given(given, tmp_path / "new.store")
    history, take_back = typed(page, "How to take an evening back")
    named = ["stopwright", "bank", "name-level", history[-1], "1", "Advent"]
    evening = (datetime.now().astimezone() - timedelta(hours=4)).date().isoformat()
    did(
        [named, history, [word.replace("2031-05-04", evening) for word in take_back]],
        tmp_path,
        monkeypatch,
    )
    same_as_given(given, tmp_path / "organ.store")


def test_an_organ_begins_again_from_what_was_handed_over(
    given: Given, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for path in given.folder.iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    heading = "How to begin again from the handover"
    did(typed(tmp_path / "keeping.html", heading), tmp_path, monkeypatch)
    same_as_given(given, tmp_path / "new.store")


def same_as_given(given: Given, store: Path) -> None:
    with Store(given.store, writing=False) as one, Store(store, writing=False) as other:
        before, after = ({p.name: s.load(p.number) for p in s.players()} for s in (one, other))
    assert after.keys() == before.keys() == {OWNER, "A guest"}
    assert {n: b.levels for n, b in after.items()} == {n: b.levels for n, b in before.items()}


def test_a_single_bank_goes_along_and_begins_a_store(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    church = DEMOS / "church.toml"
    bank = filled(read_console(church.read_text(encoding="utf-8")))
    write_new(tmp_path / "-it's mine.bank", saved_now(bank))
    folder = tmp_path / "out"
    written(church, "--folder", folder, "--bank", tmp_path / "-it's mine.bank")
    kept = read_any(folder / "first.bank")
    assert getattr(kept, "bank", None) == bank
    did(typed(folder / "keeping.html", "How to begin again from the handover"), folder, monkeypatch)
    with Store(folder / "new.store", writing=False) as store:
        (player,) = store.players()
        assert store.load(player.number).levels == bank.levels
    did(typed(folder / "keeping.html", "How to back up"), tmp_path, monkeypatch)
    assert len(list((tmp_path / "backups").iterdir())) == 1


# ---------------------------------------------------------------- what is told is what happens


def told(console: Console) -> str:
    return "\n".join(line for _, lines in playing(console) for line in lines)


ADDS = {"while_governed": WhileGoverned.ADDS}
LAST = {"while_governed": WhileGoverned.LAST_TOUCH}
MOVING, LIT = {"action": Action.MOVING}, {"action": Action.LIT}
SILENCE = {"cancel": Cancel.SILENCE}
CLEAR = {"unset": Unset.CLEAR}

TOLD: tuple[tuple[str, dict[str, Any], str, str, str], ...] = (
    # topic, settings, what is told, what is done, what sounds then
    ("tab", {}, "is not heard until it is let go; then it", "push G1, tab d on", "b c"),
    ("tab", LAST, "comes free of the piston, and sounds", "push G1, tab d on", "b c d"),
    ("tab", ADDS, "A drawn tab always sounds; pistons add", "tab a on, push G1", "a b c"),
    ("tab", MOVING, "A tab moved by hand counts at once", "push G1, tab d on", "b c d"),
    ("tab", LIT, "A touch turns it over", "push G1, tab d on", "b c d"),
    ("let go", {}, "then it speaks as it stands", "push G1, tab d on, push GC", "d"),
    ("reversible", ADDS, "It cannot silence what its tab has on", "tab x on, push RX", "x"),
    ("cancel", {}, "lets every tab speak as it stands", "tab a on, push G1, push GC", "a"),
    ("cancel", LAST, "lets every tab speak as it stands", "tab a on, push G1, push GC", "a"),
    ("cancel", SILENCE, "silences all that pistons can be set", "tab a on, push GC", ""),
    ("cancel", ADDS, "takes away all that pistons have added", "tab a on, push G1, push GC", "a"),
    (
        "cancel",
        ADDS | SILENCE,
        "takes away all that pistons have",
        "tab a on, push G1, push GC",
        "a",
    ),
    ("cancel", MOVING, "turns off all that pistons can be set", "tab a on, push GC", ""),
    ("cancel", LIT, "turns off all that pistons can be set", "tab a on, push GC", ""),
    ("cancel fo", {}, ", and turns full organ off", "push FO, push GC", ""),
    ("cancel crescendo", {}, "full organ is", "crescendo x 1, push GC", "a"),
    ("unset", {}, 'it does nothing, and the screen says "not set"', "tab a on, push G2", "a"),
    ("unset", CLEAR, "at this level it turns off all that it", "tab a on, push G2", ""),
    ("unset", CLEAR | MOVING, "at this level it turns off all that", "tab a on, push G2", ""),
    (
        "unset",
        CLEAR | ADDS,
        "takes away what pistons have added of",
        "tab a on, push G1, push G2",
        "a",
    ),
    ("again", {"again": Again.RELEASE}, "Pressed again while", "tab a on, push G1, push G1", "a"),
    ("disarm", {}, "waits for a piston, GC takes only that", "push G1, push SET, push GC", "b c"),
    ("level", {}, "and nothing that sounds", "push G1, push UP", "b c"),
    ("full organ", {}, "on at one press, off at the next", "push FO, push FO", ""),
    ("full organ", MOVING, "They move no tab", "tab a on, push FO", "a b c d x"),
    ("divisional", {}, "on its own division", "tab c on, push GT1", "a c x"),
)
MEMORY = {name: on for name, on in WORKED_MEMORY.items() if name != "G2"}


@pytest.mark.parametrize(("topic", "settings", "said", "steps", "sounds"), TOLD)
def test_what_is_told_of_a_setting_is_what_sounds(
    topic: str, settings: dict[str, Any], said: str, steps: str, sounds: str
) -> None:
    console = worked_console(**settings)
    if topic != "cancel crescendo":
        assert said in told(console)
        others = {other for each, _, other, *_ in TOLD if each == topic and other[:30] not in said}
        assert not [each for each in others if each in told(console) and topic != "full organ"]
    player = Player(console, bank_of(console, MEMORY)).do(*steps.split(", "))
    assert player.sounding == set(sounds.split())


STORED: tuple[tuple[dict[str, Any], str, str, str, str], ...] = (
    # settings, what is told, what is done, what G2 remembers then, what is not told
    (
        {},
        "what the tabs show, whatever sounds",
        "push G1, tab d on, push SET, push G2",
        "d",
        "give",
    ),
    (
        LAST,
        "what tabs and pistons give together",
        "push G1, tab d on, push SET, push G2",
        "b c d",
        "whatever sounds",
    ),
    (
        ADDS,
        "what tabs and pistons give together",
        "tab a on, push G1, push SET, push G2",
        "a b c",
        "whatever sounds",
    ),
    (MOVING, "What is stored is what is on", "tab a on, push FO, push SET, push G2", "a", "give"),
    (
        LIT,
        "What is stored is what is on",
        "tab a on, crescendo x 3, push SET, push G2",
        "a",
        "give",
    ),
    (
        {"setting": Setting(latch=False)},
        "Hold SET down",
        "tab a on, press SET, push G2, release SET",
        "a",
        "ush SET by itself",
    ),
    (
        {"setting": Setting(hold=False)},
        "Push SET by itself",
        "tab a on, push SET, push G2",
        "a",
        "Hold SET down",
    ),
    (
        {},
        "Several can be set in one hold",
        "tab a on, press SET, push G1, push G2",
        "a",
        "No piston",
    ),
    (
        {},
        "To change your mind push it again",
        "tab a on, push SET, push SET, push G2",
        "-",
        "No piston",
    ),
    (
        {"setting": Setting(hold=False, latch=False)},
        "No piston of this console sets another",
        "tab a on, press SET, push G2",
        "-",
        "Hold SET",
    ),
    (
        {},
        "The next piston pressed or set uses it",
        "tab a on, push UP, push SET, push G2",
        "-",
        "give",
    ),
    ({}, "Cannot be set: FO", "push SET, push FO", "-", "like the others"),
)


@pytest.mark.parametrize(("settings", "said", "steps", "remembers", "not_said"), STORED)
def test_what_is_told_of_setting_is_what_is_stored(
    settings: dict[str, Any], said: str, steps: str, remembers: str, not_said: str
) -> None:
    console = worked_console(**settings)
    assert said in told(console)
    assert not_said not in told(console)
    player = Player(console, bank_of(console, MEMORY)).do(*steps.split(", "))
    assert player.remembers("G2") == (None if remembers == "-" else set(remembers.split()))


def test_lamps_are_lit_as_is_told() -> None:
    for settings, said, after, back in (
        ({}, "while it holds all that it brought", {"G1"}, {"G1"}),
        (LAST, "puts the lamps of the pistons out that held it", set(), set()),
        (ADDS, "while it holds all that it brought", {"G1"}, {"G1"}),
        (MOVING, "moved back lights it again", set(), {"G1"}),
        (LIT, "touched back lights it again", set(), {"G1"}),
    ):
        console = worked_console(**settings)
        assert said not in told(console)
        lamps = tuple(evolve(p, lamp="x.1") if p.id == "G1" else p for p in console.pistons)
        assert said in told(evolve(console, pistons=lamps))
        player = Player(console, bank_of(console, MEMORY)).do("push G1", "tab d on")
        assert player.lit == after
        assert player.do("tab d off").lit == back


def test_levels_and_sequence_end_as_is_told() -> None:
    console = worked_console(levels=2)
    more = (*console.pistons, piston("N", Kind.NEXT), piston("P", Kind.PREVIOUS))
    console = evolve(console, pistons=more)
    assert "There are 2 levels" in told(console)
    assert "The levels end at 1 and 2: there it stays" in told(console)
    player = Player(console, bank_of(console, MEMORY)).do("push UP", "push UP")
    assert player.bank.level == 2
    assert player.refused == []
    assert "the generals of level 1, then those of level 2" in told(console)
    player = Player(console, bank_of(console, MEMORY))
    assert player.do("push P").refused == ["at the beginning"]
    assert player.do("push N").sounding == {"b", "c"}
    player.do("push N", "push N", "push N")
    assert player.bank.level == 2
    assert player.do("push N").refused == ["at the end"]
    assert player.do("push SET", "push P").refused == ["not while setting"]
    assert "levels" not in told(worked_console(levels=1))
    assert "P, N" not in told(worked_console())


def test_pistons_of_other_kinds_are_told_where_there_are_any() -> None:
    console = worked_console()
    told_of = {
        "lets every tab speak as it stands; full organ stays": piston("H", Kind.HAND_REGISTRATION),
        "only while held down": piston("M", Kind.MOMENTARY, control="a"),
        "and press CS as a piston that is set": piston("CS", Kind.CRESCENDO_SET),
        "the same for one division": piston("DC", Kind.DIVISIONAL_CANCEL, division="great"),
        "set like the others, once for all levels": piston("F2", Kind.FULL_ORGAN, settable=True),
        "Cannot be set: FO, G9": piston("G9", Kind.GENERAL, settable=False),
        "A piston that only adds turns nothing off": piston("GA", Kind.GENERAL, additive=True),
    }
    for said, more in told_of.items():
        assert said not in told(console)
        assert said in told(evolve(console, pistons=(*console.pistons, more)))
    hand = evolve(console, pistons=(*console.pistons, piston("H", Kind.HAND_REGISTRATION)))
    player = Player(hand, bank_of(hand, MEMORY))
    assert player.do("tab a on", "push G1", "push H").sounding == {"a"}
    bare = evolve(console, pistons=(), crescendo=type(console.crescendo)())
    assert "crescendo" not in told(bare).replace("full organ and crescendo are the same", "")


def test_nothing_is_said_to_be_forgotten_at_switch_off() -> None:
    kept = "What each piston remembers is as it was"
    for settings in ({}, MOVING, LIT):
        console = worked_console(**settings)
        lamps = evolve(console, pistons=tuple(evolve(p, lamp="x.1") for p in console.pistons))
        assert f"no general or divisional is in force. {kept}" in told(console)
        assert f"no general or divisional is lit. {kept}" in told(lamps)
        assert Player(lamps, bank_of(lamps, MEMORY)).lit == set()
    bare = evolve(worked_console(), pistons=())
    assert "general or divisional" not in told(bare)


# ---------------------------------------------------------------- hostile texts


HOSTILE = (
    "<script>alert(1)</script>",
    "</pre></style><img src=x onerror=alert(1)>",
    "a \" b ' c & d &amp; e",
    "=1+1",
    "ספק שני",
    "Contraviolone" * 15,
)


def hostile_console() -> str:
    quoted = [json.dumps(text) for text in HOSTILE]
    name = json.dumps(HOSTILE[1])
    stops = "".join(
        f'[[stop]]\nid = "s{n}"\nlabel = {text}\ndivision = "d"\nrank = "r"\n'
        f'contact = "b.{n + 1}"\n'
        for n, text in enumerate(quoted)
    )
    pistons = "".join(
        f'[[piston]]\nid = "p{n}"\nlabel = {text}\nkind = "general"\ncontact = "b.{n + 11}"\n'
        for n, text in enumerate(quoted)
    )
    return (
        f'format = 1\nname = {name}\naction = "blind"\n'
        f'[[keyboard]]\nid = "k"\nname = {name}\n[[division]]\nid = "d"\nname = {quoted[0]}\n'
        f'keyboard = "k"\n[[rank]]\nid = "r"\nname = {quoted[2]}\n{stops}{pistons}'
        '[[piston]]\nid = "set"\nlabel = "<b>Set"\nkind = "set"\ncontact = "b.30"\n'
        f'[[board]]\nid = "b"\nname = {name}\npins = 32\n'
        'in = { port = "<i>", channel = 1, first-note = 0 }\n'
    )


def test_hostile_texts_stay_texts(tmp_path: Path) -> None:
    file = tmp_path / "<b>&'.toml"
    file.write_text(hostile_console(), encoding="utf-8")
    console = read_console(hostile_console())
    memory = evolve(bank_of(console, {"p0": "s0 s1"}), name=HOSTILE[1])
    write_new(tmp_path / "own.bank", saved_now(memory))
    written(file, "--page", tmp_path / "page.html", "--bank", tmp_path / "own.bank")
    written(file, "--folder", tmp_path / "out", "--bank", tmp_path / "own.bank")
    made = [*(tmp_path / "out").glob("*.html"), tmp_path / "page.html"]
    for each in made:
        page = parsed(each)
        assert not [e for e in page.iter() if e.tag in ("script", "img", "b", "i", "iframe")]
        handlers = [n for e in page.iter() for n in e.attrib if n.startswith("on")]
        assert handlers == []
    link = next(parsed(tmp_path / "out" / "files.html").iter("a"))
    assert (text_in(link), unquote(link.get("href"))) == (file.name, file.name)
    held = [link.get("download") for link in parsed(tmp_path / "page.html").iter("a")]
    assert file.name in held
    rows = rows_in(parsed(tmp_path / "page.html"), "as engraved")
    assert [row["as engraved"] for row in rows] == list(HOSTILE)
    assert b"\r\n=" not in (tmp_path / "out" / "engraving.csv").read_bytes()
    assert b",=1" not in (tmp_path / "out" / "engraving.csv").read_bytes()
    typed(tmp_path / "out" / "keeping.html", "How to begin again from the handover")


def test_it_prints_on_paper_whatever_is_on_it(tmp_path: Path) -> None:
    """Each part begins a sheet, no sheet is empty, and no text is wider than the paper."""
    file, page = tmp_path / "console.toml", tmp_path / "page.html"
    file.write_text(hostile_console(), encoding="utf-8")
    written(file, "--page", page)
    sheets = pypdf.PdfReader(io.BytesIO(print_pdf(page, "A4"))).pages
    texts = [re.sub(r"\s+", " ", sheet.extract_text()) for sheet in sheets]
    assert not [text for text in texts if len(text) < 150]
    titles = [head.text for head in parsed(page).iter("h1") if head.get("id")]
    assert len(titles) == 8
    heads = [sum(f" {title} " in text[:250] for text in texts[1:]) for title in titles]
    assert heads == [1] * 8
    flat = "".join(texts).replace(" ", "")
    for label in (HOSTILE[0], HOSTILE[2], HOSTILE[5]):
        assert flat.count(label.replace(" ", "")) >= 5


# ---------------------------------------------------------------- whole or not at all


def names_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_a_folder_or_page_that_is_there_is_left_alone(tmp_path: Path) -> None:
    church = DEMOS / "church.toml"
    (tmp_path / "empty").mkdir()
    (tmp_path / "page.html").write_text("mine")
    (tmp_path / "link").symlink_to("nowhere")
    for option, name in (("--folder", "empty"), ("--page", "page.html"), ("--folder", "link")):
        result = run(church, option, tmp_path / name)
        assert result.exit_code == 2
        assert f"{name} is there already, and is left alone" in result.output
    assert names_in(tmp_path) == ["empty", "link", "page.html"]
    assert (tmp_path / "page.html").read_text() == "mine"
    assert not list((tmp_path / "empty").iterdir())


def test_a_folder_that_comes_meanwhile_is_left_alone(tmp_path: Path) -> None:
    class Slow(dict[str, bytes]):
        def items(self) -> Any:
            (tmp_path / "out").mkdir()
            return super().items()

    (tmp_path / "link").symlink_to("nowhere")
    for name, files in (("out", Slow(a=b"1")), ("link", {"a": b"1"})):
        with pytest.raises(FileFaultError, match="is there already, and is left alone"):
            write_folder(tmp_path / name, files)
    assert names_in(tmp_path) == ["link", "out"]
    assert names_in(tmp_path / "out") == []


FULL = """
import resource, sys
from cli.workshop.handover import write_folder
from cli.workshop.handover_command import handover_command
words = sys.argv[1:]
handover_command([*words, "before"], standalone_mode=False)
for largest in (0, 6000):
    resource.setrlimit(resource.RLIMIT_FSIZE, (largest, resource.RLIM_INFINITY))
    try:
        handover_command([*words, "out"])
    except SystemExit as end:
        print(end.code)
"""
"""What another process does: a folder, then the same where no file can be so large."""


@pytest.mark.skipif(sys.platform == "win32", reason="its limits are of another kind")
def test_a_full_disk_leaves_nothing(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", FULL, str(DEMOS / "church.toml"), "--folder"],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(Path(cli.__file__).parent.parent)},
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    assert done.stdout.splitlines()[1:] == ["2", "2"]
    assert (
        done.stderr
        == 2 * "stopwright: out: specification.html: a file may not be as large as that here\n"
    )
    assert names_in(tmp_path) == ["before"]


@pytest.fixture(scope="module")
def lying_about(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A console file, the proof of another console, a bank, and a part of it."""
    here = tmp_path_factory.mktemp("about")
    text = (DEMOS / "church.toml").read_text(encoding="utf-8")
    (here / "console").write_text(text, encoding="utf-8")
    (here / "other").write_text(text_of(Record("Elsewhere")), encoding="utf-8")
    write_new(here / "whole.bank", saved_now(filled(read_console(text))))
    part = ["bank", "backup", here / "whole.bank", here / "part.bank", "--level", "1"]
    assert CliRunner().invoke(main, [str(word) for word in part]).exit_code == 0
    return here


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ([], "say where it goes: --folder or --page"),
        (["--folder", "a", "--page", "b"], "--folder and --page cannot go together"),
        (["--folder", "a", "--store", "s", "--bank", "b"], "cannot go together"),
        (["--folder", "no/where"], "there is no such file or folder"),
        (["--folder", "a", "--store", "none"], "none"),
        (["--folder", "a", "--bank", "none"], "none"),
        (["--folder", "a", "--proof", "console"], "it does not begin as a proof of wiring does"),
        (["--folder", "a", "--proof", "other"], "is a proof of Elsewhere, not of"),
        (["--folder", "a", "--electrics", "console"], "errors"),
        (["--folder", "a", "--date", "4.5.2031"], "4.5.2031"),
        (["--folder", "a", "--bank", "part.bank"], "holds only a part of a bank"),
    ],
)
def test_what_cannot_be_done_is_said_and_leaves_nothing(
    words: list[str], message: str, lying_about: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(lying_about)
    result = run("console", *words)
    assert result.exit_code == 2
    assert message in result.output
    assert names_in(lying_about) == ["console", "other", "part.bank", "whole.bank"]


def test_a_console_without_anything_is_handed_over_too(tmp_path: Path) -> None:
    file = tmp_path / "bench.toml"
    file.write_text('format = 1\nname = "Bench"\naction = "lit"\n', encoding="utf-8")
    written(file, "--folder", tmp_path / "out")
    for page in (tmp_path / "out").glob("*.html"):
        parsed(page)
    assert "nothing is wired" in (tmp_path / "out" / "wiring.html").read_text(encoding="utf-8")
    result = run(file, "--page", "-", "--date", DATE)
    assert result.exit_code == 0
    assert html.escape("Bench · handover") in result.stdout
