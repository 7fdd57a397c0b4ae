"""The file of a proof of wiring: what was written is read, and what is none is refused in words."""

import json
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cli.workshop.proof_file import (
    BEGINNING,
    ProofFileError,
    Record,
    Run,
    Said,
    read_record,
    text_of,
)
from combination.contacts import Role

NAMES = st.text(max_size=12).filter(str.isprintable)
MESSAGES = st.one_of(
    st.builds(
        lambda status, one, two: bytes((status, one, two)),
        st.sampled_from([*range(0x80, 0xA0), *range(0xB0, 0xC0)]),
        st.integers(0, 127),
        st.integers(0, 127),
    ),
    st.builds(lambda status, one: bytes((status, one)), st.integers(0xC0, 0xCF), st.integers(0, 9)),
)
TIMES = st.integers(0, 86_400_000_000).map(lambda micros: round(micros / 1e6, 6))


@st.composite
def runs(draw: st.DrawFn) -> Run:
    heard = draw(st.lists(st.builds(Said, TIMES, NAMES, MESSAGES), max_size=8))
    hours = draw(st.integers(-12, 14))
    on = draw(st.datetimes(timezones=st.just(timezone(timedelta(hours=hours)))))
    return Run(
        draw(NAMES),
        on,
        draw(NAMES),
        tuple(
            draw(
                st.lists(st.tuples(st.sampled_from(Role), NAMES, st.integers(-6, 127)), max_size=8)
            )
        ),
        tuple(draw(st.lists(st.builds(Said, st.just(0.0), NAMES, MESSAGES), max_size=3))),
        tuple(sorted(heard, key=lambda said: said.at)),
    )


RECORDS = st.builds(
    Record, NAMES, st.lists(runs(), max_size=3, unique_by=lambda run: run.key).map(tuple)
)


@given(RECORDS)
def test_what_was_written_is_read(record: Record) -> None:
    assert read_record(text_of(record)) == record


@given(RECORDS, st.data())
def test_what_is_damaged_is_read_or_refused(record: Record, data: st.DataObject) -> None:
    text = text_of(record)
    place = data.draw(st.integers(0, len(text)))
    end = data.draw(st.integers(place, min(place + 5, len(text))))
    damaged = text[:place] + data.draw(st.text(max_size=5)) + text[end:]
    try:
        found = read_record(damaged)
    except ProofFileError:
        return
    assert read_record(text_of(found)) == found


def test_a_run_is_replaced_by_a_later_one() -> None:
    old, new, other = (
        Run(key, datetime(2031, 5, day, tzinfo=UTC), "", (), (), ())
        for key, day in (("great", 4), ("great", 5), ("rail", 4))
    )
    assert Record("Quay", (old, other)).having([new]).runs == (other, new)


GOOD: dict[str, Any] = {
    "run": "great",
    "on": "2031-05-04T18:30:00+00:00",
    "wiring": "",
    "wires": [["key", "great", 36]],
    "before": [["console", "902401"]],
    "heard": [[0.0, "console", "902401"], [1, "console", "802400"]],
}
HEADING = json.dumps({"stopwright": BEGINNING, "console": "Quay"})


def file_of(*runs: dict[str, Any]) -> str:
    return "".join(f"{line}\n" for line in (HEADING, *map(json.dumps, runs)))


def test_the_good_one_is_good() -> None:
    assert len(read_record(file_of(GOOD)).runs) == 1


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "does not begin"),
        ("format = 1\n", "does not begin"),
        ("[]\n", "does not begin"),
        ('{"stopwright": "proof of wiring 2"}\n', "does not begin"),
        (json.dumps({"stopwright": BEGINNING}) + "\n", "a name"),
        (json.dumps({"stopwright": BEGINNING, "console": "\x1b[2J"}) + "\n", "a name"),
        ("[" * 100_000, "does not begin"),
        (HEADING + "\n" + "[" * 100_000, "line 2: it is no JSON"),
        (HEADING + "\n\n", "line 2: it is no JSON"),
        (HEADING + '\n{"run": "gr', "line 2: it is no JSON"),
        (HEADING + "\n" + "1" * 10_000, "line 2: it is no"),
        (file_of({"run": "great"}), "line 2: it is no run"),
        (file_of(GOOD, GOOD), "line 3: the run great is there twice"),
        (file_of(GOOD | {"more": 1}), "it is no run"),
        (file_of(GOOD | {"run": 5}), "a name"),
        (file_of(GOOD | {"run": "x" * 201}), "a name"),
        (file_of(GOOD | {"on": "yesterday"}), "no day"),
        (file_of(GOOD | {"on": 7}), "no day"),
        (file_of(GOOD | {"on": "2031-05-04T18:30:00"}), "no time zone"),
        (file_of(GOOD | {"wires": {}}), "a list is missing"),
        (file_of(GOOD | {"wires": [["key", "great"]]}), "a list of 3"),
        (file_of(GOOD | {"wires": [["door", "great", 1]]}), "role"),
        (file_of(GOOD | {"wires": [[["key"], "great", 1]]}), "role"),
        (file_of(GOOD | {"wires": [["key", "great", True]]}), "number"),
        (file_of(GOOD | {"wires": [["key", "great", 10**300]]}), "number"),
        (file_of(GOOD | {"before": [["console", "F0"]]}), "no note"),
        (file_of(GOOD | {"before": [["console", "90FF00"]]}), "no note"),
        (file_of(GOOD | {"heard": [[0, "console", "9024"]]}), "no note"),
        (file_of(GOOD | {"heard": [[0, "console", "C02400"]]}), "no note"),
        (file_of(GOOD | {"heard": [[float("nan"), "console", "902401"]]}), "no JSON"),
        (file_of(GOOD | {"heard": [[10**300, "console", "902401"]]}), "not within"),
        (file_of(GOOD | {"heard": [[-1, "console", "902401"]]}), "not within"),
        (file_of(GOOD | {"heard": [["0", "console", "902401"]]}), "no number"),
        (file_of(GOOD | {"heard": [[2, "a", "902401"], [1, "a", "802400"]]}), "in order"),
        (file_of(GOOD).replace("[0.0,", "[1e999,"), "not within"),
    ],
)
def test_what_is_no_proof_is_refused(text: str, why: str) -> None:
    with pytest.raises(ProofFileError, match=why):
        read_record(text)
