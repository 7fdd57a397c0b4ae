"""The command ``stopwright``: one group for each person it is for.

What each command does is in the module of its group; nothing is decided here but how the
whole introduces itself.
"""

from importlib.metadata import version

import click

from cli.bank.commands import bank
from cli.console.commands import console
from cli.demo import demo
from cli.output import refuse, write_all_letters
from cli.play.commands import play
from cli.rehearsal.commands import rehearse
from cli.store.commands import store
from cli.workshop.commands import workshop

_FOR = (
    ("For the technician", ("console", "workshop")),
    ("For the organist", ("play", "bank", "store")),
    ("For the tester", ("rehearse",)),
    ("For anyone", ("demo",)),
)
"""Whom each command is for, in the order in which the help lists them."""


class _ByPerson(click.Group):
    """A group whose help lists its commands by the person they are for."""

    def invoke(self, ctx: click.Context) -> object:
        """Run a command; one that is broken off at the keyboard could not be done."""
        try:
            return super().invoke(ctx)
        except (click.Abort, KeyboardInterrupt, EOFError):
            click.echo(err=True)
            refuse("broken off")

    def format_commands(
        self,
        ctx: click.Context,  # noqa: ARG002  (click passes it)
        formatter: click.HelpFormatter,
    ) -> None:
        """Write the commands, person by person."""
        whole = max(len(command.help or "") for command in self.commands.values())
        for person, names in _FOR:
            with formatter.section(person):
                formatter.write_dl(
                    [(name, self.commands[name].get_short_help_str(whole)) for name in names]
                )


@click.group(cls=_ByPerson, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(version("stopwright"), message="%(prog)s %(version)s")
def main() -> None:
    """The combination action of an organ console: described, checked, rehearsed, backed up.

    A console file says what a console has and how it is wired. A bank carries all that one
    player has set on it; a store keeps the banks of all its players, and all that they were. A
    rehearsal says what is pressed and what should come of it.

    Every command ends with one of three exit codes: 0 if the work is done, 1 if it is done and
    the answer is no (faults found, banks that differ, expectations that failed), 2 if it could
    not be done.
    """
    write_all_letters()


for command in (console, workshop, play, bank, store, rehearse, demo):
    main.add_command(command)
