"""Runs laid into gaps with the fewest cuts, and the fewest boards chosen that have the gaps.

A run is so many things that should be on neighbouring pins; a gap is a row of free pins of one
board. What the things are, and which boards may have them, is for `combination.planning` to know.
"""

from collections import defaultdict
from collections.abc import Hashable, Iterable, Iterator, Sequence
from itertools import groupby, islice
from typing import Any, TypeVar

from attrs import define, field

STEPS = 10_000
"""Pieces tried before a plan is taken as it is, unproved: ours, half a second or so."""
STEPS_AT_ONCE = 2_000
"""Of those, for one choice of boards and one order of runs."""
CHOICES = 5_000
"""Choices of so many boards of different sizes that are looked at: ours too."""

_T = TypeVar("_T", bound=Hashable)


# ---------------------------------------------------------------- runs laid into gaps


@define
class Search:
    """How much may still be tried, and what has come of it.

    ``fewest`` is whether nothing better was left untried; ``pieces`` has the first thing of each
    run that had to be broken, with its number of pieces.
    """

    steps: int = STEPS
    fewest: bool = True
    pieces: dict[Any, int] = field(factory=dict)


_Layout = list[list[tuple[int, int]]]
"""For each run its pieces in order: the gap that each is in, and how long it is."""


class _TooLongError(Exception):
    """A search has come to its limit."""


def _laid(runs: Sequence[int], gaps: Sequence[int], cuts: int, search: Search) -> _Layout | None:
    """Lay runs into gaps with so many cuts at most; None if it cannot be, or was not found.

    Runs are taken in their order first, so that they stand in it where they can, and, if that
    takes long, the longest first, which soonest shows that they do not fit.
    """
    in_order = range(len(runs))
    for order in (in_order, sorted(in_order, key=lambda run: -runs[run])):
        try:
            found = _tried([runs[run] for run in order], gaps, cuts, search)
        except _TooLongError:
            continue
        if found is None:
            return None
        layout: _Layout = [[] for _ in runs]
        for run, pieces in zip(order, found, strict=True):
            layout[run] = pieces
        return layout
    search.fewest = False
    return None


@define
class _Step:
    """A run, or the rest of one, to be laid; the ways left to do so; the one being tried."""

    state: tuple[int, ...]
    run: int
    left: int
    cuts: int
    ways: Iterator[tuple[int, int]]
    piece: tuple[int, int] | None = None


def _tried(runs: Sequence[int], gaps: Sequence[int], cuts: int, search: Search) -> _Layout | None:
    """Lay runs in this order, trying every way that matters.

    Runs and gaps that hang together by cuts can be laid end to end in any order, with as many
    cuts: what is cut off need only be tried where it fills a gap. Gaps with equal room are equal.

    Raises:
        _TooLongError: if it takes too many steps.
    """
    longest = max(gaps, default=1)
    least = [0]
    for length in reversed(runs):
        least.insert(0, least[0] + ceiling(length, longest) - 1)
    if not runs or least[0] > cuts:
        return None if runs else []
    room = list(gaps)
    failed: set[tuple[int, ...]] = set()
    stack: list[_Step] = []

    def go_on(run: int, left: int, cuts: int) -> None:
        state = (run, cuts, *sorted(room))  # what is left of the run follows from the room
        if state not in failed:
            ways = _ways(room, left, cuts - least[run + 1], longest)
            stack.append(_Step(state, run, left, cuts, ways))

    go_on(0, runs[0], cuts)
    steps = max(min(STEPS_AT_ONCE, search.steps), len(runs) + cuts)
    while stack:
        step = stack[-1]
        if step.piece is not None:
            room[step.piece[0]] += step.piece[1]
        step.piece = next(step.ways, None)
        if step.piece is None:
            failed.add(step.state)
            stack.pop()
            continue
        if not steps:
            raise _TooLongError
        steps -= 1
        search.steps = max(search.steps - 1, 0)
        gap, length = step.piece
        room[gap] -= length
        if length < step.left:
            go_on(step.run, step.left - length, step.cuts - 1)
        elif step.run + 1 < len(runs):
            go_on(step.run + 1, runs[step.run + 1], step.cuts)
        else:
            return [
                [s.piece for s in stack if s.run == run and s.piece] for run in range(len(runs))
            ]
    return None


def _ways(room: Sequence[int], left: int, cuts: int, longest: int) -> Iterator[tuple[int, int]]:
    """The gaps that the rest of a run can go into: whole first, then cut off where a gap ends."""
    sizes: set[int] = set()
    for gap, space in enumerate(room):
        if space >= left and space not in sizes:
            sizes.add(space)
            yield gap, left
    for gap, space in enumerate(room):
        if 0 < space < left and space not in sizes and ceiling(left - space, longest) <= cuts:
            sizes.add(space)
            yield gap, space


def ceiling(number: int, by: int) -> int:
    """A number divided, and rounded up."""
    return -(-number // by)


# ---------------------------------------------------------------- boards chosen and filled

Pin = tuple[int, int]
"""A board by its place among those to hand, and one of its pins, from 1."""


class FullError(Exception):
    """There are more wires than pins, by ``short``."""

    def __init__(self, short: int = 0) -> None:
        """Take how many pins are lacking; 0 if that is not counted."""
        self.short = short
        super().__init__(short)


@define
class Slot:
    """One way of a board to hand, and which of its pins are taken.

    ``used`` is whether anything is on the board already, either way; ``desk`` whether that is at
    the console, and not at the pipes; ``notes`` whether pipes can be on it.
    """

    at: int
    pins: int
    taken: set[int] = field(factory=set)
    used: bool = False
    desk: bool = False
    notes: bool = True

    def free(self, first: int, count: int = 1) -> bool:
        """Whether so many pins from one on are there and free."""
        pins = range(first, first + count)
        return first >= 1 and pins[-1] <= self.pins and self.taken.isdisjoint(pins)

    def free_pins(self) -> list[int]:
        """Those with nothing on them."""
        return [pin for pin in range(1, self.pins + 1) if pin not in self.taken]

    def gaps(self) -> Iterator[tuple[int, int]]:
        """The first pin, and the number of pins, of each run of free ones."""
        for _, run in groupby(enumerate(self.free_pins()), lambda each: each[1] - each[0]):
            first, *others = [pin for _, pin in run]
            yield first, 1 + len(others)


def room_of(slots: Iterable[Slot]) -> int:
    """How many free pins there are."""
    return sum(slot.pins - len(slot.taken) for slot in slots)


def gaps_of(slots: Iterable[Slot]) -> list[int]:
    """How many pins each gap has, board by board."""
    return [length for slot in slots for _, length in slot.gaps()]


def filled(
    runs: Sequence[Sequence[_T]], units: Sequence[_T], slots: Sequence[Slot], search: Search
) -> dict[_T, Pin]:
    """Put runs on neighbouring pins, and everything else on those that are left, in order.

    Only the pins of runs are noted as taken.

    Raises:
        FullError: if there are too few pins.
    """
    total = sum(map(len, runs)) + len(units)
    if not total:
        return {}
    if room_of(slots) < total:
        raise FullError(total - room_of(slots))
    chosen, layout = _fewest([len(run) for run in runs], total, slots, search)
    placed: dict[_T, Pin] = {}
    for run, pieces, pins in zip(runs, layout, _pins_of(layout, chosen), strict=True):
        placed.update(zip(run, pins, strict=True))
        if len(pieces) > 1:
            search.pieces[run[0]] = len(pieces)
    take(chosen, placed.values())
    free = ((slot.at, pin) for slot in chosen for pin in slot.free_pins())
    return placed | dict(zip(units, free, strict=False))


def take(slots: Iterable[Slot], pins: Iterable[Pin]) -> None:
    """Note that these pins are free no more."""
    by_board = {slot.at: slot for slot in slots}
    for board, pin in pins:
        by_board[board].taken.add(pin)


def _fewest(
    runs: Sequence[int], total: int, slots: Sequence[Slot], search: Search
) -> tuple[list[Slot], _Layout]:
    """The boards to be used, and the runs laid into their gaps, in the fewest pieces."""
    every = gaps_of(slots)
    search.steps = STEPS
    cuts = sum(ceiling(run, max(every)) - 1 for run in runs)
    while (layout := _laid(runs, every, cuts, search)) is None:
        cuts += 1
    used = [slot for slot in slots if slot.used]
    fresh = [slot for slot in slots if not slot.used]
    for chosen in islice(_choices(fresh, total - room_of(used), search), CHOICES):
        some = sorted([*used, *chosen], key=lambda slot: slot.at)
        if len(some) == len(slots):
            return some, layout
        found = _laid(runs, gaps_of(some), cuts, search)
        if found is not None:
            return some, found
        if not search.steps:
            break
    search.fewest = False
    return _first_found(layout, total, slots)


def _first_found(layout: _Layout, total: int, slots: Sequence[Slot]) -> tuple[list[Slot], _Layout]:
    """A layout over the gaps of all boards with no more of them than it needs."""
    holders = [slot.at for slot in slots for _ in slot.gaps()]
    inside = {holders[gap] for pieces in layout for gap, _ in pieces}
    some = [slot for slot in slots if slot.used or slot.at in inside]
    others = (slot for slot in slots if not (slot.used or slot.at in inside))
    while room_of(some) < total:
        some.append(next(others))
    kept = {slot.at for slot in some}
    gaps = [gap for gap, holder in enumerate(holders) if holder in kept]
    numbers = {gap: number for number, gap in enumerate(gaps)}
    some.sort(key=lambda slot: slot.at)
    return some, [[(numbers[gap], length) for gap, length in pieces] for pieces in layout]


def _choices(fresh: Sequence[Slot], need: int, search: Search) -> Iterator[list[Slot]]:
    """Boards with so many pins together: the fewest boards first, of those the fewest pins."""
    by_size: dict[int, list[Slot]] = defaultdict(list)
    for slot in fresh:
        by_size[slot.pins].append(slot)
    sizes = sorted(by_size, reverse=True)
    stock = [(size, len(by_size[size])) for size in sizes]
    for count in range(len(fresh) + 1):
        found = list(islice(_of_each(stock, count, need), CHOICES))
        if len(found) == CHOICES:
            search.fewest = False
        found.sort(key=lambda each: sum(n * size for n, size in zip(each, sizes, strict=True)))
        for each in found:
            taken = zip(each, sizes, strict=True)
            yield [slot for number, size in taken for slot in by_size[size][:number]]


def _of_each(stock: Sequence[tuple[int, int]], count: int, need: int) -> Iterator[tuple[int, ...]]:
    """How many to take of each size, so many in all, with so many pins at least."""
    if not stock:
        if count == 0 and need <= 0:
            yield ()
        return
    (size, there), *others = stock
    next_size = others[0][0] if others else 0
    left = sum(number for _, number in others)
    for number in range(min(there, count), -1, -1):
        rest = count - number
        if rest > left or need - number * size > rest * next_size:
            return
        for each in _of_each(others, rest, need - number * size):
            yield (number, *each)


def _pins_of(layout: _Layout, slots: Iterable[Slot]) -> Iterator[list[Pin]]:
    """The pins of each run; of gaps that are as long as each other the first to the first runs."""
    gaps = [(slot.at, first, length) for slot in slots for first, length in slot.gaps()]
    inside: dict[int, list[tuple[int, int, int]]] = defaultdict(list)
    for run, pieces in enumerate(layout):
        for number, (gap, length) in enumerate(pieces):
            inside[gap].append((run, number, length))
    equal: dict[int, list[int]] = defaultdict(list)
    for gap, (_, _, length) in enumerate(gaps):
        equal[length].append(gap)
    starts: dict[tuple[int, int], Pin] = {}
    for alike in equal.values():
        contents = sorted(inside[gap] for gap in alike if gap in inside)
        for gap, content in zip(alike, contents, strict=False):
            board, pin, _ = gaps[gap]
            for run, number, length in content:
                starts[run, number] = board, pin
                pin += length
    for run, pieces in enumerate(layout):
        yield [
            (board, first + after)
            for number, (_, length) in enumerate(pieces)
            for board, first in [starts[run, number]]
            for after in range(length)
        ]
