"""Small consoles that several tests share, and a way to play on them in words."""

from typing import Any

from attrs import define, field

from combination.action import CombinationAction
from combination.effects import Effect, Refused
from combination.events import (
    CrescendoMoved,
    Event,
    PistonPressed,
    PistonReleased,
    SecondTouchPressed,
    SecondTouchReleased,
    TabMoved,
)
from combination.memory import Bank, Combination, Slot, fresh_bank
from combination.model import (
    Action,
    Console,
    Coupler,
    Crescendo,
    Division,
    Keyboard,
    Kind,
    Piston,
    Selection,
    Stage,
    Stop,
)
from combination.pedals import crescendo_stages


def stop(name: str, division: str, **keys: Any) -> Stop:
    return Stop(id=name, label=(name,), division=division, **keys)


def piston(name: str, kind: Kind, **keys: Any) -> Piston:
    return Piston(id=name, label=(name,), kind=kind, **keys)


def worked_console(action: Action = Action.BLIND, **keys: Any) -> Console:
    """The console of semantics.md I.10: Great a, b, its octave coupler x; Pedal c, d."""
    pistons = (
        piston("G1", Kind.GENERAL),
        piston("G2", Kind.GENERAL),
        piston("GT1", Kind.DIVISIONAL, division="great"),
        piston("PD1", Kind.DIVISIONAL, division="pedal"),
        piston("RX", Kind.REVERSIBLE, control="x"),
        piston("FO", Kind.FULL_ORGAN, sounds=Selection(everything=True)),
        piston("GC", Kind.GENERAL_CANCEL),
        piston("SET", Kind.SET),
        piston("UP", Kind.LEVEL_UP),
    )
    usual: dict[str, Any] = {
        "format": 1,
        "name": "Worked cases",
        "action": action,
        "keyboards": (
            Keyboard("great", "Great"),
            Keyboard("pedal", "Pedal", keys=32),
        ),
        "divisions": (
            Division("great", "Great", "great"),
            Division("pedal", "Pedal", "pedal"),
        ),
        "stops": (
            stop("a", "great"),
            stop("b", "great"),
            stop("c", "pedal"),
            stop("d", "pedal"),
        ),
        "couplers": (Coupler(id="x", label=("x",), keys="great", plays="great", shift=12),),
        "pistons": pistons,
        "crescendo": Crescendo(
            stages=(
                Stage(sounds=Selection(controls=("a",))),
                Stage(sounds=Selection(controls=("a", "b"))),
                Stage(sounds=Selection(controls=("a", "b", "c"))),
            )
        ),
    }
    return Console(**(usual | keys))


WORKED_MEMORY = {"G1": "b c", "G2": "a b c d", "GT1": "a x", "PD1": "d"}


def bank_of(console: Console, memory: dict[str, str]) -> Bank:
    """A bank in which pistons hold something at level 1, or at another: ``G1@2``."""
    bank = fresh_bank(console)
    for name, controls in memory.items():
        where, _, level = name.partition("@")
        on = bank.roster.bits(controls.split())
        bank.put(Slot(where, int(level or 1)), Combination(on))
    return bank


@define
class Player:
    """Someone at a console: says what is done in words, and looks at what came of it."""

    console: Console
    bank: Bank
    keeps: bool = False
    now: float = 0.0
    effects: list[Effect] = field(factory=list)
    action: CombinationAction = field(init=False)

    def __attrs_post_init__(self) -> None:
        self.action = CombinationAction(self.console, self.bank, keeps=self.keeps)

    def do(self, *steps: str) -> "Player":
        """Do each step, a tenth of a second apart; ``effects`` has those of the last."""
        for step in steps:
            self.now += 0.1
            self.effects = [
                effect for event in self._events(step) for effect in self.receive(event)
            ]
        return self

    def receive(self, event: Event) -> list[Effect]:
        self.effects = self.action.receive(event, self.now)
        return self.effects

    def wait(self, seconds: float) -> "Player":
        self.now += seconds
        self.effects = self.action.tick(self.now)
        return self

    def _events(self, step: str) -> list[Event]:
        verb, name, *rest = step.split()
        if verb == "tab":
            return [TabMoved(name, rest == ["on"])]
        if verb == "crescendo":
            return [CrescendoMoved(self.reading_of(int(rest[-1])))]
        press, release = PistonPressed(name), PistonReleased(name)
        if rest == ["deep"]:
            return [press, SecondTouchPressed(name), SecondTouchReleased(name), release]
        pushed: dict[str, list[Event]] = {
            "push": [press, release],
            "press": [press],
            "release": [release],
        }
        return pushed[verb]

    def reading_of(self, stage: int) -> int:
        """A reading of the pedal that is on a stage from wherever it comes."""
        rises, falls = crescendo_stages(self.console.crescendo)
        return next(r for r in range(128) if rises[r] == falls[r] == stage)

    @property
    def rail(self) -> set[str]:
        return self.names(self.action.rail)

    @property
    def governed(self) -> set[str]:
        return self.names(self.action.governed)

    @property
    def sounding(self) -> set[str]:
        return self.names(self.action.sounding)

    @property
    def lit(self) -> set[str]:
        return set(self.action.lit)

    @property
    def refused(self) -> list[str]:
        return [str(e.reason) for e in self.effects if isinstance(e, Refused)]

    def remembers(self, name: str, level: int = 1) -> set[str] | None:
        combination = self.bank.get(Slot(name, level))
        return None if combination is None else self.names(combination.on)

    def names(self, bits: int) -> set[str]:
        return set(self.bank.roster.registration(bits))
