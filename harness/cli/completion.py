"""``farend completion``."""

from __future__ import annotations

import click
from click.shell_completion import get_completion_class

from harness.core.errors import UsageError


@click.command(name="completion", short_help="Print the shell completion.")
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
def command(shell: str) -> int:
    """Print the completion script for SHELL. For bash: eval "$(farend completion bash)"."""
    from harness.cli import cli

    made = get_completion_class(shell)
    if made is None:
        raise UsageError(f"shell={shell}: no completion; expected bash, zsh or fish")
    click.echo(made(cli, {}, "farend", "_FAREND_COMPLETE").source())
    return 0
