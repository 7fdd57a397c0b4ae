"""The demo tells its story to the end, and says so when something in it did not hold."""

import pytest
from attrs import evolve
from click.testing import CliRunner

from cli import demo as story
from combination.model import Cancel

TAKEN_BACK = """\
5. General Cancel: the tabs speak again.
     Accompaniment: Concert Flute 8' (by hand)
     Great: Tuba 8', Octave 4' (by hand)
     lit: no piston
"""


def test_the_story_is_proved() -> None:
    result = CliRunner().invoke(story.demo)
    assert result.exit_code == 0
    assert TAKEN_BACK in result.output
    assert "refused: g1, not set" in result.output
    proofs = result.output.split("Proved:\n")[1].splitlines()
    assert [proof.split()[0] for proof in proofs] == ["yes"] * 9
    assert "stored: g1" in result.output
    assert "12 pipes cease, 8 speak, 4 sound on" in result.output


def test_a_story_that_does_not_hold_is_not_called_proved(monkeypatch: pytest.MonkeyPatch) -> None:
    """On a console whose cancel gives silence, the tabs do not speak again."""
    silent = evolve(story.theatre(), cancel=Cancel.SILENCE)
    monkeypatch.setattr(story, "theatre", lambda: silent)
    result = CliRunner().invoke(story.demo)
    assert result.exit_code == 1
    assert "     NO   Cancel gave the tabs back\n" in result.output
