"""The load plan as a command: files read, faults told, tables, JSON, and a page."""

import json
import re
from pathlib import Path
from typing import Any, get_args

import attrs
import pytest
from click.testing import CliRunner, Result
from hypothesis import given, settings
from hypothesis import strategies as st

import cli
from cli.workshop.electrics_file import FORMAT, examine
from cli.workshop.load import FIRST, as_data, example_of, listings, plan_of
from cli.workshop.load_command import load_command
from combination.electrics import LARGEST_DROP, NOTES_AT_ONCE, Electrics
from combination.model import Action, Console, Rank, file_word
from combination.reading import read_console
from tests.consoles import worked_console

DEMOS = Path(cli.__file__).parent / "demos"
CHURCH, THEATRE = DEMOS / "church.toml", DEMOS / "theatre.toml"
REFERENCE = Path(cli.__file__).parent / "workshop" / "ELECTRICS-FILE.md"
WELDING = "An action supply can deliver a welding current"

SUPPLY = """
format = 1

[[supply]]
id = "action"
volts = 15
amps = 20
fuse = 20
"""
TABS = """
[[tabs]]
id = "tabs"
supply = "action"
ohms = 30
"""


def church() -> Console:
    return read_console(CHURCH.read_text())


def run(*arguments: object) -> Result:
    return CliRunner().invoke(load_command, [str(each) for each in arguments])


@pytest.fixture
def electrics(tmp_path: Path) -> Path:
    path = tmp_path / "electrics.toml"
    path.write_text(SUPPLY + TABS)
    return path


# ---------------------------------------------------------------- what is printed


@pytest.mark.parametrize("demo", [CHURCH, THEATRE])
def test_the_example_for_a_console_is_read_and_planned(demo: Path, tmp_path: Path) -> None:
    made = run(demo, "--example")
    assert made.exit_code == 0
    path = tmp_path / "electrics.toml"
    path.write_text(made.stdout)
    done = run(demo, path)
    assert done.exit_code in (0, 1), done.output
    assert "Not counted" not in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 100


def test_every_way_of_telling_has_the_cautions(electrics: Path, tmp_path: Path) -> None:
    page = tmp_path / "load.html"
    printed = run(CHURCH, electrics).stdout
    cautions = " ".join(json.loads(run(CHURCH, electrics, "--json").stdout)["cautions"])
    assert run(CHURCH, electrics, "--page", page).stdout == f"Written: {page}.\n"
    for told in (printed, cautions, page.read_text()):
        assert WELDING in told
        assert FIRST in told


def test_the_console_file_has_the_last_word_on_how_tabs_are_driven(electrics: Path) -> None:
    """38 tabs of half an ampere, ten at a time, a tenth of a second apart."""
    data = json.loads(run(CHURCH, electrics, "--json").stdout)
    now, (supply,) = data["now"], data["now"]["supplies"]
    assert (now["tabs"], now["group"], now["gap"], now["pulse"]) == (38, 10, 0.1, 0.08)
    assert (now["last_begins"], now["last_ends"]) == pytest.approx((0.3, 0.38))
    assert supply["peak"] == pytest.approx(5.0)
    assert supply["coils_ampere_seconds"] == pytest.approx(38 * 0.5 * 0.08)
    assert data["proposed"]["group"] is None, "38 tabs take 19 A of 20 A"
    assert data["findings"] == []


def test_what_a_supply_does_not_bear_is_exit_code_1(electrics: Path) -> None:
    electrics.write_text(electrics.read_text().replace("= 20", "= 4"))
    done = run(CHURCH, electrics)
    assert done.exit_code == 1
    assert "supply action  is asked for 5.00 A and rated at 4 A  its rating" in done.stdout
    assert "group = 8, gap = 0.08" in done.stdout
    assert run(CHURCH, electrics, "--json").exit_code == 1


def test_a_table_and_its_json_say_the_same(electrics: Path) -> None:
    data = json.loads(run(CHURCH, electrics, "--json").stdout)
    printed = run(CHURCH, electrics).stdout
    for moment in data["now"]["supplies"]:
        row = next(line for line in printed.splitlines() if line.startswith(moment["supply"]))
        assert f"{moment['peak']:.2f}" in row.split()


def test_lamps_that_no_table_has_are_told(electrics: Path) -> None:
    assert "lamps of pistons: 25" in run(CHURCH, electrics).stdout


def test_a_page_is_one_file_that_is_never_overwritten(electrics: Path, tmp_path: Path) -> None:
    page = tmp_path / "load.html"
    electrics.write_text(electrics.read_text() + 'name = "<b>Tabs</b>"\n')
    assert run(CHURCH, electrics, "--page", page).exit_code == 0
    text = page.read_text()
    assert "&lt;b&gt;Tabs&lt;/b&gt;" in text
    assert not re.search(r"<script|<link|https?:", text)
    again = run(CHURCH, electrics, "--page", page)
    assert again.exit_code == 2
    assert "is there already, and is left alone" in again.output
    assert page.read_text() == text
    out = run(CHURCH, electrics, "--page", "-")
    assert out.stdout == text


# ---------------------------------------------------------------- what is refused


def said(text: str) -> list[str]:
    _, findings = examine(text, church())
    return [str(finding) for finding in findings]


def test_every_fault_at_once_in_the_files_own_words() -> None:
    text = """
format = 2
largest-drop = 0
notes-at-one = 12

[[supply]]
id = "action"
volts = "15"
amps = 20

[[supply]]
id = "chests"
volts = 15
amps = -1

[[tabs]]
id = "tabs"
supply = "chest"
amps = 1
ohms = 30
controls = ["gt-fifteenth-2", "gt-fifteenthe-2"]

[[magnets]]
id = "tabs"
supply = "chests"
amps = 0.1
rank = "trumpet"

[[wires]]
id = "w"

[[wire]]
id = "w"
of = "tab"
carries = "won"
gauge = 26
metres = 3

[[wire]]
id = "v"
of = "chests"
carries = "one"
gauge = 99
mm2 = 2
metres = 3
amps = 1
return = "u"
"""
    assert said(text) == [
        "line 2: format: is 2; this program reads format 1",
        "line 3: largest-drop: is 0; expected percent, more than 0, up to 100",
        'line 4: notes-at-one: there is no such key; did you mean "notes-at-once"?',
        'line 8: supply "action", volts: is "15"; expected a number',
        'line 14: supply "chests", amps: is -1; expected more than 0, from 0.000001 to 1000000',
        'line 16: tabs "tabs": has both amps and ohms: one of them',
        'line 18: tabs "tabs", supply: there is no supply "chest"; did you mean "chests"?',
        'line 21: tabs "tabs", controls: there is no driven control "gt-fifteenthe-2"; '
        'did you mean "gt-fifteenth-2"?',
        'line 24: magnets "tabs", id: "tabs" is there already, in [[tabs]]',
        'line 27: magnets "tabs", rank: there is no such key; did you mean "ranks"?',
        'line 29: wires: there is no such table; did you mean "wire"?',
        'line 35: wire "w", carries: is "won"; did you mean "one"?',
        'line 39: wire "v": has both gauge and mm2: one of them',
        'line 42: wire "v", carries: is one, which a supply has not: name what the wire goes to',
        'line 43: wire "v", gauge: is 99; expected -3 (4/0 AWG) to 40',
        'line 46: wire "v", amps: only a signal\'s wire has them',
        'line 47: wire "v", return: there is no wire "u"; there are v',
    ]


@pytest.mark.parametrize(
    ("more", "message"),
    [
        (TABS.replace('"tabs"', '"more"'), 'tabs "more", controls: every other tab is in tabs'),
        ('[[lamps]]\nid = "l"\nsupply = "action"\nwatts = 1\nof = ["pistons", "pistons"]', "is in"),
        ('[[lamps]]\nid = "l"\nsupply = "action"\nwatts = 1\nof = []', "of: is empty"),
        (
            '[[magnets]]\nid = "m"\nsupply = "action"\namps = 1',
            "has no ranks, divisions or controls",
        ),
        ('[[strip]]\nid = "s"\nsupply = "action"\nwatts-per-metre = 1', "metres: goes with"),
        ('[[other]]\nid = "o"\nsupply = "action"', "has neither amps and watts"),
        ('[[other]]\nid = "o"\nsupply = "action"\namps = 1\ncount = 0', "count: is 0; expected 1"),
        (
            '[[wire]]\nid = "w"\nof = "action"\ncarries = "signal"\nmm2 = 1\nmetres = 1',
            "amps: is missing: a signal's",
        ),
        (
            '[[wire]]\nid = "w"\nof = "action"\ncarries = "return"\nmm2 = 1\nmetres = 1\n'
            'return = "w"',
            'return: "w" is no common return',
        ),
        (
            '[[supply]]\nid = "b"\nvolts = 9\namps = 9\n'
            '[[wire]]\nid = "w"\nof = "b"\ncarries = "return"\nmm2 = 9\nmetres = 1\n'
            '[[wire]]\nid = "v"\nof = "tabs"\ncarries = "one"\nmm2 = 1\nmetres = 1\nreturn = "w"',
            'wire "v", return: "w" goes back to another supply',
        ),
        ('[[other]]\nid = "o!"\nsupply = "action"\namps = 1', "expected letters, digits"),
        ("[[other]", "this is not a TOML file"),
    ],
)
def test_one_fault(more: str, message: str) -> None:
    (finding,) = said(SUPPLY + TABS + more)
    assert message in finding


def test_an_action_that_drives_no_tabs_has_no_table_of_them() -> None:
    _, findings = examine(SUPPLY + TABS, read_console(THEATRE.read_text()))
    assert [finding.message for finding in findings] == [
        "the console's action is blind, which drives no tabs"
    ]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((CHURCH,), "an electrics file is missing; --example prints one to begin with"),
        ((CHURCH, CHURCH), "church.toml has "),
        ((CHURCH, "nowhere.toml"), "there is no electrics file nowhere.toml"),
        (("nowhere.toml", CHURCH), "there is no console file nowhere.toml"),
        ((CHURCH, "--example", "--json"), "--example goes with a console file and nothing else"),
        ((CHURCH, CHURCH, "--json", "--page", "-"), "only one of --page and --json"),
    ],
)
def test_refusals_are_exit_code_2(arguments: tuple[object, ...], message: str) -> None:
    done = run(*arguments)
    assert done.exit_code == 2
    assert message in done.output
    assert "Traceback" not in done.output


values = st.one_of(
    st.integers(-2, 50), st.floats(), st.booleans(), st.sampled_from(["action", "tabs", "one", ""])
)


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_no_value_anywhere_is_too_much_for_it(data: st.DataObject) -> None:
    """A value of the example in another's place: findings, or a plan that can be told."""
    console = worked_console(Action.MOVING, ranks=(Rank("flute", "Flute"),))
    lines = example_of(console).splitlines()
    keys = [at for at, line in enumerate(lines) if re.match(r"[\w-]+ = [^\[]", line)]
    at = data.draw(st.sampled_from(keys))
    key = lines[at].split(" = ")[0]
    lines[at] = f"{key} = {toml_of(data.draw(values))}"
    electrics, findings = examine("\n".join(lines), console)
    assert (electrics is None) == bool(findings)
    if electrics is not None:
        plan = plan_of(electrics, console)
        json.loads(json.dumps(as_data(plan)), parse_constant=pytest.fail)
        assert all(listing.rows for listing in listings(plan))


def toml_of(value: Any) -> str:
    if isinstance(value, float) and value != value:
        return "nan"
    return json.dumps(value).replace("Infinity", "inf")


# ---------------------------------------------------------------- the reference


def test_the_reference_has_every_key_of_every_table() -> None:
    text = REFERENCE.read_text()
    tables = {file_word(a): a for a in attrs.fields(Electrics)}
    assert set(keys_of(text.split("## The file itself")[1])) == set(tables)
    for word, attribute in tables.items():
        row = get_args(attribute.type)
        if row:
            section = text.split(f"## `[[{word}]]`")[1]
            assert set(keys_of(section)) == {file_word(a) for a in attrs.fields(row[0])}, word


def keys_of(section: str) -> list[str]:
    return re.findall(r"^\| `([\w-]+)` \|", section.split("\n## ")[0], re.MULTILINE)


def test_the_files_of_the_reference_are_right() -> None:
    files = re.findall(r"```toml\n(.*?)```", REFERENCE.read_text(), re.DOTALL)
    assert len(files) == 2
    for text in files:
        assert said(text) == []


def test_the_defaults_of_the_reference() -> None:
    text = REFERENCE.read_text()
    assert f"| `format` | {FORMAT} |" in text
    assert f"| `notes-at-once` | 1 to 128 | `{NOTES_AT_ONCE}` |" in text
    assert f"| `largest-drop` | percent, up to 100 | `{LARGEST_DROP:g}` |" in text
