"""The organ behind the contacts: the combination action and the relay, on one clock.

Each knows nothing of the other. Here what the action says sounds is handed to the relay at the
time it came to be so; pressing keys and pushing pistons come in, what becomes of both goes out.
"""

from combination.action import CombinationAction
from combination.effects import Effect, SoundingChanged
from combination.events import (
    Event,
    KeyMoved,
    RelayEvent,
    ShoeMoved,
    TransposerMoved,
    TransposerStepped,
)
from combination.memory import Bank
from combination.model import Console
from combination.relay import Relay

_RELAYED = (KeyMoved, ShoeMoved, TransposerMoved, TransposerStepped)


class Organ:
    """One console's action and relay, from switch-on to switch-off.

    Times ``at`` are seconds on a clock that never goes back. Every call does first what has
    fallen due by then, and returns what changed, in order.
    """

    def __init__(
        self, console: Console, bank: Bank, *, at: float = 0.0, keeps: bool = False
    ) -> None:
        """Switch on; the bank and ``keeps`` are as `CombinationAction` takes them.

        Raises:
            ValueError: if the bank has not been seated on this console (`memory.seat`).
        """
        self.action = CombinationAction(console, bank, at=at, keeps=keeps)
        self.relay = Relay(console, at=at)
        self._now = at
        self._untold: list[Effect] = []

    def receive(self, event: Event | RelayEvent, at: float) -> list[Effect]:
        """Take one event, at its time.

        What fell due before an event that is refused is told by the next call.

        Raises:
            KeyError, ValueError: as `CombinationAction.receive` and `Relay.receive`.
        """
        effects = self.tick(at)
        try:
            if isinstance(event, _RELAYED):
                return effects + self.relay.receive(event, at)
            return effects + self._relayed(self.action.receive(event, at), at)
        except (KeyError, ValueError):
            self._untold = effects
            raise

    def tick(self, at: float) -> list[Effect]:
        """Let time pass until ``at``; action and relay each act when they fall due.

        Raises:
            ValueError: if ``at`` is earlier than a time already given.
        """
        if at < self._now:
            raise ValueError(f"{at} is earlier than {self._now}")
        effects, self._untold, self._now = self._untold, [], at
        while (due := self.next_due) is not None and due <= at:
            effects += self._relayed(self.action.tick(due), due)
            effects += self.relay.tick(due)
        return effects

    @property
    def next_due(self) -> float | None:
        """When the organ will act by itself; None if it will not."""
        both = (self.action.next_due, self.relay.next_due)
        return min((due for due in both if due is not None), default=None)

    def _relayed(self, effects: list[Effect], at: float) -> list[Effect]:
        if any(isinstance(effect, SoundingChanged) for effect in effects):
            effects = effects + self.relay.register(self.action.sounding, at)
        return effects
