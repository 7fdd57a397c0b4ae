"""The combination action of a blind console as a machine on PyPI's `transitions`.

Each control is a model of its own in one of six states, each press and tab a trigger. It knows
generals and tabs only, and is here to be timed beside the engine doing the same.
"""

from typing import Any

from transitions import Machine

from combination.events import PistonPressed, PistonReleased, TabMoved
from combination.model import Console

_SOUNDING = frozenset({"on", "off_held_on", "on_held_on"})
_TABS = (("off", "on"), ("off_held_on", "on_held_on"), ("off_held_off", "on_held_off"))


class _Control:
    """What a machine moves from state to state."""

    state: str


class TransitionsMachine:
    """Tabs that are ignored while governed, and generals of one level."""

    def __init__(self, console: Console, combinations: dict[str, frozenset[str]]) -> None:
        states = [state for pair in _TABS for state in pair]
        self.combinations = combinations
        self.controls = {control.id: _Control() for control in console.controls}
        self.machine = Machine(
            list(self.controls.values()), states=states, initial="off", auto_transitions=False
        )
        for off, on in _TABS:
            self.machine.add_transition("tab_on", off, on)
            self.machine.add_transition("tab_off", on, off)
            self.machine.add_transition("hold_on", off, "off_held_on")
            self.machine.add_transition("hold_on", on, "on_held_on")
            self.machine.add_transition("hold_off", off, "off_held_off")
            self.machine.add_transition("hold_off", on, "on_held_off")
        self.lit: set[str] = set()

    def receive(self, event: Any) -> None:
        """One event, and what sounds and is lit after it."""
        match event:
            case TabMoved(control, on):
                tab: Any = self.controls[control]
                if (tab.state.startswith("on")) is not on:
                    (tab.tab_on if on else tab.tab_off)()
            case PistonPressed(piston):
                held = self.combinations[piston]
                for name in self.controls:
                    model: Any = self.controls[name]
                    (model.hold_on if name in held else model.hold_off)()
                self.lit = {piston}
            case PistonReleased():
                pass

    def sounding(self) -> set[str]:
        """The controls that sound."""
        return {name for name in self.controls if self.controls[name].state in _SOUNDING}
