"""What ``farend watch`` shows: each change as it comes, with the bounds between which it happened."""

from __future__ import annotations

import contextlib
import json
import sys
import time
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import click

from harness.cli.common import say_line
from harness.cli.drift import Drift
from harness.core.instants import FOREVER, NS_PER_S

if TYPE_CHECKING:
    from collections.abc import Sequence

    from harness.run.watching import Change, FirstRead, Notice

FIRST_MAX = 12
"""So many first values are named in a line; '--json' names all."""


class Screen:
    """Prints changes as they come, with the local time of day of the later bound."""

    def __init__(self, *, as_json: bool, labels: dict[str, str] | None = None) -> None:
        """``labels``: what else to say of a place, e.g. the alarm that belongs to it."""
        self._as_json = as_json
        self._labels = labels or {}
        self._utc_ns = time.time_ns() - time.monotonic_ns()
        self._is_alone = False
        self._drift = Drift()
        self._is_explained = False
        self.changes: list[Change] = []

    def show(self, item: Change | Notice | FirstRead) -> None:
        """One line an item. Raises BrokenPipeError once where nobody reads any more, and is silent from then on."""
        if self._is_alone:
            return
        try:
            self._show(item)
        except BrokenPipeError:
            self._is_alone = True
            raise

    def _show(self, item: Change | Notice | FirstRead) -> None:
        from harness.run.watching import FirstRead, Notice

        if isinstance(item, FirstRead):
            self.changes += item.changes
        elif not isinstance(item, Notice):
            self.changes.append(item)
        if self._as_json:
            for value in _json_of(item):
                click.echo(json.dumps(value, ensure_ascii=True))
            sys.stdout.flush()
        elif isinstance(item, Notice):
            if self._drift.is_late_told(item):
                say_line(f"{self._clock(item.at_ns)}  {item.link}  {item.text}", must_be_read=True)
        elif isinstance(item, FirstRead):
            say_line(f"{self._clock(item.at_ns)}  {item.link}  {first_words(item.changes)}", must_be_read=True)
        elif self._drift.is_told(item, item.at.hi):
            say_line(f"{self._clock(item.at.hi)}  {item.link}  {self._words(item)}", must_be_read=True)
        elif not self._is_explained:
            self._is_explained = True
            say_line(
                f"{self._clock(item.at.hi)}  (numbers that keep changing are counted from here on; --json shows each)",
                must_be_read=True,
            )

    def beat(self) -> None:
        """Tell what was counted for long enough; called every second."""
        self._tell(all_of_them=False)

    def end(self) -> None:
        """Tell what was counted and not told yet."""
        with contextlib.suppress(BrokenPipeError):
            self._tell(all_of_them=True)

    def _tell(self, *, all_of_them: bool) -> None:
        if self._is_alone:
            return
        now_ns = time.monotonic_ns()
        numbers = self._drift.due(now_ns, all_of_them=all_of_them)
        lines = [f"{it.link}  {', '.join(it.places)}: {it.words}" for it in numbers]
        lines += [f"{it.link}  {it.words}" for it in self._drift.late_due(now_ns, all_of_them=all_of_them)]
        try:
            for line in lines:
                say_line(f"{self._clock(now_ns)}  {line}", must_be_read=True)
        except BrokenPipeError:
            self._is_alone = True
            raise

    def _words(self, change: Change) -> str:
        if not change.was:
            return change.now
        label = self._labels.get(change.place, "")
        width_ms = (change.at.hi - change.at.lo) / 1e6
        name = f"{change.place} {label}".strip()
        turned = f" ({change.turned} by it)" if change.turned and change.now != change.turned else ""
        return f"{name:<8} {change.was} -> {change.now}{turned}, within {width_ms:.1f} ms before"

    def _clock(self, at_ns: int) -> str:
        at = datetime.fromtimestamp((self._utc_ns + at_ns) / NS_PER_S, UTC).astimezone()
        return at.strftime("%H:%M:%S.%f")[:-3]


def first_words(changes: Sequence[Change]) -> str:
    """The first values of a request in one line: what is on by name, numbers with their value."""
    told = [it.place if it.now == "on" else f"{it.place}={it.now}" for it in changes if it.now != "off"]
    shown = ", ".join(told[:FIRST_MAX]) + (f" and {len(told) - FIRST_MAX} more" if len(told) > FIRST_MAX else "")
    off = len(changes) - len(told)
    return "at first " + "; ".join([*([f"{off} off"] if off else []), *([shown] if told else [])])


def _json_of(item: Change | Notice | FirstRead) -> list[dict[str, object]]:
    from harness.run.watching import FirstRead, Notice

    if isinstance(item, Notice):
        return [{"link": item.link, "notice": item.text, "at_ns": item.at_ns}]
    changes = item.changes if isinstance(item, FirstRead) else (item,)
    return [
        {
            "link": it.link,
            "place": it.place,
            "was": it.was,
            "now": it.now,
            "lo": None if it.at.lo <= -FOREVER else it.at.lo,
            "hi": it.at.hi,
        }
        for it in changes
    ]
