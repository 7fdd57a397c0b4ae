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
            'warning: stop "gt-flute-8", rank: needs pipes 13 to 73 of rank "flute", '
            "which has 70: its top 3 keys are silent"
        ],
    ),
    "a rank that begins too high": (
        [
            ('pitch = "16"\npipes', 'pitch = "8"\npipes'),
            ("channel = 1 }", "channel = 1, first-note = 0 }"),
        ],
        [
            'warning: stop "pd-bourdon-16", rank: needs pipes -11 to 20 of rank '
            '"flute", which has 97: its lowest 12 keys are silent'
        ],
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
