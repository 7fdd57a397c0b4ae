"""The plug is pulled while somebody plays: what was acknowledged is in the store, whole.

Three ways, and what each covers. A *power cut*: one evening is recorded call by call, and for
every call all that a disk may hold if the power goes there is put together (`tests.disk_record`
says what is modelled) and opened. A *kill at every call* of a real process by the real system,
through strace. A *kill at any moment*, again and again on one store. What must be there is
what the child (`tests.plugged`) told before it was killed.
"""

import os
import shutil
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import nullcontext
from multiprocessing import get_context
from pathlib import Path
from random import Random
from signal import SIGKILL
from types import MappingProxyType

import pytest
from attrs import define

from banks.database import StoreError
from banks.history import faults
from banks.store import Store
from tests.disk_record import Call, Cut, Disk, cuts, recorded
from tests.figures import Figures
from tests.needed import installed, lacking
from tests.plugged import (
    BURNT,
    Known,
    Seat,
    Telling,
    begin,
    folder_in_memory,
    for_ever,
    found_in,
    known_from,
    opened,
)

ROOT = Path(__file__).parent.parent
STORE = "chapel.store"
INDEX = "-shm"
"""The log's index beside a store is memory shared by programs; a power cut leaves anything."""
LOG_HEADER, FRAME = 32, 24 + 1024
"""Bytes at the head of a log, and of each page in it (SQLite, "Database File Format", 4)."""
BRIEF = 2
"""How many of a bank's changes are looked at where not all are."""
NOTHING = Known()
MIXED = 2
THINGS = 13
"""How many things are done in each of the evenings whose power is cut."""


@pytest.fixture(scope="module")
def strace() -> str:
    """Where strace is. Without it, or where it may not trace, the tests are skipped or fail."""
    found = installed("strace")
    tried = subprocess.run([found, "-o", os.devnull, "true"], capture_output=True, text=True)
    if tried.returncode:
        lacking(f"strace may not trace here: {tried.stderr.strip()}")
    return found


@pytest.fixture
def memory() -> Iterator[Path]:
    """What is tested there does not depend on a flush: a kill takes no memory of the system's."""
    with folder_in_memory() as folder:
        yield folder


def looked_at(path: Path, last: int | None = None, *, writing: bool = True) -> Known | str:
    """What a store holds, or what is wrong with it; without a file it is not there.

    With ``last`` only so many of the last changes of its past are looked at, not all and their
    checks.
    """
    if not path.exists():
        return NOTHING
    try:
        with Store(path, writing=writing) as store:
            found = found_in(store, last)
            unsound = [] if last is not None else faults(store)
    except StoreError as error:
        return str(error)
    return "; ".join(unsound) or found


def among(found: Known | str, allowed: Sequence[Known], last: int | None = None) -> str | None:
    """What is wrong with what was found, or None: it must be exactly what one of ``allowed`` says.

    The first of these is what was acknowledged.
    """
    if isinstance(found, str):
        return found
    if not found.there:
        return "it is gone" if all(known.there for known in allowed) else None
    if found not in [known.brief(last) for known in allowed]:
        return f"it holds {found}, not {allowed[0].brief(last)}"
    return None


def wrong_with(
    path: Path, allowed: Sequence[Known], last: int | None = None, *, writing: bool = True
) -> str | None:
    """What is wrong with a store, or None."""
    return among(looked_at(path, last, writing=writing), allowed, last)


# ---------------------------------------------------------------- power cuts


@define
class Evening:
    """An evening that was recorded, call by call, in a folder: on a disk, and as it was told.

    It begins with what was on the disk: nothing, or what a power cut left of another evening.
    """

    folder: Path
    calls: list[Call]
    begun: Mapping[str, bytes]
    known: list[tuple[Known, Known]]
    random: Random

    @classmethod
    def recorded(
        cls,
        strace: str,
        folder: Path,
        seed: int,
        things: int,
        flushing: str = "FULL",
        begun: Mapping[str, bytes] = MappingProxyType({}),
        known: Known = NOTHING,
    ) -> "Evening":
        disk, told = folder / "disk", folder / "told"
        disk.mkdir(parents=True)
        for name, content in begun.items():
            (disk / name).write_bytes(content)
        child = [sys.executable, "-m", "tests.plugged", "evenings", str(disk / STORE), str(told)]
        command = [*child, str(seed), str(things), flushing]
        calls = recorded(strace, command, folder / "log", ROOT)
        lines = told.read_text(encoding="ascii").splitlines()
        return cls(folder, calls, begun, known_from(known, lines), Random(seed))

    def cuts(self) -> Iterator[tuple[Cut, Path]]:
        """Each power cut, and the store that it left: the folder is the next one's after it."""
        disk = Disk(self.folder / "disk", self.folder / "told", INDEX).hold(self.begun)
        for cut in cuts(disk, self.calls, self.random, MIXED):
            yield cut, self.lay(cut)

    def lay(self, cut: Cut) -> Path:
        """Put a disk as a power cut left it, with any index or none."""
        folder = self.folder / "cut"
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir()
        for name, content in cut.files.items():
            (folder / name).write_bytes(content)
        length = self.random.choice((None, 0, 3, 4096, 1 << 15))
        if length is not None:
            noise = self.random.choice((bytes(length), self.random.randbytes(length)))
            (folder / f"{STORE}{INDEX}").write_bytes(noise)
        return folder / STORE


def power_cuts(strace: str, folder: Path, seed: int) -> tuple[Counter[str], list[str]]:
    """How many power cuts of each sort there were in an evening, and what was wrong after them.

    What some of them left, with something missing in the middle, is played on, and that evening's
    power is cut as well.
    """
    counted: Counter[str] = Counter()
    wrong: list[str] = []
    evenings = [Evening.recorded(strace, folder / "0", seed, THINGS)]
    for evening in evenings:
        for number, (cut, path) in enumerate(evening.cuts()):
            counted[cut.how] += 1
            last, writing = BRIEF if number % 5 else None, number % 5 != 1
            found = wrong_with(path, evening.known[cut.notes], last, writing=writing)
            if found is not None:
                wrong.append(f"evening {seed}, after call {cut.calls} ({cut.how}): {found}")
            elif evening is evenings[0] and cut.how == "all but one" and not counted[cut.how] % 50:
                with Store(path) as store:
                    begun = (cut.files, found_in(store))
                place = folder / str(number)
                evenings.append(Evening.recorded(strace, place, number, 1, "FULL", *begun))
    counted["evenings"] = len(evenings)
    return counted, wrong


def test_the_power_is_cut_at_every_call(strace: str, memory: Path, figures: Figures) -> None:
    counted: Counter[str] = Counter()
    with ProcessPoolExecutor(2, get_context("fork")) as pool:
        runs = [pool.submit(power_cuts, strace, memory / str(seed), seed) for seed in (1, 2)]
        for run in runs:
            sorts, wrong = run.result()
            assert not wrong, f"{len(wrong)} wrong: {wrong[0]}"
            counted += sorts
    evenings = counted.pop("evenings")
    hows = ", ".join(f"{how} {number}" for how, number in counted.items())
    figures(f"{counted.total()} power cuts in {evenings} evenings ({hows})")
    assert counted.total() >= 2_000
    assert min(counted.values()) >= 100


def test_a_store_that_does_not_flush_is_found_out(
    strace: str, memory: Path, figures: Figures
) -> None:
    """Sets are lost, and more: nothing is in order."""
    evening = Evening.recorded(strace, memory, 3, 3, "OFF")
    found = [wrong_with(path, evening.known[cut.notes], BRIEF) for cut, path in evening.cuts()]
    damaged = sum("it is damaged" in (text or "") for text in found)
    lost = sum("it holds" in (text or "") for text in found)
    figures(
        f"without a flush, of {len(found)} stores {damaged} are damaged and {lost} have "
        "lost something"
    )
    assert min(damaged, lost) >= 100


def test_a_store_that_flushes_only_now_and_then_is_found_out(strace: str, memory: Path) -> None:
    """SQLite's NORMAL: the store is always whole, but acknowledged sets are lost."""
    evening = Evening.recorded(strace, memory, 3, 3, "NORMAL")
    lost = 0
    for cut, path in evening.cuts():
        found = looked_at(path, BRIEF)
        if among(found, evening.known[cut.notes], BRIEF) is not None:
            lost += 1
            earlier = [known for both in evening.known[: cut.notes + 1] for known in both]
            assert among(found, earlier, BRIEF) is None
    assert lost >= 100


@pytest.mark.parametrize("pages", [1, 1000])
def test_what_a_power_cut_broke_off_does_not_come_back(memory: Path, pages: int) -> None:
    """A set that the first cut broke off is gone, whatever of it is in the log still.

    The next set begins with the same page. If the log went on where it counts no more, that page
    would join what is left behind it, and a second cut bring the broken set back, whole. The
    broken set is the first in a log that is used again, or comes after others.
    """
    path, log = memory / STORE, memory / f"{STORE}-wal"
    telling = Telling.to(memory / "told")
    begin(path, telling)
    with opened(path, "FULL", pages) as store:
        seat = Seat(store, telling, Random(1))
        for _ in range(2):
            seat.set()
        whole, before = LOG_HEADER if pages == 1 else log.stat().st_size, telling.known
        store.database._connection.execute("PRAGMA wal_autocheckpoint = 1000")
        seat.set()
        file, broken = path.read_bytes(), bytearray(log.read_bytes())
    broken[whole : whole + FRAME] = bytes(FRAME)
    path.write_bytes(file)
    log.write_bytes(broken)
    with Store(path) as store:
        assert found_in(store) == before
        telling.known = before
        Seat(store, telling, Random(2)).set()
        file, written = path.read_bytes(), log.read_bytes()
    for length in range(LOG_HEADER, len(written) + 1, FRAME):
        path.write_bytes(file)
        log.write_bytes(written[:length] + broken[length:])
        assert wrong_with(path, (before, telling.known)) is None


# ---------------------------------------------------------------- killed


def told_in(path: Path) -> list[str]:
    return path.read_text(encoding="ascii").splitlines() if path.exists() else []


def killed_at(strace: str, call: str, times: int, before: int, folder: Path, *play: int) -> int:
    """How many processes were killed at a call of that kind; each has a folder with a number.

    Python makes some such calls ``before`` there is anything to play: nobody is killed at those.
    """
    for number in range(1, times + 1):
        (folder / str(number)).mkdir(parents=True)
    last = before + times
    inject = ["-e", f"trace={call}", "-e", f"inject={call}:signal=KILL:when={last}"]
    child = [sys.executable, "-m", "tests.plugged", "killed", call, str(times), str(last)]
    done = subprocess.run(
        [strace, "-f", "-o", os.devnull, *inject, *child, str(folder), *map(str, play)],
        cwd=ROOT,
        check=True,
        stdout=subprocess.PIPE,
        text=True,
        timeout=300,
    )
    return done.stdout.split().count(str(-SIGKILL))


def test_killed_at_every_call(strace: str, memory: Path, figures: Figures) -> None:
    """Each kind of call in turn, as strace counts them apart. The system keeps what was written."""
    play = 4, 1
    once = memory / "once"
    calls = Evening.recorded(strace, once, *play).calls
    told = next(n for n, call in enumerate(calls) if call.names(once / "told"))
    before, made = (Counter(call.name for call in part) for part in (calls[:told], calls[told:]))
    killed: Counter[str] = Counter()
    with ThreadPoolExecutor(2) as pool:
        runs = {
            call: pool.submit(
                killed_at, strace, call, made[call], before[call], memory / call, *play
            )
            for call in BURNT
        }
    for call, run in runs.items():
        killed[call] = run.result()
        for place in sorted((memory / call).iterdir()):
            known = known_from(NOTHING, told_in(place / "told"))[-1]
            assert wrong_with(place / STORE, known) is None, place
    kinds = ", ".join(f"{call} {number}" for call, number in killed.items())
    figures(f"{killed.total()} processes killed at a call ({kinds})")
    assert killed == Counter({call: made[call] for call in BURNT})
    assert killed.total() >= 200


def test_killed_at_any_moment(memory: Path, figures: Figures) -> None:
    """One store lives through it all. Every other time another program has it open meanwhile.

    All its past is looked at every fifth time, which is as often with the other program as not.
    """
    random, store, context = Random(5), memory / STORE, get_context("fork")
    told = memory / "told"
    begin(store, Telling.to(told))
    known = known_from(NOTHING, told_in(told))[-1][0]
    kills, sets = 100, 0
    for number in range(kills):
        told = memory / str(number)
        child = context.Process(target=for_ever, args=(store, told, number), daemon=True)
        with Store(store, writing=False) if number % 2 else nullcontext():
            child.start()
            played = random.randrange(30)
            while len(told_in(told)) < played:
                assert child.is_alive(), child.exitcode
                time.sleep(0.001)
            time.sleep(random.random() * 0.01)
            child.kill()
            child.join()
            assert child.exitcode == -SIGKILL
            lines = told_in(told)
            sets += lines.count("kept")
            allowed = known_from(known, lines)[-1]
            last = BRIEF if (kills - number) % 5 != 1 else None
            found = looked_at(store, last)
            assert among(found, allowed, last) is None, number
        known = next(known for known in allowed if known.brief(last) == found)
    figures(f"{kills} processes killed at any moment, {sets} changes acknowledged")
    assert sets >= 5 * kills
