"""Proofs of wiring: mistakes made on purpose are found, and nothing else is."""

import random
from collections import Counter
from collections.abc import Callable

import pytest
from attrs import evolve
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from combination.harness import Part, points_of, with_pins
from combination.model import Console
from combination.proving import (
    Finding,
    Mistake,
    Proof,
    prove,
    remedy,
    spot_of,
)
from combination.strikes import Change
from tests.faulty_wiring import (
    MISTAKES,
    TIMING,
    Bench,
    Hand,
    Told,
    console_of,
    spoilt,
    worked,
)
from tests.figures import Figures

CONSOLES = 5000
AT_ONCE = 10
"""Consoles for each number that hypothesis thinks of."""
MAPPED = frozenset(
    {
        Mistake.SWAPPED,
        Mistake.SHIFTED,
        Mistake.REVERSED,
        Mistake.EXCHANGED,
        Mistake.MIXED,
        Mistake.WRONG_BOARD,
        Mistake.UNPLANNED,
        Mistake.TAKEN,
        Mistake.INVERTED,
    }
)
"""Mistakes that a file can be written to agree with; the others need a soldering iron."""


def told(findings: tuple[Finding, ...]) -> Counter[Told]:
    return Counter((f.mistake, frozenset(p.wire for p in f.points)) for f in findings)


def nearest(proof: Proof, truth: Counter[Told]) -> Counter[Told]:
    """What was found; where two stories are as good, the truer."""
    found = [told(proof.findings)]
    for doubt in proof.doubts:
        first = told(doubt.stories[0])
        found = [one - first + told(story) for one in found for story in doubt.stories]
    return max(found, key=lambda one: (one & truth).total())


def boards(console: Console) -> dict[str, int]:
    return {board.id: board.pins for board in console.boards}


# ---------------------------------------------------------------- thousands of consoles


@pytest.fixture(scope="module")
def outcomes() -> Counter[str]:
    """What came of all consoles together."""
    return Counter()


@settings(max_examples=CONSOLES // AT_ONCE, suppress_health_check=list(HealthCheck))
@given(st.integers(0, 2**48))
def test_mistakes_made_on_purpose_are_found_and_nothing_else(
    outcomes: Counter[str], seed: int
) -> None:
    for number in range(AT_ONCE):
        chance = random.Random(seed + number)
        bench = spoilt(chance)
        hand = Hand(chance, stutters=0.01 if number % 2 else 0.0)
        proof = prove(worked(bench, hand, through_midi=number == 0), TIMING)
        truth = Counter(bench.told)
        found = nearest(proof, truth)
        outcomes["consoles"] += 1
        outcomes["hit"] += (found & truth).total()
        outcomes["missed"] += (truth - found).total()
        outcomes["false"] += (found - truth).total()
        outcomes["exact"] += found == truth
        outcomes["doubted"] += bool(proof.doubts)
        right = {point.wire for point in proof.right}
        spoken_of = {point.wire for finding in proof.findings for point in finding.points}
        assert right | spoken_of == {point.wire for point in bench.points}
        assert not right & spoken_of


def test_how_many_were_found(outcomes: Counter[str], figures: Figures) -> None:
    hit, missed, false = (outcomes[name] for name in ("hit", "missed", "false"))
    precision, recall = hit / (hit + false), hit / (hit + missed)
    figures(
        f"proof of wiring: {outcomes['consoles']:,} consoles with {hit + missed:,} mistakes: "
        f"precision {precision:.4f}, recall {recall:.4f}; "
        f"{outcomes['exact']:,} told exactly, {outcomes['doubted']:,} with a doubt"
    )
    assert outcomes["consoles"] >= CONSOLES
    assert precision > LEAST
    assert recall > LEAST


LEAST = 0.998
"""Precision and recall. What is missed is a heap of mistakes that has a shorter story by chance."""


# ---------------------------------------------------------------- what is done about it


def corrected(bench: Bench, proof: Proof) -> Console:
    """The console as a corrected map has it."""
    done = remedy(proof, boards(bench.console))
    return with_pins(bench.console, done.pins)


@settings(max_examples=30)
@given(st.integers(0, 2**48))
def test_a_corrected_map_passes_a_second_proof(seed: int) -> None:
    bench = spoilt(random.Random(seed))
    proof = prove(worked(bench, Hand(bench.chance)), TIMING)
    console = corrected(bench, proof)
    again = Bench(console, bench.chance)
    again.wires, again.shut = bench.wires, bench.shut
    again.stays, again.bounces, again.backwards = bench.stays, bench.bounces, bench.backwards
    second = prove(worked(again, Hand(bench.chance)), TIMING)
    assert not {finding.mistake for finding in second.findings} & MAPPED
    mended = Counter({one: n for one, n in told(proof.findings).items() if one[0] not in MAPPED})
    assert told(second.findings) == mended
    pins = [point.pin for point in again.points]
    assert len(set(pins)) == len(pins), "no two contacts on one pin"


@settings(max_examples=20)
@given(st.integers(0, 2**48))
def test_wires_moved_as_proposed_pass_a_second_proof(seed: int) -> None:
    bench = spoilt(random.Random(seed))
    proof = prove(worked(bench, Hand(bench.chance)), TIMING)
    for move in remedy(proof, boards(bench.console)).moves:
        spots = bench.wires[move.point.wire]
        spots.discard(move.there or ("", 0))
        spots.add(spot_of(move.to))
    second = prove(worked(bench, Hand(bench.chance)), TIMING)
    assert not {f.mistake for f in second.findings} & (MAPPED - {Mistake.INVERTED})


# ---------------------------------------------------------------- cases by hand


def small() -> Bench:
    """A console of one keyboard, k1, some stops and pistons, as it should be."""
    return Bench(console_of(random.Random(5)), random.Random(0))


def test_a_console_that_is_as_planned_is_right() -> None:
    for seed in range(25):
        bench = Bench(console_of(random.Random(seed)), random.Random(seed))
        proof = prove(worked(bench, Hand(bench.chance, stutters=0.05)), TIMING)
        assert not proof.findings
        assert not proof.doubts
        assert {point.wire for point in proof.right} == {point.wire for point in bench.points}
        assert not remedy(proof, boards(bench.console)).pins


@pytest.mark.parametrize("mistake", MISTAKES)
def test_each_mistake_by_itself(mistake: Callable[[Bench], None]) -> None:
    for seed in range(15):
        bench = Bench(console_of(random.Random(seed)), random.Random(seed))
        try:
            mistake(bench)
        except LookupError:
            continue
        proof = prove(worked(bench, Hand(bench.chance)), TIMING)
        assert told(proof.findings) == Counter(bench.told), seed
        assert not proof.doubts


def keys_of(bench: Bench) -> list[int]:
    return [n for n, point in enumerate(bench.points) if point.id == "k1"]


def test_two_keys_on_one_pin_or_a_dead_one_and_a_hand_that_slipped() -> None:
    """What is heard is the same, and both stories are told."""
    bench = small()
    low, high = keys_of(bench)[10:12]
    bench.put([low], [bench.spot(high)])
    proof = prove(worked(bench, Hand(bench.chance)), TIMING)
    (doubt,) = proof.doubts
    stories = {frozenset(told(story).elements()) for story in doubt.stories}
    wires = [frozenset({bench.points[n].wire}) for n in (low, high)]
    assert frozenset({(Mistake.DEAD, wires[0])}) in stories
    assert frozenset({(Mistake.TAKEN, wires[0])}) in stories


def test_a_ribbon_that_has_lost_its_last_wire_is_the_same_as_a_dead_first_one() -> None:
    """All keys but the first are heard in their places, one key early: nothing tells which."""
    bench = small()
    keys = keys_of(bench)
    spots = [bench.spot(n) for n in keys]
    bench.put(keys[:-1], spots[1:])
    bench.wires[bench.points[keys[-1]].wire] = set()
    proof = prove(worked(bench, Hand(bench.chance)), TIMING)
    assert told(proof.findings) == Counter(
        {(Mistake.DEAD, frozenset({bench.points[keys[0]].wire})): 1}
    )


def test_a_plug_that_is_not_in_is_one_mistake() -> None:
    bench = small()
    keys = keys_of(bench)[8:24]
    for number in keys:
        bench.wires[bench.points[number].wire] = set()
    (finding,) = prove(worked(bench, Hand(bench.chance)), TIMING).findings
    assert finding.mistake is Mistake.DEAD
    assert [point.number for point in finding.points] == [bench.points[n].number for n in keys]


def test_a_board_on_another_channel_is_one_mistake() -> None:
    bench = small()
    keys = keys_of(bench)
    bench.put(keys, [("console, channel 9, notes", bench.spot(n)[1] + 30) for n in keys])
    runs = worked(bench, Hand(bench.chance), through_midi=False)
    proof = prove(runs, TIMING)
    (finding,) = proof.findings
    assert finding.mistake is Mistake.WRONG_BOARD
    assert len(finding.points) == len(keys)
    done = remedy(proof, boards(bench.console))
    assert not done.pins, "no file can have them there"
    assert len(done.moves) == len(keys)


def test_a_swap_within_a_shifted_run_is_two_mistakes() -> None:
    bench = small()
    keys = keys_of(bench)[4:20]
    spots = [bench.spot(n) for n in keys]
    turned = spots[1:] + spots[:1]
    turned[5], turned[9] = turned[9], turned[5]
    bench.put(keys, turned)
    found = told(prove(worked(bench, Hand(bench.chance)), TIMING).findings)
    wires = [bench.points[n].wire for n in keys]
    assert found == Counter(
        {
            (Mistake.SHIFTED, frozenset(wires)): 1,
            (Mistake.SWAPPED, frozenset({wires[5], wires[9]})): 1,
        }
    )


def test_contacts_that_nobody_planned_yet_are_found_where_they_are() -> None:
    bench = small()
    bare = evolve(
        bench.console, keyboards=tuple(evolve(k, contacts=()) for k in bench.console.keyboards)
    )
    runs = [
        evolve(
            run, points=tuple(p for p in points_of(bare) if p.wire in {q.wire for q in run.points})
        )
        for run in worked(bench, Hand(bench.chance))
        if run.points[0].part is Part.KEYS
    ]
    proof = prove(runs, TIMING)
    done = remedy(proof, boards(bench.console))
    keys = {p.wire: p.pin for p in bench.points if p.part is Part.KEYS}
    assert {point.wire: pin for point, pin in done.pins.items()} == keys


def test_what_is_nobodys_is_told() -> None:
    bench = small()
    runs = worked(bench, Hand(bench.chance))
    spare = sorted(bench.spares)[0]
    odd = [
        Change(runs[0].changes[-1].at + 5, spare, True),
        Change(runs[0].changes[-1].at + 6, spare, False),
    ]
    runs[0] = evolve(runs[0], changes=(*runs[0].changes, *odd))
    (finding,) = prove(runs, TIMING).findings
    assert (finding.mistake, finding.found) == (Mistake.STRAY, (spare,))


def test_how_long_a_contact_bounces_is_told() -> None:
    bench = small()
    (key,) = keys_of(bench)[3:4]
    bench.bounces[bench.points[key].wire] = 0.024
    (finding,) = prove(worked(bench, Hand(bench.chance)), TIMING).findings
    assert finding.mistake is Mistake.BOUNCING
    assert finding.seconds == pytest.approx(0.024)
    patient = evolve(TIMING, key_bounce=0.03)
    assert not prove(worked(bench, Hand(bench.chance)), patient).findings


def test_a_hand_that_brushes_a_key_accuses_nobody() -> None:
    """A ribbon of the rail sits too far, and a key that was proved before is brushed."""
    bench = small()
    rail = [n for n, point in enumerate(bench.points) if point.part is Part.RAIL]
    run = rail[4:12]
    spots = [bench.spot(n) for n in run]
    bench.put(run, spots[1:] + spots[:1])
    runs = worked(bench, Hand(bench.chance))
    number = next(n for n, each in enumerate(runs) if each.points[0].part is Part.RAIL)
    key = bench.spot(keys_of(bench)[20])
    tabs = runs[number].changes
    between = (tabs[13].at + tabs[14].at) / 2
    brushed = [Change(between, key, True), Change(between + 0.08, key, False)]
    changes = sorted((*tabs, *brushed), key=lambda change: change.at)
    runs[number] = evolve(runs[number], changes=tuple(changes))
    proof = prove(runs, TIMING)
    assert told(proof.findings) == Counter(
        {(Mistake.SHIFTED, frozenset(bench.points[n].wire for n in run)): 1}
    )


def test_what_is_held_down_as_a_run_begins_is_neither_stuck_nor_inverted() -> None:
    """Its board says that it is closed before anything is worked, and then it opens."""
    bench = small()
    runs = worked(bench, Hand(bench.chance))
    first, *rest = runs[0].changes
    assert first.closed
    runs[0] = evolve(runs[0], changes=tuple(rest), closed=frozenset({first.spot}))
    proof = prove(runs, TIMING)
    assert not proof.findings
    assert len(proof.right) == len(bench.points)
