"""For the organist: a bank as MIDI, for any player that can send system exclusive messages.

The messages are those of the MIDI File Dump standard (`banks.dumpmessages`); here they are put
into files and taken out of them.
"""

import io
from pathlib import Path

import click
import mido

from banks import BankFile, BankFileError, decode_any, encode
from banks.dumpmessages import (
    FileDumpError,
    messages_of,
    read_syx,
    seconds_on_cable,
    timed_messages,
)
from cli.bank.edits import BANK
from cli.bank.files import are_one_file, looked_at, read_bytes, write_new
from cli.bank.places import BankPlace, refusing
from cli.files import shown, write_whole
from cli.output import refuse, say

_SYX, _SMF = ".syx", (".mid", ".midi")
_TICKS_A_SECOND = 1000


@click.command("to-midi")
@BANK
@click.argument("to", type=click.Path(path_type=Path))
@click.option("--replace", is_flag=True, help="Take the place of the file that is there.")
def to_midi(file: BankPlace, to: Path, replace: bool) -> None:
    """Write a bank as MIDI messages, to be sent by any player.

    TO ends in .syx (the messages alone) or in .mid (a Standard MIDI File, which paces them so
    that a receiver which cannot answer keeps up). It says first how long sending takes on a
    five-pin cable: a full bank takes tens of minutes.
    """
    look = looked_at(file)
    with refusing():
        data = encode(look.file)
    name = look.file.bank.name or look.found.file.stem
    if are_one_file(look.found.file, to):
        refuse(f"{shown(to)} is the bank itself")
    if to.suffix.lower() == _SYX:
        content = b"".join(messages_of(data, name))
    elif to.suffix.lower() in _SMF:
        content = _smf(timed_messages(data, name))
    else:
        refuse(f"{shown(to)} ends neither in .syx nor in .mid: which of them is it to be?")
    answered, alone = (seconds_on_cable(len(data), answered=way) for way in (True, False))
    say(
        f"On a five-pin cable: {lasting(alone)} as a player sends it, "
        f"{lasting(answered)} to a receiver that answers"
    )
    write_whole(to, content, replacing=replace)
    say(f"{shown(to)}: {len(messages_of(data, name)):,} messages, {len(content):,} bytes")


def _smf(timed: list[tuple[float, bytes]]) -> bytes:
    """Messages at their times, as a Standard MIDI File of one track."""
    track = mido.MidiTrack()
    before = 0
    for at, message in timed:
        tick = round(at * _TICKS_A_SECOND + 0.5)
        track.append(mido.Message("sysex", data=message[1:-1], time=tick - before))
        before = tick
    file = mido.MidiFile(type=0, ticks_per_beat=_TICKS_A_SECOND // 2)
    file.tracks.append(track)
    written = io.BytesIO()
    file.save(file=written)
    return written.getvalue()


def lasting(seconds: float) -> str:
    """A length of time, as a person says it."""
    if seconds < 90:
        return f"{max(round(seconds), 1)} seconds" if seconds >= 1.5 else "about a second"
    return f"{round(seconds / 60)} minutes"


@click.command("from-midi")
@click.argument("source", metavar="FILE", type=click.Path(path_type=Path))
@click.argument("to", metavar="BANK", type=click.Path(path_type=Path))
def from_midi(source: Path, to: Path) -> None:
    """Take a bank out of MIDI messages that were recorded.

    FILE is a .syx file or a Standard MIDI File. It is taken whole or not at all: a message that
    is missing or damaged is found out. BANK is a new bank file.
    """
    content = read_bytes(source)
    if content.startswith(b"MThd"):
        content = _sysex_in(source)
    try:
        name, data = read_syx(content)
        file = decode_any(data)
    except (FileDumpError, BankFileError) as error:
        refuse(f"{shown(source)}: {error}")
    write_new(to, file)
    held = f'the bank "{name}"' if isinstance(file, BankFile) else "the banks of a store"
    say(f"{shown(to)}: {held} from {shown(source)}, whole")


def _sysex_in(source: Path) -> bytes:
    try:
        file = mido.MidiFile(source)
    except (OSError, EOFError, ValueError, LookupError):
        refuse(f"{shown(source)} is a Standard MIDI File that is damaged, or cut short")
    messages = mido.merge_tracks(file.tracks)
    return b"".join(bytes(each.bin()) for each in messages if each.type == "sysex")
