"""What can happen to the combination action: every event, as a value.

Contacts are behind these already: the contact layer has taken out the bounce and given up on
what is stuck (`combination.contacts`), so that an event is a thing that a player, or a program
on the player's behalf, really did. Ids are those of the console file.
"""

from decimal import Decimal

from attrs import frozen


@frozen
class TabMoved:
    """A control's contact reports that it is on or off.

    On a lit action this is one of the two contacts that turn a control on and off.
    """

    control: str
    on: bool


@frozen
class ControlTouched:
    """A control of a lit action was touched, which reverses it."""

    control: str


@frozen
class PistonPressed:
    """The first contact of a piston closed."""

    piston: str


@frozen
class PistonReleased:
    """The last contact of a piston opened."""

    piston: str


@frozen
class SecondTouchPressed:
    """A piston is down to its second touch, which presses another piston."""

    piston: str


@frozen
class SecondTouchReleased:
    """A piston's second touch is up again."""

    piston: str


@frozen
class PistonStuck:
    """A contact of a piston has been closed for too long, and is taken as open from now on.

    If it was the last that held the piston down, a `PistonReleased` follows.
    """

    piston: str
    pin: str


@frozen
class PistonFreed:
    """A contact of a piston that was stuck has really opened."""

    piston: str
    pin: str


@frozen
class KeyMoved:
    """A key of a keyboard went down or up: a matter for the relay, not for the action.

    ``key`` is a MIDI note number.
    """

    keyboard: str
    key: int
    down: bool


@frozen
class ShoeMoved:
    """An expression shoe reports a reading (0-127): a matter for the relay."""

    shoe: str
    reading: int


@frozen
class TransposerMoved:
    """The transposer stands at so many semitones, -6 to +6: a matter for the relay."""

    semitones: int


@frozen
class TransposerStepped:
    """The transposer goes up or down by so many semitones, and stops at its end."""

    by: int


@frozen
class CrescendoMoved:
    """The crescendo pedal reports a reading (0-127)."""

    reading: int


@frozen
class StepChosen:
    """A step of the sequence is gone to directly, by its number."""

    number: Decimal


@frozen
class SequenceChosen:
    """Another of the player's sequences is put on the desk; None is the one nobody wrote."""

    name: str | None


@frozen
class MemoryLockTurned:
    """The console's key switch locked the memory, or freed it."""

    locked: bool


@frozen
class UndoAsked:
    """Take back the last set since switch-on."""


@frozen
class RedoAsked:
    """Set again what was last taken back."""


@frozen
class ChangeKept:
    """The store has written a change for good; ``number`` is that of its `KeepAsked`."""

    number: int


@frozen
class ChangeNotKept:
    """The store could not write a change.

    It works until switch-off all the same; a later `ChangeKept` with the number says that it
    has been written after all.
    """

    number: int


Event = (
    TabMoved
    | ControlTouched
    | PistonPressed
    | PistonReleased
    | SecondTouchPressed
    | SecondTouchReleased
    | PistonStuck
    | PistonFreed
    | CrescendoMoved
    | StepChosen
    | SequenceChosen
    | MemoryLockTurned
    | UndoAsked
    | RedoAsked
    | ChangeKept
    | ChangeNotKept
)

RelayEvent = KeyMoved | ShoeMoved | TransposerMoved | TransposerStepped
"""What is the relay's business and not the action's."""
