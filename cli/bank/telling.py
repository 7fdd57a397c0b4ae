"""Changes of a bank in a store, in an organist's words or as data.

What a change is, and what its numbers stand for, comes from `banks`; nothing is looked up here.
"""

from collections import Counter
from collections.abc import Iterable
from typing import Any

from attrs import asdict

from banks.cells import Key, Kind, Names, value_of
from banks.history import TAKEN_BACK, Making
from banks.ledger import LEFT_OFF, Changed, Entry
from banks.store import BROUGHT_BACK, CONSOLE, GUEST, MADE, REMOVED
from banks.tables import COMPACTED
from cli.bank.printing import steps_data
from cli.bank.words import Words, moment, printable
from cli.naming import plural
from cli.output import refuse
from combination.effects import Cause
from combination.findings import nearest
from combination.memory import Bank, Combination, ControlCard, PistonCard, Step

_MADE = {
    Cause.SET.value: "set",
    Cause.UNDO.value: "undo at the console",
    Cause.REDO.value: "redo at the console",
    LEFT_OFF: "left off",
    TAKEN_BACK: "took back",
    COMPACTED: "compacted:",
    MADE: "made",
    REMOVED: "removed",
    BROUGHT_BACK: "brought back",
    GUEST: "guest or not",
    CONSOLE: "brought up to date with",
}
"""What made a change, where it was not a command."""

_COUNTED = {
    Kind.COMBINATION: "combination",
    Kind.FULL_ORGAN: "full organ list",
    Kind.STAGE: "crescendo list",
    Kind.LEVEL_NAME: "name of a level",
    Kind.LEVEL_LOCK: "lock of a level",
    Kind.SEQUENCE: "sequence",
    Kind.CONTROL: "control",
    Kind.PISTON: "piston",
}
_PLURALS = {Kind.LEVEL_NAME: "names of levels", Kind.LEVEL_LOCK: "locks of levels"}

_GONE = {Kind.LOCK: "unlocked", Kind.LEVEL_LOCK: "unlocked", Kind.GUEST: "no", Kind.REMOVED: "no"}
"""What is said where something is there no more, and it is no matter what it was."""

_SINGLE = {
    Kind.NAME: "the bank's name",
    Kind.CONSOLE: "its console",
    Kind.LOCK: "the bank's lock",
    Kind.PLACE: "where the player left off",
    Kind.GUEST: "a guest's bank",
    Kind.REMOVED: "removed from sight",
}


class Told:
    """The words for one bank's changes."""

    def __init__(self, names: Names) -> None:
        """Take what the numbers in its cells stand for."""
        self._names = names
        pistons = {card.id: card for card in names.pistons.values()}
        self.words = Words(Bank("", names.controls, pistons))

    def piston(self, text: str) -> str:
        """The id of the piston that a person means; refuses one that the bank never had."""
        found, known = self.words.find_piston(text), self._names.numbers
        if found not in known:
            refuse(f'this bank never had a piston "{text}"{nearest(text, known)}')
        return found

    def when(self, entry: Entry) -> str:
        """When a change was made, by the clock of the place."""
        return moment(entry.at.isoformat())

    def made(self, entry: Entry) -> str:
        """What made a change: ``set General 1 (g1)``, ``copy-level 3 4``."""
        told = _MADE.get(entry.cause, entry.cause)
        if entry.cause == MADE and entry.by:
            told = "made from"
        by = self.words.piston(entry.by) if entry.cause == Cause.SET.value else entry.by
        return printable(f"{told} {by}".strip())

    def sum(self, making: Making) -> str:
        """What a change changed, in a line or a few: one thing whole, several by number."""
        if making.entry.cause == COMPACTED:
            return "all that was before"
        if len(making.changes) == 1:
            changed = making.changes[0]
            return f"{self.place(changed)}: {self.difference(changed)}"
        counts = Counter(Kind(changed.key.kind) for changed in making.changes)
        told = [
            plural(count, _COUNTED[kind])
            if kind not in _PLURALS or count == 1
            else f"{count:,} {_PLURALS[kind]}"
            for kind, count in counts.items()
            if kind in _COUNTED
        ]
        told += [_SINGLE[kind] for kind in counts if kind in _SINGLE]
        return ", ".join(told)

    def place(self, changed: Changed) -> str:
        """Which place a change is of: ``General 1 (g1) at level 3``."""
        return self.key(changed.key)

    def key(self, key: Key) -> str:
        """A place in a bank."""
        slot = self._names.slot(key)
        if slot is not None and slot.stage is not None:
            return f"crescendo stage {slot.stage}"
        if slot is not None and slot.piston is not None:
            at = "" if slot.level is None else f" at level {slot.level}"
            return printable(f"{self.words.piston(slot.piston)}{at}")
        if key.kind == Kind.LEVEL_NAME:
            return f"name of level {key.a}"
        if key.kind == Kind.LEVEL_LOCK:
            return f"lock of level {key.a}"
        if key.kind == Kind.SEQUENCE:
            return printable(f'sequence "{key.a}"')
        if key.kind == Kind.CONTROL:
            return printable(f"control {self.words.control(self._names.controls[int(key.a)].id)}")
        if key.kind == Kind.PISTON:
            return printable(f"piston {self.words.piston(self._names.pistons[int(key.a)].id)}")
        return _SINGLE[Kind(key.kind)]

    def difference(self, changed: Changed) -> str:
        """What a place held before and holds after."""
        before, after = self._values(changed)
        return printable(self._difference(changed, before, after))

    def _difference(self, changed: Changed, before: Any, after: Any) -> str:
        key = changed.key
        if changed.base:
            return "not known any more" if after is None else f"was {self._said(key, after)}"
        if before is None:
            return self._said(key, after)
        if after is None:
            return _GONE.get(Kind(key.kind)) or f"gone; was {self._said(key, before)}"
        if isinstance(before, Combination):
            return self._combinations(before, after)
        if isinstance(before, ControlCard | PistonCard):
            was = before.id != after.id
            return f"was called {before.id}" if was else "described otherwise than before"
        if key.kind == Kind.SEQUENCE:
            return _steps(before, after)
        return f"{self._said(key, after)}; was {self._said(key, before)}"

    def _values(self, changed: Changed) -> tuple[Any, Any]:
        return (
            None if changed.before is None else value_of(changed.key, changed.before),
            None if changed.after is None else value_of(changed.key, changed.after),
        )

    def _said(self, key: Key, value: Any) -> str:
        if isinstance(value, Combination):
            on = self._listed(value.on) or "nothing on"
            return f"{on}; left alone: {self._listed(value.neutral)}" if value.neutral else on
        if key.kind in (Kind.LOCK, Kind.LEVEL_LOCK):
            return "locked with a passphrase" if value else "locked"
        if key.kind == Kind.PLACE:
            level, sequence, step = value
            told = [f"level {level}", f'"{sequence}"' if sequence else "", f"step {step}"]
            return ", ".join(word for word in told if word and word != "step 0")
        if key.kind == Kind.SEQUENCE:
            return plural(len(value), "step")
        if key.kind in (Kind.CONTROL, Kind.PISTON):
            return "known to the bank"
        return "yes" if value is True else f'"{value}"'

    def _combinations(self, before: Combination, after: Combination) -> str:
        told = [
            f"{word} {self._listed(bits)}"
            for word, bits in (
                ("on now:", after.on & ~before.on),
                ("off now:", before.on & ~after.on),
                ("left alone now:", after.neutral & ~before.neutral),
                ("no longer left alone:", before.neutral & ~after.neutral),
            )
            if bits
        ]
        return "; ".join(told)

    def _listed(self, bits: int) -> str:
        return self.words.listed(card.id for card in self._names.on(bits))

    # ------------------------------------------------------------ for other programs

    def data(self, changed: Changed) -> dict[str, Any]:
        """One place of a change, by ids."""
        key, slot = changed.key, self._names.slot(changed.key)
        before, after = (self._plain(key, value) for value in self._values(changed))
        told: dict[str, Any] = {"what": Kind(key.kind).name.lower().replace("_", "-")}
        if slot is not None:
            told |= {name: part for name, part in slot._asdict().items() if part is not None}
        elif key.kind in (Kind.LEVEL_NAME, Kind.LEVEL_LOCK):
            told["level"] = key.a
        elif key.kind == Kind.SEQUENCE:
            told["sequence"] = key.a
        elif key.kind == Kind.CONTROL:
            told["control"] = self._names.controls[int(key.a)].id
        elif key.kind == Kind.PISTON:
            told["piston"] = self._names.pistons[int(key.a)].id
        return told | {"before": before, "after": after}

    def _plain(self, key: Key, value: Any) -> Any:
        if isinstance(value, Combination):
            on, neutral = (self._ids(bits) for bits in value)
            return {"on": on, "neutral": neutral}
        if isinstance(value, PistonCard):
            return asdict(value) | {"affects": self._ids(value.affects)}
        if isinstance(value, ControlCard):
            return asdict(value)
        if isinstance(value, bytes):
            return {"passphrase": bool(value)}
        if key.kind == Kind.PLACE and value is not None:
            return dict(zip(("level", "sequence", "step"), value, strict=True))
        return steps_data(value) if key.kind == Kind.SEQUENCE and value is not None else value

    def _ids(self, bits: int) -> list[str]:
        return [card.id for card in self._names.on(bits)]


def _steps(before: Iterable[Step], after: Iterable[Step]) -> str:
    """Which steps of a sequence are new, gone or otherwise."""
    old, new = ({step.number: step for step in steps} for steps in (before, after))
    told = (
        ("new:", [number for number in new if number not in old]),
        ("gone:", [number for number in old if number not in new]),
        ("otherwise:", [number for number in new if old.get(number, new[number]) != new[number]]),
    )
    return "; ".join(
        f"step{'s' * (len(numbers) > 1)} {word} {', '.join(f'{n:f}' for n in numbers)}"
        for word, numbers in told
        if numbers
    )


def as_data(making: Making, told: Told) -> dict[str, Any]:
    """A change, as data for other programs."""
    entry = making.entry
    return {
        "change": entry.number,
        "at": entry.at.isoformat(),
        "cause": entry.cause,
        "by": entry.by,
        "changes": [told.data(changed) for changed in making.changes],
    }
