"""Console files: what a sound one becomes, and what a person is told about every other."""

import string
from fractions import Fraction
from typing import Any

import pytest
import tomlkit
from attrs import evolve
from hypothesis import given
from hypothesis import strategies as st

from combination.findings import ConsoleFileError, Severity
from combination.model import (
    Action,
    Contact,
    Kind,
    RankOut,
    Selection,
    Stores,
    WhileGoverned,
)
from combination.ranges import Ranges
from combination.reading import examine, read_console

SOUND = """
format = 1
name = "Mill Lane"
action = "blind"

[[keyboard]]
id = "great"
name = "Great"
contacts = "kbd.1"

[[keyboard]]
id = "pedal"
name = "Pedal"
keys = 32

[[division]]
id = "great"
name = "Great"
keyboard = "great"

[[division]]
id = "pedal"
name = "Pedal"
keyboard = "pedal"

[[rank]]
id = "flute"
name = "Flute"
pitch = "16"
pipes = 97
out = { port = "pipes", channel = 1 }

[[stop]]
id = "gt-flute-8"
label = ["Flute", "8'"]
division = "great"
rank = "flute"
pitch = "8"
contact = "rail.1"

[[stop]]
id = "pd-bourdon-16"
label = "Bourdon 16'"
division = "pedal"
rank = "flute"
pitch = "16"
contact = { pin = "rail.2", inverted = true }

[[coupler]]
id = "gt-pd"
label = ["Great", "to Pedal"]
keys = "pedal"
plays = "great"
contact = "rail.3"

[[coupler]]
id = "gt-off"
label = ["Great", "Unison Off"]
division = "great"
unison-off = true
contact = "rail.4"

[crescendo]
in = { port = "console", channel = 1, controller = 20 }

[[crescendo.stage]]
sounds = ["gt-flute-8"]

[[crescendo.stage]]
adds = ["gt-pd"]

[[piston]]
id = "g1"
label = "1"
kind = "general"
contact = ["pist.1", "pist.2"]

[[piston]]
id = "gt1"
label = "1"
kind = "divisional"
division = "great"
contact = "pist.3"

[[piston]]
id = "gt-pd-rev"
label = ["Gt", "Pd"]
kind = "reversible"
control = "gt-pd"
contact = "pist.4"

[[piston]]
id = "full"
label = "Full"
kind = "full-organ"
sounds = { everything = true, except = ["gt-off"] }
contact = "pist.5"

[[piston]]
id = "set"
label = "Set"
kind = "set"
contact = "pist.6"

[[piston]]
id = "cancel"
label = "0"
kind = "general-cancel"
contact = "pist.7"

[[board]]
id = "kbd"
pins = 64
in = { port = "console", channel = 1, first-note = 36 }

[[board]]
id = "rail"
pins = 8
in = { port = "console", channel = 2, first-note = 0 }

[[board]]
id = "pist"
pins = 16
in = { port = "console", channel = 3, first-controller = 0 }
out = { port = "console", channel = 3, first-note = 0 }
"""


def spoken(text: str) -> list[str]:
    """Everything that is said about a file, without the lines."""
    return [f"{f.severity}: {evolve(f, line=None)}" for f in examine(text)[1]]


def test_the_sound_file_has_nothing_to_be_said_against_it() -> None:
    assert spoken(SOUND) == []


def test_what_a_sound_file_becomes() -> None:
    console = read_console(SOUND)
    assert console.name == "Mill Lane"
    assert console.action is Action.BLIND
    assert console.while_governed is WhileGoverned.IGNORED
    assert console.stores is Stores.RAIL
    flute, bourdon = console.stops
    assert flute.label == ("Flute", "8'")
    assert flute.pitch == Fraction(8)
    assert bourdon.label == ("Bourdon 16'",)
    assert bourdon.contact == Contact("rail.2", inverted=True)
    assert console.ranks[0].out == (RankOut("pipes", 1),)
    assert console.pistons[0].contact == (Contact("pist.1"), Contact("pist.2"))
    assert console.pistons[3].kind is Kind.FULL_ORGAN
    assert console.pistons[3].sounds == Selection(everything=True, excluding=("gt-off",))
    ranges = Ranges(console)
    names = ranges.roster.registration
    assert names(ranges.affects["g1"]) == {"gt-flute-8", "pd-bourdon-16", "gt-pd", "gt-off"}
    assert names(ranges.affects["gt1"]) == {"gt-flute-8", "gt-off"}
    assert [names(adds) for adds, _ in ranges.stages] == [
        {"gt-flute-8"},
        {"gt-flute-8", "gt-pd"},
    ]


def also(tables: str) -> list[tuple[str, str]]:
    """Further tables in the sound file: what to change in it."""
    return [("[crescendo]\n", f"{tables}\n[crescendo]\n")]


def stop(name: str, draws: str, more: str = "", table: str = "stop") -> str:
    """One more stop of the Great, which has the lines 36 to 96."""
    return f'[[{table}]]\nid = "{name}"\nlabel = "{name}"\n{draws}\ndivision = "great"\n{more}\n'


def coupler(name: str, keys: str, plays: str, more: str = "") -> str:
    return (
        f'[[coupler]]\nid = "{name}"\nlabel = ["{name}", "x"]\n{more}\n'
        f'keys = "{keys}"\nplays = "{plays}"\n'
    )


def rank(name: str, pipes: int, more: str = "") -> str:
    """One more rank, of 8'."""
    return f'[[rank]]\nid = "{name}"\nname = "{name}"\npipes = {pipes}\n{more}\n'


def port(name: str, *keys: str) -> str:
    return "\n".join(["[[port]]", f'id = "{name}"', *keys, ""])


ECHO = """
[[division]]
id = "echo"
name = "Echo"

[[stop]]
id = "echo-8"
label = "Echo 8'"
division = "echo"
rank = "flute"
pitch = "8"
"""
"""A floating division, with the lines 36 to 96."""


# What to change in the sound file (old text, new text), and everything that is then said.
BROKEN: dict[str, tuple[list[tuple[str, str]], list[str]]] = {
    "unknown key": (
        [('name = "Mill Lane"', 'name = "Mill Lane"\nlevls = 4')],
        ['error: levls: there is no such key; did you mean "levels"?'],
    ),
    "missing key": (
        [('action = "blind"\n', "")],
        ["error: action: is missing"],
    ),
    "another format": (
        [("format = 1", "format = 2")],
        ["error: format: is 2; this program reads format 1"],
    ),
    "not a choice": (
        [('"blind"', '"blnd"')],
        ['error: action: is "blnd"; did you mean "blind"?'],
    ),
    "far from any choice": (
        [('"blind"', '"x"')],
        ['error: action: is "x"; expected one of blind, moving, lit'],
    ),
    "wrong type": (
        [("keys = 32", 'keys = "32"')],
        ['error: keyboard "pedal", keys: is "32"; expected a whole number'],
    ),
    "true is no number": (
        [("keys = 32", "keys = true")],
        ['error: keyboard "pedal", keys: is true; expected a whole number'],
    ),
    "pitch": (
        [('pitch = "8"', "pitch = 2.667")],
        [
            'error: stop "gt-flute-8", pitch: is 2.667; '
            'expected a pitch in feet as engraved, such as "8" or "2 2/3"',
        ],
    ),
    "unknown keyboard": (
        [('keyboard = "pedal"', 'keyboard = "pedla"')],
        ['error: division "pedal", keyboard: there is no keyboard "pedla"; did you mean "pedal"?'],
    ),
    "unknown division of a stop": (
        [('division = "pedal"\nrank', 'division = "swell"\nrank')],
        [
            'error: stop "pd-bourdon-16", division: there is no division "swell"; '
            "there are great, pedal"
        ],
    ),
    "unknown rank": (
        [('rank = "flute"\npitch = "8"', 'rank = "flut"\npitch = "8"')],
        ['error: stop "gt-flute-8", rank: there is no rank "flut"; did you mean "flute"?'],
    ),
    "unknown control of a reversible": (
        [('control = "gt-pd"', 'control = "gt-dp"')],
        ['error: piston "gt-pd-rev", control: there is no control "gt-dp"; did you mean "gt-pd"?'],
    ),
    "a reversible of nothing": (
        [('control = "gt-pd"\n', "")],
        ['error: piston "gt-pd-rev", control: a reversible piston needs it'],
    ),
    "a key of another kind": (
        [('kind = "set"', 'kind = "set"\nadditive = true')],
        ['error: piston "set", additive: a set piston has no such key'],
    ),
    "duplicate control": (
        [('id = "gt-off"', 'id = "gt-pd"')],
        [
            'error: coupler "gt-pd", id: is the id of coupler number 1 too; '
            "each control needs its own",
            'error: piston "full", sounds: there is no control "gt-off"; '
            "there are gt-flute-8, gt-pd, pd-bourdon-16",
        ],
    ),
    "an id with a space": (
        [('id = "cancel"', 'id = "the cancel"')],
        [
            'error: piston "the cancel", id: is "the cancel"; expected letters, digits, '
            "- and _, beginning with a letter or digit"
        ],
    ),
    "two contacts on one pin": (
        [('contact = "rail.3"', 'contact = "rail.1"')],
        [
            'error: coupler "gt-pd", contact: pin "rail.1" has stop "gt-flute-8" '
            "(contact) on it already"
        ],
    ),
    "a pin beyond its board": (
        [('contact = "rail.3"', 'contact = "rail.9"')],
        ['error: coupler "gt-pd", contact: "rail.9" is beyond board "rail", which has 8 pins'],
    ),
    "an unknown board": (
        [('contact = "rail.3"', 'contact = "rial.3"')],
        ['error: coupler "gt-pd", contact: there is no board "rial"; did you mean "rail"?'],
    ),
    "no pin at all": (
        [('contact = "rail.3"', 'contact = "rail"')],
        ['error: coupler "gt-pd", contact: is "rail"; expected a pin such as "rail-1.12"'],
    ),
    "a lamp on a board of inputs": (
        [('contact = "rail.3"', 'contact = "rail.3"\nlamp = "rail.5"')],
        ['error: coupler "gt-pd", lamp: board "rail" has no out: pin "rail.5" leads nowhere'],
    ),
    "a keyboard that runs off its board": (
        [('contacts = "kbd.1"', 'contacts = "kbd.10"')],
        ['error: keyboard "great", contacts: "kbd.65" is beyond board "kbd", which has 64 pins'],
    ),
    "a board that runs off MIDI": (
        [("first-note = 36", "first-note = 100")],
        ['error: board "kbd", in: pin 29 would be note 128: MIDI ends at 127'],
    ),
    "a board with two kinds of message": (
        [("first-note = 36", "first-note = 36, first-program = 1")],
        [
            'error: board "kbd", in: expected exactly one of first-note, '
            "first-controller or first-program"
        ],
    ),
    "keys and set by program changes": (
        [("channel = 3, first-controller = 0", "channel = 3, first-program = 0")],
        ['error: piston "set", contact: a set piston must open: not by program changes'],
    ),
    "a tab by one program change": (
        [("channel = 2, first-note = 0", "channel = 2, first-program = 0")],
        [
            f"error: {control}, contact: a tab by program changes needs two: "
            "contact-on and contact-off"
            for control in (
                'stop "gt-flute-8"',
                'stop "pd-bourdon-16"',
                'coupler "gt-pd"',
                'coupler "gt-off"',
            )
        ],
    ),
    "two boards on the same messages": (
        [("channel = 2, first-note = 0", "channel = 1, first-note = 90")],
        [
            'error: board "rail", in: shares note 90 on port "console", channel 1 with '
            'board "kbd" (in)'
        ],
    ),
    "a rank too short": (
        [("pipes = 97", "pipes = 70")],
        [
            'warning: stop "gt-flute-8", rank: runs off rank "flute" by 3 notes at the top: '
            "it needs pipes 13 to 73, and there are 70"
        ],
    ),
    "a rank that begins too high": (
        [
            ('pitch = "16"\npipes', 'pitch = "8"\npipes'),
            ("channel = 1 }", "channel = 1, first-note = 0 }"),
        ],
        [
            'warning: stop "pd-bourdon-16", rank: runs off rank "flute" by 12 notes at the '
            "bottom: it needs pipes -11 to 20, and there are 97"
        ],
    ),
    "a rank too short at both ends": (
        also(rank("viol", 40) + stop("viol-16", 'rank = "viol"\npitch = "16"')),
        [
            'warning: stop "viol-16", rank: runs off rank "viol" by 12 notes at the bottom and '
            "9 notes at the top: it needs pipes -11 to 49, and there are 40"
        ],
    ),
    "a rank too short by one note": (
        also(rank("viol", 60) + stop("viol-8", 'draws = [{ rank = "viol", from = 48 }]')),
        [
            'warning: stop "viol-8", draws 1: runs off rank "viol" by 1 note at the top: '
            "it needs pipes 13 to 61, and there are 60"
        ],
    ),
    "a stop that runs off by its extended lines": (
        [('keyboard = "great"', 'keyboard = "great"\nlines = 90'), ("pipes = 97", "pipes = 85")],
        [
            'warning: stop "gt-flute-8", rank: runs off rank "flute" by 17 notes at the top: '
            "it needs pipes 13 to 102, and there are 85"
        ],
    ),
    "a harp from tenor C that is played from lower": (
        also(
            rank("harp", 49, "first-key = 48")
            + stop("harp", 'rank = "harp"\nfrom = 47', table="percussion")
        ),
        [
            'warning: percussion "harp", rank: runs off rank "harp" by 1 note at the bottom: '
            "it needs pipes 0 to 49, and there are 49"
        ],
    ),
    "a percussion beyond its division": (
        also(stop("harp", 'rank = "flute"\nfrom = 35\nto = 97', table="percussion")),
        [
            'error: percussion "harp", rank: keys 35 to 97 are not within its division\'s lines '
            "36 to 96"
        ],
    ),
    "a percussion that is another": (
        also(
            "".join(
                stop(name, f'rank = "flute"\nfrom = {first}\nto = 71', table="percussion")
                for name, first in (("a", 48), ("b", 60), ("c", 48))
            )
        ),
        [
            'warning: percussion "c", rank: can never sound differently from percussion "a", '
            'labelled "a"'
        ],
    ),
    "strokes faster than any beater, and a pluck that is none": (
        also(
            rank("bells", 61, 'stroke = "reiterate"\nrate = 1e9')
            + rank("bars", 61, 'stroke = "reiterate"\nrate = 50.1')
            + rank("gong", 61, 'stroke = "reiterate"\nrate = 0')
            + rank("harp", 61, 'stroke = "reiterate"\nrate = nan')
            + coupler("a", "pedal", "great", "pizzicato = true\npizzicato-time = 10.1")
        ),
        [
            'error: rank "bells", rate: is 1000000000.0; expected more than 0, at most 50',
            'error: rank "bars", rate: is 50.1; expected more than 0, at most 50',
            'error: rank "gong", rate: is 0.0; expected more than 0, at most 50',
            'error: rank "harp", rate: is nan; expected a number',
            'error: coupler "a", pizzicato-time: is 10.1; expected more than 0, at most 10',
        ],
    ),
    "a rate that is missing, and one too many": (
        also(rank("bells", 61, 'stroke = "reiterate"') + rank("gong", 61, "rate = 8")),
        [
            'error: rank "bells", rate: needs a rate, in strokes a second',
            'error: rank "gong", rate: is for stroke = reiterate only, in strokes a second',
        ],
    ),
    "pitches that are no harmonics": (
        also(
            rank("viol", 73, 'pitch = "12"')
            + stop("a", 'rank = "viol"\npitch = "6"')
            + stop("b", 'rank = "flute"\npitch = "7"', table="percussion")
            + stop(
                "c",
                'draws = [{ rank = "flute" }, { rank = "flute", pitch = "2 1/3", from = 60 }, '
                '{ rank = "flute", pitch = "3", from = 60 }]',
            )
        ),
        [
            f"warning: {where}: {feet}' is no harmonic of a stop of 8', 16' or 32': "
            "it is taken for the nearest semitone"
            for where, feet in (
                ('rank "viol", pitch', "12"),
                ('stop "a", pitch', "6"),
                ('percussion "b", pitch', "7"),
                ('stop "c", draws 2, pitch', "2 1/3"),
            )
        ],
    ),
    "a pitch that nobody engraves": (
        [('pitch = "8"', 'pitch = "6 3/2"')],
        [
            'error: stop "gt-flute-8", pitch: is "6 3/2"; '
            'expected a pitch in feet as engraved, such as "8" or "2 2/3"',
        ],
    ),
    "tables that there are not": (
        also('[[stops]]\nid = "a"\n\n[[stops]]\nid = "b"\n\n[transposr]\nup = "rail.5"\n'),
        [
            'error: stops: there is no such table; did you mean "stop"?',
            'error: transposr: there is no such table; did you mean "transposer"?',
        ],
    ),
    "a percussion that runs off": (
        also(
            rank("bells", 25, "first-key = 60")
            + stop("bells", 'rank = "bells"', table="percussion")
        ),
        [
            'warning: percussion "bells", rank: runs off rank "bells" by 24 notes at the bottom '
            "and 12 notes at the top: it needs pipes -23 to 37, and there are 25"
        ],
    ),
    "a stop that repeats on fewer than twelve pipes": (
        also(rank("bells", 7) + stop("bells-8", 'rank = "bells"\nrepeats = true')),
        [
            'warning: stop "bells-8", rank: 25 notes of it have no pipe in any octave: '
            'rank "bells" has only 7'
        ],
    ),
    "keys between two draws": (
        also(
            stop("a", 'draws = [{ rank = "flute", from = 61 }, { rank = "flute", to = 59 }]')
            + stop(
                "b",
                'draws = [{ rank = "flute", to = 47 }, { rank = "flute", to = 40 }, '
                '{ rank = "flute", from = 60, to = 70 }, { rank = "flute", from = 73 }]',
            )
        ),
        [
            'warning: stop "a", draws: key 60 draws nothing, though those on either side do',
            'warning: stop "b", draws: keys 48 to 59 draw nothing, though those on either side do',
            'warning: stop "b", draws: keys 71 to 72 draw nothing, though those on either side do',
        ],
    ),
    "a stop that is another": (
        also(stop("flute-8", 'rank = "flute"\npitch = "8"')),
        [
            'warning: stop "flute-8", rank: can never sound differently from '
            'stop "gt-flute-8", labelled "Flute 8\'"'
        ],
    ),
    "a stop that is another, written otherwise": (
        also(
            stop(
                "flute-8",
                'draws = [{ rank = "flute", pitch = "8", from = 49 }, '
                '{ rank = "flute", pitch = "8", from = 36, to = 50, repeats = true }]',
            )
        ),
        [
            'warning: stop "flute-8", draws: can never sound differently from '
            'stop "gt-flute-8", labelled "Flute 8\'"'
        ],
    ),
    "three that are one, one of them a percussion": (
        also(
            stop("a", 'rank = "flute"')
            + stop("b", 'rank = "flute"\npitch = "16"')
            + stop("c", 'rank = "flute"\nrepeats = true', table="percussion")
        ),
        [
            f'warning: {one}, rank: can never sound differently from stop "a", labelled "a"'
            for one in ('stop "b"', 'percussion "c"')
        ],
    ),
    "stops that differ only over lines that nothing plays": (
        [
            ('keyboard = "great"', 'keyboard = "great"\nlines = 73'),
            *also(stop("flute-8", 'draws = [{ rank = "flute", pitch = "8", to = 96 }]')),
        ],
        [
            'warning: stop "flute-8", draws: can never sound differently from '
            'stop "gt-flute-8", labelled "Flute 8\'"'
        ],
    ),
    "a stop over lines that nothing plays": (
        [
            ('keyboard = "great"', 'keyboard = "great"\nlines = 73'),
            *also(stop("a", 'draws = [{ rank = "flute", from = 97 }]')),
        ],
        ['warning: stop "a", draws: it can never sound: nothing plays the lines that draw it'],
    ),
    "a floating division that no coupler plays": (
        also(ECHO),
        [
            'warning: division "echo", keyboard: is missing, and no coupler plays it: '
            "it can never sound"
        ],
    ),
    "a division apart from its keyboard": (
        [('keyboard = "pedal"', 'keyboard = "pedal"\nlowest = 68\nlines = 12')],
        [
            'warning: division "pedal", lowest: its lines are 68 to 79: none is a key of its '
            "keyboard, which has 36 to 67"
        ],
    ),
    "couplers onto no line": (
        also(
            ECHO.replace('name = "Echo"', 'name = "Echo"\nlowest = 68\nlines = 12')
            + coupler("a", "great", "great", "shift = -60")
            + coupler("b", "pedal", "great", "shift = -32")
            + coupler("c", "pedal", "echo")
        ),
        [
            'warning: coupler "b", shift: it can never play a line: its keys come to 4 to 35, '
            'and "great" has 36 to 96',
            'warning: coupler "c", plays: it can never play a line: its keys come to 36 to 67, '
            'and "echo" has 68 to 79',
        ],
    ),
    "couplers onto nothing": (
        also(
            '[[division]]\nid = "shaken"\nname = "Shaken"\n'
            '[[tremulant]]\nid = "tremulant"\nlabel = "T"\ndivision = "shaken"\n'
            'out = { port = "pipes", channel = 3, note = 0 }\n'
            '[[division]]\nid = "module"\nname = "Module"\nkeyboard = "great"\n'
            '[[stop]]\nid = "module-8"\nlabel = "8"\ndivision = "module"\n'
            'out = { port = "module", channel = 1, program-on = 0, program-off = 1 }\n'
            '[[division]]\nid = "bare"\nname = "Bare"\nkeyboard = "great"\n'
            'out = { port = "chest", channel = 1, bare = true }\n'
            + coupler("a", "great", "shaken")
            + coupler("b", "pedal", "module")
            + coupler("c", "pedal", "bare")
        ),
        [
            f'warning: coupler "{one}", plays: couples onto nothing: the lines of "{division}" '
            "play nothing"
            for one, division in (("a", "shaken"), ("b", "module"), ("c", "bare"))
        ],
    ),
    "couplers that do the same": (
        [
            ('except = ["gt-off"]', 'except = ["gt-off", "d"]'),
            *also(
                coupler("a", "pedal", "great", 'division = "great"')
                + coupler("b", "pedal", "great", "pizzicato = true")
                + coupler("c", "pedal", "great", "pizzicato = true\npizzicato-time = 0.15")
                + '[[coupler]]\nid = "d"\nlabel = "d"\ndivision = "great"\nunison-off = true\n'
            ),
        ],
        [
            'warning: coupler "a", plays: does the same as coupler "gt-pd", '
            'labelled "Great to Pedal"',
            'warning: coupler "c", plays: does the same as coupler "b", labelled "b x"',
            'warning: coupler "d", unison-off: does the same as coupler "gt-off", '
            'labelled "Great Unison Off"',
        ],
    ),
    "bare keys of a division without": (
        also(
            ECHO.replace(
                'name = "Echo"',
                'name = "Echo"\nout = { port = "chest", channel = 1, bare = true }',
            )
            + coupler("a", "pedal", "echo")
        ),
        ['warning: division "echo", out, bare: its division floats: it has no keys to send'],
    ),
    "a longest on-time of program changes": (
        also(
            '[[effect]]\nid = "bird"\nlabel = "Bird"\nout = { port = "pipes", channel = 3, '
            "program-on = 0, program-off = 1, longest-on = 1.0 }\n"
        ),
        [
            'warning: effect "bird", out, longest-on: program changes drive no coil: '
            "it would send program-off while this is on"
        ],
    ),
    "beaters that would be held on": (
        also(
            rank("bells", 61, 'stroke = "once"\nout = { port = "pipes", channel = 3 }')
            + rank("harp", 61, "longest-on = 0.1")
            + rank("gong", 61, 'stroke = "once"')
            + rank("bars", 61, 'stroke = "reiterate"\nrate = 8\nout = { port = "x", channel = 1 }')
            + "".join(stop(name, f'rank = "{name}"') for name in ("bells", "harp", "gong", "bars"))
        ),
        [
            'warning: rank "bells", longest-on: is missing, though other outputs have one: '
            "a stroke lasts as long as its key is down"
        ],
    ),
    **{
        f"beaters that would be held on, beside {what}": (
            [
                *timed,
                *also(
                    rank("bells", 61, 'stroke = "once"\nout = { port = "pipes", channel = 3 }')
                    + stop("bells", 'rank = "bells"')
                ),
            ],
            [
                'warning: rank "bells", longest-on: is missing, though other outputs have one: '
                "a stroke lasts as long as its key is down"
            ],
        )
        for what, timed in {
            "a division's lines": [
                (
                    'keyboard = "great"',
                    'keyboard = "great"\nout = { port = "x", channel = 1, longest-on = 60 }',
                )
            ],
            "a stop's state": [
                (
                    'pitch = "16"\ncontact',
                    'pitch = "16"\nout = { port = "x", channel = 1, note = 1, longest-on = 60 }\n'
                    "contact",
                )
            ],
        }.items()
    },
    "strokes that burn": (
        also(
            rank("bells", 61, 'stroke = "once"\nlongest-on = 1.5')
            + rank("organ", 61, "longest-on = 60")
            + "".join(stop(name, f'rank = "{name}"') for name in ("bells", "organ"))
            + '[[trap]]\nid = "drum"\nlabel = "D"\ndivision = "great"\n'
            'out = { port = "pipes", channel = 3, note = 0, longest-on = 2 }\n'
        ),
        [
            'warning: rank "bells", longest-on: 1.5 s is long for a stroke: coils left on burn',
            'warning: trap "drum", out, longest-on: 2.0 s is long for a stroke: coils left on burn',
        ],
    ),
    "voices that General MIDI has not": (
        [
            ("pipes = 97", "pipes = 97\nprogram = 0"),
            *also(
                '[[trap]]\nid = "a"\nlabel = "A"\ndivision = "great"\ndrum = 26\n'
                '[[trap]]\nid = "b"\nlabel = "B"\ndivision = "great"\ndrum = 88\n'
                + rank("viol", 61, "program = 129")
            ),
        ],
        [
            'error: rank "flute", program: is 0; expected 1 to 128',
            'error: trap "a", drum: is 26; expected 27 to 87',
            'error: trap "b", drum: is 88; expected 27 to 87',
            'error: rank "viol", program: is 129; expected 1 to 128',
        ],
    ),
    "pushes of the transposer on pins that are taken": (
        also('[transposer]\nup = "rail.3"\ndown = "rail.5"\nzero = "rail.5"\n'),
        [
            'error: transposer, up: pin "rail.3" has coupler "gt-pd" (contact) on it already',
            'error: transposer, zero: pin "rail.5" has transposer (down) on it already',
        ],
    ),
    "a transposer's switch beyond its board": (
        also('[transposer]\nswitch = "pist.8"\n'),
        [
            'error: transposer, switch: "pist.17" is beyond board "pist", which has 16 pins',
        ],
    ),
    "a transposer's switch on a pin that is taken": (
        [
            ('contacts = "kbd.1"', 'contacts = "kbd.14"'),
            ("pins = 64", "pins = 80"),
            *also('[transposer]\nswitch = "kbd.2"\n'),
        ],
        [
            'error: transposer, switch: pin "kbd.14" has keyboard "great" (contacts) on it already',
        ],
    ),
    "a transposer's switch that nobody hears": (
        also(
            '[transposer]\nswitch = "lamps.1"\n'
            '[[board]]\nid = "lamps"\npins = 16\n'
            'out = { port = "lamps", channel = 1, first-note = 0 }\n'
        ),
        [
            'error: transposer, switch: board "lamps" has no in: pin "lamps.1" leads nowhere',
        ],
    ),
    "a transposer that stays at 0": (
        also(
            '[transposer]\nzero = "rail.5"\n'
            '[[readout]]\nshows = "transposer"\n'
            'out = { port = "console", channel = 1, controller = 1 }\n'
        ),
        [
            "warning: transposer, zero: nothing moves it from 0: up, down and switch are missing",
            "warning: readout number 1, shows: nothing moves the transposer: it will always show 0",
        ],
    ),
    "a transposer that does not come back": (
        also('[transposer]\ndown = "rail.5"\n'),
        ["warning: transposer, down: nothing brings it back: up, zero and switch are missing"],
    ),
    "a floating division with nothing in it": (
        also(ECHO.partition("[[stop]]")[0]),
        ['warning: division "echo": it has no stops'],
    ),
    "keys beyond all sense": (
        [("keys = 32", "keys = 1000000000000")],
        [
            'error: keyboard "pedal", keys: is 1000000000000; expected 1 to 128',
            'error: keyboard "pedal", keys: its highest would be note 1000000000035; '
            "MIDI ends at 127",
        ],
    ),
    "a first key beyond all sense": (
        also(
            rank("viol", 61, f"first-key = {-(2**70)}") + stop("a", 'rank = "viol"\nrepeats = true')
        ),
        ['error: rank "viol", first-key: is -1180591620717411303424; expected 0 to 127'],
    ),
    "lines beyond all sense": (
        [('keyboard = "great"', 'keyboard = "great"\nlines = 1000000000000')],
        [
            'error: division "great", lines: is 1000000000000; expected 1 to 128',
            'error: division "great", lines: its highest would be note 1000000000035; '
            "MIDI ends at 127",
        ],
    ),
    "lines that end beyond MIDI, as many as its keyboard has keys": (
        [('keyboard = "great"', 'keyboard = "great"\nlowest = 100')],
        [
            'error: division "great", lowest: its highest would be note 160; MIDI ends at 127',
        ],
    ),
    "lines that end beyond MIDI, from its keyboard's lowest": (
        [('keyboard = "great"', 'keyboard = "great"\nlines = 93')],
        [
            'error: division "great", lines: its highest would be note 128; MIDI ends at 127',
        ],
    ),
    "pipes beyond all sense": (
        [("pipes = 97", "pipes = 1000000000000")],
        ['error: rank "flute", pipes: is 1000000000000; expected 1 to 1000'],
    ),
    "a rank that no key reaches": (
        [("pipes = 97", "pipes = 4\nfirst-key = 120")],
        [
            f'error: {stop}, rank: no key of it reaches a pipe of rank "flute"'
            for stop in ('stop "gt-flute-8"', 'stop "pd-bourdon-16"')
        ],
    ),
    "pipes beyond MIDI": (
        [("pipes = 97", "pipes = 105")],
        ['error: rank "flute", out: would send notes 24 to 128; MIDI has 0 to 127'],
    ),
    "outputs that share a note": (
        [
            (
                'out = { port = "pipes", channel = 1 }',
                'out = [{ port = "pipes", channel = 1, to = 50 },\n'
                '       { port = "pipes", channel = 1, from = 51, first-note = 60 }]',
            )
        ],
        [
            'error: rank "flute", out 2: shares note 60 on port "pipes", channel 1 with '
            'rank "flute" (out 1)'
        ],
    ),
    "a channel beyond 16": (
        [('port = "pipes", channel = 1', 'port = "pipes", channel = 17')],
        ['error: rank "flute", out, channel: is 17; expected 1 to 16'],
    ),
    "a divisional affecting nothing": (
        [
            (
                'kind = "divisional"',
                'kind = "divisional"\naffects = { controls = ["gt-flute-8"],'
                ' except = ["gt-flute-8"] }',
            )
        ],
        ['error: piston "gt1", affects: it affects nothing'],
    ),
    "full organ quieter than the crescendo": (
        [('except = ["gt-off"]', 'except = ["gt-off", "gt-pd"]')],
        [
            'warning: piston "full", sounds: full organ is quieter than the crescendo\'s '
            "last stage: it lacks gt-pd"
        ],
    ),
    "a unison off in a list": (
        [('{ everything = true, except = ["gt-off"] }', "{ everything = true }")],
        ['warning: piston "full", sounds: "gt-off" is a unison off: it takes sound away'],
    ),
    "a stage of both kinds": (
        [('adds = ["gt-pd"]', 'adds = ["gt-pd"]\nsounds = []')],
        ["error: crescendo.stage number 2, sounds: a stage has either sounds or adds"],
    ),
    "hand registration on a moving action": (
        [
            ('action = "blind"', 'action = "moving"'),
            ('kind = "general-cancel"', 'kind = "hand-registration"'),
        ],
        [
            'error: piston "cancel", kind: a moving action has no hand registration: its '
            "tabs are the registration"
        ],
    ),
    "a blind choice on a lit action": (
        [('action = "blind"', 'action = "lit"\nagain = "release"')],
        ["warning: again: means nothing on a lit action"],
    ),
    "nothing can be set": (
        [('kind = "set"', 'kind = "next"')],
        ["warning: piston: there is no set piston: nothing can be set"],
    ),
    "setting turned off": (
        [("[crescendo]", "[set]\nhold = false\nlatch = false\n\n[crescendo]")],
        ["warning: set, hold: both hold and latch are turned off: nothing can be set"],
    ),
    "a coupler that does nothing": (
        [('keys = "pedal"', 'keys = "great"')],
        ['warning: coupler "gt-pd", plays: its keys play this division without it'],
    ),
    "a piston nobody can press": (
        [('contact = "pist.7"', "")],
        ['warning: piston "cancel", contact: is missing: nobody can press it'],
    ),
    "a second touch of itself": (
        [
            (
                'kind = "divisional"',
                'kind = "divisional"\nsecond-touch = { piston = "gt1", contact = "pist.9" }',
            )
        ],
        ['error: piston "gt1", second-touch, piston: a piston cannot be its own second touch'],
    ),
    "a control that is still there under its old id": (
        [('id = "gt-off"', 'id = "gt-off"\nwas = "gt-pd"')],
        ['error: coupler "gt-off", was: "gt-pd" is still there under that id'],
    ),
    "heel is toe": (
        [("[crescendo]", "[crescendo]\nheel = 127")],
        ["error: crescendo, toe: heel and toe have the same reading"],
    ),
    "an empty selection is not everything": (
        [('kind = "general"', 'kind = "general"\naffects = []')],
        ['error: piston "g1", affects: it affects nothing'],
    ),
    "exceptions to nothing": (
        [("{ everything = true, except", "{ except")],
        ['error: piston "full", sounds: has only exceptions: say from what, as everything = true'],
    ),
    "an effect that operates nothing": (
        [("[crescendo]", '[[effect]]\nid = "bird"\nlabel = "Bird"\n\n[crescendo]')],
        ['warning: effect "bird", out: is missing: it operates nothing'],
    ),
    "a tab driven one way": (
        [
            ('action = "blind"', 'action = "moving"'),
            ('contact = "rail.3"', 'contact = "rail.3"\ndrive-on = "pist.9"'),
        ],
        [
            'error: coupler "gt-pd", drive-off: is missing: a driven tab is driven both ways',
            'warning: stop "gt-flute-8", drive-on: is missing, though other controls have one',
            'warning: stop "pd-bourdon-16", drive-on: is missing, though other controls have one',
            'warning: coupler "gt-off", drive-on: is missing, though other controls have one',
        ],
    ),
    "a stop that draws nothing": (
        [('rank = "flute"\npitch = "8"', 'pitch = "8"')],
        ['warning: stop "gt-flute-8", rank: it draws on no rank, and its state is sent nowhere'],
    ),
    "a full organ that is none": (
        [('sounds = { everything = true, except = ["gt-off"] }', "sounds = []")],
        [
            'warning: piston "full", sounds: it adds nothing, and cannot be set',
            'warning: piston "full", sounds: full organ is quieter than the crescendo\'s last '
            "stage: it lacks gt-flute-8, gt-pd",
        ],
    ),
    "lamps by program changes": (
        [("channel = 3, first-note = 0 }", "channel = 3, first-program = 0 }")],
        [
            'error: board "pist", out: what is lit must go out again: not by program changes',
        ],
    ),
    "a trap of no division and a percussion of no rank": (
        [
            (
                "[crescendo]",
                '[[trap]]\nid = "drum"\nlabel = "Drum"\n\n'
                '[[percussion]]\nid = "harp"\nlabel = "Harp"\ndivision = "great"\n\n[crescendo]',
            )
        ],
        [
            'error: trap "drum", division: is missing',
            'error: percussion "harp", rank: is missing',
        ],
    ),
    "not TOML": (
        [('name = "Mill Lane"', "name = Mill Lane")],
        ["error: the file: this is not a TOML file: invalid value, at column 8"],
    ),
    "ports joined to nothing, and to two things": (
        also(
            port("console")
            + port("pipes", 'midi = "USB Cable 1"', 'serial = "/dev/ttyUSB0"', "baud = 38400")
        ),
        [
            f'error: port "{name}": expected exactly one of midi, connect, listen, serial or device'
            for name in ("console", "pipes")
        ],
    ),
    "a speed of what has none, and speeds of nothing": (
        also(
            port("console", 'device = "/dev/snd/midiC1D0"', "baud = 31250")
            + port("pipes", 'serial = "/dev/ttyUSB0"', "baud = 299")
            + port("swell", 'serial = "/dev/ttyUSB1"', "baud = 4000001")
        ),
        [
            'error: port "console", baud: is for serial only',
            'error: port "pipes", baud: is 299; expected 300 to 4000000',
            'error: port "swell", baud: is 4000001; expected 300 to 4000000',
        ],
    ),
    "addresses that are none": (
        also(
            port("console", 'listen = "5004"') + port("pipes", 'connect = "chest.local:65536"'),
        ),
        [
            f"error: {where}; expected a host and a port number from 1 to 65535, such as "
            '"chest.local:5004" or "[::1]:5004"'
            for where in (
                'port "console", listen: is "5004"',
                'port "pipes", connect: is "chest.local:65536"',
            )
        ],
    ),
    "connections that say nothing": (
        also(port("console", 'midi = ""') + port("pipes", 'connect = " "')),
        [
            'error: port "console", midi: says nothing',
            'error: port "pipes", connect: says nothing',
        ],
    ),
    "a port joined twice": (
        also(port("pipes", 'midi = "A"') + port("pipes", 'midi = "B"')),
        ['error: port "pipes", id: is the id of port number 1 too; each port needs its own'],
    ),
    "ports that are none of this console's": (
        also(port("pips", 'midi = "A"') + port("swell", 'midi = "B"')),
        [
            'warning: port "pips", id: no port of this console is called so; did you mean "pipes"?',
            'warning: port "swell", id: no port of this console is called so; '
            "there are console, pipes",
        ],
    ),
    "what may be a port of what is not known": (
        [
            ('out = { port = "pipes", channel = 1 }', 'out = { port = "pipes", channel = "1" }'),
            *also(port("pipes", 'midi = "B"') + port("console", 'mid = "A"')),
        ],
        [
            'error: rank "flute", out 1, channel: is "1"; expected a whole number',
            'error: port "console", mid: there is no such key; did you mean "midi"?',
        ],
    ),
    "a table that is a key": (
        [("[crescendo]\n", "[crescendo]\nstages = 3\n")],
        ['error: crescendo, stages: there is no such key; did you mean "stage"?'],
    ),
    "one bad key does not hide the others of its table": (
        [
            ('kind = "reversible"', 'kind = "reversable"'),
            ('contact = "pist.4"', 'contact = "pist.1"'),
            ("unison-off = true", 'unison-of = true\nlamp = "pist.99"'),
            ('rank = "flute"\npitch = "8"', 'rank = "flut"\npitch = "x"'),
        ],
        [
            'error: stop "gt-flute-8", rank: there is no rank "flut"; did you mean "flute"?',
            'error: stop "gt-flute-8", pitch: is "x"; expected a pitch in feet as engraved, such '
            'as "8" or "2 2/3"',
            'error: coupler "gt-off", unison-of: there is no such key; did you mean "unison-off"?',
            'error: coupler "gt-off", lamp: "pist.99" is beyond board "pist", which has 16 pins',
            'error: piston "gt-pd-rev", kind: is "reversable"; did you mean "reversible"?',
            'error: piston "gt-pd-rev", contact: pin "pist.1" has piston "g1" (contact) on it '
            "already",
        ],
    ),
    "nothing is concluded from what is not known": (
        [
            ('action = "blind"', 'action = "blnd"\nwhile-governed = "adds"'),
            ('kind = "general-cancel"', 'kind = "hand-registration"'),
            (
                'label = "Bourdon 16\'"\ndivision = "pedal"',
                'label = "Bourdon 16\'"\ndivision = 16',
            ),
            ('name = "Great"\nkeyboard = "great"', 'nmae = "Great"\nkeyboard = "great"'),
        ],
        [
            'error: action: is "blnd"; did you mean "blind"?',
            'error: division "great", name: is missing',
            'error: division "great", nmae: there is no such key; did you mean "name"?',
            'error: stop "pd-bourdon-16", division: is 16; expected text in quotation marks',
        ],
    ),
    "nothing is counted that is not known": (
        [("pipes = 97", 'pipes = "97"'), ("keys = 32", 'keys = "32"')],
        [
            'error: keyboard "pedal", keys: is "32"; expected a whole number',
            'error: rank "flute", pipes: is "97"; expected a whole number',
        ],
    ),
    "one bad table does not hide another": (
        [
            ('kind = "set"', 'kind = "sit"'),
            ('control = "gt-pd"', 'control = "x"'),
            ("pins = 8", "pins = 0"),
        ],
        [
            'error: piston "gt-pd-rev", control: there is no control "x"; '
            "there are gt-flute-8, gt-off, gt-pd, pd-bourdon-16",
            'error: piston "set", kind: is "sit"; did you mean "set"?',
            'error: board "rail", pins: is 0; expected 1 to 9999',
        ],
    ),
}


def broken(changes: list[tuple[str, str]]) -> str:
    text = SOUND
    for old, new in changes:
        assert text.count(old) >= 1, old
        text = text.replace(old, new, 1)
    return text


# What a sound file may have besides, and nothing is said: good practice, and what only looks bad.
ORDINARY: dict[str, list[tuple[str, str]]] = {
    "an octave and a sub-octave on a division with no more lines than keys": also(
        coupler("a", "great", "great", "shift = 12") + coupler("b", "great", "great", "shift = -12")
    ),
    "a stop from tenor C, a bass and a treble": also(
        stop("a", 'draws = [{ rank = "flute", from = 48 }]')
        + stop("b", 'draws = [{ rank = "flute", to = 59 }]')
        + stop("c", 'draws = [{ rank = "flute", from = 60 }]')
    ),
    "a harp from tenor C, and a few of its bars": also(
        rank("harp", 49, "first-key = 48")
        + stop("a", 'rank = "harp"\nfrom = 48', table="percussion")
        + stop("b", 'rank = "harp"\nfrom = 60\nto = 71', table="percussion")
    ),
    "the fastest strokes and the longest pluck": also(
        rank("bells", 61, 'stroke = "reiterate"\nrate = 50')
        + stop("bells", 'rank = "bells"')
        + coupler("a", "pedal", "great", "pizzicato = true\npizzicato-time = 10")
    ),
    "mutations of every length": also(
        rank("viol", 97, 'pitch = "32"')
        + "".join(
            stop(f"m{place}", f'rank = "viol"\npitch = "{feet}"\nrepeats = true')
            for place, feet in enumerate(
                ("21 1/3", "10 2/3", "6 2/5", "5 1/3", "4 4/7", "3 1/5", "1 7/9", "8/15", "1/2")
            )
        )
    ),
    "a stop that repeats on twelve pipes": also(
        rank("bells", 12) + stop("bells-8", 'rank = "bells"\nrepeats = true')
    ),
    "a rank longer than its stops need": also(rank("viol", 85) + stop("a", 'rank = "viol"')),
    "a mixture with its breaks, and one of its ranks alone": also(
        stop(
            "a",
            'draws = [{ rank = "flute", pitch = "4", to = 59 }, '
            '{ rank = "flute", pitch = "2 2/3", to = 59 }, '
            '{ rank = "flute", pitch = "8", from = 60 }, '
            '{ rank = "flute", pitch = "5 1/3", from = 60 }]',
        )
        + stop("b", 'rank = "flute"\npitch = "4"')
    ),
    "a second rank from middle C": also(
        stop("a", 'draws = [{ rank = "flute" }, { rank = "flute", pitch = "4", from = 60 }]')
    ),
    "couplers onto a drum, and onto a stop that says that it is on": also(
        ECHO.replace(
            'rank = "flute"', 'rank = "flute"\nout = { port = "x", channel = 1, note = 1 }'
        )
        + '[[division]]\nid = "toys"\nname = "Toys"\n'
        '[[trap]]\nid = "drum"\nlabel = "D"\ndivision = "toys"\n'
        'out = { port = "x", channel = 1, note = 2 }\n'
        + coupler("a", "great", "echo")
        + coupler("b", "great", "toys")
    ),
    "the same pipes in two divisions": also(ECHO + coupler("a", "great", "echo")),
    "two stops with nothing to tell them apart but what they send": also(
        stop("a", 'rank = "flute"', 'out = { port = "x", channel = 1, note = 1 }')
        + stop("b", 'rank = "flute"', 'out = { port = "x", channel = 1, note = 2 }')
        + stop("c", 'rank = "flute"')
    ),
    "a stop that is one of a shoe's besides": also(
        stop("a", 'rank = "flute"')
        + stop("b", 'rank = "flute"')
        + '[[shoe]]\nid = "s"\nname = "S"\nchambers = []\nall-control = "b"\n'
    ),
    "stops that the transposer tells apart": [
        ('keyboard = "great"', 'keyboard = "great"\nlines = 67'),
        *also(
            '[transposer]\nup = "rail.5"\nzero = "rail.6"\n'
            + stop("a", 'draws = [{ rank = "flute", pitch = "8", to = 101 }]')
            + stop("b", 'draws = [{ rank = "flute", from = 102 }]')
        ),
    ],
    "couplers that pluck for other times, or read other keys": also(
        coupler("a", "pedal", "great", "pizzicato = true")
        + coupler("b", "pedal", "great", "pizzicato = true\npizzicato-time = 0.2")
        + coupler("c", "great", "pedal")
        + coupler("d", "pedal", "great", 'out = { port = "x", channel = 1, note = 1 }')
    ),
    "a coupler onto an instrument with stops of its own": also(
        '[[division]]\nid = "choir"\nname = "Choir"\nout = { port = "choir", channel = 1 }\n'
        + coupler("a", "great", "choir")
    ),
    "bare keys of a division that has some": [
        (
            'keyboard = "pedal"',
            'keyboard = "pedal"\nout = { port = "chest", channel = 1, bare = true }',
        )
    ],
    "a floating division that a few keys play": also(ECHO + coupler("a", "pedal", "echo")),
    "a transposer's switch, and a push": also(
        '[transposer]\nup = "rail.5"\nswitch = "cheek.1"\n'
        '[[board]]\nid = "cheek"\npins = 13\n'
        'in = { port = "console", channel = 9, first-note = 0 }\n'
    ),
    "a transposer by program changes, shown": also(
        '[transposer]\nup = "cheek.1"\ndown = "cheek.2"\nswitch = "cheek.4"\n'
        '[[board]]\nid = "cheek"\npins = 16\n'
        'in = { port = "console", channel = 9, first-program = 0 }\n'
        '[[readout]]\nshows = "transposer"\n'
        'out = { port = "console", channel = 1, controller = 1 }\n'
        '[[effect]]\nid = "bird"\nlabel = "B"\n'
        'out = { port = "console", channel = 1, controller = 33 }\n'
    ),
    "voices of General MIDI": [
        ("pipes = 97", "pipes = 97\nprogram = 128"),
        *also(
            '[[trap]]\nid = "a"\nlabel = "A"\ndivision = "great"\ndrum = 27\n'
            'out = { port = "x", channel = 1, note = 1, longest-on = 1 }\n'
            '[[trap]]\nid = "b"\nlabel = "B"\ndivision = "great"\ndrum = 87\n'
            'out = { port = "x", channel = 1, note = 2 }\n'
            + rank("viol", 61, "program = 1\nlongest-on = 60")
            + stop("viol", 'rank = "viol"')
        ),
    ],
    "ports joined in every way, by any name": [
        *also(
            port("console", 'midi = "USB Cable 1"')
            + port("pipes", 'connect = "chest.local:1"')
            + port("Swell, east", 'listen = "[::]:65535"', "active-sensing = false")
            + port("x", 'serial = "/dev/ttyUSB0"', "baud = 300")
            + port("y", 'serial = "/dev/ttyUSB1"', "baud = 4000000")
            + port("z", 'device = "/dev/snd/midiC1D0"')
            + "".join(
                f'[[effect]]\nid = "e{number}"\nlabel = "E"\n'
                f'out = {{ port = "{name}", channel = 1, note = 1 }}\n'
                for number, name in enumerate(("Swell, east", "x", "y", "z"))
            )
        ),
    ],
    "beaters of a console on which no output is timed": also(
        rank("bells", 61, 'stroke = "once"\nout = { port = "pipes", channel = 3 }')
        + stop("bells", 'rank = "bells"')
    ),
}


@pytest.mark.parametrize("practice", ORDINARY)
def test_ordinary_practice_draws_no_finding(practice: str) -> None:
    assert spoken(broken(ORDINARY[practice])) == []


@pytest.mark.parametrize("fault", BROKEN)
def test_broken_file(fault: str) -> None:
    changes, said = BROKEN[fault]
    assert spoken(broken(changes)) == said


@pytest.mark.parametrize("fault", [fault for fault in BROKEN if fault != "not TOML"])
def test_a_broken_file_is_said_to_be_broken_where_it_is(fault: str) -> None:
    """The line is the one of the key, or the header of its table."""
    text = broken(BROKEN[fault][0])
    lines = text.splitlines()
    for finding in examine(text)[1]:
        if finding.line is None:
            assert finding.message == "is missing"
            continue
        line = lines[finding.line - 1].strip()
        word = finding.key.split(",")[0].split(" ")[0]
        header = line.strip("[]") == finding.table
        assert header or (line.startswith(word) and word), (str(finding), line)
        above = [row.strip("[]") for row in lines[: finding.line] if row.startswith("[")]
        assert (above or [""])[-1] == finding.table


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            'format = 1\nname = "Mill\naction = "blind"\n',
            "line 2: the file: this is not a TOML file: "
            "the text is not closed: a quotation mark is missing, at column 13",
        ),
        (
            "format = 1\nlevels = 2\nlevels = 3\n",
            "line 3: the file: this is not a TOML file: the key is there already, at column 11",
        ),
        (
            "[set]\nhold = true\n\n[set]\n",
            "line 4: the file: this is not a TOML file: "
            "the table set is there already, at column 5",
        ),
        (
            "format = 1\nlevels = [1,\n",
            "line 2: the file: this is not a TOML file: invalid value, at the end of the file",
        ),
        (
            "[[stop]\n",
            "line 1: the file: this is not a TOML file: "
            "expected ']]' at the end of an array declaration, at column 7",
        ),
    ],
)
def test_what_is_not_toml_is_told_with_its_line(text: str, said: str) -> None:
    console, findings = examine(text)
    assert console is None
    assert [str(finding) for finding in findings] == [said]


def test_tables_in_one_line_are_found_by_their_key() -> None:
    head = 'format = 1\nname = "Mill Lane"\naction = "blind"\n'
    inline = 'stops = [{ id = "a" }]\ndrive = { pulse = 0 }\nchamber = [{ id = "a" }]\n'
    assert [str(finding) for finding in examine(head + inline)[1]] == [
        'line 4: stops: there is no such table; did you mean "stop"?',
        "line 5: drive, pulse: is 0.0; expected more than 0",
        'line 6: chamber "a", name: is missing',
    ]
    assert spoken(head + "chambers = []") == [
        'error: chambers: there is no such key; did you mean "chamber"?'
    ]


def test_every_fault_is_said_at_once() -> None:
    several = [
        "unknown keyboard",
        "a pin beyond its board",
        "not a choice",
        "a reversible of nothing",
    ]
    changes = [change for fault in several for change in BROKEN[fault][0]]
    said = {line for fault in several for line in BROKEN[fault][1]}
    assert set(spoken(broken(changes))) == said


def test_errors_come_before_warnings_and_only_errors_refuse() -> None:
    warned = broken(BROKEN["a coupler that does nothing"][0])
    assert read_console(warned).couplers[0].keys == "great"
    both = broken(BROKEN["a coupler that does nothing"][0] + BROKEN["a pin beyond its board"][0])
    with pytest.raises(ConsoleFileError) as refusal:
        read_console(both)
    severities = [finding.severity for finding in refusal.value.findings]
    assert severities == [Severity.ERROR, Severity.WARNING]


def test_what_no_bank_could_carry_is_refused() -> None:
    """Memory is kept in bank files, which have limits: a console within them can be saved."""
    controls = "\n".join(f'[[effect]]\nid = "e{n}"\nlabel = "E"' for n in range(10_001))
    head = 'format = 1\nname = "Mill Lane"\naction = "blind"\n'
    assert spoken(head + controls) == [
        "error: the file: it has 10001 controls; there may be at most 10000"
    ]
    label = ", ".join(['"E"'] * 9)
    assert spoken(head + f'[[effect]]\nid = "e"\nlabel = [{label}]') == [
        'error: effect "e", label: has 9 lines; at most 8'
    ]
    long = "x" * 201
    assert spoken(head + f'[[effect]]\nid = "e"\nlabel = "{long}"') == [
        f'error: effect "e", label 1: is "{long[:56]}..."; expected at most 200 characters'
    ]


def test_a_large_or_a_deep_file_is_refused_in_words() -> None:
    assert spoken("#" * 5_000_000) == [
        "error: the file: this is not a TOML file: it is longer than 4 MiB"
    ]
    assert spoken("a = " + "[" * 5000) == [
        "error: the file: this is not a TOML file: it is nested too deeply"
    ]


@given(st.text(max_size=400))
def test_any_text_is_read_or_refused_in_words(text: str) -> None:
    console, findings = examine(text)
    assert console is not None or findings


WORDS = sorted({w for w in SOUND.replace('"', " ").split() if w.strip("[]=.,{}")})
values: st.SearchStrategy[Any] = st.recursive(
    st.one_of(
        st.sampled_from(WORDS),
        st.integers(-(2**70), 2**70),
        st.floats(),
        st.booleans(),
        st.text(string.printable, max_size=5),
    ),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(WORDS), inner, max_size=3)
    ),
    max_leaves=6,
)


@given(st.data())
def test_any_value_anywhere_is_read_or_refused_in_words(data: st.DataObject) -> None:
    """One value of the sound file is replaced by anything that TOML can say."""
    document = tomlkit.parse(SOUND).unwrap()
    place: Any = document
    while True:
        keys = list(place) if isinstance(place, dict) else list(range(len(place)))
        key = data.draw(st.sampled_from(keys)) if keys else None
        if key is None:
            break
        if isinstance(place[key], dict | list) and data.draw(st.booleans()):
            place = place[key]
            continue
        place[key] = data.draw(values)
        break
    console, findings = examine(tomlkit.dumps(document))
    assert console is not None or findings
    for finding in findings:
        assert str(finding).isprintable()
