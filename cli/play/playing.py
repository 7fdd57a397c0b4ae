"""A console that is played: what comes by its ports becomes what goes out, and what is amiss.

The instrument does it; here is what surrounds it at a real console: ports that open and are
lost, boards that fall silent, contacts found at switch-on, a store that answers when it has
written. There are no ports here, no threads and no clock: `cli.play.loop` has them.
"""

from collections.abc import Callable, Iterable
from datetime import datetime

from attrs import define
from mido.messages import Message

from cli.play.faults import Faults
from cli.play.seen import Told
from cli.rehearsal.port_log import SETTLING
from combination.contacts import Role, Wired, contacts_of
from combination.effects import (
    Cause,
    ContactBounces,
    ContactFreed,
    ContactStuck,
    Effect,
    KeepAsked,
    KeptAfterAll,
    Refused,
    Stored,
    TabDidNotFollow,
)
from combination.events import (
    ChangeKept,
    ChangeNotKept,
    Event,
    RedoAsked,
    RelayEvent,
    UndoAsked,
)
from combination.instrument import Instrument
from combination.memory import Bank, Change
from combination.midi import Edge, Heard, Push
from combination.model import Console
from combination.outputs import Sent

SILENT = 0.3
"""Seconds without a byte, after which a cable that sent active sensing is lost (MIDI 1.0)."""

_CAUSES: dict[type[Event | RelayEvent], Cause] = {
    UndoAsked: Cause.UNDO,
    RedoAsked: Cause.REDO,
}
_DONE = {Cause.SET: "set", Cause.UNDO: "as it was before it was set", Cause.REDO: "set again"}

STRAYS = 20
"""Places of which it is told that something comes from there and nothing is planned: a board on a
wrong channel has more, and says no more by them."""

SAID = 20
"""Things said to the player that are remembered: as many as come between two looks."""

_TABS = frozenset({Role.TAB, Role.TAB_ON, Role.TAB_OFF})
_ACTIVE_SENSING = 0xFE
_SYSTEM = 0xF0
_PLACELESS = {
    "polytouch": "the pressure of a key",
    "aftertouch": "pressure",
    "pitchwheel": "pitch bend",
}
"""What no contact or pedal of a console file sends, by mido's names."""

_STUCK = "its contact at pin {} is stuck, and taken as open"
_FOUND_DOWN = (
    "down at pin {} when its port came on: held, or stuck; it does nothing until it is let go"
)


@define
class _Heard:
    """A port that is listened to: when it opened, and when something was heard of it last."""

    opened: float
    last: float
    senses: bool = False
    silent: bool = False


class Playing:
    """One console from switch-on to switch-off, by its ports.

    Times ``at`` are seconds on a clock that never goes back. Each call gives the messages that
    go out, in order. What is to be written is in ``asked`` until it is taken; ``told`` has what was
    said last.
    """

    def __init__(
        self,
        console: Console,
        bank: Bank,
        now: Callable[[], datetime],
        *,
        at: float = 0.0,
        keeps: bool = True,
        unwired: bool = False,
        witness: Callable[[list[Effect], float], None] = lambda _effects, _at: None,
    ) -> None:
        """Switch on, with a bank seated on the console.

        ``keeps`` says that a store answers; ``unwired`` is as `Instrument` has it; a ``witness``
        is told of all effects.
        """
        self.console = console
        self.instrument = Instrument(console, bank, at=at, keeps=keeps, unwired=unwired)
        self.faults = Faults(now)
        self.asked: list[KeepAsked] = []
        self.told: tuple[Told, ...] = ()
        self.on_lost: Callable[[str, float], None] = lambda _port, _at: None
        """Who is told when nothing is heard by a port any more."""
        self._witness = witness
        self._cause = Cause.SET
        self._causes: dict[Change, Cause] = {}
        self._ports: dict[str, _Heard] = {}
        self._strays: set[str] = set()
        self._pistons = {p.id: f"piston {p.face} ({p.id})" for p in console.pistons}
        self._controls = {c.id: f"{c.face} ({c.id})" for c in console.controls}
        self._keyboards = {k.id: k.name for k in console.keyboards}
        self._wired = {wired.pin: wired for wired in contacts_of(console, unwired=unwired)}
        self._tabs = {pin: wired.id for pin, wired in self._wired.items() if wired.role in _TABS}

    # ------------------------------------------------------------ ports

    def opened(self, port: str, at: float) -> list[Sent]:
        """A port is open, for the first time or again: it is told everything anew."""
        sent = self.tick(at)
        self._ports[port] = _Heard(at, at)
        self.faults.over(("port", port))
        self.faults.over(("silent", port))
        return sent + self.anew(port)

    def anew(self, port: str) -> list[Sent]:
        """What one port is told if nothing is known of it: all off, and then what is on."""
        effects = self.instrument.silence() + self.instrument.standing()
        return [one for one in self.instrument.wiring.sent(effects) if one[0] == port]

    def lost(self, port: str, why: str, at: float) -> list[Sent]:
        """A port is gone, and with it every key and piston that was down there."""
        sent = self.tick(at)
        self._ports.pop(port, None)
        self.faults.over(("silent", port))
        self.faults.found(("port", port), f'port "{port}": {why}')
        return sent + self._let_go(port, at)

    def _let_go(self, port: str, at: float) -> list[Sent]:
        self.on_lost(port, at)
        return self._come_of(self.instrument.lost(port, at), at)

    def heard(self, port: str, data: bytes, at: float) -> list[Sent]:
        """A whole message has come by a port; any byte of it says that somebody is there.

        If nobody was, what went off meanwhile may be on there yet: it is turned off, and what is
        on is sent anew.
        """
        sent = self.tick(at)
        there = self._ports.setdefault(port, _Heard(at, at))
        there.last = at
        if there.silent:
            there.silent, there.opened = False, at
            self.faults.over(("silent", port))
            sent += self.anew(port)
        if data[0] == _ACTIVE_SENSING:
            there.senses = True
        if data[0] >= _SYSTEM:
            return sent
        message = Message.from_bytes(data)
        heard = self.instrument.wiring.heard(message, port)
        if heard is None:
            self._stray(port, _place_of(message))
            return sent
        if isinstance(heard, Edge | Push) and heard.pin not in self._wired:
            self._stray(port, f"pin {heard.pin}" if _place_of(message) else "")
            return sent
        if isinstance(heard, Edge) and at < there.opened + SETTLING:
            self._reported(heard)
            return sent + self._come_of(self.instrument.found(heard, at), at, stuck=_FOUND_DOWN)
        return sent + self.work(heard, at)

    def _stray(self, port: str, where: str) -> None:
        """Something comes that nothing of the console sends: told once for each place."""
        if len(self._strays) > STRAYS or not where:
            return
        what = f'port "{port}": {where} comes, and nothing is planned for it'
        self._strays.add(what)
        if len(self._strays) > STRAYS:
            what = f"more comes for which nothing is planned than the {STRAYS} that are told"
        self.faults.found(("stray", what), what)

    def _fallen_silent(self, at: float) -> list[Sent]:
        """Let go of what is down at the boards that have fallen silent by then."""
        sent: list[Sent] = []
        for port, there in self._ports.items():
            if there.senses and not there.silent and there.last + SILENT <= at:
                there.silent = True
                self.faults.found(
                    ("silent", port), f'port "{port}": nothing is heard of it any more'
                )
                sent += self._let_go(port, at)
        return sent

    # ------------------------------------------------------------ the rest of the world

    def wish(self, event: Event | RelayEvent, at: float) -> list[Sent]:
        """Something that comes by no port.

        Raises:
            KeyError, ValueError: as `Instrument.receive`.
        """
        sent = self.tick(at)
        self._cause = _CAUSES.get(type(event), Cause.SET)
        try:
            return sent + self._come_of(self.instrument.receive(event, at), at)
        finally:
            self._cause = Cause.SET

    def work(self, heard: Heard, at: float) -> list[Sent]:
        """A contact is worked, by its port or from elsewhere."""
        sent = self.tick(at)
        self._reported(heard)
        return sent + self._come_of(self.instrument.hear(heard, at), at)

    def _reported(self, heard: Heard) -> None:
        """A tab of which something is heard moves again."""
        if isinstance(heard, Edge | Push) and heard.pin in self._tabs:
            self.faults.over(("follow", self._tabs[heard.pin]))

    def written(self, answers: Iterable[ChangeKept | ChangeNotKept], at: float) -> list[Sent]:
        """The store has written what was asked for, or could not."""
        sent = self.tick(at)
        for answer in answers:
            sent += self._come_of(self.instrument.receive(answer, at), at)
        return sent

    def store_fails(self, why: str | None) -> None:
        """Why the store does not work at present; None if it does."""
        if why is None:
            self.faults.over("store")
        else:
            self.faults.found("store", why)

    def tick(self, at: float) -> list[Sent]:
        """Let time pass until ``at``."""
        sent = self._fallen_silent(at)
        return sent + self._come_of(self.instrument.tick(at), at)

    @property
    def next_due(self) -> float | None:
        """When something will come of time passing; None if nothing will."""
        due = [t.last + SILENT for t in self._ports.values() if t.senses and not t.silent]
        if self.instrument.next_due is not None:
            due.append(self.instrument.next_due)
        return min(due, default=None)

    def ending(self) -> list[Sent]:
        """The last that goes out: what is on is turned off."""
        return self.instrument.wiring.sent(self.instrument.ending())

    # ------------------------------------------------------------ what comes of it

    def _come_of(self, effects: list[Effect], at: float, stuck: str = _STUCK) -> list[Sent]:
        if not effects:
            return []
        for effect in effects:
            self._note(effect, stuck)
        self._witness(effects, at)
        return self.instrument.wiring.sent(effects)

    def _note(self, effect: Effect, stuck: str) -> None:
        """What an effect means to those around the console; ``stuck`` is said of a contact."""
        match effect:
            case KeepAsked():
                self.asked.append(effect)
                self._causes[effect.change] = effect.cause
            case Refused(piston=piston, reason=reason):
                self.tell(f"{self._piston(piston)}: {reason}" if piston else str(reason))
            case Stored(change=change, kept=kept):
                done = _DONE[self._causes.pop(change, self._cause)]
                self.tell(f"{self._place(change)}: {done}{'' if kept else ', but not written yet'}")
            case KeptAfterAll(change=change):
                self.tell(f"{self._place(change)}: written now")
            case ContactStuck(piston=piston, pin=pin):
                what = f"{self._piston(piston)}: {stuck.format(pin)}"
                self.faults.found(("stuck", pin), what)
            case ContactFreed(pin=pin):
                self.faults.over(("stuck", pin))
            case ContactBounces(pin=pin):
                whose = self._owner(self._wired[pin])
                self.faults.found(("bounces", pin), f"{whose}: its contact at pin {pin} bounces")
            case TabDidNotFollow(control=control, wanted=wanted):
                pins = " and ".join(pin for pin, tab in self._tabs.items() if tab == control)
                self.faults.found(
                    ("follow", control),
                    f"{self._controls[control]}: its tab, at pin {pins}, does not go "
                    f"{'on' if wanted else 'off'}",
                )

    def tell(self, words: str) -> None:
        """Say something to the player; the last few things are kept."""
        number = self.told[-1].number + 1 if self.told else 1
        self.told = (*self.told[1 - SAID :], Told(number, words))

    def _place(self, change: Change) -> str:
        slot = change.slot
        return self._piston(slot.piston) if slot.piston else f"crescendo stage {slot.stage}"

    def _piston(self, name: str) -> str:
        """A piston in words: as it is engraved, or by its id if the console no longer has it."""
        return self._pistons.get(name, f"piston {name}")

    def _owner(self, wired: Wired) -> str:
        """Whose contact it is. A piston, a stop and a keyboard may have the same id."""
        match wired.role:
            case Role.PISTON | Role.SECOND_TOUCH:
                return self._piston(wired.id)
            case Role.KEY:
                return f"{self._keyboards[wired.id]}, key {wired.number}"
            case Role.LOCK:
                return "the memory lock"
            case Role.TRANSPOSE_BY | Role.TRANSPOSE_TO:
                return "the transposer"
            case _:
                return self._controls[wired.id]


def _place_of(message: Message) -> str:
    """Where a message comes from, as a console file has it; nothing if it is of what opens."""
    match message.type:
        case "note_on" if message.velocity:
            place = f"note {message.note}"
        case "control_change" if message.value:
            place = f"controller {message.control}"
        case "program_change":
            place = f"program {message.program}"
        case kind:
            return _PLACELESS.get(kind, "")
    return f"{place} on channel {message.channel + 1}"
