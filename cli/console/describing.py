"""A console in words and tables, as the person who wires it reads it.

Takes a console without errors and says what its file means: defaults filled in, selections
worked out, wires sorted by board. Nothing here prints, and nothing decides: ranges, contacts and
sums come from `combination`.
"""

from collections.abc import Callable, Iterable, Iterator
from enum import Enum
from fractions import Fraction
from itertools import groupby
from typing import Any

import attrs

from cli.console.choices import choices
from cli.console.wiring import Pins, boards, lacking, pins_in, pins_out, pins_used, unwired
from cli.naming import (
    Listing,
    Names,
    contact_text,
    controller_text,
    counted,
    pitch_text,
    plural,
    run,
    tally,
)
from combination.bits import Numbers
from combination.compass import Need, keys_without_lines, lines_of, needs_of, playable
from combination.contacts import pin_after
from combination.model import (
    CAN_BE_SET,
    HIGHEST_TRANSPOSED,
    Console,
    Control,
    Coupler,
    Division,
    Draw,
    Kind,
    LinesOut,
    Percussion,
    Piston,
    Port,
    Rank,
    RankOut,
    StateOut,
    Stop,
    Stroke,
    Transposer,
    Trap,
    Tremulant,
    file_word,
)
from combination.pedals import crescendo_stages
from combination.pipes import draws_of, first_note
from combination.pitch import format_pitch
from combination.ports import PortUse, ports_of


def summary(names: Names) -> str:
    """How much there is of everything, and how many pins are used, in one line."""
    console = names.console
    captured = names.ranges.capturable.bit_count()
    used, pins = pins_used(names)
    counts = tally(
        (
            (len(console.divisions), "division"),
            (len(console.ranks), "rank"),
            (len(console.controls), "control"),
            (len(console.pistons), "piston"),
            (len(console.boards), "board"),
        )
    )
    never = len(console.controls) - captured
    wires = f"; {used} of {plural(pins, 'pin')} used" if pins else ""
    return counts + (f"; {plural(never, 'control')} never captured" if never else "") + wires


# ---------------------------------------------------------------- keyboards and divisions


def divisions(names: Names) -> Iterator[Listing]:
    """Keyboards and the transposer, divisions, chambers and the shoes that open them."""
    console = names.console
    yield Listing(
        (plural(len(console.keyboards), "keyboard"),),
        ("id", "name", "keys", "from-to", "contacts"),
        tuple(
            (
                k.id,
                k.name,
                str(k.keys),
                run(k.lowest, k.lowest + k.keys - 1),
                _key_runs(names, k.id),
            )
            for k in console.keyboards
        ),
    )
    ways = list(_transposer_ways(console.transposer))
    if ways:
        yield Listing(("Transposer",), ("goes", "by"), tuple(ways))
    yield Listing(
        (plural(len(console.divisions), "division"),),
        ("id", "name", "played from", "lines", "what it has"),
        tuple(_division_row(names, division) for division in console.divisions),
    )
    if console.chambers:
        yield Listing(
            (plural(len(console.chambers), "chamber"),),
            ("id", "name", "opened by"),
            tuple((chamber.id, chamber.name, _opened_by(chamber)) for chamber in console.chambers),
        )
    if console.shoes:
        chambers = {chamber.id: chamber.name for chamber in console.chambers}
        yield Listing(
            (plural(len(console.shoes), "shoe"),),
            ("id", "name", "opens", "heel-toe", "heard on", "opens all with"),
            tuple(
                (
                    shoe.id,
                    shoe.name,
                    ", ".join(chambers[name] for name in shoe.chambers),
                    f"{shoe.heel}-{shoe.toe}",
                    controller_text(shoe.input),
                    names.control(shoe.all_control) if shoe.all_control else "",
                )
                for shoe in console.shoes
            ),
        )


def _transposer_ways(transposer: Transposer) -> Iterator[tuple[str, str]]:
    for goes, contact in (
        ("a semitone up", transposer.up),
        ("a semitone down", transposer.down),
        ("to 0", transposer.zero),
    ):
        if contact is not None:
            yield goes, contact_text(contact)
    if transposer.switch is not None:
        most = HIGHEST_TRANSPOSED
        last = pin_after(transposer.switch, 2 * most).rpartition(".")[2]
        yield f"to -{most} ... +{most}", f"{transposer.switch}-{last}"


def _division_row(names: Names, division: Division) -> tuple[str, ...]:
    lowest, count = names.console.lines_of(division)
    has = counted(names.of_division(division.id)) or "nothing"
    if division.out is not None:
        out = division.out
        what = "bare keys" if out.bare else "lines"
        first = lowest if out.first_note is None else out.first_note
        notes = f"notes {run(first, first + count - 1)}"
        has += f"; {what} out on {out.port}, channel {out.channel}, {notes}{_longest(out)}"
    played = Numbers(playable(names.console, division))
    idle = [line for line in lines_of(names.console, division) if line not in played]
    if idle:
        has += f"; nothing plays {_runs(idle)}"
    return (
        division.id,
        division.name,
        names.keyboards.get(division.keyboard or "", "couplers only"),
        run(lowest, lowest + count - 1),
        has,
    )


def _key_runs(names: Names, keyboard: str) -> str:
    found = next(k for k in names.console.keyboards if k.id == keyboard)
    texts = []
    for wired in found.contacts:
        count = found.lowest + found.keys - (wired.key or found.lowest)
        board, _, first = wired.pin.rpartition(".")
        last = int(first) + (count if wired.keys is None else wired.keys) - 1
        texts.append(f"{board}.{run(int(first), last)}" + (" (inverted)" if wired.inverted else ""))
    return "; ".join(texts) or "not wired"


def _opened_by(chamber: Any) -> str:
    if chamber.shades is not None:
        return f"shade engine of {plural(chamber.stages, 'stage')} from {chamber.shades}"
    if chamber.out is None:
        return "not wired"
    curve = f", curve {' '.join(map(str, chamber.curve))}" if chamber.curve else ""
    return controller_text(chamber.out) + curve


# ---------------------------------------------------------------- controls


def controls(names: Names) -> Iterator[Listing]:
    """Each division's controls in rail order: label, what each draws or couples, its wires."""
    for division, name in (*names.divisions.items(), (None, "")):
        listed = names.of_division(division)
        if not listed:
            continue
        yield Listing(
            (f"{name or 'Of no division'}: {counted(listed)}",),
            ("id", "label", "what it is", "wires"),
            tuple((c.id, c.face, what_is(names, c), _wires(c)) for c in listed),
        )


_SHIFTS = {0: "8'", 12: "4'", -12: "16'", 24: "2'", -24: "32'"}
"""What is engraved on a coupler that shifts by whole octaves."""
_OWN_SHIFTS = {12: "octave 4'", -12: "sub-octave 16'"}


def what_is(names: Names, control: Control) -> str:
    """What a control does, by the file and not by its label."""
    if isinstance(control, Coupler):
        what = _couples(names, control)
    elif isinstance(control, Stop | Percussion):
        what = _draws(names, control) or "no rank"
    elif isinstance(control, Tremulant):
        chambers = {chamber.id: chamber.name for chamber in names.console.chambers}
        of = chambers.get(control.chamber or "", "")
        what = f"tremulant of the {of} chamber" if of else "tremulant"
    else:
        what = "trap" if isinstance(control, Trap) else "effect"
    if isinstance(control, Trap) and control.drum is not None:
        what += f", drum {control.drum} of General MIDI"
    return what if control.captured else f"{what}; never captured"


def _couples(names: Names, coupler: Coupler) -> str:
    """``Solo to Great 4'``, ``Great octave 4'``, ``Great unison off``."""
    console = names.console
    played = names.divisions[console.played_by(coupler) or ""]
    if coupler.unison_off:
        return f"{played} unison off"
    own = any(d.id == coupler.plays and d.keyboard == coupler.keys for d in console.divisions)
    if own and coupler.shift in _OWN_SHIFTS:
        what = f"{played} {_OWN_SHIFTS[coupler.shift]}"
    else:
        shift = _SHIFTS.get(coupler.shift, f"{coupler.shift:+} semitones")
        what = f"{played} to {names.keyboards[coupler.keys or '']} {shift}"
    if coupler.pizzicato:
        what += f", pizzicato {coupler.pizzicato_time:g} s"
    return what + _lost(*keys_without_lines(console, coupler))


def _lost(below: int, above: int) -> str:
    """Which keys of a coupler come to no line, as the top octave of an octave coupler may."""
    if not below and not above:
        return ""
    ends = ((below, "lowest"), (above, "top"))
    which = " and ".join(end if count == 1 else f"{end} {count}" for count, end in ends if count)
    return f"; its {which} {'key plays' if below + above == 1 else 'keys play'} no line"


def _draws(names: Names, control: Stop | Percussion) -> str:
    """What a stop draws; what it draws over the same keys together, as a mixture's breaks are."""
    ranks = {rank.id: rank for rank in names.console.ranks}
    draws = (draw for _, draw in draws_of(control))
    parts = []
    for keys, group in groupby(draws, lambda draw: (draw.first_key, draw.last_key, draw.repeats)):
        drawn = [_drawn(draw, ranks[draw.rank]) for draw in group]
        parts.append((" + ".join(drawn) + _over(*keys), len(drawn)))
    between = "; " if any(count > 1 for _, count in parts) else " + "
    return between.join(part for part, _ in parts)


def _drawn(draw: Draw, rank: Rank) -> str:
    if draw.by_key:
        return f"{rank.name}, key by key"
    if rank.stroke is not Stroke.HELD and draw.pitch is None:
        return rank.name
    return f"{rank.name} {pitch_text(draw.pitch or rank.pitch)}"


def _over(first: int | None, last: int | None, repeats: bool) -> str:
    from_key = "" if first is None else f" from key {first}"
    to_key = "" if last is None else f" to key {last}"
    return from_key + to_key + (", repeats" if repeats else "")


def _wires(control: Control) -> str:
    """The pins of a control, each with what it is for."""
    parts = [contact_text(control.contact)] if control.contact else []
    for what, contact in (("on", control.contact_on), ("off", control.contact_off)):
        if contact is not None:
            parts.append(f"{what} {contact_text(contact)}")
    if control.drive_on:
        parts.append(f"drives {control.drive_on} {control.drive_off}")
    if control.lamp:
        parts.append(f"lamp {control.lamp}")
    if control.out is not None:
        parts.append(_state_out(control.out))
    return "; ".join(parts) or "not wired"


def _state_out(out: StateOut) -> str:
    if out.note is not None:
        how = f"note {out.note}"
    elif out.controller is not None:
        how = f"controller {out.controller}"
    else:
        how = f"programs {out.program_on} on, {out.program_off} off"
    return f"out {out.port}, channel {out.channel}, {how}{_longest(out)}"


def _longest(out: StateOut | LinesOut | Rank) -> str:
    """How long a coil may be left on, if the file says so."""
    return "" if out.longest_on is None else f", at most {out.longest_on:g} s on"


# ---------------------------------------------------------------- ranks


def ranks(names: Names) -> Iterator[Listing]:
    """The ranks: pitch, pipes, and where each goes out; the pipes that they have and need."""
    console = names.console
    if not console.ranks:
        return
    drawn = [
        draw.rank
        for control in console.controls
        if isinstance(control, Stop | Percussion)
        for draw in {draw.rank: draw for _, draw in draws_of(control)}.values()
    ]
    yield Listing(
        (plural(len(console.ranks), "rank"),),
        ("id", "name", "pitch", "pipes", "first key", "stops", "goes out"),
        tuple(
            (
                rank.id,
                rank.name,
                pitch_text(rank.pitch),
                str(rank.pipes),
                str(rank.first_key),
                str(drawn.count(rank.id)),
                ("; ".join(_rank_out(rank, out) for out in rank.out) or "nowhere")
                + _struck(rank)
                + _program(rank),
            )
            for rank in console.ranks
        ),
    )
    yield needed_pipes(names)


def _struck(rank: Rank) -> str:
    """How a rank is driven, where it is not just held on while its keys are down."""
    strokes = {
        Stroke.HELD: "",
        Stroke.ONCE: "; struck once a key",
        Stroke.REITERATE: f"; struck {rank.rate:g} times a second" if rank.rate else "",
    }
    return strokes[rank.stroke] + _longest(rank)


def _program(rank: Rank) -> str:
    return "" if rank.program is None else f"; program {rank.program} of General MIDI"


def _rank_out(rank: Rank, out: RankOut) -> str:
    last = rank.pipes if out.last_pipe is None else out.last_pipe
    first = first_note(rank, out)
    notes = f"notes {run(first, first + last - out.first_pipe)}"
    text = f"{out.port}, channel {out.channel}, {notes}"
    whole = (out.first_pipe, last) == (1, rank.pipes)
    return text if whole else f"pipes {run(out.first_pipe, last)}: {text}"


def needed_pipes(names: Names) -> Listing:
    """The pipes that each rank has, beside those that its stops ask it for."""
    return Listing(
        ("Pipes that ranks have, and that their stops need",),
        ("id", "pitch", "first key", "has", "needs", "which", "short by", "needed by none"),
        tuple(
            (
                need.rank.id,
                pitch_text(need.rank.pitch),
                str(need.rank.first_key),
                str(need.rank.pipes),
                str(len(need.asked)),
                f"{min(need.asked)} to {max(need.asked)}" if need.asked else "",
                _short(need),
                _runs(need.idle),
            )
            for need in needs_of(names.console)
        ),
    )


def _short(need: Need) -> str:
    ends = ((need.short_below, "at the bottom"), (need.short_above, "at the top"))
    return ", ".join(f"{count} {end}" for count, end in ends if count)


def _runs(numbers: Iterable[int]) -> str:
    """Numbers that rise, neighbours together: ``1-12, 40``."""
    groups = groupby(enumerate(numbers), lambda pair: pair[1] - pair[0])
    runs = ([number for _, number in group] for _, group in groups)
    return ", ".join(run(found[0], found[-1]) for found in runs)


# ---------------------------------------------------------------- crescendo


def crescendo(names: Names) -> Iterator[Listing]:
    """What each stage of the crescendo adds to the one before, and what it takes away."""
    pedal, ranges = names.console.crescendo, names.ranges
    if not pedal.stages:
        return
    rises, _ = crescendo_stages(pedal)
    readings = range(128) if pedal.heel < pedal.toe else range(127, -1, -1)
    rows = []
    before = (0, 0)
    for number, (adds, silences) in enumerate(ranges.stages, 1):
        changes = [names.range(adds & ~before[0])]
        for what, bits in (
            ("No longer", before[0] & ~adds),
            ("Silences", silences & ~before[1]),
            ("No longer silences", before[1] & ~silences),
        ):
            if bits:
                changes.append(f"{what} {names.range(bits)}")
        begins = next(reading for reading in readings if rises[reading] >= number)
        rows.append((str(number), str(begins), ". ".join(changes)))
        before = (adds, silences)
    where = f"{controller_text(pedal.input)}; heel {pedal.heel}, toe {pedal.toe}"
    title = f"Crescendo: {plural(len(pedal.stages), 'stage')}; {where}"
    yield Listing(
        (f"{title}, hysteresis {pedal.hysteresis}",), ("stage", "from", "adds"), tuple(rows)
    )


# ---------------------------------------------------------------- pistons


_GROUPS = (
    (frozenset({Kind.GENERAL}), "general"),
    (frozenset({Kind.DIVISIONAL}), "divisional"),
    (frozenset({Kind.FULL_ORGAN}), "full organ"),
    (frozenset({Kind.REVERSIBLE}), "reversible"),
    (frozenset({Kind.MOMENTARY}), "momentary piston"),
)
_OTHERS = frozenset(Kind).difference(*(kinds for kinds, _ in _GROUPS))


def pistons(names: Names) -> Iterator[Listing]:
    """Every piston, kind by kind: whether it can be set, its contacts, and what it does."""
    for kinds, one in (*_GROUPS, (_OTHERS, "other piston")):
        listed = [piston for piston in names.console.pistons if piston.kind in kinds]
        if not listed:
            continue
        has_kind, has_set = len(kinds) > 1, bool(kinds & CAN_BE_SET)
        yield Listing(
            (plural(len(listed), one),),
            (
                "id",
                "label",
                *(["kind"] if has_kind else []),
                "contacts",
                *(["set"] if has_set else []),
                "what it does",
            ),
            tuple(
                (
                    piston.id,
                    piston.face,
                    *([str(piston.kind)] if has_kind else []),
                    " ".join(contact_text(c) for c in piston.contact) or "not wired",
                    *([_can_be_set(piston)] if has_set else []),
                    what_does(names, piston),
                )
                for piston in listed
            ),
        )


def _can_be_set(piston: Piston) -> str:
    if piston.kind not in CAN_BE_SET:
        return ""
    return "yes" if piston.can_be_set else "no"


def what_does(names: Names, piston: Piston) -> str:
    """What a piston does when it is pressed, and by its second touch."""
    does = _DOES[piston.kind](names, piston)
    if piston.second_touch is None:
        return does
    second = piston.second_touch
    contact = " ".join(contact_text(c) for c in second.contact) or "not wired"
    return f"{does}. Second touch ({contact}): {names.piston(second.piston)}"


def _recalls(names: Names, piston: Piston) -> str:
    listed = names.range(names.ranges.affected_by(piston))
    return f"only adds, from {listed}" if piston.additive else listed


def _sounds(names: Names, piston: Piston) -> str:
    sounds, silences = names.ranges.full_organs[piston.id]
    silenced = f". Silences {names.range(silences)}" if silences else ""
    return f"sounds {names.range(sounds)}{silenced}"


def _cancels(names: Names, piston: Piston) -> str:
    return names.range(names.ranges.cancelled[piston.division or ""])


def _cancels_all(names: Names, _: Piston) -> str:
    return f"{names.range(names.ranges.capturable)}; every full organ"


_DOES: dict[Kind, Callable[[Names, Piston], str]] = {
    Kind.GENERAL: _recalls,
    Kind.DIVISIONAL: _recalls,
    Kind.REVERSIBLE: lambda names, piston: f"turns over {names.control(piston.control or '')}",
    Kind.FULL_ORGAN: _sounds,
    Kind.MOMENTARY: lambda names, piston: f"{names.control(piston.control or '')} while held",
    Kind.GENERAL_CANCEL: _cancels_all,
    Kind.DIVISIONAL_CANCEL: _cancels,
    Kind.HAND_REGISTRATION: lambda _, __: "lets every tab speak",
    Kind.SET: lambda _, __: "sets the pistons pressed with it, or after it",
    Kind.CRESCENDO_SET: lambda _, __: "pressed with set: sets the crescendo's present stage",
    Kind.LEVEL_UP: lambda _, piston: f"{plural(piston.by or 1, 'level')} up",
    Kind.LEVEL_DOWN: lambda _, piston: f"{plural(piston.by or 1, 'level')} down",
    Kind.LEVEL: lambda _, piston: f"to level {piston.level}",
    Kind.NEXT: lambda _, __: "to the next step of the sequence",
    Kind.PREVIOUS: lambda _, __: "to the step before in the sequence",
}


# ---------------------------------------------------------------- ports


def ports(names: Names) -> Iterator[Listing]:
    """Every port: whether it comes in or goes out, and what it is joined to."""
    rows = tuple(
        (port.id, _WAYS[use.listens, use.sends], _joined_to(port))
        for port, use in _joined(names.console)
    )
    if rows:
        yield Listing((plural(len(rows), "port"),), ("id", "goes", "joined to"), rows)


_WAYS = {
    (True, True): "in and out",
    (True, False): "in",
    (False, True): "out",
    (False, False): "nowhere",
}


def _joined(console: Console) -> Iterator[tuple[Port, PortUse]]:
    """The ports that a console uses, then those that its file joins for nothing.

    One that its file does not join is the MIDI port of its own name.
    """
    used = ports_of(console)
    given = {port.id: port for port in console.ports}
    for name in dict.fromkeys((*used, *given)):
        yield given.get(name, Port(name, midi=name)), used.get(name, PortUse())


def _joined_to(port: Port) -> str:
    ways = (
        (port.midi, "MIDI port {}"),
        (port.connect, "TCP, connects to {}"),
        (port.listen, "TCP, waits at {}"),
        (port.serial, f"serial device {{}}, {port.speed} baud"),
        (port.device, "device or file {}"),
    )
    joined = next(text.format(given) for given, text in ways if given is not None)
    return joined if port.active_sensing else f"{joined}; no active sensing"


PARTS: dict[str, tuple[Callable[[Names], Iterator[Listing]], tuple[str, ...]]] = {
    "choices": (
        choices,
        (
            "while-governed",
            "cancel",
            "unset",
            "again",
            "divisional-couplers",
            "levels",
            "set",
            "drive",
            "timing",
        ),
    ),
    "divisions": (divisions, ("keyboard", "transposer", "division", "chamber", "shoe")),
    "controls": (
        controls,
        ("stop", "coupler", "tremulant", "percussion", "trap", "effect"),
    ),
    "pistons": (pistons, ("piston",)),
    "crescendo": (crescendo, ("crescendo",)),
    "ranks": (ranks, ("rank",)),
    "boards": (boards, ("board", "readout")),
    "ports": (ports, ("port",)),
    "unwired": (unwired, ("unwired",)),
}
"""The parts of a description, in order: how each is listed, and which keys of the file it has."""


# ---------------------------------------------------------------- for another program


def as_data(names: Names, parts: Iterable[str]) -> dict[str, object]:
    """Parts of a console by the file's own words, defaults filled in, selections worked out.

    Pistons have besides ``affected``, the ids of what they affect; ranks ``needs``; boards
    ``on-pins``; stages of the crescendo the whole of what they add and silence; ports
    ``listens`` and ``sends``. Ports that the file does not join are there too.
    """
    console, roster = names.console, names.ranges.roster
    data = _plain(console)
    for piston, row in zip(console.pistons, data["piston"], strict=True):
        if piston.id in names.ranges.affects:
            row["affected"] = list(roster.registration(names.ranges.affects[piston.id]))
    for need, row in zip(needs_of(console), data["rank"], strict=True):
        row["needs"] = need_data(need)
    stages = zip(names.ranges.stages, data["crescendo"]["stage"], strict=True)
    for (adds, silences), row in stages:
        row["adding"] = list(roster.registration(adds))
        row["silencing"] = list(roster.registration(silences))
    sensed, driven = pins_in(names), pins_out(names)
    for board, row in zip(console.boards, data["board"], strict=True):
        row["on-pins"] = [
            {"pin": pin, "in": _on(sensed, board.id, pin), "out": _on(driven, board.id, pin)}
            for pin in range(1, board.pins + 1)
        ]
    data["port"] = [_plain(port) | _plain(use) for port, use in _joined(console)]
    data["unwired"] = {what: things for what, things, _ in lacking(names) if things}
    kept = {"format", "name", "action"}.union(*(PARTS[part][1] for part in parts))
    return {key: value for key, value in data.items() if key in kept}


def need_data(need: Need) -> dict[str, object]:
    """The pipes that stops need of a rank: how many, from which to which, what lacks, what idles.

    Pipes are counted from 1, the rank's first; those that it lacks at the bottom are below 1.
    """
    return {
        "pipes": len(need.asked),
        "lowest": min(need.asked, default=None),
        "highest": max(need.asked, default=None),
        "short-at-bottom": need.short_below,
        "short-at-top": need.short_above,
        "needed-by-none": need.idle,
    }


def _on(pins: Pins, board: str, pin: int) -> str | None:
    use = pins.get(board, {}).get(pin)
    return None if use is None else use.until(use)


def _plain(value: Any) -> Any:
    """A value of the model as JSON has it: tables by the file's words, pitches as engraved."""
    if attrs.has(type(value)):
        return {
            file_word(attribute): _plain(getattr(value, attribute.name))
            for attribute in attrs.fields(type(value))
        }
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    if isinstance(value, Enum):
        return value.value
    return format_pitch(value) if isinstance(value, Fraction) else value
