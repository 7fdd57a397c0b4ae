"""An organ told to its owner: what it has, what each piston does, how it is played and set.

The sentences are chosen by the console's own settings, and say of them what `semantics.md` does in
Part I. Takes consoles without errors; what they are handed over with is not known here.
"""

from collections.abc import Iterable, Iterator, Sequence

from cli.console.describing import crescendo, what_does, what_is
from cli.naming import Names, counted, pitch_text, plural
from cli.workshop.pages import Cell, Html, paragraph, section, table, whole
from cli.workshop.schedule import note_name
from combination.model import (
    CAN_BE_SET,
    RECALLING,
    Action,
    Again,
    Cancel,
    Console,
    Control,
    Kind,
    Percussion,
    Piston,
    Place,
    Shows,
    Stop,
    Stores,
    Unset,
    WhileGoverned,
)
from combination.pipes import draws_of

_BRIEF = 20
"""Signs. A column of such cells is not folded, however much there is in the others."""


def fitted(columns: Sequence[str], rows: Iterable[Sequence[Cell]], head: str = "") -> Html:
    """A table in which only long cells are folded."""
    heads = [_brief(column) for column in columns]
    return table(heads, [[_brief(cell) for cell in row] for row in rows], head)


def _brief(cell: Cell) -> Cell:
    return cell if isinstance(cell, Html) or len(cell) > _BRIEF else whole(cell)


# ---------------------------------------------------------------- what the organ has


MIDDLE_C = "C4 is middle C; the lowest C of a manual is C2."


def specification(names: Names) -> Iterator[Html]:
    """What the organ has, division by division: a line for each control, with its pitch."""
    console = names.console
    rows: list[tuple[str, ...]] = [
        (
            keyboard.name,
            plural(keyboard.keys, "key"),
            f"{note_name(keyboard.lowest)} to {note_name(keyboard.lowest + keyboard.keys - 1)}",
            ", ".join(d.name for d in console.divisions if d.keyboard == keyboard.id),
        )
        for keyboard in console.keyboards
    ]
    if rows:
        columns = ("keyboard", "keys", "compass", "plays")
        yield section("Keyboards", paragraph(MIDDLE_C), fitted(columns, rows))
    for division, name in (*names.divisions.items(), (None, "Of no division")):
        listed = names.of_division(division)
        if listed:
            rows = [(c.face, _pitch(names, c), _plays(names, c), c.id) for c in listed]
            columns = ("as engraved", "pitch", "what it plays", "id")
            yield section(name, paragraph(f"{counted(listed)}."), fitted(columns, rows))
    rows = list(_accessories(names))
    if rows:
        yield section("Accessories", fitted(("what", "", "how it works"), rows))
    yield paragraph(
        "An id is what the console file calls a thing. Messages and commands give it where two "
        "things have the same label."
    )


def _pitch(names: Names, control: Control) -> str:
    """A stop's pitch; several where a mixture breaks, or a bass is borrowed at another."""
    if not isinstance(control, Stop | Percussion):
        return ""
    ranks_ = {rank.id: rank for rank in names.console.ranks}
    draws = [draw for _, draw in draws_of(control) if not draw.by_key]
    pitches = {draw.pitch or ranks_[draw.rank].pitch for draw in draws}
    return pitch_text(pitches.pop()) if len(pitches) == 1 else "several" if pitches else ""


def _plays(names: Names, control: Control) -> str:
    """What a control does: the ranks that a stop draws, and from which key to which."""
    if not isinstance(control, Stop | Percussion):
        return what_is(names, control)
    ranks_ = {rank.id: rank.name for rank in names.console.ranks}
    draws = [draw for _, draw in draws_of(control)]
    said = ", ".join(dict.fromkeys(ranks_[draw.rank] for draw in draws)) or "no rank"
    firsts, lasts = [d.first_key for d in draws], [d.last_key for d in draws]
    division = next((d for d in names.console.divisions if d.id == control.division), None)
    if division is not None:
        lowest, count = names.console.lines_of(division)
        first = min((lowest if key is None else key for key in firsts), default=lowest)
        last = max((lowest + count if key is None else key for key in lasts), default=128)
        said += f", from {note_name(first)}" if first > lowest else ""
        said += f", to {note_name(last)}" if last < lowest + count - 1 else ""
    return said if control.captured else f"{said}; never captured"


def _accessories(names: Names) -> Iterator[tuple[str, str, str]]:
    console = names.console
    chambers = {chamber.id: chamber.name for chamber in console.chambers}
    for shoe in console.shoes:
        opens = ", ".join(chambers[name] for name in shoe.chambers) or "no chamber by itself"
        also = f"; all chambers with {names.control(shoe.all_control)}" if shoe.all_control else ""
        yield "expression shoe", shoe.name, f"opens {opens}{also}"
    if console.crescendo.stages:
        yield "crescendo pedal", "", plural(len(console.crescendo.stages), "stage")
    if transposes(console):
        yield "transposer", "", "six semitones up or down"
    for readout in console.readouts:
        yield "display", "", f"shows {_SHOWS[readout.shows]}"
    if console.setting.lock is not None:
        yield "key switch", "", "locks the memory"
    yield "memory", "", f"{plural(console.levels, 'level')} for each player"


_SHOWS = {
    Shows.LEVEL: "the memory level",
    Shows.STEP: "the step of the sequence",
    Shows.TRANSPOSER: "the transposer",
}


# ---------------------------------------------------------------- the pistons


_RANGE_LEGEND = (
    "A control is whatever a piston can hold: a stop, a coupler, a tremulant, a percussion, an "
    "effect; a capturable one is not kept out of every piston. A number in brackets counts: "
    "Great (12) is all twelve of the Great but its couplers. What it does not affect, a piston "
    "leaves alone."
)
_PRESSED = {Place.THUMB: "thumb", Place.TOE: "toe"}


def pistons(names: Names) -> Iterator[Html]:
    """A line for each piston, with what it affects; what each stage of the crescendo adds."""
    yield section("How to read this", paragraph(_RANGE_LEGEND))
    says_where = any(piston.at for piston in names.console.pistons)
    columns = ("piston", *(["pressed by"] if says_where else []), "what it affects or does", "id")
    for heading, group in _grouped(names).items():
        rows = []
        for piston in group:
            where = " or ".join(_PRESSED[place] for place in dict.fromkeys(piston.places))
            does = what_does(names, piston)
            if piston.kind in CAN_BE_SET and not piston.can_be_set:
                does += ". Cannot be set"
            rows.append((piston.face, *([where] if says_where else []), does, piston.id))
        yield section(heading, fitted(columns, rows))
    for listing in crescendo(names):
        rows = [(stage, adds) for stage, _, adds in listing.rows]
        yield section("Crescendo pedal", fitted(("stage", "adds to the one before"), rows))


def _grouped(names: Names) -> dict[str, list[Piston]]:
    """The pistons by kind, divisionals by division; each group in the order of the file."""
    groups: dict[str, list[Piston]] = {
        heading: [] for heading in ("Generals", *_divisionals(names))
    }
    groups |= {heading: [] for heading in (*_GROUPS.values(), "Other pistons")}
    for piston in names.console.pistons:
        if piston.kind is Kind.DIVISIONAL:
            heading = f"Divisionals of the {names.divisions[piston.division or '']}"
        else:
            heading = _GROUPS.get(piston.kind, "Other pistons")
        groups[heading].append(piston)
    return {heading: group for heading, group in groups.items() if group}


def _divisionals(names: Names) -> Iterator[str]:
    return (f"Divisionals of the {name}" for name in names.divisions.values())


_GROUPS = {
    Kind.GENERAL: "Generals",
    Kind.REVERSIBLE: "Reversibles",
    Kind.FULL_ORGAN: "Full organ",
    Kind.MOMENTARY: "Momentary pistons",
}


# ---------------------------------------------------------------- how it is played and set


Told = tuple[str, tuple[str, ...]]
"""A heading, and sentences under it."""


def playing(console: Console) -> tuple[Told, ...]:
    """How this console is played and set, by its own settings (semantics.md, Part I)."""
    told = (
        ("What sounds", tuple(_what_sounds(console))),
        ("Pistons", tuple(_pressing(console))),
        ("Setting a piston", tuple(_setting(console))),
        ("Cancelling", tuple(_cancelling(console))),
        ("Memory levels", tuple(_levels(console))),
        ("The sequence", tuple(_sequence(console))),
        ("Switching on and off", tuple(_switching(console))),
    )
    return tuple((heading, lines) for heading, lines in told if lines)


def called(console: Console, *kinds: Kind) -> str:
    """What the pistons of some kinds are engraved with; empty if there are none."""
    return ", ".join(piston.face for piston in console.pistons if piston.kind in kinds)


def has(console: Console, *kinds: Kind) -> bool:
    """Whether there are pistons of some kinds."""
    return any(piston.kind in kinds for piston in console.pistons)


def _lamps(console: Console) -> bool:
    """Whether generals or divisionals have lamps."""
    return any(piston.lamp for piston in console.pistons if piston.kind in RECALLING)


def _what_sounds(console: Console) -> Iterator[str]:
    if console.action is Action.MOVING:
        yield (
            "A piston moves the tabs, and what the tabs show is what sounds. A tab moved by hand "
            "counts at once."
        )
    elif console.action is Action.LIT:
        yield (
            "Nothing moves: each control has a lamp, lit while it is on. A touch turns it over; "
            "one with two touches is turned on by one and off by the other. Pistons do the same."
        )
    elif console.while_governed is WhileGoverned.ADDS:
        yield (
            "Tabs move only by hand. A drawn tab always sounds; pistons add to what the tabs show, "
            "and move none."
        )
    else:
        yield (
            "Tabs move only by hand. A piston moves none: it holds what it affects, on or off, "
            "whatever those tabs show, until something lets them go."
        )
        if console.while_governed is WhileGoverned.IGNORED:
            yield (
                "A tab that you move while a piston holds it is not heard until it is let go; then "
                "it speaks as it stands."
            )
        else:
            yield (
                "A tab that you move while a piston holds it comes free of the piston, and sounds "
                "as it stands."
            )
    if console.crescendo.stages or has(console, Kind.FULL_ORGAN):
        which = " and ".join(
            [
                *(["the crescendo pedal"] if console.crescendo.stages else []),
                *(["full organ"] if has(console, Kind.FULL_ORGAN) else []),
            ]
        )
        moves = "light no control" if console.action is Action.LIT else "move no tab"
        yield (
            f"Beyond that, {which} can add to what sounds, and silence what the page of pistons "
            f"says. They {moves}, and nothing of them goes into a piston that is set."
        )


def _pressing(console: Console) -> Iterator[str]:
    if has(console, *RECALLING):
        yield (
            "A general works on the whole organ, a divisional on its own division, but where the "
            "page of pistons says otherwise. Each brings what was set on it at the present level."
        )
        yield _UNSET[console.unset][console.while_governed is WhileGoverned.ADDS]
        if console.action is Action.BLIND and console.again is Again.RELEASE:
            yield (
                "Pressed again while it still holds all that it brought, it lets go: those tabs "
                "speak as they stand."
            )
    if any(piston.additive for piston in console.pistons):
        yield "A piston that only adds turns nothing off, set or not."
    if _lamps(console):
        yield _LAMPS[console.action]
        if console.action is Action.BLIND and console.while_governed is WhileGoverned.LAST_TOUCH:
            yield "A tab moved by hand puts the lamps of the pistons out that held it."
    if has(console, Kind.REVERSIBLE):
        adds = console.while_governed is WhileGoverned.ADDS
        but = " It cannot silence what its tab has on." if adds else ""
        yield f"A reversible turns its one control over at each press.{but}"
    if has(console, Kind.FULL_ORGAN):
        yield f"{called(console, Kind.FULL_ORGAN)}: on at one press, off at the next."
    if has(console, Kind.MOMENTARY):
        yield f"{called(console, Kind.MOMENTARY)}: only while held down."
    if any(piston.second_touch for piston in console.pistons):
        yield "Some pistons have a second touch: pressed deeper, they press another piston too."
    if has(console, Kind.HAND_REGISTRATION):
        name = called(console, Kind.HAND_REGISTRATION)
        yield f"{name} lets every tab speak as it stands; full organ stays."


_UNSET = {
    Unset.REFUSE: (
        'With nothing set on it at this level it does nothing, and the screen says "not set".',
    )
    * 2,
    Unset.CLEAR: (
        "With nothing set on it at this level it turns off all that it affects.",
        "With nothing set on it at this level it takes away what pistons have added of all that "
        "it affects.",
    ),
}
"""By whether pistons only add to the tabs."""
_LAMPS = {
    Action.BLIND: (
        "A piston's lamp is lit while it holds all that it brought. Another piston or a cancel "
        "that takes any of it puts the lamp out."
    ),
    Action.MOVING: (
        "A piston's lamp is lit while the tabs show what it brought. A tab moved by hand puts it "
        "out, and moved back lights it again."
    ),
    Action.LIT: (
        "A piston's lamp is lit while what it brought is on, and nothing else of what it affects. "
        "A control touched puts it out, and touched back lights it again."
    ),
}


def _setting(console: Console) -> Iterator[str]:
    name = called(console, Kind.SET)
    hold, latch = console.setting.hold, console.setting.latch
    if not name or not (hold or latch):
        yield (
            "No piston of this console sets another: registrations are changed away from it, with "
            "the commands of stopwright bank."
        )
        return
    if hold:
        yield (
            f"Hold {name} down, press the piston that is to be set, let go. It then holds what is "
            "stored at that moment, in the place of what it held before. Several can be set in "
            "one hold."
        )
    if latch:
        begins = "Or push" if hold else "Push"
        seconds = f"{console.setting.latch_time:g} s"
        yield (
            f"{begins} {name} by itself and let it go: the piston pressed next, within {seconds}, "
            "is set. To change your mind push it again"
            + (", or the general cancel" if has(console, Kind.GENERAL_CANCEL) else "")
            + "."
        )
    yield _STORED[console.action is Action.BLIND, console.stores]
    yield "Of that a piston remembers what it affects, and nothing else."
    settable = [p for p in console.pistons if p.kind is Kind.FULL_ORGAN and p.can_be_set]
    if settable:
        yield (
            f"{', '.join(p.face for p in settable)}: set like the others, once for all levels. "
            "What it silences stays."
        )
    if has(console, Kind.CRESCENDO_SET):
        yield (
            f"To set a stage of the crescendo, bring its pedal to that stage, and press "
            f"{called(console, Kind.CRESCENDO_SET)} as a piston that is set. It is refused while "
            "the pedal is closed."
        )
    unsettable = [p for p in console.pistons if p.kind in CAN_BE_SET and not p.can_be_set]
    if unsettable:
        yield f"Cannot be set: {', '.join(p.face for p in unsettable)}."
    if console.setting.lock is not None:
        yield "While the key switch locks the memory, nothing can be set."
    yield "A press that is refused changes nothing, and the screen says why."


_STORED = {
    (True, Stores.RAIL): (
        "What is stored is what the tabs show, whatever sounds: while a piston plays, the next "
        "registration can be made ready on the tabs."
    ),
    (True, Stores.BASE): (
        "What is stored is what tabs and pistons give together, without crescendo, full organ "
        "and momentary pistons."
    ),
    (False, Stores.BASE): (
        "What is stored is what is on, without what crescendo, full organ and momentary pistons "
        "add."
    ),
}
"""By whether the action is blind, and by what setting stores."""


def _cancelling(console: Console) -> Iterator[str]:
    name = called(console, Kind.GENERAL_CANCEL)
    full_organ = has(console, Kind.FULL_ORGAN)
    if name:
        off = ", and turns full organ off" if full_organ else ""
        yield f"{name} {_CANCELS[_cancel_of(console)]}{off}."
        kept = [control.face for control in console.controls if not control.captured]
        if kept and _cancel_of(console) in ("silence", "off"):
            yield f"It leaves alone what no piston can be set to hold: {', '.join(kept)}."
        if console.setting.latch and has(console, Kind.SET):
            set_ = called(console, Kind.SET)
            yield f"While {set_} waits for a piston, {name} takes only that back."
    if has(console, Kind.DIVISIONAL_CANCEL):
        stays = "; full organ stays" if full_organ else ""
        yield (
            f"{called(console, Kind.DIVISIONAL_CANCEL)}: the same for one division and its "
            f"couplers{stays}."
        )


def _cancel_of(console: Console) -> str:
    """What a cancel comes to. Where pistons only add, held off is no more than released."""
    if console.action is not Action.BLIND:
        return "off"
    if console.while_governed is WhileGoverned.ADDS:
        return "adds"
    return "silence" if console.cancel is Cancel.SILENCE else "release"


_CANCELS = {
    "release": "lets every tab speak as it stands",
    "adds": "takes away all that pistons have added",
    "silence": "silences all that pistons can be set to hold, whatever the tabs show",
    "off": "turns off all that pistons can be set to hold",
}


def _levels(console: Console) -> Iterator[str]:
    if console.levels == 1:
        return
    yield (
        f"There are {console.levels} levels. At each of them every general and divisional "
        "remembers a registration of its own; full organ and crescendo are the same at all."
    )
    moves = called(console, Kind.LEVEL_DOWN, Kind.LEVEL_UP, Kind.LEVEL)
    if moves:
        yield (
            f"{moves}: the level changes, and nothing that sounds. The next piston pressed or set "
            f"uses it. The levels end at 1 and {console.levels}: there it stays."
        )
    elif not has(console, Kind.NEXT, Kind.PREVIOUS):
        yield "No piston of this console changes the level."


def _sequence(console: Console) -> Iterator[str]:
    name = called(console, Kind.PREVIOUS, Kind.NEXT)
    if not name:
        return
    yield (
        f"{name}: to the step before, or to the next. A step makes its level the present one, and "
        "presses its piston. At either end the press is refused, and so it is while setting."
    )
    usual = "The order can be your own: stopwright bank sequence writes it."
    if has(console, Kind.GENERAL):
        usual += " With none written it is the generals of level 1, then those of level 2, and on."
    yield usual


def transposes(console: Console) -> bool:
    """Whether anything moves the transposer."""
    ways = console.transposer
    return any((ways.up, ways.down, ways.zero, ways.switch))


def _switching(console: Console) -> Iterator[str]:
    yield (
        "It can be switched off at the key at any moment: a set that was acknowledged is kept, if "
        "the console is played from a store."
    )
    rail = {
        Action.BLIND: "the tabs speak as they stand",
        Action.MOVING: "the tabs are as they stand, and none is moved",
        Action.LIT: "every control is off",
    }[console.action]
    if has(console, *RECALLING):
        rail += f", and no general or divisional is {'lit' if _lamps(console) else 'in force'}"
    yield (
        f"When it is switched on again, {rail}. What each piston remembers is as it was, and so "
        "are the level and the place in the sequence."
    )
    if transposes(console) and console.transposer.switch is None:
        yield "The transposer is at 0 then."
