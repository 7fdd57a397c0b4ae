"""Sheets for a laser engraver: at true size, as a second library reads them, and how they nest."""

import re
import string
from collections.abc import Callable, Iterator, Sequence
from io import BytesIO
from itertools import combinations
from pathlib import Path
from xml.etree import ElementTree

import pytest
import svgelements
from attrs import astuple, frozen
from hypothesis import given, settings
from hypothesis import strategies as st

import cli
from banks.whole import FileFaultError, write_whole
from cli.workshop import sheets
from cli.workshop.engraving import (
    COMMON_SIZES,
    Face,
    FaceKind,
    Lettering,
    Size,
    faces_of,
    with_corner,
)
from cli.workshop.nesting import fits, nest
from cli.workshop.sheets import Stock, sheets_of, stock_faults, write_sheets
from cli.workshop.strokes import PITCH, base_lines, block, lacking, room
from combination.reading import rail_of, read_console

DEMOS = Path(cli.__file__).parent / "demos"
SVG, INKSCAPE = "{http://www.w3.org/2000/svg}", "{http://www.inkscape.org/namespaces/inkscape}"
NEAR = 0.002
"""Millimetres: coordinates are written to a thousandth."""


@frozen
class Box:
    """What something takes up, in mm."""

    left: float
    top: float
    right: float
    bottom: float

    @property
    def size(self) -> tuple[float, float]:
        return self.right - self.left, self.bottom - self.top

    def within(self, other: "Box", margin: float) -> bool:
        return (
            self.left >= other.left + margin - NEAR
            and self.top >= other.top + margin - NEAR
            and self.right <= other.right - margin + NEAR
            and self.bottom <= other.bottom - margin + NEAR
        )

    def apart(self, other: "Box") -> float:
        """The gap between two upright rectangles, across or down, whichever is wider."""
        return max(
            other.left - self.right,
            self.left - other.right,
            other.top - self.bottom,
            self.top - other.bottom,
        )


@frozen
class Sheet:
    """A document: its paper, its cut lines and its engraving, by the name of the face."""

    paper: Box
    cuts: dict[str, Box]
    engraved: dict[str, Box]


def sheet_of(width: float, height: float, boxes: dict[str, Box]) -> Sheet:
    return Sheet(
        Box(0, 0, width, height),
        {name.removeprefix("cut-"): b for name, b in boxes.items() if name.startswith("cut-")},
        {n.removeprefix("engrave-"): b for n, b in boxes.items() if n.startswith("engrave-")},
    )


def read(document: bytes) -> Sheet:
    """As svgelements reads it at 25.4 dots an inch, where a dot is a millimetre."""
    svg = svgelements.SVG.parse(BytesIO(document), reify=True, ppi=25.4)
    boxes: dict[str, Box] = {}
    for shape in svg.elements(lambda e: isinstance(e, svgelements.Shape)):
        assert shape.id not in boxes
        boxes[shape.id] = Box(*shape.bbox())
    return sheet_of(float(svg.width), float(svg.height), boxes)


def read_quickly(document: bytes) -> Sheet:
    """The same without the library, which takes long; that they agree is tested."""
    root = ElementTree.fromstring(document)
    boxes: dict[str, Box] = {}
    for shape in root.iter():
        if shape.tag == f"{SVG}rect":
            x, y, width, height = (float(shape.get(k, "")) for k in ("x", "y", "width", "height"))
            box = Box(x, y, x + width, y + height)
        elif shape.tag == f"{SVG}circle":
            x, y, r = (float(shape.get(key, "")) for key in ("cx", "cy", "r"))
            box = Box(x - r, y - r, x + r, y + r)
        elif shape.tag == f"{SVG}path" and shape.get("d"):
            numbers = [float(text) for text in re.findall(r"[-.\d]+", shape.get("d", ""))]
            xs, ys = numbers[::2], numbers[1::2]
            box = Box(min(xs), min(ys), max(xs), max(ys))
        else:
            continue
        assert shape.get("id", "") not in boxes
        boxes[shape.get("id", "")] = box
    width, height = (float(root.get(key, "").removesuffix("mm")) for key in ("width", "height"))
    assert root.get("viewBox") == f"0 0 {width:g} {height:g}"
    return sheet_of(width, height, boxes)


def face(name: str, kind: FaceKind, size: Size, *lines: str) -> Face:
    return Face(kind, name, 1, "Great", lines or (name,), size)


def check(
    faces: Sequence[Face], stock: Stock, lettering: Lettering, reader: Callable[[bytes], Sheet]
) -> list[Sheet]:
    """Every face once, of its size, its text inside it, apart from all others, on the stock."""
    documents, numbers = sheets_of(faces, stock, lettering, "Quarry Chapel")
    found = [reader(document) for document in documents]
    cuts = [(name, box) for sheet in found for name, box in sheet.cuts.items()]
    names = {f"{f.kind.replace(' ', '-')}-{f.id}-{f.number}": f for f in faces}
    assert sorted(name for name, _ in cuts) == sorted(names)
    for sheet, document in enumerate(found, 1):
        assert document.paper.size == pytest.approx((stock.width, stock.height), abs=NEAR)
        assert document.cuts
        for name, box in document.cuts.items():
            own = names[name]
            assert numbers[faces.index(own)] == sheet
            wanted = (own.size.width + stock.kerf, own.size.height + stock.kerf)
            assert box.size == pytest.approx(wanted, abs=NEAR)
            assert box.within(document.paper, stock.margin)
            if "".join(own.lines).strip() and not lacking("".join(own.lines)):
                assert document.engraved[name].within(box, lettering.margin + stock.kerf / 2)
        for one, other in combinations(document.cuts.values(), 2):
            assert one.apart(other) >= stock.gap - NEAR
    return found


# ---------------------------------------------------------------- whole sheets


def demo_faces(demo: str) -> tuple[Face, ...]:
    text = (DEMOS / f"{demo}.toml").read_text("utf-8")
    console = read_console(text)
    return faces_of(console, rail_of(text, console), COMMON_SIZES)


def test_a_demo_console_on_small_stock_as_a_second_library_reads_it() -> None:
    found = check(demo_faces("church"), Stock(300, 200, kerf=0.15), Lettering(), read)
    assert len(found) > 1


def test_the_library_and_the_quick_reader_agree() -> None:
    faces = [*demo_faces("church")[30:45], TAB]
    (document,), _ = sheets_of(faces, Stock(310.5, 200, kerf=0.3), Lettering(), "Quarry Chapel")
    slow, quick = read(document), read_quickly(document)
    assert [*slow.cuts, *slow.engraved] == [*quick.cuts, *quick.engraved]
    boxes = zip(
        [slow.paper, *slow.cuts.values(), *slow.engraved.values()],
        [quick.paper, *quick.cuts.values(), *quick.engraved.values()],
        strict=True,
    )
    for one, other in boxes:
        assert astuple(one) == pytest.approx(astuple(other), abs=NEAR)


def test_a_large_console_fills_several_sheets() -> None:
    assert len(check(demo_faces("theatre"), Stock(300, 200), Lettering(), read_quickly)) > 2


letters = string.ascii_letters + string.digits + " '-&/.()" + "éüñåøÇ♯♭—⅔’"
labels = st.lists(st.text(letters, min_size=1, max_size=14), min_size=1, max_size=3)
millimetres = st.decimals(8, 40, places=1).map(float)
rectangles = st.builds(Size, millimetres, millimetres, st.sampled_from([0.0, 1.0, 4.0]))
rounds = millimetres.map(lambda across: Size(across, across, across / 2))
made_sizes = st.one_of(rectangles, rounds)


@st.composite
def consoles_faces(draw: st.DrawFn) -> list[Face]:
    sizes = {kind: draw(made_sizes) for kind in FaceKind}
    kinds = draw(st.lists(st.sampled_from(FaceKind), min_size=1, max_size=25))
    return [
        face(f"f{number}", kind, sizes[kind], *draw(labels)) for number, kind in enumerate(kinds)
    ]


stocks = st.builds(
    Stock,
    st.integers(60, 300),
    st.integers(60, 200),
    st.sampled_from([0.0, 2.5, 9.0]),
    st.sampled_from([0.0, 0.1, 3.0]),
    st.sampled_from([0.0, 0.15, 1.0]),
)


@given(consoles_faces(), stocks)
@settings(max_examples=15, deadline=None)
def test_any_faces_on_any_stock(faces: list[Face], stock: Stock) -> None:
    assert not stock_faults(faces, stock)
    check(faces, stock, Lettering(height=4, least=0.1, margin=0.8), read_quickly)


def test_a_face_larger_than_the_stock_is_found_out() -> None:
    stock = Stock(60, 60, margin=5, kerf=0.2)
    just, over, wide = (
        face(name, FaceKind.TAB, size)
        for name, size in (
            ("just", Size(49.8, 49.8)),
            ("over", Size(20, 49.9)),
            ("wide", Size(70, 20)),
        )
    )
    assert [fault.face for fault in stock_faults([just, over, wide], stock)] == [over, wide]
    assert all(fault.blocks for fault in stock_faults([over], stock))


# ---------------------------------------------------------------- one document

TAB = face("oboe", FaceKind.TAB, Size(20, 48, 1), "Oboe & <Co>", "8'")
ROUND = face("g1", FaceKind.THUMB, Size(14, 14, 7), "1")
ODD = face("odd", FaceKind.TAB, Size(20, 48), "Große", "Flöte")


BENCH = Stock(100, 80)


def tree(*faces: Face, stock: Stock = BENCH) -> ElementTree.Element:
    (document,), _ = sheets_of(faces, stock, Lettering(), "Quarry & <Chapel>")
    return ElementTree.fromstring(document)


def test_a_unit_is_a_millimetre() -> None:
    root = tree(TAB, stock=Stock(100.5, 80))
    assert (root.get("width"), root.get("height")) == ("100.5mm", "80mm")
    assert root.get("viewBox") == "0 0 100.5 80"


def test_engraving_and_cutting_are_two_layers_in_that_order() -> None:
    root = tree(TAB, ROUND)
    layers = root.findall(f"{SVG}g")
    assert [layer.get("id") for layer in layers] == ["engrave", "cut"]
    assert [layer.get(f"{INKSCAPE}label") for layer in layers] == ["engrave", "cut"]
    assert {layer.get(f"{INKSCAPE}groupmode") for layer in layers} == {"layer"}
    assert len({layer.get("stroke") for layer in layers}) == 2
    assert [child.tag for child in root] == [f"{SVG}title", f"{SVG}g", f"{SVG}g"]
    engraved, cut = ([child.tag.removeprefix(SVG) for child in layer] for layer in layers)
    assert (engraved, cut) == (["path", "path"], ["rect", "circle"])


def test_a_cut_runs_half_a_kerf_outside_its_face() -> None:
    cut = tree(TAB, ROUND, stock=Stock(100, 80, margin=5, gap=2, kerf=0.2))[2]
    rect = {key: cut[0].get(key) for key in ("x", "y", "width", "height", "rx", "ry")}
    assert rect == {
        "x": "5",
        "y": "5",
        "width": "20.2",
        "height": "48.2",
        "rx": "1.1",
        "ry": "1.1",
    }
    circle = {key: cut[1].get(key) for key in ("cx", "cy", "r")}
    assert circle == {"cx": "34.3", "cy": "12.1", "r": "7.1"}


def test_what_has_no_strokes_is_text_as_wide_as_there_is_room() -> None:
    (group,) = tree(ODD)[1]
    texts = group.findall(f"{SVG}text")
    assert [text.text for text in texts] == ["Große", "Flöte"]
    assert {text.get("x") for text in texts} == {"15"}
    assert all(0 < float(text.get("textLength", 0)) <= 18 for text in texts)
    assert float(texts[1].get("y", 0)) - float(texts[0].get("y", 0)) == pytest.approx(PITCH * 3)
    assert group.findtext(f"{SVG}desc") == "Letters of a fount, not strokes"


def test_corners_are_no_rounder_than_the_face() -> None:
    assert with_corner(Size(20, 48), 1) == Size(20, 48, 1)
    assert with_corner(Size(20, 4), 9) == Size(20, 4, 2)
    assert with_corner(Size(14, 14, 7), 1) == Size(14, 14, 7)


# ---------------------------------------------------------------- nesting


@pytest.mark.parametrize(
    ("sheet", "size", "gap", "on_one"),
    [
        ((590, 390), (20, 48), 2, 26 * 7),
        ((100, 100), (10, 10), 0, 100),
        ((100, 100), (10, 10), 0.1, 81),
        ((98, 98), (8, 8), 2, 100),
        ((0.3, 0.1), (0.1, 0.1), 0, 3),
        ((50, 50), (50, 50), 9, 1),
    ],
)
def test_faces_of_one_size_make_a_grid(
    sheet: tuple[float, float], size: tuple[float, float], gap: float, on_one: int
) -> None:
    for count in (1, on_one, on_one + 1, 3 * on_one):
        spots = nest([size] * count, sheet, gap)
        assert len({spot.sheet for spot in spots}) == -(-count // on_one)


def test_small_faces_go_where_large_ones_leave_room() -> None:
    tabs, pistons = [(20.0, 48.0)] * 3, [(14.0, 14.0)] * 6
    spots = nest(tabs + pistons, (70, 64), 2)
    assert {spot.sheet for spot in spots[:3]} == {0}
    assert [spot.sheet for spot in spots[3:]] == [0, 0, 0, 0, 1, 1]


def test_what_is_as_large_as_the_sheet_fits() -> None:
    assert fits((0.1 + 0.2, 1), (0.3, 1))
    assert not fits((0.301, 1), (0.3, 1))


# ---------------------------------------------------------------- strokes


def width_and_height(text: str) -> tuple[float, float]:
    points = [point for stroke in block((text,)) for point in stroke]
    xs, ys = [x for x, _ in points], [y for _, y in points]
    return max(xs) - min(xs), max(ys) - min(ys)


def test_a_capital_is_one_cap_height_about_the_middle() -> None:
    points = [point for stroke in block(("H",)) for point in stroke]
    assert min(y for _, y in points) == pytest.approx(-0.5)
    assert max(y for _, y in points) == pytest.approx(0.5)
    assert min(x for x, _ in points) == pytest.approx(-max(x for x, _ in points))


def test_lines_are_a_pitch_apart_about_the_middle() -> None:
    assert base_lines(1) == pytest.approx((0.5,))
    assert base_lines(2) == pytest.approx((0.5 - PITCH / 2, 0.5 + PITCH / 2))
    tail, accent = block(("g",)), block(("É",))
    lowest = max(y for stroke in tail for _, y in stroke)
    highest = min(y for stroke in accent for _, y in stroke) + PITCH
    assert lowest < highest


def test_every_printable_character_of_ascii_is_drawn() -> None:
    printable = [chr(code) for code in range(33, 127)]
    assert lacking("".join(printable) + " ") == ()
    shapes = {char: block((char,)) for char in printable}
    assert all(shapes.values())
    alike = [c for c in printable if list(shapes.values()).count(shapes[c]) > 1]
    assert alike == ["I", "l"]


@pytest.mark.parametrize("char", "éèêëüöäñçÇåÅÉÜÑřšžőūżíïøØ")
def test_an_accent_is_more_than_its_letter(char: str) -> None:
    plain = {"ř": "r", "š": "s", "ž": "z", "ő": "o", "ū": "u", "ż": "z", "ø": "o", "Ø": "O"}
    letter = plain.get(char) or next(base for base, accented in _LETTERS if char in accented)
    assert lacking(char) == ()
    assert block((char,)) != block((letter,))
    assert width_and_height(char)[1] > width_and_height(letter)[1] or char in "íïøØ"


_LETTERS = (
    *(("e", "éèêë"), ("u", "ü"), ("o", "ö"), ("a", "äå"), ("n", "ñ"), ("c", "ç"), ("C", "Ç")),
    *(("A", "Å"), ("E", "É"), ("U", "Ü"), ("N", "Ñ"), ("i", "íï")),
)


def test_an_accent_takes_the_place_of_the_dot() -> None:
    assert len(block(("i",))) == 2
    assert len(block(("í",))) == 2
    assert len(block(("ï",))) == 3


@pytest.mark.parametrize(
    ("text", "same"),
    [
        ("2⅔", "2 2/3"),
        ("⅔", "2/3"),
        ("8′", "8'"),
        ("8’", "8'"),
        ("e\u0301", "é"),
    ],
)
def test_signs_that_are_engraved_alike(text: str, same: str) -> None:
    assert block((text,)) == block((same,))
    assert lacking(text) == ()


@pytest.mark.parametrize(
    ("text", "lacks"),
    [
        ("Großer Baß", ("ß",)),
        ("Cœur ☃ é", ("œ", "☃")),
        ("Γ", ("Γ",)),
        ("ǭ", ("ǭ",)),
        ("ü̃", ()),
        ("F♯ B♭ – — Æ", ()),
    ],
)
def test_characters_that_cannot_be_drawn(text: str, lacks: tuple[str, ...]) -> None:
    assert lacking(text) == lacks


@given(st.text(string.ascii_letters + " é8'ß", min_size=1, max_size=20))
def test_the_room_kept_for_a_line_is_no_less_than_it_takes(text: str) -> None:
    if text.strip(" ß"):
        assert width_and_height(text)[0] <= room(text) + 0.2


# ---------------------------------------------------------------- the folder


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_sheets_are_numbered_and_written_into_a_new_folder(tmp_path: Path) -> None:
    folder = tmp_path / "sheets"
    written = write_sheets(folder, [b"one", b"two"], replacing=False)
    assert written == [folder / "sheet-1.svg", folder / "sheet-2.svg"]
    assert [path.read_bytes() for path in written] == [b"one", b"two"]
    assert names(folder) == ["sheet-1.svg", "sheet-2.svg"]


@pytest.fixture
def filled(tmp_path: Path) -> Path:
    write_sheets(tmp_path / "sheets", [b"old 1", b"old 2", b"old 3"], replacing=False)
    (tmp_path / "sheets" / "notes.txt").write_text("mine")
    return tmp_path / "sheets"


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_sheets_that_are_there_are_left(filled: Path) -> None:
    before = contents(filled)
    with pytest.raises(FileFaultError, match=r"sheet-1\.svg is in it already"):
        write_sheets(filled, [b"new"], replacing=False)
    assert contents(filled) == before


def test_replaced_sheets_leave_no_old_one_behind(filled: Path) -> None:
    write_sheets(filled, [b"new 1", b"new 2"], replacing=True)
    assert contents(filled) == {
        "notes.txt": b"mine",
        "sheet-1.svg": b"new 1",
        "sheet-2.svg": b"new 2",
    }


def failing_at(number: int) -> Iterator[None]:
    yield from (None for _ in range(number - 1))
    raise FileFaultError("the disk is full")


@pytest.mark.parametrize("at", [1, 2, 5])
def test_after_a_fault_the_old_sheets_are_all_there(
    filled: Path, monkeypatch: pytest.MonkeyPatch, at: int
) -> None:
    before, turn = contents(filled), failing_at(at)

    def write_or_fail(path: Path, data: bytes, *, replacing: bool) -> None:
        next(turn)
        write_whole(path, data, replacing=replacing)

    monkeypatch.setattr(sheets, "write_whole", write_or_fail)
    with pytest.raises(FileFaultError, match="the disk is full"):
        write_sheets(filled, [b"new"] * 5, replacing=True)
    assert contents(filled) == before


def test_after_a_fault_no_new_folder_is_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    turn = failing_at(1)
    monkeypatch.setattr(sheets, "write_whole", lambda *_, **__: next(turn))
    with pytest.raises(FileFaultError):
        write_sheets(tmp_path / "sheets", [b"new"], replacing=False)
    assert not names(tmp_path)


def test_a_folder_of_a_sheets_name_is_not_replaced(filled: Path) -> None:
    (filled / "sheet-9.svg").mkdir()
    with pytest.raises(FileFaultError, match="it is a folder"):
        write_sheets(filled, [b"new"], replacing=True)
    assert (filled / "sheet-1.svg").read_bytes() == b"old 1"


def test_a_folder_in_no_folder_cannot_be_made(tmp_path: Path) -> None:
    with pytest.raises(FileFaultError, match="there is no such file or folder"):
        write_sheets(tmp_path / "a" / "b", [b"new"], replacing=False)
