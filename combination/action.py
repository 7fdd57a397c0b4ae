"""The combination action: the rules of Part I of semantics.md, in the order of that page.

Everything that decides what a tab or a piston does is in this file, and nothing in this file
knows where an event came from, what becomes of an effect, or what time it is: events and the
time come in, effects go out. Registrations are integers (`combination.registration`); with
`&`, `|` and `& ~` for ∩, ∪ and −, the sentences of the contract stand here as it writes them.

    rail       what the rail shows                governed   what pistons hold, on or off
    held       what they hold on                  base       rail and pistons together
    sounding   what the relay plays

The state changes in the handlers; what changed is told once, when the event is done.
"""

import math
from collections.abc import Callable
from decimal import Decimal
from typing import NamedTuple

from attrs import define

from combination.effects import (
    Cause,
    ContactFreed,
    ContactStuck,
    ControlLampsChanged,
    CrescendoReached,
    Effect,
    KeepAsked,
    KeptAfterAll,
    LevelChanged,
    PistonLampsChanged,
    RailChanged,
    Refusal,
    Refused,
    SequencePlaced,
    SoundingChanged,
    StepReached,
    Stored,
    TabDidNotFollow,
    TabsDriven,
    TabsRested,
)
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
from combination.memory import Bank, Change, Combination, Slot, Step, default_step, default_steps
from combination.model import (
    CAN_BE_SET,
    RECALLING,
    STEPPED_TO,
    Action,
    Again,
    Cancel,
    Console,
    Kind,
    Piston,
    Stores,
    Unset,
    WhileGoverned,
)
from combination.moment import Moment, Reason
from combination.pedals import crescendo_stages
from combination.ranges import Ranges
from combination.registration import Registration, Roster

OWN = "its own contacts"
STEP = "the sequence"


class Engagement(NamedTuple):
    """What an engaged piston did when it was pressed: its level, and its mask and value."""

    level: int
    mask: int
    value: int


@define
class _Pulse:
    """Tabs driven together: when, for how long, until when they may take to follow."""

    start: float
    end: float
    deadline: float
    tabs: int
    on: int
    fired: bool = False
    rested: bool = False
    judged: bool = False

    def next_due(self) -> float | None:
        if not self.fired:
            return self.start
        left = [
            t for t, done in ((self.end, self.rested), (self.deadline, self.judged)) if not done
        ]
        return min(left, default=None)


class CombinationAction:
    """One console's combination action, from switch-on to switch-off.

    Events go in through `receive`, with the time ``at`` which they happened (seconds on a clock
    that never goes back); `tick` lets time pass without one. Both return what changed. The
    engine acts by itself at `next_due`: a caller that wants it on time ticks it then.

    The bank is the memory: it is changed in place. With ``keeps`` a change waits for the store,
    which is told with `KeepAsked` and answers with `ChangeKept` or `ChangeNotKept`; without,
    the bank itself is all the memory there is, and a change counts at once.
    """

    def __init__(
        self, console: Console, bank: Bank, *, at: float = 0.0, keeps: bool = False
    ) -> None:
        """Switch on.

        Raises:
            ValueError: if the bank has not been seated on this console (`memory.seat`).
        """
        self.console = console
        self.ranges = Ranges(console)
        self.bank = bank
        roster = self.ranges.roster
        if tuple(card.id for card in bank.controls[: len(roster)]) != roster.ids:
            raise ValueError("the bank has not been seated on this console")

        self._now = at
        self._keeps = keeps
        self._effects: list[Effect] = []
        self._roster = roster
        self._pistons = {piston.id: piston for piston in console.pistons}
        self._lamps = Roster(self._pistons)
        self._blind = console.action is Action.BLIND
        self._adds = self._blind and console.while_governed is WhileGoverned.ADDS
        self._followed = roster.bits(c.id for c in console.controls if c.contacts)
        self._rises, self._falls = crescendo_stages(console.crescendo)
        self._set_lamps = self._lamps.bits(p.id for p in console.pistons if p.kind is Kind.SET)
        self._reversibles = [
            (roster.bit(p.control or ""), self._lamps.bit(p.id))
            for p in console.pistons
            if p.kind is Kind.REVERSIBLE
        ]

        self.rail = 0
        self.governed = 0
        self.held = 0
        self.engaged: dict[str, Engagement] = {}
        self.full_organs: list[str] = []
        self.momentary: list[str] = []
        self.stage = 0
        self.armed_until: float | None = None
        self.key_locked = False
        self.unkept: dict[int, Change] = {}
        bank.level = min(max(bank.level, 1), console.levels)

        self._gripped: dict[str, int] = {}
        self._down: dict[str, set[str]] = {}
        self._set_down: set[str] = set()
        self._set_used = False
        self._set_stuck: set[tuple[str, str]] = set()
        self._spent: set[str] = set()
        self._reported = 0
        self._unsettled = 0
        self._pulses: list[_Pulse] = []
        self._last_pulse = -math.inf
        self._pending: dict[int, Change] = {}
        self._asked = 0
        self._undo: list[Change] = []
        self._redo: list[Change] = []
        self._loud = self._silenced = self._momentary = 0
        self._told_rail = self._told_base = self._told_sounding = self._told_lamps = 0

        self._handlers: dict[type[Event], Callable[..., None]] = {
            TabMoved: self._tab_moved,
            ControlTouched: self._control_touched,
            PistonPressed: lambda e: self._press(self._piston(e.piston), OWN),
            PistonReleased: lambda e: self._release(self._piston(e.piston), OWN),
            SecondTouchPressed: self._second_touch_pressed,
            SecondTouchReleased: self._second_touch_released,
            PistonStuck: self._piston_stuck,
            PistonFreed: self._piston_freed,
            CrescendoMoved: self._crescendo_moved,
            StepChosen: self._step_chosen,
            SequenceChosen: self._sequence_chosen,
            MemoryLockTurned: self._memory_lock_turned,
            UndoAsked: lambda _: self._undo_or_redo(self._undo, self._redo),
            RedoAsked: lambda _: self._undo_or_redo(self._redo, self._undo),
            ChangeKept: self._change_kept,
            ChangeNotKept: self._change_not_kept,
        }
        self._pressed: dict[Kind, Callable[[Piston], None]] = {
            Kind.GENERAL: self._recall,
            Kind.DIVISIONAL: self._recall,
            Kind.REVERSIBLE: self._reverse,
            Kind.FULL_ORGAN: self._full_organ,
            Kind.MOMENTARY: self._begin_momentary,
            Kind.GENERAL_CANCEL: self._general_cancel,
            Kind.DIVISIONAL_CANCEL: self._divisional_cancel,
            Kind.HAND_REGISTRATION: lambda _: self._let_go(self._roster.everything),
            Kind.CRESCENDO_SET: lambda p: self._refuse(p.id, Refusal.SET_FIRST),
            Kind.LEVEL_UP: lambda p: self._to_level(self.bank.level + (p.by or 1)),
            Kind.LEVEL_DOWN: lambda p: self._to_level(self.bank.level - (p.by or 1)),
            Kind.LEVEL: lambda p: self._to_level(p.level or 1),
            Kind.NEXT: self._next,
            Kind.PREVIOUS: self._previous,
        }

    # ------------------------------------------------------------ events in, effects out

    def receive(self, event: Event, at: float) -> list[Effect]:
        """Take one event, at its time, and return what changed.

        Raises:
            KeyError: if the event names a control or piston that the console does not have.
            ValueError: if ``at`` is earlier than a time already given, or the event makes no
                sense: a reading beyond 0-127, a change nobody asked to keep, a touch of a
                control that is not lit.
        """
        self._advance(at)
        self._handlers[type(event)](event)
        return self._told()

    def tick(self, at: float) -> list[Effect]:
        """Let time pass until ``at``, and return what changed by it."""
        self._advance(at)
        return self._told()

    @property
    def next_due(self) -> float | None:
        """When the engine will act by itself; None if it will not."""
        due = [pulse.next_due() for pulse in self._pulses]
        return min((t for t in (*due, self.armed_until) if t is not None), default=None)

    # ------------------------------------------------------------ 1. registrations

    @property
    def base(self) -> int:
        """The registration without crescendo, full organ and momentary pistons."""
        if self._adds:
            return self.rail | self.held
        return self.rail & ~self.governed | self.held

    @property
    def sounding(self) -> int:
        """What the relay plays."""
        return (self.base | self._loud) & ~self._silenced | self._momentary

    def _relist(self) -> None:
        """Take what crescendo and full organ add and silence from their lists."""
        self._loud = self._silenced = 0
        lists = [(self._list(Slot(p)), self.ranges.full_organs[p][1]) for p in self.full_organs]
        if self.stage:
            silences = self.ranges.stages[self.stage - 1][1]
            lists.append((self._list(Slot(stage=self.stage)), silences))
        for adds, silences in lists:
            self._loud |= adds
            self._silenced |= silences
        self._loud &= self._roster.everything

    def _list(self, slot: Slot) -> int:
        """A full organ's or a stage's list: the player's own, or else the console file's."""
        own = self.bank.get(slot)
        if own is not None:
            return own.on
        if slot.stage is not None:
            return self.ranges.stages[slot.stage - 1][0]
        return self.ranges.full_organs[slot.piston or ""][0]

    # ------------------------------------------------------------ 2. what a piston remembers

    def _mask_and_value(self, piston: Piston, combination: Combination) -> tuple[int, int]:
        mask = self.ranges.affects[piston.id] & ~combination.neutral
        value = combination.on & mask
        return (value, value) if piston.additive else (mask, value)

    def _engage(self, piston: Piston, mask: int, value: int) -> None:
        """Engage a piston with what it has just done; with nothing done it is not engaged."""
        self.engaged.pop(piston.id, None)
        if mask:
            self.engaged[piston.id] = Engagement(self.bank.level, mask, value)

    def _take(self, mask: int) -> None:
        """Something else takes these controls: what was engaged with any of them is no more."""
        for name in [n for n, engagement in self.engaged.items() if engagement.mask & mask]:
            del self.engaged[name]

    def _grip(self, mask: int, by: str | None) -> None:
        """Remember which piston last moved or governed these controls; None: the hand."""
        for name in [n for n, gripped in self._gripped.items() if gripped & mask]:
            self._gripped[name] &= ~mask
            if not self._gripped[name]:
                del self._gripped[name]
        if by is not None and mask:
            self._gripped[by] = self._gripped.get(by, 0) | mask

    # ------------------------------------------------------------ 3. pressing pistons

    def _press(self, piston: Piston, source: str) -> None:
        """A piston goes down by its contacts, by a second touch or by the sequence."""
        down = self._down.setdefault(piston.id, set())
        if source in down:
            return
        down.add(source)
        kind = piston.kind
        if kind is Kind.SET:
            self._press_set(piston)
            return
        if self._set_down:
            self._set_used = True
        if kind is Kind.GENERAL_CANCEL:
            self._set_stuck.clear()
        armed = self.armed_until is not None
        if self._set_stuck and kind in RECALLING:
            self.armed_until = None
            self._refuse(piston.id, Refusal.SET_STUCK)
        elif not (armed or (self._set_down and self.console.setting.hold)):
            self._pressed[kind](piston)
        elif kind in CAN_BE_SET:
            self.armed_until = None
            self._spent.add(piston.id)
            self._set(piston)
        elif kind in (Kind.NEXT, Kind.PREVIOUS):
            self._refuse(piston.id, Refusal.NOT_WHILE_SETTING)
        elif kind is Kind.GENERAL_CANCEL and armed:
            self.armed_until = None
        else:
            self._pressed[kind](piston)

    def _release(self, piston: Piston, source: str) -> None:
        """A piston goes up again, unless something else still holds it down."""
        down = self._down.get(piston.id, set())
        if source not in down:
            return
        down.remove(source)
        self._spent.discard(piston.id)
        if down:
            return
        if piston.kind is Kind.SET:
            self._release_set(piston)
        elif piston.id in self.momentary:
            self.momentary.remove(piston.id)
            self._sound_momentary()

    def _second_touch_pressed(self, event: SecondTouchPressed) -> None:
        """Press the other piston, unless the first touch was for setting."""
        piston = self._piston(event.piston)
        if piston.second_touch and piston.id not in self._spent:
            self._press(self._piston(piston.second_touch.piston), piston.id)

    def _second_touch_released(self, event: SecondTouchReleased) -> None:
        piston = self._piston(event.piston)
        if piston.second_touch:
            self._release(self._piston(piston.second_touch.piston), piston.id)

    def _recall(self, piston: Piston) -> None:
        """General, divisional."""
        combination = self.bank.get(Slot(piston.id, self.bank.level))
        if combination is None:
            if self.console.unset is Unset.REFUSE:
                self._refuse(piston.id, Refusal.NOT_SET)
                return
            combination = Combination(0)
        mask, value = self._mask_and_value(piston, combination)
        again = self.engaged.get(piston.id) == (self.bank.level, mask, value)
        if again and self._blind and self.console.again is Again.RELEASE:
            self._let_go(mask)
            return
        self._hold(mask, value, piston.id)
        self._engage(piston, mask, value)

    def _hold(self, mask: int, value: int, by: str) -> None:
        """Put the controls in ``mask`` as ``value`` has them: unseen, or by moving the rail."""
        self._take(mask)
        self._grip(mask, by)
        if self._blind:
            self.governed |= mask
            self.held = self.held & ~mask | value
        else:
            differs = (self.rail ^ value) & mask
            self.rail ^= differs
            self._drive(differs)

    def _let_go(self, mask: int) -> None:
        """Release: the tabs of these controls speak again (blind action only)."""
        self._take(mask)
        self._grip(mask, None)
        self.governed &= ~mask
        self.held &= ~mask

    def _reverse(self, piston: Piston) -> None:
        """Reversible."""
        control = self._roster.bit(piston.control or "")
        wanted = control & ~self.base
        shown = control & self.rail
        if self._adds and shown:
            self._refuse(piston.id, Refusal.TAB_IS_ON)
        elif self._blind and wanted == shown:
            self._let_go(control)
        else:
            self._hold(control, wanted, piston.id)

    def _full_organ(self, piston: Piston) -> None:
        """Full organ: on or off, each press."""
        if piston.id in self.full_organs:
            self.full_organs.remove(piston.id)
        else:
            self.full_organs.append(piston.id)
        self._relist()

    def _begin_momentary(self, piston: Piston) -> None:
        """Momentary: sounds while the piston is down."""
        if piston.id not in self.momentary:
            self.momentary.append(piston.id)
        self._sound_momentary()

    def _sound_momentary(self) -> None:
        self._momentary = self._roster.bits(self._pistons[p].control or "" for p in self.momentary)

    def _general_cancel(self, piston: Piston) -> None:
        self.full_organs.clear()
        self._relist()
        self._cancel(piston, self.ranges.capturable, self._roster.everything)

    def _divisional_cancel(self, piston: Piston) -> None:
        mask = self.ranges.cancelled[piston.division or ""]
        self._cancel(piston, mask, mask)

    def _cancel(self, piston: Piston, silenced: int, released: int) -> None:
        """Hold off, or let the tabs speak again, as the console has it."""
        if self._blind and self.console.cancel is Cancel.RELEASE:
            self._let_go(released)
        else:
            self._hold(silenced, 0, piston.id)

    def _to_level(self, level: int) -> None:
        """The next press or set uses it; beyond an end is that end."""
        level = min(max(level, 1), self.console.levels)
        if level != self.bank.level:
            self.bank.level = level
            self._effects.append(LevelChanged(level))

    def _tab_moved(self, event: TabMoved) -> None:
        """A tab moved only if its contact's state changes; by the hand, or by its own pulse."""
        tab = self._roster.bit(event.control)
        self._reported = self._reported | tab if event.on else self._reported & ~tab
        if bool(self.rail & tab) == event.on:
            self._arrived(tab)
        elif not self._unsettled & tab:
            self.rail ^= tab
            if not self._blind:
                self._grip(tab, None)
            elif self.governed & tab and self.console.while_governed is WhileGoverned.LAST_TOUCH:
                self._let_go(tab)

    def _control_touched(self, event: ControlTouched) -> None:
        if self.console.action is not Action.LIT:
            raise ValueError(f"{event.control} is not a lit control: a touch means nothing to it")
        self._tab_moved(TabMoved(event.control, not self.rail & self._roster.bit(event.control)))

    def _drive(self, tabs: int) -> None:
        """Pulse these tabs to where the rail has them; their clocks start again."""
        if self.console.action is not Action.MOVING or not tabs:
            return
        self._forget_pulses(tabs)
        self._unsettled |= tabs & self._followed
        self._line_up(tabs)

    def _line_up(self, tabs: int) -> None:
        """Give the tabs that wait for a pulse their groups and times, and these after them.

        Those that still wait keep their turn, and those that need no pulse any more leave no
        gap: however fast pistons are pressed, the coils are idle only for the gap.
        """
        drive = self.console.drive
        waiting = [pulse for pulse in self._pulses if not pulse.fired]
        self._pulses = [pulse for pulse in self._pulses if pulse.fired]
        wanted = tabs & self.rail
        for pulse in waiting:
            wanted |= pulse.tabs & pulse.on
        start = max(self._now, self._last_pulse + drive.spacing) if drive.group else self._now
        for group in _groups([*(pulse.tabs for pulse in waiting), tabs], drive.group):
            self._pulses.append(
                _Pulse(start, start + drive.pulse, start + drive.follow, group, group & wanted)
            )
            start += drive.spacing
        self._pulse(self._now)

    def _forget_pulses(self, tabs: int) -> None:
        """Drop these tabs from the pulses under way; a coil that has current loses it."""
        for pulse in self._pulses:
            if pulse.fired and not pulse.rested:
                self._rest(pulse, tabs)
            pulse.tabs &= ~tabs

    def _arrived(self, tab: int) -> None:
        """A driven tab has reported the wanted state: from now on it is the player's."""
        self._unsettled &= ~tab
        overtaken = [p for p in self._pulses if not p.fired and p.tabs & tab]
        for pulse in overtaken:
            pulse.tabs &= ~tab
        if overtaken:
            self._line_up(0)

    def _pulse(self, now: float) -> None:
        """Begin and end pulses, and judge the tabs whose time to follow is over."""
        for pulse in self._pulses:
            if not pulse.fired and pulse.start <= now:
                pulse.fired = True
                if pulse.tabs:
                    if self.console.drive.group:
                        self._last_pulse = now
                    on, off = pulse.tabs & pulse.on, pulse.tabs & ~pulse.on
                    self._effects.append(TabsDriven(self._set_of(on), self._set_of(off)))
            if pulse.fired and not pulse.rested and pulse.end <= now:
                pulse.rested = True
                self._rest(pulse, pulse.tabs)
            if pulse.fired and not pulse.judged and pulse.deadline <= now:
                pulse.judged = True
                self._judge(pulse)
        self._pulses = [p for p in self._pulses if not (p.rested and p.judged) and p.tabs]

    @property
    def driven(self) -> tuple[Registration, Registration]:
        """The tabs whose on coils have current at present, and those whose off coils have."""
        on = off = 0
        for pulse in self._pulses:
            if pulse.fired and not pulse.rested:
                on, off = on | pulse.tabs & pulse.on, off | pulse.tabs & ~pulse.on
        return self._set_of(on), self._set_of(off)

    def _rest(self, pulse: _Pulse, tabs: int) -> None:
        tabs &= pulse.tabs
        if tabs:
            on, off = tabs & pulse.on, tabs & ~pulse.on
            self._effects.append(TabsRested(self._set_of(on), self._set_of(off)))

    def _judge(self, pulse: _Pulse) -> None:
        """The time to follow is over: the last report stands, and a wrong one is a fault."""
        late = pulse.tabs & self._unsettled
        self._unsettled &= ~late
        self.rail = self.rail & ~late | self._reported & late
        for name in self._set_of(late & (self._reported ^ pulse.on)):
            wanted = bool(pulse.on & self._roster.bit(name))
            self._effects.append(TabDidNotFollow(name, wanted))

    # ------------------------------------------------------------ 4. lamps

    @property
    def lit(self) -> Registration:
        """The pistons whose lamps are lit."""
        return Registration(self._lamps, self._lit(self.base))

    def _lit(self, base: int) -> int:
        lit = 0
        for name, engagement in self.engaged.items():
            if self._blind or not (self.rail ^ engagement.value) & engagement.mask:
                lit |= self._lamps.bit(name)
        for control, lamp in self._reversibles:
            if base & control:
                lit |= lamp
        lit |= self._lamps.bits(self.full_organs) | self._lamps.bits(self.momentary)
        if self._set_down or self.armed_until is not None:
            lit |= self._set_lamps
        return lit

    # ------------------------------------------------------------ 5. setting

    def _press_set(self, piston: Piston) -> None:
        """Set is held; while armed it disarms, and this push will not arm again."""
        if not self._set_down:
            self._set_used = self.armed_until is not None
        self.armed_until = None
        self._set_down.add(piston.id)

    def _release_set(self, piston: Piston) -> None:
        """Set is released: with nothing else pressed while it was down, it arms."""
        self._set_down.discard(piston.id)
        if self.console.setting.latch and not self._set_down and not self._set_used:
            self.armed_until = self._now + self.console.setting.latch_time

    def _piston_stuck(self, event: PistonStuck) -> None:
        """Taken as open. A set piston found stuck bars generals and divisionals."""
        if self._piston(event.piston).kind is Kind.SET:
            self._set_stuck.add((event.piston, event.pin))
            self._set_used = True
        self._effects.append(ContactStuck(event.piston, event.pin))

    def _piston_freed(self, event: PistonFreed) -> None:
        self._set_stuck.discard((event.piston, event.pin))
        self._effects.append(ContactFreed(event.piston, event.pin))

    @property
    def memory_locked(self) -> bool:
        """Whether nothing may be set, at any level."""
        return self.bank.locked or self.key_locked

    def _refusal(self, level: int | None) -> Refusal | None:
        """Why memory may not be written now: at a level, or without one."""
        if self.memory_locked:
            return Refusal.MEMORY_LOCKED
        if level is not None and self.bank.is_locked(level):
            return Refusal.LEVEL_LOCKED
        return None

    def _set(self, piston: Piston) -> None:
        """Store a general, a divisional, a full organ or a crescendo stage, or refuse."""
        recalling = piston.kind in RECALLING
        refusal = self._refusal(self.bank.level if recalling else None)
        if refusal is None and not piston.can_be_set:
            refusal = Refusal.NOT_SETTABLE
        if refusal is None and piston.kind is Kind.CRESCENDO_SET and not self.stage:
            refusal = Refusal.CRESCENDO_CLOSED
        if refusal is not None:
            self._refuse(piston.id, refusal)
            return
        if recalling:
            slot = Slot(piston.id, self.bank.level)
            affects = self.ranges.affects[piston.id]
        elif piston.kind is Kind.FULL_ORGAN:
            slot, affects = Slot(piston.id), self.ranges.capturable
        else:
            slot, affects = Slot(stage=self.stage), self.ranges.capturable
        before = self._latest(slot)
        kept = before or Combination(0 if recalling else self._list(slot))
        stored = self.rail if self.console.stores is Stores.RAIL else self.base
        after = Combination(kept.on & ~affects | stored & affects, kept.neutral)
        if recalling and not self._blind:
            mask, value = self._mask_and_value(piston, after)
            self._take(mask)
            self._engage(piston, mask, value)
        self._redo.clear()
        self._undo.append(self._change(Change(slot, before, after), Cause.SET, piston.id))

    def _latest(self, slot: Slot) -> Combination | None:
        """What a place holds, or will when the store has answered."""
        for change in reversed(self._pending.values()):
            if change.slot == slot:
                return change.after
        return self.bank.get(slot)

    def _change(self, change: Change, cause: Cause, piston: str | None = None) -> Change:
        self._asked += 1
        if self._keeps:
            self._pending[self._asked] = change
            self._effects.append(KeepAsked(self._asked, change, cause, piston))
        else:
            self._remember(change, kept=True)
        return change

    def _remember(self, change: Change, *, kept: bool) -> None:
        """A change counts from now on; what sounds by a list sounds as stored at once."""
        self.bank.put(change.slot, change.after)
        self._relist()
        self._effects.append(Stored(change, kept))

    def _change_kept(self, event: ChangeKept) -> None:
        if event.number in self.unkept:
            self._effects.append(KeptAfterAll(self.unkept.pop(event.number)))
        else:
            self._remember(self._asked_for(event.number), kept=True)

    def _change_not_kept(self, event: ChangeNotKept) -> None:
        if event.number not in self.unkept:
            change = self._asked_for(event.number)
            self.unkept[event.number] = change
            self._remember(change, kept=False)

    def _asked_for(self, number: int) -> Change:
        if number not in self._pending:
            raise ValueError(f"nobody asked to keep change {number}")
        return self._pending.pop(number)

    def _undo_or_redo(self, taken: list[Change], put: list[Change]) -> None:
        """Take the last change of one pile back, and put it on the other."""
        if not taken:
            nothing = Refusal.NOTHING_TO_UNDO if taken is self._undo else Refusal.NOTHING_TO_REDO
            self._refuse(None, nothing)
            return
        refusal = self._refusal(taken[-1].slot.level)
        if refusal is not None:
            self._refuse(None, refusal)
            return
        cause = Cause.UNDO if taken is self._undo else Cause.REDO
        change = taken.pop()
        back = Change(change.slot, self._latest(change.slot), change.before)
        put.append(self._change(back, cause))

    def _memory_lock_turned(self, event: MemoryLockTurned) -> None:
        self.key_locked = event.locked

    # ------------------------------------------------------------ 6. sequence

    def _next(self, piston: Piston) -> None:
        self._step_to(self.neighbour(1), piston.id, Refusal.AT_THE_END)

    def _previous(self, piston: Piston) -> None:
        self._step_to(self.neighbour(-1), piston.id, Refusal.AT_THE_BEGINNING)

    def _step_chosen(self, event: StepChosen) -> None:
        if self.armed_until is not None or (self._set_down and self.console.setting.hold):
            self._refuse(None, Refusal.NOT_WHILE_SETTING)
        else:
            self._step_to(self.step(event.number), None, Refusal.NO_SUCH_STEP)

    def _sequence_chosen(self, event: SequenceChosen) -> None:
        if event.name is not None and event.name not in self.bank.sequences:
            self._refuse(None, Refusal.NO_SUCH_SEQUENCE)
            return
        beginning = Decimal(0)
        if (self.bank.sequence, self.bank.place) != (event.name, beginning):
            self.bank.sequence, self.bank.place = event.name, beginning
            self._effects.append(SequencePlaced(event.name))

    def step(self, number: Decimal) -> Step | None:
        """The step of that number in the sequence on the desk."""
        steps = self._written()
        if steps is not None:
            return next((step for step in steps if step.number == number), None)
        return default_step(self.console, int(number)) if number == int(number) else None

    def neighbour(self, way: int) -> Step | None:
        """The step after the place in the sequence (``way`` 1), or before it (-1)."""
        steps, place = self._written(), self.bank.place
        if steps is None:
            before = min(math.ceil(place) - 1, default_steps(self.console))
            return default_step(self.console, math.floor(place) + 1 if way > 0 else before)
        if way > 0:
            return next((step for step in steps if step.number > place), None)
        return next((step for step in reversed(steps) if step.number < place), None)

    def _written(self) -> tuple[Step, ...] | None:
        """The steps of the sequence on the desk; None if nobody wrote any."""
        if self.bank.sequence is None:
            return None
        return self.bank.sequences.get(self.bank.sequence)

    def _step_to(self, step: Step | None, pusher: str | None, otherwise: Refusal) -> None:
        """Move to a step, make its level the current one and press its piston."""
        if step is None:
            self._refuse(pusher, otherwise)
            return
        self.bank.place = step.number
        self._effects.append(StepReached(step.number, step.level, step.piston, step.note))
        piston = self._pistons.get(step.piston)
        fits = piston is not None and piston.kind in STEPPED_TO
        if piston is None or not fits or not 1 <= step.level <= self.console.levels:
            self._refuse(step.piston, Refusal.STEP_DOES_NOT_FIT)
            return
        self._to_level(step.level)
        self._press(piston, STEP)
        self._release(piston, STEP)

    # ------------------------------------------------------------ 7. crescendo

    def _crescendo_moved(self, event: CrescendoMoved) -> None:
        if not 0 <= event.reading <= 127:
            raise ValueError(f"a crescendo pedal reads 0 to 127, not {event.reading}")
        rises, falls = self._rises[event.reading], self._falls[event.reading]
        stage = min(max(self.stage, rises), falls)
        if stage != self.stage:
            self.stage = stage
            self._relist()
            self._effects.append(CrescendoReached(stage))

    # ------------------------------------------------------------ why, when, and what changed

    def why(self, control: str) -> tuple[Reason, ...]:
        """Every reason for which a control sounds; none if it does not.

        Raises:
            KeyError: if the console has no such control.
        """
        return self.moment().why(self._roster.bit(control))

    def moment(self) -> Moment:
        """What is on and sounds at present, and why: a value that stays as it is."""
        gripped = tuple(self._gripped.items())
        by_hand = self.rail if self._adds else self.rail & ~self.governed
        if not self._blind:
            for _, mask in gripped:
                by_hand &= ~mask
        lists = [(Reason("crescendo", str(self.stage)), Slot(stage=self.stage))] * (self.stage > 0)
        lists += [(Reason("full organ", piston), Slot(piston)) for piston in self.full_organs]
        base = self.base
        return Moment(
            self.rail,
            base,
            self.sounding,
            self._silenced,
            by_hand,
            self.held if self._blind else self._roster.everything,
            gripped,
            tuple((reason, self._list(slot)) for reason, slot in lists),
            tuple((p, self._roster.bit(self._pistons[p].control or "")) for p in self.momentary),
            self._lit(base),
        )

    def _advance(self, at: float) -> None:
        """Do what falls due until ``at``, each at its own time."""
        if at < self._now:
            raise ValueError(f"time went back from {self._now} s to {at} s")
        while self._pulses or self.armed_until is not None:
            due = self.next_due
            if due is None or due > at:
                break
            self._now = max(due, self._now)
            if self.armed_until is not None and self.armed_until <= self._now:
                self.armed_until = None
            self._pulse(self._now)
        self._now = at

    def _told(self) -> list[Effect]:
        """What changed since it was last told."""
        base = self.base
        sounding = (base | self._loud) & ~self._silenced | self._momentary
        lamps = self._lit(base)
        effects, self._effects = self._effects, []
        if sounding != self._told_sounding:
            changed = sounding ^ self._told_sounding
            on, off = self._set_of(changed & sounding), self._set_of(changed & ~sounding)
            effects.append(SoundingChanged(on, off))
            self._told_sounding = sounding
        if self.rail != self._told_rail:
            changed = self.rail ^ self._told_rail
            on, off = self._set_of(changed & self.rail), self._set_of(changed & ~self.rail)
            effects.append(RailChanged(on, off))
            self._told_rail = self.rail
        if base != self._told_base:
            changed = base ^ self._told_base
            lit, dark = self._set_of(changed & base), self._set_of(changed & ~base)
            effects.append(ControlLampsChanged(lit, dark))
            self._told_base = base
        if lamps != self._told_lamps:
            changed = lamps ^ self._told_lamps
            lit = Registration(self._lamps, changed & lamps)
            effects.append(PistonLampsChanged(lit, Registration(self._lamps, changed & ~lamps)))
            self._told_lamps = lamps
        return effects

    def _refuse(self, piston: str | None, reason: Refusal) -> None:
        self._effects.append(Refused(piston, reason))

    def _piston(self, name: str) -> Piston:
        return self._pistons[name]

    def _set_of(self, bits: int) -> Registration:
        return Registration(self._roster, bits)


def _groups(queue: list[int], size: int | None) -> list[int]:
    """Split tabs, in the order of the queue and then of the rail, into groups of a size.

    None: one group.
    """
    groups = [0]
    for tabs in queue:
        while tabs:
            if size is not None and groups[-1].bit_count() == size:
                groups.append(0)
            lowest = tabs & -tabs
            groups[-1] |= lowest
            tabs ^= lowest
    return groups
