"""Questions that are answered by one key. What was typed before a question stands on the screen is no answer to it."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator, Mapping
from typing import Final

import click

from harness.cli.common import note
from harness.cli.keys import keys_of_stdin

Key = Callable[[], str]
"""Waits for one key and returns it."""

LOOK_EVERY_S: Final = 0.02
"""How often the keyboard is looked at: nobody notices, and nothing is measured by it."""


def press() -> str:
    """One key of the terminal. click.Abort at its end, KeyboardInterrupt at Ctrl-C."""
    with _terminal() as key:
        return key()


def one_of(prompt: str, words: Mapping[str, str], key: Key = press) -> str:
    """Ask, wait for one of the keys of ``words``, and say what it means. Another key changes nothing."""
    with _terminal() if key is press else contextlib.nullcontext(key) as wait:
        click.echo(prompt, err=True, nl=False)
        while (pressed := wait().lower()) not in words:
            continue
    note(words[pressed])
    return pressed


@contextlib.contextmanager
def _terminal() -> Iterator[Key]:
    """The keys of the terminal one by one, from now on: what was pressed before is thrown away."""
    keys = keys_of_stdin()
    if keys is None:
        raise click.Abort
    with keys as reading:

        def wait() -> str:
            while True:
                try:
                    pressed = reading.read()
                except EOFError as exc:
                    raise click.Abort from exc
                if pressed:
                    return pressed[0]
                time.sleep(LOOK_EVERY_S)

        yield wait
