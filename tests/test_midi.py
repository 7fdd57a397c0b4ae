"""Boards as MIDI: what a console's messages say, and what its lamps and tabs are sent.

Numbers are those of the MIDI 1.0 Detailed Specification, by way of mido's message classes.
"""

from decimal import Decimal
from typing import Any

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st
from mido.messages import Message

from combination.effects import (
    ControlLampsChanged,
    Effect,
    LevelChanged,
    PistonLampsChanged,
    SequencePlaced,
    StepReached,
    TabsDriven,
    TabsRested,
)
from combination.instrument import Instrument
from combination.midi import CrescendoRead, Edge, Push, ShoeRead, Wiring
from combination.model import (
    Action,
    Board,
    Chamber,
    Console,
    Contact,
    ControllerPort,
    Crescendo,
    Drive,
    Keyboard,
    KeyRun,
    Kind,
    PinMessages,
    Readout,
    Shoe,
    Shows,
)
from combination.outputs import Sent
from combination.registration import Registration, Roster
from tests.consoles import bank_of, piston, stop, worked_console

RAIL = Board("rail", 8, PinMessages("west", 5, first_note=36), name="stop rail")
PISTONS = Board("pist", 8, PinMessages("west", 6, first_controller=10))
TOES = Board("toe", 8, PinMessages("west", 7, first_program=0))
LAMPS = Board("lamp", 16, out=PinMessages("east", 1, first_note=60))
LIGHTS = Board("light", 16, out=PinMessages("east", 2, first_controller=0))
COILS = Board("coil", 16, out=PinMessages("east", 3, first_note=0))


def wired_console(**keys: Any) -> Console:
    """The worked console with a moving action, on boards of every kind."""
    stops = tuple(
        stop(
            name,
            "great" if name in "ab" else "pedal",
            contact=Contact(f"rail.{number}"),
            lamp=f"light.{number}",
            drive_on=f"coil.{2 * number - 1}",
            drive_off=f"coil.{2 * number}",
        )
        for number, name in enumerate("abcd", 1)
    )
    pistons = (
        piston("G1", Kind.GENERAL, contact=(Contact("pist.1"), Contact("toe.1")), lamp="lamp.1"),
        piston("G2", Kind.GENERAL, contact=(Contact("pist.2", inverted=True),)),
        piston("GC", Kind.GENERAL_CANCEL, contact=(Contact("pist.3"),)),
        piston("SET", Kind.SET, contact=(Contact("pist.4"),), lamp="lamp.4"),
        piston("UP", Kind.LEVEL_UP, by=50, contact=(Contact("pist.5"),)),
    )
    usual: dict[str, Any] = {
        "levels": 500,
        "stops": stops,
        "couplers": (),
        "pistons": pistons,
        "boards": (RAIL, PISTONS, TOES, LAMPS, LIGHTS, COILS),
        "crescendo": Crescendo(worked_console().crescendo.stages, ControllerPort("west", 16, 20)),
        "chambers": (Chamber("swell", "Swell"),),
        "shoes": (Shoe("swell", "Swell", ("swell",), ControllerPort("west", 16, 11)),),
        "readouts": (
            Readout(Shows.LEVEL, ControllerPort("east", 16, 1)),
            Readout(Shows.STEP, ControllerPort("east", 16, 2)),
        ),
        "drive": Drive(pulse=0.1, follow=0.5),
    }
    return worked_console(Action.MOVING, **(usual | keys))


HEARD = [
    (Message("note_on", channel=4, note=36, velocity=1), Edge("rail.1", True)),
    (Message("note_on", channel=4, note=43, velocity=127), Edge("rail.8", True)),
    (Message("note_off", channel=4, note=36, velocity=64), Edge("rail.1", False)),
    # MIDI 1.0: a note on with velocity 0 is a note off.
    (Message("note_on", channel=4, note=36, velocity=0), Edge("rail.1", False)),
    # MIDI 1.0: a switch controller is off below 64 and on from 64.
    (Message("control_change", channel=5, control=10, value=64), Edge("pist.1", True)),
    (Message("control_change", channel=5, control=10, value=63), Edge("pist.1", False)),
    (Message("program_change", channel=6, program=7), Push("toe.8")),
    (Message("control_change", channel=15, control=20, value=99), CrescendoRead(99)),
    (Message("control_change", channel=15, control=11, value=5), ShoeRead("swell", 5)),
    (Message("note_on", channel=4, note=35, velocity=1), None),
    (Message("note_on", channel=4, note=44, velocity=1), None),
    (Message("note_on", channel=3, note=36, velocity=1), None),
    (Message("control_change", channel=4, control=36, value=127), None),
    (Message("pitchwheel", channel=4, pitch=0), None),
    (Message("clock"), None),
    (Message("sysex", data=(1, 2, 3)), None),
]


@pytest.mark.parametrize(("message", "heard"), HEARD, ids=str)
def test_heard(message: Message, heard: object) -> None:
    wiring = Wiring(wired_console())
    assert wiring.heard(message, "west") == heard
    assert wiring.heard(message) == heard, "without a port, what only one port can have sent"
    assert wiring.heard(message, "east") is None


def test_what_two_ports_could_have_sent_needs_the_port() -> None:
    other = Board("other", 4, PinMessages("north", 5, first_note=36))
    wiring = Wiring(wired_console(boards=(*wired_console().boards, other)))
    message = Message("note_on", channel=4, note=36, velocity=1)
    assert wiring.heard(message) is None
    assert wiring.heard(message, "north") == Edge("other.1", True)
    assert wiring.heard(message, "west") == Edge("rail.1", True)


@pytest.mark.parametrize(
    "said",
    [heard for _, heard in HEARD if heard is not None],
    ids=str,
)
def test_a_console_is_heard_to_say_what_it_says(said: Any) -> None:
    wiring = Wiring(wired_console())
    spoken = wiring.spoken(said)
    assert spoken is not None
    port, message = spoken
    assert wiring.heard(message, port) == said


def test_what_cannot_be_said_as_midi() -> None:
    wiring = Wiring(wired_console(crescendo=Crescendo(), shoes=()))
    assert wiring.spoken(Edge("toe.1", False)) is None, "a program change has no opening"
    assert wiring.spoken(Edge("(piston).G1", True)) is None
    assert wiring.spoken(CrescendoRead(3)) is None
    assert wiring.spoken(ShoeRead("swell", 3)) is None


TABS = Roster(["a", "b", "c", "d"])
STUDS = Roster(["G1", "G2", "GC", "SET", "UP"])


def tabs(ids: str) -> Registration:
    return TABS.registration(TABS.bits(ids.split()))


def studs(ids: str) -> Registration:
    return STUDS.registration(STUDS.bits(ids.split()))


def note(channel: int, number: int, on: bool) -> Sent:
    name, velocity = ("note_on", 127) if on else ("note_off", 0)
    return "east", Message(name, channel=channel - 1, note=number, velocity=velocity)


def control(channel: int, number: int, value: int) -> Sent:
    return "east", Message("control_change", channel=channel - 1, control=number, value=value)


SENT: list[tuple[Effect, list[Sent]]] = [
    (PistonLampsChanged(studs("G1 G2"), studs("SET")), [note(1, 63, False), note(1, 60, True)]),
    (
        ControlLampsChanged(tabs("b"), tabs("a d")),
        [control(2, 0, 0), control(2, 3, 0), control(2, 1, 127)],
    ),
    (TabsDriven(tabs("a"), tabs("c")), [note(3, 5, True), note(3, 0, True)]),
    (TabsRested(tabs("a"), tabs("c")), [note(3, 5, False), note(3, 0, False)]),
    (LevelChanged(5), [control(16, 1, 0), control(16, 33, 5)]),
    (LevelChanged(300), [control(16, 1, 2), control(16, 33, 44)]),
    (StepReached(Decimal("12.5"), 1, "G1", ""), [control(16, 2, 0), control(16, 34, 12)]),
    (SequencePlaced(None), [control(16, 2, 0), control(16, 34, 0)]),
]


@pytest.mark.parametrize(("effect", "sent"), SENT, ids=str)
def test_sent(effect: Effect, sent: list[Sent]) -> None:
    assert Wiring(wired_console()).sent([effect]) == sent


def test_fourteen_bits_are_coarse_times_128_plus_fine() -> None:
    """MIDI 1.0: controllers 0-31 carry the high seven bits, 32-63 the low seven."""
    (_, coarse), (_, fine) = Wiring(wired_console()).sent([LevelChanged(300)])
    assert coarse.value * 128 + fine.value == 300
    assert fine.control == coarse.control + 32


def press(instrument: Instrument, control_number: int, at: float) -> set[str]:
    """Push a piston by MIDI; every message that comes of it, as text."""
    effects: list[Effect] = []
    for later, value in ((0.0, 127), (0.05, 0)):
        message = Message("control_change", channel=5, control=control_number, value=value)
        effects += instrument.message(message, at + later, "west")
    return {f"{port}: {message}" for port, message in instrument.wiring.sent(effects)}


def test_a_piston_pushed_by_midi_drives_tabs_and_lights_lamps() -> None:
    console = wired_console()
    instrument = Instrument(console, bank_of(console, {"G1": "b c"}))
    pulses = {"east: " + str(note(3, number, True)[1]) for number in (2, 4)}
    lamps = {str(note(1, 60, True)[1]), *(str(control(2, number, 127)[1]) for number in (1, 2))}
    assert press(instrument, 10, 1.0) == pulses | {f"east: {lamp}" for lamp in lamps}
    rested = instrument.wiring.sent(instrument.tick(1.2))
    assert rested == [note(3, 2, False), note(3, 4, False)]
    fault_lamps = instrument.wiring.sent(instrument.tick(2.0))
    assert {str(m) for _, m in fault_lamps} == {
        str(m) for _, m in (note(1, 60, False), control(2, 1, 0), control(2, 2, 0))
    }, "no tab has reported: the rail shows none, and the lamps say so"


def test_a_tab_message_is_the_hand() -> None:
    console = wired_console()
    instrument = Instrument(console, bank_of(console, {"G1": "b c", "G2": "a b c d"}))
    instrument.message(Message("note_on", channel=4, note=37, velocity=90), 1.0, "west")
    assert instrument.action.rail == instrument.action.ranges.roster.bits(["b"])
    instrument.message(Message("note_on", channel=4, note=37, velocity=0), 2.0, "west")
    assert instrument.action.rail == 0


def test_program_changes_pedals_levels_and_inverted_contacts() -> None:
    console = wired_console()
    instrument = Instrument(console, bank_of(console, {"G1": "b c", "G2@51": "a"}))
    instrument.message(Message("program_change", channel=6, program=0), 1.0, "west")
    assert set(instrument.action.lit) == {"G1"}
    full = Message("control_change", channel=15, control=20, value=127)
    instrument.message(full, 2.0, "west")
    assert instrument.action.stage == 3
    shoe = Message("control_change", channel=15, control=11, value=90)
    instrument.message(shoe, 2.5, "west")
    assert instrument.relay.shades("swell") == 90
    sent = press(instrument, 14, 3.0)
    assert sent == {f"east: {m}" for _, m in (control(16, 1, 0), control(16, 33, 51))}
    for at, value in ((4.0, 0), (4.1, 127)):
        opened = Message("control_change", channel=5, control=11, value=value)
        instrument.message(opened, at, "west")
    assert set(instrument.action.lit) == {"G2"}


def test_keys_that_are_down() -> None:
    keyboards = (Keyboard("great", "Great", contacts=(KeyRun("keys.1"),)),)
    keys = Board("keys", 61, PinMessages("west", 1, first_note=36))
    console = wired_console(
        keyboards=(*keyboards, worked_console().keyboards[1]),
        boards=(*wired_console().boards, keys),
    )
    instrument = Instrument(console, bank_of(console, {}))
    for at, number, velocity in ((1.0, 60, 1), (1.1, 64, 99), (2.0, 60, 0)):
        message = Message("note_on", channel=0, note=number, velocity=velocity)
        assert instrument.message(message, at) == []
    assert instrument.relay.keys_down("great") == {64}
    assert not instrument.relay.keys_down("pedal")


messages = st.sampled_from(["note_on", "note_off", "control_change", "program_change"]).flatmap(
    lambda kind: st.builds(
        lambda channel, one, two: Message.from_bytes(
            [mido.messages.SPEC_BY_TYPE[kind]["status_byte"] | channel, one]
            + ([two] if kind != "program_change" else [])
        ),
        st.integers(0, 15),
        st.integers(0, 127),
        st.integers(0, 127),
    )
)


@given(st.lists(st.tuples(st.floats(0, 40), messages), max_size=40))
def test_any_messages_leave_a_sound_state(stream: list[tuple[float, Message]]) -> None:
    """Whatever a cable brings, lamps and coils end as the effects have left them."""
    console = wired_console()
    instrument = Instrument(console, bank_of(console, {"G1": "b c", "G2": "a b c d"}))
    lit: set[tuple[int, int]] = set()
    now = 0.0

    def follow(effects: list[Effect]) -> None:
        for _, message in instrument.wiring.sent(effects):
            if message.type in ("note_on", "note_off"):
                change = lit.add if message.type == "note_on" else lit.discard
                change((message.channel, message.note))

    for gap, message in stream:
        now += gap
        follow(instrument.message(message, now, "west"))
    follow(instrument.tick(now + 100))
    lamps = {(0, {"G1": 60, "SET": 63}[p]) for p in instrument.action.lit if p in ("G1", "SET")}
    assert lit == lamps, "piston lamps as the action has them, and no coil left on"
