"""Running a rehearsal: its statements, or the messages of a recording, one after another.

When each is done is decided here, and how a run becomes a recording of its own; what a
statement means is said in `cli.rehearsal.lines`, and what it does to a console in
`cli.rehearsal.bench`.
"""

from collections.abc import Iterable, Iterator
from math import ceil

from cli.output import progress
from cli.rehearsal.bench import Bench, Run
from cli.rehearsal.hand import Hand
from cli.rehearsal.midi_files import Cued, Entry, Played, Recording, Told
from cli.rehearsal.statements import (
    Asked,
    Expect,
    Found,
    Jam,
    Line,
    Rehearsal,
    Said,
    Statement,
    Stick,
    Store,
    Switch,
    Wait,
    Wires,
)
from combination.contacts import Role
from combination.memory import Bank
from combination.midi import CrescendoRead, Edge, Heard, Push, ShoeRead, Wiring
from combination.model import Console

QUARTER = 25
"""Milliseconds: a quarter of a moment, the time from one statement's start to the next's.

The quarter is longer than the usual bounce of a contact, so that none swallows what is done;
where a console has contacts that bounce for longer, the quarter is as long as that.
"""
_HONOURED = (["console"], ["choose"], ["memory"], ["expect"])
"""How the texts of a recording begin that are statements: those that a console does not send."""


def run(rehearsal: Rehearsal, console: Console, bank: Bank) -> Run:
    """Run a rehearsal with a bank seated on its console; the bank is changed in place."""
    bench = Bench(console, bank)
    bench.remember(rehearsal.opening)
    performance = _Performance(bench)
    for line in progress(rehearsal.lines, "Rehearsing"):
        performance.do(line)
    performance.begin()
    return bench.finish()


def run_recording(recording: Recording, rehearsal: Rehearsal, console: Console, bank: Bank) -> Run:
    """Run a recording of a console; ``rehearsal`` is what its texts say, in their order."""
    bench = Bench(console, bank, tabs_follow=False)
    bench.remember(rehearsal.opening)
    bench.switch_on(0.0)
    listening = _Listening(bench, rehearsal)
    for order, entry in enumerate(progress(recording.entries, "Rehearsing")):
        listening.hear(order, entry)
    bench.advance(max(recording.lasts, bench.now))
    return bench.finish()


def said_in_recording(recording: Recording) -> Iterator[Said]:
    """The statements among a recording's texts; any other text says nothing to us."""
    for order, entry in enumerate(recording.entries):
        if isinstance(entry, Told) and entry.text.split(maxsplit=1)[:1] in _HONOURED:
            yield Said(order, f"at {entry.at:.3f} s", entry.text.strip())


class CannotTravelError(Exception):
    """A rehearsal has things in it that no console sends; ``faults`` names each."""

    def __init__(self, faults: Iterable[str]) -> None:
        """Take a line for each thing, in order."""
        self.faults = tuple(faults)
        super().__init__("\n".join(self.faults))


def recording_of(
    rehearsal: Rehearsal, run: Run, console: Console, title: str, opening: Iterable[str]
) -> Recording:
    """A run as a recording: what the console sent, and what was said and expected meanwhile.

    ``opening`` are the statements that hold at the outset, as they were written.

    Raises:
        CannotTravelError: if something was done by no contact, or by one that no board sends.
    """
    faults = {
        line.said.order: f"{line.said.place}: no console sends {line.said.text!r}"
        for line in rehearsal.lines
        if isinstance(line.does, Asked | Store | Switch | Found)
    }
    wiring = Wiring(console)
    entries: list[Entry] = [Told(0.0, text) for text in opening]
    for at, heard, said in run.heard:
        sent = wiring.spoken(heard)
        if sent is None:
            faults[said.order] = f"{said.place}: {_unsent(heard)}"
        else:
            entries.append(Played(at, (sent[0],), bytes(sent[1].bin())))
    if faults:
        raise CannotTravelError(faults[order] for order in sorted(faults))
    entries = sorted([*entries, *run.told], key=lambda entry: entry.at)
    return Recording(title, tuple(entries), run.lasts, _ports(console))


def _unsent(heard: Heard) -> str:
    if isinstance(heard, CrescendoRead):
        return "the crescendo pedal is wired to nothing"
    if isinstance(heard, ShoeRead):
        return f'shoe "{heard.shoe}" is wired to nothing'
    return f'"{heard.pin.partition(".")[2]}" has no contact on a board'


def _ports(console: Console) -> tuple[str, ...]:
    """The ports by which a console sends, in the order of its file."""
    pedals = [console.crescendo.input, *(shoe.input for shoe in console.shoes)]
    ins = [*(board.input for board in console.boards), *pedals]
    return tuple(dict.fromkeys(port.port for port in ins if port is not None))


class _Performance:
    """Statements done one after another, a moment apart.

    A statement's edges are half a moment apart, and it is done a quarter after its last. All in
    milliseconds, so that a recording by milliseconds has the same times.
    """

    def __init__(self, bench: Bench) -> None:
        timing = bench.console.timing
        self.bench = bench
        self.quarter = max(QUARTER, ceil(1000 * max(timing.bounce, timing.key_bounce)))
        self.next = 0
        self.done = 0
        self.begun = False

    def begin(self) -> None:
        """Switch on, once what is found by then has been said."""
        if not self.begun:
            self.begun = True
            self.bench.switch_on(0.0)
            self._over(0)

    def do(self, line: Line) -> None:
        does, bench = line.does, self.bench
        if isinstance(does, Found):
            bench.found(does.pin, does.closed)
            return
        self.begin()
        if isinstance(does, Expect):
            bench.run.told.append(Told(self.done / 1000, line.said.text))
            bench.check(line.said, does)
        elif isinstance(does, Wait):
            bench.begin(line.said, self.done / 1000, afresh=False)
            self.done += does.milliseconds
            self.next += does.milliseconds
            bench.advance(self.done / 1000)
        else:
            bench.run.told.append(Cued(self.next / 1000, line.said.text))
            bench.begin(line.said, self.next / 1000)
            self._over(self._perform(does))

    def _over(self, last: int) -> None:
        """A statement is over whose last edge came so many half moments after its start."""
        edge = self.next + 2 * self.quarter * last
        self.done = edge + self.quarter
        self.next = max(self.next + 4 * self.quarter, edge + 2 * self.quarter)
        self.bench.advance(self.done / 1000)

    def _perform(self, does: Statement) -> int:
        bench = self.bench
        if isinstance(does, Wires):
            for late, heard in does.edges:
                bench.advance((self.next + 2 * self.quarter * late) / 1000)
                bench.move(heard)
            return max((late for late, _ in does.edges), default=0)
        if isinstance(does, Asked):
            bench.ask(does.event)
        elif isinstance(does, Stick):
            bench.stick(does.pin, does.sticks)
        elif isinstance(does, Jam):
            bench.jam(does.control, does.jams)
        elif isinstance(does, Store):
            bench.store(does.works)
        elif isinstance(does, Switch):
            if does.on:
                bench.switch_on(bench.now)
            else:
                bench.switch_off()
        return 0


class _Listening:
    """The entries of a recording, heard one after another.

    With cue points each begins what an expectation looks back to; without, each message does.
    """

    def __init__(self, bench: Bench, rehearsal: Rehearsal) -> None:
        assert bench.instrument is not None
        self.bench = bench
        self.instrument = bench.instrument
        self.lines = {line.said.order: line for line in rehearsal.lines}
        self.cued = False
        self.ports = _ports(bench.console)

    def hear(self, order: int, entry: Entry) -> None:
        bench = self.bench
        if isinstance(entry, Cued):
            self.cued = True
            bench.begin(Said(order, "", printable(entry.text)), entry.at, heading=True)
        elif isinstance(entry, Played):
            self._message(entry)
        elif order in self.lines:
            line = self.lines[order]
            bench.advance(entry.at)
            if isinstance(line.does, Expect):
                bench.check(line.said, line.does)

    def _message(self, played: Played) -> None:
        bench, message = self.bench, played.message
        port = next((name for name in played.port if name in self.ports), None)
        heard = self.instrument.wiring.heard(message, port)
        if heard is None:
            bench.run.unknown += 1
            bench.advance(played.at)
            return
        words = _words(bench.hand, heard)
        if words is None:
            bench.advance(played.at)
            bench.play(message, port)
            return
        caused = bench.caused
        step = bench.begin(Said(0, "", words), played.at, afresh=not self.cued)
        bench.play(message, port)
        if not step.happenings and not _is_press(bench.hand, heard):
            bench.withdraw(caused)


def _is_press(hand: Hand, heard: Heard) -> bool:
    """Whether it is worth a line even if nothing comes of it."""
    if isinstance(heard, Edge):
        return heard.closed is not hand.wired[heard.pin].inverted
    return isinstance(heard, Push)


def _words(hand: Hand, heard: Heard) -> str | None:
    """What a pin or a pedal says, as a rehearsal would write it; None for keys and shoes."""
    if isinstance(heard, ShoeRead):
        return None
    if isinstance(heard, CrescendoRead):
        return f"crescendo {heard.reading}"
    wire = hand.wired.get(heard.pin)
    if wire is None or wire.role is Role.KEY:
        return None
    if isinstance(heard, Push):
        return _EDGES[wire.role][0].replace("press", "push").format(wire.id)
    pressed = heard.closed is not wire.inverted
    down, up = _EDGES[wire.role]
    return (down if pressed else up).format(wire.id)


_EDGES = {
    Role.PISTON: ("press {}", "release {}"),
    Role.SECOND_TOUCH: ("press {} deep", "release {} deep"),
    Role.TAB: ("tab {} on", "tab {} off"),
    Role.TAB_ON: ("tab {} on", "tab {} no longer on"),
    Role.TAB_OFF: ("tab {} off", "tab {} no longer off"),
    Role.TOUCH: ("touch {}", "touch {} over"),
    Role.TOUCH_ON: ("tab {} on", "touch {} over"),
    Role.TOUCH_OFF: ("tab {} off", "touch {} over"),
    Role.LOCK: ("lock", "unlock"),
}


def printable(text: str) -> str:
    """A text as one line that a terminal can be shown."""
    return "".join(sign if sign.isprintable() else "?" for sign in text)[:200]
