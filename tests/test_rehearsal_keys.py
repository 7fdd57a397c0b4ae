"""Rehearsals with keys, shoes and music: what is done, what is expected, and what is told of it."""

import json
import os
from collections.abc import Set
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cli.rehearsal.bench import Happening, Run
from cli.rehearsal.hand import Hand
from cli.rehearsal.lines import draft_of, said_in
from cli.rehearsal.rehearsing import run
from cli.rehearsal.report import Sheet
from cli.rehearsal.statements import Music, Touch, plain_runs
from combination.bits import Numbers
from combination.effects import OutputsOff, OutputsOn, ShadesMoved, TransposerTurned
from combination.memory import fresh_bank
from combination.midi import Edge
from combination.model import Console
from combination.reading import read_console
from tests.rehearsed import CONSOLES, LOFT, Hall, likely_rehearsals, musics

EXAMPLES = int(os.environ.get("STOPWRIGHT_EXAMPLES", "40"))
"""Of each thing that hypothesis makes up."""
PUSHED = LOFT.replace(
    'switch = "switches.1"', 'up = "switches.1"\ndown = "switches.2"\nzero = "switches.3"'
)
"""A loft whose transposer has three pushes."""
BARE = LOFT.replace('[transposer]\nswitch = "switches.1"\n', "")
"""A loft whose transposer is wired to nothing."""


@pytest.fixture
def loft(tmp_path: Path) -> Hall:
    return Hall(tmp_path, LOFT)


def rehearsed(text: str, music: Music | None = None, console: Console = CONSOLES["loft"]) -> Run:
    """A rehearsal that was run; all its expectations hold."""
    outcome = run(draft_of(said_in(text)).on(console), console, fresh_bank(console), music)
    assert outcome.failures == []
    return outcome


def notes_of(outcome: Run) -> list[str]:
    return [note for step in outcome.steps for note in step.notes]


def pipes_of(outcome: Run, rank: str) -> list[tuple[int, str, list[int]]]:
    """When pipes of a rank went on and off (milliseconds), and which."""
    turns = [(h.at, h.effect) for h in outcome.relayed]
    return [
        (round(at * 1000), "on" if isinstance(effect, OutputsOn) else "off", list(pipes))
        for at, effect in turns
        if isinstance(effect, OutputsOff | OutputsOn)
        for of, pipes in effect.pipes
        if of == rank
    ]


# ---------------------------------------------------------------- what statements do

HOLDING = {
    "keys and runs of keys": """
        tab gt-8 on
        keys great 36 48-50 96 down
        expect keys great 36 48 49 50 96
        expect lines great 48-50 36 96
        expect pipes flute 13 25-27 73
        keys great 49-50 up
        expect keys great 36 48 96
        keys great all up
        expect keys great nothing
        expect pipes flute nothing
    """,
    "a key named twice is one key": """
        tab gt-8 on
        keys great 60 58-62 60 down
        expect keys great 58-62
        expect pipes flute 35-39
    """,
    "keyboards apart": """
        keys great 60 down
        keys pedal 60 down
        keys great all up
        expect keys great nothing
        expect keys pedal 60
    """,
    "a key's own wire": """
        close great-keys.25
        expect keys great 60
        keys great all up
        expect keys great nothing
        keys great 60 down
        open great-keys.25
        expect keys great nothing
    """,
    "long bounces swallow no keys": """
        choose timing.key-bounce = 0.4
        tab gt-8 on
        keys great 60 down
        expect pipes flute 37
        keys great 60 up
        expect pipes flute nothing
        keys great 60 down
        expect pipes flute 37
    """,
    "keys through the switch": """
        tab gt-8 on
        keys great 60 down
        switch off
        keys great 60 up
        keys great 62 64 down
        switch on
        expect keys great 62 64
        expect speaking flute 39 41
        switch off
        keys great all up
        switch on
        expect keys great nothing
    """,
    "what is found down at the outset": """
        found great-keys.25 closed
        tab gt-8 on
        expect keys great 60
        expect pipes flute 37
        keys great all up
        expect keys great nothing
    """,
    "shoes, of which nothing is known at switch-on": """
        shoe main-shoe toe
        expect shades main 127
        switch off
        switch on
        expect shades main unknown
    """,
    "struck since the last statement, waits included": """
        tab drum on
        keys great 60 down
        wait 1
        expect struck drum
        shoe main-shoe 1
        expect struck nothing
    """,
    "several traps": """
        tab drum cymbal so-gt on
        keys great 60 down
        expect struck cymbal drum
        expect switched drum cymbal
    """,
    "a switch that stays where it is turned": """
        transpose +2
        transpose -1
        expect transposer -1
        switch off
        switch on
        expect transposer -1
        transpose 0
        expect transposer 0
    """,
    "the positions of the switch": """
        close switches.13
        expect transposer +6
        open switches.13
        expect transposer +6
        close switches.1
        expect transposer -6
        transpose 6
        expect transposer 6
        transpose +00
        expect transposer 0
    """,
}


@pytest.mark.parametrize("text", HOLDING.values(), ids=HOLDING)
def test_statement(loft: Hall, text: str) -> None:
    loft.holds(text)


def test_keys_without_contacts(tmp_path: Path) -> None:
    """A console can be tried before its keyboards are wired, and where no rank is given."""
    Hall(tmp_path).holds("""
        keys great 36-96 down
        expect keys great 36-96
        expect lines great 36-96
        tab x on
        expect lines great 36-96
        keys great 36-95 up
        expect keys great 96
    """)


def test_a_contact_that_opens_when_the_key_goes_down(tmp_path: Path) -> None:
    inverted = LOFT.replace('"great-keys.1"', '[{ pin = "great-keys.1", inverted = true }]')
    Hall(tmp_path, inverted).holds("""
        expect keys great nothing
        open great-keys.1
        expect keys great 36
        keys great 37 down
        close great-keys.1
        expect keys great 37
        keys great all up
        expect keys great nothing
    """)


def test_a_second_touch_is_a_keyboard_of_its_own(tmp_path: Path) -> None:
    second = (
        LOFT
        + """
[[keyboard]]
id = "great-2nd"
name = "Great Second Touch"

[[division]]
id = "great-2nd"
name = "Great Second Touch"
keyboard = "great-2nd"

[[stop]]
id = "g2-trumpet"
label = "Trumpet"
division = "great-2nd"
rank = "trumpet"
"""
    )
    Hall(tmp_path, second).holds("""
        tab gt-8 g2-trumpet on
        keys great 60 down
        keys great-2nd 60 down
        expect pipes flute 37
        expect pipes trumpet 25
        keys great-2nd all up
        expect pipes flute 37
        expect pipes trumpet nothing
    """)


def test_a_chord_is_one_instant() -> None:
    """Each key has a contact and a bounce of its own, so that nothing has to come later."""
    outcome = rehearsed("tab gt-8 on\nkeys great 60 64 67 down\nkeys great 64 60 up")
    assert pipes_of(outcome, "flute") == [
        (200, "on", [37]),
        (200, "on", [41]),
        (200, "on", [44]),
        (300, "off", [37]),
        (300, "off", [41]),
    ]


def test_pushes_of_a_transposer() -> None:
    """From wherever it stands, push by push; to 0 at once."""
    outcome = rehearsed(
        """
        transpose +2
        expect transposer +2
        transpose -1
        expect transposer -1
        transpose 0
        expect transposer 0
        transpose -6
        expect transposer -6
        transpose -6
        """,
        console=read_console(PUSHED),
    )
    pins = [heard.pin for _, heard, _ in outcome.heard if isinstance(heard, Edge) and heard.closed]
    up, down, zero = "switches.1", "switches.2", "switches.3"
    assert pins == [up, up, down, down, down, zero, *[down] * 6]
    assert notes_of(outcome) == ["the transposer stands there already"]


def test_pushes_of_a_transposer_without_one_for_zero() -> None:
    without = read_console(PUSHED.replace('zero = "switches.3"\n', ""))
    rehearsed("transpose -2\ntranspose 0\nexpect transposer 0", console=without)


def test_a_transposer_without_contacts(tmp_path: Path) -> None:
    """It can be wished elsewhere, and is at 0 again at switch-on."""
    Hall(tmp_path, BARE).holds("""
        transpose -3
        expect transposer -3
        switch off
        switch on
        expect transposer 0
    """)


def test_bench_notes() -> None:
    """Why nothing comes of a statement."""
    outcome = rehearsed("""
        keys great 60 64 down
        keys great 60 62 down
        keys great 61 up
        keys great all up
        keys great all up
        transpose 0
        transpose 0
        music
    """)
    assert notes_of(outcome) == [
        "key 60: its contact is closed already",
        "key 61: its contact is open already",
        "no key is held down",
        "its contact is closed already",
        "there is no music",
    ]


# ---------------------------------------------------------------- what is wrong

WRONG = {
    "keys": "this is written keys KEYBOARD all up, or keys KEYBOARD NOTES down|up",
    "keys great 60": "this is written keys KEYBOARD all up, or keys KEYBOARD NOTES down|up",
    "keys great down": "this is written keys KEYBOARD all up, or keys KEYBOARD NOTES down|up",
    "key great 60 down": 'there is no statement "key"; did you mean "keys"?',
    "keys grate 60 down": 'there is no keyboard "grate"; did you mean "great"?',
    "keys choir 60 down": 'there is no keyboard "choir"; there are great, pedal, solo',
    "keys great C4 down": '"C4" is not a number or a run of them, such as 36 or 36-47',
    "keys great all down": '"all" is not a number or a run of them, such as 36 or 36-47',
    "keys great 47-36 down": '"47-36" is not a number or a run of them, such as 36 or 36-47',
    "keys great 36- down": '"36-" is not a number or a run of them, such as 36 or 36-47',
    "keys great 99999 down": '"99999" is not a number or a run of them, such as 36 or 36-47',
    "keys great 35 down": 'keyboard "great" has no key 35: it has 36 to 96',
    "keys pedal 60-72 down": 'keyboard "pedal" has no key 72: it has 36 to 67',
    "keys great 0-9999 up": 'keyboard "great" has no key 0: it has 36 to 96',
    "transpose": "this is written transpose SEMITONES",
    "transposer +1": 'there is no statement "transposer"; did you mean "transpose"?',
    "transpose +7": '"+7" is not a transposition: expected -6 to +6',
    "transpose up": '"up" is not a transposition: expected -6 to +6',
    "music now": "this is written music",
    "music\nmusic": "the music has begun already",
    "shoe swell 64": 'there is no shoe "swell"; there are choir-shoe, main-shoe',
    "expect keys great": "this is written expect keys KEYBOARD NOTES|nothing",
    "expect keys great 97": 'keyboard "great" has no key 97: it has 36 to 96',
    "expect key great 60": 'nothing can be expected of "key"; did you mean "keys"?',
    "expect lines great 108": 'division "great" has no line 108: it has 36 to 96',
    "expect lines great 60 x": '"x" is not a number or a run of them, such as 36 or 36-47',
    "expect lines main 60": 'there is no division "main"',
    "expect out great 60": 'division "great" has no output of its own',
    "expect out gallery 109": 'division "gallery" has no line 109: it has 36 to 108',
    "expect pipes flute 98": 'rank "flute" has no pipe 98: it has 1 to 97',
    "expect pipes flute 0": 'rank "flute" has no pipe 0: it has 1 to 97',
    "expect pipes gt-8 1": 'there is no rank "gt-8"',
    "expect pipe flute 1": 'nothing can be expected of "pipe"; did you mean "pipes"?',
    "expect pipes": ("this is written expect pipes RANK NUMBERS|nothing"),
    "expect speaking flute 98": 'rank "flute" has no pipe 98: it has 1 to 97',
    "expect switched gt-8": '"gt-8" has no output that could be switched',
    "expect switched dram": 'there is no control "dram"; did you mean "drum"?',
    "expect struck bell": 'there is no trap "bell"; there are cymbal, drum',
    "expect shades swell 3": 'there is no chamber "swell"; there are choir, main',
    "expect shades main 128": '"128" is not a position: expected 0 to 127',
    "expect shades choir 8": 'the shades of "choir" have no stage 8: 0 to 7',
    "expect shades main nowhere": '"nowhere" is not a position: expected 0 to 127',
    "expect transpose 0": 'nothing can be expected of "transpose"; did you mean "transposer"?',
    "expect transposer -7": '"-7" is not a transposition: expected -6 to +6',
    "switch off\nexpect keys great 60": "the console is switched off",
    "switch off\ntranspose +1": "the console is switched off",
}


@pytest.mark.parametrize(("text", "message"), WRONG.items(), ids=list(map(repr, WRONG)))
def test_what_is_wrong_is_said(loft: Hall, text: str, message: str) -> None:
    line = 2 + text.count("\n")
    told = loft.told(text)
    assert told.startswith(f"stopwright: it.rehearsal has a fault:\n  line {line}: {message}")


def test_every_fault_of_a_statement(loft: Hall) -> None:
    assert loft.told("expect pipes floote one 2 three") == (
        "stopwright: it.rehearsal has 3 faults:\n"
        '  line 2: there is no rank "floote"; did you mean "flute"?\n'
        '  line 2: "one" is not a number or a run of them, such as 36 or 36-47\n'
        '  line 2: "three" is not a number or a run of them, such as 36 or 36-47\n'
    )


def test_what_fails_is_told_in_runs(loft: Hall) -> None:
    text = (
        "tab gt-8 gt-4 on\nkeys great 36-60 72 down\nexpect pipes flute 13-40\nexpect keys great 36"
    )
    result = loft.run(text, "--quiet")
    assert loft.plain(result.output) == (
        "it.rehearsal, line 4: expect pipes flute 13-40\n"
        "  after     keys great 36-60 72 down (line 3)\n"
        "  expected  13-40\n"
        "  found     13-49 61\n"
        "  too many  41-49 61\n"
        "it.rehearsal, line 5: expect keys great 36\n"
        "  after     keys great 36-60 72 down (line 3)\n"
        "  expected  36\n"
        "  found     36-60 72\n"
        "  too many  37-60 72\n"
        "1 rehearsal, 2 expectations: 2 failed\n"
    )
    (told,) = json.loads(loft.run(text, "--json").output)
    assert told["steps"][-1]["failed"][0]["too many"] == [*map(str, range(41, 50)), "61"]


@given(st.sets(st.integers(0, 127)))
def test_runs_are_read_as_they_are_written(numbers: set[int]) -> None:
    spans = [word.split("-") for word in plain_runs(numbers).split()]
    assert {n for span in spans for n in range(int(span[0]), int(span[-1]) + 1)} == numbers


def test_short_runs_are_written_out() -> None:
    assert plain_runs([61, 36, 37, 48, 50, 49]) == "36 37 48-50 61"


# ---------------------------------------------------------------- what is printed

EVENING = """tab gt-8 gt-4 drum on
keys great 60 64 72 down
keys great 36-50 52 54 55 57 62 down
keys great all up
tab tremulant bell on
shoe main-shoe 60
transpose +2
tab so-trumpet so-gt-pizz ga-gt on
keys great 60 down
wait 0.3
keys solo 60 down
switch off
"""
STRUCK = """tab chimes xylophone on
keys great 60 64 down
wait 1
keys great 67 down
keys great 60 up
keys great all up
"""


def printed(loft: Hall, text: str, *options: str) -> str:
    """The table of a rehearsal in which nothing is expected."""
    table, _ = loft.run(text, *options).output.split("\n\nnothing was expected\n")
    return table.removeprefix("it.rehearsal, on Organ loft, Tarn Abbey\n") + "\n"


def test_table_of_what_sounds(loft: Hall) -> None:
    assert (
        printed(loft, EVENING)
        == """\
time   line  what is done                     where         what comes of it                sounding
0.100  2     tab gt-8 gt-4 drum on            Great         + gt-8 gt-4 drum (by hand)      3
0.200  3     keys great 60 64 72 down         Flute         + 37 41 49 53 61                5
                                              traps         1 stroke of drum
0.300  4     keys great 36-50 52 54 55 57 62  Flute         + 13-36 38 39 43 44 46 51       35
             down
                                              traps         1 stroke of drum
0.400  5     keys great all up                Flute         - 13-39 41 43 44 46 49 51 53    0
                                                            61
0.500  6     tab tremulant bell on            no division   + tremulant bell (by hand)      2
                                              switched      + tremulant bell                2
0.600  7     shoe main-shoe 60                shades        main 19
0.700                                         switched      - bell                          1
0.700  8     transpose +2                     transposer    +2
0.800  9     tab so-trumpet so-gt-pizz ga-gt  Great         + so-gt-pizz ga-gt (by hand)    5
             on
                                              Solo          + so-trumpet (by hand)          1
0.900  10    keys great 60 down               Flute         + 39 51                         2
                                              Trumpet       + 27                            1
                                              Gallery out   + 62                            1
                                              traps         1 stroke of drum
0.925  11    wait 0.3
1.050                                         Trumpet       - 27                            0
1.300  12    keys solo 60 down                Trumpet       + 27                            1
                                              Carillon out  + 62                            1
1.400  13    switch off                       Great         - gt-8 gt-4 so-gt-pizz ga-gt    0
                                                            drum
                                              Solo          - so-trumpet                    0
                                              no division   - tremulant bell                0
                                              Flute         - 39 51                         0
                                              Trumpet       - 27                            0
                                              Gallery out   - 62                            0
                                              Carillon out  - 62                            0
                                              switched      - tremulant                     0
                                              transposer    0
"""
    )


def test_full_table_of_what_sounds(loft: Hall) -> None:
    text = """tab gt-8 tremulant ga-gt drum on
keys great 60 64 down
shoe main-shoe 60
shoe choir-shoe 60
transpose +2
keys great all up
"""
    assert (
        printed(loft, text, "--full")
        == """\
time   line  what is done                      where        what there is              sounding
0.100  2     tab gt-8 tremulant ga-gt drum on  Great        gt-8 ga-gt drum (by hand)  3
                                               no division  tremulant (by hand)        1
                                               switched     tremulant                  1
0.200  3     keys great 60 64 down             Great        gt-8 ga-gt drum (by hand)  3
                                               no division  tremulant (by hand)        1
                                               Flute        37 41                      2
                                               Gallery out  60 64                      2
                                               switched     tremulant                  1
                                               traps        1 stroke of drum
0.300  4     shoe main-shoe 60                 Great        gt-8 ga-gt drum (by hand)  3
                                               no division  tremulant (by hand)        1
                                               Flute        37 41                      2
                                               Gallery out  60 64                      2
                                               switched     tremulant                  1
                                               shades       main 19
0.400  5     shoe choir-shoe 60                Great        gt-8 ga-gt drum (by hand)  3
                                               no division  tremulant (by hand)        1
                                               Flute        37 41                      2
                                               Gallery out  60 64                      2
                                               switched     tremulant                  1
                                               shades       main 19, choir 3
0.500  6     transpose +2                      Great        gt-8 ga-gt drum (by hand)  3
                                               no division  tremulant (by hand)        1
                                               Flute        39 43                      2
                                               Gallery out  62 66                      2
                                               switched     tremulant                  1
                                               shades       main 19, choir 3
                                               transposer   +2
0.600  7     keys great all up                 Great        gt-8 ga-gt drum (by hand)  3
                                               no division  tremulant (by hand)        1
                                               switched     tremulant                  1
                                               shades       main 19, choir 3
                                               transposer   +2
"""
    )


def test_table_of_strokes(loft: Hall) -> None:
    """Bars that are struck over and over have a row for each step, and ring until the key is up."""
    assert (
        printed(loft, STRUCK)
        == """\
time   line  what is done             where      what comes of it              sounding
0.100  2     tab chimes xylophone on  Great      + xylophone chimes (by hand)  2
0.200  3     keys great 60 64 down    Xylophone  + 1 5                         2
                                      Chimes     + 6 10                        2
0.225  4     wait 1
0.280                                 Chimes     - 6 10                        0
0.325                                 Xylophone  8 strokes each of 1 5         2
1.300  5     keys great 67 down       Xylophone  + 8  1 stroke each of 1 5     3
                                      Chimes     1 stroke of 13                0
1.400  6     keys great 60 up         Xylophone  - 1  1 stroke each of 5 8     2
1.500  7     keys great all up        Xylophone  - 5 8                         0
"""
    )


def test_full_table_of_strokes(loft: Hall) -> None:
    assert (
        printed(loft, STRUCK, "--full")
        == """\
time   line  what is done             where      what there is                sounding
0.100  2     tab chimes xylophone on  Great      xylophone chimes (by hand)   2
0.200  3     keys great 60 64 down    Great      xylophone chimes (by hand)   2
                                      Xylophone  1 5                          2
                                      Chimes     6 10                         2
0.225  4     wait 1                   Great      xylophone chimes (by hand)   2
                                      Xylophone  1 5  8 strokes each of 1 5   2
1.300  5     keys great 67 down       Great      xylophone chimes (by hand)   2
                                      Xylophone  1 5 8  1 stroke each of 1 5  3
                                      Chimes     1 stroke of 13               0
1.400  6     keys great 60 up         Great      xylophone chimes (by hand)   2
                                      Xylophone  5 8  1 stroke each of 5 8    2
1.500  7     keys great all up        Great      xylophone chimes (by hand)   2
"""
    )


def test_many_numbers_are_counted(loft: Hall) -> None:
    """What is no run and too long to be read at a glance."""
    text = "tab gt-8 on\nkeys great 36 38 40 42 44 46 48 50 52 54 56 58 down"
    assert "Flute  + 12 from 13 to 35  12\n" in printed(loft, text)


def test_as_data(loft: Hall) -> None:
    """What there is at the end of a step, by the words of the language, and each effect."""
    text = """tab gt-8 chimes ga-gt tremulant drum on
keys great 60 down
shoe main-shoe toe
transpose +2
"""
    (told,) = json.loads(loft.run(text, "--json").output)
    _, _, keys, shoe, transposed = told["steps"]
    assert {key: keys[key] for key in ("keys", "pipes", "speaking", "out", "switched")} == {
        "keys": {"great": [60]},
        "pipes": {"flute": [37], "chimes": [6]},
        "speaking": {"flute": [37]},
        "out": {"gallery": [60]},
        "switched": ["tremulant"],
    }
    assert keys["happened"] == [
        {
            "time": 0.2,
            "what": "on",
            "pipes": {"flute": [37], "chimes": [6]},
            "out": {"gallery": [60]},
            "controls": ["drum"],
        },
        {"time": 0.28, "what": "off", "pipes": {"chimes": [6]}, "out": {}, "controls": []},
    ]
    assert shoe["shades"] == {"main": 127}
    assert {"time": 0.3, "what": "shades", "chamber": "main", "position": 127} in shoe["happened"]
    assert transposed["transposer"] == 2
    assert {"time": 0.4, "what": "transposer", "semitones": 2} in transposed["happened"]


# ---------------------------------------------------------------- what the relay did


def replayed(relayed: list[Happening]) -> tuple[dict[tuple[str, str], set[object]], dict[str, int]]:
    """What is on after all effects, by place, and where shades and the transposer stand."""
    on: dict[tuple[str, str], set[object]] = {}
    stand = {"transposer": 0}
    for effect in (happening.effect for happening in relayed):
        if isinstance(effect, ShadesMoved):
            stand[effect.chamber] = effect.position
        elif isinstance(effect, TransposerTurned):
            stand["transposer"] = effect.semitones
        elif isinstance(effect, OutputsOff | OutputsOn):
            turned: list[tuple[tuple[str, str], Set[Any]]] = [
                *((("pipes", rank), pipes) for rank, pipes in effect.pipes),
                *((("lines", division), lines) for division, lines in effect.lines),
                (("controls", ""), effect.controls),
            ]
            for place, things in turned:
                there = on.setdefault(place, set())
                (there.update if isinstance(effect, OutputsOn) else there.difference_update)(things)
    return {place: things for place, things in on.items() if things}, stand


@given(likely_rehearsals(["loft"]), st.none() | musics())
@settings(max_examples=EXAMPLES, deadline=None)
def test_effects_replayed_are_what_is_seen(rehearsed: tuple[str, str], music: Music | None) -> None:
    """Whatever is done, switched off or on: nothing goes on or off that is not told, in order."""
    console = CONSOLES["loft"]
    rehearsal = draft_of(said_in(rehearsed[1])).on(console)
    outcome = run(rehearsal, console, fresh_bank(console), music)
    times = [happening.at for happening in outcome.relayed]
    assert times == sorted(times)
    look = outcome.steps[-1].look
    assert look is not None
    on, stand = replayed(outcome.relayed)
    traps = {trap.id for trap in console.traps}
    switched = on.pop(("controls", ""), set()) - traps
    assert switched == set(look.switched)
    assert on == {
        **{("pipes", rank): set(pipes) for rank, pipes in look.speaking.items()},
        **{("lines", division): set(lines) for division, lines in look.lines.items()},
    }
    if "switch" not in rehearsed[1]:
        assert stand == {**look.shades, "transposer": look.transposer}


def test_nothing_is_on_without_current() -> None:
    """At the moment of switch-off all that is on goes off; what is still held is on afterwards."""
    outcome = rehearsed("""
        tab gt-8 xylophone tremulant ga-gt on
        keys great 72 down
        switch off
        switch on
        expect speaking flute 49
    """)
    assert pipes_of(outcome, "flute") == [(200, "on", [49]), (300, "off", [49]), (400, "on", [49])]
    off = next(h.effect for h in outcome.relayed if h.at == 0.3)
    assert isinstance(off, OutputsOff)
    assert tuple(off.pipes) == (("flute", Numbers(1 << 49)),)
    assert tuple(off.lines) == (("gallery", Numbers(1 << 72)),)
    assert set(off.controls) == {"tremulant"}


# ---------------------------------------------------------------- music


def touches(*moves: tuple[float, int, bool]) -> tuple[Touch, ...]:
    """Keys of the Great that go down (true) and come up, each at its time (s)."""
    return tuple(Touch(at, "great", key, down) for at, key, down in moves)


DOWN, UP = True, False
NOTE = Music(touches((0.0, 60, DOWN), (0.5, 60, UP)), 1.0)


def test_music_begins_where_the_rehearsal_says_so() -> None:
    """It goes on while other things are done and while time passes, to its end."""
    outcome = rehearsed(
        """
        tab gt-8 on
        music
        wait 0.2
        expect pipes flute 37
        tab gt-4 on
        expect pipes flute 37 49
        expect keys great 60
        wait 0.2
        expect keys great nothing
        """,
        NOTE,
    )
    assert pipes_of(outcome, "flute") == [
        (200, "on", [37]),
        (500, "on", [49]),
        (700, "off", [37, 49]),
    ]
    assert outcome.lasts == 1.2


def test_music_begins_when_all_is_done_else() -> None:
    outcome = rehearsed("tab gt-8 on\nwait 0.3\nexpect keys great nothing", NOTE)
    assert pipes_of(outcome, "flute") == [(500, "on", [37]), (1000, "off", [37])]
    assert outcome.lasts == 1.5
    assert outcome.steps[-1].said.text == "music"


def test_no_music_begins_nothing() -> None:
    """Where there is none to begin nothing is said of it."""
    assert [step.said.text for step in rehearsed("tab gt-8 on").steps] == [
        "switch on",
        "tab gt-8 on",
    ]


STROKES = {
    "struck again at the same instant": (
        touches((0.0, 60, DOWN), (0.5, 60, UP), (0.5, 60, DOWN), (1.0, 60, UP)),
        [(0, 494), (500, 1000)],
    ),
    "struck again before it is let go": (
        touches((0.0, 60, DOWN), (0.5, 60, DOWN), (0.5, 60, UP), (1.0, 60, UP)),
        [(0, 494), (500, 1000)],
    ),
    "struck again at once": (
        touches((0.0, 60, DOWN), (0.5, 60, UP), (0.502, 60, DOWN), (1.0, 60, UP)),
        [(0, 496), (502, 1000)],
    ),
    "with time enough": (
        touches((0.0, 60, DOWN), (0.5, 60, UP), (0.506, 60, DOWN), (1.0, 60, UP)),
        [(0, 500), (506, 1000)],
    ),
    "a note of no length": (touches((0.1, 60, DOWN), (0.1, 60, UP)), [(100, 106)]),
    "a grace note of no length before another": (
        touches((0.1, 60, DOWN), (0.1, 60, UP), (0.1, 60, DOWN), (0.3, 60, UP)),
        [(100, 300)],
    ),
    "nearer together than a contact can follow": (
        touches((0.0, 60, DOWN), (0.002, 60, UP), (0.004, 60, DOWN), (0.006, 60, UP)),
        [(0, 6), (12, 18)],
    ),
    "two hands on one key": (
        touches((0.0, 60, DOWN), (0.1, 60, DOWN), (0.2, 60, UP), (0.3, 60, UP)),
        [(0, 300)],
    ),
    "a hand that strikes what another holds": (
        touches((0.0, 60, DOWN), (0.0, 60, DOWN), (0.2, 60, UP), (0.2, 60, DOWN), (0.4, 60, UP)),
        [(0, 1000)],
    ),
    "a hand that was never there leaves": (
        touches((0.0, 60, UP), (0.1, 60, DOWN), (0.3, 60, UP), (0.4, 60, UP)),
        [(100, 300)],
    ),
    "never let go": (touches((0.2, 60, DOWN)), [(200, 1000)]),
    "between milliseconds": (touches((0.10049, 60, DOWN), (0.2996, 60, UP)), [(100, 300)]),
}
"""What hands do to one key in a piece of a second, and when (ms) its pipe is heard to sound."""


@pytest.mark.parametrize(("moves", "heard"), STROKES.values(), ids=STROKES)
def test_strokes_of_music(moves: tuple[Touch, ...], heard: list[tuple[int, int]]) -> None:
    outcome = rehearsed("tab gt-8 on\nmusic", Music(moves, 1.0))
    turns = [(at - 200, way) for at, way, _ in pipes_of(outcome, "flute")]
    assert turns == [(at, way) for on, off in heard for at, way in ((on, "on"), (off, "off"))]


def test_strokes_of_music_on_keys_that_bounce_for_long() -> None:
    again = touches((0.0, 60, DOWN), (0.5, 60, UP), (0.5, 60, DOWN), (0.9, 60, UP))
    console = read_console(
        LOFT.replace("[transposer]", "[timing]\nkey-bounce = 0.0301\n[transposer]")
    )
    outcome = rehearsed("tab gt-8 on\nmusic", Music(again, 1.0), console)
    begun = round(outcome.steps[-1].at * 1000)
    assert [(at - begun, way) for at, way, _ in pipes_of(outcome, "flute")] == [
        (0, "on"),
        (469, "off"),
        (500, "on"),
        (900, "off"),
    ]


@given(musics(), st.integers(1, 40))
@settings(max_examples=EXAMPLES, deadline=None)
def test_no_stroke_of_music_is_lost(music: Music, bounce: int) -> None:
    """Contacts stay as they are for their bounce, and each stroke is one of a pipe."""
    text = f"[timing]\nkey-bounce = {bounce / 1000}\n[transposer]"
    console = read_console(LOFT.replace("[transposer]", text))
    edges: dict[str, list[tuple[int, bool]]] = {}
    for at, edge in Hand(console).playing(music, bounce + 1):
        edges.setdefault(edge.pin, []).append((at, edge.closed))
    for turns in edges.values():
        assert [closed for _, closed in turns] == [True, False] * (len(turns) // 2)
        times = [at for at, _ in turns]
        assert all(after - before > bounce for before, after in pairwise(times))
    outcome = rehearsed("tab gt-8 on\nmusic", music, console)
    strokes = [
        pipe for _, way, pipes in pipes_of(outcome, "flute") if way == "on" for pipe in pipes
    ]
    closed = [pin for pin, turns in edges.items() for _, closed in turns if closed]
    assert len(strokes) == sum(pin.startswith("great-keys") for pin in closed)
    assert outcome.steps[-1].look is not None
    assert outcome.steps[-1].look.keys == {}


def test_the_music_and_the_rehearsal_hold_the_same_key() -> None:
    """It is down while either does, and struck once."""
    outcome = rehearsed(
        """
        tab gt-8 on
        music
        keys great 60 down
        keys great 60 up
        expect keys great 60
        wait 0.3
        expect keys great nothing
        keys great 62 down
        wait 0.4
        expect keys great 62
        keys great 62 up
        expect keys great nothing
        """,
        Music(
            touches((0.0, 60, DOWN), (0.5, 60, UP), (0.8, 62, DOWN), (0.9, 62, UP)),
            1.0,
        ),
    )
    assert notes_of(outcome) == [
        "key 60: its contact is closed already",
        "key 60: the music holds it",
    ]
    assert [way for _, way, pipes in pipes_of(outcome, "flute") if pipes == [37]] == ["on", "off"]
    assert [way for _, way, pipes in pipes_of(outcome, "flute") if pipes == [39]] == ["on", "off"]


def test_music_of_the_instant_in_which_a_hand_moves() -> None:
    """It comes a millisecond later, live and in the recording, where ports have no order."""
    text = "music\ntab drum on\nexpect struck drum\ntab drum off\nexpect struck nothing"
    music = Music(touches((0.1, 60, DOWN), (0.2, 62, DOWN)), 0.5)
    outcome = rehearsed(text, music)
    keys = [round(at * 1000) for at, heard, _ in outcome.heard if "keys" in str(heard)]
    assert keys[:2] == [201, 301]


def test_music_through_the_switch() -> None:
    """Keys go on moving with nobody to hear them; those that are down when it is on are found."""
    outcome = rehearsed(
        """
        tab gt-8 on
        music
        wait 0.05
        switch off
        wait 0.5
        switch on
        expect keys great 62
        """,
        Music(
            touches((0.0, 60, DOWN), (0.3, 60, UP), (0.4, 62, DOWN), (0.9, 62, UP)),
            1.0,
        ),
    )
    assert pipes_of(outcome, "flute") == [
        (200, "on", [37]),
        (350, "off", [37]),
        (950, "on", [39]),
        (1100, "off", [39]),
    ]


def test_music_has_a_row_for_each_rank() -> None:
    """However many notes it has: those that are in the step, and what is left on."""
    console = CONSOLES["loft"]
    moves = [(n / 10, 60 + n % 3, way, n) for n in range(100) for way in (DOWN, UP)]
    scale = touches(*((at + (0.0 if way else 0.09), key, way) for at, key, way, _ in moves))
    assert len(scale) == 200
    outcome = rehearsed("tab gt-8 gt-4 drum on\nmusic", Music(scale, 10.0))
    assert len(outcome.steps) == 3
    assert list(Sheet(console, full=False).rows(outcome))[1:] == [
        ("0.200", "2", "music", "Flute", "200 notes of 37-39 49-51", "0"),
        ("", "", "", "traps", "100 strokes of drum", ""),
    ]
