"""Answers that say how events stand: GetAlarmSummary and GetEventInformation (ASHRAE 135, 13.10 and 13.12)."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, Final

from bacpypes3.apdu import GetAlarmSummaryACK, GetEventInformationACK
from bacpypes3.basetypes import GetAlarmSummaryAlarmSummary, GetEventInformationEventSummary

from sims.building_alarming import Alarming
from sims.building_apdu import time_stamp
from sims.building_events import EventState
from sims.building_views import Standing

SUMMARIES_MAX: Final = 16  # in one answer: about 70 octets each, and an answer has at most 1,476


def alarm_summary(standings: Iterable[Standing], **context: Any) -> GetAlarmSummaryACK:
    """The objects that are not normal."""
    summaries = [
        GetAlarmSummaryAlarmSummary(
            objectIdentifier=standing.object_id,
            alarmState=int(standing.event_state),
            acknowledgedTransitions=[int(flag) for flag in alarming.acked],
        )
        for standing, alarming in _reporting(standings)
        if standing.event_state is not EventState.NORMAL
    ]
    return GetAlarmSummaryACK(listOfAlarmSummaries=summaries, **context)


def standing_out(standings: Iterable[Standing]) -> list[Standing]:
    """The objects that are not normal, or have a transition that nobody acknowledged."""
    return [s for s, alarming in _reporting(standings) if s.event_state is not EventState.NORMAL or alarming.waiting]


def event_information(found: Sequence[Standing], **context: Any) -> GetEventInformationACK:
    """As many of the objects found as go into one answer, and whether there are more."""
    summaries = [
        GetEventInformationEventSummary(
            objectIdentifier=standing.object_id,
            eventState=int(standing.event_state),
            acknowledgedTransitions=[int(flag) for flag in alarming.acked],
            eventTimeStamps=[time_stamp(stamp) for stamp in alarming.stamps],
            notifyType="alarm",
            eventEnable=[int(flag) for flag in alarming.event_enable],
            eventPriorities=list(alarming.notification_class.priorities),
        )
        for standing, alarming in _reporting(found[:SUMMARIES_MAX])
    ]
    more = len(found) > SUMMARIES_MAX
    return GetEventInformationACK(listOfEventSummaries=summaries, moreEvents=more, **context)


def _reporting(standings: Iterable[Standing]) -> list[tuple[Standing, Alarming]]:
    return [(standing, standing.alarming) for standing in standings if standing.alarming is not None]
