"""From the text of an electrics file to `Electrics`, and every fault of the text at once.

It is read as the console file is (`combination.tables`), and for one console, whose words it uses.
What the numbers come to, and whether a supply bears it, is not known here.
"""

import re
from collections.abc import Iterable, Iterator
from typing import Any

import attrs

from combination.electrics import (
    Carries,
    Electrics,
    Lamps,
    Load,
    Magnets,
    Other,
    Strip,
    Supply,
    Tabs,
    Wire,
    driven_of,
)
from combination.findings import Finding, Severity, nearest, quoted
from combination.model import Action, Console, file_word
from combination.tables import STAND_IN, NotTomlError, Reader, converter_of, row_class

FORMAT = 1
"""The format of electrics files that this program reads."""
SMALLEST, LARGEST = 1e-6, 1e6
"""Of volts, amps, ohms, watts and metres: ours, well beyond any console on either side."""
MOST_COUNTED = 10_000
MOST_NOTES = 128
THICKEST, THINNEST = -3, 40
"""AWG: from 4/0, which is -3, to 40 (ASTM B258)."""

_CONVERTER = converter_of()
_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]*\Z")
_MEASURES = ("volts", "amps", "fuse", "ohms", "watts", "watts_per_metre", "metres", "mm2")


def examine(text: str, console: Console) -> tuple[Electrics | None, tuple[Finding, ...]]:
    """Read the electrics file of a console, and say everything that is wrong with it.

    Returns the electrics, or None if there are faults, and those, in the order of the file.
    """
    try:
        reader = Reader(text, _CONVERTER)
    except NotTomlError as error:
        return None, (error.finding,)
    electrics = reader.file(Electrics, FORMAT)
    placed = reader.placed(_Checker(electrics, console, reader).all())
    return (None if placed else electrics), placed


class _Checker:
    """What the values of an electrics file must be, and what they must name."""

    def __init__(self, electrics: Electrics, console: Console, reader: Reader) -> None:
        self.electrics = electrics
        self.console = console
        self.left_out = reader.left_out
        self.mended = reader.mended
        self.rows = [
            (file_word(kind), index, row)
            for kind in attrs.fields(Electrics)
            if row_class(kind) is not None
            for index, row in enumerate(getattr(electrics, kind.name))
        ]

    def all(self) -> Iterator[Finding]:
        yield from self.file()
        yield from self.ids()
        for table, index, row in self.rows:
            for key, message in (*self.numbers(row), *self.names(row)):
                yield Finding(Severity.ERROR, table, key, message, index, row.id)
            if (table, index) not in self.mended:
                for key, message in self.either(row):
                    yield Finding(Severity.ERROR, table, key, message, index, row.id)
        yield from self.given_once()

    def file(self) -> Iterator[Finding]:
        if not 1 <= self.electrics.notes_at_once <= MOST_NOTES:
            message = f"is {self.electrics.notes_at_once}; expected 1 to {MOST_NOTES}"
            yield Finding(Severity.ERROR, "", "notes-at-once", message)
        if not 0 < self.electrics.largest_drop <= 100:
            message = (
                f"is {self.electrics.largest_drop:g}; expected percent, more than 0, up to 100"
            )
            yield Finding(Severity.ERROR, "", "largest-drop", message)

    def ids(self) -> Iterator[Finding]:
        """Supplies and what they feed share one kind of ids; wires have another."""
        seen: dict[tuple[bool, str], str] = {}
        for table, index, row in self.rows:
            message = ""
            kind = isinstance(row, Wire), row.id
            if not _ID.match(row.id):
                expected = "letters, digits, - and _, beginning with a letter or digit"
                message = f"is {quoted(row.id)}; expected {expected}"
            elif kind in seen:
                message = f"{quoted(row.id)} is there already, in [[{seen[kind]}]]"
            seen.setdefault(kind, table)
            if message:
                yield Finding(Severity.ERROR, table, "id", message, index, row.id)

    def numbers(self, row: Any) -> Iterator[tuple[str, str]]:
        for name in _MEASURES:
            value = getattr(row, name, None)
            if value is not None and not SMALLEST <= value <= LARGEST:
                expected = f"more than 0, from {SMALLEST:f} to {LARGEST:.0f}"
                yield name.replace("_", "-"), f"is {value:g}; expected {expected}"
        if isinstance(row, Other) and not 1 <= row.count <= MOST_COUNTED:
            yield "count", f"is {row.count}; expected 1 to {MOST_COUNTED}"
        gauge = row.gauge if isinstance(row, Wire) else None
        if gauge is not None and not THICKEST <= gauge <= THINNEST:
            yield "gauge", f"is {gauge}; expected {THICKEST} (4/0 AWG) to {THINNEST}"

    def names(self, row: Any) -> Iterator[tuple[str, str]]:
        console = self.console
        if isinstance(row, Load):
            yield from self.named("supply", "supply", [row.supply], self.ids_of(Supply))
        if isinstance(row, Tabs):
            if console.action is not Action.MOVING:
                message = f"the console's action is {console.action}, which drives no tabs"
                yield "", message
            else:
                driven = [control.id for control in driven_of(console)]
                yield from self.named("controls", "driven control", row.controls, driven)
        if isinstance(row, Magnets):
            for key, one, there in (
                ("ranks", "rank", console.ranks),
                ("divisions", "division", console.divisions),
                ("controls", "control", console.controls),
            ):
                yield from self.named(key, one, getattr(row, key), [thing.id for thing in there])
        if isinstance(row, Wire):
            yield from self.named("of", "supply or load", [row.of], self.ids_of(Supply, Load))
            if row.back is not None:
                yield from self.named("return", "wire", [row.back], self.ids_of(Wire))

    def named(
        self, key: str, one: str, names: Iterable[str], there: list[str]
    ) -> Iterator[tuple[str, str]]:
        known = {*there, *self.left_out, STAND_IN}
        for name in dict.fromkeys(names):
            if name not in known:
                yield key, f"there is no {one} {quoted(name)}{nearest(name, there)}"

    def ids_of(self, *kinds: type[Any]) -> list[str]:
        return [row.id for _, _, row in self.rows if isinstance(row, kinds)]

    def either(self, row: Any) -> Iterator[tuple[str, str]]:
        """Of two ways to say one thing exactly one is there."""
        ways: tuple[str, ...] = ()
        if isinstance(row, Tabs | Magnets):
            ways = "amps", "ohms"
        elif isinstance(row, Other):
            ways = "amps", "watts"
        elif isinstance(row, Strip):
            ways = "watts", "watts_per_metre"
        elif isinstance(row, Wire):
            ways = "gauge", "mm2"
        given = [way for way in ways if getattr(row, way) is not None]
        words = [way.replace("_", "-") for way in ways]
        if ways and len(given) != 1:
            yield "", f"has {'both' if given else 'neither'} {words[0]} and {words[1]}: one of them"
        if isinstance(row, Strip) and (row.metres is None) != (row.watts_per_metre is None):
            yield "metres", "goes with watts-per-metre, and that with metres"
        if isinstance(row, Magnets) and not (row.ranks or row.divisions or row.controls):
            yield "", "has no ranks, divisions or controls"
        if isinstance(row, Lamps) and not row.of:
            yield "of", "is empty; expected controls, pistons, or both"
        if isinstance(row, Wire):
            yield from self.of_wire(row)

    def of_wire(self, wire: Wire) -> Iterator[tuple[str, str]]:
        signal = wire.carries is Carries.SIGNAL
        if signal != (wire.amps is not None):
            yield "amps", "is missing: a signal's" if signal else "only a signal's wire has them"
        if wire.carries is Carries.ONE and wire.of in self.ids_of(Supply):
            yield "carries", "is one, which a supply has not: name what the wire goes to"
        back = next((w for w in self.electrics.wires if w.id == wire.back), None)
        if back is None:
            return
        if back.carries is not Carries.RETURN or back.id == wire.id:
            yield "return", f"{quoted(wire.back)} is no common return"
        elif self.supply_of(back) != self.supply_of(wire):
            yield "return", f"{quoted(wire.back)} goes back to another supply"

    def supply_of(self, wire: Wire) -> str:
        of = {load.id: load.supply for load in self.electrics.loads}
        return of.get(wire.of, wire.of)

    def given_once(self) -> Iterator[Finding]:
        """No magnet, line or lamp is in two tables, and one table of tabs has the rest."""
        seen: dict[tuple[str, str], str] = {}
        for table, index, row in self.rows:
            things: list[tuple[str, str]] = []
            if isinstance(row, Tabs):
                things = [("tab", name) for name in row.controls or ("*",)]
            elif isinstance(row, Magnets):
                for key in ("ranks", "divisions", "controls"):
                    things += [(key[:-1], name) for name in getattr(row, key)]
            elif isinstance(row, Lamps):
                things = [("of", name) for name in row.of]
            for kind, name in things:
                if (kind, name) in seen:
                    what = "every other tab" if name == "*" else quoted(name)
                    key = {"tab": "controls", "of": "of"}.get(kind, f"{kind}s")
                    whose = "this table" if seen[kind, name] == row.id else seen[kind, name]
                    message = f"{what} is in {whose} already"
                    yield Finding(Severity.ERROR, table, key, message, index, row.id)
                seen.setdefault((kind, name), row.id)
