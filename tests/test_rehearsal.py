"""Rehearsals written as text: what each statement does, and what is said of wrong ones."""

import json
import os
import re
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from banks import BankFile, read_bank_file, write_bank_file
from cli.demo import theatre
from cli.rehearsal.language import FORMS
from cli.rehearsal.lines import MOST_FAULTS, RehearsalError, draft_of, said_in
from cli.rehearsal.rehearsing import run
from combination.memory import Combination, Slot, fresh_bank
from combination.reading import read_console
from tests.rehearsed import (
    CONSOLES,
    FITTING,
    LARGER,
    LIT,
    ROOM,
    Hall,
    likely_rehearsals,
)

EXAMPLES = int(os.environ.get("STOPWRIGHT_EXAMPLES", "50"))
"""Of each thing that hypothesis makes up."""


@pytest.fixture
def hall(tmp_path: Path) -> Hall:
    return Hall(tmp_path)


@pytest.fixture
def room(tmp_path: Path) -> Hall:
    return Hall(tmp_path, ROOM)


# ---------------------------------------------------------------- what statements do

HOLDING = {
    "several tabs at once": """
        tab a d on
        expect rail a d
        tab a off
        expect rail d
    """,
    "a piston pressed and released": """
        press BIRD
        expect sounding n
        expect lit BIRD
        release BIRD
        expect sounding nothing
    """,
    "a contact that opens when pressed": """
        push BACK
        expect sounding d
        close more.6        # at rest it is closed already
        expect sounding d
        open more.6
        close more.6
        expect sounding nothing
    """,
    "a piston by program change": """
        memory PROG = b
        push PROG
        expect lit PROG
        program programs.1
        expect stuck nothing
        expect sounding b
    """,
    "a piston wired to nothing yet": """
        push BARE
        expect sounding c
        expect lit BARE
    """,
    "thumb piston and toe stud": """
        memory G1 = a
        press G1
        expect lit G1
        close toe.1
        release G1
        push GC
        open toe.1
        expect lit nothing
    """,
    "second touch": """
        memory DEEP = a
        memory PD1 = c
        push DEEP
        expect sounding a
        push DEEP deep
        expect sounding a c
        expect lit DEEP PD1 BARE
        push GC
        expect sounding nothing
    """,
    "second touch held": """
        memory DEEP = a
        press DEEP deep
        expect refused PD1 "not set"
        release DEEP deep
        expect refused nothing
    """,
    "second touch does nothing while setting": """
        memory PD1 = c
        tab a on
        push SET
        push DEEP deep
        expect stored DEEP
        expect memory DEEP = a
        expect sounding a
    """,
    "neutral": """
        memory G1 = a
        memory G1 neutral = c d
        expect memory G1 neutral = d c
        expect memory G2 neutral = nothing
        push G1
        expect governed a b x
        expect held a
        expect base a
    """,
    "levels": """
        memory G1 at 2 = b
        expect memory G1 = not set
        expect memory G1 at 2 = b
        expect level 1
        push UP
        expect level 2
        push SET
        push G2
        expect stored G2 at 2
        expect memory G2 at 2 = nothing
        expect memory G2 = not set
    """,
    "a locked level": """
        memory level 2 locked
        push UP
        press SET
        push G1
        expect refused G1 "level locked"
        expect refused "level locked"
    """,
    "the key switch": """
        lock
        press SET
        push G1
        expect refused G1 "memory locked"
        unlock
        push G1
        expect stored G1
    """,
    "undo and redo": """
        undo
        expect refused "nothing to undo"
        tab a on
        push SET
        push G1
        undo
        expect stored G1
        expect memory G1 = not set
        redo
        expect memory G1 = a
        redo
        expect refused "nothing to redo"
    """,
    "a sequence, and a step inserted": """
        memory G1 = a
        memory G1 at 3 = b
        memory sequence "First half" 1 = G1 note "verse 1"
        memory sequence "First half" 2 = G1 at 3
        memory sequence "First half" 1.5 = RX
        sequence "First half"
        expect place beginning
        push NEXT
        expect place 1
        expect sounding a
        push NEXT
        expect place 1.50
        expect sounding a x
        push NEXT
        expect level 3
        expect sounding b
        push NEXT
        expect refused NEXT "at the end"
        step 1.5
        expect place 1.5
        step 7
        expect refused "no such step"
        push PREV
        expect place 1
        sequence default
        expect place beginning
        sequence "Second half"
        expect refused "no such sequence"
    """,
    "crescendo and its setting": """
        expect stage 0
        expect memory stage 2 = a b
        crescendo stage 2
        expect stage 2
        expect sounding a b
        crescendo stage 3
        crescendo stage 2
        expect stage 2
        crescendo heel
        expect stage 0
        crescendo toe
        expect stage 3
        crescendo 40
        expect stage 1
        tab d on
        push SET
        push CS
        expect stored stage 1
        expect memory stage 1 = d
        push CS
        expect refused CS "hold or latch set first"
        crescendo stage 0
        push SET
        push CS
        expect refused CS "crescendo closed"
    """,
    "full organ": """
        memory FO = a
        expect memory FO = a
        push FO
        expect sounding a
        tab b on
        press SET
        push FO
        expect stored FO
        expect sounding b
    """,
    "a list that nobody has set is the console file's": """
        expect memory FO = a b c d x
    """,
    "not settable": """
        press SET
        push FIXED
        expect refused FIXED "not settable"
    """,
    "sounding in one division": """
        tab a c n on
        expect sounding a c n
        expect sounding in great a
        expect sounding in pedal c
    """,
    "shoes and keys leave the action alone": """
        shoe swell heel
        shoe swell toe
        shoe swell 64
        expect sounding nothing
    """,
    "armed set, the time limit": """
        push SET
        wait 9.9
        expect lit SET
        wait 0.2
        expect lit nothing
    """,
    "waits belong to what was done": """
        press G2
        expect stuck nothing
        expect refused G2 "not set"
        wait 31
        expect refused G2 "not set"
        expect stuck G2
        tab a on
        expect stuck nothing
        expect refused nothing
    """,
    "a contact that sticks, and is freed": """
        stick BIRD
        push BIRD
        expect sounding n
        wait 31
        expect sounding nothing
        expect stuck BIRD
        push BIRD               # its contact never opened
        expect sounding nothing
        free BIRD               # the hand has long let go: the contact opens
        press BIRD
        expect sounding n
    """,
    "a set piston that sticks": """
        memory G1 = a
        stick SET
        push SET
        wait 31
        expect stuck SET
        push G1
        expect refused G1 "set piston stuck"
        push RX
        expect refused nothing
        push GC
        push G1
        expect lit G1
    """,
    "closed at switch-on": """
        memory G1 = a
        found thumb.1 closed
        expect stuck G1
        push G2
        expect refused G2 "not set"
        open thumb.1
        push G1
        expect lit G1
    """,
    "switched off and on": """
        tab a on
        push SET
        push G1
        push UP
        push RX
        switch off
        tab d on
        expect memory G1 = a
        switch on
        expect rail a d
        expect sounding a d
        expect lit BACK
        expect level 2
        expect memory G1 = a
    """,
    "found while off": """
        press G1
        switch off
        found thumb.1 open
        found rail.1 closed
        switch on
        expect stuck nothing
        expect rail a
    """,
    "a piston held through the switch": """
        press G1
        switch off
        wait 5
        switch on
        expect stuck G1
    """,
    "the key switch stays turned": """
        lock
        switch off
        switch on
        press SET
        push G1
        expect refused G1 "memory locked"
    """,
    "a store that fails, then works": """
        tab a on
        store fails
        push SET
        push G1
        expect stored G1
        expect unkept G1
        expect memory G1 = a
        push G1
        expect lit G1
        store works
        expect unkept nothing
        switch off
        switch on
        expect memory G1 = a
    """,
    "what could not be kept is lost at switch-off": """
        memory G1 = b
        tab a on
        push SET
        push G2
        store fails
        press SET
        push G1
        push G2
        push UP
        push G1
        expect unkept G1 G2 G1 at 2
        undo
        release SET
        switch off
        switch on
        expect unkept nothing
        expect memory G1 = b
        expect memory G2 = a
        expect memory G1 at 2 = not set
    """,
    "a jammed tab": """
        choose action = moving
        memory G1 = a b
        jam b
        push G1
        expect driven on a b
        expect rail a b
        expect fault nothing
        wait 0.6
        expect fault b
        expect rail a
        expect lit nothing
        free b
        push G1
        expect driven on b
        wait 0.6
        expect fault nothing
        expect rail a b
    """,
    "tabs driven in groups": """
        choose action = moving
        choose drive.group = 1
        choose drive.gap = 0.2
        memory G1 = a b c
        push G1
        expect driven on a
        wait 1
        expect driven on a b c
        expect rail a b c
    """,
    "a hand that holds what is driven": """
        choose action = moving
        memory G1 = b
        tab a on
        wait 1
        push G1
        expect driven on b off a
        tab a on                # before it has moved: it stays where the hand has it
        wait 1
        expect fault a
        expect rail a b
    """,
    "driven and driven back at once": """
        choose action = moving
        push RX
        expect driven on x
        push RX
        expect driven off x
        wait 1
        expect fault nothing
        expect rail nothing
    """,
    "a tab on its way when the power goes": """
        choose action = moving
        push RX
        switch off
        wait 1
        switch on
        expect rail nothing
        expect fault nothing
    """,
    "tabs that are given little time": """
        choose action = moving
        choose drive.pulse = 0.05
        choose drive.follow = 0.1
        push RX
        wait 1
        expect fault nothing
        expect rail x
    """,
    "long bounces swallow nothing": """
        choose timing.bounce = 0.4
        memory G1 = a
        push G1
        expect lit G1
        push GC
        push G1
        expect lit G1
        push RX
        push RX
        expect sounding a
    """,
    "a choice as text, and as TOML": """
        choose again = release
        choose set.latch = false
        choose while-governed = "last-touch"
        memory G1 = a
        push G1
        push G1
        expect governed nothing
        push SET
        expect lit nothing
    """,
}


@pytest.mark.parametrize("text", HOLDING.values(), ids=HOLDING)
def test_statement(hall: Hall, text: str) -> None:
    hall.holds(text)


def test_lit_controls(tmp_path: Path) -> None:
    Hall(tmp_path, LIT).holds("""
        touch touched
        tab pair on
        touch bare
        expect rail touched pair bare
        tab pair on
        expect rail touched pair bare
        touch touched
        tab pair off
        touch bare
        expect rail nothing
        tab pair on
        switch off
        switch on
        expect rail nothing
    """)


def test_a_key_switch_without_a_contact(tmp_path: Path) -> None:
    Hall(tmp_path, LARGER.replace('lock = "switches.1"\n', "")).holds("""
        lock
        switch off
        switch on
        press SET
        push G1
        expect refused G1 "memory locked"
        switch off
        unlock
        switch on
        release SET
        push SET
        push G1
        expect stored G1
    """)


def test_two_contacts_of_a_moving_tab(tmp_path: Path) -> None:
    """They stand where the tab does, and say so at switch-on."""
    moving = LIT.replace('"lit"', '"moving"')
    Hall(tmp_path, moving).holds("""
        memory G1 = touched pair
        push G1
        wait 1
        expect fault nothing
        tab pair off
        expect rail touched
        push G1
        wait 1
        switch off
        switch on
        expect rail touched pair
    """)


def test_bench_notes(hall: Hall) -> None:
    """What the console cannot know is told: why nothing comes of a statement."""
    result = hall.run("""
        stick G1
        press G1
        press G1
        release G1
        store fails
        press SET
        push G2
    """)
    notes = [
        line.split("bench")[1].strip() for line in result.output.splitlines() if "bench" in line
    ]
    assert notes == [
        "its contact is closed already",
        "its contact sticks",
        "G2 is lost: it was never written",
    ]


def test_times_of_effects(hall: Hall) -> None:
    """What happens while waiting is told with its own time, from the engine's own clock."""
    result = hall.run("choose timing.stuck = 2\npress G1\nwait 5", "--json")
    (rehearsal,) = json.loads(result.output)
    _, press, wait = rehearsal["steps"]
    assert press["happened"] == [
        {"time": 0.1, "what": "refused", "piston": "G1", "reason": "not set"}
    ]
    assert wait["happened"] == [{"time": 2.1, "what": "stuck", "piston": "G1", "pin": "thumb.1"}]


def test_the_table_has_the_times_of_effects(room: Hall) -> None:
    """What comes later than a statement's start has a row and a time of its own."""
    result = room.run("""choose timing.stuck = 2
choose set.latch-time = 5
choose action = moving
memory G2 = a b c
jam b
push G2
wait 1
press G1
wait 5
wait 1
push SET
wait 6
expect lit SET
""")
    assert (
        room.plain(result.output)
        == """\
it.rehearsal, on Practice room, Tarn Abbey
time    line  what is done  where    what comes of it                    sounding
0.100   6     jam b                  nothing
0.200   7     push G2       Great    + a b (G2)                          2
                            Pedal    + c (G2)                            1
                            lit      + G2
                            driven   + a b c
0.275   8     wait 1
0.700                       Great    - b                                 1
0.700                       lit      - G2
0.700                       fault    b does not follow: it should be on
1.300   9     press G1      refused  G1: not set
1.325   10    wait 5
3.300                       stuck    G1, at pin thumb.1
6.325   11    wait 1                 nothing
7.400   12    push SET      lit      + SET
7.475   13    wait 6
12.450                      lit      - SET
                            FAILED   expect lit SET

it.rehearsal, line 14: expect lit SET
  after     wait 6 (line 13)
  expected  SET
  found     nothing
1 rehearsal, 1 expectation: 1 failed
"""
    )


# ---------------------------------------------------------------- what is printed


def test_table_of_a_run(room: Hall) -> None:
    result = room.run("""title A short one
memory G1 = b c
tab a on
push G1
push G2
expect refused G2 "not set"
""")
    assert result.exit_code == 0
    assert (
        result.output
        == """\
A short one
it.rehearsal, on Practice room, Tarn Abbey
time   line  what is done  where    what comes of it  sounding
0.100  4     tab a on      Great    + a (by hand)     1
0.200  5     push G1       Great    + b (G1)  - a     1
                           Pedal    + c (G1)          1
                           lit      + G1
0.300  6     push G2       refused  G2: not set

1 rehearsal, 1 expectation: all held
"""
    )


def test_full_table(room: Hall) -> None:
    result = room.run(
        """memory G1 = b c
tab a on
push G1
crescendo stage 1
""",
        "--full",
    )
    assert (
        result.output
        == """\
it.rehearsal, on Practice room, Tarn Abbey
time   line  what is done       where  what there is            sounding
0.100  3     tab a on           Great  a (by hand)              1
0.200  4     push G1            Great  b (G1)                   1
                                Pedal  c (G1)                   1
                                rail   a
                                lit    G1
0.300  5     crescendo stage 1  Great  a (crescendo 1), b (G1)  2
                                Pedal  c (G1)                   1
                                rail   a
                                lit    G1
                                stage  1

nothing was expected
"""
    )


def test_what_fails_is_told(room: Hall) -> None:
    result = room.run(
        """memory G1 = b c
push G1
expect sounding b d
expect lit nothing
push G2
expect refused nothing
wait 1
expect level 4
""",
        "--quiet",
    )
    assert result.exit_code == 1
    assert (
        room.plain(result.output)
        == """\
it.rehearsal, line 4: expect sounding b d
  after     push G1 (line 3)
  expected  b d
  found     b c
it.rehearsal, line 5: expect lit nothing
  after     push G1 (line 3)
  expected  nothing
  found     G1
it.rehearsal, line 7: expect refused nothing
  after     push G2 (line 6)
  expected  nothing
  found     G2 "not set"
it.rehearsal, line 9: expect level 4
  after     wait 1 (line 8)
  expected  4
  found     1
1 rehearsal, 4 expectations: 4 failed
"""
    )


DIFFERENT = {
    "names missing and names too many": (
        "expect sounding a b x d",
        ["  missing   x", "  too many  c"],
    ),
    "only missing": ("expect sounding a b c d x", ["  missing   x"]),
    "only too many": ("expect sounding a b", ["  too many  c d"]),
    "three names at most": ("expect memory stage 3 = a b x", []),
    "nothing": ("expect sounding nothing", []),
    "a place that is not set": ("expect memory G2 = a b c d", []),
    "a place that is set": ("expect memory G1 = a b n d", ["  missing   n", "  too many  c"]),
    "pairs": (
        "expect driven on a b x off c",
        ["  missing   x on, c off", "  too many  c on, d on"],
    ),
    "refusals, which are compared one by one": (
        'expect refused "not set" "not set" "not set" "not set"',
        [],
    ),
}


@pytest.mark.parametrize(("expected", "lines"), DIFFERENT.values(), ids=DIFFERENT)
def test_how_long_lists_differ(hall: Hall, expected: str, lines: list[str]) -> None:
    """Where one has more than three names; a list of none differs in all of them anyway."""
    text = f"choose action = moving\nmemory G1 = a b c d\npush G1\n{expected}"
    result = hall.run(text, "--quiet")
    assert result.exit_code == 1
    found, *rest = result.output.splitlines()[3:-1]
    assert found.startswith("  found     ")
    assert rest == lines
    (rehearsal,) = json.loads(hall.run(text, "--json").output)
    (failure,) = rehearsal["steps"][-1]["failed"]
    separator = ", " if "driven" in expected else None
    assert {key: failure[key] for key in failure if key in ("missing", "too many")} == {
        line[:10].strip(): line[12:].split(separator) for line in lines
    }


def test_the_run_goes_on_after_a_failure(hall: Hall) -> None:
    result = hall.run("expect rail a\ntab a on\nexpect rail a\nexpect sounding b\nexpect base a")
    assert result.exit_code == 1
    assert result.output.endswith("1 rehearsal, 4 expectations: 2 failed\n")
    assert "after     switch on\n" in result.output
    assert result.output.count("FAILED") == 2


def test_as_data(hall: Hall) -> None:
    result = hall.run("title Data\npush RX\nexpect lit nothing\npush SET\npush G1", "--json")
    (rehearsal,) = json.loads(result.output)
    assert result.exit_code == 1
    assert {key: rehearsal[key] for key in ("title", "console", "held", "failed")} == {
        "title": "Data",
        "console": "Practice room, Tarn Abbey",
        "held": 0,
        "failed": 1,
    }
    assert [step["statement"] for step in rehearsal["steps"]] == [
        "switch on",
        "push RX",
        "push SET",
        "push G1",
    ]
    assert rehearsal["steps"][1] == {
        "time": 0.1,
        "line": 3,
        "statement": "push RX",
        "sounding": {"x": [{"cause": "piston", "by": "RX"}]},
        "rail": [],
        "lit": ["RX"],
        "keys": {},
        "pipes": {},
        "speaking": {},
        "out": {},
        "switched": [],
        "shades": {},
        "transposer": 0,
        "happened": [],
        "bench": [],
        "failed": [
            {
                "place": "line 4",
                "statement": "expect lit nothing",
                "expected": [],
                "found": ["RX"],
            }
        ],
    }
    assert rehearsal["steps"][3]["happened"] == [
        {"time": 0.3, "what": "stored", "place": "G1", "kept": True}
    ]


def test_the_language_is_printed(hall: Hall) -> None:
    result = hall.invoke("--language")
    assert result.exit_code == 0
    for form in FORMS:
        assert form.pattern.split("[")[0].strip()[:34] in result.output
    assert max(map(len, result.output.splitlines())) <= 100


def test_the_language_says_what_the_rail_is(room: Hall) -> None:
    """A driven tab counts as arrived while it travels, and the language says so."""
    room.holds("""
        choose action = moving
        memory G1 = a
        push G1
        wait 1
        jam a
        push GC
        expect rail nothing
        expect driven off a
        wait 1
        expect rail a
        expect fault a
    """)
    entry = """
expect rail CONTROLS|nothing                       what the action has made of the rail: driven tabs
                                                   count as arrived until found otherwise
"""
    assert entry in room.invoke("--language").output


# ---------------------------------------------------------------- banks


def test_a_bank_is_the_memory_and_is_left_alone(hall: Hall) -> None:
    console = read_console(LARGER)
    bank = fresh_bank(console)
    bank.level = 3
    bank.put(Slot("G1", 3), Combination(bank.roster.bits(["b"])))
    path = hall.folder / "player.bank"
    write_bank_file(path, BankFile(bank))
    before = path.read_bytes()
    text = "expect level 3\npush G1\nexpect sounding b\npress SET\npush G2\nexpect stored G2 at 3"
    assert hall.run(text, "--bank", str(path)).exit_code == 0
    assert path.read_bytes() == before


def test_a_bank_is_kept_if_asked(hall: Hall) -> None:
    path = hall.folder / "player.bank"
    write_bank_file(path, BankFile(fresh_bank(read_console(LARGER))))
    text = "tab a on\npush SET\npush G1\npush UP\nstore fails\npush SET\npush G1"
    assert hall.run(text, "--bank", str(path), "--keep-bank").exit_code == 0
    kept = read_bank_file(path).bank
    assert kept.get(Slot("G1", 1)) == Combination(kept.roster.bits(["a"]))
    assert kept.get(Slot("G1", 2)) is None  # it could not be written when the power went
    assert kept.level == 2
    assert hall.run("expect memory G1 = a", "--bank", str(path)).exit_code == 0


def test_a_bank_is_kept_even_if_expectations_fail(hall: Hall) -> None:
    """It is said that the memory is written, unless less is asked for."""
    path = hall.folder / "player.bank"
    options = ("--bank", str(path), "--keep-bank")
    write_bank_file(path, BankFile(fresh_bank(read_console(LARGER))))
    result = hall.run("tab a on\npush SET\npush G1\nexpect level 2", *options)
    assert result.exit_code == 1
    assert hall.plain(result.output).endswith(
        "  found     1\n"
        "The memory is written to player.bank\n"
        "1 rehearsal, 1 expectation: 1 failed\n"
    )
    kept = read_bank_file(path).bank
    assert kept.get(Slot("G1", 1)) == Combination(kept.roster.bits(["a"]))
    text = "expect memory G1 = a"
    assert hall.run(text, *options, "--quiet").output == "1 rehearsal, 1 expectation: all held\n"
    assert json.loads(hall.run(text, *options, "--json").output)[0]["held"] == 1
    assert "even if expectations fail" in " ".join(hall.invoke("--help").output.split())


# ---------------------------------------------------------------- what is wrong

WRONG = {
    "pusch G1": 'there is no statement "pusch"; did you mean "push"?',
    "Push G1": 'there is no statement "Push"; did you mean "push"?',
    "push": "this is written push PISTON [deep]",
    "push G1 hard": "this is written push PISTON [deep]",
    "push G1 G2": "this is written push PISTON [deep]",
    "push GT2": 'there is no piston "GT2"; did you mean "G2"?',
    "push a": 'there is no piston "a"',
    "push G1 deep": '"G1" has no second touch',
    "press PROG": '"PROG" arrives by program changes, which have no release: write push PROG',
    "stick PROG": '"PROG" arrives by program changes: it has nothing to stick',
    "tab a": "this is written tab CONTROLS on|off",
    "tab on": "this is written tab CONTROLS on|off",
    "tab a up": "this is written tab CONTROLS on|off",
    "tab a e on": 'there is no control "e"; there are a, b, c, d, n, x',
    "touch a": 'a touch does not reverse "a": write tab a on or off',
    "close rail.7": 'nothing is on a pin "rail.7"; did you mean "rail.6"?',
    "open programs.1": 'pin "programs.1" arrives by program changes: write program programs.1',
    "program rail.1": 'pin "rail.1" does not arrive by program changes: write close or open',
    "crescendo 128": '"128" is not a reading: expected 0 to 127',
    "crescendo stage 4": '"4" is not a stage: expected 1 to 3',
    "crescendo up": '"up" is not a reading: expected 0 to 127',
    "shoe great 5": 'there is no shoe "great"; there are swell',
    "wait 0": '"0" is not a number of seconds: expected 0.001 to 86400, by thousandths',
    "wait 1.0005": '"1.0005" is not a number of seconds: expected 0.001 to 86400, by thousandths',
    "wait -1": '"-1" is not a number of seconds: expected 0.001 to 86400, by thousandths',
    "wait 99999": '"99999" is not a number of seconds: expected 0.001 to 86400, by thousandths',
    "step two": '"two" is not the number of a step, such as 2.5',
    "jam a": "nothing drives the tabs of a blind action",
    "free e": 'there is no piston or tab "e"',
    "store breaks": "this is written store fails|works",
    "switch on": "the console is on already",
    "switch off\nswitch off": "the console is off already",
    "switch off\npush G1\nundo": "the console is switched off",
    "switch off\nexpect sounding nothing": "the console is switched off",
    "tab a on\nfound rail.1 closed": (
        "a pin is found so at switch-on: at the outset, or while off"
    ),
    "tab a on\nmemory G1 = a": "the memory is written before anything is done",
    "memory RX = a": '"RX" is a reversible piston: it remembers nothing',
    "memory G1 at 11 = a": '"11" is not a level: expected 1 to 10',
    "memory G1 a": (
        "this is written memory level LEVEL locked, or "
        "memory sequence NAME NUMBER = PISTON [at LEVEL] [note NAME], or "
        "memory stage STAGE = CONTROLS|nothing, or "
        "memory PISTON [at LEVEL] neutral = CONTROLS|nothing, or "
        "memory PISTON [at LEVEL] = CONTROLS|nothing"
    ),
    "memory FO at 2 = a": '"FO" is full organ: its list is the same at all levels',
    "memory FO neutral = a": '"FO" is full organ: it leaves nothing alone',
    "memory stage 0 = a": '"0" is not a stage: expected 1 to 3',
    "expect": (
        'nothing can be expected of ""; there are base, driven, fault, governed, held, keys, '
        "level, lines, lit, memory, out, pipes, place, rail, refused, shades, sounding, speaking, "
        "stage, stored, struck, stuck, switched, transposer, unkept"
    ),
    "expect souding a": 'nothing can be expected of "souding"; did you mean "sounding"?',
    "expect sounding": (
        "this is written expect sounding in DIVISION CONTROLS|nothing, or "
        "expect sounding|governed|held|base CONTROLS|nothing"
    ),
    "expect sounding in choir a": 'there is no division "choir"; there are great, pedal',
    "expect sounding in great a c": '"c" is not in division "great"',
    "expect lit a": 'there is no piston "a"',
    "expect level 0": '"0" is not a level: expected 1 to 10',
    "expect place G1": '"G1" is not the number of a step, such as 2.5',
    'expect refused G1 "not sett"': 'nothing is refused as "not sett"; did you mean "not set"?',
    "expect refused G1": 'after "G1" the reason is missing, as in "not set"',
    'expect refused G1 "not set': "a quotation mark is not closed",
    "expect stored G1 at 99": '"99" is not a level: expected 1 to 10',
    "expect stored RX": '"RX" is a reversible piston: it remembers nothing',
    "expect driven a": (
        "this is written expect driven nothing, or expect driven [on CONTROLS] [off CONTROLS]"
    ),
    "expect driven": "expected on, off or nothing after driven",
    "choose colour = red": 'a console has no choice "colour"',
    "choose cancle = silence": 'a console has no choice "cancle"; did you mean "cancel"?',
    "choose set.latch-tine = 3": (
        'a console has no choice "latch-tine"; did you mean "latch-time"?'
    ),
    "choose sett.latch = true": 'a console has no choices "sett"; did you mean "set"?',
    "choose action.kind = blind": '"action" is not a table',
    "choose cancel = [1, ": '"[1," is not a value',
    "choose cancel silence": "this is written choose KEY = VALUE",
    "push\x1bG1": "there is a character in it that cannot be printed",
    "tab " + "a " * 10_000 + "on": "the line is longer than 20,000 characters",
}


@pytest.mark.parametrize(("text", "message"), WRONG.items(), ids=list(map(repr, WRONG)))
def test_what_is_wrong_is_said(hall: Hall, text: str, message: str) -> None:
    line = 2 + text.count("\n")
    expected = f"stopwright: it.rehearsal has a fault:\n  line {line}: {message}\n"
    assert hall.told(text) == expected


def test_touched_controls_are_not_turned(tmp_path: Path) -> None:
    hall = Hall(tmp_path, LIT)
    assert hall.told("tab touched on\njam pair") == (
        "stopwright: it.rehearsal has 2 faults:\n"
        '  line 2: "touched" has no contacts that turn it on and off: write touch touched\n'
        "  line 3: nothing drives the tabs of a lit action\n"
    )
    assert "the console has no crescendo" in hall.told("crescendo stage 1")


def test_every_fault_at_once(hall: Hall) -> None:
    told = hall.told(
        "push DEPP\n\n# a comment\ntab q r on   # another\nwait for me\nchoose x = 1\n"
    )
    assert told == (
        "stopwright: it.rehearsal has 5 faults:\n"
        '  line 2: there is no piston "DEPP"; did you mean "DEEP"?\n'
        '  line 5: there is no control "q"; there are a, b, c, d, n, x\n'
        '  line 5: there is no control "r"; there are a, b, c, d, n, x\n'
        "  line 6: this is written wait SECONDS\n"
        '  line 7: a console has no choice "x"\n'
    )


def test_faults_beyond_bearing_are_not_listed(hall: Hall) -> None:
    told = hall.told("nonsense\n" * 500)
    assert told.count("there is no statement") == MOST_FAULTS
    assert told.endswith("\n  there may be more: the reading stopped here\n")


def test_too_many_statements(hall: Hall) -> None:
    assert hall.told("undo\n" * 20_001) == (
        "stopwright: it.rehearsal has a fault:\n"
        "  line 20001: a rehearsal has at most 20,000 statements\n"
    )


def test_no_console(tmp_path: Path) -> None:
    path = tmp_path / "it.rehearsal"
    path.write_text("push G1\n")
    hall = Hall(tmp_path)
    result = hall.invoke(str(path))
    assert (result.exit_code, hall.plain(result.output)) == (
        2,
        "stopwright: it.rehearsal has a fault:\n"
        "  it names no console: write console FILE in it, or give --console\n",
    )
    path.write_text('push G1\nexpect refused G1 "not set"\n')
    assert hall.invoke(str(path), "--console", str(tmp_path / "hall.toml")).exit_code == 0


def test_a_console_that_is_not_there(tmp_path: Path) -> None:
    path = tmp_path / "it.rehearsal"
    path.write_text("console else.toml\n")
    hall = Hall(tmp_path)
    assert hall.plain(hall.invoke(str(path)).output) == (
        "stopwright: there is no console file else.toml\n"
    )


def test_a_choice_that_the_console_cannot_take(hall: Hall) -> None:
    assert hall.told("choose levels = 0\nchoose cancel = maybe") == (
        "stopwright: hall.toml cannot be used with what is chosen:\n"
        "  levels: is 0; expected 1 to 9999\n"
        '  cancel: is "maybe"; expected one of release, silence\n'
    )


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ([], "there is nothing to rehearse: name a rehearsal, or give --worked"),
        (
            ["it.rehearsal", "--keep-bank"],
            "--keep-bank writes to the file that --bank names: give that too",
        ),
        (["--worked", "--midi-out", "x.mid"], "--midi-out is for one rehearsal at a time"),
        (["none.rehearsal"], "there is no rehearsal none.rehearsal"),
    ],
)
def test_usage(hall: Hall, options: list[str], message: str) -> None:
    result = hall.invoke(*options)
    assert (result.exit_code, result.output) == (2, f"stopwright: {message}\n")


def test_a_bank_that_is_none(hall: Hall) -> None:
    path = hall.folder / "no.bank"
    path.write_bytes(b"hello")
    result = hall.run("push G1", "--bank", str(path))
    assert result.exit_code == 2
    assert result.output.startswith(f"stopwright: {path}: ")


# ---------------------------------------------------------------- whatever is written

_WORDS = sorted(
    {word for form in FORMS for word in re.findall(r"[a-z]+", form.pattern)}
    | {"a", "d", "G1", "DEEP", "PROG", "SET", "FO", "great", "swell", "rail.1", "thumb.1", "=", "#"}
    | {"0", "1", "2.5", "64", "31", '"not set"', '"', "set.latch", "é", "\x00"}
)


@given(st.binary(max_size=300))
@settings(
    max_examples=EXAMPLES,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_random_bytes(hall: Hall, data: bytes) -> None:
    path = hall.folder / "it.rehearsal"
    path.write_bytes(data)
    result = hall.invoke(str(path), "--console", str(hall.folder / "hall.toml"), "--quiet")
    assert result.exit_code in (0, 2)


@given(st.lists(st.lists(st.sampled_from(_WORDS), min_size=1, max_size=7), max_size=8))
@settings(max_examples=EXAMPLES, deadline=None)
def test_random_statements(lines: list[list[str]]) -> None:
    """Whatever the words of the language are put together to, it is run or its faults are told."""
    draft = draft_of(said_in("\n".join(" ".join(line) for line in lines)))
    try:
        rehearsal = draft.on(CONSOLES["larger"])
    except RehearsalError:
        return
    run(rehearsal, CONSOLES["larger"], fresh_bank(CONSOLES["larger"]))


@given(likely_rehearsals(sorted(CONSOLES)))
@settings(max_examples=EXAMPLES, deadline=None)
def test_likely_statements(rehearsed: tuple[str, str]) -> None:
    """Statements that can be run are run, in any order, on any action."""
    name, text = rehearsed
    console = CONSOLES[name]
    rehearsal = draft_of(said_in(text)).on(console)
    outcome = run(rehearsal, console, fresh_bank(console))
    expected = sum(line.startswith("expect ") for line in text.split("\n"))
    assert outcome.held + len(outcome.failures) == expected
    times = [step.at for step in outcome.steps]
    assert times == sorted(times)


def test_every_slot_of_the_language_can_be_tried() -> None:
    slots = {
        word
        for form in FORMS
        for part in re.findall(r"[A-Z]+(?![a-z])", form.pattern)
        for word in [part]
    }
    assert slots == set(FITTING)


def test_the_worked_console_is_the_larger_ones_beginning() -> None:
    assert LARGER.startswith(ROOM)


def test_a_bank_of_another_console_is_called_that(hall: Hall) -> None:
    path, elsewhere = hall.folder / "her.bank", theatre()
    bank = fresh_bank(elsewhere)
    bank.put(Slot("g1", 1), Combination(bank.roster.bits(["gt-tibia-8", "gt-flute-4"])))
    write_bank_file(path, BankFile(bank))
    said = hall.run("push G1", "--bank", str(path)).output.splitlines()[0]
    here = read_console(LARGER).name
    assert said == (
        f"The bank was set on {elsewhere.name}: {here} has not 2 controls of it, kept but not heard"
    )
    write_bank_file(path, BankFile(fresh_bank(read_console(LARGER))))
    assert "The bank was set on" not in hall.run("push G1", "--bank", str(path)).output
