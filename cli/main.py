"""The command ``stopwright``: one group for each person it is for.

What each command does is in the module of its group; nothing is decided here but how the
whole introduces itself.
"""

from importlib import import_module
from importlib.metadata import version

import click

from cli.output import refuse, write_all_letters

_FOR = {
    "For the technician": {"console": "cli.console.commands", "workshop": "cli.workshop.commands"},
    "For the organist": {
        "play": "cli.play.commands",
        "bank": "cli.bank.commands",
        "store": "cli.store.commands",
    },
    "For the tester": {"rehearse": "cli.rehearsal.commands"},
    "For anyone": {"demo": "cli.demo"},
}
"""Whom each command is for, in the order in which the help lists them, and the module it is in."""
_MODULES = {name: module for commands in _FOR.values() for name, module in commands.items()}


class _ByPerson(click.Group):
    """A group whose help lists its commands by the person they are for.

    Only the command that is asked for is read in, since that takes longer than most have to do.
    """

    def invoke(self, ctx: click.Context) -> object:
        """Run a command; one that is broken off at the keyboard could not be done."""
        try:
            return super().invoke(ctx)
        except (click.Abort, KeyboardInterrupt, EOFError):
            click.echo(err=True)
            refuse("broken off")

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002  (click passes it)
        """Give the names of the commands, in the order of the help."""
        return list(_MODULES)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Give a command, read in now; where there is none of that name click looks at all."""
        for name in [cmd_name] if cmd_name in _MODULES else _MODULES:
            if name not in self.commands:
                self.add_command(getattr(import_module(_MODULES[name]), name))
        return super().get_command(ctx, cmd_name)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the commands, person by person."""
        found = {name: self.get_command(ctx, name) for name in _MODULES}
        commands = {name: command for name, command in found.items() if command}
        whole = max(len(command.help or "") for command in commands.values())
        for person, names in _FOR.items():
            with formatter.section(person):
                formatter.write_dl(
                    [(name, commands[name].get_short_help_str(whole)) for name in names]
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
