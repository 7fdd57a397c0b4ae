"""Where a port leads, from the command line and from a console file."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cli.play.where import (
    Connect,
    Listen,
    Nowhere,
    RawFile,
    SerialLine,
    SystemPort,
    Where,
    of_port,
    parse,
)
from combination.model import Port

WRITTEN: dict[str, Where] = {
    "quay": SystemPort("quay"),
    "quay:out": SystemPort("quay:out"),
    "Loft:Loft MIDI 1 20:0": SystemPort("Loft:Loft MIDI 1 20:0"),
    "Midi Through:Midi Through Port-0 14:0": SystemPort("Midi Through:Midi Through Port-0 14:0"),
    "USB Device:USB Device MIDI 1": SystemPort("USB Device:USB Device MIDI 1"),
    "Serial:Serial MIDI 1 20:0": SystemPort("Serial:Serial MIDI 1 20:0"),
    "system:midi_capture_1": SystemPort("system:midi_capture_1"),
    "/dev/midi": SystemPort("/dev/midi"),  # there is no such port, and that is said on opening
    "Nowhere": SystemPort("Nowhere"),
    "connect:chest.local:5004": Connect("chest.local", 5004),
    "connect:[::1]:1": Connect("::1", 1),
    "listen:127.0.0.1:65535": Listen("127.0.0.1", 65535),
    "listen:[fe80::1]:5004": Listen("fe80::1", 5004),
    "serial:/dev/ttyUSB0": SerialLine("/dev/ttyUSB0", 31_250),
    "serial:/dev/ttyUSB0@38400": SerialLine("/dev/ttyUSB0", 38_400),
    "serial:/dev/serial/by-id/a@b/port0": SerialLine("/dev/serial/by-id/a@b/port0"),
    "device:/dev/snd/midiC1D0": RawFile("/dev/snd/midiC1D0"),
    "device:evening:two.raw": RawFile("evening:two.raw"),
    "nowhere": Nowhere(),
}


@pytest.mark.parametrize("text", WRITTEN)
def test_what_is_written_is_meant(text: str) -> None:
    assert parse(text) == WRITTEN[text]


CONNECT = "it is written connect:organ.local:5004"
SERIAL = "it is written serial:/dev/ttyUSB0, or with its speed serial:/dev/ttyUSB0@38400"
NO = "nothing is written"
ARE = "there are connect, device, listen, nowhere, serial"
WRONG = {
    "": "a port must lead somewhere: the name of a MIDI port, or nowhere",
    "  ": "a port must lead somewhere: the name of a MIDI port, or nowhere",
    "connect:": f'"connect:": "" is no host and port number; {CONNECT}',
    "connect:chest": f'"connect:chest": "chest" is no host and port number; {CONNECT}',
    "connect:chest:0": f'"connect:chest:0": "chest:0" is no host and port number; {CONNECT}',
    "connect:::1:5": f'"connect:::1:5": "::1:5" is no host and port number; {CONNECT}',
    "listen:5004": (
        '"listen:5004": "5004" is no host and port number; it is written listen:127.0.0.1:5004'
    ),
    "serial:": f'"serial:": it names no device; {SERIAL}',
    "serial:@9600": f'"serial:@9600": it names no device; {SERIAL}',
    "serial:/dev/a@": f'"serial:/dev/a@": "" is no speed in bits a second; {SERIAL}',
    "serial:/dev/a@0": f'"serial:/dev/a@0": "0" is no speed in bits a second; {SERIAL}',
    "serial:/dev/a@fast": f'"serial:/dev/a@fast": "fast" is no speed in bits a second; {SERIAL}',
    "device:": '"device:": it names no device; it is written device:/dev/snd/midiC1D0',
    "liste:0.0.0.0:5004": f'"liste:0.0.0.0:5004": {NO} "liste:"; did you mean "listen"?',
    "conect:chest": f'"conect:chest": {NO} "conect:"; did you mean "connect"?',
    "Serial:/dev/x": f'"Serial:/dev/x": {NO} "Serial:"; did you mean "serial"?',
    "LISTEN:5004": f'"LISTEN:5004": {NO} "LISTEN:"; did you mean "listen"?',
    "TCP:host:5004": f'"TCP:host:5004": {NO} "TCP:"; {ARE}',
    "tty:/dev/ttyUSB0": f'"tty:/dev/ttyUSB0": {NO} "tty:"; {ARE}',
    "nowhere:else": '"nowhere:else": nothing can follow that word; it is written nowhere',
}


@pytest.mark.parametrize("text", WRONG)
def test_what_is_wrong_is_told(text: str) -> None:
    with pytest.raises(ValueError, match=f"^{re.escape(WRONG[text])}$"):
        parse(text)


@given(st.one_of(st.text(), st.sampled_from(list(WRITTEN)).flatmap(lambda t: st.text(t))))
def test_anything_leads_somewhere_or_is_refused_in_one_line(text: str) -> None:
    try:
        where = parse(text)
    except ValueError as error:
        said = str(error)
    else:
        said = str(where)
    assert said.strip()


SAID = {
    "quay": 'the MIDI port "quay"',
    "connect:chest.local:5004": "the connection to chest.local:5004",
    "listen:[::1]:5004": "the connection at [::1]:5004",
    "serial:/dev/ttyUSB0": "the serial line /dev/ttyUSB0",
    "serial:/dev/ttyUSB0@38400": "the serial line /dev/ttyUSB0 at 38400 baud",
    "device:evening.raw": "the file evening.raw",
    "nowhere": "nowhere",
}


@pytest.mark.parametrize("text", SAID)
def test_how_it_reads(text: str) -> None:
    assert str(parse(text)) == SAID[text]


@pytest.mark.parametrize(
    ("port", "text"),
    [
        (Port("rail", midi="quay:out"), "quay:out"),
        (Port("rail", midi="nowhere:else"), ""),
        (Port("rail", connect="chest.local:5004"), "connect:chest.local:5004"),
        (Port("rail", listen="[::1]:5004"), "listen:[::1]:5004"),
        (Port("rail", serial="/dev/ttyUSB0"), "serial:/dev/ttyUSB0"),
        (Port("rail", serial="/dev/ttyUSB0", baud=38_400), "serial:/dev/ttyUSB0@38400"),
        (Port("rail", device="/dev/midi1"), "device:/dev/midi1"),
    ],
)
def test_as_the_console_file_has_it(port: Port, text: str) -> None:
    assert of_port(port) == (parse(text) if text else SystemPort("nowhere:else"))


def test_a_port_must_be_joined_to_something() -> None:
    with pytest.raises(ValueError, match='the port "rail" is joined to nothing'):
        of_port(Port("rail"))
