"""Timing two things in one run, so that only their ratio counts."""

import gc
from collections.abc import Callable
from time import perf_counter
from typing import TypeVar

_T = TypeVar("_T")

ROUNDS = 7


def job(work: Callable[[_T], object], make: Callable[[], _T]) -> Callable[[], float]:
    """A piece of work on a thing made anew each time; gives the seconds that the work took."""

    def run() -> float:
        thing = make()
        gc.collect()
        gc.disable()
        began = perf_counter()
        work(thing)
        took = perf_counter() - began
        gc.enable()
        return took

    return run


def seconds(*jobs: Callable[[], float]) -> list[float]:
    """The best of several rounds of each job.

    They take turns, so that a busy moment of the machine is no one job's bad luck.
    """
    rounds = [[run() for run in jobs] for _ in range(ROUNDS)]
    return [min(times) for times in zip(*rounds, strict=True)]


def shown(time: float) -> str:
    return f"{time * 1e6:.1f} µs" if time < 1e-3 else f"{time * 1e3:.1f} ms"


def beside(what: str, time: float, other: str, other_time: float, limit: float) -> None:
    """One ratio, and whether it is within the limit it is held to."""
    ratio = time / other_time
    held = "held" if ratio <= limit else "NOT HELD"
    print(f"  {what}: {shown(time)}; {other}: {shown(other_time)}")
    print(f"    ratio {ratio:.3g}, at most {limit:g}: {held}")
