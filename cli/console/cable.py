"""For the technician: how long each piston takes on five-pin MIDI cables, before any is bought.

Has every piston pushed after every other, prints how long what goes out takes, and over how
many cables a port that is too slow could be divided. How long anything takes is for
`combination.cable`.
"""

import textwrap
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

import click
from attrs import evolve, field, frozen

from banks.editing import BankEditError, find_level
from cli.bank.files import read_bank, say_if_strange
from cli.bank.places import BankPlace
from cli.files import read_console_file
from cli.naming import plural, run
from cli.output import PAGE, answer_no, json_option, progress, refuse, say, say_json, say_table
from combination.cable import BYTE, LONGEST, ROOM, Change, Pushes, Source, Weighed, hands_and_feet
from combination.findings import nearest, quoted
from combination.memory import Bank
from combination.model import Console, Piston

_LIMIT = f"{LONGEST * 1000:g} ms"


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--bank",
    "bank_file",
    metavar="BANK",
    type=BankPlace,
    help="Push the pistons as this bank has them set.",
)
@click.option(
    "--level",
    metavar="LEVEL",
    help="The level of the bank, by its number or name. Otherwise that at which it was left.",
)
@click.option(
    "--keys",
    "held",
    multiple=True,
    metavar="KEYS",
    help='Hold these keys and no others: a keyboard and its keys, as "great 48 52 55". Repeatable.',
)
@json_option
def cable(
    file: Path, bank_file: BankPlace | None, level: str | None, held: tuple[str, ...], as_json: bool
) -> None:
    """Say how long each piston change takes on five-pin MIDI cables.

    A five-pin cable carries a byte in 320 µs, so that a piston which changes many pipes under
    held keys can be heard to be late. Every piston is pushed in silence and after each other
    one, and all that it makes go out is counted, with running status: pipes, lines, states of
    controls, lamps, and the pulses of driven tabs. Each port is taken for a cable of its own, so
    that a piston takes as long as the longest of them. Those over 10 ms are marked, and for a
    port that is too slow a division over several cables is proposed.

    Ports are only names in the console file: one that goes by USB or over a network is faster
    than is said here, and needs no dividing.

    Unless --keys says otherwise, ten fingers and two feet hold keys: the right hand E G A C E on
    the manual with most stops, the left C E G A C below it on the next, the feet C and G. A
    keyboard of 32 keys or fewer is taken for a pedalboard.

    Without a bank, or at a level where nothing is set, a division's whole registration and the
    whole console's stand for the most that a piston could be set to. The level pistons, next and
    previous are left out: they move read-outs, and next and previous push one of the others.

    \b
    For example:
      stopwright console cable harbour.toml
      stopwright console cable harbour.toml --bank anna.bank --level 3
      stopwright console cable harbour.toml --keys "great 36 48 60" --keys "pedal 36"

    \b
    Exit codes:
      0  no piston takes more than 10 ms
      1  some do
      2  it could not be found out
    """
    console = read_console_file(file)
    if level is not None and bank_file is None:
        raise click.UsageError("Say with --bank whose --level that is.")
    bank = None if bank_file is None else _bank_at(console, bank_file, level)
    keys = _keys(console, held) if held else hands_and_feet(console)
    pushes = Pushes(console, bank, keys)
    weighed = Weighed()
    for piston, before in progress(pushes.pairs, "Pushing pistons"):
        weighed.add(pushes.change(piston.id, before), pushes.senders)
    report = _Report(console, bank, keys, pushes, weighed)
    if as_json:
        say_json(report.as_data())
    else:
        if bank is not None:
            say_if_strange(bank, console)
        report.print()
    if report.over:
        answer_no()


def _bank_at(console: Console, file: BankPlace, level: str | None) -> Bank:
    """A bank, left at the level that is asked for."""
    bank = read_bank(file).bank
    if level is None:
        return bank
    try:
        number = find_level(bank, level)
    except BankEditError as error:
        refuse(str(error))
    if number > console.levels:
        refuse(f"there is no level {number} on this console: it has {console.levels}")
    return evolve(bank, level=number)


def _keys(console: Console, held: Iterable[str]) -> dict[str, tuple[int, ...]]:
    """The keys that a person lists, by keyboard."""
    keyboards = {keyboard.id: keyboard for keyboard in console.keyboards}
    found: dict[str, set[int]] = {}
    for text in held:
        name, *keys = text.replace(",", " ").split() or [""]
        if name not in keyboards:
            refuse(f"there is no keyboard {quoted(name)}{nearest(name, keyboards)}")
        lowest = keyboards[name].lowest
        there = {str(key): key for key in range(lowest, lowest + keyboards[name].keys)}
        wrong = next((key for key in keys if key not in there), None)
        if wrong is not None or not keys:
            has = "no key is named" if wrong is None else f"there is no key {quoted(wrong)}"
            refuse(f'on keyboard "{name}" {has}: it has keys {lowest} to {max(there.values())}')
        found.setdefault(name, set()).update(there[key] for key in keys)
    return {name: tuple(sorted(keys)) for name, keys in found.items()}


@frozen
class _Report:
    """What came of pushing every piston after every other."""

    console: Console
    bank: Bank | None
    keys: Mapping[str, tuple[int, ...]]
    pushes: Pushes
    weighed: Weighed
    names: dict[Source, str] = field(init=False)
    faces: dict[str, str] = field(init=False)

    @names.default
    def _names(self) -> dict[Source, str]:
        console = self.console
        divisions = {division.id: division.name for division in console.divisions}
        names = {Source("rank", rank.id): f"{rank.name} ({rank.id})" for rank in console.ranks}
        for id_, name in (*divisions.items(), ("", "no division")):
            names[Source("lines", id_)] = f"lines of {name}"
            names[Source("controls", id_)] = f"controls of {name}"
        names |= {Source("shades", c.id): f"shades of {c.name}" for c in console.chambers}
        return names | {Source("board", board.id): f"board {board.id}" for board in console.boards}

    @faces.default
    def _faces(self) -> dict[str, str]:
        pushes = self.pushes
        of_console = {p.id: f"{p.face} ({p.id})" for p in pushes.pistons}
        return of_console | {p.id: p.face for p in pushes.pistons if p.id in pushes.wholes}

    @property
    def over(self) -> list[str]:
        """The pistons that can take too long."""
        return [name for name, change in self.weighed.worst.items() if change.over]

    @property
    def ports(self) -> dict[str, Change]:
        """The ports by which anything goes out, the slowest first, each with its worst change."""
        found = self.weighed.ports.items()
        return dict(sorted(found, key=lambda item: -item[1].sizes[item[0]]))

    # ------------------------------------------------------------ for people

    def print(self) -> None:
        """For a page, or a terminal."""
        for line in self._opening():
            say(textwrap.fill(line, PAGE))
        say()
        columns = ("piston", "in silence", "at worst", "", "pushed after", "bytes then")
        say_table(columns, [self._row(p.id) for p in self.pushes.pistons], width=PAGE)
        if self.ports:
            say()
            ports = ("port", "at worst", "", "piston", "pushed after")
            say_table(ports, [self._port_row(*item) for item in self.ports.items()], width=PAGE)
        for port, change in self.ports.items():
            if port in self.weighed.loads:
                self._print_shares(port, change)
        say()
        over, pistons = len(self.over) or "none", plural(len(self.pushes.pistons), "piston")
        say(f"Over {_LIMIT}: {over} of {pistons}.")

    def _opening(self) -> Iterator[str]:
        yield self.console.name
        level = self.pushes.level
        if self.bank is not None:
            name = f'The bank "{self.bank.name}"' if self.bank.name else "A bank that has no name"
            called = self.bank.levels[level].name if level in self.bank.levels else ""
            yield f"{name}, level {level} {called}".rstrip()
        if self.pushes.wholes:
            where = "At this level" if self.bank else "Without a bank"
            yield (
                f"{where} no general or divisional is set: whole divisions, and everything, stand "
                "for the most that one could be set to."
            )
        elif self.pushes.unset:
            yield f"Not set at this level, and left out: {', '.join(self.pushes.unset)}"
        keyboards = {keyboard.id: keyboard.name for keyboard in self.console.keyboards}
        held = [f"{keyboards[k]} {' '.join(map(str, keys))}" for k, keys in self.keys.items()]
        yield f"Keys held: {'; '.join(held) or 'none'}"
        yield f"On a five-pin cable a byte takes {BYTE * 1e6:g} µs: {ROOM} bytes in {_LIMIT}"

    def _row(self, piston: str) -> tuple[str, ...]:
        silent, worst = self.weighed.silent[piston], self.weighed.worst[piston]
        sizes = ", ".join(f"{port}:{size}" for port, size in _by_size(worst))
        name, over = self.faces[piston], "over" if worst.over else ""
        return name, _time(silent.size), _time(worst.size), over, self._before(worst), sizes or "-"

    def _port_row(self, port: str, change: Change) -> tuple[str, ...]:
        size = change.sizes[port]
        over = "over" if size > ROOM else ""
        return port, _time(size), over, self.faces[change.piston], self._before(change)

    def _before(self, change: Change) -> str:
        return "silence" if change.before is None else self.faces[change.before]

    def _print_shares(self, port: str, change: Change) -> None:
        """Over how many cables a port could be divided, and what each would carry."""
        shares, size = self.weighed.shares(port), change.sizes[port]
        least, several = -(-size // ROOM), sum(share.cables for share in shares)
        say()
        text = (
            f"Port {port}: {_time(size)} at worst, {self.faces[change.piston]} after "
            f"{self._before(change)}. To stay within {_LIMIT} takes {plural(least, 'cable')}"
        )
        if several == least:
            text += ", or one that is faster:"
        else:
            text += (
                " at least, or one that is faster; with each rank or other sender kept on one "
                f"cable where it fits, {several}:"
            )
        say(textwrap.fill(text, PAGE))
        sent, number, rows = self._sent(port, change), 1, []
        for share in shares:
            numbers = run(number, number + share.cables - 1)
            most = _time(share.carried) + (" each" if share.cables > 1 else "")
            number += share.cables
            for source in share.sources:
                rows.append((numbers, most, self.names[source], str(sent.get(source, 0))))
                numbers = most = ""
        say_table(("cable", "at most", "from", "bytes then"), rows, width=PAGE)

    def _sent(self, port: str, change: Change) -> dict[Source, int]:
        """What sent the bytes of a change's longest train at a port."""
        train = max(change.trains[port], key=lambda train: train.size)
        return self.pushes.senders.load(port, train)

    # ------------------------------------------------------------ for another program

    def as_data(self) -> dict[str, object]:
        """For another program: times in seconds."""
        return {
            "console": self.console.name,
            "bank": self.bank.name if self.bank else None,
            "level": self.pushes.level if self.bank else None,
            "keys": self.keys,
            "seconds_a_byte": BYTE,
            "limit": LONGEST,
            "over": self.over,
            "unset": self.pushes.unset,
            "pistons": [self._piston_data(piston) for piston in self.pushes.pistons],
            "ports": [self._port_data(*item) for item in self.ports.items()],
        }

    def _piston_data(self, piston: Piston) -> dict[str, object]:
        return {
            "piston": piston.id,
            "label": piston.face,
            "on_console": piston.id not in self.pushes.wholes,
            "in_silence": _change_data(self.weighed.silent[piston.id]),
            "at_worst": _change_data(self.weighed.worst[piston.id]),
        }

    def _port_data(self, port: str, change: Change) -> dict[str, object]:
        sent = self._sent(port, change)
        return {
            "port": port,
            "piston": change.piston,
            "after": change.before,
            "bytes": change.sizes[port],
            "from": [_source_data(source) | {"bytes": size} for source, size in sent.items()],
            "shares": [
                {
                    "cables": share.cables,
                    "bytes": share.size,
                    "from": [_source_data(source) for source in share.sources],
                }
                for share in self.weighed.shares(port)
            ],
        }


def _source_data(source: Source) -> dict[str, object]:
    return {"what": source.what, "id": source.id}


def _change_data(change: Change) -> dict[str, object]:
    return {
        "after": change.before,
        "bytes": dict(_by_size(change)),
        "seconds": change.seconds,
        "over": change.over,
    }


def _by_size(change: Change) -> list[tuple[str, int]]:
    """The ports of a change, with most bytes first."""
    return sorted(change.sizes.items(), key=lambda item: -item[1])


def _time(size: int) -> str:
    """How long so many bytes take."""
    return f"{size * BYTE * 1000:.1f} ms" if size else "-"
