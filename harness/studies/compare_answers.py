"""How fast the polled links of two runs answered, and at which rate each was polled."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from harness.core.durations import duration
from harness.core.errors import UsageError
from harness.core.instants import NS_PER_S, Bounds
from harness.core.links import BacnetLink, ModbusRtuLink, ModbusTcpLink
from harness.measure.dealing import compare_ends
from harness.measure.exact_tables import holm
from harness.report import human
from harness.report.comparison import LinkAnswers, LinkCompared
from harness.run.poll_cycle import tcp_cycle
from harness.site.renames import Renames
from harness.studies.compare_sides import Run

SAME_RATE: Final = 1.25
"""Polled at the same rate: the periods differ by no more than this factor."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """Of one polled link: its figures, and the middle answer time of each stretch of time (``stretch_ns``)."""

    figures: LinkAnswers
    stretches_ns: tuple[int, ...]


STRETCH_NS: Final = 5_000_000_000
"""Answers that follow each other are much alike, so not each of them is a trial, but the middle one of five seconds."""
STRETCH_LEAST: Final = 10
"""Polls in a stretch; with fewer it is left out."""


def answers_of(run: Run) -> dict[str, Answers]:
    """By link that was polled. The first and last stretch of a record are cut off and count as far as they go."""
    found: dict[str, Answers] = {}
    for name in run.site.links:
        widths, periods, stretches = [], [], []
        failed = overruns = 0
        for record in run.records:
            if name not in record.site.links:
                continue
            overruns += len(record.reader.overruns(name))
            asked_all, width_all = [], []
            for block in (it for it in record.reader.blocks() if it.link == name):
                polls = record.reader.polls(block.id)
                failed += len(record.reader.failures(block.id))
                asked_all.append(polls.asked)
                width_all.append(polls.told - polls.asked)
                periods.append(np.diff(polls.asked))
            if asked_all:
                asked, width = np.concatenate(asked_all), np.concatenate(width_all)
                widths.append(width)
                numbers = (asked - record.start_ns) // STRETCH_NS
                for number in np.unique(numbers).tolist():
                    mine = width[numbers == number]
                    if len(mine) >= STRETCH_LEAST:
                        stretches.append(int(np.median(mine)))
        width = np.concatenate(widths) if widths else np.zeros(0, dtype=np.int64)
        period = np.concatenate(periods) if periods else np.zeros(0, dtype=np.int64)
        if len(width) and len(period):
            figures = LinkAnswers(
                period_ns=int(np.median(period)),
                answer_ns=int(np.median(width)),
                polls=len(width) + failed,
                failed=failed,
                overruns=overruns,
            )
            found[name] = Answers(figures=figures, stretches_ns=tuple(stretches))
    return found


def _is_same_rate(before: LinkAnswers, after: LinkAnswers) -> bool:
    return max(before.period_ns, after.period_ns) <= SAME_RATE * min(before.period_ns, after.period_ns)


def compare_answers(
    before: Mapping[str, Answers], after: Mapping[str, Answers], renames: Renames, *, two_rates: bool
) -> tuple[LinkCompared, ...]:
    """The polled links of both. The answers of stretches of time are compared as they are known: exactly.

    ``two_rates``: only those that were read at two rates; of the others a difference would be another one's doing.
    """
    found: list[LinkCompared] = []
    for name, old in before.items():
        new = after.get(renames.link(name))
        if new is None:
            continue
        chance, is_slower = None, False
        is_same_rate = _is_same_rate(old.figures, new.figures)
        if old.stretches_ns and new.stretches_ns and not (two_rates and is_same_rate):
            one, other = ([Bounds.exactly(it) for it in side.stretches_ns] for side in (old, new))
            dealt = compare_ends(one, other)
            chance, is_slower = dealt.chance, dealt.later > 0
        found.append(
            LinkCompared(
                link=renames.link(name),
                before=old.figures,
                after=new.figures,
                chance=chance,
                is_slower=is_slower,
                is_same_rate=is_same_rate,
            )
        )
    tested = [it for it in found if it.chance is not None]
    adjusted = iter(holm([it.chance for it in tested if it.chance is not None]))
    return tuple(it if it.chance is None else replace(it, adjusted=next(adjusted)) for it in found)


def is_faster(
    first: Run, second: Run, before: Mapping[str, Answers], after: Mapping[str, Answers], renames: Renames
) -> bool:
    """Whether BEFORE, ``first``, is the run that was polled faster. UsageError where no link was polled at another
    rate, with what kept it from that.
    """
    both = {name: after[renames.link(name)] for name in before if renames.link(name) in after}
    other = {name: new for name, new in both.items() if not _is_same_rate(before[name].figures, new.figures)}
    if not other:
        kept = [told for name, new in both.items() if (told := _kept_from(first, second, name, before[name], new))]
        if kept:
            raise UsageError(f"--two-rates: {'; '.join(kept)}")
        raise UsageError(
            "--two-rates: every polled link was polled at the same rate in both; test once more with a copy of the "
            "site file that has another 'poll every' in its links"
        )
    faster = {before[name].figures.period_ns < new.figures.period_ns for name, new in other.items()}
    if len(faster) > 1:
        raise UsageError(
            f"--two-rates: {', '.join(other)}: some were polled faster in one run, some in the other; "
            "change 'poll every' of all links in the same direction"
        )
    return faster == {True}


def _kept_from(first: Run, second: Run, name: str, old: Answers, new: Answers) -> str:
    """Why a link with two values of 'poll every' was read at one rate; '' where it has but one."""
    specs = first.site.links[name], second.site.links.get(name)
    polled = [it for it in specs if isinstance(it, ModbusTcpLink | ModbusRtuLink | BacnetLink)]
    periods = [it.poll_period_ns for it in polled]
    if len(periods) < 2 or not min(periods) or max(periods) <= SAME_RATE * min(periods):
        return ""
    told = (
        f"{name}: 'poll every' is {duration(periods[0])} in BEFORE and {duration(periods[1])} in AFTER, but it was "
        f"read every {human.measured(old.figures.period_ns)} and {human.measured(new.figures.period_ns)}"
    )
    site, spec = min(((first.site, polled[0]), (second.site, polled[1])), key=lambda it: it[1].poll_period_ns)
    if isinstance(spec, ModbusTcpLink) and spec.requests_per_s_max is not None:
        cycle = tcp_cycle(site, spec)
        least_ns = int(cycle.poll.period.least * NS_PER_S)
        if least_ns > spec.poll_period_ns:
            requests = human.count(cycle.requests, "request")
            return (
                f"{told}: 'requests per second: {spec.requests_per_s_max:g}' lets a cycle of {requests}, and probes, "
                f"take no less than {human.measured(least_ns)}; raise it in the faster site file, or make 'poll every' "
                "of the slower one much longer than that, and test once more"
            )
    return (
        f"{told}: the device, or the line, answers no faster; make 'poll every' of the slower site file much longer "
        "than that, and test once more"
    )
