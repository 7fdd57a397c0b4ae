"""Every face of a console that is engraved, with its text and size, and what is new about it.

Faces are the tabs or lit controls of the rail, the thumb pistons and the toe studs. Takes
consoles without errors; sheets of stock and files are not known here. All measures are in
millimetres.
"""

import math
from collections.abc import Container, Iterator, Mapping, Sequence
from enum import StrEnum
from functools import cache
from typing import Any

from attrs import Factory, evolve, frozen

from cli.workshop.spreadsheets import csv_bytes
from cli.workshop.strokes import PITCH, Point, base_lines, block, lacking, room
from combination.harness import Part, points_of
from combination.model import Action, Console


class FaceKind(StrEnum):
    """What a face is on."""

    TAB = "tab"
    LIT = "lit control"
    THUMB = "thumb piston"
    TOE = "toe stud"


class Mark(StrEnum):
    """What has become of a face since an older console file."""

    NEW = "new"
    CHANGED = "changed"
    KEPT = "kept"
    GONE = "gone"


@frozen
class Size:
    """A face's width and height, and the radius of its corners; a round one is all corner."""

    width: float
    height: float
    corner: float = 0.0

    @property
    def is_round(self) -> bool:
        """Whether it is a circle."""
        return self.width == self.height == 2 * self.corner

    def __str__(self) -> str:
        """As a workshop writes it: ``20 x 48``, ``14 round``."""
        if self.is_round:
            return f"{self.width:g} round"
        return f"{self.width:g} x {self.height:g}"

    def largest(self, points: Sequence[Point], margin: float) -> float:
        """How many times points about the middle can grow and still lie inside the margin."""
        across, down = self.width / 2 - margin, self.height / 2 - margin
        corner = min(max(self.corner - margin, 0.0), across, down)
        if min(across, down) <= 0:
            return 0.0
        return min((_reach(abs(x), abs(y), across, down, corner) for x, y in points), default=0.0)


def _reach(x: float, y: float, across: float, down: float, corner: float) -> float:
    """How many times a point can be as far out and still lie in a rectangle of round corners."""
    times = min(across / x if x else math.inf, down / y if y else math.inf)
    if math.isinf(times):
        return times
    a, b = across - corner, down - corner  # the middle of the corner's arc
    if times * x <= a or times * y <= b:
        return times
    square, along = x * x + y * y, x * a + y * b
    root = along * along - square * (a * a + b * b - corner * corner)
    return (along + math.sqrt(max(root, 0.0))) / square


COMMON_SIZES = {
    FaceKind.TAB: Size(20, 48),
    FaceKind.LIT: Size(24, 20),
    FaceKind.THUMB: Size(14, 14, 7),
    FaceKind.TOE: Size(22, 22, 11),
}
"""Common practice, from memory: no standard has them, and every maker his own."""


def with_corner(size: Size, corner: float) -> Size:
    """A size with these corners, unless it is round, or too small for them."""
    if size.is_round:
        return size
    return evolve(size, corner=min(corner, size.width / 2, size.height / 2))


@frozen
class Face:
    """One face: what it is on, whose it is, its lines of text and its size.

    ``number`` counts, from 1, the faces of one kind that one piston has. ``was`` has the former
    ids of its control or piston.
    """

    kind: FaceKind
    id: str
    number: int
    division: str
    lines: tuple[str, ...]
    size: Size
    was: tuple[str, ...] = ()

    @property
    def text(self) -> str:
        """Its lines in one."""
        return " / ".join(self.lines)

    @property
    def name(self) -> str:
        """What a message calls it."""
        return f"{self.kind} {self.text} ({self.id})"

    @property
    def _owner(self) -> tuple[bool, str]:
        """Controls and pistons have ids of their own."""
        return self.kind in (FaceKind.TAB, FaceKind.LIT), self.id

    @property
    def _place(self) -> tuple[FaceKind, int]:
        """Which of its owner's faces it is. A control has one, whatever it is on."""
        kind = FaceKind.TAB if self.kind is FaceKind.LIT else self.kind
        return kind, self.number


@frozen
class Entry:
    """A line of the schedule: a face, and what it was if it is another now."""

    mark: Mark
    face: Face
    before: Face | None = None

    @property
    def changes(self) -> tuple[str, ...]:
        """What a changed face was, in words."""
        before, face = self.before, self.face
        if before is None or self.mark is not Mark.CHANGED:
            return ()
        told = ((before.kind, face.kind), (before.size, face.size), (before.text, face.text))
        return tuple(str(old) for old, new in told if old != new)


# ---------------------------------------------------------------- faces and marks


def faces_of(
    console: Console, rail: Sequence[str], sizes: Mapping[FaceKind, Size]
) -> tuple[Face, ...]:
    """Every face of a console in the order of the harness: the rail, thumb pistons, toe studs.

    ``rail`` has the ids of controls as they stand on the rail. A piston that is only pressed by
    the second touch of another has no face.
    """
    divisions = {division.id: division.name for division in console.divisions}
    controls = {control.id: control for control in console.controls}
    pistons = {piston.id: piston for piston in console.pistons}
    on_rail = FaceKind.LIT if console.action is Action.LIT else FaceKind.TAB
    kinds = {Part.RAIL: on_rail, Part.THUMB: FaceKind.THUMB, Part.TOE: FaceKind.TOE}
    found: dict[tuple[FaceKind, str, int], Face] = {}
    counted: dict[tuple[FaceKind, str], int] = {}
    for point in points_of(console, rail):
        kind = kinds.get(point.part)
        if kind is None or (kind is on_rail and (kind, point.id, 1) in found):
            continue
        number = counted[kind, point.id] = counted.get((kind, point.id), 0) + 1
        if kind is on_rail:
            control = controls[point.id]
            division, label, was = console.division_of(control), control.label, control.was
        else:
            piston = pistons[point.id]
            division, label, was = piston.division, piston.label, piston.was
        where = divisions.get(division or "", "")
        found[kind, point.id, number] = Face(kind, point.id, number, where, label, sizes[kind], was)
    return tuple(found.values())


def schedule(faces: Sequence[Face], older: Sequence[Face]) -> tuple[Entry, ...]:
    """The faces in their order, each marked against an older console, then those that are gone.

    A face is matched by the id of its control or piston, or, if the older console has not that,
    by a former one (as banks are, `combination.memory.renames`).
    """
    waiting = {(face._owner, face._place): face for face in older}
    known = {face._owner for face in older}
    entries = [
        _entry(face, waiting.pop((_former(face, known), face._place), None)) for face in faces
    ]
    return (*entries, *(Entry(Mark.GONE, face) for face in waiting.values()))


def _former(face: Face, known: Container[tuple[bool, str]]) -> tuple[bool, str]:
    on_rail, name = face._owner
    owners = ((on_rail, each) for each in (name, *face.was))
    return next((owner for owner in owners if owner in known), face._owner)


def _entry(face: Face, before: Face | None) -> Entry:
    if before is None:
        return Entry(Mark.NEW, face)
    same = (before.kind, before.size, before.lines) == (face.kind, face.size, face.lines)
    return Entry(Mark.KEPT if same else Mark.CHANGED, face, before)


# ---------------------------------------------------------------- lettering


@frozen
class Lettering:
    """How faces are lettered: the cap height wanted, the least that can be read, the margin.

    ``highest`` has a bound of its own for some kinds of face.
    """

    height: float = 3.0
    least: float = 1.5
    margin: float = 1.0
    highest: Mapping[FaceKind, float] = Factory(dict)

    def on(self, face: Face) -> float:
        """The cap height of a face's text: as wanted, or as much smaller as its face needs."""
        bound = min(self.height, self.highest.get(face.kind, math.inf))
        return min(bound, _largest(face.lines, face.size, self.margin))

    def is_legible_on(self, face: Face) -> bool:
        """Whether a face's text can be read."""
        return self.on(face) >= self.least

    def even(self, faces: Sequence[Face]) -> "Lettering":
        """The same with one height for all faces of a kind: the largest at which every one fits.

        A face whose text could not be read anyhow has no say in it.
        """
        highest: dict[FaceKind, float] = {}
        for face in filter(self.is_legible_on, faces):
            highest[face.kind] = min(self.on(face), highest.get(face.kind, math.inf))
        return evolve(self, highest=highest)


@cache
def _largest(lines: tuple[str, ...], size: Size, margin: float) -> float:
    return size.largest(_outline(lines), margin)


def _outline(lines: tuple[str, ...]) -> list[Point]:
    """Points that bound a text, at a cap height of 1, about its middle."""
    if not lacking("".join(lines)):
        return [point for stroke in block(lines) for point in stroke]
    return [
        (side * room(line) / 2, base_line + edge)
        for line, base_line in zip(lines, base_lines(len(lines)), strict=True)
        for side in (-1, 1)
        for edge in (-_ASCENDING, PITCH - _ASCENDING)
    ]


_ASCENDING = 1.33
"""How far above its base line a line with an accented capital reaches."""


@frozen
class Fault:
    """What is wrong with a face. One that ``blocks`` cannot be engraved so."""

    face: Face
    message: str
    blocks: bool = True


def lettering_faults(faces: Sequence[Face], lettering: Lettering) -> Iterator[Fault]:
    """Texts that would be too small to read, and characters that cannot be drawn as strokes."""
    for face in faces:
        if not lettering.is_legible_on(face):
            cut_off = math.floor(lettering.on(face) * 100) / 100  # never rounded up to the least
            smaller = f"its text would be {cut_off:.2f} mm high, less than {lettering.least:g} mm"
            yield Fault(face, f"{smaller}, on a face of {face.size} mm")
        lacks = lacking("".join(face.lines))
        if lacks:
            signs = ", ".join(lacks)
            message = (
                f"{signs} cannot be drawn as strokes: its text is left to the engraver's own fount"
            )
            yield Fault(face, message, blocks=False)


# ---------------------------------------------------------------- as data


def as_data(entry: Entry, lettering: Lettering, sheet: int | None) -> dict[str, Any]:
    """A line of the schedule for another program; ``sheet`` is the one that its face is on."""
    face, before = entry.face, entry.before
    gone = entry.mark is Mark.GONE
    return {
        "mark": entry.mark,
        **_face_data(face),
        "division": face.division,
        "corner": face.size.corner,
        "capitals": None if gone else round(lettering.on(face), 3),
        "legible": None if gone else lettering.is_legible_on(face),
        "sheet": sheet,
        "was": _face_data(before) if before and entry.mark is Mark.CHANGED else None,
    }


def _face_data(face: Face) -> dict[str, Any]:
    return {
        "kind": face.kind,
        "id": face.id,
        "number": face.number,
        "lines": list(face.lines),
        "width": face.size.width,
        "height": face.size.height,
    }


def as_csv(entries: Sequence[Entry], rows: Sequence[Mapping[str, Any]]) -> bytes:
    """The schedule for a spreadsheet, each line of text in a column of its own (RFC 4180).

    ``rows`` are the entries `as_data`.
    """
    most = max((len(entry.face.lines) for entry in entries), default=0)
    columns = [*_BEFORE_LINES, *(f"line {line + 1}" for line in range(most)), "was"]
    return csv_bytes(columns, (_cells(e, row, most) for e, row in zip(entries, rows, strict=True)))


_BEFORE_LINES = (
    *("mark", "kind", "id", "number", "division"),
    *("width", "height", "corner", "capitals", "legible", "sheet"),
)


def _cells(entry: Entry, row: Mapping[str, Any], most: int) -> list[str]:
    plain = [_plain(row[column]) for column in _BEFORE_LINES]
    lines = [*entry.face.lines, *[""] * (most - len(entry.face.lines))]
    return [*plain, *lines, ", ".join(entry.changes)]


def _plain(cell: str | float | None) -> str:
    match cell:
        case None:
            return ""
        case bool():
            return "yes" if cell else "no"
        case str():
            return cell
    return f"{cell:g}"
