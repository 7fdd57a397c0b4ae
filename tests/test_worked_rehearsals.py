"""The rehearsals that come with the program: they hold, and every expectation in them bites."""

import re
from functools import cache
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cli.rehearsal.commands import WORKED, rehearse
from cli.rehearsal.lines import Draft, draft_of, said_in
from cli.rehearsal.rehearsing import run
from cli.rehearsal.trying import Choice, choices_made
from combination.memory import fresh_bank
from combination.midi import Wiring
from combination.model import Console
from combination.reading import examine, read_console
from tests import test_worked_cases as contract

REHEARSALS = sorted(WORKED.glob("*.rehearsal"))
NAMES = [path.stem for path in REHEARSALS]
CONSOLES = {path.name: path.read_text() for path in WORKED.glob("*.toml")}

BLIND = {
    "blind-ignored": contract.BLIND_IGNORED,
    "blind-last-touch": contract.BLIND_LAST_TOUCH,
    "blind-adds": contract.BLIND_ADDS,
    "reversible-crescendo-full-organ": contract.REVERSIBLE_CRESCENDO_FULL_ORGAN,
    "setting-blind-ignored": contract.SETTING,
    "setting-blind-last-touch": contract.SETTING_LAST_TOUCH,
}
"""Tables of semantics.md I.10, and the rehearsals that tell them."""
SENTENCES = {
    "again-releases",
    "latch",
    "never-captured-full-organ",
    "never-captured-moving",
    "stored-whole",
}
"""Rehearsals of the cases that semantics.md I.10 tells in sentences."""
RELAY = {
    "relay-one-rank": "expect pipes flute 37 49 61",
    "relay-mutations": "expect pipes diapason 20 29 32",
    "relay-tenor-c": "expect pipes celeste 1",
    "relay-short-bass": "expect pipes diapason 1",
    "relay-pedal-sixteen": "expect pipes bourdon 1",
    "relay-octave-coupler": "expect lines great 96",
    "relay-unison-off": "expect lines great 72",
    "relay-no-cascade": "expect lines solo nothing",
}
"""Rows of semantics.md II.5, in their order, with what is told of each. How many pipes are needed
(61, 73, 85, 97) is for the console check."""
MORE_OF_THE_RELAY = {
    "relay-longest-on",
    "relay-mixture",
    "relay-mutation-coupler",
    "relay-pizzicato",
    "relay-registration",
    "relay-reiteration",
    "relay-sent-out",
    "relay-shades",
    "relay-transposer",
    "relay-traps",
}
DONE = ("tab", "push", "press", "release", "crescendo", "keys", "transpose", "shoe", "wait")
"""How statements begin that do something."""


def prepared(text: str) -> tuple[Draft, Console]:
    draft = draft_of(said_in(text))
    return draft, console_of(draft.console or "", tuple(draft.choices))


@cache
def console_of(name: str, choices: tuple[Choice, ...]) -> Console:
    return read_console(choices_made(CONSOLES[name], choices))


@cache
def rehearsed(path: Path) -> Result:
    return CliRunner().invoke(rehearse, [str(path)])


def failed(text: str) -> list[int]:
    """The numbers of the lines that do not hold."""
    draft, console = prepared(text)
    outcome = run(draft.on(console), console, fresh_bank(console))
    return [failure.said.order for failure in outcome.failures]


def statements(path: Path) -> list[list[str]]:
    """What is done, each with the expectations after it, in the words of the file."""
    found: list[list[str]] = []
    for said in said_in(path.read_text()):
        if said.text.startswith("expect "):
            found[-1].append(said.text)
        elif said.text.split()[0] in DONE:
            found.append([said.text])
    return found


def words(cell: str) -> str:
    return cell.replace("–", "").strip() or "nothing"


def as_written(step: str) -> str:
    return step.replace("(stored)", "").replace("crescendo to", "crescendo stage").strip()


def test_every_case_has_its_rehearsal() -> None:
    assert {*BLIND, "moving", *SENTENCES, *RELAY, *MORE_OF_THE_RELAY} == set(NAMES)


@pytest.mark.parametrize(("name", "told"), RELAY.items(), ids=RELAY)
def test_rows_of_the_relay(name: str, told: str) -> None:
    assert told in (WORKED / f"{name}.rehearsal").read_text().split("\n")


def test_low_c_of_the_pedal_goes_out_as_note_24() -> None:
    """The row's other half, which no rehearsal can look at (semantics.md II.5)."""
    draft, console = prepared((WORKED / "relay-pedal-sixteen.rehearsal").read_text())
    outcome = run(draft.on(console), console, fresh_bank(console))
    first = outcome.relayed[0]
    ((port, message),) = Wiring(console).sent([first.effect])
    assert (first.at, port) == (0.2, "chest")
    assert (message.type, message.channel, message.note, message.velocity) == ("note_on", 4, 24, 64)


@pytest.mark.parametrize("path", REHEARSALS, ids=NAMES)
def test_it_holds(path: Path) -> None:
    result = rehearsed(path)
    assert result.exit_code == 0
    count = len(re.findall(r"(?m)^expect ", path.read_text()))
    assert count
    assert result.output.endswith(f"1 rehearsal, {count} expectations: all held\n")


def test_all_at_once() -> None:
    result = CliRunner().invoke(rehearse, ["--worked", "--quiet"])
    assert result.exit_code == 0
    assert result.output.startswith(f"{len(REHEARSALS)} rehearsals, ")
    assert result.output.endswith(": all held\n")


@pytest.mark.parametrize("path", REHEARSALS, ids=NAMES)
def test_it_fits_the_page(path: Path) -> None:
    result = rehearsed(path)
    assert max(map(len, result.output.splitlines())) <= 100


@pytest.mark.parametrize("path", REHEARSALS, ids=NAMES)
def test_it_holds_as_a_recording(path: Path, tmp_path: Path) -> None:
    recording = tmp_path / "recorded.mid"
    out = CliRunner().invoke(rehearse, [str(path), "--quiet", "--midi-out", str(recording)])
    assert out.exit_code == 0
    back = CliRunner().invoke(rehearse, [str(recording), "--quiet"])
    assert (back.exit_code, back.output) == (0, out.output)


@pytest.mark.parametrize("name", BLIND)
def test_blind_tables_row_by_row(name: str) -> None:
    rows = contract.rows(BLIND[name])
    done = statements(WORKED / f"{name}.rehearsal")
    assert [step for step, *_ in done] == [as_written(row[0]) for row in rows]
    for (_, *expected), (_, rail, governed, sounding, lit) in zip(done, rows, strict=True):
        columns = {"rail": rail, "governed": governed, "sounding": sounding, "lit": lit}
        for what, cell in columns.items():
            assert f"expect {what} {words(cell)}" in expected


def test_moving_table_row_by_row() -> None:
    rows = contract.rows(contract.MOVING)
    done = statements(WORKED / "moving.rehearsal")
    assert [step for step, *_ in done] == [as_written(row[0]) for row in rows]
    for (_, *expected), (_, rail, lit, driven) in zip(done, rows, strict=True):
        moves = [part.split() for part in driven.split(", ") if part]
        ways = [
            f"{way} {' '.join(tab for tab, moved in moves if moved == way)}"
            for way in ("on", "off")
            if any(moved == way for _, moved in moves)
        ]
        assert f"expect rail {words(rail)}" in expected
        assert f"expect sounding {words(rail)}" in expected
        assert f"expect lit {words(lit)}" in expected
        assert f"expect driven {' '.join(ways) or 'nothing'}" in expected


# ---------------------------------------------------------------- expectations bite

OTHER = {
    "level": "10",
    "shades": "unknown",
    "transposer": "+6",
    "lit": "G1",
    "stored": "G1",
    "refused": 'G1 "not settable"',
    "driven": "on a",
    "keys": "60",
    "lines": "60",
    "out": "60",
    "pipes": "1",
    "speaking": "1",
    "switched": "bell",
    "struck": "drum",
}
"""What is expected instead of what is, where that is nothing or one thing; else control a is."""
OF = ("keys", "lines", "out", "pipes", "speaking", "shades")
"""What is expected of something that is named."""
ONE = ("level", "shades", "transposer")
"""What is one thing, and cannot be nothing."""


def changed(line: str) -> str:
    """The same expectation, of something else."""
    head, look, *rest = line.split()
    begun = [head, look, *(rest[:1] if look in OF else ())]
    if "=" in rest:
        begun += rest[: rest.index("=") + 1]
    listed = line.split()[len(begun) :]
    if look in ONE or listed == ["nothing"]:
        other = OTHER.get(look, "a") if [*listed] != ["unknown"] else "0"
    elif look in ("refused", "driven"):
        other = "nothing"
    else:
        other = " ".join(listed[1:]) or "nothing"
    return " ".join([*begun, other])


@pytest.mark.parametrize("path", REHEARSALS, ids=NAMES)
def test_changing_any_expectation_makes_it_fail(path: Path) -> None:
    lines = path.read_text().split("\n")
    numbers = [number for number, line in enumerate(lines, 1) if line.startswith("expect ")]
    for some in (numbers[::2], numbers[1::2]):
        others = [*lines]
        for number in some:
            others[number - 1] = changed(lines[number - 1])
        assert failed("\n".join(others)) == some


@pytest.mark.parametrize("path", REHEARSALS, ids=NAMES)
def test_leaving_out_anything_done_makes_it_fail(path: Path) -> None:
    """The expectations see whatever is done: no statement but choices is there in vain."""
    lines = path.read_text().split("\n")
    for number, line in enumerate(lines):
        if line.split(maxsplit=1)[:1] in [[done] for done in DONE]:
            others = [*lines[:number], "", *lines[number + 1 :]]
            assert failed("\n".join(others)), line


@pytest.mark.parametrize("name", sorted(CONSOLES))
def test_the_consoles_draw_no_warnings_but_those_of_short_ranks(name: str) -> None:
    """The relay's has ranks without the pipes that its cases are about."""
    _, findings = examine(CONSOLES[name])
    short = ["gt-double-16", "xylophone", "chimes"] if name == "worked-relay.toml" else []
    assert [str(finding).split('"')[1] for finding in findings] == short
    assert all("runs off rank" in str(finding) for finding in findings)
