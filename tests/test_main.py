"""The command ``stopwright`` as a whole: what it reads in, and its answer to a slip."""

import json
import subprocess
import sys

import click
import pytest

from cli.main import main
from tests.quay import run

COMMANDS = main.list_commands(click.Context(main))


@pytest.mark.parametrize(
    ("words", "read"),
    [(["--version"], []), (["store", "--help"], ["store"]), (["play", "--help"], ["play"])],
)
def test_only_the_command_that_is_asked_for_is_read_in(words: list[str], read: list[str]) -> None:
    code = (
        "import json, sys\n"
        "from cli.main import main\n"
        f"main({words!r}, standalone_mode=False)\n"
        "print(json.dumps(list(sys.modules)))"
    )
    said = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    modules = json.loads(said.stdout.splitlines()[-1])
    rooms = {name.split(".")[1] for name in modules if name.endswith((".commands", "cli.demo"))}
    assert rooms == set(read)


@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_is_called_what_its_name_is(name: str) -> None:
    command = main.get_command(click.Context(main), name)
    assert command is not None
    assert command.name == name


def test_a_slip_of_the_keyboard_is_answered_with_what_may_be_meant() -> None:
    result = run("bnak")
    assert result.exit_code == 2
    assert "bank" in result.output.splitlines()[-1]
