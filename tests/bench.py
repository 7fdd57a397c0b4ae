"""How fast, as ratios of things timed in one run: ``python -m tests.bench``.

Each pair of lines names what is timed, what it is timed beside, their ratio, and the limit that
the ratio is held to. Only ratios count: the microseconds are this machine's. Nothing here is a
test, since a timed test fails when the machine is busy.
"""

import math
import random
import sys
import tracemalloc
from collections.abc import Callable, Iterable
from typing import Any

import mido
import msgpack
from mido.messages import Message

from banks import BankFile, decode, encode
from combination.action import CombinationAction
from combination.events import Event, PistonPressed, PistonReleased, TabMoved
from combination.memory import Bank, Combination, Slot, fresh_bank
from combination.model import (
    Action,
    Board,
    Console,
    Contact,
    Division,
    Keyboard,
    Kind,
    PinMessages,
    Piston,
    Stop,
)
from tests.bench_live import live
from tests.bench_relay import relay
from tests.bench_store import store
from tests.bench_workshop import workshop
from tests.plain_model import NOTHING, Held, Place, PlainMemory, PlainModel
from tests.timing import beside, job, seconds, shown
from tests.transitions_machine import TransitionsMachine

SEED = 1
WIDTH = 128
"""Pins of a board: as many as a channel has notes."""


def console_of(controls: int, *, levels: int = 1000, action: Action = Action.BLIND) -> Console:
    """Tabs on boards of 128 pins, all wired and driven, and 120 generals."""

    def pin(kind: str, number: int) -> str:
        return f"{kind}-{number // WIDTH}.{number % WIDTH + 1}"

    def messages(kind: str, board: int) -> PinMessages:
        return PinMessages(f"{kind}-{board // 16}", board % 16 + 1, first_note=0)

    boards = range(controls // WIDTH + 1)
    return Console(
        format=1,
        name="Bench",
        action=action,
        levels=levels,
        keyboards=(Keyboard("manual", "Manual"),),
        divisions=(Division("manual", "Manual", "manual"),),
        stops=tuple(
            Stop(
                id=f"s{n}",
                label=(f"Stop {n}",),
                division="manual",
                contact=Contact(pin("rail", n)),
                drive_on=pin("on", n),
                drive_off=pin("off", n),
            )
            for n in range(controls)
        ),
        pistons=tuple(Piston(id=f"g{n}", label=(str(n),), kind=Kind.GENERAL) for n in range(120)),
        boards=(
            *(Board(f"rail-{b}", WIDTH, messages("rail", b)) for b in boards),
            *(Board(f"on-{b}", WIDTH, out=messages("on", b)) for b in boards),
            *(Board(f"off-{b}", WIDTH, out=messages("off", b)) for b in boards),
        ),
    )


def bank_of(console: Console, levels: Iterable[int] = (1,)) -> Bank:
    """g0 holds every other control, g1 the rest: each changes all that the other left."""
    bank = fresh_bank(console)
    every_other = sum(1 << n for n in range(0, len(bank.controls), 2))
    for level in levels:
        bank.put(Slot("g0", level), Combination(every_other))
        bank.put(Slot("g1", level), Combination(bank.roster.everything & ~every_other))
    return bank


def pushes(count: int) -> list[Event]:
    """The two generals in turn."""
    return [
        event
        for n in range(count)
        for event in (PistonPressed(f"g{n % 2}"), PistonReleased(f"g{n % 2}"))
    ]


def play(events: list[Event], apart: float = 0.0) -> Callable[[CombinationAction], object]:
    """Give a machine events, so many seconds apart."""

    def work(action: CombinationAction) -> None:
        for number, event in enumerate(events):
            action.receive(event, apart * number)

    return work


def switched_on(console: Console, bank: Bank | None = None) -> Callable[[], CombinationAction]:
    """Switch a console on anew, with this bank or with one at level 1."""
    return lambda: CombinationAction(console, bank or bank_of(console))


def beside_midi() -> None:
    print("An event through the action, 1,000 controls and 120 pistons, beside its MIDI")
    console = console_of(1000)
    notes = [(n // WIDTH, n % WIDTH) for n in range(1000)]

    def build(_: None) -> None:
        for channel, note in notes:
            Message("note_on", channel=channel, note=note, velocity=127)

    building = job(build, lambda: None)
    events = pushes(100)
    for action in (Action.BLIND, Action.LIT, Action.MOVING):
        console = console_of(1000, action=action)
        pushing = job(play(events, apart=1.0), switched_on(console))
        general, messages = seconds(pushing, building)
        name = f"a general that changes all 1,000, {action} action"
        beside(name, general / 100, "mido building 1,000 messages", messages, 1.0)

    stream = [bytes(Message("note_on", channel=c, note=n, velocity=64).bytes()) for c, n in notes]

    def parse(parser: mido.Parser) -> None:
        for data in stream:
            parser.feed(data)
            parser.get_message()

    tabs: list[Event] = [TabMoved(f"s{n}", True) for n in range(1000)]
    console = console_of(1000)

    def with_all_governed() -> CombinationAction:
        action = CombinationAction(console, bank_of(console))
        action.receive(PistonPressed("g0"), 0.0)
        return action

    consoles = {
        "a tab": switched_on(console),
        "a tab while all are governed": with_all_governed,
    }
    for name, make in consoles.items():
        moving, parsing, made = seconds(job(play(tabs), make), job(parse, mido.Parser), building)
        half = (parsing + made) / len(tabs) / 2
        what = "20 µs or half its message's parse and build"
        beside(name, moving / len(tabs), what, max(20e-6, half), 1.0)


def beside_other_machines() -> None:
    print("\nThe same events through other machines, 1,000 controls")
    console = console_of(1000)
    bank = bank_of(console)
    rng = random.Random(SEED)
    events = pushes(20)
    for place in range(len(events), 0, -2):
        events[place:place] = [
            TabMoved(f"s{rng.randrange(1000)}", rng.random() < 0.5) for _ in range(4)
        ]
    held = {
        name: frozenset(bank.roster.registration(combination.on))
        for name, combination in bank.levels[1].combinations.items()
    }

    def plain() -> PlainModel:
        places: dict[Place, Held] = {(n, 1, None): (on, NOTHING) for n, on in held.items()}
        return PlainModel(console, PlainMemory(places))

    def play_plain(model: PlainModel) -> set[str]:
        for event in events:
            model.receive(event, 0.0)
            sounding, _ = model.sounding, model.lit
        return set(sounding)

    def play_transitions(machine: TransitionsMachine) -> set[str]:
        for event in events:
            machine.receive(event)
        return machine.sounding()

    ours = switched_on(console, bank)
    action = ours()
    play(events)(action)
    ends = [set(bank.roster.registration(action.sounding)), play_plain(plain())]
    ends.append(play_transitions(TransitionsMachine(console, held)))
    if not ends[0] == ends[1] == ends[2]:
        sys.exit("the three machines do not agree: their times mean nothing")
    mine, by_sets, by_transitions = seconds(
        job(play(events), ours),
        job(play_plain, plain),
        job(play_transitions, lambda: TransitionsMachine(console, held)),
    )
    beside(f"{len(events)} events", mine, "the plain-set model", by_sets, 0.1)
    beside(f"{len(events)} events", mine, "PyPI transitions", by_transitions, 0.1)


def growth() -> None:
    print("\nWhat a push of a general costs as the console grows")
    events = pushes(500)
    sizes = (10, 100, 1000)
    times = seconds(*(job(play(events), switched_on(console_of(size))) for size in sizes))
    for size, time in zip(sizes, times, strict=True):
        print(f"  {size} controls: {shown(time / 500)}")
    print(f"    ratio 1,000 to 10: {times[-1] / times[0]:.3g}")
    console = console_of(100)
    many = bank_of(console, range(1, 1001))
    many.level = 1000
    on_many, on_one = seconds(
        job(play(events), switched_on(console, many)), job(play(events), switched_on(console))
    )
    beside("1,000 levels", on_many / 500, "1 level", on_one / 500, 1.25)


def full_bank() -> tuple[Bank, list[int]]:
    """1,000 levels of 100 pistons over 300 controls, about a third of them on."""
    console = console_of(300)
    bank = fresh_bank(console)
    rng = random.Random(SEED)
    rows = []
    for level in range(1, 1001):
        for piston in range(100):
            on = rng.getrandbits(300) & (rng.getrandbits(300) | rng.getrandbits(300))
            rows.append(on)
            bank.put(Slot(f"g{piston}", level), Combination(on))
    return bank, rows


def entropy(rows: list[int], width: int) -> float:
    """Bytes that the rows would take at the entropy of a bit that is on as often as these are."""
    share = sum(row.bit_count() for row in rows) / (len(rows) * width)
    bits = -(share * math.log2(share) + (1 - share) * math.log2(1 - share))
    return len(rows) * width * bits / 8


def bank_files() -> None:
    print("\nA bank of 1,000 levels, 100 pistons, 300 controls")
    tracemalloc.start()
    bank, rows = full_bank()
    held = tracemalloc.get_traced_memory()[0]
    tracemalloc.stop()
    row_bytes = (300 + 7) // 8
    data = encode(BankFile(bank))
    packed = msgpack.packb([row.to_bytes(row_bytes, "little") for row in rows])

    def pack(_: None) -> Any:
        return msgpack.packb([row.to_bytes(row_bytes, "little") for row in rows])

    def unpack(_: None) -> list[int]:
        return [int.from_bytes(row, "little") for row in msgpack.unpackb(packed)]

    if decode(data).bank != bank or unpack(None) != rows:
        sys.exit("the bank did not come back: its times mean nothing")
    encoding, packing, decoding, unpacking = seconds(
        job(lambda _: encode(BankFile(bank)), lambda: None),
        job(pack, lambda: None),
        job(lambda _: decode(data), lambda: None),
        job(unpack, lambda: None),
    )
    beside("encode", encoding, "msgpack packing the bits as bytes", packing, 3)
    beside("decode", decoding, "msgpack unpacking them", unpacking, 3)
    least = entropy(rows, 300)
    print(f"  file: {len(data):,} bytes; entropy of its combinations: {least:,.0f} bytes")
    print(f"    ratio {len(data) / least:.3g}")
    print(f"  held in memory: {held:,} bytes; ratio to the file {held / len(data):.3g}")


def main() -> None:
    beside_midi()
    beside_other_machines()
    growth()
    bank_files()
    relay()
    store(full_bank)
    workshop()
    live()


if __name__ == "__main__":
    main()
