"""Where a bank is, as a person writes it: found wherever it is, or refused in one message."""

import os
import shutil
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from attrs import evolve
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from banks import Part, Store, StoreFile, create_store, part_of, write_bank_file
from banks.bankfile import BankFile
from cli.bank.places import BankPlace, Found, evening_meant, is_moment, time_meant
from cli.output import RefusedError
from combination.memory import fresh_bank
from combination.model import Console
from combination.reading import read_console
from tests.quay import QUAY, SAVED, contents, done, load, played, refusal, run, save

pytestmark = pytest.mark.usefixtures("in_utc")

MADE = datetime(2031, 5, 4, 18, 30, tzinfo=UTC)
PLAYERS = ("Ruth", "Anna Maria", "x:y@z", "Ruth@2031-05-04")


def clock_at(moment: datetime) -> "Clock":
    return Clock(moment)


class Clock:
    """Says a time in seconds since 1970, an hour later each time that it is looked at."""

    def __init__(self, moment: datetime) -> None:
        self.next = moment

    def __call__(self) -> float:
        now = self.next
        self.next += timedelta(hours=1)
        return now.timestamp()


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of four players; Ruth's bank was named "Ruth" when an hour old, "Rut" before."""
    here, quay = tmp_path_factory.mktemp("made"), read_console(QUAY)
    create_store(here / "organ.store")
    with Store(here / "organ.store", clock=clock_at(MADE)) as store:
        ruth = store.add(evolve(played(quay), name="Rut"))
        with store.edited(ruth, "name") as bank:
            bank.name = "Ruth"
        for name in PLAYERS[1:]:
            store.add(fresh_bank(quay, name))
    create_store(here / "alone.store")
    with Store(here / "alone.store") as store:
        store.add(fresh_bank(quay, "Solo"))
    banks = tuple(fresh_bank(quay, name) for name in PLAYERS[:2])
    write_bank_file(here / "all.bank", StoreFile(banks, saved=SAVED))
    return here


@pytest.fixture(scope="module")
def lacking(made: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, int]:
    """The same with a player gone, an empty store and one of names with spaces; the last change."""
    here, quay = tmp_path_factory.mktemp("lacking"), read_console(QUAY)
    shutil.copytree(made, here, dirs_exist_ok=True)
    create_store(here / "empty.store")
    create_store(here / "spaced.store")
    with Store(here / "spaced.store") as store:
        for name in ("Anna Maria", "Ben"):
            store.add(fresh_bank(quay, name))
    with Store(here / "organ.store") as store:
        store.remove(store.add(fresh_bank(quay, "Gone")))
        return here, store.find("Ruth").entry


@pytest.fixture
def organ(quay: Console, made: Path) -> Console:
    """The folder of the quay, and the stores beside it."""
    shutil.copytree(made, ".", dirs_exist_ok=True)
    return quay


def called(place: str) -> str:
    """What the bank that is found is called, as it is printed."""
    return done("bank", "print", place).splitlines()[0]


# ---------------------------------------------------------------- what is found


@pytest.mark.parametrize(
    ("place", "name"),
    [
        ("quay.bank", "Eastertide"),
        ("quay.bank:Eastertide", "Eastertide"),
        ("quay.bank:EASTERTIDE", "Eastertide"),
        ("all.bank:Ruth", "Ruth"),
        ("all.bank:anna maria", "Anna Maria"),
        ("organ.store:Ruth", "Ruth"),
        ("organ.store:rUTH", "Ruth"),
        ("organ.store:Anna Maria", "Anna Maria"),
        ("organ.store:x:y@z", "x:y@z"),
        ("organ.store:Ruth@2031-05-04", "Ruth@2031-05-04"),
        ("organ.store:Ruth@2031-05-04@9999-01-01", "Ruth@2031-05-04"),
        ("organ.store:Ruth@2031-05-03", "the history of this bank begins later than that"),
        ("organ.store:Ruth@2031-05-05", "Ruth"),
        ("organ.store:Ruth@2031-05-04T18:29", "the history of this bank begins later than that"),
        ("organ.store:Ruth@2031-05-04T18:30", "Rut"),
        ("organ.store:Ruth@2031-05-04 19:29:59", "Rut"),
        ("organ.store:Ruth@2031-05-04T19:30", "Ruth"),
        ("organ.store:Ruth@1", "Rut"),
        ("alone.store", "Solo"),
        ("alone.store@1", "Solo"),
        ("alone.store@2099-12-31", "Solo"),
        ("./alone.store:solo", "Solo"),
    ],
)
@pytest.mark.usefixtures("organ")
def test_a_bank_is_found(place: str, name: str) -> None:
    if "history" in name:
        assert refusal("bank", "print", place) == f"organ.store: {name}"
    else:
        assert called(place) == name


@pytest.mark.usefixtures("organ")
def test_a_bank_as_it_was_after_a_change() -> None:
    with Store("organ.store", writing=False) as store:
        last = store.find("Ruth").entry
    assert called(f"organ.store:Ruth@{last - 1}") == "Rut"
    assert called(f"organ.store:Ruth@{last}") == "Ruth"


SEVERAL = "there are Ruth, Anna Maria, x:y@z, Ruth@2031-05-04"
NOT_THERE = f"organ.store has no bank %r; {SEVERAL.replace('are', 'is')}"
NO_TIME = (
    '"%s" is no time and no number of a change: write it as 2031-05-04, 2031-05-04T18:30 or 512'
)


@pytest.mark.parametrize(
    ("place", "message"),
    [
        ("none.bank", "none.bank: there is no such file or folder"),
        ("none.store:Ruth", "none.store:Ruth: there is no such file or folder"),
        (".", ".: it is a folder"),
        ("quay.toml", "quay.toml: this is not a bank file"),
        ("quay.toml:Ruth", "quay.toml: this is not a bank file"),
        ("quay.bank:Ruth", "quay.bank holds no bank 'Ruth'; there is Eastertide"),
        ("all.bank:Rut", "all.bank holds no bank 'Rut'; there is Ruth, Anna Maria"),
        (
            "all.bank",
            "all.bank holds several banks: say which, as all.bank:Ruth; there are Ruth, Anna Maria",
        ),
        ("quay.bank@512", "quay.bank is a bank file: it has no history, only a store has"),
        (
            "all.bank:Ruth@2031-05-04",
            "all.bank is a bank file: it has no history, only a store has",
        ),
        ("empty.store", "empty.store has no bank in it yet: stopwright store add makes one"),
        ("empty.store:Ruth", "empty.store has no bank in it yet: stopwright store add makes one"),
        (
            "organ.store",
            f"organ.store has several banks: say which, as organ.store:Ruth; {SEVERAL}",
        ),
        (
            "organ.store@7",
            f"organ.store has several banks: say which, as organ.store:Ruth; {SEVERAL}",
        ),
        (
            "spaced.store",
            "spaced.store has several banks: say which, as 'spaced.store:Anna Maria'; "
            "there are Anna Maria, Ben",
        ),
        ("organ.store:Rut", NOT_THERE % "Rut"),
        ("organ.store:Gone", NOT_THERE % "Gone"),
        ("organ.store:Rut@yesterday", NOT_THERE % "Rut@yesterday"),
        ("organ.store:Ruth@yesterday", NO_TIME % "yesterday"),
        ("organ.store:Ruth@", NO_TIME % ""),
        ("organ.store:Ruth@4.5.2031", NO_TIME % "4.5.2031"),
        ("organ.store:Ruth@2031-02-30", '"2031-02-30" is no time that there is'),
        ("organ.store:Ruth@2031-05-04T25:00", '"2031-05-04T25:00" is no time that there is'),
        ("organ.store:Ruth@9999-12-31", '"9999-12-31" is no time that there is'),
        (
            "organ.store:Ruth@0001-01-01",
            "organ.store: the history of this bank begins later than that",
        ),
        (
            "organ.store:Ruth@0",
            "organ.store: what the bank was after change 0 is not known: its history begins later",
        ),
        ("organ.store:Ruth@512", "there is no change 512 yet: the last of Ruth's bank is %d"),
        ("pipe", "pipe: it is not an ordinary file"),
        ("a" * 300 + ":Ruth", "a" * 300 + ":Ruth: the name is too long"),
        ("file\0:Ruth", "'file\\x00:Ruth': no file can have that name"),
    ],
)
@pytest.mark.usefixtures("quay")
def test_a_bank_that_cannot_be_found(lacking: tuple[Path, int], place: str, message: str) -> None:
    folder, last = lacking
    shutil.copytree(folder, ".", dirs_exist_ok=True)
    os.mkfifo("pipe")
    assert refusal("bank", "print", place) == message.replace("%d", str(last))


def test_a_name_with_a_time_counts_as_a_name_first() -> None:
    """A bank "Ruth@2031-05-04" is found by its name; which there is only the store knows."""
    assert BankPlace("tests").found() == Found(Path("tests"))
    here = Path(__file__)
    assert BankPlace(f"{here}:Ruth@2031-05-04").found() == Found(
        here, "Ruth", "2031-05-04", "Ruth@2031-05-04"
    )
    assert BankPlace(f"{here}:Ruth@home").found() == Found(here, "Ruth@home")
    assert BankPlace(f"{here}@512").found() == Found(here, None, "512")


@pytest.mark.usefixtures("organ")
def test_a_file_is_found_before_a_bank_in_a_store() -> None:
    """A file of that name that is there is meant: nothing else would find it."""
    Path("organ.store:Ruth").write_bytes(Path("quay.bank").read_bytes())
    assert called("organ.store:Ruth") == "Eastertide"


# ---------------------------------------------------------------- times


@pytest.mark.parametrize(
    "text", ["1", "000512", "2031-05-04", "2031-05-04T18:30", "2031-05-04 18:30:59"]
)
def test_moments(text: str) -> None:
    assert is_moment(text)


@pytest.mark.parametrize(
    "text", ["", "x", "-1", "1.5", "1" * 16, "2031-5-4", "2031-05-04T18", "2031-05-04T18:30Z", "٣"]
)
def test_what_is_no_moment(text: str) -> None:
    assert not is_moment(text)


def test_a_day_and_a_minute_are_their_ends_and_before_them_their_beginnings(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("TZ", "CET-1CEST,M3.5.0,M10.5.0/3")
    time.tzset()
    assert time_meant("2031-05-04T18:30:15").isoformat() == "2031-05-04T18:30:15+02:00"
    assert time_meant("2031-05-04T18:30").isoformat() == "2031-05-04T18:30:59.999000+02:00"
    assert time_meant("2031-05-04").isoformat() == "2031-05-05T00:00:00+02:00"
    assert time_meant("2031-05-04", before=True).isoformat() == "2031-05-03T23:59:59.999000+02:00"
    assert time_meant("2031-12-24 18:30", before=True).isoformat() == (
        "2031-12-24T18:29:59.999000+01:00"
    )


def test_an_evening_is_from_four_to_four_whatever_the_clocks_do(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """In central Europe the clocks go back in the night before the 26th of October 2031."""
    monkeypatch.setenv("TZ", "CET-1CEST,M3.5.0,M10.5.0/3")
    time.tzset()
    begun, ended = (edge + timedelta(milliseconds=1) for edge in evening_meant("2031-10-25"))
    assert begun.isoformat() == "2031-10-25T04:00:00+02:00"
    assert ended.isoformat() == "2031-10-26T04:00:00+01:00"
    assert ended - begun == timedelta(hours=25)


@pytest.mark.parametrize("text", ["2031-05-04T18:30", "yesterday", "2031-02-30", "9999-12-31", ""])
def test_what_is_no_day(text: str) -> None:
    with pytest.raises(RefusedError, match=r"^\".*\" is no day"):
        evening_meant(text)


# ---------------------------------------------------------------- what is not written


@pytest.mark.parametrize(
    "words",
    [
        ["new", "X", "--console", "quay.toml"],
        ["backup", "quay.bank", "X"],
        ["backup", "quay.bank", "X", "--replace"],
        ["from-midi", "quay.syx", "X"],
    ],
)
@pytest.mark.parametrize(
    "named", ["organ.store", "organ.store:Zoe", "new.store:Zoe", "organ.store@7"]
)
@pytest.mark.usefixtures("organ")
def test_no_file_is_put_in_the_place_of_a_store_or_of_a_bank_in_one(
    words: list[str], named: str
) -> None:
    """A file called organ.store:Zoe would be found instead of Zoe's bank ever after."""
    done("bank", "to-midi", "quay.bank", "quay.syx")
    message = refusal("bank", *(named if word == "X" else word for word in words))
    if named == "organ.store":
        assert message == "organ.store is a store: no bank file takes its place"
    elif named == "new.store:Zoe":
        assert message == "there is no store new.store, and a file cannot have a colon in its name"
    else:
        assert message == (
            f"{named} is no name for a file, but for a bank in a store: "
            "restore puts one there, and store add begins one"
        )


@pytest.mark.parametrize("to", ["organ.store", "all.bank:Zoe"])
@pytest.mark.usefixtures("organ")
def test_a_backup_of_a_store_takes_the_place_of_none(to: str) -> None:
    assert "store" in refusal("store", "backup", "organ.store", to, "--replace")


@pytest.mark.parametrize(
    ("place", "message"),
    [
        (
            "organ.store:Ruth@1",
            "organ.store:Ruth@1 is how the bank was: restore it first, if it is",
        ),
        ("organ.store:Ruth@9999-01-01", "organ.store:Ruth@9999-01-01 is how the bank was"),
        ("all.bank:Ruth", "all.bank holds several banks: restore it to a store to change one"),
    ],
)
@pytest.mark.usefixtures("organ")
def test_what_was_and_what_is_in_a_backup_is_not_changed(place: str, message: str) -> None:
    for words in (["name", place, "X"], ["sequence", "new", place, "X"], ["lock", place]):
        assert refusal("bank", *words).startswith(message)


@pytest.mark.parametrize(
    ("place", "message"),
    [
        ("organ.store:Ruth@1", "what was cannot be changed: leave out the time"),
        ("organ.store:Ruth@2031-05-05", "what was cannot be changed: leave out the time"),
        ("organ.store:Nobody@2031-05-05", NOT_THERE % "Nobody"),
        ("organ.store:Ruth@yesterday", NO_TIME % "yesterday"),
        (
            "organ.store",
            f"organ.store has several banks: say which, as organ.store:Ruth; {SEVERAL}",
        ),
        ("all.bank:Ruth", "all.bank is a bank file: a bank in it is not replaced by itself"),
        ("all.bank", "all.bank holds several banks: it is left as it is"),
        ("part.bank", "part.bank holds a part of a bank, and not a whole one to be changed"),
        ("organ.stor:Ruth", "there is no store organ.stor, and a file cannot have a colon"),
        ("pipe", "pipe is not a file"),
    ],
)
@pytest.mark.usefixtures("organ")
def test_what_a_restore_and_a_merge_do_not_write_to(place: str, message: str) -> None:
    os.mkfifo("pipe")
    kept, part = load("quay.bank"), Part(levels=(2,))
    write_bank_file("part.bank", BankFile(part_of(kept, part), part=part))
    words = ("restore", "quay.bank", place, "--console", "quay.toml", "--yes")
    assert refusal("bank", *words).startswith(message)
    if place != "organ.stor:Ruth":
        assert refusal("bank", "merge", place, "quay.bank", "--yes").startswith(message)


# ---------------------------------------------------------------- places of every sort

signs = st.characters(codec="utf-8", exclude_characters="\0/")
signs |= st.integers(0xDC80, 0xDCFF).map(chr)
names = st.text(signs, max_size=8) | st.sampled_from(
    ["Ruth", "ruth", "@1", "@2031-05-04", "@", ":", "Anna Maria", "@99999-01-01"]
)


@pytest.mark.usefixtures("organ")
@given(
    st.sampled_from(["organ.store", "alone.store", "quay.bank", "all.bank", "none"]),
    st.lists(names, max_size=3).map("".join),
    st.sampled_from(":@"),
)
@settings(
    max_examples=20,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_places_of_every_sort_never_fail_badly(file: str, rest: str, mark: str) -> None:
    before = contents()
    place = f"{file}{mark}{rest}"
    for words in (["print"], ["history"], ["take-back", "1"], ["sequence", "list"]):
        run(
            "bank",
            words[0],
            *([*words[1:], place] if words[0] == "sequence" else [place, *words[1:]]),
        )
    run("bank", "restore", "quay.bank", place, "--console", "quay.toml")
    run("bank", "merge", place, "quay.bank")
    assert contents() == before


def test_a_bank_of_a_part_file_stays_a_part_when_it_is_edited(organ: Console) -> None:
    part = Part(levels=(1, 2))
    write_bank_file("part.bank", BankFile(part_of(played(organ), part), part=part))
    done("bank", "name-level", "part.bank", "2", "Lent")
    done("bank", "backup", "part.bank", "again.bank")
    save("whole.bank", played(organ))
    said = done("bank", "restore", "again.bank", "whole.bank", "--console", "quay.toml", "--yes")
    assert '  level 2: named "Lent"\n' in said
    assert load("whole.bank").sequences == played(organ).sequences
