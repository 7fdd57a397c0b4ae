"""Which strike was which contact's, when contacts are worked in a known order.

Most strikes are where they belong and say so. Where some contacts say nothing, others are on
the wrong pins, and a hand may have slipped, the cheapest story is looked for, as two texts are
compared: a mistake costs one, and what goes on in the same way costs next to nothing. What the
mistakes are is for `combination.proving`.
"""

from collections.abc import Iterator, Sequence, Set
from itertools import pairwise
from operator import attrgetter

from attrs import define, frozen

from combination.strikes import Spot

DEAD, DEAD_MORE = 1.0, 0.05
"""What it costs that a contact says nothing, and that its neighbour says nothing either."""
FIRM = 3.0
"""What it costs that a contact is not where it was found before, or on a pin where another was."""
SHUT = 0.01
"""What it costs that a contact says nothing whose pin is closed all the time."""
OFF, OFF_MORE = 1.0, 0.02
"""What it costs that a contact is on another pin, and that the next is as far from its own."""
AGAIN = 0.6
"""What it costs that the same was struck twice running: by a hand that slipped, or by two contacts
on one pin, which is as good a story as one that is dead and a hand that slipped."""
STRAY = 2.5
"""What it costs that something was struck that is nobody's."""
SPREAD = 1.6
"""What a story may cost more than the cheapest of as many contacts, to be looked at any further."""
_BEST = 4
"""Stories that are kept at each step."""
WORTH = 1.5
"""What a story may cost more than the cheapest, since it can still come down to fewer mistakes."""
FREE = 0.2
"""What it costs that a contact without a planned pin is found on one."""


@frozen
class Match:
    """A contact's strike, and which of its pins is taken to be the contact's own."""

    strike: int
    own: Spot


Matches = tuple[Match | None, ...]
"""For each contact, in order, its strike; None if it said nothing."""


@define(eq=False)
class _Story:
    """How it can have been up to here."""

    cost: float
    off: tuple[tuple[Spot, Spot], ...] = ()
    """The last contacts that were each on a wrong pin in another way, at most two: where each
    belongs, and where it is. None after two that were in their places; one may be, in the middle
    of a run that is the other way round."""
    calm: bool = False
    """Whether one was in its place since."""
    own: Spot | None = None
    """The pin of the last contact that was struck."""
    before: "_Story | None" = None
    match: Match | None = None
    point: int = -1


def alignments(
    planned: Sequence[Spot | None],
    strikes: Sequence[frozenset[Spot]],
    shut: Set[Spot] = frozenset(),
    sure: Set[Spot] = frozenset(),
    others: Set[Spot] = frozenset(),
) -> list[tuple[float, Matches]]:
    """The cheapest stories with what they cost, the cheapest first.

    Of contacts whose pins are ``shut`` already nothing will be heard. Those planned on pins that
    are ``sure`` have been found there before; on pins of ``others`` other contacts have been.
    """
    again = [False, *(one == other for one, other in pairwise(strikes))]
    head = _right(planned, strikes)
    tail = _right(planned[head:][::-1], strikes[head:][::-1])
    while any(again[len(strikes) - tail :]):
        tail -= 1
    end = len(strikes) - tail
    middle = planned[head : len(planned) - tail]
    table = _Table(middle, strikes[head:end], again[head:end], shut, sure, others)
    first = tuple(Match(number, spot) for number, spot in enumerate(planned[:head]) if spot)
    last = tuple(
        Match(end + after, spot)
        for after, spot in enumerate(planned[len(planned) - tail :])
        if spot
    )
    found: dict[Matches, float] = {}
    for cost, story in table.best():
        found.setdefault(first + _moved(story, head) + last, cost)
    return [(cost, story) for story, cost in found.items()]


def _moved(matches: Matches, by: int) -> Matches:
    return tuple(match and Match(match.strike + by, match.own) for match in matches)


def _right(planned: Sequence[Spot | None], strikes: Sequence[frozenset[Spot]]) -> int:
    """How many are right from the beginning on."""
    count = 0
    for spot, strike in zip(planned, strikes, strict=False):
        if spot is None or strike != {spot}:
            break
        count += 1
    return count


_Cells = dict[int, list[_Story]]
"""Stories of the first so many contacts, by how many strikes they have."""


class _Table:
    """Stories of the first so many contacts and strikes, by the way in which they end."""

    def __init__(
        self,
        planned: Sequence[Spot | None],
        strikes: Sequence[frozenset[Spot]],
        again: Sequence[bool],
        shut: Set[Spot],
        sure: Set[Spot],
        others: Set[Spot],
    ) -> None:
        self._planned, self._strikes, self._again = planned, strikes, again
        self._shut, self._sure, self._others = shut, sure, others

    def best(self) -> list[tuple[float, Matches]]:
        """The stories of all contacts and strikes that are worth looking at."""
        rows, count = len(self._planned), len(self._strikes)
        struck: _Cells = {0: [_Story(0.0)]}
        silent: _Cells = {}
        for row in range(rows + 1):
            if row:
                struck, silent = self._row(row - 1, struck, silent)
            self._skip(row, struck, silent)
        ends = [*struck.get(count, ()), *silent.get(count, ())]
        cheapest = min(story.cost for story in ends)
        good = [story for story in ends if story.cost < cheapest + WORTH]
        return [_told(story, rows) for story in sorted(good, key=_cost)]

    def _row(self, point: int, struck: _Cells, silent: _Cells) -> tuple[_Cells, _Cells]:
        """Stories with one contact more: it was struck, or it says nothing."""
        planned = self._planned[point]
        first, more = (SHUT, SHUT) if planned in self._shut else (DEAD, DEAD_MORE)
        now_struck: _Cells = {}
        now_silent: _Cells = {}
        for column in struck.keys() | silent.keys():
            spoke, said_nothing = struck.get(column, []), silent.get(column, [])
            now_silent[column] = _few(
                [_Story(s.cost + first, s.off, s.calm, s.own, s, None, point) for s in spoke]
                + [
                    _Story(s.cost + more, s.off, s.calm, s.own, s, None, point)
                    for s in said_nothing
                ]
            )
            if column < len(self._strikes):
                before = spoke + said_nothing
                now_struck[column + 1] = _few(self._struck(before, point, planned, column))
        return now_struck, now_silent

    def _struck(
        self, stories: Sequence[_Story], point: int, planned: Spot | None, column: int
    ) -> list[_Story]:
        spots = self._strikes[column]
        if planned is None:
            match = Match(column, min(spots))
            return [_Story(s.cost + FREE, (), False, match.own, s, match, point) for s in stories]
        if planned in spots:
            match = Match(column, planned)
            return [
                _Story(
                    s.cost + self._twice(s, column, planned),
                    () if s.calm else s.off,
                    not s.calm,
                    planned,
                    s,
                    match,
                    point,
                )
                for s in stories
            ]
        known = planned in self._sure or spots & self._sure or spots & self._others
        against = FIRM if known else 0.0
        found = []
        for story in stories:
            way, own = None, min(spots)
            for off in story.off:
                going_on = [spot for spot in spots if _goes_on(off, planned, spot)]
                if going_on:
                    way, own = off, going_on[0]
                    break
            cost = story.cost + against + self._twice(story, column, own)
            cost += OFF if way is None else OFF_MORE
            ways = ((planned, own), *(other for other in story.off if other is not way))[:2]
            found.append(_Story(cost, ways, False, own, story, Match(column, own), point))
        return found

    def _twice(self, story: _Story, column: int, own: Spot) -> float:
        """What it costs that a contact is struck as the last was."""
        return AGAIN if self._again[column] and story.own == own else 0.0

    def _skip(self, row: int, struck: _Cells, silent: _Cells) -> None:
        """Stories in which strikes are nobody's; and those that are too dear are dropped."""
        limit = SPREAD + min(
            self._at_least(row, column, stories)
            for cells in (struck, silent)
            for column, stories in cells.items()
        )
        column, last = min(struck.keys() | silent.keys()), max(struck.keys() | silent.keys())
        to_the_end = row == len(self._planned)
        while column < len(self._strikes):
            of_another = self._strikes[column] <= self._others
            cost = AGAIN if self._again[column] or of_another else STRAY
            skipped = [
                _Story(story.cost + cost, story.off, story.calm, story.own, story)
                for story in (*struck.get(column, ()), *silent.get(column, ()))
                if to_the_end or story.cost + cost < limit
            ]
            column += 1
            if skipped:
                struck[column] = _few([*struck.get(column, ()), *skipped])
            elif column > last:
                break
        if not to_the_end:
            for cells in (struck, silent):
                for column in [c for c in cells if self._at_least(row, c, cells[c]) > limit]:
                    del cells[column]

    def _at_least(self, row: int, column: int, stories: Sequence[_Story]) -> float:
        """What the best of some stories costs in the end.

        Strikes that are left over are nobody's, and contacts that are say nothing.
        """
        over = len(self._strikes) - column - (len(self._planned) - row)
        return stories[0].cost + (AGAIN * over if over > 0 else -DEAD_MORE * over)


def _told(story: _Story, rows: int) -> tuple[float, Matches]:
    found: list[Match | None] = [None] * rows
    step: _Story | None = story
    while step is not None:
        if step.point >= 0:
            found[step.point] = step.match
        step = step.before
    return story.cost, tuple(found)


def _goes_on(off: tuple[Spot, Spot], planned: Spot, spot: Spot) -> bool:
    """Whether a contact is on another pin in the same way as one before it: as far, or mirrored."""
    (board, number), (on_board, on_number) = off
    if (board, on_board) != (planned[0], spot[0]):
        return False
    return abs(planned[1] - number) == abs(spot[1] - on_number)


def _few(stories: list[_Story]) -> list[_Story]:
    """The best stories; one that costs more may yet go on more cheaply, if not by much."""
    if len(stories) > 1:
        stories.sort(key=_cost)
        limit = stories[0].cost + OFF
        return [story for story in stories[:_BEST] if story.cost <= limit]
    return stories


_cost = attrgetter("cost")


def struck_twice(matches: Matches, count: int) -> Iterator[int]:
    """The strikes, of so many, that are nobody's."""
    taken = {match.strike for match in matches if match}
    return (number for number in range(count) if number not in taken)
