"""The organist's commands, by their words, their files and their exit codes."""

import json
import os
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from random import Random
from typing import Any, NamedTuple

import click
import pytest
from attrs import evolve
from click.testing import CliRunner, Result
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from banks import BankFile, compare, fit_to, read_bank_file, write_bank_file
from cli.bank.commands import bank
from cli.bank.differences import MOST_LEVELS
from cli.bank.words import PAGE, Words, folded, moment, runs
from combination.memory import (
    Bank,
    Combination,
    ControlCard,
    Level,
    PistonCard,
    Slot,
    Step,
    fresh_bank,
    seat,
)
from combination.model import RECALLING, Console
from combination.reading import read_console
from tests import bank_strategies
from tests import quay as quay_chapel
from tests.consoles import Player
from tests.quay import (
    CTRL_C,
    CTRL_D,
    QUAY,
    SAVED,
    altered,
    at_a_terminal,
    contents,
    load,
    played,
    save,
)

pytestmark = pytest.mark.usefixtures("in_utc")
DEMOS = Path(__file__).parent.parent / "cli" / "demos"
PRINTED = """\
Eastertide

  file         quay.bank
  console      Quay Chapel
  saved        4 May 2031 at 18:30, by a console
  left off at  level 2; sequence "Vespers", step 2
  locked       no

level  name                pistons set
1      Easter Eve          3
2                          1
5      Whitsun     locked  0

Level 1 "Easter Eve": 3 of 4 pistons set
  General 1 (g1)
    Great                   Open Diapason 8'
    Pedal                   Bourdon 16'
    no division             Tremulant
  Great 1 (gt1)
    Great                   Open Diapason 8'
    left alone: Great       Flute 4'
    kept, not heard: Pedal  Bourdon 16'
  Pedal 1 (pd1)
    nothing on

Level 2: 1 of 4 pistons set
  General 2 (g2)
    Pedal                   Flute 4'

Level 5 "Whitsun", locked: nothing set

Nothing is set above level 2.

Lists that the player has set, the same at all levels
  Full Organ (fo)
    Great                   Great Octave
    Pedal                   Bourdon 16'
    no division             Tremulant
  Crescendo stage 2
    Pedal                   Flute 4'

Sequence "Vespers", on the desk: 2 steps
step  level           piston          note
1     1 "Easter Eve"  General 1 (g1)  hymn
2     2               gc
"""


def run(*words: object) -> Result:
    return quay_chapel.run("bank", *words)


def done(*words: object) -> str:
    return quay_chapel.done("bank", *words)


def refusal(*words: object) -> str:
    return quay_chapel.refusal("bank", *words)


# ---------------------------------------------------------------- new


def test_new(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("quay.toml").write_text(QUAY, encoding="utf-8")
    said = done("new", "mine.bank", "--console", "quay.toml", "--name", "Mine")
    assert said == "mine.bank: a new bank for Quay Chapel; nothing is set yet\n"
    assert load("mine.bank") == fresh_bank(read_console(QUAY), "Mine")
    message = "mine.bank: it is there already, and is left as it is"
    assert refusal("new", "mine.bank", "--console", "quay.toml") == message


@pytest.mark.usefixtures("quay")
def test_a_file_whose_name_is_no_text() -> None:
    name = os.fsdecode(b"\xff.bank")
    assert done("backup", "quay.bank", name).startswith("\ufffd.bank: a backup of quay.bank")
    assert done("print", name).splitlines()[2:4] == [
        "  file         \ufffd.bank",
        "  console      Quay Chapel",
    ]
    assert run("compare", name, "quay.bank").exit_code == 0
    assert "is there already" in refusal("backup", "quay.bank", name)


@pytest.mark.usefixtures("quay")
def test_a_bank_that_is_saved_says_when_and_by_what() -> None:
    done("name", "quay.bank", "Mine")
    kept = read_bank_file("quay.bank")
    assert re.fullmatch(r"stopwright \d+\.\d+\.\d+", kept.writer)
    assert kept.saved is not None
    age = datetime.now(UTC) - datetime.fromisoformat(kept.saved)
    assert timedelta(seconds=-1) < age < timedelta(minutes=1)


# ---------------------------------------------------------------- print


@pytest.mark.usefixtures("quay")
def test_print() -> None:
    assert done("print", "quay.bank") == PRINTED


@pytest.mark.usefixtures("quay")
def test_print_beside_a_console_that_has_changed() -> None:
    changed = (
        QUAY.replace("levels = 8", "levels = 1")
        .replace('id = "pd-flute"', 'id = "octavin"')
        .replace('id = "bourdon"', 'id = "subbass"\nwas = "bourdon"')
        .replace('id = "g2"', 'id = "g3"')
        .replace('"bourdon", "octave"', '"octave"')
        .replace('[[crescendo.stage]]\nadds = { controls = ["open"] }\n', "")
    )
    Path("changed.toml").write_text(changed, encoding="utf-8")
    said = done("print", "quay.bank", "--console", "changed.toml")
    assert "  *            not on Quay Chapel as its file is now\n" in said
    assert "    Pedal                   Bourdon 16'\n    no division" in said
    assert (
        "*Level 2: 1 of 5 pistons set\n"
        "  *General 2 (g2)\n"
        "    Pedal                   *Flute 4' (pd-flute)\n"
    ) in said
    assert "  *Crescendo stage 2\n    Pedal                   *Flute 4' (pd-flute)\n" in said
    assert "2     2               General Cancel (gc)\n" in said
    assert "Nothing is set" not in said


@pytest.mark.usefixtures("quay")
def test_print_says_of_a_whole_console_where_nothing_is_set() -> None:
    said = done("print", "quay.bank", "--console", "quay.toml")
    assert "\nNothing is set at levels 3-8.\n" in said
    assert "\nLevel 1" in said
    assert "*Level" not in said


LEVEL_2 = """\
Level 2: 1 of 4 pistons set
  General 2 (g2)
    Pedal  Flute 4'
"""
PEDAL_1 = """\
Level 1 "Easter Eve": 3 of 4 pistons set
  Pedal 1 (pd1)
    nothing on
"""


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (["--level", "2"], LEVEL_2),
        (["--level", "2-4"], LEVEL_2 + "\nNothing is set at levels 3-4.\n"),
        (["--level", "7", "--level", "3"], "Nothing is set at levels 3, 7.\n"),
        (["--level", "8"], "Nothing is set at level 8.\n"),
        (["--level", "2", "--piston", "g2"], LEVEL_2),
        (["--level", "2", "--piston", "general 2"], LEVEL_2),
        (
            ["--level", "1-2", "--piston", "2"],
            LEVEL_2 + "\nNothing of what was asked for is set at level 1.\n",
        ),
        (
            ["--piston", "Pedal 1"],
            PEDAL_1 + "\nNothing of what was asked for is set above level 1.\n",
        ),
        (
            ["--piston", "full organ"],
            "Nothing of what was asked for is set at any level.\n\n"
            "Lists that the player has set, the same at all levels\n"
            "  Full Organ (fo)\n"
            "    Great        Great Octave\n"
            "    Pedal        Bourdon 16'\n"
            "    no division  Tremulant\n",
        ),
        (
            ["--level", "Whitsun"],
            'Level 5 "Whitsun", locked: nothing set\n\nNothing is set at level 5.\n',
        ),
    ],
)
@pytest.mark.usefixtures("quay")
def test_print_a_part(words: list[str], expected: str) -> None:
    heading, _, rest = done("print", "quay.bank", *words).partition("\n  locked       no\n\n")
    assert heading.startswith("Eastertide\n")
    assert rest == expected


@pytest.mark.usefixtures("quay")
def test_what_is_on_but_left_alone_is_not_called_on() -> None:
    done("neutral", "quay.bank", "g1", "--level", "1", "open")
    said = done("print", "quay.bank", "--piston", "g1")
    assert (
        "  General 1 (g1)\n"
        "    Pedal              Bourdon 16'\n"
        "    no division        Tremulant\n"
        "    left alone: Great  Open Diapason 8'\n"
    ) in said


@pytest.mark.usefixtures("quay")
def test_print_beside_another_console_says_whose_the_bank_is() -> None:
    said = done("print", "quay.bank", "--console", DEMOS / "church.toml")
    assert "  console      Quay Chapel\n" in said
    assert "  *            not on All Souls, Brackenholt Magna as its file is now\n" in said


def test_a_divisional_is_called_after_its_division(quay: Console) -> None:
    """Also one that affects something else, or is of a bank that does not say."""
    kept = fresh_bank(quay)
    card = kept.pistons["gt1"]
    for changed, title in (
        (card, "Great 1 (gt1)"),
        (evolve(card, affects=kept.roster.bits(["bourdon"])), "Great 1 (gt1)"),
        (evolve(card, division=""), "Divisional 1 (gt1)"),
        (evolve(card, label=("Great", "1")), "Great 1 (gt1)"),
    ):
        kept.pistons["gt1"] = changed
        assert Words(kept).piston("gt1") == title


@pytest.mark.usefixtures("quay")
def test_print_for_a_program() -> None:
    data = json.loads(done("print", "quay.bank", "--json"))
    kept = read_bank_file("quay.bank")
    assert [data[key] for key in ("name", "console", "saved", "writer", "locked", "level")] == [
        kept.bank.name,
        kept.bank.console,
        SAVED,
        "a console",
        False,
        2,
    ]
    assert [data["sequence"], data["place"]] == ["Vespers", "2"]
    again = _bank_from(data)
    assert again == without_blanks(kept.bank)
    some = json.loads(done("print", "quay.bank", "--json", "--level", "1", "--piston", "pd1"))
    assert [piston["id"] for piston in some["pistons"]] == ["pd1"]
    assert some["full-organs"] == []
    assert [level["pistons"] for level in some["levels"]] == [
        [{"piston": "pd1", "on": [], "neutral": []}]
    ]


def without_blanks(kept: Bank) -> Bank:
    """A bank without levels in which there is nothing."""
    return evolve(kept, levels={n: level for n, level in kept.levels.items() if not level.blank})


def _bank_from(data: dict[str, Any]) -> Bank:
    """What a program that has only read the JSON can make of it: the whole bank."""
    controls = tuple(
        ControlCard(c["id"], tuple(c["label"]), c["division"]) for c in data["controls"]
    )
    made = Bank(data["console"], controls, name=data["name"], level=data["level"])
    made.locked = data["locked"]
    bits = made.roster.bits
    made.pistons = {
        p["id"]: PistonCard(
            p["id"], tuple(p["label"]), p["kind"], bits(p["affects"]), p["division"]
        )
        for p in data["pistons"]
    }
    for level in data["levels"]:
        combinations = {
            each["piston"]: Combination(bits(each["on"]), bits(each["neutral"]))
            for each in level["pistons"]
        }
        made.levels[level["level"]] = Level(level["name"], level["locked"], combinations)
    made.full_organs = {each["piston"]: bits(each["on"]) for each in data["full-organs"]}
    made.stages = {each["stage"]: bits(each["on"]) for each in data["stages"]}
    made.sequences = {
        each["name"]: tuple(
            Step(Decimal(s["step"]), s["level"], s["piston"], s["note"]) for s in each["steps"]
        )
        for each in data["sequences"]
    }
    made.sequence, made.place = data["sequence"], Decimal(data["place"])
    return made


def test_every_stop_of_the_theatre_fits_on_the_page(tmp_path: Path) -> None:
    console = read_console((DEMOS / "theatre.toml").read_text(encoding="utf-8"))
    kept = fresh_bank(console)
    for piston in kept.pistons.values():
        if piston.kind in RECALLING:
            kept.put(Slot(piston.id, 1), Combination(kept.roster.everything))
    save(tmp_path / "full.bank", kept)
    said = done("print", tmp_path / "full.bank").split("\n\n", 2)[-1]
    assert max(map(len, said.splitlines())) <= PAGE
    general = " ".join(said.partition("General 1 (g1)\n")[2].partition("  General 2")[0].split())
    assert all(control.face in general for control in console.controls)


@given(st.lists(st.text("ab cdé8'", min_size=1).filter(str.strip)), st.integers(1, 30))
def test_folding_loses_nothing_and_keeps_to_its_room(items: list[str], room: int) -> None:
    items = [" ".join(item.split()) for item in items]
    lines = folded(items, room)
    assert " ".join(lines) == ", ".join(items)
    for line in lines:
        assert len(line) <= room or " " not in line


@given(st.sets(st.integers(1, 60)))
def test_runs_name_each_number_once(numbers: set[int]) -> None:
    named: list[int] = []
    for part in filter(None, runs(numbers).split(", ")):
        first, _, last = part.partition("-")
        named += range(int(first), int(last or first) + 1)
    assert named == sorted(numbers)


def test_moments_of_which_there_is_no_local_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "EST5")
    time.tzset()
    assert moment("0001-01-01T00:00:00Z") == "0001-01-01T00:00:00Z"
    assert moment(SAVED) == "4 May 2031 at 13:30"
    assert moment(None) == "not known"


# ---------------------------------------------------------------- compare


@pytest.mark.usefixtures("quay")
def test_compare_equal_banks() -> None:
    save("copy.bank", load("quay.bank"))
    assert done("compare", "quay.bank", "copy.bank") == "quay.bank and copy.bank hold the same\n"
    data = json.loads(done("compare", "quay.bank", "copy.bank", "--json"))
    assert data["equal"] is True
    assert not any(found for key, found in data.items() if key != "equal")


COMPARED = """\
first:   quay.bank, saved 4 May 2031 at 18:30
second:  other.bank, saved 4 May 2031 at 18:30

                   in the first                         in the second
name               Eastertide                           none
whole bank locked  no                                   yes
left off at        level 2; sequence "Vespers", step 2  level 1 "Lent"; generals in turn, step 3

Controls that only one bank knows
  in the second only
    Pedal  Trombone

Controls that are called otherwise
  Tremulant (trem)
    in the first   Tremulant
    in the second  Great Tremulant (Great)

Pistons that are not the same in both
  General 1 (g1)
    second affects: Pedal  Trombone
  General 2 (g2)
    in the first           2 (general)
    in the second          2 (divisional)
  Pedal 1 (pd1): in the first only
  General Extra (extra): in the second only

Level 1 "Easter Eve"
  The level itself
    name in the first           Easter Eve
    name in the second          Lent
    locked                      in the second only
  General 1 (g1)
    first only: Pedal           Bourdon 16'
    second only: Great          Flute 4'
  Great 1 (gt1)
    first leaves alone: Great   Flute 4'
    second leaves alone: Great  Open Diapason 8'
  Pedal 1 (pd1): set in the first only
    nothing on

Level 7
  General 1 (g1): set in the second only
    Great                    Open Diapason 8'
    left alone: no division  Tremulant

Lists that the player has set, the same at all levels
  Full Organ (fo)
    first only: Pedal  Bourdon 16'
  Crescendo stage 1: set in the second only
    Great              Flute 4'

Sequence "Vespers"
step  in the first  in the second
1.5   none          level 7, r-oct
2     level 2, gc   level 2, gc, "out"
"""


@pytest.mark.usefixtures("quay")
def test_compare() -> None:
    save("other.bank", altered(load("quay.bank")))
    result = run("compare", "quay.bank", "other.bank")
    assert result.exit_code == 1
    assert result.stdout == COMPARED


@pytest.mark.usefixtures("quay")
def test_compare_for_a_program() -> None:
    save("other.bank", altered(load("quay.bank")))
    result = run("compare", "quay.bank", "other.bank", "--json")
    assert result.exit_code == 1
    data = json.loads(result.stdout)
    assert data["equal"] is False
    assert {each["what"] for each in data["about"]} == {
        "name",
        "locked",
        "level",
        "sequence",
        "place",
    }
    assert data["memory"][0] == {
        "slot": {"piston": "g1", "level": 1, "stage": None},
        "set-first": True,
        "set-second": True,
        "on-first": ["bourdon"],
        "on-second": ["flute"],
        "neutral-first": [],
        "neutral-second": [],
    }
    assert data["sequences"][0]["steps"][0] == [
        None,
        {"number": "1.5", "level": 7, "piston": "r-oct", "note": ""},
    ]
    assert [each["id"] for each in data["controls"]] == ["trem", "trombone"]


def test_compare_on_a_console_that_renamed_a_stop(quay: Console) -> None:
    """A bank as it was, and one that a console has brought up to date, where the stop is new."""
    renamed = QUAY.replace('"open"', '"diapason"').replace(
        'id = "diapason"', 'id = "diapason"\nwas = "open"'
    )
    Path("new.toml").write_text(renamed.replace("Quay Chapel", "Quay Church"), encoding="utf-8")
    done("restore", "quay.bank", "moved.bank", "--console", "new.toml", "--yes")
    words = ["compare", "quay.bank", "moved.bank"]
    result = run(*words)
    assert result.exit_code == 1
    assert "    first only: Great   Open Diapason 8' (open)\n" in result.stdout
    before = contents()
    assert done(*words, "--console", "new.toml") == (
        "quay.bank and moved.bank hold the same on Quay Church\n"
    )
    assert json.loads(done(*words, "--console", "new.toml", "--json"))["equal"] is True
    assert contents() == before
    done("clear-piston", "moved.bank", "pd1", "--level", "1", "--yes")
    result = run(*words, "--console", "new.toml")
    assert result.exit_code == 1
    _, _, differences = result.stdout.split("\n", 2)
    assert differences == (
        '\nLevel 1 "Easter Eve"\n  Pedal 1 (pd1): set in the first only\n    nothing on\n'
    )
    assert load("quay.bank") == played(quay)
    assert refusal(*words, "--console", "none.toml") == "there is no console file none.toml"


# ---------------------------------------------------------------- backup


@pytest.mark.usefixtures("quay")
def test_backup_to_a_file() -> None:
    said = done("backup", "quay.bank", "copy.bank")
    assert said == (
        "copy.bank: a backup of quay.bank, read back and the same: 4 combinations at 2 levels\n"
    )
    assert read_bank_file("copy.bank") == read_bank_file("quay.bank")


@pytest.mark.usefixtures("quay")
def test_backup_to_a_folder_is_dated_and_never_in_the_way_of_another() -> None:
    Path("stick").mkdir()
    for _ in range(3):
        done("backup", "quay.bank", "stick")
    names = sorted(path.name for path in Path("stick").iterdir())
    assert len(names) == 3
    assert all(re.fullmatch(r"quay-\d{4}-\d\d-\d\d(-[23])?\.bank", name) for name in names)
    assert all(load(path) == load("quay.bank") for path in Path("stick").iterdir())


@pytest.mark.usefixtures("quay")
def test_backup_replaces_only_what_it_is_told_to() -> None:
    save("old.bank", fresh_bank(read_console(QUAY)))
    message = "old.bank: it is there already, and is left as it is"
    assert refusal("backup", "quay.bank", "old.bank") == message
    done("backup", "quay.bank", "old.bank", "--replace")
    assert read_bank_file("old.bank") == read_bank_file("quay.bank")
    done("backup", "quay.bank", "new.bank", "--replace")
    assert read_bank_file("new.bank") == read_bank_file("quay.bank")


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["quay.bank", "stick/"], "there is no folder stick/"),
        (
            ["quay.bank", "no/copy.bank"],
            "no/copy.bank: there is no such file or folder",
        ),
        (["quay.bank", "quay.bank"], "quay.bank is the bank itself"),
        (["quay.bank", "quay.bank", "--replace"], "quay.bank is the bank itself"),
        (["quay.bank", "link.bank", "--replace"], "link.bank is the bank itself"),
        (["none.bank", "copy.bank"], "none.bank: there is no such file or folder"),
        (["quay.toml", "copy.bank"], "quay.toml: this is not a bank file"),
    ],
)
@pytest.mark.usefixtures("quay")
def test_backups_that_cannot_be_made(words: list[str], message: str) -> None:
    Path("link.bank").symlink_to("quay.bank")
    assert refusal("backup", *words) == message


# ---------------------------------------------------------------- restore


@pytest.mark.parametrize("demo", ["theatre", "church"])
def test_set_backed_up_wiped_restored_and_found_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, demo: str
) -> None:
    monkeypatch.chdir(tmp_path)
    file = DEMOS / f"{demo}.toml"
    console = read_console(file.read_text(encoding="utf-8"))
    done("new", "mine.bank", "--console", file)
    remembered = set_every_piston(console, "mine.bank")
    assert len(set(remembered.values())) > len(remembered) * 3 / 4
    done("backup", "mine.bank", "kept.bank")
    Path("mine.bank").unlink()
    done("new", "mine.bank", "--console", file)
    assert all(on is None for on in recalled(console, "mine.bank", remembered).values())
    done("restore", "kept.bank", "mine.bank", "--console", file, "--yes")
    assert recalled(console, "mine.bank", remembered) == remembered


Recalled = dict[tuple[str, int], frozenset[str] | None]


def set_every_piston(console: Console, path: str) -> Recalled:
    """Set every general and divisional at two levels, each time over another registration."""
    player = Player(console, seat(load(path), console))
    remembered: Recalled = {}
    places = [(p.id, level) for level in (1, 2) for p in console.pistons if p.kind in RECALLING]
    controls = [c for c in console.controls if c.captured]
    for place, (piston, level) in enumerate(places):
        if level > player.bank.level:
            player.do("push level-up")
        chance = Random(place)
        for control in controls:
            player.do(f"tab {control.id} {chance.choice(('on', 'off'))}")
        player.do("press set", f"push {piston}", "release set")
        stored = player.bank.get(Slot(piston, level))
        assert stored is not None
        remembered[piston, level] = frozenset(player.names(stored.on))
    save(path, player.bank)
    return remembered


def recalled(console: Console, path: str, places: Recalled) -> Recalled:
    """What each piston gives when it is pushed after a switch-on, by what comes to sound."""
    found: Recalled = {}
    saved = load(path)
    for piston, level in places:
        kept = seat(saved, console)
        kept.level = level
        player = Player(console, kept).do(f"push {piston}")
        lit = piston in player.lit or not player.refused
        found[piston, level] = frozenset(player.sounding) if lit else None
    return found


def beside(word: str = "before") -> list[Path]:
    return sorted(Path.cwd().glob(f"quay-{word}-*.bank"))


RESTORED = """\
other.bank, saved 4 May 2031 at 18:30: 4 combinations at 3 levels

other.bank on Quay Chapel

Pistons with controls on that they do not affect
  Great 1 (gt1)
    Pedal      Bourdon 16'
    not heard  part of 1 combination

Controls that are gone, and are on in no memory
    Pedal  Trombone

Pistons that are gone, with nothing set on them
      General Extra (extra)

Pistons that are new, with nothing set on them yet
      Pedal 1 (pd1)

It does not fit whole: what is not heard is kept, and comes back where it fits.

What changes in quay.bank
  level 1 "Easter Eve": 2 pistons set otherwise, 1 piston no longer set, named "Lent", locked
  level 7: 1 piston newly set
  full organ and crescendo: 1 list set otherwise, 1 list newly set
  sequence "Vespers": other steps
  1 control and 1 piston known otherwise than now

                   now                                  then
name               Eastertide                           none
whole bank locked  no                                   yes
left off at        level 2; sequence "Vespers", step 2  level 1 "Lent"; generals in turn, step 3

"""


def test_restore_shows_keeps_and_can_be_undone(quay: Console) -> None:
    before = Path("quay.bank").read_bytes()
    other = altered(load("quay.bank"))
    save("other.bank", other)
    said = done("restore", "other.bank", "quay.bank", "--console", "quay.toml", "--yes")
    (kept,) = beside()
    assert said == (
        f"{RESTORED}quay.bank: restored from other.bank\nWhat was there before is in {kept.name}\n"
    )
    assert kept.read_bytes() == before
    assert load("quay.bank") == seat(other, quay)
    again = ("restore", kept.name, "quay.bank", "--console", "quay.toml", "--yes")
    done("unlock", "quay.bank")
    assert refusal(*again) == (
        "level 1 of quay.bank is locked: unlock it first, if it is to be replaced"
    )
    done("unlock", "quay.bank", "--level", "1")
    done(*again)
    assert load("quay.bank") == played(quay)
    assert len(beside()) == 2


@pytest.mark.usefixtures("quay")
def test_restore_asks_where_nobody_can_answer() -> None:
    save("other.bank", altered(load("quay.bank")))
    words = ("restore", "other.bank", "quay.bank", "--console", "quay.toml")
    assert refusal(*words) == (
        "quay.bank will be replaced; nothing has been changed: add --yes if that is meant"
    )
    assert run(*words).stdout == RESTORED
    words = ("restore", "other.bank", "new.bank", "--console", "quay.toml")
    assert refusal(*words) == (
        "new.bank will be made; nothing has been changed: add --yes if that is meant"
    )


@pytest.mark.parametrize(
    ("answer", "code", "last", "replaced"),
    [
        (b"y\n", 0, "What was there before is in ", True),
        (b"n\n", 2, "stopwright: nothing has been changed", False),
        (b"\n", 2, "stopwright: nothing has been changed", False),
        (CTRL_D, 2, "stopwright: nothing has been changed", False),
        (CTRL_C, 2, "stopwright: nothing has been changed", False),
    ],
)
def test_restore_asks_at_a_terminal(
    quay: Console, answer: bytes, code: int, last: str, replaced: bool
) -> None:
    other = altered(load("quay.bank"))
    save("other.bank", other)
    words = ["restore", "other.bank", "quay.bank", "--console", "quay.toml"]
    found, seen = at_a_terminal(["bank", *words], ("[y/N]: ", answer))
    assert (found, "quay.bank will be replaced. Go on? [y/N]: " in seen) == (code, True)
    assert seen.rstrip().splitlines()[-1].startswith(last)
    assert load("quay.bank") == (seat(other, quay) if replaced else played(quay))
    assert len(beside()) == replaced


def test_restore_where_there_is_nothing_yet(quay: Console) -> None:
    said = done("restore", "quay.bank", "new.bank", "--console", "quay.toml", "--yes")
    assert said.endswith("\n\nnew.bank: restored from quay.bank; there was no such file before\n")
    assert load("new.bank") == played(quay)


@pytest.mark.usefixtures("quay")
def test_restore_of_the_same_changes_nothing() -> None:
    done("backup", "quay.bank", "copy.bank")
    before = contents()
    said = done("restore", "copy.bank", "quay.bank", "--console", "quay.toml")
    assert said.endswith("\nquay.bank holds the same already: nothing has been changed\n")
    assert contents() == before


def test_restore_that_only_changes_what_is_said_of_the_console(quay: Console) -> None:
    renamed = (
        QUAY.replace('id = "flute"', 'id = "gt-flute"\nwas = "flute"')
        .replace('"open", "flute"', '"open", "gt-flute"')
        .replace('adds = { controls = ["flute"] }', 'adds = { controls = ["gt-flute"] }')
    )
    Path("renamed.toml").write_text(renamed, encoding="utf-8")
    done("backup", "quay.bank", "copy.bank")
    said = done("restore", "copy.bank", "quay.bank", "--console", "renamed.toml", "--yes")
    assert "    flute  Flute 4' (gt-flute)\n" in said
    assert "  nothing that is set: only what it says of the console is brought up to date\n" in said
    assert load("quay.bank") == seat(played(quay), read_console(renamed))


@pytest.mark.usefixtures("quay")
def test_restore_over_what_cannot_be_read_keeps_its_bytes() -> None:
    damaged = bytearray(Path("quay.bank").read_bytes())
    damaged[100] ^= 1
    save("copy.bank", load("quay.bank"))
    Path("quay.bank").write_bytes(damaged)
    said = done("restore", "copy.bank", "quay.bank", "--console", "quay.toml", "--yes")
    assert said.startswith(
        "What is in quay.bank now cannot be read: the bank file is damaged: "
        "its contents do not agree with its check\n"
    )
    (kept,) = beside()
    assert kept.read_bytes() == damaged
    assert load("quay.bank") == load("copy.bank")


def test_restore_to_another_console_keeps_what_does_not_fit(quay: Console) -> None:
    church = DEMOS / "church.toml"
    said = done("restore", "quay.bank", "church.bank", "--console", church, "--yes")
    assert "It does not fit whole: what is not heard is kept, and comes back where it fits." in said
    done("restore", "church.bank", "again.bank", "--console", "quay.toml", "--yes")
    kept = load("again.bank")
    there = {
        (n, p): kept.roster.registration(c.on)
        for n, level in kept.levels.items()
        for p, c in level.combinations.items()
    }
    ours = played(quay)
    assert there == {
        (n, p): ours.roster.registration(c.on)
        for n, level in ours.levels.items()
        for p, c in level.combinations.items()
    }


def test_restore_of_a_thousand_levels_is_told_in_a_few_lines(quay: Console) -> None:
    full = fresh_bank(quay)
    for level in range(1, 1001):
        full.put(Slot("g1", level), Combination(1))
    save("full.bank", full)
    save("quay.bank", fresh_bank(quay))
    said = done("restore", "full.bank", "quay.bank", "--console", "quay.toml", "--yes")
    assert len(re.findall(r"^  level \d+: 1 piston newly set$", said, re.M)) == MOST_LEVELS
    rest = 1000 - MOST_LEVELS
    assert f"\n  and {rest} more levels, with {rest} pistons that will differ\n" in said


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (
            ["damaged.bank", "quay.bank", "--console", "quay.toml", "--yes"],
            "damaged.bank: the bank file is damaged: its contents do not agree with its check; "
            "quay.bank is left as it is",
        ),
        (
            ["damaged.bank", "new.bank", "--console", "quay.toml", "--yes"],
            "damaged.bank: the bank file is damaged: its contents do not agree with its check",
        ),
        (
            ["short.bank", "quay.bank", "--console", "quay.toml", "--yes"],
            "short.bank: the bank file is cut short: it has 500 of 1,234 bytes; "
            "quay.bank is left as it is",
        ),
        (
            ["copy.bank", "quay.bank", "--console", "copy.bank", "--yes"],
            "copy.bank is no console file: byte 1 is not UTF-8 text",
        ),
        (
            ["copy.bank", "quay.bank", "--console", "none.toml", "--yes"],
            "there is no console file none.toml",
        ),
        (
            ["copy.bank", "locked.bank", "--console", "quay.toml", "--yes"],
            "locked.bank is locked: unlock it first, if it is to be replaced",
        ),
        (
            ["copy.bank", "copy.bank", "--console", "quay.toml", "--yes"],
            "copy.bank and copy.bank are the same file",
        ),
        (
            ["copy.bank", "quay.toml", "--console", "quay.toml", "--yes"],
            "quay.toml and quay.toml are the same file",
        ),
        (["copy.bank", ".", "--console", "quay.toml", "--yes"], ". is not a file"),
        (
            ["copy.bank", "no/new.bank", "--console", "quay.toml", "--yes"],
            "no/new.bank: there is no such file or folder",
        ),
    ],
)
def test_restores_that_cannot_be_done(quay: Console, words: list[str], message: str) -> None:
    kept = played(quay)
    save("copy.bank", fresh_bank(quay))
    save("locked.bank", evolve(kept, locked=True))
    sound = Path("quay.bank").read_bytes()
    Path("short.bank").write_bytes(sound[:500])
    Path("damaged.bank").write_bytes(sound[:-1] + bytes([sound[-1] ^ 1]))
    assert refusal("restore", *words) == message.replace("1,234", f"{len(sound):,}")


# ---------------------------------------------------------------- fit


SMALLER = (
    QUAY.replace("levels = 8", "levels = 1")
    .replace('id = "pd-flute"', 'id = "octavin"')
    .replace('id = "bourdon"', 'id = "subbass"\nwas = "bourdon"')
    .replace('"bourdon", "octave"', '"octave"')
    .replace('id = "g2"', 'id = "g3"')
    .replace('id = "pd1"', 'id = "ped1"\nwas = "pd1"')
    .replace(
        'division = "great"\n\n[[piston]]\nid = "ped1"',
        'affects = { controls = ["flute", "octave", "subbass"] }\ndivision = "great"\n\n'
        '[[piston]]\nid = "ped1"',
    )
    .replace('id = "fo"', 'id = "tutti"')
    .replace('[[crescendo.stage]]\nadds = { controls = ["open"] }\n', "")
    .replace('kind = "general-cancel"', 'kind = "momentary"\ncontrol = "trem"')
)

FITTED = """\
quay.bank on Quay Chapel

Controls that the console does not have, and in how many memories each is on
    Pedal  Flute 4' (pd-flute) (2)

Pistons whose combinations nothing on the console recalls
    General 2 (g2)  1 combination

Levels beyond the console's 1
    level 2            1 piston set
    level 5 "Whitsun"  nothing set

Steps that the console would refuse
    "Vespers", step 2  level 2 is beyond the last, gc is no piston there for a step to press

Full organ lists that nothing on the console sounds
      Full Organ (fo)

Crescendo stages beyond the console's 1
      stage 2

Pistons that affect other controls than before
  Great 1 (gt1)
    no longer: Great  Open Diapason 8'
    newly: Pedal      Bourdon 16'
    not heard         part of 1 combination

Controls that are new: off until a piston is set again
    Pedal  Flute 4' (octavin)

Controls with a new id: their memory goes with them
    bourdon  Bourdon 16' (subbass)

Pistons that are new, with nothing set on them yet
      General 2 (g3), Full Organ (tutti)

Pistons with a new id: their memory goes with them
    pd1  Pedal 1 (ped1)

It does not fit whole: what is not heard is kept, and comes back where it fits.
"""


@pytest.mark.usefixtures("quay")
def test_fit() -> None:
    kept = load("quay.bank")
    kept.put(Slot("gt1", 1), None)
    save("whole.bank", kept)
    before = contents()
    assert done("fit", "whole.bank", "--console", "quay.toml") == (
        "whole.bank on Quay Chapel\n\nIt fits: everything that it remembers will be heard.\n"
    )
    assert contents() == before
    Path("smaller.toml").write_text(SMALLER, encoding="utf-8")
    result = run("fit", "quay.bank", "--console", "smaller.toml")
    assert (result.exit_code, result.stderr) == (1, "")
    assert result.stdout == FITTED


@pytest.mark.usefixtures("quay")
def test_fit_names_pistons_that_changed_alike_together() -> None:
    without = QUAY.replace('label = "Tremulant"', 'label = "Tremulant"\ncaptured = false')
    Path("without.toml").write_text(without, encoding="utf-8")
    result = run("fit", "quay.bank", "--console", "without.toml")
    assert (
        "  General 1 (g1)\n    no longer: no division  Tremulant\n"
        "    not heard               part of 1 combination\n"
        "  General 2 (g2), Full Organ (fo)\n    no longer: no division  Tremulant\n"
    ) in result.stdout
    assert result.exit_code == 1


@pytest.mark.usefixtures("quay")
def test_fit_tells_what_is_on_though_a_piston_does_not_affect_it() -> None:
    """A general's combination, copied to two divisionals of the same division."""
    second = '[[piston]]\nid = "gt2"\nlabel = "2"\nkind = "divisional"\ndivision = "great"\n'
    Path("two.toml").write_text(QUAY + second, encoding="utf-8")
    done("new", "two.bank", "--console", "two.toml")
    save("two.bank", evolve(load("two.bank"), levels=load("quay.bank").levels))
    for piston in ("gt1", "gt2"):
        done("copy-piston", "two.bank", "g1", piston, "--level", "1", "--yes")
    expected = """\
two.bank on Quay Chapel

Pistons with controls on that they do not affect
  Great 1 (gt1), Great 2 (gt2)
    Pedal        Bourdon 16'
    no division  Tremulant
    not heard    part of 1 combination each

It does not fit whole: what is not heard is kept, and comes back where it fits.
"""
    result = run("fit", "two.bank", "--console", "two.toml")
    assert (result.exit_code, result.stdout, result.stderr) == (1, expected, "")
    result = run("fit", "two.bank", "--console", "two.toml", "--json")
    assert result.exit_code == 1
    data = json.loads(result.stdout)
    assert data.pop("fits") is False
    card = {"label": ["1"], "kind": "divisional", "division": "Great"}
    assert data.pop("out-of-range") == [
        {
            "piston": {**card, "id": id_, "label": [label]},
            "controls": ["bourdon", "trem"],
            "unheard": 1,
        }
        for id_, label in (("gt1", "1"), ("gt2", "2"))
    ]
    assert not any(data.values())


def test_fit_tells_after_a_restore_what_it_told_before(quay: Console) -> None:
    """The general has become a pedal divisional: its range was changed, and then is the bank's."""
    general = 'label = "2"\nkind = "general"'
    divisional = 'label = "2"\nkind = "divisional"\ndivision = "pedal"'
    Path("new.toml").write_text(QUAY.replace(general, divisional), encoding="utf-8")
    kept = fresh_bank(quay)
    kept.put(Slot("g2", 3), Combination(kept.roster.bits(["open", "pd-flute"])))
    kept.put(Slot("g2", 4), Combination(kept.roster.bits(["pd-flute"])))
    save("quay.bank", kept)
    said = run("fit", "quay.bank", "--console", "new.toml").stdout
    assert "Pistons that affect other controls than before\n  Pedal 2 (g2)\n" in said
    assert "    not heard               part of 1 combination\n" in said
    assert "Pistons with controls on that they do not affect" not in said
    done("restore", "quay.bank", "moved.bank", "--console", "new.toml", "--yes")
    result = run("fit", "moved.bank", "--console", "new.toml")
    assert result.exit_code == 1
    expected = """\
moved.bank on Quay Chapel

Pistons with controls on that they do not affect
  Pedal 2 (g2)
    Great      Open Diapason 8'
    not heard  part of 1 combination

It does not fit whole: what is not heard is kept, and comes back where it fits.
"""
    assert result.stdout == expected


@pytest.mark.usefixtures("quay")
def test_fit_for_a_program() -> None:
    kept = load("quay.bank")
    kept.put(Slot("gt1", 1), None)
    save("whole.bank", kept)
    data = json.loads(done("fit", "whole.bank", "--console", "quay.toml", "--json"))
    assert data.pop("fits") is True
    assert not any(data.values())
    Path("smaller.toml").write_text(SMALLER, encoding="utf-8")
    result = run("fit", "quay.bank", "--console", "smaller.toml", "--json")
    assert result.exit_code == 1
    data = json.loads(result.stdout)
    assert data["fits"] is False
    assert data["controls-gone"] == [
        {"card": {"id": "pd-flute", "label": ["Flute", "4'"], "division": "Pedal"}, "on-in": 2}
    ]
    assert data["pistons-renamed"] == [{"was": "pd1", "now": "ped1", "face": "Pedal 1"}]
    assert [key for key, value in data.items() if not value] == ["fits", "out-of-range"]


# ---------------------------------------------------------------- edits


EDITED: dict[str, tuple[list[str], str]] = {
    "a name": (["name", "Lent"], 'quay.bank is called "Lent" now; it was "Eastertide"'),
    "no name": (["name", ""], 'quay.bank has no name now; it was "Eastertide"'),
    "a level's name": (["name-level", "2", "Lent"], 'Level 2 is called "Lent" now'),
    "a level's own name again": (
        ["name-level", "1", "Easter Eve"],
        'Level 1 is called "Easter Eve" now; it was "Easter Eve"',
    ),
    "a level by its name": (
        ["name-level", "Easter Eve", ""],
        'Level 1 has no name now; it was "Easter Eve"',
    ),
    "a lock": (["lock"], "quay.bank is locked now"),
    "a level's lock": (["lock", "--level", "1"], 'Level 1 "Easter Eve" is locked now'),
    "unlocked": (["unlock"], "quay.bank is unlocked now; still locked: 1 level"),
    "a level unlocked": (["unlock", "--level", "Whitsun"], 'Level 5 "Whitsun" is unlocked now'),
    "a level copied": (
        ["copy-level", "Easter Eve", "7"],
        'Level 7 is the same as level 1 "Easter Eve" now: 3 pistons set',
    ),
    "a level copied over another": (
        ["copy-level", "1", "2", "--yes"],
        'Level 2 is the same as level 1 "Easter Eve" now: 3 pistons set',
    ),
    "levels swapped": (
        ["swap-levels", "1", "4"],
        "Levels 1 and 4 have changed places: now level 1 has nothing set and "
        'level 4 "Easter Eve" has 3 pistons set',
    ),
    "a level cleared": (["clear-level", "1", "--yes"], "Level 1 is empty now"),
    "an empty level cleared": (["clear-level", "8"], "Level 8 is empty now"),
    "a piston copied": (
        ["copy-piston", "General 1", "g2", "--level", "1"],
        "General 2 (g2) at level 1 remembers the same as General 1 (g1) at level 1 now",
    ),
    "a general copied to a divisional": (
        ["copy-piston", "g1", "pedal 1", "--level", "1", "--other-level", "3"],
        "Pedal 1 (pd1) at level 3 remembers the same as General 1 (g1) at level 1 now; "
        "2 stops of it will not be heard, as Pedal 1 (pd1) does not affect them",
    ),
    "a piston copied over another": (
        ["copy-piston", "g1", "gt1", "--level", "1", "--yes"],
        "Great 1 (gt1) at level 1 remembers the same as General 1 (g1) at level 1 now; "
        "2 stops of it will not be heard, as Great 1 (gt1) does not affect them",
    ),
    "pistons swapped": (
        ["swap-pistons", "g1", "g1", "--level", "1", "--other-level", "2"],
        "General 1 (g1) at level 1 and General 1 (g1) at level 2 have exchanged what they remember",
    ),
    "a piston cleared": (
        ["clear-piston", "pd1", "--level", "1", "--yes"],
        "Pedal 1 (pd1) at level 1 is as never set now",
    ),
    "a full organ cleared": (
        ["clear-piston", "Full Organ", "--yes"],
        "Full Organ (fo) is back to the console's own list now",
    ),
    "a stage cleared": (
        ["clear-stage", "2", "--yes"],
        "Crescendo stage 2 is back to the console's own list now",
    ),
    "neutral": (
        ["neutral", "g1", "--level", "1", "great  flute 4'", "trem"],
        "General 1 (g1) at level 1 now leaves alone Great: Flute 4'; no division: Tremulant",
    ),
    "nothing neutral": (
        ["neutral", "Great 1", "--level", "1", "--none"],
        "Great 1 (gt1) at level 1 now leaves alone nothing (before: Great: Flute 4')",
    ),
    "a new sequence": (
        ["sequence", "new", "Matins"],
        'Sequence "Matins" is there now, without a step yet',
    ),
    "a step": (
        ["sequence", "add-step", "Vespers", "Great 1", "--level", "1", "--note", "psalm"],
        'Step 3 of "Vespers" is level 1 "Easter Eve", Great 1 (gt1), "psalm"',
    ),
    "a step before": (
        ["sequence", "add-step", "Vespers", "fo", "--level", "2", "--before", "2"],
        'Step 1.1 of "Vespers" is level 2, Full Organ (fo)',
    ),
    "a step before the first": (
        ["sequence", "add-step", "Vespers", "fo", "--level", "2", "--before", "1"],
        'Step 0.1 of "Vespers" is level 2, Full Organ (fo)',
    ),
    "a step after": (
        ["sequence", "add-step", "Vespers", "fo", "--level", "2", "--after", "1.0"],
        'Step 1.1 of "Vespers" is level 2, Full Organ (fo)',
    ),
    "a step that presses a reversible": (
        ["sequence", "add-step", "Vespers", "Octave", "--level", "2", "--console", "quay.toml"],
        'Step 3 of "Vespers" is level 2, Octave (r-oct)',
    ),
    "a note": (
        ["sequence", "note-step", "Vespers", "2", "out"],
        'Step 2 of "Vespers" is level 2, gc, "out" now',
    ),
    "a step less": (
        ["sequence", "remove-step", "Vespers", "1"],
        'Step 1 is out of "Vespers" now: it was level 1 "Easter Eve", General 1 (g1), "hymn"',
    ),
    "a sequence chosen": (
        ["sequence", "choose", "Vespers"],
        'On the desk: "Vespers", before the first step',
    ),
    "no sequence chosen": (
        ["sequence", "choose"],
        "On the desk: the generals in turn, before the first step",
    ),
    "a sequence less": (
        ["sequence", "remove", "Vespers", "--yes"],
        'Sequence "Vespers" is out of quay.bank now',
    ),
}
"""An edit of the bank at the quay, and what it says when it is done."""


def with_file(words: list[str]) -> list[str]:
    """The words of an edit, with the bank in its place."""
    place = 2 if words[0] == "sequence" else 1
    return [*words[:place], "quay.bank", *words[place:]]


@pytest.mark.parametrize("edit", EDITED)
@pytest.mark.usefixtures("quay")
def test_an_edit_says_what_it_did(edit: str) -> None:
    words, said = EDITED[edit]
    assert done(*with_file(words)) == said + "\n"


def after(*words: str) -> Bank:
    """The bank at the quay after an edit."""
    done(*with_file(list(words)))
    return load("quay.bank")


def test_edits_do_what_they_say(quay: Console) -> None:
    was = played(quay)
    kept = after("name-level", "2", "Lent")
    assert kept.levels.pop(2) == evolve(was.levels[2], name="Lent")
    assert kept.levels == {1: was.levels[1], 5: was.levels[5]}
    assert after("swap-levels", "1", "3").levels[3] == was.levels[1]
    kept = after("copy-level", "3", "6")
    assert kept.levels[6] == was.levels[1] == kept.levels[3]
    kept = after("swap-pistons", "g1", "g2", "--level", "3", "--other-level", "2")
    assert kept.get(Slot("g2", 2)) == was.get(Slot("g1", 1))
    assert kept.get(Slot("g1", 3)) == was.get(Slot("g2", 2))
    after("copy-piston", "g1", "g1", "--level", "3", "--other-level", "8")
    kept = after("copy-piston", "g1", "g1", "--level", "3", "--other-level", "8")  # nothing is lost
    assert kept.get(Slot("g1", 8)) == was.get(Slot("g2", 2)) == kept.get(Slot("g1", 3))
    assert after("clear-piston", "g1", "--level", "8", "--yes").get(Slot("g1", 8)) is None
    kept = after("neutral", "g1", "--level", "3", "Great Octave", "pd-flute")
    combination = kept.get(Slot("g1", 3))
    assert combination is not None
    assert set(kept.roster.registration(combination.neutral)) == {"octave", "pd-flute"}
    assert not after("clear-level", "6", "--yes").at(6).combinations
    assert after("clear-piston", "fo", "--yes").full_organs == {}
    assert after("clear-stage", "2", "--yes").stages == {}
    assert after("lock").locked
    assert not after("unlock").locked
    assert after("lock", "--level", "3").levels[3].locked
    assert not after("unlock", "--level", "3").levels[3].locked


def test_sequences_are_arranged_as_they_say(quay: Console) -> None:
    was = played(quay)
    after("sequence", "new", "Matins")
    after("sequence", "add-step", "Matins", "g1", "--level", "1")
    after("sequence", "add-step", "Matins", "gc", "--level", "1", "--console", "quay.toml")
    after("sequence", "add-step", "Matins", "gt1", "--level", "2", "--before", "2")
    after("sequence", "note-step", "Matins", "1.1", "psalm")
    kept = after("sequence", "choose", "Matins")
    assert kept.sequences == was.sequences | {
        "Matins": (
            Step(Decimal(1), 1, "g1"),
            Step(Decimal("1.1"), 2, "gt1", "psalm"),
            Step(Decimal(2), 1, "gc"),
        )
    }
    assert (kept.sequence, kept.place) == ("Matins", Decimal(0))
    kept = after("sequence", "remove-step", "Matins", "1")
    assert [step.piston for step in kept.sequences["Matins"]] == ["gt1", "gc"]
    kept = after("sequence", "remove", "Matins", "--yes")
    assert (kept.sequences, kept.sequence) == (was.sequences, None)


LISTED = """\
On the desk: "Vespers", step 2

Sequence "Vespers", on the desk: 2 steps
step  level           piston          note
1     1 "Easter Eve"  General 1 (g1)  hymn
2     2               gc
"""


@pytest.mark.usefixtures("quay")
def test_sequences_are_listed() -> None:
    assert done("sequence", "list", "quay.bank") == LISTED
    done("sequence", "new", "quay.bank", "Matins")
    assert done("sequence", "list", "quay.bank", "Vespers") == LISTED
    assert done("sequence", "list", "quay.bank").endswith('\n\nSequence "Matins": 0 steps\n')
    data = json.loads(done("sequence", "list", "quay.bank", "Vespers", "--json"))
    assert data == [
        {
            "name": "Vespers",
            "steps": [
                {"step": "1", "level": 1, "piston": "g1", "note": "hymn"},
                {"step": "2", "level": 2, "piston": "gc", "note": ""},
            ],
        }
    ]


LOST: dict[str, tuple[list[str], str]] = {
    "a level copied over another": (
        ["copy-level", "1", "2"],
        "level 2 (1 piston set) would be lost",
    ),
    "a level copied over one with a name": (
        ["copy-level", "2", "1"],
        'level 1 "Easter Eve" (3 pistons set) would be lost',
    ),
    "a level cleared": (
        ["clear-level", "1"],
        'level 1 "Easter Eve" (3 pistons set) would be lost',
    ),
    "a piston copied over another": (
        ["copy-piston", "g1", "gt1", "--level", "1"],
        "what is set on Great 1 (gt1) at level 1 would be lost",
    ),
    "a piston cleared": (
        ["clear-piston", "pd1", "--level", "1"],
        "what is set on Pedal 1 (pd1) at level 1 would be lost",
    ),
    "a full organ cleared": (
        ["clear-piston", "fo"],
        "what is set on Full Organ (fo) would be lost",
    ),
    "a stage cleared": (
        ["clear-stage", "2"],
        "what is set for crescendo stage 2 would be lost",
    ),
    "a sequence less": (
        ["sequence", "remove", "Vespers"],
        'the 2 steps of sequence "Vespers" would be lost',
    ),
}


@pytest.mark.parametrize("edit", LOST)
@pytest.mark.usefixtures("quay")
def test_what_would_be_lost_is_asked_about(edit: str) -> None:
    words, loss = LOST[edit]
    message = f"{loss}; nothing has been changed: add --yes if that is meant"
    assert refusal(*with_file(words)) == message
    done(*with_file([*words, "--yes"]))


REFUSED: dict[str, tuple[list[str], str]] = {
    "a level beyond all": (
        ["name-level", "10001", "x"],
        "there is no level 10001: levels go from 1 to 10,000",
    ),
    "a level's name that another has": (
        ["name-level", "2", "Whitsun"],
        "level 5 is called 'Whitsun' already",
    ),
    "a number for a level's name": (
        ["name-level", "2", "7"],
        "a level cannot be called '7': a number is no name",
    ),
    "no level 0": (["lock", "--level", "0"], "there is no level 0: levels go from 1 to 10,000"),
    "a level misspelt": (
        ["clear-level", "Whitson", "--yes"],
        "there is no level 'Whitson' in this bank; did you mean 'Whitsun'?",
    ),
    "a locked level": (["clear-level", "5"], "level 5 is locked"),
    "a level onto itself": (["copy-level", "1", "Easter Eve"], "level 1 is given twice"),
    "nothing to copy": (["copy-level", "4", "6"], "there is nothing in level 4 to copy"),
    "a name that cannot be printed": (
        ["name", "a\x1b[31m"],
        "a name has a character in it that cannot be printed (U+001B)",
    ),
    "a name that is too long": (["name", "a" * 201], "a name is longer than 200 characters"),
    "a piston misspelt": (
        ["clear-piston", "Grate 1", "--level", "1"],
        "there is no piston 'Grate 1' in this bank",
    ),
    "pistons of one label": (
        ["copy-piston", "1", "g2", "--level", "1"],
        'several pistons are called "1": General 1 (g1), Great 1 (gt1)',
    ),
    "a piston onto itself": (
        ["copy-piston", "g1", "General 1", "--level", "1", "--other-level", "Easter Eve"],
        "General 1 (g1) at level 1 is given twice: say which other piston or level is meant",
    ),
    "a piston with nothing set": (
        ["copy-piston", "g2", "g1", "--level", "1"],
        "nothing is set on 'g2' at level 1",
    ),
    "a general without a level": (
        ["clear-piston", "g1"],
        "General 1 (g1) remembers something at each level: give one with --level",
    ),
    "a full organ at a level": (
        ["clear-piston", "fo", "--level", "1"],
        "'fo' is a full organ: it has a list, the same at all levels",
    ),
    "a stage with nothing set": (["clear-stage", "1"], "nothing is set for crescendo stage 1"),
    "stops of one label": (
        ["neutral", "g1", "--level", "1", "Flute 4'"],
        "several controls are called \"Flute 4'\": Great Flute 4' (flute), "
        "Pedal Flute 4' (pd-flute)",
    ),
    "a stop misspelt": (
        ["neutral", "g1", "--level", "1", "Tremolant"],
        "there is no control 'Tremolant' in this bank; did you mean 'trem'?",
    ),
    "no stop": (
        ["neutral", "g1", "--level", "1"],
        "name the stops that the piston is to leave alone, or else give --none",
    ),
    "a stop and none": (
        ["neutral", "g1", "--level", "1", "trem", "--none"],
        "name the stops that the piston is to leave alone, or else give --none",
    ),
    "a sequence that is there": (
        ["sequence", "new", "Vespers"],
        "there is a sequence 'Vespers' already",
    ),
    "a sequence without a name": (["sequence", "new", ""], "a sequence needs a name"),
    "a sequence misspelt": (
        ["sequence", "remove", "Vespas"],
        "there is no sequence 'Vespas' in this bank; did you mean 'Vespers'?",
    ),
    "a sequence misspelt to list": (
        ["sequence", "list", "Vespas"],
        'there is no sequence "Vespas" in this bank; did you mean "Vespers"?',
    ),
    "a step that is not there": (
        ["sequence", "remove-step", "Vespers", "7"],
        "sequence 'Vespers' has no step 7",
    ),
    "before a step that is not there": (
        ["sequence", "add-step", "Vespers", "g1", "--level", "1", "--before", "7"],
        'sequence "Vespers" has no step 7',
    ),
    "before and after": (
        ["sequence", "add-step", "Vespers", "g1", "--level", "1", "--before", "1", "--after", "2"],
        "give --before or --after, not both",
    ),
    "no number of a step": (
        ["sequence", "note-step", "Vespers", "1e9", "x"],
        '"1e9" is no number of a step: they are like 3 or 2.5',
    ),
    "a reversible without the console": (
        ["sequence", "add-step", "Vespers", "r-oct", "--level", "1"],
        'there is no piston "r-oct" in this bank; there are fo, g1, g2, gt1, pd1; '
        "a reversible or a cancel is only known with --console",
    ),
    "a piston that no step presses": (
        ["sequence", "add-step", "Vespers", "set", "--level", "1", "--console", "quay.toml"],
        "there is no piston 'set' on this console for a step to press",
    ),
    "a step beyond the console": (
        ["sequence", "add-step", "Vespers", "g1", "--level", "9", "--console", "quay.toml"],
        "there is no level 9: levels go from 1 to 8",
    ),
    "a level misspelt to print": (
        ["print", "--level", "Whitson"],
        "there is no level 'Whitson' in this bank; did you mean 'Whitsun'?",
    ),
    "levels backwards": (["print", "--level", "4-2"], "levels 4-2 go backwards: write 2-4"),
    "a piston misspelt to print": (
        ["print", "--piston", "gt11"],
        'there is no piston "gt11" in this bank; did you mean "gt1"?',
    ),
}
"""What cannot be done to the bank at the quay, and what a person is told."""


@pytest.mark.parametrize("wish", REFUSED)
@pytest.mark.usefixtures("quay")
def test_what_cannot_be_done_is_told_and_nothing_changed(wish: str) -> None:
    words, message = REFUSED[wish]
    assert refusal(*with_file(words)) == message


@pytest.mark.parametrize("edit", [edit for edit in EDITED if "lock" not in edit])
def test_a_locked_bank_is_left_alone(quay: Console, edit: str) -> None:
    save("quay.bank", evolve(played(quay), locked=True))
    words, _ = EDITED[edit]
    if "chosen" in edit:  # which changes nothing that is remembered
        done(*with_file(words))
    else:
        assert refusal(*with_file(words)) == "the bank is locked"


# ---------------------------------------------------------------- disks that fail


FAILING = """
import json, os, resource, sys
from cli.bank.commands import bank

def fails(task):
    os.chdir(task["folder"])
    if task["as_nobody"] and os.geteuid() == 0:
        os.setgid(65534)
        os.setuid(65534)
    if task["largest"]:
        resource.setrlimit(resource.RLIMIT_FSIZE, (task["largest"], task["largest"]))
    bank(task["words"])

tasks, told = json.loads(sys.argv[1]), []
for words in dict.fromkeys(tuple(task["words"]) for task in tasks):
    bank(words, standalone_mode=False)
for task in tasks:
    ours, theirs = os.pipe()
    if not (child := os.fork()):
        os.dup2(theirs, 2)
        fails(task)
    os.close(theirs)
    with open(ours, encoding="utf-8") as said:
        words = said.read()
    told.append((words, os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])))
sys.stdout.write("\\n" + json.dumps(told))
"""
"""What the other process does: commands, and the same where files cannot be written or grow.

(The first time, where nothing is in their way, has everything loaded that nobody could read.)
Each that fails is a process of its own, with all that is loaded: its errors and its exit code
are told in the last line.
"""

FULL: dict[str, Any] = {"largest": 400, "as_nobody": False, "modes": (0o777, 0o666)}
READ_ONLY: dict[str, Any] = {"largest": 0, "as_nobody": True, "modes": (0o555, 0o666)}
OLD_KEPT: dict[str, Any] = {"largest": 0, "as_nobody": True, "modes": (0o777, 0o444)}
TOO_LARGE = "a file may not be as large as that here"
NO_PERMISSION = "there is no permission for that"
_NEW = ["new", "new.bank", "--console", "quay.toml"]
_EDIT = ["name", "quay.bank", "Lent"]
_BACKUP = ["backup", "quay.bank", "copy.bank"]
_REPLACE = ["backup", "quay.bank", "other.bank", "--replace"]
_RESTORE = ["restore", "other.bank", "quay.bank", "--console", "quay.toml", "--yes"]
_AGAIN = ["restore", "other.bank", "new.bank", "--console", "quay.toml", "--yes"]


class Failed(NamedTuple):
    said: str
    exit_code: int
    all_as_it_was: bool


DISKS: list[tuple[dict[str, Any], list[str], str]] = [
    (FULL, _NEW, f"new.bank: {TOO_LARGE}"),
    (FULL, _EDIT, f"quay.bank: {TOO_LARGE}"),
    (FULL, _BACKUP, f"copy.bank: {TOO_LARGE}"),
    (FULL, _REPLACE, f"other.bank: {TOO_LARGE}"),
    (FULL, _RESTORE, "quay-before-DATE.bank: a file may not be as large as that here"),
    (FULL, _AGAIN, f"new.bank: {TOO_LARGE}"),
    (OLD_KEPT, _EDIT, "quay.bank: it may only be read, not replaced"),
    (OLD_KEPT, _RESTORE, "quay.bank: it may only be read, not replaced"),
    (READ_ONLY, _NEW, f"new.bank: {NO_PERMISSION}"),
    (READ_ONLY, _EDIT, f"quay.bank: {NO_PERMISSION}"),
    (READ_ONLY, _BACKUP, f"copy.bank: {NO_PERMISSION}"),
    (READ_ONLY, _REPLACE, f"other.bank: {NO_PERMISSION}"),
    (READ_ONLY, _RESTORE, "quay-before-DATE.bank: there is no permission for that"),
    (READ_ONLY, _AGAIN, f"new.bank: {NO_PERMISSION}"),
]
"""What is in the way, the command, and what it says."""


@pytest.fixture(scope="module")
def failed(tmp_path_factory: pytest.TempPathFactory) -> list[Failed]:
    """What came of each command where the disk was in its way."""
    here = tmp_path_factory.mktemp("sound")
    console = read_console(QUAY)
    (here / "quay.toml").write_text(QUAY, encoding="utf-8")
    save(here / "quay.bank", played(console))
    save(here / "other.bank", altered(played(console)))
    files = {path.name: path.read_bytes() for path in here.iterdir()}
    with tempfile.TemporaryDirectory() as place:
        Path(place).chmod(0o755)
        tasks = []
        for number, (conditions, words, _) in enumerate(DISKS):
            folder = Path(place) / str(number)
            folder.mkdir()
            for name, data in files.items():
                (folder / name).write_bytes(data)
                (folder / name).chmod(conditions["modes"][1])
            folder.chmod(conditions["modes"][0])
            tasks.append(conditions | {"words": words, "folder": str(folder)})
        code = [sys.executable, "-c", FAILING, json.dumps(tasks)]
        done = subprocess.run(code, cwd=here, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
        told = json.loads(done.stdout.splitlines()[-1])
        found = []
        for task, (said, exit_code) in zip(tasks, told, strict=True):
            folder = Path(task["folder"])
            folder.chmod(0o755)
            after = {path.name: path.read_bytes() for path in folder.iterdir()}
            found.append(Failed(said, exit_code, after == files))
    return found


@pytest.mark.parametrize("number", range(len(DISKS)), ids=lambda n: " ".join(DISKS[n][1]))
def test_a_disk_that_cannot_be_written_leaves_all_as_it_was(
    failed: list[Failed], number: int
) -> None:
    said, exit_code, all_as_it_was = failed[number]
    assert all_as_it_was
    message = DISKS[number][2]
    assert re.sub(r"before-[\d-]+", "before-DATE", said) == f"stopwright: {message}\n"
    assert exit_code == 2


# ---------------------------------------------------------------- help


def commands(group: click.Group, *before: str) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    """Every command of a group, and of the groups in it."""
    for name, command in group.commands.items():
        yield (*before, name), command
        if isinstance(command, click.Group):
            yield from commands(command, *before, name)


COMMANDS = dict(commands(bank))


@pytest.mark.parametrize("words", COMMANDS)
def test_every_command_says_what_it_does(words: tuple[str, ...]) -> None:
    said = " ".join(done(*words, "--help").split())
    about = COMMANDS[words].help
    assert about is not None
    assert len(about.split()) > 3
    assert " ".join(about.split()) in said
    for parameter in COMMANDS[words].params:
        assert parameter.opts[-1] in said or parameter.make_metavar(click.Context(bank)) in said


LINE = 78
"""Columns of a help at a terminal of 80: two are left free."""


@pytest.mark.parametrize("group", ["", "sequence"])
def test_the_help_lists_every_command_in_one_line(group: str) -> None:
    said = CliRunner().invoke(bank, [*group.split(), "--help"], terminal_width=LINE).stdout
    for command, _ in commands(bank):
        if command[:-1] == tuple(group.split()):
            (line,) = re.findall(rf"^  {command[-1]} +(\S.*)$", said, re.M)
            assert line.endswith(".")
            assert "..." not in line


# ---------------------------------------------------------------- files of every sort


READING = (
    ("print", "it.bank"),
    ("print", "it.bank", "--json"),
    ("print", "it.bank", "--console", "quay.toml"),
    ("compare", "it.bank", "quay.bank"),
    ("compare", "quay.bank", "it.bank"),
    ("fit", "it.bank", "--console", "quay.toml"),
    ("backup", "it.bank", "copy.bank"),
    ("restore", "it.bank", "new.bank", "--console", "quay.toml", "--yes"),
    ("restore", "quay.bank", "it.bank", "--console", "quay.toml"),
    ("name", "it.bank", "x"),
    ("sequence", "list", "it.bank"),
)
every_sort = settings(
    max_examples=int(os.environ.get("STOPWRIGHT_EXAMPLES", "25")),
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)


@pytest.mark.usefixtures("quay")
@given(data=st.data())
@every_sort
def test_bytes_that_are_no_bank_are_refused_by_every_command(data: st.DataObject) -> None:
    sound = Path("quay.bank").read_bytes()
    cut = st.integers(0, len(sound) - 1).map(lambda end: sound[:end])
    flipped = st.integers(0, 8 * len(sound) - 1).map(lambda bit: _flipped(sound, bit))
    Path("it.bank").write_bytes(data.draw(st.binary() | cut | flipped))
    for words in READING:
        assert refusal(*words)


def _flipped(sound: bytes, bit: int) -> bytes:
    damaged = bytearray(sound)
    damaged[bit // 8] ^= 1 << bit % 8
    return bytes(damaged)


@given(kept=bank_strategies.banks(), moment=bank_strategies.moments)
@every_sort
def test_every_bank_can_be_printed_compared_and_fitted(
    quay: Console, kept: Bank, moment: str
) -> None:
    write_bank_file("it.bank", BankFile(kept, moment))
    same, fits = compare(kept, load("quay.bank")).equal, fit_to(kept, quay).complete
    assert run("print", "it.bank").exit_code == 0
    assert run("print", "it.bank", "--console", "quay.toml").exit_code == 0
    assert _bank_from(json.loads(done("print", "it.bank", "--json"))) == without_blanks(kept)
    assert run("compare", "it.bank", "quay.bank").exit_code == (0 if same else 1)
    assert run("compare", "quay.bank", "it.bank", "--json").exit_code == (0 if same else 1)
    assert run("fit", "it.bank", "--console", "quay.toml").exit_code == (0 if fits else 1)
    assert run("fit", "it.bank", "--console", "quay.toml", "--json").exit_code == (not fits)
    run("restore", "it.bank", "quay.bank", "--console", "quay.toml")


# What a command line can hold: no zeros, and bytes that are no text as Python has them (PEP 383).
# Nothing is to be written elsewhere.
signs = st.characters(codec="utf-8", exclude_characters="\0/")
signs |= st.integers(0xDC80, 0xDCFF).map(chr)
words_of_every_sort = st.lists(
    st.text(signs, max_size=8).filter(lambda word: word != ".."), max_size=6
)


@pytest.mark.usefixtures("quay")
@given(words_of_every_sort, st.sampled_from(sorted(COMMANDS)))
@every_sort
def test_words_of_every_sort_never_fail_badly(words: list[str], command: tuple[str, ...]) -> None:
    run(*command, *words)
    run(*command, "quay.bank", *words)
