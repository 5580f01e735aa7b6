"""How a running test looks in a terminal: what is raised, what is waited for, links, fails so far, then the matrix.

What matters most stands highest, and nothing is drawn below the last line of the terminal: there it would be lost.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from textwrap import wrap
from typing import TYPE_CHECKING, Final, Self

from harness.cli.keys import NOW
from harness.cli.output_lines import Outputs
from harness.cli.views import SYMBOL, result_words
from harness.core.instants import NS_PER_S, Clock
from harness.core.model import Result, Site
from harness.core.verdicts import VerdictClass
from harness.report.safe import safe_text
from harness.run.order import Item
from harness.run.tools import Progress

if TYPE_CHECKING:
    from rich.console import Console, ConsoleOptions, RenderResult
    from rich.live import Live
    from rich.text import Text

    from harness.run.live import LiveSource

CLASSES: Final = (VerdictClass.FAIL, VerdictClass.UNKNOWN, VerdictClass.PASS)
_STYLE: Final = {VerdictClass.PASS: "", VerdictClass.FAIL: "bold red", VerdictClass.UNKNOWN: "bold"}
_RANK: Final = {one: rank for rank, one in enumerate(CLASSES)}

NOTES_MAX: Final = 3
"""Newest notes that stay on the screen; the record and the report have them all."""

NOTE_LINES_MAX: Final = 2

URGENT_MAX: Final = 4
"""Lines of what is urgent: what is asked of a person stands below it, and must never leave the screen."""

STANDING_MAX: Final = 4
"""Points that are named as on before anything was raised."""

OUTPUTS_SHARE: Final = 2
"""At most one in so many of the lines that are left goes to what the outputs do."""

FAILS_SHARE: Final = 2
"""At most one in so many of the lines that are left goes to what did not pass."""


class LiveView:
    """The screen of a running test. Use it in a ``with``."""

    def __init__(
        self,
        site: Site,
        total: int,
        asked: Callable[[], list[str]] | None = None,
        console: Console | None = None,
        *,
        guided: bool = False,
        clock: Clock = time.monotonic_ns,
    ) -> None:
        """``asked``: what the persons who watch are asked, and the keys by which they report.

        ``guided``: a person raises; what every output does is shown, and a bell rings with the results.
        """
        self._guided = guided
        self._clock = clock
        self._outputs: Outputs | None = None
        from rich.console import Console
        from rich.live import Live

        self._site = site
        self._total = total
        self._asked = asked
        self._rows: list[tuple[str, list[Result]]] = []
        self._odd: list[Result] = []
        self._counts: Counter[VerdictClass] = Counter()
        self._item: Item | None = None
        self._phase = "opening the links"
        self._progress = Progress(number=0, total=total, left_ns=0)
        self._notes: list[str] = []
        self._urgent = ""
        self._source: LiveSource | None = None
        self._live: Live = Live(
            self,
            console=console or Console(stderr=True, highlight=False),
            refresh_per_second=8,
            vertical_overflow="crop",
        )

    def follow(self, source: LiveSource) -> None:
        """Show the links of ``source``, and of which outputs it has not yet seen what is waited for."""
        self._source = source
        if self._guided:
            self._outputs = Outputs(source, self._clock)

    def asked_changed(self) -> None:
        """Show at once what is asked of a person."""
        self._live.refresh()

    def __enter__(self) -> Self:
        self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._live.stop()

    # --- what happens -----------------------------------------------------------------------------------

    def baseline(self, standing: Sequence[str], down: Sequence[str]) -> None:
        """Kept as a note; links show by themselves."""
        if down:
            self._notes.append(f"not up, so not observed: {', '.join(down)}")
        if standing:
            some = ", ".join(standing[:STANDING_MAX])
            more = f" and {len(standing) - STANDING_MAX} more" if len(standing) > STANDING_MAX else ""
            self._notes.append(f"on before anything was raised, so unknown: {some}{more}")

    def raising(self, item: Item, progress: Progress) -> None:
        """The line at the top."""
        self._item, self._progress = item, progress
        self._total = max(progress.total, progress.number + 1)  # a plan that is repeated has more than its items
        self._urgent = ""  # it is over, or nothing more would be raised
        if self._outputs is not None:
            self._outputs.begin(item)

    def phase(self, text: str) -> None:
        """The second line."""
        self._phase = text

    def judged(self, item: Item, results: Sequence[Result]) -> None:
        """A new row of the matrix, or more results of one that is there."""
        known = next((found for name, found in self._rows if name == item.alarm.name), None)
        if known is None:
            known = []
            self._rows.append((item.alarm.name, known))
        known += results
        self._counts.update(it.verdict.verdict_class for it in results)
        self._odd += [it for it in results if it.verdict.verdict_class is not VerdictClass.PASS]
        if self._guided and results:
            self._live.console.bell()

    def tried(self, text: str) -> None:
        """Kept as a note."""
        self._notes.append(text)

    def trouble(self, text: str) -> None:
        """Kept as a note."""
        self._notes.append(text)

    def urgent(self, text: str) -> None:
        """In red above everything until the next one, and a bell."""
        self._urgent = text
        self._live.console.bell()
        self._live.refresh()

    # --- how it looks -----------------------------------------------------------------------------------

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """What fits into the terminal, most important first."""
        from rich.text import Text

        height = max(8, console.size.height - 1)
        asked = [Text(safe_text(text)) for text in (self._asked() if self._asked is not None else [])]
        told = [] if self._guided else [self._waiting()]
        told += self._link_lines(options.max_width)
        told += self._told_notes(options.max_width)
        head = [self._head(), self._bar()]
        if self._urgent:
            lines = wrap(
                safe_text(self._urgent), max(40, options.max_width - 2), max_lines=URGENT_MAX, placeholder=" ..."
            )
            head += [Text(f"! {line}", "bold red") for line in lines]
        if self._guided:
            for text in asked:
                text.stylize("bold" if text.plain.startswith(NOW) else "")
            head += [self._waiting(), *asked, Text(""), *told]
        else:
            head += [*told, *asked]
        if self._outputs is not None:
            room = max(3, (height - len(head)) // OUTPUTS_SHARE)
            head += [Text(""), *(Text(line) for line in self._outputs.lines(room))]
        left = height - len(head)
        odd = list(self._odd_lines(max(0, left // FAILS_SHARE)))
        matrix = list(self._matrix(options.max_width, left - len(odd)))
        for line in [*head, *odd, *matrix][:height]:
            line.no_wrap, line.overflow = True, "ellipsis"
            yield line

    def _head(self) -> Text:
        from rich.text import Text

        name = "" if self._item is None else safe_text(self._item.alarm.name)
        left = f"   about {self._progress.left_ns // NS_PER_S} s left" if self._progress.left_ns else ""
        return Text.assemble((f"{self._progress.number + 1}/{self._total} {name}", "bold"), left)

    def _bar(self) -> Text:
        from rich.text import Text

        done, width = min(self._total, max(len(self._rows), self._progress.number)), 20
        filled = width * done // max(1, self._total)
        text = Text(f"[{'#' * filled}{'.' * (width - filled)}]")
        for one in CLASSES:
            text.append(f"  {SYMBOL[one]} {self._counts[one]:,} {one.value}", _STYLE[one] if self._counts[one] else "")
        return text

    def _waiting(self) -> Text:
        from rich.text import Text

        awaited = self._awaited()
        names = ", ".join(safe_text(name) for name in awaited)
        return Text(f"{self._phase} ({len(awaited)}): {names}" if awaited else self._phase)

    def _awaited(self) -> list[str]:
        """The points of the alarm that do not yet show what the phase waits for."""
        source, item = self._source, self._item
        if source is None or item is None:
            return []
        states = [(row.point, source.states.get(row.point)) for row in item.loud]
        if self._phase.startswith("raised; waiting"):
            return [point for point, state in states if state is None or not state.on]
        if "normal" in self._phase:
            return [point for point, state in states if state is not None and state.on]
        return []

    def _link_lines(self, width: int) -> Iterator[Text]:
        """How many links are up, and each that is down with its reason, folded: what to look at stands at its end."""
        from rich.text import Text

        source = self._source
        if source is None:
            return
        heard = [name for name in self._site.links if source.link_changes.get(name) or source.up[name]]
        down = [name for name in heard if not source.up[name]]
        yield Text(f"links: {len(heard) - len(down)} of {len(heard)} up{'; down:' if down else ''}")
        for name in down[:NOTES_MAX]:
            text = f"  DOWN {safe_text(name)}: {safe_text(source.why_down.get(name, ''))}"
            for line in wrap(text, width, subsequent_indent="    ", max_lines=NOTE_LINES_MAX, placeholder=" ..."):
                yield Text(line, "bold")
        if len(down) > NOTES_MAX:
            yield Text(f"  and {len(down) - NOTES_MAX} more", "bold")

    def _told_notes(self, width: int) -> list[Text]:
        """The newest notes, the newest last; folded, since what matters may stand at the end of one."""
        from rich.text import Text

        shown = self._notes[-NOTES_MAX:]
        hidden = len(self._notes) - len(shown)
        more = f" (and {hidden} notes before)" if hidden else ""
        folded: list[str] = []
        for number, note in enumerate(shown, 1):
            text = f"! {safe_text(note)}{more if number == len(shown) else ''}"
            folded += wrap(text, width, subsequent_indent="  ", max_lines=NOTE_LINES_MAX, placeholder=" ...")
        return [Text(line, "bold") for line in folded]

    def _odd_lines(self, room: int) -> Iterator[Text]:
        """What did not pass, fails first, the newest of each first."""
        from rich.text import Text

        if not self._odd or room < 2:
            return
        newest = self._odd[::-1]
        ordered = sorted(newest, key=lambda it: _RANK[it.verdict.verdict_class])
        shown = ordered[: room - 1] if len(ordered) > room - 1 else ordered
        yield Text("")
        for number, it in enumerate(shown):
            more = len(ordered) - len(shown)
            last = f"   (and {more} more)" if more and number == len(shown) - 1 else ""
            one = it.verdict.verdict_class
            words = f"{SYMBOL[one]} {result_words(it)}: {safe_text(it.alarm)} at {safe_text(it.point)}"
            yield Text(words, _STYLE[one]).append(last, "")

    def _matrix(self, width: int, room: int) -> Iterator[Text]:
        """The newest alarms by links, a line each; by their totals alone where the links do not fit."""
        from rich.cells import cell_len, set_cell_size
        from rich.text import Text

        if not self._rows or room < 3:
            return
        shown = self._rows[-(room - 2) :]
        links: list[str | None] = [
            link for link in self._site.links if any(self._of(found, link) for _, found in self._rows)
        ]
        first = min(28, max(cell_len(safe_text(name)) for name, _ in self._rows))
        widths = [max(cell_len(safe_text(link or "")), self._widest(link)) for link in links]
        if first + sum(widths) + 2 * len(widths) > width:
            links, widths = [None], [max(5, self._widest(None))]
        yield Text("")
        hidden = len(self._rows) - len(shown)
        title = f"alarm ({hidden} above)" if hidden else "alarm"
        heads = [link or "rows" for link in links]
        cells = [
            set_cell_size(safe_text(text), size) for text, size in zip([title, *heads], [first, *widths], strict=True)
        ]
        yield Text("  ".join(cells), "bold")
        for name, found in shown:
            line = Text(set_cell_size(safe_text(name), first))
            for link, size in zip(links, widths, strict=True):
                cell = _tally(self._of(found, link))
                line.append("  ").append_text(cell).append(" " * (size - cell.cell_len))
            yield line

    def _of(self, results: Sequence[Result], link: str | None) -> list[Result]:
        return [it for it in results if link is None or self._site.points[it.point].link == link]

    def _widest(self, link: str | None) -> int:
        return max(_tally(self._of(found, link)).cell_len for _, found in self._rows)


def _tally(results: Sequence[Result]) -> Text:
    """``✗1 ?2 ✓13``; the line above the matrix says what the shapes mean."""
    from rich.text import Text

    counts = Counter(it.verdict.verdict_class for it in results)
    text = Text()
    for one in CLASSES:
        if counts[one]:
            text.append(" " if text else "").append(f"{SYMBOL[one]}{counts[one]}", _STYLE[one])
    return text
