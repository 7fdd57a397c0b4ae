"""Proof of wiring by its command: live through sockets, from recordings, resumed and corrected."""

import json
import random
import signal
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime
from io import StringIO
from pathlib import Path
from queue import SimpleQueue
from typing import Any

import pytest
from attrs import evolve
from click.testing import CliRunner, Result

from cli.play.cables import Came, Lost, Opened
from cli.rehearsal.midi_files import Played, Recording, written
from cli.rehearsal.port_log import BEGINNING, SETTLING, Passed, Way, read_log, recording_of_log
from cli.workshop.asking import Session
from cli.workshop.proof_file import Run, Said
from cli.workshop.prove import result_of, runs_asked, runs_of, saids_of
from cli.workshop.prove_command import prove_command
from cli.workshop.telling import Called, entries
from combination.harness import Part, Point, points_of
from combination.midi import Edge, Wiring
from combination.model import Action, Console, Contact, PinMessages
from combination.proving import Finding, Mistake, asked_of, prove, spot_of
from combination.reading import read_console
from combination.strikes import TOGETHER
from tests import faulty_wiring
from tests.faulty_wiring import TIMING, Bench, Hand, Told, console_of, spoilt, worked
from tests.live import Listening, Partner, Program, great, oxmarsh, right_mark, settle, swell, tab

WHEN = datetime(2031, 5, 4, 18, 30, tzinfo=UTC)
PAUSE = 0.6
"""Seconds between two runs of a recording."""


def rail_of(console: Console) -> tuple[str, ...]:
    return tuple(control.id for control in console.controls)


def log_of(bench: Bench, hand: Hand, runs: Iterable[Sequence[Any]] | None = None) -> str:
    """A log of all contacts worked in one go, at a console that says at first what is closed."""
    wiring = Wiring(bench.console)

    def passed(at: float, pin: str, closed: bool) -> Passed | None:
        sent = wiring.spoken(Edge(pin, closed))
        return Passed(at, Way.IN, sent[0], bytes(sent[1].bin())) if sent else None

    lines: list[Passed | None] = [Passed(0.0, Way.OPEN, "console")]
    lines += [passed(0.1, f"{board}.{pin}", True) for board, pin in sorted(bench.shut)]
    start = 1.0
    for run in asked_of(bench.points) if runs is None else runs:
        changes = sorted(hand.edges(bench, run, start), key=lambda change: change.at)
        lines += [
            passed(change.at, f"{change.spot[0]}.{change.spot[1]}", bool(change.closed))
            for change in changes
        ]
        start = (changes[-1].at if changes else start) + PAUSE
    return "".join(f"{line}\n" for line in (BEGINNING, *lines) if line is not None)


def file_of(console: Console) -> str:
    """The file of a console as `console_of` makes them."""
    lines = ["format = 1", f'name = "{console.name}"', f'action = "{console.action}"']
    lines += ["[[rank]]", 'id = "r"', 'name = "Flue"']
    for keyboard in console.keyboards:
        lines += ["[[keyboard]]", f'id = "{keyboard.id}"', f'name = "{keyboard.name}"']
        lines += [f"keys = {keyboard.keys}", f'contacts = "{keyboard.contacts[0].pin}"']
    lines += ["[[division]]", 'id = "d"', 'name = "Great"', 'keyboard = "k1"']
    for stop in console.stops:
        lines += ["[[stop]]", f'id = "{stop.id}"', f"label = {json.dumps(list(stop.label))}"]
        lines += ['rank = "r"', 'division = "d"']
        for word in ("contact", "contact_on", "contact_off"):
            contact = getattr(stop, word)
            if contact is not None:
                lines.append(f"{word.replace('_', '-')} = {toml_of(contact)}")
    for piston in console.pistons:
        lines += ["[[piston]]", f'id = "{piston.id}"', f"label = {json.dumps(list(piston.label))}"]
        lines += [f'kind = "{piston.kind}"', f"at = {json.dumps([str(p) for p in piston.at])}"]
        lines.append(f"contact = [{', '.join(map(toml_of, piston.contact))}]")
        if piston.second_touch is not None:
            deeper = toml_of(piston.second_touch.contact[0])
            lines.append(
                f'second-touch = {{ piston = "{piston.second_touch.piston}", contact = {deeper} }}'
            )
    for board in console.boards:
        assert board.input
        lines += ["[[board]]", f'id = "{board.id}"', f"pins = {board.pins}"]
        messages = f'port = "console", channel = {board.input.channel}'
        kind = "note" if board.input.first_program is None else "program"
        first = getattr(board.input, f"first_{kind}")
        lines.append(f"in = {{ {messages}, first-{kind} = {first} }}")
    return "\n".join(lines) + "\n"


def toml_of(contact: Contact) -> str:
    inverted = ", inverted = true" if contact.inverted else ""
    return f'{{ pin = "{contact.pin}"{inverted} }}' if inverted else f'"{contact.pin}"'


def ran(*words: object) -> Result:
    return CliRunner().invoke(prove_command, [str(word) for word in words])


def say_of(result: Result) -> str:
    """What was said, in one line."""
    return " ".join(result.output.split())


@pytest.fixture
def bench() -> Bench:
    """A console with nothing wrong, of two keyboards and all parts."""
    chance = random.Random(20)
    for _ in range(100):
        found = Bench(console_of(chance), chance)
        keys = [run.key for run in runs_asked(found.console, ())]
        if keys == ["k1", "k2", "rail", "thumb", "second-touch", "toe"]:
            return found
    raise AssertionError


def in_files(folder: Path, bench: Bench) -> tuple[Path, Path]:
    console, log = folder / "quay.toml", folder / "evening.log"
    console.write_text(file_of(bench.console), encoding="utf-8")
    log.write_text(log_of(bench, Hand(random.Random(1))), encoding="utf-8")
    return console, log


# ---------------------------------------------------------------- in one go


def told(findings: Iterable[Finding]) -> Counter[Told]:
    return Counter((f.mistake, frozenset(p.wire for p in f.points)) for f in findings)


@pytest.mark.parametrize("seed", range(12))
def test_a_recording_in_one_go_shows_what_run_by_run_shows(seed: int) -> None:
    bench = spoilt(random.Random(seed))
    console, rail = bench.console, rail_of(bench.console)
    recording = recording_of_log(read_log(log_of(bench, Hand(random.Random(seed)))), "")
    asked = runs_asked(console, rail)
    runs = runs_of(asked, saids_of(recording, console), console, WHEN)
    assert sum(len(run.heard) for run in runs) == len(
        [one for one in recording.entries if not getattr(one, "found", True)]
    )
    apart = prove(worked(bench, Hand(random.Random(seed))), TIMING)
    assert told(result_of(console, rail, runs).proof.findings) == told(apart.findings)


def test_nothing_is_wrong_with_a_right_console(tmp_path: Path, bench: Bench) -> None:
    console, log = in_files(tmp_path, bench)
    result = ran(console, "--from", log)
    assert result.exit_code == 0, result.output
    count = len(bench.points)
    assert result.output == f"Right: {count} of {count} contacts.\n"


def test_a_midi_file_is_a_recording_too(tmp_path: Path, bench: Bench) -> None:
    faulty_wiring.swap(bench)
    console, log = in_files(tmp_path, bench)
    recording = recording_of_log(read_log(log.read_text()), "")
    midi = tmp_path / "evening.mid"
    named = evolve(
        recording,
        entries=tuple(
            Played(one.at, ("console",), one.data)
            for one in recording.entries
            if isinstance(one, Played)
        ),
        ports=("console",),
    )
    assert isinstance(named, Recording)
    midi.write_bytes(written(named))
    by_midi, by_log = ran(console, "--from", midi), ran(console, "--from", log)
    assert by_midi.exit_code == by_log.exit_code == 1
    assert by_midi.output == by_log.output
    assert "Swapped: " in by_midi.output


# ---------------------------------------------------------------- in words


@pytest.mark.parametrize(
    ("mistake", "words"),
    [
        (faulty_wiring.swap, "Swapped: "),
        (faulty_wiring.turn_round, "one pin too "),
        (faulty_wiring.shift_to_spares, " too far, from pin "),
        (faulty_wiring.reverse, "the other way round"),
        (faulty_wiring.exchange, "Exchanged, as plugs may be: "),
        (faulty_wiring.wrong_board, "on the wrong board: on "),
        (faulty_wiring.unplanned, "where nothing is planned, instead of "),
        (faulty_wiring.stuck_shut, "stuck: "),
        (faulty_wiring.stays_down, "stuck: "),
        (faulty_wiring.join, "doubled: each closes "),
        (faulty_wiring.join_spare, "doubled: it closes "),
        (faulty_wiring.bounce, " ms are harmless"),
        (faulty_wiring.backwards, "it opens when it is pressed, and the file has it close"),
    ],
)
def test_every_mistake_is_told_in_one_sentence(
    bench: Bench, mistake: Callable[[Bench], None], words: str
) -> None:
    for _ in range(20):
        try:
            mistake(bench)
        except LookupError:
            continue
        break
    (entry,) = said_of(bench)
    assert words in entry


def said_of(bench: Bench) -> list[str]:
    rail = rail_of(bench.console)
    log = read_log(log_of(bench, Hand(random.Random(3))))
    saids = saids_of(recording_of_log(log, ""), bench.console)
    runs = runs_of(runs_asked(bench.console, rail), saids, bench.console, WHEN)
    return entries(result_of(bench.console, rail, runs), Called(bench.console, rail))


def test_a_run_that_is_shifted_is_told_with_what_it_put_out(bench: Bench) -> None:
    numbers = range(20, 24)
    board, first = bench.spot(20)
    pins = [f"{board}.{first + n}" for n in range(4)]
    bench.put(numbers, [(board, first + n) for n in (3, 0, 1, 2)])
    assert said_of(bench) == [
        f"K1 A3 to B3: 3 wires one pin too early, from pin {pins[1]}: on {pins[0]} to {pins[2]}; "
        f"K1 G#3 is on {pins[3]} instead of {pins[0]}"
    ]
    bench.put(numbers, [(board, first + n) for n in (1, 2, 3, 0)])
    assert said_of(bench) == [
        f"K1 G#3 to A#3: 3 wires one pin too far, from pin {pins[0]}: on {pins[1]} to {pins[3]}; "
        f"K1 B3 is on {pins[0]} instead of {pins[3]}"
    ]


def test_the_first_and_the_last_of_every_run_may_be_dead(bench: Bench) -> None:
    runs = [run for run in asked_of(bench.points) if len(run) > 4]  # one of three may be anyone
    for run in runs:
        for point in (run[0], run[-1]):
            bench.wires[point.wire] = set()
    ends = {p.wire for run in runs for p in (run[0], run[-1])}
    assert len(said_of(bench)) <= len(ends)
    assert all("dead" in entry or "say nothing" in entry for entry in said_of(bench))


def test_dead_contacts_are_told(bench: Bench) -> None:
    bench.wires[bench.points[10].wire] = set()
    (entry,) = said_of(bench)
    board, pin = bench.spot(9)
    assert entry == f"K1 A#2: its contact is dead, or its wire is off (pin {board}.{pin + 1})"
    for number in range(11, 18):
        bench.wires[bench.points[number].wire] = set()
    (entry,) = said_of(bench)
    assert entry.startswith("K1 A#2 to F3: 8 contacts say nothing")


def test_what_can_be_told_in_two_ways_is(tmp_path: Path, bench: Bench) -> None:
    """Two keys on one pin sound as one that is struck twice, by a hand that slips."""
    bench.put([10], [bench.spot(11)])
    console, log = in_files(tmp_path, bench)
    result = ran(console, "--from", log)
    assert result.exit_code == 1
    (board, low), (_, high) = bench.spot(9), bench.spot(12)
    assert (
        f"- Either K1 A#2: on {board}.{high - 1}, the pin of K1 B2, instead of {board}.{low + 1}; "
        f"or K1 A#2: its contact is dead, or its wire is off (pin {board}.{low + 1}). One is as "
        "good as the other: press K1 A#2 alone to tell; --correct goes by the first."
    ) in say_of(result)
    data = json.loads(ran(console, "--show", "--json").output)
    assert not data["findings"]
    (doubt,) = data["doubts"]
    assert [[f["mistake"] for f in story] for story in doubt["stories"]] == [
        ["on another's pin"],
        ["dead"],
    ]


def test_a_board_on_a_wrong_channel_is_one_finding(tmp_path: Path, bench: Bench) -> None:
    console, log = in_files(tmp_path, bench)
    text = console.read_text()
    assert text.count("channel = 1,") == 1
    console.write_text(text.replace("channel = 1,", "channel = 16,"))
    result = ran(console, "--from", log)
    keys = bench.console.keyboards[0].keys
    assert result.exit_code == 1
    found = [line for line in result.output.splitlines() if line.startswith("- ")]
    assert len(found) == 1
    assert f"{keys} wires come as console channel 1 notes " in say_of(result)
    assert "is the board's port, channel and first number right?" in say_of(result)
    assert "Wires to move" not in result.output
    assert ran(console, "--show", "--correct").exit_code == 1
    console.write_text(text)
    assert ran(console, "--show").exit_code == 0


def test_tabs_of_two_contacts_are_worked_once_each(bench: Bench) -> None:
    console = bench.console
    pins = iter([f"{board}.{n}" for board in ("x1", "x2") for n in range(1, 65)])
    stops = tuple(
        evolve(stop, contact=None, contact_on=Contact(next(pins)), contact_off=Contact(next(pins)))
        for stop in console.stops
    )
    spare = [evolve(console.boards[0], id=name) for name in ("x1", "x2")]
    boards = tuple(
        evolve(board, input=evolve(board.input, channel=16, first_note=64 * number))
        for number, board in enumerate(spare)
        if board.input
    )
    console = evolve(console, stops=stops, boards=(*console.boards, *boards))
    both = Bench(console, bench.chance)
    rail = [point for point in both.points if point.id == "s3"]
    assert [point.role.name for point in rail] == ["TAB_ON", "TAB_OFF"]
    assert said_of_tabs(both) == []
    one, other = (both.wires[point.wire] for point in rail)
    both.wires[rail[0].wire], both.wires[rail[1].wire] = other, one
    (entry,) = said_of_tabs(both)
    assert entry.startswith("Swapped: Stop 3 (s3), on (")


def said_of_tabs(bench: Bench) -> list[str]:
    """The rail alone, as tabs work two contacts: that for off opens first, and closes last."""
    console, rail = bench.console, rail_of(bench.console)
    wiring = Wiring(console)
    lines = [Passed(0.0, Way.OPEN, "console")]
    at = 1.0

    def edge(point: Any, closed: bool, when: float) -> None:
        ((board, pin),) = bench.wires[point.wire]
        sent = wiring.spoken(Edge(f"{board}.{pin}", closed))
        assert sent
        lines.append(Passed(when, Way.IN, "console", bytes(sent[1].bin())))

    tabs = [point for point in bench.points if point.role.name.startswith("TAB_")]
    for off in tabs[1::2]:
        edge(off, True, 0.1)
    for on, off in zip(tabs[::2], tabs[1::2], strict=True):
        edge(off, False, at)
        edge(on, True, at + 0.004)
        edge(on, False, at + 0.5)
        edge(off, True, at + 0.504)
        at += 1.0
    (asked,) = (run for run in runs_asked(console, rail) if run.key == "rail")
    saids = saids_of(recording_of_log(lines, ""), console)
    return entries(
        result_of(console, rail, runs_of([asked], saids, console, WHEN)), Called(console, rail)
    )


def test_a_contact_that_rests_closed_is_no_stuck_one(tmp_path: Path, bench: Bench) -> None:
    """Planned so, it is right; not planned so, it is turned round and nothing else."""
    point = bench.points[5]
    bench.backwards.add(point.wire)
    console, log = in_files(tmp_path, bench)
    ((board, pin),) = bench.wires[point.wire]
    first, *rest = log.read_text().split("\n")
    sent = Wiring(bench.console).spoken(Edge(f"{board}.{pin}", True))
    assert sent
    found = Passed(0.1, Way.IN, "console", bytes(sent[1].bin()))
    log.write_text("\n".join((first, rest[0], str(found), *rest[1:])))
    result = ran(console, "--from", log, "--correct")
    assert result.exit_code == 0, result.output
    assert f"{board}.{pin}, opens when pressed" in result.output
    after = {p.wire: p for p in points_of(read_console(console.read_text()))}
    assert after[point.wire].inverted


def test_what_is_closed_from_the_beginning_is_stuck(tmp_path: Path, bench: Bench) -> None:
    console, log = in_files(tmp_path, bench)
    bench.shut.add(bench.spot(3))
    first = asked_of(bench.points)[0]
    log.write_text(log_of(bench, Hand(random.Random(1)), [first]), encoding="utf-8")
    result = ran(console, "--from", log, "--only", "k1")
    assert result.output.count("\n- ") == 1
    assert "- K1 D#2: stuck: " in result.output


def test_a_board_that_says_everything_twice_says_no_more(tmp_path: Path, bench: Bench) -> None:
    console, log = in_files(tmp_path, bench)
    lines = read_log(log.read_text())
    lines += [evolve(line, at=line.at + 0.012) for line in lines if line.way is Way.IN]
    lines.sort(key=lambda line: line.at)
    log.write_text("".join(f"{line}\n" for line in (BEGINNING, *lines)), encoding="utf-8")
    result = ran(console, "--from", log)
    assert result.exit_code == 0, result.output


def test_a_key_that_is_hardly_touched_does_not_bounce(tmp_path: Path, bench: Bench) -> None:
    console, log = in_files(tmp_path, bench)
    first = asked_of(bench.points)[0]
    quick = Hand(random.Random(1), pace=0.04)
    log.write_text(log_of(bench, quick, [first]), encoding="utf-8")
    assert ran(console, "--from", log, "--only", "k1").exit_code == 0
    bench.bounces[first[7].wire] = 0.024
    log.write_text(log_of(bench, quick, [first]), encoding="utf-8")
    bounces = ran(console, "--from", log, "--only", "k1")
    assert "K1 G2: bounces for 24 ms" in bounces.output


def test_boards_of_programs_only_push(tmp_path: Path, bench: Bench) -> None:
    """What never opens is neither stuck nor bounces; on a wrong pin it is found all the same."""
    console, log = in_files(tmp_path, bench)
    thumb = next(run for run in asked_of(bench.points) if run[0].part is Part.THUMB)
    boards = {spot_of(point.pin)[0] for point in thumb if point.pin}
    changed = tuple(
        evolve(
            board,
            input=PinMessages("console", 16, first_program=0)
            if board.id in boards
            else board.input,
        )
        for board in bench.console.boards
    )
    bench.console = evolve(bench.console, boards=changed)
    ((board,),) = [boards]
    one, other = (bench.wires[thumb[n].wire] for n in (0, 1))
    bench.wires[thumb[0].wire], bench.wires[thumb[1].wire] = other, one
    text = file_of(bench.console)
    assert f'id = "{board}"' in text
    console.write_text(text, encoding="utf-8")
    log.write_text(log_of(bench, Hand(random.Random(1)), [thumb]), encoding="utf-8")
    result = ran(console, "--from", log, "--only", "thumb")
    assert result.output.count("\n- ") == 1
    assert "- Swapped: thumb piston " in result.output


def test_what_is_not_asked_for_is_said(tmp_path: Path, bench: Bench) -> None:
    console, log = in_files(tmp_path, bench)
    low = f'contact = "{bench.console.stops[0].contact.pin}"\n'  # type: ignore[union-attr]
    text = console.read_text().replace(low, "", 1)
    extra = (
        '[[board]]\nid = "t"\npins = 13\nin = { port = "console", channel = 16, first-note = 1 }'
    )
    console.write_text(f'{text}[transposer]\nswitch = "t.1"\n{extra}\n', encoding="utf-8")
    said = say_of(ran(console, "--from", log))
    assert "Not asked for: 1 contact without a pin in the console file." in said
    assert "Not asked for: the transposer's rotary switch" in said
    assert "Not proved yet" not in said


# ---------------------------------------------------------------- the corrected map


@pytest.mark.parametrize("seed", range(4))
def test_a_second_proof_passes_but_for_what_no_file_can_mend(tmp_path: Path, seed: int) -> None:
    chance = random.Random(seed)
    bench = Bench(console_of(chance), chance)
    for mistake in (faulty_wiring.swap, faulty_wiring.reverse, faulty_wiring.wrong_board):
        mistake(bench)
    lasting = seed % 2
    if lasting:
        faulty_wiring.bounce(bench)
    console, log = in_files(tmp_path, bench)
    before = console.read_text()
    first = ran(console, "--from", log)
    assert first.exit_code == 1
    assert "Wires to move\n" in first.output
    assert console.read_text() == before
    done = ran(console, "--show", "--correct")
    assert done.exit_code == lasting, done.output
    assert "contacts where they were found" in done.output
    assert console.read_text() != before
    second = ran(console, tmp_path / "second.proof", "--from", log)
    assert second.exit_code == lasting, second.output
    assert second.output.count("\n- ") == lasting
    assert ("bounces for" in second.output) is bool(lasting)


def test_what_no_file_can_say_is_left_as_it_is(tmp_path: Path, bench: Bench) -> None:
    """Only the keyboards are proved: a key that is on a tab's pin cannot have it."""
    key = bench.points[3]
    stop = next(point for point in bench.points if point.id == "s2")
    bench.wires[key.wire] = set(bench.wires[stop.wire])
    console, log = in_files(tmp_path, bench)
    log.write_text(log_of(bench, Hand(random.Random(1)), asked_of(bench.points)[:1]))
    before = console.read_text()
    refused = ran(console, "--from", log, "--only", "k1", "--correct")
    assert refused.exit_code == 2
    (pin,) = {f"{board}.{number}" for board, number in bench.wires[stop.wire]}
    assert "cannot say where the wires are" in refused.output
    assert pin in refused.output
    assert "move the wires that are listed" in say_of(refused)
    assert console.read_text() == before


# ---------------------------------------------------------------- the file of the proof


def test_runs_are_added_to_what_is_there_and_replaced(tmp_path: Path, bench: Bench) -> None:
    console, log = in_files(tmp_path, bench)
    hand = Hand(random.Random(1))
    first, second, *_ = asked_of(bench.points)
    log.write_text(log_of(bench, hand, [first]))
    keys = bench.console.keyboards[0].keys
    result = ran(console, "--from", log, "--only", "k1")
    assert result.exit_code == 0, result.output
    assert f"Right: {keys} of {len(bench.points)} contacts; " in result.output
    assert "Not proved yet: K2 (k2)," in say_of(result)
    log.write_text(log_of(bench, hand, [second]))
    bench.wires[first[0].wire] = set()
    assert ran(console, "--from", log, "--only", "k2").exit_code == 0
    log.write_text(log_of(bench, hand, [first]))
    again = ran(console, "--from", log, "--only", "k1")
    assert again.exit_code == 1
    assert "its contact is dead" in again.output
    assert [json.loads(line)["run"] for line in proof_lines(console)] == ["k2", "k1"]


def proof_lines(console: Path) -> list[str]:
    return console.with_suffix(".proof").read_text().splitlines()[1:]


def test_what_was_heard_counts_until_a_part_has_other_contacts(
    tmp_path: Path, bench: Bench
) -> None:
    console, log = in_files(tmp_path, bench)
    assert ran(console, "--from", log).exit_code == 0
    text = console.read_text()
    low, high = (
        f'contact = "{stop.contact.pin}"' for stop in bench.console.stops[:2] if stop.contact
    )
    swapped = text.replace(low, "?").replace(high, low).replace("?", high)
    console.write_text(swapped)
    result = ran(console, "--show")
    assert result.exit_code == 1
    assert "other pins than when it was proved" in result.output
    assert "Swapped: Stop 0 (s0)" in result.output
    gone = '[[stop]]\nid = "s0"'
    begin = text.index(gone)
    console.write_text(text[:begin] + text[text.index("[[stop]]", begin + 1) :])
    result = ran(console, "--show")
    assert result.exit_code == 1
    assert "Not proved yet: stop rail (rail)." in result.output
    assert "What was heard of rail on " in result.output


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("format = 1\n", "it does not begin as a proof of wiring does"),
        ('{"stopwright": "proof of wiring 1", "console": "Elsewhere"}\n', '"Elsewhere", not of'),
        ('{"stopwright": "proof of wiring 1", "console": "Slate Quay"}\n{}\n', "line 2: "),
    ],
)
def test_what_is_no_proof_of_it_is_left_alone(
    tmp_path: Path, bench: Bench, text: str, why: str
) -> None:
    console, log = in_files(tmp_path, bench)
    proof = tmp_path / "quay.proof"
    proof.write_text(text)
    result = ran(console, "--from", log)
    assert result.exit_code == 2
    assert why in say_of(result)
    assert proof.read_text() == text


def test_what_cannot_be_done_is_refused(tmp_path: Path, bench: Bench) -> None:
    console, log = in_files(tmp_path, bench)
    nothing = tmp_path / "nothing.log"
    nothing.write_text(BEGINNING + "\n")
    evening = tmp_path / "evening.txt"
    passages = [Passed(n / 10, Way.IN, "console", bytes((0x9F, 1, 1 - n % 2))) for n in range(900)]
    evening.write_text("".join(f"{line}\n" for line in (BEGINNING, *passages)))
    there = tmp_path / "there.html"
    there.write_text("")
    for words, why in (
        ((console, "--show"), "there is no proof"),
        ((console, "--from", tmp_path / "no.log"), "there is no recording"),
        ((console, "--from", console), "is no recording: it does not begin with"),
        ((console, "--from", nothing), "has nothing that contacts say"),
        ((console, "--from", evening), "is no recording of a proof"),
        ((console, "--from", log, "--only", "k9"), 'nothing to prove called "k9"'),
        ((console, "--from", log, "--page", there), "is there already"),
        ((console, "--from", log, "--show"), "--from goes with neither"),
        ((console, "--show", "--only", "k1"), "--show asks for nothing"),
        ((console, "--port", "x=nowhere"), 'no port "x"'),
        ((console, "--port", "console=nowhere"), "leads nowhere"),
    ):
        result = ran(*words)
        assert result.exit_code == 2, words
        assert why in say_of(result), words
    assert not console.with_suffix(".proof").exists()


# ---------------------------------------------------------------- json and paper


def test_json_has_all_that_is_told(tmp_path: Path, bench: Bench) -> None:
    faulty_wiring.swap(bench)
    console, log = in_files(tmp_path, bench)
    data = json.loads(ran(console, "--from", log, "--json").output)
    assert (data["console"], data["contacts"]) == ("Slate Quay", len(bench.points))
    assert (data["proved"], data["right"]) == (len(bench.points), len(bench.points) - 2)
    (finding,) = data["findings"]
    assert finding["mistake"] == "swapped"
    assert finding["planned"] == finding["found"][::-1]
    assert {(m["from"], m["to"]) for m in data["moves"]} == {
        tuple(finding["planned"]),
        tuple(finding["found"]),
    }
    assert {pin["to"] for pin in data["correction"]["pins"]} == set(finding["planned"])
    assert not data["corrected"]
    assert [run["run"] for run in data["runs"]] == [
        run.key for run in runs_asked(bench.console, rail_of(bench.console))
    ]


def test_the_page_has_a_box_for_each_wire_to_move(tmp_path: Path, bench: Bench) -> None:
    faulty_wiring.reverse(bench)
    console, log = in_files(tmp_path, bench)
    page = tmp_path / "proof.html"
    data = json.loads(ran(console, "--from", log, "--json", "--page", page).output)
    text = page.read_text()
    assert text.count('<span class="tick">') == 1 + len(data["moves"])
    assert "proof of wiring" in text
    assert data["moves"][0]["from"] in text
    assert datetime.now().astimezone().date().isoformat() in text
    assert "coils" not in text


# ---------------------------------------------------------------- live

CODE = (
    "import sys; from cli.workshop.prove_command import prove_command; "
    "prove_command(sys.argv[2:], prog_name='prove')"
)


KEYS = 14
"""Keys of each manual, so that they are played soon."""


def played(
    program: Program, where: Partner, message: Callable[[int, bool], bytes], numbers: Iterable[int]
) -> None:
    """Contacts worked one after another, each when the one before was heard."""
    for number in numbers:
        seen = len(program.lines)
        where.say(message(number, True), message(number, False))
        program.says(" of ", seen)
        time.sleep(TOGETHER + 0.002)


def opened(program: Program) -> None:
    program.says('"left" is open')
    program.says('"right" is open')
    settle()


def test_live_it_is_broken_off_and_goes_on(tmp_path: Path) -> None:
    console = tmp_path / "oxmarsh.toml"
    text = oxmarsh().replace("key-bounce = 0.0\nbounce = 0.0", "key-bounce = 0.5\nbounce = 0.5")
    console.write_text(text.replace("\ncontacts =", f"\nkeys = {KEYS}\ncontacts ="))
    with Listening() as left, Listening() as right:
        words = [console, "--port", f"left={left.where}", "--port", f"right={right.where}"]
        with Program(words, code=CODE, typed=True) as program:
            program.says("Run 1 of 4. Great: play every key once, from the lowest (C2)")
            opened(program)
            played(program, left, great, (37, 36, *range(38, 36 + KEYS)))
            program.says(f"  1 of {KEYS}: Great C#2 (great-keys.2)")
            program.says(f"Great: {KEYS} of {KEYS} heard.")
            program.says("Run 2 of 4. Swell: play every key once")
            played(program, right, swell, range(36, 40))
            program.says(f"  4 of {KEYS}: Swell D#2 (swell-keys.4)")
            program.send(signal.SIGKILL)
        with Program(words, code=CODE, typed=True) as program:
            program.says("Run 1 of 3. Swell: play every key once")
            opened(program)
            played(program, right, swell, range(36, 40))
            program.type("again")
            program.says("Again.")
            played(program, right, swell, range(36, 42))
            right.hang_up()
            program.says('Port "right": ')
            seen = len(program.lines)
            right.come_back()
            program.says('"right" is open', seen)
            settle()
            played(program, right, swell, range(42, 35 + KEYS))
            program.type("")
            program.says(f"Swell: {KEYS - 1} of {KEYS} heard.")
            program.says("Run 2 of 3. The stop rail: all tabs off first;")
            played(program, left, tab, (5, 6, 7))
            played(program, right, lambda _, on: right_mark(on), (1,))
            program.says("  4 of 8: Right Mark (right-mark) (swell-rail.1)")
            played(program, left, tab, range(1, 5))
            program.type("")
            program.says("Run 3 of 3. The pistons: press each once")
            program.type("quit")
            assert program.ended() == 1, program.errors
            said = " ".join(" ".join(program.lines).split())
        assert not left.heard
        assert not right.heard
    total = 2 * KEYS + 8 + 27
    assert f"Right: {total - 30} of {total} contacts; 27 of them not proved yet." in said
    assert "Swapped: Great C2 (great-keys.1) and Great C#2 (great-keys.2)" in said
    dead = f"its contact is dead, or its wire is off (pin swell-keys.{KEYS})"
    assert f"Swell C#3: {dead}" in said
    assert "Not proved yet: pistons (thumb)." in said
    shown = ran(console, "--show")
    assert shown.exit_code == 1
    assert "Not proved yet: pistons (thumb)." in shown.output


def test_somebody_who_begins_before_boards_have_reported_is_heard(bench: Bench) -> None:
    """What comes in the first half second is found, and then let go: it was struck all the same."""
    console, rail = bench.console, rail_of(bench.console)
    run, *_ = runs_asked(console, rail)
    wiring = Wiring(console)
    saids = []
    for number, point in enumerate(run.points):
        for closed in (True, False):
            sent = wiring.spoken(Edge(point.pin or "", closed))
            assert sent
            at = 0.2 * number + (0.0 if closed else 0.1)
            saids.append((Said(at, sent[0], bytes(sent[1].bin())), at < 0.5))
    found = runs_of([run], saids, console, datetime.now().astimezone())
    result = result_of(console, rail, found)
    assert not result.proof.findings
    assert len(result.proof.right) == len(run.points)


def test_what_a_board_says_when_it_is_found_is_no_stroke(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nor is what it says when it is found again, if nothing has changed meanwhile."""
    console, rail = bench.console, rail_of(bench.console)
    run, *_ = runs_asked(console, rail)
    wiring = Wiring(console)

    def message(point: Point, closed: bool) -> bytes:
        sent = wiring.spoken(Edge(point.pin or "", closed))
        assert sent
        return bytes(sent[1].bin())

    first, second, third, *_ = run.points
    held = message(first, True)
    box: SimpleQueue[object] = SimpleQueue()
    for what in (
        Opened("console", 10.0),
        Came("console", 10.0 + SETTLING - 0.01, [held, message(third, False)]),
        Came("console", 11.0, [message(second, True)]),
        Came("console", 11.1, [message(second, False)]),
        Lost("console", 12.0, "gone"),
        Opened("console", 13.0),
        Came("console", 13.1, [held, message(second, False)]),
        Came("console", 14.0, [message(third, True), b"\xfe"]),
        Came("console", 14.1, [message(third, False)]),
    ):
        box.put(what)
    monkeypatch.setattr(sys, "stdin", StringIO("\n"))
    kept: list[Run] = []
    out = StringIO()
    Session(console, Called(console, rail), box, out, kept.append).ask([run], [])
    assert "K1: 2 of " in out.getvalue()
    ((heard, before),) = [(one.heard, one.before) for one in kept]
    assert [said.data for said in before] == [held]
    assert [said.at for said in heard] == [0.0, 0.1, 3.0, 3.1]
    shown = result_of(console, rail, kept)
    assert [f.mistake for f in shown.proof.findings][:1] == [Mistake.STUCK]


def test_a_run_is_left_out_and_nothing_is_asked_twice(tmp_path: Path, bench: Bench) -> None:
    console, log = in_files(tmp_path, bench)
    assert ran(console, "--from", log).exit_code == 0
    words = (console, "--port", "console=connect:127.0.0.1:9")
    assert ran(*words).exit_code == 0
    lines = CliRunner().invoke(
        prove_command, [*map(str, words), "--again", "rail"], input="\nwhat\nskip\n"
    )
    assert lines.exit_code == 0
    said = say_of(lines)
    assert "Run 1 of 1. The stop rail: all tabs off first; then each on and off again" in said
    assert "Nothing was heard. If all was worked, press Enter once more." in said
    assert "Type again, skip or quit" in said
    again = CliRunner().invoke(prove_command, [*map(str, words), "--again", "rail"], input="\n\n")
    assert again.exit_code == 1
    assert "contacts say nothing" in say_of(again)


def test_every_run_is_asked_for_in_its_own_words(bench: Bench) -> None:
    turned = evolve(bench.console, setting=evolve(bench.console.setting, lock=Contact("b1.64")))
    asked = {
        run.key: Called(turned, rail_of(turned)).asking(run)
        for run in runs_asked(turned, rail_of(turned))
    }
    deeper = [f"{p.label[0]} ({p.id})" for p in turned.pistons if p.second_touch]
    assert "play every key once, from the lowest (C2) to the highest" in asked["k1"]
    assert "all tabs off first; then each on and off again, in the order of the " in asked["rail"]
    assert "press each once, as the file has them, from thumb piston 0 (p0) to" in asked["thumb"]
    assert f"through to its second touch, once: {', '.join(deeper)}." in asked["second-touch"]
    assert asked["toe"].startswith("The toe studs: press each once")
    assert asked["switches"] == "The switches: close each and open it again, once: memory lock."


def test_lit_controls_are_touched(bench: Bench) -> None:
    console = evolve(bench.console, action=Action.LIT)
    rail = rail_of(console)
    (run,) = (run for run in runs_asked(console, rail) if run.key == "rail")
    assert "touch each control once" in Called(console, rail).asking(run)
