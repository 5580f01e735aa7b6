"""What came in on a told link and tells nothing, or what shows that something before it did not come."""

from __future__ import annotations

from dataclasses import dataclass

from harness.core.instants import Bounds


@dataclass(frozen=True, slots=True, kw_only=True)
class Unreadable:
    """``at``: from its first to its last byte. ``point``: the only point that it can be of, '' for any of its link.

    ``is_lost``: it shows by its number that messages before it are missing; else it cannot be read itself.
    """

    link: str
    at: Bounds
    what: str
    point: str = ""
    is_lost: bool = False
