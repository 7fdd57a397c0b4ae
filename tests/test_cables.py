"""A cable to a program that takes nothing: how long it is borne with, and what is said of it."""

import socket
import time
from queue import SimpleQueue

from cli.play.cables import BLOCKED, MOST_WAITING, Cable, Lost, Opened
from cli.play.where import Connect

PATIENCE = 20.0
LONG = [b"\xf0" + b"\x01" * 998 + b"\xf7"] * 8_000
"""More bytes than the system takes for another program, in fewer messages than may wait."""


def test_one_that_takes_nothing_is_given_up_though_little_waits() -> None:
    assert len(LONG) < MOST_WAITING
    box: SimpleQueue[object] = SimpleQueue()
    with socket.create_server(("127.0.0.1", 0)) as ear:
        where = Connect("127.0.0.1", ear.getsockname()[1])
        cable = Cable("chest", where, box, listens=True, sends=True)
        cable.start()
        partner, _ = ear.accept()
        with partner:
            assert isinstance(box.get(timeout=PATIENCE), Opened)
            began = time.perf_counter()
            cable.send(LONG)
            lost = box.get(timeout=PATIENCE)
            assert isinstance(lost, Lost)
            assert lost.why == "it takes nothing of what is sent"
            assert BLOCKED <= lost.at - began < BLOCKED + PATIENCE
            cable.finish()
            assert not cable.closed(time.perf_counter() + PATIENCE)
