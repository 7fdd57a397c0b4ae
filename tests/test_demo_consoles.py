"""The consoles that ship with the program, and the page that documents the console file.

The page is read as a technician would read it: its tables are held against the model, its
examples against the reader, its table of kinds against what the checker says of each kind.
"""

import re
import tomllib
from collections import Counter
from collections.abc import Iterator
from enum import StrEnum
from fractions import Fraction
from importlib import resources
from typing import Any, get_args

import attrs
import pytest

from combination import model
from combination.findings import Finding, Severity
from combination.model import Action, Console, Control, KeyRun, Kind, file_word
from combination.pipes import draws_of, offset
from combination.pitch import parse_pitch, semitones_above
from combination.reading import examine, read_console

PAGE = (resources.files("combination") / "CONSOLE-FILE.md").read_text(encoding="utf-8")
DEMOS = {
    name: (resources.files("cli") / "demos" / f"{name}.toml").read_text(encoding="utf-8")
    for name in ("theatre", "church")
}
TENOR_C = 48

# ---------------------------------------------------------------- the page, its tables

HEADINGS: dict[type[Any], str] = {
    model.Console: "The file itself",
    model.Setting: "`[set]`: setting pistons",
    model.Drive: "`[drive]`: driving tabs",
    model.Timing: "`[timing]`: contacts",
    model.Keyboard: "`[[keyboard]]`: keys and pedals",
    model.KeyRun: "A run of keys",
    model.Division: "`[[division]]`: stops that play together",
    model.LinesOut: "Lines out",
    model.Rank: "`[[rank]]`: pipes",
    model.RankOut: "A rank's outputs",
    model.Control: "Controls",
    model.StateOut: "A state out",
    model.Stop: "`[[stop]]`: speaking stops",
    model.Draw: "Draws",
    model.Coupler: "`[[coupler]]`: couplers and unison offs",
    model.Tremulant: "`[[tremulant]]`: tremulants",
    model.Percussion: "`[[percussion]]`: tuned percussions",
    model.Trap: "`[[trap]]`: traps",
    model.Effect: "`[[effect]]`: effects",
    model.Piston: "`[[piston]]`: pistons",
    model.SecondTouch: "A second touch",
    model.Selection: "Selections",
    model.Crescendo: "`[crescendo]`: the crescendo pedal",
    model.Stage: "`[[crescendo.stage]]`: its stages",
    model.Transposer: "`[transposer]`: moving the keys",
    model.Chamber: "`[[chamber]]`: pipes behind shades",
    model.Shoe: "`[[shoe]]`: expression shoes",
    model.Readout: "`[[readout]]`: displays",
    model.ControllerPort: "A controller",
    model.Contact: "A contact",
    model.Board: "`[[board]]`: boards and how pins travel",
    model.PinMessages: "How pins travel",
    model.Port: "`[[port]]`: what ports are joined to",
}
TABLES = [cls for cls in vars(model).values() if isinstance(cls, type) and attrs.has(cls)]


def section(heading: str) -> str:
    """The text between a heading and the next one."""
    found = re.search(rf"^##+ {re.escape(heading)}\n(.*?)(?=^##+ |\Z)", PAGE, re.M | re.S)
    assert found is not None, f"the page has no heading {heading!r}"
    return found[1]


def rows(heading: str, first_column: str) -> dict[str, list[str]]:
    """The rows of the table in a section, by the word in their first cell."""
    found: dict[str, list[str]] = {}
    in_table = False
    for line in section(heading).splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if cells[0] == first_column:
            in_table = True
        elif not line.startswith("|"):
            in_table = False
        elif in_table and not set(cells[0]) <= {"-"}:
            name = cells[0].strip("`")
            assert name not in found, f"{heading}: {name} is there twice"
            found[name] = cells[1:]
    return found


def own_keys(cls: type[Any]) -> dict[str, "attrs.Attribute[Any]"]:
    """A table's keys, without those that all controls have."""
    common = {a.name for a in attrs.fields(Control)}
    is_special = issubclass(cls, Control) and cls is not Control
    return {file_word(a): a for a in attrs.fields(cls) if not (is_special and a.name in common)}


each_table = pytest.mark.parametrize("cls", TABLES, ids=lambda cls: cls.__name__)


@each_table
def test_every_key_of_every_table_is_on_the_page_and_no_other(cls: type[Any]) -> None:
    assert set(rows(HEADINGS[cls], "key")) == set(own_keys(cls))


@each_table
def test_the_page_gives_every_default(cls: type[Any]) -> None:
    for key, (_, default, _) in rows(HEADINGS[cls], "key").items():
        attribute = own_keys(cls)[key]
        if default == "required":
            assert attribute.default is attrs.NOTHING, key
        elif default.startswith("("):
            assert attribute.default in (None, "", ()) or attrs.has(type(attribute.default)), key
        else:
            written = tomllib.loads(f"key = {default.strip('`')}")["key"]
            if isinstance(attribute.default, Fraction):
                written = parse_pitch(written)
            assert attribute.default == written, key


@each_table
def test_the_page_gives_every_choice(cls: type[Any]) -> None:
    for key, (takes, _, _) in rows(HEADINGS[cls], "key").items():
        attribute = own_keys(cls)[key]
        for kind in (attribute.type, *get_args(attribute.type)):
            if isinstance(kind, type) and issubclass(kind, StrEnum) and kind is not Kind:
                assert re.findall(r'"([\w-]+)"', takes) == [choice.value for choice in kind], key
            elif kind is bool:
                assert takes == "`true`, `false`", key


def ranges_on_the_page() -> Iterator[tuple[type[Any], str, int, int]]:
    """Every number of the tables that have a header of their own, with its first and its last."""
    for cls in TABLES:
        for key, (takes, _, _) in rows(HEADINGS[cls], "key").items():
            found = re.search(r"(-?\d+) to (\d+)", takes)
            kind = own_keys(cls)[key].type
            if HEADINGS[cls].startswith("`[") and found and int in (kind, *get_args(kind)):
                yield cls, key, int(found[1]), int(found[2])


RANGES = list(ranges_on_the_page())
NEEDED = {str: '"x"', tuple[str, ...]: '"x"', int: "1", Kind: '"set"'}


def test_the_page_gives_ranges() -> None:
    keys = {key for _, key, _, _ in RANGES}
    assert keys >= {"keys", "lines", "pipes", "velocity", "program", "drum", "shift", "pins"}


@pytest.mark.parametrize(
    ("cls", "key", "lowest", "highest"),
    RANGES,
    ids=lambda value: value.__name__ if isinstance(value, type) else str(value),
)
def test_numbers_have_the_ranges_on_the_page(
    cls: type[Any], key: str, lowest: int, highest: int
) -> None:
    """The first and the last are taken, and those beyond them are refused."""
    required = [a for a in attrs.fields(cls) if a.default is attrs.NOTHING]
    written = {file_word(a): NEEDED[a.type] for a in required}
    for value in (lowest - 1, lowest, highest, highest + 1):
        keys = "\n".join(f"{k} = {v}" for k, v in (written | {key: value}).items())
        header = HEADINGS[cls].split("`")[1]
        _, findings = examine(f"{SMALLEST}\n{header}\n{keys}\n")
        refusal = f"is {value}; expected {lowest} to {highest}"
        said = [finding.key for finding in findings if finding.message == refusal]
        assert said == ([] if lowest <= value <= highest else [key])


# ---------------------------------------------------------------- the page, its examples

EXAMPLES = re.findall(r"^```toml\n(.*?)^```", PAGE, re.M | re.S)
COMPLETE = [example for example in EXAMPLES if example.startswith("format = ")]
PIECES = [example for example in EXAMPLES if not example.startswith("format = ")]
SMALLEST, PLAYABLE, WIRED = COMPLETE


@pytest.mark.parametrize("example", COMPLETE)
def test_complete_examples_draw_no_finding(example: str) -> None:
    assert [str(finding) for finding in examine(example)[1]] == []


def test_the_smallest_file_has_nothing_that_could_be_left_out() -> None:
    for line in SMALLEST.splitlines():
        assert examine(SMALLEST.replace(line, ""))[0] is None, line


def test_the_wired_bench_is_the_playable_one_with_its_wires() -> None:
    playable, wired = read_console(PLAYABLE), read_console(WIRED)
    assert playable.controls
    assert [c.id for c in playable.controls] == [c.id for c in wired.controls]
    assert [p.id for p in playable.pistons] == [p.id for p in wired.pistons]
    assert not any(c.contacts for c in playable.controls)
    assert all(c.contacts for c in wired.controls)


@pytest.mark.parametrize("piece", PIECES)
def test_pieces_lack_only_what_they_name(piece: str) -> None:
    """Put on a bare console, a piece has no fault but the names it takes for granted."""
    _, findings = examine(SMALLEST + piece)
    others = [
        str(finding)
        for finding in findings
        if finding.severity is Severity.ERROR
        and not re.match(r"there is no (?!such key)[a-z]+ \"", finding.message)
    ]
    assert others == []


def test_a_piece_with_a_wrong_key_would_be_seen() -> None:
    piece = next(piece for piece in PIECES if "unison-off" in piece)
    with pytest.raises(AssertionError, match="there is no such key"):
        test_pieces_lack_only_what_they_name(piece.replace("unison-off", "unison-of"))


# ---------------------------------------------------------------- the page, kinds of piston

KINDS = rows("The kinds of piston", "kind")
BENCH = (
    PLAYABLE
    + """
[crescendo]
[[crescendo.stage]]
adds = ["flute-8"]

[[piston]]
id = "under-test"
label = "Under test"
"""
)
KIND_KEYS = {
    "division": '"manual"',
    "control": '"flute-8"',
    "affects": '["flute-8"]',
    "additive": "true",
    "settable": "true",
    "sounds": "{ everything = true }",
    "silences": '["flute-4"]',
    "by": "2",
    "level": "2",
}


def words(cell: str) -> set[str]:
    return set(re.findall(r"`([\w-]+)`", cell))


def faults_of_piston(kind: str, keys: set[str]) -> set[str]:
    """The keys of a piston of a kind that the checker finds fault with."""
    lines = [f'kind = "{kind}"', *(f"{key} = {KIND_KEYS[key]}" for key in sorted(keys))]
    _, findings = examine(BENCH + "\n".join(lines))
    return {
        finding.key
        for finding in findings
        if finding.severity is Severity.ERROR and finding.id == "under-test"
    }


def test_the_page_has_every_kind_of_piston() -> None:
    assert list(KINDS) == [kind.value for kind in Kind]


@pytest.mark.parametrize("kind", list(Kind))
def test_pistons_take_the_keys_that_the_page_says(kind: str) -> None:
    needs, may_have = words(KINDS[kind][0]), words(KINDS[kind][1])
    assert faults_of_piston(kind, needs | may_have) == set()
    assert faults_of_piston(kind, set()) == needs
    for key in set(KIND_KEYS) - needs - may_have:
        assert faults_of_piston(kind, needs | {key}) == {key}


# ---------------------------------------------------------------- the demo consoles


@pytest.fixture(params=sorted(DEMOS))
def demo(request: pytest.FixtureRequest) -> str:
    return str(request.param)


def console(name: str) -> Console:
    return read_console(DEMOS[name])


def test_demos_draw_no_finding(demo: str) -> None:
    findings: tuple[Finding, ...] = examine(DEMOS[demo])[1]
    assert [str(finding) for finding in findings] == []


def test_demos_have_names_of_their_own() -> None:
    names = [console(name).name for name in DEMOS]
    assert len(set(names)) == len(names)
    for name in names:
        assert re.fullmatch(r"[A-Z].+, [A-Z].+", name), "a building and its place"


def test_theatre_is_the_size_that_was_promised() -> None:
    theatre = console("theatre")
    assert theatre.action is Action.BLIND
    assert [d.name for d in theatre.divisions if "Touch" not in d.name] == [
        "Pedal",
        "Accompaniment",
        "Great",
        "Solo",
    ]
    assert len(theatre.controls) >= 80
    assert len(theatre.pistons) >= 40
    kinds = {type(control) for control in theatre.controls}
    assert kinds == {cls for cls in TABLES if issubclass(cls, Control)} - {Control}


def test_church_is_two_manuals_and_pedal_with_tabs_that_move() -> None:
    church = console("church")
    assert church.action is Action.MOVING
    assert [d.name for d in church.divisions] == ["Pedal", "Great", "Swell"]
    assert all(control.drive_on and control.drive_off for control in church.controls)


def test_keyboards_have_the_compasses_of_the_console_standards() -> None:
    """Encyclopedia summary of the AGO console standard (sources.md S8): 61 and 32; BDO, 30."""
    for name, pedals in (("theatre", 32), ("church", 30)):
        for keyboard in console(name).keyboards:
            assert keyboard.keys == (pedals if keyboard.id == "pedal" else 61)


def test_every_kind_of_piston_but_a_fixed_level_is_shown() -> None:
    shown = {piston.kind for piston in console("theatre").pistons}
    assert set(Kind) - shown == {Kind.LEVEL}
    shown = {piston.kind for piston in console("church").pistons}
    assert set(Kind) - shown == {Kind.LEVEL, Kind.MOMENTARY, Kind.HAND_REGISTRATION}


def contact_pins(console: Console) -> Iterator[str]:
    """Every pin with a contact on it, keys too, worked out from the file alone."""
    for control in console.controls:
        yield from (contact.pin for contact in control.contacts)
    for piston in console.pistons:
        yield from (contact.pin for contact in piston.contact)
        if piston.second_touch is not None:
            yield from (contact.pin for contact in piston.second_touch.contact)
    if console.setting.lock is not None:
        yield console.setting.lock.pin
    for keyboard in console.keyboards:
        run: KeyRun
        (run,) = keyboard.contacts
        board, first = run.pin.split(".")
        yield from (f"{board}.{int(first) + place}" for place in range(keyboard.keys))


def test_everything_is_wired_and_no_pin_twice(demo: str) -> None:
    described = console(demo)
    assert all(control.contacts for control in described.controls)
    assert all(piston.contact for piston in described.pistons)
    pins = Counter(contact_pins(described))
    assert [pin for pin, times in pins.items() if times > 1] == []
    longest = {board.id: board.pins for board in described.boards if board.input is not None}
    for pin in pins:
        board, number = pin.split(".")
        assert 1 <= int(number) <= longest[board]


def reached(console: Console, rank_id: str) -> list[int]:
    """The pipes of a rank that its stops ask for, over their divisions' keys, repeats apart."""
    rank = next(rank for rank in console.ranks if rank.id == rank_id)
    keyboards = {keyboard.id: keyboard for keyboard in console.keyboards}
    pipes: list[int] = []
    for stop in console.stops:
        division = next(d for d in console.divisions if d.id == stop.division)
        keyboard = keyboards[division.keyboard or ""]
        highest = keyboard.lowest + (division.lines or keyboard.keys) - 1
        for _, draw in draws_of(stop):
            if draw.rank == rank_id and not draw.repeats:
                first = keyboard.lowest if draw.first_key is None else draw.first_key
                last = highest if draw.last_key is None else draw.last_key
                shift = 1 - rank.first_key + offset(draw, rank)
                pipes += range(first + shift, last + shift + 1)
    return pipes


def test_ranks_have_the_pipes_that_are_drawn_from_them_and_no_more(demo: str) -> None:
    described = console(demo)
    drawn = [rank for rank in described.ranks if reached(described, rank.id)]
    assert len(drawn) >= 12
    for rank in drawn:
        assert set(reached(described, rank.id)) == set(range(1, rank.pipes + 1)), rank.id


def test_unit_ranks_are_as_long_as_their_pitches_need() -> None:
    """semantics.md II.5: 61 for 8' alone; 73 with 4'; 85 for 16' to 4'; 97 for 16' to 2'."""
    theatre = console("theatre")
    lengths = {rank.pipes for rank in theatre.ranks if rank.family != "percussion"}
    assert lengths == {61, 73, 85, 97}


FOURNITURE = {
    36: ("1 1/3", "1", "2/3", "1/2"),
    48: ("2", "1 1/3", "1", "2/3"),
    60: ("2 2/3", "2", "1 1/3", "1"),
    72: ("4", "2 2/3", "2", "1 1/3"),
    84: ("5 1/3", "4", "2 2/3", "2"),
}
"""Encyclopedia article "Mixture (organ stop)" (sources.md S2): a Great Fourniture IV, by key."""


@pytest.mark.parametrize("key", range(36, 97))
def test_the_fourniture_sounds_the_published_pitches(key: int) -> None:
    """Each pipe's own note, above the key, is that of the pitch which S2 gives there."""
    church = console("church")
    ranks = {rank.id: rank for rank in church.ranks}
    stop = next(stop for stop in church.stops if stop.label[0] == "Fourniture")
    sounding = []
    for draw in stop.draws:
        if (draw.first_key or 0) <= key <= (draw.last_key or 127):
            rank = ranks[draw.rank]
            pipe = key - rank.first_key + 1 + offset(draw, rank)
            assert 1 <= pipe <= rank.pipes
            note = rank.first_key + semitones_above(rank.pitch, Fraction(8)) + pipe - 1
            sounding.append(note - key)
    begins = max(first for first in FOURNITURE if first <= key)
    expected = [semitones_above(parse_pitch(p), Fraction(8)) for p in FOURNITURE[begins]]
    assert sorted(sounding) == sorted(expected)


def test_church_has_a_straight_mixture_a_tenor_c_celeste_and_a_borrowed_bass() -> None:
    stops = {stop.id: stop for stop in console("church").stops}
    assert [draw.by_key for draw in stops["sw-mixture"].draws] == [True]
    assert [draw.first_key for draw in stops["sw-celeste-8"].draws] == [TENOR_C]
    bass, treble = stops["gt-dulciana-8"].draws
    assert bass.rank != treble.rank
    assert (bass.last_key, treble.first_key) == (TENOR_C - 1, TENOR_C)


def test_accompaniment_pistons_bring_a_pedal_on_their_second_touch() -> None:
    pistons = {piston.id: piston for piston in console("theatre").pistons}
    deeper = [p for p in pistons.values() if p.second_touch is not None]
    assert deeper
    for piston in deeper:
        assert piston.second_touch is not None
        pressed = pistons[piston.second_touch.piston]
        assert (piston.division, pressed.division) == ("accomp", "pedal")
        assert pressed.kind is Kind.DIVISIONAL


def test_crescendos_take_in_every_voice_from_soft_to_loud() -> None:
    theatre, church = console("theatre"), console("church")
    assert len(theatre.crescendo.stages) >= 20
    for described in (theatre, church):
        added = [c for s in described.crescendo.stages if s.adds for c in s.adds.controls]
        assert len(added) == len(set(added)), "a stage adds what is on already"
        assert all(stage.adds for stage in described.crescendo.stages)


def test_labels_are_engraved_over_lines_that_fit_a_tab(demo: str) -> None:
    """Common practice: no more than two lines, and few letters on each."""
    described = console(demo)
    labels = [control.label for control in described.controls]
    labels += [piston.label for piston in described.pistons]
    for label in labels:
        assert len(label) <= 2
        assert all(0 < len(line) <= 16 for line in label)
    for division in described.divisions:
        faces = [s.face for s in described.stops if s.division == division.id]
        assert len(faces) == len(set(faces))


def test_stops_say_their_pitch_on_their_label(demo: str) -> None:
    """What is engraved is what is drawn; mixtures are engraved with their number of ranks."""
    described = console(demo)
    own = {rank.id: rank.pitch for rank in described.ranks}
    engraved = 0
    for stop in described.stops:
        found = re.search(r"(\d+(?: \d/\d)?)'", stop.face)
        if found is None or len(stop.draws) > 1:
            continue
        (draw,) = (draw for _, draw in draws_of(stop))
        assert parse_pitch(found[1]) == (draw.pitch or own[draw.rank]), stop.id
        engraved += 1
    assert engraved > len(described.stops) * 0.8
