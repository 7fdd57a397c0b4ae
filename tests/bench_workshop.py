"""How long the technician's bench takes for a large console: its plan, and its proof.

Both are for 2,000 contacts, ten keyboards and a thousand tabs among them, and each is to take less
than a second on a machine of today. The proof has some thirty mistakes to find.
"""

import random
from contextlib import suppress

from combination.planning import Plan
from combination.proving import Worked, prove
from tests.faulty_wiring import MISTAKES, TIMING, Bench, Hand, worked
from tests.test_planning import planned_large
from tests.timing import job, seconds, shown

LONGEST = 1.0


def workshop() -> None:
    """Print how long they take, and whether that is within what they are held to."""
    print("The technician's bench, with a console of 2,000 contacts:")
    plan = planned_large()
    heard = _worked(plan)
    planned, proved = seconds(
        job(lambda _: planned_large(), lambda: None),
        job(lambda runs: prove(runs, TIMING), lambda: heard),
    )
    for what, time in (("planned", planned), (f"proved, {len(heard)} runs", proved)):
        held = "held" if time < LONGEST else "NOT HELD"
        print(f"  {what}: {shown(time)}; at most {shown(LONGEST)}: {held}")


def _worked(plan: Plan) -> list[Worked]:
    """What is heard when all is worked, with two mistakes of nearly every kind."""
    chance = random.Random(6)
    bench = Bench(plan.console, chance)
    for mistake in (*MISTAKES, *MISTAKES):
        with suppress(LookupError):  # where a console has no room for one
            mistake(bench)
    return worked(bench, Hand(chance, stutters=0.01))
