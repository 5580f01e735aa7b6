"""What was measured as plain lines: for each output of each alarm how often, how late, how long.

Every number carries its bounds and their confidence, and a number that the trials do not prove is not told.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from math import ceil, floor
from typing import Final

from harness.core.durations import bounds, duration
from harness.measure.describe import Description, QuantileAt
from harness.measure.phase_lock import Locking
from harness.measure.poll_period import Phases, trials_to_name
from harness.measure.proportions import Side
from harness.measure.sequential import Decision
from harness.measure.trials import Asked, MissShare, RowSummary, Shown
from harness.report.columns import Terminal
from harness.report.human import count
from harness.report.measured import ClaimTold, Measured
from harness.report.measured_words import down, pair, percent
from harness.report.text_searches import search_lines

_INDENT: Final = 4
_NAME_MIN: Final = 16
_COLUMNS_MIN: Final = 4
"""So many stay where a terminal is narrow: output, shown, and two that matter most."""

_Column = tuple[str, str, Callable[[RowSummary], str]]
"""Two lines of its head, and what stands in it."""


def render_measured(told: Measured, *, width: int = 100, ascii_only: bool = False, every_number: bool = False) -> str:
    """Lines of at most ``width`` columns, ended by a line feed. ValueError for a width that is not 80 to 200.

    ``every_number``: all quantiles of every output, in sentences, and not only a table.
    """
    to = Terminal(width=width, ascii_only=ascii_only)
    by_alarm: dict[str, list[RowSummary]] = defaultdict(list)
    for one in told.rows:
        by_alarm[one.row.alarm].append(one)
    parts = [front_lines(told, to)]
    for alarm, rows in by_alarm.items():
        if every_number:
            parts.append([to.show(alarm), *(line for one in rows for line in row_lines(one, told.asked, to))])
        else:
            parts.append([to.show(alarm), *alarm_lines(rows, told.asked, to)])
    parts += [claim_lines(told, to), search_lines(told, to), assumption_lines(told, to)]
    return "\n\n".join("\n".join(line.rstrip() for line in part) for part in parts if part) + "\n"


def alarm_lines(rows: Sequence[RowSummary], asked: Asked, to: Terminal) -> list[str]:
    """The outputs of one alarm: a table with as many columns as fit, and a line for what a table cannot say."""
    has_visible = any(one.row.ends_by_itself for one in rows)
    columns: list[_Column] = [
        ("", "output", lambda it: it.row.point),
        ("", "shown", _shown_cell),
        ("latency", "50 % within", lambda it: _cell(it.latency, 0.5)),
        ("visible for", "50 % more than", lambda it: _cell(it.visible, 0.5)),
        ("latency", "95 % within", lambda it: _cell(it.latency, 0.95)),
        ("visible for", "95 % more than", lambda it: _cell(it.visible, 0.05)),
        ("not shown", "at most", lambda it: "" if it.misses is None else percent(it.misses.high, up=True)),
        (
            "a poll that",
            f"sees {percent(asked.share)}",
            lambda it: "" if it.longest is None else down(it.longest.period_ns),
        ),
    ]
    if not has_visible:
        columns = [it for it in columns if it[0] not in ("visible for", "a poll that")]
    lines = _fitting(columns, rows, to)
    if asked.slower_ns and any(one.slower for one in rows):
        slower = [_slower_column(period_ns, at) for at, period_ns in enumerate(asked.slower_ns)]
        lines += ["", *_fitting([columns[0], *slower], [one for one in rows if one.slower], to)]
    return [*lines, *_remarks(rows, asked, to)]


def _fitting(columns: Sequence[_Column], rows: Sequence[RowSummary], to: Terminal) -> list[str]:
    """A table with the first so many of the columns as fit; the first one is cut before the third is dropped.

    What stands in the first column are names: no two of them are cut to the same text.
    """
    body = [[cell(one) for _, _, cell in columns] for one in rows]
    widths = [
        max(to.size(head) for head in (over, under, *(line[at] for line in body)))
        for at, (over, under, _) in enumerate(columns)
    ]
    room = to.width - _INDENT
    shown = len(columns)
    while shown > _COLUMNS_MIN and sum(widths[:shown]) + 2 * (shown - 1) > room:
        shown -= 1
    over = sum(widths[:shown]) + 2 * (shown - 1) - room
    widths[0] = max(min(widths[0], _NAME_MIN), widths[0] - max(0, over))
    names = to.names_fitted([line[0] for line in body], widths[0])
    body = [[name, *line[1:]] for name, line in zip(names, body, strict=True)]
    heads = [[first for first, _, _ in columns], [second for _, second, _ in columns]]
    lines = [
        "  ".join(to.fitted(cell, width) for cell, width in zip(line[:shown], widths[:shown], strict=True))
        for line in (*heads, ["-" * width for width in widths], *body)
    ]
    return [f"{' ' * _INDENT}{line}" for line in lines]


def _slower_column(period_ns: int, at: int) -> _Column:
    return (
        f"a poll every {duration(period_ns)}",
        "would have seen",
        lambda it: f"{_mean(*it.slower[at])} of {it.slower[at][0].sightings}",
    )


def _shown_cell(it: RowSummary) -> str:
    row = it.row
    return f"{row.count(Shown.SHOWN)} of {len(row.measured)}"


def _cell(told: Description | None, share: float) -> str:
    found = None if told is None else next((it for it in told.quantiles if it.share == share), None)
    return "" if found is None else _between(found)


def _remarks(rows: Sequence[RowSummary], asked: Asked, to: Terminal) -> list[str]:
    """What a table cannot say: misses, what was left out, phases, and what the trials do not prove yet."""
    texts = []
    for one in rows:
        row = one.row
        if row.count(Shown.SHOWN) < len(row.trials) or one.failed:
            texts.append(f"{row.point}: {counts_words(one)}")
        if one.is_in_step:
            texts.append(f"{row.point}: {beat_words(one)}")
        if one.row.ends_by_itself and one.phase is not None and one.phase.finding is not Locking.NOT_SHOWN:
            texts.append(f"{row.point}: {phase_words(one)}")
    whole = [one.misses for one in rows if one.misses is not None and not one.misses.missed + one.misses.unseen]
    if whole:
        worst = max(whole, key=lambda it: it.high)
        texts.append(
            f"shown every time in {worst.trials} trials: not shown is at most {percent(worst.high, up=True)} of them "
            f"(one-sided, {percent(asked.confidence)})"
        )
    needed = trials_to_name(asked.share, confidence=asked.confidence)
    if any(one.row.ends_by_itself and one.longest is None and len(one.row.visible) < needed for one in rows):
        texts.append(f"to name a poll period that sees {percent(asked.share)} of them takes {needed} trials at least")
    return [line for text in texts for line in to.wrapped(text, first=4, hang=8, keep_units=True)]


def front_lines(told: Measured, to: Terminal) -> list[str]:
    """Of what, by which records, with what confidence."""
    lines = [f"{told.title} ({told.site}): what was measured, with bounds at {percent(told.asked.confidence)}"]
    lines += [
        f"{one.name}, firmware {one.firmware or 'not stated'}, seed {one.seed}, SHA-256 {one.sha256}"
        for one in told.records
    ]
    if told.single:
        single = count(told.single, "output was", "outputs were")
        lines.append(
            f"{single} tried only once, which makes no distribution: see the bounds of each result (judge --all)"
        )
    if not told.rows and not told.searches:
        lines.append("no output was tried more than once: raise alarms again and again (trials, or test --repeat)")
    return [folded for line in lines for folded in to.wrapped(line, hang=4)]


def row_lines(one: RowSummary, asked: Asked, to: Terminal) -> list[str]:
    """One output of one alarm."""
    texts = [beat_words(one) if one.is_in_step else "", latency_words(one), *visible_words(one, asked)]
    lines = to.wrapped(f"{one.row.point}: {counts_words(one)}", first=4, hang=8, keep_units=True)
    for text in texts:
        lines += to.wrapped(text, first=8, hang=12, keep_units=True) if text else []
    return lines


def counts_words(one: RowSummary) -> str:
    """``20 trials: 17 shown, 3 met by no reading; missed: at most 34.4 % (one-sided)``."""
    row = one.row
    kinds = (
        (Shown.SHOWN, "shown"),
        (Shown.MISSED, "missed"),
        (Shown.UNSEEN, "met by no reading"),
        (Shown.LEFT_OUT, "left out (not observed, masked or in doubt)"),
    )
    counts = ", ".join(f"{row.count(kind)} {word}" for kind, word in kinds if row.count(kind))
    failed = f"; {one.failed} failed in all" if one.failed > row.count(Shown.MISSED) else ""
    return f"{count(len(row.trials), 'trial')}: {counts}{failed}{miss_words(one.misses)}"


def miss_words(misses: MissShare | None) -> str:
    """The true share of misses in exact bounds, their side named."""
    if misses is None:
        return ""
    high = percent(misses.high, up=True)
    if misses.side is Side.UPPER:
        return f"; not shown: at most {high} of them (one-sided)"
    return f"; not shown: {percent(misses.low, up=False)} to {high} of them (two-sided)"


def latency_words(one: RowSummary) -> str:
    """Quantiles of the latency of those that showed."""
    if one.latency is None:
        return "" if one.row.latencies else "latency: none was measured"
    parts = (f"{percent(it.share)} within {_between(it)}" for it in one.latency.quantiles)
    return f"latency of those shown: {'; '.join(parts)}"


def visible_words(one: RowSummary, asked: Asked) -> list[str]:
    """How long it stays visible, and what polls would see of it; nothing where somebody else ended it."""
    if not one.row.ends_by_itself or not one.row.visible:
        return []
    told = []
    if one.visible is not None:
        parts = (f"{percent(1.0 - it.share)} longer than {_between(it)}" for it in one.visible.quantiles)
        told.append(f"visible: {'; '.join(parts)}")
    if one.phase is not None and one.phase.finding is not Locking.NOT_SHOWN:
        told.append(f"visible times are not to be relied on: {phase_words(one)}")
    told.append(longest_words(one, asked))
    told += [slower_words(least, most) for least, most in one.slower]
    return told


def beat_words(one: RowSummary) -> str:
    """That the times are those of one phase of a device on the way."""
    arc = "" if one.beat is None else percent(one.beat.widest_empty_arc, up=False)
    return (
        f"its times are not to be relied on: the raises fell in step with a device on the way that polls ({arc} of its "
        "period was never met); raise at other phases (trials spreads them)"
    )


def phase_words(one: RowSummary) -> str:
    """Whether the raises fell at random against the readings."""
    if one.phase is None:
        return "nothing was read again and again here"
    arc = percent(one.phase.widest_empty_arc, up=False)
    if one.phase.finding is Locking.LOCKED:
        return (
            f"the raises fell in step with the readings ({arc} of a poll period was never met): raise at other phases"
        )
    return f"{count(one.phase.trials, 'raise')} are too few to tell whether they fell in step with the readings"


def longest_words(one: RowSummary, asked: Asked) -> str:
    """The longest poll period that catches what is asked for, or how many trials would be needed to name one."""
    share, sure = percent(asked.share), percent(asked.confidence)
    if one.longest is not None:
        period = down(one.longest.period_ns)
        return f"a poll every {period} sees at least {share} of such alarms ({sure}, one-sided)"
    needed = trials_to_name(asked.share, confidence=asked.confidence)
    trials = len(one.row.visible)
    short = f"; {needed} trials that all show it could, and these are {trials}" if trials < needed else ""
    return f"no poll period is proven to see {share} of such alarms ({sure}){short}"


def slower_words(least: Phases, most: Phases) -> str:
    """What a slower poll would have seen of these very sightings, over all phases."""
    seen = f"{_mean(least, most)} of these {least.sightings} sightings on average"
    spread = pair(str(least.fewest), str(most.most))
    return f"a poll every {duration(least.period_ns)} would have seen {seen}, {spread} by its phase"


def _mean(least: Phases, most: Phases) -> str:
    return pair(f"{floor(least.mean * 10) / 10:.1f}", f"{ceil(most.mean * 10) / 10:.1f}")


def assumption_lines(told: Measured, to: Terminal) -> list[str]:
    """What the numbers rest on."""
    texts = [
        "A latency goes from the raise, as its reference point or its own write bounds it, to where farend sees it.",
    ]
    if any(one.row.ends_by_itself for one in told.rows):
        texts.append(
            "Visible times and poll periods take it that alarms fall at random against the polls, as was tested, and "
            "that those to come are like these. An alarm that no reading met counts: it may have been short."
        )
    if any(one.row.ends_by_itself and one.row.is_delay_declared for one in told.rows):
        texts.append("Where a link declares its output delay, its alarms are taken to have come on within it.")
    if told.claims and told.rows:
        texts.append(
            "A claim ends its trials by what they showed, and is decided by a rule that takes this into account; all "
            "other bounds are those of as many trials fixed beforehand."
        )
    if any(not one.row.ends_by_itself for one in told.rows):
        texts.append("Alarms that somebody has to clear or acknowledge have no visible time of their own.")
    return [line for text in texts for line in to.wrapped(text, first=0, hang=4, keep_units=True)]


def claim_lines(told: Measured, to: Terminal) -> list[str]:
    """What was claimed, and what the trials decide of it for each output."""
    if not told.claims:
        return []
    groups: dict[tuple[float, ...], list[ClaimTold]] = defaultdict(list)
    for one in told.claims:
        groups[one.share, one.confidence, one.at_claim.proven, one.at_good.proven].append(one)
    lines: list[str] = []
    for (share, confidence, wrongly, rightly), claims in groups.items():
        sure = f"({percent(confidence)}, each output by itself)"
        lines += to.wrapped(f"claim: at least {percent(share)} of the raises pass {sure}", hang=4, keep_units=True)
        for one in claims:
            lines += to.wrapped(f"{one.alarm} at {one.point}: {claim_words(one)}", first=4, hang=8, keep_units=True)
        wrong = f"the rule says proven of an output of just under {percent(share)} with a chance of"
        rates = f"{percent(wrongly, up=True)}, and of a good one with {percent(rightly, up=False)}"
        lines += to.wrapped(f"{wrong} {rates}; unknown counts for neither side", first=4, hang=8, keep_units=True)
    return lines


def claim_words(one: ClaimTold) -> str:
    """``proven after 59 trials``."""
    if one.decided.decision is Decision.UNDECIDED:
        rest = "more trials may decide it" if one.decided.is_open else "and no further trial would change that"
        return f"not decided by {count(one.trials, 'trial')}; {rest}"
    return f"{one.decided.decision.value} after {count(one.decided.after, 'trial')}"


def _between(it: QuantileAt) -> str:
    if it.bounds.is_open_above and not it.bounds.is_open_below:
        return f"{bounds(it.bounds).removeprefix('at least ')} or more"
    return bounds(it.bounds)
