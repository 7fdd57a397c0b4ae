"""For the technician: from the survey of an old console to a new one, proved and handed over."""

import click

from cli.output import ByPurpose
from cli.workshop.engraving_command import engraving_command
from cli.workshop.handover_command import handover_command
from cli.workshop.load_command import load_command
from cli.workshop.plan_command import plan_command
from cli.workshop.prove_command import prove_command
from cli.workshop.schedule_command import schedule_command


class _Workshop(ByPurpose):
    purposes = (
        ("Before a wire is cut", ("plan", "schedule", "engraving", "load")),
        ("With the wires in place", ("prove", "handover")),
    )


@click.group(cls=_Workshop)
def workshop() -> None:
    """Plan the wires of a console, engrave its faces, weigh its loads, prove it, hand it over."""


for command in (
    plan_command,
    schedule_command,
    engraving_command,
    load_command,
    prove_command,
    handover_command,
):
    workshop.add_command(command)
