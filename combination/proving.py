"""Proof of wiring: from what the pins said when everything was worked once, to what is wrong.

One mistake has many symptoms: a ribbon that sits one pin too far moves sixty keys. So mistakes
are looked for that explain as much as they can, the greatest first, each in terms of the plan as
the mistakes found before have left it; what they do not explain is a mistake by itself. Where a
contact says nothing it can be doubtful which one it was: then every story that is as good is
given. How it is told and written is not known here.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence, Set
from enum import Enum
from itertools import pairwise

from attrs import define, evolve, frozen

from combination.aligning import AGAIN, Matches, alignments, struck_twice
from combination.contacts import Role
from combination.harness import Part, Point
from combination.model import Timing
from combination.strikes import Change, Manner, Spot, strikes_of


class Mistake(Enum):
    """What can be wrong with wires."""

    SWAPPED = "swapped"
    SHIFTED = "shifted"
    REVERSED = "reversed"
    EXCHANGED = "exchanged"
    MIXED = "mixed up"
    WRONG_BOARD = "on the wrong board"
    UNPLANNED = "on a pin that nobody planned"
    TAKEN = "on another's pin"
    DOUBLED = "doubled"
    DEAD = "dead"
    STUCK = "stuck"
    BOUNCING = "bouncing"
    INVERTED = "inverted"
    STRAY = "stray"


@frozen
class Finding:
    """One mistake.

    ``points`` are its contacts in the order of the harness, ``planned`` where they belong and
    ``found`` where they are, each in that order (a board and pin; None where it is not known).
    Of two runs that are exchanged, the first is ``points[:split]``. ``by`` is how many pins
    further a shifted run is, ``seconds`` how long a contact bounced.
    """

    mistake: Mistake
    points: tuple[Point, ...]
    planned: tuple[Spot | None, ...] = ()
    found: tuple[Spot | None, ...] = ()
    by: int = 0
    split: int = 0
    seconds: float = 0.0


@frozen
class Worked:
    """What was heard while some contacts were worked, each once and in this order.

    ``closed`` has the pins that were closed before anything was worked.
    """

    points: tuple[Point, ...]
    changes: tuple[Change, ...]
    closed: frozenset[Spot] = frozenset()


@frozen
class Doubt:
    """Points of which something is wrong that can be told in several ways, all as good."""

    stories: tuple[tuple[Finding, ...], ...]


@frozen
class Proof:
    """What a proof has shown.

    ``right`` are the contacts with which nothing is wrong. ``findings`` are the mistakes, the
    first story of each of the ``doubts`` among them. ``own`` is where each contact is: where it
    was heard, or, of one that said nothing, where it must be if the mistakes explain it.
    """

    right: tuple[Point, ...]
    findings: tuple[Finding, ...]
    doubts: tuple[Doubt, ...]
    own: Mapping[Point, Spot]
    silent: frozenset[Point]


def spot_of(pin: str) -> Spot:
    """A pin as its board and number."""
    board, _, number = pin.rpartition(".")
    return board, int(number)


def asked_of(points: Sequence[Point]) -> tuple[tuple[Point, ...], ...]:
    """In which runs the contacts of a console are worked: each keyboard, and each other part.

    A second touch is worked through the first, which comes before it once more.
    """
    runs: dict[tuple[Part, str], list[Point]] = {}
    first = {point.id: point for point in reversed(points) if point.part is Part.THUMB}
    for point in points:
        owner = point.id if point.part is Part.KEYS else ""
        run = runs.setdefault((point.part, owner), [])
        if point.part is Part.SECOND_TOUCH and point.number == 0 and point.id in first:
            run.append(first[point.id])
        run.append(point)
    return tuple(tuple(run) for run in runs.values())


def prove(worked: Iterable[Worked], timing: Timing) -> Proof:
    """What is right and what is wrong with the wires of the contacts that were worked.

    A contact that is in it twice is judged by the first time. ``timing`` says which bounces are
    harmless. Where far more was heard than there are contacts it takes long, to no avail.
    """
    tasks: list[_Task] = []
    chosen: list[Matches] = []
    doubts = []
    known: dict[tuple[Role, str, int], Spot] = {}
    for each in worked:
        task = _Task.of(each, known)
        good = _best_told(task, timing)
        tasks.append(task)
        chosen.append(good[0][0])
        if len(good) > 1:
            doubts.append(_doubt([findings for _, findings in good]))
        for point, match in zip(each.points, good[0][0], strict=True):
            if match is not None:
                known.setdefault(point.wire, match.own)
    state = _State(tasks, chosen)
    findings = state.findings(timing)
    at_fault = {point.wire for finding in findings for point in finding.points}
    return Proof(
        tuple(point for point in state.points if point.wire not in at_fault),
        findings,
        tuple(doubts),
        {point: spot for point, spot in zip(state.points, state.now, strict=True) if spot},
        frozenset(p for p, own in zip(state.points, state.own, strict=True) if own is None),
    )


def _best_told(task: "_Task", timing: Timing) -> list[tuple[Matches, tuple[Finding, ...]]]:
    """The story of a run of contacts that comes down to the fewest mistakes; several, if as good.

    A hand that slips is not as bad as a mistake, and two contacts on one pin are one and more. Of
    as many mistakes those are better that are of fewer contacts.
    """
    if len(task.stories) == 1:
        return [(task.stories[0][1], ())]
    told: dict[tuple[Finding, ...], tuple[tuple[float, int], Matches]] = {}
    for _, story in task.stories:
        state = _State([task], [story])
        findings = state.findings(timing)
        slips = len(task.strikes) - sum(match is not None for match in story)
        score = len(findings) + AGAIN * (slips + state.shared)
        at_fault = {point.wire for finding in findings for point in finding.points}
        told.setdefault(findings, ((round(score, 6), len(at_fault)), story))
    least = min(worth for worth, _ in told.values())
    return [(story, findings) for findings, (worth, story) in told.items() if worth == least]


def _doubt(stories: Sequence[tuple[Finding, ...]]) -> Doubt:
    """What the stories do not have in common."""
    common = frozenset.intersection(*map(frozenset, stories))
    return Doubt(tuple(tuple(f for f in story if f not in common) for story in stories))


@define
class _Task:
    """One run of contacts, the strikes that were heard, and the stories that fit them."""

    worked: Worked
    strikes: Sequence[frozenset[Spot]]
    manners: Mapping[Spot, Manner]
    stories: Sequence[tuple[float, Matches]]

    @classmethod
    def of(cls, worked: Worked, known: Mapping[tuple[Role, str, int], Spot]) -> "_Task":
        """Find the strikes and the stories. Of some contacts it is ``known`` where they are."""
        found, manners = strikes_of(worked.changes, worked.closed)
        planned = [
            known.get(point.wire) or (spot_of(point.pin) if point.pin else None)
            for point in worked.points
        ]
        struck = [strike.spots for strike in found]
        pistons = {spot for (role, _, _), spot in known.items() if role is Role.PISTON}
        strikes = list(_touches_apart(worked.points, planned, struck, pistons))
        wires = {point.wire for point in worked.points}
        sure = {known[wire] for wire in wires & known.keys()}
        others = {spot for wire, spot in known.items() if wire not in wires}
        stories = alignments(planned, strikes, worked.closed, sure, others)
        return cls(worked, strikes, manners, stories)


def _touches_apart(
    points: Sequence[Point],
    planned: Sequence[Spot | None],
    strikes: Iterable[frozenset[Spot]],
    pistons: Set[Spot],
) -> Iterator[frozenset[Spot]]:
    """A piston pressed through at once closes both its touches in a moment: first and second.

    What is known to close with the first touch of ``pistons`` is no second.
    """
    firsts = {
        spot
        for (point, spot), (deeper, _) in pairwise(zip(points, planned, strict=True))
        if spot and deeper.role is Role.SECOND_TOUCH and point.role is Role.PISTON
    }
    only_deep = len(points) > 1 and points[1].role is Role.SECOND_TOUCH
    struck: set[Spot] = set()
    for strike in strikes:
        first = strike & firsts
        second = strike - firsts - pistons
        if first and second and (only_deep or first <= struck):
            yield strike - second
            yield second
        else:
            yield strike
        struck |= strike


@frozen
class _Pattern:
    """A mistake that explains where some contacts are: where each of them is then expected."""

    mistake: Mistake
    moves: tuple[tuple[int, Spot], ...]
    gain: int
    by: int = 0
    split: int = 0


class _State:
    """All contacts, where each was found, and where it is expected by the mistakes found yet."""

    def __init__(self, tasks: Sequence[_Task], chosen: Sequence[Matches]) -> None:
        """Take one story of each task."""
        self.points: list[Point] = []
        self.own: list[Spot | None] = []
        self.struck: list[frozenset[Spot]] = []
        self.strays: set[Spot] = set()
        self.manners: dict[Spot, Manner] = {}
        self.closed: set[Spot] = set()
        known: set[tuple[Role, str, int]] = set()
        for task, story in zip(tasks, chosen, strict=True):
            for point, match in zip(task.worked.points, story, strict=True):
                if point.wire in known:
                    continue
                known.add(point.wire)
                self.points.append(point)
                self.own.append(match.own if match else None)
                self.struck.append(task.strikes[match.strike] if match else frozenset())
            nobodys = struck_twice(story, len(task.strikes))
            self.strays |= {spot for number in nobodys for spot in task.strikes[number]}
            self.closed |= task.worked.closed
            for spot, manner in task.manners.items():
                self.manners[spot] = _worse(self.manners.get(spot), manner)
        self.planned = [spot_of(point.pin) if point.pin else None for point in self.points]
        self.now = list(self.planned)
        self._found: list[Finding] = []
        self._broken = BROKEN
        self._explain()

    @property
    def shared(self) -> int:
        """How many contacts are on a pin of another."""
        heard = [own for own in self.own if own is not None]
        return len(heard) - len(set(heard))

    # ------------------------------------------------------------ where the wires are

    def _explain(self) -> None:
        """Find the mistakes that explain where the contacts are, the greatest first."""
        for number, (own, planned) in enumerate(zip(self.own, self.planned, strict=True)):
            if planned is None and own is not None:
                self.now[number] = own
        if not self._off():
            return
        planned_now = list(self.now)
        tried = []
        for self._broken in (BROKEN, _NEVER):
            self.now, self._found = list(planned_now), []
            while off := self._off():
                self._take(max(self._patterns(off), key=lambda pattern: pattern.gain))
            tried.append((self._found, self.now))
        self._found, self.now = min(tried, key=lambda each: len(each[0]))

    def _off(self) -> list[int]:
        """The contacts that are not where they are expected."""
        return [
            number
            for number, (own, now) in enumerate(zip(self.own, self.now, strict=True))
            if own is not None and own != now
        ]

    def _take(self, pattern: _Pattern) -> None:
        numbers = [number for number, _ in pattern.moves]
        self._found.append(
            Finding(
                pattern.mistake,
                tuple(self.points[number] for number in numbers),
                tuple(self.now[number] for number in numbers),
                tuple(spot for _, spot in pattern.moves),
                by=pattern.by,
                split=pattern.split,
            )
        )
        for number, spot in pattern.moves:
            self.now[number] = spot

    def _patterns(self, off: Sequence[int]) -> Iterator[_Pattern]:
        """Whatever would explain some of the contacts that are off."""
        holders: dict[Spot, int] = {spot: n for n, spot in enumerate(self.now) if spot}
        apart: dict[tuple[str, str, int], list[int]] = {}
        mirrored: dict[tuple[str, int], list[int]] = {}
        for number in off:
            yield self._single(number, holders)
            yield from self._round(number, holders)
            (board, pin), (on_board, on_pin) = _both(self.now[number], self.own[number])
            apart.setdefault((board, on_board, on_pin - pin), []).append(number)
            if board == on_board:
                mirrored.setdefault((board, pin + on_pin), []).append(number)
        for (board, on_board, by), members in apart.items():
            if len(members) > 1:
                yield from self._run(board, on_board, by, members, holders)
        for (board, total), members in mirrored.items():
            if len(members) > 2:
                yield from self._mirror(board, total, members, holders)

    def _single(self, number: int, holders: Mapping[Spot, int]) -> _Pattern:
        """One wire that is elsewhere: in the place of another that is in its place, or alone."""
        now, own = _both(self.now[number], self.own[number])
        holder = holders.get(own)
        if holder is not None and self.own[holder] == now:
            moves = tuple(sorted(((number, own), (holder, now))))
            return _Pattern(Mistake.SWAPPED, moves, 2)
        if own[0] != now[0]:
            mistake = Mistake.WRONG_BOARD
        else:
            mistake = Mistake.UNPLANNED if holder is None else Mistake.TAKEN
        return _Pattern(mistake, ((number, own),), 1, by=own[1] - now[1])

    def _round(self, number: int, holders: Mapping[Spot, int]) -> Iterator[_Pattern]:
        """Three wires or more that are each in the place of the next."""
        ring = [number]
        while True:
            own = self.own[ring[-1]]
            following = holders.get(own) if own else None
            if following is None or following in ring[1:] or len(ring) > _LONGEST_RING:
                return
            if following == number:
                break
            ring.append(following)
        if len(ring) > 2 and number == min(ring):
            moves = tuple((n, own) for n in ring if (own := self.own[n]))
            yield _Pattern(Mistake.MIXED, moves, len(ring) - 1)

    def _run(
        self,
        board: str,
        on_board: str,
        by: int,
        members: Sequence[int],
        holders: Mapping[Spot, int],
    ) -> Iterator[_Pattern]:
        """Neighbours that are all as many pins further, or on as far a pin of another board.

        What they have taken the place of may have come into theirs.
        """
        segment = self._stretch(board, members)
        if len(segment) < 2:
            return
        moves = [(n, (on_board, _pin(self.now[n]) + by)) for n in segment]
        left = {self.now[n] for n, _ in moves} - {spot for _, spot in moves}
        come = {spot for _, spot in moves} - {self.now[n] for n, _ in moves}
        put_out = sorted((spot, holders[spot]) for spot in come if spot in holders)
        back: list[tuple[int, Spot]] = []
        if len(put_out) == len(left):
            vacant = sorted(spot for spot in left if spot)
            back = [(n, spot) for (_, n), spot in zip(put_out, vacant, strict=True)]
            if self._gain(back) < 1:
                back = []
        together = [*moves, *back]
        gain = self._gain(together)
        if board != on_board and not back:
            yield _Pattern(Mistake.WRONG_BOARD, tuple(moves), gain, by=by)
        elif board == on_board and len(back) <= abs(by) and len(back) != len(moves):
            yield _Pattern(Mistake.SHIFTED, tuple(sorted(together)), gain, by=by)
        else:
            first, second = sorted((sorted(moves), sorted(back)))
            if not first:
                first, second = second, first
            exchanged = (*first, *second)
            yield _Pattern(Mistake.EXCHANGED, exchanged, gain, split=len(first))

    def _stretch(self, board: str, members: Sequence[int]) -> Sequence[int]:
        """The stretch of contacts of a board for which it explains most and breaks least.

        The greatest sum of a run (J. Bentley, *Programming Pearls*, column 8, Kadane's way).
        """
        theirs = set(members)
        best: tuple[int, int, int] = (0, 0, -1)
        total, start = 0, members[0]
        for number in range(members[0], members[-1] + 1):
            now = self.now[number]
            if now is not None and now[0] == board:
                if number in theirs:
                    if total <= 0:
                        total, start = 0, number
                    total += 1
                    best = max(best, (total, -start, number))
                elif self.own[number] == now:
                    total -= self._broken
            elif now is not None:
                total = 0
        _, begun, end = best
        return [
            n
            for n in range(-begun, end + 1)
            if (now := self.now[n]) is not None and now[0] == board
        ]

    def _mirror(
        self, board: str, total: int, members: Sequence[int], holders: Mapping[Spot, int]
    ) -> Iterator[_Pattern]:
        """Neighbours that stand the other way round."""
        lowest = min(min(_pin(self.now[n]), _pin(self.own[n])) for n in members)
        moves = []
        for pin in range(lowest, total - lowest + 1):
            number = holders.get((board, pin))
            if number is not None:
                moves.append((number, (board, total - pin)))
        if len(moves) > 2:
            yield _Pattern(Mistake.REVERSED, tuple(sorted(moves)), self._gain(moves))

    def _gain(self, moves: Iterable[tuple[int, Spot]]) -> int:
        """How many contacts it explains, less what it costs that others were explained before."""
        gain = 0
        for number, spot in moves:
            own, now = self.own[number], self.now[number]
            if own is not None and spot != now:
                gain += 1 if own == spot else -self._broken if own == now else 0
        return gain

    # ------------------------------------------------------------ what else is wrong

    def findings(self, timing: Timing) -> tuple[Finding, ...]:
        """All mistakes, in the order of the harness."""
        stuck = self._stuck()
        found = [
            *self._found,
            *stuck,
            *self._dead({point.wire for finding in stuck for point in finding.points}),
            *self._doubled(),
            *self._manners(timing),
            *self._stray(),
        ]
        place = {point.wire: number for number, point in enumerate(self.points)}
        last = len(place)
        return tuple(
            sorted(
                found,
                key=lambda finding: min((place[p.wire] for p in finding.points), default=last),
            )
        )

    def _stuck(self) -> list[Finding]:
        """Pins that were closed before anything was worked, and those that did not come back."""
        stuck = set(self.closed)
        stuck |= {spot for spot, manner in self.manners.items() if manner.stays}
        found = []
        for number, (own, now) in enumerate(zip(self.own, self.now, strict=True)):
            spot = own or now
            if spot in stuck and not (own and not self._odd(own)):
                stuck.remove(spot)
                point, planned = self.points[number], self.planned[number]
                found.append(Finding(Mistake.STUCK, (point,), (planned,), (spot,)))
        found += [
            Finding(Mistake.STUCK, (), (), (spot,)) for spot in sorted(stuck) if self._odd(spot)
        ]
        return found

    def _odd(self, spot: Spot) -> bool:
        """Whether a pin is no contact's that rests closed."""
        manner = self.manners.get(spot)
        return manner is None or manner.stays

    def _dead(self, told: set[tuple[Role, str, int]]) -> list[Finding]:
        """Contacts that said nothing; neighbours together, since a plug has many wires."""
        dead = [
            number
            for number, own in enumerate(self.own)
            if own is None and self.points[number].wire not in told
        ]
        runs: list[list[int]] = []
        for number in dead:
            if runs and number == runs[-1][-1] + 1 and self._neighbours(runs[-1][-1], number):
                runs[-1].append(number)
            else:
                runs.append([number])
        return [
            Finding(
                Mistake.DEAD,
                tuple(self.points[n] for n in run),
                tuple(self.planned[n] for n in run),
                tuple(self.now[n] for n in run),
            )
            for run in runs
        ]

    def _neighbours(self, first: int, second: int) -> bool:
        one, other = self.now[first], self.now[second]
        return one is not None and other is not None and one[0] == other[0]

    def _doubled(self) -> Iterator[Finding]:
        """Contacts that close more than one pin: joined with others, or with a pin of nobody's."""
        owners: dict[Spot, int] = {own: n for n, own in enumerate(self.own) if own}
        joined: dict[int, int] = {}
        for number, spots in enumerate(self.struck):
            for spot in spots:
                other = owners.get(spot)
                if other is not None and other != number:
                    low, high = sorted((_root(joined, number), _root(joined, other)))
                    if low != high:
                        joined[high] = low
        groups: dict[int, list[int]] = {}
        for number, spots in enumerate(self.struck):
            if len(spots) > 1 or number in joined or number in joined.values():
                groups.setdefault(_root(joined, number), []).append(number)
        for members in groups.values():
            spots = frozenset().union(*(self.struck[n] for n in members))
            if len(spots) > 1:
                yield Finding(
                    Mistake.DOUBLED,
                    tuple(self.points[n] for n in members),
                    tuple(self.planned[n] for n in members),
                    tuple(sorted(spots)),
                )

    def _manners(self, timing: Timing) -> Iterator[Finding]:
        for point, own, planned in zip(self.points, self.own, self.planned, strict=True):
            manner = self.manners.get(own) if own else None
            if manner is None:
                continue
            harmless = timing.key_bounce if point.role is Role.KEY else timing.bounce
            if manner.bounce > harmless + _ROUNDING:
                seconds = manner.bounce
                yield Finding(Mistake.BOUNCING, (point,), (planned,), (own,), seconds=seconds)
            if manner.rests_closed != point.inverted and not manner.pushed:
                yield Finding(Mistake.INVERTED, (point,), (planned,), (own,))

    def _stray(self) -> Iterator[Finding]:
        """What was struck and is nobody's; a hand that strikes a contact again says nothing."""
        known = {spot for spots in self.struck for spot in spots}
        for spot in sorted(self.strays - known):
            yield Finding(Mistake.STRAY, (), (), (spot,))


BROKEN = 3
"""Contacts that a mistake must explain for each that it would put out of its right place."""
_NEVER = 1_000_000
_LONGEST_RING = 12
"""Wires that are mixed up at a time; more is a heap of single mistakes."""
_ROUNDING = 1e-6


def _both(now: Spot | None, own: Spot | None) -> tuple[Spot, Spot]:
    if now is None or own is None:
        raise ValueError("only what is expected somewhere and was found elsewhere is off")
    return now, own


def _pin(spot: Spot | None) -> int:
    return spot[1] if spot else 0


def _root(joined: Mapping[int, int], number: int) -> int:
    while number in joined:
        number = joined[number]
    return number


def _worse(one: Manner | None, other: Manner) -> Manner:
    """What two runs have shown of one pin."""
    if one is None:
        return other
    return Manner(
        max(one.bounce, other.bounce),
        one.rests_closed,
        one.stays or other.stays,
        one.pushed,
    )


# ---------------------------------------------------------------- what to do about it


@frozen
class Move:
    """A wire to be moved: from where it is, if that is known, to where it belongs."""

    point: Point
    there: Spot | None
    to: str


@frozen
class Remedy:
    """Either wires are moved to where the console file has them, or the file to where they are.

    ``moves`` are all wires that are elsewhere. ``pins`` is a corrected map: contacts with a new
    pin, or with another word on which way they go; ``yet`` are the wires that must be moved all
    the same, since no file can have them where they are.
    """

    moves: tuple[Move, ...]
    pins: Mapping[Point, str]
    yet: tuple[Move, ...]


def remedy(proof: Proof, boards: Mapping[str, int]) -> Remedy:
    """What to do about wires that are not where they belong. ``boards`` have so many pins."""
    inverted = {p.wire for f in proof.findings if f.mistake is Mistake.INVERTED for p in f.points}
    moves = [
        Move(point, spot, point.pin)
        for point, spot in proof.own.items()
        if point.pin is not None and spot != spot_of(point.pin) and point not in proof.silent
    ]
    taken: dict[Spot, Point] = {}
    homeless: list[Point] = []
    for point in sorted(proof.own, key=lambda point: _claim(point, proof)):
        spot = proof.own[point]
        if spot in taken or not 1 <= spot[1] <= boards.get(spot[0], 0):
            homeless.append(point)
        else:
            taken[spot] = point
    vacant = [spot_of(p.pin) for p in proof.own if p.pin and spot_of(p.pin) not in taken]
    yet = []
    for point in homeless:
        if vacant:
            spot = vacant.pop(0)
            taken[spot] = point
            if point not in proof.silent:
                yet.append(Move(point, proof.own[point], pin_of(spot)))
    pins = {}
    for spot, point in taken.items():
        turned = point.wire in inverted
        if turned or point.pin != pin_of(spot):
            pins[evolve(point, inverted=point.inverted != turned)] = pin_of(spot)
    return Remedy(tuple(moves), pins, tuple(yet))


def _claim(point: Point, proof: Proof) -> tuple[bool, bool]:
    """Whose a pin is that several are on: first theirs that were heard, and that belong there."""
    at_home = point.pin is not None and spot_of(point.pin) == proof.own[point]
    return point in proof.silent, not at_home


def pin_of(spot: Spot) -> str:
    """A board and number as a pin of the console file."""
    return f"{spot[0]}.{spot[1]}"
