"""Ports of a console file: which it uses, which way each goes, and how addresses are written."""

import tomllib
from collections.abc import Iterator
from importlib import resources
from typing import Any
from urllib.parse import urlsplit

import pytest
from hypothesis import given
from hypothesis import strategies as st

from combination.model import MIDI_SPEED, Port
from combination.ports import PortUse, parse_address, ports_of
from combination.reading import read_console
from tests.test_console_file import SOUND

IN, OUT, BOTH = PortUse(listens=True), PortUse(sends=True), PortUse(listens=True, sends=True)

EVERYWHERE = """
format = 1
name = "Tide House"
action = "blind"

[crescendo]
in = { port = "crescendo", channel = 1, controller = 1 }

[[readout]]
shows = "level"
out = { port = "level", channel = 1, controller = 1 }

[[chamber]]
id = "box"
name = "Box"
out = { port = "shades", channel = 1, controller = 1 }

[[effect]]
id = "bird"
label = "Bird"
out = { port = "bird", channel = 1, note = 1 }

[[trap]]
id = "drum"
label = "Drum"
division = "great"
out = { port = "drum", channel = 1, note = 1 }

[[percussion]]
id = "harp"
label = "Harp"
division = "great"
rank = "flute"
out = { port = "harp", channel = 1, note = 1 }

[[tremulant]]
id = "tremulant"
label = "Tremulant"
out = { port = "tremulant", channel = 1, note = 1 }

[[coupler]]
id = "octave"
label = "Octave"
keys = "great"
plays = "great"
shift = 12
out = { port = "coupler", channel = 1, program-on = 1, program-off = 2 }

[[stop]]
id = "flute"
label = "Flute"
division = "great"
rank = "flute"
out = { port = "stop", channel = 1, controller = 1 }

[[division]]
id = "great"
name = "Great"
keyboard = "great"
out = { port = "lines", channel = 1 }

[[keyboard]]
id = "great"
name = "Great"

[[rank]]
id = "flute"
name = "Flute"
pipes = 73
out = [
    { port = "treble", channel = 1, from = 13 },
    { port = "bass", channel = 1, to = 12 },
    { port = "both", channel = 1 },
]

[[shoe]]
id = "shoe"
name = "Shoe"
chambers = "box"
in = { port = "shoe", channel = 1, controller = 1 }

[[shoe]]
id = "second"
name = "Second"
chambers = "box"

[[board]]
id = "keys"
pins = 8
in = { port = "keys", channel = 1, first-note = 1 }

[[board]]
id = "lamps"
pins = 8
out = { port = "lamps", channel = 1, first-note = 1 }

[[board]]
id = "pistons"
pins = 8
in = { port = "both", channel = 1, first-note = 1 }
out = { port = "pistons", channel = 1, first-note = 1 }

[[port]]
id = "nowhere"
midi = "x"
"""
"""A port of its own for everything that may have one, and one that goes both ways."""


def test_every_port_of_a_console_in_its_order() -> None:
    listened_to = dict.fromkeys(("keys", "both", "crescendo", "shoe"), IN) | {"both": BOTH}
    controls = ("stop", "coupler", "tremulant", "harp", "drum", "bird")
    sent_to = ("treble", "bass", "lines", *controls, "lamps", "pistons", "shades", "level")
    assert list(ports_of(read_console(EVERYWHERE)).items()) == [
        *listened_to.items(),
        *((name, OUT) for name in sent_to),
    ]


def wires_in(table: Any, key: str = "") -> Iterator[tuple[str, str]]:
    """Every port in a file's data, with the nearest key above it: ``in`` or ``out``."""
    if isinstance(table, list):
        for row in table:
            yield from wires_in(row, key)
    elif isinstance(table, dict):
        for word, value in table.items():
            if word == "port" and isinstance(value, str):
                yield value, key
            else:
                yield from wires_in(value, word)


@pytest.mark.parametrize("name", ["theatre.toml", "church.toml", None])
def test_the_ports_of_a_file_are_those_in_its_text(name: str | None) -> None:
    text = EVERYWHERE
    if name is not None:
        text = (resources.files("cli") / "demos" / name).read_text(encoding="utf-8")
    wires = set(wires_in(tomllib.loads(text)))
    expected = {
        port: PortUse(listens=(port, "in") in wires, sends=(port, "out") in wires)
        for port, _ in wires
    }
    assert expected
    assert ports_of(read_console(text)) == expected


def test_a_port_as_the_file_joins_it() -> None:
    joins = (
        '[[port]]\nid = "pipes"\nconnect = "[::1]:5004"\nactive-sensing = false\n'
        '[[port]]\nid = "console"\nserial = "/dev/ttyUSB0"\nbaud = 38400\n'
    )
    pipes, console = read_console(SOUND + joins).ports
    assert pipes == Port("pipes", connect="[::1]:5004", active_sensing=False)
    assert console == Port("console", serial="/dev/ttyUSB0", baud=38400)
    assert console.active_sensing
    assert (pipes.speed, console.speed) == (MIDI_SPEED, 38400)
    assert 10 / MIDI_SPEED == 320e-6, "MIDI 1.0: a byte of ten bits takes 320 µs"


# ---------------------------------------------------------------- addresses


@pytest.mark.parametrize(
    ("text", "host", "number"),
    [
        ("chest.local:5004", "chest.local", 5004),
        ("0.0.0.0:1", "0.0.0.0", 1),
        ("[::1]:65535", "::1", 65535),
        ("[fe80::1%eth0]:5004", "fe80::1%eth0", 5004),
        ("chest_2-a:05004", "chest_2-a", 5004),
        (f"{'a' * 63}.b:5004", f"{'a' * 63}.b", 5004),
    ],
)
def test_an_address(text: str, host: str, number: int) -> None:
    assert parse_address(text) == (host, number)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "chest",
        "5004",
        ":5004",
        "chest:",
        "chest:0",
        "chest:65536",
        "chest:-1",
        "chest:+1",
        "chest:٥",
        "chest:5004 ",
        "chest:5004\n",
        " chest:5004",
        "the chest:5004",
        "chest..local:5004",
        f"{'a' * 64}.b:5004",
        "-chest:5004",
        "chäst:5004",
        "midi://chest:5004",
        "chest/1:5004",
        "::1:5004",
        "[::1]",
        "[::1]5004",
        "[::1:5004",
        "[]:5004",
        "[chest]:5004",
        "[::g]:5004",
        "[127.0.0.1]:5004",
    ],
)
def test_what_is_no_address(text: str) -> None:
    with pytest.raises(ValueError, match="not a host"):
        parse_address(text)


HOSTS = st.one_of(
    st.from_regex(r"[a-z0-9][a-z0-9-]{0,9}(\.[a-z0-9][a-z0-9-]{0,9}){0,3}", fullmatch=True),
    st.ip_addresses(v=4).map(str),
    st.ip_addresses(v=6).map(lambda address: f"[{address}]"),
)


@given(HOSTS, st.integers(1, 65535))
def test_an_address_is_what_the_standard_library_takes_it_for(host: str, number: int) -> None:
    outside = urlsplit(f"//{host}:{number}")
    assert parse_address(f"{host}:{number}") == (outside.hostname, outside.port)


@given(st.text("abé.:[]%-_ \n019/", max_size=20))
def test_any_address_taken_is_one_that_can_be_looked_up(text: str) -> None:
    """By its host's name as it goes out on the network: looking it up cannot fail in its form."""
    try:
        host, number = parse_address(text)
    except ValueError:
        return
    assert host.encode("idna")
    assert 1 <= number <= 65535
