"""Forms of statements: a pattern of words and slots, and how a statement is matched with it.

Patterns are written as a person is shown them: lower-case words stand for themselves, CAPITALS
for the writer's own words, [brackets] for what may be left out, | for a choice. What the words
mean is not known here.
"""

import re
from collections.abc import Callable, Sequence
from typing import Any

from attrs import field, frozen

from cli.rehearsal.statements import Statement


class WrongError(Exception):
    """Something in a statement is wrong; the message says what."""


_WORD = re.compile(r'"[^"]*"|"|=|[^\s="]+')
_MANY = {"CONTROLS", "PISTONS", "TRAPS", "NOTES", "NUMBERS", "PLACES", "REFUSALS"}
"""Slots that take several words."""
_RAW = {"FILE", "TEXT", "VALUE"}
"""Slots that take the rest of the line, whatever stands there."""


@frozen
class Part:
    """One part of a form: words of the language, a slot for the writer's own, or an option."""

    words: tuple[str, ...] = ()
    slot: str = ""
    option: tuple["Part", ...] = ()

    @property
    def told(self) -> bool:
        """Whether it is handed to the builder: a slot, or one of several words."""
        return bool(self.slot) or len(self.words) > 1


def _parts(pattern: str) -> tuple[Part, ...]:
    """A pattern's parts: lower-case words, SLOTS, and options in brackets."""
    parts = []
    for text in re.findall(r"\[[^]]*\]|\S+", pattern):
        if text.startswith("["):
            parts.append(Part(option=_parts(text[1:-1])))
            continue
        words = text.split("|")
        slot = next((word for word in words if word.isupper()), "")
        parts.append(Part(tuple(word for word in words if word != slot), slot))
    return tuple(parts)


@frozen
class Form:
    """One form of a statement: how it is written, what it means, and what makes it so."""

    pattern: str
    means: str
    build: "Callable[..., Statement] | None" = None
    parts: tuple[Part, ...] = field(init=False)

    def __attrs_post_init__(self) -> None:
        """Take the pattern apart once."""
        object.__setattr__(self, "parts", _parts(self.pattern))

    @property
    def heads(self) -> tuple[str, ...]:
        """The words that a statement of this form begins with."""
        return self.parts[0].words


class _Words:
    """The words of one statement, taken one after another."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.found = list(_WORD.finditer(text))
        self.place = 0

    @property
    def next(self) -> str | None:
        return self.found[self.place][0] if self.place < len(self.found) else None

    def take(self) -> str | None:
        word = self.next
        self.place += word is not None
        return word

    def take_until(self, stops: Sequence[str]) -> list[str]:
        """At least one word, and then those before the first that comes next in the form."""
        start = self.place
        while self.next is not None and (self.place == start or self.next not in stops):
            self.place += 1
        return [match[0] for match in self.found[start : self.place]]

    def take_rest(self) -> str | None:
        if self.next is None:
            return None
        rest = self.text[self.found[self.place].start() :]
        self.place = len(self.found)
        return rest


def _fits(
    parts: Sequence[Part],
    words: _Words,
    values: list[tuple[Part, Any]],
    after: tuple[str, ...] = (),
) -> bool:
    """Match words to a form's parts in order, and gather the values. No part is tried twice.

    ``after`` are the words that can come next when the parts are done.
    """
    for place, part in enumerate(parts):
        stops = _stops(parts[place + 1 :], after)
        if part.option and words.next not in part.option[0].words:
            values.append((part, None))
        elif len(part.option) == 1:
            values.append((Part(words=part.option[0].words), words.take()))
        elif part.option:
            if not _fits(part.option, words, values, stops):
                return False
        elif words.next is None:
            return False
        elif part.slot in _RAW:
            values.append((part, words.take_rest()))
        elif part.slot in _MANY:
            values.append((part, words.take_until(stops)))
        elif not part.slot and words.next not in part.words:
            return False
        elif part.told:
            values.append((part, words.take()))
        else:
            words.take()
    return True


def _stops(following: Sequence[Part], after: tuple[str, ...]) -> tuple[str, ...]:
    """The words that can come next: those of the options that follow, and of what must."""
    stops: tuple[str, ...] = ()
    for part in following:
        if not part.option:
            return stops + part.words
        stops += part.option[0].words
    return stops + after


def matched(form: Form, text: str) -> list[tuple[Part, Any]] | None:
    """The words that a statement puts in a form's slots; None if it has not that form.

    Raises:
        WrongError: if it has, but for a quotation mark that is not closed.
    """
    words, values = _Words(text), list[tuple[Part, Any]]()
    if not _fits(form.parts, words, values) or words.next is not None:
        return None
    if not any(part.slot in _RAW for part in form.parts):
        check_quotation(text)
    return values


def check_quotation(text: str) -> None:
    """See that quotation marks are closed.

    Raises:
        WrongError: if one is not.
    """
    if any(match[0] == '"' for match in _WORD.finditer(text)):
        raise WrongError("a quotation mark is not closed")
