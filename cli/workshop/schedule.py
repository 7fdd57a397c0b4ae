"""The wiring schedule: every pin of every board, its wire, and what the wire goes to.

A wire's number is its pin's, counted through the boards as the file has them: with 64 pins on the
first board, pin 1 of the second is wire 65. So what is wired later renumbers nothing, and a board
is added at the end of the file. A pin that also drives something has two wires: that from a
contact is 65, that to a lamp or magnet 65A, a letter that no hand writes like a digit. A spare pin
keeps its number for the wire that it may have one day.

Takes a console without errors. Whether the wires are where the file says is not known here.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import groupby
from typing import Any

from attrs import frozen

from cli.naming import plural, run
from cli.workshop.pages import (
    TICK,
    Cell,
    Html,
    page,
    paragraph,
    section,
    table,
    usual_cautions,
    whole,
)
from combination.contacts import Role
from combination.drivers import Driven, Driver, drivers_of
from combination.harness import Part, Point, points_of
from combination.model import Board, Console, Control, PinMessages, Piston, Place

ACTS = "A"
"""What follows the number of a wire on which something acts: a lamp, a magnet."""
_WAYS = {"in": "contacts", "out": "lamps and magnets"}
_LAMP = Driven.LAMP.value
_NOTES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")


@frozen
class End:
    """What is at the console's end of a wire.

    ``id`` is what the console file calls it, ``of`` the keyboard, division, rank or chamber that
    it belongs to, or the kind of a piston that belongs to none; ``what`` the label as engraved,
    or the name of a note; ``kind`` which of its contacts, lamps or magnets; ``place`` the part
    of the console, empty where the file does not say.
    """

    id: str
    of: str
    what: str
    kind: str
    place: str


@frozen
class Wire:
    """A pin one way, its wire, what travels (a kind of message and its number), and its end."""

    number: str
    pin: int
    message: str
    sends: int
    end: End | None


@frozen
class Side:
    """A board one way, "in" from contacts or "out" to what acts: its messages, its wires."""

    board: Board
    way: str
    messages: PinMessages
    wires: tuple[Wire, ...]

    @property
    def of(self) -> str:
        """Which board it is, what is on it, and where its messages travel."""
        port = self.messages
        return f"Board {self.board.id}, {_WAYS[self.way]}: port {port.port}, channel {port.channel}"


def sides_of(console: Console, rail: Sequence[str]) -> tuple[Side, ...]:
    """The boards of a console in the order of its file, each way that they go.

    ``rail`` has the ids of controls as they stand on the rail.
    """
    ends = _Ends(console, rail)
    by_way = {
        "in": {point.pin: ends.of_point(point) for point in points_of(console, rail) if point.pin},
        "out": {driver.pin: ends.of_driver(driver) for driver in drivers_of(console) if driver.pin},
    }
    sides = []
    before = 0
    for board in console.boards:
        for way, messages in (("in", board.input), ("out", board.out)):
            if messages is not None:
                wires = tuple(_wires(board, way, messages, before, by_way[way]))
                sides.append(Side(board, way, messages, wires))
        before += board.pins
    return tuple(sides)


def _wires(
    board: Board, way: str, messages: PinMessages, before: int, ends: Mapping[str, End]
) -> Iterator[Wire]:
    message, first = next(
        (message, first)
        for message, first in (
            ("note", messages.first_note),
            ("controller", messages.first_controller),
            ("program", messages.first_program),
        )
        if first is not None
    )
    for pin in range(1, board.pins + 1):
        number = f"{before + pin}{ACTS if way == 'out' else ''}"
        yield Wire(number, pin, message, first + pin - 1, ends.get(f"{board.id}.{pin}"))


def note_name(note: int) -> str:
    """The name of a MIDI note number, sharps as ``#``; middle C is C4, the lowest C of a manual C2.

    The octaves are those of scientific pitch notation.
    """
    return f"{_NOTES[note % 12]}{note // 12 - 1}"


# ---------------------------------------------------------------- what a wire goes to


_TABS = {
    Role.TAB: "tab",
    Role.TAB_ON: "tab, on",
    Role.TAB_OFF: "tab, off",
    Role.TOUCH: "touch",
    Role.TOUCH_ON: "touch, on",
    Role.TOUCH_OFF: "touch, off",
}
_PLACES = {Place.THUMB: "key slip", Place.TOE: "toe studs"}
_PUSHED = {Place.THUMB: "thumb piston", Place.TOE: "toe stud"}


class _Ends:
    """What the wires of one console go to, in the words of its file."""

    def __init__(self, console: Console, rail: Sequence[str]) -> None:
        self._console = console
        self._controls = {control.id: control for control in console.controls}
        self._pistons = {piston.id: piston for piston in console.pistons}
        self._keyboards = {keyboard.id: keyboard for keyboard in console.keyboards}
        self._divisions = {division.id: division.name for division in console.divisions}
        self._chambers = {chamber.id: chamber.name for chamber in console.chambers}
        self._ranks = {rank.id: rank for rank in console.ranks}
        self._on_rail = {name: place for place, name in enumerate(rail, 1)}
        self._says_where = any(piston.at for piston in console.pistons)
        """Only a file in which one piston has `at` means by its default that others are thumb
        pistons; one in which none has may have toe studs."""

    def of_point(self, point: Point) -> End:
        """What a contact is."""
        end = self._of_contact(point)
        if not point.inverted:
            return end
        return End(end.id, end.of, end.what, f"{end.kind} (inverted)", end.place)

    def _of_contact(self, point: Point) -> End:
        if point.part is Part.KEYS:
            keyboard = self._keyboards[point.id]
            which = f"key {point.number - keyboard.lowest + 1}"
            return End(point.id, keyboard.name, note_name(point.number), which, "keyboard")
        if point.part is Part.RAIL:
            return self._of_control(self._controls[point.id], _TABS[point.role])
        if point.role is Role.LOCK:
            return End(point.id, "", "memory lock", "key switch", "")
        if point.part is Part.TURNED:
            how = "by" if point.role is Role.TRANSPOSE_BY else "to"
            semitones = f"{point.number:+d}" if point.number else "0"
            return End(point.id, "", "transposer", f"{how} {semitones}", "")
        piston = self._pistons[point.id]
        if point.role is Role.SECOND_TOUCH:
            return self._of_piston(piston, "second touch", self._place(piston))
        return self._pushed(piston, point.number)

    def _pushed(self, piston: Piston, number: int) -> End:
        """A contact that presses a piston; which of them, if it has several in one place."""
        place = piston.places[number] if self._says_where else None
        places = piston.places if place else piston.contact
        contact = _PUSHED[place] if place else "piston"
        alike = [n for n, other in enumerate(places) if place is None or other is place]
        if len(alike) > 1:
            contact += f", {alike.index(number) + 1} of {len(alike)}"
        return self._of_piston(piston, contact, _PLACES[place] if place else "")

    def of_driver(self, driver: Driver) -> End:
        """What a lamp or magnet is."""
        if driver.kind is Driven.PISTON_LAMP:
            piston = self._pistons[driver.id]
            return self._of_piston(piston, _LAMP, self._place(piston))
        if driver.kind is Driven.SHADE:
            name = self._chambers[driver.id]
            return End(driver.id, name, f"stage {driver.number}", "shade engine", "chamber")
        if driver.kind in (Driven.CHEST, Driven.PERCUSSION):
            rank = self._ranks[driver.id]
            note = note_name(rank.first_key + driver.number - 1)
            contact = f"{driver.kind.value}, pipe {driver.number}"
            return End(driver.id, rank.name, note, contact, "chest")
        return self._of_control(self._controls[driver.id], driver.kind.value)

    def _of_control(self, control: Control, contact: str) -> End:
        division = self._console.division_of(control)
        of = self._divisions[division] if division else ""
        place = f"stop rail, place {self._on_rail[control.id]}"
        return End(control.id, of, control.face, contact, place)

    def _of_piston(self, piston: Piston, contact: str, place: str) -> End:
        kind = piston.kind.value.replace("-", " ")
        of = self._divisions[piston.division] if piston.division else kind
        return End(piston.id, of, piston.face, contact, place)

    def _place(self, piston: Piston) -> str:
        """Where a piston's second touch and lamp are: on the key slip, if it has a place there."""
        if not self._says_where:
            return ""
        return _PLACES[Place.THUMB if Place.THUMB in piston.places else Place.TOE]


# ---------------------------------------------------------------- as a table, CSV and JSON


COLUMNS = {
    "in": ("wire", "pin", "belongs to", "what", "kind", "comes from", "sends"),
    "out": ("wire", "pin", "belongs to", "what", "kind", "goes to", "answers to"),
}
"""By the way that a board goes."""


def rows_of(side: Side) -> Iterator[tuple[str, ...]]:
    """A line for each wire, and for each run of spare pins."""
    for first, last in _folded(side):
        yield _row(first, last)


def _folded(side: Side) -> Iterator[tuple[Wire, Wire]]:
    """Each wire by itself, neighbouring spare ones as the first and the last of them."""
    for spare, group in groupby(side.wires, key=lambda wire: wire.end is None):
        wires = list(group)
        yield from [(wires[0], wires[-1])] if spare else zip(wires, wires, strict=True)


def _row(first: Wire, last: Wire) -> tuple[str, ...]:
    number = first.number if first is last else f"{first.number}-{last.number}"
    several = "" if first is last else "s"
    sends = f"{first.message}{several} {run(first.sends, last.sends)}"
    end = first.end or _SPARE
    return (number, run(first.pin, last.pin), end.of, end.what, end.kind, end.place, sends)


_SPARE = End("", "", "spare", "", "")


CSV_COLUMNS = (
    *("wire", "board", "pin", "way", "belongs to", "what", "kind", "place", "id"),
    *("port", "channel", "message", "number"),
)


def csv_rows(sides: Iterable[Side]) -> Iterator[tuple[str, ...]]:
    """A line for each pin each way, spare ones too."""
    for side in sides:
        port = side.messages
        for wire in side.wires:
            end = wire.end or _SPARE
            yield (
                *(wire.number, side.board.id, str(wire.pin), side.way),
                *(end.of, end.what, end.kind, end.place, end.id),
                *(port.port, str(port.channel), wire.message, str(wire.sends)),
            )


def data_of(console: Console, sides: Iterable[Side]) -> dict[str, Any]:
    """The schedule for JSON: board by board and way by way. A spare pin's end is null."""
    return {
        "console": console.name,
        "boards": [
            {
                "id": side.board.id,
                "name": side.board.name,
                "pins": side.board.pins,
                "way": side.way,
                "port": side.messages.port,
                "channel": side.messages.channel,
                "wires": [_wire_data(wire) for wire in side.wires],
            }
            for side in sides
        ],
    }


def _wire_data(wire: Wire) -> dict[str, Any]:
    end = wire.end
    return {
        "wire": wire.number,
        "pin": wire.pin,
        wire.message: wire.sends,
        "end": end
        and {
            "id": end.id,
            "belongs-to": end.of,
            "what": end.what,
            "kind": end.kind,
            "place": end.place,
        },
    }


# ---------------------------------------------------------------- as a page


_LEGEND = (
    "A wire's number is its pin's, counted through the boards of the console file in their order, "
    "spare pins too: what is wired later renumbers nothing. A number alone is the wire from a "
    f"contact; with {ACTS} after it, the wire to the lamp or magnet on that pin. C4 is middle C; "
    "the lowest C of a manual is C2. Tick a wire when it is on its pin and marked."
)


def as_page(console: Console, sides: Sequence[Side], date: str) -> str:
    """The schedule to be printed, with a box to tick for each wire; ``date`` is ISO 8601."""
    boards = [list(group) for _, group in groupby(sides, key=lambda side: side.board.id)]
    sections = [
        *([usual_cautions()] if any(_drives_coils(side) for side in sides) else []),
        section("Boards", paragraph(_LEGEND), _summary(boards)),
        *(_board_section(board) for board in boards),
    ]
    return page(console.name, "wiring schedule", sections, date)


def _drives_coils(side: Side) -> bool:
    ends = [wire.end for wire in side.wires if wire.end is not None]
    return side.way == "out" and any(end.kind != _LAMP for end in ends)


def _summary(boards: Iterable[Sequence[Side]]) -> Html:
    columns = ("board", "where", "pins", "wires", "contacts", "lamps and magnets")
    rows = []
    for sides in boards:
        board = sides[0].board
        used = Counter({side.way: sum(bool(wire.end) for wire in side.wires) for side in sides})
        wires = [wire.number.rstrip(ACTS) for wire in sides[0].wires]
        counts = [str(used[way]) if way in used else "" for way in _WAYS]
        numbers = whole(run(int(wires[0]), int(wires[-1])))
        rows.append((board.id, board.name, str(board.pins), numbers, *counts))
    return table([whole(column) for column in columns], rows)


def _board_section(sides: Sequence[Side]) -> Html:
    return section(title_of(sides[0].board), *(_to_tick(side) for side in sides))


def title_of(board: Board) -> str:
    """A board with its name and pins."""
    name = f", {board.name}" if board.name else ""
    return f"Board {board.id}{name}: {plural(board.pins, 'pin')}"


def _to_tick(side: Side) -> Html:
    """A board one way, with a box for each wire; a spare pin has no wire to tick."""
    rows = [
        ("" if first.end is None else TICK, *_laid_out(_row(first, last)))
        for first, last in _folded(side)
    ]
    return table(("", *map(whole, COLUMNS[side.way])), rows, side.of)


def _laid_out(row: Sequence[str]) -> tuple[Cell, ...]:
    """A line of which only the names that a person gave are broken where they are too long."""
    wire, pin, of, what, *rest = row
    return (whole(wire), whole(pin), of, what, *map(whole, rest))
