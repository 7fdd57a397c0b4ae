"""Pitches as they are engraved: ``8'``, ``2 2/3'``, ``16'``.

A pitch is the speaking length, in feet, of the open pipe that low C of a rank or stop would
have. It is kept as an exact fraction, so that two and two thirds is that and not 2.667.
"""

import math
import re
from fractions import Fraction

_ENGRAVED = re.compile(
    r"(?:(?P<whole>\d{1,3})(?:(?:\s*-\s*|\s+)(?=\d+/)|(?![\d/])))?"
    r"(?:(?P<above>\d{1,2})/(?P<below>\d{1,2}))?\s*['′]?\Z"
)
_VULGAR = {
    "½": "1/2",
    "⅓": "1/3",
    "⅔": "2/3",
    "¼": "1/4",
    "¾": "3/4",
    "⅕": "1/5",
    "⅖": "2/5",
    "⅗": "3/5",
    "⅘": "4/5",
    "⅙": "1/6",
    "⅐": "1/7",
    "⅑": "1/9",
    "⅛": "1/8",
}
LONGEST = 128
"""Feet. No pipe has ever been twice as long as the 64 ft of the longest known stops."""


def parse_pitch(text: str) -> Fraction:
    """Read a pitch in feet as engraved: ``16``, ``2 2/3'``, ``2⅔``, ``1/2``.

    ``8/3`` is read as well, since it can only mean ``2 2/3``.

    Raises:
        ValueError: if it is not a pitch, or not between 0 and 128 ft, or if a whole number is
            followed by a fraction that is not itself between 0 and 1.
    """
    fault = ValueError(f"{text!r} is not a pitch in feet")
    plain = text
    for sign, written in _VULGAR.items():
        plain = plain.replace(sign, " " + written)
    match = _ENGRAVED.match(plain.strip())
    if match is None or not any(match.groups()):
        raise fault
    whole, above, below = match.group("whole", "above", "below")
    if below is not None and int(below) == 0:
        raise fault
    part = Fraction(int(above), int(below)) if above else Fraction(0)
    if whole and above and not 0 < part < 1:
        raise fault
    feet = int(whole or 0) + part
    if not 0 < feet <= LONGEST:
        raise fault
    return feet


def format_pitch(feet: Fraction) -> str:
    """Write a pitch the way it is engraved, without the foot mark: ``2 2/3``."""
    whole, rest = divmod(feet, 1)
    if not rest:
        return str(whole)
    return f"{whole} {rest}" if whole else str(rest)


def semitones_above(feet: Fraction, reference: Fraction) -> int:
    """How many semitones a pitch lies above another, in equal temperament.

    Half the length is an octave higher, so this is ``12 · log2(reference / feet)``, rounded
    (semantics.md II.2): 2 2/3 ft above 8 ft is 19, an octave and a fifth.
    """
    return round(12 * math.log2(reference / feet))
