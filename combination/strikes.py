"""What a technician's hand did, from what the pins said: one strike for each press of a contact.

A strike has every pin that left its rest at the same moment: one, if all is well. How long its
contact bounced, whether it came back, and which way it went is kept for each pin. Which contact
it was is not known here.
"""

from collections.abc import Iterable, Sequence, Set

from attrs import define, frozen

TOGETHER = 0.01
"""Seconds within which pins that close are closed by one contact: no finger plays one key after
another so fast (common practice has fifteen strokes a second), and a board tells both at once."""
QUIET = 0.03
"""Seconds for which a contact that rests, or is held, stays so; what changes sooner bounces."""

Spot = tuple[str, int]
"""A pin, as its board and number; or, where no board is, what is heard there and its number."""


@frozen
class Change:
    """A pin that closed or opened, at a time in seconds. None: it was pushed, and never opens."""

    at: float
    spot: Spot
    closed: bool | None


@frozen
class Strike:
    """What left its rest in one moment."""

    at: float
    spots: frozenset[Spot]


@define
class Manner:
    """How a pin behaved: its longest bounce in seconds, and what it was at rest.

    ``stays`` if it did not come back to rest, ``pushed`` if it never says that it does.
    """

    bounce: float = 0.0
    rests_closed: bool = False
    stays: bool = False
    pushed: bool = False


def strikes_of(
    changes: Iterable[Change], closed: Set[Spot] = frozenset()
) -> tuple[list[Strike], dict[Spot, Manner]]:
    """The strikes among changes, in order, and how each pin behaved.

    A pin that was ``closed`` before, and is open in the end, was held down when it all began.
    """
    of_spots: dict[Spot, list[Change]] = {}
    for change in sorted(changes, key=lambda change: change.at):
        of_spots.setdefault(change.spot, []).append(change)
    manners: dict[Spot, Manner] = {}
    left: list[tuple[float, Spot]] = []
    for spot, own in of_spots.items():
        manners[spot], times = _of_one(own, spot in closed)
        left += [(at, spot) for at in times]
    return _together(sorted(left)), manners


def _of_one(changes: Sequence[Change], closed: bool) -> tuple[Manner, list[float]]:
    """How one pin behaved, and when it left its rest."""
    first = changes[0]
    if first.closed is None:
        return Manner(pushed=True), [cluster[0].at for cluster in _clusters(changes)]
    held = closed and not first.closed and not changes[-1].closed
    rest = not first.closed and not held
    manner = Manner(rests_closed=rest)
    times = [first.at] if held else []
    state = True if held else rest
    for cluster in _clusters(changes):
        if state == rest:
            times.append(cluster[0].at)
        short = state == rest == bool(cluster[-1].closed)  # pressed and let go at once
        settled = cluster[-2] if short and len(cluster) > 1 else cluster[-1]
        manner.bounce = max(manner.bounce, settled.at - cluster[0].at)
        state = bool(cluster[-1].closed)
    manner.stays = state != rest
    return manner, times


def _clusters(changes: Sequence[Change]) -> list[list[Change]]:
    """Changes that follow upon one another too soon for a hand."""
    found: list[list[Change]] = []
    for change in changes:
        if found and change.at - found[-1][-1].at <= QUIET:
            found[-1].append(change)
        elif not found or change.closed is None or change.closed != found[-1][-1].closed:
            found.append([change])
    return found


def _together(left: Sequence[tuple[float, Spot]]) -> list[Strike]:
    found: list[tuple[float, set[Spot]]] = []
    for at, spot in left:
        if found and at - found[-1][0] <= TOGETHER:
            found[-1][1].add(spot)
        else:
            found.append((at, {spot}))
    return [Strike(at, frozenset(spots)) for at, spots in found]
