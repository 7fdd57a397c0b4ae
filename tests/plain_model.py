"""A second, plainer combination action, written from semantics.md Part I alone.

Controls are sets of ids, memory is a dictionary of such sets, and every answer is worked out
anew from the console each time it is wanted. It shares no rule with `combination.action` or
`combination.ranges` and must not: where the two disagree, one of them has misread the page.

Where the page is silent, this is taken to be what a player would expect:

* What falls due at the time of an event is done before it.
* A tab that already shows the wanted state at the end of its time is no fault, and one that
  gets there before its own pulse is not pulsed. A tab without contacts is believed.
* Groups of tabs still waiting keep their turn; those of a later press come after them.
* A second touch presses its piston even if that is down by its own contacts. It does nothing
  either if the first touch was refused while setting.
* A set piston found stuck is refused before any other reason, and does not arm when it opens.
* Undo and redo are refused by the same locks as a set. A set that changes nothing counts as one.
* Where the store answers later, a stored piston of a moving or lit action is engaged by the press.
* A step that does not fit moves the place and nothing else. To go to a step directly is refused
  while setting. A sequence that is on the desk but no longer there is the one nobody wrote.
"""

from collections.abc import Iterable, Iterator
from decimal import Decimal
from fractions import Fraction
from math import inf

from attrs import define, field

from combination.events import (
    ChangeKept,
    ChangeNotKept,
    ControlTouched,
    CrescendoMoved,
    Event,
    MemoryLockTurned,
    PistonFreed,
    PistonPressed,
    PistonReleased,
    PistonStuck,
    RedoAsked,
    SecondTouchPressed,
    SecondTouchReleased,
    SequenceChosen,
    StepChosen,
    TabMoved,
    UndoAsked,
)
from combination.memory import Step
from combination.model import (
    CAN_BE_SET,
    RECALLING,
    STEPPED_TO,
    Action,
    Again,
    Cancel,
    Console,
    Coupler,
    DivisionalCouplers,
    Kind,
    Piston,
    Selection,
    Stores,
    Unset,
    WhileGoverned,
)

Ids = frozenset[str]
Place = tuple[str | None, int | None, int | None]
"""A place in memory, as `combination.memory.Slot` has it: piston, level, crescendo stage."""
Held = tuple[Ids, Ids]
"""What a place holds: the controls on, and the neutral ones."""
Written = tuple[Place, Held | None, Held | None]
"""A change of a place: where, what was there before, and what is there after."""
NOTHING: Ids = frozenset()


@define
class PlainMemory:
    """A bank as sets of ids, those that the console does not know among them."""

    places: dict[Place, Held] = field(factory=dict)
    locked: bool = False
    locked_levels: set[int] = field(factory=set)
    sequences: dict[str, tuple[Step, ...]] = field(factory=dict)
    level: int = 1
    sequence: str | None = None
    place: Decimal = Decimal(0)


@define
class Happened:
    """What came of an event, other than the state that anyone can look up afterwards.

    ``drives`` are the tabs pulled on and those pulled off, with the time in seconds.
    """

    refusals: list[tuple[str | None, str]] = field(factory=list)
    drives: list[tuple[float, Ids, Ids]] = field(factory=list)
    faults: list[tuple[str, bool]] = field(factory=list)
    asked: list[tuple[int, Written]] = field(factory=list)
    stored: list[tuple[Written, bool]] = field(factory=list)
    kept_after_all: list[Written] = field(factory=list)
    steps: list[Step] = field(factory=list)


@define
class Engaged:
    """The press that engaged a piston: its level, mask and value."""

    level: int
    mask: Ids
    value: Ids


@define
class PlainModel:
    """A console with a memory, from switch-on."""

    console: Console
    memory: PlainMemory
    now: float = 0.0
    keeps: bool = False

    rail: set[str] = field(factory=set)
    governed: set[str] = field(factory=set)
    held: set[str] = field(factory=set)
    engaged: dict[str, Engaged] = field(factory=dict)
    full_organs: set[str] = field(factory=set)
    stage: int = 0
    key_turned: bool = False

    down: dict[str, set[str]] = field(factory=dict)
    """By piston: itself, and the pistons whose second touch holds it down."""
    went_to_set: set[str] = field(factory=set)
    set_alone: bool = False
    armed_until: float | None = None
    stuck: set[str] = field(factory=set)

    reported: set[str] = field(factory=set)
    travelling: dict[str, tuple[bool, float]] = field(factory=dict)
    """By driven tab that has not reported yet: the wanted state, and until when it may."""
    groups: list[tuple[float, dict[str, bool]]] = field(factory=list)
    """Pulses to come: when, and for each tab the wanted state."""
    last_group: float = -inf
    """When the last group was pulled."""

    asked: int = 0
    waiting: dict[int, Written] = field(factory=dict)
    """By number, the changes that the store has not answered for yet."""
    unkept: dict[int, Written] = field(factory=dict)
    done: list[Written] = field(factory=list)
    undone: list[Written] = field(factory=list)
    happened: Happened = field(factory=Happened)

    def __attrs_post_init__(self) -> None:
        """The level is as it was left, on a console that may have fewer now."""
        self.go_to_level(self.memory.level)

    # The console, as its file describes it.

    def piston(self, name: str) -> Piston:
        return next(piston for piston in self.console.pistons if piston.id == name)

    def of_kind(self, kind: Kind) -> list[Piston]:
        return [piston for piston in self.console.pistons if piston.kind is kind]

    @property
    def blind(self) -> bool:
        return self.console.action is Action.BLIND

    @property
    def adds(self) -> bool:
        return self.blind and self.console.while_governed is WhileGoverned.ADDS

    @property
    def everything(self) -> Ids:
        """Every control that a piston may capture."""
        return frozenset(c.id for c in self.console.controls if c.captured)

    def selected(self, selection: Selection | None, unwritten: Iterable[str]) -> Ids:
        """The controls of a selection; ``unwritten`` is what it would be if it were not there."""
        if selection is None:
            return frozenset(unwritten)
        if not (selection.everything or selection.divisions or selection.controls):
            return frozenset(unwritten) - set(selection.excluding)
        chosen = set(selection.controls)
        if selection.everything:
            chosen |= self.everything
        for control in self.console.controls:
            if not isinstance(control, Coupler) and control.division in selection.divisions:
                chosen.add(control.id)
        return frozenset(chosen) - set(selection.excluding)

    def affects(self, piston: Piston) -> Ids:
        """A piston's settable range."""
        if piston.kind is Kind.DIVISIONAL:
            unwritten = self.divisional_range(piston.division)
        else:
            unwritten = self.everything
        return self.selected(piston.affects, unwritten) & self.everything

    def divisional_range(self, division: str | None) -> Ids:
        mine = {
            c.id
            for c in self.console.controls
            if not isinstance(c, Coupler) and c.division == division
        }
        keyboard = next(d.keyboard for d in self.console.divisions if d.id == division)
        for coupler in self.console.couplers:
            from_my_keys = keyboard is not None and self.console.read_by(coupler) == keyboard
            own = from_my_keys and self.console.played_by(coupler) == division
            match self.console.divisional_couplers:
                case DivisionalCouplers.OWN if own:
                    mine.add(coupler.id)
                case DivisionalCouplers.KEYBOARD if from_my_keys:
                    mine.add(coupler.id)
        return frozenset(mine)

    def cancelled_in(self, division: str | None) -> Ids:
        """What a division's cancel reaches: its capturable controls, couplers included."""
        return self.everything & {
            c.id for c in self.console.controls if self.console.division_of(c) == division
        }

    def full_organ_list(self, piston: Piston) -> Ids:
        stored = self.memory.places.get((piston.id, None, None))
        return stored[0] if stored else self.selected(piston.sounds, NOTHING)

    def full_organ_silences(self, piston: Piston) -> Ids:
        return self.selected(piston.silences, NOTHING)

    def stage_list(self, stage: int) -> Ids:
        stored = self.memory.places.get((None, None, stage))
        return stored[0] if stored else self.stage_as_written(stage)

    def stage_as_written(self, stage: int) -> Ids:
        if stage == 0:
            return NOTHING
        written = self.console.crescendo.stages[stage - 1]
        before = self.stage_as_written(stage - 1)
        if written.sounds is not None:
            return self.selected(written.sounds, before)
        return before | self.selected(written.adds, NOTHING)

    def stage_silences(self, stage: int) -> Ids:
        if stage == 0:
            return NOTHING
        written = self.console.crescendo.stages[stage - 1]
        silent = self.selected(written.silences, NOTHING)
        return silent if written.sounds is not None else silent | self.stage_silences(stage - 1)

    # What can be seen and heard.

    @property
    def base(self) -> Ids:
        if self.adds:
            return frozenset(self.rail | self.held)
        return frozenset((self.rail - self.governed) | self.held)

    @property
    def sounding(self) -> Ids:
        loud = set(self.base | self.stage_list(self.stage))
        silent = set(self.stage_silences(self.stage))
        for name in self.full_organs:
            loud |= self.full_organ_list(self.piston(name))
            silent |= self.full_organ_silences(self.piston(name))
        momentary = {
            p.control for p in self.of_kind(Kind.MOMENTARY) if p.control and self.is_down(p.id)
        }
        return frozenset(((loud - silent) | momentary) & {c.id for c in self.console.controls})

    @property
    def lit(self) -> Ids:
        return frozenset(p.id for p in self.console.pistons if self.is_lit(p))

    def is_lit(self, piston: Piston) -> bool:
        match piston.kind:
            case Kind.GENERAL | Kind.DIVISIONAL:
                engaged = self.engaged.get(piston.id)
                agrees = engaged and (self.blind or self.rail & engaged.mask == engaged.value)
                return bool(agrees)
            case Kind.REVERSIBLE:
                return piston.control in self.base
            case Kind.FULL_ORGAN:
                return piston.id in self.full_organs
            case Kind.MOMENTARY:
                return self.is_down(piston.id)
            case Kind.SET:
                return self.set_is_down or self.armed
            case _:
                return False

    @property
    def control_lamps(self) -> Ids:
        """The controls whose lamp is lit: those of a lit action, and those that have one."""
        return self.base & self.with_lamps

    @property
    def with_lamps(self) -> Ids:
        every = self.console.action is Action.LIT
        return frozenset(c.id for c in self.console.controls if every or c.lamp is not None)

    def is_down(self, name: str) -> bool:
        return bool(self.down.get(name))

    @property
    def armed(self) -> bool:
        return self.armed_until is not None

    @property
    def set_is_down(self) -> bool:
        return any(self.is_down(p.id) for p in self.of_kind(Kind.SET))

    @property
    def setting(self) -> bool:
        """Whether a piston that can be set is stored now, and not recalled."""
        return self.armed or (self.console.setting.hold and self.set_is_down)

    @property
    def memory_locked(self) -> bool:
        return self.memory.locked or self.key_turned

    # Time.

    @property
    def next_due(self) -> float | None:
        """When something happens by itself, if nothing else happens before."""
        due = [until for _, until in self.travelling.values() if until < inf]
        due += [start for start, group in self.groups if group]
        due += [self.armed_until] if self.armed_until is not None else []
        return min(due, default=None)

    def wait(self, until: float) -> Happened:
        """Let time pass, and with it what is due at its end."""
        self.happened = Happened()
        self.pass_time(until)
        return self.happened

    def pass_time(self, until: float) -> None:
        while (due := self.next_due) is not None and due <= until:
            self.now = due
            if self.armed_until == due:
                self.armed_until = None
            for name in [n for n, (_, end) in self.travelling.items() if end == due]:
                self.give_up(name)
            self.drive_what_is_due()
        self.now = until

    # Events.

    def receive(self, event: Event, at: float) -> Happened:
        """Take an event at its time, in seconds, and tell what came of it."""
        self.happened = Happened()
        self.pass_time(at)
        match event:
            case TabMoved(control, on):
                self.tab_moved(control, on)
            case ControlTouched(control):
                self.rail ^= {control}
            case PistonPressed(name):
                self.contact_closes(name, name)
            case PistonReleased(name):
                self.contact_opens(name, name)
            case SecondTouchPressed(name):
                if name not in self.went_to_set and (second := self.piston(name).second_touch):
                    self.contact_closes(second.piston, name)
            case SecondTouchReleased(name):
                if second := self.piston(name).second_touch:
                    self.contact_opens(second.piston, name)
            case PistonStuck(name, pin):
                if self.piston(name).kind is Kind.SET:
                    self.stuck.add(pin)
                    self.set_alone = False
            case PistonFreed(_, pin):
                self.stuck.discard(pin)
            case CrescendoMoved(reading):
                self.stage = self.stage_at(reading)
            case StepChosen(number):
                self.choose_step(number)
            case SequenceChosen(name):
                self.choose_sequence(name)
            case MemoryLockTurned(locked):
                self.key_turned = locked
            case UndoAsked():
                self.undo()
            case RedoAsked():
                self.redo()
            case ChangeKept(number):
                self.answered(number, kept=True)
            case ChangeNotKept(number):
                self.answered(number, kept=False)
        return self.happened

    def refuse(self, piston: str | None, why: str) -> None:
        self.happened.refusals.append((piston, why))

    # Tabs.

    def tab_moved(self, name: str, on: bool) -> None:
        if self.console.action is Action.LIT:
            self.show(name, on)
            return
        self.reported = self.reported | {name} if on else self.reported - {name}
        if on == (name in self.rail):
            self.arrived(name)
            self.line_up({})
        elif name not in self.travelling:
            self.show(name, on)
            if self.blind and self.console.while_governed is WhileGoverned.LAST_TOUCH:
                self.release({name})

    def arrived(self, name: str) -> None:
        """A driven tab is where it should be. One that is there already needs no pulse."""
        self.travelling.pop(name, None)
        for _, group in self.groups:
            group.pop(name, None)

    def show(self, name: str, on: bool) -> None:
        self.rail = self.rail | {name} if on else self.rail - {name}

    def give_up(self, name: str) -> None:
        """The time to follow is over: the last report stands."""
        wanted, _ = self.travelling.pop(name)
        if (name in self.reported) != wanted:
            self.show(name, not wanted)
            self.happened.faults.append((name, wanted))

    def turn(self, on: Iterable[str], off: Iterable[str]) -> None:
        """Turn on and off what differs, on a moving or lit action."""
        wanted = dict.fromkeys(set(on) - self.rail, True)
        wanted |= dict.fromkeys(set(off) & self.rail, False)
        self.rail = (self.rail - set(off)) | set(on)
        if self.console.action is not Action.MOVING:
            return
        for tab in self.console.controls:
            if tab.id in wanted:
                self.arrived(tab.id)
                if tab.contacts:
                    self.travelling[tab.id] = (wanted[tab.id], inf)
        self.line_up(wanted)

    def line_up(self, wanted: dict[str, bool]) -> None:
        """Form the groups to come anew: who waits already, in that order, then these."""
        drive = self.console.drive
        order = {c.id: number for number, c in enumerate(self.console.controls)}
        queue = [
            (name, group[name])
            for group in (*(group for _, group in self.groups), wanted)
            for name in sorted(group, key=order.__getitem__)
        ]
        self.groups = []
        start = self.now if drive.group is None else max(self.now, self.last_group + drive.spacing)
        while queue:
            self.groups.append((start, dict(queue[: drive.group])))
            queue = queue[drive.group :] if drive.group else []
            start += drive.spacing
        self.drive_what_is_due()

    def drive_what_is_due(self) -> None:
        due = [group for start, group in self.groups if start <= self.now]
        self.groups = [(start, group) for start, group in self.groups if start > self.now]
        for group in due:
            for name, wanted in group.items():
                if name in self.travelling:
                    self.travelling[name] = (wanted, self.now + self.console.drive.follow)
            if group:
                self.last_group = self.now
                on = frozenset(name for name, wanted in group.items() if wanted)
                self.happened.drives.append((self.now, on, frozenset(group) - on))

    # Pistons.

    def contact_closes(self, name: str, source: str) -> None:
        self.down.setdefault(name, set()).add(source)
        self.press(name)

    def contact_opens(self, name: str, source: str) -> None:
        sources = self.down.get(name, set())
        if source in sources:
            sources.remove(source)
            self.went_to_set.discard(name)
            if self.piston(name).kind is Kind.SET and not self.set_is_down:
                self.set_released()

    def press(self, name: str) -> None:
        piston = self.piston(name)
        if piston.kind is Kind.SET:
            if len([p for p in self.of_kind(Kind.SET) if self.is_down(p.id)]) == 1:
                self.set_alone = not self.armed
            self.armed_until = None
            return
        self.set_alone = False
        if piston.kind in RECALLING and self.stuck:
            self.armed_until = None
            self.refuse(name, "set piston stuck")
        elif piston.kind in CAN_BE_SET and self.setting:
            self.went_to_set.add(name)
            self.armed_until = None
            self.set(piston)
        elif piston.kind in {Kind.NEXT, Kind.PREVIOUS}:
            self.next_or_previous(piston)
        else:
            self.act(piston)

    def set_released(self) -> None:
        if self.console.setting.latch and self.set_alone:
            self.armed_until = self.now + self.console.setting.latch_time

    def act(self, piston: Piston) -> None:
        """What a piston does when it is not set."""
        match piston.kind:
            case Kind.GENERAL | Kind.DIVISIONAL:
                self.recall(piston)
            case Kind.REVERSIBLE:
                self.reverse(piston)
            case Kind.FULL_ORGAN:
                self.full_organs ^= {piston.id}
            case Kind.GENERAL_CANCEL:
                self.general_cancel()
            case Kind.DIVISIONAL_CANCEL:
                self.cancel(self.cancelled_in(piston.division), self.cancelled_in(piston.division))
            case Kind.HAND_REGISTRATION:
                self.release(set(self.governed))
            case Kind.CRESCENDO_SET:
                self.refuse(piston.id, "hold or latch set first")
            case Kind.LEVEL_UP:
                self.go_to_level(self.memory.level + (piston.by or 1))
            case Kind.LEVEL_DOWN:
                self.go_to_level(self.memory.level - (piston.by or 1))
            case Kind.LEVEL:
                self.go_to_level(piston.level or 1)

    def go_to_level(self, level: int) -> None:
        self.memory.level = max(1, min(level, self.console.levels))

    def recall(self, piston: Piston) -> None:
        level = self.memory.level
        found = self.memory.places.get((piston.id, level, None))
        if found is None and self.console.unset is Unset.REFUSE:
            self.refuse(piston.id, "not set")
            return
        mask, value = self.mask_and_value(piston, found or (NOTHING, NOTHING))
        again = self.blind and self.console.again is Again.RELEASE
        if again and self.engaged.get(piston.id) == Engaged(level, mask, value):
            self.release(set(mask))
            return
        if self.blind:
            self.governed |= mask
            self.held = (self.held - mask) | value
        else:
            self.turn(value, mask - value)
        self.engage(piston, level, mask, value)

    def mask_and_value(self, piston: Piston, combination: Held) -> tuple[Ids, Ids]:
        on, neutral = combination
        mask = self.affects(piston) - neutral
        return (on & mask, on & mask) if piston.additive else (mask, on & mask)

    def engage(self, piston: Piston, level: int, mask: Ids, value: Ids) -> None:
        self.take(mask)
        self.engaged.pop(piston.id, None)
        if mask:
            self.engaged[piston.id] = Engaged(level, mask, value)

    def take(self, controls: Iterable[str]) -> None:
        """Something else has these controls now: the pistons they were engaged by are not."""
        taken = set(controls)
        self.engaged = {n: e for n, e in self.engaged.items() if not e.mask & taken}

    def release(self, controls: set[str]) -> None:
        """Let the tabs of these controls speak, of those that a piston governs."""
        self.take(controls & self.governed)
        self.governed -= controls
        self.held -= controls

    def reverse(self, piston: Piston) -> None:
        name = piston.control or ""
        wanted = name not in self.base
        if not self.blind:
            self.take({name})
            self.turn({name} if wanted else (), () if wanted else {name})
        elif self.adds and name in self.rail:
            self.refuse(piston.id, "its tab is on")
        else:
            self.take({name})
            self.governed.discard(name)
            self.held.discard(name)
            if wanted != (name in self.rail):
                self.governed.add(name)
                self.held |= {name} if wanted else set()

    def general_cancel(self) -> None:
        self.stuck.clear()
        if self.armed:
            self.armed_until = None
            return
        self.full_organs.clear()
        self.cancel(self.everything, frozenset(self.governed))

    def cancel(self, controls: Ids, released: Ids) -> None:
        """Cancel these controls; ``released`` are let go where a cancel gives the tabs back."""
        self.take(controls)
        if not self.blind:
            self.turn((), controls)
        elif self.console.cancel is Cancel.RELEASE:
            self.release(set(released))
        else:
            self.governed |= controls
            self.held -= controls

    # Setting.

    def set(self, piston: Piston) -> None:
        why = self.not_set_because(piston)
        if why is not None:
            self.refuse(piston.id, why)
            return
        stored = self.rail if self.stores_rail else self.base
        place: Place
        if piston.kind in RECALLING:
            place = (piston.id, self.memory.level, None)
            listed, affects = NOTHING, self.affects(piston)
        elif piston.kind is Kind.FULL_ORGAN:
            place = (piston.id, None, None)
            listed, affects = self.full_organ_list(piston), self.everything
        else:
            place = (None, None, self.stage)
            listed, affects = self.stage_list(self.stage), self.everything
        before = self.to_be(place)
        on, neutral = before or (listed, NOTHING)
        after = ((on - affects) | (stored & affects), neutral)
        if piston.kind in RECALLING and not self.blind:
            mask_and_value = self.mask_and_value(piston, after)
            self.engage(piston, self.memory.level, *mask_and_value)
        self.done.append((place, before, after))
        self.undone.clear()
        self.write(self.done[-1])

    @property
    def stores_rail(self) -> bool:
        """Whether what the player sees is stored, and not what the pistons made of it."""
        if self.console.setting.stores is not None:
            return self.blind and self.console.setting.stores is Stores.RAIL
        return self.blind and self.console.while_governed is WhileGoverned.IGNORED

    def not_set_because(self, piston: Piston) -> str | None:
        level_locked = self.memory.level in self.memory.locked_levels
        if self.memory_locked:
            return "memory locked"
        if piston.kind in RECALLING and level_locked:
            return "level locked"
        marked = piston.kind is not Kind.FULL_ORGAN if piston.settable is None else piston.settable
        if not marked:
            return "not settable"
        if piston.kind is Kind.CRESCENDO_SET and self.stage == 0:
            return "crescendo closed"
        return None

    def to_be(self, place: Place) -> Held | None:
        """What a place holds once the store has answered for everything it was asked."""
        coming = [after for where, _, after in self.waiting.values() if where == place]
        return coming[-1] if coming else self.memory.places.get(place)

    def write(self, change: Written) -> None:
        self.asked += 1
        if self.keeps:
            self.happened.asked.append((self.asked, change))
            self.waiting[self.asked] = change
        else:
            self.count(change, kept=True)

    def answered(self, number: int, *, kept: bool) -> None:
        """The store answers for a change: for the first time, or, having failed, again."""
        if number in self.waiting:
            change = self.waiting.pop(number)
            if not kept:
                self.unkept[number] = change
            self.count(change, kept=kept)
        elif kept:
            self.happened.kept_after_all.append(self.unkept.pop(number))

    def count(self, change: Written, *, kept: bool) -> None:
        """From now on the change is what a recall gives."""
        place, _, after = change
        if after is None:
            self.memory.places.pop(place, None)
        else:
            self.memory.places[place] = after
        self.happened.stored.append((change, kept))

    def undo(self) -> None:
        self.take_back(self.done, self.undone, "nothing to undo")

    def redo(self) -> None:
        self.take_back(self.undone, self.done, "nothing to redo")

    def take_back(self, source: list[Written], target: list[Written], none_left: str) -> None:
        if not source:
            self.refuse(None, none_left)
            return
        place, before, after = source[-1]
        if self.memory_locked:
            self.refuse(None, "memory locked")
        elif place[1] in self.memory.locked_levels:
            self.refuse(None, "level locked")
        else:
            source.pop()
            reverse = (place, after, before)
            target.append(reverse)
            self.write(reverse)

    # Sequence.

    def steps(self) -> Iterator[Step]:
        if self.memory.sequence in self.memory.sequences:
            yield from self.memory.sequences[self.memory.sequence]
            return
        number = 0
        for level in range(1, self.console.levels + 1):
            for general in self.of_kind(Kind.GENERAL):
                number += 1
                yield Step(Decimal(number), level, general.id)

    def next_or_previous(self, piston: Piston) -> None:
        place = self.memory.place
        if self.setting:
            self.refuse(piston.id, "not while setting")
            return
        if piston.kind is Kind.NEXT:
            found = [s for s in self.steps() if s.number > place][:1]
            end = "at the end"
        else:
            found = [s for s in self.steps() if s.number < place][-1:]
            end = "at the beginning"
        if found:
            self.reach(found[0])
        else:
            self.refuse(piston.id, end)

    def choose_step(self, number: Decimal) -> None:
        if self.setting:
            self.refuse(None, "not while setting")
            return
        found = [s for s in self.steps() if s.number == number]
        if found:
            self.reach(found[0])
        else:
            self.refuse(None, "no such step")

    def reach(self, step: Step) -> None:
        self.memory.place = step.number
        self.happened.steps.append(step)
        known = [p for p in self.console.pistons if p.id == step.piston and p.kind in STEPPED_TO]
        if known and 1 <= step.level <= self.console.levels:
            self.memory.level = step.level
            self.press(step.piston)
        else:
            self.refuse(step.piston, "step does not fit this console")

    def choose_sequence(self, name: str | None) -> None:
        if name is not None and name not in self.memory.sequences:
            self.refuse(None, "no such sequence")
            return
        self.memory.sequence = name
        self.memory.place = Decimal(0)

    # Crescendo.

    def stage_at(self, reading: int) -> int:
        crescendo = self.console.crescendo
        stages = len(crescendo.stages)
        position = Fraction(127 * (reading - crescendo.heel), crescendo.toe - crescendo.heel)
        if position <= 0:
            return 0
        if position >= 127:
            return stages
        width = Fraction(128, stages + 1)
        hysteresis = min(Fraction(crescendo.hysteresis), width / 2)
        begun = [k for k in range(1, stages + 1) if position >= k * width]
        lasting = [k for k in range(1, self.stage + 1) if position > k * width - hysteresis]
        return max([0, *begun, *lasting])
