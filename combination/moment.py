"""One moment of the combination action: what is on, and everything that it sounds for.

A value that nothing changes any more, so that it can be looked at while the action goes on.
"""

from typing import NamedTuple

from attrs import frozen


class Reason(NamedTuple):
    """Why a control sounds: ``hand``, ``piston``, ``crescendo``, ``full organ``, ``momentary``.

    ``by`` is the piston's id, or the crescendo's stage; empty for the hand.
    """

    cause: str
    by: str = ""


@frozen
class Moment:
    """The registrations of semantics.md I.1 at one moment, as integers in rail order.

    ``shown`` are the controls that their tabs or lamps show on and no piston overrides.
    ``gripped`` has what each engaged piston holds, ``on`` or off; ``lists`` what sounds by the
    crescendo and full organs, each with its reason; ``momentary`` what sounds by a piston that is
    down. ``lit`` is over the pistons, in the order of the console file.
    """

    rail: int
    base: int
    sounding: int
    silenced: int
    shown: int
    held: int
    gripped: tuple[tuple[str, int], ...]
    lists: tuple[tuple[Reason, int], ...]
    momentary: tuple[tuple[str, int], ...]
    lit: int

    def why(self, bit: int) -> tuple[Reason, ...]:
        """Every reason for which the control with that bit sounds; none if it does not."""
        if not self.sounding & bit:
            return ()
        reasons = [Reason("momentary", piston) for piston, own in self.momentary if own & bit]
        if self.silenced & bit:
            return tuple(reasons)
        if self.base & bit:
            if self.shown & bit:
                reasons.append(Reason("hand"))
            gripping = next((piston for piston, mask in self.gripped if mask & bit), None)
            if gripping is not None and self.held & bit:
                reasons.append(Reason("piston", gripping))
        reasons += [reason for reason, own in self.lists if own & bit]
        return tuple(reasons)
