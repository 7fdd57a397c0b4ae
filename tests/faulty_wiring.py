"""Consoles whose wires are not where they should be, and somebody who works every contact once.

Mistakes are made on a table of wires, each with what a proof must say of it. What is then heard
goes through the console's own messages, as its boards would send them.
"""

import random
from collections.abc import Iterable, Iterator, Sequence

from attrs import define, field, frozen

from combination.contacts import Role
from combination.harness import Part, Point, points_of
from combination.midi import Edge, Wiring
from combination.model import (
    Action,
    Board,
    Console,
    Contact,
    Keyboard,
    KeyRun,
    Kind,
    PinMessages,
    Piston,
    Place,
    SecondTouch,
    Stop,
    Timing,
)
from combination.proving import Mistake, Worked, asked_of, spot_of
from combination.strikes import Change, Spot

Wire = tuple[Role, str, int]
Told = tuple[Mistake, frozenset[Wire]]
"""What must be found: the mistake and its wires."""


def console_of(chance: random.Random) -> Console:
    """A console of any size, its contacts on the pins of boards, with spares between."""
    boards: list[Board] = []
    free: list[str] = []

    def board(pins: int) -> str:
        number = len(boards)
        messages = PinMessages("console", number % 16 + 1, first_note=64 * (number // 16))
        boards.append(Board(f"b{number + 1}", pins, input=messages))
        return f"b{number + 1}"

    keyboards = []
    for number in range(chance.choice((1, 1, 2))):
        keys = chance.choice((30, 32, 49, 61))
        name = f"k{number + 1}"
        run = KeyRun(f"{board(64)}.{chance.randint(1, 64 - keys + 1)}")
        keyboards.append(Keyboard(name, name.upper(), keys=keys, contacts=(run,)))

    def pin() -> str:
        if not free:
            name = board(chance.choice((32, 64)))
            free.extend(f"{name}.{n}" for n in range(1, boards[-1].pins - 3))
        return free.pop(0)

    stops = [
        Stop(id=f"s{n}", label=(f"Stop {n}",), contact=Contact(pin()), rank="r")
        for n in range(chance.randint(5, 30))
    ]
    free = []
    thumbs, studs = chance.randint(3, 20), chance.randint(0, 8)
    contacts: list[list[Contact]] = [[Contact(pin())] for _ in range(thumbs)]
    for n in range(min(studs, thumbs)):
        contacts[n].append(Contact(pin()))
    deep = [Contact(pin()) if chance.random() < 0.15 else None for _ in range(thumbs)]
    pistons = [
        Piston(
            id=f"p{n}",
            label=(str(n),),
            kind=Kind.GENERAL,
            at=(Place.THUMB, Place.TOE)[: len(contacts[n])],
            contact=tuple(contacts[n]),
            second_touch=SecondTouch("p0", (second,)) if second and n else None,
        )
        for n, second in enumerate(deep)
    ]
    return Console(
        format=1,
        name="Slate Quay",
        action=Action.BLIND,
        keyboards=tuple(keyboards),
        stops=tuple(stops),
        pistons=tuple(pistons),
        boards=tuple(boards),
    )


@define
class Bench:
    """A console as it is wired in truth."""

    console: Console
    chance: random.Random
    points: Sequence[Point] = field(init=False)
    bare: set[Spot] = field(init=False)
    """Pins on which nothing should be."""
    wires: dict[Wire, set[Spot]] = field(init=False)
    told: list[Told] = field(factory=list)
    shut: set[Spot] = field(factory=set)
    """Closed from the beginning."""
    stays: set[Wire] = field(factory=set)
    bounces: dict[Wire, float] = field(factory=dict)
    backwards: set[Wire] = field(factory=set)
    free: set[int] = field(init=False)

    def __attrs_post_init__(self) -> None:
        """Wire it as it is planned."""
        self.points = points_of(self.console)
        planned = {p.wire: spot_of(p.pin) for p in self.points if p.pin}
        every = {(b.id, n) for b in self.console.boards for n in range(1, b.pins + 1)}
        self.wires = {wire: {spot} for wire, spot in planned.items()}
        self.bare = every - set(planned.values())
        self.free = set(range(len(self.points)))

    # ------------------------------------------------------------ where mistakes can be made

    @property
    def spares(self) -> set[Spot]:
        """Pins on which nothing is, nor should be."""
        return self.bare.difference(*self.wires.values())

    def one(self) -> int:
        """A wire with which nothing is wrong, nor with its neighbours."""
        return self.run(1)[0]

    def run(self, length: int) -> list[int]:
        """Neighbouring wires of one part on neighbouring pins, with which nothing is wrong."""
        for _ in range(200):
            first = self.chance.randrange(len(self.points) - length + 1)
            numbers = list(range(first, first + length))
            near = range(first - 1, first + length + 1)
            if all(n in self.free for n in near if 0 <= n < len(self.points)) and self._level(
                numbers
            ):
                self.free -= set(numbers)
                return numbers
        raise LookupError

    def _level(self, numbers: Sequence[int]) -> bool:
        first = self.spot(numbers[0])
        return all(
            (
                self.points[n].part is self.points[numbers[0]].part
                and self.points[n].id == self.points[numbers[0]].id
            )
            or (
                self.points[n].part is not Part.KEYS
                and self.points[numbers[0]].part is self.points[n].part
            )
            for n in numbers
        ) and all(self.spot(n) == (first[0], first[1] + after) for after, n in enumerate(numbers))

    def spot(self, number: int) -> Spot:
        (spot,) = self.wires[self.points[number].wire]
        return spot

    def put(self, numbers: Sequence[int], spots: Sequence[Spot]) -> None:
        for number, spot in zip(numbers, spots, strict=True):
            self.wires[self.points[number].wire] = {spot}

    def says(self, mistake: Mistake, numbers: Iterable[int]) -> None:
        self.told.append((mistake, frozenset(self.points[n].wire for n in numbers)))


# ---------------------------------------------------------------- mistakes


def swap(bench: Bench) -> None:
    both = [bench.one(), bench.one()]
    spots = [bench.spot(n) for n in both]
    bench.put(both, spots[::-1])
    bench.says(Mistake.SWAPPED, both)


def swap_neighbours(bench: Bench) -> None:
    both = bench.run(2)
    bench.put(both, [bench.spot(n) for n in both][::-1])
    bench.says(Mistake.SWAPPED, both)


def turn_round(bench: Bench) -> None:
    """A run whose last wire has come first, or the first last."""
    run = bench.run(bench.chance.randint(3, 12))
    spots = [bench.spot(n) for n in run]
    turned = spots[1:] + spots[:1] if bench.chance.random() < 0.5 else spots[-1:] + spots[:-1]
    bench.put(run, turned)
    bench.says(Mistake.SHIFTED, run)


def shift_to_spares(bench: Bench) -> None:
    """A run that ends where spare pins begin sits one or two too far."""
    spares = bench.spares
    for _ in range(50):
        run = bench.run(bench.chance.randint(4, 20))
        by = bench.chance.choice((1, 2))
        board, last = bench.spot(run[-1])
        if all((board, last + n) in spares for n in range(1, by + 1)):
            bench.put(run, [(board, bench.spot(n)[1] + by) for n in run])
            bench.says(Mistake.SHIFTED, run)
            return
        bench.free |= set(run)
    raise LookupError


def reverse(bench: Bench) -> None:
    run = bench.run(bench.chance.randint(4, 16))
    bench.put(run, [bench.spot(n) for n in run][::-1])
    bench.says(Mistake.REVERSED, run)


def exchange(bench: Bench) -> None:
    """Two plugs of as many wires, each in the other's socket."""
    length = bench.chance.randint(3, 8)
    one, other = bench.run(length), bench.run(length)
    spots = [bench.spot(n) for n in one], [bench.spot(n) for n in other]
    if other[0] - one[-1] == 1 or one[0] - other[-1] == 1:
        raise LookupError
    bench.put(one, spots[1])
    bench.put(other, spots[0])
    bench.says(Mistake.EXCHANGED, [*one, *other])


def wrong_board(bench: Bench) -> None:
    """A plug in another board's socket, where nothing is."""
    run = bench.run(bench.chance.randint(1, 6))
    spares = bench.spares
    firsts = sorted(spares)
    bench.chance.shuffle(firsts)
    here = bench.spot(run[0])[0]
    for board, first in firsts:
        there = [(board, first + n) for n in range(len(run))]
        if board != here and spares.issuperset(there):
            bench.put(run, there)
            bench.says(Mistake.WRONG_BOARD, run)
            return
    raise LookupError


def unplanned(bench: Bench) -> None:
    one = bench.one()
    here = bench.spot(one)
    spares = [spot for spot in sorted(bench.spares) if spot[0] == here[0]]
    if not spares:
        raise LookupError
    bench.put([one], [bench.chance.choice(spares)])
    bench.says(Mistake.UNPLANNED, [one])


def dead(bench: Bench) -> None:
    run = bench.run(bench.chance.choice((1, 1, 1, 4, 8)))
    for number in run:
        bench.wires[bench.points[number].wire] = set()
    bench.says(Mistake.DEAD, run)


def stuck_shut(bench: Bench) -> None:
    one = bench.one()
    bench.shut.add(bench.spot(one))
    bench.says(Mistake.STUCK, [one])


def stays_down(bench: Bench) -> None:
    one = bench.one()
    bench.stays.add(bench.points[one].wire)
    bench.says(Mistake.STUCK, [one])


def join(bench: Bench) -> None:
    """A drop of solder between neighbours."""
    both = bench.run(2)
    spots = {bench.spot(n) for n in both}
    for number in both:
        bench.wires[bench.points[number].wire] = set(spots)
    bench.says(Mistake.DOUBLED, both)


def join_spare(bench: Bench) -> None:
    one = bench.one()
    spare = bench.chance.choice(sorted(bench.spares))
    bench.wires[bench.points[one].wire].add(spare)
    bench.says(Mistake.DOUBLED, [one])


def bounce(bench: Bench) -> None:
    one = bench.one()
    bench.bounces[bench.points[one].wire] = bench.chance.uniform(0.022, 0.06)
    bench.says(Mistake.BOUNCING, [one])


def backwards(bench: Bench) -> None:
    one = bench.one()
    bench.backwards.add(bench.points[one].wire)
    bench.says(Mistake.INVERTED, [one])


MISTAKES = (
    swap,
    swap_neighbours,
    turn_round,
    shift_to_spares,
    reverse,
    exchange,
    wrong_board,
    unplanned,
    dead,
    stuck_shut,
    stays_down,
    join,
    join_spare,
    bounce,
    backwards,
)


def spoilt(chance: random.Random, most: int = 3) -> Bench:
    """A console with some mistakes, one or more."""
    bench = Bench(console_of(chance), chance)
    count = chance.randint(1, most)
    for _ in range(100):
        if len(bench.told) == count:
            break
        try:
            chance.choice(MISTAKES)(bench)
        except (LookupError, ValueError):
            continue
    return bench


# ---------------------------------------------------------------- somebody works it


@frozen
class Hand:
    """How somebody works contacts: so fast, and now and then one twice."""

    chance: random.Random
    pace: float = 0.4
    stutters: float = 0.0

    def edges(self, bench: Bench, points: Sequence[Point], start: float) -> Iterator[Change]:
        """What the pins do while contacts are worked in order."""
        at = start
        down: set[Spot] = set(bench.shut)
        for place, point in enumerate(points):
            deep = place + 1 < len(points) and points[place + 1].role is Role.SECOND_TOUCH
            through = point.role is Role.SECOND_TOUCH
            once = deep or through or self.chance.random() >= self.stutters
            times = 1 if once else 2
            for _ in range(times):
                if through:
                    at -= self.pace * 0.9
                held = self.pace * self.chance.uniform(0.3, 0.9)
                if deep:
                    held = self.pace
                yield from self._press(bench, point, at, held, down)
                at += self.pace

    def _press(
        self, bench: Bench, point: Point, at: float, held: float, down: set[Spot]
    ) -> Iterator[Change]:
        wire = point.wire
        closed = wire not in bench.backwards
        bounce = bench.bounces.get(wire)
        stays = wire in bench.stays
        for number, spot in enumerate(sorted(bench.wires.get(wire, ()))):
            if spot in down:
                continue
            late = 0.001 * number
            yield Change(at + late, spot, closed)
            if bounce is not None:
                steps = max(int(bounce / 0.008), 1)
                for step in range(1, steps + 1):
                    when = at + bounce * step / steps
                    yield Change(when - 0.003, spot, not closed)
                    yield Change(when, spot, closed)
            if stays:
                down.add(spot)
                continue
            yield Change(at + held + late, spot, not closed)


def worked(bench: Bench, hand: Hand, *, through_midi: bool = True) -> list[Worked]:
    """The whole console worked, run by run, and heard through its own messages."""
    wiring = Wiring(bench.console)
    found = []
    start = 0.0
    for run in asked_of(bench.points):
        changes = list(hand.edges(bench, run, start))
        if through_midi:
            changes = [_by_message(wiring, change) for change in changes]
        found.append(Worked(run, tuple(changes), frozenset(bench.shut)))
        start += 1000.0
    return found


def _by_message(wiring: Wiring, change: Change) -> Change:
    """A change as it is read from the message that a board sends."""
    board, number = change.spot
    sent = wiring.spoken(Edge(f"{board}.{number}", bool(change.closed)))
    assert sent
    heard = wiring.heard(sent[1], sent[0])
    assert isinstance(heard, Edge)
    return Change(change.at, spot_of(heard.pin), heard.closed)


TIMING = Timing()
