"""The language of rehearsals: every form that a statement can take, and what its words mean.

The table `FORMS` is the language. What is read, what is said of a statement that has none of
the forms, and what a person is shown of them all follow from it. Nothing is run here.
"""

import re
from collections.abc import Callable, Iterable
from decimal import Decimal
from typing import Any

from cli.rehearsal.forms import Form, Part, WrongError
from cli.rehearsal.hand import Hand
from cli.rehearsal.statements import (
    AddStep,
    AllUp,
    Asked,
    Expect,
    Found,
    Jam,
    LockLevel,
    MusicBegins,
    Remember,
    Statement,
    Stick,
    Store,
    Switch,
    Transpose,
    Wait,
    Wires,
    place_name,
    plain_number,
    plain_semitones,
)
from combination.contacts import Role, Wired
from combination.effects import Refusal
from combination.events import (
    MemoryLockTurned,
    RedoAsked,
    SequenceChosen,
    StepChosen,
    TransposerMoved,
    UndoAsked,
)
from combination.findings import nearest, quoted
from combination.memory import Slot, Step
from combination.midi import CrescendoRead, Edge, Heard, Push, ShoeRead
from combination.model import HIGHEST_TRANSPOSED, RECALLING, Action, Console, Kind, Trap
from combination.pedals import crescendo_stages

LONGEST_WAIT = 24 * 60 * 60
"""Seconds. Nobody rehearses for longer than a day."""
REMEMBERING = RECALLING | {Kind.FULL_ORGAN}
"""The kinds of piston that a `memory` statement can be about."""


def reader_on(console: Console) -> Callable[[Form, Iterable[tuple[Part, Any]]], Statement]:
    """What gives a console's meaning to a form and the words that were put in its slots.

    It raises `WrongError`, with every fault of the statement as an argument.
    """
    return _Reader(console).read


class _Reader:
    """Gives a console's meaning to the values of forms."""

    def __init__(self, console: Console) -> None:
        self.console = console
        self.hand = Hand(console)
        self.controls = {control.id: control for control in console.controls}
        self.pistons = {piston.id: piston for piston in console.pistons}
        self.divisions = {division.id: division for division in console.divisions}
        self.shoes = {shoe.id: shoe for shoe in console.shoes}
        self.keyboards = {keyboard.id: keyboard for keyboard in console.keyboards}
        self.ranks = {rank.id: rank for rank in console.ranks}
        self.chambers = {chamber.id: chamber for chamber in console.chambers}
        self.traps = [trap.id for trap in console.traps]
        self._wrong: list[str] = []

    def read(self, form: Form, values: Iterable[tuple[Part, Any]]) -> Statement:
        """What a statement does.

        Raises:
            WrongError: with every fault in it.
        """
        self._wrong = []
        meant = [self._value(part, value) for part, value in values]
        if self._wrong:
            raise WrongError(*self._wrong)
        assert form.build is not None
        return form.build(self, *meant)

    def _value(self, part: Part, value: Any) -> Any:
        if value is None or not part.slot:
            return value
        if value == ["nothing"] and "nothing" in part.words:
            return ()
        if isinstance(value, str) and value in part.words:
            return value
        return _SLOTS[part.slot](self, value)

    def _known(self, name: str, kind: str, known: Iterable[str]) -> str:
        names = list(known)
        if name not in names:
            self._wrong.append(f"there is no {kind} {quoted(name)}{nearest(name, names)}")
        return name

    def _whole(self, word: str, what: str, lowest: int, highest: int) -> int:
        number = int(word) if re.fullmatch(r"[0-9]{1,9}", word) else -1
        if not lowest <= number <= highest:
            expected = f"expected {lowest} to {highest}"
            self._wrong.append(f"{quoted_word(word)} is not a {what}: {expected}")
        return number

    def control(self, word: str) -> str:
        return self._known(word, "control", self.controls)

    def several_controls(self, words: list[str]) -> tuple[str, ...]:
        return tuple(self.control(word) for word in words)

    def piston(self, word: str) -> str:
        return self._known(word, "piston", self.pistons)

    def several_pistons(self, words: list[str]) -> tuple[str, ...]:
        return tuple(self.piston(word) for word in words)

    def level(self, word: str) -> int:
        return self._whole(word, "level", 1, self.console.levels)

    def stage(self, word: str) -> int:
        stages = len(self.console.crescendo.stages)
        if not stages:
            self._wrong.append("the console has no crescendo")
            return 0
        return self._whole(word, "stage", 1, stages)

    def reading(self, word: str) -> int:
        return self._whole(word, "reading", 0, 127)

    def position(self, word: str) -> int:
        return self._whole(word, "position", 0, 127)

    def semitones(self, word: str) -> int:
        most = HIGHEST_TRANSPOSED
        number = int(word) if re.fullmatch(r"[+-]?[0-9]{1,2}", word) else most + 1
        if abs(number) > most:
            expected = f"expected -{most} to +{most}"
            self._wrong.append(f"{quoted_word(word)} is not a transposition: {expected}")
        return number

    def spans(self, words: list[str]) -> tuple[range, ...]:
        """Numbers and runs of them, not spread out yet."""
        found = []
        for word in words:
            match = re.fullmatch(r"([0-9]{1,4})(?:-([0-9]{1,4}))?", word)
            first, last = (int(match[1]), int(match[2] or match[1])) if match else (1, 0)
            if first > last:
                such = "such as 36 or 36-47"
                self._wrong.append(f"{quoted_word(word)} is not a number or a run of them, {such}")
            found.append(range(first, last + 1))
        return tuple(found)

    def step_number(self, word: str) -> Decimal:
        if not re.fullmatch(r"[0-9]{1,9}(\.[0-9]{1,12})?", word):
            self._wrong.append(f"{quoted_word(word)} is not the number of a step, such as 2.5")
            return Decimal(0)
        return Decimal(word)

    def milliseconds(self, word: str) -> int:
        whole = re.fullmatch(r"([0-9]{1,5})(?:\.([0-9]{1,3}))?", word)
        waited = int(whole[1]) * 1000 + int((whole[2] or "0").ljust(3, "0")) if whole else 0
        if not 0 < waited <= LONGEST_WAIT * 1000:
            expected = f"expected 0.001 to {LONGEST_WAIT}, by thousandths"
            self._wrong.append(f"{quoted_word(word)} is not a number of seconds: {expected}")
        return waited

    def reason(self, word: str) -> str:
        reasons = [reason.value for reason in Refusal]
        if word.strip('"') not in reasons:
            near = nearest(word.strip('"'), reasons)
            self._wrong.append(f"nothing is refused as {quoted_word(word)}{near}")
        return word

    def refusals(self, words: list[str]) -> tuple[str, ...]:
        """Reasons in quotation marks, each after the piston that is refused, if one is."""
        found, name = [], ""
        for word in words:
            if word.startswith('"'):
                found.append(f"{name} {self.reason(word)}".strip())
                name = ""
            elif name:
                break
            else:
                name = self.piston(word)
        if name:
            self._wrong.append(f'after {quoted(name)} the reason is missing, as in "not set"')
        return tuple(found)

    def places(self, words: list[str]) -> tuple[str, ...]:
        """Places of the memory: pistons, each with its level if it is not 1, and stages."""
        left, found = list(reversed(words)), []
        while left:
            word = left.pop()
            if word == "stage" and left:
                found.append(place_name(Slot(stage=self.stage(left.pop()))))
                continue
            level = None
            if len(left) > 1 and left[-1] == "at":
                left.pop()
                level = self.level(left.pop())
            found.append(place_name(self.slot(word, level)))
        return tuple(found)

    def slot(self, piston: str, level: int | None) -> Slot:
        """The place of a piston's combination; of a full organ's list, which has no level."""
        known = self.pistons.get(piston)
        if known is None:
            self._known(piston, "piston", self.pistons)
        elif known.kind not in REMEMBERING:
            self._wrong.append(f'"{piston}" is a {known.kind} piston: it remembers nothing')
        elif known.kind is Kind.FULL_ORGAN:
            if level is not None:
                self._wrong.append(f'"{piston}" is full organ: its list is the same at all levels')
            return Slot(piston)
        return Slot(piston, level or 1)

    # ------------------------------------------------------------ statements

    def remember(
        self, piston: str, level: int | None, controls: tuple[str, ...], *, neutral: bool = False
    ) -> Remember:
        slot = self._sound(self.slot(piston, level))
        if neutral and slot.level is None:
            raise WrongError(f'"{piston}" is full organ: it leaves nothing alone')
        return Remember(slot, controls, neutral)

    def step_of(
        self, name: str, number: Decimal, piston: str, level: int | None, note: str | None
    ) -> AddStep:
        return AddStep(unquoted(name), Step(number, level or 1, piston, unquoted(note or "")))

    def found(self, pin: str, state: str) -> Found:
        self._pin(pin)
        return Found(pin, state == "closed")

    def tabs(self, controls: tuple[str, ...], state: str) -> Wires:
        edges: list[tuple[int, Heard]] = []
        for control in controls:
            moved = self.hand.turn(control, state == "on")
            if not moved:
                raise WrongError(
                    f'"{control}" has no contacts that turn it on and off: write touch {control}'
                )
            edges += moved
        return Wires(tuple(sorted(edges, key=lambda edge: edge[0])))

    def touch(self, control: str) -> Wires:
        wire = self.hand.first(Role.TOUCH, control)
        if wire is None:
            raise WrongError(f'a touch does not reverse "{control}": write tab {control} on or off')
        return Wires(self.hand.tap(wire))

    def press(self, piston: str, deep: str | None) -> Wires:
        return self._moved(piston, deep, down=True)

    def release(self, piston: str, deep: str | None) -> Wires:
        return self._moved(piston, deep, down=False)

    def _moved(self, piston: str, deep: str | None, *, down: bool) -> Wires:
        wires = self._wires(piston, deep)
        if any(self.hand.only_pushes(wire.pin) for wire in wires):
            raise WrongError(
                f'"{piston}" arrives by program changes, which have no release: write push {piston}'
            )
        order = wires if down else wires[::-1]
        return Wires(tuple((at, self.hand.edge(wire, down)) for at, wire in enumerate(order)))

    def push(self, piston: str, deep: str | None) -> Wires:
        wires = self._wires(piston, deep)
        if any(self.hand.only_pushes(wire.pin) for wire in wires):
            return Wires(tuple((at, Push(wire.pin)) for at, wire in enumerate(wires)))
        moves = [(wire, True) for wire in wires] + [(wire, False) for wire in wires[::-1]]
        return Wires(tuple((at, self.hand.edge(*move)) for at, move in enumerate(moves)))

    def _wires(self, piston: str, deep: str | None) -> list[Wired]:
        """A piston's first contact, and that of its second touch if it is pressed so far."""
        roles = [Role.PISTON, Role.SECOND_TOUCH] if deep else [Role.PISTON]
        wires = [wire for role in roles if (wire := self.hand.first(role, piston))]
        if len(wires) < len(roles):
            raise WrongError(f'"{piston}" has no second touch')
        return wires

    def wire(self, pin: str, *, closed: bool) -> Wires:
        self._pin(pin)
        if self.hand.only_pushes(pin):
            raise WrongError(f'pin "{pin}" arrives by program changes: write program {pin}')
        return Wires(((0, Edge(pin, closed)),))

    def program(self, pin: str) -> Wires:
        self._pin(pin)
        if not self.hand.only_pushes(pin):
            raise WrongError(f'pin "{pin}" does not arrive by program changes: write close or open')
        return Wires(((0, Push(pin)),))

    def _pin(self, pin: str) -> None:
        if pin not in self.hand.wired:
            near = nearest(pin, self.hand.wired)
            raise WrongError(f"nothing is on a pin {quoted(pin)}{near}")

    def stick(self, piston: str, *, sticks: bool = True) -> Stick:
        wire = self._wires(piston, None)[0]
        if self.hand.only_pushes(wire.pin):
            raise WrongError(f'"{piston}" arrives by program changes: it has nothing to stick')
        return Stick(wire.pin, sticks)

    def jam(self, control: str, *, jams: bool = True) -> Jam:
        if self.console.action is not Action.MOVING:
            raise WrongError(f"nothing drives the tabs of a {self.console.action} action")
        return Jam(control, jams)

    def free(self, name: str) -> Stick | Jam:
        if name in self.pistons:
            return self.stick(name, sticks=False)
        if name in self.controls:
            return self.jam(name, jams=False)
        known = [*self.pistons, *self.controls]
        raise WrongError(f"there is no piston or tab {quoted(name)}{nearest(name, known)}")

    def crescendo(self, reading: int | str) -> Wires:
        pedal = self.console.crescendo
        ends = {"heel": pedal.heel, "toe": pedal.toe}
        return Wires(((0, CrescendoRead(ends[reading] if isinstance(reading, str) else reading)),))

    def crescendo_stage(self, stage: int | str) -> Wires:
        """The middle of the readings at which the stage is the same from below and above."""
        rises, falls = crescendo_stages(self.console.crescendo)
        steady = [r for r in range(128) if rises[r] == falls[r] == int(stage)]
        if not steady:
            raise WrongError(f"no reading of the pedal gives stage {stage} both ways")
        return Wires(((0, CrescendoRead(steady[len(steady) // 2])),))

    def shoe(self, name: str, reading: int | str) -> Wires:
        shoe = self.shoes[name]
        ends = {"heel": shoe.heel, "toe": shoe.toe}
        read = ends[reading] if isinstance(reading, str) else reading
        return Wires(((0, ShoeRead(name, read)),))

    def keys(self, keyboard: str, spans: tuple[range, ...], state: str) -> Wires:
        """Keys all move in one instant: each has a contact, and a bounce, of its own."""
        keys = self._keys(keyboard, spans)
        down = state == "down"
        return Wires(tuple((0, self.hand.key(keyboard, key, down)) for key in keys))

    def transpose(self, semitones: int) -> Transpose | Asked:
        if self.hand.transposes:
            return Transpose(semitones)
        return Asked(TransposerMoved(semitones))

    def _keys(self, keyboard: str, spans: tuple[range, ...]) -> list[int]:
        model = self.keyboards[keyboard]
        return _spread(spans, f'keyboard "{keyboard}"', "key", model.lowest, model.keys)

    def lock(self, *, locked: bool) -> Wires | Asked:
        wire = self.hand.first(Role.LOCK, "")
        if wire is None:
            return Asked(MemoryLockTurned(locked))
        return Wires(((0, self.hand.edge(wire, locked)),))

    # ------------------------------------------------------------ expectations

    def expect_in(self, division: str, controls: tuple[str, ...]) -> Expect:
        of_it = {c.id for c in self.console.controls if self.console.division_of(c) == division}
        outside = [control for control in controls if control not in of_it]
        if outside:
            raise WrongError(f'"{outside[0]}" is not in division "{division}"')
        return Expect("sounding", controls, division)

    def expect_memory(
        self, piston: str, level: int | None, controls: tuple[str, ...], what: str = "memory"
    ) -> Expect:
        return Expect(what, controls, self._sound(self.slot(piston, level)))

    def expect_driven(self, on: tuple[str, ...] | None, off: tuple[str, ...] | None) -> Expect:
        if on is None and off is None:
            raise WrongError("expected on, off or nothing after driven")
        moved = [*(f"{tab} on" for tab in on or ()), *(f"{tab} off" for tab in off or ())]
        return Expect("driven", tuple(moved))

    def expect_keys(self, keyboard: str, spans: tuple[range, ...]) -> Expect:
        return Expect("keys", _words(self._keys(keyboard, spans)), keyboard)

    def expect_lines(self, division: str, spans: tuple[range, ...], what: str = "lines") -> Expect:
        model = self.divisions[division]
        if what == "out" and model.out is None:
            raise WrongError(f'division "{division}" has no output of its own')
        lowest, count = self.console.lines_of(model)
        lines = _spread(spans, f'division "{division}"', "line", lowest, count)
        return Expect(what, _words(lines), division)

    def expect_pipes(self, what: str, rank: str, spans: tuple[range, ...]) -> Expect:
        pipes = _spread(spans, f'rank "{rank}"', "pipe", 1, self.ranks[rank].pipes)
        return Expect(what, _words(pipes), rank)

    def expect_switched(self, controls: tuple[str, ...]) -> Expect:
        for control in controls:
            model = self.controls[control]
            if model.out is None and not isinstance(model, Trap):
                raise WrongError(f'"{control}" has no output that could be switched')
        return Expect("switched", controls)

    def expect_shades(self, chamber: str, position: int | str) -> Expect:
        stages = self.chambers[chamber].stages
        if stages is not None and isinstance(position, int) and position > stages:
            raise WrongError(f'the shades of "{chamber}" have no stage {position}: 0 to {stages}')
        return Expect("shades", (str(position),), chamber)

    def _sound(self, slot: Slot) -> Slot:
        if self._wrong:
            raise WrongError(*self._wrong)
        return slot


def _spread(spans: tuple[range, ...], owner: str, what: str, lowest: int, count: int) -> list[int]:
    """Runs of numbers spread out, upwards.

    Raises:
        WrongError: if their owner has not got one of them.
    """
    there = range(lowest, lowest + count)
    for number in (number for span in spans for number in (span[0], span[-1])):
        if number not in there:
            raise WrongError(f"{owner} has no {what} {number}: it has {there[0]} to {there[-1]}")
    return sorted({number for span in spans for number in span})


def _words(numbers: Iterable[int]) -> tuple[str, ...]:
    return tuple(map(str, numbers))


def quoted_word(word: str) -> str:
    """A word in quotation marks, unless it came in them."""
    return quoted(unquoted(word))


def unquoted(word: str) -> str:
    """A word without the quotation marks around it."""
    return word[1:-1] if word.startswith('"') else word


_SLOTS: dict[str, Callable[[_Reader, Any], Any]] = {
    "CONTROL": _Reader.control,
    "CONTROLS": _Reader.several_controls,
    "PISTON": _Reader.piston,
    "PISTONS": _Reader.several_pistons,
    "DIVISION": lambda reader, word: reader._known(word, "division", reader.divisions),
    "KEYBOARD": lambda reader, word: reader._known(word, "keyboard", reader.keyboards),
    "RANK": lambda reader, word: reader._known(word, "rank", reader.ranks),
    "CHAMBER": lambda reader, word: reader._known(word, "chamber", reader.chambers),
    "TRAPS": lambda reader, words: tuple(reader._known(w, "trap", reader.traps) for w in words),
    "NOTES": _Reader.spans,
    "NUMBERS": _Reader.spans,
    "POSITION": _Reader.position,
    "SEMITONES": _Reader.semitones,
    "SHOE": lambda reader, word: reader._known(word, "shoe", reader.shoes),
    "PLACES": _Reader.places,
    "REFUSALS": _Reader.refusals,
    "LEVEL": _Reader.level,
    "STAGE": _Reader.stage,
    "READING": _Reader.reading,
    "SECONDS": _Reader.milliseconds,
    "NUMBER": _Reader.step_number,
    "NAME": lambda _, word: word,
    "PIN": lambda _, word: word,
}

FORMS: tuple[Form, ...] = (
    Form("console FILE", "the console file, as seen from the rehearsal's own folder"),
    Form("title TEXT", "what the rehearsal is called"),
    Form("choose KEY = VALUE", "try the console with another of its console-wide choices"),
    Form(
        "memory level LEVEL locked",
        "a level that is locked at the outset",
        lambda _, level: LockLevel(level),
    ),
    Form(
        "memory sequence NAME NUMBER = PISTON [at LEVEL] [note NAME]",
        "a step that a sequence has at the outset (level 1 if none is given)",
        _Reader.step_of,
    ),
    Form(
        "memory stage STAGE = CONTROLS|nothing",
        "what a stage of the crescendo adds at the outset",
        lambda _, stage, controls: Remember(Slot(stage=stage), controls),
    ),
    Form(
        "memory PISTON [at LEVEL] neutral = CONTROLS|nothing",
        "what a piston leaves alone at the outset",
        lambda reader, *words: reader.remember(*words, neutral=True),
    ),
    Form(
        "memory PISTON [at LEVEL] = CONTROLS|nothing",
        "what a piston holds at the outset (at level 1 if none is given)",
        _Reader.remember,
    ),
    Form(
        "found PIN closed|open",
        "what a pin will be at switch-on: at the outset, or while the console is off",
        _Reader.found,
    ),
    Form("tab CONTROLS on|off", "a hand moves tabs, or turns lit controls on or off", _Reader.tabs),
    Form("touch CONTROL", "a lit control is touched, which reverses it", _Reader.touch),
    Form("press PISTON [deep]", "a piston goes down; deep: to its second touch", _Reader.press),
    Form(
        "release PISTON [deep]", "a piston comes up; deep: its second touch first", _Reader.release
    ),
    Form("push PISTON [deep]", "a piston goes down and comes up", _Reader.push),
    Form(
        "crescendo stage STAGE|0",
        "the crescendo pedal moves to the middle of a stage",
        _Reader.crescendo_stage,
    ),
    Form("crescendo READING|heel|toe", "the crescendo pedal gives a reading", _Reader.crescendo),
    Form("shoe SHOE READING|heel|toe", "an expression shoe gives a reading", _Reader.shoe),
    Form(
        "keys KEYBOARD all up",
        "every key of a keyboard comes up",
        lambda _, keyboard: AllUp(keyboard),
    ),
    Form(
        "keys KEYBOARD NOTES down|up",
        "keys go down or come up, all at once: MIDI note numbers and runs, as in 36 48-52",
        _Reader.keys,
    ),
    Form(
        "transpose SEMITONES",
        "the transposer is moved: -6 to +6, by its switch or its pushes if it has them",
        _Reader.transpose,
    ),
    Form("wait SECONDS", "time passes", lambda _, milliseconds: Wait(milliseconds)),
    Form("lock", "the key switch locks the memory", lambda reader: reader.lock(locked=True)),
    Form("unlock", "the key switch frees the memory", lambda reader: reader.lock(locked=False)),
    Form("undo", "take back the last set", lambda _: Asked(UndoAsked())),
    Form("redo", "set again what was taken back", lambda _: Asked(RedoAsked())),
    Form(
        "step NUMBER",
        "go to a step of the sequence",
        lambda _, number: Asked(StepChosen(number)),
    ),
    Form(
        "sequence NAME|default",
        "put a sequence on the desk; default: the one that nobody wrote",
        lambda _, name: Asked(SequenceChosen(None if name == "default" else unquoted(name))),
    ),
    Form("music", "the music that is given with --music begins", lambda _: MusicBegins()),
    Form("close PIN", "a wire closes, whatever is on it", lambda r, pin: r.wire(pin, closed=True)),
    Form("open PIN", "a wire opens", lambda reader, pin: reader.wire(pin, closed=False)),
    Form("program PIN", "a program change arrives for a pin", _Reader.program),
    Form("stick PISTON", "its contact does not open any more", _Reader.stick),
    Form("jam CONTROL", "a driven tab does not move any more", _Reader.jam),
    Form("free NAME", "a piston's contact or a tab moves again", _Reader.free),
    Form(
        "store fails|works",
        "whether what is set can be written for good",
        lambda _, word: Store(word == "works"),
    ),
    Form("switch on|off", "the console is switched", lambda _, word: Switch(word == "on")),
    Form(
        "expect sounding in DIVISION CONTROLS|nothing",
        "exactly these of a division sound",
        _Reader.expect_in,
    ),
    Form(
        "expect sounding|governed|held|base CONTROLS|nothing",
        "exactly these sound; they are governed, held on, or in the base",
        lambda _, what, controls: Expect(what, controls),
    ),
    Form(
        "expect rail CONTROLS|nothing",
        "what the action has made of the rail: driven tabs count as arrived until found otherwise",
        lambda _, controls: Expect("rail", controls),
    ),
    Form(
        "expect lit PISTONS|nothing",
        "exactly these pistons are lit",
        lambda _, pistons: Expect("lit", pistons),
    ),
    Form("expect level LEVEL", "the memory level", lambda _, n: Expect("level", (str(n),))),
    Form(
        "expect stage STAGE|0",
        "the crescendo's stage; 0 is closed",
        lambda _, n: Expect("stage", (str(n),)),
    ),
    Form(
        "expect place NUMBER|beginning",
        "the place in the sequence",
        lambda _, n: Expect("place", (n if n == "beginning" else plain_number(n),)),
    ),
    Form(
        "expect memory stage STAGE = CONTROLS|nothing",
        "what a stage of the crescendo adds",
        lambda _, stage, controls: Expect("memory", controls, Slot(stage=stage)),
    ),
    Form(
        "expect memory PISTON [at LEVEL] = not set",
        "a piston holds nothing yet",
        lambda reader, *words: reader.expect_memory(*words, ("not set",)),
    ),
    Form(
        "expect memory PISTON [at LEVEL] neutral = CONTROLS|nothing",
        "exactly what a piston leaves alone",
        lambda reader, *words: reader.expect_memory(*words, "neutral"),
    ),
    Form(
        "expect memory PISTON [at LEVEL] = CONTROLS|nothing",
        "exactly what a piston holds",
        _Reader.expect_memory,
    ),
    Form(
        "expect refused REFUSALS|nothing",
        'what the last statement had refused: G1 "not set"',
        lambda _, refusals: Expect("refused", refusals),
    ),
    Form(
        "expect stored PLACES|nothing",
        "what the last statement stored: G1, or G1 at 2, or stage 3",
        lambda _, places: Expect("stored", places),
    ),
    Form(
        "expect unkept PLACES|nothing",
        "what is set but could not be written yet",
        lambda _, places: Expect("unkept", places),
    ),
    Form(
        "expect driven nothing",
        "the last statement drove no tabs",
        lambda _: Expect("driven", ()),
    ),
    Form(
        "expect driven [on CONTROLS] [off CONTROLS]",
        "which tabs the last statement drove",
        _Reader.expect_driven,
    ),
    Form(
        "expect fault CONTROLS|nothing",
        "which driven tabs have not followed since the last statement",
        lambda _, controls: Expect("fault", controls),
    ),
    Form(
        "expect stuck PISTONS|nothing",
        "which pistons were found stuck since the last statement",
        lambda _, pistons: Expect("stuck", pistons),
    ),
    Form(
        "expect keys KEYBOARD NOTES|nothing",
        "exactly these keys are down, whatever the transposer does",
        _Reader.expect_keys,
    ),
    Form(
        "expect lines DIVISION NOTES|nothing",
        "exactly these lines of a division are played, by its keyboard and couplers",
        _Reader.expect_lines,
    ),
    Form(
        "expect out DIVISION NOTES|nothing",
        "exactly these are on at the output that a division has of its own",
        lambda reader, *words: reader.expect_lines(*words, "out"),
    ),
    Form(
        "expect pipes RANK NUMBERS|nothing",
        "exactly these pipes are asked for, counted from 1",
        lambda reader, *words: reader.expect_pipes("pipes", *words),
    ),
    Form(
        "expect speaking RANK NUMBERS|nothing",
        "exactly these pipes are on now: strokes and longest on-times end",
        lambda reader, *words: reader.expect_pipes("speaking", *words),
    ),
    Form(
        "expect switched CONTROLS|nothing",
        "exactly these controls have their outputs on; traps, during a stroke",
        _Reader.expect_switched,
    ),
    Form(
        "expect struck TRAPS|nothing",
        "which traps have been struck since the last statement",
        lambda _, traps: Expect("struck", traps),
    ),
    Form(
        "expect shades CHAMBER POSITION|unknown",
        "a chamber's shades: the controller's value or the stage; unknown until a shoe moves",
        _Reader.expect_shades,
    ),
    Form(
        "expect transposer SEMITONES",
        "where the transposer stands",
        lambda _, semitones: Expect("transposer", (plain_semitones(semitones),)),
    ),
)
