"""The demo: one evening at an embedded console, told as it happens.

Everything goes the way it would at a real console, from the wire that closes to the bank on
disk and to the pipes, and at the end what was lost is proved to have come back.
"""

import tempfile
from importlib.resources import files
from pathlib import Path

import click
from attrs import define, field

from banks import (
    BankFile,
    History,
    Keeper,
    Store,
    compare,
    create_store,
    read_bank_file,
    write_bank_file,
)
from cli.output import answer_no, say
from combination.contacts import Role, contacts_of
from combination.effects import Effect, KeepAsked, OutputsOff, OutputsOn, Refused, Stored
from combination.instrument import Instrument
from combination.memory import Bank, Slot, fresh_bank, seat
from combination.midi import Edge
from combination.model import Console
from combination.moment import Reason
from combination.reading import read_console

FIRST_TABS = ("gt-tibia-8", "gt-vox-8", "gt-flute-4", "so-gt", "so-oboe-8", "trem-main")
OTHER_TABS = ("gt-tuba-8", "gt-octave-4", "ac-flute-8")
UNDER_HER_HANDS = ("gt-tuba-8", "gt-octave-4", "gt-flute-4")
GENERAL = "g1"
OWNER = "Mabel Thornycroft"
CHORD = (48, 55, 60, 64)
"""Tenor C, G, middle C and E."""


@define
class _Evening:
    """A console switched on, with somebody at it."""

    console: Console
    bank: Bank
    keeper: Keeper | None = None
    now: float = 0.0
    instrument: Instrument = field(init=False)
    pins: dict[tuple[Role, str], str] = field(init=False)
    keys: dict[int, str] = field(init=False)

    def __attrs_post_init__(self) -> None:
        self.instrument = Instrument(self.console, self.bank, keeps=self.keeper is not None)
        self.pins = {(wired.role, wired.id): wired.pin for wired in contacts_of(self.console)}
        self.keys = {
            wired.number: wired.pin
            for wired in contacts_of(self.console)
            if (wired.role, wired.id) == (Role.KEY, "great")
        }

    def chord(self, down: bool) -> list[Effect]:
        return [effect for key in CHORD for effect in self._wire(self.keys[key], down)]

    def tabs(self, names: tuple[str, ...], on: bool) -> None:
        for name in names:
            self._wire(self.pins[Role.TAB, name], on)

    def push(self, piston: str) -> list[Effect]:
        pin = self.pins[Role.PISTON, piston]
        return self._wire(pin, True) + self._wire(pin, False)

    def _wire(self, pin: str, closed: bool) -> list[Effect]:
        self.now += 0.1
        effects = self.instrument.hear(Edge(pin, closed), self.now)
        for effect in effects:
            if self.keeper is not None and isinstance(effect, KeepAsked):
                for answer in self.keeper.keep(effect):
                    effects = effects + self.instrument.receive(answer, self.now)
        return effects

    @property
    def sounding(self) -> frozenset[str]:
        action = self.instrument.action
        return frozenset(self.bank.roster.registration(action.sounding))

    @property
    def pipes(self) -> frozenset[tuple[str, int]]:
        """Every pipe that sounds: its rank and its number."""
        relay = self.instrument.relay
        return frozenset((r.id, pipe) for r in self.console.ranks for pipe in relay.blown(r.id))

    def show(self) -> None:
        """What sounds in each division, and why; which pistons are lit."""
        names = {division.id: division.name for division in self.console.divisions}
        together: dict[tuple[str, str], list[str]] = {}
        for control in self.console.controls:
            reasons = self.instrument.action.why(control.id)
            if reasons:
                division = names.get(self.console.division_of(control) or "", "Whole organ")
                why = " and ".join(self.worded(reason) for reason in reasons)
                together.setdefault((division, why), []).append(control.face)
        for (division, why), faces in together.items():
            say(f"     {division}: {', '.join(faces)} ({why})")
        self.show_lit()
        say()

    def show_lit(self) -> None:
        lit = [p.id for p in self.console.pistons if p.id in self.instrument.action.lit]
        say("     lit: " + (", ".join(lit) or "no piston"))

    def worded(self, reason: Reason) -> str:
        return "by hand" if reason.cause == "hand" else f"by {reason.cause} {reason.by}"


def theatre() -> Console:
    """The theatre console that ships with the program."""
    return read_console(files("cli").joinpath("demos/theatre.toml").read_text("utf-8"))


@click.command()
def demo() -> None:
    """See the whole job done, with no files of your own.

    On an embedded theatre console a registration is set on a piston, recalled over other tabs,
    cancelled, backed up, wiped, restored, and proved to be as it was; then one is set by mistake,
    outlasts a switch-off, and is taken back.
    """
    console = theatre()
    say(f"{console.name}: a {console.action} action.")
    parts = ("keyboards", "divisions", "ranks", "controls", "pistons")
    say("It has " + ", ".join(f"{len(getattr(console, part))} {part}" for part in parts) + ".")
    say()
    with tempfile.TemporaryDirectory() as folder:
        _evening(console, Path(folder))


def _evening(console: Console, folder: Path) -> None:
    path = folder / "mabel.bank"
    evening = _Evening(console, fresh_bank(console, OWNER))
    say(f"1. {OWNER} draws some tabs by hand.")
    evening.tabs(FIRST_TABS, True)
    evening.show()

    say("2. She pushes Set, and its lamp says that it waits for a piston:")
    evening.push("set")
    evening.show_lit()
    say("   Then General 1, which stores what the tabs show. Nothing sounding changes.")
    evening.push(GENERAL)
    wanted = evening.sounding
    evening.show()

    say("3. She turns every tab, and other stops sound.")
    evening.tabs(FIRST_TABS, False)
    evening.tabs(OTHER_TABS, True)
    by_hand = evening.sounding
    evening.show()

    say("4. General 1 again: her registration sounds, over tabs that show another.")
    evening.push(GENERAL)
    recalled = evening.sounding
    evening.show()

    say("5. General Cancel: the tabs speak again.")
    evening.push("cancel")
    cancelled = evening.sounding
    evening.show()

    write_bank_file(path, BankFile(evening.bank))
    say(f"6. Her bank is backed up: {path.name}, {path.stat().st_size} bytes, with a checksum.")
    backed_up = evening.bank
    say()

    say("7. The memory is wiped. General 1 now does nothing, and says so:")
    evening = _Evening(console, fresh_bank(console, OWNER))
    refusals = [e for e in evening.push(GENERAL) if isinstance(e, Refused)]
    say("     refused: " + ", ".join(f"{refused.piston}, {refused.reason}" for refused in refusals))
    say()

    say("8. The bank is restored, and General 1 pushed once more.")
    restored = seat(read_bank_file(path).bank, console)
    evening = _Evening(console, restored)
    evening.push(GENERAL)
    restored_sounding = evening.sounding
    evening.show()

    say("9. She holds a chord on the Great:")
    spoke = _pipes_of(OutputsOn, evening.chord(True))
    _show_pipes(console, spoke)
    say("   She draws other tabs, which wait, and pushes General Cancel with the chord held.")
    evening.tabs(UNDER_HER_HANDS, True)
    effects = evening.push("cancel")
    ceased, more = _pipes_of(OutputsOff, effects), _pipes_of(OutputsOn, effects)
    say("   Only what differs ceases or speaks:")
    say(f"     {len(ceased)} pipes cease, {len(more)} speak, {len(spoke - ceased)} sound on")
    changed = evening.pipes
    evening.chord(False)
    say()

    there, back = _switched_off(console, restored, folder / "console.store")

    proofs = {
        "General 1 recalled what was set": recalled == wanted,
        "Cancel gave the tabs back": cancelled == by_hand,
        "the wiped memory refused": [str(r.reason) for r in refusals] == ["not set"],
        "the restored bank equals the one backed up": compare(backed_up, restored).equal,
        "and the same stops sound": restored_sounding == wanted,
        "the change under her hands was the difference": changed == (spoke - ceased) | more,
        "with every key up no pipe sounds": not evening.pipes,
        "what was acknowledged outlasted the switch-off": there,
        "and could be taken back": back,
    }
    say("Proved:")
    for what, holds in proofs.items():
        say(f"     {'yes' if holds else 'NO '}  {what}")
    if not all(proofs.values()):
        answer_no()


def _switched_off(console: Console, bank: Bank, path: Path) -> tuple[bool, bool]:
    """A set in the console's store, the key turned at once, and the set taken back later."""
    general = Slot(GENERAL, 1)
    say("10. Her bank goes into the console's store. She sets General 1 over, by mistake;")
    create_store(path)
    playing = Store(path)
    playing.add(bank)
    number, seated = playing.switch_on(console)
    before = seated.get(general)
    evening = _Evening(console, seated, Keeper(playing, number, seated))
    evening.tabs(OTHER_TABS, True)
    evening.push("set")
    stored = [e for e in evening.push(GENERAL) if isinstance(e, Stored)]
    say("    the store acknowledges it, and in that moment the console is switched off:")
    say("     " + ", ".join(f"stored: {effect.change.slot.piston}" for effect in stored))
    say()

    with Store(path) as store:  # the other one was never closed
        number, seated = store.switch_on(console)
        there = seated.get(general) == stored[0].change.after != before
        history = History(store, number)
        mistake = history.past(general)[0][0].number
        say(f"11. Switched on again the set is there, as change {mistake}. She takes it back.")
        history.take_back(history.taking_back([mistake]))
        back = seat(store.load(number), console).get(general) == before
    playing.close()
    say()
    return there, back


def _pipes_of(
    kind: type[OutputsOff | OutputsOn], effects: list[Effect]
) -> frozenset[tuple[str, int]]:
    return frozenset(
        (rank, pipe)
        for effect in effects
        if isinstance(effect, kind)
        for rank, pipes in effect.pipes
        for pipe in pipes
    )


def _show_pipes(console: Console, pipes: frozenset[tuple[str, int]]) -> None:
    for rank in console.ranks:
        numbers = sorted(pipe for name, pipe in pipes if name == rank.id)
        if numbers:
            say(f"     {rank.name}: pipes {', '.join(map(str, numbers))}")
