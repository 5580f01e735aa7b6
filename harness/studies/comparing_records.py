"""From the records of two runs to the document of their comparison."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from harness.core.errors import UsageError
from harness.measure.compare_order import Onsets, OrdersCompared, compare_orders
from harness.measure.compare_runs import compare_runs
from harness.measure.run_comparison import Asked, Pair, Side
from harness.report.comparison import ComparisonDocument, RunFacts, StrayChange
from harness.report.human import utc
from harness.results.fitting import fits
from harness.site.names import did_you_mean
from harness.site.renames import Renames
from harness.studies.compare_answers import answers_of, compare_answers, is_faster
from harness.studies.compare_sides import Run, onsets_of, sides_of
from harness.studies.map_differences import likely_renames, map_differences


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """How to compare. ``only``: patterns of alarms, points or keys, none for all. ``unknown_allowed``,
    ``some_unknown_allowed``, ``vanishing_allowed``: patterns of keys. ``two_rates``: one firmware, polled at two rates.
    ``backwards``: BEFORE may be the newer run.
    """

    asked: Asked = field(default_factory=Asked)
    renames: Renames = field(default_factory=Renames)
    only: tuple[str, ...] = ()
    unknown_allowed: tuple[str, ...] = ()
    some_unknown_allowed: tuple[str, ...] = ()
    vanishing_allowed: tuple[str, ...] = ()
    two_rates: bool = False
    backwards: bool = False
    seed: int = 0


def compare_records(before: Run, after: Run, wanted: Wanted) -> ComparisonDocument:
    """Compare two runs. UsageError where they are of different sites, share a record, or have nothing in common, where
    BEFORE is the newer one and nobody meant that, and for a pattern that fits nothing.

    With ``two_rates``, ``after`` becomes the run that was polled faster, whichever that is.
    """
    _refuse_strangers(before, after, wanted.renames)
    _refuse_swapped(before, after, wanted)
    _refuse_what_fits_nothing(before, after, wanted)
    answers = answers_of(before), answers_of(after)
    if wanted.two_rates:
        if is_faster(before, after, *answers, wanted.renames):
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
        links=compare_answers(*answers, renames, two_rates=wanted.two_rates),
        renamed=tuple(_renamed(renames)),
        suggested=likely_renames(before.site, after.site, renames),
        notes=tuple(_notes(before, after, wanted)),
        only=wanted.only,
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


def _started_utc_ns(run: Run) -> int:
    return min(it.reader.header.anchor.utc_ns for it in run.records)


def _is_swapped(before: Run, after: Run) -> bool:
    return _started_utc_ns(before) > _started_utc_ns(after)


def _refuse_swapped(before: Run, after: Run, wanted: Wanted) -> None:
    """Else each regression would be one for the better. Of two rates it does not matter which was tested first."""
    if wanted.backwards or wanted.two_rates or not _is_swapped(before, after):
        return
    names = [run.name or run.newest.path.name for run in (before, after)]
    starts = [_started_utc_ns(run) for run in (before, after)]
    raise UsageError(
        f"BEFORE ({names[0]}, {utc(starts[0])}) was recorded after AFTER ({names[1]}, {utc(starts[1])}), so what is "
        f"worse would be told as better; name the older one first: farend compare {names[1]} {names[0]}; or say that "
        "it is meant, or that a clock was wrong, with --backwards"
    )


def _refuse_what_fits_nothing(before: Run, after: Run, wanted: Wanted) -> None:
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
                hint = did_you_mean(pattern, known, otherwise="give a key as --all tells it, or leave it out")
                raise UsageError(f"{option} {pattern}: no expectation of BEFORE or AFTER fits it; {hint}")


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
        alarms=len(run.raised),
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
    if _is_swapped(before, after) and not wanted.two_rates:
        yield "BEFORE was recorded after AFTER (--backwards): what is told as better is better in the older run"
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
