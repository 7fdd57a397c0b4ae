"""What the statements of a rehearsal mean: each kind as a value.

How they are written is the business of `cli.rehearsal.language`, what they do of
`cli.rehearsal.bench`.
"""

from collections.abc import Iterable
from decimal import Decimal

from attrs import frozen

from combination.events import Event, RelayEvent
from combination.memory import Slot, Step
from combination.midi import Heard


@frozen
class Wires:
    """Pins close and open, pedals are read: each so many half moments after the start."""

    edges: tuple[tuple[int, Heard], ...]


@frozen
class Asked:
    """A wish that comes by no contact: undo, a step, a sequence, a switch that is not wired."""

    event: Event | RelayEvent


@frozen
class AllUp:
    """Every key of a keyboard comes up that is held down."""

    keyboard: str


@frozen
class Transpose:
    """The transposer is moved, from wherever it stands to so many semitones, by its contacts."""

    semitones: int


@frozen
class Wait:
    """Time passes, in milliseconds."""

    milliseconds: int


@frozen
class Stick:
    """A piston's contact no longer opens, or is free again."""

    pin: str
    sticks: bool


@frozen
class Jam:
    """A driven tab no longer moves, or is free again."""

    control: str
    jams: bool


@frozen
class Store:
    """Whether what is set can be written for good from now on."""

    works: bool


@frozen
class Switch:
    """The console is switched on or off."""

    on: bool


@frozen
class Found:
    """What a pin will be found to be at the next switch-on."""

    pin: str
    closed: bool


@frozen
class Remember:
    """What a place of the memory holds at the outset: what is on, or what is left alone."""

    slot: Slot
    controls: tuple[str, ...]
    neutral: bool = False


@frozen
class LockLevel:
    """A memory level that is locked at the outset."""

    level: int


@frozen
class AddStep:
    """A step that a sequence has at the outset."""

    sequence: str
    step: Step


@frozen
class Expect:
    """What should be found: ``what`` to look at, ``of`` which division, place, rank or the like,
    and what is wanted, as words; no words stand for nothing.
    """

    what: str
    wanted: tuple[str, ...]
    of: str | Slot | None = None


@frozen
class Touch:
    """A key that a piece of music moves, ``at`` so many seconds after the music begins."""

    at: float
    keyboard: str
    key: int
    down: bool


@frozen
class Music:
    """A piece of music for one console's keyboards: its touches in order, and its length (s).

    Several hands may hold a key: it is down until each of them has let it go, or to the end.
    """

    touches: tuple[Touch, ...]
    lasts: float


@frozen
class MusicBegins:
    """The music that goes with the rehearsal begins."""


SHORTEST_RUN = 3
"""Numbers in a row that are written as a run."""
Opening = Remember | LockLevel | AddStep
Statement = (
    Opening
    | Wires
    | AllUp
    | Transpose
    | Asked
    | Wait
    | Stick
    | Jam
    | Store
    | Switch
    | Found
    | MusicBegins
    | Expect
)
WHILE_OFF = (Wires, AllUp, Wait, Stick, Jam, Store, Found, MusicBegins)
"""What may be done while the console is switched off: wires move, and nobody listens."""


@frozen
class Said:
    """A statement as it was written. ``place`` says where: ``line 12``.

    ``order`` is the number of the line, or whatever else tells it from the others.
    """

    order: int
    place: str
    text: str


@frozen
class Line:
    """A statement, and what it means."""

    said: Said
    does: Statement


@frozen
class Rehearsal:
    """What holds at the outset, and then everything that is done and expected, in order."""

    opening: tuple[Opening, ...]
    lines: tuple[Line, ...]


def place_name(slot: Slot) -> str:
    """What the language calls a place of the memory: ``G1``, ``G1 at 2``, ``stage 3``."""
    if slot.stage is not None:
        return f"stage {slot.stage}"
    return slot.piston or "" if slot.level in (None, 1) else f"{slot.piston} at {slot.level}"


def plain_runs(numbers: Iterable[int]) -> str:
    """Numbers as a person lists them, neighbours as a run: ``36 48-52``."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    words = (run if len(run) < SHORTEST_RUN else [f"{run[0]}-{run[-1]}"] for run in runs)
    return " ".join(str(word) for run in words for word in run)


def plain_semitones(semitones: int) -> str:
    """A transposition as a person writes it: ``+3``, ``-2``, ``0``."""
    return f"{semitones:+d}" if semitones else "0"


def plain_number(number: Decimal) -> str:
    """A step's number as a person writes it: 2.50 is 2.5."""
    text = format(number, "f")
    return text.rstrip("0").rstrip(".") if "." in text else text
