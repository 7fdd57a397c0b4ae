"""A part of a bank: some of its levels, or some of its pistons, and nothing else of it.

A bank file may hold a part only; put into a bank, it leaves the rest of that bank alone.
"""

from attrs import frozen


@frozen
class Part:
    """Which part of a bank: some levels (by number), some pistons (by id), or pistons at levels.

    None is: all of them. Both None is no part, but the whole bank with all else that is in it.
    """

    levels: tuple[int, ...] | None = None
    pistons: tuple[str, ...] | None = None
