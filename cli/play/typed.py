"""Lines typed at this computer: letter by letter on a terminal, whole lines from elsewhere.

On a terminal the line that is being typed is shown with the view, so that nothing that changes
there writes over it. What a line means is not known here.
"""

import os
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from threading import Thread

if sys.platform != "win32":  # there whole lines are read
    import termios
    import tty

_ENTER, _TAB, _RUBS_OUT, _CLEARS = "\r\n", "\t", "\x7f\b", "\x15"
_ESCAPE = "\x1b"
_UP, _DOWN = "\x1b[A", "\x1b[B"


PACE = 0.15
"""Seconds between two lines that come from elsewhere than a terminal, where a hand needs as long:
a piston is let go half a tenth of a second after it is pressed, and its contact bounces."""


class Typed:
    """What is typed: each whole line is given to ``done``.

    ``line`` is the one being typed, ``names`` what the last word of it may be completed to;
    ``changed`` is called whenever the line is another.
    """

    def __init__(
        self, done: Callable[[str], None], names: Sequence[str], over: Callable[[], None]
    ) -> None:
        """Take what a line is given to, and what is called when there will be no more."""
        self.line = ""
        self.changed: Callable[[], None] = lambda: None
        self._done, self._names, self._over = done, names, over
        self._before: list[str] = []
        self._place = 0

    @contextmanager
    def reading(self) -> Iterator[None]:
        """Read, in a thread of its own, for a block."""
        by_letter = sys.stdin.isatty() and sys.stdout.isatty() and sys.platform != "win32"
        read = self._letters if by_letter else self._lines
        with _letter_by_letter() if by_letter else nullcontext():
            Thread(target=read, name="keyboard", daemon=True).start()
            yield

    def _lines(self) -> None:
        for line in sys.stdin:
            self._done(line.strip())
            time.sleep(PACE)
        self._over()

    def _letters(self) -> None:
        while True:
            found = os.read(sys.stdin.fileno(), 64).decode("utf-8", errors="ignore")
            if not found:
                self._over()
                return
            if found.startswith(_ESCAPE):
                self.recall(found)
            else:
                for letter in found:
                    self.take(letter)
            self.changed()

    def take(self, letter: str) -> None:
        """One letter, or key, more."""
        if letter in _ENTER:
            line, self.line = self.line.strip(), ""
            if line:
                self._before.append(line)
                self._place = len(self._before)
                self._done(line)
        elif letter in _RUBS_OUT:
            self.line = self.line[:-1]
        elif letter == _CLEARS:
            self.line = ""
        elif letter == _TAB:
            self._complete()
        elif letter.isprintable():
            self.line += letter

    def _complete(self) -> None:
        """Complete the last word as far as only one name, or several alike, can be meant."""
        rest, _, word = self.line.rpartition(" ")
        fits = [name for name in self._names if name.startswith(word)]
        if fits:
            whole = fits[0]
            while not all(name.startswith(whole) for name in fits):
                whole = whole[:-1]
            self.line = f"{rest} {whole}" if rest else whole

    def recall(self, key: str) -> None:
        """A line that was typed before."""
        step = {_UP: -1, _DOWN: 1}.get(key)
        if step is not None and self._before:
            self._place = min(max(self._place + step, 0), len(self._before))
            self.line = (*self._before, "")[self._place]


@contextmanager
def _letter_by_letter() -> Iterator[None]:
    """The terminal gives each letter at once, and shows none by itself."""
    if sys.platform == "win32":
        yield
    else:
        before = termios.tcgetattr(sys.stdin)
        tty.setcbreak(sys.stdin)
        try:
            yield
        finally:
            termios.tcsetattr(sys.stdin, termios.TCSADRAIN, before)
