"""Logs of ports: what is in them, what is none, and a log rehearsed."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cli.rehearsal.midi_files import Lost, Played
from cli.rehearsal.port_log import (
    BEGINNING,
    Passed,
    PortLogError,
    Way,
    read_log,
    recording_of_log,
)
from tests.live import FLUTE, G1, GC, SET, great, oxmarsh, push, tab
from tests.quay import done, refusal

LINES = st.lists(
    st.builds(
        lambda at, way, port, data: Passed(at, way, port, data if way in ("in", "out") else b""),
        st.integers(0, 10**15).map(lambda micros: micros / 1e6),
        st.sampled_from(Way),
        st.text(max_size=20),
        st.binary(min_size=1, max_size=40),
    )
).map(lambda found: sorted(found, key=lambda one: one.at))


def written(log: list[Passed]) -> str:
    return "".join(f"{line}\n" for line in (BEGINNING, *log))


@given(LINES)
def test_what_was_written_is_read(log: list[Passed]) -> None:
    assert read_log(written(log)) == log


@given(LINES, st.integers(0, 400))
def test_a_log_that_was_broken_off_is_read_as_far_as_it_goes(log: list[Passed], cut: int) -> None:
    text = written(log)[: len(BEGINNING) + 1 + cut]
    found = read_log(text)
    assert found == log[: len(found)]
    assert len(found) == text.count("\n") - 1


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "it does not begin with"),
        ("stopwright port log 2\n", "it does not begin with"),
        (f'{BEGINNING}\n0.1 in "a" 90\nnonsense\n', "line 3"),
        (f'{BEGINNING}\n0.1 in "a" 9\n', "line 2"),
        (f'{BEGINNING}\n0.1 in "a"\n', "line 2"),
        (f'{BEGINNING}\n0.1 open "a" 90\n', "line 2"),
        (f'{BEGINNING}\n0.1 up "a" 90\n', "line 2"),
        (f'{BEGINNING}\n0.1 in "\\x" 90\n', "line 2"),
        (f'{BEGINNING}\n0.2 in "a" 90\n0.1 in "a" 90\n', "line 3"),
    ],
)
def test_what_is_no_log(text: str, why: str) -> None:
    with pytest.raises(PortLogError, match=why):
        read_log(text)


def test_what_comes_soon_after_a_port_opened_was_found() -> None:
    log = [
        Passed(0.0, Way.OPEN, "left"),
        Passed(0.1, Way.IN, "right", great(60, True)),
        Passed(0.2, Way.IN, "left", great(60, True)),
        Passed(0.3, Way.OUT, "left", great(60, True)),
        Passed(0.6, Way.IN, "left", great(60, False)),
        Passed(0.7, Way.LOST, "left"),
    ]
    assert recording_of_log(log, "evening").entries == (
        Played(0.1, ("right",), great(60, True), found=False),
        Played(0.2, ("left",), great(60, True), found=True),
        Played(0.6, ("left",), great(60, False), found=False),
        Lost(0.7, "left"),
    )


def test_what_comes_after_silence_was_found_too() -> None:
    """As `Playing.heard` has it: the board is heard of again, and nothing says that it opened."""
    log = [
        Passed(0.0, Way.OPEN, "left"),
        Passed(5.0, Way.LOST, "left"),
        Passed(9.0, Way.IN, "left", great(60, True)),
        Passed(9.4, Way.IN, "left", great(61, True)),
        Passed(9.6, Way.IN, "left", great(62, True)),
    ]
    entries = recording_of_log(log, "evening").entries
    assert [each.found for each in entries if isinstance(each, Played)] == [True, True, False]


@pytest.fixture
def evening(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[Passed]:
    """A general set and recalled, a key held, and its port lost."""
    monkeypatch.chdir(tmp_path)
    Path("oxmarsh.toml").write_text(oxmarsh(), encoding="utf-8")
    log = [Passed(0.0, Way.OPEN, "left")]
    at = 1.0
    steps = (tab(FLUTE, True), push(SET), push(G1), tab(FLUTE, False), push(G1), great(60, True))
    for data in steps:
        for place in range(0, len(data), 3):
            at += 0.1
            log.append(Passed(at, Way.IN, "left", data[place : place + 3]))
    return [*log, Passed(at + 1, Way.LOST, "left"), Passed(at + 2, Way.OPEN, "left")]


def test_a_log_is_rehearsed(evening: list[Passed]) -> None:
    Path("evening.log").write_text(written(evening), encoding="utf-8")
    told = done("rehearse", "evening.log", "--console", "oxmarsh.toml")
    assert told.count('port "left" is lost') == 1
    lost = told[told.index('port "left" is lost') :]
    assert lost.splitlines()[0].split()[-4:] == ["Flute", "-", "25", "0"], "its key was let go"


def test_a_console_may_be_left_on_over_a_weekend(evening: list[Passed]) -> None:
    """And for a year: a log has no longest time, and costs none where nothing happens."""
    last = Passed(366 * 86_400.0, Way.IN, "left", push(G1)[:3])
    Path("long.log").write_text(written([*evening, last]), encoding="utf-8")
    told = done("rehearse", "long.log", "--console", "oxmarsh.toml")
    assert "31622400.000" in told


def test_a_piston_that_was_found_down_is_stuck_in_the_rehearsal_too(evening: list[Passed]) -> None:
    found = Passed(0.2, Way.IN, "left", push(GC)[:3])
    Path("evening.log").write_text(written([evening[0], found, *evening[1:]]), encoding="utf-8")
    told = done("rehearse", "evening.log", "--console", "oxmarsh.toml")
    assert "stuck" in told
    Path("later.log").write_text(written(evening), encoding="utf-8")
    assert "stuck" not in done("rehearse", "later.log", "--console", "oxmarsh.toml")


def test_a_damaged_log_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("bad.log").write_text(f"{BEGINNING}\nnonsense\n", encoding="utf-8")
    said = refusal("rehearse", "bad.log", "--console", "oxmarsh.toml")
    assert said == "bad.log is no log that can be run: line 2 is no line of a log"
