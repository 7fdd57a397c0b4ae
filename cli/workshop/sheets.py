"""Faces laid out on sheets of stock, as SVG at true size, and the folder that sheets go into.

One unit of a sheet is one millimetre. Engraving and cutting are two layers, in the order in which
a machine must do them; a face's text is strokes, not letters of a fount. Which faces are
engraved, and why, is not known here.
"""

import re
import secrets
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from xml.etree import ElementTree

from attrs import frozen

from banks.whole import FileFaultError, check_ordinary, told_in_words, write_whole
from cli.workshop.engraving import Face, Fault, Lettering
from cli.workshop.nesting import Spot, fits, nest
from cli.workshop.strokes import Stroke, base_lines, block, lacking, room

_SHEET = re.compile(r"sheet-\d+\.svg\Z")


@frozen
class Stock:
    """A sheet of stock: its size, the margin and gap to keep, and the width that a cut takes.

    The gap is that between two cut lines, the margin that from one to the edge. A cut line runs
    half a ``kerf`` outside its face, so that the face comes out at its size.
    """

    width: float
    height: float
    margin: float = 5.0
    gap: float = 2.0
    kerf: float = 0.0

    @property
    def inside(self) -> tuple[float, float]:
        """The width and height within the margin."""
        return self.width - 2 * self.margin, self.height - 2 * self.margin

    def cut(self, face: Face) -> tuple[float, float]:
        """The width and height of a face's cut line."""
        return face.size.width + self.kerf, face.size.height + self.kerf


def stock_faults(faces: Sequence[Face], stock: Stock) -> list[Fault]:
    """The faces that are larger than the stock within its margin."""
    width, height = stock.inside
    message = f"does not fit in the {width:g} x {height:g} mm that the stock has within its margin"
    return [
        Fault(face, f"its face of {face.size} mm {message}")
        for face in faces
        if not fits(stock.cut(face), stock.inside)
    ]


def sheets_of(
    faces: Sequence[Face], stock: Stock, lettering: Lettering, title: str
) -> tuple[tuple[bytes, ...], tuple[int, ...]]:
    """Every sheet as an SVG document, and the sheet of each face, from 1. All faces must fit."""
    spots = nest([stock.cut(face) for face in faces], stock.inside, stock.gap)
    numbers = tuple(spot.sheet + 1 for spot in spots)
    count = max(numbers, default=0)
    documents = []
    for number in range(1, count + 1):
        placed = [(f, s) for f, s in zip(faces, spots, strict=True) if s.sheet == number - 1]
        named = f"{title}, sheet {number} of {count}"
        documents.append(_document(placed, stock, lettering, named))
    return tuple(documents), numbers


# ---------------------------------------------------------------- SVG


_INKSCAPE = "http://www.inkscape.org/namespaces/inkscape"
"""By convention, open to all programs, what marks a group as a layer with a name."""
_CAP_OF_EM = 0.7
"""Cap height of a usual sans, in font sizes: for faces that are left to a fount."""


def _document(
    placed: Sequence[tuple[Face, Spot]], stock: Stock, lettering: Lettering, title: str
) -> bytes:
    root = ElementTree.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "xmlns:inkscape": _INKSCAPE,
            "version": "1.1",
            "width": f"{_mm(stock.width)}mm",
            "height": f"{_mm(stock.height)}mm",
            "viewBox": f"0 0 {_mm(stock.width)} {_mm(stock.height)}",
        },
    )
    ElementTree.SubElement(root, "title").text = title
    engrave = _layer(root, "engrave", {"stroke": "#000000", "stroke-width": "0.2"})
    cut = _layer(root, "cut", {"stroke": "#ff0000", "stroke-width": "0.1"})
    for face, spot in placed:
        _engrave(engrave, face, spot, stock, lettering)
        _cut(cut, face, spot, stock)
    ElementTree.indent(root)
    document: bytes = ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)
    return document + b"\n"


def _layer(root: ElementTree.Element, name: str, look: Mapping[str, str]) -> ElementTree.Element:
    layer = {"id": name, "inkscape:groupmode": "layer", "inkscape:label": name}
    ends = {"stroke-linecap": "round", "stroke-linejoin": "round"}
    return ElementTree.SubElement(root, "g", {**layer, "fill": "none", **look, **ends})


def _cut(layer: ElementTree.Element, face: Face, spot: Spot, stock: Stock) -> None:
    width, height = stock.cut(face)
    left, top = stock.margin + spot.x, stock.margin + spot.y
    if face.size.is_round:
        radius = width / 2
        place = {"cx": _mm(left + radius), "cy": _mm(top + radius), "r": _mm(radius)}
        shape = ElementTree.SubElement(layer, "circle", {"id": f"cut-{_id(face)}", **place})
    else:
        place = {"x": _mm(left), "y": _mm(top), "width": _mm(width), "height": _mm(height)}
        if face.size.corner:
            place["rx"] = place["ry"] = _mm(face.size.corner + stock.kerf / 2)
        shape = ElementTree.SubElement(layer, "rect", {"id": f"cut-{_id(face)}", **place})
    whose = f" of {face.division}" if face.division else ""
    ElementTree.SubElement(shape, "title").text = f"{face.name}{whose}"


def _engrave(
    layer: ElementTree.Element, face: Face, spot: Spot, stock: Stock, lettering: Lettering
) -> None:
    width, height = stock.cut(face)
    x, y = stock.margin + spot.x + width / 2, stock.margin + spot.y + height / 2
    cap = lettering.on(face)
    if lacking("".join(face.lines)):
        _text(layer, face, (x, y), cap)
        return
    path = " ".join(_path(stroke, x, y, cap) for stroke in block(face.lines))
    ElementTree.SubElement(layer, "path", {"id": f"engrave-{_id(face)}", "d": path})


def _path(stroke: Stroke, x: float, y: float, cap: float) -> str:
    points = (f"{_mm(x + across * cap)},{_mm(y + down * cap)}" for across, down in stroke)
    return "M" + " L".join(points)


def _text(layer: ElementTree.Element, face: Face, middle: tuple[float, float], cap: float) -> None:
    """A face's text for the engraver's own fount, its lines as wide as there is room for."""
    look = {
        "font-family": "sans-serif",
        "font-size": _mm(cap / _CAP_OF_EM),
        "text-anchor": "middle",
        "fill": "#000000",
        "stroke": "none",
    }
    group = ElementTree.SubElement(layer, "g", {"id": f"engrave-{_id(face)}", **look})
    ElementTree.SubElement(group, "desc").text = "Letters of a fount, not strokes"
    for line, down in zip(face.lines, base_lines(len(face.lines)), strict=True):
        place = {"x": _mm(middle[0]), "y": _mm(middle[1] + down * cap)}
        width = {"textLength": _mm(room(line) * cap), "lengthAdjust": "spacingAndGlyphs"}
        ElementTree.SubElement(group, "text", {**place, **width}).text = line


def _id(face: Face) -> str:
    return f"{face.kind.replace(' ', '-')}-{face.id}-{face.number}"


def _mm(value: float) -> str:
    """Millimetres to a thousandth, finer than any machine."""
    text = f"{value:.3f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


# ---------------------------------------------------------------- the folder


def write_sheets(folder: Path, sheets: Sequence[bytes], *, replacing: bool) -> list[Path]:
    """Write ``sheet-1.svg`` and so on into a folder: all of them, or after a fault none.

    The folder is made if it is not there. With ``replacing`` the sheets that are in it give way,
    also those of which there are no more; nothing else in it is touched.

    Raises:
        FileFaultError: if they cannot be written, or sheets are there already.
    """
    with told_in_words(folder):
        made = not folder.is_dir()
        if made:
            folder.mkdir()
        try:
            old = sorted(place for place in folder.iterdir() if _SHEET.match(place.name))
            if old and not replacing:
                raise FileFaultError(f"{old[0].name} is in it already, and is left as it is")
            for place in old:
                check_ordinary(place.lstat())
            return _exchange(folder, old, sheets)
        except BaseException:
            if made:
                with suppress(OSError):
                    folder.rmdir()
            raise


def _exchange(folder: Path, old: Sequence[Path], sheets: Sequence[bytes]) -> list[Path]:
    """Put sheets in the place of others, which come back if anything fails."""
    aside = {place: folder / f".{secrets.token_hex(8)}.old" for place in old}
    written: list[Path] = []
    moved: list[Path] = []
    try:
        for place, away in aside.items():
            place.rename(away)
            moved.append(place)
        for number, data in enumerate(sheets, 1):
            written.append(folder / f"sheet-{number}.svg")
            write_whole(written[-1], data, replacing=False)
    except BaseException:
        for path in written:
            with suppress(OSError):
                path.unlink(missing_ok=True)
        for place in moved:
            with suppress(OSError):
                aside[place].rename(place)
        raise
    for away in aside.values():
        with suppress(OSError):
            away.unlink(missing_ok=True)
    return written
