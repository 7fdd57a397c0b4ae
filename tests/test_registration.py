"""Registrations are sets: integers inside, ids outside."""

from collections.abc import Set

import pytest
from hypothesis import given
from hypothesis import strategies as st

from combination.registration import Registration, Roster, translate

IDS = [f"c{number}" for number in range(70)]
ROSTER = Roster(IDS)
subsets = st.sets(st.sampled_from(IDS))


@given(subsets, subsets)
def test_registrations_are_sets(one: set[str], other: set[str]) -> None:
    a, b = (ROSTER.registration(ROSTER.bits(ids)) for ids in (one, other))
    assert isinstance(a, Set)
    assert a == one
    assert (a == b) == (one == other)
    assert a & b == one & other
    assert a | b == one | other
    assert a - b == one - other
    assert (a <= b) == (one <= other)
    assert hash(a) == hash(frozenset(one))
    assert len(a) == len(one)
    assert bool(a) == bool(one)
    assert list(a) == [name for name in IDS if name in one]
    assert all((name in a) == (name in one) for name in [*IDS, "other"])


@given(subsets, st.permutations(IDS), st.integers(0, 70))
def test_translation_keeps_every_id_the_other_roster_has(
    ids: set[str], order: list[str], keep: int
) -> None:
    other = Roster(["new", *order[:keep]])
    moved = translate(ROSTER.bits(ids), ROSTER.translation(other))
    assert other.registration(moved) == ids & set(order[:keep])


def test_one_id_inserted_is_two_runs() -> None:
    other = Roster([*IDS[:30], "new", *IDS[30:]])
    assert len(ROSTER.translation(other)) == 2


def test_an_id_twice_is_refused() -> None:
    with pytest.raises(ValueError, match="twice"):
        Roster(["a", "b", "a"])


def test_unknown_ids_are_key_errors() -> None:
    with pytest.raises(KeyError):
        ROSTER.bits(["nobody"])


def test_a_registration_reads_as_a_person_would_list_it() -> None:
    assert repr(Registration(ROSTER, 0b101)) == "{c0 c2}"
