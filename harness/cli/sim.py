"""``farend sim``."""

from __future__ import annotations

import subprocess
import sys

import click


@click.command(
    name="sim",
    short_help="Run the simulated site alone.",
    context_settings={"ignore_unknown_options": True, "help_option_names": []},
)
@click.argument("options", nargs=-1, type=click.UNPROCESSED)
def command(options: tuple[str, ...]) -> int:
    """Run the simulated site in a process of its own until it is interrupted; 'farend sim --help' shows its options."""
    process = subprocess.Popen([sys.executable, "-m", "sims", *options])  # noqa: S603  # our own module, no shell
    while True:
        try:
            return process.wait()
        except KeyboardInterrupt:
            continue  # it heard the interrupt too, and stops by itself
