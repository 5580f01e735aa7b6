"""As found and as left: what writable points held before a test and after it, and what of it is not the same. Pure.

What could not be read is not known, and what is not known is never the same.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

NOT_KNOWN: Final = "not known"
NOT_READ: Final = "not among what was read"


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundValue:
    """What one writable point held. ``name`` is unique in a site: ``panel: unit 1, holding register 900 on the wire``.

    ``value``: a raw coil or register, a property in its own units, or None for a Null in a Priority_Array. ``why``:
    why it is not known; '' where it is. ``tolerance``, in the unit of the value, and ``may_differ`` are those of the
    site file.
    """

    name: str
    value: float | None = None
    why: str = ""
    tolerance: float = 0.0
    may_differ: bool = False

    @property
    def words(self) -> str:
        """The value for a person."""
        if self.why:
            return f"{NOT_KNOWN} ({self.why})"
        return "nothing" if self.value is None else f"{self.value:g}"

    def to_data(self) -> dict[str, str | float | bool | None]:
        """For a record."""
        return {
            "name": self.name,
            "value": self.value,
            "why": self.why,
            "tolerance": self.tolerance,
            "may_differ": self.may_differ,
        }

    @classmethod
    def from_data(cls, data: dict[str, str | float | bool | None]) -> FoundValue:
        """The inverse of ``to_data``. Raises ValueError, TypeError or KeyError for anything else."""
        value = data["value"]
        return cls(
            name=str(data["name"]),
            value=None if value is None else float(value),
            why=str(data["why"]),
            tolerance=float(data["tolerance"] or 0.0),
            may_differ=bool(data["may_differ"]),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """A point that is not proven to be left as it was found. ``is_known``: both values were read, and differ."""

    name: str
    found: str
    left: str
    is_known: bool

    def __str__(self) -> str:
        return f"{self.name}: found {self.found}, left {self.left}"


def differences(found: Iterable[FoundValue], left: Iterable[FoundValue]) -> tuple[Difference, ...]:
    """Every point that is not proven to be as it was found, in the order of ``found``; () is the only "all as found".

    A tolerance is inclusive, and holds between two numbers only; that of ``found`` counts. What may differ, does.
    """
    before = {it.name: it for it in found}
    after = {it.name: it for it in left}
    missing = {name: FoundValue(name=name, why=NOT_READ) for name in before.keys() ^ after.keys()}
    result = []
    for name in (*before, *(name for name in after if name not in before)):
        one, other = before.get(name) or missing[name], after.get(name) or missing[name]
        if (before.get(name) or other).may_differ or _is_same(one, other):
            continue
        is_known = not one.why and not other.why
        result.append(Difference(name=name, found=one.words, left=other.words, is_known=is_known))
    return tuple(result)


def _is_same(found: FoundValue, left: FoundValue) -> bool:
    if found.why or left.why:
        return False
    if found.value is None or left.value is None:
        return found.value is left.value
    return abs(found.value - left.value) <= found.tolerance
