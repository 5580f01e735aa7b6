"""``alarm history`` of a site file: how the controller's own history is written."""

from __future__ import annotations

from typing import Final

from harness.core.history_format import (
    CLOCK_WITHIN_DEFAULT_NS,
    HISTORY_COLUMNS,
    LATE_DEFAULT_NS,
    HistoryFormat,
)
from harness.site import kinds
from harness.site.forms import Form, Value
from harness.site.names import did_you_mean, shown
from harness.site.patterns import check_pattern
from harness.site.problems import Mismatch, Problems
from harness.site.tables import Group, Named, Several
from harness.site.tables import a_field as _field

ALARM_HISTORY: Final = Group(
    what="alarm history",
    fields=(
        _field("columns", Named(key=kinds.TEXT, of=kinds.TEXT, what="columns"),
               "alarm, time, date, event, cleared at: the column of each in an exported history."),
        _field("sheet", kinds.TEXT, "Name of the sheet.", default="the first"),
        _field("header row", kinds.whole(1, 100), "The row with the column names.", default="1"),
        _field("time format", kinds.TEXT, "strptime format of the times.", default="ISO 8601"),
        _field("raised", Several(of=kinds.TEXT), "Words of the event column that say that an alarm was raised."),
        _field("cleared", Several(of=kinds.TEXT), "Words of it that say that one cleared."),
        _field("ignored", Several(of=kinds.TEXT), "Words of it that say something else."),
        _field("other lines", Several(of=kinds.TEXT), "Patterns of printed lines that tell of no alarm."),
        _field("written within", kinds.DURATION, "An alarm's time is written at most so long after it was raised.",
               default="2 s"),
        _field("clock within", kinds.DURATION, "How far the controller's clock may be off.", default="15 min"),
    ),
)  # fmt: skip


def build_history(form: Form | None, problems: Problems) -> HistoryFormat | None:
    """The format that a site file states, None where it states none. Problems: unknown columns, unsound patterns."""
    if form is None:
        return None
    columns: dict[str, str] = {}
    told: dict[str, Value] = form.get("columns", dict) or {}
    for name, value in told.items():
        if name not in HISTORY_COLUMNS:
            remedy = did_you_mean(name, HISTORY_COLUMNS)
            problems.error(value.origin, "unknown-field", f"{shown(name)}: no column of an alarm history", remedy)
        columns[name] = str(value.means)
    # One that stands alone is one pattern: the comma in it, as in \d{4,}, parts no two.
    alone = form.written("other lines").strip()
    patterns = (alone,) if alone else _words(form, "other lines")
    for pattern in patterns:
        try:
            check_pattern(pattern)
        except Mismatch as mismatch:
            problems.mismatch(form.at("other lines"), "other lines", pattern, mismatch)
    late, within, header_row = (form.get(name, int) for name in ("written within", "clock within", "header row"))
    return HistoryFormat(
        columns=columns,
        sheet=form.text("sheet"),
        header_row=header_row or 1,
        time_format=form.text("time format"),
        raised=_words(form, "raised"),
        cleared=_words(form, "cleared"),
        ignored=_words(form, "ignored"),
        other_lines=patterns,
        late_ns=LATE_DEFAULT_NS if late is None else late,
        clock_within_ns=CLOCK_WITHIN_DEFAULT_NS if within is None else within,
    )


def _words(form: Form, name: str) -> tuple[str, ...]:
    return tuple(str(value.means) for value in form.many(name))
