"""Pages for the workshop: what is in them as a browser reads it, and as it prints it.

The schedules of both demos and a page of hostile texts are printed by Chromium and read by
another program, sheet by sheet.
"""

import io
import re
from collections import Counter
from html.parser import HTMLParser
from pathlib import Path

import pypdf
import pytest

import cli
from cli.workshop.pages import (
    TICK,
    caution,
    items,
    page,
    paragraph,
    section,
    table,
    usual_cautions,
    whole,
)
from cli.workshop.schedule import as_page, rows_of, sides_of, title_of
from combination.reading import rail_of, read_console
from tests.chromium import SHEETS, print_pdf

DEMOS = Path(cli.__file__).parent / "demos"
DATE = "2026-11-25"

HOSTILE = (
    "<script>alert(1)</script>",
    "</style><img src=http://organ.example/x.png>",
    "a \" b ' c & d &amp; e",
    '"; } body { display: none } /*',
    "=1+1",
    "two\nlines",
    "nul \x00 and bell \x07",
    "ספק שני",
    "🎹 Tibia",
    "Contraviolone" * 15,
    "1" * 190,
)


class Read(HTMLParser):
    """A page as a browser takes it apart: its tags, and its texts outside the style sheet."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.outside: list[str] = []
        self.texts: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.outside += [name for name, _ in attrs if name in ("src", "href", "style", "onclick")]

    def handle_data(self, data: str) -> None:
        if (self.tags and self.tags[-1] != "style") or "{" not in data:
            self.texts.append(data)


def hostile_page() -> str:
    blocks = [
        paragraph(HOSTILE[0]),
        items(HOSTILE),
        caution(HOSTILE[0], HOSTILE),
        table(HOSTILE[:4], [(TICK, text, text, whole("12")) for text in HOSTILE], HOSTILE[0]),
    ]
    return page("".join(HOSTILE[:7]), HOSTILE[0], [section(HOSTILE[1], *blocks)], DATE)


def test_texts_stay_texts() -> None:
    read = Read(hostile_page())
    made = (
        "html head meta title style body h1 p section h2 ul li div table thead tbody tr th td span"
    )
    assert set(read.tags) == set(made.split())
    assert not read.outside
    counted = Counter(read.texts)
    for text in HOSTILE:
        shown = re.sub(r"[\x00\x07]", "\ufffd", text)
        assert counted[shown] >= 4, text


def test_a_page_says_what_it_is_and_asks_for_nothing() -> None:
    text = page("Quarry Chapel", "wiring schedule", [paragraph("Here.")], DATE)
    assert text.startswith('<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">')
    assert DATE in Read(text).texts[-3] + "".join(Read(text).texts)
    style = text[text.index("<style>") : text.index("</style>")]
    assert not re.search(r"url\(|@import|https?:|size:\s*(A4|letter)", style)
    sizes = [float(size) for size in re.findall(r"([\d.]+)pt", style)]
    assert min(sizes) >= 10


def test_a_style_sheet_cannot_be_ended_from_within_a_name() -> None:
    """The head of each sheet is written in the style sheet, where HTML's escapes mean nothing."""
    text = hostile_page()
    content = re.findall(r'@top-left \{ content: "([^"]*)"', text)
    assert len(content) == 1
    assert re.fullmatch(r"(?:[A-Za-z0-9 ]|\\[0-9a-f]{2,6} )*", content[0])
    said = re.sub(r"\\([0-9a-f]+) ", lambda found: chr(int(found[1], 16)), content[0])
    assert said == re.sub(r"[\x00-\x1f]", "\ufffd", f"{''.join(HOSTILE[:7])} · {HOSTILE[0]}")
    assert text.count("</style>") == 1


def test_the_usual_cautions_are_a_list() -> None:
    read = Read(usual_cautions("And this."))
    texts = [text for text in read.texts if text.strip()]
    assert read.tags.count("li") == len(texts) - 1 == 4
    assert texts[-1] == "And this."
    assert all(re.fullmatch(r"[A-Z].*[.:]", text) for text in texts)


# ---------------------------------------------------------------- on paper


def sheets_of(data: bytes, size: str) -> list[list[str]]:
    """The lines on each sheet, none of them outside it.

    A browser makes everything smaller when something is too wide for the sheet: texts are at
    their own size (a CSS pixel is 3/4 point), and begin within it.
    """
    width, height = SHEETS[size]
    pieces: list[tuple[float, float, float]] = []

    def heard(text: str, cm: list[float], tm: list[float], *_: object) -> None:
        if text.strip():
            pieces.append((cm[0], cm[0] * tm[4] + cm[4], cm[3] * tm[5] + cm[5]))

    sheets = []
    for sheet in pypdf.PdfReader(io.BytesIO(data)).pages:
        box = sheet.mediabox
        assert (float(box.width), float(box.height)) == pytest.approx((width, height), abs=1)
        sheets.append(sheet.extract_text(visitor_text=heard).splitlines())
    assert all(scale == pytest.approx(0.75, abs=1e-3) for scale, _, _ in pieces)
    assert all(50 < x < width - 34 and 18 < y < height - 18 for _, x, y in pieces)
    return sheets


@pytest.mark.parametrize(
    ("demo", "size", "most"), [("church", "A4", 12), ("theatre", "Letter", 21)], ids=str
)
def test_a_schedule_prints_each_board_and_wire_once(
    demo: str, size: str, most: int, tmp_path: Path
) -> None:
    text = (DEMOS / f"{demo}.toml").read_text(encoding="utf-8")
    console = read_console(text)
    sides = sides_of(console, rail_of(text, console))
    path = tmp_path / "schedule.html"
    path.write_text(as_page(console, sides, DATE), encoding="utf-8")
    sheets = sheets_of(print_pdf(path, size), size)

    assert len(console.boards) / 2 < len(sheets) <= most
    for number, lines in enumerate(sheets, 1):
        assert lines[0] == f"{console.name} · wiring schedule"
        assert f"page {number} of {len(sheets)}" in lines[1]
        assert DATE in lines[1]
    everything = Counter(line.strip() for lines in sheets for line in lines)
    said = " ".join(" ".join(lines) for lines in sheets)
    for board in console.boards:
        assert everything[title_of(board)] == 1
    for side in sides:
        for row in rows_of(side):
            line = " ".join(cell for cell in row if cell)
            wire, pin = row[:2]
            assert said.count(line) == 1 or folded_once(sheets, wire, pin), line
    for lines in sheets[1:]:
        assert lines[2].startswith("Board "), "each sheet says whose board it is"


def folded_once(sheets: list[list[str]], wire: str, pin: str) -> bool:
    """Whether a line that was too long for one begins with its wire and pin, once."""
    begins = f"{wire} {pin} "
    return sum(line.startswith(begins) for lines in sheets for line in lines) == 1


def test_no_text_is_too_long_for_the_sheet(tmp_path: Path) -> None:
    path = tmp_path / "hostile.html"
    path.write_text(hostile_page(), encoding="utf-8")
    sheets = sheets_of(print_pdf(path, "Letter"), "Letter")
    assert len(sheets) < 8
    assert HOSTILE[1] in "".join(sheets[0][6:]), "no title stands alone on a sheet"
    said = "".join("".join(lines) for lines in sheets)
    assert "<script>alert(1)</script>" in said
    assert said.count("1") > 4 * 190, "broken, not cut off"
