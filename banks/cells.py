"""A bank as cells: one value for each thing that can change by itself, and back.

The living store keeps cells and their history (`banks.store`); this says what the cells of a
bank are. A cell's key and the bits in its value are numbers that never change their meaning: a
control has the same bit, a piston the same number, for as long as the store lives, under
whatever id. Nothing of SQL is known here.
"""

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from decimal import Decimal, InvalidOperation
from enum import IntEnum
from hashlib import blake2b
from typing import Any, NamedTuple

import msgpack
from attrs import define, field, frozen

from combination.bits import numbers_of
from combination.memory import (
    Bank,
    Combination,
    ControlCard,
    PistonCard,
    Renames,
    Slot,
    Step,
)
from combination.registration import translate, translation


class Kind(IntEnum):
    """What a cell holds. The numbers stand in stores: none is ever given to something else."""

    NAME = 1
    CONSOLE = 2
    LOCK = 3
    PLACE = 4
    CONTROL = 10
    PISTON = 11
    LEVEL_NAME = 20
    LEVEL_LOCK = 21
    COMBINATION = 22
    FULL_ORGAN = 23
    STAGE = 24
    SEQUENCE = 25
    GUEST = 30
    REMOVED = 31


CARDS = frozenset({Kind.CONTROL, Kind.PISTON})
LOCKS = frozenset({Kind.LOCK, Kind.LEVEL_LOCK})
OF_THE_STORE = frozenset({Kind.GUEST, Kind.REMOVED})
"""What a store says of a bank, and the bank itself does not know."""


class Key(NamedTuple):
    """Which cell of a bank.

    ``a`` is a level for names, locks and combinations, a control's or a piston's number, a
    stage's, or a sequence's name; ``b`` the piston's number of a combination; else both are 0.
    """

    kind: int
    a: int | str = 0
    b: int = 0


Cells = dict[Key, bytes]
"""What is there: every key with its value, a msgpack object."""


NUMBERS = 2**17
"""The permanent numbers there may be: so many controls, or pistons, in the life of one bank. A
control's is a bit, and one far beyond the others would take all memory."""
_SHORT_BYTES = 0xC4
"""How msgpack begins up to 255 bytes; their number is in the next byte."""


class CellError(Exception):
    """Cells that make no bank: something is wrong with where they come from."""


_FAULTS = (
    AttributeError,
    InvalidOperation,
    LookupError,
    TypeError,
    ValueError,
    msgpack.UnpackException,
)
"""What values of the wrong kinds can raise."""


def seal(key: Key, value: bytes) -> int:
    """A number of 64 bits that a cell shares with no other, nor with itself after a change.

    The sum of a bank's seals, modulo 2**64, says whether all its cells are there unchanged.

    Raises:
        CellError: if it is no cell's key and value.
    """
    kind, a, b = key
    try:
        name = b"%d/%d/%d/" % (kind, a, b) if type(a) is int else f"{kind}/{a}/{b}/".encode()
        return int.from_bytes(blake2b(name + value, digest_size=8).digest(), "big")
    except TypeError:
        raise CellError("a cell has something of the wrong kind in it") from None


def sum_of_seals(cells: Mapping[Key, bytes]) -> int:
    """The sum of the seals of cells, modulo 2**64."""
    return sum(seal(key, value) for key, value in cells.items()) % 2**64


# ---------------------------------------------------------------- ids and their numbers


@define
class Numbering:
    """The permanent numbers of a bank's controls and pistons, by their present ids.

    Those that the bank has no more keep their number, and get it back if they return.
    """

    controls: dict[str, int] = field(factory=dict)
    pistons: dict[str, int] = field(factory=dict)
    next_control: int = 0
    next_piston: int = 0

    @classmethod
    def of(cls, cards: Iterable[tuple[Key, bytes, bool]]) -> "Numbering":
        """From every card a store has, each with whether the bank has it at present.

        Where two had the same id in turn, the present one counts, or else the later number.
        """
        found = cls()
        with _told():
            for key, value, _ in sorted(cards, key=lambda card: (card[2], card[0])):
                numbers = found.controls if key.kind == Kind.CONTROL else found.pistons
                number = _number(key.a)
                numbers[id_of(value)] = number
                if key.kind == Kind.CONTROL:
                    found.next_control = max(found.next_control, number + 1)
                else:
                    found.next_piston = max(found.next_piston, number + 1)
        return found

    def rename(self, renamed: Renames) -> None:
        """Let numbers follow what is called otherwise now: former ids to present ones."""
        for numbers, ids in ((self.controls, renamed.controls), (self.pistons, renamed.pistons)):
            moved = {now: numbers.pop(was) for was, now in ids.items() if was in numbers}
            numbers.update(moved)

    def knows_all_of(self, bank: Bank) -> bool:
        """Whether every id of a bank means something."""
        ids = {card.id for card in bank.controls}
        return ids <= self.controls.keys() and bank.pistons.keys() <= self.pistons.keys()

    def recall(self, former: Iterable[tuple[Key, bytes]], bank: Bank) -> None:
        """Let ids of a bank that mean nothing be those of what is here and was once called so.

        It must not be in the bank as what it is called now. ``former`` are all cards that what is
        here ever had, the newest first.
        """
        former = tuple(former)
        ids = {Kind.CONTROL: {card.id for card in bank.controls}, Kind.PISTON: set(bank.pistons)}
        for kind, numbers in ((Kind.CONTROL, self.controls), (Kind.PISTON, self.pistons)):
            meant = {numbers[name] for name in ids[kind] if name in numbers}
            for key, value in former:
                name, number = id_of(value), _whole(key.a)
                known = name not in ids[kind] or name in numbers or number in meant
                if key.kind == kind and not known:
                    numbers[name] = number
                    meant.add(number)

    def control(self, name: str) -> int:
        """A control's number; a new one's is the next that nothing has had."""
        if name not in self.controls:
            self.controls[name] = self.next_control
            self.next_control += 1
        return self.controls[name]

    def piston(self, name: str) -> int:
        """A piston's number, likewise."""
        if name not in self.pistons:
            self.pistons[name] = self.next_piston
            self.next_piston += 1
        return self.pistons[name]

    def beside(self, now: "Numbering", cells: Mapping[Key, bytes]) -> "Numbering":
        """The same ids when a bank has changed: of what it has no more, what is called so now.

        Where nothing is, they mean what they meant.
        """

        def numbers(kind: Kind, then: dict[str, int], now: dict[str, int]) -> dict[str, int]:
            return {
                name: now[name]
                if Key(kind, number) not in cells and Key(kind, now.get(name, number)) in cells
                else number
                for name, number in then.items()
            }

        return Numbering(
            numbers(Kind.CONTROL, self.controls, now.controls),
            numbers(Kind.PISTON, self.pistons, now.pistons),
        )

    def key(self, slot: Slot) -> Key | None:
        """The cell of a place in the memory; None if nothing was ever there."""
        if slot.stage is not None:
            return Key(Kind.STAGE, slot.stage)
        number = self.pistons.get(slot.piston or "")
        if number is None:
            return None
        if slot.level is None:
            return Key(Kind.FULL_ORGAN, number)
        return Key(Kind.COMBINATION, slot.level, number)

    def translation(self, controls: Iterable[ControlCard]) -> tuple[tuple[int, int], ...]:
        """How to move bits from places in a bank to permanent numbers."""
        return translation((place, self.control(card.id)) for place, card in enumerate(controls))


@frozen
class Names:
    """What permanent numbers stand for: the present id, or the last, of each.

    ``controls`` are by their bit, and so a roster for the bits in cells. ``pistons`` are by
    their number; ``numbers`` is the other way round.
    """

    controls: tuple[ControlCard, ...]
    pistons: dict[int, PistonCard]
    numbers: dict[str, int]

    @classmethod
    def of(cls, cards: Iterable[tuple[Key, bytes, bool]]) -> "Names":
        """From every card a store has, each with whether the bank has it at present."""
        cards = tuple(cards)
        numbers = Numbering.of(cards).pistons
        with _told():
            controls = {
                _number(key.a): value for key, value, _ in cards if key.kind == Kind.CONTROL
            }
            pistons = {_number(key.a): value for key, value, _ in cards if key.kind == Kind.PISTON}
            return cls(
                tuple(_control(controls[bit]) for bit in range(len(controls))),
                {number: _piston(value) for number, value in pistons.items()},
                numbers,
            )

    def on(self, bits: int) -> tuple[ControlCard, ...]:
        """The controls whose bits are set."""
        return tuple(self.controls[bit] for bit in numbers_of(bits))

    def slot(self, key: Key) -> Slot | None:
        """The place in the memory that a cell is; None if it is something else."""
        if key.kind == Kind.STAGE:
            return Slot(stage=_whole(key.a))
        if key.kind == Kind.FULL_ORGAN:
            return Slot(self.pistons[_whole(key.a)].id)
        if key.kind == Kind.COMBINATION:
            return Slot(self.pistons[key.b].id, _whole(key.a))
        return None


# ---------------------------------------------------------------- a bank into cells


def cells_of(bank: Bank, numbering: Numbering) -> Cells:
    """A bank as cells. What is new in it is given its number."""
    runs = numbering.translation(bank.controls)
    number = {name: numbering.piston(name) for name in bank.pistons}

    def packed_bits(bits: int) -> bytes:
        return _packed_bits(translate(bits, runs))

    cells: Cells = {
        Key(Kind.NAME): _packed(bank.name),
        Key(Kind.CONSOLE): _packed(bank.console),
        Key(Kind.PLACE): packed_place(bank),
    }
    if bank.locked:
        cells[Key(Kind.LOCK)] = _packed(bank.verifier)
    for card in bank.controls:
        where = Key(Kind.CONTROL, numbering.control(card.id))
        cells[where] = _packed((card.id, card.label, card.division))
    for piston in bank.pistons.values():
        affects = _bits_bytes(translate(piston.affects, runs))
        cells[Key(Kind.PISTON, number[piston.id])] = _packed(
            (piston.id, piston.label, piston.kind, piston.division, affects)
        )
    for place, level in bank.levels.items():
        if level.name:
            cells[Key(Kind.LEVEL_NAME, place)] = _packed(level.name)
        if level.locked:
            cells[Key(Kind.LEVEL_LOCK, place)] = _packed(level.verifier)
        for name, held in level.combinations.items():
            cells[Key(Kind.COMBINATION, place, number[name])] = packed_combination(held, runs)
    for name, on in bank.full_organs.items():
        cells[Key(Kind.FULL_ORGAN, number[name])] = packed_bits(on)
    for stage, on in bank.stages.items():
        cells[Key(Kind.STAGE, stage)] = packed_bits(on)
    for name, steps in bank.sequences.items():
        cells[Key(Kind.SEQUENCE, name)] = _packed(
            [(format(step.number, "f"), step.level, step.piston, step.note) for step in steps]
        )
    return cells


def packed_place(bank: Bank) -> bytes:
    """Where the player left off, as a cell's value."""
    return _packed((bank.level, bank.sequence, format(bank.place, "f")))


def packed_combination(held: Combination, runs: tuple[tuple[int, int], ...]) -> bytes:
    """A combination as a cell's value: the bits on, or a pair with those left alone."""
    on, neutral = translate(held.on, runs), translate(held.neutral, runs)
    if neutral:
        return _packed((_bits_bytes(on), _bits_bytes(neutral)))
    return _packed_bits(on)


def _packed_bits(bits: int) -> bytes:
    held = _bits_bytes(bits)
    short = len(held) < 256
    return bytes((_SHORT_BYTES, len(held))) + held if short else _packed(held)


def _bits_bytes(bits: int) -> bytes:
    return bits.to_bytes((bits.bit_length() + 7) // 8, "little")


def _packed(value: object) -> bytes:
    return bytes(msgpack.packb(value))


# ---------------------------------------------------------------- cells into a bank


def bank_of(cells: Mapping[Key, bytes]) -> Bank:
    """The bank that cells make.

    Raises:
        CellError: if they make none: a value of the wrong kind, or a bit that no control has.
    """
    try:
        return _bank(cells)
    except _FAULTS as error:
        raise CellError(f"its cells make no bank ({type(error).__name__})") from None


def value_of(key: Key, value: bytes) -> Any:
    """What a cell's value says: a text, a pair, a `Combination`, whatever its kind has.

    Bits are over permanent numbers. Raises as `bank_of` does.
    """
    with _told():
        if key.kind in (Kind.COMBINATION, Kind.FULL_ORGAN, Kind.STAGE):
            return _combination(value)
        if key.kind == Kind.CONTROL:
            return _control(value)
        if key.kind == Kind.PISTON:
            return _piston(value)
        return _steps(value) if key.kind == Kind.SEQUENCE else _unpacked(value)


@contextmanager
def _told() -> Iterator[None]:
    """Say of a value of the wrong kind that it is one."""
    try:
        yield
    except _FAULTS as error:
        raise CellError(f"a cell of it cannot be read ({type(error).__name__})") from None


def id_of(card: bytes) -> str:
    """The id on a control's or a piston's card. Raises as `bank_of` does."""
    with _told():
        return str(_unpacked(card)[0])


def _bank(cells: Mapping[Key, bytes]) -> Bank:
    controls = sorted(_number(key.a) for key in _keys(cells, Kind.CONTROL))
    pistons = {_number(key.a): _piston(cells[key]) for key in sorted(_keys(cells, Kind.PISTON))}
    if len({card.id for card in pistons.values()}) < len(pistons):
        raise ValueError("two pistons have the same id")
    runs = translation((bit, place) for place, bit in enumerate(controls))
    unknown = ~sum(mask for mask, _ in runs)
    in_place = all(shift == 0 for _, shift in runs)

    def moved(bits: int) -> int:
        if bits & unknown:
            raise ValueError("a bit of no control is set")
        return bits if in_place else translate(bits, runs)

    number, sequence, place = _unpacked(cells[Key(Kind.PLACE)])
    bank = Bank(
        console=_text(cells[Key(Kind.CONSOLE)]),
        controls=tuple(_control(cells[Key(Kind.CONTROL, bit)]) for bit in controls),
        pistons={
            card.id: PistonCard(card.id, card.label, card.kind, moved(card.affects), card.division)
            for card in pistons.values()
        },
        name=_text(cells[Key(Kind.NAME)]),
        level=_whole(number),
        sequence=sequence,
        place=Decimal(place),
    )
    if Key(Kind.LOCK) in cells:
        bank.locked, bank.verifier = True, _bytes(cells[Key(Kind.LOCK)])
    owners = {number: card.id for number, card in pistons.items()}
    for (kind, a, b), value in cells.items():
        if kind == Kind.COMBINATION:
            on, neutral = _combination(value)
            held = Combination(moved(on), moved(neutral))
            bank.at(_whole(a)).combinations[owners[b]] = held
        elif kind == Kind.LEVEL_NAME:
            bank.at(_whole(a)).name = _text(value)
        elif kind == Kind.LEVEL_LOCK:
            level = bank.at(_whole(a))
            level.locked, level.verifier = True, _bytes(value)
        elif kind == Kind.FULL_ORGAN:
            bank.full_organs[owners[_whole(a)]] = moved(_combination(value).on)
        elif kind == Kind.STAGE:
            bank.stages[_whole(a)] = moved(_combination(value).on)
        elif kind == Kind.SEQUENCE:
            bank.sequences[str(a)] = _steps(value)
    return bank


def with_cards(
    values: Mapping[Key, bytes | None], cells: Cells, cards: Iterable[tuple[Key, bytes, bool]]
) -> dict[Key, bytes | None]:
    """Changes of cells, and with them every card that the bank would need after them.

    A card that nothing else gives is the last that there was (``cards``).
    """
    last = {key: value for key, value, _ in cards}
    whole = dict(values)
    with _told():
        for _ in range(2):  # a piston's card that comes back may need those of controls
            after = {key: value for key, value in {**cells, **whole}.items() if value is not None}
            whole |= {key: last[key] for key in _used(after) if key not in after and key in last}
    return whole


def _used(cells: Mapping[Key, bytes]) -> set[Key]:
    """The cards that cells need: those of the controls and pistons in the memory of a bank."""
    bits = 0
    needed = set()
    for key, value in cells.items():
        if key.kind in (Kind.COMBINATION, Kind.FULL_ORGAN, Kind.STAGE):
            on, neutral = _combination(value)
            bits |= on | neutral
        if key.kind == Kind.COMBINATION:
            needed.add(Key(Kind.PISTON, key.b))
        elif key.kind == Kind.FULL_ORGAN:
            needed.add(Key(Kind.PISTON, key.a))
        elif key.kind == Kind.PISTON:
            bits |= _piston(value).affects
    return needed | {Key(Kind.CONTROL, bit) for bit in numbers_of(bits)}


def _keys(cells: Iterable[Key], kind: Kind) -> Iterator[Key]:
    return (key for key in cells if key.kind == kind)


def _control(value: bytes) -> ControlCard:
    name, label, division = _unpacked(value)
    return ControlCard(name, tuple(label), division)


def _piston(value: bytes) -> PistonCard:
    name, label, kind, division, affects = _unpacked(value)
    return PistonCard(name, tuple(label), kind, int.from_bytes(affects, "little"), division)


def _steps(value: bytes) -> tuple[Step, ...]:
    return tuple(
        Step(Decimal(number), level, piston, note)
        for number, level, piston, note in _unpacked(value)
    )


def _combination(value: bytes) -> Combination:
    if value[0] == _SHORT_BYTES and value[1] == len(value) - 2:  # most are: bits, none neutral
        return Combination(int.from_bytes(value[2:], "little"))
    found = _unpacked(value)
    on, neutral = (found, b"") if isinstance(found, bytes) else found
    return Combination(int.from_bytes(on, "little"), int.from_bytes(neutral, "little"))


def _unpacked(value: bytes) -> Any:
    return msgpack.unpackb(value)


def _text(value: bytes) -> str:
    found = _unpacked(value)
    if type(found) is not str:
        raise TypeError("not a text")
    return found


def _bytes(value: bytes) -> bytes:
    found = _unpacked(value)
    if type(found) is not bytes:
        raise TypeError("not bytes")
    return found


def _number(number: object) -> int:
    """The permanent number of a control or piston."""
    if not 0 <= _whole(number) < NUMBERS:
        raise ValueError("a number beyond all controls and pistons")
    return _whole(number)


def _whole(number: object) -> int:
    if type(number) is not int:
        raise TypeError("not a whole number")
    return number
