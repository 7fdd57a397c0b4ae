"""How fast the relay is, as ratios of things timed in one run; a part of ``tests.bench``."""

import random
import sys
from collections import deque
from collections.abc import Callable, Iterator
from fractions import Fraction
from functools import partial
from importlib.resources import files
from io import BytesIO
from time import perf_counter

import mido
from mido.messages import Message

from cli.rehearsal.midi_files import Played, read_recording
from combination.effects import Effect, OutputsOff, OutputsOn
from combination.events import KeyMoved, PistonPressed, PistonReleased
from combination.instrument import Instrument
from combination.memory import Bank, Combination, Slot, fresh_bank
from combination.midi import Edge, Wiring
from combination.model import (
    Action,
    Console,
    Coupler,
    Division,
    Keyboard,
    Kind,
    Piston,
    Rank,
    RankOut,
    Stop,
)
from combination.organ import Organ
from combination.outputs import Sent
from combination.reading import read_console
from combination.relay import Relay
from tests.counting_relay import CountingRelay, Turned
from tests.timing import beside, job, seconds, shown

SEED = 1
BYTE = 320e-6
"""Seconds that a byte takes on a five-pin cable (MIDI 1.0: 31,250 baud, ten bits a byte)."""
FINGERS = {"d0": (36, 43), "d1": (48, 52, 55, 60, 64), "d2": (60, 64, 67, 72, 76)}
"""Two feet and ten fingers, by keyboard."""
PITCHES = tuple(Fraction(feet) for feet in ("16", "8", "8", "8", "4", "4", "8/3", "2"))
FEET = Fraction(16)
Act = Callable[[Organ, int], list[Effect]]


def console_of(stops: int, ranks: int = 100, couplers: int = 60, divisions: int = 5) -> Console:
    """Unit ranks of 97 pipes drawn at all pitches, and couplers between all keyboards."""
    rng = random.Random(SEED)
    names = [f"d{n}" for n in range(divisions)]
    return Console(
        format=1,
        name="Bench",
        action=Action.BLIND,
        keyboards=tuple(Keyboard(d, d, keys=61 if n else 32) for n, d in enumerate(names)),
        divisions=tuple(Division(d, d, d) for d in names),
        ranks=tuple(
            Rank(f"r{n}", f"r{n}", pitch=FEET, pipes=97, out=(RankOut(f"p{n // 16}", n % 16 + 1),))
            for n in range(ranks)
        ),
        stops=tuple(
            Stop(
                id=f"s{n}",
                label=("s",),
                division=names[n % divisions],
                rank=f"r{rng.randrange(ranks)}",
                pitch=rng.choice(PITCHES),
            )
            for n in range(stops)
        ),
        couplers=tuple(
            Coupler(
                id=f"c{n}",
                label=("c",),
                keys=names[n % divisions],
                plays=names[n // divisions % divisions],
                shift=(12, -12, 0)[n // divisions**2],
            )
            for n in range(couplers)
        ),
        pistons=(
            Piston(id="all", label=("All",), kind=Kind.GENERAL),
            Piston(id="none", label=("None",), kind=Kind.GENERAL),
        ),
    )


def bank_of(console: Console) -> Bank:
    bank = fresh_bank(console)
    bank.put(Slot("all", 1), Combination(bank.roster.everything))
    bank.put(Slot("none", 1), Combination(0))
    return bank


def organ_of(console: Console, *, full: bool = True) -> Organ:
    """An organ with ten fingers and two feet down, everything drawn or nothing."""
    organ = Organ(console, bank_of(console))
    if full:
        push(organ, "all")
    for keyboard, keys in FINGERS.items():
        for key in keys:
            organ.receive(KeyMoved(keyboard, key, True), 0.0)
    return organ


def push(organ: Organ, piston: str) -> list[Effect]:
    effects = organ.receive(PistonPressed(piston), 0.0)
    return effects + organ.receive(PistonReleased(piston), 0.0)


def percentile(times: list[float], part: float) -> float:
    return sorted(times)[int(len(times) * part)]


def each_time(work: Callable[[int], object], times: int) -> list[float]:
    """How long each of many takes, one after another."""
    found = []
    for number in range(times):
        began = perf_counter()
        work(number)
        found.append(perf_counter() - began)
    return found


def beside_midi() -> None:
    print("\n300 stops, 100 ranks, 60 couplers, all drawn, ten fingers and two feet down")
    console = console_of(300)

    def key(organ: Organ, number: int) -> list[Effect]:
        return organ.receive(KeyMoved("d1", 57, number % 2 == 0), 0.0)

    def general(organ: Organ, number: int) -> list[Effect]:
        return push(organ, ("none", "all")[number % 2])

    beside_its_messages("a key", key, console, BYTE)
    beside_its_messages("a general", general, console, 3 * BYTE)


def beside_its_messages(what: str, act: Act, console: Console, allowed: float) -> None:
    wiring = Wiring(console)

    def twice(organ: Organ) -> list[Sent]:
        return wiring.sent([*act(organ, 0), *act(organ, 1)])

    def hundred(organ: Organ) -> None:
        for number in range(100):
            act(organ, number)

    def build(sent: list[Sent]) -> None:
        for _, each in sent:
            Message(each.type, channel=each.channel, note=each.note, velocity=each.velocity)

    full = partial(organ_of, console)
    sent = twice(full())
    ours, building, to_messages = seconds(
        job(hundred, full), job(build, lambda: sent), job(twice, full)
    )
    beside(what, ours / 100, f"mido building its {len(sent) // 2} messages", building / 2, 1.0)
    print(f"    with its messages looked up: {shown(to_messages / 2)}")
    organ = full()
    late = percentile(each_time(lambda number: act(organ, number), 2000), 0.99)
    within = "within" if late < allowed else "NOT within"
    print(f"    99th percentile {shown(late)}: {within} {shown(allowed)} on a five-pin cable")


def beside_counting() -> None:
    print("\nThe same, beside a machine with dictionaries and reference counts")
    console = console_of(300)
    everything = frozenset(control.id for control in console.controls)
    full = (1 << len(everything)) - 1

    def ours() -> Relay:
        relay = Relay(console)
        relay.register(full, 0.0)
        for keyboard, keys in FINGERS.items():
            for each in keys:
                relay.receive(KeyMoved(keyboard, each, True), 0.0)
        return relay

    def theirs() -> CountingRelay:
        counting = CountingRelay(console)
        counting.register(everything)
        for keyboard, keys in FINGERS.items():
            for each in keys:
                counting.key(keyboard, each, True)
        return counting

    moved = [KeyMoved("d1", 57, down) for down in (True, False)]

    def keys(relay: Relay) -> Iterator[list[Effect]]:
        return (relay.receive(moved[n % 2], 0.0) for n in range(500))

    def counted_keys(counting: CountingRelay) -> Iterator[list[Turned]]:
        return (counting.key("d1", 57, n % 2 == 0) for n in range(500))

    def registrations(relay: Relay) -> Iterator[list[Effect]]:
        return (relay.register(full * (n % 2), 0.0) for n in range(50))

    def counted_registrations(counting: CountingRelay) -> Iterator[list[Turned]]:
        return (counting.register(everything if n % 2 else frozenset()) for n in range(50))

    def compare(
        what: str,
        mine: Callable[[Relay], Iterator[list[Effect]]],
        other: Callable[[CountingRelay], Iterator[list[Turned]]],
        times: int,
    ) -> None:
        told, counted = map(pipes_of, mine(ours())), map(set, other(theirs()))
        if any(ours_now != theirs_now for ours_now, theirs_now in zip(told, counted, strict=True)):
            sys.exit("the two machines do not agree: their times mean nothing")
        fast, listed, slow = seconds(
            job(lambda relay: deque(mine(relay), maxlen=0), ours),
            job(lambda relay: deque(map(pipes_of, mine(relay)), maxlen=0), ours),
            job(lambda counting: deque(other(counting), maxlen=0), theirs),
        )
        beside(what, fast / times, "counting", slow / times, 0.2)
        print(f"    with every pipe put in a set as well: {shown(listed / times)}")

    compare("a key", keys, counted_keys, 500)
    compare("all stops and couplers off or on", registrations, counted_registrations, 50)


def pipes_of(effects: list[Effect]) -> set[Turned]:
    return {
        (rank, pipe, isinstance(effect, OutputsOn))
        for effect in effects
        if isinstance(effect, OutputsOff | OutputsOn)
        for rank, pipes in effect.pipes
        for pipe in pipes
    }


def growth() -> None:
    print("\nWhat a key costs as the console grows, and as more is drawn")
    rng = random.Random(SEED)
    fixed = [(stops, 30) for stops in (30, 300, 3000)]
    drawn = [(3000, number) for number in (30, 100, 300, 1000, 3000)]

    def drawing(stops: int, number: int) -> Relay:
        console = console_of(stops, ranks=max(stops // 3, 10), couplers=10)
        relay = Relay(console)
        relay.register(sum(1 << n for n in rng.sample(range(stops), number)), 0.0)
        for keyboard, keys in FINGERS.items():
            for key in keys:
                relay.receive(KeyMoved(keyboard, key, True), 0.0)
        return relay

    relays = {case: drawing(*case) for case in dict.fromkeys(fixed + drawn)}

    def play(relay: Relay) -> None:
        for number in range(100):
            relay.receive(KeyMoved("d1", 57, number % 2 == 0), 0.0)

    jobs = [job(play, partial(_same, relay)) for relay in relays.values()]
    times = dict(zip(relays, seconds(*jobs), strict=True))
    for stops, number in fixed:
        print(f"  {number} drawn of {stops}: {shown(times[stops, number] / 100)}")
    beside("30 drawn of 3,000", times[3000, 30] / 100, "of 30", times[30, 30] / 100, 1.5)
    for stops, number in drawn:
        print(f"  {number} drawn of {stops}: {shown(times[stops, number] / 100)}")
    each = times[3000, 3000] / 3000, times[3000, 300] / 300
    beside("a drawn stop of 3,000", each[0] / 100, "of 300", each[1] / 100, 1.5)


def _same(relay: Relay) -> Relay:
    return relay


def an_hour() -> None:
    """Keys and pistons of a recording, through contacts, action and relay, to messages out."""
    console = read_console(files("cli").joinpath("demos/theatre.toml").read_text("utf-8"))
    played = [e for e in read_recording(dense_hour(console)).entries if isinstance(e, Played)]
    bank = fresh_bank(console)
    rng = random.Random(SEED)
    for general in range(1, 11):
        bank.put(Slot(f"g{general}", 1), Combination(rng.getrandbits(len(bank.controls))))
    instrument = Instrument(console, bank)
    sent = 0
    began = perf_counter()
    for event in played:
        effects = instrument.message(event.message, event.at, "console")
        sent += len(instrument.wiring.sent(effects))
    took = perf_counter() - began
    print("\nAn hour of dense playing, from a MIDI file to messages, on the theatre console")
    print(f"  {len(played):,} messages in, {sent:,} out: {took:.1f} s")
    print(f"    {3600 / took:.0f} times faster than real time")


def dense_hour(console: Console) -> bytes:
    """Four voices moving eight times a second, a general every five seconds."""
    rng = random.Random(SEED)
    wiring = Wiring(console)
    pins = {name: f"{name}-keys" for name in ("great", "accomp", "solo", "pedal")}
    track = mido.MidiTrack()
    waited = 0
    for eighth in range(3600 * 8):
        heard = []
        if eighth % 40 == 0:
            pin = f"thumb.{eighth // 40 % 10 + 1}"
            heard += [Edge(pin, True), Edge(pin, False)]
        for number, board in enumerate(pins.values()):
            keys = 32 if board.startswith("pedal") else 61
            here, there = f"{board}.{1 + (eighth * 7 + number) % keys}", rng.randrange(2)
            heard += [Edge(here, True), Edge(here, False)] if there else []
        for each in heard:
            spoken = wiring.spoken(each)
            if spoken is not None:
                track.append(spoken[1].copy(time=waited))
                waited = 30
        waited = max(125 - 30 * max(len(heard) - 1, 0), 0) if heard else waited + 125
    whole = BytesIO()
    mido.MidiFile(type=0, ticks_per_beat=500, tracks=[track]).save(file=whole)
    return whole.getvalue()


def relay() -> None:
    beside_midi()
    beside_counting()
    growth()
    an_hour()


if __name__ == "__main__":
    relay()
