"""Which wire is where: every board pin by pin, and what has no wire yet.

Takes a console without errors. Pins are counted from 1, as its file counts them.
"""

from collections.abc import Callable, Iterable, Iterator
from typing import Any

from attrs import frozen

from cli.naming import Listing, Names, controller_text, plural, run
from combination.checking import COARSE_CONTROLLERS
from combination.contacts import Role, Wired, contacts_of
from combination.drivers import Driven, Driver, drivers_of
from combination.model import Action, Board, PinMessages, Place, Readout, Shows


@frozen
class Use:
    """What is on a pin. Uses of one thing on neighbouring pins are a run, counted up by ``number``.

    ``text`` has a place for the number, or the numbers, if there is one.
    """

    text: str
    number: int | None = None

    def until(self, last: "Use") -> str:
        """The use, or a run of uses from this to the last."""
        if self.number is None or last.number is None:
            return self.text
        return self.text.format(run(self.number, last.number))

    def goes_on(self, after: "Use") -> bool:
        """Whether this is the next of the same run."""
        return (
            self.number is not None
            and after.number is not None
            and self.text == after.text
            and self.number == after.number + 1
        )


Pins = dict[str, dict[int, Use]]
"""By board and pin number (from 1), what is on it."""


def pins_in(names: Names) -> Pins:
    """What each pin reports."""
    found: Pins = {}
    places = {
        contact.pin: f", {_PRESSED_AT[place]}"
        for piston in names.console.pistons
        if len(set(piston.places)) > 1
        for contact, place in zip(piston.contact, piston.places, strict=False)
    }
    for wired in contacts_of(names.console):
        board, _, number = wired.pin.rpartition(".")
        place = places.get(wired.pin, "")
        found.setdefault(board, {})[int(number)] = _reported(names, wired, place)
    return found


_PRESSED_AT = {Place.THUMB: "thumb", Place.TOE: "toe stud"}
_REPORTED = {
    Role.TAB_ON: ", on",
    Role.TAB_OFF: ", off",
    Role.TOUCH_ON: ", on",
    Role.TOUCH_OFF: ", off",
}


def _reported(names: Names, wired: Wired, place: str) -> Use:
    """What a pin reports; ``place`` tells a piston's contacts at different places apart."""
    inverted = " (inverted)" if wired.inverted else ""
    if wired.role is Role.KEY:
        name = _literal(names.keyboards[wired.id])
        return Use(f"{name} keys {{}}{inverted}", wired.number)
    if wired.role is Role.LOCK:
        return Use(f"memory lock{inverted}")
    if wired.role in (Role.TRANSPOSE_BY, Role.TRANSPOSE_TO):
        how = "by" if wired.role is Role.TRANSPOSE_BY else "to"
        return Use(f"transposer {how} {wired.number:+d}{inverted}")
    if wired.role is Role.PISTON:
        return Use(names.piston(wired.id) + place + inverted)
    if wired.role is Role.SECOND_TOUCH:
        return Use(f"second touch of {names.piston(wired.id)}{inverted}")
    return Use(names.control(wired.id) + _REPORTED.get(wired.role, "") + inverted)


def _literal(text: str) -> str:
    return text.replace("{", "{{").replace("}", "}}")


def pins_out(names: Names) -> Pins:
    """What each pin drives."""
    found: Pins = {}
    for driver in drivers_of(names.console):
        if driver.pin is not None:
            board, _, number = driver.pin.rpartition(".")
            found.setdefault(board, {})[int(number)] = _driven(names, driver)
    return found


def _driven(names: Names, driver: Driver) -> Use:
    match driver.kind:
        case Driven.LAMP:
            return Use(f"lamp of {names.control(driver.id)}")
        case Driven.MAGNET_ON:
            return Use(f"{names.control(driver.id)} on")
        case Driven.MAGNET_OFF:
            return Use(f"{names.control(driver.id)} off")
        case Driven.PISTON_LAMP:
            return Use(f"lamp of {names.piston(driver.id)}")
        case Driven.SHADE:
            chambers = {chamber.id: chamber.name for chamber in names.console.chambers}
            return Use(f"{_literal(chambers[driver.id])} shades {{}}", driver.number)
        case Driven.CHEST | Driven.PERCUSSION:
            ranks = {rank.id: rank.name for rank in names.console.ranks}
            return Use(f"{_literal(ranks[driver.id])} pipes {{}}", driver.number)


def pins_used(names: Names) -> tuple[int, int]:
    """How many pins of all boards have something on them, and how many there are."""
    sensed, driven = pins_in(names), pins_out(names)
    used = sum(
        len(set(sensed.get(board.id, {})) | set(driven.get(board.id, {})))
        for board in names.console.boards
    )
    return used, sum(board.pins for board in names.console.boards)


def boards(names: Names) -> Iterator[Listing]:
    """Every board pin by pin, runs of neighbouring pins together."""
    sensed, driven = pins_in(names), pins_out(names)
    for board in names.console.boards:
        sides = [
            (messages, pins.get(board.id, {}))
            for messages, pins in ((board.input, sensed), (board.out, driven))
            if messages is not None
        ]
        ways = [way for way, messages in (("in", board.input), ("out", board.out)) if messages]
        yield Listing(
            tuple(_board_title(board)),
            ("pins", *(column for way in ways for column in _COLUMNS[way])),
            tuple(_pin_rows(board, sides)),
        )
    readouts = names.console.readouts
    if readouts:
        yield Listing(
            (plural(len(readouts), "read-out"),),
            ("shows", "goes out on"),
            tuple((str(readout.shows), _shown_on(readout)) for readout in readouts),
        )


_COLUMNS = {"in": ("sends", "contact of"), "out": ("answers to", "drives")}


def _shown_on(readout: Readout) -> str:
    """A read-out's controllers, coarse and fine; the transposer needs no fine one."""
    port = readout.out
    if readout.shows is Shows.TRANSPOSER:
        return controller_text(port)
    fine = port.controller + COARSE_CONTROLLERS
    return f"{port.port}, channel {port.channel}, controllers {port.controller} and {fine}"


def _board_title(board: Board) -> Iterator[str]:
    name = f", {board.name}" if board.name else ""
    yield f"Board {board.id}{name}: {plural(board.pins, 'pin')}"
    for way, messages in (("in", board.input), ("out", board.out)):
        if messages is not None:
            yield f"  {way}: port {messages.port}, channel {messages.channel}"


def _pin_rows(
    board: Board, sides: list[tuple[PinMessages, dict[int, Use]]]
) -> Iterator[tuple[str, ...]]:
    first = 1
    for pin in range(1, board.pins + 1):
        if pin < board.pins and all(_same_run(pins, pin) for _, pins in sides):
            continue
        cells = []
        for messages, pins in sides:
            use, last = pins.get(first), pins.get(pin)
            cells += [_messages(messages, first, pin), use.until(last) if use and last else "spare"]
        yield (run(first, pin), *cells)
        first = pin + 1


def _same_run(pins: dict[int, Use], pin: int) -> bool:
    """Whether the next pin belongs to the same run on one side of a board."""
    here, following = pins.get(pin), pins.get(pin + 1)
    if here is None or following is None:
        return here is following
    return following.goes_on(here)


def _messages(messages: PinMessages, first: int, last: int) -> str:
    for what, number in (
        ("note", messages.first_note),
        ("controller", messages.first_controller),
        ("program", messages.first_program),
    ):
        if number is not None:
            several = "" if first == last else "s"
            return f"{what}{several} {run(number + first - 1, number + last - 1)}"
    return ""


# ---------------------------------------------------------------- what is not wired


def unwired(names: Names) -> Iterator[Listing]:
    """What has no wire yet."""
    rows = []
    for what, things, total in lacking(names):
        if things:
            which = "all of them" if len(things) == total > 1 else ", ".join(things)
            rows.append((f"{what}: {len(things)} of {total}", which))
    if rows:
        yield Listing(("Not wired",), ("what", "which"), tuple(rows))
    else:
        yield Listing(("Not wired: nothing",))


def lacking(names: Names) -> Iterator[tuple[str, list[str], int]]:
    """What may lack a wire: its kind, the ids of those that do, and how many there are."""
    console = names.console
    controls = console.controls

    def lacks(
        what: str, things: Iterable[Any], has: Callable[[Any], bool]
    ) -> tuple[str, list[str], int]:
        listed = list(things)
        return what, [thing.id for thing in listed if not has(thing)], len(listed)

    targets = {p.second_touch.piston for p in console.pistons if p.second_touch}
    yield lacks("keyboards", console.keyboards, lambda k: bool(k.contacts))
    yield lacks("controls without a contact", controls, lambda c: bool(c.contacts))
    if console.action is Action.MOVING:
        yield lacks("tabs that nothing drives", controls, lambda c: bool(c.drive_on))
    if console.action is Action.LIT:
        yield lacks("controls without a lamp", controls, lambda c: bool(c.lamp))
    yield lacks(
        "pistons without a contact", console.pistons, lambda p: bool(p.contact) or p.id in targets
    )
    yield lacks(
        "second touches without a contact",
        (p for p in console.pistons if p.second_touch),
        lambda p: bool(p.second_touch.contact),
    )
    yield lacks("shoes that are not heard", console.shoes, lambda s: s.input is not None)
    yield lacks("chambers that nothing opens", console.chambers, lambda c: bool(c.out or c.shades))
    yield lacks("ranks that go out nowhere", console.ranks, lambda r: bool(r.out))
    if console.crescendo.stages and console.crescendo.input is None:
        yield "crescendo pedal that is not heard", ["crescendo"], 1
