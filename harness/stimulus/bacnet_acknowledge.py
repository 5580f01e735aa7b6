"""AcknowledgeAlarm (ASHRAE 135, 13.5): one of two BACnet requests that farend sends which change a device.

It stands apart from the listening code on purpose, and uses a socket of its own: what listens cannot even build it.
What is acknowledged is what the device last notified, by the state and the time stamp that it gave it.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any, Final

from bacpypes3.apdu import AcknowledgeAlarmRequest
from bacpypes3.basetypes import DateTime, TimeStamp
from bacpypes3.primitivedata import Date, Time

from harness.core.errors import LinkError
from harness.core.instants import Bounds, Clock
from harness.core.links import BacnetLink
from harness.core.model import Acknowledgement
from harness.links.bacnet_apdu import number_of
from harness.links.bacnet_app import NoAnswerError, RefusedError, resolved
from harness.links.bacnet_messages import NOTIFY_ACK, EventNotice, ObjectId, Stamp, object_words
from harness.links.bacnet_values import NORMAL
from harness.stimulus.bacnet_own import OwnApps
from harness.stimulus.performed import Performed

SOURCE: Final = "farend"
"""Acknowledgment_Source: who acknowledged, as the device and its other users will show it."""


def to_acknowledge(it: Acknowledgement, notices: Iterable[EventNotice]) -> tuple[EventNotice, ...]:
    """What of an object's notifications asks for an acknowledgement and has none yet: the newest of each transition.

    To off-normal and to fault before to normal. The device's own notices of acknowledgement take theirs away.
    """
    mine = (it.object_type, it.instance)
    newest: dict[bool, EventNotice] = {}
    for notice in notices:
        if notice.object != mine:
            continue
        to_normal = notice.to_state == NORMAL
        if notice.notify_type == NOTIFY_ACK:
            newest.pop(to_normal, None)
        elif notice.ack_required:
            newest[to_normal] = notice
    return tuple(newest[key] for key in sorted(newest))


class BacnetAcknowledger:
    """Acknowledges over applications of its own, one for each link, on any free port."""

    def __init__(self, clock: Clock, apps: OwnApps | None = None) -> None:
        """``apps``: the applications to use; they are closed with this."""
        self._clock = clock
        self._apps = OwnApps(clock) if apps is None else apps
        self._done: set[tuple[str, ObjectId | None, Stamp, int]] = set()
        """What was acknowledged and answered: the device's own notice of it may still be on its way."""

    async def close(self) -> None:
        """Close what was opened."""
        await self._apps.close()

    async def acknowledge(self, spec: BacnetLink, it: Acknowledgement, notices: Iterable[EventNotice]) -> Performed:
        """The step lies between first byte out and last answer in. Nothing is sent where nothing asks for it."""
        due = [notice for notice in to_acknowledge(it, notices) if _key(spec, notice) not in self._done]
        first_ns = last_ns = self._clock()
        if not due:
            why = f"link={spec.name}: {object_words((it.object_type, it.instance))} notified nothing that asks for it"
            return Performed(at=Bounds(first_ns, first_ns), proven=False, why=why, is_sent=False)
        is_sent = False
        for notice in due:
            try:
                app = await self._apps.open(spec)
                peer = await resolved(spec.host, spec.port)
                answer = await app.ask(request_of(notice, spec.process), peer, spec.timeout_ns)
            except RefusedError as exc:
                at = Bounds(first_ns, max(first_ns, exc.given_up_ns))
                return Performed(at=at, proven=False, why=str(exc), is_sent=is_sent)
            except NoAnswerError as exc:
                at = Bounds(first_ns, max(first_ns, exc.given_up_ns))
                return Performed(at=at, proven=False, why=str(exc))
            except LinkError as exc:
                at = Bounds(first_ns, max(first_ns, self._clock()))
                return Performed(at=at, proven=False, why=str(exc), is_sent=is_sent)
            if not is_sent:
                first_ns = answer.asked_ns
            last_ns, is_sent = answer.told_ns, True
            self._done.add(_key(spec, notice))
        return Performed(at=Bounds(first_ns, last_ns), proven=True)


def _key(spec: BacnetLink, notice: EventNotice) -> tuple[str, ObjectId | None, Stamp, int]:
    return spec.name, notice.object, notice.stamp, notice.to_state


def request_of(notice: EventNotice, process: int, now: datetime | None = None) -> AcknowledgeAlarmRequest:
    """The acknowledgement of one notification. ``now``: the time of acknowledgement, this computer's local time."""
    if notice.object is None:
        raise ValueError("an object of a type that farend does not read is not acknowledged")
    at = datetime.now().astimezone() if now is None else now
    date = (at.year - 1900, at.month, at.day, at.isoweekday())
    time = (at.hour, at.minute, at.second, at.microsecond // 10_000)
    return AcknowledgeAlarmRequest(
        acknowledgingProcessIdentifier=process,
        eventObjectIdentifier=number_of(notice.object),
        eventStateAcknowledged=notice.to_state,
        timeStamp=_stamp(notice.stamp),
        acknowledgmentSource=SOURCE,
        timeOfAcknowledgment=_stamp(Stamp(time=time, date=date)),
    )


def _stamp(stamp: Stamp) -> Any:
    if stamp.sequence is not None:
        return TimeStamp(sequenceNumber=stamp.sequence)
    if stamp.date is None:
        return TimeStamp(time=Time(stamp.time))
    return TimeStamp(dateTime=DateTime(date=Date(stamp.date), time=Time(stamp.time)))
