"""One console, joined up: contacts and MIDI messages in, effects out.

The contact layer and the organ behind it each know nothing of the other. Here they are run on
one clock, so that what falls due in either happens in its turn.
"""

from mido.messages import Message

from combination.action import CombinationAction
from combination.contacts import ContactLayer, Role, Timed, contacts_of
from combination.effects import (
    ContactBounces,
    ControlLampsChanged,
    Effect,
    KeepAsked,
    LevelChanged,
    OutputsOff,
    PistonLampsChanged,
    SequencePlaced,
    ShadesMoved,
    StepReached,
    Stored,
    TabsDriven,
    TabsRested,
    TransposerTurned,
)
from combination.events import (
    CrescendoMoved,
    Event,
    PistonPressed,
    PistonReleased,
    RelayEvent,
    ShoeMoved,
)
from combination.memory import Bank
from combination.midi import CrescendoRead, Edge, Heard, Push, ShoeRead, Wiring
from combination.model import Console, Kind
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

    def lost(self, port: str, at: float) -> list[Effect]:
        """Nothing is heard by a port any more: keys and pistons that were down there are let go.

        What stays where it is put stays as it was: tabs, the key switch, pedals. A set piston that
        was down is not armed by that: nobody has let it go.
        """
        effects = self.tick(at)
        armed = self.action.armed_until
        for pin in self.wiring.pins_of(port):
            if pin in self.contacts:
                effects += self._happened(self.contacts.lost(pin, at))
        if armed is None and self.action.armed_until is not None:
            setting = next(p.id for p in self.action.console.pistons if p.kind is Kind.SET)
            pushed = (PistonPressed(setting), PistonReleased(setting))
            effects += self._happened([(at, event) for event in pushed])  # which disarms (I.5)
        return effects

    def silence(self) -> list[Effect]:
        """Everything that goes out turned off, for what may be on of a time before.

        It is the same at any time, and may be made ready before it is needed.
        """
        controls = self.action.ranges.roster.registration(0).everyone
        lamps = self.action.lit.everyone
        return [
            self.relay.silence(),
            TabsRested(controls, controls),
            PistonLampsChanged(lamps.others, lamps),
            ControlLampsChanged(controls.others, controls),
            *(ShadesMoved(chamber, 0, None) for chamber in self._shade_engines),
        ]

    def standing(self) -> list[Effect]:
        """Everything that is on at present, for what is off, or has been silenced, as yet."""
        action, relay = self.action, self.relay
        showing = action.ranges.roster.registration(action.base)
        nothing = showing.everyone.others
        effects: list[Effect] = [
            relay.standing(),
            TabsDriven(*action.driven),
            PistonLampsChanged(action.lit, action.lit.everyone.others),
            ControlLampsChanged(showing, nothing),
            LevelChanged(action.bank.level),
            TransposerTurned(relay.transposer),
        ]
        step = action.step(action.bank.place)
        if step is None:
            effects.append(SequencePlaced(action.bank.sequence))
        else:
            effects.append(StepReached(step.number, step.level, step.piston, step.note))
        for chamber in relay.console.chambers:
            position = relay.shades(chamber.id)
            if position is not None:
                effects.append(ShadesMoved(chamber.id, position, None))
        return effects

    def ending(self) -> list[Effect]:
        """What is on at present turned off: the last that goes out before switch-off."""
        action, on = self.action, self.relay.standing()
        showing = action.ranges.roster.registration(action.base)
        return [
            OutputsOff(on.pipes, on.lines, on.controls),
            TabsRested(*action.driven),
            PistonLampsChanged(action.lit.everyone.others, action.lit),
            ControlLampsChanged(showing.everyone.others, showing),
            *(
                ShadesMoved(chamber, 0, position)
                for chamber in self._shade_engines
                if (position := self.relay.shades(chamber))
            ),
        ]

    @property
    def _shade_engines(self) -> list[str]:
        """The chambers whose shades are held where they are by current."""
        return [chamber.id for chamber in self.relay.console.chambers if chamber.stages is not None]

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
        effects: list[Effect] = [
            ContactBounces(wired.id, wired.pin, wired.number if wired.role is Role.KEY else None)
            for wired in self.contacts.restless()
        ]
        for at, event in events:
            done = self.organ.receive(event, at)
            if any(isinstance(effect, Stored | KeepAsked) for effect in done):
                self.contacts.set_used(at)
            effects += done
        return effects
