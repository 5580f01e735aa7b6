"""Foreign clocks against ours, as JSON."""

from __future__ import annotations

from fractions import Fraction
from typing import Any, Final

from harness.measure.clock_steps import ClockStretch
from harness.report.clock_document import ClocksDocument, ClockTold
from harness.report.clock_words import PPM
from harness.report.json_ import plain

SCHEMA: Final = "farend-clocks/1"


def clocks_json(document: ClocksDocument) -> dict[str, Any]:
    """The same for programs; instants in ns since 1970 UTC, offsets in ns, positive where ahead; null: not bounded."""
    it = document
    return {
        "schema": SCHEMA,
        "site": it.site,
        "records": list(it.records),
        "set_to": it.set_to,
        "own_error_ns": it.own_error_ns,
        "drift_max_ppm": _plain(it.rate_max),
        "within_ns": it.within_ns,
        "clocks": [_clock_json(clock) for clock in it.clocks],
    }


def _clock_json(clock: ClockTold) -> dict[str, Any]:
    history = clock.history
    readings = () if history is None else history.readings
    return {
        "link": clock.link,
        "kinds": [
            {"name": it.name, "times": it.count, "step_ns": it.step_ns, "widest_ns": it.widest_ns} for it in clock.kinds
        ],
        "times": len(readings),
        "longest_delay_ns": clock.longest_delay_ns,
        "left_out": {
            "unread": clock.unread, "twice": clock.twice, "again": clock.again, "numbered": clock.numbered,
        },
        "undated": clock.undated,
        "late": clock.late,
        "within": None if clock.within is None else clock.within.value,
        "common_offset_ns": None if history is None or history.common is None else plain(history.common),
        "stretches": [] if history is None else [_stretch_json(one) for one in history.stretches],
        "settings": [] if history is None else [
            {"at_ns": plain(one.at), "by_ns": plain(one.by), "daylight_saving": one.is_hour}
            for one in history.settings
        ],
        "unexplained": [] if history is None else [one.at.hi for one in history.unexplained],
        "readings": [{"told_ns": one.at.hi, "offset_ns": plain(one.offset)} for one in readings],
    }  # fmt: skip


def _stretch_json(stretch: ClockStretch) -> dict[str, Any]:
    lines = stretch.lines
    if lines is None:
        return {"times": 0, "first_ns": None, "last_ns": None, "first_offset_ns": None, "last_offset_ns": None,
                "drift_ppm": [None, None]}  # fmt: skip
    ends = [_plain(rate) if told else None for rate, told in zip(lines.rate, lines.is_bounded, strict=True)]
    return {
        "times": stretch.count,
        "first_ns": stretch.first,
        "last_ns": stretch.last,
        "first_offset_ns": plain(stretch.offset_at(stretch.first)),
        "last_offset_ns": plain(stretch.offset_at(stretch.last)),
        "drift_ppm": ends,
    }


def _plain(rate: Fraction) -> float:
    return float(rate * PPM)
