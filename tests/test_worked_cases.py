"""semantics.md I.10, every row of every table, and every case told in a sentence."""

from typing import Any

import pytest

from combination.effects import TabsDriven
from combination.model import Action, Again, Kind, Selection, WhileGoverned
from tests.consoles import WORKED_MEMORY, Player, bank_of, piston, stop, worked_console

BLIND_IGNORED = """
| tab a on | a | – | a | – |
| push G1 | a | a b c d x | b c | G1 |
| tab d on | a d | a b c d x | b c | G1 |
| push GT1 | a d | a b c d x | a c x | GT1 RX |
| push PD1 | a d | a b c d x | a d x | GT1 PD1 RX |
| push GC | a d | – | a d | – |
"""
BLIND_LAST_TOUCH = """
| tab a on | a | – | a | – |
| push G1 | a | a b c d x | b c | G1 |
| tab d on | a d | a b c x | b c d | – |
| tab b on | a b d | a c x | b c d | – |
| tab b off | a d | a c x | c d | – |
| push GC | a d | – | a d | – |
"""
BLIND_ADDS = """
| tab a on | a | – | a | – |
| push G1 | a | a b c d x | a b c | G1 |
| tab d on | a d | a b c d x | a b c d | G1 |
| push GC | a d | – | a d | – |
"""
REVERSIBLE_CRESCENDO_FULL_ORGAN = """
| tab a on | a | – | a | – |
| push RX | a | x | a x | RX |
| push RX | a | – | a | – |
| push G1 | a | a b c d x | b c | G1 |
| push RX | a | a b c d x | b c x | RX |
| crescendo to 1 | a | a b c d x | a b c x | RX |
| push FO | a | a b c d x | a b c d x | FO RX |
| push FO | a | a b c d x | a b c x | RX |
| crescendo to 0 | a | a b c d x | b c x | RX |
| push GC | a | – | a | – |
"""
SETTING = """
| tab a on | a | – | a | – |
| tab d on | a d | – | a d | – |
| push SET | a d | – | a d | SET |
| push G1 (stored) | a d | – | a d | – |
| tab a off | d | – | d | – |
| push G1 | d | a b c d x | a d | G1 |
| press SET | d | a b c d x | a d | G1 SET |
| push GT1 (stored) | d | a b c d x | a d | G1 SET |
| push PD1 (stored) | d | a b c d x | a d | G1 SET |
| release SET | d | a b c d x | a d | G1 |
| push PD1 | d | a b c d x | a d | PD1 |
| push GC | d | – | d | – |
"""
SETTING_LAST_TOUCH = """
| tab a on | a | – | a | – |
| push G1 | a | a b c d x | b c | G1 |
| tab d on | a d | a b c x | b c d | – |
| push SET | a d | a b c x | b c d | SET |
| push G1 (stored) | a d | a b c x | b c d | – |
| push GC | a d | – | a d | – |
| push G1 | a d | a b c d x | b c d | G1 |
"""
MOVING = """
| tab a on | a | – | |
| push G1 | b c | G1 | a off, b on, c on |
| tab d on | b c d | – | |
| tab d off | b c | G1 | |
| push GT1 | a c x | GT1 RX | a on, b off, x on |
| push PD1 | a d x | GT1 PD1 RX | c off, d on |
| tab a off | d x | PD1 RX | |
| push SET | d x | PD1 RX SET | |
| push GT1 (stored) | d x | GT1 PD1 RX | |
| push RX | d | PD1 | x off |
| push GC | – | – | d off |
"""


def rows(table: str) -> list[list[str]]:
    return [[cell.strip() for cell in line.split("|")[1:-1]] for line in table.strip().split("\n")]


def ids(cell: str) -> set[str]:
    return set(cell.replace("–", "").split())


TABLES: dict[str, tuple[str, dict[str, Any], dict[str, str]]] = {
    "blind, ignored": (BLIND_IGNORED, {}, {}),
    "blind, last touch": (
        BLIND_LAST_TOUCH,
        {"while_governed": WhileGoverned.LAST_TOUCH},
        {},
    ),
    "blind, adds": (BLIND_ADDS, {"while_governed": WhileGoverned.ADDS}, {}),
    "reversible, crescendo, full organ": (REVERSIBLE_CRESCENDO_FULL_ORGAN, {}, {}),
    "setting": (SETTING, {}, {"G1": "a d", "GT1": "", "PD1": "d"}),
    "setting, last touch": (
        SETTING_LAST_TOUCH,
        {"while_governed": WhileGoverned.LAST_TOUCH},
        {"G1": "b c d"},
    ),
}


def played(console: Any, steps: list[str]) -> Player:
    """A player at the worked console who has done these steps, as the tables write them."""
    player = Player(console, bank_of(console, WORKED_MEMORY))
    return player.do(*(step.replace("(stored)", "") for step in steps))


@pytest.mark.parametrize(
    ("name", "row"),
    [(name, row) for name, (table, _, _) in TABLES.items() for row in range(len(rows(table)))],
)
def test_blind_row(name: str, row: int) -> None:
    table, choices, _ = TABLES[name]
    lines = rows(table)
    player = played(worked_console(**choices), [line[0] for line in lines[: row + 1]])
    _, rail, governed, sounding, lit = lines[row]
    assert player.rail == ids(rail)
    assert player.governed == ids(governed)
    assert player.sounding == ids(sounding)
    assert player.lit == ids(lit)
    assert player.refused == []


@pytest.mark.parametrize(
    ("name", "piston_id"), [(name, p) for name, (_, _, after) in TABLES.items() for p in after]
)
def test_remembered_afterwards(name: str, piston_id: str) -> None:
    table, choices, after = TABLES[name]
    player = played(worked_console(**choices), [line[0] for line in rows(table)])
    assert player.remembers(piston_id) == ids(after[piston_id])


@pytest.mark.parametrize("row", range(len(rows(MOVING))))
def test_moving_row(row: int) -> None:
    lines = rows(MOVING)
    player = played(worked_console(Action.MOVING), [line[0] for line in lines[: row + 1]])
    _, rail, lit, driven = lines[row]
    assert player.rail == player.sounding == ids(rail)
    assert player.lit == ids(lit)
    wanted = {tuple(part.split()) for part in driven.split(", ") if part}
    got = {
        (tab, way)
        for effect in player.effects
        if isinstance(effect, TabsDriven)
        for way, tabs in (("on", effect.on), ("off", effect.off))
        for tab in tabs
    }
    assert got == wanted


def test_moving_gt1_afterwards() -> None:
    player = played(worked_console(Action.MOVING), [line[0] for line in rows(MOVING)])
    assert player.remembers("GT1") == {"x"}


def test_stored_whole() -> None:
    console = worked_console()
    player = Player(console, bank_of(console, {"GT1": "c d"}))
    player.do("tab a on", "push SET", "push GT1")
    assert player.remembers("GT1") == {"a", "c", "d"}
    player.do("tab a off", "push GT1")
    assert player.sounding == {"a"}


def never_captured(action: Action) -> Player:
    pistons = [p for p in worked_console().pistons if p.id != "FO"]
    listed = piston("FO", Kind.FULL_ORGAN, sounds=Selection(controls=("n",)), settable=True)
    console = worked_console(
        action,
        stops=(*worked_console().stops, stop("n", "great", captured=False)),
        pistons=(*pistons, listed),
    )
    return Player(console, bank_of(console, WORKED_MEMORY))


def test_never_captured_stays_in_full_organs_list() -> None:
    player = never_captured(Action.BLIND).do("push SET", "push FO")
    assert player.refused == []
    assert player.do("push FO").sounding == {"n"}


def test_moving_only_the_stored_piston_is_lit() -> None:
    player = never_captured(Action.MOVING).do("push G1", "push SET", "push GT1")
    assert player.lit == {"GT1"}


def test_latch() -> None:
    console = worked_console()
    player = Player(console, bank_of(console, WORKED_MEMORY))
    player.do("push SET")
    assert player.lit == {"SET"}
    player.do("push SET")
    assert player.lit == set()
    player.do("push G1")
    assert player.lit == {"G1"}
    player.do("push SET")
    assert player.lit == {"G1", "SET"}
    player.do("push GC")
    assert player.lit == {"G1"}
    player.do("push UP", "push G1")
    assert player.refused == ["not set"]
    assert player.remembers("G1") == {"b", "c"}


def test_again_releases() -> None:
    console = worked_console(again=Again.RELEASE)
    player = Player(console, bank_of(console, WORKED_MEMORY | {"G1@2": "a"}))
    assert player.do("push G1").sounding == {"b", "c"}
    assert player.do("push G1").sounding == set()
    assert player.do("push G1").sounding == {"b", "c"}
    assert player.do("push UP", "push G1").sounding == {"a"}
