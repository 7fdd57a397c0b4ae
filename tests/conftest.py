"""What tests of the command line begin with: a place, a time of day, and files to work on."""

import os
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from combination.model import Console
from combination.reading import read_console
from tests.figures import NAME, Figures
from tests.quay import QUAY, played, save

settings.register_profile(
    "stopwright", deadline=None, max_examples=int(os.environ.get("STOPWRIGHT_EXAMPLES", "20"))
)
settings.load_profile("stopwright")
"""Speed is for `tests.bench`: a busy machine fails no test. CI has ten minutes for all of them."""


LONG = (
    "test_play_soak",
    "test_play_jack",
    "test_proving",
    "test_play_live",
    "test_store_plug",
    "test_store_faults",
    "test_bank_file",
    "test_exhaustive",
    "test_against_plain_model",
    "test_mending",
)
"""Files that take long: they come first, so that no process has one of them left at the end. Those
that need JACK are far apart, since they take turns (`tests.jack`)."""


def pytest_xdist_auto_num_workers() -> int:
    """One process more than there are processors: some tests wait most of their time."""
    return (os.cpu_count() or 1) + 1


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put what takes long first."""
    place = {name: number for number, name in enumerate(LONG)}
    items.sort(key=lambda item: place.get(item.path.stem, len(LONG)))


@pytest.fixture
def figures(record_property: Callable[[str, object], None]) -> Figures:
    """Says a line at the end of the run: what was counted or measured."""
    return lambda line: record_property(NAME, line)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Print what tests counted and measured."""
    reports = [*terminalreporter.getreports("passed"), *terminalreporter.getreports("failed")]
    lines = [
        (report.nodeid, line)
        for report in reports
        for name, line in report.user_properties
        if name == NAME
    ]
    if lines:
        terminalreporter.section("figures")
        for _, line in sorted(lines):
            terminalreporter.write_line(line)


@pytest.fixture
def in_utc(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Times of day are said by the clock of the place: let that be Greenwich."""
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.fixture(scope="session")
def quay_played(tmp_path_factory: pytest.TempPathFactory) -> tuple[Console, bytes]:
    """The console, and the file of a bank played on it."""
    console, path = read_console(QUAY), tmp_path_factory.mktemp("played") / "quay.bank"
    save(path, played(console))
    return console, path.read_bytes()


@pytest.fixture
def quay(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, quay_played: tuple[Console, bytes]
) -> Console:
    """A folder with a console file, ``quay.toml``, and a bank played on it, ``quay.bank``."""
    console, bank = quay_played
    monkeypatch.chdir(tmp_path)
    Path("quay.toml").write_text(QUAY, encoding="utf-8")
    Path("quay.bank").write_bytes(bank)
    return console
