"""The budget of a site: the way to every row, rows with the same way together."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from harness.core.durations import duration
from harness.core.errors import UsageError
from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.links import BusWay, ModbusRtuLink
from harness.core.model import Expectation, Site
from harness.links.modbus_rtu_session import UNIT_BACK_OFF_MAX_NS
from harness.measure.budget import Way
from harness.report.budget_document import Budget, BudgetRow, WayGroup
from harness.results.fitting import fits
from harness.run.poll_cycle import seconds
from harness.studies.budget_hops import way_of
from harness.studies.budget_what_if import WhatIf, applied

LENGTHS_NS: Final = (200 * NS_PER_MS, NS_PER_S, 5 * NS_PER_S)
"""Asked about where nobody asks for a length and no alarm of the site clears by itself: a contact that bounces, and
what somebody would just notice: common practice, no source."""
LENGTHS_MAX: Final = 5
"""More do not fit beside each other in a terminal."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """``rows``: patterns of keys, alarms or points; all where there is none. ``lengths_ns``: of transients."""

    rows: tuple[str, ...] = ()
    lengths_ns: tuple[int, ...] = ()
    what_if: WhatIf = field(default_factory=WhatIf)
    explicit: bool = False


def budget_of(site: Site, asked: Asked) -> Budget:
    """UsageError where it asks for what the site has not."""
    declared, site = site, applied(site, asked.what_if)
    rows = _chosen(site, asked.rows)
    groups: dict[tuple[str, Way], list[BudgetRow]] = {}
    assumed: dict[tuple[str, Way], dict[str, None]] = {}
    for row in rows:
        way = way_of(site, row, asked.what_if.dead)
        key = (site.points[row.point].link, way)
        groups.setdefault(key, []).append(_told(site, row))
        assumed.setdefault(key, {}).update(dict.fromkeys(way.assumed))
    order = {name: number for number, name in enumerate(site.links)}
    found = [
        WayGroup(link=link, way=replace(way, assumed=tuple(assumed[link, way])), rows=tuple(it))
        for (link, way), it in groups.items()
    ]
    found.sort(key=lambda it: order[it.link])
    return Budget(
        site=site.name,
        title=site.title,
        lengths=tuple(seconds(it) for it in _lengths_ns(site, asked.lengths_ns)),
        groups=tuple(found),
        total=len(site.expectations),
        what_if=_what_if_words(declared, rows, asked.what_if),
        assumed=tuple(dict.fromkeys(text for group in found for text in group.way.assumed)),
        notes=_notes(site, {group.link for group in found}),
        explicit=asked.explicit or bool(asked.rows),
    )


def _what_if_words(declared: Site, rows: Sequence[Expectation], what_if: WhatIf) -> tuple[str, ...]:
    """Each what-if, and where it makes no difference to these rows, by itself or beside the others: that."""

    if what_if == WhatIf():
        return ()

    def ways(one: WhatIf) -> list[Way]:
        site = applied(declared, one)
        return [way_of(site, row, one.dead) for row in rows]

    plain, whole, found = ways(WhatIf()), ways(what_if), []
    for words, one in zip(what_if.words, what_if.single, strict=True):
        is_idle = ways(one) == plain and ways(what_if.without(one)) == whole
        found.append(f"{words} (changes none of these rows)" if is_idle else words)
    return tuple(found)


def _notes(site: Site, links: Collection[str]) -> tuple[str, ...]:
    """What farend does about a dead unit, where it is the master of a bus."""
    buses = [name for name in links if isinstance(spec := site.links[name], ModbusRtuLink) and spec.way is BusWay.POLL]
    if not buses:
        return ()
    text = (
        "With one dead unit: the cycle in which it is asked. farend leaves a unit that does not answer alone for up to "
    )
    text += (
        f"{duration(UNIT_BACK_OFF_MAX_NS)}, so that few of its own cycles are so long; another master may ask in each."
    )
    return (text,)


def _chosen(site: Site, patterns: Sequence[str]) -> list[Expectation]:
    for pattern in patterns:
        if not any(_fits(row, (pattern,)) for row in site.expectations):
            raise UsageError(f"--row {pattern}: fits no alarm, point or row; rows are written ALARM@POINT")
    return [row for row in site.expectations if not patterns or _fits(row, patterns)]


def _fits(row: Expectation, patterns: Sequence[str]) -> bool:
    return fits((row.key, row.alarm, row.point), patterns)


def _told(site: Site, row: Expectation) -> BudgetRow:
    return BudgetRow(
        key=row.key,
        alarm=row.alarm,
        point=row.point,
        behaviour=row.behaviour.value,
        lasts_ns=site.alarms[row.alarm].lasts_ns,
        limit_ns=row.limits.appears_within_ns,
    )


def _lengths_ns(site: Site, asked: Sequence[int]) -> list[int]:
    """As asked, else those of the alarms that clear by themselves, the shortest first."""
    if len(set(asked)) > LENGTHS_MAX:
        raise UsageError(f"--transient: at most {LENGTHS_MAX} lengths fit beside each other; ask for fewer")
    if asked:
        return sorted(set(asked))
    spans = (alarm.lasts_ns for alarm in site.alarms.values())
    own = sorted({(it.lo + it.hi) // 2 for it in spans if it is not None})
    return own[:LENGTHS_MAX] or list(LENGTHS_NS)
