"""The command line. The only package that prints; every command lives in the module of its name.

Commands are loaded when they are called, so that ``farend --help`` answers at once.
"""

from __future__ import annotations

import asyncio
import importlib
import os
import sys
from typing import Final

import click

from harness import __version__
from harness.core.errors import FarendError, SafetyError
from harness.core.verdicts import ExitCode

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
"""Before numpy is loaded: the matrices of the statistics are small, and a second thread takes four times as long."""

COMMANDS: Final = {
    "watch": "Listen to an address or a site and show each change with its bounds.",
    "check": "Say everything that is wrong with a site file and its point map.",
    "plan": "Show what a test would do. Opens no connection.",
    "budget": "Predict how late, and with what chance, each row sees a transient.",
    "review": "Decide about each side effect of a site, into a file for tests.",
    "ledger": "Keep who was told of a test, and what is bypassed for it.",
    "test": "Raise the alarms of a site, listen on every output, judge.",
    "trials": "Raise one alarm many times and measure: how often, how late, how long.",
    "shortest": "Search for the shortest alarm that each output shows.",
    "judge": "Judge a record again, offline, from the record alone.",
    "explain": "Say what is likely wrong where a record has fails and unknowns.",
    "correct": "Append a correction to a record, with a reason; nothing in it is overwritten.",
    "measure": "Say how often, how late and how long alarms showed in many trials.",
    "history": "Reconcile the controller's own alarm history with a record.",
    "clocks": "Say how far the clocks are off that a record tells of, in bounds.",
    "rates": "Say how many alarms there were, how often, and which.",
    "report": "Make a report of one or more records of a site.",
    "compare": "Compare the records of two runs, before and after an update.",
    "baseline": "Keep records under a name, to compare others with.",
    "sim": "Run the simulated site alone.",
    "demo": "Simulated site, test and report in one go.",
    "completion": "Print the shell completion for bash, zsh or fish.",
}

EPILOG: Final = (
    "Exit codes: 0 all pass; 1 something failed; 2 bad usage or site file; 3 nothing failed but something is unknown; "
    "4 refused or stopped by the safety gate; 5 not restored."
)


class _NobodyReadsError(Exception):
    """A command cannot go on, since nobody reads any more what it says."""


class LazyGroup(click.Group):
    """Knows the commands by name and sentence, and loads one when it is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order in which a newcomer meets them."""
        del ctx
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command, loaded."""
        del ctx
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"harness.cli.{cmd_name}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The table of commands, without loading any."""
        del ctx
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """As usual, with a guess for a mistyped name."""
        import difflib

        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            near = difflib.get_close_matches(args[0], COMMANDS, n=1)
            hint = f"; did you mean {near[0]!r}?" if near else f"; commands are {', '.join(COMMANDS)}"
            ctx.fail(f"No such command {args[0]!r}{hint}")
        return super().resolve_command(ctx, args)

    def invoke(self, ctx: click.Context) -> object:
        """As in click, which would end with a code that here means that something failed."""
        try:
            return super().invoke(ctx)
        except BrokenPipeError as exc:
            raise _NobodyReadsError from exc


@click.group(cls=LazyGroup, epilog=EPILOG, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="farend")
def cli() -> None:
    """Prove that every raised alarm reaches every output where it belongs.

    Listening is the default and changes nothing. Alarms are raised only by 'test' with '--arm SITE-NAME', after every
    side effect was reviewed.
    """


def main() -> None:
    """Entry point: runs a command, and turns every error into a message and an exit code."""
    try:
        code = _run()
    except BaseExceptionGroup as group:
        if group.split((BrokenPipeError, asyncio.CancelledError))[1] is not None:
            raise
        code = _reader_went_away()
    except BrokenPipeError:
        code = _reader_went_away()
    sys.exit(code)


def _run() -> int:
    try:
        code = cli.main(standalone_mode=False)
    except _NobodyReadsError:
        return _reader_went_away()
    except click.ClickException as exc:
        exc.show()
        return ExitCode.USAGE
    except click.Abort:
        click.echo("stopped", err=True)
        return ExitCode.UNKNOWN
    except SafetyError as exc:
        _tell(f"refused: {exc}")
        return ExitCode.REFUSED
    except FarendError as exc:
        _tell(str(exc))
        return ExitCode.USAGE
    return int(code) if isinstance(code, int) else ExitCode.ALL_PASS


def _tell(text: str) -> None:
    from harness.cli.common import note_line  # only now: it loads what reads a site file

    note_line(text)


def _reader_went_away() -> int:
    """Whoever read our output has seen enough (``| head``), and the command cannot go on without."""
    from harness.cli.common import unread

    unread(sys.stdout)
    return ExitCode.UNKNOWN
