"""Did-you-mean: the names nearest to one that is not known."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from typing import Final

_SEPARATORS: Final = re.compile(r"[\s_\-]+")
_SHOWN_MAX: Final = 60


def plain(name: str) -> str:
    """A name without case, and with ``-``, ``_`` and runs of blanks taken as one blank."""
    return _SEPARATORS.sub(" ", name).strip().casefold()


def nearest(name: str, known: Iterable[str], *, alike: float = 0.6) -> str | None:
    """The one known name that was most likely meant, or None where none is near (``alike``: 0 to 1)."""
    by_plain = {plain(candidate): candidate for candidate in sorted(known)}
    if plain(name) in by_plain:
        return by_plain[plain(name)]
    found = difflib.get_close_matches(plain(name)[:_SHOWN_MAX], list(by_plain), n=1, cutoff=alike)
    return by_plain[found[0]] if found else None


def did_you_mean(name: str, known: Iterable[str], *, otherwise: str = "") -> str:
    """``did you mean X?``, or the known names where they are few, or ``otherwise``."""
    names = sorted(set(known))
    meant = nearest(name, names)
    if meant is not None:
        return f"did you mean {meant}?"
    if otherwise:
        return otherwise
    return f"known: {', '.join(names)}" if 0 < len(names) <= 12 else ""


def shown(value: str) -> str:
    """A user's value fit for one line of a message: control characters as escapes, long values cut."""
    text = "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in value)
    return text if len(text) <= _SHOWN_MAX else text[: _SHOWN_MAX - 1] + "\N{HORIZONTAL ELLIPSIS}"
