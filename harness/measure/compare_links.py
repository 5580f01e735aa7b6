"""Whether a link as a whole comes later than before, where each of its rows has too few trials to tell. Pure.

One row of each alarm, so that no trial counts twice; its first trial before against its first one after, its second
against the second. Were the runs alike, either of a pair would be the later one as often, so the sign test says how
unlikely so many later ones are. Only what is later whatever the values within the brackets are counts as later: that
holds however each run was read. Rows of which a run was raised in step with a device on the way are left out: their
times are those of one phase. Source: Dixon, Mood, *J. Am. Statist. Assoc.* 41 (1946) 557.

That a link did not change by more than a change is worth is said of it as a whole, so more than half of its alarms are
not enough: no pair may be further apart for certain either.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from harness.core.instants import FOREVER, Bounds
from harness.measure.binomial import exceeding
from harness.measure.run_comparison import Asked, Finding, Pair, WholeLink


def compare_links(pairs: Sequence[Pair], asked: Asked) -> list[WholeLink]:
    """One for each link of which something was timed in both runs, in the order of the rows."""
    found: dict[str, list[tuple[Bounds, Bounds]]] = {}
    taken: set[tuple[str, str]] = set()
    for pair in pairs:
        if pair.before is None or pair.after is None or (pair.link, pair.alarm) in taken:
            continue
        if pair.before.is_in_step or pair.after.is_in_step:
            continue
        mine = list(zip(pair.before.latencies, pair.after.latencies, strict=False))
        if mine:
            taken.add((pair.link, pair.alarm))
            found.setdefault(pair.link, []).extend(mine)
    alarms = Counter(link for link, _ in taken)
    return [_compared(link, mine, alarms[link], asked) for link, mine in found.items()]


def _compared(link: str, pairs: Sequence[tuple[Bounds, Bounds]], alarms: int, asked: Asked) -> WholeLink:
    total = len(pairs)
    later = sum(after.lo > before.hi for before, after in pairs)
    earlier = sum(after.hi < before.lo for before, after in pairs)
    chance = min(1.0, 2.0 * min(_so_many(later, total), _so_many(earlier, total)))
    below = sum(after.hi - before.lo <= asked.worth_ns for before, after in pairs)
    above = sum(after.lo - before.hi >= -asked.worth_ns for before, after in pairs)
    is_apart = any(
        after.lo - before.hi > asked.worth_ns or before.lo - after.hi > asked.worth_ns for before, after in pairs
    )
    error = 1.0 - asked.confidence
    return WholeLink(
        link=link,
        pairs=total,
        alarms=alarms,
        later=later,
        earlier=earlier,
        chance=chance,
        least=least_of_pairs(total),
        is_worse=later > earlier,
        is_within=not is_apart and max(_so_many(below, total), _so_many(above, total)) <= error / 2.0,
        difference=_median(pairs, error),
    )


def _median(pairs: Sequence[tuple[Bounds, Bounds]], error: float) -> Bounds | None:
    """Bounds of the median by which the second of a pair is later: order statistics of what the brackets leave open.

    As many from either end as still come about, by chance, on one side of a median more rarely than half the error.
    None where there are too few pairs, or a bracket is open. Source: Thompson, *Ann. Math. Statist.* 7 (1936) 122.
    """
    total = len(pairs)
    cut = 0
    while cut < total and _so_many(total - cut, total) <= error / 2.0:
        cut += 1
    if not cut:
        return None
    least = sorted(after.lo - before.hi for before, after in pairs)[cut - 1]
    most = sorted((after.hi - before.lo for before, after in pairs), reverse=True)[cut - 1]
    is_open = least < -FOREVER // 2 or most > FOREVER // 2
    return None if is_open else Bounds(least, most)


def least_of_pairs(pairs: int) -> float:
    """The least chance that so many pairs can have."""
    return min(1.0, 2.0 * _so_many(pairs, pairs))


def trials_for_links(links: Sequence[WholeLink], level: float, tests: int, most: int) -> int | None:
    """The least trials of each alarm in each run with which each link could differ significantly as a whole, among so
    many ``tests``. None where fewer than ``most`` do not do.
    """
    for trials in range(1, most) if links else ():
        if all(least_of_pairs(trials * it.alarms) <= level / tests for it in links):
            return trials
    return None


def _so_many(count: int, total: int) -> float:
    """The chance of so many of ``total``, or more, where either way is as likely."""
    return exceeding(count, total, 0.5)


def finding_of(it: WholeLink, asked: Asked, planned: int) -> Finding:
    """What became of it once its chance is adjusted. ``planned``: tests that could be significant by their numbers."""
    if it.adjusted is not None and it.adjusted <= asked.level:
        return Finding.SLIGHT if it.is_within else Finding.WORSE if it.is_worse else Finding.BETTER
    if it.is_within:
        return Finding.EQUAL
    return Finding.OPEN if it.least <= asked.level / max(1, planned) else Finding.TOO_FEW
