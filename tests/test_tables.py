"""Tables of any file: read by the words of its classes, and every misfit said with its line."""

from enum import StrEnum

import pytest
from attrs import frozen

from combination.findings import Finding, Severity
from combination.model import word
from combination.tables import STAND_IN, NotTomlError, Reader, converter_of


class Wood(StrEnum):
    """What a shelf may be made of."""

    OAK = "oak"
    PINE = "pine"


@frozen
class Size:
    """Of a shelf, in centimetres."""

    long: int
    deep: int = 30


@frozen
class Shelf:
    """A shelf, and what stands on it."""

    id: str
    room: str
    wood: Wood
    size: Size | None = None
    holds: tuple[str, ...] = ()


@frozen
class Store:
    """A file that is no console's: a store of old pipes."""

    format: int
    keeper: str
    shelves: tuple[Shelf, ...] = word("shelf", default=())


CONVERTER = converter_of({Size: "long"})
STAND_INS = {str: STAND_IN, Wood: "oak"}

SOUND = """\
format = 3
keeper = "A. Pell"

[[shelf]]
id = "top"
room = "loft"
wood = "pine"
size = 80
holds = "viols"

[[shelf]]
id = "low"
room = "loft"
wood = "oak"
size = { long = 90, deep = 40 }
holds = ["flutes", "reeds"]
"""


def read(text: str) -> tuple[Store, Reader]:
    reader = Reader(text, CONVERTER, STAND_INS)
    return reader.file(Store, 3, keeper="nobody"), reader


def test_a_sound_file_is_read_by_its_own_words() -> None:
    store, reader = read(SOUND)
    assert store == Store(
        3,
        "A. Pell",
        (
            Shelf("top", "loft", Wood.PINE, Size(80), ("viols",)),
            Shelf("low", "loft", Wood.OAK, Size(90, 40), ("flutes", "reeds")),
        ),
    )
    assert reader.placed(()) == ()


@pytest.mark.parametrize(
    ("right", "wrong", "said"),
    [
        ("format = 3", "format = 2", "line 1: format: is 2; this program reads format 3"),
        ("keeper =", "keper =", 'line 2: keper: there is no such key; did you mean "keeper"?'),
        ('"pine"', '"pin"', 'line 7: shelf "top", wood: is "pin"; did you mean "pine"?'),
        ("size = 80", "size = true", "size, long: is true; expected a whole number"),
        ("size = 80", "size = { deep = 1 }", 'line 8: shelf "top", size, long: is missing'),
        ("deep", "depth", 'shelf "low", size, depth: there is no such key; did you mean "deep"?'),
        ('"reeds"]', "7]", 'shelf "low", holds 2: is 7; expected text in quotation marks'),
        ("[[shelf]]", "[[shelv]]", 'shelv: there is no such table; did you mean "shelf"?'),
    ],
)
def test_a_misfit_is_said_in_the_files_words(right: str, wrong: str, said: str) -> None:
    _, reader = read(SOUND.replace(right, wrong))
    assert any(said in str(finding) for finding in reader.placed(()))


def test_what_does_not_fit_is_stood_in_for_and_the_rest_is_there() -> None:
    store, reader = read(SOUND.replace('room = "loft"\nwood = "pine"', "room = 4\nwood = 5"))
    assert store.shelves[0] == Shelf("top", STAND_IN, Wood.OAK, Size(80), ("viols",))
    assert reader.mended == {("shelf", 0)}
    assert [finding.line for finding in reader.placed(())] == [6, 7]


def test_a_table_without_an_id_is_left_out_and_later_ones_keep_their_lines() -> None:
    store, reader = read(SOUND.replace('id = "top"\n', ""))
    assert [shelf.id for shelf in store.shelves] == ["low"]
    warned = Finding(Severity.WARNING, "shelf", "size", "is deep", 0, "low")
    missing, deep = reader.placed([warned])
    assert (missing.line, missing.severity) == (4, Severity.ERROR)
    assert (deep.line, deep.index) == (14, 1)


def test_the_files_own_keys_have_the_stand_ins_of_the_one_who_reads_it() -> None:
    store, reader = read("")
    assert store == Store(3, "nobody")
    assert [str(f) for f in reader.placed(())] == ["format: is missing", "keeper: is missing"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('a = "', "line 1: the file: this is not a TOML file: unterminated string"),
        ("a = 1\na = 2", "line 2: the file: this is not a TOML file: the key is there already"),
        ("#" * (4 * 1024 * 1024 + 1), "this is not a TOML file: it is longer than 4 MiB"),
    ],
)
def test_what_is_not_toml_is_one_finding(text: str, said: str) -> None:
    with pytest.raises(NotTomlError) as refused:
        read(text)
    assert said in str(refused.value)
