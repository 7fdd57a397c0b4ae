"""Supplies and wires, against published values, a walk through time, and the real engine.

The walk is the second model: it goes through the milliseconds one by one, asks of every coil
whether its pulse is on, and adds up. It shares no sum with `combination.electrics`.
"""

import itertools
import math
import random
from collections.abc import Iterable, Sequence

import pytest
from attrs import evolve
from hypothesis import given, settings
from hypothesis import strategies as st

from combination.action import CombinationAction
from combination.effects import Effect, OutputsOff, OutputsOn, TabsDriven, TabsRested
from combination.electrics import (
    Carries,
    Driving,
    Electrics,
    Fault,
    Lamps,
    Lit,
    Magnets,
    Other,
    Strip,
    Supply,
    Tabs,
    Wire,
    area_of,
    best_drive,
    demands_of,
    diameter_of,
    driving,
    faults_of,
    gauge_text,
    largest_fuse,
    most_lines,
    most_pipes,
    supply_loads,
    wire_loads,
)
from combination.events import KeyMoved, PistonPressed, PistonReleased, TabMoved, TransposerMoved
from combination.memory import Combination, Slot, fresh_bank
from combination.model import (
    Action,
    Console,
    Contact,
    Coupler,
    Crescendo,
    Division,
    Drive,
    Keyboard,
    Kind,
    Rank,
    Transposer,
)
from combination.organ import Organ
from combination.pitch import parse_pitch
from tests.consoles import piston, stop, worked_console

Amps = Sequence[float]


def console_of(
    tabs: int, drive: Drive, generals: int = 1, action: Action = Action.MOVING
) -> Console:
    return worked_console(
        action,
        stops=tuple(stop(f"s{n}", "great", contact=Contact(f"r.{n + 1}")) for n in range(tabs)),
        couplers=(),
        crescendo=Crescendo(),
        pistons=tuple(piston(f"g{n}", Kind.GENERAL) for n in range(generals)),
        drive=drive,
    )


def electrics_of(amps: Amps, rated: float = 1e6, standing: float = 0.0) -> Electrics:
    """One supply, and a table of tabs for each tab with its own amps."""
    return Electrics(
        format=1,
        supplies=(Supply("a", 12.0, rated, fuse=rated),),
        tabs=tuple(
            Tabs(id=f"t{n}", supply="a", amps=each, controls=(f"s{n}",))
            for n, each in enumerate(amps)
        ),
        others=(Other(id="o", supply="a", amps=standing),) if standing else (),
    )


def worked_out(electrics: Electrics, console: Console, drive: Drive | None = None) -> Driving:
    loads = supply_loads(electrics, console, demands_of(electrics, console))
    return driving(console, loads, drive or console.drive)


def found_in(electrics: Electrics, console: Console | None = None) -> list[Fault]:
    console = console or console_of(0, Drive(), action=Action.BLIND)
    demands = demands_of(electrics, console)
    now = driving(console, supply_loads(electrics, console, demands), console.drive)
    return list(faults_of(electrics, console, now, wire_loads(electrics, demands, now)))


# ---------------------------------------------------------------- S15: ASTM B258


@pytest.mark.parametrize(
    ("gauge", "millimetres"),
    [(-3, 11.684), (0, 8.251), (10, 2.588), (14, 1.628), (22, 0.644), (26, 0.405), (28, 0.321)],
)
def test_s15_diameters_of_astm_b258(gauge: int, millimetres: float) -> None:
    """The table of ASTM B258, to the three places that are printed; values from memory."""
    assert diameter_of(gauge) == pytest.approx(millimetres, abs=0.0006)


def test_s15_the_two_gauges_that_define_the_rest() -> None:
    assert diameter_of(36) == pytest.approx(0.127, abs=1e-12)
    assert diameter_of(-3) == pytest.approx(11.684, abs=1e-9)
    assert (gauge_text(-3), gauge_text(0), gauge_text(26)) == ("4/0 AWG", "1/0 AWG", "26 AWG")


def test_s15_three_gauges_thinner_is_half_the_area() -> None:
    """A rule of the trade, within a percent."""
    assert area_of(23) / area_of(26) == pytest.approx(2, rel=0.01)


def test_a_length_of_wire_has_the_resistance_of_the_tables() -> None:
    """14 AWG is 8.28 ohms a kilometre at 20 °C in wire tables, from memory: 10 m there and back
    at 5 A lose 0.83 V."""
    wire = Wire(id="w", of="o", carries=Carries.FEED, metres=10, gauge=14)
    electrics = Electrics(
        format=1,
        supplies=(Supply("a", 12.0, 15, fuse=15),),
        others=(Other(id="o", supply="a", amps=5),),
        wires=(wire,),
    )
    console = console_of(0, Drive(), action=Action.BLIND)
    now = worked_out(electrics, console)
    (load,) = wire_loads(electrics, demands_of(electrics, console), now)
    assert load.drop == pytest.approx(5 * 20 * 8.28e-3, rel=0.003)
    assert load.percent == pytest.approx(100 * load.drop / 12)
    assert load.left == pytest.approx(12 - load.drop)


# ---------------------------------------------------------------- S14: NFPA 70, Article 650


def wired(wire: Wire, volts: float = 12.0, fuse: float = 5.0, *more: Wire) -> list[str]:
    """What there is to say about one wire on a supply with a coil, a lamp and a board."""
    electrics = Electrics(
        format=1,
        supplies=(Supply("a", volts, 20, fuse=fuse),),
        tabs=(Tabs(id="tabs", supply="a", amps=0.2),),
        others=(Other(id="board", supply="a", amps=0.1),),
        wires=(wire, *more),
    )
    return [
        f"{fault.what}: {fault.message}" for fault in found_in(electrics, console_of(1, Drive()))
    ]


@pytest.mark.parametrize(("volts", "fits"), [(30.0, True), (30.1, False)])
def test_s14_a_supply_has_at_most_30_volts(volts: float, fits: bool) -> None:
    found = found_in(Electrics(format=1, supplies=(Supply("a", volts, 20, fuse=20),)))
    assert [fault.source for fault in found] == ([] if fits else ["NFPA 70, Article 650"])


@pytest.mark.parametrize(
    ("of", "carries", "thinnest", "use"),
    [
        ("a", Carries.SIGNAL, 28, "electronic signal circuits"),
        ("tabs", Carries.ONE, 26, "magnets"),
        ("a", Carries.RETURN, 14, "the common return"),
        ("tabs", Carries.RETURN, 14, "the common return"),
        ("board", Carries.ONE, 28, "any wire of an organ"),
        ("tabs", Carries.FEED, 28, "any wire of an organ"),
    ],
)
def test_s14_the_thinnest_wires(of: str, carries: Carries, thinnest: int, use: str) -> None:
    def said(gauge: int) -> list[str]:
        amps = 0.01 if carries is Carries.SIGNAL else None
        return wired(Wire(id="w", of=of, carries=carries, metres=0.1, gauge=gauge, amps=amps))

    assert said(thinnest) == []
    thin = thinnest + 1
    message = f"wire w: {thin} AWG is thinner than {thinnest} AWG, the least for {use}"
    assert said(thin) == [message]


@pytest.mark.parametrize("gauge", [26, 28])
def test_s14_thin_wires_are_fused_at_6_amps_at_most(gauge: int) -> None:
    wire = Wire(id="w", of="a", carries=Carries.SIGNAL, metres=0.1, gauge=gauge, amps=0.01, fuse=6)
    assert wired(wire) == []
    too_much = f"wire w: its fuse of 6.3 A is more than 6 A for {gauge} AWG"
    assert wired(evolve(wire, fuse=6.3)) == [too_much]
    by_supply = wired(evolve(wire, fuse=None), 12.0, 7.0)
    assert by_supply == [f"wire w: its supply's fuse of 7 A is more than 6 A for {gauge} AWG"]


@pytest.mark.parametrize(("mm2", "fits"), [(0.08, True), (0.07, False)])
def test_areas_are_taken_as_they_are_printed(mm2: float, fits: bool) -> None:
    wire = Wire(id="w", of="a", carries=Carries.SIGNAL, metres=0.1, mm2=mm2, amps=0.01)
    assert (wired(wire) == []) is fits


def test_no_thicker_wire_has_a_smaller_fuse() -> None:
    limits = [largest_fuse(area_of(gauge))[0] for gauge in range(40, -4, -1)]
    assert limits == sorted(limits)
    assert [largest_fuse(area_of(gauge))[0] for gauge in (24, 18, 14, 12)] == [6, 7, 15, 20]


# ---------------------------------------------------------------- fuses and wires


def test_a_supply_without_a_fuse_is_a_finding_and_so_is_its_wire() -> None:
    electrics = Electrics(
        format=1,
        supplies=(Supply("a", 12.0, 20),),
        wires=(Wire(id="w", of="a", carries=Carries.RETURN, metres=1, gauge=10),),
    )
    assert [(fault.what, fault.source) for fault in found_in(electrics)] == [
        ("supply a", "common practice"),
        ("wire w", "NFPA 70, 240.4(D) and table 310.16 at 60 °C, from memory"),
    ]


@pytest.mark.parametrize(
    ("fuse", "amps", "said"),
    [
        (20, 20, []),
        (21, 20, ["its fuse of 21 A is more than the 20 A of its rating"]),
        (20, 21, ["is asked for 21.00 A and rated at 20 A"]),
        (10, 11, ["is asked for 11.00 A by a fuse of 10 A"]),
    ],
)
def test_fuses_of_supplies(fuse: float, amps: float, said: list[str]) -> None:
    electrics = Electrics(
        format=1,
        supplies=(Supply("a", 12.0, 20, fuse=fuse),),
        others=(Other(id="o", supply="a", amps=amps),),
    )
    assert [fault.message for fault in found_in(electrics)] == said


def test_fuses_and_currents_of_wires() -> None:
    electrics = Electrics(
        format=1,
        supplies=(Supply("a", 24.0, 12, fuse=12),),
        others=(Other(id="o", supply="a", amps=11),),
        wires=(
            Wire(id="large", of="o", carries=Carries.FEED, metres=1, gauge=10, fuse=15),
            Wire(id="small", of="o", carries=Carries.FEED, metres=1, gauge=10, fuse=10),
            Wire(id="thin", of="o", carries=Carries.FEED, metres=1, gauge=16),
            Wire(id="long", of="o", carries=Carries.FEED, metres=100, gauge=10),
        ),
    )
    assert [(fault.what, fault.message) for fault in found_in(electrics)] == [
        ("wire large", "its fuse of 15 A is more than its supply's 12 A"),
        ("wire small", "carries 11.00 A by a fuse of 10 A"),
        ("wire thin", "its supply's fuse of 12 A is more than 10 A for 16 AWG"),
        ("wire thin", "carries 11.00 A, and 16 AWG is for 10 A"),
        ("wire long", "loses 30.0 % of 24 V there and back; 5 % is the most"),
    ]


def test_what_comes_back_by_a_common_return_loses_there_what_all_of_it_does() -> None:
    """One coil of 0.2 A by 1 m of 26 AWG, back with 10 A by 1 m of 14 AWG."""
    electrics = Electrics(
        format=1,
        supplies=(Supply("a", 12.0, 15, fuse=15),),
        others=(Other(id="o", supply="a", amps=0.2, count=50),),
        wires=(
            Wire(id="w", of="o", carries=Carries.ONE, metres=1, gauge=26, fuse=5, back="back"),
            Wire(id="back", of="a", carries=Carries.RETURN, metres=1, gauge=14),
        ),
    )
    console = console_of(0, Drive(), action=Action.BLIND)
    one, back = wire_loads(
        electrics, demands_of(electrics, console), worked_out(electrics, console)
    )
    there = 0.2 * 1.724e-8 / (math.pi / 4 * 0.40492e-3**2)
    home = 10 * 1.724e-8 / (math.pi / 4 * 1.6277e-3**2)
    assert one.drop == pytest.approx(there + home, rel=1e-3)
    assert back.drop == pytest.approx(2 * home, rel=1e-3)


def test_a_driven_tab_that_nothing_feeds_is_a_finding() -> None:
    electrics = electrics_of([0.5])
    (fault,) = found_in(electrics, console_of(3, Drive()))
    assert fault.message == "no table says what feeds 2 of 3: s1, s2"


# ---------------------------------------------------------------- what may be on at once


def test_lamps_strips_and_the_rest() -> None:
    console = console_of(3, Drive(), action=Action.LIT)
    electrics = Electrics(
        format=1,
        supplies=(Supply("a", 12.0, 20, fuse=20),),
        lamps=(Lamps(id="l", supply="a", watts=0.6),),
        strips=(
            Strip(id="s", supply="a", watts_per_metre=4.8, metres=2.5),
            Strip(id="t", supply="a", watts=6),
        ),
        others=(Other(id="o", supply="a", watts=24, count=2),),
        magnets=(Magnets(id="m", supply="a", ohms=24, controls=("s0", "s1")),),
    )
    demands = {demand.load.id: demand for demand in demands_of(electrics, console)}
    assert demands["l"].count == 3, "every control of a lit action"
    assert {name: demand.amps for name, demand in demands.items()} == pytest.approx(
        {"m": 1.0, "l": 0.15, "s": 1.0, "t": 0.5, "o": 4.0}
    )
    lit = Lamps(id="l", supply="a", watts=0.6, of=(Lit.PISTONS,))
    assert demands_of(evolve(electrics, lamps=(lit,)), console)[1].count == 0


RANKS = (Rank("flute", "Flute", pipes=85), Rank("reed", "Reed", pipes=20, first_key=40))


def sounding_console(
    pitches: Iterable[tuple[str, str]], shifts: Iterable[int], transposer: bool
) -> Console:
    stops = tuple(
        stop(f"s{n}", "great", rank=rank, pitch=parse_pitch(pitch), contact=Contact(f"r.{n + 1}"))
        for n, (rank, pitch) in enumerate(pitches)
    )
    couplers = tuple(
        Coupler(
            id=f"c{n}",
            label=("c",),
            keys="great",
            plays="great",
            shift=shift,
            contact=Contact(f"c.{n + 1}"),
        )
        for n, shift in enumerate(shifts)
    )
    return worked_console(
        Action.BLIND,
        keyboards=(Keyboard("great", "Great", keys=8),),
        divisions=(Division("great", "Great", "great", lines=20),),
        ranks=RANKS,
        stops=stops,
        couplers=couplers,
        crescendo=Crescendo(),
        pistons=(piston("g", Kind.GENERAL),),
        transposer=Transposer(up=Contact("t.1"), down=Contact("t.2"))
        if transposer
        else Transposer(),
    )


def on_at_once(console: Console, keys: Iterable[int], place: int) -> dict[str, int]:
    """How many pipes of each rank the relay turns on for these keys."""
    organ = Organ(console, fresh_bank(console))
    told: list[Effect] = organ.receive(TransposerMoved(place), 0.0) if place else []
    for control in console.controls:
        told += organ.receive(TabMoved(control.id, True), 0.0)
    for key in keys:
        told += organ.receive(KeyMoved("great", key, True), 0.0)
    pipes: dict[str, set[int]] = {rank.id: set() for rank in console.ranks}
    for effect in told:
        if isinstance(effect, OutputsOn | OutputsOff):
            for rank, numbers in effect.pipes:
                if isinstance(effect, OutputsOn):
                    pipes[rank] |= set(numbers)
                else:
                    pipes[rank] -= set(numbers)
    return {rank: len(on) for rank, on in pipes.items()}


@settings(max_examples=10, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from(["flute", "reed"]), st.sampled_from(["16", "8", "4", "2 2/3"])),
        min_size=1,
        max_size=4,
    ),
    st.lists(st.sampled_from([-12, 0, 5, 12]), max_size=2, unique=True),
    st.booleans(),
    st.integers(1, 3),
)
def test_no_chord_that_the_relay_plays_calls_more_pipes(
    pitches: list[tuple[str, str]], shifts: list[int], transposer: bool, notes: int
) -> None:
    console = sounding_console(pitches, shifts, transposer)
    most = most_pipes(console, notes)
    single = dict.fromkeys(most, 0)
    for place in (-6, 0, 6) if transposer else (0,):
        for chord in itertools.combinations(range(36, 44), notes):
            on = on_at_once(console, chord, place)
            assert all(on[rank] <= most[rank] for rank in on)
            single = {rank: max(single[rank], on[rank]) for rank in on}
    if notes == 1 and not transposer:
        assert single == most, "of one key the count is exact"


@pytest.mark.parametrize(
    ("pitches", "shifts", "pipes", "lines"),
    [
        ([("flute", "8")], [], 12, 12),
        ([("flute", "8"), ("flute", "8")], [], 12, 12),
        ([("flute", "8"), ("flute", "4")], [], 24, 12),
        ([("flute", "8"), ("flute", "4")], [12], 36, 24),
        ([("flute", "8"), ("flute", "4"), ("flute", "2")], [7, 12], 84, 36),
        ([("flute", "8"), ("flute", "4"), ("flute", "2")], [5, 7, 12], 85, 48),
    ],
)
def test_twelve_notes(
    pitches: list[tuple[str, str]], shifts: list[int], pipes: int, lines: int
) -> None:
    """Twelve keys of two unified stops call 24 pipes, with the octave coupler 36, since 8' an
    octave up and 4' are the same pipes; and never more than the rank has."""
    console = evolve(
        sounding_console(pitches, shifts, False),
        keyboards=(Keyboard("great", "Great"),),
        divisions=(Division("great", "Great", "great", lines=73),),
    )
    assert most_pipes(console, 12)["flute"] == pipes
    assert most_lines(console, 12)["great"] == lines


@pytest.mark.parametrize("transposer", [False, True])
def test_no_more_keys_go_down_than_there_are(transposer: bool) -> None:
    """Eight keys, wherever the transposer puts them."""
    assert most_lines(sounding_console([], [], transposer), 12)["great"] == 8


# ---------------------------------------------------------------- a walk through time


def walk(moved: Amps, pulse: int, group: int | None, gap: int) -> tuple[float, float, int, int]:
    """Peak amps, ampere-seconds, when the last tab begins and when it ends, in milliseconds.

    ``moved`` are the amps of the tabs in the order of their pulses; ``pulse`` and ``gap`` are in
    milliseconds.
    """
    starts = []
    place = now = 0
    for _ in moved:
        if group is not None and place == group:
            place, now = 0, now + gap
        starts.append(now)
        place += 1
    peak = charge = 0.0
    for millisecond in range(max(starts, default=0) + pulse + 1):
        amps = 0.0
        for start, each in zip(starts, moved, strict=True):
            if start <= millisecond < start + pulse:
                amps += each
        peak = max(peak, amps)
        charge += amps * 0.001
    return peak, charge, max(starts, default=0), max(starts, default=-pulse) + pulse


amps_of_tabs = st.lists(st.sampled_from([0.2, 0.5, 0.8, 1.3]), min_size=1, max_size=30)
groups = st.none() | st.integers(1, 32)


@st.composite
def drives(draw: st.DrawFn) -> tuple[Drive, int, int | None, int]:
    """A way of driving, and the same in milliseconds; gaps that divide the pulse among them."""
    pulse = draw(st.integers(4, 60))
    part = draw(st.sampled_from([1, 2, 3, 4, 5]))
    gap = draw(st.none() | st.integers(0, 90) | st.just(pulse // part))
    if gap == pulse // part and pulse % part == 0:
        pulse = gap * part
    group = draw(groups)
    drive = Drive(pulse=pulse / 1000, group=group, gap=None if gap is None else gap / 1000)
    return drive, pulse, group, pulse if gap is None else gap


@settings(max_examples=40, deadline=None)
@given(amps_of_tabs, drives())
def test_a_general_that_moves_every_tab_as_in_a_walk_through_time(
    amps: list[float], how: tuple[Drive, int, int | None, int]
) -> None:
    drive, pulse, group, gap = how
    found = worked_out(electrics_of(amps), console_of(len(amps), drive))
    peak, charge, begins, ends = walk(amps, pulse, group, gap)
    (moment,) = found.moments
    assert moment.general == pytest.approx(peak)
    assert moment.coulombs == pytest.approx(charge)
    assert (found.begins, found.ends) == pytest.approx((begins / 1000, ends / 1000))
    assert moment.peak >= peak - 1e-9


def test_a_pulse_that_ends_as_another_begins_does_not_overlap_it() -> None:
    """In floating point 0.033 / 0.011 is more than 3."""
    assert 0.033 / 0.011 > 3
    drive = Drive(pulse=0.033, group=1, gap=0.011)
    assert worked_out(electrics_of([1.0] * 9), console_of(9, drive)).at_once == 3


def test_what_no_general_moves_is_not_in_its_time_but_may_be_in_the_peak() -> None:
    """A reversible can move it while the general's last group has current."""
    console = console_of(4, Drive(group=1))
    held = tuple(evolve(each, captured=each.id != "s3") for each in console.stops)
    found = worked_out(electrics_of([1.0, 1.0, 1.0, 5.0]), evolve(console, stops=held))
    (moment,) = found.moments
    assert (found.begins, found.ends) == pytest.approx((0.2, 0.3))
    assert (moment.general, moment.peak) == pytest.approx((1.0, 5.0))
    assert moment.coulombs == pytest.approx(0.3)


def pushes(amps: Amps) -> Iterable[Amps]:
    """The tabs of every push that there can be."""
    for bits in range(1 << len(amps)):
        yield [each for place, each in enumerate(amps) if bits >> place & 1]


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.sampled_from([0.2, 0.5, 0.8, 1.3]), min_size=1, max_size=6),
    drives(),
    st.sampled_from([0.0, 0.4]),
)
def test_the_peak_is_that_of_the_push_that_takes_most(
    amps: list[float], how: tuple[Drive, int, int | None, int], standing: float
) -> None:
    drive, pulse, group, gap = how
    found = worked_out(electrics_of(amps, standing=standing), console_of(len(amps), drive))
    (moment,) = found.moments
    most = max(walk(push, pulse, group, gap)[0] for push in pushes(amps))
    assert moment.peak == pytest.approx(most + standing)
    assert moment.standing == pytest.approx(standing * found.ends)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.sampled_from([0.2, 0.5, 0.8, 1.3]), min_size=1, max_size=5),
    st.integers(1, 45),
    st.sampled_from([0.0, 0.4]),
)
def test_the_proposal_is_the_best_there_is(amps: list[float], tenths: int, standing: float) -> None:
    """By brute force: of all groups and gaps, over all pushes, none that the supply bears is larger
    or has its last tab sooner, and the proposal is borne."""
    pulse, rated = 12, tenths / 10
    console = console_of(len(amps), Drive(pulse=pulse / 1000))
    electrics = electrics_of(amps, rated, standing)
    best = best_drive(console, supply_loads(electrics, console, demands_of(electrics, console)))

    def borne(group: int, gap: int) -> bool:
        peaks = (walk(push, pulse, group, gap)[0] for push in pushes(amps))
        return max(peaks) + standing <= rated + 1e-6

    sizes = range(1, len(amps) + 1)
    largest = max((group for group in sizes if borne(group, pulse)), default=0)
    if best is None:
        assert largest == 0
        return
    assert (best.group or len(amps)) == largest
    assert best.spacing == best.pulse
    proposed = worked_out(electrics, console, best)
    assert proposed.is_borne
    soonest = min(
        walk(amps, pulse, group, gap)[2]
        for group in sizes
        for gap in (1, 2, 3, 4, 6, 12, 15)
        if borne(group, gap)
    )
    assert proposed.begins == pytest.approx(soonest / 1000)


def test_groups_are_as_large_as_the_weakest_supply_bears() -> None:
    """A group counts the tabs of both supplies, whichever they are on."""
    console = console_of(8, Drive())
    electrics = Electrics(
        format=1,
        supplies=(Supply("a", 12.0, 3.1, fuse=5), Supply("b", 12.0, 100, fuse=2)),
        tabs=(
            Tabs(id="t", supply="a", amps=1.0, controls=("s0", "s1", "s2", "s3", "s4")),
            Tabs(id="u", supply="b", ohms=12.0),
        ),
    )
    loads = supply_loads(electrics, console, demands_of(electrics, console))
    best = best_drive(console, loads)
    assert best is not None
    assert best.group == 2, "b has a fuse of 2 A"
    assert best_drive(console, loads[:1]) == Drive(group=3)
    enough = [evolve(load, supply=evolve(load.supply, amps=9, fuse=9)) for load in loads]
    assert best_drive(console, enough) == Drive(group=None)
    none = [evolve(load, standing=100.0) for load in loads]
    assert best_drive(console, none) is None


# ---------------------------------------------------------------- the real engine


def current(told: Iterable[tuple[float, Effect]], amps: Amps) -> tuple[float, float]:
    """The peak of the coils' current and its charge, from what the engine says of them.

    What begins and ends within a microsecond of one another is at one time: times are sums of
    floating point numbers. A pulse that ends then has ended.
    """
    moves = []
    for at, effect in told:
        if isinstance(effect, TabsDriven | TabsRested):
            sign = 1 if isinstance(effect, TabsDriven) else -1
            tabs = (*effect.on, *effect.off)
            moves.append((round(at, 6), sign, sum(amps[int(name[1:])] for name in tabs)))
    now = peak = charge = before = 0.0
    for at, sign, amount in sorted(moves):
        charge += now * (at - before)
        now, before = now + sign * amount, at
        peak = max(peak, now)
    assert now == pytest.approx(0, abs=1e-9)
    return peak, charge


def engine_told(
    console: Console, combinations: Sequence[int], presses: Iterable[tuple[float, int]], rail: int
) -> list[tuple[float, Effect]]:
    """Every effect of these presses of generals, with the tabs standing as in ``rail`` before."""
    bank = fresh_bank(console)
    for number, bits in enumerate(combinations):
        bank.put(Slot(f"g{number}", 1), Combination(bits))
    action = CombinationAction(console, bank)
    for place, control in enumerate(console.controls):
        if rail >> place & 1:
            action.receive(TabMoved(control.id, True), 0.0)
    told: list[tuple[float, Effect]] = []
    last = 1.0
    for pause, number in presses:
        last += pause
        while (due := action.next_due) is not None and due <= last:
            told += [(due, effect) for effect in action.tick(due)]
        for event in (PistonPressed(f"g{number}"), PistonReleased(f"g{number}")):
            told += [(last, effect) for effect in action.receive(event, last)]
    while (due := action.next_due) is not None:
        told += [(due, effect) for effect in action.tick(due)]
    return told


@settings(max_examples=40, deadline=None)
@given(amps_of_tabs, drives(), st.randoms(use_true_random=False))
def test_a_general_that_moves_every_tab_as_the_engine_drives_it(
    amps: list[float], how: tuple[Drive, int, int | None, int], dice: random.Random
) -> None:
    """Some tabs go on and the others off: each has current in one coil, and all are moved."""
    drive = how[0]
    console = console_of(len(amps), drive)
    rail = dice.getrandbits(len(amps))
    told = engine_told(console, [~rail & (1 << len(amps)) - 1], [(0.0, 0)], rail)
    peak, charge = current(told, amps)
    found = worked_out(electrics_of(amps), console)
    (moment,) = found.moments
    assert moment.general == pytest.approx(peak)
    assert moment.coulombs == pytest.approx(charge, rel=1e-3)
    begun = [at for at, effect in told if isinstance(effect, TabsDriven)]
    assert found.begins == pytest.approx(max(begun) - 1.0, abs=1e-6)


@settings(max_examples=40, deadline=None)
@given(
    amps_of_tabs,
    drives(),
    st.lists(st.integers(0, 2**30 - 1), min_size=3, max_size=3),
    st.lists(st.tuples(st.sampled_from([0.001, 0.01, 0.03, 0.2]), st.integers(0, 2)), max_size=12),
)
def test_no_player_gets_more_from_the_supply(
    amps: list[float],
    how: tuple[Drive, int, int | None, int],
    combinations: list[int],
    presses: list[tuple[float, int]],
) -> None:
    console = console_of(len(amps), how[0], generals=3)
    held = [bits & (1 << len(amps)) - 1 for bits in combinations]
    peak, _ = current(engine_told(console, held, presses, 0), amps)
    assert peak <= worked_out(electrics_of(amps), console).moments[0].peak + 1e-9
