"""What still shows an alarm after its clear was proven, and all that it may take to go is over: then it may be real.

While an alarm is simulated the real one may come on, and nothing tells the two apart before the simulated one is
cleared. The reference point is the controller's own word: by it nothing more is raised. Without one, outputs of an
alarm that stay on at several links which do not read one another say the same, less surely: an output may be stuck, or
latch where the point map does not say so. So that is told and the run goes on.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import dataclass
from typing import Final

from harness.core.model import Behaviour, Expectation, Site, Step
from harness.core.wording import TAKE_FOR_REAL
from harness.record.header import Json
from harness.record.writer import RecordWriter
from harness.results.steps import STEP_EVENT, STILL_SHOWN_EVENT, UNEXPLAINED_EVENT
from harness.run.live import LiveSource

LINKS_MIN: Final = 2
"""On so many links that do not read one another it is no output that is stuck, but what they all show."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StillShown:
    """Points that still show an alarm. ``by_reference``: its reference point does. ``gone``: outputs that do not."""

    points: tuple[str, ...]
    by_reference: bool
    gone: tuple[str, ...] = ()

    @property
    def is_sure(self) -> bool:
        """Whether nothing more is to be raised beside it: by the reference point, and no output speaks against it."""
        return self.by_reference and not self.gone


def still_shown(
    site: Site, live: LiveSource, alarm: str, raised_ns: int, cleared_ns: int, excused: Callable[[str], bool]
) -> StillShown | None:
    """What shows an alarm by the newest polls; None where nothing says that the controller does.

    ``raised_ns``: an output that was on since and is off now says that the alarm has gone. ``cleared_ns``: what was not
    read since says nothing. ``excused``: whether there is another reason for a point to be on. What is told once proves
    nothing of now, and is not asked.
    """
    polled = {
        point
        for point in live.polled_points() & live.states.keys()
        if live.up[site.points[point].link] and live.states[point].asked_ns >= cleared_ns
    }
    own = [row.point for row in site.expectations_of(alarm) if row.point in polled and _follows(site.expectations, row)]
    on = tuple(point for point in own if not live.is_off(point) and not excused(point))
    gone = tuple(point for point in own if live.is_off(point) and live.was_on_since(point, raised_ns))
    reference = site.alarms[alarm].reference
    if reference is not None and reference in polled:
        is_on = live.states[reference].on and not excused(reference)
        return StillShown(points=(reference,), by_reference=True, gone=gone) if is_on else None
    links = {site.points[point].link for point in on}
    independent = [link for link in links if links.isdisjoint(site.before(link))]
    return None if gone or len(independent) < LINKS_MIN else StillShown(points=on, by_reference=False)


def _follows(rows: Iterable[Expectation], mine: Expectation) -> bool:
    """True of a row that goes with its alarm and with nothing else, at a point at which no other alarm shows."""
    shown = (it for it in rows if it.point == mine.point and it.behaviour is not Behaviour.QUIET)
    follows = mine.behaviour is Behaviour.FOLLOWS and mine.released_by is not Step.SILENCE
    return follows and all(it.alarm == mine.alarm for it in shown)


def still_shown_words(site: Site, alarm: str, tested: str, found: StillShown) -> str:
    """The sentence for a person. ``tested``: what was raised and cleared, the alarm itself or one that brings it."""
    ended = "had to clear by itself" if site.alarms[tested].lasts_ns is not None else "was cleared"
    which = f"{tested} {ended}" if alarm == tested else f"{alarm} came along with {tested}, which {ended}"
    where = ", ".join(found.points)
    though = f", though {' and '.join(found.gone)} went off" if found.gone else ""
    by = f"the controller still shows it ({where}{though})"
    if not found.by_reference:
        by = f"it still shows at {where}, on links that do not read one another, so the controller may still have it"
    return f"{which}, and {by}: {TAKE_FOR_REAL}"


def enter_still_shown(journal: RecordWriter, at_ns: int, alarm: str, found: StillShown) -> None:
    """Enter it, for the report and the log book."""
    points: list[Json] = [*found.points]
    journal.event(STILL_SHOWN_EVENT, at_ns, {"alarm": alarm, "points": points})


def left_shown(
    site: Site, live: LiveSource, found: Collection[str], open_alarms: Collection[str]
) -> Iterator[tuple[str, StillShown, str]]:
    """After a run, what it raised and the controller shows all the same: alarm, point, and the sentence for a person.

    ``found``: points that were on before; ``open_alarms``: what could not be cleared. Not what was told already.
    """
    told = {
        str(point)
        for event in live.events
        if event.kind == STILL_SHOWN_EVENT or (event.kind == UNEXPLAINED_EVENT and not event.data["gone"])
        for point in event.data["points"]  # type: ignore[union-attr]  # written by our own run
    }
    raised = dict.fromkeys(str(it.data["alarm"]) for it in live.events if it.kind == STEP_EVENT)
    held = {name for one in open_alarms for name in (one, *site.brought_along(one))}
    for tested in raised:
        for alarm in (tested, *site.brought_along(tested)):
            shown = None if alarm in held else still_shown(site, live, alarm, 0, 0, {*found, *told}.__contains__)
            if shown is not None and shown.by_reference:
                told |= {*shown.points}
                yield alarm, shown, still_shown_words(site, alarm, tested, shown)
