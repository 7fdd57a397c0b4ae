"""Hypothesis strategies: small consoles without errors, banks that fit them, and times.

A console is built as its values, not read from a file, and has every kind of piston and every
console-wide choice within a few controls, so that whatever meets, meets often. Times are whole
numbers of 64ths of a second: sums of them are exact, and two things can fall due together.
"""

from decimal import Decimal
from functools import partial
from typing import Any

from attrs import evolve
from hypothesis import strategies as st

from combination.memory import (
    Bank,
    Combination,
    ControlCard,
    Level,
    Slot,
    Step,
    control_cards,
)
from combination.model import (
    CAN_BE_SET,
    RECALLING,
    Action,
    Again,
    Board,
    Cancel,
    Console,
    Contact,
    Control,
    Coupler,
    Crescendo,
    Division,
    DivisionalCouplers,
    Drive,
    Effect,
    Keyboard,
    Kind,
    Percussion,
    PinMessages,
    Piston,
    Rank,
    SecondTouch,
    Selection,
    Setting,
    Stage,
    Stop,
    Stores,
    Trap,
    Tremulant,
    Unset,
    WhileGoverned,
)
from combination.ranges import Ranges

GONE = ("gone-1", "gone-2")
"""Controls that a bank remembers and its console does not have."""
LOST = "lost"
"""A piston, and a sequence, that is remembered or asked for and is not there."""
KINDS = (
    *(Kind.GENERAL, Kind.DIVISIONAL) * 3,
    Kind.REVERSIBLE,
    Kind.FULL_ORGAN,
    Kind.FULL_ORGAN,
    Kind.MOMENTARY,
    Kind.GENERAL_CANCEL,
    Kind.DIVISIONAL_CANCEL,
    Kind.HAND_REGISTRATION,
    Kind.CRESCENDO_SET,
    Kind.LEVEL_UP,
    Kind.LEVEL_DOWN,
    Kind.LEVEL,
    Kind.NEXT,
    Kind.PREVIOUS,
    Kind.SET,
)
"""The kinds of piston, those that hold a combination the more often."""
NAMES = "abcdef"
KEYBOARDS = (Keyboard("great-keys", "Great"), Keyboard("pedals", "Pedal"))
BOARDS = tuple(
    Board(name, pins=32, input=PinMessages("in", channel, 0), out=PinMessages("out", channel, 0))
    for channel, name in enumerate(("rail", "thumb", "toe", "deep", "lamps"), start=1)
)


def seconds(first: int, last: int) -> st.SearchStrategy[float]:
    """Times in seconds, from 64ths to 64ths."""
    return st.integers(first, last).map(lambda parts: parts / 64)


def pick(draw: st.DrawFn, choices: Any) -> Any:
    """One of some things."""
    return draw(st.sampled_from(choices))


@st.composite
def selections(
    draw: st.DrawFn, controls: list[str], divisions: list[str], *, lone_exceptions: bool = False
) -> Selection:
    """Selections, written with exceptions or without; with nothing but them only if asked for."""
    some = st.lists(st.sampled_from(controls), unique=True, max_size=3).map(tuple)
    everything = draw(st.booleans())
    of_divisions = draw(st.lists(st.sampled_from(divisions), unique=True, max_size=2).map(tuple))
    chosen = draw(some)
    excluding = draw(some)
    if not (everything or of_divisions or chosen or (lone_exceptions and excluding)):
        chosen = (pick(draw, controls),)
    return Selection(everything, of_divisions, chosen, excluding)


@st.composite
def controls_of(
    draw: st.DrawFn, name: str, action: Action, divisions: tuple[Division, ...]
) -> Control:
    """A control of any kind, wired or not, captured or (but for the first) never captured."""
    place = NAMES.index(name) + 1
    common: dict[str, Any] = {
        "id": name,
        "label": (name,),
        "captured": place == 1 or pick(draw, (True, True, True, False)),
        "lamp": pick(draw, (None, f"lamps.{place}")),
    }
    if pick(draw, (True, True, True, False)):
        common["contact"] = Contact(f"rail.{place}")
    elif action is Action.LIT:
        common["contact_on"] = Contact(f"rail.{place + 10}")
        common["contact_off"] = Contact(f"rail.{place + 20}")
    kind = pick(draw, (Stop, Stop, Stop, Coupler, Coupler, Tremulant, Percussion, Trap, Effect))
    ids = tuple(division.id for division in divisions)
    if kind is Coupler:
        with_keys = [division.id for division in divisions if division.keyboard is not None]
        if with_keys and pick(draw, (False, False, True)):
            return Coupler(**common, division=pick(draw, with_keys), unison_off=True)
        return Coupler(
            **common,
            division=pick(draw, (None, None, *ids)),
            keys=pick(draw, KEYBOARDS).id,
            plays=pick(draw, ids),
            shift=pick(draw, (0, 12, -12)),
        )
    if kind in (Stop, Percussion):
        common["rank"] = "flute"
    nowhere = () if kind in (Stop, Percussion, Trap) else (None,)
    control: Control = kind(**common, division=pick(draw, (*ids, *nowhere)))
    return control


@st.composite
def pistons_of(
    draw: st.DrawFn,
    name: str,
    kinds: tuple[Kind, ...],
    controls: list[str],
    divisions: list[str],
    levels: int,
) -> Piston:
    """A piston of one of the kinds."""
    kind = pick(draw, kinds)
    chosen = partial(selections, controls, divisions)
    with_division = kind in (Kind.DIVISIONAL, Kind.DIVISIONAL_CANCEL)
    with_control = kind in (Kind.REVERSIBLE, Kind.MOMENTARY)
    return Piston(
        id=name,
        label=(name,),
        kind=kind,
        division=pick(draw, divisions) if with_division else None,
        control=pick(draw, controls) if with_control else None,
        affects=draw(st.none() | chosen(lone_exceptions=True)) if kind in RECALLING else None,
        additive=kind in RECALLING and draw(st.integers(0, 3)) == 3,
        settable=pick(draw, (None, True, False)) if kind in CAN_BE_SET else None,
        sounds=draw(chosen()) if kind is Kind.FULL_ORGAN else None,
        silences=draw(st.none() | chosen()) if kind is Kind.FULL_ORGAN else None,
        by=pick(draw, (None, 1, 2)) if kind in (Kind.LEVEL_UP, Kind.LEVEL_DOWN) else None,
        level=draw(st.integers(1, levels + 1)) if kind is Kind.LEVEL else None,
        contact=two_contacts(int(name[1:])),
    )


def two_contacts(place: int) -> tuple[Contact, Contact]:
    """A thumb piston and a toe stud."""
    return Contact(f"thumb.{place}"), Contact(f"toe.{place}")


@st.composite
def crescendos(draw: st.DrawFn, controls: list[str], divisions: list[str]) -> Crescendo:
    """Crescendos of up to three stages, their pedal read either way round."""
    heel, toe = pick(draw, ((0, 127), (5, 120), (127, 0), (100, 20), (60, 63)))
    chosen = selections(controls, divisions)
    stages = []
    for _ in range(draw(st.integers(0, 3))):
        whole = draw(st.booleans())
        listed = draw(chosen)
        stages.append(
            Stage(
                sounds=listed if whole else None,
                adds=None if whole else listed,
                silences=draw(st.none() | chosen),
            )
        )
    return Crescendo(tuple(stages), None, heel, toe, pick(draw, (2, 0, 5, 40)))


@st.composite
def consoles(draw: st.DrawFn) -> Console:
    """Consoles of three to six controls and up to ten pistons, at least one of them set."""
    action = pick(draw, (Action.BLIND, Action.BLIND, Action.MOVING, Action.LIT))
    blind = action is Action.BLIND
    divisions = tuple(
        Division(name, name.title(), pick(draw, ("great-keys", "great-keys", "pedals", None)))
        for name in ("great", "echo", "pedal")
    )
    division_ids = [division.id for division in divisions]
    names = list(NAMES[: draw(st.integers(3, 6))])
    controls = [draw(controls_of(name, action, divisions)) for name in names]
    levels = draw(st.integers(1, 4))
    crescendo = draw(crescendos(names, division_ids))
    kinds = tuple(
        kind
        for kind in KINDS
        if (blind or kind is not Kind.HAND_REGISTRATION)
        and (crescendo.stages or kind is not Kind.CRESCENDO_SET)
    )
    pistons = [
        draw(pistons_of(f"p{place}", kinds, names, division_ids, levels))
        for place in range(2, 2 + draw(st.integers(3, 9)))
    ]
    touched = [piston.id for piston in pistons if piston.kind is not Kind.SET]
    pistons = [draw(with_second_touch(piston, touched)) for piston in pistons]
    set_piston = Piston(id="set", label=("Set",), kind=Kind.SET, contact=two_contacts(1))
    console = Console(
        format=1,
        name="Harbour Pavilion",
        action=action,
        while_governed=pick(draw, tuple(WhileGoverned)) if blind else WhileGoverned.IGNORED,
        cancel=pick(draw, tuple(Cancel)) if blind else Cancel.RELEASE,
        unset=pick(draw, tuple(Unset)),
        again=pick(draw, tuple(Again)) if blind else Again.RECALL,
        divisional_couplers=pick(draw, tuple(DivisionalCouplers)),
        levels=levels,
        setting=Setting(
            hold=pick(draw, (True, True, False)),
            latch=pick(draw, (True, True, False)),
            latch_time=pick(draw, (10.0, 1.0, 0.25)),
            stores=pick(draw, (None, *Stores)) if blind else None,
        ),
        drive=Drive(
            pulse=draw(seconds(1, 16)),
            group=pick(draw, (None, 1, 2)),
            gap=draw(st.none() | seconds(1, 16)),
            follow=draw(seconds(1, 40)),
        ),
        crescendo=crescendo,
        boards=BOARDS,
        keyboards=KEYBOARDS,
        divisions=divisions,
        ranks=(Rank("flute", "Flute"),),
        stops=tuple(c for c in controls if isinstance(c, Stop)),
        couplers=tuple(c for c in controls if isinstance(c, Coupler)),
        tremulants=tuple(c for c in controls if isinstance(c, Tremulant)),
        percussions=tuple(c for c in controls if isinstance(c, Percussion)),
        traps=tuple(c for c in controls if isinstance(c, Trap)),
        effects=tuple(c for c in controls if isinstance(c, Effect)),
        pistons=(set_piston, *pistons),
    )
    ranges = Ranges(console)
    return evolve(console, pistons=tuple(useful(piston, ranges) for piston in console.pistons))


def useful(piston: Piston, ranges: Ranges) -> Piston:
    """A piston, or, where it would affect or cancel nothing, one that has everything."""
    if not ranges.affects.get(piston.id, True):
        return evolve(piston, affects=Selection(everything=True))
    if piston.kind is Kind.DIVISIONAL_CANCEL and not ranges.cancelled[piston.division or ""]:
        return evolve(piston, kind=Kind.GENERAL_CANCEL, division=None)
    return piston


@st.composite
def with_second_touch(draw: st.DrawFn, piston: Piston, touched: list[str]) -> Piston:
    """A piston, or, one time in four, the same with a second touch that presses another."""
    others = [name for name in touched if name != piston.id]
    if piston.kind is Kind.SET or not others or draw(st.integers(0, 3)) < 3:
        return piston
    contact = (Contact(f"deep.{piston.id[1:]}"),)
    return evolve(piston, second_touch=SecondTouch(pick(draw, others), contact))


def combinations(size: int) -> st.SearchStrategy[Combination]:
    """Combinations over a roster of so many controls, mostly with nothing neutral."""
    bits = st.integers(0, (1 << size) - 1)
    return st.builds(Combination, bits, st.just(0) | st.just(0) | bits)


@st.composite
def steps(draw: st.DrawFn, console: Console) -> tuple[Step, ...]:
    """A written sequence: steps in order, some inserted, and now and then one that cannot be."""
    numbers = draw(st.lists(st.integers(1, 16), unique=True, max_size=5))
    ids = [piston.id for piston in console.pistons]
    return tuple(
        Step(
            Decimal(number) / 2,
            draw(st.integers(1, console.levels + 1)),
            pick(draw, (*ids, *ids, LOST)),
            pick(draw, ("", "verse 2")),
        )
        for number in sorted(numbers)
    )


@st.composite
def banks(draw: st.DrawFn, console: Console) -> Bank:
    """Banks seated on a console: partly set, partly locked, with controls it does not know."""
    unknown = GONE[: draw(st.integers(0, 2))]
    size = len(console.controls) + len(unknown)
    bank = Bank(
        console=console.name,
        controls=(*control_cards(console), *(ControlCard(name) for name in unknown)),
        locked=draw(st.integers(0, 9)) == 9,
        level=draw(st.integers(1, console.levels + 1)),
    )
    for piston in console.pistons:
        if piston.kind in RECALLING:
            for level in range(1, console.levels + 1):
                if draw(st.integers(0, 3)):
                    bank.put(Slot(piston.id, level), draw(combinations(size)))
        elif piston.kind is Kind.FULL_ORGAN and draw(st.booleans()):
            bank.full_organs[piston.id] = draw(combinations(size)).on
    for stage in range(1, len(console.crescendo.stages) + 1):
        if draw(st.integers(0, 3)) == 3:
            bank.stages[stage] = draw(combinations(size)).on
    for level in draw(st.sets(st.integers(1, console.levels), max_size=2)):
        if draw(st.booleans()):
            bank.levels[level] = Level(locked=True, combinations=bank.at(level).combinations)
    bank.at(1).combinations[LOST] = draw(combinations(size))
    bank.sequences = {name: draw(steps(console)) for name in ("evening", "recital")}
    bank.sequence = pick(draw, (None, None, "evening", "recital", LOST))
    bank.place = Decimal(draw(st.integers(0, 20))) / 2
    return bank
