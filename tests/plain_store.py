"""A second, plainer store: of each bank a list of dictionaries, one whole copy for every moment.

Controls and pistons are told apart as things that stay the same under whatever id; registrations
are plain sets of them. It shares no rule with `banks` or `combination.memory` and must not: where
it and the living store disagree, one of them has misread semantics.md III.

Where the page is silent or short, this holds:

* A bank that is written over another is read by id. An id is that of the thing that has it; or
  else of the one gone that had it last, the later of two; or else of one that had it before and
  is not in the new bank by its present id, the one that had it last of several.
* Nothing of a bank may have the id of another: what would bring that about is refused.
* Taking back puts each place back to what it held before the moments chosen, if nothing else has
  changed it since; otherwise only to what it held before the last of them in a row, and if even
  that is not theirs it stays. With ``later_too`` it goes back to before the first of them.
* Memory never is without its things: a control or piston that it needs comes back, as it was last.
* A lock is never opened by taking back, and what is locked is not taken back.
* The making of a bank cannot be taken back, nor a moment before which the past was dropped.
* The owner's bank is no guest's and not removed, whatever is taken back.
* Time is what the clock said: the bank at a time is as before the first moment later than that.
"""

from collections.abc import Collection, Iterable, Iterator, Mapping
from typing import Any

from attrs import define, evolve, field, frozen

from combination.memory import Bank, Combination, Slot

Place = tuple[Any, ...]
"""A place in a bank: what it is, and which: ``("combination", 3, "g1")``, ``("name",)``."""
InIds = dict[Place, Any]
"""A bank as a person sees it: places, with ids in them, and what they hold, in ids too."""
Copy = dict[Place, Any]
"""The same with things instead of ids."""

CARDS = ("control", "piston")
OF_THE_STORE = ("guest", "removed")


class PlainRefusalError(Exception):
    """What was asked for is not done, and nothing is different."""


@frozen
class PlainControl:
    """A stop of a division, and what it was called before."""

    id: str
    division: str
    was: tuple[str, ...] = ()


@frozen
class PlainPiston:
    """A general, a divisional of a division, or a full organ, and what it was called before."""

    id: str
    kind: str
    division: str = ""
    was: tuple[str, ...] = ()


@frozen
class PlainConsole:
    """What a console's memory depends on. Labels are ids in capitals and the console's edition."""

    name: str
    controls: tuple[PlainControl, ...]
    pistons: tuple[PlainPiston, ...]
    levels: int = 2
    stages: int = 0
    edition: str = ""

    def label(self, name: str) -> tuple[str, ...]:
        """What is engraved on a control or a piston."""
        return (name.upper(), self.edition) if self.edition else (name.upper(),)

    def cards(self) -> InIds:
        """Its controls and pistons, described."""
        found: InIds = {
            ("control", each.id): (self.label(each.id), each.division) for each in self.controls
        }
        for piston in self.pistons:
            affects = frozenset(
                control.id
                for control in self.controls
                if piston.kind != "divisional" or control.division == piston.division
            )
            found["piston", piston.id] = (
                self.label(piston.id),
                piston.kind,
                piston.division,
                affects,
            )
        return found


class Thing:
    """A control or a piston: the same one, whatever it is called."""

    def __init__(self, sort: str) -> None:
        self.sort = sort


# ---------------------------------------------------------------- a bank in ids


def in_ids(bank: Bank) -> InIds:
    """A bank as a person sees it. A level in which nothing is said has no place."""
    found: InIds = {
        ("name",): bank.name,
        ("console",): bank.console,
        ("place",): (bank.level, bank.sequence, bank.place),
    }
    if bank.locked:
        found["lock",] = bank.verifier
    for control in bank.controls:
        found["control", control.id] = (control.label, control.division)
    for card in bank.pistons.values():
        found["piston", card.id] = (
            card.label,
            str(card.kind),
            card.division,
            _ids(bank, card.affects),
        )
    for number, level in bank.levels.items():
        if level.name:
            found["level name", number] = level.name
        if level.locked:
            found["level lock", number] = level.verifier
        for piston, (on, neutral) in level.combinations.items():
            found["combination", number, piston] = held_in(bank, Combination(on, neutral))
    for piston, on in bank.full_organs.items():
        found["full organ", piston] = held_in(bank, Combination(on))
    for stage, on in bank.stages.items():
        found["stage", stage] = held_in(bank, Combination(on))
    for name, steps in bank.sequences.items():
        found["sequence", name] = tuple((s.number, s.level, s.piston, s.note) for s in steps)
    assert len({card.id for card in bank.controls}) == len(bank.controls)
    return found


def place_of(slot: Slot) -> Place:
    """A place of memory, in ids."""
    if slot.stage is not None:
        return ("stage", slot.stage)
    if slot.level is None:
        return ("full organ", slot.piston)
    return ("combination", slot.level, slot.piston)


def held_in(bank: Bank, held: Combination | None) -> tuple[frozenset[str], ...] | None:
    """What a place of memory holds, in ids."""
    return None if held is None else tuple(_ids(bank, bits) for bits in held)


def _ids(bank: Bank, bits: int) -> frozenset[str]:
    assert bits >> len(bank.controls) == 0
    return frozenset(card.id for n, card in enumerate(bank.controls) if bits >> n & 1)


def seated(bank: InIds, console: PlainConsole) -> tuple[InIds, dict[tuple[str, str], str]]:
    """A bank brought to a console; and what the console calls otherwise than it did."""
    here = {
        "control": {each.id: each.was for each in console.controls},
        "piston": {each.id: each.was for each in console.pistons},
    }
    steps = {step[2] for place, held in bank.items() if place[0] == "sequence" for step in held}
    renamed: dict[tuple[str, str], str] = {}
    for sort, present in here.items():
        known = {place[1] for place in bank if place[0] == sort}
        known |= steps if sort == "piston" else set()
        for now, was in present.items():
            former = [
                old
                for old in was
                if old in known and old not in present and (sort, old) not in renamed
            ]
            if now not in known and former:
                renamed[sort, former[0]] = now

    def name(sort: str, old: str) -> str:
        return renamed.get((sort, old), old)

    def sets(held: Iterable[frozenset[str]]) -> tuple[frozenset[str], ...]:
        return tuple(frozenset(name("control", each) for each in some) for some in held)

    new = console.cards()
    for place, held in bank.items():
        match place:
            case ("console",):
                new[place] = console.name
            case ("control", old):
                new.setdefault(("control", name("control", old)), held)
            case ("piston", old):
                label, kind, division, affects = held
                kept = (label, kind, division, *sets((affects,)))
                new.setdefault(("piston", name("piston", old)), kept)
            case ("combination", level, piston):
                new["combination", level, name("piston", piston)] = sets(held)
            case ("full organ", piston):
                new["full organ", name("piston", piston)] = sets(held)
            case ("stage", _):
                new[place] = sets(held)
            case ("sequence", _):
                new[place] = tuple(
                    (n, level, name("piston", p), note) for n, level, p, note in held
                )
            case _:
                new[place] = held
    return new, renamed


# ---------------------------------------------------------------- one bank and its past


@define
class Moment:
    """A bank at a moment: the whole of it, when it came to be so, and by what.

    ``number`` is what the living store calls it. ``dropped`` is true of the first that is left
    after a compacting: what was before it is not known.
    """

    cause: str
    by: str
    at: float
    copy: Copy
    number: int = 0
    dropped: bool = False


@frozen
class Change:
    """What a place held before, and then; None: nothing."""

    place: Place
    before: Any
    after: Any


@define
class PlainBank:
    """A bank's moments, and every thing that it ever had, in the order in which they came."""

    moments: list[Moment] = field(factory=list)
    things: dict[Thing, str] = field(factory=dict)
    """With what each is called, or was when it was last there."""
    cards: Copy = field(factory=dict)
    """The last card that each thing had."""
    passed: int = 0
    """How many moments there have been, those that were dropped too."""

    @property
    def now(self) -> Copy:
        return self.moments[-1].copy if self.moments else {}

    @property
    def shown(self) -> InIds:
        return self.shown_at(-1)

    def shown_at(self, moment: int) -> InIds:
        """The bank at a moment, in the ids that it had then; without what the store says of it."""
        copy = self.moments[moment].copy
        names = {place[1]: held[0] for place, held in copy.items() if place[0] in CARDS}
        whole = {change.place: change.after for change in said(_changes({}, copy), names)}
        for place in [place for place in whole if place[0] in CARDS]:
            whole[place] = whole[place][1:]
        return {place: held for place, held in whole.items() if place[0] not in OF_THE_STORE}

    def changes(self, moment: int) -> list[Change]:
        """What is different at a moment from the one before."""
        before = self.moments[moment - 1].copy if moment else {}
        return _changes(before, self.moments[moment].copy)

    def add(self, copy: Copy, cause: str, by: str, at: float) -> bool:
        """Another moment, if anything is different in it."""
        if self.moments and copy == self.now:
            return False
        self.moments.append(Moment(cause, by, at, copy))
        self.passed += 1
        for place, held in copy.items():
            if place[0] in CARDS:
                self.cards[place] = held
                self.things[place[1]] = held[0]
        return True

    # ------------------------------------------------------------ who is who

    def who(
        self, sort: str, new: Collection[str], renamed: Mapping[tuple[str, str], str]
    ) -> dict[str, Thing]:
        """Which things the ids of a new bank mean; an id that means none is not in it."""
        of_sort = [thing for thing in self.things if thing.sort == sort]
        here = [thing for thing in of_sort if (sort, thing) in self.now]
        found = {self.things[thing]: thing for thing in of_sort if thing not in here}
        found |= {self.things[thing]: thing for thing in here}
        found |= {
            now: found.pop(was) for (of, was), now in renamed.items() if of == sort and was in found
        }
        meant = {found[name] for name in new if name in found}
        for moment in reversed(self.moments):
            for place, held in moment.copy.items():
                free = place[0] == sort and place[1] in here and place[1] not in meant
                if free and held[0] in new and held[0] not in found:
                    found[held[0]] = place[1]
                    meant.add(place[1])
        return found

    def remembered(
        self, console: PlainConsole, renamed: Mapping[tuple[str, str], str]
    ) -> PlainConsole:
        """A console that says of what it calls by a former name what that is called now."""

        def told(sort: str, present: tuple[Any, ...]) -> tuple[Any, ...]:
            wanted = {one.id for one in present} - set(renamed.values())
            wanted -= {held[0] for place, held in self.now.items() if place[0] == sort}
            here = [thing for thing in self.things if (sort, thing) in self.now]
            was: dict[str, str] = {}
            for thing in here:
                name = self.now[sort, thing][0]
                if name in {one.id for one in present} or (sort, name) in renamed:
                    continue
                for moment in reversed(self.moments):
                    before = moment.copy.get((sort, thing), ("",))[0]
                    if before in wanted:
                        was[before] = name
                        wanted.remove(before)
                        break
            return tuple(
                evolve(one, was=(*one.was, *([was[one.id]] if one.id in was else [])))
                for one in present
            )

        return evolve(
            console,
            controls=told("control", console.controls),
            pistons=told("piston", console.pistons),
        )

    def in_things(self, bank: InIds, renamed: Mapping[tuple[str, str], str]) -> Copy:
        """A bank that was given in ids, in things: known ones or new ones."""
        names: dict[str, dict[str, Thing]] = {}
        for sort in CARDS:
            new = [place[1] for place in bank if place[0] == sort]
            known = self.who(sort, new, renamed)
            names[sort] = {name: known.get(name) or Thing(sort) for name in new}
            for thing in names[sort].values():
                self.things.setdefault(thing, "")
        controls, pistons = names["control"], names["piston"]
        copy: Copy = {}
        for place, held in bank.items():
            match place:
                case ("control", name):
                    copy["control", controls[name]] = (name, *held)
                case ("piston", name):
                    label, kind, division, affects = held
                    things = frozenset(controls[each] for each in affects)
                    copy["piston", pistons[name]] = (name, label, kind, division, things)
                case ("combination" | "full organ" | "stage", *rest):
                    where = tuple(pistons[part] if isinstance(part, str) else part for part in rest)
                    sets = tuple(frozenset(controls[each] for each in some) for some in held)
                    copy[place[0], *where] = sets
                case _:
                    copy[place] = held
        return copy

    # ------------------------------------------------------------ looking and taking back

    def before(self, at: float) -> int | None:
        """The last moment before the first that is later than a time; None if none is."""
        later = [n for n, moment in enumerate(self.moments) if moment.at > at]
        return len(self.moments) - 1 if not later else later[0] - 1 if later[0] else None

    def between(self, since: float, until: float | None) -> list[int]:
        """The moments after one time and up to another."""
        first, last = self.before(since), len(self.moments) - 1
        if until is not None:
            found = self.before(until)
            last = -1 if found is None else found
        return list(range(0 if first is None else first + 1, last + 1))

    def past(self, places: Collection[Place]) -> Iterator[tuple[int, Change]]:
        """Each change of some places, the newest first, with its moment; none that was dropped."""
        for moment in reversed(range(len(self.moments))):
            if not self.moments[moment].dropped:
                for change in self.changes(moment):
                    if change.place in places:
                        yield moment, change

    def taking_back(
        self, chosen: Collection[int], *, later_too: bool
    ) -> tuple[list[Change], set[Place]]:
        """What goes back if moments are taken back, and the places that others changed since."""
        if any(self.moments[n].dropped or n == 0 for n in chosen):
            raise PlainRefusalError("the beginning")
        back, later = [], set()
        for place in {change.place for n in chosen for change in self.changes(n)}:
            touched = [
                n
                for n in range(min(chosen), len(self.moments))
                if self.moments[n].copy.get(place) != self.moments[n - 1].copy.get(place)
            ]
            in_a_row = list(touched)
            while in_a_row and in_a_row[-1] in chosen:
                in_a_row.pop()
            ours = [n for n in touched if n in chosen]
            latest = touched[len(in_a_row) :]
            if len(latest) < len(ours):
                later.add(place)
            going = ours if later_too else latest
            if going:
                held = self.moments[going[0] - 1].copy.get(place)
                back.append(Change(place, self.now.get(place), held))
        back = [
            change
            for change in back
            if change.before != change.after
            and not ("lock" in change.place[0] and change.before is not None)
        ]
        for change in back:
            if ("lock",) in self.now:
                raise PlainRefusalError("the bank is locked")
            of_level = change.place[0] in ("combination", "level name")
            if of_level and ("level lock", change.place[1]) in self.now:
                raise PlainRefusalError("a level is locked")
        return back, later

    def with_cards(self, copy: Copy) -> Copy:
        """A copy with every thing that its memory needs."""
        whole = dict(copy)
        for sort in reversed(CARDS):  # a piston that comes back may need controls
            for thing in _needed(whole):
                if thing.sort == sort and (sort, thing) not in whole:
                    whole[sort, thing] = self.cards[sort, thing]
        return whole


def _needed(copy: Copy) -> set[Thing]:
    """The things that there must be for what a bank holds."""
    found: set[Thing] = set()
    for place, held in copy.items():
        if place[0] in ("combination", "full organ", "stage"):
            found |= {part for part in place if isinstance(part, Thing)}
            found |= held[0] | held[1]
        elif place[0] == "piston":
            found |= held[-1]
    return found


def _changes(before: Copy, after: Copy) -> list[Change]:
    return [
        Change(place, before.get(place), after.get(place))
        for place in {**before, **after}
        if before.get(place) != after.get(place)
    ]


def said(changes: Iterable[Change], names: Mapping[Thing, str]) -> list[Change]:
    """Changes as they are told to a person: by what things are called."""

    def told(what: Any) -> Any:
        if isinstance(what, Thing):
            return names[what]
        if isinstance(what, frozenset):
            return frozenset(map(told, what))
        return tuple(map(told, what)) if isinstance(what, tuple) else what

    return [Change(*map(told, (each.place, each.before, each.after))) for each in changes]


# ---------------------------------------------------------------- the store


@define
class Session:
    """A console being played: its bank, and what it knew of it when it was switched on."""

    bank: int
    names: dict[tuple[str, str], Thing]
    cards: InIds
    place: Any


@define
class PlainStore:
    """Banks by their numbers, and which of them are on the desk and the owner's."""

    banks: dict[int, PlainBank] = field(factory=dict)
    desk: int | None = None
    owner: int | None = None

    def add(self, bank: InIds, guest: bool, by: str, at: float) -> None:
        number = len(self.banks) + 1
        self._check_name(number, bank["name",])
        new = self.banks[number] = PlainBank()
        copy = new.in_things(bank, {}) | ({("guest",): True} if guest else {})
        new.add(copy, "made", by, at)
        if not guest:
            self.owner = self.owner or number
            self.desk = self.desk or number

    def write(
        self,
        number: int,
        new: InIds,
        cause: str,
        by: str,
        at: float,
        renamed: Mapping[tuple[str, str], str] | None = None,
    ) -> bool:
        """Let a bank be as given; whether anything of it is different."""
        self._check_name(number, new["name",])
        bank = self.banks[number]
        kept = {place: held for place, held in bank.now.items() if place[0] in OF_THE_STORE}
        return bank.add(bank.in_things(new, renamed or {}) | kept, cause, by, at)

    def update(self, number: int, console: PlainConsole, by: str, at: float) -> None:
        """Bring a bank to its console; what that calls by a former name of it is it."""
        bank = self.banks[number]
        _, renamed = seated(bank.shown, console)
        new, renamed = seated(bank.shown, bank.remembered(console, renamed))
        self.write(number, new, "console", by or console.name, at, renamed)

    def flag(self, number: int, what: str, on: bool, cause: str, at: float) -> None:
        """Let the store say something of a bank, or no more."""
        bank = self.banks[number]
        copy = {place: held for place, held in bank.now.items() if place != (what,)}
        bank.add(copy | ({(what,): True} if on else {}), cause, "", at)

    def has(self, number: int, what: str) -> bool:
        return (what,) in self.banks[number].now

    def remove(self, number: int, at: float) -> None:
        if number == self.owner:
            raise PlainRefusalError("the owner's")
        self.flag(number, "removed", True, "removed", at)
        if self.desk == number:
            self.desk = self.owner

    def bring_back(self, number: int, at: float) -> None:
        self._check_name(number, self.banks[number].now["name",])
        self.flag(number, "removed", False, "brought back", at)

    def take_up(self, number: int) -> None:
        self._check_here(number)
        self.desk = number

    def give_to(self, number: int, at: float) -> None:
        self._check_here(number)
        self.flag(number, "guest", False, "guest", at)
        self.owner = number
        self.desk = self.desk or number

    def set_guest(self, number: int, guest: bool, at: float) -> None:
        self._check_here(number)
        if guest and number == self.owner:
            raise PlainRefusalError("the owner")
        self.flag(number, "guest", guest, "guest", at)

    def switch_on(self, console: PlainConsole, at: float) -> int:
        if self.desk is None:
            raise PlainRefusalError("no bank")
        if self.has(self.desk, "guest") and self.owner is not None:
            self.desk = self.owner
        self.update(self.desk, console, "", at)
        return self.desk

    def take_back(self, number: int, back: Iterable[Change], by: str, at: float) -> bool:
        """Change back what goes back; whether anything is different."""
        bank = self.banks[number]
        copy = dict(bank.now)
        for change in back:
            copy.pop(change.place, None)
            if change.after is not None:
                copy[change.place] = change.after
        copy = bank.with_cards(copy)
        for sort in CARDS:
            names = [held[0] for place, held in copy.items() if place[0] == sort]
            if len(names) > len(set(names)):
                raise PlainRefusalError("two of the same id")
        self._check_name(number, copy["name",])
        if number == self.owner and {("guest",), ("removed",)} & copy.keys():
            raise PlainRefusalError("the owner's")
        done = bank.add(copy, "taken back", by, at)
        if self.desk == number and ("removed",) in copy:
            self.desk = self.owner
        return done

    def compact(self, number: int, last: int) -> None:
        """Drop what a bank was before a moment."""
        moments = self.banks[number].moments
        del moments[:last]
        moments[0].cause, moments[0].by, moments[0].dropped = "compacted", "", True

    def _check_name(self, number: int, name: str) -> None:
        others = [
            bank.now["name",].casefold()
            for other, bank in self.banks.items()
            if other != number and ("removed",) not in bank.now
        ]
        if not name.strip() or name.casefold() in others:
            raise PlainRefusalError("a name")

    def _check_here(self, number: int) -> None:
        if self.has(number, "removed"):
            raise PlainRefusalError("removed")

    # ------------------------------------------------------------ while a console is played

    def session(self, number: int) -> Session:
        """Switch on, with a bank that has just been brought to its console."""
        bank = self.banks[number]
        names = {(p[0], held[0]): p[1] for p, held in bank.now.items() if p[0] in CARDS}
        cards = {place: held for place, held in bank.shown.items() if place[0] in CARDS}
        return Session(number, names, cards, bank.now["place",])

    def keep(
        self, session: Session, place: Place, held: Any, cause: str, by: str, at: float
    ) -> None:
        """A change that the console made, in ids as it knows them.

        Another program may have changed the bank since switch-on. A thing is the one of then if
        it is there; or else what is called so now; or else the one of then comes back.
        """
        bank = self.banks[session.bank]
        called = {(p[0], what[0]): p[1] for p, what in bank.now.items() if p[0] in CARDS}

        def thing(sort: str, name: str) -> Thing:
            known = session.names[sort, name]
            return known if (sort, known) in bank.now else called.get((sort, name), known)

        def things(names: Iterable[str]) -> frozenset[Thing]:
            return frozenset(thing("control", name) for name in names)

        kind, *where = place
        place = (kind, *(thing("piston", p) if isinstance(p, str) else p for p in where))
        copy = {other: what for other, what in bank.now.items() if other != place}
        if held is not None:
            copy[place] = tuple(map(things, held))
        whole = dict(copy)
        for sort in reversed(CARDS):  # a piston that comes back may need controls
            needed = _needed(whole)
            for (of, name), (*about, last) in session.cards.items():
                each = thing(of, name)
                if of == sort and each in needed and (sort, each) not in whole:
                    whole[sort, each] = (name, *about, things(last) if sort == "piston" else last)
        missing = {other: what for other, what in whole.items() if other not in copy}
        bank.add({**bank.now, **missing}, "console", "", at)
        bank.add(whole, cause, by, at)

    def left_off(self, session: Session, place: Any, at: float) -> None:
        bank = self.banks[session.bank]
        if place != session.place:
            session.place = place
            bank.add({**bank.now, ("place",): place}, "left off", "", at)
