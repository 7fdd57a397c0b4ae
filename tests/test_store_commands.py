"""The store of a console by its commands: who is in it, kept, moved, brought up to date, mended."""

import json
import os
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import click
import pytest
from attrs import evolve
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from banks import History, Store, StoreFile, create_store, read_any, write_bank_file
from banks.history import faults
from cli.bank.commands import bank
from cli.bank.places import BankPlace
from cli.bank.targets import target_of
from cli.store.commands import store as store_group
from combination.memory import Bank, Level, fresh_bank, seat
from combination.model import Console
from tests.quay import (
    CTRL_C,
    QUAY,
    SAVED,
    altered,
    at_a_terminal,
    contents,
    done,
    load,
    played,
    refusal,
    run,
    save,
)

pytestmark = pytest.mark.usefixtures("in_utc")

MADE = datetime(2031, 5, 4, 18, 30, tzinfo=UTC)
CONSOLE = ("--console", "quay.toml")
MOVED = (
    QUAY.replace("Quay Chapel", "Quay Church")
    .replace('id = "open"', 'id = "diapason"\nwas = "open"')
    .replace('"open"', '"diapason"')
    .replace('was = "diapason"', 'was = "open"')
    .replace('id = "trem"', 'id = "shaker"')
)
"""The chapel's console after a rebuilding: a stop renamed, a tremulant given up for another."""


@pytest.fixture
def chapel(quay: Console) -> Console:
    """A store of three players: Ruth, whose it is, Anna Maria, and a guest."""
    create_store("organ.store")
    with Store("organ.store", clock=MADE.timestamp) as store:
        store.add(evolve(played(quay), name="Ruth"))
        store.add(fresh_bank(quay, "Anna Maria"))
        store.add(fresh_bank(quay, "Guest"), guest=True)
    return quay


def in_store(name: str, path: str = "organ.store") -> Bank:
    with Store(path) as store:
        return store.load(store.find(name).number)


def store(*words: object) -> str:
    return done("store", *words)


# ---------------------------------------------------------------- begin


@pytest.mark.usefixtures("quay")
def test_a_store_is_begun_and_players_come() -> None:
    assert store("new", "organ.store") == (
        "organ.store: a new store; nobody has a bank in it yet: stopwright store add\n"
    )
    assert store("list", "organ.store") == "organ.store: nobody has a bank in it yet\n"
    assert json.loads(store("list", "organ.store", "--json")) == []
    assert store("add", "organ.store", "Ruth", *CONSOLE, "--from", "quay.bank") == (
        "Ruth has a bank in organ.store now, with 4 combinations\n"
    )
    assert store("add", "organ.store", "Anna Maria", *CONSOLE, "--guest") == (
        "Anna Maria has a bank in organ.store now, with nothing set yet\n"
    )
    assert in_store("Ruth") == evolve(load("quay.bank"), name="Ruth")
    store("add", "organ.store", "Ben", *CONSOLE, "--from", "organ.store:Ruth")
    assert in_store("Ben") == evolve(load("quay.bank"), name="Ben")
    assert "made from organ.store:Ruth" in done("bank", "history", "organ.store:Ben")
    refused = refusal("store", "new", "organ.store")
    assert refused == "organ.store: it is there already, and is left as it is"


LISTED = """\
player                            combinations  last changed           console
Ruth          owner, on the desk  4             4 May 2031 at 18:30    Quay Chapel
Anna Maria                        0             4 May 2031 at 18:30    Quay Chapel
Guest         guest               0             4 May 2031 at 18:30    Quay Chapel
"""


@pytest.mark.usefixtures("chapel")
def test_the_players_are_listed() -> None:
    said = store("list", "organ.store")
    assert [line.split() for line in said.splitlines()] == [
        line.split() for line in LISTED.splitlines()
    ]
    first, _, guest = json.loads(store("list", "organ.store", "--json"))
    assert first == {
        "name": "Ruth",
        "console": "Quay Chapel",
        "owner": True,
        "guest": False,
        "desk": True,
        "removed": False,
        "change": 1,
        "changed": "2031-05-04T18:30:00+00:00",
        "combinations": 4,
    }
    assert (guest["guest"], guest["owner"], guest["desk"]) == (True, False, False)


NOBODY = "organ.store: there is no %r in it; there is Ruth, Anna Maria, Guest"
THERE = "there is no such file or folder"


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["new", "no/organ.store"], f"no/organ.store: {THERE}"),
        (["new", "."], ".: it is there already, and is left as it is"),
        (["list", "none.store"], f"none.store: {THERE}"),
        (["list", "quay.bank"], "quay.bank: it is not a store"),
        (["list", "empty"], "empty: it is empty, and so not a store"),
        (
            ["add", "organ.store", "RUTH", *CONSOLE],
            "organ.store: there is a bank 'Ruth' in it already",
        ),
        (
            ["add", "organ.store", " ", *CONSOLE],
            "organ.store: a bank in a store needs a name: the player's",
        ),
        (
            ["add", "organ.store", "a" * 201, *CONSOLE],
            "organ.store: this bank cannot be saved: ",
        ),
        (["add", "organ.store", "Zoe", *CONSOLE, "--from", "no.bank"], f"no.bank: {THERE}"),
        (["add", "organ.store", "Zoe", "--console", "no.toml"], "there is no console file no.toml"),
        (["add", "quay.bank", "Zoe", *CONSOLE], "quay.bank: it is not a store"),
        (["remove", "organ.store", "Zoe"], NOBODY % "Zoe"),
        (
            ["remove", "organ.store", "ruth"],
            "organ.store: the owner's bank cannot be removed: give it to another first",
        ),
        (
            ["bring-back", "organ.store", "Guest"],
            "organ.store: there is no 'Guest' among those removed; there is nobody",
        ),
        (["guest", "organ.store", "Ruth"], "organ.store: the owner is no guest"),
        (["owner", "organ.store", "Zoe"], NOBODY % "Zoe"),
        (["desk", "organ.store", "Zoe"], NOBODY % "Zoe"),
        (
            ["backup", "organ.store", "quay.bank"],
            "quay.bank: it is there already, and is left as it is",
        ),
        (["backup", "organ.store", "no/"], "there is no folder no/"),
        (["backup", "organ.store", "no/all.bank"], f"no/all.bank: {THERE}"),
        (["backup", "new.store", "all.bank"], "new.store: nobody has a bank in it yet"),
        (
            ["restore", "quay.bank", "organ.store", *CONSOLE],
            "quay.bank is one bank: stopwright bank restore",
        ),
        (["restore", "none.bank", "organ.store", *CONSOLE], f"none.bank: {THERE}"),
        (
            ["restore", "organ.store", "organ.store", *CONSOLE],
            "organ.store: this is not a bank file",
        ),
        (
            ["copy", "organ.store", "quay.bank"],
            "quay.bank: it is there already, and is left as it is",
        ),
        (["copy", "organ.store", "organ.store"], "organ.store: it is there already"),
        (["copy", "quay.bank", "copy.store"], "quay.bank: it is not a store"),
        (["copy", "organ.store", "no/"], "there is no folder no/"),
        (["fit", "organ.store", "--console", "quay.bank"], "quay.bank is no console file"),
        (["update", "organ.store", "--console", "none.toml"], "there is no console file none.toml"),
        (
            ["compact", "organ.store", "--before", "x"],
            '"x" is no time: write it as 2031-05-04 or 2031-05-04T18:30',
        ),
        (["compact", "quay.bank", "--before", "2031-05-04"], "quay.bank: it is not a store"),
        (["check", "none.store"], f"none.store: {THERE}"),
        (["check", "quay.bank"], "quay.bank: it is not a store"),
        (["mend", "none.store", "new2.store"], f"none.store: {THERE}"),
        (
            ["mend", "quay.bank", "new2.store"],
            "quay.bank: it is not a store, or nothing of it is left",
        ),
        (
            ["mend", "organ.store", "quay.bank"],
            "quay.bank: it is there already, and is left as it is",
        ),
    ],
)
@pytest.mark.usefixtures("chapel")
def test_what_cannot_be_done_with_a_store(words: list[str], message: str) -> None:
    Path("empty").touch()
    create_store("new.store")
    assert refusal("store", *words).startswith(message)


# ---------------------------------------------------------------- players


@pytest.mark.usefixtures("chapel")
def test_a_bank_is_removed_and_brought_back() -> None:
    kept = in_store("Anna Maria")
    assert store("remove", "organ.store", "anna maria") == (
        "Anna Maria's bank is out of sight now, and kept\n"
    )
    assert "Anna" not in store("list", "organ.store")
    assert "removed" in store("list", "organ.store", "--removed")
    assert "Anna" not in refusal("bank", "print", "organ.store:Anna Maria").split(";")[1]
    assert store("bring-back", "organ.store", "ANNA MARIA") == "Anna Maria's bank is there again\n"
    assert in_store("Anna Maria") == kept
    store("remove", "organ.store", "Anna Maria")
    store("add", "organ.store", "Anna Maria", *CONSOLE)
    assert refusal("store", "bring-back", "organ.store", "Anna Maria") == (
        "organ.store: there is a bank 'Anna Maria' in it already"
    )


def test_a_guest_falls_back_to_the_owner(chapel: Console) -> None:
    def switched_on() -> str:
        with Store("organ.store") as opened:
            number, _ = opened.switch_on(chapel)
            return next(p.name for p in opened.players() if p.number == number)

    assert store("desk", "organ.store", "guest") == (
        "Guest's bank is on the desk now\n"
        "Guest is a guest: at the next switch-on Ruth's bank comes in its place, "
        "unless the guest is named then (stopwright play --player)\n"
    )
    assert "on the desk" in store("list", "organ.store").splitlines()[3]
    assert switched_on() == "Ruth"
    assert store("guest", "organ.store", "Guest", "--no-more") == "Guest is no guest any more\n"
    assert store("desk", "organ.store", "guest") == "Guest's bank is on the desk now\n"
    assert [switched_on(), switched_on()] == ["Guest", "Guest"]
    assert store("guest", "organ.store", "Guest") == "Guest is a guest now\n"
    assert store("owner", "organ.store", "anna maria") == "Anna Maria is the owner now\n"
    assert switched_on() == "Anna Maria"
    assert store("guest", "organ.store", "Ruth") == "Ruth is a guest now\n"
    store("remove", "organ.store", "Ruth")


# ---------------------------------------------------------------- backup and restore of all


def test_a_store_is_backed_up_and_restored(chapel: Console) -> None:
    store("desk", "organ.store", "Anna Maria")
    assert store("backup", "organ.store", "all.bank") == (
        "all.bank: a backup of 3 banks, read back and the same\n"
    )
    kept = read_any("all.bank")
    assert isinstance(kept, StoreFile)
    assert [bank.name for bank in kept.banks] == ["Ruth", "Anna Maria", "Guest"]
    assert (kept.guests, kept.desk) == (frozenset({2}), 1)
    before = {name: in_store(name) for name in ("Ruth", "Anna Maria", "Guest")}
    done("bank", "clear-level", "organ.store:Ruth", "1", "--yes")
    store("remove", "organ.store", "Guest")
    store("add", "organ.store", "Zoe", *CONSOLE)
    words = ("restore", "all.bank", "organ.store", *CONSOLE)
    assert refusal("store", *words) == (
        "2 banks in organ.store will be replaced or made; nothing has been changed: "
        "add --yes if that is meant"
    )
    said = store(*words, "--yes")
    assert "What changes in Ruth's bank\n  level 1: 3 pistons newly set, named" in said
    assert "Anna Maria holds the same already\n" in said
    assert "Guest is new in organ.store\n" in said
    assert re.search(r"\nRuth: restored, by change \d+\nGuest: made\n$", said)
    assert {name: in_store(name) for name in before} == before
    assert in_store("Zoe") == fresh_bank(chapel, "Zoe")
    assert "guest" in store("list", "organ.store").splitlines()[-1]
    change = said.split("by change ")[1].split()[0]
    done("bank", "take-back", "organ.store:Ruth", change, "--yes")
    assert 1 not in in_store("Ruth").levels
    assert store(*words, "--yes").endswith("restored, by change " + str(_last("Ruth")) + "\n")
    assert store(*words).endswith("\n\nNothing has been changed\n")


def _last(name: str) -> int:
    with Store("organ.store") as opened:
        return opened.find(name).entry


def test_a_backup_goes_to_a_new_store_and_to_another_name_of_a_player(chapel: Console) -> None:
    store("backup", "organ.store", "all.bank")
    store("new", "two.store")
    store("restore", "all.bank", "two.store", *CONSOLE, "--yes")
    assert in_store("Ruth", "two.store") == in_store("Ruth")
    done("bank", "name", "two.store:Ruth", "RUTH")
    done("bank", "clear-level", "two.store:Ruth", "2", "--yes")
    store("restore", "all.bank", "two.store", *CONSOLE, "--yes")
    assert in_store("Ruth", "two.store") == evolve(in_store("Ruth"), name="RUTH")
    done("bank", "restore", "all.bank:ruth", "two.store:Zoe", *CONSOLE, "--yes")
    assert in_store("Zoe", "two.store") == evolve(in_store("Ruth"), name="Zoe")
    assert fresh_bank(chapel, "Guest") == in_store("Guest", "two.store")


@pytest.mark.usefixtures("chapel")
def test_a_backup_goes_into_a_folder_with_its_date() -> None:
    Path("stick").mkdir()
    today = datetime.now(UTC).date().isoformat()
    assert store("backup", "organ.store", "stick").startswith(f"stick/organ-{today}.bank: ")
    assert store("backup", "organ.store", "stick/").startswith(f"stick/organ-{today}-2.bank: ")
    assert store("copy", "organ.store", "stick").startswith(f"stick/organ-{today}.store: ")
    assert done("bank", "backup", "organ.store:Anna Maria", "stick").startswith(
        f"stick/anna-maria-{today}.bank: "
    )
    save("all.bank", load("quay.bank"))
    store("backup", "organ.store", "all.bank", "--replace")
    assert isinstance(read_any("all.bank"), StoreFile)


def test_locks_stand_in_the_way_of_a_restore_of_all(chapel: Console) -> None:
    store("backup", "organ.store", "all.bank")
    done("bank", "clear-level", "organ.store:Ruth", "1", "--yes")
    done("bank", "lock", "organ.store:Ruth", "--level", "1")
    words = ("store", "restore", "all.bank", "organ.store", *CONSOLE, "--yes")
    message = "unlock it first, if it is to be replaced"
    assert refusal(*words) == f"level 1 of Ruth's bank is locked: {message}"
    done("bank", "lock", "organ.store:Ruth")
    assert refusal(*words) == f"Ruth's bank is locked: {message}"
    one = ("bank", "restore", "all.bank:Ruth", "organ.store:Ruth", *CONSOLE, "--yes")
    assert refusal(*one) == f"organ.store:Ruth is locked: {message}"
    done("bank", "unlock", "organ.store:Ruth")
    assert refusal(*one) == f"level 1 of organ.store:Ruth is locked: {message}"
    assert in_store("Ruth").levels[1] == Level(locked=True)
    two = StoreFile((fresh_bank(chapel, "Ben"), fresh_bank(chapel, "BEN")), saved=SAVED)
    write_bank_file("two.bank", two)
    assert refusal("store", "restore", "two.bank", "organ.store", *CONSOLE, "--yes") == (
        "two.bank has several banks of one name: restore them one by one"
    )


# ---------------------------------------------------------------- restore of one, and of parts


def test_one_bank_is_restored_whole_by_level_and_by_piston(chapel: Console) -> None:
    other = evolve(altered(load("quay.bank")), locked=False)
    other.levels[1].locked = False
    save("other.bank", other)
    before = in_store("Ruth")
    words = ("restore", "other.bank", "organ.store:Ruth", *CONSOLE, "--yes")
    said = done("bank", *words, "--level", "7")
    assert "Only level 7: the rest stays as it is\n" in said
    assert "What changes in organ.store:Ruth\n  level 7: 1 piston newly set\n" in said
    assert "Crescendo" not in said
    after = in_store("Ruth")
    assert after.levels[7] == seat(other, chapel).levels[7]
    assert (after.levels[1], after.sequences) == (before.levels[1], before.sequences)
    done("bank", *words, "--piston", "fo", "--piston", "general 1")
    after = in_store("Ruth")
    assert after.full_organs == seat(other, chapel).full_organs
    assert after.levels[1].combinations["g1"] == seat(other, chapel).levels[1].combinations["g1"]
    assert after.levels[1].combinations["gt1"] == before.levels[1].combinations["gt1"]
    said = done("bank", *words)
    assert said.endswith(f"stopwright bank take-back organ.store:Ruth {_last('Ruth')}\n")
    assert in_store("Ruth") == evolve(seat(other, chapel), name="Ruth")
    assert done("bank", *words).endswith("holds the same already: nothing has been changed\n")
    done("bank", "restore", "organ.store:Ruth@1", "organ.store:Ruth", *CONSOLE, "--yes")
    assert in_store("Ruth") == before


def test_a_bank_written_as_it_is_makes_no_change(
    chapel: Console, capsys: pytest.CaptureFixture[str]
) -> None:
    """There is none then that could be taken back."""
    target = target_of(BankPlace("organ.store:Ruth"))
    kept = target.present()
    assert kept is not None
    before = _last("Ruth")
    with click.Context(bank, info_name="bank"):
        target.write(kept, "restored from itself", chapel)
    assert capsys.readouterr().out == (
        "organ.store:Ruth holds the same already: nothing has been changed\n"
    )
    assert _last("Ruth") == before


@pytest.mark.usefixtures("chapel")
def test_a_file_whose_name_is_no_text_stands_in_the_history() -> None:
    name = os.fsdecode(b"a\xff\x1b.bank")
    save(name, evolve(altered(load("quay.bank")), locked=False))
    done("bank", "restore", name, "organ.store:Ruth", *CONSOLE, "--level", "7", "--yes")
    said = done("bank", "history", "organ.store:Ruth")
    assert "restore 'a\ufffd?.bank' --level 7" in said


def test_a_part_file_is_put_into_a_bank_and_nowhere_else(chapel: Console) -> None:
    said = done("bank", "backup", "organ.store:Ruth", "lent.bank", "--level", "1", "--piston", "g1")
    assert said == (
        "lent.bank: a backup of a part of organ.store:Ruth, read back and the same: "
        "1 combination at 1 level\n"
    )
    words = ("bank", "restore", "lent.bank", "organ.store:Anna Maria", *CONSOLE)
    assert refusal(*words) == (
        "organ.store:Anna Maria will be changed; nothing has been changed: "
        "add --yes if that is meant"
    )
    said = done(*words, "--yes")
    assert "Only General 1 (g1) at level 1: the rest stays as it is\n" in said
    wanted = {"g1": in_store("Ruth").levels[1].combinations["g1"]}
    assert in_store("Anna Maria").levels == {1: Level(combinations=wanted)}
    assert refusal("bank", "restore", "lent.bank", "organ.store:Zoe", *CONSOLE, "--yes") == (
        "there is no bank organ.store:Zoe that a part could be put into"
    )
    done("bank", "lock", "organ.store:Anna Maria", "--level", "1")
    assert refusal(*words) == "level 1 is locked"
    assert refusal("bank", "backup", "lent.bank", "x.bank", "--level", "1") == (
        "this file holds a part of a bank already: it is copied whole"
    )
    assert in_store("Anna Maria").name == fresh_bank(chapel, "Anna Maria").name


def test_a_part_says_what_it_is(chapel: Console) -> None:
    words = ("--level", "1", "--level", "2", "--piston", "g1", "--piston", "Pedal 1")
    done("bank", "backup", "quay.bank", "part.bank", *words)
    said = done("bank", "print", "part.bank")
    assert "\n  holds only   General 1 (g1), Pedal 1 (pd1) at level 1-2\n" in said
    data = json.loads(done("bank", "print", "part.bank", "--json"))
    assert data["part"] == {"levels": [1, 2], "pistons": ["g1", "pd1"]}
    assert json.loads(done("bank", "print", "quay.bank", "--json"))["part"] is None
    assert load("quay.bank") == played(chapel)


def test_a_part_finds_pistons_that_are_called_otherwise_now(chapel: Console) -> None:
    Path("new.toml").write_text(
        QUAY.replace('id = "pd1"', 'id = "ped-1"\nwas = "pd1"'), encoding="utf-8"
    )
    done("bank", "backup", "organ.store:Ruth", "part.bank", "--piston", "pd1")
    words = ("bank", "restore", "part.bank", "organ.store:Anna Maria", "--console", "new.toml")
    assert "Only Pedal 1 (ped-1): the rest stays as it is\n" in done(*words, "--yes")
    assert in_store("Anna Maria").levels[1].combinations.keys() == {"ped-1"}
    assert in_store("Ruth") == evolve(played(chapel), name="Ruth")


# ---------------------------------------------------------------- a console that changes


def test_banks_are_brought_up_to_date_and_back(chapel: Console) -> None:
    Path("moved.toml").write_text(MOVED, encoding="utf-8")
    before = in_store("Ruth")
    result = run("store", "fit", "organ.store", "--console", "moved.toml")
    assert result.exit_code == 1
    ruth, anna = result.stdout.split("\n\nAnna Maria on Quay Church\n")
    assert ruth.startswith("Ruth on Quay Church\n")
    assert "    open  Open Diapason 8' (diapason)\n" in ruth
    assert "    no division  Tremulant (trem) (2)\n" in ruth
    assert "It fits" in anna
    data = json.loads(
        run("store", "fit", "organ.store", "--console", "moved.toml", "--json").stdout
    )
    assert [(each["name"], each["fits"]) for each in data] == [
        ("Ruth", False),
        ("Anna Maria", True),
        ("Guest", True),
    ]
    assert in_store("Ruth") == before
    words = ("update", "organ.store", "--console", "moved.toml")
    message = refusal("store", *words)
    assert message.startswith("not all of Ruth will be heard; nothing has been changed")
    assert in_store("Ruth") == before
    said = store(*words, "--yes")
    assert "Ruth on Quay Church\n" in said
    assert "The banks in organ.store are up to date with Quay Church\n" in said
    assert f"take-back organ.store:Ruth {_last('Ruth')}\n" in said
    assert in_store("Ruth").levels[1].name == "Easter Eve"
    kept = in_store("Ruth")
    assert set(kept.roster.registration(kept.levels[1].combinations["g1"].on)) == {
        "diapason",
        "bourdon",
        "trem",
    }
    (change, _) = json.loads(done("bank", "history", "organ.store:Ruth", "--json"))
    assert (change["cause"], change["by"]) == ("console", "Quay Church")
    last = _last("Ruth")
    store("update", "organ.store", "--console", "moved.toml", "--yes")
    assert _last("Ruth") == last
    back = MOVED.replace('id = "diapason"\nwas = "open"', 'id = "open"\nwas = "diapason"')
    Path("back.toml").write_text(
        back.replace('"diapason", ', '"open", ')
        .replace('["diapason"]', '["open"]')
        .replace('id = "shaker"', 'id = "trem"'),
        encoding="utf-8",
    )
    assert run("store", "fit", "organ.store", "--console", "back.toml").exit_code == 1  # the range
    store("update", "organ.store", "--console", "back.toml", "--yes")
    again = in_store("Ruth")
    for number, level in before.levels.items():
        for piston, held in level.combinations.items():
            now = again.levels[number].combinations[piston]
            assert again.roster.registration(now.on) == before.roster.registration(held.on)
    assert seat(before, chapel).full_organs.keys() == again.full_organs.keys()


# ---------------------------------------------------------------- passphrases


def test_a_passphrase_is_asked_for_at_a_terminal(chapel: Console) -> None:
    words = ["bank", "lock", "organ.store:Ruth", "--passphrase"]
    twice = (("Passphrase: ", b"psalm 150\n"), ("The same again: ", b"psalm 150\n"))
    code, seen = at_a_terminal(words, *twice)
    assert (code, seen.endswith("organ.store:Ruth is locked now, with a passphrase\n")) == (0, True)
    assert "psalm" not in seen
    assert refusal("bank", "name", "organ.store:Ruth", "X") == "the bank is locked"
    for ending in (b"\n", CTRL_C):
        wrong = b"psalm 151\n" if ending == b"\n" else ending
        code, seen = at_a_terminal(["bank", "unlock", "organ.store:Ruth"], ("Passphrase: ", wrong))
        assert code == 2
        assert seen.splitlines()[-1] in (
            "stopwright: the passphrase is not the right one",
            "stopwright: broken off",
        )
    code, seen = at_a_terminal(["bank", "unlock", "organ.store:Ruth"], twice[0])
    assert (code, "still locked: 1 level" in seen) == (0, True)
    assert in_store("Ruth") == evolve(played(chapel), name="Ruth")


def test_a_passphrase_comes_from_the_input_where_there_is_no_terminal(chapel: Console) -> None:
    for place in ("quay.bank", "organ.store:Ruth"):
        lock = ("bank", "lock", place, "--passphrase", "--level", "1")
        for empty in ("", "\n"):
            assert refusal(*lock, typed=empty) == "a passphrase cannot be empty"
        assert refusal(*lock, typed=b"\xff\n") == "the passphrase is no text"
        assert done(*lock, typed="psalm 150\r\nmore\n") == (
            'Level 1 "Easter Eve" is locked now, with a passphrase\n'
        )
        assert refusal(*lock, typed="other\n") == (
            "level 1 is locked with a passphrase already: unlock it first"
        )
        unlock = ("bank", "unlock", place, "--level", "1")
        for wrong in ("Psalm 150\n", "psalm 150 \n", "more\n"):
            assert refusal(*unlock, typed=wrong) == "the passphrase is not the right one"
        assert refusal(*unlock, "--forgotten", typed="") == (
            "its passphrase is passed over, and needed no more; nothing has been changed: "
            "add --yes if that is meant"
        )
        done(*unlock, typed="psalm 150")
        done(*lock, typed="psalm 150\n")
        assert done(*unlock, "--forgotten", "--yes") == 'Level 1 "Easter Eve" is unlocked now\n'
    assert in_store("Ruth") == evolve(played(chapel), name="Ruth")
    assert load("quay.bank") == played(chapel)
    assert refusal("bank", "lock", "none.bank", "--passphrase", typed="x\n").startswith(
        "none.bank: "
    )


# ---------------------------------------------------------------- years later


def test_history_is_dropped_if_it_is_agreed_to(chapel: Console) -> None:
    days = [MADE + timedelta(days=day) for day in range(4)]
    for day in days:
        with Store("organ.store", clock=day.timestamp) as opened, opened.edited(1, "name") as kept:
            kept.at(3).name = f"{day:%A}"
    words = ("compact", "organ.store", "--before")
    said = store(*words, "2031-05-04")
    assert said == "There is nothing to drop from before that\n"
    assert refusal("store", *words, "2031-05-07") == (
        "What the banks were in between can then be seen no more; nothing has been changed: "
        "add --yes if that is meant"
    )
    said = store(*words, "2031-05-07", "--yes")
    assert said == (
        "bank  goes       from                 to\n"
        "Ruth  3 changes  4 May 2031 at 18:30  6 May 2031 at 18:30\n"
        "\n"
        "organ.store is compacted: its history begins later now\n"
    )
    with Store("organ.store") as opened:
        assert faults(opened) == []
        assert len(History(opened, 1).listed()) == 2
        assert opened.load(1).levels[3].name == "Wednesday"
    done("bank", "backup", "organ.store:Ruth@2031-05-06", "then.bank")
    assert load("then.bank").levels[3].name == "Tuesday"
    assert refusal("bank", "print", "organ.store:Ruth@2031-05-05") == (
        "organ.store: the history of this bank begins later than that"
    )
    assert seat(in_store("Ruth"), chapel).levels[1] == played(chapel).levels[1]


@pytest.mark.usefixtures("chapel")
def test_a_store_is_copied_with_its_history() -> None:
    assert store("copy", "organ.store", "copy.store") == (
        "copy.store: a copy of organ.store, read back and sound\n"
    )
    done("bank", "name-level", "organ.store:Ruth", "2", "Lent")
    store("copy", "organ.store", "later.store")
    assert done("bank", "history", "later.store:Ruth") == done(
        "bank", "history", "organ.store:Ruth"
    )
    assert store("check", "later.store") == (
        "later.store is sound: 3 banks, and all that they ever were\n"
    )
    assert json.loads(store("check", "later.store", "--json")) == {"sound": True, "faults": []}


def damage(path: str, what: bytes, with_: bytes) -> None:
    """Let a disk have written something else, of the same length, everywhere."""
    data = Path(path).read_bytes()
    assert what in data
    Path(path).write_bytes(data.replace(what, with_))


def test_a_damaged_store_is_found_out_and_mended(chapel: Console) -> None:
    store("desk", "organ.store", "Anna Maria")
    store("add", "organ.store", "Zoe", *CONSOLE)
    store("remove", "organ.store", "Zoe")
    store("add", "organ.store", "Zoe", *CONSOLE)
    damage("organ.store", b"Easter Eve", b"Easter Egg")
    result = run("store", "check", "organ.store")
    assert result.exit_code == 1
    assert result.stdout.endswith(
        "organ.store is damaged. Keep it as it is: stopwright store mend saves what it can\n"
    )
    found = json.loads(run("store", "check", "organ.store", "--json").stdout)
    assert (found["sound"], bool(found["faults"])) == (False, True)
    assert "it is damaged" in refusal("bank", "print", "organ.store:Ruth")
    assert "it is damaged" in refusal("store", "backup", "organ.store", "all.bank")
    assert refusal("store", "copy", "organ.store", "copy.store") == (
        "organ.store is damaged, and is not copied: stopwright store check says how"
    )
    before = Path("organ.store").read_bytes()
    result = run("store", "mend", "organ.store", "mended.store")
    assert result.exit_code == 1
    assert "name of level 1" in result.stdout
    assert result.stdout.endswith("mended.store: 5 banks saved from organ.store\n")
    assert Path("organ.store").read_bytes() == before
    assert store("check", "mended.store").startswith("mended.store is sound: 5 banks")
    kept = in_store("Ruth", "mended.store")
    assert kept.levels[1].combinations == seat(played(chapel), chapel).levels[1].combinations
    assert {line.split("  ")[0] for line in store("list", "mended.store").splitlines()[1:]} == {
        "Ruth",
        "Anna Maria",
        "Guest",
        "Zoe",
    }
    data = {
        (each["name"], each["removed"]): each
        for each in json.loads(store("list", "mended.store", "--removed", "--json"))
    }
    assert ("Zoe", True) in data
    assert data["Ruth", False]["owner"]
    assert data["Anna Maria", False]["desk"]
    assert data["Guest", False]["guest"]
    assert not data["Zoe", True]["guest"]


@pytest.mark.usefixtures("chapel")
def test_a_sound_store_is_mended_into_the_same() -> None:
    assert store("mend", "organ.store", "mended.store") == (
        "mended.store: 3 banks saved from organ.store\n"
    )
    for name in ("Ruth", "Anna Maria", "Guest"):
        assert in_store(name, "mended.store") == in_store(name)


def test_nothing_is_left_of_a_mending_that_cannot_be_written(chapel: Console) -> None:
    before = contents()
    assert refusal("store", "mend", "organ.store", "no/mended.store") == (
        "no/mended.store: there is no such file or folder"
    )
    assert contents() == before
    assert in_store("Ruth") == evolve(played(chapel), name="Ruth")


# ---------------------------------------------------------------- rehearsals


def test_a_rehearsal_is_kept_as_one_change(chapel: Console) -> None:
    Path("evening.rehearsal").write_text(
        "console quay.toml\ntouch flute\npress set\npush g2\npush gt1\nrelease set\npush up\n",
        encoding="utf-8",
    )
    before = in_store("Ruth")
    words = ("rehearse", "evening.rehearsal", "--bank", "organ.store:Ruth", "--quiet")
    done(*words)
    assert in_store("Ruth") == before
    done(*words, "--keep-bank")
    after = in_store("Ruth")
    assert after.level == before.level + 1
    assert after.levels[2].combinations.keys() == {"g2", "gt1"}
    change = json.loads(done("bank", "history", "organ.store:Ruth", "--json"))[0]
    assert (change["cause"], change["by"]) == (
        "rehearse",
        "evening.rehearsal --keep-bank --quiet",
    )
    assert {each["what"] for each in change["changes"]} == {"combination", "place"}
    done("bank", "take-back", "organ.store:Ruth", change["change"], "--yes")
    assert in_store("Ruth") == before
    done("rehearse", "evening.rehearsal", "--bank", "organ.store:Ruth@1", "--quiet")
    assert refusal(*words[:2], "--bank", "organ.store:Ruth@1", "--quiet", "--keep-bank") == (
        "organ.store:Ruth@1 is how the bank was: restore it first, if it is to be changed"
    )
    assert seat(before, chapel).level == before.level


@pytest.mark.usefixtures("chapel")
def test_other_commands_take_a_bank_in_a_store() -> None:
    words = ("console", "piston", "quay.toml", "g1", "--not", "trem", "--bank")
    said = done(*words, "quay.bank").replace("Eastertide", "Ruth")
    assert done(*words, "organ.store:Ruth") == done(*words, "organ.store:Ruth@1") == said
    code = run("console", "cable", "quay.toml", "--bank", "organ.store:Ruth@1").exit_code
    assert code in (0, 1)
    assert "no bank 'Zoe'" in refusal("console", "cable", "quay.toml", "--bank", "organ.store:Zoe")


# ---------------------------------------------------------------- help

LINE = 78
"""Columns of a help at a terminal of 80: two are left free."""


@pytest.mark.parametrize("name", store_group.commands)
def test_every_command_of_a_store_says_what_it_does(name: str) -> None:
    said = " ".join(store(name, "--help").split())
    command = store_group.commands[name]
    assert " ".join((command.help or "").split()) in said
    for parameter in command.params:
        assert parameter.opts[-1] in said or parameter.make_metavar(click.Context(bank)) in said


def test_the_help_of_stores_lists_every_command_in_one_line() -> None:
    said = CliRunner().invoke(store_group, ["--help"], terminal_width=LINE).stdout
    for name in store_group.commands:
        (line,) = re.findall(rf"^  {name} +(\S.*)$", said, re.M)
        assert line.endswith(".")
        assert "..." not in line


# ---------------------------------------------------------------- words of every sort

signs = st.characters(codec="utf-8", exclude_characters="\0/")
signs |= st.integers(0xDC80, 0xDCFF).map(chr)
words_of_every_sort = st.lists(
    st.text(signs, max_size=8).filter(lambda word: word != ".."), max_size=4
)


@pytest.mark.usefixtures("chapel")
@given(words_of_every_sort, st.sampled_from(sorted(store_group.commands)))
@settings(
    max_examples=40,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_words_of_every_sort_never_fail_badly(words: list[str], command: str) -> None:
    run("store", command, *words)
    run("store", command, "organ.store", *words)
    run("store", command, "organ.store", *words, *CONSOLE)
    assert store("check", "organ.store").startswith("organ.store is sound")
