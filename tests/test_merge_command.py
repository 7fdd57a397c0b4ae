"""Two players' banks made into one by command: every conflict shown, none chosen for anybody."""

import json
import shutil
from pathlib import Path

import pytest
from attrs import evolve

from banks import Store, create_store
from combination.memory import Bank, Combination, Level, Slot, fresh_bank, seat
from combination.model import Console
from combination.reading import read_console
from tests.quay import (
    CTRL_D,
    QUAY,
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


def theirs(kept: Bank) -> Bank:
    """What another player has: the same here, something else there, and more besides."""
    bits = kept.roster.bits
    other = evolve(kept, name="Anna", levels={}, full_organs={}, stages={1: bits(["flute"])})
    other.levels[1] = Level(
        "Lent",
        combinations={
            "g1": Combination(bits(["open", "flute"]), bits(["octave"])),
            "g2": Combination(bits(["trem"])),
            "pd1": Combination(0),
        },
    )
    other.levels[7] = Level("Advent", combinations={"g1": Combination(bits(["open"]))})
    first, second = kept.sequences["Vespers"]
    other.sequences = {"Vespers": (first,), "Matins": (second,)}
    return other


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two bank files, and a store with the same two banks, Ruth's and Anna's."""
    place = tmp_path_factory.mktemp("quay")
    kept = played(read_console(QUAY))
    other = theirs(kept)
    (place / "quay.toml").write_text(QUAY, encoding="utf-8")
    save(place / "quay.bank", kept)
    save(place / "anna.bank", other)
    create_store(place / "organ.store")
    with Store(place / "organ.store") as store:
        store.add(evolve(kept, name="Ruth"))
        store.add(other)
    return place


@pytest.fixture
def two(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Console:
    """That folder, for one test."""
    shutil.copytree(folder, tmp_path, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path)
    return read_console(QUAY)


def ruth() -> Bank:
    with Store("organ.store") as store:
        return store.load(store.find("Ruth").number)


CONFLICTS = """\
3 conflicts: both have something, and not the same
                           only in quay.bank                    only in anna.bank
name of level 1            "Easter Eve"                         "Lent"
General 1 (g1) at level 1  Pedal: Bourdon 16'; no division:     Great: Flute 4'; leaves alone Great:
                           Tremulant                            Great Octave
sequence "Vespers"         2 steps                              1 step

"""
CHANGES = """\
What changes in quay.bank
  level 1 "Easter Eve": 1 piston newly set
  level 7: 1 piston newly set, named "Advent"
  full organ and crescendo: 1 list newly set
  sequence "Matins": new

"""


@pytest.mark.usefixtures("two")
def test_conflicts_are_shown_and_none_is_chosen() -> None:
    before = contents()
    for yes in ([], ["--yes"]):
        result = run("bank", "merge", "quay.bank", "anna.bank", *yes)
        assert (result.exit_code, result.stderr) == (1, "")
        assert result.stdout == (
            f"{CONFLICTS}Nothing has been changed: choose with --mine or --theirs, "
            "or avoid it with --shift\n"
        )
    assert contents() == before


def test_what_one_has_is_taken_and_conflicts_are_as_the_player_says(two: Console) -> None:
    mine, other = played(two), theirs(played(two))
    words = ("bank", "merge", "quay.bank", "anna.bank", "--mine")
    assert refusal(*words) == (
        "quay.bank will be changed; nothing has been changed: add --yes if that is meant"
    )
    said = done(*words, "--yes")
    (kept,) = Path().glob("quay-before-*.bank")
    assert said == (
        f"{CONFLICTS}{CHANGES}quay.bank: merged with anna.bank\n"
        f"What was there before is in {kept.name}\n"
    )
    assert load(kept) == mine
    found = load("quay.bank")
    assert found.levels[1] == evolve(
        mine.levels[1],
        combinations=mine.levels[1].combinations | {"g2": other.levels[1].combinations["g2"]},
    )
    assert found.levels[7] == other.levels[7]
    assert found.sequences == mine.sequences | {"Matins": other.sequences["Matins"]}
    assert (found.name, found.full_organs) == ("Eastertide", mine.full_organs)
    done("bank", "merge", "quay.bank", "anna.bank", "--theirs", "--yes")
    found = load("quay.bank")
    assert found.levels[1].combinations["g1"] == other.levels[1].combinations["g1"]
    assert (found.levels[1].name, found.sequences["Vespers"]) == (
        "Lent",
        other.sequences["Vespers"],
    )
    assert load("anna.bank") == other


def test_banks_of_a_store_are_merged_in_one_change(two: Console) -> None:
    before = ruth()
    words = ("bank", "merge", "organ.store:Ruth", "organ.store:Anna")
    said = done(*words, "--mine", "--yes")
    change = json.loads(done("bank", "history", "organ.store:Ruth", "--json"))[0]
    assert (change["cause"], change["by"]) == ("merge", "organ.store:Anna --mine")
    back = f"To take that back: stopwright bank take-back organ.store:Ruth {change['change']}\n"
    assert said.endswith(f"organ.store:Ruth: merged with organ.store:Anna\n{back}")
    assert ruth().levels[7].name == "Advent"
    again = done(*words, "--mine", "--yes")
    assert again.endswith("organ.store:Anna has nothing that organ.store:Ruth would take\n")
    assert json.loads(done("bank", "history", "organ.store:Ruth", "--json"))[0] == change
    done("bank", "take-back", "organ.store:Ruth", change["change"], "--yes")
    assert ruth() == before
    done("bank", "merge", "organ.store:Ruth", "anna.bank", "--theirs", "--yes")
    assert ruth().levels[1].name == "Lent"
    done("bank", "merge", "organ.store:Ruth", "organ.store:Ruth@1", "--theirs", "--yes")
    assert ruth().levels[1].name == "Easter Eve"
    assert seat(before, two).levels[1] == before.levels[1]


def test_levels_of_two_players_stand_side_by_side(two: Console) -> None:
    said = done("bank", "merge", "quay.bank", "anna.bank", "--shift", "10", "--mine", "--yes")
    assert "1 conflict: both have something, and not the same\n" in said
    found, other = load("quay.bank"), theirs(played(two))
    assert (found.levels[11], found.levels[17]) == (other.levels[1], other.levels[7])
    assert found.levels[1] == played(two).levels[1]
    assert [step.level for step in found.sequences["Matins"]] == [12]


def test_banks_are_brought_up_to_date_with_a_console_first(two: Console) -> None:
    renamed = QUAY.replace('"open"', '"diapason"').replace(
        'id = "diapason"', 'id = "diapason"\nwas = "open"'
    )
    Path("new.toml").write_text(renamed, encoding="utf-8")
    console = read_console(renamed)
    save("moved.bank", seat(played(two), console))
    said = run("bank", "merge", "quay.bank", "moved.bank").stdout
    assert said.startswith("2 conflicts")
    words = ("bank", "merge", "quay.bank", "moved.bank", "--console", "new.toml", "--yes")
    said = done(*words)
    assert said.startswith("No conflict: where both have something, it is the same\n\n")
    assert "only what it says of the console is brought up to date" in said
    assert load("quay.bank") == load("moved.bank")
    done("bank", "merge", "organ.store:Ruth", "moved.bank", "--console", "new.toml", "--yes")
    assert (
        json.loads(done("bank", "history", "organ.store:Ruth", "--piston", "g1", "--json"))[0][
            "change"
        ]
        == 1
    )  # the past of what was renamed goes on
    assert done(*words).endswith("moved.bank has nothing that quay.bank would take\n")


def ask(place: str) -> str:
    return f"{place}: mine or theirs? (mine, theirs): "


LEVEL, PISTON, SEQUENCE = (
    ask("Name of level 1"),
    ask("General 1 (g1) at level 1"),
    ask('Sequence "Vespers"'),
)
AGREE = "organ.store:Ruth will be changed. Go on? [y/N]: "


def test_each_conflict_is_asked_about_at_a_terminal(two: Console) -> None:
    words = ["bank", "merge", "organ.store:Ruth", "organ.store:Anna"]
    before = ruth()
    code, seen = at_a_terminal(words, (LEVEL, b"theirs\n"), (PISTON, CTRL_D))
    assert (code, seen.splitlines()[-1]) == (2, "stopwright: broken off")
    answers = ((PISTON, b"mine\n"), (SEQUENCE, b"theirs\n"))
    code, seen = at_a_terminal(words, (LEVEL, b"theirs\n"), *answers, (AGREE, b"n\n"))
    assert (code, seen.splitlines()[-1]) == (2, "stopwright: nothing has been changed")
    assert ruth() == before
    code, seen = at_a_terminal(
        words, (LEVEL, b"his\n"), (LEVEL, b"theirs\n"), *answers, (AGREE, b"y\n")
    )
    assert code == 0
    found, other = ruth(), theirs(played(two))
    assert found.levels[1].name == "Lent"
    assert found.levels[1].combinations["g1"] == before.levels[1].combinations["g1"]
    assert found.sequences["Vespers"] == other.sequences["Vespers"]
    assert found.levels[7] == other.levels[7]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["quay.bank", "none.bank"], "none.bank: there is no such file or folder"),
        (["none.bank", "quay.bank"], "there is no bank none.bank to merge another into"),
        (
            ["organ.store:Zoe", "quay.bank"],
            "there is no bank organ.store:Zoe to merge another into",
        ),
        (["organ.store:Ruth", "organ.store:Zoe"], "organ.store has no bank 'Zoe'; there is"),
        (["organ.store:Ruth@1", "quay.bank"], "what was cannot be changed: leave out the time"),
        (["organ.store", "quay.bank"], "organ.store has several banks: say which"),
        (["quay.toml", "quay.bank"], "there is no bank quay.toml to merge another into"),
        (["quay.bank", "anna.bank", "--mine", "--theirs"], "--mine and --theirs: only one of them"),
        (
            ["quay.bank", "anna.bank", "--shift", "9999", "--mine"],
            "level 7 of the second bank would be level 10006: levels go from 1 to 10,000",
        ),
        (["quay.bank", "anna.bank", "--console", "no.toml"], "there is no console file no.toml"),
        (["locked.bank", "anna.bank", "--mine"], "the bank is locked"),
        (["level.bank", "anna.bank", "--mine"], "level 1 is locked"),
    ],
)
@pytest.mark.usefixtures("two")
def test_what_cannot_be_merged(words: list[str], message: str) -> None:
    kept = load("quay.bank")
    save("locked.bank", evolve(kept, locked=True))
    save("level.bank", evolve(kept, levels=kept.levels | {1: Level(locked=True)}))
    assert message in refusal("bank", "merge", *words, "--yes")


def test_a_bank_that_knows_other_controls_is_merged_by_id(two: Console) -> None:
    organ = read_console(QUAY.replace('id = "trem"', 'id = "shaker"'))
    other = fresh_bank(organ, "Ben")
    other.put(Slot("g2", 1), Combination(other.roster.bits(["shaker", "open"])))
    save("ben.bank", other)
    done("bank", "merge", "organ.store:Ruth", "ben.bank", "--yes")
    found = ruth()
    held = found.levels[1].combinations["g2"]
    assert set(found.roster.registration(held.on)) == {"shaker", "open"}
    assert found.console == two.name
