"""From the records of two runs to the document of their comparison."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from harness.core.errors import UsageError
from harness.core.instants import Bounds
from harness.measure.compare_order import Onsets, OrdersCompared, compare_orders
from harness.measure.compare_runs import compare_runs
from harness.measure.dealing import compare_ends
from harness.measure.exact_tables import holm
from harness.measure.run_comparison import Asked, Pair, Side
from harness.report.comparison import ComparisonDocument, LinkCompared, RunFacts, StrayChange
from harness.results.fitting import fits
from harness.site.names import did_you_mean
from harness.site.renames import Renames
from harness.studies.compare_sides import Answers, Run, answers_of, onsets_of, sides_of
from harness.studies.map_differences import likely_renames, map_differences


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """How to compare. ``only``: patterns of alarms, points or keys, none for all. ``unknown_allowed``,
    ``some_unknown_allowed``, ``vanishing_allowed``: patterns of keys. ``two_rates``: one firmware, polled at two rates.
    """

    asked: Asked = field(default_factory=Asked)
    renames: Renames = field(default_factory=Renames)
    only: tuple[str, ...] = ()
    unknown_allowed: tuple[str, ...] = ()
    some_unknown_allowed: tuple[str, ...] = ()
    vanishing_allowed: tuple[str, ...] = ()
    two_rates: bool = False
    seed: int = 0


def compare_records(before: Run, after: Run, wanted: Wanted) -> ComparisonDocument:
    """Compare two runs. UsageError where they are of different sites, share a record, or have nothing in common.

    With ``two_rates``, ``after`` becomes the run that was polled faster, whichever that is.
    """
    _refuse_strangers(before, after, wanted.renames)
    answers = answers_of(before), answers_of(after)
    if wanted.two_rates:
        if _is_faster(*answers, wanted.renames):
            before, after, answers = after, before, answers[::-1]
        wanted = replace(wanted, asked=replace(wanted.asked, ends_only=True))
    renames = wanted.renames
    pairs = [it for it in _pairs(before, after, wanted) if _is_wanted(it, wanted.only)]
    if not any(it.before and it.after and it.before.verdicts and it.after.verdicts for it in pairs):
        raise UsageError(
            "no expectation was tested in both BEFORE and AFTER; name records of the same plan, "
            "or what has another name with --renames"
        )
    return ComparisonDocument(
        title=after.site.title or after.site.name,
        site=after.site.name,
        before=_facts(before),
        after=_facts(after),
        compared=compare_runs(pairs, wanted.asked, np.random.default_rng(wanted.seed)),
        orders=_orders(before, after, wanted),
        map_differences=map_differences(before.site, after.site, renames),
        strays=tuple(_strays(before, after, wanted)),
        links=_links(*answers, renames),
        renamed=tuple(_renamed(renames)),
        suggested=likely_renames(before.site, after.site, renames),
        notes=tuple(_notes(before, after, wanted)),
        two_rates=wanted.two_rates,
        seed=wanted.seed,
    )


def _refuse_strangers(before: Run, after: Run, renames: Renames) -> None:
    for run, word in ((before, "BEFORE"), (after, "AFTER")):
        for record in run.records:
            if record.site.name != run.site.name:
                raise UsageError(
                    f"{record.path}: site={record.site.name}: {word} has records of site={run.site.name} too; "
                    "a run is of one site"
                )
    if renames.site.get(before.site.name, before.site.name) != after.site.name:
        raise UsageError(
            f"{before.newest.path}: site={before.site.name}, and {after.newest.path}: site={after.site.name}: "
            "two sites are not compared; if one was renamed, say so in a file for --renames: "
            f"'site: {{{before.site.name}: {after.site.name}}}'"
        )
    seen: dict[str, str] = {}
    for record in (*before.records, *after.records):
        for digest in sorted(record.has_been & seen.keys()):
            raise UsageError(f"{record.path}: it is the same record as {seen[digest]}; name each record once")
        seen |= dict.fromkeys(record.has_been, str(record.path))


def _pairs(before: Run, after: Run, wanted: Wanted) -> Iterator[Pair]:
    """In the order of AFTER's point map; what vanished comes behind."""
    renames, raised = wanted.renames, after.raised
    old = {renames.key(key): (key, side) for key, side in sides_of(before).items()}
    new = sides_of(after)
    for row in after.site.expectations:
        was, side = old.get(row.key, ("", None))
        if side is None or side.verdicts or new[row.key].verdicts:
            link = after.site.points[row.point].link
            yield _pair(row.key, (row.alarm, row.point, link), was, (side, new[row.key]), raised, wanted)
    for row in before.site.expectations:
        key = renames.key(row.key)
        if key not in new and old[key][1].verdicts:
            link = renames.link(before.site.points[row.point].link)
            names = (renames.alarm(row.alarm), renames.point(row.point), link)
            yield _pair(key, names, row.key, (old[key][1], None), raised, wanted)


def _pair(
    key: str,
    names: tuple[str, str, str],
    was: str,
    sides: tuple[Side | None, Side | None],
    raised: Collection[str],
    wanted: Wanted,
) -> Pair:
    alarm, point, link = names
    return Pair(
        key=key,
        was="" if was == key else was,
        alarm=alarm,
        point=point,
        link=link,
        before=sides[0],
        after=sides[1],
        lived=alarm in raised,
        unknown_allowed=fits((key,), wanted.unknown_allowed),
        some_unknown_allowed=fits((key,), wanted.some_unknown_allowed),
        vanishing_allowed=fits((key,), wanted.vanishing_allowed),
    )


def _is_wanted(pair: Pair, only: Sequence[str]) -> bool:
    return not only or fits((pair.key, pair.alarm, pair.point), only)


def _facts(run: Run) -> RunFacts:
    ordered = sorted(run.records, key=lambda it: it.reader.header.anchor.utc_ns)
    last = ordered[-1]
    return RunFacts(
        name=run.name,
        records=tuple((it.path.name, it.sha256) for it in ordered),
        firmware=tuple(dict.fromkeys(it.site.firmware or "not stated" for it in ordered)),
        started_utc_ns=ordered[0].reader.header.anchor.utc_ns,
        ended_utc_ns=last.reader.header.anchor.utc_ns + last.end_ns - last.start_ns,
        raised=sum(len(it.evidence.stimuli) for it in ordered),
        watched_ns=sum(it.end_ns - it.start_ns for it in ordered),
        note=run.note,
    )


def _orders(before: Run, after: Run, wanted: Wanted) -> OrdersCompared:
    renames = wanted.renames
    old: dict[str, list[Onsets]] = {}
    for name, trials in onsets_of(before).items():
        alarm, comma, link = name.partition(", on ")
        renamed = renames.alarm(alarm) + (f", on {renames.link(link)}" if comma else "")
        old[renamed] = [{renames.point(point): onset for point, onset in trial.items()} for trial in trials]
    if wanted.only:
        old = {name: trials for name, trials in old.items() if fits((name.partition(", on ")[0],), wanted.only)}
    return compare_orders(old, onsets_of(after))


def _strays(before: Run, after: Run, wanted: Wanted) -> Iterator[StrayChange]:
    renames = wanted.renames
    old = Counter(renames.point(it.point) for record in before.records for it in record.judgement.strays)
    new: Counter[str] = Counter()
    seen: dict[str, int] = {}
    for record in sorted(after.records, key=lambda it: it.reader.header.anchor.utc_ns):
        for it in record.judgement.strays:
            new[it.point] += 1
            if not it.onset.is_open_above:
                seen.setdefault(it.point, record.reader.header.anchor.utc_ns + it.onset.hi - record.start_ns)
    for point in dict.fromkeys([*new, *old]):
        if not wanted.only or fits((point,), wanted.only):
            yield StrayChange(point=point, before=old[point], after=new[point], seen_utc_ns=seen.get(point))


# --- answers --------------------------------------------------------------------------------------


def _links(before: Mapping[str, Answers], after: Mapping[str, Answers], renames: Renames) -> tuple[LinkCompared, ...]:
    """The polled links of both. The answers of stretches of time are compared as they are known: exactly."""
    found: list[LinkCompared] = []
    for name, old in before.items():
        new = after.get(renames.link(name))
        if new is None:
            continue
        chance, is_slower = None, False
        if old.stretches_ns and new.stretches_ns:
            one, other = ([Bounds.exactly(it) for it in side.stretches_ns] for side in (old, new))
            dealt = compare_ends(one, other)
            chance, is_slower = dealt.chance, dealt.later > 0
        found.append(
            LinkCompared(
                link=renames.link(name), before=old.figures, after=new.figures, chance=chance, is_slower=is_slower
            )
        )
    tested = [it for it in found if it.chance is not None]
    adjusted = iter(holm([it.chance for it in tested if it.chance is not None]))
    return tuple(it if it.chance is None else replace(it, adjusted=next(adjusted)) for it in found)


def _is_faster(before: Mapping[str, Answers], after: Mapping[str, Answers], renames: Renames) -> bool:
    """Whether BEFORE is the run that was polled faster. UsageError where no link was polled at another rate."""
    ratios = {
        name: old.figures.period_ns / after[renames.link(name)].figures.period_ns
        for name, old in before.items()
        if renames.link(name) in after
    }
    other = {name: ratio for name, ratio in ratios.items() if not 0.8 <= ratio <= 1.25}
    if not other:
        raise UsageError(
            "--two-rates: every polled link was polled at the same rate in both; test once more with a copy of the "
            "site file that has another 'poll every' in its links"
        )
    faster = {ratio < 1.0 for ratio in other.values()}
    if len(faster) > 1:
        raise UsageError(
            f"--two-rates: {', '.join(other)}: some were polled faster in one run, some in the other; "
            "change 'poll every' of all links in the same direction"
        )
    return faster == {True}


# --- notes ----------------------------------------------------------------------------------------


def _renamed(renames: Renames) -> Iterator[str]:
    for what, names in (
        *(("site", renames.site), ("link", renames.links)),
        *(("alarm", renames.alarms), ("point", renames.points)),
    ):
        for old, new in names.items():
            yield f"{what} {old} -> {new}"


def _notes(before: Run, after: Run, wanted: Wanted) -> Iterator[str]:
    one, other = {it.site.firmware for it in before.records}, {it.site.firmware for it in after.records}
    if one == other and not wanted.two_rates:
        yield f"both runs state the same firmware: {', '.join(sorted(one)) or 'none'}"
    if wanted.two_rates and one != other:
        yield "the two runs state different firmware, so that a difference may be its and not that of the rate"
    first, last = (min(it.reader.header.anchor.utc_ns for it in run.records) for run in (before, after))
    if first > last and not wanted.two_rates:
        yield "BEFORE was recorded after AFTER: if they are swapped, what is told as better is worse"
    for run, word in ((before, "BEFORE"), (after, "AFTER")):
        maps = {tuple((row.key, row.limits, row.behaviour) for row in it.site.expectations) for it in run.records}
        if len(maps) > 1:
            yield f"the records of {word} differ in their point maps; that of {run.newest.path.name} stands for all"
        voided = sum(len(it.corrected.voided | it.corrected.alarms.keys()) for it in run.records)
        if voided:
            was = "raise was" if voided == 1 else "raises were"
            yield (
                f"of {word} {voided:,} {was} voided by corrections, or said to have been another alarm: no verdict and "
                "no time is compared of what was recorded"
            )
        again = sum(len(it.judgement.results) - len(it.standing_results) for it in run.records)
        if again:
            was = "result was" if again == 1 else "results were"
            yield f"of {word} {again:,} {was} superseded, since the alarm was raised again: the newer ones are compared"
        if any(it.judgement.failures_of_checkers for it in run.records):
            yield f"a judge crashed on a record of {word}; what it did not judge is unknown"
    keys = {row.key for row in after.site.expectations}
    keys |= {wanted.renames.key(row.key) for row in before.site.expectations}
    for option, patterns in (
        ("--allow-unknown", wanted.unknown_allowed),
        ("--allow-some-unknown", wanted.some_unknown_allowed),
        ("--allow-vanished", wanted.vanishing_allowed),
        ("--only", wanted.only),
    ):
        known = keys if option != "--only" else keys | {name for key in keys for name in key.split("@", maxsplit=1)}
        for pattern in patterns:
            if not fits(known, (pattern,)):
                yield f"{option} {pattern}: no expectation fits; {did_you_mean(pattern, known)}".rstrip("; ")
