"""A bank carried to another console: nothing lost, and what was renamed found again."""

from decimal import Decimal

import pytest
from attrs import evolve

from combination.action import CombinationAction
from combination.memory import Bank, Step, default_step, fresh_bank, renames, seat
from combination.model import Console, Crescendo, Kind
from tests.consoles import WORKED_MEMORY, Player, bank_of, piston, stop, worked_console


def renamed_console() -> Console:
    """The worked console after a rebuild: b became bb, RX became RX2, G1 became G10; d is gone,
    n is new and stands first."""
    console = worked_console()
    a, b, c, _ = console.stops
    pistons = {p.id: p for p in console.pistons}
    pistons["RX"] = evolve(pistons["RX"], id="RX2", was=("RX",))
    pistons["G1"] = evolve(pistons["G1"], id="G10", was=("G1",))
    return worked_console(
        stops=(stop("n", "great"), a, evolve(b, id="bb", was=("b",)), c),
        pistons=tuple(pistons.values()),
        crescendo=Crescendo(),
    )


def bank() -> Bank:
    found = bank_of(worked_console(), WORKED_MEMORY)
    found.sequences["Sunday"] = tuple(
        Step(Decimal(number), 1, name) for number, name in ((1, "RX"), (2, "G1"), (3, "PD1"))
    )
    return found


def test_memory_follows_what_was_renamed() -> None:
    console = renamed_console()
    assert renames(bank(), console) == ({"b": "bb"}, {"G1": "G10", "RX": "RX2"})
    seated = seat(bank(), console)
    player = Player(console, seated)
    assert player.remembers("G10") == {"bb", "c"}
    assert player.remembers("G1") is None
    steps = [step.piston for step in seated.sequences["Sunday"]]
    assert steps == ["RX2", "G10", "PD1"], "also what has no memory of its own"


def test_what_is_gone_is_kept_unheard_and_comes_back() -> None:
    console = renamed_console()
    seated = seat(bank(), console)
    player = Player(console, seated)
    assert player.do("push G2").sounding == {"a", "bb", "c"}, "d is unheard, n is off"
    player.do("tab n on", "push SET", "push G2")
    back = seat(seated, worked_console())
    assert Player(worked_console(), back).do("push PD1").sounding == {"d"}
    assert set(back.roster.registration(back.levels[1].combinations["G2"].on)) == {"n", "d"}


def test_a_set_leaves_what_the_console_does_not_have() -> None:
    """semantics.md I.2: kept whole, not cut down to what the piston affects."""
    seated = seat(bank(), renamed_console())
    player = Player(renamed_console(), seated).do("push SET", "push G2")
    assert player.remembers("G2") == {"d"}


def test_an_id_that_the_bank_knows_keeps_its_own_memory() -> None:
    console = worked_console()
    a, b, c, d = console.stops
    changed = worked_console(stops=(a, evolve(b, was=("z",)), c, d))
    assert renames(bank(), changed) == ({}, {})
    taken = worked_console(
        stops=(a, evolve(b, id="bb", was=("a", "b")), c, d), crescendo=Crescendo()
    )
    assert renames(bank(), taken).controls == {"b": "bb"}, "a is still there"


def test_seating_on_its_own_console_changes_nothing() -> None:
    assert seat(bank(), worked_console()) == bank()


def test_only_a_seated_bank_can_be_played() -> None:
    with pytest.raises(ValueError, match="seated"):
        CombinationAction(renamed_console(), bank())


@pytest.mark.parametrize(
    ("number", "step"),
    [(0, None), (1, (1, "G1")), (2, (1, "G2")), (3, (2, "G1")), (6, (3, "G2")), (7, None)],
)
def test_the_sequence_that_nobody_wrote(number: int, step: tuple[int, str] | None) -> None:
    """semantics.md I.6: every general of level 1, then of level 2, and so on."""
    found = default_step(worked_console(levels=3), number)
    assert (None if found is None else (found.level, found.piston)) == step


def test_a_console_without_generals_has_no_such_sequence() -> None:
    console = worked_console(pistons=(piston("NEXT", Kind.NEXT),))
    assert default_step(console, 1) is None
    player = Player(console, fresh_bank(console)).do("push NEXT")
    assert player.refused == ["at the end"]
