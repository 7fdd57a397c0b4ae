"""A rehearsal that was run, as a person reads it and as a program does.

For a person each step says what changed, division by division, with the reason; on a console
of many controls a list of all that sounds would hide it. Nothing here runs or prints.
"""

from collections.abc import Callable, Collection, Iterable, Iterator
from itertools import chain
from typing import Any

from attrs import frozen

from cli.rehearsal.bench import NOT_SET, Failure, Happening, Look, Run, Step
from cli.rehearsal.statements import Said, place_name, plain_number
from combination.action import Reason
from combination.effects import (
    ContactFreed,
    ContactStuck,
    CrescendoReached,
    Effect,
    KeptAfterAll,
    LevelChanged,
    PistonLampsChanged,
    RailChanged,
    Refused,
    SequencePlaced,
    SoundingChanged,
    StepReached,
    Stored,
    TabDidNotFollow,
    TabsDriven,
)
from combination.model import Console

SHORT = 30
"""Characters that are read at a glance."""
GLANCE = 3
"""Names in a list that is compared with another at a glance."""
_Row = tuple[float, str, str, str]
"""When (seconds), where, what comes of it there, and how many sound there then."""
_Shown = SoundingChanged | RailChanged | PistonLampsChanged
COLUMNS = ("time", "line", "what is done", "where", "what comes of it", "sounding")
FULL_COLUMNS = ("time", "line", "what is done", "where", "what there is", "sounding")


@frozen
class _Account:
    """How one kind of effect is told: under which word, in words, and as data."""

    word: str
    words: Callable[[Any], str]
    data: Callable[[Any], dict[str, Any]]


_ACCOUNTS: dict[type[Effect], _Account] = {
    Refused: _Account(
        "refused",
        lambda e: f"{e.piston}: {e.reason}" if e.piston else str(e.reason),
        lambda e: {"piston": e.piston, "reason": str(e.reason)},
    ),
    Stored: _Account(
        "stored",
        lambda e: place_name(e.change.slot) + ("" if e.kept else ", but not written"),
        lambda e: {"place": place_name(e.change.slot), "kept": e.kept},
    ),
    KeptAfterAll: _Account(
        "written",
        lambda e: place_name(e.change.slot),
        lambda e: {"place": place_name(e.change.slot)},
    ),
    TabsDriven: _Account(
        "driven",
        lambda e: _plus_and_minus(_listed(e.on), _listed(e.off)),
        lambda e: {"on": list(e.on), "off": list(e.off)},
    ),
    TabDidNotFollow: _Account(
        "fault",
        lambda e: f"{e.control} does not follow: it should be {'on' if e.wanted else 'off'}",
        lambda e: {"control": e.control, "wanted": "on" if e.wanted else "off"},
    ),
    ContactStuck: _Account(
        "stuck",
        lambda e: f"{e.piston}, at pin {e.pin}",
        lambda e: {"piston": e.piston, "pin": e.pin},
    ),
    ContactFreed: _Account(
        "freed",
        lambda e: f"{e.piston}, at pin {e.pin}",
        lambda e: {"piston": e.piston, "pin": e.pin},
    ),
    LevelChanged: _Account("level", lambda e: str(e.level), lambda e: {"level": e.level}),
    CrescendoReached: _Account("stage", lambda e: str(e.stage), lambda e: {"stage": e.stage}),
    StepReached: _Account(
        "step",
        lambda e: f"{plain_number(e.number)}: {e.piston} at {e.level}{e.note and f', {e.note}'}",
        lambda e: {
            "number": plain_number(e.number),
            "level": e.level,
            "piston": e.piston,
            "note": e.note,
        },
    ),
    SequencePlaced: _Account("sequence", lambda e: e.name or "default", lambda e: {"name": e.name}),
}
"""What is told of effects, besides what changed in what sounds, shows and is lit."""


def _listed(names: Iterable[str]) -> str:
    return " ".join(names)


def _plus_and_minus(on: str, off: str) -> str:
    """What came and what went: in one line where it is short."""
    parts = [part for part in (f"+ {on}" if on else "", f"- {off}" if off else "") if part]
    short = sum(map(len, parts)) <= SHORT
    return ("  " if short else "\n").join(parts)


def moment(at: float) -> str:
    """A time in a rehearsal, to the millisecond: ``9.100``."""
    return f"{at:.3f}"


# ---------------------------------------------------------------- for a person


class Sheet:
    """The table of a run: rows for each step, of what changed or of all there is."""

    def __init__(self, console: Console, *, full: bool) -> None:
        """Take the console for its divisions."""
        self.columns = FULL_COLUMNS if full else COLUMNS
        self._full = full
        self._divisions: list[tuple[str | None, str]] = [
            (division.id, division.name) for division in console.divisions
        ]
        self._division_of = {c.id: console.division_of(c) for c in console.controls}
        if None in self._division_of.values():
            self._divisions.append((None, "no division"))

    def rows(self, run: Run) -> Iterator[tuple[str, ...]]:
        """Every row, in order. Failures stand in the step after which they were found."""
        before = Look()
        for step in run.steps:
            look = step.look or before
            told = list(self._told(step, before, look))
            if told or not step.heading:
                yield from _laid_out(step, told)
            before = look

    def _told(self, step: Step, before: Look, look: Look) -> Iterator[_Row]:
        """In order of time; notes and failures stand at the end, with no time of their own."""
        changed = [*self._sounding(step, before, look), *self._rail_and_lamps(step, before, look)]
        yield from sorted([*changed, *_happened(step)], key=lambda row: row[0])
        yield from ((step.at, "bench", note, "") for note in step.notes)
        yield from ((step.at, "FAILED", failure.said.text, "") for failure in step.failures)

    def _sounding(self, step: Step, before: Look, look: Look) -> Iterator[_Row]:
        """Division by division, with how many sound; those where nothing changed are left out."""
        for division, name in self._divisions:
            now = [c for c in look.sounding if self._division_of[c] == division]
            new = [c for c in now if c not in before.sounding]
            gone = [
                c
                for c in before.sounding
                if c not in look.sounding and self._division_of[c] == division
            ]
            if self._full and now:
                yield step.at, name, _with_reasons(now, look), str(len(now))
            elif not self._full and (new or gone):
                what = _plus_and_minus(_with_reasons(new, look), _listed(gone))
                yield _settled(step, SoundingChanged, {*new, *gone}), name, what, str(len(now))

    def _rail_and_lamps(self, step: Step, before: Look, look: Look) -> Iterator[_Row]:
        """The rail where it does not go with what sounds, and the pistons that are lit."""
        if self._full:
            if set(look.rail) != set(look.sounding):
                yield step.at, "rail", _listed(look.rail) or "nothing", ""
            if look.lit:
                yield step.at, "lit", _listed(look.lit), ""
            return
        moved = set(before.rail) ^ set(look.rail)
        if moved != set(before.sounding) ^ set(look.sounding) and moved:
            at = _settled(step, RailChanged, moved)
            yield at, "rail", _changed(before.rail, look.rail), ""
        if before.lit != look.lit:
            at = _settled(step, PistonLampsChanged, set(before.lit) ^ set(look.lit))
            yield at, "lit", _changed(before.lit, look.lit), ""


def _laid_out(step: Step, told: list[_Row]) -> Iterator[tuple[str, ...]]:
    """A step's rows; what was done stands in the first, with what came of it at that time."""
    line = str(step.said.order) if step.said.place else ""
    head = (moment(step.at), line, step.said.text)
    rows = told or [(step.at, "", "nothing", "")]
    if rows[0][0] > step.at:
        rows = [(step.at, "", "", ""), *rows]
    for at, where, what, count in rows:
        first, *others = what.split("\n")
        yield (head[0] or (moment(at) if at > step.at else ""), *head[1:], where, first, count)
        yield from (("", "", "", "", other, "") for other in others)
        head = ("", "", "")


def _happened(step: Step) -> Iterator[_Row]:
    """What came of a step besides."""
    for happening in step.happenings:
        account = _ACCOUNTS.get(type(happening.effect))
        if account is not None:
            yield happening.at, account.word, account.words(happening.effect), ""


def _settled(step: Step, kind: type[_Shown], names: Collection[str]) -> float:
    """When the last of these came to be as they are at the end of a step."""
    return max(
        (
            happening.at
            for happening in step.happenings
            if isinstance(happening.effect, kind)
            and any(name in names for name in _names(happening.effect))
        ),
        default=step.at,
    )


def _names(shown: _Shown) -> Iterator[str]:
    """What changed in what sounds, shows or is lit."""
    if isinstance(shown, PistonLampsChanged):
        return chain(shown.lit, shown.dark)
    return chain(shown.on, shown.off)


def _changed(before: Iterable[str], now: Iterable[str]) -> str:
    earlier, later = list(before), list(now)
    return _plus_and_minus(
        _listed(name for name in later if name not in earlier),
        _listed(name for name in earlier if name not in later),
    )


def _with_reasons(controls: Iterable[str], look: Look) -> str:
    """Controls with why they sound, those with the same reasons together."""
    together: dict[str, list[str]] = {}
    for control in controls:
        together.setdefault(_reasons(look.sounding[control]), []).append(control)
    return ", ".join(f"{_listed(names)} ({why})" for why, names in together.items())


def _reasons(reasons: Iterable[Reason]) -> str:
    """The hand, the pistons, the crescendo's stage."""
    words = {"hand": "by hand", "crescendo": "crescendo {}"}
    return " and ".join(words.get(reason.cause, "{}").format(reason.by) for reason in reasons)


def told(failure: Failure) -> Iterator[str]:
    """A failed expectation: what it was, after what, what was expected, what was found.

    Of long lists also what is missing and what is too many.
    """
    yield f"{failure.said.place}: {failure.said.text}"
    yield f"  after     {_whereabouts(failure.after)}"
    yield f"  expected  {_several(failure.said.text, failure.wanted)}"
    yield f"  found     {_several(failure.said.text, failure.found)}"
    for label, names in _differences(failure).items():
        yield f"  {label:<8}  {_several(failure.said.text, names)}"


def _differences(failure: Failure) -> dict[str, tuple[str, ...]]:
    """How two lists differ, where one is too long to be compared by eye.

    Refusals are left out: they are compared one by one, in their order.
    """
    wanted, found = failure.wanted, failure.found
    short = max(len(wanted), len(found)) <= GLANCE
    if short or not wanted or found in ((), NOT_SET) or failure.said.text.split()[1] == "refused":
        return {}
    differences = {
        "missing": tuple(name for name in wanted if name not in found),
        "too many": tuple(name for name in found if name not in wanted),
    }
    return {label: names for label, names in differences.items() if names}


def _whereabouts(said: Said) -> str:
    return f"{said.text} ({said.place})" if said.place else said.text


def _several(statement: str, words: tuple[str, ...]) -> str:
    """Words in a row; those of what was driven or refused are pairs."""
    pairs = statement.split()[1] in ("driven", "refused", "stored", "unkept")
    return (", " if pairs else " ").join(words) or "nothing"


# ---------------------------------------------------------------- for a program


def steps_as_data(run: Run) -> list[dict[str, Any]]:
    """One object for each step."""
    return [_step_as_data(step) for step in run.steps]


def _step_as_data(step: Step) -> dict[str, Any]:
    look = step.look or Look()
    return {
        "time": step.at,
        "line": step.said.order if step.said.place else None,
        "statement": step.said.text,
        "sounding": {
            control: [{"cause": reason.cause, "by": reason.by or None} for reason in reasons]
            for control, reasons in look.sounding.items()
        },
        "rail": list(look.rail),
        "lit": list(look.lit),
        "happened": list(_happened_as_data(step.happenings)),
        "bench": step.notes,
        "failed": [
            {
                "place": failure.said.place,
                "statement": failure.said.text,
                "expected": list(failure.wanted),
                "found": list(failure.found),
                **{label: list(names) for label, names in _differences(failure).items()},
            }
            for failure in step.failures
        ],
    }


def _happened_as_data(happenings: Iterable[Happening]) -> Iterator[dict[str, Any]]:
    for happening in happenings:
        account = _ACCOUNTS.get(type(happening.effect))
        if account is not None:
            yield {
                "time": happening.at,
                "what": account.word,
                **account.data(happening.effect),
            }
