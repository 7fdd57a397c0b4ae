"""Paper for the workshop: pages that a browser prints on A4 or on Letter, black on white.

A page is one HTML file with nothing outside it: no script, no picture, no network. Every text
given is escaped; only what these functions made is taken for HTML. What a page is about, and
which day it is, is not known here.
"""

import html
import re
from collections.abc import Iterable, Sequence

from cli.cautions import CAUTIONS


class Html(str):
    """A piece of a page, made here: not escaped again."""

    __slots__ = ()


Cell = str | Html
"""A text, which is escaped, or a piece of a page."""

TICK = Html('<span class="tick"></span>')
"""An empty box to tick. It is drawn as a border, since browsers print no backgrounds."""


def page(title: str, subtitle: str, sections: Iterable[Html], date: str) -> str:
    """A whole HTML document.

    Each sheet has ``title``, which is the console's name, and ``subtitle`` at its head, and
    ``date`` (ISO 8601) and its number at its foot, in browsers that print such margins.
    """
    head = f"{title} · {subtitle}"
    margins = f"""@page {{
  margin: 17mm 12mm 15mm 20mm;
  @top-left {{ content: {_css_string(head)}; width: 100%; {_ABOVE} }}
  @bottom-left {{ content: {_css_string(date)}; {_BELOW} }}
  @bottom-right {{ content: "page " counter(page) " of " counter(pages); {_BELOW} }}
  @top-left, @bottom-left, @bottom-right {{ font: 10pt {_FONT}; color: #000; }}
}}"""
    parts = (
        "<!DOCTYPE html>",
        '<html lang="en">',
        "<head>",
        '<meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width">',
        f"<title>{_text(head)}</title>",
        f"<style>\n{margins}\n{_STYLE}</style>",
        "</head>",
        "<body>",
        f"<h1>{_text(title)}</h1>",
        f'<p class="subtitle">{_text(subtitle)}, {_text(date)}</p>',
        *sections,
        "</body>",
        "</html>",
        "",
    )
    return "\n".join(parts)


def whole(text: Cell) -> Html:
    """A text that no line ends within: for short ones of our own, not for what a person wrote."""
    return Html(f'<span class="whole">{_text(text)}</span>')


def section(heading: Cell, *blocks: Html) -> Html:
    """Blocks under a heading. They begin a new sheet if they do not fit on what is left of one."""
    return Html("\n".join(("<section>", f"<h2>{_text(heading)}</h2>", *blocks, "</section>")))


def paragraph(text: Cell) -> Html:
    """A paragraph."""
    return Html(f"<p>{_text(text)}</p>")


def items(texts: Iterable[Cell]) -> Html:
    """A list, in which no item is cut in two."""
    return Html("\n".join(("<ul>", *(f"<li>{_text(text)}</li>" for text in texts), "</ul>")))


def caution(heading: Cell, texts: Iterable[Cell]) -> Html:
    """A list in a thick frame: what may hurt or burn."""
    return Html(f'<div class="caution"><h2>{_text(heading)}</h2>\n{items(texts)}</div>')


def usual_cautions(*more: Cell) -> Html:
    """What is said wherever coils, supplies or their wires appear, and ``more``."""
    heading, *lines = CAUTIONS
    said = " ".join(" ".join(lines).split()).replace("`", "").removeprefix("- ").split(" - ")
    return caution(heading, [*said, *more])


def table(columns: Sequence[Cell], rows: Iterable[Sequence[Cell]], head: Cell = "") -> Html:
    """A table, whose heads are repeated on each sheet and whose rows are never cut in two.

    ``head`` is above the heads of its columns: what the table is of, on whichever sheet.
    """
    above = f'<tr><th class="head" colspan="{len(columns)}">{_text(head)}</th></tr>\n'
    heads = "".join(f"<th>{_text(column)}</th>" for column in columns)
    lines = ("".join(f"<td>{_text(cell)}</td>" for cell in row) for row in rows)
    parts = (
        "<table>",
        f"<thead>\n{above if head else ''}<tr>{heads}</tr>\n</thead>",
        "<tbody>",
        *(f"<tr>{line}</tr>" for line in lines),
        "</tbody>",
        "</table>",
    )
    return Html("\n".join(parts))


def _text(cell: Cell) -> str:
    """A text escaped. Control characters are not allowed in HTML at all."""
    if isinstance(cell, Html):
        return cell
    return html.escape(re.sub(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]", "\ufffd", cell))


def _css_string(text: str) -> str:
    """A text in a style sheet: all but plain letters and digits by their numbers.

    So nothing in it can end the string or the style sheet.
    """
    plain = re.sub(r"[\x00-\x1f\x7f-\x9f]", "\ufffd", text)
    return '"{}"'.format(re.sub(r"[^A-Za-z0-9 ]", lambda found: f"\\{ord(found[0]):x} ", plain))


_FONT = '"Liberation Sans", Arial, Helvetica, sans-serif'
_ABOVE = "vertical-align: bottom; padding-bottom: 4mm;"
_BELOW = "vertical-align: top; padding-top: 2mm;"
"""Near what they belong to, and so where every printer still prints."""

_STYLE = f"""
html {{ font: 10.5pt/1.25 {_FONT}; color: #000; background: #fff; }}
body {{ margin: 0; overflow-wrap: anywhere; }}
h1 {{ font-size: 18pt; margin: 0; }}
h2 {{ font-size: 13pt; margin: 0 0 1.5mm; break-after: avoid; }}
p, ul {{ margin: 0 0 2.5mm; }}
ul {{ padding-left: 5mm; }}
p, li {{ break-inside: avoid; orphans: 3; widows: 3; }}
.subtitle {{ font-size: 12pt; margin-bottom: 5mm; }}
section {{ break-inside: avoid; margin: 0 0 7mm; }}
.subtitle + section {{ break-inside: auto; }}
.caution {{ break-inside: avoid; border: 0.8mm solid #000; padding: 2.5mm 3mm 0; margin: 0 0 6mm; }}
table {{ border-collapse: collapse; width: 100%; margin: 0 0 4mm; }}
thead {{ display: table-header-group; }}
tr {{ break-inside: avoid; }}
th, td {{ border-bottom: 0.2mm solid #000; padding: 0.4mm 3mm 0.4mm 0; }}
th, td {{ text-align: left; vertical-align: baseline; unicode-bidi: isolate; }}
th {{ font-weight: bold; vertical-align: bottom; }}
th.head {{ border-bottom: 0; padding-top: 1mm; }}
.whole {{ white-space: nowrap; }}
thead tr:last-child th {{ border-bottom: 0.5mm solid #000; }}
.tick {{ display: inline-block; width: 3.1mm; height: 3.1mm; border: 0.4mm solid #000; }}
.tick {{ vertical-align: -0.8mm; }}
@media screen {{ body {{ max-width: 180mm; margin: 8mm auto; padding: 0 4mm; }} }}
"""
