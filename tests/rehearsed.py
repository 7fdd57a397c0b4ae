"""Small consoles for rehearsals, as the text of their files, and a way to rehearse on them."""

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import MappingProxyType

from click.testing import CliRunner, Result
from hypothesis import strategies as st

from cli.rehearsal.commands import WORKED, rehearse
from cli.rehearsal.language import FORMS
from cli.rehearsal.lines import RehearsalError, draft_of, said_in
from cli.rehearsal.statements import Music, Touch
from combination.model import Console
from combination.reading import read_console

ROOM = (WORKED / "worked.toml").read_text()
"""The console of the worked cases of the combination action."""
LOFT = (WORKED / "worked-relay.toml").read_text()
"""The console of the worked cases of the relay."""

LARGER = (
    ROOM
    + """
[[piston]]
id = "NEXT"
label = "Next"
kind = "next"
contact = "more.1"

[[piston]]
id = "PREV"
label = "Previous"
kind = "previous"
contact = "more.2"

[[piston]]
id = "BIRD"
label = "Bird"
kind = "momentary"
control = "n"
contact = "more.3"

[[piston]]
id = "DEEP"
label = "Deep"
kind = "divisional"
division = "great"
contact = "more.4"
second-touch = { piston = "PD1", contact = "more.5" }

[[piston]]
id = "BACK"
label = "Opens when pressed"
kind = "reversible"
control = "d"
contact = { pin = "more.6", inverted = true }

[[piston]]
id = "CS"
label = "Crescendo set"
kind = "crescendo-set"
contact = "more.7"

[[piston]]
id = "FIXED"
label = "Not settable"
kind = "general"
settable = false
contact = "more.8"

[[piston]]
id = "PROG"
label = "By program change"
kind = "general"
contact = "programs.1"

[[piston]]
id = "BARE"
label = "Wired to nothing yet"
kind = "reversible"
control = "c"

[[shoe]]
id = "swell"
name = "Swell"
chambers = []
heel = 3
toe = 120
in = { port = "console", channel = 7, controller = 11 }

[[board]]
id = "more"
pins = 8
in = { port = "console", channel = 5, first-note = 0 }

[[board]]
id = "programs"
pins = 4
in = { port = "console", channel = 6, first-program = 10 }
"""
)

LIT = """
format = 1
name = "Lit room"
action = "lit"

[[keyboard]]
id = "great"
name = "Great"

[[division]]
id = "great"
name = "Great"
keyboard = "great"

[[stop]]
id = "touched"
label = "Touched"
division = "great"
contact = "rail.1"
lamp = "lamps.1"

[[stop]]
id = "pair"
label = "On and off"
division = "great"
contact-on = "rail.2"
contact-off = "rail.3"
lamp = "lamps.2"

[[stop]]
id = "bare"
label = "Wired to nothing yet"
division = "great"
lamp = "lamps.3"

[[piston]]
id = "G1"
label = "1"
kind = "general"

[[board]]
id = "rail"
pins = 3
in = { port = "console", channel = 1, first-note = 0 }

[[board]]
id = "lamps"
pins = 3
out = { port = "console", channel = 1, first-note = 0 }
"""


class Hall:
    """A folder with a console file, in which rehearsals are written and run."""

    def __init__(self, folder: Path, console: str = LARGER) -> None:
        self.folder = folder
        (folder / "hall.toml").write_text(console)

    def run(self, text: str, *options: str) -> Result:
        """Run a rehearsal; any exception that is not the command's own is the test's failure."""
        path = self.folder / "it.rehearsal"
        path.write_text(f"console hall.toml\n{text}")
        return self.invoke(str(path), *options)

    def invoke(self, *words: str) -> Result:
        result = CliRunner().invoke(rehearse, list(words))
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        return result

    def holds(self, text: str) -> None:
        """Every expectation holds, and there is one."""
        result = self.run(text)
        assert "all held" in result.output, result.output
        assert result.exit_code == 0

    def told(self, text: str, *options: str) -> str:
        """What is said, with exit code 2, of a rehearsal that cannot be run."""
        result = self.run(text, *options)
        assert result.exit_code == 2, result.output
        return self.plain(result.output)

    def plain(self, output: str) -> str:
        """What is said, without the folder that the test happens to run in."""
        return output.replace(f"{self.folder}/", "")


# ---------------------------------------------------------------- any rehearsal

CONSOLES = {
    "larger": read_console(LARGER),
    "moving": read_console(LARGER.replace('"blind"', '"moving"')),
    "lit": read_console(LIT),
    "loft": read_console(LOFT),
}
FITTING = {
    "KEYBOARD": ["great", "pedal"],
    "NOTES": ["60", "36-41 60", "67 48", "nothing"],
    "RANK": ["flute"],
    "NUMBERS": ["37", "nothing"],
    "TRAPS": ["drum", "nothing"],
    "CHAMBER": ["main"],
    "POSITION": ["0", "7", "unknown"],
    "SEMITONES": ["0", "+2", "-6", "6"],
    "NAME": ["swell", "G1", "great", "default", "a", "pair"],
    "SHOE": ["swell"],
    "DIVISION": ["great", "pedal"],
    "CONTROL": ["a", "x", "touched", "pair", "bare"],
    "CONTROLS": ["a", "b n", "nothing", "touched pair", "bare"],
    "PISTON": ["G1", "DEEP", "PROG", "SET", "FO", "BACK", "UP", "NEXT", "BIRD", "GC"],
    "PISTONS": ["G1 SET", "nothing"],
    "PLACES": ["G1", "G1 at 2 stage 1", "FO"],
    "REFUSALS": ["nothing", '"not set"', 'G1 "not set"'],
    "LEVEL": ["1", "2"],
    "STAGE": ["0", "1", "3"],
    "READING": ["0", "60", "127", "toe"],
    "SECONDS": ["0.05", "0.2", "0.7", "31"],
    "NUMBER": ["1", "1.5", "beginning"],
    "PIN": ["rail.1", "thumb.7", "more.6", "programs.1", "switches.1"],
    "FILE": ["x.toml"],
    "TEXT": ["words"],
    "KEY": ["again"],
    "VALUE": ["release"],
}
"""Words for the slots of the language that often fit one of the consoles."""
FITTING_THE_LOFT = {
    **FITTING,
    "KEYBOARD": ["great", "great", "solo", "pedal"],
    "SHOE": ["main-shoe", "choir-shoe"],
    "DIVISION": ["great", "solo", "gallery", "carillon"],
    "CONTROL": ["gt-8", "gt-off"],
    "CONTROLS": [
        *("gt-8 gt-4", "so-trumpet cymbal so-gt-pizz", "xylophone", "chimes", "bell", "drum"),
        *("gt-off gt-octave", "so-gt", "all-shades", "tremulant", "ga-gt-octave"),
    ],
    "PISTON": ["G1", "GC"],
    "PISTONS": ["G1", "nothing"],
    "RANK": ["flute", "trumpet", "xylophone", "chimes"],
    "NUMBERS": ["25 37", "1", "nothing"],
    "TRAPS": ["drum", "cymbal drum", "nothing"],
    "CHAMBER": ["main", "choir"],
    "SECONDS": ["0.05", "0.2", "0.062"],
    "PIN": ["great-keys.25", "solo-keys.1", "switches.8"],
}


@st.composite
def likely_statements(
    draw: st.DrawFn, fitting: Mapping[str, Sequence[str]] = MappingProxyType(FITTING)
) -> str:
    """A form of the language, with words that often fit."""
    pattern = draw(st.sampled_from([form.pattern for form in FORMS]))
    words = []
    for part in re.findall(r"\[[^]]*\]|\S+", pattern):
        if part.startswith("[") and draw(st.booleans()):
            continue
        for word in part.strip("[]").split():
            choices = word.split("|")
            slot = next((choice for choice in choices if choice.isupper()), None)
            words.append(draw(st.sampled_from(fitting[slot] if slot else choices)))
    return " ".join(words)


STAY = ("undo", "redo", "step", "sequence", "store", "switch", "found")
"""How statements begin that cannot be written as MIDI."""


@st.composite
def likely_rehearsals(
    draw: st.DrawFn, names: Sequence[str], *, travelling: bool = False
) -> tuple[str, str]:
    """One of these consoles, and a rehearsal for it, that can be written as MIDI if need be."""
    name = draw(st.sampled_from(names))
    statements = likely_statements(FITTING_THE_LOFT if name == "loft" else FITTING)
    lines = draw(st.lists(statements, max_size=25))
    if travelling:
        unwired = ("crescendo", "lock", "unlock") if name == "loft" else ("keys", "transpose")
        lines = [line for line in lines if line.split()[0] not in STAY + unwired]
    return name, "\n".join(understood(lines, CONSOLES[name]))


@st.composite
def musics(draw: st.DrawFn) -> Music:
    """Hands on a few keys of the loft's Great and Solo, nearer together than any hand."""
    moves = draw(
        st.lists(
            st.tuples(
                st.integers(0, 400),
                st.sampled_from(["great", "solo"]),
                st.integers(60, 62),
                st.booleans(),
            ),
            max_size=40,
        )
    )
    touches = tuple(
        Touch(milliseconds / 1000, keyboard, key, down)
        for milliseconds, keyboard, key, down in sorted(moves, key=lambda move: move[0])
    )
    return Music(touches, draw(st.sampled_from([0.4, 1.0])))


def understood(lines: list[str], console: Console) -> list[str]:
    """Those of the statements that can be run, each after those before it."""
    sound: list[str] = []
    for line in lines:
        try:
            draft_of(said_in("\n".join([*sound, line]))).on(console)
        except RehearsalError:
            continue
        sound.append(line)
    return sound
