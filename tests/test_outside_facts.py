"""What others have published about organs and their wires, checked against ours.

Each test names its source. What the sources leave open is the contract's to decide. What speaks
is judged by the MIDI notes that go out, and what a note is by S12, equal temperament.
"""

import math
from fractions import Fraction
from itertools import pairwise

import pytest
from mido.messages import Message

from combination.events import TabMoved
from combination.instrument import Instrument
from combination.model import Action, DivisionalCouplers, Kind, Selection
from combination.ranges import Ranges
from combination.reading import read_console
from tests.consoles import WORKED_MEMORY, Player, bank_of, piston, worked_console
from tests.test_organ import Organist
from tests.test_relay_cases import (
    DIVISIONS,
    EIGHT_FOOT,
    HEAD,
    KEYBOARDS,
    Hands,
    hands,
    on_flute,
    one_rank,
)

LOW_C, MIDDLE_C, A = 36, 60, 69
OCTAVE, FIFTH, MAJOR_THIRD = 12, 7, 4
MANUAL = range(36, 97)
HEARD = 'out = { port = "pipes", channel = 1 }'
"""Each pipe goes out as the note of its own pitch."""

# ---------------------------------------------------------------- pipes and their pitches


def hertz(note: int) -> float:
    """MIDI Tuning, equal temperament: note n is 440 · 2^((n − 69)/12) Hz (S12)."""
    return float(440 * 2 ** ((note - 69) / 12))


@pytest.mark.parametrize(("rank", "pipes"), [("8", 73), ("16", 97)])
def test_three_pipes_sound_since_one_is_selected_twice(rank: str, pipes: int) -> None:
    """Encyclopedia article "Extension organ": 8′ and 4′ from one rank, middle C and the octave
    above held: three pipes sound, since one is selected twice."""
    player = one_rank(f'pitch = "{rank}", pipes = {pipes}, {HEARD}', on_flute("8"), on_flute("4"))
    player.press("great", MIDDLE_C, MIDDLE_C + OCTAVE)
    assert len(player.pipes("flute")) == 3
    assert player.heard(1) == {MIDDLE_C, MIDDLE_C + OCTAVE, MIDDLE_C + 2 * OCTAVE}


def degree(number: int) -> int:
    """Semitones from the tonic to a degree of the major scale, counted from 1: 15 is two octaves,
    19 two octaves and a fifth."""
    octaves, step = divmod(number - 1, 7)
    return OCTAVE * octaves + (0, 2, 4, 5, 7, 9, 11)[step]


def test_a_mixture_15_19_22_26() -> None:
    """Encyclopedia article "Mixture (organ stop)": 15.19.22.26 is 2′ + 1⅓′ + 1′ + ⅔′."""
    pitches = ("2", "1⅓", "1", "⅔")
    draws = ", ".join(f'{{ rank = "flute", pitch = "{pitch}" }}' for pitch in pitches)
    player = one_rank("pipes = 109", f"draws = [{draws}]").press("great", LOW_C)
    assert player.pipes("flute") == {1 + degree(number) for number in (15, 19, 22, 26)}


FOURNITURE = {
    36: ("1 1/3", "1", "2/3", "1/2"),
    48: ("2", "1 1/3", "1", "2/3"),
    60: ("2 2/3", "2", "1 1/3", "1"),
    72: ("4", "2 2/3", "2", "1 1/3"),
    84: ("5 1/3", "4", "2 2/3", "2"),
}
"""Encyclopedia article "Mixture (organ stop)": a typical Great Fourniture IV, from C1, C13, C25,
C37 and C49."""


def above_unison(feet: str) -> int:
    """Semitones above 8′ of an octave or a quint, by the intervals of Wikibooks, "Organ/Pitches":
    half the length is an octave higher, a third of it an octave and a fifth."""
    parts = Fraction(8) / sum(Fraction(part) for part in feet.split())
    twelfths = int(parts.numerator % 3 == 0)
    octaves = round(math.log2(parts / 3**twelfths))
    assert parts == 3**twelfths * Fraction(2) ** octaves
    return (OCTAVE + FIFTH) * twelfths + OCTAVE * octaves


def fourniture() -> Hands:
    """The table as a console file: each of its ranks begins with its lowest pitch, and a draw for
    every line of it."""
    breaks = [*FOURNITURE, MANUAL.stop]
    draws = ",\n    ".join(
        f'{{ rank = "f{rank}", pitch = "{feet}", from = {first}, to = {after - 1} }}'
        for first, after in pairwise(breaks)
        for rank, feet in enumerate(FOURNITURE[first], 1)
    )
    ranks = "".join(
        f"""
[[rank]]
id = "f{rank}"
name = "Fourniture {rank}"
pitch = "{feet}"
out = {{ port = "pipes", channel = {rank} }}
"""
        for rank, feet in enumerate(FOURNITURE[84], 1)
    )
    stop = f"""
[[stop]]
id = "fourniture"
label = ["Fourniture", "IV"]
division = "great"
draws = [
    {draws},
]
"""
    return hands(ranks + stop).draw("fourniture")


@pytest.mark.parametrize("key", MANUAL)
def test_the_whole_fourniture(key: int) -> None:
    """Key by key, the four ranks against the foot lengths of the table."""
    composition = next(feet for first, feet in reversed(FOURNITURE.items()) if first <= key)
    player = fourniture().press("great", key)
    heard = [player.heard(channel) for channel in (1, 2, 3, 4)]
    assert heard == [{key + above_unison(feet)} for feet in composition]


def test_the_fourniture_as_one_rank_by_key() -> None:
    """The same mixture on one chest has a number for each key, whatever sounds there."""
    player = one_rank('pitch = "1 1/3"', 'draws = [{ rank = "flute", by-key = true, pitch = "2" }]')
    for number, key in enumerate(MANUAL, 1):
        assert player.press("great", key).pipes("flute") == {number}
        player.lift("great", key)


OCTAVES = ("64", "32", "16", "8", "4", "2", "1")
SOUND = 343.0
"""Metres a second, in air at 20 °C (from memory)."""
FOOT = 0.3048
"""Metres: the international foot, exactly (from memory)."""


@pytest.mark.parametrize("pitch", OCTAVES)
@pytest.mark.parametrize("unit", [False, True], ids=["a rank of its own", "one 64′ rank"])
def test_an_open_pipe_of_that_length_sounds_like_the_note_sent(pitch: str, unit: bool) -> None:
    """Encyclopedia article "Organ pipe", Pitch: an open pipe's wavelength is about twice its
    length. Low C at each octave pitch is sent as a note within 10 % of c/2L; a real pipe sounds
    somewhat lower than that, by its end correction."""
    rank, pipes = ("64", 128) if unit else (pitch, 56)
    player = one_rank(f'pitch = "{rank}", pipes = {pipes}, {HEARD}', on_flute(pitch))
    (note,) = player.press("great", LOW_C).heard(1)
    assert hertz(note) == pytest.approx(SOUND / (2 * int(pitch) * FOOT), rel=0.1)


def test_8_foot_is_two_octaves_below_middle_c_and_half_of_it_an_octave_higher() -> None:
    """Encyclopedia article "Organ pipe", Pitch."""
    heard = {}
    for pitch in OCTAVES:
        player = one_rank(f'pitch = "{pitch}", pipes = 56, {HEARD}', on_flute(pitch))
        (heard[pitch],) = player.press("great", LOW_C).heard(1)
    assert heard["8"] == MIDDLE_C - 2 * OCTAVE
    for longer, shorter in pairwise(OCTAVES):
        assert heard[shorter] == heard[longer] + OCTAVE


HARMONICS = {
    "4": (2, OCTAVE),
    "2 2/3": (3, OCTAVE + FIFTH),
    "1 3/5": (5, 2 * OCTAVE + MAJOR_THIRD),
    "1 1/3": (6, 2 * OCTAVE + FIFTH),
}
"""J. L. Speller, "Organ Pipes": which harmonic of 8′ each pitch is, and its interval above."""
CENT = 2 ** (1 / 1200)


@pytest.mark.parametrize("pitch", HARMONICS)
@pytest.mark.parametrize("key", [36, 48, 60, 65])
def test_mutations_are_the_harmonics_of_unison(pitch: str, key: int) -> None:
    """J. L. Speller, "Organ Pipes", and Wikibooks, "Organ/Pitches": 2⅔′ is an octave and a fifth
    above unison, 1⅗′ two octaves and a major third, 1⅓′ two octaves and a fifth. In equal
    temperament, which is all that a unit rank has, they are within 14 cents of the harmonics."""
    player = one_rank(f"pipes = 92, {HEARD}", on_flute("8"), on_flute(pitch)).press("great", key)
    harmonic, interval = HARMONICS[pitch]
    unison, mutation = sorted(player.heard(1))
    assert (unison, mutation) == (key, key + interval)
    assert abs(math.log(hertz(mutation) / (harmonic * hertz(unison)), CENT)) < 14


def test_every_note_of_an_8_foot_rank_is_in_equal_temperament() -> None:
    """MIDI Tuning: 36 is 65.41 Hz. From there each key is a semitone higher, and a' is 440 Hz."""
    player = one_rank(HEARD, on_flute("8"))
    tuned = {}
    for key in MANUAL:
        (note,) = player.press("great", key).heard(1)
        tuned[key] = hertz(note)
        player.lift("great", key)
    assert tuned[LOW_C] == pytest.approx(65.41, abs=0.005)
    assert tuned[A] == 440
    for key in MANUAL[1:]:
        assert tuned[key] / tuned[key - 1] == pytest.approx(2 ** (1 / 12))


# ---------------------------------------------------------------- keyboards and couplers

COUPLERS = """
coupler = [
    { id = "unison", label = "Solo to Great", keys = "great", plays = "solo" },
    { id = "octave", label = "Solo Octave", keys = "great", plays = "solo", shift = 12 },
    { id = "sub", label = "Solo Sub Octave", keys = "great", plays = "solo", shift = -12 },
    { id = "gt-pd", label = "Great to Pedal", keys = "pedal", plays = "great" },
]
rank = [
    { id = "principal", name = "Principal", out = { port = "pipes", channel = 1 } },
    { id = "viola", name = "Viola", out = { port = "pipes", channel = 2 } },
]
stop = [
    { id = "principal", label = "8'", division = "great", rank = "principal" },
    { id = "viola", label = "8'", division = "solo", rank = "viola" },
]
"""


@pytest.mark.parametrize(
    ("drawn", "shifts"),
    [
        ("unison", {0}),
        ("octave", {OCTAVE}),
        ("sub", {-OCTAVE}),
        ("unison octave sub", {0, OCTAVE, -OCTAVE}),
    ],
)
def test_unison_octave_and_sub_octave_couplers(drawn: str, shifts: set[int]) -> None:
    """Grove, "Coupler": unison couplers sound the same note of another keyboard, octave and
    sub-octave couplers the note an octave above or below."""
    player = hands(COUPLERS).draw("principal viola").draw(drawn).press("great", MIDDLE_C)
    assert player.heard(1) == {MIDDLE_C}
    assert player.heard(2) == {MIDDLE_C + shift for shift in shifts}


@pytest.mark.parametrize("pedals", [32, 30])
def test_a_pedal_coupler_brings_two_and_a_half_octaves_under_the_feet(pedals: int) -> None:
    """Grove, "Coupler": the lowest two and a half octaves of a manual. Pedalboards have 32 notes
    by the American Guild of Organists' console standard, 30 by the BDO's."""
    keyboards = KEYBOARDS.replace("keys = 32", f"keys = {pedals}")
    player = Hands(read_console(HEAD + keyboards + DIVISIONS + COUPLERS)).draw("principal gt-pd")
    player.press("pedal", *range(LOW_C, LOW_C + pedals))
    brought = sorted(player.heard(1))
    assert brought == list(MANUAL[:pedals])
    assert round(2 * (brought[-1] - brought[0]) / OCTAVE) / 2 == 2.5
    assert player.push_in("gt-pd").heard(1) == set()


COMPASSES = """
format = 1
name = "Mill Lane"
action = "blind"
keyboard = [
    { id = "great", name = "Great" },
    { id = "pedal", name = "Pedal", keys = 32 },
    { id = "short", name = "Pedal", keys = 30 },
]
"""


def test_standard_compasses_are_the_defaults_or_fit() -> None:
    """American Guild of Organists console standard: manuals of 61 notes, pedalboards of 32;
    the BDO pedalboard (Bund Deutscher Orgelbaumeister) has 30."""
    great, pedal, short = read_console(COMPASSES).keyboards
    assert (great.lowest, great.keys, great.lowest + great.keys - 1) == (36, 61, 96)
    assert (pedal.keys, short.keys) == (32, 30)


@pytest.mark.parametrize(("keyboard", "notes"), [("great", 61), ("pedal", 32), ("short", 30)])
def test_so_many_keys_play_and_no_more(keyboard: str, notes: int) -> None:
    """The same standards: from C, which all of them begin with."""
    played = f"""
[[division]]
id = "all"
name = "All"
keyboard = "{keyboard}"
"""
    player = Hands(read_console(COMPASSES + played + EIGHT_FOOT.format(name="all", channel=1)))
    player.draw("all-8").press(keyboard, *range(LOW_C, LOW_C + notes))
    assert len(player.heard(1)) == notes
    for beyond in (LOW_C - 1, LOW_C + notes):
        with pytest.raises(ValueError, match="has no key"):
            player.press(keyboard, beyond)


# ---------------------------------------------------------------- pistons


def test_generals_control_the_entire_instrument_including_couplers() -> None:
    """American Guild of Organists, online guide, "Pistons": generals affect the entire
    instrument, couplers included; divisionals the stops of a division."""
    console = worked_console()
    ranges = Ranges(console)
    assert ranges.roster.registration(ranges.affects["G1"]) == {c.id for c in console.controls}


def test_divisionals_control_the_stops_of_one_division() -> None:
    """American Guild of Organists, online guide, "Pistons"."""
    console = worked_console(divisional_couplers=DivisionalCouplers.NONE)
    ranges = Ranges(console)
    assert ranges.roster.registration(ranges.affects["GT1"]) == {"a", "b"}
    assert ranges.roster.registration(ranges.affects["PD1"]) == {"c", "d"}


def test_tutti_is_reversible_and_not_set_by_the_player() -> None:
    """American Guild of Organists, online guide, "Tutti": usually a reversible, often set by a
    technician and not by the player."""
    console = worked_console()
    player = Player(console, bank_of(console, WORKED_MEMORY)).do("tab a on", "push FO")
    assert player.sounding == {"a", "b", "c", "d", "x"}
    assert player.do("push FO").sounding == {"a"}
    assert player.do("push SET", "push FO").refused == ["not settable"]


def test_tutti_is_the_louder_of_tutti_and_crescendo() -> None:
    """American Guild of Organists, online guide, "Tutti": with both on, the louder is heard."""
    console = worked_console()
    player = Player(console, bank_of(console, WORKED_MEMORY)).do("push FO", "crescendo to 1")
    assert player.sounding == {"a", "b", "c", "d", "x"}
    quiet = piston("FO", Kind.FULL_ORGAN, sounds=Selection(controls=("a",)))
    others = tuple(p for p in worked_console().pistons if p.id != "FO")
    console = worked_console(pistons=(*others, quiet))
    player = Player(console, bank_of(console, {})).do("push FO", "crescendo to 3")
    assert player.sounding == {"a", "b", "c"}


def test_what_a_general_brings_is_heard_through_its_couplers() -> None:
    """American Guild of Organists, online guide, "Pistons", with a pedal key held: a general
    brings couplers with the stops, a divisional takes its own division's stops and no others."""
    memory = {"G1": "gt-8 pd-16 gt-pd", "GT1": "gt-4"}
    player = Organist(memory=memory).do("key pedal 36", "push G1")
    assert player.on == {("bourdon", 1), ("flute", 13)}
    assert player.do("push GT1").on == {("bourdon", 1), ("flute", 25)}


def test_a_reversible_gives_the_reverse_of_its_controls_present_state() -> None:
    """C. E. Pykett, "Reversible Pistons" (2014): the piston keeps the reverse of its control's
    present state, whatever brought it there, and gives it at the press; with its control it is
    a bistable."""
    console = worked_console()
    player = Player(console, bank_of(console, WORKED_MEMORY))
    for brought_on in ("tab x on", "push GT1", "push RX"):
        player.do("push GC", "tab x off", brought_on)
        assert "x" in player.sounding
        assert "x" not in player.do("push RX").sounding
        assert "x" in player.do("push RX").sounding


@pytest.mark.parametrize("action", [Action.BLIND, Action.LIT, Action.MOVING])
def test_a_reversible_with_keys_held_is_a_bistable(action: Action) -> None:
    """C. E. Pykett, "Reversible Pistons" (2014): two pushes bring back what was, pipes too."""
    player = Organist(action).do("key pedal 36", "push G1")
    before = set(player.on)
    for _ in range(3):
        assert player.do("push R").on == before | {("flute", 13)}
        assert player.do("push R").on == before


# ---------------------------------------------------------------- the wire


def test_velocity_is_64_where_none_is_sensed_and_offs_are_note_offs() -> None:
    """MIDI 1.0 Detailed Specification: velocity 64 where a keyboard senses none, on and off; a
    note off is 8n, and a note on with velocity 0 means the same. We never say it that way."""
    outputs = """
division = [{ id = "great", name = "Great", keyboard = "great", out = { port = "m", channel = 2 } }]
rank = [{ id = "flute", name = "Flute", out = { port = "m", channel = 1 } }]
[[stop]]
id = "flute"
label = "Flute"
division = "great"
rank = "flute"
out = { port = "m", channel = 3, note = 5 }
"""
    player = Hands(read_console(HEAD + KEYBOARDS + outputs))
    moments = [
        player.draw("flute").effects,
        player.press("great", 60).effects,
        player.lift("great", 60).effects,
        player.push_in("flute").effects,
    ]
    messages = [message for effects in moments for _, message in player.wiring.sent(effects)]
    sent = [bytes(message.bytes()) for message in messages]
    assert sent == [
        b"\x92\x05\x40",
        b"\x90\x3c\x40",
        b"\x91\x3c\x40",
        b"\x80\x3c\x40",
        b"\x81\x3c\x40",
        b"\x82\x05\x40",
    ]


def test_a_note_on_with_velocity_0_lets_the_pipe_go() -> None:
    """MIDI 1.0 Detailed Specification: note on with velocity 0 is note off."""
    wired = """
board = [{ id = "keys", pins = 61, in = { port = "console", channel = 1, first-note = 36 } }]
keyboard = [{ id = "great", name = "Great", contacts = "keys.1" }]
division = [{ id = "great", name = "Great", keyboard = "great" }]
rank = [{ id = "flute", name = "Flute" }]
stop = [{ id = "flute", label = "Flute", division = "great", rank = "flute" }]
"""
    console = read_console(HEAD + wired)
    instrument = Instrument(console, bank_of(console, {}))
    instrument.receive(TabMoved("flute", True), 0.5)
    for at, velocity, pipes in ((1.0, 64, {25}), (2.0, 0, set()), (3.0, 1, {25})):
        message = Message("note_on", channel=0, note=MIDDLE_C, velocity=velocity)
        instrument.message(message, at, "console")
        assert instrument.relay.blown("flute") == pipes
