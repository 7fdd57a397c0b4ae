"""What a hand does at a console, as edges of its pins.

It knows which contacts a piston or a tab has and how they report; not why it moves them, nor
what comes of it.
"""

from combination.contacts import Role, Wired, contacts_of
from combination.midi import Edge, Heard, Push
from combination.model import Action, Console


class Hand:
    """What a hand does at one console, as edges of pins."""

    def __init__(self, console: Console) -> None:
        """Find every contact; what is on no pin yet has one in name only."""
        self.action = console.action
        self.wired = {wire.pin: wire for wire in contacts_of(console, unwired=True)}
        self._of: dict[tuple[Role, str], list[Wired]] = {}
        for wire in self.wired.values():
            self._of.setdefault((wire.role, wire.id), []).append(wire)
        self._by_programs = {
            board.id
            for board in console.boards
            if board.input is not None and board.input.first_program is not None
        }

    def first(self, role: Role, owner: str) -> Wired | None:
        """The first contact of something in that role."""
        return next(iter(self._of.get((role, owner), ())), None)

    def only_pushes(self, pin: str) -> bool:
        """Whether a pin arrives as program changes, which have no opening."""
        return pin.rpartition(".")[0] in self._by_programs

    def edge(self, wire: Wired, pressed: bool) -> Heard:
        """A contact pressed or released, as its pin reports it."""
        if self.only_pushes(wire.pin):
            return Push(wire.pin)
        return Edge(wire.pin, pressed is not wire.inverted)

    def tap(self, wire: Wired) -> tuple[tuple[int, Heard], ...]:
        """A contact pressed and released."""
        if self.only_pushes(wire.pin):
            return ((0, Push(wire.pin)),)
        return (0, self.edge(wire, True)), (1, self.edge(wire, False))

    def tab(self, control: str, on: bool) -> tuple[Heard, ...]:
        """A tab that stands on or off: what its contact reports, or its two contacts do."""
        single = self.first(Role.TAB, control)
        if single is not None:
            return (self.edge(single, on),)
        ends = self.first(Role.TAB_ON, control), self.first(Role.TAB_OFF, control)
        reached, left = ends if on else ends[::-1]
        if reached is None or left is None:
            return ()
        if self.only_pushes(reached.pin):
            return (self.edge(reached, True),)
        return self.edge(left, False), self.edge(reached, True)

    def turn(self, control: str, on: bool) -> tuple[tuple[int, Heard], ...]:
        """A tab moved, or a lit control turned on or off by the contact for that."""
        if self.action is not Action.LIT:
            return tuple((0, heard) for heard in self.tab(control, on))
        wire = self.first(Role.TOUCH_ON if on else Role.TOUCH_OFF, control)
        return self.tap(wire) if wire else ()
