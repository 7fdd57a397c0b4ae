"""The order of the harness, and pins put into a console."""

import random
from pathlib import Path

import pytest
from attrs import evolve
from hypothesis import given, settings
from hypothesis import strategies as st

import cli
from combination.contacts import contacts_of
from combination.harness import CannotBeWiredError, Part, Point, points_of, with_pins
from combination.model import Console
from combination.reading import examine, rail_of, read_console

DEMOS = Path(cli.__file__).parent / "demos"
CHURCH, THEATRE = DEMOS / "church.toml", DEMOS / "theatre.toml"

SMALL = """
format = 1
name = "Quarry Chapel"
action = "blind"
transposer = { up = "box.1", down = "box.2", zero = "box.3" }

[set]
lock = "box.4"

[[keyboard]]
id = "great"
name = "Great"
keys = 3

[[division]]
id = "great"
name = "Great"
keyboard = "great"

[[rank]]
id = "flute"
name = "Flute"
pipes = 85

[[stop]]
id = "flute-8"
label = "Flute 8'"
division = "great"
rank = "flute"

[[coupler]]
id = "octave"
label = "Octave"
keys = "great"
plays = "great"
shift = 12

[[stop]]
id = "flute-4"
label = "Flute 4'"
division = "great"
rank = "flute"
pitch = "4"

[[piston]]
id = "g1"
label = "1"
kind = "general"
at = ["toe", "thumb"]
second-touch = { piston = "g2" }

[[piston]]
id = "g2"
label = "2"
kind = "general"

[[piston]]
id = "set"
label = "Set"
kind = "set"
at = "thumb"

[[board]]
id = "box"
pins = 16
in = { port = "console", channel = 1, first-note = 1 }
"""


def wires(points: tuple[Point, ...]) -> list[str]:
    return [f"{p.part.value}: {p.role.name.lower()} {p.id} {p.number}" for p in points]


def test_the_harness_goes_from_part_to_part() -> None:
    console = read_console(SMALL)
    assert wires(points_of(console, rail_of(SMALL, console))) == [
        "keys: key great 36",
        "keys: key great 37",
        "keys: key great 38",
        "stop rail: tab flute-8 0",
        "stop rail: tab octave 0",
        "stop rail: tab flute-4 0",
        "thumb pistons: piston g1 1",
        "thumb pistons: piston set 0",
        "second touches: second_touch g1 0",
        "toe studs: piston g1 0",
        "switches: transpose_by step 1",
        "switches: transpose_by step -1",
        "switches: transpose_to zero 0",
        "switches: lock lock 0",
    ]


def test_without_the_order_of_the_file_controls_come_kind_by_kind() -> None:
    points = points_of(read_console(SMALL))
    assert [p.id for p in points if p.part is Part.RAIL] == ["flute-8", "flute-4", "octave"]


@pytest.mark.parametrize("path", [CHURCH, THEATRE])
def test_every_contact_of_a_wired_console_is_a_point(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    console = read_console(text)
    points = points_of(console, rail_of(text, console))
    wired = {(w.pin, w.role, w.number, w.inverted) for w in contacts_of(console)}
    found = {
        (p.pin, p.role, 0 if p.part in _NUMBERED else p.number, p.inverted)
        for p in points
        if p.pin is not None
    }
    assert found == wired
    assert len(points) == len({point.wire for point in points})
    rail = [p.id for p in points if p.part is Part.RAIL]
    order = sorted(rail, key=lambda name: text.index(f'id = "{name}"\nlabel'))
    assert rail == order


_NUMBERED = {Part.THUMB, Part.TOE, Part.SECOND_TOUCH}


def pins_of(console: Console) -> dict[tuple[object, ...], str | None]:
    return {point.wire: point.pin for point in points_of(console)}


FREE = [
    evolve(console, transposer=evolve(console.transposer, switch=None))
    for console in (read_console(path.read_text(encoding="utf-8")) for path in (CHURCH, THEATRE))
]
"""Consoles of which any contact can go on any pin."""


@settings(deadline=None, max_examples=50)
@given(st.sampled_from(FREE), st.randoms(use_true_random=False))
def test_pins_put_into_a_console_are_found_there(console: Console, chance: random.Random) -> None:
    points = [point for point in points_of(console) if point.pin is not None]
    some = chance.sample(points, chance.randint(0, len(points)))
    pins = [point.pin or "" for point in some]
    chance.shuffle(pins)
    moved = dict(zip(some, pins, strict=True))
    expected = pins_of(console) | {point.wire: pin for point, pin in moved.items()}
    assert pins_of(with_pins(console, moved)) == expected


def test_what_is_on_no_pin_yet_can_be_put_on_one() -> None:
    console = read_console(SMALL)
    points = points_of(console)
    free = [point for point in points if point.pin is None]
    pins = {point: f"box.{number}" for number, point in enumerate(free, 5)}
    new = with_pins(console, pins)
    assert [p.pin for p in points_of(new)] == [pins.get(point, point.pin) for point in points]
    assert [run.pin for run in new.keyboards[0].contacts] == ["box.5"]


def test_what_a_file_cannot_say_is_told() -> None:
    console = read_console(SMALL)
    (second,) = [p for p in points_of(console) if (p.id, p.number) == ("g1", 1)]
    with pytest.raises(CannotBeWiredError, match="the first contact of g1 has no pin"):
        with_pins(console, {second: "box.9"})
    church = read_console(CHURCH.read_text(encoding="utf-8"))
    position = next(p for p in points_of(church) if p.id == "switch")
    with pytest.raises(CannotBeWiredError, match="unbroken run"):
        with_pins(church, {position: "thumb.64"})


def test_places_of_pistons_are_checked() -> None:
    wired = SMALL.replace('at = "thumb"', 'at = "thumb"\ncontact = ["box.5", "box.6"]')
    _, findings = examine(wired)
    assert 'piston "set", at: names one place, but it has 2 contacts' in str(findings[0])
    wired = SMALL.replace('at = ["toe", "thumb"]', 'at = ["toe", "thumb"]\ncontact = "box.5"')
    _, findings = examine(wired)
    said = [str(finding) for finding in findings]
    assert any('"g1", contact: is for 1 of the 2 places it is at' in each for each in said)
