"""What the combination action and the relay do to the world: every effect, as a value.

Sets of controls are `Registration`s, pipes and lines `Parts`: neither costs anything until it
is looked into. An effect says what changed, never what stayed.
"""

from decimal import Decimal
from enum import StrEnum

from attrs import frozen

from combination.bits import Parts
from combination.memory import Change
from combination.registration import Registration


class Refusal(StrEnum):
    """Why a press did nothing, in words fit for the player."""

    NOT_SET = "not set"
    MEMORY_LOCKED = "memory locked"
    LEVEL_LOCKED = "level locked"
    NOT_SETTABLE = "not settable"
    CRESCENDO_CLOSED = "crescendo closed"
    SET_STUCK = "set piston stuck"
    SET_FIRST = "hold or latch set first"
    NOT_WHILE_SETTING = "not while setting"
    TAB_IS_ON = "its tab is on"
    AT_THE_END = "at the end"
    AT_THE_BEGINNING = "at the beginning"
    NO_SUCH_STEP = "no such step"
    NO_SUCH_SEQUENCE = "no such sequence"
    STEP_DOES_NOT_FIT = "step does not fit this console"
    NOTHING_TO_UNDO = "nothing to undo"
    NOTHING_TO_REDO = "nothing to redo"


@frozen
class SoundingChanged:
    """What the relay plays: the controls that begin to sound, and those that cease."""

    on: Registration
    off: Registration


@frozen
class RailChanged:
    """What the rail shows: the controls that now show on, and those that now show off."""

    on: Registration
    off: Registration


@frozen
class ControlLampsChanged:
    """The lamps of controls: those that light, and those that go out."""

    lit: Registration
    dark: Registration


@frozen
class PistonLampsChanged:
    """The lamps of pistons: those that light, and those that go out."""

    lit: Registration
    dark: Registration


@frozen
class TabsDriven:
    """Pulses begin: these tabs are being pulled on, those off."""

    on: Registration
    off: Registration


@frozen
class TabsRested:
    """Pulses end: these tabs' on coils and those tabs' off coils are without current."""

    on: Registration
    off: Registration


@frozen
class TabDidNotFollow:
    """A driven tab has not reported the wanted state in time. The rail shows what it reports."""

    control: str
    wanted: bool


@frozen
class ContactStuck:
    """A piston's contact has been closed for too long. Reported once."""

    piston: str
    pin: str


@frozen
class ContactFreed:
    """A piston's stuck contact has opened, and counts again."""

    piston: str
    pin: str


@frozen
class ContactBounces:
    """A contact opens and closes faster than any hand moves it. Reported once.

    ``what`` is the id of the piston, control or keyboard; ``key`` the MIDI note number of a key.
    """

    what: str
    pin: str
    key: int | None = None


@frozen
class Refused:
    """A press, or another wish, did nothing, and why. The piston is None where there is none."""

    piston: str | None
    reason: Refusal


@frozen
class LevelChanged:
    """The memory level (from 1) that the next press or set uses."""

    level: int


@frozen
class StepReached:
    """The place in the sequence moved to a step: its number, level, piston and note."""

    number: Decimal
    level: int
    piston: str
    note: str


@frozen
class SequencePlaced:
    """Another sequence is on the desk (None: the one nobody wrote), before its first step."""

    name: str | None


@frozen
class CrescendoReached:
    """The crescendo is on another stage; 0 is closed."""

    stage: int


class Cause(StrEnum):
    """What the player did that changes the memory."""

    SET = "set"
    UNDO = "undo"
    REDO = "redo"


@frozen
class KeepAsked:
    """A change to be written for good. It counts when `ChangeKept` or `ChangeNotKept` comes.

    ``piston`` is the one that was pressed for it; None for an undo or a redo.
    """

    number: int
    change: Change
    cause: Cause
    piston: str | None = None


@frozen
class Stored:
    """A change is in the memory, by a set, an undo or a redo, and the next recall uses it."""

    change: Change
    kept: bool


@frozen
class KeptAfterAll:
    """A change that could not be written before has been written now."""

    change: Change


@frozen
class OutputsOff:
    """What the relay turns off; it comes before what is turned on in the same instant.

    ``pipes`` are those of ranks, numbered from 1; ``lines`` those of divisions that are sent out,
    as the MIDI note numbers of their keys; ``controls`` those with an output, and traps.
    """

    pipes: Parts
    lines: Parts
    controls: Registration


@frozen
class OutputsOn:
    """What the relay turns on; its parts are those of `OutputsOff`."""

    pipes: Parts
    lines: Parts
    controls: Registration


@frozen
class ShadesMoved:
    """A chamber's shades move: its controller's value (0-127), or the stage of its engine.

    ``before`` is what it was; None if they have not been moved since switch-on.
    """

    chamber: str
    position: int
    before: int | None


@frozen
class TransposerTurned:
    """The transposer stands elsewhere: at so many semitones, -6 to +6."""

    semitones: int


Effect = (
    SoundingChanged
    | RailChanged
    | ControlLampsChanged
    | PistonLampsChanged
    | TabsDriven
    | TabsRested
    | TabDidNotFollow
    | ContactStuck
    | ContactFreed
    | ContactBounces
    | Refused
    | LevelChanged
    | StepReached
    | SequencePlaced
    | CrescendoReached
    | KeepAsked
    | Stored
    | KeptAfterAll
    | OutputsOff
    | OutputsOn
    | ShadesMoved
    | TransposerTurned
)
