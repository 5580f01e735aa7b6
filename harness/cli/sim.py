"""``farend sim``."""

from __future__ import annotations

import click


@click.command(
    name="sim",
    short_help="Run the simulated site alone.",
    context_settings={"ignore_unknown_options": True, "help_option_names": []},
)
@click.argument("options", nargs=-1, type=click.UNPROCESSED)
def command(options: tuple[str, ...]) -> int:
    """Run the simulated site until it is interrupted; 'farend sim --help' shows its options."""
    from sims.__main__ import main

    return main(list(options))
