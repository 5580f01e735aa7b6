"""Shares on the command line: ``95%``, ``95 %`` or ``0.95``."""

from __future__ import annotations

from harness.core.errors import UsageError


def share_of(option: str, text: str, *, such_as: str = "95%") -> float:
    """A share between 0 and 1, neither included. UsageError where it is none, with an example, ``such_as``."""
    number, is_percent = text.strip().removesuffix("%").strip(), text.strip().endswith("%")
    try:
        value = float(number) / (100.0 if is_percent else 1.0)
    except ValueError:
        value = 0.0
    if not 0.0 < value < 1.0:
        raise UsageError(
            f"{option} {text}: expected a share between 0 % and 100 %, neither included, such as {such_as}"
        )
    return value
