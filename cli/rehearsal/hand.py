"""What a hand does at a console, as edges of its pins.

It knows which contacts a piston, a tab or a key has and how they report; not why it moves them,
nor what comes of it.
"""

from collections.abc import Collection, Iterator

from cli.rehearsal.statements import Music
from combination.contacts import Role, Wired, contacts_of
from combination.midi import Edge, Heard, Push
from combination.model import Action, Console


class Hand:
    """What a hand does at one console, as edges of pins."""

    def __init__(self, console: Console) -> None:
        """Find every contact; what is on no pin yet has one in name only."""
        self.action = console.action
        self.wired = {wire.pin: wire for wire in contacts_of(console, unwired=True)}
        self._of: dict[tuple[Role, str], list[Wired]] = {}
        for wire in self.wired.values():
            self._of.setdefault((wire.role, wire.id), []).append(wire)
        self._keys = {
            (wire.id, wire.number): wire for wire in self.wired.values() if wire.role is Role.KEY
        }
        self._pushes = {wire.number: wire for wire in self._of.get((Role.TRANSPOSE_BY, ""), ())}
        self._positions = {wire.number: wire for wire in self._of.get((Role.TRANSPOSE_TO, ""), ())}
        self._by_programs = {
            board.id
            for board in console.boards
            if board.input is not None and board.input.first_program is not None
        }

    def first(self, role: Role, owner: str) -> Wired | None:
        """The first contact of something in that role."""
        return next(iter(self._of.get((role, owner), ())), None)

    def only_pushes(self, pin: str) -> bool:
        """Whether a pin arrives as program changes, which have no opening."""
        return pin.rpartition(".")[0] in self._by_programs

    def edge(self, wire: Wired, pressed: bool) -> Heard:
        """A contact pressed or released, as its pin reports it."""
        if self.only_pushes(wire.pin):
            return Push(wire.pin)
        return Edge(wire.pin, pressed is not wire.inverted)

    def tap(self, wire: Wired) -> tuple[tuple[int, Heard], ...]:
        """A contact pressed and released."""
        if self.only_pushes(wire.pin):
            return ((0, Push(wire.pin)),)
        return (0, self.edge(wire, True)), (1, self.edge(wire, False))

    def tab(self, control: str, on: bool) -> tuple[Heard, ...]:
        """A tab that stands on or off: what its contact reports, or its two contacts do."""
        single = self.first(Role.TAB, control)
        if single is not None:
            return (self.edge(single, on),)
        ends = self.first(Role.TAB_ON, control), self.first(Role.TAB_OFF, control)
        reached, left = ends if on else ends[::-1]
        if reached is None or left is None:
            return ()
        if self.only_pushes(reached.pin):
            return (self.edge(reached, True),)
        return self.edge(left, False), self.edge(reached, True)

    def turn(self, control: str, on: bool) -> tuple[tuple[int, Heard], ...]:
        """A tab moved, or a lit control turned on or off by the contact for that."""
        if self.action is not Action.LIT:
            return tuple((0, heard) for heard in self.tab(control, on))
        wire = self.first(Role.TOUCH_ON if on else Role.TOUCH_OFF, control)
        return self.tap(wire) if wire else ()

    def key(self, keyboard: str, key: int, down: bool) -> Edge:
        """A key that goes down or comes up, as its contact reports it."""
        wire = self._keys[keyboard, key]
        return Edge(wire.pin, down is not wire.inverted)

    @property
    def transposes(self) -> bool:
        """Whether the transposer can be moved anywhere: by its switch, or by pushes up and down."""
        return len(self._positions) > 1 or len(self._pushes) > 1

    def transposing(
        self, semitones: int, stands: int, pressed: Collection[str]
    ) -> tuple[tuple[int, Heard], ...]:
        """The transposer moved from where it stands; ``pressed`` are the pins that are so now.

        A switch leaves the position in which it is; pushes go up or down, or at once to 0.
        """
        if len(self._positions) > 1:
            reached = self._positions[semitones]
            left = [w for w in self._positions.values() if w.pin in pressed and w is not reached]
            moves = [(w, False) for w in left if not self.only_pushes(w.pin)]
            return tuple((0, self.edge(*move)) for move in [*moves, (reached, True)])
        if semitones == 0 and stands and 0 in self._positions:
            pushed = [self._positions[0]]
        else:
            way = 1 if semitones > stands else -1
            pushed = [self._pushes[way]] * abs(semitones - stands)
        return tuple(
            (2 * time + late, heard)
            for time, wire in enumerate(pushed)
            for late, heard in self.tap(wire)
        )

    def keys_of(self, keyboard: str) -> list[Wired]:
        """The contacts of a keyboard's keys, upwards."""
        return sorted(self._of[Role.KEY, keyboard], key=lambda wire: wire.number)

    def playing(self, music: Music, rest: int) -> list[tuple[int, Edge]]:
        """What music does to the keys: edges in order, each so many milliseconds after it begins.

        A contact is left as it is for ``rest`` milliseconds at least: longer than its bounce,
        which would swallow what came sooner (semantics.md I.8). So a key that is struck again
        comes up that long before, as it does under a finger; a note of no length lasts that
        long; and where two strokes are too near for either, the second is late.
        """
        edges = []
        for (keyboard, key), spans in _spans(music).items():
            free = 0
            nexts = [down for down, _ in spans[1:]]
            for (down, up), again in zip(spans, [*nexts, None], strict=False):
                struck = max(down, free)
                left = max(up if again is None else min(up, again - rest), struck + rest)
                free = left + rest
                edges += [(left, False, keyboard, key), (struck, True, keyboard, key)]
        return [(at, self.key(keyboard, key, down)) for at, down, keyboard, key in sorted(edges)]


def _spans(music: Music) -> dict[tuple[str, int], list[tuple[int, int]]]:
    """From when until when each key is held, in milliseconds."""
    moments: dict[tuple[str, int], dict[int, list[bool]]] = {}
    for touch in music.touches:
        of_key = moments.setdefault((touch.keyboard, touch.key), {})
        of_key.setdefault(round(touch.at * 1000), []).append(touch.down)
    last = round(music.lasts * 1000)
    return {key: list(_held(of_key, last)) for key, of_key in moments.items()}


def _held(moments: dict[int, list[bool]], last: int) -> Iterator[tuple[int, int]]:
    """When a key is held, from the hands that come down on it and leave it at each moment.

    At one moment those leave first that held it before: if none of them stays and another has
    come, it is struck again.
    """
    hands, since = 0, 0
    for at, moves in moments.items():
        old, new = hands, 0
        for down in moves:
            if down:
                new += 1
            elif old:
                old -= 1
            else:
                new = max(new - 1, 0)
        if hands and not old:
            yield since, at
        if True in moves and not old:
            since = at
            if not new:
                yield at, at
        hands = old + new
    if hands:
        yield since, max(since, last)
