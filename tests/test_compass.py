"""How far a console reaches, against the relay itself: every key is pressed, every stop is heard.

What `combination.compass` works out from a console, and what `combination.checking` concludes from
it, must be what the relay does. Keys are pressed one at a time, which is enough: what a stop sounds
on several lines is what it sounds on each.
"""

import re
from collections.abc import Iterable, Iterator

from attrs import evolve
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from combination.checking import check
from combination.compass import keys_without_lines, needs_of, playable, playable_by
from combination.events import KeyMoved, TransposerMoved
from combination.model import (
    Action,
    Console,
    Contact,
    Division,
    Keyboard,
    Percussion,
    Rank,
    Stop,
    Transposer,
)
from combination.registration import Roster
from combination.relay import Relay
from tests.relay_strategies import relay_consoles

few = settings(
    max_examples=15,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=list(HealthCheck),
)
PUSHES = Transposer(up=Contact("cheek.1"), down=Contact("cheek.2"))


def each_key(console: Console, drawn: Iterable[str]) -> Iterator[tuple[str, int, Relay]]:
    """The relay with some controls drawn and one key down: every key, and every transposition."""
    sounding = Roster(control.id for control in console.controls).bits(drawn)
    for semitones in range(-6, 7) if console.transposer.up else (0,):
        relay = Relay(console)
        relay.register(sounding, 0.0)
        relay.receive(TransposerMoved(semitones), 0.0)
        for keyboard in console.keyboards:
            for key in range(keyboard.lowest, keyboard.lowest + keyboard.keys):
                relay.receive(KeyMoved(keyboard.id, key, True), 0.0)
                yield keyboard.id, key, relay
                relay.receive(KeyMoved(keyboard.id, key, False), 0.0)


def floating(console: Console) -> Console:
    """The same with every division cut off from its keyboard: only couplers play its lines."""
    divisions = []
    for division in console.divisions:
        lowest, count = console.lines_of(division)
        divisions.append(evolve(division, keyboard=None, lowest=lowest, lines=count))
    return evolve(console, divisions=tuple(divisions))


def ways_to_play(console: Console, stops: Iterable[str]) -> Iterator[tuple[str, int, Relay]]:
    """Every key alone, by the divisions' own keyboards and then by each coupler alone."""
    yield from each_key(console, stops)
    for coupler in console.couplers:
        if not coupler.unison_off:
            yield from each_key(floating(console), (coupler.id, *stops))


@few
@given(relay_consoles(), st.sampled_from((Transposer(), PUSHES)))
def test_lines_that_can_be_played_are_those_that_some_key_plays(
    console: Console, transposer: Transposer
) -> None:
    console = evolve(console, transposer=transposer)
    played = {division.id: 0 for division in console.divisions}
    for _, _, relay in ways_to_play(console, ()):
        for division in played:
            played[division] |= relay.lines(division).bits
    for described in console.divisions:
        assert playable(console, described) == played[described.id]


@few
@given(relay_consoles(), st.sampled_from((Transposer(), PUSHES)))
def test_a_coupler_plays_the_lines_that_its_keys_come_to(
    console: Console, transposer: Transposer
) -> None:
    console = evolve(console, transposer=transposer)
    for coupler in console.couplers:
        lines, silent, keys = 0, [], []
        for keyboard, key, relay in each_key(floating(console), (coupler.id,)):
            heard = relay.lines(console.played_by(coupler) or "")
            lines |= heard.bits
            if keyboard == coupler.keys and relay.transposer == 0:
                keys.append(key)
                silent += [] if heard else [key]
        assert playable_by(console, coupler) == lines
        below, above = keys_without_lines(console, coupler)
        assert below + above == len(silent)
        assert keys[:below] + keys[len(keys) - above :] == silent


@few
@given(relay_consoles())
def test_ranks_are_asked_for_the_pipes_that_their_stops_sound(console: Console) -> None:
    """With a keyboard under each division that has all of its lines."""
    keyboards, divisions = [], []
    for described in floating(console).divisions:
        lowest, lines = console.lines_of(described)
        name = f"under-{described.id}"
        keyboards.append(evolve(console.keyboards[0], id=name, lowest=lowest, keys=lines))
        divisions.append(evolve(described, keyboard=name))
    whole = evolve(
        console, keyboards=tuple(keyboards), divisions=tuple(divisions), couplers=(), shoes=()
    )
    sounded: dict[str, set[int]] = {rank.id: set() for rank in console.ranks}
    stops = [c.id for c in whole.controls if isinstance(c, Stop | Percussion)]
    for _, _, relay in each_key(whole, stops):
        for rank, pipes in sounded.items():
            pipes.update(relay.pipes(rank))
    for need in needs_of(console):
        there = set(range(1, need.rank.pipes + 1))
        assert need.asked & there == sounded[need.rank.id]
        assert set(need.idle) == there - sounded[need.rank.id]
        assert need.short_below + need.short_above == len(need.asked - there)


def test_a_harp_from_tenor_c_is_silent_below_it() -> None:
    harp = Percussion(id="harp", label=("Harp",), division="great", rank="bars", first_key=48)
    console = Console(
        format=1,
        name="Mill Lane",
        action=Action.BLIND,
        keyboards=(Keyboard("great", "Great"),),
        divisions=(Division("great", "Great", "great"),),
        ranks=(Rank("bars", "Harp", first_key=36),),
        percussions=(evolve(harp, last_key=84),),
    )
    pipes = {key: list(relay.pipes("bars")) for _, key, relay in each_key(console, ["harp"])}
    assert [key for key, sounding in pipes.items() if sounding] == list(range(48, 85))
    assert pipes[48] == [13]
    assert pipes[47] == []
    (need,) = needs_of(console)
    assert need.asked == set(range(13, 50))


@few
@given(relay_consoles())
def test_stops_that_cannot_be_told_apart_are_those_that_sound_the_same(console: Console) -> None:
    by_shoes = {shoe.all_control for shoe in console.shoes}
    first: dict[object, str] = {}
    expected = []
    for control in (*console.stops, *console.percussions):
        if control.out is not None or control.id in by_shoes:
            continue
        sounds = tuple(
            tuple(relay.pipes(rank.id).bits for rank in console.ranks)
            for _, _, relay in ways_to_play(console, (control.id,))
        )
        if any(map(any, sounds)):
            same = first.setdefault((control.division, sounds), control.id)
            expected += [(control.id, same)] if same != control.id else []
    said = 'can never sound differently from [a-z]+ "(.+?)", labelled'
    found = [(f.id, re.match(said, f.message)) for f in check(console)]
    assert [(name, match[1]) for name, match in found if match] == expected
