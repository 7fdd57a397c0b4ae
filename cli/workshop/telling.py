"""What a proof of wiring asks for and has found, in words for whoever holds the soldering iron.

A contact is called as it is engraved, or by its note, and a pin by its board and number; a wire
has the number of the wiring schedule. How anything was found is not known here.
"""

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from cli.naming import plural
from cli.workshop.pages import (
    TICK,
    Html,
    items,
    page,
    paragraph,
    section,
    table,
    usual_cautions,
    whole,
)
from cli.workshop.prove import Asked, Result
from cli.workshop.schedule import End, Wire, sides_of
from combination.contacts import Role
from combination.drivers import Driven, drivers_of
from combination.harness import Part, Point, points_of
from combination.model import Action, Console
from combination.proving import Doubt, Finding, Mistake, Move, pin_of
from combination.strikes import Spot

MOVES = ("wire", "contact of", "from pin", "to pin")
_INVERTED = " (inverted)"
_LAMPS = (Driven.LAMP, Driven.PISTON_LAMP)


class Called:
    """What the contacts and pins of one console are called."""

    def __init__(self, console: Console, rail: Sequence[str]) -> None:
        """Take a console without errors, and the ids of its controls in rail order."""
        self._console = console
        self._boards = {board.id for board in console.boards}
        self._points = {point.pin: point for point in points_of(console, rail) if point.pin}
        self._wires: dict[str, Wire] = {
            f"{side.board.id}.{wire.pin}": wire
            for side in sides_of(console, rail)
            if side.way == "in"
            for wire in side.wires
        }

    # ------------------------------------------------------------ names

    def contact(self, point: Point) -> str:
        """A contact that has a pin."""
        end = self._end(point)
        contact, several, which = end.kind.removesuffix(_INVERTED).partition(", ")
        if point.part is Part.KEYS:
            return f"{end.of} {end.what}"
        if point.part is Part.RAIL:
            return f"{end.what} ({end.id}){several}{which}"
        if point.part is Part.TURNED:
            return end.what if point.role is Role.LOCK else f"{end.what} {contact}"
        return f"{contact} {end.what} ({end.id}){several}{which}"

    def _end(self, point: Point) -> End:
        end = self._wires[point.pin or ""].end
        if end is None:
            raise ValueError(f"nothing is on {point.pin}")
        return end

    def wire(self, pin: str) -> str:
        """The number of the wire on a pin."""
        return self._wires[pin].number

    def spot(self, spot: Spot | None) -> str:
        """A pin; what is none is called by the message that comes."""
        if spot is None:
            return "a pin that is not known"
        board, number = spot
        return pin_of(spot) if self.has(spot) else f"{board.removesuffix('s')} {number}"

    def has(self, spot: Spot | None) -> bool:
        """Whether a pin is one of a board of the file."""
        return spot is not None and spot[0] in self._boards

    def holder(self, spot: Spot) -> str:
        """What is planned on a pin; empty if nothing."""
        point = self._points.get(pin_of(spot))
        return self.contact(point) if point is not None else ""

    def heard(self, spot: Spot) -> str:
        """What was heard, as the console file has it."""
        return f"{self.holder(spot) or 'nothing is planned there'} ({self.spot(spot)})"

    def contacts(self, points: Sequence[Point]) -> str:
        """Contacts in a row: ``Great C4 to C5``."""
        first, last = points[0], points[-1]
        if first is last:
            return self.contact(first)
        end = self.contact(last)
        if first.part is Part.KEYS and first.id == last.id:
            end = self._end(last).what
        return f"{self.contact(first)} {'and' if len(points) == 2 else 'to'} {end}"

    def spots(self, spots: Sequence[Spot | None]) -> str:
        """The pins of contacts in a row."""
        if len(spots) == 1:
            return self.spot(spots[0])
        between = "and" if len(spots) == 2 else "to"
        first, last = spots[0], spots[-1]
        if first and last and first[0] == last[0] and not self.has(first):
            return f"{first[0]} {first[1]} {between} {last[1]}"
        return f"{self.spot(first)} {between} {self.spot(last)}"

    # ------------------------------------------------------------ what is asked for

    def part(self, run: Asked) -> str:
        """What a run is called."""
        if run.part is Part.KEYS:
            return self._end(run.points[0]).of
        if run.part is Part.THUMB and not any(piston.at for piston in self._console.pistons):
            return "pistons"
        return str(run.part.value)

    def asking(self, run: Asked) -> str:
        """What is to be done, in one sentence."""
        first, last = (self.contact(point) for point in (run.points[0], run.points[-1]))
        reach = f"from {first} to {last}" if len(run.points) > 1 else first
        if run.part is Part.KEYS:
            low, high = self._end(run.points[0]).what, self._end(run.points[-1]).what
            return (
                f"{self.part(run)}: play every key once, from the lowest ({low}) "
                f"to the highest ({high}), one at a time."
            )
        if run.part is Part.RAIL and self._console.action is Action.LIT:
            return f"The stop rail: touch each control once, in the order of the rail, {reach}."
        if run.part is Part.RAIL:
            return (
                "The stop rail: all tabs off first; then each on and off again, in the order of "
                f"the rail, {reach}."
            )
        if run.part is Part.SECOND_TOUCH:
            deeper = [self._end(point) for point in run.points if point.part is run.part]
            return (
                "The second touches: press each of these pistons slowly through to its second "
                f"touch, once: {', '.join(f'{end.what} ({end.id})' for end in deeper)}."
            )
        if run.part is Part.TURNED:
            each = ", ".join(self.contact(point) for point in run.points)
            return f"The switches: close each and open it again, once: {each}."
        return f"The {self.part(run)}: press each once, as the file has them, {reach}."

    # ------------------------------------------------------------ what was found

    def finding(self, finding: Finding) -> str:
        """One mistake, in one sentence."""
        if not finding.points:
            return self._nobodys(finding)
        if finding.mistake in _TELLING:
            return _TELLING[finding.mistake](self, finding)
        raise ValueError(f"there are no words for {finding.mistake}")

    def doubt(self, doubt: Doubt) -> str:
        """What can be told in several ways."""
        stories = ["; ".join(map(self.finding, story)) or "nothing" for story in doubt.stories]
        point = next(point for story in doubt.stories for f in story for point in f.points)
        return (
            f"either {'; or '.join(stories)}. One is as good as the other: press "
            f"{self.contact(point)} alone to tell; --correct goes by the first"
        )

    def _nobodys(self, finding: Finding) -> str:
        pin = self.spots(finding.found)
        if finding.mistake is Mistake.STUCK:
            return f"pin {pin}, on which nothing was worked, is closed all the time"
        return f"something was heard from pin {pin} that is none of the contacts that were worked"

    def _swapped(self, finding: Finding) -> str:
        one, other = finding.points
        here, there = map(self.spot, finding.planned)
        return f"swapped: {self.contact(one)} ({here}) and {self.contact(other)} ({there})"

    def _shifted(self, finding: Finding) -> str:
        triples = list(zip(finding.points, finding.planned, finding.found, strict=True))
        run = [t for t in triples if _by(t[1], t[2]) == finding.by]
        others = [t for t in triples if _by(t[1], t[2]) != finding.by]
        pins = "one pin" if abs(finding.by) == 1 else f"{abs(finding.by)} pins"
        far = "far" if finding.by > 0 else "early"
        said = (
            f"{self.contacts([t[0] for t in run])}: {plural(len(run), 'wire')} {pins} too {far}, "
            f"from pin {self.spot(run[0][1])}: on {self.spots([t[2] for t in run])}"
        )
        for point, planned, found in others:
            said += f"; {self.contact(point)} is on {self.spot(found)} instead of "
            said += self.spot(planned)
        return said

    def _reversed(self, finding: Finding) -> str:
        return (
            f"{self.contacts(finding.points)}: {plural(len(finding.points), 'wire')} the other "
            f"way round, on {self.spots(finding.found)}"
        )

    def _exchanged(self, finding: Finding) -> str:
        cut = finding.split
        one, other = finding.points[:cut], finding.points[cut:]
        here, there = finding.planned[:cut], finding.planned[cut:]
        return (
            f"exchanged, as plugs may be: {self.contacts(one)} ({self.spots(here)}) "
            f"with {self.contacts(other)} ({self.spots(there)})"
        )

    def _mixed(self, finding: Finding) -> str:
        each = zip(finding.points, finding.planned, finding.found, strict=True)
        return "mixed up: " + ", ".join(
            f"{self.contact(point)} ({self.spot(planned)}) is on {self.spot(found)}"
            for point, planned, found in each
        )

    def _elsewhere(self, finding: Finding) -> str:
        found = finding.found[0]
        count = len(finding.points)
        said = f"{self.contacts(finding.points)}: "
        on, instead = self.spots(finding.found), self.spots(finding.planned)
        if not self.has(found):
            come = "it comes" if count == 1 else f"{count} wires come"
            return (
                f"{said}{come} as {on}, where the file has no board, instead of {instead}: "
                "is the board's port, channel and first number right?"
            )
        wires = "" if count == 1 else f"{plural(count, 'wire')} "
        if finding.mistake is Mistake.WRONG_BOARD:
            return f"{said}{wires}on the wrong board: on {on} instead of {instead}"
        if finding.mistake is Mistake.TAKEN and found is not None:
            return f"{said}on {on}, the pin of {self.holder(found)}, instead of {instead}"
        return f"{said}on {on}, where nothing is planned, instead of {instead}"

    def _doubled(self, finding: Finding) -> str:
        pins = " and ".join(map(self.spot, finding.found))
        names = " and ".join(map(self.contact, finding.points))
        each = "it closes" if len(finding.points) == 1 else "each closes"
        return f"{names}: doubled: {each} pins {pins} at once; something joins them"

    def _dead(self, finding: Finding) -> str:
        pins = self.spots(finding.found)
        if len(finding.points) == 1:
            return (
                f"{self.contact(finding.points[0])}: its contact is dead, or its wire is off "
                f"(pin {pins})"
            )
        return (
            f"{self.contacts(finding.points)}: {plural(len(finding.points), 'contact')} say "
            f"nothing, perhaps a plug or a common return that is off (pins {pins})"
        )

    def _stuck(self, finding: Finding) -> str:
        return (
            f"{self.contacts(finding.points)}: stuck: it is closed all the time, or does not "
            f"come back (pin {self.spots(finding.found)})"
        )

    def _bouncing(self, finding: Finding) -> str:
        timing, role = self._console.timing, finding.points[0].role
        harmless = timing.key_bounce if role is Role.KEY else timing.bounce
        return (
            f"{self.contacts(finding.points)}: bounces for {1000 * finding.seconds:.0f} ms; up to "
            f"{1000 * harmless:g} ms are harmless (pin {self.spots(finding.found)})"
        )

    def _turned(self, finding: Finding) -> str:
        does = "opens when it is pressed, and the file has it close"
        if finding.points[0].inverted:
            does = "closes when it is pressed, and the file has it open"
        return f"{self.contacts(finding.points)}: it {does} (pin {self.spots(finding.found)})"


_TELLING = {
    Mistake.SWAPPED: Called._swapped,
    Mistake.SHIFTED: Called._shifted,
    Mistake.REVERSED: Called._reversed,
    Mistake.EXCHANGED: Called._exchanged,
    Mistake.MIXED: Called._mixed,
    Mistake.WRONG_BOARD: Called._elsewhere,
    Mistake.UNPLANNED: Called._elsewhere,
    Mistake.TAKEN: Called._elsewhere,
    Mistake.DOUBLED: Called._doubled,
    Mistake.DEAD: Called._dead,
    Mistake.STUCK: Called._stuck,
    Mistake.BOUNCING: Called._bouncing,
    Mistake.INVERTED: Called._turned,
}


def _by(planned: Spot | None, found: Spot | None) -> int | None:
    if planned is None or found is None or planned[0] != found[0]:
        return None
    return found[1] - planned[1]


# ---------------------------------------------------------------- the whole result


def plain(result: Result) -> Iterator[Finding]:
    """The findings of which there is no doubt."""
    doubted = [finding for doubt in result.proof.doubts for finding in doubt.stories[0]]
    return (finding for finding in result.proof.findings if finding not in doubted)


def entries(result: Result, called: Called) -> list[str]:
    """A sentence for each finding and each doubt."""
    said = [*map(called.finding, plain(result)), *map(called.doubt, result.proof.doubts)]
    return [f"{each[:1].upper()}{each[1:]}" for each in said]


def summary(result: Result) -> str:
    """How many contacts are right."""
    right, total = len(result.proof.right), result.contacts
    said = f"Right: {right} of {plural(total, 'contact')}"
    if result.proved < total:
        said += f"; {total - result.proved} of them not proved yet"
    return said + "."


def left(result: Result, called: Called) -> list[str]:
    """What is not proved yet, and why."""
    said = [f"{called.part(run)} ({run.key})" for run in result.left]
    lines = [f"Not proved yet: {', '.join(said)}."] if said else []
    if result.unplanned:
        lines.append(
            f"Not asked for: {plural(result.unplanned, 'contact')} without a pin in the console "
            "file."
        )
    if result.rotary:
        lines.append(
            "Not asked for: the transposer's rotary switch, which opens one contact and closes the "
            "next on its way."
        )
    for run in result.outdated:
        lines.append(
            f"What was heard of {run.key} on {run.on:%Y-%m-%d} does not count: the console file "
            "has other contacts there now, or far more was heard than there are."
        )
    return lines


def move_rows(moves: Iterable[Move], called: Called) -> list[tuple[str, ...]]:
    """The wires to be moved from pin to pin.

    What comes from no board of the file is not among them: it is a board that is to be looked at.
    """
    return [
        (called.wire(m.point.pin or ""), called.contact(m.point), called.spot(m.there), m.to)
        for m in moves
        if called.has(m.there)
    ]


def about_moves(result: Result, called: Called) -> list[str]:
    """What goes with a list of wires to be moved."""
    said = ["Move them with the supply off. A wire has its number of the wiring schedule."]
    if result.remedy.pins:
        said.append("Or have the console file written to agree with where they are: --correct.")
    still = [called.wire(move.point.pin or "") for move in result.remedy.yet]
    if still and result.remedy.pins:
        said.append(
            f"No file can have these where they are, and they are left: {', '.join(still)}."
        )
    return said


def data_of(result: Result, called: Called) -> dict[str, Any]:
    """The result for JSON."""
    return {
        "console": result.console.name,
        "contacts": result.contacts,
        "proved": result.proved,
        "right": len(result.proof.right),
        "unplanned": result.unplanned,
        "runs": [
            {"run": key, "on": run.on.isoformat(), "contacts": len(set(run.wires))}
            for key, run in result.runs.items()
        ],
        "left": [run.key for run in result.left],
        "outdated": [run.key for run in result.outdated],
        "findings": [_finding_data(finding, called) for finding in plain(result)],
        "doubts": [
            {
                "stories": [[_finding_data(f, called) for f in story] for story in doubt.stories],
                "says": called.doubt(doubt),
            }
            for doubt in result.proof.doubts
        ],
        "moves": [_move_data(move, called) for move in result.remedy.moves],
        "correction": {
            "pins": [
                {"contact": called.contact(p), "from": p.pin, "to": pin, "inverted": p.inverted}
                for p, pin in result.remedy.pins.items()
            ],
            "moves": [_move_data(move, called) for move in result.remedy.yet],
        },
    }


def _finding_data(finding: Finding, called: Called) -> dict[str, Any]:
    return {
        "mistake": finding.mistake.value,
        "contacts": [
            {
                "role": point.role.name.lower().replace("_", "-"),
                "id": point.id,
                "number": point.number,
                "name": called.contact(point),
                "wire": called.wire(point.pin or ""),
            }
            for point in finding.points
        ],
        "planned": [called.spot(spot) for spot in finding.planned],
        "found": [called.spot(spot) for spot in finding.found],
        "by": finding.by,
        "seconds": finding.seconds,
        "says": called.finding(finding),
    }


def _move_data(move: Move, called: Called) -> dict[str, Any]:
    pin = move.point.pin or ""
    there = None if move.there is None else called.spot(move.there)
    name = called.contact(move.point)
    return {"wire": called.wire(pin), "contact": name, "from": there, "to": move.to}


# ---------------------------------------------------------------- as a page


def as_page(result: Result, called: Called, date: str) -> str:
    """The result to be printed, with a box to tick for each thing to be done; ``date`` is today."""
    found = entries(result, called)
    moves = move_rows(result.remedy.moves, called)
    sections = [
        *([usual_cautions()] if _drives_coils(result.console) else []),
        section("Result", *map(paragraph, (summary(result), *left(result, called)))),
        section("Proved", _proved(result, called)),
        *([section("Found", table(("", "what"), [(TICK, text) for text in found]))] * bool(found)),
    ]
    if moves:
        rows = [(TICK, whole(wire), name, whole(a), whole(b)) for wire, name, a, b in moves]
        sections.append(
            section(
                "Wires to move",
                *map(paragraph, about_moves(result, called)),
                table(("", *map(whole, MOVES)), rows),
            )
        )
    return page(result.console.name, "proof of wiring", sections, date)


def _proved(result: Result, called: Called) -> Html:
    parts = {run.key: called.part(run) for run in result.asked}
    rows = [
        (parts[key], plural(len(set(run.wires)), "contact"), f"{run.on:%Y-%m-%d %H:%M}")
        for key, run in result.runs.items()
    ]
    return table(("part", "worked", "on"), rows) if rows else items(["nothing yet"])


def _drives_coils(console: Console) -> bool:
    return any(driver.pin and driver.kind not in _LAMPS for driver in drivers_of(console))
