"""From the text of a rehearsal to what each of its lines means, and every fault of it at once.

A rehearsal says what is done at a console and what is expected of it, a statement a line. It
is taken apart before its console is known, since it may name the console and choose how it
behaves; then the console gives its names and numbers their meaning. No file is opened here.
"""

import re
from collections.abc import Iterable, Iterator
from itertools import islice
from typing import Any

from attrs import define, field, frozen

from cli.rehearsal.forms import Form, Part, WrongError, check_quotation, matched
from cli.rehearsal.language import FORMS, reader_on
from cli.rehearsal.statements import (
    WHILE_OFF,
    Asked,
    Expect,
    Found,
    Line,
    MusicBegins,
    Opening,
    Rehearsal,
    Said,
    Switch,
)
from cli.rehearsal.trying import Choice, choice_of
from combination.events import MemoryLockTurned
from combination.findings import nearest, quoted
from combination.model import Console

MOST_LINES = 20_000
LONGEST_LINE = 20_000
"""Characters. A combination of a thousand controls fits."""
MOST_FAULTS = 50
"""Beyond these a person is better served by mending them first."""

_COMMENT = re.compile(r"(?:^|\s)#.*")


class RehearsalError(Exception):
    """A rehearsal cannot be understood. ``faults`` has them all, a line for each, in order."""

    def __init__(self, faults: Iterable[tuple[Said, str]]) -> None:
        """Take the faults in any order."""
        ordered = sorted(faults, key=lambda fault: fault[0].order)
        self.faults = tuple(f"{said.place}: {fault}" for said, fault in ordered)
        if len(ordered) >= MOST_FAULTS:
            self.faults += ("there may be more: the reading stopped here",)
        super().__init__("\n".join(self.faults))


@frozen
class _Matched:
    said: Said
    form: Form
    values: tuple[tuple[Part, Any], ...]


@define
class Draft:
    """A rehearsal of which the form is known, before it is known which console it is for.

    ``console`` is the console file that it names, None if it names none; ``opening`` are the
    statements that say what holds at the outset, as they were written.
    """

    console: str | None = None
    title: str = ""
    choices: list[Choice] = field(factory=list)
    opening: list[Said] = field(factory=list)
    faults: list[tuple[Said, str]] = field(factory=list)
    _matched: list[_Matched] = field(factory=list)

    def on(self, console: Console) -> Rehearsal:
        """The rehearsal as that console understands it.

        Raises:
            RehearsalError: with every fault of its form, its names and its numbers.
        """
        read = reader_on(console)
        opening: list[Opening] = []
        lines: list[Line] = []
        faults, begun = [*self.faults], False
        for statement in self._matched:
            if len(faults) >= MOST_FAULTS:
                break
            try:
                does = read(statement.form, statement.values)
            except WrongError as wrong:
                faults += [(statement.said, fault) for fault in wrong.args]
                continue
            if not isinstance(does, Opening):
                lines.append(Line(statement.said, does))
                begun = begun or not isinstance(does, Found)
            elif begun:
                faults.append((statement.said, "the memory is written before anything is done"))
            else:
                opening.append(does)
        faults += _out_of_order(lines)
        if faults:
            raise RehearsalError(faults)
        return Rehearsal(tuple(opening), tuple(lines))


def said_in(text: str) -> Iterator[Said]:
    """The statements of a rehearsal's text, without comments."""
    for number, line in enumerate(text.split("\n"), 1):
        statement = _COMMENT.sub("", line.replace("\t", " ")).strip()
        if statement:
            yield Said(number, f"line {number}", statement)


def draft_of(statements: Iterable[Said]) -> Draft:
    """Statements taken apart; what has not the form of any is among the faults."""
    draft = Draft()
    listed = iter(statements)
    for said in islice(listed, MOST_LINES):
        try:
            _take(draft, said)
        except WrongError as wrong:
            draft.faults.append((said, str(wrong)))
            if len(draft.faults) == MOST_FAULTS:
                return draft
    beyond = next(listed, None)
    if beyond is not None:
        draft.faults.append((beyond, f"a rehearsal has at most {MOST_LINES:,} statements"))
    return draft


def _take(draft: Draft, said: Said) -> None:
    if len(said.text) > LONGEST_LINE:
        raise WrongError(f"the line is longer than {LONGEST_LINE:,} characters")
    if not said.text.isprintable():
        raise WrongError("there is a character in it that cannot be printed")
    matched = _match(said)
    values = [value for _, value in matched.values]
    head = matched.form.heads[0]
    if head == "console":
        draft.console = values[0]
    elif head == "title":
        draft.title = values[0]
    elif head == "choose":
        draft.choices.append(choice_of(values[0], values[1]))
    else:
        draft._matched.append(matched)
    if head in ("choose", "memory"):
        draft.opening.append(said)


def _match(said: Said) -> _Matched:
    """The form of a statement.

    Raises:
        WrongError: if it has none, with the forms that it might have meant.
    """
    forms = _forms_for(said.text.split(maxsplit=2))
    for form in forms:
        values = matched(form, said.text)
        if values is not None:
            return _Matched(said, form, tuple(values))
    check_quotation(said.text)
    raise WrongError("this is written " + ", or ".join(form.pattern for form in forms))


def _forms_for(words: list[str]) -> list[Form]:
    """The forms that begin as the statement does."""
    head = words[0]
    forms = [form for form in FORMS if head in form.heads]
    if not forms:
        heads = [head for form in FORMS for head in form.heads]
        raise WrongError(f"there is no statement {quoted(head)}{nearest(head, heads)}")
    if head != "expect":
        return forms
    looks = sorted({word for form in forms for word in form.parts[1].words})
    look = words[1] if len(words) > 1 else ""
    if look not in looks:
        close = nearest(look, looks) or "; there are " + ", ".join(looks)
        raise WrongError(f"nothing can be expected of {quoted(look)}{close}")
    return [form for form in forms if look in form.parts[1].words]


def _out_of_order(lines: Iterable[Line]) -> Iterator[tuple[Said, str]]:
    """What is asked of a console that is switched off, or looked for where nothing can be."""
    on, begun, music = True, False, False
    for line in lines:
        does = line.does
        if isinstance(does, MusicBegins):
            if music:
                yield line.said, "the music has begun already"
            music = True
        if isinstance(does, Found):
            if on and begun:
                yield line.said, "a pin is found so at switch-on: at the outset, or while off"
            continue
        begun = True
        if isinstance(does, Switch):
            if does.on is on:
                yield line.said, f"the console is {'on' if on else 'off'} already"
            on = does.on
        elif not on and not isinstance(does, WHILE_OFF):
            if isinstance(does, Asked) and isinstance(does.event, MemoryLockTurned):
                continue
            if isinstance(does, Expect) and does.what in ("memory", "neutral"):
                continue
            yield line.said, "the console is switched off"
