"""A rehearsal that was run, as a person reads it and as a program does.

For a person each step says what changed, division by division and rank by rank; on a console of
many controls a list of all that sounds would hide it, and so would every stroke of a drum. A
program is told of each effect. Nothing here runs or prints.
"""

from collections.abc import Callable, Collection, Iterable, Iterator
from itertools import chain
from typing import Any

from attrs import frozen

from cli.naming import plural
from cli.rehearsal.bench import NOT_SET, Failure, Happening, Look, Run, Step
from cli.rehearsal.statements import (
    Said,
    place_name,
    plain_number,
    plain_runs,
    plain_semitones,
)
from combination.effects import (
    ContactBounces,
    ContactFreed,
    ContactStuck,
    CrescendoReached,
    Effect,
    KeptAfterAll,
    LevelChanged,
    OutputsOff,
    OutputsOn,
    PistonLampsChanged,
    RailChanged,
    Refused,
    SequencePlaced,
    ShadesMoved,
    SoundingChanged,
    StepReached,
    Stored,
    TabDidNotFollow,
    TabsDriven,
    TransposerTurned,
)
from combination.model import Console, Stroke
from combination.moment import Reason

SHORT = 30
"""Characters that are read at a glance."""
GLANCE = 3
"""Names in a list that is compared with another at a glance."""
NUMBERED = ("keys", "lines", "out", "pipes", "speaking")
"""What can be expected of keys, lines and pipes, which have numbers and no names."""
_Row = tuple[float, str, str, str]
"""When (seconds), where, what comes of it there, and how many sound there then."""
_Place = tuple[str, str]
"""Something that goes out: pipes of a rank, lines of a division, controls, or traps."""
_Thing = int | str
_Turns = dict[_Thing, list[tuple[float, bool]]]
"""When each thing was turned on and off, in order."""
_Shown = SoundingChanged | RailChanged | PistonLampsChanged
COLUMNS = ("time", "line", "what is done", "where", "what comes of it", "sounding")
FULL_COLUMNS = ("time", "line", "what is done", "where", "what there is", "sounding")


@frozen
class _Account:
    """How one kind of effect is told: under which word, in words, and as data.

    Without words a person is told by what there is at the end of the step.
    """

    word: str
    words: Callable[[Any], str] | None
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
    ContactBounces: _Account(
        "bounces",
        lambda e: f"{e.what}{'' if e.key is None else f' {e.key}'}, at pin {e.pin}",
        lambda e: {"what": e.what, "pin": e.pin} | ({} if e.key is None else {"key": e.key}),
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
    OutputsOff: _Account("off", None, lambda e: _turned(e)),
    OutputsOn: _Account("on", None, lambda e: _turned(e)),
    ShadesMoved: _Account("shades", None, lambda e: {"chamber": e.chamber, "position": e.position}),
    TransposerTurned: _Account("transposer", None, lambda e: {"semitones": e.semitones}),
}
"""What is told of effects, besides what changed in what sounds, shows and is lit."""


def _turned(effect: OutputsOff | OutputsOn) -> dict[str, Any]:
    return {
        "pipes": {rank: list(pipes) for rank, pipes in effect.pipes},
        "out": {division: list(lines) for division, lines in effect.lines},
        "controls": list(effect.controls),
    }


def _listed(names: Iterable[str]) -> str:
    return " ".join(names)


def _plus_and_minus(on: str, off: str, besides: str = "") -> str:
    """What came, what went, and what else there is to say."""
    return _joined(f"+ {on}" if on else "", f"- {off}" if off else "", besides)


def _joined(*parts: str) -> str:
    """Those that say anything: in one line where it is short."""
    said = [part for part in parts if part]
    short = sum(map(len, said)) <= SHORT
    return ("  " if short else "\n").join(said)


def _at_a_glance(things: Collection[_Thing]) -> str:
    """Names in a row; numbers, neighbours as a run, or of many how many they are."""
    numbers = [thing for thing in things if isinstance(thing, int)]
    if not numbers:
        return _listed(map(str, things))
    runs = plain_runs(numbers)
    if len(runs) <= SHORT:
        return runs
    return f"{len(numbers)} from {min(numbers)} to {max(numbers)}"


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
        self._traps = {trap.id for trap in console.traps}
        self._held = {("pipes", r.id) for r in console.ranks if r.stroke is Stroke.HELD}
        self._reiterating = {r.id for r in console.ranks if r.stroke is Stroke.REITERATE}
        self._places: list[tuple[_Place, str]] = [
            *((("pipes", rank.id), rank.name) for rank in console.ranks),
            *((("lines", division.id), f"{division.name} out") for division in console.divisions),
            (("controls", ""), "switched"),
            (("traps", ""), "traps"),
        ]
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
        changed = [
            *self._sounding(step, before, look),
            *self._rail_and_lamps(step, before, look),
            *self._outputs(step, before, look),
            *self._set(step, before, look),
        ]
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

    def _outputs(self, step: Step, before: Look, look: Look) -> Iterator[_Row]:
        """Ranks, what divisions send out, controls that are switched, and strokes of traps."""
        was, now, turns = self._on(before), self._on(look), self._turns(step)
        for place, name in self._places:
            if place not in was and place not in now and place not in turns:
                continue
            there = now.get(place, ())
            word = "note" if place in self._held or place[0] == "lines" else "stroke"
            output = _output(step, was.get(place, ()), there, turns.get(place, {}), word)
            count = "" if place[0] == "traps" else str(len(there))
            if self._full and (there or output.strokes):
                yield step.at, name, _joined(_at_a_glance(there), output.struck), count
            elif not self._full and (output.new or output.gone or output.strokes):
                new, gone = _at_a_glance(output.new), _at_a_glance(output.gone)
                yield output.at, name, _plus_and_minus(new, gone, output.struck), count

    def _on(self, look: Look) -> dict[_Place, Collection[_Thing]]:
        """What is on, place by place; where it is struck over and over, what is asked for."""
        pipes = {
            **look.speaking,
            **{rank: pipes for rank, pipes in look.pipes.items() if rank in self._reiterating},
        }
        return {
            **{("pipes", rank): on for rank, on in pipes.items()},
            **{("lines", division): lines for division, lines in look.lines.items()},
            ("controls", ""): look.switched,
        }

    def _turns(self, step: Step) -> dict[_Place, _Turns]:
        """When each thing at each place was turned on and off."""
        turns: dict[_Place, _Turns] = {}
        for happening in step.happenings:
            effect = happening.effect
            if isinstance(effect, OutputsOff | OutputsOn):
                turn = happening.at, isinstance(effect, OutputsOn)
                for place, things in self._things(effect):
                    for thing in things:
                        turns.setdefault(place, {}).setdefault(thing, []).append(turn)
        return turns

    def _things(self, effect: OutputsOff | OutputsOn) -> Iterator[tuple[_Place, Iterable[_Thing]]]:
        for rank, pipes in effect.pipes:
            yield ("pipes", rank), pipes
        for division, lines in effect.lines:
            yield ("lines", division), lines
        for control in effect.controls:
            yield ("traps" if control in self._traps else "controls", ""), (control,)

    def _set(self, step: Step, before: Look, look: Look) -> Iterator[_Row]:
        """Where shades and the transposer stand, if they have moved, or at all."""
        shades = {
            chamber: f"{chamber} {position}"
            for chamber, position in look.shades.items()
            if self._full or before.shades.get(chamber) != position
        }
        if self._full and shades:
            yield step.at, "shades", ", ".join(shades.values()), ""
        elif shades:
            moves = {
                h.effect.chamber: h.at for h in step.happenings if isinstance(h.effect, ShadesMoved)
            }
            yield from ((moves[chamber], "shades", what, "") for chamber, what in shades.items())
        if look.transposer != (0 if self._full else before.transposer):
            turns = [h.at for h in step.happenings if isinstance(h.effect, TransposerTurned)]
            at = step.at if self._full else max(turns, default=step.at)
            yield at, "transposer", plain_semitones(look.transposer), ""


@frozen
class _Output:
    """What a step made of something that goes out: what is new, what is gone, and how often
    anything came on, unless that is just what made it new: notes of what is held, strokes else.
    """

    new: list[_Thing]
    gone: list[_Thing]
    strokes: dict[_Thing, int]
    at: float
    word: str

    @property
    def struck(self) -> str:
        if not self.strokes:
            return ""
        things, counts = _at_a_glance(self.strokes), list(self.strokes.values())
        if len(counts) > 1 and len(set(counts)) == 1:
            return f"{plural(counts[0], self.word)} each of {things}"
        return f"{plural(sum(counts), self.word)} of {things}"


def _output(
    step: Step, was: Collection[_Thing], now: Collection[_Thing], turns: _Turns, word: str
) -> _Output:
    """Told at the time when the last was new or gone; strokes alone, from the first of them."""
    new = [thing for thing in now if thing not in was]
    gone = [thing for thing in was if thing not in now]
    came = {thing: {at for at, on in turned if on} for thing, turned in turns.items()}
    strokes = {t: len(times) for t, times in came.items() if len(times) > (t in new)}
    first = {thing: min(times) for thing, times in came.items() if times}
    settled = [
        *(first.get(thing, step.at) for thing in new),
        *(turns[thing][-1][0] if thing in turns else step.at for thing in gone),
    ]
    at = max(settled, default=min((first[thing] for thing in strokes), default=step.at))
    return _Output(new, gone, strokes, at, word)


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
        if account is not None and account.words is not None:
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
    """Words in a row; numbers as runs; those of what was driven or refused are pairs."""
    look = statement.split()[1]
    if look in NUMBERED and words:
        return plain_runs(map(int, words))
    pairs = look in ("driven", "refused", "stored", "unkept")
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
        "keys": {keyboard: list(keys) for keyboard, keys in look.keys.items()},
        "pipes": {rank: list(pipes) for rank, pipes in look.pipes.items()},
        "speaking": {rank: list(pipes) for rank, pipes in look.speaking.items()},
        "out": {division: list(lines) for division, lines in look.lines.items()},
        "switched": list(look.switched),
        "shades": look.shades,
        "transposer": look.transposer,
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
