"""Two banks side by side, and a bank beside a console: what differs, and what does not fit.

Takes what `banks` found and says it, to people or, as data, to programs. Nothing is compared
here.
"""

from collections import Counter
from collections.abc import Iterable, Iterator
from decimal import Decimal
from typing import Any, NamedTuple

import attrs

from banks import Comparison, Fit
from banks.comparing import LevelDiffers, MemoryDiffers, PassphraseDiffers
from banks.fit import StepMisfit
from cli.bank.words import (
    PAGE,
    Words,
    capital,
    column_for,
    folded,
    laid_out,
    level_words,
    place_words,
    set_words,
    step_words,
)
from cli.naming import plural
from cli.output import say, say_table
from combination.memory import Bank, PistonCard, Slot
from combination.model import Console

MOST_LEVELS = 20
"""Up to so many levels are named one by one in the summary that a restore shows."""

_LEFT_OFF = {"level", "sequence", "place"}
_WHAT = {"console": "console", "name": "name", "locked": "whole bank locked"}

Rows = list[tuple[str, list[str]]]


class Block(NamedTuple):
    """Rows under a title."""

    title: str
    rows: Rows


def print_blocks(title: str, blocks: Iterable[Block]) -> None:
    """Print blocks, if there are any, in the same columns."""
    printed = list(blocks)
    if not printed:
        return
    column = column_for(word for block in printed for word, _ in block.rows)
    lines = ["", title]
    for block in printed:
        lines += [f"  {block.title}", *laid_out(block.rows, column)]
    say("\n".join(line.rstrip() for line in lines))


# ---------------------------------------------------------------- two banks


def print_differences(first: Bank, second: Bank, found: Comparison) -> None:
    """Print the differences between two banks, and nothing that is the same in both."""
    words = Words(first, second)
    _print_about(first, second, found, ("in the first", "in the second"))
    _print_controls(found, words)
    _print_pistons(found, words)
    levels = {differs.number: differs for differs in found.levels}
    passphrases = {differs.level: differs for differs in found.passphrases}
    memory: dict[int | None, list[MemoryDiffers]] = {
        number: [] for number in (*levels, *passphrases) if number is not None
    }
    for place in found.memory:
        memory.setdefault(place.slot.level, []).append(place)
    lists = memory.pop(None, [])
    for number in sorted(number for number in memory if number is not None):
        named = next((b for b in (first, second) if number in b.levels), first)
        title = capital(level_words(named, number))
        rows = _level_rows(levels.get(number), passphrases.get(number))
        blocks = [Block("The level itself", rows)] if rows else []
        print_blocks(title, blocks + [_memory_block(words, each) for each in memory[number]])
    print_blocks(
        "Lists that the player has set, the same at all levels",
        (_memory_block(words, differs) for differs in lists),
    )
    _print_sequences(first, second, found, words)


def _print_about(first: Bank, second: Bank, found: Comparison, columns: tuple[str, str]) -> None:
    rows = [
        (_WHAT[differs.what], _value(differs.first), _value(differs.second))
        for differs in found.about
        if differs.what in _WHAT
    ]
    for passphrase in found.passphrases:
        if passphrase.level is None:
            rows.append(("passphrase", *_WHOLE[passphrase.known_first, passphrase.known_second]))
    if any(thing.what in _LEFT_OFF for thing in found.about):
        rows.append(("left off at", place_words(first), place_words(second)))
    if rows:
        say()
        say_table(("", *columns), rows, width=PAGE)


_WHOLE = {
    (True, True): ("one", "another"),
    (True, False): ("yes", "no"),
    (False, True): ("no", "yes"),
}


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value) or "none"


def _print_controls(found: Comparison, words: Words) -> None:
    """Print the controls that only one bank knows, or that the two call otherwise."""
    known = [
        ("first", [c.id for c in found.controls if c.second is None]),
        ("second", [c.id for c in found.controls if c.first is None]),
    ]
    print_blocks(
        "Controls that only one bank knows",
        (
            Block(f"in the {which} only", list(words.by_division(controls).items()))
            for which, controls in known
            if controls
        ),
    )
    print_blocks(
        "Controls that are called otherwise",
        (
            Block(
                words.control(c.id),
                [
                    ("in the first", [_called(c.first.face, c.first.division)]),
                    ("in the second", [_called(c.second.face, c.second.division)]),
                ],
            )
            for c in found.controls
            if c.first is not None and c.second is not None
        ),
    )


def _print_pistons(found: Comparison, words: Words) -> None:
    """Print the pistons that only one bank knows, or that are not the same in the two."""
    blocks = []
    for piston in found.pistons:
        title = words.piston(piston.id)
        if piston.first is None or piston.second is None:
            blocks.append(Block(f"{title}: in the {_one(piston.second is None)} only", []))
            continue
        rows: Rows = []
        one, other = piston.first, piston.second
        if _said_of(one) != _said_of(other):
            rows.append(("in the first", [_called(one.face, *_said_of(one)[1:])]))
            rows.append(("in the second", [_called(other.face, *_said_of(other)[1:])]))
        rows += _either(words, "affects", piston.affected_first, piston.affected_second)
        blocks.append(Block(title, rows))
    print_blocks("Pistons that are not the same in both", blocks)


def _one(first: bool) -> str:
    return "first" if first else "second"


def _said_of(card: PistonCard) -> tuple[tuple[str, ...], str, str]:
    return card.label, card.kind, card.division


def _called(face: str, *what: str) -> str:
    words = ", ".join(filter(None, what))
    return f"{face} ({words})" if words else face


def _either(words: Words, verb: str, first: tuple[str, ...], second: tuple[str, ...]) -> Rows:
    """What is so in the first bank only, and what in the second only."""
    verb = f" {verb}" if verb else " only"
    return [
        (f"{which}{verb}: {division}", faces)
        for which, controls in (("first", first), ("second", second))
        for division, faces in words.by_division(controls).items()
    ]


def _level_rows(differs: LevelDiffers | None, passphrase: PassphraseDiffers | None) -> Rows:
    rows: Rows = []
    if differs is not None:
        rows += _name_and_lock(differs)
    if passphrase is not None:
        rows.append(("passphrase", [_PASSPHRASE[passphrase.known_first, passphrase.known_second]]))
    return rows


def _name_and_lock(differs: LevelDiffers) -> Rows:
    rows: Rows = []
    if differs.name_first != differs.name_second:
        rows.append(("name in the first", [differs.name_first or "none"]))
        rows.append(("name in the second", [differs.name_second or "none"]))
    if differs.locked_first != differs.locked_second:
        rows.append(("locked", [f"in the {_one(differs.locked_first)} only"]))
    return rows


_PASSPHRASE = {
    (True, True): "not the same",
    (True, False): "in the first only",
    (False, True): "in the second only",
}


def _memory_block(words: Words, differs: MemoryDiffers) -> Block:
    slot = differs.slot
    title = _slot_words(words, slot)
    if differs.set_first and differs.set_second:
        return Block(
            title,
            _either(words, "", differs.on_first, differs.on_second)
            + _either(words, "leaves alone", differs.neutral_first, differs.neutral_second),
        )
    rows: Rows = list(words.by_division(differs.on_first + differs.on_second).items())
    rows = rows or [("nothing on", [])]
    neutral = words.by_division(differs.neutral_first + differs.neutral_second)
    rows += [(f"left alone: {division}", faces) for division, faces in neutral.items()]
    return Block(f"{title}: set in the {_one(differs.set_first)} only", rows)


def _slot_words(words: Words, slot: Slot) -> str:
    if slot.stage is not None:
        return f"Crescendo stage {slot.stage}"
    return words.piston(slot.piston or "")


def _print_sequences(first: Bank, second: Bank, found: Comparison, words: Words) -> None:
    for differs in found.sequences:
        title = f'Sequence "{differs.name}"'
        if not (differs.known_first and differs.known_second):
            title += f": in the {_one(differs.known_first)} only"
        say()
        if not differs.steps:
            say(title)
            continue
        rows = [
            (
                next(f"{step.number:f}" for step in (one, other) if step is not None),
                step_words(first, words, one) if one else "none",
                step_words(second, words, other) if other else "none",
            )
            for one, other in differs.steps
        ]
        say_table(("step", "in the first", "in the second"), rows, title=title, width=PAGE)


# ---------------------------------------------------------------- what a restore will do


def print_changes(present: Bank, restored: Bank, found: Comparison) -> None:
    """Print in a few lines how a bank will differ from what it is, level by level."""
    named = {differs.number: differs for differs in found.levels}
    passphrases = {differs.level: differs for differs in found.passphrases}
    places: dict[int | None, list[MemoryDiffers]] = {
        number: [] for number in (*named, *passphrases) if number is not None
    }
    for place in found.memory:
        places.setdefault(place.slot.level, []).append(place)
    lists = places.pop(None, [])
    levels = sorted(number for number in places if number is not None)
    for number in levels[:MOST_LEVELS]:
        told = _counted(places[number], "piston")
        if number in named:
            told += _level_changes(named[number])
        if number in passphrases:
            told.append(_passphrase_changes(passphrases[number]))
        say(f"  {level_words(present, number)}: {', '.join(told)}")
    if len(levels) > MOST_LEVELS:
        count = sum(len(places[number]) for number in levels[MOST_LEVELS:])
        more = plural(len(levels) - MOST_LEVELS, "more level")
        say(f"  and {more}, with {plural(count, 'piston')} that will differ")
    if lists:
        say(f"  full organ and crescendo: {', '.join(_counted(lists, 'list'))}")
    for sequence in found.sequences:
        way = _SEQUENCES[sequence.known_first, sequence.known_second]
        say(f'  sequence "{sequence.name}": {way}')
    if found.equal:
        say("  nothing that is set: only what it says of the console is brought up to date")
    cards = _tally_cards(found)
    if cards:
        say(f"  {cards} known otherwise than now")
    _print_about(present, restored, found, ("now", "then"))


_SEQUENCES = {(True, True): "other steps", (True, False): "gone", (False, True): "new"}


def _counted(places: Iterable[MemoryDiffers], what: str) -> list[str]:
    """How many of some places change in which way."""
    counts = Counter((differs.set_first, differs.set_second) for differs in places)
    ways = (
        ((True, True), "set otherwise"),
        ((True, False), "no longer set"),
        ((False, True), "newly set"),
    )
    return [f"{plural(counts[way], what)} {told}" for way, told in ways if counts[way]]


def _level_changes(differs: LevelDiffers) -> list[str]:
    told = []
    if differs.name_first != differs.name_second:
        named = f'named "{differs.name_second}"'
        told.append(named if differs.name_second else "no longer named")
    if differs.locked_first != differs.locked_second:
        told.append("locked" if differs.locked_second else "no longer locked")
    return told


def _passphrase_changes(differs: PassphraseDiffers) -> str:
    if not differs.known_second:
        return "no longer with a passphrase"
    return "with another passphrase" if differs.known_first else "with a passphrase"


def _tally_cards(found: Comparison) -> str:
    counted = ((len(found.controls), "control"), (len(found.pistons), "piston"))
    return " and ".join(plural(count, what) for count, what in counted if count)


# ---------------------------------------------------------------- a bank on a console


def print_fit(fit: Fit, console: Console, name: str) -> None:
    """Print what becomes of a bank on a console. ``name`` is that of its file."""
    words = Words(fit.bank)
    say(f"{name} on {console.name}")
    for title, rows in _not_heard(fit, console, words):
        print_rows(title, rows)
    print_blocks("Pistons that affect other controls than before", _range_blocks(fit, words))
    print_blocks(
        "Pistons with controls on that they do not affect", _out_of_range_blocks(fit, words)
    )
    for title, rows in _otherwise(fit, words):
        print_rows(title, rows)
    say()
    say(_VERDICT[fit.complete])


_VERDICT = {
    True: "It fits: everything that it remembers will be heard.",
    False: "It does not fit whole: what is not heard is kept, and comes back where it fits.",
}


def _not_heard(fit: Fit, console: Console, words: Words) -> Iterator[tuple[str, Rows]]:
    """What of a bank a console will not play, kind by kind."""
    heard = {gone.card.id: gone.on_in for gone in fit.controls_gone if gone.on_in}
    yield (
        "Controls that the console does not have, and in how many memories each is on",
        list(words.by_division(heard, heard).items()),
    )
    yield (
        "Pistons whose combinations nothing on the console recalls",
        [
            (words.piston(gone.card.id), [plural(gone.combinations, "combination")])
            for gone in fit.pistons_gone
            if gone.combinations
        ],
    )
    yield (
        f"Levels beyond the console's {console.levels}",
        [
            (level_words(fit.bank, beyond.number), [set_words(beyond.combinations)])
            for beyond in fit.levels_beyond
        ],
    )
    yield (
        "Steps that the console would refuse",
        [
            (f'"{misfit.sequence}", step {misfit.step.number:f}', _step_misfit(words, misfit))
            for misfit in fit.steps
        ],
    )
    yield (
        "Full organ lists that nothing on the console sounds",
        _row(words.piston(card.id) for card in fit.full_organs),
    )
    yield (
        f"Crescendo stages beyond the console's {len(console.crescendo.stages)}",
        _row(f"stage {stage}" for stage in fit.stages),
    )


def _otherwise(fit: Fit, words: Words) -> Iterator[tuple[str, Rows]]:
    """What is new, called otherwise, or gone without a loss, kind by kind."""
    unused = (gone.card.id for gone in fit.controls_gone if not gone.on_in)
    new = (card.id for card in fit.controls_new)
    with_lists = {card.id for card in fit.full_organs}
    bare = (gone.card.id for gone in fit.pistons_gone if not gone.combinations)
    yield "Controls that are gone, and are on in no memory", _rows(words, unused)
    yield "Controls that are new: off until a piston is set again", _rows(words, new)
    yield (
        "Controls with a new id: their memory goes with them",
        [(renamed.was, [words.control(renamed.now)]) for renamed in fit.controls_renamed],
    )
    yield (
        "Pistons that are gone, with nothing set on them",
        _row(words.piston(piston) for piston in bare if piston not in with_lists),
    )
    yield (
        "Pistons that are new, with nothing set on them yet",
        _row(words.piston(card.id) for card in fit.pistons_new),
    )
    yield (
        "Pistons with a new id: their memory goes with them",
        [(renamed.was, [words.piston(renamed.now)]) for renamed in fit.pistons_renamed],
    )


def _rows(words: Words, controls: Iterable[str]) -> Rows:
    return list(words.by_division(controls).items())


def _row(items: Iterable[str]) -> Rows:
    """Things of one kind in a single row, if there are any."""
    several = list(items)
    return [("", several)] if several else []


def print_rows(title: str, rows: Iterable[tuple[str, list[str]]]) -> None:
    """Print rows under a title, if there are any."""
    printed = list(rows)
    if printed:
        lines = laid_out(printed, column_for(word for word, _ in printed))
        say("\n".join(line.rstrip() for line in ("", title, *lines)))


def _range_blocks(fit: Fit, words: Words) -> Iterator[Block]:
    """Which controls pistons affect no more or newly; those that changed alike together."""
    alike: dict[tuple[tuple[str, ...], tuple[str, ...], int], list[str]] = {}
    for changed in fit.ranges_changed:
        key = changed.no_longer, changed.newly, changed.unheard
        alike.setdefault(key, []).append(words.piston(changed.piston.id))
    for (no_longer, newly, unheard), pistons in alike.items():
        rows = [
            (f"{word}: {division}", faces)
            for word, controls in (("no longer", no_longer), ("newly", newly))
            for division, faces in words.by_division(controls).items()
        ]
        yield _pistons_block(pistons, rows, unheard)


def _out_of_range_blocks(fit: Fit, words: Words) -> Iterator[Block]:
    """Which controls are on though pistons do not affect them; those that are alike together."""
    alike: dict[tuple[tuple[str, ...], int], list[str]] = {}
    for kept in fit.out_of_range:
        alike.setdefault((kept.controls, kept.unheard), []).append(words.piston(kept.piston.id))
    for (controls, unheard), pistons in alike.items():
        yield _pistons_block(pistons, _rows(words, controls), unheard)


def _pistons_block(pistons: list[str], rows: Rows, unheard: int) -> Block:
    """Rows about several pistons, and of how many combinations of each a part is not heard."""
    each = " each" if len(pistons) > 1 else ""
    part = [("not heard", [f"part of {plural(unheard, 'combination')}{each}"])] if unheard else []
    return Block("\n  ".join(folded(pistons, PAGE - 2)), rows + part)


def _step_misfit(words: Words, misfit: StepMisfit) -> list[str]:
    told = []
    if misfit.level_beyond:
        told.append(f"level {misfit.step.level} is beyond the last")
    if misfit.piston_unknown:
        told.append(f"{words.piston(misfit.step.piston)} is no piston there for a step to press")
    return told


# ---------------------------------------------------------------- for other programs


def as_data(found: Any) -> Any:
    """What was found as plain data: by ids, with the keys of `banks` written with hyphens.

    Numbers of steps are text. Banks, and rows of bits, are left out.
    """
    if isinstance(found, Slot):
        return found._asdict()
    if isinstance(found, tuple):
        return [as_data(each) for each in found]
    if isinstance(found, Decimal):
        return f"{found:f}"
    if not attrs.has(type(found)):
        return found
    left_out = {"bank", "affects"} if isinstance(found, Fit | PistonCard) else set()
    return {
        name.replace("_", "-"): as_data(getattr(found, name))
        for name in (attribute.name for attribute in attrs.fields(type(found)))
        if name not in left_out
    }
