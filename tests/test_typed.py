"""A console worked from this keyboard: letters to lines, and lines to what a hand does."""

from collections.abc import Sequence
from datetime import UTC, datetime
from queue import SimpleQueue

import pytest

from cli.play.hand import ByHand, NotDoneError
from cli.play.loop import Ask, Loop
from cli.play.playing import Playing
from cli.play.typed import Typed
from combination.memory import fresh_bank
from combination.reading import read_console
from tests.consoles import worked_console
from tests.live import oxmarsh

WHEN = datetime(2031, 5, 4, 18, 30, tzinfo=UTC)
NAMES = ("flute", "flageolet", "g1", "g10", "g11")


class Keyboard:
    """What is typed, letter by letter."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self.typed = Typed(self.lines.append, NAMES, lambda: None)

    def type(self, *keys: str) -> None:
        for key in keys:
            if key.startswith("\x1b"):
                self.typed.recall(key)
            else:
                for letter in key:
                    self.typed.take(letter)


@pytest.mark.parametrize(
    ("keys", "lines", "line"),
    [
        (["g1\n"], ["g1"], ""),
        (["g2\x7f1\r"], ["g1"], ""),
        (["nonsense\x15g1\n"], ["g1"], ""),
        ([" \n\n"], [], ""),
        (["flu\t"], [], "flute"),
        (["fl\t"], [], "fl"),
        (["push g\t"], [], "push g1"),
        (["x\t"], [], "x"),
        (["\x01\x02g1"], [], "g1"),
        (["g1\n", "\x1b[A"], ["g1"], "g1"),
        (["g1\n", "flute\n", "\x1b[A", "\x1b[A", "\x1b[A"], ["g1", "flute"], "g1"),
        (["g1\n", "flute\n", "\x1b[A", "\x1b[A", "\x1b[B"], ["g1", "flute"], "flute"),
        (["g1\n", "\x1b[A", "\x1b[B"], ["g1"], ""),
        (["\x1b[A"], [], ""),
        (["g1", "\x1b[C"], [], "g1"),
    ],
)
def test_letters(keys: Sequence[str], lines: list[str], line: str) -> None:
    keyboard = Keyboard()
    keyboard.type(*keys)
    assert (keyboard.lines, keyboard.typed.line) == (lines, line)


class Bench:
    """A console and a hand, and the loop that would run; time is handed in."""

    def __init__(self, text: str | None = None) -> None:
        console = worked_console() if text is None else read_console(text)
        self.box: SimpleQueue[object] = SimpleQueue()
        self.hand = ByHand(console)
        self.playing = Playing(
            console,
            fresh_bank(console),
            lambda: WHEN,
            keeps=False,
            unwired=True,
            witness=self.hand.following(self.box),
        )
        self.loop = Loop(self.playing, {}, None, self.box, {})

    def type(self, *lines: str) -> None:
        for line in lines:
            self.hand.do(line, self.loop)
            edges = (
                len(self.hand.deeds(line, self.playing)) if line.startswith(("push", "g")) else 0
            )
            for _ in range(edges - 1):  # the release comes half a moment later
                thing = self.box.get(timeout=5)
                assert isinstance(thing, Ask)
                thing.does(self.loop)

    @property
    def sounding(self) -> set[str]:
        action = self.playing.instrument.action
        return set(action.ranges.roster.registration(action.sounding))

    @property
    def told(self) -> list[str]:
        return [told.words for told in self.playing.told]


def test_a_name_is_pushed_or_turned_over() -> None:
    bench = Bench(oxmarsh())
    bench.type("flute", "push set", "g1", "flute")
    assert bench.told == ["piston 1 (g1): set"]
    assert bench.sounding == set()
    bench.type("g1")
    assert bench.sounding == {"flute"}


def test_what_was_set_is_taken_back_and_set_again() -> None:
    bench = Bench(oxmarsh())
    bench.type("flute", "push set", "g1", "undo", "redo")
    assert bench.told == [
        "piston 1 (g1): set",
        "piston 1 (g1): as it was before it was set",
        "piston 1 (g1): set again",
    ]


def test_help_is_told() -> None:
    bench = Bench(oxmarsh())
    bench.type("help", "?")
    assert [told.startswith("type the id of a piston") for told in bench.told] == [True, True]


def test_keys_and_wishes() -> None:
    bench = Bench(oxmarsh())
    bench.type("flute", "keys great 48 52 down")
    assert set(bench.playing.instrument.relay.pipes("flute")) == {13, 17}
    bench.type("keys great all up")
    assert not bench.playing.instrument.relay.pipes("flute")
    bench.type("undo")
    assert bench.told == ["nothing to undo"]


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("flut", 'there is no piston or control "flut"; did you mean "flute"?'),
        ("tab flut on", 'there is no control "flut"'),
        ("expect sounding flute", "that is nothing that a hand does"),
        ("wait 3", "that is nothing that a hand does"),
        ("title An evening", "that is nothing that a hand does"),
        ("memory g1 = flute", "that is nothing that a hand does"),
        ("switch off", "that is nothing that a hand does"),
    ],
)
def test_what_cannot_be_done_is_told(line: str, why: str) -> None:
    bench = Bench(oxmarsh())
    with pytest.raises(NotDoneError) as error:
        bench.hand.deeds(line, bench.playing)
    assert str(error.value).startswith(why)
    bench.type(line)
    assert bench.told == [str(error.value)]


def test_nothing_is_done_for_an_empty_line() -> None:
    bench = Bench(oxmarsh())
    assert bench.hand.deeds("  ", bench.playing) == []
