"""What is to be seen of a console while it is played: one moment, as plain values.

The loop makes it (`cli.play.playing`), the screen shows it; neither knows the other.
"""

from datetime import datetime

from attrs import frozen


@frozen
class Speaking:
    """A control that sounds: its id, its label on one line, and why, each reason in words."""

    id: str
    label: str
    why: tuple[str, ...]


@frozen
class Tab:
    """A control on the rail: whether the rail shows it on, and whether it sounds."""

    id: str
    label: str
    on: bool
    sounds: bool


@frozen
class DivisionSeen:
    """A division: its controls in rail order, and what of them sounds, with the reasons.

    The name is empty for controls of no division.
    """

    name: str
    rail: tuple[Tab, ...]
    sounding: tuple[Speaking, ...]


@frozen
class PistonSeen:
    """A piston with a lamp that can be lit: the id that goes with it, its face, and the lamp."""

    id: str
    face: str
    lit: bool


@frozen
class Fault:
    """Something that does not work: what, in a sentence, and since when.

    ``what`` names the thing by label and pin, or the port. ``over`` is when it worked again.
    """

    what: str
    since: datetime
    over: datetime | None = None


@frozen
class PortSeen:
    """A port: its name in the console file, where it leads, and whether it is open."""

    name: str
    where: str
    open: bool


@frozen
class Told:
    """Something said to the player, a refusal for one: the how manieth since switch-on."""

    number: int
    words: str


@frozen
class Latency:
    """From a message in to the last message out, in seconds; ``count`` of them were measured.

    ``median``, ``late`` (99 of 100 are below it) are of the last thousand, ``worst`` of all.
    """

    count: int = 0
    median: float = 0.0
    late: float = 0.0
    worst: float = 0.0


@frozen
class Seen:
    """One moment. ``step`` is the sequence's step and its note, ``told`` the last few
    things that were said.

    ``stage`` is the crescendo's, 0 if it is closed, of ``stages``; ``pipes`` the number that
    speak in all; ``unkept`` the sets that work until switch-off but could not be written yet.
    """

    console: str
    player: str
    level: int
    level_name: str
    step: str
    stage: int
    stages: int
    transposer: int
    divisions: tuple[DivisionSeen, ...]
    pistons: tuple[PistonSeen, ...]
    pipes: int
    ports: tuple[PortSeen, ...]
    faults: tuple[Fault, ...]
    unkept: int
    latency: Latency
    told: tuple[Told, ...]
