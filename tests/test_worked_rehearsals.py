"""The rehearsals that come with the program: they hold, and every expectation in them bites."""

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from cli.rehearsal.commands import WORKED, rehearse
from cli.rehearsal.lines import Draft, draft_of, said_in
from cli.rehearsal.rehearsing import run
from cli.rehearsal.trying import choices_made
from combination.memory import fresh_bank
from combination.model import Console
from combination.reading import examine, read_console
from tests import test_worked_cases as contract

REHEARSALS = sorted(WORKED.glob("*.rehearsal"))
NAMES = [path.stem for path in REHEARSALS]
CONSOLE_TEXT = (WORKED / "worked.toml").read_text()

BLIND = {
    "blind-ignored": contract.BLIND_IGNORED,
    "blind-last-touch": contract.BLIND_LAST_TOUCH,
    "blind-adds": contract.BLIND_ADDS,
    "reversible-crescendo-full-organ": contract.REVERSIBLE_CRESCENDO_FULL_ORGAN,
    "setting-blind-ignored": contract.SETTING,
    "setting-blind-last-touch": contract.SETTING_LAST_TOUCH,
}
"""Tables of semantics.md I.10, and the rehearsals that tell them."""


def prepared(text: str) -> tuple[Draft, Console]:
    draft = draft_of(said_in(text))
    return draft, read_console(choices_made(CONSOLE_TEXT, draft.choices))


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
        elif said.text.split()[0] in ("tab", "push", "press", "release", "crescendo"):
            found.append([said.text])
    return found


def words(cell: str) -> str:
    return cell.replace("–", "").strip() or "nothing"


def as_written(step: str) -> str:
    return step.replace("(stored)", "").replace("crescendo to", "crescendo stage").strip()


def test_every_table_has_its_rehearsal() -> None:
    assert {*BLIND, "moving"} < set(NAMES)
    assert len(NAMES) == len(BLIND) + len(["moving"]) + 5


@pytest.mark.parametrize("path", REHEARSALS, ids=NAMES)
def test_it_holds(path: Path) -> None:
    result = CliRunner().invoke(rehearse, [str(path)])
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
    result = CliRunner().invoke(rehearse, [str(path)])
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


def changed(line: str) -> str:
    """The same expectation, of something else."""
    head, look, *rest = line.split()
    if look == "level":
        return f"{head} level {int(rest[0]) + 1}"
    if look == "refused":
        return f"{head} refused" + (' G1 "not settable"' if rest == ["nothing"] else " nothing")
    if look == "driven":
        return f"{head} driven" + (" on a" if rest == ["nothing"] else " nothing")
    listed = rest[rest.index("=") + 1 :] if "=" in rest else rest
    kept = line[: line.rindex(" ".join(listed))]
    if listed == ["nothing"]:
        return kept + ("G1" if look in ("lit", "stored") else "a")
    return kept + (" ".join(listed[1:]) or "nothing")


@pytest.mark.parametrize("path", REHEARSALS, ids=NAMES)
def test_changing_any_expectation_makes_it_fail(path: Path) -> None:
    lines = path.read_text().split("\n")
    numbers = [number for number, line in enumerate(lines, 1) if line.startswith("expect ")]
    for number in numbers:
        others = [*lines]
        others[number - 1] = changed(lines[number - 1])
        assert failed("\n".join(others)) == [number], others[number - 1]


@pytest.mark.parametrize("path", REHEARSALS, ids=NAMES)
def test_leaving_out_anything_done_makes_it_fail(path: Path) -> None:
    """The expectations see whatever is done: no statement but choices is there in vain."""
    lines = path.read_text().split("\n")
    for number, line in enumerate(lines):
        if line.split()[:1] in (["tab"], ["push"], ["press"], ["release"], ["crescendo"]):
            others = [*lines[:number], "", *lines[number + 1 :]]
            assert failed("\n".join(others)), line


def test_the_console_draws_no_warning() -> None:
    _, findings = examine(CONSOLE_TEXT)
    assert findings == ()
