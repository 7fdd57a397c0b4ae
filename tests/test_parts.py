"""Parts of banks, taken out and put in: by example, and by hypothesis against plain sets."""

from collections.abc import Callable
from copy import deepcopy
from decimal import Decimal

import pytest
from attrs import evolve
from hypothesis import given, settings
from hypothesis import strategies as st

from banks import BankEditError, compare, limits
from banks.parts import Part, part_of, put_part
from combination.memory import (
    Bank,
    Combination,
    ControlCard,
    Level,
    PistonCard,
    Slot,
    Step,
)
from combination.model import Kind
from tests.bank_strategies import banks as any_bank
from tests.plain_banks import Plain, ids, plain, two_banks, without_locks


def hanne() -> Bank:
    """A bank of a small organ, with something of everything in it."""
    bank = Bank(
        console="Quay Chapel",
        controls=(ControlCard("flute"), ControlCard("horn"), ControlCard("bourdon")),
        pistons={
            "g1": PistonCard("g1", ("1",), Kind.GENERAL, 0b111),
            "g2": PistonCard("g2", ("2",), Kind.GENERAL, 0b111),
            "fo": PistonCard("fo", ("Tutti",), Kind.FULL_ORGAN, 0b111),
        },
        name="Hanne",
        levels={
            1: Level("Easter", combinations={"g1": Combination(0b011), "g2": Combination(0b100)}),
            2: Level(combinations={"g1": Combination(0b001, 0b010)}),
            3: Level("Advent", locked=True, verifier=b"kept"),
        },
        full_organs={"fo": 0b111},
        stages={1: 0b001},
        sequences={"Vespers": (Step(Decimal(1), 1, "g1"),)},
        level=2,
        sequence="Vespers",
        place=Decimal(1),
    )
    bank.locked, bank.verifier = True, b"Hanne's"
    return bank


def ruth() -> Bank:
    """A bank of another organ that has the flute and the first general too."""
    return Bank(
        console="Harbour Pavilion",
        controls=(ControlCard("tuba"), ControlCard("drum"), ControlCard("flute", ("Flute",))),
        pistons={
            "g1": PistonCard("g1", ("I",), Kind.GENERAL, 0b111),
            "g9": PistonCard("g9", ("9",), Kind.GENERAL, 0b101),
        },
        name="Ruth",
        levels={
            2: Level("Fair", combinations={"g1": Combination(0b100), "g9": Combination(0)}),
            5: Level("Rag", combinations={"g1": Combination(0b111)}),
        },
        stages={1: 0b001, 2: 0b011},
        level=5,
    )


def bare(bank: Bank) -> Bank:
    """A bank with the cards and the name of another, and nothing set."""
    return Bank(bank.console, bank.controls, bank.pistons, bank.name)


# ---------------------------------------------------------------- taken out


def test_levels_taken_out() -> None:
    bank = hanne()
    found = part_of(bank, Part(levels=(1, 3, 9)))
    assert found == evolve(bare(hanne()), levels={n: hanne().levels[n] for n in (1, 3)})
    found.levels[1].combinations.clear()
    found.pistons.clear()
    assert bank == hanne()


def test_pistons_taken_out() -> None:
    found = part_of(hanne(), Part(pistons=("g1", "fo")))
    assert found == evolve(
        bare(hanne()),
        levels={
            1: Level(combinations={"g1": Combination(0b011)}),
            2: Level(combinations={"g1": Combination(0b001, 0b010)}),
        },
        full_organs={"fo": 0b111},
    )


def test_pistons_at_levels_taken_out() -> None:
    found = part_of(hanne(), Part((1, 3), ("g2",)))
    assert found == evolve(
        bare(hanne()), levels={1: Level(combinations={"g2": Combination(0b100)})}
    )


def test_the_whole_taken_out_is_a_copy() -> None:
    bank = hanne()
    found = part_of(bank, Part())
    assert found == hanne()
    found.levels[1].combinations.clear()
    for place in (found.pistons, found.levels, found.full_organs, found.stages, found.sequences):
        place.clear()
    assert bank == hanne()


@given(any_bank())
@settings(deadline=None)
def test_the_whole_of_any_bank_is_that_bank(bank: Bank) -> None:
    assert compare(part_of(bank, Part()), bank).equal


# ---------------------------------------------------------------- put in


def test_a_level_put_into_another_organs_bank() -> None:
    """The drum is not in it, and so is not known afterwards; the flute keeps its bank's card."""
    bank = without_locks(hanne())
    untouched = deepcopy(bank)
    found = put_part(bank, ruth(), Part(levels=(2,)))
    assert found == evolve(
        untouched,
        controls=(*untouched.controls, ControlCard("tuba")),
        pistons={**untouched.pistons, "g9": PistonCard("g9", ("9",), Kind.GENERAL, 0b1001)},
        levels={
            **untouched.levels,
            2: Level("Fair", combinations={"g1": Combination(0b0001), "g9": Combination(0)}),
        },
    )
    for level in found.levels.values():
        level.combinations.clear()
    found.levels.clear()
    assert bank == untouched


def test_the_whole_put_in_leaves_name_console_and_locks() -> None:
    bank = evolve(hanne(), locked=False)
    source = evolve(ruth(), locked=True, verifier=b"hers", name="Ruth")
    source.levels[3] = Level("Advent")
    source.levels[5].locked = True
    found = put_part(bank, source, Part())
    assert (found.name, found.console, found.locked) == ("Hanne", "Quay Chapel", False)
    assert found.verifier == b"Hanne's"
    assert (found.level, found.sequence, found.place) == (5, None, Decimal(0))
    assert found.levels[3] == hanne().levels[3]
    assert not found.levels[5].locked
    assert plain(found) == plain(source)


def test_what_is_not_set_in_the_source_is_not_set_afterwards() -> None:
    bank = without_locks(hanne())
    found = put_part(bank, ruth(), Part(levels=(1, 4)))
    assert found.levels[1] == Level()
    assert found.levels[2] == bank.levels[2]
    assert 4 not in found.levels
    assert found.controls == bank.controls
    found = put_part(bank, ruth(), Part(pistons=("fo",)))
    assert found == evolve(bank, full_organs={})


PUTS = {
    "the bank": (Part(levels=(2,)), True, (), "the bank is locked"),
    "a level of the part": (Part(levels=(2, 5)), False, (5,), "level 5 is locked"),
    "a level, though it is the same": (Part(levels=(4,)), False, (4,), "level 4 is locked"),
    "a piston at a level": (Part((2,), ("g1",)), False, (2,), "level 2 is locked"),
    "a level that a piston has": (Part(pistons=("g1",)), False, (1,), "level 1 is locked"),
    "a level that would be new": (Part(pistons=("g1",)), False, (5,), "level 5 is locked"),
    "a level of the whole": (Part(), False, (3, 5), "level 3 is locked"),
}


@pytest.mark.parametrize(("part", "bank_locked", "locked", "message"), PUTS.values(), ids=PUTS)
def test_nothing_is_put_where_it_is_locked(
    part: Part, bank_locked: bool, locked: tuple[int, ...], message: str
) -> None:
    bank = without_locks(hanne())
    put_part(bank, ruth(), part)
    bank.locked = bank_locked
    for number in locked:
        bank.at(number).locked = True
    untouched = deepcopy(bank)
    with pytest.raises(BankEditError) as caught:
        put_part(bank, ruth(), part)
    assert str(caught.value) == message
    assert bank == untouched


def test_a_locked_level_that_would_not_change_stands_in_no_way() -> None:
    bank = evolve(hanne(), locked=False)
    found = put_part(bank, ruth(), Part(pistons=("g1",)))
    assert found.levels[3] == bank.levels[3]


NO_PARTS = {
    "a level too high": (Part(levels=(1, 10_001)), "there is no level 10001: levels go from 1 to"),
    "level 0": (Part(levels=(0,), pistons=("g1",)), "there is no level 0: levels go from 1 to"),
    "a piston by a wrong id": (Part(pistons=("g1", "fo1")), "there is no piston 'fo1' in "),
    "a full organ at a level": (
        Part((1,), ("fo",)),
        "'fo' is a full organ: it has a list, the same at all levels",
    ),
}


@pytest.mark.parametrize(("part", "message"), NO_PARTS.values(), ids=NO_PARTS)
def test_parts_that_there_are_not(part: Part, message: str) -> None:
    bank = without_locks(hanne())
    asked: tuple[Callable[[], Bank], ...] = (
        lambda: part_of(bank, part),
        lambda: put_part(bank, ruth(), part),
    )
    for ask in asked:
        with pytest.raises(BankEditError) as caught:
            ask()
        assert str(caught.value).startswith(message)


def test_the_nearest_piston_is_named() -> None:
    with pytest.raises(BankEditError) as caught:
        part_of(hanne(), Part(pistons=("tuti",)))
    assert str(caught.value) == "there is no piston 'tuti' in this bank; did you mean 'fo'?"
    with pytest.raises(BankEditError) as caught:
        put_part(without_locks(hanne()), ruth(), Part(pistons=("gg9",)))
    assert str(caught.value) == "there is no piston 'gg9' in either bank; did you mean 'g9'?"
    with pytest.raises(BankEditError, match="in this bank"):
        part_of(hanne(), Part(pistons=("g9",)))


def test_a_bank_does_not_grow_beyond_a_file() -> None:
    bank = without_locks(hanne())
    many = tuple(ControlCard(f"c{n}") for n in range(limits.CONTROLS - 3))
    source = evolve(ruth(), controls=(*ruth().controls, *many))
    source.stages = {1: 1 | ((1 << len(many)) - 1) << 3}
    with pytest.raises(BankEditError) as caught:
        put_part(bank, source, Part())
    assert str(caught.value) == "that makes 10,002 controls: a bank has at most 10,000"


# ---------------------------------------------------------------- told by plain sets


def in_part(where: tuple[str | int, ...], part: Part) -> bool:
    """Whether what is set there is in the part."""
    match where, part.levels, part.pistons:
        case _, None, None:
            return True
        case ("name", number), levels, None:
            return levels is not None and number in levels
        case ("piston", piston, number), levels, pistons:
            return (levels is None or number in levels) and (pistons is None or piston in pistons)
        case ("list", piston), None, pistons:
            return pistons is not None and piston in pistons
    return False


@st.composite
def parts_of(draw: st.DrawFn, *banks: Bank) -> Part:
    """Any part that there can be of one of some banks."""
    levels = draw(st.none() | st.lists(st.integers(1, 6), unique=True).map(tuple))
    known = {**banks[-1].pistons, **banks[0].pistons}
    pistons = [p for p in known if levels is None or known[p].kind != Kind.FULL_ORGAN]
    some = st.lists(st.sampled_from(pistons), unique=True) if pistons else st.just([])
    return Part(levels, draw(st.none() | some.map(tuple)))


@given(st.data(), two_banks(), st.sets(st.integers(1, 6)))
@settings(deadline=None)
def test_parts_taken_out_told_by_plain_sets(
    data: st.DataObject, pair: tuple[Bank, Bank], locked: set[int]
) -> None:
    bank, _ = pair
    for number in locked:
        bank.at(number).locked = True
    part = data.draw(parts_of(bank))
    untouched = deepcopy(bank)
    found = part_of(bank, part)
    assert bank == untouched
    assert plain(found) == {k: held for k, held in plain(bank).items() if in_part(k, part)}
    assert {n for n, level in found.levels.items() if level.locked} == {
        n for n in locked if part.pistons is None and (part.levels is None or n in part.levels)
    }
    assert (found.controls, found.pistons, found.name) == (bank.controls, bank.pistons, bank.name)


@given(st.data(), two_banks())
@settings(deadline=None)
def test_parts_put_in_told_by_plain_sets(data: st.DataObject, pair: tuple[Bank, Bank]) -> None:
    bank, source = pair
    part = data.draw(parts_of(bank, source))
    untouched = deepcopy(pair)
    found = put_part(bank, source, part)
    assert pair == untouched
    put: Plain = {k: held for k, held in plain(source).items() if in_part(k, part)}
    stays: Plain = {k: held for k, held in plain(bank).items() if not in_part(k, part)}
    assert plain(found) == stays | put
    assert found.controls[: len(bank.controls)] == bank.controls
    assert found.pistons == bank.pistons | {
        piston: card for piston, card in found.pistons.items() if piston not in bank.pistons
    }
    owners = {str(k[1]) for k in put if k[0] in ("piston", "list")}
    assert found.pistons.keys() - bank.pistons.keys() == owners - bank.pistons.keys()
    needed = set[str]()
    for piston in owners - bank.pistons.keys():
        affects = ids(source, source.pistons[piston].affects)
        assert ids(found, found.pistons[piston].affects) == affects
        needed |= affects
    for k, held in put.items():
        if k[0] == "piston":
            needed = needed.union(*held)
        elif k[0] in ("list", "stage"):
            needed |= held
    added = {card.id for card in found.controls[len(bank.controls) :]}
    assert added == needed - {card.id for card in bank.controls}
    left_off = source if part == Part() else bank
    assert (found.level, found.sequence) == (left_off.level, left_off.sequence)


@given(st.data(), two_banks())
@settings(deadline=None)
def test_a_part_goes_by_way_of_a_part_and_back(
    data: st.DataObject, pair: tuple[Bank, Bank]
) -> None:
    """A part put in from a part is as from the whole; and its own part changes no bank."""
    bank, source = pair
    part = data.draw(parts_of(source))
    by_levels_of_full_organ = any(
        part.levels is not None and bank.pistons[piston].kind == Kind.FULL_ORGAN
        for piston in part.pistons or ()
        if piston in bank.pistons
    )
    if not by_levels_of_full_organ:
        assert put_part(bank, part_of(source, part), part) == put_part(bank, source, part)
    assert compare(put_part(source, source, part), source).equal


def test_where_two_banks_differ_in_a_piston_the_bank_put_into_counts() -> None:
    bank, source = without_locks(hanne()), ruth()
    source.pistons["fo"] = PistonCard("fo", kind=Kind.GENERAL)
    source.put(Slot("fo", 2), Combination(1))
    with pytest.raises(BankEditError, match="is a full organ"):
        put_part(bank, source, Part((2,), ("fo",)))
    assert put_part(source, bank, Part((2,), ("fo",))).get(Slot("fo", 2)) is None
