"""What a bank in a store has been, looked back at and taken back by commands.

The store's clock is given: an organist's days in May 2031.
"""

import json
import shlex
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from copy import copy
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from attrs import evolve

from banks import History, Keeper, Store, create_store
from banks.history import compact, compacting
from combination.effects import KeepAsked
from combination.memory import Bank, Combination, Slot, fresh_bank
from combination.model import Console
from combination.reading import read_console
from tests.consoles import Player
from tests.quay import QUAY, altered, at_a_terminal, done, played, refusal, run, save
from tests.test_bank_commands import EDITED, LOST, REFUSED

pytestmark = pytest.mark.usefixtures("in_utc")

RUTH = "organ.store:Ruth"
RENAMED = (
    QUAY.replace('id = "flute"', 'id = "gt-flute"\nwas = "flute"')
    .replace('"open", "flute"', '"open", "gt-flute"')
    .replace('adds = { controls = ["flute"] }', 'adds = { controls = ["gt-flute"] }')
    .replace('id = "g1"\nlabel = "1"', 'id = "gen1"\nwas = "g1"\nlabel = "First"')
)
"""The chapel with a stop and a piston that are called otherwise."""


class Days:
    """A store of Ruth's bank, and changes of it at times that are said."""

    def __init__(self, console: Console) -> None:
        self.console = console
        self.at("01T10:00")
        create_store("organ.store")
        with self.opened() as store:
            self.ruth = store.add(evolve(played(console), name="Ruth"), by="quay.bank")

    def opened(self) -> Store:
        return Store("organ.store", clock=lambda: self.now.timestamp())

    def at(self, when: str) -> "Days":
        self.now = datetime.fromisoformat(f"2031-05-{when}:00+00:00")
        return self

    @contextmanager
    def changing(self, cause: str, by: str = "") -> Iterator[Bank]:
        with self.opened() as store, store.edited(self.ruth, cause, by) as bank:
            yield bank

    def name(self, level: int, text: str) -> int:
        """Give a level a name: the number of the change."""
        with self.changing("name-level", f"{level} {text}") as bank:
            bank.at(level).name = text
        return self.last

    def play(self, *steps: str) -> int:
        """Play at the console, which writes what is set, and is then switched off."""
        with self.opened() as store:
            bank = store.update(self.ruth, self.console)
            keeper = Keeper(store, self.ruth, bank)
            player = Player(self.console, bank, keeps=True)
            for step in steps:
                asked = [e for e in player.do(step).effects if isinstance(e, KeepAsked)]
                for answer in (answer for each in asked for answer in keeper.keep(each)):
                    player.receive(answer)
            assert keeper.left_off(bank)
        return self.last

    @property
    def last(self) -> int:
        """The number of the last change."""
        with self.opened() as store:
            return next(p.entry for p in store.players() if p.number == self.ruth)

    @property
    def bank(self) -> Bank:
        with self.opened() as store:
            return store.load(self.ruth)


@pytest.fixture(scope="module")
def first_day(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Days]:
    """The folder that tests begin with: the chapel on the quay, and the store."""
    folder = tmp_path_factory.mktemp("quay")
    console = read_console(QUAY)
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        Path("quay.toml").write_text(QUAY, encoding="utf-8")
        save("quay.bank", played(console))
        return folder, Days(console)


@pytest.fixture
def days(first_day: tuple[Path, Days], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Days:
    folder, begun = first_day
    shutil.copytree(folder, tmp_path, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path)
    return copy(begun)


def history(*words: object) -> str:
    return done("bank", "history", RUTH, *words)


def listed(*words: object) -> list[dict[str, Any]]:
    """The changes that are listed, for a program."""
    found: list[dict[str, Any]] = json.loads(history(*words, "--json"))
    return found


def numbers(*words: object) -> list[int]:
    return [each["change"] for each in listed(*words)]


def take_back(*words: object) -> str:
    return done("bank", "take-back", RUTH, *words, "--yes")


# ---------------------------------------------------------------- every edit has its line


def on(bank: str, words: list[str]) -> list[str]:
    """The words of an edit, with the bank in its place."""
    at = 2 if words[0] == "sequence" else 1
    return ["bank", *words[:at], bank, *words[at:]]


@pytest.mark.parametrize("edit", [edit for edit in EDITED if edit != "no name"])
def test_an_edit_of_a_bank_in_a_store_is_one_change_that_can_be_taken_back(
    days: Days, edit: str
) -> None:
    words, said = EDITED[edit]
    before, made = days.bank, days.last
    now = said.replace("quay.bank", RUTH).replace("Eastertide", "Ruth")
    assert done(*on(RUTH, words)) == now + "\n"
    after = days.bank
    bank = f"organ.store:{after.name}"
    changes = json.loads(done("bank", "history", bank, "--json"))
    if after == before:
        assert [each["change"] for each in changes] == [made]
        return
    change, _ = changes
    inner = 1 + (words[0] == "sequence")
    assert change["cause"] == " ".join(words[:inner])
    kept = [word for word in words[inner:] if word not in ("--yes", "--console", "quay.toml")]
    assert sorted(shlex.split(change["by"])) == sorted(kept)
    assert f"\n{change['change']} " in done("bank", "history", bank)
    taken = run("bank", "take-back", bank, change["change"], "--yes")
    assert taken.exit_code == (edit in ("a lock", "a level's lock"))  # which stays on
    assert days.bank == (after if taken.exit_code else before)


@pytest.mark.usefixtures("days")
def test_a_bank_in_a_store_has_a_name_of_its_own() -> None:
    done("store", "add", "organ.store", "Anna Maria", "--console", "quay.toml")
    assert refusal("bank", "name", RUTH, "") == (
        "organ.store: a bank in a store needs a name: the player's"
    )
    assert refusal("bank", "name", RUTH, "ANNA MARIA") == (
        "organ.store: there is a bank 'Anna Maria' in it already"
    )


@pytest.mark.parametrize("edit", LOST)
@pytest.mark.usefixtures("days")
def test_what_would_be_lost_is_asked_about_in_a_store_too(edit: str) -> None:
    words, loss = LOST[edit]
    message = f"{loss}; nothing has been changed: add --yes if that is meant"
    assert refusal(*on(RUTH, words)) == message


@pytest.mark.parametrize("wish", ["a locked level", "a level misspelt", "nothing to copy"])
@pytest.mark.usefixtures("days")
def test_what_is_refused_in_a_file_is_refused_in_a_store(wish: str) -> None:
    words, message = REFUSED[wish]
    assert refusal(*on(RUTH, words)) == message


def test_what_changed_while_a_question_stood_is_not_written_over(
    days: Days, monkeypatch: pytest.MonkeyPatch
) -> None:
    def meanwhile(_: str, __: bool) -> None:
        days.name(3, "Advent")

    message = (
        "stopwright: organ.store: the bank was changed by another program meanwhile; "
        "nothing has been written: look again\n"
    )
    for module, words in (
        ("edits", ["clear-level", RUTH, "1"]),
        ("commands", ["restore", "other.bank", RUTH, "--console", "quay.toml"]),
        ("merging", ["merge", RUTH, "other.bank", "--theirs"]),
        ("past", ["take-back", RUTH, str(days.name(2, "Lent"))]),
    ):
        save("other.bank", evolve(altered(days.bank), locked=False))
        with monkeypatch.context() as patch:
            patch.setattr(f"cli.bank.{module}.agree", meanwhile)
            result = run("bank", *words)
        assert (result.exit_code, result.stderr) == (2, message)
        assert days.bank.levels[3].name == "Advent"
        assert days.bank.levels[1].name == "Easter Eve"
        with days.changing("name-level") as bank:
            bank.at(3).name = ""


def test_a_store_that_another_program_writes_to_is_left_alone(
    days: Days, monkeypatch: pytest.MonkeyPatch
) -> None:
    keywords = Store.__init__.__kwdefaults__ or {}
    monkeypatch.setattr(Store.__init__, "__kwdefaults__", keywords | {"patience": 0.1})
    with days.opened() as store, store.writing():
        result = run("bank", "name-level", RUTH, "2", "Lent")
        assert "Easter Eve" in done("bank", "print", RUTH)
    assert (result.exit_code, result.stderr) == (
        2,
        "stopwright: organ.store: another program is writing to it, and has not finished\n",
    )
    assert days.bank.levels[2].name == ""


# ---------------------------------------------------------------- the history


LISTED = """\
change  when                 made by                             what it changed
29      5 May 2031 at 03:30  swap-levels 1 2                     2 names of levels, 6 combinations
28      5 May 2031 at 03:00  clear-piston gt1 --level 1          Great 1 (gt1) at level 1: gone; was
                                                                 Great: Open Diapason 8'; Pedal:
                                                                 Bourdon 16'; left alone: Great:
                                                                 Flute 4'
27      4 May 2031 at 18:40  sequence note-step Vespers 1 psalm  sequence "Vespers": step new: 3;
                                                                 step gone: 2; step otherwise: 1
26      4 May 2031 at 18:35  name-level 2 Lent                   name of level 2: "Lent"
25      4 May 2031 at 18:30  set General 1 (g1)                  General 1 (g1) at level 2: Great:
                                                                 Flute 4'
1       1 May 2031 at 10:00  made from quay.bank                 6 controls, 5 pistons, 2 names of
                                                                 levels, 4 combinations, 1 lock of a
                                                                 level, 1 full organ list, 1
                                                                 crescendo list, 1 sequence, the
                                                                 bank's name, its console, where the
                                                                 player left off
"""


def test_the_history_is_listed_newest_first(days: Days) -> None:
    days.at("04T18:30").play("tab flute on", "press set", "push g1", "release set")
    days.at("04T18:35").name(2, "Lent")
    with days.at("04T18:40").changing("sequence note-step", "Vespers 1 psalm") as bank:
        first, second = bank.sequences["Vespers"]
        third = evolve(second, number=second.number + 1)
        bank.sequences["Vespers"] = (evolve(first, note="psalm"), third)
    with days.at("05T03:00").changing("clear-piston", "gt1 --level 1") as bank:
        bank.put(Slot("gt1", 1), None)
    with days.at("05T03:30").changing("swap-levels", "1 2") as bank:
        bank.levels[1], bank.levels[2] = bank.levels[2], bank.levels[1]
    assert history() == LISTED


WHOLE = """\
Change 25, 4 May 2031 at 18:30: restore other.bank

                           what changed
the bank's name            "Anna"; was "Ruth"
where the player left off  level 3; was level 2, "Vespers", step 2
the bank's lock            locked with a passphrase
control Great Open (open)  described otherwise than before
name of level 1            "Lent"; was "Easter Eve"
General 1 (g1) at level 1  on now: Great: Flute 4'; off now: Great: Great Open; Pedal: Bourdon 16';
                           left alone now: Pedal: Flute 4'
Great 1 (gt1) at level 2   Great: Great Open; Pedal: Bourdon 16'
crescendo stage 1          nothing on
sequence "Matins"          0 steps
lock of level 5            unlocked
Pedal 1 (pd1) at level 1   gone; was nothing on
Full Organ (fo)            gone; was Great: Great Octave; Pedal: Bourdon 16'; no division: Tremulant
sequence "Vespers"         gone; was 2 steps
"""


def test_one_change_is_told_whole(days: Days) -> None:
    with days.at("04T18:30").changing("restore", "other.bank") as bank:
        bits = bank.roster.bits
        bank.put(Slot("g1", 1), Combination(bits(["trem", "flute"]), bits(["pd-flute"])))
        bank.put(Slot("gt1", 2), Combination(bits(["open", "bourdon"])))
        bank.put(Slot("pd1", 1), None)
        bank.full_organs.clear()
        bank.stages[1] = 0
        bank.sequences = {"Matins": ()}
        bank.at(1).name = "Lent"
        bank.at(5).locked = False
        bank.name, bank.locked, bank.verifier = "Anna", True, b"v" * 53
        bank.level, bank.sequence, bank.place = 3, None, bank.place * 0
        card = evolve(bank.controls[0], label=("Great Open",))
        bank.controls = (card, *bank.controls[1:])
    assert done("bank", "history", "organ.store", days.last) == WHOLE


def test_the_history_for_a_program(days: Days) -> None:
    made = days.last
    change = days.at("04T18:30").play("tab flute on", "press set", "push g1", "release set")
    assert listed()[0] == {
        "change": change,
        "at": "2031-05-04T18:30:00+00:00",
        "cause": "set",
        "by": "g1",
        "changes": [
            {
                "what": "combination",
                "piston": "g1",
                "level": 2,
                "before": None,
                "after": {"on": ["flute"], "neutral": []},
            }
        ],
    }
    (first,) = listed(made)
    told = {
        (each["what"], each.get("level"), each.get("piston")): each for each in first["changes"]
    }
    assert told["name", None, None]["after"] == "Ruth"
    assert told["place", None, None]["after"] == {"level": 2, "sequence": "Vespers", "step": "2"}
    assert told["level-lock", 5, None]["after"] == {"passphrase": False}
    assert told["piston", None, "pd1"]["after"] == {
        "id": "pd1",
        "label": ["Pedal", "1"],
        "kind": "divisional",
        "affects": ["bourdon", "pd-flute"],
        "division": "Pedal",
    }
    (sequence,) = [each for each in first["changes"] if each["what"] == "sequence"]
    assert sequence["sequence"] == "Vespers"
    assert sequence["after"][0] == {"step": "1", "level": 1, "piston": "g1", "note": "hymn"}
    controls = [each for each in first["changes"] if each["what"] == "control"]
    assert controls[1]["control"] == "flute"
    assert controls[1]["after"] == {"id": "flute", "label": ["Flute", "4'"], "division": "Great"}


def test_a_part_of_the_history(days: Days) -> None:
    third = days.at("03T23:59").name(2, "a")
    fourth = days.at("04T00:00").name(2, "b")
    evening = days.at("04T18:30").name(2, "c")
    fifth = days.at("05T00:00").name(2, "d")
    assert numbers("--since", "2031-05-04") == [fifth, evening, fourth]
    assert numbers("--since", "2031-05-04", "--until", "2031-05-04T23:59") == [evening, fourth]
    assert numbers("--until", "2031-05-03", "--since", "2031-05-02") == [fourth, third]
    assert numbers("--since", "2031-05-04T18:30", "--until", "2031-05-04T18:30") == [evening]
    assert numbers("--since", "2031-05-06") == []
    assert history("--since", "2031-05-06") == "Nothing was changed\n"
    assert numbers("--until", "2031-05-03T23:59")[0] == third


def test_of_a_long_history_the_last_changes_are_listed(days: Days) -> None:
    made = days.last
    named = [days.name(2, f"name {n}") for n in range(45)]
    said = history()
    assert said.endswith(
        "\n\nThere are older changes: --all lists them, or a part of them with --until\n"
    )
    assert numbers() == named[:-41:-1]
    assert numbers("--all") == [*named[::-1], made]
    assert "older" not in history("--all")
    assert "older" not in history("--since", "2031-05-02")


def test_places_where_the_player_left_off_are_listed_if_wanted(days: Days) -> None:
    days.at("04T18:30").play("push up", "push up")
    assert len(numbers()) == 1
    assert " left off " in history("--moves").splitlines()[1]
    assert history(days.last).splitlines()[-1] == (
        'where the player left off  level 4, "Vespers", step 2; was level 2, "Vespers", step 2'
    )
    assert [each["cause"] for each in listed("--moves")] == ["left off", "made"]


def test_the_past_of_a_piston_is_one_though_it_was_renamed(days: Days) -> None:
    first = days.at("02T18:00").play("tab flute on", "press set", "push g1", "release set")
    days.console = read_console(RENAMED)
    Path("renamed.toml").write_text(RENAMED, encoding="utf-8")
    days.at("03T18:00")
    done("store", "update", "organ.store", "--console", "renamed.toml", "--yes")
    second = days.at("04T18:00").play("tab gt-flute off", "tab trem on", "press set", "push gen1")
    days.name(2, "Lent")
    found = listed("--piston", "gen1")
    assert [each["change"] for each in found][:2] == [second, first]
    assert [[c["piston"] for c in each["changes"]] for each in found] == [["gen1"]] * 3
    assert found[0]["changes"][0]["before"] == {"on": ["gt-flute"], "neutral": []}
    said = history("--piston", "general first")
    assert said.count("General First (gen1) at level 2") == 2
    assert "General First (gen1) at level 2: on now: no division: Tremulant;" in " ".join(
        said.split()
    )
    (up_to_date,) = [each for each in listed("--moves") if each["cause"] == "console"]
    whole = history(up_to_date["change"])
    assert "control Flute 4' (gt-flute)  was called flute\n" in whole
    assert "piston General First (gen1)  was called g1\n" in whole
    assert numbers("--piston", "gen1", "--since", "2031-05-04") == [second]
    assert numbers("--piston", "gen1", "--until", "2031-05-03")[0] == first


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["512"], "organ.store: this bank has no change 512"),
        (["--piston", "g9"], 'this bank never had a piston "g9"; there are fo, g1, g2, gt1, pd1'),
        (["--piston", "1"], 'several pistons are called "1": General 1 (g1), Great 1 (gt1)'),
        (["1", "--piston", "g1"], "give the number of a change, or what to list, not both"),
        (["1", "--since", "2031-05-04"], "give the number of a change, or what to list, not both"),
        (
            ["--since", "yesterday"],
            '"yesterday" is no time: write it as 2031-05-04 or 2031-05-04T18:30',
        ),
        (["--until", "2031-02-30"], '"2031-02-30" is no time that there is'),
        (["--since", "0001-01-01"], '"0001-01-01" is no time that there is'),
    ],
)
@pytest.mark.usefixtures("days")
def test_a_history_that_cannot_be_listed(words: list[str], message: str) -> None:
    assert refusal("bank", "history", RUTH, *words) == message


@pytest.mark.usefixtures("days")
def test_only_a_bank_in_a_store_has_a_history() -> None:
    message = "quay.bank is a bank file: only a bank in a store has a history"
    assert refusal("bank", "history", "quay.bank") == message
    assert refusal("bank", "take-back", "quay.bank", "1") == message
    assert refusal("bank", "history", "quay.toml") == "quay.toml: this is not a bank file"
    message = "leave out the time: a history is that of all times"
    assert refusal("bank", "history", f"{RUTH}@1") == message
    assert refusal("bank", "take-back", f"{RUTH}@2031-05-02", "1") == message


def test_what_a_stranger_wrote_into_a_store_does_not_reach_a_terminal(days: Days) -> None:
    with days.changing("re\x1b[31mstore", "\x1b]0;x\x07") as bank:
        bank.at(2).name = "Lent"
    assert "\x1b" not in history()
    assert "re?[31mstore ?]0;x?" in history()


# ---------------------------------------------------------------- taking back


TAKEN = """\
                 what changes
name of level 2  gone; was "Lent"

Taken back, by change {0}
To undo that: stopwright bank take-back organ.store:Ruth {0}
"""


def test_a_change_is_taken_back_and_that_too(days: Days) -> None:
    before = days.bank
    change = days.name(2, "Lent")
    assert take_back(change) == TAKEN.format(days.last)
    assert days.bank == before
    taken = days.last
    assert history().splitlines()[1].split(maxsplit=6)[6].startswith(f"took back {change}")
    take_back(taken)
    assert days.bank.levels[2].name == "Lent"
    take_back(days.last)
    assert days.bank == before


def test_several_changes_and_runs_of_them_are_taken_back(days: Days) -> None:
    first = days.name(2, "a")
    before = days.bank
    second, third, fourth = (days.name(level, "b") for level in (3, 4, 6))
    take_back(fourth, f"{second}-{third}")
    assert days.bank == before
    assert listed()[0]["by"] == f"{second}-{fourth}"
    said = run("bank", "take-back", RUTH, f"{second}-{fourth}", "--yes")
    assert (said.exit_code, said.stdout.endswith("Nothing would be different\n")) == (1, True)
    take_back(f"{first}-{fourth}", "--later-too")
    assert "a" not in {level.name for level in days.bank.levels.values()}


def test_an_evening_is_taken_back_with_its_night(days: Days) -> None:
    days.at("04T03:59").name(2, "the night before")
    before = days.bank
    for when, level in (("04T04:00", 3), ("04T18:30", 4), ("05T03:59", 6)):
        days.at(when).name(level, when)
    days.at("05T04:00").name(7, "the morning after")
    take_back("--evening", "2031-05-04")
    after = days.bank
    assert after.levels.pop(7).name == "the morning after"
    assert after == before
    assert refusal("bank", "take-back", RUTH, "--evening", "2031-05-06") == (
        "nothing was changed then"
    )


def test_the_evening_on_which_a_bank_was_made_leaves_it_with_what_it_began_with(
    days: Days,
) -> None:
    before = days.bank
    days.at("01T18:30").name(2, "Lent")
    take_back("--evening", "2031-05-01")
    assert days.bank == before
    assert refusal("bank", "take-back", RUTH, "1", "--yes") == (
        "organ.store: there was no bank before change 1, which made it"
    )


def test_what_was_changed_from_a_time_on_is_taken_back(days: Days) -> None:
    days.at("04T18:00").name(2, "a")
    before = days.bank
    days.at("04T18:30").name(2, "b")
    days.at("04T19:00").name(2, "c")
    take_back("--since", "2031-05-04T18:30")
    assert days.bank == before
    take_back(days.last)
    take_back("--since", "2031-05-04T18:30", "--until", "2031-05-04T19:00", "--later-too")
    assert days.bank == before


LATER = """\
Changed again since, by something else, which {}:
  name of level 2

"""


def test_what_was_changed_again_stays_unless_it_is_said(days: Days) -> None:
    change = days.name(2, "a")
    days.name(2, "b")
    result = run("bank", "take-back", RUTH, change, "--yes")
    stays = LATER.format("stays as it is; --later-too takes it back")
    assert (result.exit_code, result.stdout) == (1, f"{stays}Nothing would be different\n")
    said = take_back(change, "--later-too")
    assert LATER.format("goes back all the same") in said
    assert days.bank.levels[2].name == ""


def test_a_restore_is_taken_back(days: Days) -> None:
    before = days.bank
    save("other.bank", evolve(altered(before), locked=False))
    said = done("bank", "restore", "other.bank", RUTH, "--console", "quay.toml", "--yes")
    assert said.endswith(f"To take that back: stopwright bank take-back {RUTH} {days.last}\n")
    assert days.bank != before
    done("bank", "unlock", RUTH, "--level", "1")
    said = said.splitlines()[-1].removeprefix("To take that back: stopwright ")
    done(*shlex.split(said), "--yes")
    assert days.bank == before


def test_a_lock_stands_in_the_way_of_taking_back(days: Days) -> None:
    change = days.name(2, "Lent")
    done("bank", "lock", RUTH, "--level", "2")
    assert refusal("bank", "take-back", RUTH, change, "--yes") == "organ.store: level 2 is locked"
    done("bank", "lock", RUTH)
    done("bank", "unlock", RUTH, "--level", "2")
    assert refusal("bank", "take-back", RUTH, change, "--yes") == "organ.store: the bank is locked"
    locked = listed()[1]["change"]
    assert run("bank", "take-back", RUTH, locked, "--yes").exit_code == 1
    assert days.bank.locked


def test_after_a_name_is_taken_back_the_undoing_is_told_by_the_old_one(days: Days) -> None:
    done("bank", "name", RUTH, "Ruth Vane")
    said = done("bank", "take-back", "organ.store:Ruth Vane", days.last, "--yes")
    assert said.endswith(f"To undo that: stopwright bank take-back {RUTH} {days.last}\n")
    done(*shlex.split(said.splitlines()[-1])[4:], "--yes")
    assert days.bank.name == "Ruth Vane"
    with days.opened() as store:
        store.add(fresh_bank(days.console, "Ruth"))
    words = ("bank", "take-back", "organ.store:Ruth Vane", days.last, "--yes")
    assert refusal(*words) == "organ.store: there is a bank 'Ruth' in it already"


def test_a_change_of_many_places_is_told_in_a_few_lines(days: Days) -> None:
    with days.changing("restore", "other.bank") as bank:
        for level in range(100, 160):
            bank.at(level).name = f"level {level} it is"
    said = take_back(days.last)
    assert said.count("gone; was") == 40
    assert "\n  and 20 more places\n" in said


@pytest.mark.parametrize(
    ("answer", "code", "last"),
    [
        (b"y\n", 0, "To undo that: stopwright bank take-back"),
        (b"n\n", 2, "stopwright: nothing has been changed"),
    ],
)
def test_taking_back_asks_at_a_terminal(days: Days, answer: bytes, code: int, last: str) -> None:
    change = days.name(2, "Lent")
    words = ["bank", "take-back", RUTH, str(change)]
    message = "1 place will be as before"
    assert refusal(*words) == f"{message}; nothing has been changed: add --yes if that is meant"
    found, seen = at_a_terminal(words, ("[y/N]: ", answer))
    assert (found, f"{message}. Go on? [y/N]: " in seen) == (code, True)
    assert seen.splitlines()[-1].startswith(last)
    assert days.bank.levels[2].name == ("" if code == 0 else "Lent")


SAY_WHAT = "say what to take back: numbers of changes, or --evening, or --since and --until"


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ([], SAY_WHAT),
        (["1", "--evening", "2031-05-04"], SAY_WHAT),
        (["--until", "2031-05-04"], SAY_WHAT),
        (["--evening", "2031-05-04", "--since", "2031-05-04"], SAY_WHAT),
        (["9-5"], "9-5 goes backwards: write 5-9"),
        (["x"], '"x" is no number of a change, nor a run of them as 510-512'),
        (["-5"], "No such option '-5'."),
        (["500-600"], "nothing was changed then"),
        (["512"], "organ.store: this bank has no change 512"),
        (["--evening", "tonight"], '"tonight" is no day: write it as 2031-05-04'),
        (["--evening", "2031-05-04T18:30"], '"2031-05-04T18:30" is no day: write it as 2031-05-04'),
        (["--since", "2031-06-01"], "nothing was changed then"),
    ],
)
@pytest.mark.usefixtures("days")
def test_what_cannot_be_taken_back(words: list[str], message: str) -> None:
    assert message in refusal("bank", "take-back", RUTH, *words)


def test_what_was_compacted_is_told_and_not_taken_back(days: Days) -> None:
    days.at("02T18:00").name(2, "a")
    last = days.at("02T19:00").name(2, "b")
    kept = days.at("04T18:00").name(2, "c")
    with days.opened() as store:
        compact(store, compacting(store, datetime(2031, 5, 3, tzinfo=UTC)))
        assert History(store, days.ruth).listed()[-1].entry.number == last
    assert "compacted: 2 changes from 2031-05-01  all that was before\n" in history()
    assert 'name of level 2                  was "b"\n' in history(last)
    assert numbers("--piston", "g1") == [last]
    assert refusal("bank", "take-back", RUTH, last, "--yes") == (
        f"organ.store: what was before change {last} has been dropped"
    )
    take_back(kept)
    assert days.bank.levels[2].name == "b"
