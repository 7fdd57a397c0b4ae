"""The wiring schedule: every pin of every board once, each with what the file has on it."""

import csv
import io
import json
import re
import time
import tomllib
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import clevercsv
import pytest
from attrs import evolve
from clevercsv.dialect import SimpleDialect
from click.testing import CliRunner, Result

import cli
from cli.workshop.schedule import as_page, csv_rows, note_name, rows_of, sides_of
from cli.workshop.schedule_command import schedule_command
from cli.workshop.spreadsheets import csv_bytes
from combination.contacts import contacts_of
from combination.model import Board, PinMessages
from combination.reading import rail_of, read_console
from tests.figures import Figures

DEMOS = Path(cli.__file__).parent / "demos"
CHURCH, THEATRE = DEMOS / "church.toml", DEMOS / "theatre.toml"
KINDS = ("stop", "coupler", "tremulant", "percussion", "trap", "effect")


def run(*words: object) -> Result:
    return CliRunner().invoke(schedule_command, [str(word) for word in words])


def rows_for(*words: object) -> list[dict[str, str]]:
    """The schedule's CSV, by the heads of its columns."""
    result = run(*words, "--csv", "-")
    assert result.exit_code == 0, result.output
    return list(csv.DictReader(io.StringIO(result.stdout_bytes.decode(), newline="")))


# ---------------------------------------------------------------- against a plain walk of the file


class Walk:
    """A console file gone through by its tables, with nothing of the program's own reading."""

    def __init__(self, text: str) -> None:
        self.file = tomllib.loads(text)
        self.rail = []
        table = ""
        for line in text.splitlines():
            if line.startswith("["):
                table = line.strip("[] ")
            elif table in KINDS and line.startswith("id = "):
                self.rail.append(line.split('"')[1])
        self.before = {}
        pins = 0
        for board in self.file["board"]:
            self.before[board["id"]] = pins
            pins += board["pins"]
        self.pins = pins

    def wire(self, pin: str, after: int = 0, acts: bool = False) -> str:
        board, number = pin.split(".")
        return f"{self.before[board] + int(number) + after}{'A' if acts else ''}"

    def ends(self) -> Iterator[tuple[str, tuple[str, str, str, str]]]:
        """Wires, with id, label, contact and place."""
        yield from self.keys()
        for kind in KINDS:
            for control in self.file.get(kind, ()):
                place = f"stop rail, place {self.rail.index(control['id']) + 1}"
                for key, said in (
                    ("contact", "tab"),
                    ("lamp", "lamp"),
                    ("drive-on", "magnet, on"),
                    ("drive-off", "magnet, off"),
                ):
                    if key in control:
                        wire = self.wire(control[key], acts=key != "contact")
                        yield wire, (control["id"], label(control), said, place)
        yield from self.pistons()
        yield from self.turned()

    def keys(self) -> Iterator[tuple[str, tuple[str, str, str, str]]]:
        octave = ["C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B"]
        for keyboard in self.file["keyboard"]:
            for key in range(keyboard.get("keys", 61)):
                name = f"{octave[key % 12]}{key // 12 + 2}"
                end = (keyboard["id"], name, f"key {key + 1}", "keyboard")
                yield self.wire(keyboard["contacts"], key), end

    def pistons(self) -> Iterator[tuple[str, tuple[str, str, str, str]]]:
        says = any("at" in piston for piston in self.file["piston"])
        for piston in self.file["piston"]:
            contacts = listed(piston.get("contact", []))
            places = listed(piston.get("at", ["thumb"] * max(len(contacts), 1)))
            usual = {"thumb": "key slip", "toe": "toe studs"}[sorted(places)[-1]]
            usual = ("key slip" if "thumb" in places else usual) if says else ""
            for number, contact in enumerate(contacts):
                at = places[number] if says else ""
                said = {"thumb": "thumb piston", "toe": "toe stud", "": "piston"}[at]
                alike = places.count(at) if says else len(contacts)
                if alike > 1:
                    before = places[:number].count(at) if says else number
                    said += f", {before + 1} of {alike}"
                if isinstance(contact, dict):
                    said += " (inverted)" if contact.get("inverted") else ""
                    contact = contact["pin"]
                place = {"thumb": "key slip", "toe": "toe studs", "": ""}[at]
                yield self.wire(contact), (piston["id"], label(piston), said, place)
            if "lamp" in piston:
                end = (piston["id"], label(piston), "lamp", usual)
                yield self.wire(piston["lamp"], acts=True), end
            for contact in listed(piston.get("second-touch", {}).get("contact", [])):
                yield self.wire(contact), (piston["id"], label(piston), "second touch", usual)

    def turned(self) -> Iterator[tuple[str, tuple[str, str, str, str]]]:
        transposer = self.file.get("transposer", {})
        for key, said in (("up", "by +1"), ("down", "by -1"), ("zero", "to 0")):
            if key in transposer:
                name = "zero" if key == "zero" else "step"
                yield self.wire(transposer[key]), (name, "transposer", said, "")
        if "switch" in transposer:
            for place, by in enumerate(range(-6, 7)):
                end = ("switch", "transposer", f"to {by:+d}" if by else "to 0", "")
                yield self.wire(transposer["switch"], place), end
        lock = self.file.get("set", {}).get("lock")
        if lock:
            yield self.wire(lock), ("lock", "memory lock", "key switch", "")
        for chamber in self.file.get("chamber", ()):
            for stage in range(chamber.get("stages", 0) if "shades" in chamber else 0):
                end = (chamber["id"], f"stage {stage + 1}", "shade engine", "chamber")
                yield self.wire(chamber["shades"], stage, acts=True), end


def label(thing: dict[str, Any]) -> str:
    return " ".join(listed(thing["label"]))


def listed(value: Any) -> list[Any]:
    return value if isinstance(value, list) else [value]


@pytest.mark.parametrize("path", [CHURCH, THEATRE], ids=["church", "theatre"])
def test_every_wire_is_where_the_file_has_it(path: Path) -> None:
    walk = Walk(path.read_text(encoding="utf-8"))
    expected = list(walk.ends())
    rows = rows_for(path)
    found = {
        row["wire"]: (row["id"], row["what"], row["kind"], row["place"])
        for row in rows
        if row["id"]
    }
    assert found == dict(expected)
    assert len(expected) == len(found)
    ways = {board["id"]: ("in" in board) + ("out" in board) for board in walk.file["board"]}
    assert len(rows) == sum(board["pins"] * ways[board["id"]] for board in walk.file["board"])
    assert len({row["wire"] for row in rows}) == len(rows)
    assert {row["what"] for row in rows if not row["id"]} == {"spare"}


@pytest.mark.parametrize("path", [CHURCH, THEATRE], ids=["church", "theatre"])
def test_every_pin_sends_what_its_board_says(path: Path) -> None:
    boards = {board["id"]: board for board in tomllib.loads(path.read_text("utf-8"))["board"]}
    for row in rows_for(path):
        messages = boards[row["board"]][row["way"]]
        number = messages["first-note"] + int(row["pin"]) - 1
        said = (row["port"], row["channel"], row["message"], row["number"])
        assert said == (messages["port"], str(messages["channel"]), "note", str(number))


def test_a_stop_wired_later_renumbers_nothing() -> None:
    text = CHURCH.read_text(encoding="utf-8")
    added = """
[[stop]]
id = "dulcet"
label = "Dulcet 4'"
division = "swell"
rank = "gemshorn"
contact = "rail.40"

[[board]]
id = "more"
pins = 8
in = { port = "console", channel = 12, first-note = 0 }
"""
    console = read_console(text + added)
    before = list(csv_rows(sides_of(read_console(text), rail_of(text, read_console(text)))))
    after = list(csv_rows(sides_of(console, rail_of(text + added, console))))
    changed = [
        (old, new) for old, new in zip(before, after[: len(before)], strict=True) if old != new
    ]
    assert [(old[0], old[5], new[0], new[5]) for old, new in changed] == [
        ("198", "spare", "198", "Dulcet 4'")
    ]
    assert [row[0] for row in after[len(before) :]] == [str(number) for number in range(384, 392)]


# ---------------------------------------------------------------- each kind of end


BENCH = """
format = 1
name = "Quarry Chapel"
action = "lit"

[[keyboard]]
id = "great"
name = "Great"
lowest = 60
keys = 2
contacts = { pin = "in.1", inverted = true }

[[division]]
id = "great"
name = "Great"
keyboard = "great"

[[rank]]
id = "flute"
name = "Flute"
pipes = 3
out = { port = "chest", channel = 1, first-note = 10 }

[[rank]]
id = "bars"
name = "Bars"
first-key = 60
pipes = 2
stroke = "once"
longest-on = 0.1
out = { port = "chest", channel = 1, first-note = 13 }

[[stop]]
id = "flute-8"
label = ["Flute", "8'"]
division = "great"
draws = { rank = "flute", repeats = true }
contact = "in.3"
lamp = "both.1"

[[percussion]]
id = "harp"
label = "Harp"
division = "great"
rank = "bars"
contact-on = "in.4"
contact-off = "in.5"

[[piston]]
id = "g1"
label = "1"
kind = "general"
at = ["toe", "thumb", "thumb"]
contact = ["in.6", "in.7", "in.8"]
second-touch = { piston = "g2", contact = "in.9" }
lamp = "both.3"

[[piston]]
id = "g2"
label = "2"
kind = "general"
contact = "in.10"

[[piston]]
id = "gt1"
label = "1"
kind = "divisional"
division = "great"
at = "toe"
contact = "both.1"
lamp = "both.2"

[[board]]
id = "in"
pins = 12
in = { port = "console", channel = 1, first-controller = 20 }

[[board]]
id = "both"
name = "Box"
pins = 4
in = { port = "console", channel = 2, first-note = 0 }
out = { port = "console", channel = 2, first-note = 0 }
"""

BENCH_TABLES = [
    [
        "1 | 1 | Great | C4 | key 1 (inverted) | keyboard | controller 20",
        "2 | 2 | Great | C#4 | key 2 (inverted) | keyboard | controller 21",
        "3 | 3 | Great | Flute 8' | touch | stop rail, place 1 | controller 22",
        "4 | 4 | Great | Harp | touch, on | stop rail, place 2 | controller 23",
        "5 | 5 | Great | Harp | touch, off | stop rail, place 2 | controller 24",
        "6 | 6 | general | 1 | toe stud | toe studs | controller 25",
        "7 | 7 | general | 1 | thumb piston, 1 of 2 | key slip | controller 26",
        "8 | 8 | general | 1 | thumb piston, 2 of 2 | key slip | controller 27",
        "9 | 9 | general | 1 | second touch | key slip | controller 28",
        "10 | 10 | general | 2 | thumb piston | key slip | controller 29",
        "11-12 | 11-12 |  | spare |  |  | controllers 30-31",
    ],
    [
        "13 | 1 | Great | 1 | toe stud | toe studs | note 0",
        "14-16 | 2-4 |  | spare |  |  | notes 1-3",
    ],
    [
        "13A | 1 | Great | Flute 8' | lamp | stop rail, place 1 | note 0",
        "14A | 2 | Great | 1 | lamp | toe studs | note 1",
        "15A | 3 | general | 1 | lamp | key slip | note 2",
        "16A | 4 |  | spare |  |  | note 3",
    ],
    [
        "17A | 1 | Flute | C2 | chest magnet, pipe 1 | chest | note 10",
        "18A | 2 | Flute | C#2 | chest magnet, pipe 2 | chest | note 11",
        "19A | 3 | Flute | D2 | chest magnet, pipe 3 | chest | note 12",
        "20A | 4 | Bars | C4 | percussion solenoid, pipe 1 | chest | note 13",
        "21A | 5 | Bars | C#4 | percussion solenoid, pipe 2 | chest | note 14",
        "22A | 6 |  | spare |  |  | note 15",
    ],
]


def test_each_kind_of_wire_is_told_in_the_trades_words() -> None:
    """Also of a board whose notes are those of ranks, which puts their pipes on its pins."""
    console = read_console(BENCH)
    chest = Board("chest", 6, out=PinMessages("chest", 1, first_note=10))
    console = evolve(console, boards=(*console.boards, chest))
    sides = sides_of(console, rail_of(BENCH, console))
    assert [[" | ".join(row) for row in rows_of(side)] for side in sides] == BENCH_TABLES


def test_where_pistons_are_is_not_made_up() -> None:
    """Where no piston of a file has `at` some of them may well be toe studs."""
    text = re.sub(r"(?m)^at = .*\n", "", BENCH)
    console = read_console(text)
    rows = [row for side in sides_of(console, rail_of(text, console)) for row in csv_rows([side])]
    told = {row[8]: (row[6], row[7]) for row in rows if row[8] in ("g2", "gt1")}
    assert told == {"g2": ("piston", ""), "gt1": ("lamp", "")}
    assert [row[6] for row in rows if row[8] == "g1"][:2] == ["piston, 1 of 3", "piston, 2 of 3"]


def test_note_names() -> None:
    """The ends of a piano, the tuning A and middle C, in scientific pitch notation."""
    assert [note_name(note) for note in (0, 21, 36, 60, 61, 69, 108, 127)] == [
        *("C-1", "A0", "C2", "C4", "C#4", "A4", "C8", "G9")
    ]


# ---------------------------------------------------------------- spreadsheets


HOSTILE = (
    *("=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", " =1", "＝1"),
    *('say "so"', "a,b", "two\nlines", "<script>alert(1)</script>", "ספק", "🎹", "", "'", "plain"),
)


def test_a_spreadsheet_and_a_second_reader_read_the_same_cells() -> None:
    text = csv_bytes(("label", "again"), [(label, label) for label in HOSTILE]).decode("utf-8")
    assert text.startswith("label,again\r\n")
    assert text.endswith("\r\n")
    rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    again = clevercsv.reader(io.StringIO(text, newline=""), dialect=SimpleDialect(",", '"', ""))
    assert rows == list(again)
    for label, row in zip(HOSTILE, rows[1:], strict=True):
        formula = label.lstrip(" ")[:1] in set("=+-@\t\r\n＝")
        assert row == [f"'{label}" if formula and label else label] * 2
        assert row[0].lstrip(" ")[:1] not in set("=+-@\t\r\n＝") or not row[0]


def test_no_label_of_a_console_begins_a_formula(tmp_path: Path) -> None:
    path = tmp_path / "hostile.toml"
    path.write_text(BENCH.replace('["Flute", "8\'"]', '"=HYPERLINK(1)"'), encoding="utf-8")
    assert {row["what"] for row in rows_for(path) if row["id"] == "flute-8"} == {"'=HYPERLINK(1)"}


# ---------------------------------------------------------------- the command


def test_json_has_every_pin_and_the_same_wires_as_csv() -> None:
    result = run(CHURCH, "--json")
    data = json.loads(result.stdout)
    told = [
        (wire["wire"], side["id"], str(wire["pin"]), wire["end"] and wire["end"]["what"])
        for side in data["boards"]
        for wire in side["wires"]
    ]
    assert told == [
        (row["wire"], row["board"], row["pin"], row["what"] if row["id"] else None)
        for row in rows_for(CHURCH)
    ]


def test_the_column_of_what_a_thing_is_has_one_name() -> None:
    """Not `contact`: at the other end of a wire there may be a magnet."""
    data = json.loads(run(CHURCH, "--json").stdout)
    ends = [wire["end"] for side in data["boards"] for wire in side["wires"] if wire["end"]]
    rows = rows_for(CHURCH)
    assert [end["kind"] for end in ends] == [row["kind"] for row in rows if row["id"]]
    assert {"tab", "magnet, on"} <= {end["kind"] for end in ends}
    assert not [end for end in (*ends, *rows) if "contact" in end]
    heads = [line.split() for line in run(CHURCH).output.splitlines() if line.startswith("wire")]
    assert {tuple(head[:6]) for head in heads} == {("wire", "pin", "belongs", "to", "what", "kind")}


def test_the_terminal_has_runs_of_spare_pins_and_the_boards_asked_for() -> None:
    out = run(CHURCH, "--board", "toe", "--board", "rail").output
    assert [line for line in out.splitlines() if line.startswith("Board") and "pins" in line] == [
        "Board rail, Tab contacts: 48 pins",
        "Board toe, Toe board: 24 pins",
    ]
    spare = [line.split() for line in out.splitlines() if "spare" in line]
    assert spare[0] == ["197-206", "39-48", "spare", "notes", "38-47"]


def test_files_are_written_together_and_nothing_is_written_over(tmp_path: Path) -> None:
    table, page = tmp_path / "wires.csv", tmp_path / "wires.html"
    result = run(CHURCH, "--csv", table, "--page", page)
    assert (result.exit_code, result.output) == (0, f"Written: {table}.\nWritten: {page}.\n")
    assert date.today().isoformat() in page.read_text(encoding="utf-8")
    table.unlink()
    page.write_text("mine", encoding="utf-8")
    result = run(CHURCH, "--csv", table, "--page", page)
    assert result.exit_code == 2
    assert "is there already" in result.output
    assert (table.exists(), page.read_text(encoding="utf-8")) == (False, "mine")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--board", "attic"), "there is no board 'attic'"),
        (("--csv", "-", "--page", "-"), "only one of"),
        (("--csv", "-", "--json"), "only one of"),
        (("--csv", "same", "--page", "same"), "cannot be both"),
    ],
)
def test_what_cannot_be_is_refused(words: tuple[str, ...], said: str) -> None:
    result = run(CHURCH, *words)
    assert (result.exit_code, said in result.output) == (2, True)
    assert "Traceback" not in result.output


def test_a_console_without_boards_has_no_schedule(tmp_path: Path) -> None:
    path = tmp_path / "bare.toml"
    path.write_text('format = 1\nname = "Bare"\naction = "blind"\n', encoding="utf-8")
    result = run(path)
    assert (result.exit_code, "has no boards yet" in result.output) == (2, True)


def test_a_large_console_is_told_at_once(figures: Figures) -> None:
    """Ten keyboards and 1,000 tabs, 1,610 wires: its CSV and its page in a second."""
    text = ['format = 1\nname = "Large"\naction = "blind"\n']
    for n in range(10):
        text.append(f'[[keyboard]]\nid = "k{n}"\nname = "K {n}"\ncontacts = "b{n}.1"\n')
        text.append(f'[[division]]\nid = "d{n}"\nname = "D {n}"\nkeyboard = "k{n}"\n')
    text.append('[[rank]]\nid = "r"\nname = "R"\npipes = 61\n')
    for n in range(1000):
        text.append(f'[[stop]]\nid = "s{n}"\nlabel = "Stop {n}"\ndivision = "d{n % 10}"\n')
        text.append(f'rank = "r"\ncontact = "b{10 + n // 100}.{n % 100 + 1}"\n')
    for n in range(20):
        port = f'{{ port = "c{n // 10}", channel = {n % 10 + 1}, first-note = 0 }}'
        text.append(f'[[board]]\nid = "b{n}"\npins = 128\nin = {port}\n')
    whole = "\n".join(text)
    console = read_console(whole)
    rail = rail_of(whole, console)
    start = time.perf_counter()
    sides = sides_of(console, rail)
    rows = list(csv_rows(sides))
    page = as_page(console, sides, "2026-11-25")
    took = time.perf_counter() - start
    assert sum(1 for row in rows if row[8]) == len(contacts_of(console)) == 1610
    assert page.count('class="tick"') == 1610
    figures(f"wiring schedule of 1,610 wires, CSV and page: {took:.3f} s")
    assert took < 1
