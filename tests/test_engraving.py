"""What is engraved on a console's faces, what is new about it, and the command that lists it."""

import csv
import io
import json
import math
import re
from collections import Counter
from pathlib import Path
from time import perf_counter

import pytest
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st

import cli
from cli.workshop.engraving import (
    COMMON_SIZES,
    Face,
    FaceKind,
    Lettering,
    Mark,
    Size,
    faces_of,
    lettering_faults,
    schedule,
)
from cli.workshop.engraving_command import engraving_command
from combination.reading import rail_of, read_console

DEMOS = Path(cli.__file__).parent / "demos"

CONSOLE = """
format = 1
name = "Quarry Chapel"
action = "{action}"

[[keyboard]]
id = "great"
name = "Great"

[[division]]
id = "great"
name = "Great"
keyboard = "great"

[[tremulant]]
id = "shake"
label = "Tremulant"

[[trap]]
id = "drum"
division = "great"
label = ["Bass", "Drum"]

[[coupler]]
id = "octave"
keys = "great"
plays = "great"
shift = 12
label = ["Great", "Octave 4'"]

[[piston]]
id = "g1"
kind = "general"
label = "1"
at = ["toe", "thumb", "toe"]
second-touch = {{ piston = "deep" }}

[[piston]]
id = "deep"
kind = "general"
label = "2"

[[piston]]
id = "down"
kind = "level-down"
label = "-"
"""
"""Seven faces: three on the rail, two under thumbs, two under toes, and one without a place."""


def console_text(action: str = "blind", *changed: tuple[str, str]) -> str:
    text = CONSOLE.format(action=action)
    for old, new in changed:
        assert text.count(old) == 1
        text = text.replace(old, new)
    return text


def faces(text: str) -> tuple[Face, ...]:
    console = read_console(text)
    return faces_of(console, rail_of(text, console), COMMON_SIZES)


def run(*words: object) -> Result:
    return CliRunner().invoke(engraving_command, [str(word) for word in words])


@pytest.fixture
def console_file(tmp_path: Path) -> Path:
    file = tmp_path / "quarry.toml"
    file.write_text(console_text(), "utf-8")
    return file


# ---------------------------------------------------------------- faces


@pytest.mark.parametrize(("action", "rail"), [("blind", FaceKind.TAB), ("lit", FaceKind.LIT)])
def test_every_face_in_the_order_of_the_harness(action: str, rail: FaceKind) -> None:
    found = [(f.kind, f.id, f.number, f.division, f.text) for f in faces(console_text(action))]
    assert found == [
        (rail, "shake", 1, "", "Tremulant"),
        (rail, "drum", 1, "Great", "Bass / Drum"),
        (rail, "octave", 1, "Great", "Great / Octave 4'"),
        (FaceKind.THUMB, "g1", 1, "", "1"),
        (FaceKind.THUMB, "down", 1, "", "-"),
        (FaceKind.TOE, "g1", 1, "", "1"),
        (FaceKind.TOE, "g1", 2, "", "1"),
    ]


def test_a_control_with_two_contacts_has_one_face() -> None:
    wired = 'label = "Tremulant"\ncontact-on = "box.1"\ncontact-off = "box.2"'
    board = '[[board]]\nid = "box"\npins = 8\nin = { port = "c", channel = 1, first-note = 0 }\n'
    text = console_text("lit", ('label = "Tremulant"', wired)) + board
    assert [face.id for face in faces(text)].count("shake") == 1


# ---------------------------------------------------------------- marks

N, C, K, G = Mark.NEW, Mark.CHANGED, Mark.KEPT, Mark.GONE
RENAMED = ('id = "drum"', 'id = "bass-drum"')
RENAMED_WAS = ('id = "drum"', 'id = "bass-drum"\nwas = ["tabor", "drum"]')
RELABELLED = ('label = ["Bass", "Drum"]', 'label = ["Bass Drum"]')
ON_TOES = ('at = ["toe", "thumb", "toe"]', 'at = ["toe", "thumb"]')
NO_DOWN = ('[[piston]]\nid = "down"\nkind = "level-down"\nlabel = "-"\n', "")
SWAPPED = ('id = "down"', 'id = "lower"\nwas = "down"')


@pytest.mark.parametrize(
    ("new", "old", "marks", "changes"),
    [
        ([], [], "KKKKKKK", []),
        ([RELABELLED], [], "KCKKKKK", ["Bass / Drum"]),
        ([RENAMED], [], "KNKKKKKG", []),
        ([RENAMED_WAS], [], "KKKKKKK", []),
        ([RENAMED_WAS, RELABELLED], [], "KCKKKKK", ["Bass / Drum"]),
        ([SWAPPED], [], "KKKKKKK", []),
        ([ON_TOES], [], "KKKKKKG", []),
        ([], [ON_TOES], "KKKKKKN", []),
        ([NO_DOWN], [], "KKKKKKG", []),
        ([], [NO_DOWN], "KKKKNKK", []),
    ],
)
def test_marks_against_an_older_console(
    new: list[tuple[str, str]], old: list[tuple[str, str]], marks: str, changes: list[str]
) -> None:
    entries = schedule(faces(console_text("blind", *new)), faces(console_text("blind", *old)))
    assert [entry.mark for entry in entries] == [{"N": N, "C": C, "K": K, "G": G}[m] for m in marks]
    assert [change for entry in entries for change in entry.changes] == changes


def test_a_tab_that_is_lit_now_says_what_it_was() -> None:
    entries = schedule(faces(console_text("lit")), faces(console_text("blind")))
    assert [entry.mark for entry in entries] == [C, C, C, K, K, K, K]
    assert entries[0].changes == ("tab", "20 x 48")


def some_face(kind: FaceKind, name: str, *was: str) -> Face:
    return Face(kind, name, 1, "", (name,), COMMON_SIZES[kind], was)


def marked(new: list[Face], old: list[Face]) -> list[tuple[Mark, str]]:
    return [(entry.mark, entry.face.id) for entry in schedule(new, old)]


def test_its_own_id_goes_before_a_former_one() -> None:
    tab = FaceKind.TAB
    new = [some_face(tab, "a", "b"), some_face(tab, "c", "z", "y", "x")]
    old = [some_face(tab, "a"), some_face(tab, "b"), some_face(tab, "x"), some_face(tab, "y")]
    assert marked(new, old) == [(K, "a"), (C, "c"), (G, "b"), (G, "x")]


def test_a_piston_and_a_control_of_one_id_are_two() -> None:
    tab, thumb = FaceKind.TAB, FaceKind.THUMB
    assert marked([some_face(thumb, "x")], [some_face(tab, "x")]) == [(N, "x"), (G, "x")]
    old = [some_face(tab, "x"), some_face(thumb, "y")]
    assert marked([some_face(thumb, "x", "y")], old) == [(C, "x"), (G, "x")]


# ---------------------------------------------------------------- lettering


def inside(x: float, y: float, size: Size, margin: float) -> float:
    """How far a point is outside a face within its margin; negative if it is inside."""
    across, down = size.width / 2 - margin, size.height / 2 - margin
    corner = min(max(size.corner - margin, 0), across, down)
    out_x, out_y = abs(x) - (across - corner), abs(y) - (down - corner)
    outside = math.hypot(max(out_x, 0), max(out_y, 0))
    return outside + min(max(out_x, out_y), 0) - corner


lengths = st.floats(2.5, 60)
points = st.tuples(st.floats(-9, 9), st.floats(-9, 9)).filter(lambda p: math.hypot(*p) > 0.01)


@given(lengths, lengths, st.floats(0, 30), st.lists(points, min_size=1), st.floats(0, 1.2))
def test_text_is_as_large_as_its_face_lets_it(
    width: float, height: float, corner: float, outline: list[tuple[float, float]], margin: float
) -> None:
    size = Size(width, height, min(corner, width / 2, height / 2))
    times = size.largest(outline, margin)
    furthest = max(inside(x * times, y * times, size, margin) for x, y in outline)
    assert furthest == pytest.approx(0, abs=1e-6)


def test_text_shrinks_to_its_face_and_no_less_than_can_be_read() -> None:
    tab = Size(20, 48)

    def face(*lines: str) -> Face:
        return Face(FaceKind.TAB, "x", 1, "", lines, tab)

    lettering = Lettering(height=3, least=1.5, margin=1)
    assert lettering.on(face("Oboe", "8'")) == 3
    assert 1.5 < lettering.on(face("Stopped Diapason")) < 3
    long, odd = face("Contra Violone Celeste"), face("Großgedackt")
    faults = list(lettering_faults([face("Oboe"), long, odd], lettering))
    assert [(fault.face, fault.blocks) for fault in faults] == [(long, True), (odd, False)]
    assert "ß" in faults[1].message
    assert not list(lettering_faults([face("Oboe")], Lettering(height=1.5, least=1.5)))


def test_a_height_just_too_small_is_not_rounded_up() -> None:
    narrow = Face(FaceKind.TAB, "x", 1, "", ("Oboe",), Size(20, 48))
    height = Lettering(height=99).on(narrow)
    (fault,) = lettering_faults([narrow], Lettering(height=99, least=height + 0.0001))
    told = float(fault.message.partition(" be ")[2].partition(" mm")[0])
    assert told <= height
    assert told == pytest.approx(height, abs=0.01)


def test_even_letters_are_as_large_as_every_face_of_their_kind_lets_them() -> None:
    tab, thumb = FaceKind.TAB, FaceKind.THUMB
    short, long, none = (
        some_face(tab, name) for name in ("Oboe", "Stopped Diapason", "Contra Violone Celeste")
    )
    piston = some_face(thumb, "Great")
    plain = Lettering(height=3, least=1.5)
    even = plain.even([short, long, none, piston])
    assert 1.5 <= even.on(short) == even.on(long) == plain.on(long) < plain.on(short)
    assert even.on(piston) == plain.on(piston) != even.on(long)
    assert even.on(none) == plain.on(none) < 1.5
    assert plain.even([short]).on(short) == 3


def test_no_margin_can_be_wider_than_the_face() -> None:
    assert Size(2, 40).largest([(1.0, 0.0)], 1) == 0


# ---------------------------------------------------------------- the command


def test_the_schedule_as_json(console_file: Path) -> None:
    result = run(console_file, "--tab", "19x45", "--corner", "1.5", "--json")
    assert result.exit_code == 0
    data = json.loads(result.stdout)
    assert data["console"] == "Quarry Chapel"
    assert data["faces"][1] == {
        "mark": "new",
        "kind": "tab",
        "id": "drum",
        "number": 1,
        "lines": ["Bass", "Drum"],
        "width": 19,
        "height": 45,
        "division": "Great",
        "corner": 1.5,
        "capitals": 3,
        "legible": True,
        "sheet": None,
        "was": None,
    }
    assert (data["findings"], data["sheets"], data["caution"]) == ([], [], None)


def test_the_table_says_what_changed_and_from_what(tmp_path: Path, console_file: Path) -> None:
    new = tmp_path / "new.toml"
    new.write_text(console_text("blind", RELABELLED, NO_DOWN), "utf-8")
    result = run(new, "--against", console_file)
    assert result.exit_code == 0
    rows = [line.split() for line in result.output.splitlines()]
    assert rows[1][:5] == ["changed", "tab", "Great", "Bass", "Drum"]
    assert rows[1][-3:] == ["Bass", "/", "Drum"]
    assert [row[:1] for row in rows[2:4]] == [["gone"], []]
    counts = "3 tabs, 1 thumb piston, 2 toe studs: 1 changed, 5 kept, 1 gone."
    assert counts in result.output.splitlines()
    everything = run(new, "--against", console_file, "--all").output.splitlines()
    marks = Counter(line.split()[0] for line in everything[1:8])
    assert marks == {"kept": 5, "changed": 1, "gone": 1}
    assert counts in everything


def test_kept_faces_are_in_csv_and_json_and_not_in_the_table(
    tmp_path: Path, console_file: Path
) -> None:
    file = tmp_path / "faces.csv"
    result = run(console_file, "--against", console_file, "--csv", file)
    assert result.output == "3 tabs, 2 thumb pistons, 2 toe studs: 7 kept.\n"
    assert file.read_bytes().count(b"\r\nkept,") == 7
    data = json.loads(run(console_file, "--against", console_file, "--json").stdout)
    assert [face["mark"] for face in data["faces"]] == ["kept"] * 7


def test_a_kept_face_too_small_for_its_text_is_told_of(tmp_path: Path, console_file: Path) -> None:
    file = tmp_path / "faces.csv"
    words = (console_file, "--against", console_file, "--thumb", "3.2")
    result = run(*words, "--csv", file)
    assert result.exit_code == 0
    assert "text would be less than 1.5 mm high on 2 kept faces." in result.output
    rows = csv.DictReader(io.StringIO(file.read_text("utf-8"), newline=""))
    legible = ["yes", "yes", "yes", "no", "no", "yes", "yes"]
    assert [row["legible"] for row in rows] == legible
    data = json.loads(run(*words, "--json").stdout)
    assert [face["legible"] for face in data["faces"]] == [word == "yes" for word in legible]
    everything = run(*words, "--all")
    assert everything.exit_code == 1
    assert "thumb piston 1 (g1): its text would be" in everything.output
    assert "kept face" not in everything.output
    assert "kept face" not in run(console_file, "--thumb", "3.2").output


def test_a_face_that_is_gone_has_no_text_to_read(tmp_path: Path, console_file: Path) -> None:
    new = tmp_path / "new.toml"
    new.write_text(console_text("blind", NO_DOWN), "utf-8")
    data = json.loads(run(new, "--against", console_file, "--json").stdout)
    assert [face["legible"] for face in data["faces"]] == [True] * 6 + [None]


def test_the_schedule_as_csv_runs_no_formula(tmp_path: Path, console_file: Path) -> None:
    file = tmp_path / "faces.csv"
    assert run(console_file, "--csv", file).exit_code == 0
    data = file.read_bytes()
    assert data.count(b"\r\n") == 8
    rows = list(csv.DictReader(io.StringIO(data.decode("utf-8"), newline="")))
    assert rows[1]["line 1"] == "Bass"
    assert rows[1]["line 2"] == "Drum"
    assert (rows[1]["width"], rows[1]["height"]) == ("20", "48")
    assert rows[4]["line 1"] == "'-"
    assert not any(cell[:1] in "=+-@" for row in rows for cell in row.values() if cell)


def test_a_csv_file_is_replaced_only_if_asked(tmp_path: Path, console_file: Path) -> None:
    file, folder = tmp_path / "faces.csv", tmp_path / "sheets"
    file.write_text("mine")
    result = run(console_file, "--csv", file, "--sheets", folder)
    assert (result.exit_code, file.read_text()) == (2, "mine")
    assert not folder.exists()
    assert run(console_file, "--csv", file, "--replace").exit_code == 0
    assert file.read_bytes().startswith(b"mark,")


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--tab", "20"), None),
        (("--tab", "20x48x3"), "20x48x3"),
        (("--tab", "0x48"), "0x48"),
        (("--tab", "nanx48"), "nanx48"),
        (("--tab", "20 by 48"), "20 by 48"),
        (("--thumb", "-13"), "-13"),
        (("--thumb", "1e9"), "1e9"),
        (("--stock", "600"), "600"),
        (("--stock", "600xinf"), "600xinf"),
        (("--text", "0"), "more than 0"),
        (("--gap", "-1"), "-1"),
        (("--gap", "0"), None),
        (("--kerf", "wide"), "wide"),
    ],
)
def test_measures_that_are_none_are_refused(
    console_file: Path, words: tuple[str, ...], message: str | None
) -> None:
    result = run(console_file, *words)
    assert result.exit_code == (0 if message is None else 2)
    assert message is None or message in result.stderr


def test_only_what_is_new_or_changed_is_cut(tmp_path: Path, console_file: Path) -> None:
    new, folder = tmp_path / "new.toml", tmp_path / "sheets"
    new.write_text(console_text("blind", RELABELLED, RENAMED_WAS), "utf-8")
    result = run(new, "--against", console_file, "--sheets", folder, "--json")
    data = json.loads(result.stdout)
    assert [face["id"] for face in data["faces"] if face["sheet"]] == ["bass-drum"]
    assert data["sheets"] == [str(folder / "sheet-1.svg")]
    assert "PVC" in data["caution"]
    everything = run(
        new, "--against", console_file, "--sheets", folder, "--json", "--all", "--replace"
    )
    assert [face["sheet"] for face in json.loads(everything.stdout)["faces"]] == [1] * 7


ODD_NAME = ('["Bass", "Drum"]', '["Lieblich Bourdon"]')


def capitals(result: Result, kind: str) -> list[float]:
    return [f["capitals"] for f in json.loads(result.stdout)["faces"] if f["kind"] == kind]


def test_a_row_is_even_if_asked_and_a_kept_face_decides(tmp_path: Path) -> None:
    old, new = tmp_path / "old.toml", tmp_path / "new.toml"
    old.write_text(console_text("blind", ODD_NAME), "utf-8")
    new.write_text(console_text("blind", ODD_NAME, ('"Tremulant"', '"Shake"')), "utf-8")
    uneven = capitals(run(new, "--json"), "tab")
    assert uneven[1] == min(uneven) < uneven[0] == 3
    words = (new, "--against", old, "--even", "--json")
    assert capitals(run(*words), "tab") == [uneven[1]] * 3
    assert capitals(run(*words), "toe stud") == [3, 3]


def test_sheets_are_as_even_as_the_list(tmp_path: Path) -> None:
    file, folder = tmp_path / "new.toml", tmp_path / "sheets"
    file.write_text(console_text("blind", ODD_NAME), "utf-8")
    low = str(min(capitals(run(file, "--json"), "tab")))
    assert run(file, "--sheets", folder, "--text", low).exit_code == 0
    alike = drawn_on_tabs(folder)
    assert run(file, "--sheets", folder, "--replace").exit_code == 0
    assert drawn_on_tabs(folder) != alike
    assert run(file, "--sheets", folder, "--replace", "--even").exit_code == 0
    assert drawn_on_tabs(folder) == alike


def drawn_on_tabs(folder: Path) -> list[tuple[float, ...]]:
    """The heights and widths of what is engraved on tabs, to a hundredth of a millimetre."""
    sheet = (folder / "sheet-1.svg").read_text("utf-8")
    found = []
    for path in re.findall(r'id="engrave-tab-[^"]*" d="([^"]*)"', sheet):
        numbers = [float(number) for number in re.findall(r"[-.\d]+", path)]
        found.append(tuple(round(max(n) - min(n), 2) for n in (numbers[::2], numbers[1::2])))
    assert len(found) == 3
    return found


def test_what_is_uneven_is_told(tmp_path: Path, console_file: Path) -> None:
    file = tmp_path / "new.toml"
    file.write_text(console_text("blind", ODD_NAME), "utf-8")
    low = min(capitals(run(file, "--json"), "tab"))
    told = f"Capitals are {low:.2f} to 3.00 mm on tabs; --even makes each kind alike."
    assert told in run(file).output.splitlines()
    assert "Capitals" not in run(file, "--even").output
    assert "Capitals" not in run(console_file, "--text", "2").output
    assert "Capitals" not in run(console_file, "--text", "2", "--thumb", "3.2").output


def test_with_nothing_new_no_sheet_is_written(tmp_path: Path, console_file: Path) -> None:
    folder = tmp_path / "sheets"
    result = run(console_file, "--against", console_file, "--sheets", folder)
    assert result.exit_code == 0
    assert "no sheet is written" in result.output
    assert not folder.exists()


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--tab", "6x20"), "tab Tremulant (shake): its text would be"),
        (("--stock", "50x50"), "tab Bass / Drum (drum): its face of 20 x 48 mm does not fit"),
        (("--thumb", "1.5"), "thumb piston 1 (g1): its text would be 0.00 mm high"),
    ],
)
def test_faces_that_cannot_be_made_are_listed(
    tmp_path: Path, console_file: Path, words: tuple[str, ...], message: str
) -> None:
    folder = tmp_path / "sheets"
    result = run(console_file, "--sheets", folder, *words)
    assert result.exit_code == 1
    assert message in result.output
    assert "No sheet is written" in result.output
    assert not folder.exists()


def test_what_has_no_strokes_is_a_finding_and_is_left_to_a_fount(tmp_path: Path) -> None:
    file, folder = tmp_path / "new.toml", tmp_path / "sheets"
    file.write_text(console_text("blind", ('["Bass", "Drum"]', '["Große", "Trommel"]')), "utf-8")
    result = run(file, "--sheets", folder)
    assert result.exit_code == 1
    assert "tab Große / Trommel (drum): ß cannot be drawn as strokes" in result.output
    assert "1 sheet of 7 faces written" in result.output
    assert "<text" in (folder / "sheet-1.svg").read_text("utf-8")


def test_a_console_with_errors_is_refused(tmp_path: Path, console_file: Path) -> None:
    broken = tmp_path / "broken.toml"
    broken.write_text("format = 1")
    assert run(broken).exit_code == 2
    assert run(console_file, "--against", broken).exit_code == 2
    assert run(console_file, "--against", tmp_path / "none.toml").exit_code == 2


@pytest.mark.parametrize("demo", ["church", "theatre"])
def test_the_demo_consoles_can_be_engraved(tmp_path: Path, demo: str) -> None:
    result = run(DEMOS / f"{demo}.toml", "--sheets", tmp_path / demo)
    assert result.exit_code == 0


def test_a_thousand_controls_are_soon_done(tmp_path: Path) -> None:
    trap = '[[trap]]\nid = "t{0}"\ndivision = "great"\nlabel = ["Bass Drum", "{0}"]\n'
    file = tmp_path / "large.toml"
    file.write_text(console_text() + "".join(map(trap.format, range(1000))), "utf-8")
    began = perf_counter()
    words = ("--against", file, "--all", "--sheets", tmp_path / "sheets", "--json")
    assert run(file, *words).exit_code == 0
    assert perf_counter() - began < 5
