"""Proof of wiring: what is asked for, what was heard of it, and what that shows by a console file.

Messages are read by the console file as it is now: what was heard is a fact about messages, and
the file may have been corrected since. A run counts as long as the file has the same contacts in
that part, on whatever pins. A recording of several runs in one go is cut where the next begins.
Nothing here opens a file or port, or has words for a person.
"""

import hashlib
import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime

from attrs import evolve, frozen
from mido.messages import Message

from cli.console.rewiring import rewired
from cli.console.rewriting import CannotRewriteError
from cli.rehearsal.midi_files import Played, Recording
from cli.workshop.proof_file import Run, Said
from combination.aligning import alignments
from combination.checking import check
from combination.contacts import Role
from combination.findings import Severity
from combination.harness import CannotBeWiredError, Part, Point, points_of, with_pins
from combination.midi import SWITCH_ON, Edge, Push, Wiring
from combination.model import Console
from combination.ports import ports_of
from combination.proving import Proof, Remedy, Worked, asked_of, prove, remedy, spot_of
from combination.strikes import Change, Spot, Strike, strikes_of

PARTS = {
    Part.RAIL: "rail",
    Part.THUMB: "thumb",
    Part.SECOND_TOUCH: "second-touch",
    Part.TOE: "toe",
    Part.TURNED: "switches",
}
"""What a run of a part is called where it is chosen; a keyboard's is called by its id."""

_KINDS = {
    "note_on": "notes",
    "note_off": "notes",
    "control_change": "controllers",
    "program_change": "programs",
}


# ---------------------------------------------------------------- what is asked for


@frozen
class Asked:
    """A run: contacts to be worked one after another, and what it is called where it is chosen."""

    key: str
    points: tuple[Point, ...]

    @property
    def part(self) -> Part:
        """Which part of the console it is."""
        return self.points[-1].part

    @property
    def wires(self) -> tuple[tuple[Role, str, int], ...]:
        """Its wires, in the order in which they are worked."""
        return tuple(point.wire for point in self.points)


def runs_asked(console: Console, rail: Sequence[str]) -> tuple[Asked, ...]:
    """The runs in which a console is proved: every contact that has a pin, in harness order.

    A transposer's rotary switch is left out: on its way it opens one position and closes the
    next, and is no contact that is worked by itself.
    """
    points = [point for point in points_of(console, rail) if point.pin and not _rotary(point)]
    found: dict[str, Asked] = {}
    for run in asked_of(points):
        part = run[-1].part
        key = PARTS.get(part, run[0].id)
        while part is Part.KEYS and (key in PARTS.values() or key in found):
            key = f"keyboard-{key}"
        found[key] = Asked(key, run)
    return tuple(found.values())


def _rotary(point: Point) -> bool:
    return point.role is Role.TRANSPOSE_TO and point.id == "switch"


def fingerprint(console: Console) -> str:
    """What tells one wiring of a console from another: its contacts' pins and their messages."""
    facts = [(*point.wire, point.pin, point.inverted) for point in points_of(console) if point.pin]
    boards = [(board.id, board.pins, board.input) for board in console.boards]
    return hashlib.sha256(repr((facts, boards)).encode()).hexdigest()[:16]


# ---------------------------------------------------------------- what is heard


class Ear:
    """Messages as changes of pins, by one console file.

    What comes from no pin of it is a change all the same: on a board that no file can have,
    called by its port, channel and kind of message.
    """

    def __init__(self, console: Console) -> None:
        """Take a console without errors."""
        self._wiring = Wiring(console)

    def change(self, said: Said) -> Change | None:
        """What a message says; None for what is no contact's."""
        message = Message.from_bytes(said.data)
        heard = self._wiring.heard(message, said.port or None)
        if isinstance(heard, Edge):
            return Change(said.at, spot_of(heard.pin), heard.closed)
        if isinstance(heard, Push):
            return Change(said.at, spot_of(heard.pin), None)
        kind = _KINDS.get(message.type)
        if heard is not None or kind is None:
            return None
        board = f"{said.port} channel {message.channel + 1} {kind}".lstrip()
        if kind == "programs":
            return Change(said.at, (board, message.program), None)
        if kind == "controllers":
            return Change(said.at, (board, message.control), message.value >= SWITCH_ON)
        closed = message.type == "note_on" and message.velocity > 0
        return Change(said.at, (board, message.note), closed)


class Listener:
    """What is known of every pin while a console is worked: how it was when last heard of."""

    def __init__(self, ear: Ear) -> None:
        """Know nothing yet."""
        self._ear = ear
        self._last: dict[Spot, tuple[bool, Said]] = {}

    @property
    def closed(self) -> tuple[Said, ...]:
        """The messages of the pins that are closed."""
        return tuple(evolve(said, at=0.0) for closed, said in self._last.values() if closed)

    def before(
        self, known: tuple[Said, ...], heard: Sequence[object], found: bool
    ) -> tuple[Said, ...]:
        """The messages of the pins that were closed before they were worked.

        Where something was ``heard`` in a run already those stay that are ``known``, and what is
        ``found`` since is added: somebody began before all boards had reported.
        """
        if not heard:
            return self.closed
        return tuple(dict.fromkeys((*known, *self.closed))) if found else known

    def heard(self, said: Said, *, found: bool = False) -> Change | None:
        """What a message says that is news.

        A board may say again how a pin is; one that has ``found`` how a pin is has seen nothing
        move, if that was not known before.
        """
        change = self._ear.change(said)
        if change is None or change.closed is None:
            return change
        known = self._last.get(change.spot)
        self._last[change.spot] = (change.closed, said)
        if known is None:
            return None if found else change
        return change if known[0] is not change.closed else None


def struck(points: Iterable[Point], changes: Sequence[Change]) -> tuple[Change, ...]:
    """Changes so that each contact that is worked leaves its rest once, in its turn.

    Of a tab with two contacts that for off rests closed, and opens when the tab goes on. It is
    worked when it closes again, and taken to have been at rest before and to go there after all.
    """
    roles = {point.role for point in points}
    if Role.TAB_OFF not in roles or not changes:
        return tuple(changes)
    opens = {spot_of(point.pin) for point in points if point.pin and point.inverted}
    first: dict[Spot, Change] = {}
    last: dict[Spot, Change] = {}
    for change in changes:
        first.setdefault(change.spot, change)
        last[change.spot] = change
    resting = {c.spot for c in first.values() if c.closed is False and c.spot not in opens}
    kept = [c for c in changes if not (c.spot in resting and c is first[c.spot])]
    after = changes[-1].at + 1.0
    kept += [Change(after, spot, False) for spot in sorted(resting) if last[spot].closed]
    return tuple(kept)


def worked_of(run: Run, points: Sequence[Point], ear: Ear) -> Worked:
    """What was heard in a run, as the console file has its contacts now."""
    changes = [change for said in run.heard if (change := ear.change(said))]
    before = {change.spot for said in run.before if (change := ear.change(said))}
    done = struck(points, changes)
    if Role.TAB_OFF in {point.role for point in points}:
        before -= {change.spot for change in done}
    return Worked(tuple(points), done, frozenset(before))


FURTHER = 100
"""Strikes more than there are contacts that may be heard of a run, or a fifth as many: a hand slips
now and then. To find out which of far more was which takes hours, and it is some other music."""


class TooMuchError(Exception):
    """Far more was heard than there are contacts; the message says how much."""


def strikes_in(points: Sequence[Point], changes: Sequence[Change]) -> list[Strike]:
    """What was struck while contacts were worked.

    Raises:
        TooMuchError: if it is far more than they are.
    """
    strikes, _ = strikes_of(struck(points, changes))
    if len(strikes) > len(points) + max(FURTHER, len(points) // 5):
        raise TooMuchError(f"{len(strikes)} strokes were heard, and there are {len(points)}")
    return strikes


# ---------------------------------------------------------------- recordings


def saids_of(recording: Recording, console: Console) -> list[tuple[Said, bool]]:
    """The messages of a recording from contacts, and whether each was found rather than worked."""
    ports = {name for name, use in ports_of(console).items() if use.listens}
    return [
        (
            Said(each.at, next((name for name in each.port if name in ports), ""), each.data),
            each.found,
        )
        for each in recording.entries
        if isinstance(each, Played) and is_of_contact(each.data)
    ]


def is_of_contact(data: bytes) -> bool:
    """Whether a message is one by which a board may say that a contact moved (MIDI 1.0)."""
    return data[0] >> 4 in (0x8, 0x9, 0xB, 0xC)


def runs_of(
    asked: Sequence[Asked],
    saids: Sequence[tuple[Said, bool]],
    console: Console,
    on: datetime,
) -> tuple[Run, ...]:
    """A recording in which the contacts were worked run after run, in one go, as its runs.

    Raises:
        TooMuchError: if it has far more than these.
    """
    ear = Ear(console)
    listener = Listener(ear)
    changes: list[Change] = []
    before = listener.closed
    for said, found in saids:
        change = listener.heard(said, found=found)
        if change is not None:
            changes.append(change)
        else:
            before = listener.before(before, changes, found)
    shut = {change.spot for said in before if (change := ear.change(said))}
    begins = _begins(asked, changes, shut)
    return tuple(_cut(asked, begins, saids, console, on))


def _begins(asked: Sequence[Asked], changes: Sequence[Change], shut: set[Spot]) -> list[float]:
    """When each run begins: at its first contact that was heard, or, if there is none, the next's.

    So what nobody can place belongs to the run before.
    """
    points = [point for run in asked for point in run.points]
    planned = [spot_of(point.pin) if point.pin else None for point in points]
    strikes = strikes_in(points, changes)
    _, story = alignments(planned, [strike.spots for strike in strikes], shut)[0]
    times = [strikes[match.strike].at if match else math.inf for match in story]
    begins = []
    end = len(points)
    following = math.inf
    for run in reversed(asked):
        following = min([following, *times[end - len(run.points) : end]])
        end -= len(run.points)
        begins.append(following)
    return [-math.inf, *begins[-2::-1]]


def _cut(
    asked: Sequence[Asked],
    begins: Sequence[float],
    saids: Sequence[tuple[Said, bool]],
    console: Console,
    on: datetime,
) -> Iterable[Run]:
    listener = Listener(Ear(console))
    wiring = fingerprint(console)
    place = 0
    for number, run in enumerate(asked):
        until = begins[number + 1] if number + 1 < len(begins) else math.inf
        before = listener.closed
        heard: list[Said] = []
        start = 0.0
        while place < len(saids) and saids[place][0].at < until:
            said, found = saids[place]
            place += 1
            if listener.heard(said, found=found) is None:
                before = listener.before(before, heard, found)
                continue
            start = start if heard else said.at
            heard.append(evolve(said, at=round(said.at - start, 6)))
        yield Run(run.key, on, wiring, run.wires, before, tuple(heard))


# ---------------------------------------------------------------- what it shows


@frozen
class Result:
    """What a proof has shown so far, by the console file as it is.

    ``runs`` count, each with its part; those of ``outdated`` do not, since the file has other
    contacts there now, or far more was heard; ``left`` are the parts without one. Not asked for are
    contacts without a pin, of which there are ``unplanned``, and a ``rotary`` switch.
    """

    console: Console
    asked: tuple[Asked, ...]
    runs: Mapping[str, Run]
    outdated: tuple[Run, ...]
    proof: Proof
    remedy: Remedy
    unplanned: int
    rotary: bool

    @property
    def left(self) -> tuple[Asked, ...]:
        """What is to be worked yet."""
        return tuple(run for run in self.asked if run.key not in self.runs)

    @property
    def contacts(self) -> int:
        """How many there are to be proved."""
        return len({wire for run in self.asked for wire in run.wires})

    @property
    def proved(self) -> int:
        """How many have been worked."""
        return len({wire for run in self.asked if run.key in self.runs for wire in run.wires})


def result_of(console: Console, rail: Sequence[str], runs: Iterable[Run]) -> Result:
    """What runs have shown."""
    asked = runs_asked(console, rail)
    parts = {run.key: run for run in asked}
    points = {point.wire: point for each in asked for point in each.points}
    ear = Ear(console)
    good: dict[str, Run] = {}
    worked: dict[str, Worked] = {}
    outdated = []
    for run in runs:
        part = parts.get(run.key)
        if part is None or Counter(part.wires) != Counter(run.wires):
            outdated.append(run)
            continue
        heard = worked_of(run, [points[wire] for wire in run.wires], ear)
        try:
            strikes_in(heard.points, heard.changes)
        except TooMuchError:
            outdated.append(run)
        else:
            good[run.key], worked[run.key] = run, heard
    proof = prove([worked[key] for key in parts if key in worked], console.timing)
    boards = {board.id: board.pins for board in console.boards if board.input is not None}
    every = points_of(console)
    return Result(
        console,
        asked,
        good,
        tuple(outdated),
        proof,
        remedy(proof, boards),
        unplanned=sum(point.pin is None for point in every),
        rotary=any(map(_rotary, every)),
    )


# ---------------------------------------------------------------- the corrected map


class CannotCorrectError(Exception):
    """The console file cannot say where the wires are; the message says why."""


def corrected(text: str, result: Result) -> str:
    """The text of the console file with every contact where it was found.

    Raises:
        CannotCorrectError: if the file has no words for it.
    """
    try:
        after = with_pins(result.console, result.remedy.pins)
    except CannotBeWiredError as error:
        raise CannotCorrectError(str(error)) from error
    errors = [str(found) for found in check(after) if found.severity is Severity.ERROR]
    if errors:
        raise CannotCorrectError("; ".join(errors))
    try:
        return rewired(text, after)
    except CannotRewriteError as error:
        raise CannotCorrectError("it can only be edited by hand, as it is written") from error
