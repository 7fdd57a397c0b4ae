"""What the statements of a rehearsal mean: each kind as a value.

How they are written is the business of `cli.rehearsal.language`, what they do of
`cli.rehearsal.bench`.
"""

from decimal import Decimal

from attrs import frozen

from combination.events import Event
from combination.memory import Slot, Step
from combination.midi import Heard


@frozen
class Wires:
    """Pins close and open, pedals are read: each so many half moments after the start."""

    edges: tuple[tuple[int, Heard], ...]


@frozen
class Asked:
    """A wish that comes by no contact: undo, a step, a sequence, a key switch not wired."""

    event: Event


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
    """What should be found: ``what`` to look at, ``of`` which division or place, and what is
    wanted, as words; no words stand for nothing.
    """

    what: str
    wanted: tuple[str, ...]
    of: str | Slot | None = None


Opening = Remember | LockLevel | AddStep
Statement = Opening | Wires | Asked | Wait | Stick | Jam | Store | Switch | Found | Expect
WHILE_OFF = (Wires, Wait, Stick, Jam, Store, Found)
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


def plain_number(number: Decimal) -> str:
    """A step's number as a person writes it: 2.50 is 2.5."""
    text = format(number, "f")
    return text.rstrip("0").rstrip(".") if "." in text else text
