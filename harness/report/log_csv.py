"""The log book as a CSV table, for a spreadsheet or for the program that keeps the alarm history."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from typing import Final

from harness.core.instants import Bounds
from harness.core.model import Step
from harness.report import human
from harness.report.document import AttemptDocument, ReportDocument
from harness.report.log_book import Ending, LogEntry
from harness.report.log_words import STEP_WORD, at_words, how_words, text_of
from harness.report.safe import safe_text

_STEPS: Final = (Step.RAISE, Step.SILENCE, Step.ACKNOWLEDGE, Step.CLEAR, Step.RESET)
COLUMNS: Final = (
    *("attempt", "record", "record sha-256", "entry", "stimulus", "alarm", "text", "entered"),
    *(f"{STEP_WORD[step]} {end}" for step in _STEPS for end in ("from", "to")),
    *("utc offset", "raise proven", "ending", "how, by", "remark", "marked as test by"),
)
"""``entry``: simulated, comes along, or what else was entered, and then ``entered`` says when. ``from`` and ``to``: the
bounds of a time, outwards; of what comes along only that it was not before."""

_FORMULA: Final = ("=", "+", "-", "@")


def render_log_csv(document: ReportDocument) -> str:
    """One line for each simulated alarm, for each that comes along with one, and for what else was entered.

    Times are local, ISO 8601 without the offset, which has a column of its own. Lines end with CR LF (RFC 4180). A text
    that a spreadsheet would take for a formula has an apostrophe before it.
    """
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, COLUMNS, restval="", lineterminator="\r\n")
    writer.writeheader()
    total = len(document.attempts)
    for position, attempt in enumerate(document.attempts):
        for row in _rows(document, attempt):
            head = {"attempt": str(total - position), "record": attempt.record, "record sha-256": attempt.sha256}
            head["utc offset"] = human.offset(attempt.utc_offset_s).removeprefix("UTC")
            writer.writerow(
                {name: text if name == "utc offset" else _cell(text) for name, text in (head | row).items()}
            )
    return out.getvalue()


def _rows(document: ReportDocument, attempt: AttemptDocument) -> Iterable[dict[str, str]]:
    for entry in attempt.log.entries:
        row = _entry(attempt, entry) | {"text": text_of(document.site, entry.alarm)}
        yield row
        for name in entry.along:
            yield {
                "entry": "comes along",
                "stimulus": entry.stimulus,
                "alarm": name,
                "text": text_of(document.site, name),
                "raised from": row.get("raised from", ""),
                "how, by": row["how, by"],
                "remark": f"comes up with {entry.alarm}",
            }
    for one in attempt.log.remarks:
        remark = f"{one.text} ({one.by})" if one.by else one.text
        entered = at_words(attempt, one.at_ns).replace(" ", "T")
        yield {"entry": one.kind.value, "alarm": one.alarm, "entered": entered, "remark": remark}


def _entry(attempt: AttemptDocument, entry: LogEntry) -> dict[str, str]:
    row = {
        "entry": "simulated",
        "stimulus": entry.stimulus,
        "alarm": entry.alarm,
        "ending": entry.ending.value,
        "how, by": how_words(attempt, entry),
        "remark": "; ".join(entry.remarks),
    }
    for step in _STEPS:
        done = entry.done(step)
        if step is Step.CLEAR:
            if entry.ended is not None:
                row |= _ends(attempt, entry.ended, step)
        elif done:
            row |= _ends(attempt, Bounds(done[0].at.lo, max(it.at.hi for it in done)), step)
    raised = entry.done(Step.RAISE)
    row["raise proven"] = "yes" if any(it.proven for it in raised) else "no"
    if entry.ending is Ending.NOT_RAISED:
        row["entry"] = "not raised"
    return row


def _ends(attempt: AttemptDocument, at: Bounds, step: Step) -> dict[str, str]:
    low, high = attempt.local_ends(at)
    word = STEP_WORD[step]
    return {f"{word} from": low.replace(" ", "T"), f"{word} to": high.replace(" ", "T")}


def _cell(text: str) -> str:
    text = safe_text(text)
    return f"'{text}" if text.startswith(_FORMULA) else text
