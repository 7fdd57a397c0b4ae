"""What a technician would want to know about a console before a wire is cut.

Takes a console whose tables have the right form and says what in it contradicts itself, cannot
be built, or will disappoint. It knows the rules of form; how the instrument behaves is for
`combination.action` and the relay.
"""

import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from fractions import Fraction
from math import inf
from typing import Any

from attrs import define, evolve, field, frozen

from combination.compass import (
    drawn_over,
    is_transposed,
    keys_of,
    lines_of,
    playable,
    playable_by,
)
from combination.findings import Finding, Severity, nearest, quoted
from combination.model import (
    HIGHEST_TRANSPOSED,
    LOW_C,
    MOST_CONTROLS,
    MOST_LINES,
    MOST_PISTONS,
    Action,
    Again,
    Board,
    Cancel,
    Console,
    Contact,
    Control,
    Coupler,
    Division,
    Draw,
    Effect,
    Kind,
    Percussion,
    PinMessages,
    Piston,
    Rank,
    Selection,
    Shows,
    StateOut,
    Stop,
    Stores,
    Stroke,
    Trap,
    Tremulant,
    WhileGoverned,
)
from combination.pipes import draws_of, first_note, reach_of, reached_by
from combination.pitch import format_pitch
from combination.ports import parse_address, ports_of
from combination.ranges import Ranges

MOST_LEVELS = 9999
"""Levels of a console: four figures on its display."""
MOST_PIPES = 1000
FASTEST_RATE = 50
"""Strokes a second of a rank that reiterates: ours, faster than any beater."""
LONGEST_PIZZICATO = 10
"""Seconds that a pizzicato coupler holds a key: ours, far longer than any pluck."""
LONGEST_SAFE_PULSE = 1.0
"""Seconds. Magnets of tabs and beaters are made for pulses of tenths of one (common practice)."""
SPEEDS = (300, 4_000_000)
"""Bits a second of a serial device: at 300 a note takes a tenth of a second; Linux's termios names
no more than 4,000,000."""
LAST_PROGRAM = 128
"""General MIDI: programs counted from 1."""
DRUMS = range(27, 88)
"""General MIDI 2: the notes of its percussion map."""
COARSE_CONTROLLERS = 32
"""MIDI 1.0: controllers 0-31 have a fine partner 32 above."""

_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]*\Z")
_PIN = re.compile(r"([A-Za-z0-9][A-Za-z0-9_-]*)\.([1-9][0-9]{0,3})\Z")


@frozen
class _Keys:
    """Which keys a kind of piston must have and which it may have."""

    needs: tuple[str, ...] = ()
    may_have: tuple[str, ...] = ()


_SPECIAL = ("division", "control", "affects", "additive", "settable", "sounds", "silences")
_KIND_KEYS = {
    Kind.GENERAL: _Keys(may_have=("affects", "additive", "settable")),
    Kind.DIVISIONAL: _Keys(needs=("division",), may_have=("affects", "additive", "settable")),
    Kind.REVERSIBLE: _Keys(needs=("control",)),
    Kind.FULL_ORGAN: _Keys(needs=("sounds",), may_have=("silences", "settable")),
    Kind.MOMENTARY: _Keys(needs=("control",)),
    Kind.GENERAL_CANCEL: _Keys(),
    Kind.DIVISIONAL_CANCEL: _Keys(needs=("division",)),
    Kind.HAND_REGISTRATION: _Keys(),
    Kind.SET: _Keys(),
    Kind.CRESCENDO_SET: _Keys(may_have=("settable",)),
    Kind.LEVEL_UP: _Keys(may_have=("by",)),
    Kind.LEVEL_DOWN: _Keys(may_have=("by",)),
    Kind.LEVEL: _Keys(needs=("level",)),
    Kind.NEXT: _Keys(),
    Kind.PREVIOUS: _Keys(),
}
_KIND_ONLY = (*_SPECIAL, "by", "level")
_CONNECTIONS = ("midi", "connect", "listen", "serial", "device")
_ADDRESSES = ("connect", "listen")
_COUNTED = frozenset({"lowest", "keys", "lines", "first-key", "pipes"})


@frozen
class _Place:
    """One table of the file: its kind, its place among its kind, and its id."""

    table: str
    index: int | None = None
    id: str | None = None


@define
class _Wire:
    """What a pin is used for, so that a second use can name the first."""

    place: _Place
    key: str


@frozen
class _Notes:
    """Some numbers of one kind of message on one port and channel."""

    port: str
    channel: int
    message: str
    first: int
    last: int

    def shares(self, other: "_Notes") -> bool:
        same = (self.port, self.channel, self.message) == (
            other.port,
            other.channel,
            other.message,
        )
        return same and self.first <= other.last and other.first <= self.last


@frozen
class Doubt:
    """What is not known of a console, since its file had the wrong form there.

    ``left_out`` are ids of tables that are not there: naming them is no further fault. ``mended``
    are tables, by kind and place, from which a key was left out; ``of_the_file`` is whether one
    of the file's own keys, or of its single tables, was.
    """

    left_out: frozenset[str] = frozenset()
    mended: frozenset[tuple[str, int | None]] = frozenset()
    of_the_file: bool = False


def check(console: Console, doubt: Doubt = Doubt()) -> list[Finding]:
    """Everything there is to say about a console.

    What follows only from another fault is not said: a division is not called empty while a
    stop names a division that does not exist, nor a coupler without keys while it has a key
    that nobody knows.
    """
    checker = _Checker(console, doubt)
    for look in (
        checker.numbers,
        checker.pitches,
        checker.names,
        checker.references,
        checker.boards,
        checker.wires,
        checker.outputs,
        checker.connections,
    ):
        look()
    checker.concluding = True
    checker.rates()
    checker.joins()
    certain = doubt == Doubt() and not checker.failed
    if certain:
        checker.idle()
    checker.belonging()
    checker.pistons()
    if not doubt.of_the_file:
        checker.action()
    checker.draws()
    if certain and not checker.failed:
        checker.lists()
        checker.played()
        checker.heard()
        checker.twins()
        checker.transposer()
        checker.strokes()
    return checker.findings


@define
class _Checker:
    console: Console
    doubt: Doubt
    findings: list[Finding] = field(factory=list)
    concluding: bool = False
    """Whether what is looked at now follows from several keys of a table together."""
    driven: dict[tuple[str, int], _Wire] = field(factory=dict)
    """By board and number, what the file puts on a pin that goes out."""
    beyond: set[tuple[str, int | None]] = field(factory=set)
    """Tables whose notes or pipes cannot be counted, by kind and place: there may be millions."""

    @property
    def failed(self) -> bool:
        return any(finding.severity is Severity.ERROR for finding in self.findings)

    # ---------------------------------------------------------------- saying it

    def error(self, place: _Place, key: str, message: str) -> None:
        self._say(Severity.ERROR, place, key, message)

    def warn(self, place: _Place, key: str, message: str) -> None:
        self._say(Severity.WARNING, place, key, message)

    def _say(self, severity: Severity, place: _Place, key: str, message: str) -> None:
        warning = severity is Severity.WARNING
        mended = (place.table, place.index) in self.doubt.mended
        if (mended and (warning or self.concluding)) or (warning and self.doubt.of_the_file):
            return
        self.findings.append(Finding(severity, place.table, key, message, place.index, place.id))

    # ---------------------------------------------------------------- walking the console

    def each(self, table: str, things: Iterable[Any]) -> Iterator[tuple[_Place, Any]]:
        """The tables of one kind, each with its place."""
        for index, thing in enumerate(things):
            yield _Place(table, index, getattr(thing, "id", None)), thing

    def each_control(self) -> Iterator[tuple[_Place, Control]]:
        console = self.console
        for table, controls in (
            ("stop", console.stops),
            ("coupler", console.couplers),
            ("tremulant", console.tremulants),
            ("percussion", console.percussions),
            ("trap", console.traps),
            ("effect", console.effects),
        ):
            yield from self.each(table, controls)

    def each_contact(self) -> Iterator[tuple[_Place, str, Contact]]:
        """Every contact but those of keyboards, with the key that names it."""
        for place, control in self.each_control():
            for key, contact in (
                ("contact", control.contact),
                ("contact-on", control.contact_on),
                ("contact-off", control.contact_off),
            ):
                if contact is not None:
                    yield place, key, contact
        for place, piston in self.each("piston", self.console.pistons):
            for contact in piston.contact:
                yield place, "contact", contact
            if piston.second_touch is not None:
                for contact in piston.second_touch.contact:
                    yield place, "second-touch, contact", contact
        if self.console.setting.lock is not None:
            yield _Place("set"), "lock", self.console.setting.lock
        transposer = self.console.transposer
        for key, pushed in (
            ("up", transposer.up),
            ("down", transposer.down),
            ("zero", transposer.zero),
        ):
            if pushed is not None:
                yield _Place("transposer"), key, pushed

    # ---------------------------------------------------------------- numbers

    def numbers(self) -> None:
        """Numbers within their ranges."""
        console = self.console
        file, drive, timing = _Place(""), _Place("drive"), _Place("timing")
        crescendo = console.crescendo
        self.between(file, "levels", console.levels, 1, MOST_LEVELS)
        self.more_than_none(_Place("set"), "latch-time", console.setting.latch_time)
        self.more_than_none(drive, "pulse", console.drive.pulse)
        self.more_than_none(drive, "follow", console.drive.follow)
        self.more_than_none(timing, "stuck", console.timing.stuck)
        self.at_least(drive, "group", console.drive.group, 1)
        self.at_least(drive, "gap", console.drive.gap, 0)
        self.at_least(timing, "key-bounce", console.timing.key_bounce, 0)
        self.at_least(timing, "bounce", console.timing.bounce, 0)
        self.pedal(_Place("crescendo"), crescendo.heel, crescendo.toe)
        self.between(_Place("crescendo"), "hysteresis", crescendo.hysteresis, 0, 127)
        if len(crescendo.stages) > 127:
            self.error(_Place("crescendo"), "stage", "a pedal cannot tell more than 127 stages")
        for place, keyboard in self.each("keyboard", console.keyboards):
            self.compass(place, keyboard.lowest, "keys", keyboard.keys)
        for place, division in self.each("division", console.divisions):
            usual = console.lines_of(evolve(division, lowest=None, lines=None))
            self.compass(place, division.lowest, "lines", division.lines, usual)
        for place, rank in self.each("rank", console.ranks):
            self.between(place, "pipes", rank.pipes, 1, MOST_PIPES)
            self.between(place, "first-key", rank.first_key, 0, 127)
            self.between(place, "velocity", rank.velocity, 1, 127)
            self.more_than_none(place, "longest-on", rank.longest_on)
            self.more_than_none(place, "rate", rank.rate, FASTEST_RATE)
            self.between(place, "program", rank.program, 1, LAST_PROGRAM)
        for place, thing in (*self.each_control(), *self.each("division", console.divisions)):
            if thing.out is not None:
                self.more_than_none(place, "out, longest-on", thing.out.longest_on)
        for place, trap in self.each("trap", console.traps):
            self.between(place, "drum", trap.drum, DRUMS[0], DRUMS[-1])
        for place, coupler in self.each("coupler", console.couplers):
            self.between(place, "shift", coupler.shift, -60, 60)
            self.more_than_none(place, "pizzicato-time", coupler.pizzicato_time, LONGEST_PIZZICATO)
        for place, piston in self.each("piston", console.pistons):
            self.between(place, "by", piston.by, 1, MOST_LEVELS)
            self.between(place, "level", piston.level, 1, MOST_LEVELS)
        for place, shoe in self.each("shoe", console.shoes):
            self.pedal(place, shoe.heel, shoe.toe)
        for place, chamber in self.each("chamber", console.chambers):
            self.between(place, "stages", chamber.stages, 1, 127)
            if len(chamber.curve) == 1:
                self.error(place, "curve", "a curve has at least its two ends")
            for value in chamber.curve:
                self.between(place, "curve", value, 0, 127)
        for place, board in self.each("board", console.boards):
            self.between(place, "pins", board.pins, 1, 9999)
        for place, port in self.each("port", console.ports):
            self.between(place, "baud", port.baud, *SPEEDS)
        self.beyond = {(f.table, f.index) for f in self.findings if f.key in _COUNTED}

    def countable(self, table: str, things: Iterable[Any]) -> Iterator[tuple[_Place, Any]]:
        """The tables of one kind whose notes or pipes can be counted, each with its place."""
        for place, thing in self.each(table, things):
            if (place.table, place.index) not in self.beyond:
                yield place, thing

    def between(
        self, place: _Place, key: str, value: float | None, lowest: float, highest: float
    ) -> None:
        if value is not None and not lowest <= value <= highest:
            self.error(place, key, f"is {value}; expected {lowest} to {highest}")

    def at_least(self, place: _Place, key: str, value: float | None, lowest: float) -> None:
        if value is not None and value < lowest:
            self.error(place, key, f"is {value}; expected {lowest} or more")

    def more_than_none(
        self, place: _Place, key: str, value: float | None, most: float = inf
    ) -> None:
        if value is not None and not 0 < value <= most:
            at_most = "" if most == inf else f", at most {most}"
            self.error(place, key, f"is {value}; expected more than 0{at_most}")

    def compass(
        self,
        place: _Place,
        lowest: int | None,
        key: str,
        count: int | None,
        usual: tuple[int, int] = (LOW_C, 1),
    ) -> None:
        """A lowest and how many there are; ``usual`` is what is not given. Neither: no fault."""
        self.between(place, "lowest", lowest, 0, 127)
        self.between(place, key, count, 1, 128)
        first, number = usual[0] if lowest is None else lowest, usual[1] if count is None else count
        highest = first + number - 1
        if highest > 127 and (lowest, count) != (None, None):
            given = "lowest" if count is None else key
            self.error(place, given, f"its highest would be note {highest}; MIDI ends at 127")

    def pedal(self, place: _Place, heel: int, toe: int) -> None:
        self.between(place, "heel", heel, 0, 127)
        self.between(place, "toe", toe, 0, 127)
        if heel == toe:
            self.error(place, "toe", "heel and toe have the same reading")

    def pitches(self) -> None:
        """Pitches of octaves and of mutations (sources.md S4)."""
        for place, rank in self.each("rank", self.console.ranks):
            self.harmonic(place, [("pitch", rank.pitch)])
        for place, control in self.each_control():
            if isinstance(control, Stop | Percussion):
                draws = control.draws if isinstance(control, Stop) else ()
                parts = [(f"draws {n}, pitch", draw.pitch) for n, draw in enumerate(draws, 1)]
                self.harmonic(place, [("pitch", control.pitch), *parts])

    def harmonic(self, place: _Place, pitches: Iterable[tuple[str, Fraction | None]]) -> None:
        """Warn of the first whose feet are not a power of two over a whole number, as 8/3 is."""
        for key, feet in pitches:
            if feet is not None and feet.numerator.bit_count() > 1:
                message = "is no harmonic of a stop of 8', 16' or 32'"
                nearest_note = "it is taken for the nearest semitone"
                self.warn(place, key, f"{format_pitch(feet)}' {message}: {nearest_note}")
                return

    def rates(self) -> None:
        """A rate for every rank that reiterates, and for no other."""
        for place, rank in self.each("rank", self.console.ranks):
            if (rank.stroke is Stroke.REITERATE) != (rank.rate is not None):
                needed = "needs a rate" if rank.rate is None else "is for stroke = reiterate only"
                self.error(place, "rate", f"{needed}, in strokes a second")

    # ---------------------------------------------------------------- names

    def names(self) -> None:
        """Ids of the right form, each once among its kind; labels that say something.

        A port is called as it is elsewhere, which may be anything.
        """
        console = self.console
        if not console.name.strip():
            self.error(_Place(""), "name", "the console has no name")
        self.distinct(self.each_control(), "control")
        for table, things in (
            ("piston", console.pistons),
            ("keyboard", console.keyboards),
            ("division", console.divisions),
            ("rank", console.ranks),
            ("chamber", console.chambers),
            ("shoe", console.shoes),
            ("board", console.boards),
        ):
            self.distinct(self.each(table, things), table)
        self.distinct(self.each("port", console.ports), "port", of_form=None)
        for place, thing in (*self.each_control(), *self.each("piston", console.pistons)):
            if not thing.face.strip():
                self.error(place, "label", "says nothing")
            if len(thing.label) > MOST_LINES:
                self.error(place, "label", f"has {len(thing.label)} lines; at most {MOST_LINES}")
        for there, what, most in (
            (console.controls, "controls", MOST_CONTROLS),
            (console.pistons, "pistons", MOST_PISTONS),
        ):
            if len(there) > most:
                message = f"it has {len(there)} {what}; there may be at most {most}"
                self.error(_Place(""), "", message)
        self.former_names(self.each_control())
        self.former_names(self.each("piston", console.pistons))

    def distinct(
        self,
        things: Iterable[tuple[_Place, Any]],
        kind: str,
        of_form: re.Pattern[str] | None = _ID,
    ) -> None:
        first: dict[str, _Place] = {}
        for place, thing in things:
            if of_form is not None and not of_form.match(thing.id):
                expected = "letters, digits, - and _, beginning with a letter or digit"
                self.error(place, "id", f"is {quoted(thing.id)}; expected {expected}")
            earlier = first.setdefault(thing.id, place)
            if earlier is not place:
                other = f"{earlier.table} number {(earlier.index or 0) + 1}"
                self.error(place, "id", f"is the id of {other} too; each {kind} needs its own")

    def former_names(self, things: Iterable[tuple[_Place, Any]]) -> None:
        listed = list(things)
        present = {thing.id for _, thing in listed}
        taken: dict[str, str] = {}
        for place, thing in listed:
            for old in thing.was:
                if old in present:
                    self.error(place, "was", f'"{old}" is still there under that id')
                elif old in taken:
                    self.error(place, "was", f'"{old}" has become "{taken[old]}" already')
                taken.setdefault(old, thing.id)

    # ---------------------------------------------------------------- references

    def references(self) -> None:
        """Ids that name something which exists."""
        console = self.console
        for place, division in self.each("division", console.divisions):
            self.known(place, "keyboard", division.keyboard, console.keyboards, "keyboard")
        for place, control in self.each_control():
            self.known(place, "division", control.division, console.divisions, "division")
            if isinstance(control, Stop | Percussion):
                self.known(place, "rank", control.rank, console.ranks, "rank")
            if isinstance(control, Stop):
                for number, draw in enumerate(control.draws, 1):
                    self.known(place, f"draws {number}, rank", draw.rank, console.ranks, "rank")
            if isinstance(control, Coupler):
                self.known(place, "keys", control.keys, console.keyboards, "keyboard")
                self.known(place, "plays", control.plays, console.divisions, "division")
            if isinstance(control, Tremulant):
                self.known(place, "chamber", control.chamber, console.chambers, "chamber")
        for place, piston in self.each("piston", console.pistons):
            self.known(place, "division", piston.division, console.divisions, "division")
            self.known(place, "control", piston.control, console.controls, "control")
            for key in ("affects", "sounds", "silences"):
                self.selection(place, key, getattr(piston, key))
            if piston.second_touch is not None:
                self.second_touch(place, piston, piston.second_touch.piston)
        for place, shoe in self.each("shoe", console.shoes):
            if not shoe.chambers and shoe.all_control is None:
                self.warn(place, "chambers", "it opens nothing")
            for chamber in shoe.chambers:
                self.known(place, "chambers", chamber, console.chambers, "chamber")
            self.known(place, "all-control", shoe.all_control, console.controls, "control")
        for place, stage in self.each("crescendo.stage", console.crescendo.stages):
            for key in ("sounds", "adds", "silences"):
                self.selection(place, key, getattr(stage, key))
            if (stage.sounds is None) == (stage.adds is None):
                self.error(place, "sounds", "a stage has either sounds or adds")

    def known(
        self, place: _Place, key: str, name: str | None, things: Iterable[Any], kind: str
    ) -> None:
        if name is None or name in self.doubt.left_out:
            return
        ids = [thing.id for thing in things]
        if name not in ids:
            self.error(place, key, f"there is no {kind} {quoted(name)}{nearest(name, ids)}")

    def selection(self, place: _Place, key: str, selection: Selection | None) -> None:
        if selection is None:
            return
        console = self.console
        given = selection.everything or selection.divisions or selection.controls
        if selection.excluding and not given and key != "affects":
            self.error(place, key, "has only exceptions: say from what, as everything = true")
        for division in selection.divisions:
            self.known(place, key, division, console.divisions, "division")
        for control in (*selection.controls, *selection.excluding):
            self.known(place, key, control, console.controls, "control")

    def second_touch(self, place: _Place, piston: Piston, name: str) -> None:
        self.known(place, "second-touch, piston", name, self.console.pistons, "piston")
        other = next((p for p in self.console.pistons if p.id == name), None)
        if name == piston.id:
            self.error(place, "second-touch, piston", "a piston cannot be its own second touch")
        elif Kind.SET in (piston.kind, other.kind if other else None):
            self.error(place, "second-touch, piston", "a set piston has no part in a second touch")

    # ---------------------------------------------------------------- divisions and couplers

    def idle(self) -> None:
        """Keyboards that play nothing, divisions and ranks with nothing on them, unused ports."""
        console = self.console
        played = {d.keyboard for d in console.divisions} | {c.keys for c in console.couplers}
        for place, keyboard in self.each("keyboard", console.keyboards):
            if keyboard.id not in played:
                self.warn(place, "", "nothing is played from it")
        for place, division in self.each("division", console.divisions):
            if division.out is None and not self.speaking(division.id):
                self.warn(place, "", "it has no stops")
        drawn = {
            draw.rank
            for control in console.controls
            if isinstance(control, Stop | Percussion)
            for _, draw in draws_of(control)
        }
        for place, rank in self.each("rank", console.ranks):
            if rank.id not in drawn:
                self.warn(place, "", "no stop draws on it")
        used = ports_of(console)
        for place, port in self.each("port", console.ports):
            if port.id not in used:
                message = "no port of this console is called so"
                self.warn(place, "id", f"{message}{nearest(port.id, used)}")
        if any(rank.out for rank in console.ranks):
            by_shoes = {shoe.all_control for shoe in console.shoes}
            for place, control in self.each_control():
                switched = isinstance(control, Tremulant | Trap | Effect)
                if switched and control.out is None and control.id not in by_shoes:
                    self.warn(place, "out", "is missing: it operates nothing")

    def speaking(self, division: str) -> bool:
        return any(
            control.division == division and not isinstance(control, Coupler)
            for control in self.console.controls
        )

    def belonging(self) -> None:
        """Controls in their divisions; couplers that play one from keys, or are unison offs."""
        console = self.console
        for place, control in self.each_control():
            if control.division is None and isinstance(control, Stop | Percussion | Trap):
                self.error(place, "division", "is missing")
        for place, coupler in self.each("coupler", console.couplers):
            if coupler.unison_off:
                if coupler.division is None:
                    self.error(place, "division", "a unison off needs its division")
                for key, value in (("keys", coupler.keys), ("plays", coupler.plays)):
                    if value is not None:
                        self.error(place, key, "a unison off has only its division")
                if coupler.shift or coupler.pizzicato:
                    self.error(place, "unison-off", "a unison off neither shifts nor plucks")
                floating = [d.id for d in console.divisions if d.keyboard is None]
                if coupler.division in floating:
                    self.error(place, "unison-off", "its division floats: it has no unison")
                continue
            for key, value in (("keys", coupler.keys), ("plays", coupler.plays)):
                if value is None:
                    self.error(place, key, "is missing")
            own = {d.id for d in console.divisions if d.keyboard == coupler.keys}
            if coupler.plays in own and not coupler.shift and not coupler.pizzicato:
                self.warn(place, "plays", "its keys play this division without it")

    # ---------------------------------------------------------------- pistons

    def pistons(self) -> None:
        """Keys that go with the kind, and a console that can use what it has."""
        console = self.console
        for place, piston in self.each("piston", console.pistons):
            keys = _KIND_KEYS[piston.kind]
            for key in _KIND_ONLY:
                value = getattr(piston, key)
                given = value is not None and value is not False
                if key in keys.needs and not given:
                    self.error(place, key, f"a {piston.kind} piston needs it")
                elif given and key not in keys.needs + keys.may_have:
                    self.error(place, key, f"a {piston.kind} piston has no such key")
            if piston.kind is Kind.HAND_REGISTRATION and console.action is not Action.BLIND:
                message = f"a {console.action} action has no hand registration"
                self.error(place, "kind", f"{message}: its tabs are the registration")
            if piston.kind is Kind.LEVEL and (piston.level or 0) > console.levels:
                message = f"the console has {console.levels} levels: it will go to the last"
                self.warn(place, "level", message)
            if piston.kind is Kind.CRESCENDO_SET and not console.crescendo.stages:
                self.warn(place, "kind", "the console has no crescendo")
        kinds = {piston.kind for piston in console.pistons}
        setting = console.setting
        recalling = kinds & {Kind.GENERAL, Kind.DIVISIONAL}
        if recalling and Kind.SET not in kinds and not self.doubt.mended:
            self.warn(_Place("piston"), "", "there is no set piston: nothing can be set")
        if Kind.SET in kinds and not (setting.hold or setting.latch):
            message = "both hold and latch are turned off: nothing can be set"
            self.warn(_Place("set"), "hold", message)

    # ---------------------------------------------------------------- the kind of action

    def action(self) -> None:
        """Choices that mean something on this kind of action."""
        console = self.console
        file = _Place("")
        if console.action is not Action.BLIND:
            for key, value, usual in (
                ("while-governed", console.while_governed, WhileGoverned.IGNORED),
                ("cancel", console.cancel, Cancel.RELEASE),
                ("again", console.again, Again.RECALL),
            ):
                if value is not usual:
                    self.warn(file, key, f"means nothing on a {console.action} action")
            if console.setting.stores is Stores.RAIL:
                message = f"means nothing on a {console.action} action"
                self.warn(_Place("set"), "stores", message)
        elif console.while_governed is WhileGoverned.ADDS and console.cancel is Cancel.SILENCE:
            self.warn(file, "cancel", "where pistons only add, drawn tabs sound on after a cancel")
        self.driven_tabs()
        if console.action is Action.LIT:
            self.some_have("lamp", lambda control: control.lamp is not None)
        else:
            self.touched_contacts()

    def driven_tabs(self) -> None:
        console, drive, place = self.console, self.console.drive, _Place("drive")
        if console.action is not Action.MOVING:
            for where, control in self.each_control():
                if control.drive_on or control.drive_off:
                    key = "drive-on" if control.drive_on else "drive-off"
                    self.warn(where, key, f"nothing drives the tabs of a {console.action} action")
            return
        for where, control in self.each_control():
            if bool(control.drive_on) != bool(control.drive_off):
                missing = "drive-off" if control.drive_on else "drive-on"
                self.error(where, missing, "is missing: a driven tab is driven both ways")
        self.some_have("drive-on", lambda control: control.drive_on is not None)
        self.some_have("contact", lambda control: bool(control.contacts))
        if drive.pulse > LONGEST_SAFE_PULSE:
            message = f"{drive.pulse} s is long for a pulse: coils left on burn"
            self.warn(place, "pulse", message)
        if drive.follow < drive.pulse:
            self.warn(place, "follow", "the tabs have less time to follow than the pulse lasts")
        if drive.group is not None and drive.spacing < drive.pulse:
            self.warn(place, "gap", "groups overlap: a pulse lasts longer than the gap")

    def some_have(self, key: str, has: Callable[[Control], bool]) -> None:
        """Once some controls have something, those that lack it have been forgotten."""
        controls = list(self.each_control())
        lacking = [place for place, control in controls if not has(control)]
        if len(lacking) < len(controls):
            for place in lacking:
                self.warn(place, key, "is missing, though other controls have one")

    def touched_contacts(self) -> None:
        for place, control in self.each_control():
            if (control.contact_on is None) != (control.contact_off is None):
                missing = "contact-off" if control.contact_on else "contact-on"
                self.error(place, missing, "is missing: one contact turns on, another off")
            if control.contact is not None and control.contact_on is not None:
                self.error(place, "contact", "a tab has one contact, or one for on and one for off")

    # ---------------------------------------------------------------- boards and wires

    def boards(self) -> None:
        """Boards whose pins travel, each by a message of its own."""
        for place, board in self.each("board", self.console.boards):
            if board.input is None and board.out is None:
                self.error(place, "in", "a board has in, out or both")
            for key, messages in (("in", board.input), ("out", board.out)):
                if messages is not None:
                    self.pin_messages(place, key, board, messages)

    def pin_messages(self, place: _Place, key: str, board: Board, messages: PinMessages) -> None:
        self.channel(place, key, messages.channel)
        firsts = _firsts(messages)
        if len(firsts) != 1:
            expected = "first-note, first-controller or first-program"
            self.error(place, key, f"expected exactly one of {expected}")
            return
        message, first = firsts[0]
        if key == "out" and message == "program":
            self.error(place, key, "what is lit must go out again: not by program changes")
        self.between(place, f"{key}, first-{message}", first, 0, 127)
        last = first + board.pins - 1
        if 0 <= first <= 127 < last:
            last_pin = 128 - first
            self.error(place, key, f"pin {last_pin + 1} would be {message} 128: MIDI ends at 127")

    def channel(self, place: _Place, key: str, channel: int) -> None:
        self.between(place, f"{key}, channel", channel, 1, 16)

    def wires(self) -> None:
        """Contacts, lamps and drives on pins that exist, one on each."""
        sensed: dict[tuple[str, int], _Wire] = {}
        driven = self.driven
        for place, key, contact in self.each_contact():
            found = self.pin(place, key, contact.pin, sensed, inward=True)
            if found is not None:
                self.by_program(place, key, found)
        for place, keyboard in self.countable("keyboard", self.console.keyboards):
            self.key_runs(place, keyboard, sensed)
        switch = self.console.transposer.switch
        if switch is not None:
            positions = 2 * HIGHEST_TRANSPOSED + 1
            self.run(_Place("transposer"), "switch", switch, positions, sensed, inward=True)
        for place, control in self.each_control():
            for key, pin in (
                ("lamp", control.lamp),
                ("drive-on", control.drive_on),
                ("drive-off", control.drive_off),
            ):
                self.pin(place, key, pin, driven, inward=False)
        for place, piston in self.each("piston", self.console.pistons):
            self.pin(place, "lamp", piston.lamp, driven, inward=False)
        for place, chamber in self.each("chamber", self.console.chambers):
            if (chamber.shades is None) != (chamber.stages is None):
                self.error(place, "stages", "a shade engine has both shades and stages")
            elif chamber.shades is not None:
                self.run(place, "shades", chamber.shades, chamber.stages or 1, driven)
        self.places()
        self.unwired()

    def places(self) -> None:
        """A piston that says where it is pressed has a contact there, and none elsewhere."""
        for place, piston in self.each("piston", self.console.pistons):
            if piston.at and len(piston.contact) > len(piston.at):
                said = "one place" if len(piston.at) == 1 else f"{len(piston.at)} places"
                self.error(place, "at", f"names {said}, but it has {len(piston.contact)} contacts")

    def unwired(self) -> None:
        """Once the wiring is planned, what has no contact has been forgotten."""
        pistons = list(self.each("piston", self.console.pistons))
        if any(piston.contact for _, piston in pistons):
            targets = {p.second_touch.piston for _, p in pistons if p.second_touch}
            for place, piston in pistons:
                wired, places = len(piston.contact), len(piston.at)
                if not wired and piston.id not in targets:
                    self.warn(place, "contact", "is missing: nobody can press it")
                elif wired < places:
                    self.warn(place, "contact", f"is for {wired} of the {places} places it is at")
                if piston.second_touch is not None and not piston.second_touch.contact:
                    self.warn(place, "second-touch, contact", "is missing: nobody can press it")

    def pin(
        self,
        place: _Place,
        key: str,
        text: str | None,
        used: dict[tuple[str, int], _Wire],
        *,
        inward: bool,
    ) -> Board | None:
        """One pin: that it exists, goes the right way and is free. Returns its board."""
        if text is None:
            return None
        match = _PIN.match(text)
        if match is None:
            self.error(place, key, f'is {quoted(text)}; expected a pin such as "rail-1.12"')
            return None
        name, number = match[1], int(match[2])
        board = next((b for b in self.console.boards if b.id == name), None)
        if board is None:
            self.known(place, key, name, self.console.boards, "board")
            return None
        if number > board.pins > 0:
            self.error(
                place, key, f'"{text}" is beyond board "{name}", which has {board.pins} pins'
            )
            return None
        if (board.input if inward else board.out) is None:
            way = "in" if inward else "out"
            self.error(place, key, f'board "{name}" has no {way}: pin "{text}" leads nowhere')
            return None
        earlier = used.setdefault((name, number), _Wire(place, key))
        if earlier.place is not place or earlier.key != key:
            self.error(place, key, f'pin "{text}" has {_named(earlier)} on it already')
        return board

    def run(
        self,
        place: _Place,
        key: str,
        text: str,
        count: int,
        used: dict[tuple[str, int], _Wire],
        *,
        inward: bool = False,
    ) -> Board | None:
        """An unbroken run of pins from the first. The first fault is enough."""
        match = _PIN.match(text)
        if match is None:
            return self.pin(place, key, text, used, inward=inward)
        before = len(self.findings)
        board = None
        for number in range(int(match[2]), int(match[2]) + count):
            at = f"{match[1]}.{number}"
            board = self.pin(place, key, at, used, inward=inward)
            if len(self.findings) > before:
                break
        return board

    def key_runs(self, place: _Place, keyboard: Any, used: dict[tuple[str, int], _Wire]) -> None:
        """Runs of key contacts: every key once, on boards that can tell an opening."""
        wired: Counter[int] = Counter()
        highest = keyboard.lowest + keyboard.keys - 1
        for number, run in enumerate(keyboard.contacts, 1):
            first = keyboard.lowest if run.key is None else run.key
            count = highest - first + 1 if run.keys is None else run.keys
            key = "contacts" if len(keyboard.contacts) == 1 else f"contacts {number}"
            if first < keyboard.lowest or count < 1 or first + count - 1 > highest:
                message = f"keys {first} to {first + count - 1} are not within"
                self.error(place, key, f"{message} {keyboard.lowest} to {highest}")
                continue
            wired.update(range(first, first + count))
            board = self.run(place, key, run.pin, count, used, inward=True)
            if board is not None and self.by_programs(board):
                self.error(place, key, "keys cannot arrive as program changes: those never open")
        twice = [key for key, times in wired.items() if times > 1]
        if twice:
            self.error(place, "contacts", f"key {twice[0]} is wired twice")
        missing = keyboard.keys - len(wired)
        if keyboard.contacts and missing > 0:
            self.warn(place, "contacts", f"{missing} of its keys are not wired")

    def by_programs(self, board: Board) -> bool:
        return board.input is not None and [m for m, _ in _firsts(board.input)] == ["program"]

    def by_program(self, place: _Place, key: str, board: Board) -> None:
        """Contacts that arrive as program changes have no opening (semantics.md I.8)."""
        mended = (place.table, place.index) in self.doubt.mended
        if not self.by_programs(board) or mended or self.doubt.of_the_file:
            return
        if place.table == "piston":
            kind = self.console.pistons[place.index or 0].kind
            if kind in (Kind.SET, Kind.MOMENTARY):
                self.error(place, key, f"a {kind} piston must open: not by program changes")
        elif place.table == "set":
            self.error(place, key, "a key switch must open: not by program changes")
        elif key == "contact" and self.console.action is not Action.LIT:
            message = "a tab by program changes needs two: contact-on and contact-off"
            self.error(place, key, message)

    # ---------------------------------------------------------------- outputs

    def outputs(self) -> None:
        """Messages within MIDI's numbers, and no two things on the same one."""
        out: list[tuple[_Place, str, _Notes]] = []
        inward: list[tuple[_Place, str, _Notes]] = []
        console = self.console
        for place, rank in self.countable("rank", console.ranks):
            out += self.rank_out(place, rank)
        for place, control in self.each_control():
            if control.out is not None:
                out += self.state_out(place, control.out)
        for place, division in self.each("division", console.divisions):
            if division.out is not None:
                lines = division.out
                self.channel(place, "out", lines.channel)
                lowest, count = console.lines_of(division)
                first = lowest if lines.first_note is None else lines.first_note
                notes = _Notes(lines.port, lines.channel, "note", first, first + count - 1)
                out += self.within(place, "out", notes)
                if lines.bare and division.keyboard is None:
                    self.warn(place, "out, bare", "its division floats: it has no keys to send")
        for place, board in self.each("board", console.boards):
            for key, messages, gathered in (("in", board.input, inward), ("out", board.out, out)):
                if messages is not None and len(_firsts(messages)) == 1:
                    message, first = _firsts(messages)[0]
                    last = min(first + board.pins - 1, 127)
                    notes = _Notes(messages.port, messages.channel, message, first, last)
                    gathered.append((place, key, notes))
        for place, key, controllers, port, gathered in self.controllers(inward, out):
            for controller in controllers:
                self.between(place, f"{key}, controller", controller, 0, 127)
                notes = _Notes(port.port, port.channel, "controller", controller, controller)
                gathered.append((place, key, notes))
            self.channel(place, key, port.channel)
        self.apart(out)
        self.apart(inward)
        self.on_pins(out)

    def controllers(self, inward: list[Any], out: list[Any]) -> Iterator[tuple[Any, ...]]:
        """Everything that travels as a controller of its own."""
        console = self.console
        if console.crescendo.input is not None:
            port = console.crescendo.input
            yield _Place("crescendo"), "in", (port.controller,), port, inward
        for place, shoe in self.each("shoe", console.shoes):
            if shoe.input is not None:
                yield place, "in", (shoe.input.controller,), shoe.input, inward
        for place, chamber in self.each("chamber", console.chambers):
            if chamber.out is not None:
                yield place, "out", (chamber.out.controller,), chamber.out, out
        for place, readout in self.each("readout", console.readouts):
            coarse = readout.out.controller
            if coarse >= COARSE_CONTROLLERS:
                message = f"is {coarse}; expected 0 to 31, which have a fine partner 32 above"
                self.error(place, "out, controller", message)
            elif readout.shows is Shows.TRANSPOSER:
                yield place, "out", (coarse,), readout.out, out
            else:
                fine = coarse + COARSE_CONTROLLERS
                yield place, "out", (coarse, fine), readout.out, out

    def rank_out(self, place: _Place, rank: Rank) -> list[tuple[_Place, str, _Notes]]:
        found = []
        covered: set[int] = set()
        for number, out in enumerate(rank.out, 1):
            key = "out" if len(rank.out) == 1 else f"out {number}"
            self.channel(place, key, out.channel)
            last_pipe = rank.pipes if out.last_pipe is None else out.last_pipe
            if not 1 <= out.first_pipe <= last_pipe <= rank.pipes:
                pipes = f"pipes {out.first_pipe} to {last_pipe}"
                self.error(place, key, f"{pipes} are not within 1 to {rank.pipes}")
                continue
            covered.update(range(out.first_pipe, last_pipe + 1))
            first = first_note(rank, out)
            last = first + last_pipe - out.first_pipe
            notes = _Notes(out.port, out.channel, "note", first, last)
            found += self.within(place, key, notes)
        silent = rank.pipes - len(covered)
        if rank.out and silent:
            self.warn(place, "out", f"{silent} of its pipes have no output")
        return found

    def state_out(self, place: _Place, out: StateOut) -> list[tuple[_Place, str, _Notes]]:
        self.channel(place, "out", out.channel)
        programs = [p for p in (out.program_on, out.program_off) if p is not None]
        ways = [out.note is not None, out.controller is not None, bool(programs)]
        if sum(ways) != 1 or len(programs) == 1:
            expected = "note, controller, or program-on with program-off"
            self.error(place, "out", f"expected exactly one of {expected}")
            return []
        if programs and out.longest_on is not None:
            message = "program changes drive no coil: it would send program-off while this is on"
            self.warn(place, "out, longest-on", message)
        found = []
        for message, number in (
            ("note", out.note),
            ("controller", out.controller),
            ("program", out.program_on),
            ("program", out.program_off),
        ):
            if number is not None:
                notes = _Notes(out.port, out.channel, message, number, number)
                found += self.within(place, "out", notes)
        return found

    def within(self, place: _Place, key: str, notes: _Notes) -> list[tuple[_Place, str, _Notes]]:
        if notes.first < 0 or notes.last > 127:
            sent = f"would send {notes.message}s {notes.first} to {notes.last}"
            self.error(place, key, f"{sent}; MIDI has 0 to 127")
            return []
        return [(place, key, notes)]

    def apart(self, gathered: list[tuple[_Place, str, _Notes]]) -> None:
        """No two of these share a message."""
        on_wire: dict[tuple[str, int, str], list[tuple[_Place, str, _Notes]]] = {}
        for place, key, notes in gathered:
            wire = on_wire.setdefault((notes.port, notes.channel, notes.message), [])
            for other_place, other_key, other in wire:
                pipes_on_pins = {place.table, other_place.table} == {"rank", "board"}
                if notes.shares(other) and not pipes_on_pins:
                    shared = max(notes.first, other.first)
                    with_whom = _named(_Wire(other_place, other_key))
                    where = f'on port "{notes.port}", channel {notes.channel}'
                    message = f"shares {notes.message} {shared} {where} with {with_whom}"
                    self.error(place, key, message)
                    break
            wire.append((place, key, notes))

    def on_pins(self, gathered: list[tuple[_Place, str, _Notes]]) -> None:
        """The pipes of a rank may be on the pins of a board, where nothing else is."""
        boards = [each for each in gathered if each[0].table == "board"]
        for place, key, notes in gathered:
            for board, _, pins in boards if place.table == "rank" else ():
                for note in range(max(notes.first, pins.first), min(notes.last, pins.last) + 1):
                    earlier = self.driven.get((board.id or "", note - pins.first + 1))
                    if notes.shares(pins) and earlier is not None:
                        pin = f"{board.id}.{note - pins.first + 1}"
                        self.error(place, key, f'pin "{pin}" has {_named(earlier)} on it already')
                        break

    # ---------------------------------------------------------------- ports

    def connections(self) -> None:
        """Connections that could be there: names that are not empty, hosts with port numbers."""
        for place, port in self.each("port", self.console.ports):
            for key in _CONNECTIONS:
                given = getattr(port, key)
                if given is not None and not given.strip():
                    self.error(place, key, "says nothing")
                elif given is not None and key in _ADDRESSES and not _is_address(given):
                    expected = "a host and a port number from 1 to 65535"
                    such_as = '"chest.local:5004" or "[::1]:5004"'
                    message = f"is {quoted(given)}; expected {expected}, such as {such_as}"
                    self.error(place, key, message)

    def joins(self) -> None:
        """Ports that are joined to one thing, and to a speed only where there is one."""
        for place, port in self.each("port", self.console.ports):
            if sum(getattr(port, key) is not None for key in _CONNECTIONS) != 1:
                ways = f"{', '.join(_CONNECTIONS[:-1])} or {_CONNECTIONS[-1]}"
                self.error(place, "", f"expected exactly one of {ways}")
            if port.baud is not None and port.serial is None:
                self.error(place, "baud", "is for serial only")

    # ---------------------------------------------------------------- stops on ranks

    def draws(self) -> None:
        """Stops that draw on ranks long enough for them."""
        console = self.console
        keyboards = {None, *self.counted("keyboard", console.keyboards)}
        divisions = self.counted("division", console.divisions)
        ranks = self.counted("rank", console.ranks)
        for place, control in self.each_control():
            if not isinstance(control, Stop | Percussion):
                continue
            self.plays_something(place, control)
            if isinstance(control, Stop) and control.draws and control.rank is not None:
                self.error(place, "draws", "a stop has a rank, or draws, not both")
            division = divisions.get(control.division or "")
            if division is None or division.keyboard not in keyboards:
                continue
            lines = lines_of(console, division)
            for key, draw in draws_of(control):
                if draw.rank in ranks:
                    self.draw(place, key, lines, draw, ranks[draw.rank])

    def counted(self, table: str, things: Iterable[Any]) -> dict[str, Any]:
        """The things of one kind whose notes or pipes are countable and as they were written."""
        return {
            thing.id: thing
            for place, thing in self.countable(table, things)
            if (place.table, place.index) not in self.doubt.mended
        }

    def plays_something(self, place: _Place, control: Stop | Percussion) -> None:
        if control.out is None and self.console.ranks and not any(draws_of(control)):
            self.warn(place, "rank", "it draws on no rank, and its state is sent nowhere")

    def draw(self, place: _Place, key: str, lines: range, draw: Draw, rank: Rank) -> None:
        over = drawn_over(draw, lines)
        if not over or over.start < lines.start or over.stop > lines.stop:
            where = f"its division's lines {_span(lines)}"
            self.error(place, key, f"keys {over.start} to {over.stop - 1} are not within {where}")
            return
        reached = reach_of(draw, rank, lines)
        if draw.repeats:
            silent = len(over) - sum(bits.bit_count() for bits in reached.values())
            if silent:
                message = f"{_notes(silent)} of it have no pipe in any octave"
                self.warn(place, key, f'{message}: rank "{rank.id}" has only {rank.pipes}')
        elif not reached:
            self.error(place, key, f'no key of it reaches a pipe of rank "{rank.id}"')
        else:
            (by,) = reached
            self.runs_off(place, key, range(over.start + by, over.stop + by), rank)

    def runs_off(self, place: _Place, key: str, needed: range, rank: Rank) -> None:
        ends = ((1 - needed[0], "bottom"), (needed[-1] - rank.pipes, "top"))
        off = [f"{_notes(count)} at the {end}" for count, end in ends if count > 0]
        if off:
            needs = f"it needs pipes {_span(needed)}, and there are {rank.pipes}"
            self.warn(place, key, f'runs off rank "{rank.id}" by {" and ".join(off)}: {needs}')

    # ---------------------------------------------------------------- what can ever sound

    def played(self) -> None:
        """Divisions that something plays, couplers that play something."""
        console = self.console
        coupled = {coupler.plays for coupler in console.couplers}
        for place, division in self.each("division", console.divisions):
            keys, lines = keys_of(console, division.keyboard), lines_of(console, division)
            if division.keyboard is None:
                if division.id not in coupled and self.sounds_by_lines(division):
                    message = "is missing, and no coupler plays it: it can never sound"
                    self.warn(place, "keyboard", message)
            elif not set(keys) & set(lines):
                message = f"its lines are {_span(lines)}: none is a key of its keyboard"
                self.warn(place, "lowest", f"{message}, which has {_span(keys)}")
        divisions = {division.id: division for division in console.divisions}
        for place, coupler in self.each("coupler", console.couplers):
            if coupler.plays is None:
                continue
            lines = lines_of(console, divisions[coupler.plays])
            if not self.sounds_by_lines(divisions[coupler.plays]):
                message = f'couples onto nothing: the lines of "{coupler.plays}" play nothing'
                self.warn(place, "plays", message)
            elif not playable_by(console, coupler):
                keys = keys_of(console, coupler.keys)
                shifted = range(keys.start + coupler.shift, keys.stop + coupler.shift)
                message = f"it can never play a line: its keys come to {_span(shifted)}"
                self.warn(
                    place,
                    "shift" if coupler.shift else "plays",
                    f'{message}, and "{coupler.plays}" has {_span(lines)}',
                )

    def sounds_by_lines(self, division: Division) -> bool:
        """Whether a line of a division makes anything sound, or is sent to what may.

        A stop that only sends its state belongs to an instrument with keys of its own.
        """
        if division.out is not None and not division.out.bare:
            return True
        return any(
            isinstance(control, Trap)
            or (
                isinstance(control, Stop | Percussion)
                and (control.out is None or any(draws_of(control)))
            )
            for control in self.console.controls
            if control.division == division.id
        )

    def heard(self) -> None:
        """Stops that can sound at all, and differently from every other of their division."""
        console = self.console
        ranks = {rank.id: rank for rank in console.ranks}
        compass = {division.id: lines_of(console, division) for division in console.divisions}
        playing = {division.id: playable(console, division) for division in console.divisions}
        first: dict[tuple[object, ...], tuple[_Place, Control]] = {}
        for place, control in self.each_control():
            if not isinstance(control, Stop | Percussion):
                continue
            self.gaps(place, control)
            over, lines = compass[control.division or ""], playing[control.division or ""]
            reached = reached_by(control, ranks, over)
            if not reached or not lines or self.does_more(control):
                continue
            voice = frozenset((by, bits & lines) for by, bits in reached.items() if bits & lines)
            key = "draws" if isinstance(control, Stop) and control.draws else "rank"
            earlier = first.setdefault((control.division, voice), (place, control))
            if not voice:
                self.warn(place, key, "it can never sound: nothing plays the lines that draw it")
            elif earlier[1] is not control:
                message = "can never sound differently from"
                self.warn(place, key, f"{message} {_labelled(*earlier)}")

    def gaps(self, place: _Place, control: Stop | Percussion) -> None:
        """Keys between those of two draws that belong to neither."""
        parts = [(draw.first_key, draw.last_key) for _, draw in draws_of(control)]
        reached: int | None = None
        for first, last in sorted(parts, key=lambda part: part[0] or 0):
            if reached is not None and first is not None and first > reached + 1:
                missed = range(reached + 1, first)
                draws = "key {} draws" if len(missed) == 1 else "keys {} draw"
                message = f"{draws.format(_span(missed))} nothing, though those on either side do"
                self.warn(place, "draws", message)
            reached = max(reached or 0, 127 if last is None else last)

    def twins(self) -> None:
        """Couplers that do what another does."""
        first: dict[tuple[object, ...], tuple[_Place, Control]] = {}
        for place, coupler in self.each("coupler", self.console.couplers):
            if self.does_more(coupler):
                continue
            does: tuple[object, ...] = (coupler.division,)
            if not coupler.unison_off:
                time = coupler.pizzicato_time if coupler.pizzicato else None
                does = (coupler.keys, coupler.plays, coupler.shift, time)
            earlier = first.setdefault(does, (place, coupler))
            if earlier[1] is not coupler:
                key = "unison-off" if coupler.unison_off else "plays"
                self.warn(place, key, f"does the same as {_labelled(*earlier)}")

    def does_more(self, control: Control) -> bool:
        """Whether a control does something besides what its kind does."""
        by_shoes = {shoe.all_control for shoe in self.console.shoes}
        return control.out is not None or control.id in by_shoes

    def transposer(self) -> None:
        """A transposer that can be moved, and back, and is there where it is shown."""
        place, given = _Place("transposer"), self.console.transposer
        moves = is_transposed(self.console)
        if given.zero is not None and not moves:
            self.warn(place, "zero", "nothing moves it from 0: up, down and switch are missing")
        one_way = (given.up is None) != (given.down is None)
        if one_way and given.zero is None and given.switch is None:
            key, other = ("up", "down") if given.up else ("down", "up")
            self.warn(place, key, f"nothing brings it back: {other}, zero and switch are missing")
        for shown, readout in self.each("readout", self.console.readouts):
            if readout.shows is Shows.TRANSPOSER and not moves:
                self.warn(shown, "shows", "nothing moves the transposer: it will always show 0")

    def strokes(self) -> None:
        """Strokes that end before a coil burns, where outputs are said to drive coils."""
        console = self.console
        switched: list[Control | Division] = [*console.controls, *console.divisions]
        outs = [thing.out for thing in switched if thing.out is not None]
        times = [thing.longest_on for thing in (*console.ranks, *outs)]
        timed = any(longest is not None for longest in times)
        for place, rank in self.each("rank", console.ranks):
            if rank.stroke is Stroke.ONCE and rank.longest_on is not None:
                self.stroke(place, "longest-on", rank.longest_on)
            elif rank.stroke is Stroke.ONCE and rank.out and timed:
                message = "is missing, though other outputs have one: a stroke lasts as long as"
                self.warn(place, "longest-on", f"{message} its key is down")
        for place, trap in self.each("trap", console.traps):
            if trap.out is not None and trap.out.longest_on is not None:
                self.stroke(place, "out, longest-on", trap.out.longest_on)

    def stroke(self, place: _Place, key: str, seconds: float) -> None:
        if seconds > LONGEST_SAFE_PULSE:
            self.warn(place, key, f"{seconds} s is long for a stroke: coils left on burn")

    # ---------------------------------------------------------------- what the lists say

    def lists(self) -> None:
        """Selections, once everything they name exists."""
        console, ranges = self.console, Ranges(self.console)
        unison_offs = ranges.roster.bits(c.id for c in console.couplers if c.unison_off)
        never = ranges.roster.everything & ~ranges.capturable
        for place, piston in self.each("piston", console.pistons):
            if piston.kind in (Kind.GENERAL, Kind.DIVISIONAL):
                if not ranges.affects[piston.id]:
                    self.error(place, "affects", "it affects nothing")
                listed = ranges.roster.bits(piston.affects.controls) if piston.affects else 0
                for name in ranges.roster.registration(listed & never):
                    self.warn(place, "affects", f'"{name}" is never captured, though listed')
            if piston.kind is Kind.FULL_ORGAN:
                if not ranges.full_organs[piston.id][0] and not piston.can_be_set:
                    self.warn(place, "sounds", "it adds nothing, and cannot be set")
                self.no_unison_off(place, ranges.full_organs[piston.id][0] & unison_offs, ranges)
            if (
                piston.kind is Kind.DIVISIONAL_CANCEL
                and not ranges.cancelled[piston.division or ""]
            ):
                self.error(place, "division", "it cancels nothing")
        for place, (_, (adds, _)) in zip(
            (_Place("crescendo.stage", i) for i in range(len(ranges.stages))),
            enumerate(ranges.stages),
            strict=True,
        ):
            self.no_unison_off(place, adds & unison_offs, ranges)
        self.loudest(ranges)

    def no_unison_off(self, place: _Place, bits: int, ranges: Ranges) -> None:
        for name in ranges.roster.registration(bits):
            self.warn(place, "sounds", f'"{name}" is a unison off: it takes sound away')

    def loudest(self, ranges: Ranges) -> None:
        """Full organ is at least as loud as the crescendo's last stage (semantics.md I.7)."""
        if not ranges.stages or not ranges.full_organs:
            return
        adds, silences = ranges.stages[-1]
        missing = [
            (adds & ~silences) & ~(sounds & ~silenced)
            for sounds, silenced in ranges.full_organs.values()
        ]
        if all(missing):
            least = min(missing, key=int.bit_count)
            lacking = ", ".join(ranges.roster.registration(least))
            index = next(i for i, p in enumerate(self.console.pistons) if p.kind is Kind.FULL_ORGAN)
            place = _Place("piston", index, self.console.pistons[index].id)
            message = "full organ is quieter than the crescendo's last stage: it lacks"
            self.warn(place, "sounds", f"{message} {lacking}")


def _firsts(messages: PinMessages) -> list[tuple[str, int]]:
    """The kinds of message that a board's pins are given, with the first number of each."""
    return [
        (message, first)
        for message, first in (
            ("note", messages.first_note),
            ("controller", messages.first_controller),
            ("program", messages.first_program),
        )
        if first is not None
    ]


def _is_address(text: str) -> bool:
    try:
        parse_address(text)
    except ValueError:
        return False
    return True


def _named(wire: _Wire) -> str:
    thing = f'{wire.place.table} "{wire.place.id}"' if wire.place.id else wire.place.table
    return f"{thing} ({wire.key})"


def _labelled(place: _Place, control: Control) -> str:
    return f'{place.table} "{control.id}", labelled {quoted(control.face)}'


def _span(numbers: range) -> str:
    return f"{numbers[0]} to {numbers[-1]}" if len(numbers) > 1 else f"{numbers[0]}"


def _notes(count: int) -> str:
    return "1 note" if count == 1 else f"{count} notes"
