"""A bank moved to another console, set beside another bank, and edited away from the console.

Each is checked by example, with every value spelled out, and by hypothesis against plain sets.
"""

import random
from collections import Counter
from collections.abc import Callable
from copy import deepcopy
from decimal import Decimal

import pytest
from attrs import evolve
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from banks import BankEditError, BankFile, Comparison, compare, decode, editing, encode, fit_to
from banks.comparing import (
    ControlDiffers,
    Differs,
    LevelDiffers,
    MemoryDiffers,
    PistonDiffers,
    SequenceDiffers,
)
from banks.fit import (
    ControlGone,
    LevelBeyond,
    OutOfRange,
    PistonGone,
    RangeChanged,
    Renamed,
    StepMisfit,
)
from combination.memory import (
    Bank,
    Combination,
    ControlCard,
    Level,
    PistonCard,
    Slot,
    Step,
    fresh_bank,
    seat,
)
from combination.model import (
    Action,
    Console,
    Crescendo,
    Division,
    Kind,
    Piston,
    Selection,
    Stage,
    Stop,
    Tremulant,
)
from tests.bank_strategies import banks as any_bank
from tests.bank_strategies import banks_of, consoles


def before() -> Console:
    """A chapel organ, as it was when the bank was made."""
    return Console(
        format=1,
        name="Quay Chapel",
        action=Action.LIT,
        levels=10,
        divisions=(Division("great", "Great"), Division("pedal", "Pedal")),
        stops=(
            Stop(id="flute", label=("Flute", "8'"), division="great"),
            Stop(id="horn", label=("Horn",), division="great"),
            Stop(id="bourdon", label=("Bourdon",), division="pedal"),
        ),
        tremulants=(Tremulant(id="trem", label=("Tremulant",)),),
        pistons=(
            Piston(id="g1", label=("1",), kind=Kind.GENERAL),
            Piston(id="g2", label=("2",), kind=Kind.GENERAL),
            Piston(id="gt1", label=("Great 1",), kind=Kind.DIVISIONAL, division="great"),
            Piston(id="fo", label=("Tutti",), kind=Kind.FULL_ORGAN),
            Piston(id="fo2", label=("Full",), kind=Kind.FULL_ORGAN),
            Piston(id="rev", label=("Trem",), kind=Kind.REVERSIBLE, control="trem"),
        ),
        crescendo=Crescendo(stages=(Stage(),) * 3),
    )


def after() -> Console:
    """The same, rebuilt.

    The horn is gone and a reed is new; the bourdon has a new id, and so has the first general.
    The second general has become a pedal divisional, one full organ a general, and the
    reversible is gone.
    """
    return Console(
        format=1,
        name="Quay Chapel, rebuilt",
        action=Action.LIT,
        levels=2,
        divisions=(Division("great", "Great"), Division("pedal", "Pedal")),
        stops=(
            Stop(id="reed", label=("Reed",), division="great"),
            Stop(id="subbass", label=("Subbass",), division="pedal", was=("bourdon",)),
            Stop(id="flute", label=("Flute", "8'"), division="great"),
        ),
        tremulants=(Tremulant(id="trem", label=("Tremulant",)),),
        pistons=(
            Piston(id="gen1", label=("I",), kind=Kind.GENERAL, was=("g1",)),
            Piston(id="g2", label=("2",), kind=Kind.DIVISIONAL, division="pedal"),
            Piston(
                id="gt1",
                label=("Great 1",),
                kind=Kind.DIVISIONAL,
                division="great",
                affects=Selection(controls=("flute", "reed", "trem")),
            ),
            Piston(id="fo", label=("Tutti",), kind=Kind.FULL_ORGAN),
            Piston(id="fo2", label=("Full",), kind=Kind.GENERAL),
            Piston(id="g3", label=("3",), kind=Kind.GENERAL),
        ),
        crescendo=Crescendo(stages=(Stage(),)),
    )


def johanna() -> Bank:
    """A bank of the organ as it was."""
    bank = fresh_bank(before(), "Johanna")
    on = bank.roster.bits
    bank.put(Slot("g1", 1), Combination(on(["flute", "horn"]), on(["trem"])))
    bank.put(Slot("g1", 2), Combination(on(["bourdon"])))
    bank.put(Slot("g2", 1), Combination(on(["flute", "bourdon"])))
    bank.put(Slot("g2", 2), Combination(on(["bourdon"])))
    bank.put(Slot("gt1", 5), Combination(on(["flute", "horn"])))
    bank.put(Slot("fo"), Combination(on(["flute", "horn", "bourdon"])))
    bank.put(Slot("fo2"), Combination(on(["flute"])))
    bank.put(Slot(stage=1), Combination(on(["flute"])))
    bank.put(Slot(stage=3), Combination(on(["horn"])))
    bank.levels[5].name = "Easter"
    bank.levels[7] = Level()
    bank.sequences = {
        "Vespers": (
            Step(Decimal(1), 1, "g1"),
            Step(Decimal(2), 5, "gt1", "verse 2"),
            Step(Decimal("2.5"), 2, "rev"),
        )
    }
    return bank


def memory(bank: Bank) -> dict[Slot, tuple[frozenset[str], frozenset[str]]]:
    """All that a bank remembers, as plain sets of ids."""

    def ids(bits: int) -> frozenset[str]:
        return frozenset(card.id for n, card in enumerate(bank.controls) if bits >> n & 1)

    found = {
        Slot(piston, number): (ids(combination.on), ids(combination.neutral))
        for number, level in bank.levels.items()
        for piston, combination in level.combinations.items()
    }
    found |= {Slot(piston): (ids(on), frozenset()) for piston, on in bank.full_organs.items()}
    found |= {Slot(stage=n): (ids(on), frozenset()) for n, on in bank.stages.items()}
    return found


# ---------------------------------------------------------------- how a bank fits a console


def test_what_a_rebuilt_console_does_to_a_bank() -> None:
    bank = johanna()
    found = fit_to(bank, after())
    assert bank == johanna()
    assert found.bank == seat(bank, after())
    cards = found.bank.pistons
    assert found.controls_gone == (ControlGone(ControlCard("horn", ("Horn",), "Great"), 4),)
    assert found.controls_new == (ControlCard("reed", ("Reed",), "Great"),)
    assert found.controls_renamed == (Renamed("bourdon", "subbass", "Subbass"),)
    assert found.pistons_gone == ()
    assert found.pistons_new == (cards["g3"],)
    assert found.pistons_renamed == (Renamed("g1", "gen1", "I"),)
    assert found.ranges_changed == (
        RangeChanged(cards["g2"], ("flute", "trem"), (), 1),
        RangeChanged(cards["gt1"], (), ("trem",), 0),
    )
    assert found.out_of_range == ()
    assert found.levels_beyond == (LevelBeyond(5, "Easter", 1),)
    vespers = bank.sequences["Vespers"]
    assert found.steps == (
        StepMisfit("Vespers", vespers[1], level_beyond=True, piston_unknown=False),
        StepMisfit("Vespers", vespers[2], level_beyond=False, piston_unknown=True),
    )
    assert found.full_organs == (cards["fo2"],)
    assert found.stages == (3,)
    assert not found.complete


def test_what_is_on_out_of_a_piston_s_range() -> None:
    """It is told apart from what the piston affected before: that is in the change alone."""
    bank = johanna()
    on = bank.roster.bits
    bank.put(Slot("gt1", 1), Combination(on(["flute", "bourdon", "trem"])))
    bank.put(Slot("gt1", 2), Combination(on(["bourdon"])))
    bank.put(Slot("gt1", 3), Combination(on(["horn"])))
    console = before()
    found = fit_to(bank, console)
    gt1 = bank.pistons["gt1"]
    assert found.out_of_range == (OutOfRange(gt1, ("bourdon", "trem"), 2),)
    assert found.ranges_changed == ()
    assert not found.complete
    only_flute = tuple(
        evolve(piston, affects=Selection(controls=("flute",))) if piston.id == "gt1" else piston
        for piston in console.pistons
    )
    found = fit_to(bank, evolve(console, pistons=only_flute))
    gt1 = found.bank.pistons["gt1"]
    assert found.ranges_changed == (RangeChanged(gt1, ("horn",), (), 2),)
    assert found.out_of_range == (OutOfRange(gt1, ("bourdon", "trem"), 2),)
    again = fit_to(found.bank, evolve(console, pistons=only_flute))
    assert again.ranges_changed == ()
    assert again.out_of_range == (OutOfRange(gt1, ("horn", "bourdon", "trem"), 4),)


def test_gone_pistons() -> None:
    """A piston that is no longer there, and one that recalls no combinations any more."""
    console = evolve(
        before(),
        pistons=tuple(
            evolve(piston, kind=Kind.FULL_ORGAN) if piston.id == "g2" else piston
            for piston in before().pistons
            if piston.id not in ("gt1", "fo")
        ),
    )
    found = fit_to(johanna(), console)
    cards = found.bank.pistons
    assert found.pistons_gone == (
        PistonGone(cards["g2"], 2),
        PistonGone(cards["gt1"], 1),
        PistonGone(cards["fo"], 0),
    )
    assert found.full_organs == (cards["fo"],)
    assert not found.complete


@pytest.mark.parametrize(
    "unheard",
    [
        evolve(before(), stops=before().stops[1:]),
        evolve(before(), pistons=before().pistons[1:]),
        evolve(
            before(),
            pistons=(
                evolve(before().pistons[0], affects=Selection(divisions=("pedal",))),
                *before().pistons[1:],
            ),
        ),
        evolve(before(), levels=4),
        evolve(before(), pistons=before().pistons[:-1]),
        evolve(before(), pistons=tuple(p for p in before().pistons if p.id != "fo2")),
        evolve(before(), crescendo=Crescendo(stages=(Stage(),) * 2)),
    ],
)
def test_a_bank_that_is_not_heard_whole_does_not_fit(unheard: Console) -> None:
    assert fit_to(johanna(), before()).complete
    assert not fit_to(johanna(), unheard).complete


def test_what_is_new_or_forgotten_does_not_keep_a_bank_from_fitting() -> None:
    """New things, new names, and a gone control that is on nowhere."""
    console = evolve(
        before(),
        stops=(Stop(id="reed", label=("Reed",)), *before().stops),
        tremulants=(),
        pistons=(*before().pistons[:-1], Piston(id="g9", label=("9",), kind=Kind.GENERAL)),
    )
    bank = johanna()
    bank.sequences.clear()
    found = fit_to(bank, console)
    assert found.controls_gone == (ControlGone(ControlCard("trem", ("Tremulant",)), 0),)
    assert [card.id for card in found.controls_new] == ["reed"]
    assert [card.id for card in found.pistons_new] == ["g9"]
    assert found.ranges_changed == ()
    assert found.complete


@given(st.data(), consoles())
@settings(deadline=None)
def test_a_bank_fits_its_own_console(data: st.DataObject, console: Console) -> None:
    bank = data.draw(banks_of(console))
    bank.sequences.clear()
    found = fit_to(bank, console)
    in_range = all(
        not combination.on & ~bank.pistons[piston].affects
        for level in bank.levels.values()
        for piston, combination in level.combinations.items()
    )
    assert found.complete == in_range
    assert found.bank == bank
    assert not any((found.controls_new, found.controls_gone, found.pistons_new))
    assert not any((found.pistons_gone, found.ranges_changed))


@given(st.data(), consoles(), consoles())
@settings(deadline=None)
def test_nothing_is_lost_on_the_way_there_and_back(
    data: st.DataObject, here: Console, there: Console
) -> None:
    bank = data.draw(banks_of(here))
    untouched = deepcopy(bank)
    found = fit_to(bank, there)
    assert bank == untouched
    assert memory(found.bank) == memory(bank)
    back = fit_to(found.bank, here).bank
    difference = compare(bank, back)
    assert evolve(difference, controls=(), pistons=()).equal
    assert memory(back) == memory(bank)
    assert memory(decode(encode(BankFile(found.bank))).bank) == memory(bank)
    new = {card.id for card in found.controls_new}
    assert not any(new & (on | neutral) for on, neutral in memory(found.bank).values())


@given(st.data(), consoles(), consoles())
@settings(deadline=None)
def test_a_fit_told_by_plain_sets(data: st.DataObject, here: Console, there: Console) -> None:
    bank = data.draw(banks_of(here))
    found = fit_to(bank, there)
    ids = {control.id for control in there.controls}
    known = {control.id for control in here.controls}
    held = memory(bank)
    assert {gone.card.id: gone.on_in for gone in found.controls_gone} == {
        id_: sum(id_ in on for on, _ in held.values()) for id_ in known - ids
    }
    assert {card.id for card in found.controls_new} == ids - known
    kinds = {piston.id: piston.kind for piston in there.pistons}
    set_at = Counter(slot.piston for slot in held if slot.level is not None)
    for gone in found.pistons_gone:
        assert gone.combinations == set_at[gone.card.id]
    for changed in found.ranges_changed:
        id_ = changed.piston.id
        assert changed.unheard == sum(
            not on.isdisjoint(changed.no_longer)
            for slot, (on, _) in held.items()
            if slot.piston == id_ and slot.level is not None
        )
        ours = set(bank.roster.registration(bank.pistons[id_].affects))
        theirs = set(found.bank.roster.registration(changed.piston.affects))
        assert set(changed.no_longer) == (ours - theirs) & ids
        assert set(changed.newly) == (theirs - ours) & known
    recalled = (Kind.GENERAL, Kind.DIVISIONAL)
    told = {changed.piston.id: set(changed.no_longer) for changed in found.ranges_changed}
    out: dict[str, list[set[str]]] = {}
    for slot, (on, _) in held.items():
        id_ = slot.piston or ""
        if slot.level is not None and kinds.get(id_) in recalled:
            affects = found.bank.roster.registration(found.bank.pistons[id_].affects)
            kept = {control for control in on if control in ids and control not in affects}
            out.setdefault(id_, []).append(kept - told.get(id_, set()))
    assert {each.piston.id: (set(each.controls), each.unheard) for each in found.out_of_range} == {
        id_: (set[str]().union(*sets), sum(map(bool, sets)))
        for id_, sets in out.items()
        if any(sets)
    }
    heard_whole = (
        all(on <= ids for on, _ in held.values())
        and all(kinds.get(piston or "") in recalled for piston in set_at)
        and not any(changed.unheard for changed in found.ranges_changed)
        and not found.out_of_range
        and all(slot.level <= there.levels for slot in held if slot.level is not None)
        and all(kinds.get(p) is Kind.FULL_ORGAN for p in bank.full_organs)
        and all(stage <= len(there.crescendo.stages) for stage in bank.stages)
        and all(
            step.level <= there.levels
            and kinds.get(step.piston) in (*recalled, Kind.FULL_ORGAN, Kind.GENERAL_CANCEL)
            for steps in bank.sequences.values()
            for step in steps
        )
    )
    assert found.complete == heard_whole


@given(st.data(), consoles(), st.sets(st.integers(0, 11)))
@settings(deadline=None)
def test_renamed_controls_bring_their_memory(
    data: st.DataObject, console: Console, some: set[int]
) -> None:
    """Renamed and back again, the bank is what it was."""
    bank = data.draw(banks_of(console))
    names = {stop.id: f"new-{stop.id}" for n, stop in enumerate(console.stops) if n in some}
    stops = [evolve(s, id=names.get(s.id, s.id), was=(s.id,)) for s in console.stops]
    pistons = [evolve(piston, affects=None) for piston in console.pistons]
    renamed = evolve(console, stops=tuple(reversed(stops)), pistons=tuple(pistons))
    found = fit_to(bank, renamed)
    assert {(each.was, each.now) for each in found.controls_renamed} == set(names.items())
    assert not found.controls_gone
    assert not found.controls_new
    assert memory(found.bank) == {
        slot: (
            frozenset(names.get(id_, id_) for id_ in on),
            frozenset(names.get(id_, id_) for id_ in neutral),
        )
        for slot, (on, neutral) in memory(bank).items()
    }
    formerly = {name: old for old, name in names.items()}
    once_more = evolve(
        console,
        stops=tuple(evolve(s, was=(names.get(s.id, s.id),)) for s in console.stops),
    )
    back = fit_to(found.bank, once_more)
    assert {(each.was, each.now) for each in back.controls_renamed} == set(formerly.items())
    assert back.bank == bank


def test_an_old_name_is_taken_over_once() -> None:
    """By the first that says so and is itself new; the others have their own memory, or none."""
    claims = (
        Stop(id="flute", label=("Flute",), was=("bourdon",)),
        Stop(id="subbass", label=("Subbass",), was=("bourdon",)),
        Stop(id="contra", label=("Contra",), was=("bourdon", "horn")),
        Stop(id="violone", label=("Violone",), was=("bourdon",)),
    )
    found = fit_to(johanna(), evolve(before(), stops=claims))
    assert found.controls_renamed == (
        Renamed("bourdon", "subbass", "Subbass"),
        Renamed("horn", "contra", "Contra"),
    )
    assert [card.id for card in found.controls_new] == ["violone"]
    assert not found.controls_gone
    assert memory(found.bank)[Slot("g2", 1)] == (frozenset({"flute", "subbass"}), frozenset())


def test_a_control_that_comes_back_is_found_as_it_was() -> None:
    """The horn is taken out, another control put in, and the horn brought back by its old id."""
    gone = seat(johanna(), after())
    assert [card.id for card in gone.controls] == ["reed", "subbass", "flute", "trem", "horn"]
    console = evolve(
        after(), stops=(*after().stops, Stop(id="horn", label=("French Horn",), division="great"))
    )
    found = fit_to(gone, console)
    assert not found.controls_gone
    assert not found.controls_new
    assert found.bank.controls[3] == ControlCard("horn", ("French Horn",), "Great")
    assert memory(found.bank)[Slot("gen1", 1)] == (
        frozenset({"flute", "horn"}),
        frozenset({"trem"}),
    )
    assert memory(found.bank)[Slot(stage=3)] == (frozenset({"horn"}), frozenset())


# ---------------------------------------------------------------- two banks side by side


def mirrored(comparison: Comparison) -> Comparison:
    """What the comparison would be, were the banks taken the other way round."""
    return Comparison(
        about=tuple(Differs(d.what, d.second, d.first) for d in comparison.about),
        controls=tuple(ControlDiffers(d.id, d.second, d.first) for d in comparison.controls),
        pistons=tuple(
            PistonDiffers(d.id, d.second, d.first, d.affected_second, d.affected_first)
            for d in comparison.pistons
        ),
        levels=tuple(
            LevelDiffers(d.number, d.name_second, d.name_first, d.locked_second, d.locked_first)
            for d in comparison.levels
        ),
        memory=tuple(
            MemoryDiffers(
                d.slot,
                d.set_second,
                d.set_first,
                d.on_second,
                d.on_first,
                d.neutral_second,
                d.neutral_first,
            )
            for d in comparison.memory
        ),
        sequences=tuple(
            SequenceDiffers(
                d.name,
                d.known_second,
                d.known_first,
                tuple((theirs, ours) for ours, theirs in d.steps),
            )
            for d in comparison.sequences
        ),
    )


def unordered(comparison: Comparison) -> list[set[object]]:
    """The differences, without their order, nor that of the controls in them."""

    def loose(differs: MemoryDiffers) -> object:
        return (
            differs.slot,
            differs.set_first,
            differs.set_second,
            frozenset(differs.on_first),
            frozenset(differs.on_second),
            frozenset(differs.neutral_first),
            frozenset(differs.neutral_second),
        )

    return [
        set(comparison.about),
        set(comparison.controls),
        {(d.id, d.first, d.second, frozenset(d.affected_first)) for d in comparison.pistons},
        set(comparison.levels),
        set(map(loose, comparison.memory)),
        set(comparison.sequences),
    ]


@given(any_bank(), st.randoms(use_true_random=False))
@settings(deadline=None)
def test_equal_banks_do_not_differ(bank: Bank, chance: random.Random) -> None:
    assert compare(bank, deepcopy(bank)) == Comparison()
    assert compare(bank, decode(encode(BankFile(bank))).bank).equal
    order = list(range(len(bank.controls)))
    chance.shuffle(order)

    def moved(bits: int) -> int:
        return sum((bits >> old & 1) << new for new, old in enumerate(order))

    other = Bank(
        console=bank.console,
        controls=tuple(bank.controls[old] for old in order),
        pistons={
            id_: evolve(card, affects=moved(card.affects)) for id_, card in bank.pistons.items()
        },
        name=bank.name,
        locked=bank.locked,
        levels={
            number: Level(
                level.name,
                level.locked,
                {p: Combination(moved(on), moved(n)) for p, (on, n) in level.combinations.items()},
            )
            for number, level in reversed(bank.levels.items())
            if not level.blank
        },
        full_organs={piston: moved(on) for piston, on in bank.full_organs.items()},
        stages={stage: moved(on) for stage, on in bank.stages.items()},
        sequences=bank.sequences,
        level=bank.level,
        sequence=bank.sequence,
        place=bank.place,
    )
    comparison = compare(bank, other)
    assert comparison == Comparison()
    assert comparison.equal


@given(st.data(), consoles(), consoles())
@settings(deadline=None)
def test_differences_told_by_plain_sets(data: st.DataObject, here: Console, there: Console) -> None:
    first, second = data.draw(banks_of(here)), data.draw(banks_of(there))
    comparison = compare(first, second)
    ours, theirs = memory(first), memory(second)
    nothing = (frozenset[str](), frozenset[str]())
    expected = set()
    for slot in ours.keys() | theirs.keys():
        (on, neutral), (other_on, other_neutral) = (
            ours.get(slot, nothing),
            theirs.get(slot, nothing),
        )
        if ours.get(slot) != theirs.get(slot):
            sets = (on - other_on, other_on - on, neutral - other_neutral, other_neutral - neutral)
            expected.add((slot, slot in ours, slot in theirs, *sets))
    assert unordered(comparison)[4] == expected
    assert unordered(compare(second, first)) == unordered(mirrored(comparison))
    assert {d.id for d in comparison.controls} == {
        c.id for c in (*first.controls, *second.controls)
    } - {c.id for c in first.controls if c in second.controls}
    assert comparison.equal == (unordered(comparison) == [set()] * 6)


G1, G2, GT1 = Slot("g1", 1), Slot("g2", 1), Slot("gt1", 5)
VESPERS = johanna().sequences["Vespers"]


Edit = Callable[[Bank], object]


def _each(*edits: Edit) -> Edit:
    """Several edits, one after the other."""

    def do(bank: Bank) -> None:
        for edit in edits:
            edit(bank)

    return do


EDITS: dict[str, tuple[Edit, Comparison]] = {
    "the bank named": (
        lambda bank: editing.name_bank(bank, "Hanne"),
        Comparison(about=(Differs("name", "Johanna", "Hanne"),)),
    ),
    "the bank locked": (
        editing.lock_bank,
        Comparison(about=(Differs("locked", False, True),)),
    ),
    "a level named": (
        lambda bank: editing.name_level(bank, 5, "Christmas"),
        Comparison(levels=(LevelDiffers(5, "Easter", "Christmas", False, False),)),
    ),
    "a level without anything named": (
        lambda bank: editing.name_level(bank, 9, "Advent"),
        Comparison(levels=(LevelDiffers(9, "", "Advent", False, False),)),
    ),
    "a level locked": (
        lambda bank: editing.lock_level(bank, 1),
        Comparison(levels=(LevelDiffers(1, "", "", False, True),)),
    ),
    "a level locked and unlocked": (
        _each(
            lambda bank: editing.lock_level(bank, 9),
            lambda bank: editing.unlock_level(bank, 9),
        ),
        Comparison(),
    ),
    "a level copied": (
        lambda bank: editing.copy_level(bank, 5, 1),
        Comparison(
            levels=(LevelDiffers(1, "", "Easter", False, False),),
            memory=(
                MemoryDiffers(G1, True, False, ("flute", "horn"), (), ("trem",), ()),
                MemoryDiffers(G2, True, False, ("flute", "bourdon")),
                MemoryDiffers(Slot("gt1", 1), False, True, (), ("flute", "horn")),
            ),
        ),
    ),
    "levels swapped": (
        lambda bank: editing.swap_levels(bank, 5, 9),
        Comparison(
            levels=(
                LevelDiffers(5, "Easter", "", False, False),
                LevelDiffers(9, "", "Easter", False, False),
            ),
            memory=(
                MemoryDiffers(GT1, True, False, ("flute", "horn")),
                MemoryDiffers(Slot("gt1", 9), False, True, (), ("flute", "horn")),
            ),
        ),
    ),
    "levels swapped and swapped back": (
        _each(
            lambda bank: editing.swap_levels(bank, 1, 5),
            lambda bank: editing.swap_levels(bank, 5, 1),
        ),
        Comparison(),
    ),
    "a level cleared": (
        lambda bank: editing.clear_level(bank, 5),
        Comparison(
            levels=(LevelDiffers(5, "Easter", "", False, False),),
            memory=(MemoryDiffers(GT1, True, False, ("flute", "horn")),),
        ),
    ),
    "a piston copied": (
        lambda bank: editing.copy_combination(bank, G1, G2),
        Comparison(memory=(MemoryDiffers(G2, True, True, ("bourdon",), ("horn",), (), ("trem",)),)),
    ),
    "pistons swapped": (
        lambda bank: editing.swap_combinations(bank, G1, G2),
        Comparison(
            memory=(
                MemoryDiffers(G1, True, True, ("horn",), ("bourdon",), ("trem",), ()),
                MemoryDiffers(G2, True, True, ("bourdon",), ("horn",), (), ("trem",)),
            )
        ),
    ),
    "a piston swapped with one not set": (
        lambda bank: editing.swap_combinations(bank, GT1, Slot("g2", 5)),
        Comparison(
            memory=(
                MemoryDiffers(Slot("g2", 5), False, True, (), ("flute", "horn")),
                MemoryDiffers(GT1, True, False, ("flute", "horn")),
            )
        ),
    ),
    "a piston cleared": (
        lambda bank: editing.clear_combination(bank, GT1),
        Comparison(memory=(MemoryDiffers(GT1, True, False, ("flute", "horn")),)),
    ),
    "a full organ cleared": (
        lambda bank: editing.clear_combination(bank, Slot("fo")),
        Comparison(memory=(MemoryDiffers(Slot("fo"), True, False, ("flute", "horn", "bourdon")),)),
    ),
    "a stage cleared": (
        lambda bank: editing.clear_combination(bank, Slot(stage=3)),
        Comparison(memory=(MemoryDiffers(Slot(stage=3), True, False, ("horn",)),)),
    ),
    "neutral": (
        lambda bank: editing.set_neutral(bank, G1, ["horn", "bourdon"]),
        Comparison(memory=(MemoryDiffers(G1, True, True, (), (), ("trem",), ("horn", "bourdon")),)),
    ),
    "a sequence begun": (
        lambda bank: editing.make_sequence(bank, "Matins"),
        Comparison(sequences=(SequenceDiffers("Matins", False, True, ()),)),
    ),
    "a sequence removed": (
        lambda bank: editing.remove_sequence(bank, "Vespers"),
        Comparison(
            sequences=(
                SequenceDiffers("Vespers", True, False, tuple((step, None) for step in VESPERS)),
            )
        ),
    ),
    "a sequence chosen": (
        lambda bank: editing.choose_sequence(bank, "Vespers"),
        Comparison(about=(Differs("sequence", None, "Vespers"),)),
    ),
    "the sequence on the desk removed": (
        _each(
            lambda bank: editing.choose_sequence(bank, "Vespers"),
            lambda bank: editing.remove_sequence(bank, "Vespers"),
        ),
        Comparison(
            sequences=(
                SequenceDiffers("Vespers", True, False, tuple((step, None) for step in VESPERS)),
            )
        ),
    ),
    "a step appended": (
        lambda bank: editing.append_step(bank, "Vespers", 2, "g2", "Amen"),
        Comparison(
            sequences=(
                SequenceDiffers(
                    "Vespers", True, True, ((None, Step(Decimal(3), 2, "g2", "Amen")),)
                ),
            )
        ),
    ),
    "a step inserted": (
        lambda bank: editing.insert_step(bank, "Vespers", Decimal(1), 1, "g2"),
        Comparison(
            sequences=(
                SequenceDiffers("Vespers", True, True, ((None, Step(Decimal("1.1"), 1, "g2")),)),
            )
        ),
    ),
    "a reversible's step, with the console at hand": (
        lambda bank: editing.append_step(bank, "Vespers", 2, "rev", console=before()),
        Comparison(
            sequences=(
                SequenceDiffers("Vespers", True, True, ((None, Step(Decimal(3), 2, "rev")),)),
            )
        ),
    ),
    "a note changed": (
        lambda bank: editing.note_step(bank, "Vespers", Decimal(2), "verse 3"),
        Comparison(
            sequences=(
                SequenceDiffers(
                    "Vespers",
                    True,
                    True,
                    ((VESPERS[1], Step(Decimal(2), 5, "gt1", "verse 3")),),
                ),
            )
        ),
    ),
    "a step removed": (
        lambda bank: editing.remove_step(bank, "Vespers", Decimal("2.50")),
        Comparison(sequences=(SequenceDiffers("Vespers", True, True, ((VESPERS[2], None),)),)),
    ),
}
"""What is done to a bank, and all that then differs."""


@pytest.mark.parametrize(("edit", "difference"), EDITS.values(), ids=EDITS)
def test_an_edit_changes_what_it_says_and_nothing_else(edit: Edit, difference: Comparison) -> None:
    bank = johanna()
    edit(bank)
    assert compare(johanna(), bank) == difference
    assert compare(bank, johanna()) == mirrored(difference)
    assert decode(encode(BankFile(bank))).bank == bank


def test_cards_and_where_the_player_left_off_differ() -> None:
    bank = johanna()
    bank.console = "Harbour Pavilion"
    bank.level, bank.place = 4, Decimal("2.5")
    flute, horn, bourdon, trem = bank.controls
    louder = evolve(flute, label=("Flute", "4'"))
    bank.controls = (louder, horn, bourdon, trem, ControlCard("reed"))
    bank.pistons["g2"] = evolve(bank.pistons["g2"], affects=0b10011)
    bank.pistons["g3"] = PistonCard("g3")
    was = johanna()
    assert compare(was, bank) == Comparison(
        about=(
            Differs("console", "Quay Chapel", "Harbour Pavilion"),
            Differs("level", 1, 4),
            Differs("place", Decimal(0), Decimal("2.5")),
        ),
        controls=(
            ControlDiffers("flute", flute, louder),
            ControlDiffers("reed", None, ControlCard("reed")),
        ),
        pistons=(
            PistonDiffers(
                "g2", was.pistons["g2"], bank.pistons["g2"], ("bourdon", "trem"), ("reed",)
            ),
            PistonDiffers("g3", None, PistonCard("g3")),
        ),
    )


@given(st.data(), consoles())
@settings(deadline=None)
def test_one_changed_place_is_the_only_difference(data: st.DataObject, console: Console) -> None:
    bank = data.draw(banks_of(console))
    slots = [Slot(stage=1)]
    slots += [Slot(p.id, 1) for p in bank.pistons.values() if p.kind == Kind.GENERAL]
    slots += [Slot(p.id) for p in bank.pistons.values() if p.kind == Kind.FULL_ORGAN]
    slot = data.draw(st.sampled_from(slots))
    bits = st.integers(0, bank.roster.everything)
    after = data.draw(st.none() | st.builds(Combination, bits, bits))
    changed = deepcopy(bank)
    changed.put(slot, after)
    assume(changed.get(slot) != bank.get(slot))
    comparison = compare(bank, changed)
    assert [differs.slot for differs in comparison.memory] == [slot]
    assert evolve(comparison, memory=()).equal


# ---------------------------------------------------------------- editing


def test_copies_are_copies() -> None:
    bank = johanna()
    editing.copy_level(bank, 1, 2)
    editing.set_neutral(bank, Slot("g1", 2), [])
    assert bank.levels[1] == johanna().levels[1]
    assert bank.get(Slot("g1", 2)) == Combination(bank.roster.bits(["flute", "horn"]))


def test_a_step_before_the_first_and_into_an_empty_sequence() -> None:
    bank = johanna()
    assert editing.insert_step(bank, "Vespers", Decimal(0), 1, "g2").number == Decimal("0.1")
    editing.make_sequence(bank, "Matins")
    assert editing.append_step(bank, "Matins", 1, "g1").number == 1
    assert editing.append_step(bank, "Matins", 1, "g2").number == 2
    assert editing.insert_step(bank, "Matins", Decimal(2), 1, "g1").number == 3
    assert editing.append_step(bank, "Vespers", 1, "g1").number == 3


@pytest.mark.parametrize(
    ("lower", "upper", "between"),
    [
        ("12", "13", "12.1"),
        ("12", "12.1", "12.05"),
        ("12", "12.05", "12.01"),
        ("12.05", "12.1", "12.06"),
        ("12.1", "13", "12.2"),
        ("12.9", "13", "12.95"),
        ("12.95", "13", "12.96"),
        ("12.1", "12.2", "12.15"),
        ("12", "12.01", "12.005"),
        ("12", "15", "13"),
        ("12.5", "15", "13"),
        ("0", "1", "0.1"),
        ("0", "0.000000000002", "0.000000000001"),
        ("999999998", "1000000000", "999999999"),
        ("999999999", "1000000000", "999999999.1"),
    ],
)
def test_numbers_between(lower: str, upper: str, between: str) -> None:
    assert f"{editing.number_between(Decimal(lower), Decimal(upper)):f}" == between


def test_no_number_between() -> None:
    lower, upper = Decimal("3"), Decimal("3.000000000001")
    with pytest.raises(BankEditError) as caught:
        editing.number_between(lower, upper)
    assert str(caught.value) == "there is no room left between steps 3 and 3.000000000001"


@given(st.lists(st.integers(0, 30), max_size=25))
@settings(deadline=None)
def test_steps_inserted_anywhere_keep_their_order_and_numbers(places: list[int]) -> None:
    """And each number is the shortest that would do."""
    bank = johanna()
    editing.make_sequence(bank, "Matins")
    order: list[Decimal] = []
    for place in places:
        at = min(place, len(order))
        after = order[at - 1] if at else Decimal(0)
        step = editing.insert_step(bank, "Matins", after, 1, "g1")
        order.insert(at, step.number)
        assert [step.number for step in bank.sequences["Matins"]] == order == sorted(order)
        upper = order[at + 1] if at + 1 < len(order) else None
        exponent = step.number.as_tuple().exponent
        assert isinstance(exponent, int)
        if exponent < 0:
            shorter = int(after.scaleb(-exponent - 1)) + 1
            assert upper is not None
            assert Decimal(shorter).scaleb(exponent + 1) >= upper
    assert decode(encode(BankFile(bank))).bank == bank


REFUSED: dict[str, tuple[Edit, str]] = {
    "an escape in a name": (
        lambda bank: editing.name_bank(bank, "\x1b[2J"),
        "a name has a character in it that cannot be printed (U+001B)",
    ),
    "a long name": (
        lambda bank: editing.name_level(bank, 9, "x" * 201),
        "a name is longer than 200 characters",
    ),
    "another level's name": (
        lambda bank: editing.name_level(bank, 9, "Easter"),
        "level 5 is called 'Easter' already",
    ),
    "a number for a name": (
        lambda bank: editing.name_level(bank, 9, " 12 "),
        "a level cannot be called ' 12 ': a number is no name",
    ),
    "level nought": (
        lambda bank: editing.name_level(bank, 0, "Easter"),
        "there is no level 0: levels go from 1 to 10,000",
    ),
    "a level too high": (
        lambda bank: editing.swap_levels(bank, 1, 10_001),
        "there is no level 10001: levels go from 1 to 10,000",
    ),
    "an unlocking too high": (
        lambda bank: editing.unlock_level(bank, 10_001),
        "there is no level 10001: levels go from 1 to 10,000",
    ),
    "nothing to copy in a level": (
        lambda bank: editing.copy_level(bank, 7, 1),
        "there is nothing in level 7 to copy",
    ),
    "nothing to copy on a piston": (
        lambda bank: editing.copy_combination(bank, Slot("gt1", 3), GT1),
        "nothing is set on 'gt1' at level 3",
    ),
    "a stage for a piston": (
        lambda bank: editing.copy_combination(bank, Slot(stage=1), GT1),
        "a crescendo stage has a list, the same at all levels",
    ),
    "a piston with a slip": (
        lambda bank: editing.copy_combination(bank, Slot("gt2", 1), G1),
        "there is no piston 'gt2' in this bank; did you mean 'g2'?",
    ),
    "a piston by its label": (
        lambda bank: editing.clear_combination(bank, Slot("tutti")),
        "there is no piston 'tutti' in this bank; did you mean 'fo'?",
    ),
    "a piston unheard of": (
        lambda bank: editing.clear_combination(bank, Slot("xylophone", 1)),
        "there is no piston 'xylophone' in this bank",
    ),
    "a piston without a level": (
        lambda bank: editing.swap_combinations(bank, G1, Slot("g2")),
        "'g2' remembers something at each level: which one is meant?",
    ),
    "a full organ at a level": (
        lambda bank: editing.copy_combination(bank, G1, Slot("fo", 1)),
        "'fo' is a full organ: it has a list, the same at all levels",
    ),
    "a stage that is not set": (
        lambda bank: editing.clear_combination(bank, Slot(stage=2)),
        "nothing is set for crescendo stage 2",
    ),
    "a general without a level to clear": (
        lambda bank: editing.clear_combination(bank, Slot("g1")),
        "'g1' remembers something at each level: which one is meant?",
    ),
    "a control with a slip": (
        lambda bank: editing.set_neutral(bank, G1, ["trem", "flut"]),
        "there is no control 'flut' in this bank; did you mean 'flute'?",
    ),
    "neutral on a piston that is not set": (
        lambda bank: editing.set_neutral(bank, Slot("g1", 3), ["trem"]),
        "nothing is set on 'g1' at level 3",
    ),
    "a sequence without a name": (
        lambda bank: editing.make_sequence(bank, ""),
        "a sequence needs a name",
    ),
    "a sequence twice": (
        lambda bank: editing.make_sequence(bank, "Vespers"),
        "there is a sequence 'Vespers' already",
    ),
    "a sequence with a slip": (
        lambda bank: editing.choose_sequence(bank, "vesper"),
        "there is no sequence 'vesper' in this bank; did you mean 'Vespers'?",
    ),
    "a step that is not there": (
        lambda bank: editing.insert_step(bank, "Vespers", Decimal("1.5"), 1, "g1"),
        "sequence 'Vespers' has no step 1.5",
    ),
    "a step of no piston": (
        lambda bank: editing.append_step(bank, "Vespers", 1, "rev"),
        "there is no piston 'rev' in this bank",
    ),
    "a step of no piston of the console": (
        lambda bank: editing.append_step(bank, "Vespers", 1, "rex", console=before()),
        "there is no piston 'rex' on this console for a step to press; did you mean 'rev'?",
    ),
    "a step to a level that the console has not": (
        lambda bank: editing.append_step(bank, "Vespers", 11, "g1", console=before()),
        "there is no level 11: levels go from 1 to 10",
    ),
    "a note of two lines": (
        lambda bank: editing.note_step(bank, "Vespers", Decimal(1), "a\nb"),
        "a note has a character in it that cannot be printed (U+000A)",
    ),
    "a step with such a note": (
        lambda bank: editing.append_step(bank, "Vespers", 1, "g1", "a\nb"),
        "a note has a character in it that cannot be printed (U+000A)",
    ),
}
"""What is asked of a bank, and why it is refused."""


@pytest.mark.parametrize(("edit", "message"), REFUSED.values(), ids=REFUSED)
def test_refused_edits(edit: Edit, message: str) -> None:
    bank = johanna()
    with pytest.raises(BankEditError) as caught:
        edit(bank)
    assert str(caught.value) == message


def test_a_refused_edit_changes_nothing() -> None:
    for edit, _ in REFUSED.values():
        bank = johanna()
        with pytest.raises(BankEditError):
            edit(bank)
        assert compare(johanna(), bank).equal


def test_a_locked_bank_is_only_unlocked() -> None:
    for name, (edit, _) in EDITS.items():
        bank = johanna()
        editing.lock_bank(bank)
        locked = deepcopy(bank)
        if name in ("the bank locked", "a sequence chosen"):
            edit(bank)
            continue
        with pytest.raises(BankEditError, match=r"^the bank is locked$"):
            edit(bank)
        assert bank.levels == locked.levels
        assert bank.sequences == locked.sequences
    bank = johanna()
    editing.lock_bank(bank)
    editing.unlock_bank(bank)
    assert bank == johanna()


def test_a_locked_level_is_only_unlocked() -> None:
    bank = johanna()
    editing.lock_level(bank, 5)
    locked = deepcopy(bank)
    edits: tuple[Edit, ...] = (
        lambda bank: editing.name_level(bank, 5, "Lent"),
        lambda bank: editing.copy_level(bank, 1, 5),
        lambda bank: editing.swap_levels(bank, 5, 1),
        lambda bank: editing.swap_levels(bank, 1, 5),
        lambda bank: editing.clear_level(bank, 5),
        lambda bank: editing.copy_combination(bank, G1, GT1),
        lambda bank: editing.swap_combinations(bank, G1, GT1),
        lambda bank: editing.swap_combinations(bank, GT1, G1),
        lambda bank: editing.clear_combination(bank, GT1),
        lambda bank: editing.set_neutral(bank, GT1, []),
    )
    for edit in edits:
        with pytest.raises(BankEditError, match=r"^level 5 is locked$"):
            edit(bank)
        assert bank == locked
    editing.copy_level(bank, 5, 6)
    assert not bank.is_locked(6)
    editing.unlock_level(bank, 5)
    editing.clear_level(bank, 5)


def test_levels_by_number_or_name() -> None:
    bank = johanna()
    assert editing.find_level(bank, "5") == editing.find_level(bank, "Easter") == 5
    assert editing.find_level(bank, "9") == 9
    for asked, message in (
        ("Eastr", "there is no level 'Eastr' in this bank; did you mean 'Easter'?"),
        ("10001", "there is no level 10001: levels go from 1 to 10,000"),
        ("0", "there is no level 0: levels go from 1 to 10,000"),
        ("-1", "there is no level '-1' in this bank"),
        ("9" * 5_000, f"there is no level {'9' * 5_000!r} in this bank"),
        ("٣", "there is no level '٣' in this bank"),
    ):
        with pytest.raises(BankEditError) as caught:
            editing.find_level(bank, asked)
        assert str(caught.value) == message
    editing.copy_level(bank, 5, 2)
    with pytest.raises(BankEditError) as caught:
        editing.find_level(bank, "Easter")
    assert str(caught.value) == "several levels are called 'Easter': 2, 5"


def test_a_bank_has_so_many_sequences_and_a_sequence_so_many_steps() -> None:
    bank = johanna()
    bank.sequences = {f"s{n}": () for n in range(1_000)}
    with pytest.raises(BankEditError, match=r"^a bank has at most 1,000 sequences$"):
        editing.make_sequence(bank, "one more")
    bank.sequences["s0"] = tuple(Step(Decimal(n), 1, "g1") for n in range(1, 10_001))
    with pytest.raises(BankEditError, match=r"^a sequence has at most 10,000 steps$"):
        editing.append_step(bank, "s0", 1, "g1")
