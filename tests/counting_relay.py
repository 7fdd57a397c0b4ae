"""A relay that counts, to be timed beside ours: how many ask for each line and for each pipe.

Dictionaries of counts, as it is mostly done: a key adds one to each line that it plays, a line
that comes to one adds one to each pipe of each stop drawn, a pipe that comes to one speaks. All
that can be worked out beforehand is. No transposer, no pizzicato, nothing that time ends.
"""

from collections import defaultdict

from combination.model import Console
from combination.pipes import draws_of, pipe_of

Turned = tuple[str, int, bool]
"""A rank, one of its pipes, and whether it speaks or ceases."""


class CountingRelay:
    """Keys and what sounds in, pipes out, by reference counts."""

    def __init__(self, console: Console) -> None:
        ranks = {rank.id: rank for rank in console.ranks}
        compass = {division.id: console.lines_of(division) for division in console.divisions}
        self.counts: dict[str, defaultdict[int, int]] = {name: defaultdict(int) for name in ranks}
        self._couplers = {coupler.id: coupler for coupler in console.couplers}
        self._division = {stop.id: stop.division or "" for stop in console.stops}
        self._compass = {name: range(low, low + count) for name, (low, count) in compass.items()}
        self._pipes: dict[str, dict[int, list[tuple[str, int]]]] = {}
        for stop in console.stops:
            reached = self._pipes[stop.id] = {}
            for line in self._compass[stop.division or ""]:
                pipes = [(d.rank, pipe_of(d, ranks[d.rank], line)) for _, d in draws_of(stop)]
                reached[line] = [(rank, pipe) for rank, pipe in pipes if pipe is not None]
        self._keys: dict[str, set[int]] = {keyboard.id: set() for keyboard in console.keyboards}
        self._lines: dict[str, defaultdict[int, int]] = {
            division.id: defaultdict(int) for division in console.divisions
        }
        self._played: dict[str, list[tuple[str, int]]] = {
            keyboard.id: [(d.id, 0) for d in console.divisions if d.keyboard == keyboard.id]
            for keyboard in console.keyboards
        }
        self._drawn: dict[str, dict[str, dict[int, list[tuple[str, int]]]]] = {
            division.id: {} for division in console.divisions
        }
        self._sounding: frozenset[str] = frozenset()

    def key(self, keyboard: str, key: int, down: bool) -> list[Turned]:
        """A key goes down or comes up."""
        turned: list[Turned] = []
        (self._keys[keyboard].add if down else self._keys[keyboard].discard)(key)
        for division, shift in self._played[keyboard]:
            self._count_line(division, key + shift, down, turned)
        return turned

    def register(self, sounding: frozenset[str]) -> list[Turned]:
        """What sounds from now on."""
        turned: list[Turned] = []
        for name in self._sounding ^ sounding:
            on = name in sounding
            coupler = self._couplers.get(name)
            if coupler is not None:
                keyboard, path = coupler.keys or "", (coupler.plays or "", coupler.shift)
                (self._played[keyboard].append if on else self._played[keyboard].remove)(path)
                for key in self._keys[keyboard]:
                    self._count_line(path[0], key + path[1], on, turned)
                continue
            division, reached = self._division[name], self._pipes[name]
            if on:
                self._drawn[division][name] = reached
            else:
                del self._drawn[division][name]
            for line, times in self._lines[division].items():
                if times:
                    self._count_pipes(reached[line], on, turned)
        self._sounding = sounding
        return turned

    def _count_line(self, division: str, line: int, on: bool, turned: list[Turned]) -> None:
        if line not in self._compass[division]:
            return
        lines = self._lines[division]
        lines[line] += 1 if on else -1
        if lines[line] == on:
            for reached in self._drawn[division].values():
                self._count_pipes(reached[line], on, turned)

    def _count_pipes(self, reached: list[tuple[str, int]], on: bool, turned: list[Turned]) -> None:
        for rank, pipe in reached:
            counts = self.counts[rank]
            count = counts[pipe] = counts[pipe] + (1 if on else -1)
            if count == on:
                turned.append((rank, pipe, on))
