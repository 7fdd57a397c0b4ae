"""A second, plainer relay, written from semantics.md Part II alone.

Keys, lines, pipes and controls are plain sets, and what is asked of every pipe is worked out anew
from the console each time it is wanted; kept are only the moments from which something is timed.
It shares no rule with `combination.relay` or `combination.pipes` and must not: where the two
disagree, one of them has misread the page.

Where the page is silent or short, this holds:

* What falls due at the time of an event is done before it, and what is due at the very time at
  which one looks has happened.
* Keys are moved by transposer and shift in one sum, which may leave 0-127 on the way; only the
  division's own lines limit it. A key that already is as reported is no news.
* The transposer refuses to stand beyond six semitones, and steps no further than its ends.
* A pizzicato coupler plucks keys, not lines, so that the transposer moves what it plucked. When it
  ceases to sound it lets all of them go.
* A stop with a rank is one draw over all lines; ``from`` and ``to`` of a draw, or of a percussion,
  limit the lines that the division already has. A straight mixture's pipe is that of its key,
  whatever the pitch. A stop that repeats on a rank too short to have the pipe in any octave is
  silent there.
* A pipe is struck when it is newly asked for: a second key that asks for it strikes nothing. With
  a longest on-time, it is on that long at most, and comes on again only when it is asked anew.
  Without one a single stroke lasts as long as it is asked for. Reiterated strokes begin at every
  whole period from then and last half of one, or the longest on-time if that is less.
* Lines and states that are sent out are limited in the same way.
* A trap is struck if it sounds and any line of its division is new; lines are counted with the
  transposer at 0, and several in one event are one strike. A stroke runs to its end whatever is
  drawn or released, and a strike meanwhile does not prolong it.
* A chamber follows the first shoe that has all chambers, if it has been heard, and else the one
  heard last of those that list it. If it follows none, it stays where it is. Half a unit of a
  curve is rounded up.
"""

from collections.abc import Iterable, Iterator
from fractions import Fraction
from math import floor, inf, log2
from typing import TypeVar

from attrs import define, evolve, field

from combination.events import (
    KeyMoved,
    RelayEvent,
    ShoeMoved,
    TransposerMoved,
    TransposerStepped,
)
from combination.model import (
    Chamber,
    Console,
    Coupler,
    Division,
    Draw,
    Keyboard,
    Percussion,
    Rank,
    Shoe,
    Stop,
    Trap,
)

FARTHEST = 6
"""Semitones by which the transposer moves the keys at most, either way."""
TRAP_STROKE = 0.1
"""Seconds that a trap's stroke lasts where the console does not say."""
SHADE_HYSTERESIS = 2
"""Units of the reading by which a stage of the shades ends lower than it begins."""

Thing = TypeVar("Thing")
Stroke = tuple[float, float]
"""From when and until when something is on, in seconds."""


@define
class PlainRelay:
    """A console's keys, shoes and transposer, and what sounds, from switch-on."""

    console: Console
    now: float = 0.0
    sounding: set[str] = field(factory=set)
    transposer: int = 0
    keys: dict[str, set[int]] = field(init=False)
    """By keyboard, the keys that are down."""
    plucked: dict[str, dict[int, float]] = field(factory=dict)
    """By pizzicato coupler, the keys that it plucked and until when it gives their lines."""
    readings: dict[str, int] = field(factory=dict)
    """By shoe that has been heard, its reading; the one heard last comes last."""

    pipes_since: dict[str, dict[int, float]] = field(factory=dict)
    """By rank: since when each pipe is asked for. So also the lines and states sent out."""
    lines_since: dict[str, dict[int, float]] = field(factory=dict)
    states_since: dict[str, float] = field(factory=dict)
    untransposed: dict[str, set[int]] = field(factory=dict)
    """By division, the lines by which its traps tell what is new."""
    struck_until: dict[str, float] = field(factory=dict)
    strikes: dict[str, int] = field(factory=dict)
    """By trap, how often it has been struck."""
    positions: dict[str, int] = field(factory=dict)
    """By chamber that has been moved, its value or its stage."""

    def __attrs_post_init__(self) -> None:
        self.keys = {keyboard.id: set() for keyboard in self.console.keyboards}
        self.strikes = {trap.id: 0 for trap in self.console.traps}
        self.settle()

    # The console, as its file describes it.

    def division(self, name: str | None) -> Division:
        return next(division for division in self.console.divisions if division.id == name)

    def rank(self, name: str) -> Rank:
        return next(rank for rank in self.console.ranks if rank.id == name)

    def keyboard(self, name: str) -> Keyboard:
        """A keyboard. KeyError if there is none of that name."""
        named = [keyboard for keyboard in self.console.keyboards if keyboard.id == name]
        if not named:
            raise KeyError(name)
        return named[0]

    def draws(self, control: Stop | Percussion) -> list[Draw]:
        if isinstance(control, Percussion):
            bars = Draw(control.rank, control.pitch, repeats=control.repeats)
            return [evolve(bars, first_key=control.first_key, last_key=control.last_key)]
        if control.rank is not None:
            return [Draw(control.rank, control.pitch, repeats=control.repeats)]
        return list(control.draws)

    # What happens.

    def sound(self, controls: set[str], at: float) -> None:
        """The controls that sound from now on."""
        self.tick(at)
        self.sounding = set(controls)
        for coupler in list(self.plucked):
            if coupler not in self.sounding:
                del self.plucked[coupler]
        self.settle()

    def receive(self, event: RelayEvent, at: float) -> None:
        """A key, a shoe or the transposer moves.

        Raises:
            KeyError: if the console has no such keyboard or shoe.
            ValueError: if the keyboard has no such key, a reading is beyond 0-127, or the
                transposer does not go so far.
        """
        match event:
            case KeyMoved(name, key, down):
                keyboard = self.keyboard(name)
                if not keyboard.lowest <= key < keyboard.lowest + keyboard.keys:
                    raise ValueError(key)
                self.tick(at)
                self.move_key(name, key, down)
            case ShoeMoved(name, reading):
                if name not in [shoe.id for shoe in self.console.shoes]:
                    raise KeyError(name)
                if not 0 <= reading <= 127:
                    raise ValueError(reading)
                self.tick(at)
                self.readings.pop(name, None)
                self.readings[name] = reading
            case TransposerMoved(semitones):
                if abs(semitones) > FARTHEST:
                    raise ValueError(semitones)
                self.tick(at)
                self.transposer = semitones
            case TransposerStepped(by):
                self.tick(at)
                self.transposer = max(-FARTHEST, min(self.transposer + by, FARTHEST))
        self.settle()

    def move_key(self, keyboard: str, key: int, down: bool) -> None:
        if (key in self.keys[keyboard]) == down:
            return
        (self.keys[keyboard].add if down else self.keys[keyboard].remove)(key)
        for coupler in self.sounding_couplers():
            if coupler.pizzicato and coupler.keys == keyboard:
                plucked = self.plucked.setdefault(coupler.id, {})
                if down:
                    plucked[key] = self.now + coupler.pizzicato_time
                else:
                    plucked.pop(key, None)

    def tick(self, at: float) -> None:
        """Let time pass: plucked keys let go at their own time, all else tells by the clock."""
        while True:
            ends = [end for keys in self.plucked.values() for end in keys.values() if end <= at]
            if not ends:
                break
            self.now = min(ends)
            for name, keys in self.plucked.items():
                self.plucked[name] = {key: end for key, end in keys.items() if end > self.now}
            self.settle()
        self.now = at

    def settle(self) -> None:
        """Note since when everything is asked for, strike traps and move shades."""
        for rank in self.console.ranks:
            earlier = self.pipes_since.get(rank.id, {})
            self.pipes_since[rank.id] = self.since(self.pipes(rank.id), earlier)
        for division in self.console.divisions:
            if division.out is not None:
                asked = self.bare(division.id) if division.out.bare else self.lines(division.id)
                earlier = self.lines_since.get(division.id, {})
                self.lines_since[division.id] = self.since(asked, earlier)
            self.strike_traps(division.id)
        states = {c.id for c in self.console.controls if not isinstance(c, Trap)}
        self.states_since = self.since(states & self.sounding, self.states_since)
        for chamber in self.console.chambers:
            self.move_shades(chamber)

    def since(self, asked: set[Thing], earlier: dict[Thing, float]) -> dict[Thing, float]:
        """Since when each thing that is asked for is asked for: from before, or from now."""
        return {thing: earlier.get(thing, self.now) for thing in asked}

    # Keys and lines.

    def sounding_couplers(self) -> list[Coupler]:
        return [coupler for coupler in self.console.couplers if coupler.id in self.sounding]

    def lines(self, name: str) -> set[int]:
        """What a division's stops see: L(D)."""
        return self.lines_at(name, self.transposer)

    def bare(self, name: str) -> set[int]:
        """The keys of a division's own keyboard, without couplers; a floating one has none."""
        division = self.division(name)
        own = self.keys[division.keyboard] if division.keyboard is not None else set()
        return self.within(division, (key + self.transposer for key in own))

    def lines_at(self, name: str, transposer: int) -> set[int]:
        division = self.division(name)
        cut = any(c.unison_off and c.division == name for c in self.sounding_couplers())
        found = set()
        if division.keyboard is not None and not cut:
            found |= {key + transposer for key in self.keys[division.keyboard]}
        for coupler in self.sounding_couplers():
            if coupler.keys is not None and coupler.plays == name:
                plucked = set(self.plucked.get(coupler.id, {}))
                read = plucked if coupler.pizzicato else self.keys[coupler.keys]
                found |= {key + transposer + coupler.shift for key in read}
        return self.within(division, found)

    def within(self, division: Division, lines: Iterable[int]) -> set[int]:
        lowest, count = self.console.lines_of(division)
        return {line for line in lines if lowest <= line < lowest + count}

    # Lines and pipes.

    def pipes(self, name: str) -> set[int]:
        """What is asked of a rank: the function of semantics.md II.2, which knows no time."""
        asked = set()
        speaking: list[Stop | Percussion] = [*self.console.stops, *self.console.percussions]
        for control in speaking:
            if control.id not in self.sounding:
                continue
            for draw in self.draws(control):
                if draw.rank == name and control.division is not None:
                    asked |= {self.pipe(draw, line) for line in self.lines(control.division)}
        return {pipe for pipe in asked if pipe is not None}

    def pipe(self, draw: Draw, line: int) -> int | None:
        """The pipe that a line plays by a draw, counted from 1; None if it is silent."""
        rank = self.rank(draw.rank)
        if draw.first_key is not None and line < draw.first_key:
            return None
        if draw.last_key is not None and line > draw.last_key:
            return None
        pipe = line - rank.first_key + 1
        if not draw.by_key and draw.pitch is not None:
            pipe += round(12 * log2(Fraction(rank.pitch) / Fraction(draw.pitch)))
        if draw.repeats and pipe < 1:
            while pipe < 1:
                pipe += 12
        elif draw.repeats:
            while pipe > rank.pipes:
                pipe -= 12
        return pipe if 1 <= pipe <= rank.pipes else None

    # What is on now, where on-times are limited.

    def strokes(self, since: float, longest: float | None, rate: float | None) -> list[Stroke]:
        """The stroke that began last of what is asked for ``since`` then, and the one to come."""
        if rate is None:
            return [(since, inf if longest is None else since + longest)]
        length = min(inf if longest is None else longest, 1 / rate / 2)
        periods = int((self.now - since) * rate)
        begins = [since + periods / rate, since + (periods + 1) / rate]
        return [(begin, begin + length) for begin in begins]

    def on_now(self, strokes: Iterable[Stroke]) -> bool:
        return any(begin <= self.now < end for begin, end in strokes)

    def blown(self, name: str) -> set[int]:
        """The pipes of a rank that are on at its outputs now."""
        rank = self.rank(name)
        return {
            pipe
            for pipe, since in self.pipes_since[name].items()
            if self.on_now(self.strokes(since, rank.longest_on, rank.rate))
        }

    def lines_on(self, name: str) -> set[int]:
        """The lines that are on now where a division sends them out."""
        out = self.division(name).out
        if out is None:
            raise KeyError(name)
        return {
            line
            for line, since in self.lines_since[name].items()
            if self.on_now(self.strokes(since, out.longest_on, None))
        }

    def switched(self) -> set[str]:
        """The controls whose output is on now, traps among them."""
        striking = {trap for trap, until in self.struck_until.items() if self.now < until}
        states = self.state_strokes().items()
        return striking | {name for name, strokes in states if self.on_now(strokes)}

    def state_strokes(self) -> dict[str, list[Stroke]]:
        return {
            control.id: self.strokes(self.states_since[control.id], control.out.longest_on, None)
            for control in self.console.controls
            if control.out is not None and control.id in self.states_since
        }

    @property
    def next_due(self) -> float | None:
        """When something changes by itself next, in seconds; None if nothing will."""
        return min((time for time in self.times() if self.now < time < inf), default=None)

    def times(self) -> Iterator[float]:
        """All moments that matter, past ones and those that never come among them."""
        for keys in self.plucked.values():
            yield from keys.values()
        yield from self.struck_until.values()
        strokes = [stroke for several in self.state_strokes().values() for stroke in several]
        for rank in self.console.ranks:
            for since in self.pipes_since[rank.id].values():
                strokes += self.strokes(since, rank.longest_on, rank.rate)
        for division in self.console.divisions:
            if division.out is not None:
                for since in self.lines_since[division.id].values():
                    strokes += self.strokes(since, division.out.longest_on, None)
        for stroke in strokes:
            yield from stroke

    # Traps.

    def strike_traps(self, division: str) -> None:
        lines = self.lines_at(division, transposer=0)
        new = lines - self.untransposed.get(division, set())
        self.untransposed[division] = lines
        for trap in self.console.traps:
            if new and trap.division == division and trap.id in self.sounding:
                self.strikes[trap.id] += 1
                if self.struck_until.get(trap.id, -inf) <= self.now:
                    longest = trap.out.longest_on if trap.out is not None else None
                    lasts = TRAP_STROKE if longest is None else longest
                    self.struck_until[trap.id] = self.now + lasts

    # Shoes and shades.

    def shades(self, name: str) -> int | None:
        """A chamber's value, or its stage; None until a shoe that it follows is heard."""
        return self.positions.get(name)

    def followed(self, chamber: Chamber) -> Shoe | None:
        heard = [shoe for shoe in self.console.shoes if shoe.id in self.readings]
        for shoe in heard:
            if shoe.all_control is not None and shoe.all_control in self.sounding:
                return shoe
        listing = {shoe.id: shoe for shoe in heard if chamber.id in shoe.chambers}
        last_first = [listing[name] for name in reversed(self.readings) if name in listing]
        return last_first[0] if last_first else None

    def move_shades(self, chamber: Chamber) -> None:
        shoe = self.followed(chamber)
        if shoe is None:
            return
        travel = Fraction(self.readings[shoe.id] - shoe.heel, shoe.toe - shoe.heel)
        travel = max(Fraction(0), min(travel, Fraction(1)))
        if chamber.stages is None:
            self.positions[chamber.id] = self.on_curve(chamber.curve or (0, 127), travel)
        else:
            before = self.positions.get(chamber.id, 0)
            self.positions[chamber.id] = self.stage_at(chamber.stages, 127 * travel, before)

    def on_curve(self, curve: tuple[int, ...], travel: Fraction) -> int:
        steps = len(curve) - 1
        for step in range(steps):
            along = travel * steps - step
            if 0 <= along <= 1:
                value = curve[step] + (curve[step + 1] - curve[step]) * along
                return floor(value + Fraction(1, 2))
        raise AssertionError(travel)

    def stage_at(self, stages: int, reading: Fraction, before: int) -> int:
        """The stage of a shade engine at a reading scaled to 0-127, coming from another stage."""
        if reading == 127:
            return stages
        less = min(Fraction(SHADE_HYSTERESIS), Fraction(64, stages + 1))
        stage = before
        while stage < stages and reading >= Fraction(128 * (stage + 1), stages + 1):
            stage += 1
        while stage > 0 and reading <= Fraction(128 * stage, stages + 1) - less:
            stage -= 1
        return stage
