"""How one moment of a console being played is shown: as a view, as lines, as JSON.

The view is for a terminal of any size, with colour or without: what is so is said by marks and
words, never by colour alone. The lines are for a log that a person reads, the JSON for other
programs. Nothing here prints, asks a clock, or knows where the moments come from.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from datetime import datetime
from itertools import zip_longest
from operator import add
from typing import Any, NamedTuple

from attrs import asdict, evolve, frozen
from rich.cells import cell_len, set_cell_size
from rich.console import RenderableType
from rich.text import Text

from cli.bank.words import printable
from cli.naming import plural
from cli.play.seen import Fault, Latency, PistonSeen, PortSeen, Seen, Told

BOTH, UNSEEN, SILENT, NEITHER = "*", "+", "-", " "
"""Marks before a control: on and sounds, sounds but not on, on but silent, off."""
_STYLES = {BOTH: "", UNSEEN: "bold cyan", SILENT: "bold yellow", NEITHER: "dim"}
_MEANING = {BOTH: "on and sounds", UNSEEN: "sounds, not on", SILENT: "on, silent"}
_TABS = {BOTH: "on", UNSEEN: "off, but sounds", SILENT: "on, but silent", NEITHER: "off"}

GAP = 2
"""Columns between two things in a row."""
RASTER = 20
"""On the whole rail every label begins at a multiple of so many columns."""
DOTS = ".."
"""At the end of what is cut: a terminal of any encoding has them."""
FOOT = 9
"""Columns of the words at the left of the foot."""
LEAST = 3
"""Lines: where the controls would have fewer, the foot gives way; faults may have as many."""


@frozen
class _Control:
    """A control as it shows and sounds, with the name of its division and the reasons."""

    id: str
    division: str
    label: str
    on: bool
    sounds: bool
    why: tuple[str, ...]

    @property
    def mark(self) -> str:
        if self.sounds:
            return BOTH if self.on else UNSEEN
        return SILENT if self.on else NEITHER

    @property
    def name(self) -> str:
        """The label, after the division: ``Great: Tuba 8'``."""
        return f"{self.division}: {self.label}" if self.division else self.label

    @property
    def reasons(self) -> str:
        return " and ".join(self.why)


def _controls(seen: Seen) -> list[_Control]:
    """The whole rail."""
    controls = []
    for division in seen.divisions:
        why = {speaking.id: speaking.why for speaking in division.sounding}
        controls += [
            _Control(tab.id, division.name, tab.label, tab.on, tab.sounds, why.get(tab.id, ()))
            for tab in division.rail
        ]
    return controls


# ---------------------------------------------------------------- words


def _standing(seen: Seen) -> tuple[str, str, str, str]:
    """Level, step, crescendo and transposer; empty what there is none of."""
    closed_or_stage = f"{seen.stage} of {seen.stages}" if seen.stage else "closed"
    return (
        f"level {seen.level} {seen.level_name}".rstrip(),
        f"step {seen.step}" if seen.step else "no step",
        f"crescendo {closed_or_stage}" if seen.stages else "",
        f"transposer {seen.transposer:+d}" if seen.transposer else "transposer 0",
    )


def _pipes(seen: Seen) -> str:
    return f"{plural(seen.pipes, 'pipe')} {'speaks' if seen.pipes == 1 else 'speak'}"


def _unkept(count: int) -> str:
    """Sets that are lost at switch-off, unless the store works again before."""
    if count == 1:
        return (
            "1 set is not written yet: it works until switch-off, "
            "and is written when the store works again"
        )
    return (
        f"{count} sets are not written yet: they work until switch-off, "
        "and are written when the store works again"
    )


def _piston(piston: PistonSeen) -> str:
    return f"{piston.face} ({piston.id})" if piston.face else piston.id


def _port(port: PortSeen) -> str:
    """Its name, and where it leads."""
    return f'"{port.name}" ({port.where})' if port.where else f'"{port.name}"'


def _latency(latency: Latency) -> list[str]:
    """In milliseconds; nothing where nothing was measured."""
    if not latency.count:
        return []
    parts = {"median": latency.median, "99 of 100 below": latency.late, "worst": latency.worst}
    return [f"{name} {1000 * seconds:.2f} ms" for name, seconds in parts.items()]


def _since(fault: Fault) -> str:
    """Day and time by the clock of the place."""
    local = fault.since.astimezone()
    return f"{local.day} {local:%b %H:%M}"


# ---------------------------------------------------------------- rows of text


class _Bit(NamedTuple):
    """Some words in one style, that stay together."""

    words: str
    style: str

    @property
    def width(self) -> int:
        return cell_len(self.words)


_Row = list[tuple[int, _Bit]]
"""Bits, and the columns where they begin. Made into text when it is known which rows fit."""


def _bit(words: str, style: str = "") -> _Bit:
    """Words that may be a stranger's, without anything that a terminal obeys."""
    return _Bit(printable(words), style)


def _cut(bit: _Bit, width: int) -> _Bit:
    """What there is room for, and dots where something is missing."""
    if bit.width <= width:
        return bit
    return _Bit(set_cell_size(bit.words, max(width - len(DOTS), 0)) + DOTS, bit.style)


def _sentence(words: str, width: int, style: str) -> list[_Row]:
    """Words in as many lines as they need."""
    return _flow((_bit(word, style) for word in words.split()), width, gap=1)


def _flow(
    parts: Iterable[_Bit],
    width: int,
    *,
    gap: int = GAP,
    indent: int = 0,
    raster: int = 1,
    most: int | None = None,
) -> list[_Row]:
    """Bits one after the other, in lines of a width; all but the first line are indented.

    What is wider than a line is cut. If there would be more lines than ``most``, the last one
    ends with how many bits are missing.
    """
    rows: list[_Row] = []
    end = 0
    for part in parts:
        short = _cut(part, width - indent)
        begin = -(-(end + gap) // raster) * raster
        if not rows or begin + short.width > width:
            begin = indent if rows else 0
            rows.append([])
        rows[-1].append((begin, short))
        end = begin + short.width
    if most is not None and len(rows) > most:
        rows = _only(rows, width, gap, most)
    return rows


def _only(rows: list[_Row], width: int, gap: int, most: int) -> list[_Row]:
    """So many lines; at the end of the last, how many bits are missing."""
    kept = [list(row) for row in rows[:most]]
    missing = sum(map(len, rows[most:]))
    while True:
        begin, last = kept[-1][-1]
        more = _bit(f"and {missing} more")
        begin += last.width + gap
        if begin + more.width <= width or len(kept[-1]) == 1:
            kept[-1].append((begin, more))
            return kept
        kept[-1].pop()
        missing += 1


def _line(row: _Row, width: int) -> Text:
    """A row as text without markup, never wider than a line."""
    line = Text()
    end = 0
    for begin, bit in row:
        line.append(" " * (begin - end))
        line.append(bit.words, bit.style)
        end = begin + bit.width
    line.truncate(width, overflow="crop")
    return line


# ---------------------------------------------------------------- the view


def view(seen: Seen, width: int, height: int) -> RenderableType:
    """One moment on a terminal of so many columns and lines: exactly as many lines as it has.

    Level and faults stand at the top and show always. Then comes the whole rail, with marks, and
    what sounds and why; if that does not fit, only what is on or sounds, with why; then without
    why; then as much of each division as there is room for, first what is on but silent. Above
    it stands what is not shown, and how many more lines would show it.
    """
    divisions = _divisions(seen)
    whole = _whole(divisions, width)
    top, foot = _around(seen, width, height)
    room = height - len(top) - len(foot)
    if len(whole) <= room:
        rows = [*top, *whole]
    else:
        hidden, organ = _shortened(divisions, width, room)
        missing = plural(_needed(seen, width, len(whole)) - height, "more line")
        words = f"{hidden} {missing}"
        rows = [*top[:-1], *_flow([_bit(words, "dim")], width), *organ]
    blank: list[_Row] = [[]] * (height - len(rows) - len(foot))
    return Text("\n").join(_line(row, width) for row in [*rows, *blank, *foot][:height])


def _around(seen: Seen, width: int, height: int) -> tuple[list[_Row], list[_Row]]:
    """What stands above the controls and below them, each with an empty line between."""
    top = [*_heading(seen, width), *_alarms(seen, width, max(LEAST, height // 4)), []]
    foot = [[], *_foot(seen, width)]
    return top, foot if height - len(top) - len(foot) >= LEAST else []


def _needed(seen: Seen, width: int, organ: int) -> int:
    """The lines of a terminal on which so many of the controls fit; on more lines, more faults."""
    height = organ
    while height < (needed := organ + sum(map(len, _around(seen, width, height)))):
        height = needed
    return height


def _heading(seen: Seen, width: int) -> Iterator[_Row]:
    """Which console and whose, and how it stands."""
    player = [_bit(f"player {seen.player}")] if seen.player else []
    yield from _flow([_bit(seen.console, "bold"), *player], width)
    level, *others = (part for part in (*_standing(seen), _pipes(seen)) if part)
    yield from _flow([_bit(level, "bold"), *map(_bit, others)], width)


def _alarms(seen: Seen, width: int, most: int) -> Iterator[_Row]:
    """Faults, in so many lines at most; ports that are shut; sets that are not kept."""
    yield from _faults(seen, width, most)
    shut = [_bit(_port(port)) for port in seen.ports if not port.open]
    if shut:
        yield from _flow([_bit("not open:", "bold red"), *shut], width, indent=GAP, most=2)
    if seen.unkept:
        yield from _sentence(_unkept(seen.unkept), width, "bold yellow")


def _faults(seen: Seen, width: int, most: int) -> list[_Row]:
    """What does not work, newest first, and how much more there is than fits."""
    faults = [fault for fault in seen.faults if fault.over is None]
    faults.sort(key=lambda fault: fault.since, reverse=True)
    rows: list[_Row] = []
    for place, fault in enumerate(faults):
        told = _sentence(f"fault since {_since(fault)}: {fault.what}", width, "bold red")
        left = len(faults) - place
        if rows and len(rows) + len(told) + (left > 1) > most:
            return [*rows, [(0, _bit(f"and {plural(left, 'fault')} more", "bold red"))]]
        rows += told
    return rows


def _foot(seen: Seen, width: int) -> Iterator[_Row]:
    """Lit pistons, what was told last, latency, what the marks mean and how many there are."""
    marks = Counter(control.mark for control in _controls(seen))
    notes = {
        "lit": [_bit(_piston(piston), "bold") for piston in seen.pistons if piston.lit],
        "told": [_bit(seen.told[-1].words)] if seen.told else [],
        "latency": list(map(_bit, _latency(seen.latency))),
        "marks": [
            _bit(f"{mark} {meaning}: {marks[mark]}", _STYLES[mark] if marks[mark] else "dim")
            for mark, meaning in _MEANING.items()
        ],
    }
    for word, parts in notes.items():
        head = _bit(word.ljust(FOOT - GAP), "dim")
        yield from _flow([head, *(parts or [_bit("none", "dim")])], width, indent=FOOT, most=2)


# ---------------------------------------------------------------- the view of the controls


_Divisions = list[tuple[str, list[_Control]]]


def _divisions(seen: Seen) -> _Divisions:
    """Every division that has controls; those of none come under words that say so."""
    controls = iter(_controls(seen))
    parts = [(d.name or "no division", [next(controls) for _ in d.rail]) for d in seen.divisions]
    return [(name, part) for name, part in parts if part]


def _columns(divisions: _Divisions, width: int) -> tuple[int, int]:
    """How wide the names of divisions are, and what stands beside them."""
    left = min(max((cell_len(name) for name, _ in divisions), default=0), width // 6)
    return left, max(width - left - GAP, 1)


def _formed(
    divisions: _Divisions, width: int, form: Callable[[list[_Control], int], list[_Row]]
) -> list[_Row]:
    """Every division in a form, with its name."""
    left, right = _columns(divisions, width)
    return [row for name, part in divisions for row in _beside(name, left, form(part, right))]


def _sounding(divisions: _Divisions, width: int) -> list[_Row]:
    rows = _formed(divisions, width, _with_reasons)
    return rows or [[(0, _bit("nothing is on or sounds", "dim"))]]


def _whole(divisions: _Divisions, width: int) -> list[_Row]:
    """The rail, and what sounds and why."""
    return [*_formed(divisions, width, _rail), [], *_sounding(divisions, width)]


def _shortened(divisions: _Divisions, width: int, room: int) -> tuple[str, list[_Row]]:
    """What that leaves out, in words; and what sounds, in the fullest form that has room."""
    sounding = _sounding(divisions, width)
    if len(sounding) <= room:
        return "rail not shown: needs", sounding
    left, right = _columns(divisions, width)
    wanted = [len(_marked(part, right)) for _, part in divisions]
    lines = _shared_out(wanted, room)
    left_out: list[_Row] = []
    if lines.count(0) > wanted.count(0):
        lines = _shared_out(wanted, room - 1)
        missing = plural(lines.count(0) - wanted.count(0), "division")
        left_out = [[(0, _bit(f"and {missing} more"))]]
    return "rail and reasons not shown: need", [
        *(
            row
            for (name, part), most in zip(divisions, lines, strict=True)
            if most
            for row in _beside(name, left, _marked(part, right, most))
        ),
        *left_out,
    ]


def _shared_out(wanted: list[int], room: int) -> list[int]:
    """So many lines, given to those that want some, one each in turn."""
    given = [0] * len(wanted)
    for _ in range(room):
        short = [place for place, most in enumerate(wanted) if given[place] < most]
        if short:
            given[min(short, key=given.__getitem__)] += 1
    return given


def _rail(part: list[_Control], width: int) -> list[_Row]:
    """Every control, always at the same place."""
    return _flow(map(_label, part), width, raster=RASTER)


def _with_reasons(part: list[_Control], width: int) -> list[_Row]:
    """What sounds, those with the same reasons together; what is on but silent."""
    groups: dict[tuple[bool, str], list[_Bit]] = {}
    for control in part:
        if control.mark != NEITHER:
            why = control.reasons if control.sounds else _MEANING[SILENT]
            groups.setdefault((not control.sounds, why), []).append(_label(control))
    return [
        row
        for (_, why), labels in sorted(groups.items(), key=lambda group: group[0])
        for row in _flow([_bit(f"{why}:"), *labels], width, indent=GAP)
    ]


def _marked(part: list[_Control], width: int, most: int | None = None) -> list[_Row]:
    """What is on or sounds; first what is silent, which must not be cut off."""
    some = sorted((c for c in part if c.mark != NEITHER), key=lambda c: c.mark != SILENT)
    return _flow(map(_label, some), width, most=most)


def _label(control: _Control) -> _Bit:
    return _bit(f"{control.mark} {control.label}", _STYLES[control.mark])


def _beside(name: str, left: int, rows: list[_Row]) -> list[_Row]:
    """A division's rows, its name at their left on no more lines than they have."""
    names = _sentence(name, left, "bold") if rows else []
    if len(names) > len(rows):
        rest = " ".join(bit.words for row in names[len(rows) - 1 :] for _, bit in row)
        names = [*names[: len(rows) - 1], [(0, _cut(_bit(rest, "bold"), left))]]
    moved = [[(begin + left + GAP, bit) for begin, bit in row] for row in rows]
    return [*map(add, names, moved), *moved[len(names) :]]


# ---------------------------------------------------------------- lines for a log


def changes(before: Seen | None, now: Seen) -> list[str]:
    """What has changed since, a line each; first, with nothing before, all there is.

    A tab is told of where it moved without the sound following it; reasons that change while a
    control sounds on, once for each division. Pipes come and go with every key: how many speak is
    told at first, when the first begins and the last ends, and when what sounds has changed. A
    port that is not open is told of by its fault. Both moments are of one console.
    """
    told = [
        *_general_changes(before, now),
        *(told.words for told in _newly_told(before, now)),
        *_control_changes(before, now),
        *_pipe_changes(before, now),
        *_piston_changes(before, now),
        *_port_changes(before, now),
        *_fault_changes(before, now),
    ]
    return list(map(printable, told))


def _general_changes(before: Seen | None, now: Seen) -> Iterator[str]:
    """Player, level, step, crescendo, transposer; sets that are not kept."""
    had = _general(before) if before else ()
    for text, earlier in zip_longest(_general(now), had):
        if text and text != earlier:
            yield text
    unkept = before.unkept if before else 0
    if now.unkept != unkept:
        yield _unkept(now.unkept) if now.unkept else "every set is written"


def _general(seen: Seen) -> tuple[str, ...]:
    player = f"player {seen.player}" if seen.player else "no player"
    return f"console {seen.console}", player, *_standing(seen)


def _newly_told(before: Seen | None, now: Seen) -> list[Told]:
    last = before.told[-1].number if before and before.told else 0
    return [told for told in now.told if told.number > last]


def _control_changes(before: Seen | None, now: Seen) -> Iterator[str]:
    """What sounds and is silent; then tabs that moved and changed nothing; then new reasons."""
    controls = _controls(now)
    if before is None:
        had = [evolve(control, on=False, sounds=False, why=()) for control in controls]
    else:
        had = _controls(before)
    quiet: list[str] = []
    still: dict[tuple[str, str], list[_Control]] = {}
    for was, control in zip(had, controls, strict=True):
        why = f" ({control.reasons})" if control.why else ""
        if control.sounds != was.sounds:
            yield f"{control.name} sounds{why}" if control.sounds else f"{control.name} is silent"
        elif control.why != was.why:
            still.setdefault((control.division, why), []).append(control)
        if control.on != was.on and (control.sounds == was.sounds or control.on != control.sounds):
            quiet.append(f"{control.name} is {_TABS[control.mark]}")
    yield from quiet
    for (division, why), some in still.items():
        if len(some) == 1:
            yield f"{some[0].name} still sounds{why}"
        else:
            where = f"{division}: " if division else ""
            yield f"{where}{len(some)} controls still sound{why}"


def _pipe_changes(before: Seen | None, now: Seen) -> Iterator[str]:
    """How many pipes speak, where that is not only another key."""
    if (
        before is None
        or bool(now.pipes) != bool(before.pipes)
        or (now.pipes != before.pipes and _drawn(now) != _drawn(before))
    ):
        yield _pipes(now)


def _drawn(seen: Seen) -> list[str]:
    return [control.id for control in _controls(seen) if control.sounds]


def _piston_changes(before: Seen | None, now: Seen) -> Iterator[str]:
    lit = {piston.id for piston in before.pistons if piston.lit} if before else set()
    for piston in now.pistons:
        if piston.lit != (piston.id in lit):
            yield f"piston {_piston(piston)} {'lit' if piston.lit else 'dark'}"


def _port_changes(before: Seen | None, now: Seen) -> Iterator[str]:
    """Ports that are open now; of one that was told as a fault, that being over says it."""
    had = before.ports if before else ()
    amiss = [fault.what for fault in before.faults if not fault.over] if before else []
    for port in now.ports:
        told = any(what.startswith(f'port "{port.name}": ') for what in amiss)
        if port.open and port not in had and not told:
            yield f"port {_port(port)} is open"


def _fault_changes(before: Seen | None, now: Seen) -> Iterator[str]:
    """Faults that are new and faults that are over, also those that are no longer listed."""
    had = {_key(fault): fault for fault in before.faults} if before else {}
    have = {_key(fault): fault for fault in now.faults}
    for key, fault in have.items():
        if key not in had and not (before is None and fault.over):
            yield f"fault: {fault.what}"
    for key, fault in {**had, **have}.items():
        was_over = before is None or (key in had and had[key].over is not None)
        if not was_over and (key not in have or fault.over):
            yield f"over: {fault.what}"


def _key(fault: Fault) -> tuple[str, datetime]:
    return fault.what, fault.since


# ---------------------------------------------------------------- JSON for other programs


def as_json(before: Seen | None, now: Seen) -> dict[str, Any] | None:
    """What has changed since, for a program; None if nothing has. First, all there is.

    Every key stands only if its part changed, but ``latency``, which is put in whenever there is
    anything else, and is no change by itself::

        console, player   names
        level             {"number": 2, "name": "Advent"}
        step              the sequence's step and its note, or ""
        crescendo         {"stage": 3, "stages": 60}: stage 0 is closed, stages 0 is none
        transposer        semitones up
        pipes             how many speak
        unkept            how many sets work until switch-off and are not written yet
        told              what was said since
        controls          [{"id": "gt-tuba-8", "label": "Tuba 8'", "division": "Great",
                            "on": false, "sounds": true, "why": ["piston g1"]}]
        pistons           [{"id": "g1", "label": "1", "lit": true}]
        ports             [{"name": "pipes", "where": "tcp 127.0.0.1:5004", "open": true}]
        faults            [{"what": "...", "since": "2026-11-01T10:30:00+00:00", "over": null}]
        latency           {"count": 1000, "median": 0.0002, "late": 0.0009, "worst": 0.0031}

    Of controls, pistons and ports there are those that changed. Controls and pistons are known by
    ``id``, as in the console file, ports by ``name``; at first all are there, controls in the
    order of the rail. Faults are always all that are still listed. Times are ISO 8601, latency is
    in seconds. ``division`` is "" for none.
    """
    parts, had = _parts(now), _parts(before) if before else {}
    changed = {name: part for name, part in parts.items() if part != had.get(name)}
    if told := _newly_told(before, now):
        changed["told"] = [each.words for each in told]
    for name in changed.keys() & had.keys() & {"controls", "pistons", "ports"}:
        changed[name] = [member for member in parts[name] if member not in had[name]]
    return {**changed, "latency": asdict(now.latency)} if changed else None


def _parts(seen: Seen) -> dict[str, Any]:
    """Everything but latency."""
    return {
        "console": seen.console,
        "player": seen.player,
        "level": {"number": seen.level, "name": seen.level_name},
        "step": seen.step,
        "crescendo": {"stage": seen.stage, "stages": seen.stages},
        "transposer": seen.transposer,
        "pipes": seen.pipes,
        "unkept": seen.unkept,
        "controls": [
            {
                "id": control.id,
                "label": control.label,
                "division": control.division,
                "on": control.on,
                "sounds": control.sounds,
                "why": list(control.why),
            }
            for control in _controls(seen)
        ],
        "pistons": [{"id": p.id, "label": p.face, "lit": p.lit} for p in seen.pistons],
        "ports": [asdict(port) for port in seen.ports],
        "faults": [
            {
                "what": fault.what,
                "since": fault.since.isoformat(),
                "over": fault.over.isoformat() if fault.over else None,
            }
            for fault in seen.faults
        ],
    }
