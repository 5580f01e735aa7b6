"""How a running test looks: a live screen in a terminal, plain lines elsewhere."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Final, Self

from harness.cli.common import note
from harness.core.instants import NS_PER_S
from harness.core.model import Result, Site
from harness.core.verdicts import VerdictClass
from harness.correlate.wording import span_text, time_text
from harness.report.gathered import pass_words
from harness.report.safe import safe_text
from harness.run.conduct import Progress
from harness.run.order import Item

if TYPE_CHECKING:
    from rich.console import Group
    from rich.live import Live
    from rich.text import Text

SYMBOL: Final = {VerdictClass.PASS: "\u2713", VerdictClass.FAIL: "\u2717", VerdictClass.UNKNOWN: "?"}
_STYLE: Final = {VerdictClass.PASS: "", VerdictClass.FAIL: "bold red", VerdictClass.UNKNOWN: "bold"}


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

    def asked_changed(self) -> None:
        """Show what is asked where it is not what was shown last."""
        lines = [] if self._asked is None else self._asked()
        for line in lines:
            if line not in self._told:
                note(f"  {line}")
        self._told = lines

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        """Nothing to put back."""

    def baseline(self, standing: Sequence[str], down: Sequence[str]) -> None:
        """Points that are on already, links that are not up."""
        for link in down:
            note(f"link {link} is not up: its outputs will not be observed")
        for point in standing:
            note(f"{point} is on before anything was raised: its results will be unknown")

    def raising(self, item: Item, progress: Progress) -> None:
        """One line an alarm."""
        left = f", about {progress.left_ns // NS_PER_S} s left" if progress.left_ns else ""
        note(f"[{progress.number + 1}/{progress.total}] raising {item.alarm.name}{left}")

    def phase(self, text: str) -> None:
        """Not shown: a log has no use for it."""

    def judged(self, item: Item, results: Sequence[Result]) -> None:
        """A line for each that is no pass, and one for all that passed."""
        for result in results:
            if result.verdict.verdict_class is not VerdictClass.PASS:
                reason = f": {result.reason}" if result.reason else ""
                note(f"    {SYMBOL[result.verdict.verdict_class]} {result.point} {result_words(result)}{reason}")
        passed = pass_words(results)
        if passed:
            note(f"    {SYMBOL[VerdictClass.PASS]} {item.alarm.name}: {passed}")

    def trouble(self, text: str) -> None:
        """At once."""
        note(f"    ! {text}")


class LiveView:
    """The matrix filling up, what is raised now, progress and time left. Use it in a ``with``."""

    def __init__(self, site: Site, total: int, asked: Callable[[], list[str]] | None = None) -> None:
        """``asked``: what the persons who watch are asked, and the keys by which they report."""
        from rich.console import Console
        from rich.live import Live

        self._site = site
        self._total = total
        self._asked = asked
        self._console = Console(stderr=True, highlight=False)
        self._rows: list[tuple[str, dict[str, list[Result]]]] = []
        self._counts = dict.fromkeys(VerdictClass, 0)
        self._now = ""
        self._phase = "opening the links"
        self._progress = Progress(number=0, total=total, left_ns=0)
        self._notes: list[str] = []
        self._live: Live = Live(console=self._console, get_renderable=self._screen, refresh_per_second=8)

    def asked_changed(self) -> None:
        """Show at once what is asked of a person."""
        self._live.refresh()

    def __enter__(self) -> Self:
        self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._live.stop()

    def baseline(self, standing: Sequence[str], down: Sequence[str]) -> None:
        """Kept on the screen for the whole run."""
        self._notes += [f"link {link} is not up: its outputs will not be observed" for link in down]
        self._notes += [f"{point} is on before anything was raised: its results will be unknown" for point in standing]

    def raising(self, item: Item, progress: Progress) -> None:
        """The line at the top."""
        self._now, self._progress = item.alarm.name, progress

    def phase(self, text: str) -> None:
        """Behind the alarm's name."""
        self._phase = text

    def judged(self, item: Item, results: Sequence[Result]) -> None:
        """A new row of the matrix, or more results of one that is there."""
        cells = next((cells for name, cells in self._rows if name == item.alarm.name), None)
        if cells is None:
            cells = {}
            self._rows.append((item.alarm.name, cells))
        for result in results:
            cells.setdefault(self._site.points[result.point].link, []).append(result)
            self._counts[result.verdict.verdict_class] += 1

    def trouble(self, text: str) -> None:
        """Kept on the screen for the whole run."""
        self._notes.append(text)

    def _screen(self) -> Group:
        from rich.console import Group
        from rich.table import Table
        from rich.text import Text

        links = [name for name in self._site.links if any(name in cells for _, cells in self._rows)]
        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
        table.add_column("alarm", no_wrap=True)
        for link in links:
            table.add_column(link, no_wrap=True, overflow="ellipsis", ratio=1)
        asked = [] if self._asked is None else self._asked()
        room = max(4, self._console.size.height - 8 - len(self._notes) - len(asked))
        hidden = max(0, len(self._rows) - room)
        for name, cells in self._rows[hidden:]:
            table.add_row(safe_text(name), *(self._cell(cells.get(link, [])) for link in links))
        head = Text(overflow="ellipsis", no_wrap=True)
        head.append(f"{self._progress.number + 1}/{self._total} ", "bold")
        head.append(safe_text(self._now), "bold")
        head.append(f"  {self._phase}")
        parts: list[Text | Table] = [head, self._bar()]
        parts += [Text(safe_text(text), "bold") for text in self._notes]
        parts += [Text(safe_text(text), no_wrap=True, overflow="ellipsis") for text in asked]
        if hidden:
            parts.append(Text(f"({hidden} alarms above)"))
        return Group(*parts, Text(""), table)

    def _bar(self) -> Text:
        from rich.text import Text

        done, width = len(self._rows), 24
        filled = width * done // max(1, self._total)
        counts = "  ".join(f"{SYMBOL[one]} {self._counts[one]} {one.value}" for one in VerdictClass)
        left = f"about {self._progress.left_ns // NS_PER_S} s left" if self._progress.left_ns else ""
        return Text(f"[{'#' * filled}{'.' * (width - filled)}]  {counts}  {left}", no_wrap=True)

    def _cell(self, results: Sequence[Result]) -> Text:
        """Fails and unknowns by name, at most two; passes counted, with the latest of them."""
        from rich.text import Text

        odd = sorted((it for it in results if it.verdict.verdict_class is not VerdictClass.PASS), key=_rank)
        parts = [(f"{SYMBOL[it.verdict.verdict_class]} {result_words(it)}", it.verdict.verdict_class) for it in odd[:2]]
        if len(odd) > len(parts):
            parts.append((f"{len(odd) - len(parts)} more", odd[-1].verdict.verdict_class))
        passed = [it for it in results if it.verdict.verdict_class is VerdictClass.PASS]
        if passed:
            latest = max((it.latency.hi for it in passed if it.latency is not None), default=None)
            within = "quiet" if latest is None else f"within {time_text(latest)}"
            parts.append((f"{SYMBOL[VerdictClass.PASS]} {len(passed)} {within}", VerdictClass.PASS))
        text = Text()
        for number, (words, one) in enumerate(parts):
            text.append(", " if number else "")
            text.append(words, _STYLE[one])
        return text


def _rank(result: Result) -> int:
    return 0 if result.verdict.verdict_class is VerdictClass.FAIL else 1
