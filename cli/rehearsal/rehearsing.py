"""Running a rehearsal: its statements, or the messages of a recording, one after another.

When each is done is decided here, and how a run becomes a recording of its own; what a
statement means is said in `cli.rehearsal.lines`, and what it does to a console in
`cli.rehearsal.bench`.
"""

from collections.abc import Iterable, Iterator, Sequence
from math import ceil, floor

from attrs import define

from cli.output import progress
from cli.rehearsal.bench import RELAYED, Bench, Run
from cli.rehearsal.hand import Hand
from cli.rehearsal.midi_files import Cued, Entry, Lost, Played, Recording, Told
from cli.rehearsal.statements import (
    AllUp,
    Asked,
    Expect,
    Found,
    Jam,
    Line,
    Music,
    MusicBegins,
    Rehearsal,
    Said,
    Statement,
    Stick,
    Store,
    Switch,
    Transpose,
    Wait,
    Wires,
    plain_runs,
    plain_semitones,
)
from combination.contacts import Role, unwired_pin
from combination.memory import Bank
from combination.midi import CrescendoRead, Edge, Heard, Push, ShoeRead, Wiring
from combination.model import Console
from combination.ports import ports_of

QUARTER = 25
"""Milliseconds: a quarter of a moment, the time from one statement's start to the next's.

The quarter is longer than the usual bounce of a contact, so that none swallows what is done;
where a console has contacts that bounce for longer, the quarter is as long as that.
"""
TOGETHER = 0.05
"""Seconds in which the fingers of a chord come down, and after which a shoe has stopped."""
A_WHILE = 10_000
"""Milliseconds between two signs of progress."""
_HONOURED = (["console"], ["choose"], ["memory"], ["expect"])
"""How the texts of a recording begin that are statements: those that a console does not send."""


def run(rehearsal: Rehearsal, console: Console, bank: Bank, music: Music | None = None) -> Run:
    """Run a rehearsal with a bank seated on its console; the bank is changed in place.

    Music begins where the rehearsal says so, or else when everything else is done. It is played
    by the contacts of the keys, and the run lasts until it is over.
    """
    bench = Bench(console, bank)
    bench.remember(rehearsal.opening)
    performance = _Performance(bench, music)
    for line in progress(rehearsal.lines, "Rehearsing"):
        performance.do(line)
    performance.end()
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
            faults.setdefault(said.order, f"{said.place}: {_unsent(heard)}")
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
    owner = heard.pin.partition(".")[2]
    keyboard, _, key = owner.rpartition(".")
    if heard.pin == unwired_pin(Role.KEY, owner):
        return f'key {key} of "{keyboard}" has no contact on a board'
    return f'"{owner}" has no contact on a board'


def _ports(console: Console) -> tuple[str, ...]:
    """The ports by which a console sends, in the order of its file."""
    return tuple(name for name, use in ports_of(console).items() if use.listens)


class _Performance:
    """Statements done one after another, a moment apart.

    A statement's edges are half a moment apart, and it is done a quarter after its last. All in
    milliseconds, so that a recording by milliseconds has the same times.
    """

    def __init__(self, bench: Bench, music: Music | None) -> None:
        timing = bench.console.timing
        self.bench = bench
        self.music = music
        self.rest = floor(1000 * timing.key_bounce) + 1
        self.quarter = max(QUARTER, self.rest, ceil(1000 * timing.bounce))
        self.next = 0
        self.done = 0
        self.begun = False
        self.music_ends = 0

    def begin(self) -> None:
        """Switch on, once what is found by then has been said."""
        if not self.begun:
            self.begun = True
            self.bench.switch_on(0.0)
            self._over(0)

    def end(self) -> None:
        """Everything has been said: music that has not begun does, and all is played to its end."""
        self.begin()
        if self.music is not None:
            self._do(Said(0, "", "music"), MusicBegins())
        for moment in progress(range(self.done, self.music_ends, A_WHILE), "Playing"):
            self.bench.advance(moment / 1000)
        self.bench.advance(max(self.done, self.music_ends) / 1000)

    def _begin_music(self) -> None:
        if self.music is None:
            self.bench.note("there is no music")
            return
        edges = self.bench.hand.playing(self.music, self.rest)
        self.bench.begin_music([((self.next + at) / 1000, edge) for at, edge in edges])
        lasts = ceil(1000 * self.music.lasts)
        self.music_ends = self.next + max([lasts, *(at for at, _ in edges[-1:])])
        self.music = None

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
            self._do(line.said, does)

    def _do(self, said: Said, does: Statement) -> None:
        self.bench.run.told.append(Cued(self.next / 1000, said.text))
        self.bench.begin(said, self.next / 1000)
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
            return self._move(does.edges)
        if isinstance(does, Transpose):
            return self._move(bench.transposing(does.semitones))
        if isinstance(does, AllUp):
            return self._move([(0, heard) for heard in bench.all_up(does.keyboard)])
        if isinstance(does, MusicBegins):
            self._begin_music()
        elif isinstance(does, Asked):
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

    def _move(self, edges: Sequence[tuple[int, Heard]]) -> int:
        for late, heard in edges:
            self.bench.reach((self.next + 2 * self.quarter * late) / 1000)
            self.bench.move(heard)
        return max((late for late, _ in edges), default=0)


@define
class _Gesture:
    """Keys that go down or come up together, or a shoe on its way: one step of a recording.

    ``verb`` and ``way`` are the words around its numbers: keys, or the reading that a shoe has
    come to. What follows by ``until`` (seconds) may belong to it.
    """

    verb: str
    numbers: set[int]
    way: str
    since: float
    until: float

    @property
    def words(self) -> str:
        return f"{self.verb} {plain_runs(self.numbers)} {self.way}".strip()

    def takes(self, other: "_Gesture") -> bool:
        """Whether the other belongs to it, and if so is in it from now on."""
        if (other.verb, other.way) != (self.verb, self.way) or other.since > self.until:
            return False
        if self.way:
            self.numbers |= other.numbers
        else:
            self.numbers, self.until = other.numbers, other.until
        return True


class _Listening:
    """The entries of a recording, heard one after another.

    With cue points each begins what an expectation looks back to. Without, each message does;
    but keys and shoes begin afresh only what the relay did, so that what a piston did can still
    be looked for while the music goes on.
    """

    def __init__(self, bench: Bench, rehearsal: Rehearsal) -> None:
        assert bench.instrument is not None
        self.bench = bench
        self.instrument = bench.instrument
        self.lines = {line.said.order: line for line in rehearsal.lines}
        self.cued = False
        self.gesture: _Gesture | None = None
        self.ports = _ports(bench.console)
        sent_out = any(division.out for division in bench.console.divisions)
        self.mute = not (bench.console.ranks or bench.console.traps or sent_out)

    def hear(self, order: int, entry: Entry) -> None:
        bench = self.bench
        if isinstance(entry, Cued):
            self.cued, self.gesture = True, None
            bench.begin(Said(order, "", printable(entry.text)), entry.at, heading=True)
        elif isinstance(entry, Played):
            self._message(entry)
        elif isinstance(entry, Lost):
            self.gesture = None
            bench.begin(Said(order, "", f'port "{entry.port}" is lost'), entry.at)
            bench.lose(entry.port)
        elif order in self.lines:
            line, self.gesture = self.lines[order], None
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
        gesture = _gesture(bench.hand, heard, played.at)
        words = gesture.words if gesture else _words(bench.hand, heard)
        caused = bench.caused
        bench.advance(played.at)
        if words is None:
            bench.play(heard, found=played.found)
        elif gesture and self.gesture and self.gesture.takes(gesture):
            bench.run.steps[-1].said = Said(0, "", self.gesture.words)
            bench.play(heard, found=played.found)
        else:
            if gesture and not self.cued:
                bench.caused = [h for h in bench.caused if not isinstance(h.effect, RELAYED)]
            afresh = not self.cued and gesture is None
            step = bench.begin(Said(0, "", words), played.at, afresh=afresh)
            bench.play(heard, found=played.found)
            if step.happenings or (_is_press(bench.hand, heard) and not (gesture and self.mute)):
                self.gesture = gesture
            else:
                bench.withdraw(caused)


def _is_press(hand: Hand, heard: Heard) -> bool:
    """Whether it is worth a line even if nothing comes of it."""
    if isinstance(heard, Edge):
        return heard.closed is not hand.wired[heard.pin].inverted
    return isinstance(heard, Push)


def _gesture(hand: Hand, heard: Heard, at: float) -> _Gesture | None:
    """What a key or a shoe does; None of anything else."""
    until = at + TOGETHER
    if isinstance(heard, ShoeRead):
        return _Gesture(f"shoe {heard.shoe}", {heard.reading}, "", at, until)
    wire = hand.wired.get(heard.pin) if isinstance(heard, Edge) else None
    if wire is None or wire.role is not Role.KEY or not isinstance(heard, Edge):
        return None
    way = "up" if heard.closed is wire.inverted else "down"
    return _Gesture(f"keys {wire.id}", {wire.number}, way, at, until)


def _words(hand: Hand, heard: Heard) -> str | None:
    """What another pin or pedal says, as a rehearsal would write it; None if it is unused."""
    if isinstance(heard, CrescendoRead):
        return f"crescendo {heard.reading}"
    wire = None if isinstance(heard, ShoeRead) else hand.wired.get(heard.pin)
    if wire is None:
        return None
    down, up = _EDGES[wire.role]
    words = down if isinstance(heard, Push) or _is_press(hand, heard) else up
    if isinstance(heard, Push):
        words = words.replace("press", "push")
    return words.format(wire.id, plain_semitones(wire.number))


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
    Role.TRANSPOSE_BY: ("transpose by {1}", "transpose by {1} over"),
    Role.TRANSPOSE_TO: ("transpose {1}", "transpose {1} over"),
}


def printable(text: str) -> str:
    """A text as one line that a terminal can be shown."""
    return "".join(sign if sign.isprintable() else "?" for sign in text)[:200]
