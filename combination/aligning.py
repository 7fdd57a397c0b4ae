"""Which strike was which contact's, when contacts are worked in a known order.

Most strikes are where they belong and say so. Where some contacts say nothing, others are on
the wrong pins, and a hand may have slipped, the cheapest story is looked for, as two texts are
compared: a mistake costs one, and what goes on in the same way costs next to nothing. What the
mistakes are is for `combination.proving`.
"""

from collections.abc import Iterator, Sequence, Set
from itertools import pairwise

from attrs import define, frozen

from combination.strikes import Spot

DEAD, DEAD_MORE = 1.0, 0.05
"""What it costs that a contact says nothing, and that its neighbour says nothing either."""
SHUT = 0.01
"""What it costs that a contact says nothing whose pin is closed all the time."""
OFF, OFF_MORE = 1.0, 0.02
"""What it costs that a contact is on another pin, and that the next is as far from its own."""
AGAIN = 0.6
"""What it costs that the same was struck twice running: by a hand that slipped, or by two contacts
on one pin, which is as good a story as one that is dead and a hand that slipped."""
STRAY = 2.5
"""What it costs that something was struck that is nobody's."""
BAND = 6
"""Contacts that say nothing and strikes that are nobody's, at a time, beyond their difference."""
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
    before: "_Story | None" = None
    match: Match | None = None
    point: int = -1


def alignments(
    planned: Sequence[Spot | None],
    strikes: Sequence[frozenset[Spot]],
    shut: Set[Spot] = frozenset(),
) -> list[tuple[float, Matches]]:
    """The cheapest stories with what they cost, the cheapest first.

    Of contacts whose pins are ``shut`` already nothing will be heard.
    """
    again = [False, *(one == other for one, other in pairwise(strikes))]
    head = _right(planned, strikes)
    tail = _right(planned[head:][::-1], strikes[head:][::-1])
    while any(again[len(strikes) - tail :]):
        tail -= 1
    end = len(strikes) - tail
    table = _Table(planned[head : len(planned) - tail], strikes[head:end], again[head:end], shut)
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


class _Table:
    """Stories of the first so many contacts and strikes, by the way in which they end."""

    def __init__(
        self,
        planned: Sequence[Spot | None],
        strikes: Sequence[frozenset[Spot]],
        again: Sequence[bool],
        shut: Set[Spot],
    ) -> None:
        self._planned, self._strikes, self._again, self._shut = planned, strikes, again, shut
        self._least = min(0, len(strikes) - len(planned)) - BAND
        self._most = max(0, len(strikes) - len(planned)) + BAND

    def best(self) -> list[tuple[float, Matches]]:
        """The stories of all contacts and strikes that are worth looking at."""
        rows, count = len(self._planned), len(self._strikes)
        start = _Story(0.0)
        matched: dict[int, list[_Story]] = {0: [start]}
        dead: dict[int, list[_Story]] = {}
        for row in range(rows + 1):
            if row:
                matched, dead = self._row(row, matched, dead)
            low, high = max(row + self._least, 0), min(row + self._most, count)
            for column in range(max(low, 1), high + 1):
                skipped = [
                    _Story(story.cost + self._skip(column - 1), story.off, story.calm, story)
                    for story in (*matched.get(column - 1, ()), *dead.get(column - 1, ()))
                ]
                matched[column] = _few([*matched.get(column, ()), *skipped])
        ends = [*matched.get(count, ()), *dead.get(count, ())]
        cheapest = min(story.cost for story in ends)
        good = [story for story in ends if story.cost < cheapest + WORTH]
        return [_told(story, rows) for story in sorted(good, key=lambda story: story.cost)]

    def _row(
        self, row: int, matched: dict[int, list[_Story]], dead: dict[int, list[_Story]]
    ) -> tuple[dict[int, list[_Story]], dict[int, list[_Story]]]:
        """Stories with one contact more: it was struck, or it says nothing."""
        point, planned = row - 1, self._planned[row - 1]
        low, high = max(row + self._least, 0), min(row + self._most, len(self._strikes))
        now_matched: dict[int, list[_Story]] = {}
        now_dead: dict[int, list[_Story]] = {}
        first, more = (SHUT, SHUT) if planned in self._shut else (DEAD, DEAD_MORE)
        for column in range(low, high + 1):
            silent = [
                _Story(story.cost + first, story.off, story.calm, story, None, point)
                for story in matched.get(column, ())
            ]
            silent += [
                _Story(story.cost + more, story.off, story.calm, story, None, point)
                for story in dead.get(column, ())
            ]
            if silent:
                now_dead[column] = _few(silent)
            if column:
                before = [*matched.get(column - 1, ()), *dead.get(column - 1, ())]
                struck = [self._struck(story, point, planned, column - 1) for story in before]
                if struck:
                    now_matched[column] = _few(struck)
        return now_matched, now_dead

    def _struck(self, story: _Story, point: int, planned: Spot | None, column: int) -> _Story:
        spots = self._strikes[column]
        if planned is None:
            own = min(spots)
            return _Story(story.cost + FREE, (), False, story, Match(column, own), point)
        twice = AGAIN if self._again[column] and len(spots) == 1 else 0.0
        if planned in spots:
            off = () if story.calm else story.off
            match = Match(column, planned)
            return _Story(story.cost + twice, off, bool(off), story, match, point)
        way, own = next(
            ((way, spot) for way in story.off for spot in spots if _goes_on(way, planned, spot)),
            (None, min(spots)),
        )
        cost = (OFF if way is None else OFF_MORE) + twice
        ways = ((planned, own), *(other for other in story.off if other is not way))[:2]
        return _Story(story.cost + cost, ways, False, story, Match(column, own), point)

    def _skip(self, column: int) -> float:
        return AGAIN if self._again[column] else STRAY


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


def _few(stories: Sequence[_Story]) -> list[_Story]:
    """The best stories; one that costs more may yet go on more cheaply, if not by much."""
    found: list[_Story] = []
    for story in sorted(stories, key=lambda story: story.cost):
        if len(found) == _BEST or (found and story.cost > found[0].cost + OFF):
            break
        found.append(story)
    return found


def struck_twice(matches: Matches, count: int) -> Iterator[int]:
    """The strikes, of so many, that are nobody's."""
    taken = {match.strike for match in matches if match}
    return (number for number in range(count) if number not in taken)
