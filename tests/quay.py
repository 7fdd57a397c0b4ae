"""The chapel on the quay: a small console, what a player has set on it, and commands run there.

What several tests of the command line share. What a command should say is for them to know.
"""

import fcntl
import os
import pty
import select
import signal
import subprocess
import sys
import termios
import time
from collections.abc import Iterable
from decimal import Decimal
from pathlib import Path

from attrs import evolve
from click.testing import CliRunner, Result

from banks import BankFile, read_bank_file, write_bank_file
from cli.main import main
from combination.memory import (
    Bank,
    Combination,
    ControlCard,
    Level,
    PistonCard,
    Slot,
    Step,
    fresh_bank,
)
from combination.model import Console
from tests.consoles import Player

PATIENCE = 60.0
"""Seconds that a command may take at a terminal."""
CTRL_C, CTRL_D = b"\x03", b"\x04"
SAVED = "2031-05-04T18:30:00Z"

QUAY = """\
format = 1
name = "Quay Chapel"
action = "lit"
levels = 8

[[keyboard]]
id = "great"
name = "Great"

[[keyboard]]
id = "pedal"
name = "Pedal"
keys = 30

[[division]]
id = "great"
name = "Great"
keyboard = "great"

[[division]]
id = "pedal"
name = "Pedal"
keyboard = "pedal"

[[stop]]
id = "open"
label = ["Open Diapason", "8'"]
division = "great"

[[stop]]
id = "flute"
label = ["Flute", "4'"]
division = "great"

[[stop]]
id = "bourdon"
label = ["Bourdon", "16'"]
division = "pedal"

[[stop]]
id = "pd-flute"
label = ["Flute", "4'"]
division = "pedal"

[[coupler]]
id = "octave"
label = "Great Octave"
keys = "great"
plays = "great"
shift = 12

[[tremulant]]
id = "trem"
label = "Tremulant"

[[piston]]
id = "g1"
label = "1"
kind = "general"

[[piston]]
id = "g2"
label = "2"
kind = "general"

[[piston]]
id = "gt1"
label = "1"
kind = "divisional"
division = "great"

[[piston]]
id = "pd1"
label = ["Pedal", "1"]
kind = "divisional"
division = "pedal"

[[piston]]
id = "fo"
label = ["Full", "Organ"]
kind = "full-organ"
settable = true
sounds = { controls = ["open", "flute", "bourdon", "octave"] }

[[piston]]
id = "r-oct"
label = "Octave"
kind = "reversible"
control = "octave"

[[piston]]
id = "gc"
label = ["General", "Cancel"]
kind = "general-cancel"

[[piston]]
id = "set"
label = "Set"
kind = "set"

[[piston]]
id = "c-set"
label = ["Crescendo", "Set"]
kind = "crescendo-set"

[[piston]]
id = "up"
label = "+"
kind = "level-up"

[crescendo]

[[crescendo.stage]]
adds = { controls = ["flute"] }

[[crescendo.stage]]
adds = { controls = ["open"] }
"""


def played(console: Console) -> Bank:
    """What a player has set at the chapel on the quay."""
    kept = fresh_bank(console, "Eastertide")
    player = Player(console, kept)
    player.do("tab open on", "tab bourdon on", "tab trem on", "press set", "push g1", "release set")
    player.do("tab octave on", "tab open off", "press set", "push gt1", "push fo", "release set")
    player.do("push gc", "press set", "push pd1", "release set", "push up")
    player.do("tab pd-flute on", "press set", "push g2", "release set")
    player.do("crescendo to 2", "press set", "push c-set", "release set")
    kept.at(1).name = "Easter Eve"
    kept.levels[5] = Level("Whitsun", locked=True)
    kept.put(Slot("gt1", 1), Combination(kept.roster.bits(["open", "bourdon"]), 0b10))
    kept.sequences["Vespers"] = (
        Step(Decimal(1), 1, "g1", "hymn"),
        Step(Decimal(2), 2, "gc"),
    )
    kept.sequence, kept.place = "Vespers", Decimal(2)
    return kept


def save(path: str | Path, kept: Bank) -> None:
    """Write a bank file that was saved in May 2031."""
    write_bank_file(path, BankFile(kept, SAVED, "a console"))


def load(path: str | Path) -> Bank:
    """The bank in a bank file."""
    return read_bank_file(path).bank


def altered(kept: Bank) -> Bank:
    """A bank that differs from the one at the quay in everything that can differ."""
    trombone = ControlCard("trombone", ("Trombone",), "Pedal")
    cards = [
        evolve(card, label=("Great Tremulant",), division="Great") if card.id == "trem" else card
        for card in kept.controls
    ]
    other = evolve(kept, controls=(*cards, trombone), name="", locked=True, level=1)
    other.sequence, other.place = None, Decimal(3)
    bits = other.roster.bits
    pistons = dict(kept.pistons)
    del pistons["pd1"]
    pistons["g1"] = evolve(pistons["g1"], affects=pistons["g1"].affects | bits(["trombone"]))
    pistons["g2"] = evolve(pistons["g2"], kind="divisional")
    pistons["extra"] = PistonCard("extra", ("Extra",), "general", 0)
    other.pistons = pistons
    other.levels = {
        1: Level(
            "Lent",
            True,
            {
                "g1": Combination(bits(["open", "flute", "trem"])),
                "gt1": Combination(bits(["open", "bourdon"]), bits(["open"])),
            },
        ),
        2: kept.levels[2],
        5: kept.levels[5],
        7: Level(combinations={"g1": Combination(bits(["open"]), bits(["trem"]))}),
    }
    other.full_organs = {"fo": bits(["octave", "trem"])}
    other.stages = kept.stages | {1: bits(["flute"])}
    first, second = kept.sequences["Vespers"]
    other.sequences = {
        "Vespers": (first, Step(Decimal("1.5"), 7, "r-oct"), evolve(second, note="out"))
    }
    return other


def contents() -> dict[str, bytes]:
    """Every file here, with what is in it."""
    return {str(path): path.read_bytes() for path in Path().rglob("*") if path.is_file()}


# ---------------------------------------------------------------- commands


def run(*words: object, typed: str | bytes | None = None) -> Result:
    """Run a command as a person would who is not at a terminal; it never fails badly."""
    result = CliRunner().invoke(main, [str(word) for word in words], input=typed)
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    assert result.exit_code in (0, 1, 2)
    assert "Traceback" not in result.output
    return result


def done(*words: object, typed: str | bytes | None = None) -> str:
    """What a command says that can be done."""
    result = run(*words, typed=typed)
    assert (result.exit_code, result.stderr) == (0, "")
    return result.stdout


def refusal(*words: object, typed: str | bytes | None = None) -> str:
    """What a command says that cannot be done, and leaves every file here as it was."""
    before = contents()
    result = run(*words, typed=typed)
    assert result.exit_code == 2
    assert contents() == before
    return result.stderr.removeprefix("stopwright: ").removesuffix("\n")


def at_a_terminal(words: Iterable[str], *answers: tuple[str, bytes]) -> tuple[int, str]:
    """Run a command at a terminal, and answer its questions: its exit code, and what was seen.

    Each answer comes with the end of its question. A Ctrl-C is given again where nothing comes
    of it: Python loses one that is typed between its showing the question and its waiting for
    an answer.
    """
    ours, theirs = pty.openpty()
    code = "from cli.main import main; main(prog_name='stopwright')"
    with subprocess.Popen(
        [sys.executable, "-c", code, *words],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        start_new_session=True,
        preexec_fn=_take_terminal,
    ) as command:
        os.close(theirs)
        left, last = list(answers), b""
        seen, given_up = b"", time.monotonic() + PATIENCE
        while part := _read(ours):
            seen += part
            if left and seen.endswith(left[0][0].encode()):
                _, last = left.pop(0)
                os.write(ours, last)
            while not select.select([ours], [], [], 1.0)[0]:
                if last == CTRL_C:
                    os.write(ours, last)
                if time.monotonic() > given_up:
                    command.kill()
    os.close(ours)
    return command.returncode, seen.decode().replace("\r\n", "\n")


def _take_terminal() -> None:
    """Be governed by the terminal, so that Ctrl-C typed there is a signal that counts."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    fcntl.ioctl(0, termios.TIOCSCTTY, 0)


def _read(terminal: int) -> bytes:
    try:
        return os.read(terminal, 4096)
    except OSError:  # a terminal whose other end is closed
        return b""
