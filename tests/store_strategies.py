"""Consoles that change, banks of them and edits, for the store's hypothesis tests.

Consoles are drawn as the plain model has them, and built from that; ids come from short lists, so
that what is renamed, removed and added meets what was there before.
"""

from collections.abc import Callable
from decimal import Decimal
from typing import Any

from attrs import evolve
from hypothesis import strategies as st

from combination.memory import Bank, Combination, ControlCard, PistonCard, Slot, Step
from combination.model import (
    Action,
    Console,
    Crescendo,
    Division,
    Keyboard,
    Kind,
    Piston,
    Selection,
    Stage,
    Stop,
)
from tests.plain_store import InIds, Place, PlainConsole, PlainControl, PlainPiston

CONTROLS = ("a", "b", "c", "d", "e")
PISTONS = ("g1", "g2", "g3", "g4")
DIVISIONS = ("Great", "Pedal")
KINDS = (Kind.GENERAL, Kind.GENERAL, Kind.DIVISIONAL, Kind.FULL_ORGAN)
NAMES = ("Ruth", "Aidan", "ruth", "Mae", "Straße", "STRASSE")
SEQUENCES = ("Vespers", "Matins")

levels = st.integers(1, 3)
some_controls = st.frozensets(st.sampled_from(CONTROLS))


# ---------------------------------------------------------------- consoles


def console_of(plain: PlainConsole) -> Console:
    """The console itself; besides what the memory depends on it has what sets and moves."""
    of_control = {"set": Kind.SET, "cs": Kind.CRESCENDO_SET, "next": Kind.NEXT}
    of_level = {"up": Kind.LEVEL_UP, "down": Kind.LEVEL_DOWN}
    stages = tuple(Stage(sounds=Selection(everything=True)) for _ in range(plain.stages))
    return Console(
        format=1,
        name=plain.name,
        action=Action.LIT,
        levels=plain.levels,
        keyboards=tuple(Keyboard(name.lower(), name) for name in DIVISIONS),
        divisions=tuple(Division(name.lower(), name, name.lower()) for name in DIVISIONS),
        stops=tuple(
            Stop(
                id=control.id,
                label=plain.label(control.id),
                division=control.division.lower(),
                was=control.was,
            )
            for control in plain.controls
        ),
        pistons=(
            *(_piston(plain, piston) for piston in plain.pistons),
            *(
                Piston(id=name, label=(name,), kind=kind)
                for name, kind in (of_control | of_level).items()
                if kind is not Kind.CRESCENDO_SET or stages
            ),
        ),
        crescendo=Crescendo(stages=stages),
    )


def _piston(plain: PlainConsole, piston: PlainPiston) -> Piston:
    whole = piston.kind == Kind.FULL_ORGAN
    return Piston(
        id=piston.id,
        label=plain.label(piston.id),
        kind=Kind(piston.kind),
        division=piston.division.lower() or None,
        sounds=Selection(everything=True) if whole else None,
        settable=True if whole else None,
        was=piston.was,
    )


@st.composite
def _pistons(draw: st.DrawFn, name: str, was: tuple[str, ...] = ()) -> PlainPiston:
    kind = draw(st.sampled_from(KINDS))
    division = draw(st.sampled_from(DIVISIONS)) if kind is Kind.DIVISIONAL else ""
    return PlainPiston(name, str(kind), division, was)


@st.composite
def _controls(draw: st.DrawFn, name: str, was: tuple[str, ...] = ()) -> PlainControl:
    return PlainControl(name, draw(st.sampled_from(DIVISIONS)), was)


@st.composite
def consoles(draw: st.DrawFn) -> PlainConsole:
    """A small console: at least one stop, and a piston."""
    controls = draw(st.lists(st.sampled_from(CONTROLS), min_size=1, unique=True))
    pistons = draw(st.lists(st.sampled_from(PISTONS), min_size=1, max_size=3, unique=True))
    return _sound(
        PlainConsole(
            draw(st.sampled_from(("Quay Chapel", "Harbour Pavilion"))),
            tuple(draw(_controls(name)) for name in controls),
            tuple(draw(_pistons(name)) for name in pistons),
            draw(levels),
            draw(st.integers(0, 2)),
        )
    )


def _sound(console: PlainConsole) -> PlainConsole:
    """The console without divisionals that would affect nothing: they are generals."""
    there = {control.division for control in console.controls}
    pistons = (
        piston if piston.division in {"", *there} else evolve(piston, kind="general", division="")
        for piston in console.pistons
    )
    return evolve(console, pistons=tuple(pistons))


@st.composite
def changed(draw: st.DrawFn, console: PlainConsole) -> PlainConsole:
    """The console after a technician's visit: one or several things are otherwise."""
    for what in draw(st.lists(st.sampled_from(_CHANGES), min_size=1, max_size=4)):
        match what:
            case "controls":
                controls = draw(_rearranged(console.controls, CONTROLS, _controls))
                console = evolve(console, controls=controls)
            case "pistons":
                pistons = draw(_rearranged(console.pistons, PISTONS, _pistons))
                console = evolve(console, pistons=pistons)
            case "levels":
                console = evolve(console, levels=draw(levels))
            case "stages":
                console = evolve(console, stages=draw(st.integers(0, 2)))
            case "edition":
                console = evolve(console, edition=draw(st.sampled_from(("", "II"))))
    return _sound(console)


_CHANGES = ("controls",) * 3 + ("pistons",) * 3 + ("levels", "stages", "edition")


@st.composite
def _rearranged(
    draw: st.DrawFn,
    there: tuple[Any, ...],
    pool: tuple[str, ...],
    drawn: Callable[..., st.SearchStrategy[Any]],
) -> tuple[Any, ...]:
    """Controls or pistons with one more, one less, or one that is called or made otherwise."""
    one = draw(st.sampled_from(there))
    free = [name for name in pool if name not in [each.id for each in there]]
    how = draw(st.sampled_from(("renamed", "renamed", "renamed", "removed", "added", "made")))
    if how == "removed" and len(there) > 1:
        return tuple(each for each in there if each is not one)
    if how == "added" and free:
        return (*there, draw(drawn(draw(st.sampled_from(free)))))
    new = draw(drawn(one.id, one.was))
    if how == "renamed" and free:
        name = draw(st.sampled_from(free))
        was = (one.id, *(old for old in one.was if old != name))
        new = evolve(one, id=name, was=was)
    return tuple(new if each is one else each for each in there)


# ---------------------------------------------------------------- banks


@st.composite
def banks(draw: st.DrawFn, console: PlainConsole, name: str) -> InIds:
    """A bank of a console, with anything in it that it may hold."""
    bank: InIds = {("name",): name, ("console",): console.name, ("place",): (1, None, Decimal(0))}
    bank |= console.cards()
    known = frozenset(control.id for control in console.controls)
    sets = st.tuples(some_controls, st.just(frozenset[str]()) | some_controls).map(
        lambda both: tuple(some & known for some in both)
    )
    for piston in console.pistons:
        places: list[Place] = [("combination", level, piston.id) for level in range(1, 4)]
        if piston.kind == Kind.FULL_ORGAN:
            places = [("full organ", piston.id)]
        for place in places:
            if draw(st.booleans()):
                on, neutral = draw(sets)
                bank[place] = (on, neutral if place[0] == "combination" else frozenset())
    if draw(st.booleans()):
        bank["stage", 1] = (draw(sets)[0], frozenset())
    if draw(st.booleans()):
        bank["level name", draw(levels)] = "Easter"
    if draw(st.booleans()):
        presses = draw(st.sampled_from(PISTONS))
        bank["sequence", draw(st.sampled_from(SEQUENCES))] = ((Decimal(1), 1, presses, ""),)
    return bank


def bank_of(ids: InIds) -> Bank:
    """The bank that a person sees so."""
    controls = [place[1] for place in ids if place[0] == "control"]

    def bits(names: frozenset[str]) -> int:
        return sum(1 << controls.index(name) for name in names)

    bank = Bank(
        ids["console",],
        tuple(ControlCard(name, *ids["control", name]) for name in controls),
        name=ids["name",],
    )
    bank.level, bank.sequence, bank.place = ids["place",]
    for (kind, *where), held in ids.items():
        match kind:
            case "piston":
                label, sort, division, affects = held
                bank.pistons[where[0]] = PistonCard(where[0], label, sort, bits(affects), division)
            case "combination":
                bank.put(Slot(where[1], where[0]), Combination(bits(held[0]), bits(held[1])))
            case "full organ":
                bank.full_organs[where[0]] = bits(held[0])
            case "stage":
                bank.stages[where[0]] = bits(held[0])
            case "sequence":
                bank.sequences[where[0]] = tuple(Step(*step) for step in held)
            case "level name":
                bank.at(where[0]).name = held
            case "level lock":
                bank.at(where[0]).locked, bank.at(where[0]).verifier = True, held
            case "lock":
                bank.locked, bank.verifier = True, held
    return bank
