"""A console played without a rest: nothing grows, nothing is late, nothing sounds that should not.

A minute in real time, through the running program and sockets; ``STOPWRIGHT_SOAK_MINUTES`` has it
go on for longer, for a night or a week.
"""

import json
import os
import signal
from contextlib import suppress
from pathlib import Path
from random import Random
from time import monotonic, sleep
from typing import Any

from banks.store import Store, create_store
from combination.memory import fresh_bank
from combination.reading import read_console
from tests.figures import Figures
from tests.live import (
    FLUTE,
    G1,
    GC,
    GEDACKT,
    GENERALS,
    LEFT_MARK,
    OCTAVE,
    PRINCIPAL,
    RANKS,
    REED,
    SET,
    SW_GT,
    Listening,
    Partner,
    Program,
    great,
    lamp,
    oxmarsh,
    playing,
    push,
    swell,
    tab,
)

MINUTES = float(os.environ.get("STOPWRIGHT_SOAK_MINUTES", "1"))
A_SECOND = 25
"""Things done in a second: more than two hands and two feet do."""
LATE = 0.25
"""Seconds after which a message is late even on a computer that tests keep busy; the figures say
what it was."""
GROWTH = 2048
"""KiB that may be needed more at the end than after a quarter of the time: caches fill, and the
memory that Python gives back it gives back in pieces."""
KEYS = range(36, 96)
TABS = (FLUTE, PRINCIPAL, REED, GEDACKT, OCTAVE, SW_GT)
CHANNELS = frozenset(RANKS.values())


class Hands:
    """Somebody who plays both keyboards, and works tabs and pistons, at random."""

    def __init__(self, random: Random) -> None:
        self.random = random
        self.down: set[bytes] = set()
        self.tabs: dict[int, bool] = dict.fromkeys(TABS, False)
        self.done = 0

    def do(self) -> bytes:
        """The bytes of the next thing that they do."""
        self.done += 1
        chance = self.random.random()
        if chance < 0.9:
            keyboard, key = self.random.choice((great, swell)), self.random.choice(KEYS)
            stroke = keyboard(key, True)
            (self.down.discard if stroke in self.down else self.down.add)(stroke)
            return keyboard(key, stroke in self.down)
        if chance < 0.95:
            which = self.random.choice(TABS)
            self.tabs[which] = not self.tabs[which]
            return tab(which, self.tabs[which])
        piston = G1 + self.random.randrange(GENERALS)
        return push(SET, piston) if chance < 0.96 else push(piston if chance < 0.99 else GC)

    def rest(self) -> bytes:
        """Every key let go."""
        up = b"".join(bytes((stroke[0] - 0x10, *stroke[1:])) for stroke in self.down)
        self.down.clear()
        return up


def by_port(data: bytes) -> dict[str, bytes]:
    """Bytes for each keyboard's own port: the right one is heard on channels 4 and 5."""
    found = {"left": b"", "right": b""}
    for place in range(0, len(data), 3):
        message = data[place : place + 3]
        found["right" if message[0] & 0x0F in (3, 4) else "left"] += message
    return found


def held(process: int) -> int:
    """KiB of memory that a process has of its own (proc(5), ``VmRSS``)."""
    status = Path(f"/proc/{process}/status").read_text()
    return int(status.split("VmRSS:")[1].split()[0])


def silent(partners: dict[str, Partner]) -> bool:
    """Whether no pipe sounds at either chest."""
    return not any(
        channel in CHANNELS for name in ("chest", "loft") for channel, _ in partners[name].on
    )


def latency(program: Program) -> dict[str, Any]:
    """What the program has measured last."""
    for line in reversed(program.lines):
        with suppress(ValueError):
            return dict(json.loads(line)["latency"])
    raise AssertionError(program.errors)


def test_a_minute_without_a_rest(tmp_path: Path, figures: Figures) -> None:
    text = oxmarsh()
    console = tmp_path / "oxmarsh.toml"
    console.write_text(text, encoding="utf-8")
    create_store(tmp_path / "organ.store")
    with Store(tmp_path / "organ.store") as store:
        store.add(fresh_bank(read_console(text), "Ruth Ellery"))
    names = ("left", "right", "chest", "loft")
    partners: dict[str, Partner] = {name: Listening() for name in names}
    hands, rests, early = Hands(Random(5)), 0, 0
    with partners["left"], partners["right"], partners["chest"], partners["loft"]:
        with playing(console, partners, tmp_path / "organ.store", "--json") as program:
            began = monotonic()
            while (now := monotonic() - began) < 60 * MINUTES:
                if not early and now > 15 * MINUTES:
                    early = held(program.process.pid)
                data = hands.do() if hands.done % (5 * A_SECOND) else hands.do() + hands.rest()
                for port, part in by_port(data).items():
                    if part:
                        partners[port].say(part)
                if not hands.down:
                    rests += 1
                    mark = len(partners["left"].heard)
                    partners["left"].say(tab(LEFT_MARK, bool(rests % 2)))
                    partners["left"].next(lamp((3, 31), bool(rests % 2)), mark)
                    for name in ("chest", "loft"):
                        partners[name].until(lambda: silent(partners))
                    for partner in partners.values():
                        partner.heard.clear()
                sleep(1 / A_SECOND)
            late = held(program.process.pid)
            measured = latency(program)
            program.send(signal.SIGTERM)
            assert program.ended() == 0, program.errors
        assert silent(partners)
    figures(
        f"{MINUTES:g} minutes in real time: {hands.done} things done, {rests} rests without a "
        f"cipher; memory {early} KiB after a quarter, {late} KiB at the end; of "
        f"{measured['count']} passages median {measured['median'] * 1e3:.2f} ms, 99 of 100 within "
        f"{measured['late'] * 1e3:.2f} ms, worst {measured['worst'] * 1e3:.2f} ms"
    )
    assert rests > 5 * MINUTES
    assert late - early < GROWTH
    assert measured["worst"] < LATE
