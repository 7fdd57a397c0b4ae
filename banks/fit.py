"""How a bank fits a console: what of its memory will not be heard there, and what is new.

The outcome is that of `combination.memory.seat`, which loses nothing; this only compares it
with what there was. Nothing is changed, and nothing is printed here.
"""

from collections import Counter
from collections.abc import Iterable, Sequence

from attrs import frozen

from combination.memory import Bank, ControlCard, PistonCard, Renames, Step, renames, seat
from combination.model import RECALLING, STEPPED_TO, Console, Control, Kind, Piston
from combination.registration import Roster, translate

_REMEMBERED = RECALLING | {Kind.FULL_ORGAN}
"""The kinds of piston that memory belongs to."""


@frozen
class ControlGone:
    """A control that the console does not have, and in how many combinations and lists it is on."""

    card: ControlCard
    on_in: int


@frozen
class PistonGone:
    """A piston whose combinations nothing on the console recalls, and how many they are."""

    card: PistonCard
    combinations: int


@frozen
class Renamed:
    """A control or a piston that the console calls by another id: both, and its label now."""

    was: str
    now: str
    face: str


@frozen
class RangeChanged:
    """A piston that affects other controls than it did, of those that bank and console share.

    ``unheard`` is in how many of its combinations a control is on that it no longer affects.
    """

    piston: PistonCard
    no_longer: tuple[str, ...]
    newly: tuple[str, ...]
    unheard: int


@frozen
class OutOfRange:
    """A piston, and controls of the console that are on in its combinations but not affected.

    ``unheard`` is in how many of its combinations one of them is on. What it affected before,
    and no longer does, is in its `RangeChanged` instead.
    """

    piston: PistonCard
    controls: tuple[str, ...]
    unheard: int


@frozen
class LevelBeyond:
    """A level that the console does not reach, and how many combinations it has."""

    number: int
    name: str
    combinations: int


@frozen
class StepMisfit:
    """A step of a sequence that the console would refuse: for its level, its piston, or both."""

    sequence: str
    step: Step
    level_beyond: bool
    piston_unknown: bool


@frozen
class Fit:
    """What becomes of a bank on a console.

    ``bank`` is the bank as it will be there, everything kept. Controls that are new are off in
    every old combination that affects them. ``full_organs`` and ``stages`` are those whose
    lists will not be heard.
    """

    bank: Bank
    controls_gone: tuple[ControlGone, ...]
    controls_new: tuple[ControlCard, ...]
    controls_renamed: tuple[Renamed, ...]
    pistons_gone: tuple[PistonGone, ...]
    pistons_new: tuple[PistonCard, ...]
    pistons_renamed: tuple[Renamed, ...]
    ranges_changed: tuple[RangeChanged, ...]
    out_of_range: tuple[OutOfRange, ...]
    levels_beyond: tuple[LevelBeyond, ...]
    steps: tuple[StepMisfit, ...]
    full_organs: tuple[PistonCard, ...]
    stages: tuple[int, ...]

    @property
    def complete(self) -> bool:
        """Whether everything that the bank remembers will be heard on the console."""
        return not (
            any(gone.on_in for gone in self.controls_gone)
            or any(gone.combinations for gone in self.pistons_gone)
            or any(changed.unheard for changed in self.ranges_changed)
            or self.out_of_range
            or self.levels_beyond
            or self.steps
            or self.full_organs
            or self.stages
        )


def fit_to(bank: Bank, console: Console) -> Fit:
    """How a bank fits a console. The bank is not changed."""
    seated = seat(bank, console)
    renamed = renames(bank, console)
    known_controls = {card.id for card in bank.controls} | set(renamed.controls.values())
    known_pistons = set(bank.pistons) | set(renamed.pistons.values())
    here = len(console.controls)
    kinds = {piston.id: piston.kind for piston in console.pistons}
    changed = _ranges_changed(bank, seated, here, renamed)
    return Fit(
        bank=seated,
        controls_gone=_controls_gone(seated, here),
        controls_new=tuple(c for c in seated.controls[:here] if c.id not in known_controls),
        controls_renamed=_renamed(renamed.controls, console.controls),
        pistons_gone=_pistons_gone(seated, kinds),
        pistons_new=tuple(p for p in seated.pistons.values() if p.id not in known_pistons),
        pistons_renamed=_renamed(renamed.pistons, console.pistons),
        ranges_changed=changed,
        out_of_range=_out_of_range(seated, here, kinds, changed),
        levels_beyond=tuple(
            LevelBeyond(number, level.name, len(level.combinations))
            for number, level in sorted(seated.levels.items())
            if number > console.levels and not level.blank
        ),
        steps=_step_misfits(seated, console.levels, kinds),
        full_organs=tuple(
            seated.pistons[piston]
            for piston in seated.full_organs
            if kinds.get(piston) is not Kind.FULL_ORGAN
        ),
        stages=tuple(
            sorted(stage for stage in seated.stages if stage > len(console.crescendo.stages))
        ),
    )


def _renamed(
    renamed: dict[str, str], present: Sequence[Control] | Sequence[Piston]
) -> tuple[Renamed, ...]:
    """Each thing that has another id now, with its label, in the console's order."""
    former = {now: was for was, now in renamed.items()}
    return tuple(
        Renamed(former[thing.id], thing.id, thing.face) for thing in present if thing.id in former
    )


def _controls_gone(seated: Bank, here: int) -> tuple[ControlGone, ...]:
    """What the seated bank keeps behind the console's own controls."""
    gone = (1 << len(seated.controls)) - (1 << here)
    remembered = [c.on for level in seated.levels.values() for c in level.combinations.values()]
    remembered += [*seated.full_organs.values(), *seated.stages.values()]
    counts = _counts(bits & gone for bits in remembered)
    return tuple(
        ControlGone(card, sum((count >> place & 1) << power for power, count in enumerate(counts)))
        for place, card in enumerate(seated.controls[here:], here)
    )


def _counts(registrations: Iterable[int]) -> list[int]:
    """In how many registrations each bit is set.

    All bits are counted at once, in binary: the first integer holds the ones of every count,
    the second the twos, and so on. (A hundred thousand combinations of a bank restored to
    another console, where every control is gone, take no longer than any others.)
    """
    counts: list[int] = []
    for carry in registrations:
        for power, count in enumerate(counts):
            if not carry:
                break
            counts[power], carry = count ^ carry, count & carry
        if carry:
            counts.append(carry)
    return counts


def _pistons_gone(seated: Bank, kinds: dict[str, Kind]) -> tuple[PistonGone, ...]:
    """Pistons that are not on the console, or that recall no combinations there."""
    set_at = Counter(piston for level in seated.levels.values() for piston in level.combinations)
    return tuple(
        PistonGone(card, set_at[piston])
        for piston, card in seated.pistons.items()
        if kinds.get(piston) not in (RECALLING if set_at[piston] else _REMEMBERED)
    )


def _ranges_changed(
    bank: Bank, seated: Bank, here: int, renamed: Renames
) -> tuple[RangeChanged, ...]:
    before = Roster(renamed.controls.get(card.id, card.id) for card in bank.controls)
    after = seated.roster
    runs = before.translation(after)
    shared = translate(before.everything, runs) & ((1 << here) - 1)
    found = []
    for id_, card in bank.pistons.items():
        piston = seated.pistons[renamed.pistons.get(id_, id_)]
        affected, affects = translate(card.affects, runs) & shared, piston.affects & shared
        if affected != affects:
            lost = affected & ~affects
            found.append(
                RangeChanged(
                    piston,
                    tuple(after.registration(lost)),
                    tuple(after.registration(affects & ~affected)),
                    _unheard(seated, piston.id, lost),
                )
            )
    return tuple(found)


def _out_of_range(
    seated: Bank, here: int, kinds: dict[str, Kind], changed: tuple[RangeChanged, ...]
) -> tuple[OutOfRange, ...]:
    """What pistons would turn on if they affected it, beyond what they affected before."""
    ever_on = dict.fromkeys((id_ for id_, kind in kinds.items() if kind in RECALLING), 0)
    for level in seated.levels.values():
        for id_, combination in level.combinations.items():
            if id_ in ever_on:
                ever_on[id_] |= combination.on
    roster = seated.roster
    told = {each.piston.id: roster.bits(each.no_longer) for each in changed}
    found = []
    for id_, on in ever_on.items():
        piston = seated.pistons[id_]
        kept = on & ((1 << here) - 1) & ~piston.affects & ~told.get(id_, 0)
        if kept:
            controls = tuple(roster.registration(kept))
            found.append(OutOfRange(piston, controls, _unheard(seated, id_, kept)))
    return tuple(found)


def _unheard(seated: Bank, piston: str, controls: int) -> int:
    """In how many of a piston's combinations one of some controls is on."""
    return sum(
        bool(level.combinations[piston].on & controls)
        for level in seated.levels.values()
        if piston in level.combinations
    )


def _step_misfits(seated: Bank, levels: int, kinds: dict[str, Kind]) -> tuple[StepMisfit, ...]:
    judged = (
        StepMisfit(name, step, step.level > levels, kinds.get(step.piston) not in STEPPED_TO)
        for name, steps in seated.sequences.items()
        for step in steps
    )
    return tuple(misfit for misfit in judged if misfit.level_beyond or misfit.piston_unknown)
