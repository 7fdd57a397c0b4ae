"""What a bank file says: a bank, a part of one, or all banks of a store, as one msgpack map.

The tables of what stands where in each version come first; `FORMAT.md` says the same for readers
in other languages. The frame round it is that of `banks.bankfile`. Whether a bank fits a console
is not asked here (`banks.fit`).
"""

import gc
import re
import struct
from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import datetime
from decimal import Decimal
from itertools import pairwise, repeat
from typing import Any, Literal

import msgpack
from attrs import frozen

from banks import limits, shapes
from banks.parts import Part
from banks.shapes import Blob, Flag, List, Map, MisfitError, Shape, Text, Whole
from combination.memory import Bank, Combination, ControlCard, Level, PistonCard, Step

_STEP_NUMBER = re.compile(r"(0|[1-9][0-9]{0,8})(\.[0-9]{1,12})?")
_MOMENT = re.compile(r"[0-9]{4}(-[0-9]{2}){2}T([0-9]{2}:){2}[0-9]{2}Z")
_LITTLE: Literal["little"] = "little"


def _is_step_number(text: str) -> bool:
    return bool(_STEP_NUMBER.fullmatch(text))


def _is_moment(text: str) -> bool:
    if not _MOMENT.fullmatch(text):
        return False
    try:
        datetime.fromisoformat(text)
    except ValueError:
        return False
    return True


_ID = Text(empty=False)
_LABEL = List(Text(), limits.LINES)
_NUMBER = Text(form=_is_step_number, called="a step number")
_LEVEL_NUMBER = Whole(1, limits.LEVELS)

_SAVED: dict[str, Shape] = {
    "saved": Text(nothing=True, form=_is_moment, called="a date and time"),
    "writer": Text(),
}
_LEVEL: dict[str, Shape] = {
    "number": _LEVEL_NUMBER,
    "name": Text(),
    "locked": Flag(),
    "pistons": Blob(),
    "on": Blob(),
    "neutral-rows": Blob(),
    "neutral": Blob(),
}
_LEFT_OUT = frozenset({"name", "locked", "neutral-rows", "neutral"})
_BANK: dict[str, Shape] = {
    "console": Text(),
    "name": Text(),
    "locked": Flag(),
    "controls": List(
        Map({"id": _ID, "label": _LABEL, "division": Text()}),
        limits.CONTROLS,
    ),
    "pistons": List(
        Map(
            {
                "id": _ID,
                "label": _LABEL,
                "kind": Text(),
                "division": Text(),
                "affects": Blob(),
            }
        ),
        limits.PISTONS,
    ),
    "levels": List(Map(_LEVEL, optional=_LEFT_OUT), limits.LEVELS),
    "full-organs": List(Map({"piston": _ID, "on": Blob()}), limits.PISTONS),
    "stages": List(Map({"number": Whole(1, limits.STAGES), "on": Blob()}), limits.STAGES),
    "sequences": List(
        Map(
            {
                "name": _ID,
                "steps": List(
                    Map(
                        {
                            "number": _NUMBER,
                            "level": _LEVEL_NUMBER,
                            "piston": _ID,
                            "note": Text(),
                        }
                    ),
                    limits.STEPS,
                ),
            }
        ),
        limits.SEQUENCES,
    ),
    "level": _LEVEL_NUMBER,
    "sequence": Text(nothing=True, empty=False),
    "place": _NUMBER,
}

_VERIFIER: dict[str, Shape] = {"verifier": Blob()}
_LEVEL_2 = Map(_LEVEL | _VERIFIER, optional=_LEFT_OUT | _VERIFIER.keys())
_BANK_2 = _BANK | _VERIFIER | {"levels": List(_LEVEL_2, limits.LEVELS)}
_BANK_ALONE = Map(_BANK_2, optional=frozenset(_VERIFIER))
_BANK_IN_STORE = Map(_BANK_2 | {"name": Text(empty=False)}, optional=frozenset(_VERIFIER))
_PART: dict[str, Shape] = {
    "levels": List(_LEVEL_NUMBER, limits.LEVELS),
    "pistons": List(_ID, limits.PISTONS),
}
_WHICH_BANK = Whole(0, limits.BANKS - 1)
_STORE = Map(
    {
        "banks": List(_BANK_IN_STORE, limits.BANKS),
        "guests": List(_WHICH_BANK, limits.BANKS),
        "desk": _WHICH_BANK,
    },
    optional=frozenset({"desk"}),
)
_CONTENTS: dict[str, Shape] = {
    "bank": _BANK_ALONE,
    "part": Map(_PART, optional=frozenset(_PART)),
    "store": _STORE,
}

_PAYLOADS = {
    1: Map(_SAVED | _BANK),
    2: Map(_SAVED | _CONTENTS, optional=frozenset(_CONTENTS)),
}
"""The payload of each version of the format."""
VERSION = max(_PAYLOADS)
"""The newest version."""


@frozen
class BankFile:
    """What a file of one bank holds: the bank, when it was saved, and by which program.

    ``saved`` is universal time to the second (``2031-05-04T18:30:00Z``); ``writer`` a
    program's name and version. With ``part`` the bank holds only that part of what it was
    taken from (`banks.parts.part_of`), and no lock of its own, no stages and no sequences.
    """

    bank: Bank
    saved: str | None = None
    writer: str = ""
    part: Part | None = None


@frozen
class StoreFile:
    """What a file of all banks of a store holds, when it was saved, and by which program.

    No two banks have the same name, and none has none. ``guests`` are those of the banks that
    are guests', ``desk`` is the one on the desk (None: not said), both by place from 0.
    """

    banks: tuple[Bank, ...]
    guests: frozenset[int] = frozenset()
    desk: int | None = None
    saved: str | None = None
    writer: str = ""


def packed(file: BankFile | StoreFile) -> tuple[int, bytes]:
    """What a file holds as a payload, and the version of the format that it is in.

    That is the oldest in which it can be said, so that older programs read what they can. It
    is read again, but for the bits, by the rules for reading.

    Raises:
        MisfitError: if there is something that a payload cannot carry.
    """
    version, described = _described(file)
    try:
        payload = bytes(msgpack.packb(described))
    except UnicodeEncodeError as error:
        half = ord(error.object[error.start])
        raise MisfitError(f"a text has half a character in it (U+{half:04X})") from None
    except OverflowError:
        raise MisfitError("a number is too large") from None
    _sound(version, payload)
    return version, payload


def unpacked(version: int, payload: bytes) -> BankFile | StoreFile:
    """What a payload holds. The version is one of 1 to `VERSION`.

    Raises:
        MisfitError: if it is not made as it should be.
    """
    described = _sound(version, payload)
    saved, writer = described["saved"], described["writer"]
    with _collector_resting():
        if "store" in described:
            store = described["store"]
            banks = tuple(_bank(each) for each in store["banks"])
            return StoreFile(banks, frozenset(store["guests"]), store.get("desk"), saved, writer)
        return BankFile(_bank(described["bank"]), saved, writer, _part(described.get("part")))


# ---------------------------------------------------------------- a bank, described


def _described(file: BankFile | StoreFile) -> tuple[int, dict[str, Any]]:
    """The map that the payload packs, and the version of the format in which it is one."""
    described: dict[str, Any] = {"saved": file.saved, "writer": file.writer}
    if isinstance(file, StoreFile):
        banks = []
        for bank in file.banks:
            with _inside_bank(bank.name):
                banks.append(_bank_described(bank))
        described["store"] = {"banks": banks, "guests": sorted(file.guests)}
        if file.desk is not None:
            described["store"]["desk"] = file.desk
        return 2, described
    one = _bank_described(file.bank)
    if file.part is None and not any("verifier" in each for each in (one, *one["levels"])):
        return 1, described | one
    described["bank"] = one
    if file.part is not None:
        named = {"levels": file.part.levels, "pistons": file.part.pistons}
        described["part"] = {key: some for key, some in named.items() if some is not None}
    return 2, described


def _bank_described(bank: Bank) -> dict[str, Any]:
    width = _width(len(bank.controls))
    places = {name: place for place, name in enumerate(bank.pistons)}
    described = {
        "console": bank.console,
        "name": bank.name,
        "locked": bank.locked,
        "controls": [
            {"id": card.id, "label": card.label, "division": card.division}
            for card in bank.controls
        ],
        "pistons": [
            {
                "id": card.id,
                "label": card.label,
                "kind": card.kind,
                "division": card.division,
                "affects": _rows([card.affects], width),
            }
            for card in bank.pistons.values()
        ],
        "levels": [
            _level_described(number, level, places, width)
            for number, level in sorted(bank.levels.items())
        ],
        "full-organs": [
            {"piston": piston, "on": _rows([on], width)} for piston, on in bank.full_organs.items()
        ],
        "stages": [
            {"number": number, "on": _rows([on], width)}
            for number, on in sorted(bank.stages.items())
        ],
        "sequences": [
            {
                "name": name,
                "steps": [
                    {
                        "number": format(step.number, "f"),
                        "level": step.level,
                        "piston": step.piston,
                        "note": step.note,
                    }
                    for step in steps
                ],
            }
            for name, steps in bank.sequences.items()
        ],
        "level": bank.level,
        "sequence": bank.sequence,
        "place": format(bank.place, "f"),
    }
    if bank.verifier:
        described["verifier"] = bank.verifier
    return described


def _level_described(
    number: int, level: Level, places: dict[str, int], width: int
) -> dict[str, Any]:
    """A level: which pistons are set there, and their bits in rows of the same order.

    What there is nothing to say about is left out.
    """
    combinations = level.combinations
    on, neutral = zip(*combinations.values(), strict=True) if combinations else ((), ())
    try:
        pistons = _packed_places(map(places.__getitem__, combinations))
    except KeyError as unknown:
        raise MisfitError(f"{unknown} is not among the pistons").inside(f"level {number}") from None
    described: dict[str, Any] = {"number": number}
    if level.name:
        described["name"] = level.name
    if level.locked:
        described["locked"] = True
    if level.verifier:
        described["verifier"] = level.verifier
    described |= {"pistons": pistons, "on": _rows(on, width)}
    if any(neutral):
        rows = [row for row, bits in enumerate(neutral) if bits]
        described["neutral-rows"] = _packed_places(rows)
        described["neutral"] = _rows([neutral[row] for row in rows], width)
    return described


def _width(controls: int) -> int:
    """How many bytes a row of bits has."""
    return (controls + 7) // 8


def _rows(registrations: Iterable[int], width: int) -> bytes:
    try:
        return b"".join([bits.to_bytes(width, "little") for bits in registrations])
    except OverflowError:
        raise MisfitError("a combination has controls in it that the bank does not list") from None


def _packed_places(places: Iterable[int]) -> bytes:
    numbers = list(places)
    try:
        return struct.pack(f"<{len(numbers)}H", *numbers)
    except struct.error:
        raise MisfitError(f"it has more than {limits.PISTONS:,} pistons") from None


# ---------------------------------------------------------------- what must be true of it


def _sound(version: int, payload: bytes) -> dict[str, Any]:
    """A payload as plain values, set out as in version 2, with nothing wrong in it.

    Raises:
        MisfitError: for the first thing that is wrong.
    """
    described: dict[str, Any] = shapes.read(payload, _PAYLOADS[version])
    if version == 1:
        described = {"bank": described} | {key: described[key] for key in _SAVED}
    if ("bank" in described) == ("store" in described):
        raise MisfitError("it must hold either a bank or a store")
    if "store" in described:
        _check_store(described["store"])
        banks = described["store"]["banks"]
    else:
        _check_bank(described["bank"])
        banks = [described["bank"]]
    if "part" in described:
        if "store" in described:
            raise MisfitError("a store is never a part").inside("part")
        _check_part(described["part"], described["bank"])
    levels = (level for bank in banks for level in bank["levels"])
    combinations = sum(len(level["pistons"]) // 2 for level in levels)
    if combinations > limits.COMBINATIONS:
        raise MisfitError(
            f"{combinations:,} combinations are more than the {limits.COMBINATIONS:,} there can be"
        )
    return described


def _check_store(store: dict[str, Any]) -> None:
    """That its banks are sound and can be told apart, and that every bank pointed at is there."""
    banks, guests = store["banks"], store["guests"]
    if not banks:
        raise MisfitError("there is no bank in it").inside("store")
    _check_distinct([bank["name"] for bank in banks], "store, banks")
    _check_distinct(guests, "store, guests")
    for key, places in (("guests", guests), ("desk", [store["desk"]] if "desk" in store else [])):
        last = len(banks) - 1
        if max(places, default=0) > last:
            raise MisfitError(f"{max(places)} is beyond the last, {last}").inside(f"store, {key}")
    for bank in banks:
        with _inside_bank(bank["name"]):
            _check_bank(bank)


@contextmanager
def _inside_bank(name: str) -> Iterator[None]:
    """Say of what is found wrong in which bank of a store it is."""
    try:
        yield
    except MisfitError as misfit:
        raise misfit.inside(f"bank {name!r}") from None


def _check_bank(described: dict[str, Any]) -> None:
    """Everything that a bank of the right shape can still have wrong."""
    for things, key in _DISTINCT:
        _check_distinct([thing[key] for thing in described[things]], things)
    controls, pistons = len(described["controls"]), {p["id"] for p in described["pistons"]}
    for piston in described["pistons"]:
        _check_rows(piston["affects"], 1, controls, f"piston {piston['id']!r}, affects")
    _check_verifier(described, "verifier")
    _check_levels(described["levels"], len(pistons), controls)
    for full_organ in described["full-organs"]:
        where = f"full organ {full_organ['piston']!r}"
        if full_organ["piston"] not in pistons:
            raise MisfitError("it is not among the pistons").inside(where)
        _check_rows(full_organ["on"], 1, controls, where)
    for stage in described["stages"]:
        _check_rows(stage["on"], 1, controls, f"stage {stage['number']}")
    for sequence in described["sequences"]:
        numbers = [Decimal(0), *(Decimal(step["number"]) for step in sequence["steps"])]
        for before, after in pairwise(numbers):
            if before >= after:
                raise MisfitError(f"step {after:f} does not come after {before:f}").inside(
                    f"sequence {sequence['name']!r}"
                )


_DISTINCT = (
    ("controls", "id"),
    ("pistons", "id"),
    ("levels", "number"),
    ("full-organs", "piston"),
    ("stages", "number"),
    ("sequences", "name"),
)


def _check_distinct(names: list[Any], where: str) -> None:
    for name, count in Counter(names).items():
        if count > 1:
            raise MisfitError(f"{name!r} is there twice").inside(where)


def _check_verifier(owner: dict[str, Any], where: str) -> None:
    """That a bank or a level has no passphrase without a lock, nor one beyond all measure."""
    verifier = owner.get("verifier", b"")
    if len(verifier) > limits.VERIFIER:
        raise MisfitError(
            f"{len(verifier):,} bytes are more than the {limits.VERIFIER:,} there can be"
        ).inside(where)
    if verifier and not owner.get("locked"):
        raise MisfitError("there is a passphrase, but no lock").inside(where)


def _check_part(part: dict[str, Any], bank: dict[str, Any]) -> None:
    """That a part is one, and that the bank has nothing beyond it."""
    if not part:
        raise MisfitError("it names neither levels nor pistons").inside("part")
    for key, names in part.items():
        if not names:
            raise MisfitError("there is nothing in it").inside(f"part, {key}")
        _check_distinct(names, f"part, {key}")
    for key in ("locked", "stages", "sequences"):
        if bank[key]:
            raise MisfitError("only a whole bank has that").inside(key)
    known = [piston["id"] for piston in bank["pistons"]]
    unknown = set(part.get("pistons", ())).difference(known)
    if unknown:
        raise MisfitError(f"{min(unknown)!r} is not among the pistons").inside("part, pistons")
    owners = {level["pistons"] for level in bank["levels"]}
    levels = {level["number"] for level in bank["levels"]}
    faced = {e["number"] for e in bank["levels"] if e.get("name") or e.get("locked")}
    pistons = {known[place] for places in owners for place in _places_in(places)}
    full_organs = {each["piston"] for each in bank["full-organs"]}
    for what, found, named in (
        ("level", levels, part.get("levels", levels)),
        ("piston", pistons, part.get("pistons", pistons)),
        ("full organ", full_organs, () if "levels" in part else part["pistons"]),
        ("name or lock of level", faced, () if "pistons" in part else levels),
    ):
        beyond = found.difference(named)
        if beyond:
            raise MisfitError("it is not in the part").inside(f"{what} {min(beyond)!r}")


def _check_levels(levels: list[dict[str, Any]], pistons: int, controls: int) -> None:
    """That every level's rows belong to known pistons, and its neutral rows to known rows."""
    counted: dict[bytes, int] = {}  # most levels have the same pistons: look at those once
    for level in levels:
        where = f"level {level['number']}"
        _check_verifier(level, f"{where}, verifier")
        rows = counted.get(level["pistons"])
        if rows is None:
            rows = _check_places(level["pistons"], pistons, f"{where}, pistons")
            counted[level["pistons"]] = rows
        _check_rows(level["on"], rows, controls, f"{where}, on")
        if ("neutral" in level) != ("neutral-rows" in level):
            raise MisfitError("neutral and neutral-rows belong together").inside(where)
        if "neutral" in level:
            neutral = _check_places(level["neutral-rows"], rows, f"{where}, neutral-rows")
            _check_rows(level["neutral"], neutral, controls, f"{where}, neutral")


def _check_places(blob: bytes, count: int, where: str) -> int:
    """That places are below a count, each there once; how many they are."""
    if len(blob) % 2:
        raise MisfitError("it ends in the middle of a number").inside(where)
    if len(blob) > 2 * count:
        raise MisfitError(f"{len(blob) // 2:,} are more than the {count:,} there are").inside(where)
    places = _places_in(blob)
    if max(places, default=-1) >= count:
        raise MisfitError(f"{max(places)} is beyond the last, {count - 1}").inside(where)
    if len(set(places)) < len(places):
        _check_distinct(list(places), where)
    return len(places)


def _check_rows(blob: bytes, rows: int, controls: int, where: str) -> None:
    """That rows have their width, and no bit of a control that there is not.

    Such a bit can only be in a row's last byte, so one look at those is enough for them all.
    """
    width = _width(controls)
    if len(blob) != rows * width:
        raise MisfitError(f"{len(blob):,} bytes where {rows * width:,} belong").inside(where)
    if controls % 8 and max(blob[width - 1 :: width], default=0) >> controls % 8:
        raise MisfitError(f"it has a control beyond the last of {controls:,}").inside(where)


# ---------------------------------------------------------------- a bank, from its description


def _part(described: dict[str, Any] | None) -> Part | None:
    if described is None:
        return None
    return Part(**{key: tuple(names) for key, names in described.items()})


def _bank(described: dict[str, Any]) -> Bank:
    width = _width(len(described["controls"]))
    pistons = [piston["id"] for piston in described["pistons"]]
    levels = described["levels"]
    owners = {  # most levels have the same pistons
        places: [pistons[place] for place in _places_in(places)]
        for places in {level["pistons"] for level in levels}
    }
    return Bank(
        console=described["console"],
        controls=tuple(
            ControlCard(card["id"], tuple(card["label"]), card["division"])
            for card in described["controls"]
        ),
        pistons={
            card["id"]: PistonCard(
                card["id"],
                tuple(card["label"]),
                card["kind"],
                _bits(card["affects"]),
                card["division"],
            )
            for card in described["pistons"]
        },
        name=described["name"],
        locked=described["locked"],
        levels={
            level["number"]: Level(
                level.get("name", ""),
                level.get("locked", False),
                _combinations(level, owners[level["pistons"]], width),
                level.get("verifier", b""),
            )
            for level in levels
        },
        full_organs={each["piston"]: _bits(each["on"]) for each in described["full-organs"]},
        stages={stage["number"]: _bits(stage["on"]) for stage in described["stages"]},
        sequences={
            sequence["name"]: tuple(
                Step(Decimal(step["number"]), step["level"], step["piston"], step["note"])
                for step in sequence["steps"]
            )
            for sequence in described["sequences"]
        },
        level=described["level"],
        sequence=described["sequence"],
        place=Decimal(described["place"]),
        verifier=described.get("verifier", b""),
    )


def _combinations(level: dict[str, Any], owners: list[str], width: int) -> dict[str, Combination]:
    on = _registrations(level["on"], width, len(owners))
    neutral = [0] * len(owners)
    if "neutral" in level:
        rows = _places_in(level["neutral-rows"])
        for row, bits in zip(rows, _registrations(level["neutral"], width, len(rows)), strict=True):
            neutral[row] = bits
    # tuple.__new__ is what Combination(...) comes to, without a Python call for each of them.
    combinations = map(tuple.__new__, repeat(Combination), zip(on, neutral, strict=True))
    return dict(zip(owners, combinations, strict=True))


def _registrations(rows: bytes, width: int, count: int) -> Iterable[int]:
    return map(int.from_bytes, struct.unpack(f"{width}s" * count, rows), repeat(_LITTLE))


def _bits(row: bytes) -> int:
    return int.from_bytes(row, "little")


def _places_in(blob: bytes) -> tuple[int, ...]:
    return struct.unpack(f"<{len(blob) // 2}H", blob)


@contextmanager
def _collector_resting() -> Iterator[None]:
    """Keep the garbage collector from looking through a bank while it is being built.

    A hundred thousand new combinations make it do so again and again, which takes as long as
    all the rest; and there are no cycles in a bank for it to find.
    """
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()
