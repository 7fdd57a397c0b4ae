"""What each piston affects, as registrations: the console file's selections worked out.

semantics.md I.2: a general affects by default every control that can be captured, a divisional
those of its division, with couplers as the console says; a range given in the file replaces
that. What is never captured is in no range, even if listed.
"""

from collections.abc import Iterable

from combination.model import (
    Console,
    Control,
    Coupler,
    DivisionalCouplers,
    Kind,
    Piston,
    Selection,
)
from combination.registration import Roster


class Ranges:
    """The selections of a console as integers over the roster of its controls.

    ``affects`` has a piston's settable range: for generals, divisionals and full organs (which
    affect every capturable control when they are set). ``cancelled`` has what the divisional
    cancel of a division reaches. ``full_organs`` has a full organ's lists, ``stages`` those of
    the crescendo, each as (what it adds, what it silences).
    """

    def __init__(self, console: Console) -> None:
        """Work out every selection of a console that has no errors."""
        self.console = console
        controls = console.controls
        self.roster = Roster(control.id for control in controls)
        self.capturable = self._bits(control for control in controls if control.captured)
        self.cancelled = {
            division.id: self.capturable
            & self._bits(c for c in controls if console.division_of(c) == division.id)
            for division in console.divisions
        }
        self.affects = {
            piston.id: self.affected_by(piston)
            for piston in console.pistons
            if piston.kind in (Kind.GENERAL, Kind.DIVISIONAL, Kind.FULL_ORGAN)
        }
        self.full_organs = {
            piston.id: (self.selected(piston.sounds), self.selected(piston.silences))
            for piston in console.pistons
            if piston.kind is Kind.FULL_ORGAN
        }
        self.stages = self._stages()

    def affected_by(self, piston: Piston) -> int:
        """A piston's settable range."""
        default = self.capturable
        if piston.kind is Kind.DIVISIONAL:
            default = self.capturable & self._of_division(piston.division or "")
        if piston.kind is Kind.FULL_ORGAN or piston.affects is None:
            return default
        return self.selected(piston.affects, default) & self.capturable

    def selected(self, selection: Selection | None, default: int = 0) -> int:
        """A selection; ``default`` is what it would be were it not written at all."""
        if selection is None:
            return default
        found = self.roster.bits(selection.controls)
        if selection.everything:
            found |= self.capturable
        for division in selection.divisions:
            found |= self._speaking(division)
        only_exceptions = selection.excluding and not (
            selection.everything or selection.controls or selection.divisions
        )
        if only_exceptions:
            found = default
        return found & ~self.roster.bits(selection.excluding)

    def _of_division(self, division: str) -> int:
        """A division's controls, with couplers as the console says for divisionals."""
        console = self.console
        keyboard = next(d.keyboard for d in console.divisions if d.id == division)
        choice = console.divisional_couplers
        couplers = self._bits(
            coupler
            for coupler in console.couplers
            if keyboard is not None
            and console.read_by(coupler) == keyboard
            and (console.played_by(coupler) == division or choice is DivisionalCouplers.KEYBOARD)
            and choice is not DivisionalCouplers.NONE
        )
        return self._speaking(division) | couplers

    def _speaking(self, division: str) -> int:
        """Every control of a division but its couplers."""
        return self._bits(
            control
            for control in self.console.controls
            if control.division == division and not isinstance(control, Coupler)
        )

    def _stages(self) -> tuple[tuple[int, int], ...]:
        adds = silences = 0
        found = []
        for stage in self.console.crescendo.stages:
            if stage.adds is None:
                adds = silences = 0
            adds |= self.selected(stage.sounds) | self.selected(stage.adds)
            silences |= self.selected(stage.silences)
            found.append((adds, silences))
        return tuple(found)

    def _bits(self, controls: Iterable[Control]) -> int:
        return self.roster.bits(control.id for control in controls)
