"""How commands speak, on a terminal and off it."""

import os
import pty
import subprocess
import sys

SCRIPT = """
from cli.output import MANY, progress, say_table
for _ in progress(range({count}), "Rehearsing"):
    pass
say_table(("stop", "pitch"), [("[red]Flute[/red]", "8'")], title="Stops")
"""


def run_on_terminal(script: str) -> str:
    """What a person sees who runs it on a terminal."""
    ours, theirs = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-c", script], stdout=theirs, stderr=theirs, close_fds=True
    ) as process:
        os.close(theirs)
        seen = b""
        while True:
            try:
                part = os.read(ours, 65536)
            except OSError:  # the terminal is gone with the last who wrote to it
                break
            if not part:
                break
            seen += part
    os.close(ours)
    assert process.returncode == 0, seen
    return seen.decode()


def run_in_pipe(script: str) -> tuple[str, str]:
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    return done.stdout, done.stderr


def test_plain_when_not_a_terminal() -> None:
    stdout, stderr = run_in_pipe(SCRIPT.format(count="MANY"))
    assert stdout == "Stops\nstop              pitch\n[red]Flute[/red]  8'\n"
    assert stderr == ""


def test_progress_and_rules_on_a_terminal() -> None:
    seen = run_on_terminal(SCRIPT.format(count="MANY"))
    assert "Rehearsing" in seen
    assert "100%" in seen
    assert "[red]Flute[/red]" in seen, "no markup is seen in a label"
    assert "─" in seen


def test_no_progress_for_a_moment_of_work() -> None:
    assert "Rehearsing" not in run_on_terminal(SCRIPT.format(count="MANY - 1"))
