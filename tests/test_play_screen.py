"""How a moment of a console being played is shown, on terminals of any size and elsewhere."""

import json
import os
import re
from datetime import datetime, timedelta, timezone
from functools import cache
from importlib import resources
from typing import Any

import pytest
from attrs import evolve
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len
from rich.console import Console as Screen

from cli.play.screen import BOTH, NEITHER, SILENT, UNSEEN, as_json, changes, view
from cli.play.seen import (
    DivisionSeen,
    Fault,
    Latency,
    PistonSeen,
    PortSeen,
    Seen,
    Speaking,
    Tab,
    Told,
)
from combination.reading import read_console

EXAMPLES = int(os.environ.get("STOPWRIGHT_EXAMPLES", "20"))
MORNING = datetime(2026, 11, 1, 10, 30)
HAND, G1, STAGE, FULL = ("by hand",), ("piston g1",), ("crescendo 3",), ("full organ fo",)
SIZES = ((80, 24), (120, 40), (200, 60))


def division(name: str, *controls: tuple[str, bool, tuple[str, ...]]) -> DivisionSeen:
    """Controls as a label, whether the tab is on, and why it sounds; ids are numbers."""
    named = [(f"{name} {number}", *control) for number, control in enumerate(controls, 1)]
    return DivisionSeen(
        name,
        tuple(Tab(id_, label, on, bool(why)) for id_, label, on, why in named),
        tuple(Speaking(id_, label, why) for id_, label, _, why in named if why),
    )


def seen(*divisions: DivisionSeen, **parts: Any) -> Seen:
    return evolve(
        Seen(
            console="St Brannoc, Undermoor",
            player="Ada Wray",
            level=2,
            level_name="Advent",
            step="3 verse 2",
            stage=3,
            stages=10,
            transposer=-2,
            divisions=divisions,
            pistons=(PistonSeen("g1", "1", True), PistonSeen("g2", "2", False)),
            pipes=41,
            ports=(PortSeen("pipes", "tcp 127.0.0.1:5004", True),),
            faults=(),
            unkept=0,
            latency=Latency(1000, 0.00021, 0.0009, 0.0031),
            told=(),
        ),
        **parts,
    )


SMALL = seen(
    division(
        "Great",
        ("Principal 8'", True, HAND),
        ("Octave 4'", False, G1),
        ("Trumpet 8'", True, ()),
        ("Flute 4'", False, ()),
    ),
    division("", ("Tremulant", False, ())),
)
FAULTS = tuple(
    Fault(f"piston {place} (g{place}) is stuck at pin thumb.{place}", MORNING + timedelta(hours=h))
    for place, h in ((1, 0), (2, 2), (3, 1))
)


@cache
def theatre(why: tuple[str, ...] = G1) -> Seen:
    """The theatre console: every fourth control is on, every fifth sounds by a piston."""
    console = read_console((resources.files("cli") / "demos/theatre.toml").read_text("utf-8"))
    divisions = []
    for name, label in [*((d.id, d.name) for d in console.divisions), (None, "")]:
        controls = [c.face for c in console.controls if console.division_of(c) == name]
        divisions.append(
            division(
                label,
                *(
                    (face, place % 4 == 0, why if place % 5 == 0 else HAND * (place % 4 == 0))
                    for place, face in enumerate(controls)
                ),
            )
        )
    return seen(*divisions, console=console.name)


@cache
def three_hundred(why: tuple[str, ...] = G1, every: int = 4) -> Seen:
    """Sixty stops in each of five divisions: every fourth is on, every so many sound."""
    return seen(
        *(
            division(
                name,
                *(
                    (f"{name[:2]} Harmonic {place} 8'", place % 4 == 0, why * (place % every == 0))
                    for place in range(60)
                ),
            )
            for name in ("Great", "Swell", "Choir", "Solo", "Pedal")
        )
    )


def shown(moment: Seen, width: int, height: int) -> list[str]:
    """What a person sees who has no colours."""
    screen = Screen(width=width, height=height, color_system=None, force_terminal=True)
    with screen.capture() as capture:
        screen.print(view(moment, width, height), end="")
    return re.sub(r"\x1b\[[\d;]*m", "", capture.get()).split("\n")


# ---------------------------------------------------------------- the view


def test_the_view_in_words() -> None:
    moment = evolve(
        SMALL,
        faults=(*FAULTS, Fault("the organ is cold", MORNING, MORNING)),
        unkept=2,
        told=(Told(1, "refused: piston 2 (g2), not set"),),
        ports=(PortSeen("pipes", "", True), PortSeen("solo", "serial line 3", False)),
    )
    assert [line.rstrip() for line in shown(moment, 90, 25)] == [
        "St Brannoc, Undermoor  player Ada Wray",
        "level 2 Advent  step 3 verse 2  crescendo 3 of 10  transposer -2  41 pipes speak",
        "fault since 1 Nov 12:30: piston 2 (g2) is stuck at pin thumb.2",
        "fault since 1 Nov 11:30: piston 3 (g3) is stuck at pin thumb.3",
        "fault since 1 Nov 10:30: piston 1 (g1) is stuck at pin thumb.1",
        'not open:  "solo" (serial line 3)',
        "2 sets are not written yet: they work until switch-off, and are written when the store",
        "works again",
        "",
        "Great        * Principal 8'      + Octave 4'         - Trumpet 8'          Flute 4'",
        "no division    Tremulant",
        "",
        "Great        by hand:  * Principal 8'",
        "             piston g1:  + Octave 4'",
        "             on, silent:  - Trumpet 8'",
        *[""] * 6,
        "lit      1 (g1)",
        "told     refused: piston 2 (g2), not set",
        "latency  median 0.21 ms  99 of 100 below 0.90 ms  worst 3.10 ms",
        "marks    * on and sounds: 1  + sounds, not on: 1  - on, silent: 1",
    ]


def test_the_view_of_nothing_in_particular() -> None:
    moment = seen(
        division("Great", ("Principal 8'", False, ())),
        player="",
        level_name="",
        step="",
        stage=0,
        transposer=3,
        pistons=(),
        pipes=1,
        ports=(),
        latency=Latency(),
    )
    assert [line.rstrip() for line in shown(moment, 80, 12)] == [
        "St Brannoc, Undermoor",
        "level 2  no step  crescendo closed  transposer +3  1 pipe speaks",
        "",
        "Great    Principal 8'",
        "",
        "nothing is on or sounds",
        "",
        "",
        "lit      none",
        "told     none",
        "latency  none",
        "marks    * on and sounds: 0  + sounds, not on: 0  - on, silent: 0",
    ]
    assert "crescendo" not in "".join(shown(evolve(moment, stages=0), 80, 12))


@pytest.mark.parametrize(("width", "height"), [*SIZES, (50, 16)])
@pytest.mark.parametrize(
    "moment", [SMALL, theatre(), theatre(FULL), three_hundred(), three_hundred(FULL, 1)]
)
def test_it_fits_and_level_and_faults_always_show(moment: Seen, width: int, height: int) -> None:
    lines = shown(evolve(moment, faults=FAULTS, unkept=3), width, height)
    assert len(lines) == height
    assert max(map(cell_len, lines)) <= width
    text = " ".join(" ".join(lines).split())
    assert "level 2 Advent" in text
    assert "piston 2 (g2) is stuck at pin thumb.2" in text, "the newest fault is told in full"
    assert "piston 1 (g1) is stuck at pin thumb.1" in text or "faults more" in text


def marked(lines: list[str], label: str) -> set[str]:
    """The marks that stand before a label."""
    return {mark for line in lines for mark in re.findall(rf"([*+\-]) {re.escape(label)}", line)}


def test_what_is_cut_off_is_counted_and_what_is_on_but_silent_is_not_cut_off() -> None:
    controls = [(f"Stop {place} 8'", True, HAND) for place in range(60)]
    moment = seen(division("Great", *controls, ("Tremulant", True, ())))
    text = "\n".join(shown(moment, 80, 16))
    assert "- Tremulant" in text
    missing = re.search(r"and (\d+) more", text)
    assert missing
    assert text.count("* Stop") + int(missing[1]) == 60


def test_three_hundred_stops_can_be_read() -> None:
    """All 75 that are on or sound are there by name."""
    moment = three_hundred()
    lines = shown(moment, 120, 40)
    for part in moment.divisions:
        for tab in part.rail:
            assert marked(lines, tab.label) == ({BOTH} if tab.on else set())


def test_the_rail_is_shortened_first_then_reasons_then_names() -> None:
    """Around the controls there are twelve lines."""
    controls = [(f"Stop {place} 8'", True, HAND if place % 2 else G1) for place in range(12)]
    moment = seen(division("Great", *controls, ("Flute 4'", False, ())))
    whole, short, bare, cut = ("\n".join(shown(moment, 40, 12 + room)) for room in (16, 8, 7, 3))
    assert "Flute 4'" in whole
    assert "piston g1:" in whole
    assert "Flute 4'" not in short
    assert "piston g1:" in short
    assert "piston g1:" not in bare
    assert all(f"* {label}" in bare for label, _, _ in controls)
    assert re.search(r"\* Stop 0 8'.* and \d+ more", cut, re.DOTALL)


def note(moment: Seen, width: int, height: int) -> tuple[str, int]:
    """What is said not to be shown, and how many lines more it needs."""
    found = re.search(
        r"^(.+) not shown: needs? (\d+) more lines?$", text_of(moment, width, height), re.M
    )
    return (found[1], int(found[2])) if found else ("", 0)


def text_of(moment: Seen, width: int, height: int) -> str:
    return "\n".join(line.rstrip() for line in shown(moment, width, height))


@pytest.mark.parametrize("faults", [0, 3, 40])
@pytest.mark.parametrize(("width", "height"), [(80, 24), (60, 15), (120, 40)])
def test_what_is_not_shown_is_said_with_the_lines_that_would_show_it(
    width: int, height: int, faults: int
) -> None:
    """With so many lines it is there, and with one less it is not."""
    moment = evolve(
        theatre(),
        faults=tuple(Fault(f"fault {n}", MORNING + timedelta(minutes=n)) for n in range(faults)),
    )
    hidden, more = note(moment, width, height)
    assert "rail" in hidden
    assert ("reasons" in hidden) == ("by hand:" not in text_of(moment, width, height))
    assert note(moment, width, height + more - 1) == ("rail", 1)
    assert note(moment, width, height + more) == ("", 0)
    whole = text_of(moment, width, height + more)
    assert all(tab.label in whole for part in moment.divisions for tab in part.rail)
    assert "by hand:" in whole


def test_every_division_has_its_share_of_the_lines() -> None:
    lines = shown(three_hundred(FULL, 1), 80, 24)
    heads = [n for n, line in enumerate(lines) if re.match("Great|Swell|Choir|Solo|Pedal", line)]
    assert heads == [3, 7, 10, 13, 16], "the first has the odd line"


def test_of_more_divisions_than_lines_it_is_said_how_many_are_missing() -> None:
    moment = seen(*(division(f"Division {n}", ("Flute 4'", True, HAND)) for n in range(30)))
    lines = shown(moment, 80, 24)
    named = sum("* Flute 4'" in line for line in lines)
    assert f"and {30 - named} divisions more" in [line.rstrip() for line in lines]
    assert lines[-1].startswith("marks"), "the foot stays"


def test_a_long_name_of_a_division_stands_on_no_more_lines_than_its_controls() -> None:
    name = "Accompaniment Second Touch"
    one = seen(division(name, ("Flute 4'", True, HAND)), division("Solo", ("Flute 4'", True, HAND)))
    names = [line[:13].rstrip() for line in shown(one, 80, 24)[3:8]]
    assert names == ["Accompanime..", "Solo", "", "Accompanime..", "Solo"]
    two = evolve(one.divisions[0], rail=one.divisions[0].rail * 6)
    names = [line[:13].rstrip() for line in shown(evolve(one, divisions=(two,)), 80, 24)[3:5]]
    assert names == ["Accompaniment", "Second Touch"]
    three = shown(evolve(one, divisions=(evolve(two, name=f"{name} Keys"),)), 80, 24)
    assert [line[:13].rstrip() for line in three[3:5]] == ["Accompaniment", "Second Touc.."]


def test_of_more_faults_than_fit_the_newest_stand_there() -> None:
    faults = tuple(Fault(f"fault {n} is here", MORNING + timedelta(minutes=n)) for n in range(20))
    lines = [line.rstrip() for line in shown(evolve(SMALL, faults=faults), 80, 24)]
    assert lines[2:8] == [
        *(f"fault since 1 Nov 10:{30 + n}: fault {n} is here" for n in range(19, 14, -1)),
        "and 15 faults more",
    ]


def test_a_fault_is_told_by_the_clock_of_the_place() -> None:
    far = timezone(timedelta(hours=5, minutes=45))
    moment = evolve(SMALL, faults=(Fault("the organ is cold", MORNING.astimezone(far)),))
    assert "fault since 1 Nov 10:30: the organ is cold" in shown(moment, 80, 24)[2]


def test_many_shut_ports_take_two_lines() -> None:
    moment = evolve(SMALL, ports=tuple(PortSeen(f"pipes {n}", "", False) for n in range(20)))
    lines = shown(moment, 80, 24)
    assert lines[2].startswith('not open:  "pipes 0"')
    assert re.search(r"and \d+ more", lines[3])
    assert not lines[4].strip()


def test_on_a_low_terminal_the_foot_gives_way() -> None:
    assert shown(SMALL, 80, 11)[-1].startswith("marks")
    low = "\n".join(shown(SMALL, 80, 10))
    assert "marks" not in low
    assert "piston g1:  + Octave 4'" in low


def test_what_is_too_long_for_a_line_is_cut_with_dots() -> None:
    lines = shown(evolve(SMALL, told=(Told(1, "refused " * 30),)), 80, 24)
    assert lines[-3] == f"told     {('refused ' * 30)[:69]}.."


def test_a_label_twice_in_a_division_has_its_own_reasons() -> None:
    moment = seen(
        division("Great", ("Celesta", True, ()), ("Celesta", False, G1), ("Celesta", True, HAND))
    )
    lines = shown(moment, 80, 24)
    assert "piston g1:  + Celesta" in "\n".join(lines)
    assert "by hand:  * Celesta" in "\n".join(lines)


def test_texts_are_a_strangers() -> None:
    moment = seen(
        division("[red]Great", ("[bold]Flute[/bold] 8'", True, HAND)),
        told=(Told(1, "\x1b[2Jcleared\nnext"),),
        faults=(Fault("port \x07 :smile: [/]", MORNING),),
    )
    text = "\n".join(shown(moment, 80, 24))
    assert "[bold]Flute[/bold] 8'" in text
    assert "[red]Great" in text
    assert "?[2Jcleared?next" in text
    assert "port ? :smile: [/]" in text
    assert all(line.isprintable() for line in changes(None, moment))


def test_marks_do_not_need_colour() -> None:
    screen = Screen(width=80, height=24, color_system="standard", force_terminal=True)
    with screen.capture() as capture:
        screen.print(view(SMALL, 80, 24), end="")
    assert re.search(r"\x1b\[1;36m\+ Octave 4'", capture.get()), "with colour it is coloured"
    lines = shown(SMALL, 80, 24)
    assert marked(lines, "Principal 8'") == {BOTH}
    assert marked(lines, "Octave 4'") == {UNSEEN}
    assert marked(lines, "Trumpet 8'") == {SILENT}
    assert f"{NEITHER} Flute 4'" in "\n".join(lines)


# ---------------------------------------------------------------- lines for a log


def test_first_the_whole_state_is_told() -> None:
    moment = evolve(
        SMALL,
        faults=(FAULTS[0], evolve(FAULTS[1], over=MORNING)),
        unkept=1,
        told=(Told(1, "read the bank"),),
    )
    assert changes(None, moment) == [
        "console St Brannoc, Undermoor",
        "player Ada Wray",
        "level 2 Advent",
        "step 3 verse 2",
        "crescendo 3 of 10",
        "transposer -2",
        "1 set is not written yet: it works until switch-off, "
        "and is written when the store works again",
        "read the bank",
        "Great: Principal 8' sounds (by hand)",
        "Great: Octave 4' sounds (piston g1)",
        "Great: Trumpet 8' is on, but silent",
        "41 pipes speak",
        "piston 1 (g1) lit",
        'port "pipes" (tcp 127.0.0.1:5004) is open',
        "fault: piston 1 (g1) is stuck at pin thumb.1",
    ]


def great(on: bool, why: tuple[str, ...] = ()) -> dict[str, Any]:
    return {"divisions": (division("Great", ("Flute 4'", on, why)),)}


PIPES = PortSeen("pipes", "", True)
SHUT = evolve(PIPES, open=False)
GONE = Fault('port "pipes": nobody listens at chest.local:5004 yet', MORNING)
STUCK = FAULTS[0]
OVER = evolve(STUCK, over=MORNING)


@pytest.mark.parametrize(
    ("before", "now", "told"),
    [
        ({"level": 2}, {"level": 3, "level_name": ""}, ["level 3"]),
        ({}, {"player": "Ben Orr"}, ["player Ben Orr"]),
        ({}, {"step": "4"}, ["step 4"]),
        ({}, {"step": ""}, ["no step"]),
        ({}, {"stage": 0}, ["crescendo closed"]),
        ({}, {"stage": 4}, ["crescendo 4 of 10"]),
        ({}, {"transposer": 0}, ["transposer 0"]),
        ({}, {"transposer": 1}, ["transposer +1"]),
        ({"pipes": 41}, {"pipes": 3}, []),
        ({"pipes": 0}, {"pipes": 3}, ["3 pipes speak"]),
        ({"pipes": 3}, {"pipes": 0}, ["0 pipes speak"]),
        (
            great(False),
            {**great(True, HAND), "pipes": 42},
            ["Great: Flute 4' sounds (by hand)", "42 pipes speak"],
        ),
        (great(False), {**great(True), "pipes": 42}, ["Great: Flute 4' is on, but silent"]),
        ({}, {"latency": Latency(1, 1.0, 1.0, 1.0)}, []),
        ({}, {"told": (Told(1, "refused"), Told(2, "refused"))}, ["refused", "refused"]),
        ({"told": (Told(1, "said"),)}, {"told": (Told(1, "said"), Told(2, "set"))}, ["set"]),
        (
            {},
            {"unkept": 2},
            [
                "2 sets are not written yet: they work until switch-off, "
                "and are written when the store works again"
            ],
        ),
        ({"unkept": 2}, {"unkept": 0}, ["every set is written"]),
        (great(False), great(True, HAND), ["Great: Flute 4' sounds (by hand)"]),
        (great(True, HAND), great(False), ["Great: Flute 4' is silent"]),
        (great(False), great(False, G1), ["Great: Flute 4' sounds (piston g1)"]),
        (great(True, HAND), great(True), ["Great: Flute 4' is silent"]),
        (great(False), great(True), ["Great: Flute 4' is on, but silent"]),
        (great(True), great(False), ["Great: Flute 4' is off"]),
        (great(False, G1), great(True, G1), ["Great: Flute 4' is on"]),
        (great(True, G1), great(False, G1), ["Great: Flute 4' is off, but sounds"]),
        (
            great(True),
            great(False, G1),
            ["Great: Flute 4' sounds (piston g1)", "Great: Flute 4' is off, but sounds"],
        ),
        (
            great(False, G1),
            great(False, G1 + STAGE),
            ["Great: Flute 4' still sounds (piston g1 and crescendo 3)"],
        ),
        (
            {"pistons": (PistonSeen("g1", "1", True), PistonSeen("x", "", False))},
            {"pistons": (PistonSeen("g1", "1", False), PistonSeen("x", "", True))},
            ["piston 1 (g1) dark", "piston x lit"],
        ),
        ({"ports": (SHUT,)}, {"ports": (PIPES,)}, ['port "pipes" is open']),
        (
            {"ports": (PIPES,)},
            {"ports": (SHUT,), "faults": (GONE,)},
            ['fault: port "pipes": nobody listens at chest.local:5004 yet'],
        ),
        (
            {"ports": (SHUT,), "faults": (GONE,)},
            {"ports": (PIPES,), "faults": ()},
            ['over: port "pipes": nobody listens at chest.local:5004 yet'],
        ),
        ({}, {"faults": (STUCK,)}, [f"fault: {STUCK.what}"]),
        ({"faults": (STUCK,)}, {"faults": (OVER,)}, [f"over: {STUCK.what}"]),
        ({"faults": (STUCK,)}, {"faults": ()}, [f"over: {STUCK.what}"]),
        ({"faults": (OVER,)}, {"faults": ()}, []),
        ({}, {"faults": (OVER,)}, [f"fault: {STUCK.what}", f"over: {STUCK.what}"]),
        (
            {"faults": (OVER,)},
            {"faults": (OVER, evolve(STUCK, since=MORNING + timedelta(days=1)))},
            [f"fault: {STUCK.what}"],
        ),
    ],
)
def test_what_changed_is_told(before: dict[str, Any], now: dict[str, Any], told: list[str]) -> None:
    was = seen(**before)
    assert changes(was, evolve(was, **now)) == told
    assert changes(was, was) == []


def test_reasons_that_change_are_told_once_for_a_division() -> None:
    """As the crescendo pedal goes through its stages, with every stop drawn by it."""
    was, now = three_hundred(STAGE), three_hundred(("crescendo 4",))
    assert changes(was, now) == [
        f"{part.name}: 15 controls still sound (crescendo 4)" for part in now.divisions
    ]


def test_controls_of_no_division_are_told_by_their_label() -> None:
    was = seen(division("", ("Tremulant", False, ()), ("Siren", False, G1), ("Surf", False, G1)))
    now = seen(
        division("", ("Tremulant", True, HAND), ("Siren", False, HAND), ("Surf", False, HAND))
    )
    assert changes(was, now) == [
        "Tremulant sounds (by hand)",
        "2 controls still sound (by hand)",
    ]


# ---------------------------------------------------------------- JSON for other programs


def test_first_all_there_is_for_a_program() -> None:
    moment = seen(
        division("Great", ("Flute 4'", False, G1 + STAGE)),
        faults=(STUCK, OVER),
        told=(Told(1, "said"),),
    )
    assert as_json(None, moment) == {
        "console": "St Brannoc, Undermoor",
        "player": "Ada Wray",
        "level": {"number": 2, "name": "Advent"},
        "step": "3 verse 2",
        "crescendo": {"stage": 3, "stages": 10},
        "transposer": -2,
        "pipes": 41,
        "unkept": 0,
        "told": ["said"],
        "controls": [
            {
                "id": "Great 1",
                "label": "Flute 4'",
                "division": "Great",
                "on": False,
                "sounds": True,
                "why": ["piston g1", "crescendo 3"],
            }
        ],
        "pistons": [
            {"id": "g1", "label": "1", "lit": True},
            {"id": "g2", "label": "2", "lit": False},
        ],
        "ports": [{"name": "pipes", "where": "tcp 127.0.0.1:5004", "open": True}],
        "faults": [
            {"what": STUCK.what, "since": "2026-11-01T10:30:00", "over": None},
            {"what": STUCK.what, "since": "2026-11-01T10:30:00", "over": "2026-11-01T10:30:00"},
        ],
        "latency": {"count": 1000, "median": 0.00021, "late": 0.0009, "worst": 0.0031},
    }


def test_then_only_what_changed_and_latency_with_it() -> None:
    was = three_hundred()
    one = evolve(was.divisions[1].rail[1], on=True)
    rail = (was.divisions[1].rail[0], one, *was.divisions[1].rail[2:])
    swell = evolve(was.divisions[1], rail=rail)
    now = evolve(was, divisions=(was.divisions[0], swell, *was.divisions[2:]), latency=Latency())
    assert as_json(was, now) == {
        "controls": [
            {
                "id": "Swell 2",
                "label": "Sw Harmonic 1 8'",
                "division": "Swell",
                "on": True,
                "sounds": False,
                "why": [],
            }
        ],
        "latency": {"count": 0, "median": 0.0, "late": 0.0, "worst": 0.0},
    }


def test_of_pistons_and_ports_only_those_that_changed() -> None:
    was = evolve(SMALL, ports=(PIPES, evolve(PIPES, name="solo")))
    now = evolve(
        was,
        pistons=(was.pistons[0], evolve(was.pistons[1], lit=True)),
        ports=(PIPES, evolve(PIPES, name="solo", open=False)),
        latency=Latency(),
    )
    assert as_json(was, now) == {
        "pistons": [{"id": "g2", "label": "2", "lit": True}],
        "ports": [{"name": "solo", "where": "", "open": False}],
        "latency": {"count": 0, "median": 0.0, "late": 0.0, "worst": 0.0},
    }


def test_latency_alone_is_no_change() -> None:
    assert as_json(SMALL, evolve(SMALL, latency=Latency())) is None


WHY = st.sampled_from([(), HAND, G1, STAGE, G1 + STAGE])
LABELS = ("Flute 4'", "Flute 4'", "長い笛 8'", "Solo to Accomp 2nd Touch 8'", "Surf")


def divisions_named(name: str) -> st.SearchStrategy[DivisionSeen]:
    controls = [st.tuples(st.just(label), st.booleans(), WHY) for label in LABELS]
    return st.tuples(*controls).map(lambda some: division(name, *some))


MOMENTS = st.builds(
    Seen,
    console=st.just("St Brannoc, Undermoor"),
    player=st.sampled_from(["", "Ada Wray"]),
    level=st.integers(1, 1000),
    level_name=st.text(max_size=30),
    step=st.sampled_from(["", "3 verse 2"]),
    stage=st.integers(0, 3),
    stages=st.just(3),
    transposer=st.integers(-6, 6),
    divisions=st.tuples(*map(divisions_named, ("Accompaniment Second Touch", "Pedal", ""))),
    pistons=st.tuples(*(st.builds(PistonSeen, st.just(f"g{n}"), st.just("1")) for n in range(9))),
    pipes=st.integers(0, 900),
    ports=st.tuples(st.builds(PortSeen, st.just("pipes"), st.text(max_size=50), st.booleans())),
    faults=st.lists(
        st.builds(Fault, st.text(max_size=200), st.just(MORNING), st.sampled_from([None, MORNING])),
        max_size=30,
    ).map(tuple),
    unkept=st.integers(0, 2),
    latency=st.just(Latency()),
    told=st.text(min_size=1, max_size=300).map(lambda words: (Told(1, words),)),
)


@given(MOMENTS, st.integers(1, 250), st.integers(1, 80))
@settings(max_examples=EXAMPLES)
def test_no_terminal_is_too_small(moment: Seen, width: int, height: int) -> None:
    lines = shown(moment, width, height)
    assert len(lines) == height
    assert max(map(cell_len, lines)) <= width


@given(st.lists(MOMENTS, min_size=2, max_size=4))
@settings(max_examples=EXAMPLES)
def test_a_program_that_keeps_what_it_is_told_knows_all_there_is(moments: list[Seen]) -> None:
    """By the rule in the docstring: members by id and name, other parts whole."""
    keys = {"controls": "id", "pistons": "id", "ports": "name"}
    known: dict[str, Any] = {}
    before = None
    for moment in moments:
        for name, part in json.loads(json.dumps(as_json(before, moment) or {})).items():
            if name in keys:
                members = {m[keys[name]]: m for m in [*known.get(name, []), *part]}
                known[name] = list(members.values())
            else:
                known[name] = part
        before = moment
        known.pop("told", None)
    whole = as_json(None, moments[-1]) or {}
    del whole["told"]
    assert known == whole


@given(MOMENTS, MOMENTS)
@settings(max_examples=EXAMPLES)
def test_a_line_is_one_line(before: Seen, now: Seen) -> None:
    for line in [*changes(before, now), *changes(None, now)]:
        assert line
        assert line.isprintable()
    assert changes(now, now) == []
    assert as_json(now, now) is None
