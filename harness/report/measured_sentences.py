"""What was measured, in sentences that the text and the page share.

Every number carries its bounds and their confidence, and a number that the trials do not prove is not told.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from math import ceil, floor, isqrt
from typing import Final

from harness.core.durations import bounds, duration
from harness.core.instants import NS_PER_MS
from harness.measure.describe import Description, QuantileAt
from harness.measure.phase_lock import Locking
from harness.measure.poll_period import Phases, trials_to_name
from harness.measure.proportions import Side
from harness.measure.sequential import Decision
from harness.measure.trials import Asked, MissShare, RowSummary, Shown
from harness.report.gathered import in_runs
from harness.report.human import count
from harness.report.measured import ClaimTold, Measured, SearchTold
from harness.report.measured_words import down, pair, percent

_OFF_BEAT_MIN_MS: Final = 5
"""Below that nobody polls."""
NOT_KNOWN: Final = "not known"
"""Of a time that the trials bound on no side."""


def shown_words(one: RowSummary) -> str:
    """``14 of 14``, of the trials of which something can be measured."""
    return f"{one.row.count(Shown.SHOWN)} of {len(one.row.measured)}"


def quantile_words(told: Description | None, share: float) -> str:
    """The bounds of one quantile; '' where it was not measured."""
    found = None if told is None else next((it for it in told.quantiles if it.share == share), None)
    return "" if found is None else between(found)


def is_whole(one: RowSummary) -> bool:
    """Whether every trial showed, none failed, and none was set aside."""
    trials = one.row.trials
    return one.row.count(Shown.SHOWN) == len(trials) and not one.failed and not any(it.is_set_aside for it in trials)


def own_remarks(one: RowSummary) -> list[str]:
    """What a table cannot say of one row: misses, what was left out, phases."""
    counts = [] if is_whole(one) else [f"{counts_words(one)}{miss_words(one.misses)}"]
    return counts + phase_remarks(one)


def phase_remarks(one: RowSummary) -> list[str]:
    """Why times of a row are not to be relied on, as far as the phases of its raises tell."""
    texts = [f"nothing is proven of it: {text}" for text in one.row.unproven]
    texts += [beat_words(one)] if one.is_in_step else []
    if one.row.ends_by_itself and one.phase is not None and one.phase.finding is not Locking.NOT_SHOWN:
        texts.append(phase_words(one))
    return texts


def common_remarks(rows: Sequence[RowSummary], asked: Asked) -> list[str]:
    """What a table cannot say of rows together: how sure it is that they always show, and what is not proven yet."""
    texts = []
    sound = {one.row.point: one.misses for one in rows if one.misses is not None and not one.row.unproven}
    whole = {point: it for point, it in sound.items() if not it.missed + it.unseen}
    if whole:
        worst = max(whole.values(), key=lambda it: it.high)
        which = f"each of the {len(rows)} outputs" if len(rows) == len(whole) > 1 else ", ".join(in_runs(whole))
        least = " at least" if len({it.trials for it in whole.values()}) > 1 else ""
        texts.append(
            f"{which}: shown every time in {worst.trials} trials{least}: not shown is at most "
            f"{percent(worst.high, up=True)} of them (one-sided, {percent(asked.confidence)})"
        )
    return texts + too_few_words(rows, asked)


def too_few_words(rows: Sequence[RowSummary], asked: Asked) -> list[str]:
    """How many trials it takes to name a poll period, where some of the rows had fewer; else nothing."""
    needed = trials_to_name(asked.share, confidence=asked.confidence)
    few = (it for it in rows if it.row.ends_by_itself and it.longest is None and not it.row.unproven)
    if any(len(it.row.visible) < needed for it in few):
        return [f"to name a poll period that sees {percent(asked.share)} of them takes {needed} trials at least"]
    return []


def counts_words(one: RowSummary) -> str:
    """``20 trials: 17 shown, 3 met by no reading``; how sure that is, is told apart (``miss_words``)."""
    row = one.row
    in_doubt = sum(it.shown is Shown.UNSEEN and it.is_set_aside for it in row.trials)
    kinds = (
        (row.count(Shown.SHOWN), "shown"),
        (row.count(Shown.MISSED), "missed"),
        (row.count(Shown.UNSEEN) - in_doubt, "met by no reading"),
        (in_doubt, "missed or met by no reading, and set aside"),
        (row.count(Shown.LEFT_OUT), "left out (not observed, masked or in doubt)"),
    )
    counts = ", ".join(f"{number} {word}" for number, word in kinds if number)
    aside = sum(it.is_set_aside for it in row.trials)
    counts += f"; {aside} raised again or voided, so that no time is taken of them" if aside else ""
    failed = f"; {one.failed} failed in all" if one.failed > row.count(Shown.MISSED) else ""
    return f"{count(len(row.trials), 'trial')}: {counts}{failed}"


def miss_words(misses: MissShare | None) -> str:
    """The true share of misses in exact bounds, their side named; it goes behind other words."""
    return "" if misses is None else f"; not shown: {miss_bounds(misses)} of them ({side_words(misses)})"


def miss_bounds(misses: MissShare) -> str:
    """``at most 4.2 %`` or ``5.7 % to 43.7 %``."""
    high = percent(misses.high, up=True)
    return f"at most {high}" if misses.side is Side.UPPER else f"{percent(misses.low, up=False)} to {high}"


def side_words(misses: MissShare) -> str:
    """Which sides of the share are bounded at the stated confidence."""
    return "one-sided" if misses.side is Side.UPPER else "each one-sided"


def latency_words(one: RowSummary) -> str:
    """Quantiles of the latency of those that showed."""
    if one.latency is None:
        return "" if one.row.latencies else "latency: none was measured"
    parts = [f"{percent(it.share)} within {text}" for it in one.latency.quantiles if (text := between(it)) != NOT_KNOWN]
    return f"latency of those shown: {'; '.join(parts) or NOT_KNOWN}"


def visible_words(one: RowSummary, asked: Asked) -> list[str]:
    """How long it stays visible, and what polls would see of it; nothing where somebody else ended it."""
    if not one.row.ends_by_itself or not one.row.visible:
        return []
    told = []
    if one.visible is not None:
        known = [(1.0 - it.share, text) for it in one.visible.quantiles if (text := between(it)) != NOT_KNOWN]
        parts = [f"{percent(share)} longer than {text}" for share, text in known]
        told.append(f"visible: {'; '.join(parts) or NOT_KNOWN}")
    if one.phase is not None and one.phase.finding is not Locking.NOT_SHOWN:
        told.append(f"visible times are not to be relied on: {phase_words(one)}")
    told.append(longest_words(one, asked))
    told += [slower_words(one, least, most) for least, most in one.slower]
    return told


def beat_words(one: RowSummary) -> str:
    """That the times are those of one phase of a device on the way."""
    arc = "" if one.beat is None else percent(one.beat.widest_empty_arc, up=False)
    return (
        f"its times are not to be relied on: the raises fell in step with a device on the way that polls ({arc} of its "
        "period was never met). Where a program chose when to raise, let it wait at random; else declare how often "
        "that device really polls, over which raises are then spread"
    )


def phase_words(one: RowSummary) -> str:
    """Whether the raises fell at random against the readings."""
    if one.phase is None:
        return "nothing was read again and again here"
    arc = percent(one.phase.widest_empty_arc, up=False)
    if one.phase.finding is Locking.LOCKED:
        other = off_beat_ns(one.row.poll_ns)
        remedy = (
            f": what is raised comes in a beat that the poll shares; poll every {duration(other)}, which shares none"
            if other
            else ""
        )
        return f"the raises fell in step with the readings ({arc} of a poll period was never met){remedy}"
    return f"{count(one.phase.trials, 'raise')} are too few to tell whether they fell in step with the readings"


def off_beat_ns(poll_ns: int) -> int:
    """A poll period a little below another one that is a prime number of milliseconds, in ns; 0 where there is none.

    A controller's scan is a round number of milliseconds, and so are most polls: where one is a multiple of the other,
    or nearly, what is raised meets a few phases of the poll only. A prime has them all in turn.
    """
    ms = (poll_ns - 1) // NS_PER_MS
    while ms >= _OFF_BEAT_MIN_MS and any(ms % it == 0 for it in range(2, isqrt(ms) + 1)):
        ms -= 1
    return ms * NS_PER_MS if ms >= _OFF_BEAT_MIN_MS else 0


def longest_words(one: RowSummary, asked: Asked) -> str:
    """The longest poll period that catches what is asked for, or how many trials would be needed to name one."""
    share, sure = percent(asked.share), percent(asked.confidence)
    if one.longest is not None:
        period = down(one.longest.period_ns)
        return f"a poll every {period} sees at least {share} of such alarms ({sure}, one-sided)"
    if one.row.unproven or one.is_in_step or not one.is_random:
        return f"no poll period is proven to see {share} of such alarms, whatever was seen"
    needed = trials_to_name(asked.share, confidence=asked.confidence)
    trials = len(one.row.visible)
    short = f"; {needed} trials that all show it could, and these are {trials}" if trials < needed else ""
    return f"no poll period is proven to see {share} of such alarms ({sure}){short}"


def slower_words(one: RowSummary, least: Phases, most: Phases) -> str:
    """What a slower poll would have seen of these very sightings, over all phases."""
    seen = f"{mean_seen(least, most)} of these {least.sightings} sightings on average"
    of_all = f" ({count(len(one.row.measured), 'raise')} in all)" if len(one.row.measured) > least.sightings else ""
    doubt = slower_doubt(one)
    not_sure = f": {doubt}" if doubt else ""
    would = f"a poll every {duration(least.period_ns)} would have seen {seen}"
    return f"{would}, {by_phase(least, most)} by its phase{of_all}{not_sure}"


def by_phase(least: Phases, most: Phases) -> str:
    """``14 to 45``, from the worst phase to the best."""
    return pair(str(least.fewest), str(most.most))


def slower_doubt(one: RowSummary) -> str:
    """That what a slower poll would have seen is not to be relied on, in few words; '' where nothing speaks so."""
    if one.row.unproven:
        return "not proven"
    return "" if one.is_random and not one.is_in_step else "not to be relied on"


def mean_seen(least: Phases, most: Phases) -> str:
    """``8.0 to 10.0``, over all phases, rounded outwards."""
    return pair(f"{floor(least.mean * 10) / 10:.1f}", f"{ceil(most.mean * 10) / 10:.1f}")


def claim_groups(told: Measured) -> list[tuple[str, list[ClaimTold], str]]:
    """What was claimed alike: the claim, what it is decided to be of each output, and how the rule errs."""
    groups: dict[tuple[float, ...], list[ClaimTold]] = defaultdict(list)
    for one in told.claims:
        groups[one.share, one.confidence, one.at_claim.proven, one.at_good.proven].append(one)
    found = []
    for (share, confidence, wrongly, rightly), claims in groups.items():
        claim = f"at least {percent(share)} of the raises pass ({percent(confidence)}, each output by itself)"
        wrong = f"the rule says proven of an output of just under {percent(share)} with a chance of"
        rates = f"{percent(wrongly, up=True)}, and of a good one with {percent(rightly, up=False)}"
        found.append((claim, claims, f"{wrong} {rates}; unknown counts for neither side"))
    return found


def claim_name(one: ClaimTold | SearchTold) -> str:
    """Of which output, and by which record where there are others."""
    return f"{one.alarm} at {one.point}{f' ({one.record})' if one.record else ''}"


def claim_words(one: ClaimTold) -> str:
    """``proven after 59 trials``. What is refuted is what the rule says so of, and not more: of a plan with a fixed
    number of trials that it can still come out, else that the output is a good one.
    """
    if one.decided.decision is Decision.UNDECIDED:
        rest = "more trials may decide it" if one.decided.is_open else "and no further trial would change that"
        return f"not decided by {count(one.trials, 'trial')}; {rest}"
    after = count(one.decided.after, "trial")
    if one.decided.decision is Decision.PROVEN and one.unproven:
        return f"NOT PROVEN, though {after} would do: {'; '.join(one.unproven)}"
    if one.decided.decision is Decision.PROVEN:
        later = one.trials - one.decided.after
        failed = f"; of all {one.trials} {one.failed} failed" if one.failed else ""
        return f"proven after {after}{failed or (f', and {later} more came later' if later else '')}"
    if one.is_lost:
        return f"not to be proven any more after {after}: more failed than the plan allows, which may be chance"
    good = percent(1.0 - one.at_good.miss_share)
    return (
        f"not to be proven any more after {after}: fewer pass than the {good} of a good output; whether "
        f"{percent(one.share)} do is not decided"
    )


def between(it: QuantileAt) -> str:
    """Bounds of a quantile; open above as ``0.4 s or more``, since the word before may be "within"."""
    if it.bounds.is_open_above and it.bounds.lo <= 0:
        return NOT_KNOWN
    if it.bounds.is_open_above:
        return f"{bounds(it.bounds).removeprefix('at least ')} or more"
    return bounds(it.bounds)


def search_groups(told: Measured) -> list[tuple[str, list[SearchTold]]]:
    """Searches for the shortest alarm that is shown, those of one share and confidence together."""
    groups: dict[tuple[float, float], list[SearchTold]] = defaultdict(list)
    for one in told.searches:
        groups[one.finding.share, one.finding.confidence].append(one)
    return [
        (f"the shortest alarm of which at least {percent(share)} are shown ({percent(confidence)})", searches)
        for (share, confidence), searches in groups.items()
    ]


def _beats_tested(told: Measured) -> str:
    return " and the declared beats of devices" if any(one.beat is not None for one in told.rows) else " alone"


def assumption_texts(told: Measured) -> list[str]:
    """What the numbers rest on."""
    first = (
        "A latency goes from the raise, as its reference point or its own write bounds it, to when the point came on: "
        "how long farend then took to see it is in the bounds, and no part of the time."
    )
    texts = [first]
    if any(one.row.ends_by_itself for one in told.rows):
        texts.append(
            "Visible times and poll periods take it that alarms fall at random against all polls on the way, and that "
            "those to come are like these. Tested was that against farend's own polls"
            f"{_beats_tested(told)}; a beat that nobody declared is not known, and raises are spread against it as far "
            "as it shows. An alarm that no reading met counts: it may have been short."
        )
    if any(one.row.ends_by_itself and one.row.is_delay_declared for one in told.rows):
        texts.append("Where a link declares its output delay, its alarms are taken to have come on within it.")
    if told.claims and told.rows:
        texts.append(
            "A claim ends its trials by what they showed, and is decided by a rule that takes this into account; all "
            "other bounds are those of as many trials fixed beforehand."
        )
    if told.searches:
        texts.append(
            "A search for the shortest alarm takes it that one that is held for longer is shown no less often, and "
            "that alarms fall at random against all polls."
        )
    if any(not one.row.ends_by_itself for one in told.rows):
        texts.append("Alarms that somebody has to clear or acknowledge have no visible time of their own.")
    return texts
