"""How a running test looks where nothing can be drawn anew: plain lines. The live screen is in ``live_view``."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Final, Self

import click

from harness.cli.common import note_line
from harness.core.instants import NS_PER_S
from harness.core.model import Result
from harness.core.verdicts import VerdictClass
from harness.correlate.wording import span_text
from harness.report.gathered import pass_words
from harness.run.order import Item
from harness.run.tools import WAITING_FOR_LINKS, Progress

if TYPE_CHECKING:
    from harness.run.live import LiveSource

BELL: Final = "\a"
SYMBOL: Final = {VerdictClass.PASS: "\u2713", VerdictClass.FAIL: "\u2717", VerdictClass.UNKNOWN: "?"}


def result_words(result: Result) -> str:
    """``on-time 0.14 to 0.25 s``, ``late 1.2 to 1.3 s``, ``missed``."""
    text = result.verdict.value
    return f"{text} {span_text(result.latency)}" if result.latency is not None else text


class PlainView:
    """A line for every event, to standard error: for logs, pipes and narrow places."""

    def __init__(self, asked: Callable[[], list[str]] | None = None) -> None:
        """``asked``: what the persons who watch are asked, and the keys by which they report."""
        self._asked = asked
        self._told: list[str] = []
        self._source: LiveSource | None = None
        self._up: dict[str, bool] = {}
        self._awaited: dict[str, str] = {}

    def follow(self, source: LiveSource) -> None:
        """Tell of the links of ``source`` that go down and come back."""
        self._source = source

    def _tell_links(self) -> None:
        """A line for each link that is not as it was told last."""
        if self._source is None:
            return
        for link, is_up in self._source.up.items():
            if self._up.setdefault(link, is_up) is not is_up:
                self._up[link] = is_up
                state = "up again" if is_up else f"down: {self._source.why_down.get(link, '')}"
                note_line(f"! link {link} is {state}", first=4, hang=8)

    def _tell_awaited(self) -> None:
        """A line for each new reason why a link did not come up yet."""
        if self._source is None:
            return
        for link, why in self._source.why_down.items():
            if not self._source.up[link] and self._awaited.get(link) != why:
                self._awaited[link] = why
                note_line(f"! link {link} is awaited: {why}", first=4, hang=8)

    def asked_changed(self) -> None:
        """Show what is asked where it is not what was shown last."""
        lines = [] if self._asked is None else self._asked()
        for line in lines:
            if line not in self._told:
                note_line(line, first=2, hang=4)
        self._told = lines

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        """Nothing to put back."""

    def baseline(self, standing: Sequence[str], down: Sequence[str]) -> None:
        """Points that are on already, links that are not up."""
        self._tell_links()
        for link in down:
            why = "" if self._source is None else self._source.why_down.get(link, "")
            note_line(f"link {link} is not up: its outputs will not be observed{why and f': {why}'}")
        for point in standing:
            note_line(f"{point} is on before anything was raised: its results will be unknown")

    def raising(self, item: Item, progress: Progress) -> None:
        """One line an alarm."""
        self._tell_links()
        left = f", about {progress.left_ns // NS_PER_S} s left" if progress.left_ns else ""
        note_line(f"[{progress.number + 1}/{progress.total}] raising {item.alarm.name}{left}")

    def phase(self, text: str) -> None:
        """Not shown: a log has no use for it; a good time to tell of links."""
        if self._up:
            self._tell_links()
        elif text == WAITING_FOR_LINKS:
            self._tell_awaited()

    def judged(self, item: Item, results: Sequence[Result]) -> None:
        """A line for each that is no pass, and one for all that passed."""
        for result in results:
            if result.verdict.verdict_class is not VerdictClass.PASS:
                reason = f": {result.reason}" if result.reason else ""
                told = f"{SYMBOL[result.verdict.verdict_class]} {result.point} {result_words(result)}{reason}"
                note_line(told, first=4, hang=8)
        passed = pass_words(results)
        if passed:
            note_line(f"{SYMBOL[VerdictClass.PASS]} {item.alarm.name}: {passed}", first=4, hang=8)

    def tried(self, text: str) -> None:
        """A line for each."""
        note_line(text, first=4, hang=8)

    def trouble(self, text: str) -> None:
        """At once."""
        note_line(f"! {text}", first=4, hang=8)

    def urgent(self, text: str) -> None:
        """At once, with the bell where a person sits before it."""
        if sys.stderr.isatty():
            click.echo(BELL, nl=False, err=True)
        note_line(f"!!! {text}")
