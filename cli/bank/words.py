"""What is in a bank, in an organist's words: what things are called, and how they are found.

A bank's controls and pistons are called by their labels, with ids beside them where a command
needs one. Nothing here reads a file or prints.
"""

import re
from collections import Counter
from collections.abc import Callable, Container, Iterable, Mapping
from datetime import datetime
from itertools import pairwise

from rich.cells import cell_len

from banks import Part
from cli.naming import plural, run
from cli.output import refuse
from combination.memory import Bank, PistonCard, Step
from combination.model import Console, Kind

PAGE = 100
"""Columns of a page on the music desk."""
NO_DIVISION = "no division"
_MARGIN = " " * 4
_GUTTER = " " * 2

_KINDS: dict[str, str] = {
    Kind.GENERAL: "General",
    Kind.DIVISIONAL: "Divisional",
    Kind.FULL_ORGAN: "Full Organ",
}


class Words:
    """What the controls and pistons of a bank, or of several together, are called.

    Where banks call one thing by two names, the first bank's counts. With a console, what the
    console does not have bears a star, and pistons that no memory belongs to have names too.
    """

    def __init__(self, *banks: Bank, console: Console | None = None) -> None:
        """Take the banks, the one whose rail order counts first."""
        self._faces: dict[str, str] = {}
        self._divisions: dict[str, str] = {}
        self._labels: dict[str, str] = {}
        self._titles: dict[str, str] = {}
        for bank in banks:
            self._learn(bank)
        self._here: Container[str] | None = None
        self._pistons_here: Container[str] | None = None
        if console is not None:
            self._here = {control.id for control in console.controls}
            pistons = {piston.id: piston.face for piston in console.pistons}
            self._pistons_here = pistons.keys()
            self._labels = pistons | self._labels
            self._titles = pistons | self._titles
        self._order = tuple(dict.fromkeys(self._divisions.values()))
        alike = Counter((self._divisions[id_], face) for id_, face in self._faces.items())
        self._shown = {
            id_: _star(id_, self._here)
            + (face if alike[self._divisions[id_], face] == 1 else self.control(id_))
            for id_, face in self._faces.items()
        }

    def _learn(self, bank: Bank) -> None:
        for card in bank.controls:
            self._faces.setdefault(card.id, card.face)
            self._divisions.setdefault(card.id, card.division or NO_DIVISION)
        for id_, piston in bank.pistons.items():
            self._labels.setdefault(id_, piston.face)
            self._titles.setdefault(id_, _title(piston))

    def by_division(
        self, controls: Iterable[str], counts: Mapping[str, int] | None = None
    ) -> dict[str, list[str]]:
        """The labels of some controls, given in rail order, under the name of their division.

        With counts, each label has its own behind it, in brackets.
        """
        found: dict[str, list[str]] = {division: [] for division in self._order}
        for control in controls:
            count = "" if counts is None else f" ({counts[control]})"
            found[self._divisions[control]].append(self._shown[control] + count)
        return {division: faces for division, faces in found.items() if faces}

    def listed(self, controls: Iterable[str]) -> str:
        """Some controls in a sentence: ``Great: Tuba 8', Flute 4'; Pedal: Bourdon 16'``."""
        return "; ".join(
            f"{division}: {', '.join(faces)}"
            for division, faces in self.by_division(controls).items()
        )

    def control(self, control: str) -> str:
        """A control by its label and its id: ``Tuba 8' (gt-tuba-8)``."""
        face = self._faces[control]
        return face if face == control else f"{face} ({control})"

    def piston(self, piston: str) -> str:
        """A piston by its kind or division, its label and its id: ``Great 1 (gt1)``."""
        title = self._titles.get(piston, piston)
        star = _star(piston, self._pistons_here)
        return f"{star}{title}" if title == piston else f"{star}{title} ({piston})"

    def find_piston(self, text: str) -> str:
        """The id of the piston that a person means: by its id, its title or its label.

        What is none of these is given back as it is, for others to refuse. Refuses what
        several pistons are called.
        """
        names = {id_: {title, self._labels[id_]} for id_, title in self._titles.items()}
        return _found(text, "pistons", names, self.piston)

    def find_control(self, text: str) -> str:
        """The id of the control that a person means: by its id or its label.

        The division may stand before the label. What is neither is given back as it is, for
        others to refuse. Refuses what several controls are called.
        """
        divisions = self._divisions
        names = {id_: {face, f"{divisions[id_]} {face}"} for id_, face in self._faces.items()}
        return _found(text, "controls", names, lambda id_: f"{divisions[id_]} {self.control(id_)}")


def _star(id_: str, here: Container[str] | None) -> str:
    return "" if here is None or id_ in here else "*"


def _title(piston: PistonCard) -> str:
    """A label that says by itself where the piston is: ``General 1``, ``Great 1``."""
    if not piston.label:
        return piston.id
    word = piston.division or _KINDS.get(piston.kind, "")
    told = piston.face == piston.id or piston.face.casefold().startswith(word.casefold())
    return piston.face if told else f"{word} {piston.face}"


def _found(text: str, what: str, names: Mapping[str, set[str]], shown: Callable[[str], str]) -> str:
    if text in names:
        return text
    wanted = _plain(text)
    meant = [id_ for id_, called in names.items() if wanted in map(_plain, called)]
    if len(meant) > 1:
        refuse(f'several {what} are called "{text}": {", ".join(map(shown, meant))}')
    return meant[0] if meant else text


def _plain(text: str) -> str:
    return " ".join(text.split()).casefold()


# ---------------------------------------------------------------- numbers, times, lines


def runs(numbers: Iterable[int]) -> str:
    """Numbers in their order, neighbours together: ``1-4, 7``."""
    ordered = sorted(numbers)
    ends = [0, *(i for i, (a, b) in enumerate(pairwise(ordered), 1) if b > a + 1), len(ordered)]
    return ", ".join(run(ordered[a], ordered[b - 1]) for a, b in pairwise(ends) if a < b)


def moment(saved: str | None) -> str:
    """When a bank was saved, by the clock of the place where it is read."""
    if saved is None:
        return "not known"
    try:
        local = datetime.fromisoformat(saved).astimezone()
    except (OverflowError, ValueError):  # the first and the last year have no time zones
        return saved
    return f"{local.day} {local:%B %Y} at {local:%H:%M}"


def level_words(bank: Bank, number: int) -> str:
    """A level by its number and name: ``level 3 "Advent"``."""
    name = bank.levels[number].name if number in bank.levels else ""
    return f'level {number} "{name}"' if name else f"level {number}"


def part_words(words: Words, part: Part) -> str:
    """A part of a bank: ``Great 1 (gt1) at level 1-3``."""
    told = []
    if part.pistons is not None:
        told.append(", ".join(words.piston(piston) for piston in part.pistons))
    if part.levels is not None:
        told.append(f"level {runs(part.levels)}")
    return " at ".join(told)


def set_words(count: int) -> str:
    """How many pistons are set: ``12 pistons set``."""
    return f"{plural(count, 'piston')} set" if count else "nothing set"


def step_words(bank: Bank, words: Words, step: Step) -> str:
    """What a step presses, and its note: ``level 3 "Advent", Great 1 (gt1), "verse 2"``."""
    note = f', "{step.note}"' if step.note else ""
    return f"{level_words(bank, step.level)}, {words.piston(step.piston)}{note}"


def printable(text: str) -> str:
    """A text that somebody else wrote, as a terminal may be shown it."""
    return "".join(sign if sign.isprintable() else "?" for sign in text)


def capital(words: str) -> str:
    """Words as the beginning of a line."""
    return words[:1].upper() + words[1:]


def place_words(bank: Bank) -> str:
    """Where the player left off."""
    level = level_words(bank, bank.level)
    step = f"step {bank.place:f}" if bank.place else "before the first step"
    if bank.sequence is not None:
        return f'{level}; sequence "{bank.sequence}", {step}'
    return f"{level}; generals in turn, {step}" if bank.place else level


def laid_out(rows: Iterable[tuple[str, list[str]]], column: int) -> list[str]:
    """Rows of things after what they are, as lines of a page; ``column`` is for the latter."""
    lines = []
    room = PAGE - len(_MARGIN) - column - len(_GUTTER)
    for word, items in rows:
        if not items:
            lines.append(_MARGIN + word)
            continue
        first, *more = folded(items, room)
        if cell_len(word) > column:
            lines.append(_MARGIN + word)
            word = ""
        lines.append(_MARGIN + word + " " * (column - cell_len(word)) + _GUTTER + first)
        lines += [_MARGIN + " " * column + _GUTTER + line for line in more]
    return lines


def column_for(words: Iterable[str]) -> int:
    """How wide a column for such words is: the longest, but not at the cost of the rest."""
    return min(max(map(cell_len, words), default=0), PAGE // 3)


def folded(items: Iterable[str], room: int) -> list[str]:
    """Items one after another on lines of so many columns, broken between items.

    An item that is too long for a line is broken between its words.
    """
    lines: list[str] = []
    line, length = "", 0
    room -= 1  # for the comma
    for item in items:
        width = cell_len(item)
        if line and length + 2 + width > room:
            lines.append(f"{line},")
            line = ""
        if line:
            line, length = f"{line}, {item}", length + 2 + width
        elif width <= room:
            line, length = item, width
        else:
            *full, line = _broken(item, room)
            lines += full
            length = cell_len(line)
    return [*lines, line] if line else lines


def _broken(item: str, room: int) -> list[str]:
    """A long item on several lines, between words; a long word stays whole."""
    lines = [""]
    for word in re.findall(r"\S+\s*", item):
        if lines[-1] and cell_len(lines[-1] + word.rstrip()) > room:
            lines.append("")
        lines[-1] += word
    return [line.rstrip() for line in lines]
