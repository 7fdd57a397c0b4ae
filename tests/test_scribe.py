"""Logs on a disk that is full: nothing waits, what can be written is, and what is lost is told.

The disks and the limits are the system's own.
"""

import resource
import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from queue import SimpleQueue

import pytest

from cli.play import scribe
from cli.play.scribe import Recorder, Scribe
from cli.rehearsal.port_log import BEGINNING, Way, read_log
from tests.live import (
    FLUTE,
    LEFT_LAMP,
    LEFT_MARK,
    PATIENCE,
    Listening,
    Program,
    great,
    lamp,
    oxmarsh,
    playing,
    tab,
)
from tests.test_store_faults import as_root, fill, mounted

FULL = "No space left on device"
TOO_LARGE = "File too large"
"""What Linux says of a file that is as long as a process may make one."""
ONE_PORT = oxmarsh("line", "line", "line", "line")


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of its own, which holds some sixty thousand bytes."""
    place = tmp_path / "disk"
    place.mkdir()
    mounted("-t", "tmpfs", "-o", "size=64k", "tmpfs", str(place))
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", place], check=True)


def room(disk: Path) -> None:
    """There is room again."""
    (disk / "other things").unlink()


@as_root
def test_what_a_full_disk_did_not_take_is_written_when_there_is_room(disk: Path) -> None:
    told: SimpleQueue[str] = SimpleQueue()
    path = disk / "evening.log"
    writes = Scribe(path, "the log", told.put, first="beginning")
    lines = [f"line {number} of an evening" for number in range(2000)]
    for line in lines[:100]:
        writes.write(line)
    fill(disk)
    for line in lines[100:]:
        writes.write(line)
    assert told.get(timeout=5) == FULL
    room(disk)
    assert told.get(timeout=5) == ""
    assert writes.close(5.0) == ""
    assert path.read_text(encoding="utf-8").splitlines() == ["beginning", *lines]
    assert told.empty(), "each is told once"


@as_root
def test_what_was_never_written_is_counted(disk: Path) -> None:
    path = disk / "evening.log"
    writes = Scribe(path, "the log", lambda _: None)
    fill(disk)
    for number in range(3000):
        writes.write(f"line {number} of an evening")
    said = writes.close(5.0)
    written = path.read_text(encoding="utf-8").count("\n")
    assert said == f"{3000 - written} lines of the log could not be written: {FULL}"


@as_root
def test_no_more_waits_than_there_is_memory_for(
    disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of what comes then whole lines are lost, and those that waited are written."""
    monkeypatch.setattr(scribe, "MOST_WAITING", 10_000)
    monkeypatch.setattr(scribe, "SOON", 0.1)
    told: SimpleQueue[str] = SimpleQueue()
    path = disk / "evening.log"
    writes = Scribe(path, "the log", told.put)
    fill(disk)
    lines = [f"line {number} of an evening" for number in range(1500)]
    for line in lines:
        writes.write(line)
    assert told.get(timeout=5) == FULL
    while not writes._lines.empty():
        time.sleep(0.01)
    room(disk)
    assert told.get(timeout=5) == ""
    writes.write("the last")
    said = writes.close(5.0)
    *kept, last = path.read_text(encoding="utf-8").splitlines()
    assert last == "the last"
    assert kept == lines[: len(kept)]
    assert 9_900 < len("\n".join(kept)) < 10_100
    assert said == f"{len(lines) - len(kept)} lines of the log could not be written"


def no_larger(program: Program, size: int) -> tuple[int, int]:
    """No file that the program writes can grow beyond that: what was so before."""
    before = resource.prlimit(program.process.pid, resource.RLIMIT_FSIZE)
    resource.prlimit(program.process.pid, resource.RLIMIT_FSIZE, (size, before[1]))
    return before


def test_a_recording_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    """As a fault while it plays on; and nothing is missing if there is room again in time.

    There is room for part of a line yet: the rest of it comes when there is more.
    """
    console, log = tmp_path / "oxmarsh.toml", tmp_path / "evening.log"
    console.write_text(ONE_PORT, encoding="utf-8")
    words = f"the recording {log} cannot be written: {TOO_LARGE}"
    with Listening() as partner:
        with playing(console, {"line": partner}, "--record", log) as program:
            before = no_larger(program, log.stat().st_size + 10)
            after = len(partner.heard)
            partner.say(tab(FLUTE, True), great(48, True), tab(LEFT_MARK, True))
            partner.next(lamp(LEFT_LAMP, True), after)
            program.says(f"fault: {words}")
            resource.prlimit(program.process.pid, resource.RLIMIT_FSIZE, before)
            program.says(f"over: {words}")
            program.send(signal.SIGTERM)
            assert (program.ended(), program.errors) == (0, "")
        passed = read_log(log.read_text(encoding="utf-8"))
        assert [one.data for one in passed if one.way is Way.OUT] == partner.all()


def test_a_recording_that_lacks_something_is_told_at_switch_off(tmp_path: Path) -> None:
    console, log = tmp_path / "oxmarsh.toml", tmp_path / "evening.log"
    console.write_text(ONE_PORT, encoding="utf-8")
    with (
        Listening() as partner,
        playing(console, {"line": partner}, "--record", log) as program,
    ):
        no_larger(program, 0)
        partner.say(tab(FLUTE, True), great(48, True))
        program.says(f"fault: the recording {log} cannot be written: ")
        program.send(signal.SIGTERM)
        assert program.ended() == 2
        partner.until(lambda: partner.on == set())
    lost = f"lines of the recording {log} could not be written: {TOO_LARGE}\n"
    assert program.errors.startswith("stopwright: switched off, but ")
    assert program.errors.endswith(lost)
    assert program.errors.count("\n") == 1


def test_that_a_board_is_still_there_is_written_once(tmp_path: Path) -> None:
    path = tmp_path / "evening.log"
    writes = Scribe(path, "the log", lambda _: None, first=BEGINNING)
    recorder = Recorder(writes, 100.0)
    for at in (100.0, 100.3, 100.6):
        recorder.happened(Way.IN, "left", at, b"\xfe")
        recorder.happened(Way.IN, "right", at, b"\xfe")
        recorder.happened(Way.OUT, "left", at, b"\x90\x3c\x40")
    recorder.happened(Way.LOST, "left", 101.0)
    recorder.happened(Way.IN, "left", 103.0, b"\xfe")
    assert not writes.close(PATIENCE)
    heard = [
        (passed.port, passed.at)
        for passed in read_log(path.read_text(encoding="utf-8"))
        if passed.data == b"\xfe"
    ]
    assert heard == [("left", 0.0), ("right", 0.0), ("left", 3.0)]
