"""The figures of a link in words, the same in the terminal and on the page."""

from __future__ import annotations

from harness.report import human
from harness.report.document import LinkFigures


def figure_words(figures: LinkFigures) -> list[str]:
    """``3,281 polls``, ``8 failed``, ``2 late``, ``512 lines``, ``1 dropped``, ``widest gap 110 ms``, and so on."""
    words = []
    if figures.polls is not None:
        words.append(human.count(figures.polls, "answered poll"))
        words += [f"{figures.polls_failed:,} failed"] if figures.polls_failed else []
        words += [human.count(figures.overruns, "overrun")] if figures.overruns else []
    if figures.lines is not None:
        words.append(human.count(figures.lines, figures.told_word))
    if figures.dropped:
        words.append(f"{figures.dropped:,} dropped")
    if figures.widest_gap_ns is not None and figures.polls is not None:
        words.append(f"widest gap {human.measured(figures.widest_gap_ns)}")
    share = wire_share(figures)
    if share:
        words.append(f"wire busy {share} of the time")
    return [*words, *figures.conditions]


def wire_share(figures: LinkFigures) -> str:
    """How much of the watched time the line was busy with answered polls; '' where that is not known."""
    if figures.wire_ns is None:
        return ""
    return f"at least {human.share(figures.wire_ns, figures.watched.width)}"
