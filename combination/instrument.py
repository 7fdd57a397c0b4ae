"""One console, joined up: contacts and MIDI messages in, effects out.

The contact layer and the organ behind it each know nothing of the other. Here they are run on
one clock, so that what falls due in either happens in its turn.
"""

from mido.messages import Message

from combination.action import CombinationAction
from combination.contacts import ContactLayer, Timed, contacts_of
from combination.effects import Effect, KeepAsked, Stored
from combination.events import CrescendoMoved, Event, RelayEvent, ShoeMoved
from combination.memory import Bank
from combination.midi import CrescendoRead, Edge, Heard, Push, ShoeRead, Wiring
from combination.model import Console
from combination.organ import Organ
from combination.relay import Relay


class Instrument:
    """A console from switch-on to switch-off, by its pins.

    Times ``at`` are seconds on a clock that never goes back. Every call returns what changed.
    """

    def __init__(
        self,
        console: Console,
        bank: Bank,
        *,
        at: float = 0.0,
        keeps: bool = False,
        unwired: bool = False,
    ) -> None:
        """Switch on, with a bank seated on the console (`combination.memory.seat`).

        With ``unwired``, what has no contact can be worked all the same: see `contacts_of`.

        Raises:
            ValueError: if the bank has not been seated.
        """
        self.organ = Organ(console, bank, at=at, keeps=keeps)
        self.contacts = ContactLayer(contacts_of(console, unwired=unwired), console.timing)
        self.wiring = Wiring(console)

    @property
    def action(self) -> CombinationAction:
        """The combination action."""
        return self.organ.action

    @property
    def relay(self) -> Relay:
        """The relay."""
        return self.organ.relay

    def message(self, message: Message, at: float, port: str | None = None) -> list[Effect]:
        """A MIDI message from the console; one that nothing of the console sends is ignored."""
        heard = self.wiring.heard(message, port)
        return self.tick(at) if heard is None else self.hear(heard, at)

    def hear(self, heard: Heard, at: float) -> list[Effect]:
        """An edge or a push of a pin, or a reading of a pedal. Unused pins are ignored."""
        effects = self.tick(at)
        if isinstance(heard, CrescendoRead):
            effects += self.receive(CrescendoMoved(heard.reading), at)
        elif isinstance(heard, ShoeRead):
            effects += self.receive(ShoeMoved(heard.shoe, heard.reading), at)
        elif heard.pin in self.contacts:
            if isinstance(heard, Push):
                effects += self._happened(self.contacts.push(heard.pin, at))
            else:
                effects += self._happened(self.contacts.edge(heard.pin, heard.closed, at))
        return effects

    def found(self, edge: Edge, at: float) -> list[Effect]:
        """The state in which a pin is at switch-on. Unused pins are ignored."""
        effects = self.tick(at)
        if edge.pin in self.contacts:
            effects += self._happened(self.contacts.found(edge.pin, edge.closed, at))
        return effects

    def receive(self, event: Event | RelayEvent, at: float) -> list[Effect]:
        """An event that does not come by a contact: undo, a step chosen, a change kept.

        Raises:
            KeyError, ValueError: as `Organ.receive`.
        """
        effects = self.tick(at)
        return effects + self._happened([(at, event)])

    def tick(self, at: float) -> list[Effect]:
        """Let time pass until ``at``; contacts and organ each act when they fall due."""
        effects: list[Effect] = []
        while (due := self.contacts.next_due) is not None and due <= at:
            effects += self._happened(self.contacts.tick(due))
        return effects + self.organ.tick(at)

    @property
    def next_due(self) -> float | None:
        """When the instrument will act by itself; None if it will not."""
        both = (self.contacts.next_due, self.organ.next_due)
        return min((due for due in both if due is not None), default=None)

    def _happened(self, events: list[Timed]) -> list[Effect]:
        effects: list[Effect] = []
        for at, event in events:
            done = self.organ.receive(event, at)
            if any(isinstance(effect, Stored | KeepAsked) for effect in done):
                self.contacts.set_used(at)
            effects += done
        return effects
