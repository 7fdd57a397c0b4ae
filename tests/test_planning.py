"""Plans of wiring: everything on a pin of its own, in order, on the fewest boards there can be."""

import random
from collections.abc import Iterator, Sequence
from itertools import groupby, pairwise, permutations, product

import pytest
from attrs import evolve
from hypothesis import given, settings
from hypothesis import strategies as st

from cli.console.rewiring import rewired
from combination.drivers import Driven, Driver, drivers_of, with_drivers
from combination.harness import CannotBeWiredError, Part, Point, points_of, with_pins
from combination.model import (
    Action,
    Board,
    Chamber,
    Console,
    Division,
    Effect,
    Keyboard,
    Kind,
    LinesOut,
    Percussion,
    PinMessages,
    Piston,
    Place,
    Rank,
    RankOut,
    SecondTouch,
    StateOut,
    Stop,
)
from combination.planning import Lacking, NoRoomError, Plan, TooFewBoardsError, plan
from combination.reading import read_console


def console_of(
    keyboards: Sequence[int] = (),
    stops: int = 0,
    pistons: Sequence[tuple[Place, ...]] = (),
    boards: Sequence[Board] = (),
    **keys: object,
) -> Console:
    """A console as a survey finds it: keyboards of so many keys, stops, pistons at places."""
    usual = {
        "format": 1,
        "name": "Survey",
        "action": Action.BLIND,
        "keyboards": tuple(
            Keyboard(f"k{n}", f"Manual {n}", 36 + n, keys) for n, keys in enumerate(keyboards)
        ),
        "stops": tuple(Stop(id=f"s{n}", label=(f"Stop {n}",)) for n in range(stops)),
        "pistons": tuple(
            Piston(id=f"p{n}", label=(f"{n}",), kind=Kind.GENERAL, at=at)
            for n, at in enumerate(pistons)
        ),
        "boards": tuple(boards),
    }
    return Console(**(usual | keys))  # type: ignore[arg-type]


def board_in(name: str, pins: int, channel: int) -> Board:
    return Board(name, pins, input=PinMessages("console", channel, first_note=0))


def board_out(name: str, pins: int, channel: int) -> Board:
    return Board(name, pins, out=PinMessages("console", channel, first_note=0))


def at(pin: str | None) -> tuple[str, int]:
    board, _, number = (pin or "").rpartition(".")
    return board, int(number)


def pins_of(console: Console) -> dict[tuple[object, ...], str | None]:
    return {point.wire: point.pin for point in points_of(console)}


def keys_of(console: Console) -> list[str]:
    return [f"{run.pin} {run.key} {run.keys}" for k in console.keyboards for run in k.contacts]


# ---------------------------------------------------------------- any console, any boards

PLACES = (
    (Place.THUMB,),
    (Place.TOE,),
    (Place.THUMB, Place.TOE),
    (Place.TOE, Place.THUMB, Place.TOE),
)


@st.composite
def surveys(draw: st.DrawFn) -> Console:
    """Consoles with boards, and some wires put on them by hand, in no order at all."""
    keyboards = draw(st.lists(st.integers(1, 40), max_size=4))
    places = draw(st.lists(st.sampled_from(PLACES), max_size=6))
    sizes = draw(st.lists(st.integers(1, 50), max_size=4))
    boards = [board_in(f"b{n}", size, n + 1) for n, size in enumerate(sizes)]
    bare = console_of(keyboards, draw(st.integers(0, 12)), places, boards)
    deep = draw(st.booleans())
    if bare.pistons and deep:
        deeper = evolve(bare.pistons[0], second_touch=SecondTouch(bare.pistons[-1].id))
        bare = evolve(bare, pistons=(deeper, *bare.pistons[1:]))
    return wired_by_hand(bare, draw(st.randoms(use_true_random=False)))


def wired_by_hand(console: Console, chance: random.Random) -> Console:
    free = [f"{board.id}.{pin}" for board in console.boards for pin in range(1, board.pins + 1)]
    points = list(points_of(console))
    chance.shuffle(points)
    points.sort(key=lambda point: point.number if point.part is not Part.KEYS else 0)
    some = points[: chance.choice((0, 0, 1, 3, len(points)))]
    if chance.random() < 0.5:
        chance.shuffle(free)
    return with_pins(console, dict(zip(some, free, strict=False)))


further = st.lists(st.sampled_from((8, 16, 17, 24, 32, 32, 48, 64)), max_size=12)


@settings(deadline=None, max_examples=40)
@given(surveys(), further)
def test_every_contact_is_on_one_pin(console: Console, sizes: list[int]) -> None:
    try:
        found = plan(console, boards=sizes)
    except TooFewBoardsError as error:
        (lacking,) = error.lacking
        more = [lacking.pins or 8] * (lacking.boards or 40)
        found = plan(console, boards=[*sizes, *more])
        if lacking.boards:
            with pytest.raises(TooFewBoardsError):
                plan(console, boards=[*sizes, *more[1:]])
    before, after = pins_of(console), pins_of(found.console)
    assert {wire: pin for wire, pin in before.items() if pin} == {
        wire: pin for wire, pin in after.items() if before[wire]
    }
    pins = list(after.values())
    assert None not in pins
    assert len(set(pins)) == len(pins)
    boards = {board.id: board.pins for board in found.console.boards}
    assert all(1 <= number <= boards[board] for board, number in map(at, pins))
    assert sum(use.wired + use.planned for use in found.boards) == len(pins)
    assert {use.board.id for use in found.boards} == {at(pin)[0] for pin in pins}
    in_order(console, found)
    all_pieces(console, found)


def in_order(console: Console, found: Plan) -> None:
    """What is no run of keys is in harness order, and what is spare comes after it all."""
    order = {board.id: number for number, board in enumerate(found.console.boards)}
    begun = {p.id for p in points_of(console) if p.part is Part.KEYS and p.pin}
    in_runs = {
        p for group in groups(console) if len(group) > 1 or group[0].id in begun for p in group
    }
    units = [p for p in points_of(console) if p.pin is None and p not in in_runs]
    places = [(order[board], number) for board, number in (at(found.contacts[p]) for p in units)]
    assert places == sorted(places)
    taken = {at(pin) for pin in pins_of(found.console).values()}
    used = {use.board.id for use in found.boards}
    free = [
        (order[board.id], pin)
        for board in found.console.boards
        if board.id in used
        for pin in range(1, board.pins + 1)
        if (board.id, pin) not in taken
    ]
    assert not places or not free or places[-1] < free[0]


def groups(console: Console) -> list[list[Point]]:
    """Neighbouring keys of a keyboard without pins."""
    keys = [point for point in points_of(console) if point.part is Part.KEYS]
    together = groupby(keys, key=lambda p: (p.id, p.pin is None))
    return [list(group) for (_, unwired), group in together if unwired]


def pieces(group: Sequence[Point], pins: Sequence[tuple[str, int]]) -> int:
    """On how many runs of pins neighbouring keys are."""
    assert len(group) == len(pins)
    return 1 + sum(b != (a[0], a[1] + 1) for a, b in pairwise(pins))


def all_pieces(console: Console, found: Plan) -> int:
    """On how many runs of pins all keys are, and that the plan says so."""
    counted = 0
    for group in groups(console):
        there = pieces(group, [at(found.contacts[point]) for point in group])
        assert there <= found.pieces.get(group[0], 1)
        counted += there
    return counted


# ---------------------------------------------------------------- the fewest there can be


def opened(console: Console, found: Plan) -> tuple[int, int]:
    """How many boards had nothing on them and now have, and their pins."""
    before = {at(pin)[0] for pin in pins_of(console).values() if pin}
    new = [use.board.pins for use in found.boards if use.board.id not in before]
    return len(new), sum(new)


def tiny_choices(console: Console, sizes: Sequence[int]) -> Iterator[tuple[int, int, int]]:
    """Pieces, boards and pins of every way to put two keyboards on boards, each key anywhere."""
    boards = [(f"b{n}", size) for n, size in enumerate(sizes)]
    keys = [point for group in groups(console) for point in group]
    wires = len(points_of(console))
    for taken in product((False, True), repeat=len(boards)):
        some = [board for board, wanted in zip(boards, taken, strict=True) if wanted]
        pins = [(name, pin) for name, size in some for pin in range(1, size + 1)]
        if len(pins) < wires:
            continue
        for chosen in permutations(pins, len(keys)):
            on = dict(zip(keys, chosen, strict=True))
            count = sum(pieces(g, [on[p] for p in g]) for g in groups_of(keys))
            yield count, len(some), len(pins)


def groups_of(keys: Sequence[Point]) -> list[list[Point]]:
    return [list(group) for _, group in groupby(keys, key=lambda p: p.id)]


@settings(deadline=None, max_examples=25)
@given(
    st.sampled_from(((4,), (3,), (2, 2), (3, 1), (2, 1))),
    st.integers(0, 3),
    st.sampled_from(((2, 2, 2), (4, 3), (3, 2, 2), (1, 2, 3), (5, 2), (3, 3), (1, 1, 4), (4, 2))),
)
def test_no_plan_of_all_has_fewer(
    keyboards: tuple[int, ...], stops: int, sizes: tuple[int, ...]
) -> None:
    """Against every assignment there is, counted one by one, broken keyboards too."""
    boards = [board_in(f"b{n}", size, n + 1) for n, size in enumerate(sizes)]
    console = console_of(keyboards, stops, (), boards)
    ways = list(tiny_choices(console, sizes))
    if not ways:
        with pytest.raises(TooFewBoardsError):
            plan(console)
        return
    found = plan(console)
    assert found.fewest
    assert (all_pieces(console, found), *opened(console, found)) == min(ways)


@settings(deadline=None, max_examples=25)
@given(
    st.lists(st.integers(5, 61), min_size=1, max_size=4),
    st.integers(0, 30),
    st.lists(st.sampled_from((16, 24, 32, 40, 64, 72, 128)), min_size=1, max_size=5),
)
def test_whole_keyboards_are_on_the_fewest_boards(
    keyboards: list[int], stops: int, sizes: list[int]
) -> None:
    """Against every choice of boards, and of a board of them for every keyboard."""
    console = console_of(keyboards, stops)
    ways = []
    for taken in product((False, True), repeat=len(sizes)):
        some = [size for size, wanted in zip(sizes, taken, strict=True) if wanted]
        if sum(some) < sum(keyboards) + stops:
            continue
        for where in product(range(len(some)), repeat=len(keyboards)):
            load = [
                sum(k for k, b in zip(keyboards, where, strict=True) if b == n)
                for n in range(len(some))
            ]
            if all(a <= b for a, b in zip(load, some, strict=True)):
                ways.append((len(some), sum(some)))
                break
    try:
        found = plan(console, boards=sizes)
    except TooFewBoardsError:
        assert not ways
        return
    assert found.fewest
    if ways:
        assert not found.pieces
        assert opened(console, found) == min(ways)
    else:
        assert found.pieces


@pytest.mark.parametrize(
    ("keyboards", "sizes", "count"),
    [([2, 7, 6], [7, 5, 3], 4), ([8, 2], [1, 4, 4, 1], 4), ([3, 6, 8], [7, 9, 1], 4)],
)
def test_what_went_wrong_with_fewer_cuts_left_is_tried_with_more(
    keyboards: list[int], sizes: list[int], count: int
) -> None:
    console = console_of(keyboards)
    assert all_pieces(console, plan(console, boards=sizes)) == count


@pytest.mark.parametrize(
    ("stops", "to_hand", "used"),
    [
        (15, [30, 30, 30, 39, 39, 8], [30, 30, 30]),
        (17, [8, 20, 20, 20, 39, 39], [8, 20, 20, 20, 39]),
    ],
)
def test_a_search_that_is_cut_short_says_so(
    stops: int, to_hand: list[int], used: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("combination.packing.STEPS", 0)
    console = console_of([20, 20, 20], stops)
    found = plan(console, boards=to_hand)
    assert not found.fewest
    assert [use.board.pins for use in found.boards] == used
    assert all_pieces(console, found) == 3
    in_order(console, found)


def test_a_search_from_the_longest_on_leaves_the_first_boards_to_the_first_keyboards(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("combination.packing.STEPS_AT_ONCE", 0)
    found = plan(console_of([15, 10, 20, 15]), boards=[30, 30])
    assert [keyboard.contacts[0].pin for keyboard in found.console.keyboards] == [
        "board-1.1",
        "board-2.1",
        "board-2.11",
        "board-1.16",
    ]
    assert found.fewest


# ---------------------------------------------------------------- by hand, and what is odd


def test_a_keyboard_begun_by_hand_goes_on_next_to_what_it_has() -> None:
    console = console_of([10], 2, (), [board_in("a", 8, 1), board_in("b", 30, 2)])
    points = points_of(console)
    console = with_pins(console, {points[4]: "b.20", points[5]: "b.21"})
    assert keys_of(plan(console).console) == ["b.16 None None"]
    taken = with_pins(console, {points_of(console)[-1]: "b.23"})
    assert keys_of(plan(taken).console) == ["b.16 None 6", "b.1 42 None"]


def test_what_a_hand_has_put_on_stays_and_its_board_is_used_first() -> None:
    console = console_of([5], 3, (), [board_in("a", 8, 1), board_in("b", 8, 2)])
    console = with_pins(console, {points_of(console)[6]: "b.3"})
    found = plan(console).console
    assert keys_of(found) == ["b.4 None None"]
    assert [s.contact and s.contact.pin for s in found.stops] == ["b.1", "b.3", "b.2"]


def test_boards_of_program_changes_take_nothing_that_is_planned() -> None:
    pushes = Board("pushes", 4, input=PinMessages("console", 1, first_program=0))
    console = console_of([], 2, [(Place.THUMB,)], [pushes, board_in("a", 9, 2)])
    assert set(plan(console).contacts.values()) == {"a.1", "a.2", "a.3"}


def test_a_broken_keyboard_is_told_with_its_pieces() -> None:
    console = console_of([61], 3)
    found = plan(console, boards=[32, 32, 32])
    assert keys_of(found.console) == ["board-1.1 None 32", "board-2.1 68 None"]
    assert [(point.id, count) for point, count in found.pieces.items()] == [("k0", 2)]
    assert [use.spare for use in found.boards] == [0, 0]


@pytest.mark.parametrize(
    ("boards", "lacking"),
    [
        ([], Lacking("in", 64, 0, 0)),
        ([32], Lacking("in", 64, 1, 32)),
        ([10, 20], Lacking("in", 64, 2, 20)),
    ],
)
def test_too_few_boards_are_counted(boards: list[int], lacking: Lacking) -> None:
    with pytest.raises(TooFewBoardsError) as error:
        plan(console_of([61], 3), boards=boards)
    assert error.value.lacking == (lacking,)


def test_further_boards_take_notes_that_mean_nothing_yet() -> None:
    there = [
        Board("board-1", 10, input=PinMessages("console", 1, first_note=20)),
        board_in("x", 100, 2),
    ]
    console = console_of([64, 64, 64], 10, (), there)
    found = plan(console, boards=[64] * 3, ports=["console"]).console
    assert [(b.id, b.input and (b.input.channel, b.input.first_note)) for b in found.boards] == [
        ("board-1", (1, 20)),
        ("x", (2, 0)),
        ("board-2", (1, 30)),
        ("board-3", (3, 0)),
    ]


def test_further_drivers_take_notes_that_nothing_goes_out_by() -> None:
    lines = Division("great", "Great", lowest=36, lines=4, out=LinesOut("console", 1))
    effect = Effect(id="bell", label=("Bell",), out=StateOut("console", 1, note=51))
    rank = Rank("flute", "Flute", pipes=5, out=(RankOut("console", 1, 70, 2),))
    there = [board_in("a", 3, 1), Board("o", 30, out=PinMessages("console", 1, 0))]
    console = console_of(
        [], 2, (), there, action=Action.LIT, divisions=(lines,), effects=(effect,), ranks=(rank,)
    )
    firsts = []
    for pins in (6, 7, 11, 12, 18, 19, 54, 55):
        further = [board for board in _crowded(console, pins).boards if board.id == "driver-1"]
        firsts += [(b.out.channel, b.out.first_note) for b in further if b.out]
    assert firsts == [(1, 30), (1, 40), (1, 40), (1, 52), (1, 52), (1, 74), (1, 74), (2, 0)]


def _crowded(console: Console, pins: int) -> Console:
    """Planned with one driver board of so many pins, and no other free pin."""
    full = {Driver(Driven.PISTON_LAMP, f"p{n}"): f"o.{n + 1}" for n in range(30)}
    lamps = tuple(Piston(id=f"p{n}", label=("x",), kind=Kind.NEXT) for n in range(30))
    wired = with_drivers(evolve(console, pistons=lamps), full)
    return plan(wired, boards=[40], drivers=[pins]).console


def test_a_full_port_is_followed_by_the_next() -> None:
    console = console_of([100] * 17)
    with pytest.raises(NoRoomError):
        plan(console, boards=[100] * 17)
    found = plan(console, boards=[100] * 17, ports=["console", "more"]).console
    assert [b.input and b.input.port for b in found.boards] == ["console"] * 16 + ["more"]


# ---------------------------------------------------------------- what is driven


def drives(console: Console) -> dict[str, str]:
    return {f"{d.kind.value} {d.id} {d.number}": d.pin or "" for d in drivers_of(console)}


def test_a_lamp_has_the_number_of_its_contact() -> None:
    """On its contact's board if that goes out, else on one of its own."""
    both = Board("a", 8, PinMessages("console", 1, 0), PinMessages("console", 1, 0))
    console = console_of([3], 6, (), [both, board_in("b", 8, 2)], action=Action.LIT)
    found = plan(console, drivers=[16, 8])
    senses = {s.id: s.contact.pin for s in found.console.stops if s.contact}
    assert list(senses.values()) == ["a.4", "a.5", "a.6", "a.7", "a.8", "b.1"]
    assert [s.lamp for s in found.console.stops] == [
        "a.4",
        "a.5",
        "a.6",
        "a.7",
        "a.8",
        "driver-1.1",
    ]
    assert found.aligned == 6
    assert [use.board.pins for use in found.boards if use.new] == [8]


def test_the_magnets_of_the_tab_on_pin_n_are_on_2n_less_one_and_2n() -> None:
    console = console_of([3], 4, (), [board_in("a", 8, 1)], action=Action.MOVING)
    found = plan(console, drivers=[32])
    assert [s.contact and s.contact.pin for s in found.console.stops] == [
        "a.4",
        "a.5",
        "a.6",
        "a.7",
    ]
    pairs = [(s.drive_on, s.drive_off) for s in found.console.stops]
    assert pairs[0] == ("driver-1.7", "driver-1.8")
    assert pairs[3] == ("driver-1.13", "driver-1.14")
    assert found.aligned == 8


def test_boards_too_small_to_be_aligned_are_laid_end_to_end() -> None:
    console = console_of([3], 4, (), [board_in("a", 8, 1)], action=Action.MOVING)
    found = plan(console, drivers=[9, 9, 9])
    pairs = [(s.drive_on, s.drive_off) for s in found.console.stops]
    assert pairs == [
        ("driver-1.7", "driver-1.8"),
        ("driver-2.1", "driver-2.2"),
        ("driver-2.3", "driver-2.4"),
        ("driver-2.5", "driver-2.6"),
    ]
    assert found.aligned == 8


def test_with_too_few_boards_drivers_follow_their_contacts() -> None:
    console = console_of([3], 4, (), [board_in("a", 8, 1)], action=Action.MOVING)
    found = plan(console, drivers=[3, 6])
    pairs = [(s.drive_on, s.drive_off) for s in found.console.stops]
    assert pairs == [
        ("driver-1.1", "driver-1.2"),
        ("driver-2.1", "driver-2.2"),
        ("driver-2.3", "driver-2.4"),
        ("driver-2.5", "driver-2.6"),
    ]
    with pytest.raises(TooFewBoardsError) as error:
        plan(console, drivers=[3, 4])
    assert error.value.lacking == (Lacking("out", 8, 1, 4),)


def test_drivers_that_cannot_be_aligned_are_on_the_fewest_boards() -> None:
    console = console_of([], 20, (), [board_in("a", 20, 1)], action=Action.LIT)
    found = plan(console, drivers=[12, 6, 10, 9])
    assert [use.board.pins for use in found.boards if use.new] == [12, 9]
    assert [s.lamp for s in found.console.stops][11:13] == ["driver-1.12", "driver-2.1"]


def test_lamps_leave_the_boards_of_other_contacts_alone() -> None:
    both = Board("a", 8, PinMessages("console", 1, 0), PinMessages("console", 1, 0))
    console = console_of([8], 2, (), [both, board_in("b", 8, 2)], action=Action.LIT)
    found = plan(console, drivers=[8]).console
    assert [s.lamp for s in found.stops] == ["driver-1.1", "driver-1.2"]


def test_what_is_aligned_by_hand_is_gone_on_with() -> None:
    boards = [board_in("a", 8, 1), board_out("other", 8, 1), board_out("lamps", 8, 2)]
    console = console_of([], 4, (), boards, action=Action.LIT)
    points = points_of(console)
    console = with_pins(console, {point: f"a.{n}" for n, point in enumerate(points, 3)})
    first = drivers_of(console)[0]
    found = plan(with_drivers(console, {first: "lamps.3"})).console
    assert [s.lamp for s in found.stops] == ["lamps.3", "lamps.4", "lamps.5", "lamps.6"]


PIPES = (
    Rank("flute", "Flute", pipes=12),
    Rank("harp", "Harp", pipes=5),
    Rank("by-midi", "Reed", pipes=20, out=(RankOut("elsewhere", 1),)),
    Rank("tuba", "Tuba", pipes=10),
)


def test_ranks_are_on_boards_of_their_own_in_unbroken_runs() -> None:
    harp = Percussion(id="harp", label=("Harp",), rank="harp")
    console = console_of(
        [], 3, (), [board_in("a", 8, 1)], action=Action.LIT, ranks=PIPES, percussions=(harp,)
    )
    found = plan(console, drivers=[8, 9, 20])
    pins = drives(found.console)
    assert [pins[f"lamp s{n} 0"] for n in range(3)] == [f"driver-1.{n}" for n in (1, 2, 3)]
    assert pins["chest magnet flute 12"] == "driver-3.12"
    assert pins["percussion solenoid harp 5"] == "driver-2.5"
    assert [(driver.id, count) for driver, count in found.pieces.items()] == [("tuba", 2)]
    assert {rank.id: rank.out for rank in found.console.ranks} == {
        "flute": (RankOut("console", 1, 17),),
        "harp": (RankOut("console", 1, 8),),
        "by-midi": (RankOut("elsewhere", 1),),
        "tuba": (RankOut("console", 1, 13, 1, 4), RankOut("console", 1, 29, 5)),
    }
    assert not plan(console, drivers=[8, 9, 20], pipes=False).console.ranks[0].out


def test_nothing_is_driven_where_nothing_to_hand_takes_it() -> None:
    console = console_of([], 3, (), [board_in("a", 8, 1)], action=Action.LIT, ranks=PIPES)
    assert not plan(console).drivers
    at_the_chest = Rank("flute", "Flute", pipes=5, out=(RankOut("console", 1, 0),))
    boards = [board_in("a", 8, 1), board_out("chest", 30, 1)]
    console = console_of([], 3, (), boards, action=Action.LIT, ranks=(at_the_chest, *PIPES[1:]))
    kinds = {driver.kind for driver in plan(console).drivers}
    assert kinds == {Driven.CHEST}
    both = Board("a", 8, PinMessages("console", 1, 0), PinMessages("console", 1, 0))
    at_the_console = plan(evolve(console, boards=(both,), ranks=PIPES))
    assert {driver.kind for driver in at_the_console.drivers} == {Driven.LAMP}


@settings(deadline=None, max_examples=30)
@given(
    surveys(),
    st.sampled_from((Action.LIT, Action.MOVING)),
    st.lists(st.integers(2, 40), max_size=8),
    st.booleans(),
    st.randoms(use_true_random=False),
)
def test_every_driver_is_on_one_pin(
    console: Console, action: Action, sizes: list[int], lamps: bool, chance: random.Random
) -> None:
    out = (*console.boards, board_out("o1", 30, 1), board_out("o2", 9, 2))
    console = evolve(console, action=action, boards=out, ranks=PIPES)
    free = [f"o1.{pin}" for pin in range(1, 31)]
    chance.shuffle(free)
    listed = drivers_of(console, piston_lamps=lamps)
    by_tab = [list(group) for _, group in groupby(listed, lambda driver: driver.id)]
    some = [d for tab in by_tab[:: chance.choice((1, 2, 3))] for d in tab if d.number == 0]
    console = with_drivers(console, dict(zip(some[: 2 * chance.randint(0, 4)], free, strict=False)))
    boards = [50] * 6
    try:
        found = plan(console, boards=boards, drivers=sizes, piston_lamps=lamps)
    except TooFewBoardsError as error:
        (lacking,) = error.lacking
        assert (lacking.way, lacking.boards > 0) == ("out", True)
        more = [lacking.pins] * lacking.boards
        found = plan(console, boards=boards, drivers=[*sizes, *more], piston_lamps=lamps)
    before = {d.wire: d.pin for d in drivers_of(console, piston_lamps=lamps)}
    after = {d.wire: d.pin for d in drivers_of(found.console, piston_lamps=lamps)}
    assert {wire: pin for wire, pin in before.items() if pin} == {
        wire: pin for wire, pin in after.items() if before[wire]
    }
    pins = list(after.values())
    assert None not in pins
    assert len(set(pins)) == len(pins)
    sizes_of = {board.id: board.pins for board in found.console.boards if board.out}
    assert all(1 <= number <= sizes_of[board] for board, number in map(at, pins))
    for control in found.console.controls:
        if control.drive_on and before[Driven.MAGNET_ON, control.id, 0] is None:
            board, number = at(control.drive_on)
            assert at(control.drive_off) == (board, number + 1)
    chests = {at(pin)[0] for (kind, *_), pin in after.items() if kind is Driven.CHEST}
    assert chests.isdisjoint(
        at(pin)[0] for (kind, *_), pin in after.items() if kind is not Driven.CHEST
    )


def test_drivers_put_into_a_console_are_found_there() -> None:
    shades = Chamber("swell", "Swell", stages=3, shades="o.1")
    console = console_of(
        [], 2, [(Place.THUMB,)], [board_out("o", 60, 1)], ranks=PIPES, chambers=(shades,)
    )
    listed = drivers_of(console, piston_lamps=True)
    assert [d.pin for d in listed if d.kind is Driven.SHADE] == ["o.1", "o.2", "o.3"]
    moved = [d for d in listed if d.kind is not Driven.SHADE]
    pins = {driver: f"o.{pin}" for pin, driver in enumerate(moved, 4)}
    found = with_drivers(console, pins)
    assert drives(found) == drives(console) | {
        f"{d.kind.value} {d.id} {d.number}": pin for d, pin in pins.items()
    }
    (one,) = [d for d in drivers_of(found) if (d.id, d.number) == ("flute", 5)]
    again = with_drivers(found, {one: "o.60"})
    assert drives(again) == drives(found) | {"chest magnet flute 5": "o.60"}
    assert [(o.first_pipe, o.last_pipe) for o in again.ranks[0].out] == [(1, 4), (5, 5), (6, None)]
    with pytest.raises(CannotBeWiredError, match="unbroken run"):
        with_drivers(console, {Driver(Driven.SHADE, "swell", 2, "o.2"): "o.9"})


def test_what_a_rank_has_elsewhere_stays_when_a_pipe_is_moved() -> None:
    elsewhere = RankOut("bass", 1, 40, 1, 4)
    rank = Rank("flute", "Flute", pipes=6, out=(RankOut("console", 1, 10, 5), elsewhere))
    console = console_of([], 0, (), [board_out("o", 60, 1)], ranks=(rank,))
    assert drives(console) == {"chest magnet flute 5": "o.11", "chest magnet flute 6": "o.12"}
    found = with_drivers(console, {drivers_of(console)[0]: "o.20"})
    assert drives(found) == {"chest magnet flute 5": "o.20", "chest magnet flute 6": "o.12"}
    assert elsewhere in found.ranks[0].out


def test_a_rank_goes_out_by_notes() -> None:
    lamps = Board("o", 60, out=PinMessages("console", 1, first_controller=0))
    console = console_of([], 0, (), [lamps], ranks=PIPES)
    assert not plan(console).drivers
    pipe = drivers_of(console)[0]
    with pytest.raises(CannotBeWiredError, match="by notes"):
        with_drivers(console, {pipe: "o.1"})


# ---------------------------------------------------------------- as a file


TEXT = """
format = 1
name = "Survey"   # as it was found
action = "blind"
"""


def text_of(keyboards: Sequence[int], stops: int, pistons: int) -> str:
    parts = [TEXT]
    for n, keys in enumerate(keyboards):
        parts.append(f'[[keyboard]]\nid = "k{n}"\nname = "Manual {n}"\nkeys = {keys}\n')
        parts.append(f'[[division]]\nid = "d{n}"\nname = "Division {n}"\nkeyboard = "k{n}"\n')
    parts.append('[[rank]]\nid = "flute"\nname = "Flute"\npipes = 85\n')
    for n in range(stops):
        parts.append(f'[[stop]]\nid = "s{n}"\nlabel = "Flute {n}"\n')
        parts.append('division = "d0"\nrank = "flute"\npitch = "4"\n')
    for n in range(pistons):
        parts.append(f'[[piston]]\nid = "p{n}"\nlabel = "{n}"\nkind = "general"\n')
        parts.append('at = ["thumb", "toe"]\n')
    return "\n".join(parts)


@settings(deadline=None, max_examples=12)
@given(
    st.lists(st.integers(1, 61), min_size=1, max_size=3),
    st.integers(1, 8),
    st.integers(0, 8),
    st.randoms(use_true_random=False),
)
def test_a_plan_written_into_the_file_reads_without_errors(
    keyboards: list[int], stops: int, pistons: int, chance: random.Random
) -> None:
    text = text_of(keyboards, stops, pistons)
    console = read_console(text)
    boards = (*console.boards, board_in("rail", 20, 3))
    text = rewired(text, wired_by_hand(evolve(console, boards=boards), chance))
    console = read_console(text)
    found = plan(console, boards=[64] * 5)
    written = rewired(text, found.console)
    assert pins_of(read_console(written)) == pins_of(found.console)
    assert "# as it was found" in written
    assert not plan(read_console(written)).contacts


# ---------------------------------------------------------------- a large one


def planned_large() -> Plan:
    """The plan of a console of 2,000 contacts, 10 keyboards and 1,000 controls among them."""
    console = console_of([61] * 10, 1000, [(Place.THUMB, Place.TOE)] * 195)
    return plan(console, boards=[64] * 20 + [96] * 10 + [32] * 10, ports=["console", "more"])


def test_a_large_console_is_planned() -> None:
    found = planned_large()
    assert len(found.contacts) == 2000
    assert found.fewest
    assert not found.pieces
