"""The command line: one module a command, loaded when that command runs."""

import sys
from importlib import import_module
from typing import Any

import click

from ridgepost import __version__
from ridgepost.cli.output import (
    INTERRUPTED,
    READER_GONE,
    USAGE,
    fail,
    let_go_of_streams,
    make_streams_safe,
)

COMMANDS = {
    "run": "Run the station.",
    "check": "Look at settings and surroundings before the event.",
    "send": "Send a message and, if asked, wait until it is settled.",
    "post": "Put a bulletin or an announcement on the air.",
    "withdraw": "Send a bulletin or an announcement no more.",
    "follow": "Show what happens on the channel as it happens.",
    "traffic": "Show the messages of a station.",
    "heard": "Show where stations and objects are.",
    "bulletins": "Show the bulletin board.",
    "roster": "Show who takes part, and who has gone quiet.",
    "checkin": "Put a station on the roster.",
    "checkout": "Take a station off the roster.",
    "decode": "Tell what is in frames that were kept.",
    "contract": "Print what is on the bus, for other programs.",
    "rehearse": "Run an invented event without radio, and account for it.",
}


class _Commands(click.Group):
    """Loads a command's module when it is asked for, so that --help is quick."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = import_module(f"ridgepost.cli.{cmd_name}").command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def main(self, *args: Any, **extra: Any) -> Any:
        """Run a command; what goes wrong ends in one line and an exit status."""
        make_streams_safe()
        extra |= {"prog_name": "ridgepost", "standalone_mode": False}
        try:
            sys.exit(super().main(*args, **extra))
        except click.UsageError as error:
            # click's own form is the usage, a hint and the error: four lines.
            what = error.format_message().rstrip(".")
            what = what[:1].lower() + what[1:]
            if type(error) is not click.BadParameter:  # that one says what was expected
                where = error.ctx.command_path if error.ctx else "ridgepost"
                what = f"{what}; see '{where} --help'"
            fail(what, USAGE)
        except click.ClickException as error:
            fail(error.format_message(), error.exit_code)
        except click.Abort:
            fail("stopped", INTERRUPTED)

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command; when the reader of its output goes, as `head` does, it ends quietly."""
        try:
            return super().invoke(ctx)
        except BrokenPipeError:
            pass
        except BaseExceptionGroup as group:  # from the tasks of an event loop
            if group.split(BrokenPipeError)[1] is not None:
                raise
        let_go_of_streams()
        return ctx.exit(READER_GONE)


@click.group(
    cls=_Commands,
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"]},
)
@click.version_option(__version__, prog_name="ridgepost", message="%(prog)s %(version)s")
@click.pass_context
def main(context: click.Context) -> None:
    """Messages over amateur packet radio, for a club at an event: queued, repeated until they are
    acknowledged, and accounted for.

    Start with 'ridgepost rehearse', which needs no radio. For a real station write a settings
    file, try it with 'ridgepost check', then 'ridgepost run'.

    Transmitting needs a licensed operator in control and is off until you turn it on. Nothing
    here replaces the emergency services.
    """
    if context.invoked_subcommand is None:
        click.echo(context.get_help(), err=True)
        context.exit(USAGE)
