"""What a console is: its file, as values.

Each class here is one table of the console file, each field one key. A key is written in the
file with hyphens (``while-governed``); where the file's word is not one that Python can use, the
field says so in its metadata. Nothing here knows how the file is read (`combination.reading`),
what a person should be told about it (`combination.checking`), or how the instrument behaves.

Numbers are those that a person writes: MIDI channels run from 1 to 16, pins and pipes from 1,
key numbers are MIDI notes (low C of a five-octave manual is 36), times are seconds.
"""

from enum import StrEnum
from fractions import Fraction
from typing import Any

from attrs import Attribute, field, frozen

LOW_C = 36
"""MIDI note number of the lowest C of a manual or a pedalboard (semantics.md II.1)."""
LONGEST_TEXT = 200
"""Characters of an id, a name or a line of a label: ours, well beyond what is ever engraved."""
MOST_LINES = 8
"""Lines of a label."""
HIGHEST_TRANSPOSED = 6
"""Semitones that the transposer goes up, and down (semantics.md II.1)."""
MOST_CONTROLS = 10_000
MOST_PISTONS = 1_000
"""Ours too: many times the largest consoles built."""
MIDI_SPEED = 31_250
"""Bits a second on a MIDI cable (MIDI 1.0)."""


def word(name: str, **kwargs: Any) -> Any:
    """A field whose name in the console file differs from the attribute's."""
    return field(metadata={"word": name}, **kwargs)


def file_word(attribute: "Attribute[Any]") -> str:
    """What the console file calls an attribute."""
    return str(attribute.metadata.get("word", attribute.name.replace("_", "-")))


class Action(StrEnum):
    """How tabs and pistons meet (semantics.md I.1)."""

    BLIND = "blind"
    MOVING = "moving"
    LIT = "lit"


class WhileGoverned(StrEnum):
    """What a tab moved by hand does while a piston governs its control, on a blind action."""

    IGNORED = "ignored"
    LAST_TOUCH = "last-touch"
    ADDS = "adds"


class Cancel(StrEnum):
    """What a cancel does on a blind action: let the tabs speak, or hold everything off."""

    RELEASE = "release"
    SILENCE = "silence"


class Unset(StrEnum):
    """What a piston does at a level where nothing has been set."""

    REFUSE = "refuse"
    CLEAR = "clear"


class Again(StrEnum):
    """What a piston whose lamp is lit does when it is pressed again."""

    RECALL = "recall"
    RELEASE = "release"


class DivisionalCouplers(StrEnum):
    """Which couplers a divisional affects when the file gives it no range of its own."""

    NONE = "none"
    OWN = "own"
    KEYBOARD = "keyboard"


class Stores(StrEnum):
    """What setting a piston stores: what the tabs show, or what the pistons made of it."""

    RAIL = "rail"
    BASE = "base"


class Stroke(StrEnum):
    """How a rank's sounding parts are driven while a key is down."""

    HELD = "held"
    ONCE = "once"
    REITERATE = "reiterate"


class Place(StrEnum):
    """Where a piston is pressed."""

    THUMB = "thumb"
    TOE = "toe"


class Kind(StrEnum):
    """Every kind of piston (semantics.md I.3)."""

    GENERAL = "general"
    DIVISIONAL = "divisional"
    REVERSIBLE = "reversible"
    FULL_ORGAN = "full-organ"
    MOMENTARY = "momentary"
    GENERAL_CANCEL = "general-cancel"
    DIVISIONAL_CANCEL = "divisional-cancel"
    HAND_REGISTRATION = "hand-registration"
    SET = "set"
    CRESCENDO_SET = "crescendo-set"
    LEVEL_UP = "level-up"
    LEVEL_DOWN = "level-down"
    LEVEL = "level"
    NEXT = "next"
    PREVIOUS = "previous"


RECALLING = frozenset({Kind.GENERAL, Kind.DIVISIONAL})
"""The kinds that recall a combination."""
CAN_BE_SET = RECALLING | {Kind.FULL_ORGAN, Kind.CRESCENDO_SET}
"""The kinds whose press is stored, or refused, while set is held or armed."""
STEPPED_TO = RECALLING | {
    Kind.REVERSIBLE,
    Kind.FULL_ORGAN,
    Kind.GENERAL_CANCEL,
    Kind.DIVISIONAL_CANCEL,
    Kind.HAND_REGISTRATION,
}
"""The kinds that a step of a sequence may press: a push of them says all there is to say."""


@frozen
class Contact:
    """One wire: the pin it is on, and whether it opens when pressed."""

    pin: str
    inverted: bool = False


@frozen
class KeyRun:
    """Neighbouring keys on neighbouring pins: the first pin, the first key and how many."""

    pin: str
    key: int | None = None
    keys: int | None = None
    inverted: bool = False


@frozen
class Selection:
    """Some controls, as a person lists them.

    The controls of the divisions (not their couplers), and those listed, less the exceptions.
    ``everything`` is every control that can be captured, couplers too. If only exceptions are
    given, they are taken from what the selection would be if it were not written.
    """

    everything: bool = False
    divisions: tuple[str, ...] = ()
    controls: tuple[str, ...] = ()
    excluding: tuple[str, ...] = word("except", default=())


@frozen
class PinMessages:
    """How a board's pins travel: the first pin's number in its kind of message, then upwards.

    Exactly one of the three firsts (0-127) is given. A board of program changes only reports
    pins that close.
    """

    port: str
    channel: int
    first_note: int | None = None
    first_controller: int | None = None
    first_program: int | None = None


@frozen
class Board:
    """A board of inputs, of outputs, or of both on the same pins."""

    id: str
    pins: int
    input: PinMessages | None = word("in", default=None)
    out: PinMessages | None = None
    name: str = ""


@frozen
class Port:
    """What a port, which is only a name elsewhere, is joined to: exactly one of five things.

    ``midi`` is the name of a MIDI port of the computer. The others carry MIDI's bytes as they
    are: ``connect`` and ``listen`` are a host and port number of TCP, to be called or to be
    waited at; ``serial`` is a serial device, at ``baud`` bits a second; ``device`` any other
    device or file. ``active_sensing`` is whether the port is told, whenever nothing else is,
    that somebody is there (MIDI 1.0).
    """

    id: str
    midi: str | None = None
    connect: str | None = None
    listen: str | None = None
    serial: str | None = None
    device: str | None = None
    baud: int | None = None
    active_sensing: bool = True

    @property
    def speed(self) -> int:
        """Bits a second of a serial device: those of MIDI itself, or as the file says."""
        return MIDI_SPEED if self.baud is None else self.baud


@frozen
class ControllerPort:
    """A continuous thing on the wire: a controller (0-127) on a channel of a port."""

    port: str
    channel: int
    controller: int


@frozen
class StateOut:
    """A control's state sent out: to an instrument with stops of its own, or to a coil.

    As a note, as a controller (127 on, 0 off), or as two program changes. ``longest_on`` ends
    the stroke of a coil after so many seconds, whatever the player does.
    """

    port: str
    channel: int
    note: int | None = None
    controller: int | None = None
    program_on: int | None = None
    program_off: int | None = None
    longest_on: float | None = None


@frozen
class LinesOut:
    """A division's lines sent as notes: with its couplers, or the bare keys.

    ``longest_on`` is, in seconds, the longest that any of them is left on.
    """

    port: str
    channel: int
    first_note: int | None = None
    bare: bool = False
    longest_on: float | None = None


@frozen
class RankOut:
    """Where a rank's pipes go: a port and channel, the note of the first, and which pipes.

    Without ``first-note`` each pipe goes out as the note of its own pitch (semantics.md II.3).
    """

    port: str
    channel: int
    first_note: int | None = None
    first_pipe: int = word("from", default=1)
    last_pipe: int | None = word("to", default=None)


@frozen
class Keyboard:
    """A row of contacts under keys or pedals. A second touch is a keyboard of its own."""

    id: str
    name: str
    lowest: int = LOW_C
    keys: int = 61
    contacts: tuple[KeyRun, ...] = ()


@frozen
class Division:
    """Stops that play together from one keyboard, or, floating, from none of their own."""

    id: str
    name: str
    keyboard: str | None = None
    lowest: int | None = None
    lines: int | None = None
    out: LinesOut | None = None


@frozen
class Rank:
    """One set of pipes, or of bars, bells or strings.

    ``rate`` is in strokes a second, ``longest_on`` in seconds. ``program`` (1-128) is what comes
    near its tone in General MIDI, for those who hear it on a synthesizer.
    """

    id: str
    name: str
    family: str = ""
    pitch: Fraction = Fraction(8)
    first_key: int = LOW_C
    pipes: int = 61
    out: tuple[RankOut, ...] = ()
    velocity: int = 64
    stroke: Stroke = Stroke.HELD
    rate: float | None = None
    longest_on: float | None = None
    program: int | None = None


@frozen
class Draw:
    """What a stop draws from one rank: at which pitch, and over which keys.

    With ``by-key`` the rank has one pipe number for each of its keys, as a straight mixture
    has, and the pitch does not shift it.
    """

    rank: str
    pitch: Fraction | None = None
    first_key: int | None = word("from", default=None)
    last_key: int | None = word("to", default=None)
    repeats: bool = False
    by_key: bool = False


@frozen(kw_only=True)
class Control:
    """Anything on the stop rail that is on or off and that a piston can hold."""

    id: str
    label: tuple[str, ...]
    division: str | None = None
    contact: Contact | None = None
    contact_on: Contact | None = None
    contact_off: Contact | None = None
    lamp: str | None = None
    drive_on: str | None = None
    drive_off: str | None = None
    captured: bool = True
    was: tuple[str, ...] = ()
    out: StateOut | None = None

    @property
    def face(self) -> str:
        """The label in one line."""
        return " ".join(self.label)

    @property
    def contacts(self) -> tuple[Contact, ...]:
        """The contacts that move it."""
        return tuple(c for c in (self.contact, self.contact_on, self.contact_off) if c)


@frozen(kw_only=True)
class Stop(Control):
    """A speaking stop: one rank at one pitch, or several draws."""

    rank: str | None = None
    pitch: Fraction | None = None
    repeats: bool = False
    draws: tuple[Draw, ...] = ()


@frozen(kw_only=True)
class Coupler(Control):
    """Plays a division from a keyboard's keys, or cuts a division off from its own."""

    keys: str | None = None
    plays: str | None = None
    shift: int = 0
    unison_off: bool = False
    pizzicato: bool = False
    pizzicato_time: float = 0.15


@frozen(kw_only=True)
class Tremulant(Control):
    """Shakes the wind of a chamber."""

    chamber: str | None = None


@frozen(kw_only=True)
class Percussion(Control):
    """A tuned percussion: a harp, a xylophone, bells, struck from a rank of bars."""

    rank: str
    pitch: Fraction | None = None
    first_key: int | None = word("from", default=None)
    last_key: int | None = word("to", default=None)
    repeats: bool = False


@frozen(kw_only=True)
class Trap(Control):
    """A drum, a cymbal: struck once whenever lines of its division begin.

    ``drum`` (27-87) is what comes near it on General MIDI's percussion map.
    """

    drum: int | None = None


@frozen(kw_only=True)
class Effect(Control):
    """A bird, a bell, a siren: sounds by itself while it is on."""


@frozen
class SecondTouch:
    """A deeper touch of a piston, which presses another piston as well."""

    piston: str
    contact: tuple[Contact, ...] = ()


@frozen(kw_only=True)
class Piston:
    """A thumb piston or a toe stud, of any kind.

    ``sounds`` and ``silences`` are a full organ's lists; ``by`` is how many levels a step is;
    ``level`` the number that a level piston goes to. ``at`` says where it can be pressed, each of
    them with a contact of its own; if it does not, at one place for each contact, under a thumb.
    """

    id: str
    label: tuple[str, ...]
    kind: Kind
    division: str | None = None
    control: str | None = None
    affects: Selection | None = None
    additive: bool = False
    settable: bool | None = None
    sounds: Selection | None = None
    silences: Selection | None = None
    by: int | None = None
    level: int | None = None
    at: tuple[Place, ...] = ()
    contact: tuple[Contact, ...] = ()
    second_touch: SecondTouch | None = None
    lamp: str | None = None
    was: tuple[str, ...] = ()

    @property
    def face(self) -> str:
        """The label in one line."""
        return " ".join(self.label)

    @property
    def places(self) -> tuple[Place, ...]:
        """Where it is pressed: what the file says, or under a thumb, as often as it is wired."""
        return self.at or (Place.THUMB,) * max(len(self.contact), 1)

    @property
    def can_be_set(self) -> bool:
        """Whether setting it is allowed: all but full organs are, unless marked otherwise."""
        if self.settable is None:
            return self.kind is not Kind.FULL_ORGAN
        return self.settable


@frozen
class Stage:
    """One stage of the crescendo: its whole list, or what it adds to the stage before.

    A stage written with ``adds`` keeps what the stage before silences, and adds to that too.
    """

    sounds: Selection | None = None
    adds: Selection | None = None
    silences: Selection | None = None


@frozen
class Crescendo:
    """The crescendo pedal: where it is heard, its readings at heel and toe, its stages."""

    stages: tuple[Stage, ...] = word("stage", default=())
    input: ControllerPort | None = word("in", default=None)
    heel: int = 0
    toe: int = 127
    hysteresis: int = 2


@frozen
class Setting:
    """How pistons are set: by holding set, by latching it, and what is stored."""

    hold: bool = True
    latch: bool = True
    latch_time: float = 10.0
    stores: Stores | None = None
    lock: Contact | None = None


@frozen
class Transposer:
    """What moves the transposer: pushes up, down and to 0, or a switch of thirteen positions.

    ``switch`` is the first of the unbroken run of pins of its positions, -6 to +6.
    """

    up: Contact | None = None
    down: Contact | None = None
    zero: Contact | None = None
    switch: str | None = None


@frozen
class Drive:
    """How a moving action drives its tabs.

    Pulses last ``pulse`` seconds. ``group`` is how many tabs start together (none: all of
    them), ``gap`` the seconds from the start of one group to the start of the next (none: one
    pulse), ``follow`` how long a tab has, from its own pulse, to report that it moved.
    """

    pulse: float = 0.1
    group: int | None = None
    gap: float | None = None
    follow: float = 0.5

    @property
    def spacing(self) -> float:
        """Seconds from the start of one group to the start of the next."""
        return self.pulse if self.gap is None else self.gap


@frozen
class Timing:
    """The contact layer's times: bounce of keys, bounce of the rest, and when one is stuck."""

    key_bounce: float = 0.005
    bounce: float = 0.02
    stuck: float = 30.0


class Shows(StrEnum):
    """What a read-out shows."""

    LEVEL = "level"
    STEP = "step"
    TRANSPOSER = "transposer"


@frozen
class Readout:
    """A display on the console.

    Its value goes out as a controller and the one 32 above it, coarse and fine (seven bits
    each), as MIDI 1.0 defines for controllers 0-31.
    """

    shows: Shows
    out: ControllerPort


@frozen
class Chamber:
    """Pipes behind one set of shades: moved by a controller, or by a shade engine's stages."""

    id: str
    name: str
    out: ControllerPort | None = None
    curve: tuple[int, ...] = ()
    stages: int | None = None
    shades: str | None = None


@frozen
class Shoe:
    """An expression shoe, its readings at heel and toe, and the chambers it opens."""

    id: str
    name: str
    chambers: tuple[str, ...]
    input: ControllerPort | None = word("in", default=None)
    heel: int = 0
    toe: int = 127
    all_control: str | None = None


@frozen(kw_only=True)
class Console:
    """A whole console, as its file describes it."""

    format: int
    name: str
    action: Action
    while_governed: WhileGoverned = WhileGoverned.IGNORED
    cancel: Cancel = Cancel.RELEASE
    unset: Unset = Unset.REFUSE
    again: Again = Again.RECALL
    divisional_couplers: DivisionalCouplers = DivisionalCouplers.OWN
    levels: int = 100
    setting: Setting = word("set", default=Setting())
    drive: Drive = Drive()
    timing: Timing = Timing()
    crescendo: Crescendo = Crescendo()
    transposer: Transposer = Transposer()
    keyboards: tuple[Keyboard, ...] = word("keyboard", default=())
    divisions: tuple[Division, ...] = word("division", default=())
    chambers: tuple[Chamber, ...] = word("chamber", default=())
    shoes: tuple[Shoe, ...] = word("shoe", default=())
    ranks: tuple[Rank, ...] = word("rank", default=())
    stops: tuple[Stop, ...] = word("stop", default=())
    couplers: tuple[Coupler, ...] = word("coupler", default=())
    tremulants: tuple[Tremulant, ...] = word("tremulant", default=())
    percussions: tuple[Percussion, ...] = word("percussion", default=())
    traps: tuple[Trap, ...] = word("trap", default=())
    effects: tuple[Effect, ...] = word("effect", default=())
    pistons: tuple[Piston, ...] = word("piston", default=())
    boards: tuple[Board, ...] = word("board", default=())
    readouts: tuple[Readout, ...] = word("readout", default=())
    ports: tuple[Port, ...] = word("port", default=())

    @property
    def controls(self) -> tuple[Control, ...]:
        """Every control, in rail order: as the file lists them, kind by kind."""
        return (
            *self.stops,
            *self.couplers,
            *self.tremulants,
            *self.percussions,
            *self.traps,
            *self.effects,
        )

    @property
    def stores(self) -> Stores:
        """What setting stores, by default (semantics.md I.5) or as the file says."""
        if self.action is not Action.BLIND:
            return Stores.BASE
        if self.setting.stores is not None:
            return self.setting.stores
        return Stores.RAIL if self.while_governed is WhileGoverned.IGNORED else Stores.BASE

    def division_of(self, control: Control) -> str | None:
        """The division a control belongs to.

        A coupler belongs to the one whose keyboard is under the hands: the division it names,
        or else the first that is played from the keys it reads.
        """
        if control.division is not None or not isinstance(control, Coupler):
            return control.division
        return next((d.id for d in self.divisions if d.keyboard == control.keys), None)

    def read_by(self, coupler: Coupler) -> str | None:
        """The keyboard whose keys a coupler reads; a unison off, that of its division."""
        if not coupler.unison_off:
            return coupler.keys
        return next((d.keyboard for d in self.divisions if d.id == coupler.division), None)

    def played_by(self, coupler: Coupler) -> str | None:
        """The division that a coupler plays, or that a unison off cuts off."""
        return coupler.division if coupler.unison_off else coupler.plays

    def lines_of(self, division: Division) -> tuple[int, int]:
        """A division's lines, as its lowest and their number: by default its keyboard's."""
        keyboard = next((k for k in self.keyboards if k.id == division.keyboard), None)
        lowest, count = (keyboard.lowest, keyboard.keys) if keyboard else (LOW_C, 61)
        return (
            lowest if division.lowest is None else division.lowest,
            count if division.lines is None else division.lines,
        )
