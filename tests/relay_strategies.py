"""Hypothesis strategies: small consoles without errors, rich in what the relay does.

Keyboards have few keys and lie close together, ranks are short and of any pitch, and everything
that may be timed mostly is, so that whatever meets, meets often. Times are whole numbers of 64ths
of a second and rates powers of two: sums of them are exact, and two things can fall due together.
"""

from collections.abc import Iterator
from fractions import Fraction
from math import log2
from typing import Any

from attrs import evolve
from hypothesis import strategies as st

from combination.model import (
    Action,
    Again,
    Board,
    Chamber,
    Console,
    Control,
    ControllerPort,
    Coupler,
    Crescendo,
    Division,
    Draw,
    Effect,
    Keyboard,
    Kind,
    LinesOut,
    Percussion,
    PinMessages,
    Piston,
    Rank,
    RankOut,
    Selection,
    Shoe,
    Stage,
    StateOut,
    Stop,
    Stroke,
    Trap,
    Tremulant,
    WhileGoverned,
)
from tests.strategies import pick, seconds

PITCHES = tuple(
    Fraction(*feet)
    for feet in (
        *((8, 1), (8, 1), (8, 1), (16, 1), (4, 1), (64, 1), (32, 1), (2, 1), (1, 1), (1, 2)),
        *((16, 3), (8, 3), (4, 3), (8, 5), (8, 7), (32, 5), (128, 1), (1, 8)),
    )
)
LOWEST_KEYS = (*(36, 36, 30, 41, 48) * 2, 2, 112)
"""Of keyboards: close together, and now and then at an end of MIDI's numbers."""
SHIFTS = (0, 0, 12, -12, 7, -5, 19)
KINDS = (*(Stop, Coupler) * 4, Percussion, Percussion, *(Trap,) * 3, Tremulant, Effect)
NAMES = tuple("abcdefghij")
LONGEST = st.none() | seconds(1, 40)
"""Longest on-times."""
ENGINES = Board("engines", pins=64, out=PinMessages("shades", 16, 0))


@st.composite
def keyboards_of(draw: st.DrawFn) -> tuple[Keyboard, ...]:
    """Two or three keyboards, now and then with a second touch under the first."""
    names = ("great", "swell", "pedal")[: pick(draw, (2, 2, 3))]
    found = [
        Keyboard(name, name.title(), pick(draw, LOWEST_KEYS), pick(draw, (16, 13, 8, 3)))
        for name in names
    ]
    if pick(draw, (False, False, True)):
        found.append(evolve(found[0], id="second", name="Great, second touch"))
    return tuple(found)


@st.composite
def divisions_of(draw: st.DrawFn, keyboards: tuple[Keyboard, ...]) -> tuple[Division, ...]:
    """Divisions, some of them floating, some with lines of their own, some sent out.

    The first has all the keys of the first keyboard, so that something mostly sounds.
    """
    found = [Division("great", "Great", keyboards[0].id, out=draw(st.none() | lines_outs(1)))]
    for place, name in enumerate(("solo", "pedal", "echo")[: draw(st.integers(1, 3))], 2):
        keyboard = pick(draw, (*keyboards, None))
        lowest, count = (keyboard.lowest, keyboard.keys) if keyboard else (36, 61)
        own = pick(draw, (None, None, None, -12, -7, -1, 2, 12))
        first = max(0, min(lowest + (own or 0), 127))
        lines = pick(draw, (count if own else None, count + 12, count + 24, 10, 1))
        found.append(
            Division(
                name,
                name.title(),
                keyboard.id if keyboard else None,
                lowest=None if own is None else first,
                lines=None if lines is None else min(lines, 128 - first),
                out=draw(st.none() | lines_outs(place)),
            )
        )
    return tuple(found)


@st.composite
def lines_outs(draw: st.DrawFn, channel: int) -> LinesOut:
    return LinesOut(
        "lines",
        channel,
        first_note=pick(draw, (None, 1)),
        bare=draw(st.booleans()),
        longest_on=draw(LONGEST),
    )


@st.composite
def ranks_of(draw: st.DrawFn, lowest: int) -> tuple[Rank, ...]:
    """Up to three ranks, of which some have the same pipes, so that stops draw them alike.

    ``lowest`` is the lowest key of a keyboard: where some of them begin.
    """
    found: list[Rank] = []
    for channel, name in enumerate(("flute", "viola", "bells")[: pick(draw, (1, 2, 2, 3))], 1):
        alike = draw(st.booleans())
        if found and alike:
            pitch, first_key, pipes = found[0].pitch, found[0].first_key, found[0].pipes
        else:
            pitch, pipes = pick(draw, PITCHES), draw(st.integers(1, 40))
            first_key = pick(draw, (36, lowest, lowest, draw(st.integers(24, 60))))
        stroke = pick(draw, (Stroke.HELD, Stroke.HELD, Stroke.ONCE, Stroke.REITERATE))
        rank = Rank(
            name,
            name.title(),
            pitch=pitch,
            first_key=first_key,
            pipes=pipes,
            velocity=pick(draw, (64, 1, 127)),
            stroke=stroke,
            rate=pick(draw, (1.0, 2.0, 4.0, 8.0)) if stroke is Stroke.REITERATE else None,
            longest_on=draw(LONGEST),
        )
        found.append(evolve(rank, out=draw(rank_outs(rank, channel))))
    return tuple(found)


@st.composite
def rank_outs(draw: st.DrawFn, rank: Rank, channel: int) -> tuple[RankOut, ...]:
    """One output, two that share the pipes or both have them, or none; notes by pitch or not."""
    split = draw(st.integers(1, rank.pipes))
    lowest = rank.first_key + round(12 * log2(8 / rank.pitch))
    ways: list[tuple[RankOut, ...]] = [
        (RankOut("pipes", channel, 0),),
        (RankOut("pipes", channel, 40), RankOut("more-pipes", channel, 3)),
        (RankOut("more-pipes", channel, 0, last_pipe=split), RankOut("pipes", channel, 7, split)),
        (),
    ]
    if lowest >= 0 and lowest + rank.pipes <= 128:
        ways += [(RankOut("pipes", channel),)] * 2
    return draw(st.sampled_from(ways))


@st.composite
def draws_over(
    draw: st.DrawFn,
    ranks: tuple[Rank, ...],
    lowest: int,
    count: int,
    kind: type[Stop | Percussion | Draw],
) -> Draw:
    """What a table of some kind draws, reaching its rank from some line: if it must, it repeats.

    Over a part of the lines, unless it is a stop's own rank; by key only if it is a draw.
    """
    rank = pick(draw, ranks)
    near = (None, rank.pitch, 2 * rank.pitch, rank.pitch / 2, rank.pitch / 3, rank.pitch / 5)
    pitch = pick(draw, (*near, *near, pick(draw, PITCHES)))
    repeats = draw(st.booleans())
    first = last = None
    by_key = False
    if kind is not Stop:
        whole = st.none()
        first = draw(whole | st.integers(lowest, lowest + count - 1))
        last = draw(whole | st.integers(lowest if first is None else first, lowest + count - 1))
    if kind is Draw:
        by_key = pick(draw, (False, False, True))
    found = Draw(rank.id, pitch, first, last, repeats, by_key)
    shift = 0 if by_key or pitch is None else round(12 * log2(rank.pitch / pitch))
    above = range(
        (lowest if first is None else first) - rank.first_key + shift,
        (lowest + count - 1 if last is None else last) - rank.first_key + shift + 1,
    )
    reached = any(0 <= step < rank.pipes for step in above)
    return found if reached else evolve(found, repeats=True)


@st.composite
def controls_of(
    draw: st.DrawFn,
    name: str,
    console: Console,
    kinds: tuple[type[Control], ...],
) -> Control:
    """A control of one of some kinds, for a console that has everything but its controls."""
    common: dict[str, Any] = {"id": name, "label": (name,)}
    kind = pick(draw, kinds)
    if kind in (Tremulant, Effect) or draw(st.integers(0, 3)) >= (2 if kind is Trap else 3):
        common["out"] = draw(state_outs(NAMES.index(name)))
    if kind is Coupler:
        return draw(couplers_of(common, console.keyboards, console.divisions))
    if kind in (Tremulant, Effect):
        anywhere = (None, *(division.id for division in console.divisions))
        lone: Control = kind(**common, division=pick(draw, anywhere))
        return lone
    division = pick(draw, (console.divisions[0], *console.divisions))
    common["division"] = division.id
    if kind is Trap:
        return Trap(**common)
    over = console.lines_of(division)
    if kind is Stop and draw(st.booleans()):
        part = draws_over(console.ranks, *over, Draw)
        return Stop(**common, draws=tuple(draw(st.lists(part, min_size=1, max_size=3))))
    if kind is Stop:
        one = draw(draws_over(console.ranks, *over, Stop))
        return Stop(**common, rank=one.rank, pitch=one.pitch, repeats=one.repeats)
    bars = draw(draws_over(console.ranks, *over, Percussion))
    return Percussion(
        **common,
        rank=bars.rank,
        pitch=bars.pitch,
        first_key=bars.first_key,
        last_key=bars.last_key,
        repeats=bars.repeats,
    )


@st.composite
def stops_like(draw: st.DrawFn, name: str, stop: Stop, ranks: tuple[Rank, ...]) -> Stop:
    """A stop that draws as another does, from ranks of the same pipes."""
    pipes = {rank.id: (rank.pitch, rank.first_key, rank.pipes) for rank in ranks}
    alike = {rank: [other for other in pipes if pipes[other] == pipes[rank]] for rank in pipes}
    return evolve(
        stop,
        id=name,
        label=(name,),
        out=None,
        rank=stop.rank and pick(draw, alike[stop.rank]),
        draws=tuple(evolve(part, rank=pick(draw, alike[part.rank])) for part in stop.draws),
    )


@st.composite
def couplers_of(
    draw: st.DrawFn,
    common: dict[str, Any],
    keyboards: tuple[Keyboard, ...],
    divisions: tuple[Division, ...],
) -> Coupler:
    """A coupler of any shift, one that plucks, or a unison off."""
    with_keys = [division.id for division in divisions if division.keyboard is not None]
    if with_keys and draw(st.integers(0, 4)) == 4:
        return Coupler(**common, division=pick(draw, with_keys), unison_off=True)
    return Coupler(
        **common,
        keys=pick(draw, keyboards).id,
        plays=pick(draw, divisions).id,
        shift=pick(draw, SHIFTS),
        pizzicato=pick(draw, (False, False, True)),
        pizzicato_time=draw(seconds(1, 24)),
    )


@st.composite
def state_outs(draw: st.DrawFn, place: int) -> StateOut:
    """A note, a controller, or two programs, on numbers that are a control's own."""
    ways: tuple[dict[str, int], ...] = (
        {"note": place},
        {"controller": place},
        {"program_on": 2 * place, "program_off": 2 * place + 1},
    )
    return StateOut("states", 1, **pick(draw, ways), longest_on=draw(LONGEST))


@st.composite
def chambers_of(draw: st.DrawFn) -> tuple[Chamber, ...]:
    """Up to three chambers, each with a controller and perhaps a curve, or with a shade engine."""
    found = []
    for place in range(draw(st.integers(0, 3))):
        name = f"chamber-{place + 1}"
        if draw(st.booleans()):
            curve = draw(st.just(()) | st.lists(st.integers(0, 127), min_size=2, max_size=5))
            out = ControllerPort("shades", place + 1, 11)
            found.append(Chamber(name, name, out=out, curve=tuple(curve)))
        else:
            stages = pick(draw, (1, 2, 3, 8, 16))
            pin = f"engines.{1 + 20 * place}"
            found.append(Chamber(name, name, stages=stages, shades=pin))
    return tuple(found)


@st.composite
def shoes_of(
    draw: st.DrawFn, chambers: tuple[Chamber, ...], controls: list[str]
) -> tuple[Shoe, ...]:
    """Up to three shoes if there are chambers; a control may give one of them all chambers."""
    if not chambers:
        return ()
    some = st.lists(st.sampled_from([c.id for c in chambers]), unique=True)
    found = []
    for name in ("left", "right", "middle")[: pick(draw, (1, 2, 2, 3))]:
        heel, toe = pick(draw, ((0, 127), (5, 120), (127, 0), (100, 20), (60, 63)))
        over_all = pick(draw, (None, *controls))
        found.append(
            Shoe(name, name.title(), tuple(draw(some)), None, heel, toe, all_control=over_all)
        )
    return tuple(found)


@st.composite
def relay_consoles(draw: st.DrawFn) -> Console:
    """Consoles of two to four keyboards, as many divisions, and three to ten controls."""
    keyboards = draw(keyboards_of())
    divisions = draw(divisions_of(keyboards))
    ranks = draw(ranks_of(keyboards[0].lowest))
    chambers = draw(chambers_of())
    bare = Console(
        format=1,
        name="Harbour Pavilion",
        action=Action.BLIND,
        keyboards=keyboards,
        divisions=divisions,
        ranks=ranks,
        chambers=chambers,
        boards=(ENGINES,),
    )
    controls: list[Control] = [draw(controls_of("a", bare, (Stop,)))]
    for name in NAMES[1 : draw(st.integers(3, 10))]:
        stops = [control for control in controls if isinstance(control, Stop)]
        if draw(st.integers(0, 4)) == 4:
            controls.append(draw(stops_like(name, pick(draw, stops), ranks)))
        else:
            controls.append(draw(controls_of(name, bare, KINDS)))
    return evolve(
        bare,
        shoes=draw(shoes_of(chambers, [control.id for control in controls])),
        stops=tuple(c for c in controls if isinstance(c, Stop)),
        couplers=tuple(c for c in controls if isinstance(c, Coupler)),
        tremulants=tuple(c for c in controls if isinstance(c, Tremulant)),
        percussions=tuple(c for c in controls if isinstance(c, Percussion)),
        traps=tuple(c for c in controls if isinstance(c, Trap)),
        effects=tuple(c for c in controls if isinstance(c, Effect)),
    )


@st.composite
def organ_consoles(draw: st.DrawFn) -> Console:
    """The same with a few pistons, and perhaps a crescendo, on an action of any kind."""
    console = draw(relay_consoles())
    action = pick(draw, tuple(Action))
    blind = action is Action.BLIND
    names = [control.id for control in console.controls]
    some = st.lists(st.sampled_from(names), unique=True, min_size=1, max_size=4).map(tuple)
    stages = draw(st.lists(some.map(lambda listed: Stage(Selection(controls=listed))), max_size=2))
    return evolve(
        console,
        action=action,
        while_governed=pick(draw, tuple(WhileGoverned)) if blind else WhileGoverned.IGNORED,
        again=pick(draw, tuple(Again)) if blind else Again.RECALL,
        crescendo=Crescendo(tuple(stages)),
        pistons=tuple(pistons_of(names, draw(some))),
    )


def pistons_of(controls: list[str], loud: tuple[str, ...]) -> Iterator[Piston]:
    """Set, two generals, a reversible, a momentary, a full organ and general cancel."""
    reversed_one, moment, *_ = controls
    for name, kind, more in (
        ("set", Kind.SET, {}),
        ("g1", Kind.GENERAL, {}),
        ("g2", Kind.GENERAL, {}),
        ("r", Kind.REVERSIBLE, {"control": reversed_one}),
        ("m", Kind.MOMENTARY, {"control": moment}),
        ("fo", Kind.FULL_ORGAN, {"sounds": Selection(controls=loud)}),
        ("gc", Kind.GENERAL_CANCEL, {}),
    ):
        yield Piston(id=name, label=(name,), kind=kind, **more)
