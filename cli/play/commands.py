"""For the organist and the technician: a console played, by its ports or from this keyboard.

The command joins ports, store, screen and logs to a console and lets it play. What each of them
does is said in its own module.
"""

import gc
import signal
import sys
import threading
import time
import traceback
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, nullcontext
from datetime import datetime
from pathlib import Path
from queue import SimpleQueue
from typing import Any

import click

from banks.database import StoreError
from cli.cautions import CAUTIONS
from cli.files import read_console_file, shown
from cli.output import json_option, refuse, say
from cli.play.cables import Cable
from cli.play.display import Display
from cli.play.glance import Teller, glance
from cli.play.hand import ByHand
from cli.play.loop import Ask, Loop, Stop, by_port
from cli.play.memory import Memory
from cli.play.playing import Playing
from cli.play.scribe import Recorder, Scribe, in_log
from cli.play.typed import Typed
from cli.play.where import Nowhere, Where, wheres_of
from cli.rehearsal.port_log import BEGINNING, Way
from combination.memory import Bank, fresh_bank
from combination.model import Console
from combination.ports import ports_of

PATIENCE = 5.0
"""Seconds for the logs to be written when the console is switched off."""

SWITCH_AT = 0.0005
"""Seconds after which Python lets another thread have its turn: a tenth of the usual, since what
is shown on the screen must not keep a key waiting."""

ENDS = ("quit", "exit")
"""What is typed to switch off."""


@click.command()
@click.argument("console_file", type=click.Path(path_type=Path))
@click.argument("store_file", type=click.Path(path_type=Path), required=False)
@click.option(
    "--player",
    metavar="NAME",
    help="Play from this player's bank, now and at later switch-ons; a guest's gives way to the "
    "owner's at the next. [default: the bank that is on the desk]",
)
@click.option(
    "--port",
    "joined",
    multiple=True,
    metavar="NAME=WHERE",
    help="Where a port of the console file leads. WHERE is the name of a MIDI port of this "
    "computer, connect:HOST:PORT, listen:HOST:PORT, serial:DEVICE[@BAUD], device:PATH, or nowhere. "
    "May be given several times. A port not named here is joined as the console file says, or to "
    "the MIDI port of its own name.",
)
@click.option(
    "--record",
    "record_to",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Write everything that comes in and goes out to a new file, which `stopwright rehearse` "
    "plays again.",
)
@click.option(
    "--faults",
    "faults_to",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Where faults are logged, with their times. [default: STORE_FILE.faults; without a store "
    "none are logged]",
)
@click.option(
    "--by-hand",
    is_flag=True,
    help="Work the console from this keyboard, wired or not: type the id of a piston or a tab, "
    "help, quit, or what a rehearsal would say is done (stopwright rehearse --language). No port "
    "is opened but those joined with --port.",
)
@click.option(
    "--plain",
    is_flag=True,
    help="Print lines of what changes, as is done anyway where there is no terminal.",
)
@json_option
def play(
    console_file: Path,
    store_file: Path | None,
    player: str | None,
    joined: Sequence[str],
    record_to: Path | None,
    faults_to: Path | None,
    by_hand: bool,
    plain: bool,
    as_json: bool,
) -> None:
    """Play a console, until Ctrl-C, a signal to end, or a typed `quit`.

    Contacts come in by the ports of CONSOLE_FILE, lamps, driven tabs and pipes go out. What is
    set goes into the player's bank in STORE_FILE before it is acknowledged; without a store
    nothing is kept. A port that is lost is taken up again when it comes back, and everything
    else plays on meanwhile.

    Exit code 0 when it is switched off, whatever faults were told meanwhile; 2 if it could not
    begin, or could not finish what it had to write or turn off.
    """
    console = read_console_file(console_file)
    try:
        wheres = wheres_of(console, joined, unplugged=by_hand)
    except ValueError as error:
        refuse(str(error))
    box: SimpleQueue[object] = SimpleQueue()
    memory, bank = _memory(console, store_file, player, box)
    log = faults_to or (store_file.with_name(store_file.name + ".faults") if store_file else None)
    if not (as_json or by_hand):
        _caution(console, log)
    hand = ByHand(console) if by_hand else None
    playing = Playing(
        console,
        bank,
        lambda: datetime.now().astimezone(),
        at=time.perf_counter(),
        keeps=memory is not None,
        unwired=by_hand,
        witness=hand.following(box) if hand else lambda _effects, _at: None,
    )
    loop = Loop(playing, _cables(console, wheres, box), memory, box, _silence(playing))
    typed = None if hand is None else _typed(hand, box)
    scribes = _scribes(loop, log, record_to)
    reading = nullcontext() if typed is None else typed.reading()
    with _signals(box), _failures(box), reading:
        display = Display(
            loop,
            Teller(console, bank.name),
            as_json=as_json,
            plain=plain,
            unkept=lambda: 0 if memory is None else memory.waiting,
            typed=typed,
        )
        _run(loop, display, scribes)


def _run(loop: Loop, display: Display, scribes: Sequence[Scribe]) -> None:
    """Let it play; a fault of our own ends it as it should be ended, and is told."""
    sys.setswitchinterval(SWITCH_AT)
    gc.collect()
    gc.freeze()  # a whole bank is there for good: going through it again would keep a key waiting
    display.start()
    failed = ""
    try:
        loop.run()
    except Exception as error:
        loop.playing.faults.found("program", "".join(traceback.format_exception(error)))
        failed = f"the program itself has failed: {error!r}"
    finally:
        display.stop()
        undone = loop.end()
        undone += filter(None, [scribe.close(PATIENCE) for scribe in scribes])
        display.last(glance(loop.playing))
    if failed or undone:
        refuse("switched off, but " + "; ".join(filter(None, [failed, *undone])))


def _typed(hand: ByHand, box: "SimpleQueue[object]") -> Typed:
    """What is typed goes to the console; ``quit``, or the end of what there is, switches it off."""

    def done(line: str) -> None:
        box.put(Stop() if line in ENDS else Ask(lambda loop: hand.do(line, loop)))

    return Typed(done, hand.names, lambda: box.put(Stop()))


def _memory(
    console: Console, store: Path | None, player: str | None, box: "SimpleQueue[object]"
) -> tuple[Memory | None, Bank]:
    if store is None:
        if player is not None:
            refuse("--player is a player's name in a store: say which store")
        return None, fresh_bank(console, "nobody: nothing that is set is kept")
    memory = Memory(str(store), console, player, box)
    try:
        return memory, memory.begin()
    except StoreError as error:
        refuse(str(error))


def _cables(
    console: Console, wheres: dict[str, Where], box: "SimpleQueue[object]"
) -> dict[str, Cable]:
    senses = {port.id: port.active_sensing for port in console.ports}
    return {
        name: Cable(
            name,
            wheres[name],
            box,
            listens=use.listens,
            sends=use.sends,
            senses=senses.get(name, True),
        )
        for name, use in ports_of(console).items()
        if not isinstance(wheres[name], Nowhere)
    }


def _silence(playing: Playing) -> dict[str, list[bytes]]:
    """What turns everything off, port by port, made ready."""
    instrument = playing.instrument
    return by_port(instrument.wiring.sent(instrument.silence()))


def _caution(console: Console, log: Path | None) -> None:
    """At the first start of a console that drives coils, what can hurt whom."""
    first = log is None or not log.exists()
    if first and _drives_coils(console):
        for line in CAUTIONS:
            say(line)
        say()


def _drives_coils(console: Console) -> bool:
    """Whether the console file says of anything that it is a coil: a tab's, or one with a limit."""
    limits = [rank.longest_on for rank in console.ranks]
    limits += [division.out.longest_on for division in console.divisions if division.out]
    limits += [control.out.longest_on for control in console.controls if control.out]
    return any(limits) or any(control.drive_on for control in console.controls)


def _scribes(loop: Loop, log: Path | None, record_to: Path | None) -> list[Scribe]:
    """Who writes faults and a recording while it plays."""
    scribes = []
    try:
        if log is not None:
            scribe = _scribe(loop, log, "log of faults")
            scribes.append(scribe)
            loop.playing.faults.tell = lambda fault: scribe.write(in_log(fault))
        if record_to is not None:
            if record_to.exists():
                refuse(f"{shown(record_to)}: it is there already")
            scribes.append(_scribe(loop, record_to, "recording", BEGINNING))
            recorder = Recorder(scribes[-1], time.perf_counter())
            loop.happened, loop.sent = recorder.happened, recorder.sent
            loop.playing.on_lost = lambda port, at: recorder.happened(Way.LOST, port, at)
    except OSError as error:
        refuse(f"{shown(Path(error.filename))}: it cannot be written: {error.strerror}")
    return scribes


def _scribe(loop: Loop, path: Path, kind: str, first: str = "") -> Scribe:
    """Who writes one file. That it cannot be written is a fault like others."""
    what = f"the {kind} {shown(path)}"

    def fails(why: str) -> None:
        faults = loop.playing.faults
        if why:
            found = f"{what} cannot be written: {why}"
            loop.box.put(Ask(lambda _: faults.found(("file", path), found)))
        else:
            loop.box.put(Ask(lambda _: faults.over(("file", path))))

    return Scribe(path, what, fails, first=first)


@contextmanager
def _failures(box: "SimpleQueue[object]") -> Iterator[None]:
    """A thread of ours that fails, the screen's for one, is a fault like others, and no more."""

    def fails(what: threading.ExceptHookArgs) -> None:
        name = what.thread.name if what.thread is not None else "a thread"
        words = f"the program itself fails at its {name}: {what.exc_value!r}"
        box.put(Ask(lambda loop: loop.playing.faults.found(("thread", name), words)))

    before, threading.excepthook = threading.excepthook, fails
    try:
        yield
    finally:
        threading.excepthook = before


@contextmanager
def _signals(box: "SimpleQueue[object]") -> Iterator[None]:
    """What asks a program to end switches the console off."""
    before: dict[Any, Any] = {}
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK"):
        number = getattr(signal, name, None)
        if number is not None:
            before[number] = signal.signal(number, lambda *_: box.put(Stop()))
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
