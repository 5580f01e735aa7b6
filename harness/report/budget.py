"""A budget as lines for a terminal and as JSON."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Final

from harness.core.durations import duration
from harness.core.instants import NS_PER_S
from harness.measure.budget import Chance, Stage, Watcher, certain_from, stages
from harness.measure.budget_steps import HELD, Need, Poll
from harness.report import human
from harness.report.budget_chart import chart_lines, folded
from harness.report.budget_document import Budget, BudgetRow, WayGroup
from harness.report.budget_measured import measured_json, measured_lines
from harness.report.budget_words import (
    about_words,
    at_most_words,
    chance_words,
    need_words,
    range_words,
    seconds_words,
    share_words,
    span_of,
)
from harness.report.columns import Terminal

SCHEMA: Final = "farend-budget/1"
TIME_WIDTH: Final = 8
CHANCE_WIDTH: Final = 11
WIDE: Final = 100
"""From so many columns on there is more room between the numbers."""
WORDS_LEAST: Final = 22
WORDS_USUAL: Final = 40
INDENT: Final = 4
NAMES_MAX: Final = 3
MOVES: Final = "~ moves with the ranges that are declared: the bounds are in --json and --picture"
PHASES: Final = (
    "Every poll is taken to run at a phase of its own, without jitter: then the chances are exact. Polls that are "
    "locked to each other, or to what raises the alarm, break this: each phase then gives 0 or 1."
)
DECLARED: Final = (
    "What nobody declared is not in it, and what was declared is taken as it was. Measure at the site, and put the two "
    "beside each other: farend budget SITE --record RECORD."
)
CAUTIONS: Final = (PHASES, DECLARED)


def budget_lines(budget: Budget, to: Terminal) -> list[str]:
    """All of it, in lines of at most the terminal's width."""
    rows = sum(len(it.rows) for it in budget.groups)
    lines = to.wrapped(f"{budget.title} ({budget.site}): what pollers can see, as the site file has it", hang=4)
    of_all = human.count(rows, "row") if rows == budget.total else f"{rows:,} of {human.count(budget.total, 'row')}"
    lines += to.wrapped(f"{of_all}, {human.count(len(budget.groups), 'way')} to get there", hang=4)
    lines += [line for text in budget.what_if for line in to.wrapped(f"what if: {text}", hang=4)]
    lines += ["", *_head(budget, to)]
    for group in budget.groups:
        lines += ["", *_group_lines(budget, group, to)]
    if any("~" in line for line in lines):
        lines += ["", *to.wrapped(MOVES, hang=4)]
    lines += ["", *_assumed_lines(budget, to), ""]
    lines += [line for text in (*budget.notes, *CAUTIONS) for line in to.wrapped(text, hang=4)]
    # What follows from it comes last, where it stands in the terminal.
    measured = [] if budget.measured is None else measured_lines(budget.measured, to)
    for part in (chart_lines(budget, to), _limit_lines(budget, to), _missable_lines(budget, to), measured):
        lines += ["", *part] if part else []
    return lines


# --- the table ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Columns:
    """Columns of the table. ``words`` is 0 where there is no room beside the numbers: then they stand above them."""

    words: int
    chance: int
    width: int


def _columns(budget: Budget, to: Terminal) -> _Columns:
    """As wide as the longest hop needs, where the terminal has so much."""
    count = len(budget.lengths)
    chance = CHANCE_WIDTH if to.width < WIDE else CHANCE_WIDTH + 2
    numbers = 2 * (TIME_WIDTH + 2) + count * (chance + 1)
    if to.width - numbers < WORDS_LEAST:
        return _Columns(words=0, chance=min(chance, (to.width - 2 * (TIME_WIDTH + 2)) // count - 1), width=to.width)
    hops = [hop for group in budget.groups for hop in group.way.hops]
    hops += [hop for _, watcher in budget.watched for hop in watcher.hops]
    longest = max((to.size(hop.words) for hop in hops), default=0) + INDENT
    words = min(to.width - numbers, max(longest, WORDS_USUAL))
    return _Columns(words=words, chance=chance, width=words + numbers)


def _head(budget: Budget, to: Terminal) -> list[str]:
    at = _columns(budget, to)
    columns = [f"{seconds_words(it):>{at.chance}}" for it in budget.lengths]
    times = f"  {'expected':>{TIME_WIDTH}}  {'worst':>{TIME_WIDTH}} {' '.join(columns)}"
    before = at.width - len(times)
    over = "latency, if it stays".rjust(before + 2 * (TIME_WIDTH + 2))
    seen = "chance seen, of a transient of" if len(budget.lengths) > 2 else "seen, if it lasts"
    seen = seen if len(budget.lengths) > 1 else "if it lasts"
    under = times.rjust(at.width) if not at.words else "hop by hop".ljust(before) + times
    return [over + seen.rjust(at.width - len(over)), under, "-" * at.width]


def _group_lines(budget: Budget, group: WayGroup, to: Terminal) -> list[str]:
    lines = to.wrapped(_title(group), hang=4)
    if budget.explicit:
        lines += [line for row in group.rows for line in to.wrapped(f"{row.key}, {row.behaviour}", first=2, hang=6)]
    shared = stages(group.way.steps(), budget.lengths)
    for hop, stage in zip(group.way.hops, shared, strict=True):
        lines += _hop_line(hop.words, stage, budget, to)
    for watcher in group.way.watchers:
        behind = stages(group.way.steps(watcher), budget.lengths)[len(shared) :]
        for hop, stage in zip(watcher.hops, behind, strict=True):
            lines += _hop_line(hop.words, stage, budget, to)
        if group.way.has_bus(watcher):
            dead = stages(group.way.steps(watcher, dead=True), budget.lengths)[-1]
            lines += _hop_line(_dead_words(group, watcher), dead, budget, to, first=4)
    for watcher in group.way.watchers:
        lines += to.wrapped(_certain_words(group, watcher), first=2, hang=6)
    return lines


def _dead_words(group: WayGroup, watcher: Watcher) -> str:
    polls = [it.with_dead for it in (*group.way.hops, *watcher.hops) if isinstance(it.with_dead, Poll)]
    return f"with one dead unit: every {' and '.join(range_words(it.period) for it in polls)}"


def _title(group: WayGroup) -> str:
    counts = Counter(row.behaviour for row in group.rows)
    behaviours = ", ".join(f"{number} {name}" if len(counts) > 1 else name for name, number in counts.items())
    points = list(dict.fromkeys(row.point for row in group.rows))
    names = f": {', '.join(points)}" if len(points) <= NAMES_MAX else f": {len(points)} points"
    return f"{group.link}, {human.count(len(group.rows), 'row')} ({behaviours}){names}"


def _hop_line(text: str, stage: Stage, budget: Budget, to: Terminal, *, first: int = 2) -> list[str]:
    """The words, folded in their column, and the numbers beside the last of their lines, or below."""
    at = _columns(budget, to)
    latency = f"{about_words(stage.latency.usual):>{TIME_WIDTH}}  {about_words(stage.latency.most):>{TIME_WIDTH}}"
    numbers = f"  {latency} {' '.join(f'{chance_words(it):>{at.chance}}' for it in stage.chances)}"
    lines = [" " * first + line for line in folded(to.show(text), (at.words or at.width) - first)]
    if not at.words:
        return [*lines, numbers.rjust(at.width)]
    return [*lines[:-1], lines[-1].ljust(at.words) + numbers]


def _certain_words(group: WayGroup, watcher: Watcher) -> str:
    need = certain_from(group.way.steps(watcher))
    text = f"seen by {watcher.name} {need_words(need)}"
    if need not in (None, Need()):
        text = f"seen for certain by {watcher.name} {need_words(need)}"
    if group.way.has_bus(watcher):
        text += f"; with one dead unit {need_words(certain_from(group.way.steps(watcher, dead=True)))}"
    if need is not None and any("optimistic" in it for it in group.way.assumed):
        text += "; if what is not declared takes no time"
    return text


# --- what follows from it -------------------------------------------------------------------------


def _missable_lines(budget: Budget, to: Terminal) -> list[str]:
    """The alarms that clear by themselves, where somebody can miss them."""
    found: dict[tuple[str, str], dict[tuple[str, str], list[str]]] = {}
    for group, watcher in budget.watched:
        for row in group.rows:
            if row.lasts_ns is None or row.behaviour == "quiet":
                continue
            chance = own_chance(group, watcher, row)
            if chance is None or chance.low == 1:
                continue
            span = f"{duration(row.lasts_ns.lo)} to {duration(row.lasts_ns.hi)}"
            where = found.setdefault((row.alarm, span), {})
            where.setdefault((watcher.name, span_of(chance)), []).append(row.point)
    lines = []
    if found:
        lines = to.wrapped("Alarms of this site that clear by themselves, and where they can be missed (chance seen)")
    for (alarm, span), where in found.items():
        told = (f"{chance} by {who} at {', '.join(points)}" for (who, chance), points in where.items())
        lines += to.wrapped(f"{alarm}, {span}: {'; '.join(told)}", first=2, hang=6)
    return lines


def own_chance(group: WayGroup, watcher: Watcher, row: BudgetRow) -> Chance | None:
    """That an alarm that clears by itself is seen; None for one that does not. One of no length at all may show
    nowhere.
    """
    if row.lasts_ns is None or row.lasts_ns.hi <= 0:
        return None
    short, long = Fraction(max(row.lasts_ns.lo, 0), NS_PER_S), Fraction(row.lasts_ns.hi, NS_PER_S)
    lengths = (short or long, (short + long) / 2, long)
    low, usual, high = stages(group.way.steps(watcher), lengths)[-1].chances
    return Chance(slowest=low.low if short else Fraction(0), usual=usual.usual, quickest=high.high)


def _limit_lines(budget: Budget, to: Terminal) -> list[str]:
    """Limits that the way to a point cannot keep for certain."""
    lines = []
    for group in budget.groups:
        steps = stages(group.way.steps(), budget.lengths)
        if not steps:
            continue
        least, most = steps[-1].latency.least, steps[-1].latency.most
        limits = Counter(row.limit_ns for row in group.rows if row.limit_ns is not None)
        for limit_ns, count in limits.items():
            limit = Fraction(limit_ns, NS_PER_S)
            if most > limit:
                how = "always" if least > limit else "may"
                text = f"{group.link}, {human.count(count, 'row')}: appears within {duration(limit_ns)}, and {how} "
                text += f"show after up to {at_most_words(most)} where nothing is wrong"
                lines += to.wrapped(text.replace("always show", "always shows"), first=2, hang=6)
    return ["Limits that can be missed with nothing wrong", *lines] if lines else []


def _assumed_lines(budget: Budget, to: Terminal) -> list[str]:
    if not budget.assumed:
        return ["Everything on the way is declared."]
    lines = ["Not declared in the site file, so not in these numbers"]
    for text in budget.assumed:
        lines += to.wrapped(text, first=2, hang=6)
    return lines


# --- for programs ---------------------------------------------------------------------------------


def budget_json(budget: Budget) -> dict[str, Any]:
    """Times in whole nanoseconds, the worst rounded up; chances as decimals and exactly, as fractions."""
    return {
        "schema": SCHEMA,
        "site": budget.site,
        "title": budget.title,
        "transients_ns": [_ns(it) for it in budget.lengths],
        "what_if": list(budget.what_if),
        "not_declared": list(budget.assumed),
        "ways": [_group_json(budget, it) for it in budget.groups],
        "cautions": [*budget.notes, *CAUTIONS],
        "measured": None if budget.measured is None else measured_json(budget.measured),
    }


def _group_json(budget: Budget, group: WayGroup) -> dict[str, Any]:
    shared = stages(group.way.steps(), budget.lengths)
    return {
        "link": group.link,
        "rows": [row.key for row in group.rows],
        "not_declared": list(group.way.assumed),
        "hops": _hops_json([hop.words for hop in group.way.hops], shared),
        "watchers": [_watcher_json(budget, group, it, len(shared)) for it in group.way.watchers],
    }


def _watcher_json(budget: Budget, group: WayGroup, watcher: Watcher, shared: int) -> dict[str, Any]:
    words = [hop.words for hop in watcher.hops]
    found = stages(group.way.steps(watcher), budget.lengths)[shared:]
    document: dict[str, Any] = {
        "name": watcher.name,
        "hops": _hops_json(words, found),
        "certain_from_ns": _certain_ns(certain_from(group.way.steps(watcher))),
    }
    if group.way.has_bus(watcher):
        dead = stages(group.way.steps(watcher, dead=True), budget.lengths)[shared:]
        certain = _certain_ns(certain_from(group.way.steps(watcher, dead=True)))
        document["with_one_dead_unit"] = {"hops": _hops_json(words, dead), "certain_from_ns": certain}
    return document


def _hops_json(words: Sequence[str], found: Iterable[Stage]) -> list[dict[str, Any]]:
    return [
        {
            "hop": text,
            "latency_ns": {
                "least": _ns(it.latency.least),
                "usual": _ns(it.latency.usual),
                "worst": -(-it.latency.most * NS_PER_S // 1),
            },
            "seen": [_chance_json(chance) for chance in it.chances],
        }
        for text, it in zip(words, found, strict=True)
    ]


def _chance_json(it: Chance) -> dict[str, Any]:
    ends = {"slowest": it.slowest, "usual": it.usual, "quickest": it.quickest}
    return {"chance": float(it.usual), "told": share_words(it.usual), **{k: str(v) for k, v in ends.items()}}


def _certain_ns(need: Need | None) -> int | None:
    """0: whatever its length. None: never, or only what is held."""
    return None if need is None or need.length >= HELD else -(-need.length * NS_PER_S // 1)


def _ns(it: Fraction) -> int:
    return int(it * NS_PER_S // 1)
