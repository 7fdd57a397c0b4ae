"""Tabs driven in groups, at the hands of somebody in a hurry (semantics.md I.3)."""

from collections.abc import Iterable
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from combination.action import CombinationAction
from combination.effects import Effect, TabsDriven, TabsRested
from combination.events import PistonPressed, PistonReleased, TabMoved
from combination.memory import Combination, Slot, fresh_bank
from combination.model import Action, Console, Contact, Crescendo, Drive, Kind
from tests.consoles import piston, stop, worked_console

TABS = 6
DRIVE = Drive(pulse=0.1, group=2, gap=0.2, follow=0.5)
GROUPS = 3
"""Six tabs, two at a time."""


def quick_console() -> Console:
    return worked_console(
        Action.MOVING,
        stops=tuple(stop(f"s{n}", "great", contact=Contact(f"r.{n + 1}")) for n in range(TABS)),
        couplers=(),
        crescendo=Crescendo(),
        pistons=(
            piston("all", Kind.GENERAL),
            piston("half", Kind.GENERAL),
            piston("none", Kind.GENERAL_CANCEL),
        ),
        drive=DRIVE,
    )


def played(pushes: Iterable[tuple[float, str]]) -> list[tuple[float, Effect]]:
    """Every effect with its time: pushes at their times, and then until all is at rest."""
    console = quick_console()
    bank = fresh_bank(console)
    bank.put(Slot("all", 1), Combination(0b111111))
    bank.put(Slot("half", 1), Combination(0b010101))
    action = CombinationAction(console, bank)
    told: list[tuple[float, Effect]] = []

    def until(at: float) -> None:
        while (due := action.next_due) is not None and due <= at:
            told.extend((due, effect) for effect in action.tick(due))

    last = 0.0
    for last, name in pushes:
        until(last)
        for event in (PistonPressed(name), PistonReleased(name)):
            told.extend((last, effect) for effect in action.receive(event, last))
    until(last + 60)
    assert action.next_due is None
    return told


def drives(told: list[tuple[float, Effect]]) -> list[float]:
    return [at for at, effect in told if isinstance(effect, TabsDriven)]


def test_groups_are_a_gap_apart() -> None:
    assert drives(played([(1.0, "all")])) == pytest.approx([1.0, 1.2, 1.4])


def test_a_press_that_others_overtook_leaves_no_gap() -> None:
    """Found at a console of 25 tabs in groups of five: twenty quick presses, and then no coil
    moved for five seconds, for every press had kept its turn."""
    pushes = [(n / 20, ("all", "none")[n % 2]) for n in range(40)]
    last = pushes[-1][0]
    times = drives(played(pushes))
    assert max(b - a for a, b in pairwise(times)) == pytest.approx(DRIVE.spacing)
    assert max(times) <= last + GROUPS * DRIVE.spacing + 1e-9


presses = st.lists(
    st.tuples(st.floats(0, 0.5), st.sampled_from(["all", "half", "none"])), max_size=25
)


@given(presses)
def test_the_supply_is_never_asked_for_more_than_a_group(gaps: list[tuple[float, str]]) -> None:
    """Whatever is pressed: groups no larger than they may be nor closer than the gap, never both
    coils of a tab, no coil with current in the end, and all done soon after the last press."""
    now, pushes = 0.0, []
    for gap, name in gaps:
        now += gap
        pushes.append((now, name))
    told = played(pushes)
    times = drives(told)
    assert all(b - a >= DRIVE.spacing - 1e-9 for a, b in pairwise(times))
    current: set[tuple[str, bool]] = set()
    for _, effect in told:
        if isinstance(effect, TabsDriven):
            assert 1 <= len(effect.on) + len(effect.off) <= (DRIVE.group or 0)
            current |= {(tab, True) for tab in effect.on} | {(tab, False) for tab in effect.off}
            assert len({tab for tab, _ in current}) == len(current), "both coils of a tab"
        elif isinstance(effect, TabsRested):
            current -= {(tab, True) for tab in effect.on} | {(tab, False) for tab in effect.off}
    assert not current
    if times and pushes:
        assert max(times) <= pushes[-1][0] + GROUPS * DRIVE.spacing + 1e-9


def test_a_tab_that_the_hand_has_put_right_leaves_no_gap() -> None:
    """Found beside the plain model: its turn stood empty, and the others waited behind it."""
    console = quick_console()
    bank = fresh_bank(console)
    bank.put(Slot("all", 1), Combination(0b111111))
    action = CombinationAction(console, bank)
    action.receive(PistonPressed("all"), 1.0)
    for tab in ("s2", "s3"):
        action.receive(TabMoved(tab, True), 1.05)
    driven = [effect for effect in action.tick(1.2) if isinstance(effect, TabsDriven)]
    assert [(set(effect.on), set(effect.off)) for effect in driven] == [({"s4", "s5"}, set())]
