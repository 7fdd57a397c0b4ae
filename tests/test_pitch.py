"""Pitches as engraved, against the published harmonics of the 8 ft series.

Sources: J. L. Speller, "Organ Pipes" (8/2 = 4, 8/3 = 2 2/3, 8/5 = 1 3/5, 8/6 = 1 1/3), and
Wikibooks, "Organ/Pitches" (2 2/3 an octave and a fifth above unison, 1 3/5 two octaves and a
major third, 1 1/3 two octaves and a fifth).
"""

import contextlib
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from combination.pitch import format_pitch, parse_pitch, semitones_above

OCTAVE, FIFTH, MAJOR_THIRD = 12, 7, 4
UNISON = Fraction(8)


@pytest.mark.parametrize(
    ("text", "feet"),
    [
        ("8", Fraction(8)),
        ("8'", Fraction(8)),
        ("16′", Fraction(16)),
        (" 4 ", Fraction(4)),
        ("2 2/3", Fraction(8, 3)),
        ("2 2/3'", Fraction(8, 3)),
        ("2-2/3", Fraction(8, 3)),
        ("2⅔", Fraction(8, 3)),
        ("1⅗′", Fraction(8, 5)),
        ("1/2", Fraction(1, 2)),
        ("½", Fraction(1, 2)),
        ("10 2/3", Fraction(32, 3)),
        ("32", Fraction(32)),
        ("8/3", Fraction(8, 3)),
        ("3/2", Fraction(3, 2)),
    ],
)
def test_reads(text: str, feet: Fraction) -> None:
    assert parse_pitch(text) == feet


@pytest.mark.parametrize(
    "text",
    [
        *("", "'", "x", "8x", "0", "-8", "2 2/0", "1/", "2.667", "129", "8 8", "1e9"),
        *("2 3/2", "2-3/2", "2 2/2", "2 0/2", "127 2/1"),
    ],
)
def test_refuses(text: str) -> None:
    with pytest.raises(ValueError, match="not a pitch"):
        parse_pitch(text)


@given(st.fractions(min_value=Fraction(1, 16), max_value=128, max_denominator=16))
def test_what_is_written_reads_the_same(feet: Fraction) -> None:
    assert parse_pitch(format_pitch(feet)) == feet


@given(st.text(max_size=12))
def test_any_text_is_a_pitch_or_refused(text: str) -> None:
    with contextlib.suppress(ValueError):
        assert 0 < parse_pitch(text) <= 128


@pytest.mark.parametrize(
    ("harmonic", "semitones"),
    [
        (2, OCTAVE),
        (3, OCTAVE + FIFTH),
        (4, 2 * OCTAVE),
        (5, 2 * OCTAVE + MAJOR_THIRD),
        (6, 2 * OCTAVE + FIFTH),
        (8, 3 * OCTAVE),
    ],
)
def test_harmonics_of_unison(harmonic: int, semitones: int) -> None:
    assert semitones_above(UNISON / harmonic, UNISON) == semitones


def test_half_the_length_is_an_octave_higher() -> None:
    assert semitones_above(Fraction(4), Fraction(8)) == OCTAVE
    assert semitones_above(Fraction(16), Fraction(8)) == -OCTAVE
