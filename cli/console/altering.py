"""What a piston becomes when a technician alters it: its kind, its range, its marks.

Takes a console without errors and the words of a command; says the piston that comes of them, or
refuses in the same words. How the file is then written is the business of `cli.console.rewriting`.
"""

from collections.abc import Mapping

from attrs import evolve, frozen

from cli.console.rewriting import Changes
from cli.naming import Names
from cli.output import refuse
from combination.findings import nearest, quoted
from combination.model import RECALLING, Kind, Piston, Selection
from combination.ranges import Ranges

EVERYTHING = "everything"
"""The word for every control that can be captured."""


@frozen
class Wish:
    """What is asked of a piston. What is None, or empty, stays as it is.

    ``words`` names a range anew: divisions, controls, or `EVERYTHING`.
    """

    general: bool = False
    divisional: str | None = None
    words: str | None = None
    also: tuple[str, ...] = ()
    without: tuple[str, ...] = ()
    additive: bool | None = None
    settable: bool | None = None


def alter(names: Names, piston: Piston, wish: Wish) -> Piston:
    """The piston as it will be. Refuses what cannot be done, in the technician's words."""
    if piston.kind not in RECALLING:
        refuse(
            f'piston "{piston.id}" is of kind {piston.kind}: '
            "only generals and divisionals can be altered so"
        )
    if wish.general:
        piston = evolve(piston, kind=Kind.GENERAL, division=None, affects=None)
    elif wish.divisional is not None:
        _must_be_known(wish.divisional, "division", names.divisions)
        piston = evolve(piston, kind=Kind.DIVISIONAL, division=wish.divisional, affects=None)
    if wish.words is not None:
        piston = evolve(piston, affects=_selection(names, wish.words))
    both = [name for name in wish.also if name in wish.without]
    if both:
        refuse(f'"{both[0]}" is given to both --also and --not')
    for name in (*wish.also, *wish.without):
        _must_be_known(name, "control", names.controls)
    for name in wish.also:
        piston = _with(names, piston, name)
    for name in wish.without:
        piston = _without(names, piston, name)
    if wish.additive is not None:
        piston = evolve(piston, additive=wish.additive)
    if wish.settable is not None and wish.settable is not piston.can_be_set:
        piston = evolve(piston, settable=wish.settable)
    return piston


def changes(old: Piston, new: Piston) -> Changes:
    """What to write in the file to make one piston the other."""
    both: tuple[tuple[str, str | bool | Selection | None, str | bool | Selection | None], ...] = (
        ("kind", old.kind.value, new.kind.value),
        ("division", old.division, new.division),
        ("affects", old.affects, new.affects),
        ("additive", old.additive, new.additive),
        ("settable", old.settable, new.settable),
    )
    return {key: after for key, before, after in both if before != after}


def _must_be_known(name: str, kind: str, known: Mapping[str, object]) -> None:
    if name not in known:
        refuse(f"there is no {kind} {quoted(name)}{nearest(name, known)}")


def _selection(names: Names, words: str) -> Selection:
    """A range from a technician's words."""
    divisions, controls = [], []
    everything = False
    for word in words.replace(",", " ").split():
        if word == EVERYTHING:
            everything = True
        elif word in names.divisions:
            divisions.append(word)
        elif word in names.controls:
            controls.append(word)
        else:
            known = (*names.divisions, *names.controls, EVERYTHING)
            refuse(f"there is no division or control {quoted(word)}{nearest(word, known)}")
    if not (everything or divisions or controls):
        refuse("--affects names nothing")
    return Selection(everything, tuple(dict.fromkeys(divisions)), tuple(dict.fromkeys(controls)))


def _affects(ranges: Ranges, piston: Piston, name: str) -> bool:
    return bool(ranges.affected_by(piston) & ranges.roster.bit(name))


def _with(names: Names, piston: Piston, name: str) -> Piston:
    """A piston that affects one control more."""
    if _affects(names.ranges, piston, name):
        return piston
    if not names.controls[name].captured:
        refuse(f'"{name}" is never captured: no piston can affect it')
    if piston.affects is not None and name in piston.affects.excluding:
        left = tuple(other for other in piston.affects.excluding if other != name)
        selection = evolve(piston.affects, excluding=left)
        piston = evolve(piston, affects=selection if selection != Selection() else None)
        if _affects(names.ranges, piston, name):
            return piston
    whole = _written_out(names, piston)
    return evolve(piston, affects=evolve(whole, controls=(*whole.controls, name)))


def _written_out(names: Names, piston: Piston) -> Selection:
    """A piston's selection, with the usual range of a divisional put in words.

    It begins from that if it is not written at all, or only as exceptions. The usual range of a
    general is everything: there is no control that it lacks.
    """
    selection = piston.affects
    if selection is not None and (
        selection.everything or selection.divisions or selection.controls
    ):
        return selection
    division = piston.division or ""
    usual = names.ranges.affected_by(evolve(piston, affects=None))
    of_division = names.ranges.selected(Selection(divisions=(division,)))
    couplers = tuple(names.ranges.roster.registration(usual & ~of_division))
    excluding = selection.excluding if selection else ()
    return Selection(divisions=(division,), controls=couplers, excluding=excluding)


def _without(names: Names, piston: Piston, name: str) -> Piston:
    """A piston that affects one control less."""
    if not _affects(names.ranges, piston, name):
        return piston
    if piston.affects is None:
        return evolve(piston, affects=Selection(excluding=(name,)))
    selection = piston.affects
    if name in selection.controls:
        left = tuple(other for other in selection.controls if other != name)
        selection = evolve(selection, controls=left)
        if not (left or selection.everything or selection.divisions):
            return evolve(piston, affects=Selection())
    shorter = evolve(piston, affects=selection)
    if not _affects(names.ranges, shorter, name):
        return shorter
    return evolve(piston, affects=evolve(selection, excluding=(*selection.excluding, name)))
