"""Alarm rates as lines for a terminal. What they are held against is told, and decides nothing."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from harness.core.durations import decimal, duration, measured
from harness.measure.alarm_rates import HOUR_NS, Number
from harness.measure.rates_together import RatesTogether
from harness.report import human
from harness.report.columns import Terminal
from harness.report.rates_document import HELD_AGAINST, RatesDocument, RecordRates

TOP: Final = 10
"""So many of the most frequent alarms are named, and told what share of all they are."""

LISTED_MAX: Final = 20
"""Of floods and of alarms of one kind, so many are shown in a terminal; with ``--all`` every one."""

_LABEL: Final = 15
_DAY_NS: Final = 24 * HOUR_NS


def rates_lines(document: RatesDocument, to: Terminal, *, every_one: bool = False) -> list[str]:
    """All of it; lines of at most the terminal's width."""
    it = document
    lines = to.wrapped(f"alarm rates of {it.site}: {', '.join(one.record for one in it.records)}", hang=4)
    for text in _counted_words(it):
        lines += to.wrapped(text, hang=4)
    lines.append("")
    for label, text in _facts(it, LISTED_MAX if not every_one else len(it.all.contributors) + _floods_of(it)):
        lines += to.wrapped(f"{label:<{_LABEL}}{text}", first=0 if label else _LABEL, hang=_LABEL + 2)
    lines.append("")
    for text in HELD_AGAINST:
        lines += to.wrapped(text, hang=4)
    return lines


def _floods_of(document: RatesDocument) -> int:
    return document.all.floods.possibly


def _counted_words(document: RatesDocument) -> Iterator[str]:
    """What was counted, over what time, and what was not."""
    it = document
    points = list(dict.fromkeys(point for one in it.records for point in one.points))
    left_out = f"; {human.count(len(it.shared), 'point')} of several alarms left out" if it.shared else ""
    yield f"counted: {human.count(len(points), 'point')}, {it.chosen}{left_out}"
    if it.held:
        yield f"{len(it.held):,} of them hold an alarm until somebody releases it, and hide what comes meanwhile"
    observed, span = it.all.observed_ns, it.all.span_ns
    links = ", ".join(dict.fromkeys(link for one in it.records for link in one.blind_links))
    blind = f"; {measured(span - observed)} blind ({links}), not counted as time" if span > observed else ""
    yield f"observed: {measured(observed)} of {measured(span)}{blind}"
    unobserved = list(dict.fromkeys(name for one in it.records for name in one.unobserved))
    if unobserved:
        yield f"never observed: {human.count(len(unobserved), 'alarm')}: {_listed(unobserved, LISTED_MAX)}"
    raised = sum(one.raised for one in it.records)
    if raised:
        yield f"a test raised {human.count(raised, 'alarm')} in it: these are rates of that test, not of the plant"
    doubtful = sum(one.doubtful for one in it.records)
    if doubtful:
        yield f"{human.count(doubtful, 'activation')} may have been several: it was not seen without a break"


def _facts(document: RatesDocument, listed_max: int) -> Iterator[tuple[str, str]]:
    it, limits, every = document, document.limits, document.all
    window = duration_words(limits.window_ns)
    yield "activations", f"{words(every.total)}{_average(every, HOUR_NS, 'an hour')}{_average(every, _DAY_NS, 'a day')}"
    if every.standing:
        yield "on before", f"{len(every.standing)}, not counted: {_listed(every.standing, listed_max)}"
    yield f"in {window}", _window_words(document)
    over = f"{words(every.over)} of {every.windows:,}" if every.windows else "none was wholly observed"
    yield (
        f"over {limits.flood_above}",
        f"{over} fixed windows of {window} that were wholly observed" if every.windows else over,
    )
    yield "floods", _flood_words(document)
    for line in [line for one in it.records for line in _each_flood(one)][:listed_max]:
        yield "", line
    least, within = limits.chatter_least, duration_words(limits.chatter_ns)
    sure = sum(one.most.surely >= least for one in every.chattering)
    chattering = Number(sure, len(every.chattering))
    yield "chattering", f"{_kind(chattering)} with {least} or more in {within}"
    for one in every.chattering[:listed_max]:
        yield "", f"{one.alarm}: up to {words(one.most)} in {within}, {words(one.number)} in all"
    yield "fleeting", _fleeting_words(document)
    stale = Number(sum(one.surely > 0 for one in every.stale.values()), len(every.stale))
    yield "stale", f"{_kind(stale)} active for longer than {duration_words(limits.stale_ns)}"
    for name in list(every.stale)[:listed_max]:
        why = " (on before; nobody knows since when)" if name in every.standing and not every.stale[name].surely else ""
        yield "", f"{name}{why}"
    yield from _shares(document)


def _fleeting_words(document: RatesDocument) -> str:
    every = document.all
    told = f"{words(every.fleeting)} cleared by themselves in at most {duration_words(document.limits.fleeting_ns)}"
    left_out = []
    if every.fleeting_acted_on.possibly:
        left_out.append(f"{words(every.fleeting_acted_on)} acknowledged, silenced, reset or cleared meanwhile")
    if every.fleeting_unfinished:
        left_out.append(f"{every.fleeting_unfinished:,} still active at the end")
    return f"{told}; not counted: {', '.join(left_out)}" if left_out else told


def _window_words(document: RatesDocument) -> str:
    every, limits = document.all, document.limits
    average = ""
    if every.observed_ns >= limits.window_ns:
        average = f"{_ends(every.seen, limits.window_ns, every.observed_ns, 2)} on average; "
    return (
        f"{average}most in a fixed window {words(every.most_fixed)}, in any {words(every.most)}{_when_most(document)}"
    )


def _when_most(document: RatesDocument) -> str:
    best = max(document.records, key=lambda it: it.rates.most.number.possibly)
    most = best.rates.most
    if not most.number.possibly:
        return ""
    return f" (up to {best.when(most.until)})"


def _flood_words(document: RatesDocument) -> str:
    every, limits = document.all, document.limits
    window = duration_words(limits.window_ns)
    rule = f"begins above {limits.flood_above} in {window}, ends below {limits.flood_below}"
    if not every.floods.possibly:
        return f"none ({rule})"
    sure, possible = every.flood_ns
    share = ""
    if every.observed_ns:
        low, high = (decimal(part * 100, every.observed_ns, 2, up=up) for part, up in ((sure, False), (possible, True)))
        share = f", {low} % of the time" if low == high else f", {low} to {high} % of the time"
    return f"{words(every.floods)}{share} ({rule})"


def _each_flood(record: RecordRates) -> Iterator[str]:
    for it in record.rates.floods:
        sure = "" if it.sure else ", possibly"
        yield f"{record.when(it.begin)} to {record.when(it.end)}, {words(it.activations)} activations{sure}"


def _shares(document: RatesDocument) -> Iterator[tuple[str, str]]:
    every = document.all
    whole = every.total.possibly
    by_priority = [
        f"{name}: {words(it)} ({human.share(it.possibly, whole)})" for name, it in document.by_priority.items()
    ]
    yield "priorities", "; ".join(by_priority) or "none"
    top = every.contributors[:TOP]
    share = f", {human.share(sum(it.number.possibly for it in top), whole)} of all" if whole else ""
    yield f"top {TOP}", f"of {human.count(len(every.contributors), 'alarm')} that became active{share}"
    for it in top:
        yield "", f"{it.alarm}: {words(it.number)} ({human.share(it.number.possibly, whole)})"


def words(number: Number) -> str:
    """``411`` or ``411 to 412``."""
    if number.surely == number.possibly:
        return f"{number.surely:,}"
    return f"{number.surely:,} to {number.possibly:,}"


def _kind(number: Number) -> str:
    if not number.possibly:
        return "no alarm"
    return f"{words(number)} {'alarm' if number == Number(1, 1) else 'alarms'}"


def _average(every: RatesTogether, unit_ns: int, per: str) -> str:
    """A rate; '' where less than an hour was observed, which says nothing of it."""
    return f", {_ends(every.seen, unit_ns, every.observed_ns, 1)} {per}" if every.observed_ns >= HOUR_NS else ""


def _ends(number: Number, unit_ns: int, observed_ns: int, decimals: int) -> str:
    """A rate in a unit of time, rounded outwards."""
    low = decimal(number.surely * unit_ns, observed_ns, decimals, up=False)
    high = decimal(number.possibly * unit_ns, observed_ns, decimals, up=True)
    return low if number.surely == number.possibly else f"{low} to {high}"


def duration_words(ns: int) -> str:
    """A limit in its plainest unit: ``10 min``, ``24 h``, ``90 s``."""
    for unit_ns, name in ((HOUR_NS, "h"), (60_000_000_000, "min")):
        if ns % unit_ns == 0:
            return f"{ns // unit_ns} {name}"
    return duration(ns)


def _listed(names: Sequence[str], at_most: int) -> str:
    more = f" and {len(names) - at_most:,} more" if len(names) > at_most else ""
    return ", ".join(names[:at_most]) + more
