"""The file of a proof: what was heard while a console's contacts were worked, run by run.

It is lines of JSON: a heading, then a run each, with its day and time, the wires that were asked
for in their order, and every message as it came. What was heard is a fact, whatever a console
file says now or will say: nothing of a plan is in here but a fingerprint of it. Nothing here opens
a file, or knows what is right.

The heading is ``{"stopwright": "proof of wiring 1", "console": NAME}``. A run has ``run``, which
part it was; ``on``, when it ended (ISO 8601, with its zone); ``wiring``, the fingerprint;
``wires``, each ``[role, id, number]``; ``before``, ``[port, message]`` of each pin that was closed
already; and ``heard``, ``[seconds, port, message]``, the message in hexadecimal. A port is "" if it
is not known.
"""

import json
import re
from collections.abc import Iterable
from datetime import datetime
from itertools import pairwise
from typing import Any, NoReturn

from attrs import frozen

from combination.contacts import Role
from combination.model import LONGEST_TEXT

BEGINNING = "proof of wiring 1"
LARGEST = 64 * 1024 * 1024
"""Bytes. A message has some thirty, and a thousand tabs worked ten times over have 20,000."""
_MESSAGE = re.compile("(?:[89B][0-9A-F](?:[0-7][0-9A-F]){2}|C[0-9A-F][0-7][0-9A-F])")
"""Notes on and off, controllers, and programs (MIDI 1.0)."""
_ROLES = {role.name.lower().replace("_", "-"): role for role in Role}
_WORDS = {role: word for word, role in _ROLES.items()}

Wire = tuple[Role, str, int]


class ProofFileError(Exception):
    """A file is no proof of wiring, or is damaged; the message says why, for a person."""


@frozen
class Said:
    """A message that came ``at`` so many seconds after the run began, by a port ("": not known)."""

    at: float
    port: str
    data: bytes


@frozen
class Run:
    """What was heard while some contacts were worked, in the order of ``wires``.

    ``key`` is which part of the console it was, ``before`` the messages of what was closed when
    it began.
    """

    key: str
    on: datetime
    wiring: str
    wires: tuple[Wire, ...]
    before: tuple[Said, ...]
    heard: tuple[Said, ...]


@frozen
class Record:
    """A whole proof as it is kept: of which console, and its runs, no two of one part."""

    console: str
    runs: tuple[Run, ...] = ()

    def having(self, runs: Iterable[Run]) -> "Record":
        """The proof with these runs, in place of others of their parts."""
        new = {run.key: run for run in runs}
        kept = tuple(run for run in self.runs if run.key not in new)
        return Record(self.console, (*kept, *new.values()))


# ---------------------------------------------------------------- written


def text_of(record: Record) -> str:
    """A proof as the text of its file."""
    heading = {"stopwright": BEGINNING, "console": record.console}
    return "".join(
        f"{json.dumps(line, ensure_ascii=False)}\n"
        for line in (heading, *map(_run_data, record.runs))
    )


def _run_data(run: Run) -> dict[str, Any]:
    return {
        "run": run.key,
        "on": run.on.isoformat(),
        "wiring": run.wiring,
        "wires": [[_WORDS[role], owner, number] for role, owner, number in run.wires],
        "before": [[said.port, said.data.hex().upper()] for said in run.before],
        "heard": [[round(s.at, 6), s.port, s.data.hex().upper()] for s in run.heard],
    }


# ---------------------------------------------------------------- read


def read_record(text: str) -> Record:
    """A proof from the text of its file.

    Raises:
        ProofFileError: if it is none, or damaged; the message names the line.
    """
    first, *rest = text.removesuffix("\n").split("\n")
    try:
        heading = _json(first)
    except ProofFileError:
        raise ProofFileError("it does not begin as a proof of wiring does") from None
    if not isinstance(heading, dict) or heading.get("stopwright") != BEGINNING:
        raise ProofFileError("it does not begin as a proof of wiring does")
    runs: list[Run] = []
    for number, line in enumerate(rest, 2):
        try:
            run = _run(_json(line))
            if any(run.key == other.key for other in runs):
                raise ProofFileError(f"the run {run.key} is there twice")
        except ProofFileError as error:
            raise ProofFileError(f"line {number}: {error}") from None
        runs.append(run)
    return Record(_name(heading.get("console")), tuple(runs))


def _json(line: str) -> Any:
    try:
        return json.loads(line, parse_constant=_no_number)
    except (ValueError, RecursionError):
        raise ProofFileError("it is no JSON") from None


def _no_number(word: str) -> NoReturn:
    raise ValueError(word)


def _run(data: Any) -> Run:
    if not isinstance(data, dict) or set(data) != set(_RUN):
        raise ProofFileError(f"it is no run, which has {', '.join(_RUN)}")
    heard = tuple(_heard(*_row(row, 3)) for row in _list(data["heard"]))
    if any(later.at < said.at for said, later in pairwise(heard)):
        raise ProofFileError("what was heard is not in order")
    return Run(
        _name(data["run"]),
        _time(data["on"]),
        _name(data["wiring"]),
        tuple(_wire(*_row(row, 3)) for row in _list(data["wires"])),
        tuple(_heard(0.0, *_row(row, 2)) for row in _list(data["before"])),
        heard,
    )


_RUN = ("run", "on", "wiring", "wires", "before", "heard")


def _list(value: Any) -> list[Any]:
    if not isinstance(value, list):
        raise ProofFileError("a list is missing")
    return value


def _row(value: Any, length: int) -> list[Any]:
    if not isinstance(value, list) or len(value) != length:
        raise ProofFileError(f"expected a list of {length}")
    return value


def _name(value: Any) -> str:
    if not isinstance(value, str) or not value.isprintable() or len(value) > LONGEST_TEXT:
        raise ProofFileError(f"a name has up to {LONGEST_TEXT} signs that can be printed")
    return value


def _time(value: Any) -> datetime:
    try:
        found = datetime.fromisoformat(value)
    except (TypeError, ValueError):
        raise ProofFileError("`on` is no day and time") from None
    if found.utcoffset() is None:
        raise ProofFileError("`on` has no time zone")
    return found


def _wire(role: Any, owner: Any, number: Any) -> Wire:
    if not isinstance(role, str) or role not in _ROLES:
        raise ProofFileError("a wire's role is none")
    if isinstance(number, bool) or not isinstance(number, int) or abs(number) > _MOST:
        raise ProofFileError("a wire's number is none")
    return _ROLES[role], _name(owner), number


_MOST = 10_000
"""No wire has a higher number: notes end at 127, and a piston has few contacts."""


def _heard(at: Any, port: Any, message: Any) -> Said:
    if isinstance(at, bool) or not isinstance(at, int | float):
        raise ProofFileError("a time is no number of seconds")
    if not 0 <= at <= _LAST:  # nor is what is no number
        raise ProofFileError("a time is not within the day that a run may take")
    if not isinstance(message, str) or not _MESSAGE.fullmatch(message):
        raise ProofFileError("a message is no note, controller or program in hexadecimal")
    return Said(float(at), _name(port), bytes.fromhex(message))


_LAST = 24 * 60 * 60
