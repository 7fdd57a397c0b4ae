"""The relay: the rules of Part II of semantics.md, in the order of that page.

Everything that decides which pipe sounds is in this file, and nothing in it knows how a key
was heard, why a stop is on, or how a pipe is blown: keys and what sounds come in, with the
time, and what is to be turned on and off goes out. Keys, lines and pipes are bits of integers
(`combination.bits`), so that the sentences of the contract are a shift, a mask and an OR:

    K(B)    self.keys[B]                          bit n is key n, before the transposer
    L(D)    ⋃ K(B) moved by its shift             over D's keyboard and its sounding couplers
    pipes   ⋃ L(D), within a stop's, moved        over the sounding stops that draw the rank

They are worked out anew whenever something has changed, and what differs is told. Nothing is
counted, so that nothing can be miscounted: a pipe sounds while something asks for it and no
longer. What time does to an output (a stroke that ends, or is repeated) is kept apart from
what is asked of it; it can only be less.
"""

from collections.abc import Iterable, Iterator, Sequence
from operator import and_, xor
from typing import NamedTuple

from attrs import define, field

from combination.bits import Numbers, Parts, Shared, moved, numbers_of, run
from combination.effects import Effect, OutputsOff, OutputsOn, ShadesMoved, TransposerTurned
from combination.events import (
    KeyMoved,
    RelayEvent,
    ShoeMoved,
    TransposerMoved,
    TransposerStepped,
)
from combination.model import (
    HIGHEST_TRANSPOSED,
    Chamber,
    Console,
    Coupler,
    Division,
    Percussion,
    Rank,
    Stop,
    Stroke,
    Trap,
)
from combination.pedals import shade_stages, shade_value
from combination.pipes import reached_by
from combination.registration import Registration, Roster

TRAP_STROKE = 0.1
"""Seconds that a trap without a longest on-time is on: common practice for a beater's magnet."""


class _Reach(NamedTuple):
    """How a part of a stop reaches its rank: these lines, moved up and down, are its pipes."""

    within: int
    up: int
    down: int


_Paths = dict[str, tuple[list[int], list[int]]]
"""By keyboard, how far its keys are moved up to be lines, and how far down."""


@define(eq=False)
class _Division:
    """A division; all from ``paths`` on is what the registration and the keys make of it.

    ``paths`` are the keyboards that play it, as the transposer moves them, ``untransposed`` the
    same without it, ``plucking`` its pizzicato couplers, ``reached`` the ranks that its stops
    draw, by how they reach them, ``struck`` the lines that its traps have had.
    """

    model: Division
    compass: int
    unison_offs: int
    couplers: tuple[tuple[int, Coupler], ...]
    speaking: int
    traps: int
    paths: _Paths = field(factory=dict)
    untransposed: _Paths = field(factory=dict)
    plucking: tuple[Coupler, ...] = ()
    reached: dict[_Reach, dict[str, None]] = field(factory=dict)
    lines: int = 0
    struck: int = 0


@define(eq=False)
class _Output:
    """Something that goes out as a set of numbers: pipes, lines or controls; on while asked for."""

    part: str
    name: str
    asked: int = 0
    on: int = 0

    def ask(self, asked: int, _at: float) -> None:
        self.asked = self.on = asked

    @property
    def due(self) -> float | None:
        """When it will act by itself; None if it will not."""
        return None

    def fall_due(self, _at: float) -> None:
        """Do what is due by then."""


@define
class _Group:
    """Numbers that were asked for at one time, and the stroke that they are at, from 0."""

    numbers: int
    start: float
    stroke: int = 0
    down: bool = True


@define(eq=False, kw_only=True)
class _Timed(_Output):
    """An output whose strokes last so long (seconds), once or again ``every`` so many seconds."""

    lasts: float
    every: float | None = None
    groups: list[_Group] = field(factory=list)

    def ask(self, asked: int, at: float) -> None:
        begun, ceased = asked & ~self.asked, self.asked & ~asked
        self.asked, self.on = asked, self.on & ~ceased | begun
        for group in self.groups:
            group.numbers &= ~ceased
        self.groups = [group for group in self.groups if group.numbers]
        if begun:
            self.groups.append(_Group(begun, at))

    @property
    def due(self) -> float | None:
        return min(map(self._turns, self.groups), default=None)

    def _turns(self, group: _Group) -> float:
        """When a group's stroke ends, or the next one begins."""
        if group.down:
            return group.start + group.stroke * (self.every or 0) + self.lasts
        return group.start + (group.stroke + 1) * (self.every or 0)

    def fall_due(self, at: float) -> None:
        for group in [group for group in self.groups if self._turns(group) <= at]:
            if not group.down:
                group.stroke += 1
                self.on |= group.numbers
            else:
                self.on &= ~group.numbers
                if self.every is None:
                    self.groups.remove(group)
            group.down = not group.down


@define(eq=False, kw_only=True)
class _Struck(_Output):
    """A trap's output: on for a stroke, which nothing makes longer. ``bit`` is the trap's."""

    bit: int
    lasts: float
    until: float | None = None

    def strike(self, at: float) -> None:
        if self.until is None:
            self.until = at + self.lasts
        self.on = self.bit

    @property
    def due(self) -> float | None:
        return self.until

    def fall_due(self, _at: float) -> None:
        self.until, self.on = None, 0


@define
class _Turned:
    """What has gone off, or on, and is still to be told."""

    pipes: list[Shared] = field(factory=list)
    lines: list[Shared] = field(factory=list)
    controls: int = 0

    def add(self, output: _Output, numbers: int) -> None:
        if output.part == "controls":
            self.controls |= numbers
        elif numbers:
            parts = self.pipes if output.part == "pipes" else self.lines
            parts.append((((output.name,),), (numbers,)))

    def __bool__(self) -> bool:
        return bool(self.pipes or self.lines or self.controls)


class Relay:
    """One console's relay, from switch-on to switch-off.

    Keys, shoes and the transposer go in through `receive`, what the combination action says
    sounds through `register`; `tick` lets time pass. All take the time ``at`` (seconds on a
    clock that never goes back), do first what has fallen due by then, and return what changed.
    The relay acts by itself at `next_due`.

    ``keys`` has the keys that are down on each keyboard, as bits by MIDI note number, before
    the transposer moves them; ``transposer`` is in semitones. ``sounding`` is an integer over
    the console's controls in rail order.
    """

    def __init__(self, console: Console, *, at: float = 0.0) -> None:
        """Switch on: no key down, nothing sounding, the transposer at 0."""
        self.console = console
        self.keys = {keyboard.id: 0 for keyboard in console.keyboards}
        self.sounding = 0
        self.transposer = 0

        self._now = at
        self._roster = Roster(control.id for control in console.controls)
        self._keyboards = {k.id: run(k.lowest, k.lowest + k.keys - 1) for k in console.keyboards}
        self._divisions = {division.id: self._laid_out(division) for division in console.divisions}
        self._draws = tuple(_drawn_by(console))
        self._ways: list[tuple[_Division, int, int, int]] = []
        self._unions: tuple[tuple[int, int], ...] = ()
        self._drawn: list[list[str]] = []
        self._drawn_by: list[int] = []
        self._asked: list[int] = []
        self._places: dict[str, int] = {}
        self._speaking = sum(division.speaking for division in self._divisions.values())
        self._couplers = self._roster.bits(coupler.id for coupler in console.couplers)
        self._pizzicato = [c for c in console.couplers if c.pizzicato]
        self._plucked: dict[str, dict[int, float]] = {}
        self._couple(0)

        self._timed = {rank.id: timed for rank in console.ranks if (timed := _timed(rank))}
        self._line_outs = {
            division.id: _output("lines", division.id, division.out.longest_on)
            for division in console.divisions
            if division.out is not None
        }
        self._state_outs = [
            (self._roster.bit(control.id), _output("controls", "", control.out.longest_on))
            for control in console.controls
            if control.out is not None and not isinstance(control, Trap)
        ]
        self._states = sum(bit for bit, _ in self._state_outs)
        self._traps = {self._roster.bit(t.id): self._trap_output(t) for t in console.traps}
        self._ticking: dict[_Output, None] = {}
        self._off, self._on = _Turned(), _Turned()

        self._shoes = {shoe.id: shoe for shoe in console.shoes}
        self._readings: dict[str, int] = {}
        self._shades: dict[str, int] = {}
        self._stages = {
            (shoe.id, chamber.stages): shade_stages(shoe, chamber.stages)
            for shoe in console.shoes
            for chamber in console.chambers
            if chamber.stages is not None
        }

    # ------------------------------------------------------------ events in, effects out

    def receive(self, event: RelayEvent, at: float) -> list[Effect]:
        """Take one event, at its time, and return what changed.

        Raises:
            KeyError: if the console has no such keyboard or shoe.
            ValueError: if a key is not on its keyboard, a reading is beyond 0-127 or a
                transposition beyond -6 to +6, or ``at`` is earlier than a time already given.
        """
        self._check(event)
        effects = self.tick(at)
        if isinstance(event, KeyMoved):
            return effects + self._key_moved(event)
        if isinstance(event, ShoeMoved):
            return effects + self._shoe_moved(event)
        return effects + self._transposer_moved(event)

    def _check(self, event: RelayEvent) -> None:
        """Refuse what makes no sense, before anything is done: nothing due may go untold."""
        if isinstance(event, KeyMoved):
            key = event.key
            if key < 0 or not self._keyboards[event.keyboard] >> key & 1:
                raise ValueError(f'keyboard "{event.keyboard}" has no key {key}')
        elif isinstance(event, ShoeMoved):
            if not 0 <= event.reading <= 127:
                raise ValueError(f"a shoe reads 0 to 127, not {event.reading}")
            if event.shoe not in self._shoes:
                raise KeyError(event.shoe)
        elif isinstance(event, TransposerMoved) and abs(event.semitones) > HIGHEST_TRANSPOSED:
            ends = f"from -{HIGHEST_TRANSPOSED} to +{HIGHEST_TRANSPOSED}"
            raise ValueError(f"the transposer goes {ends}, not to {event.semitones}")

    def register(self, sounding: int, at: float) -> list[Effect]:
        """Take what sounds from now on, as the combination action has it."""
        effects = self.tick(at)
        changed, self.sounding = self.sounding ^ sounding, sounding
        if not changed:
            return effects
        if changed & self._couplers:
            self._couple(changed & ~sounding)
        if changed & self._speaking:
            self._draw(changed)
        self._play()
        for bit, output in self._state_outs if changed & self._states else ():
            if changed & bit:
                self._ask(output, sounding & bit)
        return effects + self._told() + self._move_shades()

    def tick(self, at: float) -> list[Effect]:
        """Let time pass until ``at``, and return what changed by it.

        Raises:
            ValueError: if ``at`` is earlier than a time already given.
        """
        if at < self._now:
            raise ValueError(f"{at} is earlier than {self._now}")
        effects: list[Effect] = []
        while (due := self.next_due) is not None and due <= at:
            self._now = due
            self._unpluck(due)
            for output in [o for o in self._ticking if o.due is not None and o.due <= due]:
                was = output.on
                output.fall_due(due)
                self._turn(output, was)
            effects += self._told()
        self._now = at
        return effects

    @property
    def next_due(self) -> float | None:
        """When the relay will act by itself; None if it will not."""
        if not self._ticking and not self._plucked:
            return None
        due = [output.due for output in self._ticking]
        plucked = [until for keys in self._plucked.values() for until in keys.values()]
        return min([at for at in due if at is not None] + plucked, default=None)

    # ------------------------------------------------------------ what there is to see

    def keys_down(self, keyboard: str) -> Numbers:
        """The keys that are down on a keyboard, as MIDI note numbers, not transposed."""
        return Numbers(self.keys[keyboard])

    def lines(self, division: str) -> Numbers:
        """L(D): the lines that a division's stops see, as MIDI note numbers."""
        return Numbers(self._divisions[division].lines)

    def pipes(self, rank: str) -> Numbers:
        """The pipes of a rank, from 1, that something asks for."""
        place = self._places.get(rank)
        return Numbers(0 if place is None else self._asked[place])

    def blown(self, rank: str) -> Numbers:
        """The pipes of a rank that are on: those asked for, but for what time has ended."""
        timed = self._timed.get(rank)
        return Numbers(timed.on) if timed else self.pipes(rank)

    def lines_on(self, division: str) -> Numbers:
        """The lines that are on at a division's own output; none if it has no output."""
        output = self._line_outs.get(division)
        return Numbers(output.on if output else 0)

    @property
    def switched(self) -> Registration:
        """The controls whose outputs are on, and the traps that are in their stroke."""
        outputs = [output for _, output in self._state_outs] + list(self._traps.values())
        return self._roster.registration(sum(output.on for output in outputs))

    def standing(self) -> OutputsOn:
        """Everything that has an output and is on at present."""
        ranks = [rank.id for rank in self.console.ranks]
        pipes = [self.blown(rank).bits for rank in ranks]
        lines = [output.on for output in self._line_outs.values()]
        return OutputsOn(_parts(ranks, pipes), _parts(self._line_outs, lines), self.switched)

    def silence(self) -> OutputsOff:
        """Everything that has an output, whether it is on or not."""
        pipes = [run(1, rank.pipes) for rank in self.console.ranks]
        lines = [self._divisions[name].compass for name in self._line_outs]
        return OutputsOff(
            _parts((rank.id for rank in self.console.ranks), pipes),
            _parts(self._line_outs, lines),
            self._roster.registration(self._roster.everything),
        )

    def shades(self, chamber: str) -> int | None:
        """Where a chamber's shades are: a controller's value (0-127) or a stage; None: unknown."""
        return self._shades.get(chamber)

    # ------------------------------------------------------------ 1. keys and lines

    def _laid_out(self, division: Division) -> _Division:
        console, bit = self.console, self._roster.bit
        lowest, count = console.lines_of(division)
        playing = [c for c in console.couplers if console.played_by(c) == division.id]
        own = {c.id: c for c in console.controls if c.division == division.id}
        speaking = [c for c in own.values() if isinstance(c, Stop | Percussion)]
        return _Division(
            division,
            compass=run(lowest, lowest + count - 1),
            unison_offs=self._roster.bits(c.id for c in playing if c.unison_off),
            couplers=tuple((bit(c.id), c) for c in playing if not c.unison_off),
            speaking=self._roster.bits(c.id for c in speaking),
            traps=self._roster.bits(c.id for c in own.values() if isinstance(c, Trap)),
        )

    def _couple(self, ceased: int) -> None:
        """Couplers came on or went off, or the transposer moved: what plays each division?"""
        for division in self._divisions.values():
            on = [coupler for bit, coupler in division.couplers if self.sounding & bit]
            played = {(c.keys or "", c.shift) for c in on if not c.pizzicato}
            if division.model.keyboard and not self.sounding & division.unison_offs:
                played.add((division.model.keyboard, 0))
            division.paths = _paths(played, self.transposer)
            division.untransposed = _paths(played, 0)
            division.plucking = tuple(c for c in on if c.pizzicato)
        for name in self._roster.registration(ceased & self._couplers):
            self._plucked.pop(name, None)

    def _lines(self, division: _Division, paths: _Paths, transposed: int) -> int:
        """L(D): couplers read keys, never lines, so that they do not cascade."""
        lines = 0
        for keyboard, (ups, downs) in paths.items():
            keys = self.keys[keyboard]
            if keys:
                for up in ups:
                    lines |= keys << up
                for down in downs:
                    lines |= keys >> down
        for coupler in division.plucking:
            keys = sum(1 << key for key in self._plucked.get(coupler.id, ()))
            lines |= moved(keys, coupler.shift + transposed)
        return lines & division.compass

    def _key_moved(self, event: KeyMoved) -> list[Effect]:
        keyboard, key = event.keyboard, event.key
        if bool(self.keys[keyboard] >> key & 1) is event.down:
            return []
        self.keys[keyboard] ^= 1 << key
        for coupler in self._pizzicato:
            if coupler.keys == keyboard and self.sounding & self._roster.bit(coupler.id):
                plucked = self._plucked.setdefault(coupler.id, {})
                plucked.pop(key, None)
                if event.down:
                    plucked[key] = self._now + coupler.pizzicato_time
        self._play(grows=event.down)
        return self._told()

    def _unpluck(self, at: float) -> None:
        """Plucked keys whose time is over give no line any more."""
        over = False
        for coupler, keys in list(self._plucked.items()):
            left = {key: until for key, until in keys.items() if until > at}
            over = over or len(left) < len(keys)
            if left:
                self._plucked[coupler] = left
            else:
                del self._plucked[coupler]
        if over:
            self._play(grows=False)

    def _transposer_moved(self, event: TransposerMoved | TransposerStepped) -> list[Effect]:
        most = HIGHEST_TRANSPOSED
        if isinstance(event, TransposerStepped):
            semitones = min(max(self.transposer + event.by, -most), most)
        else:
            semitones = event.semitones
        if semitones == self.transposer:
            return []
        self.transposer = semitones
        self._couple(0)
        self._play()
        return [*self._told(), TransposerTurned(semitones)]

    # ------------------------------------------------------------ 2. lines and pipes

    def _draw(self, changed: int) -> None:
        """Stops came on or went off: gather in which ways each rank is drawn.

        Ranks that are drawn alike, and have sounded alike until now, are worked out once. What
        sounds and is drawn no longer is among them, so that it can cease.
        """
        for division in self._divisions.values():
            if changed & division.speaking:
                division.reached = {}
                for stop in numbers_of(self.sounding & division.speaking):
                    for reach, rank in self._draws[stop]:
                        division.reached.setdefault(reach, {})[rank] = None
        ways = [(d, *way) for d in self._divisions.values() for way in d.reached.items()]
        self._ways = [(division, *reach) for division, reach, _ in ways]
        before = zip(self._drawn, self._asked, strict=True)
        sounding = {rank: pipes for ranks, pipes in before if pipes for rank in ranks}
        places, self._unions = _united([ranks for _, _, ranks in ways], sounding)
        alike: dict[tuple[object, ...], list[str]] = {}
        for rank, place in places.items():
            by_itself = rank if rank in self._timed else None
            alike.setdefault((place, sounding.get(rank, 0), by_itself), []).append(rank)
        self._drawn = list(alike.values())
        self._drawn_by = [places[ranks[0]] for ranks in self._drawn]
        self._asked = [sounding.get(ranks[0], 0) for ranks in self._drawn]
        self._places = {rank: n for n, ranks in enumerate(self._drawn) for rank in ranks}

    def _play(self, *, grows: bool | None = None) -> None:
        """Work out all lines and pipes anew, and note what differs from before.

        Both are unions over keys: a key that goes down can only add to them, and one that comes
        up, or is plucked no more, only take from them. ``grows`` says which; None: it may do both.
        """
        for division in self._divisions.values():
            division.lines = self._lines(division, division.paths, self.transposer)
            if division.traps:
                self._strike(division)
        pipes = [(d.lines & within) << up >> down for d, within, up, down in self._ways]
        pipes.append(0)
        for some, more in self._unions:
            pipes.append(pipes[some] | pipes[more])
        asked = list(map(pipes.__getitem__, self._drawn_by))
        before, self._asked = self._asked, asked
        if asked != before:
            self._turn_pipes(before, grows)
        for name, output in self._line_outs.items():
            lines = self._lines_out(self._divisions[name])
            if lines != output.asked:
                self._ask(output, lines)

    def _turn_pipes(self, before: list[int], grows: bool | None) -> None:
        """Pipes go off and on; where time has a hand in it, as it has it."""
        changed = list(map(xor, before, self._asked))
        for rank, output in self._timed.items():
            place = self._places.get(rank)
            if place is not None and changed[place]:
                changed[place] = 0
                self._ask(output, self._asked[place])
        on, off = changed, changed
        if grows is None:
            on, off = list(map(and_, changed, self._asked)), list(map(and_, changed, before))
        if grows is not False and any(on):
            self._on.pipes.append((self._drawn, on))
        if not grows and any(off):
            self._off.pipes.append((self._drawn, off))

    def _strike(self, division: _Division) -> None:
        """Traps strike for each new line, whichever key it is; they are not transposed."""
        lines = division.lines
        if self.transposer:
            lines = self._lines(division, division.untransposed, 0)
        new, division.struck = lines & ~division.struck, lines
        if not new:
            return
        for place in numbers_of(division.traps & self.sounding):
            output = self._traps[1 << place]
            was = output.on
            output.strike(self._now)
            if was:
                self._off.add(output, was)
                self._on.add(output, was)
            self._turn(output, was)

    # ------------------------------------------------------------ 3. out

    def _lines_out(self, division: _Division) -> int:
        """What a division's own output is asked for: its lines, or the bare keys."""
        out, keyboard = division.model.out, division.model.keyboard
        if out is None or not out.bare:
            return division.lines
        keys = self.keys[keyboard] if keyboard else 0
        return moved(keys, self.transposer) & division.compass

    def _trap_output(self, trap: Trap) -> _Struck:
        longest = trap.out.longest_on if trap.out else None
        bit = self._roster.bit(trap.id)
        return _Struck("controls", "", bit=bit, lasts=longest or TRAP_STROKE)

    def _ask(self, output: _Output, asked: int) -> None:
        was = output.on
        output.ask(asked, self._now)
        self._turn(output, was)

    def _turn(self, output: _Output, was: int) -> None:
        """An output may be on otherwise than it was, and may act by itself, or no longer."""
        now = output.on
        if now != was:
            self._off.add(output, was & ~now)
            self._on.add(output, now & ~was)
        if output.due is not None:
            self._ticking[output] = None
        elif output in self._ticking:
            del self._ticking[output]

    def _told(self) -> list[Effect]:
        """What has been turned off, and then what has been turned on."""
        effects: list[Effect] = []
        for kind, turned in ((OutputsOff, self._off), (OutputsOn, self._on)):
            if turned:
                controls = self._roster.registration(turned.controls)
                effects.append(kind(Parts(turned.pipes), Parts(turned.lines), controls))
        if effects:
            self._off, self._on = _Turned(), _Turned()
        return effects

    # ------------------------------------------------------------ 4. expression

    def _shoe_moved(self, event: ShoeMoved) -> list[Effect]:
        self._readings.pop(event.shoe, None)
        self._readings[event.shoe] = event.reading
        return self._move_shades()

    def _move_shades(self) -> list[Effect]:
        """Every chamber goes with its shoe; one without stays where it is."""
        effects: list[Effect] = []
        for chamber in self.console.chambers if self._readings else ():
            shoe = self._shoe_of(chamber)
            if shoe is None:
                continue
            before = self._shades.get(chamber.id)
            position = self._position(chamber, shoe, before or 0)
            if position != before:
                self._shades[chamber.id] = position
                effects.append(ShadesMoved(chamber.id, position, before))
        return effects

    def _shoe_of(self, chamber: Chamber) -> str | None:
        """The shoe to which a control assigns all chambers, or its own that moved last."""
        for shoe in self.console.shoes:
            everything = shoe.all_control is not None and self.sounding & self._roster.bit(
                shoe.all_control
            )
            if everything and shoe.id in self._readings:
                return shoe.id
        moved_last = reversed(self._readings)
        return next((s for s in moved_last if chamber.id in self._shoes[s].chambers), None)

    def _position(self, chamber: Chamber, shoe: str, before: int) -> int:
        reading = self._readings[shoe]
        if chamber.stages is None:
            return shade_value(self._shoes[shoe], chamber.curve, reading)
        rises, falls = self._stages[shoe, chamber.stages]
        return min(max(before, rises[reading]), falls[reading])


def _parts(names: Iterable[str], integers: list[int]) -> Parts:
    return Parts([([[name] for name in names], integers)])


def _paths(played: Iterable[tuple[str, int]], transposed: int) -> _Paths:
    """Keyboards that play a division, each with a shift, as `Relay._lines` moves their keys."""
    paths: _Paths = {}
    for keyboard, shift in played:
        ups, downs = paths.setdefault(keyboard, ([], []))
        by = shift + transposed
        (ups if by >= 0 else downs).append(abs(by))
    return paths


def _drawn_by(console: Console) -> Iterator[tuple[tuple[_Reach, str], ...]]:
    """The ranks that each control draws, in rail order, and how each is reached."""
    ranks = {rank.id: rank for rank in console.ranks}
    compass = {division.id: console.lines_of(division) for division in console.divisions}
    for control in console.controls:
        if not isinstance(control, Stop | Percussion):
            yield ()
            continue
        lowest, count = compass[control.division or ""]
        reached = reached_by(control, ranks, range(lowest, lowest + count))
        yield tuple(
            (_Reach(lines, max(by, 0), max(-by, 0)), rank) for (rank, by), lines in reached.items()
        )


def _united(
    ways: Sequence[Iterable[str]], silent: Iterable[str]
) -> tuple[dict[str, int], tuple[tuple[int, int], ...]]:
    """Where each rank's pipes are found in a list of what each way gives, nothing, and unions.

    A union is of two that are found before it; those that ranks have in common are there once.
    ``silent`` are ranks that are to be found even if nothing draws them.
    """
    nothing = len(ways)
    places = dict.fromkeys(silent, nothing)
    unions: dict[tuple[int, int], int] = {}
    for way, ranks in enumerate(ways):
        for rank in ranks:
            place = places.get(rank, nothing)
            if place == nothing:
                places[rank] = way
            else:
                places[rank] = unions.setdefault((place, way), nothing + 1 + len(unions))
    return places, tuple(unions)


def _output(part: str, name: str, longest: float | None) -> _Output:
    return _Output(part, name) if longest is None else _Timed(part, name, lasts=longest)


def _timed(rank: Rank) -> _Timed | None:
    """A rank's pipes where time has a hand in it; None where they sound while asked for.

    A reiterating stroke is on for half of its time at most.
    """
    if rank.stroke is Stroke.REITERATE and rank.rate is not None:
        every = 1 / rank.rate
        lasts = min(every / 2, rank.longest_on or every)
        return _Timed("pipes", rank.id, lasts=lasts, every=every)
    if rank.longest_on is not None:
        return _Timed("pipes", rank.id, lasts=rank.longest_on)
    return None
