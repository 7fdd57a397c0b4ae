"""Every wire of a console between what is played and its boards, in the order of the harness.

The harness is laid from part to part: keyboard by keyboard, along the stop rail, the thumb
pistons, their second touches, the toe studs, and last what is turned by hand now and then. What
the console file puts on a pin has that pin; what it has not wired yet has none. Which pins are
good ones, and whether the wires are where the file says, is not known here.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from enum import Enum
from typing import TypeVar

from attrs import evolve, frozen

from combination.contacts import Role, Wired, contacts_of, pin_after
from combination.model import (
    HIGHEST_TRANSPOSED,
    Action,
    Console,
    Contact,
    Control,
    Keyboard,
    KeyRun,
    Piston,
    Place,
    Transposer,
)


class Part(Enum):
    """A part of the console that the harness goes to, in its order."""

    KEYS = "keys"
    RAIL = "stop rail"
    THUMB = "thumb pistons"
    SECOND_TOUCH = "second touches"
    TOE = "toe studs"
    TURNED = "switches"


@frozen
class Point:
    """One contact, and the wire from it to a board.

    ``id`` names the keyboard, control or piston, or which switch it is; ``number`` is the MIDI note
    number of a key, where a transposer's contact goes, or which of its piston's contacts it is,
    from 0. A ``pin`` is where the console file has it, None if nowhere yet; ``inverted`` if it
    opens when pressed.
    """

    part: Part
    role: Role
    id: str = ""
    number: int = 0
    pin: str | None = None
    inverted: bool = False

    @property
    def wire(self) -> tuple[Role, str, int]:
        """Which wire it is, wherever its end is."""
        return self.role, self.id, self.number


class CannotBeWiredError(Exception):
    """A console file cannot say that these wires are on these pins; the message says why."""


def points_of(console: Console, rail: Sequence[str] = ()) -> tuple[Point, ...]:
    """Every contact of a console without errors, wired or not, in the order of the harness.

    ``rail`` has the ids of controls as they stand on the rail; those that it leaves out come
    last, kind by kind. What a file can leave out altogether (a lock, a transposer) is there only
    if it is wired.
    """
    wired = contacts_of(console)
    points = [
        *_keys(console, wired),
        *_rail(console, wired, rail),
        *_pistons(console),
        *_turned(console, wired),
    ]
    order = list(Part)
    return tuple(sorted(points, key=lambda point: order.index(point.part)))


def _keys(console: Console, contacts: Iterable[Wired]) -> Iterator[Point]:
    wired = {(w.id, w.number): w for w in contacts if w.role is Role.KEY}
    for keyboard in console.keyboards:
        for key in range(keyboard.lowest, keyboard.lowest + keyboard.keys):
            there = wired.get((keyboard.id, key))
            pin, inverted = (there.pin, there.inverted) if there else (None, False)
            yield Point(Part.KEYS, Role.KEY, keyboard.id, key, pin, inverted)


def _rail(console: Console, contacts: Iterable[Wired], rail: Sequence[str]) -> Iterator[Point]:
    wired = defaultdict(list)
    for found in contacts:
        if found.role in _RAIL_ROLES:
            wired[found.id].append(found)
    place = {control: number for number, control in enumerate(rail)}
    lit = console.action is Action.LIT
    for control in sorted(console.controls, key=lambda c: place.get(c.id, len(place))):
        own = wired[control.id]
        for each in own:
            yield Point(Part.RAIL, each.role, control.id, 0, each.pin, each.inverted)
        if not own:
            yield Point(Part.RAIL, Role.TOUCH if lit else Role.TAB, control.id)


_RAIL_ROLES = frozenset(
    {Role.TAB, Role.TAB_ON, Role.TAB_OFF, Role.TOUCH, Role.TOUCH_ON, Role.TOUCH_OFF}
)


def _pistons(console: Console) -> Iterator[Point]:
    """Each contact that a piston has or is to have.

    One that is pressed by the second touch of another needs none of its own.
    """
    targets = {p.second_touch.piston for p in console.pistons if p.second_touch}
    for piston in console.pistons:
        places = piston.places if piston.at or piston.contact or piston.id not in targets else ()
        for number, place in enumerate(places):
            part = Part.TOE if place is Place.TOE else Part.THUMB
            yield _of_list(part, Role.PISTON, piston.id, piston.contact, number)
        if piston.second_touch is not None:
            deeper = piston.second_touch.contact
            for number in range(max(len(deeper), 1)):
                yield _of_list(Part.SECOND_TOUCH, Role.SECOND_TOUCH, piston.id, deeper, number)


def _of_list(part: Part, role: Role, owner: str, listed: Sequence[Contact], number: int) -> Point:
    if number < len(listed):
        return Point(part, role, owner, number, listed[number].pin, listed[number].inverted)
    return Point(part, role, owner, number)


def _turned(console: Console, contacts: Iterable[Wired]) -> Iterator[Point]:
    zero = console.transposer.zero
    for each in contacts:
        if each.role in _TURNED:
            is_zero = zero is not None and each.pin == zero.pin
            owner = "zero" if is_zero else _TURNED[each.role]
            yield Point(Part.TURNED, each.role, owner, each.number, each.pin, each.inverted)


_TURNED = {Role.TRANSPOSE_BY: "step", Role.TRANSPOSE_TO: "switch", Role.LOCK: "lock"}


# ---------------------------------------------------------------- pins put into a console


def with_pins(console: Console, pins: Mapping[Point, str]) -> Console:
    """The console with these contacts on these pins, and all others where they are.

    Raises:
        CannotBeWiredError: where the file has no words for it: the switch of a transposer is on
            an unbroken run of pins, and a piston's second contact needs its first.
    """
    new = {point.wire: Contact(pin, point.inverted) for point, pin in pins.items()}
    for point in points_of(console):
        if point.pin is not None:
            new.setdefault(point.wire, Contact(point.pin, point.inverted))
    return evolve(
        console,
        stops=tuple(_control_with(stop, new) for stop in console.stops),
        couplers=tuple(_control_with(coupler, new) for coupler in console.couplers),
        tremulants=tuple(_control_with(tremulant, new) for tremulant in console.tremulants),
        percussions=tuple(_control_with(percussion, new) for percussion in console.percussions),
        traps=tuple(_control_with(trap, new) for trap in console.traps),
        effects=tuple(_control_with(effect, new) for effect in console.effects),
        keyboards=tuple(_keyboard_with(keyboard, new) for keyboard in console.keyboards),
        pistons=tuple(_piston_with(piston, new) for piston in console.pistons),
        setting=evolve(console.setting, lock=new.get((Role.LOCK, "lock", 0))),
        transposer=_transposer_with(console, new),
    )


_Contacts = Mapping[tuple[Role, str, int], Contact]
_C = TypeVar("_C", bound=Control)


def _control_with(control: _C, new: _Contacts) -> _C:
    def either(*roles: Role) -> Contact | None:
        found = (new.get((role, control.id, 0)) for role in roles)
        return next((contact for contact in found if contact), None)

    return evolve(
        control,
        contact=either(Role.TAB, Role.TOUCH),
        contact_on=either(Role.TAB_ON, Role.TOUCH_ON),
        contact_off=either(Role.TAB_OFF, Role.TOUCH_OFF),
    )


def _piston_with(piston: Piston, new: _Contacts) -> Piston:
    contact = _listed(Role.PISTON, piston.id, len(piston.places), new)
    deeper = piston.second_touch
    if deeper is not None:
        most = max(len(deeper.contact), 1)
        deeper = evolve(deeper, contact=_listed(Role.SECOND_TOUCH, piston.id, most, new))
    return evolve(piston, contact=contact, second_touch=deeper)


def _listed(role: Role, owner: str, most: int, new: _Contacts) -> tuple[Contact, ...]:
    numbers = [number for number in range(most) if (role, owner, number) in new]
    if numbers != list(range(len(numbers))):
        raise CannotBeWiredError(f"the first contact of {owner} has no pin, and a later one has")
    return tuple(new[role, owner, number] for number in numbers)


def _keyboard_with(keyboard: Keyboard, new: _Contacts) -> Keyboard:
    keys = range(keyboard.lowest, keyboard.lowest + keyboard.keys)
    wired = [
        (key, new[Role.KEY, keyboard.id, key])
        for key in keys
        if (Role.KEY, keyboard.id, key) in new
    ]
    return evolve(keyboard, contacts=tuple(_runs(keyboard, wired)))


def _runs(keyboard: Keyboard, wired: Iterable[tuple[int, Contact]]) -> Iterator[KeyRun]:
    """Keys on neighbouring pins, as runs. What a run need not say it does not."""
    runs: list[list[tuple[int, Contact]]] = []
    for key, contact in wired:
        if runs and _follows(runs[-1][-1], key, contact):
            runs[-1].append((key, contact))
        else:
            runs.append([(key, contact)])
    for run in runs:
        first, contact = run[0]
        to_the_end = first + len(run) == keyboard.lowest + keyboard.keys
        yield KeyRun(
            contact.pin,
            None if first == keyboard.lowest else first,
            None if to_the_end else len(run),
            contact.inverted,
        )


def _follows(before: tuple[int, Contact], key: int, contact: Contact) -> bool:
    next_pin = pin_after(before[1].pin, 1)
    return (before[0] + 1, next_pin, before[1].inverted) == (key, contact.pin, contact.inverted)


def _transposer_with(console: Console, new: _Contacts) -> Transposer:
    transposer = console.transposer
    if transposer.switch is not None:
        places = range(-HIGHEST_TRANSPOSED, HIGHEST_TRANSPOSED + 1)
        pins = [new[Role.TRANSPOSE_TO, "switch", place].pin for place in places]
        if any(pin != pin_after(pins[0], after) for after, pin in enumerate(pins)):
            raise CannotBeWiredError("the positions of a transposer go on an unbroken run of pins")
        transposer = evolve(transposer, switch=pins[0])
    return evolve(
        transposer,
        up=new.get((Role.TRANSPOSE_BY, "step", 1)),
        down=new.get((Role.TRANSPOSE_BY, "step", -1)),
        zero=new.get((Role.TRANSPOSE_TO, "zero", 0)),
    )
