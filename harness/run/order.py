"""What would be raised, in which order, and how long that takes. Pure: a dry run opens no socket."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from typing import Final

from harness.core.behaviours import release_choices
from harness.core.errors import UsageError
from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.links import BacnetLink, ModbusRtuLink, ModbusTcpLink, PersonLink
from harness.core.model import RAISED_AT_MOST_DEFAULT_NS, Alarm, Behaviour, Expectation, Site, Step
from harness.core.paths import told_delay_ns
from harness.core.places import Arrival, BacnetPlace
from harness.links.bacnet_messages import look_period_ns
from harness.results.fitting import fits

WALK_MAX_NS: Final = 15 * 60 * NS_PER_S
"""How long an alarm is held for a walk to what is out of sight and back: no longer than a plant is left with a raised
alarm that only one person looks after (common practice, no source)."""

READY_MAX_NS: Final = 5 * NS_PER_S
"""How long a raise waits for its points to be seen off before it goes ahead all the same: then it cannot pass."""

MARGIN_NS: Final = 20 * NS_PER_MS
"""Added to two poll periods when waiting for something that must have shown by a limit: scheduling of this computer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One alarm of the plan, with the rows that are judged by it. ``acknowledge_after``: the raise or the clear."""

    alarm: Alarm
    rows: tuple[Expectation, ...]
    acknowledge_after: Step = Step.RAISE
    also: Alarm | None = None
    """Raised together with it, for the outputs that they share; the rows are those of both."""
    held_ns: int | None = None
    """Of a sweep: cleared after so long, whatever showed."""

    @property
    def loud(self) -> tuple[Expectation, ...]:
        """The rows that must react."""
        return tuple(row for row in self.rows if row.behaviour is not Behaviour.QUIET)

    @property
    def quiet(self) -> tuple[Expectation, ...]:
        """The rows that must not react."""
        return tuple(row for row in self.rows if row.behaviour is Behaviour.QUIET)

    @property
    def can_be_raised(self) -> bool:
        """True where farend can raise and clear it by writing."""
        return Step.RAISE in self.alarm.writes and (Step.CLEAR in self.alarm.writes or self.alarm.lasts_ns is not None)

    def waits_for(self, step: Step) -> bool:
        """True where a row declares that it is released by ``step`` (silence, acknowledge or reset)."""
        return any(row.released_by is step and step in release_choices(row.behaviour) for row in self.rows)


@dataclass(frozen=True, slots=True, kw_only=True)
class Selection:
    """Which part of a site is tested; empty: all. ``only``: patterns of alarm names, ``keys``: rows."""

    only: tuple[str, ...] = ()
    links: tuple[str, ...] = ()
    keys: frozenset[str] | None = None

    def takes(self, site: Site, row: Expectation) -> bool:
        """True where the row is part of it."""
        if self.only and not fits((row.alarm,), self.only):
            return False
        if self.links and site.points[row.point].link not in self.links:
            return False
        return self.keys is None or row.key in self.keys


def check_selection(site: Site, selection: Selection) -> None:
    """Raise UsageError for a pattern that fits no alarm or a link that is none: a typing mistake must not test less."""
    for pattern in selection.only:
        if not fits(site.alarms, (pattern,)):
            raise UsageError(f"--only {pattern}: fits no alarm of the site; alarms are {', '.join(site.alarms)}")
    for name in selection.links:
        if name not in site.links:
            raise UsageError(f"--link {name}: no such link; links are {', '.join(site.links)}")


def plan_of(site: Site, selection: Selection, excluded: Collection[str] = ()) -> tuple[Item, ...]:
    """The alarms to raise, in the order of the site file, each with its selected rows; alarms without rows are left.

    An alarm that is tested both ways, acknowledged before and after its clear, comes twice.
    """
    items = []
    for alarm in site.alarms.values():
        if alarm.name in excluded:
            continue
        rows = tuple(row for row in site.expectations_of(alarm.name) if selection.takes(site, row))
        if rows:
            items += [Item(alarm=alarm, rows=rows, acknowledge_after=step) for step in alarm.acknowledged_after]
    return tuple(items)


def listened_links(site: Site, items: Iterable[Item]) -> tuple[str, ...]:
    """The links that a plan listens to: those of its rows, and those of its reference points."""
    names = {site.points[row.point].link for item in items for row in item.rows}
    references = (item.alarm.reference for item in items)
    names |= {site.points[point].link for point in references if point is not None and point in site.points}
    return tuple(name for name in site.links if name in names)


def carried_links(site: Site) -> tuple[str, ...]:
    """The serial buses that a stimulus may write to: farend is their master, so they are opened to carry its writes."""
    written = {it.link for it in site.writable}
    return tuple(name for name, spec in site.links.items() if name in written and isinstance(spec, ModbusRtuLink))


def push_delay_ns(site: Site, row: Expectation) -> int | None:
    """The longest time from a change to what is told of it, where a row's point is told; None where it is not."""
    point = site.points[row.point]
    return told_delay_ns(site.links[point.link], point.place)


def hold_ns(site: Site, rows: Iterable[Expectation]) -> int:
    """How long what is told has to stay as it is before the next step, or the two could not be told apart.

    A change told at p lies in [p - D, p]: two changes less than D apart have bounds that overlap. 0 for polled rows.
    For a person in sight, D is the longest reaction time.
    """
    return max((delay + MARGIN_NS for row in rows if (delay := _told_after_ns(site, row))), default=0)


def _told_after_ns(site: Site, row: Expectation) -> int | None:
    spec = site.links[site.points[row.point].link]
    if isinstance(spec, PersonLink):
        return spec.reaction_max_ns if spec.in_sight else None
    return push_delay_ns(site, row)


def gap_ns(site: Site, row: Expectation) -> int:
    """How long something may stay unseen at a row's point when all is well: two polls, or the path's longest delay."""
    spec = site.links[site.points[row.point].link]
    told_ns = push_delay_ns(site, row)
    if told_ns is not None:
        # That a BACnet device told nothing is proven by a poll that was asked D later.
        return told_ns + MARGIN_NS + (2 * spec.poll_period_ns if isinstance(spec, BacnetLink) else 0)
    match spec:
        case ModbusTcpLink() | ModbusRtuLink() | BacnetLink():
            return 2 * spec.poll_period_ns + MARGIN_NS
        case PersonLink():
            return (spec.reaction_max_ns if spec.in_sight else 0) + _raise_spread_ns(site, row) + MARGIN_NS
        case _:
            return MARGIN_NS


def beat_ns(site: Site, link: str) -> int:
    """How often the slowest device on the way to a link polls another one, in ns; 0 where none is declared."""
    return max(site.times_of(it).device_poll_ns or 0 for it in (link, *site.before(link)))


def _look_ns(site: Site, row: Expectation) -> int:
    """How much longer it takes until a BACnet device that told nothing has shown that it still tells, where it can."""
    spec = site.links[site.points[row.point].link]
    if not isinstance(spec, BacnetLink) or push_delay_ns(site, row) is None:
        return 0
    places = (it.place for it in site.points.values() if it.link == spec.name)
    changing = {
        (it.object_type, it.instance) for it in places if isinstance(it, BacnetPlace) and it.arrives is Arrival.COV
    }
    return look_period_ns(len(changing))


def _raise_spread_ns(site: Site, row: Expectation) -> int:
    """How much later than farend knows the raise may have been: a person who is asked too early proves no miss."""
    reference = site.points.get(site.alarms[row.alarm].reference or "")
    spec = None if reference is None else site.links[reference.link]
    return 2 * spec.poll_period_ns if isinstance(spec, ModbusTcpLink | ModbusRtuLink | BacnetLink) else 0


def show_within_ns(site: Site, row: Expectation) -> int:
    """How long after the raise it is worth waiting for a row to show."""
    limits = row.limits
    reach = limits.search_ns if limits.appears_within_ns is None else limits.appears_within_ns
    return reach + gap_ns(site, row) + _look_ns(site, row)


def gone_within_ns(site: Site, row: Expectation) -> int:
    """How long after its release it is worth waiting for a row to be gone."""
    limits = row.limits
    gone = limits.settle_ns if limits.gone_within_ns is None else limits.gone_within_ns
    return limits.dwell_ns + gone + gap_ns(site, row)


def settle_ns(site: Site, rows: Collection[Expectation]) -> int:
    """How long after everything is off a second onset would still have shown, and what comes next is told apart."""
    return max(max((row.limits.settle_ns for row in rows), default=0), hold_ns(site, rows))


def raised_at_most_ns(site: Site, item: Item) -> int:
    """How long an alarm may be raised (dead-man limit); longer where somebody walks and the site says nothing."""
    limit = site.raised_at_most_of(item.alarm.name)
    specs = (site.links[site.points[row.point].link] for row in item.loud)
    walks = any(isinstance(spec, PersonLink) and not spec.in_sight for spec in specs)
    return max(limit, WALK_MAX_NS) if walks and limit == RAISED_AT_MOST_DEFAULT_NS else limit


def needs(item: Item, step: Step) -> bool:
    """True where a row of the alarm waits for ``step`` (silence, acknowledge or reset) and farend can do it."""
    return item.alarm.can_be_done(step) and item.waits_for(step)


_BY_HAND: Final = (Step.SILENCE, Step.ACKNOWLEDGE, Step.RESET)


def longest_ns(site: Site, item: Item) -> int:
    """The time that one alarm takes at the most: nothing shows, and everything is waited for.

    From when it may be raised, as :func:`usual_ns`.
    """
    shows = max((show_within_ns(site, row) for row in item.loud), default=0)
    visible = max((row.limits.visible_for_ns or 0 for row in item.loud), default=0)
    gone = max((gone_within_ns(site, row) for row in item.loud), default=0)
    lasts = 0 if item.alarm.lasts_ns is None else item.alarm.lasts_ns.hi
    settle = settle_ns(site, item.loud)
    quiet = max((row.limits.search_ns + (row.limits.gone_within_ns or 0) for row in item.quiet), default=0)
    steps = 1 + sum(needs(item, step) for step in _BY_HAND)
    held = max(shows + visible, hold_ns(site, item.loud))
    return max(held + gone * steps + settle, lasts + gone * steps + settle, quiet)


def _usual_answer_ns(site: Site, row: Expectation) -> int:
    """How long a row usually takes to show or to be gone: half of what a slow device on the way polls, as long as that
    is waited for.
    """
    gap = gap_ns(site, row)
    behind_ns = beat_ns(site, site.points[row.point].link) // 2 + gap // 4
    return gap if behind_ns <= gap else min(behind_ns, show_within_ns(site, row), gone_within_ns(site, row))


def usual_ns(site: Site, item: Item) -> int:
    """The time that one alarm takes where every output answers at once: polls, visible time, settling.

    From when it may be raised; its raise waits besides, see :mod:`harness.run.spread`.
    """
    gap = max((_usual_answer_ns(site, row) for row in item.rows), default=0)
    visible = max((row.limits.visible_for_ns or 0 for row in item.loud), default=0)
    lasts = 0 if item.alarm.lasts_ns is None else item.alarm.lasts_ns.hi
    settle = settle_ns(site, item.loud)
    if item.held_ns is not None:  # what shows late is waited for, however short it was held
        searched = max((row.limits.search_ns + gap_ns(site, row) for row in item.loud), default=0)
        return max(item.held_ns, searched) + settle
    quiet = 0 if item.loud else max((row.limits.search_ns for row in item.quiet), default=0)
    steps = 2 + sum(needs(item, step) for step in _BY_HAND)
    steps += sum(needs(item, step) for step in _BY_HAND[:2])  # what they must leave on is watched for as long again
    shown = max(gap, hold_ns(site, item.loud))
    return max(shown + gap * (steps - 1) + max(visible, lasts) + settle, quiet)
