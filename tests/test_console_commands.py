"""The technician's commands, by their words, their files and their exit codes."""

import json
import os
import pty
import re
import resource
import select
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from itertools import product
from pathlib import Path
from typing import Any

import attrs
import click
import pytest
import tomlkit
from attrs import evolve
from click.testing import CliRunner, Result
from hypothesis import given, settings
from hypothesis import strategies as st

from banks import BankFile, write_bank_file
from cli.console.altering import Wish, alter
from cli.console.beginning import MANUALS, Answers, beginning
from cli.console.describing import PARTS
from cli.console.rewriting import CannotRewriteError, rewritten
from cli.console.wiring import pins_in, pins_out, pins_used
from cli.main import main
from cli.naming import Names
from combination.contacts import contacts_of
from combination.harness import points_of
from combination.memory import Combination, ControlCard, fresh_bank
from combination.model import Action, Console, Kind, Piston, Selection, file_word
from combination.planning import plan
from combination.ranges import Ranges
from combination.reading import examine, read_console
from tests.strategies import consoles

EXAMPLES = int(os.environ.get("STOPWRIGHT_EXAMPLES", "60"))
"""Of pistons rewritten."""
DEMOS = sorted((Path(__file__).parent.parent / "cli" / "demos").glob("*.toml"))

SMALL = """\
# The chapel of Nether Wick.
format = 1
name = "Nether Wick"
action = "blind"
while-governed = "last-touch"
levels = 8

[[keyboard]]
id = "great"
name = "Great"
keys = 49
contacts = "keys.1"

[[keyboard]]
id = "pedal"
name = "Pedal"
keys = 30

[[division]]
id = "great"
name = "Great"
keyboard = "great"

[[division]]
id = "pedal"
name = "Pedal"
keyboard = "pedal"

[[chamber]]
id = "box"
name = "Box"
stages = 4
shades = "out.1"

[[rank]]
id = "flute"
name = "Flute"
pitch = "16"
pipes = 73
out = [
    { port = "pipes", channel = 1, from = 1, to = 12 },
    { port = "pipes", channel = 2, from = 13 },
]

[[rank]]
id = "bells"
name = "Bells"
first-key = 60
pipes = 25
stroke = "reiterate"
rate = 8.0
longest-on = 0.1
out = [{ port = "pipes", channel = 3 }]

[[stop]]
id = "gt-flute-8"
label = ["Flute", "8'"]
division = "great"
rank = "flute"
pitch = "8"
contact = "rail.1"

[[stop]]
id = "gt-flute-4"
label = ["Flute", "4'"]
division = "great"
rank = "flute"
pitch = "4"
contact = { pin = "rail.2", inverted = true }

[[stop]]
id = "gt-nazard"
label = ["Nazard", "2⅔' TC"]
division = "great"
draws = [{ rank = "flute", pitch = "2 2/3", from = 48 }]
contact = "rail.3"

[[stop]]
id = "pd-bourdon"
label = ["Bourdon", "16'"]
division = "pedal"
rank = "flute"
contact-on = "rail.4"
contact-off = "rail.5"

[[coupler]]
id = "gt-pd"
label = ["Great", "to Pedal"]
keys = "pedal"
plays = "great"
contact = "rail.6"

[[coupler]]
id = "gt-gt-4"
label = ["Great", "Octave"]
keys = "great"
plays = "great"
shift = 12
contact = "rail.7"

[[coupler]]
id = "gt-off"
label = ["Unison", "Off"]
division = "great"
unison-off = true
contact = "rail.8"

[[tremulant]]
id = "trem"
label = "Tremulant"
chamber = "box"
contact = "rail.9"
out = { port = "pipes", channel = 4, note = 36, longest-on = 5.0 }

[[percussion]]
id = "gt-bells"
label = "Bells"
division = "great"
rank = "bells"
repeats = true
contact = "rail.10"

[[effect]]
id = "siren"
label = "Siren"
captured = false
contact = "rail.11"

[crescendo]
in = { port = "console", channel = 16, controller = 11 }

[[crescendo.stage]]
adds = ["gt-flute-8"]

[[crescendo.stage]]
adds = ["gt-flute-4", "pd-bourdon"]
silences = "trem"

# What the pistons are.

[[piston]]
id = "g1"
label = "1"
kind = "general"
contact = ["out.9", { pin = "out.10", inverted = true }]
lamp = "out.9"

# Two of a kind.
[[piston]]
id = "gt1"
label = ["Great", "1"]
kind = "divisional"       # of the Great
division = "great"
contact = "out.11"
second-touch = { piston = "pd1", contact = "out.12" }

[[piston]]
id = "pd1"
label = ["Pedal", "1"]
kind = "divisional"
division = "pedal"
affects = ["pd-bourdon", "gt-pd"]   # the coupler too
additive = true
settable = false

[[piston]]
id = "rv"
label = "Gt to Pd"
kind = "reversible"
control = "gt-pd"
contact = "out.13"

[[piston]]
id = "full"
label = "Full"
kind = "full-organ"
sounds = { everything = true, except = ["trem", "gt-off"] }
silences = "trem"
contact = "out.14"

[[piston]]
id = "whoop"
label = "Whoop"
kind = "momentary"
control = "siren"
contact = "out.15"

[[piston]]
id = "set"
label = "Set"
kind = "set"
contact = "out.16"

[[piston]]
id = "up"
label = "+"
kind = "level-up"
by = 2

[[board]]
id = "keys"
name = "Great keys"
pins = 64
in = { port = "console", channel = 1, first-note = 36 }

[[board]]
id = "rail"
pins = 16
in = { port = "console", channel = 2, first-note = 0 }

[[board]]
id = "out"
pins = 24
in = { port = "console", channel = 3, first-controller = 10 }
out = { port = "console", channel = 3, first-note = 10 }

[[readout]]
shows = "level"
out = { port = "console", channel = 4, controller = 16 }
"""

PRINTED = """\
Nether Wick
blind action: tabs move only by hand, pistons override them unseen
2 divisions, 2 ranks, 10 controls, 8 pistons, 3 boards; 1 control never captured; 72 of 104 pins
used

Choices for the whole console
choice               value              what it means
while-governed       last-touch         a tab moved by hand takes its control back from the pistons
cancel               release (default)  a cancel lets the tabs speak again
again                recall (default)   a piston whose lamp is lit recalls again when pressed again
unset                refuse (default)   a piston with nothing set is refused
divisional-couplers  own (default)      divisionals affect their division's octaves and unison off,
                                        no other couplers
levels               8                  memory levels
set, hold            true (default)     pistons pressed while set is held down are set
set, latch           true (default)     set, pushed by itself, arms: the next piston is set
set, latch-time      10 (default)       seconds until it disarms
set, stores          base (default)     setting stores what tabs and pistons give together
set, lock            none (default)     no key locks the memory
timing, key-bounce   0.005 (default)    seconds that a key contact is not listened to after it
                                        changes
timing, bounce       0.02 (default)     seconds that any other contact is not listened to after it
                                        changes
timing, stuck        30 (default)       seconds after which a piston still down is called stuck

2 keyboards
id     name   keys  from-to  contacts
great  Great  49    36-84    keys.1-49
pedal  Pedal  30    36-65    not wired

2 divisions
id     name   played from  lines  what it has
great  Great  Great        36-84  3 stops, 2 couplers, 1 percussion
pedal  Pedal  Pedal        36-65  1 stop, 1 coupler

1 chamber
id   name  opened by
box  Box   shade engine of 4 stages from out.1

Great: 3 stops, 2 couplers, 1 percussion
id          label          what it is                                     wires
gt-flute-8  Flute 8'       Flute 8'                                       rail.1
gt-flute-4  Flute 4'       Flute 4'                                       rail.2 (inverted)
gt-nazard   Nazard 2⅔' TC  Flute 2 2/3' from key 48                       rail.3
gt-gt-4     Great Octave   Great octave 4'; its top 12 keys play no line  rail.7
gt-off      Unison Off     Great unison off                               rail.8
gt-bells    Bells          Bells, repeats                                 rail.10

Pedal: 1 stop, 1 coupler
id          label           what it is         wires
pd-bourdon  Bourdon 16'     Flute 16'          on rail.4; off rail.5
gt-pd       Great to Pedal  Great to Pedal 8'  rail.6

Of no division: 1 tremulant, 1 effect
id     label      what it is                    wires
trem   Tremulant  tremulant of the Box chamber  rail.9; out pipes, channel 4, note 36, at most 5 s
                                                on
siren  Siren      effect; never captured        rail.11

1 general
id  label  contacts                 set  what it does
g1  1      out.9 out.10 (inverted)  yes  all 9 capturable controls

2 divisionals
id   label    contacts   set  what it does
gt1  Great 1  out.11     yes  Great (4) and its 2 couplers. Second touch (out.12): piston Pedal 1
                              (pd1)
pd1  Pedal 1  not wired  no   only adds, from Pedal: Bourdon 16' and Great to Pedal

1 full organ
id    label  contacts  set  what it does
full  Full   out.14    no   sounds Great (4) and Great Octave; Pedal: Bourdon 16' and Great to
                            Pedal. Silences of no division: Tremulant

1 reversible
id  label     contacts  what it does
rv  Gt to Pd  out.13    turns over Great to Pedal (gt-pd)

1 momentary piston
id     label  contacts  what it does
whoop  Whoop  out.15    Siren (siren) while held

2 other pistons
id   label  kind      contacts   set  what it does
set  Set    set       out.16          sets the pistons pressed with it, or after it
up   +      level-up  not wired       2 levels up

Crescendo: 2 stages; console, channel 16, controller 11; heel 0, toe 127, hysteresis 2
stage  from  adds
1      43    Great: Flute 8'
2      86    Great: Flute 4'; Pedal: Bourdon 16'. Silences of no division: Tremulant

2 ranks
id     name   pitch  pipes  first key  stops  goes out
flute  Flute  16'    73     36         4      pipes 1-12: pipes, channel 1, notes 24-35; pipes
                                              13-73: pipes, channel 2, notes 36-96
bells  Bells  8'     25     60         1      pipes, channel 3, notes 60-84; struck 8 times a
                                              second, at most 0.1 s on

Pipes that ranks have, and that their stops need
id     pitch  first key  has  needs  which    short by      needed by none
flute  16'    36         73   80     1 to 80  7 at the top
bells  8'     60         25   25     1 to 25

Board keys, Great keys: 64 pins
  in: port console, channel 1
pins   sends        contact of
1-49   notes 36-84  Great keys 36-84
50-64  notes 85-99  spare

Board rail: 16 pins
  in: port console, channel 2
pins   sends        contact of
1      note 0       Flute 8' (gt-flute-8)
2      note 1       Flute 4' (gt-flute-4) (inverted)
3      note 2       Nazard 2⅔' TC (gt-nazard)
4      note 3       Bourdon 16' (pd-bourdon), on
5      note 4       Bourdon 16' (pd-bourdon), off
6      note 5       Great to Pedal (gt-pd)
7      note 6       Great Octave (gt-gt-4)
8      note 7       Unison Off (gt-off)
9      note 8       Tremulant (trem)
10     note 9       Bells (gt-bells)
11     note 10      Siren (siren)
12-16  notes 11-15  spare

Board out: 24 pins
  in: port console, channel 3
  out: port console, channel 3
pins   sends              contact of                            answers to   drives
1-4    controllers 10-13  spare                                 notes 10-13  Box shades 1-4
5-8    controllers 14-17  spare                                 notes 14-17  spare
9      controller 18      piston 1 (g1)                         note 18      lamp of piston 1 (g1)
10     controller 19      piston 1 (g1) (inverted)              note 19      spare
11     controller 20      piston Great 1 (gt1)                  note 20      spare
12     controller 21      second touch of piston Great 1 (gt1)  note 21      spare
13     controller 22      piston Gt to Pd (rv)                  note 22      spare
14     controller 23      piston Full (full)                    note 23      spare
15     controller 24      piston Whoop (whoop)                  note 24      spare
16     controller 25      piston Set (set)                      note 25      spare
17-24  controllers 26-33  spare                                 notes 26-33  spare

1 read-out
shows  goes out on
level  console, channel 4, controllers 16 and 48

2 ports
id       goes        joined to
console  in and out  MIDI port console
pipes    out         MIDI port pipes

Not wired
what                               which
keyboards: 1 of 2                  pedal
pistons without a contact: 1 of 8  up
"""


def run(*words: str | Path, said: str | None = None) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words], input=said)


def names_of(text: str) -> Names:
    console = read_console(text)
    return Names(console, Ranges(console))


@pytest.fixture
def small(tmp_path: Path) -> Path:
    path = tmp_path / "small.toml"
    path.write_text(SMALL, encoding="utf-8")
    return path


# ---------------------------------------------------------------- check


def test_check_says_every_warning_and_how_much_there_is(small: Path) -> None:
    siren = SMALL.splitlines().index("[[effect]]") + 1
    result = run("console", "check", small)
    assert result.output == (
        "Pipes that ranks have, and that their stops need\n"
        "id     pitch  first key  has  needs  which    short by      needed by none\n"
        "flute  16'    36         73   80     1 to 80  7 at the top\n"
        "bells  8'     60         25   25     1 to 25\n"
        "\n"
        'warning: line 75: stop "gt-nazard", draws 1: runs off rank "flute" by 7 notes at the top: '
        "it needs pipes 44 to 80, and there are 73\n"
        f'warning: line {siren}: effect "siren", out: is missing: it operates nothing\n'
        'warning: line 194: piston "up", contact: is missing: nobody can press it\n'
        "3 warnings. 2 divisions, 2 ranks, 10 controls, 8 pistons, 3 boards; "
        "1 control never captured; 72 of 104 pins used.\n"
    )
    assert result.exit_code == 0
    assert run("console", "check", small, "--strict").exit_code == 1


def test_check_names_the_lines_of_errors_before_those_of_warnings(small: Path) -> None:
    small.write_text(SMALL.replace('plays = "great"', 'plays = "grate"', 1), encoding="utf-8")
    result = run("console", "check", small)
    place = SMALL.splitlines().index('plays = "great"') + 1
    lines = result.output.splitlines()
    assert lines[0] == (
        f'error: line {place}: coupler "gt-pd", plays: there is no division "grate"; '
        'did you mean "great"?'
    )
    assert [line.split(":")[0] for line in lines[1:-1]] == ["warning"] * (len(lines) - 2)
    assert (
        lines[-1] == "1 error, 2 warnings. What pistons affect is checked once there are no errors."
    )
    assert result.exit_code == 1


def test_check_for_another_program(small: Path) -> None:
    small.write_text(SMALL.replace("levels = 8", "levels = 0"), encoding="utf-8")
    result = run("console", "check", small, "--json")
    assert result.exit_code == 1
    told = json.loads(result.output)
    assert (told["errors"], told["warnings"]) == (1, 2)
    assert (told["ranks"], told["summary"]) == (None, None)
    assert told["findings"][0] == {
        "severity": "error",
        "line": 6,
        "table": "",
        "id": None,
        "key": "levels",
        "message": "is 0; expected 1 to 9999",
    }
    assert [finding["line"] for finding in told["findings"][1:]] == [75, 194]


def test_a_console_with_nothing_wrong() -> None:
    for demo in DEMOS:
        result = run("console", "check", demo, "--strict")
        assert result.output.splitlines()[-1].startswith("Nothing wrong. ")
        assert result.exit_code == 0


UNITS = """
format = 1
name = "Gull Point"
action = "blind"

[[keyboard]]
id = "great"
name = "Great"

[[division]]
id = "great"
name = "Great"
keyboard = "great"
"""


def unit(rank: str, keys: str, *stops: str) -> str:
    """A rank, and the stops of 61 keys that draw it: each the keys of the file that say how."""
    tables = [f'[[rank]]\nid = "{rank}"\nname = "{rank}"\n{keys}\n']
    for number, draws in enumerate(stops):
        said = f'id = "{rank}-{number}"\nlabel = "{rank}"\ndivision = "great"\n'
        how = draws if "draws" in draws else f'rank = "{rank}"\n{draws}'
        tables.append(f"[[stop]]\n{said}{how}\n")
    return "".join(tables)


def needs_said(path: Path) -> tuple[dict[str, list[str]], dict[str, dict[str, Any]]]:
    """What check says of each rank: in its table, cell by cell, and to another program."""
    table = run("console", "check", path).output.partition("\n\n")[0].splitlines()[1:]
    starts = [match.start() for match in re.finditer(r"(?:(?<=  )|^)\S", table[0])]
    rows = {}
    for line in table[1:]:
        ends = [*starts[1:], None]
        first, *cells = (line[a:b].strip() for a, b in zip(starts, ends, strict=True))
        rows[first] = cells
    told = json.loads(run("console", "check", path, "--json").output)["ranks"]
    return rows, {row["id"]: row for row in told}


def test_the_pipes_that_61_keys_need(tmp_path: Path) -> None:
    """semantics.md II.5: 61 for 8' alone; 73 with 4'; 85 for 16' to 4'; 97 for 16' to 2'."""
    pitches = {
        "a": (61, ["8"]),
        "b": (73, ["8", "4"]),
        "c": (85, ["16", "8", "4"]),
        "d": (97, ["16", "8", "4", "2"]),
    }
    path = tmp_path / "gull.toml"
    path.write_text(
        UNITS
        + "".join(
            unit(
                name,
                f'pitch = "{listed[0]}"\npipes = {pipes}',
                *(f'pitch = "{pitch}"' for pitch in listed),
            )
            for name, (pipes, listed) in pitches.items()
        )
    )
    rows, told = needs_said(path)
    for name, (pipes, _) in pitches.items():
        assert rows[name][2:] == [str(pipes), str(pipes), f"1 to {pipes}", "", ""]
        assert told[name]["has"] == told[name]["needs"]["pipes"] == pipes
    assert run("console", "check", path, "--strict").exit_code == 0


def test_what_ranks_lack_and_what_nobody_needs_of_them(tmp_path: Path) -> None:
    """Short at both ends; begun late and broken off; reached by repeating; reached by none."""
    path = tmp_path / "gull.toml"
    path.write_text(
        UNITS
        + unit("viol", "pipes = 50", 'pitch = "16"', 'pitch = "4"')
        + unit("oboe", "pipes = 61", 'draws = [{ rank = "oboe", from = 48, to = 59 }]')
        + unit(
            "reed", "pipes = 61", 'draws = [{ rank = "reed", to = 36 }]', '# rank\npitch = "1/2"'
        )
        + unit("bells", "first-key = 60\npipes = 37", "repeats = true")
        + unit("idle", "pipes = 1")
    )
    rows, told = needs_said(path)
    assert rows == {
        "viol": ["8'", "36", "50", "85", "-11 to 73", "12 at the bottom, 23 at the top", ""],
        "oboe": ["8'", "36", "61", "12", "13 to 24", "", "1-12, 25-61"],
        "reed": ["8'", "36", "61", "62", "1 to 109", "48 at the top", "2-48"],
        "bells": ["8'", "60", "37", "37", "1 to 37", "", ""],
        "idle": ["8'", "36", "1", "0", "", "", "1"],
    }
    assert told["viol"]["needs"] == {
        "pipes": 85,
        "lowest": -11,
        "highest": 73,
        "short-at-bottom": 12,
        "short-at-top": 23,
        "needed-by-none": [],
    }
    assert told["oboe"]["needs"]["needed-by-none"] == [*range(1, 13), *range(25, 62)]
    assert told["idle"]["needs"]["lowest"] is told["idle"]["needs"]["highest"] is None
    printed = json.loads(run("console", "print", path, "--json", "--part", "ranks").output)
    assert [row["needs"] for row in printed["rank"]] == [row["needs"] for row in told.values()]


def test_a_console_without_ranks_has_no_table_of_pipes(tmp_path: Path) -> None:
    path = tmp_path / "gull.toml"
    path.write_text(UNITS)
    assert run("console", "check", path).output == (
        'warning: line 10: division "great": it has no stops\n1 warning. 1 division.\n'
    )


# ---------------------------------------------------------------- print


def test_a_small_console_is_printed_whole(small: Path) -> None:
    result = run("console", "print", small)
    assert result.output == PRINTED
    assert result.exit_code == 0


def test_parts_are_printed_in_the_order_of_the_whole(small: Path) -> None:
    parts = run("console", "print", small, "--part", "ranks", "--part", "choices").output
    head, choices, *between, ranks, needs, _, _, _, _, _, _ = PRINTED.split("\n\n")
    assert between
    assert parts == "\n\n".join([head, choices, ranks, needs]) + "\n"


@pytest.mark.parametrize("demo", DEMOS, ids=lambda path: path.stem)
def test_a_listing_is_a_page_wide_and_names_everything(demo: Path) -> None:
    output = run("console", "print", demo).output
    console = read_console(demo.read_text(encoding="utf-8"))
    assert max(map(len, output.splitlines())) <= 100
    named = set(re.findall(r"^(?:Board )?([\w-]+)", output, re.MULTILINE))
    for things in (console.controls, console.pistons, console.ranks, console.boards):
        assert {thing.id for thing in things} <= named
    pins = [contact.pin for piston in console.pistons for contact in piston.contact]
    for pin in pins:
        assert pin in output
    assert output.count(" spare") >= 3


@pytest.mark.parametrize(
    ("action", "words"),
    [
        (Action.BLIND, {"while-governed", "cancel", "again", "set, stores"}),
        (Action.MOVING, {"drive, pulse", "drive, group", "drive, gap", "drive, follow"}),
        (Action.LIT, set()),
    ],
)
def test_only_choices_that_mean_something_are_printed(
    tmp_path: Path, action: Action, words: set[str]
) -> None:
    path = tmp_path / "new.toml"
    path.write_text(beginning(Answers("Quay Street", action, ("Great",))), encoding="utf-8")
    output = run("console", "print", path, "--part", "choices").output
    always = {
        "unset",
        "divisional-couplers",
        "levels",
        "set, hold",
        "set, latch",
        "set, latch-time",
        "set, lock",
        "timing, key-bounce",
        "timing, bounce",
        "timing, stuck",
    }
    listed = {re.split("  +", line)[0] for line in output.splitlines()[6:]} - {""}
    assert listed == words | always


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ('"last-touch"', '"adds"', "while-governed  adds  pistons only add to"),
        ("levels = 8", 'levels = 8\nagain = "release"', "again  release  "),
        ("levels = 8", "levels = 8\n[set]\nhold = false", "set, hold  false  "),
        ("levels = 8", 'levels = 8\n[set]\nstores = "rail"', "set, stores  rail  "),
        ("levels = 8", 'levels = 8\n[set]\nlock = "rail.16"', "set, lock  rail.16  "),
        (
            "shift = 12",
            "shift = 7",
            "gt-gt-4  Great Octave  Great to Great +7 semitones; its top 7 keys play no  rail.7",
        ),
        (
            "shift = 12",
            "pizzicato = true",
            "gt-gt-4  Great Octave  Great to Great 8', pizzicato 0.15 s  rail.7",
        ),
        (
            "shift = 12",
            "shift = -1",
            "gt-gt-4  Great Octave  Great to Great -1 semitones; its lowest key plays no  rail.7",
        ),
        (
            'keyboard = "great"',
            'keyboard = "great"\nlowest = 40\nlines = 50',
            "great  Great  Great  40-89  3 stops, 2 couplers, 1 percussion",
        ),
        (
            'keyboard = "great"',
            'keyboard = "great"\nlines = 63',
            "great  Great  Great  36-98  3 stops, 2 couplers, 1 percussion; nothing plays 97-98",
        ),
        (
            'keyboard = "great"',
            'keyboard = "great"\nlines = 61',
            "gt-gt-4  Great Octave  Great octave 4'  rail.7",
        ),
        (
            'keys = "pedal"\nplays = "great"',
            'keys = "great"\nplays = "pedal"\nshift = -5',
            "gt-pd  Great to Pedal  Pedal to Great -5 semitones; its lowest 5 and top 14  rail.6",
        ),
        ("pipes = 73", "pipes = 73\nprogram = 20", "General MIDI"),
        (
            "[[effect]]",
            '[[trap]]\nid = "drum"\nlabel = "Drum"\ndivision = "pedal"\ndrum = 36\n[[effect]]',
            "drum  Drum  trap, drum 36 of General MIDI  not wired",
        ),
        (
            "[[effect]]",
            '[transposer]\nup = "rail.12"\nzero = { pin = "rail.14", inverted = true }\n[[effect]]',
            "a semitone up  rail.12",
        ),
        (
            "[[effect]]",
            '[transposer]\nup = "rail.12"\nzero = { pin = "rail.14", inverted = true }\n[[effect]]',
            "to 0  rail.14 (inverted)",
        ),
        ("[[effect]]", '[transposer]\nswitch = "keys.50"\n[[effect]]', "to -6 ... +6  keys.50-62"),
        (
            'shows = "level"',
            'shows = "transposer"',
            "transposer  console, channel 4, controller 16",
        ),
        ("repeats = true", "captured = false", "gt-bells  Bells  Bells; never captured"),
        (
            '"2 2/3", from = 48 }',
            '"2 2/3", from = 48, to = 60, repeats = true }',
            "gt-nazard  Nazard 2⅔' TC  Flute 2 2/3' from key 48 to key 60, repeats  rail.3",
        ),
        (
            'draws = [{ rank = "flute", pitch = "2 2/3", from = 48 }]',
            'draws = [{ rank = "flute", by-key = true }, { rank = "bells", from = 60 }]',
            "gt-nazard  Nazard 2⅔' TC  Flute, key by key + Bells from key 60  rail.3",
        ),
        (
            "[[crescendo.stage]]",
            "heel = 120\ntoe = 10\n[[crescendo.stage]]",
            "1  83  Great: Flute 8'",
        ),
        (
            'contacts = "keys.1"',
            'contacts = [{ pin = "keys.1", keys = 5 }, '
            '{ pin = "keys.6", key = 50, inverted = true }]',
            "great  Great  49  36-84  keys.1-5; keys.6-40 (inverted)",
        ),
        (
            'contacts = "keys.1"',
            'contacts = [{ pin = "keys.1", keys = 5 }, { pin = "keys.6", key = 50, keys = 3 }]',
            "6-8  notes 41-43  Great keys 50-52",
        ),
        (
            "[[readout]]",
            '[[port]]\nid = "pipes"\nmidi = "USB Cable 1"\n[[readout]]',
            "pipes  out  MIDI port USB Cable 1",
        ),
        (
            "[[readout]]",
            '[[port]]\nid = "pipes"\nconnect = "[::1]:5004"\n[[readout]]',
            "pipes  out  TCP, connects to [::1]:5004",
        ),
        (
            "[[readout]]",
            '[[port]]\nid = "console"\nlisten = "0.0.0.0:5004"\n[[readout]]',
            "console  in and out  TCP, waits at 0.0.0.0:5004",
        ),
        (
            "[[readout]]",
            '[[port]]\nid = "pipes"\nserial = "/dev/ttyUSB0"\n[[readout]]',
            "pipes  out  serial device /dev/ttyUSB0, 31250 baud",
        ),
        (
            "[[readout]]",
            '[[port]]\nid = "pipes"\nserial = "/dev/ttyUSB0"\nbaud = 38400\n'
            "active-sensing = false\n[[readout]]",
            "pipes  out  serial device /dev/ttyUSB0, 38400 baud; no active sensing",
        ),
        (
            "[[readout]]",
            '[[port]]\nid = "swell"\ndevice = "/dev/snd/midiC1D0"\n[[readout]]',
            "swell  nowhere  device or file /dev/snd/midiC1D0",
        ),
        (
            'in = { port = "console", channel = 16, controller = 11 }',
            'in = { port = "pedals", channel = 16, controller = 11 }',
            "pedals  in  MIDI port pedals",
        ),
    ],
)
def test_what_the_listing_says_of_other_choices(small: Path, old: str, new: str, line: str) -> None:
    """``line`` is part of one, however wide its columns are."""
    assert old in SMALL
    small.write_text(SMALL.replace(old, new, 1), encoding="utf-8")
    result = run("console", "print", small)
    assert result.exit_code == 0, result.stderr
    assert any(line in re.sub("  +", "  ", found) for found in result.output.splitlines())
    assert line not in re.sub("  +", "  ", PRINTED)


@pytest.mark.parametrize(
    ("action", "key", "said"),
    [
        (Action.LIT, "lamp", "controls without a lamp: 5 of 5"),
        (Action.MOVING, "drive-o(n|ff)", "tabs that nothing drives: 5 of 5"),
        (Action.BLIND, "contacts", "keyboards: 2 of 2"),
        (Action.BLIND, "out", "ranks that go out nowhere: 4 of 4"),
    ],
)
def test_what_is_not_wired(tmp_path: Path, action: Action, key: str, said: str) -> None:
    text = beginning(Answers("Quay Street", action, ("Great",), stops=2, generals=0))
    console = text.partition("# ---------- Pistons")
    unwired = re.sub(rf"^{key} = .*\n", "", console[0], flags=re.MULTILINE)
    path = tmp_path / "quay.toml"
    path.write_text(unwired + "".join(console[1:]), encoding="utf-8")
    output = run("console", "print", path, "--part", "unwired").output
    assert re.findall(r"^([a-z].*?)  +(.*)$", output.partition("Not wired\n")[2], re.MULTILINE) == [
        ("what", "which"),
        (said, "all of them"),
    ]


def test_a_stop_that_draws_a_rank_twice_is_one_stop_of_it(small: Path) -> None:
    """As a resultant is: two pipes a note."""
    twice = 'draws = [{ rank = "flute", pitch = "16" }, { rank = "flute", pitch = "10 2/3" }]'
    drawn = 'rank = "flute"\ncontact-on'
    assert drawn in SMALL
    small.write_text(SMALL.replace(drawn, f"{twice}\ncontact-on"), encoding="utf-8")
    output = run("console", "print", small, "--part", "ranks").output
    assert re.search(r"^flute +Flute +16' +73 +36 +4 +pipes", output, re.MULTILINE)


def test_a_console_in_json_is_what_its_file_says(small: Path) -> None:
    told = json.loads(run("console", "print", small, "--json").output)
    written = tomlkit.parse(SMALL).unwrap()
    assert [stop["id"] for stop in told["stop"]] == [stop["id"] for stop in written["stop"]]
    assert told["while-governed"] == "last-touch"
    assert told["stop"][2]["draws"][0]["pitch"] == "2 2/3"
    ranges = names_of(SMALL).ranges
    for piston in told["piston"]:
        if piston["kind"] in ("general", "divisional", "full-organ"):
            assert piston["affected"] == list(
                ranges.roster.registration(ranges.affects[piston["id"]])
            )
        else:
            assert "affected" not in piston
    assert told["crescendo"]["stage"][1]["adding"] == ["gt-flute-8", "gt-flute-4", "pd-bourdon"]
    pins = {board["id"]: board["on-pins"] for board in told["board"]}
    assert pins["rail"][5] == {"pin": 6, "in": "Great to Pedal (gt-pd)", "out": None}
    assert pins["out"][3] == {"pin": 4, "in": None, "out": "Box shades 4"}
    nothing = dict.fromkeys(["connect", "listen", "serial", "device", "baud"])
    usual = nothing | {"active-sensing": True, "sends": True}
    assert told["port"] == [
        usual | {"id": "console", "midi": "console", "listens": True},
        usual | {"id": "pipes", "midi": "pipes", "listens": False},
    ]
    assert told["unwired"] == {"keyboards": ["pedal"], "pistons without a contact": ["up"]}


def test_parts_in_json(small: Path) -> None:
    told = json.loads(run("console", "print", small, "--json", "--part", "boards").output)
    assert set(told) == {"format", "name", "action", "board", "readout"}


def test_ports_in_json(small: Path) -> None:
    """Those of the file as it has them, and those that it does not join."""
    tables = '[[port]]\nid = "a"\nlisten = "[::1]:1"\n[[port]]\nid = "pipes"\nserial = "x"\n'
    small.write_text(f"{SMALL}\n{tables}baud = 300\nactive-sensing = false\n", encoding="utf-8")
    told = json.loads(run("console", "print", small, "--json", "--part", "ports").output)
    assert set(told) == {"format", "name", "action", "port"}
    assert [{key: value for key, value in row.items() if value} for row in told["port"]] == [
        {
            "id": "console",
            "midi": "console",
            "active-sensing": True,
            "listens": True,
            "sends": True,
        },
        {"id": "pipes", "serial": "x", "baud": 300, "sends": True},
        {"id": "a", "listen": "[::1]:1", "active-sensing": True},
    ]


def test_a_console_without_ports_has_no_table_of_them(tmp_path: Path) -> None:
    path = tmp_path / "gull.toml"
    path.write_text(UNITS)
    assert len(run("console", "print", path, "--part", "ports").output.splitlines()) == 3


def test_every_key_of_a_console_file_is_in_one_part() -> None:
    told = json.loads(run("console", "print", DEMOS[0], "--json").output)
    of_every_part = {"format", "name", "action"}
    listed = [key for _, keys in PARTS.values() for key in keys]
    assert set(told) == {*listed} | of_every_part
    of_the_file = {file_word(attribute) for attribute in attrs.fields(Console)}
    assert sorted(listed) == sorted(of_the_file - of_every_part | {"unwired"})


@pytest.mark.parametrize("demo", DEMOS, ids=lambda path: path.stem)
def test_used_pins_are_those_that_the_file_names(demo: Path) -> None:
    """Counted in the text: single pins, and runs of keys, shade stages, the transposer's switch."""
    text = demo.read_text(encoding="utf-8")
    names = names_of(text)
    console = names.console
    pins = set(re.findall(r'"([a-z0-9-]+\.\d+)"', text))
    for first, count in [
        *((run.pin, board.keys) for board in console.keyboards for run in board.contacts),
        *((c.shades, c.stages or 0) for c in console.chambers if c.shades),
        *((switch, 13) for switch in [console.transposer.switch] if switch),
    ]:
        name, _, number = first.rpartition(".")
        pins |= {f"{name}.{n}" for n in range(int(number), int(number) + count)}
    assert pins_used(names) == (len(pins), sum(board.pins for board in console.boards))
    listed = {
        f"{board}.{pin}"
        for side in (pins_in(names), pins_out(names))
        for board, uses in side.items()
        for pin in uses
    }
    assert listed == pins


def test_contacts_of_one_piston_under_thumb_and_toe_are_told_apart() -> None:
    """Not so where all are at one kind of place: see what is printed of the small console."""
    names = names_of(next(d for d in DEMOS if d.stem == "church").read_text(encoding="utf-8"))
    pins = pins_in(names)
    assert pins["thumb"][1].text.endswith("), thumb")
    assert pins["toe"][1].text == pins["thumb"][1].text.replace(", thumb", ", toe stud")
    assert pins["toe"][13].text.endswith("), toe stud (inverted)")


@pytest.mark.parametrize(
    ("controls", "words"),
    [
        ("", "nothing"),
        ("gt-flute-8", "Great: Flute 8'"),
        ("gt-flute-8 gt-flute-4", "Great: Flute 8', Flute 4'"),
        (
            "gt-flute-8 gt-flute-4 gt-nazard",
            "Great (3 of 4: not Bells)",
        ),
        ("gt-flute-8 gt-flute-4 gt-nazard gt-bells", "Great (4)"),
        ("gt-flute-8 gt-flute-4 gt-nazard gt-bells gt-gt-4 gt-off", "Great (4) and its 2 couplers"),
        ("gt-flute-8 gt-off", "Great: Flute 8' and Unison Off"),
        ("gt-gt-4 gt-off gt-pd", "Great: its 2 couplers; Pedal: Great to Pedal"),
        ("pd-bourdon trem", "Pedal: Bourdon 16'; of no division: Tremulant"),
        ("siren", "of no division: Siren"),
    ],
)
def test_ranges_in_words(controls: str, words: str) -> None:
    names = names_of(SMALL)
    assert names.range(names.ranges.roster.bits(controls.split())) == words


def test_ranges_of_a_large_console_in_words() -> None:
    names = names_of(next(d for d in DEMOS if d.stem == "theatre").read_text(encoding="utf-8"))
    roster, capturable = names.ranges.roster, names.ranges.capturable
    assert names.range(capturable) == "all 109 capturable controls"
    assert names.range(capturable & ~roster.bits(["trem-main", "gt-off"])) == (
        "107 of 109 capturable controls: not Great Unison Off, Main Tremulant"
    )
    own = roster.bits(["gt-gt-16", "gt-off", "gt-gt-4"])
    great = names.ranges.selected(Selection(divisions=("great",)))
    assert names.range(great | own) == "Great (29) and its 3 own couplers"


# ---------------------------------------------------------------- a piston altered


def altered_lines(path: Path, piston: str, *words: str | Path) -> list[str]:
    """What the command shows of the file: the lines that go and come."""
    result = run("console", "piston", path, piston, *words)
    assert result.exit_code == 0, result.stderr
    return [line for line in result.output.splitlines() if re.match(r" *\d+ [-+] ", line)]


def test_a_general_made_divisional_and_general_again(small: Path) -> None:
    result = run("console", "piston", small, "g1", "--divisional", "great", "--write")
    line = SMALL.splitlines().index('kind = "general"') + 1
    assert result.output == (
        "Piston 1 (g1)\n"
        "  now: general; affects all 9 capturable controls\n"
        "  new: divisional of Great; affects Great (4) and its 2 couplers\n"
        "\n"
        f'{line} - kind = "general"\n'
        f'{line} + kind = "divisional"\n'
        f'{line + 1} + division = "great"\n'
        "\n"
        f"Written: {small}\n"
    )
    assert small.read_text(encoding="utf-8") == SMALL.replace(
        'kind = "general"\n', 'kind = "divisional"\ndivision = "great"\n', 1
    )
    assert run("console", "piston", small, "g1", "--general", "--write").exit_code == 0
    assert small.read_text(encoding="utf-8") == SMALL


def test_nothing_is_written_unless_asked(small: Path) -> None:
    result = run("console", "piston", small, "g1", "--not", "trem")
    assert result.output.endswith("\nNothing is written: add --write for that.\n")
    assert result.exit_code == 0
    assert small.read_text(encoding="utf-8") == SMALL


@pytest.mark.parametrize(
    ("piston", "words", "shown"),
    [
        ("g1", ["--not", "trem"], ['+ affects = { except = ["trem"] }']),
        ("g1", ["--also", "trem"], []),
        ("g1", ["--additive", "--not-settable"], ["+ additive = true", "+ settable = false"]),
        ("g1", ["--not-additive", "--settable"], []),
        (
            "g1",
            ["--affects", "great, gt-pd"],
            ['+ affects = { divisions = ["great"], controls = ["gt-pd"] }'],
        ),
        (
            "g1",
            ["--affects", "great", "--not", "gt-bells", "--not", "gt-nazard"],
            ['+ affects = { divisions = ["great"], except = ["gt-bells", "gt-nazard"] }'],
        ),
        ("g1", ["--affects", "everything"], ["+ affects = { everything = true }"]),
        (
            "gt1",
            ["--also", "gt-pd"],
            ['+ affects = { divisions = ["great"], controls = ["gt-gt-4", "gt-off", "gt-pd"] }'],
        ),
        ("gt1", ["--divisional", "great"], []),
        (
            "gt1",
            ["--divisional", "pedal"],
            ['- division = "great"', '+ division = "pedal"'],
        ),
        (
            "gt1",
            ["--general"],
            [
                '- kind = "divisional"       # of the Great',
                '- division = "great"',
                '+ kind = "general"       # of the Great',
            ],
        ),
        (
            "pd1",
            ["--also", "trem"],
            [
                '- affects = ["pd-bourdon", "gt-pd"]   # the coupler too',
                '+ affects = ["pd-bourdon", "gt-pd", "trem"]   # the coupler too',
            ],
        ),
        (
            "pd1",
            ["--not", "pd-bourdon", "--settable", "--not-additive"],
            [
                '- affects = ["pd-bourdon", "gt-pd"]   # the coupler too',
                "- additive = true",
                "- settable = false",
                '+ affects = ["gt-pd"]   # the coupler too',
                "+ additive = false",
                "+ settable = true",
            ],
        ),
        (
            "pd1",
            ["--divisional", "pedal"],
            ['- affects = ["pd-bourdon", "gt-pd"]   # the coupler too'],
        ),
        (
            "pd1",
            ["--affects", "pedal"],
            [
                '- affects = ["pd-bourdon", "gt-pd"]   # the coupler too',
                '+ affects = { divisions = ["pedal"] }   # the coupler too',
            ],
        ),
    ],
)
def test_the_lines_that_change(
    small: Path, piston: str, words: list[str], shown: list[str]
) -> None:
    lines = altered_lines(small, piston, *words)
    assert [re.sub(r"^ *\d+ ", "", line) for line in lines] == shown
    if not shown:
        output = run("console", "piston", small, piston, *words).output
        assert re.fullmatch(r"Piston .* is so already: .*\.\n", output)


@pytest.mark.parametrize(
    ("piston", "affects", "words", "shown"),
    [
        ("g1", '{ except = ["trem"] }', ["--also", "trem"], None),
        ("g1", '{ except = ["trem", "gt-off"] }', ["--also", "trem"], '{ except = ["gt-off"] }'),
        ("g1", '{ except = ["trem"] }', ["--not", "gt-off"], '{ except = ["trem", "gt-off"] }'),
        (
            "gt1",
            '{ except = ["gt-off"] }',
            ["--also", "gt-pd"],
            '{ divisions = ["great"], controls = ["gt-gt-4", "gt-off", "gt-pd"], '
            'except = ["gt-off"] }',
        ),
        (
            "gt1",
            '{ divisions = ["great"], controls = "trem" }',
            ["--not", "trem"],
            '{ divisions = ["great"] }',
        ),
        (
            "g1",
            '{ everything = true, controls = ["trem"] }',
            ["--not", "trem"],
            '{ everything = true, except = ["trem"] }',
        ),
        (
            "g1",
            '{ divisions = [\n  "great",  # both\n  "pedal", # of them\n], except = ["trem"] }',
            ["--not", "gt-off", "--not", "gt-bells"],
            '{ divisions = [\n  "great",  # both\n  "pedal", # of them\n], '
            'except = ["trem", "gt-bells"] }',
        ),
        (
            "g1",
            '[\n  "gt-off", # never\n  "trem", # always\n]',
            ["--affects", "great trem", "--not", "gt-bells"],
            '{ divisions = ["great"], controls = [\n  "trem", # always\n], except = ["gt-bells"] }',
        ),
    ],
)
def test_ranges_altered_as_they_are_written(
    small: Path, piston: str, affects: str, words: list[str], shown: str | None
) -> None:
    head = f'id = "{piston}"\n'
    written = SMALL.replace(head, f"{head}affects = {affects} # its range\n")
    small.write_text(written, encoding="utf-8")
    result = run("console", "piston", small, piston, *words, "--write")
    assert result.exit_code == 0, result.stderr
    line = f"affects = {shown} # its range\n" if shown else ""
    assert small.read_text(encoding="utf-8") == SMALL.replace(head, head + line)


@pytest.mark.parametrize(
    ("affects", "words"),
    [
        ('["trem"]', ["--not", "trem"]),
        ('{ controls = ["trem"], except = ["gt-off"] }', ["--not", "trem"]),
        ('["trem"]', ["--affects", "siren"]),
        ('["trem"]', ["--affects", "gt-off", "--not", "gt-off"]),
    ],
)
def test_a_piston_that_would_affect_nothing(small: Path, affects: str, words: list[str]) -> None:
    written = SMALL.replace('id = "g1"\n', f'id = "g1"\naffects = {affects}\n')
    small.write_text(written, encoding="utf-8")
    result = run("console", "piston", small, "g1", *words, "--write")
    line = written.splitlines().index(f"affects = {affects}") + 1
    assert result.stderr == (
        f"stopwright: {small} would have an error:\n"
        f'  line {line}: piston "g1", affects: it affects nothing\n'
    )
    assert result.exit_code == 2
    assert small.read_text(encoding="utf-8") == written


def test_a_general_has_its_usual_range_again(small: Path) -> None:
    run("console", "piston", small, "pd1", "--general", "--write")
    piston = next(
        p for p in read_console(small.read_text(encoding="utf-8")).pistons if p.id == "pd1"
    )
    assert (piston.kind, piston.division, piston.affects) == (Kind.GENERAL, None, None)


def test_new_warnings_are_shown_and_old_ones_not(small: Path) -> None:
    output = run("console", "piston", small, "g1", "--affects", "trem siren").output
    warnings = [line for line in output.splitlines() if line.startswith("warning: ")]
    line = SMALL.splitlines().index('kind = "general"') + 2
    assert warnings == [
        f'warning: line {line}: piston "g1", affects: "siren" is never captured, though listed'
    ]


def test_a_long_list_goes_over_several_lines() -> None:
    text = next(d for d in DEMOS if d.stem == "theatre").read_text(encoding="utf-8")
    names = names_of(text)
    couplers = [
        "so-gt",
        "so-gt-4",
        "so-pd",
        "ac-pd",
        "gt-pd",
        "ac-ac-4",
        "so-ac",
        "gt-gt-16",
        "gt-gt-4",
        "gt-off",
        "gt-so",
    ]
    quoted = [f'"{coupler}"' for coupler in couplers]
    wish = Wish(words=" ".join(["great", "pedal", *couplers]))
    new = alter(names, names.pistons["g1"], wish)
    after = rewritten(text, 0, {"affects": new.affects})
    added = [line for line in after.splitlines() if line not in text.splitlines()]
    *lines, last = added
    assert lines == [
        'affects = { divisions = ["great", "pedal"], controls = [',
        f"    {', '.join(quoted[:9])},",
        f"    {', '.join(quoted[9:])},",
    ]
    assert last == "] }"
    assert 90 < len(lines[1]) <= 100


def test_the_sequence_that_nobody_wrote_goes_through_the_generals(small: Path) -> None:
    small.write_text(
        SMALL.replace('label = "+"\nkind = "level-up"\nby = 2', 'label = "+"\nkind = "next"'),
        encoding="utf-8",
    )
    output = run("console", "piston", small, "g1", "--divisional", "pedal").output
    assert "Where no sequence is written, next and previous no longer stop at it.\n" in output
    output = run("console", "piston", small, "gt1", "--general").output
    assert "Where no sequence is written, next and previous will stop at it.\n" in output
    output = run("console", "piston", small, "gt1", "--divisional", "pedal").output
    assert "sequence" not in output


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (
            ["pd2", "--general"],
            'there is no piston "pd2"; did you mean "pd1"?',
        ),
        (
            ["set", "--general"],
            'piston "set" is of kind set: only generals and divisionals can be altered so',
        ),
        (
            ["full", "--affects", "great"],
            'piston "full" is of kind full-organ: only generals and divisionals can be altered so',
        ),
        (
            ["g1", "--divisional", "Great"],
            'there is no division "Great"; did you mean "great"?',
        ),
        (
            ["g1", "--affects", "great gt-pdd"],
            'there is no division or control "gt-pdd"; did you mean "gt-pd"?',
        ),
        (["g1", "--affects", " , "], "--affects names nothing"),
        (["g1", "--also", "siren"], '"siren" is never captured: no piston can affect it'),
        (["g1", "--not", "tram"], 'there is no control "tram"; did you mean "trem"?'),
        (["g1", "--also", "trem", "--not", "trem"], '"trem" is given to both --also and --not'),
        (["g1", "--general", "--bank", "no.bank"], "no.bank: there is no such file or folder"),
    ],
)
def test_refusals(small: Path, words: list[str], message: str) -> None:
    result = run("console", "piston", small, *words, "--write")
    assert result.stderr == f"stopwright: {message}\n"
    assert result.stdout == ""
    assert result.exit_code == 2
    assert small.read_text(encoding="utf-8") == SMALL


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["g1"], "Say what to change: --general, --divisional, --affects, --also ..."),
        (
            ["g1", "--bank", "x"],
            "Say what to change: --general, --divisional, --affects, --also ...",
        ),
        (
            ["g1", "--general", "--divisional", "great"],
            "A piston is made --general or --divisional, not both.",
        ),
    ],
)
def test_words_that_do_not_go_together(small: Path, words: list[str], message: str) -> None:
    result = run("console", "piston", small, *words)
    assert result.stderr.endswith(f"Error: {message}\n")
    assert result.exit_code == 2


def test_a_file_with_errors_is_not_altered(small: Path) -> None:
    text = SMALL.replace("levels = 8", "levels = 0")
    small.write_text(text, encoding="utf-8")
    result = run("console", "piston", small, "g1", "--not", "trem", "--write")
    assert result.stderr == (
        f"stopwright: {small} has an error:\n  line 6: levels: is 0; expected 1 to 9999\n"
    )
    assert result.exit_code == 2
    assert small.read_text(encoding="utf-8") == text


def test_only_what_was_asked_for_is_ever_written() -> None:
    with pytest.raises(CannotRewriteError):
        rewritten(SMALL, 0, {"lamp": "out.20"})


# ---------------------------------------------------------------- what a bank holds for it


@pytest.fixture
def anna(small: Path) -> Path:
    """A bank in which g1 is set at three levels, once with a control that is no longer there."""
    bank = fresh_bank(read_console(SMALL), "Anna")
    bits = bank.roster.bits
    bank.controls = (*bank.controls, ControlCard("gone", ("Old", "Oboe")))
    gone = bank.roster.bit("gone")
    bank.at(2).combinations["g1"] = Combination(bits(["gt-flute-8", "pd-bourdon", "gt-pd"]))
    bank.at(5).name = "Evensong"
    neutral = bits(["trem", "gt-bells"])
    bank.at(5).combinations["g1"] = Combination(bits(["gt-flute-4", "trem", "gt-bells"]), neutral)
    bank.at(7).combinations["g1"] = Combination(bits(["trem"]) | gone)
    path = small.with_name("anna.bank")
    write_bank_file(path, BankFile(bank))
    return path


HELD = """\
In the bank "Anna" it is set at 3 levels.
level       turns on now                  will turn on     kept unheard                 left alone
2           Great: Flute 8'; Pedal:       Great: Flute 8'  Pedal: Bourdon 16' and       -
            Bourdon 16' and Great to                       Great to Pedal
            Pedal
5 Evensong  Great: Flute 4'               the same         -                            Great: Bells
7           of no division: Tremulant     nothing          of no division: Tremulant;   -
                                                           not on this console: Old
                                                           Oboe
Whatever else it affects it turns off.""".splitlines()


def test_what_becomes_of_a_bank(small: Path, anna: Path) -> None:
    before = anna.read_bytes()
    result = run("console", "piston", small, "g1", "--divisional", "great", "--bank", anna)
    assert result.exit_code == 0
    held = result.output.split("\n\n")[1].splitlines()
    assert held == HELD
    assert anna.read_bytes() == before


def test_a_bank_of_a_console_written_narrow_comes_back_wide(small: Path, anna: Path) -> None:
    run("console", "piston", small, "g1", "--divisional", "great", "--write")
    result = run("console", "piston", small, "g1", "--general", "--additive", "--bank", anna)
    held = result.output.split("\n\n")[1].splitlines()
    assert re.split("  +", held[2])[:3] == ["2", "Great: Flute 8'", "Great: Flute 8';"]
    assert held[-1] != "Whatever else it affects it turns off."


def test_a_bank_in_which_it_is_not_set(small: Path, anna: Path) -> None:
    output = run("console", "piston", small, "gt1", "--general", "--bank", anna).output
    assert 'In the bank "Anna" it is not set at any level.\n' in output
    output = run("console", "piston", small, "gt1", "--divisional", "great", "--bank", anna).output
    assert output == (
        "Piston Great 1 (gt1) is so already: divisional of Great; affects Great (4) and its 2 "
        'couplers.\n\nIn the bank "Anna" it is not set at any level.\n'
    )


# ---------------------------------------------------------------- how a file is rewritten


def test_a_file_that_the_disk_will_not_take_is_left_as_it_was(small: Path) -> None:
    """A disk that is full is stood in for by a limit on the size of files."""
    code = "from cli.main import main; main(prog_name='stopwright')"
    words = ["console", "piston", str(small), "g1", "--not", "trem", "--write"]
    done = subprocess.run(
        [sys.executable, "-c", code, *words],
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000)),
    )
    assert done.stderr == f"stopwright: {small}: a file may not be as large as that here\n"
    assert done.returncode == 2
    assert small.read_text(encoding="utf-8") == SMALL
    assert [path.name for path in small.parent.iterdir()] == ["small.toml"]


def test_byte_order_mark_line_ends_and_permissions_stay(small: Path) -> None:
    written = b"\xef\xbb\xbf" + SMALL.replace("\n", "\r\n").encode()
    small.write_bytes(written)
    small.chmod(0o640)
    link = small.with_name("link.toml")
    link.symlink_to(small)
    assert run("console", "piston", link, "g1", "--not", "trem", "--write").exit_code == 0
    assert small.read_bytes() == written.replace(
        b'kind = "general"\r\n', b'kind = "general"\r\naffects = { except = ["trem"] }\r\n', 1
    )
    assert small.stat().st_mode & 0o777 == 0o640
    assert link.is_symlink()
    assert sorted(path.name for path in small.parent.iterdir()) == ["link.toml", "small.toml"]


def test_a_piston_at_the_very_end_of_a_file_without_a_last_line_end() -> None:
    text = SMALL.partition("# Two of a kind.")[0].rstrip() + "\n"
    text = text.replace('lamp = "out.9"\n', "") + SMALL.partition("by = 2\n")[2]
    moved = text.replace('kind = "general"\n', "") + '\n[[piston]]\nid = "g2"\nlabel = "2"\n'
    moved = moved.replace('id = "g1"\n', 'id = "g1"\nkind = "general"\n') + 'kind = "general"'
    after = rewritten(moved, 1, {"kind": "divisional", "division": "great"})
    assert after == moved[: -len('"general"')] + '"divisional"\ndivision = "great"'
    assert rewritten(after, 1, {"kind": "general", "division": None}) == moved + "\n"


FEWER = (
    "\n\n".join(
        table
        for table in SMALL.partition("# What the pistons are.")[0].split("\n\n")
        if not re.search(
            r'^id = "(?:gt-flute-4|gt-nazard|gt-gt-4|gt-off|siren)"|^\[\[?crescendo', table, re.M
        )
    )
    + "\n\n"
)
"""The small console before its pistons, with a few controls of each kind that pistons know."""
WHERE = {
    "list": ['affects = ["gt-flute-8", "trem"] # two\n'],
    "one": ['affects = "trem"\n'],
    "lines": ['affects = [\n    "gt-flute-8", # first\n    # then\n    "trem",\n]\n'],
    "table": ['affects = { divisions = ["great"], except = ["gt-bells"] }\n'],
    "table-lines": [
        'affects = { divisions = "great", controls = [\n  "trem", # shakes\n], except = [] }\n'
    ],
    "dotted": [
        'affects.divisions = ["great"] # all\n',
        "# between\n",
        'affects . "controls" = ["trem"]\n',
    ],
    "none": [],
}
"""Ways to write the same piston's range, as pieces of text."""
BELOW = {
    "sub": [
        "  [piston.affects]   # in a table of its own\n",
        'divisions = ["great"]\n',
        "\n",
        "# but not the bells\n",
        'except = ["gt-bells"] # they ring\n',
    ],
    "quoted": ['["piston"."affects"]\n', "controls = ['trem', \"gt-flute-8\"]\n"],
}
"""The same in tables under the piston's."""


@st.composite
def written_pistons(draw: st.DrawFn) -> tuple[str, list[tuple[str, str]]]:
    """A line end, and a text in pieces: each with the key of piston p it is, or nothing."""
    pick = st.sampled_from
    pieces: list[tuple[str, str]] = [(FEWER, "")]
    other = '[[piston]]\nid = "{}"\nlabel = "[[piston]] = \\"\'\'\'"\nkind = "general"\n'
    pieces += [(other.format("before"), "")] * draw(st.integers(0, 1))
    pieces.append((draw(pick(["[[piston]]\n", ' [[ "piston" ]] # it\n'])), "the first"))
    indent = draw(pick(["", "  ", "\t"]))
    quote = draw(pick(['"', "'"]))
    keys = [
        [("id = 'p'\n", "")],
        [("label = '''a\n[[piston]]\nb'''\n".replace("\n[[piston]]\n", "[[piston]]"), "")],
        draw(
            pick(
                [
                    [(f"kind = {quote}general{quote} # kind\n", "kind")],
                    [
                        (f"kind={quote}divisional{quote}\n", "kind"),
                        ("\n", ""),
                        ("division  =  'great'   # [[piston]]\n", "division"),
                    ],
                ]
            )
        ),
        draw(
            pick(
                [[], [("additive = true\n", "additive")], [("additive = false # no\n", "additive")]]
            )
        ),
        draw(pick([[], [("settable = false\n", "settable")]])),
    ]
    below = draw(pick([None, None, *BELOW]))
    if below is None:
        keys.append(
            [(t, "" if t.startswith("#") else "affects") for t in WHERE[draw(pick(sorted(WHERE)))]]
        )
    for lines in draw(st.permutations(keys)):
        pieces += [(text if text.isspace() else indent + text, key) for text, key in lines]
        if draw(st.booleans()):
            pieces.append((draw(pick(["\n", '# a comment: kind = "x"\n', "   \n"])), ""))
    for text in BELOW[below] if below else []:
        blank = text.isspace() or text.startswith("#")
        pieces.append((text, "" if blank else "affects"))
    pieces.append(("\n# What comes after.\n\n", "the next"))
    pieces.append((SMALL[SMALL.index("[[board]]") :], ""))
    pieces += [(other.format("after"), "")] * draw(st.integers(0, 1))
    end = draw(pick(["\n", "\r\n"]))
    return end, [(text.replace("\n", end), key) for text, key in pieces]


CONTROLS = ["gt-flute-8", "pd-bourdon", "gt-pd", "trem", "gt-bells"]


@st.composite
def wishes(draw: st.DrawFn) -> Wish:
    some = st.lists(st.sampled_from(CONTROLS), unique=True, max_size=3)
    division = st.sampled_from(["great", "pedal"])
    also = draw(some)
    kind = draw(st.sampled_from(["", "", "general", "divisional"]))
    named = draw(st.lists(st.sampled_from(["great", "pedal", "everything", *CONTROLS]), max_size=3))
    return Wish(
        kind == "general",
        draw(division) if kind == "divisional" else None,
        " ".join(named) or None,
        tuple(also),
        tuple(name for name in draw(some) if name not in also),
        draw(st.sampled_from([None, True, False])),
        draw(st.sampled_from([None, True, False])),
    )


def plainly(piston: Piston) -> Piston:
    """A piston whose lists have no order."""
    if piston.affects is None:
        return piston
    selection = piston.affects
    return evolve(
        piston,
        affects=Selection(
            selection.everything,
            tuple(sorted(set(selection.divisions))),
            tuple(sorted(set(selection.controls))),
            tuple(sorted(set(selection.excluding))),
        ),
    )


def read_errors(text: str) -> list[str]:
    return [finding.message for finding in examine(text)[1] if finding.severity == "error"]


@settings(max_examples=EXAMPLES)
@given(written_pistons(), wishes())
def test_everything_but_the_keys_that_change_stays_as_it_was(
    written: tuple[str, list[tuple[str, str]]], wish: Wish
) -> None:
    end, pieces = written
    text = "".join(piece for piece, _ in pieces)
    names = names_of(text)
    console = names.console
    index = next(i for i, piston in enumerate(console.pistons) if piston.id == "p")
    try:
        new = alter(names, console.pistons[index], wish)
    except click.ClickException:
        return
    wanted: dict[str, Any] = {
        "kind": str(new.kind),
        "division": new.division,
        "affects": new.affects,
        "additive": new.additive,
        "settable": new.settable,
    }
    wanted = {
        key: value for key, value in wanted.items() if getattr(console.pistons[index], key) != value
    }
    after = rewritten(text, index, wanted)
    if not names.ranges.affected_by(new):
        assert read_errors(after) == ["it affects nothing"]
        return

    expected = [*console.pistons]
    expected[index] = new
    found = read_console(after).pistons
    assert [plainly(piston) for piston in found] == [plainly(piston) for piston in expected]
    assert (end == "\r\n") is ("\r\n" in after)
    assert after.count("\n") == after.count(end)
    keys = [key for _, key in pieces]
    first, following = keys.index("the first"), keys.index("the next")
    place = 0
    for number, (piece, key) in enumerate(pieces):
        if key in wanted:
            continue
        at = after.index(piece, place)
        inside = first < number <= following
        assert at == place or (inside and wanted), "something came where nothing should"
        place = at + len(piece)
    assert place == len(after)
    if not wanted:
        assert after == text


@pytest.mark.parametrize(
    ("row", "changes", "expected"),
    [
        (
            '{ id = "g1", label = "1", kind = "general" }',
            {"kind": "divisional", "division": "great"},
            '{ id = "g1", label = "1", kind = "divisional", division = "great"}',
        ),
        (
            "{id='g1',label='1',kind='divisional',division='great',additive=true}",
            {"kind": "general", "division": None, "additive": False},
            "{id='g1',label='1',kind=\"general\",additive=false}",
        ),
        (
            '{ id = "g1", label = "1", kind = "general", affects.controls = ["trem"] }',
            {"kind": "divisional", "division": "great", "affects": None},
            '{ id = "g1", label = "1", kind = "divisional",  division = "great"}',
        ),
        (
            '{ id = "g1", label = "1", kind = "general", affects.controls = ["trem"] }',
            {"affects": Selection(controls=("trem",), excluding=("gt-pd",))},
            '{ id = "g1", label = "1", kind = "general",  '
            'affects = { controls = ["trem"], except = ["gt-pd"] }}',
        ),
        (
            '{ id = "g1", label = "1", kind = "general", affects = ["trem"] }',
            {"affects": Selection(controls=("trem", "gt-pd"))},
            '{ id = "g1", label = "1", kind = "general", affects = ["trem", "gt-pd"] }',
        ),
    ],
)
def test_pistons_in_one_list(row: str, changes: dict[str, Any], expected: str) -> None:
    other = '{ id = "o", label = "o", kind = "general" }'
    form = "piston = [ # all of them\n  {},\n  {}, # the last\n]\n"
    rest = SMALL.partition("# What the pistons are.")[0]
    after = rewritten(form.format(other, row) + rest, 1, changes)
    assert after == form.format(other, expected) + rest


# ---------------------------------------------------------------- what a piston becomes


@given(st.data())
def test_a_range_altered_is_the_range_asked_for(data: st.DataObject) -> None:
    """Against plain sets, on consoles of every kind."""
    console = data.draw(consoles())
    names = Names(console, Ranges(console))
    able = [p for p in console.pistons if p.kind in (Kind.GENERAL, Kind.DIVISIONAL)]
    if not able:
        return
    piston = data.draw(st.sampled_from(able))
    some = st.lists(st.sampled_from([c.id for c in console.controls]), unique=True, max_size=3)
    also, without = data.draw(some), data.draw(some)
    without = [name for name in without if name not in also]
    division = data.draw(st.sampled_from([d.id for d in console.divisions]))
    general, divisional = data.draw(
        st.sampled_from([(False, None), (True, None), (False, division)])
    )
    words = data.draw(st.sampled_from([None, "everything", division, f"{division} a,b"]))

    base = piston
    if general or divisional:
        kind = Kind.GENERAL if general else Kind.DIVISIONAL
        base = evolve(piston, kind=kind, division=divisional, affects=None)
    expected = set(names.ranges.roster.registration(names.ranges.affected_by(base)))
    captured = {control.id for control in console.controls if control.captured}
    if words:
        named = {"a", "b"} if words.endswith("b") else set()
        of_division = {
            c.id
            for c in console.controls
            if c.division == division and "Coupler" not in str(type(c))
        }
        expected = captured if words == "everything" else (of_division | named) & captured
    expected = (expected | set(also)) - set(without)

    wish = Wish(general, divisional, words, tuple(also), tuple(without))
    try:
        new = alter(names, piston, wish)
    except click.ClickException:
        refused = True
    else:
        refused = False
    assert refused is bool(set(also) - captured)
    if not refused:
        affected = names.ranges.roster.registration(names.ranges.affected_by(new))
        assert set(affected) == expected
        assert (new.kind, new.division) == (base.kind, base.division)


# ---------------------------------------------------------------- a new console


@pytest.mark.parametrize(
    ("action", "manuals", "pedal"),
    [*product(Action, sorted(MANUALS), [0, 32]), *product(Action, [2], [30])],
)
def test_a_new_console_has_nothing_wrong(action: Action, manuals: int, pedal: int) -> None:
    """Every number of pistons and stops, each with either of two compasses and numbers of levels.

    Which of the two alternates: over all manuals and pedals each comes with each.
    """
    sizes = ((0, 0, 1), (1, 0, 16), (0, 3, 4), (8, 4, 4), (99, 20, 16))
    for number, (generals, divisionals, stops) in enumerate(sizes, manuals + pedal // 30):
        keys, levels = ((61, 100), (12, 1))[number % 2]
        answers = Answers(
            "Quay Street",
            action,
            MANUALS[manuals],
            keys,
            pedal,
            generals,
            divisionals,
            stops,
            levels,
        )
        console, findings = examine(beginning(answers))
        assert findings == ()
        assert console is not None
        assert len(console.divisions) == manuals + bool(pedal)
        assert len(console.stops) == len(console.ranks) == stops * len(console.divisions)
        kinds = [piston.kind for piston in console.pistons]
        assert kinds.count(Kind.GENERAL) == generals
        assert (Kind.NEXT in kinds) is (generals > 0)
        assert kinds.count(Kind.DIVISIONAL) == divisionals * len(console.divisions)


@pytest.mark.parametrize("action", Action)
@pytest.mark.parametrize("pedal", [0, 32])
def test_the_ports_in_its_comments_are_ports_of_it(action: Action, pedal: int) -> None:
    text = beginning(Answers("Quay Street", action, ("Great", "Swell"), pedal_keys=pedal))
    uncommented = re.sub(r"^# (?=\[\[port|id = |midi = |listen = )", "", text, flags=re.M)
    console, findings = examine(uncommented)
    assert findings == ()
    assert console is not None
    assert [port.id for port in console.ports] == ["console", "swell"]
    alternatives = re.sub(r"^(?:midi|listen) = .*# or ", "", uncommented, flags=re.M)
    console, findings = examine(alternatives)
    assert (console is not None, findings) == (True, ())


NAMES = st.text(min_size=1, max_size=12).filter(lambda t: t.strip() and t.isprintable())


@settings(deadline=None)
@given(NAMES, st.lists(NAMES, unique=True, min_size=1, max_size=4))
def test_any_name_makes_a_console_without_faults(name: str, manuals: list[str]) -> None:
    answers = Answers(name, Action.BLIND, tuple(manuals), divisionals=2, stops=2)
    console, findings = examine(beginning(answers))
    assert findings == ()
    assert console is not None
    assert console.name == name
    assert [d.name for d in console.divisions] == ["Pedal", *manuals]


def test_the_usual_compasses() -> None:
    """61 and 32 notes: American Guild of Organists console standard, as an encyclopedia sums it up
    (sources.md, S8)."""
    console = read_console(beginning(Answers("Quay Street", Action.LIT, ("Great", "Swell"))))
    assert [(k.name, k.lowest, k.keys) for k in console.keyboards] == [
        ("Pedal", 36, 32),
        ("Great", 36, 61),
        ("Swell", 36, 61),
    ]


@pytest.mark.parametrize("action", Action)
def test_a_new_console_without_wires_is_the_same_but_for_them(action: Action) -> None:
    answers = Answers("Saltmarsh Chapel", action, ("Great", "Swell"), pedal_keys=30)
    text = beginning(evolve(answers, wired=False))
    bare, findings = examine(text)
    assert bare is not None
    assert findings == ()
    assert not contacts_of(bare)
    assert not bare.boards
    whole = read_console(beginning(answers))
    planned = plan(bare, boards=[64] * 8, drivers=[64] * 8).console
    for console in (whole, planned):
        wired = [point for point in points_of(console) if point.pin]
        assert len(wired) == len(points_of(bare)) == len(contacts_of(console))
    assert [c.id for c in bare.controls] == [c.id for c in whole.controls]
    assert bare.pistons == tuple(evolve(p, contact=(), lamp=None) for p in whole.pistons)


def test_new_with_options(tmp_path: Path) -> None:
    path = tmp_path / "quay.toml"
    words = ["--name", "Quay Street", "--action", "blind"]
    manuals = ["--manual", "Accompaniment", "--manual", "Great", "--manual", "Solo"]
    result = run("console", "new", path, *words, *manuals, "--generals", "10", "--pedal-keys", "30")
    assert result.output == f"Written: {path}. What to do next is said at its head.\n"
    assert result.exit_code == 0
    console = read_console(path.read_text(encoding="utf-8"))
    assert (console.name, console.action) == ("Quay Street", Action.BLIND)
    assert [division.name for division in console.divisions] == [
        "Pedal",
        "Accompaniment",
        "Great",
        "Solo",
    ]
    assert [keyboard.keys for keyboard in console.keyboards] == [30, 61, 61, 61]
    assert [(c.plays, c.keys) for c in console.couplers] == [
        ("accompaniment", "pedal"),
        ("great", "pedal"),
        ("solo", "pedal"),
        ("accompaniment", "great"),
        ("solo", "great"),
    ]
    assert run("console", "check", path, "--strict").exit_code == 0


@pytest.mark.parametrize(
    ("words", "pedal"),
    [([], 32), (["--pedal"], 32), (["--no-pedal"], 0), (["--pedal", "--pedal-keys", "20"], 20)],
)
def test_the_pedalboard_of_a_new_console(tmp_path: Path, words: list[str], pedal: int) -> None:
    path = tmp_path / "quay.toml"
    run("console", "new", path, "--name", "Quay", "--action", "lit", "--manuals", "1", *words)
    keyboards = read_console(path.read_text(encoding="utf-8")).keyboards
    assert sum(keyboard.keys for keyboard in keyboards if keyboard.id == "pedal") == pedal


def test_a_file_that_is_there_is_never_overwritten(small: Path) -> None:
    result = run("console", "new", small, "--name", "Quay", "--action", "blind")
    assert result.stderr == f"stopwright: {small}: it is there already, and is left as it is\n"
    assert result.exit_code == 2
    assert small.read_text(encoding="utf-8") == SMALL
    nowhere = small.with_name("nowhere.toml")
    nowhere.symlink_to(small.with_name("missing"))
    assert run("console", "new", nowhere, "--name", "Q", "--action", "blind").exit_code == 2
    assert nowhere.is_symlink()


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ([], "a new console needs --name and --action where nobody can be asked for them"),
        (
            ["--name", "Quay"],
            "a new console needs --name and --action where nobody can be asked for them",
        ),
    ],
)
def test_what_a_new_console_needs(tmp_path: Path, words: list[str], message: str) -> None:
    result = run("console", "new", tmp_path / "quay.toml", *words)
    assert result.stderr == f"stopwright: {message}\n"
    assert result.exit_code == 2
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (
            ["--name", " "],
            "Invalid value for '--name': A name has letters in it, and no control characters.",
        ),
        (
            ["--manual", "Great", "--manual", "a\nb"],
            "Invalid value for '--manual': A name has letters in it, and no control characters.",
        ),
        (["--manual", "Great", "--manual", "Great"], "Two manuals are called Great."),
        (["--manuals", "3", "--manual", "Great"], "--manuals 3, but 1 name given."),
        (
            [word for name in "abcdef" for word in ("--manual", name)],
            "A console can be begun with 5 manuals at most.",
        ),
        (["--no-pedal", "--pedal-keys", "30"], "A console with --no-pedal has no --pedal-keys."),
        (
            ["--pedal-keys", "33"],
            "Invalid value for '--pedal-keys': 33 is not in the range 12<=x<=32.",
        ),
    ],
)
def test_words_that_a_new_console_cannot_have(
    tmp_path: Path, words: list[str], message: str
) -> None:
    path = tmp_path / "quay.toml"
    result = run("console", "new", path, "--name", "Quay", "--action", "blind", *words)
    assert result.stderr.endswith(f"Error: {message}\n")
    assert result.exit_code == 2
    assert list(tmp_path.iterdir()) == []


def test_new_in_a_folder_that_is_not_there(tmp_path: Path) -> None:
    result = run("console", "new", tmp_path / "no" / "quay.toml")
    assert result.stderr == f"stopwright: there is no folder {tmp_path / 'no'}\n"


def on_a_terminal(words: list[str], answers: bytes) -> tuple[int, str]:
    """Run the command on a terminal and type answers: its exit code, and what was seen."""
    ours, theirs = pty.openpty()
    code = "from cli.main import main; main(prog_name='stopwright')"
    with subprocess.Popen(
        [sys.executable, "-c", code, *words], stdin=theirs, stdout=theirs, stderr=theirs
    ) as command:
        os.close(theirs)
        os.write(ours, answers)
        seen = b""
        while select.select([ours], [], [], 30)[0] and (more := _read(ours)):
            seen += more
        command.kill()
    os.close(ours)
    return command.returncode, seen.decode().replace("\r\n", "\n")


def _read(terminal: int) -> bytes:
    try:
        return os.read(terminal, 4096)
    except OSError:  # a terminal whose other end is closed
        return b""


def test_questions_on_a_terminal(tmp_path: Path) -> None:
    path = tmp_path / "quay.toml"
    answers = b"\nQuay Street\nmoving\nGreat, Great\nGreat, Positive\n40\n0\n3\n\n"
    code, seen = on_a_terminal(["console", "new", str(path)], answers)
    assert code == 0, seen
    console = read_console(path.read_text(encoding="utf-8"))
    assert (console.name, console.action) == ("Quay Street", Action.MOVING)
    assert [division.name for division in console.divisions] == ["Great", "Positive"]
    kinds = [piston.kind for piston in console.pistons]
    assert (kinds.count(Kind.GENERAL), kinds.count(Kind.DIVISIONAL)) == (3, 8)
    assert "Error: Two manuals are called Great.\n" in seen
    assert "How many divisionals has each division? [4] " in seen


def test_questions_are_not_asked_about_what_is_given(tmp_path: Path) -> None:
    path = tmp_path / "quay.toml"
    given = ["--name", "Q", "--action", "lit", "--manuals", "1", "--no-pedal", "--generals", "2"]
    code, seen = on_a_terminal(["console", "new", str(path), *given, "--divisionals", "0"], b"")
    assert code == 0
    assert seen == f"Written: {path}. What to do next is said at its head.\n"


def test_questions_broken_off(tmp_path: Path) -> None:
    code, seen = on_a_terminal(["console", "new", str(tmp_path / "quay.toml")], b"Quay\n\x04")
    assert code == 2
    assert seen.splitlines()[-1] == "stopwright: broken off"
    assert list(tmp_path.iterdir()) == []


# ---------------------------------------------------------------- the whole command


def every_command(
    command: click.Command, path: tuple[str, ...] = ()
) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    yield path, command
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            inner = command.get_command(context, name)
            assert inner is not None
            yield from every_command(inner, (*path, name))


COMMANDS = dict(every_command(main))


@pytest.mark.parametrize("path", COMMANDS, ids=" ".join)
def test_every_command_and_option_explains_itself(path: tuple[str, ...]) -> None:
    command = COMMANDS[path]
    assert (command.help or "").strip()
    for parameter in command.params:
        if isinstance(parameter, click.Option):
            assert (parameter.help or "").strip(), f"{path}: {parameter.name}"
    result = run(*path, "--help")
    assert result.exit_code == 0
    if path[:1] == ("console",) and len(path) > 1:
        assert "Exit codes:\n" in result.output


def test_commands_are_listed_by_the_person_they_are_for() -> None:
    output = run("--help").output
    people = re.findall(r"^For .*:\n((?:  \w+ .*\n)+)", output, re.MULTILINE)
    listed = [line.split()[0] for lines in people for line in lines.splitlines()]
    names = ["console", "workshop", "play", "bank", "store", "rehearse", "demo"]
    assert listed == main.list_commands(click.Context(main)) == names
    assert output.count("...") == 1, "no command's line is cut short"


def test_version() -> None:
    assert re.fullmatch(r"\w+ \d+\.\d+\.\d+\n", run("--version").output)


@pytest.mark.parametrize("command", ["check", "print", "piston"])
@given(data=st.binary(max_size=200))
@settings(max_examples=50)
def test_no_bytes_make_a_traceback(
    tmp_path_factory: pytest.TempPathFactory, command: str, data: bytes
) -> None:
    path = tmp_path_factory.mktemp("any") / "console.toml"
    path.write_bytes(data)
    words = ["g1", "--general"] if command == "piston" else []
    result = run("console", command, path, *words)
    assert result.exit_code in (1, 2)
    assert result.exception is None or isinstance(result.exception, SystemExit)


def test_a_range_of_nothing_is_written_as_nothing() -> None:
    """Found by hypothesis: with dotted keys, what was left was the range that is not written."""
    dotted = 'id = "p"\nlabel = "1"\nkind = "general"\naffects.divisions = ["great"]\n'
    text = f'format = 1\nname = "Nether Wick"\naction = "blind"\n\n[[piston]]\n{dotted}'
    after = rewritten(text, 0, {"affects": Selection()})
    assert tomllib.loads(after)["piston"][0]["affects"] == {"controls": []}
