"""A console worked from the keyboard of the computer: what is typed, done by its contacts.

What can be typed is what a rehearsal can say is done, and for short the bare name of a piston,
which is pushed, or of a control, which is turned over. There is no terminal here.
"""

from collections.abc import Callable, Sequence
from functools import partial
from queue import SimpleQueue
from threading import Timer

from attrs import frozen

from cli.play.loop import Ask, Loop
from cli.play.playing import Playing
from cli.rehearsal.bench import FOLLOW
from cli.rehearsal.hand import Hand
from cli.rehearsal.language import FORMS
from cli.rehearsal.lines import RehearsalError, draft_of
from cli.rehearsal.statements import AllUp, Asked, Said, Statement, Transpose, Wires
from combination.effects import Effect, TabsDriven
from combination.findings import nearest, quoted
from combination.midi import Heard
from combination.model import Console
from combination.outputs import Sent

HALF_MOMENT = 0.05
"""Seconds between two edges of one statement, as in a rehearsal."""


_STATEMENTS = frozenset(head for form in FORMS for head in form.heads)


_HELP = (
    "type the id of a piston or a control (Tab completes it), or what a hand does: "
    "keys great 60 64 down, crescendo 40, press set, undo; quit switches off"
)


class NotDoneError(Exception):
    """What was typed cannot be done; the message says why."""


@frozen
class Deed:
    """Something to be done after so many seconds: it is told the time, and gives what goes out."""

    after: float
    does: Callable[[Playing, float], Sequence[Sent]]


class ByHand:
    """One console under somebody's fingers."""

    def __init__(self, console: Console) -> None:
        """Find every contact; what is on no pin yet can be worked all the same."""
        self.console = console
        self._hand = Hand(console)
        self._controls = {control.id for control in console.controls}
        self._pistons = {piston.id for piston in console.pistons}
        self.names = sorted(self._controls | self._pistons)

    def deeds(self, text: str, playing: Playing) -> list[Deed]:
        """What is to be done for what was typed.

        Raises:
            NotDoneError: if it means nothing, or cannot be done at this console.
        """
        words = text.strip()
        if not words:
            return []
        if words in ("help", "?"):
            raise NotDoneError(_HELP)
        if words in self._controls:
            rail = playing.instrument.action.rail
            on = bool(rail & playing.instrument.action.ranges.roster.bit(words))
            words = f"tab {words} {'off' if on else 'on'}"
        elif words in self._pistons:
            words = f"push {words}"
        elif " " not in words and words not in _STATEMENTS:
            close = nearest(words, self.names)
            raise NotDoneError(f"there is no piston or control {quoted(words)}{close}")
        return self._done(self._meant(words), playing)

    def _meant(self, words: str) -> Statement:
        try:
            lines = draft_of([Said(1, "this", words)]).on(self.console).lines
        except RehearsalError as error:
            raise NotDoneError(error.faults[0].partition(": ")[2]) from None
        if not lines:
            raise NotDoneError("that is nothing that a hand does")
        return lines[0].does

    def _done(self, does: Statement, playing: Playing) -> list[Deed]:
        if isinstance(does, Wires):
            return [_edge(HALF_MOMENT * after, heard) for after, heard in does.edges]
        if isinstance(does, AllUp):
            down = playing.instrument.relay.keys_down(does.keyboard)
            return [_edge(0, self._hand.key(does.keyboard, key, False)) for key in down]
        if isinstance(does, Transpose):
            stands = playing.instrument.relay.transposer
            moves = self._hand.transposing(does.semitones, stands, ())
            return [_edge(HALF_MOMENT * after, heard) for after, heard in moves]
        if isinstance(does, Asked):
            event = does.event
            return [Deed(0, lambda playing, at: playing.wish(event, at))]
        raise NotDoneError("that is nothing that a hand does")

    def following(self, box: "SimpleQueue[object]") -> Callable[[list[Effect], float], None]:
        """A witness that lets tabs follow their magnets, as those of a real rail do."""

        def witness(effects: list[Effect], _at: float) -> None:
            for effect in effects:
                if isinstance(effect, TabsDriven):
                    moves = [(tab, True) for tab in effect.on]
                    moves += [(tab, False) for tab in effect.off]
                    reports = [heard for tab, on in moves for heard in self._hand.tab(tab, on)]
                    _later(FOLLOW, box, [_edge(0, heard) for heard in reports])

        return witness

    def do(self, text: str, loop: Loop) -> None:
        """Do what was typed; what is wrong with it is told where refusals are."""
        try:
            deeds = self.deeds(text, loop.playing)
        except NotDoneError as error:
            loop.playing.tell(str(error))
            return
        now = [deed for deed in deeds if deed.after == 0]
        _do(now, loop)
        for after in sorted({deed.after for deed in deeds} - {0}):
            _later(after, loop.box, [deed for deed in deeds if deed.after == after])


def _edge(after: float, heard: Heard) -> Deed:
    return Deed(after, lambda playing, at: playing.work(heard, at))


def _do(deeds: Sequence[Deed], loop: Loop) -> None:
    for deed in deeds:
        loop.do(partial(deed.does, loop.playing))


def _later(after: float, box: "SimpleQueue[object]", deeds: Sequence[Deed]) -> None:
    timer = Timer(after, lambda: box.put(Ask(lambda loop: _do(deeds, loop))))
    timer.daemon = True
    timer.start()
