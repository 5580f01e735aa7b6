"""Text that came from a device or a file, made harmless and visible.

Terminal escapes, control characters, characters that turn the reading direction, invisible ones and those that XML
1.0 forbids are written out as ``\\x1b`` or ``\\u202e``. Markup needs no care here: HTML and XML are escaped by
their renderers.
"""

from __future__ import annotations

import unicodedata
from typing import Final

_HIDDEN: Final = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
"""Unicode general categories that are not drawn, or draw something else than they are."""

TEXT_MAX: Final = 2000
"""Longest text of one device message that a report repeats, in characters; the record has all of it."""


def safe_text(text: str, *, keep_newlines: bool = False, limit: int = TEXT_MAX) -> str:
    """``text`` with everything that is not drawn as itself written out, cut to ``limit`` characters.

    ``keep_newlines``: line feeds stay (for blocks of text). A run of combining marks longer than four is written
    out too: it would cover the lines above.
    """
    if text.isascii() and text.isprintable() and len(text) <= limit:
        return text
    kept: list[str] = []
    marks = 0
    for character in text[:limit]:
        category = unicodedata.category(character)
        marks = marks + 1 if category in ("Mn", "Me") else 0
        if character == "\n" and keep_newlines:
            kept.append(character)
        elif category in _HIDDEN or marks > 4 or (category == "Zs" and character != " "):
            kept.append(_written_out(character))
        else:
            kept.append(character)
    if len(text) > limit:
        kept.append(f" [cut: {len(text) - limit} more characters]")
    return "".join(kept)


def ascii_text(text: str) -> str:
    """``safe_text`` for a terminal or file that takes ASCII only."""
    spelt = safe_text(text).replace("\N{MICRO SIGN}s", "us")
    return spelt.encode("ascii", "backslashreplace").decode("ascii")


def _written_out(character: str) -> str:
    code = ord(character)
    if code < 0x100:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"
