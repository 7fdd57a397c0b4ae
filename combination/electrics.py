"""What a console's supplies, coils, lamps and wires are asked for, and what they can bear.

The classes are the tables of an electrics file, as those of `combination.model` are of the console
file; the sums below them find the worst moment of each supply, how tabs may be driven within it,
and what a wire loses. How the file is read and how all of this is told is not known here. It is
arithmetic from what somebody measured: it replaces no electrician.
"""

import math
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence, Set
from enum import StrEnum
from heapq import nlargest
from itertools import islice

from attrs import evolve, frozen

from combination.bits import numbers_of
from combination.compass import is_transposed, lines_of
from combination.model import (
    HIGHEST_TRANSPOSED,
    Action,
    Console,
    Control,
    Division,
    Drive,
    Percussion,
    Stop,
    word,
)
from combination.pipes import reached_by

NOTES_AT_ONCE = 12
"""The fullest chord that one organist holds: ten fingers and two feet (common practice)."""
LARGEST_DROP = 5.0
"""Percent of a supply's volts that a wire may lose, there and back (common practice)."""
COPPER = 1.724e-8
"""Ohm metres at 20 °C: annealed copper of 100 % IACS (IEC 60028)."""
HIGHEST_VOLTS = 30.0
"""Of a listed DC supply for an organ (NFPA 70, Article 650; sources.md S14)."""
THINNEST_FOR_SIGNALS = 28
THINNEST_FOR_MAGNETS = 26
THINNEST_FOR_RETURNS = 14
"""AWG, of electronic signal circuits, magnets, and the common return (S14)."""
ARTICLE = "NFPA 70, Article 650"
SMALL = "NFPA 70, 240.4(D) and table 310.16 at 60 °C, from memory"
USUAL = "common practice"

LARGEST_FUSES = (
    *((4, 70.0), (6, 55.0), (8, 40.0)),
    *((10, 30.0), (12, 20.0), (14, 15.0), (16, 10.0), (18, 7.0)),
    (28, 6.0),
)
"""The largest fuse, in amps, of wires at least so thick (AWG), thickest first.

28 is S14's; it says the same of 26, and those up to 18, of which none is named, are held to it. The
others are NFPA 70's 240.4(D) and, from 8 on, the column of table 310.16 for 60 °C, from memory.
"""
AS_PRINTED = 0.98
"""Areas are printed to two figures: 0.08 mm² is what a catalogue calls 28 AWG, which has 0.081."""
A_TRIFLE = 1e-9
"""Amps, and parts of a pulse, by which sums of rounded numbers may miss one another."""


# ---------------------------------------------------------------- the tables of the file


class Carries(StrEnum):
    """Whose current a wire carries."""

    ONE = "one"
    FEED = "feed"
    RETURN = "return"
    SIGNAL = "signal"


class Lit(StrEnum):
    """What has lamps."""

    CONTROLS = "controls"
    PISTONS = "pistons"


@frozen
class Supply:
    """A DC supply: its volts, the amps that it is rated at, and the amps of its fuse."""

    id: str
    volts: float
    amps: float
    name: str = ""
    fuse: float | None = None


@frozen(kw_only=True)
class Load:
    """Something that a supply feeds."""

    id: str
    supply: str
    name: str = ""

    @property
    def called(self) -> str:
        """Its name, or else its id."""
        return self.name or self.id


@frozen(kw_only=True)
class Tabs(Load):
    """Pairs of magnets that move tabs: the amps or the ohms of one coil, and of which tabs.

    Without ``controls``, of every driven tab that no other table has.
    """

    amps: float | None = None
    ohms: float | None = None
    controls: tuple[str, ...] = ()


@frozen(kw_only=True)
class Lamps(Load):
    """The lamps of controls, of pistons, or of both: the watts of each."""

    watts: float
    of: tuple[Lit, ...] = (Lit.CONTROLS, Lit.PISTONS)


@frozen(kw_only=True)
class Strip(Load):
    """A light strip: its watts, or how many a metre and how many metres."""

    watts: float | None = None
    watts_per_metre: float | None = None
    metres: float | None = None


@frozen(kw_only=True)
class Magnets(Load):
    """Coils that sound: the amps or ohms of one, and which ranks, lines or controls have them.

    Chest magnets and percussion solenoids are a rank's, note relays a division's, the solenoids of
    traps and effects those of a control.
    """

    amps: float | None = None
    ohms: float | None = None
    ranks: tuple[str, ...] = ()
    divisions: tuple[str, ...] = ()
    controls: tuple[str, ...] = ()


@frozen(kw_only=True)
class Other(Load):
    """Anything else, so many of it, on all the time: the amps or watts of one."""

    amps: float | None = None
    watts: float | None = None
    count: int = 1


@frozen(kw_only=True)
class Wire:
    """A wire: what it goes to, whose current it carries, how thick and how long it is.

    ``of`` is a supply or a load, ``metres`` one way, ``fuse`` the amps of the one that protects
    it (else its supply's), ``back`` the wire by which its current comes back (else one like it),
    ``amps`` what a signal takes.
    """

    id: str
    of: str
    carries: Carries
    metres: float
    gauge: int | None = None
    mm2: float | None = None
    name: str = ""
    fuse: float | None = None
    amps: float | None = None
    back: str | None = word("return", default=None)

    @property
    def called(self) -> str:
        """Its name, or else its id."""
        return self.name or self.id

    @property
    def area(self) -> float:
        """Of its copper, in mm²: as given, or by its gauge. Exactly one of them is given."""
        return self.mm2 if self.mm2 is not None else area_of(self.gauge or 0)

    @property
    def thickness(self) -> str:
        """As the file has it: ``26 AWG``, ``2.5 mm²``."""
        return f"{self.mm2:g} mm²" if self.mm2 is not None else gauge_text(self.gauge or 0)


@frozen(kw_only=True)
class Electrics:
    """A whole electrics file: supplies, what they feed, and wires."""

    format: int
    notes_at_once: int = NOTES_AT_ONCE
    largest_drop: float = LARGEST_DROP
    supplies: tuple[Supply, ...] = word("supply", default=())
    tabs: tuple[Tabs, ...] = ()
    lamps: tuple[Lamps, ...] = ()
    strips: tuple[Strip, ...] = word("strip", default=())
    magnets: tuple[Magnets, ...] = ()
    others: tuple[Other, ...] = word("other", default=())
    wires: tuple[Wire, ...] = word("wire", default=())

    @property
    def loads(self) -> tuple[Load, ...]:
        """All that supplies feed, kind by kind."""
        return (*self.tabs, *self.magnets, *self.lamps, *self.strips, *self.others)


# ---------------------------------------------------------------- wire


def diameter_of(gauge: int) -> float:
    """Millimetres, of a wire of this AWG; 0 is 1/0, -3 is 4/0 (ASTM B258; sources.md S15)."""
    return float(0.127 * 92 ** ((36 - gauge) / 39))


def area_of(gauge: int) -> float:
    """Square millimetres, of a solid wire of this AWG."""
    return math.pi / 4 * diameter_of(gauge) ** 2


def gauge_text(gauge: int) -> str:
    """A gauge as it is written: ``26 AWG``; 0 and below, ``1/0 AWG`` to ``4/0 AWG``."""
    return f"{gauge} AWG" if gauge > 0 else f"{1 - gauge}/0 AWG"


def is_at_least(area: float, gauge: int) -> bool:
    """Whether so many mm² are as thick as this AWG, taken as they are printed."""
    return area >= AS_PRINTED * area_of(gauge)


def largest_fuse(area: float) -> tuple[float, str]:
    """The largest fuse (amps) of a wire of so many mm², and the source: see `LARGEST_FUSES`."""
    for gauge, amps in LARGEST_FUSES:
        if is_at_least(area, gauge):
            return amps, ARTICLE if gauge == THINNEST_FOR_SIGNALS else SMALL
    return LARGEST_FUSES[-1][1], ARTICLE


def ohms_of(area: float, metres: float) -> float:
    """Of so many mm² and metres of copper, one way, at 20 °C."""
    return COPPER * metres / (area * 1e-6)


# ---------------------------------------------------------------- how tabs are driven


def overlapping(drive: Drive, tabs: int) -> int:
    """How many groups have current at once, at most, where so many tabs are driven.

    A pulse that ends as another begins does not overlap it: coils are rested first.
    """
    if drive.group is None:
        return 1
    groups = max(1, math.ceil(tabs / drive.group))
    if drive.spacing * groups <= drive.pulse:
        return groups
    return min(groups, math.ceil(drive.pulse / drive.spacing - A_TRIFLE))


def at_once(drive: Drive, tabs: int) -> int:
    """How many of so many tabs have current at once, at most, however pistons are pressed."""
    return tabs if drive.group is None else min(tabs, drive.group * overlapping(drive, tabs))


def last_begins(drive: Drive, tabs: int) -> float:
    """Seconds from the press that moves so many tabs until the last of them has its pulse."""
    if drive.group is None or not tabs:
        return 0.0
    return (math.ceil(tabs / drive.group) - 1) * drive.spacing


def driven_of(console: Console) -> tuple[Control, ...]:
    """The controls that a moving action drives, in rail order: all, until the first has a pin."""
    if console.action is not Action.MOVING:
        return ()
    return tuple(c for c in console.controls if c.drive_on) or console.controls


def moved_by_a_general(console: Console) -> tuple[Control, ...]:
    """The controls that a general which moves every tab pulses, in the order of its groups."""
    if console.action is not Action.MOVING:
        return ()
    return tuple(control for control in console.controls if control.captured)


# ---------------------------------------------------------------- what may be on at once


def most_pipes(console: Console, notes: int) -> dict[str, int]:
    """By rank: how many of its pipes so many keys can call at once, at most.

    With every stop and coupler drawn and no unison off, wherever the transposer stands: the keys
    that call most of the rank are counted, each pipe as often as it is called, up to as many pipes
    as there are. No chord of so many keys calls more; many call less.
    """
    calls = _calls(console)

    def pipes(lines: _Lines) -> dict[str, int]:
        called: dict[str, int] = {}
        for line in lines:
            for rank, bits in calls.get(line, {}).items():
                called[rank] = called.get(rank, 0) | bits
        return {rank: bits.bit_count() for rank, bits in called.items()}

    most = _most(console, notes, pipes)
    return {rank.id: min(most.get(rank.id, 0), rank.pipes) for rank in console.ranks}


def most_lines(console: Console, notes: int) -> dict[str, int]:
    """By division: how many of its lines so many keys can play at once, at most: as for pipes."""
    most = _most(console, notes, lambda lines: Counter(division for division, _ in lines))
    return {d.id: min(most.get(d.id, 0), len(lines_of(console, d))) for d in console.divisions}


_Lines = Set[tuple[str, int]]
"""Lines, each by its division and its number."""


def _calls(console: Console) -> dict[tuple[str, int], dict[str, int]]:
    """By line: the pipes that it calls of each rank, as bits, with every stop drawn."""
    ranks = {rank.id: rank for rank in console.ranks}
    lines = {division.id: lines_of(console, division) for division in console.divisions}
    calls: dict[tuple[str, int], dict[str, int]] = {}
    for control in console.controls:
        if isinstance(control, Stop | Percussion) and control.division is not None:
            reached = reached_by(control, ranks, lines[control.division])
            for (rank, by), of_lines in reached.items():
                for line in numbers_of(of_lines):
                    called = calls.setdefault((control.division, line), {})
                    called[rank] = called.get(rank, 0) | 1 << (line + by)
    return calls


def _most(
    console: Console, notes: int, called: Callable[[_Lines], Mapping[str, int]]
) -> dict[str, int]:
    """The most of each thing that so many keys call, by what the lines of one key call.

    A key goes wherever the transposer can put it, and all keys are put there together.
    """
    highest = HIGHEST_TRANSPOSED if is_transposed(console) else 0
    lines = {division.id: lines_of(console, division) for division in console.divisions}
    counts: dict[str, list[tuple[int, int, int]]] = {}
    for keyboard in console.keyboards:
        ways = [(d.id, 0) for d in console.divisions if d.keyboard == keyboard.id]
        ways += [(c.plays or "", c.shift) for c in console.couplers if c.keys == keyboard.id]
        for place in range(-highest, keyboard.keys + highest):
            reached = {
                (division, line)
                for division, shift in ways
                if (line := keyboard.lowest + place + shift) in lines[division]
            }
            for name, count in called(reached).items():
                counts.setdefault(name, []).append((place, keyboard.keys, count))
    most = {}
    for name, found in counts.items():
        found.sort(key=lambda count: -count[2])
        sums = []
        for by in range(-highest, highest + 1):
            there = (count for place, keys, count in found if 0 <= place - by < keys)
            sums.append(sum(islice(there, notes)))
        most[name] = max(sums)
    return most


def lamps_of(console: Console, of: Lit) -> int:
    """How many lamps the console has: on a lit action every control has one, wired or not."""
    if of is Lit.PISTONS:
        return sum(piston.lamp is not None for piston in console.pistons)
    every = console.action is Action.LIT
    return sum(every or control.lamp is not None for control in console.controls)


# ---------------------------------------------------------------- what each load takes


@frozen
class Demand:
    """What a load asks of its supply: so many, at most so many of them at once, amps each."""

    load: Load
    count: int
    at_once: int
    each: float

    @property
    def amps(self) -> float:
        """At its worst moment."""
        return self.at_once * self.each


def tabs_of(electrics: Electrics, console: Console) -> dict[str, tuple[str, ...]]:
    """By table of tabs: the driven controls whose magnets it has."""
    driven = [control.id for control in driven_of(console)]
    named = {name for table in electrics.tabs for name in table.controls}
    rest = tuple(name for name in driven if name not in named)
    return {
        table.id: tuple(n for n in driven if n in table.controls) if table.controls else rest
        for table in electrics.tabs
    }


def demands_of(electrics: Electrics, console: Console) -> tuple[Demand, ...]:
    """What every load takes at its worst, with tabs driven as the console file says."""
    supplies = {supply.id: supply for supply in electrics.supplies}
    pipes = most_pipes(console, electrics.notes_at_once) if electrics.magnets else {}
    lines = most_lines(console, electrics.notes_at_once) if electrics.magnets else {}
    return tuple(
        _demand(load, supplies[load.supply].volts, electrics, console, pipes, lines)
        for load in electrics.loads
    )


def _demand(
    load: Load,
    volts: float,
    electrics: Electrics,
    console: Console,
    pipes: Mapping[str, int],
    lines: Mapping[str, int],
) -> Demand:
    match load:
        case Tabs():
            each = _coil(load, volts)
            count = len(tabs_of(electrics, console)[load.id])
            most = at_once(console.drive, len(driven_of(console)))
            return Demand(load, count, min(count, most), each)
        case Magnets():
            count = len(load.controls)
            count += sum(rank.pipes for rank in console.ranks if rank.id in load.ranks)
            count += sum(len(lines_of(console, d)) for d in _divisions(load, console))
            most = len(load.controls) + sum(pipes[rank] for rank in load.ranks)
            most += sum(lines[d.id] for d in _divisions(load, console))
            return Demand(load, count, most, _coil(load, volts))
        case Lamps():
            count = sum(lamps_of(console, of) for of in load.of)
            return Demand(load, count, count, load.watts / volts)
        case Strip():
            watts = load.watts
            if watts is None:
                watts = (load.watts_per_metre or 0) * (load.metres or 0)
            return Demand(load, 1, 1, watts / volts)
        case Other():
            each = (load.watts or 0) / volts if load.amps is None else load.amps
            return Demand(load, load.count, load.count, each)
    raise TypeError(load)


def _divisions(load: Magnets, console: Console) -> list[Division]:
    return [division for division in console.divisions if division.id in load.divisions]


def _coil(load: Tabs | Magnets, volts: float) -> float:
    """The amps of one coil: as measured, or by its ohms."""
    return volts / (load.ohms or math.inf) if load.amps is None else load.amps


# ---------------------------------------------------------------- the worst moment of a supply


@frozen
class SupplyLoad:
    """All that one supply feeds.

    ``coils`` are the amps of the tabs' coils on it, by control; ``standing`` the amps of all else
    at its worst: lamps lit, strips on, the fullest chord down.
    """

    supply: Supply
    coils: Mapping[str, float]
    standing: float

    def peak(self, most: int) -> float:
        """The amps of the worst moment, if so many tabs at most have current at once.

        Whatever is pushed: the tabs that take most may be just those that move.
        """
        return self.standing + sum(nlargest(most, self.coils.values()))

    def bears(self, amps: float) -> bool:
        """Whether it is rated at so many, and fused for them."""
        most = self.supply.amps if self.supply.fuse is None else self.supply.fuse
        return amps <= min(most, self.supply.amps) + A_TRIFLE

    @property
    def most_tabs(self) -> int:
        """How many tabs may have current at once, whichever they are."""
        largest = range(len(self.coils), 0, -1)
        return next((most for most in largest if self.bears(self.peak(most))), 0)


def supply_loads(
    electrics: Electrics, console: Console, demands: Sequence[Demand]
) -> tuple[SupplyLoad, ...]:
    """What each supply feeds, in the order of the file."""
    names = tabs_of(electrics, console)
    loads = []
    for supply in electrics.supplies:
        own = [demand for demand in demands if demand.load.supply == supply.id]
        coils = {
            name: demand.each
            for demand in own
            if isinstance(demand.load, Tabs)
            for name in names[demand.load.id]
        }
        standing = sum(demand.amps for demand in own if not isinstance(demand.load, Tabs))
        loads.append(SupplyLoad(supply, coils, standing))
    return tuple(loads)


@frozen
class Moment:
    """The worst moment of a supply while tabs are driven in one way.

    ``peak`` is in amps, whatever is pushed; ``general`` the most that it gives while a general
    moves every tab; ``coulombs`` the ampere-seconds of that general's coils, and ``standing`` those
    of all else on it from the press until the last pulse ends.
    """

    load: SupplyLoad
    peak: float
    general: float
    coulombs: float
    standing: float

    @property
    def is_borne(self) -> bool:
        """Whether the supply and its fuse bear its peak."""
        return self.load.bears(self.peak)


@frozen
class Driving:
    """Tabs driven in one way: how many at once, and the seconds until the last.

    ``begins`` is from the press of a general that moves every tab until the last of them has its
    pulse, ``ends`` until that pulse is over.
    """

    drive: Drive
    tabs: int
    at_once: int
    begins: float
    ends: float
    moments: tuple[Moment, ...]

    @property
    def is_borne(self) -> bool:
        """Whether every supply and its fuse bear their peaks."""
        return all(moment.is_borne for moment in self.moments)


def driving(console: Console, loads: Sequence[SupplyLoad], drive: Drive) -> Driving:
    """What becomes of every supply if tabs are driven so."""
    moved = moved_by_a_general(console)
    every = len(driven_of(console))
    most = at_once(drive, every)
    begins = last_begins(drive, len(moved))
    ends = begins + drive.pulse if moved else 0.0
    size = drive.group or max(len(moved), 1)
    groups = [moved[at : at + size] for at in range(0, len(moved), size)]
    moments = []
    for load in loads:
        amps = [sum(load.coils.get(control.id, 0.0) for control in group) for group in groups]
        together = overlapping(drive, len(moved))
        windows = [sum(amps[max(0, last - together + 1) : last + 1]) for last in range(len(amps))]
        moments.append(
            Moment(
                load,
                load.peak(most),
                load.standing + max(windows, default=0.0),
                sum(amps) * drive.pulse,
                load.standing * ends,
            )
        )
    return Driving(drive, every, most, begins, ends, tuple(moments))


def best_drive(console: Console, loads: Sequence[SupplyLoad]) -> Drive | None:
    """The largest group that no supply of tabs is exceeded by, one pulse apart; None if none is.

    No group is larger; and no smaller one, closer together, has the last tab begin sooner: of G
    that may have current at once, k overlapping groups have at most G/k tabs each, and the
    rounding of groups only loses.
    """
    tabs = len(driven_of(console))
    limits = [load.most_tabs for load in loads if load.most_tabs < len(load.coils)]
    largest = min(limits, default=tabs)
    if not largest:
        return None
    group = None if largest >= tabs else largest
    return evolve(console.drive, group=group, gap=None)


# ---------------------------------------------------------------- wires and fuses


@frozen
class WireLoad:
    """What a wire carries and loses: amps, the fuse that protects it, and volts there and back."""

    wire: Wire
    supply: Supply
    amps: float
    fuse: float | None
    drop: float

    @property
    def percent(self) -> float:
        """Of the supply's volts that are lost."""
        return 100 * self.drop / self.supply.volts

    @property
    def left(self) -> float:
        """The volts that are left at its far end."""
        return self.supply.volts - self.drop


def wire_loads(
    electrics: Electrics, demands: Sequence[Demand], now: Driving
) -> tuple[WireLoad, ...]:
    """What each wire carries at its worst, with tabs driven as they are ``now``.

    The drop is what it would be at full current: a coil at the end of a long wire draws less.
    """
    asking = {demand.load.id: demand for demand in demands}
    supplies = {moment.load.supply.id: moment for moment in now.moments}
    wires = {wire.id: wire for wire in electrics.wires}

    def current(wire: Wire) -> float:
        if wire.carries is Carries.SIGNAL:
            return wire.amps or 0.0
        if wire.of in supplies:
            return supplies[wire.of].peak
        demand = asking[wire.of]
        return demand.each if wire.carries is Carries.ONE else demand.amps

    def lost(wire: Wire) -> float:
        """Volts, one way."""
        return current(wire) * ohms_of(wire.area, wire.metres)

    found = []
    for wire in electrics.wires:
        of = supplies[wire.of if wire.of in supplies else asking[wire.of].load.supply]
        supply = of.load.supply
        back = wires[wire.back] if wire.back else wire
        fuse = supply.fuse if wire.fuse is None else wire.fuse
        found.append(WireLoad(wire, supply, current(wire), fuse, lost(wire) + lost(back)))
    return tuple(found)


# ---------------------------------------------------------------- faults


@frozen
class Fault:
    """Something that exceeds a rating or a rule: what it is about, and where the rule is from."""

    what: str
    message: str
    source: str = USUAL


def faults_of(
    electrics: Electrics, console: Console, now: Driving, wires: Sequence[WireLoad]
) -> tuple[Fault, ...]:
    """All that is beyond a rating or a rule, with tabs driven as they are ``now``."""
    return (
        *(fault for moment in now.moments for fault in _of_supply(moment)),
        *_of_tabs(console, now),
        *(fault for wire in wires for fault in _of_wire(wire, electrics)),
    )


def _of_supply(moment: Moment) -> Iterator[Fault]:
    supply = moment.load.supply
    what = f"supply {supply.name or supply.id}"
    if supply.volts > HIGHEST_VOLTS:
        yield Fault(what, f"{supply.volts:g} V is more than {HIGHEST_VOLTS:g} V DC", ARTICLE)
    if moment.peak > supply.amps + A_TRIFLE:
        message = f"is asked for {moment.peak:.2f} A and rated at {supply.amps:g} A"
        yield Fault(what, message, "its rating")
    if supply.fuse is None:
        yield Fault(what, "has no fuse: fuse every supply and every feed")
    elif supply.fuse > supply.amps:
        message = f"its fuse of {supply.fuse:g} A is more than the {supply.amps:g} A of its rating"
        yield Fault(what, message, "its rating")
    elif not moment.is_borne and moment.peak <= supply.amps + A_TRIFLE:
        message = f"is asked for {moment.peak:.2f} A by a fuse of {supply.fuse:g} A"
        yield Fault(what, message, "its fuse")


def _of_tabs(console: Console, now: Driving) -> Iterator[Fault]:
    fed = {name for moment in now.moments for name in moment.load.coils}
    driven = driven_of(console)
    lacking = [control.id for control in driven if control.id not in fed]
    if lacking:
        named = ", ".join(lacking[:8]) + (" ..." if len(lacking) > 8 else "")
        message = f"no table says what feeds {len(lacking)} of {len(driven)}: {named}"
        yield Fault("tabs", message, "the electrics file")


def _of_wire(load: WireLoad, electrics: Electrics) -> Iterator[Fault]:
    wire, what = load.wire, f"wire {load.wire.called}"
    thinnest, use = _thinnest(wire, electrics)
    if not is_at_least(wire.area, thinnest):
        message = f"{wire.thickness} is thinner than {thinnest} AWG, the least for {use}"
        yield Fault(what, message, ARTICLE)
    limit, source = largest_fuse(wire.area)
    if load.fuse is None:
        message = f"no fuse protects it; at {wire.thickness} one of at most {limit:g} A must"
        yield Fault(what, message, source)
    elif load.fuse > limit:
        whose = "its supply's" if wire.fuse is None else "its"
        message = f"{whose} fuse of {load.fuse:g} A is more than {limit:g} A for {wire.thickness}"
        yield Fault(what, message, source)
    if wire.fuse is not None and wire.fuse > load.supply.amps:
        message = f"its fuse of {wire.fuse:g} A is more than its supply's {load.supply.amps:g} A"
        yield Fault(what, message, "its supply's rating")
    if wire.fuse is not None and load.amps > wire.fuse + A_TRIFLE:
        message = f"carries {load.amps:.2f} A by a fuse of {wire.fuse:g} A"
        yield Fault(what, message, "its fuse")
    elif load.amps > limit + A_TRIFLE:
        message = f"carries {load.amps:.2f} A, and {wire.thickness} is for {limit:g} A"
        yield Fault(what, message, source)
    if load.percent > electrics.largest_drop:
        message = f"loses {load.percent:.1f} % of {load.supply.volts:g} V there and back"
        yield Fault(what, f"{message}; {electrics.largest_drop:g} % is the most")


def _thinnest(wire: Wire, electrics: Electrics) -> tuple[int, str]:
    """The thinnest AWG that a wire may be, and what for.

    S14 names none for a lamp's wire, or for a feed: they are held to the thinnest that it names.
    """
    coils = {load.id for load in (*electrics.tabs, *electrics.magnets)}
    if wire.carries is Carries.RETURN:
        return THINNEST_FOR_RETURNS, "the common return"
    if wire.carries is Carries.ONE and wire.of in coils:
        return THINNEST_FOR_MAGNETS, "magnets"
    if wire.carries is Carries.SIGNAL:
        return THINNEST_FOR_SIGNALS, "electronic signal circuits"
    return THINNEST_FOR_SIGNALS, "any wire of an organ"
