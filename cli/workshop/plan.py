"""A plan of a console's wiring, told to people and to programs.

Takes a plan and says what is on which pin, board by board, and what is left without one. How
contacts and drivers come to their pins is for `combination.planning`; no file is known here.
"""

from collections import Counter
from collections.abc import Iterable, Iterator
from typing import Any

from attrs import frozen

from cli.console.wiring import Use, pins_in, pins_out
from cli.naming import Listing, Names, plural, run, tally
from combination.contacts import Role
from combination.drivers import OF_A_RANK, Driven, Driver, drivers_of
from combination.harness import Point, points_of
from combination.model import Console, PinMessages, Piston, Rank
from combination.planning import BoardUse, Lacking, Plan
from combination.ranges import Ranges

LAMPS = frozenset({Driven.LAMP, Driven.PISTON_LAMP})
_COUNTED = {
    Driven.LAMP: "lamp",
    Driven.MAGNET_ON: "tab magnet",
    Driven.MAGNET_OFF: "tab magnet",
    Driven.PISTON_LAMP: "piston lamp",
    Driven.SHADE: "shade",
    Driven.CHEST: "chest magnet",
    Driven.PERCUSSION: "percussion solenoid",
}


@frozen
class Told:
    """A plan, and what it leaves without a pin, since no board to hand takes that.

    ``better`` is what would put more lamps and magnets in line, if anything is known to.
    """

    plan: Plan
    left: tuple[Driver, ...]
    better: "Better | None" = None

    @property
    def empty(self) -> bool:
        """Whether there was nothing to plan."""
        return not self.plan.contacts and not self.plan.drivers

    @property
    def coils(self) -> bool:
        """Whether anything planned is more than a lamp."""
        return any(driver.kind not in LAMPS for driver in self.plan.drivers)

    @property
    def at_console(self) -> int:
        """How many lamps and magnets are planned, pipes left out."""
        return sum(driver.kind not in OF_A_RANK for driver in self.plan.drivers)


@frozen
class Better:
    """So many ``boards`` of so many ``pins`` for drivers have ``aligned`` of them in line."""

    aligned: int
    boards: int
    pins: int


def undriven(console: Console, *, piston_lamps: bool) -> tuple[Driver, ...]:
    """What is to be driven and has no pin."""
    listed = drivers_of(console, piston_lamps=piston_lamps)
    return tuple(driver for driver in listed if driver.pin is None)


def only_deeper(console: Console) -> list[Piston]:
    """Pistons that the harness has no contact for: second touches of others."""
    have = {point.id for point in points_of(console) if point.role is Role.PISTON}
    return [piston for piston in console.pistons if piston.id not in have]


def only_deeper_text(console: Console) -> Iterator[str]:
    """Which pistons are given no contact of their own, and how they would be."""
    pistons = only_deeper(console)
    if not pistons:
        return
    names = Names(console, Ranges(console))
    listed = "; ".join(
        f"{names.piston(piston.id)}, the second touch of "
        + " and of ".join(names.piston(above) for above in _above(console, piston))
        for piston in pistons
    )
    whose = "its" if len(pistons) == 1 else "their"
    which = "it" if len(pistons) == 1 else "one"
    yield (
        f"No contact of {whose} own: {listed}. "
        f'In the file, give {which} at = "thumb" or at = "toe" if it has one.'
    )


def _above(console: Console, piston: Piston) -> list[str]:
    """Those whose second touch a piston is."""
    every = console.pistons
    return [p.id for p in every if p.second_touch and p.second_touch.piston == piston.id]


def listings(plan: Plan) -> Iterator[Listing]:
    """Every board with anything planned on it, runs of neighbouring pins together."""
    names = Names(plan.console, Ranges(plan.console))
    on_pins = {"in": pins_in(names), "out": pins_out(names)}
    ranks = {rank.id: rank for rank in plan.console.ranks}
    for driver in drivers_of(plan.console):
        if driver.kind in OF_A_RANK and driver.pin is not None:
            board, _, pin = driver.pin.rpartition(".")
            on_pins["out"].setdefault(board, {})[int(pin)] = _pipe(ranks[driver.id], driver)
    planned = {"in": set(plan.contacts.values()), "out": set(plan.drivers.values())}
    for use in plan.boards:
        if use.planned:
            name, pins = use.board.id, use.board.pins
            there = on_pins[use.way][name]
            new = [f"{name}.{pin}" in planned[use.way] for pin in range(1, pins + 1)]
            what = "contact of" if use.way == "in" else "drives"
            yield Listing((_title(use),), ("pins", what, "wired"), tuple(_rows(there, new)))


def _pipe(rank: Rank, driver: Driver) -> Use:
    name = rank.name.replace("{", "{{").replace("}", "}}")
    return Use(f"{name} pipes {{}} ({driver.kind.value}s)", driver.number)


def _title(use: BoardUse) -> str:
    board = use.board
    messages = board.input if use.way == "in" else board.out
    new = " (new)" if use.new else ""
    name = f", {board.name}" if board.name else ""
    counts = f"{plural(board.pins, 'pin')}, {use.planned} planned, {use.spare} spare"
    return f"Board {board.id}{new}{name}, {use.way}: {counts}; {_messages(messages, board.pins)}"


def _messages(messages: PinMessages | None, pins: int) -> str:
    """The port, the channel and the numbers of a board's pins."""
    if messages is None:
        return ""
    note = messages.first_note is not None
    first = (messages.first_note if note else messages.first_controller) or 0
    numbers = f"{'notes' if note else 'controllers'} {run(first, first + pins - 1)}"
    return f"port {messages.port}, channel {messages.channel}, {numbers}"


def _rows(there: dict[int, Use], new: list[bool]) -> Iterator[tuple[str, ...]]:
    """Runs of pins with the same thing on them, or nothing, planned now or wired before."""
    first = 1
    for pin in range(1, len(new) + 1):
        here, following = there.get(pin), there.get(pin + 1)
        if pin < len(new) and new[pin - 1] == new[pin]:
            if here is following is None:
                continue
            if here is not None and following is not None and following.goes_on(here):
                continue
        use = there.get(first)
        text = use.until(here) if use is not None and here is not None else "spare"
        wired = "planned" if new[first - 1] else "before" if use is not None else ""
        yield run(first, pin), text, wired
        first = pin + 1


def counts(plan: Plan) -> Listing:
    """How full each board is."""
    return Listing(
        ("Boards",),
        ("board", "way", "pins", "wired before", "planned", "spare"),
        tuple(
            (use.board.id, use.way, *map(str, (use.board.pins, use.wired, use.planned, use.spare)))
            for use in plan.boards
        ),
    )


def sentences(told: Told) -> Iterator[str]:
    """What is planned, how well, and what is not."""
    plan = told.plan
    planned = tally([(len(plan.contacts), "contact"), *_of_kinds(plan.drivers)])
    if told.empty:
        yield "Nothing to plan: whatever a board to hand takes has its pin."
        yield from left_text(told.left)
        yield from only_deeper_text(plan.console)
        return
    new = sum(use.new for use in plan.boards)
    further = f", {plural(new, 'further board')}" if new else ""
    spare = sum(use.spare for use in plan.boards)
    used = len({use.board.id for use in plan.boards})
    yield f"Planned: {planned}; {plural(used, 'board')} in use{further}; {spare} pins spare."
    ranks = {rank.id: rank.name for rank in plan.console.ranks}
    keyboards = {keyboard.id: keyboard.name for keyboard in plan.console.keyboards}
    for wire, pieces in plan.pieces.items():
        name = keyboards[wire.id] if isinstance(wire, Point) else ranks[wire.id]
        yield f"{name} is in {pieces} pieces: there is no room for it in one."
    if told.at_console:
        which = "lamps and magnets are in line with their contacts"
        yield f"{plan.aligned} of {told.at_console} {which}{_better(told)}."
    if not plan.fewest:
        yield "Fewer boards may do: there were too many ways to try them all."
    yield from left_text(told.left)
    yield from only_deeper_text(plan.console)


def _better(told: Told) -> str:
    better = told.better
    if better is None:
        return ""
    many = "all" if better.aligned == told.at_console else str(better.aligned)
    return f"; {many} would be with --drivers {better.pins}x{better.boards}"


def left_text(left: Iterable[Driver]) -> Iterator[str]:
    """What stays without a pin, since no board takes it."""
    kinds = tally(_of_kinds(left))
    if kinds:
        yield f"Without a pin still: {kinds}. No board to hand takes them; see --drivers."


def _of_kinds(drivers: Iterable[Driver]) -> list[tuple[int, str]]:
    found = Counter(_COUNTED[driver.kind] for driver in drivers)
    return [(found[kind], kind) for kind in dict.fromkeys(_COUNTED.values())]


def lacking_text(lacking: Lacking) -> str:
    """What there is too little of, and what would do."""
    what = "contacts" if lacking.way == "in" else "lamps, magnets and solenoids"
    option = "--board" if lacking.way == "in" else "--drivers"
    if not lacking.boards:
        return f"no board to hand takes {what}, and {lacking.wires} need a pin; see {option}"
    more = f"{plural(lacking.boards, 'more board')} of {plural(lacking.pins, 'pin')}"
    also = f"add {option} {lacking.pins}x{lacking.boards}"
    return f"{lacking.wires} {what} need a pin, and there are too few: {more} would do; {also}"


# ---------------------------------------------------------------- for programs


def as_data(told: Told) -> dict[str, Any]:
    """A plan as data."""
    plan = told.plan
    pieces = [
        {"what": "keyboard" if isinstance(wire, Point) else "rank", "id": wire.id, "pieces": number}
        for wire, number in plan.pieces.items()
    ]
    return {
        "boards": [_use_data(use) for use in plan.boards],
        "contacts": [{**_point_data(point), "pin": pin} for point, pin in plan.contacts.items()],
        "drivers": [{**_driver_data(driver), "pin": pin} for driver, pin in plan.drivers.items()],
        "without a pin": left_data(told.left),
        "no contact of their own": only_deeper_data(plan.console),
        "aligned": plan.aligned,
        "better aligned": _better_data(told.better),
        "broken": pieces,
        "fewest": plan.fewest,
        "lacking": [],
    }


def lacking_data(lacking: Iterable[Lacking]) -> list[dict[str, Any]]:
    """What there is too little of, as data."""
    return [
        {"way": each.way, "wires": each.wires, "boards": each.boards, "pins": each.pins}
        for each in lacking
    ]


def left_data(left: Iterable[Driver]) -> list[dict[str, Any]]:
    """What stays without a pin, as data."""
    return [_driver_data(driver) for driver in left]


def only_deeper_data(console: Console) -> list[dict[str, Any]]:
    """Pistons that are given no contact of their own, as data."""
    return [
        {"id": piston.id, "second touch of": _above(console, piston)}
        for piston in only_deeper(console)
    ]


def _better_data(better: Better | None) -> dict[str, int] | None:
    if better is None:
        return None
    return {"aligned": better.aligned, "boards": better.boards, "pins": better.pins}


def _use_data(use: BoardUse) -> dict[str, Any]:
    board = use.board
    messages = board.input if use.way == "in" else board.out
    return {
        "board": board.id,
        "way": use.way,
        "new": use.new,
        "port": messages.port if messages else None,
        "channel": messages.channel if messages else None,
        "first-note": messages.first_note if messages else None,
        "pins": board.pins,
        "wired before": use.wired,
        "planned": use.planned,
        "spare": use.spare,
    }


def _point_data(point: Point) -> dict[str, Any]:
    role = point.role.name.lower().replace("_", " ")
    return {"part": point.part.value, "role": role, "id": point.id, "number": point.number}


def _driver_data(driver: Driver) -> dict[str, Any]:
    return {"kind": driver.kind.value, "id": driver.id, "number": driver.number}
