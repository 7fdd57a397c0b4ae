"""The load plan of a console: its supplies at their worst, how to drive its tabs, its wires.

What `combination.electrics` works out, as tables and as JSON, and an electrics file to begin with.
Which file it came from and where it goes is not known here.
"""

import textwrap
from collections.abc import Iterator
from typing import Any

from attrs import frozen

from cli.cautions import CAUTIONS
from cli.naming import Listing, plural
from cli.output import PAGE
from cli.workshop.pages import caution, page, paragraph, section, table
from combination.electrics import (
    COPPER,
    Demand,
    Driving,
    Electrics,
    Fault,
    Lit,
    Moment,
    WireLoad,
    best_drive,
    demands_of,
    driven_of,
    driving,
    faults_of,
    lamps_of,
    supply_loads,
    wire_loads,
)
from combination.model import Console, Drive

FIRST = "Local code and a licensed electrician come first."
SECOND_HAND = (
    "Article 650 is as trade press quotes it, and whatever says so is from memory: look them up."
)
NOTHING = "Nothing exceeds a rating, a fuse or a rule that this program knows."


@frozen
class LoadPlan:
    """All that there is to say: ``proposed`` is None if tabs need no driving, or none would do."""

    console: Console
    electrics: Electrics
    demands: tuple[Demand, ...]
    now: Driving
    proposed: Driving | None
    wires: tuple[WireLoad, ...]
    faults: tuple[Fault, ...]
    uncounted: tuple[str, ...]


def plan_of(electrics: Electrics, console: Console) -> LoadPlan:
    """Work everything out, for electrics that were read for this console without a fault."""
    demands = demands_of(electrics, console)
    supplies = supply_loads(electrics, console, demands)
    now = driving(console, supplies, console.drive)
    best = best_drive(console, supplies) if driven_of(console) else None
    wires = wire_loads(electrics, demands, now)
    return LoadPlan(
        console,
        electrics,
        demands,
        now,
        None if best is None else driving(console, supplies, best),
        wires,
        faults_of(electrics, console, now, wires),
        tuple(_uncounted(electrics, console)),
    )


def _uncounted(electrics: Electrics, console: Console) -> Iterator[str]:
    """What the console file says has a coil or a lamp, and no table of electrics has."""
    tables = electrics.magnets
    counted = {name for table in tables for name in table.ranks}
    ranks = [rank.id for rank in console.ranks if rank.longest_on and rank.id not in counted]
    counted = {name for table in tables for name in table.divisions}
    divisions = [
        d.id for d in console.divisions if d.out and d.out.longest_on and d.id not in counted
    ]
    counted = {name for table in tables for name in table.controls}
    controls = [
        c.id for c in console.controls if c.out and c.out.longest_on and c.id not in counted
    ]
    for what, names in (("rank", ranks), ("division", divisions), ("control", controls)):
        if names:
            yield f"coils of {plural(len(names), what)}: {', '.join(names)}"
    lit = {of for table in electrics.lamps for of in table.of}
    for of in Lit:
        if of not in lit and lamps_of(console, of):
            yield f"lamps of {of}: {lamps_of(console, of)}"


# ---------------------------------------------------------------- tables


def listings(plan: LoadPlan) -> Iterator[Listing]:
    """The plan as tables, with what is assumed above each."""
    yield _supplies(plan)
    yield _demands(plan)
    if driven_of(plan.console):
        yield from _driving(plan)
    if plan.wires:
        yield _wires(plan)
    if plan.uncounted:
        title = "Not counted", "In no table of the electrics file."
        yield Listing(title, ("what",), tuple((each,) for each in plan.uncounted))
    if plan.faults:
        rows = tuple((fault.what, fault.message, fault.source) for fault in plan.faults)
        title = plural(len(rows), "finding"), f"{SECOND_HAND} {FIRST}"
        yield Listing(title, ("what", "finding", "by"), rows)


def _supplies(plan: LoadPlan) -> Listing:
    title = (
        "Supplies at their worst moment",
        "Tabs are driven as the console file says. All lamps are lit, all strips are on, and the "
        "fullest chord is down, while a piston moves the tabs that take most.",
    )
    columns = ("supply", "volts", "rated A", "fuse A", "tabs A", "all else A", "peak A", "spare A")
    rows = []
    for moment in plan.now.moments:
        supply, standing = moment.load.supply, moment.load.standing
        rows.append(
            (
                supply.name or supply.id,
                f"{supply.volts:g}",
                f"{supply.amps:g}",
                _or_none(supply.fuse),
                _amps(moment.peak - standing),
                _amps(standing),
                _amps(moment.peak),
                _amps(supply.amps - moment.peak),
            )
        )
    return Listing(title, columns, tuple(rows))


def _demands(plan: LoadPlan) -> Listing:
    title = (
        "What they feed",
        f"The fullest chord has {plural(plan.electrics.notes_at_once, 'note')}: no chord of so "
        "many, with every stop and coupler drawn, calls more at once.",
    )
    volts = {supply.id: supply.volts for supply in plan.electrics.supplies}
    columns = ("load", "supply", "of these", "at once", "each A", "at once A", "at once W")
    rows = tuple(
        (
            demand.load.called,
            demand.load.supply,
            str(demand.count),
            str(demand.at_once),
            f"{demand.each:.3f}",
            _amps(demand.amps),
            f"{demand.amps * volts[demand.load.supply]:.1f}",
        )
        for demand in plan.demands
    )
    return Listing(title, columns, rows)


def _driving(plan: LoadPlan) -> Iterator[Listing]:
    title = [
        plural(plan.now.tabs, "driven tab"),
        "Times are those of a general that moves every tab, from its press.",
    ]
    if plan.proposed is None:
        title.append("Nothing is proposed: no group is small enough for the supplies.")
    else:
        drive = plan.proposed.drive
        group = "no group (all at once)" if drive.group is None else f"group = {drive.group}"
        title.append(
            f"Proposed for [drive] of the console file: {group}, gap = {drive.spacing:g}. No "
            "larger group is within the rating and the fuse of every supply of tabs, and no "
            "smaller one is done sooner."
        )
    columns = ("tabs are driven", "group", "gap s", "at once", "last begins s", "last ends s")
    rows = tuple(
        (
            how,
            "all" if each.drive.group is None else str(each.drive.group),
            f"{each.drive.spacing:g}",
            str(each.at_once),
            f"{each.begins:.3f}",
            f"{each.ends:.3f}",
        )
        for how, each in _ways(plan)
    )
    yield Listing(tuple(title), columns, rows)
    columns = ("tabs are driven", "supply", "peak A", "general's A", "coils A s", "all else A s")
    rows = tuple(
        (
            how,
            moment.load.supply.name or moment.load.supply.id,
            f"{moment.peak:.2f}{'' if moment.is_borne else ', too much'}",
            _amps(moment.general),
            f"{moment.coulombs:.3f}",
            f"{moment.standing:.3f}",
        )
        for how, each in _ways(plan)
        for moment in each.moments
        if moment.load.coils
    )
    title = [
        "What that asks of the supplies of tabs",
        "The peak of the push that takes most, and that of a general that moves every tab; the "
        "charge of that general's coils, and of all else on the supply until its last pulse ends.",
    ]
    yield Listing(tuple(title), columns, rows)


def _ways(plan: LoadPlan) -> Iterator[tuple[str, Driving]]:
    yield "as the console file says", plan.now
    if plan.proposed is not None:
        yield "as proposed", plan.proposed


def _wires(plan: LoadPlan) -> Listing:
    title = (
        "Wires",
        f"Of copper of {COPPER:g} ohm m at 20 °C (IEC 60028), gauges by ASTM B258, with tabs "
        "driven as the console file says. Volts are lost there and back; what is lost by several "
        "wires in line adds up.",
    )
    columns = (
        *("wire", "thickness", "mm²", "m one way", "carries", "A", "fuse A"),
        *("lost V", "lost %", "left V"),
    )
    rows = tuple(
        (
            load.wire.called,
            load.wire.thickness,
            f"{load.wire.area:.3f}",
            f"{load.wire.metres:g}",
            load.wire.carries.value,
            _amps(load.amps),
            _or_none(load.fuse),
            f"{load.drop:.3f}",
            f"{load.percent:.1f}",
            f"{load.left:.2f}",
        )
        for load in plan.wires
    )
    return Listing(title, columns, rows)


def _amps(amps: float) -> str:
    return f"{amps:.2f}"


def _or_none(amps: float | None) -> str:
    return "none" if amps is None else f"{amps:g}"


def as_page(plan: LoadPlan, date: str) -> str:
    """The plan on paper, in HTML, cautions first."""
    heading, *rest = CAUTIONS
    cautions = [" ".join(each.split()) for each in " ".join(rest).split("  - ") if each.strip()]
    sections = [caution(heading, [*cautions, FIRST])]
    for listing in listings(plan):
        first, *others = listing.title
        blocks = [paragraph(text) for text in others]
        sections.append(section(first, *blocks, table(listing.columns, listing.rows)))
    if not plan.faults:
        sections.append(paragraph(NOTHING))
    return page(plan.console.name, "load plan", sections, date)


# ---------------------------------------------------------------- JSON


def as_data(plan: LoadPlan) -> dict[str, Any]:
    """The plan for another program: amps, volts, watts, ampere-seconds and seconds, unrounded."""
    return {
        "console": plan.console.name,
        "cautions": [*CAUTIONS, FIRST],
        "notes_at_once": plan.electrics.notes_at_once,
        "largest_drop": plan.electrics.largest_drop,
        "loads": [
            {
                "load": demand.load.id,
                "supply": demand.load.supply,
                "count": demand.count,
                "at_once": demand.at_once,
                "amps_each": demand.each,
                "amps": demand.amps,
            }
            for demand in plan.demands
        ],
        "now": _driving_data(plan.now),
        "proposed": None if plan.proposed is None else _driving_data(plan.proposed),
        "wires": [
            {
                "wire": load.wire.id,
                "carries": load.wire.carries.value,
                "mm2": load.wire.area,
                "metres": load.wire.metres,
                "amps": load.amps,
                "fuse": load.fuse,
                "volts_lost": load.drop,
                "percent_lost": load.percent,
                "volts_left": load.left,
            }
            for load in plan.wires
        ],
        "uncounted": list(plan.uncounted),
        "findings": [
            {"what": fault.what, "message": fault.message, "by": fault.source}
            for fault in plan.faults
        ],
    }


def _driving_data(each: Driving) -> dict[str, Any]:
    return {
        "group": each.drive.group,
        "gap": each.drive.spacing,
        "pulse": each.drive.pulse,
        "tabs": each.tabs,
        "at_once": each.at_once,
        "last_begins": each.begins,
        "last_ends": each.ends,
        "supplies": [_moment_data(moment) for moment in each.moments],
    }


def _moment_data(moment: Moment) -> dict[str, Any]:
    supply = moment.load.supply
    return {
        "supply": supply.id,
        "volts": supply.volts,
        "rated": supply.amps,
        "fuse": supply.fuse,
        "all_else": moment.load.standing,
        "peak": moment.peak,
        "general": moment.general,
        "coils_ampere_seconds": moment.coulombs,
        "all_else_ampere_seconds": moment.standing,
        "borne": moment.is_borne,
    }


# ---------------------------------------------------------------- a file to begin with


_OPENING = """\
# What feeds {name}, and by which wires.
# Every number below is a guess to be replaced by what is measured and what is on the plates.
# The keys are explained in cli/workshop/ELECTRICS-FILE.md.
"""

_SUPPLY = """\
format = 1
notes-at-once = 12      # the fullest chord: ten fingers and two feet
largest-drop = 5        # percent of its supply's volts that a wire may lose, there and back

[[supply]]
id = "action"
name = "Action supply"
volts = 15
amps = 20               # what it is rated at
fuse = 20

[[supply]]
id = "chests"
name = "Chest supply"
volts = 15
amps = 75
fuse = 60
"""

_TABS = """
# The magnets of {tabs}, a pair each.
# How they are driven is in [drive] of the console file: {drive}.
[[tabs]]
id = "tabs"
supply = "action"
ohms = 30               # of one coil; of two that differ, the lesser. Or amps
"""

_MAGNETS = """
[[magnets]]
id = "{id}"
name = "{name}"
supply = "chests"
amps = {amps:<17}# of one. Or ohms
ranks = [
{ranks}]
"""

_CONTROLS = """
[[magnets]]
id = "controls"
name = "Solenoids and relays of controls"
supply = "chests"
amps = 0.25             # of one
controls = [
{controls}]
"""

_LAMPS = """
# {lamps}
[[lamps]]
id = "lamps"
supply = "action"
watts = 0.6             # of one
of = [{of}]
"""

_STRIP = """
[[strip]]
id = "rack-light"
name = "Light over the music rack"
supply = "action"
watts-per-metre = 4.8
metres = 0.9

# Anything else that takes current all the time, so many of it.
[[other]]
id = "boards"
name = "Boards of the relay"
supply = "action"
amps = 0.15
count = {boards}
"""

_ONE = """
# From a driver to one {what}: 26 AWG or thicker.
[[wire]]
id = "{id}-wire"
of = "{id}"
carries = "one"
gauge = 24              # AWG; or mm2
metres = 3              # one way
fuse = 5
return = "{supply}-return"  # the wire by which it comes back
"""

_RETURN = """
# The common return to the supply: 14 AWG at the least, and thick enough for the fuse of its feed.
[[wire]]
id = "{supply}-return"
of = "{supply}"
carries = "return"
mm2 = {mm2}
metres = 2
fuse = {fuse}               # of the feed that it returns
"""


def example_of(console: Console) -> str:
    """An electrics file for this console, to be filled with what is measured."""
    parts = [_OPENING.format(name=console.name), _SUPPLY]
    tabs = len(driven_of(console))
    if tabs:
        drive = _drive_text(console.drive)
        parts.append(_TABS.format(tabs=plural(tabs, "driven tab"), drive=drive))
    beaten = {control.rank for control in console.percussions}
    for id_, name, amps, ranks in (
        ("magnets", "Chest magnets", 0.05, [r for r in console.ranks if r.id not in beaten]),
        ("beaters", "Percussion solenoids", 0.25, [r for r in console.ranks if r.id in beaten]),
    ):
        if ranks:
            listed = _lines([rank.id for rank in ranks])
            parts.append(_MAGNETS.format(id=id_, name=name, amps=amps, ranks=listed))
    controls = [c.id for c in console.controls if c.out and c.out.longest_on]
    if controls:
        parts.append(_CONTROLS.format(controls=_lines(controls)))
    lit = [of for of in Lit if lamps_of(console, of)]
    if lit:
        lamps = ", ".join(f"{plural(lamps_of(console, of), 'lamp')} of {of}" for of in lit)
        parts.append(_LAMPS.format(lamps=lamps, of=_quoted([of.value for of in lit])))
    parts.append(_STRIP.format(boards=max(len(console.boards), 1)))
    if tabs:
        parts.append(_ONE.format(id="tabs", what="tab magnet", supply="action"))
    parts.append(_RETURN.format(supply="action", mm2=6, fuse=20))
    if any(rank.id not in beaten for rank in console.ranks):
        parts.append(_ONE.format(id="magnets", what="chest magnet", supply="chests"))
    parts.append(_RETURN.format(supply="chests", mm2=25, fuse=60))
    return "".join(parts)


def _drive_text(drive: Drive) -> str:
    group = "all together" if drive.group is None else f"groups of {drive.group}"
    return f"pulses of {drive.pulse:g} s, {group}, {drive.spacing:g} s apart"


def _quoted(names: list[str]) -> str:
    return ", ".join(f'"{name}"' for name in names)


def _lines(names: list[str]) -> str:
    """Names in quotation marks, as many to a line as fit."""
    indent = "    "
    filled = textwrap.TextWrapper(
        PAGE,
        initial_indent=indent,
        subsequent_indent=indent,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return filled.fill(_quoted(names)) + ",\n"
