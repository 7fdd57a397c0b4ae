"""What others have published about combination actions, checked against ours.

Each test names its source. What the sources leave open is the contract's to decide.
"""

from combination.model import DivisionalCouplers, Kind, Selection
from combination.ranges import Ranges
from combination.reading import read_console
from tests.consoles import WORKED_MEMORY, Player, bank_of, piston, worked_console


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


def test_standard_compasses_are_the_defaults_or_fit() -> None:
    """American Guild of Organists console standard: manuals of 61 notes, pedalboards of 32;
    the BDO pedalboard (Bund Deutscher Orgelbaumeister) has 30."""
    text = """
format = 1
name = "Mill Lane"
action = "blind"
keyboard = [
    { id = "great", name = "Great" },
    { id = "pedal", name = "Pedal", keys = 32 },
    { id = "short", name = "Pedal", keys = 30 },
]
"""
    great, pedal, short = read_console(text).keyboards
    assert (great.lowest, great.keys, great.lowest + great.keys - 1) == (36, 61, 96)
    assert (pedal.keys, short.keys) == (32, 30)
