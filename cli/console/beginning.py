"""A console file to begin with: valid from the first line to the last, for a person to go on with.

Takes a few answers about a console and writes the text of its file, with comments that say what
may be changed and how. Stops, ranks and pins are placeholders in a sensible order. What is on
disk, and whom the answers came from, is not known here.
"""

import re
import unicodedata
from collections.abc import Iterable, Iterator

import tomlkit
from attrs import define, field, frozen

from combination.model import Action

MANUAL_KEYS = 61
"""Keys of a manual (American Guild of Organists console standard)."""
PEDAL_KEYS = 32
"""Keys of a pedalboard (American Guild of Organists console standard); BDO pedalboards have 30."""
MOST_STOPS = 16
"""Stops of a division here: each has a rank on a MIDI channel of its own."""
MANUALS = {
    1: ("Great",),
    2: ("Great", "Swell"),
    3: ("Choir", "Great", "Swell"),
    4: ("Choir", "Great", "Swell", "Solo"),
    5: ("Choir", "Great", "Swell", "Solo", "Echo"),
}
"""What so many manuals are called, from the lowest (common practice)."""

_PINS = 64
_LOW_NOTE = 36

_MANUAL_STOPS = (
    ("Open Diapason", "8"),
    ("Stopped Diapason", "8"),
    ("Principal", "4"),
    ("Fifteenth", "2"),
    ("Salicional", "8"),
    ("Flute", "4"),
    ("Trumpet", "8"),
    ("Twelfth", "2 2/3"),
)
_PEDAL_STOPS = (
    ("Bourdon", "16"),
    ("Principal", "8"),
    ("Bass Flute", "8"),
    ("Fifteenth", "4"),
    ("Open Wood", "16"),
    ("Trombone", "16"),
    ("Trumpet", "8"),
    ("Flute", "4"),
)
"""Placeholders in the order in which a division gets them; further ones are numbered."""


@frozen
class Answers:
    """What is known of a console that is to be begun.

    ``manuals`` are named from the lowest, each differently; ``pedal_keys`` is 0 where there is no
    pedalboard; ``divisionals`` and ``stops`` are for each division. With ``wired`` everything has
    a pin, otherwise nothing has.
    """

    name: str
    action: Action
    manuals: tuple[str, ...]
    manual_keys: int = MANUAL_KEYS
    pedal_keys: int = PEDAL_KEYS
    generals: int = 8
    divisionals: int = 4
    stops: int = 4
    levels: int = 100
    wired: bool = True


def beginning(answers: Answers) -> str:
    """The text of a console file."""
    return "\n".join(_Writer(answers).lines()).rstrip() + "\n"


@frozen
class _Keyboard:
    """A keyboard and the one division that it plays."""

    id: str
    name: str
    keys: int
    pedal: bool = False


@define
class _Pins:
    """Pins given out one after the other, on as many boards as it takes."""

    name: str
    given: int = 0

    def next(self) -> str:
        """The next free pin."""
        board, pin = divmod(self.given, _PINS)
        self.given += 1
        return f"{self.name}-{board + 1}.{pin + 1}"

    @property
    def boards(self) -> list[str]:
        """The ids of the boards in use."""
        return [f"{self.name}-{n + 1}" for n in range(-(-self.given // _PINS))]


@define
class _Writer:
    """Writes one file; the pins it has given out say which boards the console needs."""

    answers: Answers
    rail: _Pins = field(factory=lambda: _Pins("rail"))
    piston_pins: _Pins = field(factory=lambda: _Pins("pistons"))
    channels: dict[str, int] = field(factory=dict)

    def lines(self) -> Iterator[str]:
        """The file, line by line."""
        keyboards = self.keyboards()
        yield from self.head()
        yield from self.played(keyboards)
        yield from self.stops(keyboards)
        couplers = list(self.couplers(keyboards))
        yield from self.coupler_tables(couplers)
        yield from self.pistons(keyboards, couplers)
        if self.answers.wired:
            yield from self.boards(keyboards)
        yield from self.ports(keyboards)

    def keyboards(self) -> list[_Keyboard]:
        """The pedal first, then the manuals from the lowest."""
        answers = self.answers
        found = (
            [_Keyboard("pedal", "Pedal", answers.pedal_keys, True)] if answers.pedal_keys else []
        )
        for number, name in enumerate(answers.manuals, 1):
            wanted = _id_from(name) or f"manual-{number}"
            taken = {keyboard.id for keyboard in found}
            same = (wanted, *(f"{wanted}-{n}" for n in range(2, len(taken) + 3)))
            id_ = next(name for name in same if name not in taken)
            found.append(_Keyboard(id_, name, answers.manual_keys))
        return found

    def head(self) -> Iterator[str]:
        """The console as a whole."""
        answers = self.answers
        yield from _HEAD
        if not answers.wired:
            yield from _UNWIRED
        yield ""
        yield "format = 1"
        yield f"name = {_text(answers.name)}"
        yield f'action = "{answers.action}"        # {_ACTION_NOTES[answers.action]}'
        yield f"levels = {answers.levels}"
        yield ""
        if answers.action is Action.BLIND:
            yield from _BLIND_CHOICES
        yield from _CHOICES
        yield ""
        yield from _SETTING
        if answers.action is Action.MOVING:
            yield ""
            yield from _DRIVING
        yield ""

    def played(self, keyboards: list[_Keyboard]) -> Iterator[str]:
        """Keyboards and divisions."""
        yield from _section("Keyboards and divisions", _KEYBOARD_NOTE)
        for keyboard in keyboards:
            yield from _table(
                "keyboard",
                id=_text(keyboard.id),
                name=_text(keyboard.name),
                keys=str(keyboard.keys),
                **self.wires(contacts=f"{keyboard.id}-keys.1"),
            )
        for keyboard in keyboards:
            yield from _table(
                "division",
                id=_text(keyboard.id),
                name=_text(keyboard.name),
                keyboard=_text(keyboard.id),
            )

    def stops(self, keyboards: list[_Keyboard]) -> Iterator[str]:
        """Stops, each with a rank of its own as long as its keyboard."""
        yield from _section("Ranks", _RANK_NOTE)
        listed = [
            (keyboard, number, *stop)
            for keyboard in keyboards
            for number, stop in enumerate(_stops(keyboard, self.answers.stops), 1)
        ]
        for keyboard, number, name, pitch in listed:
            yield from _table(
                "rank",
                id=_text(_stop_id(keyboard, name, pitch)),
                name=_text(name),
                pitch=_text(pitch),
                pipes=str(keyboard.keys),
                out=f"[{{ port = {_text(keyboard.id)}, channel = {number} }}]",
            )
        yield from _section("Stops", _STOP_NOTE)
        for keyboard, _, name, pitch in listed:
            id_ = _text(_stop_id(keyboard, name, pitch))
            yield from _table(
                "stop",
                id=id_,
                label=_label((name, f"{pitch}'")),
                division=_text(keyboard.id),
                rank=id_,
                **self.control_wires(),
            )

    def control_wires(self) -> dict[str, str]:
        """A control's contact, and its drives or lamp, on the next free pin."""
        pin = self.rail.next()
        wires = {"contact": pin}
        if self.answers.action is Action.MOVING:
            wires["drive-on"] = pin.replace(self.rail.name, _PULL_ON)
            wires["drive-off"] = pin.replace(self.rail.name, _PULL_OFF)
        if self.answers.action is Action.LIT:
            wires["lamp"] = pin
        return self.wires(**wires)

    def wires(self, **pins: str) -> dict[str, str]:
        """Keys with the pins of wires, unless wires are yet to be planned."""
        return {key: _text(pin) for key, pin in pins.items()} if self.answers.wired else {}

    def couplers(self, keyboards: list[_Keyboard]) -> Iterator[tuple[_Keyboard, _Keyboard]]:
        """Which division is played from which keyboard: the unisons that a console has first."""
        pedal = [keyboard for keyboard in keyboards if keyboard.pedal]
        manuals = [keyboard for keyboard in keyboards if not keyboard.pedal]
        great = next((m for m in manuals if m.name == "Great"), manuals[0])
        for under in (*pedal, great):
            yield from ((manual, under) for manual in manuals if manual is not under)

    def coupler_tables(self, couplers: list[tuple[_Keyboard, _Keyboard]]) -> Iterator[str]:
        """The couplers."""
        if not couplers:
            return
        yield from _section("Couplers", _COUPLER_NOTE)
        for plays, keys in couplers:
            yield from _table(
                "coupler",
                id=_text(_coupler_id(plays, keys)),
                label=_label((plays.name, f"to {keys.name}")),
                keys=_text(keys.id),
                plays=_text(plays.id),
                **self.control_wires(),
            )

    def pistons(
        self, keyboards: list[_Keyboard], couplers: list[tuple[_Keyboard, _Keyboard]]
    ) -> Iterator[str]:
        """Generals, divisionals, a reversible, and what every console needs besides."""
        yield from _section("Pistons", _PISTON_NOTE)
        for number in range(1, self.answers.generals + 1):
            yield from self.piston(f"g{number}", str(number), "general", lamp=True)
        for keyboard in keyboards:
            for number in range(1, self.answers.divisionals + 1):
                yield from self.piston(
                    f"{keyboard.id}-{number}",
                    f"{keyboard.name} {number}",
                    "divisional",
                    lamp=True,
                    division=keyboard.id,
                )
        for plays, keys in couplers[:1]:
            coupler = _coupler_id(plays, keys)
            lines = (plays.name, f"to {keys.name}")
            yield from self.piston(f"r-{coupler}", lines, "reversible", lamp=True, control=coupler)
        yield from self.piston("set", "Set", "set", lamp=True)
        yield from self.piston("cancel", "Cancel", "general-cancel")
        if self.answers.levels > 1:
            yield from self.piston("level-down", "Level -", "level-down")
            yield from self.piston("level-up", "Level +", "level-up")
        if self.answers.generals:
            yield from self.piston("previous", "Previous", "previous")
            yield from self.piston("next", "Next", "next")

    def piston(
        self, id_: str, label: str | tuple[str, str], kind: str, *, lamp: bool = False, **keys: str
    ) -> Iterator[str]:
        """One piston on the next free pin."""
        pin = self.piston_pins.next()
        of_kind = {key: _text(value) for key, value in keys.items()}
        wires = self.wires(contact=pin, lamp=pin) if lamp else self.wires(contact=pin)
        yield from _table(
            "piston", id=_text(id_), label=_label(label), kind=_text(kind), **of_kind, **wires
        )

    def boards(self, keyboards: list[_Keyboard]) -> Iterator[str]:
        """The boards that the pins given out are on."""
        yield from _section("Boards", _BOARD_NOTE)
        for keyboard in keyboards:
            yield from self.board(f"{keyboard.id}-keys", keyboard.keys, "in", first=_LOW_NOTE)
        lit = self.answers.action is Action.LIT
        for board in self.rail.boards:
            yield from self.board(board, _PINS, "in", *(["out"] if lit else []))
        for board in self.piston_pins.boards:
            yield from self.board(board, _PINS, "in", "out")
        if self.answers.action is Action.MOVING:
            for pull in (_PULL_ON, _PULL_OFF):
                for board in self.rail.boards:
                    yield from self.board(
                        board.replace(self.rail.name, pull), _PINS, "out", port="coils"
                    )

    def board(
        self, id_: str, pins: int, *ways: str, first: int = 0, port: str = "console"
    ) -> Iterator[str]:
        """One board, on the next free channel of a port."""
        channel = self.channels.get(port, 0) + 1
        self.channels[port] = channel
        travels = f"{{ port = {_text(port)}, channel = {channel}, first-note = {first} }}"
        yield from _table("board", id=_text(id_), pins=str(pins), **dict.fromkeys(ways, travels))

    def ports(self, keyboards: list[_Keyboard]) -> Iterator[str]:
        """How ports are joined: an example in comments, since nobody knows yet to what."""
        yield from _section("Ports", _PORT_NOTE)
        for port, joined in (
            ("console", 'midi = "USB Cable 1"           # or serial = "/dev/ttyUSB0"'),
            (keyboards[-1].id, 'listen = "127.0.0.1:5004"      # or connect = "chest.local:5004"'),
        ):
            yield from ("# [[port]]", f"# id = {_text(port)}", f"# {joined}", "")


_PULL_ON = "pull-on"
_PULL_OFF = "pull-off"


def _stops(keyboard: _Keyboard, count: int) -> Iterable[tuple[str, str]]:
    named = _PEDAL_STOPS if keyboard.pedal else _MANUAL_STOPS
    further = ((f"Stop {number}", "8") for number in range(len(named) + 1, count + 1))
    return (*named[:count], *further)


def _stop_id(keyboard: _Keyboard, name: str, pitch: str) -> str:
    return f"{keyboard.id}-{_id_from(f'{name} {pitch}')}"


def _coupler_id(plays: _Keyboard, keys: _Keyboard) -> str:
    return f"{plays.id}-to-{keys.id}"


def _id_from(name: str) -> str:
    """An id from a name: small letters, digits and hyphens; empty if it has none."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")


def _text(value: str) -> str:
    """Text as TOML writes it."""
    return str(tomlkit.item(value).as_string())


def _label(label: str | tuple[str, str]) -> str:
    return _text(label) if isinstance(label, str) else f"[{', '.join(map(_text, label))}]"


def _table(table: str, /, **keys: str) -> Iterator[str]:
    yield f"[[{table}]]"
    yield from (f"{key} = {value}" for key, value in keys.items())
    yield ""


def _section(title: str, note: tuple[str, ...]) -> Iterator[str]:
    yield f"# ---------- {title}"
    yield ""
    yield from (f"# {line}" for line in note)
    yield ""


# ---------------------------------------------------------------- what the file says to a person

_HEAD = (
    "# This file describes a console. Stops, ranks and pins in it are placeholders: put in their",
    "# place what the console has. Then",
    "#",
    "#     stopwright console check FILE     says what is wrong, or forgotten, line by line",
    "#     stopwright console print FILE     shows the whole console, pin by pin",
    "#",
    "# An id is what other tables, banks and rehearsals know a thing by. Once a bank has been",
    '# saved, change labels as you like, but give a control with a new id: was = "its-old-id".',
)
_UNWIRED = (
    "#",
    "# Nothing is wired yet. Put the controls in the order of the rail, kinds mixed, and say where",
    '# a piston is that has a toe stud (at = "toe", at = ["thumb", "toe"]). Then plan the wires:',
    "#",
    "#     stopwright workshop plan FILE --board 64x4 --write      for four boards of 64 pins",
)
_ACTION_NOTES = {
    Action.BLIND: "tabs move only by hand; pistons override them unseen",
    Action.MOVING: "pistons move the tabs; what they show is what sounds",
    Action.LIT: "controls do not move; a lamp in each shows its state",
}
_BLIND_CHOICES = (
    "# A tab moved by hand while pistons hold its control: ignored, last-touch or adds.",
    'while-governed = "ignored"',
    "# A cancel lets the tabs speak again (release), or holds everything off (silence).",
    'cancel = "release"',
    "# A piston whose lamp is lit, pressed again: recall or release.",
    'again = "recall"',
)
_CHOICES = (
    "# A piston with nothing set is refused (refuse), or clears what it affects (clear).",
    'unset = "refuse"',
    "# Couplers that divisionals affect: none, own (octaves and unison off), or all that are",
    "# played from their keyboard (keyboard).",
    'divisional-couplers = "own"',
)
_SETTING = (
    "# Pistons are set by pressing them while set is held (hold), or after it (latch).",
    "[set]",
    "hold = true",
    "latch = true",
    "latch-time = 10.0      # seconds until it disarms",
)
_DRIVING = (
    "# How tabs are driven: seconds of a pulse, how many tabs start together, and how long a tab",
    "# has to report that it moved.",
    "[drive]",
    "pulse = 0.1",
    "group = 8",
    "follow = 0.5",
)
_KEYBOARD_NOTE = (
    "contacts is the pin of the lowest key; the others follow it. The lowest key is MIDI note 36",
    "unless lowest = says otherwise. A division without a keyboard floats: couplers play it.",
)
_RANK_NOTE = (
    "A rank is one set of pipes; its pitch is that of its pipe at low C. Each pipe goes out as",
    "the MIDI note of its own pitch, unless out has a first-note.",
)
_STOP_NOTE = (
    'A stop draws a rank at the rank\'s pitch, or at its own: pitch = "4". Several stops may draw',
    "one rank. Labels are as engraved, a text for each line.",
)
_COUPLER_NOTE = ("shift = 12 makes an octave coupler, shift = -12 a sub-octave.",)
_PISTON_NOTE = (
    "A general affects everything, a divisional its division. `stopwright console piston` changes",
    "that. contact may list several pins: a thumb piston and its toe stud.",
)
_BOARD_NOTE = ("Each pin travels as a MIDI note: pin 1 as the first, and so on upwards.",)
_PORT_NOTE = (
    'A port is a name, as in port = "console" above. It is the MIDI port of the computer of that',
    "name, unless a table here (without the # signs) or `stopwright play --port` joins it to",
    "something else. listen waits for another program to connect over TCP; connect is the other",
    "end of that.",
)
