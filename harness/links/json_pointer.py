"""JSON pointers (RFC 6901): from a parsed document to one value in it. Pure functions."""

from __future__ import annotations

import re
from typing import Any

_INDEX = re.compile(r"0|[1-9][0-9]*")
_ESCAPE = re.compile(r"~(?![01])")


def tokens_of(pointer: str) -> tuple[str, ...]:
    """The reference tokens of a pointer; () for the whole document (RFC 6901, 3 and 4).

    ValueError where it is none.
    """
    if not pointer:
        return ()
    if not pointer.startswith("/"):
        raise ValueError(f"pointer={pointer}: expected '' or a text that begins with /, as in /active (RFC 6901, 3)")
    if _ESCAPE.search(pointer):
        raise ValueError(f"pointer={pointer}: ~ stands before 0 or 1 only; write ~0 for ~ and ~1 for / (RFC 6901, 3)")
    return tuple(token.replace("~1", "/").replace("~0", "~") for token in pointer[1:].split("/"))


def look_up(document: Any, pointer: str) -> Any:
    """What ``pointer`` leads to in a parsed JSON document.

    LookupError where it leads nowhere; ValueError where it is no pointer.
    """
    found = document
    for token in tokens_of(pointer):
        if isinstance(found, dict):
            found = found[token]
        elif isinstance(found, list) and _INDEX.fullmatch(token):
            # A number longer than any list could need no digits counted: int() of it may refuse.
            if len(token) > len(str(len(found))):
                raise IndexError(token)
            found = found[int(token)]
        else:
            raise LookupError(token)
    return found
