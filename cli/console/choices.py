"""The choices that a console file makes for the whole console, each with what it means.

One table says what the file calls a choice, how it is read, and on which kinds of action it
means anything. What a choice then does is for `combination`.
"""

from collections.abc import Callable, Iterator
from typing import Any

import attrs

from cli.naming import Listing, Names, contact_text
from combination.model import Action, Console

_Choice = tuple[str, Callable[[Console], tuple[object, bool]], dict[str, str], frozenset[Action]]
_BLIND = frozenset({Action.BLIND})
_MOVING = frozenset({Action.MOVING})
_EVERY = frozenset(Action)


def _of(*path: str) -> Callable[[Console], tuple[object, bool]]:
    """Reads one choice from a console: its value, and whether that is the default."""

    def read(console: Console) -> tuple[object, bool]:
        table: Any = console
        for name in path[:-1]:
            table = getattr(table, name)
        value = getattr(table, path[-1])
        return value, value == getattr(attrs.fields(type(table)), path[-1]).default

    return read


def _stored(console: Console) -> tuple[object, bool]:
    return console.stores, console.setting.stores is None


def _lock(console: Console) -> tuple[object, bool]:
    lock = console.setting.lock
    return lock and contact_text(lock), lock is None


def _spacing(console: Console) -> tuple[object, bool]:
    return console.drive.spacing, console.drive.gap is None


_CHOICES: tuple[_Choice, ...] = (
    (
        "while-governed",
        _of("while_governed"),
        {
            "ignored": "a tab moved while pistons hold its control is not heard until they let go",
            "last-touch": "a tab moved by hand takes its control back from the pistons",
            "adds": "pistons only add to what the tabs show",
        },
        _BLIND,
    ),
    (
        "cancel",
        _of("cancel"),
        {
            "release": "a cancel lets the tabs speak again",
            "silence": "a cancel holds everything off, whatever the tabs show",
        },
        _BLIND,
    ),
    (
        "again",
        _of("again"),
        {
            "recall": "a piston whose lamp is lit recalls again when pressed again",
            "release": "a piston whose lamp is lit lets its controls go when pressed again",
        },
        _BLIND,
    ),
    (
        "unset",
        _of("unset"),
        {
            "refuse": "a piston with nothing set is refused",
            "clear": "a piston with nothing set clears what it affects",
        },
        _EVERY,
    ),
    (
        "divisional-couplers",
        _of("divisional_couplers"),
        {
            "none": "divisionals affect no couplers, unless a piston says otherwise",
            "own": "divisionals affect their division's octaves and unison off, no other couplers",
            "keyboard": "divisionals affect every coupler that plays from their keyboard",
        },
        _EVERY,
    ),
    ("levels", _of("levels"), {"": "memory levels"}, _EVERY),
    (
        "set, hold",
        _of("setting", "hold"),
        {
            "true": "pistons pressed while set is held down are set",
            "false": "holding set down does nothing",
        },
        _EVERY,
    ),
    (
        "set, latch",
        _of("setting", "latch"),
        {
            "true": "set, pushed by itself, arms: the next piston is set",
            "false": "set, pushed by itself, does nothing",
        },
        _EVERY,
    ),
    ("set, latch-time", _of("setting", "latch_time"), {"": "seconds until it disarms"}, _EVERY),
    (
        "set, stores",
        _stored,
        {
            "rail": "setting stores what the tabs show",
            "base": "setting stores what tabs and pistons give together",
        },
        _BLIND,
    ),
    (
        "set, lock",
        _lock,
        {"": "contact of the key switch that locks the memory", "none": "no key locks the memory"},
        _EVERY,
    ),
    ("drive, pulse", _of("drive", "pulse"), {"": "seconds that a tab is driven for"}, _MOVING),
    (
        "drive, group",
        _of("drive", "group"),
        {"none": "all tabs start together", "": "tabs start together"},
        _MOVING,
    ),
    (
        "drive, gap",
        _spacing,
        {"": "seconds from the start of one group to the next"},
        _MOVING,
    ),
    (
        "drive, follow",
        _of("drive", "follow"),
        {"": "seconds that a tab has to report that it moved"},
        _MOVING,
    ),
    (
        "timing, key-bounce",
        _of("timing", "key_bounce"),
        {"": "seconds that a key contact is not listened to after it changes"},
        _EVERY,
    ),
    (
        "timing, bounce",
        _of("timing", "bounce"),
        {"": "seconds that any other contact is not listened to after it changes"},
        _EVERY,
    ),
    (
        "timing, stuck",
        _of("timing", "stuck"),
        {"": "seconds after which a piston still down is called stuck"},
        _EVERY,
    ),
)
"""Each choice: what the file calls it, how it is read, what its values mean, on which actions."""

ACTIONS = {
    Action.BLIND: "blind action: tabs move only by hand, pistons override them unseen",
    Action.MOVING: "moving action: pistons move the tabs, and what the tabs show is what sounds",
    Action.LIT: "lit action: controls do not move, a lamp in each shows whether it is on",
}


def _plain_value(value: object) -> str:
    if value is None:
        return "none"
    if isinstance(value, bool):
        return str(value).lower()
    return f"{value:g}" if isinstance(value, float) else str(value)


def choices(names: Names) -> Iterator[Listing]:
    """The console-wide choices that mean something on its action, defaults included."""
    console = names.console
    rows = []
    for word, read, meanings, actions in _CHOICES:
        if console.action not in actions:
            continue
        value, usual = read(console)
        text = _plain_value(value)
        meaning = meanings.get(text, meanings.get("", ""))
        rows.append((word, f"{text} (default)" if usual else text, meaning))
    yield Listing(
        ("Choices for the whole console",), ("choice", "value", "what it means"), tuple(rows)
    )
