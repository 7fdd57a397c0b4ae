"""The command that plans a console's wiring, on files."""

import json
import shlex
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from cli.workshop.plan_command import plan_command
from combination.drivers import drivers_of
from combination.harness import points_of
from combination.reading import read_console

SURVEY = """
# Surveyed in the loft, by lamplight.
format = 1
name = "Quarry Chapel"
action = "moving"

[[keyboard]]
id = "great"
name = "Great"
keys = 30              # short compass

[[division]]
id = "great"
name = "Great"
keyboard = "great"

[[rank]]
id = "flute"
name = "Flute"
pipes = 42

[[stop]]
id = "flute-8"
label = "Flute 8'"
division = "great"
rank = "flute"

[[stop]]
id = "flute-4"
label = "Flute 4'"
division = "great"
rank = "flute"
pitch = "4"
contact = "rail.3"     # by hand

[[piston]]
id = "g1"
label = "1"
kind = "general"
at = ["toe", "thumb"]

[[board]]
id = "rail"
pins = 8
in = { port = "desk", channel = 1, first-note = 0 }
"""


@pytest.fixture
def survey(tmp_path: Path) -> Path:
    path = tmp_path / "quarry.toml"
    path.write_text(SURVEY, encoding="utf-8")
    return path


def run(*words: object) -> Result:
    return CliRunner().invoke(plan_command, [str(word) for word in words])


def lines(text: str) -> list[str]:
    return [" ".join(line.split()) for line in text.splitlines()]


def test_a_plan_is_printed_in_runs_and_nothing_is_written(survey: Path) -> None:
    result = run(survey, "--board", "32", "--drivers", "16x2", "--no-pipes")
    assert result.exit_code == 0, result.output
    said = lines(result.output)
    assert "Board rail, in: 8 pins, 3 planned, 4 spare; port desk, channel 1, notes 0-7" in said
    assert "1 Flute 8' (flute-8) planned" in said
    assert "3 Flute 4' (flute-4) before" in said
    assert "2 piston 1 (g1), thumb planned" in said
    assert "4 piston 1 (g1), toe stud planned" in said
    assert "5-8 spare" in said
    assert (
        "Board board-1 (new), in: 32 pins, 30 planned, 2 spare; port desk, channel 1, notes 8-39"
        in said
    )
    assert "1-30 Great keys 36-65 planned" in said
    assert "1 Flute 8' (flute-8) on planned" in said
    assert "6 Flute 4' (flute-4) off planned" in said
    assert "board-1 in 32 0 30 2" in said
    assert "4 of 4 lamps and magnets are in line with their contacts." in said
    assert any("fuse every" in line for line in said)
    assert said[-1] == "Nothing is written: add --write or --output FILE for that."
    assert survey.read_text(encoding="utf-8") == SURVEY


def test_a_plan_is_written_into_the_file_and_is_then_whole(survey: Path) -> None:
    words = ("--board", "32x2", "--drivers", "16x2", "--no-pipes", "--piston-lamps")
    result = run(survey, *words, "--write")
    assert result.exit_code == 0, result.output
    assert lines(result.output)[-1] == f"Written: {survey}"
    text = survey.read_text(encoding="utf-8")
    for kept in (
        "# Surveyed in the loft, by lamplight.",
        "# short compass",
        '"rail.3"     # by hand',
    ):
        assert kept in text
    console = read_console(text)
    assert all(point.pin for point in points_of(console))
    assert all(d.pin for d in drivers_of(console, piston_lamps=True) if d.id != "flute")
    again = run(survey, *words, "--write")
    assert again.exit_code == 0
    assert "Nothing to plan" in again.output
    assert "Without a pin still: 42 chest magnets." in again.output
    assert survey.read_text(encoding="utf-8") == text


def test_another_file_is_never_written_over(survey: Path, tmp_path: Path) -> None:
    other = tmp_path / "planned.toml"
    result = run(survey, "--board", "32", "--output", other)
    assert result.exit_code == 0, result.output
    planned = other.read_text(encoding="utf-8")
    assert read_console(planned).keyboards[0].contacts[0].pin == "board-1.1"
    assert survey.read_text(encoding="utf-8") == SURVEY
    result = run(survey, "--board", "48", "--output", other)
    assert result.exit_code == 2
    assert other.read_text(encoding="utf-8") == planned


def data(*words: object, code: int = 0) -> dict[str, Any]:
    result = run(*words, "--json")
    assert result.exit_code == code, result.output
    found: dict[str, Any] = json.loads(result.output)
    return found


def test_a_plan_as_json(survey: Path) -> None:
    found = data(survey, "--board", "16x3", "--drivers", "8", "--no-pipes", "--port", "new")
    assert [(b["board"], b["way"], b["planned"], b["spare"]) for b in found["boards"]] == [
        ("rail", "in", 3, 4),
        ("board-1", "in", 16, 0),
        ("board-2", "in", 14, 2),
        ("driver-1", "out", 4, 4),
    ]
    assert found["boards"][1] | {"pins": 0} == {
        "board": "board-1",
        "way": "in",
        "new": True,
        "port": "new",
        "channel": 1,
        "first-note": 0,
        "pins": 0,
        "wired before": 0,
        "planned": 16,
        "spare": 0,
    }
    first = {"part": "keys", "role": "key", "id": "great", "number": 36, "pin": "board-1.1"}
    assert found["contacts"][0] == first
    assert {"kind": "magnet, on", "id": "flute-4", "number": 0, "pin": "driver-1.5"} in found[
        "drivers"
    ]
    assert len(found["without a pin"]) == 42
    assert found["broken"] == [{"what": "keyboard", "id": "great", "pieces": 2}]
    assert (found["fewest"], found["aligned"], found["written"]) == (True, 4, None)


def test_too_few_boards_are_told_and_nothing_is_written(survey: Path) -> None:
    result = run(survey, "--board", "16", "--drivers", "4", "--write")
    assert result.exit_code == 1
    said = " ".join(result.output.split())
    assert "33 contacts need a pin, and there are too few: 1 more board of 16 pins" in said
    assert "46 lamps, magnets and solenoids need a pin" in said
    assert "11 more boards of 4 pins would do; add --drivers 4x11. Nothing is planned." in said
    assert survey.read_text(encoding="utf-8") == SURVEY
    found = data(survey, "--board", "16", code=1)
    assert found["lacking"] == [{"way": "in", "wires": 33, "boards": 1, "pins": 16}]
    assert len(found["without a pin"]) == 46
    assert found["written"] is None
    assert data(survey, "--drivers", "4", code=1)["without a pin"] == []


def test_too_few_boards_are_told_with_a_command_that_will_do(survey: Path, tmp_path: Path) -> None:
    output = tmp_path / "a copy.toml"
    words = ("--board", "4x2", "--drivers", "4", "--port", "the loft", "--piston-lamps")
    result = run(survey, *words, "--output", output)
    assert result.exit_code == 1
    command = shlex.split(result.output.splitlines()[-1])
    assert command == [
        *("stopwright", "workshop", "plan", str(survey)),
        *("--board", "4x2", "--board", "4x5", "--drivers", "4x1", "--drivers", "4x12"),
        *("--port", "the loft", "--piston-lamps", "--output", str(output)),
    ]
    found = data(survey, *words, "--output", output, code=1)
    assert shlex.split(found["command"]) == [*command, "--json"]
    assert not output.exists()
    assert run(*command[3:]).exit_code == 0
    assert output.exists()


def test_the_command_allows_for_boards_that_contacts_take_from_pipes(survey: Path) -> None:
    """A board of both ways is at the console once contacts are on it; pipes go on others."""
    text = SURVEY.replace("first-note = 0 }", "first-note = 0 }\nBOTH")
    text = text.replace("pins = 8", "pins = 48").replace("BOTH", BOTH)
    text = text.replace('contact = "rail.3"', "")
    survey.write_text(text.replace("keys = 30 ", "keys = 61 "), encoding="utf-8")
    result = run(survey, "--board", "8", "--drivers", "8")
    assert result.exit_code == 1
    command = shlex.split(result.output.splitlines()[-1])
    assert command[-3:] == ["8x1", "--drivers", "8x5"]
    assert run(*command[3:]).exit_code == 0


BOTH = 'out = { port = "desk", channel = 2, first-note = 0 }'


def test_more_boards_than_one_option_takes_are_several_options(survey: Path) -> None:
    stops = (f'[[stop]]\nid = "s{n}"\nlabel = "{n}"\ndivision = "great"\n' for n in range(520))
    survey.write_text(SURVEY.replace("keys = 30 ", "keys = 1 ") + "".join(stops), encoding="utf-8")
    result = run(survey, "--board", "1", "--no-pipes")
    assert result.exit_code == 1
    command = result.output.splitlines()[-1]
    assert "--board 1x1 --board 1x500 --board 1x16" in command
    assert run(*shlex.split(command)[3:]).exit_code == 0


def test_the_command_names_a_file_that_looks_like_an_option(
    survey: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(survey.parent)
    survey.rename("-quarry.toml")
    result = run("--board", "16", "--", "-quarry.toml")
    command = result.output.splitlines()[-1].strip()
    expected = "stopwright workshop plan ./-quarry.toml --board 16x1 --board 16x1"
    assert command == expected


def test_without_a_size_to_go_by_everything_that_needs_a_pin_is_counted(survey: Path) -> None:
    survey.write_text(
        SURVEY.replace('contact = "rail.3"', "").partition("[[board]]")[0], encoding="utf-8"
    )
    result = run(survey)
    assert result.exit_code == 1
    said = " ".join(result.output.split())
    assert "No board to hand takes contacts, and 34 need a pin; see --board." in said
    assert "Without a pin still: 4 tab magnets, 42 chest magnets. No board" in said
    assert said.endswith("Nothing is planned.")
    assert data(survey, code=1)["command"] is None


# ---------------------------------------------------------------- second touches

SECOND_TOUCH = """
[[piston]]
id = "p1"
label = "Pedal 1"
kind = "general"
"""
ABOVE = 'at = ["toe", "thumb"]\nsecond-touch = { piston = "p1" }'


def test_a_piston_that_is_only_a_second_touch_is_named(survey: Path) -> None:
    text = SURVEY.replace('at = ["toe", "thumb"]', ABOVE) + SECOND_TOUCH
    survey.write_text(text, encoding="utf-8")
    named = (
        "No contact of its own: piston Pedal 1 (p1), the second touch of piston 1 (g1). "
        'In the file, give it at = "thumb" or at = "toe" if it has one.'
    )
    for words, code in ((("--board", "32"), 0), (("--board", "8"), 1)):
        assert named in " ".join(run(survey, *words).output.split())
        found = data(survey, *words, code=code)
        assert found["no contact of their own"] == [{"id": "p1", "second touch of": ["g1"]}]
    written = run(survey, "--board", "32", "--write")
    assert written.exit_code == 0
    again = " ".join(run(survey).output.split())
    assert again.startswith("Nothing to plan")
    assert named in again
    survey.write_text(text + 'at = "thumb"\n', encoding="utf-8")
    assert "of its own" not in run(survey, "--board", "32").output
    assert data(survey, "--board", "32")["no contact of their own"] == []


def test_several_that_are_only_second_touches_are_named_together(survey: Path) -> None:
    text = SURVEY.replace('at = ["toe", "thumb"]', ABOVE) + SECOND_TOUCH
    text += 'second-touch = { piston = "p2" }\n' + SECOND_TOUCH.replace("1", "2")
    text += SECOND_TOUCH.replace("1", "3") + 'second-touch = { piston = "p2" }\n'
    survey.write_text(text, encoding="utf-8")
    said = " ".join(run(survey, "--board", "64").output.split())
    assert (
        "No contact of their own: piston Pedal 1 (p1), the second touch of piston 1 (g1); "
        "piston Pedal 2 (p2), the second touch of piston Pedal 1 (p1) and of piston Pedal 3 (p3). "
        'In the file, give one at = "thumb" or at = "toe" if it has one.'
    ) in said


# ---------------------------------------------------------------- in line


def test_how_many_boards_would_have_all_in_line_is_told(survey: Path) -> None:
    """The tabs are on pins 1 and 3: magnets on 1 and 2, 5 and 6, which are two boards of 4.

    The piston's lamp is for pin 2, and boards of their own have lamps and magnets.
    """
    words = (survey, "--board", "32", "--no-pipes", "--piston-lamps")
    said = " ".join(run(*words, "--drivers", "4x2").output.split())
    better = "lamps and magnets are in line with their contacts; all would be with --drivers 4x3."
    assert f"of 5 {better}" in said
    found = data(*words, "--drivers", "4x2")
    assert found["better aligned"] == {"aligned": 5, "boards": 3, "pins": 4}
    found = data(*words, "--drivers", "4x3")
    assert (found["aligned"], found["better aligned"]) == (5, None)
    pipes = tuple(word for word in words if word != "--no-pipes")
    found = data(*pipes, "--drivers", "4x13")
    assert found["better aligned"] == {"aligned": 5, "boards": 14, "pins": 4}
    assert data(*pipes, "--drivers", "4x14")["aligned"] == 5


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--board", "64 by 4"), "such as 64x4"),
        (("--board", "0x4"), "1 to 128 pins"),
        (("--board", "129"), "1 to 128 pins"),
        (("--drivers", "1"), "2 to 128 pins"),
        (("--board", "64x0"), "1 to 500 boards"),
        (("--port", " "), "A port is a name"),
        (("--write", "--output", "x.toml"), "not both"),
    ],
)
def test_what_cannot_be_asked_is_refused(survey: Path, words: tuple[str, ...], told: str) -> None:
    result = run(survey, *words)
    assert result.exit_code == 2
    assert told in " ".join(result.output.split())


def test_a_full_port_is_told(survey: Path) -> None:
    text = SURVEY.replace("keys = 30 ", "keys = 92 ")
    for channel in range(1, 17):
        text += f'\n[[board]]\nid = "x{channel}"\npins = 1\n'
        text += f'in = {{ port = "desk", channel = {channel}, first-note = 60 }}\n'
    survey.write_text(text, encoding="utf-8")
    result = run(survey, "--board", "100")
    assert result.exit_code == 2
    assert "100 notes in a row" in result.output
    assert "--port" in result.output
    assert run(survey, "--board", "100", "--port", "desk", "--port", "more").exit_code == 0


def test_a_console_with_errors_is_refused(survey: Path) -> None:
    survey.write_text(SURVEY.replace("rail.3", "rail.9"), encoding="utf-8")
    result = run(survey, "--board", "64", "--write")
    assert result.exit_code == 2
    assert "has an error" in result.output


def test_pipes_are_written_too(survey: Path) -> None:
    result = run(survey, "--board", "32", "--drivers", "32x3", "--write")
    assert result.exit_code == 0, result.output
    assert "1-32 Flute pipes 1-32 (chest magnets) planned" in lines(result.output)
    console = read_console(survey.read_text(encoding="utf-8"))
    assert all(driver.pin for driver in drivers_of(console))
