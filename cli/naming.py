"""What things of a console are called in listings: controls, pistons, and whole sets of controls.

Takes a console without errors. What is listed, and in which order, is not known here.
"""

from collections.abc import Iterable
from fractions import Fraction

from attrs import frozen

from combination.model import Console, Contact, Control, ControllerPort, Coupler
from combination.pitch import format_pitch
from combination.ranges import Ranges

FEW = 3
"""Up to so many controls, and a tenth of all, are named as exceptions to the whole console."""


@frozen
class Listing:
    """One table of a description: lines above it, its columns, its rows."""

    title: tuple[str, ...]
    columns: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()


def plural(count: int, one: str) -> str:
    """How many of something: ``1 stop``, ``3 stops``."""
    return f"{count} {one}" if count == 1 else f"{count} {one}s"


def run(first: int, last: int) -> str:
    """Neighbouring numbers: ``7``, ``7-9``."""
    return str(first) if first == last else f"{first}-{last}"


def tally(counted: Iterable[tuple[int, str]]) -> str:
    """Counts of several things, without those of which there are none."""
    return ", ".join(plural(count, one) for count, one in counted if count)


def counted(controls: Iterable[Control]) -> str:
    """How many controls of each kind: ``26 stops, 8 couplers``."""
    kinds = [type(control).__name__.lower() for control in controls]
    return tally((kinds.count(kind), kind) for kind in dict.fromkeys(kinds))


def pitch_text(feet: Fraction) -> str:
    """A pitch as engraved, with the foot mark."""
    return f"{format_pitch(feet)}'"


def contact_text(contact: Contact) -> str:
    """A contact's pin, and that it opens when pressed."""
    return f"{contact.pin} (inverted)" if contact.inverted else contact.pin


def controller_text(port: ControllerPort | None) -> str:
    """Where a controller travels."""
    if port is None:
        return "not wired"
    return f"{port.port}, channel {port.channel}, controller {port.controller}"


# ---------------------------------------------------------------- ranges in words


class Names:
    """What the controls, divisions and keyboards of one console are called, alone and in sets."""

    def __init__(self, console: Console, ranges: Ranges) -> None:
        """Take a console without errors, and its selections."""
        self.console = console
        self.ranges = ranges
        self.controls = {control.id: control for control in console.controls}
        self.keyboards = {keyboard.id: keyboard.name for keyboard in console.keyboards}
        self.divisions = {division.id: division.name for division in console.divisions}
        self.pistons = {piston.id: piston for piston in console.pistons}

    def control(self, name: str) -> str:
        """A control's label and id: ``Tuba 8' (gt-tuba-8)``."""
        return f"{self.controls[name].face} ({name})"

    def piston(self, name: str) -> str:
        """A piston's label and id: ``piston 1 (g1)``."""
        return f"piston {self.pistons[name].face} ({name})"

    def faces(self, bits: int) -> str:
        """The labels of some controls, in rail order."""
        return ", ".join(self.controls[name].face for name in self.ranges.roster.registration(bits))

    def of_division(self, division: str | None) -> list[Control]:
        """The controls that belong to a division, or to none, in rail order."""
        console = self.console
        return [c for c in console.controls if console.division_of(c) == division]

    def range(self, bits: int) -> str:
        """Some controls in as few words as say which: by division, whole ones not listed.

        ``all 84 capturable controls``; ``Great (20 of 21: not Tremulant) and its couplers``;
        ``Pedal: Bourdon 16'; Great: Flute 8'``.
        """
        capturable = self.ranges.capturable
        count = capturable.bit_count()
        missing = capturable & ~bits
        if not bits:
            return "nothing"
        if bits == capturable and count > 1:
            return f"all {count} capturable controls"
        few = missing.bit_count() <= min(FEW, count // 10)
        if few and not bits & ~capturable:
            return f"{bits.bit_count()} of {count} capturable controls: not {self.faces(missing)}"
        parts = [
            self._in_division(name, self.of_division(division), bits)
            for division, name in (*self.divisions.items(), (None, ""))
        ]
        return "; ".join(part for part in parts if part)

    def _in_division(self, name: str, controls: list[Control], bits: int) -> str:
        """What a range has of one division; empty if nothing."""
        roster = self.ranges.roster
        couplers = [c for c in controls if isinstance(c, Coupler)]
        speaking = roster.bits(c.id for c in controls if not isinstance(c, Coupler))
        if not name:
            listed = self.faces(bits & roster.bits(c.id for c in controls))
            return f"of no division: {listed}" if listed else ""
        within = self._part(name, speaking, bits)
        coupled = self._couplers(couplers, bits)
        if within and coupled:
            return f"{within} and {coupled}"
        return within or (f"{name}: {coupled}" if coupled else "")

    def _part(self, name: str, whole: int, bits: int) -> str:
        """A division's speaking controls: all, all but a few, or those there are."""
        whole &= self.ranges.capturable | bits
        part, missing = whole & bits, whole & ~bits
        if not part:
            return ""
        if not missing and whole.bit_count() > 1:
            return f"{name} ({whole.bit_count()})"
        if missing and 2 * missing.bit_count() <= part.bit_count():
            all_but = f"{part.bit_count()} of {whole.bit_count()}: not {self.faces(missing)}"
            return f"{name} ({all_but})"
        return f"{name}: {self.faces(part)}"

    def _couplers(self, couplers: list[Coupler], bits: int) -> str:
        """A division's couplers: all of them, its own, or those there are."""
        roster, console = self.ranges.roster, self.console
        every = roster.bits(c.id for c in couplers) & (self.ranges.capturable | bits)
        own = every & roster.bits(
            c.id for c in couplers if console.played_by(c) == console.division_of(c)
        )
        part = every & bits
        if part == every and part.bit_count() > 1:
            return f"its {part.bit_count()} couplers"
        if part == own and part.bit_count() > 1:
            return f"its {part.bit_count()} own couplers"
        return self.faces(part)
