"""Text as single strokes, for an engraver that follows lines.

Letters are those of Hershey's plain sans, drawn for plotters and free for any use; accents and a
few signs that it has not are drawn here. All measures are in cap heights: a capital stands on
y = 0 and reaches y = -1, as y counts downwards in SVG. What is engraved, and how large, is not
known here.
"""

import unicodedata
from collections.abc import Iterator, Sequence
from functools import cache
from itertools import chain

from attrs import frozen
from HersheyFonts import HersheyFonts

Point = tuple[float, float]
Stroke = tuple[Point, ...]

PITCH = 1.7
"""From one base line to the next: a tail above does not touch a capital's accent below."""


@frozen
class Glyph:
    """One character: its strokes, and how far on the next one begins."""

    advance: float
    strokes: tuple[Stroke, ...]


# ---------------------------------------------------------------- characters


_CAP_LINE, _BASE_LINE = -12, 9
"""Where a capital begins and ends in Hershey's own units."""
_CLOSER = 2
"""Hershey's letters stand wide apart, and on a face there is little room."""
_SPACE = 0.5
"""Narrower than Hershey's own, which is as wide as a letter."""


@cache
def _letters() -> dict[str, Glyph]:
    fonts = HersheyFonts()
    fonts.load_default_font("futural")
    unit = _BASE_LINE - _CAP_LINE
    letters = {
        char: Glyph(
            (letter.char_width - _CLOSER) / unit,
            tuple(
                tuple(((x - letter.left_offset) / unit, (y - _BASE_LINE) / unit) for x, y in stroke)
                for stroke in letter.strokes
            ),
        )
        for char, letter in fonts.all_glyphs.items()
        if " " < char <= "~"
    }
    return letters | {" ": Glyph(_SPACE, ())} | _OWN


_OWN = {
    "♯": Glyph(
        0.62,
        (
            ((0.2, -0.92), (0.2, 0.08)),
            ((0.42, -1.0), (0.42, 0.0)),
            ((0.08, -0.58), (0.54, -0.72)),
            ((0.08, -0.22), (0.54, -0.36)),
        ),
    ),
    "♭": Glyph(
        0.56,
        (
            (
                *((0.12, -1.0), (0.12, 0.0), (0.3, -0.12), (0.43, -0.3)),
                *((0.4, -0.46), (0.28, -0.52), (0.12, -0.4)),
            ),
        ),
    ),
    "–": Glyph(0.9, (((0.1, -0.43), (0.8, -0.43)),)),
    "—": Glyph(1.3, (((0.1, -0.43), (1.2, -0.43)),)),
    "Æ": Glyph(
        1.15,
        (
            ((0.05, 0.0), (0.55, -1.0), (1.05, -1.0)),
            ((0.55, -1.0), (0.55, 0.0), (1.05, 0.0)),
            ((0.225, -0.35), (0.55, -0.35)),
            ((0.55, -0.52), (0.9, -0.52)),
        ),
    ),
}

_DRAWN_AS = str.maketrans(
    {
        "’": "'",
        "‘": "'",
        "′": "'",
        "“": '"',
        "”": '"',
        "″": '"',
        "‐": "-",
        "−": "-",
        "⁄": "/",
        "ø": "o\u0338",
        "Ø": "O\u0338",
    }
)


def _dot(x: float) -> Stroke:
    return ((x - 0.05, 0.0), (x, -0.05), (x + 0.05, 0.0), (x, 0.05), (x - 0.05, 0.0))


_ABOVE: dict[str, tuple[Stroke, ...]] = {
    "\u0300": (((-0.14, -0.2), (0.06, 0.0)),),
    "\u0301": (((0.14, -0.2), (-0.06, 0.0)),),
    "\u0302": (((-0.16, 0.0), (0.0, -0.18), (0.16, 0.0)),),
    "\u0303": (((-0.2, 0.0), (-0.1, -0.1), (0.1, 0.0), (0.2, -0.1)),),
    "\u0304": (((-0.18, -0.05), (0.18, -0.05)),),
    "\u0307": (_dot(0.0),),
    "\u0308": (_dot(-0.15), _dot(0.15)),
    "\u030a": (
        (
            *((0.0, 0.0), (0.09, -0.04), (0.12, -0.11), (0.09, -0.18), (0.0, -0.22)),
            *((-0.09, -0.18), (-0.12, -0.11), (-0.09, -0.04), (0.0, 0.0)),
        ),
    ),
    "\u030b": (((0.02, -0.2), (-0.12, 0.0)), ((0.2, -0.2), (0.06, 0.0))),
    "\u030c": (((-0.16, -0.18), (0.0, 0.0), (0.16, -0.18)),),
}
"""Accents above a letter, drawn from the middle of its top."""
_OFF_THE_LETTER = 0.12
_CEDILLA: Stroke = (
    *((0.02, 0.0), (0.0, 0.07), (0.08, 0.1)),
    *((0.1, 0.16), (0.04, 0.22), (-0.06, 0.22)),
)
_X_HEIGHT = -0.7
"""Above this small letters have only their dots, which an accent takes the place of."""


@cache
def _glyph(cluster: str) -> Glyph | None:
    """A character with the accents on it; None if it cannot be drawn."""
    base = _letters().get(cluster[0])
    for mark in cluster[1:]:
        if base is None or not base.strokes:
            return None
        base = _accented(base, mark, dotted=cluster[0] in "ij")
    return base


def _accented(base: Glyph, mark: str, *, dotted: bool) -> Glyph | None:
    body = base.strokes
    if dotted and mark in _ABOVE:
        body = tuple(s for s in body if max(y for _, y in s) > _X_HEIGHT)
    left, top, right, bottom = _bounds(body)
    middle = (left + right) / 2
    if mark in _ABOVE:
        added = _moved(_ABOVE[mark], middle, top - _OFF_THE_LETTER)
    elif mark == "\u0327":
        added = _moved((_CEDILLA,), middle, bottom)
    elif mark == "\u0338":
        added = (((left + 0.02, bottom + 0.06), (right - 0.02, top - 0.06)),)
    else:
        return None
    return Glyph(base.advance, (*body, *added))


def _bounds(strokes: Sequence[Stroke]) -> tuple[float, float, float, float]:
    """Left, top, right and bottom of what is drawn."""
    points = list(chain.from_iterable(strokes))
    xs, ys = [x for x, _ in points], [y for _, y in points]
    return min(xs), min(ys), max(xs), max(ys)


def _moved(strokes: Sequence[Stroke], right: float, down: float) -> tuple[Stroke, ...]:
    return tuple(tuple((x + right, y + down) for x, y in stroke) for stroke in strokes)


# ---------------------------------------------------------------- lines of text


def _clusters(text: str) -> Iterator[str]:
    """The characters of a line, each with its accents; ``2⅔`` is ``2 2/3``."""
    spread = ""
    for char in text:
        parts = unicodedata.normalize("NFKD", char)
        if "⁄" in parts:
            char = parts if not spread[-1:].isdigit() else f" {parts}"
        spread += char
    found: list[str] = []
    for char in unicodedata.normalize("NFD", spread).translate(_DRAWN_AS):
        if found and unicodedata.combining(char):
            found[-1] += char
        else:
            found.append(char)
    yield from found


def lacking(text: str) -> tuple[str, ...]:
    """The characters of a text that cannot be drawn, each once."""
    lacks = (c for c in _clusters(text) if _glyph(c) is None)
    return tuple(dict.fromkeys(unicodedata.normalize("NFC", cluster) for cluster in lacks))


@cache
def block(lines: tuple[str, ...]) -> tuple[Stroke, ...]:
    """Lines of text, each centred on x = 0, and all of them on y = 0.

    What `lacking` finds is left out.
    """
    drawn: list[Stroke] = []
    for line, base_line in zip(lines, base_lines(len(lines)), strict=True):
        strokes = _line(line)
        if strokes:
            left, _, right, _ = _bounds(strokes)
            drawn += _moved(strokes, -(left + right) / 2, base_line)
    return tuple(drawn)


def base_lines(count: int) -> tuple[float, ...]:
    """Where the lines of a block stand, its capitals and base lines evenly about y = 0."""
    first = 1 - (1 + (count - 1) * PITCH) / 2
    return tuple(first + line * PITCH for line in range(count))


def _line(text: str) -> list[Stroke]:
    strokes: list[Stroke] = []
    at = 0.0
    for cluster in _clusters(text):
        glyph = _glyph(cluster)
        if glyph is not None:
            strokes += _moved(glyph.strokes, at, 0.0)
            at += glyph.advance
    return strokes


_STRANGE = 1.2
"""The width that is kept for a character of a fount that is not known here."""


def room(text: str) -> float:
    """The width to keep for a line that another program will set in a fount of its own."""
    glyphs = (_glyph(cluster) for cluster in _clusters(text))
    return sum(_STRANGE if glyph is None else glyph.advance for glyph in glyphs)
