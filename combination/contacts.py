"""The contact layer: between a wire that closes and a thing that a player did.

semantics.md I.8. Contacts bounce, stick, open when pressed, come several to a piston, or arrive
as program changes that never open. All of that ends here: edges come in, each at its time, and
events go out, each at its own. What a press then does is not known here.
"""

from collections.abc import Callable, Iterable
from enum import Enum, auto

from attrs import define, frozen

from combination.events import (
    ControlTouched,
    Event,
    KeyMoved,
    MemoryLockTurned,
    PistonFreed,
    PistonPressed,
    PistonReleased,
    PistonStuck,
    RelayEvent,
    SecondTouchPressed,
    SecondTouchReleased,
    TabMoved,
    TransposerMoved,
    TransposerStepped,
)
from combination.model import (
    HIGHEST_TRANSPOSED,
    Action,
    Console,
    Contact,
    Control,
    Keyboard,
    Kind,
    Timing,
)

RESTLESS = 5
RESTLESS_WITHIN = 0.1
"""A contact that changes so many times in so many seconds, its bounce time apart, is moved by no
hand: common practice has the fastest repetition of a key at some fifteen strokes a second."""

Timed = tuple[float, Event | RelayEvent]
"""An event, with the time (seconds) at which it happened."""


class Role(Enum):
    """What a contact is the contact of.

    A tab stays where it is put, so that its contacts show a state; a lit control is touched, and
    what touches it comes up again.
    """

    PISTON = auto()
    SECOND_TOUCH = auto()
    TAB = auto()
    TAB_ON = auto()
    TAB_OFF = auto()
    TOUCH = auto()
    TOUCH_ON = auto()
    TOUCH_OFF = auto()
    KEY = auto()
    LOCK = auto()
    TRANSPOSE_BY = auto()
    TRANSPOSE_TO = auto()


_PRESSED: dict[Role, tuple[Callable[[str], Event], Callable[[str], Event]]] = {
    Role.PISTON: (PistonPressed, PistonReleased),
    Role.SECOND_TOUCH: (SecondTouchPressed, SecondTouchReleased),
}
_TOUCHED = frozenset({Role.TOUCH, Role.TOUCH_ON, Role.TOUCH_OFF})
_CONTROLS = frozenset({Role.TAB, Role.TAB_ON, Role.TAB_OFF}) | _TOUCHED
_STAYING = frozenset({Role.TAB, Role.LOCK})
_ONLY_TOUCHED = _TOUCHED | {Role.TRANSPOSE_BY}


@frozen
class Wired:
    """One contact of a console: its pin, and what it is the contact of.

    ``id`` names the piston, control or keyboard. ``number`` is the MIDI note number of a key, or
    by or to how many semitones the transposer goes.
    """

    pin: str
    role: Role
    id: str = ""
    number: int = 0
    inverted: bool = False
    sets: bool = False


def contacts_of(console: Console, *, unwired: bool = False) -> tuple[Wired, ...]:
    """Every contact of a console.

    With ``unwired``, pistons, controls and keys that have no contact yet get one in name only,
    so that a console can be tried before its wiring is planned: see `unwired_pin`.
    """
    found: list[Wired] = []

    def add(contacts: Iterable[Contact], role: Role, owner: str, sets: bool = False) -> None:
        listed = list(contacts)
        if not listed and unwired:
            listed = [Contact(unwired_pin(role, owner))]
        found.extend(Wired(c.pin, role, owner, 0, c.inverted, sets) for c in listed)

    for piston in console.pistons:
        add(piston.contact, Role.PISTON, piston.id, piston.kind is Kind.SET)
        if piston.second_touch is not None:
            add(piston.second_touch.contact, Role.SECOND_TOUCH, piston.id)
    for control in console.controls:
        for role, contact in _control_contacts(console, control):
            add([contact], role, control.id)
        if not control.contacts:
            add([], Role.TAB, control.id)
            if console.action is Action.LIT:
                add([], Role.TOUCH, control.id)
    for keyboard in console.keyboards:
        found += _key_contacts(keyboard, unwired)
    found += _transposer_contacts(console)
    if console.setting.lock is not None:
        add([console.setting.lock], Role.LOCK, "")
    return tuple(found)


def _key_contacts(keyboard: Keyboard, unwired: bool) -> list[Wired]:
    """A keyboard's contacts, run by run."""
    found = []
    for run in keyboard.contacts:
        lowest = keyboard.lowest if run.key is None else run.key
        count = keyboard.lowest + keyboard.keys - lowest if run.keys is None else run.keys
        found += [
            Wired(pin_after(run.pin, n), Role.KEY, keyboard.id, lowest + n, run.inverted)
            for n in range(count)
        ]
    if unwired:
        wired = {contact.number for contact in found}
        found += [
            Wired(unwired_pin(Role.KEY, f"{keyboard.id}.{key}"), Role.KEY, keyboard.id, key)
            for key in range(keyboard.lowest, keyboard.lowest + keyboard.keys)
            if key not in wired
        ]
    return found


def _transposer_contacts(console: Console) -> list[Wired]:
    transposer = console.transposer
    found = [
        Wired(contact.pin, role, "", semitones, contact.inverted)
        for contact, role, semitones in (
            (transposer.up, Role.TRANSPOSE_BY, 1),
            (transposer.down, Role.TRANSPOSE_BY, -1),
            (transposer.zero, Role.TRANSPOSE_TO, 0),
        )
        if contact is not None
    ]
    if transposer.switch is not None:
        found += [
            Wired(pin_after(transposer.switch, place), Role.TRANSPOSE_TO, "", semitones)
            for place, semitones in enumerate(range(-HIGHEST_TRANSPOSED, HIGHEST_TRANSPOSED + 1))
        ]
    return found


def pin_after(pin: str, by: int) -> str:
    """The pin that is so many after another, on the same board."""
    board, _, number = pin.rpartition(".")
    return f"{board}.{int(number) + by}"


def _control_contacts(console: Console, control: Control) -> Iterable[tuple[Role, Contact]]:
    lit = console.action is Action.LIT
    for role, contact in (
        (Role.TOUCH if lit else Role.TAB, control.contact),
        (Role.TOUCH_ON if lit else Role.TAB_ON, control.contact_on),
        (Role.TOUCH_OFF if lit else Role.TAB_OFF, control.contact_off),
    ):
        if contact is not None:
            yield role, contact


def unwired_pin(role: Role, owner: str) -> str:
    """What stands for the pin of a contact that is on none. No board can be called so."""
    return f"({role.name.lower()}).{owner}"


@define(eq=False)
class _State:
    """A contact as it is now: pressed or not, and, while it bounces, what it last said."""

    wired: Wired
    pressed: bool = False
    said: bool = False
    stuck: bool = False
    since: float = 0.0
    changed: tuple[float, ...] = ()
    restless: bool = False


class ContactLayer:
    """The contacts of one console, from switch-on to switch-off.

    Times are seconds on a clock that never goes back. Contacts not heard of yet are at rest.
    """

    def __init__(self, wired: Iterable[Wired], timing: Timing) -> None:
        """Take every contact there is."""
        self._timing = timing
        self._states = {contact.pin: _State(contact) for contact in wired}
        self._bouncing: dict[str, float] = {}
        self._down: dict[tuple[Role, str], list[_State]] = {}
        self._out: list[Timed] = []
        self._restless: list[Wired] = []

    def __contains__(self, pin: object) -> bool:
        """Whether anything is on the pin."""
        return pin in self._states

    def edge(self, pin: str, closed: bool, at: float) -> list[Timed]:
        """A contact closed or opened.

        Raises:
            KeyError: if nothing is on the pin.
        """
        self._advance(at)
        state = self._states[pin]
        state.said = closed is not state.wired.inverted
        if pin not in self._bouncing and state.said is not state.pressed:
            self._act(state, at)
        return self._taken()

    def push(self, pin: str, at: float) -> list[Timed]:
        """A contact reported by a program change: pressed and released at once.

        Raises:
            KeyError: if nothing is on the pin.
        """
        self._advance(at)
        state = self._states[pin]
        for pressed in (True, False):
            state.said = pressed
            self._change(state, at)
        return self._taken()

    def found(self, pin: str, closed: bool, at: float) -> list[Timed]:
        """The state in which a contact is at switch-on, or when its board is heard of again.

        A piston down by then is stuck; a lit control, or the transposer, touched by then stays
        as it was.

        Raises:
            KeyError: if nothing is on the pin.
        """
        self._advance(at)
        state = self._states[pin]
        state.said = closed is not state.wired.inverted
        if pin in self._bouncing or state.said is state.pressed:
            return self._taken()
        self._be_deaf_to(state, at)
        if state.said and state.wired.role in _PRESSED:
            state.pressed = state.stuck = True
            self._out.append((at, PistonStuck(state.wired.id, pin)))
        elif state.wired.role in _ONLY_TOUCHED:
            state.pressed = state.said
        else:
            self._change(state, at)
        return self._taken()

    def lost(self, pin: str, at: float) -> list[Timed]:
        """Nothing is heard of a contact any more: what a hand or a foot held is let go.

        What stays where it is put (a tab, the key switch) is taken to be as it was, and a stuck
        piston as stuck. Of a tab with two contacts neither is closed then: the tab stays, and
        whichever is found closed next says where it is.

        Raises:
            KeyError: if nothing is on the pin.
        """
        self._advance(at)
        state = self._states[pin]
        if state.wired.role not in _STAYING and not state.stuck:
            state.said = False
            self._bouncing.pop(pin, None)
            if state.pressed:
                self._change(state, at)
        return self._taken()

    def set_used(self, at: float) -> None:
        """Something was stored: the clocks of set pistons that are down start again."""
        for states in self._down.values():
            for state in states:
                if state.wired.sets:
                    state.since = at

    def restless(self) -> list[Wired]:
        """The contacts that have been found to bounce on and on; each is given once."""
        found, self._restless = self._restless, []
        return found

    def tick(self, at: float) -> list[Timed]:
        """Let time pass until ``at``."""
        self._advance(at)
        return self._taken()

    @property
    def next_due(self) -> float | None:
        """When a bounce ends or a piston is found stuck; None if neither will happen."""
        stuck = [
            state.since + self._timing.stuck for states in self._down.values() for state in states
        ]
        return min((*self._bouncing.values(), *stuck), default=None)

    def _advance(self, at: float) -> None:
        while self._bouncing or self._down:
            due = self.next_due
            if due is None or due > at:
                return
            for pin in [p for p, until in self._bouncing.items() if until <= due]:
                del self._bouncing[pin]
                state = self._states[pin]
                if state.said is not state.pressed:
                    self._act(state, due)
            overdue = [
                state
                for states in self._down.values()
                for state in states
                if state.since + self._timing.stuck <= due
            ]
            for state in overdue:
                self._stick(state, due)

    def _act(self, state: _State, at: float) -> None:
        """Act on an edge, and then be deaf to this contact for its bounce time."""
        self._be_deaf_to(state, at)
        if not state.restless:
            state.changed = (*state.changed[1 - RESTLESS :], at)
            if len(state.changed) == RESTLESS and at - state.changed[0] < RESTLESS_WITHIN:
                state.restless = True
                self._restless.append(state.wired)
        self._change(state, at)

    def _be_deaf_to(self, state: _State, at: float) -> None:
        bounce = self._timing.key_bounce if state.wired.role is Role.KEY else self._timing.bounce
        if bounce:
            self._bouncing[state.wired.pin] = at + bounce

    def _change(self, state: _State, at: float) -> None:
        state.pressed = state.said
        wired = state.wired
        if wired.role in _PRESSED:
            if state.pressed:
                self._press(state, at)
            else:
                self._open(state, at)
            return
        if wired.role in _CONTROLS:
            self.set_used(at)
        event = _simple_event(wired, state.pressed)
        if event is not None:
            self._out.append((at, event))

    def _press(self, state: _State, at: float) -> None:
        """The first contact to close presses the piston."""
        wired = state.wired
        state.since = at
        down = self._down.setdefault((wired.role, wired.id), [])
        down.append(state)
        if len(down) == 1:
            self._out.append((at, _PRESSED[wired.role][0](wired.id)))

    def _open(self, state: _State, at: float) -> None:
        """The last contact to open releases the piston; one that was stuck is free again."""
        wired = state.wired
        if state.stuck:
            state.stuck = False
            self._out.append((at, PistonFreed(wired.id, wired.pin)))
        else:
            self._up(state, at)

    def _stick(self, state: _State, at: float) -> None:
        """Reported once, and taken as open until it really opens."""
        state.stuck = True
        self._out.append((at, PistonStuck(state.wired.id, state.wired.pin)))
        self._up(state, at)

    def _up(self, state: _State, at: float) -> None:
        wired = state.wired
        down = self._down[wired.role, wired.id]
        down.remove(state)
        if not down:
            del self._down[wired.role, wired.id]
            self._out.append((at, _PRESSED[wired.role][1](wired.id)))

    def _taken(self) -> list[Timed]:
        out, self._out = self._out, []
        return out


def _simple_event(wired: Wired, pressed: bool) -> Event | RelayEvent | None:
    """What a contact that is not a piston's says; None if its opening says nothing."""
    if wired.role is Role.TAB:
        return TabMoved(wired.id, pressed)
    if wired.role is Role.KEY:
        return KeyMoved(wired.id, wired.number, pressed)
    if wired.role is Role.LOCK:
        return MemoryLockTurned(pressed)
    if not pressed:
        return None
    if wired.role is Role.TRANSPOSE_BY:
        return TransposerStepped(wired.number)
    if wired.role is Role.TRANSPOSE_TO:
        return TransposerMoved(wired.number)
    if wired.role is Role.TOUCH:
        return ControlTouched(wired.id)
    return TabMoved(wired.id, wired.role in (Role.TAB_ON, Role.TOUCH_ON))
