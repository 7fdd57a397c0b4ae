"""A console file with its wires changed: the console asked for, and not a byte besides."""

import json
import re
import time
import tomllib
from collections import Counter
from itertools import count
from pathlib import Path
from random import Random
from typing import Any

import pytest
import tomlkit
from attrs import evolve
from hypothesis import given, settings
from hypothesis import strategies as st

import cli
from cli.console.rewiring import rewired
from cli.console.rewriting import CannotRewriteError
from combination.contacts import Role, contacts_of
from combination.harness import points_of, with_pins
from combination.model import (
    Board,
    Console,
    Contact,
    Keyboard,
    KeyRun,
    PinMessages,
    RankOut,
    Transposer,
)
from combination.reading import read_console

DEMOS = Path(cli.__file__).parent / "demos"
CONTROLS = ("stops", "couplers", "tremulants", "percussions", "traps", "effects")
BARE_CONTROL: dict[str, Any] = dict.fromkeys(
    ("contact", "contact_on", "contact_off", "lamp", "drive_on", "drive_off")
)


def bare(console: Console) -> Console:
    """A console without a wire."""
    controls: dict[str, Any] = {
        kind: tuple(evolve(control, **BARE_CONTROL) for control in getattr(console, kind))
        for kind in CONTROLS
    }
    return evolve(
        console,
        setting=evolve(console.setting, lock=None),
        transposer=Transposer(),
        keyboards=tuple(evolve(keyboard, contacts=()) for keyboard in console.keyboards),
        ranks=tuple(evolve(rank, out=()) for rank in console.ranks),
        pistons=tuple(
            evolve(
                piston,
                contact=(),
                lamp=None,
                second_touch=piston.second_touch and evolve(piston.second_touch, contact=()),
            )
            for piston in console.pistons
        ),
        **controls,
    )


def by_key(console: Console) -> tuple[Any, ...]:
    """What a console is, whatever the runs that its keys are written in."""
    keys = sorted(
        (wired.id, wired.number, wired.pin, wired.inverted)
        for wired in contacts_of(console)
        if wired.role is Role.KEY
    )
    return keys, evolve(console, keyboards=bare(console).keyboards)


WIRING = re.compile(
    r"\s*(contacts?|contact-on|contact-off|lamp|drive-on|drive-off|lock|up|down|zero|switch|out"
    r"|second-touch)\b"
)


def unwired_lines(text: str) -> Counter[str]:
    return Counter(line for line in text.splitlines(keepends=True) if not WIRING.match(line))


# ---------------------------------------------------------------- whole consoles


@pytest.mark.parametrize("name", ["church", "theatre"])
def test_a_console_stripped_and_wired_again(name: str) -> None:
    text = (DEMOS / f"{name}.toml").read_text(encoding="utf-8")
    console = read_console(text)
    stripped = rewired(text, bare(console))
    assert read_console(stripped) == bare(console)
    again = rewired(stripped, console)
    assert read_console(again) == console
    # One rank says of its first pipe that it is the first, which need not be said.
    assert again.replace("channel = 8, to = 12", "channel = 8, from = 1, to = 12") == text
    assert set(unwired_lines(text) - unwired_lines(stripped)) <= LONG_OUT
    assert not unwired_lines(stripped) - unwired_lines(text)


LONG_OUT = {
    '    { port = "main", channel = 8, from = 1, to = 12 },\n',
    '    { port = "main", channel = 1, from = 13 },\n',
    "]\n",
}
"""All lines but the first of the one list that is written over several."""


@pytest.mark.parametrize("name", ["church", "theatre"])
def test_what_has_its_wires_already_stays(name: str) -> None:
    text = (DEMOS / f"{name}.toml").read_text(encoding="utf-8")
    assert rewired(text, read_console(text)) == text


@pytest.mark.parametrize("listed", [False, True])
def test_two_thousand_wires_in_a_file_of_ten_thousand_lines(listed: bool) -> None:
    head = """format = 1\nname = "Kelmarsh Moor"\naction = "moving"\n
[[keyboard]]\nid = "great"\nname = "Great"\n
[[division]]\nid = "great"\nname = "Great"\nkeyboard = "great"\n
[[rank]]\nid = "flute"\nname = "Flute"\npipes = 73\n"""
    stop = '\n[[stop]]\nid = "s{}"\nlabel = "Flute"\ndivision = "great"\nrank = "flute"\n\n# a\n\n'
    board = '\n[[board]]\nid = "b{0}"\npins = 128\n'
    board += "".join(
        f'{way} = {{{{ port = "{{0}}", channel = 1, first-note = 0 }}}}\n' for way in ("in", "out")
    )
    row = '  {{ id = "s{}", label = "Flute", division = "great", rank = "flute" }},\n' + "# a\n" * 8
    if listed:
        head = f"stop = [\n{''.join(map(row.format, range(1000)))}]\n{head}"
    else:
        head += "".join(map(stop.format, range(1000)))
    text = head + "".join(map(board.format, range(10)))
    assert len(text.splitlines()) > 9000
    console = read_console(text)
    pins = [f"b{n // 128}.{n % 128 + 1}" for n in range(1000)]
    wired = evolve(
        console,
        stops=tuple(
            evolve(stop, contact=Contact(pin), lamp=pin)
            for stop, pin in zip(console.stops, pins, strict=True)
        ),
    )
    began = time.process_time()
    after = rewired(text, wired)
    took = time.process_time() - began
    assert len(after.splitlines()) == len(text.splitlines()) + (0 if listed else 2000)
    assert took < 4, "many times what it takes: a text cut again for each wire takes minutes"


# ---------------------------------------------------------------- every way to write it

Pieces = list[tuple[str, bool]]
"""A text in pieces: each with whether it is about wires."""

HEAD = """# A console written in many ways.
format = 1
name = "Sallow Bridge"   # a village
action = "moving"
"""
BOARDS = """
# Boards.
[[board]]
id = "x"
pins = 120
in = { port = "console", channel = 1, first-note = 0 }

[[board]]
id = "k"
pins = 40
in = { port = "console", channel = 5, first-note = 0 }

[[board]]
id = "y"
pins = 120
in = { port = "console", channel = 4, first-note = 0 }

[[board]]
id = "z"
pins = 30
in = { port = "console", channel = 2, first-note = 0 }

[[board]]
id = "o" # out only
pins = 60
out = { port = "console", channel = 3, first-note = 0 }
"""
ROWS: list[tuple[str, dict[str, str]]] = [
    ("keyboard", {"id": '"great"', "name": '"Great" # [[keyboard]]', "keys": "5"}),
    ("keyboard", {"id": '"pedal"', "name": "'Pedal'", "keys": "4", "lowest": "24"}),
    ("division", {"id": '"great"', "name": '"Great"', "keyboard": '"great"'}),
    ("rank", {"id": '"flute"', "name": '"Flute"', "pipes": "85", "velocity": "70"}),
    ("rank", {"id": '"reed"', "name": '"Reed, #2"', "pipes": "85"}),
    ("stop", {"id": '"a"', "label": '["A", "8\'"]', "division": '"great"', "rank": '"flute"'}),
    ("stop", {"id": '"b"', "label": '"contact = 1"', "division": '"great"', "rank": '"reed"'}),
    (
        "coupler",
        {"id": '"c"', "label": '"C"', "keys": '"great"', "plays": '"great"', "shift": "12"},
    ),
    ("tremulant", {"id": '"d"', "label": '"D"', "captured": "false"}),
    (
        "stop",
        {"rank": '"reed"', "pitch": '"4"', "id": '"e"', "label": '"E"', "division": '"great"'},
    ),
    ("piston", {"id": '"g1"', "label": '"1"', "kind": '"general"'}),
    ("piston", {"id": '"g2"', "label": '"2"', "kind": '"general"', "was": '["old"]'}),
    ("piston", {"id": '"set"', "label": '"Set"', "kind": '"set"'}),
]


def toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} = {toml(inner)}" for key, inner in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    return json.dumps(value)


class Writer:
    """Writes the rows of a console at random, each wire on a pin of its own."""

    def __init__(self, random: Random) -> None:
        self.random = random
        self.pins = (f"x.{number}" for number in count(1))
        self.keys = count(1)
        self.coils = (f"o.{number}" for number in count(1))

    def some(self, *choices: Any) -> Any:
        return self.random.choice(choices)

    def pin(self) -> str:
        return f'"{next(self.pins)}"'

    def table(self) -> str:
        """The inside of a contact as a table."""
        pin = f"pin = {self.pin()}"
        return str(self.some(pin, f"{pin}, inverted = true", f"inverted = false, {pin}"))

    def wire(self) -> str:
        return str(self.some(self.pin(), self.pin().replace('"', "'"), f"{{ {self.table()} }}"))

    def wires(self) -> str:
        """One contact, or a list of two."""
        one, other = self.wire(), self.wire()
        return str(
            self.some(
                one, f"[{one}]", f"[{one}, {other}]", f"[\n  {one}, # thumb\n\n  {other} # toe\n]"
            )
        )

    def runs(self, first: int, keys: int) -> str:
        cut = self.random.randint(1, keys - 1)
        pins = [f'"k.{next(self.keys)}"' for _ in range(2 * keys)]
        start, high = pins[0], pins[keys]
        two = [
            f"{{ pin = {start}, keys = {cut} }}",
            f"{{pin={high},key={first + cut}}}",
        ]
        return str(
            self.some(
                start,
                f"[ {start} ]",
                f"{{ pin = {start}, key = {first}, keys = {keys} }}",
                f"[{', '.join(two)}]",
                f"[\n    {two[0]}, # low\n    # and\n    {two[1]}, # high\n]",
                f"[\n    {two[0]},{two[1]}\n]",
            )
        )

    def keys_of(self, kind: str, row: dict[str, str]) -> dict[str, str]:
        """Some wiring for a row."""
        maybe = self.random.random() < 0.7
        if kind == "keyboard":
            first = int(row.get("lowest", "36"))
            return {"contacts": self.runs(first, int(row["keys"]))} if maybe else {}
        if kind == "rank":
            channel = 5 if "flute" in row["id"] else 6
            out = f'{{ port = "p", channel = {channel}, from = 1 }}'
            return {"out": self.some(out, f"[{out}]", f"[\n {out}, # all\n]")} if maybe else {}
        if kind == "piston":
            found = {"contact": self.wires()} if maybe else {}
            if row["id"] == '"g1"':
                deep = self.some("", f", contact = {self.wires()}")
                found["second-touch"] = f'{{ piston = "g2"{deep} }}'
            return {**found, **self.some({}, {"lamp": f'"{next(self.coils)}"'})}
        if kind == "division" or not maybe:
            return {}
        found = self.some(
            {"contact": self.wire()}, {"contact-on": self.wire(), "contact-off": self.wire()}
        )
        if self.some(True, False):
            found |= {f"drive-{way}": f'"{next(self.coils)}"' for way in ("on", "off")}
        return {**found}

    def lines(self, kind: str, row: dict[str, str]) -> Pieces:
        """A row under a header of its own."""
        indent = self.some("", "", "  ", "\t")
        found: Pieces = [(self.some(f"[[{kind}]]\n", f' [[ "{kind}" ]] # it\n'), False)]
        body = [(indent + f"{key} = {value}\n", False) for key, value in row.items()]
        below: Pieces = []
        for key, value in self.keys_of(kind, row).items():
            form = self.some("line", "line", "dotted", "table")
            table = tomllib.loads(f"x = {value}")["x"]
            if form == "line" or not isinstance(table, dict | list):
                piece = f"{indent}{key} = {value}{self.some('', '  # why')}\n"
                body.insert(self.random.randint(0, len(body)), (piece, True))
            elif isinstance(table, dict) and form == "dotted":
                for inner, each in table.items():
                    written = toml(each)
                    body.append((f"{indent}{key} . {inner} = {written}\n", True))
            else:
                several = isinstance(table, list)
                for each in table if several else [table]:
                    inside = each if isinstance(each, dict) else {"pin": each}
                    name = f"{kind}.{key}"
                    below.append((f"[[{name}]]\n" if several else f"[ {name} ] # below\n", True))
                    below.append(("# more\n", False))
                    for inner, item in inside.items():
                        below.append((f"{inner} = {toml(item)} # x\n", True))
        for line in body:
            found.append(line)
            if self.random.random() < 0.15:
                found.append((self.some("\n", '# contact = "x.1"\n', "   \n"), False))
        return [*found, *below, (self.some("\n", "\n# ---\n\n"), False)]

    def inline(self, kind: str) -> Pieces:
        """All rows of a kind as one list."""
        rows = []
        for row_kind, row in ROWS:
            if row_kind == kind:
                keys = {k: v.partition(" # ")[0] for k, v in row.items()}
                wires = {
                    k: re.sub(r"\s*(#.*)?\n\s*", " ", v) for k, v in self.keys_of(kind, row).items()
                }
                wires = {k: v.replace(", ]", " ]") for k, v in wires.items()}
                pairs = [*keys.items(), *wires.items()]
                self.random.shuffle(pairs)
                rows.append("{ " + ", ".join(f"{k} = {v}" for k, v in pairs) + " }")
        text = ",\n  # next\n  ".join(rows)
        return [(f"{kind} = [ # all of them\n  {text}\n]\n", True)]

    def single(self) -> Pieces:
        """The tables that come once, in the file's own keys."""
        lock = self.some(
            "",
            f"set = {{ lock = {self.wire()} }}\n",
            f"set.lock = {self.wire()} # cheek\n",
            "set.hold = false\n",
        )
        move = self.some(
            "",
            f"transposer = {{ up = {self.wire()}, down = {self.wire()} }}\n",
            f"transposer.up = {self.wire()}\ntransposer.down = {self.wire()}\n",
            'transposer.switch = "z.2"\n',
        )
        return [(lock, "lock" in lock), (move, True)]

    def once(self, taken: str) -> Pieces:
        """The same with headers."""
        found: Pieces = []
        if "set" not in taken:
            found += self.some(
                [],
                [("[set] # how\nlatch = false\n\n", False)],
                [("[set]\n", False), (f"lock = {self.wire()}\n", True), ("\n", False)],
                [("[set.lock]\n", True), (f"pin = {self.pin()}\n", True), ("\n", False)],
            )
        if "transposer" not in taken:
            found += self.some(
                [],
                [("[transposer]\n", False), (f"up = {self.wire()}\n", True)],
                [("[transposer.zero]\n", True), (f"pin = {self.pin()}\n", True)],
            )
        return found

    def text(self) -> Pieces:
        inlined = [
            kind for kind in ("stop", "piston", "keyboard", "rank") if self.random.random() < 0.15
        ]
        singles = self.single()
        found = [(HEAD, False), *singles]
        for kind in inlined:
            found += self.inline(kind)
        rows = [(kind, row) for kind, row in ROWS if kind not in inlined]
        found.append(("\n# What the console has.\n\n", False))
        for kind, row in rows:
            found += self.lines(kind, row)
        found += self.once("".join(piece for piece, _ in singles))
        return [*found, (BOARDS, False)]


def wired_anew(random: Random, console: Console) -> Console:
    """The console with some of its wires moved, some cut and some new."""
    spare = bare(console)
    kept = random.random()
    pins = (f"y.{number}" for number in count(1))
    coils = (f"o.{number}" for number in count(30))

    def wire() -> Contact:
        return Contact(next(pins), random.random() < 0.3)

    def either(old: Any, new: Any) -> Any:
        return old if random.random() < kept else new

    def control(old: Any, new: Any) -> Any:
        if random.random() < kept:
            return old
        wires: dict[str, Any] = random.choice(
            [{}, {"contact": wire()}, {"contact_on": wire(), "contact_off": wire()}]
        )
        if random.random() < 0.3:
            wires |= {key: next(coils) for key in ("lamp", "drive_on", "drive_off")}
        return evolve(new, **wires)

    def piston(old: Any, new: Any) -> Any:
        contact = tuple(wire() for _ in range(random.randint(0, 3)))
        return random.choice([old, new, evolve(old, contact=contact, lamp=next(coils))])

    def rank(old: Any, new: Any) -> Any:
        channel = 7 if old.id == "flute" else 8
        two = (RankOut("p", channel, None, 1, 12), RankOut("q", channel, 0, 13))
        return random.choice([old, new, evolve(old, out=two[:1]), evolve(old, out=two)])

    def rows(kind: str, alter: Any) -> tuple[Any, ...]:
        both = zip(getattr(console, kind), getattr(spare, kind), strict=True)
        return tuple(alter(old, new) for old, new in both)

    turned = [console.transposer, Transposer(), Transposer(switch="z.5")]
    turned.append(Transposer(None, wire(), wire()))
    lock = random.choice([console.setting.lock, None, wire()])
    new = Board("n", 9, None, PinMessages("n", 9, first_controller=3), 'The "new" one')
    other = Board("m", 20, PinMessages("m", 9, first_note=3))
    controls: dict[str, Any] = {kind: rows(kind, control) for kind in CONTROLS}
    found = evolve(
        console,
        **controls,
        keyboards=rows("keyboards", either),
        pistons=rows("pistons", piston),
        ranks=rows("ranks", rank),
        setting=evolve(console.setting, lock=lock),
        transposer=random.choice(turned),
        boards=console.boards + random.choice([(), (new,), (other, new)]),
    )
    points = [p for p in points_of(found) if p.id != "switch" and p.number in (0, *range(24, 41))]
    moved = [point for point in points if random.random() < 0.3]
    return with_pins(found, {point: next(pins) for point in moved})


@settings(max_examples=12, deadline=None)
@given(st.randoms(use_true_random=True), st.sampled_from(["\n", "\r\n"]), st.booleans())
def test_only_the_wires_change(random: Random, end: str, ended: bool) -> None:
    pieces = [(piece.replace("\n", end), wired) for piece, wired in Writer(random).text()]
    text = "".join(piece for piece, _ in pieces)
    text = text if ended else text[: -len(end)]
    console = read_console(text)
    assert rewired(text, console) == text
    wished = wired_anew(random, console)
    after = rewired(text, wished)
    assert by_key(read_console(after)) == by_key(wished)
    assert rewired(after, wished) == after
    assert tomlkit.parse(after).unwrap() == tomllib.loads(after)
    assert after.count("\n") == after.count(end)
    assert after.endswith(end) is ended
    new = Counter(after.splitlines()) - Counter(text.splitlines())
    assert [line for line in new if not NEW.match(line)] == []
    place = 0
    for piece, wired in pieces:
        for line in [] if wired else piece.rstrip().splitlines():
            place = after.index(line, place) + len(line)


NEW = re.compile(
    rf"{WIRING.pattern}|set\b|transposer\b|\s*[{{\"']|\]|$"
    r"|\s*(pin|key|keys|inverted|port|channel|first-note|from|to|pins|in|id|name) = "
    r"|\[(set|transposer|\[board\]|\[(keyboard|piston|rank)\.(contacts?|out)\])\]$"
)
"""What lines of a text may come or change when wires do."""


# ---------------------------------------------------------------- particular ways to write it

PLAIN = """{}format = 1
name = "Quarry Chapel"
action = "blind"

[[division]]
id = "great"
name = "Great"
keyboard = "great"

[[rank]]
id = "flute"
name = "Flute"

{}
[[board]]
id = "x"
pins = 90
in = {{ port = "console", channel = 1, first-note = 0 }}

[[board]]
id = "y"
pins = 90
in = {{ port = "console", channel = 2, first-note = 0 }}
"""
STOP = 'id = "flute-8", label = "Flute", division = "great", rank = "flute"'
KEYBOARD = '[[keyboard]]\nid = "great"\nname = "Great"\nkeys = 10\n'
PISTON = '[[piston]]\nid = "g1"\nlabel = "1"\nkind = "set"\n'
GREAT = "keyboard = [{{ id = 'great', name = 'Great' }}]\n"


def changed(text: str, kind: str, wires: dict[str, Any]) -> str:
    """The text with wires of the first thing of a kind changed."""
    console = read_console(text)
    first, *others = getattr(console, kind)
    new: dict[str, Any] = {kind: (evolve(first, **wires), *others)}
    return rewired(text, evolve(console, **new))


@pytest.mark.parametrize(
    ("row", "wires", "expected"),
    [
        ("{}, contact.pin='x.1'", {"contact": Contact("y.1")}, '{}, contact.pin="y.1"'),
        (
            "{}, contact.pin='x.1'",
            {"contact": Contact("x.1", True)},
            "{}, contact.pin='x.1', contact.inverted = true",
        ),
        ("contact = 'x.1', {}, was=['a']", {"contact": None}, "{}, was=['a']"),
        ("{},contact = 'x.1', was=['a']", {"contact": None}, "{}, was=['a']"),
        (
            "{}, contact = 'x.1', was=['a']",
            {"contact": None, "contact_on": Contact("y.1"), "contact_off": Contact("y.2")},
            '{}, contact-on = "y.1", contact-off = "y.2", was=[\'a\']',
        ),
        (
            "contact = {pin = 'x.1' , inverted=true}, {}",
            {"contact": Contact("x.1")},
            "contact = {pin = 'x.1'}, {}",
        ),
        (
            "out = { port = 'p', channel = 3, note = 1 }, {}",
            {"contact": Contact("x.1")},
            "contact = \"x.1\", out = { port = 'p', channel = 3, note = 1 }, {}",
        ),
    ],
)
def test_rows_in_one_list(row: str, wires: dict[str, Any], expected: str) -> None:
    form = "stop = [\n  # the first\n  {{ {} }}, # and last\n]\n" + GREAT
    text = PLAIN.format(form.format(row.replace("{}", STOP)), "")
    after = PLAIN.format(form.format(expected.replace("{}", STOP)), "")
    assert changed(text, "stops", wires) == after


RUNS = """contacts = [ # three
    { pin = "x.1", keys = 3 }, # low
    # between
    { pin = "x.4", key = 39, keys = 3 }, # middle
    { pin = "y.1", key = 42 }  # high
]
"""


@pytest.mark.parametrize(
    ("old", "runs", "new"),
    [
        (RUNS, (KeyRun("x.1", keys=6), KeyRun("y.1", 42)), RUNS),
        (RUNS, (KeyRun("x.1", keys=6), KeyRun("y.9", 42)), RUNS.replace("y.1", "y.9")),
        (
            RUNS,
            (KeyRun("x.1", keys=3), KeyRun("y.20", 39, 2), KeyRun("x.6", 41, 1), KeyRun("y.1", 42)),
            RUNS.replace('"x.4", key = 39, keys = 3', '"y.20", key = 39, keys = 2').replace(
                "}  # high\n", '},  # high\n    { pin = "x.6", key = 41, keys = 1 },\n'
            ),
        ),
        (
            RUNS,
            (KeyRun("x.1", keys=3), KeyRun("y.1", 42)),
            RUNS.replace('    { pin = "x.4", key = 39, keys = 3 }, # middle\n', ""),
        ),
        (RUNS, (), ""),
        (
            "contacts = [{pin='x.1', keys=3},{pin='x.9', key=39, keys=3}]\n",
            (KeyRun("x.1", keys=3),),
            "contacts = [{pin='x.1', keys=3}]\n",
        ),
        (
            "contacts = [{pin='x.1', keys=3},{pin='x.9', key=39, keys=3}]\n",
            (KeyRun("x.9", 39, 3),),
            "contacts = [{pin='x.9', key=39, keys=3}]\n",
        ),
        (
            "contacts = { pin='x.1', key = 36, keys = 10 } # all\n",
            (KeyRun("y.2"),),
            'contacts = { pin="y.2", key = 36, keys = 10 } # all\n',
        ),
        ("", (KeyRun("y.2"),), 'contacts = "y.2"\n'),
        (
            "",
            (KeyRun("y.2", keys=4), KeyRun("x.1", 40, inverted=True)),
            'contacts = [\n    { pin = "y.2", keys = 4 },\n'
            '    { pin = "x.1", key = 40, inverted = true },\n]\n',
        ),
    ],
)
def test_runs_of_keys(old: str, runs: tuple[KeyRun, ...], new: str) -> None:
    after = changed(PLAIN.format("", KEYBOARD + old), "keyboards", {"contacts": runs})
    assert after == PLAIN.format("", KEYBOARD + new)


def pins(*names: str) -> tuple[Contact, ...]:
    return tuple(map(Contact, names))


@pytest.mark.parametrize(
    ("old", "contacts", "new"),
    [
        ('contact = ["x.1" , "x.2"]', pins("x.1"), 'contact = ["x.1"]'),
        ('contact = ["x.1", "x.2", "x.3",] # c', pins("x.1"), 'contact = ["x.1",] # c'),
        ('contact = ["x.1", "x.2"]', pins("x.1", "y.2", "y.3"), 'contact = ["x.1", "y.2", "y.3"]'),
        ('contact = "x.1" # c', pins("x.1", "y.2"), 'contact = ["x.1", "y.2"] # c'),
        ('contact = ["x.1"]', pins("y.1"), 'contact = ["y.1"]'),
        ('contact = [\n "x.1", # a\n "x.2", # b\n]', pins("y.1"), 'contact = [\n "y.1", # a\n]'),
        ('contact = [\n "x.1", # a\n "x.2"]', pins("x.1"), 'contact = [\n "x.1", # a\n ]'),
        (
            'contact = [\n "x.1", # a\n "x.2", "x.3" ]',
            pins("x.1"),
            'contact = [\n "x.1", # a\n  ]',
        ),
        ('contact = [\n "x.1" # a\n]', pins("x.1", "y.1"), 'contact = [\n "x.1", # a\n "y.1",\n]'),
        ('contact = [ "x.1",\n]', pins("x.1", "y.1"), 'contact = [ "x.1", "y.1",\n]'),
        ("contact = []", pins("x.1", "y.1"), 'contact = ["x.1", "y.1"]'),
    ],
)
def test_contacts_of_a_piston(old: str, contacts: tuple[Contact, ...], new: str) -> None:
    rows = KEYBOARD + "\n" + PISTON + "{}\n"
    after = changed(PLAIN.format("", rows.format(old)), "pistons", {"contact": contacts})
    assert after == PLAIN.format("", rows.format(new))


NEW_TABLES = 'name = "Quarry Chapel"\naction = "blind"\n'


@pytest.mark.parametrize(
    ("top", "below", "after"),
    [
        (
            "",
            "",
            ("", '\n[set]\nlock = "x.1"\n\n[transposer]\ndown = "x.2"\nzero = "x.3"\n', ""),
        ),
        (
            "set.hold = false # h\ntransposer = { up = 'x.9' }\n",
            "",
            (
                'set.hold = false # h\nset.lock = "x.1"\n'
                'transposer = { down = "x.2", zero = "x.3" }\n',
                "",
                "",
            ),
        ),
        (
            "set = {}\n",
            "[transposer.up]\npin = 'x.9'\n\n[transposer.down]\npin = 'x.8' # d\n",
            (
                'set = { lock = "x.1" }\n',
                '\n[transposer]\nzero = "x.3"\n',
                '\n[transposer.down]\npin = "x.2" # d\n',
            ),
        ),
    ],
)
def test_tables_that_come_once(top: str, below: str, after: tuple[str, str, str]) -> None:
    text = PLAIN.format(top, KEYBOARD + "\n" + below)
    console = read_console(text)
    wished = evolve(
        console,
        setting=evolve(console.setting, lock=Contact("x.1")),
        transposer=Transposer(None, Contact("x.2"), Contact("x.3")),
    )
    new_top, tables, new_below = after
    expected = PLAIN.format(new_top, KEYBOARD + "\n" + new_below)
    assert rewired(text, wished) == expected.replace(NEW_TABLES, NEW_TABLES + tables)


def test_boards_go_after_the_others() -> None:
    board = Board("z", 4, PinMessages('a, "b"', 2, first_program=0), None, "Toe studs")
    row = """
[[board]]
id = "z"
name = "Toe studs"
pins = 4
in = { port = "a, \\"b\\"", channel = 2, first-program = 0 }
"""
    text = PLAIN.format("", KEYBOARD)
    console = read_console(text)
    wished = evolve(console, boards=(*console.boards, board))
    assert rewired(text, wished) == text + row

    head = text.partition("[[board]]")[0]
    one = (
        'board = [\n  { id = "x", pins = 9, in = { port = "c", channel = 1, first-note = 0 } }\n]\n'
    )
    console = read_console(one + head)
    after = rewired(one + head, evolve(console, boards=(*console.boards, board)))
    assert after.endswith("]\n" + head)
    assert read_console(after).boards == (*console.boards, board)


@pytest.mark.parametrize(
    "other",
    [
        {"name": "Another"},
        {"levels": 3},
        {"keyboards": ()},
        {"boards": ()},
        {"stops": (1,)},
        {"keyboards": (Keyboard("great", "Great", keys=10, contacts=(KeyRun("q.1"),)),)},
        {"keyboards": (Keyboard("great", "Great", keys=9, contacts=(KeyRun("x.1"),)),)},
    ],
)
def test_what_is_not_wiring_is_refused(other: dict[str, Any]) -> None:
    text = PLAIN.format("", KEYBOARD)
    with pytest.raises(CannotRewriteError):
        rewired(text, evolve(read_console(text), **other))


def test_a_text_that_is_no_console_is_refused() -> None:
    text = PLAIN.format("", KEYBOARD)
    with pytest.raises(CannotRewriteError):
        rewired(text + "x = [", read_console(text))
    with pytest.raises(CannotRewriteError):
        rewired(text + "[x]\n", read_console(text))
