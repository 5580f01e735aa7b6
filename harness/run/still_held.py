"""Points that an alarm which is still raised holds on while the next one is raised: nobody waits for them to go off."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

from harness.core.model import Behaviour, Expectation, Step
from harness.run.live import LiveSource
from harness.run.order import Item
from harness.run.stages import Course

SHARED_TOLD_MAX: Final = 4
"""Points that two raised alarms share, in a message: a few say where to look."""


def held_for(item: Item, courses: Iterable[Course], live: LiveSource) -> dict[str, str]:
    """Points of the rows of an alarm that do not go off before it is raised, each with the alarm that holds it on."""
    mine = {row.point for row in item.rows if not live.is_off(row.point)}
    return {row.point: at.alarm.name for at in courses for row in at.loud if row.point in mine and holds(at, row)}


def held_told(item: Item, held: Mapping[str, str]) -> str:
    """What that means, in words for a person."""
    points = list(held)
    more = f" and {len(points) - SHARED_TOLD_MAX} more" if len(points) > SHARED_TOLD_MAX else ""
    return (
        f"{item.alarm.name}: raised while {', '.join(dict.fromkeys(held.values()))} is still raised and holds "
        f"{', '.join(points[:SHARED_TOLD_MAX])}{more} on: which of them is shown there cannot be told, so that it "
        "is masked; clear the first before, or have each judged by points of its own"
    )


def holds(at: Course, row: Expectation) -> bool:
    """Whether a raised alarm keeps a row on for as long as no further step is done; see ``core.release``."""
    if at.alarm.lasts_ns is not None or row.behaviour in (Behaviour.PULSE, Behaviour.QUIET):
        return False  # it ends by itself
    by = {Step.SILENCE, Step.ACKNOWLEDGE} if row.released_by is Step.SILENCE else {row.released_by}
    is_freed, is_cleared = not by.isdisjoint(at.done), Step.CLEAR in at.done
    match row.behaviour:
        case Behaviour.FOLLOWS:
            return not is_cleared and not (is_freed and row.released_by is Step.SILENCE)
        case Behaviour.UNTIL_ACKNOWLEDGED:
            return not is_freed
        case _:
            return not (is_freed and is_cleared)
