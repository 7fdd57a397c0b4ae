"""For the organist: a bank sent, and received, over a MIDI cable.

What is said when, and what becomes of it, is for the machines of `banks.filedump` to know; here
they are given ports and a clock, and a person is told how far it has come.
"""

import os
import signal
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from functools import partial
from pathlib import Path
from typing import Any, Protocol, TextIO

import click

from banks import BankFileError, decode_any, encode, write_bank_file
from banks.dumpmessages import packets, seconds_on_cable
from banks.filedump import (
    PATIENCE,
    Announced,
    Effect,
    Failed,
    Finished,
    Handshaking,
    Progress,
    Received,
    Receiver,
    Send,
    Sender,
)
from cli.bank.edits import BANK
from cli.bank.files import looked_at
from cli.bank.midi import lasting
from cli.bank.places import BankPlace, check_new, refusing
from cli.files import shown
from cli.naming import plural
from cli.output import answer_no, refuse, say
from cli.ports import Ends, Port, Way, find, quiet, there, unnamed

_NAP = 0.002
"""Seconds between two looks at what has come in: a twentieth of what a packet takes. rtmidi could
call us, but then JACK's real-time thread, and with it all that sounds, would wait for Python."""

_PORT = click.option(
    "--port", metavar="NAME", help="The MIDI port, or a part of its name. Without it: a list."
)
_NO_ANSWERS = click.option(
    "--no-answers", is_flag=True, help="There is a cable for the bank, and none for answers."
)


# ---------------------------------------------------------------- the two commands


@click.command()
@BANK
@_PORT
@click.option("--in", "back", metavar="NAME", help="Where answers come in, if not there too.")
@_NO_ANSWERS
def send(file: BankPlace, port: str | None, back: str | None, no_answers: bool) -> None:
    """Send a bank over a MIDI cable.

    Whatever takes files by the MIDI File Dump standard can receive it, as can stopwright bank
    receive on another computer: start that first. How long it will take is said beforehand: a
    full bank takes tens of minutes.

    If nobody answers, all is sent once, slowly. Whether it has arrived is not known then, and
    the exit code is 1, unless --no-answers has said so.
    """
    look = looked_at(file)
    with refusing():
        data = encode(look.file)
    sender = Sender(data, look.file.bank.name or look.found.file.stem)
    with quiet() as screen:
        ports = _ports(Way.OUT, port, back, no_answers)
        size = f"{len(data):,} bytes in {plural(packets(len(data)), 'packet')}"
        begun = (
            f"{shown(file)}, a bank of {look.file.bank.console}: {size}\n"
            f"On a five-pin cable: {_cable_time(len(data), no_answers)}"
        )
        outcome = _run(sender, ports, begun, _Telling("Sending", no_answers, screen))
    match outcome:
        case Failed(reason):
            refuse(reason)
        case Finished(answered=True):
            say(f"{shown(file)} is sent, and has arrived whole")
        case _:
            say(f"{shown(file)} is sent; whether it has arrived is not known: nobody answered")
            if not no_answers:
                answer_no()


@click.command()
@click.argument("to", metavar="BANK", type=click.Path(path_type=Path))
@_PORT
@click.option("--out", "back", metavar="NAME", help="Where answers go out, if not there too.")
@_NO_ANSWERS
def receive(to: Path, port: str | None, back: str | None, no_answers: bool) -> None:
    """Receive a bank over a MIDI cable.

    BANK is a new bank file. It is written whole or not at all, and before the last of it is
    acknowledged: when the sender says that it has arrived, it is on the disk. What is lost or
    damaged on the way is asked for again, if there is a cable for answers.
    """
    _check_free(to)
    receiver = Receiver(partial(_kept, to))
    with quiet() as screen:
        ports = _ports(Way.IN, port, back, no_answers)
        begun = f"Waiting for a bank at {ports[0].name}, for {lasting(PATIENCE)} at most"
        outcome = _run(receiver, ports, begun, _Telling("Receiving", no_answers, screen))
    match outcome:
        case Failed(reason):
            refuse(reason)
        case Received(name):
            say(f'{shown(to)}: the bank "{name}", whole')


def _check_free(to: Path) -> None:
    """Refuse before it is sent what would be refused when all has arrived."""
    check_new(to)
    if os.path.lexists(to):
        refuse(f"{shown(to)}: it is there already, and is left as it is")
    if not os.access(to.parent, os.W_OK | os.X_OK):
        refuse(f"{shown(to)}: {shown(to.parent)} is no folder that can be written in")


def _kept(to: Path, data: bytes) -> str | None:
    """Write what has arrived; or say why it is no bank file, or cannot be written."""
    try:
        write_bank_file(to, decode_any(data), replacing=False)
    except BankFileError as error:
        return str(error)
    return None


def _ports(way: Way, name: str | None, back: str | None, no_answers: bool) -> list[Port]:
    """The port that is meant, and that for answers if there are to be any: the same by name."""
    if back and no_answers:
        refuse("either there is a port for answers, or --no-answers: both cannot be meant")
    ports = there(way)
    if name is None:
        refuse(unnamed(ports))
    port = find(name, ports)
    if no_answers:
        return [port]
    others = there(way.back)
    if back is not None:
        return [port, find(back, others)]
    or_else = f"say with --{way.back.name.lower()} where answers go, or --no-answers"
    return [port, find(name, others, f"for answers; {or_else}")]


def _cable_time(length: int, no_answers: bool) -> str:
    answered, alone = (lasting(seconds_on_cable(length, answered=way)) for way in (True, False))
    return alone if no_answers else f"{answered} if the receiver answers, {alone} if it does not"


# ---------------------------------------------------------------- machines on ports


class _Machine(Protocol):
    """A `Sender` or a `Receiver`."""

    def start(self, at: float) -> list[Effect]: ...
    def receive(self, message: bytes, at: float) -> list[Effect]: ...
    def tick(self, at: float) -> list[Effect]: ...
    def cancel(self) -> list[Effect]: ...


class _Telling:
    """Tells a person what happens on the way, with a bar where there is a terminal."""

    def __init__(self, doing: str, no_answers: bool, screen: TextIO) -> None:
        """Take what is done, whether it is known that nobody answers, and standard error."""
        self._doing = doing
        self._no_answers = no_answers
        self._screen = screen
        self._far: Progress | None = None
        self._bar: Any = None
        self._drawn = ExitStack()

    def tell(self, effect: Effect) -> None:
        """Tell one thing."""
        match effect:
            case Progress():
                self._draw(effect)
            case Announced(name, length):
                lasting = _cable_time(length, self._no_answers)
                self._say(f'"{name}" begins: {length:,} bytes. On a five-pin cable: {lasting}')
            case Handshaking(answered=True):
                self._say("The receiver answers")
            case Handshaking() if not self._no_answers:
                self._say("Nobody answers: it is sent once, slowly")

    @property
    def account(self) -> str:
        """How far it has come, as the end of a sentence."""
        far = self._far
        return "" if far is None else f"; {far.done:,} of {far.of:,} bytes had gone through"

    def close(self) -> None:
        """Leave the bar as it is; another may be begun below it."""
        self._drawn.close()
        self._bar = None

    def _say(self, text: str) -> None:
        self.close()
        say(text)

    def _draw(self, far: Progress) -> None:
        self._far = far
        if not self._screen.isatty():
            return
        if self._bar is None:
            bar = click.progressbar(length=far.of, label=self._doing, file=self._screen)
            self._bar = self._drawn.enter_context(bar)
        self._bar.update(far.done - self._bar.pos)


def _run(
    machine: _Machine, ports: list[Port], begun: str, telling: _Telling
) -> Finished | Received | Failed:
    """What comes of a machine on ports and a clock. It cancels at Ctrl-C, or without a port.

    ``begun`` is said when the ports are open: who reads it can rely on being heard.
    """
    with _stops() as stops, Ends(ports) as ends, closing(telling):
        say(begun)
        effects = machine.start(time.monotonic())
        while True:
            for effect in effects:
                match effect:
                    case Send(message):
                        ends.send(message)
                    case Failed() if ends.gone:
                        return Failed(f"{ends.gone}{telling.account}")
                    case Finished() | Received() | Failed():
                        return effect
                    case _:
                        telling.tell(effect)
            effects = machine.cancel() if stops or ends.gone else _next(machine, ends)


def _next(machine: _Machine, ends: Ends) -> list[Effect]:
    """Hear what has come in, do what is due, or rest for a moment."""
    message = ends.heard()
    at = time.monotonic()
    if message is not None:
        return machine.receive(message, at)
    effects = machine.tick(at)
    if not effects:
        time.sleep(_NAP)
    return effects


@contextmanager
def _stops() -> Iterator[list[int]]:
    """Have each Ctrl-C noted in a list, so that it breaks off no message and no file."""
    noted: list[int] = []
    before = signal.signal(signal.SIGINT, lambda number, _: noted.append(number))
    try:
        yield noted
    finally:
        signal.signal(signal.SIGINT, before)
