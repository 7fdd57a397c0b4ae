"""The program that plays a console, through real sockets and lines, with every fault injected.

It is compared with the same console played in this process, message for message; and by what its
partners say is on. Machines are busy: what is to happen soon is waited for with patience, and
what may never wait is measured often.
"""

import json
import os
import resource
import signal
import time
from collections.abc import Callable, Container, Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from itertools import count, cycle
from pathlib import Path
from random import Random
from threading import Thread
from typing import Any

import pytest
from attrs import define
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from banks.store import Store, create_store
from cli.play.playing import Playing
from cli.rehearsal.port_log import Passed, Way, read_log
from combination.events import ChangeKept
from combination.memory import Bank, Change, Slot, fresh_bank
from combination.outputs import Sent
from combination.ports import ports_of
from combination.reading import read_console
from tests.live import (
    CODE,
    CONTROLS,
    FLUTE,
    G1,
    GC,
    GEDACKT,
    GENERALS,
    LEFT_LAMP,
    LEFT_MARK,
    OCTAVE,
    PRINCIPAL,
    RANKS,
    REED,
    RIGHT_LAMP,
    SET,
    SW_GT,
    UP,
    Calling,
    Listening,
    Note,
    OnSerialLine,
    Partner,
    Program,
    great,
    lamp,
    note,
    oxmarsh,
    pipe,
    playing,
    push,
    right_mark,
    settle,
    swell,
    tab,
    thumb,
)
from tests.quay import done

ONE_PORT = oxmarsh("line", "line", "line", "line")
WHEN = datetime(2031, 5, 4, 18, 30, tzinfo=UTC)
C, E, G = 48, 52, 55
"""Keys."""
KEYS = range(36, 97)
AT_ONCE = 0.2
"""Seconds within which a key's message is there, whatever has failed."""


def messages_of(data: bytes) -> list[bytes]:
    """Plain messages of three bytes each."""
    return [data[place : place + 3] for place in range(0, len(data), 3)]


class Offline:
    """The same console in this process: what goes out by each port, and the notes that are on."""

    def __init__(
        self, text: str, bank: Bank | None = None, *, keeps: bool = False, opened: bool = True
    ) -> None:
        console = read_console(text)
        bank = bank or fresh_bank(console)
        self.playing = Playing(console, bank, lambda: WHEN, keeps=keeps)
        self.sent: dict[str, list[bytes]] = {port: [] for port in ports_of(console)}
        self.on: set[Note] = set()
        self.set: list[Change] = []
        self.now = 0.0
        if opened:
            for port in self.sent:
                self.take(self.playing.opened(port, self.now))
        self.now += 1.0

    def hear(self, data: bytes, port: str = "line") -> None:
        """Messages come, a moment apart; whatever is to be kept is kept at once."""
        for message in messages_of(data):
            self.now += 0.001
            self.take(self.playing.heard(port, message, self.now))
            asked, self.playing.asked = self.playing.asked, []
            self.set += [one.change for one in asked]
            answers = [ChangeKept(one.number) for one in asked]
            self.take(self.playing.written(answers, self.now))

    def end(self) -> None:
        self.take(self.playing.ending())

    def take(self, sent: Iterable[Sent]) -> None:
        for port, message in sent:
            self.sent[port].append(bytes(message.bin()))
            if message.type in ("note_on", "note_off"):
                is_on = message.type == "note_on" and message.velocity > 0
                which = (message.channel + 1, message.note)
                (self.on.add if is_on else self.on.discard)(which)


def written(folder: Path, text: str) -> Path:
    path = folder / "oxmarsh.toml"
    path.write_text(text, encoding="utf-8")
    return path


def a_store(folder: Path, text: str) -> Path:
    """A store with the bank of one player, of whom nothing is known yet."""
    path = folder / "oxmarsh.store"
    create_store(path)
    with Store(path) as store:
        store.add(fresh_bank(read_console(text), "Ruth"))
    return path


def kept_in(path: Path) -> Bank:
    with Store(path, writing=False) as store:
        return store.load(store.find("Ruth").number)


def combination(bank: Bank, number: int, level: int = 1) -> set[str] | None:
    """What a general has, if it has been set."""
    found = bank.get(Slot(f"g{number}", level))
    return None if found is None else set(bank.roster.registration(found.on))


# ---------------------------------------------------------------- a session

SESSION = (
    tab(FLUTE, True) + great(C, True) + great(E, True),
    tab(REED, True) + tab(SW_GT, True) + swell(G, True),
    thumb(SET, True) + push(G1) + thumb(SET, False),
    tab(PRINCIPAL, True) + tab(OCTAVE, True) + tab(FLUTE, False) + great(C, False),
    push(SET) + push(G1 + 1),
    push(G1) + great(G, True) + great(E, False),
    tab(GEDACKT, True) + push(G1 + 1) + swell(G, False) + swell(G, True),
    push(UP) + push(G1) + push(GC),
    thumb(SET, True) + push(G1 + 2) + thumb(SET, False),
    push(G1 + 2),
)
"""What is played. It sets two pistons at level 1 and a third at level 2, and leaves keys down.

What is set is there when the store has it: that is waited for before it is recalled.
"""
ALL_UP = b"".join(
    (
        *(keys(key, False) for keys in (great, swell) for key in (C, E, G)),
        *(tab(pin, False) for pin in range(FLUTE, SW_GT + 1)),
    )
)
LINES: dict[str, Callable[[Path], Partner]] = {
    "a program that listens": lambda _: Listening(),
    "a program that calls": lambda _: Calling(),
    "a serial line": lambda folder: OnSerialLine(folder / "line"),
}


@pytest.mark.parametrize(
    ("kind", "number"),
    [
        ("a program that listens", signal.SIGINT),
        ("a program that calls", signal.SIGHUP),
        ("a serial line", signal.SIGTERM),
    ],
)
def test_a_session_sends_what_it_sends_offline(
    tmp_path: Path, kind: str, number: signal.Signals
) -> None:
    """From switch-on to a signal to end: then all is off, and all is kept that was set."""
    store = a_store(tmp_path, ONE_PORT)
    offline = Offline(ONE_PORT, keeps=True)
    with LINES[kind](tmp_path) as partner:
        with playing(written(tmp_path, ONE_PORT), {"line": partner}, store) as program:
            for things in SESSION:
                partner.say(things)
                offline.hear(things)
                for change in offline.set:
                    program.says(f"({change.slot.piston}): set")
            partner.until(lambda: len(partner.heard) >= len(offline.sent["line"]))
            assert partner.on == offline.on
            assert {channel for channel, _ in partner.on} >= {RANKS["reed"], RANKS["gedackt"]}
            program.send(number)
            assert program.ended() == 0
            assert program.errors == ""
        offline.end()
        partner.until(lambda: len(partner.heard) >= len(offline.sent["line"]))
        assert partner.all() == offline.sent["line"]
        assert partner.on == set()
    kept, there = kept_in(store), offline.playing.instrument.action.bank
    assert (kept.level, kept.place) == (there.level, there.place)
    assert kept.level == 2
    places = [(1, 1), (2, 1), (3, 2)]
    found = [combination(kept, *place) for place in places]
    assert found == [combination(there, *place) for place in places]
    assert None not in found


# ---------------------------------------------------------------- how bytes may come

REAL_TIME = (0xF8, 0xF9, 0xFA, 0xFB, 0xFC, 0xFD, 0xFF)
"""All but active sensing, which means something of its own: it is tried by itself."""
SENSING = b"\xfe"
PUSHED = (SET, GC, G1, G1 + 1, G1 + 2)


def in_a_row(
    message: Callable[[int, bool], bytes], numbers: Iterable[int]
) -> st.SearchStrategy[list[bytes]]:
    """A few messages of one status."""
    some = st.lists(st.sampled_from(list(numbers)), min_size=1, max_size=4)
    return st.builds(lambda on, which: [message(each, on) for each in which], st.booleans(), some)


MESSAGES = st.lists(
    st.one_of(
        in_a_row(great, (C, E, G)),
        in_a_row(lambda key, on: bytes((0x90, key, 64 * on)), (C, E, G)),
        in_a_row(swell, (C, E, G)),
        in_a_row(tab, range(FLUTE, SW_GT + 1)),
        in_a_row(thumb, PUSHED),
    ),
    min_size=3,
    max_size=12,
).map(lambda rows: [tab(FLUTE, True), tab(REED, True), *(one for row in rows for one in row)])
"""Two stops are drawn, so that keys are heard."""
PLACES = st.integers(0, 79)


@define
class Spelling:
    """How messages are spelled: where a status is left out if it may be, what stands between
    bytes, and before which bytes there is a pause."""

    runs: list[bool]
    between: list[tuple[int, int]]
    pauses: set[int]

    def of(self, messages: Sequence[bytes]) -> Iterator[bytes]:
        """The pieces in which they are sent."""
        spelled: list[int] = []
        status = 0
        for number, message in enumerate(messages):
            leave_out = message[0] == status and self.runs[number % len(self.runs)]
            spelled += message[1:] if leave_out else message
            status = message[0]
        for place, byte in self.between:
            spelled.insert(min(place, len(spelled)), byte)
        begin = 0
        for place in sorted(self.pauses):
            yield bytes(spelled[begin:place])
            begin = max(place, begin)
        yield bytes(spelled[begin:])


SPELLINGS = st.builds(
    Spelling,
    st.lists(st.booleans(), min_size=1, max_size=4),
    st.lists(st.tuples(PLACES, st.sampled_from(REAL_TIME)), max_size=12),
    st.sets(PLACES, max_size=6),
)


def test_how_bytes_come_changes_nothing(tmp_path: Path) -> None:
    """Running status, real-time bytes between any two, and the pieces in which they come."""
    offline = Offline(ONE_PORT)
    marked = False

    def compare(pieces: Iterable[bytes], plain: bytes) -> None:
        """At the end of each everything is up, and a mark tells that it has all come."""
        nonlocal marked
        marked = not marked
        after, before = len(partner.heard), len(offline.sent["line"])
        last = b"".join(thumb(pin, False) for pin in PUSHED)
        last += ALL_UP + push(GC, GC) + tab(LEFT_MARK, marked)
        for piece in pieces:
            partner.say(piece)
            time.sleep(0.001)
        partner.say(last)
        offline.hear(plain + last)
        partner.next(lamp(LEFT_LAMP, marked), after)
        assert partner.all(after) == offline.sent["line"][before:]

    with (
        Listening() as partner,
        playing(written(tmp_path, ONE_PORT), {"line": partner}) as program,
    ):

        @settings(
            max_examples=int(os.environ.get("STOPWRIGHT_EXAMPLES", "50")),
            derandomize="STOPWRIGHT_EXAMPLES" not in os.environ,
            deadline=None,
            database=None,
            suppress_health_check=list(HealthCheck),
        )
        @given(MESSAGES, SPELLINGS)
        def spelled(messages: list[bytes], spelling: Spelling) -> None:
            compare(spelling.of(messages), b"".join(messages))

        spelled()
        plain = b"".join(SESSION)
        sensed = SENSING + b"".join(bytes((byte,)) + SENSING for byte in plain + ALL_UP)
        compare([sensed], plain + ALL_UP)
        assert program.process.poll() is None


TO_THIS_CONSOLE = bytes(
    byte if not 0x80 <= byte < 0xF0 else (byte & 0x90) + byte % 5 for byte in range(256)
)
"""Turns every status of a channel into that of a note, on one of five channels."""


def test_a_million_random_bytes(tmp_path: Path) -> None:
    """It lives; with every key up nothing sounds; and then a key still plays."""
    chance = Random(1_000_000)
    with (
        Listening() as partner,
        playing(written(tmp_path, ONE_PORT), {"line": partner}) as program,
    ):
        left = 1_000_000
        while left:
            noise = chance.randbytes(min(chance.choice((1, 10, 1000, 10_000)), left))
            left -= len(noise)
            partner.say(noise.translate(chance.choice((None, TO_THIS_CONSOLE))))
        channels = (1, 3, 4)
        every_up = [note(channel, key, False) for channel in channels for key in range(128)]
        marks = [tab(LEFT_MARK, on) for on in (True, False) * 10]
        partner.say(b"\xf7", *every_up, *marks)
        answer = [lamp(LEFT_LAMP, on) for on in (True, False) * 9]
        partner.until(lambda: [one for _, one in partner.heard[-len(answer) :]] == answer)
        assert len(partner.heard) > 10_000
        assert pipes_on(partner) == set()
        eventually(lambda: plays_again(partner))
        assert program.process.poll() is None
        program.send(signal.SIGTERM)
        assert (program.ended(), program.errors) == (0, "")
        assert partner.on == set()


def pipes_on(partner: Partner) -> set[Note]:
    return {(channel, key) for channel, key in partner.on if channel in RANKS.values()}


def plays_again(partner: Partner) -> bool:
    """Whether a key with the flute drawn plays one pipe.

    Noise may have sent active sensing. Who then is silent for a while is taken for new, and what
    is down there at first for stuck: so there is some more of it first.
    """
    for _ in range(8):
        partner.say(SENSING)
        time.sleep(0.1)
    tabs = [tab(pin, pin == FLUTE) for pin in (PRINCIPAL, REED, GEDACKT, OCTAVE, SW_GT, FLUTE)]
    marks = [tab(LEFT_MARK, on) for on in (True, False)]
    after = len(partner.heard)
    partner.say(push(GC, GC), *tabs, great(C, True), great(C, False), *marks)
    partner.next(lamp(LEFT_LAMP, False), after)
    played = {pipe("flute", C, True), pipe("flute", C, False)}
    return played <= set(partner.all(after))


def eventually(true: Callable[[], bool]) -> None:
    assert any(true() for _ in range(10))


# ---------------------------------------------------------------- faults, each kept to itself


@define
class Organ:
    """The console of four ports under way, and who is at each."""

    program: Program
    left: Partner
    right: Partner
    chest: Partner
    loft: Partner
    since: int = 0
    """How many lines had been printed before the test that is under way."""

    def draw(self, *pins: int) -> None:
        """Tabs on, seen to."""
        after = len(self.left.heard)
        self.left.say(
            *(tab(pin, True) for pin in pins), tab(LEFT_MARK, True), tab(LEFT_MARK, False)
        )
        self.left.next(lamp(LEFT_LAMP, False), after)

    def others_play(self, until: Callable[[], bool]) -> None:
        """Keys of the swell are struck until something is so: each is heard in the loft at once.

        One in twenty may be late, since other programs run too.
        """
        times: list[float] = []
        given_up = time.monotonic() + 60.0
        for key in cycle(range(C, C + 12)):
            if until() and len(times) >= 10:
                break
            assert time.monotonic() < given_up, self.program.lines
            for down in (True, False):
                after, struck = len(self.loft.heard), time.monotonic()
                self.right.say(swell(key, down))
                times.append(self.loft.next(pipe("reed", key, down), after) - struck)
            time.sleep(0.02)
        late = [taken for taken in times if taken > AT_ONCE]
        assert len(late) <= len(times) / 20, late

    def printed(self, words: str, times: int = 1) -> Callable[[], bool]:
        """Whether there are so many lines with these words, in this test."""
        return lambda: sum(words in line for line in self.program.lines[self.since :]) >= times

    def put_back(self) -> None:
        """Every key is let go and every tab put off: then no pipe sounds."""
        self.right.say(*(swell(key, False) for key in KEYS))
        self.left.say(push(GC), *(great(key, False) for key in KEYS))
        self.left.say(*(tab(pin, False) for pin in range(FLUTE, SW_GT + 1)))
        self.draw()
        for chest in (self.chest, self.loft):
            chest.until(lambda chest=chest: not chest.on)  # type: ignore[misc]


@contextmanager
def organ(
    folder: Path, *words: object, text: str | None = None, chest: Partner | None = None
) -> Iterator[Organ]:
    console = written(folder, text or oxmarsh())
    partners = (Listening(), Listening(), chest or Listening(), Listening())
    with ExitStack() as there:
        left, right, chest, loft = map(there.enter_context, partners)
        ports = {"left": left, "right": right, "chest": chest, "loft": loft}
        with playing(console, ports, *words) as program:
            found = Organ(program, left, right, chest, loft)
            found.draw(FLUTE, REED)
            yield found
            program.send(signal.SIGTERM)
            assert (program.ended(), program.errors) == (0, "")
            for partner in ports.values():
                assert partner.on == set()


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Organ, Path]]:
    """One program, with its store, for the tests that leave it as they have found it."""
    folder = tmp_path_factory.mktemp("shared")
    store = a_store(folder, oxmarsh())
    with organ(folder, store) as found:
        found.put_back()
        yield found, store


@pytest.fixture
def at(shared: tuple[Organ, Path]) -> Iterator[Organ]:
    """The shared program, with two stops drawn."""
    found, _ = shared
    found.since = len(found.program.lines)
    found.draw(FLUTE, REED)
    yield found
    found.put_back()


def test_an_input_that_hangs_up_lets_go_of_its_keys(at: Organ) -> None:
    at.left.say(great(C, True), great(E, True))
    at.chest.next(pipe("flute", E, True), 0)
    after = len(at.chest.heard)
    at.left.hang_up()
    at.others_play(until=lambda: len(at.chest.heard) >= after + 2)
    assert at.chest.on == set()
    assert set(at.chest.all(after)) == {pipe("flute", key, False) for key in (C, E)}
    at.others_play(until=at.printed('fault: port "left": '))
    calls = at.left.calls
    at.left.come_back()
    at.others_play(until=lambda: at.left.calls > calls)
    at.others_play(until=at.printed('over: port "left": '))
    after = len(at.chest.heard)
    at.left.say(great(G, True), great(G, False))
    at.chest.next(pipe("flute", G, False), after)
    assert at.chest.all(after) == [pipe("flute", G, True), pipe("flute", G, False)]
    settle()


def test_an_output_that_comes_back_is_told_all_that_is_on(at: Organ) -> None:
    at.left.say(great(C, True), great(E, True))
    at.chest.next(pipe("flute", E, True), 0)
    at.chest.hang_up()
    at.others_play(until=at.printed('fault: port "chest": '))
    # Meanwhile one key comes up, another goes down, and a stop is drawn.
    at.left.say(great(E, False), great(G, True), tab(PRINCIPAL, True))
    at.others_play(until=at.printed("Principal 8' sounds"))
    after = len(at.chest.heard)
    at.chest.come_back()
    wanted = {(RANKS[rank], key) for rank in ("flute", "principal") for key in (C, G)}
    at.others_play(until=lambda: at.chest.on == wanted)
    at.others_play(until=at.printed('over: port "chest": '))
    told = at.chest.all(after)
    assert told[:-4] == Offline(oxmarsh()).sent["chest"]
    assert set(told[-4:]) == {note(channel, key, True) for channel, key in wanted}


def test_a_program_that_takes_nothing_delays_no_other(at: Organ) -> None:
    takes_nothing(at)


def test_a_serial_line_that_takes_nothing_delays_no_other(tmp_path: Path) -> None:
    with organ(tmp_path, chest=OnSerialLine(tmp_path / "line")) as at:
        takes_nothing(at)


def takes_nothing(at: Organ) -> None:
    """The chest stops reading, which holds up nobody else, and reads again.

    After thirty rounds of 392 messages they are sent seldom: the chest is given up for the time
    that it takes nothing, before too many wait.
    """
    blocked = at.printed("it takes nothing of what is sent")
    at.draw(PRINCIPAL, OCTAVE)
    at.chest.stop_reading()
    turns = count()
    strokes = b"".join(great(key, down) for key in KEYS[:-12] for down in (True, False))

    def seen_to_be_blocked() -> bool:
        turn = next(turns)
        if turn < 30 or turn % 4 == 0:
            at.left.say(strokes)
        return blocked()

    at.others_play(until=seen_to_be_blocked)
    at.left.say(great(C, True))
    at.chest.come_back()
    wanted = {(RANKS[rank], key) for rank in ("flute", "principal") for key in (C, C + 12)}
    at.others_play(until=lambda: at.chest.on == wanted)


@contextmanager
def moved_away(program: Program, store: Path) -> Iterator[None]:
    """Somebody has taken the file away; afterwards it is put back."""
    del program
    elsewhere = store.parent / "elsewhere"
    elsewhere.mkdir()
    names = [path for path in store.parent.iterdir() if path.name.startswith(store.name)]
    for path in names:
        path.rename(elsewhere / path.name)
    yield
    for path in store.parent.glob(f"{store.name}*"):
        path.unlink()
    for path in elsewhere.iterdir():
        path.rename(store.parent / path.name)


@contextmanager
def full_disk(program: Program, store: Path) -> Iterator[None]:
    """No file can grow any more; afterwards there is room again."""
    del store
    before = resource.prlimit(program.process.pid, resource.RLIMIT_FSIZE)
    resource.prlimit(program.process.pid, resource.RLIMIT_FSIZE, (0, before[1]))
    yield
    resource.prlimit(program.process.pid, resource.RLIMIT_FSIZE, before)


@pytest.mark.parametrize(("fails", "first"), [(moved_away, 1), (full_disk, 3)])
def test_sets_work_while_the_store_does_not(
    at: Organ,
    shared: tuple[Organ, Path],
    fails: Callable[[Program, Path], Any],
    first: int,
) -> None:
    """Two generals are set, that one and the next, and none of them has been before."""
    _, store = shared
    second = first + 1
    with fails(at.program, store):
        set_held(at.left, G1 + first - 1)
        at.others_play(until=at.printed(f"piston {first} (g{first}): set, but not written yet"))
        at.others_play(until=at.printed("1 set is not written yet: it works until switch-off"))
        at.left.say(tab(FLUTE, False), tab(PRINCIPAL, True))
        set_held(at.left, G1 + second - 1)
        at.others_play(until=at.printed("2 sets are not written yet: they work until"))
        assert at.printed(f"fault: {store}: ")()
        # What was set is there: the flute again, by the piston.
        after = len(at.chest.heard)
        at.left.say(push(G1 + first - 1), great(C, True), great(C, False))
        at.chest.next(pipe("flute", C, False), after)
        assert at.chest.all(after) == [pipe("flute", C, True), pipe("flute", C, False)]
    at.others_play(until=at.printed("every set is written"))
    at.others_play(until=at.printed(f"over: {store}: "))
    assert at.printed(f"piston {first} (g{first}): written now")()
    assert at.printed(f"piston {second} (g{second}): written now")()
    bank = kept_in(store)
    assert combination(bank, first) == {"flute", "reed"}
    assert combination(bank, second) == {"principal", "reed"}


def set_held(left: Partner, pin: int) -> None:
    left.say(thumb(SET, True), push(pin), thumb(SET, False))


def test_a_set_that_is_never_written_is_told_at_switch_off(tmp_path: Path) -> None:
    store = a_store(tmp_path, ONE_PORT)
    with Listening() as partner:
        with playing(written(tmp_path, ONE_PORT), {"line": partner}, store) as program:
            resource.prlimit(program.process.pid, resource.RLIMIT_FSIZE, (0, 0))  # a full disk
            partner.say(tab(FLUTE, True), push(SET, G1))
            program.says("set, but not written yet")
            partner.say(great(C, True))
            partner.next(pipe("flute", C, True), 0)
            program.send(signal.SIGTERM)
            assert program.ended() == 2
        assert program.errors.startswith("stopwright: switched off, but 1 set could not be written")
        assert program.errors.count("\n") == 1
        assert partner.on == set()


def test_an_output_that_is_blocked_at_switch_off_is_named(tmp_path: Path) -> None:
    text = oxmarsh()
    others = Listening(), Listening(), Listening()
    with others[0] as left, others[1] as right, others[2] as loft, ExitStack() as stack:
        chest = stack.enter_context(OnSerialLine(tmp_path / "line"))
        ports = {"left": left, "right": right, "chest": chest, "loft": loft}
        with playing(written(tmp_path, text), ports) as program:
            left.say(*(tab(pin, True) for pin in (FLUTE, PRINCIPAL, OCTAVE)), great(C, True))
            chest.next(pipe("flute", C, True), 0)
            chest.stop_reading()
            for _ in range(70):  # 80 KB: a pseudo-terminal takes 64
                left.say(*(great(key, down) for key in KEYS[:-12] for down in (True, False)))
            left.say(tab(LEFT_MARK, True))
            left.next(lamp(LEFT_LAMP, True), 0)
            program.send(signal.SIGTERM)
            assert program.ended() == 2
        assert 'port "chest" took nothing any more' in program.errors
        assert program.errors.count("\n") == 1


def test_contacts_and_boards_at_fault(tmp_path: Path) -> None:
    """A piston that is stuck, a board that falls silent, and garbage: each told once."""
    with organ(tmp_path, "--faults", tmp_path / "log", text=oxmarsh(stuck=0.3)) as at:
        stuck = "piston 1 (g1): its contact at pin thumb.4 is stuck, and taken as open"
        at.left.say(thumb(G1, True))
        at.others_play(until=at.printed(f"fault: {stuck}"))
        at.left.say(great(C, True))
        at.chest.next(pipe("flute", C, True), 0)
        at.left.say(great(C, False), thumb(G1, False))
        at.others_play(until=at.printed(f"over: {stuck}"))

        garbage = b"\xf4\x00\x55\xf5\x7f\xf0\x7d\x01\xfd\xf9\xf1\x00\xf2\x00\x00\xf3\x01\x81\x40"
        after = len(at.chest.heard)
        at.left.say(garbage, great(E, True), garbage, great(E, False), garbage)
        at.chest.next(pipe("flute", E, False), after)
        assert at.chest.all(after) == [pipe("flute", E, True), pipe("flute", E, False)]

        silent = 'port "left": nothing is heard of it any more'
        after = len(at.chest.heard)
        at.left.say(great(G, True), SENSING)
        at.chest.next(pipe("flute", G, True), after)
        at.chest.next(pipe("flute", G, False), after)
        at.others_play(until=at.printed(f"fault: {silent}"))
        after = len(at.chest.heard)
        at.left.say(great(G, True))
        at.chest.next(pipe("flute", G, True), after)
        at.others_play(until=at.printed(f"over: {silent}"))
        assert not at.printed(f"fault: {stuck}", 2)()
    told = [line[20:] for line in (tmp_path / "log").read_text().splitlines()]
    assert told[:4] == [stuck, f"over: {stuck}", silent, f"over: {silent}"]


# ---------------------------------------------------------------- the plug is pulled


def registration(number: int) -> set[str]:
    """Another one for each number from 1 to 63."""
    return {control for place, control in enumerate(CONTROLS) if number >> place & 1}


def drawn(number: int) -> bytes:
    """The tabs by which it is drawn."""
    return b"".join(
        tab(pin, CONTROLS[pin - FLUTE] in registration(number)) for pin in range(FLUTE, SW_GT + 1)
    )


def test_what_was_acknowledged_outlives_a_kill(tmp_path: Path) -> None:
    """Twice killed while pistons are set, to something else the second time."""
    store, console = a_store(tmp_path, ONE_PORT), written(tmp_path, ONE_PORT)
    silence = Offline(ONE_PORT).sent["line"]
    chance = Random(5)
    with Listening() as partner:
        for first in (1, 31):
            before = kept_in(store)
            heard = len(partner.heard)
            with playing(console, {"line": partner}, store) as program:
                assert partner.all(heard)[: len(silence)] == silence
                assert partner.on == set()
                partner.say(great(C, True), tab(FLUTE, True), tab(LEFT_MARK, True))
                partner.next(lamp(LEFT_LAMP, True), heard)  # whatever is set, that stays lit
                setting = Thread(target=set_all, args=(partner, first))
                setting.start()
                program.says(f"(g{chance.randint(3, GENERALS // 2)}): set")
                program.send(signal.SIGKILL)
                program.ended()
                setting.join()
            assert LEFT_LAMP in partner.on
            acknowledged = [n for n in range(1, GENERALS + 1) if said_set(program, n)]
            bank = kept_in(store)
            wrong = [n for n in acknowledged if combination(bank, n) != registration(first + n)]
            assert wrong == []
            for n in set(range(1, GENERALS + 1)) - set(acknowledged):
                old, new = combination(before, n), registration(first + n)
                assert combination(bank, n) in (old, new)
        heard = len(partner.heard)
        with playing(console, {"line": partner}, store):
            assert partner.all(heard)[: len(silence)] == silence
            assert partner.on == set()
            recall_all(partner, Offline(ONE_PORT, kept_in(store), keeps=True))


def said_set(program: Program, number: int) -> bool:
    return any(line.endswith(f"(g{number}): set") for line in program.lines)


def set_all(partner: Partner, first: int) -> None:
    """Set every general, each to another registration, until nobody is there any more."""
    for number in range(1, GENERALS + 1):
        try:
            partner.say(drawn(first + number))
            set_held(partner, G1 + number - 1)
        except (OSError, AssertionError):
            return
        time.sleep(0.02)


def recall_all(partner: Partner, offline: Offline) -> None:
    """Push every general, and hear the same as offline."""
    after, before = len(partner.heard), len(offline.sent["line"])
    keys = great(C, True) + swell(G, True)
    things = keys + push(*range(G1, G1 + GENERALS)) + tab(LEFT_MARK, True)
    partner.say(things)
    offline.hear(things)
    partner.next(lamp(LEFT_LAMP, True), after)
    assert partner.all(after) == offline.sent["line"][before:]


# ---------------------------------------------------------------- a fault of its own

BREAKS = bytes((0x90, 37, 99))
"""A message by which the program is made to fail."""
BROKEN = f"""
from cli.play.playing import Playing
heard = Playing.heard
def broken(self, port, data, at):
    if data == {BREAKS!r}:
        raise RuntimeError("this was to be expected")
    return heard(self, port, data, at)
Playing.heard = broken
"""


def test_a_fault_of_its_own_leaves_nothing_on(tmp_path: Path) -> None:
    """What was set is kept, and one sentence says what has happened."""
    store = a_store(tmp_path, ONE_PORT)
    with Listening() as partner:
        with playing(
            written(tmp_path, ONE_PORT), {"line": partner}, store, code=BROKEN + CODE
        ) as program:
            partner.say(tab(FLUTE, True), great(C, True), tab(LEFT_MARK, True))
            set_held(partner, G1)
            partner.next(pipe("flute", C, True), 0)
            partner.say(push(UP), thumb(SET, True), push(G1 + 1), BREAKS)
            assert program.ended() == 2
        assert program.errors.startswith("stopwright: ")
        assert program.errors.count("\n") == 1
        assert "this was to be expected" in program.errors
        partner.until(lambda: partner.on == set())
    bank = kept_in(store)
    assert bank.level == 2
    assert combination(bank, 1, level=1) == combination(bank, 2, level=2) == {"flute"}


# ---------------------------------------------------------------- a recording


def test_a_recording_is_played_again(tmp_path: Path) -> None:
    """What came in, at its times, gives what went out; and it is a rehearsal."""
    log = tmp_path / "evening.log"
    text = oxmarsh().replace("key-bounce = 0.0\nbounce = 0.0\n", "")
    paces = cycle((0.004, 0.03))  # some come while a contact is taken to bounce, some do not
    with organ(tmp_path, "--record", log, text=text) as at:
        left = at.left
        for message in (one for things in SESSION for one in messages_of(things)):
            (at.right if message[0] & 0xF in (3, 4) else at.left).say(message)
            time.sleep(next(paces))
        at.right.hang_up()
        at.program.says('fault: port "right": ')
        calls = at.right.calls
        at.right.come_back()
        at.right.until(lambda: at.right.calls > calls)
        for on in (True, False):
            after = len(at.right.heard)
            at.right.say(right_mark(on), swell(C, on))
            at.right.next(lamp(RIGHT_LAMP, on), after)
        at.loft.hang_up()
        at.program.says('fault: port "loft": ')
        at.right.say(swell(E, True), right_mark(True))
        at.right.next(lamp(RIGHT_LAMP, True), after)
        away = len(at.loft.heard)
        at.loft.come_back()
        at.loft.next(pipe("reed", E, True), away)
        back = len(at.loft.heard)
        at.right.say(swell(E, False))
        at.loft.next(pipe("reed", E, False), back)
    passed, heard = read_log(log.read_text(encoding="utf-8")), left.all()
    found = list(again(Offline(text, opened=False).playing, passed))
    assert found == [(one.port, one.data) for one in passed if one.way is Way.OUT]
    assert len(found) > 40
    lost = passed.index(next(one for one in passed if (one.way, one.port) == (Way.LOST, "loft")))
    ways = [one.way for one in passed[lost:] if one.port == "loft"]
    assert ways[:2] == [Way.LOST, Way.OPEN], "what nobody was sent did not go out"
    assert [one.data for one in passed if (one.way, one.port) == (Way.OUT, "left")] == heard
    assert {one.way for one in passed} == set(Way)
    assert "press set" in done("rehearse", log, "--console", tmp_path / "oxmarsh.toml")


def again(playing: Playing, passed: Iterable[Passed]) -> Iterator[tuple[str, bytes]]:
    """What goes out of a console by open ports for what happened there, and at switch-off."""
    there: set[str] = set()
    for one in passed:
        match one.way:
            case Way.IN:
                sent = playing.heard(one.port, one.data, one.at)
            case Way.OPEN:
                there.add(one.port)
                sent = playing.opened(one.port, one.at)
            case Way.LOST:
                there.discard(one.port)
                sent = playing.lost(one.port, "as it was", one.at)
            case Way.OUT:  # of itself, once some time has passed, or for what came before
                sent = playing.tick(one.at)
        yield from named(sent, there)
    yield from named(playing.ending(), there)


def named(sent: Iterable[Sent], there: Container[str]) -> list[tuple[str, bytes]]:
    return [(port, bytes(message.bin())) for port, message in sent if port in there]


# ---------------------------------------------------------------- by hand, and for programs


def by_hand(folder: Path, lines: str) -> Program:
    return Program([written(folder, oxmarsh()), "--by-hand", lines], typed=True)


def test_by_hand_without_a_console(tmp_path: Path) -> None:
    """What is typed is done; lines say what came of it; ``quit`` switches off."""
    with by_hand(tmp_path, "--plain") as program:
        program.says("console St Bride, Oxmarsh")
        for typed, told in (
            ("flute", "Great: Flute 8' sounds"),
            ("tab reed on", "Swell: Reed 8' sounds"),
            ("press set", "piston Set (set) lit"),
            ("g1", "piston 1 (g1): set"),
            ("release set", "piston Set (set) dark"),
            ("flute", "Great: Flute 8' is silent"),
            ("push g1", "piston 1 (g1) lit"),
            ("flut", 'there is no piston or control "flut"'),
        ):
            after = len(program.lines)
            program.type(typed)
            program.says(told, after)
        program.type("quit")
        assert (program.ended(), program.errors) == (0, "")


def test_json_lines_are_complete(tmp_path: Path) -> None:
    """Each is merged into what was known, as `as_json` says; at the end all is known."""
    with by_hand(tmp_path, "--json") as program:
        program.says('"console"')
        for typed, told in (
            ("flute", "Flute"),
            ("sw-gt", "to Great"),
            ("push set", '"lit": true'),
            ("push g3", "(g3): set"),
            ("push up", '"number": 2'),
            ("push g1", "not set"),
        ):
            after = len(program.lines)
            program.type(typed)
            program.says(told, after)
        assert program.process.stdin is not None
        program.process.stdin.close()  # whoever types has gone
        assert (program.ended(), program.errors) == (0, "")
    known: dict[str, Any] = {}
    words: list[str] = []
    for line in program.lines:
        changed = json.loads(line)
        words += changed.pop("told", [])
        for name, part in changed.items():
            known[name] = merged(name, known.get(name), part)
    assert set(known) == {
        *("console", "player", "level", "step", "crescendo", "transposer", "pipes", "unkept"),
        *("controls", "pistons", "ports", "faults", "latency"),
    }
    assert known["console"] == "St Bride, Oxmarsh"
    on = {name: control["label"] for name, control in known["controls"].items() if control["on"]}
    assert on == {"flute": "Flute 8'", "sw-gt": "Swell to Great"}
    assert len(known["controls"]) == len(CONTROLS) + 2
    assert len(known["pistons"]) == GENERALS + 3
    assert not any(piston["lit"] for piston in known["pistons"].values())
    assert known["level"] == {"number": 2, "name": ""}
    assert words == ["piston 3 (g3): set", "piston 1 (g1): not set"]
    assert known["faults"] == []


_KNOWN_BY = {"controls": "id", "pistons": "id", "ports": "name"}


def merged(name: str, known: Any, part: Any) -> Any:
    """What is known of a part when a line tells of it."""
    if name not in _KNOWN_BY:
        return part
    return {**(known or {}), **{member[_KNOWN_BY[name]]: member for member in part}}
