"""The contact layer, sentence by sentence of semantics.md I.8."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from combination.contacts import ContactLayer, Role, Timed, Wired, contacts_of, unwired_pin
from combination.effects import ContactStuck, Effect, Refusal, Refused, TabDidNotFollow
from combination.events import (
    ControlTouched,
    KeyMoved,
    MemoryLockTurned,
    PistonFreed,
    PistonPressed,
    PistonReleased,
    PistonStuck,
    SecondTouchPressed,
    SecondTouchReleased,
    TabMoved,
    TransposerMoved,
    TransposerStepped,
)
from combination.instrument import Instrument
from combination.memory import Slot
from combination.midi import Edge
from combination.model import (
    Action,
    Contact,
    Drive,
    Keyboard,
    KeyRun,
    Kind,
    SecondTouch,
    Setting,
    Timing,
)
from tests.consoles import WORKED_MEMORY, bank_of, piston, stop, worked_console

TIMING = Timing()


def layer(*wired: Wired) -> ContactLayer:
    return ContactLayer(wired, TIMING)


PISTON = Wired("p.1", Role.PISTON, "g1")
TOE = Wired("t.1", Role.PISTON, "g1")
TAB = Wired("r.1", Role.TAB, "flute")
KEY = Wired("k.1", Role.KEY, "great", 36)


def events(timed: list[Timed]) -> list[object]:
    return [event for _, event in timed]


def test_first_edge_acts_and_the_bounce_is_ignored() -> None:
    contacts = layer(PISTON)
    assert contacts.edge("p.1", True, 1.0) == [(1.0, PistonPressed("g1"))]
    assert contacts.edge("p.1", False, 1.004) == []
    assert contacts.edge("p.1", True, 1.008) == []
    assert contacts.tick(1.5) == []
    assert contacts.edge("p.1", False, 2.0) == [(2.0, PistonReleased("g1"))]
    assert contacts.edge("p.1", True, 2.003) == []
    assert contacts.edge("p.1", False, 2.006) == []
    assert contacts.tick(3.0) == []


def test_at_the_end_of_the_bounce_the_state_counts() -> None:
    contacts = layer(PISTON)
    contacts.edge("p.1", True, 1.0)
    assert contacts.edge("p.1", False, 1.01) == []
    assert contacts.tick(1.019) == []
    assert contacts.tick(1.1) == [(1.0 + TIMING.bounce, PistonReleased("g1"))]


@pytest.mark.parametrize(
    ("wired", "bounce"), [(PISTON, TIMING.bounce), (TAB, TIMING.bounce), (KEY, TIMING.key_bounce)]
)
def test_bounce_times(wired: Wired, bounce: float) -> None:
    contacts = layer(wired)
    contacts.edge(wired.pin, True, 0.0)
    assert contacts.edge(wired.pin, False, bounce * 0.9) == []
    assert contacts.tick(1.0)[0][0] == bounce
    contacts = layer(wired)
    contacts.edge(wired.pin, True, 0.0)
    assert contacts.edge(wired.pin, False, bounce * 1.1)[0][0] == bounce * 1.1


def test_key_bounce_is_5_ms_and_the_rest_20() -> None:
    assert (TIMING.key_bounce, TIMING.bounce, TIMING.stuck) == (0.005, 0.02, 30.0)


def test_pressed_by_the_first_contact_and_released_by_the_last() -> None:
    contacts = layer(PISTON, TOE)
    assert events(contacts.edge("p.1", True, 1.0)) == [PistonPressed("g1")]
    assert contacts.edge("t.1", True, 2.0) == []
    assert contacts.edge("p.1", False, 3.0) == []
    assert events(contacts.edge("t.1", False, 4.0)) == [PistonReleased("g1")]


def test_stuck_is_reported_once_and_taken_as_open_until_it_opens() -> None:
    contacts = layer(PISTON)
    contacts.edge("p.1", True, 1.0)
    assert contacts.next_due == 1.0 + TIMING.bounce
    assert contacts.tick(30.9) == []
    stuck = [(31.0, PistonStuck("g1", "p.1")), (31.0, PistonReleased("g1"))]
    assert contacts.tick(100.0) == stuck
    assert contacts.tick(1000.0) == []
    assert contacts.edge("p.1", False, 1001.0) == [(1001.0, PistonFreed("g1", "p.1"))]
    assert events(contacts.edge("p.1", True, 1002.0)) == [PistonPressed("g1")]


def test_each_contact_is_judged_by_itself() -> None:
    contacts = layer(PISTON, TOE)
    contacts.edge("p.1", True, 0.0)
    contacts.edge("t.1", True, 20.0)
    assert contacts.tick(35.0) == [(30.0, PistonStuck("g1", "p.1"))]
    assert events(contacts.edge("t.1", False, 40.0)) == [PistonReleased("g1")]
    assert events(contacts.edge("t.1", True, 41.0)) == [PistonPressed("g1")]


def test_closed_at_switch_on_is_stuck_from_the_start() -> None:
    contacts = layer(PISTON, TOE, TAB)
    assert events(contacts.found("p.1", True, 0.0)) == [PistonStuck("g1", "p.1")]
    assert contacts.tick(100.0) == []
    assert events(contacts.found("r.1", True, 100.0)) == [TabMoved("flute", True)]
    assert events(contacts.edge("t.1", True, 101.0)) == [PistonPressed("g1")]
    assert events(contacts.edge("p.1", False, 102.0)) == [PistonFreed("g1", "p.1")]


def test_a_lit_control_touched_at_switch_on_stays_off() -> None:
    """semantics.md I.9: on a lit action the rail is empty at switch-on."""
    roles = (Role.TOUCH, Role.TOUCH_ON, Role.TOUCH_OFF)
    contacts = layer(*(Wired(f"r.{n}", role, "flute") for n, role in enumerate(roles)))
    for pin in ("r.0", "r.1", "r.2"):
        assert contacts.found(pin, True, 0.0) == []
        assert contacts.edge(pin, False, 1.0) == []
    assert events(contacts.edge("r.0", True, 2.0)) == [ControlTouched("flute")]
    assert events(contacts.edge("r.1", True, 3.0)) == [TabMoved("flute", True)]
    assert events(contacts.edge("r.2", True, 4.0)) == [TabMoved("flute", False)]


def test_a_pair_of_tab_contacts_shows_its_state_at_switch_on() -> None:
    contacts = layer(Wired("r.1", Role.TAB_ON, "flute"), Wired("r.2", Role.TAB_OFF, "flute"))
    assert events(contacts.found("r.1", True, 0.0)) == [TabMoved("flute", True)]


def test_inverted_opens_when_pressed() -> None:
    contacts = layer(Wired("p.1", Role.PISTON, "g1", inverted=True))
    assert contacts.found("p.1", True, 0.0) == []
    assert events(contacts.edge("p.1", False, 1.0)) == [PistonPressed("g1")]
    assert events(contacts.edge("p.1", True, 2.0)) == [PistonReleased("g1")]


def test_program_changes_are_pushes() -> None:
    contacts = layer(
        PISTON, Wired("r.1", Role.TAB_ON, "flute"), Wired("r.2", Role.TAB_OFF, "flute")
    )
    pushed = [PistonPressed("g1"), PistonReleased("g1")]
    assert events(contacts.push("p.1", 1.0)) == pushed
    assert events(contacts.push("p.1", 1.001)) == pushed, "a push is no bounce"
    assert events(contacts.push("r.1", 2.0)) == [TabMoved("flute", True)]
    assert events(contacts.push("r.2", 3.0)) == [TabMoved("flute", False)]
    assert contacts.tick(100.0) == []


def test_touch_and_key_and_lock() -> None:
    contacts = layer(
        Wired("r.1", Role.TOUCH, "flute"),
        KEY,
        Wired("s.1", Role.LOCK),
        Wired("d.1", Role.SECOND_TOUCH, "g1"),
    )
    assert events(contacts.edge("r.1", True, 1.0)) == [ControlTouched("flute")]
    assert events(contacts.edge("r.1", False, 2.0)) == []
    assert events(contacts.edge("k.1", True, 3.0)) == [KeyMoved("great", 36, True)]
    assert events(contacts.edge("k.1", False, 4.0)) == [KeyMoved("great", 36, False)]
    assert events(contacts.edge("s.1", True, 5.0)) == [MemoryLockTurned(True)]
    assert events(contacts.edge("s.1", False, 6.0)) == [MemoryLockTurned(False)]
    assert events(contacts.edge("d.1", True, 7.0)) == [SecondTouchPressed("g1")]
    stuck = [PistonStuck("g1", "d.1"), SecondTouchReleased("g1")]
    assert events(contacts.tick(60.0)) == stuck


def test_same_instant_in_the_order_received() -> None:
    contacts = layer(TAB, PISTON)
    got = contacts.edge("p.1", True, 1.0) + contacts.edge("r.1", True, 1.0)
    assert events(got) == [PistonPressed("g1"), TabMoved("flute", True)]


@given(st.lists(st.tuples(st.floats(0, 0.05), st.booleans()), max_size=60))
def test_any_chatter_ends_as_the_contact_ends(edges: list[tuple[float, bool]]) -> None:
    """Presses and releases alternate, never closer than a bounce, and the last state counts."""
    contacts = layer(PISTON)
    now, heard = 0.0, []
    for gap, closed in edges:
        now += gap
        heard += contacts.edge("p.1", closed, now)
    heard += contacts.tick(now + TIMING.bounce)
    kinds = [type(event) for _, event in heard]
    assert kinds == [PistonPressed, PistonReleased] * (len(kinds) // 2) + [PistonPressed] * (
        len(kinds) % 2
    )
    assert (len(kinds) % 2 == 1) == (bool(edges) and edges[-1][1])
    times = [at for at, _ in heard]
    assert all(b - a >= TIMING.bounce - 1e-9 for a, b in pairwise(times))


# ---------------------------------------------------------------- lost, and found again

PAIR = (Wired("r.2", Role.TAB_ON, "horn"), Wired("r.3", Role.TAB_OFF, "horn"))
UP = Wired("x.1", Role.TRANSPOSE_BY, "", 1)
AT_2 = Wired("x.2", Role.TRANSPOSE_TO, "", 2)


def lost(contacts: ContactLayer, at: float, *pins: str) -> list[object]:
    return [event for pin in pins for event in events(contacts.lost(pin, at))]


def test_what_a_hand_holds_is_let_go_when_it_is_lost() -> None:
    second = Wired("d.1", Role.SECOND_TOUCH, "g1")
    contacts = layer(PISTON, KEY, second)
    for pin in ("p.1", "k.1", "d.1"):
        contacts.edge(pin, True, 1.0)
    assert lost(contacts, 2.0, "p.1", "k.1", "d.1") == [
        PistonReleased("g1"),
        KeyMoved("great", 36, False),
        SecondTouchReleased("g1"),
    ]
    assert lost(contacts, 3.0, "p.1", "k.1", "d.1") == []
    assert contacts.tick(100.0) == [], "what is let go does not stick"


def test_it_is_let_go_at_once_even_while_it_bounces() -> None:
    contacts = layer(PISTON, KEY)
    for pin in ("p.1", "k.1"):
        contacts.edge(pin, True, 1.0)
    assert contacts.lost("k.1", 1.001) == [(1.001, KeyMoved("great", 36, False))]
    assert contacts.lost("p.1", 1.001) == [(1.001, PistonReleased("g1"))]
    assert contacts.next_due is None


def test_a_piston_is_released_when_its_last_contact_is_lost() -> None:
    contacts = layer(PISTON, TOE)
    contacts.edge("p.1", True, 1.0)
    contacts.edge("t.1", True, 1.0)
    assert lost(contacts, 2.0, "p.1") == []
    assert lost(contacts, 2.0, "t.1") == [PistonReleased("g1")]


def test_what_stays_where_it_is_put_stays_when_it_is_lost() -> None:
    lock = Wired("s.1", Role.LOCK)
    contacts = layer(TAB, lock, *PAIR, AT_2)
    for pin in ("r.1", "s.1", "r.2", "x.2"):
        contacts.edge(pin, True, 1.0)
    assert lost(contacts, 2.0, "r.1", "s.1", "r.2", "r.3", "x.2") == []
    assert contacts.found("r.1", True, 3.0) == []
    assert contacts.found("s.1", True, 3.0) == []
    assert events(contacts.edge("r.1", False, 4.0)) == [TabMoved("flute", False)]
    assert events(contacts.edge("s.1", False, 4.0)) == [MemoryLockTurned(False)]


def test_a_tab_of_two_contacts_is_where_it_is_found_again() -> None:
    contacts = layer(*PAIR)
    contacts.edge("r.2", True, 1.0)
    lost(contacts, 2.0, "r.2", "r.3")
    assert events(contacts.found("r.3", True, 3.0)) == [TabMoved("horn", False)]
    contacts.edge("r.3", False, 4.0)
    assert events(contacts.edge("r.2", True, 4.0)) == [TabMoved("horn", True)]


def test_a_stuck_piston_stays_stuck_when_it_is_lost() -> None:
    contacts = layer(PISTON)
    contacts.edge("p.1", True, 1.0)
    contacts.tick(40.0)
    assert lost(contacts, 50.0, "p.1") == []
    assert contacts.found("p.1", True, 60.0) == [], "it was told already"
    assert events(contacts.edge("p.1", False, 70.0)) == [PistonFreed("g1", "p.1")]
    assert events(contacts.edge("p.1", True, 80.0)) == [PistonPressed("g1")]


def test_a_lost_contact_that_is_inverted() -> None:
    contacts = layer(Wired("k.1", Role.KEY, "great", 36, inverted=True))
    contacts.edge("k.1", False, 1.0)
    assert lost(contacts, 2.0, "k.1") == [KeyMoved("great", 36, False)]
    assert contacts.found("k.1", True, 3.0) == []
    assert events(contacts.found("k.1", False, 4.0)) == [KeyMoved("great", 36, True)]


def test_found_twice() -> None:
    """Told once; what is found otherwise then has moved."""
    contacts = layer(PISTON, TAB, KEY)
    first = [contacts.found(pin, True, 1.0) for pin in ("p.1", "r.1", "k.1")]
    assert [event for timed in first for event in events(timed)] == [
        PistonStuck("g1", "p.1"),
        TabMoved("flute", True),
        KeyMoved("great", 36, True),
    ]
    for at in (1.001, 2.0):
        assert [contacts.found(pin, True, at) for pin in ("p.1", "r.1", "k.1")] == [[], [], []]
    second = [contacts.found(pin, False, 3.0) for pin in ("p.1", "r.1", "k.1")]
    assert [event for timed in second for event in events(timed)] == [
        PistonFreed("g1", "p.1"),
        TabMoved("flute", False),
        KeyMoved("great", 36, False),
    ]


@pytest.mark.parametrize("wired", [PISTON, TAB, KEY])
def test_a_contact_may_bounce_as_it_is_found(wired: Wired) -> None:
    bounce = TIMING.key_bounce if wired is KEY else TIMING.bounce
    contacts = layer(wired)
    assert len(contacts.found(wired.pin, True, 1.0)) == 1
    assert contacts.found(wired.pin, False, 1.0 + bounce / 2) == []
    assert contacts.found(wired.pin, True, 1.0 + bounce * 0.75) == []
    assert contacts.tick(2.0) == []
    assert len(contacts.found(wired.pin, False, 3.0)) == 1
    contacts = layer(wired)
    contacts.found(wired.pin, True, 1.0)
    assert contacts.found(wired.pin, False, 1.0 + bounce / 2) == []
    assert [at for at, _ in contacts.tick(2.0)] == [1.0 + bounce], "at its end the state counts"


def test_the_transposer_is_where_its_switch_is_found_and_no_button_moves_it() -> None:
    contacts = layer(UP, AT_2)
    assert contacts.found("x.1", True, 1.0) == []
    assert events(contacts.found("x.2", True, 1.0)) == [TransposerMoved(2)]
    assert contacts.edge("x.1", False, 2.0) == []
    assert events(contacts.edge("x.1", True, 3.0)) == [TransposerStepped(1)]


# ---------------------------------------------------------------- bouncing on and on


def moved(contacts: ContactLayer, pin: str, *times: float) -> list[Wired]:
    """A contact that changes at each time; what is restless then."""
    for number, at in enumerate(times):
        contacts.edge(pin, number % 2 == 0, at)
    contacts.tick(times[-1] + 1)
    return contacts.restless()


@pytest.mark.parametrize(("apart", "found"), [(0.021, [PISTON]), (0.0249, [PISTON]), (0.025, [])])
def test_five_changes_in_a_tenth_of_a_second_are_no_hand(apart: float, found: list[Wired]) -> None:
    assert moved(layer(PISTON), "p.1", *(apart * number for number in range(5))) == found


def test_four_changes_may_be_a_hand() -> None:
    assert moved(layer(PISTON), "p.1", 0.0, 0.021, 0.042, 0.063, 0.101) == []


def test_a_restless_contact_is_given_once_and_plays_on() -> None:
    contacts = layer(PISTON, TOE)
    chatter = [0.021 * number for number in range(101)]
    assert moved(contacts, "p.1", *chatter) == [PISTON]
    assert contacts.restless() == []
    assert moved(contacts, "p.1", *(10 + at for at in chatter)) == []
    assert events(contacts.edge("t.1", True, 20.0)) == []
    assert events(contacts.edge("p.1", False, 21.0)) == []
    assert events(contacts.edge("t.1", False, 22.0)) == [PistonReleased("g1")]
    assert moved(contacts, "t.1", *(30 + at for at in chatter)) == [TOE]


def test_a_bounce_within_its_time_is_one_change() -> None:
    times = [0.2 * stroke + 0.0005 * edge for stroke in range(20) for edge in range(9)]
    assert moved(layer(KEY), "k.1", *times) == []


# ---------------------------------------------------------------- at a console


def wired_console() -> Instrument:
    """The worked console, every piston and tab on a pin in name only."""
    console = worked_console()
    return Instrument(console, bank_of(console, WORKED_MEMORY), unwired=True)


def piston_pin(name: str) -> str:
    return unwired_pin(Role.PISTON, name)


def tab_pin(name: str) -> str:
    return unwired_pin(Role.TAB, name)


def push(instrument: Instrument, name: str, at: float) -> list[Effect]:
    effects = instrument.hear(Edge(piston_pin(name), True), at)
    return effects + instrument.hear(Edge(piston_pin(name), False), at + 0.05)


def test_set_found_stuck_bars_generals_and_divisionals_until_it_opens() -> None:
    instrument = wired_console()
    instrument.hear(Edge(piston_pin("SET"), True), 1.0)
    assert ContactStuck("SET", piston_pin("SET")) in instrument.tick(40.0)
    assert not instrument.action.lit, "the latch is not armed by a piston that stuck"
    before = instrument.action.bank.get(Slot("G1", 1))
    for at, name in ((41.0, "G1"), (42.0, "GT1")):
        refused = [e for e in push(instrument, name, at) if isinstance(e, Refused)]
        assert refused == [Refused(name, Refusal.SET_STUCK)]
    assert instrument.action.bank.get(Slot("G1", 1)) == before
    push(instrument, "RX", 50.0)
    assert set(instrument.action.lit) == {"RX"}
    instrument.hear(Edge(piston_pin("SET"), False), 60.0)
    push(instrument, "G1", 61.0)
    assert set(instrument.action.lit) == {"G1"}


def test_general_cancel_frees_a_console_whose_set_piston_is_stuck() -> None:
    instrument = wired_console()
    instrument.hear(Edge(piston_pin("SET"), True), 1.0)
    instrument.tick(40.0)
    push(instrument, "GC", 41.0)
    push(instrument, "G1", 42.0)
    assert set(instrument.action.lit) == {"G1"}


def test_every_store_and_every_tab_starts_the_set_pistons_clock_again() -> None:
    instrument = wired_console()
    instrument.hear(Edge(piston_pin("SET"), True), 0.0)
    push(instrument, "G1", 20.0)
    assert not instrument.tick(49.9)
    instrument.hear(Edge(tab_pin("a"), True), 49.9)
    assert not instrument.tick(79.8)
    assert ContactStuck("SET", piston_pin("SET")) in instrument.tick(80.0)


def test_a_set_while_waiting_for_a_bounce_restarts_the_clock_too() -> None:
    """The store happens at the end of a bounce, in the middle of one long wait."""
    instrument = wired_console()
    instrument.hear(Edge(piston_pin("SET"), True), 0.0)
    instrument.hear(Edge(piston_pin("G1"), True), 20.0)
    instrument.hear(Edge(piston_pin("G1"), False), 20.01)
    instrument.hear(Edge(piston_pin("G1"), True), 29.0)
    instrument.hear(Edge(piston_pin("G1"), False), 29.005)
    late = [e for e in instrument.tick(58.9) if isinstance(e, ContactStuck)]
    assert late == []


def test_contacts_of_a_console() -> None:
    console = worked_console(
        Action.LIT,
        stops=(
            stop("a", "great", contact=Contact("r.1")),
            stop("b", "great", contact_on=Contact("r.2"), contact_off=Contact("r.3", True)),
        ),
        couplers=(),
        keyboards=(
            Keyboard("great", "Great", 36, 3, (KeyRun("k.5"),)),
            Keyboard("pedal", "Pedal", 36, 4, (KeyRun("k.10", keys=2), KeyRun("m.1", key=38))),
        ),
        pistons=(
            piston("SET", Kind.SET, contact=(Contact("p.1"), Contact("p.2"))),
            piston("G1", Kind.GENERAL, second_touch=SecondTouch("GC", (Contact("p.3"),))),
            piston("GC", Kind.GENERAL_CANCEL),
        ),
        setting=Setting(lock=Contact("p.9")),
    )
    assert contacts_of(console) == (
        Wired("p.1", Role.PISTON, "SET", sets=True),
        Wired("p.2", Role.PISTON, "SET", sets=True),
        Wired("p.3", Role.SECOND_TOUCH, "G1"),
        Wired("r.1", Role.TOUCH, "a"),
        Wired("r.2", Role.TOUCH_ON, "b"),
        Wired("r.3", Role.TOUCH_OFF, "b", inverted=True),
        Wired("k.5", Role.KEY, "great", 36),
        Wired("k.6", Role.KEY, "great", 37),
        Wired("k.7", Role.KEY, "great", 38),
        Wired("k.10", Role.KEY, "pedal", 36),
        Wired("k.11", Role.KEY, "pedal", 37),
        Wired("m.1", Role.KEY, "pedal", 38),
        Wired("m.2", Role.KEY, "pedal", 39),
        Wired("p.9", Role.LOCK),
    )
    in_name = {wired.pin for wired in contacts_of(console, unwired=True)}
    assert unwired_pin(Role.PISTON, "GC") in in_name


def test_a_tab_that_does_not_follow_is_a_fault_of_the_tab() -> None:
    stops = tuple(
        stop(name, "great", contact=Contact(f"r.{number}")) for number, name in enumerate("abcd", 1)
    )
    console = worked_console(Action.MOVING, stops=stops, drive=Drive(follow=0.5))
    instrument = Instrument(console, bank_of(console, WORKED_MEMORY), unwired=True)
    push(instrument, "G1", 1.0)
    instrument.hear(Edge("r.2", True), 1.2)
    effects = instrument.tick(2.0)
    assert [e for e in effects if isinstance(e, TabDidNotFollow)] == [TabDidNotFollow("c", True)]
    assert instrument.action.rail == instrument.action.ranges.roster.bits("b")
