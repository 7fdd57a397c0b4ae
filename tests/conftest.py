"""What tests of the command line begin with: a place, a time of day, and files to work on."""

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from combination.model import Console
from combination.reading import read_console
from tests.quay import QUAY, played, save


@pytest.fixture
def in_utc(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Times of day are said by the clock of the place: let that be Greenwich."""
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.fixture
def quay(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Console:
    """A folder with a console file, ``quay.toml``, and a bank played on it, ``quay.bank``."""
    monkeypatch.chdir(tmp_path)
    Path("quay.toml").write_text(QUAY, encoding="utf-8")
    console = read_console(QUAY)
    save("quay.bank", played(console))
    return console
