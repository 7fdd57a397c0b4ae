"""The plan of a console's wiring: what is on no pin yet gets one, on the boards to hand.

Contacts go on in the order of the harness (`combination.harness`) and drivers in line with the
contacts that they answer to (`combination.drivers`); what has a pin keeps it. A keyboard, and the
pipes of a rank, go on neighbouring pins of one board, or on those of several. Of all plans this
is one with the fewest pieces of keyboards, of those one with the fewest boards, and of those one
with the fewest pins (`combination.packing`). What a file looks like, and who reads the plan, is
not known here.
"""

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import groupby

from attrs import define, evolve, frozen

from combination.contacts import Role, contacts_of
from combination.drivers import OF_A_RANK, Driven, Driver, drivers_of, with_drivers
from combination.harness import Part, Point, points_of, with_pins
from combination.model import Board, Console, PinMessages
from combination.packing import (
    FullError,
    Pin,
    Search,
    Slot,
    ceiling,
    filled,
    gaps_of,
    room_of,
    take,
)
from combination.pipes import first_note

HIGHEST_NOTE = 127
CHANNELS = 16
"""MIDI 1.0: notes 0-127 on each of sixteen channels of a cable."""


@frozen
class Lacking:
    """What there is too little of: boards ``way`` "in" or "out", for so many ``wires``.

    ``boards`` more of so many ``pins`` would do; with no size to go by both are 0.
    """

    way: str
    wires: int
    boards: int
    pins: int


class TooFewBoardsError(Exception):
    """The boards to hand do not suffice; ``lacking`` says what would."""

    def __init__(self, lacking: Iterable[Lacking]) -> None:
        """Take what is lacking, contacts first."""
        self.lacking = tuple(lacking)
        super().__init__(", ".join(map(str, self.lacking)))


class NoRoomError(Exception):
    """No channel of the ports has so many notes in a row left as a further board has pins."""

    def __init__(self, pins: int, way: str) -> None:
        """Take the size of the board, and which way it goes."""
        self.pins, self.way = pins, way
        super().__init__(f"no room for a board of {pins} pins, {way}")


@frozen
class BoardUse:
    """One way of a board: how many pins had wires, how many are planned now.

    ``new`` if the console had no such board before.
    """

    board: Board
    way: str
    wired: int
    planned: int
    new: bool

    @property
    def spare(self) -> int:
        """Pins with nothing on them."""
        return self.board.pins - self.wired - self.planned


@frozen
class Plan:
    """A console with everything on a pin, and what was put there, in order.

    ``boards`` are those that have anything on them. ``aligned`` is how many of the lamps and
    magnets planned are in line with their contacts (see `plan`); ``pieces`` has the
    first wire of each run of keys or pipes that had to be broken, with its number of pieces.
    ``fewest`` is whether it is proved that no plan has fewer pieces, boards and pins.
    """

    console: Console
    contacts: Mapping[Point, str]
    drivers: Mapping[Driver, str]
    boards: tuple[BoardUse, ...]
    aligned: int
    pieces: Mapping[Point | Driver, int]
    fewest: bool


def plan(
    console: Console,
    rail: Sequence[str] = (),
    *,
    boards: Sequence[int] = (),
    drivers: Sequence[int] = (),
    ports: Sequence[str] = ("console",),
    piston_lamps: bool = False,
    pipes: bool = True,
) -> Plan:
    """Put everything that a console without errors has on no pin yet on the boards to hand.

    To hand are the boards of the console, and further ones: ``boards`` and ``drivers`` have the
    pins of each, for contacts and for what is driven. Those that are used become boards of the
    console, by notes on the first of the ``ports`` that has room. Boards of program changes take
    only what a hand puts on them: those never say that a contact opens. Lamps and magnets are
    planned if any board to hand can take them, and so are pipes, unless ``pipes`` is false.

    Contacts are in the order of the harness over the free pins, spare ones together at the end;
    keyboards may stand before or behind others where that saves a board. A keyboard wired in
    part goes on next to what it has, if there is room.

    A lamp is aligned if it has the number of the pin of its contact, on that board if it goes out
    too, or else on one of its own. The magnets of the tab on pin n are aligned on pins 2n-1 (on)
    and 2n (off). Boards too small for that are laid end to end: pin 40 is pin 8 of the second
    board of 32. If there are too few boards for it all, lamps and magnets follow each other in
    the order of their contacts, the two magnets of a tab still side by side. Ranks have boards of
    their own, which go out by notes, since those stand at their chests.

    Raises:
        TooFewBoardsError: with how many more are needed.
        NoRoomError: if a further board finds no notes on the ports.
    """
    hand = _Hand.of(console, boards, drivers)
    search = Search()
    points = points_of(console, rail)
    lacking = []
    placed: dict[Point, Pin] = {}
    driven: dict[Driver, Pin] = {}
    try:
        placed = _contacts_placed(points, hand, search)
    except FullError as full:
        sizes = boards or [slot.pins for slot in hand.inward]
        size = max(sizes, default=0)
        wires = sum(point.pin is None for point in points)
        lacking.append(Lacking("in", wires, ceiling(full.short, size) if size else 0, size))
    hand.at_the_console(placed.values())
    listed = drivers_of(console, rail, piston_lamps=piston_lamps)
    driving = _Driving.of(listed, _senses(points, placed, hand), hand, pipes=pipes)
    try:
        driven = driving.placed(hand.outward, search)
    except FullError:
        lacking.append(_more_for_drivers(driving, hand, drivers))
    if lacking:
        raise TooFewBoardsError(lacking)
    planned, contacts, driver_pins = _planned(console, hand, placed, driven, ports)
    return Plan(
        planned,
        contacts,
        driver_pins,
        tuple(_uses(console, planned, contacts.values(), driver_pins.values())),
        driving.in_line(driven, hand.outward),
        search.pieces,
        search.fewest,
    )


# ---------------------------------------------------------------- the boards to hand


@define
class _Hand:
    """The boards to hand: those of the console by their ids, then further ones without any."""

    ids: list[str]
    places: dict[str, int]
    inward: list[Slot]
    outward: list[Slot]

    @classmethod
    def of(cls, console: Console, boards: Sequence[int], drivers: Sequence[int]) -> "_Hand":
        """Those of a console, and further ones of so many pins."""
        sensed = _numbers(contact.pin for contact in contacts_of(console))
        wired = [(d.kind, d.pin) for d in drivers_of(console) if d.pin is not None]
        driven = _numbers(pin for _, pin in wired)
        desks = {*_numbers(pin for kind, pin in wired if kind not in _CHAMBER), *sensed}
        inward, outward = [], []
        for at, board in enumerate(console.boards):
            used = board.id in sensed or board.id in driven
            if board.input is not None and board.input.first_program is None:
                inward.append(Slot(at, board.pins, sensed.get(board.id, set()), used))
            if board.out is not None:
                taken = driven.get(board.id, set())
                notes = board.out.first_note is not None
                outward.append(Slot(at, board.pins, taken, used, board.id in desks, notes))
        ids = [board.id for board in console.boards]
        places = {board: at for at, board in enumerate(ids)}
        inward += [Slot(at, pins) for at, pins in enumerate(boards, len(ids))]
        outward += [Slot(at, pins) for at, pins in enumerate(drivers, len(ids) + len(boards))]
        return cls([*ids, *("" for _ in (*boards, *drivers))], places, inward, outward)

    def pin(self, text: str) -> Pin:
        """A pin as the console has it."""
        board, _, number = text.rpartition(".")
        return self.places[board], int(number)

    def text(self, pin: Pin) -> str:
        """A pin as the console has it, or will have it."""
        return f"{self.ids[pin[0]]}.{pin[1]}"

    def next_to(self, point: Point | None, count: int, way: int) -> list[Pin]:
        """So many free pins after a contact's (``way`` 1) or before it (-1), if there are."""
        if point is None or point.pin is None:
            return []
        board, number = self.pin(point.pin)
        first = number + 1 if way > 0 else number - count
        slot = next((slot for slot in self.inward if slot.at == board), None)
        if slot is None or not slot.free(first, count):
            return []
        return [(board, pin) for pin in range(first, first + count)]

    def at_the_console(self, pins: Iterable[Pin]) -> None:
        """Boards that contacts have been put on are used, and are at the console."""
        boards = {board for board, _ in pins}
        for slot in self.outward:
            if slot.at in boards:
                slot.used = slot.desk = True


_CHAMBER = OF_A_RANK | {Driven.SHADE}


def _numbers(pins: Iterable[str]) -> dict[str, set[int]]:
    """The numbers of pins by their boards."""
    found: dict[str, set[int]] = {}
    for pin in pins:
        board, _, number = pin.rpartition(".")
        found.setdefault(board, set()).add(int(number))
    return found


# ---------------------------------------------------------------- contacts


def _contacts_placed(points: Iterable[Point], hand: _Hand, search: Search) -> dict[Point, Pin]:
    """A pin for each contact that has none."""
    listed = list(points)
    placed: dict[Point, Pin] = {}
    runs = []
    for before, run, after in _unwired_keys(p for p in listed if p.part is Part.KEYS):
        pins = hand.next_to(before, len(run), 1) or hand.next_to(after, len(run), -1)
        if pins:
            placed.update(zip(run, pins, strict=True))
            take(hand.inward, pins)
        elif len(run) > 1:
            runs.append(run)
    done = {*placed, *(point for run in runs for point in run)}
    units = [point for point in listed if point.pin is None and point not in done]
    return placed | filled(runs, units, hand.inward, search)


def _unwired_keys(
    keys: Iterable[Point],
) -> Iterator[tuple[Point | None, list[Point], Point | None]]:
    """Neighbouring keys of one keyboard that have no pins, between those that have."""
    for _, keyboard in groupby(keys, lambda point: point.id):
        before: Point | None = None
        run: list[Point] = []
        for point in keyboard:
            if point.pin is None:
                run.append(point)
                continue
            if run:
                yield before, run, point
            before, run = point, []
        if run:
            yield before, run, None


# ---------------------------------------------------------------- drivers

_MAGNETS = frozenset({Driven.MAGNET_ON, Driven.MAGNET_OFF})


@frozen
class _Item:
    """A lamp, or the magnets of a tab, with the pin of the contact that it answers to."""

    drivers: tuple[Driver, ...]
    sense: Pin | None

    @property
    def magnets(self) -> bool:
        return self.drivers[0].kind in _MAGNETS

    @property
    def first(self) -> int:
        """Where its first driver is aligned, counted over the pins of boards laid end to end."""
        number = self.sense[1] if self.sense else 0
        return 2 * number - 1 if self.magnets else number

    def place_on(self, pins: int) -> Pin:
        """Which of the boards of so many pins each, end to end, and its pin; never half a pair."""
        board, pin = divmod(self.first - 1, pins - pins % 2 if self.magnets else pins)
        return board, pin + 1


@define
class _Driving:
    """What is to be driven: at the console, each with its contact, and in the chambers.

    ``partners`` has, by the board of contacts and by whether they are magnets, the boards where a
    hand has put drivers in line.
    """

    items: list[_Item]
    ranks: list[list[Driver]]
    partners: set[tuple[int, bool, int]]

    @classmethod
    def of(
        cls,
        listed: Iterable[Driver],
        senses: Mapping[tuple[bool, str], Pin],
        hand: _Hand,
        *,
        pipes: bool,
    ) -> "_Driving":
        """What has no pin yet, and could have one."""
        at_desk = any(slot.desk or not slot.used for slot in hand.outward)
        at_chests = pipes and any(slot.notes and not slot.desk for slot in hand.outward)
        found = cls([], [], set())
        for (kind, name, pin), group in groupby(listed, _together):
            drivers = tuple(group)
            sense = senses.get((kind is Driven.PISTON_LAMP, name))
            item = _Item(drivers, sense)
            if kind in OF_A_RANK:
                found.ranks += [list(drivers)] if pin is None and at_chests else []
            elif pin is None:
                found.items += [item] if at_desk else []
            elif sense is not None:
                board, number = hand.pin(pin)
                if number == item.first:
                    found.partners.add((sense[0], item.magnets, board))
        return found

    @property
    def wires(self) -> int:
        """How many there are."""
        return sum(len(item.drivers) for item in self.items) + sum(map(len, self.ranks))

    def placed(self, slots: Sequence[Slot], search: Search) -> dict[Driver, Pin]:
        """Everything on a pin: aligned, if there are boards enough for that."""
        try:
            return self._placed(slots, search, aligned=True)
        except FullError:
            return self._placed(slots, search, aligned=False)

    def _placed(self, slots: Sequence[Slot], search: Search, *, aligned: bool) -> dict[Driver, Pin]:
        trial = _copies(slots)
        placed: dict[Driver, Pin] = {}
        left = self.items
        if aligned:
            placed, left = self._aligned(trial)
        placed |= _one_by_one(left, trial)
        return placed | filled(self.ranks, [], _at_chests(trial), search)

    def _aligned(self, slots: Sequence[Slot]) -> tuple[dict[Driver, Pin], list[_Item]]:
        """Those that can be aligned, and those that cannot."""
        placed: dict[Driver, Pin] = {}
        groups: dict[tuple[int, bool], list[_Item]] = defaultdict(list)
        left = []
        for item in self.items:
            if item.sense is None:
                left.append(item)
            else:
                groups[item.sense[0], item.magnets].append(item)
        for (board, magnets), items in sorted(groups.items()):
            for slot in slots:
                if slot.at == board or (board, magnets, slot.at) in self.partners:
                    for item in items:
                        if slot.free(item.first, len(item.drivers)):
                            placed.update(_put(item, slot, item.first))
                    items = [item for item in items if item.drivers[0] not in placed]
            twins = _twins(items, slots)
            for item in items:
                if twins:
                    number, pin = item.place_on(next(iter(twins.values())).pins)
                    placed.update(_put(item, twins[number], pin))
                else:
                    left.append(item)
        return placed, left

    def in_line(self, driven: Mapping[Driver, Pin], slots: Iterable[Slot]) -> int:
        """How many drivers have the number that they are aligned at."""
        pins = {slot.at: slot.pins for slot in slots}
        count = 0
        for item in self.items:
            board, pin = driven[item.drivers[0]]
            if item.sense is not None and pin == item.place_on(pins[board])[1]:
                count += len(item.drivers)
        return count


def _together(driver: Driver) -> tuple[Driven, str, str | None]:
    """Drivers that go together: the two magnets of a tab, and the pipes of a rank, without pins."""
    kind = Driven.MAGNET_ON if driver.kind in _MAGNETS else driver.kind
    return kind, driver.id, driver.pin


def _copies(slots: Iterable[Slot]) -> list[Slot]:
    return [evolve(slot, taken=set(slot.taken)) for slot in slots]


def _at_chests(slots: Iterable[Slot]) -> list[Slot]:
    return [slot for slot in slots if slot.notes and not slot.desk]


def _put(item: _Item, slot: Slot, first: int) -> dict[Driver, Pin]:
    """Put a lamp or the magnets of a tab on neighbouring pins, at the console."""
    slot.used = slot.desk = True
    slot.taken.update(range(first, first + len(item.drivers)))
    return {driver: (slot.at, pin) for pin, driver in enumerate(item.drivers, first)}


def _twins(items: Sequence[_Item], slots: Iterable[Slot]) -> dict[int, Slot]:
    """The fewest boards, all of one size, on which these are aligned: by number, end to end."""
    by_size: dict[int, list[Slot]] = defaultdict(list)
    for slot in slots:
        if not slot.used and slot.pins > 1:
            by_size[slot.pins].append(slot)
    found = []
    for size, there in by_size.items():
        numbers = sorted({item.place_on(size)[0] for item in items})
        if len(numbers) <= len(there):
            found.append((len(numbers), size, dict(zip(numbers, there, strict=False))))
    return min(found, key=lambda each: each[:2])[2] if found else {}


def _one_by_one(items: Iterable[_Item], slots: Sequence[Slot]) -> dict[Driver, Pin]:
    """One after the other, in the order of their contacts, on the fewest boards.

    The magnets of tabs go first, which need two pins side by side.
    """
    last = (len(slots) + max((slot.at for slot in slots), default=0), 0)
    in_order = sorted(items, key=lambda item: item.sense or last)
    pairs = [item for item in in_order if len(item.drivers) > 1]
    single = [item for item in in_order if len(item.drivers) == 1]
    chosen = [slot for slot in slots if slot.desk]
    fresh = sorted((slot for slot in slots if not slot.used), key=lambda slot: slot.pins)
    while not _hold(chosen, len(pairs), len(single)):
        if not fresh:
            raise FullError
        enough = (s for s in fresh if _hold([*chosen, s], len(pairs), len(single)))
        slot = next(enough, fresh[-1])
        fresh.remove(slot)
        chosen.append(slot)
    chosen.sort(key=lambda slot: slot.at)
    placed: dict[Driver, Pin] = {}
    two = [
        (slot, first + 2 * number)
        for slot in chosen
        for first, length in slot.gaps()
        for number in range(length // 2)
    ]
    for item, (slot, pin) in zip(pairs, two, strict=False):
        placed.update(_put(item, slot, pin))
    one = [(slot, pin) for slot in chosen for pin in slot.free_pins()]
    for item, (slot, pin) in zip(single, one, strict=False):
        placed.update(_put(item, slot, pin))
    return placed


def _hold(slots: Sequence[Slot], pairs: int, single: int) -> bool:
    """Whether there is room for so many pairs, and for so many more pins beside them."""
    halves = sum(length // 2 for length in gaps_of(slots))
    return halves >= pairs and room_of(slots) >= 2 * pairs + single


def _senses(
    points: Iterable[Point], placed: Mapping[Point, Pin], hand: _Hand
) -> dict[tuple[bool, str], Pin]:
    """By whether it is one, and id: the pin of the first contact of each piston and control."""
    found: dict[tuple[bool, str], Pin] = {}
    for point in points:
        piston = point.role is Role.PISTON
        if piston or point.part is Part.RAIL:
            if point in placed:
                found.setdefault((piston, point.id), placed[point])
            elif point.pin is not None:
                found.setdefault((piston, point.id), hand.pin(point.pin))
    return found


def _more_for_drivers(driving: _Driving, hand: _Hand, asked: Sequence[int]) -> Lacking:
    """How many more boards would do, of the largest size asked for, or else to hand."""
    size = max(2, *(asked or [slot.pins for slot in hand.outward]))

    def enough(more: int) -> bool:
        further = (Slot(len(hand.ids) + number, size) for number in range(more))
        return _suffice(driving, [*hand.outward, *further])

    most = 1
    while not enough(most):
        most *= 2
    # Looked for by halves: with more boards there is never less room.
    boards = bisect_left(range(most), True, key=enough)
    return Lacking("out", driving.wires, boards, size)


def _suffice(driving: _Driving, slots: Sequence[Slot]) -> bool:
    """Whether there is room for all of it, if lamps and magnets are put on one by one."""
    trial = _copies(slots)
    try:
        _one_by_one(driving.items, trial)
    except FullError:
        return False
    return room_of(_at_chests(trial)) >= sum(map(len, driving.ranks))


# ---------------------------------------------------------------- the console as planned


def _planned(
    console: Console,
    hand: _Hand,
    placed: Mapping[Point, Pin],
    driven: Mapping[Driver, Pin],
    ports: Sequence[str],
) -> tuple[Console, dict[Point, str], dict[Driver, str]]:
    """The console with further boards where they are used, and everything on its pin."""
    new = []
    for way, word, slots, pins, taken in (
        ("in", "board", hand.inward, placed.values(), _taken_in(console)),
        ("out", "driver", hand.outward, driven.values(), _taken_out(console)),
    ):
        used = {board for board, _ in pins}
        for slot in slots:
            if slot.at in used and not hand.ids[slot.at]:
                messages = _next_notes(taken, slot.pins, way, ports)
                name = hand.ids[slot.at] = _new_id(hand.ids, word)
                ways = (messages, None) if way == "in" else (None, messages)
                new.append(Board(name, slot.pins, *ways))
    contacts = {point: hand.text(pin) for point, pin in placed.items()}
    drivers = {driver: hand.text(pin) for driver, pin in driven.items()}
    console = evolve(console, boards=(*console.boards, *new))
    return with_drivers(with_pins(console, contacts), drivers), contacts, drivers


def _new_id(ids: Sequence[str], word: str) -> str:
    number = 1
    while f"{word}-{number}" in ids:
        number += 1
    return f"{word}-{number}"


_Taken = dict[tuple[str, int], set[int]]
"""By port and channel, the notes that mean something already."""


def _taken_in(console: Console) -> _Taken:
    taken: _Taken = defaultdict(set)
    for board in console.boards:
        _take_notes(taken, board.input, board.pins)
    return taken


def _taken_out(console: Console) -> _Taken:
    taken: _Taken = defaultdict(set)
    for board in console.boards:
        _take_notes(taken, board.out, board.pins)
    for rank in console.ranks:
        for each in rank.out:
            first, last = first_note(rank, each), each.last_pipe or rank.pipes
            notes = range(first, first + last - each.first_pipe + 1)
            taken[each.port, each.channel].update(notes)
    for division in console.divisions:
        if division.out is not None:
            lines = division.out
            lowest, count = console.lines_of(division)
            first = lowest if lines.first_note is None else lines.first_note
            taken[lines.port, lines.channel].update(range(first, first + count))
    for control in console.controls:
        if control.out is not None and control.out.note is not None:
            taken[control.out.port, control.out.channel].add(control.out.note)
    return taken


def _take_notes(taken: _Taken, messages: PinMessages | None, pins: int) -> None:
    if messages is not None and messages.first_note is not None:
        notes = range(messages.first_note, messages.first_note + pins)
        taken[messages.port, messages.channel].update(notes)


def _next_notes(taken: _Taken, pins: int, way: str, ports: Iterable[str]) -> PinMessages:
    """The first so many notes in a row that mean nothing yet."""
    for port in ports:
        for channel in range(1, CHANNELS + 1):
            here = taken[port, channel]
            first = 0
            for note in range(HIGHEST_NOTE + 1):
                if note in here:
                    first = note + 1
                elif note - first + 1 == pins:
                    here.update(range(first, note + 1))
                    return PinMessages(port, channel, first_note=first)
    raise NoRoomError(pins, way)


def _uses(
    before: Console, console: Console, contacts: Iterable[str], drivers: Iterable[str]
) -> Iterator[BoardUse]:
    """Each way of each board that has anything on it."""
    known = {board.id for board in before.boards}
    wired = (driver.pin for driver in drivers_of(console) if driver.pin is not None)
    for way, on_it, planned in (
        ("in", _numbers(contact.pin for contact in contacts_of(console)), _numbers(contacts)),
        ("out", _numbers(wired), _numbers(drivers)),
    ):
        for board in console.boards:
            if board.id in on_it:
                now = len(planned.get(board.id, ()))
                wired_before = len(on_it[board.id]) - now
                yield BoardUse(board, way, wired_before, now, board.id not in known)
