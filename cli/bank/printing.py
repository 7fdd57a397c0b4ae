"""A bank on paper for the music desk: what is on, piston by piston, in divisions.

Takes a bank that has been read and says what is in it, to people or, as data, to programs. What
a piston will really do is what it remembers within what it affects; what it keeps besides is
said apart.
"""

from collections.abc import Iterable, Iterator
from typing import Any

from attrs import asdict, frozen

from banks import BankFile
from cli.bank.words import (
    PAGE,
    Words,
    capital,
    column_for,
    laid_out,
    level_words,
    moment,
    part_words,
    place_words,
    runs,
)
from cli.naming import plural
from cli.output import say, say_table
from combination.memory import Bank, Combination, Level, Step
from combination.model import Console, Kind

LEFT_ALONE = "left alone: "
KEPT = "kept, not heard: "


@frozen
class Asked:
    """What of a bank is to be printed: some levels, some pistons; None is all of them."""

    levels: frozenset[int] | None = None
    pistons: frozenset[str] | None = None

    @property
    def all(self) -> bool:
        """Whether nothing has been left out."""
        return self.levels is None and self.pistons is None

    def level(self, number: int) -> bool:
        """Whether a level is asked for."""
        return self.levels is None or number in self.levels

    def piston(self, piston: str) -> bool:
        """Whether a piston is asked for."""
        return self.pistons is None or piston in self.pistons


def print_bank(file: BankFile, name: str, asked: Asked, console: Console | None) -> None:
    """Print a bank, as a page for the music desk. ``name`` is that of its file.

    With a console the bank has been seated on it, and what is not there bears a star.
    """
    bank, words = file.bank, Words(file.bank, console=console)
    _heading(file, name, console)
    numbers = sorted(n for n, level in bank.levels.items() if asked.level(n) and not level.blank)
    if asked.all and len(numbers) > 1:
        _contents(bank, numbers)
    page = _Page(bank, words, asked, console)
    for number in numbers:
        page.level(number)
    page.nothing_set()
    page.lists()
    if asked.all:
        print_sequences(bank, words, bank.sequences)


def _heading(file: BankFile, name: str, console: Console | None) -> None:
    bank = file.bank
    say(bank.name or "A bank without a name")
    say()
    told = [
        ("file", name),
        ("console", bank.console),
        ("saved", f"{moment(file.saved)}, by {file.writer}" if file.writer else moment(file.saved)),
        ("left off at", place_words(bank)),
        ("locked", "yes, the whole bank" if bank.locked else "no"),
    ]
    if file.part is not None:
        told.append(("holds only", part_words(Words(bank), file.part)))
    if console is not None:
        told.append(("*", f"not on {console.name} as its file is now"))
    for what, value in told:
        say(f"  {what:<11}  {value}")


def _contents(bank: Bank, numbers: list[int]) -> None:
    say()
    rows = [
        (
            str(number),
            bank.levels[number].name,
            "locked" if bank.levels[number].locked else "",
            str(len(bank.levels[number].combinations)),
        )
        for number in numbers
    ]
    say_table(("level", "name", "", "pistons set"), rows, width=PAGE)


class _Page:
    """The levels and lists of one bank, laid out in the same columns."""

    def __init__(self, bank: Bank, words: Words, asked: Asked, console: Console | None) -> None:
        self.bank, self.words, self.asked, self.console = bank, words, asked, console
        self.roster = bank.roster
        self.everything = self.roster.everything
        self.affects = {piston.id: piston.affects for piston in bank.pistons.values()}
        self.order = {piston: place for place, piston in enumerate(bank.pistons)}
        self.recalling = sum(p.kind != Kind.FULL_ORGAN for p in bank.pistons.values())
        self.column = column_for(self._words_used())

    def _parts(self, combination: Combination, affects: int) -> tuple[tuple[str, int], ...]:
        """What a combination has on, leaves alone, and keeps that its piston does not affect."""
        on, neutral = combination
        return (
            ("", on & affects & ~neutral),
            (LEFT_ALONE, neutral & affects),
            (KEPT, on & ~affects),
        )

    def _words_used(self) -> Iterator[str]:
        used: dict[str, int] = {}
        for number, level in self.bank.levels.items():
            for piston, combination in level.combinations.items():
                if self.asked.level(number) and self.asked.piston(piston):
                    for word, bits in self._parts(combination, self.affects[piston]):
                        used[word] = used.get(word, 0) | bits
        for _, bits in self._lists():
            used[""] = used.get("", 0) | bits
        for word, bits in used.items():
            for division in self.words.by_division(self.roster.registration(bits)):
                yield word + division

    def _block(self, title: str, combination: Combination, affects: int) -> list[str]:
        rows = [
            (word + division, faces)
            for word, bits in self._parts(combination, affects)
            for division, faces in self.words.by_division(self.roster.registration(bits)).items()
        ]
        if not combination.on & affects & ~combination.neutral:
            rows.insert(0, ("nothing on", []))
        return [f"  {title}", *laid_out(rows, self.column)]

    def level(self, number: int) -> None:
        """Print what is set at a level."""
        level = self.bank.levels[number]
        printed = sorted(filter(self.asked.piston, level.combinations), key=self.order.__getitem__)
        if self.asked.pistons is not None and not printed:
            return
        lines = ["", self._level_title(number, level)]
        for piston in printed:
            combination = level.combinations[piston]
            lines += self._block(self.words.piston(piston), combination, self.affects[piston])
        say("\n".join(line.rstrip() for line in lines))

    def _level_title(self, number: int, level: Level) -> str:
        """``Level 3 "Advent", locked: 12 of 36 pistons set``."""
        star = "*" if self.console is not None and number > self.console.levels else ""
        words = level_words(self.bank, number) + (", locked" if level.locked else "")
        count = len(level.combinations)
        told = f"{count} of {plural(self.recalling, 'piston')} set" if count else "nothing set"
        return f"{star}{capital(words)}: {told}"

    def nothing_set(self) -> None:
        """Say in a line at which of the levels asked for there is nothing."""
        full = {
            number
            for number, level in self.bank.levels.items()
            if any(map(self.asked.piston, level.combinations))
        }
        last = self.console.levels if self.console is not None else max(full, default=0)
        empty = set(self.asked.levels or range(1, last + 1)) - full
        where = [f"at level{'s' if len(empty) > 1 else ''} {runs(empty)}"] if empty else []
        if self.asked.levels is None and self.console is None:
            where.append(f"above level {last}" if full else "at any level")
        if where:
            what = "" if self.asked.pistons is None else " of what was asked for"
            say()
            say(f"Nothing{what} is set {' or '.join(where)}.")

    def lists(self) -> None:
        """Print the full organ and crescendo lists that the player has set."""
        lists = self._lists()
        if not lists:
            return
        lines = ["", "Lists that the player has set, the same at all levels"]
        for title, on in lists:
            lines += self._block(title, Combination(on), self.everything)
        say("\n".join(line.rstrip() for line in lines))

    def _lists(self) -> list[tuple[str, int]]:
        bank, asked = self.bank, self.asked
        found = []
        if asked.all or asked.pistons is not None:
            found += [
                (self.words.piston(piston), on)
                for piston, on in bank.full_organs.items()
                if asked.piston(piston)
            ]
        if asked.all:
            found += [
                (f"{self._star(stage)}Crescendo stage {stage}", on)
                for stage, on in sorted(bank.stages.items())
            ]
        return found

    def _star(self, stage: int) -> str:
        beyond = self.console is not None and stage > len(self.console.crescendo.stages)
        return "*" if beyond else ""


def print_sequences(bank: Bank, words: Words, names: Iterable[str]) -> None:
    """Print sequences, step by step."""
    for name in names:
        steps = bank.sequences[name]
        on_desk = ", on the desk" if name == bank.sequence else ""
        say()
        title = f'Sequence "{name}"{on_desk}: {plural(len(steps), "step")}'
        if not steps:
            say(title)
            continue
        rows = [
            (
                f"{step.number:f}",
                level_words(bank, step.level).removeprefix("level "),
                words.piston(step.piston),
                step.note,
            )
            for step in steps
        ]
        say_table(("step", "level", "piston", "note"), rows, title=title, width=PAGE)


# ---------------------------------------------------------------- for other programs


def bank_data(file: BankFile, asked: Asked) -> dict[str, Any]:
    """A bank as plain data: by ids, everything that it keeps, and what its ids are called."""
    bank = file.bank
    return {
        "name": bank.name,
        "console": bank.console,
        "saved": file.saved,
        "writer": file.writer,
        "part": None if file.part is None else asdict(file.part),
        "locked": bank.locked,
        "level": bank.level,
        "sequence": bank.sequence,
        "place": f"{bank.place:f}",
        "controls": [
            {"id": card.id, "label": card.label, "division": card.division}
            for card in bank.controls
        ],
        "pistons": [
            {
                "id": card.id,
                "label": card.label,
                "kind": card.kind,
                "division": card.division,
                "affects": list(bank.roster.registration(card.affects)),
            }
            for card in bank.pistons.values()
            if asked.piston(card.id)
        ],
        "levels": _levels_data(bank, asked),
        "full-organs": [
            {"piston": piston, "on": list(bank.roster.registration(on))}
            for piston, on in bank.full_organs.items()
            if asked.piston(piston)
        ],
        "stages": [
            {"stage": stage, "on": list(bank.roster.registration(on))}
            for stage, on in sorted(bank.stages.items())
        ],
        "sequences": sequences_data(bank, bank.sequences),
    }


def _levels_data(bank: Bank, asked: Asked) -> list[dict[str, Any]]:
    roster = bank.roster
    return [
        {
            "level": number,
            "name": level.name,
            "locked": level.locked,
            "pistons": [
                {
                    "piston": piston,
                    "on": list(roster.registration(combination.on)),
                    "neutral": list(roster.registration(combination.neutral)),
                }
                for piston, combination in level.combinations.items()
                if asked.piston(piston)
            ],
        }
        for number, level in sorted(bank.levels.items())
        if asked.level(number) and not level.blank
    ]


def sequences_data(bank: Bank, names: Iterable[str]) -> list[dict[str, Any]]:
    """Sequences as plain data."""
    return [{"name": name, "steps": steps_data(bank.sequences[name])} for name in names]


def steps_data(steps: Iterable[Step]) -> list[dict[str, Any]]:
    """Steps as plain data, each with its number as text."""
    return [
        {
            "step": f"{step.number:f}",
            "level": step.level,
            "piston": step.piston,
            "note": step.note,
        }
        for step in steps
    ]
