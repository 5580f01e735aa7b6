"""Results, alarms and places in words, as the texts of causes need them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

from harness.core.instants import Bounds
from harness.core.model import Result
from harness.correlate.causes.case import Case
from harness.correlate.causes.findings import Appearance
from harness.correlate.causes.spots import LINES, TOPICS, Block, Spot, point_text, spot_text
from harness.correlate.wording import span_text

LISTED_MAX: Final = 8
"""How many names a text lists before it says how many more there are."""

CLAUSES_MAX: Final = 3
"""The same for whole clauses: three show the pattern, and each result shows its own."""


def listed(names: Iterable[str], limit: int = LISTED_MAX) -> str:
    """``a, b and c``, each once, in their order; ``and 7 more`` beyond the limit."""
    once = list(dict.fromkeys(names))
    if len(once) > limit:
        return f"{', '.join(once[:limit])} and {len(once) - limit} more"
    return once[0] if len(once) == 1 else f"{', '.join(once[:-1])} and {once[-1]}" if once else "none"


def series(told: Iterable[str], limit: int = CLAUSES_MAX) -> str:
    """Whole clauses, each once: ``a; b; and 7 more``."""
    once = list(dict.fromkeys(told))
    more = [f"and {len(once) - limit} more"] if len(once) > limit else []
    return "; ".join([*once[:limit], *more])


def pair_text(result: Result) -> str:
    """A result by what the reader knows it: alarm, point, stimulus."""
    return f"{result.alarm} at {result.point} ({result.stimulus})"


def pairs(case: Case, numbers: Sequence[int]) -> str:
    """Results, as a list; each alarm and point once where several stimuli tell the same."""
    return listed((f"{case.results[n].alarm} at {case.results[n].point}" for n in numbers), CLAUSES_MAX)


def alarms(case: Case, numbers: Iterable[int]) -> str:
    """The alarms of results, as a list."""
    return listed(case.results[n].alarm for n in numbers)


def points(case: Case, numbers: Iterable[int]) -> str:
    """The points of results with their addresses, as a list."""
    return listed(point_text(case.site.points[case.results[n].point]) for n in numbers)


def point(case: Case, name: str) -> str:
    """One point with its addresses."""
    return point_text(case.site.points[name])


def place(case: Case, spot: Spot) -> str:
    """A place: the points that map it, or its address where none does."""
    names = case.points_at.get(spot)
    if names:
        return listed(point(case, name) for name in names)
    return (
        f"a line that no point maps on link {spot.block.link}"
        if spot.block.table == LINES
        else spot_text(case.site, spot)
    )


def block(of: Block) -> str:
    """A block of places: ``the discrete inputs of link bms, unit 1``."""
    if of.is_ranked:
        return {LINES: "the printed lines", TOPICS: "the topics"}.get(of.table, "the signs") + f" of link {of.link}"
    if not of.is_modbus:
        kind, _, how = of.table.partition(" ")
        return f"the {kind} objects of link {of.link}{f' ({how})' if how else ''}"
    what = f"{of.table.replace('-', ' ')}s"
    return f"the {'bits of ' if of.is_register_bits else ''}{what} of link {of.link}, unit {of.unit}"


def after(case: Case, number: int, onset: Bounds) -> str:
    """How long after its raise something came on."""
    raised = case.stimulus(number).raised
    return span_text(Bounds(max(0, onset.lo - raised.hi), max(0, onset.hi - raised.lo)))


def times(count: int) -> str:
    """``once``, ``twice``, ``3 times``."""
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def where(case: Case, it: Appearance) -> str:
    """The place of an appearance."""
    return point(case, it.point) if it.point else place(case, it.spot)
