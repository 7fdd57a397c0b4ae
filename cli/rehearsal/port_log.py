"""A log of everything that went through a console's ports, as a recording and as lines.

A line is written for each message as it passes, so that a log is of use however it ends:
``12.345678 in "console" 903C40``, the seconds since it began, the way, the port and the bytes.
``open`` and ``lost`` stand for a port that opened, or of which nothing is heard any more; what
comes in soon after it opened is what its boards found. Nothing here opens a file.
"""

import json
import re
from enum import StrEnum

from attrs import frozen

from cli.rehearsal.midi_files import Lost, Played, Recording

BEGINNING = "stopwright port log 1"
"""The first line of a log."""
LARGEST = 64 * 1024 * 1024
"""Bytes. A line has some forty, and a busy evening a million of them."""
SETTLING = 0.5
"""Seconds after a port opens in which its boards say what they find, rather than what is done:
a scanning board reports every contact that is closed when it is first heard of."""
_LINE = re.compile(
    r'(?P<at>\d{1,10}\.\d{1,9}) (?P<way>in|out|open|lost) (?P<port>"(?:[^"\\]|\\.)*")'
    r"(?: (?P<data>[0-9A-F]+))?"
)


class Way(StrEnum):
    """What happened at a port."""

    IN = "in"
    OUT = "out"
    OPEN = "open"
    LOST = "lost"


class PortLogError(Exception):
    """A log cannot be read; the message says why, for a person."""


@frozen
class Passed:
    """Something that happened at a port, ``at`` so many seconds after the log began.

    ``data`` is the message that came in or went out.
    """

    at: float
    way: Way
    port: str
    data: bytes = b""

    def __str__(self) -> str:
        """The line of it."""
        line = f"{self.at:.6f} {self.way} {json.dumps(self.port)}"
        return f"{line} {self.data.hex().upper()}" if self.data else line


def read_log(text: str) -> list[Passed]:
    """Everything in a log, in order. A last line that was not written to its end is left out.

    Raises:
        PortLogError: if it is none, or damaged; the message names the line.
    """
    beginning, _, rest = text.partition("\n")
    if beginning.rstrip() != BEGINNING:
        raise PortLogError(f"it does not begin with {BEGINNING!r}")
    found: list[Passed] = []
    for number, line in enumerate(rest.split("\n")[:-1], 2):
        passed = _passed(line.rstrip())
        if passed is None or (found and passed.at < found[-1].at):
            raise PortLogError(f"line {number} is no line of a log")
        found.append(passed)
    return found


def _passed(line: str) -> Passed | None:
    match = _LINE.fullmatch(line)
    if match is None:
        return None
    way = Way(match["way"])
    try:
        data, port = bytes.fromhex(match["data"] or ""), json.loads(match["port"])
    except ValueError:
        return None
    if bool(data) is not (way in (Way.IN, Way.OUT)):
        return None
    return Passed(float(match["at"]), way, port, data)


def recording_of_log(log: list[Passed], title: str) -> Recording:
    """What came in, as a recording of the console."""
    opened: dict[str, float] = {}
    lost: set[str] = set()
    entries: list[Played | Lost] = []
    for one in log:
        back = one.way is Way.IN and one.port in lost  # it was silent, and is heard of again
        if one.way is Way.OPEN or back:
            opened[one.port] = one.at
            lost.discard(one.port)
        if one.way is Way.LOST:
            entries.append(Lost(one.at, one.port))
            lost.add(one.port)
        elif one.way is Way.IN:
            found = one.at < opened.get(one.port, -SETTLING) + SETTLING
            entries.append(Played(one.at, (one.port,), one.data, found))
    ports = tuple(dict.fromkeys(one.port for one in log if one.way is Way.IN))
    return Recording(title, tuple(entries), log[-1].at if log else 0.0, ports)
