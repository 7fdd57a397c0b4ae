"""Two banks made into one: by example, and by hypothesis against plain sets."""

import os
from collections.abc import Mapping
from copy import deepcopy
from decimal import Decimal

import pytest
from attrs import evolve
from hypothesis import given, settings
from hypothesis import strategies as st

from banks import BankEditError, limits
from banks.merging import (
    Conflict,
    LevelName,
    MemoryConflict,
    Merged,
    NameConflict,
    Place,
    Remembered,
    SequenceConflict,
    SequenceName,
    Side,
    merge,
)
from combination.memory import Bank, Combination, ControlCard, Level, PistonCard, Slot, Step
from combination.model import Kind
from tests.bank_strategies import banks as any_bank
from tests.plain_banks import Plain, plain, two_banks

some = settings(max_examples=int(os.environ.get("STOPWRIGHT_EXAMPLES", "12")), deadline=None)


def hanne() -> Bank:
    """The bank of the one who has played here for years."""
    return Bank(
        console="Quay Chapel",
        controls=(ControlCard("flute", ("Flute",)), ControlCard("horn"), ControlCard("bourdon")),
        pistons={
            "g1": PistonCard("g1", ("1",), Kind.GENERAL, 0b111),
            "g2": PistonCard("g2", ("2",), Kind.GENERAL, 0b111),
            "fo": PistonCard("fo", ("Tutti",), Kind.FULL_ORGAN, 0b111),
        },
        name="Hanne",
        levels={
            1: Level("Easter", combinations={"g1": Combination(0b011), "g2": Combination(0b100)}),
            2: Level("Advent", combinations={"g1": Combination(0b001, 0b010)}),
            3: Level("Lent", locked=True, verifier=b"kept"),
        },
        full_organs={"fo": 0b111},
        stages={1: 0b001},
        sequences={
            "Matins": (),
            "Vespers": (Step(Decimal(1), 1, "g1"), Step(Decimal("2.5"), 2, "g1")),
        },
        level=2,
        sequence="Vespers",
        place=Decimal(1),
    )


def ruth() -> Bank:
    """The bank of the one who came, on a console with its stops in another order."""
    return Bank(
        console="Quay Chapel, rebuilt",
        controls=(ControlCard("reed"), ControlCard("horn"), ControlCard("flute")),
        pistons={
            "g3": PistonCard("g3", ("3",), Kind.GENERAL, 0b111),
            "g1": PistonCard("g1", ("I",), Kind.GENERAL, 0b111),
            "fo": PistonCard("fo", ("Full",), Kind.FULL_ORGAN, 0b111),
        },
        name="Ruth",
        locked=True,
        verifier=b"hers",
        levels={
            4: Level("Fair", locked=True, combinations={"g1": Combination(0b001)}),
            2: Level(combinations={"g1": Combination(0b100, 0b011)}),
            1: Level("Wedding", combinations={"g1": Combination(0b110), "g3": Combination(0)}),
            10_000: Level(locked=True),
        },
        full_organs={"fo": 0b110},
        stages={1: 0b100, 2: 0b101},
        sequences={
            "Vespers": (Step(Decimal(1), 1, "g1"), Step(Decimal("2.50"), 2, "g1", "softer")),
            "Rag": (Step(Decimal(1), 4, "cancel"),),
        },
        level=4,
    )


CONFLICTS = (
    NameConflict(LevelName(1), "Easter", "Wedding"),
    MemoryConflict(
        Slot("g1", 2), Remembered({"flute"}, {"horn"}), Remembered({"flute"}, {"horn", "reed"})
    ),
    MemoryConflict(
        Slot("fo"), Remembered({"flute", "horn", "bourdon"}), Remembered({"flute", "horn"})
    ),
    SequenceConflict(
        SequenceName("Vespers"), hanne().sequences["Vespers"], ruth().sequences["Vespers"]
    ),
)
TAKEN = (
    LevelName(4),
    Slot("g3", 1),
    Slot("g1", 4),
    Slot(stage=2),
    SequenceName("Rag"),
)


def all_of(side: Side, conflicts: tuple[Conflict, ...]) -> dict[Place, Side]:
    return {conflict.place: side for conflict in conflicts}


# ---------------------------------------------------------------- by example


def test_nothing_is_chosen_for_the_players() -> None:
    first, second = hanne(), ruth()
    assert merge(first, second) == Merged(None, CONFLICTS, TAKEN)
    assert (first, second) == (hanne(), ruth())


@pytest.mark.parametrize("left", [conflict.place for conflict in CONFLICTS])
def test_one_conflict_that_is_not_chosen_is_enough(left: Place) -> None:
    choices = all_of(Side.FIRST, CONFLICTS)
    del choices[left]
    assert merge(hanne(), ruth(), choices=choices) == Merged(None, CONFLICTS, TAKEN)


def test_two_banks_with_all_conflicts_chosen_for_the_first() -> None:
    merged = merge(hanne(), ruth(), choices=all_of(Side.FIRST, CONFLICTS))
    assert (merged.conflicts, merged.taken) == (CONFLICTS, TAKEN)
    cards = hanne().pistons
    levels = hanne().levels
    assert merged.bank == evolve(
        hanne(),
        controls=(*hanne().controls, ControlCard("reed")),
        pistons={**cards, "g3": PistonCard("g3", ("3",), Kind.GENERAL, 0b1011)},
        levels={
            1: Level("Easter", combinations={**levels[1].combinations, "g3": Combination(0)}),
            2: levels[2],
            3: levels[3],
            4: Level("Fair", combinations={"g1": Combination(0b1000)}),
        },
        stages={1: 0b001, 2: 0b1001},
        sequences={**hanne().sequences, "Rag": ruth().sequences["Rag"]},
    )


def test_two_banks_with_some_conflicts_chosen_for_the_second() -> None:
    choices = all_of(Side.FIRST, CONFLICTS)
    choices |= dict.fromkeys((LevelName(1), Slot("g1", 2), SequenceName("Vespers")), Side.SECOND)
    merged = merge(hanne(), ruth(), choices=choices)
    assert merged.conflicts == CONFLICTS
    assert merged.taken == (
        LevelName(1),
        LevelName(4),
        Slot("g3", 1),
        Slot("g1", 2),
        Slot("g1", 4),
        Slot(stage=2),
        SequenceName("Vespers"),
        SequenceName("Rag"),
    )
    assert merged.bank is not None
    assert merged.bank.levels[1].name == "Wedding"
    assert merged.bank.get(Slot("g1", 2)) == Combination(0b0001, 0b1010)
    assert merged.bank.full_organs == {"fo": 0b111}
    assert merged.bank.sequences["Vespers"][1].note == "softer"


def test_the_second_s_levels_put_behind_the_first_s() -> None:
    """Their steps go along, so that the only conflicts are in what has no level."""
    second = ruth()
    second.sequences["Matins"] = ()
    del second.levels[10_000]
    merged = merge(hanne(), second, shift_levels=10)
    assert [conflict.place for conflict in merged.conflicts] == [
        Slot("fo"),
        SequenceName("Vespers"),
    ]
    vespers = merged.conflicts[1]
    assert isinstance(vespers, SequenceConflict)
    assert [step.level for step in vespers.second] == [11, 12]
    bank = merge(
        hanne(), second, choices=all_of(Side.FIRST, merged.conflicts), shift_levels=10
    ).bank
    assert bank is not None
    assert [(n, level.name) for n, level in sorted(bank.levels.items())] == [
        (1, "Easter"),
        (2, "Advent"),
        (3, "Lent"),
        (11, "Wedding"),
        (12, ""),
        (14, "Fair"),
    ]
    assert bank.sequences["Rag"] == (Step(Decimal(1), 14, "cancel"),)
    back = merge(bank, evolve(second, full_organs={}, sequences={}), shift_levels=10)
    assert (back.bank, back.conflicts, back.taken) == (bank, (), ())


def test_levels_shifted_downwards() -> None:
    second = evolve(ruth(), levels={4: ruth().levels[4]}, sequences={}, full_organs={})
    merged = merge(hanne(), second, shift_levels=-3)
    assert [conflict.place for conflict in merged.conflicts] == [LevelName(1), Slot("g1", 1)]


BEYOND = {
    "a level too high": (
        9_997,
        {},
        "level 4 of the second bank would be level 10001: levels go from 1 to 10,000",
    ),
    "a level too low": (
        -1,
        {},
        "level 1 of the second bank would be level 0: levels go from 1 to 10,000",
    ),
    "a step too high": (
        9_996,
        {"Rag": (Step(Decimal("2.5"), 5, "g1"),)},
        "step 2.5 of 'Rag' would go to level 10001: levels go from 1 to 10,000",
    ),
}


@pytest.mark.parametrize(("by", "sequences", "message"), BEYOND.values(), ids=BEYOND)
def test_levels_shifted_too_far(
    by: int, sequences: dict[str, tuple[Step, ...]], message: str
) -> None:
    with pytest.raises(BankEditError) as caught:
        merge(hanne(), evolve(ruth(), sequences=sequences), shift_levels=by)
    assert str(caught.value) == message


def test_nothing_is_taken_where_it_is_locked() -> None:
    first, second = hanne(), ruth()
    first.levels[2].locked = True
    first_all = all_of(Side.FIRST, CONFLICTS)
    assert merge(first, second, choices=first_all).bank is not None
    for place, level in ((LevelName(1), 1), (Slot("g1", 2), 2)):
        first = hanne()
        first.at(level).locked = True
        with pytest.raises(BankEditError, match=rf"^level {level} is locked$"):
            merge(first, second, choices={**first_all, place: Side.SECOND})
    for level in (1, 4):
        first = hanne()
        first.at(level).locked = True
        with pytest.raises(BankEditError, match=rf"^level {level} is locked$"):
            merge(first, second)
    first, second = hanne(), ruth()
    first.at(6).locked = True
    second.at(6).name = "Whitsun"
    with pytest.raises(BankEditError, match=r"^level 6 is locked$"):
        merge(first, second)
    first = evolve(hanne(), locked=True)
    with pytest.raises(BankEditError, match=r"^the bank is locked$"):
        merge(first, evolve(second, levels={}, full_organs={}, stages={}))
    assert merge(first, hanne()) == Merged(first, (), ())


def test_two_banks_may_come_to_more_than_a_file_carries() -> None:
    first, second = hanne(), ruth()
    first.sequences |= {f"s{n}": () for n in range(limits.SEQUENCES - 2)}
    with pytest.raises(BankEditError) as caught:
        merge(first, second)
    assert str(caught.value) == "that makes 1,001 sequences: a bank has at most 1,000"


def test_the_merged_bank_shares_nothing_that_can_be_changed() -> None:
    first, second = hanne(), ruth()
    bank = merge(first, second, choices=all_of(Side.SECOND, CONFLICTS)).bank
    assert bank is not None
    for level in bank.levels.values():
        level.combinations.clear()
    for place in (bank.levels, bank.pistons, bank.full_organs, bank.stages, bank.sequences):
        place.clear()
    assert (first, second) == (hanne(), ruth())


# ---------------------------------------------------------------- told by plain sets


def where(place: Place) -> tuple[str | int, ...]:
    """A place, as plain banks have it."""
    match place:
        case LevelName(level):
            return "name", level
        case SequenceName(name):
            return "sequence", name
        case Slot(str(piston), None, None):
            return "list", piston
        case Slot(None, None, int(stage)):
            return "stage", stage
        case Slot(str(piston), int(level), None):
            return "piston", piston, level
    raise AssertionError(place)


def held(value: Remembered | str | tuple[Step, ...], at: tuple[str | int, ...]) -> object:
    """One side of a conflict, as plain banks have it."""
    if isinstance(value, Remembered):
        on = frozenset(value.on)
        return (on, frozenset(value.neutral)) if at[0] == "piston" else on
    if isinstance(value, str):
        return value
    return tuple((s.number, s.level, s.piston, s.note) for s in value)


def shifted(bank: Plain, by: int) -> Plain:
    """A plain bank with its levels so many further up."""
    found: Plain = {}
    for at, value in bank.items():
        match at:
            case ("name", int(level)):
                found["name", level + by] = value
            case ("piston", piston, int(level)):
                found["piston", piston, level + by] = value
            case ("sequence", _):
                found[at] = tuple((n, level + by, p, note) for n, level, p, note in value)
            case _:
                found[at] = value
    return found


def model(first: Plain, second: Plain, choices: Mapping[tuple[str | int, ...], Side]) -> Plain:
    """What two plain banks come to."""
    return second | {
        at: value for at, value in first.items() if choices.get(at, Side.FIRST) is Side.FIRST
    }


@given(st.data(), two_banks(), st.just(0) | st.integers(0, 6))
@settings(deadline=None)
def test_merged_banks_told_by_plain_sets(
    data: st.DataObject, pair: tuple[Bank, Bank], by: int
) -> None:
    untouched = deepcopy(pair)
    first, second = pair
    ours, theirs = plain(first), shifted(plain(second), by)
    asked = merge(first, second, shift_levels=by)
    assert {
        where(c.place): (held(c.first, where(c.place)), held(c.second, where(c.place)))
        for c in asked.conflicts
    } == {at: (ours[at], theirs[at]) for at in ours if at in theirs and ours[at] != theirs[at]}
    assert len({c.place for c in asked.conflicts}) == len(asked.conflicts)
    assert {where(place) for place in asked.taken} == theirs.keys() - ours.keys()
    assert (asked.bank is None) == bool(asked.conflicts)
    choices = {c.place: data.draw(st.sampled_from(Side)) for c in asked.conflicts}
    merged = merge(first, second, choices=choices, shift_levels=by)
    assert merged.bank is not None
    assert plain(merged.bank) == model(ours, theirs, {where(p): s for p, s in choices.items()})
    assert {where(p) for p in merged.taken} == (theirs.keys() - ours.keys()) | {
        where(p) for p, side in choices.items() if side is Side.SECOND
    }
    assert merged.conflicts == asked.conflicts
    assert pair == untouched
    assert merged.bank.controls[: len(first.controls)] == first.controls
    assert merged.bank.pistons.items() >= first.pistons.items()
    for both, cards in (
        (merged.bank.controls, (*first.controls, *second.controls)),
        (merged.bank.pistons.values(), (*first.pistons.values(), *second.pistons.values())),
    ):
        assert [card.id for card in both] == list(dict.fromkeys(card.id for card in cards))
    assert (merged.bank.level, merged.bank.sequence) == (first.level, first.sequence)


@some
@given(any_bank())
def test_a_bank_merged_with_itself_is_itself(bank: Bank) -> None:
    assert merge(bank, deepcopy(bank)) == Merged(bank, (), ())


@some
@given(two_banks())
def test_all_that_was_chosen_for_is_there(pair: tuple[Bank, Bank]) -> None:
    conflicts = merge(*pair).conflicts
    for side, bank in zip(Side, pair, strict=True):
        merged = merge(*pair, choices=all_of(side, conflicts)).bank
        assert merged is not None
        assert plain(merged).items() >= plain(bank).items()


@some
@given(two_banks())
def test_without_a_conflict_it_is_the_same_the_other_way_round(pair: tuple[Bank, Bank]) -> None:
    first, second = pair
    for conflict in merge(first, second).conflicts:
        match conflict.place:
            case LevelName(level):
                second.levels[level].name = ""
            case SequenceName(name):
                del second.sequences[name]
            case slot:
                second.put(slot, None)
    one, other = merge(first, second), merge(second, first)
    assert one.bank is not None
    assert other.bank is not None
    assert plain(one.bank) == plain(other.bank)
    assert {card.id for card in one.bank.controls} == {card.id for card in other.bank.controls}
    assert one.bank.pistons.keys() == other.bank.pistons.keys()
