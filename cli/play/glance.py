"""A console looked at while it is played: quickly, so that no key waits, and told at leisure.

The console's own thread takes a `Glance`, which is a few whole numbers; what they mean in words
is said by whoever shows it, in another thread.
"""

from collections.abc import Iterable

from attrs import frozen

from cli.play.playing import Playing
from cli.play.seen import (
    DivisionSeen,
    Fault,
    Latency,
    PistonSeen,
    PortSeen,
    Seen,
    Speaking,
    Tab,
    Told,
)
from combination.memory import Step
from combination.model import Console, Control
from combination.moment import Moment, Reason
from combination.registration import Roster


@frozen
class Glance:
    """One moment of a console, as the console's own thread takes it."""

    moment: Moment
    level: int
    level_name: str
    sequence: str | None
    step: Step | None
    stage: int
    transposer: int
    pipes: int
    faults: tuple[Fault, ...]
    told: tuple[Told, ...]


def glance(playing: Playing) -> Glance:
    """Look at a console as it is now."""
    action, relay = playing.instrument.action, playing.instrument.relay
    bank = action.bank
    level = bank.levels.get(bank.level)
    return Glance(
        action.moment(),
        bank.level,
        "" if level is None else level.name,
        bank.sequence,
        action.step(bank.place),
        action.stage,
        relay.transposer,
        sum(len(pipes) for _, pipes in relay.standing().pipes),
        playing.faults.now,
        playing.told,
    )


class Teller:
    """Says in words what a glance at one console shows."""

    def __init__(self, console: Console, player: str) -> None:
        """Take the console, and whose bank it plays from."""
        self._console, self._player = console, player
        self._roster = Roster(control.id for control in console.controls)
        self._lamps = Roster(piston.id for piston in console.pistons)
        names = {division.id: division.name for division in console.divisions}
        self._divisions: dict[str, list[Control]] = {name: [] for name in names.values()}
        for control in console.controls:
            name = names.get(console.division_of(control) or "", "")
            self._divisions.setdefault(name, []).append(control)

    def seen(self, taken: Glance, ports: Iterable[PortSeen], latency: Latency, unkept: int) -> Seen:
        """A glance in words, with what else is to be seen."""
        divisions = tuple(
            DivisionSeen(name, tuple(self._rail(controls, taken)), self._speaking(controls, taken))
            for name, controls in self._divisions.items()
            if controls
        )
        lit = self._lamps.registration(taken.moment.lit)
        return Seen(
            console=self._console.name,
            player=self._player,
            level=taken.level,
            level_name=taken.level_name,
            step=_step(taken),
            stage=taken.stage,
            stages=len(self._console.crescendo.stages),
            transposer=taken.transposer,
            divisions=divisions,
            pistons=tuple(PistonSeen(p.id, p.face, p.id in lit) for p in self._console.pistons),
            pipes=taken.pipes,
            ports=tuple(ports),
            faults=taken.faults,
            unkept=unkept,
            latency=latency,
            told=taken.told,
        )

    def _rail(self, controls: Iterable[Control], taken: Glance) -> Iterable[Tab]:
        for control in controls:
            bit = self._roster.bit(control.id)
            moment = taken.moment
            on, sounds = bool(moment.rail & bit), bool(moment.sounding & bit)
            yield Tab(control.id, control.face, on, sounds)

    def _speaking(self, controls: Iterable[Control], taken: Glance) -> tuple[Speaking, ...]:
        found = []
        for control in controls:
            reasons = taken.moment.why(self._roster.bit(control.id))
            if reasons:
                found.append(Speaking(control.id, control.face, tuple(map(_reason, reasons))))
        return tuple(found)


def _reason(reason: Reason) -> str:
    return f"{reason.cause} {reason.by}" if reason.by else reason.cause


def _step(taken: Glance) -> str:
    if taken.step is None:
        return ""
    number = format(taken.step.number.normalize(), "f")
    words = f"{number}: {taken.step.piston} at level {taken.step.level}"
    words = f"{words}, {taken.step.note}" if taken.step.note else words
    return f"{taken.sequence} {words}" if taken.sequence else words
