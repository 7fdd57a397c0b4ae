"""Everything that an output pin drives, and the wire to it: lamps, magnets, shades, solenoids.

What the console file puts on a pin has that pin; what it has not wired yet has none. A rank goes
out by MIDI: its pipes are on the pins of a board if their notes are those of its pins. Which pins
are good ones is not known here.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from enum import Enum
from typing import TypeVar

from attrs import evolve, frozen

from combination.contacts import pin_after
from combination.harness import CannotBeWiredError
from combination.model import Action, Board, Chamber, Console, Control, Piston, Rank, RankOut
from combination.pipes import first_note


class Driven(Enum):
    """What is at the other end of the wire from an output pin."""

    LAMP = "lamp"
    MAGNET_ON = "magnet, on"
    MAGNET_OFF = "magnet, off"
    PISTON_LAMP = "piston lamp"
    SHADE = "shade"
    CHEST = "chest magnet"
    PERCUSSION = "percussion solenoid"


OF_A_RANK = frozenset({Driven.CHEST, Driven.PERCUSSION})
"""What stands in the chambers, at the notes of a rank."""


@frozen
class Driver:
    """One thing that is driven, and the wire to it.

    ``id`` names the control, piston, chamber or rank; ``number`` is the stage of a chamber's shades
    or the pipe of a rank, from 1, and 0 for all else. A ``pin`` is where the console file has it,
    None if nowhere yet.
    """

    kind: Driven
    id: str
    number: int = 0
    pin: str | None = None

    @property
    def wire(self) -> tuple[Driven, str, int]:
        """Which wire it is, wherever its end is."""
        return self.kind, self.id, self.number


def drivers_of(
    console: Console, rail: Sequence[str] = (), *, piston_lamps: bool = False
) -> tuple[Driver, ...]:
    """Everything that pins of a console without errors drive or are to drive.

    The lamps and magnets of controls come first, then the lamps of pistons, shades, and ranks.
    Controls are in the order of ``rail``, those that it leaves out last. A pin is wanted for the
    lamp of each control on a lit action, for both magnets of each on a moving one, for the pipes
    of each rank without any ``out``, and, with ``piston_lamps``, for the lamp of each piston. A
    rank that goes out by MIDI to where no board of the file is has no drivers here.
    """
    place = {control: number for number, control in enumerate(rail)}
    controls = sorted(console.controls, key=lambda c: place.get(c.id, len(place)))
    return (
        *_of_controls(console, controls),
        *(
            Driver(Driven.PISTON_LAMP, piston.id, 0, piston.lamp)
            for piston in console.pistons
            if piston.lamp is not None or piston_lamps
        ),
        *_shades(console.chambers),
        *_pipes(console),
    )


def _of_controls(console: Console, controls: Iterable[Control]) -> Iterator[Driver]:
    lit, moving = console.action is Action.LIT, console.action is Action.MOVING
    for control in controls:
        for kind, pin, wanted in (
            (Driven.LAMP, control.lamp, lit),
            (Driven.MAGNET_ON, control.drive_on, moving),
            (Driven.MAGNET_OFF, control.drive_off, moving),
        ):
            if pin is not None or wanted:
                yield Driver(kind, control.id, 0, pin)


def _shades(chambers: Iterable[Chamber]) -> Iterator[Driver]:
    for chamber in chambers:
        if chamber.shades is not None:
            for stage in range(chamber.stages or 0):
                pin = pin_after(chamber.shades, stage)
                yield Driver(Driven.SHADE, chamber.id, stage + 1, pin)


def _pipes(console: Console) -> Iterator[Driver]:
    """A rank's pipes on the pins of boards; of each that has no output yet, those wanted."""
    struck = {percussion.rank for percussion in console.percussions}
    pins = _pins_by_note(console.boards)
    for rank in console.ranks:
        kind = Driven.PERCUSSION if rank.id in struck else Driven.CHEST
        if not rank.out:
            for pipe in range(1, rank.pipes + 1):
                yield Driver(kind, rank.id, pipe)
        for out in rank.out:
            for pipe, pin in _on_boards(rank, out, pins):
                yield Driver(kind, rank.id, pipe, pin)


_Pins = Mapping[tuple[str, int, int], str]
"""By port, channel and note, the pin that it is the message of."""


def _pins_by_note(boards: Iterable[Board]) -> _Pins:
    return {
        (
            board.out.port,
            board.out.channel,
            board.out.first_note + number,
        ): f"{board.id}.{number + 1}"
        for board in boards
        if board.out is not None and board.out.first_note is not None
        for number in range(board.pins)
    }


def _on_boards(rank: Rank, out: RankOut, pins: _Pins) -> list[tuple[int, str]]:
    """The pipes of an output with their pins; none if any of them is on no board."""
    last = rank.pipes if out.last_pipe is None else out.last_pipe
    pipes = range(out.first_pipe, last + 1)
    notes = [(out.port, out.channel, note) for note, _ in enumerate(pipes, first_note(rank, out))]
    if any(note not in pins for note in notes):
        return []
    return [(pipe, pins[note]) for pipe, note in zip(pipes, notes, strict=True)]


# ---------------------------------------------------------------- pins put into a console


def with_drivers(console: Console, pins: Mapping[Driver, str]) -> Console:
    """The console with these drivers on these pins, and all others where they are.

    Raises:
        CannotBeWiredError: where the file has no words for it: the stages of a shade engine are
            on an unbroken run of pins, and a rank goes out by notes.
    """
    new = {driver.wire: pin for driver, pin in pins.items()}
    return evolve(
        console,
        stops=_controls_with(console.stops, new),
        couplers=_controls_with(console.couplers, new),
        tremulants=_controls_with(console.tremulants, new),
        percussions=_controls_with(console.percussions, new),
        traps=_controls_with(console.traps, new),
        effects=_controls_with(console.effects, new),
        pistons=tuple(_piston_with(piston, new) for piston in console.pistons),
        chambers=tuple(_chamber_with(chamber, new) for chamber in console.chambers),
        ranks=_ranks_with(console, new),
    )


_New = Mapping[tuple[Driven, str, int], str]
_C = TypeVar("_C", bound=Control)


def _controls_with(controls: Iterable[_C], new: _New) -> tuple[_C, ...]:
    return tuple(
        evolve(
            control,
            lamp=new.get((Driven.LAMP, control.id, 0), control.lamp),
            drive_on=new.get((Driven.MAGNET_ON, control.id, 0), control.drive_on),
            drive_off=new.get((Driven.MAGNET_OFF, control.id, 0), control.drive_off),
        )
        for control in controls
    )


def _piston_with(piston: Piston, new: _New) -> Piston:
    return evolve(piston, lamp=new.get((Driven.PISTON_LAMP, piston.id, 0), piston.lamp))


def _chamber_with(chamber: Chamber, new: _New) -> Chamber:
    pins = [
        new.get((Driven.SHADE, driver.id, driver.number), driver.pin or "")
        for driver in _shades([chamber])
    ]
    if not pins:
        return chamber
    if pins != [pin_after(pins[0], stage) for stage in range(len(pins))]:
        raise CannotBeWiredError(
            f"the shades of {chamber.id} go on an unbroken run of pins, stage by stage"
        )
    return evolve(chamber, shades=pins[0])


def _ranks_with(console: Console, new: _New) -> tuple[Rank, ...]:
    there = _pins_by_note(console.boards)
    moved: dict[str, dict[int, str]] = defaultdict(dict)
    for (kind, name, pipe), pin in new.items():
        if kind in OF_A_RANK:
            moved[name][pipe] = pin
    boards = {board.id: board for board in console.boards}
    ranks = []
    for rank in console.ranks:
        if rank.id in moved:
            elsewhere, pins = [], []
            for out in rank.out:
                on_boards = _on_boards(rank, out, there)
                pins += [(pipe, pin) for pipe, pin in on_boards if pipe not in moved[rank.id]]
                elsewhere += [] if on_boards else [out]
            pins = sorted([*pins, *moved[rank.id].items()], key=lambda each: each[0])
            rank = evolve(rank, out=(*elsewhere, *_rank_outs(rank, pins, boards)))
        ranks.append(rank)
    return tuple(ranks)


def _rank_outs(
    rank: Rank, pins: Iterable[tuple[int, str]], boards: Mapping[str, Board]
) -> Iterator[RankOut]:
    """Neighbouring pipes on neighbouring pins, each run an output of its own."""
    runs: list[list[tuple[int, str]]] = []
    for pipe, pin in pins:
        if runs and runs[-1][-1] == (pipe - 1, pin_after(pin, -1)):
            runs[-1].append((pipe, pin))
        else:
            runs.append([(pipe, pin)])
    for run in runs:
        pipe, pin = run[0]
        name, _, number = pin.rpartition(".")
        messages = boards[name].out
        if messages is None or messages.first_note is None:
            raise CannotBeWiredError(f"rank {rank.id} goes out by notes, and board {name} does not")
        last = pipe + len(run) - 1
        yield RankOut(
            messages.port,
            messages.channel,
            messages.first_note + int(number) - 1,
            pipe,
            None if last == rank.pipes else last,
        )
